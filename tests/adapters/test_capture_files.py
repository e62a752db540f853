"""Captures as JSON lines: what is written is read back to the byte, and a file that is wrong is refused by line."""

import base64
import io
import json
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.adapters.capture_files import (
    CapturedMessage,
    CaptureError,
    CaptureWriter,
    MessageFile,
    line_of,
    read_capture,
)
from service.adapters.pulse_tables import PulseTimes, Wanted
from service.core.wire import Form, decode
from tests.strategies import NOW_NS, PULSES, to_cbor, to_json

TOPIC = "linklag/v1/kiln/pulses"


def read(text: bytes) -> list[CapturedMessage]:
    return list(MessageFile(io.BytesIO(text)))


def line(payload: bytes, content_type: str | None = None) -> bytes:
    return line_of(TOPIC, payload, content_type, NOW_NS)


payloads = st.one_of(
    st.binary(max_size=60),
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
        lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
        max_leaves=8,
    ).map(lambda value: json.dumps({"v": 1, "x": value}).encode()),
    st.text().map(lambda text: json.dumps({"x": text}, ensure_ascii=False).encode("utf-8", "surrogatepass")),
)


@given(payloads, st.text(max_size=30), st.none() | st.text(max_size=20), st.integers(0, 2**62))
def test_every_message_is_read_back_to_the_byte(
    payload: bytes, topic: str, content_type: str | None, received_ns: int
) -> None:
    written = line_of(topic, payload, content_type, received_ns)
    assert written.count(b"\n") == 1
    assert read(written) == [
        CapturedMessage(
            line=1, topic=topic, payload=payload, content_type=content_type, received_ns=received_ns
        )
    ]


def test_json_stands_in_the_line_as_it_is_and_all_else_in_base64() -> None:
    """So that a capture can be searched and looked at with whatever reads JSON lines."""
    payload = to_json(PULSES)
    assert json.loads(line(payload))["payload"] == PULSES
    assert payload in line(payload)
    for other in (to_cbor(PULSES), b"ERR 17", b"", b'{"a":\n1}', b'{"a":NaN}', b'{"a":"\xff"}', b'{"a":1} '):
        assert base64.b64decode(json.loads(line(other))["payload_base64"]) == other


def test_lines_may_be_bare_batches_and_files_may_come_from_an_editor() -> None:
    """Byte order mark, Windows line ends, blank lines, and a batch alone in its line."""
    text = b"\xef\xbb\xbf" + to_json(PULSES) + b"\r\n\r\n" + line(b'{"v":1}')
    bare, wrapped = read(text)
    assert (bare.topic, bare.payload, bare.line) == (None, to_json(PULSES), 1)
    assert (wrapped.topic, wrapped.line) == (TOPIC, 3)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        (b"ERR 17 overrun\n", "line 2 is no JSON object"),
        (b"[1, 2]\n", "line 2 is no JSON object"),
        (b'{"topic": "a"}\n', "line 2: there is no payload"),
        (b'{"topic": "a", "payload_base64": "%%%"}\n', "line 2: payload_base64 is no base64"),
        (b'{"topic": 5, "payload": {}}\n', "line 2: "),
        (
            b'{"received": "yesterday", "topic": "a", "payload": {}}\n',
            "line 2: 'yesterday' is no RFC 3339 time",
        ),
        (b"[" * 5000 + b"\n", "line 2 is no JSON object"),
        (b'{"v":1,"x":' + b"[" * 5000 + b"]" * 5000 + b"}\n", "line 2 is no JSON object"),
        (b"\x00\xff\xfe\n", "line 2 is no JSON object"),
    ],
)
def test_a_line_that_is_wrong_is_named_with_what_mends_it(wrong: bytes, said: str) -> None:
    with pytest.raises(CaptureError, match=said) as refused:
        read(line(b'{"v":1}') + wrong + line(b'{"v":1}'))
    assert any(word in str(refused.value) for word in ("take the line out", "write "))


def test_an_endless_line_costs_no_more_than_the_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("service.adapters.capture_files.LINE_BYTES_MAX", 1000)
    with pytest.raises(CaptureError, match="line 2 has over 1000 bytes"):
        read(line(b'{"v":1}') + b"x" * 5000)


def test_the_half_line_of_a_killed_writer_is_left_out_and_told() -> None:
    whole = line(b'{"v":1}')
    for cut in range(1, len(whole) - 1):
        file = MessageFile(io.BytesIO(whole + whole[:cut]))
        assert len(list(file)) == 1
        assert file.cut_off_line == 2
    with pytest.raises(CaptureError):
        read(whole[:-5])  # a file of nothing else is no capture


def test_what_a_capture_is_shows_in_its_first_bytes() -> None:
    def kind(text: bytes) -> type:
        return type(read_capture(io.BufferedReader(io.BytesIO(text)), Wanted()))

    assert kind(line(b"{}")) is MessageFile
    assert kind(b'\n  {"v":1}') is MessageFile
    assert kind(b"up_us,down_us\n1,2\n") is PulseTimes


# Writing


def written(path: Path) -> list[bytes]:
    return [message.payload for message in read(path.read_bytes())]


def numbered(count: int) -> Sequence[bytes]:
    return [line(b'{"v":1,"seq":%d}' % number) for number in range(count)]


def test_lines_are_in_the_file_as_soon_as_they_are_written(tmp_path: Path) -> None:
    path = tmp_path / "capture.jsonl"
    with CaptureWriter(path, bytes_max=10**6) as writer:
        assert writer.write(numbered(3)) == 3
        assert len(written(path)) == 3
        assert (writer.lines, writer.bytes, writer.full) == (3, path.stat().st_size, False)


def test_a_full_file_ends_the_capture_within_its_bound(tmp_path: Path) -> None:
    path, lines = tmp_path / "capture.jsonl", numbered(10)
    with CaptureWriter(path, bytes_max=5 * len(lines[0]) + 3) as writer:
        assert writer.write(lines) == 5
        assert writer.full
    assert path.read_bytes() == b"".join(lines[:5])


def test_with_more_files_the_newest_messages_are_kept(tmp_path: Path) -> None:
    path, lines = tmp_path / "capture.jsonl", numbered(10)
    with CaptureWriter(path, bytes_max=2 * len(lines[0]), files_max=3) as writer:
        for each in lines[:7]:
            writer.write([each])
        writer.write(lines[7:])
        assert not writer.full
    assert sorted(each.name for each in tmp_path.iterdir()) == [
        "capture.1.jsonl", "capture.2.jsonl", "capture.jsonl",
    ]  # fmt: skip
    names = ("capture.2.jsonl", "capture.1.jsonl", "capture.jsonl")
    assert b"".join((tmp_path / name).read_bytes() for name in names) == b"".join(lines[4:])


def test_a_message_larger_than_a_file_is_written_all_the_same(tmp_path: Path) -> None:
    with CaptureWriter(tmp_path / "capture.jsonl", bytes_max=10) as writer:
        assert writer.write(numbered(2)) == 1
        assert writer.full


@pytest.mark.parametrize("name", ["capture.jsonl", "capture.1.jsonl"])
def test_nothing_that_is_there_is_overwritten(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_text("mine")
    with pytest.raises(CaptureError, match="is there already; give another --out"):
        CaptureWriter(tmp_path / "capture.jsonl", bytes_max=10, files_max=3)
    assert (tmp_path / name).read_text() == "mine"


def test_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="cannot be made"):
        CaptureWriter(tmp_path / "none" / "capture.jsonl", bytes_max=10)


def test_a_capture_of_nothing_leaves_no_file(tmp_path: Path) -> None:
    CaptureWriter(tmp_path / "capture.jsonl", bytes_max=10).close()
    assert list(tmp_path.iterdir()) == []


def test_a_disk_that_fills_up_leaves_a_file_of_whole_lines(tmp_path: Path) -> None:
    """The limit on file size makes the system write a part of what is asked, and then fail, as a full disk does."""
    program = f"""
import resource, signal, sys
from pathlib import Path
from service.adapters.capture_files import *
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (1000, resource.RLIM_INFINITY))
lines = [line_of("t", b'{{"v":1}}', None, 0)] * 40
try:
    CaptureWriter(Path({str(tmp_path / "capture.jsonl")!r}), bytes_max=10**6).write(lines)
except CaptureError as error:
    print(error)
"""
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    kept = (tmp_path / "capture.jsonl").read_bytes()
    fit = 1000 // len(line_of("t", b'{"v":1}', None, 0))
    assert [message.payload for message in read(kept)] == [b'{"v":1}'] * fit
    assert f"cannot be written (File too large); what was written is whole: {fit} messages" in done.stdout


def test_a_batch_decodes_the_same_out_of_a_capture() -> None:
    for payload in (to_json(PULSES), to_cbor(PULSES)):
        kept = read(line(payload))[0].payload
        batch = decode(kept, form=Form.PULSES, drive_id="kiln", content_type=None, now_ns=NOW_NS)
        assert batch.up.tolist() == PULSES["up"]  # type: ignore[union-attr]
