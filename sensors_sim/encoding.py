"""The two encodings of the wire contract, written by hand: JSON (RFC 8259) and CBOR (RFC 8949 with RFC 8746 arrays).

Knows how values become bytes. Must not know what the fields mean.
"""

import json
import struct
from collections.abc import Mapping, Sequence
from enum import StrEnum

import numpy as np
import numpy.typing as npt

Ticks = npt.NDArray[np.int64]
Value = bool | int | float | str | Ticks
Fields = Mapping[str, Value]


class Encoding(StrEnum):
    """How a device writes a batch."""

    JSON = "json"
    CBOR = "cbor"  # ticks as typed arrays
    CBOR_PLAIN = "cbor_plain"  # ticks as ordinary arrays of integers


CONTENT_TYPES = {
    Encoding.JSON: "application/json",
    Encoding.CBOR: "application/cbor",
    Encoding.CBOR_PLAIN: "application/cbor",
}

# RFC 8746, 2.1: tag = 64 + sign, kind and width; unsigned big endian 64 to 67, unsigned little endian 69 to 71.
_TYPED_ARRAYS = {
    (16, True): (65, ">u2"),
    (32, True): (66, ">u4"),
    (64, True): (67, ">u8"),
    (16, False): (69, "<u2"),
    (32, False): (70, "<u4"),
    (64, False): (71, "<u8"),
}


def encode(fields: Fields, encoding: Encoding, *, big_endian: bool = False) -> bytes:
    """Return the bytes of one message. Arrays of ticks are int64, >= 0."""
    if encoding is Encoding.JSON:
        return encode_json(fields)
    return encode_cbor(fields, typed_arrays=encoding is Encoding.CBOR, big_endian=big_endian)


def encode_json(fields: Fields) -> bytes:
    """Return compact UTF-8 JSON."""
    plain = {
        name: value.tolist() if isinstance(value, np.ndarray) else value for name, value in fields.items()
    }
    return json.dumps(plain, separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode()


def encode_cbor(fields: Fields, *, typed_arrays: bool = True, big_endian: bool = False) -> bytes:
    """Return a CBOR map of definite length, integers in their shortest form (RFC 8949, 4.2.1), keys in the order given.

    Arrays of ticks become typed arrays of the narrowest width that holds them, or ordinary arrays.
    """
    parts = [_head(5, len(fields))]
    for name, value in fields.items():
        parts += (_text(name), _value(value, typed_arrays=typed_arrays, big_endian=big_endian))
    return b"".join(parts)


def _value(value: Value, *, typed_arrays: bool, big_endian: bool) -> bytes:
    if isinstance(value, np.ndarray):
        return _typed_array(value, big_endian=big_endian) if typed_arrays else _array(value.tolist())
    if isinstance(value, bool):
        return b"\xf5" if value else b"\xf4"
    if isinstance(value, int):
        return _head(0, value) if value >= 0 else _head(1, -1 - value)
    if isinstance(value, float):
        return b"\xfb" + struct.pack(">d", value)
    return _text(value)


def _head(major: int, argument: int) -> bytes:
    """Return the first byte of an item with its argument (RFC 8949, 3)."""
    if argument < 24:
        return bytes([major << 5 | argument])
    for more, form in ((24, ">B"), (25, ">H"), (26, ">I"), (27, ">Q")):
        if argument < 1 << 8 * struct.calcsize(form):
            return bytes([major << 5 | more]) + struct.pack(form, argument)
    raise ValueError("CBOR integers end at 2^64 - 1")


def _text(text: str) -> bytes:
    content = text.encode()
    return _head(3, len(content)) + content


def _array(numbers: Sequence[int]) -> bytes:
    return _head(4, len(numbers)) + b"".join(_head(0, number) for number in numbers)


def _typed_array(ticks: Ticks, *, big_endian: bool) -> bytes:
    largest = int(ticks.max()) if len(ticks) else 0
    width = 16 if largest < 1 << 16 else 32 if largest < 1 << 32 else 64
    tag, dtype = _TYPED_ARRAYS[width, big_endian]
    content = ticks.astype(dtype).tobytes()
    return _head(6, tag) + _head(2, len(content)) + content
