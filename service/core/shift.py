"""Shifts of a site: a pattern of local clock times by weekday, and the exact instants that it makes of a date.

A shift begins when the clock of the site shows one time and ends when it next shows another, so that a night from 22:00 to
06:00 lasts seven hours when clocks go forward in it and nine when they go back. Two local times are no instant, or two:
one that comes twice (clocks go back) means the first, one that never comes (clocks go forward) means the moment of the jump.
So local times in order make instants in order, and shifts that meet on the wall meet in time; a shift that lies wholly within
the hour that is left out does not take place that night. What is left out and what comes twice is told by PEP 495: the two
folds of a local time have offsets that rise over a gap and fall over a repetition.

Knows calendars and zones; must not know what happens in a shift. A shift is open at its start and closed at its end, as every
interval here: what is stamped 06:00:00 belongs to the night.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from itertools import pairwise
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from service.core.fields import FieldsRefusedError, refuse, text_problem

SECOND_NS = 1_000_000_000
DAY_NS = 86_400 * SECOND_NS
EVERY_DAY = frozenset(range(1, 8))  # ISO 8601: Monday is 1, Sunday 7
SLOTS_MAX = 50
DAYS_MAX = 400  # over which shifts are listed at once
_WEEK_MIN = 7 * 24 * 60
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_DAY = timedelta(days=1)
_NEAR_DAYS = 2  # a zone's clock is within a day of UTC, and a shift lasts a day at most
_FAR_DAYS = 9  # a pattern comes round in a week


@dataclass(frozen=True, slots=True, kw_only=True)
class Slot:
    """One line of a pattern: a shift that begins at `starts` on these days and ends when the clock next shows `ends`.

    The same time twice is a shift of a whole day. days: those on which it begins, Monday 1 to Sunday 7.
    """

    name: str
    starts: time
    ends: time
    days: frozenset[int] = EVERY_DAY

    def __post_init__(self) -> None:
        refuse(
            name=text_problem(self.name) or (None if self.name else "give the shift a name, e.g. Early"),
            starts=_clock_problem(self.starts),
            ends=_clock_problem(self.ends),
            days=None
            if self.days and self.days <= EVERY_DAY
            else "give at least one day, Monday 1 to Sunday 7",
        )

    @property
    def length_min(self) -> int:
        """Minutes from start to end by the clock on the wall."""
        return (_minute(self.ends) - _minute(self.starts)) % (24 * 60) or 24 * 60


@dataclass(frozen=True, slots=True)
class Pattern:
    """The shifts of a week. Times between them, and whole days, may be left free; no two may overlap."""

    slots: tuple[Slot, ...] = ()

    def __post_init__(self) -> None:
        if len(self.slots) > SLOTS_MAX:
            raise FieldsRefusedError(
                {
                    "slots": f"{len(self.slots)} lines are too many; {SLOTS_MAX} at most: join days into one line"
                }
            )
        for before, after in _overlaps(self.slots):
            raise FieldsRefusedError(
                {
                    "slots": f"{before.name} ({before.starts:%H:%M} to {before.ends:%H:%M}) and {after.name} "
                    f"({after.starts:%H:%M} to {after.ends:%H:%M}) overlap: let one end when the other begins. Time to talk "
                    "it over needs no overlap here"
                }
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """A site as drives name it, the zone of its clocks, and its shifts."""

    site: str
    zone: str = "UTC"
    pattern: Pattern = field(default_factory=Pattern)

    def __post_init__(self) -> None:
        refuse(site=text_problem(self.site), zone=_zone_problem(self.zone))

    @property
    def zone_info(self) -> tzinfo:
        """The zone of its clocks."""
        return _zone(self.zone)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """One shift that takes place: (from_ns, to_ns]."""

    name: str
    from_ns: int
    to_ns: int


def instant_ns(local: datetime, zone: tzinfo) -> int:
    """Return the instant at which the clocks of a zone first show a local time, or jump over it.

    Args:
        local: date and time without a zone.
        zone: whose clocks.

    Source: PEP 495, "Conversion from naive to aware": in a gap the first fold has the smaller offset.
    """
    first, second = (local.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    before, after = first.utcoffset(), second.utcoffset()
    if before is not None and after is not None and before < after:
        return _jump_ns(local, zone, before, after)
    return _ns(first.astimezone(UTC))


def shift_at(pattern: Pattern, zone: tzinfo, t_ns: int) -> Shift | None:
    """Return the shift that an instant belongs to (from < t <= to); None between shifts."""
    near = _shifts_around(pattern, zone, t_ns, _NEAR_DAYS)
    return next((each for each in near if each.from_ns < t_ns <= each.to_ns), None)


def shifts_between(pattern: Pattern, zone: tzinfo, from_ns: int, to_ns: int) -> list[Shift]:
    """Return the shifts of which some part lies in (from, to], in order of time.

    Raises ValueError where that is over more than 400 days.
    """
    if to_ns - from_ns > DAYS_MAX * DAY_NS:
        raise ValueError(f"ask for {DAYS_MAX} days of shifts at most: give a later start or an earlier end")
    first = _local(from_ns, zone).date() - _NEAR_DAYS * _DAY
    days = (_local(to_ns, zone).date() - first).days + _NEAR_DAYS
    found = _shifts_of(pattern, zone, first, days)
    return [each for each in found if each.from_ns < to_ns and each.to_ns > from_ns]


def previous_shift(pattern: Pattern, zone: tzinfo, t_ns: int) -> Shift | None:
    """Return the last shift that ended by an instant; None without a pattern."""
    ended = [each for each in _shifts_around(pattern, zone, t_ns, _FAR_DAYS) if each.to_ns <= t_ns]
    return ended[-1] if ended else None


def next_shift(pattern: Pattern, zone: tzinfo, t_ns: int) -> Shift | None:
    """Return the first shift that begins at an instant or later; None without a pattern."""
    near = _shifts_around(pattern, zone, t_ns, _FAR_DAYS)
    return next((each for each in near if each.from_ns >= t_ns), None)


def clock_time(text: str) -> time:
    """Return the time of the clock that a text such as 06:00 gives. Raises ValueError with the fix."""
    hour, colon, minute = text.strip().partition(":")
    digits = hour.isascii() and hour.isdigit() and minute.isascii() and minute.isdigit()
    if not colon or not digits or len(hour) > 2 or len(minute) != 2 or int(hour) > 24 or int(minute) > 59:
        raise ValueError(f"{text[:20]!r} is no time of the clock: write it like 06:00 or 22:30")
    if int(hour) == 24 and int(minute):
        raise ValueError(f"{text[:20]!r} is after the end of the day: write it like 00:30")
    return time(int(hour) % 24, int(minute))


def _shifts_around(pattern: Pattern, zone: tzinfo, t_ns: int, days: int) -> list[Shift]:
    return _shifts_of(pattern, zone, _local(t_ns, zone).date() - days * _DAY, 2 * days + 1)


def _shifts_of(pattern: Pattern, zone: tzinfo, first: date, days: int) -> list[Shift]:
    """The shifts that begin on so many days from the first on, in order of time."""
    found = [
        shift
        for number in range(days)
        for slot in pattern.slots
        if (day := first + number * _DAY).isoweekday() in slot.days
        for shift in _on(slot, day, zone)
    ]
    return sorted(found, key=lambda each: each.from_ns)


def _on(slot: Slot, day: date, zone: tzinfo) -> Iterator[Shift]:
    """The shift of a slot that begins on a day, unless clocks jump over all of it."""
    starts = datetime.combine(day, slot.starts)
    from_ns, to_ns = (
        instant_ns(each, zone) for each in (starts, starts + timedelta(minutes=slot.length_min))
    )
    if from_ns < to_ns:
        yield Shift(name=slot.name, from_ns=from_ns, to_ns=to_ns)


def _jump_ns(local: datetime, zone: tzinfo, before: timedelta, after: timedelta) -> int:
    """The instant at which the offset of a zone changes over a local time that is left out, to the second."""
    known = local.replace(tzinfo=UTC)
    still, jumped = (known - after - _EPOCH) // _SECOND, (known - before - _EPOCH) // _SECOND
    while jumped - still > 1:
        middle = (still + jumped) // 2
        if (_EPOCH + middle * _SECOND).astimezone(zone).utcoffset() == before:
            still = middle
        else:
            jumped = middle
    return jumped * SECOND_NS


_SECOND = timedelta(seconds=1)


def _overlaps(slots: tuple[Slot, ...]) -> Iterator[tuple[Slot, Slot]]:
    """Pairs that overlap by the clock on the wall, the end of the week joined to its start."""
    lines = sorted(
        ((day - 1) * 24 * 60 + _minute(slot.starts), slot.length_min, number)
        for number, slot in enumerate(slots)
        for day in slot.days
    )
    if not lines:
        return
    first = (lines[0][0] + _WEEK_MIN, *lines[0][1:])
    for (starts_min, length_min, one), (next_min, _, other) in pairwise([*lines, first]):
        if starts_min + length_min > next_min:
            yield slots[one], slots[other]


def _minute(at: time) -> int:
    return at.hour * 60 + at.minute


def _local(t_ns: int, zone: tzinfo) -> datetime:
    return (_EPOCH + timedelta(microseconds=t_ns // 1000)).astimezone(zone)


def _ns(at: datetime) -> int:
    return (at - _EPOCH) // _SECOND * SECOND_NS


def _clock_problem(at: object) -> str | None:
    plain = isinstance(at, time) and at.tzinfo is None and not at.second and not at.microsecond
    return None if plain else "give a time of the clock to the minute, e.g. 06:00"


def _zone(name: str) -> tzinfo:
    """The zone of a name; UTC also where the system has no time zone data."""
    return UTC if name == "UTC" else ZoneInfo(name)


def _zone_problem(name: object) -> str | None:
    if not isinstance(name, str):
        return "give the name of a time zone, e.g. Europe/Berlin"
    try:
        _zone(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):  # OSError: the name of a folder of zones
        return f"{name[:40]!r} is no time zone here: give a name like Europe/Berlin, or UTC"
    return None
