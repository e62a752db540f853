"""What wear goes with: relations that are there are found, and those that are not are not told."""

import math
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from service.core.influence import (
    DAY_NS,
    OUTLIER,
    Day,
    Factor,
    Influence,
    Relation,
    influence,
    student,
)
from service.core.upkeep import Upkeep, UpkeepKind

RATE = 0.05  # per cent for each 1000 km


def oiled(*days: float, kind: UpkeepKind = UpkeepKind.LUBRICATED) -> list[Upkeep]:
    return [
        Upkeep(
            drive_id="a",
            kind=kind,
            at_ns=round(day * DAY_NS),
            lubricant="VG 150",
            note="x",
            by="K",
            recorded_ns=0,
        )
        for day in days
    ]


def made_days(
    seed: int,
    count: int = 120,
    *,
    by_load: float = 0.0,  # relative change of the rate for each kN
    by_dryness: float = 0.0,  # for each day since it was lubricated
    after: float = 0.0,  # from half time on
    direct: float = 0.0,  # per cent of reading for each K, no wear
    wander: float = 0.5,
    error: float = 0.001,
    hangs: float = 0.0,
) -> list[Day]:
    """Days of a drive that wears at RATE for each 1000 km, and what moves rate and reading beside."""
    rng = np.random.default_rng(seed)
    worn, load, warm, held, days = 0.0, 0.0, 0.0, 0.0, []
    for number in range(count):
        load, warm = 0.6 * load + rng.normal(0, 0.5), 0.8 * warm + rng.normal(0, 2)
        speed = 1 + 0.1 * rng.standard_normal()
        km = 60 * speed * (rng.uniform(0.5, 1) if number % 7 < 5 else 0.0)
        rate = RATE * (1 + by_load * load + by_dryness * (number % 14 - 6.5) + after * (number >= count / 2))
        gain = rate * km / 1000 + wander * RATE * math.sqrt(60 * km) / 1000 * rng.standard_normal()
        held = hangs * held + math.sqrt(1 - hangs**2) * error * rng.standard_normal()
        days.append(
            Day(
                chain_id="a-1",
                stretch="a-1",
                end_ns=(number + 1) * DAY_NS,
                km=km,
                elongation_pct=worn + gain / 2 + held + direct * warm,
                load_n=1000 * (3 + load),
                speed_m_s=speed,
                temp_c=40 + warm,
            )
        )
        worn += gain
    return days


def of(found: Influence, factor: Factor) -> Relation:
    return next(each for each in found.relations if each.factor is factor)


LUBRICATED = oiled(*(14 * number + 0.3 for number in range(20)))


def test_the_rate_is_found_within_its_uncertainty() -> None:
    inside = 0
    for seed in range(40):
        found = influence(made_days(seed))
        assert found.rate is not None
        assert found.rate_u is not None
        inside += abs(found.rate - RATE) < 2 * found.rate_u
        assert found.rate_u < 0.25 * RATE
    assert inside >= 35  # of 40 at 95 %, fewer than 35 come once in 300


def test_a_rate_that_goes_with_load_is_told_and_nothing_else_beside() -> None:
    told = dict.fromkeys(Factor, 0)
    held = 0
    for seed in range(20):
        found = influence(made_days(seed, by_load=0.4, wander=0.2, error=0.0004), LUBRICATED)
        for each in found.relations:
            told[each.factor] += each.told
        relation = of(found, Factor.LOAD)
        assert relation.low is not None
        assert relation.high is not None
        held += relation.low <= 0.4 * RATE <= relation.high
    assert told[Factor.LOAD] >= 18
    assert max(told[each] for each in Factor if each is not Factor.LOAD) <= 2
    assert held >= 16


@pytest.mark.parametrize(
    "world",
    [
        {},
        {"wander": 3.0, "error": 0.0002},
        {"error": 0.004},
        {"error": 0.003, "hangs": 0.9},
        {"direct": 0.001},
    ],
    ids=["usual", "wear wanders", "rough", "errors hang together", "warmth moves the reading"],
)
def test_where_there_is_no_relation_hardly_one_is_told(world: dict[str, Any]) -> None:
    """One of all factors together in 20, at most, is meant; of 40 drives more than 6 would come once in 300."""
    drives = [influence(made_days(seed, **world), LUBRICATED) for seed in range(40)]
    assert sum(any(each.told for each in found.relations) for found in drives) <= 6
    assert all(of(found, Factor.LOAD).slope is not None for found in drives)


def test_a_drive_that_runs_dry_shows_it() -> None:
    found = [
        influence(made_days(seed, 160, by_dryness=0.1, wander=0.2, error=0.0004), LUBRICATED)
        for seed in range(8)
    ]
    relations = [of(each, Factor.SINCE_LUBRICATED) for each in found]
    assert sum(each.told for each in relations) >= 6
    told = next(each for each in relations if each.told)
    assert told.words.startswith("The rate rises by 0.00")
    assert "for each day since it was lubricated" in told.words


def test_another_lubricant_that_halves_the_rate_shows_it() -> None:
    change = oiled(80.3, kind=UpkeepKind.LUBRICANT_CHANGED)
    found = [
        influence(made_days(seed, 160, after=-0.6, wander=0.2, error=0.0004), change) for seed in range(8)
    ]
    relations = [of(each, Factor.CHANGE) for each in found]
    assert sum(each.told for each in relations) >= 6
    assert next(each for each in relations if each.told).words.startswith(
        "The rate is lower since the change"
    )


def test_a_change_that_came_with_the_chain_cannot_be_told_from_it() -> None:
    days = made_days(1, 120)
    two = [
        replace(each, chain_id="a-2", stretch="a-2") if number >= 60 else each
        for number, each in enumerate(days)
    ]
    relation = of(influence(two, oiled(60.0, kind=UpkeepKind.LUBRICANT_CHANGED)), Factor.CHANGE)
    assert not relation.told
    assert relation.slope is None
    assert "cannot be told apart" in relation.words


def test_what_was_struck_is_as_if_it_never_was() -> None:
    struck = [replace(each, struck_ns=1) for each in LUBRICATED]
    assert influence(made_days(2), struck) == influence(made_days(2))


@pytest.mark.parametrize(
    ("change", "factor", "said"),
    [
        ({"load_n": None}, Factor.LOAD, "No load is sent"),
        ({"load_n": 3000.0}, Factor.LOAD, "hardly varied"),
        ({"temp_c": None}, Factor.TEMPERATURE, "No temperature is sent"),
        ({"speed_m_s": None}, Factor.SPEED, "speed is not known"),
        ({}, Factor.SINCE_LUBRICATED, "not recorded"),
        ({}, Factor.CHANGE, "No change of lubricant"),
    ],
)
def test_a_factor_that_cannot_be_asked_about_says_why(
    change: dict[str, Any], factor: Factor, said: str
) -> None:
    found = influence([replace(each, **change) for each in made_days(3)])
    relation = of(found, factor)
    assert (relation.slope, relation.told) == (None, False)
    assert said in relation.words


def test_a_change_of_yesterday_has_too_few_days() -> None:
    found = influence(made_days(3), oiled(118.0, kind=UpkeepKind.METHOD_CHANGED))
    assert "Too few measured days on one side" in of(found, Factor.CHANGE).words


@pytest.mark.parametrize("count", [0, 1, 5, 10])
def test_few_days_say_nothing_of_a_rate(count: int) -> None:
    found = influence(made_days(4, count))
    assert (found.rate, found.rate_u, found.relations) == (None, None, ())
    assert found.words.startswith(f"{count} measured days say nothing of the rate yet")


def test_a_drive_that_stood_has_no_rate() -> None:
    found = influence([replace(each, km=0.0) for each in made_days(4, 40)])
    assert found.rate is None


def test_some_days_give_a_rate_and_no_relation_yet() -> None:
    found = influence(made_days(4, 30), LUBRICATED)
    assert found.rate is not None
    assert "Nothing can be said yet" in of(found, Factor.LOAD).words


def test_a_step_of_a_day_that_is_no_wear_is_left_out() -> None:
    """A bracket that moved: the level jumps once and stays."""
    days = made_days(5)
    moved = [
        replace(each, elongation_pct=(each.elongation_pct or 0.0) + 0.3 * (number >= 50))
        for number, each in enumerate(days)
    ]
    assert max(abs((b.elongation_pct or 0) - (a.elongation_pct or 0)) for a, b in pairwise(days)) < (
        0.3 / OUTLIER
    )
    one, other = influence(days), influence(moved)
    assert (one.left_out, other.left_out) == (0, 1)
    assert other.rate == pytest.approx(one.rate, abs=0.5 * (one.rate_u or 0.0))


def test_two_baselines_are_not_held_against_each_other() -> None:
    days = made_days(5)
    again = [
        replace(each, stretch="a-1/2", elongation_pct=(each.elongation_pct or 0.0) - 0.01)
        if number >= 50
        else each
        for number, each in enumerate(days)
    ]
    one, other = influence(days), influence(again)
    assert other.left_out == 0
    assert other.rate == pytest.approx(one.rate, abs=0.5 * (one.rate_u or 0.0))


def test_bins_hold_what_went_beside_and_cover_every_day() -> None:
    days = made_days(6, 100)
    bins = influence(days).bins
    assert sum(each.km for each in bins) == pytest.approx(sum(each.km for each in days))
    assert all(earlier.to_ns <= later.from_ns for earlier, later in pairwise(bins))
    assert bins[-1].to_ns == days[-1].end_ns
    last = [each for each in days if each.end_ns > bins[-1].from_ns]
    weighed = sum(each.km * (each.load_n or 0.0) for each in last) / sum(each.km for each in last)
    assert bins[-1].load_n == pytest.approx(weighed)


@pytest.mark.parametrize("count", [100, 400, 1000])
def test_there_are_never_more_bins_than_can_be_drawn(count: int) -> None:
    assert 4 <= len(influence(made_days(6, count)).bins) <= 32


def test_rates_of_weeks_hold_the_truth() -> None:
    found = [each for seed in range(20) for each in influence(made_days(seed)).bins if each.rate is not None]
    inside = sum(abs((each.rate or 0) - RATE) < 2 * (each.rate_u or 0) for each in found)
    assert 0.9 <= inside / len(found) <= 1.0


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 50), st.floats(-3, 3), st.integers(0, 10_000), st.randoms())
def test_neither_the_zero_of_elongation_nor_of_time_nor_order_changes_a_thing(
    seed: int, up_pct: float, later_days: int, order: Any
) -> None:
    days = made_days(seed, 60)
    moved = [
        replace(
            each,
            elongation_pct=(each.elongation_pct or 0.0) + up_pct,
            end_ns=each.end_ns + later_days * DAY_NS,
        )
        for each in days
    ]
    order.shuffle(moved)
    one, other = influence(days), influence(moved)
    assert other.rate == pytest.approx(one.rate, rel=1e-6)
    assert other.rate_u == pytest.approx(one.rate_u, rel=1e-6)
    assert [each.told for each in other.relations] == [each.told for each in one.relations]


@pytest.mark.parametrize("freedom", [6, 10, 30, 200])
@pytest.mark.parametrize("probability", [0.9, 0.975, 0.995])
def test_students_quantile_is_that_of_scipy(freedom: int, probability: float) -> None:
    assert student(probability, freedom) == pytest.approx(stats.t.ppf(probability, freedom), rel=1e-3)
