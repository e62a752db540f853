"""The clock of wear: sums, load, filling in, local days."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.core.wear_clock import (
    NS_PER_DAY,
    NS_PER_HOUR,
    Interval,
    count_clock,
    days_of,
    local_midnights,
    planned_clock,
    running_hours,
)

START_NS = int(datetime(2026, 3, 2, tzinfo=UTC).timestamp()) * 10**9  # a Monday


def hour(number: int, passages: float | None, load_n: float | None = None, *, ran: float = 1.0) -> Interval:
    start = START_NS + number * NS_PER_HOUR
    return Interval(start_ns=start, end_ns=start + NS_PER_HOUR, passages=passages, hours=ran, load_n=load_n)


@given(st.lists(st.floats(0, 1e6), min_size=1, max_size=50), st.randoms())
def test_the_clock_is_the_sum_of_what_passed_in_any_order(counts: list[float], random: object) -> None:
    rows = [hour(number, count) for number, count in enumerate(counts)]
    random.shuffle(rows)  # type: ignore[attr-defined]
    clock = count_clock(rows)
    assert clock.clock[-1] == pytest.approx(sum(counts))
    assert clock.hours[-1] == pytest.approx(len(counts))
    assert np.all(np.diff(clock.clock) >= 0)
    assert clock.filled_share == 0.0


def test_between_two_instants_the_clock_runs_evenly_and_laps_are_joints_by_the_loop() -> None:
    clock = count_clock([hour(0, 1000.0), hour(1, 3000.0)])
    assert clock.clock_at(START_NS + NS_PER_HOUR // 2) == pytest.approx(500)
    assert clock.clock_at(START_NS - 5) == 0.0
    assert clock.clock_at(START_NS + 9 * NS_PER_HOUR) == 4000.0
    assert clock.laps_at(START_NS + 2 * NS_PER_HOUR, 100) == pytest.approx(40)
    assert clock.hours_at(START_NS + NS_PER_HOUR) == 1.0


def test_a_joint_under_twice_the_pull_counts_twice() -> None:
    """Archard: depth goes with pressure times distance."""
    clock = count_clock([hour(0, 100.0, 500.0), hour(1, 100.0, 1000.0), hour(2, 100.0)], load_n=500.0)
    assert clock.clock.tolist() == pytest.approx([0, 100, 300, 400])
    assert clock.joints[-1] == pytest.approx(300)


def test_left_to_itself_the_load_of_reference_is_the_mean_so_that_the_clock_counts_joints() -> None:
    clock = count_clock([hour(0, 300.0, 500.0), hour(1, 100.0, 900.0)])
    assert clock.load_n == pytest.approx(600)
    assert clock.clock[-1] == pytest.approx(400)


def test_an_hour_nobody_heard_takes_what_that_hour_of_the_week_usually_has() -> None:
    week = [
        hour(number, 50.0 if number % 24 < 8 else 0.0, ran=float(number % 24 < 8)) for number in range(168)
    ]
    later = [
        hour(168 + number, 50.0 if number % 24 < 8 else 0.0, ran=float(number % 24 < 8))
        for number in range(168)
    ]
    whole = count_clock([*week, *later])
    gap = count_clock([*week, *later[:30], *later[60:]])  # rows missing
    silent = count_clock([*week, *later[:30], *(hour(168 + n, None) for n in range(30, 60)), *later[60:]])
    assert gap.clock[-1] == pytest.approx(whole.clock[-1])
    assert silent.clock[-1] == pytest.approx(whole.clock[-1])
    assert silent.hours[-1] == pytest.approx(whole.hours[-1])
    assert 0 < silent.filled_share < 0.2


def test_a_clock_of_nothing_and_one_of_overlapping_rows_are_refused() -> None:
    with pytest.raises(ValueError, match="at least one interval"):
        count_clock([])
    with pytest.raises(ValueError, match="overlaps"):
        count_clock([hour(0, 1.0), Interval(start_ns=START_NS, end_ns=START_NS + NS_PER_DAY, passages=1.0)])
    with pytest.raises(ValueError, match="must end"):
        Interval(start_ns=5, end_ns=5, passages=1.0)
    with pytest.raises(ValueError, match="not be below 0"):
        Interval(start_ns=5, end_ns=6, passages=-1.0)


def test_running_hours_follow_from_pitch_and_speed() -> None:
    assert running_hours(283_464.6, 12.7, 1.0) == pytest.approx(1.0, rel=1e-6)
    with pytest.raises(ValueError, match="above 0"):
        running_hours(10, 12.7, 0.0)


def test_a_day_on_which_the_clocks_change_is_one_day() -> None:
    zone = ZoneInfo("Europe/Berlin")
    start = int(datetime(2026, 3, 27, 12, tzinfo=zone).timestamp()) * 10**9
    edges = local_midnights(start, start + 4 * NS_PER_DAY, zone)
    assert (np.diff(edges)[1:-1] / NS_PER_HOUR).tolist() == [24, 23, 24]


def test_days_have_their_local_weekday_and_what_they_gained() -> None:
    clock = count_clock([hour(number, 10.0) for number in range(24 * 9)])
    days = days_of(clock)
    assert [day.weekday for day in days] == [1, 2, 3, 4, 5, 6, 0]
    assert all(day.clock == pytest.approx(240) and day.hours == pytest.approx(24) for day in days)


def test_a_planned_clock_counts_hours_by_weekday() -> None:
    clock = planned_clock((8, 8, 8, 8, 8, 0, 0), START_NS, START_NS + 14 * NS_PER_DAY)
    assert clock.hours[-1] == pytest.approx(80)
    assert clock.clock_at(START_NS + 5 * NS_PER_DAY) == pytest.approx(40)
