"""Instants as text: RFC 3339 to UTC nanoseconds since 1970 and back.

Knows the calendar; must not know the clock. Nanoseconds are integers throughout: float64 seconds since 1970 are
already 0.24 us coarse.
"""

import re
from datetime import datetime, timedelta
from typing import Final

_RFC3339: Final = re.compile(
    r"([0-9]{4}-[0-9]{2}-[0-9]{2})[Tt ]([0-9]{2}:[0-9]{2}):([0-9]{2})(?:\.([0-9]+))?"
    r"(?:[Zz]|([+-])([01][0-9]|2[0-3]):([0-5][0-9]))"
)
_EPOCH: Final = datetime(1970, 1, 1)  # noqa: DTZ001 - what is added to it and taken from it is UTC too


def parse_rfc3339(text: str) -> int:
    """Return an RFC 3339 time as UTC nanoseconds since 1970; digits beyond the ninth are cut off.

    A leap second (23:59:60 UTC) counts as the second after it, as the clocks of computers have it.
    Raises ValueError where the text is no such time, saying what one looks like.

    Source: RFC 3339 clause 5.6, and 5.7 on leap seconds.
    """
    match = _RFC3339.fullmatch(text)
    if match is None:
        raise ValueError(f"{_shown(text)} is no RFC 3339 time such as 2026-11-25T08:15:00.000000Z")
    date, minute, second, fraction, sign, hours, minutes = match.groups()
    is_leap = second == "60"
    try:
        since = datetime.fromisoformat(f"{date}T{minute}:{'59' if is_leap else second}") - _EPOCH
    except ValueError as error:
        raise ValueError(f"{_shown(text)} is no time of the calendar ({error})") from None
    seconds = since.days * 86_400 + since.seconds + is_leap
    if sign is not None:
        offset_s = int(hours) * 3600 + int(minutes) * 60
        seconds += offset_s if sign == "-" else -offset_s
    if is_leap and seconds % 86_400:
        raise ValueError(f"{_shown(text)} has a leap second where there is none: they end a day of UTC")
    return seconds * 10**9 + (int(fraction[:9].ljust(9, "0")) if fraction else 0)


def format_rfc3339(t_ns: int) -> str:
    """Return UTC nanoseconds since 1970 as RFC 3339 text: microseconds, nine digits where they say more.

    Raises OverflowError outside the years 1 to 9999.
    """
    seconds, rest_ns = divmod(t_ns, 10**9)
    stamp = (_EPOCH + timedelta(seconds=seconds)).isoformat()
    fraction = f"{rest_ns:09d}" if rest_ns % 1000 else f"{rest_ns // 1000:06d}"
    return f"{stamp}.{fraction}Z"


def _shown(text: str) -> str:
    shown = ascii(text)
    return shown if len(shown) <= 60 else f"{shown[:57]}..."
