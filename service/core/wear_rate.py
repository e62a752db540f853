"""How fast a chain wears, against its own past: elongation over what it ran, kept in few numbers for its whole life.

The chain's own clock is the way it ran: a drive that stands wears nothing, one that runs twice as fast wears twice as much
a day and nothing is wrong. Readings are gathered into bins of a day at least; old bins are joined two and two, so that a
life of years fits into `BINS_MAX`. The rate over the newest `RECENT` bins is held against that of all before them.

What must not be told as a risen rate, and is not: bedding-in, for it falls; noise, for the difference must be sure and
come to more than the readings' own uncertainty; a season's warmth or load, for the same reason.

Knows numbers in the order of time; must not know drives or who is told.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from service.core.trend import fit

DAY_NS = 86_400_000_000_000
BIN_NS = DAY_NS
BIN_READINGS = 3
RECENT = 14  # bins
BEFORE_MIN = 14  # bins before them: with less there is no past to hold against
BINS_MAX = 48
GAP_NS = DAY_NS // 4  # no longer is a chain taken to have run on between two readings
SURE = 4.0  # standard uncertainties of the difference of two rates
FLOOR_PCT = 0.02  # elongation that the risen rate must have added, at least


@dataclass(frozen=True, slots=True)
class Bin:
    """Readings of a day or more: how many, mean way run in km, mean elongation and uncertainty in per cent."""

    count: int
    km: float
    pct: float
    u_pct: float

    def joined(self, other: "Bin") -> "Bin":
        """Both as one, each weighted by its readings."""
        count = self.count + other.count
        a, b = self.count / count, other.count / count
        return Bin(
            count,
            a * self.km + b * other.km,
            a * self.pct + b * other.pct,
            a * self.u_pct + b * other.u_pct,
        )


@dataclass(frozen=True, slots=True)
class Past:
    """The wear of one chain so far. `open`: the bin that is being filled, since `open_ns`."""

    km: float = 0.0
    last_ns: int = 0  # of the newest reading that told whether it ran
    speed_m_s: float = 0.0  # then
    bins: tuple[Bin, ...] = ()
    open: Bin | None = None
    open_ns: int = 0


@dataclass(frozen=True, slots=True)
class Rates:
    """Per cent of elongation for each 1000 km: now and before, with standard uncertainties, and how much wear it added."""

    now: float
    now_u: float
    before: float
    before_u: float
    added_pct: float  # more than at the rate of before
    u_pct: float  # of the readings

    @property
    def ratio(self) -> float:
        """Now over before; a past that shows no wear counts as what it cannot be told from."""
        return self.now / max(self.before, 2 * self.before_u, 1e-12)

    @property
    def sure(self) -> bool:
        """Whether the rate has risen at all: beyond chance, and by more than readings can be off."""
        apart = self.now - self.before
        return apart > SURE * math.hypot(self.now_u, self.before_u) and self.added_pct > max(
            FLOOR_PCT, self.u_pct
        )


def ran(past: Past, t_ns: int, speed_m_s: float | None) -> Past:
    """Return the past after a reading at t_ns: the chain ran on from the last one at the mean speed of both.

    Args:
        past: before it.
        t_ns: later than the last one.
        speed_m_s: 0 for one that stands; None where the reading does not tell.
    """
    if speed_m_s is None:
        return past
    gap_ns = min(max(0, t_ns - past.last_ns), GAP_NS) if past.last_ns else 0
    km = past.km + gap_ns * 1e-12 * (past.speed_m_s + speed_m_s) / 2
    return replace(past, km=km, last_ns=t_ns, speed_m_s=speed_m_s)


def measured(past: Past, t_ns: int, pct: float, u_pct: float) -> tuple[Past, bool]:
    """Return the past with one more elongation in it, and whether that began a new bin, so that rates can be asked for."""
    new = Bin(1, past.km, pct, u_pct)
    if past.open is None:
        return replace(past, open=new, open_ns=t_ns), False
    if t_ns - past.open_ns < BIN_NS or past.open.count < BIN_READINGS:
        return replace(past, open=past.open.joined(new)), False
    return replace(past, bins=_kept((*past.bins, past.open)), open=new, open_ns=t_ns), True


def _kept(bins: tuple[Bin, ...]) -> tuple[Bin, ...]:
    """Not more than BINS_MAX: of those before the newest, two neighbours that hold the fewest readings are joined."""
    if len(bins) <= BINS_MAX:
        return bins
    old = bins[:-RECENT]
    at = min(range(len(old) - 1), key=lambda index: old[index].count + old[index + 1].count)
    return (*bins[:at], bins[at].joined(bins[at + 1]), *bins[at + 2 :])


def rates(past: Past) -> Rates | None:
    """Return the rate of wear now and before; None where there is too little of either."""
    recent, before = past.bins[-RECENT:], past.bins[:-RECENT]
    if len(before) < BEFORE_MIN or before[-1].km <= before[0].km or recent[-1].km <= recent[0].km:
        return None
    now, now_u = _slope(recent)
    earlier, earlier_u = _slope(before)
    span = (recent[-1].km - recent[0].km) / 1000
    return Rates(now, now_u, earlier, earlier_u, (now - earlier) * span, recent[-1].u_pct)


def _slope(bins: Sequence[Bin]) -> tuple[float, float]:
    km = np.array([each.km for each in bins]) / 1000
    columns = np.column_stack([km - km.mean(), np.ones(len(bins))])
    slope = fit(columns, np.array([each.pct for each in bins]))[0]
    return slope.value, slope.u


def to_row(past: Past) -> list[object]:
    """Return the past as JSON can hold it."""
    bins = [[each.count, each.km, each.pct, each.u_pct] for each in past.bins]
    last = None if past.open is None else [past.open.count, past.open.km, past.open.pct, past.open.u_pct]
    return [past.km, past.last_ns, past.speed_m_s, bins, last, past.open_ns]


def from_row(row: Sequence[object]) -> Past:
    """Return the past that `to_row` made a row of."""
    km, last_ns, speed, bins, last, open_ns = row
    return Past(
        km,  # type: ignore[arg-type]
        last_ns,  # type: ignore[arg-type]
        speed,  # type: ignore[arg-type]
        tuple(Bin(*each) for each in bins),  # type: ignore[attr-defined]
        None if last is None else Bin(*last),  # type: ignore[misc]
        open_ns,  # type: ignore[arg-type]
    )
