"""Instants and lengths of time as text: RFC 3339 to integer nanoseconds and back, with no float on the way.

Knows text and calendars; must not know what the instants belong to. Local time is for pages only.
"""

import re
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Annotated

from pydantic import PlainSerializer, PlainValidator, WithJsonSchema

SECOND_NS = 1_000_000_000
LAST_NS = (
    9_223_372_036 * SECOND_NS
)  # 2262-04-11, the last second that int64 nanoseconds (and pandas) can hold

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_RFC3339 = re.compile(
    r"(\d{4})-(\d\d)-(\d\d)[Tt ](\d\d):(\d\d):(\d\d)(?:\.(\d{1,9})\d*)?(?:([Zz])|([+\- ])(\d\d):(\d\d))",
    re.ASCII,
)
_LENGTH = re.compile(r"(\d{1,6})(s|min|m|h|d|w|y)", re.ASCII)
_LENGTH_S = {"s": 1, "min": 60, "m": 60, "h": 3600, "d": 86400, "w": 7 * 86400, "y": 365 * 86400}


def instant_ns(text: str) -> int:
    """Return the instant that an RFC 3339 time names, in nanoseconds since 1970.

    The offset may be `Z` or `+hh:mm`; a blank is read as the `+` that a URL turns into a blank. A leap
    second (:60) is read as the second after it. Raises ValueError, with the fix, for everything else:
    a time without offset could be anybody's.

    Source: RFC 3339, section 5.6.
    """
    match = _RFC3339.fullmatch(text.strip())
    if match is None:
        raise ValueError(
            f"{text[:40]!r} is no RFC 3339 time with an offset: write it like 2026-11-25T08:15:00Z "
            "or 2026-11-25T09:15:00+01:00"
        )
    year, month, day, hour, minute, second = (int(match[i]) for i in range(1, 7))
    try:
        whole = datetime(year, month, day, hour, minute, min(second, 59), tzinfo=UTC)
    except ValueError as error:
        raise ValueError(f"{text[:40]!r} is no time of the calendar: {error}") from None
    if second > 60 or (match[10] is not None and (int(match[10]) > 23 or int(match[11]) > 59)):
        raise ValueError(f"{text[:40]!r} is no time of the calendar: seconds end at 60, offsets at 23:59")
    seconds = (whole - _EPOCH) // timedelta(seconds=1) + (1 if second == 60 else 0) - _offset_s(match)
    ns = seconds * SECOND_NS + int((match[7] or "0").ljust(9, "0"))
    if not 0 <= ns <= LAST_NS:
        raise ValueError(f"{text[:40]!r} lies outside 1970 to 2262: correct the year")
    return ns


def _offset_s(match: re.Match[str]) -> int:
    if match[8] is not None:
        return 0
    return (-1 if match[9] == "-" else 1) * (int(match[10]) * 3600 + int(match[11]) * 60)


def rfc3339(ns: int, digits: int | None = None) -> str:
    """Return an instant as RFC 3339 text in UTC, exact.

    digits: of the fraction, 0, 6 or 9; None takes the fewest of them that lose nothing.
    """
    seconds, fraction = divmod(ns, SECOND_NS)
    if digits is None:
        digits = 0 if fraction == 0 else 6 if fraction % 1000 == 0 else 9
    whole = (_EPOCH + timedelta(seconds=seconds)).strftime("%Y-%m-%dT%H:%M:%S")
    return f"{whole}.{fraction:09d}"[: len(whole) + 1 + digits] + "Z" if digits else f"{whole}Z"


def length_ns(text: str) -> int:
    """Return a length of time like 90s, 30min, 12h, 7d, 4w or 1y (of 365 days) in nanoseconds.

    Raises ValueError, with the fix, for everything else.
    """
    match = _LENGTH.fullmatch(text.strip().lower().lstrip("-"))
    if match is None or int(match[1]) == 0:
        raise ValueError(f"{text[:20]!r} is no length of time: write it like 30min, 12h, 7d, 4w or 1y")
    return int(match[1]) * _LENGTH_S[match[2]] * SECOND_NS


def local(ns: int, zone: tzinfo) -> datetime:
    """Return an instant as a date and time of `zone`, cut to microseconds."""
    return (_EPOCH + timedelta(microseconds=ns // 1000)).astimezone(zone)


def zone_name(ns: int, zone: tzinfo) -> str:
    """Return what to write beside a local time, e.g. "CET, UTC+01:00"."""
    at = local(ns, zone)
    sign, rest = at.strftime("%z")[0], at.strftime("%z")[1:]
    offset = f"UTC{sign}{rest[:2]}:{rest[2:4]}" if int(rest) else "UTC"
    name = at.tzname() or ""
    return offset if name in {"", "UTC"} or name[0] in "+-" else f"{name}, {offset}"


def local_ns(text: str, zone: tzinfo) -> int:
    """Return the instant that a form's local date and time (2026-11-25T08:15) names in `zone`.

    Of the hour that comes twice in autumn the first is meant. Raises ValueError with the fix.
    """
    try:
        at = datetime.fromisoformat(text.strip())
    except ValueError:
        raise ValueError(f"{text[:30]!r} is no date and time: write it like 2026-11-25T08:15") from None
    if at.tzinfo is None:
        at = at.replace(tzinfo=zone)
    return instant_ns(at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"))


def age_words(age_s: float) -> str:
    """Return an age as people say it: 4 s, 3 min, 2 h 10 min, 5 d."""
    seconds = max(0, int(age_s))
    if seconds < 120:
        return f"{seconds} s"
    if seconds < 7200:
        return f"{seconds // 60} min"
    if seconds < 2 * 86400:
        return f"{seconds // 3600} h {seconds % 3600 // 60} min"
    return f"{seconds // 86400} d"


def _validated(value: object) -> int:
    if not isinstance(value, str):
        raise ValueError("must be an RFC 3339 time as text, like 2026-11-25T08:15:00Z")  # noqa: TRY004
    return instant_ns(value)


Instant = Annotated[
    int,
    PlainValidator(_validated),
    PlainSerializer(rfc3339, return_type=str),
    WithJsonSchema({"type": "string", "format": "date-time", "examples": ["2026-11-25T08:15:00Z"]}),
]
"""A field of the API: RFC 3339 text outside, nanoseconds since 1970 inside."""
