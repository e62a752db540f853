"""A row of the table of faults: the power goes between any two steps of the walk from the broker to the receiver.

The doors, the store (SQLite) and the spool are the real ones, in this process. A step is a call that leaves something
behind: a transaction, an acknowledgement, a change of the spool, an event sent. The power goes before it, within it
just before it becomes durable, or behind it when nobody knows yet. Then all that was in memory is forgotten, and the
walk begins anew on what is on disk, at the broker and at the receiver.
"""

import contextlib
import itertools
import random
import shutil
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from prometheus_client import CollectorRegistry
from sqlalchemy import Connection

from service import ingest
from service.adapters.database.connect import Database, open_database
from service.adapters.database.transactions import Transactions
from service.adapters.spool import FileSpool
from service.core.event import CloudEvent
from service.core.route import Route
from service.deliver import DeliverPorts, Pace, RouteRunner, Surroundings
from service.ingest import Ingest, Message, Metrics, SpoolStatus
from service.ports import StoreUnavailableError
from service.watch import Watch
from tests.faults.plant import set_up
from tests.faults.row import Named, Row
from tests.faults.sending import ROOT, batch
from tests.test_spooling import Cuts, PowerCutError

BATCHES = 8  # of one drive, 150 s apart by its own time: enough for its condition to occur
STEP = 150
FLUSH = 3
LIVES_MAX = 50


@dataclass
class Outside:
    """What outlives a power cut beside the disk: the broker's queue, and what the receiver got."""

    queue: list[bytes]
    got: Counter[int] = field(default_factory=Counter)


class Broker:
    """A source that keeps what is not acknowledged."""

    def __init__(self, outside: Outside, cuts: Cuts) -> None:
        self._outside, self._cuts = outside, cuts
        self._given = 0

    def receive(self, messages_max: int, timeout_s: float) -> list[Message]:
        del timeout_s
        came = self._outside.queue[self._given : self._given + messages_max]
        messages = [
            Message(f"{ROOT}/d0/pulses", payload, None, n) for n, payload in enumerate(came, self._given)
        ]
        self._given += len(messages)
        return messages

    def acknowledge(self, messages: Sequence[Message]) -> None:
        self._cuts.between()
        for message in messages:
            assert message.payload == self._outside.queue.pop(0)
        self._given -= len(messages)
        self._cuts.between()

    def release(self, messages: Sequence[Message]) -> None:
        self._given -= len(messages)

    def publish(self, topic: str, payload: bytes, *, retain: bool = True, qos: int = 1) -> None:
        pass

    def status(self) -> ingest.SourceStatus:
        raise NotImplementedError


class Spool:
    """The spool in its file, with a place for a cut before and behind each change."""

    def __init__(self, spool: FileSpool, cuts: Cuts) -> None:
        self._spool = spool
        self.put = cuts.around(spool.put)
        self.drop = cuts.around(spool.drop)

    def oldest(self, messages_max: int, *, after: int = 0) -> list[Message]:
        return self._spool.oldest(messages_max, after=after)

    def status(self) -> SpoolStatus:
        return self._spool.status()


class Hook:
    """The receiver, as a notifier."""

    def __init__(self, outside: Outside, cuts: Cuts) -> None:
        self._outside, self._cuts = outside, cuts

    def send(self, events: Sequence[CloudEvent], message_id: str) -> None:
        del message_id
        self._cuts.between()
        self._outside.got.update(int(event.id.split(".")[-2]) for event in events)
        self._cuts.between()

    def rest(self) -> None:
        pass

    def close(self) -> None:
        pass


@contextmanager
def cut_at(cuts: Cuts) -> Iterator[None]:
    """Let every transaction that writes have a place for a cut before it, before its commit, and behind that."""
    real = Transactions.writing

    @contextmanager
    def writing(self: Transactions) -> Iterator[Connection]:
        cuts.between()
        with real(self) as connection:
            yield connection
            cuts.between()
        cuts.between()

    Transactions.writing = writing  # type: ignore[method-assign]
    try:
        yield
    finally:
        Transactions.writing = real  # type: ignore[method-assign]


class Walk:
    """One walk, over as many lives as the cuts make of it. The store is away once, in the middle, for the spool's sake."""

    def __init__(self, folder: Path, at: Sequence[int]) -> None:
        self.file, self._spool_file = folder / "linklag.db", folder / "spool.db"
        self.cuts = Cuts(at)
        self.outside = Outside([batch(number * STEP) for number in range(BATCHES)])
        self.lives = 0
        self._was_away = False

    def live(self) -> None:
        """Until a life comes to its end by itself."""
        while True:
            self.lives += 1
            assert self.lives < LIVES_MAX
            with (
                contextlib.closing(open_database(f"sqlite:///{self.file}")) as database,
                FileSpool(self._spool_file, bytes_max=1 << 24) as spool,
                contextlib.suppress(PowerCutError),
                cut_at(self.cuts),
            ):
                self._one_life(database, Spool(spool, self.cuts))
                return

    def _one_life(self, database: Database, spool: Spool) -> None:
        door = Ingest(
            Broker(self.outside, self.cuts),
            database.readings,
            database.register,
            database.refused,
            root=ROOT,
            metrics=Metrics(CollectorRegistry()),
            store_all=database.store_all,
            devices=database.devices,
            spool=spool,
            spool_after_s=0.0,
            flush_messages=FLUSH,
        )
        watch = Watch(database)
        ports = DeliverPorts(
            alert_log=database.alert_log,
            outbox=database.outbox,
            register=database.register,
            notifier_for=self._notifier,
        )
        route = RouteRunner("hook", ports, Pace(), Surroundings())
        door.step()
        self._store_is_away(door)
        while door.step():
            watch.turn()
            while route.step():
                pass
        while watch.turn():
            pass
        while route.step():
            pass

    def _store_is_away(self, door: Ingest) -> None:
        if not self._was_away:
            door._store_failed(StoreUnavailableError("away"))
            door._spool_what_comes(0.0)
            self._was_away = True

    def _notifier(self, route: Route) -> Hook:
        del route
        return Hook(self.outside, self.cuts)


@dataclass
class _Sums:
    sent: int = 0
    stored: int = 0
    twice: int = 0
    due: int = 0
    delivered: int = 0
    again: int = 0  # events that came more than once

    def add(self, walk: Walk) -> None:
        with contextlib.closing(open_database(f"sqlite:///{walk.file}")) as database:
            readings = database.readings.raw("d0", 0, time.time_ns())
            numbers = [each.number for each in database.alert_log.after(0)]
        stored = len({reading.seq for reading in readings})
        self.sent += BATCHES
        self.stored += stored
        self.twice += len(readings) - stored
        self.due += len(numbers)
        self.delivered += sum(walk.outside.got[number] > 0 for number in numbers)
        self.again += sum(walk.outside.got.values()) - len(walk.outside.got)
        assert walk.outside.queue == [], "all was acknowledged"
        assert numbers, "something was to be told"


def power_cut(pairs_s: float, *, single_every: int = 1, every_pair: bool = False) -> Row:
    """Cut at each place, one walk for each; then at pairs of places drawn at random, for so many seconds.

    Args:
        pairs_s: for so long pairs are drawn.
        single_every: of the places only each so-manieth, for a short run.
        every_pair: cut at each pair of places instead, the second anywhere in what follows the first; takes minutes.
    """
    began_s = time.monotonic()
    in_memory = "/dev/shm" if Path("/dev/shm").is_dir() else None  # noqa: S108
    with tempfile.TemporaryDirectory(prefix="power-", dir=in_memory) as name:
        folder = Path(name)
        (folder / "made").mkdir()
        with contextlib.closing(open_database(f"sqlite:///{folder / 'made' / 'linklag.db'}")) as database:
            set_up(database, "http://127.0.0.1:9/hook")
        sums = _Sums()
        places = _walked(folder, [], sums).cuts.step
        singles = range(1, places + 1, single_every)
        for at in singles:
            assert _walked(folder, [at], sums).lives == 2
        if every_pair:
            pairs = sum(_with_each_second(folder, first, sums) for first in range(1, places + 1))
        else:
            pairs = _drawn(folder, places, sums, pairs_s)
    return Row(
        name="power: cut between any two steps of the walk",
        sent=sums.sent,
        stored=sums.stored,
        twice=sums.twice,
        alerts_due=sums.due,
        alerts_delivered=sums.delivered,
        note=f"{len(singles)} of {places} places each once, {'all ' if every_pair else ''}{pairs} pairs of places; "
        f"{sums.again} events came again",
        seconds=time.monotonic() - began_s,
    )


def _drawn(folder: Path, places: int, sums: _Sums, pairs_s: float) -> int:
    """Cut at pairs drawn at random for so long; return how many."""
    pairs, rng, end_s = 0, random.Random(7), time.monotonic() + pairs_s
    while time.monotonic() < end_s:
        _walked(folder, sorted(rng.sample(range(1, 2 * places), 2)), sums)
        pairs += 1
    return pairs


def _with_each_second(folder: Path, first: int, sums: _Sums) -> int:
    """Cut at a place, and at each one that comes after it until no second cut comes any more; return how many."""
    for pairs in itertools.count():
        if _walked(folder, [first, first + 1 + pairs], sums).lives == 2:
            return pairs
    raise AssertionError


def _walked(folder: Path, at: Sequence[int], sums: _Sums) -> Walk:
    """A walk from a fresh store, with cuts at these places; counted."""
    own = folder / "walk"
    shutil.copytree(folder / "made", own)
    try:
        walk = Walk(own, at)
        walk.live()
        sums.add(walk)
    finally:
        shutil.rmtree(own)
    return walk


def rows(minutes: float, *, every_pair: bool = False) -> list[Named]:
    """This row by its name."""
    del minutes
    return [("power", partial(power_cut, 20.0, every_pair=every_pair))]
