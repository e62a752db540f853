"""Nothing lost, nothing twice: a real broker, the real worker as a process, SQLite, and what goes wrong between them."""

import contextlib
import json
import os
import random
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Self

import pytest
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion
from prometheus_client import CollectorRegistry

from service.adapters.database.connect import open_database
from service.adapters.mqtt import MqttSource
from service.core.drive import Chain, Drive
from service.core.reading import Reading
from service.ingest import Ingest, Metrics
from service.ports import Register
from tests.conftest import Mosquitto
from tests.fakes import FakeReadings, FakeRefused, FakeRegister

ROOT = "linklag/v1"
DRIVES = 20
S = 1_000_000_000
T0_NS = time.time_ns() - 30 * 86400 * S
UP = [500 + 20_000 * joint for joint in range(24)]
DOWN = [tick + 9_000 for tick in UP]
TICKS = f'"up":{json.dumps(UP)},"down":{json.dumps(DOWN)}'


def batch(seq: int) -> bytes:
    """Batch `seq` of a drive: one second of a steady chain."""
    return b'{"v":1,"seq":%d,"t0":%d,%s}' % (seq, T0_NS // 1000 + seq * 1_000_000, TICKS.encode())


def register_drives(register: Register, count: int = DRIVES) -> None:
    for number in range(count):
        register.add_drive(Drive(drive_id=f"d{number}", whole_pitches=12, offset_pitches=0.5))
        register.fit_chain(
            Chain(
                chain_id=f"c{number}",
                drive_id=f"d{number}",
                designation="16B-1",
                pitch_mm=25.4,
                fitted_ns=T0_NS - 86400 * S,
            )
        )


def until(condition: Callable[[], object], timeout_s: float = 20.0) -> None:
    end_s = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < end_s, "waited in vain"
        time.sleep(0.01)


class Devices:
    """The capture devices, as one client: publishes at QoS 1 and sends again what was not acknowledged."""

    def __init__(self, port: int) -> None:
        self.client = paho.Client(CallbackAPIVersion.VERSION2, "devices", protocol=paho.MQTTv5)
        self.client.max_inflight_messages_set(200)
        self.client.reconnect_delay_set(1, 1)
        self.client.connect("127.0.0.1", port, clean_start=False)
        self.client.loop_start()
        self.sent: list[paho.MQTTMessageInfo] = []

    def publish(self, payload: bytes, topic: str) -> None:
        self.sent.append(self.client.publish(topic, payload, 1))

    def wait(self, timeout_s: float = 60.0) -> None:
        """Until the broker has all."""
        end_s = time.monotonic() + timeout_s
        for info in self.sent:
            # While it is away, paho says so by an exception; it sends the message again by itself.
            while not _published(info):
                assert time.monotonic() < end_s, "the broker did not take all"

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def _published(info: paho.MQTTMessageInfo) -> bool:
    try:
        info.wait_for_publish(0.2)
        return info.is_published()
    except (RuntimeError, ValueError):
        time.sleep(0.05)
        return False


class WorkerProcess:
    """`linklag worker` on the test's broker and store."""

    def __init__(self, port: int, folder: Path) -> None:
        self._log = folder / "worker.log"
        self._command = [sys.executable, "-c", "from service.main import run; run()"]
        self._command += ["worker", "--data", str(folder)]
        self._environment = os.environ | {"LINKLAG_BROKER__PORT": str(port), "LINKLAG_LOG__LEVEL": "warning"}
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with self._log.open("ab") as out:
            self.process = subprocess.Popen(
                self._command, env=self._environment, stdout=out, stderr=subprocess.STDOUT
            )

    def is_up(self) -> bool:
        """True, or fail with what it said last."""
        assert self.process is not None
        assert self.process.poll() is None, f"the worker ended by itself: {self._log.read_text()[-3000:]}"
        return True

    def kill(self) -> None:
        assert self.is_up()
        assert self.process is not None
        self.process.kill()
        self.process.wait(10)
        self.process = None

    def stop(self) -> None:
        if self.process is not None:
            self.process.terminate()
            with contextlib.suppress(subprocess.TimeoutExpired):
                self.process.wait(15)
            self.process.kill()
            self.process = None


@contextmanager
def counting(file: Path) -> Iterator[Callable[[], int]]:
    """How many readings are in the store, by a connection of its own."""
    connection = sqlite3.connect(f"file:{file}?mode=ro", uri=True, timeout=10)
    yield lambda: int(connection.execute("SELECT count(*) FROM reading").fetchone()[0])
    connection.close()


@pytest.mark.timeout(170)
def test_a_worker_killed_ten_times_and_a_broker_stopped_once_lose_nothing_and_store_nothing_twice(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    """20 000 batches at QoS 1. Each kill finds the worker at work: there is always more to take."""
    batches, lives = 20_000, 11
    file = tmp_path / "linklag.db"
    with contextlib.closing(open_database(f"sqlite:///{file}")) as database:
        register_drives(database.register)
    worker = WorkerProcess(mosquitto.port, tmp_path)
    worker.start()
    devices = Devices(mosquitto.port)
    rng = random.Random(20)
    try:
        with counting(file) as stored:
            until(lambda: worker.is_up() and subscribed(mosquitto), 60.0)
            publish(devices, range(batches // 2))
            for life in range(1, lives):
                goal = stored() + rng.randint(200, 1500)
                until(lambda goal=goal: worker.is_up() and stored() >= goal, 60.0)  # type: ignore[misc]
                if life == lives // 2:
                    publish(
                        devices, range(batches // 2, batches)
                    )  # which takes longer than to stop the broker
                    mosquitto.stop()
                    time.sleep(0.5)
                    mosquitto.start()
                    goal = stored() + 200
                    until(lambda goal=goal: worker.is_up() and stored() >= goal, 60.0)  # type: ignore[misc]
                worker.kill()
                assert stored() < batches, "the kill came too late to mean anything"
                worker.start()
            devices.wait()
            until(lambda: worker.is_up() and stored() == batches, 60.0)
            time.sleep(0.5)
            assert stored() == batches
        worker.stop()
        with contextlib.closing(open_database(f"sqlite:///{file}")) as database:
            for drive in range(DRIVES):
                readings = database.readings.raw(f"d{drive}", 0, time.time_ns())
                assert [reading.seq for reading in readings] == list(range(batches // DRIVES))
                assert all(reading.elongation_pct is not None for reading in readings)
            assert database.refused.rejections() == []
        assert left_with(mosquitto) == [], "all was acknowledged"
    finally:
        devices.close()
        worker.stop()


def publish(devices: Devices, numbers: range) -> None:
    """One batch of each drive after the other."""
    for number in numbers:
        devices.publish(batch(number // DRIVES), f"{ROOT}/d{number % DRIVES}/pulses")


def subscribed(broker: Mosquitto) -> bool:
    """Whether the worker's session stands, so that the broker keeps what is published from now on."""
    probe = paho.Client(CallbackAPIVersion.VERSION2, "probe", protocol=paho.MQTTv5)
    probe.connect("127.0.0.1", broker.port)
    probe.loop_start()
    try:
        sent = probe.publish(f"{ROOT}/probe/status", b"", 1)
        reasons: list[int] = []
        probe.on_publish = lambda _c, _d, _id, reason, _p: reasons.append(reason.value)
        sent.wait_for_publish(5)
        time.sleep(0.05)
        return reasons == [0]  # 16: no matching subscribers
    finally:
        probe.disconnect()
        probe.loop_stop()


def left_with(broker: Mosquitto) -> list[bytes]:
    """What the broker still has for the worker."""
    with MqttSource("127.0.0.1", broker.port, root=ROOT, client_id="linklag-worker") as source:
        until(lambda: source.status().connected)
        return [message.payload for message in source.receive(100, 1.0)]


# The parts in one process, where a test can make the store fail


class Slow(FakeReadings):
    """A store that takes its time, and sometimes none at all."""

    def __init__(self) -> None:
        super().__init__()
        self.takes_s = 0.0

    def store(self, readings: Sequence[Reading]) -> int:
        time.sleep(self.takes_s)
        return super().store(readings)

    def __len__(self) -> int:
        return len(self._readings)


class Running:
    """A source and an ingest at work in a thread, with a store in memory."""

    def __init__(self, port: int, *, keepalive_s: int = 30, receive_maximum: int = 100) -> None:
        self.readings, self.register, self.refused = (
            Slow(),
            FakeRegister(),
            FakeRefused(rejections_per_drive=1000),
        )
        register_drives(self.register, 1)
        self.source = MqttSource(
            "127.0.0.1",
            port,
            root=ROOT,
            client_id="worker",
            keepalive_s=keepalive_s,
            receive_maximum=receive_maximum,
            reconnect_max_s=0.5,
        )
        self.ingest = Ingest(
            self.source,
            self.readings,
            self.register,
            self.refused,
            root=ROOT,
            metrics=Metrics(CollectorRegistry()),
        )
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self.ingest.run, args=(self._stop,), daemon=True)

    def __enter__(self) -> Self:
        self.source.start()
        self._thread.start()
        until(lambda: self.source.status().connected)
        time.sleep(0.1)
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(10)
        self.source.close()


@contextmanager
def devices_at(port: int) -> Iterator[Devices]:
    devices = Devices(port)
    yield devices
    devices.close()


def test_a_store_that_fails_for_a_while_costs_nothing_but_time(mosquitto: Mosquitto) -> None:
    with Running(mosquitto.port) as worker, devices_at(mosquitto.port) as devices:
        for seq in range(2000):
            if seq == 500:
                until(lambda: len(worker.readings))
                worker.readings.down = worker.refused.down = worker.register.down = "disk full"
            devices.publish(batch(seq), f"{ROOT}/d0/pulses")
        devices.wait()
        until(lambda: not worker.ingest.health().store_ok)
        at_failure = len(worker.readings)
        time.sleep(0.5)
        assert len(worker.readings) == at_failure < 2000
        worker.readings.down = worker.refused.down = worker.register.down = None
        until(lambda: len(worker.readings) == 2000)
        until(lambda: worker.ingest.health().store_ok)
        assert worker.source.status().reconnects == 0


def test_a_store_slower_than_the_keepalive_costs_no_connection(mosquitto: Mosquitto) -> None:
    with Running(mosquitto.port, keepalive_s=1) as worker, devices_at(mosquitto.port) as devices:
        worker.readings.takes_s = 3.5
        devices.publish(batch(0), f"{ROOT}/d0/pulses")
        until(lambda: len(worker.readings) == 1)
        worker.readings.takes_s = 0.0
        devices.publish(batch(1), f"{ROOT}/d0/pulses")
        until(lambda: len(worker.readings) == 2)
        assert worker.source.status().reconnects == 0


def poison(seq: int) -> bytes:
    """Eight ways of being no batch, in turn."""
    good = batch(seq)
    return [
        b"\xff\xfe junk %d" % seq,
        b"",
        good.replace(b'"v":1', b'"v":9'),
        good[:-7],
        b'{"v":1,"seq":%d,"t0":0,"up":[],"down":[]}' % seq,
        b"\xbf" * 50_000,
        good.replace(b'"up":[500', b'"up":[-500'),
        b"[" * 100_000,
    ][seq % 8]


def test_poison_between_the_batches_stops_none_of_them_and_all_of_it_is_kept(mosquitto: Mosquitto) -> None:
    with Running(mosquitto.port) as worker, devices_at(mosquitto.port) as devices:
        for seq in range(400):
            devices.publish(batch(seq), f"{ROOT}/d0/pulses")
            devices.publish(poison(seq), f"{ROOT}/d0/pulses")
        devices.wait()
        until(lambda: len(worker.readings) == 400)
        until(lambda: sum(kept.repeats + 1 for kept in worker.refused.rejections("d0", rows_max=1000)) == 400)
        assert all(kept.rejection.detail for kept in worker.refused.rejections("d0", rows_max=1000))
        until(lambda: worker.source.status().in_flight == 0)


def test_a_broker_restarted_in_the_middle_costs_nothing(mosquitto: Mosquitto) -> None:
    with Running(mosquitto.port, receive_maximum=20) as worker, devices_at(mosquitto.port) as devices:
        for seq in range(3000):
            devices.publish(batch(seq), f"{ROOT}/d0/pulses")
        until(lambda: len(worker.readings) > 200)
        for _ in range(2):
            mosquitto.stop()
            until(lambda: not worker.source.status().connected)
            mosquitto.start()
            until(lambda: worker.source.status().connected)
        devices.wait()
        until(lambda: len(worker.readings) == 3000)
        assert worker.refused.rejections() == []
