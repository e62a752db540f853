"""What faults are made against: devices that send for real, `linklag` as processes of its own, and the store counted.

Tests, the table of faults and benchmarks start from here.
"""

import contextlib
import json
import os
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion

from service.adapters.mqtt import MqttSource
from service.core.drive import Chain, Drive
from service.ports import Register
from tests.begun import Begun, Process
from tests.conftest import Mosquitto

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

    def __init__(self, port: int, host: str = "127.0.0.1") -> None:
        self.client = paho.Client(CallbackAPIVersion.VERSION2, "devices", protocol=paho.MQTTv5)
        self.client.max_inflight_messages_set(200)
        self.client.reconnect_delay_set(1, 1)
        self.client.connect(host, port, clean_start=False)
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
    """`linklag worker` on the test's broker and store; or another of its long-running commands."""

    def __init__(
        self,
        port: int,
        folder: Path,
        *,
        command: str = "worker",
        within: Sequence[str] = (),
        log: Path | None = None,
        data: bool = True,
        **environment: str,
    ) -> None:
        """A process that is not started yet.

        Args:
            port: of the broker.
            folder: of the store.
            command: of linklag.
            within: what it is started by, as `ip netns exec NAME`.
            data: whether the folder is given on the command line, which wins over a store that the environment names.
            log: where it writes what it says; None: into the folder.
            environment: what it finds there beside what we have, as settings.
        """
        self._log = log or folder / f"{command}.log"
        self._within = within
        self._arguments = [command, *(["--data", str(folder)] if data else [])]
        settings = {"LINKLAG_BROKER__PORT": str(port), "LINKLAG_LOG__LEVEL": "warning"}
        self.environment = os.environ | settings | environment
        self.process: Process | None = None

    def start(self) -> None:
        if not self._within:
            self.process = Begun(
                "linklag", *self._arguments, env=self.environment, out=self._log, err=self._log
            )
            return
        command = [*self._within, sys.executable, "-c", "from service.main import run; run()"]
        with self._log.open("ab") as out:
            self.process = subprocess.Popen(
                [*command, *self._arguments], env=self.environment, stdout=out, stderr=subprocess.STDOUT
            )

    def is_up(self) -> bool:
        """True, or fail with what it said last."""
        assert self.process is not None
        assert self.process.poll() is None, f"the worker ended by itself: {self.said[-3000:]}"
        return True

    def kill(self) -> None:
        assert self.is_up()
        assert self.process is not None
        self.process.kill()
        self.process.wait(10)
        self.process = None

    @property
    def said(self) -> str:
        """All that it has written so far."""
        return self._log.read_text() if self._log.exists() else ""

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


def publish(devices: Devices, numbers: range) -> None:
    """One batch of each drive after the other."""
    for number in numbers:
        devices.publish(batch(number // DRIVES), f"{ROOT}/d{number % DRIVES}/pulses")


def subscribed(broker: Mosquitto) -> bool:
    """Whether the worker's session stands, so that the broker keeps what is published from now on."""
    probe = paho.Client(CallbackAPIVersion.VERSION2, "probe", protocol=paho.MQTTv5)
    probe.connect(broker.host, broker.port)
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
