"""What a forecast is made from: the clock of one chain and its elongations against it, out of what was stored of it.

Knows stretches of time with counts and mean elongations, baselines and measurements by hand; must not know where they are
kept. Of a mean elongation only the uncertainty as a whole is stored. What of it scatters is taken from the values
themselves; the rest is common to all that rest on one baseline (JCGM 100:2008, 4.2 and 5.2, from memory).
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from service.core.drive import Baseline, baseline_at
from service.core.duty import DAYS_LEAST, Duty, Stop, learn_duty
from service.core.hand import HandElongation
from service.core.wear_clock import NS_PER_DAY, NS_PER_HOUR, Interval, WearClock, count_clock, days_of
from service.core.wear_state import Observation

Floats = npt.NDArray[np.float64]

OBSERVATIONS_MAX = 400  # of one chain; neighbours are joined beyond
UNHEARD_PIECES = 400  # into which time before the first and after the last stretch is cut at most
SCATTER_LEAST = 5  # second differences from which a scatter is told
SCATTER_FLOOR_PCT = 0.001  # nothing is read finer than this (our own)
SPEED_QUANTILE = 0.9  # of the mean speeds of stretches: what it runs at, for a mean holds stops too
YOUNG_U = 0.3  # relative standard uncertainty of a level that rests on less than DAYS_LEAST days (our own)
NO_BASELINE = "spacing"
BY_HAND = "hand"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """What was stored of one chain over (start_ns, end_ns]: joints passed, mean speed (stops included), elongation.

    elongation_pct: None where nothing was measured; u_pct: its standard uncertainty as a whole.
    """

    start_ns: int
    end_ns: int
    joints: float
    speed_m_s: float | None = None
    elongation_pct: float | None = None
    u_pct: float | None = None
    load_n: float | None = None

    @property
    def middle_ns(self) -> int:
        """Where its mean belongs."""
        return (self.start_ns + self.end_ns) // 2


def clock_of(
    stretches: Sequence[Stretch], *, fitted_ns: int, now_ns: int, pitch_mm: float
) -> WearClock | None:
    """Return the clock from when the chain was fitted until now; None where no joint was ever counted.

    Time in which nothing was heard, at the ends too, is filled in by what the drive usually does.
    """
    if not any(each.joints > 0 for each in stretches):
        return None
    ran_m_s = _running_speed(stretches)
    rows = [
        Interval(
            start_ns=each.start_ns,
            end_ns=each.end_ns,
            passages=each.joints,
            hours=_hours(each, ran_m_s, pitch_mm),
            load_n=each.load_n,
        )
        for each in stretches
    ]
    before = _unheard(fitted_ns, rows[0].start_ns)
    return count_clock([*before, *rows, *_unheard(rows[-1].end_ns, now_ns)])


def observations_of(
    stretches: Sequence[Stretch], clock: WearClock, baselines: Sequence[Baseline]
) -> list[Observation]:
    """Return the elongations by the sensors, at most OBSERVATIONS_MAX.

    One epoch is what rests on one baseline. A stretch in which a baseline was recorded is left out, for its mean rests on two.
    """
    by_epoch: dict[str, list[Stretch]] = {}
    for each in stretches:
        epoch = _epoch(baselines, each.end_ns)
        if each.elongation_pct is not None and each.u_pct and epoch == _epoch(baselines, each.start_ns):
            by_epoch.setdefault(epoch, []).append(each)
    together = math.ceil(sum(map(len, by_epoch.values())) / OBSERVATIONS_MAX)
    return [each for epoch, part in by_epoch.items() for each in _observed(part, clock, epoch, together)]


def hand_observation(t_ns: int, hand: HandElongation, clock: WearClock) -> Observation:
    """Return a measurement by hand. Tension and temperature are taken to be common to all of a chain."""
    common = math.hypot(hand.temperature_pct, hand.tension_pct)
    return Observation(
        clock=clock.clock_at(t_ns),
        t_ns=t_ns,
        hours=clock.hours_at(t_ns),
        elongation_pct=hand.elongation_pct,
        u_independent_pct=max(math.sqrt(max(hand.u_pct**2 - common**2, 0.0)), SCATTER_FLOOR_PCT),
        u_common_pct=common,
        epoch=BY_HAND,
        by_hand=True,
    )


def duty_of(clock: WearClock, heard_ns: int, zone: tzinfo, stops: Sequence[Stop] = ()) -> Duty | None:
    """Return what the drive usually does, learnt since it was first heard; None where it stood.

    With less than DAYS_LEAST whole days it is taken to go on as it did meanwhile, and that is uncertain by YOUNG_U.
    """
    days = [each for each in days_of(clock, zone) if each.start_ns >= heard_ns]
    if len(days) >= DAYS_LEAST:
        return learn_duty(days, stops=stops)
    last_ns = int(clock.t_ns[-1])
    heard_days = (last_ns - heard_ns) / NS_PER_DAY
    gained = float(clock.clock[-1]) - clock.clock_at(heard_ns)
    ran = float(clock.hours[-1]) - clock.hours_at(heard_ns)
    if heard_days <= 0 or gained <= 0:
        return None
    return Duty(
        clock_by_weekday=(gained / heard_days,) * 7,
        hours_by_weekday=(min(ran / heard_days, 24.0),) * 7,
        level_u=YOUNG_U,
        scatter=YOUNG_U,
        walk=0.0,
        weeks=heard_days / 7,
        stops=tuple(stops),
    )


def scatter_pct(values: Sequence[float] | Floats) -> float | None:
    """Return the standard deviation of values about a smooth course; None where there are too few.

    Second differences d of independent values have the variance 6 s^2; s = median(|d|) / 0.6745 / sqrt(6), which a step or
    an outlier does not move (median absolute deviation: Hampel, J. Am. Stat. Assoc. 69 (1974) 383, from memory).
    """
    differences = np.abs(np.diff(np.asarray(values, dtype=np.float64), 2))
    if len(differences) < SCATTER_LEAST:
        return None
    return float(np.median(differences)) / 0.6745 / math.sqrt(6)


def _observed(part: Sequence[Stretch], clock: WearClock, epoch: str, together: int) -> Iterator[Observation]:
    """One observation for so many neighbours, weighted by 1 / u^2; `part` by time, all measured."""
    middle_ns = np.array([each.middle_ns for each in part], dtype=np.int64)
    since = (middle_ns - clock.t_ns[0]).astype(np.float64)
    known = (clock.t_ns - clock.t_ns[0]).astype(np.float64)
    pct = np.array([each.elongation_pct for each in part], dtype=np.float64)
    whole = np.array([each.u_pct for each in part], dtype=np.float64)
    scatter = scatter_pct(pct)
    # Of a few values nobody knows how they scatter: half of the variance, either way (our own).
    alone = whole / math.sqrt(2) if scatter is None else np.minimum(scatter, whole)
    alone = np.maximum(alone, SCATTER_FLOOR_PCT)
    common = np.sqrt(np.maximum(whole**2 - alone**2, 0.0))
    group = np.arange(len(part)) // together
    weight = 1 / alone**2
    total = np.bincount(group, weight)
    columns = (np.interp(since, known, clock.clock), np.interp(since, known, clock.hours), pct, common)
    means = [(np.bincount(group, weight * each) / total).tolist() for each in columns]
    last_ns = middle_ns[np.append(np.flatnonzero(np.diff(group)), len(part) - 1)].tolist()
    independent = (1 / np.sqrt(total)).tolist()
    for t_ns, u_pct, at, hours, mean_pct, u_common_pct in zip(last_ns, independent, *means, strict=True):
        yield Observation(
            clock=at,
            t_ns=t_ns,
            hours=hours,
            elongation_pct=mean_pct,
            u_independent_pct=u_pct,
            u_common_pct=u_common_pct,
            epoch=epoch,
        )


def _epoch(baselines: Sequence[Baseline], t_ns: int) -> str:
    """What a reading of that time rests on: it was made with what had been recorded by then."""
    if not baselines:
        return NO_BASELINE
    found = baseline_at([each for each in baselines if each.recorded_ns <= t_ns], t_ns)
    return NO_BASELINE if found is None else f"{found.taken_ns}/{found.recorded_ns}"


def _running_speed(stretches: Sequence[Stretch]) -> float:
    speeds = [each.speed_m_s for each in stretches if each.joints > 0 and (each.speed_m_s or 0.0) > 0]
    return float(np.quantile(np.array(speeds, dtype=np.float64), SPEED_QUANTILE)) if speeds else 0.0


def _hours(stretch: Stretch, ran_m_s: float, pitch_mm: float) -> float:
    """Running hours: joints x p / v, no more than there are; where no speed is known, all of it if a joint passed."""
    most = (stretch.end_ns - stretch.start_ns) / NS_PER_HOUR
    if ran_m_s <= 0:
        return most if stretch.joints > 0 else 0.0
    return min(stretch.joints * pitch_mm / 1000 / ran_m_s / 3600, most)


def _unheard(start_ns: int, end_ns: int) -> list[Interval]:
    if end_ns <= start_ns:
        return []
    step = max(NS_PER_HOUR, -(-(end_ns - start_ns) // UNHEARD_PIECES))
    edges = [*range(start_ns, end_ns, step), end_ns]
    return [Interval(start_ns=start, end_ns=end, passages=None) for start, end in pairwise(edges)]
