"""Times and lengths as text."""

from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.adapters.web.instants import (
    LAST_NS,
    SECOND_NS,
    age_words,
    instant_ns,
    length_ns,
    local_ns,
    rfc3339,
    zone_name,
)

BERLIN = ZoneInfo("Europe/Berlin")


@given(st.integers(min_value=0, max_value=LAST_NS))
def test_an_instant_survives_its_text_to_the_nanosecond(ns: int) -> None:
    assert instant_ns(rfc3339(ns)) == ns
    assert instant_ns(rfc3339(ns, 9)) == ns


@given(
    st.datetimes(datetime(1970, 1, 3), datetime(2261, 1, 1)),  # noqa: DTZ001 - hypothesis wants them bare
    st.integers(-14 * 60, 14 * 60),
)
def test_times_with_an_offset_are_read_as_pythons_datetime_reads_them(at: datetime, minutes: int) -> None:
    at = at.replace(tzinfo=timezone(timedelta(minutes=minutes)))
    expected = (at - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1) * 1000
    assert instant_ns(at.isoformat()) == expected


@pytest.mark.parametrize(
    ("text", "same"),
    [
        # The examples of RFC 3339, section 5.8.
        ("1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50.520000Z"),
        ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57Z"),
        ("1990-12-31T23:59:60Z", "1991-01-01T00:00:00Z"),
        ("1990-12-31T15:59:60-08:00", "1991-01-01T00:00:00Z"),
        # A "+" that a URL has turned into a blank.
        ("2026-11-25T09:15:00 01:00", "2026-11-25T08:15:00Z"),
    ],
)
def test_published_examples_are_read(text: str, same: str) -> None:
    assert rfc3339(instant_ns(text)) == same


@pytest.mark.parametrize(
    "text",
    [
        "",
        "yesterday",
        "2026-11-25",
        "2026-11-25T08:15:00",  # whose time?
        "2026-02-30T00:00:00Z",
        "2026-11-25T08:15:61Z",
        "2026-11-25T08:15:00+24:00",
        "1937-01-01T12:00:27.87+00:20",  # before 1970
        "9999-12-31T00:00:00Z",
        "２０２６-11-25T08:15:00Z",
    ],
)
def test_anything_else_is_refused_with_the_fix(text: str) -> None:
    with pytest.raises(ValueError, match=r"RFC 3339|calendar|correct the year"):
        instant_ns(text)


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("90s", 90),
        ("30min", 1800),
        ("30m", 1800),
        ("12h", 43200),
        ("7d", 604800),
        ("-7d", 604800),
        ("1y", 31536000),
    ],
)
def test_lengths_are_read(text: str, seconds: int) -> None:
    assert length_ns(text) == seconds * SECOND_NS


@pytest.mark.parametrize("text", ["", "7", "d", "0d", "1.5h", "7 d", "9999999d", "7days"])
def test_other_lengths_are_refused_with_the_fix(text: str) -> None:
    with pytest.raises(ValueError, match="write it like 30min"):
        length_ns(text)


def test_a_forms_time_is_local_and_the_hour_that_comes_twice_is_the_first() -> None:
    assert rfc3339(local_ns("2026-11-25T09:15", BERLIN)) == "2026-11-25T08:15:00Z"
    assert rfc3339(local_ns("2026-10-25T02:30", BERLIN)) == "2026-10-25T00:30:00Z"
    with pytest.raises(ValueError, match="write it like"):
        local_ns("tomorrow", BERLIN)


def test_a_zone_is_named_with_its_offset() -> None:
    winter, summer = instant_ns("2026-01-01T00:00:00Z"), instant_ns("2026-07-01T00:00:00Z")
    assert zone_name(winter, BERLIN) == "CET, UTC+01:00"
    assert zone_name(summer, BERLIN) == "CEST, UTC+02:00"
    assert zone_name(summer, UTC) == "UTC"


@pytest.mark.parametrize(
    ("age_s", "words"),
    [
        (-3, "0 s"),
        (119.9, "119 s"),
        (120, "2 min"),
        (7200, "2 h 0 min"),
        (90_000, "25 h 0 min"),
        (200_000, "2 d"),
    ],
)
def test_ages_are_said_as_people_say_them(age_s: float, words: str) -> None:
    assert age_words(age_s) == words
