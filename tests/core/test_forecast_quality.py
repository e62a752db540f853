"""Past forecasts against what came: when the limit came, what can be judged, and that good forecasts look good."""

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.core.forecast_quality import CHAINS_LEAST, Course, ToldOnce, judge_forecasts, reached_ns

DAY = 86_400 * 10**9


def course(number: int, told: Sequence[ToldOnce], came: float | None, drive_class: str = "saw") -> Course:
    return Course(
        drive_id=f"d{number}",
        chain_id=f"c{number}",
        drive_class=drive_class,
        fitted_ns=0,
        told=told,
        came_ns=None if came is None else round(came * DAY),
    )


def told(made: float, p10: float, p50: float, p90: float | None) -> ToldOnce:
    return ToldOnce(
        made_ns=round(made * DAY),
        p10_ns=round(p10 * DAY),
        p50_ns=round(p50 * DAY),
        p90_ns=None if p90 is None else round(p90 * DAY),
    )


def well_told(rng: np.random.Generator, number: int) -> Course:
    """A chain whose forecasts are right: of a log-normal end, P10 to P90 hold eight of ten."""
    middle, spread = 400.0, 0.25
    came = middle * float(np.exp(spread * rng.normal()))
    low, high = (middle * float(np.exp(spread * z)) for z in (-1.2816, 1.2816))
    return course(number, [told(made, low, middle, high) for made in (50, 100)], came)


# When the limit came


@given(st.floats(0.5, 2.9), st.integers(5, 60))
def test_the_limit_came_where_a_straight_course_crosses_it(start_pct: float, steps: int) -> None:
    points = [(day * DAY, start_pct + (3.5 - start_pct) * day / steps) for day in range(steps + 1)]
    expected = steps * (3.0 - start_pct) / (3.5 - start_pct)
    found = reached_ns(points, 3.0)
    assert found is not None
    assert found / DAY == pytest.approx(expected, abs=1e-6)


def test_one_value_that_stands_out_is_no_crossing() -> None:
    points = [(day * DAY, 2.0 + 0.01 * day) for day in range(50)]
    points[20] = (20 * DAY, 3.4)
    assert reached_ns(points, 3.0) is None
    points += [(day * DAY, 3.05) for day in range(50, 53)]
    found = reached_ns(points, 3.0)
    assert found is not None
    assert 49 * DAY < found <= 50 * DAY


def test_the_last_value_counts_and_a_course_may_begin_at_the_limit() -> None:
    assert reached_ns([(0, 2.0), (10 * DAY, 4.0)], 3.0) == 5 * DAY
    assert reached_ns([(7, 3.1), (9, 3.2)], 3.0) == 7
    assert reached_ns([], 3.0) is None


# How good


def test_right_forecasts_of_many_chains_hold_eight_of_ten() -> None:
    rng = np.random.default_rng(11)
    (whole, of_class) = judge_forecasts([well_told(rng, number) for number in range(1500)])
    assert whole.coverage == pytest.approx(0.8, abs=0.03)
    assert whole.held == pytest.approx(0.8, abs=0.03)
    assert whole.early == pytest.approx(0.1, abs=0.025)
    assert whole.late == pytest.approx(0.1, abs=0.025)
    assert whole.held_low is not None
    assert whole.held_high is not None
    assert whole.held_low < 0.8 < whole.held_high
    assert of_class.drive_class == "saw"
    assert of_class.held == whole.held


def test_forecasts_that_are_too_sure_of_themselves_look_bad() -> None:
    rng = np.random.default_rng(12)
    sure = []
    for number in range(200):
        one = well_told(rng, number)
        assert one.came_ns is not None
        sure.append(course(number, [told(50, 390, 400, 410)], one.came_ns / DAY))
    whole = judge_forecasts(sure)[0]
    assert whole.held is not None
    assert whole.held_high is not None
    assert whole.held_high < 0.5


def test_nothing_is_judged_by_fewer_than_five_chains_nor_by_chains_that_came_off_before() -> None:
    rng = np.random.default_rng(13)
    few = [well_told(rng, number) for number in range(CHAINS_LEAST - 1)]
    off = [course(100 + number, [told(50, 300, 400, 500)], None) for number in range(9)]
    whole = judge_forecasts([*few, *off])[0]
    assert (whole.chains, whole.not_judged, whole.enough) == (CHAINS_LEAST - 1, 9, False)
    assert whole.held is None
    assert whole.coverage is None


def test_forecasts_made_after_the_end_and_chains_without_any_count_for_nothing() -> None:
    rng = np.random.default_rng(14)
    chains = [well_told(rng, number) for number in range(CHAINS_LEAST)]
    late = course(50, [told(900, 950, 1000, 1100)], 400)
    bare = course(51, [], 400)
    assert judge_forecasts([*chains, late, bare])[0].chains == CHAINS_LEAST


def test_classes_are_told_one_by_one_and_drives_without_a_class_only_in_all() -> None:
    rows = [course(number, [told(50, 300, 400, 500)], 410, name) for number, name in enumerate("bba")]
    rows.append(course(9, [told(50, 300, 400, 500)], 410, ""))
    assert [(each.drive_class, each.chains) for each in judge_forecasts(rows)] == [
        ("", 4),
        ("a", 1),
        ("b", 2),
    ]


def test_an_open_interval_holds_whatever_comes_late() -> None:
    rows = [course(number, [told(50, 300, 400, None)], 4000) for number in range(CHAINS_LEAST)]
    whole = judge_forecasts(rows)[0]
    assert (whole.held, whole.late) == (1.0, 0.0)
    assert whole.horizon_days == 0.0
    assert whole.accurate == 0.0


def test_nothing_at_all_is_one_row_that_is_not_enough() -> None:
    (whole,) = judge_forecasts([])
    assert (whole.drive_class, whole.chains, whole.enough) == ("", 0, False)
