"""The contract of `Evaluations`, held over the database and over the fake: nothing that came is ever overlooked."""

from collections.abc import Iterator
from dataclasses import replace

import pytest

from service.ports import ConflictError, Due, NotFoundError, SavedEvaluation
from tests.contracts.given import (
    A_CHAIN,
    A_DRIVE,
    A_HAND_VALUE,
    ALL_STORES,
    NOON_NS,
    SERIES_STORES,
    Ports,
    S,
    a_reading,
    a_store,
)

SAVED = SavedEvaluation(drive_id="press-3", state={"to_ns": 2**62, "x": [1.5, None]}, checkpoints=[{"a": 1}])


@pytest.fixture(params=ALL_STORES)
def ports(request: pytest.FixtureRequest) -> Iterator[Ports]:
    with a_store(request.param) as store:
        yield store


def due(ports: Ports) -> dict[str, int]:
    return {each.drive_id: each.from_ns for each in ports.evaluations.due()}


def done(ports: Ports) -> None:
    ports.evaluations.save([], ports.evaluations.due())


def test_nothing_is_due_or_saved_in_a_new_store(ports: Ports) -> None:
    assert ports.evaluations.due() == []
    assert ports.evaluations.load("press-3") is None


def test_a_drive_is_due_from_the_earliest_that_came(ports: Ports) -> None:
    ports.evaluations.note("press-3", 7)
    ports.evaluations.note("press-3", 5)
    ports.evaluations.note("press-3", 9)
    ports.evaluations.note("a", 1)
    assert due(ports) == {"a": 1, "press-3": 5}
    assert [each.drive_id for each in ports.evaluations.due()] == ["a", "press-3"]


def test_what_is_done_leaves_the_list_unless_more_came_meanwhile(ports: Ports) -> None:
    ports.evaluations.note("press-3", 7)
    ports.evaluations.note("a", 7)
    seen = ports.evaluations.due()
    ports.evaluations.note("press-3", 8)
    ports.evaluations.save([], seen)
    assert due(ports) == {"press-3": 7}
    done(ports)
    assert due(ports) == {}
    ports.evaluations.save([], [Due(drive_id="unknown", from_ns=1, changes=1)])
    assert due(ports) == {}


def test_what_is_saved_comes_back_and_is_replaced(ports: Ports) -> None:
    ports.evaluations.save([SAVED])
    assert ports.evaluations.load("press-3") == SAVED
    newer = replace(SAVED, state={"to_ns": 3}, checkpoints=None)
    ports.evaluations.save([newer])
    assert ports.evaluations.load("press-3") == replace(newer, checkpoints=SAVED.checkpoints)
    ports.evaluations.save([replace(newer, checkpoints=[])])
    assert ports.evaluations.load("press-3") == replace(newer, checkpoints=[])


def test_one_without_checkpoints_has_an_empty_list_of_them(ports: Ports) -> None:
    ports.evaluations.save([replace(SAVED, checkpoints=None)])
    assert ports.evaluations.load("press-3") == replace(SAVED, checkpoints=[])


def test_what_json_cannot_say_is_refused_and_nothing_is_done(ports: Ports) -> None:
    ports.evaluations.note("press-3", 7)
    with pytest.raises(ValueError, match="JSON"):
        ports.evaluations.save(
            [replace(SAVED, state={"x": float("nan")})], [Due(drive_id="press-3", from_ns=7, changes=1)]
        )
    assert due(ports) == {"press-3": 7}
    assert ports.evaluations.load("press-3") is None


def test_what_was_made_of_an_older_register_is_refused_and_nothing_is_done(ports: Ports) -> None:
    version = ports.register.version()
    ports.evaluations.note("press-3", 7)
    ports.evaluations.save([SAVED], register_version=version)
    ports.register.add_drive(A_DRIVE)
    with pytest.raises(ConflictError, match="look at it again"):
        ports.evaluations.save([replace(SAVED, state={})], ports.evaluations.due(), register_version=version)
    assert ports.evaluations.load("press-3") == SAVED
    assert due(ports) == {"press-3": 7}
    ports.evaluations.save([], ports.evaluations.due(), register_version=ports.register.version())
    assert due(ports) == {}


@pytest.mark.parametrize("ports", SERIES_STORES, indirect=True)
def test_stored_readings_make_their_drive_due_and_readings_that_are_known_do_not(ports: Ports) -> None:
    readings = [a_reading(at_s, seq=n) for n, at_s in enumerate((30.0, 20.0, 40.0))]
    other = replace(a_reading(5.0), drive_id="saw-1")
    ports.readings.store([*readings, other])
    assert due(ports) == {"press-3": NOON_NS + 20 * S, "saw-1": NOON_NS + 5 * S}
    done(ports)
    ports.readings.store(readings)
    ports.readings.store([])
    assert due(ports) == {}


@pytest.mark.parametrize("ports", SERIES_STORES, indirect=True)
def test_a_reading_that_is_put_in_place_of_another_makes_its_drive_due_from_the_earlier_of_both(
    ports: Ports,
) -> None:
    old = [a_reading(10 * n, seq=n) for n in range(1, 4)]
    ports.readings.store(old)
    done(ports)
    ports.readings.supersede([old[0]], NOON_NS, "the same")
    assert due(ports) == {}
    ports.readings.supersede(
        [replace(old[1], elongation_pct=0.5), replace(old[2], t_ns=NOON_NS + S * 35)], 1, "x"
    )
    assert due(ports) == {"press-3": NOON_NS + 20 * S}


def test_a_measurement_by_hand_makes_its_drive_due_from_when_it_was_made(ports: Ports) -> None:
    ports.register.add_drive(A_DRIVE)
    ports.register.fit_chain(A_CHAIN)
    done(ports)
    ports.hand_values.record(A_HAND_VALUE)
    assert due(ports) == {"press-3": A_HAND_VALUE.measured_ns}
    done(ports)
    ports.hand_values.record(A_HAND_VALUE)
    assert due(ports) == {}


def test_a_chain_makes_its_drive_due_from_when_it_was_fitted_or_taken_off(ports: Ports) -> None:
    ports.register.add_drive(A_DRIVE)
    ports.register.fit_chain(A_CHAIN)
    assert due(ports) == {"press-3": A_CHAIN.fitted_ns}
    done(ports)
    ports.register.take_off_chain(A_CHAIN.chain_id, NOON_NS + 9 * S, "worn")
    assert due(ports) == {"press-3": NOON_NS + 9 * S}
    done(ports)
    with pytest.raises(NotFoundError):
        ports.register.take_off_chain("none", NOON_NS, "worn")
    assert due(ports) == {}
