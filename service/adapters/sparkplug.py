"""Sparkplug B 3.0 as a second way in: metrics that carry batches of the wire contract, turned into its messages.

Knows topics, births, deaths and sequence numbers of Sparkplug, and its payload as far as it is used; must not know what a
batch holds. Stands between the MQTT source and *ingest* and is a source itself. Rules for the next editor:

- A message is acknowledged to the broker when the last that was made of it is. What nothing is made of is
  acknowledged with the ones before it.
- A batch is a metric `linklag/<drive>/pulses` or `linklag/<drive>/lag` of type Bytes or String. All other metrics are other
  people's and are passed over.
- What cannot be read, or has an alias that no birth explained, is handed on as it came: ingest keeps it with its reason.
- We listen and ask for rebirths, and are no primary host: no STATE is published, so no node may wait for ours.
- The payload's fields are declared here by their numbers, for no library that is kept up brings them along with a
  current MQTT client; protobuf reads and writes them.

Source: Sparkplug 3.0.0, chapters 4 to 6 (topics, births, deaths, seq, bdSeq, rebirth).
"""

import time
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from types import TracebackType
from typing import Any, Final, NamedTuple, Protocol, Self

import structlog

from service.ingest import Message, Source, SourceStatus

NAMESPACE = "spBv1.0"
BATCH_FORMS = frozenset({"pulses", "lag"})
REBIRTH_S = 10.0  # a node is asked for its births at most so often
NODES_MAX = 10_000
METRICS_MAX = 10_000  # of one payload, and aliases and drives kept of one node
_ONLINE: Final = b'{"v":1,"online":true}'
_OFFLINE: Final = b'{"v":1,"online":false}'
_REBIRTH: Final = "Node Control/Rebirth"
_BD_SEQ: Final = "bdSeq"
_BOOLEAN: Final = 11  # data type: Sparkplug 3.0.0, 6.4.16
_BIRTHS = frozenset({"NBIRTH", "DBIRTH"})
_DATA = frozenset({"NDATA", "DDATA"})
_DEATHS = frozenset({"NDEATH", "DDEATH"})

log = structlog.get_logger(__name__)


_Made = tuple[str, bytes, str | None]  # topic, payload, content type


class Connection(Source, Protocol):
    """A source that is connected while it is entered."""

    def __enter__(self) -> Self: ...

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None: ...


def topic_filters(groups: Sequence[str]) -> list[str]:
    """Return the topic filters under which the nodes of these groups publish."""
    return [f"{NAMESPACE}/{group}/#" for group in groups]


@lru_cache(maxsize=1)
def payload_class() -> Any:
    """Return the class of a Sparkplug payload. Raises ValueError where protobuf is not installed."""
    try:
        from google.protobuf import descriptor_pb2, descriptor_pool, message_factory
    except ImportError:
        raise ValueError("protobuf is not installed: pip install 'linklag[sparkplug]'") from None
    file = descriptor_pb2.FileDescriptorProto(
        name="linklag/sparkplug.proto", package="linklag", syntax="proto2"
    )
    kind = descriptor_pb2.FieldDescriptorProto
    fields = {
        "Metric": [
            ("name", 1, kind.TYPE_STRING),
            ("alias", 2, kind.TYPE_UINT64),
            ("timestamp", 3, kind.TYPE_UINT64),
            ("datatype", 4, kind.TYPE_UINT32),
            ("int_value", 10, kind.TYPE_UINT32),
            ("long_value", 11, kind.TYPE_UINT64),
            ("boolean_value", 14, kind.TYPE_BOOL),
            ("string_value", 15, kind.TYPE_STRING),
            ("bytes_value", 16, kind.TYPE_BYTES),
        ],
        "Payload": [("timestamp", 1, kind.TYPE_UINT64), ("seq", 3, kind.TYPE_UINT64)],
    }
    for name, described in fields.items():
        message = file.message_type.add(name=name)
        for field_name, number, field_kind in described:
            message.field.add(name=field_name, number=number, type=field_kind, label=kind.LABEL_OPTIONAL)
    file.message_type[1].field.add(
        name="metrics",
        number=2,
        type=kind.TYPE_MESSAGE,
        type_name=".linklag.Metric",
        label=kind.LABEL_REPEATED,
    )
    pool = descriptor_pool.DescriptorPool()
    pool.Add(file)
    return message_factory.GetMessageClass(pool.FindMessageTypeByName("linklag.Payload"))


class _Address(NamedTuple):
    """What a topic says."""

    group: str
    kind: str
    node: str
    device: str  # empty of the node itself


@dataclass(slots=True)
class _Node:
    """What is known of one edge node since its birth."""

    born: bool = False
    bd_seq: int | None = None
    next_seq: int | None = None
    names: dict[int, str] = field(default_factory=dict)  # by alias
    drives: dict[str, set[str]] = field(default_factory=dict)  # by device: those that its birth names
    asked_s: float = -REBIRTH_S


class SparkplugSource:
    """Messages of the wire contract, from an MQTT source that also receives what Sparkplug nodes publish."""

    def __init__(self, inner: Connection, root: str) -> None:
        """A source over another that has subscribed to `topic_filters` too.

        Args:
            inner: where messages come from; those of other topics go through untouched.
            root: topic levels above the drive.

        Raises ValueError where protobuf is not installed.
        """
        self._inner = inner
        self._root = root
        self._payload = payload_class()
        self._nodes: dict[tuple[str, str], _Node] = {}
        self._waiting: deque[Message] = deque()
        self._taken: deque[int] = deque()  # arrivals handed out and not acknowledged
        self._origins: deque[tuple[int, Message]] = deque()  # last arrival made of it, or of those before it
        self._arrivals = 0
        self._acknowledged = 0

    def __enter__(self) -> Self:
        self._inner.__enter__()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._inner.__exit__(kind, fault, trace)

    def receive(self, messages_max: int, timeout_s: float) -> list[Message]:
        """The next messages in the order of arrival; none if none came in time."""
        if not self._waiting:
            for message in self._inner.receive(messages_max, timeout_s):
                for topic, payload, content_type in self._translate(message):
                    self._arrivals += 1
                    self._waiting.append(Message(topic, payload, content_type, self._arrivals))
                self._origins.append((self._arrivals, message))
            self._pass_on()
        given = [self._waiting.popleft() for _ in range(min(messages_max, len(self._waiting)))]
        self._taken.extend(message.arrival for message in given)
        return given

    def acknowledge(self, messages: Sequence[Message]) -> None:
        """These are safe. They are the oldest not acknowledged, in the order of arrival; else ValueError."""
        if len(messages) > len(self._taken):
            raise ValueError(f"{len(messages)} messages acknowledged, {len(self._taken)} were handed out")
        for message, arrival in zip(messages, self._taken, strict=False):
            if message.arrival != arrival:
                raise ValueError(f"message {message.arrival} is acknowledged before message {arrival}")
        for _ in messages:
            self._acknowledged = self._taken.popleft()
        self._pass_on()

    def release(self, messages: Sequence[Message]) -> None:
        """Put back the messages received last; the next `receive` gives them again."""
        last = list(self._taken)[len(self._taken) - len(messages) :]
        if [message.arrival for message in messages] != last:
            raise ValueError("only the messages received last can be released, in the order they came")
        for message in reversed(messages):
            self._taken.pop()
            self._waiting.appendleft(message)

    def publish(self, topic: str, payload: bytes, *, retain: bool = True, qos: int = 1) -> None:
        """Publish as soon as possible; of several payloads for one topic only the newest counts."""
        self._inner.publish(topic, payload, retain=retain, qos=qos)

    def status(self) -> SourceStatus:
        """How the connection stands now."""
        return self._inner.status()

    def _pass_on(self) -> None:
        done = []
        while self._origins and self._origins[0][0] <= self._acknowledged:
            done.append(self._origins.popleft()[1])
        if done:
            self._inner.acknowledge(done)

    # From Sparkplug to the contract

    def _translate(self, message: Message) -> list[_Made]:
        """Return topic, payload and content type of what a message becomes: itself, if it is no Sparkplug or unreadable."""
        as_it_came = [(message.topic, message.payload, message.content_type)]
        if not message.topic.startswith(f"{NAMESPACE}/"):
            return as_it_came
        address = _address(message.topic)
        if address is None or address.kind not in _BIRTHS | _DATA | _DEATHS:
            return []  # commands and host states
        try:
            payload = self._payload.FromString(message.payload)
            if len(payload.metrics) > METRICS_MAX:
                raise ValueError(f"{len(payload.metrics)} metrics are more than {METRICS_MAX}")  # noqa: TRY301 - caught below with the rest
            return self._understand(address, payload, as_it_came)
        except Exception as fault:  # noqa: BLE001 - protobuf's, or text that is no UTF-8, found where it is first looked at
            log.warning("sparkplug_unreadable", topic=message.topic, fault=str(fault))
            return as_it_came

    def _understand(self, address: _Address, payload: Any, as_it_came: list[_Made]) -> list[_Made]:
        """Return what becomes of a payload that could be read, and note what it says of its node."""
        node = self._node(address)
        if address.kind in _DEATHS:
            return self._died(node, address, payload)
        self._count(node, address, payload)
        if address.kind in _BIRTHS:
            return self._born(node, address, payload)
        found, unknown = self._batches(node, payload)
        if unknown or not node.born:
            self._ask_for_births(node, address)
        return [*found, *(as_it_came if unknown else [])]

    def _node(self, address: _Address) -> _Node:
        key = (address.group, address.node)
        node = self._nodes.get(key)
        if node is None:
            while len(self._nodes) >= NODES_MAX:
                del self._nodes[next(iter(self._nodes))]
            node = self._nodes[key] = _Node()
        return node

    def _count(self, node: _Node, address: _Address, payload: Any) -> None:
        """Hold seq against the one that was due, and ask for births where some are missing."""
        if address.kind != "NBIRTH" and node.next_seq is not None and payload.seq != node.next_seq:
            log.warning("sparkplug_gap", node=address.node, due=node.next_seq, came=payload.seq)
            self._ask_for_births(node, address)
        node.next_seq = (payload.seq + 1) % 256

    def _born(self, node: _Node, address: _Address, payload: Any) -> list[_Made]:
        """Learn the aliases. The drives named are online; those that a node had before are not until their own birth."""
        before: set[str] = set()
        if address.kind == "NBIRTH":
            before = before.union(*node.drives.values())
            node.names.clear()
            node.drives.clear()
            node.bd_seq = _bd_seq(payload)
            node.born = True
        named = {
            metric.alias: metric.name
            for metric in payload.metrics
            if metric.HasField("alias") and metric.name
        }
        for alias, name in named.items():
            if alias in node.names or len(node.names) < METRICS_MAX:
                node.names[alias] = name
        topics = filter(None, (self._topic(metric.name) for metric in payload.metrics))
        drives = {topic.rpartition("/")[0] for topic in topics}
        node.drives.pop(address.device, None)
        if drives and sum(map(len, node.drives.values())) + len(drives) <= METRICS_MAX:
            node.drives[address.device] = drives
        found, _ = self._batches(node, payload)
        return [*_statuses(before - drives, _OFFLINE), *_statuses(drives, _ONLINE), *found]

    def _died(self, node: _Node, address: _Address, payload: Any) -> list[_Made]:
        """The drives of a device, or of all of a node, are offline. The death of an earlier life says nothing."""
        if address.kind == "DDEATH":
            self._count(node, address, payload)
            gone = node.drives.pop(address.device, set())
        else:
            if not node.born or _bd_seq(payload) != node.bd_seq:
                return []
            node.born, node.next_seq = False, None
            gone = set().union(*node.drives.values())
            node.drives.clear()
        return _statuses(gone, _OFFLINE)

    def _batches(self, node: _Node, payload: Any) -> tuple[list[_Made], bool]:
        """Return the batches among the metrics, and whether one has a value under an alias that nobody explained."""
        found: list[_Made] = []
        unknown = False
        for metric in payload.metrics:
            name = metric.name
            if not name and metric.HasField("alias"):
                name = node.names.get(metric.alias, "")
            value = metric.bytes_value or metric.string_value.encode()
            topic = self._topic(name)
            unknown |= not name and bool(value)
            if topic and value:
                found.append((topic, value, None))
        return found, unknown

    def _topic(self, metric: str) -> str:
        """Return the contract's topic that a metric stands for; none if it is no batch."""
        levels = metric.split("/")
        is_batch = len(levels) == 3 and levels[0] == "linklag" and levels[2] in BATCH_FORMS
        return f"{self._root}/{levels[1]}/{levels[2]}" if is_batch else ""

    def _ask_for_births(self, node: _Node, address: _Address) -> None:
        now_s = time.monotonic()
        if now_s - node.asked_s < REBIRTH_S:
            return
        node.asked_s = now_s
        asked = self._payload(timestamp=time.time_ns() // 1_000_000)
        asked.metrics.add(name=_REBIRTH, datatype=_BOOLEAN, boolean_value=True)
        topic = f"{NAMESPACE}/{address.group}/NCMD/{address.node}"
        self._inner.publish(topic, asked.SerializeToString(), retain=False, qos=0)


def _address(topic: str) -> _Address | None:
    levels = topic.split("/")
    if len(levels) not in {4, 5}:
        return None
    device = levels[4] if len(levels) == 5 else ""
    if bool(device) != levels[2].startswith("D"):
        return None
    return _Address(levels[1], levels[2], levels[3], device)


def _statuses(drives: set[str], said: bytes) -> list[_Made]:
    return [(f"{drive}/status", said, None) for drive in sorted(drives)]


def _bd_seq(payload: Any) -> int | None:
    """Number of the connection, the same in the birth and in its will."""
    for metric in payload.metrics:
        if metric.name == _BD_SEQ:
            return int(metric.long_value or metric.int_value)
    return None
