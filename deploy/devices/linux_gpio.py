"""A capture device on a Linux board: two sensors on GPIO lines, their edges stamped by the kernel, batches over MQTT.

    python linux_gpio.py device.toml

Needs Python 3.11, paho-mqtt 2 and gpiod 2 (libgpiod's own package), and micropython_batch.py beside it. Knows the fields and
duties of WIRE.md. Rules for the next editor:

- Both lines are one request, stamped by one clock, CLOCK_MONOTONIC, in the kernel's interrupt. It never steps; NTP slews it
  by 0.05 % at most, alike for both sensors, which the lag does not see.
- UTC enters once a window: t0 = monotonic time of its begin + (UTC - monotonic), read when the window opens, between
  two readings of the monotonic clock that lie closest together. A step of UTC moves the next window and no tick.
- A batch is on disk before it is sent and leaves the disk when its PUBACK has come. What is sent again is the same bytes.
- Nothing is filtered or averaged here. Only what found no room is given up: the oldest batch, counted and logged.
"""

import contextlib
import json
import logging
import re
import signal
import socket
import sqlite3
import sys
import threading
import time
import tomllib
from array import array
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, fields
from datetime import timedelta
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple, Protocol, Self

from micropython_batch import BYTES_BESIDE_PULSES, Batch, encode_into
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

NS_PER_S = 1_000_000_000
LATE_NS = 50_000_000  # an edge is read so long after it came, at most, or the window has closed before it
PULSES_MAX = 100_000  # of each sensor in a window: WIRE.md
KERNEL_EDGES = 4096  # that wait in the kernel while we are busy; libgpiod caps it at what the kernel grants
IN_FLIGHT_MAX = 20
REFUSED_PAUSE_S = 30.0  # after a batch that nobody took: rights or the worker may be mended meanwhile
UNANSWERED_S = 60.0  # without an answer for so long we connect anew: what the broker never answers fills the window for ever
CLOCK_LOOK_S = 5.0
NO_SUBSCRIBERS = 0x10  # MQTT 5.0, 3.4.2.1: the broker took the batch and has nobody to keep it for
STATUS = "status"

log = logging.getLogger("linux_gpio")


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What device.toml holds, one table without sections."""

    drive: str
    up_line: int  # offset on the chip of the sensor that a joint passes first
    down_line: int
    chip: str = "/dev/gpiochip0"
    falling: bool = (
        False  # the sensor pulls the line down when it switches on (NPN, or an inverting input stage)
    )
    window_s: float = 10.0
    dev: str = ""
    root: str = "linklag/v1"
    host: str = "127.0.0.1"
    port: int = 8883
    client_id: str = ""  # empty: linklag-device- and the drive
    username: str = ""
    password_file: str = ""
    ca_file: str = ""  # empty: the system's certificates
    cert_file: str = ""
    key_file: str = ""
    plain: bool = False  # without TLS: on this machine, or where the network is nobody else's
    spool_file: str = "batches.db"
    spool_mb: float = 200.0

    def __post_init__(self) -> None:
        """Refuse what cannot work, and say what would."""
        if re.fullmatch("[a-z0-9][a-z0-9_-]{0,63}", self.drive) is None:
            raise ValueError(
                f"drive is {self.drive!r}: give 1 to 64 of a-z, 0-9, _ and -, the first a letter or digit"
            )
        if not 1 <= self.window_s <= 60:
            raise ValueError(f"window_s is {self.window_s}: give 1 to 60")
        if self.up_line == self.down_line:
            raise ValueError("up_line and down_line are the same: give each sensor a line of its own")
        if self.spool_mb < 1:
            raise ValueError(f"spool_mb is {self.spool_mb}: give 1 or more")
        if bool(self.username) != bool(self.password_file):
            raise ValueError("username and password_file go together: give both or none")


def read_settings(file: Path) -> Settings:
    """Return the settings in a TOML file. Raises ValueError, naming the key, for what is unknown, missing or wrong."""
    try:
        found = tomllib.loads(file.read_text())
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as fault:
        raise ValueError(f"{file} cannot be read: {fault}") from None
    kinds = {each.name: each.type for each in fields(Settings)}
    for name, value in found.items():
        if name not in kinds:
            raise ValueError(
                f"{file} has the key {name}, which nobody reads: keys are {', '.join(sorted(kinds))}"
            )
        wanted = kinds[name]
        fits = type(value) in {int, float} if wanted is float else type(value) is wanted
        if not fits:
            raise ValueError(f"{file}: {name} is {value!r}: give {getattr(wanted, '__name__', wanted)}")
    missing = [name for name in ("drive", "up_line", "down_line") if name not in found]
    if missing:
        raise ValueError(f"{file} lacks {', '.join(missing)}")
    return Settings(**found)


# Edges ------------------------------------------------------------------------------------------------------


class Edge(Protocol):
    """One edge as libgpiod gives it."""

    @property
    def line_offset(self) -> int:
        """Of the line on its chip."""
        ...

    @property
    def timestamp_ns(self) -> int:
        """CLOCK_MONOTONIC when the interrupt came."""
        ...

    @property
    def line_seqno(self) -> int:
        """Counts the edges of this line from 1; a gap means that the kernel had no room."""
        ...


class Lines(Protocol):
    """Both lines as one request: libgpiod's `LineRequest`, as far as it is used here."""

    def wait_edge_events(self, timeout: timedelta | float | None = None) -> bool:
        """Whether an edge came within that time."""
        ...

    def read_edge_events(self, max_events: int | None = None) -> Sequence[Edge]:
        """The edges that came, in order; at least one, for which it waits."""
        ...

    def release(self) -> None:
        """Give the lines back."""
        ...


def request_lines(settings: Settings) -> Lines:
    """Ask the kernel for both lines. Raises OSError or ValueError where there is no such chip, line or right."""
    import gpiod
    from gpiod.line import Bias, Clock, Direction
    from gpiod.line import Edge as GpioEdge

    line = gpiod.LineSettings(
        direction=Direction.INPUT,
        edge_detection=GpioEdge.FALLING if settings.falling else GpioEdge.RISING,
        bias=Bias.AS_IS,
        event_clock=Clock.MONOTONIC,
    )
    lines: Lines = gpiod.request_lines(
        settings.chip,
        consumer="linklag",
        config={(settings.up_line, settings.down_line): line},
        event_buffer_size=KERNEL_EDGES,
    )
    return lines


@dataclass(frozen=True, slots=True)
class Clocks:
    """The two clocks of the kernel, in nanoseconds."""

    monotonic_ns: Callable[[], int] = time.monotonic_ns
    utc_ns: Callable[[], int] = time.time_ns

    def utc_less_monotonic_ns(self) -> int:
        """Return UTC - monotonic, from the closest of five pairs of readings."""
        found = []
        for _ in range(5):
            before, utc, after = self.monotonic_ns(), self.utc_ns(), self.monotonic_ns()
            found.append((after - before, utc - (before + after) // 2))
        return min(found)[1]


def wait_for_clock(stop: threading.Event, clocks: Clocks, *, not_before_ns: int) -> None:
    """Return when UTC is later than an instant that has certainly passed, or at `stop`.

    A board without a battery begins in 1970, or where it was switched off, until NTP has set it; linklag refuses such batches.
    """
    while clocks.utc_ns() < not_before_ns and not stop.is_set():
        log.warning("the clock is not set: waiting for NTP, pulses are not taken meanwhile")
        stop.wait(CLOCK_LOOK_S)


# Windows ----------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class Window:
    """Edges from `begin_ns` on, up to `begin_ns + span_ns`; the end belongs to the next."""

    begin_ns: int
    span_ns: int
    up_ns: list[int] = field(default_factory=list)
    down_ns: list[int] = field(default_factory=list)

    @property
    def end_ns(self) -> int:
        """First instant of the next window."""
        return self.begin_ns + self.span_ns


class Windows:
    """Cuts edges into windows that follow each other without a gap, whether the drive runs or not."""

    def __init__(self, begin_ns: int, span_ns: int) -> None:
        """Begin the first window. Both in nanoseconds by the edges' clock; windows are whole microseconds long."""
        self._span_ns = span_ns // 1000 * 1000
        self._open = Window(begin_ns, self._span_ns)
        self._next = Window(self._open.end_ns, self._span_ns)
        self.late = 0  # edges that were read after their window had closed

    def add(self, timestamp_ns: int, *, is_up: bool) -> None:
        """Put an edge where it belongs. One that comes too late for its window is counted and given up."""
        for window in (self._open, self._next):
            if window.begin_ns <= timestamp_ns < window.end_ns:
                (window.up_ns if is_up else window.down_ns).append(timestamp_ns)
                return
        self.late += 1

    def close_if_due(self, now_ns: int) -> Window | None:
        """Return the window that has ended so long ago that all its edges were read; None before that."""
        if now_ns < self._open.end_ns + LATE_NS:
            return None
        done, self._open = self._open, self._next
        self._next = Window(self._open.end_ns, self._span_ns)
        return done


def batch_of(window: Window, *, seq: int, utc_less_monotonic_ns: int, dev: str) -> bytes:
    """Return the window as a batch, in CBOR. Ticks are microseconds, rounded down."""
    batch = Batch(0)
    batch.up, batch.down = (
        array("I", ((ns - window.begin_ns) // 1000 for ns in sorted(found)[:PULSES_MAX]))
        for found in (window.up_ns, window.down_ns)
    )
    batch.up_count, batch.down_count = len(batch.up), len(batch.down)
    batch.seq, batch.dev = seq, dev
    batch.t0_us = (window.begin_ns + utc_less_monotonic_ns) // 1000
    batch.span_ticks = window.span_ns // 1000
    buffer = bytearray(4 * (batch.up_count + batch.down_count) + BYTES_BESIDE_PULSES)
    return bytes(buffer[: encode_into(buffer, batch)])


# Spool ------------------------------------------------------------------------------------------------------


class Spooled(NamedTuple):
    """A batch on disk."""

    number: int
    payload: bytes


class Spool:
    """Batches on disk until the broker has them, oldest first, and the number of the newest. Free to all threads."""

    def __init__(self, file: Path, bytes_max: int) -> None:
        """Open the spool, or make it. Raises sqlite3.Error where the file cannot be written."""
        self._bytes_max = bytes_max
        self._lock = threading.Lock()
        self._connection = sqlite3.connect(file, check_same_thread=False, isolation_level=None)
        self._connection.execute("PRAGMA journal_mode = WAL")
        self._connection.execute("PRAGMA synchronous = FULL")
        self._connection.executescript(
            "CREATE TABLE IF NOT EXISTS batch (number INTEGER PRIMARY KEY, payload BLOB NOT NULL);"
            "CREATE TABLE IF NOT EXISTS counter (name TEXT PRIMARY KEY, value INTEGER NOT NULL);"
            "INSERT OR IGNORE INTO counter VALUES ('next', 0), ('given_up', 0);"
        )
        self.newest = int(self._ask("SELECT value FROM counter WHERE name = 'next'")) - 1
        self._bytes = int(self._ask("SELECT coalesce(sum(length(payload)), 0) FROM batch"))

    def _ask(self, question: str, *values: object) -> Any:
        return self._connection.execute(question, values).fetchone()[0]

    def put(self, make: Callable[[int], bytes]) -> int:
        """Keep the batch that `make` gives for the next number; return the number. It is on disk when this returns.

        Where that takes more than `bytes_max`, the oldest batches are given up, counted and logged.
        """
        with self._lock, self._transaction():
            number = int(self._ask("SELECT value FROM counter WHERE name = 'next'"))
            payload = make(number)
            self._connection.execute("INSERT INTO batch VALUES (?, ?)", (number, payload))
            self._connection.execute("UPDATE counter SET value = ? WHERE name = 'next'", (number + 1,))
            self._bytes += len(payload)
            self._make_room(number)
        self.newest = number
        return number

    def _make_room(self, newest: int) -> None:
        given_up = 0
        while self._bytes > self._bytes_max:
            oldest, length = self._connection.execute(
                "SELECT number, length(payload) FROM batch ORDER BY number LIMIT 1"
            ).fetchone()
            if oldest == newest:
                break
            self._connection.execute("DELETE FROM batch WHERE number = ?", (oldest,))
            self._bytes -= length
            given_up += 1
        if given_up:
            self._connection.execute(
                "UPDATE counter SET value = value + ? WHERE name = 'given_up'", (given_up,)
            )
            log.error(
                "the spool is full: gave up the oldest %d batches; mend the connection or raise spool_mb",
                given_up,
            )

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[None]:
        before = self._bytes
        self._connection.execute("BEGIN IMMEDIATE")
        try:
            yield
        except BaseException:
            if self._connection.in_transaction:  # SQLite ends it by itself where the disk is full
                self._connection.execute("ROLLBACK")
            self._bytes = before
            raise
        self._connection.execute("COMMIT")

    def after(self, number: int, count: int) -> list[Spooled]:
        """Return the oldest batches whose numbers are greater."""
        with self._lock:
            found = self._connection.execute(
                "SELECT number, payload FROM batch WHERE number > ? ORDER BY number LIMIT ?", (number, count)
            ).fetchall()
        return [Spooled(*row) for row in found]

    def drop(self, number: int) -> None:
        """The broker has it."""
        with self._lock:
            length = self._connection.execute(
                "SELECT length(payload) FROM batch WHERE number = ?", (number,)
            ).fetchone()
            if length is not None:
                self._connection.execute("DELETE FROM batch WHERE number = ?", (number,))
                self._bytes -= length[0]

    @property
    def given_up(self) -> int:
        """Batches that were given up for want of room, since the spool was made."""
        with self._lock:
            return int(self._ask("SELECT value FROM counter WHERE name = 'given_up'"))

    def __len__(self) -> int:
        """Batches that the broker has not."""
        with self._lock:
            return int(self._ask("SELECT count(*) FROM batch"))

    def close(self) -> None:
        """Close the file."""
        with self._lock:
            self._connection.close()


# Sending ----------------------------------------------------------------------------------------------------


class Sender:
    """Sends what is in the spool, oldest first, and drops what the broker has acknowledged. Use as a context manager."""

    def __init__(self, settings: Settings, spool: Spool) -> None:
        """A sender that does not connect yet. Raises OSError or ValueError where TLS or the password cannot be read."""
        self._spool = spool
        self._topic = f"{settings.root}/{settings.drive}"
        self._where = (settings.host, settings.port)
        self._in_flight: dict[int, int] = {}  # by packet id: number of the batch
        self._sent_up_to = -1
        self._pause_until_s = 0.0
        self._answered_s = 0.0  # when an answer came last, or there was none to wait for
        self._answers: deque[tuple[int, ReasonCode]] = deque()
        self._connected = threading.Event()
        name = settings.client_id or f"linklag-device-{settings.drive}"
        self._client = paho.Client(CallbackAPIVersion.VERSION2, name, protocol=paho.MQTTv5)
        self._client.max_inflight_messages_set(IN_FLIGHT_MAX)
        self._client.reconnect_delay_set(1, 60)
        if settings.username:
            lines = Path(settings.password_file).read_text().splitlines()
            if not lines or not lines[0]:
                raise ValueError(f"{settings.password_file} is empty: its first line must be the password")
            self._client.username_pw_set(settings.username, lines[0])
        if not settings.plain:
            self._client.tls_set(
                settings.ca_file or None, settings.cert_file or None, settings.key_file or None
            )
        self._client.will_set(f"{self._topic}/{STATUS}", self._status(online=False), 1, retain=True)
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = self._on_disconnect
        self._client.on_publish = self._on_publish
        self._cbor = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        self._cbor.ContentType = "application/cbor"

    def _status(self, *, online: bool) -> str:
        said: dict[str, Any] = {"v": 1, "online": online}
        return json.dumps(said | ({"given_up": self._spool.given_up} if online else {}))

    def __enter__(self) -> Self:
        self._client.connect_async(*self._where)
        self._client.loop_start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._connected.is_set():
            self._client.publish(f"{self._topic}/{STATUS}", self._status(online=False), 1, retain=True)
        self._client.disconnect()
        self._client.loop_stop()

    def send(self) -> None:
        """Drop what the broker has acknowledged, and publish what the spool holds beyond, as far as the window allows.

        Call it often, from one thread. Without a connection it publishes nothing: the spool keeps.
        """
        if self._answers or not self._in_flight or not self._connected.is_set():
            self._answered_s = time.monotonic()
        elif time.monotonic() - self._answered_s > UNANSWERED_S:
            self._connect_anew()
        while self._answers:
            self._take_answer(*self._answers.popleft())
        room = IN_FLIGHT_MAX - len(self._in_flight)
        nothing_to_do = room == 0 or self._sent_up_to >= self._spool.newest
        if nothing_to_do or not self._connected.is_set() or time.monotonic() < self._pause_until_s:
            return
        for number, payload in self._spool.after(self._sent_up_to, room):
            sent = self._client.publish(f"{self._topic}/pulses", payload, 1, properties=self._cbor)
            if sent.rc not in {paho.MQTT_ERR_SUCCESS, paho.MQTT_ERR_NO_CONN}:
                return
            self._in_flight[sent.mid] = number  # without connection just now, paho sends it when there is one
            self._sent_up_to = number

    def _connect_anew(self) -> None:
        """Cut the connection; paho connects again and sends what is in flight again."""
        log.error("no answer of the broker for %g s: connecting anew", UNANSWERED_S)
        self._answered_s = time.monotonic()
        connection = self._client.socket()
        if isinstance(connection, socket.socket):
            with contextlib.suppress(OSError):  # it is gone already
                socket.socket.shutdown(
                    connection, socket.SHUT_RDWR
                )  # of TLS, too: paho's thread goes on reading it

    def _take_answer(self, packet_id: int, reason: ReasonCode) -> None:
        number = self._in_flight.pop(packet_id, None)
        if number is None:  # of a status
            return
        if reason.is_failure or reason.value == NO_SUBSCRIBERS:
            log.error("batch %d is kept and sent again, the broker says: %s", number, reason)
            self._pause_until_s = time.monotonic() + REFUSED_PAUSE_S
            self._sent_up_to = min(self._sent_up_to, number - 1)
        else:
            self._spool.drop(number)

    # paho's callbacks, in its thread

    def _on_connect(self, _c: paho.Client, _d: object, _f: object, reason: ReasonCode, _p: object) -> None:
        if reason.is_failure:
            log.error("the broker refuses us: %s; check user name, password and certificate", reason)
            return
        log.info("connected to %s:%d", *self._where)
        self._client.publish(f"{self._topic}/{STATUS}", self._status(online=True), 1, retain=True)
        self._connected.set()

    def _on_disconnect(self, _c: paho.Client, _d: object, _f: object, reason: ReasonCode, _p: object) -> None:
        self._connected.clear()
        log.warning("no connection: %s; batches go to the disk meanwhile", reason)

    def _on_publish(self, _c: paho.Client, _d: object, mid: int, reason: ReasonCode, _p: object) -> None:
        # paho holds a lock here that `publish` wants too, so nothing is done but to note the answer.
        self._answers.append((mid, reason))


# The device -------------------------------------------------------------------------------------------------


class Device:
    """Takes edges, cuts windows, keeps them and has them sent, until it is stopped."""

    def __init__(
        self, settings: Settings, lines: Lines, spool: Spool, sender: Sender, clocks: Clocks | None = None
    ) -> None:
        """A device that has not begun."""
        self._settings = settings
        self._lines = lines
        self._spool = spool
        self._sender = sender
        self._clocks = clocks or Clocks()
        self._seen: dict[int, int] = {}  # by line: number of its last edge
        self.lost = 0  # edges that the kernel had no room for
        self.not_kept = 0  # windows that the disk did not take

    def run(self, stop: threading.Event) -> None:
        """Work until `stop`. The window that is open then is given up."""
        windows = Windows(self._clocks.monotonic_ns(), round(self._settings.window_s * NS_PER_S))
        offset_ns = self._clocks.utc_less_monotonic_ns()
        while not stop.is_set():
            self._take(windows)
            while window := windows.close_if_due(self._clocks.monotonic_ns()):
                self._keep(window, offset_ns)
                offset_ns = self._clocks.utc_less_monotonic_ns()
            self._sender.send()

    def _take(self, windows: Windows) -> None:
        if not self._lines.wait_edge_events(timedelta(seconds=0.1)):
            return
        for edge in self._lines.read_edge_events():
            before = self._seen.get(edge.line_offset, edge.line_seqno - 1)
            missed = edge.line_seqno - before - 1
            if missed > 0:
                self.lost += missed
                log.error(
                    "the kernel lost %d edges of line %d: this board is too busy", missed, edge.line_offset
                )
            self._seen[edge.line_offset] = edge.line_seqno
            windows.add(edge.timestamp_ns, is_up=edge.line_offset == self._settings.up_line)

    def _keep(self, window: Window, offset_ns: int) -> None:
        longest = max(len(window.up_ns), len(window.down_ns))
        if longest > PULSES_MAX:
            log.error("%d pulses in a window, %d are sent: take a shorter window_s", longest, PULSES_MAX)
        try:
            self._spool.put(
                lambda seq: batch_of(window, seq=seq, utc_less_monotonic_ns=offset_ns, dev=self._settings.dev)
            )
        except sqlite3.Error as fault:
            self.not_kept += 1
            log.error("a window is lost, the disk does not take it: %s", fault)  # noqa: TRY400 - the words help, a trace does not


def main(arguments: Sequence[str]) -> int:
    """Run the device until SIGTERM or SIGINT; return the exit code."""
    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(message)s")
    if len(arguments) != 1:
        log.error("give the settings file: python linux_gpio.py device.toml")
        return 2
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    with contextlib.ExitStack() as parts:
        try:
            settings = read_settings(Path(arguments[0]))
            wait_for_clock(stop, Clocks(), not_before_ns=Path(__file__).stat().st_mtime_ns)
            lines = request_lines(settings)
            parts.callback(lines.release)
            spool = Spool(Path(settings.spool_file), int(settings.spool_mb * 1e6))
            parts.callback(spool.close)
            sender = parts.enter_context(Sender(settings, spool))
            Device(settings, lines, spool, sender).run(stop)
        except (ValueError, OSError, sqlite3.Error) as fault:
            log.error("ended: %s", fault)  # noqa: TRY400 - as above
            return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
