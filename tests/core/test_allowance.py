"""What a drive may still send: a backlog pays for itself, a flood does not, whatever it is made of."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.core.allowance import (
    BYTES_A_TOKEN,
    SPANS_MAX,
    Allowance,
    Span,
    Terms,
    after_reading,
    full,
    may_be_read,
    tokens_at,
)

S = 1_000_000_000
DAY_S = 86_400
NOW_NS = 1_795_000_000 * S
TERMS = Terms(per_s=2.0, burst=1000.0, backlog_ns=31 * DAY_S * S)


def read(allowance: Allowance, own_time: Span | None, *, now_ns: int = NOW_NS, size: int = 500) -> Allowance:
    return after_reading(allowance, TERMS, now_ns, payload_bytes=size, own_time=own_time)


def send(times: list[Span | None], now_ns: int = NOW_NS, size: int = 500) -> tuple[int, Allowance]:
    """How many of the messages that come at once are read, and how the drive stands then."""
    allowance, looked = full(TERMS, now_ns), 0
    for each in times:
        if may_be_read(allowance, TERMS, now_ns):
            looked += 1
            allowance = read(allowance, each, now_ns=now_ns, size=size)
    return looked, allowance


def windows(count: int, every_s: float, long_s: float, back_s: float) -> list[Span | None]:
    """Windows one after the other, the first so long ago."""
    begin = NOW_NS - round(back_s * S)
    starts = [begin + round(number * every_s * S) for number in range(count)]
    return [(start, start + round(long_s * S)) for start in starts]


every = st.floats(0.5, 60, allow_nan=False)


@pytest.mark.parametrize("long_s", [0.0, 0.7, 1.0])
def test_a_day_of_batches_of_a_second_that_come_at_once_costs_nothing(long_s: float) -> None:
    """Of 0 s are those of a drive that stands, whose device sends no span."""
    looked, after = send(windows(DAY_S, 1.0, long_s, DAY_S))
    assert looked == DAY_S
    assert after.tokens == pytest.approx(TERMS.burst)


@given(every, st.floats(0, 60), st.integers(1, 400), st.booleans())
def test_a_backlog_pays_for_itself_forwards_and_backwards_and_where_windows_overlap(
    every_s: float,
    long_s: float,
    count: int,
    backwards: bool,  # noqa: FBT001
) -> None:
    times = windows(count, every_s, long_s, 400 * 60 + 60)
    looked, after = send(times[::-1] if backwards else times)
    assert looked == count
    # Backwards what lies between short windows may be taken as known, one stretch of half a second each.
    assert after.tokens >= TERMS.burst - (SPANS_MAX if backwards else 0.01)


@given(every, st.integers(1, 300))
def test_live_batches_and_a_backlog_in_turn_pay_for_themselves(every_s: float, count: int) -> None:
    live = windows(count, every_s, every_s, every_s * count)
    late = windows(count, every_s, every_s, 20 * DAY_S)
    looked, after = send([each for pair in zip(live, late, strict=True) for each in pair])
    assert looked == 2 * count
    assert after.tokens >= TERMS.burst - SPANS_MAX


@pytest.mark.parametrize(
    "times",
    [
        [(NOW_NS - 60 * S, NOW_NS)] * 50_000,  # the same window again and again
        windows(50_000, 0.001, 10.0, 60),  # each a millisecond later
        [None] * 50_000,  # garbage
        [(NOW_NS - 60 * DAY_S * S, NOW_NS - 59 * DAY_S * S)] * 50_000,  # further back than any backlog
        windows(50_000, 3.0, 1.0, 3650 * DAY_S),  # made up long ago, each another
    ],
)
def test_a_flood_is_read_as_far_as_the_burst_and_no_further(times: list[Span | None]) -> None:
    looked, after = send(times)
    assert looked <= TERMS.burst + 150  # the windows a millisecond apart are about a minute of own time
    assert after.tokens < 1


span = st.tuples(st.integers(-40 * DAY_S, 600), st.integers(0, 3600)).map(
    lambda each: (NOW_NS + each[0] * S, NOW_NS + (each[0] + each[1]) * S)
)
message = st.tuples(st.none() | span, st.integers(0, 2_000_000), st.integers(-5, 30))


@given(st.lists(message, max_size=200))
def test_never_more_than_burst_time_elapsed_and_own_time(
    messages: list[tuple[Span | None, int, int]],
) -> None:
    """The bound that holds whatever is sent, and whichever way our clock goes."""
    allowance, now_ns, elapsed_s, spent = full(TERMS, NOW_NS), NOW_NS, 0.0, 0.0
    for own_time, size, later_s in messages:
        now_ns += later_s * S
        elapsed_s += max(0, later_s)
        if may_be_read(allowance, TERMS, now_ns):
            spent += max(1.0, size / BYTES_A_TOKEN)
            allowance = read(allowance, own_time, now_ns=now_ns, size=size)
    own_s = sum(to_ns - from_ns for from_ns, to_ns in allowance.spans) / S
    assert spent <= TERMS.burst + TERMS.per_s * (elapsed_s + own_s) + 2_000_000 / BYTES_A_TOKEN
    assert allowance.tokens <= TERMS.burst


@given(st.lists(span, max_size=120))
def test_stretches_stay_in_order_apart_few_and_hold_all_that_was_sent(times: list[Span]) -> None:
    allowance = full(TERMS, NOW_NS)
    for each in times:
        allowance = read(allowance, each)
    spans = allowance.spans
    assert len(spans) <= SPANS_MAX
    assert all(start < end for start, end in spans)
    assert all(before[1] < after[0] for before, after in pairwise(spans))
    horizon = NOW_NS - TERMS.backlog_ns
    for start, end in times:
        if end > horizon:
            assert any(known[0] <= max(start, horizon) and end <= known[1] for known in spans)


@given(st.lists(st.tuples(span, st.integers(0, 500_000)), max_size=60), span)
def test_what_was_sent_once_pays_for_nothing_again(messages: list[tuple[Span, int]], again: Span) -> None:
    allowance = read(full(TERMS, NOW_NS), again)
    for own_time, size in messages:
        allowance = read(allowance, own_time, size=size)
    assert read(allowance, again).tokens == pytest.approx(allowance.tokens - 1)


def test_a_large_message_costs_as_many_tokens_as_it_takes_time_to_read() -> None:
    once = read(full(TERMS, NOW_NS), None, size=1024 * 1024)
    assert once.tokens == TERMS.burst - 32


def test_a_device_that_is_mended_is_heard_again_within_a_second_and_pays_for_itself() -> None:
    _, allowance = send([None] * 5000)
    assert not may_be_read(allowance, TERMS, NOW_NS)
    later_ns = NOW_NS + S
    assert may_be_read(allowance, TERMS, later_ns)
    for number in range(100):
        now_ns = later_ns + number * S
        assert may_be_read(allowance, TERMS, now_ns)
        allowance = read(allowance, (now_ns - S, now_ns), now_ns=now_ns)
    assert tokens_at(allowance, TERMS, later_ns + 100 * S) > 150


def test_a_clock_that_goes_back_adds_nothing() -> None:
    spent = Allowance(5.0, NOW_NS)
    assert tokens_at(spent, TERMS, NOW_NS - 3600 * S) == 5.0
    assert read(spent, None, now_ns=NOW_NS - 3600 * S).tokens == 4.0


@pytest.mark.parametrize("wrong", [{"per_s": 0.0}, {"burst": 0.5}, {"backlog_ns": 0}])
def test_terms_that_would_allow_nothing_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="above 0"):
        Terms(**({"per_s": 1.0, "burst": 1.0, "backlog_ns": 1} | wrong))  # type: ignore[arg-type]
