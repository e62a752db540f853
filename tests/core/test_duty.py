"""Duty learnt from days, planned by people, and what it says of days to come."""

from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.core.duty import Duty, DutyPlan, Stop, learn_duty, look_ahead, planned_duty
from service.core.wear_clock import NS_PER_DAY, DutyDay

START_NS = int(datetime(2026, 3, 2, tzinfo=UTC).timestamp()) * 10**9  # a Monday
WEEKDAYS = (1.0, 1.0, 1.0, 1.0, 0.5, 0.0, 0.0)


def days(level: list[float], *, scatter: float = 0.0, seed: int = 1) -> list[DutyDay]:
    """Whole weeks of WEEKDAYS, each at its level."""
    rng = np.random.default_rng(seed)
    made = []
    for number in range(7 * len(level)):
        hours = 8 * WEEKDAYS[number % 7] * level[number // 7] * float(np.exp(rng.normal(0, scatter)))
        start = START_NS + number * NS_PER_DAY
        made.append(
            DutyDay(
                start_ns=start, end_ns=start + NS_PER_DAY, weekday=number % 7, clock=1000 * hours, hours=hours
            )
        )
    return made


def learnt(made: list[DutyDay], stops: tuple[Stop, ...] = ()) -> Duty:
    duty = learn_duty(made, stops=stops)
    assert duty is not None
    return duty


def test_a_steady_week_is_learnt_as_it_is() -> None:
    duty = learnt(days([1.0] * 12))
    assert duty.clock_by_weekday == pytest.approx([8000 * each for each in WEEKDAYS], rel=0.01, abs=1)
    assert duty.hours_by_weekday == pytest.approx([8 * each for each in WEEKDAYS], rel=0.01, abs=0.01)
    assert duty.level_u < 0.02
    assert not duty.planned


@given(st.floats(1e-3, 1e6))
def test_the_unit_of_the_clock_does_not_matter(scale: float) -> None:
    made = [
        DutyDay(start_ns=d.start_ns, end_ns=d.end_ns, weekday=d.weekday, clock=scale * d.clock, hours=d.hours)
        for d in days([1.0, 1.1, 0.9, 1.0])
    ]
    assert learnt(made).clock_per_week == pytest.approx(
        scale * learnt(days([1.0, 1.1, 0.9, 1.0])).clock_per_week
    )
    assert learnt(made).level_u == pytest.approx(learnt(days([1.0, 1.1, 0.9, 1.0])).level_u)


def test_a_shift_that_was_added_counts_from_the_week_it_came() -> None:
    added = learnt(days([1.0] * 30 + [2.0] * 4, scatter=0.05))
    before = learnt(days([1.0] * 30, scatter=0.05))
    assert added.clock_per_week == pytest.approx(2 * before.clock_per_week, rel=0.06)
    assert added.walk > 1.5 * before.walk  # what changed once changes again


def test_the_stated_uncertainty_of_the_level_holds() -> None:
    """Over drives whose weeks scatter, the true week lies within two standard uncertainties as often as it should."""
    held = []
    for seed in range(200):
        rng = np.random.default_rng(seed)
        duty = learnt(days((np.exp(rng.normal(0, 0.15, 20)) / np.exp(0.15**2 / 2)).tolist()))
        held.append(abs(duty.clock_per_week / 36_000 - 1) < 2 * duty.level_u)
    assert 0.88 < np.mean(held) <= 1.0


def test_days_of_a_planned_stop_are_no_sign_of_less_duty() -> None:
    stop = Stop(start_ns=START_NS + 35 * NS_PER_DAY, end_ns=START_NS + 49 * NS_PER_DAY, why="summer")
    duty = learnt(days([1.0] * 5 + [0.0] * 2 + [1.0] * 3), stops=(stop,))
    assert duty.clock_per_week == pytest.approx(36_000, rel=0.01)


@pytest.mark.parametrize("made", [[], days([1.0])[:2], days([0.0] * 4)])
def test_too_little_or_a_drive_that_stood_teaches_nothing(made: list[DutyDay]) -> None:
    assert learn_duty(made) is None


def test_a_plan_goes_before_what_was_learnt_and_takes_the_pace_from_it() -> None:
    plan = DutyPlan(hours_by_weekday=(16, 16, 16, 16, 16, 0, 0))
    duty = planned_duty(plan, learnt(days([1.0] * 8)))
    assert duty.planned
    assert sum(duty.hours_by_weekday) == 80
    assert duty.clock_per_week == pytest.approx(80_000, rel=0.01)
    assert planned_duty(plan).clock_per_week == 80  # without a past the clock counts hours
    assert planned_duty(DutyPlan(hours_by_weekday=(8,) * 7, clock_per_hour=5.0)).clock_per_week == 280


@pytest.mark.parametrize("hours", [(8,) * 6, (8,) * 6 + (25,), (8,) * 6 + (-1,)])
def test_a_plan_of_an_impossible_week_is_refused(hours: tuple[float, ...]) -> None:
    with pytest.raises(ValueError, match="seven numbers of hours"):
        DutyPlan(hours_by_weekday=hours)


def test_ahead_the_clock_gains_by_weekday_and_stands_in_a_stop_however_often_it_is_named() -> None:
    stop = Stop(start_ns=START_NS + 7 * NS_PER_DAY, end_ns=START_NS + 14 * NS_PER_DAY)
    duty = learnt(days([1.0] * 12))
    plain = look_ahead(duty, START_NS, days=60)
    stopped = look_ahead(learnt(days([1.0] * 12), stops=(stop, stop)), START_NS, days=60)
    assert np.interp(14 * NS_PER_DAY, plain.t_ns - START_NS, plain.clock) == pytest.approx(72_000, rel=0.01)
    assert stopped.clock[8] == pytest.approx(stopped.clock[14])
    assert np.all(np.diff(plain.clock) >= 0)


def test_what_lies_further_ahead_is_less_sure_once_weeks_have_averaged_out() -> None:
    duty = learnt(days([1.0] * 20 + [1.5] * 10 + [1.0] * 10, scatter=0.1))
    spread = look_ahead(duty, START_NS, days=700).spread
    assert spread[-1] > spread[60]
    assert np.all(spread <= 0.6)


def test_a_stop_that_ends_before_it_starts_is_refused() -> None:
    with pytest.raises(ValueError, match="after it starts"):
        Stop(start_ns=2, end_ns=1)
