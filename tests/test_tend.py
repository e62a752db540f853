"""A person tends a drive: what is known of a chain when it comes off, sprockets in their places, what was done."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import pytest

from service.core.drive import Chain
from service.core.fields import FieldsRefusedError
from service.core.life import ElongationSource, RemovalKind
from service.core.sprocket import Place
from service.core.upkeep import UpkeepKind
from service.operate import Operate
from service.ports import ConflictError, NotFoundError
from service.tend import Ended, Tend, run_of
from tests.contracts.given import (
    A_CHAIN,
    A_DRIVE,
    A_HAND_VALUE,
    DAY_NS,
    NOON_NS,
    STORES,
    Ports,
    S,
    a_reading,
    a_store,
)

NOW_NS = NOON_NS + 30 * DAY_NS
ACT: dict[str, Any] = {"at_ns": NOW_NS, "by": "M. Brandt"}
WORN = Ended(kind=RemovalKind.WORN)


@dataclass(frozen=True, slots=True)
class Given:
    ports: Ports
    tend: Tend


@pytest.fixture(params=STORES)
def given(request: pytest.FixtureRequest) -> Iterator[Given]:
    with a_store(request.param) as ports:
        ports.register.add_drive(A_DRIVE)
        ports.register.fit_chain(A_CHAIN)
        yield Given(ports, Tend(ports, Operate(ports.register, ports.refused, ports.readings)))


def read(given: Given, at_s: float, pct: float | None, **more: Any) -> None:
    given.ports.readings.store([replace(a_reading(at_s, pct, seq=round(at_s)), **more)])


def by_hand(given: Given, at_s: float, **more: Any) -> None:
    t_ns = NOON_NS + round(at_s * S)
    given.ports.hand_values.record(replace(A_HAND_VALUE, measured_ns=t_ns, recorded_ns=t_ns, **more))


# Chains that come off


def test_a_chain_comes_off_with_its_newest_reading(given: Given) -> None:
    read(given, 100, 0.7)
    read(given, 200, 0.9)
    read(given, 300, None)
    chain, removal = given.tend.take_off_chain("press-3-a", WORN, why="at its limit", **ACT)
    assert (chain.removed_ns, chain.removed_why) == (NOW_NS, "at its limit")
    assert (removal.kind, removal.source) == (RemovalKind.WORN, ElongationSource.LIVE)
    assert (removal.elongation_pct, removal.u_pct) == (0.9, 0.011)
    assert removal.measured_ns == NOON_NS + 200 * S
    assert given.ports.removals.newest() == [removal]


def test_what_was_measured_after_it_came_off_says_nothing(given: Given) -> None:
    read(given, 100, 0.7)
    read(given, 900, 0.9)
    _, removal = given.tend.take_off_chain("press-3-a", WORN, removed_ns=NOON_NS + 500 * S, **ACT)
    assert removal.elongation_pct == 0.7


def test_readings_of_another_chain_say_nothing(given: Given) -> None:
    read(given, 100, 0.7, chain_id="other")
    _, removal = given.tend.take_off_chain("press-3-a", WORN, **ACT)
    assert (removal.elongation_pct, removal.u_pct, removal.measured_ns) == (None, None, None)
    assert removal.source is ElongationSource.NONE


def test_by_hand_counts_where_there_is_nothing_else_or_it_is_newer(given: Given) -> None:
    read(given, 100, 0.7)
    by_hand(given, 5 * 86_400)
    _, removal = given.tend.take_off_chain("press-3-a", WORN, **ACT)
    assert removal.source is ElongationSource.BY_HAND
    assert removal.elongation_pct == pytest.approx(0.8, abs=0.05)  # 307.25 mm over 12 pitches of 25.4 mm
    assert removal.measured_ns == NOON_NS + 5 * DAY_NS


def test_within_a_day_the_better_known_counts(given: Given) -> None:
    read(given, 100, 0.7)
    by_hand(given, 3600)
    _, removal = given.tend.take_off_chain("press-3-a", WORN, **ACT)
    assert (removal.source, removal.elongation_pct) == (ElongationSource.LIVE, 0.7)


def test_a_slack_measurement_gives_no_elongation(given: Given) -> None:
    by_hand(given, 3600, tight=False)
    _, removal = given.tend.take_off_chain("press-3-a", WORN, **ACT)
    assert removal.elongation_pct is None


def test_where_raw_readings_are_gone_the_newest_day_counts(given: Given) -> None:
    read(given, 100, 0.7)
    read(given, 20 * 86_400, 0.8, chain_id="other")
    while given.ports.readings.roll_up():
        pass
    given.ports.readings.forget(None, NOON_NS + DAY_NS)
    _, removal = given.tend.take_off_chain("press-3-a", WORN, **ACT)
    assert removal.elongation_pct == 0.7
    assert removal.source is ElongationSource.LIVE


def test_what_a_person_says_goes_first(given: Given) -> None:
    read(given, 100, 0.7)
    said = Ended(kind=RemovalKind.BROKEN, elongation_pct=1.1, u_pct=0.1, passages=5e6, hours=70.0, note="jam")
    _, removal = given.tend.take_off_chain("press-3-a", said, **ACT)
    assert removal.source is ElongationSource.SAID
    assert (removal.elongation_pct, removal.u_pct, removal.passages, removal.hours) == (1.1, 0.1, 5e6, 70.0)
    assert (removal.note, removal.measured_ns) == ("jam", NOW_NS)


def test_joints_and_hours_are_counted_while_it_was_on(given: Given) -> None:
    """Two hours at 197 joints in each of 12 windows an hour, and no more after it came off."""
    for number in range(24):
        read(given, 300 * number + 300, 0.5)
    read(given, 30 * 3600, 0.5)
    while given.ports.readings.roll_up():
        pass
    off_ns = NOON_NS + 2 * 3600 * S
    _, removal = given.tend.take_off_chain("press-3-a", WORN, removed_ns=off_ns, **ACT)
    assert removal.passages == pytest.approx(24 * 197)
    assert removal.hours is not None
    assert 0 < removal.hours <= 2


def test_where_nobody_counted_nothing_is_said_of_the_way(given: Given) -> None:
    _, removal = given.tend.take_off_chain("press-3-a", WORN, **ACT)
    assert (removal.passages, removal.hours) == (None, None)
    assert run_of(given.ports.readings, A_CHAIN, A_CHAIN.fitted_ns) is None


def test_a_chain_comes_off_once_and_not_ahead_of_now(given: Given) -> None:
    with pytest.raises(FieldsRefusedError, match="ahead of now"):
        given.tend.take_off_chain("press-3-a", WORN, removed_ns=NOW_NS + DAY_NS, **ACT)
    with pytest.raises(FieldsRefusedError, match="elongation_pct"):
        given.tend.take_off_chain("press-3-a", Ended(elongation_pct=99.0), **ACT)
    assert given.ports.register.chains()[0].removed_ns is None
    given.tend.take_off_chain("press-3-a", WORN, **ACT)
    with pytest.raises(ConflictError):
        given.tend.take_off_chain("press-3-a", WORN, **ACT)
    with pytest.raises(NotFoundError, match="no chain 'none'"):
        given.tend.take_off_chain("none", WORN, **ACT)
    assert len(given.ports.removals.newest()) == 1


def test_a_removal_is_corrected_and_the_audit_log_tells_old_and_new(given: Given) -> None:
    given.tend.take_off_chain("press-3-a", Ended(), **ACT)
    given.tend.correct_removal("press-3-a", replace(WORN, note="seen by A. Vogt"), **ACT)
    (removal,) = given.ports.removals.newest()
    assert (removal.kind, removal.note) == (RemovalKind.WORN, "seen by A. Vogt")
    entry = given.ports.audit_log.entries()[0]
    assert (entry.what, entry.old["kind"], entry.new["kind"]) == ("removal corrected", "other", "worn")


def test_an_old_removal_can_be_told_later(given: Given) -> None:
    given.ports.register.take_off_chain("press-3-a", NOON_NS + DAY_NS, "worn, 2.9 %")
    read(given, 100, 0.7)
    removal = given.tend.correct_removal("press-3-a", WORN, **ACT)
    assert (removal.elongation_pct, removal.kind) == (0.7, RemovalKind.WORN)
    assert given.ports.audit_log.entries()[0].what == "removal recorded"


def test_a_chain_that_is_on_did_not_end(given: Given) -> None:
    with pytest.raises(ConflictError, match="take it off"):
        given.tend.correct_removal("press-3-a", WORN, **ACT)


# Sprockets


def test_a_sprocket_takes_its_teeth_from_the_settings(given: Given) -> None:
    fitted = [given.tend.fit_sprocket("press-3", place=place, **ACT) for place in Place]
    assert [each.teeth for each in fitted] == [19, 57, None]
    assert given.tend.fit_sprocket("press-3", place=Place.IDLER, teeth=21, **ACT).teeth == 21


def test_a_drive_has_one_driver_and_many_idlers(given: Given) -> None:
    old = given.tend.fit_sprocket("press-3", place=Place.DRIVER, fitted_ns=NOON_NS, **ACT)
    idler = given.tend.fit_sprocket("press-3", place=Place.IDLER, **ACT)
    new = given.tend.fit_sprocket("press-3", place=Place.DRIVER, **ACT)
    other = given.tend.fit_sprocket("press-3", place=Place.IDLER, **ACT)
    by_number = {each.number: each for each in given.ports.sprockets.of("press-3")}
    assert by_number[old.number].removed_ns == NOW_NS
    assert by_number[old.number].removed_why == "another was fitted"
    assert all(by_number[each.number].removed_ns is None for each in (idler, new, other))


def test_a_sprocket_cannot_come_before_the_one_it_takes_the_place_of(given: Given) -> None:
    given.tend.fit_sprocket("press-3", place=Place.DRIVER, fitted_ns=NOON_NS + DAY_NS, **ACT)
    with pytest.raises(ConflictError, match="correct the date"):
        given.tend.fit_sprocket("press-3", place=Place.DRIVER, fitted_ns=NOON_NS, **ACT)


def test_sprockets_come_off_and_are_inspected_with_an_entry_in_the_audit_log(given: Given) -> None:
    on = given.tend.fit_sprocket("press-3", place=Place.DRIVER, fitted_ns=NOON_NS, **ACT)
    seen = given.tend.inspect(on.number, worn=True, note="hooked", **ACT)
    off = given.tend.take_off_sprocket(on.number, why="hooked teeth", **ACT)
    assert (seen.worn, seen.inspected_ns) == (True, NOW_NS)
    assert (off.removed_ns, off.removed_by) == (NOW_NS, "M. Brandt")
    whats = [each.what for each in given.ports.audit_log.entries()]
    assert whats == ["sprocket taken off", "sprocket inspected", "sprocket fitted"]
    with pytest.raises(FieldsRefusedError, match="ahead of now"):
        given.tend.inspect(on.number, worn=True, inspected_ns=NOW_NS + DAY_NS, **ACT)


# Upkeep


def test_what_was_done_is_recorded_and_struck(given: Given) -> None:
    done = given.tend.record_upkeep("press-3", kind=UpkeepKind.LUBRICATED, done_ns=NOON_NS, **ACT)
    assert given.ports.upkeep_log.of("press-3") == [done]
    given.tend.strike_upkeep("press-3", done.number, why="another drive", **ACT)
    assert given.ports.upkeep_log.of("press-3") == []
    assert [each.what for each in given.ports.audit_log.entries()] == ["event struck", "lubricated"]


def test_only_events_of_the_drive_are_struck(given: Given) -> None:
    done = given.tend.record_upkeep("press-3", kind=UpkeepKind.CLEANED, **ACT)
    with pytest.raises(NotFoundError, match="of drive 'saw-1'"):
        given.tend.strike_upkeep("saw-1", done.number, **ACT)
    with pytest.raises(FieldsRefusedError, match="ahead of now"):
        given.tend.record_upkeep("press-3", kind=UpkeepKind.CLEANED, done_ns=NOW_NS + DAY_NS, **ACT)
    with pytest.raises(NotFoundError):
        given.tend.record_upkeep("none", kind=UpkeepKind.CLEANED, **ACT)


def test_the_chain_stays_what_it_was(given: Given) -> None:
    chain, _ = given.tend.take_off_chain("press-3-a", WORN, **ACT)
    assert chain == replace(A_CHAIN, removed_ns=NOW_NS, removed_why="worn")
    assert isinstance(chain, Chain)
