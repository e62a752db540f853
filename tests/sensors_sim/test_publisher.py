"""The publisher against a real broker on loopback."""

import json
import subprocess
import threading
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from sensors_sim.device import Device, Trouble
from sensors_sim.plant import BRICKWORKS
from sensors_sim.publisher import Broker, BrokerError, publish_burst, publish_live
from sensors_sim.scenario import ORDINARY
from tests.conftest import Mosquitto, free_port, needs


class Listener:
    """A subscriber to everything, at QoS 1, over a session that outlives the broker."""

    def __init__(self) -> None:
        self.messages: list[MQTTMessage] = []

    def of(self, topic: str) -> list[dict[str, Any]]:
        return [json.loads(m.payload) for m in self.messages if m.topic == topic]

    def online(self, drive_id: str) -> list[bool]:
        return [fields["online"] for fields in self.of(f"linklag/v1/{drive_id}/status")]


@contextmanager
def listening(port: int) -> Iterator[Listener]:
    listener, ready = Listener(), threading.Event()
    client = Client(
        CallbackAPIVersion.VERSION2, client_id=f"listener-{port}", protocol=MQTTProtocolVersion.MQTTv5
    )
    client.on_message = lambda _client, _data, message: listener.messages.append(message)
    client.on_connect = lambda client, *_: client.subscribe("#", qos=1)
    client.on_subscribe = lambda *_: ready.set()
    client.reconnect_delay_set(1, 1)
    session = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    session.SessionExpiryInterval = 300
    client.connect("127.0.0.1", port, properties=session)
    client.loop_start()
    assert ready.wait(10)
    try:
        yield listener
    finally:
        client.disconnect()
        client.loop_stop()


def content_type(message: MQTTMessage) -> str:
    properties: Any = message.properties
    return str(properties.ContentType)


def until(holds: Callable[[], object], timeout_s: float = 10.0) -> None:
    """Wait for what must come true; fail if it does not."""
    end = time.monotonic() + timeout_s
    while not holds():
        assert time.monotonic() < end, "it did not come true in time"
        time.sleep(0.02)


def device(drive_id: str = "steady", *, window_s: float = 0.2, **trouble: Any) -> Device:
    setup = replace(ORDINARY, drive_id=drive_id)
    setup = replace(setup, device=replace(setup.device, trouble=Trouble(**trouble)))
    return setup.build(seed=1, start_ns=time.time_ns(), window_s=window_s)


def test_a_plant_publishes_every_window_once_in_order_with_birth_and_good_bye(mosquitto: Mosquitto) -> None:
    devices = [d.build(seed=1, start_ns=time.time_ns(), window_s=0.5) for d in BRICKWORKS.drives]
    with listening(mosquitto.port) as listener:
        tally = publish_live(devices, Broker(port=mosquitto.port), seconds=2.2, stop=threading.Event())
        until(lambda: len(listener.messages) == tally.sent)
    assert tally.acknowledged == tally.sent
    by_topic: dict[str, list[MQTTMessage]] = defaultdict(list)
    for message in listener.messages:
        assert message.qos == 1
        by_topic[message.topic].append(message)
    assert len(by_topic) == 2 * len(devices)
    for sender in devices:
        assert listener.online(sender.drive_id) == [True, False]
    feeder = listener.of("linklag/v1/clay-feeder/lag")
    assert [fields["seq"] for fields in feeder] == [0, 1, 2, 3]
    types = {m.topic.split("/")[2]: content_type(m) for m in listener.messages if m.topic.endswith("pulses")}
    assert types["bucket-elevator"] == "application/cbor"
    assert types["setting-conveyor"] == "application/json"


def test_batches_come_in_real_time(mosquitto: Mosquitto) -> None:
    with listening(mosquitto.port) as listener:
        begin = time.monotonic()
        publish_live([device()], Broker(port=mosquitto.port), seconds=1.1, stop=threading.Event())
        took = time.monotonic() - begin
        until(lambda: listener.online("steady") == [True, False])
    assert 1.1 <= took < 3.0
    assert len(listener.of("linklag/v1/steady/pulses")) == 5


def test_stop_ends_a_run_without_end(mosquitto: Mosquitto) -> None:
    stop = threading.Event()
    threading.Timer(0.7, stop.set).start()
    tally = publish_live([device()], Broker(port=mosquitto.port), seconds=0, stop=stop)
    assert tally.acknowledged == tally.sent
    assert tally.took_s < 5


def test_a_burst_publishes_so_many_batches_of_each_drive(mosquitto: Mosquitto) -> None:
    devices = [device("one", window_s=1.0), device("two", window_s=1.0)]
    with listening(mosquitto.port) as listener:
        tally = publish_burst(devices, Broker(port=mosquitto.port), batches=1500, stop=threading.Event())
        until(lambda: len(listener.messages) == tally.sent, 30)
    assert tally.acknowledged == tally.sent == 2 * (1500 + 2)
    for drive_id in ("one", "two"):
        assert [f["seq"] for f in listener.of(f"linklag/v1/{drive_id}/pulses")] == list(range(1500))


def test_a_retained_birth_is_there_for_those_who_come_later(mosquitto: Mosquitto) -> None:
    stop = threading.Event()
    run = threading.Thread(
        target=publish_live,
        args=([device()], Broker(port=mosquitto.port)),
        kwargs={"seconds": 0, "stop": stop},
    )
    run.start()
    time.sleep(0.5)
    with listening(mosquitto.port) as listener:
        until(lambda: listener.messages)
        first = listener.messages[0]
        assert first.retain
        assert json.loads(first.payload)["online"] is True
        stop.set()
        run.join()


def test_a_lost_connection_lets_the_broker_speak_the_will_and_the_backlog_follows(
    mosquitto: Mosquitto,
) -> None:
    with listening(mosquitto.port) as listener:
        sender = device(offline_s=((0.5, 1.3),))
        publish_live([sender], Broker(port=mosquitto.port), seconds=2.1, stop=threading.Event())
        until(lambda: listener.online("steady") == [True, False, True, False])
        seqs = [fields["seq"] for fields in listener.of("linklag/v1/steady/pulses")]
    assert seqs == list(range(10))


def test_nothing_is_lost_while_the_broker_is_away(mosquitto: Mosquitto) -> None:
    stop = threading.Event()
    tallies: list[Any] = []
    with listening(mosquitto.port) as listener:
        run = threading.Thread(
            target=lambda: tallies.append(
                publish_live([device()], Broker(port=mosquitto.port), seconds=0, stop=stop)
            )
        )
        run.start()
        until(lambda: len(listener.of("linklag/v1/steady/pulses")) >= 3)
        mosquitto.stop()
        time.sleep(1.0)
        mosquitto.start()
        until(lambda: len({f["seq"] for f in listener.of("linklag/v1/steady/pulses")}) >= 20, 20)
        stop.set()
        run.join()
        received = {f["seq"] for f in listener.of("linklag/v1/steady/pulses")}
    (tally,) = tallies
    assert tally.acknowledged == tally.sent
    assert set(range(max(received))) <= received


def test_no_broker_is_said_with_the_fix() -> None:
    port = free_port()
    with pytest.raises(BrokerError, match=f"no broker at 127.0.0.1:{port}.*start one"):
        publish_live([device()], Broker(port=port), seconds=1, stop=threading.Event())


@pytest.fixture
def guarded(tmp_path: Path) -> Iterator[tuple[Mosquitto, Path]]:
    """A broker with TLS and a password, and the certificate to trust."""
    openssl, passwd = needs("openssl"), needs("mosquitto_passwd", why="apt-get install mosquitto")
    certificate, key, passwords = tmp_path / "ca.pem", tmp_path / "key.pem", tmp_path / "passwords"
    options = f"req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 2 -keyout {key} -out {certificate}"
    names = ["-subj", "/CN=127.0.0.1", "-addext", "subjectAltName=IP:127.0.0.1"]
    subprocess.run([openssl, *options.split(), *names], check=True, capture_output=True)
    subprocess.run([passwd, "-b", "-c", passwords, "simulator", "brick"], check=True, capture_output=True)
    broker = Mosquitto(tmp_path)
    (tmp_path / "mosquitto.conf").write_text(
        f"listener {broker.port} 127.0.0.1\nallow_anonymous false\npassword_file {passwords}\n"
        f"certfile {certificate}\nkeyfile {key}\nuser root\n"
    )
    broker.start()
    yield broker, certificate
    broker.stop()


@pytest.mark.filterwarnings(
    "ignore::pytest.PytestUnraisableExceptionWarning"
)  # paho leaves a refused socket open
def test_a_broker_with_tls_and_a_password_is_served_and_a_wrong_one_is_said(
    guarded: tuple[Mosquitto, Path],
) -> None:
    broker, certificate = guarded
    right = Broker(port=broker.port, username="simulator", password="brick", ca_file=certificate)  # noqa: S106
    tally = publish_live([device()], right, seconds=0.5, stop=threading.Event())
    assert tally.acknowledged == tally.sent == 4
    wrong = replace(right, password="stone")  # noqa: S106
    with pytest.raises(BrokerError, match="did not accept steady: Not authorized"):
        publish_live([device()], wrong, seconds=0.5, stop=threading.Event())
    by_another_name = replace(right, host="localhost")
    with pytest.raises(BrokerError, match="certificate"):
        publish_live([device()], by_another_name, seconds=0.5, stop=threading.Event())
