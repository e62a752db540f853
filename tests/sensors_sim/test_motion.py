"""Motion: speeds, travel, and when a travel is reached."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from sensors_sim.motion import Motion

MOTIONS = [
    Motion.constant(0.7),
    Motion.ramp(0.4, 1.6, over_s=12),
    Motion.ramp(0.4, 1.6, over_s=12, hold_s=3),
    Motion.start_stop(1.0, run_s=5, stand_s=4, ramp_s=0.5),
    Motion.reversing(0.8, forward_s=6, reverse_s=3),
    Motion.drift(1.2, swing=0.3, period_s=11),
    Motion.wander(1.0, spread=0.05, correlation_s=2, seed=4, length_s=15),
]


def speed_at(motion: Motion, t_s: float) -> float:
    """Read the knots by hand: the reference for everything below."""
    times = [time for time, _ in motion.knots]
    speeds = [speed for _, speed in motion.knots]
    return float(np.interp(t_s % times[-1] if motion.repeats else t_s, times, speeds))


@pytest.mark.parametrize("motion", MOTIONS)
def test_travel_is_the_integral_of_the_speed(motion: Motion) -> None:
    stretches = list(motion.stretches(1.3, 29.7, per_m=1.0))
    ends = [knot + cycle * motion.knots[-1][0] for knot, _ in motion.knots for cycle in range(40)]
    breaks = sorted({t for t in ends if 1.3 < t < 29.7})
    expected = sum(
        quad(lambda t: speed_at(motion, t), a, b)[0]
        for a, b in zip([1.3, *breaks], [*breaks, 29.7], strict=True)
    )
    assert sum(s.sign * s.travel[-1] for s in stretches) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("motion", MOTIONS)
@settings(max_examples=15)
@given(share=st.floats(0, 1))
def test_a_travel_is_reached_when_the_integral_says_so(motion: Motion, share: float) -> None:
    for stretch in motion.stretches(0.0, 30.0, per_m=100.0):
        asked = np.array([share * stretch.travel[-1]])
        (time,), (speed,) = stretch.when(asked)
        inside = np.append(stretch.times_s[stretch.times_s < time], time)
        speeds = np.interp(inside, stretch.times_s, stretch.speeds)
        assert np.trapezoid(speeds, inside) == pytest.approx(asked[0], abs=1e-8)
        assert speed == pytest.approx(speeds[-1], abs=1e-4 * max(stretch.speeds))


@pytest.mark.parametrize("motion", MOTIONS)
def test_no_stretch_changes_direction(motion: Motion) -> None:
    for stretch in motion.stretches(0.0, 40.0, per_m=1.0):
        assert np.all(np.diff(stretch.travel) >= 0)
        assert np.all(stretch.speeds >= 0)


def test_a_reversing_motion_gives_stretches_of_alternating_sign_split_where_the_speed_is_zero() -> None:
    motion = Motion.reversing(1.0, forward_s=4, reverse_s=2, ramp_s=1.0)
    stretches = list(motion.stretches(0.0, 16.0, per_m=1.0))
    assert [s.sign for s in stretches] == [1, -1, 1, -1, 1]
    assert stretches[0].times_s[-1] == pytest.approx(4.5)
    assert stretches[0].travel[-1] == pytest.approx(4.25)


def test_a_drive_at_rest_has_no_stretch() -> None:
    assert list(Motion.constant(0.0).stretches(0, 10, per_m=1.0)) == []
    start_stop = Motion.start_stop(1.0, run_s=5, stand_s=4, ramp_s=1)
    assert list(start_stop.stretches(6.5, 9.5, per_m=1.0)) == []


def test_a_wander_has_the_mean_and_spread_asked_for() -> None:
    speeds = np.array(
        [v for _, v in Motion.wander(2.0, spread=0.02, correlation_s=1, seed=3, length_s=3000).knots]
    )
    assert speeds.mean() == pytest.approx(2.0, rel=0.01)
    assert speeds.std() == pytest.approx(0.04, rel=0.15)


def test_nonsense_is_refused_with_the_fix() -> None:
    with pytest.raises(ValueError, match="times that rise from 0"):
        Motion(((0.0, 1.0), (0.0, 2.0)))
    with pytest.raises(ValueError, match="times that rise from 0"):
        Motion(())
    with pytest.raises(ValueError, match="end at the speed it began with"):
        Motion(((0.0, 1.0), (1.0, 2.0)), repeats=True)
