import struct
import sys
import time
from typing import Any

import cbor2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.core.cbor import DEPTH_MAX, TYPED_ARRAYS, Tagged, read_map, typed_array, typed_array_name
from tests.strategies import UNSIGNED_TAGS, head, item

# RFC 8949 appendix A (from memory): encoded bytes and the value they stand for.
APPENDIX_A: list[tuple[str, Any]] = [
    ("00", 0),
    ("17", 23),
    ("1818", 24),
    ("1903e8", 1000),
    ("1a000f4240", 1_000_000),
    ("1b000000e8d4a51000", 1_000_000_000_000),
    ("1bffffffffffffffff", 18_446_744_073_709_551_615),
    ("20", -1),
    ("3903e7", -1000),
    ("f93c00", 1.0),
    ("f93e00", 1.5),
    ("f97bff", 65504.0),
    ("fa47c35000", 100_000.0),
    ("fb3ff199999999999a", 1.1),
    ("fbc010666666666666", -4.1),
    ("f4", False),
    ("f5", True),
    ("f6", None),
    ("40", b""),
    ("4401020304", b"\x01\x02\x03\x04"),
    ("60", ""),
    ("6449455446", "IETF"),
    ("62c3bc", "ü"),
    ("80", []),
    ("83010203", [1, 2, 3]),
    ("8301820203820405", [1, [2, 3], [4, 5]]),
    ("a26161016162820203", {"a": 1, "b": [2, 3]}),
    ("5f42010243030405ff", b"\x01\x02\x03\x04\x05"),
    ("7f657374726561646d696e67ff", "streaming"),
    ("9f018202039f0405ffff", [1, [2, 3], [4, 5]]),
    ("bf61610161629f0203ffff", {"a": 1, "b": [2, 3]}),
]


@pytest.mark.parametrize(("encoded", "value"), APPENDIX_A)
def test_the_examples_of_rfc_8949_are_read_as_it_says(encoded: str, value: Any) -> None:
    assert read_map(item_map("x", bytes.fromhex(encoded))) == {"x": value}


def item_map(key: str, encoded: bytes) -> bytes:
    """Return a map of one key, its value as given."""
    return head(5, 1) + item(key) + encoded


# RFC 8746 clause 2.1, the table of all tags (from memory), not by the formula that the code uses.
RFC_8746 = {
    64: "uint8",
    65: "uint16 big endian",
    66: "uint32 big endian",
    67: "uint64 big endian",
    68: "uint8 clamped",
    69: "uint16 little endian",
    70: "uint32 little endian",
    71: "uint64 little endian",
    72: "sint8",
    73: "sint16 big endian",
    74: "sint32 big endian",
    75: "sint64 big endian",
    76: "",
    77: "sint16 little endian",
    78: "sint32 little endian",
    79: "sint64 little endian",
    80: "float16 big endian",
    81: "float32 big endian",
    82: "float64 big endian",
    83: "float128 big endian",
    84: "float16 little endian",
    85: "float32 little endian",
    86: "float64 little endian",
    87: "float128 little endian",
    63: "",
    88: "",
    40: "",
}


@pytest.mark.parametrize(("tag", "name"), RFC_8746.items())
def test_tags_have_the_names_of_rfc_8746(tag: int, name: str) -> None:
    assert typed_array_name(tag) == name


@pytest.mark.parametrize(("tag", "kind"), TYPED_ARRAYS.items())
def test_a_typed_array_is_read_by_the_width_and_order_of_its_tag(tag: int, kind: np.dtype[Any]) -> None:
    assert f"uint{8 * kind.itemsize}" in RFC_8746[tag]
    if kind.itemsize > 1:
        assert ("little" in RFC_8746[tag]) == (kind == kind.newbyteorder("<"))


@given(st.sampled_from(sorted(UNSIGNED_TAGS)), st.data())
def test_a_typed_array_holds_what_was_packed_and_is_no_copy(tag: int, data: st.DataObject) -> None:
    code, largest = UNSIGNED_TAGS[tag]
    ticks = data.draw(st.lists(st.integers(0, largest), min_size=1))
    content = b"".join(struct.pack(code, tick) for tick in ticks)
    array = typed_array(Tagged(tag, content))
    assert array.tolist() == ticks
    assert not array.flags.writeable
    assert (
        array.__array_interface__["data"][0]
        == np.frombuffer(content, np.uint8).__array_interface__["data"][0]
    )


def test_an_empty_typed_array_is_empty() -> None:
    assert typed_array(Tagged(70, b"")).shape == (0,)


@pytest.mark.parametrize(
    ("tagged", "found"),
    [
        (Tagged(86, b"12345678"), "float64 little endian \\(tag 86\\)"),
        (Tagged(78, b"1234"), "sint32 little endian \\(tag 78\\)"),
        (Tagged(68, b"1234"), "uint8 clamped \\(tag 68\\)"),
        (Tagged(40, [[1], 2]), "came as \\(tag 40\\)"),
        (Tagged(65, b"123"), "3 bytes, not a multiple of the 2 of a uint16 big endian"),
        (Tagged(71, b"1234567"), "7 bytes, not a multiple of the 8"),
        (Tagged(70, [1, 2]), "tag 70 on something else than a byte string"),
        (Tagged(70, "1234"), "something else"),
        (Tagged(70, Tagged(70, b"1234")), "something else"),
    ],
)
def test_what_is_no_unsigned_typed_array_is_refused_by_name(tagged: Tagged, found: str) -> None:
    with pytest.raises(ValueError, match=found):
        typed_array(tagged)


@pytest.mark.parametrize(
    ("payload", "found"),
    [
        ("", "no CBOR"),
        ("ff", "no CBOR"),
        ("00", "no map"),
        ("80", "no map"),
        ("d8458101", "no map"),
        ("a1", "no CBOR"),
        ("a16178", "no CBOR"),
        ("a16178190f", "no CBOR"),
        ("a161781b000000", "cut short"),
        ("a161785b7fffffffffffffff", "no CBOR"),
        ("bf617801", "no CBOR"),
        ("a1617800a0", "more bytes follow"),
        ("a161780000", "more bytes follow"),
        ("a2617801617802", "Duplicate map key"),
        ("a1617861ff", "'utf-8' codec"),
        ("a161781c", "no CBOR"),
        ("a16178fe", "no CBOR"),
    ],
)
def test_what_is_no_whole_map_is_refused(payload: str, found: str) -> None:
    with pytest.raises(ValueError, match=found):
        read_map(bytes.fromhex(payload))


@given(st.dictionaries(st.text(max_size=5), st.integers() | st.text() | st.binary(), min_size=1), st.data())
def test_no_beginning_of_a_map_is_taken_for_the_whole(found: dict[str, Any], data: st.DataObject) -> None:
    payload = cbor2.dumps(found)
    end = data.draw(st.integers(0, len(payload) - 1))
    with pytest.raises(ValueError, match=r"no CBOR|cut short"):
        read_map(payload[:end])


@pytest.mark.parametrize("content", ["80", "00", "6161", "4161", "820001", "a0", "f6"])
def test_no_tag_makes_cbor2_do_anything(content: str) -> None:
    """Every tag up to 65535 stays a tag. Fails when a new cbor2 acts on one that we don't know of."""
    inner = bytes.fromhex(content)
    for tag in range(1, 2**16):
        found = read_map(item_map("x", head(6, tag) + inner))["x"]
        assert type(found) is Tagged
        assert found.tag == tag


def test_a_time_tagged_as_text_is_its_text() -> None:
    """RFC 8949 appendix A: tag 0 on "2013-03-21T20:04:00Z"."""
    encoded = bytes.fromhex("c074323031332d30332d32315432303a30343a30305a")
    assert read_map(item_map("t0", encoded)) == {"t0": "2013-03-21T20:04:00Z"}


def test_nesting_is_read_down_to_its_limit_and_no_deeper() -> None:
    within = item_map("x", b"\x81" * (DEPTH_MAX - 1) + b"\x00")
    assert "x" in read_map(within)
    with pytest.raises(ValueError, match="depth"):
        read_map(item_map("x", b"\x81" * DEPTH_MAX + b"\x00"))


def test_references_that_would_grow_without_end_stay_marks() -> None:
    """Twelve lists, each holding ten references to the one before: 10^11 items if they were followed."""
    laughs = b"".join(b"\xd8\x1c\x8a" + (b"\xd8\x1d" + bytes([level])) * 10 for level in range(11))
    began = time.perf_counter()
    found = read_map(item_map("x", b"\x8c" + b"\xd8\x1c\x82\x00\x00" + laughs))["x"]
    assert all(type(each) is Tagged and each.value is None for each in found)
    assert sys.getsizeof(found) < 1000
    assert time.perf_counter() - began < 5
