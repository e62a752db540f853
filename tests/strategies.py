"""What a capture device may send, as hypothesis strategies, and encoders of the tests' own to write it with.

Nothing here uses the decoder: JSON is written by the standard library, CBOR by cbor2 or byte by byte.
"""

import json
import struct
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Any

import cbor2
import numpy as np
from hypothesis import strategies as st

Fields = dict[str, Any]

NOW_NS = int(datetime(2026, 11, 25, 8, 20, tzinfo=UTC).timestamp()) * 10**9

# The examples of the wire contract.
PULSES: Fields = {
    "v": 1,
    "seq": 1042,
    "t0": "2026-11-25T08:15:00.000000Z",
    "tick_ns": 1000,
    "up": [12, 19856, 39701],
    "down": [8931, 28777, 48622],
    "temp_c": 48.2,
    "mount_c": 24.0,
    "load_n": 3400,
}
LAG: Fields = {
    "v": 1,
    "seq": 7,
    "t0": "2026-11-25T08:15:00Z",
    "span_ms": 1000,
    "period_us": 19844.6,
    "lag_us": 8921.3,
    "count": 50,
    "sd_us": 41.0,
}

# RFC 8746 clause 2.1: tag, struct code of one element, largest value. From memory, checked by test_cbor.
UNSIGNED_TAGS = {
    65: (">H", 2**16 - 1),
    66: (">I", 2**32 - 1),
    67: (">Q", 2**63 - 1),
    69: ("<H", 2**16 - 1),
    70: ("<I", 2**32 - 1),
    71: ("<Q", 2**63 - 1),
}


@cache
def maybe(value: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    """Return a strategy for that, or None. One that is made anew for each draw is looked through anew, which takes longer than to draw."""
    return st.none() | value


def to_json(fields: object) -> bytes:
    """Return the fields, or whatever else, as UTF-8 JSON, written by the standard library."""
    return json.dumps(fields, ensure_ascii=False).encode()


def to_cbor(fields: object) -> bytes:
    """Return the fields as CBOR with plain arrays, written by cbor2."""
    return cbor2.dumps(fields)


def typed(tag: int, ticks: Sequence[int]) -> cbor2.CBORTag:
    """Return ticks as an RFC 8746 typed array, packed element by element."""
    code = UNSIGNED_TAGS[tag][0]
    return cbor2.CBORTag(tag, b"".join(struct.pack(code, tick) for tick in ticks))


def head(major: int, argument: int) -> bytes:
    """Return the head of a CBOR item (RFC 8949 clause 3), in its shortest form."""
    if argument < 24:
        return bytes([major << 5 | argument])
    for info, code in ((24, ">B"), (25, ">H"), (26, ">I"), (27, ">Q")):
        if argument < 1 << 8 * struct.calcsize(code):
            return bytes([major << 5 | info]) + struct.pack(code, argument)
    raise ValueError(f"{argument} does not fit 64 bits")


def item(value: Any) -> bytes:
    """Return a value as CBOR, byte by byte: what `bytes` holds goes in as it is."""
    if isinstance(value, bytes):
        return value
    if isinstance(value, bool) or value is None:
        return {False: b"\xf4", True: b"\xf5", None: b"\xf6"}[value]
    if isinstance(value, int):
        return head(0, value) if value >= 0 else head(1, -1 - value)
    if isinstance(value, float):
        return b"\xfb" + struct.pack(">d", value)
    if isinstance(value, str):
        return head(3, len(value.encode())) + value.encode()
    return head(4, len(value)) + b"".join(item(each) for each in value)


def endless(fields: Fields) -> bytes:
    """Return the fields as CBOR whose map and arrays have indefinite length (RFC 8949 clause 3.2)."""
    parts = [b"\xbf"]
    for name, value in fields.items():
        parts.append(item(name))
        if isinstance(value, list):
            parts += [b"\x9f", *(item(each) for each in value), b"\xff"]
        else:
            parts.append(item(value))
    return b"".join([*parts, b"\xff"])


def differences(ticks: Sequence[int]) -> list[int]:
    """Return the first tick and then differences, as `delta` has them."""
    return [tick - before for tick, before in zip(ticks, [0, *ticks][: len(ticks)], strict=True)]


def ways_to_write(fields: Fields) -> dict[str, bytes]:
    """Return one batch in every form that its ticks fit: the same pulses in other bytes."""
    apart = {**fields, "delta": True, "up": differences(fields["up"]), "down": differences(fields["down"])}
    ways = {
        "json": to_json(fields),
        "json, delta": to_json(apart),
        "json, indented": json.dumps(fields, indent=2).encode(),
        "cbor": to_cbor(fields),
        "cbor, delta": to_cbor(apart),
        "cbor, indefinite lengths": endless(fields),
        "cbor, self-described": bytes.fromhex("d9d9f7") + to_cbor(fields),
    }
    for tag, (_code, largest) in UNSIGNED_TAGS.items():
        for name, source in (("", fields), (", delta", apart)):
            if max([0, *source["up"], *source["down"]]) <= largest:
                arrays = {sensor: typed(tag, source[sensor]) for sensor in ("up", "down")}
                ways[f"cbor, tag {tag}{name}"] = to_cbor({**source, **arrays})
    return ways


def trains(largest: int = 10**9, pulses_max: int = 40) -> st.SearchStrategy[list[int]]:
    """Ticks of one sensor: non-decreasing, from 0 up to `largest`, at times none."""
    return st.lists(st.integers(0, largest), max_size=pulses_max).map(sorted)


def instants() -> st.SearchStrategy[str]:
    """Times that a device may send as t0: RFC 3339, UTC, with 0 to 6 digits of a second."""
    moments = st.datetimes(datetime(2000, 1, 1), datetime(2026, 11, 25, 8, 20))  # noqa: DTZ001
    return st.builds(_written, moments, st.integers(0, 6))


def _written(moment: datetime, digits: int) -> str:
    text = moment.isoformat(timespec="microseconds")
    return (text[: 20 + digits] if digits else text[:19]) + "Z"


def micros(text: str) -> int:
    """Return an RFC 3339 time of UTC as whole microseconds since 1970, by the standard library."""
    return (datetime.fromisoformat(text) - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)


@st.composite
def pulses(draw: st.DrawFn, largest: int = 10**9) -> Fields:
    """The fields of a `pulses` batch that the service takes."""
    up, down = draw(trains(largest)), draw(trains(largest))
    fields: Fields = {"v": 1, "seq": draw(st.integers(0, 2**63 - 1)), "t0": draw(instants())}
    fields |= {"up": up, "down": down, **draw(_measurements())}
    if draw(st.booleans()):
        fields["tick_ns"] = draw(st.integers(1, 10**9 if largest <= 10**9 else 1))
    if draw(st.booleans()):
        fields["span_ticks"] = max([0, *up, *down]) + draw(st.integers(0, 1000))
    on_us = st.none() | st.floats(0, 3.6e9) | st.integers(0, 3_600_000_000)
    return fields | draw(st.fixed_dictionaries({}, optional={"up_on_us": on_us, "down_on_us": on_us}))


@st.composite
def lags(draw: st.DrawFn) -> Fields:
    """The fields of a `lag` batch that the service takes."""
    period_us = draw(st.floats(0.001, 3.6e9))
    fields: Fields = {"v": 1, "seq": draw(st.integers(0, 2**63 - 1)), "t0": draw(instants())}
    fields |= {
        "period_us": period_us,
        "lag_us": draw(st.floats(0, period_us, exclude_max=True)),
        "count": 2 * draw(st.integers(1, 500)),
        "sd_us": draw(st.floats(0, 3.6e9)),
    }
    if draw(st.booleans()):
        fields["span_ms"] = draw(st.integers(0, 3_600_000) | st.floats(0, 3_600_000))
    return fields | draw(_measurements())


def _measurements() -> st.SearchStrategy[Fields]:
    celsius = st.none() | st.floats(-100, 1000) | st.integers(-100, 1000)
    return st.fixed_dictionaries(
        {},
        optional={
            "dir": st.sampled_from([1, -1, None]),
            "temp_c": celsius,
            "mount_c": celsius,
            "load_n": st.none() | st.floats(-10_000, 100_000_000),
            "dev": st.none() | st.text(st.characters(categories=["L", "N", "P"]), max_size=64),
        },
    )


def values() -> st.SearchStrategy[Any]:
    """Anything that JSON can say: what an unknown field may hold."""
    plain = st.none() | st.booleans() | st.integers(-(2**63), 2**63) | st.floats(allow_nan=False) | st.text()
    return st.recursive(
        plain.filter(lambda value: value not in {float("inf"), float("-inf")}),
        lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
        max_leaves=12,
    )


def array(ticks: Iterable[int]) -> Any:
    """Return ticks as numpy has them, to compare with."""
    return np.array(list(ticks), dtype=np.int64)
