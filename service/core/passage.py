"""Stretches of a batch told apart joint by joint: what a map of the chain is folded from.

Knows pulse times and the pitches between the sensors; must not know the loop, nor what is made of the values.
Unlike `train`, which fills in what was missed so that a mean can be taken, it keeps only joints that were seen.
"""

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from service.core.train import (
    GAP_PERIODS,
    Joints,
    Times,
    between,
    local_period,
    number_pulses,
    without_bounces,
)

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

PLACE, APART = 0, 1  # the two rows of values: see `Passage`
PULSES_MIN = 24  # of each sensor in one uninterrupted stretch
CLOCK_HALF = 12  # joints on each side that the clock is smoothed over
_CLEAN_RATIO = 1.25  # longest to shortest interval of a stretch in which every pulse is a joint
_OUT_OF_PLACE = 0.15  # pitches, by which a joint may be off the place its neighbours give it
_SLIP = 0.3  # pitches by which the pitches between change over _SLIP_JOINTS joints only where count was lost
_SLIP_JOINTS = 4
_SPEED_CHANGE = 0.01  # of the smoothed period from one pitch to the next; beyond, `place` is left out


def _smoothing(half: int) -> Floats:
    """Weights of the middle of a parabola fitted to 2 half + 1 even points (Savitzky and Golay 1964, from memory)."""
    i = np.arange(-half, half + 1, dtype=np.float64)
    weights = 3 * (3 * half**2 + 3 * half - 1 - 5 * i**2) / ((2 * half - 1) * (2 * half + 1) * (2 * half + 3))
    return np.asarray(weights)


CLOCK = _smoothing(CLOCK_HALF)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Passage:
    """One uninterrupted stretch of a batch, joint by joint. Joints count from the stretch's first pulse of `up`.

    Two rows of values, pitches. PLACE: by how much a joint is off its regular place when it passes `up`, on a clock that
    runs with the chain (the smoothed count of `up`). APART: how many pitches lie between the sensors when it passes
    `down`, less `pitches_between`.
    `joints`: of each row, shape (k,), (m,), which joint it is; `values`: the same shapes.
    """

    joints: tuple[Joints, Joints]
    values: tuple[Floats, Floats]
    first_s: float  # first and last pulse of `up`
    last_s: float
    passed: int  # pitches between these two

    @property
    def period_s(self) -> float:
        """Mean time from joint to joint."""
        return (self.last_s - self.first_s) / self.passed


def passages(up_s: Times, down_s: Times, pitches_between: float) -> list[Passage]:
    """The uninterrupted stretches of a batch in the order of time; none shorter than PULSES_MIN pulses of a sensor.

    Gaps of either sensor cut the batch; in each stretch the pulses are told apart (`number_pulses`), and where one of
    the sensors then lost count against the other it is cut again. Pulses that were missed give no values.

    Args:
        up_s: shape (n,), seconds, non-decreasing.
        down_s: shape (m,), seconds on the same clock, non-decreasing.
        pitches_between: N of this batch, right to 0.4 pitch over each stretch.
    """
    found: list[Passage] = []
    for stretch_up_s, stretch_down_s in _stretches(up_s, down_s):
        found += _passages_of(stretch_up_s, stretch_down_s, pitches_between)
    return found


def _stretches(up_s: Times, down_s: Times) -> list[tuple[Times, Times]]:
    """The batch cut at every gap of either sensor."""
    if min(len(up_s), len(down_s)) < PULSES_MIN:
        return []
    if _is_clean(up_s) and _is_clean(down_s):
        return [(up_s, down_s)]
    trains = np.unique(up_s), np.unique(down_s)  # two pulses in one tick are one
    edges = {float(min(t[0] for t in trains)), float(max(t[-1] for t in trains))}
    for times_s in trains:
        true_s = without_bounces(times_s)
        if len(true_s) < PULSES_MIN:
            return []
        gaps = np.flatnonzero(np.diff(true_s) > GAP_PERIODS * local_period(true_s))
        edges |= {*true_s[gaps].tolist(), *true_s[gaps + 1].tolist()}
    parts = [
        (between(trains[0], start_s, end_s), between(trains[1], start_s, end_s))
        for start_s, end_s in pairwise(sorted(edges))
    ]
    return [part for part in parts if min(map(len, part)) >= PULSES_MIN]


def _is_clean(times_s: Times) -> bool:
    intervals = times_s[1:] - times_s[:-1]
    shortest = float(intervals.min())
    return shortest > 0 and float(intervals.max()) <= _CLEAN_RATIO * shortest


def _numbered(times_s: Times) -> tuple[Times, Bools]:
    """One time for each joint, and whether the sensor saw it; both shape (k,).

    A pulse that `number_pulses` took for a stray because its neighbours do not bear it out may be a joint out of its
    place. What is one it cannot tell, but many laps can: it is put back if it is the only one near.
    """
    if _is_clean(times_s):
        return times_s, np.ones(len(times_s), dtype=bool)
    train = number_pulses(times_s)
    joint_s = train.times_s
    if train.missed == 0:
        return joint_s, np.ones(len(joint_s), dtype=bool)
    seen = np.isin(joint_s, times_s)  # pulses that were kept have their times to the last bit
    missing = np.flatnonzero(~seen)
    reach_s = _OUT_OF_PLACE * float(np.median(times_s[1:] - times_s[:-1]))
    first, last = (times_s.searchsorted(joint_s[missing] + side * reach_s) for side in (-1, 1))
    back = last - first == 1
    joint_s, seen = joint_s.copy(), seen.copy()
    joint_s[missing[back]] = times_s[first[back]]
    seen[missing[back]] = True
    return joint_s, seen


def _passages_of(up_s: Times, down_s: Times, pitches_between: float) -> list[Passage]:
    """The passages of one stretch: one, unless a sensor lost count in it."""
    if min(len(up_s), len(down_s)) < PULSES_MIN:
        return []
    (up_joint_s, up_seen), (down_joint_s, down_seen) = _numbered(up_s), _numbered(down_s)
    first, last = down_joint_s.searchsorted((up_joint_s[0], up_joint_s[-1]))
    if min(len(up_joint_s), last - first) < PULSES_MIN:
        return []
    inside_s = down_joint_s[first:last]
    before = np.minimum(up_joint_s.searchsorted(inside_s, side="right") - 1, len(up_joint_s) - 2)
    into = (inside_s - up_joint_s[before]) / (up_joint_s[before + 1] - up_joint_s[before])
    apart = before + into - np.arange(first, last)
    lost = np.flatnonzero(np.abs(apart[_SLIP_JOINTS:] - apart[:-_SLIP_JOINTS]) > _SLIP)
    if len(lost):
        sides = ((-math.inf, float(inside_s[lost[0]])), (float(inside_s[lost[0] + _SLIP_JOINTS]), math.inf))
        parts = [(between(up_s, *side), between(down_s, *side)) for side in sides]
        return [passage for part in parts for passage in _passages_of(*part, pitches_between)]
    seen = down_seen[first:last] & up_seen[before] & up_seen[before + 1]
    ahead = round(float(apart.mean()) - pitches_between)  # of the first joint of `down` over that of `up`
    places = _places(up_joint_s, up_seen)
    return [
        Passage(
            joints=(places[0], np.arange(first, last)[seen] + ahead),
            values=(places[1], apart[seen] - (ahead + pitches_between)),
            first_s=float(up_joint_s[0]),
            last_s=float(up_joint_s[-1]),
            passed=len(up_joint_s) - 1,
        )
    ]


def _places(times_s: Times, seen: Bools) -> tuple[Joints, Floats]:
    """Which joints, and by how many pitches each is off its regular place on the smoothed count; both shape (k,).

    The first and last CLOCK_HALF have no smoothed count, and where the speed changes fast it says nothing.
    """
    none = np.zeros(0, dtype=np.int64), np.zeros(0)
    if len(times_s) < 2 * CLOCK_HALF + PULSES_MIN:
        return none
    clock_s = np.convolve(times_s, CLOCK, "valid")
    rates_s = clock_s[1:] - clock_s[:-1]
    if float(rates_s.min()) <= 0:
        return none
    joints = np.arange(CLOCK_HALF, CLOCK_HALF + len(clock_s))
    inner_s = times_s[CLOCK_HALF:-CLOCK_HALF]
    good = seen[CLOCK_HALF:-CLOCK_HALF] & (inner_s > clock_s[0]) & (inner_s < clock_s[-1])
    change_s = np.abs(
        rates_s[CLOCK_HALF:] - rates_s[:-CLOCK_HALF]
    )  # over a window: one joint out of place is no speed
    for hasty in np.flatnonzero(change_s > _SPEED_CHANGE * CLOCK_HALF * rates_s[:-CLOCK_HALF]).tolist():
        good[hasty : hasty + CLOCK_HALF + 2] = False
    places = np.interp(inner_s[good], clock_s, joints) - joints[good]
    return joints[good], places
