"""`linklag drive`: the register from the command line.

Knows how a person gives and reads these things in a terminal; must not know how they are checked or stored
(`Operate`, `register_files`). What was asked for goes to standard output, what was done to standard error, so that
`export -` and `import -` can be piped.
"""

import getpass
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

import typer

from service.adapters.register_files import read_csv, read_toml, rfc3339, write_csv, write_toml
from service.commands import CommandError
from service.commands.parts import opened_database
from service.core.drive import Chain, Drive, Registration, baseline_at, chain_at, limit, spacing_mm
from service.measure_by_hand import HandReport, MeasureByHand
from service.operate import ImportResult, Operate
from service.ports import Newest, Register
from service.settings import Settings

Form = Literal["csv", "toml"]
Row = tuple[str, ...]

BY_HAND_MAX = 5  # measurements by hand that `show` lists
SHOWN_MAX = 10  # ids that one line of an import names


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedChain:
    """The chain as given on the command line, before the catalogue has filled it; `fitted` is a date or time."""

    designation: str = ""
    pitch_mm: float | None = None
    strands: int | None = None
    pitches_in_loop: int | None = None
    fitted: str | None = None


NO_CHAIN = FittedChain()


def add(settings: Settings, drive: dict[str, Any], chain: FittedChain) -> int:
    """Register one drive, given by the fields of `Drive`, with the chain on it where one is given."""
    now_ns = time.time_ns()
    with opened_database(settings) as database:
        operate = Operate(database.register, database.refused, database.readings)
        try:
            new = Drive(**drive)
            fitted = None if chain == NO_CHAIN else _described(operate, new.drive_id, chain, now_ns)
            result = operate.import_registrations([Registration(new, fitted)], at_ns=now_ns, by=who())
        except ValueError as error:
            raise CommandError(str(error)) from None
    if result.errors:
        raise CommandError(f"{new.drive_id} {result.errors[0].detail}")
    if not result.added:
        raise CommandError(f"{new.drive_id} is registered already, just so: nothing to do")
    bound = limit(new)
    _tell(f"added {new.drive_id}: limit {bound.limit_pct:.3g} %, bound by {bound.term}")
    if new.whole_pitches is None:
        _tell("no sensors: measured by hand; give -n once they are mounted")
    else:
        _tell(f"devices publish to {_topic(settings, new.drive_id)}")
    if fitted is None:
        _tell("no chain yet: readings have no elongation until one is registered (--chain, page or API)")
    return 0


def list_drives(settings: Settings, *, retired: bool) -> int:
    """Print a table of the drives, the most worn of their limit first."""
    now_ns = time.time_ns()
    with opened_database(settings) as database:
        newest = {each.drive_id: each for each in database.readings.newest()}
        rows = [
            (_used(each.drive, newest.get(each.drive.drive_id)), _row(each, newest.get(each.drive.drive_id)))
            for each in _registrations(database.register, now_ns, retired=retired)
        ]
    if not rows:
        _tell("no drives are registered: see linklag drive add --help and linklag drive import --help")
        return 0
    rows.sort(key=lambda row: (-row[0], row[1]))
    head = (
        "drive",
        "name",
        "chain",
        "n + d",
        "elongation",
        "+/- 95 %",
        "since baseline",
        "+/- 95 %",
        "limit",
        "bound by",
        "newest reading",
    )
    print_table([head, *(row for _, row in rows)])
    return 0


def show(settings: Settings, drive_id: str) -> int:
    """Print all that is registered of a drive, its newest reading and its newest measurements by hand."""
    with opened_database(settings) as database:
        drive = database.register.drive(drive_id)
        chains = database.register.chains(drive_id)
        baselines = [each for chain in chains for each in database.register.baselines(chain.chain_id)]
        newest = database.readings.newest_of(drive_id)
        operate = Operate(database.register, database.refused, database.readings)
        by_hand = MeasureByHand(database.register, database.readings, database.hand_values, operate)
        reports = by_hand.hand_reports(drive_id, BY_HAND_MAX)
    bound = limit(drive)
    rows = [*_facts("", drive), ("limit_pct", f"{bound.limit_pct:.3g}, bound by {bound.term}")]
    rows.append(("topic", _topic(settings, drive_id)))
    for chain in chains:
        rows += [("", ""), *_facts("chain ", chain)]
        if drive.whole_pitches is not None:
            rows.append(("chain spacing_mm", f"{spacing_mm(drive, chain):.2f}"))
    for baseline in baselines:
        rows += [("", ""), *_facts("baseline ", baseline)]
    if newest is not None:
        rows += [("", ""), *_facts("newest ", newest.reading)]
    if reports:
        rows += [("", ""), *(_by_hand(report) for report in reversed(reports))]
    print_table(rows)
    return 0


def _by_hand(report: HandReport) -> Row:
    """When it was measured by hand, and what that says; u is the standard uncertainty (k = 1)."""
    value, found = report.value, report.elongation
    said = (
        f"{found.elongation_pct:.3f} %, u {found.u_pct:.3f} %" if found.reliable else "slack: does not count"
    )
    how = f"{value.length_mm:g} mm over {value.pitches} pitches, {value.method.value}"
    return f"by hand {rfc3339(value.measured_ns)}", f"{said}; {how}, by {value.recorded_by}"


def import_file(settings: Settings, file: str, form: Form | None, *, dry_run: bool, replace: bool) -> int:
    """Register all drives of a file (- is standard input); tell what became of each; 1 where any was refused."""
    form = _form(file, form)
    try:
        content = sys.stdin.buffer.read() if file == "-" else Path(file).read_bytes()
    except OSError as error:
        raise CommandError(f"{file} cannot be read: {error.strerror}") from None
    try:
        registrations = (read_csv if form == "csv" else read_toml)(content)
    except ValueError as error:
        shown = "standard input" if file == "-" else file
        raise CommandError(
            "\n".join([f"nothing was imported from {shown}:", *str(error).splitlines()])
        ) from None
    with opened_database(settings) as database:
        operate = Operate(database.register, database.refused, database.readings)
        result = operate.import_registrations(
            registrations, replace=replace, dry_run=dry_run, at_ns=time.time_ns(), by=who()
        )
    for line in _told(result):
        _tell(line)
    return 1 if result.errors else 0


def export_file(settings: Settings, file: str, form: Form | None, *, retired: bool) -> int:
    """Write all drives to a file (- is standard output), as `import_file` reads them."""
    form = _form(file, form)
    with opened_database(settings) as database:
        registrations = list(_registrations(database.register, time.time_ns(), retired=retired))
    text = (write_csv if form == "csv" else write_toml)(registrations)
    try:
        if file == "-":
            sys.stdout.buffer.write(text.encode())
            sys.stdout.buffer.flush()
        else:
            Path(file).write_bytes(text.encode())
    except OSError as error:
        raise CommandError(f"{file} cannot be written: {error.strerror}") from None
    _tell(f"exported {len(registrations)} drives")
    return 0


def who() -> str:
    """Return the name under which the register notes what was done here."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # the user of a container may have no name
        return "command line"


def _described(operate: Operate, drive_id: str, chain: FittedChain, now_ns: int) -> Chain:
    return operate.describe_chain(
        drive_id,
        designation=chain.designation,
        pitch_mm=chain.pitch_mm,
        strands=chain.strands,
        pitches_in_loop=chain.pitches_in_loop,
        fitted_ns=now_ns if chain.fitted is None else _instant_ns(chain.fitted),
    )


def _instant_ns(text: str) -> int:
    """Return the instant that a date (its first, UTC) or an RFC 3339 time means."""
    try:
        instant = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"{text!r} is no date: give 2026-03-01, or 2026-03-01T14:30:00Z") from None
    if instant.tzinfo is None:
        instant = instant.replace(tzinfo=UTC)
    return int(instant.timestamp()) * 1_000_000_000


def _registrations(register: Register, at_ns: int, *, retired: bool) -> Iterator[Registration]:
    """Yield each drive with the chain on it now and the baseline in force."""
    for drive in register.drives(retired=retired):
        chain = chain_at(register.chains(drive.drive_id), at_ns)
        baseline = baseline_at(register.baselines(chain.chain_id), at_ns) if chain else None
        yield Registration(drive, chain, baseline)


def _form(file: str, form: Form | None) -> Form:
    """Return the form that was asked for, else the one that the name of the file says."""
    if form is not None:
        return form
    match Path(file).suffix.lower():
        case ".csv":
            return "csv"
        case ".toml":
            return "toml"
    raise CommandError(f"is {file} CSV or TOML? Give --format csv or --format toml")


def _used(drive: Drive, newest: Newest | None) -> float:
    """Return elongation over limit, -1 where nothing was measured."""
    measured = newest.measured if newest else None
    if measured is None or measured.elongation_pct is None:
        return -1.0
    return measured.elongation_pct / limit(drive).limit_pct


def _row(registration: Registration, newest: Newest | None) -> Row:
    drive, chain, bound = registration.drive, registration.chain, limit(registration.drive)
    measured = newest.measured if newest else None
    against_nominal = since = ("-", "-")
    if measured is not None:
        against_nominal = _with_u95(measured.elongation_pct, measured.elongation_u_pct)
        since = _with_u95(measured.since_pct, measured.since_u_pct)
    spacing = (
        "no sensors" if drive.whole_pitches is None else f"{drive.whole_pitches} + {drive.offset_pitches:g}"
    )
    return (
        drive.drive_id,
        drive.name,
        (chain.designation or f"{chain.pitch_mm:g} mm") if chain else "none",
        spacing,
        *against_nominal,
        *since,
        f"{bound.limit_pct:.3g} %",
        bound.term.value,
        rfc3339(newest.reading.t_ns // 1_000_000_000 * 1_000_000_000) if newest else "never",
    )


def _with_u95(pct: float | None, u_pct: float | None) -> tuple[str, str]:
    """Return a value and its expanded uncertainty, k = 2, as text; dashes where there is none."""
    return ("-", "-") if pct is None or u_pct is None else (f"{pct:.3f} %", f"{2 * u_pct:.3f} %")


def _facts(prefix: str, of: Any) -> Iterator[Row]:
    """Yield name and value of each field that has one; instants as RFC 3339."""
    for field in fields(of):
        value = getattr(of, field.name)
        if value is None or value == "":
            continue
        if field.name.endswith("_ns"):
            yield f"{prefix}{field.name.removesuffix('_ns')}_utc", rfc3339(value)
        else:
            yield f"{prefix}{field.name}", f"{value:.6g}" if isinstance(value, float) else str(value)


def _told(result: ImportResult) -> Iterator[str]:
    would = "would be " if result.dry_run else ""
    for word, drives in (
        ("added", result.added),
        ("changed", result.changed),
        ("unchanged", result.unchanged),
    ):
        if drives:
            yield f"{would if word != 'unchanged' else ''}{word}: {len(drives)} ({_shortened(drives)})"
    for problem in result.errors:
        yield f"{would}refused: {problem.drive_id} {problem.detail}"
    if not any((result.added, result.changed, result.unchanged, result.errors)):
        yield "the file holds no drives"


def _shortened(drives: Sequence[str]) -> str:
    more = len(drives) - SHOWN_MAX
    return ", ".join([*drives[:SHOWN_MAX], *([f"and {more} more"] if more > 0 else [])])


def _topic(settings: Settings, drive_id: str) -> str:
    return f"{settings.broker.root}/{drive_id}/pulses"


def _tell(line: str) -> None:
    typer.echo(line, err=True)


def print_table(rows: Sequence[Row]) -> None:
    """Print rows with their columns under each other."""
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    for row in rows:
        cells = (cell.ljust(width) for cell, width in zip(row, widths, strict=True))
        typer.echo("  ".join(cells).rstrip())
