"""The demo's broker does what the worker needs of one, whichever program it is."""

import importlib.util
import queue
import shutil
import socket
import threading
from pathlib import Path

import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from service.commands import CommandError, demo_broker
from service.commands.demo_broker import DemoBroker, NoBrokerError, free_port
from service.core.batch import PAYLOAD_BYTES_MAX
from tests.conftest import needs


@pytest.fixture(params=["iotcore", "mosquitto"])
def program(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    if request.param == "mosquitto":
        needs("mosquitto", why="apt-get install mosquitto")
        monkeypatch.setattr(importlib.util, "find_spec", lambda _name: None)
    return str(request.param)


def test_message_over_the_limit_of_the_contract_passes_so_that_its_refusal_is_seen(
    program: str, tmp_path: Path
) -> None:
    """Over 1 MiB is refused by the worker with its reason; a broker that dropped it would hide that."""
    with DemoBroker(tmp_path, free_port()) as broker:
        assert (program == "mosquitto") is ("mosquitto" in (tmp_path / "broker.log").read_text())
        got: queue.SimpleQueue[int] = queue.SimpleQueue()
        subscribed = threading.Event()

        def on_message(_client: Client, _data: object, message: MQTTMessage) -> None:
            got.put(len(message.payload))

        def on_subscribe(*_args: object) -> None:
            subscribed.set()

        client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        client.on_message = on_message
        client.on_subscribe = on_subscribe
        client.connect("127.0.0.1", broker.port)
        client.loop_start()
        client.subscribe("a/b", qos=1)
        assert subscribed.wait(10)
        client.publish("a/b", bytes(PAYLOAD_BYTES_MAX + 1000), qos=1)
        assert got.get(timeout=10) == PAYLOAD_BYTES_MAX + 1000
        client.disconnect()
        client.loop_stop()
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", broker.port), timeout=1)


def test_broker_listens_on_loopback_only(program: str, tmp_path: Path) -> None:
    del program
    with DemoBroker(tmp_path, free_port()) as broker:
        listening = [
            line.split()[1]
            for line in Path("/proc/net/tcp").read_text().splitlines()[1:]
            if line.split()[1].endswith(f":{broker.port:04X}") and line.split()[3] == "0A"
        ]
    assert listening == [f"0100007F:{broker.port:04X}"]


def test_without_any_broker_it_is_said_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(importlib.util, "find_spec", lambda _name: None)
    monkeypatch.setattr(shutil, "which", lambda *_args, **_more: None)
    with pytest.raises(CommandError, match=r"pip install 'linklag\[demo\]'"):
        DemoBroker(tmp_path, free_port())


def test_broker_that_does_not_start_says_why(
    tmp_path: Path, program: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(demo_broker, program.upper(), "nonsense")
    with (
        pytest.raises(NoBrokerError, match=r"(?s)did not start: .*broker\.toml"),
        DemoBroker(tmp_path, free_port()),
    ):
        pass


def test_free_port_is_the_first_that_nobody_has() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        found = free_port(port)
    assert found != port
    assert free_port(found) == found
