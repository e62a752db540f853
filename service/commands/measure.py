"""`linklag measure`: the elongation in a capture, with no broker and no register.

Reads the capture, converts each window as the worker would, and tells what came of it: to the terminal, and where asked
as a table and a picture. The numbers are core's own; nothing here estimates anything but what many windows say together
(`capture_series`).
"""

import csv
import sys
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import typer

from service.adapters.capture_files import CaptureError, MessageFile, read_capture
from service.adapters.capture_plot import Picture, PlotError, check_plot, save_plot
from service.adapters.pulse_tables import PulseTimes, Wanted
from service.adapters.web.words import NOT_MEASURED
from service.commands import CommandError
from service.commands.capture_series import (
    Links,
    SeriesError,
    Setup,
    Summary,
    Window,
    cut,
    lap_window_s,
    mapped,
    measured,
    own_u_pct,
    summarise,
)
from service.commands.captured import batch_of, drive_and_form
from service.core import catalogue
from service.core.alternation import fits
from service.core.batch import Batch
from service.core.drive import Baseline, Chain, Drive, spacing_mm
from service.core.elongation import Budget
from service.core.instant import format_rfc3339
from service.core.link_map import LAPS_MIN
from service.core.reading import NotMeasured, Reading
from service.core.wire import Refusal

DRIVE = "capture"  # stands for the drive where the capture names none
WINDOW_S = 10.0
BATCHES_MAX = 200_000
ROWS_SHOWN_MAX = 40
REFUSED_SHOWN_MAX = 5
AGREE_COVERAGE = 3.0  # combined standard uncertainties by which two ways to the elongation may differ

CAUTION = (
    "Before anyone goes to the drive: stop it, lock it out and tag it out, release stored energy and verify; put every "
    "guard back. Take a lifting chain out of service on any doubt. Local codes and licensed practice come first; linklag "
    "is a maintenance aid and no safety function."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """What the person says of the drive, as the command line has it; lengths in mm, elongations in per cent."""

    designation: str = ""
    pitch_mm: float | None = None
    whole_pitches: int | None = None
    offset_pitches: float = 0.0
    spacing_u_mm: float = 0.5
    pitches_in_loop: int | None = None
    driver_teeth: int | None = None
    up_to_driver_mm: float | None = None
    baseline_pitches: float | None = None
    baseline_pitches_u: float = 0.0
    baseline_pct: float = 0.0
    baseline_u_pct: float = 0.0
    about_pct: float | None = None
    temp_c: float | None = None
    mount_c: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """How the capture is to be read, and where to beside the terminal."""

    wanted: Wanted = field(default_factory=Wanted)
    window_s: float | None = None
    drive_id: str | None = None
    table: Path | None = None
    links: Path | None = None
    plot: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Capture:
    """The windows of one drive out of a capture, and what there is to say of it."""

    batches: list[Batch]
    about: str
    notes: list[str]
    since_1970: bool


def measure(file: str, given: Given, asked: Asked) -> int:
    """Measure a capture (- is standard input) and tell; return the exit code: 1 where no window gave an elongation."""
    _check_outputs(file, asked)
    setup = _setup(given)
    capture = _read(file, given, asked)
    windows = measured(capture.batches, setup)
    summary = summarise(windows)
    links = mapped(windows, setup, summary.elongation_pct) if summary else None
    for note in capture.notes:
        typer.echo(note, err=True)
    typer.echo(f"{file}: {capture.about}")
    typer.echo(_described(setup))
    typer.echo("")
    for line in _rows_told(windows, capture):
        typer.echo(line)
    typer.echo("")
    for line in _summary_told(summary, windows) if summary else _reasons_told(windows):
        typer.echo(line)
    for line in _links_told(links) if links else ():
        typer.echo(line)
    if asked.table is not None:
        _write_table(asked.table, windows, capture)
    if asked.links is not None:
        _write_links(asked.links, links)
    if asked.plot is not None:
        _draw(asked.plot, _picture(file, setup, windows, summary, links, capture) if summary else None)
    return 0 if summary else 1


def _check_outputs(file: str, asked: Asked) -> None:
    outputs = {"--table": asked.table, "--links": asked.links, "--plot": asked.plot}
    for out in outputs.values():
        if out is not None and file != "-" and Path(file).exists() and out.exists() and out.samefile(file):
            raise CommandError(f"{out} is the capture itself; give another name for what comes out")
    if asked.plot is not None:
        try:
            check_plot(asked.plot)
        except PlotError as error:
            raise CommandError(str(error)) from None
    for option, out in outputs.items():
        if out is not None and not out.absolute().parent.is_dir():
            raise CommandError(f"{out}: there is no such folder; make it, or give another {option}")


# What is measured -----------------------------------------------------------------------------------------


def _setup(given: Given) -> Setup:
    """Return drive, chain and baseline as core has them. Raises CommandError saying what is missing or wrong."""
    if given.whole_pitches is None and given.baseline_pitches is None:
        raise CommandError(
            "how many pitches lie between the sensors? Give --whole-pitches (and --offset), or --baseline-pitches"
        )
    try:
        drive = Drive(
            drive_id=DRIVE,
            whole_pitches=given.whole_pitches,
            offset_pitches=given.offset_pitches,
            spacing_u_mm=given.spacing_u_mm,
            driver_teeth=given.driver_teeth,
            up_to_driver_mm=given.up_to_driver_mm,
        )
        chain = Chain(
            chain_id=DRIVE,
            drive_id=DRIVE,
            designation=given.designation,
            pitch_mm=catalogue.pitch_of(given.designation, given.pitch_mm),
            pitches_in_loop=given.pitches_in_loop,
            fitted_ns=0,
        )
        return Setup(drive=drive, chain=chain, baseline=_baseline(given), about_pct=given.about_pct)
    except ValueError as error:
        raise CommandError(str(error)) from None


def _baseline(given: Given) -> Baseline | None:
    if given.baseline_pitches is None:
        return None
    return Baseline(
        chain_id=DRIVE,
        pitches_between=given.baseline_pitches,
        pitches_between_u=given.baseline_pitches_u,
        elongation_pct=given.baseline_pct,
        elongation_u_pct=given.baseline_u_pct,
        taken_ns=0,  # long ago: nobody said when, so the chain may have worn by as much as one can
        recorded_ns=0,
        recorded_by="",
        why="",
    )


def _described(setup: Setup) -> str:
    drive, chain, baseline = setup.drive, setup.chain, setup.baseline
    name = f"{chain.designation}, " if chain.designation else ""
    parts = [f"{name}pitch {chain.pitch_mm:g} mm"]
    if baseline is None:
        parts.append(
            f"{drive.whole_pitches} + {drive.offset_pitches:g} pitches between the sensors: "
            f"{spacing_mm(drive, chain):.2f} mm, u = {drive.spacing_u_mm:g} mm"
        )
    else:
        parts.append(
            f"baseline {baseline.pitches_between:g} pitches (u = {baseline.pitches_between_u:g}) at "
            f"{baseline.elongation_pct:g} % (u = {baseline.elongation_u_pct:g} %)"
        )
    parts.append(f"loop of {chain.pitches_in_loop} pitches" if chain.pitches_in_loop else "loop not known")
    return "; ".join(parts)


# Reading --------------------------------------------------------------------------------------------------


@contextmanager
def _opened(file: str) -> Iterator[BinaryIO]:
    if file == "-":
        yield sys.stdin.buffer
        return
    try:
        stream = Path(file).open("rb")  # noqa: SIM115 (closed below)
    except OSError as error:
        raise CommandError(f"{file} cannot be read ({error.strerror})") from None
    with stream:
        yield stream


def _read(file: str, given: Given, asked: Asked) -> _Capture:
    """Return the windows of the capture. Raises CommandError with the line that is wrong and what would mend it."""
    try:
        with _opened(file) as stream:
            found = read_capture(stream, asked.wanted)
            capture = (
                _of_table(found, given, asked)
                if isinstance(found, PulseTimes)
                else _of_messages(found, asked)
            )
    except (CaptureError, SeriesError) as error:
        raise CommandError(f"{file}, {error}") from None
    except OSError as error:
        raise CommandError(f"{file} cannot be read ({error.strerror})") from None
    batches = [_with_temperatures(batch, given) for batch in capture.batches]
    return replace(capture, batches=batches)


def _with_temperatures(batch: Batch, given: Given) -> Batch:
    """Return the batch with the temperatures that were given, where it came without."""
    temp_c = given.temp_c if batch.temp_c is None else batch.temp_c
    mount_c = given.mount_c if batch.mount_c is None else batch.mount_c
    return replace(batch, drive_id=DRIVE, temp_c=temp_c, mount_c=mount_c)


def _of_table(pulses: PulseTimes, given: Given, asked: Asked) -> _Capture:
    window_s = asked.window_s
    if window_s is None and given.pitches_in_loop is not None:
        window_s = lap_window_s(pulses, given.pitches_in_loop)
    batches = cut(pulses, window_s or WINDOW_S, DRIVE)
    length_s = (batches[-1].end_ns - batches[0].t0_ns) / 1e9
    about = (
        f"{len(pulses.up_ns)} pulses of up and {len(pulses.down_ns)} of down in {length_s:.3f} s, tick {_tick(pulses.tick_ns)}; "
        f"{len(batches)} windows of {(batches[0].span_ns or 0) / 1e9:.3f} s"
    )
    return _Capture(batches=batches, about=about, notes=[], since_1970=pulses.since_1970)


def _tick(tick_ns: int) -> str:
    return f"{tick_ns / 1000:g} us" if tick_ns < 10**6 else f"{tick_ns / 10**6:g} ms"


def _of_messages(messages: MessageFile, asked: Asked) -> _Capture:
    """Return the batches of one drive in the order of their time, each once, with notes on what was left out."""
    batches: dict[tuple[str, int, int], Batch] = {}
    seen: Counter[str] = Counter()
    refused: list[str] = []
    twice = 0
    for message in messages:
        drive_id, form = drive_and_form(message)
        found = batch_of(message, DRIVE)
        if found is None or (asked.drive_id is not None and drive_id != asked.drive_id):
            continue
        seen[drive_id] += 1
        if isinstance(found, Refusal):
            refused.append(f"line {message.line} is refused ({form}): {found.detail}")
            continue
        key = found.device_id, found.t0_ns, found.seq
        twice += key in batches
        batches[key] = found
        if len(batches) > BATCHES_MAX:
            raise CaptureError(f"line {message.line}: over {BATCHES_MAX} batches; divide the capture")
    _check_drives(seen, asked)
    if not batches:
        raise CaptureError("\n".join(["it holds no batch that can be read", *refused[:REFUSED_SHOWN_MAX]]))
    ordered = sorted(batches.values(), key=lambda batch: (batch.t0_ns, batch.seq))
    notes = refused[:REFUSED_SHOWN_MAX]
    if len(refused) > len(notes):
        notes.append(f"and {len(refused) - len(notes)} more are refused")
    if twice:
        notes.append(f"{twice} batches were sent twice and are counted once")
    if messages.cut_off_line is not None:
        notes.append(f"line {messages.cut_off_line} is cut off and left out: its writer was killed there")
    name = next(iter(seen)) or "no drive named"
    about = f"{name}, {len(ordered)} batches from {_utc(ordered[0].t0_ns)} to {_utc(ordered[-1].end_ns)}"
    return _Capture(batches=ordered, about=about, notes=notes, since_1970=True)


def _check_drives(seen: Counter[str], asked: Asked) -> None:
    if len(seen) > 1:
        shown = ", ".join(f"{drive_id or 'none'} ({count})" for drive_id, count in seen.most_common(20))
        raise CaptureError(f"it holds batches of {len(seen)} drives: choose one with --drive: {shown}")
    if not seen and asked.drive_id is not None:
        raise CaptureError(f"it holds no batch of {asked.drive_id}; leave --drive out to see whose it holds")


# Telling --------------------------------------------------------------------------------------------------


def _utc(t_ns: int) -> str:
    return format_rfc3339(t_ns // 10**6 * 10**6)[:23] + "Z"


def _start(window: Window, capture: _Capture) -> str:
    """Return when a window begins: an instant, or seconds from the start where the capture's clock knows none."""
    if capture.since_1970:
        return _utc(window.batch.t0_ns)
    return f"{(window.batch.t0_ns - capture.batches[0].t0_ns) / 1e9:.2f} s"


def _rows_told(windows: Sequence[Window], capture: _Capture) -> Iterator[str]:
    heading = (
        "from",
        "length",
        "elongation",
        "+/- U",
        "speed",
        "coherence",
        "laps",
        "missed",
        "extra",
        "alternation",
    )
    cells = [heading, *(_row(each, capture) for each in windows[:ROWS_SHOWN_MAX])]
    widths = [
        max(len(row[at]) for row in cells if at < len(row) - (len(row) < len(heading)))
        for at in range(len(heading))
    ]
    for row in cells:
        padded = [cell.rjust(width) for cell, width in zip(row, widths, strict=False)]
        if len(row) < len(heading):
            padded[-1] = row[-1]
        yield "  ".join(padded).rstrip()
    if len(windows) > ROWS_SHOWN_MAX:
        yield f"and {len(windows) - ROWS_SHOWN_MAX} more windows: --table FILE has all of them"


def _row(window: Window, capture: _Capture) -> tuple[str, ...]:
    """Return the cells of one window; missed, extra and alternation are those of up and down. Fewer where not measured."""
    reading = window.reading
    length = f"{(reading.t_ns - reading.t0_ns) / 1e9:.2f} s"
    if reading.elongation_pct is None or reading.elongation_u_pct is None:
        what = NOT_MEASURED[reading.reason or NotMeasured.STOPPED].what
        return (
            _start(window, capture),
            length,
            f"{what} ({reading.up_pulses} pulses of up, {reading.down_pulses} of down)",
        )
    return (
        _start(window, capture),
        length,
        f"{reading.elongation_pct:.3f} %",
        f"{2 * reading.elongation_u_pct:.3f} %",
        f"{reading.speed_m_s:.3f} m/s",
        f"{reading.coherence:.4f}",
        str(reading.whole_laps),
        f"{reading.up_missed}, {reading.down_missed}",
        f"{reading.up_extra}, {reading.down_extra}",
        _pair(reading.up_alternation_pct, reading.down_alternation_pct),
    )


def _pair(up: float | None, down: float | None) -> str:
    return "-" if up is None or down is None else f"{up:.2f}, {down:.2f} %"


TERM_WORDS = {
    "jitter_pct": "jitter and tick",
    "sample_pct": "links not seen",
    "scatter_pct": "scatter beyond these",
    "polygon_pct": "polygon effect",
    "delay_pct": "switching delay",
    "temperature_pct": "temperature",
    "load_pct": "load",
    "spacing_pct": "spacing or baseline N0",
    "start_pct": "baseline e0",
}


def _summary_told(summary: Summary, windows: Sequence[Window]) -> Iterator[str]:
    """Yield what all windows say together, a line each."""
    yield (
        f"elongation   {summary.elongation_pct:.3f} % +/- {2 * summary.u_pct:.3f} % (k = 2), mean of {summary.windows} of "
        f"{len(windows)} windows, {summary.pitches} pitches"
    )
    terms = sorted(summary.terms.items(), key=lambda term: -term[1])
    shown = ", ".join(
        f"{TERM_WORDS.get(name, name)} {value:.4f}" for name, value in terms if value >= 0.00005
    )
    yield f"made of      {shown} (standard uncertainties, per cent, largest first)"
    if summary.trend is not None:
        slope, u = summary.trend.pct_per_h, summary.trend.u_pct_per_h
        sure = "" if abs(slope) > 2 * u else ": none that shows"
        yield f"trend        {slope:+.3f} +/- {2 * u:.3f} % an hour (k = 2){sure}"
    if summary.up_alternation is not None and summary.down_alternation is not None:
        yield from _alternation_told(summary, summary.up_alternation, summary.down_alternation)
    readings = [each.reading for each in windows if each.reading.elongation_pct is not None]
    if by_it := sum(reading.by_alternation for reading in readings):
        yield f"whole number of pitches by alternation in {by_it} windows: more than one fits; --about settles it"
    speeds = [reading.speed_m_s for reading in readings if reading.speed_m_s is not None]
    yield f"speed        {np.mean(speeds):.3f} m/s ({min(speeds):.3f} to {max(speeds):.3f})"
    coherences = [reading.coherence for reading in readings if reading.coherence is not None]
    yield f"coherence    {np.mean(coherences):.4f}, at least {min(coherences):.4f}"
    for sensor in ("up", "down"):
        sums = [
            sum(getattr(reading, f"{sensor}_{what}") for reading in readings)
            for what in ("pulses", "missed", "extra")
        ]
        yield f"{sensor:12} {sums[0]} pulses, {sums[1]} missed, {sums[2]} extra"


def _alternation_told(summary: Summary, up: tuple[float, float], down: tuple[float, float]) -> Iterator[str]:
    """Yield the independent check: elongation by long and short links of one sensor, without spacing or baseline."""
    yield f"alternation  up {up[0]:.3f} +/- {2 * up[1]:.3f} %, down {down[0]:.3f} +/- {2 * down[1]:.3f} % (k = 2)"
    mean = (up[0] + down[0]) / 2, max(up[1], down[1])
    if not fits(summary.elongation_pct, summary.u_pct, mean, AGREE_COVERAGE):
        yield (
            f"they differ  lag says {summary.elongation_pct:.3f} %, alternation {mean[0]:.3f} %: by more than "
            f"{AGREE_COVERAGE:g} standard uncertainties. Check n, offset, baseline and which sensor is up; has a bracket moved?"
        )
        yield CAUTION


def _reasons_told(windows: Sequence[Window]) -> Iterator[str]:
    """Yield why no window gave an elongation, the most frequent reason first, with what would mend it."""
    yield "no elongation could be measured:"
    for reason, count in Counter(each.reading.reason for each in windows).most_common():
        finding = NOT_MEASURED[reason or NotMeasured.STOPPED]
        yield f"  {count} of {len(windows)} windows: {finding.what}. {_mend(reason, finding.mend)}"
    yield CAUTION


def _mend(reason: NotMeasured | None, usual: str) -> str:
    """Return what mends it here, where that differs from what mends it on a page."""
    match reason:
        case NotMeasured.AMBIGUOUS:
            return "Say about what the elongation is, from a hand measurement for instance: --about."
        case NotMeasured.OUT_OF_RANGE:
            return "Check --chain, --whole-pitches and --offset, and whether up and down are swapped (--up, --down)."
        case NotMeasured.TOO_FEW_PULSES:
            return "Give a longer --window-s, or capture for longer."
        case NotMeasured.SPEED_CHANGE:
            return "Capture at steady speed, or for longer."
        case NotMeasured.WINDOW_TOO_LONG:
            return "Give a shorter --window-s."
    return usual


def _links_told(links: Links) -> Iterator[str]:
    """Yield what the map of the links shows, and each fault with where it is."""
    link_map = links.link_map
    if link_map is None:
        yield f"links        no map: {links.laps:.1f} laps were seen, {LAPS_MIN:g} of all joints are needed"
        return
    least, most = int(np.argmin(link_map.elongation_pct)), int(np.argmax(link_map.elongation_pct))
    u_pct = float(np.median(link_map.u_pct))
    yield (
        f"links        {link_map.pitches} from {links.laps:.1f} laps, each +/- {2 * u_pct:.2f} % (k = 2) against the mean: "
        f"{link_map.elongation_pct[least]:.2f} % (link {least}) to {link_map.elongation_pct[most]:.2f} % (link {most})"
    )
    yield f"{'':13}joint 0 is the first one seen at `up`; link 0 comes behind it"
    if links.lost:
        yield f"{'':13}the place on the chain was lost {links.lost} times, until its pattern showed it again"
    for fault in links.faults:
        yield f"{'':13}{fault.words}"
    if links.faults:
        yield CAUTION


# Table and picture ----------------------------------------------------------------------------------------


def _write_table(path: Path, windows: Sequence[Window], capture: _Capture) -> None:
    """Write one row a window, RFC 4180: all of the reading, and what its uncertainty is made of (u_..., k = 1)."""
    left_out = {"drive_id", "chain_id", "t0_ns", "t_ns", "baseline_taken_ns", "baseline_recorded_ns"}
    names = [each.name for each in fields(Reading) if each.name not in left_out]
    terms = [each.name for each in fields(Budget)]
    heading = [
        "window",
        "start_utc" if capture.since_1970 else "start_s",
        "length_s",
        *names,
        *(f"u_{name}" for name in terms),
    ]
    try:
        with path.open("w", newline="", encoding="utf-8") as out:
            writer = csv.writer(out)
            writer.writerow(heading)
            for number, each in enumerate(windows, 1):
                reading, budget = each.reading, each.budget
                start = _start(each, capture).removesuffix(" s")
                values: Iterable[Any] = (getattr(reading, name) for name in names)
                terms_of = (None if budget is None else getattr(budget, name) for name in terms)
                length_s = (reading.t_ns - reading.t0_ns) / 1e9
                writer.writerow([number, start, length_s, *map(_cell, values), *terms_of])
    except OSError as error:
        raise CommandError(f"{path} cannot be written ({error.strerror}); give another --table") from None


def _cell(value: Any) -> Any:
    """Return a value as a cell: free text that a spreadsheet would run as a formula gets an apostrophe before it."""
    if isinstance(value, str) and value[:1] in set("=+-@\t"):
        return f"'{value}"
    return int(value) if isinstance(value, bool) else value


def _write_links(path: Path, links: Links | None) -> None:
    """Write one row a link, RFC 4180; u_pct is k = 1, against the mean. Nothing where there is no map."""
    link_map = links.link_map if links is not None else None
    if link_map is None:
        typer.echo(
            f"{path} is not written: a map needs --loop and {LAPS_MIN:g} laps with an elongation", err=True
        )
        return
    kinds = {1: "long", -1: "short", 0: "cranked"}
    try:
        with path.open("w", newline="", encoding="utf-8") as out:
            writer = csv.writer(out)
            writer.writerow(["link", "kind", "elongation_pct", "u_pct"])
            for link, (sign, value, u) in enumerate(
                zip(
                    link_map.sign.tolist(),
                    link_map.elongation_pct.tolist(),
                    link_map.u_pct.tolist(),
                    strict=True,
                )
            ):
                writer.writerow([link, kinds[round(sign)], value, u])
    except OSError as error:
        raise CommandError(f"{path} cannot be written ({error.strerror}); give another --links") from None


def _draw(path: Path, picture: Picture | None) -> None:
    if picture is None:
        typer.echo(f"{path} is not drawn: there is nothing to show", err=True)
        return
    try:
        save_plot(picture, path)
    except PlotError as error:
        raise CommandError(str(error)) from None


def _picture(
    file: str,
    setup: Setup,
    windows: Sequence[Window],
    summary: Summary,
    links: Links | None,
    capture: _Capture,
) -> Picture:
    begin_ns = capture.batches[0].t0_ns
    since = f"{_utc(begin_ns)}" if capture.since_1970 else "the first pulse"
    link_map = links.link_map if links is not None else None
    return Picture(
        title=f"{Path(file).name}: {summary.elongation_pct:.3f} % ± {2 * summary.u_pct:.3f} % (k = 2)\n{_described(setup)}",
        time_label=f"seconds since {since}",
        start_s=np.array([(each.batch.t0_ns - begin_ns) / 1e9 for each in windows]),
        end_s=np.array([(each.reading.t_ns - begin_ns) / 1e9 for each in windows]),
        elongation_pct=_column(windows, "elongation_pct"),
        own_u_pct=np.array([np.nan if each.budget is None else own_u_pct(each.budget) for each in windows]),
        mean_pct=summary.elongation_pct,
        mean_u_pct=summary.u_pct,
        up_alternation_pct=_column(windows, "up_alternation_pct"),
        down_alternation_pct=_column(windows, "down_alternation_pct"),
        speed_m_s=_column(windows, "speed_m_s"),
        missed=_share(windows, "missed"),
        extra=_share(windows, "extra"),
        links_pct=None if link_map is None else link_map.elongation_pct,
        links_u_pct=None if link_map is None else link_map.u_pct,
        notes=[fault.words.split(":")[0] for fault in links.faults] if links is not None else [],
    )


def _column(windows: Sequence[Window], name: str) -> Any:
    values = [getattr(each.reading, name) for each in windows]
    return np.array([np.nan if value is None else value for value in values], np.float64)


def _share(windows: Sequence[Window], what: str) -> Any:
    counts = _column(windows, f"up_{what}") + _column(windows, f"down_{what}")
    pulses = _column(windows, "up_pulses") + _column(windows, "down_pulses")
    return counts / np.maximum(pulses, 1)
