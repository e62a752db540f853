"""The payload of a refused message as people look at it: whatever came, bounded, and never an error of ours."""

import cbor2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.adapters.web.payload_view import FIELDS_MAX, TEXT_CHARS_MAX, content_of
from tests.strategies import to_cbor, to_json, values

BATCH = {"v": 9, "seq": 16, "t0": "2026-09-10T12:00:00Z", "up": list(range(100)), "colour": "red"}


def test_json_and_cbor_of_the_same_batch_look_alike() -> None:
    by_json, by_cbor = content_of(to_json(BATCH)), content_of(to_cbor(BATCH))
    assert by_json is not None
    assert by_cbor is not None
    assert (by_json.form, by_cbor.form) == ("JSON", "CBOR")
    assert by_json.fields == by_cbor.fields


def test_a_field_shows_what_came_and_what_the_contract_wants() -> None:
    content = content_of(to_json(BATCH))
    assert content is not None
    found = {each.name: each for each in content.fields}
    assert (found["v"].text, found["v"].wanted) == ("9", 'send "v": 1 in every batch')
    assert found["up"].text == "100: 0, 1, 2, ..., 97, 98, 99"
    assert found["colour"].wanted == ""


def test_typed_arrays_show_their_numbers_and_strange_tags_do_no_harm() -> None:
    payload = cbor2.dumps(
        {
            "up": cbor2.CBORTag(70, bytes([1, 0, 0, 0, 2, 0, 0, 0])),
            "down": cbor2.CBORTag(85, b"abcd"),
            "x": b"\xff" * 99,
        }
    )
    content = content_of(payload)
    assert content is not None
    found = {each.name: each.text for each in content.fields}
    assert found["up"] == "2: 1, 2 (uint32 little endian)"
    assert found["down"].startswith("tag 85: 4 bytes")
    assert found["x"].startswith("99 bytes: ff ff")


def test_what_is_neither_has_no_fields() -> None:
    for payload in (b"", b"ERR 17", b"[1, 2]", b"{", b"\xa1\x01", b"[" * 100_000):
        assert content_of(payload) is None


@given(st.dictionaries(st.text(max_size=9), values(), max_size=FIELDS_MAX + 5))
def test_whatever_json_holds_is_shown_bounded(fields: dict[str, object]) -> None:
    content = content_of(to_json(fields))
    assert content is not None
    assert len(content.fields) + content.more == len(fields)
    assert all(len(each.text) < 20 * TEXT_CHARS_MAX for each in content.fields)


@given(st.binary(max_size=200))
def test_no_bytes_raise(payload: bytes) -> None:
    content = content_of(payload)
    assert content is None or content.form in {"JSON", "CBOR"}


@pytest.mark.parametrize(("opens", "closes"), [("[", "]"), ('{"b":', "}")])
def test_a_payload_nested_as_deep_as_json_can_be_read_is_shown(opens: str, closes: str) -> None:
    payload = f'{{"a":{opens * 450}1{closes * 450}}}'.encode()
    content = content_of(payload)
    assert content is not None
    assert content.fields[0].name == "a"
    assert len(content.fields[0].text) <= TEXT_CHARS_MAX + len("...")
