"""The trend of one drive over a window: what is drawn, what is said of it, and its data.

Knows which parts hold what belongs into the picture; how it is drawn is `chart`'s. The page, the part of it that a script fetches
and the saved picture are made by the same functions.
"""

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any, Final

from service.adapters.web import chart, pages_forecasts, words
from service.adapters.web.alert_words import EVENTS, TITLES
from service.adapters.web.instants import local, rfc3339
from service.adapters.web.parts import Parts
from service.adapters.web.saving import Figure
from service.adapters.web.series import Span, drawn_at, points_between
from service.adapters.web.since import since_pct, since_points
from service.adapters.web.time_lane import Happening, Kind, Stood, within
from service.adapters.web.window import SPANS, TrendAsked, Window, named_window
from service.core.alert import Event, Transition
from service.core.drive import Baseline, Chain, Drive, baseline_at, chain_at
from service.core.drive import limit as limit_of
from service.core.setpoint import ConditionKind
from service.measure_by_hand import known_by_hand
from service.ports import Resolution

DEFAULT_SPAN = "week"
DEFAULT_SPAN_BY_HAND = "year"  # of a drive of which there are no readings
TRANSITIONS_MAX = 200  # looked at of each alert, the newest
STEPS: Final = (
    (ConditionKind.APPROACHING, "approaching", "on its way to the limit"),
    (ConditionKind.NEAR, "near", "close to the limit"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """The drive whose trend it is, with its chains and the baselines of each."""

    drive: Drive
    chains: Sequence[Chain]
    baselines: dict[str, list[Baseline]]
    now_ns: int

    @property
    def title(self) -> str:
        """The name, or the id where there is none."""
        return self.drive.name or self.drive.drive_id

    @property
    def baseline(self) -> Baseline | None:
        """The baseline in force."""
        chain = chain_at(self.chains, self.now_ns)
        return baseline_at(self.baselines[chain.chain_id], self.now_ns) if chain else None


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """What of the trend is shown. `since`: the baseline in force where the change since it is; None: against nominal."""

    window: Window
    to_limit: bool
    since: Baseline | None
    columns: int

    def query(self) -> str:
        """Return it as an address says it."""
        more = ("" if self.to_limit else "&scale=data") + ("&of=since" if self.since else "")
        return self.window.query() + more


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """The chart of a drive and what stands around it. `svg` is empty where there is nothing to draw."""

    view: View
    frame: chart.Frame
    svg: str
    words: str
    points: Sequence[chart.Point]  # as drawn
    all_points: Sequence[chart.Point]  # before they were joined
    resolution: Span
    happenings: Sequence[Happening]  # that are shown

    @property
    def by_hand(self) -> Sequence[chart.HandMark]:
        """The measurements by hand that are shown."""
        return self.frame.by_hand

    @property
    def ahead(self) -> bool:
        """Whether a forecast is drawn."""
        return self.frame.fan is not None

    @property
    def goes_on(self) -> bool:
        """Whether what is shown may still change: it reaches up to now, or further."""
        return self.frame.to_ns >= (self.frame.now_ns or 0)

    @property
    def levels(self) -> Sequence[chart.Level]:
        """The setpoints that lie in the picture."""
        return [each for each in self.frame.levels if self.frame.low_pct <= each.pct <= self.frame.high_pct]


def subject_of(parts: Parts, drive_id: str, now_ns: int) -> Subject:
    """Return a drive with what its trend needs. Raises NotFoundError."""
    drive, chains = parts.register.drive(drive_id), parts.register.chains(drive_id)
    baselines = {each.chain_id: parts.register.baselines(each.chain_id) for each in chains}
    return Subject(drive=drive, chains=chains, baselines=baselines, now_ns=now_ns)


def view_of(parts: Parts, subject: Subject, asked: TrendAsked, own: Window | None) -> View:
    """Return what is to be shown: the window that was asked for by instants, the span by its name, or what shows all there is."""
    span = asked.span if asked.span in SPANS else _span_of(parts, subject)
    return View(
        window=own or named_window(span, subject.now_ns),
        to_limit=asked.scale != "data",
        since=subject.baseline if asked.of == "since" else None,
        columns=asked.width,
    )


def _span_of(parts: Parts, subject: Subject) -> str:
    """The shortest span that shows all there is of a drive, or DEFAULT_SPAN."""
    drive_id, now_ns = subject.drive.drive_id, subject.now_ns
    by_hand = parts.hand_values.of(drive_id)
    if by_hand and parts.readings.newest_of(drive_id) is None:
        return DEFAULT_SPAN_BY_HAND
    from_ns = now_ns - SPANS[DEFAULT_SPAN][1]
    by_hand_ns = [each.measured_ns for each in by_hand if each.measured_ns > from_ns]
    for span in ("minutes", "hour", "day"):
        to_ns = now_ns - SPANS[span][1]
        rolled = parts.readings.rolled(drive_id, from_ns, to_ns, Resolution.MINUTE, 1)
        if not rolled and all(each > to_ns for each in by_hand_ns):
            return span
    return DEFAULT_SPAN


def trend_of(parts: Parts, subject: Subject, view: View) -> Trend:
    """Return the chart of a window."""
    window, drive_id = view.window, subject.drive.drive_id
    resolution = drawn_at(window.length_ns, view.columns)
    last_ns = min(window.to_ns, subject.now_ns)
    found = points_between(parts.readings, drive_id, window.from_ns, last_ns, resolution)
    if view.since is not None:
        found = since_points(found, subject.baselines)
    joined = chart.thin(found, window.from_ns, window.to_ns, view.columns)
    frame = _frame(parts, subject, view, joined)
    what = "since the baseline" if view.since else ""
    measured = [point for point in joined if point.mean is not None]
    limit = f"The limit is {frame.limit_pct:.2f} % ({frame.limit_words})."
    said = _trend_words(measured, frame.by_hand, limit, _over(window), what)
    title = f"Trend of {subject.title}"
    drawable = joined or frame.by_hand or not window.span
    return Trend(
        view=view,
        frame=frame,
        svg=chart.draw(joined, frame, title=title, summary=said) if drawable else "",
        words=said,
        points=joined,
        all_points=found,
        resolution=resolution,
        happenings=within(frame.happenings, frame.from_ns, frame.to_ns),
    )


def _frame(parts: Parts, subject: Subject, view: View, joined: Sequence[chart.Point]) -> chart.Frame:
    window, now_ns, since = view.window, subject.now_ns, view.since
    limit = limit_of(subject.drive)
    limit_pct, limit_words = limit.limit_pct, words.limit_words(subject.drive, limit)
    by_hand = (
        ()
        if since
        else hand_marks(parts, subject.drive, subject.chains, (window.from_ns, min(window.to_ns, now_ns)))
    )
    if since is not None:
        limit_words = f"{limit_pct:.2f} % against nominal"
        limit_pct = since_pct(limit_pct, since)
    fan = None if since else _fan_in(parts, subject, window)
    to_ns = window.to_ns
    if fan is not None and window.span:
        to_ns = min(now_ns + window.length_ns, _end_of(fan, now_ns))
    low, high = chart.heights(joined, limit_pct, to_limit=view.to_limit, by_hand=by_hand)
    happenings, stood = _alerts(parts, subject)
    return chart.Frame(
        from_ns=window.from_ns,
        to_ns=to_ns,
        low_pct=low,
        high_pct=high,
        limit_pct=limit_pct,
        limit_words=limit_words,
        zone=parts.settings.zone,
        marks=(
            *(chart.Mark(each.fitted_ns, f"chain {each.chain_id} fitted") for each in subject.chains),
            *((chart.Mark(now_ns, "now"),) if window.from_ns < now_ns < to_ns else ()),
        ),
        by_hand=by_hand,
        fan=fan,
        levels=_levels(parts, subject, since),
        happenings=(*_of_chains(subject), *happenings),
        stood=tuple(stood),
        now_ns=now_ns,
    )


def _fan_in(parts: Parts, subject: Subject, window: Window) -> chart.Fan | None:
    """The forecast, where a part of it lies in the window; of a span up to now where it does not reach further than that looks back."""
    fan = pages_forecasts.fan_of(parts, subject.drive.drive_id)
    if fan is None:
        return None
    if window.span:
        return None if fan.p50_ns - subject.now_ns > window.length_ns else fan
    return fan if window.to_ns > fan.made_ns else None


def _end_of(fan: chart.Fan, now_ns: int) -> int:
    """Where the trend ends that shows a forecast: a little after the late end of its interval, or twice as far as its middle."""
    late_ns = fan.p90_ns if fan.p90_ns is not None else 2 * fan.p50_ns - now_ns
    return max(late_ns, now_ns) + (max(late_ns, now_ns) - now_ns) // 20 + 1


def _levels(parts: Parts, subject: Subject, since: Baseline | None) -> tuple[chart.Level, ...]:
    """The steps towards the limit at which somebody is told."""
    limit_pct = limit_of(subject.drive).limit_pct
    setpoints = parts.set_setpoints.effective_of(subject.drive.drive_id)
    found = []
    for kind, name, said in STEPS:
        setpoint = setpoints[kind].setpoint
        if not setpoint.enabled or setpoint.value is None:
            continue
        pct = setpoint.value * limit_pct / 100
        pct = pct if since is None else since_pct(pct, since)
        found.append(chart.Level(pct, f"{said}, {pct:.2f} %", name))
    return tuple(found)


def _of_chains(subject: Subject) -> Iterable[Happening]:
    for chain in subject.chains:
        yield Happening(chain.fitted_ns, Kind.CHAIN, f"chain {chain.chain_id} fitted")
        for each in subject.baselines[chain.chain_id]:
            said = f"baseline of {chain.chain_id} taken at {each.elongation_pct:.3f} %"
            yield Happening(each.taken_ns, Kind.BASELINE, said)


def _alerts(parts: Parts, subject: Subject) -> tuple[list[Happening], list[Stood]]:
    """When alerts of a drive occurred and cleared, by the drive's own time, and from when to when each stood."""
    happenings: list[Happening] = []
    stood: list[Stood] = []
    for alert in parts.alert_log.alerts(subject.drive.drive_id, standing=False):
        since_ns: int | None = None
        for each in parts.alert_log.of_alert(alert.alert_id, TRANSITIONS_MAX):
            if each.act.event is Event.OCCUR:
                happenings.append(_happening(each, Kind.OCCURRED))
                since_ns = each.act.true_ns if since_ns is None else since_ns
            elif each.act.event is Event.CLEAR:
                happenings.append(_happening(each, Kind.CLEARED))
                if since_ns is not None:
                    stood.append(Stood(since_ns, each.act.true_ns))
                since_ns = None
        if since_ns is not None:
            stood.append(Stood(since_ns, None))
    return happenings, stood


def _happening(transition: Transition, kind: Kind) -> Happening:
    act = transition.act
    return Happening(act.true_ns, kind, f"{TITLES[transition.kind]}: {EVENTS[act.event]}")


def hand_marks(
    parts: Parts, drive: Drive, chains: Sequence[Chain], between: tuple[int, int]
) -> tuple[chart.HandMark, ...]:
    """Return the measurements by hand of a stretch of time, to be drawn."""
    from_ns, to_ns = between
    by_id = {each.chain_id: each for each in chains}
    values = [each for each in parts.hand_values.of(drive.drive_id) if from_ns < each.measured_ns <= to_ns]
    found = [(each, known_by_hand(drive, by_id[each.chain_id], each)) for each in values]
    return tuple(
        chart.HandMark(known.t_ns, known.elongation_pct, known.u_pct, value.chain_id, value.tight)
        for value, known in found
    )


def _over(window: Window) -> str:
    return f"over the last {SPANS[window.span][0]}" if window.span else "over the time shown"


def _trend_words(
    measured: Sequence[chart.Point], by_hand: Sequence[chart.HandMark], limit: str, over: str, what: str
) -> str:
    counted = [mark for mark in by_hand if mark.counts]
    if counted and not measured:
        ends = " to ".join(f"{pct:.2f} %" for pct in dict.fromkeys((counted[0].pct, counted[-1].pct)))
        times = "once" if len(counted) == 1 else f"{len(counted)} times"
        return f"Measured by hand {times} {over}: {ends}. {limit}"
    if not measured:
        return f"Nothing was measured {over}. {limit}"
    first, last = measured[0].mean or 0.0, measured[-1].mean or 0.0
    return f"From {first:.3f} % to {last:.3f} % {f'{what}, {over}' if what else over}. {limit}"


# What a script needs to tell the nearest point


def told_points(trend: Trend) -> str:
    """Return the points as JSON: end in ms, minutes the local clock is ahead, mean, U, least, greatest, readings."""
    zone = trend.frame.zone

    def ahead_min(t_ns: int) -> int:
        return round((local(t_ns, zone).utcoffset() or timedelta()).total_seconds() / 60)

    rows = [
        [
            each.t_ns // 1_000_000,
            ahead_min(each.t_ns),
            _round(each.mean),
            _round(None if each.u is None else 2 * each.u),
            _round(each.low),
            _round(each.high),
            each.readings,
        ]
        for each in trend.points
    ]
    return json.dumps(rows, separators=(",", ":"))


def told_happenings(trend: Trend) -> str:
    """Return what happened as JSON: instant in ms, words."""
    rows = [[each.t_ns // 1_000_000, each.words] for each in trend.happenings]
    return json.dumps(rows, separators=(",", ":"))


def _round(value: float | None) -> float | None:
    return None if value is None else round(value, 4)


# The trend as a file

_HEAD = ("time", "from", "chain_id", "pct", "least_pct", "greatest_pct", "u_pct", "readings", "measured")


def trend_figure(subject: Subject, trend: Trend) -> Figure:
    """Return the trend as a picture with its data: every roll-up or reading behind it, and what was measured by hand."""
    kind = "since" if trend.view.since else "elongation"
    named = (
        f"{subject.drive.name} ({subject.drive.drive_id})" if subject.drive.name else subject.drive.drive_id
    )
    said = "elongation since the baseline" if trend.view.since else "elongation against nominal"
    return Figure(
        name="trend",
        title=f"{named}: {said}",
        subject=subject.drive.drive_id,
        svg=trend.svg,
        head=tuple(f"{kind}_pct" if each == "pct" else each for each in _HEAD),
        rows=_rows(trend),
        notes=(trend.words, *_legend(trend)),
    )


def _rows(trend: Trend) -> Iterable[Sequence[Any]]:
    for each in trend.all_points:
        how = "roll-up" if each.of_ns else "reading"
        numbers = (each.mean, each.low, each.high, each.u, each.readings, each.measured)
        yield (rfc3339(each.t_ns), how, each.chain_id, *numbers)
    for mark in trend.by_hand:
        how = "by hand" if mark.counts else "by hand, slack"
        yield (rfc3339(mark.t_ns), how, mark.chain_id, mark.pct, None, None, mark.u_pct, 1, int(mark.counts))


def _legend(trend: Trend) -> Iterable[str]:
    marks = ["Line: mean", "pale band: \N{PLUS-MINUS SIGN} U (k = 2)", "dashed: limit"]
    if trend.resolution is not Span.RAW:
        marks.insert(2, "area about the line: least to greatest reading")
    if trend.levels:
        marks.append("dotted: setpoints before it")
    if trend.by_hand:
        marks.append("diamond: by hand \N{PLUS-MINUS SIGN} U")
    if trend.ahead:
        marks.append("widening area: forecast, eight cases of ten, its middle dashed")
    yield f"{'; '.join(marks)}."
    yield "Below: full where measured, hatched where readings gave no number. Link: chain fitted; foot: baseline; peak: an alert occurred; dip: it cleared."
