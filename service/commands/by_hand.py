"""`linklag hand`: measurements by hand from the command line.

Knows how a person gives and reads these things in a terminal; must not know how they are checked or stored
(`MeasureByHand`). What was asked for goes to standard output, what was done to standard error.
"""

import textwrap
import time
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import typer

from service.adapters.database.connect import Database
from service.commands import CommandError
from service.commands.parts import opened_database
from service.commands.register import who
from service.core.fields import FieldsRefusedError
from service.core.hand import CalliperFigures, Card, HandMethod
from service.core.instant import format_rfc3339, parse_rfc3339
from service.measure_by_hand import HandReport, MeasureByHand
from service.operate import Operate
from service.settings import Settings

WIDTH = 78  # columns of the card, as a printer takes them
# Where an option is not called as the field of core that it fills.
OPTIONS = {
    "length_mm": "--length",
    "outside_mm": "--outside",
    "inside_mm": "--inside",
    "length_u_mm": "--length-u",
    "temp_c": "--temp-c",
    "recorded_by": "--by",
    "measured_ns": "--measured",
}


def add(
    settings: Settings, drive_id: str, method: str, fields: Mapping[str, Any], *, measured: str, by: str
) -> int:
    """Record a measurement and print what it says."""
    now_ns = time.time_ns()
    with opened_database(settings) as database:
        try:
            measured_ns = parse_rfc3339(_time(measured)) if measured else None
            report = _by_hand(database).record_hand_value(
                drive_id,
                method=HandMethod(method),
                **fields,
                measured_ns=measured_ns,
                at_ns=now_ns,
                by=by or who(),
            )
        except FieldsRefusedError as error:
            raise CommandError("\n".join(_by_options(error))) from None
        except ValueError as error:
            raise CommandError(f"--measured: {error}") from None
    for line in _said(report):
        typer.echo(line)
    typer.echo(f"recorded for {drive_id}, chain {report.value.chain_id}", err=True)
    return 0


def list_values(settings: Settings, drive_id: str) -> int:
    """Print the measurements of one drive, or the newest of each."""
    with opened_database(settings) as database:
        by_hand = _by_hand(database)
        if drive_id:
            reports = by_hand.hand_reports(drive_id)
        else:
            newest = [each.drive_id for each in database.hand_values.newest()]
            reports = [report for each in newest for report in by_hand.hand_reports(each, 1)]
    if not reports:
        typer.echo("nothing was measured by hand yet: see linklag hand add --help", err=True)
        return 0
    head = ("drive", "measured (UTC)", "elongation", "+/- 95 %", "mm left", "sensors", "how", "by")
    _print_table([head, *(_row(each) for each in reports)])
    return 0


def print_card(settings: Settings, drive_id: str) -> int:
    """Print the card of a drive."""
    now_ns = time.time_ns()
    with opened_database(settings) as database:
        card = _by_hand(database).card(drive_id, now_ns)
    for line in card_lines(card, now_ns):
        typer.echo(line)
    return 0


def baseline(settings: Settings, drive_id: str, *, why: str, by: str) -> int:
    """Record a baseline from the newest measurement, and say what it is."""
    with opened_database(settings) as database:
        made = _by_hand(database).record_baseline_by_hand(
            drive_id, why=why, at_ns=time.time_ns(), by=by or who()
        )
    typer.echo(
        f"baseline of {made.chain_id}: {made.elongation_pct:.3f} % (u = {made.elongation_u_pct:.3f} %) at "
        f"N0 = {made.pitches_between:.4f} pitches (u = {made.pitches_between_u:.4f}); {made.why}"
    )
    return 0


def _by_hand(database: Database) -> MeasureByHand:
    operate = Operate(database.register, database.refused, database.readings)
    return MeasureByHand(database.register, database.readings, database.hand_values, operate)


def _time(text: str) -> str:
    return text if "T" in text.upper() else f"{text}T00:00:00Z"


def _by_options(error: FieldsRefusedError) -> Iterator[str]:
    for field, problem in error.problems.items():
        told = problem.replace("confirm that you counted again", "give --counted-again")
        option = OPTIONS.get(field, f"--{field.replace('_', '-')}")
        yield f"{option}: {told}"


def _said(report: HandReport) -> Iterator[str]:
    found, value, limit_pct = report.elongation, report.value, report.limit.limit_pct
    if found.reliable:
        yield f"{found.elongation_pct:.2f} % +/- {2 * found.u_pct:.2f} % (k = 2)"
        left = report.remaining_mm
        over = f"{left:.1f} mm left until" if left >= 0 else f"{-left:.1f} mm OVER"
        yield f"{over} the limit of {limit_pct:.2f} % over these {value.pitches} pitches"
        yield (
            report.agreement.words
            if report.agreement
            else "no value of the sensors near that time to hold it against"
        )
    yield from report.warnings


def _row(report: HandReport) -> tuple[str, ...]:
    value, found = report.value, report.elongation
    sensors = "-"
    if report.live is not None and report.agreement is not None:
        agree = "agrees" if report.agreement.agree else "DISAGREES"
        sensors = f"{report.live.elongation_pct:.2f} % {agree}"
    numbers = (f"{found.elongation_pct:.2f} %", f"{2 * found.u_pct:.2f} %", f"{report.remaining_mm:.1f}")
    return (
        value.drive_id,
        _minute(value.measured_ns),
        *(numbers if found.reliable else ("slack", "-", "-")),
        sensors,
        f"{value.length_mm:g} mm / {value.pitches}, {value.method.value}",
        value.recorded_by,
    )


def _minute(t_ns: int) -> str:
    return format_rfc3339(t_ns)[:16].replace("T", " ")


def card_lines(card: Card, now_ns: int) -> Iterator[str]:
    """Yield the card as lines of text, cautions first."""
    drive, chain = card.drive, card.chain
    yield f"{drive.name or drive.drive_id}: MEASURE THE CHAIN BY HAND"
    yield ""
    yield "FIRST"
    for caution in card.cautions:
        yield from textwrap.wrap(caution, WIDTH, initial_indent="  ! ", subsequent_indent="    ")
    yield ""
    place = " / ".join(part for part in (drive.site, drive.area, drive.line) if part)
    of = f"{chain.designation or 'free pitch'}, {chain.pitch_mm:g} mm pitch"
    of += f", {chain.strands} strands" if chain.strands > 1 else ""
    of += f", {chain.pitches_in_loop} pitches in the loop" if chain.pitches_in_loop else ""
    yield from textwrap.wrap(
        f"{place + '. ' if place else ''}Drive {drive.drive_id}, chain {chain.chain_id}: {of}.", WIDTH
    )
    yield ""
    yield "THEN"
    for number, step in enumerate(card.steps, 1):
        yield from textwrap.wrap(step, WIDTH, initial_indent=f"  {number} ", subsequent_indent="    ")
    yield ""
    yield "RULE OR TAPE, pin centre to pin centre, mm"
    head = ("pitches", "new", "expected now", f"replace at {card.limit.limit_pct:.2f} %", "found")
    yield from _columns([head, *_span_rows(card)])
    if card.calliper is not None:
        yield ""
        yield f"OR CALLIPER, {card.calliper.pitches} pitches, at the end rollers, mm"
        yield from _columns(
            [("", "new", "expected now", "replace at", "found"), *_calliper_rows(card.calliper)]
        )
    yield ""
    yield "Measured by ______________  on ______________  tight or slack ______________"
    yield ""
    yield from textwrap.wrap(_small_print(card, now_ns), WIDTH)


def _span_rows(card: Card) -> Iterator[tuple[str, ...]]:
    for span in card.spans:
        expected = "-"
        if span.expected_mm is not None and span.expected_u_mm is not None:
            expected = f"{span.expected_mm:.1f} +/- {2 * span.expected_u_mm:.1f}"
        new = f"{span.new_least_mm:.1f} to {span.new_most_mm:.1f}"
        yield (str(span.pitches), new, expected, f"{span.limit_mm:.1f}", "________")


def _calliper_rows(figures: CalliperFigures) -> Iterator[tuple[str, ...]]:
    for name, words in (("outside", "outside, over them"), ("inside", "inside, between the same")):
        new, expected, limit = (
            getattr(figures, f"{when}_{name}_mm") for when in ("new", "expected", "limit")
        )
        yield (
            words,
            f"{new:.2f}",
            "-" if expected is None else f"{expected:.2f}",
            f"{limit:.2f}",
            "________",
        )


def _small_print(card: Card, now_ns: int) -> str:
    told = []
    if card.last is not None:
        by = "the sensors" if card.last.by == "live" else "hand"
        told.append(
            f"Expected now: {card.last.elongation_pct:.2f} % by {by} on {format_rfc3339(card.last.t_ns)[:10]}, "
            "+/- what that and a rule are unsure of (k = 2)."
        )
    told.append(f"Limit {card.limit.limit_pct:.2f} %: {card.limit.term.value.replace('_', ' ')}.")
    if card.measured_least_mm is not None:
        told.append(
            f"New: tolerance of ISO 606 over {card.measured_least_mm:g} mm at least; with attachments up to "
            f"{card.new_attachments_mm:.1f} mm over {card.spans[0].pitches} pitches."
        )
    told.append(f"Printed {_minute(now_ns)} UTC.")
    told.append(f"Enter what you find: linklag hand add {card.drive.drive_id} --help")
    return " ".join(told)


def _columns(rows: Sequence[tuple[str, ...]]) -> Iterator[str]:
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    for row in rows:
        yield "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()


def _print_table(rows: Sequence[tuple[str, ...]]) -> None:
    for line in _columns(rows):
        typer.echo(line)
