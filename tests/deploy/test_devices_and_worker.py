"""All four devices at one broker, and `linklag worker` as a process behind it: the elongation simulated comes out of each."""

import contextlib
import json
import time
from collections.abc import Iterator
from pathlib import Path

import cbor2
import numpy as np
import pytest
from linux_gpio import Spool
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion

from sensors_sim.chain import SimulatedChain
from sensors_sim.drive import Pulses, SimulatedDrive
from sensors_sim.motion import Motion
from service.adapters.database.connect import open_database
from service.core.cbor import typed_array
from service.core.drive import Chain, Drive
from tests.conftest import Mosquitto
from tests.deploy.test_batch_encoders import Fields, in_c, in_python
from tests.deploy.test_capture_st import PROGRAM
from tests.deploy.test_linux_gpio import PITCH_MM, START_NS, Replay, running
from tests.faults.test_nothing_lost import ROOT, WorkerProcess, subscribed, until
from tests.test_wire_documents import SCHEMAS, fits

S = 1_000_000_000
DRIVES = ("linux", "python", "c", "controller")


def simulated() -> Pulses:
    chain = SimulatedChain.make(
        pitch_mm=PITCH_MM, pitches=60, elongation_pct=0.8, rng=np.random.default_rng(5)
    )
    drive = SimulatedDrive(
        chain=chain,
        motion=Motion.constant(1.0),
        spacing_mm=12.4 * PITCH_MM,
        up_to_driver_mm=20 * PITCH_MM,
        start_ns=START_NS,
    )
    return drive.run(4.0)


def fields_of(pulses: Pulses) -> Fields:
    fields: Fields = {"v": 1, "seq": 0, "t0": START_NS // 1000, "span_ticks": pulses.span_ticks}
    return fields | {"up": pulses.up_ticks.tolist(), "down": pulses.down_ticks.tolist()}


def controller_texts(pulses: Pulses) -> Iterator[str]:
    """What LagCapture has published, scan by scan."""
    capture = PROGRAM.make("LagCapture")
    waiting = [pulses.up_ticks.tolist(), pulses.down_ticks.tolist()]
    for now in range(10_000, pulses.span_ticks, 10_000):
        ups, downs = ([at for at in queue if at <= now][:32] for queue in waiting)
        capture(
            Latch=now,
            UtcUs=START_NS // 1000 + now,
            Ups=ups,
            UpCount=len(ups),
            Downs=downs,
            DownCount=len(downs),
        )
        del waiting[0][: capture.UpTaken], waiting[1][: capture.DownTaken]
        if capture.Publish:
            yield capture.Text


def publish(port: int, messages: list[tuple[str, bytes]]) -> None:
    client = paho.Client(CallbackAPIVersion.VERSION2, "boxes", protocol=paho.MQTTv5)
    client.connect("127.0.0.1", port)
    client.loop_start()
    for sent in [client.publish(topic, payload, 1) for topic, payload in messages]:
        sent.wait_for_publish(10)
    client.disconnect()
    client.loop_stop()


def run_linux_device(port: int, folder: Path, pulses: Pulses) -> None:
    """Until the broker has both its windows."""
    spool = Spool(folder / "batches.db", 10**7)
    with running(Replay(pulses), spool, port, drive="linux", window_s=2.0):
        until(lambda: spool.newest == 1 and len(spool) == 0)
    spool.close()


def test_what_each_device_saw_is_stored_as_the_elongation_that_was_simulated(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    pulses = simulated()
    texts = [text.encode() for text in controller_texts(pulses)]
    assert len(texts) == 3
    url = f"sqlite:///{tmp_path / 'linklag.db'}"
    with contextlib.closing(open_database(url)) as database:
        for drive in DRIVES:
            database.register.add_drive(Drive(drive_id=drive, whole_pitches=12, offset_pitches=0.4))
            database.register.fit_chain(
                Chain(
                    chain_id=drive,
                    drive_id=drive,
                    designation="12B-1",
                    pitch_mm=PITCH_MM,
                    fitted_ns=START_NS - S,
                )
            )
    worker = WorkerProcess(mosquitto.port, tmp_path)
    worker.start()
    try:
        until(lambda: worker.is_up() and subscribed(mosquitto), 60.0)
        run_linux_device(mosquitto.port, tmp_path, pulses)
        messages = [(f"{ROOT}/controller/lag", text) for text in texts]
        messages.append((f"{ROOT}/python/pulses", in_python(fields_of(pulses))))
        messages.append((f"{ROOT}/c/pulses", in_c(fields_of(pulses))))
        publish(mosquitto.port, messages)
        with contextlib.closing(open_database(url)) as database:
            stored = database.readings.raw
            wanted = {"linux": 2, "python": 1, "c": 1, "controller": 3}
            until(lambda: {drive: len(stored(drive, 0, time.time_ns())) for drive in DRIVES} == wanted, 60.0)
            assert database.refused.rejections() == []
            for drive in DRIVES:
                for reading in stored(drive, 0, time.time_ns()):
                    assert reading.elongation_pct == pytest.approx(pulses.true_elongation_pct, abs=0.15), (
                        drive
                    )
    finally:
        worker.stop()


def test_what_the_devices_send_fits_the_document() -> None:
    pulses = simulated()
    for encode in (in_python, in_c):
        sent = cbor2.loads(
            encode(fields_of(pulses) | {"dir": -1, "temp_c": 48.5, "load_n": -3.0, "dev": "box"})
        )
        for name in ("up", "down"):
            sent[name] = typed_array(sent[name]).tolist()
        assert fits(sent, SCHEMAS["pulses"])
    for text in controller_texts(pulses):
        assert fits(json.loads(text), SCHEMAS["lag"])
