"""The pulses of a drive as under a stroboscope: the newest window as a page, kept live by `static/strobe.js`, and as a file."""

from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response

from service.adapters.web import words
from service.adapters.web.allowed import needs
from service.adapters.web.instants import rfc3339
from service.adapters.web.parts import Parts, PartsDep
from service.adapters.web.saving import Figure, FigureForm, saved
from service.adapters.web.strobe_picture import Held, draw_strobe
from service.adapters.web.templating import render
from service.core.people import Role
from service.core.strobe import Strobe
from service.look_at_pulses import Seen, pulses_of_drive
from service.ports import NotFoundError

router = APIRouter()

VIEWER = needs(Role.VIEWER)
FEET_PER_MIN = 60 / 0.3048  # in a metre a second


@router.get("/drives/{drive_id}/strobe", response_class=HTMLResponse)
def strobe_page(request: Request, parts: PartsDep, drive_id: str) -> HTMLResponse:
    """The newest pulses of a drive, or why there are none to show."""
    now_ns = parts.now_ns()
    seen = _seen(parts, drive_id, now_ns)
    held = _held(seen)
    values: dict[str, Any] = {
        "drive": seen.drive,
        "seen": seen,
        "strobe": seen.strobe,
        "finding": words.NOT_MEASURED[seen.reason] if seen.reason else None,
        "picture": draw_strobe(seen.strobe, held) if seen.strobe and held else "",
        "number": words.number_words,
        "elongation": _elongation(seen),
        "feet_per_min": FEET_PER_MIN,
        "age_s": max(0.0, (now_ns - seen.shown_ns) / 1e9) if seen.shown_ns else None,
    }
    return render(request, "strobe.html", values, now_ns=now_ns)


@router.get("/drives/{drive_id}/strobe.{form}", dependencies=[VIEWER])
def strobe_file(parts: PartsDep, drive_id: str, form: FigureForm) -> Response:
    """The same picture as a file, with a row for each pulse of `down`. 404 where there is nothing to show."""
    seen = _seen(parts, drive_id, parts.now_ns())
    held = _held(seen)
    if seen.strobe is None or held is None:
        raise NotFoundError(
            f"no window of pulses of {drive_id!r} that is kept shows a lag: its strobe page says why"
        )
    return saved(parts, _figure(seen, seen.strobe, held), form)


def _seen(parts: Parts, drive_id: str, now_ns: int) -> Seen:
    return pulses_of_drive(drive_id, parts.register, parts.readings, parts.raw_batches, now_ns)


def _held(seen: Seen) -> Held | None:
    if seen.chain is None or seen.new_pitches is None or seen.limit_pitches is None:
        return None
    return Held(
        new_pitches=seen.new_pitches,
        limit_pitches=seen.limit_pitches,
        pitch_mm=seen.chain.pitch_mm,
        corrected=seen.reading.pitches_between if seen.reading else None,
    )


def _elongation(seen: Seen) -> tuple[str, str] | None:
    """The elongation that the shown window gave, with its expanded uncertainty; None where it gave none."""
    reading = seen.reading
    if reading is None or reading.elongation_pct is None or reading.elongation_u_pct is None:
        return None
    return words.elongation_words(reading.elongation_pct, reading.elongation_u_pct)


def _figure(seen: Seen, strobe: Strobe, held: Held) -> Figure:
    ended = rfc3339(seen.shown_ns, 3) if seen.shown_ns is not None else ""
    return Figure(
        name="strobe",
        title=f"{seen.drive.name or seen.drive.drive_id}: pulses as under a stroboscope",
        subject=seen.drive.drive_id,
        svg=draw_strobe(strobe, held),
        head=("window_ended", "s_before_last_pulse", "pitches_between", "every_second_joint"),
        rows=(
            (ended, round(at_s, 6), round(apart, 6), int(odd))
            for at_s, apart, odd in zip(
                strobe.at_s.tolist(), strobe.apart.tolist(), strobe.odd.tolist(), strict=True
            )
        ),
        notes=(
            f"Window that ended {ended}. To the right is more worn. Triangle: mean of the pulses; diamond: after corrections.",
            "Each tick is one pulse of down against the joint at up; every second joint above the line, the others below it.",
        ),
    )
