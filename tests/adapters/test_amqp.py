"""RabbitMQ as a source, against a real node: what devices publish by MQTT, with the definitions that linklag writes."""

import contextlib
import json
import os
import socket
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pika
import pytest
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion

from service.adapters.amqp import AmqpSource, look_at, parameters, topic_of
from service.adapters.amqp_definitions import Spread, definitions, password_hash, queue_name
from service.adapters.database.connect import open_database
from service.adapters.mqtt_outlet import MqttOutlet
from service.adapters.reaching import Tls
from service.commands.queues import check_outlet, check_queues
from service.settings import Amqp, Broker, Settings, Store
from tests.adapters.test_mqtt import certificates, numbered, receive, until
from tests.conftest import free_port
from tests.faults.sending import batch, counting, register_drives
from tests.faults.test_partitions import PartitionWorker
from tests.rabbitmq import Address, shared_node

__all__ = ["certificates"]
ROOT = "plant/linklag/v1"
WORKER: dict[str, Any] = {"username": "linklag", "password": "worker's own"}
DEVICE = "d1"  # has a password here; those of the definitions show certificates
SHOWN = "wrong"  # the name in a certificate of the plant; here the id of a drive
ALL = "all-devices"  # may publish for any drive
SECRET = "Gallsches-Gelenk-1832"  # noqa: S105
VHOSTS = 10  # one for each test that leaves something behind
QUEUES = 2


def document() -> dict[str, Any]:
    """The definitions for several virtual hosts, and two more users for the tests."""
    joined: dict[str, Any] = {}
    for number in range(VHOSTS):
        spread = Spread(roots=(ROOT,), queues=QUEUES, vhost=vhost(number))
        one = definitions(
            spread, worker="linklag", worker_password=WORKER["password"], drive_ids=[DEVICE, SHOWN]
        )
        for key, rows in one.items():
            joined.setdefault(key, []).extend(row for row in rows if row not in joined.get(key, []))
        rights = {"user": ALL, "vhost": vhost(number), "configure": ".*", "write": ".*", "read": ".*"}
        joined["permissions"].append(rights)
    joined["users"] = [user for user in joined["users"] if user["name"] not in {"linklag", DEVICE}]
    plain = {"hashing_algorithm": "rabbit_password_hashing_sha256", "tags": ""}
    for name in ("linklag", DEVICE, ALL):
        joined["users"].append({"name": name, "password_hash": password_hash(WORKER["password"]), **plain})
    return joined


def vhost(number: int) -> str:
    return f"site-{number}"


def tls_lines(folder: Path, made: Path) -> list[str]:
    for name in ("ca.pem", "right.pem", "right.key", f"{SHOWN}.pem", f"{SHOWN}.key"):
        (folder / name).write_bytes((made / name).read_bytes())
    return [
        f"ssl_options.cacertfile = {folder}/ca.pem",
        f"ssl_options.certfile = {folder}/right.pem",
        f"ssl_options.keyfile = {folder}/right.key",
        "ssl_options.verify = verify_peer",
        "mqtt.ssl_cert_login = true",
        "ssl_cert_login_from = common_name",
        f"mqtt.vhost = {vhost(7)}",
    ]


@pytest.fixture(scope="module")
def node(tmp_path_factory: pytest.TempPathFactory, certificates: Path) -> Iterator[Address]:
    base = tmp_path_factory.getbasetemp()
    folder = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "rabbitmq"
    with shared_node(folder, lambda to: tls_lines(to, certificates), document()) as address:
        yield address


class NoOutlet:
    trouble = ""

    def open(self) -> None:
        pass

    def close(self) -> None:
        pass

    def publish(self, topic: str, payload: bytes, *, retain: bool, qos: int) -> None:
        raise NotImplementedError


def source_at(node: Address, site: int, queues: Sequence[int] = (1, 2), **settings: Any) -> AmqpSource:
    given: dict[str, Any] = {
        "port": node.port,
        "vhost": vhost(site),
        "reconnect_max_s": 0.5,
        "outlet": NoOutlet(),
    }
    given |= WORKER | settings
    return AmqpSource("127.0.0.1", queues=[queue_name(each) for each in queues], **given)


@contextmanager
def publisher(node: Address, site: int, user: str = ALL) -> Iterator[Callable[..., None]]:
    """Devices by MQTT 3.1.1, as RabbitMQ 3.10 speaks it; returns once the node has acknowledged."""
    client = paho.Client(CallbackAPIVersion.VERSION2, f"{user}-{site}", protocol=paho.MQTTv311)
    client.username_pw_set(f"{vhost(site)}:{user}", WORKER["password"])
    client.connect("127.0.0.1", node.mqtt_port)
    client.loop_start()
    until(client.is_connected)

    def publish(payloads: Sequence[bytes], drive: str = "d1") -> None:
        for sent in [client.publish(f"{ROOT}/{drive}/pulses", payload, 1) for payload in payloads]:
            sent.wait_for_publish(10)

    yield publish
    client.disconnect()
    client.loop_stop()


def where(node: Address, site: int, user: str = "linklag") -> pika.ConnectionParameters:
    return parameters(
        "127.0.0.1", node.port, vhost=vhost(site), name="test", username=user, password=WORKER["password"], tls=None,
        allow_insecure=False,
    )  # fmt: skip


def waiting(node: Address, site: int) -> list[int]:
    return [
        queue.messages for queue in look_at(where(node, site), [queue_name(n) for n in range(1, QUEUES + 1)])
    ]


# What goes through


def test_batches_come_with_their_topics_in_order_and_those_acknowledged_do_not_come_again(
    node: Address,
) -> None:
    with source_at(node, 0) as source, publisher(node, 0) as publish:
        publish(numbered(20))
        messages = receive(source, 20)
        assert [message.payload for message in messages] == numbered(20)
        assert {message.topic for message in messages} == {f"{ROOT}/d1/pulses"}
        assert {message.content_type for message in messages} == {None}, "MQTT 3.1.1 has none"
        assert [message.arrival for message in messages] == list(range(1, 21))
        source.acknowledge(messages[:8])
        with pytest.raises(ValueError, match="acknowledged before"):
            source.acknowledge(messages[10:])
    with source_at(node, 0) as source:
        again = receive(source, 12)
        assert [message.payload for message in again] == numbered(12, 8)
        source.release(again[6:])
        assert receive(source, 6) == again[6:]
        source.acknowledge(again)
        until(lambda: source.status().in_flight == 0)
    assert waiting(node, 0) == [0] * QUEUES


def test_all_batches_of_a_drive_are_in_one_queue_and_drives_are_spread(node: Address) -> None:
    drives = [f"press-{number}" for number in range(30)]
    with publisher(node, 1) as publish:
        for drive in drives:
            publish(numbered(3), drive=drive)
    found: dict[int, list[tuple[str, bytes]]] = {}
    for queue in range(1, QUEUES + 1):
        with source_at(node, 1, [queue]) as source:
            messages = receive(source, 90, 0.7)
            found[queue] = [(message.topic, message.payload) for message in messages]
            source.acknowledge(messages)
    assert sum(map(len, found.values())) == 90
    assert all(found.values()), "each queue has some"
    for drive in drives:
        topic = f"{ROOT}/{drive}/pulses"
        (holder,) = [queue for queue, messages in found.items() if (topic, b"0") in messages]
        assert [payload for its, payload in found[holder] if its == topic] == numbered(3)


def test_of_two_workers_on_a_queue_one_works_and_the_other_takes_over_what_was_not_acknowledged(
    node: Address,
) -> None:
    with source_at(node, 2) as first, publisher(node, 2) as publish:
        until(lambda: first.status().connected)
        with source_at(node, 2) as second:
            until(lambda: second.status().connected)
            publish(numbered(10))
            messages = receive(first, 10)
            assert [message.payload for message in messages] == numbered(10)
            first.acknowledge(messages[:4])
            assert second.receive(1, 0.2) == []
            first.close()
            assert [message.payload for message in receive(second, 6)] == numbered(6, 4)


def test_without_acknowledgement_the_broker_keeps_to_the_prefetch(node: Address) -> None:
    with source_at(node, 3, prefetch=5) as source, publisher(node, 3) as publish:
        publish(numbered(30))
        messages = receive(source, 5)
        assert source.receive(1, 0.2) == []
        seen = len(messages)
        while seen < 30:
            source.acknowledge(messages)
            messages = receive(source, 5)
            assert 0 < len(messages) <= 5
            seen += len(messages)
        source.acknowledge(messages)


def test_a_store_slower_than_the_heartbeat_costs_no_connection(node: Address) -> None:
    with source_at(node, 4, heartbeat_s=1) as source, publisher(node, 4) as publish:
        publish(numbered(3))
        messages = receive(source, 3)
        time.sleep(3.2)
        source.acknowledge(messages)
        publish(numbered(1))
        assert len(receive(source, 1)) == 1
        assert source.status().reconnects == 0


def test_a_connection_that_breaks_costs_nothing_but_a_moment(node: Address) -> None:
    with source_at(node, 5) as source, publisher(node, 5) as publish:
        publish(numbered(10))
        first = receive(source, 10)
        source.acknowledge(first[:5])
        until(lambda: source.status().in_flight == 5)
        time.sleep(0.1)
        link = source._link
        assert link is not None
        link._connection.ioloop.add_callback_threadsafe(link._connection._transport.abort)
        again = receive(source, 5)
        assert [message.payload for message in again] == numbered(5, 5)
        source.acknowledge(first[5:])
        source.acknowledge(again)
        until(lambda: source.status().reconnects == 1)
        publish(numbered(1, 10))
        last = receive(source, 1)
        source.acknowledge(last)
    assert waiting(node, 5) == [0] * QUEUES


def test_messages_come_through_an_encrypted_connection(node: Address) -> None:
    tls = Tls(ca_file=Path(node.folder) / "ca.pem")
    with source_at(node, 6, port=node.tls_port, tls=tls) as source, publisher(node, 6) as publish:
        publish([b"x" * 100_000])
        (message,) = receive(source, 1)
        assert len(message.payload) == 100_000
        source.acknowledge([message])
    untrusted = source_at(node, 6, port=node.tls_port, tls=Tls())
    with untrusted:
        until(lambda: "certificate is not trusted" in untrusted.status().trouble)


# Who may do what


def test_a_device_writes_its_own_topics_and_reaches_no_queue(node: Address) -> None:
    with publisher(node, 7, user=DEVICE) as publish, source_at(node, 7) as source:
        publish([b"own"])
        assert [message.payload for message in receive(source, 1)] == [b"own"]
    thief = source_at(node, 7, username=DEVICE)
    with thief:
        until(lambda: "let this user read it" in thief.status().trouble)
    client = paho.Client(CallbackAPIVersion.VERSION2, "liar", protocol=paho.MQTTv311)
    client.username_pw_set(f"{vhost(7)}:{DEVICE}", WORKER["password"])
    thrown_out = threading.Event()
    client.on_disconnect = lambda *_: thrown_out.set()
    client.connect("127.0.0.1", node.mqtt_port)
    client.loop_start()
    until(client.is_connected)
    client.publish(f"{ROOT}/d2/pulses", b"another's", 1)
    assert thrown_out.wait(5)
    client.disconnect()
    client.loop_stop()


def topic_of_next(source: AmqpSource) -> str:
    (message,) = receive(source, 1)
    source.acknowledge([message])
    return message.topic


def test_a_device_comes_in_by_the_name_in_its_certificate_and_without_one_not_at_all(node: Address) -> None:
    refused = threading.Event()

    def client_with(name: str) -> paho.Client:
        client = paho.Client(CallbackAPIVersion.VERSION2, f"{name}-device", protocol=paho.MQTTv311)
        shown, key = [f"{node.folder}/{name}.{kind}" if name else None for kind in ("pem", "key")]
        client.tls_set(f"{node.folder}/ca.pem", shown, key)
        client.on_connect = lambda _c, _d, _f, reason, _p: refused.set() if reason.is_failure else None
        client.connect("127.0.0.1", node.mqtt_tls_port)
        client.loop_start()
        return client

    with source_at(node, 7) as source:
        client = client_with(SHOWN)
        until(client.is_connected)
        client.publish(f"{ROOT}/{SHOWN}/pulses", b"own", 1).wait_for_publish(10)
        until(
            lambda: topic_of_next(source) == f"{ROOT}/{SHOWN}/pulses"
        )  # tests before may have left some there
        assert not refused.is_set()
        stranger = client_with("")
        assert refused.wait(10)
        for each in (client, stranger):
            each.disconnect()
            each.loop_stop()


def test_the_worker_may_neither_declare_nor_delete(node: Address) -> None:
    deeds: list[Callable[[Any], object]] = [
        lambda channel: channel.queue_declare("linklag.99", durable=True),
        lambda channel: channel.queue_delete(queue_name(1)),
        lambda channel: channel.basic_publish("amq.topic", f"{ROOT.replace('/', '.')}.d1.pulses", b"forged"),
    ]
    connection = pika.BlockingConnection(where(node, 7))
    for deed in deeds:
        channel = connection.channel()
        channel.confirm_delivery()
        with pytest.raises(pika.exceptions.ChannelClosedByBroker, match="ACCESS_REFUSED"):
            deed(channel)
    connection.close()


@pytest.mark.parametrize(
    ("settings", "told"),
    [
        ({"password": "wrong"}, "check amqp.username and amqp.password_file"),
        ({"vhost": "elsewhere"}, "let this user into amqp.vhost"),
        ({"queues": [9]}, "has no queue linklag.9: import the definitions"),
        ({"port": 1}, "cannot reach the broker"),
    ],
)
def test_what_keeps_it_from_working_is_told(node: Address, settings: dict[str, Any], told: str) -> None:
    source = source_at(node, 7, **settings)
    with source:
        until(lambda: told in source.status().trouble)
        assert not source.status().connected


def test_a_queue_that_cannot_be_seen_is_told(node: Address) -> None:
    with pytest.raises(ConnectionError, match=r"has no queue linklag\.9"):
        look_at(where(node, 7), ["linklag.9"])
    assert [queue.name for queue in look_at(where(node, 7), ["linklag.1"])] == ["linklag.1"]


# What goes out


def outlet_at(port: int, **settings: Any) -> MqttOutlet:
    usual = {"client_id": "out", "version": "3.1.1", **WORKER, "username": f"{vhost(7)}:linklag"}
    return MqttOutlet("127.0.0.1", port, **usual | settings)


def test_the_newest_of_each_topic_is_published_retained(node: Address) -> None:
    seen: dict[str, bytes] = {}
    outlet = outlet_at(node.mqtt_port)
    outlet.open()
    try:
        until(outlet._client.is_connected)
        for number in range(200):
            outlet.publish(f"{ROOT}/d{number % 4}/elongation", b"%d" % number, retain=True, qos=1)
    finally:
        outlet.close()
    assert outlet.trouble == ""
    client = paho.Client(CallbackAPIVersion.VERSION2, "looks", protocol=paho.MQTTv311)
    client.username_pw_set(f"{vhost(7)}:{ALL}", WORKER["password"])
    client.on_message = lambda _c, _d, message: seen.update({message.topic: bytes(message.payload)})
    client.on_connect = lambda c, *_: c.subscribe(
        [(f"{ROOT}/d{number}/elongation", 1) for number in range(4)]
    )
    client.connect("127.0.0.1", node.mqtt_port)
    client.loop_start()
    until(lambda: len(seen) == 4)
    client.disconnect()
    client.loop_stop()
    assert seen == {f"{ROOT}/d{number}/elongation": b"%d" % (196 + number) for number in range(4)}


def test_what_may_not_be_published_is_told(node: Address) -> None:
    outlet = outlet_at(node.mqtt_port)
    outlet.open()
    try:
        until(outlet._client.is_connected)
        outlet.publish("elsewhere/d1", b"", retain=True, qos=1)
        until(lambda: "this user may not write the topics" in outlet.trouble)
    finally:
        outlet.close()


# With the commands


def settings_for(node: Address, site: int, folder: Path, **more: Any) -> Settings:
    login = {"username": WORKER["username"], "password": WORKER["password"]}
    broker = login | {
        "port": node.mqtt_port, "root": ROOT, "mqtt_version": "3.1.1", "username": f"{vhost(site)}:linklag",
    }  # fmt: skip
    amqp = login | {"host": "127.0.0.1", "port": node.port, "vhost": vhost(site), "queues": QUEUES}
    return Settings(
        broker=Broker.model_validate(broker),
        amqp=Amqp.model_validate(amqp | more),
        store=Store(folder=folder),
    )


def test_check_looks_at_the_queues_and_takes_nothing(node: Address, tmp_path: Path) -> None:
    settings = settings_for(node, 8, tmp_path)
    assert check_outlet(settings).fix == ""
    good = check_queues(settings)
    assert good.fix == ""
    assert "linklag.1 0 waiting" in good.found
    with publisher(node, 8) as publish:
        publish(numbered(1))
    left = check_queues(settings)
    assert "nobody takes from linklag." in left.found
    assert left.fix
    with source_at(node, 8) as source:
        messages = receive(source, 1)
        assert check_queues(settings).fix == ""
        source.acknowledge(messages)
    lacking = check_queues(settings_for(node, 8, tmp_path, queues=9))
    assert "has no queue linklag.3" in lacking.found
    wrong = settings.model_copy(update={"broker": settings.broker.model_copy(update={"username": "nobody"})})
    assert "refuses" in check_outlet(wrong).found


@pytest.mark.timeout(170)
def test_a_worker_killed_midway_and_started_again_stores_each_batch_once(
    node: Address, tmp_path: Path
) -> None:
    batches = 2000
    file = tmp_path / "linklag.db"
    with contextlib.closing(open_database(f"sqlite:///{file}")) as database:
        register_drives(database.register, 4)
    (tmp_path / "password").write_text(WORKER["password"])
    (tmp_path / "linklag.toml").write_text(
        f"[broker]\nport = {node.mqtt_port}\nroot = '{ROOT}'\nmqtt_version = '3.1.1'\n"
        f"username = '{vhost(9)}:linklag'\npassword_file = 'password'\n"
        f"[amqp]\nhost = '127.0.0.1'\nport = {node.port}\nvhost = '{vhost(9)}'\nqueues = {QUEUES}\n"
        f"username = 'linklag'\npassword_file = 'password'\n"
        f"[partition.all]\nqueues = [1, 2]\n[store]\nfolder = '{tmp_path}'\n[log]\nlevel = 'warning'\n"
    )
    worker = PartitionWorker(tmp_path, "all")
    try:
        with publisher(node, 9) as publish, counting(file) as stored:
            for number in range(4):
                publish([batch(seq) for seq in range(batches // 4)], drive=f"d{number}")
            worker.start()
            until(lambda: worker.is_up() and stored() > batches // 10, 60)
            worker.end(kill=True)
            assert stored() < batches, "the kill came too late to mean anything"
            worker.start()
            until(lambda: worker.is_up() and stored() == batches, 60)
            until(lambda: waiting(node, 9) == [0] * QUEUES)
    finally:
        worker.end()
    with contextlib.closing(open_database(f"sqlite:///{file}")) as database:
        for number in range(4):
            readings = database.readings.raw(f"d{number}", 0, time.time_ns())
            assert [reading.seq for reading in readings] == list(range(batches // 4))
        assert database.refused.rejections() == []


# Without a node


def test_settings_that_cannot_work_are_refused() -> None:
    with pytest.raises(ValueError, match="no queue"):
        AmqpSource("127.0.0.1", queues=[], outlet=NoOutlet())
    with pytest.raises(ValueError, match="prefetch is 0"):
        AmqpSource("127.0.0.1", queues=["q"], outlet=NoOutlet(), prefetch=0)
    with pytest.raises(ValueError, match="TLS is off"):
        AmqpSource("rabbit.plant", queues=["q"], outlet=NoOutlet())
    with pytest.raises(ValueError, match="TLS is off"):
        MqttOutlet("rabbit.plant", 1883, client_id="out")
    with pytest.raises(ValueError, match="qos is 2"):
        MqttOutlet("127.0.0.1", 1883, client_id="out").publish("t", b"", qos=2)


def test_an_outlet_without_a_broker_says_so_and_keeps_the_newest() -> None:
    outlet = outlet_at(free_port())
    outlet.open()
    try:
        for number in range(3):
            outlet.publish("t", b"%d" % number)
        until(lambda: "cannot be reached" in outlet.trouble)
        assert [out.payload for out in outlet._waiting.values()] == [b"2"]
    finally:
        outlet.close()


def test_what_is_published_as_the_connection_is_lost_is_given_to_the_client_once(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    outlet = outlet_at(free_port())
    monkeypatch.setattr(
        outlet._client, "is_connected", lambda: True
    )  # it has not seen yet that there is none
    outlet.publish("t", b"1")
    outlet._thread.start()
    try:
        until(lambda: outlet._client._out_messages)
        until(lambda: not outlet._waiting and outlet._busy)
        outlet.publish("t", b"2")
    finally:
        outlet.close()
    assert [out.payload for out in outlet._client._out_messages.values()] == [b"1"]
    assert [out.payload for out in outlet._waiting.values()] == [b"2"]


def test_topics_come_back_from_routing_keys_unless_they_have_dots() -> None:
    assert topic_of("plant.linklag.v1.d1.pulses") == "plant/linklag/v1/d1/pulses"
    with pytest.raises(ValueError, match="has a dot, which RabbitMQ takes for a slash"):
        Spread(roots=("plant/v1.2",), queues=1)


def test_a_text_that_is_no_utf_8_stops_nothing(node: Address) -> None:
    """The broker would give such a message again and again, and none of those behind it."""
    connection = pika.BlockingConnection(where(node, 0, ALL))
    bad = pika.BasicProperties(content_type=b"\xff")
    channel = connection.channel()
    for key, properties in ((f"{ROOT}/\udcff/pulses", None), (f"{ROOT}/d1/pulses", bad)):
        routing_key = key.replace("/", ".").encode(errors="surrogateescape")
        channel.basic_publish("amq.topic", routing_key, b"1", properties)
    connection.close()
    with source_at(node, 0) as source:
        messages = receive(source, 2)
        source.acknowledge(messages)
        until(lambda: source.status().in_flight == 0)
    assert {(each.topic, each.content_type) for each in messages} == {
        (f"{ROOT}/\ufffd/pulses", None),
        (f"{ROOT}/d1/pulses", "\ufffd"),
    }


def test_while_the_in_tray_is_full_there_is_no_new_connection() -> None:
    """What an earlier connection brought comes again over each, and would lie there once more."""
    with socket.create_server(("127.0.0.1", 0)) as broker:
        broker.settimeout(1.0)
        port = broker.getsockname()[1]
        source = AmqpSource("127.0.0.1", port, queues=["q"], outlet=NoOutlet(), prefetch=1)
        for _ in range(2):
            source._in_tray.put("t", b"", None)
        with source:
            with pytest.raises(TimeoutError):
                broker.accept()
            assert len(source.receive(2, 1.0)) == 2
            broker.settimeout(10.0)
            broker.accept()[0].close()


def test_who_leaves_a_broker_that_does_not_answer_leaves_no_socket_open() -> None:
    with socket.create_server(("127.0.0.1", 0)) as broker:
        broker.settimeout(10.0)
        with AmqpSource("127.0.0.1", broker.getsockname()[1], queues=["q"], outlet=NoOutlet()) as source:
            connection = broker.accept()[0]
            connection.settimeout(10.0)
            assert connection.recv(8) == b"AMQP\0\0\t\1"
            trouble = source.status().trouble
        with connection:
            assert connection.recv(1) == b"", "the other side closed it"
        assert source.status().trouble == trouble, "to leave is no trouble"


def test_the_definitions_hold_no_password_and_let_nobody_declare() -> None:
    spread = Spread(roots=(ROOT,), queues=2)
    made = definitions(spread, worker="linklag", worker_password=SECRET, drive_ids=["d1"])
    text = json.dumps(made)
    assert SECRET not in text
    assert {each["configure"] for each in made["permissions"]} == {"^$"}
    assert [queue["name"] for queue in made["queues"]] == ["linklag.1", "linklag.2"]
    assert all(queue["arguments"]["x-single-active-consumer"] for queue in made["queues"])
    (device,) = [user for user in made["users"] if user["name"] == "d1"]
    assert device["password_hash"] == "", "nobody comes in by password as a device"


def test_a_password_is_kept_as_salted_hash() -> None:
    """The example of RabbitMQ's page on passwords, from memory: salt 908DC60A, password test12."""
    assert (
        password_hash("test12", bytes.fromhex("908DC60A"))
        == "kI3GCqW5JLMJa4iX1lo7X4D6XbYqlLgxIs30+P6tENUV2POR"
    )
