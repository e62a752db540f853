"""The page of one drive: newest numbers, trend, sensors, what was taken off, reasons, chains, settings."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse
from pydantic import BaseModel, Field

from service.adapters.web import chart, forms, pages_alerts, pages_drawing, pages_forecasts, words
from service.adapters.web.api_sensing import account_of, baseline_of
from service.adapters.web.board import DriveState
from service.adapters.web.instants import SECOND_NS
from service.adapters.web.parts import Parts, PartsDep
from service.adapters.web.schemas import shown
from service.adapters.web.series import DAY_NS, Span, points, read_series, replaced
from service.adapters.web.since import since_pct, since_points
from service.adapters.web.templating import render
from service.core.chain_faults import Finding
from service.core.drive import Baseline, Chain, Drive, baseline_at, spacing_mm
from service.core.health import steady
from service.core.reading import Reading
from service.fold_maps import map_of_drive
from service.measure_by_hand import known_by_hand
from service.ports import ROWS_MAX, NotFoundError, Resolution

router = APIRouter()

SENSING_WINDOW_NS = 3600 * SECOND_NS  # over which pulses are counted on a drive's page
NEWEST_READINGS_MAX = 1000

# Span of the trend: what it is called, its length, the resolution it is drawn at.
SPANS = {
    "minutes": ("10 minutes", 600 * SECOND_NS, Span.RAW),
    "hour": ("hour", 3600 * SECOND_NS, Span.RAW),
    "day": ("day", DAY_NS, Span.MINUTE),
    "week": ("week", 7 * DAY_NS, Span.MINUTE),
    "month": ("30 days", 30 * DAY_NS, Span.HOUR),
    "year": ("year", 365 * DAY_NS, Span.HOUR),
}
DEFAULT_SPAN = "week"
DEFAULT_SPAN_BY_HAND = "year"  # of a drive of which there are no readings


class Asked(BaseModel):
    """What of a drive's page is asked for. What is none of what there is counts as left out."""

    span: str = Field(default="", max_length=10)
    scale: str = Field(default="limit", max_length=10)  # limit, data
    of: str = Field(default="", max_length=10)  # since: the trend is that of the change since the baseline
    advice: str = Field(default="", max_length=20)


@router.get("/drives/{drive_id}", response_class=HTMLResponse)
def drive(request: Request, parts: PartsDep, drive_id: str, asked: Annotated[Asked, Query()]) -> HTMLResponse:
    """One drive: newest numbers, trend, sensors, what was taken off, reasons, chains, settings."""
    now_ns = parts.now_ns()
    state = parts.board.state(drive_id, now_ns)
    span = asked.span
    if span not in SPANS:
        span = _span_of(parts, state, now_ns)
    chains = parts.register.chains(drive_id)
    recent = parts.readings.raw(drive_id, now_ns - DAY_NS, now_ns, NEWEST_READINGS_MAX)
    baseline = _baseline_in_force(parts, state, now_ns)
    since = asked.of == "since" and baseline is not None
    view = View(span=span, to_limit=asked.scale != "data", since=baseline if since else None)
    values = {
        "state": state,
        "shown": shown(state),
        "by_hand": parts.measure_by_hand.newest_hand_report(drive_id, now_ns),
        "span": span,
        "spans": {name: words_ for name, (words_, *_) in SPANS.items()},
        "scale": "data" if asked.scale == "data" else "limit",
        "of": "since" if since else "",
        "trend": trend(parts, state, chains, view, now_ns),
        **_replaced_in(parts, drive_id, span, now_ns),
        "stands_out": _faults_of_links(parts, drive_id, now_ns),
        "taken_with": baseline_of(parts, state.measured) if state.measured else None,
        "terms": account_of(parts, state),
        "sensors": sensor_counts(
            recent, now_ns - SENSING_WINDOW_NS, state.chain.pitch_mm if state.chain else None
        ),
        "reasons": reasons(recent),
        "recent": len(recent),
        "history": history(parts, chains),
        "baseline": baseline,
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
        **pages_drawing.of_drive(parts, state.drive, state.chain),
        **pages_alerts.of_drive(parts, drive_id, now_ns),
        **pages_forecasts.of_drive(parts, drive_id),
    }
    return render(request, "drive.html", values, now_ns=now_ns)


def _replaced_in(parts: Parts, drive_id: str, span: str, now_ns: int) -> dict[str, Any]:
    """Which readings of the shown span others were put in place of."""
    groups, all_counted = replaced(parts.readings, drive_id, now_ns - SPANS[span][1], now_ns)
    return {"replaced": groups, "all_replaced_counted": all_counted}


def _faults_of_links(parts: Parts, drive_id: str, now_ns: int) -> Sequence[Finding]:
    """What stands out on the map of the chain; nothing where there is no map, or one that an older linklag kept."""
    try:
        return map_of_drive(drive_id, parts.register, parts.readings, parts.chain_maps, now_ns).faults
    except (NotFoundError, ValueError):
        return ()


def _span_of(parts: Parts, state: DriveState, now_ns: int) -> str:
    """The shortest span that shows all there is of a drive, or DEFAULT_SPAN."""
    if state.reading is None and state.by_hand:
        return DEFAULT_SPAN_BY_HAND
    drive_id, from_ns = state.drive.drive_id, now_ns - SPANS[DEFAULT_SPAN][1]
    by_hand_ns = [each.measured_ns for each in parts.hand_values.of(drive_id) if each.measured_ns > from_ns]
    for span in ("minutes", "hour", "day"):
        to_ns = now_ns - SPANS[span][1]
        rolled = parts.readings.rolled(drive_id, from_ns, to_ns, Resolution.MINUTE, 1)
        if not rolled and all(each > to_ns for each in by_hand_ns):
            return span
    return DEFAULT_SPAN


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """What of the trend is shown. `since`: the baseline in force where the change since it is; None: against nominal."""

    span: str
    to_limit: bool
    since: Baseline | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """The chart of a drive and what stands around it. `svg` is empty where there is nothing to draw."""

    svg: str
    words: str
    by_hand: tuple[chart.HandMark, ...]
    ahead: bool  # a forecast is drawn
    from_ns: int
    to_ns: int
    resolution: Span


def trend(parts: Parts, state: DriveState, chains: Sequence[Chain], view: View, now_ns: int) -> Trend:
    """Return the chart of one span up to now."""
    label, length_ns, resolution = SPANS[view.span]
    from_ns, to_ns = now_ns - length_ns, now_ns
    found = _trend_points(parts, state.drive.drive_id, from_ns, to_ns, resolution)
    limit_pct, limit_words = state.limit.limit_pct, state.limit_words
    by_hand = hand_marks(parts, state.drive, chains, from_ns, to_ns)
    if view.since is not None:
        found = since_points(
            found, {each.chain_id: parts.register.baselines(each.chain_id) for each in chains}
        )
        limit_words = f"{limit_pct:.2f} % against nominal"
        limit_pct, by_hand = since_pct(limit_pct, view.since), ()
    fan = None if view.since else pages_forecasts.fan_of(parts, state)
    if fan is not None and fan.p50_ns - now_ns > length_ns:
        fan = None  # it lies further ahead than this span looks back
    end_ns = now_ns if fan is None else min(now_ns + length_ns, _end_of(fan, now_ns))
    drawn = chart.thin(found, from_ns, to_ns)
    measured = [point for point in drawn if point.mean is not None]
    low, high = chart.heights(drawn, limit_pct, to_limit=view.to_limit, by_hand=by_hand)
    frame = chart.Frame(
        from_ns=from_ns,
        to_ns=end_ns,
        low_pct=low,
        high_pct=high,
        limit_pct=limit_pct,
        limit_words=limit_words,
        zone=parts.settings.zone,
        marks=(
            *(chart.Mark(each.fitted_ns, f"chain {each.chain_id} fitted") for each in chains),
            *((chart.Mark(now_ns, "now"),) if fan else ()),
        ),
        by_hand=by_hand,
        fan=fan,
    )
    what = "since the baseline" if view.since else ""
    said = _trend_words(measured, by_hand, f"The limit is {limit_pct:.2f} % ({limit_words}).", label, what)
    drawable = drawn or by_hand
    svg = chart.draw(drawn, frame, title=f"Trend of {state.title}", summary=said) if drawable else ""
    return Trend(
        svg=svg,
        words=said,
        by_hand=by_hand,
        ahead=fan is not None,
        from_ns=from_ns,
        to_ns=to_ns,
        resolution=resolution,
    )


def _end_of(fan: chart.Fan, now_ns: int) -> int:
    """Where the trend ends that shows a forecast: a little after the late end of its interval, or twice as far as its middle."""
    late_ns = fan.p90_ns if fan.p90_ns is not None else 2 * fan.p50_ns - now_ns
    return max(late_ns, now_ns) + (max(late_ns, now_ns) - now_ns) // 20 + 1


def _trend_points(
    parts: Parts, drive_id: str, from_ns: int, to_ns: int, resolution: Span
) -> list[chart.Point]:
    if resolution is Span.RAW:
        return points(read_series(parts.readings, drive_id, from_ns, to_ns, resolution), to_ns)
    # the interval that holds now ends in the future
    interval_ns = {Span.MINUTE: 60, Span.HOUR: 3600}[resolution] * SECOND_NS
    series = read_series(parts.readings, drive_id, from_ns, to_ns + interval_ns, resolution, ROWS_MAX - 1)
    return points(series, to_ns)


def hand_marks(
    parts: Parts, drive: Drive, chains: Sequence[Chain], from_ns: int, to_ns: int
) -> tuple[chart.HandMark, ...]:
    """Return the measurements by hand of a span, to be drawn."""
    by_id = {each.chain_id: each for each in chains}
    values = [each for each in parts.hand_values.of(drive.drive_id) if from_ns < each.measured_ns <= to_ns]
    found = [(each, known_by_hand(drive, by_id[each.chain_id], each)) for each in values]
    return tuple(
        chart.HandMark(known.t_ns, known.elongation_pct, known.u_pct, value.chain_id, value.tight)
        for value, known in found
    )


def _trend_words(
    measured: Sequence[chart.Point], by_hand: Sequence[chart.HandMark], limit: str, label: str, what: str
) -> str:
    counted = [mark for mark in by_hand if mark.counts]
    if counted and not measured:
        ends = " to ".join(f"{pct:.2f} %" for pct in dict.fromkeys((counted[0].pct, counted[-1].pct)))
        times = "once" if len(counted) == 1 else f"{len(counted)} times"
        return f"Measured by hand {times} over the last {label}: {ends}. {limit}"
    if not measured:
        return f"Nothing was measured over the last {label}. {limit}"
    first, last = measured[0].mean or 0.0, measured[-1].mean or 0.0
    over = f"{what}, over the last {label}" if what else f"over the last {label}"
    return f"From {first:.3f} % to {last:.3f} % {over}. {limit}"


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


def history(parts: Parts, chains: Sequence[Chain]) -> list[tuple[Chain, list[Baseline]]]:
    """Return the chains of a drive, the newest first, each with its baselines."""
    return [(each, parts.register.baselines(each.chain_id)) for each in reversed(chains)]


def _baseline_in_force(parts: Parts, state: DriveState, now_ns: int) -> Baseline | None:
    return baseline_at(parts.register.baselines(state.chain.chain_id), now_ns) if state.chain else None
