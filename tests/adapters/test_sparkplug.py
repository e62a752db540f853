"""Sparkplug as a way in: nodes written by another library's payload, over a fake connection and over a real broker."""

import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from types import TracebackType
from typing import Any, Self

import pytest
from esio_spb_builder.core import sparkplug_b_pb2 as other
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion
from prometheus_client import CollectorRegistry

from service.adapters import sparkplug
from service.adapters.mqtt import MqttSource
from service.adapters.sparkplug import SparkplugSource, topic_filters
from service.core.drive import Chain, Drive
from service.ingest import Ingest, Message, Metrics, SourceStatus
from tests.conftest import Mosquitto
from tests.fakes import FakeReadings, FakeRefused, FakeRegister

ROOT = "linklag/v1"
GROUP = "brickworks"
NODE = "kiln"
BYTES, STRING, BOOLEAN, INT64 = 17, 12, 11, 4  # data types of Sparkplug
PULSES = "linklag/kiln-car/pulses"
REBIRTH_TOPIC = f"spBv1.0/{GROUP}/NCMD/{NODE}"


class FakeConnection:
    """A source that gives what the test puts in and keeps what is acknowledged and published."""

    def __init__(self) -> None:
        self.coming: deque[Message] = deque()
        self.acknowledged: list[int] = []
        self.published: list[tuple[str, bytes]] = []
        self._arrivals = 0

    def put(self, topic: str, payload: bytes) -> None:
        self._arrivals += 1
        self.coming.append(Message(topic, payload, None, self._arrivals))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        return None

    def receive(self, messages_max: int, timeout_s: float) -> list[Message]:
        assert timeout_s >= 0
        return [self.coming.popleft() for _ in range(min(messages_max, len(self.coming)))]

    def acknowledge(self, messages: Sequence[Message]) -> None:
        for message in messages:
            assert message.arrival == len(self.acknowledged) + 1, "the broker wants acknowledgements in order"
            self.acknowledged.append(message.arrival)

    def release(self, messages: Sequence[Message]) -> None:
        raise AssertionError(f"{len(messages)} put back, which must wait in the source over this one")

    def publish(self, topic: str, payload: bytes, *, retain: bool = True, qos: int = 1) -> None:
        assert (retain, qos) == (False, 0), "Sparkplug 3.0: NCMD is sent at QoS 0 and not retained"
        self.published.append((topic, payload))

    def status(self) -> SourceStatus:
        raise AssertionError("not asked here")


class Node:
    """An edge node, as another library writes its payloads."""

    def __init__(self) -> None:
        self._seq = 0
        self.bd_seq = 0

    def payload(self, *metrics: dict[str, Any], seq: bool = True) -> bytes:
        made = other.Payload(timestamp=1_790_000_000_000)
        if seq:
            made.seq = self._seq
            self._seq = (self._seq + 1) % 256
        for each in metrics:
            made.metrics.add(**each)
        return bytes(made.SerializeToString())

    def birth(self, *metrics: dict[str, Any]) -> bytes:
        self._seq = 0
        return self.payload({"name": "bdSeq", "datatype": INT64, "long_value": self.bd_seq}, *metrics)

    def death(self) -> bytes:
        return self.payload({"name": "bdSeq", "datatype": INT64, "long_value": self.bd_seq}, seq=False)


def batch(value: bytes, name: str = PULSES, **more: Any) -> dict[str, Any]:
    return {"name": name, "datatype": BYTES, "bytes_value": value, **more}


def at(kind: str, device: str = "") -> str:
    return f"spBv1.0/{GROUP}/{kind}/{NODE}" + (f"/{device}" if device else "")


class Bench:
    """A source over a fake connection, and a node."""

    def __init__(self) -> None:
        self.inner = FakeConnection()
        self.source = SparkplugSource(self.inner, ROOT)
        self.node = Node()

    def take(self, kind: str, payload: bytes, device: str = "") -> list[tuple[str, bytes]]:
        self.inner.put(at(kind, device), payload)
        messages = self.source.receive(1000, 0)
        self.source.acknowledge(messages)
        return [(each.topic, each.payload) for each in messages]

    def born(self, *metrics: dict[str, Any]) -> list[tuple[str, bytes]]:
        return self.take("NBIRTH", self.node.birth(*metrics))


@pytest.fixture
def bench() -> Bench:
    return Bench()


ONLINE = ("linklag/v1/kiln-car/status", b'{"v":1,"online":true}')
OFFLINE = ("linklag/v1/kiln-car/status", b'{"v":1,"online":false}')


def test_a_metric_that_carries_a_batch_becomes_the_batch_byte_by_byte(bench: Bench) -> None:
    bench.born()
    data = bench.node.payload(
        batch(b"\xa6 any bytes \x00"),
        {"name": "Oil temperature", "datatype": STRING, "string_value": "48"},
        {"name": "linklag/kiln-car/lag", "datatype": STRING, "string_value": '{"v":1}'},
    )
    assert bench.take("DDATA", data, "box-1") == [
        ("linklag/v1/kiln-car/pulses", b"\xa6 any bytes \x00"),
        ("linklag/v1/kiln-car/lag", b'{"v":1}'),
    ]
    assert bench.inner.published == []


def test_births_and_deaths_say_whether_the_devices_of_drives_are_there(bench: Bench) -> None:
    empty = {"name": PULSES, "datatype": BYTES, "is_null": True}
    assert bench.born() == []
    assert bench.take("DBIRTH", bench.node.payload(empty), "box-1") == [ONLINE]
    assert bench.take("DDEATH", bench.node.payload(), "box-1") == [OFFLINE]
    assert bench.take("DBIRTH", bench.node.payload(empty), "box-1") == [ONLINE]
    assert bench.take("NDEATH", bench.node.death()) == [OFFLINE]
    assert bench.take("NDEATH", bench.node.death()) == []


def test_a_node_born_again_has_its_devices_offline_until_they_are(bench: Bench) -> None:
    """Sparkplug 3.0, 5.4: after NBIRTH a device is there once its DBIRTH has come (from memory)."""
    empty = {"name": PULSES, "datatype": BYTES, "is_null": True}
    bench.born()
    bench.take("DBIRTH", bench.node.payload(empty), "box-1")
    assert bench.born() == [OFFLINE]
    assert bench.take("DBIRTH", bench.node.payload(empty), "box-1") == [ONLINE]


def test_the_death_of_an_earlier_connection_says_nothing(bench: Bench) -> None:
    """The will of the old connection may come after the birth of the new one."""
    bench.born(batch(b"x"))
    will = bench.node.death()
    bench.node.bd_seq = 1
    assert bench.born(batch(b"y")) == [ONLINE, ("linklag/v1/kiln-car/pulses", b"y")]
    assert bench.take("NDEATH", will) == []
    assert bench.take("NDEATH", bench.node.death()) == [OFFLINE]


def test_an_alias_stands_for_the_name_that_the_birth_gave_it(bench: Bench) -> None:
    bench.born({"name": PULSES, "alias": 7, "datatype": BYTES, "is_null": True})
    data = bench.node.payload({"alias": 7, "datatype": BYTES, "bytes_value": b"z"})
    assert bench.take("NDATA", data) == [("linklag/v1/kiln-car/pulses", b"z")]


def rebirths(bench: Bench) -> list[str]:
    for _topic, payload in bench.inner.published:
        (metric,) = other.Payload.FromString(payload).metrics
        assert (metric.name, metric.datatype, metric.boolean_value) == ("Node Control/Rebirth", BOOLEAN, True)
    return [topic for topic, _payload in bench.inner.published]


def test_an_alias_without_birth_is_kept_as_it_came_and_the_births_are_asked_for(bench: Bench) -> None:
    """As after a restart of the worker. Ingest keeps what comes by a topic that is none of ours, with its reason."""
    data = bench.node.payload({"alias": 7, "datatype": BYTES, "bytes_value": b"z"})
    assert bench.take("NDATA", data) == [(at("NDATA"), data)]
    assert rebirths(bench) == [REBIRTH_TOPIC]


def test_a_named_batch_without_birth_goes_through_and_the_births_are_asked_for_once(bench: Bench) -> None:
    for _ in range(3):
        assert bench.take("NDATA", bench.node.payload(batch(b"z"))) == [("linklag/v1/kiln-car/pulses", b"z")]
    assert rebirths(bench) == [REBIRTH_TOPIC]


def test_a_gap_in_the_sequence_asks_for_births_and_loses_nothing_that_came(bench: Bench) -> None:
    bench.born()
    bench.node.payload()  # lost on the way
    assert bench.take("NDATA", bench.node.payload(batch(b"z"))) == [("linklag/v1/kiln-car/pulses", b"z")]
    assert rebirths(bench) == [REBIRTH_TOPIC]


def test_the_sequence_goes_from_255_to_0_and_on(bench: Bench) -> None:
    bench.born()
    for _ in range(600):
        assert bench.take("NDATA", bench.node.payload(batch(b"z"))) != []
    assert bench.inner.published == []


@pytest.mark.parametrize("kind", ["NCMD", "DCMD", "NSOMETHING"])
def test_commands_are_nobody_s_batches(bench: Bench, kind: str) -> None:
    device = "box" if kind.startswith("D") else ""
    assert bench.take(kind, bench.node.payload(batch(b"z")), device) == []


@pytest.mark.parametrize(
    "name", ["linklag/pulses", "linklag/a/b/pulses", "linklag/a/status", "other/a/pulses", ""]
)
def test_other_metrics_are_passed_over(bench: Bench, name: str) -> None:
    bench.born()
    if name:
        assert bench.take("NDATA", bench.node.payload(batch(b"z", name))) == []
    assert bench.inner.acknowledged == [1, 2][: 1 + bool(name)], "and are no work left undone"


@given(st.binary(max_size=200))
def test_whatever_bytes_come_they_are_kept_or_understood(junk: bytes) -> None:
    bench = Bench()
    bench.take("NDATA", junk)
    assert bench.take("NDATA", b"\xff" * 9) == [(at("NDATA"), b"\xff" * 9)]
    assert bench.inner.acknowledged == [1, 2]


@given(st.data())
def test_a_payload_with_bytes_changed_stops_nothing(data: st.DataObject) -> None:
    """A thousand metrics too many, text that is no UTF-8, a seq out of range: kept as it came, or taken as far as it goes."""
    bench = Bench()
    whole = bytearray(
        bench.node.birth(batch(b"some bytes", alias=3), {"alias": 3, "datatype": STRING, "string_value": "ü"})
    )
    for _ in range(data.draw(st.integers(1, 4))):
        whole[data.draw(st.integers(0, len(whole) - 1))] = data.draw(st.integers(0, 255))
    kind = data.draw(st.sampled_from(["NBIRTH", "NDATA", "NDEATH"]))
    bench.take(kind, bytes(whole))
    bench.born()
    assert bench.take("NDATA", bench.node.payload(batch(b"z"))) == [("linklag/v1/kiln-car/pulses", b"z")]
    assert bench.inner.acknowledged == [1, 2, 3]


def test_text_that_is_no_utf_8_and_metrics_without_end_are_kept_as_they_came(bench: Bench) -> None:
    text = bench.node.payload({"name": "linklag/aa/pulses", "datatype": STRING, "string_value": "{}"})
    for broken in (
        text.replace(b"/aa/", b"/\xff\xfe/"),
        other.Payload(metrics=[{}] * 10_001).SerializeToString(),
    ):
        assert bench.take("NDATA", broken) == [(at("NDATA"), broken)]


def test_what_comes_by_the_contract_s_own_topics_goes_through_untouched(bench: Bench) -> None:
    bench.inner.put(f"{ROOT}/kiln-car/pulses", b"batch")
    (message,) = bench.source.receive(10, 0)
    assert message[:3] == (f"{ROOT}/kiln-car/pulses", b"batch", None)


# Acknowledgement


def test_a_message_is_acknowledged_when_the_last_batch_made_of_it_is(bench: Bench) -> None:
    bench.born()
    bench.inner.put(at("NDATA"), bench.node.payload(batch(b"a"), batch(b"b"), batch(b"c")))
    bench.inner.put(at("NDATA"), bench.node.payload())
    bench.inner.put(at("NDATA"), bench.node.payload(batch(b"d")))
    first, rest = bench.source.receive(2, 0), bench.source.receive(10, 0)
    bench.source.acknowledge(first)
    assert bench.inner.acknowledged == [1]
    bench.source.acknowledge(rest)
    bench.source.acknowledge(bench.source.receive(10, 0))
    assert bench.inner.acknowledged == [1, 2, 3, 4]


def test_what_is_released_comes_again_and_order_is_held_to(bench: Bench) -> None:
    bench.born()
    bench.inner.put(at("NDATA"), bench.node.payload(batch(b"a"), batch(b"b"), batch(b"c")))
    messages = bench.source.receive(10, 0)
    with pytest.raises(ValueError, match="received last"):
        bench.source.release(messages[:2])
    bench.source.release(messages[1:])
    with pytest.raises(ValueError, match="were handed out"):
        bench.source.acknowledge(messages)
    assert bench.source.receive(10, 0) == messages[1:]
    with pytest.raises(ValueError, match="acknowledged before"):
        bench.source.acknowledge(messages[1:])
    bench.source.acknowledge(messages)
    assert bench.inner.acknowledged == [1, 2]


def test_nodes_that_are_remembered_are_bounded(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sparkplug, "NODES_MAX", 5)
    for number in range(20):
        bench.inner.put(f"spBv1.0/{GROUP}/NBIRTH/n{number}", bench.node.birth())
    bench.source.receive(100, 0)
    assert len(bench.source._nodes) == 5


# Over a real broker


def test_drives_and_aliases_that_are_remembered_of_a_node_are_bounded_and_a_full_one_still_learns_anew(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sparkplug, "METRICS_MAX", 3)
    bench.born()
    for n in range(10):
        named = {"name": f"linklag/drive-{n}/pulses", "alias": n, "datatype": BYTES}
        assert bench.take("DBIRTH", bench.node.payload(named), f"device-{n}"), "online, if not remembered"
        bench.take("DBIRTH", bench.node.payload(), f"other-{n}")
    assert len(bench.take("NDEATH", bench.node.death())) == 3
    bench.born()
    for name in ("linklag/a/pulses", "linklag/b/pulses"):
        more = [{"name": f"m{n}", "alias": n, "datatype": BYTES} for n in (2, 3)]
        bench.take("DBIRTH", bench.node.payload({"name": name, "alias": 1, "datatype": BYTES}, *more), "one")
    data = bench.node.payload({"alias": 1, "datatype": BYTES, "bytes_value": b"{}"})
    assert bench.take("DDATA", data, "one") == [("linklag/v1/b/pulses", b"{}")]


def until(condition: Callable[[], object], timeout_s: float = 15.0) -> None:
    end_s = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < end_s, "waited in vain"
        time.sleep(0.01)


def test_a_node_s_batches_become_readings_its_rebirth_is_asked_for_and_its_death_is_seen(
    mosquitto: Mosquitto,
) -> None:
    t0_ns = time.time_ns() - 60 * 10**9
    readings, refused, register = FakeReadings(), FakeRefused(), FakeRegister()
    register.add_drive(Drive(drive_id="kiln-car", whole_pitches=12, offset_pitches=0.5))
    register.fit_chain(
        Chain(chain_id="c", drive_id="kiln-car", designation="16B-1", pitch_mm=25.4, fitted_ns=t0_ns - 1)
    )
    up = [500 + 20_000 * joint for joint in range(24)]
    fields = {"v": 1, "seq": 0, "t0": t0_ns // 1000, "up": up, "down": [tick + 9_000 for tick in up]}
    text = str(fields).replace("'", '"')
    node, commands = Node(), []
    client = paho.Client(CallbackAPIVersion.VERSION2, "edge", protocol=paho.MQTTv311)
    client.will_set(at("NDEATH"), node.death(), 1)
    client.on_message = lambda _c, _d, message: commands.append(message.payload)
    registry = CollectorRegistry()
    inner = MqttSource(
        "127.0.0.1", mosquitto.port, root=ROOT, client_id="worker", more_filters=topic_filters([GROUP])
    )
    stop = threading.Event()
    with SparkplugSource(inner, ROOT) as source:
        ingest = Ingest(source, readings, register, refused, root=ROOT, metrics=Metrics(registry))
        working = threading.Thread(target=ingest.run, args=(stop,))
        working.start()
        try:
            until(lambda: source.status().connected)
            time.sleep(0.2)  # SUBACK follows CONNACK
            client.connect("127.0.0.1", mosquitto.port)
            client.loop_start()
            until(client.is_connected)
            client.subscribe(REBIRTH_TOPIC, 1)
            time.sleep(0.1)
            late = node.payload({"name": PULSES, "datatype": STRING, "string_value": text})
            client.publish(at("DDATA", "box"), late).wait_for_publish(5)  # no birth came before it
            until(lambda: len(commands) == 1)
            declared = {"name": PULSES, "datatype": STRING, "is_null": True}
            client.publish(at("NBIRTH"), node.birth())
            client.publish(at("DBIRTH", "box"), node.payload(declared))
            until(lambda: registry.get_sample_value("linklag_device_online", {"drive": "kiln-car"}) == 1)
            until(lambda: len(readings.raw("kiln-car", 0, time.time_ns())) == 1)
            connection: Any = client.socket()
            connection.close()  # gone without a word, so the broker sends the will
            client.loop_stop()
            until(lambda: registry.get_sample_value("linklag_device_online", {"drive": "kiln-car"}) == 0)
        finally:
            stop.set()
            working.join(10)
            client.loop_stop()
    (reading,) = readings.raw("kiln-car", 0, time.time_ns())
    assert reading.elongation_pct is not None, reading.reason
    assert refused.rejections() == []
