"""`linklag record` at a real broker: what was published is in the file, and the worker's session is left alone."""

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from service.adapters.capture_files import CapturedMessage, MessageFile
from service.adapters.mqtt import MqttSource
from service.commands import CommandError
from service.commands.record import Bounds, record
from service.settings import Broker, Settings
from tests.conftest import Mosquitto, free_port
from tests.strategies import LAG, PULSES, to_cbor, to_json

LINKLAG = [sys.executable, "-P", "-c", "from service.main import run; run()"]
ROOT = "linklag/v1"
Sent = tuple[str, bytes, str | None]

MESSAGES: Sequence[Sent] = (
    (f"{ROOT}/kiln/pulses", to_json(PULSES), "application/json"),
    (f"{ROOT}/kiln/pulses", to_cbor(PULSES | {"seq": 1043}), "application/cbor"),
    (f"{ROOT}/press/lag", to_json(LAG), None),
    (f"{ROOT}/press/pulses", b"ERR 17 buffer overrun", None),
    (f"{ROOT}/press/status", b'{"v":1,"online":true}', None),
    (f"{ROOT}/Not An Id/pulses", to_json(PULSES), None),
)


def settings_at(mosquitto: Mosquitto) -> Settings:
    return Settings(broker=Broker(port=mosquitto.port))


def publish(port: int, messages: Sequence[Sent]) -> None:
    """Publish at QoS 1 and wait for the acknowledgements."""
    client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
    client.connect("127.0.0.1", port)
    client.loop_start()
    for topic, payload, content_type in messages:
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        if content_type is not None:
            properties.ContentType = content_type
        client.publish(topic, payload, qos=1, properties=properties).wait_for_publish(10)
    client.disconnect()
    client.loop_stop()


def read(path: Path) -> list[CapturedMessage]:
    with path.open("rb") as stream:
        return list(MessageFile(stream))


def as_sent(path: Path) -> list[Sent]:
    return [(each.topic or "", each.payload, each.content_type) for each in read(path)]


def wait_until(what: Callable[[], bool], timeout_s: float = 10.0) -> None:
    end = time.monotonic() + timeout_s
    while not what():
        assert time.monotonic() < end
        time.sleep(0.02)


@pytest.fixture
def recording(mosquitto: Mosquitto, tmp_path: Path) -> Iterator[Callable[..., subprocess.Popen[str]]]:
    """Start `linklag record` as a program of its own; returns when it is connected."""
    started: list[subprocess.Popen[str]] = []

    def start(*arguments: str) -> subprocess.Popen[str]:
        environment = os.environ | {"LINKLAG_BROKER__PORT": str(mosquitto.port)}
        process = subprocess.Popen(
            [*LINKLAG, "record", *arguments],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            cwd=tmp_path,
            env=environment,
        )
        started.append(process)
        end = time.monotonic() + 10
        while process.poll() is None and not any(
            b"marker" in path.read_bytes() for path in tmp_path.glob("*.jsonl")
        ):
            assert time.monotonic() < end
            # Without a session nothing is kept for it: publish until it has subscribed.
            publish(mosquitto.port, [(f"{ROOT}/marker/status", b'{"v":1,"online":true}', None)])
        return process

    yield start
    for process in started:
        process.kill()
        process.communicate()


def without_marker(sent: Sequence[Sent]) -> list[Sent]:
    return [each for each in sent if "/marker/" not in each[0]]


def test_what_devices_publish_is_in_the_file_as_it_came(
    recording: Callable[..., subprocess.Popen[str]], mosquitto: Mosquitto, tmp_path: Path
) -> None:
    """Ctrl-C ends it with a sound file and says what is in it."""
    began_ns = time.time_ns()
    process = recording("--out", "capture.jsonl")
    publish(mosquitto.port, MESSAGES)
    wait_until(lambda: len(without_marker(as_sent(tmp_path / "capture.jsonl"))) == len(MESSAGES))
    process.send_signal(signal.SIGINT)
    _out, err = process.communicate(timeout=20)
    assert process.returncode == 0, err
    assert without_marker(as_sent(tmp_path / "capture.jsonl")) == list(MESSAGES)
    assert all(
        began_ns < (each.received_ns or 0) <= time.time_ns() for each in read(tmp_path / "capture.jsonl")
    )
    assert "kiln: 2 pulses" in err
    assert "press: 1 pulses, 1 lag, 1 status" in err
    assert "Traceback" not in err


def test_a_killed_recorder_leaves_what_it_had(
    recording: Callable[..., subprocess.Popen[str]], mosquitto: Mosquitto, tmp_path: Path
) -> None:
    process = recording()
    publish(mosquitto.port, MESSAGES)
    path = next(tmp_path.glob("linklag-*.jsonl"))
    wait_until(lambda: len(without_marker(as_sent(path))) == len(MESSAGES))
    process.kill()
    process.wait(10)
    assert without_marker(as_sent(path)) == list(MESSAGES)


def test_only_the_drives_that_were_asked_for_are_recorded_and_the_time_ends_it(
    mosquitto: Mosquitto, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "capture.jsonl"
    stop = threading.Event()

    def keep_publishing() -> None:
        while not stop.is_set():
            publish(mosquitto.port, MESSAGES)

    thread = threading.Thread(target=keep_publishing)
    thread.start()
    try:
        assert record(settings_at(mosquitto), ["press"], str(path), Bounds(seconds=1.5)) == 0
    finally:
        stop.set()
        thread.join()
    assert {each.topic for each in read(path)} == {
        f"{ROOT}/press/{form}" for form in ("lag", "pulses", "status")
    }
    assert "the time is over" in capsys.readouterr().err


def test_a_full_file_ends_it(
    recording: Callable[..., subprocess.Popen[str]], mosquitto: Mosquitto, tmp_path: Path
) -> None:
    process = recording("--out", "capture.jsonl", "--max-mb", "0.002")
    for _ in range(20):
        publish(mosquitto.port, MESSAGES)
    _out, err = process.communicate(timeout=20)
    assert process.returncode == 0
    assert "the file is full" in err
    assert 1500 < (tmp_path / "capture.jsonl").stat().st_size <= 2000
    read(tmp_path / "capture.jsonl")


def test_standard_output_holds_the_capture_alone(mosquitto: Mosquitto, tmp_path: Path) -> None:
    environment = os.environ | {"LINKLAG_BROKER__PORT": str(mosquitto.port)}
    retained = (f"{ROOT}/kiln/status", b'{"v":1,"online":true}', None)
    client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
    client.connect("127.0.0.1", mosquitto.port)
    client.loop_start()
    client.publish(retained[0], retained[1], qos=1, retain=True).wait_for_publish(10)
    client.disconnect()
    client.loop_stop()
    done = subprocess.run(
        [*LINKLAG, "record", "--out", "-", "--seconds", "1"],
        capture_output=True, check=True, cwd=tmp_path, env=environment,
    )  # fmt: skip
    assert json.loads(done.stdout)["payload"] == {"v": 1, "online": True}
    assert list(tmp_path.glob("*.jsonl")) == []


def test_the_session_of_the_worker_is_left_alone(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """The worker is away; what the broker keeps for it is there after a recording, and it is not thrown out by one."""
    settings = settings_at(mosquitto)

    def worker() -> MqttSource:
        return MqttSource("127.0.0.1", mosquitto.port, root=ROOT, client_id=settings.broker.client_id)

    with worker() as first:
        wait_until(lambda: first.status().connected)
        time.sleep(0.3)  # until it is subscribed
    publish(mosquitto.port, MESSAGES)
    assert record(settings, [], str(tmp_path / "capture.jsonl"), Bounds(seconds=0.5)) == 1
    with worker() as second:
        wait_until(lambda: second.status().connected)
        record(settings, [], str(tmp_path / "capture.jsonl"), Bounds(seconds=0.3))
        received = second.receive(100, 5.0)
        assert second.status().reconnects == 0
    assert [message.payload for message in received] == [payload for _, payload, _ in MESSAGES]


def test_a_recording_of_nothing_is_code_1_and_leaves_no_file(
    mosquitto: Mosquitto, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert record(settings_at(mosquitto), [], str(tmp_path / "capture.jsonl"), Bounds(seconds=0.3)) == 1
    assert "nothing came" in capsys.readouterr().err
    assert not (tmp_path / "capture.jsonl").exists()


def test_a_broker_that_is_not_there_is_told_at_once(tmp_path: Path) -> None:
    settings = Settings(broker=Broker(port=free_port()))
    began_s = time.monotonic()
    with pytest.raises(CommandError, match="cannot reach"):
        record(settings, [], str(tmp_path / "capture.jsonl"), Bounds(seconds=60))
    assert time.monotonic() - began_s < 5
    assert not (tmp_path / "capture.jsonl").exists()


@pytest.mark.parametrize("drive_id", ["Kiln", "a/b", "+", ""])
def test_what_is_no_drive_id_is_told(mosquitto: Mosquitto, drive_id: str) -> None:
    with pytest.raises(CommandError, match="give a drive's id"):
        record(settings_at(mosquitto), [drive_id], None, Bounds())


def test_a_file_that_is_there_is_told(mosquitto: Mosquitto, tmp_path: Path) -> None:
    (tmp_path / "capture.jsonl").write_text("mine")
    with pytest.raises(CommandError, match="is there already"):
        record(settings_at(mosquitto), [], str(tmp_path / "capture.jsonl"), Bounds())
