"""Weeks to come as a sheet, drawn as SVG on the server: weeks across, a row for each drive, a column for each planned stop.

Knows days and SVG; must not know HTTP. Pure. As wide as its place; colours are classes of the style sheet. It repeats what stands
in words beside it. A day that lies beyond the sheet stands at its edge in words, so that one far chain does not squeeze all others.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from html import escape
from string import ascii_uppercase

from service.adapters.web.chart import MONTHS
from service.adapters.web.texts import say, told
from service.core.planned_stop import PlannedStop
from service.core.replacement import Change, day_of, day_words

ROWS_MAX = 40
WEEKS_MIN, WEEKS_MAX = 10, 60
NUMBERS_MAX = 16  # weeks whose number stands at the head
HEAD, ROW, FOOT = 58.0, 28.0, 4.0
LABEL = 27.0  # per cent of the width, for names
STOPS_MAX = 52


@dataclass(frozen=True, slots=True)
class _Scale:
    today: date
    monday: date  # of this week
    weeks: int

    @property
    def end(self) -> date:
        """The first day that is not on the sheet."""
        return self.monday + timedelta(weeks=self.weeks)

    def x(self, day: date) -> float:
        """Where a day is, per cent of the width; what lies beyond is at the end."""
        part = min(max((day - self.monday).days / (7 * self.weeks), 0.0), 1.0)
        return LABEL + (100 - LABEL) * part


@dataclass(frozen=True, slots=True)
class Column:
    """A planned stop on the sheet: its letter, and from when to when by the days of its site."""

    letter: str
    stop: PlannedStop
    start: date
    end: date

    @property
    def supposed(self) -> bool:
        """Whether somebody only asks what if."""
        return self.stop.number < 0

    @property
    def words(self) -> str:
        """Which stop it is."""
        return say(
            "{name}, {place}, from {day}",
            name=self.stop.name,
            place=self.stop.place,
            day=told(day_words(self.start)),
        )


def draw_strip(changes: Sequence[Change], today: date) -> str:
    """Return the sheet of those that have days, in the order given; "" where none has."""
    dated = _dated(changes)
    if not dated:
        return ""
    scale = _scale_of(dated, today)
    height = HEAD + ROW * len(dated) + FOOT
    said = say(
        "{chains} chains in the {weeks} weeks from {day} on; the same stands in words below",
        chains=str(len(dated)),
        weeks=str(scale.weeks),
        day=told(day_words(today)),
    )
    return "".join(
        [
            f'<svg class="days" width="100%" height="{height:.0f}" role="img" aria-label="{escape(said)}">',
            *_bands(len(dated)),
            *_weeks(scale, height),
            *_months(scale, height),
            *(_column(each, scale, height) for each in columns(changes, today)),
            *(_row(each, number, scale) for number, each in enumerate(dated)),
            "</svg>",
        ]
    )


def columns(changes: Sequence[Change], today: date) -> list[Column]:
    """Return the stops that the sheet of these shows, by start; none where it shows nothing."""
    dated = _dated(changes)
    if not dated:
        return []
    end = _scale_of(dated, today).end
    stops: dict[int, tuple[PlannedStop, date, date]] = {}
    for change in dated:
        for stop in change.facts.stops:
            zone = change.facts.zone
            stops[stop.number] = stop, day_of(stop.starts_ns, zone), day_of(stop.ends_ns, zone)
    shown = sorted(
        (each for each in stops.values() if each[1] < end), key=lambda each: (each[1], each[0].number)
    )
    return [Column(_letter(n), *each) for n, each in enumerate(shown[:STOPS_MAX])]


def _letter(number: int) -> str:
    """A, B ... Z, AA, AB ..."""
    whole, rest = divmod(number, len(ascii_uppercase))
    return (ascii_uppercase[whole - 1] if whole else "") + ascii_uppercase[rest]


def _dated(changes: Sequence[Change]) -> list[Change]:
    return [each for each in changes if each.change_by is not None][:ROWS_MAX]


def _scale_of(dated: Sequence[Change], today: date) -> _Scale:
    last = max(each.change_by for each in dated if each.change_by is not None)
    monday = today - timedelta(days=today.weekday())
    return _Scale(today, monday, min(max((last - monday).days // 7 + 3, WEEKS_MIN), WEEKS_MAX))


def _bands(rows: int) -> Iterator[str]:
    """Every second row has a ground of its own, to be followed across the sheet."""
    for number in range(1, rows, 2):
        yield f'<rect class="band" x="0" width="100%" y="{HEAD + ROW * number:.0f}" height="{ROW:.0f}"/>'


def _weeks(scale: _Scale, height: float) -> Iterator[str]:
    every = -(-scale.weeks // NUMBERS_MAX)
    for number in range(scale.weeks):
        monday = scale.monday + timedelta(weeks=number)
        x = scale.x(monday)
        yield f'<line class="week" x1="{x:.2f}%" x2="{x:.2f}%" y1="{HEAD:.0f}" y2="{height:.0f}"/>'
        if number % every == 0:
            minor = " minor" if number % (2 * every) else ""
            yield f'<text class="week-number{minor}" x="{x:.2f}%" dx="2" y="30">{monday.isocalendar().week}</text>'


def _months(scale: _Scale, height: float) -> Iterator[str]:
    every = 1 if scale.weeks <= 32 else 2
    year, month = scale.monday.year, scale.monday.month
    while True:
        year, month = (year + 1, 1) if month == 12 else (year, month + 1)
        first = date(year, month, 1)
        if first >= scale.end:
            return
        x = scale.x(first)
        yield f'<line class="month" x1="{x:.2f}%" x2="{x:.2f}%" y1="2" y2="{height:.0f}"/>'
        if (month - 1) % every == 0:
            words = told(MONTHS[month - 1]) + (f" {year}" if month == 1 else "")
            minor = "" if month in {1, 4, 7, 10} else "minor"
            yield f'<text class="{minor}" x="{x:.2f}%" dx="4" y="13">{words}</text>'


def _column(column: Column, scale: _Scale, height: float) -> str:
    """A stop over all rows, with its letter on a link at the head."""
    x, width = scale.x(column.start), max(scale.x(column.end) - scale.x(column.start), 0.4)
    kind = "stop supposed" if column.supposed else "stop"
    return (
        f'<g><title>{escape(column.words)}</title><rect class="{kind}" x="{x:.2f}%" width="{width:.2f}%" y="{HEAD - 4:.0f}" '
        f'height="{height - HEAD + 4:.0f}"/><svg x="{x + width / 2:.2f}%" y="{HEAD - 13:.0f}" overflow="visible">'
        f'<rect class="tag" x="-11" y="-9" width="22" height="18" rx="9"/><text class="letter" x="0" y="5">{column.letter}</text></svg></g>'
    )


def _row(change: Change, number: int, scale: _Scale) -> str:
    y = HEAD + ROW * number + ROW / 2
    parts: list[str] = []
    marks = list(_marks(change, scale))
    if marks:
        first, last = (scale.x(pick(day for _, day, _ in marks)) for pick in (min, max))
        parts.append(f'<line class="until" x1="{first:.2f}%" x2="{last:.2f}%" y1="{y:.0f}" y2="{y:.0f}"/>')
    parts += [_mark(kind, scale.x(day), y, words) for kind, day, words in marks if day < scale.end]
    far = next(((day, words) for _, day, words in marks if day >= scale.end), None)
    if far is not None:
        parts.append(
            f'<text class="beyond" x="100%" y="{y + 4:.0f}"><title>{escape(far[1])}</title>'
            f"{told(day_words(far[0]))} \N{RIGHTWARDS ARROW}</text>"
        )
    name = escape(change.drive.name or change.drive.drive_id)
    # Last: it lies over the line where space is short.
    parts.append(f'<text class="name" x="0" y="{y + 4:.0f}">{name}</text>')
    return "".join(parts)


def _marks(change: Change, scale: _Scale) -> Iterator[tuple[str, date, str]]:
    """Yield what a row shows: kind, day, words; the last day first."""
    if change.change_by is not None:
        kind = "now" if change.change_by <= scale.today else "by"
        yield kind, change.change_by, say("Change by {day}", day=told(day_words(change.change_by)))
    if change.order_by is not None and change.order_by != change.change_by:
        yield "order", change.order_by, say("Order by {day}", day=told(day_words(change.order_by)))
    if change.needed_on is not None and change.stop is not None:
        yield "use", change.needed_on, say("Change in {stop}", stop=change.stop.name)


def _mark(kind: str, x: float, y: float, words: str) -> str:
    """A mark with a shape of its own: order a square, the stop to use a ring, the last day a full disc, now a triangle."""
    shapes = {
        "order": '<rect x="-4.5" y="-4.5" width="9" height="9"/>',
        "use": '<circle r="6"/>',
        "by": '<circle r="5"/>',
        "now": '<path d="M-6 5 L6 5 L0 -6 Z"/>',
    }
    return f'<svg x="{x:.2f}%" y="{y:.0f}" overflow="visible"><g class="mark-{kind}"><title>{escape(words)}</title>{shapes[kind]}</g></svg>'
