"""A store that stays away, with a spool: nothing lost, nothing twice, in the order of arrival, wherever the power goes."""

import threading
import time
from collections.abc import Callable, Sequence
from typing import Any, Self

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from prometheus_client import CollectorRegistry
from structlog.testing import capture_logs

from service import ingest
from service.core.allowance import Terms
from service.core.batch import RejectionReason
from service.core.reading import Reading
from service.ingest import Ingest, Message, Metrics, SpoolError, SpoolStatus
from service.ports import StoreUnavailableError
from tests.fakes_spool import FakeSpool
from tests.test_ingest import NOW_NS, ROOT, FakeSource, S, Store, Worker, batch, register_drive, wait_until

NEVER_S = 1e9


class PowerCutError(BaseException):
    """Nothing catches this, as nothing runs on after a power cut."""


class Cuts:
    """Counts the steps between a worker and what is around it, and cuts the power at one of them."""

    def __init__(self, at: Sequence[int] = ()) -> None:
        self.step = 0
        self._at = set(at)

    def between(self) -> None:
        self.step += 1
        if self.step in self._at:
            raise PowerCutError

    def around(self, call: Callable[..., Any]) -> Callable[..., Any]:
        """The call, with a place for a cut before it and one behind it."""

        def cut(*args: Any, **kwargs: Any) -> Any:
            self.between()
            found = call(*args, **kwargs)
            self.between()
            return found

        return cut


class Broker(FakeSource):
    """Keeps what is not acknowledged, and sends it again to a worker that starts anew."""

    def __init__(self, kept: list[bytes], cuts: Cuts) -> None:
        super().__init__([])
        self.kept = kept
        self.cuts = cuts
        for payload in kept:
            self.send(payload)

    def receive(self, messages_max: int, timeout_s: float) -> list[Message]:
        del timeout_s
        self.cuts.between()
        messages = super().receive(messages_max, 0.0)
        self.cuts.between()
        return messages

    def acknowledge(self, messages: Sequence[Message]) -> None:
        self.cuts.between()
        super().acknowledge(messages)
        for message in messages:
            self.kept.remove(message.payload)
        self.cuts.between()


class Plant:
    """What outlives a power cut: the broker's queue, the store, the spool."""

    def __init__(self, payloads: list[bytes], cuts: Cuts) -> None:
        self.queue = list(payloads)
        self.cuts = cuts
        self.worker = Worker()
        register_drive(self.worker)
        self.spool = FakeSpool()
        self.first_stored: list[int] = []
        store = self.worker.store.store

        def storing(readings: Sequence[Reading]) -> int:
            cuts.between()
            new = store(readings)
            known = set(self.first_stored)
            self.first_stored += [reading.seq for reading in readings if reading.seq not in known]
            cuts.between()
            return new

        self.worker.store.store = storing  # type: ignore[method-assign]

    def start(self, flush_messages: int = 3) -> Ingest:
        return Ingest(
            Broker(self.queue, self.cuts),
            self.worker.store,
            self.worker.register,
            self.worker.refused,
            root=ROOT,
            metrics=Metrics(CollectorRegistry()),
            spool=SpoolWithCuts(self.spool, self.cuts),
            spool_after_s=0.0,
            flush_messages=flush_messages,
            now_ns=lambda: NOW_NS,
        )

    def down(self, why: str | None) -> None:
        self.worker.store.down = self.worker.refused.down = self.worker.register.down = why


class SpoolWithCuts:
    """A spool with a place for a cut before and behind each call."""

    def __init__(self, spool: FakeSpool, cuts: Cuts) -> None:
        self.put = cuts.around(spool.put)
        self.oldest = cuts.around(spool.oldest)
        self.drop = cuts.around(spool.drop)
        self._spool = spool

    def status(self) -> SpoolStatus:
        return self._spool.status()


def live_through(plant: Plant, story: Sequence[str]) -> None:
    """Let a worker live through a story of the store: each word is a try of a step, with the store as it says.

    After a power cut it goes on with the next word, with a worker that starts anew.
    """
    worker: Ingest | None = None
    for word in story:
        plant.down("away" if word == "away" else None)
        try:
            worker = worker or plant.start()
            try:
                worker.step()
            except StoreUnavailableError as fault:
                worker._failed(fault)
                for _ in range(2):
                    worker._spool_what_comes(0.0)
        except PowerCutError:
            worker = None
    plant.cuts._at.clear()
    plant.down(None)
    worker = worker or plant.start()
    while worker.step():
        pass


def held(plant: Plant, count: int) -> None:
    """All stored, once, in the order of arrival; nothing left anywhere."""
    assert plant.first_stored == list(range(count))
    assert sorted(reading.seq for reading in plant.worker.store.all) == list(range(count))
    assert plant.queue == []
    assert plant.spool.status().messages == 0
    assert plant.worker.refused.rejections() == []


PAYLOADS = [batch(seq, ago_s=1000 - seq) for seq in range(12)]
# The store goes away with messages in hand, stays away over some tries, comes back, goes away in the drain, comes back.
STORY = ["there", "away", "away", "there", "away", "there", "there", "there"]


@pytest.fixture(autouse=True)
def at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ingest, "REGISTER_S", 0.0)
    monkeypatch.setattr(ingest, "ANNOUNCE_S", NEVER_S)


def test_without_a_cut_all_is_stored_in_the_order_of_arrival_and_part_of_it_went_through_the_spool() -> None:
    plant = Plant(PAYLOADS, Cuts())
    live_through(plant, STORY)
    held(plant, len(PAYLOADS))
    assert 3 < plant.spool._last < len(PAYLOADS), "so many were spooled"


def steps_of_the_story() -> int:
    plant = Plant(PAYLOADS, Cuts())
    live_through(plant, STORY)
    return plant.cuts.step


def test_a_power_cut_between_any_two_steps_loses_nothing_and_stores_nothing_twice() -> None:
    steps = steps_of_the_story()
    assert steps > 50
    for at in range(1, steps + 1):
        plant = Plant(PAYLOADS, Cuts([at]))
        live_through(plant, STORY)
        held(plant, len(PAYLOADS))


@settings(max_examples=150)
@given(
    story=st.lists(st.sampled_from(["there", "away", "away"]), max_size=12),
    cuts=st.lists(st.integers(1, 120), max_size=4),
)
def test_whatever_the_store_does_and_wherever_the_power_goes(story: list[str], cuts: list[int]) -> None:
    plant = Plant(PAYLOADS, Cuts(cuts))
    live_through(plant, story)
    held(plant, len(PAYLOADS))


# What the worker does and says, by its own loop


class Running:
    """An ingest at work in a thread, on fakes."""

    def __init__(self, spool: FakeSpool | None, after_s: float = 0.0, **how: Any) -> None:
        self.worker = Worker()
        self.worker.registry = CollectorRegistry()
        register_drive(self.worker)
        self.ingest = Ingest(
            self.worker.source,
            self.worker.store,
            self.worker.register,
            self.worker.refused,
            root=ROOT,
            metrics=Metrics(self.worker.registry),
            spool=spool,
            spool_after_s=after_s,
            now_ns=lambda: self.worker.now_ns,
            **how,
        )
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self.ingest.run, args=(self._stop,), daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(10)
        assert not self._thread.is_alive()

    def down(self, why: str | None) -> None:
        self.worker.store.down = self.worker.refused.down = self.worker.register.down = why

    @property
    def source(self) -> FakeSource:
        return self.worker.source

    @property
    def store(self) -> Store:
        return self.worker.store


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ingest, "RETRY_MAX_S", 0.05)


@pytest.mark.usefixtures("quick")
def test_while_the_store_is_away_what_comes_is_spooled_acknowledged_counted_and_told() -> None:
    with capture_logs() as logs, Running(FakeSpool()) as running:
        running.worker.send(batch(0, ago_s=500))
        wait_until(lambda: len(running.store.all) == 1)
        running.down("no room")
        running.worker.send(*[batch(seq, ago_s=400 - seq) for seq in range(1, 21)])
        wait_until(lambda: len(running.source.acknowledged) == 21)
        assert len(running.store.all) == 1
        health = running.ingest.health()
        assert (health.store_ok, health.trouble) == (False, "no room")
        assert health.spool is not None
        assert (health.spool.messages, health.spool.since_ns, health.spool.trouble) == (20, NOW_NS, "")
        running.worker.now_ns += 7 * S
        running.worker.send(batch(21, ago_s=300))
        wait_until(lambda: running.worker.count("spool_messages") == 21)
        assert running.worker.count("spool_oldest_seconds") == 7
        assert running.worker.count("spooled_total") == 21
        running.down(None)
        wait_until(lambda: len(running.store.all) == 22 and running.ingest.health().store_ok)
    assert running.worker.count("messages_total") == 22, "none is counted twice"
    assert running.worker.count("spool_messages") == 0
    assert running.worker.count("repeats_total") == 0
    said = [entry["event"] for entry in logs]
    assert said.count("store_unavailable") == said.count("store_well_again") == 1


@pytest.mark.usefixtures("quick")
def test_nothing_is_spooled_before_the_store_was_away_for_as_long_as_was_set() -> None:
    with Running(FakeSpool(), after_s=0.4) as running:
        running.down("busy")
        running.worker.send(batch(1))
        wait_until(lambda: not running.ingest.health().store_ok)
        began_s = time.monotonic()
        wait_until(lambda: running.source.acknowledged)
        assert time.monotonic() - began_s > 0.2


@pytest.mark.usefixtures("quick")
def test_a_full_spool_takes_nothing_more_from_the_broker_and_says_so_and_goes_on_once_there_is_room() -> None:
    spool = FakeSpool()
    with capture_logs() as logs, Running(spool) as running:
        running.down("gone")
        running.worker.send(batch(1, ago_s=90))
        wait_until(lambda: len(running.source.acknowledged) == 1)
        spool.full = True
        running.worker.send(*[batch(seq, ago_s=90 - seq) for seq in range(2, 9)])
        wait_until(lambda: running.worker.count("spool_refuses") == 1)
        time.sleep(0.1)
        assert len(running.source.acknowledged) == 1
        spool_status = running.ingest.health().spool
        assert spool_status is not None
        assert spool_status.trouble == "it is full"
        spool.full = False
        wait_until(lambda: len(running.source.acknowledged) == 8)
        running.down(None)
        wait_until(lambda: len(running.store.all) == 8)
    assert [reading.seq for reading in running.store.all] == list(range(1, 9))
    said = [entry["event"] for entry in logs]
    assert said.count("spool_refuses") == said.count("spool_takes_again") == 1


@pytest.mark.usefixtures("quick")
def test_where_the_spool_cannot_be_read_nothing_newer_overtakes_it() -> None:
    spool = FakeSpool()
    spool.put([Message(f"{ROOT}/d1/pulses", batch(1, ago_s=99), None, 1)], NOW_NS)
    spool.unreadable = True
    with Running(spool) as running:
        running.worker.send(batch(2, ago_s=50))
        wait_until(lambda: running.worker.count("spool_refuses") == 1)
        assert running.store.all == []
        assert not running.ingest.health().store_ok
        assert running.ingest.health().trouble == "it cannot be read"
        spool.unreadable = False
        wait_until(lambda: len(running.store.all) == 2)
        wait_until(lambda: running.ingest.health().store_ok)
    assert [reading.seq for reading in running.store.all] == [1, 2]


@pytest.mark.usefixtures("quick")
def test_a_worker_that_starts_while_the_store_does_not_answer_spools_too() -> None:
    with Running(FakeSpool()) as running:
        running.down("no connection")
        running.worker.send(batch(1), b"junk")
        wait_until(lambda: len(running.source.acknowledged) == 2)
        running.down(None)
        wait_until(lambda: len(running.store.all) == 1 and running.worker.reasons())
    assert running.worker.reasons() == [RejectionReason.NOT_PARSEABLE]


@pytest.mark.usefixtures("quick")
def test_a_reading_that_the_store_cannot_take_is_told_from_the_others_in_the_spool_too() -> None:
    spool = FakeSpool()
    spool.put([Message(f"{ROOT}/d1/pulses", batch(seq, ago_s=99 - seq), None, 1) for seq in range(6)], NOW_NS)
    running = Running(spool, flush_messages=1)
    running.store.refuses = lambda reading: reading.seq == 2
    with running:
        wait_until(lambda: len(running.store.all) == 5)
    assert spool.status().messages == 0
    assert running.worker.reasons() == [RejectionReason.LINKLAG_FAULT]


def test_what_waited_is_judged_by_the_time_at_which_it_was_received() -> None:
    """A clock that was ahead then is ahead, however late it is looked at; and what a drive may send is counted by then."""
    spool = FakeSpool()
    ahead = batch(1, ago_s=-3600)  # an hour ahead of the time it came
    spool.put([Message(f"{ROOT}/d1/pulses", ahead, None, 1)], NOW_NS)
    terms = Terms(per_s=1.0, burst=2.0, backlog_ns=3600 * S)
    for number in range(30):  # one a second, as it may
        spool.put([Message(f"{ROOT}/d1/pulses", batch(10 + number, ago_s=600), None, 1)], NOW_NS + number * S)
    worker = Worker()
    worker.registry = CollectorRegistry()
    register_drive(worker)
    worker.now_ns += 7200 * S
    door = Ingest(
        worker.source,
        worker.store,
        worker.register,
        worker.refused,
        root=ROOT,
        metrics=Metrics(worker.registry),
        spool=spool,
        allowed=terms,
        now_ns=lambda: worker.now_ns,
    )
    while door.step():
        pass
    (kept,) = worker.refused.rejections()
    assert "ahead of now" in kept.rejection.detail
    assert kept.rejection.received_ns == NOW_NS
    assert len(worker.store.all) == 30


def test_what_is_in_hand_and_spooled_is_not_given_back_to_the_broker() -> None:
    spool = FakeSpool()
    with Running(spool) as running:
        running.down("gone")
        running.worker.send(batch(1))
        wait_until(lambda: running.source.acknowledged)
    assert spool.status().messages == 1
    assert running.source.receive(10, 0) == []


def test_without_a_spool_the_broker_keeps_all() -> None:
    with Running(None) as running:
        running.down("gone")
        running.worker.send(batch(1))
        wait_until(lambda: not running.ingest.health().store_ok)
        time.sleep(0.3)
        assert running.source.acknowledged == []
        assert running.ingest.health().spool is None


def test_a_spool_that_refuses_raises_what_says_so() -> None:
    spool = FakeSpool()
    spool.full = True
    with pytest.raises(SpoolError, match="full"):
        spool.put([Message("t", b"", None, 1)], 0)
