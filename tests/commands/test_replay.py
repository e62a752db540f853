"""`linklag replay` at a real broker: what was recorded comes out again, in its order, at the pace asked for."""

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from sensors_sim.batch import simulate_batch
from sensors_sim.encoding import Encoding, encode
from service.adapters.capture_files import line_of
from service.commands import CommandError
from service.commands.replay import Pace, replay, shifted
from service.core.batch import Batch
from service.core.wire import Form, decode
from service.settings import Broker, Settings
from tests.begun import Begun
from tests.conftest import Mosquitto, free_port
from tests.strategies import LAG, NOW_NS, PULSES, to_cbor, to_json

LINKLAG = [sys.executable, "-P", "-c", "from service.main import run; run()"]
ROOT = "linklag/v1"
FAST = Pace(speed=None)
Sent = tuple[str, bytes, str | None]

MESSAGES: Sequence[Sent] = (
    (f"{ROOT}/kiln/pulses", to_json(PULSES), "application/json"),
    (f"{ROOT}/kiln/pulses", to_cbor(PULSES | {"seq": 1043}), "application/cbor"),
    (f"{ROOT}/kiln/pulses", to_json(PULSES), "application/json"),  # sent twice, as devices do
    (f"{ROOT}/press/lag", to_json(LAG), None),
    (f"{ROOT}/press/pulses", b"ERR 17 buffer overrun", None),
    (f"{ROOT}/press/status", b'{"v":1,"online":true}', None),
)


def write_capture(path: Path, messages: Sequence[Sent], every_s: float = 0.0) -> Path:
    path.write_bytes(
        b"".join(
            line_of(*message, NOW_NS + round(number * every_s * 1e9))
            for number, message in enumerate(messages)
        )
    )
    return path


@pytest.fixture
def capture(tmp_path: Path) -> Path:
    return write_capture(tmp_path / "capture.jsonl", MESSAGES)


@pytest.fixture
def settings(mosquitto: Mosquitto) -> Settings:
    return Settings(broker=Broker(port=mosquitto.port))


class Listener:
    """What came at the broker, with the time of each."""

    def __init__(self, port: int, topics: str = "#") -> None:
        self.came: list[Sent] = []
        self.at_s: list[float] = []
        self.retained = 0
        self._ready = threading.Event()
        self._client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        self._client.on_message = self._on_message
        self._client.on_subscribe = lambda *_: self._ready.set()
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._client.subscribe(topics, qos=1)
        assert self._ready.wait(10)

    def _on_message(self, _client: Client, _data: object, message: MQTTMessage) -> None:
        self.came.append(
            (message.topic, bytes(message.payload), getattr(message.properties, "ContentType", None))
        )
        self.at_s.append(time.monotonic())
        self.retained += message.retain

    def wait_for(self, count: int, timeout_s: float = 10.0) -> list[Sent]:
        end = time.monotonic() + timeout_s
        while len(self.came) < count and time.monotonic() < end:
            time.sleep(0.01)
        return self.came

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def listener(mosquitto: Mosquitto) -> Iterator[Listener]:
    heard = Listener(mosquitto.port)
    yield heard
    heard.close()


def test_everything_comes_out_to_the_byte_and_in_order(
    settings: Settings, capture: Path, listener: Listener, capsys: pytest.CaptureFixture[str]
) -> None:
    assert replay(settings, capture, pace=FAST) == 0
    assert listener.wait_for(len(MESSAGES)) == list(MESSAGES)
    assert "sent 6 of 6, accepted 6, refused 0" in capsys.readouterr().err


def test_record_of_a_replay_of_a_record_is_the_same(
    settings: Settings, capture: Path, tmp_path: Path
) -> None:
    """Round trip through the broker: all but the times of receipt."""
    first = recorded_replay(settings, capture, tmp_path / "first.jsonl")
    second = recorded_replay(settings, first, tmp_path / "second.jsonl")
    assert without_times(second) == without_times(first) == without_times(capture)


def without_times(path: Path) -> list[dict[str, object]]:
    return [json.loads(line) | {"received": ""} for line in path.read_bytes().splitlines()]


def recorded_replay(settings: Settings, source: Path, out: Path) -> Path:
    """Replay a capture while another process records, as signals are the main thread's; return what it recorded."""
    raw, marker = out.with_suffix(".raw.jsonl"), out.with_suffix(".marker.jsonl")
    write_capture(marker, [(f"{ROOT}/marker/status", b"{}", None)])
    environ = os.environ | {"LINKLAG_BROKER__PORT": str(settings.broker.port)}
    process = Begun("linklag", "record", "--out", str(raw), env=environ, cwd=out.parent)
    try:
        while not (raw.exists() and raw.stat().st_size):  # nothing is kept for it before it has subscribed
            assert process.poll() is None
            replay(settings, marker, pace=FAST)
        assert replay(settings, source, pace=FAST) == 0
        end = time.monotonic() + 20
        while sum(b"/marker/" not in line for line in raw.read_bytes().splitlines()) < len(MESSAGES):
            assert time.monotonic() < end
            time.sleep(0.05)
        process.send_signal(signal.SIGINT)
        assert process.wait(20) == 0
    finally:
        process.kill()
        process.wait()
    out.write_bytes(
        b"".join(line for line in raw.read_bytes().splitlines(keepends=True) if b"/marker/" not in line)
    )
    return out


def test_nothing_stays_with_the_broker(settings: Settings, capture: Path, mosquitto: Mosquitto) -> None:
    """A retained status would show a device online for ever that was never there."""
    replay(settings, capture, pace=FAST)
    late = Listener(mosquitto.port)
    time.sleep(0.3)
    late.close()
    assert late.came == []


@pytest.mark.parametrize("speed", [1.0, 10.0])
def test_the_pace_is_as_recorded_times_the_speed(
    settings: Settings, tmp_path: Path, listener: Listener, speed: float
) -> None:
    path = write_capture(tmp_path / "paced.jsonl", MESSAGES, every_s=0.1 * speed)
    assert replay(settings, path, pace=Pace(speed=speed)) == 0
    listener.wait_for(len(MESSAGES))
    steps = [later - earlier for earlier, later in pairwise(listener.at_s)]
    assert (
        0.4 < sum(steps) < 2.0
    )  # 0.5 s, and what a busy machine adds; unpaced 0 s, at the other speed 0.05 or 5 s


def test_topics_get_the_root_of_the_settings_and_the_drive_asked_for(
    mosquitto: Mosquitto, capture: Path, listener: Listener
) -> None:
    settings = Settings(broker=Broker(port=mosquitto.port, root="bench/two"))
    assert replay(settings, capture, drive_ids=["press"], send_as="test-rig", pace=FAST) == 0
    came = listener.wait_for(3)
    assert [topic for topic, *_ in came] == [
        f"bench/two/test-rig/{form}" for form in ("lag", "pulses", "status")
    ]


def test_two_drives_are_not_sent_as_one(settings: Settings, capture: Path, listener: Listener) -> None:
    with pytest.raises(CommandError, match=r"2 drives \(kiln, press\).*choose with --drive"):
        replay(settings, capture, send_as="test-rig", pace=FAST)
    assert listener.came == []


def test_bare_batches_need_a_drive(settings: Settings, tmp_path: Path, listener: Listener) -> None:
    path = tmp_path / "bare.jsonl"
    path.write_bytes(to_json(PULSES) + b"\n" + to_json(LAG) + b"\n")
    with pytest.raises(CommandError, match="say with --as"):
        replay(settings, path, pace=FAST)
    assert replay(settings, path, send_as="kiln", pace=FAST) == 0
    assert [topic for topic, *_ in listener.wait_for(2)] == [f"{ROOT}/kiln/pulses", f"{ROOT}/kiln/lag"]


def test_nothing_is_sent_of_a_file_that_is_wrong(
    settings: Settings, capture: Path, listener: Listener
) -> None:
    capture.write_bytes(capture.read_bytes() + b"what is this?\n" + capture.read_bytes())
    with pytest.raises(CommandError, match=r"line 7 is no JSON object.*Nothing was sent"):
        replay(settings, capture, pace=FAST)
    time.sleep(0.2)
    assert listener.came == []


def test_a_capture_cut_off_by_a_crash_is_sent_up_to_there(
    settings: Settings, capture: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    capture.write_bytes(capture.read_bytes()[:-9])
    assert replay(settings, capture, pace=FAST) == 0
    err = capsys.readouterr().err
    assert "line 6 is cut off" in err
    assert "sent 5 of 5" in err


def test_a_broker_that_refuses_is_told_with_counts(
    mosquitto: Mosquitto, capture: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    mosquitto.stop()
    acl = tmp_path / "acl"
    acl.write_text(f"topic write {ROOT}/kiln/#\n")
    mosquitto._conf.write_text(mosquitto._conf.read_text() + f"acl_file {acl}\n")
    mosquitto.start()
    assert replay(Settings(broker=Broker(port=mosquitto.port)), capture, pace=FAST) == 1
    err = capsys.readouterr().err
    assert "sent 6 of 6, accepted 3, refused 3" in err
    assert "Not authorized" in err


def test_messages_that_nobody_hears_are_told(
    settings: Settings, capture: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert replay(settings, capture, pace=FAST) == 0
    assert "6 found nobody who subscribed" in capsys.readouterr().err


def test_a_broker_that_is_not_there_is_told_at_once(capture: Path) -> None:
    with pytest.raises(CommandError, match="cannot reach"):
        replay(Settings(broker=Broker(port=free_port())), capture, pace=FAST)


def test_a_broker_that_is_restarted_meanwhile_gets_the_rest(
    settings: Settings, mosquitto: Mosquitto, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    messages = [(f"{ROOT}/kiln/pulses", to_json(PULSES | {"seq": seq}), None) for seq in range(30)]
    path = write_capture(tmp_path / "long.jsonl", messages, every_s=0.1)

    def restart() -> None:
        time.sleep(1.0)
        mosquitto.stop()
        mosquitto.start()

    thread = threading.Thread(target=restart)
    thread.start()
    assert replay(settings, path, pace=Pace(speed=1)) == 0
    thread.join()
    assert "sent 30 of 30, accepted 30" in capsys.readouterr().err


def test_an_interrupt_ends_it_in_order(mosquitto: Mosquitto, tmp_path: Path) -> None:
    path = write_capture(tmp_path / "long.jsonl", MESSAGES, every_s=60)
    environment = os.environ | {"LINKLAG_BROKER__PORT": str(mosquitto.port)}
    process = subprocess.Popen(
        [*LINKLAG, "replay", str(path)], stderr=subprocess.PIPE, text=True, env=environment, cwd=tmp_path
    )
    assert process.stderr is not None
    begin = process.stderr.readline()
    assert "6 messages of 2 drives" in begin
    assert "about 300 s" in begin
    time.sleep(1.0)
    process.send_signal(signal.SIGINT)
    _out, err = process.communicate(timeout=10)
    assert process.returncode == 1
    assert "sent 1 of 6, accepted 1" in err
    assert "Traceback" not in err


@pytest.mark.parametrize("drive_id", ["Kiln", "a/b", "#", ""])
def test_what_is_no_drive_id_is_told(settings: Settings, capture: Path, drive_id: str) -> None:
    with pytest.raises(CommandError, match="is no drive id"):
        replay(settings, capture, send_as=drive_id, pace=FAST)


def test_a_drive_that_is_not_in_the_capture_is_told(settings: Settings, capture: Path) -> None:
    with pytest.raises(CommandError, match="holds no such messages"):
        replay(settings, capture, drive_ids=["mill"], pace=FAST)
    with pytest.raises(CommandError, match="cannot be read"):
        replay(settings, capture.with_name("none.jsonl"), pace=FAST)


# Time


def decoded(payload: bytes, form: Form = Form.PULSES) -> Batch:
    found = decode(payload, form=form, drive_id="kiln", content_type=None, now_ns=2**62)
    assert isinstance(found, Batch), found
    return found


@given(
    st.sampled_from([to_json, to_cbor]),
    st.sampled_from([PULSES["t0"], 1_795_593_300_000_000, "2026-11-25T09:15:00.123456789+01:00"]),
    st.integers(-(10**14), 10**14),
)
def test_time_is_shifted_and_nothing_else(
    write: Callable[[object], bytes], t0: int | str, shift_us: int
) -> None:
    fields = PULSES | {"t0": t0, "whatever": [1, {"x": None}]}
    before, after = decoded(write(fields)), decoded(shifted(write(fields), shift_us))
    assert after.t0_ns == before.t0_ns + 1000 * shift_us
    for name in ("seq", "tick_ns", "temp_c", "mount_c", "load_n", "device_id", "span_ns"):
        assert getattr(after, name) == getattr(before, name)
    assert after.up.tolist() == before.up.tolist()
    if write is to_json:
        moved = json.loads(shifted(write(fields), shift_us))
        assert type(moved.pop("t0")) is type(t0)
        assert moved == {name: value for name, value in fields.items() if name != "t0"}


@pytest.mark.parametrize("encoding", list(Encoding))
def test_typed_arrays_stay_such_when_time_is_shifted(encoding: Encoding) -> None:
    made = simulate_batch()
    payload = encode({"v": 1, "seq": 3, "t0": made.t0_ns // 1000, "up": made.up, "down": made.down}, encoding)
    moved = shifted(payload, 10**6)
    assert decoded(moved).up.tolist() == made.up.tolist()
    assert abs(len(moved) - len(payload)) <= 1


@pytest.mark.parametrize("speed", [None, 10.0])
def test_shifted_to_now_the_last_window_ends_when_it_is_sent_and_none_lies_ahead(
    settings: Settings, tmp_path: Path, listener: Listener, speed: float | None
) -> None:
    messages = [
        (f"{ROOT}/kiln/pulses", to_json(PULSES | {"seq": seq, "t0": f"2020-01-01T00:00:{seq:02}Z"}), None)
        for seq in range(5)
    ]
    path = write_capture(
        tmp_path / "old.jsonl", [*messages, (f"{ROOT}/kiln/pulses", b"garbage", None)], every_s=1
    )
    assert replay(settings, path, pace=Pace(speed=speed, shift="now")) == 0
    now_ns = time.time_ns()
    came = listener.wait_for(6)
    assert came[-1][1] == b"garbage"
    batches = [decoded(payload) for _, payload, _ in came[:5]]
    assert [batch.seq for batch in batches] == [0, 1, 2, 3, 4]
    assert {later.t0_ns - earlier.t0_ns for earlier, later in pairwise(batches)} == {10**9}
    assert now_ns - 5 * 10**9 < batches[-1].end_ns <= now_ns
