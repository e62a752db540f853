"""Two brokers, a worker process for each from one settings file, one of them stopped and one killed midway: all is stored once."""

import contextlib
import json
import os
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion

from service.adapters.database.connect import open_database
from tests.begun import Begun
from tests.conftest import Mosquitto
from tests.faults.sending import ROOT, Devices, batch, counting, register_drives, until

BATCHES = 2000  # of four drives, two at each broker
SITES = {"kilns": ("plant/site-a", (0, 1)), "presses": (ROOT, (2, 3))}


class PartitionWorker:
    """`linklag worker --partition NAME`."""

    def __init__(self, folder: Path, name: str) -> None:
        self._log = folder / f"{name}.log"
        self._arguments = ("worker", "--config", str(folder / "linklag.toml"), "--partition", name)
        self.process: Begun | None = None

    def start(self) -> None:
        self.process = Begun("linklag", *self._arguments, env=os.environ, out=self._log, err=self._log)

    def is_up(self) -> bool:
        assert self.process is not None
        assert self.process.poll() is None, f"it ended by itself: {self._log.read_text()[-3000:]}"
        return True

    def end(self, *, kill: bool = False) -> None:
        if self.process is not None:
            (self.process.kill if kill else self.process.terminate)()
            self.process.wait(30)
            self.process = None


@contextlib.contextmanager
def plant(folder: Path) -> Iterator[dict[str, tuple[Mosquitto, PartitionWorker]]]:
    brokers: dict[str, Mosquitto] = {}
    for name in SITES:
        (folder / name).mkdir()
        brokers[name] = Mosquitto(folder / name)
    tables = [
        f"[partition.{name}]\nport = {brokers[name].port}\nroots = ['{root}']\n"
        f"drives = {[f'd{drive}' for drive in drives]}\n"
        for name, (root, drives) in SITES.items()
    ]
    settings = f"[store]\nfolder = '{folder}'\n[log]\nlevel = 'warning'\n[deliver]\nmqtt = false\n"
    (folder / "linklag.toml").write_text(settings + "".join(tables))
    workers = {name: PartitionWorker(folder, name) for name in SITES}
    try:
        for name in SITES:
            brokers[name].start()
            workers[name].start()
        yield {name: (brokers[name], workers[name]) for name in SITES}
    finally:
        for name in SITES:
            workers[name].end()
            brokers[name].stop()


def hears(broker: Mosquitto, topic: str) -> bool:
    """Whether a session takes what is published there."""
    reasons: list[int] = []
    probe = paho.Client(CallbackAPIVersion.VERSION2, "probe", protocol=paho.MQTTv5)
    probe.on_publish = lambda _c, _d, _id, reason, _p: reasons.append(reason.value)
    probe.connect("127.0.0.1", broker.port)
    probe.publish(topic, b"", 1)
    end_s = time.monotonic() + 2
    while not reasons and time.monotonic() < end_s:
        probe.loop(0.02)
    probe.disconnect()
    return reasons == [0]  # 16: no matching subscribers


def retained(broker: Mosquitto) -> dict[str, int]:
    """By topic, the batch that the newest reading came from."""
    found: dict[str, int] = {}
    client = paho.Client(CallbackAPIVersion.VERSION2, "looks", protocol=paho.MQTTv5)
    client.on_message = lambda _c, _d, message: found.update(
        {message.topic: json.loads(message.payload)["seq"]}
    )
    client.on_connect = lambda c, *_: c.subscribe("#")
    client.connect("127.0.0.1", broker.port)
    end_s = time.monotonic() + 0.5
    while time.monotonic() < end_s:
        client.loop(0.05)
    client.disconnect()
    return {topic: seq for topic, seq in found.items() if topic.endswith("/elongation")}


@pytest.mark.timeout(170)
def test_two_partitions_at_two_brokers_one_stopped_and_one_killed_midway_store_all_once(
    tmp_path: Path,
) -> None:
    with contextlib.closing(open_database(f"sqlite:///{tmp_path / 'linklag.db'}")) as database:
        register_drives(database.register, 4)
    each = BATCHES // 4
    with plant(tmp_path) as sites, counting(tmp_path / "linklag.db") as stored:
        for name, (broker, worker) in sites.items():
            root, drives = SITES[name]
            topic = f"{root}/d{drives[0]}/status"
            until(lambda w=worker, b=broker, t=topic: w.is_up() and hears(b, t), 60)  # type: ignore[misc]
        devices = {name: Devices(broker.port) for name, (broker, _worker) in sites.items()}
        try:
            for name, (root, drives) in SITES.items():
                for seq in range(each):
                    for drive in drives:
                        devices[name].publish(batch(seq), f"{root}/d{drive}/pulses")
            until(lambda: stored() > BATCHES // 20, 60)
            sites["presses"][1].end(kill=True)
            sites["kilns"][1].end()
            before = stored()
            assert before < BATCHES, "that came too late to mean anything"
            for one in devices.values():
                one.wait()
            for _broker, worker in sites.values():
                worker.start()
            until(lambda: stored() == BATCHES, 60)
            newest = {
                name: {f"{root}/d{d}/elongation": each - 1 for d in ds} for name, (root, ds) in SITES.items()
            }
            for name, (broker, _worker) in sites.items():
                until(lambda b=broker, n=name: retained(b) == newest[n])  # type: ignore[misc]
        finally:
            for one in devices.values():
                one.close()
    with contextlib.closing(open_database(f"sqlite:///{tmp_path / 'linklag.db'}")) as database:
        for drive in range(4):
            readings = database.readings.raw(f"d{drive}", 0, time.time_ns())
            assert [reading.seq for reading in readings] == list(range(each))
        assert database.refused.rejections() == []
