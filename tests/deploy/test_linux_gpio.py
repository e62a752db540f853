"""The capture device for a Linux board: simulated edges in place of the kernel's, a real broker and the real ingest behind it."""

import contextlib
import socketserver
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

import gpiod
import linux_gpio
import numpy as np
import pytest
from gpiod.edge_event import EdgeEvent
from hypothesis import given
from hypothesis import strategies as st
from linux_gpio import (
    IN_FLIGHT_MAX,
    LATE_NS,
    NS_PER_S,
    Clocks,
    Device,
    Sender,
    Settings,
    Spool,
    Window,
    Windows,
    batch_of,
    read_settings,
    request_lines,
    wait_for_clock,
)
from prometheus_client import CollectorRegistry

from sensors_sim.chain import SimulatedChain
from sensors_sim.drive import Pulses, SimulatedDrive
from sensors_sim.motion import Motion
from service.adapters.mqtt import MqttSource
from service.core.batch import Batch
from service.core.drive import Chain, Drive
from service.core.wire import Form, decode
from service.ingest import Ingest, Metrics
from tests.conftest import Mosquitto
from tests.fakes import FakeReadings, FakeRefused, FakeRegister

UP, DOWN = 17, 27
PITCH_MM = 19.05
START_NS = 1_790_000_000 * NS_PER_S


def settings(port: int = 1883, **changes: Any) -> Settings:
    usual: dict[str, Any] = {
        "drive": "kiln-car",
        "up_line": UP,
        "down_line": DOWN,
        "port": port,
        "plain": True,
    }
    return Settings(**usual | {"window_s": 1.0} | changes)


def until(condition: Callable[[], object], timeout_s: float = 20.0) -> None:
    end_s = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < end_s, "waited in vain"
        time.sleep(0.01)


# Windows and batches


@dataclass(frozen=True)
class FakeEdge:
    line_offset: int
    timestamp_ns: int
    line_seqno: int


def test_the_edges_of_the_tests_have_what_those_of_libgpiod_have() -> None:
    assert set(FakeEdge.__annotations__) <= set(EdgeEvent.__annotations__)
    for name in ("wait_edge_events", "read_edge_events", "release"):
        assert callable(getattr(gpiod.LineRequest, name))
        assert callable(getattr(Replay, name))


@given(
    st.lists(st.tuples(st.integers(0, 5_500_000_000), st.booleans()), max_size=60),
    st.integers(1_000_000_000, 2_500_000_000),
)
def test_every_edge_is_in_one_window_and_its_time_comes_back_to_a_microsecond(
    edges: list[tuple[int, bool]], span_ns: int
) -> None:
    windows = Windows(0, span_ns)
    batches: list[Batch] = []

    def close(now_ns: int) -> None:
        while window := windows.close_if_due(now_ns):
            payload = batch_of(window, seq=len(batches), utc_less_monotonic_ns=START_NS, dev="")
            batch = decode(
                payload, form=Form.PULSES, drive_id="d", content_type=None, now_ns=START_NS + 20 * NS_PER_S
            )
            assert isinstance(batch, Batch), batch
            batches.append(batch)

    for at_ns, is_up in sorted(edges):
        close(at_ns)  # read at once
        windows.add(at_ns, is_up=is_up)
    close(10 * NS_PER_S)
    assert windows.late == 0
    for name, is_up in (("up", True), ("down", False)):
        came = [
            batch.t0_ns - START_NS + tick * 1000
            for batch in batches
            for tick in getattr(batch, name).tolist()
        ]
        assert came == [at_ns // 1000 * 1000 for at_ns, up in sorted(edges) if up == is_up]
    ends = [batch.t0_ns + (batch.span_ns or 0) for batch in batches]
    assert ends[:-1] == [batch.t0_ns for batch in batches[1:]], "no gap"


def test_an_edge_read_too_late_for_its_window_is_counted_and_put_nowhere() -> None:
    windows = Windows(0, NS_PER_S)
    assert windows.close_if_due(NS_PER_S + LATE_NS - 1) is None
    assert windows.close_if_due(NS_PER_S + LATE_NS) == Window(0, NS_PER_S)
    windows.add(NS_PER_S - 1, is_up=True)
    assert windows.late == 1


def test_a_step_of_utc_moves_no_tick() -> None:
    window = Window(5 * NS_PER_S, NS_PER_S, up_ns=[5 * NS_PER_S + 7_000], down_ns=[])
    one, two = (
        batch_of(window, seq=0, utc_less_monotonic_ns=START_NS + step, dev="") for step in (0, NS_PER_S)
    )
    first, second = (
        decode(each, form=Form.PULSES, drive_id="d", content_type=None, now_ns=START_NS + 20 * NS_PER_S)
        for each in (one, two)
    )
    assert isinstance(first, Batch)
    assert isinstance(second, Batch)
    assert first.up.tolist() == second.up.tolist() == [7]
    assert second.t0_ns - first.t0_ns == NS_PER_S


def test_utc_less_monotonic_is_taken_from_the_readings_that_lie_closest_together() -> None:
    """The third pair is the closest; the others were interrupted on the way and are off by as much."""
    monotonic = iter([0, 900, 1000, 1500, 2000, 2002, 3000, 3800, 4000, 4700])
    utc = iter([50_800, 51_400, 52_001, 53_700, 54_600])
    assert Clocks(lambda: next(monotonic), lambda: next(utc)).utc_less_monotonic_ns() == 50_000


def test_a_clock_that_is_not_set_is_waited_for(
    caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(linux_gpio, "CLOCK_LOOK_S", 0.0)
    utc = iter([0, 5 * NS_PER_S, START_NS])
    clocks = Clocks(lambda: 0, lambda: next(utc))
    wait_for_clock(threading.Event(), clocks, not_before_ns=START_NS - 1)
    assert next(utc, None) is None
    assert caplog.text.count("the clock is not set") == 2
    stopped = threading.Event()
    stopped.set()
    wait_for_clock(stopped, Clocks(lambda: 0, lambda: 0), not_before_ns=1)


# Spool


def numbered(number: int) -> bytes:
    return b"%08d" % number


def test_what_is_in_the_spool_is_there_after_a_restart_and_numbers_go_on(tmp_path: Path) -> None:
    spool = Spool(tmp_path / "s.db", 10**6)
    assert [spool.put(numbered) for _ in range(5)] == [0, 1, 2, 3, 4]
    spool.drop(1)
    spool.drop(1)
    spool.close()
    spool = Spool(tmp_path / "s.db", 10**6)
    assert [(each.number, each.payload) for each in spool.after(-1, 9)] == [
        (n, numbered(n)) for n in (0, 2, 3, 4)
    ]
    assert [each.number for each in spool.after(2, 1)] == [3]
    assert spool.newest == 4
    assert spool.put(numbered) == 5
    spool.close()


def test_a_full_spool_gives_up_the_oldest_and_says_so(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    spool = Spool(tmp_path / "s.db", 8 * 4)
    for _ in range(6):
        spool.put(numbered)
    assert [each.number for each in spool.after(-1, 9)] == [2, 3, 4, 5]
    assert spool.given_up == 2
    assert "gave up the oldest 1 batches" in caplog.text
    spool.close()
    spool = Spool(tmp_path / "s.db", 8 * 4)
    assert (len(spool), spool.given_up) == (4, 2)
    spool.close()


def test_a_batch_that_cannot_be_made_leaves_the_spool_as_it_was(tmp_path: Path) -> None:
    spool = Spool(tmp_path / "s.db", 10**6)

    def broken(_number: int) -> bytes:
        raise ValueError("no batch")

    with pytest.raises(ValueError, match="no batch"):
        spool.put(broken)
    assert (len(spool), spool.put(numbered)) == (0, 0)
    spool.close()


# Settings


def test_a_whole_file_of_settings_is_read(tmp_path: Path) -> None:
    file = tmp_path / "device.toml"
    file.write_text('drive = "kiln-car"\nup_line = 17\ndown_line = 27\nplain = true\nwindow_s = 5\n')
    assert read_settings(file) == settings(port=8883, window_s=5)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("up_line = 17\ndown_line = 27", "lacks drive"),
        ('drive = "d"\nup_line = 17\ndown_line = 17', "a line of its own"),
        ('drive = "d"\nup_line = "17"\ndown_line = 27', "up_line is '17': give int"),
        ('drive = "d"\nup_line = 17\ndown_line = 27\nwindows = 3', "windows, which nobody reads"),
        ('drive = "d"\nup_line = 17\ndown_line = 27\nwindow_s = 90', "give 1 to 60"),
        ('drive = "d"\nup_line = 17\ndown_line = 27\nusername = "u"', "go together"),
        ('drive = "d"\nup_line = 17\ndown_line = 27\nspool_mb = 0', "give 1 or more"),
        ('drive = "Kiln 1"\nup_line = 17\ndown_line = 27', "the first a letter or digit"),
        ("drive = ", "cannot be read"),
    ],
)
def test_settings_that_cannot_work_say_what_would(tmp_path: Path, text: str, says: str) -> None:
    file = tmp_path / "device.toml"
    file.write_text(text)
    with pytest.raises(ValueError, match=says):
        read_settings(file)


def test_without_the_chip_the_device_ends_and_says_so(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """As far as libgpiod itself can be asked without a chip: it takes our request and misses the chip."""
    with pytest.raises(OSError):
        request_lines(settings(chip=str(tmp_path / "gpiochip9")))
    file = tmp_path / "device.toml"
    file.write_text(f'drive = "d"\nup_line = 1\ndown_line = 2\nchip = "{tmp_path}/gpiochip9"\n')
    assert linux_gpio.main([str(file)]) == 1
    assert "ended: " in caplog.text
    assert linux_gpio.main([]) == 2


# The whole device


class Replay:
    """A line request whose edges are those of a simulated drive, and whose clock runs as fast as they are read."""

    def __init__(self, pulses: Pulses, lost: Sequence[int] = ()) -> None:
        both = [
            (int(tick), line)
            for line, ticks in ((UP, pulses.up_ticks), (DOWN, pulses.down_ticks))
            for tick in ticks
        ]
        counted = {UP: 0, DOWN: 0}
        self._edges: list[FakeEdge] = []
        for tick, line in sorted(both):
            counted[line] += 1
            self._edges.append(FakeEdge(line, tick * pulses.tick_ns, counted[line]))
        self._edges = [edge for n, edge in enumerate(self._edges) if n not in set(lost)]
        self._end_ns = pulses.span_ticks * pulses.tick_ns
        self._now_ns = 0
        self.done = threading.Event()

    def wait_edge_events(self, timeout: timedelta | float | None = None) -> bool:
        assert isinstance(timeout, timedelta)
        if self._edges:
            return True
        if self.done.is_set():
            time.sleep(0.01)
        self._now_ns = self._end_ns + LATE_NS
        self.done.set()
        return False

    def read_edge_events(self, max_events: int | None = None) -> list[FakeEdge]:
        assert max_events is None
        some, self._edges = self._edges[:7], self._edges[7:]
        self._now_ns = some[-1].timestamp_ns
        return some

    def release(self) -> None:
        self._edges = []

    @property
    def clocks(self) -> Clocks:
        return Clocks(lambda: self._now_ns, lambda: START_NS + self._now_ns)


def simulated(duration_s: float) -> Pulses:
    chain = SimulatedChain.make(
        pitch_mm=PITCH_MM, pitches=60, elongation_pct=1.0, rng=np.random.default_rng(1)
    )
    drive = SimulatedDrive(
        chain=chain,
        motion=Motion.constant(1.0),
        spacing_mm=12.4 * PITCH_MM,
        up_to_driver_mm=20 * PITCH_MM,
        start_ns=START_NS,
    )
    return drive.run(duration_s)


@contextmanager
def running(lines: Replay, spool: Spool, port: int, **changes: Any) -> Iterator[Device]:
    """The device at work in a thread of its own."""
    stop = threading.Event()
    with Sender(settings(port, **changes), spool) as sender:
        device = Device(settings(port, **changes), lines, spool, sender, lines.clocks)
        thread = threading.Thread(target=device.run, args=(stop,))
        thread.start()
        try:
            yield device
        finally:
            stop.set()
            thread.join(10)


@contextmanager
def ingesting(port: int) -> Iterator[tuple[FakeReadings, FakeRefused]]:
    """The worker's ingest behind the broker, with fakes for stores."""
    readings, refused, register = FakeReadings(), FakeRefused(), FakeRegister()
    register.add_drive(Drive(drive_id="kiln-car", whole_pitches=12, offset_pitches=0.4))
    register.fit_chain(
        Chain(
            chain_id="c", drive_id="kiln-car", designation="12B-1", pitch_mm=PITCH_MM, fitted_ns=START_NS - 1
        )
    )
    stop = threading.Event()
    with MqttSource("127.0.0.1", port, root="linklag/v1", client_id="worker", reconnect_max_s=0.5) as source:
        ingest = Ingest(
            source, readings, register, refused, root="linklag/v1", metrics=Metrics(CollectorRegistry())
        )
        thread = threading.Thread(target=ingest.run, args=(stop,))
        thread.start()
        try:
            until(lambda: source.status().connected)
            yield readings, refused
        finally:
            stop.set()
            thread.join(10)


def stored(readings: FakeReadings) -> list[Any]:
    return readings.raw("kiln-car", 0, START_NS + 10**6 * NS_PER_S)


def test_simulated_edges_become_readings_of_the_elongation_that_was_simulated(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    pulses = simulated(8.0)
    spool = Spool(tmp_path / "s.db", 10**7)
    with ingesting(mosquitto.port) as (readings, refused):
        with running(Replay(pulses), spool, mosquitto.port, window_s=2.0) as device:
            until(lambda: spool.newest == 3 and len(spool) == 0)
            until(lambda: len(stored(readings)) == 4)
        assert refused.rejections() == []
    assert device.lost == 0
    found = stored(readings)
    assert [each.seq for each in found] == [0, 1, 2, 3]
    assert [each.t_ns for each in found] == [START_NS + n * 2 * NS_PER_S for n in (1, 2, 3, 4)]
    for each in found:
        assert each.elongation_pct == pytest.approx(pulses.true_elongation_pct, abs=0.05), each.reason
    spool.close()


def test_without_a_broker_batches_wait_on_disk_and_go_out_after_a_restart_of_both(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    with ingesting(mosquitto.port) as (readings, refused):
        mosquitto.stop()
        lines, spool = Replay(simulated(30.0)), Spool(tmp_path / "s.db", 10**7)
        with running(lines, spool, mosquitto.port):
            until(lambda: spool.newest == 29)
        assert len(spool) == 30 > IN_FLIGHT_MAX
        spool.close()
        spool = Spool(tmp_path / "s.db", 10**7)
        mosquitto.start()
        nothing = Replay(simulated(0.5))
        with running(nothing, spool, mosquitto.port):
            until(lambda: len(stored(readings)) == 30 and len(spool) == 0)
        assert refused.rejections() == []
    assert [each.seq for each in stored(readings)] == list(range(30))
    spool.close()


def test_a_broker_that_comes_back_gets_what_waited_without_a_restart_of_the_device(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    spool = Spool(tmp_path / "s.db", 10**7)
    with ingesting(mosquitto.port) as (readings, _refused):
        mosquitto.stop()
        with running(Replay(simulated(25.0)), spool, mosquitto.port):
            until(lambda: spool.newest == 24)
            assert len(spool) == 25 > IN_FLIGHT_MAX
            mosquitto.start()
            until(lambda: len(stored(readings)) == 25 and len(spool) == 0, 60.0)
    assert [each.seq for each in stored(readings)] == list(range(25))
    spool.close()


def test_edges_that_the_kernel_lost_are_counted(
    mosquitto: Mosquitto, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    spool = Spool(tmp_path / "s.db", 10**7)
    lines = Replay(simulated(2.0), lost=[40, 41, 42])
    with running(lines, spool, mosquitto.port) as device:
        until(lambda: spool.newest == 1)
    assert device.lost == 3
    assert "the kernel lost" in caplog.text
    spool.close()


def test_what_the_broker_has_nobody_to_keep_for_stays_and_goes_out_when_there_is_somebody(
    mosquitto: Mosquitto, tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A worker that never was there, or whose session has ended: the broker acknowledges and throws away."""
    monkeypatch.setattr(linux_gpio, "REFUSED_PAUSE_S", 0.2)
    spool = Spool(tmp_path / "s.db", 10**7)
    with running(Replay(simulated(3.0)), spool, mosquitto.port):
        until(lambda: "No matching subscribers" in caplog.text)
        assert len(spool) == 3
        with ingesting(mosquitto.port) as (readings, _refused):
            until(lambda: len(stored(readings)) == 3 and len(spool) == 0)
    spool.close()


class Forgetful(socketserver.ThreadingTCPServer):
    """A broker that never answers a PUBLISH of the first connection, as one whose queue is gone; it answers those of later ones.

    Packets by MQTT 5.0, 2.1 and 3.1 to 3.4.
    """

    daemon_threads = True

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), ForgetfulConnection)
        self.connections = 0


class ForgetfulConnection(socketserver.StreamRequestHandler):
    """One connection of it."""

    server: Forgetful

    def handle(self) -> None:
        self.server.connections += 1
        answers = self.server.connections > 1
        while first := self.rfile.read(1):
            length = shift = 0
            while (byte := self.rfile.read(1)[0]) & 0x80:
                length |= (byte & 0x7F) << shift
                shift += 7
            body = self.rfile.read(length | byte << shift)
            kind, qos = first[0] >> 4, first[0] >> 1 & 3
            if kind == 1:  # CONNECT: CONNACK without session, reason or properties
                self.wfile.write(b"\x20\x03\x00\x00\x00")
            elif kind == 3 and qos == 1 and answers:  # PUBLISH: PUBACK of its packet id
                at = 2 + int.from_bytes(body[:2], "big")
                self.wfile.write(b"\x40\x02" + body[at : at + 2])
            elif kind == 12:  # PINGREQ
                self.wfile.write(b"\xd0\x00")


def test_a_broker_that_never_answers_is_connected_to_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(linux_gpio, "UNANSWERED_S", 0.3)
    with Forgetful() as broker, contextlib.closing(Spool(tmp_path / "spool.db", 10_000_000)) as spool:
        threading.Thread(target=broker.serve_forever, args=(0.05,), daemon=True).start()
        for _ in range(IN_FLIGHT_MAX + 5):
            spool.put(numbered)
        with Sender(settings(broker.server_address[1]), spool) as sender:

            def all_sent() -> bool:
                sender.send()
                return len(spool) == 0

            until(all_sent)
        broker.shutdown()
    assert broker.connections >= 2


def test_a_disk_that_is_full_costs_the_window_and_neither_its_number_nor_the_device(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """SQLite says "full" of a file that may not grow, as of a disk."""
    spool = Spool(tmp_path / "s.db", 10**7)
    pages = spool._connection.execute("PRAGMA page_count").fetchone()[0]
    spool._connection.execute(f"PRAGMA max_page_count = {pages}")
    lines = Replay(simulated(0.5))
    device = Device(settings(), lines, spool, Sender(settings(), spool), lines.clocks)
    window = Window(0, NS_PER_S, up_ns=[1000 * n for n in range(5000)])
    device._keep(window, START_NS)
    assert (device.not_kept, len(spool), spool.newest) == (1, 0, -1)
    assert "a window is lost, the disk does not take it: database or disk is full" in caplog.text
    spool._connection.execute(f"PRAGMA max_page_count = {pages + 1000}")
    device._keep(window, START_NS)
    assert (device.not_kept, len(spool), spool.newest) == (1, 1, 0)
    spool.close()


def test_an_empty_password_file_is_told(tmp_path: Path) -> None:
    (tmp_path / "password").write_text("\n")
    wanted = settings(username="kiln-car", password_file=str(tmp_path / "password"))
    spool = Spool(tmp_path / "s.db", 10**7)
    with pytest.raises(ValueError, match="first line must be the password"):
        Sender(wanted, spool)
    spool.close()
