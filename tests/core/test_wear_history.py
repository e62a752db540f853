"""What forecasts are made from: clock and elongations out of what was stored."""

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.core.drive import Baseline
from service.core.hand import HandMethod, HandValue, hand_elongation
from service.core.wear_history import (
    BY_HAND,
    NO_BASELINE,
    OBSERVATIONS_MAX,
    YOUNG_U,
    Stretch,
    clock_of,
    duty_of,
    hand_observation,
    observations_of,
    scatter_pct,
)

HOUR = 3600 * 10**9
DAY = 24 * HOUR
START = 20_454 * DAY  # 2026-01-01T00:00:00Z


def hours(
    count: int, *, joints: float = 40_000.0, at: int = START, pct: Sequence[float] | None = None
) -> list[Stretch]:
    return [
        Stretch(
            start_ns=at + number * HOUR,
            end_ns=at + (number + 1) * HOUR,
            joints=joints,
            speed_m_s=1.0,
            elongation_pct=None if pct is None else pct[number],
            u_pct=None if pct is None else 0.03,
        )
        for number in range(count)
    ]


def a_baseline(taken_ns: int, recorded_ns: int) -> Baseline:
    return Baseline(
        chain_id="a",
        pitches_between=20.2,
        pitches_between_u=0.002,
        elongation_pct=0.05,
        elongation_u_pct=0.03,
        taken_ns=taken_ns,
        recorded_ns=recorded_ns,
        recorded_by="shift B",
        why="run in",
    )


# The clock


@given(st.integers(0, 200), st.integers(0, 200))
def test_time_before_and_after_what_was_heard_is_filled_in_with_what_is_usual(
    before: int, after: int
) -> None:
    heard = hours(48, at=START + before * HOUR)
    now = START + (before + 48 + after) * HOUR
    clock = clock_of(heard, fitted_ns=START, now_ns=now, pitch_mm=25.4)
    assert clock is not None
    assert clock.clock[-1] == pytest.approx(40_000 * (before + 48 + after))
    assert clock.filled_share == pytest.approx((before + after) / (before + 48 + after))
    assert (int(clock.t_ns[0]), int(clock.t_ns[-1])) == (START, now)
    assert np.all(np.diff(clock.clock) >= 0)


def test_years_before_the_first_reading_cost_no_more_than_weeks() -> None:
    clock = clock_of(hours(48), fitted_ns=START - 4000 * DAY, now_ns=START + 2 * DAY, pitch_mm=25.4)
    assert clock is not None
    assert len(clock.t_ns) < 500
    assert clock.clock[-1] == pytest.approx(40_000 * 24 * 4002, rel=1e-6)


def test_running_hours_go_by_the_speed_while_it_runs_and_are_no_more_than_there_are() -> None:
    half = [replace(each, joints=20_000.0, speed_m_s=0.5) for each in hours(5)]
    clock = clock_of(
        [*half, *hours(45, at=START + 5 * HOUR)], fitted_ns=START, now_ns=START + 50 * HOUR, pitch_mm=90.0
    )
    assert clock is not None
    # 40 000 joints of 90 mm at 1 m/s take an hour; 20 000 half of one
    assert clock.hours[-1] == pytest.approx(45 + 2.5)
    assert clock.hours_at(START + 5 * HOUR) == pytest.approx(2.5)


def test_where_nothing_ever_passed_there_is_no_clock() -> None:
    assert clock_of([], fitted_ns=START, now_ns=START + DAY, pitch_mm=25.4) is None
    assert clock_of(hours(10, joints=0.0), fitted_ns=START, now_ns=START + DAY, pitch_mm=25.4) is None


# Elongations


def test_what_scatters_is_told_from_what_is_common() -> None:
    rng = np.random.default_rng(5)
    pct = (1.0 + 0.001 * np.arange(200) + rng.normal(0, 0.01, 200)).tolist()
    heard = hours(200, pct=pct)
    clock = clock_of(heard, fitted_ns=START, now_ns=START + 200 * HOUR, pitch_mm=25.4)
    assert clock is not None
    found = observations_of(heard, clock, [])
    assert len(found) == 200
    assert found[0].u_independent_pct == pytest.approx(0.01, rel=0.3)
    assert math.hypot(found[0].u_independent_pct, found[0].u_common_pct) == pytest.approx(0.03)
    assert {each.epoch for each in found} == {NO_BASELINE}
    assert found[10].clock == pytest.approx(10.5 * 40_000)


@given(st.floats(0.001, 0.1), st.integers(0, 1000))
def test_the_scatter_of_a_straight_course_is_that_of_its_noise(s: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    found = scatter_pct((np.linspace(0, 3, 400) + rng.normal(0, s, 400)).tolist())
    assert found == pytest.approx(s, rel=0.35)


def test_a_step_does_not_move_the_scatter_and_of_a_few_values_there_is_none() -> None:
    rng = np.random.default_rng(6)
    values = rng.normal(0, 0.01, 300)
    values[150:] += 1.0
    assert scatter_pct(values.tolist()) == pytest.approx(0.01, rel=0.3)
    assert scatter_pct([1.0, 1.1, 1.0, 1.1]) is None


def test_what_rests_on_one_baseline_is_one_epoch_and_the_stretch_between_two_is_left_out() -> None:
    heard = hours(48, pct=[1.0] * 48)
    clock = clock_of(heard, fitted_ns=START, now_ns=START + 48 * HOUR, pitch_mm=25.4)
    assert clock is not None
    taken = START + 24 * HOUR + HOUR // 2
    found = observations_of(heard, clock, [a_baseline(taken, taken + 60 * 10**9)])
    assert len(found) == 47
    assert [each.epoch for each in found].count(NO_BASELINE) == 24
    assert len({each.epoch for each in found}) == 2


@given(st.integers(10, 3000), st.booleans())
def test_many_elongations_are_joined_and_keep_their_mean(count: int, two: bool) -> None:  # noqa: FBT001
    rng = np.random.default_rng(count)
    heard = hours(count, pct=rng.normal(1, 0.01, count).tolist())
    clock = clock_of(heard, fitted_ns=START, now_ns=START + count * HOUR, pitch_mm=25.4)
    assert clock is not None
    edge = START + count // 2 * HOUR
    found = observations_of(heard, clock, [a_baseline(edge, edge)] if two else [])
    assert len(found) <= OBSERVATIONS_MAX + 2
    for epoch in {each.epoch for each in found}:
        rows = [each for each in found if each.epoch == epoch]
        mine = [each for each in heard if two is False or (each.end_ns < edge) == (epoch == NO_BASELINE)]
        if two:
            mine = [each for each in mine if not each.start_ns < edge <= each.end_ns]
        weights = np.array([1 / each.u_independent_pct**2 for each in rows])
        mean = float(np.average([each.elongation_pct for each in rows], weights=weights))
        assert mean == pytest.approx(float(np.mean([each.elongation_pct or 0 for each in mine])))
        assert all(a.clock < b.clock and a.t_ns < b.t_ns for a, b in pairwise(rows))


def test_a_measurement_by_hand_keeps_its_whole_uncertainty() -> None:
    clock = clock_of(hours(48), fitted_ns=START, now_ns=START + 48 * HOUR, pitch_mm=25.4)
    assert clock is not None
    value = HandValue(
        drive_id="a",
        chain_id="a",
        measured_ns=START + 24 * HOUR,
        recorded_ns=START + 25 * HOUR,
        recorded_by="M. Brandt",
        method=HandMethod.RULE,
        pitches=48,
        length_mm=48 * 25.4 * 1.01,
        length_u_mm=0.5,
        pitch_mm=25.4,
        tight=True,
    )
    hand = hand_elongation(value)
    found = hand_observation(value.measured_ns, hand, clock)
    assert math.hypot(found.u_independent_pct, found.u_common_pct) == pytest.approx(hand.u_pct)
    assert found.clock == pytest.approx(24 * 40_000)
    assert (found.epoch, found.by_hand) == (BY_HAND, True)


# Duty


def test_with_less_than_three_days_it_goes_on_as_it_did_and_is_unsure() -> None:
    heard = hours(12)
    clock = clock_of(heard, fitted_ns=START - 400 * DAY, now_ns=START + 12 * HOUR, pitch_mm=25.4)
    assert clock is not None
    duty = duty_of(clock, START, UTC)
    assert duty is not None
    assert duty.clock_per_week == pytest.approx(7 * 24 * 40_000)
    assert duty.level_u == YOUNG_U


def test_of_a_drive_that_stood_since_it_was_heard_no_duty_is_told() -> None:
    heard = [*hours(1), *hours(11, joints=0.0, at=START + HOUR)]
    clock = clock_of(heard, fitted_ns=START, now_ns=START + 12 * HOUR, pitch_mm=25.4)
    assert clock is not None
    assert duty_of(clock, START + HOUR, UTC) is None


def test_only_days_since_it_was_first_heard_teach_its_duty() -> None:
    heard = [
        each
        for day in range(28)
        for each in hours(24, joints=40_000.0 if day % 7 < 5 else 0.0, at=START + day * DAY)
    ]
    clock = clock_of(heard, fitted_ns=START - 300 * DAY, now_ns=START + 28 * DAY, pitch_mm=25.4)
    assert clock is not None
    duty = duty_of(clock, START, UTC)
    assert duty is not None
    assert duty.weeks == pytest.approx(4, abs=0.2)
    assert duty.clock_per_week == pytest.approx(5 * 24 * 40_000, rel=0.05)
