"""Order-by and change-by days as an iCalendar object (RFC 5545) that a calendar program can subscribe to.

Knows the library `icalendar`, which folds, escapes and ends lines; decides nothing. The same facts make the same bytes: stamps
and sequence numbers come from when what an entry says last changed, not from when somebody asks.

What is due now or late stands on today, where people see it, and so changes at midnight of the site.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

from icalendar import Calendar, Component, Event, Timezone, TimezoneStandard

from service.adapters.web.change_words import chance_words, stop_words
from service.core.replacement import Answer, Change, day_of, day_words
from service.core.shift import instant_ns

PRODID = "-//linklag//changes of chains//EN"
REFRESH = timedelta(hours=6)
CAUTION = (
    "Before you go near the drive: lock out and tag out, let stored energy out; local codes and people licensed for the work come "
    "first. linklag is a maintenance aid and no safety function."
)
_EPOCH_NS = (
    int(datetime(2020, 1, 1, tzinfo=UTC).timestamp()) * 10**9
)  # of sequence numbers, which count seconds
_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Feed:
    """What a feed is made for: its name, the store it comes from, the page's address, when plans last changed, and now."""

    name: str
    instance: str
    address: str
    changed_ns: int
    now_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Entry:
    kind: str
    day: date
    summary: str
    words: Sequence[str]
    modified_ns: int


def as_calendar(changes: Iterable[Change], feed: Feed) -> bytes:
    """Return the feed: two entries of a whole day each for every change that has days."""
    calendar = Calendar()
    calendar.add("prodid", PRODID)
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("name", feed.name)  # RFC 7986, 5.1
    calendar.add("refresh-interval", REFRESH, parameters={"VALUE": "DURATION"})  # RFC 7986, 5.7
    events: list[Component] = [
        _event(entry, change, feed)
        for change in changes
        if change.has_date
        for entry in _entries(change, feed)
    ]
    for each in events or [_utc()]:  # a calendar has one component at least (RFC 5545, 3.6)
        calendar.add_component(each)
    return bytes(calendar.to_ical())


def _entries(change: Change, feed: Feed) -> Iterator[_Entry]:
    facts, name = change.facts, change.drive.name or change.drive.drive_id
    if facts.chain is None or change.change_by is None:
        return
    designation = facts.chain.designation or f"{facts.chain.pitch_mm:g} mm"
    made_ns = facts.outlook.made_ns if facts.outlook is not None else 0
    known_ns = max(made_ns, feed.changed_ns, facts.chain.fitted_ns)
    today = day_of(feed.now_ns, facts.zone)
    midnight_ns = instant_ns(datetime.combine(today, time()), facts.zone)
    now = change.answer is Answer.NOW
    if change.order_by is not None and not now:
        late = change.order_by < today
        yield _Entry(
            kind="order",
            day=max(change.order_by, today),
            summary=f"Order {'now, late' if late else 'by today'}: chain {designation} for {name}",
            words=[*_words(change), *_order_words(change)],
            modified_ns=max(known_ns, midnight_ns) if late else known_ns,
        )
    in_stop = (
        f", in {change.stop.name} on {day_words(change.needed_on)}"
        if change.stop and change.needed_on
        else ""
    )
    yield _Entry(
        kind="change",
        day=today if now else change.change_by,
        summary=f"Change now: chain of {name}" if now else f"Change by today: chain of {name}{in_stop}",
        words=_words(change),
        modified_ns=max(known_ns, midnight_ns) if now else known_ns,
    )


def _words(change: Change) -> list[str]:
    said = [change.sentence] if change.sentence else [chance_words(change)]
    if change.stop is not None:
        said.append(stop_words(change))
    return [*said, *change.notes]


def _order_words(change: Change) -> Iterator[str]:
    if change.needed_on is not None:
        yield f"Needed on {day_words(change.needed_on)}."
    if change.facts.terms.stock_number:
        yield f"Stock number {change.facts.terms.stock_number}."


def _event(entry: _Entry, change: Change, feed: Feed) -> Event:
    chain = change.facts.chain
    modified = datetime.fromtimestamp(entry.modified_ns // 10**9, tz=UTC)
    event = Event()
    risk = f"{100 * change.risk:g}"
    event.add("uid", f"{entry.kind}-{chain.chain_id if chain else ''}-{risk}@{feed.instance}")
    event.add("dtstamp", modified)  # without METHOD the same as LAST-MODIFIED (RFC 5545, 3.8.7.2)
    event.add("last-modified", modified)
    event.add("sequence", max(0, entry.modified_ns - _EPOCH_NS) // 10**9)
    event.add("dtstart", entry.day)
    event.add("dtend", entry.day + _DAY)
    event.add("summary", entry.summary)
    event.add("description", "\n".join([*entry.words, CAUTION]))
    drive = change.drive
    place = " / ".join(each for each in (drive.site, drive.area, drive.line) if each)
    if place:
        event.add("location", place)
    event.add("categories", ["Order" if entry.kind == "order" else "Change"])
    event.add("transp", "TRANSPARENT")
    event.add("url", f"{feed.address}/drives/{drive.drive_id}/change")
    return event


def _utc() -> Timezone:
    """The definition of a zone, which nothing refers to."""
    zone, standard = Timezone(), TimezoneStandard()
    zone.add("tzid", "UTC")
    standard.add("dtstart", datetime(1970, 1, 1))  # noqa: DTZ001 - local time by RFC 5545, 3.6.5
    standard.add("tzoffsetfrom", timedelta())
    standard.add("tzoffsetto", timedelta())
    zone.add_component(standard)
    return zone


def named(site: str | None, line: str | None) -> str:
    """Return the name of a feed."""
    place = " / ".join(each for each in (site, line) if each)
    return f"Chains to order and change{', ' + place if place else ''}"
