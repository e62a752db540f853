"""The curb: which messages are read, and that each of the others is told of once."""

from hypothesis import given
from hypothesis import strategies as st

from service.core.allowance import Terms
from service.curb import NOBODYS, NOBODYS_SHARE, TELL_NS, Curb

S = 1_000_000_000
NOW_NS = 1_795_000_000 * S
TERMS = Terms(per_s=2.0, burst=10.0, backlog_ns=31 * 86400 * S)


def spend(curb: Curb, name: str, now_ns: int = NOW_NS) -> int:
    """Send garbage until it is no longer read; return how much was."""
    times = 0
    while curb.lets_read(name, now_ns):
        curb.was_read(name, now_ns, payload_bytes=1, own_time=None)
        times += 1
    return times


def test_each_name_has_a_purse_of_its_own() -> None:
    curb = Curb(TERMS)
    assert spend(curb, "d1") == 10
    assert not curb.lets_read("d1", NOW_NS)
    assert curb.lets_read("d2", NOW_NS)


def test_what_is_nobodys_shares_one_purse_and_pays_with_no_time() -> None:
    curb = Curb(TERMS)
    for number in range(20):
        start = NOW_NS - number * 60 * S
        curb.was_read(NOBODYS, NOW_NS, payload_bytes=1, own_time=(start, start + 60 * S))
    assert not curb.lets_read(NOBODYS, NOW_NS)
    assert spend(curb, NOBODYS, NOW_NS + S) == TERMS.per_s * NOBODYS_SHARE - 10


def test_the_first_is_told_at_once_and_the_others_once_a_minute() -> None:
    curb = Curb(TERMS)
    first = curb.refuse("d1", NOW_NS, 100, "t")
    assert first is not None
    assert (first.messages, first.payload_bytes, first.goes_on) == (1, 100, False)
    assert [curb.refuse("d1", NOW_NS + number, 7, f"t{number}") for number in range(5)] == [None] * 5
    assert curb.untold(NOW_NS + TELL_NS - 1) == []
    assert not curb.is_due(NOW_NS + TELL_NS - 1)
    assert curb.is_due(NOW_NS + TELL_NS)
    (told,) = curb.untold(NOW_NS + TELL_NS)
    assert (told.name, told.messages, told.payload_bytes, told.goes_on) == ("d1", 5, 35, True)
    assert told.topic == "t4"
    assert curb.untold(NOW_NS + 2 * TELL_NS) == []
    again = curb.refuse("d1", NOW_NS + 2 * TELL_NS, 1, "t")
    assert again is not None  # a quiet minute lies between: the first of another flood
    assert not again.goes_on


@given(st.lists(st.tuples(st.sampled_from(["a", "b", NOBODYS]), st.integers(-100, 100)), max_size=100))
def test_each_message_that_is_not_read_is_told_of_once(messages: list[tuple[str, int]]) -> None:
    curb, now_ns, told = Curb(TERMS), NOW_NS, 0
    for name, later_s in messages:
        now_ns += later_s * S
        first = curb.refuse(name, now_ns, 1, "t")
        told += first.messages if first is not None else 0
        told += sum(each.messages for each in curb.untold(now_ns))
    told += sum(each.messages for each in curb.untold(now_ns, all_of_them=True))
    assert told == len(messages)
