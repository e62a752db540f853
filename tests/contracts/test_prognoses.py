"""The contract of `Prognoses`, held over the database and over the fake: what was told stays as it was told."""

from collections.abc import Iterator
from dataclasses import replace

import pytest

from service.core.prognosis import Outcome
from service.ports import KeptPrognosis, NotFoundError
from tests.contracts.given import A_CHAIN, A_DRIVE, ALL_STORES, DAY_NS, NOON_NS, Ports, S, a_store

HOUR_NS = 3600 * S
TOLD = KeptPrognosis(
    drive_id="press-3",
    chain_id="press-3-a",
    made_ns=NOON_NS,
    outcome=Outcome.FORECAST,
    set_point_pct=1.25,
    p10_ns=NOON_NS + 10 * DAY_NS,
    p50_ns=NOON_NS + 20 * DAY_NS,
    p90_ns=None,
    version="wear forecast 1",
    document={"rate": {"per_30_days_pct": 0.125}, "assumptions": ["as it was"], "bend": None},
)


@pytest.fixture(params=ALL_STORES)
def ports(request: pytest.FixtureRequest) -> Iterator[Ports]:
    with a_store(request.param) as store:
        store.register.add_drive(A_DRIVE)
        store.register.add_drive(replace(A_DRIVE, drive_id="other"))
        store.register.fit_chain(A_CHAIN)
        yield store


def made(at_h: float, **changes: object) -> KeptPrognosis:
    return replace(TOLD, made_ns=NOON_NS + round(at_h * HOUR_NS), **changes)  # type: ignore[arg-type]


def hours(found: list[KeptPrognosis]) -> list[float]:
    return [(each.made_ns - NOON_NS) / HOUR_NS for each in found]


def test_a_new_store_tells_nothing(ports: Ports) -> None:
    assert ports.prognoses.newest() == []
    assert ports.prognoses.newest_of("press-3") is None
    assert ports.prognoses.of_drive("press-3") == []
    assert ports.prognoses.of_chain("press-3-a") == []


def test_what_was_told_comes_back_as_it_was(ports: Ports) -> None:
    ports.prognoses.keep([TOLD])
    (kept,) = ports.prognoses.newest()
    assert kept.number > 0
    assert replace(kept, number=0) == TOLD
    assert ports.prognoses.newest_of("press-3") == kept
    assert ports.prognoses.of_drive("press-3") == [kept]
    assert ports.prognoses.of_chain("press-3-a") == [kept]
    assert ports.prognoses.of_chain("press-3-a", documents=False) == [replace(kept, document={})]


def test_one_a_day_stays_for_ever_and_the_newest_until_another_comes(ports: Ports) -> None:
    for at_h in range(0, 60, 3):  # from noon: days begin at 12 h and 36 h
        ports.prognoses.keep([made(at_h)])
    assert hours(ports.prognoses.of_chain("press-3-a")) == [0, 12, 36, 57]


def test_one_that_was_made_earlier_does_not_push_the_newest_out(ports: Ports) -> None:
    ports.prognoses.keep([made(0)])
    ports.prognoses.keep([made(2)])
    ports.prognoses.keep([made(1)])
    assert hours(ports.prognoses.of_chain("press-3-a")) == [0, 2]


def test_each_chain_keeps_its_own(ports: Ports) -> None:
    ports.prognoses.keep([made(0), made(1), made(1, chain_id="press-3-b"), made(2, chain_id="press-3-b")])
    assert hours(ports.prognoses.of_chain("press-3-a")) == [0, 1]
    assert hours(ports.prognoses.of_chain("press-3-b")) == [1, 2]
    assert hours(ports.prognoses.of_chain("press-3-b", 1)) == [2]
    found = ports.prognoses.newest_of("press-3")
    assert found is not None
    assert found.chain_id == "press-3-b"


def test_the_newest_of_each_drive_is_told_also_as_of_an_instant(ports: Ports) -> None:
    ports.prognoses.keep([made(0), made(24), made(30), made(13, drive_id="other", chain_id="o")])
    assert [(each.drive_id, *hours([each])) for each in ports.prognoses.newest()] == [
        ("other", 13),
        ("press-3", 30),
    ]
    assert [
        (each.drive_id, *hours([each])) for each in ports.prognoses.newest(by_ns=NOON_NS + 24 * HOUR_NS)
    ] == [("other", 13), ("press-3", 24)]
    assert hours(ports.prognoses.newest(by_ns=NOON_NS + 1)) == [0]
    assert ports.prognoses.newest(by_ns=NOON_NS - 1) == []


def test_past_ones_are_paged_through_the_newest_first(ports: Ports) -> None:
    for day in range(5):
        ports.prognoses.keep([made(24 * day)])
    first = ports.prognoses.of_drive("press-3", rows_max=2)
    assert hours(first) == [96, 72]
    second = ports.prognoses.of_drive("press-3", before=first[-1].number, rows_max=2)
    assert hours(second) == [48, 24]
    assert hours(ports.prognoses.of_drive("press-3", before=second[-1].number)) == [0]


def test_numbers_never_come_again(ports: Ports) -> None:
    ports.prognoses.keep([made(0), made(1)])
    before = ports.prognoses.newest()[0].number
    ports.prognoses.keep([made(2)])
    assert ports.prognoses.newest()[0].number > before


def test_of_a_drive_that_is_not_registered_none_is_kept_nor_of_those_beside_it(ports: Ports) -> None:
    with pytest.raises(NotFoundError, match="not registered"):
        ports.prognoses.keep([TOLD, replace(TOLD, drive_id="unknown")])
    assert ports.prognoses.newest() == []


def test_what_json_cannot_say_is_refused(ports: Ports) -> None:
    with pytest.raises(ValueError, match="JSON"):
        ports.prognoses.keep([replace(TOLD, document={"rate": float("nan")})])
    assert ports.prognoses.newest() == []
