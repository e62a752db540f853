"""Batches per second from the broker to a durable, acknowledged reading, as a ratio to a bare paho-mqtt subscriber.

    .venv/bin/python tests/bench/throughput.py [--batches 6000] [--rounds 5]

A backlog of the same messages waits in one mosquitto for each: the worker with its settings as shipped (SQLite in WAL
mode with FULL synchronisation on this disk, 20 registered drives), and a subscriber that does nothing (paho
loop_forever, empty callback, acknowledges by itself). Each runs in a process of its own; they take turns, and the medians
count. 2 x 150 pulses a batch from the simulator, ticks of 1 µs, no batch sent twice. Ratios hold within one run.

Then one more run each, in which the parts of the worker are timed on their own (CPU time of its threads).
"""

import argparse
import contextlib
import json
import os
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

sys.path.insert(0, str(Path(__file__).parents[2]))

from sensors_sim.batch import SimulatedBatch, simulate_batch
from sensors_sim.encoding import CONTENT_TYPES, Encoding, encode
from service.core.drive import Chain, Drive
from tests.conftest import Mosquitto

ROOT = "linklag/v1"
KEEP = "LINKLAG_BENCH_KEEP"  # set in the worker's environment: keep batches as they came
DRIVES = 20
SHAPES = 10  # different batches of each drive
S = 1_000_000_000
T0_NS = 1_790_000_000 * S
RECEIVE_MAXIMUM = 500


def shapes(drive: int) -> list[SimulatedBatch]:
    """A lap and a quarter of a chain of 120 pitches, 150 pulses of each sensor, at an ordinary jitter and polygon."""
    return [
        simulate_batch(
            seed=drive * SHAPES + number, laps=1.25, pitches_in_loop=120, pitch_mm=12.7, whole_pitches=12,
            offset_pitches=0.3, teeth=19, elongation_pct=0.2 + drive / 10, outer_minus_inner_pct=0.1,
        )
        for number in range(SHAPES)
    ]  # fmt: skip


def payloads(count: int, encoding: Encoding) -> list[tuple[str, bytes]]:
    """Topics and payloads, the drives in turn; each drive's batches follow one another in time."""
    of_drive = [shapes(drive) for drive in range(DRIVES)]
    made = []
    for number in range(count):
        drive, seq = number % DRIVES, number // DRIVES
        shape = of_drive[drive][seq % SHAPES]
        fields: dict[str, Any] = {
            "v": 1, "seq": seq, "t0": T0_NS // 1000 + seq * 3_000_000, "tick_ns": shape.tick_ns,
            "up": shape.up, "down": shape.down, "temp_c": 41.5, "load_n": 3400.0,
        }  # fmt: skip
        made.append((f"{ROOT}/d{drive}/pulses", encode(fields, encoding)))
    return made


def client(name: str, *, manual_ack: bool = False) -> tuple[paho.Client, Properties]:
    made = paho.Client(CallbackAPIVersion.VERSION2, name, protocol=paho.MQTTv5, manual_ack=manual_ack)
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = 3600
    properties.ReceiveMaximum = RECEIVE_MAXIMUM
    return made, properties


def leave_session(port: int, name: str) -> None:
    """Subscribe and go, so that the broker keeps what is published from now on."""
    subscriber, properties = client(name)
    done = threading.Event()
    subscriber.on_connect = lambda c, *_: c.subscribe(
        [(f"{ROOT}/+/{form}", 1) for form in ("pulses", "lag", "status")]
    )
    subscriber.on_subscribe = lambda *_: done.set()
    subscriber.connect("127.0.0.1", port, clean_start=False, properties=properties)
    subscriber.loop_start()
    assert done.wait(60)
    subscriber.disconnect()
    subscriber.loop_stop()


def publish(port: int, messages: list[tuple[str, bytes]], encoding: Encoding) -> None:
    device, _ = client("devices")
    device.max_inflight_messages_set(400)
    device.connect("127.0.0.1", port)
    device.loop_start()
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    properties.ContentType = CONTENT_TYPES[encoding]
    sent = [device.publish(topic, payload, 1, properties=properties) for topic, payload in messages]
    for info in sent:
        info.wait_for_publish(60)
    device.disconnect()
    device.loop_stop()
    time.sleep(0.3)


# What is measured, each in a process of its own


def run_bare(port: int, count: int) -> dict[str, float]:
    """Messages a second of the subscriber that does nothing, from CONNACK to the last message."""
    subscriber, properties = client("bare")
    seen = [0]
    began_s, cpu_s = [0.0], [0.0]

    def on_message(_client: paho.Client, _data: object, _message: paho.MQTTMessage) -> None:
        seen[0] += 1
        if seen[0] == count:
            subscriber.disconnect()

    def on_connect(*_: object) -> None:
        began_s[0], cpu_s[0] = time.perf_counter(), time.process_time()

    subscriber.on_message = on_message
    subscriber.on_connect = on_connect
    subscriber.connect("127.0.0.1", port, clean_start=False, properties=properties)
    subscriber.loop_forever()
    return {
        "per_s": count / (time.perf_counter() - began_s[0]),
        "cpu_us": (time.process_time() - cpu_s[0]) / count * 1e6,
    }


def run_worker(port: int, count: int, folder: Path, *, timed: bool) -> dict[str, float]:
    """Batches a second of the worker, from CONNACK until the last is stored and acknowledged."""
    from prometheus_client import CollectorRegistry

    from service.adapters.database.connect import open_database
    from service.adapters.mqtt import MqttSource
    from service.commands.logs import configure_logging
    from service.ingest import Housekeeper, Ingest, Metrics
    from service.settings import Broker, Worker

    configure_logging(level="warning")
    stopwatch = Stopwatch() if timed else None
    settings, stop = Worker(), threading.Event()
    with contextlib.closing(open_database(f"sqlite:///{folder}/bench.db")) as database:
        register(database.register)
        if stopwatch is not None:
            stopwatch.watch_worker(database)
        source = MqttSource(
            "127.0.0.1",
            port,
            root=ROOT,
            client_id="worker",
            receive_maximum=Broker().receive_maximum,
        )
        ingest = Ingest(
            source,
            database.readings,
            database.register,
            database.refused,
            root=ROOT,
            metrics=Metrics(CollectorRegistry()),
            store_all=database.store_all if os.environ.get(KEEP) else None,
            flush_messages=settings.flush_batches,
            flush_s=settings.flush_ms / 1000,
        )
        housekeeper = Housekeeper(database.readings, keep_days={None: 90_000}, roll_up_s=settings.roll_up_s)
        threading.Thread(target=housekeeper.run, args=(stop,), daemon=True).start()
        ingest.step()  # the register is read before the clock starts, as the bare one has nothing to read
        source.start()
        done, cpu_s, ingest_s = 0, time.process_time(), time.thread_time()
        while done < count:
            done += ingest.step()
        ended_ns = time.time_ns()
        cpu_s, ingest_s = time.process_time() - cpu_s, time.thread_time() - ingest_s
        began_ns = source.status().since_ns
        source.close()
        stop.set()
        stored = sum(len(database.readings.raw(f"d{drive}", 0, ended_ns)) for drive in range(DRIVES))
        measured = sum(
            reading.elongation_pct is not None
            for drive in range(DRIVES)
            for reading in database.readings.raw(f"d{drive}", 0, ended_ns)
        )
        assert stored == measured == count, (stored, measured, count)
        assert source.status().reconnects == 0
    parts = stopwatch.us_each(count, ingest_s) if stopwatch is not None else {}
    return {"per_s": count / ((ended_ns - began_ns) / 1e9), "cpu_us": cpu_s / count * 1e6} | parts


def register(into: Any) -> None:
    for number in range(DRIVES):
        into.add_drive(
            Drive(
                drive_id=f"d{number}",
                whole_pitches=12,
                offset_pitches=0.3,
                driver_teeth=19,
                up_to_driver_mm=12.3 * 12.7 + 127,
            )
        )
        into.fit_chain(
            Chain(
                chain_id=f"c{number}",
                drive_id=f"d{number}",
                designation="08B-1",
                pitch_mm=12.7,
                pitches_in_loop=120,
                fitted_ns=T0_NS - S,
            )
        )


class Stopwatch:
    """CPU time of parts of the worker, each measured on the thread that does it."""

    def __init__(self) -> None:
        self._spent_s: dict[str, float] = {}

    def watch(self, owner: Any, name: str, part: str) -> None:
        """Replace a function by one that adds its time to `part`."""
        function: Callable[..., Any] = getattr(owner, name)

        def timed(*args: Any, **known: Any) -> Any:
            began_s = time.thread_time()
            try:
                return function(*args, **known)
            finally:
                self._spent_s[part] = self._spent_s.get(part, 0.0) + time.thread_time() - began_s

        setattr(owner, name, timed)

    def watch_worker(self, database: Any) -> None:
        from service import ingest
        from service.adapters import mqtt

        self.watch(ingest, "decode", "decode")
        self.watch(ingest, "convert", "convert")
        if os.environ.get(KEEP):
            self.watch(database, "store_all", "store")
        else:
            self.watch(database.readings, "store", "store")
        self.watch(mqtt._Link, "_read", "paho, reading")
        self.watch(mqtt._Link, "_write", "acknowledging, publishing")

    def us_each(self, count: int, ingest_s: float) -> dict[str, float]:
        spent = dict(self._spent_s)
        spent["the rest of ingest"] = ingest_s - sum(spent[part] for part in ("decode", "convert", "store"))
        return {part: seconds / count * 1e6 for part, seconds in spent.items()}


# Taking turns


def child(what: str, port: int, count: int) -> dict[str, float]:
    """Run one measurement in a process of its own, on an empty store."""
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, __file__, "--child", what, str(port), str(count), folder]
        out = subprocess.run(command, stdout=subprocess.PIPE, check=True, timeout=120)
    found: dict[str, float] = json.loads(out.stdout.splitlines()[-1])
    return found


def measure(broker: Mosquitto, encoding: Encoding, count: int, rounds: int) -> None:
    messages = payloads(count, encoding)
    kilobytes = statistics.mean(len(payload) for _topic, payload in messages) / 1000
    print(f"{encoding.value}: {count} batches of 2 x 150 pulses, {kilobytes:.2f} kB each", flush=True)
    found: dict[str, list[tuple[float, float]]] = {"worker": [], "bare": []}
    for turn in range(rounds):
        for what in ("bare", "worker") if turn % 2 else ("worker", "bare"):
            leave_session(broker.port, what)
            publish(broker.port, messages, encoding)
            one = child(what, broker.port, count)
            found[what].append((one["per_s"], one["cpu_us"]))
        worker, bare = found["worker"][-1], found["bare"][-1]
        print(
            f"  worker {worker[0]:6.0f}/s, {worker[1]:4.0f} us CPU   bare {bare[0]:6.0f}/s, {bare[1]:4.0f} us CPU"
            f"   ratio {worker[0] / bare[0]:.3f}",
            flush=True,
        )
    worker_per_s, worker_us = np.median(found["worker"], axis=0)
    bare_per_s, bare_us = np.median(found["bare"], axis=0)
    ratios = [one[0] / other[0] for one, other in zip(found["worker"], found["bare"], strict=True)]
    print(
        f"  medians: worker {worker_per_s:.0f}/s, bare {bare_per_s:.0f}/s; ratio {statistics.median(ratios):.3f} "
        f"({min(ratios):.3f} to {max(ratios):.3f}); by CPU time {bare_us / worker_us:.3f}"
    )
    leave_session(broker.port, "worker")
    publish(broker.port, messages, encoding)
    parts = child("timed", broker.port, count)
    print(
        f"  parts, us of CPU a batch (timed apart, at {parts.pop('per_s'):.0f}/s, {parts.pop('cpu_us'):.0f} us in all):"
    )
    for part, us in sorted(parts.items(), key=lambda item: -item[1]):
        print(f"    {us:6.1f}  {part}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--batches", type=int, default=6000)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--keep", action="store_true", help="the worker keeps the batches as they came, too")
    parser.add_argument(
        "--child", nargs=4, metavar=("WHAT", "PORT", "COUNT", "FOLDER"), help=argparse.SUPPRESS
    )
    given = parser.parse_args()
    if given.keep:
        os.environ[KEEP] = "1"
    if given.child:
        what, port, count, folder = given.child
        if what == "bare":
            found = run_bare(int(port), int(count))
        else:
            found = run_worker(int(port), int(count), Path(folder), timed=what == "timed")
        print(json.dumps(found))
        return
    with tempfile.TemporaryDirectory() as folder:
        broker = Mosquitto(Path(folder))
        broker.start()
        try:
            for encoding in (Encoding.JSON, Encoding.CBOR):
                measure(broker, encoding, given.batches, given.rounds)
        finally:
            broker.stop()


if __name__ == "__main__":
    main()
