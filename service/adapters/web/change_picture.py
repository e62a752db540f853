"""Days to come as a strip, drawn as SVG on the server: stops as bands, and a row for each drive from today to its change-by day.

Knows days and SVG; must not know HTTP. Pure. As wide as its place; colours are classes of the style sheet. It repeats what stands
in words beside it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from html import escape

from service.adapters.web.chart import MONTHS
from service.adapters.web.texts import say, told
from service.core.planned_stop import PlannedStop
from service.core.replacement import Change, day_of, day_words

ROWS_MAX = 40
LENGTH_MIN_DAYS, LENGTH_MAX_DAYS = 60, 730
HEAD, ROW, FOOT = 20.0, 26.0, 8.0
LABEL = 27.0  # per cent of the width, for names


@dataclass(frozen=True, slots=True)
class _Scale:
    today: date
    days: int

    def x(self, day: date) -> float:
        """Where a day is, per cent of the width; what lies beyond is at the end."""
        part = min(max((day - self.today).days / self.days, 0.0), 1.0)
        return LABEL + (100 - LABEL) * part


def draw_strip(changes: Sequence[Change], today: date) -> str:
    """Return the strip of those that have days, in the order given; "" where none has."""
    dated = [each for each in changes if each.change_by is not None][:ROWS_MAX]
    if not dated:
        return ""
    last = max(each.change_by for each in dated if each.change_by is not None)
    scale = _Scale(today, min(max((last - today).days + 14, LENGTH_MIN_DAYS), LENGTH_MAX_DAYS))
    height = HEAD + ROW * len(dated) + FOOT
    said = f"{len(dated)} chains from {day_words(today)} on; the same stands in words below"
    return "".join(
        [
            f'<svg class="days" width="100%" height="{height:.0f}" role="img" aria-label="{escape(said)}">',
            *_months(scale, height),
            *_stops(dated, scale, height),
            *(_row(each, number, scale) for number, each in enumerate(dated)),
            "</svg>",
        ]
    )


def _months(scale: _Scale, height: float) -> list[str]:
    found: list[str] = []
    every = 1 if scale.days <= 400 else 3
    year, month = scale.today.year, scale.today.month
    while True:
        year, month = (year + 1, 1) if month == 12 else (year, month + 1)
        first = date(year, month, 1)
        if first > scale.today + timedelta(days=scale.days):
            return found
        x = scale.x(first)
        found.append(f'<line class="month" x1="{x:.2f}%" x2="{x:.2f}%" y1="4" y2="{height:.0f}"/>')
        if (month - 1) % every == 0:
            told = f"{MONTHS[month - 1]} {year}" if month == 1 else MONTHS[month - 1]
            found.append(
                f'<text class="{"" if month in {1, 4, 7, 10} else "minor"}" x="{x:.2f}%" dx="4" y="13">{told}</text>'
            )


def _stops(changes: Sequence[Change], scale: _Scale, height: float) -> list[str]:
    stops: dict[int, tuple[PlannedStop, date, date]] = {}
    for change in changes:
        for stop in change.facts.stops:
            zone = change.facts.zone
            stops[stop.number] = stop, day_of(stop.starts_ns, zone), day_of(stop.ends_ns, zone)
    found = []
    for stop, start, end in stops.values():
        if (start - scale.today).days > scale.days:
            continue
        x, width = scale.x(start), max(scale.x(end) - scale.x(start), 0.4)
        words = escape(
            say("{name}, {place}, from {day}", name=stop.name, place=stop.place, day=told(day_words(start)))
        )
        found.append(
            f'<rect class="stop" x="{x:.2f}%" width="{width:.2f}%" y="{HEAD:.0f}" height="{height - HEAD:.0f}"><title>{words}</title></rect>'
        )
    return found


def _row(change: Change, number: int, scale: _Scale) -> str:
    y = HEAD + ROW * number + ROW / 2
    parts = []
    if change.change_by is not None:
        x = scale.x(change.change_by)
        kind = "now" if change.change_by <= scale.today else "by"
        parts.append(f'<line class="until" x1="{LABEL}%" x2="{x:.2f}%" y1="{y:.0f}" y2="{y:.0f}"/>')
        parts.append(_mark(kind, x, y, f"Change by {day_words(change.change_by)}"))
    if change.order_by is not None and change.order_by != change.change_by:
        parts.append(_mark("order", scale.x(change.order_by), y, f"Order by {day_words(change.order_by)}"))
    if change.needed_on is not None and change.stop is not None:
        parts.append(_mark("use", scale.x(change.needed_on), y, f"Change in {change.stop.name}"))
    name = escape(change.drive.name or change.drive.drive_id)
    parts.append(
        f'<text class="name" x="0" y="{y + 4:.0f}">{name}</text>'
    )  # last: it lies over the line where space is short
    return "".join(parts)


def _mark(kind: str, x: float, y: float, words: str) -> str:
    """A mark with a shape of its own: order a square, the stop to use a ring, the last day a full disc, now a triangle."""
    shapes = {
        "order": '<rect x="-4.5" y="-4.5" width="9" height="9"/>',
        "use": '<circle r="6"/>',
        "by": '<circle r="5"/>',
        "now": '<path d="M-6 5 L6 5 L0 -6 Z"/>',
    }
    return f'<svg x="{x:.2f}%" y="{y:.0f}" overflow="visible"><g class="mark-{kind}"><title>{escape(words)}</title>{shapes[kind]}</g></svg>'
