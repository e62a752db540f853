"""Stretches of a batch told apart joint by joint."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from sensors_sim.batch import simulate_batch
from service.core.passage import APART, CLOCK, CLOCK_HALF, PLACE, PULSES_MIN, Passage, passages
from service.core.train import Times

BETWEEN = 24.3


def even(pulses: int, period_s: float = 0.0127) -> tuple[Times, Times]:
    """Both sensors of a chain of equal links at even speed, BETWEEN pitches apart."""
    joints = np.arange(pulses)
    return np.multiply(joints, period_s), np.multiply(joints + BETWEEN % 1, period_s)


def simulated(seed: int) -> tuple[Times, Times, float]:
    """Both sensors of a worn chain over a lap, and the pitches between them."""
    made = simulate_batch(seed=seed, elongation_pct=1.8)
    return np.multiply(made.up, 1e-6), np.multiply(made.down, 1e-6), made.true_pitches_between


def only(found: list[Passage]) -> Passage:
    assert len(found) == 1
    return found[0]


def test_the_clock_is_smoothed_by_the_weights_of_savitzky_and_golay() -> None:
    """Against scipy.signal.savgol_coeffs, which fits the polynomial by least squares."""
    assert pytest.approx(signal.savgol_coeffs(2 * CLOCK_HALF + 1, 2), abs=1e-12) == CLOCK


@given(
    pulses=st.integers(60, 300),
    period_s=st.floats(0.002, 0.2),
    start_s=st.floats(0, 3600),
)
def test_even_pulses_are_all_in_their_place(pulses: int, period_s: float, start_s: float) -> None:
    up_s, down_s = even(pulses, period_s)
    passage = only(passages(up_s + start_s, down_s + start_s, BETWEEN))
    for values in passage.values:
        assert np.abs(values).max() < 1e-8 * max(1.0, start_s) / period_s
    assert len(passage.joints[PLACE]) >= pulses - 2 * CLOCK_HALF - 2
    assert len(passage.joints[APART]) >= pulses - 1
    assert passage.period_s == pytest.approx(period_s, rel=1e-6)


def test_the_joint_at_down_is_the_one_that_passed_up_the_pitches_between_ago() -> None:
    passage = only(passages(*even(100), BETWEEN))
    assert (
        passage.joints[APART][0] == -24
    )  # at `down` 0.3 pitch after pulse 0, so at `up` 24 pitches before it
    assert np.diff(passage.joints[APART]).tolist() == [1] * (len(passage.joints[APART]) - 1)


def test_speed_and_start_leave_all_values_alone() -> None:
    up_s, down_s, between = simulated(3)
    one = only(passages(up_s, down_s, between))
    other = only(passages(3.7 * up_s + 5, 3.7 * down_s + 5, between))
    for row in (PLACE, APART):
        assert one.joints[row].tolist() == other.joints[row].tolist()
        assert one.values[row] == pytest.approx(other.values[row], abs=1e-8)


def test_missed_pulses_give_no_values_and_shift_no_joint() -> None:
    up_s, down_s, between = simulated(5)
    whole = only(passages(up_s, down_s, between))
    missing = [30, 31, 60, 90]
    some = only(passages(np.delete(up_s, missing), np.delete(down_s, [50]), between))
    assert not np.isin(missing, some.joints[PLACE]).any()
    for row, tolerance in ((PLACE, 0.01), (APART, 1e-9)):
        both, here, there = np.intersect1d(whole.joints[row], some.joints[row], return_indices=True)
        assert len(both) >= len(whole.joints[row]) - 12
        assert some.values[row][there] == pytest.approx(whole.values[row][here], abs=tolerance)


def test_added_pulses_are_left_out() -> None:
    up_s, down_s = even(150)
    more_s = np.sort(np.concatenate((up_s, [0.4031, 0.9007])))
    passage = only(passages(more_s, down_s, BETWEEN))
    assert max(np.abs(values).max() for values in passage.values) < 1e-6
    assert passage.passed == 149


def test_a_joint_out_of_its_place_is_kept_though_other_pulses_are_missing() -> None:
    up_s, down_s = even(150)
    up_s[70] += 0.06 * 0.0127
    passage = only(passages(np.delete(up_s, [20, 110]), down_s, BETWEEN))
    at = int(np.flatnonzero(passage.joints[PLACE] == 70)[0])
    assert passage.values[PLACE][at] == pytest.approx(0.06 * (1 - CLOCK[CLOCK_HALF]), abs=0.001)


def test_a_gap_cuts_the_batch_in_two() -> None:
    up_s, down_s = even(200)
    found = passages(np.delete(up_s, np.arange(90, 100)), down_s, BETWEEN)
    assert [passage.passed for passage in found] == [89, 99]
    assert found[1].first_s == pytest.approx(100 * 0.0127)


def test_where_a_sensor_loses_count_the_batch_is_cut() -> None:
    """Six of the last thirteen pulses of `up` are missing: more than the numbering can hold."""
    up_s, down_s = even(160)
    rng = np.random.default_rng(4)
    up_s += rng.normal(0, 0.00005, 160)
    missing = [146, 148, 150, 151, 153, 155, 157]
    for passage in passages(np.delete(up_s, missing), down_s, BETWEEN):
        assert np.abs(passage.values[APART]).max() < 0.05


def test_speed_that_changes_fast_says_nothing_of_places_but_leaves_the_pitches_between() -> None:
    """The period falls by 2 % a pitch over forty pitches, between sixty even ones on each side."""
    periods_s = 0.0127 * np.concatenate((np.ones(60), 0.98 ** np.arange(40), np.full(60, 0.98**40)))
    up_s = np.concatenate(([0.0], np.cumsum(periods_s)))
    passage = only(passages(up_s, up_s[:-1] + (BETWEEN % 1) * periods_s, BETWEEN))
    assert not np.isin(np.arange(70, 90), passage.joints[PLACE]).any()
    assert np.isin(np.arange(20, 40), passage.joints[PLACE]).all()
    assert np.abs(passage.values[PLACE]).max() < 0.12
    assert len(passage.joints[APART]) == 160
    assert np.abs(passage.values[APART]).max() < 1e-9


def test_what_is_too_short_gives_nothing() -> None:
    up_s, down_s = even(PULSES_MIN - 1)
    assert passages(up_s, down_s, BETWEEN) == []
    assert passages(np.zeros(0), np.zeros(0), BETWEEN) == []
