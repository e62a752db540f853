"""A broker to publish to, beside a source that is none: the newest payload of each topic, retained.

Knows MQTT (5, or 3.1.1 for brokers that have no 5) and paho; must not know what a topic or a payload means. A topic with a
payload on its way gets its next one only when that has arrived, so that an older one never comes after a newer.

Rule for the next editor: paho calls us back while it holds a lock of its own, which its `publish` takes too. So nothing here
holds our lock while it calls paho; one thread of ours does the sending.
"""

import threading
import time
from typing import Any

import structlog
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.reasoncodes import ReasonCode

from service.adapters.reaching import CONNECT_TIMEOUT_S, Tls, is_loopback, refuse_insecure
from service.adapters.trays import OUT_IN_FLIGHT_MAX, OUT_TOPICS_MAX, Publication

RECONNECT_S_MAX = 30
GOODBYE_S = 1.0
LOOK_S = 0.5  # at least so often we look whether there is a connection

log = structlog.get_logger(__name__)


class MqttOutlet:
    """Publishes when connected, and keeps the newest of each topic until then."""

    def __init__(  # noqa: PLR0913 - a connection has so many settings
        self,
        host: str,
        port: int,
        *,
        client_id: str,
        version: str = "5",
        username: str | None = None,
        password: str | None = None,
        tls: Tls | None = None,
        allow_insecure: bool = False,
        keepalive_s: int = 30,
    ) -> None:
        """An outlet that is not connected yet.

        Args:
            host: name or address of the broker. Off this machine it needs TLS and credentials.
            port: its TCP port for MQTT.
            client_id: no other client's.
            version: of MQTT, "5" or "3.1.1".
            username: at the broker.
            password: at the broker.
            tls: None for a plain connection.
            allow_insecure: accept a broker off this machine without TLS or without credentials.
            keepalive_s: seconds of silence after which each side pings.

        Raises ValueError for settings that would let others read and forge, OSError for files of `tls`.
        """
        if not allow_insecure and not is_loopback(host):
            refuse_insecure(host, tls, has_login=username is not None)
        protocol = paho.MQTTv5 if version == "5" else paho.MQTTv311
        self._client = client = paho.Client(CallbackAPIVersion.VERSION2, client_id, protocol=protocol)
        client.connect_timeout = CONNECT_TIMEOUT_S
        client.reconnect_delay_set(1, RECONNECT_S_MAX)
        client.max_inflight_messages_set(OUT_IN_FLIGHT_MAX)
        if username is not None:
            client.username_pw_set(username, password)
        if tls is not None:
            client.tls_set_context(tls.context())
        client.on_connect, client.on_disconnect = self._on_connect, self._on_disconnect
        client.on_connect_fail, client.on_publish = self._on_connect_fail, self._on_publish
        self._where = f"{host}:{port}"
        self._address = (host, port, keepalive_s)
        self._waiting: dict[str, Publication] = {}
        self._busy: set[str] = set()  # topics with a payload on its way
        self._on_their_way: dict[int, str] = {}  # by packet id, the topic
        self._early: set[int] = set()  # packet ids that were answered before we knew them
        self._changed = threading.Condition()
        self._closing = False
        self._thread = threading.Thread(target=self._keep_sending, name="outlet", daemon=True)
        self._refused = False
        self.trouble = ""

    def open(self) -> None:
        """Begin to connect, and keep at it until `close`. Returns at once."""
        self._client.connect_async(*self._address)
        self._client.loop_start()
        self._thread.start()

    def close(self) -> None:
        """Send what is at hand, for a moment, and leave."""
        with self._changed:
            if self._client.is_connected():
                self._changed.wait_for(lambda: not self._waiting and not self._busy, GOODBYE_S)
            self._closing = True
            self._changed.notify_all()
        if self._thread.ident is not None:
            self._thread.join(GOODBYE_S)
        self._client.disconnect()
        self._client.loop_stop()

    def publish(self, topic: str, payload: bytes, *, retain: bool = True, qos: int = 1) -> None:
        """Publish when connected. Of several payloads for one topic that wait, only the newest is sent."""
        if qos not in {0, 1}:
            raise ValueError(f"qos is {qos}: give 0 or 1")
        with self._changed:
            self._waiting[topic] = Publication(payload, retain, qos)
            if len(self._waiting) > OUT_TOPICS_MAX:
                del self._waiting[next(iter(self._waiting))]
            self._changed.notify_all()

    def emptied(self, within_s: float) -> bool:
        """Return whether the broker has everything within so long; at once when it has, or refuses us."""
        end_s = time.monotonic() + within_s
        with self._changed:
            while self._waiting or self._busy:
                left_s = end_s - time.monotonic()
                if left_s <= 0 or self.trouble:
                    return False
                self._changed.wait(min(left_s, LOOK_S))
        return True

    def _keep_sending(self) -> None:
        """Body of the thread."""
        while (following := self._following()) is not None:
            topic, out = following
            sent = self._client.publish(topic, out.payload, out.qos, out.retain)
            # Of a connection that is lost just now paho keeps what has a packet id, and sends it over the next one.
            kept = sent.rc == MQTTErrorCode.MQTT_ERR_NO_CONN and out.qos > 0
            with self._changed:
                if sent.rc != MQTTErrorCode.MQTT_ERR_SUCCESS and not kept:
                    self._waiting.setdefault(topic, out)
                    self._busy.discard(topic)
                elif sent.mid in self._early:
                    self._early.discard(sent.mid)
                    self._busy.discard(topic)
                else:
                    self._on_their_way[sent.mid] = topic
                self._changed.notify_all()

    def _following(self) -> tuple[str, Publication] | None:
        """Wait for a payload whose topic has none on its way; None when we leave."""
        with self._changed:
            while not self._closing:
                if self._client.is_connected() and len(self._on_their_way) < OUT_IN_FLIGHT_MAX:
                    topic = next((topic for topic in self._waiting if topic not in self._busy), None)
                    if topic is not None:
                        self._busy.add(topic)
                        return topic, self._waiting.pop(topic)
                self._changed.wait(LOOK_S)
            return None

    # paho's callbacks, in paho's thread

    def _on_connect(
        self, _client: paho.Client, _data: object, _flags: object, reason: ReasonCode, _properties: Any
    ) -> None:
        self._refused = reason.is_failure
        if reason.is_failure:
            self._trouble_with(
                f"{self._where} refuses what is published: {reason}; check user name and password"
            )
            return
        self.trouble = ""
        with self._changed:
            self._changed.notify_all()

    def _on_connect_fail(self, _client: paho.Client, _data: object) -> None:
        self._trouble_with(f"{self._where} cannot be reached to publish by MQTT")

    def _on_disconnect(
        self, _client: paho.Client, _data: object, _flags: object, reason: ReasonCode, _properties: Any
    ) -> None:
        if reason.value and not self._refused:  # after a refusal there is nothing new to say
            self._trouble_with(
                f"{self._where} broke off what is published: {reason}. It does so where this user may not write the topics "
                "of linklag, or another client has our id"
            )

    def _on_publish(
        self, _client: paho.Client, _data: object, packet_id: int, reason: ReasonCode, _properties: Any
    ) -> None:
        with self._changed:
            topic = self._on_their_way.pop(packet_id, None)
            if topic is None:
                self._early.add(packet_id)
            else:
                self._busy.discard(topic)
            self._changed.notify_all()
        if reason.is_failure:
            self._trouble_with(
                f"{self._where} refuses what is published to {topic or 'a topic'}, grant it: {reason}"
            )

    def _trouble_with(self, trouble: str) -> None:
        if trouble != self.trouble:
            log.warning("outlet_trouble", trouble=trouble)
        self.trouble = trouble
