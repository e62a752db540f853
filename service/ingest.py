"""The door "a device spoke": from messages to stored readings.

Knows the order of the story: receive, decode, convert, store, publish, acknowledge; and, where the store stays away:
receive, spool, acknowledge, and later all of it from the spool. Must not know how messages travel (`adapters.mqtt`), how
a store or a spool stores, or what a lag is. Rules for the next editor:

- Acknowledged only when safe: nothing is acknowledged before every reading, rejection and sighting of its flush
  is durable. A flush that cannot be stored is kept and tried again; meanwhile the broker holds the rest back.
- With a spool, what is durable there may be acknowledged too. It is older than all that the broker still has, so it
  is stored first, and forgotten only after that. Where it takes nothing more, nothing more is taken from the broker.
- One bad message never stops the others, whoever is at fault: it is kept as a rejection with its reason.
- What a conversion may know of the past: the drive, its chain and baseline at the batch's own time, and the
  newest elongation of that chain, which only says which whole number of pitches is meant. It leaves room of half
  a per cent down and one and a half up, so any value of the same weeks gives the same reading and the order of
  arrival does not matter. The one exception is a chain without baseline of which nothing was ever measured: a
  long spacing may stay ambiguous until the first reading that is not. Within a flush, batches are taken in the
  order of their own time, so a backlog that arrives at once makes no difference there either.
"""

import random
import threading
import time
from collections import Counter as Tally
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import NamedTuple, Protocol

import structlog
from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram

from service.core.allowance import Terms
from service.core.announce import elongation_payload, elongation_topic
from service.core.batch import KEPT_PAYLOAD_BYTES_MAX, Batch, Rejection, RejectionReason, Ticks
from service.core.drive import Baseline, Chain, Drive, baseline_at, chain_at, limit
from service.core.instant import format_rfc3339
from service.core.partition import Partition, home_of, root_of, whole
from service.core.reading import Last, Reading, convert
from service.core.wire import Form, Refusal, Topic, decode, decode_status, parse_topic
from service.curb import NOBODYS, Curb, Unread
from service.ports import (
    Devices,
    DeviceState,
    LeaseLostError,
    Newest,
    RawBatch,
    Readings,
    ReadingsRefusedError,
    Refused,
    Register,
    Resolution,
    Sighting,
    StoreUnavailableError,
)
from service.share_tasks import Alone, Task

FLUSH_MESSAGES = 200
FLUSH_S = 0.1
ANNOUNCE_S = 0.25  # a drive's retained reading is published at most so often
REGISTER_S = 1.0  # at most so often the register's version is asked for
RETRY_MIN_S, RETRY_MAX_S = 0.1, 15.0
SPOOL_AFTER_S = 60.0
LOG_AGAIN_S = 60.0  # the same warning about the same drive
LOG_KEYS_MAX = 1000
LOG_DRIVE_MAX = 64  # characters
TOPIC_KEPT_MAX = 200  # characters of a topic whose meaning is remembered; hostile ones have 65 535
ROLL_UPS_AT_ONCE = 10_000
NS_PER_S = 1_000_000_000
LAG_LEVEL = f"/{Form.LAG.value}"
StoreAll = Callable[[Sequence[Reading], Sequence[RawBatch]], int]

log = structlog.get_logger(__name__)


class Message(NamedTuple):
    """What one MQTT message brought. Arrival numbers rise by one for each message and never come twice."""

    topic: str
    payload: bytes
    content_type: str | None
    arrival: int
    received_ns: int | None = None  # where it waited in a spool since then; else it came just now


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceStatus:
    """How the connection to the broker stands."""

    connected: bool
    since_ns: int  # connected, or not, since then
    last_message_ns: int | None
    messages: int  # received since the start
    reconnects: int
    waiting: int  # received and not yet taken
    in_flight: int  # taken and not yet acknowledged
    holding_back: bool  # so many wait that reading stopped
    refused: tuple[str, ...]  # subscriptions that the broker refuses, with its reason
    trouble: str  # what is wrong and what would mend it; "" if nothing is


class Source(Protocol):
    """Where messages come from and where their acknowledgement goes."""

    def receive(self, messages_max: int, timeout_s: float) -> list[Message]:
        """The next messages in the order of arrival; none if none came in time."""
        ...

    def acknowledge(self, messages: Sequence[Message]) -> None:
        """These are safe. They are the oldest not acknowledged, in the order of arrival; else ValueError."""
        ...

    def release(self, messages: Sequence[Message]) -> None:
        """Put back the messages received last; the next `receive` gives them again."""
        ...

    def publish(self, topic: str, payload: bytes, *, retain: bool = True, qos: int = 1) -> None:
        """Publish as soon as possible; of several payloads for one topic only the newest counts."""
        ...

    def status(self) -> SourceStatus:
        """How the connection stands now."""
        ...


class SpoolError(Exception):
    """The spool takes, or gives, nothing now. The message says why and what mends it; nothing in it is lost."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SpoolStatus:
    """What waits in the spool."""

    messages: int
    bytes: int  # of their payloads
    since_ns: int | None  # when the oldest was received; None where none waits
    trouble: str  # why it takes nothing, and what would mend it; "" if nothing is
    set_aside: tuple[str, ...]  # files that were damaged, kept for whoever wants to look at them


class Spool(Protocol):
    """Where messages wait for the store on this machine, once the broker could not hold them for longer."""

    def put(self, messages: Sequence[Message], received_ns: int) -> None:
        """Add these behind all others. Durable once returned. Raises SpoolError, having added none of them."""
        ...

    def oldest(self, messages_max: int, *, after: int = 0) -> list[Message]:
        """The oldest behind number `after`, in the order in which they were put. Raises SpoolError.

        Their arrival is their number in the spool.
        """
        ...

    def drop(self, messages: Sequence[Message]) -> None:
        """Forget these, which are the oldest: the store has them."""
        ...

    def status(self) -> SpoolStatus:
        """What waits in it now. Free to all threads."""
        ...


class Metrics:
    """What the worker counts, for Prometheus."""

    def __init__(self, registry: CollectorRegistry) -> None:
        self.messages = Counter("linklag_messages", "Messages taken from the broker", registry=registry)
        self.batches = Counter("linklag_batches", "Batches decoded", ["form"], registry=registry)
        self.readings = Counter("linklag_readings", "Readings stored that were new", registry=registry)
        self.repeats = Counter("linklag_repeats", "Batches stored already, sent again", registry=registry)
        self.not_measured = Counter(
            "linklag_not_measured", "Batches that gave no elongation", ["reason"], registry=registry
        )
        self.rejections = Counter("linklag_rejections", "Messages refused", ["reason"], registry=registry)
        self.unread = Counter(
            "linklag_unread",
            "Messages not read, beyond what a drive may send; drive is empty for all that are registered for none",
            ["drive"],
            registry=registry,
        )
        self.online = Gauge(
            "linklag_device_online",
            "1 where the device of a drive says it is there",
            ["drive"],
            registry=registry,
        )
        self.store_retries = Counter("linklag_store_retries", "Times the store failed", registry=registry)
        self.spooled = Counter(
            "linklag_spooled", "Messages put into the spool, as the store was away", registry=registry
        )
        self.spool_messages = Gauge(
            "linklag_spool_messages", "Messages that wait in the spool", registry=registry
        )
        self.spool_age = Gauge(
            "linklag_spool_oldest_seconds", "How long the oldest of them waits", registry=registry
        )
        self.spool_refuses = Gauge(
            "linklag_spool_refuses", "1 while the spool takes nothing, being full for one", registry=registry
        )
        self.stored_after = Histogram(
            "linklag_stored_after_seconds",
            "From the end of a batch's window to its durable reading",
            buckets=(0.1, 0.25, 0.5, 1, 2.5, 5, 10, 30, 60, 300, 3600, 86400),
            registry=registry,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class IngestHealth:
    """Whether readings reach the store."""

    store_ok: bool
    trouble: str  # what the store said last; "" if it is well
    since_ns: int  # well, or not, since then
    in_hand: int  # messages taken and not safe yet
    stored_ns: int | None  # last time that something was stored
    spool: SpoolStatus | None = None  # None without one


@dataclass(slots=True)
class _Flush:
    """What one flush has in hand. What is stored leaves its list, so that a second try does not count it twice."""

    messages: list[Message] = field(default_factory=list)
    readings: list[Reading] = field(default_factory=list)
    came_by: list[Message] = field(default_factory=list)  # of each reading, by its place
    rejections: list[Rejection] = field(default_factory=list)
    sightings: dict[str, Sighting] = field(default_factory=dict)
    newest: dict[str, Reading] = field(default_factory=dict)  # by drive, of those stored
    raw: list[RawBatch] = field(default_factory=list)  # of the readings, as they came
    states: dict[str, DeviceState] = field(default_factory=dict)  # by drive
    spooled: bool = False  # the messages are from the spool, not from the broker


class _Registered(NamedTuple):
    """What the register says of one drive."""

    drive: Drive
    chains: list[Chain]
    baselines: dict[str, list[Baseline]]  # by chain


class Ingest:
    """Takes messages from a source until they are stored readings, or rejections kept with their reason."""

    def __init__(  # noqa: PLR0913 - what a worker is made of
        self,
        source: Source,
        readings: Readings,
        register: Register,
        refused: Refused,
        *,
        root: str,
        metrics: Metrics,
        store_all: StoreAll | None = None,
        devices: Devices | None = None,
        spool: Spool | None = None,
        spool_after_s: float = SPOOL_AFTER_S,
        allowed: Terms | None = None,
        partition: Partition | None = None,
        flush_messages: int = FLUSH_MESSAGES,
        flush_s: float = FLUSH_S,
        now_ns: Callable[[], int] = time.time_ns,
    ) -> None:
        """A worker's ingest that has not begun.

        Args:
            source: of messages, connected or not.
            readings: where readings go.
            register: of drives, chains and baselines.
            refused: where rejections and sightings of unregistered drives go.
            root: topic levels above the drive.
            metrics: counted up as it goes.
            store_all: stores readings and the batches that they came from in one transaction; None: batches are not kept.
            devices: where is noted what devices say of themselves; None: nowhere.
            spool: where messages wait once the store has been away for long; None: the broker keeps them all the while.
            spool_after_s: for so long the store must have been away.
            allowed: what each drive may send; None: whatever it likes.
            partition: what this worker takes, where there are several; None: all under the root.
            flush_messages: so many messages make one commit, at most.
            flush_s: a message waits for others at most so long.
            now_ns: the clock.
        """
        if flush_messages < 1 or flush_s <= 0:
            raise ValueError(f"flush_messages {flush_messages} and flush_s {flush_s:g} must both be above 0")
        self._source = source
        self._readings = readings
        self._register = register
        self._refused = refused
        self._partition = partition or whole(root)
        self._heard: dict[str, str] = {}  # by drive: the root under which its device spoke last
        self._metrics = metrics
        self._store_all = store_all
        self._devices = devices
        self._spool = spool
        self._spool_after_s = spool_after_s
        self._spool_refuses = False  # as it was logged
        self._away_since_s: float | None = None  # the store, by the monotonic clock
        self._curb = None if allowed is None else Curb(allowed)
        self._flush_messages = flush_messages
        self._flush_s = flush_s
        self._now_ns = now_ns
        self._registered: dict[str, _Registered] | None = None
        self._register_version = -1
        self._register_asked_s = -REGISTER_S
        self._last: dict[str, Last] = {}  # by chain: the newest elongation
        self._newest_ns: dict[str, int] = {}  # by drive: time of its newest reading
        self._unannounced: dict[str, Reading] = {}
        self._announced_s = 0.0
        self._online: dict[str, bool] = {}  # by registered drive, as its device says
        self._hand: _Flush | None = None
        self._health = IngestHealth(store_ok=True, trouble="", since_ns=now_ns(), in_hand=0, stored_ns=None)
        self._stored_ns: int | None = None
        self._warnings = _Warnings()

    def run(self, stop: threading.Event) -> None:
        """Work until `stop`. What is in hand then is released: the broker sends it again."""
        attempt = 0
        while not stop.is_set():
            try:
                self.step()
                attempt = 0
            except (StoreUnavailableError, SpoolError) as fault:
                self._failed(fault)
                self._wait(stop, _delay_s(attempt))
                attempt += 1
        self._announce()
        self._tell_the_rest()
        if self._hand is not None:
            if not self._hand.spooled:
                self._source.release(self._hand.messages)
            self._hand = None

    def step(self) -> int:
        """Take what has come and make it safe; return how many messages that was.

        This is the story of one flush. Raises StoreUnavailableError, having acknowledged nothing; the next step
        tries the same again. Raises SpoolError where what comes first cannot be read.
        """
        self._know_register()
        if self._hand is None:
            messages = self._waiting(self._flush_messages)
            spooled = bool(messages)
            if not spooled:
                messages = self._source.receive(self._flush_messages, self._flush_s)
            self._announce_if_due()
            if not messages and not self._has_counted():
                return 0
            self._hand = _Flush(spooled=spooled)
            self._convert(messages, self._hand)
        flush = self._hand
        self._store(flush)
        self._note_newest(flush)
        self._announce_if_due()
        self._let_go(flush)
        self._hand = None
        self._store_well()
        return len(flush.messages)

    def health(self) -> IngestHealth:
        """Whether readings reach the store."""
        spool = None if self._spool is None else self._spool.status()
        return replace(self._health, spool=spool)

    def _let_go(self, flush: _Flush) -> None:
        """The store has all of it: nobody else needs to keep it."""
        if flush.spooled and self._spool is not None:
            self._spool.drop(flush.messages)
            self._measure_spool()
        elif flush.messages:
            self._source.acknowledge(flush.messages)

    # While the store is away

    def _waiting(self, messages_max: int, after: int = 0) -> list[Message]:
        """The next messages of the spool; none where it is empty, or where there is none. Raises SpoolError."""
        if self._spool is None or not self._spool.status().messages:
            return []
        return self._spool.oldest(messages_max, after=after)

    def _wait(self, stop: threading.Event, wait_s: float) -> None:
        """Until the store is tried again: hold what is in hand, or, once it is away for long, spool what comes."""
        end_s = time.monotonic() + wait_s
        while not stop.is_set() and (left_s := end_s - time.monotonic()) > 0:
            due_s = self._spool_due_s()
            if due_s > 0:
                stop.wait(min(left_s, due_s))
                continue
            try:
                self._spool_what_comes(min(left_s, self._flush_s))
            except SpoolError as fault:
                self._failed(fault)
                stop.wait(left_s)

    def _spool_due_s(self) -> float:
        """In how many seconds the store will have been away for long enough to spool; endless without a spool."""
        if self._spool is None or self._away_since_s is None:
            return float("inf")
        return self._away_since_s + self._spool_after_s - time.monotonic()

    def _spool_what_comes(self, timeout_s: float) -> None:
        """Put what is in hand, or else what comes, behind all that is in the spool; then acknowledge it.

        What is in hand stays there, as it is converted already: it is the oldest then, and the spool's copy is for a crash.
        Raises SpoolError, having acknowledged nothing.
        """
        hand, spool = self._hand, self._spool
        if spool is None:
            return
        if hand is not None and hand.messages and not hand.spooled:
            came = hand.messages
            spool.put(came, self._now_ns())
            hand.messages, hand.spooled = spool.oldest(len(came)), True
        else:
            came = self._source.receive(self._flush_messages, timeout_s)
            if not came:
                return
            self._put_or_release(spool, came)
            self._metrics.messages.inc(len(came))
        self._source.acknowledge(came)
        self._metrics.spooled.inc(len(came))
        self._measure_spool()

    def _put_or_release(self, spool: Spool, messages: list[Message]) -> None:
        try:
            spool.put(messages, self._now_ns())
        except SpoolError:
            self._source.release(messages)
            raise

    def _measure_spool(self) -> None:
        """Bring the metrics of the spool up to date, and log when it began or ceased to refuse."""
        if self._spool is None:
            return
        status = self._spool.status()
        age_s = 0.0 if status.since_ns is None else (self._now_ns() - status.since_ns) / NS_PER_S
        self._metrics.spool_messages.set(status.messages)
        self._metrics.spool_age.set(age_s)
        self._metrics.spool_refuses.set(bool(status.trouble))
        if bool(status.trouble) != self._spool_refuses:
            if status.trouble:
                log.error("spool_refuses", fault=status.trouble, messages=status.messages)
            else:
                log.info("spool_takes_again", messages=status.messages)
        self._spool_refuses = bool(status.trouble)

    def _has_counted(self) -> bool:
        """Whether it is time to tell of messages that were not read, though no more come."""
        return self._curb is not None and self._curb.is_due(self._now_ns())

    # What is known beforehand

    def _know_register(self) -> None:
        """Read the register if it has changed; ask at most once a second, which also shows whether the store is there.

        Raises StoreUnavailableError before it was read once; later, what is known of it is used meanwhile.
        """
        now_s = time.monotonic()
        if now_s - self._register_asked_s < REGISTER_S:
            return
        first = self._registered is None
        try:
            version = self._register.version()
            if version != self._register_version:
                self._registered = _read_register(self._register)
                self._register_version = version
            if first:
                self._remember(self._readings.newest())
        except StoreUnavailableError as fault:
            if first:
                self._registered = None
                self._register_version = -1
                raise
            self._store_failed(fault)
        else:
            if self._hand is None and not (self._spool is not None and self._spool.status().messages):
                self._store_well()
        self._register_asked_s = now_s

    def _remember(self, newest: Iterable[Newest]) -> None:
        """At the start: the newest reading of each drive, to go on from and to announce."""
        for each in newest:
            self._newest_ns[each.drive_id] = each.reading.t_ns
            self._unannounced[each.drive_id] = each.reading
            if each.measured is not None:
                self._learn(each.measured)

    def _learn(self, reading: Reading) -> None:
        """Keep the elongation of a chain if it is the newest by its own time: a late one teaches nothing."""
        if reading.chain_id is None or reading.elongation_pct is None:
            return
        known = self._last.get(reading.chain_id)
        if known is None or reading.t_ns >= known.t_ns:
            self._last[reading.chain_id] = Last(elongation_pct=reading.elongation_pct, t_ns=reading.t_ns)

    # From messages to readings

    def _convert(self, messages: list[Message], flush: _Flush) -> None:
        """Add to the flush what the messages yield: readings, rejections, sightings. Raises nothing."""
        now_ns = self._now_ns()
        self._tell_unread(flush, now_ns)
        flush.messages += messages
        if not flush.spooled:
            self._metrics.messages.inc(len(messages))
        batches = []
        for message in messages:
            came_ns = _came_ns(message, now_ns)
            try:
                batch = self._decode(message, came_ns, flush)
            except Exception as fault:  # noqa: BLE001 - whatever it is, the others must not wait for it
                self._our_fault(message, fault, came_ns, flush)
            else:
                if batch is not None:
                    batches.append((batch.end_ns, message.arrival, batch, message))
        reduced = sum(1 for _t_ns, _arrival, batch, _message in batches if batch.reduced is not None)
        self._metrics.batches.labels(Form.LAG.value).inc(reduced)
        self._metrics.batches.labels(Form.PULSES.value).inc(len(batches) - reduced)
        batches.sort(key=_by_time)
        for t_ns, _arrival, batch, message in batches:
            came_ns = _came_ns(message, now_ns)
            try:
                self._convert_one(batch, t_ns, message, came_ns, flush)
            except Exception as fault:  # noqa: BLE001 - as above
                self._our_fault(message, fault, came_ns, flush)

    def _decode(self, message: Message, now_ns: int, flush: _Flush) -> Batch | None:
        """The batch of a message; None where there is none, and the flush then holds the rejection."""
        known = len(message.topic) <= TOPIC_KEPT_MAX
        topic = (_topic if known else parse_topic)(
            message.topic, root_of(message.topic, self._partition.roots)
        )
        if self._curb is None:
            return self._read(message, topic, now_ns, flush)
        name = self._name_of(topic)
        if not self._curb.lets_read(name, now_ns):
            self._leave_unread(message, name, now_ns, flush)
            return None
        batch = None
        try:
            batch = self._read(message, topic, now_ns, flush)
        finally:
            own_time = None if batch is None else (batch.t0_ns, batch.end_ns)
            self._curb.was_read(name, now_ns, payload_bytes=len(message.payload), own_time=own_time)
        return batch

    def _name_of(self, topic: Topic | Refusal) -> str:
        """The name under which a message counts against what may be sent: of its drive, or of all that are nobody's.

        What a device says of itself counts apart, so that a flood of batches does not hide that it went.
        """
        if isinstance(topic, Refusal) or topic.drive_id not in (self._registered or {}):
            return NOBODYS
        return f"{topic.drive_id}/{Form.STATUS.value}" if topic.form is Form.STATUS else topic.drive_id

    def _leave_unread(self, message: Message, name: str, now_ns: int, flush: _Flush) -> None:
        """Count a message beyond what may be sent; keep the first whole."""
        self._metrics.unread.labels(name.partition("/")[0]).inc()
        if self._curb is not None and self._curb.refuse(name, now_ns, len(message.payload), message.topic):
            self._reject(flush, message, RejectionReason.TOO_OFTEN, _too_often(name), now_ns)

    def _tell_unread(self, flush: _Flush, now_ns: int, *, all_of_them: bool = False) -> None:
        """Keep, in place of messages that were not read, how many they were."""
        for unread in [] if self._curb is None else self._curb.untold(now_ns, all_of_them=all_of_them):
            message = Message(unread.topic, b"", None, 0)
            self._reject(flush, message, RejectionReason.TOO_OFTEN, _so_many_unread(unread), now_ns)
            flush.rejections[-1] = replace(flush.rejections[-1], payload_bytes=unread.payload_bytes)

    def _tell_the_rest(self) -> None:
        """At the end: keep what was counted and not told yet, if the store is there."""
        flush = _Flush()
        self._tell_unread(flush, self._now_ns(), all_of_them=True)
        try:
            self._store(flush)
        except StoreUnavailableError:
            log.warning("unread_not_kept", told=[each.detail for each in flush.rejections])

    def _read(self, message: Message, topic: Topic | Refusal, now_ns: int, flush: _Flush) -> Batch | None:
        """The batch of a message that may be sent; None where there is none, and the flush then says why."""
        if isinstance(topic, Refusal):
            self._reject(flush, message, topic.reason, topic.detail, now_ns)
            return None
        if topic.form is Form.STATUS:
            self._note_status(topic.drive_id, message, now_ns, flush)
            return None
        batch = decode(
            message.payload,
            form=topic.form,
            drive_id=topic.drive_id,
            content_type=message.content_type,
            now_ns=now_ns,
        )
        if isinstance(batch, Refusal):
            self._reject(flush, message, batch.reason, batch.detail, now_ns)
            return None
        return batch

    def _note_status(self, drive_id: str, message: Message, now_ns: int, flush: _Flush) -> None:
        """Count and log that a device came or went. An empty payload only clears what the broker retained."""
        online = decode_status(message.payload)
        if online is not None:
            if self._online.get(drive_id) is not online and drive_id in (self._registered or {}):
                self._online[drive_id] = online
                self._metrics.online.labels(drive_id).set(online)
                flush.states[drive_id] = DeviceState(drive_id=drive_id, online=online, since_ns=now_ns)
                log.info("device_online" if online else "device_offline", drive=drive_id)
        elif message.payload:
            detail = 'This is no status; publish {"v":1,"online":true}, and false as the last will.'
            self._reject(flush, message, RejectionReason.FIELD_INVALID, detail, now_ns)

    def _convert_one(self, batch: Batch, t_ns: int, message: Message, now_ns: int, flush: _Flush) -> None:
        """Add the reading of a batch that ended at `t_ns`, or the sighting of its drive."""
        registered = (self._registered or {}).get(batch.drive_id)
        if registered is None or _is_retired(registered.drive, t_ns):
            self._unregistered(flush, batch, message, now_ns, retired=registered is not None)
            return
        if not self._partition.alone:
            self._heard[batch.drive_id] = root_of(message.topic, self._partition.roots)
        chain = chain_at(registered.chains, t_ns)
        baseline = last = None
        if chain is not None:
            baseline = baseline_at(registered.baselines.get(chain.chain_id, ()), t_ns)
            last = self._last.get(chain.chain_id)
        reading = convert(batch, drive=registered.drive, chain=chain, baseline=baseline, last=last)
        self._learn(reading)
        flush.readings.append(reading)
        flush.came_by.append(message)
        if self._store_all is not None:
            flush.raw.append(_as_it_came(batch, t_ns, message))

    def _unregistered(
        self, flush: _Flush, batch: Batch, message: Message, now_ns: int, *, retired: bool
    ) -> None:
        """Keep the batch of a drive that nobody registered, and what was seen of the drive."""
        known = f"{batch.drive_id} was retired" if retired else f"nobody has registered {batch.drive_id}"
        detail = f"{known}: register it, or stop its device from sending"
        self._reject(flush, message, RejectionReason.UNREGISTERED, detail, now_ns)
        before = flush.sightings.get(batch.drive_id)
        flush.sightings[batch.drive_id] = Sighting(
            drive_id=batch.drive_id,
            first_seen_ns=now_ns,
            last_seen_ns=now_ns,
            messages=1 if before is None else before.messages + 1,
            topic=message.topic,
            device_id=batch.device_id,
            up_rate_hz=_rate_hz(batch, batch.up),
            down_rate_hz=_rate_hz(batch, batch.down),
        )

    def _our_fault(self, message: Message, fault: Exception, now_ns: int, flush: _Flush) -> None:
        log.error("message_failed", topic=message.topic, bytes=len(message.payload), exc_info=fault)
        detail = (
            f"A fault of linklag, not of the device; please report it together with the payload: {fault!r}"
        )
        self._reject(flush, message, RejectionReason.LINKLAG_FAULT, detail, now_ns)

    def _reject(
        self, flush: _Flush, message: Message, reason: RejectionReason, detail: str, now_ns: int
    ) -> None:
        root = root_of(message.topic, self._partition.roots)
        drive_id = message.topic.removeprefix(f"{root}/").split("/")[0]
        flush.rejections.append(
            Rejection(
                drive_id=drive_id,
                topic=message.topic,
                reason=reason,
                detail=detail,
                payload=message.payload[:KEPT_PAYLOAD_BYTES_MAX],
                payload_bytes=len(message.payload),
                received_ns=now_ns,
            )
        )
        self._warnings.say(drive_id, reason, detail)

    # Into the store

    def _store(self, flush: _Flush) -> None:
        """Make all of the flush durable. Raises StoreUnavailableError; what is stored has left its list by then."""
        if flush.readings:
            new = self._store_readings(flush)
            self._count(flush.readings, new)
            for reading in flush.readings:
                known = flush.newest.get(reading.drive_id)
                if known is None or reading.t_ns >= known.t_ns:
                    flush.newest[reading.drive_id] = reading
            flush.readings, flush.came_by, flush.raw = [], [], []
        if flush.states and self._devices is not None:
            self._devices.note(list(flush.states.values()))
            flush.states = {}
        if flush.rejections or flush.sightings:
            self._keep(flush.rejections, list(flush.sightings.values()))
            for reason, times in Tally(each.reason for each in flush.rejections).items():
                self._metrics.rejections.labels(reason.value).inc(times)
            flush.rejections, flush.sightings = [], {}

    def _store_readings(self, flush: _Flush) -> int:
        """Store the readings of the flush; take out and reject those that no store would take."""
        try:
            if self._store_all is not None:
                return self._store_all(flush.readings, flush.raw)
            return self._readings.store(flush.readings)
        except StoreUnavailableError:
            raise
        except ReadingsRefusedError as fault:
            return self._reject_refused(flush, fault)
        except Exception as fault:  # noqa: BLE001 - one reading must not stop the others
            return self._store_one_by_one(flush, fault)

    def _reject_refused(self, flush: _Flush, fault: ReadingsRefusedError) -> int:
        """Reject what the store refuses, the others being stored; where it refuses all, and not for age, the store is at fault."""
        refused = {_identity(each.reading): each for each in fault.refused}
        at_fault = [at for at, each in enumerate(flush.readings) if _identity(each) in refused]
        if len(at_fault) == len(flush.readings) and not all(each.too_old for each in fault.refused):
            self._convert(self._more(flush), flush)
            raise StoreUnavailableError(f"the store takes no reading: {fault.refused[0].words}") from fault
        for at in reversed(at_fault):
            detail = (
                f"The store does not take its reading: {refused[_identity(flush.readings.pop(at))].words}"
            )
            self._reject(flush, flush.came_by.pop(at), RejectionReason.STORE_REFUSED, detail, self._now_ns())
        return fault.new

    def _store_one_by_one(self, flush: _Flush, fault: Exception) -> int:
        """If some can be stored the others are at fault and are rejected; if none can, the store is at fault.

        The batches of such a flush are not kept: readings come first.
        """
        new, failed = 0, []
        for at, reading in enumerate(flush.readings):
            try:
                new += self._readings.store([reading])
            except StoreUnavailableError:
                raise
            except Exception as its_fault:  # noqa: BLE001 - as above
                failed.append((at, its_fault))
        if len(failed) == len(flush.readings):
            # With others beside them the next try may show otherwise.
            self._convert(self._more(flush), flush)
            raise StoreUnavailableError(f"the store takes no reading: {fault!r}") from fault
        for at, why in reversed(failed):
            del flush.readings[at]
            self._our_fault(flush.came_by.pop(at), why, self._now_ns(), flush)
        return new

    def _more(self, flush: _Flush) -> list[Message]:
        """The messages that follow those of the flush, as far as there is room for them in it."""
        room = 2 * self._flush_messages - len(flush.messages)
        if room <= 0:
            return []
        if flush.spooled:
            return self._waiting(room, after=flush.messages[-1].arrival)
        return self._source.receive(room, 0.0)

    def _keep(self, rejections: list[Rejection], sightings: list[Sighting]) -> None:
        """Keep rejections and sightings; of a rejection that no store would take, all but its payload."""
        try:
            self._refused.keep(rejections, sightings)
        except StoreUnavailableError:
            raise
        except Exception as fault:
            log.exception("rejections_failed", rejections=len(rejections), sightings=len(sightings))
            for rejection in rejections:
                self._keep_somehow(rejection, fault)

    def _keep_somehow(self, rejection: Rejection, fault: Exception) -> None:
        try:
            self._refused.keep([rejection], [])
        except StoreUnavailableError:
            raise
        except Exception:  # noqa: BLE001 - logged by the caller
            plain = replace(
                rejection,
                drive_id=ascii(rejection.drive_id)[1:65],
                topic=ascii(rejection.topic)[1:257],
                detail=f"The payload could not be kept ({fault!r}). {ascii(rejection.detail)[1:257]}",
                payload=b"",
            )
            try:
                self._refused.keep([plain], [])
            except Exception as its_fault:
                raise StoreUnavailableError(f"the store takes no rejection: {its_fault!r}") from its_fault

    def _count(self, readings: list[Reading], new: int) -> None:
        now_ns = self._now_ns()
        self._stored_ns = now_ns
        metrics = self._metrics
        metrics.readings.inc(new)
        metrics.repeats.inc(len(readings) - new)
        for reading in readings:
            metrics.stored_after.observe((now_ns - reading.t_ns) / NS_PER_S)
        for reason, times in Tally(each.reason for each in readings if each.reason is not None).items():
            metrics.not_measured.labels(reason.value).inc(times)
        log.debug("stored", readings=len(readings), new=new)

    def _failed(self, fault: StoreUnavailableError | SpoolError) -> None:
        if isinstance(fault, StoreUnavailableError):
            self._store_failed(fault)
        elif self._health.store_ok:  # what comes first cannot be read, so nothing reaches the store
            self._set_health(store_ok=False, trouble=str(fault))
        self._measure_spool()

    def _store_failed(self, fault: StoreUnavailableError) -> None:
        self._metrics.store_retries.inc()
        if self._away_since_s is None:
            self._away_since_s = time.monotonic()
        if self._health.store_ok:
            log.error("store_unavailable", fault=str(fault), in_hand=self._in_hand)
        self._set_health(store_ok=False, trouble=str(fault))

    def _store_well(self) -> None:
        self._away_since_s = None
        if not self._health.store_ok:
            log.info("store_well_again")
        self._set_health(store_ok=True, trouble="")

    def _set_health(self, *, store_ok: bool, trouble: str) -> None:
        before = self._health
        self._health = IngestHealth(
            store_ok=store_ok,
            trouble=trouble,
            since_ns=before.since_ns if before.store_ok == store_ok else self._now_ns(),
            in_hand=self._in_hand,
            stored_ns=self._stored_ns,
        )

    @property
    def _in_hand(self) -> int:
        return 0 if self._hand is None else len(self._hand.messages)

    # Out again

    def _note_newest(self, flush: _Flush) -> None:
        """What is to be published: the newest reading of a drive, unless it is older than one before it."""
        for drive_id, reading in flush.newest.items():
            if reading.t_ns >= self._newest_ns.get(drive_id, 0):
                self._newest_ns[drive_id] = reading.t_ns
                self._unannounced[drive_id] = reading

    def _announce_if_due(self) -> None:
        if self._unannounced and time.monotonic() - self._announced_s >= ANNOUNCE_S:
            self._announce()

    def _announce(self) -> None:
        """Publish, retained, the newest reading of each drive of ours that has a newer one than last time."""
        for reading in self._unannounced.values():
            try:
                self._announce_one(reading)
            except Exception:
                # It is stored; that the broker does not show it must not stop the others from being stored.
                log.exception("announce_failed", drive=reading.drive_id, seq=reading.seq)
        self._unannounced = {}
        self._announced_s = time.monotonic()

    def _announce_one(self, reading: Reading) -> None:
        root = home_of(self._partition, reading.drive_id, self._heard)
        if root is None:  # another worker says it, who may know of a newer one
            return
        registered = (self._registered or {}).get(reading.drive_id)
        limit_pct = None if registered is None else limit(registered.drive).limit_pct
        payload = elongation_payload(reading, limit_pct)
        self._source.publish(elongation_topic(root, reading.drive_id), payload, retain=True)


class Housekeeper:
    """Brings roll-ups up to date and forgets what is older than it has to be kept. A thread of its own runs it."""

    def __init__(
        self,
        readings: Readings,
        *,
        keep_days: Mapping[Resolution | None, int],
        roll_up_s: float = 5.0,
        forget_s: float = 3600.0,
        task: Task | None = None,
        now_ns: Callable[[], int] = time.time_ns,
    ) -> None:
        """A housekeeper that has not begun.

        Args:
            readings: the store to keep in order.
            keep_days: days for which raw readings (key None) and roll-ups are kept; what is not named stays for ever.
            roll_up_s: from one run of the roll-ups to the next.
            forget_s: from one run of the retention to the next.
            task: whether this process keeps the store in order; None: it does.
            now_ns: the clock.
        """
        if roll_up_s <= 0 or forget_s <= 0 or any(days < 1 for days in keep_days.values()):
            raise ValueError("roll_up_s, forget_s and each of keep_days must be above 0")
        self._readings = readings
        self._keep_days = dict(keep_days)
        self._roll_up_s = roll_up_s
        self._forget_s = forget_s
        self._task = task or Alone()
        self._now_ns = now_ns

    def run(self, stop: threading.Event) -> None:
        """Work until `stop`. What fails is tried again at the next turn."""
        forget_at_s = 0.0
        while not stop.is_set():
            try:
                with self._task.turn() as held:
                    if held:
                        self.roll_up(stop)
                    if held and time.monotonic() >= forget_at_s:
                        self.forget(stop)
                        forget_at_s = time.monotonic() + self._forget_s
            except (StoreUnavailableError, LeaseLostError) as fault:
                log.warning("housekeeping_waits", fault=str(fault))
            except Exception:
                # Roll-ups may wait until the bug is mended; readings may not.
                log.exception("housekeeping_failed")
            stop.wait(self._roll_up_s)

    def roll_up(self, stop: threading.Event | None = None) -> int:
        """Bring all roll-ups that are due up to date; return how many were. Raises StoreUnavailableError."""
        return _until_nothing(lambda: self._readings.roll_up(ROLL_UPS_AT_ONCE), stop)

    def forget(self, stop: threading.Event | None = None) -> int:
        """Delete what is older than it has to be kept; return how many rows. Raises StoreUnavailableError."""
        now_ns = self._now_ns()
        gone = 0
        for resolution, days in self._keep_days.items():
            before_ns = now_ns - days * Resolution.DAY * NS_PER_S
            gone += _until_nothing(lambda of=resolution, to=before_ns: self._readings.forget(of, to), stop)  # type: ignore[misc]
        if gone:
            log.info("forgotten", rows=gone)
        return gone


class _Warnings:
    """Says the same about the same drive once a minute, with how often it came meanwhile."""

    def __init__(self) -> None:
        self._said: dict[tuple[str, RejectionReason], tuple[float, int]] = {}

    def say(self, drive_id: str, reason: RejectionReason, detail: str) -> None:
        now_s = time.monotonic()
        said_s, unsaid = self._said.get((drive_id, reason), (-LOG_AGAIN_S, 0))
        if now_s - said_s < LOG_AGAIN_S:
            self._said[drive_id, reason] = (said_s, unsaid + 1)
            return
        if len(self._said) >= LOG_KEYS_MAX:  # somebody invents drives
            self._said.clear()
        self._said[drive_id, reason] = (now_s, 0)
        shown = ascii(drive_id)[1:-1][:LOG_DRIVE_MAX]  # it may be hostile: long, or of what moves a terminal
        log.warning("message_refused", drive=shown, reason=reason.value, detail=detail, unsaid=unsaid)


def _read_register(register: Register) -> dict[str, _Registered]:
    """All that is registered, by drive; retired drives too, whose late batches still count."""
    registered = {drive.drive_id: _Registered(drive, [], {}) for drive in register.drives(retired=True)}
    drive_of = {}
    for chain in register.chains():
        if chain.drive_id in registered:
            registered[chain.drive_id].chains.append(chain)
            drive_of[chain.chain_id] = chain.drive_id
    for baseline in register.baselines():
        if baseline.chain_id in drive_of:
            of_chain = registered[drive_of[baseline.chain_id]].baselines
            of_chain.setdefault(baseline.chain_id, []).append(baseline)
    return registered


def _as_it_came(batch: Batch, t_ns: int, message: Message) -> RawBatch:
    return RawBatch(
        drive_id=batch.drive_id,
        device_id=batch.device_id,
        t0_ns=batch.t0_ns,
        seq=batch.seq,
        t_ns=t_ns,
        form=Form.LAG if message.topic.endswith(LAG_LEVEL) else Form.PULSES,
        content_type=message.content_type,
        payload=message.payload,
    )


def _identity(reading: Reading) -> tuple[str, str, int, int]:
    return reading.drive_id, reading.device_id, reading.t0_ns, reading.seq


def _too_often(name: str) -> str:
    """Say why this message was not read, and what happens to those after it."""
    what = "Drives that nobody registered send together" if name == NOBODYS else "The drive sends"
    return (
        f"{what} more than may be sent, so this message was not read; those after it are counted, and told of once a "
        "minute. A batch about a new stretch of the drive's own time costs nothing; let the device send each "
        "window once, and nobody else under its topic. If it is right, raise worker.drive_batches_per_s or worker.drive_burst."
    )


def _so_many_unread(unread: Unread) -> str:
    return (
        f"{unread.messages} messages of {unread.payload_bytes} bytes in all were not read since "
        f"{format_rfc3339(unread.since_ns)}: more than may be sent, as the first of them says. The last came by this topic."
    )


_topic = lru_cache(maxsize=4096)(parse_topic)  # a plant has few topics, and they come again and again


def _by_time(entry: tuple[int, int, Batch, Message]) -> tuple[int, int]:
    return entry[:2]


def _came_ns(message: Message, now_ns: int) -> int:
    """When a message came: what waited in a spool is judged by the time at which it was received."""
    return now_ns if message.received_ns is None else message.received_ns


def _is_retired(drive: Drive, t_ns: int) -> bool:
    return drive.retired_ns is not None and t_ns > drive.retired_ns


def _rate_hz(batch: Batch, ticks: Ticks) -> float | None:
    """Pulses a second of one sensor over the batch; None where it cannot be told."""
    if batch.reduced is not None:
        return 1e6 / batch.reduced.period_us if batch.reduced.period_us > 0 else None
    if len(ticks) < 2 or ticks[-1] <= ticks[0]:
        return None
    return (len(ticks) - 1) / (int(ticks[-1] - ticks[0]) * batch.tick_ns) * NS_PER_S


def _until_nothing(once: Callable[[], int], stop: threading.Event | None) -> int:
    """Call until it says 0, or until told to stop; return the sum."""
    total = 0
    while (did := once()) and not (stop is not None and stop.is_set()):
        total += did
    return total + did


def _delay_s(attempt: int) -> float:
    """Doubled from one try to the next up to a cap, less up to a half so that workers spread out."""
    return min(RETRY_MAX_S, RETRY_MIN_S * 2.0 ** min(attempt, 16)) * random.uniform(0.5, 1.0)  # noqa: S311 - hides nothing
