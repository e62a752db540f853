"""Nothing lost, nothing twice with readings in a real InfluxDB: broker, worker and engine as processes, and all but the broker killed.

Counted are the points in the engine, and what they are, not what anybody says of them.
"""

import contextlib
import signal
import tempfile
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest

from service.adapters.database.connect import open_database
from service.adapters.influx.client import InfluxClient
from service.adapters.influx.readings import InfluxReadings
from service.ports import Resolution, StoreUnavailableError
from tests.conftest import Mosquitto
from tests.faults.sending import (
    DRIVES,
    Devices,
    WorkerProcess,
    left_with,
    publish,
    register_drives,
    subscribed,
    until,
)
from tests.influx import InfluxServer

BATCHES = 1000


@pytest.fixture
def engine() -> Iterator[InfluxServer]:
    with tempfile.TemporaryDirectory() as folder:
        server = InfluxServer(Path(folder))
        server.start()
        server.ask("CREATE DATABASE plant")
        yield server
        server.stop()


def stored(client: InfluxClient) -> int:
    """How many points of readings the engine has; -1 where it is away."""
    try:
        found = client.query(
            'SELECT COUNT("seq") FROM "reading" WHERE time > 0 AND time <= 9223372036854775806'
        )
    except StoreUnavailableError:
        return -1
    return int(found[0].rows[0][1]) if found else 0


@pytest.mark.timeout(120)
def test_worker_and_engine_both_killed_at_work_lose_nothing_and_store_nothing_twice(
    mosquitto: Mosquitto, engine: InfluxServer, tmp_path: Path
) -> None:
    client = engine.client("plant", timeout_s=2.0)
    with contextlib.closing(open_database(f"sqlite:///{tmp_path / 'linklag.db'}")) as database:
        register_drives(database.register)
    worker = WorkerProcess(
        mosquitto.port, tmp_path, LINKLAG_INFLUX__URL=engine.url, LINKLAG_INFLUX__BUCKET="plant/autogen"
    )
    worker.start()
    devices = Devices(mosquitto.port)
    try:
        until(lambda: worker.is_up() and subscribed(mosquitto), 60.0)
        publish(devices, range(BATCHES))
        until(lambda: worker.is_up() and stored(client) > 0, 40.0)
        engine.stop(signal.SIGKILL)
        time.sleep(1.0)
        worker.kill()
        engine.start()
        assert stored(client) < BATCHES, "the kill came too late to mean anything"
        worker.start()
        devices.wait()
        until(lambda: worker.is_up() and stored(client) == BATCHES, 60.0)
        worker.stop()
        assert left_with(mosquitto) == [], "all was acknowledged"
    finally:
        devices.close()
        worker.stop()
    with contextlib.closing(
        open_database(f"sqlite:///{tmp_path / 'linklag.db'}", series=partial(InfluxReadings, client))
    ) as database:
        assert database.refused.rejections() == []
        while database.readings.roll_up():
            pass
        for drive in range(DRIVES):
            readings = database.readings.raw(f"d{drive}", 0, time.time_ns())
            assert [reading.seq for reading in readings] == list(range(BATCHES // DRIVES))
            days = database.readings.rolled(f"d{drive}", 0, 2**62, Resolution.DAY)
            assert sum(day.readings for day in days) == BATCHES // DRIVES
    assert stored(client) == BATCHES
