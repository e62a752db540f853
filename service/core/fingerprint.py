"""Which joint is which at both sensors: their order and the whole pitches between them, from the links' own lengths.

No two links of a chain are alike. The row of their lengths passes `up` first and `down` N joints later, so the place
where the two rows match gives N with its sign: below zero, `down` sees a link first, because plugs are exchanged or
the chain runs backwards. The lag shows only the part of N that is over; this shows the rest, on a new chain too, from
nothing that people have registered but the number of joints in the loop. With that, the rows of many laps are laid
on each other, and what differs from lap to lap fades.

What is common to both sensors at the same time (an eccentric sprocket, a motor that hunts) matches equally well N
joints later and N joints earlier; so each place is held against its opposite, and only the difference counts. Long
and short links in turn are taken out, as they match at every second place.

Knows pulse times; must not know what is registered, but for what it is asked about.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from service.core.train import Times, number_pulses, phases, without_bounces

GAP_PERIODS = 4.0  # a longer interval ends a run: how many joints passed in it is not known
CLEAN_RATIO = 1.3  # longest to shortest interval of a run in which no pulse is missing or extra
JOINTS_MIN = 60  # of a run
LOCAL_JOINTS = 24  # the speed is that over so many joints: what changes more slowly is no link
REACH = 500  # pitches: no two sensors stand further apart
NEAR = 1.5  # pitches from what is asked about
CLOSEST = 2.0  # pitches; what is common to both sensors matches there
STRENGTH_NEAR = 3.5  # times the scatter of the other places: once in 2000 by chance at one of two places
STRENGTH_FAR = 4.5  # anywhere: once in 1000 by chance among 300 places
LEAD = 1.3  # over the next best place
REPEATS = 6.0  # times the scatter of other lengths: once in a million by chance
MISCOUNT = 6  # joints by which somebody may have counted wrong
_SIGNAL_MIN = 0.01  # variance of the links over that of the switching place: less is not told from none
_LOUD = (
    3.0  # times its due power; a frequency beyond is no link but something that turns, and counts for less
)
_CLIP = 4.0  # scales at which a single interval is cut off

Run = tuple[Times, Times]  # pulse times of `up` and of `down` on one clock, seconds


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """The place at which the rows of links match best. `pitches`: N with its sign."""

    pitches: float
    strength: float  # over the scatter of the other places
    next_best: float  # the same of the best of these
    joints: int  # that were compared
    laps: float  # over which the rows were laid on each other
    sure: bool


def match_links(runs: Iterable[Run], pitches_in_loop: int, asked_pitches: float) -> Match | None:
    """Return the place at which the links' own lengths match; None without a run of a lap.

    The cross-correlation of the two rows of intervals, each frequency weighted as for finding a white row (the links)
    in the scatter of a difference of two switching places: S / (S + N)^2 (matched filter; Kay, Fundamentals of
    Statistical Signal Processing II, ch. 4 and 5, from memory), summed over the runs.

    Args:
        runs: pulses as they came; what is shorter than a lap counts for nothing.
        pitches_in_loop: joints of the chain.
        asked_pitches: N as registered. A match there, or exactly opposite, is believed sooner than one elsewhere.
    """
    rows = [row for run in runs for row in _rows(run, pitches_in_loop)]
    if not rows:
        return None
    reach = min(REACH, (pitches_in_loop - 1) // 2 - 1)
    over = rows[0].lag % 1.0
    places: Times = np.asarray(over + np.arange(-reach - 1, reach + 1), dtype=np.float64)
    height: Times = np.zeros(len(places))
    joints = sum(min(len(row.up), len(row.down)) for row in rows)
    for row in rows:
        height += _heights(row, places, pitches_in_loop, joints)
    gain = height - np.interp(-places, places, height)
    apart = np.abs(places) >= CLOSEST
    return _best(places[apart], gain[apart], asked_pitches, joints, joints / pitches_in_loop)


def repeating_joints(runs: Iterable[Run], asked_joints: int, teeth: Iterable[int] = ()) -> int | None:
    """Return after how many joints the links repeat, near the number asked about; None where nothing stands out.

    The row of intervals is laid on itself at every length from half to twice the one asked about (epoch folding, as
    in the search for periods): at the length of the loop the links add up, elsewhere they fade with the scatter. What
    else turns repeats too, so that only a miscount of a few joints is told, and no multiple of the teeth.

    Args:
        runs: pulses as they came; runs of less than eight laps count for nothing.
        asked_joints: of the chain, as registered.
        teeth: of the sprockets that are known.
    """
    rows = [each for run in runs for row in _rows(run, 8 * asked_joints) for each in (row.up, row.down)]
    if not rows:
        return None
    lengths = range(max(8, asked_joints // 2), 2 * asked_joints + 1)
    power = np.array([sum(_power(row, length) for row in rows) for length in lengths])
    power -= np.median(power)
    turning = [each for each in teeth if each > 0]
    near = {
        length: float(power[length - lengths[0]])
        for length in lengths
        if abs(length - asked_joints) <= MISCOUNT
        and (length == asked_joints or all(length % z for z in turning))
    }
    best = max(near, key=near.__getitem__)
    next_best = max(value for length, value in near.items() if length != best)
    stands_out = near[best] > max(REPEATS * 1.4826 * float(np.median(np.abs(power))), LEAD * next_best)
    return best if stands_out else None


def _power(row: Times, length: int) -> float:
    """How far the variance of a row laid on itself is above that of mere scatter, in standard deviations."""
    laps = len(row) // length
    laid = row[: laps * length].reshape(laps, length).mean(axis=0)
    return (float((laid * laid).mean()) * laps / float((row * row).mean()) - 1) * math.sqrt(length / 2)


@dataclass(frozen=True, slots=True)
class _Row:
    """Intervals of both sensors over their local mean, less 1: `down`'s first one begins `lag` joints after `up`'s.

    That is at the same time: the joint itself comes N later.
    """

    up: Times
    down: Times
    lag: float


def _rows(run: Run, joints_min: int) -> list[_Row]:
    """The rows of a run, cut where either sensor has a gap; none shorter than a lap."""
    found = []
    for up_pulses_s, down_pulses_s in _unbroken(*run, joints_min=joints_min):
        up_s, down_s = _joints(up_pulses_s), _joints(down_pulses_s)
        first, last = down_s.searchsorted((up_s[0], up_s[-1]))
        if min(len(up_s), last - first) <= joints_min:
            continue
        lag = float(np.median(phases(up_s, down_s)))
        found.append(_Row(_intervals(up_s), _intervals(down_s[first:last]), lag))
    return found


def _unbroken(up_s: Times, down_s: Times, *, joints_min: int) -> list[Run]:
    """The parts of a run between gaps of either sensor that hold enough pulses."""
    least = max(JOINTS_MIN, joints_min // 2)  # of pulses; half of them may be missed
    if min(len(up_s), len(down_s)) < least:
        return []
    edges = {-math.inf, math.inf}
    for times_s in (up_s, down_s):
        true_s = without_bounces(times_s)
        intervals = np.diff(true_s)
        gaps = np.flatnonzero(intervals > GAP_PERIODS * float(np.median(intervals)))
        edges |= {(float(true_s[gap]) + float(true_s[gap + 1])) / 2 for gap in gaps.tolist()}
    cuts = sorted(edges)
    parts = [(_within(up_s, *ends), _within(down_s, *ends)) for ends in pairwise(cuts)]
    return [part for part in parts if min(map(len, part)) >= least]


def _within(times_s: Times, start_s: float, end_s: float) -> Times:
    return times_s[slice(*times_s.searchsorted((start_s, end_s)).tolist())]


def _joints(times_s: Times) -> Times:
    """One time for each joint."""
    intervals = np.diff(times_s)
    if float(intervals.max()) <= CLEAN_RATIO * float(intervals.min()):
        return times_s
    return number_pulses(without_bounces(times_s)).times_s


def _intervals(times_s: Times) -> Times:
    """Intervals over the local mean, less 1, without long and short in turn, outliers cut off; shape (k - 1,)."""
    half = LOCAL_JOINTS // 2
    steps = np.arange(len(times_s) - 1)
    first = np.clip(steps - half, 0, len(times_s) - 1 - 2 * half)
    local_s = (times_s[first + 2 * half] - times_s[first]) / (2 * half)
    row: Times = np.diff(times_s) / local_s - 1
    for turn in (0, 1):
        row[turn::2] -= row[turn::2].mean()
    most = _CLIP * 1.4826 * float(np.median(np.abs(row)))
    return np.clip(row, -most, most)


def _heights(row: _Row, places: Times, pitches_in_loop: int, joints: int) -> Times:
    """How well the two rows match at each place, shape of `places`.

    `joints`: of all runs. Scatter fades over the laps of a run, and as the root over those of the others.
    """
    signal, noise = _variances(row)
    noise *= pitches_in_loop / math.sqrt(len(row.down) * joints)
    up, down = _laid_on_each_other(row.up, pitches_in_loop), _laid_on_each_other(row.down, pitches_in_loop)
    size = pitches_in_loop
    angle = 2 * np.pi * np.arange(size // 2 + 1) / size
    power = signal + 2 * noise * (1 - np.cos(angle))
    cross = np.conj(np.fft.rfft(down, size)) * np.fft.rfft(up, size)
    power = np.maximum(power, np.abs(cross) / (_LOUD * size))
    weight = signal / power**2
    weight[angle < 2 * np.pi / LOCAL_JOINTS] = 0
    match = np.fft.irfft(cross * weight, size)
    shift = np.rint(row.lag - places).astype(int)  # `up` index of a joint less its `down` index
    return np.asarray(match[shift % size], dtype=np.float64)


def _variances(row: _Row) -> tuple[float, float]:
    """Variance of the links and of one switching place, pitches squared, from the intervals and their neighbours.

    An interval is a link plus the difference of two switching places: neighbours share one, with opposite signs.
    """
    rows = row.up, row.down
    variance = sum(float((each * each).mean()) for each in rows) / 2
    shared = sum(float((each[1:] * each[:-1]).mean()) for each in rows) / 2
    noise = max(-shared, 1e-3 * variance, 1e-18)
    return max(variance - 2 * noise, _SIGNAL_MIN * noise), noise


def _laid_on_each_other(row: Times, length: int) -> Times:
    """The mean of a row over its laps, shape (length,)."""
    at = np.arange(len(row)) % length
    return np.asarray(np.bincount(at, row, length) / np.bincount(at, minlength=length))


def _best(places: Times, gain: Times, asked_pitches: float, joints: int, laps: float) -> Match | None:
    """The highest place and how far it stands out; None where nothing does at all."""
    scatter = 1.4826 * float(np.median(np.abs(gain)))
    if not scatter > 0:
        return None
    at = int(np.argmax(gain))
    place, strength = float(places[at]), float(gain[at]) / scatter
    next_best = float(np.delete(gain, at).max()) / scatter
    needed = STRENGTH_NEAR if abs(abs(place) - asked_pitches) <= NEAR else STRENGTH_FAR
    return Match(
        pitches=place,
        strength=strength,
        next_best=next_best,
        joints=joints,
        laps=laps,
        sure=strength >= needed and strength >= LEAD * next_best,
    )
