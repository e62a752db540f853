"""Lives by scipy, held against published ones."""

import sys

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.adapters.survival import ScipyLifeFitter
from service.core.life import Survival
from service.ports import LifeFitterMissingError

# Remission of leukaemia in weeks, a published trial: E. J. Freireich et al., Blood 21 (1963) 699. A minus: censored there.
SIX_MP = [6, 6, 6, -6, 7, -9, 10, -10, -11, 13, 16, -17, -19, -20, 22, 23, -25, -32, -32, -34, -35]
PLACEBO = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]
FITTER = ScipyLifeFitter()


def sample(weeks: list[int]) -> tuple[list[float], list[bool]]:
    return [float(abs(each)) for each in weeks], [each > 0 for each in weeks]


def test_the_product_limit_estimate_is_the_published_one() -> None:
    """D. R. Cox & D. Oakes, Analysis of Survival Data (1984), ch. 4; Kleinbaum & Klein, Survival Analysis, ch. 2 (from memory)."""
    found = FITTER.survival(*sample(SIX_MP))
    assert (found.count, found.ended) == (21, 9)
    assert [each.at for each in found.steps] == [0, 6, 7, 10, 13, 16, 22, 23]
    shares = [1, 0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448]
    assert [each.share for each in found.steps] == pytest.approx(shares, abs=5e-4)


def test_the_medians_are_the_published_ones() -> None:
    """23 and 8 weeks (Kleinbaum & Klein, ch. 2; from memory)."""
    assert FITTER.survival(*sample(SIX_MP)).median == 23
    assert FITTER.survival(*sample(PLACEBO)).median == 8


def test_the_log_rank_test_is_the_published_one() -> None:
    """Chi-squared of 16.79 (Kleinbaum & Klein, ch. 2; from memory)."""
    chi2, p = FITTER.log_rank(sample(SIX_MP), sample(PLACEBO))
    assert chi2 == pytest.approx(16.79, abs=0.005)
    assert p == pytest.approx(4.17e-5, rel=0.01)


def test_the_interval_is_greenwoods_on_the_log_log_scale() -> None:
    """By hand at 6 weeks: S = 18/21, Var(log S) = 3 / (21 x 18); S^exp(+-1.96 sd / |log S|)."""
    step = FITTER.survival(*sample(SIX_MP)).steps[1]
    assert (step.low, step.high) == pytest.approx((0.620, 0.952), abs=5e-4)


def test_the_end_of_an_interval_that_was_not_reached_is_open() -> None:
    found = FITTER.survival(*sample(SIX_MP))
    assert found.low == 13
    assert found.high is None


def test_where_the_last_one_ended_the_interval_does_not_close_on_it() -> None:
    """Nobody is left then, and one chain would otherwise be told as sure to the day."""
    one = FITTER.survival([505.0, 400.0], [True, False])
    assert (one.median, one.high) == (505, None)
    last = one.steps[-1]
    assert (last.share, last.low, last.high) == (0.0, 0.0, 1.0)
    placebo = FITTER.survival(*sample(PLACEBO)).steps
    assert placebo[-1].high == placebo[-2].high


def test_without_censoring_the_median_is_that_of_the_lengths() -> None:
    assert FITTER.survival([5.0, 1.0, 3.0], [True] * 3).median == 3


def test_where_nothing_ended_nothing_is_said() -> None:
    assert FITTER.survival([5.0, 9.0], [False, False]) == Survival(count=2, ended=0, longest=9.0)
    assert FITTER.survival([], []) == Survival(count=0, ended=0)


@settings(deadline=None)  # the first asks for a heavy library
@given(
    st.lists(st.tuples(st.integers(1, 10**6), st.booleans()), min_size=1, max_size=30), st.floats(0.01, 100)
)
def test_another_unit_scales_lengths_and_nothing_else(rows: list[tuple[int, bool]], factor: float) -> None:
    lengths, ended = [each for each, _ in rows], [yes for _, yes in rows]
    one = FITTER.survival(lengths, ended)
    other = FITTER.survival([each * factor for each in lengths], ended)
    assert other.longest == pytest.approx(one.longest * factor)
    assert [each.share for each in other.steps] == pytest.approx([each.share for each in one.steps])
    assert all(0 <= each.low <= each.share <= each.high <= 1 for each in one.steps)
    for mine, scaled in ((one.median, other.median), (one.low, other.low), (one.high, other.high)):
        assert scaled == (None if mine is None else pytest.approx(mine * factor))


def test_where_scipy_is_missing_the_error_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "scipy", None)
    with pytest.raises(LifeFitterMissingError, match=r"pip install 'linklag\[life\]'"):
        FITTER.survival([1.0], [True])
