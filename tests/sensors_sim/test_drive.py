"""Chain, driver, motion and sensors together: the laws that pulses must obey."""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from sensors_sim.chain import SimulatedChain, StiffJoint, Wear
from sensors_sim.drive import Pulses, SimulatedDrive, Surroundings
from sensors_sim.driver import Driver
from sensors_sim.motion import Motion
from sensors_sim.sensor import Sensor

PITCH_MM = 12.7
PERFECT = Sensor(repeatability_mm=0.0)
PLAIN: dict[str, Any] = {
    "motion": Motion.constant(1.0),
    "spacing_mm": 24.25 * PITCH_MM,
    "up_to_driver_mm": 34 * PITCH_MM,
}
IDEAL: dict[str, Any] = PLAIN | {"up": PERFECT, "down": PERFECT, "tick_ns": 1}


def chain(
    elongation_pct: float = 0.0, *, tolerance_pct: float = 0.0, wear_spread: float = 0.0
) -> SimulatedChain:
    return SimulatedChain.make(
        pitch_mm=PITCH_MM,
        pitches=120,
        elongation_pct=elongation_pct,
        tolerance_pct=tolerance_pct,
        wear_spread=wear_spread,
        rng=np.random.default_rng(5),
    )


def seconds(ticks: npt.NDArray[np.int64], pulses: Pulses) -> npt.NDArray[np.float64]:
    return np.asarray(ticks * (pulses.tick_ns * 1e-9))


def joined(parts: Sequence[Pulses]) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    starts = np.cumsum([0] + [part.span_ticks for part in parts])
    return (
        np.concatenate([part.up_ticks + start for part, start in zip(parts, starts, strict=False)]),
        np.concatenate([part.down_ticks + start for part, start in zip(parts, starts, strict=False)]),
    )


def test_joints_pass_at_the_speed_over_the_pitch() -> None:
    """Joint rate v / p: 5 m/s with a pitch of 12.7 mm is 393.70 Hz."""
    pulses = SimulatedDrive(chain=chain(), **(IDEAL | {"motion": Motion.constant(5.0)})).run(20.0)
    assert len(pulses.up_ticks) / 20 == pytest.approx(393.70, rel=1e-3)
    intervals = np.diff(seconds(pulses.up_ticks, pulses))
    assert 1 / intervals.mean() == pytest.approx(393.7008, rel=1e-6)


def test_intervals_of_one_sensor_alternate_by_the_elongation() -> None:
    """(long - short) / (2 short) = e from the construction: 13.208 against 12.7 mm at 2 %."""
    pulses = SimulatedDrive(chain=chain(2.0), **IDEAL).run(10.0)
    for ticks in (pulses.up_ticks, pulses.down_ticks):
        one, other = np.diff(ticks)[0:300:2].mean(), np.diff(ticks)[1:301:2].mean()
        short, long = sorted((one, other))
        assert (long - short) / (2 * short) == pytest.approx(0.02, abs=1e-6)


def test_a_stiff_joint_comes_late_at_both_sensors_less_at_the_second_and_moves_no_other() -> None:
    """0.8 mm late at the sprocket, 100 mm before `up`: 0.8 exp(-1/2) there, 0.8 exp(-(100 + 24.25 p) / 200) at `down`."""
    straight = SimulatedDrive(chain=chain(), **IDEAL).run(2 * 120 * PITCH_MM / 1000)
    bent_chain = replace(chain(), stiff=StiffJoint(joint=40, shift_mm=0.8, straightens_mm=200.0))
    bent = SimulatedDrive(chain=bent_chain, **IDEAL).run(2 * 120 * PITCH_MM / 1000)
    for one, other, pulled_mm in (
        (straight.up_ticks, bent.up_ticks, 100.0),
        (straight.down_ticks, bent.down_ticks, 100.0 + 24.25 * PITCH_MM),
    ):
        late_mm = (other - one) * 1e-6  # 1 m/s: a nanosecond is a millionth of a millimetre
        late = np.flatnonzero(np.abs(late_mm) > 1e-4)
        assert len(late) == 2
        assert late[1] - late[0] == 120
        assert late_mm[late] == pytest.approx(np.full(2, 0.8 * math.exp(-pulled_mm / 200)), abs=1e-4)


@pytest.mark.parametrize("elongation_pct", [0.0, 1.0, 3.0])
def test_the_same_joint_takes_the_spacing_over_the_speed_from_up_to_down(elongation_pct: float) -> None:
    pulses = SimulatedDrive(chain=chain(elongation_pct), **IDEAL).run(10.0)
    took = 24.25 * PITCH_MM / 1000  # s, at 1 m/s
    up, down = seconds(pulses.up_ticks, pulses), seconds(pulses.down_ticks, pulses)
    arriving = up + took
    inside = arriving < 9.99
    nearest = np.abs(down[:, None] - arriving[inside]).min(axis=0)
    assert nearest.max() < 5e-9


def test_the_lag_of_an_ideal_chain_is_the_fractional_part_of_the_pitches_between() -> None:
    pulses = SimulatedDrive(chain=chain(), **IDEAL).run(10.0)
    up, down = pulses.up_ticks, pulses.down_ticks
    down = down[down > up[0]]
    before = np.searchsorted(up, down, side="right") - 1
    inside = before < len(up) - 1
    phase = (down[inside] - up[before[inside]]) / np.diff(up)[before[inside]]
    assert pulses.true_pitches_between == pytest.approx(24.25)
    assert phase == pytest.approx(np.full(len(phase), 0.25), abs=1e-6)


def test_the_truth_between_the_sensors_is_the_spacing_over_the_worn_pitch() -> None:
    """n = 24 at 3 %: 24 / 1.03 = 23.300971 (arithmetic)."""
    settings = IDEAL | {"spacing_mm": 24 * PITCH_MM}
    pulses = SimulatedDrive(chain=chain(3.0), **settings).run(1.0)
    assert pulses.true_pitches_between == pytest.approx(23.300971, abs=1e-6)
    assert pulses.true_elongation_pct == pytest.approx(3.0)


@pytest.mark.parametrize("teeth", [None, 9, 19])
@pytest.mark.parametrize(
    "motion",
    [
        Motion.constant(1.3),
        Motion.start_stop(1.0, run_s=2, stand_s=1, ramp_s=0.5),
        Motion.wander(0.8, spread=0.1, correlation_s=1, seed=2, length_s=30),
        Motion.constant(-0.7),
    ],
)
def test_pulses_come_when_a_joint_is_at_the_sensor_to_a_millionth_of_a_pitch(
    teeth: int | None, motion: Motion
) -> None:
    """Forward check of the inversion: integrate the speed to the pulse, turn the polygon, look where the joints are."""
    worn = chain(2.0, tolerance_pct=0.1, wear_spread=0.2)
    drive = SimulatedDrive(chain=worn, **(IDEAL | {"motion": motion, "teeth": teeth}))
    start = drive._travel
    pulses = drive.run(9.0)
    laid = Driver.carrying(worn, teeth)
    times, speeds = zip(*motion.knots, strict=True)
    period = times[-1] if motion.repeats else math.inf
    grid = np.unique(
        np.concatenate([np.array(times) + cycle * (period if motion.repeats else 0) for cycle in range(5)])
    )
    for ticks, place in ((pulses.up_ticks, -34 * PITCH_MM), (pulses.down_ticks, (24.25 - 34) * PITCH_MM)):
        for t in (ticks[:: len(ticks) // 40] + 0.5) * 1e-9:
            inside = np.concatenate(([0.0], grid[(grid > 0) & (grid < t)], [t]))
            distance_mm = 1000 * np.trapezoid(np.interp(inside % period, times, speeds), inside)
            moved = laid.displacement_mm(np.array([start + distance_mm / worn.mean_pitch_mm]))[0]
            joints = np.arange(math.floor(start) - 2000, math.floor(start) + 2000)
            off_mm = np.abs(laid.place_mm(joints) + place - moved).min()
            assert off_mm < 1e-6 * PITCH_MM


def test_the_polygon_stands_where_the_distance_to_the_driver_puts_it() -> None:
    """A sensor a whole number of pitches before the tangent point switches when a joint stands there: no error there.

    Half a pitch on, the joints hand over, and the strand is even with even motion again; a quarter on it is not.
    """

    def error(up_to_driver_pitches: float) -> float:
        settings = IDEAL | {
            "teeth": 9,
            "up_to_driver_mm": up_to_driver_pitches * PITCH_MM,
            "spacing_mm": 20 * PITCH_MM,
        }
        drive = SimulatedDrive(chain=chain(), **settings)
        start = drive._travel
        pulses = drive.run(2.0)
        joints = start + seconds(pulses.up_ticks, pulses) * 1000 / PITCH_MM + up_to_driver_pitches
        return float(np.abs(joints - np.round(joints)).max())

    assert error(30.0) < 1e-6
    assert error(30.5) < 1e-6
    assert error(30.25) == pytest.approx(0.0037, abs=0.0005)


SEAMS: dict[str, dict[str, Any]] = {
    "noise": {"up": Sensor(missed=0.05, doubled=0.05), "down": Sensor(missed=0.02, delay_s=0.013)},
    "spurious": {"up": Sensor(spurious_per_s=3), "down": Sensor(outages_per_s=0.2)},
    "stops": {"motion": Motion.start_stop(0.9, run_s=3, stand_s=2, ramp_s=0.7)},
    "reversal": {"motion": Motion.reversing(0.9, forward_s=4, reverse_s=2), "up": Sensor(target_mm=8.5)},
    "wander": {"motion": Motion.wander(1.1, spread=0.05, correlation_s=2, seed=8), "teeth": 11},
    "wear": {"wear": Wear(speedup=100_000), "teeth": 17},
    "warmth": {
        "surroundings": Surroundings(chain_swing_k=40, load_swing_n=2000, strain_pct_per_kn=0.02, load_n=2000)
    },
}


@pytest.mark.parametrize("kind", SEAMS)
@pytest.mark.parametrize("window_s", [0.37, 2.0])
def test_windows_are_one_long_run_cut(kind: str, window_s: float) -> None:
    settings = PLAIN | {"seed": 3} | SEAMS[kind]
    worn = chain(1.5, tolerance_pct=0.1, wear_spread=0.1)
    cut = SimulatedDrive(chain=worn, **settings)
    up, down = joined([cut.run(window_s) for _ in range(round(22.2 / window_s))])
    whole = SimulatedDrive(chain=worn, **settings).run(round(22.2 / window_s) * window_s)
    for part, one in ((up, whole.up_ticks), (down, whole.down_ticks)):
        assert len(part) == len(one)
        assert np.abs(part - one).max() <= 1  # a tick, where rounding falls the other way
        assert np.count_nonzero(part != one) <= 2


def test_the_same_seed_gives_the_same_pulses_and_another_seed_others() -> None:
    def ticks(seed: int) -> list[int]:
        drive = SimulatedDrive(chain=chain(1.0), **(PLAIN | {"seed": seed}))
        return [int(tick) for tick in drive.run(5.0).up_ticks]

    assert ticks(1) == ticks(1)
    assert ticks(1) != ticks(2)


def test_ticks_are_rounded_down_and_lie_within_the_span() -> None:
    coarse = SimulatedDrive(chain=chain(), **(PLAIN | {"tick_ns": 100_000, "up": PERFECT})).run(3.0)
    fine = SimulatedDrive(chain=chain(), **(PLAIN | {"tick_ns": 1, "up": PERFECT})).run(3.0)
    assert coarse.span_ticks == 30_000
    assert coarse.up_ticks.tolist() == (fine.up_ticks // 100_000).tolist()
    assert coarse.up_ticks.max() <= coarse.span_ticks


def test_a_clock_that_runs_fast_counts_more_ticks_between_joints() -> None:
    right, fast = (
        SimulatedDrive(chain=chain(), **(IDEAL | {"clock_ppm": ppm})).run(10.0) for ppm in (0.0, 200.0)
    )
    assert np.diff(fast.up_ticks).mean() / np.diff(right.up_ticks).mean() == pytest.approx(1.0002, abs=1e-6)


def test_a_strand_that_is_warmer_than_its_mount_shows_fewer_pitches_between_and_the_truth_stays() -> None:
    """Steel, 11.7e-6 per K (Machinery's Handbook, from memory), 30 K: 0.0351 %."""
    warm = Surroundings(chain_c=50.0, mount_c=20.0)
    cold, hot = (
        SimulatedDrive(chain=chain(), **(IDEAL | {"surroundings": s})).run(10.0)
        for s in (Surroundings(), warm)
    )
    assert hot.true_elongation_pct == cold.true_elongation_pct
    shift_pct = (shown_pitches(cold) / shown_pitches(hot) - 1) * 100
    assert shift_pct == pytest.approx(0.0351, abs=1e-4)


def test_chain_and_mount_warm_together_show_nothing() -> None:
    both = Surroundings(chain_c=60.0, mount_c=60.0)
    pulses = SimulatedDrive(chain=chain(), **(IDEAL | {"surroundings": both})).run(10.0)
    assert shown_pitches(pulses) == pytest.approx(24.25, abs=1e-6)


def test_a_pull_above_the_reference_stretches_the_strand_by_its_strain() -> None:
    pulled = Surroundings(load_n=3000, reference_load_n=1000, strain_pct_per_kn=0.03)
    pulses = SimulatedDrive(chain=chain(), **(IDEAL | {"surroundings": pulled})).run(10.0)
    assert (24.25 / shown_pitches(pulses) - 1) * 100 == pytest.approx(0.06, abs=1e-4)


def shown_pitches(pulses: Pulses) -> float:
    """Time of one joint from `up` to `down` over the mean joint period, for a chain of even pitch: pitches between."""
    up, down = pulses.up_ticks, pulses.down_ticks
    period = float(np.diff(up).mean())
    later = down[down > up[0] + 23.6 * period]
    return float((later[:100] - up[:100]).mean()) / period


def test_a_moved_bracket_changes_the_spacing_from_then_on() -> None:
    drive = SimulatedDrive(chain=chain(), **(IDEAL | {"moved_at_s": 5.0, "moved_mm": 0.6}))
    before, after = drive.run(5.0), drive.run(5.0)
    assert shown_pitches(before) == pytest.approx(24.25, abs=1e-6)
    assert shown_pitches(after) == pytest.approx(24.25 + 0.6 / PITCH_MM, abs=1e-3)
    assert after.true_pitches_between == pytest.approx(24.25 + 0.6 / PITCH_MM)


def test_going_back_joints_pass_down_first_and_each_pulse_is_given_back() -> None:
    motion = Motion(((0.0, 0.5), (2.0, 0.5), (2.2, -0.5), (4.2, -0.5)))
    pulses = SimulatedDrive(chain=chain(1.0), **(IDEAL | {"motion": motion})).run(4.2)
    turn = round(2.1e9)
    for ticks in (pulses.up_ticks, pulses.down_ticks):
        there, back = ticks[ticks < turn], ticks[ticks > turn]
        assert np.sort(2 * turn - back)[-len(there) :] == pytest.approx(there[-len(back) :], abs=3)
    assert pulses.true_speed_m_s == pytest.approx(0.0, abs=1e-9)


def test_going_back_a_sensor_switches_at_the_other_edge_of_the_roller() -> None:
    motion = Motion(((0.0, 0.5), (2.0, 0.5), (2.2, -0.5), (4.2, -0.5)))
    wide = Sensor(repeatability_mm=0.0, target_mm=5.0)
    pulses = SimulatedDrive(chain=chain(), **(IDEAL | {"motion": motion, "up": wide})).run(4.2)
    there, back = pulses.up_ticks[pulses.up_ticks < 2e9], pulses.up_ticks[pulses.up_ticks > 2.2e9]
    mirrored = round(4.2e9) - back  # where the strand was, going forward, when the other edge switched
    width_mm = (mirrored[:, None] - there[None, :]) * 1e-9 * 500.0 % PITCH_MM
    assert width_mm == pytest.approx(np.full(width_mm.shape, 5.0), abs=1e-4)


def test_wear_lengthens_the_chain_while_it_runs_and_not_while_it_stands() -> None:
    running = SimulatedDrive(chain=chain(1.0), **(PLAIN | {"wear": Wear(speedup=100_000)}))
    first, later = running.run(5.0), running.run(5.0)
    laps = 10.0 / (120 * PITCH_MM * 1.01 / 1000)
    assert later.true_elongation_pct > first.true_elongation_pct > 1.0
    assert running.laps == pytest.approx(laps, rel=1e-3)
    assert running.chain.mean_elongation_pct == pytest.approx(1.0 + 0.04 * laps * 0.1, rel=1e-3)
    standing = SimulatedDrive(
        chain=chain(1.0), **(PLAIN | {"motion": Motion.constant(0), "wear": Wear(speedup=1e5)})
    )
    assert standing.run(10.0).true_elongation_pct == pytest.approx(1.0)


def test_no_joint_is_lost_or_counted_twice_while_the_chain_wears() -> None:
    drive = SimulatedDrive(chain=chain(1.0), **(IDEAL | {"wear": Wear(speedup=300_000), "teeth": 19}))
    up, down = joined([drive.run(0.5) for _ in range(60)])
    for ticks in (up, down):
        intervals = np.diff(ticks) / 1e9 * 1000 / PITCH_MM
        assert intervals.min() > 0.9
        assert intervals.max() < 1.15


def test_a_drive_at_rest_gives_no_pulses_and_a_span() -> None:
    pulses = SimulatedDrive(chain=chain(), **(PLAIN | {"motion": Motion.constant(0.0)})).run(4.0)
    assert len(pulses.up_ticks) == len(pulses.down_ticks) == 0
    assert pulses.span_ticks == 4_000_000


def test_sensors_beyond_the_driver_are_refused() -> None:
    with pytest.raises(ValueError, match="before the driver"):
        SimulatedDrive(chain=chain(), motion=Motion.constant(1), spacing_mm=300, up_to_driver_mm=200)
    with pytest.raises(ValueError, match="tick_ns"):
        SimulatedDrive(chain=chain(), **(PLAIN | {"tick_ns": 0}))
