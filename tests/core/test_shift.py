"""Shifts: every instant to the second, over midnight, year end and both kinds of night in which clocks change."""

from datetime import UTC, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from service.core.fields import FieldsRefusedError
from service.core.shift import (
    EVERY_DAY,
    Pattern,
    Shift,
    Site,
    Slot,
    clock_time,
    instant_ns,
    next_shift,
    previous_shift,
    shift_at,
    shifts_between,
)

S = 1_000_000_000
H = 3600 * S
DAY = 24 * H
BERLIN = ZoneInfo("Europe/Berlin")
WEEKDAYS = frozenset(range(1, 6))
THREE = Pattern(
    (
        Slot(name="Early", starts=time(6), ends=time(14)),
        Slot(name="Late", starts=time(14), ends=time(22)),
        Slot(name="Night", starts=time(22), ends=time(6)),
    )
)
# Two shifts on working days, one long one on Saturday, none on Sunday.
TWO = Pattern(
    (
        Slot(name="Early", starts=time(6), ends=time(14), days=WEEKDAYS),
        Slot(name="Late", starts=time(14), ends=time(22), days=WEEKDAYS),
        Slot(name="Saturday", starts=time(7), ends=time(13, 30), days=frozenset({6})),
    )
)
ZONES = [
    "UTC",
    "Europe/Berlin",
    "America/Santiago",
    "Australia/Lord_Howe",  # half an hour of daylight saving
    "Asia/Kathmandu",  # UTC+05:45
    "Africa/Casablanca",  # back and forth again around Ramadan
    "America/Havana",  # clocks change at midnight
    "Pacific/Apia",  # left a whole day out in 2011
]


def utc(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * S


def wall(text: str) -> datetime:
    """A date and time of the clock on the wall."""
    return datetime.fromisoformat(text)


@st.composite
def whole_days(draw: st.DrawFn) -> Pattern:
    """A pattern that covers 24 hours of every day, cut anywhere."""
    cuts = draw(st.lists(st.integers(0, 1439), min_size=1, max_size=6, unique=True).map(sorted))
    times = [time(*divmod(each, 60)) for each in cuts]
    pairs = zip(times, [*times[1:], times[0]], strict=True)
    return Pattern(
        tuple(Slot(name=f"S{n}", starts=starts, ends=ends) for n, (starts, ends) in enumerate(pairs))
    )


INSTANTS = st.integers(utc("1990-01-01T00:00:00"), utc("2060-01-01T00:00:00"))


@given(pattern=whole_days(), zone=st.sampled_from(ZONES), from_ns=INSTANTS, days=st.integers(1, 30))
@example(pattern=THREE, zone="Europe/Berlin", from_ns=utc("2026-03-20T00:00:00"), days=20)
@example(pattern=THREE, zone="Pacific/Apia", from_ns=utc("2011-12-28T00:00:00"), days=5)
def test_shifts_that_cover_the_day_tile_time_without_gap_or_overlap(
    pattern: Pattern, zone: str, from_ns: int, days: int
) -> None:
    to_ns = from_ns + days * DAY
    found = shifts_between(pattern, ZoneInfo(zone), from_ns, to_ns)
    assert found[0].from_ns <= from_ns
    assert found[-1].to_ns >= to_ns
    for before, after in pairwise(found):
        assert before.to_ns == after.from_ns
    assert all(each.from_ns < each.to_ns for each in found)


@given(pattern=st.one_of(whole_days(), st.just(TWO)), zone=st.sampled_from(ZONES), t_ns=INSTANTS)
def test_an_instant_is_in_its_shift_or_between_the_previous_and_the_next(
    pattern: Pattern, zone: str, t_ns: int
) -> None:
    clocks = ZoneInfo(zone)
    here, before, after = (find(pattern, clocks, t_ns) for find in (shift_at, previous_shift, next_shift))
    assert before is not None
    assert after is not None
    assert before.to_ns <= t_ns <= after.from_ns
    if here is None:
        assert shifts_between(pattern, clocks, before.to_ns, after.from_ns) == []
    else:
        assert here.from_ns < t_ns <= here.to_ns
        assert shift_at(pattern, clocks, here.to_ns) == here  # closed at its end
        assert shift_at(pattern, clocks, here.from_ns) != here  # open at its start
        assert here in shifts_between(pattern, clocks, t_ns - 1, t_ns)


@given(zone=st.sampled_from(ZONES), at=st.datetimes(wall("1990-01-01T00:00"), wall("2060-01-01T00:00")))
def test_later_on_the_wall_is_never_earlier_in_time(zone: str, at: datetime) -> None:
    clocks = ZoneInfo(zone)
    steps = [instant_ns(at.replace(second=0) + n * timedelta(minutes=7), clocks) for n in range(30)]
    assert steps == sorted(steps)


@given(zone=st.sampled_from(ZONES), t_s=st.integers(6 * 10**8, 2 * 10**9))
def test_an_instant_whose_local_time_comes_once_comes_back(zone: str, t_s: int) -> None:
    clocks = ZoneInfo(zone)
    at = datetime.fromtimestamp(t_s, tz=clocks)
    expected = t_s if at.fold == 0 else None
    found = instant_ns(at.replace(tzinfo=None, fold=0), clocks)
    assert found % S == 0
    if expected is not None:
        assert found == t_s * S
    else:  # it is the second of two: the first is meant
        assert found < t_s * S


# Directive 2000/84/EC, articles 2 and 3 (from memory): summer-time begins and ends at 1.00 a.m. UTC on the last Sunday of
# March and of October. In 2026 these are 29 March and 25 October, in 2027 28 March and 31 October.
@pytest.mark.parametrize(
    ("from_utc", "to_utc", "hours"),
    [
        ("2026-03-28T21:00:00", "2026-03-29T04:00:00", 7),
        ("2026-10-24T20:00:00", "2026-10-25T05:00:00", 9),
        ("2027-03-27T21:00:00", "2027-03-28T04:00:00", 7),
        ("2027-10-30T20:00:00", "2027-10-31T05:00:00", 9),
        ("2026-06-10T20:00:00", "2026-06-11T04:00:00", 8),  # any other night
        ("2026-12-31T21:00:00", "2027-01-01T05:00:00", 8),  # over the end of the year
    ],
)
def test_a_night_lasts_as_long_as_its_clocks_say(from_utc: str, to_utc: str, hours: int) -> None:
    night = Shift(name="Night", from_ns=utc(from_utc), to_ns=utc(to_utc))
    assert (night.to_ns - night.from_ns) // H == hours
    for t_ns in (night.from_ns + 1, night.from_ns + S, utc(to_utc) - 3 * H, night.to_ns - S, night.to_ns):
        assert shift_at(THREE, BERLIN, t_ns) == night
    late, early = shift_at(THREE, BERLIN, night.from_ns), shift_at(THREE, BERLIN, night.to_ns + 1)
    assert late is not None
    assert early is not None
    assert (late.name, late.to_ns) == ("Late", night.from_ns)
    assert (early.name, early.from_ns) == ("Early", night.to_ns)


# Chile: since 2023 clocks go back at 03:00 UTC on the Sunday from 2 to 8 April and forward at 04:00 UTC on the Sunday from 2 to
# 8 September (time zone database, rule Chile; from memory): 5 April and 6 September 2026. Both lie at local midnight.
@pytest.mark.parametrize(
    ("from_utc", "to_utc", "hours"),
    [
        ("2026-04-05T01:00:00", "2026-04-05T10:00:00", 9),
        ("2026-09-06T02:00:00", "2026-09-06T09:00:00", 7),
    ],
)
def test_a_night_of_the_southern_half_lasts_as_long_too(from_utc: str, to_utc: str, hours: int) -> None:
    night = shift_at(THREE, ZoneInfo("America/Santiago"), utc(from_utc) + 1)
    assert night == Shift(name="Night", from_ns=utc(from_utc), to_ns=utc(to_utc))
    assert (night.to_ns - night.from_ns) // H == hours


def test_a_start_that_clocks_jump_over_is_the_moment_of_the_jump() -> None:
    """02:30 does not come on 29 March 2026: clocks go from 02:00 to 03:00 at 01:00 UTC."""
    assert instant_ns(wall("2026-03-29T02:30"), BERLIN) == utc("2026-03-29T01:00:00")
    assert instant_ns(wall("2026-03-29T02:00"), BERLIN) == utc("2026-03-29T01:00:00")
    assert instant_ns(wall("2026-03-29T03:00"), BERLIN) == utc("2026-03-29T01:00:00")
    assert instant_ns(wall("2026-03-29T01:59"), BERLIN) == utc("2026-03-29T00:59:00")


def test_a_start_that_comes_twice_is_the_first_of_the_two() -> None:
    """02:30 comes at 00:30 and at 01:30 UTC on 25 October 2026."""
    assert instant_ns(wall("2026-10-25T02:30"), BERLIN) == utc("2026-10-25T00:30:00")
    assert instant_ns(wall("2026-10-25T03:00"), BERLIN) == utc("2026-10-25T02:00:00")


def test_a_shift_within_the_hour_that_is_left_out_does_not_take_place_that_night() -> None:
    short = Pattern((Slot(name="Check", starts=time(2, 10), ends=time(2, 50)),))
    names = shifts_between(short, BERLIN, utc("2026-03-28T12:00:00"), utc("2026-03-29T12:00:00"))
    assert names == []
    assert len(shifts_between(short, BERLIN, utc("2026-03-27T12:00:00"), utc("2026-03-28T12:00:00"))) == 1


def test_between_shifts_there_is_none_and_the_next_is_after_the_weekend() -> None:
    sunday = utc("2026-06-14T10:00:00")
    assert shift_at(TWO, BERLIN, sunday) is None
    before, after = previous_shift(TWO, BERLIN, sunday), next_shift(TWO, BERLIN, sunday)
    assert before == Shift(
        name="Saturday", from_ns=utc("2026-06-13T05:00:00"), to_ns=utc("2026-06-13T11:30:00")
    )
    assert after == Shift(name="Early", from_ns=utc("2026-06-15T04:00:00"), to_ns=utc("2026-06-15T12:00:00"))


def test_the_next_shift_begins_when_this_one_ends() -> None:
    night = shift_at(THREE, BERLIN, utc("2026-06-11T00:00:00"))
    assert night is not None
    early = next_shift(THREE, BERLIN, night.to_ns)
    assert early is not None
    assert (early.name, early.from_ns) == ("Early", night.to_ns)
    assert previous_shift(THREE, BERLIN, night.to_ns) == night


def test_without_a_pattern_there_are_no_shifts() -> None:
    nothing = Pattern()
    assert shift_at(nothing, BERLIN, 10**18) is None
    assert previous_shift(nothing, BERLIN, 10**18) is None
    assert next_shift(nothing, BERLIN, 10**18) is None
    assert shifts_between(nothing, BERLIN, 0, 10 * DAY) == []


def test_a_shift_of_a_whole_day_follows_itself() -> None:
    watch = Pattern((Slot(name="Watch", starts=time(7), ends=time(7)),))
    found = shifts_between(watch, BERLIN, utc("2026-10-24T12:00:00"), utc("2026-10-26T12:00:00"))
    assert [(each.to_ns - each.from_ns) // H for each in found] == [25, 24, 24]


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (("06:00", "14:30", EVERY_DAY), ("14:00", "22:00", EVERY_DAY)),
        (("22:00", "06:30", frozenset({7})), ("06:00", "14:00", frozenset({1}))),  # over the end of the week
        (("07:00", "07:00", frozenset({1})), ("06:00", "08:00", frozenset({2}))),
        (("06:00", "14:00", EVERY_DAY), ("06:00", "14:00", frozenset({3}))),
    ],
)
def test_shifts_that_overlap_are_refused_with_both_names(
    one: tuple[str, str, frozenset[int]], other: tuple[str, str, frozenset[int]]
) -> None:
    first, second = (
        Slot(name=name, starts=clock_time(starts), ends=clock_time(ends), days=days)
        for name, (starts, ends, days) in (("First", one), ("Second", other))
    )
    with pytest.raises(FieldsRefusedError, match=r"First.*Second|Second.*First"):
        Pattern((first, second))


def test_nights_of_different_days_may_follow_each_other() -> None:
    Pattern(
        (
            Slot(name="Sunday night", starts=time(22), ends=time(6), days=frozenset({7})),
            Slot(name="Monday", starts=time(6), ends=time(22), days=frozenset({1})),
        )
    )


def test_what_is_wrong_with_a_slot_or_a_site_is_told_by_field() -> None:
    with pytest.raises(FieldsRefusedError, match=r"name: give the shift a name.*days: give at least one"):
        Slot(name="", starts=time(6), ends=time(14), days=frozenset())
    with pytest.raises(FieldsRefusedError, match=r"starts: give a time of the clock to the minute"):
        Slot(name="Early", starts=time(6, 0, 1), ends=time(14))
    with pytest.raises(FieldsRefusedError, match=r"days"):
        Slot(name="Early", starts=time(6), ends=time(14), days=frozenset({0}))
    for zone in ("Mars/North", "Europe", "../etc/passwd", "", "/etc/passwd"):
        with pytest.raises(FieldsRefusedError, match="no time zone here"):
            Site(site="Talheim", zone=zone)
    assert Site(site="Talheim", zone="Europe/Berlin").zone_info == BERLIN
    assert Site(site="Talheim").zone_info is UTC


def test_too_many_lines_and_too_long_a_range_are_refused() -> None:
    line = Slot(name="x", starts=time(6), ends=time(6, 1), days=frozenset({1}))
    with pytest.raises(FieldsRefusedError, match="51 lines are too many"):
        Pattern((line,) * 51)
    with pytest.raises(ValueError, match="400 days of shifts at most"):
        shifts_between(THREE, BERLIN, 0, 401 * DAY)


@pytest.mark.parametrize(("text", "found"), [("06:00", time(6)), ("6:30", time(6, 30)), ("24:00", time(0))])
def test_a_time_of_the_clock_is_read(text: str, found: time) -> None:
    assert clock_time(text) == found


@pytest.mark.parametrize("text", ["", "6", "25:00", "06:60", "24:30", "06:00:00", "-1:00", "6:0", "٠٦:٠٠"])
def test_what_is_no_time_of_the_clock_is_refused_with_the_fix(text: str) -> None:
    with pytest.raises(ValueError, match=r"write it like"):
        clock_time(text)
