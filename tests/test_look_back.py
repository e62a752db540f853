"""Somebody asks how chains lived, and what their wear went with."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from service.adapters.survival import ScipyLifeFitter
from service.core.drive import Baseline, Chain, Drive
from service.core.influence import Factor
from service.core.life import LifeUnit, Removal, RemovalKind
from service.core.upkeep import Upkeep, UpkeepKind
from service.look_back import LookBack
from service.ports import NotFoundError
from tests.contracts.given import A_BASELINE, DAY_NS, NOON_NS, Ports, S, a_reading, fake_ports

NOW_NS = NOON_NS
START_NS = NOON_NS - 3000 * DAY_NS


def looked(ports: Ports) -> LookBack:
    return LookBack(ports, ScipyLifeFitter())


def a_drive_with(
    ports: Ports,
    drive_id: str,
    lives: Sequence[tuple[int, RemovalKind | None]],
    *,
    drive_class: str = "feed",
    start_ns: int = START_NS,
) -> None:
    """A drive with chains of so many days one after the other; None: it is on."""
    ports.register.add_drive(Drive(drive_id=drive_id, drive_class=drive_class))
    for number, (days, kind) in enumerate(lives):
        chain = Chain(
            chain_id=f"{drive_id}-{number}",
            drive_id=drive_id,
            designation="16B-1",
            pitch_mm=25.4,
            fitted_ns=start_ns if kind else NOW_NS - days * DAY_NS,
        )
        ports.register.fit_chain(chain)
        if kind is None:
            continue
        start_ns += days * DAY_NS
        removal = Removal(
            chain_id=chain.chain_id,
            kind=kind,
            hours=12.0 * days,
            passages=1e6 * days,
            by="K",
            recorded_ns=start_ns,
        )
        ports.register.take_off_chain(chain.chain_id, start_ns, "x", removal=removal)


WORN, PLANNED = RemovalKind.WORN, RemovalKind.PLANNED


def test_a_class_tells_the_median_of_its_chains_and_why_they_came_off() -> None:
    ports = fake_ports()
    a_drive_with(ports, "a", [(100, WORN), (200, WORN), (150, PLANNED), (20, None)])
    a_drive_with(ports, "b", [(300, WORN)])
    a_drive_with(ports, "c", [], drive_class="saw")
    feed, saw = looked(ports).classes(NOW_NS)
    assert (feed.drive_class, feed.drives, feed.on) == ("feed", 2, 1)
    assert (feed.survival.count, feed.survival.ended) == (5, 3)
    assert feed.survival.median == 200  # at risk 4, 2, 1: 3/4, 3/8
    assert {kind: count for kind, count in feed.kinds.items() if count} == {WORN: 3, PLANNED: 1}
    assert (saw.drive_class, saw.survival.count, saw.survival.median) == ("saw", 0, None)


def test_a_chain_that_came_off_without_more_said_is_censored_as_other() -> None:
    ports = fake_ports()
    a_drive_with(ports, "a", [(10, None)])
    ports.register.take_off_chain("a-0", NOW_NS - DAY_NS, "worn?")
    (feed,) = looked(ports).classes(NOW_NS)
    assert feed.kinds[RemovalKind.OTHER] == 1
    assert (feed.survival.count, feed.survival.ended) == (1, 0)
    (past,) = looked(ports).pasts("a", NOW_NS)
    assert (past.life.kind, past.removal) == (RemovalKind.OTHER, None)


@pytest.mark.parametrize(("unit", "median"), [("days", 200.0), ("hours", 2400.0), ("passages", 2e8)])
def test_one_class_is_told_in_each_unit(unit: str, median: float) -> None:
    ports = fake_ports()
    a_drive_with(ports, "a", [(100, WORN), (200, WORN), (300, WORN), (20, None)])
    report = looked(ports).lives_of("feed", LifeUnit(unit), NOW_NS)
    assert report.survival.median == median
    assert report.unknown == (0 if unit == "days" else 1)  # nobody counted how far the one that is on ran
    assert len(report.lives) == 4


def test_joints_are_counted_of_the_chain_that_is_on() -> None:
    ports = fake_ports()
    a_drive_with(ports, "a", [(2, None)])
    t_ns = NOW_NS - DAY_NS
    ports.readings.store(
        [replace(a_reading(0, 0.5), drive_id="a", chain_id="a-0", t_ns=t_ns, t0_ns=t_ns - 10 * S)]
    )
    while ports.readings.roll_up():
        pass
    report = looked(ports).lives_of("feed", LifeUnit.PASSAGES, NOW_NS)
    assert (report.unknown, report.survival.ended) == (0, 0)
    assert (report.lives[0].passages or 0) >= 197


def changed(ports: Ports, drive_id: str, at_ns: int, kind: UpkeepKind = UpkeepKind.LUBRICANT_CHANGED) -> None:
    ports.upkeep_log.record(
        Upkeep(drive_id=drive_id, kind=kind, at_ns=at_ns, lubricant="x", note="x", by="K", recorded_ns=0)
    )


def test_a_better_lubricant_shows_in_the_lives() -> None:
    ports = fake_ports()
    a_drive_with(ports, "a", [(100 + n, WORN) for n in range(8)] + [(250 + n, WORN) for n in range(8)])
    a_drive_with(ports, "b", [(9, WORN)])  # no change: in neither
    changed(ports, "a", START_NS + sum(100 + n for n in range(8)) * DAY_NS)
    report = looked(ports).lives_of("feed", LifeUnit.DAYS, NOW_NS, UpkeepKind.LUBRICANT_CHANGED)
    assert report.compared is not None
    assert (report.compared.before.count, report.compared.after.count) == (8, 8)
    assert report.compared.told
    assert (report.compared.before.median, report.compared.after.median) == (103, 253)


def test_few_worn_chains_say_nothing_of_a_lubricant() -> None:
    ports = fake_ports()
    a_drive_with(ports, "a", [(100, WORN)] * 4 + [(900, WORN)] * 2)
    changed(ports, "a", START_NS + 400 * DAY_NS)
    report = looked(ports).lives_of("feed", LifeUnit.DAYS, NOW_NS, UpkeepKind.LUBRICANT_CHANGED)
    assert report.compared is not None
    assert (report.compared.p, report.compared.told) == (None, False)


def test_only_what_lasts_makes_a_before_and_an_after() -> None:
    ports = fake_ports()
    a_drive_with(ports, "a", [(100, WORN)])
    with pytest.raises(ValueError, match="lubricant_changed, method_changed"):
        looked(ports).lives_of("feed", LifeUnit.DAYS, NOW_NS, UpkeepKind.CLEANED)
    with pytest.raises(NotFoundError, match="class 'none'"):
        looked(ports).lives_of("none", LifeUnit.DAYS, NOW_NS)


# What wear goes with


def with_readings(ports: Ports, days: int = 120) -> list[float]:
    """A drive whose rate goes with its load; returns the loads, kN, by day."""
    rng = np.random.default_rng(4)
    ports.register.add_drive(Drive(drive_id="a", whole_pitches=20))
    start_ns = NOON_NS - (days - 1) * DAY_NS - DAY_NS // 2
    ports.register.fit_chain(
        Chain(
            chain_id="a-0", drive_id="a", designation="16B-1", pitch_mm=25.4, fitted_ns=start_ns - 90 * DAY_NS
        )
    )
    worn, loads, readings = 0.1, [], []
    for day in range(days):
        loads.append(3 + rng.normal(0, 0.5))
        joints = round(2e6 * rng.uniform(0.7, 1))
        gain = 0.05 * joints * 25.4e-6 / 1000 * (1 + 0.4 * (loads[-1] - 3))
        t_ns = start_ns + day * DAY_NS + DAY_NS // 2
        readings.append(
            replace(
                a_reading(0, worn + gain / 2 + 0.0002 * rng.standard_normal(), seq=day),
                drive_id="a",
                chain_id="a-0",
                t_ns=t_ns,
                t0_ns=t_ns - 10 * S,
                up_pulses=joints,
                load_n=1000 * loads[-1],
                temp_c=None,
            )
        )
        worn += gain
    ports.readings.store(readings)
    while ports.readings.roll_up():
        pass
    return loads


def test_the_wear_of_a_drive_is_held_against_its_load() -> None:
    ports = fake_ports()
    loads = with_readings(ports)
    report = looked(ports).influence("a", NOW_NS - 365 * DAY_NS, NOW_NS)
    assert report.found.rate == pytest.approx(0.05, rel=0.15)
    relation = next(each for each in report.found.relations if each.factor is Factor.LOAD)
    assert relation.told
    assert relation.slope == pytest.approx(0.4 * 0.05, rel=0.3)
    assert min(loads) * 1000 < (report.found.bins[0].load_n or 0) < max(loads) * 1000


def test_where_raw_readings_are_gone_the_rate_is_still_told_and_the_load_is_not() -> None:
    ports = fake_ports()
    with_readings(ports)
    ports.readings.forget(None, NOW_NS + DAY_NS)
    report = looked(ports).influence("a", NOW_NS - 365 * DAY_NS, NOW_NS)
    assert report.found.rate == pytest.approx(0.05, rel=0.15)
    relation = next(each for each in report.found.relations if each.factor is Factor.LOAD)
    assert relation.slope is None
    assert "No load is sent" in relation.words


def test_a_new_baseline_cuts_the_series_and_is_no_wear() -> None:
    ports = fake_ports()
    with_readings(ports)
    before = looked(ports).influence("a", NOW_NS - 365 * DAY_NS, NOW_NS).found
    taken: Baseline = replace(
        A_BASELINE, chain_id="a-0", taken_ns=NOW_NS - 60 * DAY_NS, recorded_ns=NOW_NS - 60 * DAY_NS
    )
    ports.register.record_baseline(taken)
    after = looked(ports).influence("a", NOW_NS - 365 * DAY_NS, NOW_NS).found
    assert after.days == before.days - 1  # the day that has two
    assert after.rate == pytest.approx(before.rate, rel=0.1)


def test_the_first_days_of_a_chain_are_left_out() -> None:
    ports = fake_ports()
    with_readings(ports, 40)
    whole = looked(ports).influence("a", NOW_NS - 365 * DAY_NS, NOW_NS).found
    young = fake_ports()
    with_readings(young, 40)
    chain = young.register.chains("a")[0]
    fresh = replace(chain, fitted_ns=NOW_NS - 40 * DAY_NS)
    young.register._chains["a-0"] = fresh  # type: ignore[attr-defined] # the same readings, of a chain just fitted
    assert whole.days == 40
    assert looked(young).influence("a", NOW_NS - 365 * DAY_NS, NOW_NS).found.days == 39


def test_times_must_be_in_order_and_the_drive_must_be_there() -> None:
    ports = fake_ports()
    with_readings(ports, 1)
    with pytest.raises(ValueError, match="from must be before to"):
        looked(ports).influence("a", NOW_NS, NOW_NS)
    with pytest.raises(NotFoundError):
        looked(ports).influence("none", 0, NOW_NS)
    with pytest.raises(NotFoundError):
        looked(ports).sprockets("none", NOW_NS)
