"""The register as a file that people fill in: CSV for a spreadsheet, TOML for a text editor; both ways.

One row of CSV, or one [[drive]] table of TOML, is one drive with the chain on it and, if wanted, a baseline. The
names are the same in both: the fields of `Drive`, those of `Chain` after chain_, those of `Baseline` after
baseline_; instants end in _utc and are RFC 3339. An empty cell, or a key left out, means the usual value; that of
whole_pitches is a drive without sensors. In CSV its column must be there, so that nobody forgets it.

Reading gives all drives of the file or one RegisterFileError with every problem in it, so that nothing is half
imported. Knows files; must not know what is registered already: whoever stores the drives checks that.
"""

import csv
import difflib
import io
import re
import tomllib
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import MISSING, dataclass, fields
from datetime import UTC, date, datetime, timedelta
from types import NoneType
from typing import Any, TypeVar, get_args

import tomli_w

from service.core import catalogue
from service.core.drive import Baseline, Chain, Drive, Registration
from service.core.fields import FieldsRefusedError

FILE_CHARS_MAX = 8_000_000
DRIVES_MAX = 10_000
PROBLEMS_SHOWN_MAX = 50
YEAR_END = 2262  # instants of 64 bit in nanoseconds end in this year


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong in a file, where it stands, and what would mend it."""

    line: int | None  # of the row, or of the table's head; None where it concerns the whole file
    column: str  # name of the column or key; "" where it concerns the whole row
    text: str

    def __str__(self) -> str:
        place = [f"line {self.line}"] if self.line is not None else []
        place += [self.column] if self.column else []
        return ": ".join([", ".join(place), self.text]) if place else self.text


class RegisterFileError(ValueError):
    """The file cannot be taken; nothing of it was. `problems` holds all that is wrong, in the order of the file."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        shown = [str(problem) for problem in self.problems[:PROBLEMS_SHOWN_MAX]]
        if len(self.problems) > PROBLEMS_SHOWN_MAX:
            shown.append(f"and {len(self.problems) - PROBLEMS_SHOWN_MAX} more")
        super().__init__("\n".join(shown))


@dataclass(frozen=True, slots=True)
class Column:
    """One column of the file: which field of which class it fills, and how its values are written."""

    name: str
    of: type[Drive | Chain | Baseline]
    field: str
    kind: str  # "text", "whole", "number", "flag" or "instant"
    required: bool  # the class has no usual value for it


def _columns() -> Iterator[Column]:
    """Derive the columns from the classes, so that a new field cannot be forgotten here."""
    classes: tuple[tuple[type[Drive | Chain | Baseline], str, str], ...] = (
        (Drive, "", ""),
        (Chain, "chain_", "drive_id"),
        (Baseline, "baseline_", "chain_id"),
    )
    for of, prefix, known_already in classes:
        for field in fields(of):
            if field.name != known_already:
                name = prefix + field.name.removeprefix(prefix)
                kind = "instant" if name.endswith("_ns") else _kind(field.type)
                required = field.default is MISSING
                yield Column(re.sub("_ns$", "_utc", name), of, field.name, kind, required)


def _kind(annotation: Any) -> str:
    """Return how values of a field are written: `int | None` and `int` are both whole numbers."""
    plain = next(each for each in (*get_args(annotation), annotation) if each is not NoneType)
    return {str: "text", int: "whole", float: "number", bool: "flag"}[plain]


@dataclass(frozen=True, slots=True)
class FileRow:
    """One drive as a file has it. given: the columns that the file has, or the keys of its table; filled: those with a value."""

    line: int | None
    registration: Registration
    given: frozenset[str]
    filled: frozenset[str]

    def given_of(self, of: type[Drive | Chain | Baseline]) -> frozenset[str]:
        """Return the fields of a class that the file says something of, if only that they are empty."""
        return frozenset(COLUMNS[name].field for name in self.given if COLUMNS[name].of is of)


@dataclass(frozen=True, slots=True)
class FileRead:
    """What could be read of a file, and what could not, both in the order of the file."""

    rows: tuple[FileRow, ...]
    problems: tuple[Problem, ...]


_Part = TypeVar("_Part", Drive, Chain, Baseline)
COLUMNS = {column.name: column for column in _columns()}


def read_csv(text: str | bytes) -> list[Registration]:
    """Return the drives of a CSV file, in its order. Raises RegisterFileError with all that is wrong.

    The first row names the columns, in any order, in small or capital letters, with spaces or underscores; a
    heading that begins with # is a column of the writer's own. Comma, semicolon and tab may separate the cells.
    Decimal commas are taken where a comma does not separate the cells. Times are RFC 3339 with their zone, or a date alone,
    which means its first instant in UTC.
    """
    return _all_of(read_csv_rows(text))


def read_csv_rows(text: str | bytes) -> FileRead:
    """Return the rows of a CSV file that can be read, and all that is wrong with the others, for people to look at both.

    The form is that of `read_csv`. Raises RegisterFileError where the file as a whole cannot be taken: no text, no headings.
    """
    return _read(_csv_rows(_text(text)))


def read_toml(text: str | bytes) -> list[Registration]:
    """Return the drives of a TOML file: one [[drive]] table each. Raises RegisterFileError with all that is wrong."""
    return _all_of(_read(_toml_rows(_text(text))))


def write_csv(registrations: Iterable[Registration]) -> str:
    """Return a CSV file that `read_csv` reads back the same; without drives, an empty form to fill in.

    RFC 4180, in UTF-8; a spreadsheet that needs a mark to see that wants it encoded as utf-8-sig. Free text that
    a spreadsheet would run as a formula gets an apostrophe before it, which `read_csv` takes off again.
    """
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, list(COLUMNS), restval="")
    writer.writeheader()
    writer.writerows({name: _cell(value) for name, value in _values(each).items()} for each in registrations)
    return out.getvalue()


def write_toml(registrations: Iterable[Registration]) -> str:
    """Return a TOML file that `read_toml` reads back the same."""
    return tomli_w.dumps({"drive": [_values(each) for each in registrations]})


# Writing: the same values for both forms


def _values(registration: Registration) -> dict[str, Any]:
    """Return what is to be written, by column; what is empty is left out."""
    parts = {Drive: registration.drive, Chain: registration.chain, Baseline: registration.baseline}
    values: dict[str, Any] = {}
    for column in COLUMNS.values():
        value = getattr(parts[column.of], column.field, None)
        if value is not None and value != "":
            values[column.name] = rfc3339(value) if column.kind == "instant" else value
    return values


def rfc3339(t_ns: int) -> str:
    """Return an instant in UTC as text: 2026-03-01T00:00:00Z, with as many decimals as it needs."""
    seconds, rest_ns = divmod(t_ns, 1_000_000_000)
    whole = (_EPOCH + timedelta(seconds=seconds)).strftime("%Y-%m-%dT%H:%M:%S")
    decimals = f".{rest_ns:09d}".rstrip("0").rstrip(".")
    return f"{whole}{decimals}Z"


def _cell(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"'{value}" if isinstance(value, str) and _FORMULA.match(value) else str(value)


_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
# What spreadsheets run as a formula, also in their wide forms, and behind apostrophes of ours.
_FORMULA = re.compile("'*[=+\\-@\t\r\n＝＋－＠]")


# Reading: from the values of rows to registrations, for both forms


@dataclass(slots=True)
class _Row:
    """One drive as it stands in the file: values by column, and what could not be read."""

    line: int | None
    place: str  # for people, where there is no line
    values: dict[str, Any]
    problems: list[Problem]
    given: frozenset[str]

    def refuse(self, column: str, text: str) -> None:
        self.problems.append(
            Problem(self.line, column, text if self.line is not None else f"{self.place}: {text}")
        )

    def has(self, of: type) -> bool:
        """Whether anything of this class was given, readable or not."""
        given = {*self.values, *(problem.column for problem in self.problems)}
        return any(COLUMNS[name].of is of for name in given if name in COLUMNS)


def _text(text: str | bytes) -> str:
    if isinstance(text, bytes):
        if len(text) > 4 * FILE_CHARS_MAX:
            raise _whole_file(f"it has {len(text)} bytes; divide it")
        wide = text.startswith((b"\xff\xfe", b"\xfe\xff"))
        try:
            text = text.decode("utf-16" if wide else "utf-8")
        except UnicodeDecodeError:
            raise _whole_file("it is not in UTF-8; in the spreadsheet save it as CSV UTF-8") from None
    if len(text) > FILE_CHARS_MAX:
        raise _whole_file(f"it is longer than {FILE_CHARS_MAX} characters; divide it")
    return text.removeprefix("\ufeff")


def _whole_file(text: str, line: int | None = None) -> RegisterFileError:
    return RegisterFileError([Problem(line, "", text)])


def _all_of(read: FileRead) -> list[Registration]:
    """Return what all rows mean, or raise with what is wrong with any."""
    if read.problems:
        raise RegisterFileError(read.problems)
    return [row.registration for row in read.rows]


def _read(rows: Iterable[_Row]) -> FileRead:
    read, found = list(rows), []
    if len(read) > DRIVES_MAX:
        raise _whole_file(f"it has {len(read)} drives; divide it into files of at most {DRIVES_MAX}")
    filled = [frozenset(row.values) for row in read]
    means = [_registration(row) for row in read]
    _refuse_repeated(read, "drive_id")
    _refuse_repeated(read, "chain_id")
    for row, registration, names in zip(read, means, filled, strict=True):
        if registration is not None and not row.problems:
            found.append(FileRow(row.line, registration, row.given, names))
    return FileRead(tuple(found), tuple(problem for row in read for problem in row.problems))


def _refuse_repeated(rows: Sequence[_Row], column: str) -> None:
    seen: defaultdict[object, list[_Row]] = defaultdict(list)
    for row in rows:
        if isinstance(row.values.get(column), str):
            seen[row.values[column]].append(row)
    for value, same in seen.items():
        for row in same[1:]:
            first = f"line {same[0].line}" if same[0].line is not None else same[0].place
            row.refuse(column, f"{value!r} stands in {first} already; give each its own")


def _registration(row: _Row) -> Registration | None:
    """Return what one row means; None, and problems in the row, where it means nothing."""
    drive = _built(row, Drive, {})
    chain = baseline = None
    if row.has(Chain):
        _complete_chain(row, drive)
        chain = _built(row, Chain, {"drive_id": "placeholder" if drive is None else drive.drive_id})
    if row.has(Baseline):
        if not row.has(Chain):
            row.refuse(
                "baseline_pitches_between", "a baseline belongs to a chain; fill in the chain_ columns too"
            )
        if "baseline_taken_utc" in row.values:
            row.values.setdefault("baseline_recorded_utc", row.values["baseline_taken_utc"])
        row.values.setdefault("baseline_recorded_by", "")
        row.values.setdefault("baseline_why", "")
        baseline = _built(row, Baseline, {"chain_id": "placeholder" if chain is None else chain.chain_id})
    return None if row.problems or drive is None else Registration(drive, chain, baseline)


def _complete_chain(row: _Row, drive: Drive | None) -> None:
    """Fill what the designation and the date say: pitch, strands, and an id where none was given."""
    values = row.values
    designation, pitch_mm = values.setdefault("chain_designation", ""), values.get("chain_pitch_mm")
    if isinstance(designation, str) and isinstance(pitch_mm, int | float | NoneType):
        try:
            values["chain_pitch_mm"] = catalogue.pitch_of(designation, pitch_mm)
            values.setdefault("chain_strands", catalogue.find(designation).strands)
        except catalogue.PitchError as error:
            row.refuse("chain_pitch_mm", str(error))
        except catalogue.DesignationError as error:
            if pitch_mm is None:
                row.refuse("chain_designation", str(error))
    if drive is not None and "chain_fitted_utc" in values:
        values.setdefault("chain_id", f"{drive.drive_id}/{rfc3339(values['chain_fitted_utc'])[:10]}")


# Stand in for what is missing or unreadable, so that the other fields are checked all the same.
_PLACEHOLDERS: dict[str, Any] = {
    "drive_id": "placeholder", "chain_id": "placeholder", "designation": "", "pitch_mm": 25.4,
    "fitted_ns": 0, "pitches_between": 24.0, "pitches_between_u": 0.0, "elongation_pct": 0.0, "elongation_u_pct": 0.0,
    "taken_ns": 0, "recorded_ns": 0, "recorded_by": "", "why": "",
}  # fmt: skip

_MISSING_FIX = {
    "chain_fitted_utc": "give the day on which the chain was fitted, e.g. 2026-03-01",
    "baseline_elongation_pct": "give the elongation when it was taken; new chain of ISO 606 lies within 0 and 0.15, so 0.075",
    "baseline_elongation_u_pct": "give its standard uncertainty; for new chain of ISO 606 0.043",
}


def _built(row: _Row, of: type[_Part], more: Mapping[str, Any]) -> _Part | None:
    """Return an object of the row's values; None, and a problem for each field, where it cannot be made."""
    refused = {problem.column for problem in row.problems}
    columns = [column for column in COLUMNS.values() if column.of is of]
    given = {column.field: row.values[column.name] for column in columns if column.name in row.values}
    for column in columns:
        if column.required and column.field not in given:
            given[column.field] = _PLACEHOLDERS[column.field]
            # an id and the time of recording follow from the date, a pitch from the designation
            follows = column.name in {"chain_id", "baseline_recorded_utc"} or (
                column.name == "chain_pitch_mm" and "chain_designation" in refused
            )
            if column.name not in refused and not follows:
                row.refuse(column.name, f"is missing; {_MISSING_FIX.get(column.name, 'fill it in')}")
    try:
        built = of(**given, **more)
    except FieldsRefusedError as error:
        names = {column.field: column.name for column in columns}
        for field, text in error.problems.items():
            row.refuse(names[field], text)
        return None
    return built


# Reading CSV


def _csv_rows(text: str) -> list[_Row]:
    delimiter, lines = _cells(text)
    if not lines:
        raise _whole_file(
            "it is empty; the first row must name the columns, at least drive_id and whole_pitches (which stays empty "
            "for a drive without sensors)"
        )
    (head_line, headings), *rest = lines
    names = _names(headings, head_line)
    numbers = [
        cells[at]
        for _, cells in rest
        for at, name in enumerate(names)
        if at < len(cells) and _is_number(name)
    ]
    commas = delimiter != "," and any(_DECIMAL_COMMA.fullmatch(cell.strip()) for cell in numbers)
    decimals = _Decimals(comma=delimiter != ",", point=not commas)
    return [_csv_row(names, line, cells, decimals) for line, cells in rest]


def _cells(text: str) -> tuple[str, list[tuple[int, list[str]]]]:
    """Return what separates the cells, and the rows that are not blank, each with the line it begins on."""
    first, _, rest = text.partition("\n")
    told = re.fullmatch(r"sep=(.)\s*", first)  # a line that spreadsheets write and read
    delimiter = told[1] if told else max(",;\t", key=re.sub('"[^"]*"', "", first).count)
    reader = csv.reader(io.StringIO(rest if told else text, newline=""), delimiter=delimiter, strict=True)
    rows, line = [], 1 if told else 0
    offset = line
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                rows.append((line + 1, cells))
            line = offset + reader.line_num
    except csv.Error as error:
        hint = "close the quotation marks, and write a quotation mark within a quoted cell twice"
        raise _whole_file(f"the row cannot be divided into cells ({error}); {hint}", line + 1) from None
    return delimiter, rows


def _names(headings: Sequence[str], line: int) -> list[str]:
    """Return the column of each heading, "" for those that are the writer's own."""
    names = [re.sub(r"[\s_-]+", "_", heading.strip().lower()) for heading in headings]
    names = ["" if name.startswith("#") else name for name in names]
    problems = [
        Problem(line, name, _unknown_text(name, "put # before the heading of a column of your own"))
        for name in names
        if name and name not in COLUMNS
    ]
    problems += [
        Problem(line, name, "is a heading twice; keep one") for name in COLUMNS if names.count(name) > 1
    ]
    problems += [
        Problem(line, name, "is missing among the headings; add the column")
        for name in ("drive_id", "whole_pitches")
        if name not in names
    ]
    if problems:
        raise RegisterFileError(problems)
    return names


def _unknown_text(name: str, otherwise: str) -> str:
    prefixed = [each for each in COLUMNS if each.endswith(f"_{name}")]
    near = prefixed or difflib.get_close_matches(name, COLUMNS, n=3)
    fix = f"did you mean {' or '.join(near)}?" if near else otherwise
    return f"is no column of a register; {fix}"


@dataclass(frozen=True, slots=True)
class _Decimals:
    """Which signs may stand before the decimals in this file."""

    comma: bool
    point: bool


def _csv_row(names: Sequence[str], line: int, cells: Sequence[str], decimals: _Decimals) -> _Row:
    row = _Row(line, "", {}, [], frozenset(name for name in names if name))
    if any(cell.strip() for cell in cells[len(names) :]):
        row.refuse(
            "",
            "has more cells than there are headings; is a decimal comma or a comma in a text not in quotes?",
        )
    for name, cell in zip(names, cells, strict=False):
        text = cell.strip()
        if name and text:
            try:
                row.values[name] = _from_cell(COLUMNS[name].kind, text, decimals)
            except ValueError as error:
                row.refuse(name, str(error))
    return row


def _is_number(name: str) -> bool:
    return name in COLUMNS and COLUMNS[name].kind == "number"


_DECIMAL_COMMA = re.compile(r"[+-]?\d*,\d+(?:[eE][+-]?\d+)?", re.ASCII)
_DECIMAL = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_FLAGS = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}


def _from_cell(kind: str, text: str, decimals: _Decimals) -> Any:
    """Return the value of a cell that is not blank. Raises ValueError, saying what to write instead."""
    if kind == "text":
        return text[1:] if text.startswith("'") and _FORMULA.match(text) else text
    if kind == "instant":
        return _instant(text)
    if kind == "flag":
        if text.lower() not in _FLAGS:
            raise ValueError(f"{text!r} is neither yes nor no; write one of the two")
        return _FLAGS[text.lower()]
    number = _number(text, decimals)
    if kind == "number":
        return number
    if not number.is_integer():
        raise ValueError(f"{text!r} is no whole number")
    return int(number)


def _number(text: str, decimals: _Decimals) -> float:
    plain = text.replace("\N{MINUS SIGN}", "-")
    if _DECIMAL_COMMA.fullmatch(plain):
        if not decimals.comma:
            raise ValueError(
                f"{text!r} has a decimal comma; write {plain.replace(',', '.')}, or separate the cells with semicolons"
            )
        plain = plain.replace(",", ".")
    elif not _DECIMAL.fullmatch(plain):
        raise ValueError(
            f"{text!r} is no number; write digits alone, without unit and without marks between thousands"
        )
    elif "." in plain and not decimals.point:
        raise ValueError(
            f"{text!r} has a point where other numbers of the file have a decimal comma; write all of them alike"
        )
    return float(plain)


_INSTANT = re.compile(
    r"(?P<day>\d{4}-\d\d-\d\d)"
    r"(?:[Tt ](?P<time>\d\d:\d\d(?::\d\d)?)(?:\.(?P<decimals>\d{1,9}))?\s?(?P<zone>[Zz]|[+-]\d\d:\d\d)?)?",
    re.ASCII,
)


def _instant(text: str) -> int:
    """Return nanoseconds since 1970 of an RFC 3339 time, or of a date alone: its first instant in UTC."""
    parsed = _INSTANT.fullmatch(text)
    if parsed is None:
        raise ValueError(
            f"{text!r} is no date; write year-month-day, 2026-03-01, or with a time 2026-03-01T06:00:00Z"
        )
    if parsed["time"] and not parsed["zone"]:
        raise ValueError(
            f"{text!r} does not say its time zone; write Z behind it for UTC, or the offset, e.g. +01:00"
        )
    zone = (parsed["zone"] or "Z").upper().replace("Z", "+00:00")
    try:
        moment = datetime.fromisoformat(f"{parsed['day']}T{parsed['time'] or '00:00'}{zone}")
    except ValueError as error:
        raise ValueError(f"{text!r} is no date ({error}); correct it") from None
    return _ns(moment) + int((parsed["decimals"] or "").ljust(9, "0"))


def _ns(moment: datetime) -> int:
    if not _EPOCH.year <= moment.year < YEAR_END:
        raise ValueError(f"{moment:%Y-%m-%d} is not within {_EPOCH.year} to {YEAR_END - 1}; correct the year")
    since = moment - _EPOCH
    return (since.days * 86400 + since.seconds) * 1_000_000_000 + since.microseconds * 1000


# Reading TOML


def _toml_rows(text: str) -> list[_Row]:
    try:
        document = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        line = re.search(r"at line (\d+)", str(error))
        raise _whole_file(f"it is no TOML: {error}", int(line[1]) if line else None) from None
    problems = [
        Problem(None, key, "is no part of a register; write one [[drive]] table for each drive")
        for key in document
        if key != "drive"
    ]
    tables = document.get("drive", [])
    if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
        problems.append(Problem(None, "drive", "write [[drive]], with two brackets, above each drive"))
    if problems:
        raise RegisterFileError(problems)
    heads = [
        at
        for at, each in enumerate(text.split("\n"), 1)
        if re.match(r"\s*\[\[\s*[\"']?drive[\"']?\s*\]\]", each)
    ]
    known = len(heads) == len(
        tables
    )  # else a text holds what looks like a head, or the tables are written inline
    return [
        _toml_row(table, heads[at] if known else None, f"drive {at + 1}") for at, table in enumerate(tables)
    ]


def _toml_row(table: Mapping[str, Any], line: int | None, place: str) -> _Row:
    row = _Row(line, place, {}, [], frozenset(table))
    for name, value in table.items():
        if name not in COLUMNS:
            row.refuse(name, _unknown_text(name, "take it out, or put # before the line"))
            continue
        if value == "":  # as an empty cell
            continue
        try:
            row.values[name] = _from_toml(COLUMNS[name].kind, value)
        except ValueError as error:
            row.refuse(name, str(error))
    return row


def _from_toml(kind: str, value: Any) -> Any:
    """Return the value as the classes take it; they check its type. Raises ValueError for an instant that is none."""
    if isinstance(value, str):
        return _instant(value.strip()) if kind == "instant" else value.strip()
    if kind != "instant":
        return value
    if isinstance(value, datetime) and value.tzinfo is not None:
        return _ns(value)
    if isinstance(value, date) and not isinstance(value, datetime):
        return _ns(datetime(value.year, value.month, value.day, tzinfo=UTC))
    raise ValueError(
        f"{value!s} does not say an instant; write 2026-03-01, or with a time and its zone 2026-03-01T06:00:00Z"
    )
