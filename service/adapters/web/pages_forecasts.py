"""Page: when each chain reaches its limit, and how good past forecasts were. And what of it the board and a drive's page show."""

from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from service.adapters.web import chart, forecast_words
from service.adapters.web.api_forecasts import newest_of, newest_of_all
from service.adapters.web.forecast_schemas import quality_words
from service.adapters.web.parts import Parts, PartsDep
from service.adapters.web.templating import render
from service.core.forecast_quality import judge_forecasts
from service.core.prognosis import Outcome
from service.ports import KeptPrognosis

router = APIRouter()


@router.get("/forecasts", response_class=HTMLResponse)
def forecasts(request: Request, parts: PartsDep) -> HTMLResponse:
    """All drives by when their chain reaches its limit, and past forecasts held against what came."""
    now_ns = parts.now_ns()
    drives = parts.board.snapshot().drives
    found = [(drives[each.drive_id], shown(parts, each)) for each in newest_of_all(parts)]
    told = {drive.drive_id for drive, _ in found}
    values = {
        "dated": [row for row in found if row[1]["dates"] or row[1]["reached"]],
        "undated": [row for row in found if not (row[1]["dates"] or row[1]["reached"])],
        "without": [drive for drive_id, drive in drives.items() if drive_id not in told],
        "qualities": [(each, quality_words(each)) for each in judge_forecasts(parts.courses(now_ns))],
    }
    return render(request, "forecasts.html", values, now_ns=now_ns)


def of_drive(parts: Parts, drive_id: str) -> dict[str, Any]:
    """Return what a drive's page says of the forecast; `forecast` None where there is none yet."""
    kept = newest_of(parts, drive_id)
    return {"forecast": None if kept is None else shown(parts, kept)}


def shown(parts: Parts, kept: KeptPrognosis) -> dict[str, Any]:
    """Return a prognosis in words."""
    zone = parts.settings.zone
    dates = forecast_words.interval(kept, zone)
    return {
        "kept": kept,
        "reached": kept.outcome is Outcome.LIMIT_REACHED,
        "outcome": forecast_words.OUTCOMES[kept.outcome],
        "sentence": forecast_words.sentence(kept, zone),
        "dates": dates,
        "rate": forecast_words.rate_words(kept),
        "rests_on": forecast_words.rests_on(kept, zone),
        "assumptions": kept.document["assumptions"],
        "lent": kept.document["lent"],
        "bend": kept.document["bend"],
    }


def fan_of(parts: Parts, drive_id: str) -> chart.Fan | None:
    """Return what the trend draws of the forecast; None where there is no date to draw."""
    kept = newest_of(parts, drive_id)
    if kept is None or kept.outcome is not Outcome.FORECAST or kept.p50_ns is None or kept.p10_ns is None:
        return None
    return chart.Fan(
        made_ns=kept.made_ns,
        pct=kept.document["elongation_pct"],
        u_pct=kept.document["elongation_u_pct"],
        limit_pct=kept.set_point_pct,
        p10_ns=kept.p10_ns,
        p50_ns=kept.p50_ns,
        p90_ns=kept.p90_ns,
    )
