"""Hostile and damaged bytes: whatever comes, the decoder returns, soon, with a batch that holds or a reason."""

import random
import tracemalloc
from collections import Counter
from collections.abc import Callable

import cbor2
import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from service.core.batch import PAYLOAD_BYTES_MAX, PULSES_MAX, Batch, RejectionReason
from service.core.wire import AHEAD_NS_MAX, INT64_MAX, T0_NS_MIN, Form, Refusal, decode, decode_status
from tests.strategies import LAG, NOW_NS, PULSES, head, item, to_cbor, to_json, values, ways_to_write

CONTENT_TYPES = [None, "application/json", "application/cbor"]
FORMS = [Form.PULSES, Form.LAG]
CASES_PER_SEED = 10_000
MEMORY_PER_BYTE_MAX = 100  # of the payload, while it is decoded


def outcome(payload: bytes, form: Form, content_type: str | None = None) -> Batch | Refusal:
    """Decode, and hold what comes back to what it promises."""
    result = decode(payload, form=form, drive_id="d", content_type=content_type, now_ns=NOW_NS)
    if isinstance(result, Refusal):
        check_refusal(result)
    else:
        check_batch(result)
    return result


def check_refusal(refused: Refusal) -> None:
    assert isinstance(refused.reason, RejectionReason)
    assert refused.detail.endswith(".")
    assert ";" in refused.detail  # what was found; what would mend it
    assert 20 < len(refused.detail) < 600
    refused.detail.encode()  # no lone surrogates: it is stored and shown


def check_batch(batch: Batch) -> None:
    assert isinstance(batch, Batch)
    for ticks in (batch.up, batch.down):
        assert ticks.dtype == np.int64
        assert len(ticks) <= PULSES_MAX
        assert not len(ticks) or ticks[0] >= 0
        assert (ticks[1:] >= ticks[:-1]).all()
        assert not len(ticks) or batch.t0_ns + int(ticks[-1]) * batch.tick_ns <= INT64_MAX
    assert T0_NS_MIN <= batch.t0_ns <= NOW_NS + AHEAD_NS_MAX
    assert 0 <= batch.seq <= INT64_MAX
    assert 1 <= batch.tick_ns <= 10**9
    assert batch.direction in {1, -1}
    assert batch.span_ns is None or 0 <= batch.span_ns <= INT64_MAX
    for number in (batch.temp_c, batch.mount_c, batch.load_n):
        assert number is None or abs(number) <= 1e8
    assert batch.device_id.isprintable()
    if batch.reduced is not None:
        assert 0 <= batch.reduced.lag_us < batch.reduced.period_us
        assert batch.reduced.count % 2 == 0


# Damage to valid payloads

VALID = [(Form.PULSES, payload) for payload in ways_to_write(PULSES).values()] + [
    (Form.PULSES, to_json({**PULSES, "up": [], "down": [], "span_ticks": 10**6, "dir": -1, "dev": "left"})),
    (Form.PULSES, to_cbor({**PULSES, "t0": 1_795_594_500_000_000, "dir": 1, "delta": False, "dev": "é"})),
    (Form.LAG, to_json(LAG)),
    (Form.LAG, to_cbor(LAG)),
]
TELLING = b'\x00\x01\x7f\x80\xff"{}[]:,-.e019\\ \x18\x1b\x38\x5b\x5f\x78\x7b\x9b\x9f\xa0\xb8\xbf\xc0\xc2\xd8\xf4\xf6\xf9\xfb'


def flipped(rng: random.Random, payload: bytearray) -> None:
    payload[rng.randrange(len(payload))] ^= 1 << rng.randrange(8)


def overwritten(rng: random.Random, payload: bytearray) -> None:
    payload[rng.randrange(len(payload))] = rng.choice(TELLING)


def miscounted(rng: random.Random, payload: bytearray) -> None:
    """Another digit, so that what JSON says stays JSON and becomes wrong or merely different."""
    digits = [at for at, byte in enumerate(payload) if byte in b"0123456789"]
    if digits:
        payload[rng.choice(digits)] = rng.choice(b"0123456789")


def inserted(rng: random.Random, payload: bytearray) -> None:
    at = rng.randrange(len(payload) + 1)
    payload[at:at] = bytes(rng.choices(TELLING, k=rng.randint(1, 4)))


def deleted(rng: random.Random, payload: bytearray) -> None:
    at = rng.randrange(len(payload))
    del payload[at : at + rng.randint(1, 4)]


def truncated(rng: random.Random, payload: bytearray) -> None:
    del payload[rng.randrange(len(payload)) :]


def repeated(rng: random.Random, payload: bytearray) -> None:
    at = rng.randrange(len(payload))
    payload[at:at] = payload[at : at + rng.randint(1, 20)]


def spliced(rng: random.Random, payload: bytearray) -> None:
    other = rng.choice(VALID)[1]
    payload[rng.randrange(len(payload)) :] = other[rng.randrange(len(other)) :]


WAYS_TO_DAMAGE: list[Callable[[random.Random, bytearray], None]] = [
    *(flipped, overwritten, miscounted, inserted, deleted, truncated, repeated, spliced)
]


def damaged(rng: random.Random) -> tuple[Form, bytes]:
    form, valid = rng.choice(VALID)
    payload = bytearray(valid)
    for _ in range(rng.choice([1, 1, 1, 2, 5])):
        if payload:
            rng.choice(WAYS_TO_DAMAGE)(rng, payload)
    return form, bytes(payload)


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_damaged_payloads_are_a_batch_or_a_reason(seed: int) -> None:
    rng = random.Random(seed)
    seen: Counter[str] = Counter()
    for _ in range(CASES_PER_SEED):
        form, payload = damaged(rng)
        result = outcome(payload, form, rng.choice(CONTENT_TYPES) if rng.random() < 0.1 else None)
        seen[result.reason if isinstance(result, Refusal) else "batch"] += 1
    # The damage reaches every depth of the decoder, else this test would show nothing.
    for kind in ("batch", "not_parseable", "not_v1", "field_invalid", "ticks_backwards", "clock_off"):
        assert seen[kind] >= CASES_PER_SEED // 1000, seen


@pytest.mark.parametrize("seed", [5])
def test_damaged_payloads_on_the_wrong_topic_are_a_batch_or_a_reason(seed: int) -> None:
    rng = random.Random(seed)
    for _ in range(CASES_PER_SEED):
        _form, payload = damaged(rng)
        outcome(payload, rng.choice(FORMS))
        assert decode_status(payload) in {True, False, None}


def test_every_single_byte_changed_is_a_batch_or_a_reason() -> None:
    """Each byte of one JSON and one CBOR payload, to each telling value and cut off there."""
    for payload in (to_json(PULSES), ways_to_write(PULSES)["cbor, tag 70"], to_cbor(LAG)):
        form = Form.LAG if payload == to_cbor(LAG) else Form.PULSES
        for at in range(len(payload)):
            outcome(payload[:at], form)
            for byte in TELLING:
                outcome(payload[:at] + bytes([byte]) + payload[at + 1 :], form)


# Arbitrary bytes and arbitrary values


@settings(max_examples=1000)
@given(st.binary(max_size=300), st.sampled_from(FORMS), st.sampled_from(CONTENT_TYPES))
@example(b"\xa1", Form.PULSES, None)
@example(b"{", Form.LAG, None)
def test_arbitrary_bytes_are_refused_with_a_reason(
    payload: bytes, form: Form, content_type: str | None
) -> None:
    assert isinstance(outcome(payload, form, content_type), Refusal)
    assert decode_status(payload) is None or b'"online"' in payload  # which a draw may hit upon


@settings(max_examples=300)
@given(values(), st.sampled_from(FORMS))
def test_arbitrary_values_are_refused_with_a_reason(value: object, form: Form) -> None:
    assert isinstance(outcome(to_json(value), form), Refusal)
    assert isinstance(outcome(cbor2.dumps(value), form, "application/cbor"), Refusal)


@settings(max_examples=300)
@given(st.sampled_from([*PULSES, "delta", "span_ticks", "dir", "dev"]), values())
def test_arbitrary_values_in_any_field_are_a_batch_or_a_reason(name: str, value: object) -> None:
    fields = {**PULSES, name: value}
    as_json, as_cbor = outcome(to_json(fields), Form.PULSES), outcome(to_cbor(fields), Form.PULSES)
    assert type(as_json) is type(as_cbor)


@settings(max_examples=300)
@given(st.sampled_from([*PULSES, "delta", "dev"]), st.integers(0, 2**16), values())
def test_arbitrary_tags_on_any_field_are_a_batch_or_a_reason(name: str, tag: int, value: object) -> None:
    outcome(to_cbor({**PULSES, name: cbor2.CBORTag(tag, value)}), Form.PULSES)


# Bytes made to be expensive


def filled(before: bytes, unit: bytes, after: bytes = b"") -> bytes:
    """Return `unit` repeated up to the size that is still read."""
    return before + unit * ((PAYLOAD_BYTES_MAX - len(before) - len(after)) // len(unit)) + after


def in_cbor(name: str, value: bytes) -> bytes:
    """Return the contract's pulses with one field more, or another value of one, as CBOR."""
    fields = {each: item(found) for each, found in PULSES.items()} | {name: value}
    return head(5, len(fields)) + b"".join(item(each) + found for each, found in fields.items())


def in_json(name: str, value: bytes) -> bytes:
    return to_json({**PULSES, name: 0})[:-2] + value + b"}"


def cbor_of(name: str, major: int, unit: bytes, items: int) -> bytes:
    """Return an array or map of `items` units in a field."""
    return in_cbor(name, head(major, items) + unit * items)


MIB = PAYLOAD_BYTES_MAX - 1000
HOSTILE = {
    "cbor: nested arrays": in_cbor("x", b"\x81" * MIB),
    "cbor: nested maps": in_cbor("x", b"\xa1\x00" * (MIB // 2)),
    "cbor: nested tags": in_cbor("x", b"\xc6" * MIB),
    "cbor: nested endless arrays": in_cbor("x", b"\x9f" * MIB),
    "cbor: an endless array that never ends": in_cbor("x", b"\x9f" + b"\x00" * MIB),
    "cbor: an array said to hold 2^64-1": in_cbor("up", b"\x9b" + b"\xff" * 8),
    "cbor: an array said to hold 2^32-1": in_cbor("up", b"\x9a" + b"\xff" * 4 + b"\x00" * MIB),
    "cbor: a map said to hold 2^63-1": in_cbor("x", b"\xbb\x7f" + b"\xff" * 7),
    "cbor: bytes said to be 2^63-1 long": in_cbor("up", b"\xd8\x46\x5b\x7f" + b"\xff" * 7 + b"\x00" * MIB),
    "cbor: text said to be 2^32-1 long": in_cbor("dev", b"\x7a" + b"\xff" * 4 + b"a" * MIB),
    "cbor: a million empty arrays": cbor_of("x", 4, b"\x80", MIB),
    "cbor: a million empty maps": cbor_of("x", 4, b"\xa0", MIB),
    "cbor: a million empty texts as keys": in_cbor("x", b"\xbf" + b"\x60\x00" * (MIB // 2) + b"\xff"),
    "cbor: many different keys": in_cbor(
        "x",
        head(5, MIB // 4)
        + b"".join(b"\x19" + (n & 0xFFFF).to_bytes(2, "big") + b"\x00" for n in range(MIB // 4)),
    ),
    "cbor: a million ticks": cbor_of("up", 4, b"\x00", MIB),
    "cbor: a million floats": cbor_of("up", 4, b"\xf9\x00\x00", MIB // 3),
    "cbor: a number of eight million bits": in_cbor("seq", b"\xc2" + head(2, MIB) + b"\xff" * MIB),
    "cbor: a decimal of it": in_cbor("temp_c", b"\xc4\x82\x00\xc2" + head(2, MIB) + b"\xff" * MIB),
    "cbor: a decimal with a huge exponent": in_cbor("temp_c", b"\xc4\x82\x1b" + b"\x7f" * 8 + b"\x01"),
    "cbor: a big float with a huge exponent": in_cbor("temp_c", b"\xc5\x82\x1b" + b"\x7f" * 8 + b"\x01"),
    "cbor: a fraction of zeros": in_cbor("temp_c", b"\xd8\x1e\x82\x00\x00"),
    "cbor: a regular expression": in_cbor("dev", b"\xd8\x23" + item("(" * 2000 + "a" + ")*" * 2000)),
    "cbor: a MIME message": in_cbor("dev", b"\xd8\x24" + item("a: b\n" * (MIB // 5))),
    "cbor: a list that holds itself": in_cbor("up", bytes.fromhex("d81c81d81d00")),
    "cbor: references to references": in_cbor(
        "x",
        b"\x8c\xd8\x1c\x82\x00\x00"
        + b"".join(b"\xd8\x1c\x8a" + (b"\xd8\x1d" + bytes([n])) * 10 for n in range(11)),
    ),
    "cbor: a million pieces of text": in_cbor("dev", b"\x7f" + b"\x60" * MIB + b"\xff"),
    "cbor: a million pieces of bytes": in_cbor("up", b"\xd8\x46\x5f" + b"\x40" * MIB + b"\xff"),
    "cbor: one long key twice": head(5, 2) + (head(3, MIB // 2) + b"k" * (MIB // 2) + b"\x00") * 2,
    "cbor: a huge typed array": in_cbor("up", b"\xd8\x40" + head(2, MIB) + bytes(MIB)),
    "cbor: a time without end": in_cbor("t0", b"\xc0" + head(3, MIB) + b"2" * MIB),
    "json: nested arrays": in_json("x", b"[" * MIB),
    "json: nested objects": in_json("x", b'{"":' * (MIB // 4)),
    "json: many objects": in_json("x", b"[" + b"{}," * (MIB // 3) + b"0]"),
    "json: half a million ticks": in_json("up", b"[" + b"0," * (MIB // 2) + b"0]"),
    "json: a number of a million digits": in_json("seq", b"9" * MIB),
    "json: a tick of a million digits": in_json("up", b"[" + b"9" * MIB + b"]"),
    "json: an instant of a million digits": in_json("t0", b"9" * MIB),
    "json: an instant of 4000 digits": in_json("t0", b"9" * 4000),
    "json: a fraction of a million digits": in_json("temp_c", b"0." + b"9" * MIB),
    "json: a version of a million digits": in_json("v", b"2" * MIB),
    "json: a time without end": in_json("t0", b'"' + b"2026-11-25T08:15:00." + b"0" * (MIB - 100) + b'Z"'),
    "json: a long text of escapes": in_json("dev", b'"' + b"\\u202e" * (MIB // 6) + b'"'),
    "json: half of a surrogate pair": in_json("dev", b'"\\ud800"'),
    "json: many fields": b"{" + b",".join(b'"%d":0' % n for n in range(MIB // 12)) + b"}",
    "json: white space": filled(b"", b" "),
    "json: one long text": in_json("x", b'"' + b"a" * MIB),
    "zeros": filled(b"", b"\x00"),
}


def test_the_hostile_payloads_are_not_refused_for_their_size_alone() -> None:
    assert all(len(payload) <= PAYLOAD_BYTES_MAX for payload in HOSTILE.values())


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_payloads_are_answered(name: str) -> None:
    """The run's own limit of time for one test is what catches one that takes no end."""
    for form in FORMS:
        outcome(HOSTILE[name], form)


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_payloads_take_no_more_memory_than_their_length_calls_for(name: str) -> None:
    payload = HOSTILE[name]
    tracemalloc.start()
    try:
        outcome(payload, Form.PULSES)
        _now, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < MEMORY_PER_BYTE_MAX * len(payload) + 200_000


@pytest.mark.parametrize("size", [PAYLOAD_BYTES_MAX + 1, 50 * 1024 * 1024])
def test_payloads_over_the_limit_are_refused_unread(size: int) -> None:
    payload = b"\x81" * size
    tracemalloc.start()
    try:
        refused = outcome(payload, Form.PULSES, "application/cbor")
        _now, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert isinstance(refused, Refusal)
    assert refused.reason is RejectionReason.TOO_LARGE
    assert peak < 20_000
