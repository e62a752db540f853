"""What many windows say together, against numpy, scipy and the truth of simulated drives."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from sensors_sim.batch import simulate_batch
from sensors_sim.chain import SimulatedChain
from sensors_sim.drive import SimulatedDrive
from sensors_sim.motion import Motion
from sensors_sim.sensor import Sensor
from service.adapters.pulse_tables import PulseTimes, pulse_times
from service.commands.capture_series import (
    SeriesError,
    Setup,
    Window,
    cut,
    lap_window_s,
    mapped,
    measured,
    summarise,
)
from service.core.drive import Baseline, Chain, Drive
from service.core.reading import NotMeasured

HOUR_NS = 3_600 * 10**9


def setup_of(
    *,
    whole_pitches: int = 20,
    loop: int | None = 122,
    teeth: int | None = 19,
    baseline: Baseline | None = None,
) -> Setup:
    drive = Drive(drive_id="capture", whole_pitches=whole_pitches, driver_teeth=teeth, up_to_driver_mm=820.0)
    chain = Chain(
        chain_id="capture",
        drive_id="capture",
        designation="16B-1",
        pitch_mm=25.4,
        pitches_in_loop=loop,
        fitted_ns=0,
    )
    return Setup(drive=drive, chain=chain, baseline=baseline)


def pulses_of(**knobs: object) -> PulseTimes:
    usual: dict[str, object] = {
        "pitch_mm": 25.4,
        "whole_pitches": 20,
        "up_to_driver_mm": 820.0,
        "pitches_in_loop": 122,
    }
    made = simulate_batch(**usual | knobs)  # type: ignore[arg-type]
    return pulse_times(made.up * made.tick_ns, made.down * made.tick_ns)


# Cutting


@given(
    st.lists(st.integers(0, 10**10), max_size=60).map(sorted),
    st.lists(st.integers(0, 10**10), max_size=60).map(sorted),
    st.floats(0.001, 20.0),
    st.sampled_from([1, 1000, 10**6]),
    st.sampled_from([0, -(10**12), 1_795_000_000 * 10**9]),
)
def test_every_pulse_is_in_one_window_and_no_window_overlaps(
    up: list[int], down: list[int], window_s: float, step: int, start_ns: int
) -> None:
    if not up and not down:
        return
    trains = [np.array(each, np.int64) * step // 10**6 * 10**6 // step + start_ns for each in (up, down)]
    pulses = pulse_times(*trains)
    batches = cut(pulses, window_s, "capture")
    first_ns = min(int(each[0]) for each in trains if len(each))
    shift = 0 if pulses.since_1970 else batches[0].t0_ns - first_ns
    for name, train in zip(("up", "down"), trains, strict=True):
        joined = [
            batch.t0_ns - shift + tick * batch.tick_ns
            for batch in batches
            for tick in getattr(batch, name).tolist()
        ]
        assert joined == train.tolist()
    for earlier, later in pairwise(batches):
        assert earlier.t0_ns + (earlier.span_ns or 0) == later.t0_ns
    for batch in batches:
        assert all(
            0 <= tick * batch.tick_ns < (batch.span_ns or 0)
            for tick in [*batch.up.tolist(), *batch.down.tolist()]
        )
    assert [batch.seq for batch in batches] == list(range(len(batches)))


def test_a_unit_that_makes_a_capture_last_for_years_is_told() -> None:
    pulses = pulse_times(np.array([0, 10**18], np.int64), np.array([5], np.int64))
    with pytest.raises(SeriesError, match=r"1000000000 s are over 100000 windows of 10 s; .* check the unit"):
        cut(pulses, 10.0, "capture")


@pytest.mark.parametrize("missed", [0.0, 0.05])
def test_windows_of_a_lap_hold_a_lap_whatever_is_missed(missed: float) -> None:
    pulses = pulses_of(elongation_pct=1.0, laps=12, missed=missed, doubled=0.02, seed=1)
    window_s = lap_window_s(pulses, 122)
    assert window_s is not None
    windows = measured(cut(pulses, window_s, "capture"), setup_of())
    assert len(windows) >= 10
    assert all(each.reading.whole_laps >= 1 for each in windows)


def test_too_few_pulses_tell_no_lap() -> None:
    assert lap_window_s(pulse_times(np.array([0, 5], np.int64), np.array([3], np.int64)), 122) is None


# Budget


@pytest.mark.parametrize("taken_at_pct", [None, 0.1])
@pytest.mark.parametrize("loop", [None, 122])
def test_the_terms_are_those_that_core_combined(taken_at_pct: float | None, loop: int | None) -> None:
    """So that the terms shown are the uncertainty shown, whatever core may add to it."""
    baseline = None
    if taken_at_pct is not None:
        baseline = Baseline(
            chain_id="capture", pitches_between=20.01, pitches_between_u=0.002, elongation_pct=taken_at_pct,
            elongation_u_pct=0.03, taken_ns=0, recorded_ns=0, recorded_by="", why="",
        )  # fmt: skip
    setup = setup_of(loop=loop, baseline=baseline)
    setup = replace(setup, drive=replace(setup.drive, delay_us=20.0, delay_u_us=5.0))
    for missed in (0.0, 0.03):
        pulses = pulses_of(elongation_pct=1.0, duration_s=20.0, missed=missed, seed=2)
        for each in measured(cut(pulses, 5.0, "capture"), setup):
            assert each.budget is not None
            assert each.budget.combined_pct == pytest.approx(each.reading.elongation_u_pct, rel=1e-12)


# Links


def test_the_map_is_folded_from_windows_whatever_they_were_cut_to() -> None:
    """Links of the simulated chain itself, turned to the joint that came first."""
    chain = SimulatedChain.make(
        pitch_mm=25.4, pitches=122, elongation_pct=1.0, bad_joint_mm=1.0, rng=np.random.default_rng(8)
    )
    pulses = run_of(chain)
    truth_pct = 100 * (chain.links_mm / 25.4 - 1)
    for window_s in (2.8, 10.0, 3600.0):
        links = mapped(measured(cut(pulses, window_s, "capture"), setup_of()), setup_of(), 1.0)
        assert links is not None
        assert links.link_map is not None
        found_pct = links.link_map.elongation_pct
        turned_pct = np.roll(truth_pct, int(np.argmax(found_pct)) - int(np.argmax(truth_pct)))
        assert np.abs(found_pct - turned_pct).max() < 0.25
        assert [fault.fault for fault in links.faults] == ["long_link"]
        assert links.faults[0].excess_mm == pytest.approx(1.0, abs=0.1)
        assert links.faults[0].first_link == joint_order(pulses)


def run_of(chain: SimulatedChain, *, missed: float = 0.0, seconds: float = 60.0) -> PulseTimes:
    drive = SimulatedDrive(
        chain=chain, motion=Motion.constant(1.2), spacing_mm=508.0, up_to_driver_mm=820.0, teeth=19,
        up=Sensor(missed=missed), down=Sensor(missed=missed), seed=9,
    )  # fmt: skip
    made = drive.run(seconds)
    return pulse_times(made.up_ticks * made.tick_ns, made.down_ticks * made.tick_ns)


def joint_order(pulses: PulseTimes) -> int:
    """Which interval of `up`, counted from its first pulse and taken over the laps, is the longest."""
    intervals = np.diff(pulses.up_ns)
    return int(np.argmax([intervals[link::122].mean() for link in range(122)]))


def test_two_percent_missed_lose_neither_place_nor_link() -> None:
    chain = SimulatedChain.make(
        pitch_mm=25.4, pitches=122, elongation_pct=1.0, bad_joint_mm=1.0, rng=np.random.default_rng(8)
    )
    clean, holed = run_of(chain), run_of(chain, missed=0.02)
    links = mapped(measured(cut(holed, 2.8, "capture"), setup_of()), setup_of(), 1.0)
    assert links is not None
    assert links.lost == 0
    first_seen = int(np.argmin(np.abs(clean.up_ns - holed.up_ns[0])))
    assert [fault.first_link for fault in links.faults] == [(joint_order(clean) - first_seen) % 122]


def test_without_loop_or_laps_there_is_no_map() -> None:
    pulses = pulses_of(elongation_pct=1.0, laps=2.2, seed=3)
    windows = measured(cut(pulses, 3600.0, "capture"), setup_of(loop=None))
    assert mapped(windows, setup_of(loop=None), 1.0) is None
    short = mapped(windows, setup_of(), 1.0)
    assert short is not None
    assert short.link_map is None
    assert 1.5 < short.laps < 2.5


# Together


@pytest.fixture(scope="module")
def windows() -> list[Window]:
    pulses = pulses_of(elongation_pct=1.0, duration_s=60.0, missed=0.02, seed=3)
    return measured(cut(pulses, 3.7, "capture"), setup_of(loop=None))


def with_values(windows: list[Window], values: list[float], every_ns: int = HOUR_NS) -> list[Window]:
    """The windows with other elongations, an hour apart."""
    changed = []
    for number, (each, value) in enumerate(zip(windows, values, strict=True)):
        t0_ns = 10**18 + number * every_ns
        batch = replace(each.batch, t0_ns=t0_ns)
        reading = replace(
            each.reading,
            elongation_pct=value,
            t0_ns=t0_ns,
            t_ns=t0_ns + (each.reading.t_ns - each.reading.t0_ns),
        )
        changed.append(Window(batch, reading, each.budget))
    return changed


def test_the_mean_weighs_every_pitch_alike(windows: list[Window]) -> None:
    summary = summarise(windows)
    assert summary is not None
    pitches = [each.reading.pitches_averaged for each in windows]
    assert len(set(pitches)) > 1
    values = [each.reading.elongation_pct for each in windows]
    assert summary.elongation_pct == pytest.approx(
        float(np.average(np.array(values, float), weights=pitches))
    )
    assert (summary.windows, summary.pitches) == (len(windows), sum(pitches))


def test_what_differs_averages_out_and_what_is_shared_does_not(windows: list[Window]) -> None:
    summary = summarise(windows)
    assert summary is not None
    budget = windows[0].budget
    assert budget is not None
    for shared in ("spacing_pct", "temperature_pct", "load_pct", "polygon_pct"):
        assert summary.terms[shared] == pytest.approx(getattr(budget, shared), rel=0.02)
    assert summary.terms["sample_pct"] == pytest.approx(budget.sample_pct / len(windows) ** 0.5, rel=0.2)
    assert summary.u_pct == pytest.approx(sum(term**2 for term in summary.terms.values()) ** 0.5)


def test_scatter_beyond_what_is_stated_counts_as_it_is(windows: list[Window]) -> None:
    """The standard deviation of the mean, JCGM 100:2008, 4.2.3 (from memory), here of equal weights."""
    rng = np.random.default_rng(4)
    values = rng.normal(1.0, 0.2, len(windows))
    even = [replace(each.reading, pitches_averaged=100) for each in windows]
    apart = with_values(
        [Window(each.batch, reading, each.budget) for each, reading in zip(windows, even, strict=True)],
        values.tolist(),
    )
    summary = summarise(apart)
    assert summary is not None
    own = np.hypot(summary.terms["jitter_pct"], summary.terms["sample_pct"])
    assert np.hypot(own, summary.terms["scatter_pct"]) == pytest.approx(stats.sem(values))


def test_the_trend_is_that_of_linear_regression(windows: list[Window]) -> None:
    rng = np.random.default_rng(5)
    hours = np.arange(len(windows), dtype=float)
    values = 1.0 + 0.03 * hours + rng.normal(0, 0.5, len(windows))
    summary = summarise(with_values(windows, values.tolist()))
    assert summary is not None
    assert summary.trend is not None
    middles = hours + np.array([(each.reading.t_ns - each.reading.t0_ns) / 2 / HOUR_NS for each in windows])
    line = stats.linregress(middles, values)
    assert summary.trend.pct_per_h == pytest.approx(line.slope)
    assert summary.trend.u_pct_per_h == pytest.approx(line.stderr)


def test_no_trend_is_surer_than_the_windows_are(windows: list[Window]) -> None:
    summary = summarise(with_values(windows, [1.0] * len(windows)))
    assert summary is not None
    assert summary.trend is not None
    assert summary.trend.pct_per_h == pytest.approx(0, abs=1e-12)
    assert summary.trend.u_pct_per_h > 0


def test_two_windows_have_no_trend_and_none_no_summary(windows: list[Window]) -> None:
    two = summarise(windows[:2])
    assert two is not None
    assert two.trend is None
    assert summarise([]) is None
    assert (
        summarise([Window(each.batch, replace(each.reading, elongation_pct=None), None) for each in windows])
        is None
    )


def test_windows_before_the_first_that_is_sure_are_measured_by_it() -> None:
    """More than one whole number fits, until a long window lets the alternation tell."""
    pulses = pulses_of(
        whole_pitches=34,
        up_to_driver_mm=1100.0,
        elongation_pct=0.6,
        duration_s=40.0,
        repeatability_mm=0.8,
        seed=6,
    )
    setup = setup_of(whole_pitches=34, loop=None)
    short = cut(pulses, 0.9, "capture")
    whole = cut(pulses, 3600.0, "capture")
    batches = [*short[:4], *whole]
    alone = [measured([batch], setup)[0].reading.reason for batch in batches]
    assert alone[-1] is None
    assert alone[:4] == [NotMeasured.AMBIGUOUS] * 4
    together = measured(batches, setup)
    assert [each.reading.elongation_pct for each in together] == [pytest.approx(0.6, abs=0.2)] * 5


def test_the_stated_interval_of_a_whole_capture_holds_the_truth_as_often_as_it_says() -> None:
    """Spacing off by a tape's 0.5 mm, drawn anew for each of 120 captures: 95 % within k = 2, give or take."""
    rng = np.random.default_rng(7)
    inside = 0
    for seed in range(120):
        truth = float(rng.uniform(0.2, 2.5))
        pulses = pulses_of(
            elongation_pct=truth,
            spacing_error_mm=float(rng.normal(0, 0.5)),
            laps=3.3,
            missed=0.01,
            seed=seed,
            teeth=19,
        )
        window_s = lap_window_s(pulses, 122)
        assert window_s is not None
        summary = summarise(measured(cut(pulses, window_s, "capture"), setup_of()))
        assert summary is not None
        inside += abs(summary.elongation_pct - truth) <= 2 * summary.u_pct
    assert 109 <= inside <= 119  # 2.5 standard deviations of a binomial of 120 at 95.4 %
