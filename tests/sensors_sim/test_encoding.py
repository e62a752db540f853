"""The simulator's own encoder, read back by the standard library and by cbor2, and against RFC 8949's examples."""

import json
from typing import Any

import cbor2
import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensors_sim.encoding import Encoding, Value, encode, encode_cbor, encode_json

TICKS = st.lists(st.integers(0, 2**62), max_size=20)
VALUES = st.one_of(
    st.booleans(), st.integers(-(2**62), 2**62), st.floats(allow_nan=False, allow_infinity=False), st.text()
)
# RFC 8746, table 1: tag of unsigned integer arrays, big then little endian.
DTYPES = {65: ">u2", 66: ">u4", 67: ">u8", 69: "<u2", 70: "<u4", 71: "<u8"}


def as_ticks(numbers: list[int]) -> npt.NDArray[np.int64]:
    return np.array(numbers, dtype=np.int64)


def read_cbor(payload: bytes) -> dict[str, Any]:
    """Read with cbor2, typed arrays by the tags of RFC 8746."""
    fields: dict[str, Any] = cbor2.loads(payload)
    for name, value in fields.items():
        if isinstance(value, cbor2.CBORTag):
            fields[name] = np.frombuffer(value.value, dtype=DTYPES[value.tag]).tolist()
    return fields


@given(
    ticks=TICKS, others=st.dictionaries(st.text(min_size=1, max_size=8), VALUES, max_size=6), data=st.data()
)
def test_every_encoding_reads_back_as_the_same_fields(
    ticks: list[int], others: dict[str, bool | float | str], data: st.DataObject
) -> None:
    expected = others | {"up": ticks}
    fields: dict[str, Value] = others | {"up": as_ticks(ticks)}
    encoding = data.draw(st.sampled_from(Encoding))
    payload = encode(fields, encoding, big_endian=data.draw(st.booleans()))
    read = json.loads(payload) if encoding is Encoding.JSON else read_cbor(payload)
    assert read == expected
    assert [type(value) for value in read.values()] == [type(value) for value in expected.values()]


@pytest.mark.parametrize(
    ("value", "encoded"),
    [
        (0, "00"),
        (10, "0a"),
        (23, "17"),
        (24, "1818"),
        (100, "1864"),
        (1000, "1903e8"),
        (1_000_000, "1a000f4240"),
        (1_000_000_000_000, "1b000000e8d4a51000"),
        (18446744073709551615, "1bffffffffffffffff"),
        (-1, "20"),
        (-10, "29"),
        (-100, "3863"),
        (-1000, "3903e7"),
        (1.1, "fb3ff199999999999a"),
        (-4.1, "fbc010666666666666"),
        (False, "f4"),
        (True, "f5"),
        ("", "60"),
        ("IETF", "6449455446"),
        ("ü", "62c3bc"),
    ],
)
def test_values_are_written_as_in_appendix_a_of_rfc_8949(value: Value, encoded: str) -> None:
    assert encode_cbor({"a": value}).hex() == "a16161" + encoded


def test_a_map_and_an_array_are_written_as_in_appendix_a_of_rfc_8949() -> None:
    assert encode_cbor({"a": 1, "b": as_ticks([2, 3])}, typed_arrays=False).hex() == "a26161016162820203"


@pytest.mark.parametrize(
    ("largest", "tag"), [(0xFFFF, 69), (0x10000, 70), (0xFFFFFFFF, 70), (0x1_0000_0000, 71)]
)
def test_typed_arrays_are_as_narrow_as_their_ticks_allow(largest: int, tag: int) -> None:
    little = cbor2.loads(encode_cbor({"up": as_ticks([0, largest])}))["up"]
    big = cbor2.loads(encode_cbor({"up": as_ticks([0, largest])}, big_endian=True))["up"]
    assert (little.tag, big.tag) == (tag, tag - 4)


def test_json_is_compact_and_refuses_what_json_cannot_say() -> None:
    assert (
        encode_json({"v": 1, "up": as_ticks([1, 2]), "dev": "ü"}) == '{"v":1,"up":[1,2],"dev":"ü"}'.encode()
    )
    with pytest.raises(ValueError, match="JSON"):
        encode_json({"temp_c": float("nan")})


def test_integers_beyond_cbor_are_refused() -> None:
    with pytest.raises(ValueError, match="end at"):
        encode_cbor({"a": 2**64})
