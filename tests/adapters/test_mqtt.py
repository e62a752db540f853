"""The MQTT source against a real mosquitto, and against a broker played by the test where it must misbehave."""

import random
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from service.adapters.mqtt import MqttSource
from service.adapters.reaching import Tls
from service.ingest import Message, Source
from tests.conftest import Mosquitto, free_port, needs, wait_for_port

ROOT = "linklag/v1"
WORKER: dict[str, Any] = {"username": "worker", "password": "right"}


def source_at(port: int, **settings: Any) -> MqttSource:
    usual: dict[str, Any] = {"root": ROOT, "client_id": "worker", "reconnect_max_s": 0.5}
    return MqttSource("127.0.0.1", port, **usual | settings)


def until(condition: Callable[[], object], timeout_s: float = 10.0) -> None:
    end_s = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < end_s, "waited in vain"
        time.sleep(0.01)


def subscribed(source: MqttSource) -> None:
    until(lambda: source.status().connected)
    time.sleep(0.1)  # SUBACK follows CONNACK


def receive(source: Source, count: int, timeout_s: float = 10.0) -> list[Message]:
    """So many messages, whatever the number of calls it takes; fewer after `timeout_s`."""
    end_s = time.monotonic() + timeout_s
    messages: list[Message] = []
    while len(messages) < count and time.monotonic() < end_s:
        messages += source.receive(count - len(messages), 0.1)
    return messages


def client_of(port: int, name: str) -> paho.Client:
    client = paho.Client(CallbackAPIVersion.VERSION2, name, protocol=paho.MQTTv5)
    client.connect("127.0.0.1", port)
    client.loop_start()
    until(client.is_connected)
    return client


@contextmanager
def publisher(port: int) -> Iterator[Callable[..., None]]:
    client = client_of(port, "device")

    def publish(
        payloads: Sequence[bytes], topic: str = f"{ROOT}/d1/pulses", qos: int = 1, kind: str = ""
    ) -> None:
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        if kind:
            properties.ContentType = kind
        for sent in [client.publish(topic, payload, qos, properties=properties) for payload in payloads]:
            sent.wait_for_publish(10)

    yield publish
    client.disconnect()
    client.loop_stop()


def numbered(count: int, begin: int = 0) -> list[bytes]:
    return [b"%d" % number for number in range(begin, begin + count)]


# What goes through


def test_messages_come_in_the_order_they_were_sent_with_topic_and_content_type(mosquitto: Mosquitto) -> None:
    with source_at(mosquitto.port) as source, publisher(mosquitto.port) as publish:
        subscribed(source)
        publish([b"a"], kind="application/cbor")
        publish([b"b"], topic=f"{ROOT}/d2/lag")
        publish([b"c"], topic=f"{ROOT}/d3/status", qos=0)
        messages = receive(source, 3)
    assert [message[:3] for message in messages] == [
        (f"{ROOT}/d1/pulses", b"a", "application/cbor"),
        (f"{ROOT}/d2/lag", b"b", None),
        (f"{ROOT}/d3/status", b"c", None),
    ]
    assert [message.arrival for message in messages] == [1, 2, 3]


def test_only_what_devices_publish_under_the_root_is_received(mosquitto: Mosquitto) -> None:
    with source_at(mosquitto.port, root="plant/7/linklag") as source, publisher(mosquitto.port) as publish:
        subscribed(source)
        for topic in (f"{ROOT}/d1/pulses", "plant/7/linklag/d1/elongation", "plant/7/linklag/pulses"):
            publish([b"other"], topic=topic)
        publish([b"ours"], topic="plant/7/linklag/d1/pulses")
        assert [message.payload for message in receive(source, 1)] == [b"ours"]


def test_what_is_published_while_the_worker_is_away_is_there_when_it_comes_back(mosquitto: Mosquitto) -> None:
    with source_at(mosquitto.port) as source:
        subscribed(source)
    with publisher(mosquitto.port) as publish:
        publish(numbered(50))
    with source_at(mosquitto.port) as source:
        assert [message.payload for message in receive(source, 50)] == numbered(50)


def test_a_session_of_another_root_gets_the_subscriptions_of_the_new_one(mosquitto: Mosquitto) -> None:
    with source_at(mosquitto.port, root="plant/7") as source:
        subscribed(source)
    with source_at(mosquitto.port) as source, publisher(mosquitto.port) as publish:
        subscribed(source)
        publish([b"new root"])
        assert [message.payload for message in receive(source, 1)] == [b"new root"]


def test_what_was_not_acknowledged_comes_again_and_what_was_does_not(mosquitto: Mosquitto) -> None:
    with source_at(mosquitto.port) as source, publisher(mosquitto.port) as publish:
        subscribed(source)
        publish(numbered(10))
        messages = receive(source, 10)
        source.acknowledge(messages[:4])
    with source_at(mosquitto.port) as source:
        again = receive(source, 6)
        assert [message.payload for message in again] == numbered(6, 4)
        source.acknowledge(again)
        assert source.receive(1, 0.3) == []
    with source_at(mosquitto.port) as source:
        subscribed(source)
        assert source.receive(1, 0.3) == []


def test_a_window_smaller_than_the_flush_does_not_stop_the_flow(mosquitto: Mosquitto) -> None:
    """The broker sends five and waits for us; we must not wait for fifty."""
    with source_at(mosquitto.port, receive_maximum=5) as source, publisher(mosquitto.port) as publish:
        subscribed(source)
        publish(numbered(100))
        began_s = time.monotonic()
        seen = 0
        while seen < 100:
            messages = source.receive(50, 5.0)
            assert messages
            source.acknowledge(messages)
            seen += len(messages)
        assert time.monotonic() - began_s < 5.0


def test_without_acknowledgement_the_broker_keeps_to_the_receive_maximum(mosquitto: Mosquitto) -> None:
    with source_at(mosquitto.port, receive_maximum=5) as source, publisher(mosquitto.port) as publish:
        subscribed(source)
        publish(numbered(20))
        assert len(receive(source, 20, timeout_s=0.5)) == 5


def test_a_payload_just_over_the_limit_of_the_contract_still_arrives_to_be_refused(
    mosquitto: Mosquitto,
) -> None:
    with source_at(mosquitto.port) as source, publisher(mosquitto.port) as publish:
        subscribed(source)
        publish([b"x" * (1024 * 1024 + 1)])
        assert len(receive(source, 1)[0].payload) == 1024 * 1024 + 1


# Order of acknowledgement


def test_acknowledging_out_of_order_is_refused(mosquitto: Mosquitto) -> None:
    with source_at(mosquitto.port) as source, publisher(mosquitto.port) as publish:
        subscribed(source)
        publish(numbered(3))
        messages = receive(source, 3)
        with pytest.raises(ValueError, match="message 2 is acknowledged before message 1"):
            source.acknowledge(messages[1:])
        source.acknowledge(messages[:1])
        with pytest.raises(ValueError, match="acknowledged before"):
            source.acknowledge(messages[:1])
        source.acknowledge(messages[1:])
        with pytest.raises(ValueError, match="0 were handed out"):
            source.acknowledge(messages[:1])


def test_what_is_released_is_received_again_in_the_same_order(mosquitto: Mosquitto) -> None:
    with source_at(mosquitto.port) as source, publisher(mosquitto.port) as publish:
        subscribed(source)
        publish(numbered(4))
        messages = receive(source, 4)
        with pytest.raises(ValueError, match="received last"):
            source.release(messages[:2])
        source.release(messages[2:])
        assert source.receive(10, 1.0) == messages[2:]
        source.acknowledge(messages)


# A broker that comes and goes


def test_a_broker_that_is_absent_at_the_start_is_waited_for(tmp_path: Path) -> None:
    broker = Mosquitto(tmp_path)
    with source_at(broker.port) as source:
        until(lambda: "cannot reach" in source.status().trouble)
        assert not source.status().connected
        broker.start()
        try:
            subscribed(source)
            assert source.status().trouble == ""
            with publisher(broker.port) as publish:
                publish([b"a"])
            assert [message.payload for message in receive(source, 1)] == [b"a"]
        finally:
            broker.stop()


def test_a_restarted_broker_is_found_again_and_nothing_is_missing(mosquitto: Mosquitto) -> None:
    with source_at(mosquitto.port) as source:
        subscribed(source)
        with publisher(mosquitto.port) as publish:
            publish(numbered(10))
        before = receive(source, 10)
        mosquitto.stop()
        until(lambda: not source.status().connected)
        assert source.status().trouble
        source.acknowledge(before)  # too late: of a connection that is gone
        mosquitto.start()
        subscribed(source)
        with publisher(mosquitto.port) as publish:
            publish(numbered(10, 10))
        after = receive(source, 20)
        assert [message.payload for message in after] == numbered(20)
        source.acknowledge(after)
        assert source.status().reconnects == 1


def test_acknowledgements_at_hand_are_sent_before_leaving(mosquitto: Mosquitto) -> None:
    with source_at(mosquitto.port) as source, publisher(mosquitto.port) as publish:
        subscribed(source)
        publish(numbered(20))
        source.acknowledge(receive(source, 20))
    with source_at(mosquitto.port) as source:
        subscribed(source)
        assert source.receive(1, 0.3) == []


def test_a_consumer_that_is_slower_than_the_keepalive_keeps_its_connection(mosquitto: Mosquitto) -> None:
    with source_at(mosquitto.port, keepalive_s=1) as source, publisher(mosquitto.port) as publish:
        subscribed(source)
        publish(numbered(5))
        messages = receive(source, 5)
        time.sleep(3.5)  # the store thinks
        source.acknowledge(messages)
        publish([b"more"])
        assert [message.payload for message in receive(source, 1)] == [b"more"]
        assert source.status().reconnects == 0


def test_reading_stops_when_too_much_waits_and_goes_on_when_there_is_room(mosquitto: Mosquitto) -> None:
    """At QoS 0 no window holds the broker back; even a connection that times out meanwhile comes back by itself."""
    with (
        source_at(mosquitto.port, receive_maximum=5, keepalive_s=1) as source,
        publisher(mosquitto.port) as publish,
    ):
        subscribed(source)
        publish([b"x" * 1000] * 200, qos=0)
        until(lambda: source.status().holding_back)
        until(lambda: not source.status().connected)  # the answer to our ping lies behind what we do not read
        assert source.status().waiting == 20
        publish([b"last"])
        assert receive(source, 21)[-1].payload == b"last"
        assert source.status().connected
        assert not source.status().holding_back


def test_an_exception_in_a_callback_costs_a_connection_and_no_message(
    mosquitto: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    with source_at(mosquitto.port) as source, publisher(mosquitto.port) as publish:
        subscribed(source)
        put = source._in_tray.put
        faults = [ZeroDivisionError("a bug of ours")]

        def put_or_fail(topic: str, payload: bytes, content_type: str | None) -> int:
            if payload == b"1" and faults:
                raise faults.pop()
            return put(topic, payload, content_type)

        monkeypatch.setattr(source._in_tray, "put", put_or_fail)
        publish(numbered(3))
        messages = receive(source, 4)
        assert {message.payload for message in messages} == {b"0", b"1", b"2"}
        assert source.status().reconnects == 1
        assert source.status().connected


def test_another_client_with_the_same_id_is_named_as_the_trouble(mosquitto: Mosquitto) -> None:
    """mosquitto 2.0.11 only hangs up on the one that was there."""
    with source_at(mosquitto.port) as source, source_at(mosquitto.port) as other:
        until(lambda: "client id of its own" in source.status().trouble)
        until(lambda: "client id of its own" in other.status().trouble)


# Publishing


def test_a_retained_publication_waits_for_the_broker_and_only_the_newest_is_sent(tmp_path: Path) -> None:
    broker = Mosquitto(tmp_path)
    topics = [f"{ROOT}/d{number}/elongation" for number in range(60)]
    with source_at(broker.port) as source:
        for payload in (b"old", b"new"):
            for topic in topics:
                source.publish(topic, payload)
        broker.start()
        try:
            subscribed(source)
            seen: list[tuple[str, bytes, bool]] = []
            client = client_of(broker.port, "page")
            client.on_message = lambda _c, _d, m: seen.append((m.topic, bytes(m.payload), m.retain))
            until(lambda: not len(source._out_tray))
            client.subscribe(f"{ROOT}/+/elongation", 1)
            until(lambda: len(seen) >= len(topics))
            assert sorted(seen) == sorted((topic, b"new", True) for topic in topics)
            client.disconnect()
            client.loop_stop()
        finally:
            broker.stop()


def test_only_qos_0_and_1_can_be_published() -> None:
    with pytest.raises(ValueError, match="give 0 or 1"):
        source_at(1).publish("t", b"", qos=2)


# A broker played by the test


class PlayedBroker:
    """One connection of an MQTT 5 broker whose every packet the test chooses."""

    def __init__(self) -> None:
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.listener.settimeout(5)
        self.port = int(self.listener.getsockname()[1])
        self.connection = socket.socket()

    def accept(self, *, session_present: bool, reason: int = 0) -> None:
        self.connection.close()
        self.connection, _ = self.listener.accept()
        self.connection.settimeout(5)
        self.connect = self.expect(0x10)
        self.send(0x20, bytes([session_present, reason, 0]))

    def expect(self, kind: int, *, else_none_within_s: float | None = None) -> bytes:
        """Body of the next packet of that kind; others (pings) are skipped. b"" if none may come and none came."""
        while True:
            if else_none_within_s is not None:
                self.connection.settimeout(else_none_within_s)
            try:
                head = self._read(1)[0]
            except TimeoutError:
                if else_none_within_s is None:
                    raise
                self.connection.settimeout(5)
                return b""
            length = shift = 0
            while True:
                byte = self._read(1)[0]
                length |= (byte & 127) << shift
                shift += 7
                if byte < 128:
                    break
            body = self._read(length)
            if head & 0xF0 == kind & 0xF0:
                return body

    def grant(self, *reasons: int) -> None:
        subscribe = self.expect(0x80)
        self.send(0x90, subscribe[:2] + b"\0" + bytes(reasons))

    def publish(self, packet_id: int, payload: bytes) -> None:
        topic = f"{ROOT}/d1/pulses".encode()
        body = len(topic).to_bytes(2, "big") + topic + packet_id.to_bytes(2, "big") + b"\0" + payload
        self.send(0x32, body)

    def send(self, head: int, body: bytes) -> None:
        assert len(body) < 128
        self.connection.sendall(bytes([head, len(body)]) + body)

    def drop(self) -> None:
        self.connection.close()

    def _read(self, count: int) -> bytes:
        data = b""
        while len(data) < count:
            more = self.connection.recv(count - len(data))
            if not more:
                raise ConnectionError("the client closed the connection")
            data += more
        return data


@pytest.fixture
def played(monkeypatch: pytest.MonkeyPatch) -> Iterator[PlayedBroker]:
    """It does not answer a DISCONNECT, so that is not waited for."""
    monkeypatch.setattr("service.adapters.mqtt.GOODBYE_S", 0.05)
    broker = PlayedBroker()
    yield broker
    broker.drop()
    broker.listener.close()


def test_the_session_is_kept_and_the_window_and_expiry_are_asked_for(played: PlayedBroker) -> None:
    """CONNECT as MQTT 5.0, 3.1.2 and 3.1.2.11, lays it out."""
    with source_at(played.port, receive_maximum=77, session_expiry_s=86400):
        played.accept(session_present=False)
    assert played.connect[:7] == b"\0\4MQTT\5"
    flags, properties = played.connect[7], played.connect[11 : 11 + played.connect[10]]
    assert not flags & 0x02, "clean start would throw away what waits"
    assert b"\x11" + (86400).to_bytes(4, "big") in properties  # session expiry interval
    assert b"\x21" + (77).to_bytes(2, "big") in properties  # receive maximum


def test_acknowledgements_go_out_in_the_order_of_receipt(played: PlayedBroker) -> None:
    """MQTT 5.0, 4.6: a client must send PUBACK in the order in which PUBLISH was received."""
    with source_at(played.port) as source:
        played.accept(session_present=False)
        played.grant(1, 1, 1)
        packet_ids = [7, 3, 900, 1]
        for packet_id in packet_ids:
            played.publish(packet_id, b"x")
        source.acknowledge(receive(source, 4))
        assert [int.from_bytes(played.expect(0x40)[:2], "big") for _ in packet_ids] == packet_ids


def test_a_late_acknowledgement_does_not_acknowledge_another_message_with_the_same_packet_id(
    played: PlayedBroker,
) -> None:
    with source_at(played.port) as source:
        played.accept(session_present=False)
        played.grant(1, 1, 1)
        played.publish(1, b"first")
        first = receive(source, 1)
        played.drop()
        played.accept(session_present=True)
        played.publish(1, b"second")
        second = receive(source, 1)
        source.acknowledge(first)
        assert played.expect(0x40, else_none_within_s=0.5) == b""
        source.acknowledge(second)
        assert played.expect(0x40)[:2] == b"\0\1"


def test_messages_in_hand_outlive_a_broker_that_lost_its_session(played: PlayedBroker) -> None:
    with source_at(played.port) as source:
        played.accept(session_present=False)
        played.grant(1, 1, 1)
        played.publish(1, b"only copy")
        until(lambda: source.status().waiting)
        played.drop()
        played.accept(session_present=False)
        played.grant(1, 1, 1)
        assert [message.payload for message in receive(source, 1)] == [b"only copy"]


def test_subscriptions_are_asked_for_at_every_connection_whatever_the_session_holds(
    played: PlayedBroker,
) -> None:
    """A connection that broke before the broker had them leaves a session without any."""
    with source_at(played.port) as source:
        played.accept(session_present=False)
        for session_present in (True, False):
            played.drop()
            played.accept(session_present=session_present)
            asked = played.expect(0x80)
            for level in ("pulses", "lag", "status"):
                assert f"{ROOT}/+/{level}".encode() + b"\1" in asked
        until(lambda: source.status().reconnects == 2)


def test_a_refused_subscription_is_reported_with_its_topic_and_reason(played: PlayedBroker) -> None:
    with source_at(played.port) as source:
        played.accept(session_present=False)
        played.grant(1, 0x87, 1)
        until(lambda: source.status().refused)
        assert source.status().refused == (f"{ROOT}/+/lag: Not authorized",)
        assert "grant them" in source.status().trouble


def test_a_refused_subscription_is_asked_for_again(
    played: PlayedBroker, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.adapters.mqtt.RESUBSCRIBE_S", 0.1)
    with source_at(played.port) as source:
        played.accept(session_present=False)
        played.grant(0x87, 0x87, 0x87)
        until(lambda: source.status().refused)
        played.grant(1, 1, 1)
        until(lambda: not source.status().refused)
        assert source.status().trouble == ""


def test_a_broker_that_refuses_the_client_is_tried_again_and_its_reason_is_told(played: PlayedBroker) -> None:
    with source_at(played.port) as source:
        played.accept(session_present=False, reason=0x86)
        until(lambda: "refuses us: Bad user name or password" in source.status().trouble)
        played.accept(session_present=False)
        until(lambda: source.status().connected)


def test_a_broker_that_says_that_our_id_was_taken_is_believed_at_once(played: PlayedBroker) -> None:
    with source_at(played.port, reconnect_max_s=60.0) as source:
        played.accept(session_present=False)
        played.grant(1, 1, 1)
        played.send(0xE0, b"\x8e")
        until(lambda: "Session taken over. Give each worker" in source.status().trouble)
        assert source._delay_s(0) >= 30, "or the two would throw each other out for ever"


def test_a_broker_that_hangs_up_on_connect_is_tried_again_and_said_to(played: PlayedBroker) -> None:
    with source_at(played.port) as source:
        connection, _ = played.listener.accept()
        connection.close()
        until(lambda: "closed the connection instead of answering" in source.status().trouble)
        played.accept(session_present=False)
        until(lambda: source.status().connected)


def test_an_answer_that_is_no_mqtt_costs_a_connection_and_no_more(played: PlayedBroker) -> None:
    with source_at(played.port) as source:
        played.accept(session_present=False)
        until(lambda: source.status().connected)
        played.connection.sendall(b"\xf0\xff\xff\xff\xff\xff HTTP/1.1 400 Bad Request\r\n\r\n")
        played.accept(session_present=False)
        until(lambda: source.status().connected)


def test_a_topic_that_is_not_utf_8_arrives_as_no_topic(played: PlayedBroker) -> None:
    with source_at(played.port) as source:
        played.accept(session_present=False)
        played.grant(1, 1, 1)
        played.send(0x32, b"\0\3\xff\xfe\xfd" + b"\0\5" + b"\0" + b"x")
        messages = receive(source, 1)
        assert messages[0].topic == ""
        source.acknowledge(messages)
        assert played.expect(0x40)[:2] == b"\0\5"


def packet(head: int, body: bytes) -> bytes:
    length, left = b"", len(body)
    while True:
        left, byte = left >> 7, left & 127
        length += bytes([byte | 128 if left else byte])
        if not left:
            return bytes([head]) + length + body


def publish_packet(
    payload: bytes, *, packet_id: int = 0, qos: int = 1, properties: bytes = b"\0", topic: str = "d1/pulses"
) -> bytes:
    """PUBLISH by MQTT 5.0, 3.3."""
    name = f"{ROOT}/{topic}".encode()
    identity = packet_id.to_bytes(2, "big") if qos else b""
    return packet(0x30 | qos << 1, len(name).to_bytes(2, "big") + name + identity + properties + payload)


def test_packets_may_come_in_pieces_of_any_size(played: PlayedBroker) -> None:
    payloads = [bytes([number]) * size for number, size in enumerate([0, 1, 90, 127, 128, 16_383, 70_000])]
    stream = b"".join(
        publish_packet(payload, packet_id=1 + number) + packet(0xD0, b"")  # PINGRESP between them
        for number, payload in enumerate(payloads)
    )
    with source_at(played.port) as source:
        played.accept(session_present=False)
        played.grant(1, 1, 1)
        rng = random.Random(3)
        sent = 0
        while sent < len(stream):
            size = rng.choice([1, 2, 3, 50, 20_000])
            played.connection.sendall(stream[sent : sent + size])
            sent += size
            time.sleep(0.001)
        messages = receive(source, len(payloads))
        assert [message.payload for message in messages] == payloads
        source.acknowledge(messages)
        for number in range(len(payloads)):
            assert played.expect(0x40)[:2] == (1 + number).to_bytes(2, "big")
        assert source.status().reconnects == 0


def test_unusual_publish_packets_are_read_too(played: PlayedBroker) -> None:
    """QoS 0, content type among other properties, more than 127 bytes of properties: MQTT 5.0, 3.3.2.3."""
    content_type = b"\x03\0\x10application/cbor"
    other = b"\x26\0\1k\0\x70" + b"v" * 0x70  # a user property
    many = content_type + other + other
    with source_at(played.port) as source:
        played.accept(session_present=False)
        played.grant(1, 1, 1)
        for qos, properties in (
            (0, bytes([len(content_type)]) + content_type),
            (1, bytes([len(other)]) + other),
            (1, bytes([len(many) & 127 | 128, len(many) >> 7]) + many),
        ):
            played.connection.sendall(publish_packet(b"x", packet_id=9, qos=qos, properties=properties))
        messages = receive(source, 3)
        assert [(message.payload, message.content_type) for message in messages] == [
            (b"x", "application/cbor"),
            (b"x", None),
            (b"x", "application/cbor"),
        ]
        source.acknowledge(messages)
        assert [played.expect(0x40)[:2] for _ in range(2)] == [b"\0\x09"] * 2
        assert played.expect(0x40, else_none_within_s=0.3) == b"", "QoS 0 is not acknowledged"


@pytest.mark.parametrize(
    "broken",
    [
        publish_packet(b"", packet_id=1, properties=b"\x03\x7f\0\0"),  # no such property
        packet(0x32, b"\0\x70short"),  # a topic longer than the packet
        packet(0x32, b""),
        b"\x32\xff\xff\xff\x7f",  # 256 MB, far over the maximum packet size that we asked for
        b"\x32\xff\xff\xff\xff\x01",  # a length of five bytes
    ],
    ids=["property", "topic", "empty", "huge", "length"],
)
def test_a_broken_packet_costs_a_connection_and_no_more(played: PlayedBroker, broken: bytes) -> None:
    with source_at(played.port) as source:
        played.accept(session_present=False)
        played.grant(1, 1, 1)
        played.connection.sendall(publish_packet(b"before", packet_id=1) + broken)
        assert [message.payload for message in receive(source, 1)] == [b"before"]
        played.accept(session_present=True)
        played.connection.sendall(publish_packet(b"after", packet_id=2))
        assert [message.payload for message in receive(source, 1)] == [b"after"]


def test_closing_ends_the_thread_whatever_the_broker_does(played: PlayedBroker) -> None:
    source = source_at(played.port)
    source.start()
    connection, _ = played.listener.accept()  # and no answer
    source.close()
    assert not source._thread.is_alive()
    connection.close()


# Another broker, which ends a connection for any acknowledgement out of order


def test_the_demo_broker_takes_our_acknowledgements(tmp_path: Path) -> None:
    iotcore = pytest.importorskip("iotcore", reason="iotcore is not installed: pip install 'linklag[demo]'")
    port = free_port()
    conf = tmp_path / "broker.toml"
    conf.write_text(
        "id = 0\n[router]\nid = 0\nmax_connections = 10\nmax_outgoing_packet_count = 200\n"
        "max_segment_size = 8388608\nmax_segment_count = 4\n"
        f'[v5.1]\nname = "v5"\nlisten = "127.0.0.1:{port}"\nnext_connection_delay_ms = 1\n'
        "[v5.1.connections]\nconnection_timeout_ms = 5000\nmax_payload_size = 262144\n"
        "max_inflight_count = 100\ndynamic_filters = true\n"
    )
    broker = iotcore.Broker(config_path=str(conf))
    broker.start(timeout=10)
    try:
        wait_for_port(port)
        with source_at(port) as source, publisher(port) as publish:
            subscribed(source)
            publish(numbered(500))
            seen: list[Message] = []
            while len(seen) < 500:
                messages = source.receive(70, 5.0)
                assert messages
                source.acknowledge(messages)
                seen += messages
            assert [message.payload for message in seen] == numbered(500)
            assert source.status().reconnects == 0
    finally:
        broker.stop()


# Who may listen


@pytest.mark.parametrize(
    ("settings", "lacks"),
    [
        ({}, "TLS is off and there are no credentials"),
        ({"username": "worker", "password": "x"}, "TLS is off"),
        ({"tls": Tls()}, "there are no credentials"),
    ],
)
def test_a_broker_on_another_machine_needs_encryption_and_credentials(
    settings: dict[str, Any], lacks: str
) -> None:
    for host in ("broker.plant.example", "192.0.2.7"):
        with pytest.raises(ValueError, match=lacks):
            MqttSource(host, root=ROOT, client_id="worker", **settings)


def test_a_broker_on_another_machine_is_allowed_with_both_or_when_accepted() -> None:
    MqttSource("broker.plant.example", root=ROOT, client_id="worker", tls=Tls(), **WORKER)
    MqttSource("broker.plant.example", root=ROOT, client_id="worker", allow_insecure=True)
    for host in ("localhost", "127.0.0.5", "::1"):
        MqttSource(host, root=ROOT, client_id="worker")


@pytest.mark.parametrize(
    ("settings", "says"),
    [
        ({"client_id": ""}, "client_id is empty"),
        ({"receive_maximum": 0}, "give 1 to 65535"),
        ({"root": "linklag/+"}, "without \\+ and #"),
        ({"root": "/linklag"}, "is no topic"),
    ],
)
def test_settings_that_cannot_work_are_refused(settings: dict[str, Any], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        source_at(1883, **settings)


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A plant's CA, and certificates that it gave the broker for two names."""
    openssl = needs("openssl")
    folder = tmp_path_factory.mktemp("certificates")

    def run(*arguments: str) -> None:
        subprocess.run([openssl, *arguments], cwd=folder, check=True, capture_output=True)

    new_key = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
    # Python 3.13 checks certificates strictly: a CA says what its key is for, and each names its issuer's key.
    of_ca = ("-addext", "keyUsage=critical,keyCertSign,cRLSign")
    run(
        *("req", "-x509", *new_key, *of_ca, "-subj", "/CN=Plant CA"),
        *("-keyout", "ca.key", "-out", "ca.pem", "-days", "2"),
    )
    for name, alternative in (("right", "IP:127.0.0.1"), ("wrong", "DNS:broker.plant.example")):
        run("req", *new_key, "-subj", f"/CN={name}", "-keyout", f"{name}.key", "-out", f"{name}.csr")
        (folder / f"{name}.ext").write_text(
            f"subjectAltName={alternative}\nauthorityKeyIdentifier=keyid\nsubjectKeyIdentifier=hash\n"
        )
        run(
            *("x509", "-req", "-in", f"{name}.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial"),
            *("-days", "2", "-extfile", f"{name}.ext", "-out", f"{name}.pem"),
        )
    return folder


@contextmanager
def secured_mosquitto(folder: Path, certificates: Path, name: str) -> Iterator[int]:
    """A mosquitto with TLS and one user, `worker` with the password `right`."""
    subprocess.run(
        [needs("mosquitto_passwd"), "-b", "-c", str(folder / "passwords"), "worker", "right"],
        check=True,
        capture_output=True,
    )
    port = free_port()
    conf = folder / "tls.conf"
    conf.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous false\npassword_file {folder}/passwords\nuser root\n"
        f"certfile {certificates}/{name}.pem\nkeyfile {certificates}/{name}.key\n"
    )
    broker = subprocess.Popen([needs("mosquitto"), "-c", str(conf)], stderr=subprocess.DEVNULL)
    try:
        wait_for_port(port)
        yield port
    finally:
        broker.terminate()
        broker.wait(10)


def test_messages_come_through_an_encrypted_connection(tmp_path: Path, certificates: Path) -> None:
    tls = Tls(ca_file=certificates / "ca.pem")
    with (
        secured_mosquitto(tmp_path, certificates, "right") as port,
        source_at(port, tls=tls, **WORKER) as source,
    ):
        subscribed(source)
        client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        client.username_pw_set("worker", "right")
        client.tls_set(str(certificates / "ca.pem"))
        client.connect("127.0.0.1", port)
        client.loop_start()
        payloads = [b"%d" % number + b"x" * 20_000 for number in range(300)]
        for sent in [client.publish(f"{ROOT}/d1/pulses", payload, 1) for payload in payloads]:
            sent.wait_for_publish(10)
        client.disconnect()
        client.loop_stop()
        seen: list[Message] = []
        while len(seen) < 300:
            messages = source.receive(50, 5.0)
            assert messages
            source.acknowledge(messages)
            seen += messages
        assert [message.payload for message in seen] == payloads
        assert source.status().reconnects == 0


# paho does not close the socket of a failed handshake itself; it goes with the client.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize(
    ("certificate", "known", "says"),
    [("right", False, "certificate is not trusted"), ("wrong", True, "certificate is not trusted")],
    ids=["of an unknown authority", "for another name"],
)
def test_a_certificate_that_does_not_fit_is_not_accepted(
    tmp_path: Path, certificates: Path, certificate: str, says: str, *, known: bool
) -> None:
    tls = Tls(ca_file=certificates / "ca.pem") if known else Tls()
    with (
        secured_mosquitto(tmp_path, certificates, certificate) as port,
        source_at(port, tls=tls, **WORKER) as source,
    ):
        until(lambda: says in source.status().trouble)
        assert not source.status().connected


def test_a_wrong_password_is_told(tmp_path: Path, certificates: Path) -> None:
    tls = Tls(ca_file=certificates / "ca.pem")
    with (
        secured_mosquitto(tmp_path, certificates, "right") as port,
        source_at(port, tls=tls, **WORKER | {"password": "wrong"}) as source,
    ):
        until(lambda: "refuses us: Not authorized" in source.status().trouble)


# The wait between two tries


def test_the_wait_grows_to_its_cap_and_never_comes_in_step() -> None:
    source = source_at(1, reconnect_max_s=4.0)
    waits = [[source._delay_s(attempt) for _ in range(50)] for attempt in range(8)]
    for attempt, longest in enumerate([0.25, 0.5, 1, 2, 4, 4, 4, 4]):
        assert all(longest / 2 <= wait_s <= longest for wait_s in waits[attempt])
        assert len(set(waits[attempt])) > 40


def test_receive_returns_when_the_source_is_closed(mosquitto: Mosquitto) -> None:
    source = source_at(mosquitto.port)
    source.start()
    closer = threading.Timer(0.2, source.close)
    closer.start()
    began_s = time.monotonic()
    assert source.receive(10, 30.0) == []
    assert time.monotonic() - began_s < 5
    closer.join()


# Several workers, each with filters of its own


def test_filters_in_place_of_the_root_are_all_that_is_received(mosquitto: Mosquitto) -> None:
    """A list longer than one packet of subscriptions holds, as that of a partition of many drives is."""
    filters = [f"{ROOT}/d{number}/pulses" for number in range(1200)]
    with (
        source_at(mosquitto.port, filters=filters) as source,
        publisher(mosquitto.port) as publish,
    ):
        subscribed(source)
        for drive in ("other", "d0", "d1199"):
            publish([drive.encode()], topic=f"{ROOT}/{drive}/pulses")
        assert [message.payload for message in receive(source, 2)] == [b"d0", b"d1199"]
        assert source.receive(1, 0.2) == []
        assert source.status().refused == ()


def test_what_another_worker_takes_now_leaves_a_session_that_had_it(mosquitto: Mosquitto) -> None:
    """What waits is still given; what comes later goes to the other worker only."""
    mine, moved = f"{ROOT}/d1/pulses", f"{ROOT}/d2/pulses"
    with source_at(mosquitto.port, filters=[mine, moved]) as source:
        subscribed(source)
    with publisher(mosquitto.port) as publish:
        publish([b"before"], topic=moved)
        with source_at(
            mosquitto.port, filters=[mine], others_filters=[mine, moved, f"{ROOT}/d3/pulses"]
        ) as source:
            assert [message.payload for message in receive(source, 1)] == [b"before"]
            time.sleep(0.1)  # UNSUBACK follows
            publish([b"after"], topic=moved)
            publish([b"mine"], topic=mine)
            assert [message.payload for message in receive(source, 1)] == [b"mine"]
            assert source.receive(1, 0.2) == []


def test_shared_subscriptions_are_refused_with_what_to_do_instead() -> None:
    with pytest.raises(ValueError, match=r"shared subscription.*\[partition\.NAME\]"):
        source_at(1883, filters=[f"$share/linklag/{ROOT}/+/pulses"])
