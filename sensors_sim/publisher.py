"""Sends what devices say to a broker, over MQTT 5 at QoS 1, one client a device, in real time or as fast as it goes.

Knows paho-mqtt and the wall clock. Must not know chains or pulses.
"""

import heapq
import itertools
import os
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from paho.mqtt.client import Client, ConnectFlags
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from sensors_sim.device import Connection, Device, Message

_CONNECT_S = 10.0  # for the first connection; later ones are tried for ever
_GRACE_S = 5.0  # for the last acknowledgements before it gives up
_IN_FLIGHT = 100  # messages of one client without acknowledgement
_KEEPALIVE_S = 30
_SESSION_S = 60  # the broker forgets a simulated device soon after


class BrokerError(Exception):
    """The broker cannot be used. The message says what to do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Broker:
    """Where to publish. `ca_file`: certificates to trust; given, the connection is TLS."""

    host: str = "127.0.0.1"
    port: int = 1883
    username: str | None = None
    password: str | None = None
    ca_file: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """What came of a run."""

    sent: int
    acknowledged: int
    took_s: float


class Link:
    """One device's connection: birth and last will, batches, and a clean good-bye."""

    def __init__(self, device: Device, broker: Broker) -> None:
        self.device = device
        self.acknowledged = 0
        self._published = 0  # by the thread that paces
        self._births = 0  # by the network's thread
        self._broker = broker
        self._answered = threading.Event()
        self._refusal = "no answer"
        self._client = self._make_client()

    @property
    def sent(self) -> int:
        """Messages handed to the client so far, births included."""
        return self._published + self._births

    def connect(self) -> None:
        """Connect for the first time. Raises BrokerError where the broker cannot be reached or refuses."""
        where = f"{self._broker.host}:{self._broker.port}"
        try:
            self._client.reconnect()
        except OSError as error:  # refused, unknown host, and every fault of TLS
            raise BrokerError(
                f"no broker at {where} ({error}): start one, or give --host, --port and --tls-ca"
            ) from error
        self._client.loop_start()
        self._answered.wait(_CONNECT_S)
        if self._refusal:
            self._client.disconnect()
            self._client.loop_stop()
            raise BrokerError(f"the broker at {where} did not accept {self.device.drive_id}: {self._refusal}")

    def send(self, message: Message) -> None:
        """Publish, or queue until the connection is back."""
        self._published += 1
        self._publish(message)

    def lose(self) -> None:
        """Go without good-bye once the broker has what was sent: it publishes the last will."""
        self._wait(until=time.monotonic() + 1.0)
        reason = ReasonCode(PacketTypes.DISCONNECT, "Disconnect with will message")
        self._client.disconnect(reasoncode=reason)
        self._client.loop_stop()

    def regain(self) -> None:
        """Come back as a device that was off, with a new client; tried in the background until it works."""
        self._client = self._make_client()
        self._client.loop_start()

    def close(self, *, until: float) -> None:
        """Publish that the device is off, wait for acknowledgements until that (monotonic) time, and disconnect."""
        self.send(self.device.status(online=False))
        self._wait(until=until)
        self._client.disconnect()
        self._client.loop_stop()

    def _make_client(self) -> Client:
        """Return a client that knows where to connect, and its last will."""
        client_id = f"linklag-sim-{self.device.drive_id}-{os.getpid()}"
        client = Client(CallbackAPIVersion.VERSION2, client_id=client_id, protocol=MQTTProtocolVersion.MQTTv5)
        if self._broker.username is not None:
            client.username_pw_set(self._broker.username, self._broker.password)
        if self._broker.ca_file is not None:
            client.tls_set(ca_certs=str(self._broker.ca_file))
        client.max_inflight_messages_set(_IN_FLIGHT)
        client.reconnect_delay_set(1, 30)
        will = self.device.status(online=False)
        client.will_set(will.topic, will.payload, qos=1, retain=True)
        client.on_connect = self._on_connect
        client.on_publish = self._on_publish
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = _SESSION_S
        client.connect_async(self._broker.host, self._broker.port, _KEEPALIVE_S, properties=properties)
        return client

    def _publish(self, message: Message) -> None:
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        properties.ContentType = message.content_type
        self._client.publish(
            message.topic, message.payload, qos=1, retain=message.retain, properties=properties
        )

    def _wait(self, *, until: float) -> None:
        while self.acknowledged < self.sent and time.monotonic() < until:
            time.sleep(0.005)

    def _on_connect(
        self,
        _client: Client,
        _data: object,
        _flags: ConnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        self._refusal = str(reason) if reason.is_failure else ""
        if not reason.is_failure:
            self._births += 1
            self._publish(self.device.status(online=True))
        self._answered.set()

    def _on_publish(
        self,
        _client: Client,
        _data: object,
        _mid: int,
        _reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        self.acknowledged += 1


def publish_live(
    devices: Sequence[Device], broker: Broker, *, seconds: float, stop: threading.Event
) -> Tally:
    """Publish in real time for so many seconds (0: until `stop` is set) and return what came of it.

    Raises BrokerError where a device cannot connect at the start. Later losses of the broker are waited out.
    """
    links = _connected(devices, broker)
    begin = time.monotonic()
    try:
        for event, link in heapq.merge(*(_tagged(link) for link in links), key=lambda pair: pair[0].due_s):
            due_s = min(event.due_s, seconds) if seconds else event.due_s
            if stop.wait(max(0.0, begin + due_s - time.monotonic())) or due_s < event.due_s:
                break
            if isinstance(event, Message):
                link.send(event)
            elif event.up:
                link.regain()
            else:
                link.lose()
    finally:
        tally = _close(links, begin)
    return tally


def publish_burst(devices: Sequence[Device], broker: Broker, *, batches: int, stop: threading.Event) -> Tally:
    """Publish so many batches of each device as fast as the broker acknowledges; return what came of it.

    The batches are made beforehand, so that their making takes no part in the time.
    """
    made = [
        [device.write(window) for window in itertools.islice(device.windows(), batches)] for device in devices
    ]
    links = _connected(devices, broker)
    begin = time.monotonic()
    try:
        for turn in itertools.zip_longest(*made):
            for link, message in zip(links, turn, strict=True):
                while link.sent - link.acknowledged >= 10 * _IN_FLIGHT and not stop.is_set():
                    time.sleep(0.001)
                if message is not None:
                    link.send(message)
            if stop.is_set():
                break
    finally:
        tally = _close(links, begin)
    return tally


def _tagged(link: Link) -> Iterator[tuple[Message | Connection, Link]]:
    for event in link.device.messages():
        yield event, link


def _connected(devices: Sequence[Device], broker: Broker) -> list[Link]:
    """Return a link for each device, connected; none stays open where one fails."""
    links: list[Link] = []
    try:
        for device in devices:
            link = Link(device, broker)
            link.connect()
            links.append(link)
    except BrokerError:
        _close(links, time.monotonic())
        raise
    return links


def _close(links: Sequence[Link], begin: float) -> Tally:
    """Say good-bye for all; return what was sent and what the broker acknowledged, and since when."""
    until = time.monotonic() + _GRACE_S
    for link in links:
        link.close(until=until)
    return Tally(
        sent=sum(link.sent for link in links),
        acknowledged=sum(link.acknowledged for link in links),
        took_s=time.monotonic() - begin,
    )
