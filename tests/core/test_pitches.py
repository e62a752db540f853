"""The whole number of pitches: right or refused, never wrong."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.core import pitches
from service.core.not_measured import NotMeasured
from service.core.pitches import (
    ELONGATION_MAX_PCT,
    ELONGATION_MIN_PCT,
    FALL_MAX_PCT,
    RISE_MAX_PCT,
    RISE_PCT_PER_DAY,
    Expectation,
    expect_pitches,
)


def pitches_between(lag_pitches: float, expected: Expectation) -> float | NotMeasured:
    """By the chain's past alone."""
    found = pitches.pitches_between(lag_pitches, expected, 24.0)
    return found if isinstance(found, NotMeasured) else found.pitches_between


@pytest.mark.parametrize(
    ("worn_pct", "phi"), [(1.0, 0.237624), (1.5, 0.354680), (2.0, 0.470588), (3.0, 0.699029)]
)
def test_the_lag_of_a_worn_chain_has_the_size_of_the_formula(worn_pct: float, phi: float) -> None:
    """n = 24: phi = n - n / (1 + e). Values by hand from L = n p = N p (1 + e)."""
    new = 24.0
    found = pitches_between((-phi) % 1.0, expect_pitches(new, 0.0, worn_pct))
    assert found == pytest.approx(24 - phi, abs=1e-6)


@pytest.mark.parametrize(("new", "wrap_pct"), [(24, 4.3478), (34, 3.0303), (40, 2.5641)])
def test_the_lag_first_wraps_at_one_over_n_less_one(new: int, wrap_pct: float) -> None:
    """e_wrap = 1 / (n - 1): from there on, the lag is again that of a new chain."""
    assert new / (1 + wrap_pct / 100) == pytest.approx(new - 1, abs=1e-4)


@given(
    new=st.floats(8, 34.99),
    worn_pct=st.floats(-0.2, 3.9),
    change_pct=st.floats(-0.35, 1.35),
    noise=st.floats(-0.01, 0.01),
)
def test_with_a_last_elongation_the_whole_number_is_right(
    new: float, worn_pct: float, change_pct: float, noise: float
) -> None:
    truth = new / (1 + worn_pct / 100)
    found = pitches_between((truth + noise) % 1.0, expect_pitches(new, 0.0, worn_pct - change_pct))
    assert not isinstance(found, NotMeasured)
    assert abs(found - truth) < 0.02


@given(new=st.floats(8, 60), worn_pct=st.floats(ELONGATION_MIN_PCT, ELONGATION_MAX_PCT))
def test_without_one_it_is_right_or_refused(new: float, worn_pct: float) -> None:
    truth = new / (1 + worn_pct / 100)
    found = pitches_between(truth % 1.0, expect_pitches(new, 0.0, None))
    assert isinstance(found, NotMeasured) or abs(found - truth) < 1e-6


@given(new=st.floats(8, 22.9), worn_pct=st.floats(0, 3.9))
def test_up_to_23_pitches_no_last_elongation_is_needed(new: float, worn_pct: float) -> None:
    truth = new / (1 + worn_pct / 100)
    assert pitches_between(truth % 1.0, expect_pitches(new, 0.0, None)) == pytest.approx(truth, abs=1e-6)


@given(new=st.floats(8, 34), last_pct=st.floats(0, 3), jump_pct=st.floats(-1.2, 2.2))
def test_after_a_jump_beyond_what_wear_allows_it_is_refused_or_right(
    new: float, last_pct: float, jump_pct: float
) -> None:
    """Right, or refused: the range is narrower than a whole pitch, so no other number can slip in near it."""
    truth = new / (1 + (last_pct + jump_pct) / 100)
    found = pitches_between(truth % 1.0, expect_pitches(new, 0.0, last_pct))
    if -FALL_MAX_PCT <= jump_pct <= RISE_MAX_PCT:
        assert found == pytest.approx(truth, abs=1e-6)
    elif isinstance(found, float) and abs(found - truth) > 0.5:
        raise AssertionError(f"{found} taken for {truth}")


def test_two_numbers_that_fit_are_refused() -> None:
    assert pitches_between(0.9, expect_pitches(40.0, 0.0, None)) is NotMeasured.AMBIGUOUS


def test_no_number_that_fits_is_refused() -> None:
    assert pitches_between(0.5, expect_pitches(10.0, 0.0, 0.1)) is NotMeasured.OUT_OF_RANGE


def test_an_uncertain_spacing_widens_the_range() -> None:
    assert pitches_between(0.15, expect_pitches(20.0, 0.0, 0.0)) is NotMeasured.OUT_OF_RANGE
    assert pitches_between(0.15, expect_pitches(20.0, 0.1, 0.0)) == pytest.approx(20.15)


@given(new=st.floats(8, 40), last_pct=st.floats(0, 2), days=st.floats(0, 400), share=st.floats(0, 1))
def test_a_long_outage_widens_the_range_and_refuses_rather_than_errs(
    new: float, last_pct: float, days: float, share: float
) -> None:
    """The chain wore by anything up to what the days allow; two that fit are refused."""
    risen_pct = share * min(RISE_MAX_PCT + RISE_PCT_PER_DAY * days, ELONGATION_MAX_PCT - last_pct)
    truth = new / (1 + (last_pct + risen_pct) / 100)
    found = pitches_between(truth % 1.0, expect_pitches(new, 1e-9, last_pct, days))
    assert found is NotMeasured.AMBIGUOUS or found == pytest.approx(truth, abs=1e-6)


def test_half_a_life_after_the_baseline_the_first_reading_is_still_right() -> None:
    """n = 20, e0 = 0.07 % half a year ago, 2.93 % now."""
    new = 20.0 * 1.0007
    truth = new / 1.0293
    assert pitches_between(truth % 1.0, expect_pitches(new, 0.01, 0.07, 180.0)) == pytest.approx(truth)


@given(
    new=st.floats(8, 60),
    worn_pct=st.floats(0, 3.9),
    last_pct=st.none() | st.floats(0, 3.9),
    u_pct=st.floats(0.04, 0.15),
    off=st.floats(-3.0, 3.0),
)
def test_with_the_alternation_the_whole_number_is_right_or_refused(
    new: float, worn_pct: float, last_pct: float | None, u_pct: float, off: float
) -> None:
    """After any outage: the past leaves it open or says otherwise, the alternation is within three u."""
    truth = new / (1 + worn_pct / 100)
    expected = expect_pitches(new, 0.0, last_pct, 400.0)
    found = pitches.pitches_between(truth % 1.0, expected, new, (worn_pct + off * u_pct, u_pct))
    if isinstance(found, NotMeasured):
        assert found in {NotMeasured.AMBIGUOUS, NotMeasured.OUT_OF_RANGE}
    elif found.by_alternation:
        assert found.pitches_between == pytest.approx(truth, abs=1e-6)


@given(new=st.floats(24, 60), worn_pct=st.floats(0, 3.5))
def test_the_alternation_tells_what_a_long_spacing_leaves_open(new: float, worn_pct: float) -> None:
    truth = new / (1 + worn_pct / 100)
    found = pitches.pitches_between(truth % 1.0, expect_pitches(new, 0.0, None), new, (worn_pct + 0.05, 0.08))
    assert isinstance(found, pitches.Whole)
    assert found.pitches_between == pytest.approx(truth, abs=1e-6)
