"""Scores of forecasts by hand-made examples of their definitions (Saxena et al. 2008, from memory)."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.core.forecast_metrics import (
    Told,
    alpha_lambda,
    is_accurate,
    prognostic_horizon,
    relative_accuracy,
    score,
)


def told(made: float, p50: float, half: float = 10.0) -> Told:
    return Told(made=made, p10=p50 - half, p50=p50, p90=p50 + half)


def test_accurate_is_within_a_fifth_of_what_was_left() -> None:
    assert is_accurate(told(50, 109), 100)
    assert not is_accurate(told(50, 111), 100)


def test_alpha_lambda_looks_at_the_forecast_in_force_on_the_way() -> None:
    history = [told(0, 150), told(40, 108), told(60, 130), told(90, 99)]
    assert alpha_lambda(history, 100, part=0.5) is True  # the one of 40
    assert alpha_lambda(history, 100, part=0.7) is False  # the one of 60
    assert alpha_lambda([], 100) is None
    assert alpha_lambda([told(120, 130)], 100) is None  # made after the end


def test_the_horizon_is_from_where_the_forecasts_stay_right() -> None:
    history = [told(10, 104), told(40, 150), told(60, 108), told(80, 101)]
    assert prognostic_horizon(history, 100) == 40
    assert prognostic_horizon([told(10, 200)], 100) == 0
    assert prognostic_horizon([told(10, 101)], 100) == 90


def test_relative_accuracy_is_one_for_a_right_forecast() -> None:
    assert relative_accuracy(told(50, 100), 100) == 1
    assert relative_accuracy(told(50, 75), 100) == 0.5


def test_scores_of_a_few_forecasts() -> None:
    s = score(
        [
            (told(50, 100), 100),
            (told(50, 130), 100),
            (told(50, 80), 100),
            (told(50, 105), 100),
            (told(200, 1), 100),
        ]
    )
    assert s.forecasts == 4
    assert (s.coverage, s.early, s.late, s.accurate) == (0.5, 0.25, 0.25, 0.5)
    assert s.error == 12.5
    assert s.relative_error == 0.25


def test_an_end_that_was_told_to_be_beyond_the_horizon_is_late_by_an_infinite_error() -> None:
    never = Told(made=0, p10=500, p50=math.inf, p90=math.inf)
    assert score([(never, 100)]).error == math.inf
    assert not never.holds(100)
    assert never.holds(600)


@given(st.lists(st.tuples(st.floats(0, 99), st.floats(1, 300), st.floats(0, 100)), min_size=1, max_size=20))
def test_held_early_and_late_make_up_all(rows: list[tuple[float, float, float]]) -> None:
    s = score([(told(made, p50, half), 100.0) for made, p50, half in rows])
    assert s.coverage + s.early + s.late == pytest.approx(1)


def test_nothing_to_score_and_falling_quantiles_are_refused() -> None:
    with pytest.raises(ValueError, match="nothing to score"):
        score([])
    with pytest.raises(ValueError, match="must not fall"):
        Told(made=0, p10=3, p50=2, p90=4)
