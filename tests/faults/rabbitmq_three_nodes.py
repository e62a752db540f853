"""RabbitMQ's nodes killed while devices publish and a worker stores: rows of the table of faults, run by hand.

    .venv/bin/python -m tests.faults.rabbitmq_three_nodes

A cluster of three nodes on loopback, then one alone. Devices publish by MQTT 3.1.1, as RabbitMQ 3.10 speaks it, in the way of
a device that keeps what was not acknowledged; the worker's own source and ingest take from a quorum queue by AMQP.
"""

import contextlib
import json
import socket
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion
from prometheus_client import CollectorRegistry

from service.adapters.amqp import AmqpSource
from service.adapters.amqp_definitions import Spread, definitions, password_hash, queue_name
from service.adapters.database.connect import open_database
from service.adapters.mqtt_outlet import MqttOutlet
from service.ingest import Ingest, Metrics
from tests.faults.row import Named, Row, as_table
from tests.faults.sending import ROOT, batch, counting, register_drives, until
from tests.rabbitmq import NameServer, RabbitMq

BATCHES = 6000
DRIVES = 4
SECRET = "for the nodes of this run"  # noqa: S105
UNANSWERED_S = 20.0
SLOW_S = 240.0  # a busy machine starts three nodes in minutes


def document(queues: int) -> dict[str, object]:
    """The definitions, and a user that may publish for all drives."""
    made = definitions(Spread(roots=(ROOT,), queues=queues), worker="linklag", worker_password=SECRET)
    made["users"].append(
        {
            "name": "devices",
            "password_hash": password_hash(SECRET),
            "hashing_algorithm": "rabbit_password_hashing_sha256",
            "tags": "",
        }
    )
    rights = {"user": "devices", "vhost": "/", "configure": "^$", "write": r"^amq\.topic$", "read": "^$"}
    made["permissions"].append(rights)
    return made


class Devices:
    """Publishes at QoS 1 and sends again what was not acknowledged; counts what was."""

    def __init__(self, port: int) -> None:
        self.client = paho.Client(
            CallbackAPIVersion.VERSION2, "devices", protocol=paho.MQTTv311, clean_session=False
        )
        self.client.username_pw_set("devices", SECRET)
        self.client.max_inflight_messages_set(100)
        self.client.reconnect_delay_set(1, 1)
        self.acknowledged = 0
        self.client.on_publish = self._count
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        until(self.client.is_connected, 30)

    def publish(self, numbers: range) -> None:
        for number in numbers:
            self.client.publish(f"{ROOT}/d{number % DRIVES}/pulses", batch(number // DRIVES), 1)

    def wait_for(self, acknowledged: int) -> int:
        """Until so many are; return how often it connected anew as no answer had come for `UNANSWERED_S`."""
        end_s, again = time.monotonic() + SLOW_S, 0
        came, came_s = self.acknowledged, time.monotonic()
        while self.acknowledged < acknowledged:
            now_s = time.monotonic()
            assert now_s < end_s, "waited in vain"
            if came != self.acknowledged or not self.client.is_connected():
                came, came_s = self.acknowledged, now_s
            elif now_s - came_s > UNANSWERED_S:
                came_s, again = now_s, again + 1
                connection = self.client.socket()
                assert isinstance(connection, socket.socket)
                connection.shutdown(socket.SHUT_RDWR)
            time.sleep(0.05)
        return again

    def _count(self, *_: object) -> None:
        self.acknowledged += 1

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@contextlib.contextmanager
def working(node: RabbitMq, file: Path) -> Iterator[tuple[AmqpSource, Callable[[], int]]]:
    """A worker's source and ingest at one node, and how many readings are stored."""
    with contextlib.closing(open_database(f"sqlite:///{file}")) as database:
        register_drives(database.register, DRIVES)
        outlet = MqttOutlet(
            "127.0.0.1", node.mqtt_port, client_id="out", version="3.1.1", username="linklag", password=SECRET
        )
        source = AmqpSource(
            "127.0.0.1", node.port, queues=[queue_name(1)], outlet=outlet, username="linklag", password=SECRET,
            reconnect_max_s=2.0,
        )  # fmt: skip
        ingest = Ingest(
            source, database.readings, database.register, database.refused, root=ROOT, metrics=Metrics(CollectorRegistry())
        )  # fmt: skip
        stop = threading.Event()
        thread = threading.Thread(target=ingest.run, args=(stop,))

        with source:
            thread.start()
            try:
                until(lambda: source.status().connected, 60)
                with counting(file) as counted:
                    yield source, counted
            finally:
                stop.set()
                thread.join(30)


@contextlib.contextmanager
def cluster(folder: Path) -> Iterator[list[RabbitMq]]:
    """Three nodes that have found each other, with the definitions in them."""
    names = NameServer()
    nodes = [RabbitMq(folder / name, names, name=name) for name in ("one", "two", "three")]
    found = ["cluster_formation.peer_discovery_backend = classic_config"]
    found += [
        f"cluster_formation.classic_config.nodes.{at} = {node.node}" for at, node in enumerate(nodes, 1)
    ]
    (folder / "definitions.json").write_text(json.dumps(document(queues=1)))
    try:
        for node in nodes:
            node.add(found)
            node.start(wait=False)
        for node in nodes:
            node.wait(SLOW_S)
        until(lambda: nodes[0].control("cluster_status").count("Running Nodes") == 1, SLOW_S)
        nodes[0].control("await_online_nodes", "3")
        nodes[0].control("import_definitions", str(folder / "definitions.json"))
        yield nodes
    finally:
        for node in nodes:
            node.kill()
        names.stop()


def in_store(file: Path) -> tuple[int, int]:
    """How many readings there are, and of how many different batches."""
    with contextlib.closing(open_database(f"sqlite:///{file}")) as database:
        of_drives = [database.readings.raw(f"d{number}", 0, time.time_ns()) for number in range(DRIVES)]
    return sum(map(len, of_drives)), sum(len({reading.seq for reading in each}) for each in of_drives)


def leader_killed() -> Row:
    """The node that leads the queue is killed while devices publish through another and a worker takes from the third."""
    began_s = time.monotonic()
    with tempfile.TemporaryDirectory() as folder_name:
        folder = Path(folder_name)
        with cluster(folder) as nodes:
            told = nodes[0].control("list_queues", "name", "leader", "--formatter", "json")
            (leader,) = [node for node in nodes if node.node == json.loads(told)[0]["leader"]]
            for_devices, for_worker = (node for node in nodes if node is not leader)
            devices = Devices(for_devices.mqtt_port)
            with working(for_worker, folder / "linklag.db") as (source, counted):
                devices.publish(range(BATCHES))
                until(lambda: devices.acknowledged > BATCHES // 4, SLOW_S)
                leader.kill()
                killed_at = devices.acknowledged
                again = devices.wait_for(BATCHES)
                until(lambda: counted() >= BATCHES, SLOW_S)
                rows, distinct = in_store(folder / "linklag.db")
                reconnects = source.status().reconnects
                for_worker.kill()
                devices.publish(range(BATCHES, BATCHES + 100))
                time.sleep(10.0)
                refused = 100 - (devices.acknowledged - BATCHES)
            devices.close()
    return Row(
        name="RabbitMQ: the leader's node of three killed",
        sent=BATCHES,
        stored=distinct,
        twice=rows - distinct,
        note=f"killed at {killed_at}; {reconnects} reconnects of the worker, {again} of a device without an answer; of 100 sent to the last node alone {refused} not acknowledged",
        seconds=time.monotonic() - began_s,
    )


def node_killed_and_started() -> Row:
    """The only node is killed while devices publish, and started again."""
    began_s = time.monotonic()
    with tempfile.TemporaryDirectory() as folder_name:
        folder = Path(folder_name)
        names = NameServer()
        node = RabbitMq(folder / "node", names, conf=[f"load_definitions = {folder}/definitions.json"])
        (folder / "definitions.json").write_text(json.dumps(document(queues=1)))
        with contextlib.ExitStack() as at_the_end:
            at_the_end.callback(names.stop)
            at_the_end.callback(node.kill)
            node.start(wait=False)
            node.wait(SLOW_S)
            devices = Devices(node.mqtt_port)
            at_the_end.callback(devices.close)
            with working(node, folder / "linklag.db") as (source, counted):
                devices.publish(range(BATCHES))
                until(lambda: devices.acknowledged > BATCHES // 4, SLOW_S)
                node.kill()
                killed_at = devices.acknowledged
                node.start(wait=False)
                node.wait(SLOW_S)
                again = devices.wait_for(BATCHES)
                until(lambda: counted() >= BATCHES, SLOW_S)
                rows, distinct = in_store(folder / "linklag.db")
                reconnects = source.status().reconnects
    return Row(
        name="RabbitMQ: its only node killed and started again",
        sent=BATCHES,
        stored=distinct,
        twice=rows - distinct,
        note=f"killed at {killed_at}; {reconnects} reconnects of the worker, {again} of a device without an answer",
        seconds=time.monotonic() - began_s,
    )


def rows(_minutes: float = 0.0) -> list[Named]:
    """The rows of this module."""
    return [
        ("RabbitMQ: its only node killed and started again", node_killed_and_started),
        ("RabbitMQ: the leader's node of three killed", leader_killed),
    ]


if __name__ == "__main__":
    print(as_table([make() for _name, make in rows()]))
