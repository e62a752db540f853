"""A drive's readings over a range of time, at a resolution that suits the range; as rows, CSV and points to draw.

Knows the port Readings and which resolution suits which span; must not know HTTP.
"""

import csv
import io
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from service.adapters.web.chart import Point
from service.adapters.web.instants import SECOND_NS, rfc3339
from service.adapters.web.since import since_pct, since_u_pct
from service.core.drive import Baseline, baseline_at
from service.core.reading import Reading
from service.ports import Readings, Resolution, RollUp, Superseded

DAY_NS = 86_400 * SECOND_NS
ROWS_MAX = 50_000  # rows of one answer
CSV_CHUNK_ROWS = 1000
POINTS_MAX = 20_000  # rows of one resolution that a picture is made of
COUNTED_MAX = 10_000  # superseded readings that a page counts


class Span(StrEnum):
    """Resolution as people ask for it."""

    AUTO = "auto"
    RAW = "raw"
    MINUTE = "minute"
    HOUR = "hour"
    DAY = "day"


_ROLLED = {Span.MINUTE: Resolution.MINUTE, Span.HOUR: Resolution.HOUR, Span.DAY: Resolution.DAY}
_INTERVAL_NS = {Span.MINUTE: 60 * SECOND_NS, Span.HOUR: 3600 * SECOND_NS, Span.DAY: DAY_NS}
COLUMNS_OF_ONE = 4  # so many columns of a picture one roll-up may be wide before finer ones are drawn
# The finest resolution that gives some thousand rows: up to 6 h raw, a week by the minute, 400 d by the hour.
_AUTO = ((DAY_NS // 4, Span.RAW), (7 * DAY_NS, Span.MINUTE), (400 * DAY_NS, Span.HOUR))


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """Rows in the order of time; `truncated` where older ones were left out.

    `baselines`, by chain, are what the changes of roll-ups since the baseline are worked out by.
    """

    drive_id: str
    from_ns: int
    to_ns: int
    resolution: Span
    rows: Sequence[Reading | RollUp]
    truncated: bool
    baselines: Mapping[str, Sequence[Baseline]] = field(default_factory=dict)


def resolution_for(span_ns: int) -> Span:
    """Return the resolution that suits a span."""
    return next((found for longest_ns, found in _AUTO if span_ns <= longest_ns), Span.DAY)


def read_series(
    readings: Readings, drive_id: str, from_ns: int, to_ns: int, resolution: Span, rows_max: int = ROWS_MAX
) -> Series:
    """Return the readings or roll-ups of a drive with from_ns < time <= to_ns; the newest `rows_max` of them."""
    if resolution is Span.AUTO:
        resolution = resolution_for(to_ns - from_ns)
    rows: Sequence[Reading | RollUp]
    if resolution is Span.RAW:
        rows = readings.raw(drive_id, from_ns, to_ns, rows_max + 1)
    else:
        rows = readings.rolled(drive_id, from_ns, to_ns, _ROLLED[resolution], rows_max + 1)
    return Series(
        drive_id=drive_id,
        from_ns=from_ns,
        to_ns=to_ns,
        resolution=resolution,
        rows=rows[-rows_max:],
        truncated=len(rows) > rows_max,
    )


def drawn_at(span_ns: int, columns: int) -> Span:
    """Return the resolution at which a stretch of time is drawn so many columns wide.

    The longest interval that is at most COLUMNS_OF_ONE of them: some hundred to some ten thousand rows, whatever the stretch.
    """
    fits = (
        each for each in reversed(_INTERVAL_NS) if _INTERVAL_NS[each] * columns <= COLUMNS_OF_ONE * span_ns
    )
    return next(fits, Span.RAW)


def points_between(readings: Readings, drive_id: str, from_ns: int, to_ns: int, finest: Span) -> list[Point]:
    """Return the points to draw of a stretch of time that ends now or earlier.

    What is not kept any more at that resolution, or was too much for one query, is there at the next longer one.
    """
    order = [Span.RAW, *_INTERVAL_NS]
    found: list[Point] = []
    for each in order[order.index(finest) :]:
        # the interval that holds now ends in the future
        until_ns = min(found[0].t_ns, to_ns) if found else to_ns + _INTERVAL_NS.get(each, 0)
        series = read_series(readings, drive_id, from_ns, until_ns, each, POINTS_MAX)
        found = [*points(series, to_ns), *found]
    return found


def points(series: Series, last_ns: int) -> list[Point]:
    """Return the rows as points to draw. An interval that is not over yet stands at `last_ns`, which is now."""
    found = []
    for row in series.rows:
        if isinstance(row, RollUp):
            found.append(_of_roll_up(row, last_ns, _INTERVAL_NS[series.resolution]))
        else:
            e, u = row.elongation_pct, row.elongation_u_pct
            found.append(Point(row.t_ns, e, e, e, u, row.chain_id, 1, 0 if e is None else 1))
    return found


def _of_roll_up(row: RollUp, last_ns: int, of_ns: int) -> Point:
    end_ns = min(last_ns, row.end_ns)
    means = (row.mean_pct, row.min_pct, row.max_pct, row.mean_u_pct)
    return Point(end_ns, *means, row.chain_id, row.readings, row.measured, of_ns)


@dataclass(frozen=True, slots=True)
class Replaced:
    """Readings in whose place others were put at one time, for one reason."""

    at_ns: int
    why: str
    readings: int


def replaced(readings: Readings, drive_id: str, from_ns: int, to_ns: int) -> tuple[list[Replaced], bool]:
    """Return how many of a drive's readings others were put in place of, when and why, newest first; and whether all were counted."""
    found = readings.superseded(drive_id, from_ns, to_ns, COUNTED_MAX + 1)
    counts = Counter((each.at_ns, each.why) for each in found[-COUNTED_MAX:])
    groups = [Replaced(at_ns, why, count) for (at_ns, why), count in sorted(counts.items(), reverse=True)]
    return groups, len(found) <= COUNTED_MAX


# Rows as the API gives them: the time first, then numbers with their unit in the name.

RAW_FIELDS = (
    "elongation_pct", "elongation_u_pct", "since_pct", "since_u_pct", "reason", "pitches_between", "lag_pitches",
    "speed_m_s", "coherence", "pitches_averaged", "whole_laps", "up_pulses", "down_pulses", "up_missed",
    "down_missed", "up_extra", "down_extra", "temp_c", "mount_c", "load_n", "up_alternation_pct",
    "up_alternation_u_pct", "down_alternation_pct", "down_alternation_u_pct", "by_alternation", "polygon_taken_pct",
    "delay_taken_pct", "temperature_taken_pct", "load_taken_pct", "conversion",
)  # fmt: skip
RAW_INSTANTS = {"baseline_taken": "baseline_taken_ns", "baseline_recorded": "baseline_recorded_ns"}
RAW_SOURCE = ("chain_id", "device_id", "seq")
_RAW_HEAD = ("time", *RAW_FIELDS, *RAW_INSTANTS, *RAW_SOURCE, "t0")
SUPERSEDED_FIELDS = ("superseded", "why")
ROLLED_FIELDS = (
    "chain_id", "readings", "measured", "mean_pct", "min_pct", "max_pct", "last_pct", "mean_u_pct",
    "mean_speed_m_s", "pulses",
)  # fmt: skip
ROLLED_SINCE = ("mean_since_pct", "mean_since_u_pct")


def row_values(series: Series) -> Iterator[dict[str, Any]]:
    """Yield each row as the API gives it in JSON."""
    for row in series.rows:
        if isinstance(row, RollUp):
            values = {name: getattr(row, name) for name in ROLLED_FIELDS}
            since = dict(zip(ROLLED_SINCE, _since(row, series.baselines), strict=True))
            yield {"time": rfc3339(row.end_ns), **values, **since}
        else:
            yield reading_values(row)


def reading_values(reading: Reading) -> dict[str, Any]:
    """Return a reading as the API gives it in JSON."""
    values = {name: getattr(reading, name) for name in RAW_FIELDS}
    values |= {name: _told(getattr(reading, field)) for name, field in RAW_INSTANTS.items()}
    values |= {name: getattr(reading, name) for name in RAW_SOURCE}
    return {"time": rfc3339(reading.t_ns), **values, "t0": rfc3339(reading.t0_ns)}


def _told(ns: int | None, digits: int | None = None) -> str | None:
    return None if ns is None else rfc3339(ns, digits)


def _since(row: RollUp, baselines: Mapping[str, Sequence[Baseline]]) -> tuple[float | None, float | None]:
    """The change of a roll-up's mean since the baseline in force, with its standard uncertainty; None without one."""
    baseline = baseline_at(baselines.get(row.chain_id or "", ()), row.end_ns)
    if baseline is None or row.mean_pct is None:
        return None, None
    return since_pct(row.mean_pct, baseline), since_u_pct(row.mean_pct, row.mean_u_pct or 0.0, baseline)


def csv_chunks(series: Series) -> Iterator[str]:
    """Yield the rows as CSV (RFC 4180): one header line, times with the same number of digits throughout."""
    head = _RAW_HEAD if series.resolution is Span.RAW else ("time", *ROLLED_FIELDS, *ROLLED_SINCE)
    return table_csv(head, (_csv_row(row, series.baselines) for row in series.rows))


def superseded_csv(rows: Sequence[Superseded]) -> Iterator[str]:
    """Yield superseded readings as CSV: as readings, and when and why another was put in place of each."""
    head = (*_RAW_HEAD, *SUPERSEDED_FIELDS)
    return table_csv(head, ([*_raw_row(row.reading), rfc3339(row.at_ns, 9), cell(row.why)] for row in rows))


def table_csv(head: Sequence[str], rows: Iterable[Sequence[Any]]) -> Iterator[str]:
    """Yield a table as CSV (RFC 4180). Text is to go through `cell` first."""
    buffer = io.StringIO()
    write: Callable[[Sequence[Any]], Any] = csv.writer(buffer).writerow
    write(head)
    for number, row in enumerate(rows, 1):
        write(row)
        if number % CSV_CHUNK_ROWS == 0:
            yield _taken(buffer)
    yield _taken(buffer)


def _csv_row(row: Reading | RollUp, baselines: Mapping[str, Sequence[Baseline]]) -> list[Any]:
    if isinstance(row, RollUp):
        values = (cell(getattr(row, name)) for name in ROLLED_FIELDS)
        return [rfc3339(row.end_ns, 0), *values, *_since(row, baselines)]
    return _raw_row(row)


def _raw_row(reading: Reading) -> list[Any]:
    return [
        rfc3339(reading.t_ns, 9),
        *(cell(getattr(reading, name)) for name in RAW_FIELDS),
        *(_told(getattr(reading, field), 9) for field in RAW_INSTANTS.values()),
        *(cell(getattr(reading, name)) for name in RAW_SOURCE),
        rfc3339(reading.t0_ns, 9),
    ]


def cell(value: Any) -> Any:
    """Return a value for CSV. Text that a spreadsheet would take for a formula is made plain text."""
    if isinstance(value, str) and value[:1] in {"=", "+", "-", "@", "\t", "\r"}:
        return f"'{value}"
    return value


def _taken(buffer: io.StringIO) -> str:
    text = buffer.getvalue()
    buffer.seek(0)
    buffer.truncate()
    return text
