"""Sensors: noise, misses, doubles, spurious pulses and silence at the rates asked for."""

from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from scipy import stats

from sensors_sim.chain import SimulatedChain
from sensors_sim.drive import SimulatedDrive
from sensors_sim.motion import Motion
from sensors_sim.sensor import Sensor

PITCH_MM = 12.7
RUN_S = 60.0
PERFECT = Sensor(repeatability_mm=0.0)


def up_seconds(sensor: Sensor, **changes: Any) -> npt.NDArray[np.float64]:
    """Times at which `sensor` pulses as `up` of an even chain at 1 m/s."""
    even = SimulatedChain.make(
        pitch_mm=PITCH_MM, pitches=120, tolerance_pct=0, wear_spread=0, rng=np.random.default_rng(0)
    )
    settings: dict[str, Any] = {"motion": Motion.constant(1.0), "seed": 11} | changes
    drive = SimulatedDrive(
        chain=even,
        spacing_mm=24 * PITCH_MM,
        up_to_driver_mm=30 * PITCH_MM,
        up=sensor,
        down=PERFECT,
        tick_ns=1,
        **settings,
    )
    return np.asarray(drive.run(RUN_S).up_ticks * 1e-9)


def is_likely(count: int, expected: float) -> bool:
    """Whether a Poisson count is within what happens in all but one of a million cases."""
    return bool(stats.poisson.cdf(count, expected) > 5e-7 and stats.poisson.sf(count - 1, expected) > 5e-7)


@pytest.mark.parametrize("speed_m_s", [0.5, 2.0])
def test_repeatability_is_a_length_whatever_the_speed(speed_m_s: float) -> None:
    motion = Motion.constant(speed_m_s)
    there = up_seconds(PERFECT, motion=motion)
    noisy = up_seconds(Sensor(repeatability_mm=0.1), motion=motion)
    error_mm = (noisy[: len(there) - 1] - there[: len(noisy)][: len(there) - 1]) * speed_m_s * 1000
    assert error_mm.std() == pytest.approx(0.1, rel=0.1)
    assert abs(error_mm.mean()) < 0.1 / np.sqrt(len(error_mm)) * 5
    assert stats.kstest(error_mm / 0.1, "norm").pvalue > 1e-4


def test_errors_are_new_when_the_same_joints_come_back() -> None:
    motion = Motion.reversing(1.0, forward_s=10, reverse_s=10, ramp_s=1)
    error_s = up_seconds(Sensor(repeatability_mm=0.1), motion=motion) - up_seconds(PERFECT, motion=motion)
    there, back = error_s[200:600], error_s[826:1626][::-1]  # 826 joints go by before the drive turns
    likeness = [abs(np.corrcoef(there, back[i : i + 400])[0, 1]) for i in range(400)]
    assert there.std() > 0
    assert max(likeness) < 0.4


def test_a_delay_is_a_time_whatever_the_speed() -> None:
    for speed_m_s in (0.5, 2.0):
        motion = Motion.constant(speed_m_s)
        there, late = (
            up_seconds(PERFECT, motion=motion),
            up_seconds(Sensor(repeatability_mm=0, delay_s=1e-3), motion=motion),
        )
        assert late[:100] - there[:100] == pytest.approx(np.full(100, 1e-3), abs=2e-9)


def test_joints_are_missed_at_the_rate_asked_for_and_only_missed() -> None:
    there, heard = up_seconds(PERFECT), up_seconds(Sensor(repeatability_mm=0, missed=0.05))
    assert set(heard) <= set(there)
    assert is_likely(len(there) - len(heard), 0.05 * len(there))


def test_joints_are_doubled_at_the_rate_and_distance_asked_for() -> None:
    there, heard = up_seconds(PERFECT), up_seconds(Sensor(repeatability_mm=0, doubled=0.05))
    doubles = np.array(sorted(set(heard) - set(there)))
    assert is_likely(len(doubles), 0.05 * len(there))
    before = there[np.searchsorted(there, doubles) - 1]
    behind_pitches = (doubles - before) * 1000 / PITCH_MM
    assert behind_pitches.min() >= 0.02 - 1e-6
    assert behind_pitches.max() <= 0.15 + 1e-6


def test_a_double_never_comes_without_its_pulse() -> None:
    both = up_seconds(Sensor(repeatability_mm=0, missed=0.3, doubled=0.3))
    there = up_seconds(PERFECT)
    before = there[np.searchsorted(there, both, side="right") - 1]
    assert set(before) <= set(both)


def test_spurious_pulses_come_at_the_rate_asked_for_at_any_place() -> None:
    there, heard = up_seconds(PERFECT), up_seconds(Sensor(repeatability_mm=0, spurious_per_s=2.0))
    extra = np.array(sorted(set(heard) - set(there)))
    assert is_likely(len(extra), 2.0 * RUN_S)
    phase = extra * 1000 / PITCH_MM % 1
    assert stats.kstest(phase, "uniform").pvalue > 1e-4


def test_spurious_pulses_come_to_a_standing_chain_too() -> None:
    assert is_likely(len(up_seconds(Sensor(spurious_per_s=1.0), motion=Motion.constant(0.0))), RUN_S)


def test_a_dead_sensor_is_silent_from_its_hour_on() -> None:
    heard = up_seconds(Sensor(silent_from_s=20.0))
    assert heard.max() < 20.0
    assert heard.max() > 19.9


def test_a_loose_wire_loses_stretches_of_pulses_and_comes_back() -> None:
    there, heard = (
        up_seconds(PERFECT),
        up_seconds(Sensor(repeatability_mm=0, outages_per_s=0.2, outage_s=1.0)),
    )
    assert set(heard) < set(there)
    gaps_s = np.diff(heard)
    assert gaps_s.max() > 0.5
    assert 0.5 < len(heard) / len(there) < 0.97


def test_up_and_down_draw_their_own_errors() -> None:
    even = SimulatedChain.make(pitch_mm=PITCH_MM, pitches=120, tolerance_pct=0, rng=np.random.default_rng(0))
    drive = SimulatedDrive(
        chain=even,
        motion=Motion.constant(1.0),
        spacing_mm=24 * PITCH_MM,
        up_to_driver_mm=30 * PITCH_MM,
        tick_ns=1,
    )
    pulses = drive.run(RUN_S)
    up, down = np.diff(pulses.up_ticks)[:4000], np.diff(pulses.down_ticks)[:4000]
    assert abs(np.corrcoef(up, down)[0, 1]) < 0.1


def test_nonsense_is_refused_with_the_fix() -> None:
    with pytest.raises(ValueError, match="give 0 to 1"):
        Sensor(missed=5)
    with pytest.raises(ValueError, match="0 or more"):
        Sensor(delay_s=-1)
