"""A handover as tables of words: the same for the page, the paper and a first look at the shift that is on.

Knows the content that core makes, and how people write times and numbers; must not know HTML. Times are those of the site's
clocks, with the offset where it changes within the shift. The headings stand always, in this order, also where there is
nothing to say under them, so that nobody wonders whether something was left out.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from datetime import UTC, tzinfo
from zoneinfo import ZoneInfo

from service.adapters.web import words
from service.adapters.web.chart import MONTHS
from service.adapters.web.instants import instant_ns, local
from service.adapters.web.texts import told
from service.core.handover import COVERAGE, Content

SECOND_NS = 1_000_000_000
ROWS_ON_PAPER = 44  # of two lines each they fit on two sheets of A4 with all headings
WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
LIMIT_STATES = {
    "at": "at its limit",
    "within_uncertainty": "may be at it",
    "near": "near it",
}
ALERT_STATES = {
    "unacknowledged": "not acknowledged",
    "acknowledged": "acknowledged",
    "returned_unacknowledged": "gone again, not acknowledged",
}
WORK_KINDS = {
    "commissioning": "Commissioning",
    "inspection": "Inspection",
    "repair": "Repair",
    "locked_out": "Locked out",
    "simulation": "Simulation",
    "other": "Other work",
}
CHANGES = {"fitted": "Chain fitted", "taken_off": "Chain taken off"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """What stands in one place of a table: words, and smaller ones below. `href`: where they lead."""

    text: str
    below: str = ""
    href: str = ""
    late: bool = False
    mark: str = ""  # letter of NE 107
    kind: str = ""  # how it is drawn


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One heading with its rows. `on_paper`: so many at least are printed; the page has all. `more`: that even it has not."""

    key: str
    title: str
    columns: tuple[str, ...]
    rows: list[list[Cell]]
    on_paper: int
    more: int = 0
    note: str = ""  # how to read it

    @property
    def left_out(self) -> int:
        """Rows that are not on paper."""
        return max(0, len(self.rows) - self.on_paper) + self.more


@dataclass(frozen=True, slots=True, kw_only=True)
class HandoverView:
    """All of a handover, ready to be shown."""

    site: str
    title: str  # the shift and its day
    span: str
    length: str
    next_shift: str
    covers: str  # "" where it covers the shift alone
    parts: list[Part]
    locked_out: list[str]  # all of them, also where the list of work is cut on paper
    at_drive: bool  # somebody is sent to a drive
    clock: "Clock" = field(repr=False)


@dataclass(frozen=True, slots=True)
class Clock:
    """Instants as the site's clocks show them; with the offset where it is not the same throughout."""

    zone: tzinfo
    day: tuple[int, int, int]  # of which nothing is said
    with_offset: bool

    def at(self, text: str | None) -> str:
        """Return the instant of an RFC 3339 text as short as it can be told."""
        return self.at_ns(instant_ns(text)) if text else "–"

    def at_ns(self, ns: int) -> str:
        """Return an instant as short as it can be told."""
        at = local(ns, self.zone)
        clock = f"{at:%H:%M}" + (f" {at:%Z}" if self.with_offset else "")
        day = (at.year, at.month, at.day)
        if day == self.day:
            return clock
        year = f" {at.year}" if at.year != self.day[0] else ""
        return f"{at.day} {MONTHS[at.month - 1]}{year}, {clock}"


def view_of(content: Content, number: int | None = None) -> HandoverView:
    """Return the view of a handover; `number` once it is frozen."""
    zone = UTC if content["zone"] == "UTC" else ZoneInfo(content["zone"])
    from_ns, to_ns = instant_ns(content["from"]), instant_ns(content["to"])
    start, end = local(from_ns, zone), local(to_ns, zone)
    changes = start.utcoffset() != end.utcoffset()
    clock = Clock(zone, (end.year, end.month, end.day), changes)
    span_of = Clock(zone, (start.year, start.month, start.day), with_offset=True)
    following = content["next_shift"]
    covers = ""
    if content["covers_from"] != content["from"]:
        covers = f"and what came since the handover before, {clock.at(content['covers_from'])}"
    name = content["shift"] or ("Range" if number is not None else "So far")
    return HandoverView(
        site=content["site"] or "No site",
        title=f"{name}, {WEEKDAYS[start.weekday()]} {start.day} {MONTHS[start.month - 1]} {start.year}",
        span=f"{span_of.at_ns(from_ns)} to {span_of.at_ns(to_ns)}",
        length=length_words(to_ns - from_ns),
        next_shift=f"{following['name']}, {clock.at(following['from'])} to {clock.at(following['to'])}"
        if following
        else "",
        covers=covers,
        parts=_shared_out(list(_parts(content, clock))),
        locked_out=[
            f"{row['name']} ({row['drive_id']}, by {row['by']})"
            for row in content["work"]
            if row["open"] and row["what"] == "locked_out"
        ],
        at_drive=any(row["at_drive"] for row in content["to_do"]),
        clock=clock,
    )


def length_words(ns: int) -> str:
    """Return a length of time as people say it: 8 h, 7 h 30 min."""
    minutes = round(ns / (60 * SECOND_NS))
    hours, rest = divmod(minutes, 60)
    return " ".join(
        part for part in (f"{hours} h" if hours else "", f"{rest} min" if rest or not hours else "") if part
    )


def _parts(content: Content, clock: Clock) -> Iterable[Part]:
    def part(
        keys: str, title: str, columns: tuple[str, ...], on_paper: int, row: Row, note: str = ""
    ) -> Part:
        names = keys.split()
        rows = [
            [*cells, *[Cell(text="")] * (len(columns) - len(cells))]
            for name in names
            for each in content.get(name, ())
            for cells in [row(name, each, clock)]
        ]
        more = sum(content["more"].get(name, 0) for name in names)
        return Part(
            key=names[0], title=title, columns=columns, rows=rows, on_paper=on_paper, more=more, note=note
        )

    yield part("to_do", "To do by the next shift", ("Drive", "Do", "Because", "By"), 8, _to_do)
    yield part("work", "Locked out, and work in hand", ("Drive", "Work", "Since", "Why"), 4, _work)
    yield part("limit", "At the limit or near it", ("Drive", "Elongation", "Limit", "State"), 4, _limit)
    yield part("standing", "Alerts that stand", ("Drive", "Alert", "Since", "State"), 4, _standing)
    yield part("raised returned", "Alerts that came and went", ("When", "Drive", "Alert", ""), 4, _happened)
    yield part(
        "shelved out_of_service",
        "Shelved and out of service",
        ("Drive", "Alert", "Why, and by whom", "Until"),
        4,
        _held,
    )
    yield part("sensing", "State of the sensing", ("Drive", "NE 107", "Since", "To mend it"), 4, _sensing)
    yield part(
        "wear",
        "Wear gained",
        ("Drive", "Gained", "From, to", "Joints passed"),
        4,
        _wear,
        "± U (k = 2) counts scatter, and temperature and load where they are not sent; what both ends share goes out.",
    )
    yield part(
        "hand_values baselines chains said_otherwise",
        "Measured and changed",
        ("When", "Drive", "What", "Why, and by whom"),
        4,
        _changed,
    )
    if "forecasts" in content:
        yield part("forecasts", "Forecasts that moved", ("Drive", "Was", "Is", "Why"), 3, _forecast)
    yield part("notes", "Notes", ("When", "Drive", "Note", "By"), 4, _note)


def _shared_out(parts: list[Part]) -> list[Part]:
    """The parts with what is free on paper given to those that have more, the first of them first."""
    free = ROWS_ON_PAPER - sum(min(len(part.rows), part.on_paper) for part in parts)
    found = []
    for part in parts:
        more = min(max(0, free), max(0, len(part.rows) - part.on_paper))
        free -= more
        found.append(replace(part, on_paper=part.on_paper + more))
    return found


Row = Callable[[str, Content, Clock], list[Cell]]


def _drive(row: Content) -> Cell:
    drive_id = row.get("drive_id") or ""
    if not drive_id:
        return Cell(text="All" if "text" in row else "–")
    below = " · ".join(part for part in (row["place"], drive_id if row["name"] != drive_id else "") if part)
    return Cell(text=row["name"], below=below, href=f"/drives/{drive_id}")


def _to_do(_: str, row: Content, clock: Clock) -> list[Cell]:
    return [
        _drive(row),
        Cell(text=row["do"], kind=row["kind"]),
        Cell(text=row["why"]),
        Cell(text=clock.at(row["due"]) if row["due"] else ""),
    ]


def _work(_: str, row: Content, clock: Clock) -> list[Cell]:
    order = f"Work order {row['work_order']}" if row["work_order"] else ""
    what = WORK_KINDS[row["what"]]
    if not row["open"]:
        done = f"done {clock.at(row['closed'])}, {row['closed_by']}"
        return [
            _drive(row),
            Cell(text=f"{what}, closed", below=order, late=row["late"]),
            Cell(text=clock.at(row["since"]), below=done),
            Cell(text=row["why"], below=row["closed_why"]),
        ]
    return [
        _drive(row),
        Cell(text=what, below=order, kind=row["what"], late=row["late"]),
        Cell(text=clock.at(row["since"]), below=row["by"]),
        Cell(text=row["why"]),
    ]


def _pm(pct: float, u_pct: float) -> str:
    value, expanded = words.elongation_words(pct, u_pct)
    return f"{value} ± {expanded} %"


def _limit(_: str, row: Content, clock: Clock) -> list[Cell]:
    by = "by hand, " if row["by"] == "hand" else ""
    return [
        _drive(row),
        Cell(text=_pm(row["elongation_pct"], row["u_pct"]), below=f"{by}{clock.at(row['when'])}"),
        Cell(text=f"{row['limit_pct']:.2f} %"),
        Cell(
            text=LIMIT_STATES[row["state"]],
            below=f"{words.used_words(row['share'])} of it used",
            kind=row["state"],
        ),
    ]


def _alert(row: Content, below: str = "") -> Cell:
    return Cell(
        text=told(row["title"]),
        below=below,
        href=f"/alerts/{row['alert_id']}",
        late=row.get("late", False),
        kind=row["priority"],
    )


def _standing(_: str, row: Content, clock: Clock) -> list[Cell]:
    by = f" by {row['acknowledged_by']}" if row["acknowledged_by"] else ""
    order = f"Work order {row['work_order']}" if row["work_order"] else ""
    return [
        _drive(row),
        _alert(row, row["cause"]),
        Cell(text=clock.at(row["since"]), below=f"{row['priority']} priority"),
        Cell(text=f"{ALERT_STATES.get(row['state'], row['state'])}{by}", below=order),
    ]


def _happened(name: str, row: Content, clock: Clock) -> list[Cell]:
    came = name == "raised"
    return [
        Cell(text=clock.at(row["when"]), late=row["late"]),
        _drive(row),
        _alert(row | {"late": False}, row["cause"]),
        Cell(text="came, not announced" if row["held"] and came else "came" if came else "went"),
    ]


def _held(name: str, row: Content, clock: Clock) -> list[Cell]:
    what = "shelved" if name == "shelved" else "out of service"
    active = "its condition is so now" if row["active"] else "its condition is not so now"
    return [
        _drive(row),
        _alert(row, f"{what}; {active}"),
        Cell(text=row["why"], below=row["by"]),
        Cell(text=clock.at(row["until"]), below="review" if name == "out_of_service" else ""),
    ]


def _sensing(_: str, row: Content, clock: Clock) -> list[Cell]:
    others = f", and {row['others']} more" if row["others"] else ""
    return [
        _drive(row),
        Cell(text=f"{row['what']}{others}", mark=row["letter"], kind=row["status"]),
        Cell(text=clock.at(row["since"])),
        Cell(text=row["mend"]),
    ]


def _wear(_: str, row: Content, clock: Clock) -> list[Cell]:
    joints = Cell(text=f"{row['joints']:,}".replace(",", "\N{NARROW NO-BREAK SPACE}"))
    if row["gained_pct"] is None:
        why = row["why"] or "no chain"
        return [_drive(row), Cell(text="not told"), Cell(text=why), joints]
    gained = f"{row['gained_pct']:+.4f} ± {COVERAGE * row['u_pct']:.4f} %".replace("-", "\N{MINUS SIGN}")
    return [
        _drive(row),
        Cell(text=gained),
        Cell(
            text=f"{row['start_pct']:.3f} to {row['end_pct']:.3f} %",
            below=f"{clock.at(row['start'])} to {clock.at(row['end'])}",
        ),
        joints,
    ]


def _changed(name: str, row: Content, clock: Clock) -> list[Cell]:
    late = row.get("late", False)
    when, drive = Cell(text=clock.at(row["when"]), late=late), _drive(row)
    if name == "hand_values":
        slack = "" if row["reliable"] else ", slack: not counted"
        what = f"By hand: {_pm(row['elongation_pct'], row['u_pct'])}{slack}"
        return [when, drive, Cell(text=what, below=row["method"]), Cell(text=row["note"], below=row["by"])]
    if name == "baselines":
        what = f"Baseline: {_pm(row['elongation_pct'], row['u_pct'])}"
        return [when, drive, Cell(text=what, below=row["chain_id"]), Cell(text=row["why"], below=row["by"])]
    if name == "chains":
        chain = " · ".join(part for part in (row["chain_id"], row["designation"]) if part)
        return [when, drive, Cell(text=CHANGES[row["what"]], below=chain), Cell(text=row["why"])]
    what = f"The last handover said {row['said_pct']:.3f} %, now it is {row['now_pct']:.3f} %"
    return [when, drive, Cell(text=what), Cell(text="readings came late, or were converted again")]


def _forecast(_: str, row: Content, clock: Clock) -> list[Cell]:
    return [
        _drive(row),
        Cell(text=clock.at(row["before"])),
        Cell(text=clock.at(row["after"])),
        Cell(text=row["why"]),
    ]


def _note(_: str, row: Content, clock: Clock) -> list[Cell]:
    return [
        Cell(text=clock.at(row["when"]), late=row["late"]),
        _drive(row),
        Cell(text=row["text"], kind="lines"),
        Cell(text=row["by"]),
    ]


def summary(content: Content) -> list[str]:
    """Return in a few lines what a handover comes to, for mail, chat and lists."""
    counts = [
        (len(content["to_do"]), "to do", "to do"),
        (
            sum(row["open"] and row["what"] == "locked_out" for row in content["work"]),
            "locked out",
            "locked out",
        ),
        (
            sum(row["state"] == "at" for row in content["limit"]),
            "drive at its limit",
            "drives at their limit",
        ),
        (len(content["standing"]), "alert stands", "alerts stand"),
        (sum(row["letter"] == "F" for row in content["sensing"]), "sensing failed", "sensings failed"),
        (len(content["notes"]), "note", "notes"),
    ]
    return [f"{count} {one if count == 1 else many}" for count, one, many in counts if count] or [
        "Nothing to do"
    ]
