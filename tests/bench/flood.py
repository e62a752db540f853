"""Twenty honest drives beside one that floods, on a real mosquitto: how late their readings come, and whether any is lost.

    .venv/bin/python tests/bench/flood.py [--seconds 25] [--rates 1000 3000 0]

Each honest drive sends a batch a second; the mad one sends the same window so many times a second (0: as fast as the broker takes
it), at QoS 1 and not waiting for acknowledgements, from a process of its own; it has begun before, so that what it may send at once is used up. The worker runs as shipped, then with worker.drive_batches_per_s = 0. Late is the time
from publishing to the reading that the worker publishes, which follows the store and comes every 0.25 s at most. The CPU of the
worker is of all its threads and all messages, honest ones too; where none is missing, all were handled.
"""

import argparse
import contextlib
import json
import os
import socket
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path

from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion

sys.path.insert(0, str(Path(__file__).parents[2]))

from service.adapters.database.connect import open_database
from tests.conftest import Mosquitto
from tests.faults.sending import DOWN, ROOT, UP, WorkerProcess, register_drives

HONEST = 20
MAD = f"d{HONEST}"
AFTER_S = 20.0  # for what waits once the mad device has stopped
BURST = 12_000  # messages after which the purse of a drive is empty, as shipped
PACKETS = 200  # written to the socket at once


def cpu_s(pid: int) -> float:
    """Seconds of CPU that a process has taken, in all its threads."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def batch(seq: int, t0_ns: int) -> bytes:
    return json.dumps({"v": 1, "seq": seq, "t0": t0_ns // 1000, "up": UP, "down": DOWN}).encode()


def flood(port: int, seconds: float, per_s: float) -> int:
    """Send the same batch again and again; return how many the broker acknowledged. per_s 0: as fast as it takes them."""
    topic, payload = f"{ROOT}/{MAD}/pulses".encode(), batch(1, time.time_ns() - 60 * 10**9)
    name = b"mad"
    connect = b"\x00\x04MQTT\x04\x02\x00\x00" + len(name).to_bytes(2, "big") + name
    acknowledged, begin_s, sent = [0], time.monotonic(), 0
    with socket.create_connection(("127.0.0.1", port)) as connection:
        connection.sendall(b"\x10" + _length(len(connect)) + connect)
        connection.recv(4)

        def count() -> None:
            with contextlib.suppress(OSError):
                while got := connection.recv(65536):
                    acknowledged[0] += len(got) // 4  # a PUBACK of MQTT 3.1.1

        threading.Thread(target=count, daemon=True).start()
        rest = len(topic).to_bytes(2, "big") + topic
        body = _length(len(rest) + 2 + len(payload))
        packet_id = 0
        while (now_s := time.monotonic()) < begin_s + seconds:
            many = bytearray()
            due = PACKETS if per_s == 0 else int((now_s - begin_s) * per_s) - sent
            for _ in range(due):
                packet_id = packet_id % 65535 + 1
                many += b"\x32" + body + rest + packet_id.to_bytes(2, "big") + payload
            connection.sendall(many)
            sent += due
            if per_s:
                time.sleep(0.01)
        time.sleep(0.5)
    return acknowledged[0]


def _length(count: int) -> bytes:
    """A variable byte integer (MQTT 3.1.1, 2.2.3)."""
    out = bytearray()
    while True:
        count, digit = divmod(count, 128)
        out.append(digit | (0x80 if count else 0))
        if not count:
            return bytes(out)


class Honest:
    """Twenty devices as one client, and what the worker says of them."""

    def __init__(self, port: int) -> None:
        self._sent: dict[tuple[str, int], float] = {}
        self.late_s: dict[tuple[str, int], float] = {}
        self._client = paho.Client(CallbackAPIVersion.VERSION2, "honest", protocol=paho.MQTTv5)
        self._client.on_message = self._heard
        self._client.on_connect = lambda client, *_: client.subscribe(f"{ROOT}/+/elongation", 1)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self.seq = 0

    def _heard(self, _client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        drive, now_s = message.topic.split("/")[-2], time.monotonic()
        seq = json.loads(message.payload)["seq"]
        # Only the newest is published: those before it are stored by then too.
        for key in [key for key in self._sent if key[0] == drive and key[1] <= seq]:
            self.late_s[key] = now_s - self._sent.pop(key)

    def send(self, seconds: float) -> None:
        """A batch a second of each, spread over the second."""
        begin_s = time.monotonic()
        for number in range(int(seconds * HONEST)):
            time.sleep(max(0.0, begin_s + number / HONEST - time.monotonic()))
            drive = f"d{number % HONEST}"
            if number % HONEST == 0:
                self.seq += 1
            self._sent[drive, self.seq] = time.monotonic()
            self._client.publish(f"{ROOT}/{drive}/pulses", batch(self.seq, time.time_ns() - 10**9), 1)

    @property
    def waiting(self) -> int:
        return len(self._sent)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@contextlib.contextmanager
def a_worker(per_s: float) -> Iterator[tuple[int, Path, WorkerProcess]]:
    """A broker, a store with the drives in it and the worker, at work. Gives the broker's port, the store and the worker."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with contextlib.closing(open_database(f"sqlite:///{folder}/linklag.db")) as database:
            register_drives(database.register, HONEST + 1)
        broker = Mosquitto(folder)
        broker.start()
        worker = WorkerProcess(
            broker.port,
            folder,
            LINKLAG_WORKER__DRIVE_BATCHES_PER_S=str(per_s),
            LINKLAG_LOG__LEVEL="error",
        )
        worker.start()
        try:
            yield broker.port, folder / "linklag.db", worker
        finally:
            worker.stop()
            broker.stop()


def run(what: str, per_s: float, seconds: float, *, mad_per_s: float | None) -> None:
    with a_worker(per_s) as (port, file, worker):
        honest = Honest(port)
        while not honest.late_s:  # until the worker has subscribed
            worker.is_up()
            honest.send(1.0)
        time.sleep(2.0)
        honest.late_s.clear()
        honest._sent.clear()
        first = honest.seq + 1
        process = None
        assert worker.process is not None
        before_cpu_s = cpu_s(worker.process.pid)
        before_s = (
            0.0 if mad_per_s is None else BURST / mad_per_s if mad_per_s else 3.0
        )  # until its purse is empty
        if mad_per_s is not None:
            process = subprocess.Popen(
                [sys.executable, __file__, "--mad", str(port), str(before_s + seconds), str(mad_per_s)],
                env=os.environ,
                stdout=subprocess.PIPE,
                text=True,
            )
        time.sleep(before_s)
        honest.send(seconds)
        flooded = int(process.communicate(timeout=300)[0]) if process is not None else 0
        end_s = time.monotonic() + AFTER_S
        while honest.waiting and time.monotonic() < end_s:
            time.sleep(0.1)
        # What has not come is at least so late.
        late = sorted([*honest.late_s.values(), *[float("inf")] * honest.waiting])
        honest.close()
        query = (
            "SELECT count(*) FROM reading JOIN drive_number USING (drive_no) WHERE seq >= ? AND drive_id <> ?"
        )
        with contextlib.closing(sqlite3.connect(f"file:{file}?mode=ro", uri=True, timeout=30)) as store:
            stored = store.execute(query, (first, MAD)).fetchone()[0]
        assert worker.process is not None
        cpu_us = (cpu_s(worker.process.pid) - before_cpu_s) / (flooded + len(late)) * 1e6
    print(
        f"{what}: flood {flooded / (before_s + seconds):.0f}/s; honest: {len(late)} sent, {stored} stored by {AFTER_S:.0f} s after; "
        f"late: median {statistics.median(late):.2f} s, 95 % {late[int(0.95 * (len(late) - 1))]:.2f} s, most {late[-1]:.2f} s; worker's CPU {cpu_us:.0f} us a message",
        flush=True,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--seconds", type=float, default=25.0)
    parser.add_argument("--rates", type=float, nargs="+", default=[1000.0, 3000.0, 0.0])
    parser.add_argument("--mad", nargs=3, metavar=("PORT", "SECONDS", "RATE"), help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.mad:
        port, seconds, per_s = given.mad
        print(flood(int(port), float(seconds), float(per_s)))
        return
    run("no flood", 2.0, given.seconds, mad_per_s=None)
    for rate in given.rates:
        run("as shipped", 2.0, given.seconds, mad_per_s=rate)
        run("no bound on what a drive may send", 0.0, given.seconds, mad_per_s=rate)


if __name__ == "__main__":
    main()
