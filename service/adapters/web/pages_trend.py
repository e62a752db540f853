"""The trend of a drive: as a part of its page, as that part alone, which a script fetches for another window, and as a file."""

from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, Response

from service.adapters.web.allowed import needs
from service.adapters.web.parts import Parts, PartsDep
from service.adapters.web.problems import refusals
from service.adapters.web.saving import FigureForm, saved
from service.adapters.web.series import replaced
from service.adapters.web.templating import render
from service.adapters.web.time_lane import SHAPES
from service.adapters.web.trend_view import (
    Subject,
    Trend,
    subject_of,
    told_happenings,
    told_points,
    trend_figure,
    trend_of,
    view_of,
)
from service.adapters.web.window import LEAST_NS, MOST_NS, SPANS, TrendAsked, own_window
from service.core.people import Role

router = APIRouter()

VIEWER = needs(Role.VIEWER)
AskedDep = Annotated[TrendAsked, Query()]


@router.get("/drives/{drive_id}/trend", response_class=HTMLResponse, dependencies=[VIEWER])
def trend_part(request: Request, parts: PartsDep, drive_id: str, asked: AskedDep) -> HTMLResponse:
    """The trend over a window, as the page of the drive shows it, by itself."""
    subject, trend = asked_trend(parts, drive_id, asked)
    values = of_drive(parts, subject, trend)
    return render(request, "trend_part.html", values, now_ns=subject.now_ns)


@router.get("/drives/{drive_id}/trend.{form}", dependencies=[VIEWER])
def trend_file(parts: PartsDep, drive_id: str, form: FigureForm, asked: AskedDep) -> Response:
    """The trend over a window as a picture, or the numbers behind it."""
    return saved(parts, trend_figure(*asked_trend(parts, drive_id, asked)), form)


def asked_trend(parts: Parts, drive_id: str, asked: TrendAsked) -> tuple[Subject, Trend]:
    """Return the trend that is asked for. Raises ProblemError (422) where the window is none, and NotFoundError."""
    now_ns = parts.now_ns()
    subject = subject_of(parts, drive_id, now_ns)
    with refusals():
        own = own_window(asked, now_ns)
    return subject, trend_of(parts, subject, view_of(parts, subject, asked, own))


def of_drive(parts: Parts, subject: Subject, trend: Trend) -> dict[str, Any]:
    """Return what the template of the trend needs."""
    frame, window = trend.frame, trend.view.window
    groups, all_counted = replaced(parts.readings, subject.drive.drive_id, frame.from_ns, window.to_ns)
    return {
        "drive_id": subject.drive.drive_id,
        "sensorless": subject.drive.whole_pitches is None
        and parts.readings.newest_of(subject.drive.drive_id) is None,
        "baseline": subject.baseline,
        "trend": trend,
        "window": window,
        "span": window.span,
        "spans": {name: words for name, (words, _) in SPANS.items()},
        "scale": "limit" if trend.view.to_limit else "data",
        "of": "since" if trend.view.since else "",
        "replaced": groups,
        "all_replaced_counted": all_counted,
        "told_points": told_points(trend),
        "told_happenings": told_happenings(trend),
        "shapes": SHAPES,
        "least_ms": LEAST_NS // 1_000_000,
        "most_ms": MOST_NS // 1_000_000,
    }
