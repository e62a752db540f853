"""The trend of one drive against its limit, drawn as SVG on the server.

Knows points, calendars and SVG; must not know HTTP, the store or why a point was not measured. Pure.

The picture is as wide as its place (per cent, no fixed viewBox outside), so that text keeps its size on
a phone: paths live in an inner SVG that is stretched, labels in the outer one that is not. Colours and
widths are classes of the style sheet: a Content Security Policy without inline styles stays possible.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from html import escape
from itertools import pairwise
from statistics import median
from typing import NamedTuple

from service.adapters.web.instants import SECOND_NS, local, zone_name
from service.adapters.web.time_lane import LANE, Happening, Stood, draw_lane

COLUMNS_MAX = 1000  # points that are drawn; more are joined to one with its least and greatest value
HINTS_MAX = 96  # stretches of the time axis that tell their value under the pointer
HEIGHT, TOP, PLOT, STRIP_Y, STRIP, LANE_Y, AXIS_Y = 368, 18, 260, 286, 8, 311, 342
GAP_STEPS = 2.5  # the line breaks where this many usual steps pass without a point
DAY_NS = 86_400 * SECOND_NS
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


class Point(NamedTuple):  # a tuple, because a year has 8760 of them to make for one page
    """One reading or roll-up. `mean`, `low`, `high` and `u` (k = 1) in per cent, None where not measured."""

    t_ns: int
    mean: float | None
    low: float | None
    high: float | None
    u: float | None
    chain_id: str | None
    readings: int = 1
    measured: int = 1
    of_ns: int = 0  # length of the interval that a roll-up is of; 0 for a reading


@dataclass(frozen=True, slots=True)
class Mark:
    """Something that happened at one instant and is written into the chart, e.g. a chain fitted."""

    t_ns: int
    words: str


@dataclass(frozen=True, slots=True)
class Level:
    """An elongation at which something is said, below the limit: a line with its words. `kind` is a class of the style sheet."""

    pct: float
    words: str
    kind: str


@dataclass(frozen=True, slots=True)
class HandMark:
    """One measurement by hand, drawn as a diamond with its U; crossed out where it does not count."""

    t_ns: int
    pct: float
    u_pct: float
    chain_id: str
    counts: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Fan:
    """A forecast: from the elongation when it was made to the limit, reached from p10_ns to p90_ns. p90_ns None: nobody can tell."""

    made_ns: int
    pct: float
    u_pct: float
    limit_pct: float
    p10_ns: int
    p50_ns: int
    p90_ns: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """What the points are drawn into. `low_pct` to `high_pct` is the height of the plot."""

    from_ns: int
    to_ns: int
    low_pct: float
    high_pct: float
    limit_pct: float
    limit_words: str
    zone: tzinfo
    marks: tuple[Mark, ...] = ()
    by_hand: tuple[HandMark, ...] = ()  # in the order of time
    fan: Fan | None = None
    levels: tuple[Level, ...] = ()
    happenings: tuple[Happening, ...] = ()
    stood: tuple[Stood, ...] = ()
    now_ns: int | None = None  # None: the end of the frame

    def x(self, t_ns: int) -> float:
        """Return where an instant lies, 0 (left) to 1000."""
        return 1000 * (t_ns - self.from_ns) / (self.to_ns - self.from_ns)

    def y(self, pct: float) -> float:
        """Return where an elongation lies, 0 (top) to 1000."""
        return 1000 * (self.high_pct - pct) / (self.high_pct - self.low_pct)


def thin(points: Iterable[Point], from_ns: int, to_ns: int, columns: int = COLUMNS_MAX) -> list[Point]:
    """Return at most about `columns` points: those of one column joined, least and greatest value kept.

    Means are weighted by the number of readings behind them. Points of two chains are never joined. Where columns begin does not
    depend on the stretch of time, only how wide they are, so that what was joined stays joined while time goes on.
    points: in the order of time, from_ns < t_ns <= to_ns.
    """
    width_ns = max(1, -(-(to_ns - from_ns) // columns))
    thinned: list[Point] = []
    held: list[Point] = []
    held_key: tuple[int, str | None] | None = None
    for point in points:
        key = ((point.t_ns - 1) // width_ns, point.chain_id)
        if key != held_key and held:
            thinned.append(_joined(held))
            held = []
        held_key = key
        held.append(point)
    return [*thinned, _joined(held)] if held else thinned


def _joined(points: list[Point]) -> Point:
    if len(points) == 1:
        return points[0]
    seen = sum(each.readings for each in points)
    good = [each for each in points if each.mean is not None]
    weight = sum(each.measured for each in good)
    of_ns = max(each.of_ns for each in points)
    if not good or weight == 0:
        return Point(points[-1].t_ns, None, None, None, None, points[-1].chain_id, seen, 0, of_ns)
    return Point(
        t_ns=points[-1].t_ns,
        mean=sum((each.mean or 0.0) * each.measured for each in good) / weight,
        low=min(each.low if each.low is not None else math.inf for each in good),
        high=max(each.high if each.high is not None else -math.inf for each in good),
        u=sum((each.u or 0.0) * each.measured for each in good) / weight,
        chain_id=points[-1].chain_id,
        readings=seen,
        measured=weight,
        of_ns=of_ns,
    )


def runs(points: Sequence[Point]) -> list[list[Point]]:
    """Return the stretches over which the line may be drawn through.

    It breaks where a point was not measured, where the chain changed, and where no point came for more
    than GAP_STEPS usual steps (the median step, or the interval that a point is of where that is longer).
    """
    if not points:
        return []
    steps = [later.t_ns - earlier.t_ns for earlier, later in pairwise(points)]
    usual_ns = median(steps) if steps else math.inf
    found: list[list[Point]] = []
    before: Point | None = None
    for point in points:
        if point.mean is None:
            before = None
            continue
        joined = (
            before is not None
            and before.chain_id == point.chain_id
            and point.t_ns - before.t_ns <= GAP_STEPS * max(usual_ns, point.of_ns)
        )
        if joined:
            found[-1].append(point)
        else:
            found.append([point])
        before = point
    return found


def heights(
    points: Iterable[Point], limit_pct: float, *, to_limit: bool, by_hand: Iterable[HandMark] = ()
) -> tuple[float, float]:
    """Return the lowest and highest elongation of the plot, per cent.

    to_limit: from 0 to above the limit, so that distance means wear left; else close around the data.
    """
    low, high = math.inf, -math.inf
    for each in points:
        if each.mean is not None:
            low = min(low, each.mean - 2 * (each.u or 0.0), each.mean if each.low is None else each.low)
            high = max(high, each.mean + 2 * (each.u or 0.0), each.mean if each.high is None else each.high)
    for mark in by_hand:
        if mark.counts:
            low, high = min(low, mark.pct - 2 * mark.u_pct), max(high, mark.pct + 2 * mark.u_pct)
    if to_limit or low > high:
        return min(0.0, low) - 0.02 * limit_pct, max(limit_pct, high if high > low else 0.0) * 1.1
    room = max(0.08 * (high - low), 0.05 - (high - low) / 2, 0.005)
    return low - room, high + room


def value_ticks(low: float, high: float) -> list[float]:
    """Return 3 to 7 round values between low and high, a step of 1, 2 or 5 times a power of ten apart."""
    raw = (high - low) / 5
    power = 10 ** math.floor(math.log10(raw))
    step = next(power * factor for factor in (1, 2, 5, 10) if power * factor >= raw)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [round(n * step, 10) for n in range(first, last + 1)]


def time_ticks(from_ns: int, to_ns: int, zone: tzinfo) -> list[tuple[int, str]]:
    """Return instants with their labels: round times, midnights or months of the local calendar."""
    span_ns = to_ns - from_ns
    if span_ns <= 4 * 60 * SECOND_NS:
        return _second_ticks(from_ns, to_ns, zone)
    if span_ns <= 1.6 * DAY_NS:
        step_min = next((m for m in (1, 5, 10, 15, 30, 60, 180) if span_ns / (m * 60 * SECOND_NS) <= 8), 240)
        return _clock_ticks(from_ns, to_ns, zone, step_min)
    days = span_ns / DAY_NS
    first = local(from_ns, zone).date()
    if days <= 70:
        every = max(1, math.ceil(days / 8))
        dates = [first + timedelta(days=n) for n in range(0, int(days) + 2, every)]
    else:
        every = next((m for m in (1, 2, 3, 6, 12, 24, 60) if days / (30.4 * m) <= 13), 120)
        start = (first.year * 12 + first.month - 1) // every * every
        months = list(range(start, start + int(days // 28) + every + 2, every))
        dates = [first.replace(year=m // 12, month=m % 12 + 1, day=1) for m in months]
    ticks = []
    for date in dates:
        at = datetime(date.year, date.month, date.day, tzinfo=zone)
        t_ns = round(at.timestamp()) * SECOND_NS
        if from_ns <= t_ns <= to_ns:
            ticks.append((t_ns, _date_label(at, days)))
    return ticks


def _second_ticks(from_ns: int, to_ns: int, zone: tzinfo) -> list[tuple[int, str]]:
    step_ns = next((s for s in (1, 2, 5, 10, 15) if (to_ns - from_ns) / (s * SECOND_NS) <= 8), 30) * SECOND_NS
    instants = range(-(-from_ns // step_ns) * step_ns, to_ns + 1, step_ns)
    return [(t_ns, f"{local(t_ns, zone):%H:%M:%S}") for t_ns in instants]


def _clock_ticks(from_ns: int, to_ns: int, zone: tzinfo, step_min: int) -> list[tuple[int, str]]:
    minute_ns = 60 * SECOND_NS
    ticks = []
    grid = min(step_min, 60)  # offsets of zones are whole quarters of an hour at worst
    grid = math.gcd(grid, 15) if grid > 15 else grid
    for t_ns in range(-(-from_ns // (grid * minute_ns)) * grid * minute_ns, to_ns + 1, grid * minute_ns):
        at = local(t_ns, zone)
        if (at.hour * 60 + at.minute) % step_min == 0:
            ticks.append((t_ns, f"{at.hour:02d}:{at.minute:02d}"))
    return ticks


def _date_label(at: datetime, days: float) -> str:
    if days <= 10:
        return f"{DAYS[at.weekday()]} {at.day}"
    if days <= 70:
        return f"{at.day} {MONTHS[at.month - 1]}"
    if at.month == 1:
        return f"{MONTHS[0]} {at.year}" if days <= 2500 else str(at.year)
    return MONTHS[at.month - 1]


def draw(points: Sequence[Point], frame: Frame, *, title: str, summary: str) -> str:
    """Return the chart as one SVG element; `points` as `thin` gives them.

    What has a place in time lies in one inner SVG, `over-time`. Who moves and widens that moves and zooms all of it, text and marks
    keeping their size: so a script can follow a hand at once and fetch the true picture after.
    """
    stretches = runs(points)
    shown, now_ns = (frame.from_ns, frame.to_ns), frame.to_ns if frame.now_ns is None else frame.now_ns
    inner = f'width="100%" height="{HEIGHT}" overflow="visible"'
    days = escape(zone_words(frame.from_ns, frame.to_ns, frame.zone))
    return "".join(
        [
            f'<svg class="trend" width="100%" height="{HEIGHT}" role="img" aria-labelledby="trend-t trend-d">',
            f'<title id="trend-t">{escape(title)}</title><desc id="trend-d">{escape(summary)}</desc>',
            _HATCH,
            _value_grid(frame),
            f'<svg class="clip" {inner}><svg class="over-time" {inner}>',
            _time_axis(frame),
            _plot(stretches, frame),
            f'<rect class="lane" x="0" width="100%" y="{LANE_Y - LANE / 2:g}" height="{LANE}"/>',
            draw_lane(frame.happenings, frame.stood, shown, LANE_Y, now_ns),
            _strip(points, frame),
            *(_mark(mark, frame) for mark in frame.marks),
            _last(stretches, frame),
            _hints(points, frame),
            *(_hand_mark(mark, frame) for mark in frame.by_hand),
            "</svg></svg>",
            _value_labels(frame),
            *(_level_label(each, frame) for each in frame.levels),
            _limit_label(frame),
            f'<text class="zone" x="100%" y="{HEIGHT - 8}" text-anchor="end">{days}</text>',
            "</svg>",
        ]
    )


def zone_words(from_ns: int, to_ns: int, zone: tzinfo) -> str:
    """Return which days a stretch of time is of, and whose clock: 9 Sep 2026 to 10 Sep 2026, local time, CEST, UTC+02:00."""
    ends = (local(from_ns, zone), local(to_ns, zone))
    days = dict.fromkeys(f"{at.day} {MONTHS[at.month - 1]} {at.year}" for at in ends)
    zones = dict.fromkeys(zone_name(ns, zone) for ns in (from_ns, to_ns))
    return f"{' to '.join(days)}, local time, {' and '.join(zones)}"


def _plot(stretches: Sequence[list[Point]], frame: Frame) -> str:
    """Return the inner SVG, which is stretched to the width of its place."""
    parts = [
        *(_fan(frame.fan, frame) if frame.fan else ()),
        *(_envelope(run, frame) for run in stretches),
        *(_band(run, frame) for run in stretches),
        *(_level_line(each, frame) for each in frame.levels),
        _limit_line(frame),
        *(_line(run, frame) for run in stretches),
        *(_hand_lines(frame) if not stretches else ()),
    ]
    box = f'x="0" y="{TOP}" width="100%" height="{PLOT}" viewBox="0 0 1000 1000" preserveAspectRatio="none"'
    return f"<svg {box}>{''.join(parts)}</svg>"


def _pair(x: float, y: float) -> str:
    return f"{x:.1f} {min(max(y, -500.0), 1500.0):.1f}"


def _line(run: list[Point], frame: Frame) -> str:
    path = "L".join(_pair(frame.x(each.t_ns), frame.y(each.mean or 0.0)) for each in run)
    dot = "h0" if len(run) == 1 else ""
    return f'<path class="mean" vector-effect="non-scaling-stroke" d="M{path}{dot}"/>'


def _area(run: list[Point], upper: list[float], lower: list[float], frame: Frame, kind: str) -> str:
    there = [_pair(frame.x(p.t_ns), frame.y(value)) for p, value in zip(run, upper, strict=True)]
    back = [_pair(frame.x(p.t_ns), frame.y(value)) for p, value in zip(run, lower, strict=True)]
    return f'<path class="{kind}" d="M{"L".join(there)}L{"L".join(reversed(back))}Z"/>'


def _band(run: list[Point], frame: Frame) -> str:
    """Return the area from mean - U to mean + U, U = 2 u."""
    upper = [(p.mean or 0.0) + 2 * (p.u or 0.0) for p in run]
    lower = [(p.mean or 0.0) - 2 * (p.u or 0.0) for p in run]
    return _area(run, upper, lower, frame, "band")


def _envelope(run: list[Point], frame: Frame) -> str:
    """Return the area from the least to the greatest reading, or "" where each point is one reading."""
    if all(p.low == p.high for p in run):
        return ""
    upper = [p.high if p.high is not None else p.mean or 0.0 for p in run]
    lower = [p.low if p.low is not None else p.mean or 0.0 for p in run]
    return _area(run, upper, lower, frame, "envelope")


def _px(frame: Frame, pct: float) -> float:
    return TOP + PLOT * frame.y(pct) / 1000


def _percent(frame: Frame, t_ns: int) -> str:
    return f"{frame.x(t_ns) / 10:.2f}%"


def _limit_line(frame: Frame) -> str:
    if not frame.low_pct <= frame.limit_pct <= frame.high_pct:
        return ""
    y = f"{frame.y(frame.limit_pct):.1f}"
    return f'<line class="limit" vector-effect="non-scaling-stroke" x1="0" x2="1000" y1="{y}" y2="{y}"/>'


FAN_COVER = 1.2816  # standard deviations from the middle to the tenth and the ninetieth per cent


def _fan(fan: Fan, frame: Frame) -> list[str]:
    """Return the area in which eight of ten courses lie, dotted at its edges, and the middle one, dashed.

    Drawn straight from now to the limit: how the chain wears on the way there is not told.
    """
    spread = FAN_COVER * fan.u_pct
    late_ns = fan.p90_ns if fan.p90_ns is not None else fan.made_ns + 20 * (fan.p50_ns - fan.made_ns)

    def at(t_ns: int, pct: float) -> str:
        return f"{frame.x(t_ns):.1f} {frame.y(pct):.1f}"  # not held to the plot, which would bend the lines

    upper = f"{at(fan.made_ns, fan.pct + spread)}L{at(fan.p10_ns, fan.limit_pct)}"
    lower = f"{at(late_ns, fan.limit_pct)}L{at(fan.made_ns, fan.pct - spread)}"
    middle = f"{at(fan.made_ns, fan.pct)}L{at(fan.p50_ns, fan.limit_pct)}"
    line = 'vector-effect="non-scaling-stroke"'
    return [
        f'<path class="fan" d="M{upper}L{lower}Z"/>',
        f'<path class="fan-edge" {line} d="M{upper}"/><path class="fan-edge" {line} d="M{lower}"/>',
        f'<path class="fan-middle" {line} d="M{middle}"/>',
    ]


def _level_line(level: Level, frame: Frame) -> str:
    if not frame.low_pct <= level.pct <= frame.high_pct:
        return ""
    y = f"{frame.y(level.pct):.1f}"
    return f'<line class="set-line {level.kind}" vector-effect="non-scaling-stroke" x1="0" x2="1000" y1="{y}" y2="{y}"/>'


def _level_label(level: Level, frame: Frame) -> str:
    if not frame.low_pct <= level.pct <= frame.high_pct:
        return ""
    y = _px(frame, level.pct) - 4
    return f'<text class="set-label {level.kind}" x="60" y="{y:.1f}">{escape(level.words)}</text>'


def _limit_label(frame: Frame) -> str:
    words = f"limit {frame.limit_pct:.2f} %, {frame.limit_words}"
    if frame.limit_pct > frame.high_pct:
        return f'<text class="limit-label" x="100%" y="{TOP - 5}" text-anchor="end">{escape(words)}, is above this view</text>'
    y = (
        _px(frame, frame.limit_pct) - 5
    )  # beside the scale: the newest points, at the other end, come near the limit
    return f'<text class="limit-label" x="60" y="{y:.1f}">{escape(words)}</text>'


def _value_grid(frame: Frame) -> str:
    heights_px = (_px(frame, value) for value in value_ticks(frame.low_pct, frame.high_pct))
    return "".join(f'<line class="grid" x1="0" x2="100%" y1="{y:.1f}" y2="{y:.1f}"/>' for y in heights_px)


def _value_labels(frame: Frame) -> str:
    """Return the labels of the grid; drawn last, so that no band hides them."""
    ticks = value_ticks(frame.low_pct, frame.high_pct)
    step = ticks[1] - ticks[0] if len(ticks) > 1 else 1.0
    places = max(0, -math.floor(math.log10(step) + 1e-9))
    parts = []
    for value in ticks:
        label = f"{value:.{places}f}".replace("-", "\N{MINUS SIGN}")
        parts.append(f'<text class="tick" x="2" y="{_px(frame, value) - 4:.1f}">{label} %</text>')
    return "".join(parts)


def _time_axis(frame: Frame) -> str:
    parts = []
    for number, (t_ns, label) in enumerate(time_ticks(frame.from_ns, frame.to_ns, frame.zone)):
        x = _percent(frame, t_ns)
        share = frame.x(t_ns)
        anchor = "start" if share < 30 else "end" if share > 970 else "middle"
        kind = "tick minor" if number % 2 else "tick"
        parts.append(
            f'<line class="grid" x1="{x}" x2="{x}" y1="{TOP}" y2="{AXIS_Y - 17}"/>'
            f'<text class="{kind}" x="{x}" y="{AXIS_Y - 4}" text-anchor="{anchor}">{label}</text>'
        )
    return "".join(parts)


_FILL = {"measured": "currentColor", "unmeasured": "url(#hatch)"}
_HATCH = (
    '<defs><pattern id="hatch" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
    '<path d="M0 0v5" stroke="currentColor" stroke-width="2.4"/></pattern></defs>'
)


def _strip(points: Sequence[Point], frame: Frame) -> str:
    """Return the strip below the plot: full where measured, hatched where readings gave no number, else empty."""
    if not points:
        return ""
    steps = [later.t_ns - earlier.t_ns for earlier, later in pairwise(points)]
    usual_ns = median(steps) if steps else (frame.to_ns - frame.from_ns) / 200
    stretches: list[tuple[str, float, float]] = []
    for point in points:
        kind = "measured" if point.mean is not None else "unmeasured"
        start, end = frame.x(int(point.t_ns - max(usual_ns, point.of_ns))), frame.x(point.t_ns)
        if stretches and stretches[-1][0] == kind and start - stretches[-1][2] < 1.5 * (end - start) + 0.01:
            stretches[-1] = (kind, stretches[-1][1], end)
        else:
            stretches.append((kind, max(start, 0.0), end))
    bars = "".join(
        f'<rect class="{kind}" fill="{_FILL[kind]}" x="{start / 10:.2f}%" width="{max(end - start, 0.5) / 10:.2f}%" y="{STRIP_Y}" '
        f'height="{STRIP}"/>'
        for kind, start, end in stretches
    )
    return f'<rect class="strip" x="0" width="100%" y="{STRIP_Y}" height="{STRIP}"/>{bars}'


def _mark(mark: Mark, frame: Frame) -> str:
    if not frame.from_ns < mark.t_ns < frame.to_ns:
        return ""
    x = _percent(frame, mark.t_ns)
    anchor = "start" if frame.x(mark.t_ns) < 600 else "end"
    return (
        f'<line class="event" x1="{x}" x2="{x}" y1="{TOP}" y2="{TOP + PLOT}"/>'
        f'<text class="event-label" x="{x}" y="{TOP + PLOT - 8}" text-anchor="{anchor}">{escape(mark.words)}</text>'
    )


_DIAMOND = '<path d="M0-7L6 0L0 7L-6 0Z"/>'
_CROSS = '<path class="cross" d="M-5-5L5 5M5-5L-5 5"/>'


def _hand_mark(mark: HandMark, frame: Frame) -> str:
    if not frame.from_ns <= mark.t_ns <= frame.to_ns:
        return ""
    y = min(max(_px(frame, mark.pct), TOP), TOP + PLOT)
    reach = 2 * mark.u_pct * PLOT / (frame.high_pct - frame.low_pct)
    whisker = f'<path class="whisker" d="M0{-reach:.1f}V{reach:.1f}M-4{-reach:.1f}H4M-4 {reach:.1f}H4"/>'
    at = local(mark.t_ns, frame.zone)
    said = (
        f"{mark.pct:.2f} % \N{PLUS-MINUS SIGN} {2 * mark.u_pct:.2f} %"
        if mark.counts
        else "slack, not counted"
    )
    title = f"{at.day} {MONTHS[at.month - 1]} {at.year}, by hand: {said}"
    drawn = whisker + _DIAMOND if mark.counts else _CROSS
    return (
        f'<svg class="by-hand" x="{_percent(frame, mark.t_ns)}" y="{y:.1f}" overflow="visible">'
        f"<title>{title}</title>{drawn}</svg>"
    )


def _hand_lines(frame: Frame) -> list[str]:
    """Return lines through the measurements by hand of each chain, for a drive of which there is nothing else."""
    by_chain: dict[str, list[str]] = {}
    for mark in frame.by_hand:
        if mark.counts:
            by_chain.setdefault(mark.chain_id, []).append(_pair(frame.x(mark.t_ns), frame.y(mark.pct)))
    return [
        f'<path class="hand-line" vector-effect="non-scaling-stroke" d="M{"L".join(pairs)}"/>'
        for pairs in by_chain.values()
        if len(pairs) > 1
    ]


def _last(stretches: Sequence[list[Point]], frame: Frame) -> str:
    if not stretches:
        return ""
    point = stretches[-1][-1]
    y = min(max(_px(frame, point.mean or 0.0), TOP), TOP + PLOT)
    return f'<circle class="last" cx="{_percent(frame, point.t_ns)}" cy="{y:.1f}" r="4"/>'


def _hints(points: Sequence[Point], frame: Frame) -> str:
    """Return unseen stretches that tell time and value under the pointer (and to a screen reader)."""
    span_ns = frame.to_ns - frame.from_ns
    coarse = thin(points, frame.from_ns, frame.to_ns, HINTS_MAX)
    days = span_ns / DAY_NS
    parts = []
    start = 0.0
    for point in coarse:
        end = frame.x(point.t_ns)
        at = local(point.t_ns, frame.zone)
        when = f"{at.day} {MONTHS[at.month - 1]} {at.year}"
        if days < 40:
            when += f", {at.hour:02d}:{at.minute:02d}"
        value = _hint_value(point)
        left = max(start, end - 2000 / HINTS_MAX)
        parts.append(
            f'<rect class="hint" x="{left / 10:.2f}%" width="{max(end - left, 0.1) / 10:.2f}%" y="{TOP}" '
            f'height="{PLOT}"><title>{when}: {value}</title></rect>'
        )
        start = end
    return "".join(parts)


def _hint_value(point: Point) -> str:
    if point.mean is None:
        return "not measured"
    return f"{point.mean:.3f} % \N{PLUS-MINUS SIGN} {2 * (point.u or 0.0):.3f} %"
