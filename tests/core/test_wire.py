"""The wire against the written contract: examples, every form of one batch, every refusal."""

import json
import struct
from collections.abc import Callable
from typing import Any

import cbor2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensors_sim.encoding import CONTENT_TYPES, Encoding, encode
from service.core.batch import PAYLOAD_BYTES_MAX, PULSES_MAX, Batch, Reduced, RejectionReason
from service.core.instant import parse_rfc3339
from service.core.wire import (
    MENDS,
    Form,
    LagFields,
    PulsesFields,
    Refusal,
    Topic,
    decode,
    decode_status,
    parse_topic,
    subscriptions,
)
from tests.strategies import (
    LAG,
    NOW_NS,
    PULSES,
    Fields,
    array,
    differences,
    head,
    item,
    lags,
    micros,
    pulses,
    to_cbor,
    to_json,
    typed,
    values,
    ways_to_write,
)

REASON = RejectionReason


def outcome(
    payload: bytes, form: Form = Form.PULSES, content_type: str | None = None, now_ns: int = NOW_NS
) -> Batch | Refusal:
    return decode(payload, form=form, drive_id="press-3", content_type=content_type, now_ns=now_ns)


def batch_of(payload: bytes, form: Form = Form.PULSES, content_type: str | None = None) -> Batch:
    result = outcome(payload, form, content_type)
    assert isinstance(result, Batch), result
    return result


def refusal_of(payload: bytes, form: Form = Form.PULSES, content_type: str | None = None) -> Refusal:
    result = outcome(payload, form, content_type)
    assert isinstance(result, Refusal), result
    return result


def with_(fields: Fields, **changes: Any) -> Fields:
    return {**fields, **changes}


def without(fields: Fields, name: str) -> Fields:
    return {key: value for key, value in fields.items() if key != name}


def facts(batch: Batch) -> dict[str, Any]:
    """All that a batch says, so that two can be compared."""
    names = [name for name in Batch.__slots__ if name not in {"up", "down"}]
    return {
        **{name: getattr(batch, name) for name in names},
        "up": batch.up.tolist(),
        "down": batch.down.tolist(),
    }


# What is taken


def test_the_contract_s_pulses_become_a_batch() -> None:
    batch = batch_of(to_json(PULSES))
    assert batch.drive_id == "press-3"
    assert batch.seq == 1042
    assert batch.t0_ns == 1_795_594_500 * 10**9
    assert batch.tick_ns == 1000
    assert batch.up.tolist() == [12, 19856, 39701]
    assert batch.down.tolist() == [8931, 28777, 48622]
    assert batch.up.dtype == batch.down.dtype == np.int64
    assert (batch.temp_c, batch.mount_c, batch.load_n) == (48.2, 24.0, 3400.0)
    assert (batch.span_ns, batch.direction, batch.device_id, batch.reduced) == (None, 1, "", None)


def test_the_contract_s_lag_becomes_a_reduced_batch() -> None:
    batch = batch_of(to_json(LAG), Form.LAG)
    assert batch.reduced == Reduced(period_us=19844.6, lag_us=8921.3, count=50, sd_us=41.0)
    assert (batch.seq, batch.t0_ns, batch.span_ns) == (7, 1_795_594_500 * 10**9, 10**9)
    assert batch.up.shape == batch.down.shape == (0,)


def test_a_reduced_batch_of_a_chain_that_stood_still_has_no_pulses() -> None:
    batch = batch_of(to_json(with_(LAG, count=0, period_us=0, lag_us=0, sd_us=0)), Form.LAG)
    assert batch.reduced is None
    assert batch.up.shape == batch.down.shape == (0,)
    assert batch.span_ns == 10**9


def test_fields_that_may_be_left_out_have_the_contract_s_defaults() -> None:
    least = {"v": 1, "seq": 0, "t0": "2026-11-25T08:15:00Z", "up": [], "down": []}
    batch = batch_of(to_json(least))
    assert (batch.tick_ns, batch.direction, batch.span_ns, batch.device_id) == (1000, 1, None, "")
    assert (batch.temp_c, batch.mount_c, batch.load_n) == (None, None, None)
    assert (batch.up_on_us, batch.down_on_us) == (None, None)
    named = ["dir", "temp_c", "mount_c", "load_n", "dev", "span_ticks", "up_on_us", "down_on_us"]
    nulls = dict.fromkeys(named)
    assert facts(batch_of(to_json(least | nulls))) == facts(batch)


@pytest.mark.parametrize("write", [to_json, to_cbor])
def test_how_long_joints_keep_the_sensors_on_is_taken_over(write: Callable[[Fields], bytes]) -> None:
    batch = batch_of(write(with_(PULSES, up_on_us=5080.5, down_on_us=4000)))
    assert (batch.up_on_us, batch.down_on_us) == (5080.5, 4000.0)


def test_a_stopped_drive_keeps_the_length_of_its_window() -> None:
    batch = batch_of(to_json(with_(PULSES, up=[], down=[], span_ticks=1_000_000, tick_ns=2000)))
    assert batch.span_ns == 2 * 10**9
    assert batch.end_ns == batch.t0_ns + 2 * 10**9


def test_a_lag_without_a_window_covers_the_periods_it_averaged() -> None:
    assert batch_of(to_json(without(LAG, "span_ms")), Form.LAG).span_ns == 50 * 19_844_600


@given(pulses())
def test_every_way_to_write_a_batch_gives_the_same_batch(fields: Fields) -> None:
    sent = array(fields["up"]), array(fields["down"])
    expected = facts(batch_of(to_json(fields)))
    assert expected["up"] == sent[0].tolist()
    assert expected["down"] == sent[1].tolist()
    for way, payload in ways_to_write(fields).items():
        assert facts(batch_of(payload)) == expected, way


@given(pulses(largest=2**62))
def test_ticks_near_the_end_of_64_bits_come_through_exactly(fields: Fields) -> None:
    fields = with_(fields, tick_ns=1)
    for way, payload in ways_to_write(fields).items():
        batch = batch_of(payload)
        assert batch.up.tolist() == fields["up"], way
        assert batch.down.tolist() == fields["down"], way


@given(lags())
def test_a_lag_is_the_same_as_json_and_as_cbor(fields: Fields) -> None:
    batch = batch_of(to_json(fields), Form.LAG)
    assert batch.reduced is not None
    assert batch.reduced.period_us == fields["period_us"]
    assert batch.reduced.lag_us == fields["lag_us"]
    assert batch.reduced.count == fields["count"]
    assert facts(batch_of(to_cbor(fields), Form.LAG)) == facts(batch)


@given(pulses())
def test_a_time_as_text_and_as_microseconds_is_the_same_instant(fields: Fields) -> None:
    since_us = micros(fields["t0"])
    assert batch_of(to_json(fields)).t0_ns == since_us * 1000
    assert batch_of(to_json(with_(fields, t0=since_us))).t0_ns == since_us * 1000
    assert batch_of(to_cbor(with_(fields, t0=cbor2.CBORTag(0, fields["t0"])))).t0_ns == since_us * 1000


@given(pulses(), st.dictionaries(st.text(), values()))
def test_unknown_fields_change_nothing(fields: Fields, more: dict[str, Any]) -> None:
    unknown = {name: value for name, value in more.items() if name not in MENDS}
    expected = facts(batch_of(to_json(fields)))
    assert facts(batch_of(to_json(unknown | fields))) == expected
    assert facts(batch_of(to_cbor(unknown | fields))) == expected


def test_unknown_cbor_fields_of_any_kind_change_nothing() -> None:
    """Keys that are no text, and values under tags that mean nothing here."""
    strange: dict[Any, Any] = {1: 2, b"v": 3, -4: "x", 2.5: None, (1, 2): [3], None: 1}
    tagged = {f"x{tag}": cbor2.CBORTag(tag, [1, 2]) for tag in (0, 1, 2, 4, 28, 29, 35, 36, 70, 258, 999)}
    assert facts(batch_of(to_cbor({**strange, **tagged, **PULSES}))) == facts(batch_of(to_json(PULSES)))


@given(pulses(largest=2**40))
def test_what_the_simulated_devices_write_is_read_back(fields: Fields) -> None:
    """They have an encoder of their own, which shares nothing with the decoder but the contract."""
    fields = {name: value for name, value in fields.items() if value is not None} | {"tick_ns": 1}
    ticks = {name: array(fields[name]) for name in ("up", "down")}
    expected = facts(batch_of(to_json(fields)))
    for encoding in Encoding:
        for big_endian in (False, True):
            payload = encode({**fields, **ticks}, encoding, big_endian=big_endian)
            assert facts(batch_of(payload, content_type=CONTENT_TYPES[encoding])) == expected


def test_one_byte_typed_arrays_are_taken_for_small_differences() -> None:
    sent = with_(PULSES, delta=True, up=cbor2.CBORTag(64, bytes([12, 200, 0, 255])))
    assert batch_of(to_cbor(sent)).up.tolist() == [12, 212, 212, 467]


def test_little_endian_64_bit_ticks_are_seen_in_place() -> None:
    batch = batch_of(to_cbor(with_(PULSES, up=typed(71, PULSES["up"]))))
    assert isinstance(batch.up.base, np.ndarray | bytes)
    assert not batch.up.flags.owndata


def test_ticks_cannot_be_changed_afterwards() -> None:
    for way, payload in ways_to_write(PULSES).items():
        batch = batch_of(payload)
        assert not batch.up.flags.writeable, way
        assert not batch.down.flags.writeable, way


def test_cbor_written_byte_by_byte_from_rfc_8949_is_read() -> None:
    """Heads and values of RFC 8949 appendix A (from memory): 1 000 000 000 000, 1.1, 1.0 as half precision."""
    payload = head(5, 7) + b"".join(
        item(name) + value
        for name, value in [
            ("v", b"\x01"),
            ("seq", bytes.fromhex("1b000000e8d4a51000")),
            ("t0", item("2026-11-25T08:15:00Z")),
            ("up", bytes.fromhex("83 00 1818 1903e8")),
            ("down", bytes.fromhex("9f 17 1a000f4240 ff")),
            ("temp_c", bytes.fromhex("fb3ff199999999999a")),
            ("mount_c", bytes.fromhex("f93c00")),
        ]
    )
    batch = batch_of(payload)
    assert batch.seq == 1_000_000_000_000
    assert batch.up.tolist() == [0, 24, 1000]
    assert batch.down.tolist() == [23, 1_000_000]
    assert (batch.temp_c, batch.mount_c) == (1.1, 1.0)


def test_the_most_pulses_allowed_are_taken() -> None:
    content = np.arange(PULSES_MAX, dtype="<u2" if PULSES_MAX < 2**16 else "<u4").tobytes()
    batch = batch_of(to_cbor(with_(PULSES, up=cbor2.CBORTag(70, content), down=[])))
    assert len(batch.up) == PULSES_MAX


def test_a_payload_of_the_largest_size_is_taken() -> None:
    payload = to_json(PULSES).ljust(PAYLOAD_BYTES_MAX)
    assert len(payload) == PAYLOAD_BYTES_MAX
    assert batch_of(payload).seq == 1042


def test_a_leap_second_counts_as_the_second_after_it() -> None:
    """RFC 3339 clause 5.8 has 1990-12-31T23:59:60Z; the leap second at the end of 2016 is IERS Bulletin C 52."""
    batch = batch_of(to_json(with_(PULSES, t0="2016-12-31T23:59:60.25Z")))
    assert batch.t0_ns == parse_rfc3339("2017-01-01T00:00:00.25Z")


def test_repeated_fields_of_a_json_object_count_as_last_written() -> None:
    """RFC 8259 clause 4 leaves it open; CBOR, where RFC 8949 clause 5.6 does not, refuses."""
    assert batch_of(b'{"seq": 5, ' + to_json(PULSES)[1:]).seq == 1042


# JSON or CBOR


@pytest.mark.parametrize(
    "content_type",
    [None, "", "application/json", "application/json; charset=utf-8", "Application/JSON ", "text/plain", "x"],
)
def test_json_is_read_as_json(content_type: str | None) -> None:
    assert batch_of(to_json(PULSES), content_type=content_type).seq == 1042


@pytest.mark.parametrize(
    "content_type",
    [None, "", "application/cbor", "APPLICATION/CBOR;x=1", "text/plain", "application/octet-stream"],
)
def test_cbor_is_read_as_cbor(content_type: str | None) -> None:
    assert batch_of(to_cbor(PULSES), content_type=content_type).seq == 1042


@pytest.mark.parametrize("before", [b" ", b"\n\t ", b"\r\n", b"\xef\xbb\xbf"])
def test_json_may_begin_with_white_space_or_a_byte_order_mark(before: bytes) -> None:
    assert batch_of(before + to_json(PULSES)).seq == 1042


def test_the_content_type_counts_for_more_than_the_first_byte() -> None:
    as_cbor = refusal_of(to_json(PULSES), content_type="application/cbor")
    assert as_cbor.reason is REASON.NOT_PARSEABLE
    assert "application/json if it is JSON" in as_cbor.detail
    as_json = refusal_of(to_cbor(PULSES), content_type="application/json")
    assert as_json.reason is REASON.NOT_PARSEABLE
    assert "application/cbor if it is CBOR" in as_json.detail


# What is refused: reason, what the detail says was found, what it says would mend it

NOT_PARSEABLE = [
    (b"", "empty", "send a JSON object or a CBOR map"),
    (b"hello", "68 65 6c 6c 6f", "send one whole JSON object"),
    (b'{"v": 1', "truncated", "whole"),
    (to_json(PULSES) + b"{}", "trailing", "send one whole JSON object"),
    (b"[1, 2]", "no object", "send one object"),
    (b"1", "no object", "send one object"),
    (b"null", "no object", "send one object"),
    (to_json(PULSES).replace(b"48.2", b"NaN"), "invalid character", "whole JSON object"),
    (to_json(PULSES).replace(b"48.2", b"Infinity"), "invalid character", "whole JSON object"),
    (to_json(PULSES).replace(b"48.2", b"+48.2"), "invalid character", "whole JSON object"),
    (to_json(with_(PULSES, dev="x")).replace(b'"x"', b'"\xff"'), "utf-8", "in UTF-8"),
    (to_json(PULSES).decode().encode("utf-16"), "ff fe", "in UTF-8"),
    (b'{"v": 1, "x": ' + b"[" * 50_000, "nested too deeply", "no field of the contract"),
    (to_cbor(PULSES)[:-1], "premature end", "send one whole map"),
    (to_cbor(PULSES) + b"\x00", "more bytes follow", "send one whole map"),
    (to_cbor(PULSES) * 2, "more bytes follow", "send one whole map"),
    (b"\xa2\x61v\x01\x61v\x01", "Duplicate map key", "each key once"),
    (cbor2.dumps(cbor2.CBORTag(70, b"1234")), "no map", "send one map"),
    (b"\xa1\x61v\x9b\xff\xff\xff\xff\xff\xff\xff\xff", "premature end", "whole map"),
    (b"\xa1\x61v" + b"\x81" * 50_000, "depth", "whole map"),
]
NOT_V1 = [
    (without(PULSES, "v"), "v is missing", 'send "v": 1'),
    (with_(PULSES, v=2), "v is 2", "version 1"),
    (with_(PULSES, v=0), "v is 0", "version 1"),
    (with_(PULSES, v=True), "v is true", "version 1"),
    (with_(PULSES, v=1.0), "v is 1.0", "version 1"),
    (with_(PULSES, v="1"), 'v is "1"', "version 1"),
    (with_(PULSES, v=2, up="in another way", seq=None), "v is 2", "version 1"),
    ({"v": 2}, "v is 2", "version 1"),
    ({}, "v is missing", "version 1"),
]
FIELD_INVALID = [
    (without(PULSES, "seq"), "seq is missing", "counts up by one"),
    (without(PULSES, "t0"), "t0 is missing", "RFC 3339"),
    (without(PULSES, "up"), "up is missing", "empty when stopped"),
    (without(PULSES, "down"), "down is missing", "empty when stopped"),
    (with_(PULSES, seq=-1), "seq is -1", ">= 0"),
    (with_(PULSES, seq=2**63), "seq is 9223372036854775808", "2^63-1"),
    (with_(PULSES, seq=1.5), "seq is 1.5", "integer"),
    (with_(PULSES, seq=True), "seq is true", "integer"),
    (with_(PULSES, seq="7"), 'seq is "7"', "integer"),
    (with_(PULSES, t0="25.11.2026 08:15"), "'25.11.2026 08:15'", "2026-11-25T08:15:00.000000Z"),
    (with_(PULSES, t0="2026-11-25T08:15:00"), "2026-11-25T08:15:00'", "RFC 3339"),
    (with_(PULSES, t0=1.795e15), "t0 is 1795000000000000.0", "whole microseconds"),
    (with_(PULSES, t0=None), "t0 is null", "RFC 3339"),
    (with_(PULSES, tick_ns=0), "tick_ns is 0", "1 to 1000000000"),
    (with_(PULSES, tick_ns=10**9 + 1), "tick_ns is 1000000001", "1 to 1000000000"),
    (with_(PULSES, tick_ns=0.5), "tick_ns is 0.5", "whole nanoseconds"),
    (with_(PULSES, tick_ns=None), "tick_ns is null", "leave it out"),
    (with_(PULSES, up=None), "up is null", "empty when stopped"),
    (with_(PULSES, up=[1, 2.0]), "up[1]", "without decimal point"),
    (with_(PULSES, up=[True]), "up[0]", "whole ticks"),
    (with_(PULSES, up=[None]), "up[0]", "whole ticks"),
    (with_(PULSES, up={"0": 1}), "up", "array"),
    (with_(PULSES, up=[-1, 5]), "up[0] is -1", ">= 0"),
    (with_(PULSES, down=[-1, 5], delta=True), "down[0] is -1", ">= 0"),
    (with_(PULSES, up=[2**63]), "beyond 2^63-1", "since t0"),
    (with_(PULSES, up=[10**30]), "beyond 2^63-1", "since t0"),
    (with_(PULSES, up=[2**62, 2**62], delta=True), "sum beyond 2^63-1 at up[1]", "from t0"),
    (with_(PULSES, up=[2**63 - 1] * 3, delta=True), "sum beyond 2^63-1 at up[1]", "from t0"),
    (with_(PULSES, up=[2**62], tick_ns=1000), "beyond the year 2262", "counted from t0"),
    (with_(PULSES, span_ticks=2**62), "beyond the year 2262", "counted from t0"),
    (
        with_(PULSES, span_ticks=48_621),
        "span_ticks is 48621 but the last pulse came at tick 48622",
        "whole window",
    ),
    (with_(PULSES, span_ticks=-1), "span_ticks is -1", "whole ticks"),
    (with_(PULSES, delta=1), "delta is 1", "true or false"),
    (with_(PULSES, delta="yes"), 'delta is "yes"', "true or false"),
    (with_(PULSES, up_on_us=-1), "up_on_us is -1", "how long a joint keeps"),
    (with_(PULSES, down_on_us="4 ms"), 'down_on_us is "4 ms"', "leave it out"),
    (with_(PULSES, dir=0), "dir is 0", "1 (forward) or -1 (reverse)"),
    (with_(PULSES, dir=2), "dir is 2", "1 (forward) or -1 (reverse)"),
    (with_(PULSES, dir="forward"), 'dir is "forward"', "1 (forward)"),
    (with_(PULSES, temp_c=1000.1), "temp_c is 1000.1", "-100 to 1000"),
    (with_(PULSES, mount_c=-273.15), "mount_c is -273.15", "-100 to 1000"),
    (with_(PULSES, temp_c="48.2"), 'temp_c is "48.2"', "leave it out"),
    (with_(PULSES, load_n=1e9), "load_n is 1000000000.0", "N"),
    (with_(PULSES, load_n=True), "load_n is true", "N"),
    (with_(PULSES, dev="a" * 65), "dev is ", "at most 64 printable"),
    (with_(PULSES, dev="a\x00b"), "'a\\x00b'", "printable"),
    (with_(PULSES, dev="\u202egnp"), "'\\u202egnp'", "printable"),
    (with_(PULSES, dev=7), "dev is 7", "text"),
]
TICKS_BACKWARDS = [
    (
        with_(PULSES, up=[12, 19_856, 19_855]),
        "up[2] lies at tick 19855, before up[1] at 19856",
        "in the order",
    ),
    (with_(PULSES, down=[2**32 - 5, 3]), "down[1] lies at tick 3", "does not wrap"),
    (with_(PULSES, up=[2**63 - 1, 2**62]), "up[1]", "does not wrap"),
    (with_(PULSES, up=[5, -3]), "up[1] lies at tick -3", "in the order"),
    (with_(PULSES, up=[12, 5, -1], delta=True), "up[2] lies at tick 16, before up[1] at 17", "in the order"),
    (with_(PULSES, up=[2**63 - 1, -5], delta=True), "up[1]", "in the order"),
]
CLOCK_OFF = [
    (
        with_(PULSES, t0="2026-11-25T08:30:00.000001Z"),
        "over 10 min ahead of now, 2026-11-25T08:20:00",
        "set the clock",
    ),
    (with_(PULSES, t0="9999-12-31T23:59:59Z"), "over 10 min ahead of now", "set the clock"),
    (with_(PULSES, t0="1999-12-31T23:59:59.999999999Z"), "before 2000", "set the clock"),
    (with_(PULSES, t0="1970-01-01T00:00:12Z"), "before 2000", "set the clock"),
    (with_(PULSES, t0="0001-01-01T00:00:00+23:59"), "before 2000", "set the clock"),
    (with_(PULSES, t0=0), "t0 is 0, before 2000", "set the clock"),
    (with_(PULSES, t0=-(10**30)), "before 2000", "set the clock"),
    (with_(PULSES, t0=10**300), "over 40 digits", "set the clock"),
    (with_(PULSES, t0=1_795_594_500), "before 2000", "as seconds it would be 2026-11-25T08:15:00.000000Z"),
    (with_(PULSES, t0=1_795_594_500_000), "before 2000", "as milliseconds it would be 2026-11-25T08:15"),
    (with_(PULSES, t0=1_795_594_500 * 10**9), "ahead of now", "as nanoseconds it would be 2026-11-25T08:15"),
]
TOO_LARGE = [
    (to_json(PULSES).ljust(PAYLOAD_BYTES_MAX + 1), "has 1048577 bytes, more than 1048576", "shorter windows"),
    (b"\x00" * (PAYLOAD_BYTES_MAX + 1), "has 1048577 bytes", "shorter windows"),
    (
        to_json(with_(PULSES, up=[0] * (PULSES_MAX + 1))),
        "up holds 100001 pulses, more than 100000",
        "shorter",
    ),
    (to_cbor(with_(PULSES, down=[0] * (PULSES_MAX + 1))), "down holds 100001 pulses", "shorter"),
    (to_cbor(with_(PULSES, down=typed(69, [0] * (PULSES_MAX + 1)))), "down holds 100001 pulses", "shorter"),
]
JSON_REFUSED = [
    *((REASON.NOT_V1, *row) for row in NOT_V1),
    *((REASON.FIELD_INVALID, *row) for row in FIELD_INVALID),
    *((REASON.TICKS_BACKWARDS, *row) for row in TICKS_BACKWARDS),
    *((REASON.CLOCK_OFF, *row) for row in CLOCK_OFF),
]
BYTES_REFUSED = [
    *((REASON.NOT_PARSEABLE, *row) for row in NOT_PARSEABLE),
    *((REASON.TOO_LARGE, *row) for row in TOO_LARGE),
]


@pytest.mark.parametrize(("reason", "fields", "found", "mend"), JSON_REFUSED)
def test_a_batch_that_breaks_the_contract_is_refused_with_its_reason(
    reason: RejectionReason, fields: Fields, found: str, mend: str
) -> None:
    refused = refusal_of(to_json(fields))
    assert refused.reason is reason, refused
    assert found in refused.detail
    assert mend in refused.detail


@pytest.mark.parametrize(("reason", "fields", "found", "mend"), JSON_REFUSED)
def test_the_same_batch_as_cbor_is_refused_for_the_same_reason(
    reason: RejectionReason, fields: Fields, found: str, mend: str
) -> None:
    del found  # a value that JSON shows as true is True here, and an integer beyond 64 bits is a tag
    refused = refusal_of(to_cbor(fields))
    wide = [fields.get("t0"), *(fields["up"] if isinstance(fields.get("up"), list) else [])]
    if any(isinstance(value, int) and abs(value) >= 2**64 for value in wide):
        assert refused.reason is REASON.FIELD_INVALID
        return
    assert refused.reason is reason, refused
    assert mend in refused.detail


@pytest.mark.parametrize(("reason", "payload", "found", "mend"), BYTES_REFUSED)
def test_bytes_that_are_no_batch_are_refused_with_their_reason(
    reason: RejectionReason, payload: bytes, found: str, mend: str
) -> None:
    refused = refusal_of(payload)
    assert refused.reason is reason, refused
    assert found in refused.detail
    assert mend in refused.detail


LAG_INVALID = [
    *(
        (without(LAG, name), f"{name} is missing", "send")
        for name in ("period_us", "lag_us", "count", "sd_us")
    ),
    (with_(LAG, lag_us=19_844.6), "lag_us is 19844.6 and period_us 19844.6", "within one period"),
    (with_(LAG, lag_us=20_000), "lag_us is 20000.0", "within one period"),
    (with_(LAG, lag_us=-0.1), "lag_us is -0.1", "0 <= lag_us < period_us"),
    (with_(LAG, period_us=-5), "period_us is -5", "over 0"),
    (with_(LAG, period_us=1e300), "period_us is 1e+300", "3600000000"),
    (with_(LAG, count=51), "count is 51", "even"),
    (with_(LAG, count=-2), "count is -2", "even"),
    (with_(LAG, period_us=0, lag_us=0), "period_us is 0", "mean time"),
    (with_(LAG, count=50.0), "count is 50.0", "even"),
    (with_(LAG, sd_us=-1), "sd_us is -1", "0 to 3600000000"),
    (with_(LAG, sd_us=None), "sd_us is null", "standard deviation"),
    (with_(LAG, span_ms=-1), "span_ms is -1", "milliseconds"),
    (with_(LAG, span_ms=1e13), "span_ms is 10000000000000.0", "milliseconds"),
    (with_(without(LAG, "span_ms"), count=10**7, period_us=3.6e9), "beyond the year 2262", "in its unit"),
]


@pytest.mark.parametrize(("fields", "found", "mend"), LAG_INVALID)
def test_a_lag_that_breaks_the_contract_is_refused(fields: Fields, found: str, mend: str) -> None:
    for payload in (to_json(fields), to_cbor(fields)):
        refused = refusal_of(payload, Form.LAG)
        assert refused.reason is REASON.FIELD_INVALID, refused
        assert mend in refused.detail
    assert found in refusal_of(to_json(fields), Form.LAG).detail


@pytest.mark.parametrize("not_finite", [float("nan"), float("inf"), float("-inf")])
@pytest.mark.parametrize(
    "name",
    ["temp_c", "mount_c", "load_n", "up_on_us", "down_on_us", "period_us", "lag_us", "sd_us", "span_ms"],
)
def test_a_number_that_is_not_finite_is_refused(name: str, not_finite: float) -> None:
    """JSON cannot say it; CBOR can, as float64 and as float16 (RFC 8949 appendix A: f97e00 is NaN)."""
    of_pulses = name in {"temp_c", "mount_c", "load_n", "up_on_us", "down_on_us"}
    form, fields = (Form.PULSES, PULSES) if of_pulses else (Form.LAG, LAG)
    for size in (
        "fb" + struct.pack(">d", not_finite).hex(),
        "f9" + np.array(not_finite, ">f2").tobytes().hex(),
    ):
        parts = [(each, item(value)) for each, value in fields.items() if each != name]
        parts.append((name, bytes.fromhex(size)))
        payload = head(5, len(parts)) + b"".join(item(each) + value for each, value in parts)
        refused = refusal_of(payload, form)
        assert refused.reason is REASON.FIELD_INVALID
        assert refused.detail.startswith(name)


TYPED_INVALID = [
    (cbor2.CBORTag(86, bytes(24)), "float64 little endian (tag 86)", "uint16, uint32 or uint64"),
    (cbor2.CBORTag(78, bytes(24)), "sint32 little endian (tag 78)", "uint16, uint32 or uint64"),
    (
        cbor2.CBORTag(65, bytes(3)),
        "3 bytes, not a multiple of the 2 of a uint16 big endian",
        "whole elements",
    ),
    (cbor2.CBORTag(70, [1, 2]), "something else than a byte string", "send bytes"),
    (cbor2.CBORTag(41, [1, 2]), "(tag 41)", "uint16, uint32 or uint64"),
    (cbor2.CBORTag(71, struct.pack("<Q", 2**63)), "up[0] is 2^63 or more", "count ticks from t0"),
    (cbor2.CBORTag(67, struct.pack(">QQ", 0, 2**64 - 1)), "up[1] is 2^63 or more", "count ticks from t0"),
]


@pytest.mark.parametrize("delta", [False, True])
@pytest.mark.parametrize(("up", "found", "mend"), TYPED_INVALID)
def test_typed_arrays_of_the_wrong_kind_are_refused(
    up: cbor2.CBORTag, found: str, mend: str, *, delta: bool
) -> None:
    refused = refusal_of(to_cbor(with_(PULSES, up=up, delta=delta)))
    assert refused.reason is REASON.FIELD_INVALID
    assert found in refused.detail
    assert mend in refused.detail


@pytest.mark.parametrize("tag", [65, 66, 67, 69, 70, 71])
def test_typed_arrays_that_go_backwards_are_refused(tag: int) -> None:
    refused = refusal_of(to_cbor(with_(PULSES, down=typed(tag, [5, 7, 6]))))
    assert refused.reason is REASON.TICKS_BACKWARDS
    assert "down[2] lies at tick 6, before down[1] at 7" in refused.detail


@pytest.mark.parametrize("tag", [67, 71])
def test_typed_differences_that_overflow_are_refused(tag: int) -> None:
    refused = refusal_of(to_cbor(with_(PULSES, up=typed(tag, [2**62, 2**62, 2**62]), delta=True)))
    assert refused.reason is REASON.FIELD_INVALID
    assert "sum beyond 2^63-1 at up[1]" in refused.detail


@given(st.lists(st.integers(0, 2**63 - 1), min_size=1, max_size=6))
def test_differences_give_their_sums_or_say_that_they_overflow(steps: list[int]) -> None:
    """However often the sum wraps around 64 bits."""
    fields = with_(PULSES, up=steps, down=[], delta=True, tick_ns=1)
    for payload in (to_json(fields), to_cbor(with_(fields, up=typed(71, steps)))):
        result = outcome(payload)
        if isinstance(result, Refusal):
            assert sum(steps) > 2**62
            assert result.reason is REASON.FIELD_INVALID
        else:
            assert differences(result.up.tolist()) == steps


@given(st.lists(st.integers(0, 2**63 - 1), min_size=2, max_size=6))
def test_ticks_that_are_not_in_order_are_never_taken(ticks: list[int]) -> None:
    for payload in (to_json(with_(PULSES, up=ticks)), to_cbor(with_(PULSES, up=typed(71, ticks)))):
        result = outcome(payload)
        if ticks != sorted(ticks):
            assert isinstance(result, Refusal)
            assert result.reason is REASON.TICKS_BACKWARDS


def test_the_ends_of_the_allowed_time_are_allowed() -> None:
    assert batch_of(to_json(with_(PULSES, t0="2000-01-01T00:00:00Z"))).t0_ns == 946_684_800 * 10**9
    assert batch_of(to_json(with_(PULSES, t0="2026-11-25T08:30:00Z"))).t0_ns == NOW_NS + 600 * 10**9


def test_the_first_fault_in_a_fixed_order_decides() -> None:
    """Size, encoding, version, fields, ticks, clock."""
    fields = with_(PULSES, t0=0, up=[2, 1])
    assert refusal_of(to_json(fields)).reason is REASON.TICKS_BACKWARDS
    assert refusal_of(to_json(with_(fields, dir=5))).reason is REASON.FIELD_INVALID
    assert refusal_of(to_json(with_(fields, dir=5, v=2))).reason is REASON.NOT_V1
    assert refusal_of(to_json(with_(fields, dir=5, v=2))[:-1]).reason is REASON.NOT_PARSEABLE


def test_every_reason_that_the_wire_may_give_has_an_example() -> None:
    shown = {row[0] for row in [*JSON_REFUSED, *BYTES_REFUSED]} | {REASON.WRONG_TOPIC}
    assert shown == set(RejectionReason) - {
        REASON.UNREGISTERED,
        REASON.TOO_OFTEN,
        REASON.STORE_REFUSED,
        REASON.LINKLAG_FAULT,
    }  # ingest's own


def test_every_field_says_what_would_mend_it() -> None:
    assert set(MENDS) == {*PulsesFields.__struct_fields__, *LagFields.__struct_fields__}


@given(pulses() | lags(), st.data())
def test_whatever_one_field_holds_its_refusal_names_it(fields: Fields, data: st.DataObject) -> None:
    form = Form.LAG if "lag_us" in fields else Form.PULSES
    known = sorted({*(LagFields if form is Form.LAG else PulsesFields).__struct_fields__} - {"v"})
    name = data.draw(st.sampled_from(known))
    result = outcome(to_json(with_(fields, **{name: data.draw(values())})), form)
    if isinstance(result, Refusal) and result.reason is REASON.FIELD_INVALID:
        assert name in result.detail


def test_a_status_topic_holds_no_batch() -> None:
    with pytest.raises(ValueError, match="decode_status"):
        outcome(to_json(PULSES), Form.STATUS)


# Topics and status


@pytest.mark.parametrize("root", ["linklag/v1", "plant", "a/b/c/d", "Werk 3/linklag"])
@pytest.mark.parametrize("form", Form)
def test_a_topic_tells_drive_and_form(root: str, form: Form) -> None:
    assert parse_topic(f"{root}/press-3/{form}", root) == Topic("press-3", form)


def test_what_is_subscribed_to_is_what_is_parsed() -> None:
    for topic_filter in subscriptions("linklag/v1"):
        assert isinstance(parse_topic(topic_filter.replace("+", "press-3"), "linklag/v1"), Topic)
    assert sorted(subscriptions("a/b")) == ["a/b/+/lag", "a/b/+/pulses", "a/b/+/status"]


@pytest.mark.parametrize(
    "topic",
    [
        "",
        "linklag/v1",
        "linklag/v1/",
        "linklag/v1/press-3",
        "linklag/v1/press-3/",
        "linklag/v1/press-3/pulses/x",
        "linklag/v1/press-3/Pulses",
        "linklag/v1/press-3/elongation",
        "linklag/v1x/press-3/pulses",
        "other/linklag/v1/press-3/pulses",
        "linklag/v1//pulses",
        "linklag/v1/Press/pulses",
        "linklag/v1/-x/pulses",
        "linklag/v1/press 3/pulses",
        "linklag/v1/prüfstand/pulses",
        f"linklag/v1/{'a' * 65}/pulses",
        "linklag/v1/press-3\n/pulses",
        "linklag/v1/../pulses",
    ],
)
def test_a_topic_that_names_no_drive_is_refused_with_the_fix(topic: str) -> None:
    refused = parse_topic(topic, "linklag/v1")
    assert isinstance(refused, Refusal)
    assert refused.reason is REASON.WRONG_TOPIC
    assert "publish" in refused.detail


@given(st.text())
def test_any_topic_is_parsed_or_refused(topic: str) -> None:
    assert isinstance(parse_topic(topic, "linklag/v1"), Topic | Refusal)
    assert isinstance(parse_topic(f"linklag/v1/{topic}/pulses", "linklag/v1"), Topic | Refusal)


@pytest.mark.parametrize(
    ("payload", "online"),
    [
        (b'{"v":1,"online":true}', True),
        (b'{"v":1,"online":false}', False),
        (json.dumps({"v": 1, "online": True, "model": "x", "uptime_s": 5}).encode(), True),
        (cbor2.dumps({"v": 1, "online": False}), False),
        (b"", None),
        (b"online", None),
        (b'{"v":1}', None),
        (b'{"online":true}', None),
        (b'{"v":2,"online":true}', None),
        (b'{"v":1,"online":1}', None),
        (b'{"v":1,"online":"true"}', None),
        (b'{"v":1,"online":true', None),
        (cbor2.dumps({"v": 1, "online": cbor2.CBORTag(2, b"1")}), None),
        (b'{"v":1,"online":true}'.ljust(20_000), None),
    ],
)
def test_a_status_says_whether_the_device_is_there(payload: bytes, online: bool | None) -> None:  # noqa: FBT001
    assert decode_status(payload) is online
