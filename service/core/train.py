"""The pulses of one sensor told apart: which is which joint, which are extra, which were missed.

Knows pulse times; must not know what is made of them (`lag`). For batches that are not clean: missed,
doubled and added pulses, ramps, and stops. Nothing here is averaged away: what is not sure is left out.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

Times = npt.NDArray[np.float64]

GAP_PERIODS = 4.5  # a longer interval is a stop or a lost stretch, not missed pulses
STEADY_CHANGE = 0.05  # relative change of the period from one pitch to the next
_MEDIAN_WIDTH = 15  # intervals in the running median: holds with 2 in 5 of them wrong
# Costs of the explanations of a pulse, as negative logarithms of their odds (a scale for choosing, not a claim).
_SPREAD = 0.06  # standard deviation of an interval of a sound worn chain, pitches
_MISSED_COST = 3.0  # odds of 1 in 20
_EXTRA_COST = 4.5
_BOUNCE_COST = 3.0  # an extra pulse within 0.3 pitch after another is common: contact bounce
_MISFIT_COST_MAX = 12.0
_LOOK_BACK = 4  # pulses


@dataclass(frozen=True, slots=True)
class Train:
    """The pulses of one sensor, told apart: one time for each joint in turn, those missed filled in.

    `times_s`: shape (k,), seconds, increasing; joint i of the stretch passed at times_s[i].
    """

    times_s: Times
    missed: int
    extra: int


def phases(up_s: Times, down_s: Times) -> Times:
    """The phase of each `down` pulse between its two `up` neighbours less its own number, in pitches.

    Shape (k,): constant but for scatter when the two sensors see the same joints.
    """
    inner, outer = down_s.searchsorted((up_s[0], up_s[-1]))
    phase: Times = np.interp(down_s[inner:outer], up_s, np.arange(len(up_s))) - np.arange(outer - inner)
    return phase


def between(times_s: Times, start_s: float, end_s: float) -> Times:
    """The times from start_s to end_s, both included."""
    first, last = times_s.searchsorted((start_s, end_s + 1e-12))
    return times_s[first:last]


def local_period(times_s: Times) -> Times:
    """The running median of the intervals, shape (n - 1,), seconds."""
    intervals = np.diff(times_s)
    width = min(_MEDIAN_WIDTH, len(intervals) - (len(intervals) + 1) % 2)
    if width < 3:
        return np.full(len(intervals), np.median(intervals))
    padded = np.pad(intervals, width // 2, mode="reflect")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1))


def longest_stretch(up_s: Times, down_s: Times) -> tuple[float, float]:
    """Start and end, in seconds, of the stretch with most pulses that no gap of either sensor interrupts."""
    edges = [max(up_s[0], down_s[0]), min(up_s[-1], down_s[-1])]
    for times_s in (up_s, down_s):
        gaps = np.flatnonzero(np.diff(times_s) > GAP_PERIODS * local_period(times_s))
        edges += [*times_s[gaps], *times_s[gaps + 1]]
    edges.sort()
    pulses = [len(between(up_s, *pair)) for pair in pairwise(edges)]
    best = int(np.argmax(pulses))
    period_s = float(np.median(np.diff(up_s)))
    # the pulses on its very edges belong to it; a little more on each side keeps the other sensor's neighbours
    return edges[best] - period_s / 2, edges[best + 1] + period_s / 2


def number_pulses(times_s: Times) -> Train:
    """The pulses of a stretch told apart: extra ones left out, missed ones filled in.

    The numbering is the one that explains all pulses at least cost, found by dynamic programming: from one
    kept pulse to the next a whole number of joints passed; misfit, missed and extra pulses each cost the
    negative logarithm of their odds. A missed joint is filled in where the alternation of long and short
    links puts it.

    Args:
        times_s: shape (n,), seconds, non-decreasing, without gaps of GAP_PERIODS or more.
    """
    if len(times_s) < 3:
        return Train(times_s, 0, 0)
    kept, joints = _cheapest_numbering(times_s)
    kept_s = times_s[kept]
    extra = len(times_s) - len(kept)
    every = np.arange(joints[-1] + 1)
    missed = len(every) - len(joints)
    if missed == 0:
        return Train(kept_s, 0, extra)
    alternation = _alternation(kept_s, joints)
    filled_s = np.interp(every + alternation * (every % 2), joints + alternation * (joints % 2), kept_s)
    return Train(filled_s, missed, extra)


def _cheapest_numbering(times_s: Times) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Which pulses to keep, and the joint number of each kept one from 0 on; both shape (k,)."""
    period = local_period(times_s)
    pulse_period = np.append(period, period[-1])
    closeness = np.diff(times_s, prepend=-np.inf) / pulse_period
    skip_until = np.concatenate(
        ([0.0], np.cumsum(np.where(closeness < 0.3, _BOUNCE_COST, _EXTRA_COST)))
    ).tolist()
    times, periods = times_s.tolist(), pulse_period.tolist()
    cost = list(skip_until[: len(times)])  # to start at this pulse, all before it extra
    came_from = [-1] * len(times)
    steps = [0] * len(times)
    for this in range(1, len(times)):
        for earlier in range(max(0, this - _LOOK_BACK), this):
            passed = (times[this] - times[earlier]) / periods[this]
            step = max(1, round(passed))
            through = (
                cost[earlier]
                + min((passed - step) ** 2 / (2 * _SPREAD**2), _MISFIT_COST_MAX)
                + _MISSED_COST * (step - 1)
                + skip_until[this]
                - skip_until[earlier + 1]
            )
            if through < cost[this]:
                cost[this], came_from[this], steps[this] = through, earlier, step
    total = skip_until[-1]
    ends = [cost[i] + total - skip_until[i + 1] for i in range(len(times))]
    at = min(range(len(ends)), key=ends.__getitem__)
    kept, joints = [], []
    while at >= 0:
        kept.append(at)
        joints.append(steps[at])
        at = came_from[at]
    numbers = np.cumsum(joints[::-1])
    return np.array(kept[::-1]), numbers - numbers[0]


def _alternation(kept_s: Times, joints: npt.NDArray[np.int64]) -> float:
    """By how much an odd joint sits late between its even neighbours, in pitches."""
    single = np.flatnonzero(np.diff(joints) == 1)
    if len(single) < 4:
        return 0.0
    lengths = np.diff(kept_s)[single] / local_period(kept_s)[single]
    odd = joints[single] % 2 == 1
    if odd.all() or not odd.any():
        return 0.0
    return float(lengths[~odd].mean() - lengths[odd].mean()) / 2


def steady_stretch(times_s: Times) -> tuple[float, float]:
    """Start and end, in seconds, of the longest stretch in which the speed changes slowly enough."""
    pairs = times_s[2:] - times_s[:-2]  # two pitches: long and short links even out
    change = np.abs(pairs[2:] - pairs[:-2]) / (2 * np.minimum(pairs[2:], pairs[:-2]))
    runs = _runs(change <= STEADY_CHANGE)
    if not runs:
        return 0.0, 0.0
    first, last = max(runs, key=lambda run: run[1] - run[0])
    return float(times_s[first]), float(times_s[last + 3])


def _runs(true: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Half-open runs of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], true, [False])).astype(np.int8)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def at_even_speed(up_s: Times, down_s: Times) -> tuple[Times, Times]:
    """Both trains on a clock that runs with the chain, so that slow parts weigh no more than fast ones.

    The clock is the count of `up` joints, smoothed by (1, 2, 1) / 4, which takes out the alternation of long
    and short links; times are scaled back to seconds at the mean speed.
    """
    clock_s = (up_s[:-2] + 2 * up_s[1:-1] + up_s[2:]) / 4
    count = np.arange(len(clock_s)) * ((clock_s[-1] - clock_s[0]) / (len(clock_s) - 1))

    def on_clock(times_s: Times) -> Times:
        even_s: Times = np.interp(between(times_s, clock_s[0], clock_s[-1]), clock_s, count)
        return even_s

    return on_clock(up_s), on_clock(down_s)


def without_slips(up_s: Times, down_s: Times) -> tuple[Times, Times]:
    """The longest stretch in which the phases keep to one whole number.

    A joint numbered wrongly shifts all later phases by one: the place is lost there.
    """
    if min(len(up_s), len(down_s)) < 3:
        return up_s, down_s
    steps = phases(up_s, down_s)
    if len(steps) < 3:
        return up_s, down_s
    turns = np.exp(2j * np.pi * steps)
    lag = float(np.angle(turns.sum())) / (2 * np.pi)
    whole = np.round(steps - lag)
    if (whole == whole[0]).all():
        return up_s, down_s
    edges = np.concatenate(([0], np.flatnonzero(np.diff(whole)) + 1, [len(whole)]))
    longest = int(np.argmax(np.diff(edges)))
    inside = down_s[down_s.searchsorted(up_s[0]) :][edges[longest] : edges[longest + 1]]
    return between(up_s, inside[0], inside[-1]), inside
