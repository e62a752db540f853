"""The lag of one batch: the fraction of a pitch by which `down` trails `up`, from pulse times alone.

Knows pulse times and pitches as counts; must not know lengths, elongation or what the lag was before.

The idea. Each sensor's pulses draw a staircase of joints counted against time; joined knot to knot it is
a line that rises by one for each joint. At any instant the two lines are apart by the number of pitches
between the sensors, less a whole number that pulses cannot show. The lag is the mean of that difference,
each line integrated exactly, over an even number of pitches or over whole laps. The mean is a ratio of sums
of pulse times, so it reaches the Cramér-Rao bound; long and short links, which alternate in a worn chain,
and steady acceleration shift both lines alike and leave it alone.

Clean batches take the short way. Where pulses were missed, doubled or added, or the speed changed, the
pulses are first told apart and numbered (`Train`), and a batch with a stop in it is cut to its longest
steady stretch.
"""

import math
from dataclasses import dataclass

import numpy as np

from service.core.alternation import Alternation, measure_alternation
from service.core.batch import Batch, Reduced, Ticks
from service.core.not_measured import NotMeasured
from service.core.train import Times, phases, steady_pieces

PITCHES_MIN = 16  # fewer averaged pitches give no lag
COHERENCE_MIN = 0.9  # about 0.07 pitch of scatter from pulse to pulse; below, they share no lag
FAR_TICKS = 2**40  # later, a pulse is too far from t0 for float64 to keep its digits
CLEAN_RATIO = 1.15  # longest to shortest interval of a batch without missed pulses, extra pulses or ramps
BLOCK = 8  # pitches in one block of the drift along the chain
PIECES_MAX = 6  # steady pieces of one batch that are held against each other
PIECES_APART = 0.05  # pitches by which two of them may differ
PERIODS_AGREE = 1.25  # more, and the two sensors do not see the same joints


@dataclass(frozen=True, slots=True)
class SensorCount:
    """Pulses of one sensor: as received, and those missed and extra within the measured stretch."""

    pulses: int
    missed: int = 0
    extra: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Lag:
    """The lag of a batch, in pitches, with what its uncertainty is made of.

    `pitches`: 0 <= lag < 1. `jitter_u_pitches`: standard uncertainty from the scatter of the pulses and the tick.
    `drift_u_pitches`: standard deviation of the lag's slow changes along the chain, for the mean of a block of
    `BLOCK` pitches; None where the batch has too few blocks to tell.
    """

    pitches: float
    jitter_u_pitches: float
    drift_u_pitches: float | None
    period_s: float  # mean time from joint to joint
    coherence: float
    averaged: int
    whole_laps: int
    up: SensorCount
    down: SensorCount
    up_alternation: (
        Alternation | None
    )  # of long and short intervals; None for a batch that the device reduced
    down_alternation: Alternation | None


@dataclass(frozen=True, slots=True, kw_only=True)
class NoLag:
    """A batch without a lag, and why."""

    reason: NotMeasured
    period_s: float | None
    coherence: float | None
    up: SensorCount
    down: SensorCount


Counts = tuple[SensorCount, SensorCount]  # of `up` and of `down`


def measure_lag(batch: Batch, pitches_in_loop: int | None) -> Lag | NoLag:
    """Return the lag of a batch, or why it has none.

    Args:
        batch: pulses of both sensors on one clock, or the device's own means (`lag` form).
        pitches_in_loop: length of the chain, so that the mean can be taken over whole laps.

    Source: DEVELOPERS.md, "From pulses to lag".
    """
    if batch.reduced is not None:
        return _lag_of_reduced(batch.reduced, batch.direction)
    counts = SensorCount(len(batch.up)), SensorCount(len(batch.down))
    reason = _why_not_enough(batch)
    if reason is not None:
        return _no_lag(reason, counts)
    tick_s = batch.tick_ns * 1e-9
    up, down = batch.up, batch.down
    if not (_is_clean(up) and _is_clean(down)) or max(up[-1], down[-1]) > FAR_TICKS:
        origin = min(up[0], down[0])  # in ticks, so that no digit of the times is lost to a far t0
        return _lag_of_rough(
            np.multiply(up - origin, tick_s), np.multiply(down - origin, tick_s), tick_s, pitches_in_loop
        )
    return _lag_of_trains(np.multiply(up, tick_s), np.multiply(down, tick_s), counts, tick_s, pitches_in_loop)


def _why_not_enough(batch: Batch) -> NotMeasured | None:
    """The reason for which the pulse counts alone rule a lag out, if any."""
    fewest, most = sorted((len(batch.up), len(batch.down)))
    if batch.direction < 0:
        return NotMeasured.REVERSED
    if most <= 1:
        return NotMeasured.STOPPED
    if fewest <= most // 10 and most > PITCHES_MIN:
        return NotMeasured.SENSOR_SILENT
    if fewest <= PITCHES_MIN:
        return NotMeasured.TOO_FEW_PULSES
    return None


def _is_clean(ticks: Ticks) -> bool:
    """Whether no interval is so far from another that a pulse may be missing, extra, or the speed changed."""
    intervals = ticks[1:] - ticks[:-1]
    shortest = int(intervals.min())
    return shortest > 0 and int(intervals.max()) <= CLEAN_RATIO * shortest


def _lag_of_reduced(reduced: Reduced, direction: int) -> Lag | NoLag:
    """The lag that the device took itself: mean lag over mean period.

    Coherence is that of a wrapped normal, R = exp(-sigma^2 / 2) with sigma = 2 pi sd / period
    (Mardia & Jupp, Directional Statistics, section 3.5.7, from memory).
    """
    scatter = reduced.sd_us / reduced.period_us
    coherence = math.exp(-2.0 * (math.pi * scatter) ** 2)
    count = SensorCount(reduced.count)
    period_s = reduced.period_us * 1e-6
    reason = None
    if direction < 0:
        reason = NotMeasured.REVERSED
    elif reduced.count < PITCHES_MIN:
        reason = NotMeasured.TOO_FEW_PULSES
    elif coherence < COHERENCE_MIN:
        reason = NotMeasured.LOW_COHERENCE
    if reason is not None:
        return NoLag(reason=reason, period_s=period_s, coherence=coherence, up=count, down=count)
    return Lag(
        pitches=reduced.lag_us / reduced.period_us,
        jitter_u_pitches=scatter / math.sqrt(reduced.count),
        drift_u_pitches=None,
        period_s=period_s,
        coherence=coherence,
        averaged=reduced.count,
        whole_laps=0,
        up=count,
        down=count,
        up_alternation=None,
        down_alternation=None,
    )


def _lag_of_trains(
    up_s: Times,
    down_s: Times,
    counts: Counts,
    tick_s: float,
    pitches_in_loop: int | None,
    *,
    own_clock: bool = False,
) -> Lag | NoLag:
    """The lag of two trains that hold one time for each joint, from their longest common stretch.

    Scatter is taken between phases two apart, so that neither the alternation of long and short links nor a slow change
    along the chain is scatter. Coherence is the resultant length of phases that scatter so: R = exp(-sigma^2 / 2), sigma
    in radians, of a wrapped normal (Mardia & Jupp, Directional Statistics, 3.5.7, from memory). `own_clock`: the times are
    on the clock that `up` itself makes (`train`).
    """
    if not 1 / PERIODS_AGREE < _mean_period(up_s) / _mean_period(down_s) < PERIODS_AGREE:
        return _no_lag(NotMeasured.LOW_COHERENCE, counts)
    first = int(up_s.searchsorted(down_s[0]))
    last = int(up_s.searchsorted(down_s[-1], side="right")) - 1
    pitches, laps = _pitches_to_average(last - first, pitches_in_loop)
    if pitches < PITCHES_MIN:
        return _no_lag(NotMeasured.TOO_FEW_PULSES, counts)
    used_s = up_s[first : first + pitches + 1]
    period_s = float(used_s[-1] - used_s[0]) / pitches
    scatter = phases(used_s, down_s)
    steps = scatter[2:] - scatter[:-2]  # two apart: long and short links even out
    variance = float(steps.dot(steps)) / (2 * len(steps))
    coherence = math.exp(-2.0 * math.pi**2 * variance)
    if coherence < COHERENCE_MIN:
        return _no_lag(NotMeasured.LOW_COHERENCE, counts, period_s, coherence)
    lag_pitches = mean_pitches_apart(used_s, down_s) % 1.0
    return Lag(
        pitches=lag_pitches,
        jitter_u_pitches=_jitter_u(variance, lag_pitches, pitches, tick_s / period_s),
        drift_u_pitches=None if laps else _drift(scatter),
        period_s=period_s,
        coherence=coherence,
        averaged=pitches,
        whole_laps=laps,
        up=counts[0],
        down=counts[1],
        up_alternation=measure_alternation(used_s, own_clock=own_clock),
        down_alternation=measure_alternation(down_s),
    )


def _no_lag(
    reason: NotMeasured, counts: Counts, period_s: float | None = None, coherence: float | None = None
) -> NoLag:
    return NoLag(reason=reason, period_s=period_s, coherence=coherence, up=counts[0], down=counts[1])


def _pitches_to_average(available: int, pitches_in_loop: int | None) -> tuple[int, int]:
    """How many pitches to average over and how many whole laps these are (0: none).

    Whole laps weigh every link once. A lap with an odd number of pitches (cranked link) is taken in pairs
    where the batch holds them. Without laps, an even number weighs inner and outer links alike.
    """
    laps = available // pitches_in_loop if pitches_in_loop else 0
    if pitches_in_loop and pitches_in_loop % 2 and laps > 1:
        laps -= laps % 2
    if laps and pitches_in_loop:
        return laps * pitches_in_loop, laps
    return available - available % 2, 0


def mean_pitches_apart(up_s: Times, down_s: Times) -> float:
    """The mean difference of the two joint counts over the time from up_s[0] to up_s[-1], in pitches.

    Each count rises by one from pulse to pulse, in a straight line. Its integral over time is, by parts,
    (count at the end x end) - (count at the start x start) - (integral of time over the count), and the
    last is a sum of pulse times. Both counts start from 0 at their first pulse, so the result holds up to
    a whole number.

    Args:
        up_s: shape (m + 1,), seconds, increasing: the stretch to average over.
        down_s: shape (k,), seconds, increasing, with down_s[0] <= up_s[0] and up_s[-1] <= down_s[-1].

    Source: DEVELOPERS.md, "From pulses to lag".
    """
    start_s = float(up_s[0])
    end_s = float(up_s[-1])
    length_s = end_s - start_s
    pitches = len(up_s) - 1
    # first and last pulse of `down` inside the stretch, and the straight pieces that reach its ends
    inner = int(down_s.searchsorted(start_s, side="right"))
    outer = int(down_s.searchsorted(end_s)) - 1
    enter = (float(down_s[inner]) - start_s) / float(down_s[inner] - down_s[inner - 1])
    leave = (
        (end_s - float(down_s[outer])) / float(down_s[outer + 1] - down_s[outer])
        if outer + 1 < len(down_s)
        else 0.0
    )
    first_s, last_s = float(down_s[inner]) - start_s, float(down_s[outer]) - start_s
    up_time = float(up_s.sum()) - (pitches + 1) * start_s - length_s / 2
    down_time = (
        float(down_s[inner : outer + 1].sum())
        - (outer + 1 - inner) * start_s
        - (first_s + last_s) / 2
        + enter * first_s / 2
        + leave * (last_s + length_s) / 2
    )
    up_area = pitches * length_s - up_time
    down_area = (outer + leave) * length_s - down_time
    return (up_area - down_area) / length_s


def _jitter_u(variance: float, lag_pitches: float, pitches: int, tick_pitches: float) -> float:
    """Standard uncertainty of the mean lag from the variance of the phases and the tick, in pitches.

    A phase holds the scatter of one `down` pulse and of two `up` pulses weighted by its place between them,
    1 + f^2 + (1 - f)^2 of one sensor's variance; the mean holds 2 (Cramér-Rao bound: 2 sigma^2 / m).
    A tick is rectangular, q / sqrt(12) (JCGM 100:2008, F.2.2.1, from memory); with less scatter than that
    to dither it, it does not average out.
    """
    variance *= 2.0 / (1.0 + lag_pitches**2 + (1.0 - lag_pitches) ** 2)
    tick_variance = tick_pitches**2 / 6.0
    if variance >= tick_variance / 4:
        return math.sqrt(variance / pitches)
    return math.sqrt(variance / pitches + tick_variance)


def _drift(scatter: Times) -> float | None:
    """Standard deviation of block means of the phases, in pitches; None with fewer than three blocks."""
    blocks = len(scatter) // BLOCK
    if blocks < 3:
        return None
    means = scatter[: blocks * BLOCK].reshape(blocks, BLOCK).sum(axis=1) / BLOCK
    means -= float(means.sum()) / blocks
    return math.sqrt(float(means.dot(means)) / (blocks - 1))


def _lag_of_rough(up_s: Times, down_s: Times, tick_s: float, pitches_in_loop: int | None) -> Lag | NoLag:
    """The lag of a batch with missed, doubled or added pulses, with ramps, or with a stop in it.

    It is that of the longest steady piece; where another piece shows another lag, there is none.
    """
    counts = SensorCount(len(up_s)), SensorCount(len(down_s))
    true_up_s, true_down_s = np.unique(up_s), np.unique(down_s)  # two pulses in one tick are one
    if min(len(true_up_s), len(true_down_s)) <= PITCHES_MIN:
        return _no_lag(NotMeasured.TOO_FEW_PULSES, counts)
    pieces = steady_pieces(true_up_s, true_down_s, pulses_min=PITCHES_MIN + 1)
    if not pieces:
        return _no_lag(NotMeasured.SPEED_CHANGE, counts)
    lags = []
    for piece in pieces[:PIECES_MAX]:
        piece_counts = (
            SensorCount(len(up_s), piece.up.missed, piece.up.extra + len(up_s) - len(true_up_s)),
            SensorCount(len(down_s), piece.down.missed, piece.down.extra + len(down_s) - len(true_down_s)),
        )
        lags.append(
            _lag_of_trains(piece.up_s, piece.down_s, piece_counts, tick_s, pitches_in_loop, own_clock=True)
        )
    return _only_lag(lags)


def _only_lag(lags: list[Lag | NoLag]) -> Lag | NoLag:
    """The first lag if the others agree with it. A chain that ran backwards between shows the opposite lag."""
    first = lags[0]
    if isinstance(first, NoLag):
        return first
    for other in lags[1:]:
        if isinstance(other, NoLag):
            continue
        apart = PIECES_APART + 5 * math.hypot(first.jitter_u_pitches, other.jitter_u_pitches)
        if _round_the_pitch(first.pitches - other.pitches) > apart:
            opposite = _round_the_pitch(first.pitches + other.pitches) <= apart
            reason = NotMeasured.REVERSED if opposite else NotMeasured.LOW_COHERENCE
            return _no_lag(reason, (first.up, first.down), first.period_s, first.coherence)
    return first


def _round_the_pitch(pitches: float) -> float:
    """The distance from the nearest whole number, 0 to 1/2."""
    return abs(pitches - round(pitches))


def _mean_period(times_s: Times) -> float:
    return float(times_s[-1] - times_s[0]) / (len(times_s) - 1)
