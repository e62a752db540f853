"""The broker as a source of messages: receive, acknowledge, release, publish.

Knows MQTT 5 and paho; must not know what a topic or a payload means. Rules for the next editor:

- One thread of ours owns everything of paho; other threads only reach the in-tray, the out-tray and two numbers.
  Nothing there waits for the store, so a slow store never costs the connection its keepalive.
- One paho client for each connection. What paho carries over a reconnect (messages half sent, packet ids)
  is what goes wrong then; the session that matters is the broker's.
- A message has an arrival number that never comes twice. Packet ids do, so an acknowledgement is "all up to
  arrival k", applied to the packet ids of the connection that now stands: one that comes too late finds nothing.
- Messages received stay in the in-tray over a reconnect. The broker sends them again if it still has them;
  if it lost its session, ours is the only copy. The store counts what came twice once.
"""

import contextlib
import random
import selectors
import socket
import ssl
import struct
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from types import TracebackType
from typing import Any, Self

import structlog
from paho.mqtt import MQTTException
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from service.adapters.reaching import (
    CONNECT_TIMEOUT_S,
    RECONNECT_MIN_S,
    STABLE_S,
    Tls,
    is_loopback,
    refuse_insecure,
    words_of,
)
from service.adapters.trays import OUT_IN_FLIGHT_MAX, InTray, OutTray, Publication
from service.core.wire import subscriptions
from service.ingest import Message, SourceStatus

READ_BYTES = 256 * 1024  # from the socket at once
PACKET_BYTES_MAX = 8 * 1024 * 1024  # more the broker keeps from us; over 1 MiB is refused with its reason
SEND_TIMEOUT_S = 5.0  # a broker that takes no acknowledgement for so long is gone
GOODBYE_S = 1.0  # for what is at hand when we leave
RESUBSCRIBE_S = 30.0  # a refused subscription is asked for again: rights may have been mended
FILTERS_AT_ONCE = 500  # in one packet, some 30 kB
REFUSED_TOLD = 6  # refused subscriptions that a message names
SHORT_SUSPECT = 3  # so many connections in a row that break off at once are no accident

_PUBLISH = 3  # MQTT 5.0, 2.1.2
_PUBACK = struct.Struct("!BBH")  # MQTT 5.0, 3.4.2.1: without a reason code it means success
_DISCONNECT = b"\xe0\x00"  # MQTT 5.0, 3.14: normal, the session stays
_DISCONNECT_FOR_GOOD = b"\xe0\x07\x00\x05\x11\x00\x00\x00\x00"  # 3.14.2.2.2: session expiry 0, it ends
_TAKEN_OVER = 0x8E  # MQTT 5.0, 3.14.2.1: another client came with our id
_OWN_ID = "Give each worker a client id of its own"
NOT_SHARED = (
    "$share/... is a shared subscription. Brokers hand its messages to members that are away or slow, keep them pinned there or drop "
    "them, and mix up the order of a drive's batches: give each worker topics of its own ([partition.NAME])"
)

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Settings:
    host: str
    port: int
    filters: tuple[str, ...]
    others_filters: tuple[str, ...]
    client_id: str
    username: str | None
    password: str | None
    context: ssl.SSLContext | None
    session_expiry_s: int
    receive_maximum: int
    keepalive_s: int
    reconnect_max_s: float


class MqttSource:
    """Messages of the devices under `<root>/<drive>/`, from an MQTT 5 broker, at QoS 1 and acknowledged by us.

    Use as a context manager, or `start` and `close`. One thread may receive, acknowledge and release;
    `publish` and `status` are free to all.
    """

    def __init__(  # noqa: PLR0913 - a connection has so many settings
        self,
        host: str,
        port: int = 1883,
        *,
        root: str,
        client_id: str,
        filters: Sequence[str] | None = None,
        more_filters: Sequence[str] = (),
        others_filters: Sequence[str] = (),
        username: str | None = None,
        password: str | None = None,
        tls: Tls | None = None,
        allow_insecure: bool = False,
        session_expiry_s: int = 30 * 86400,
        receive_maximum: int = 500,
        keepalive_s: int = 30,
        reconnect_max_s: float = 30.0,
    ) -> None:
        """A source that is not connected yet.

        Args:
            host: name or address of the broker. Off this machine it needs TLS and credentials.
            port: its TCP port.
            root: topic levels above the drive, e.g. "linklag/v1".
            client_id: stable, and no other client's; under it the broker keeps what comes while we are away.
            filters: topic filters to subscribe to in place of those of the root.
            more_filters: topic filters to subscribe to beside them.
            others_filters: topic filters of other workers, ended where our session still has them from earlier.
            username: at the broker.
            password: at the broker.
            tls: None for a plain connection.
            allow_insecure: accept a broker off this machine without TLS or without credentials.
            session_expiry_s: for so long the broker keeps messages for us.
            receive_maximum: messages that the broker may send ahead of our acknowledgement, 1 to 65535.
            keepalive_s: seconds of silence after which each side pings.
            reconnect_max_s: longest wait between two tries to connect.

        Raises ValueError for settings that cannot work or would let others read and forge pulses.
        """
        if not client_id:
            raise ValueError("client_id is empty: under a name of its own the broker keeps messages for us")
        if not 1 <= receive_maximum <= 65535:
            raise ValueError(f"receive_maximum is {receive_maximum}: give 1 to 65535")
        if not root or root.startswith("/") or root.endswith("/") or any(c in root for c in "+#\0"):
            raise ValueError(f"root {root!r} is no topic: give levels like linklag/v1, without + and #")
        wanted = (*(subscriptions(root) if filters is None else filters), *more_filters)
        if any(each.startswith("$share/") for each in wanted):
            raise ValueError(NOT_SHARED)
        if not allow_insecure and not is_loopback(host):
            refuse_insecure(host, tls, has_login=username is not None)
        self._settings = _Settings(
            host=host,
            port=port,
            filters=wanted,
            others_filters=tuple(each for each in others_filters if each not in wanted),
            client_id=client_id,
            username=username,
            password=password,
            context=tls.context() if tls is not None else None,
            session_expiry_s=session_expiry_s,
            receive_maximum=receive_maximum,
            keepalive_s=keepalive_s,
            reconnect_max_s=reconnect_max_s,
        )
        self._wake = _Wake()
        self._in_tray = InTray(4 * receive_maximum)
        self._out_tray = OutTray()
        self._standing = _Standing()
        self._closing = threading.Event()
        self._for_good = threading.Event()
        self._thread = threading.Thread(target=self._keep_connected, name="mqtt", daemon=True)

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def start(self) -> None:
        """Begin to connect, and keep at it until `close`. Returns at once, whether the broker is there or not."""
        self._wake.open()
        self._thread.start()

    def close(self, timeout_s: float = 5.0) -> None:
        """Send the acknowledgements and publications at hand and leave. The broker keeps our session.

        Messages received and not acknowledged come again at the next start.
        """
        self._closing.set()
        self._in_tray.close()
        self._wake.ring()
        if self._thread.ident is not None:
            self._thread.join(timeout_s)
        if not self._thread.is_alive():
            self._wake.close()

    def end_session(self) -> None:
        """Have `close` end our session too: the broker keeps nothing for us any more, and forgets what it still had."""
        self._for_good.set()

    def receive(self, messages_max: int, timeout_s: float) -> list[Message]:
        """Return the next messages in the order of arrival; none if none came within `timeout_s`.

        Returns as soon as there are `messages_max`, or when no more come for a moment (the broker's window
        may be smaller than `messages_max`), or after `timeout_s` with what there is.
        """
        messages = self._in_tray.take(messages_max, timeout_s)
        if messages and self._in_tray.has_room_again():
            self._wake.ring()
        return messages

    def acknowledge(self, messages: Sequence[Message]) -> None:
        """Tell the broker that these are safe. They must be the oldest not acknowledged, in the order of arrival.

        What came over an earlier connection is passed over: the broker sends it again. Raises ValueError
        where the order is broken, having acknowledged nothing.
        """
        if messages:
            self._in_tray.acknowledge(messages)
            self._wake.ring()

    def release(self, messages: Sequence[Message]) -> None:
        """Put back what was received last and cannot be used now; the next `receive` gives it again.

        Raises ValueError where these are not the ones received last.
        """
        self._in_tray.give_back(messages)

    def publish(self, topic: str, payload: bytes, *, retain: bool = True, qos: int = 1) -> None:
        """Publish when connected. Of several payloads for one topic that wait, only the newest is sent."""
        if qos not in {0, 1}:
            raise ValueError(f"qos is {qos}: give 0 or 1")
        self._out_tray.put(topic, Publication(payload, retain, qos))
        self._wake.ring()

    def status(self) -> SourceStatus:
        """How the connection stands now."""
        return self._standing.status(self._in_tray)

    def _keep_connected(self) -> None:
        """Body of the thread: one connection after the other, until `close`."""
        attempt = 0
        while not self._closing.is_set():
            began_s = time.monotonic()
            try:
                self._wait_for_room()
                began_s = time.monotonic()
                self._one_connection()
            except OSError as fault:
                self._standing.trouble_with(f"cannot reach {self._where}: {words_of(fault)}")
            except Exception as fault:
                # Ours or paho's bug. The thread must outlive it: without it nothing more would ever be received.
                log.exception("mqtt_fault", broker=self._where)
                self._standing.trouble_with(f"fault in the MQTT client: {fault!r}")
            if self._standing.ended(stood_s=time.monotonic() - began_s):
                attempt = 0
            self._closing.wait(self._delay_s(attempt))
            attempt += 1

    def _one_connection(self) -> None:
        link = _Link(self._settings, self._in_tray, self._out_tray, self._standing)
        try:
            link.open()
            link.serve(self._closing, self._wake, self._for_good)
        finally:
            link.close()

    def _wait_for_room(self) -> None:
        """With a full in-tray nothing could be read, not even the answer to our CONNECT."""
        while self._in_tray.is_full() and not self._closing.is_set():
            self._wake.wait(0.5)

    def _delay_s(self, attempt: int) -> float:
        """Doubled from one try to the next up to a cap, less up to a half so that many clients spread out."""
        capped = min(self._settings.reconnect_max_s, RECONNECT_MIN_S * 2.0 ** min(attempt, 16))
        if self._standing.taken_over:
            capped = self._settings.reconnect_max_s
        return capped * random.uniform(0.5, 1.0)  # noqa: S311 - spreads load, hides nothing

    @property
    def _where(self) -> str:
        return f"{self._settings.host}:{self._settings.port}"


class _Standing:
    """How the connection stands, for people. Written by the MQTT thread, read by any."""

    def __init__(self) -> None:
        self.connected = False
        self.since_ns = time.time_ns()
        self.last_message_ns: int | None = None
        self.connections = 0
        self.messages = 0
        self.refused: tuple[str, ...] = ()
        self.taken_over = False
        self._short = 0  # connections in a row that broke off after a moment
        self._trouble = "not connected yet"

    def connected_now(self, connected: bool) -> None:  # noqa: FBT001 - it is the state itself
        if connected != self.connected:
            self.connected = connected
            self.since_ns = time.time_ns()
        if connected:
            self.connections += 1
            self.taken_over = False
            self._trouble = ""

    def ended(self, *, stood_s: float) -> bool:
        """Note the end of a connection or of a try, and return whether it had stood for long enough."""
        stable = stood_s > STABLE_S
        self._short = 0 if stable else self._short + 1 if self.connections else 0
        return stable

    def granted(self, refused: tuple[str, ...]) -> None:
        """Note what the broker said to our subscriptions."""
        if refused:
            more = f" and {len(refused) - REFUSED_TOLD} more" if len(refused) > REFUSED_TOLD else ""
            told = "; ".join(refused[:REFUSED_TOLD])
            self.trouble_with(f"the broker refuses subscriptions, grant them: {told}{more}")
        elif self.refused:
            self._trouble = ""
        self.refused = refused

    def trouble_with(self, trouble: str) -> None:
        """Note it, and log it when it is another than before: a broker that stays away is one line."""
        if trouble != self._trouble:
            log.warning("mqtt_trouble", trouble=trouble)
        self._trouble = trouble

    def status(self, in_tray: InTray) -> SourceStatus:
        return SourceStatus(
            connected=self.connected,
            since_ns=self.since_ns,
            last_message_ns=self.last_message_ns,
            messages=self.messages,
            reconnects=max(self.connections - 1, 0),
            waiting=len(in_tray),
            in_flight=in_tray.unacknowledged,
            holding_back=in_tray.holding_back,
            refused=self.refused,
            trouble=self._trouble or self._suspicion,
        )

    @property
    def _suspicion(self) -> str:
        """Some brokers do not say that another client came with our id; the connection just breaks off."""
        young = time.time_ns() - self.since_ns < STABLE_S * 1e9
        if self._short < SHORT_SUSPECT or not young:
            return ""
        return f"connections keep breaking off: is another client using our id? {_OWN_ID}"


class _Wake:
    """A bell for the MQTT thread: a socket pair, so that it can be waited for together with the connection."""

    def __init__(self) -> None:
        self.hears = self._rings = socket.socket()
        self.close()

    def open(self) -> None:
        self.hears, self._rings = socket.socketpair()
        self.hears.setblocking(False)
        self._rings.setblocking(False)

    def ring(self) -> None:
        with contextlib.suppress(OSError):  # full: it rings already; closed: nobody listens
            self._rings.send(b"\0")

    def hush(self) -> None:
        with contextlib.suppress(OSError):
            self.hears.recv(4096)

    def wait(self, timeout_s: float) -> None:
        with selectors.DefaultSelector() as selector:
            selector.register(self.hears, selectors.EVENT_READ)
            if selector.select(timeout_s):
                self.hush()

    def close(self) -> None:
        self.hears.close()
        self._rings.close()


class _Client(paho.Client):
    """paho's client with a short way for what nearly all packets are: PUBLISH at QoS 0 or 1.

    paho reads a packet by four system calls, makes a dozen objects of it and asks every callback; that takes longer
    than converting its batch. Here the socket is read in large pieces, and such packets are taken out of them. All
    others, and whatever looks odd, go paho's own way. Of paho's inside only `_sock_recv` is touched: by it paho
    gets its bytes from us in place of the socket.
    """

    def __init__(self, client_id: str, take: Callable[[str, bytes, str | None, int], None]) -> None:
        super().__init__(CallbackAPIVersion.VERSION2, client_id, protocol=paho.MQTTv5, manual_ack=True)
        self._take = take
        self._came = bytearray()  # from the socket, and not looked at yet
        self._for_paho = bytearray()
        self._ended = False  # the broker closed the connection

    @property
    def has_more(self) -> bool:
        """Whether something came that was not looked at for want of room, though the socket may be empty."""
        return _packet_at(self._came, 0) is not None

    def loop_read(self, max_packets: int = 1) -> MQTTErrorCode:
        """Read what is there and take up to so many packets. As in paho, what is not success ends the connection."""
        self._receive()
        at, rc = 0, MQTTErrorCode.MQTT_ERR_SUCCESS
        with memoryview(self._came) as came:
            while (
                max_packets > 0 and rc == MQTTErrorCode.MQTT_ERR_SUCCESS and (found := _packet_at(came, at))
            ):
                begins, ends = found
                if not self._take_publish(came[at], came[begins:ends]):
                    self._for_paho += came[at:ends]
                    rc = super().loop_read()
                at = ends
                max_packets -= 1
        del self._came[:at]
        return super().loop_read() if self._ended and not self.has_more else rc

    def _receive(self) -> None:
        connection: Any = self.socket()
        if connection is None:
            return
        try:
            piece = connection.recv(READ_BYTES)
        except (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError):
            return
        except OSError:
            piece = b""
        self._came += piece
        self._ended = not piece

    def _sock_recv(self, bufsize: int) -> bytes:
        """What paho gets for bytes: those of packets that are its own business; b"" is the end."""
        if not self._for_paho and not self._ended:
            raise BlockingIOError
        piece = bytes(self._for_paho[:bufsize])
        del self._for_paho[:bufsize]
        return piece

    def _take_publish(self, head: int, body: memoryview) -> bool:
        """Take a PUBLISH (MQTT 5.0, 3.3): length and text of the topic, packet id at QoS 1, properties, payload."""
        qos = head >> 1 & 3
        if head >> 4 != _PUBLISH or qos > 1 or len(body) < 3:
            return False
        id_at = 2 + (body[0] << 8 | body[1])
        properties_at = id_at + 2 if qos else id_at
        if properties_at >= len(body) or body[properties_at] > 127:
            return False
        payload_at = properties_at + 1 + body[properties_at]
        try:
            content_type = _content_type(bytes(body[properties_at:payload_at]))
        except MQTTException:
            return False
        packet_id = int.from_bytes(body[id_at:properties_at], "big")
        self._take(_topic_text(bytes(body[2:id_at])), bytes(body[payload_at:]), content_type, packet_id)
        return True


def _packet_at(came: bytearray | memoryview, at: int) -> tuple[int, int] | None:
    """Where the body of the packet at `at` begins and ends; None while it is not all there (MQTT 5.0, 2.1.4).

    Raises ConnectionError for a length that is none, or that we said we would not take.
    """
    length = shift = 0
    for begins in range(at + 1, min(at + 5, len(came))):
        byte = came[begins]
        length |= (byte & 127) << shift
        if byte < 128:
            if length > PACKET_BYTES_MAX:
                raise ConnectionError(f"the broker sent a packet of {length} bytes, over {PACKET_BYTES_MAX}")
            ends = begins + 1 + length
            return (begins + 1, ends) if ends <= len(came) else None
        shift += 7
    if len(came) >= at + 5:
        raise ConnectionError("the broker sent what is no MQTT")
    return None


def _topic_text(topic: bytes) -> str:
    """The topic; none where it is not UTF-8: no broker should let it through, and ingest keeps it as a wrong topic."""
    try:
        return topic.decode()
    except UnicodeDecodeError:
        return ""


@lru_cache(maxsize=1024)
def _content_type(properties: bytes) -> str | None:
    """The content type among the properties of a PUBLISH, their length first. Devices send the same ones always."""
    unpacked = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    unpacked.unpack(properties)  # type: ignore[no-untyped-call]
    found: str | None = getattr(unpacked, "ContentType", None)
    return found


class _Link:
    """One connection, from CONNECT to its loss. Everything here runs in the MQTT thread."""

    def __init__(self, settings: _Settings, in_tray: InTray, out_tray: OutTray, standing: _Standing) -> None:
        self._settings = settings
        self._in_tray = in_tray
        self._out_tray = out_tray
        self._standing = standing
        self._unacked: deque[tuple[int, int]] = deque()  # (arrival, packet id) in the order of arrival
        self._in_flight: dict[int, tuple[str, Publication]] = {}
        self._asked: dict[int, list[str]] = {}  # packet id of a SUBSCRIBE → its filters
        self._refusals: list[str] = []  # of the filters asked for last
        self._ask_again_s: float | None = None
        self._accepted = self._refused = False
        self._client = self._new_client()

    def _new_client(self) -> _Client:
        settings = self._settings
        client = _Client(settings.client_id, self._take)
        client.connect_timeout = CONNECT_TIMEOUT_S
        if settings.username is not None:
            client.username_pw_set(settings.username, settings.password)
        if settings.context is not None:
            client.tls_set_context(settings.context)
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        client.on_publish = self._on_publish
        client.on_disconnect = self._on_disconnect
        return client

    def open(self) -> None:
        """Connect to the socket and send CONNECT. Raises OSError."""
        settings = self._settings
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = settings.session_expiry_s
        properties.ReceiveMaximum = settings.receive_maximum
        properties.MaximumPacketSize = PACKET_BYTES_MAX
        # clean_start must be False: paho's default drops the session, and all that waits in it, at every start.
        self._client.connect(
            settings.host, settings.port, settings.keepalive_s, clean_start=False, properties=properties
        )
        connection: Any = self._client.socket()
        if connection is not None:
            # Nagle's algorithm would hold small acknowledgements back.
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def serve(self, closing: threading.Event, wake: _Wake, for_good: threading.Event) -> None:
        """Read, acknowledge and publish until the connection is lost or `closing` is set. Raises OSError."""
        connection: Any = self._client.socket()
        give_up_s = time.monotonic() + CONNECT_TIMEOUT_S
        with selectors.DefaultSelector() as selector:
            selector.register(wake.hears, selectors.EVENT_READ)
            while self._client.socket() is connection is not None:
                ready = self._wait(selector, connection)
                if wake.hears in ready:
                    wake.hush()
                if connection in ready:
                    self._read()
                if closing.is_set():
                    self._say_goodbye(_DISCONNECT_FOR_GOOD if for_good.is_set() else _DISCONNECT)
                    return
                if not self._accepted and time.monotonic() > give_up_s:
                    raise TimeoutError(f"no answer to CONNECT within {CONNECT_TIMEOUT_S:g} s")
                self._write()
        if not self._accepted and not self._refused:
            raise ConnectionError(
                "it closed the connection instead of answering: is this its MQTT 5 port, and the password right?"
            )

    def _wait(self, selector: selectors.BaseSelector, connection: Any) -> set[Any]:
        """The sockets with something to read; the connection only while the in-tray has room."""
        reading = not self._in_tray.is_full()
        events = (selectors.EVENT_READ if reading else 0) | (
            selectors.EVENT_WRITE if self._client.want_write() else 0
        )
        key = selector.get_map().get(connection)
        if key is None and events:
            selector.register(connection, events)
        elif key is not None and not events:
            selector.unregister(connection)
        elif key is not None and key.events != events:
            selector.modify(connection, events)
        decrypted = self._settings.context is not None and connection.pending() > 0
        at_hand = reading and (decrypted or self._client.has_more)
        found = selector.select(0 if at_hand else 0.25)
        ready = {key.fileobj for key, mask in found if mask & selectors.EVENT_READ}
        return ready | {connection} if at_hand else ready

    def _read(self) -> None:
        """Read what is there, as far as there is room."""
        already = self._standing.messages
        self._client.loop_read(self._in_tray.room)
        if self._standing.messages != already:
            self._standing.last_message_ns = time.time_ns()
            self._in_tray.tell()

    def _write(self) -> None:
        if self._client.want_write():
            self._client.loop_write()
        if self._accepted and not self._client.want_write():
            self._acknowledge()
            self._publish()
        self._subscribe_again()
        self._client.loop_misc()

    def _acknowledge(self) -> None:
        """Send PUBACK for all that became safe, in the order of receipt (MQTT 5.0, 4.6), as one write.

        paho would queue and send each by a system call of its own, a fifth of all it does for a message.
        """
        packets = bytearray()
        while self._unacked and self._unacked[0][0] <= self._in_tray.acknowledged:
            packets += _PUBACK.pack(0x40, 2, self._unacked.popleft()[1])
        connection: Any = self._client.socket()
        if packets and connection is not None:
            _send_all(connection, bytes(packets))

    def _publish(self) -> None:
        while len(self._in_flight) < OUT_IN_FLIGHT_MAX and (next_out := self._out_tray.pop()):
            topic, out = next_out
            sent = self._client.publish(topic, out.payload, out.qos, out.retain)
            if sent.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
                self._out_tray.put_back(topic, out)
                return
            if out.qos:
                self._in_flight[sent.mid] = next_out

    def _subscribe(self) -> None:
        self._ask_again_s, self._refusals = None, []
        filters = self._settings.filters  # none: what the session has is all
        for begin in range(0, len(filters), FILTERS_AT_ONCE):
            some = list(filters[begin : begin + FILTERS_AT_ONCE])
            _rc, packet_id = self._client.subscribe([(topic_filter, 1) for topic_filter in some])
            if packet_id is not None:
                self._asked[packet_id] = some

    def _unsubscribe(self) -> None:
        """End what other workers take now: a session keeps its filters for ever. Asking for one that is not there is harmless."""
        filters = self._settings.others_filters
        for begin in range(0, len(filters), FILTERS_AT_ONCE):
            self._client.unsubscribe(list(filters[begin : begin + FILTERS_AT_ONCE]))

    def _subscribe_again(self) -> None:
        if self._ask_again_s is not None and time.monotonic() > self._ask_again_s:
            self._subscribe()

    def _say_goodbye(self, last: bytes) -> None:
        """Send what is at hand, for a moment, and `last`, a DISCONNECT. The session stays with the broker unless that ends it.

        The broker ends the connection when it has seen all; if we did, the next connection could overtake it, and
        what we acknowledged last would come again.
        """
        end_s = time.monotonic() + GOODBYE_S
        self._write()
        while (self._in_flight or self._out_tray or self._client.want_write()) and time.monotonic() < end_s:
            if self._client.socket() is None or not self._accepted:
                return
            self._client.loop(0.05)
            self._write()
        connection: Any = self._client.socket()
        if connection is not None and self._accepted:
            _send_all(connection, last)
            _wait_for_end(connection, end_s)

    def close(self) -> None:
        """End the connection, however it stands, and put back what was not published for certain."""
        with contextlib.suppress(Exception):
            self._client.disconnect()
        connection = self._client.socket()
        if connection is not None:
            connection.close()
        for topic, out in reversed(self._in_flight.values()):
            self._out_tray.put_back(topic, out)
        self._standing.connected_now(False)

    # paho's callbacks. An exception that leaves one ends `serve`, and the next connection begins: see
    # MqttSource._one_connection.

    def _on_connect(
        self, _client: paho.Client, _data: object, flags: Any, reason: ReasonCode, _properties: object
    ) -> None:
        if reason.is_failure:
            self._refused = True
            self._standing.trouble_with(
                f"the broker refuses us: {reason}. Check user name, password and client id"
            )
            return
        self._accepted = True
        self._standing.connected_now(True)
        log.info("mqtt_connected", broker=self._settings.host, session_present=flags.session_present)
        # Whatever the session holds: it may be of another root or of an older linklag, and a connection that broke before
        # the broker had our subscriptions leaves a session with none. Subscribing again loses nothing (MQTT 5.0, 3.8.4, from memory).
        self._subscribe()
        self._unsubscribe()

    def _on_subscribe(
        self,
        _client: paho.Client,
        _data: object,
        packet_id: int,
        reasons: list[ReasonCode],
        _properties: object,
    ) -> None:
        asked = zip(self._asked.pop(packet_id, []), reasons, strict=False)
        self._refusals += [f"{topic_filter}: {reason}" for topic_filter, reason in asked if reason.is_failure]
        self._standing.granted(tuple(self._refusals))
        if self._refusals:
            self._ask_again_s = time.monotonic() + RESUBSCRIBE_S

    def _on_message(self, _client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = ""
        content_type = getattr(message.properties, "ContentType", None)
        self._take(topic, bytes(message.payload), content_type, message.mid if message.qos == 1 else 0)

    def _take(self, topic: str, payload: bytes, content_type: str | None, packet_id: int) -> None:
        """Put a message into the in-tray; packet id 0 is none (MQTT 5.0, 2.2.1) and needs no acknowledgement."""
        arrival = self._in_tray.put(topic, payload, content_type)
        if packet_id:
            self._unacked.append((arrival, packet_id))
        self._standing.messages += 1

    def _on_publish(
        self, _client: paho.Client, _data: object, packet_id: int, reason: ReasonCode, _properties: object
    ) -> None:
        sent = self._in_flight.pop(packet_id, None)
        if sent is not None and reason.is_failure:
            self._standing.trouble_with(
                f"the broker refuses what we publish to {sent[0]}, grant it: {reason}"
            )

    def _on_disconnect(
        self, _client: paho.Client, _data: object, _flags: object, reason: ReasonCode, _properties: object
    ) -> None:
        if self._standing.connected and reason.value:
            self._standing.taken_over = reason.value == _TAKEN_OVER
            hint = f". {_OWN_ID}" if self._standing.taken_over else ""
            self._standing.trouble_with(f"connection lost: {reason}{hint}")
        self._standing.connected_now(False)


def _send_all(connection: Any, packets: bytes) -> None:
    """Send all through a socket that does not block. Raises OSError; TimeoutError after SEND_TIMEOUT_S."""
    rest = memoryview(packets)
    end_s = time.monotonic() + SEND_TIMEOUT_S
    while rest:
        try:
            rest = rest[connection.send(rest) :]
        except (BlockingIOError, ssl.SSLWantWriteError, ssl.SSLWantReadError):
            if time.monotonic() > end_s:
                raise TimeoutError("the broker takes no acknowledgements") from None
            time.sleep(0.002)


def _wait_for_end(connection: Any, end_s: float) -> None:
    """Wait until the other side closes the connection, but not longer than to `end_s` of the monotonic clock."""
    while time.monotonic() < end_s:
        try:
            if not connection.recv(65536):
                return
        except (BlockingIOError, ssl.SSLWantReadError):
            time.sleep(0.002)
