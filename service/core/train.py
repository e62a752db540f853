"""The pulses of one sensor told apart: which is which joint, which are extra, which were missed.

Knows pulse times; must not know what is made of them (`lag`). For batches that are not clean: missed,
doubled and added pulses, ramps, and stops. Nothing here is averaged away: what is not sure is left out.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

Times = npt.NDArray[np.float64]
Joints = npt.NDArray[np.int64]

GAP_PERIODS = 4.5  # a longer interval is a stop or a lost stretch, not missed pulses
STEADY_CHANGE = 0.05  # relative change of the period from one pitch to the next
PHASE_JUMP = 0.15  # pitches, and so many times the median step more:
_PHASE_JUMP_SCATTER = 8.0
_COUNT = np.arange(4096.0)
_COUNT.setflags(write=False)
_MEDIAN_WIDTH = 15  # intervals in the running median: holds with 2 in 5 of them wrong
# Costs of the explanations of a pulse, as negative logarithms of their odds (a scale for choosing, not a claim).
_SPREAD = 0.06  # standard deviation of an interval of a sound worn chain, pitches
_MISSED_COST = 3.0  # odds of 1 in 20
_EXTRA_COST = 4.5
_BOUNCE_COST = 3.0  # an extra pulse within 0.3 pitch after another is common: contact bounce
_MISFIT_COST_MAX = 12.0
_OFF_PLACE = 0.04  # pitches that a pulse may be off the place its neighbours give it, or
_OFF_PLACE_SCATTER = 8.0  # so many times the median of all
_OFF_PLACE_JOINTS = 24  # fewer are too few to tell
_LOOK_BACK = 4  # pulses
_PLAIN_MISFIT = (
    0.2  # pitches, by which an interval may miss a whole number of joints without a second thought
)


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
    inner, outer = int(down_s.searchsorted(up_s[0])), int(down_s.searchsorted(up_s[-1]))
    phase: Times = np.interp(down_s[inner:outer], up_s, _count(len(up_s))) - _count(outer - inner)
    return phase


def _count(joints: int) -> Times:
    """0, 1, 2 ..., shape (joints,)."""
    return _COUNT[:joints] if joints <= len(_COUNT) else np.arange(float(joints))


def between(times_s: Times, start_s: float, end_s: float) -> Times:
    """The times from start_s to end_s, both included."""
    first, last = times_s.searchsorted((start_s, end_s + 1e-12))
    return times_s[first:last]


def local_period(times_s: Times) -> Times:
    """The time from joint to joint at each interval, shape (n - 1,), seconds: a running median of the intervals."""
    intervals = times_s[1:] - times_s[:-1]
    width = min(_MEDIAN_WIDTH, len(intervals) - (len(intervals) + 1) % 2)
    if width < 3:
        return np.full(len(intervals), np.median(intervals))
    half = width // 2
    padded = np.concatenate((intervals[half:0:-1], intervals, intervals[-2 : -half - 2 : -1]))
    windows = np.lib.stride_tricks.sliding_window_view(padded, width)
    return np.asarray(np.partition(windows, half, axis=1)[:, half])


def without_bounces(times_s: Times) -> Times:
    """The pulses less those that follow another within a quarter of the shorter interval beside them.

    A contact, or a gap set too near, gives a second pulse right after the true one; the first is kept. The shorter
    one counts, because beside missed pulses a sound interval is short against the longer.
    """
    intervals = times_s[1:] - times_s[:-1]
    beside = np.full(len(intervals), np.inf)
    beside[:-1] = intervals[1:]
    np.minimum(beside[1:], intervals[:-1], out=beside[1:])
    true = np.ones(len(times_s), dtype=bool)
    true[1:] = 4 * intervals >= beside
    return np.asarray(times_s[true])


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """A part of a batch in which the chain ran one way and steadily: both trains over the same time.

    `up_s`, `down_s`: shape (k,), (m,), seconds, on a clock that runs with the chain. Missed and extra pulses are
    those of the stretch between two gaps that the piece is part of.
    """

    up_s: Times
    down_s: Times
    up: Train
    down: Train


def steady_pieces(up_s: Times, down_s: Times, *, pulses_min: int) -> list[Piece]:
    """The steady parts of a batch, the one with most joints first; none shorter than `pulses_min`.

    Gaps of either sensor cut the batch into stretches; in each the pulses are numbered; where the speed
    changes too fast, or the phase jumps, the stretch is cut again.
    """
    pieces = []
    for start_s, end_s in _stretches(up_s, down_s):
        parts = between(up_s, start_s, end_s), between(down_s, start_s, end_s)
        if min(map(len, parts)) < pulses_min:
            continue
        up, down = map(number_pulses, parts)
        for first_s, last_s in _steady_runs(up.times_s, pulses_min):
            trains = between(up.times_s, first_s, last_s), between(down.times_s, first_s, last_s)
            if min(map(len, trains)) < pulses_min:
                continue
            pieces += [
                Piece(up_s=part_up_s, down_s=part_down_s, up=up, down=down)
                for part_up_s, part_down_s in _without_jumps(*_at_even_speed(*trains))
                if min(len(part_up_s), len(part_down_s)) >= pulses_min
            ]
    return sorted(pieces, key=lambda piece: len(piece.up_s), reverse=True)


def _stretches(up_s: Times, down_s: Times) -> list[tuple[float, float]]:
    """Start and end, in seconds, of each stretch that no gap of either sensor interrupts.

    Half a period more on each side keeps the other sensor's neighbours of the pulses on the very edge.
    """
    edges = {float(max(up_s[0], down_s[0])), float(min(up_s[-1], down_s[-1]))}
    for times_s in (up_s, down_s):
        true_s = without_bounces(
            times_s
        )  # a sensor that doubles every pulse has gaps in every joint otherwise
        gaps = np.flatnonzero(np.diff(true_s) > GAP_PERIODS * local_period(true_s))
        edges |= {*true_s[gaps].tolist(), *true_s[gaps + 1].tolist()}
    more_s = float(np.median(np.diff(up_s))) / 2
    return [(start_s - more_s, end_s + more_s) for start_s, end_s in pairwise(sorted(edges))]


def number_pulses(times_s: Times) -> Train:
    """The pulses of a stretch told apart: extra ones left out, missed ones filled in.

    The numbering is the one that explains all pulses at least cost, found by dynamic programming: from one
    kept pulse to the next a whole number of joints passed; misfit, missed and extra pulses each cost the
    negative logarithm of their odds. Where leaving out bounces makes every interval a whole number of joints,
    that numbering is the one, and found at once. A missed joint is filled in where the alternation of long and short
    links puts it.

    Args:
        times_s: shape (n,), seconds, non-decreasing, without gaps of GAP_PERIODS or more.
    """
    if len(times_s) < 3:
        return Train(times_s, 0, 0)
    true_s = without_bounces(times_s)
    if len(true_s) < 3:
        return Train(true_s, 0, len(times_s) - len(true_s))
    period_s = local_period(true_s)
    passed = (true_s[1:] - true_s[:-1]) / period_s
    steps = np.rint(passed)
    if (np.abs(passed - steps) <= _PLAIN_MISFIT).all() and (steps >= 1).all():
        kept_s, joints = true_s, np.concatenate(([0], np.cumsum(steps, dtype=np.int64)))
    else:
        at_pulse = np.minimum(true_s.searchsorted(times_s), len(period_s) - 1)
        kept_s, joints = _cheapest_numbering(times_s, period_s[at_pulse])
    filled_s = _filled(kept_s, joints)
    off = _off_their_place(filled_s)[joints]
    if off.any() and len(kept_s) - np.count_nonzero(off) >= 3:
        kept_s, joints = kept_s[~off], joints[~off]
        filled_s, joints = _filled(kept_s, joints - joints[0]), joints - joints[0]
    return Train(filled_s, len(filled_s) - len(joints), len(times_s) - len(kept_s))


def _filled(kept_s: Times, joints: Joints) -> Times:
    """A time for every joint: those missed are put where the alternation of long and short links has them."""
    every = np.arange(joints[-1] + 1)
    if len(every) == len(joints):
        return kept_s
    alternation = _alternation(kept_s, joints)
    filled_s: Times = np.interp(
        every + alternation * (every % 2), joints + alternation * (joints % 2), kept_s
    )
    return filled_s


def _off_their_place(times_s: Times) -> npt.NDArray[np.bool_]:
    """Which joints passed at a time that their neighbours do not bear out, shape (k,).

    A stray pulse near the place of a missed one is numbered like it. Against the mean of the joints two before and
    two after, which alternation leaves alone, it stands out from the scatter of the others.
    """
    off = np.zeros(len(times_s), dtype=bool)
    if len(times_s) < _OFF_PLACE_JOINTS:
        return off
    aside = times_s[2:-2] - (times_s[:-4] + times_s[4:]) / 2
    aside /= times_s[4:] - times_s[:-4]
    aside -= np.median(aside)
    size = np.abs(aside)
    allowed = max(_OFF_PLACE / 4, _OFF_PLACE_SCATTER * float(np.median(size)))
    beside = np.maximum(np.append(size[2:], (0, 0)), np.insert(size[:-2], 0, (0, 0)))
    off[2:-2] = (size > allowed) & (size > beside)  # its neighbours are put out by half as much
    return off


def _cheapest_numbering(times_s: Times, pulse_period: Times) -> tuple[Times, Joints]:
    """The pulses to keep, and the joint number of each from 0 on; both shape (k,).

    `pulse_period`: shape (n,), the time from joint to joint at each pulse, seconds.
    """
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
    return times_s[kept[::-1]], numbers - numbers[0]


def _alternation(kept_s: Times, joints: Joints) -> float:
    """By how much an odd joint sits late between its even neighbours, in pitches.

    The running median is that of the short links beside a long one, and of the long ones beside a short one: by it
    alone, long and short would come out twice as far apart. So it is smoothed by (1, 2, 1) / 4 first.
    """
    single = np.flatnonzero(np.diff(joints) == 1)
    if len(single) < 4:
        return 0.0
    period_s = local_period(kept_s)
    beside = np.concatenate((period_s[1:2], period_s, period_s[-2:-1]))
    lengths = (4 * np.diff(kept_s) / (beside[:-2] + 2 * period_s + beside[2:]))[single]
    odd = joints[single] % 2 == 1
    if odd.all() or not odd.any():
        return 0.0
    return float(lengths[~odd].mean() - lengths[odd].mean()) / 2


def _steady_runs(times_s: Times, pulses_min: int) -> list[tuple[float, float]]:
    """Start and end, in seconds, of each run of pulses in which the speed changes slowly enough."""
    pairs = times_s[2:] - times_s[:-2]  # two pitches: long and short links even out
    change = np.abs(pairs[2:] - pairs[:-2]) / (2 * np.minimum(pairs[2:], pairs[:-2]))
    runs = [(first, last + 3) for first, last in _runs(change <= STEADY_CHANGE)]
    return [
        (float(times_s[first]), float(times_s[last]))
        for first, last in runs
        if last - first + 1 >= pulses_min
    ]


def _runs(true: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Half-open runs of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], true, [False])).astype(np.int8)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def _at_even_speed(up_s: Times, down_s: Times) -> tuple[Times, Times]:
    """Both trains on a clock that runs with the chain, so that slow parts weigh no more than fast ones.

    The clock is the count of `up` joints, smoothed by (1, 2, 1) / 4, which takes out the alternation of long
    and short links; times are scaled back to seconds at the mean speed.
    """
    inner_s = (up_s[:-2] + 2 * up_s[1:-1] + up_s[2:]) / 4
    ends_s = (
        2 * inner_s[0] - inner_s[1],
        2 * inner_s[-1] - inner_s[-2],
    )  # in a straight line, to keep all pulses
    clock_s = np.concatenate((ends_s[:1], inner_s, ends_s[1:]))
    count = np.arange(len(clock_s)) * ((clock_s[-1] - clock_s[0]) / (len(clock_s) - 1))

    def on_clock(times_s: Times) -> Times:
        even_s: Times = np.interp(between(times_s, clock_s[0], clock_s[-1]), clock_s, count)
        return even_s

    return on_clock(up_s), on_clock(down_s)


def _without_jumps(up_s: Times, down_s: Times) -> list[tuple[Times, Times]]:
    """Both trains, cut where the phase jumps from one pulse to the next.

    It does where a joint was numbered wrongly (by a whole pitch: the place is lost there), and where the chain
    turned back (from f to 1 - f). A worn section changes it by no more than a few hundredths a pitch.
    """
    if min(len(up_s), len(down_s)) < 3:
        return []
    phase = phases(up_s, down_s)
    if len(phase) < 3:
        return []
    steps = np.abs(phase[2:] - phase[:-2])  # two apart: long and short links even out
    jumps = np.flatnonzero(steps > PHASE_JUMP + _PHASE_JUMP_SCATTER * np.median(steps))
    if len(jumps) == 0:
        return [(up_s, down_s)]
    inside_s = down_s[down_s.searchsorted(up_s[0]) : down_s.searchsorted(up_s[-1])]
    parts = np.split(inside_s, np.unique(np.concatenate((jumps + 1, jumps + 2))))
    return [(between(up_s, part_s[0], part_s[-1]), part_s) for part_s in parts]
