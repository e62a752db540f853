"""The page of one drive: newest numbers, trend, sensors, what was taken off, reasons, chains, settings."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse
from pydantic import Field

from service.adapters.web import (
    forms,
    next_actions,
    pages_alerts,
    pages_drawing,
    pages_forecasts,
    pages_trend,
    words,
)
from service.adapters.web.api_sensing import account_of, baseline_of
from service.adapters.web.instants import SECOND_NS
from service.adapters.web.parts import Parts, PartsDep
from service.adapters.web.schemas import shown
from service.adapters.web.series import DAY_NS
from service.adapters.web.templating import render
from service.adapters.web.trend_view import Subject
from service.adapters.web.window import TrendAsked
from service.core.chain_faults import Finding
from service.core.drive import Baseline, Chain, spacing_mm
from service.core.health import steady
from service.core.reading import Reading
from service.fold_maps import map_of_drive
from service.ports import NotFoundError

router = APIRouter()
router.include_router(pages_trend.router)

SENSING_WINDOW_NS = 3600 * SECOND_NS  # over which pulses are counted on a drive's page
NEWEST_READINGS_MAX = 1000


class Asked(TrendAsked):
    """What of a drive's page is asked for: a window of its trend, and advice."""

    advice: str = Field(default="", max_length=20)


@router.get("/drives/{drive_id}", response_class=HTMLResponse)
def drive(request: Request, parts: PartsDep, drive_id: str, asked: Annotated[Asked, Query()]) -> HTMLResponse:
    """One drive: newest numbers, trend, sensors, what was taken off, reasons, chains, settings."""
    now_ns = parts.now_ns()
    state = parts.board.state(drive_id, now_ns)
    subject, trend = pages_trend.asked_trend(parts, drive_id, asked)
    recent = parts.readings.raw(drive_id, now_ns - DAY_NS, now_ns, NEWEST_READINGS_MAX)
    values = {
        "state": state,
        "shown": shown(state),
        "by_hand": parts.measure_by_hand.newest_hand_report(drive_id, now_ns),
        "stands_out": _faults_of_links(parts, drive_id, now_ns),
        "taken_with": baseline_of(parts, state.measured) if state.measured else None,
        "terms": account_of(parts, state),
        "sensors": sensor_counts(
            recent, now_ns - SENSING_WINDOW_NS, state.chain.pitch_mm if state.chain else None
        ),
        "reasons": reasons(recent),
        "recent": len(recent),
        "history": history(subject),
        "spacing_mm": spacing_mm(state.drive, state.chain)
        if state.chain and state.drive.whole_pitches is not None
        else None,
        "groups": [
            (
                group.title,
                [(field, forms.text_of(getattr(state.drive, field.name))) for field in group.fields],
            )
            for group in forms.DRIVE_GROUPS
        ],
        "rebaseline": asked.advice == "baseline",
        **next_actions.of_drive(parts, state, now_ns),
        **pages_drawing.of_drive(parts, state.drive, state.chain),
        **pages_trend.of_drive(parts, subject, trend),
        **pages_alerts.of_drive(parts, drive_id, now_ns),
        **pages_forecasts.of_drive(parts, drive_id),
    }
    return render(request, "drive.html", values, now_ns=now_ns)


def _faults_of_links(parts: Parts, drive_id: str, now_ns: int) -> Sequence[Finding]:
    """What stands out on the map of the chain; nothing where there is no map, or one that an older linklag kept."""
    try:
        return map_of_drive(drive_id, parts.register, parts.readings, parts.chain_maps, now_ns).faults
    except (NotFoundError, ValueError):
        return ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorCount:
    """What one sensor gave over the last hour; rates are shares of the pulses at steady speed, None without any."""

    name: str
    pulses: int
    missed_rate: float | None
    extra_rate: float | None


def sensor_counts(readings: Iterable[Reading], after_ns: int, pitch_mm: float | None) -> list[SensorCount]:
    """Return the counts of both sensors over the readings later than `after_ns`.

    What was missed or extra is counted as for the state of the sensing: in a window that holds a stop or a ramp a joint
    that came late looks missed, so such windows are left out.
    """
    recent = [each for each in readings if each.t_ns > after_ns]
    at_steady_speed = steady(recent, pitch_mm)
    found = []
    for name in ("up", "down"):
        pulses, missed, extra = (
            sum(getattr(each, f"{name}_{kind}") for each in at_steady_speed)
            for kind in ("pulses", "missed", "extra")
        )
        due = pulses - extra + missed
        found.append(
            SensorCount(
                name=name,
                pulses=sum(getattr(each, f"{name}_pulses") for each in recent),
                missed_rate=missed / due if due > 0 else None,
                extra_rate=extra / pulses if pulses else None,
            )
        )
    return found


@dataclass(slots=True)
class Reason:
    """One reason for readings without an elongation: its newest stretch, and how often it came."""

    finding: words.Finding
    from_ns: int  # of the newest stretch
    to_ns: int
    readings: int = 0
    stretches: int = 0


def reasons(readings: Iterable[Reading]) -> list[Reason]:
    """Return why readings had no elongation, the newest reason first; readings in the order of time."""
    found: dict[str, Reason] = {}
    before: words.Finding | None = None
    for each in readings:
        said = words.finding(each)
        if said is not None:
            reason = found.setdefault(said.what, Reason(said, each.t_ns, each.t_ns))
            if said != before:
                reason.from_ns = each.t_ns
                reason.stretches += 1
            reason.to_ns = each.t_ns
            reason.readings += 1
        before = said
    return sorted(found.values(), key=lambda reason: reason.to_ns, reverse=True)


def history(subject: Subject) -> list[tuple[Chain, list[Baseline]]]:
    """Return the chains of a drive, the newest first, each with its baselines."""
    return [(each, subject.baselines[each.chain_id]) for each in reversed(subject.chains)]
