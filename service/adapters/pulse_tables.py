"""Pulse times in a table: CSV and Parquet, as loggers, scopes and spreadsheets write them.

Either two columns of times, one a sensor, of whatever lengths; or one row a pulse: which sensor, and when. Knows
tables and units of time; must not know what the pulses mean. A table is taken whole or refused with the line and what
would mend it: a pulse that is left out in silence would be a wrong number.

Times are read exactly, to the nanosecond, never through float64: since 1970 that would already be 0.24 us coarse.
"""

import csv
import io
import re
from array import array
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from importlib import import_module
from itertools import chain
from math import gcd
from typing import Any, BinaryIO, Final

import numpy as np
import numpy.typing as npt

from service.core.instant import parse_rfc3339

Instants = npt.NDArray[np.int64]

PULSES_MAX = 20_000_000  # of one sensor in one table: three days at 80 joints a second
LINE_CHARS_MAX = 100_000
CELL_CHARS_MAX = 64
TICK_NS_MAX = 10**9
SINCE_1970_NS_MIN = 946_684_800 * 10**9  # times from 2000 on are instants, smaller ones count from some start

# Powers of ten of a nanosecond.
UNITS: Final = {
    **dict.fromkeys(("s", "sec", "secs", "second", "seconds"), 9),
    **dict.fromkeys(("ms", "msec", "millis", "millisecond", "milliseconds"), 6),
    **dict.fromkeys(("us", "usec", "µs", "μs", "micros", "microsecond", "microseconds"), 3),
    **dict.fromkeys(("ns", "nsec", "nanos", "nanosecond", "nanoseconds"), 0),
}
# What the two sensors are called, `up` first; of digits, which pair it is shows only when both are seen.
_PAIRS: Final = (
    ("up", "down"), ("upstream", "downstream"), ("first", "second"), ("a", "b"), ("1", "2"), ("0", "1"),
)  # fmt: skip
# Words of a heading that say no more than "this is a sensor" or "this is a time".
_FILLERS: Final = frozenset(
    "sensor switch channel ch di in input pulse pulses time times timestamp stamp t ts tick ticks".split()  # noqa: SIM905
)
_SENSOR_HEADINGS: Final = frozenset("sensor switch channel ch input source which name".split())  # noqa: SIM905
_TIME_HEADINGS: Final = frozenset("time times timestamp stamp t ts".split())  # noqa: SIM905
_EDGE_HEADINGS: Final = frozenset("edge state level value".split())  # noqa: SIM905
_ON: Final = frozenset("1 1.0 on rising rise true high".split())  # noqa: SIM905
_OFF: Final = frozenset("0 0.0 off falling fall false low".split())  # noqa: SIM905

_NAME_THEM = (
    "name the columns up_us and down_us, or sensor and time_us, with the unit that holds: s, ms, us or ns"
)


class CaptureError(ValueError):
    """A capture cannot be read, or not written. The message names file or line, and says what would mend it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PulseTimes:
    """When each sensor switched on, on one clock.

    `up_ns`, `down_ns`: shape (n,), (m,), int64, nanoseconds, non-decreasing; not both empty.
    `tick_ns`: the greatest step, up to 1 s, of which all times are whole multiples from the first one on.
    `since_1970`: whether they count from 1970, UTC; else from some start of the clock's own.
    """

    up_ns: Instants
    down_ns: Instants
    tick_ns: int
    since_1970: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What the person who gives a table says about it, where the table does not.

    `unit`: of the times, a key of UNITS. `up`, `down`: names of the columns, or of the sensors in the rows.
    """

    unit: str | None = None
    up: str | None = None
    down: str | None = None


@dataclass(frozen=True, slots=True)
class _Columns:
    """Where in a row to look. `sensor` is None for a table with a column a sensor; `times` has one place then or two."""

    times: tuple[int, ...]
    units: tuple[int | None, ...]  # powers of ten of a nanosecond; None: not known
    names: tuple[str, ...]
    sensor: int | None = None
    edge: int | None = None


# CSV ------------------------------------------------------------------------------------------------------


def read_csv(stream: BinaryIO, wanted: Wanted) -> PulseTimes:
    """Return the pulse times of a CSV table.

    Comma, semicolon or tab separate the cells; decimal commas are taken as well as points. A first row without any
    number names the columns; empty cells are no pulse; lines that begin with # are passed over. Times are numbers in
    the unit that the heading ends in or `wanted.unit` says, or dates with time, in UTC where they name no zone.

    Raises CaptureError naming the line.
    """
    lines = _Lines(stream)
    try:
        return _read_rows(lines, wanted)
    except csv.Error as error:
        raise CaptureError(f"line {lines.number}: {error}; write plain cells, one row a line") from None
    finally:
        lines.let_go()


class _Lines:
    """The lines of a text, none too long, comments left out; knows the number of the one given last."""

    def __init__(self, stream: BinaryIO) -> None:
        self.number = 0
        self._text = io.TextIOWrapper(stream, _encoding(stream), newline="")

    def let_go(self) -> None:
        """Leave the stream open to whoever gave it."""
        self._text.detach()

    def __iter__(self) -> Iterator[str]:
        while line := self._next():
            self.number += 1
            if len(line) > LINE_CHARS_MAX:
                raise CaptureError(
                    f"line {self.number} has over {LINE_CHARS_MAX} characters; write one row a line"
                )
            if not line.startswith("#"):
                yield line

    def _next(self) -> str:
        try:
            return self._text.readline(LINE_CHARS_MAX + 1)
        except UnicodeDecodeError:
            raise CaptureError(
                f"line {self.number + 1} or after it holds what is no text in {self._text.encoding}; "
                "save the table as CSV in UTF-8"
            ) from None


def _encoding(stream: BinaryIO) -> str:
    """Return the encoding that the byte order mark tells, UTF-8 without one; the mark is not read."""
    peek: Any = stream
    begin: bytes = peek.peek(2)[:2]
    return "utf-16" if begin in {b"\xff\xfe", b"\xfe\xff"} else "utf-8-sig"


def _read_rows(lines: _Lines, wanted: Wanted) -> PulseTimes:
    given = iter(lines)
    first = next((line for line in given if line.strip()), "")
    if not first:
        raise CaptureError(f"it is empty; {_NAME_THEM}")
    delimiter = max(";\t,", key=first.count)
    if delimiter not in first:
        raise CaptureError(
            f"line {lines.number} has one column; give two, separated by comma, semicolon or tab: {_NAME_THEM}"
        )
    rows = csv.reader(chain([first], given), delimiter=delimiter, skipinitialspace=True, strict=True)
    head = [cell.strip() for cell in next(rows)]
    if any(_is_time(cell) for cell in head):
        columns = _columns_of_first_row(head, wanted, lines.number)
        return _pulses(chain([head], rows), columns, wanted, lines)
    return _pulses(rows, _columns(head, wanted, f"line {lines.number}: "), wanted, lines)


def _is_time(cell: str) -> bool:
    """Whether a cell of the first row holds a time, and so is no heading."""
    return re.fullmatch(r"[+-]?[0-9.,]*[0-9][0-9.,]*([eE][+-]?[0-9]+)?|[0-9]{4}-.*:.*", cell) is not None


def _columns_of_first_row(cells: Sequence[str], wanted: Wanted, line: int) -> _Columns:
    """Return the columns of a table without headings: two of times, `up` first, or sensor and time."""
    times = [at for at, cell in enumerate(cells) if _is_time(cell)]
    others = [at for at, cell in enumerate(cells) if cell and at not in times]
    unit = _unit(wanted)
    if len(cells) == 2 and not others:
        return _Columns((0, 1), (unit, unit), ("column 1", "column 2"))
    if (
        len(cells) == 2
        and len(times) == 1
        and _core(cells[others[0]]) in {name for pair in _PAIRS for name in pair}
    ):
        return _Columns((times[0],), (unit,), ("time",), sensor=others[0])
    raise CaptureError(f"line {line}: the table has no headings and {len(cells)} columns; {_NAME_THEM}")


def _pulses(rows: Iterator[list[str]], columns: _Columns, wanted: Wanted, lines: _Lines) -> PulseTimes:
    if columns.sensor is None:
        trains = [_Train(name, unit) for name, unit in zip(columns.names, columns.units, strict=True)]
        for row in rows:
            for train, at in zip(trains, columns.times, strict=True):
                if at < len(row) and (cell := row[at].strip()):
                    train.add(cell, lines.number)
        return pulse_times(*(train.instants() for train in trains))
    return pulse_times(*_by_sensor(rows, columns, wanted, lines))


def _by_sensor(
    rows: Iterator[list[str]], columns: _Columns, wanted: Wanted, lines: _Lines
) -> tuple[Instants, Instants]:
    """Return the times of both sensors from a table with one row a pulse."""
    trains: dict[str, _Train] = {}
    needed = max(at for at in (columns.sensor, columns.times[0], columns.edge) if at is not None)
    for row in rows:
        cells = [cell.strip() for cell in row]
        if not any(cells):
            continue
        if len(cells) <= needed or not cells[columns.times[0]]:
            raise CaptureError(f"line {lines.number} lacks sensor or time; give both in every row")
        if columns.edge is not None and not _is_on(cells[columns.edge], f"line {lines.number}"):
            continue
        label = cells[columns.sensor or 0]
        train = trains.get(label)
        if train is None:
            _refuse_third(list(trains), label, f"line {lines.number}")
            train = trains[label] = _Train(f"time of {label}", columns.units[0])
        train.add(cells[columns.times[0]], lines.number)
    up, down = _sort_out(list(trains), wanted)
    return tuple(  # type: ignore[return-value]
        trains[label].instants() if label in trains else np.empty(0, np.int64) for label in (up, down)
    )


class _Train:
    """The times of one sensor as they are read: each checked against the one before."""

    def __init__(self, name: str, unit: int | None) -> None:
        self._name = name
        self._unit = unit
        self._read: Callable[[str], int] | None = None
        self._times = array("q")
        self._before = -(2**63)

    def add(self, cell: str, line: int) -> None:
        try:
            read = self._read or self._reader(cell)
            time_ns = read(cell)
            self._times.append(time_ns)
        except (ValueError, OverflowError) as error:
            what = f"{_shown(cell)} is too far from 0" if isinstance(error, OverflowError) else str(error)
            raise CaptureError(f"line {line}, {self._name}: {what}") from None
        if time_ns < self._before:
            raise CaptureError(_backwards(f"line {line}, {self._name}", _shown(cell)))
        self._before = time_ns
        if len(self._times) > PULSES_MAX:
            raise CaptureError(f"line {line}: over {PULSES_MAX} pulses of {self._name}; divide the capture")

    def instants(self) -> Instants:
        return np.frombuffer(self._times, np.int64) if self._times else np.empty(0, np.int64)

    def _reader(self, cell: str) -> Callable[[str], int]:
        """Return, from the first cell, how to read this column."""
        if ":" in cell:
            self._read = _instant_ns
        elif self._unit is None:
            raise ValueError(
                f"in which unit is {_shown(cell)}? End the heading in _s, _ms, _us or _ns, or give --unit"
            )
        else:
            unit = self._unit
            scale: int = 10**unit

            def number_ns(cell: str) -> int:
                if cell.isascii() and cell.isdigit() and len(cell) < 20:
                    return int(cell) * scale
                return _number_ns(cell, unit)

            self._read = number_ns
        return self._read


def _number_ns(cell: str, unit: int) -> int:
    """Return a number of a unit as whole nanoseconds, rounded half to even. Raises ValueError saying the fix."""
    text = cell.replace(",", ".") if "." not in cell else cell
    fix = "give a number, or leave the cell empty where there is no pulse"
    if len(text) > CELL_CHARS_MAX or not text.isascii() or "_" in text:
        raise ValueError(f"{_shown(cell)} is no time; {fix}")
    try:
        number = Decimal(text)
    except InvalidOperation:
        raise ValueError(f"{_shown(cell)} is no time; {fix}") from None
    if not number.is_finite():
        raise ValueError(f"{_shown(cell)} is no time; {fix}")
    if number.adjusted() > 20:
        raise ValueError(f"{_shown(cell)} is too far from 0; count from the start of the capture")
    return int(number.scaleb(unit).to_integral_value())


def _instant_ns(cell: str) -> int:
    """Return a date with time as nanoseconds since 1970; in UTC where it names no zone."""
    text = cell.replace(",", ".")
    zoned = re.search(r"([Zz]|[+-][0-9]{2}:?[0-9]{2})$", text)
    return parse_rfc3339(text if zoned else text + "Z")


# Headings -------------------------------------------------------------------------------------------------


def _columns(headings: Sequence[str], wanted: Wanted, place: str) -> _Columns:
    """Return where times, and perhaps sensors, stand under these headings; raise CaptureError where nowhere."""
    parts = [_parts(heading) for heading in headings]
    cores = [core for core, _unit_of in parts]
    sensors = [at for at, core in enumerate(cores) if core in _SENSOR_HEADINGS]
    times = [at for at, core in enumerate(cores) if core in _TIME_HEADINGS]
    found = _find_pair(headings, cores, wanted)
    if found is None and len(sensors) == len(times) == 1:
        edge = next((at for at, core in enumerate(cores) if core in _EDGE_HEADINGS), None)
        at = times[0]
        return _Columns((at,), (_unit(wanted, parts[at][1]),), (headings[at],), sensor=sensors[0], edge=edge)
    if found is None:
        shown = ", ".join(_shown(heading) for heading in headings[:8])
        raise CaptureError(
            f"{place}which columns hold the times of the two sensors? Found {shown}; {_NAME_THEM}, or give --up and --down"
        )
    units = tuple(_unit(wanted, parts[at][1]) for at in found)
    return _Columns(found, units, tuple(headings[at] for at in found))


def _find_pair(headings: Sequence[str], cores: Sequence[str], wanted: Wanted) -> tuple[int, int] | None:
    """Return the columns of `up` and `down`: as they were asked for, else as they are usually called."""
    names = [heading.lower() for heading in headings]
    if wanted.up is not None and wanted.down is not None:
        asked = (wanted.up.strip().lower(), wanted.down.strip().lower())
        for known in (names, cores):
            if all(known.count(name) == 1 for name in asked) and asked[0] != asked[1]:
                return known.index(asked[0]), known.index(asked[1])
        return None
    for up, down in _PAIRS:
        if cores.count(up) == 1 and cores.count(down) == 1:
            return cores.index(up), cores.index(down)
    return None


def _parts(heading: str) -> tuple[str, int | None]:
    """Return what a heading names without its fillers, and the unit it ends in: ("up", 3) of "Up sensor (us)"."""
    words = re.findall(r"[^\W\d_]+|\d+", heading.lower())
    unit = UNITS.get(words[-1]) if len(words) > 1 else None
    words = words[:-1] if unit is not None else words
    rest = [word for word in words if word not in _FILLERS]
    return " ".join(rest) if rest else " ".join(words[:1]), unit


def _core(label: str) -> str:
    """Return the name of a sensor without fillers: "1" of "CH 1"."""
    words = re.findall(r"[^\W\d_]+|\d+", label.lower())
    return " ".join([word for word in words if word not in _FILLERS] or words[:1])


def _unit(wanted: Wanted, of_heading: int | None = None) -> int | None:
    if wanted.unit is None:
        return of_heading
    asked = UNITS.get(wanted.unit)
    if asked is None:
        raise CaptureError(f"{_shown(wanted.unit)} is no unit of time; give s, ms, us or ns")
    if of_heading is not None and of_heading != asked:
        raise CaptureError(f"the headings say another unit than --unit {wanted.unit}; correct one of the two")
    return asked


def _sort_out(labels: Sequence[str], wanted: Wanted) -> tuple[str, str]:
    """Return which of at most two labels is `up` and which `down`. A label that is not there stands for no pulses."""
    if wanted.up is not None and wanted.down is not None:
        known = {label.lower(): label for label in labels}
        up, down = (known.pop(name.strip().lower(), "") for name in (wanted.up, wanted.down))
        if not known:
            return up, down
        labels = list(known.values())
    else:
        cores = {_core(label): label for label in labels}
        for first, second in _PAIRS:
            if len(cores) == 2 and {first, second} == set(cores):
                return cores[first], cores[second]
        if len(cores) == 1 and (only := next(iter(cores))) in {"up", "down", "upstream", "downstream"}:
            return (cores[only], "") if only.startswith("up") else ("", cores[only])
    if not labels:
        raise CaptureError("it holds no pulses; check what the capture was taken of")
    shown = " and ".join(_shown(label) for label in labels)
    raise CaptureError(f"which sensor is {shown}? Write up or down in its place, or give --up and --down")


def _refuse_third(labels: Sequence[str], label: str, place: str) -> None:
    if len(labels) == 2:
        known = " and ".join(_shown(each) for each in labels)
        raise CaptureError(
            f"{place}: {_shown(label)} is a third sensor beside {known}; keep the rows of two sensors"
        )


def _is_on(cell: str, place: str) -> bool:
    """Whether a row tells that the sensor switched on; off is passed over, as the contract's pulses are."""
    word = cell.lower()
    if word in _ON or word in _OFF:
        return word in _ON
    raise CaptureError(
        f"{place}: {_shown(cell)} is neither on nor off; write 1 or 0, or leave the column out"
    )


# Parquet --------------------------------------------------------------------------------------------------


def read_parquet(stream: BinaryIO, wanted: Wanted) -> PulseTimes:
    """Return the pulse times of a Parquet table; its columns are named as those of a CSV table.

    Times are integers or floats in the unit that the name ends in or `wanted.unit` says, timestamps or durations.
    Null and NaN are no pulse. Needs pyarrow, the extra `parquet`.

    Raises CaptureError naming the row.
    """
    parquet = _pyarrow("pyarrow.parquet")
    arrow = _pyarrow("pyarrow")
    try:
        file = parquet.ParquetFile(stream)
        if file.metadata.num_rows > 2 * PULSES_MAX:
            raise CaptureError(f"it has {file.metadata.num_rows} rows; divide the capture")
        names = [str(name) for name in file.schema_arrow.names]
        columns = _columns(names, wanted, "")
        used = [at for at in (*columns.times, columns.sensor, columns.edge) if at is not None]
        table = file.read([names[at] for at in used])
        return _pulses_of_table(table, names, columns, wanted)
    except (arrow.ArrowException, OSError, UnicodeDecodeError) as error:
        raise CaptureError(f"it cannot be read as Parquet ({_shown(str(error))}); write it again") from None


def _pyarrow(module: str) -> Any:
    try:
        return import_module(module)
    except ImportError:
        raise CaptureError(
            "Parquet needs pyarrow: pip install 'linklag[parquet]', or save the table as CSV"
        ) from None


def _pulses_of_table(table: Any, names: Sequence[str], columns: _Columns, wanted: Wanted) -> PulseTimes:
    if columns.sensor is None:
        return pulse_times(
            *(
                _checked(*_column_ns(table.column(names[at]), unit, names[at]), names[at])
                for at, unit in zip(columns.times, columns.units, strict=True)
            )
        )
    name = names[columns.times[0]]
    times_ns, rows = _column_ns(table.column(name), columns.units[0], name)
    if len(rows) < table.num_rows:
        lack = int(np.flatnonzero(np.bincount(rows, minlength=table.num_rows) == 0)[0])
        raise CaptureError(f"row {lack + 1} lacks its time; give sensor and time in every row")
    on = np.ones(len(rows), dtype=bool)
    if columns.edge is not None:
        codes, texts = _codes(table.column(names[columns.edge]))
        on = np.array([_is_on(text, names[columns.edge or 0]) for text in texts], dtype=bool)[codes]
    codes, labels = _codes(table.column(names[columns.sensor]))
    if len(labels) > 2:
        _refuse_third(labels[:2], labels[2], names[columns.sensor])
    found = []
    for label in _sort_out(labels, wanted):
        own = on & (codes == labels.index(label)) if label in labels else np.zeros(len(rows), dtype=bool)
        found.append(_checked(times_ns[own], rows[own], f"{name} of {label}"))
    return pulse_times(*found)


def _codes(column: Any) -> tuple[npt.NDArray[np.int64], list[str]]:
    """Return for each row the place of its text in the list of all different ones."""
    encoded = column.combine_chunks()
    encoded = encoded if hasattr(encoded, "dictionary") else encoded.dictionary_encode()
    if encoded.null_count:
        raise CaptureError("a row lacks its sensor; give sensor and time in every row")
    present = sorted(set(encoded.indices.to_pylist()))
    texts = [str(encoded.dictionary[code].as_py()).strip() for code in present]
    codes = np.searchsorted(np.array(present, np.int64), encoded.indices.to_numpy(zero_copy_only=False))
    return codes.astype(np.int64), texts


def _column_ns(column: Any, unit: int | None, name: str) -> tuple[Instants, npt.NDArray[np.int64]]:
    """Return the times of a column, nanoseconds, and the rows they stand in, nulls and NaN left out."""
    arrow = import_module("pyarrow")
    kinds = arrow.types
    if kinds.is_timestamp(column.type) or kinds.is_duration(column.type):
        to = (
            arrow.timestamp("ns", column.type.tz) if kinds.is_timestamp(column.type) else arrow.duration("ns")
        )
        return _kept(column.cast(to).cast(arrow.int64()), 1, name)
    if unit is None:
        raise CaptureError(f"{name}: in which unit? End its name in _s, _ms, _us or _ns, or give --unit")
    if kinds.is_integer(column.type) or kinds.is_floating(column.type):
        return _kept(column, 10**unit, name)
    raise CaptureError(f"{name} holds {column.type}; write times as numbers or timestamps")


def _kept(column: Any, scale: int, name: str) -> tuple[Instants, npt.NDArray[np.int64]]:
    """Return the values that are there times `scale`, and their rows."""
    valid = column.is_valid().to_numpy()
    rows = np.flatnonzero(valid)
    values = column.drop_null().to_numpy()
    if values.dtype.kind == "f":
        there = ~np.isnan(values)
        rows, values = rows[there], np.rint(values[there].astype(np.float64) * scale)
        limit, scale = float(2**63), 1
    else:
        limit = 2**63 / scale
    if len(values) and not (-limit < values.min() and values.max() < limit):
        raise CaptureError(f"{name}: a time is too far from 0; count from the start of the capture")
    return values.astype(np.int64) * scale, rows


def _checked(times_ns: Instants, rows: npt.NDArray[np.int64], name: str) -> Instants:
    """Return the times if they do not run backwards and are not too many."""
    if len(times_ns) > PULSES_MAX:
        raise CaptureError(f"over {PULSES_MAX} pulses in {name}; divide the capture")
    back = np.flatnonzero(times_ns[1:] < times_ns[:-1])
    if len(back):
        raise CaptureError(
            _backwards(f"row {int(rows[back[0] + 1]) + 1}, {name}", f"{times_ns[back[0] + 1]} ns")
        )
    return times_ns


# Both -----------------------------------------------------------------------------------------------------


def pulse_times(up_ns: Instants, down_ns: Instants) -> PulseTimes:
    """Return the pulse times of both sensors with the tick they were taken in. Raises CaptureError without pulses."""
    firsts = [int(each[0]) for each in (up_ns, down_ns) if len(each)]
    if not firsts:
        raise CaptureError("it holds no pulses; check what the capture was taken of")
    first = min(firsts)
    last = max(int(each[-1]) for each in (up_ns, down_ns) if len(each))
    if last - first >= 2**63:
        raise CaptureError("its times lie over 292 years apart; check the unit")
    step = gcd(*(int(np.gcd.reduce(each - first)) for each in (up_ns, down_ns) if len(each)))
    return PulseTimes(
        up_ns=up_ns,
        down_ns=down_ns,
        tick_ns=step if 0 < step <= TICK_NS_MAX else gcd(step, TICK_NS_MAX),
        since_1970=first >= SINCE_1970_NS_MIN,
    )


def _backwards(place: str, what: str) -> str:
    return (
        f"{place}: the time goes back to {what}; sort the pulses of each sensor by time, or divide the capture where "
        "the counter began anew"
    )


def _shown(text: str) -> str:
    shown = ascii(text)
    return shown if len(shown) <= 60 else f"{shown[:57]}..."
