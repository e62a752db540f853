"""The clock of wear of a chain: joints passed, weighted by load where it is known, with running hours and laps beside it.

Knows counts over intervals of time; must not know elongations or dates to come. Wear goes with sliding distance and bearing
pressure (Archard; Holm, Electric Contacts (1946), and Archard, J. Appl. Phys. 24 (1953) 981, from memory): each joint slides
as far in each lap, so joints passed count the distance, and pull stands for the pressure. Time nobody saw is filled in
with what the drive usually does at that time of the week: a chain wears whether or not its device is heard.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Instants = npt.NDArray[np.int64]

NS_PER_HOUR = 3_600_000_000_000
NS_PER_DAY = 24 * NS_PER_HOUR
NS_PER_WEEK = 7 * NS_PER_DAY
MONDAY_NS = 4 * NS_PER_DAY  # the first Monday after the epoch, which was a Thursday
DAYS_MAX = 20_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """What was counted over (start_ns, end_ns]; `passages` None: nothing was heard, which is not the same as standing."""

    start_ns: int
    end_ns: int
    passages: float | None  # joints passed
    hours: float = 0.0  # of running
    load_n: float | None = None  # mean tension while running

    def __post_init__(self) -> None:
        if self.end_ns <= self.start_ns:
            raise ValueError(f"an interval must end ({self.end_ns}) after it starts ({self.start_ns})")
        if (self.passages is not None and not self.passages >= 0) or not self.hours >= 0:
            raise ValueError(f"passages {self.passages} and hours {self.hours} must not be below 0")


@dataclass(frozen=True, slots=True, kw_only=True)
class WearClock:
    """Counts since the chain was fitted, at instants. Arrays of shape (n,), none falling.

    clock: joints passed, weighted by load. joints: not weighted. hours: of running. filled_share: of the clock, filled in.
    load_n: the load at which a joint counts as one; None where no load was known.
    """

    t_ns: Instants
    clock: Floats
    joints: Floats
    hours: Floats
    filled_share: float
    load_n: float | None = None

    def clock_at(self, t_ns: int) -> float:
        """Return the clock at an instant, evenly between two, and held at the ends."""
        return _at(self.t_ns, self.clock, t_ns)

    def hours_at(self, t_ns: int) -> float:
        """Return the running hours at an instant."""
        return _at(self.t_ns, self.hours, t_ns)

    def laps_at(self, t_ns: int, pitches_in_loop: int) -> float:
        """Return the laps of the loop at an instant: joints passed by joints of the loop."""
        return _at(self.t_ns, self.joints, t_ns) / pitches_in_loop


@dataclass(frozen=True, slots=True, kw_only=True)
class DutyDay:
    """One local day of a drive: what the clock and the running hours gained."""

    start_ns: int
    end_ns: int
    weekday: int  # 0 Monday to 6 Sunday
    clock: float
    hours: float


def running_hours(passages: float, pitch_mm: float, speed_m_s: float) -> float:
    """Return how long it takes so many joints to pass at a mean speed, hours: passages x p / v."""
    if not (speed_m_s > 0 and pitch_mm > 0):
        raise ValueError(f"speed {speed_m_s:g} m/s and pitch {pitch_mm:g} mm must be above 0")
    return passages * pitch_mm / 1000 / speed_m_s / 3600


def count_clock(
    intervals: Iterable[Interval], *, load_n: float | None = None, exponent: float = 1.0
) -> WearClock:
    """Return the clock counted from intervals.

    A joint passed at pull F counts (F / F_ref)^exponent; where the load of an interval is not known, one. What is missing
    between two intervals, and intervals in which nothing was heard, are filled in by `_filled`.

    Args:
        intervals: at least one, in any order, not overlapping.
        load_n: F_ref; left out, the mean over the passages whose load is known.
        exponent: 1 by Archard.
    """
    rows = _with_gaps(sorted(intervals, key=lambda each: each.start_ns))
    known = [each.load_n is not None and each.passages is not None for each in rows]
    passages, hours, filled = _filled(rows)
    loads = np.array(
        [each.load_n if yes else np.nan for each, yes in zip(rows, known, strict=True)], dtype=np.float64
    )
    sure = np.array(known) & (passages > 0)
    if load_n is None and sure.any():
        load_n = float(passages[sure] @ loads[sure] / passages[sure].sum())
    weight = np.ones(len(rows))
    if load_n:
        weight[sure] = (np.maximum(loads[sure], 0.0) / load_n) ** exponent
    clock = _summed(passages * weight)
    return WearClock(
        t_ns=np.array([rows[0].start_ns, *(each.end_ns for each in rows)], dtype=np.int64),
        clock=clock,
        joints=_summed(passages),
        hours=_summed(hours),
        filled_share=float((passages * weight)[filled].sum() / clock[-1]) if clock[-1] > 0 else 0.0,
        load_n=load_n,
    )


def planned_clock(
    hours_by_weekday: Sequence[float], start_ns: int, end_ns: int, zone: tzinfo = UTC
) -> WearClock:
    """Return a clock in running hours as planned, for a drive whose joints nobody counts.

    Args:
        hours_by_weekday: seven, Monday first, 0 to 24 each.
        start_ns: when the chain was fitted.
        end_ns: later than that.
        zone: of the plant.
    """
    edges = local_midnights(start_ns, end_ns, zone)
    spans = np.diff(edges) / NS_PER_DAY
    weekdays = [weekday_of(int(edge), zone) for edge in edges[:-1]]
    hours = _summed(spans * np.array([hours_by_weekday[each] for each in weekdays]))
    return WearClock(t_ns=edges, clock=hours, joints=np.zeros(len(hours)), hours=hours, filled_share=1.0)


def days_of(clock: WearClock, zone: tzinfo = UTC) -> list[DutyDay]:
    """Return what each whole local day added to a clock, oldest first; the newest DAYS_MAX."""
    edges = local_midnights(int(clock.t_ns[0]), int(clock.t_ns[-1]), zone)[1:-1]
    gained = np.diff(np.interp(edges, clock.t_ns, clock.clock))
    ran = np.diff(np.interp(edges, clock.t_ns, clock.hours))
    return [
        DutyDay(
            start_ns=int(start),
            end_ns=int(end),
            weekday=weekday_of(int(start), zone),
            clock=float(more),
            hours=float(on),
        )
        for start, end, more, on in zip(edges[:-1], edges[1:], gained, ran, strict=True)
    ][-DAYS_MAX:]


def local_midnights(start_ns: int, end_ns: int, zone: tzinfo) -> Instants:
    """Return start, every local midnight between, and end; a change of the clocks makes a day of 23 or 25 hours."""
    day = datetime.fromtimestamp(start_ns // 10**9, tz=zone).date()
    edges = [start_ns]
    while len(edges) < DAYS_MAX:
        day += timedelta(days=1)
        midnight = int(datetime(day.year, day.month, day.day, tzinfo=zone).timestamp()) * 10**9
        if midnight >= end_ns:
            break
        if midnight > start_ns:
            edges.append(midnight)
    return np.array([*edges, end_ns], dtype=np.int64)


def weekday_of(t_ns: int, zone: tzinfo) -> int:
    """Return the local weekday of an instant, 0 Monday to 6 Sunday."""
    return datetime.fromtimestamp(t_ns // 10**9, tz=zone).weekday()


def _at(t_ns: Instants, values: Floats, at_ns: int) -> float:
    return float(np.interp(float(at_ns - int(t_ns[0])), (t_ns - t_ns[0]).astype(np.float64), values))


def _summed(steps: Floats) -> Floats:
    return np.concatenate(([0.0], np.cumsum(steps)))


def _with_gaps(rows: list[Interval]) -> list[Interval]:
    """The intervals with those that are missing put in, an hour or less each, so that each has its time of the week."""
    if not rows:
        raise ValueError("a clock needs at least one interval; wait for the first roll-up")
    joined = [rows[0]]
    for each in rows[1:]:
        if each.start_ns < joined[-1].end_ns:
            raise ValueError(
                f"the interval from {each.start_ns} overlaps the one before: give roll-ups of one resolution"
            )
        edge = joined[-1].end_ns
        step = max(NS_PER_HOUR, (each.start_ns - edge) // DAYS_MAX)
        while edge < each.start_ns:
            end = min(edge + step, each.start_ns)
            joined.append(Interval(start_ns=edge, end_ns=end, passages=None))
            edge = end
        joined.append(each)
    return joined


def _filled(rows: list[Interval]) -> tuple[Floats, Floats, npt.NDArray[np.bool_]]:
    """Passages and hours of each interval, and which were filled in with the mean of that hour of the week.

    An hour of the week that was never heard takes the mean of all.
    """
    span = np.array([(each.end_ns - each.start_ns) / NS_PER_HOUR for each in rows])
    middle = np.array([(each.start_ns + each.end_ns) // 2 for each in rows], dtype=np.int64)
    hour = ((middle - MONDAY_NS) % NS_PER_WEEK) // NS_PER_HOUR
    if np.median(span) > 2:
        hour = hour // 24
    unheard = np.array([each.passages is None for each in rows])
    passages = np.array([each.passages or 0.0 for each in rows])
    hours = np.array([0.0 if each.passages is None else each.hours for each in rows])
    heard_h = np.bincount(hour[~unheard], span[~unheard], 168)
    for values in (passages, hours):
        total = np.bincount(hour[~unheard], values[~unheard], 168)
        mean = float(total.sum() / heard_h.sum()) if heard_h.sum() else 0.0
        usual = np.where(heard_h > 0, total / np.where(heard_h > 0, heard_h, 1.0), mean)
        values[unheard] = usual[hour[unheard]] * span[unheard]
    return passages, hours, unheard
