"""The rate of wear against a chain's own past: a lost lubrication shows; bedding-in, noise and seasons do not."""

import json
import math
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.core.wear_rate import (
    BINS_MAX,
    DAY_NS,
    RECENT,
    Past,
    Rates,
    from_row,
    measured,
    ran,
    rates,
    to_row,
)

HOUR_NS = DAY_NS // 24


def run(  # a chain's life, four readings a day
    days: int, pct_at: list[float], *, noise_pct: float, u_pct: float = 0.02, seed: int = 1
) -> tuple[Past, list[tuple[int, Rates]]]:
    """Feed one elongation for each six hours at 1 m/s; return the past, and rates with the day they were told."""
    rng = random.Random(seed)
    past, told = Past(), []
    for index in range(4 * days):
        t_ns = (index + 1) * 6 * HOUR_NS
        past = ran(past, t_ns, 1.0)
        past, new = measured(past, t_ns, pct_at[index] + rng.gauss(0, noise_pct), u_pct)
        if new and (found := rates(past)) is not None:
            told.append((index // 4, found))
    return past, told


def worn(days: int, rate_pct_per_day: list[float], bedding_pct: float = 0.0) -> list[float]:
    """Elongation at each six hours from a rate for each day, with bedding-in on top that dies away in ten days."""
    pct, out = 0.0, []
    for index in range(4 * days):
        pct += rate_pct_per_day[index // 4] / 4
        out.append(pct + bedding_pct * (1 - math.exp(-index / 40)))
    return out


def test_a_rate_that_triples_is_sure_within_the_recent_stretch_and_not_before() -> None:
    days, lost = 150, 100
    _, told = run(days, worn(days, [0.004] * lost + [0.012] * (days - lost)), noise_pct=0.003)
    sure = [day for day, found in told if found.sure and found.ratio > 2]
    assert sure
    assert lost + 3 < sure[0] <= lost + RECENT + 3
    assert told[-1][1].before == pytest.approx(told[20][1].before, rel=0.9)


@pytest.mark.parametrize("seed", range(20))
def test_noise_and_a_pace_that_wanders_by_a_fifth_are_never_sure(seed: int) -> None:
    days, rng, pace = 400, random.Random(seed), 0.004
    rate = []
    for _ in range(days):
        pace = min(0.0048, max(0.0032, pace * math.exp(rng.gauss(0, 0.03))))
        rate.append(pace)
    _, told = run(days, worn(days, rate), noise_pct=0.01, seed=seed)
    assert not [found for _, found in told if found.sure and found.ratio > 2]


def test_bedding_in_is_not_told_as_a_risen_rate() -> None:
    _, told = run(200, worn(200, [0.003] * 200, bedding_pct=0.15), noise_pct=0.003)
    assert told
    assert not [found for _, found in told if found.sure]


def test_a_season_of_warmth_within_the_uncertainty_is_not_told() -> None:
    days = 400
    warm = [0.02 * math.sin(2 * math.pi * index / (4 * 365)) for index in range(4 * days)]
    wear = worn(days, [0.001] * days)
    _, told = run(days, [a + b for a, b in zip(wear, warm, strict=True)], noise_pct=0.003, u_pct=0.03)
    assert not [found for _, found in told if found.sure and found.ratio > 2]


def test_a_drive_that_runs_twice_as_fast_wears_twice_as_much_and_nothing_is_wrong() -> None:
    past, told, pct = Past(), [], 0.0
    for index in range(4 * 160):
        t_ns = (index + 1) * 6 * HOUR_NS
        speed = 1.0 if index < 400 else 3.0
        past = ran(past, t_ns, speed)
        pct += 0.001 * speed
        past, new = measured(past, t_ns, pct, 0.01)
        if new and (found := rates(past)) is not None:
            told.append(found)
    assert not [found for found in told if found.sure]


def test_a_drive_that_stands_runs_no_way() -> None:
    past = Past()
    for hour in range(1, 100):
        past = ran(past, hour * HOUR_NS, 0.0)
    assert past.km == 0


def test_a_reading_without_a_speed_says_nothing_of_the_way() -> None:
    past = ran(Past(), HOUR_NS, 1.0)
    assert ran(past, 2 * HOUR_NS, None) == past


@settings(max_examples=30, deadline=None)
@given(st.integers(1, 900), st.integers(0, 100))
def test_a_life_of_any_length_fits_into_few_numbers_and_loses_no_reading(days: int, seed: int) -> None:
    past, _ = run(days, worn(days, [0.002] * days), noise_pct=0.003, seed=seed)
    assert len(past.bins) <= BINS_MAX
    assert past.open is not None
    assert sum(each.count for each in past.bins) + past.open.count == 4 * days
    assert [each.km for each in past.bins] == sorted(each.km for each in past.bins)
    assert from_row(json.loads(json.dumps(to_row(past)))) == past
    assert len(json.dumps(to_row(past))) < 6000


def test_nothing_is_told_of_a_young_chain() -> None:
    _, told = run(25, worn(25, [0.01] * 25), noise_pct=0.001)
    assert not told
