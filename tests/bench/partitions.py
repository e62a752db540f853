"""Batches a second, and CPU a batch, of 1, 2 and 3 partitioned workers and of one that takes from RabbitMQ, beside bare clients.

    .venv/bin/python tests/bench/partitions.py [--batches 3000] [--rounds 2]

As `throughput.py`: a backlog of the same messages (JSON, 2 x 150 pulses, 20 drives) waits, the workers store it in one SQLite file
with FULL synchronisation, and bare clients that do nothing take it in turns with them. With k partitions there are k brokers,
k workers (or k bare clients) at once, each with every k-th drive. By AMQP the bare client is pika's own, acknowledging 100 at once;
batches come to RabbitMQ by MQTT 3.1.1 and wait in 3 quorum queues. On two cores more than one worker share cores with their
brokers, so the figure a core is CPU time: of the worker's process, and of the bare client's, a batch; and of the broker, in and out.
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
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion

sys.path.insert(0, str(Path(__file__).parents[2]))

from sensors_sim.encoding import Encoding
from tests.bench import throughput
from tests.bench.throughput import DRIVES, RECEIVE_MAXIMUM, ROOT, payloads
from tests.conftest import Mosquitto
from tests.faults import rabbitmq_three_nodes as rabbit
from tests.rabbitmq import NameServer, RabbitMq

PARTITIONS = (1, 2, 3)
QUEUES = 3
Found = dict[str, float]


def drives_of(part: int, parts: int) -> list[str]:
    return [f"d{number}" for number in range(DRIVES) if number % parts == part]


# What is measured, each in a process of its own


def run_worker(source: Any, count: int, folder: Path) -> Found:
    """Store `count` batches of a source; CPU from before it connects, time from when it is connected."""
    from prometheus_client import CollectorRegistry

    from service.adapters.database.connect import open_database
    from service.commands.logs import configure_logging
    from service.ingest import Ingest, Metrics
    from service.settings import Worker

    configure_logging(level="warning")
    settings = Worker()
    with contextlib.closing(open_database(f"sqlite:///{folder}/bench.db")) as database:
        ingest = Ingest(
            source, database.readings, database.register, database.refused, root=ROOT,
            metrics=Metrics(CollectorRegistry()), flush_messages=settings.flush_batches, flush_s=settings.flush_ms / 1000,
        )  # fmt: skip
        ingest.step()
        wait_for_the_others(folder)
        source.start()
        done, cpu_s = 0, time.process_time()
        while done < count:
            done += ingest.step()
        cpu_s, ended_ns = time.process_time() - cpu_s, time.time_ns()
        began_ns = source.status().since_ns
        source.close()
    return {"began_ns": began_ns, "ended_ns": ended_ns, "cpu_us": cpu_s / count * 1e6, "count": done}


def mqtt_worker(part: int, parts: int, count: int, port: int, folder: Path) -> Found:
    from service.adapters.mqtt import MqttSource

    filters = [
        f"{ROOT}/{drive}/{form}" for drive in drives_of(part, parts) for form in ("pulses", "lag", "status")
    ]
    source = MqttSource(
        "127.0.0.1", port, root=ROOT, filters=filters, client_id="worker", receive_maximum=RECEIVE_MAXIMUM
    )
    return run_worker(source, count, folder)


def amqp_worker(count: int, port: int, mqtt_port: int, folder: Path) -> Found:
    from service.adapters.amqp import AmqpSource
    from service.adapters.amqp_definitions import queue_name
    from service.adapters.mqtt_outlet import MqttOutlet

    outlet = MqttOutlet(
        "127.0.0.1", mqtt_port, client_id="out", version="3.1.1", username="linklag", password=rabbit.SECRET
    )
    queues = [queue_name(number) for number in range(1, QUEUES + 1)]
    source = AmqpSource(
        "127.0.0.1", port, queues=queues, outlet=outlet, username="linklag", password=rabbit.SECRET
    )
    return run_worker(source, count, folder)


def mqtt_bare(count: int, port: int, folder: Path) -> Found:
    """paho's client: empty callback, acknowledges by itself."""
    client, properties = throughput.client("bare")
    seen, at = 0, {"began_ns": 0, "cpu_s": 0.0}

    def on_message(_client: paho.Client, _data: object, _message: paho.MQTTMessage) -> None:
        nonlocal seen
        seen += 1
        if seen == count:
            client.disconnect()

    def on_connect(*_: object) -> None:
        at.update(began_ns=time.time_ns(), cpu_s=time.process_time())

    client.on_message, client.on_connect = on_message, on_connect
    wait_for_the_others(folder)
    client.connect("127.0.0.1", port, clean_start=False, properties=properties)
    client.loop_forever()
    cpu_us = (time.process_time() - at["cpu_s"]) / count * 1e6
    return {"began_ns": at["began_ns"], "ended_ns": time.time_ns(), "cpu_us": cpu_us, "count": seen}


def amqp_bare(count: int, port: int, folder: Path) -> Found:
    """pika's client: empty callback, acknowledges 100 at once."""
    import pika
    from pika.adapters.select_connection import SelectConnection

    from service.adapters.amqp_definitions import queue_name

    seen, at = 0, {"began_ns": 0, "cpu_s": 0.0}

    def on_message(channel: Any, deliver: Any, _properties: Any, _body: bytes) -> None:
        nonlocal seen
        seen += 1
        if seen % 100 == 0 or seen == count:
            channel.basic_ack(deliver.delivery_tag, multiple=True)
        if seen == count:
            connection.close()

    def on_channel(channel: Any) -> None:
        at.update(began_ns=time.time_ns(), cpu_s=time.process_time())
        channel.basic_qos(prefetch_count=RECEIVE_MAXIMUM)
        for number in range(1, QUEUES + 1):
            channel.basic_consume(queue_name(number), on_message)

    where = pika.ConnectionParameters(
        "127.0.0.1", port, credentials=pika.PlainCredentials("linklag", rabbit.SECRET)
    )
    wait_for_the_others(folder)
    connection: Any = SelectConnection(
        where,
        on_open_callback=lambda opened: opened.channel(on_open_callback=on_channel),
        on_close_callback=lambda closed, _why: closed.ioloop.stop(),
    )
    connection.ioloop.start()
    cpu_us = (time.process_time() - at["cpu_s"]) / count * 1e6
    return {"began_ns": at["began_ns"], "ended_ns": time.time_ns(), "cpu_us": cpu_us, "count": seen}


def wait_for_the_others(folder: Path) -> None:
    """Say that we are there, and wait until all may begin at once: starting Python is no part of it."""
    (folder / f"{os.getpid()}.ready").touch()
    while not (folder / "go").exists():
        time.sleep(0.005)


# Taking turns


def together(children: list[list[str]], folder: Path) -> Found:
    """Run processes at once on one folder; all batches a second from the first's beginning to the last's end, and CPU a batch."""
    processes = [
        subprocess.Popen([sys.executable, __file__, "--child", *words, str(folder)], stdout=subprocess.PIPE)
        for words in children
    ]
    while len(list(folder.glob("*.ready"))) < len(processes):
        assert all(process.poll() is None for process in processes), "one ended by itself"
        time.sleep(0.02)
    (folder / "go").touch()
    found = [json.loads(process.communicate(timeout=300)[0].splitlines()[-1]) for process in processes]
    for leftover in [*folder.glob("*.ready"), folder / "go"]:
        leftover.unlink()
    count = sum(one["count"] for one in found)
    seconds = (max(one["ended_ns"] for one in found) - min(one["began_ns"] for one in found)) / 1e9
    return {"per_s": count / seconds, "cpu_us": sum(one["cpu_us"] * one["count"] for one in found) / count}


@contextlib.contextmanager
def store() -> Iterator[Path]:
    from service.adapters.database.connect import open_database

    with tempfile.TemporaryDirectory() as folder:
        with contextlib.closing(open_database(f"sqlite:///{folder}/bench.db")) as database:
            throughput.register(database.register)
        yield Path(folder)


def round_of_partitions(
    parts: int, messages: list[tuple[str, bytes]], brokers: list[Mosquitto]
) -> dict[str, Found]:
    found, spent_s = {}, sum(cpu_s(broker.process) for broker in brokers)
    for what in ("bare", "worker"):
        shares = [
            [
                (topic, payload)
                for topic, payload in messages
                if topic.split("/")[-2] in drives_of(part, parts)
            ]
            for part in range(parts)
        ]
        for broker, share in zip(brokers, shares, strict=False):
            throughput.leave_session(broker.port, what)
            throughput.publish(broker.port, share, Encoding.JSON)
        with store() as folder:
            children = [
                [what, str(part), str(parts), str(len(share)), str(brokers[part].port)]
                for part, share in enumerate(shares)
            ]
            found[what] = together(children, folder)
    spent_s = sum(cpu_s(broker.process) for broker in brokers) - spent_s
    return found | {"broker": {"cpu_us": spent_s / len(messages) / 2 * 1e6}}


def publish_to(node: RabbitMq, messages: list[tuple[str, bytes]]) -> None:
    client = paho.Client(CallbackAPIVersion.VERSION2, "devices", protocol=paho.MQTTv311)
    client.username_pw_set("devices", rabbit.SECRET)
    client.max_inflight_messages_set(400)
    client.max_queued_messages_set(0)
    connected = threading.Event()
    client.on_connect = lambda *_: connected.set()
    client.connect("127.0.0.1", node.mqtt_port)
    client.loop_start()
    assert connected.wait(20)
    for sent in [client.publish(topic, payload, 1) for topic, payload in messages]:
        sent.wait_for_publish(120)
    client.disconnect()
    client.loop_stop()


def round_of_queues(messages: list[tuple[str, bytes]], node: RabbitMq) -> dict[str, Found]:
    found, spent_s = {}, cpu_s(node.process)
    for what in ("bare", "worker"):
        publish_to(node, messages)
        with store() as folder:
            words = [f"amqp-{what}", str(len(messages)), str(node.port), str(node.mqtt_port)]
            found[what] = together([words], folder)
    return found | {"broker": {"cpu_us": (cpu_s(node.process) - spent_s) / len(messages) / 2 * 1e6}}


def cpu_s(process: subprocess.Popen[bytes] | None) -> float:
    """CPU that a server has spent, with whatever it started in its own session, or in ours as one process."""
    assert process is not None
    ticks = 0
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            pid, rest = stat.parent.name, stat.read_text().rpartition(")")[2].split()
            if int(pid) == process.pid or int(rest[3]) == process.pid:  # proc(5): session is the sixth field
                ticks += int(rest[11]) + int(rest[12])  # utime, stime
    return ticks / os.sysconf("SC_CLK_TCK")


@contextlib.contextmanager
def servers() -> Iterator[tuple[list[Mosquitto], RabbitMq]]:
    with tempfile.TemporaryDirectory() as name, contextlib.ExitStack() as at_the_end:
        brokers = []
        for number in range(max(PARTITIONS)):
            (Path(name) / f"{number}").mkdir()
            brokers.append(Mosquitto(Path(name) / f"{number}"))
            at_the_end.callback(brokers[-1].stop)
            brokers[-1].start()
        names = NameServer()
        at_the_end.callback(names.stop)
        node = RabbitMq(Path(name) / "rabbit", names, conf=[f"load_definitions = {name}/definitions.json"])
        (Path(name) / "definitions.json").write_text(json.dumps(rabbit.document(QUEUES)))
        at_the_end.callback(node.kill)
        node.start(wait=False)
        node.wait(rabbit.SLOW_S)
        yield brokers, node


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--batches", type=int, default=3000)
    parser.add_argument("--rounds", type=int, default=2)
    parser.add_argument("--child", nargs="+", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.child:
        print(json.dumps(child(given.child)))
        return
    messages = payloads(given.batches, Encoding.JSON)
    with servers() as (brokers, node):
        rounds: dict[str, list[dict[str, Found]]] = {}
        for _ in range(given.rounds):
            for parts in PARTITIONS:
                rounds.setdefault(f"{parts} partitions", []).append(
                    round_of_partitions(parts, messages, brokers)
                )
            rounds.setdefault("RabbitMQ, 1 worker", []).append(round_of_queues(messages, node))
    print(
        f"{given.batches} batches a round, {given.rounds} rounds, medians; load average {os.getloadavg()[0]:.1f}"
    )
    print(
        "| way | batches a second | bare | ratio by time | us of CPU a batch | bare | ratio by CPU | broker, us a batch |"
    )
    print("|---|---|---|---|---|---|---|---|")
    for way, made in rounds.items():
        print(line(way, made))


def line(way: str, made: list[dict[str, Found]]) -> str:
    def median(what: str, of: str) -> float:
        return statistics.median(one[what][of] for one in made)

    by_time = statistics.median(one["worker"]["per_s"] / one["bare"]["per_s"] for one in made)
    by_cpu = statistics.median(one["bare"]["cpu_us"] / one["worker"]["cpu_us"] for one in made)
    return (
        f"| {way} | {median('worker', 'per_s'):.0f} | {median('bare', 'per_s'):.0f} | {by_time:.2f} "
        f"| {median('worker', 'cpu_us'):.0f} | {median('bare', 'cpu_us'):.0f} | {by_cpu:.2f} "
        f"| {median('broker', 'cpu_us'):.0f} |"
    )


def child(words: list[str]) -> Found:
    what, *numbers, folder = words
    values = [int(number) for number in numbers]
    if what == "amqp-bare":
        return amqp_bare(values[0], values[1], Path(folder))
    if what == "amqp-worker":
        return amqp_worker(values[0], values[1], values[2], Path(folder))
    if what == "bare":
        return mqtt_bare(values[2], values[3], Path(folder))
    return mqtt_worker(values[0], values[1], values[2], values[3], Path(folder))


if __name__ == "__main__":
    main()
