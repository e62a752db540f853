"""Mutated messages through the whole worker: no crash, no fault of ours, nothing that grows without bound.

    .venv/bin/python tests/bench/fuzz_mqtt.py [--inside 900000] [--through 100000] [--seed 1]

Inside: decoder, conversion, Sparkplug, ingest and an SQLite store in this process, without a bound on what a drive may send, so
that each message is read. Through: as many by a real mosquitto to `linklag worker`, a process of its own. What is sent begins as valid
batches, reduced batches, statuses and Sparkplug payloads and is then damaged in its bytes or in its fields; some goes to topics
that are none. A part is as it was, so that readings are stored in between.
"""

import argparse
import contextlib
import gc
import json
import os
import random
import sqlite3
import sys
import tempfile
import time
from collections import Counter, deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple, Self

import cbor2
import structlog
from esio_spb_builder.core import sparkplug_b_pb2 as sparkplug
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from prometheus_client import CollectorRegistry

sys.path.insert(0, str(Path(__file__).parents[2]))

from service.adapters.database.connect import Database, open_database
from service.adapters.database.raw_batches import RawBounds
from service.adapters.database.refused import Bounds
from service.adapters.sparkplug import SparkplugSource
from service.core.drive import Chain, Drive
from service.ingest import Ingest, Message, Metrics, SourceStatus
from tests.conftest import Mosquitto
from tests.core.test_wire_fuzz import HOSTILE, WAYS_TO_DAMAGE
from tests.faults.sending import WorkerProcess, until
from tests.strategies import UNSIGNED_TAGS, differences

ROOT = "linklag/v1"
GROUP = "brickworks"
DRIVES = 5
S = 1_000_000_000
DAYS_BACK = 20
POOL_FILES = 2 * 8  # the file and its log, for each connection that the store's pool keeps
TYPES = [
    None,
    None,
    None,
    "application/json",
    "application/cbor",
    "text/plain",
    "application/json; charset=utf-8",
]
NUMBERS: list[Any] = [
    *(
        0,
        -1,
        1,
        2**31,
        2**53 + 1,
        2**63 - 1,
        2**63,
        2**64,
        -(2**63),
        10**40,
        1e308,
        -0.0,
        5e-324,
        float("nan"),
    ),
    *(float("inf"), -float("inf"), True, None, "", "1", "\x00", "9" * 50, [], [[]], {}, {"a": [1]}, 0.5),
]


class Sent(NamedTuple):
    """One message."""

    topic: str
    payload: bytes
    content_type: str | None


class Maker:
    """Makes messages, the same ones for the same seed."""

    def __init__(self, seed: int, now_ns: int) -> None:
        self.random = random.Random(seed)
        self._now_ns, self._seq = now_ns, 0

    def messages(self, count: int) -> Iterator[Sent]:
        for _ in range(count):
            yield self._message()

    def _message(self) -> Sent:
        r = self.random
        kind = r.choices(["pulses", "lag", "status", "sparkplug", "hostile"], [60, 18, 8, 13.9, 0.1])[0]
        content_type = r.choice(TYPES) if r.random() < 0.1 else None
        if kind == "hostile":
            return Sent(self._topic("pulses"), r.choice(list(HOSTILE.values())), content_type)
        if kind == "sparkplug":
            return Sent(self._node_topic(), self._damaged(self._node_payload()), None)
        fields = {"pulses": self._pulses, "lag": self._lag, "status": self._status}[kind]()
        if r.random() < 0.5:
            self._bend(fields)
        payload = self._write(fields)
        return Sent(self._topic(kind), self._damaged(payload), content_type)

    # Fields

    def _common(self) -> dict[str, Any]:
        r = self.random
        self._seq += 1
        back_s = r.randrange(DAYS_BACK * 86400)
        return {"v": 1, "seq": self._seq, "t0": (self._now_ns - back_s * S) // 1000} | (
            {"temp_c": r.uniform(-20, 90)} if r.random() < 0.3 else {}
        )

    def _pulses(self) -> dict[str, Any]:
        r = self.random
        count, period = r.choice([0, 1, 2, 5, 24, 60]), r.randint(500, 40_000)
        up = [500 + joint * period + r.randint(-50, 50) for joint in range(count)]
        fields = self._common() | {"up": up, "down": [tick + period // 3 for tick in up]}
        if r.random() < 0.2:
            fields |= {"delta": True, "up": differences(up), "down": differences(fields["down"])}
        if r.random() < 0.3:
            fields |= {"span_ticks": r.choice([0, 10**6, 10**7, 2**62]), "dir": r.choice([1, -1]), "dev": "é"}
        return fields

    def _lag(self) -> dict[str, Any]:
        return self._common() | {"period_us": 19844.6, "lag_us": 8921.3, "count": 50, "sd_us": 41.0}

    def _status(self) -> dict[str, Any]:
        return {"v": 1, "online": self.random.random() < 0.5}

    def _bend(self, fields: dict[str, Any]) -> None:
        """Another value in a field, a field less or one more, or ticks that are none."""
        r = self.random
        name = r.choice([*fields, "x", "dev", "span_ms", "tick_ns", "load_n"])
        match r.randrange(4):
            case 0:
                fields.pop(name, None)
            case 1 if isinstance(fields.get(name), list) and fields[name]:
                fields[name][r.randrange(len(fields[name]))] = r.choice(NUMBERS)
            case _:
                fields[name] = r.choice(NUMBERS)

    # Bytes

    def _write(self, fields: dict[str, Any]) -> bytes:
        r = self.random
        if r.random() < 0.6:
            text = json.dumps(fields)  # NaN and Infinity among it, as some encoders write them
            if r.random() < 0.05:  # keys twice
                text = text[:-1] + ", " + text[1:]
            if r.random() < 0.02:
                text = text.replace(":", ": " + "[" * r.choice([3, 200, 2000]), 1)
            return text.encode("utf-16" if r.random() < 0.01 else "utf-8", "replace")
        if r.random() < 0.5:
            for name in ("up", "down"):
                fields[name] = self._typed(fields.get(name))
        return self._cbor(fields)

    def _typed(self, ticks: object) -> object:
        """A typed array, sometimes of a tag that is none or with bytes too many or too few."""
        r = self.random
        if not isinstance(ticks, list) or not all(type(tick) is int and 0 <= tick < 2**32 for tick in ticks):
            return ticks
        tag = r.choice([66, 67, 70, 71]) if r.random() < 0.8 else r.randint(60, 90)
        size = {66: 4, 70: 4, 67: 8, 71: 8}.get(tag, 4)
        order = "big" if tag in UNSIGNED_TAGS and tag < 68 else "little"
        packed = b"".join(tick.to_bytes(size, order) for tick in ticks)
        return cbor2.CBORTag(tag, packed[: len(packed) - r.choice([0, 0, 0, 1, 3])])

    def _cbor(self, fields: dict[str, Any]) -> bytes:
        return cbor2.dumps(fields)

    def _damaged(self, payload: bytes) -> bytes:
        r = self.random
        damaged = bytearray(payload)
        for _ in range(r.choice([0, 0, 1, 1, 2, 5])):
            if damaged:
                r.choice(WAYS_TO_DAMAGE)(r, damaged)
        return bytes(damaged)

    # Topics

    def _topic(self, form: str) -> str:
        r = self.random
        at = r.random()
        drive = f"d{r.randrange(DRIVES)}" if at < 0.9 else f"new-{r.randrange(10**6)}"
        if at > 0.98:
            drive = r.choice(["D1", "", "é", "d1/d2", "a" * 3000, "d\u202e1", "-", "$SYS"])
        if r.random() < 0.02:
            form = r.choice(["pulses", "lag", "status"])
        return f"{ROOT}/{drive}/{form}"

    def _node_topic(self) -> str:
        r = self.random
        kind = r.choice(["NBIRTH", "NDATA", "NDATA", "NDEATH", "DBIRTH", "DDATA", "DDEATH", "NCMD", "X"])
        node = f"n{r.randrange(3)}" if r.random() < 0.97 else f"n{r.randrange(10**6)}"
        return f"spBv1.0/{GROUP}/{kind}/{node}" + (f"/dev{r.randrange(3)}" if kind[0] == "D" else "")

    def _node_payload(self) -> bytes:
        r = self.random
        made = sparkplug.Payload(timestamp=1_790_000_000_000)
        made.seq = r.randrange(256)
        made.metrics.add(name="bdSeq", datatype=4, long_value=r.randrange(3))
        for _ in range(r.randrange(4)):
            name = f"linklag/d{r.randrange(DRIVES)}/{r.choice(['pulses', 'lag', 'status'])}"
            metric = made.metrics.add(name=name, datatype=17)
            metric.bytes_value = self._write(self._pulses())
            if r.random() < 0.3:
                metric.alias = r.randrange(5)
                metric.name = metric.name if r.random() < 0.5 else ""
        return bytes(made.SerializeToString())


# Inside this process


class Waiting:
    """A source of what a maker makes."""

    def __init__(self, coming: Iterator[Sent]) -> None:
        self._coming, self._arrivals, self._taken = coming, 0, deque[int]()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        return None

    def receive(self, messages_max: int, timeout_s: float) -> list[Message]:
        del timeout_s
        messages = []
        for sent in self._coming:
            self._arrivals += 1
            messages.append(Message(sent.topic, sent.payload, sent.content_type, self._arrivals))
            if len(messages) == messages_max:
                break
        self._taken.extend(message.arrival for message in messages)
        return messages

    def acknowledge(self, messages: Sequence[Message]) -> None:
        for message in messages:
            if message.arrival != self._taken.popleft():
                raise AssertionError("acknowledged out of order")

    def release(self, messages: Sequence[Message]) -> None:
        raise AssertionError(f"{len(messages)} messages were put back")

    def publish(self, topic: str, payload: bytes, *, retain: bool = True, qos: int = 1) -> None:
        if qos and retain:
            json.loads(payload)
        assert topic

    def status(self) -> SourceStatus:
        raise NotImplementedError

    @property
    def unacknowledged(self) -> int:
        return len(self._taken)


@dataclass(slots=True)
class Outcome:
    """What was seen of a run."""

    messages: int = 0
    unacknowledged: int = 0
    readings: int = 0
    refused: Counter[str] = field(default_factory=Counter)
    faults: int = 0  # rejections as a fault of ours, and errors logged
    rows: dict[str, int] = field(default_factory=dict)
    memory_mb: list[float] = field(default_factory=list)  # after each eighth of the messages
    descriptors: list[int] = field(default_factory=list)
    seconds: float = 0.0

    def told(self) -> str:
        mb, fds = self.memory_mb, self.descriptors
        first = f"{self.messages} messages in {self.seconds:.0f} s; {self.unacknowledged} not acknowledged"
        lines = [
            f"{first}; {self.readings} readings stored; faults of ours: {self.faults}",
            f"  memory after each eighth, MB: {', '.join(f'{each:.0f}' for each in mb)}; descriptors {min(fds)} to {max(fds)}",
            f"  rows: {', '.join(f'{name} {count}' for name, count in self.rows.items())}",
        ]
        if self.refused:
            lines.append(f"  refused: {', '.join(f'{name} {n}' for name, n in self.refused.most_common())}")
        return "\n".join(lines)

    def check(self) -> None:
        """Raise where something failed or grew."""
        bounds = Bounds()
        assert self.unacknowledged == 0
        assert self.faults == 0
        assert self.readings > 0
        assert self.rows["rejection"] <= bounds.rejections
        assert self.rows["sighting"] <= bounds.sightings
        assert self.rows["drive_number"] <= DRIVES
        # Caches fill at first; from half way on memory must be flat. The store's pool keeps what it opened when many asked at once.
        half = len(self.memory_mb) // 2
        assert max(self.descriptors[half:]) <= max(self.descriptors[:half]) + POOL_FILES, self.descriptors
        assert self.memory_mb[-1] <= self.memory_mb[half] + 30, self.memory_mb


def registered(database: Database, now_ns: int) -> None:
    for number in range(DRIVES):
        database.register.add_drive(Drive(drive_id=f"d{number}", whole_pitches=12, offset_pitches=0.5))
        database.register.fit_chain(
            Chain(
                chain_id=f"c{number}",
                drive_id=f"d{number}",
                designation="16B-1",
                pitch_mm=25.4,
                fitted_ns=now_ns - 60 * 86400 * S,
            )
        )


class Usage:
    """Memory and descriptors of a process, as the kernel counts them."""

    def __init__(self, pid: int) -> None:
        self._folder = Path(f"/proc/{pid}")

    def memory_mb(self) -> float:
        return int((self._folder / "statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6

    def descriptors(self) -> int:
        return len(list((self._folder / "fd").iterdir()))


def count_rows(file: Path) -> dict[str, int]:
    tables = ("reading", "raw_batch", "rejection", "sighting", "drive_number")
    with contextlib.closing(sqlite3.connect(f"file:{file}?mode=ro", uri=True, timeout=30)) as store:
        return {table: store.execute(f"SELECT count(*) FROM {table}").fetchone()[0] for table in tables}  # noqa: S608


def inside(count: int, seed: int, folder: Path) -> Outcome:
    """Through decoder, conversion and store in this process."""
    now_ns, registry, seen = time.time_ns(), CollectorRegistry(), Outcome()
    usage, began_s = Usage(os.getpid()), time.monotonic()
    source = Waiting(Maker(seed, now_ns).messages(count))
    raw_bounds = RawBounds(bytes=64_000_000, bytes_per_drive=16_000_000)
    with contextlib.closing(
        open_database(f"sqlite:///{folder}/linklag.db", bounds=Bounds(), raw_bounds=raw_bounds)
    ) as database, quiet():  # fmt: skip
        registered(database, now_ns)
        ingest = Ingest(
            SparkplugSource(source, ROOT),
            database.readings, database.register, database.refused, root=ROOT, metrics=Metrics(registry),
            store_all=database.store_all, devices=database.devices,
        )  # fmt: skip
        step, mark = ingest.step, 1
        while step():
            seen.messages = source._arrivals
            if seen.messages >= count * mark / 8:
                mark += 1
                database.readings.roll_up(100_000)
                gc.collect()
                seen.memory_mb.append(usage.memory_mb())
                seen.descriptors.append(usage.descriptors())
    seen.unacknowledged = source.unacknowledged
    for sample in (each for metric in registry.collect() for each in metric.samples):
        if sample.name == "linklag_rejections_total":
            seen.refused[sample.labels["reason"]] = int(sample.value)
    seen.faults = seen.refused["linklag_fault"]
    seen.rows = count_rows(folder / "linklag.db")
    seen.readings = seen.rows["reading"]
    seen.seconds = time.monotonic() - began_s
    return seen


@contextlib.contextmanager
def quiet() -> Iterator[None]:
    """Errors alone; they are faults of ours and must be seen."""
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(40))
    try:
        yield
    finally:
        structlog.reset_defaults()


# Through a broker and the worker as a process


def through(count: int, seed: int, folder: Path) -> Outcome:
    """Through a real mosquitto to `linklag worker`; the last message is a batch whose reading shows that all are done."""
    now_ns, seen = time.time_ns(), Outcome()
    began_s, file = time.monotonic(), folder / "linklag.db"
    with contextlib.closing(open_database(f"sqlite:///{file}")) as database:
        registered(database, now_ns)
    broker = Mosquitto(folder)
    broker.start()
    worker = WorkerProcess(
        broker.port,
        folder,
        LINKLAG_WORKER__DRIVE_BATCHES_PER_S="0",
        LINKLAG_BROKER__SPARKPLUG_GROUPS=GROUP,
        LINKLAG_LOG__LEVEL="error",
    )
    worker.start()
    try:
        with contextlib.closing(sqlite3.connect(f"file:{file}?mode=ro", uri=True, timeout=30)) as store:
            _send(broker.port, count, seed, worker, seen, lambda seq: _is_stored(store, seq))
        worker.is_up()
    finally:
        worker.stop()
        broker.stop()
    seen.faults = (folder / "worker.log").read_text().count("message_failed")
    seen.faults += (folder / "worker.log").read_text().count("Traceback")
    seen.rows = count_rows(file)
    seen.readings = seen.rows["reading"]
    seen.seconds = time.monotonic() - began_s
    return seen


FIRST, LAST = 2**60, 2**60 + 1  # numbers of the batches before all others and after them


def _is_stored(store: sqlite3.Connection, seq: int) -> bool:
    return bool(store.execute("SELECT count(*) FROM reading WHERE seq = ?", (seq,)).fetchone()[0])


def _publish(device: paho.Client, seq: int) -> None:
    """A batch of a drive that stands."""
    fields = {"v": 1, "seq": seq, "t0": time.time_ns() // 1000 - 10**6, "up": [], "down": []}
    device.publish(f"{ROOT}/d0/pulses", json.dumps(fields).encode(), 1).wait_for_publish(60)


def _send(
    port: int, count: int, seed: int, worker: WorkerProcess, seen: Outcome, is_stored: Callable[[int], bool]
) -> None:
    device = paho.Client(CallbackAPIVersion.VERSION2, "devices", protocol=paho.MQTTv5)
    device.max_inflight_messages_set(200)
    device.connect("127.0.0.1", port)
    device.loop_start()
    assert worker.process is not None
    usage = Usage(worker.process.pid)
    while not is_stored(FIRST):  # until the worker has subscribed, nobody takes anything
        worker.is_up()
        _publish(device, FIRST)
        time.sleep(0.5)
    maker = Maker(seed, time.time_ns())
    waiting: deque[paho.MQTTMessageInfo] = deque()
    for number, sent in enumerate(maker.messages(count), 1):
        if sent.topic and "+" not in sent.topic:
            waiting.append(device.publish(sent.topic, sent.payload, 1, properties=_typed(sent.content_type)))
        while len(waiting) > 1000:
            waiting.popleft().wait_for_publish(60)
        if number * 8 % count < 8:
            worker.is_up()
            seen.memory_mb.append(usage.memory_mb())
            seen.descriptors.append(usage.descriptors())
    _publish(device, LAST)
    until(lambda: worker.is_up() and is_stored(LAST), timeout_s=1800)
    seen.messages = count
    seen.memory_mb.append(usage.memory_mb())
    seen.descriptors.append(usage.descriptors())
    device.disconnect()
    device.loop_stop()


def _typed(content_type: str | None) -> Properties | None:
    if content_type is None:
        return None
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    properties.ContentType = content_type
    return properties


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--inside", type=int, default=900_000)
    parser.add_argument("--through", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    for name, run, count in (("through", through, given.through), ("inside", inside, given.inside)):
        if not count:
            continue
        with tempfile.TemporaryDirectory() as folder:
            seen = run(count, given.seed, Path(folder))
            size_mb = sum(each.stat().st_size for each in Path(folder).glob("linklag.db*")) / 1e6
        print(f"{name}: {seen.told()}\n  store {size_mb:.0f} MB", flush=True)
        seen.check()


if __name__ == "__main__":
    main()
