"""RabbitMQ as a source of messages: what devices publish by MQTT waits in its queues, and comes from there by AMQP 0-9-1.

Knows AMQP and pika; must not know what a topic or a payload means. Rules for the next editor:

- One thread of ours owns everything of pika; other threads reach the in-tray, and ring it. It waits for nobody, so a slow
  store never costs the connection its heartbeats. What bounds it is the prefetch.
- Acknowledged is "all up to arrival k", as with MQTT (`mqtt`): one `basic.ack` with `multiple`, by the delivery tags of the
  channel that now stands. What came over an earlier one comes again, and is counted once by the store. So there is no new
  connection while the in-tray is full: RabbitMQ ends one whenever it has waited half an hour for an acknowledgement, and with
  a store that stays away each would bring the same once more.
- Several queues are consumed over one channel, because delivery tags then rise in the order of arrival.
- Nothing is declared here: a worker has no right to. A queue must be there before devices connect, for RabbitMQ acknowledges
  what matches no queue and drops it (`amqp_definitions`).
- RabbitMQ retains only what comes by MQTT, so what we publish goes by an outlet of its own (`mqtt_outlet`).
"""

import contextlib
import logging
import random
import threading
import time
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Protocol, Self

import pika
import structlog
from pika.adapters.select_connection import SelectConnection
from pika.exceptions import (
    ProbableAccessDeniedError,
    ProbableAuthenticationError,
)

from service.adapters.reaching import (
    CONNECT_TIMEOUT_S,
    RECONNECT_MIN_S,
    STABLE_S,
    Tls,
    is_loopback,
    refuse_insecure,
    words_of,
)
from service.adapters.trays import InTray
from service.ingest import Message, SourceStatus

TURN_S = 0.25  # at least so often the thread looks whether there is something to acknowledge, or to leave
GOODBYE_S = 3.0

log = structlog.get_logger(__name__)
logging.getLogger("pika").setLevel(
    logging.CRITICAL
)  # it logs each try to connect as errors; we say it once, in words


class Outlet(Protocol):
    """Where the newest of each topic is published."""

    def open(self) -> None:
        """Begin to connect, and keep at it."""
        ...

    def close(self) -> None:
        """Send what is at hand and leave."""
        ...

    def publish(self, topic: str, payload: bytes, *, retain: bool, qos: int) -> None:
        """Publish when connected; of several payloads for one topic only the newest counts."""
        ...

    @property
    def trouble(self) -> str:
        """What is wrong, in words; empty if nothing is."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Queue:
    """A queue that waits, as the broker sees it."""

    name: str
    messages: int  # that wait
    consumers: int


class AmqpSource:
    """Messages of the devices from queues of RabbitMQ, acknowledged by us.

    Use as a context manager, or `start` and `close`. One thread may receive, acknowledge and release;
    `publish` and `status` are free to all.
    """

    def __init__(  # noqa: PLR0913 - a connection has so many settings
        self,
        host: str,
        port: int = 5672,
        *,
        queues: Sequence[str],
        outlet: Outlet,
        vhost: str = "/",
        name: str = "linklag",
        username: str | None = None,
        password: str | None = None,
        tls: Tls | None = None,
        allow_insecure: bool = False,
        prefetch: int = 500,
        heartbeat_s: int = 60,
        reconnect_max_s: float = 30.0,
    ) -> None:
        """A source that is not connected yet.

        Args:
            host: name or address of RabbitMQ. Off this machine it needs TLS and credentials.
            port: its TCP port for AMQP.
            queues: to consume from.
            outlet: where to publish.
            vhost: its virtual host.
            name: of the connection, for people who look at the broker.
            username: at the broker; None with a certificate: the certificate's name is it.
            password: at the broker.
            tls: None for a plain connection.
            allow_insecure: accept a broker off this machine without TLS or without credentials.
            prefetch: messages of a queue that the broker may send ahead of our acknowledgement, 1 to 65535.
            heartbeat_s: seconds of silence after which each side looks whether the other is there.
            reconnect_max_s: longest wait between two tries to connect.

        Raises ValueError for settings that cannot work or would let others read and forge pulses.
        """
        if not queues:
            raise ValueError("there is no queue to take from: give amqp.queues, or queues to the partition")
        if not 1 <= prefetch <= 65535:
            raise ValueError(f"prefetch is {prefetch}: give 1 to 65535")
        self._parameters = parameters(
            host, port, vhost=vhost, name=name, username=username, password=password, tls=tls,
            allow_insecure=allow_insecure, heartbeat_s=heartbeat_s,
        )  # fmt: skip
        self._where = f"{host}:{port}"
        self._queues, self._outlet, self._prefetch = tuple(queues), outlet, prefetch
        self._reconnect_max_s = reconnect_max_s
        self._in_tray = InTray(prefetch * len(queues) + 1)
        self._standing = _Standing()
        self._closing = threading.Event()
        self._link: _Link | None = None
        self._thread = threading.Thread(target=self._keep_connected, name="amqp", daemon=True)

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def start(self) -> None:
        """Begin to connect, and keep at it until `close`. Returns at once, whether the broker is there or not."""
        self._outlet.open()
        self._thread.start()

    def close(self, timeout_s: float = 5.0) -> None:
        """Send the acknowledgements and publications at hand and leave. What was not acknowledged the queues keep."""
        self._closing.set()
        self._in_tray.close()
        self._ring()
        if self._thread.ident is not None:
            self._thread.join(timeout_s)
        self._outlet.close()

    def receive(self, messages_max: int, timeout_s: float) -> list[Message]:
        """Return the next messages in the order of arrival; none if none came within `timeout_s`."""
        return self._in_tray.take(messages_max, timeout_s)

    def acknowledge(self, messages: Sequence[Message]) -> None:
        """Tell the broker that these are safe. They must be the oldest not acknowledged, in the order of arrival.

        Raises ValueError where the order is broken, having acknowledged nothing.
        """
        if messages:
            self._in_tray.acknowledge(messages)
            self._ring()

    def release(self, messages: Sequence[Message]) -> None:
        """Put back what was received last and cannot be used now. Raises ValueError where these are not the last."""
        self._in_tray.give_back(messages)

    def publish(self, topic: str, payload: bytes, *, retain: bool = True, qos: int = 1) -> None:
        """Publish when connected. Of several payloads for one topic that wait, only the newest is sent."""
        self._outlet.publish(topic, payload, retain=retain, qos=qos)

    def status(self) -> SourceStatus:
        """How the connection stands now."""
        standing = self._standing
        return SourceStatus(
            connected=standing.connected,
            since_ns=standing.since_ns,
            last_message_ns=standing.last_message_ns,
            messages=standing.messages,
            reconnects=max(standing.connections - 1, 0),
            waiting=len(self._in_tray),
            in_flight=self._in_tray.unacknowledged,
            holding_back=self._in_tray.is_full(),
            refused=standing.refused,
            trouble=standing.trouble or self._outlet.trouble,
        )

    def _ring(self) -> None:
        link = self._link
        if link is not None:
            link.ring()

    def _keep_connected(self) -> None:
        """Body of the thread: one connection after the other, until `close`."""
        attempt = 0
        while not self._closing.is_set():
            if self._in_tray.is_full():
                self._closing.wait(TURN_S)
                continue
            began_s = time.monotonic()
            try:
                self._link = _Link(self._queues, self._prefetch, self._in_tray, self._standing, self._closing)
                self._link.serve(self._parameters)
            except Exception as fault:
                # Ours or pika's bug. The thread must outlive it: without it nothing more would ever be received.
                log.exception("amqp_fault", broker=self._where)
                self._standing.trouble_with(f"fault in the AMQP client: {fault!r}")
            self._standing.connected_now(False)
            if time.monotonic() - began_s > STABLE_S:
                attempt = 0
            self._closing.wait(self._delay_s(attempt))
            attempt += 1

    def _delay_s(self, attempt: int) -> float:
        """Doubled from one try to the next up to a cap, less up to a half so that many clients spread out."""
        capped = min(self._reconnect_max_s, RECONNECT_MIN_S * 2.0 ** min(attempt, 16))
        return capped * random.uniform(0.5, 1.0)  # noqa: S311 - spreads load, hides nothing


def parameters(  # noqa: PLR0913 - a connection has so many settings
    host: str,
    port: int,
    *,
    vhost: str,
    name: str,
    username: str | None,
    password: str | None,
    tls: Tls | None,
    allow_insecure: bool,
    heartbeat_s: int = 60,
) -> pika.ConnectionParameters:
    """Return how to connect. Raises ValueError where others could read and forge pulses, OSError for files of `tls`."""
    if not allow_insecure and not is_loopback(host):
        refuse_insecure(host, tls, has_login=username is not None)
    by_certificate = username is None and tls is not None and tls.cert_file is not None
    return pika.ConnectionParameters(
        host,
        port,
        vhost,
        credentials=pika.credentials.ExternalCredentials()
        if by_certificate
        else pika.PlainCredentials(username or "guest", password or "guest"),
        heartbeat=heartbeat_s,
        socket_timeout=CONNECT_TIMEOUT_S,
        stack_timeout=CONNECT_TIMEOUT_S,
        connection_attempts=1,
        client_properties={"connection_name": name},
        ssl_options=None if tls is None else pika.SSLOptions(tls.context(), host),
    )


def look_at(where: pika.ConnectionParameters, queues: Sequence[str]) -> list[Queue]:
    """Return how each queue stands, taking nothing from it. Raises ConnectionError, in words, where one cannot be seen."""
    name = ""
    try:
        connection = pika.BlockingConnection(where)
        try:
            channel, found = connection.channel(), []
            for name in queues:
                seen = channel.queue_declare(name, passive=True).method
                found.append(Queue(name=name, messages=seen.message_count, consumers=seen.consumer_count))
            return found
        finally:
            with contextlib.suppress(pika.exceptions.AMQPError):
                connection.close()
    except pika.exceptions.AMQPError as fault:
        raise ConnectionError(_in_words(fault, name)) from None


def topic_of(routing_key: str | bytes) -> str:
    """Return the topic that a routing key was made of: RabbitMQ puts dots for slashes. A topic must so have no dots."""
    return _text(routing_key).replace(".", "/")


def _text(told: str | bytes) -> str:
    """Return a text of a message. pika gives bytes where it is not UTF-8; of one such message the others must not suffer."""
    return told if isinstance(told, str) else told.decode(errors="replace")


class _Standing:
    """How the connection stands, for people. Written by the AMQP thread, read by any."""

    def __init__(self) -> None:
        self.connected = False
        self.since_ns = time.time_ns()
        self.last_message_ns: int | None = None
        self.connections = 0
        self.messages = 0
        self.refused: tuple[str, ...] = ()
        self.trouble = "not connected yet"

    def connected_now(self, connected: bool) -> None:  # noqa: FBT001 - it is the state itself
        if connected != self.connected:
            self.connected = connected
            self.since_ns = time.time_ns()
        if connected:
            self.connections += 1
            self.trouble, self.refused = "", ()

    def trouble_with(self, trouble: str) -> None:
        """Note it, and log it when it is another than before: a broker that stays away is one line."""
        if trouble != self.trouble:
            log.warning("amqp_trouble", trouble=trouble)
        self.trouble = trouble


class _Link:
    """One connection, from its first packet to its loss. Everything but `ring` runs in the AMQP thread."""

    def __init__(
        self,
        queues: tuple[str, ...],
        prefetch: int,
        in_tray: InTray,
        standing: _Standing,
        closing: threading.Event,
    ) -> None:
        self._queues, self._prefetch = queues, prefetch
        self._in_tray, self._standing, self._closing = in_tray, standing, closing
        self._unacked: deque[tuple[int, int]] = deque()  # (arrival, delivery tag) in the order of arrival
        self._connection: Any = None
        self._channel: Any = None
        self._granted = 0
        self._asking = ""  # the queue that the broker was asked for last
        self._told = self._rung = False
        self._leaving_s: float | None = None
        self._broken_off = False  # by us, before the connection was there

    def ring(self) -> None:
        """Have the thread look at once. From any thread."""
        connection = self._connection
        if connection is not None and not self._rung:
            self._rung = True
            with contextlib.suppress(Exception):  # it closes just now; the next connection looks by itself
                connection.ioloop.add_callback_threadsafe(self._look)

    def serve(self, where: pika.ConnectionParameters) -> None:
        """Connect, and hand over what comes until the connection is lost or `closing` is set."""
        self._connection = SelectConnection(
            where,
            on_open_callback=self._on_open,
            on_open_error_callback=self._on_lost,
            on_close_callback=self._on_lost,
        )
        self._connection.ioloop.call_later(TURN_S, self._turn)
        try:
            self._connection.ioloop.start()
        except AssertionError:  # pika 1.4 so answers who closes a connection that is not open yet
            if not self._broken_off:
                raise
        finally:
            connection, self._connection = self._connection, None
            connection.ioloop.close()

    # What the thread does between packets

    def _turn(self) -> None:
        self._look()
        if self._connection is not None:
            self._connection.ioloop.call_later(TURN_S, self._turn)

    def _look(self) -> None:
        self._rung = False
        self._acknowledge()
        if self._closing.is_set():
            self._say_goodbye()

    def _acknowledge(self) -> None:
        tag = 0
        while self._unacked and self._unacked[0][0] <= self._in_tray.acknowledged:
            tag = self._unacked.popleft()[1]
        if tag and self._channel is not None and self._channel.is_open:
            self._channel.basic_ack(tag, multiple=True)

    def _say_goodbye(self) -> None:
        """Close in order, so that the broker has seen our acknowledgements; break off where it does not answer.

        A connection that is not there yet is closed too: left alone, its socket would stay open until somebody looks for garbage.
        """
        now_s = time.monotonic()
        if self._leaving_s is None:
            self._leaving_s = now_s
            if not self._connection.is_closed and not self._connection.is_closing:
                self._broken_off = not self._connection.is_open
                self._connection.close()
                return
        if self._connection.is_closed or now_s - self._leaving_s > GOODBYE_S:
            self._connection.ioloop.stop()

    # pika's callbacks

    def _on_open(self, connection: Any) -> None:
        if not self._closing.is_set():
            connection.channel(on_open_callback=self._on_channel)

    def _on_channel(self, channel: Any) -> None:
        self._channel = channel
        channel.add_on_close_callback(self._on_channel_closed)
        channel.add_on_cancel_callback(self._on_cancelled)
        channel.basic_qos(prefetch_count=self._prefetch, callback=lambda _: self._consume_next())

    def _consume_next(self) -> None:
        """Ask for one queue after the other, so that a refusal is known by its name."""
        if not self._channel.is_open:  # we leave already
            return
        if self._granted == len(self._queues):
            self._standing.connected_now(True)
            log.info("amqp_connected", queues=len(self._queues))
            return
        self._asking = self._queues[self._granted]
        self._channel.basic_consume(self._asking, self._on_message, callback=self._on_granted)

    def _on_granted(self, _frame: Any) -> None:
        self._granted += 1
        self._consume_next()

    def _on_message(self, _channel: Any, deliver: Any, properties: Any, body: bytes) -> None:
        kind = properties.content_type
        arrival = self._in_tray.put(
            topic_of(deliver.routing_key), body, None if kind is None else _text(kind)
        )
        self._unacked.append((arrival, deliver.delivery_tag))
        self._standing.messages += 1
        if not self._told:  # once a burst, not once a message
            self._told = True
            self._connection.ioloop.add_callback(self._tell)

    def _tell(self) -> None:
        self._told = False
        self._standing.last_message_ns = time.time_ns()
        self._in_tray.tell()

    def _on_cancelled(self, _frame: Any) -> None:
        self._standing.trouble_with(
            "the broker took a queue away while we consumed from it: import the definitions again (linklag amqp-definitions)"
        )
        self._connection.close()

    def _on_channel_closed(self, _channel: Any, reason: Exception) -> None:
        if not isinstance(reason, pika.exceptions.ChannelClosedByClient):
            told = _in_words(reason, self._asking)
            self._standing.refused = (told,) if self._granted < len(self._queues) else ()
            self._standing.trouble_with(told)
            if self._connection.is_open:
                self._connection.close()

    def _on_lost(self, connection: Any, reason: Exception | str) -> None:
        if not self._broken_off and not isinstance(reason, pika.exceptions.ConnectionClosedByClient):
            self._standing.trouble_with(_in_words(reason, self._asking))
        connection.ioloop.stop()


def _in_words(fault: Exception | str, queue: str) -> str:
    """The fault in words a person can act on."""
    told = {
        404: f"the broker has no queue {queue}: import the definitions (linklag amqp-definitions) before devices connect",
        403: f"the broker refuses us {queue or 'this virtual host'}: let this user read it ({fault!s})",
        406: f"the broker gave up waiting for our acknowledgement and keeps the messages ({fault!s})",
    }.get(getattr(fault, "reply_code", 0))
    return told or _cause_in_words(_cause(fault))


def _cause_in_words(cause: Exception | str) -> str:
    if isinstance(cause, ProbableAuthenticationError):
        return "the broker refuses us: check amqp.username and amqp.password_file"
    if isinstance(cause, ProbableAccessDeniedError):
        return "the broker refuses us: let this user into amqp.vhost"
    if isinstance(cause, OSError):
        return f"cannot reach the broker: {words_of(cause)}"
    return f"connection lost: {str(cause) or type(cause).__name__}"


def _cause(fault: Exception | str) -> Exception | str:
    """What lies at the bottom of pika's wrappings."""
    inner: Any = fault
    for _ in range(5):
        inside = [
            *getattr(inner, "exceptions", ()),
            getattr(inner, "exception", None),
            *getattr(inner, "args", ()),
        ]
        following = [each for each in inside if isinstance(each, Exception)]
        if not following:
            break
        inner = following[-1]
    return inner  # type: ignore[no-any-return]
