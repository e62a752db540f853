"""Roll-ups and means of days from rows that were read, as the store in SQL makes them by its own means.

Knows what a roll-up is made of; must not know where rows come from. Sums are exact ones, rounded once (math.fsum), so that
neither the order of rows nor a second run shows in the result.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from math import fsum
from typing import Any, NamedTuple

from service.adapters.influx.lines import IDENTITY, Row, Weighted, text_of
from service.core.influence import DayMeans
from service.ports import Resolution, RollUp

_S = 1_000_000_000

Key = tuple[str, int, str | None]  # drive_id, end_ns, chain_id of a roll-up

# Columns that roll-ups of minutes are made from, and means of days; after time and IDENTITY.
MINUTE_COLUMNS = ("elongation_pct", "elongation_u_pct", "speed_m_s", "up_pulses")
DAY_COLUMNS = (*MINUTE_COLUMNS, "load_n", "temp_c")
_AT = 1 + len(IDENTITY)  # place of the first of them


def end_ns_of(t_ns: int, resolution: Resolution) -> int:
    """Return the end of the interval (end - resolution, end] that an instant falls into."""
    length_ns = resolution * _S
    return -(-t_ns // length_ns) * length_ns


def minutes_of(rows: Iterable[Row]) -> dict[Key, Weighted]:
    """Return the roll-ups of the minutes that rows with MINUTE_COLUMNS fall into. A chain changed within one gives two."""
    groups: dict[Key, list[Row]] = defaultdict(list)
    for row in rows:
        key = row.identity[0], end_ns_of(row.t_ns, Resolution.MINUTE), text_of(row.chain)
        groups[key].append(row)
    return {key: _minute(key, group) for key, group in groups.items()}


def _minute(key: Key, rows: list[Row]) -> Weighted:
    rows.sort(key=_in_time)
    pct, u_pct, speed, pulses = ([row.values[_AT + place] for row in rows] for place in range(4))
    known = [each for each in pct if each is not None]
    mean_u, with_u = _mean(u_pct)
    mean_speed, speeds = _mean(speed)
    rolled = _roll_up(
        key,
        _Elongations(_mean(pct)[0], known),
        (len(rows), len(known), sum(int(each or 0) for each in pulses)),
        mean_u,
        mean_speed,
    )
    return Weighted(rolled=rolled, speeds=speeds, with_u=with_u)


def _in_time(row: Row) -> tuple[int, int, int, str]:
    _drive_id, device_id, t0_ns, seq = row.identity
    return row.t_ns, t0_ns, seq, device_id


def longer_of(finer: Iterable[Weighted], resolution: Resolution) -> dict[Key, Weighted]:
    """Return the roll-ups of the longer intervals that others fall into: means weighted by what went into them."""
    groups: dict[Key, list[Weighted]] = defaultdict(list)
    for each in finer:
        one = each.rolled
        groups[one.drive_id, end_ns_of(one.end_ns, resolution), one.chain_id].append(each)
    return {key: _longer(key, group) for key, group in groups.items()}


def _longer(key: Key, group: list[Weighted]) -> Weighted:
    group.sort(key=lambda each: each.rolled.end_ns)
    rolled = [each.rolled for each in group]
    measured = sum(each.measured for each in rolled)
    speeds, with_u = (sum(getattr(each, name) for each in group) for name in ("speeds", "with_u"))
    last = [each.last_pct for each in rolled if each.last_pct is not None]
    least = [each.min_pct for each in rolled if each.min_pct is not None]
    most = [each.max_pct for each in rolled if each.max_pct is not None]
    mean = _weighted(((each.mean_pct, each.measured) for each in rolled), measured)
    made = _roll_up(
        key,
        _Elongations(mean, [*least, *most, *last[-1:]]),
        (sum(each.readings for each in rolled), measured, sum(each.pulses for each in rolled)),
        _weighted(((each.rolled.mean_u_pct, each.with_u) for each in group), with_u),
        _weighted(((each.rolled.mean_speed_m_s, each.speeds) for each in group), speeds),
    )
    return Weighted(rolled=made, speeds=speeds, with_u=with_u)


class _Elongations(NamedTuple):
    """The mean of some elongations, and some of them: least, greatest and last among these."""

    mean: float | None
    some: Sequence[float]


def _roll_up(
    key: Key,
    pct: _Elongations,
    counts: tuple[int, int, int],
    mean_u_pct: float | None,
    mean_speed_m_s: float | None,
) -> RollUp:
    readings, measured, pulses = counts
    return RollUp(
        drive_id=key[0],
        chain_id=key[2],
        end_ns=key[1],
        readings=readings,
        measured=measured,
        mean_pct=pct.mean,
        min_pct=float(min(pct.some)) if pct.some else None,
        max_pct=float(max(pct.some)) if pct.some else None,
        last_pct=float(pct.some[-1]) if pct.some else None,
        mean_u_pct=mean_u_pct,
        mean_speed_m_s=mean_speed_m_s,
        pulses=pulses,
    )


def _mean(values: Iterable[float | None]) -> tuple[float | None, int]:
    """Return the mean of those that are there, and how many these are."""
    known = [each for each in values if each is not None]
    return (fsum(known) / len(known) if known else None), len(known)


def _weighted(values: Iterable[tuple[float | None, int]], weight: int) -> float | None:
    if not weight:
        return None
    return fsum(value * part for value, part in values if value is not None) / weight


# Days


class Days:
    """Means by day, in UTC, and chain of rows with DAY_COLUMNS that come page by page: a page is added up and forgotten."""

    def __init__(self) -> None:
        self._days: dict[tuple[int, str], _Day] = defaultdict(_Day)

    def add(self, rows: Iterable[Row]) -> None:
        """Add up rows."""
        pages: dict[tuple[int, str], list[list[Any]]] = defaultdict(list)
        for row in rows:
            chain_id = text_of(row.chain)
            if chain_id is not None:
                pages[end_ns_of(row.t_ns, Resolution.DAY), chain_id].append(row.values[_AT:])
        for key, values in pages.items():
            self._days[key].add(values)

    def means(self) -> list[DayMeans]:
        """Return the means by end_ns, then chain_id."""
        return [self._days[key].means(*key) for key in sorted(self._days)]


class _Day:
    def __init__(self) -> None:
        self.readings = 0
        self.passages = 0
        self._sums: Mapping[str, _Sum] = defaultdict(_Sum)

    def add(self, values: list[list[Any]]) -> None:
        self.readings += len(values)
        self.passages += sum(int(each[3] or 0) for each in values)
        ran = [each for each in values if each[2] is not None and each[2] > 0]
        self._sums["elongation_pct"].add(each[0] for each in values)
        self._sums["u_pct"].add(each[1] for each in values)
        self._sums["running"].add(float(each[2] > 0) for each in values if each[2] is not None)
        self._sums["speed_m_s"].add(each[2] for each in ran)
        self._sums["load_n"].add(each[4] for each in ran)
        self._sums["temp_c"].add(each[5] for each in ran)

    def means(self, end_ns: int, chain_id: str) -> DayMeans:
        return DayMeans(
            end_ns=end_ns,
            chain_id=chain_id,
            readings=self.readings,
            measured=self._sums["elongation_pct"].count,
            passages=self.passages,
            **{name: each.mean for name, each in self._sums.items()},
        )


class _Sum:
    def __init__(self) -> None:
        self.count, self._total = 0, 0.0

    def add(self, values: Iterable[float | None]) -> None:
        known = [each for each in values if each is not None]
        self.count += len(known)
        self._total = fsum([self._total, *known])

    @property
    def mean(self) -> float | None:
        return self._total / self.count if self.count else None
