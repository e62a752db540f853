"""Nothing lost, nothing twice: a real broker, the real worker as a process, SQLite, and what goes wrong between them."""

import contextlib
import random
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Self

import pytest
from prometheus_client import CollectorRegistry

from service.adapters.database.connect import open_database
from service.adapters.mqtt import MqttSource
from service.core.reading import Reading
from service.ingest import Ingest, Metrics
from tests.conftest import LONG, Mosquitto
from tests.fakes import FakeReadings, FakeRefused, FakeRegister
from tests.faults.sending import (
    DRIVES,
    ROOT,
    Devices,
    WorkerProcess,
    batch,
    counting,
    left_with,
    publish,
    register_drives,
    subscribed,
    until,
)

__all__ = ["ROOT", "Devices", "WorkerProcess", "batch", "register_drives", "subscribed", "until"]


@pytest.mark.timeout(170)
def test_a_worker_killed_again_and_again_and_a_broker_stopped_once_lose_nothing_and_store_nothing_twice(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    """4 000 batches at QoS 1 and 3 kills, in full length 20 000 and 10. Each kill finds the worker at work: there is always more to take."""
    batches, lives = (20_000, 11) if LONG else (4_000, 4)
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
                goal = stored() + rng.randint(200, 1500 if LONG else 500)
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
