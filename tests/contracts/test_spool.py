"""What every spool promises: in a file, and the one in memory that other tests use."""

import tempfile
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.adapters.spool import FileSpool
from service.ingest import Message, Spool
from tests.fakes_spool import FakeSpool

S = 1_000_000_000


@contextmanager
def in_memory() -> Iterator[Spool]:
    yield FakeSpool()


@contextmanager
def in_a_file() -> Iterator[Spool]:
    with tempfile.TemporaryDirectory() as folder, FileSpool(Path(folder) / "s", bytes_max=1 << 24) as spool:
        yield spool


SPOOLS = pytest.mark.parametrize("a_spool", [in_memory, in_a_file])
MESSAGES = st.lists(
    st.builds(
        Message,
        topic=st.text(max_size=20).filter(lambda text: text.isprintable() or "\0" in text),
        payload=st.binary(max_size=50),
        content_type=st.none() | st.text(max_size=10),
        arrival=st.integers(1, 1 << 62),
        received_ns=st.none() | st.integers(0, 1 << 62),
    ),
    max_size=8,
)


@SPOOLS
@settings(max_examples=30, suppress_health_check=[HealthCheck.differing_executors])
@given(steps=st.lists(st.one_of(MESSAGES, st.integers(1, 9)), max_size=12))
def test_what_was_put_comes_out_in_its_order_and_once_dropped_never_again(
    a_spool: Callable[[], AbstractContextManager[Spool]],
    steps: list[list[Message] | int],
) -> None:
    """A list is put, a number is how many of the oldest are dropped."""
    waiting: list[Message] = []
    with a_spool() as spool:
        for step in steps:
            if isinstance(step, int):
                gone = spool.oldest(step)
                spool.drop(gone)
                del waiting[: len(gone)]
            else:
                spool.put(step, 5 * S)
                waiting += [each._replace(received_ns=received_ns(each)) for each in step]
            found = spool.oldest(1000)
            assert [each._replace(arrival=0) for each in found] == [
                each._replace(arrival=0) for each in waiting
            ]
            numbers = [each.arrival for each in found]
            assert numbers == sorted(set(numbers))
            status = spool.status()
            assert status.messages == len(waiting)
            assert status.bytes == sum(len(each.payload) for each in waiting)
            assert status.since_ns == (waiting[0].received_ns if waiting else None)
            assert (status.trouble, status.set_aside) == ("", ())


def received_ns(message: Message) -> int:
    return 5 * S if message.received_ns is None else message.received_ns


@SPOOLS
def test_the_oldest_behind_a_number_are_those_that_follow_it(
    a_spool: Callable[[], AbstractContextManager[Spool]],
) -> None:
    with a_spool() as spool:
        spool.put([Message("t", b"%d" % number, None, number) for number in range(5)], S)
        first, second = spool.oldest(2)
        assert [each.payload for each in spool.oldest(2, after=second.arrival)] == [b"2", b"3"]
        spool.drop([first])
        assert [each.payload for each in spool.oldest(1)] == [b"1"]
