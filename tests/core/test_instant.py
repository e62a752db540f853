import math
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.core.instant import format_rfc3339, parse_rfc3339

# RFC 3339 clause 5.8 (from memory), with the seconds since 1970 by POSIX' rule (XBD 4.16): days x 86400 + time of day.
CLAUSE_5_8 = [
    ("1985-04-12T23:20:50.52Z", (5580 * 86_400 + 84_050) * 10**9 + 520_000_000),
    ("1996-12-19T16:39:57-08:00", (9850 * 86_400 + 2_397) * 10**9),
    ("1990-12-31T23:59:60Z", 7670 * 86_400 * 10**9),
    ("1990-12-31T15:59:60-08:00", 7670 * 86_400 * 10**9),
    ("1937-01-01T12:00:27.87+00:20", (-12053 * 86_400 + 42_027) * 10**9 + 870_000_000),
]


@pytest.mark.parametrize(("text", "t_ns"), CLAUSE_5_8)
def test_the_examples_of_rfc_3339_are_read_as_it_says(text: str, t_ns: int) -> None:
    assert parse_rfc3339(text) == t_ns


@pytest.mark.parametrize(
    ("text", "rest_ns"),
    [
        ("2026-11-25T08:15:00Z", 0),
        ("2026-11-25t08:15:00z", 0),
        ("2026-11-25 08:15:00Z", 0),
        ("2026-11-25T08:15:00.1Z", 100_000_000),
        ("2026-11-25T08:15:00.000001Z", 1_000),
        ("2026-11-25T08:15:00.123456789Z", 123_456_789),
        ("2026-11-25T08:15:00.1234567899999999Z", 123_456_789),
        ("2026-11-25T10:15:00.5+02:00", 500_000_000),
        ("2026-11-25T08:15:00-00:00", 0),
        ("2026-11-26T08:14:00+23:59", 0),
        ("2026-11-24T08:16:00-23:59", 0),
    ],
)
def test_every_way_to_write_one_instant_gives_the_same_nanosecond(text: str, rest_ns: int) -> None:
    assert parse_rfc3339(text) == 1_795_594_500 * 10**9 + rest_ns


@pytest.mark.parametrize(
    "text",
    [
        "",
        "yesterday",
        "2026-11-25",
        "2026-11-25T08:15:00",
        "2026-11-25T08:15Z",
        "20261125T081500Z",
        "2026-11-25T08:15:00.Z",
        "2026-11-25T08:15:00,5Z",
        "2026-11-25T24:00:00Z",
        "2026-11-25T08:60:00Z",
        "2026-11-25T08:15:61Z",
        "2026-02-29T08:15:00Z",
        "0000-01-01T00:00:00Z",
        "2026-13-01T00:00:00Z",
        "2026-11-25T08:15:60Z",
        "2026-11-25T23:59:60+01:00",
        "2026-11-25T08:15:00+24:00",
        "2026-11-25T08:15:00+01",
        "2026-11-25T08:15:00Z ",
        "\n2026-11-25T08:15:00Z",
        "2026-11-25T08:15:00Z\n",
        "２０２６-11-25T08:15:00Z",
        "2026-11-25T08:15:00.٥Z",
        "+2026-11-25T08:15:00Z",
    ],
)
def test_what_is_no_rfc_3339_time_is_refused_with_what_was_found(text: str) -> None:
    with pytest.raises(ValueError, match=r"RFC 3339|calendar|leap second") as refused:
        parse_rfc3339(text)
    assert ascii(text)[1:20] in str(refused.value)


def test_what_is_shown_of_a_long_text_is_short() -> None:
    with pytest.raises(ValueError) as refused:
        parse_rfc3339("9" * 100_000)
    assert len(str(refused.value)) < 200


@given(
    st.datetimes(timezones=st.sampled_from([UTC, timezone(timedelta(hours=5, minutes=45))])),
    st.integers(0, 999),
)
def test_reading_agrees_with_the_standard_library_to_its_microsecond(moment: datetime, more_ns: int) -> None:
    text = moment.isoformat(timespec="microseconds")
    text = f"{text[:26]}{more_ns:03d}{text[26:]}"
    since = moment - datetime(1970, 1, 1, tzinfo=UTC)
    assert parse_rfc3339(text) == since // timedelta(microseconds=1) * 1000 + more_ns


@given(st.integers(-62_135_596_800 * 10**9, 253_402_300_800 * 10**9 - 1))
def test_what_is_written_is_read_back_to_the_nanosecond(t_ns: int) -> None:
    assert parse_rfc3339(format_rfc3339(t_ns)) == t_ns


def test_an_instant_is_written_in_utc_with_as_many_digits_as_it_has() -> None:
    assert format_rfc3339(0) == "1970-01-01T00:00:00.000000Z"
    assert format_rfc3339(1_795_594_500_000_001_000) == "2026-11-25T08:15:00.000001Z"
    assert format_rfc3339(1_795_594_500_000_000_001) == "2026-11-25T08:15:00.000000001Z"


def test_an_instant_outside_the_calendar_cannot_be_written() -> None:
    with pytest.raises(OverflowError):
        format_rfc3339(int(math.pow(10, 21)))
