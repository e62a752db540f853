"""What many windows of one capture say together: their mean, its uncertainty, their trend. And how a long train is cut.

Pure, and known to no other module than `measure`. Must not know files, nor how it is shown.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
import numpy.typing as npt

from service.adapters.pulse_tables import PulseTimes
from service.core.batch import WINDOW_S_MAX, Batch, Ticks
from service.core.chain_faults import Finding, faults_of
from service.core.chain_map import PITCHES_MIN, begin, fold
from service.core.drive import Baseline, Chain, Drive, spacing_pitches
from service.core.elongation import (
    Budget,
    delay_shift_pitches,
    elongation_pct,
    load_correction_pct,
    new_pitches_by_baseline,
    new_pitches_by_spacing,
    polygon_u_pitches,
    sample_u_pct,
    temperature_correction_pct,
)
from service.core.lag import NoLag, measure_lag
from service.core.link_map import LinkMap, map_of
from service.core.reading import Last, NotMeasured, Reading, convert

Floats = npt.NDArray[np.float64]

LAP_ROOM = 1.05  # longer than a lap at the median speed, so that slower windows hold one too
LAP_EDGE_PITCHES = 3  # joints at both ends that have no partner on the other sensor
WINDOWS_MAX = 100_000
TREND_WINDOWS_MIN = 3
RUN_MAX = (
    30  # windows that are folded into the map as one: the pitches between the sensors hardly change in them
)
START_NS = 946_684_800 * 10**9  # stands for the start of a capture whose times count from nowhere
# Terms that differ from window to window; the others are the same error in all of them.
RANDOM_TERMS = ("jitter_pct", "sample_pct")


class SeriesError(ValueError):
    """A capture cannot be cut into windows; the message says what to give."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """What was measured, as the person says who gives the capture.

    `about_pct`: elongation that is expected, for the choice of the whole number of pitches; None: not known.
    """

    drive: Drive
    chain: Chain
    baseline: Baseline | None = None
    about_pct: float | None = None


@dataclass(frozen=True, slots=True)
class Window:
    """One batch of the capture with its reading, and what the uncertainty of that is made of (None without one)."""

    batch: Batch
    reading: Reading
    budget: Budget | None


# Cutting --------------------------------------------------------------------------------------------------


def lap_window_s(pulses: PulseTimes, pitches_in_loop: int) -> float | None:
    """Return how long windows must be to hold a lap at the capture's usual speed; None with too few pulses to tell.

    The median interval of the sensor with more pulses, times the joints of a lap and some room.
    """
    fullest = max(pulses.up_ns, pulses.down_ns, key=len)
    if len(fullest) < 3:
        return None
    period_s = float(np.median(np.diff(fullest))) * 1e-9
    return min(WINDOW_S_MAX, LAP_ROOM * (pitches_in_loop + LAP_EDGE_PITCHES) * period_s)


def cut(pulses: PulseTimes, window_s: float, drive_id: str) -> list[Batch]:
    """Return the windows of a capture, one after the other from its first pulse; the last holds the rest as well.

    A capture shorter than two windows is one. Raises SeriesError for more than WINDOWS_MAX.
    """
    trains = [each for each in (pulses.up_ns, pulses.down_ns) if len(each)]
    first_ns = min(int(each[0]) for each in trains)
    length_ns = max(int(each[-1]) for each in trains) - first_ns
    tick_ns = pulses.tick_ns
    window_ns = max(1, round(window_s * 1e9 / tick_ns)) * tick_ns
    count = max(1, length_ns // window_ns)
    if count > WINDOWS_MAX:
        raise SeriesError(
            f"{length_ns / 1e9:.0f} s are over {WINDOWS_MAX} windows of {window_s:g} s; give a longer --window-s, or check "
            "the unit of the times"
        )
    edges = [number * window_ns for number in range(count)]
    ends = [*edges[1:], length_ns // tick_ns * tick_ns + tick_ns]
    t0_ns = first_ns if pulses.since_1970 else START_NS
    parts = (np.searchsorted(each - first_ns, [*edges, ends[-1]]) for each in (pulses.up_ns, pulses.down_ns))
    up_at, down_at = parts
    return [
        Batch(
            drive_id=drive_id,
            seq=number,
            t0_ns=t0_ns + start,
            tick_ns=tick_ns,
            up=(pulses.up_ns[up_at[number] : up_at[number + 1]] - first_ns - start) // tick_ns,
            down=(pulses.down_ns[down_at[number] : down_at[number + 1]] - first_ns - start) // tick_ns,
            span_ns=end - start,
        )
        for number, (start, end) in enumerate(zip(edges, ends, strict=True))
    ]


# Measuring ------------------------------------------------------------------------------------------------


def measured(batches: Sequence[Batch], setup: Setup) -> list[Window]:
    """Return each batch with its reading, as the worker would give it: each chooses its whole number by the one before.

    Those before the first elongation choose it by that one, which the worker could not.

    Args:
        batches: of one drive, in the order of time.
        setup: of that drive.
    """
    windows = list(_in_turn(batches, setup))
    first = next((each for each in windows if each.budget is not None), None)
    if first is None or all(each.reading.reason is not NotMeasured.AMBIGUOUS for each in windows):
        return windows
    return list(_in_turn(batches, replace(setup, about_pct=first.reading.elongation_pct)))


def _in_turn(batches: Sequence[Batch], setup: Setup) -> Iterator[Window]:
    last = None if setup.about_pct is None or not batches else Last(setup.about_pct, batches[0].t0_ns)
    for batch in batches:
        reading = convert(batch, drive=setup.drive, chain=setup.chain, baseline=setup.baseline, last=last)
        if reading.elongation_pct is not None:
            last = Last(reading.elongation_pct, reading.t_ns)
        yield Window(batch, reading, budget_of(batch, reading, setup))


def budget_of(batch: Batch, reading: Reading, setup: Setup) -> Budget | None:
    """Return what the uncertainty of a reading is made of; None where there is no elongation.

    Its combination is the reading's own `elongation_u_pct`.
    """
    lag = measure_lag(batch, setup.chain.pitches_in_loop)
    between = reading.pitches_between
    if isinstance(lag, NoLag) or between is None:
        return None
    drive, chain = setup.drive, setup.chain
    if setup.baseline is not None:
        new = new_pitches_by_baseline(setup.baseline)
    else:
        new = new_pitches_by_spacing(spacing_pitches(drive), drive.spacing_u_mm, chain.pitch_mm)
    seen_pct = elongation_pct(between, new.pitches)
    per_pitch = (100 + seen_pct) / between
    drift_u_pct = None if lag.drift_u_pitches is None else per_pitch * lag.drift_u_pitches
    return Budget(
        jitter_pct=per_pitch * lag.jitter_u_pitches,
        sample_pct=0.0
        if lag.whole_laps
        else sample_u_pct(lag.averaged, between, chain.pitches_in_loop, drift_u_pct, seen_pct),
        polygon_pct=per_pitch * polygon_u_pitches(drive, lag.pitches),
        delay_pct=per_pitch * delay_shift_pitches(drive, lag.period_s)[1],
        temperature_pct=temperature_correction_pct(drive, batch.temp_c, batch.mount_c)[1],
        load_pct=load_correction_pct(drive, batch.load_n)[1],
        spacing_pct=(100 + seen_pct) * new.spacing_u_pitches / new.pitches,
        start_pct=(100 + seen_pct) * new.start_u_pitches / new.pitches,
    )


def own_u_pct(budget: Budget) -> float:
    """Return the standard uncertainty that a window has for itself, which the others do not share, per cent."""
    return math.hypot(*(getattr(budget, name) for name in RANDOM_TERMS))


# The links ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Links:
    """The map of the chain that the capture gives, and what is wrong with it.

    `link_map` is None where too little was seen; `laps` says how much. `lost`: how often the place on the map was lost.
    """

    link_map: LinkMap | None
    faults: list[Finding]
    laps: float
    lost: int


def mapped(windows: Sequence[Window], setup: Setup, mean_pct: float) -> Links | None:
    """Return the map of the links, folded from all windows with an elongation; None where the loop is not known.

    Joint 0 is the first one that the capture shows at `up`.

    Args:
        windows: of `measured`.
        setup: with the pitches in the loop.
        mean_pct: mean elongation over the capture.
    """
    pitches = setup.chain.pitches_in_loop
    if pitches is None or pitches < PITCHES_MIN:
        return None
    chain_map, lost = begin(pitches), 0
    for run in _runs(windows):
        t0_ns = run[0].batch.t0_ns
        chain_map, folded = fold(
            chain_map,
            up_s=np.concatenate([_seconds(each.batch, each.batch.up, t0_ns) for each in run]),
            down_s=np.concatenate([_seconds(each.batch, each.batch.down, t0_ns) for each in run]),
            t0_ns=t0_ns,
            pitches_between=float(np.mean([each.reading.pitches_between for each in run])),
        )
        lost += folded.lost
    link_map = map_of(chain_map, mean_pct, setup.drive.driver_teeth)
    faults = faults_of(link_map, setup.chain.pitch_mm) if link_map is not None else []
    return Links(link_map=link_map, faults=faults, laps=chain_map.known.laps, lost=lost)


def _runs(windows: Sequence[Window]) -> Iterator[list[Window]]:
    """Yield the windows with an elongation, those that follow each other without a gap together: edges cost joints."""
    run: list[Window] = []
    for each in windows:
        between, batch = each.reading.pitches_between, each.batch
        if between is None or between <= 1 or batch.reduced is not None:
            continue
        follows = run and run[-1].batch.span_ns is not None and run[-1].batch.end_ns == batch.t0_ns
        if run and (not follows or len(run) == RUN_MAX):
            yield run
            run = []
        run.append(each)
    if run:
        yield run


def _seconds(batch: Batch, ticks: Ticks, t0_ns: int) -> Floats:
    return np.multiply(ticks, batch.tick_ns * 1e-9) + (batch.t0_ns - t0_ns) * 1e-9


# Together -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """Change of the elongation with time, per cent an hour, and its standard uncertainty."""

    pct_per_h: float
    u_pct_per_h: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """What the windows that gave an elongation say together."""

    elongation_pct: float
    u_pct: float
    terms: dict[str, float]  # standard uncertainties by name, per cent; their root of squares is u_pct
    windows: int  # that gave an elongation
    pitches: int  # averaged in all
    trend: Trend | None
    up_alternation: tuple[float, float] | None  # elongation by it and standard uncertainty, per cent
    down_alternation: tuple[float, float] | None


def summarise(windows: Sequence[Window]) -> Summary | None:
    """Return the mean over the windows that gave an elongation, each weighing as many pitches as it averaged; None without.

    What differs from window to window (jitter, links not seen) averages out, and counts as much as the windows scatter
    where that is more (JCGM 100:2008, 4.2.3: standard deviation of the mean); what is the same in all of them
    (spacing, polygon, temperature, load) does not.
    """
    good = [(each, each.budget) for each in windows if each.budget is not None]
    if not good:
        return None
    weights = np.array([float(each.reading.pitches_averaged) for each, _ in good])
    weights /= weights.sum()
    values = np.array([each.reading.elongation_pct for each, _ in good], np.float64)
    mean = float(weights @ values)
    terms = {field.name: float(weights @ _terms(good, field.name)) for field in fields(Budget)}
    for name in RANDOM_TERMS:
        terms[name] = float(np.sqrt(np.square(weights * _terms(good, name)).sum()))
    stated = math.hypot(*(terms[name] for name in RANDOM_TERMS))
    effective = 1 / float(np.square(weights).sum())  # windows of equal weight that say as much
    scatter = (
        math.sqrt(float(weights @ np.square(values - mean)) / (effective - 1)) if effective > 1.5 else 0.0
    )
    terms["scatter_pct"] = math.sqrt(max(0.0, scatter**2 - stated**2))
    return Summary(
        elongation_pct=mean,
        u_pct=math.hypot(*terms.values()),
        terms=terms,
        windows=len(good),
        pitches=sum(each.reading.pitches_averaged for each, _ in good),
        trend=_trend(good, values),
        up_alternation=_alternation(good, weights, "up"),
        down_alternation=_alternation(good, weights, "down"),
    )


def _terms(good: Sequence[tuple[Window, Budget]], name: str) -> Floats:
    return np.array([getattr(budget, name) for _, budget in good], np.float64)


def _trend(good: Sequence[tuple[Window, Budget]], values: Floats) -> Trend | None:
    """Return the slope of a straight line by least squares, all windows alike.

    Its standard uncertainty is that of the windows' own, or of their scatter about the line where that is more.
    """
    middles = np.array([(each.batch.t0_ns + each.reading.t_ns) / 2 for each, _ in good])
    hours = (middles - middles.mean()) / 3.6e12
    spread = float(hours @ hours)
    if len(good) < TREND_WINDOWS_MIN or spread == 0:
        return None
    slope = float(hours @ values) / spread
    rest = values - values.mean() - slope * hours
    stated = float(np.mean([own_u_pct(budget) ** 2 for _, budget in good]))
    variance = max(float(rest @ rest) / (len(good) - 2), stated)
    return Trend(pct_per_h=slope, u_pct_per_h=math.sqrt(variance / spread))


def _alternation(
    good: Sequence[tuple[Window, Budget]], weights: Floats, sensor: str
) -> tuple[float, float] | None:
    """Return the mean elongation by alternation of one sensor; its uncertainty is that of one window, on the mean.

    What new links show of it is the same in all windows, and most of it.
    """
    both = [
        (
            getattr(each.reading, f"{sensor}_alternation_pct"),
            getattr(each.reading, f"{sensor}_alternation_u_pct"),
        )
        for each, _ in good
    ]
    if any(value is None or u is None for value, u in both):
        return None
    values, uncertainties = np.array(both, np.float64).T
    return float(weights @ values), float(weights @ uncertainties)
