"""Lives of chains and what wear went with, drawn as SVG on the server, in the manner of `chart`.

Knows survivals, bins and SVG; must not know HTTP or the store. Pure. Paths lie in an inner SVG that is stretched to the width
of its place, labels in the outer one that is not, so that text keeps its size on a phone.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from html import escape
from itertools import pairwise

from service.adapters.web.chart import Mark, time_ticks, value_ticks
from service.core.influence import RateBin
from service.core.life import LifeUnit, Step, Survival

TOP = 18
LIVES_PLOT = 220
RATE_PLOT, BESIDE_PLOT, BETWEEN = 190, 64, 26
AXIS = 34
GUTTER = 14  # per cent of the width beside the plots, for the labels of the scale: 50 px on a phone
MARKS_MOST = 40
_UNITS = {
    LifeUnit.DAYS: (1.0, "days"),
    LifeUnit.HOURS: (1.0, "hours of running"),
    LifeUnit.PASSAGES: (1e6, "million joints passed"),
}


@dataclass(frozen=True, slots=True)
class Curve:
    """The lives of some chains, drawn as one curve; `kind` is a class of the style sheet."""

    kind: str
    survival: Survival


def draw_lives(curves: Sequence[Curve], unit: LifeUnit, *, title: str, summary: str) -> str:
    """Return the share of chains that live on against how long, with 95 % bands, as one SVG element."""
    longest = max((each.survival.longest for each in curves), default=0.0) or 1.0
    factor, word = _UNITS[unit]
    height = TOP + LIVES_PLOT + AXIS + 16
    parts = [_open("lives", height, title, summary)]
    for share in (0, 25, 50, 75, 100):
        y = TOP + LIVES_PLOT * (100 - share) / 100
        kind = "grid half" if share == 50 else "grid"
        parts.append(f'<line class="{kind}" x1="0" x2="100%" y1="{y:.1f}" y2="{y:.1f}"/>')
    for tick in value_ticks(0.0, longest / factor):
        x = 100 * tick * factor / longest
        anchor = "start" if x < 3 else "end" if x > 97 else "middle"
        parts.append(
            f'<line class="grid" x1="{x:.2f}%" x2="{x:.2f}%" y1="{TOP}" y2="{TOP + LIVES_PLOT}"/>'
            f'<text class="tick" x="{x:.2f}%" y="{TOP + LIVES_PLOT + 18}" text-anchor="{anchor}">{tick:g}</text>'
        )
    parts.append(
        f'<svg x="0" y="{TOP}" width="100%" height="{LIVES_PLOT}" viewBox="0 0 1000 1000" preserveAspectRatio="none">'
    )
    parts += [_band(each, longest) for each in curves if len(each.survival.steps) > 1]
    parts += [_curve(each, longest) for each in curves]
    parts.append("</svg>")
    for share in (25, 50, 75, 100):
        y = TOP + LIVES_PLOT * (100 - share) / 100
        parts.append(f'<text class="tick" x="2" y="{y - 4:.1f}">{share} %</text>')
    parts.append(f'<text class="zone" x="100%" y="{height - 4}" text-anchor="end">{word}</text></svg>')
    return "".join(parts)


def _curve(curve: Curve, longest: float) -> str:
    steps = curve.survival.steps or (Step(0.0, 1.0, 1.0, 1.0),)
    path = _staircase(steps, curve.survival.longest, longest, lambda step: step.share)
    return f'<path class="{curve.kind}" vector-effect="non-scaling-stroke" d="M{path}"/>'


def _band(curve: Curve, longest: float) -> str:
    steps, end = curve.survival.steps, curve.survival.longest
    upper = _corners(steps, end, longest, lambda step: step.high)
    lower = _corners(steps, end, longest, lambda step: step.low)
    return f'<path class="{curve.kind} band" d="M{"L".join(upper)}L{"L".join(reversed(lower))}Z"/>'


def _staircase(steps: Sequence[Step], end: float, longest: float, value: Callable[[Step], float]) -> str:
    return "L".join(_corners(steps, end, longest, value))


def _corners(steps: Sequence[Step], end: float, longest: float, value: Callable[[Step], float]) -> list[str]:
    corners = []
    for step, until in zip(steps, [*(each.at for each in steps[1:]), end], strict=True):
        y = 1000 * (1 - value(step))
        corners += [f"{1000 * step.at / longest:.1f} {y:.1f}", f"{1000 * until / longest:.1f} {y:.1f}"]
    return corners


# What wear went with


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    """One of the plots above each other."""

    words: str
    top: float
    height: float
    low: float
    high: float

    def y(self, value: float) -> float:
        return self.top + self.height * (self.high - value) / (self.high - self.low)


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """The time that is drawn."""

    from_ns: int
    to_ns: int
    zone: tzinfo

    def x(self, t_ns: int) -> float:
        """Return where an instant lies, per cent of the width."""
        return 100 * (min(max(t_ns, self.from_ns), self.to_ns) - self.from_ns) / (self.to_ns - self.from_ns)


def draw_influence(
    bins: Sequence[RateBin], span: Span, marks: Sequence[Mark] = (), *, title: str, summary: str
) -> str:
    """Return the rate of each bin with +- U, and beneath it load, speed and temperature where known, as one SVG element."""
    rows = _rows(bins)
    bottom = rows[-1][0].top + rows[-1][0].height
    inner, scale = [], []
    for t_ns, label in time_ticks(span.from_ns, span.to_ns, span.zone):
        x = span.x(t_ns)
        anchor = "start" if x < 3 else "end" if x > 97 else "middle"
        inner.append(
            f'<line class="grid" x1="{x:.2f}%" x2="{x:.2f}%" y1="{TOP}" y2="{bottom:.0f}"/>'
            f'<text class="tick" x="{x:.2f}%" y="{bottom + 18:.0f}" text-anchor="{anchor}">{label}</text>'
        )
    for row, values in rows:
        scale += _scale(row)
        inner += [
            _bin(row, each, value, u, span)
            for each, (value, u) in zip(bins, values, strict=True)
            if value is not None
        ]
    inner += [_mark(mark, index, span, bottom) for index, mark in enumerate(list(marks)[-MARKS_MOST:])]
    return (
        f"{_open('influence', bottom + AXIS, title, summary)}{''.join(scale)}"
        f'<svg class="inside" x="{GUTTER}%" width="{100 - GUTTER}%" height="{bottom + AXIS:.0f}" overflow="visible">{"".join(inner)}</svg></svg>'
    )


def _mark(mark: Mark, index: int, span: Span, bottom: float) -> str:
    """A line through all plots; its words stand at the foot of the first one, where rates of weeks are not."""
    x = span.x(mark.t_ns)
    anchor = "start" if x < 60 else "end"
    y = TOP + 14 + RATE_PLOT - 12 - 14 * (index % 3)
    return (
        f'<line class="event" x1="{x:.2f}%" x2="{x:.2f}%" y1="{TOP}" y2="{bottom:.0f}"/>'
        f'<text class="event-label" x="{x:.2f}%" y="{y}" text-anchor="{anchor}">{escape(mark.words)}</text>'
    )


def _rows(bins: Sequence[RateBin]) -> list[tuple[_Row, list[tuple[float | None, float | None]]]]:
    """The plots that have something to show, each with value and U of each bin; the rate stands first in any case."""
    wanted: list[tuple[str, list[tuple[float | None, float | None]]]] = [
        (
            "Wear rate, % per 1000 km",
            [(each.rate, 2 * each.rate_u if each.rate_u is not None else None) for each in bins],
        ),
        ("Load, kN", [(None if each.load_n is None else each.load_n / 1000, None) for each in bins]),
        ("Speed, m/s", [(each.speed_m_s, None) for each in bins]),
        ("Temperature of the chain, °C", [(each.temp_c, None) for each in bins]),
    ]
    rows, top = [], float(TOP + 14)
    for index, (words, values) in enumerate(wanted):
        if index and all(value is None for value, _ in values):
            continue
        low, high = _heights(values, from_zero=index == 0)
        height = BESIDE_PLOT if index else RATE_PLOT
        rows.append((_Row(words=words, top=top, height=height, low=low, high=high), values))
        top += height + BETWEEN
    return rows


def _heights(values: Sequence[tuple[float | None, float | None]], *, from_zero: bool) -> tuple[float, float]:
    """Lowest and highest of a plot. A bin that is hardly known (U beyond three times the greatest value) may reach out of it."""
    known = [(value, u or 0.0) for value, u in values if value is not None]
    if not known:
        return 0.0, 1.0
    greatest = max(abs(value) for value, _ in known) or 1.0
    ends = [value + sign * min(u, 3 * greatest) for value, u in known for sign in (-1, 1)]
    low, high = min(ends), max(ends)
    if from_zero:
        low, high = min(low, 0.0), max(high, 0.0)
    room = 0.08 * (high - low)
    if high - low < 1e-6 * max(abs(low), abs(high)):  # all alike, but for what adding up leaves
        room = 0.05 * abs(high)
    room = room or 1.0
    return low - room, high + room


def _scale(row: _Row) -> list[str]:
    """The name of a plot, its grid and the labels of that, which stand in the gutter."""
    parts = [f'<text class="row-words" x="{GUTTER}%" y="{row.top - 5:.0f}">{row.words}</text>']
    ticks = value_ticks(row.low, row.high)
    if row.height <= BESIDE_PLOT:
        ticks = [ticks[0], ticks[-1]] if len(ticks) > 1 else ticks
    step = min((b - a for a, b in pairwise(ticks)), default=1.0)
    places = min(6, max(0, -math.floor(math.log10(step) + 1e-9)))
    for tick in ticks:
        kind = "grid zero" if tick == 0 else "grid"
        label = f"{tick:.{places}f}".replace("-", "\N{MINUS SIGN}")
        parts.append(
            f'<line class="{kind}" x1="0" x2="100%" y1="{row.y(tick):.1f}" y2="{row.y(tick):.1f}"/>'
            f'<text class="tick" x="2" y="{row.y(tick) - 3:.1f}">{label}</text>'
        )
    return parts


def _bin(row: _Row, held: RateBin, value: float, u: float | None, span: Span) -> str:
    """A level over the days of the bin, and its U in the middle of it."""
    left, right = span.x(held.from_ns), span.x(held.to_ns)
    y = min(max(row.y(value), row.top), row.top + row.height)
    said = f"{value:.3g}" if u is None else f"{value:.3g} \N{PLUS-MINUS SIGN} {u:.2g}"
    parts = [f"<title>{escape(row.words)}: {said.replace('-', chr(0x2212))}</title>"]
    if u is not None:
        middle = (left + right) / 2
        ends = [min(max(row.y(value + sign * u), row.top), row.top + row.height) for sign in (1, -1)]
        parts.append(
            f'<line class="whisker" x1="{middle:.2f}%" x2="{middle:.2f}%" y1="{ends[0]:.1f}" y2="{ends[1]:.1f}"/>'
        )
    parts.append(f'<line class="level" x1="{left:.2f}%" x2="{right:.2f}%" y1="{y:.1f}" y2="{y:.1f}"/>')
    return f"<g>{''.join(parts)}</g>"


def _open(kind: str, height: float, title: str, summary: str) -> str:
    return (
        f'<svg class="trend {kind}" width="100%" height="{height:.0f}" role="img" aria-labelledby="{kind}-t {kind}-d">'
        f'<title id="{kind}-t">{escape(title)}</title><desc id="{kind}-d">{escape(summary)}</desc>'
    )
