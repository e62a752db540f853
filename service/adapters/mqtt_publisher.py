"""The broker as a place to send to: publish at QoS 1, one message after the other, and know that it arrived.

Knows MQTT 5 and paho; must not know what a topic or a payload means. For sending much at once, in order and every
single message of it: what the worker publishes (`mqtt`) is the newest of each topic only.
"""

import threading
import time
from types import TracebackType
from typing import Any, Self

from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from service.adapters.reaching import CONNECT_TIMEOUT_S, Tls, is_loopback, refuse_insecure, words_of

IN_FLIGHT_MAX = 100  # sent and not answered; beyond, the sender waits
PATIENCE_S = 30.0
SESSION_S = 60  # the broker forgets us soon after
RECONNECT_S_MAX = 5
_NOBODY = 0x10  # MQTT 5.0, 3.4.2.1: accepted, and nobody had subscribed to it


class PublishError(Exception):
    """The broker cannot be reached, or answers no more. The message says what to do."""


class MqttPublisher:
    """A connection to publish over. Use as a context manager; one thread may publish and wait."""

    def __init__(  # noqa: PLR0913 - a connection has so many settings
        self,
        host: str,
        port: int = 1883,
        *,
        client_id: str,
        version: str = "5",
        username: str | None = None,
        password: str | None = None,
        tls: Tls | None = None,
        allow_insecure: bool = False,
        keepalive_s: int = 30,
        patience_s: float | None = None,
    ) -> None:
        """A publisher that is not connected yet.

        Args:
            host: name or address of the broker. Off this machine it needs TLS and credentials.
            port: its TCP port.
            client_id: no other client's.
            version: of MQTT, "5" or "3.1.1"; the latter carries no content type.
            username: at the broker.
            password: at the broker.
            tls: None for a plain connection.
            allow_insecure: accept a broker off this machine without TLS or without credentials.
            keepalive_s: seconds of silence after which each side pings.
            patience_s: without any answer for so long, over reconnections, we give up; None: PATIENCE_S.

        Raises ValueError for settings that would let others read and forge pulses, OSError where a file of `tls`
        cannot be read.
        """
        if not allow_insecure and not is_loopback(host):
            refuse_insecure(host, tls, has_login=username is not None)
        self._where = f"{host}:{port}"
        self._patience_s = PATIENCE_S if patience_s is None else patience_s
        self._answer = threading.Condition()
        self._answered = threading.Event()  # whatever the first answer to CONNECT was
        self._trouble = "no answer to CONNECT"
        self.sent = self.acknowledged = 0  # acknowledged: whatever the answer was
        self.unheard = 0  # of those, accepted for nobody
        self.refused = 0  # of those, refused
        self.refusal = ""  # why, the first time
        self.connections = 0  # how often the broker has taken us in
        self._is_5 = version == "5"
        protocol = paho.MQTTv5 if self._is_5 else paho.MQTTv311
        self._client = client = paho.Client(CallbackAPIVersion.VERSION2, client_id, protocol=protocol)
        client.connect_timeout = CONNECT_TIMEOUT_S
        client.reconnect_delay_set(1, RECONNECT_S_MAX)
        client.max_inflight_messages_set(IN_FLIGHT_MAX)
        if username is not None:
            client.username_pw_set(username, password)
        if tls is not None:
            client.tls_set_context(tls.context())
        client.on_connect, client.on_disconnect = self._on_connect, self._on_disconnect
        client.on_publish = self._on_publish
        properties = Properties(PacketTypes.CONNECT) if self._is_5 else None  # type: ignore[no-untyped-call]
        if properties is not None:
            properties.SessionExpiryInterval = SESSION_S
        client.connect_async(host, port, keepalive_s, properties=properties)

    def __enter__(self) -> Self:
        """Connect. Raises PublishError where the broker cannot be reached or refuses us."""
        try:
            self._client.reconnect()
        except OSError as fault:
            raise PublishError(
                f"cannot reach {self._where}: {words_of(fault)}; start the broker, or correct broker.host and broker.port"
            ) from None
        self._client.loop_start()
        self._answered.wait(CONNECT_TIMEOUT_S)
        if self._trouble:
            self._leave()
            raise PublishError(f"{self._where}: {self._trouble}; check broker.port, user name and password")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._leave()

    def publish(self, topic: str, payload: bytes, *, content_type: str | None, retain: bool = False) -> None:
        """Send one message. Waits while many are unanswered; raises PublishError if that lasts."""
        self.wait(unanswered_max=IN_FLIGHT_MAX - 1)
        properties = None
        if content_type is not None and self._is_5:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.ContentType = content_type
        self.sent += 1
        self._client.publish(topic, payload, qos=1, retain=retain, properties=properties)

    def wait(self, *, unanswered_max: int = 0) -> None:
        """Return when the broker has answered all, or all but so many. Raises PublishError where it stops to answer."""
        with self._answer:
            before, since_s = self.acknowledged, time.monotonic()
            while self.sent - self.acknowledged > unanswered_max:
                self._answer.wait(1.0)
                if self.acknowledged != before:
                    before, since_s = self.acknowledged, time.monotonic()
                if time.monotonic() - since_s > self._patience_s:
                    raise PublishError(
                        f"{self._where} acknowledged {self.acknowledged} of {self.sent} and no more for "
                        f"{self._patience_s:g} s ({self._trouble or 'connected'}): see the broker's log, then send again; "
                        "what came twice is counted once"
                    )

    def _leave(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    # paho's callbacks, in paho's thread

    def _on_connect(
        self, _client: paho.Client, _data: object, _flags: object, reason: ReasonCode, _properties: Any
    ) -> None:
        self._trouble = f"the broker refuses us: {reason}" if reason.is_failure else ""
        self.connections += not reason.is_failure
        self._answered.set()

    def _on_disconnect(
        self, _client: paho.Client, _data: object, _flags: object, reason: ReasonCode, _properties: Any
    ) -> None:
        self._trouble = self._trouble or f"connection lost: {reason}"

    def _on_publish(
        self, _client: paho.Client, _data: object, _packet_id: int, reason: ReasonCode, _properties: Any
    ) -> None:
        with self._answer:
            self.acknowledged += 1
            self.unheard += reason.value == _NOBODY
            if reason.is_failure:
                self.refused += 1
                self.refusal = self.refusal or str(reason)
            self._answer.notify()
