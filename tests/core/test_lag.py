"""The lag of a batch: laws it keeps, published values, and batches that have none."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from sensors_sim.batch import simulate_batch
from sensors_sim.chain import WornSection
from sensors_sim.motion import Motion
from service.core.batch import Batch, Reduced
from service.core.lag import Lag, NoLag, mean_pitches_apart, measure_lag
from service.core.not_measured import NotMeasured


def batch(up: object, down: object, *, tick_ns: int = 1000, **more: object) -> Batch:
    return Batch(
        drive_id="d",
        seq=1,
        t0_ns=0,
        tick_ns=tick_ns,
        up=np.asarray(up, dtype=np.int64),
        down=np.asarray(down, dtype=np.int64),
        span_ns=None,
        **more,  # type: ignore[arg-type]
    )


def simulated(**setting: object) -> Batch:
    made = simulate_batch(**setting)  # type: ignore[arg-type]
    return batch(made.up, made.down, tick_ns=made.tick_ns)


def lag_of(a_batch: Batch, pitches_in_loop: int | None = None) -> Lag:
    lag = measure_lag(a_batch, pitches_in_loop)
    assert isinstance(lag, Lag), lag
    return lag


def round_the_pitch(pitches: float) -> float:
    return abs(pitches - round(pitches))


# --- laws ---------------------------------------------------------------------------------------------


@given(
    true_lag=st.floats(0, 0.999),
    period_us=st.floats(1_000, 100_000),
    pulses=st.integers(24, 300),
)
def test_even_pulses_give_their_lag_to_a_tick(true_lag: float, period_us: float, pulses: int) -> None:
    times = np.arange(pulses) * period_us
    lag = lag_of(batch(np.round(times), np.round(times + true_lag * period_us)))
    assert round_the_pitch(lag.pitches - true_lag) < 1.5 / period_us
    assert lag.period_s == pytest.approx(period_us * 1e-6, rel=1e-3)
    assert lag.coherence > 0.999


@given(shift=st.integers(0, 2**40), seed=st.integers(0, 50))
def test_moving_t0_leaves_the_lag_alone(shift: int, seed: int) -> None:
    made = simulated(seed=seed, missed=0.03, doubled=0.02)
    moved = batch(made.up + shift, made.down + shift)
    assert lag_of(moved).pitches == pytest.approx(lag_of(made).pitches, abs=1e-5)


@given(tick_ns=st.sampled_from([100, 250, 1000, 5000, 100_000]), seed=st.integers(0, 50))
def test_scaling_the_speed_leaves_the_lag_alone(tick_ns: int, seed: int) -> None:
    made = simulated(seed=seed, missed=0.03, doubled=0.02)
    faster = batch(made.up, made.down, tick_ns=tick_ns)
    assert lag_of(faster).pitches == pytest.approx(lag_of(made).pitches, abs=1e-9)


@given(seed=st.integers(0, 200), turned=st.integers(1, 6))
def test_exchanging_the_sensors_turns_the_lag_round(seed: int, turned: int) -> None:
    made = simulated(seed=seed, offset_pitches=turned / 7)
    there, back = lag_of(made).pitches, lag_of(batch(made.down, made.up)).pitches
    assert round_the_pitch(there + back) < 0.004


@given(
    true_lag=st.floats(0, 0.999),
    alternation=st.floats(-0.07, 0.07),
    change=st.floats(-0.0008, 0.0008),
    laps=st.integers(1, 3),
)
def test_alternate_links_and_steady_acceleration_shift_no_lag(
    true_lag: float, alternation: float, change: float, laps: int
) -> None:
    """Joints at 0, 1 + a, 2, 3 + a ... pass the second sensor `true_lag` pitches later, at a changing speed."""
    joints = np.arange(-4.0, 120 * laps + 4)
    places = joints + alternation * (joints % 2)

    def when(place: np.ndarray) -> np.ndarray:
        return np.round(20_000 * (place + change * place**2 / 2 / laps) + 200_000)

    lag = lag_of(batch(when(places), when(places + true_lag)))
    assert round_the_pitch(lag.pitches - true_lag) < 4e-4


def test_the_mean_is_the_integral_of_the_two_counts() -> None:
    """Against scipy: the same two straight-lined counts, integrated by quadrature on a dense grid."""
    from scipy.integrate import trapezoid

    rng = np.random.default_rng(3)
    up = np.cumsum(1 + rng.uniform(-0.2, 0.2, 80))
    down = np.cumsum(1 + rng.uniform(-0.2, 0.2, 90)) - 4.3
    used = up[5:65]
    grid = np.unique(np.concatenate((used, down, np.linspace(used[0], used[-1], 4001))))
    grid = grid[(grid >= used[0]) & (grid <= used[-1])]
    apart = np.interp(grid, used, np.arange(60)) - np.interp(grid, down, np.arange(90))
    expected = trapezoid(apart, grid) / (used[-1] - used[0])
    assert mean_pitches_apart(used, down) == pytest.approx(expected, abs=1e-12)


def test_the_lag_is_the_circular_mean_of_the_phases() -> None:
    """Against scipy.stats.circmean, on an even chain whose lag scatters across a whole pitch."""
    rng = np.random.default_rng(8)
    times = np.arange(400) * 10_000.0 + 50_000
    up, down = times + rng.normal(0, 150, 400), times + rng.normal(0, 150, 400)
    lag = lag_of(batch(np.round(up), np.round(down)))
    phases = np.interp(down[1:-1], up, np.arange(400)) % 1.0
    expected = stats.circmean(phases, high=1.0)
    assert round_the_pitch(lag.pitches - float(expected)) < 5e-5


# --- uncertainty --------------------------------------------------------------------------------------


def test_scatter_reaches_the_cramer_rao_bound_and_is_stated() -> None:
    """sd(f) >= (sigma / T) sqrt(2 / m): Fisher information of two pulse trains with one period.

    Kay, Fundamentals of Statistical Signal Processing, vol. 1, ch. 3 (method; from memory).
    """
    rng = np.random.default_rng(5)
    sigma, pulses = 0.01, 120
    lags, stated = [], []
    for _ in range(600):
        times = np.arange(pulses + 2)
        up, down = times + rng.normal(0, sigma, pulses + 2), times + 0.4 + rng.normal(0, sigma, pulses + 2)
        lag = lag_of(batch(np.round(up * 1e6 + 1e6), np.round(down * 1e6 + 1e6)))
        lags.append(lag.pitches)
        stated.append(lag.jitter_u_pitches)
    bound = sigma * math.sqrt(2 / pulses)
    assert np.std(lags) < 1.1 * bound
    assert np.mean(stated) == pytest.approx(np.std(lags), rel=0.1)


def test_the_bound_itself_has_the_published_size() -> None:
    """m 1000, sigma/T 0.01: 4.4721e-4 pitch = 0.01 sqrt(2/1000)."""
    assert 0.01 * math.sqrt(2 / 1000) == pytest.approx(4.4721e-4, rel=1e-4)


@pytest.mark.parametrize("sigma_rad", [0.05, 0.1, 0.2])
def test_coherence_is_that_of_a_wrapped_normal(sigma_rad: float) -> None:
    """R = exp(-sigma^2 / 2): sigma 0.2 rad gives 0.980199 (Mardia & Jupp, 3.5.7, from memory)."""
    assert math.exp(-(0.2**2) / 2) == pytest.approx(0.980199, abs=1e-6)
    rng = np.random.default_rng(1)
    sigma = sigma_rad / (2 * math.pi)
    times = np.arange(60_000) * 1e6 + 5e6
    down = times + 0.37e6 + rng.normal(0, sigma * 1e6, len(times))
    lag = lag_of(batch(np.round(times), np.round(np.sort(down))))
    assert lag.coherence == pytest.approx(math.exp(-(sigma_rad**2) / 2), abs=0.002)


def test_a_tick_without_dither_does_not_average_out() -> None:
    """q / sqrt(12): a tick of 1 ms has a standard deviation of 0.288675 ms (JCGM 100:2008, F.2.2.1, from memory)."""
    up = np.arange(100) * 10
    lag = lag_of(batch(up, up + 3, tick_ns=1_000_000))
    one_edge_ms = 0.288675
    assert lag.jitter_u_pitches == pytest.approx(one_edge_ms * math.sqrt(2) / 10, rel=1e-5)


# --- pulses that are not clean ------------------------------------------------------------------------


@pytest.mark.parametrize(
    "fault",
    [
        {"missed": 0.05},
        {"doubled": 0.02},
        {"missed": 0.05, "doubled": 0.02},
        {"spurious_per_s": 4.0},
        {"doubled": 0.95},
        {"motion": Motion(((0.0, 0.5), (3.0, 2.0))), "duration_s": 2.5},
        {"motion": Motion(((0.0, 0.0), (0.5, 1.0))), "duration_s": 3.0},
        {"motion": Motion(((0.0, 1.0), (2.0, 1.0), (2.4, 0.0))), "duration_s": 4.0},
        {"motion": Motion.start_stop(1.0, run_s=2.0, stand_s=1.0, ramp_s=0.3), "duration_s": 4.0},
    ],
    ids="+".join,
)
@pytest.mark.parametrize("seed", range(4))
def test_faults_and_ramps_are_left_out_and_not_averaged_in(fault: dict[str, object], seed: int) -> None:
    setting = {
        "elongation_pct": 2.0,
        "offset_pitches": 0.41,
        "wear_spread": 0.0,
        "tolerance_pct": 0.0,
        "teeth": 40,
    }
    made = simulate_batch(seed=seed, laps=1.3, **(setting | fault))  # type: ignore[arg-type]
    lag = lag_of(batch(made.up, made.down), 120)
    assert round_the_pitch(lag.pitches - made.true_pitches_between) < 0.004


def test_missed_and_doubled_pulses_are_counted_by_sensor() -> None:
    made = simulate_batch(seed=2, laps=5.0)
    rng = np.random.default_rng(2)
    gone = rng.choice(np.arange(20, len(made.up) - 20), 12, replace=False)
    bounce = rng.choice(np.arange(20, len(made.down) - 20), 9, replace=False)
    up = np.delete(made.up, gone)
    down = np.sort(np.concatenate((made.down, made.down[bounce] + 700)))
    lag = lag_of(batch(up, down))
    assert (lag.up.pulses, lag.up.missed, lag.up.extra) == (len(up), 12, 0)
    assert (lag.down.pulses, lag.down.missed, lag.down.extra) == (len(down), 0, 9)


def test_joints_filled_in_leave_the_alternation_of_long_and_short_links_alone() -> None:
    """Of chains worn by 3 %: put where links a third longer would have them, 3 % missed joints add a tenth of a per cent."""
    off = []
    for seed in range(30):
        clean, holed = (
            lag_of(
                simulated(elongation_pct=3.0, pitch_mm=25.4, missed=missed, seed=seed, repeatability_mm=0.02)
            )
            for missed in (0.0, 0.03)
        )
        assert holed.up.missed > 0
        off += [
            100 * (getattr(holed, sensor).ratio - getattr(clean, sensor).ratio)
            for sensor in ("up_alternation", "down_alternation")
        ]
    assert np.mean(off) == pytest.approx(0.0, abs=0.01)


def test_a_worn_section_is_no_incoherence_and_whole_laps_weigh_it_once() -> None:
    made = simulate_batch(
        seed=4,
        elongation_pct=2.0,
        whole_pitches=12,
        laps=2.1,
        wear_spread=0.0,
        tolerance_pct=0.0,
        teeth=None,
        worn_section=WornSection(first_joint=30, joints=12, factor=3.0),
    )
    lag = lag_of(batch(made.up, made.down), 120)
    assert lag.whole_laps == 2
    assert lag.coherence > 0.99
    assert round_the_pitch(lag.pitches - made.true_pitches_between) < 0.002


def test_an_odd_loop_is_taken_in_pairs_of_laps() -> None:
    even, odd = simulated(seed=1, laps=3.2), simulated(seed=1, pitches_in_loop=121, laps=3.2)
    assert lag_of(even, 120).whole_laps == 3
    assert lag_of(odd, 121).whole_laps == 2


# --- batches without a lag ----------------------------------------------------------------------------


def reason_of(a_batch: Batch) -> NotMeasured:
    lag = measure_lag(a_batch, None)
    assert isinstance(lag, NoLag), lag
    return lag.reason


def test_a_stopped_drive_has_no_lag() -> None:
    assert reason_of(batch([], [])) is NotMeasured.STOPPED
    assert reason_of(batch([5], [])) is NotMeasured.STOPPED


def test_a_silent_sensor_is_named() -> None:
    assert reason_of(batch(np.arange(100) * 9000, [])) is NotMeasured.SENSOR_SILENT
    assert reason_of(batch([3, 4], np.arange(100) * 9000)) is NotMeasured.SENSOR_SILENT


def test_few_pulses_give_no_lag() -> None:
    times = np.arange(12) * 9000
    assert reason_of(batch(times, times + 3000)) is NotMeasured.TOO_FEW_PULSES


def test_the_device_says_the_chain_ran_backwards() -> None:
    times = np.arange(120) * 9000
    assert reason_of(batch(times, times + 3000, direction=-1)) is NotMeasured.REVERSED


def test_a_reversal_inside_the_batch_is_found() -> None:
    made = simulate_batch(
        seed=3, offset_pitches=0.3, motion=Motion.reversing(1.0, forward_s=2.0, reverse_s=2.0, ramp_s=0.3),
        duration_s=4.6,
    )  # fmt: skip
    assert reason_of(batch(made.up, made.down)) is NotMeasured.REVERSED


def test_pulses_without_a_common_lag_are_incoherent() -> None:
    rng = np.random.default_rng(6)
    up = np.arange(300) * 10_000
    down = np.sort(up + rng.uniform(0, 10_000, 300).astype(np.int64))
    assert reason_of(batch(up, down)) in {NotMeasured.LOW_COHERENCE, NotMeasured.SPEED_CHANGE}


def test_sensors_that_see_different_joint_rates_give_no_lag() -> None:
    up = np.arange(300) * 10_000
    assert reason_of(batch(up, up[::2] + 3000)) is NotMeasured.LOW_COHERENCE


def test_all_pulses_in_one_tick_give_no_lag() -> None:
    assert reason_of(batch(np.zeros(1000), np.zeros(1000))) is NotMeasured.TOO_FEW_PULSES


@given(
    up=st.lists(st.integers(0, 10**6), max_size=80).map(sorted),
    down=st.lists(st.integers(0, 10**6), max_size=80).map(sorted),
    pitches_in_loop=st.none() | st.integers(1, 200),
)
def test_whatever_the_ticks_the_answer_is_a_lag_or_a_reason(
    up: list[int], down: list[int], pitches_in_loop: int | None
) -> None:
    lag = measure_lag(batch(up, down), pitches_in_loop)
    if isinstance(lag, Lag):
        assert 0 <= lag.pitches < 1
        assert lag.period_s > 0
        assert math.isfinite(lag.jitter_u_pitches)


def test_noise_of_many_pulses_ends_in_time() -> None:
    """100 000 pulses at random times on each sensor, the most a batch may hold."""
    rng = np.random.default_rng(0)
    up, down = (np.sort(rng.integers(0, 3_000_000_000, 100_000)) for _ in range(2))
    assert isinstance(measure_lag(batch(up, down), 120), NoLag)


# --- the reduced form ---------------------------------------------------------------------------------


def test_the_reduced_form_gives_the_same_lag_as_the_pulses() -> None:
    made = simulated(seed=9, offset_pitches=0.45, wear_spread=0.0, tolerance_pct=0.0)
    up, down = made.up[2:-2], made.down[2:-2]
    pairs_us = np.array([(down[down >= t][0] - t) for t in up[:100]], dtype=float)
    reduced = Reduced(
        period_us=float(np.mean(np.diff(up[:101]))),
        lag_us=float(pairs_us.mean()),
        count=100,
        sd_us=float(pairs_us.std()),
    )
    lag = lag_of(batch([], [], reduced=reduced))
    assert lag.pitches == pytest.approx(lag_of(made).pitches, abs=0.003)


def test_a_reduced_batch_with_wide_scatter_is_incoherent() -> None:
    """A device that averages lags near 0 and near a whole period alike shows it by its standard deviation."""
    reduced = Reduced(period_us=10_000, lag_us=5_000, count=100, sd_us=4_900)
    assert reason_of(batch([], [], reduced=reduced)) is NotMeasured.LOW_COHERENCE
    backwards = batch(
        [], [], reduced=Reduced(period_us=10_000, lag_us=5_000, count=100, sd_us=10), direction=-1
    )
    assert reason_of(backwards) is NotMeasured.REVERSED
    few = Reduced(period_us=10_000, lag_us=5_000, count=4, sd_us=10)
    assert reason_of(batch([], [], reduced=few)) is NotMeasured.TOO_FEW_PULSES
