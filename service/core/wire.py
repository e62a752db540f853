"""The wire: bytes that a capture device published, turned into a batch or into the reason why not.

Knows the contract's topics, its three forms (`pulses` as JSON, `pulses` as CBOR, `lag`) and every refusal;
must not know what the pulses mean (`lag`), nor who carries the bytes (the mqtt adapter).

Rules for the next editor:
- Devices in the field are built to this: fields may be added, with a default; none may change or go.
- Whatever bytes come, `decode` returns. A fault of the device is a `Refusal`, never an exception.
- Nothing of the payload is walked, compared or shown before its type and size are known, so that hostile bytes
  cost no more than their own length.
- A changed field must change deploy/asyncapi.yaml and deploy/WIRE.md too; tests hold both to this file.
"""

import re
from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, Any, Final, Literal, NamedTuple, NoReturn, TypeVar

import msgspec
import numpy as np
import numpy.typing as npt
from msgspec import Meta

from service.core.batch import PAYLOAD_BYTES_MAX, PULSES_MAX, Batch, Reduced, RejectionReason, Ticks
from service.core.cbor import Tagged, read_map, typed_array
from service.core.drive import DRIVE_ID
from service.core.instant import format_rfc3339, parse_rfc3339

_BYTE_ORDER_MARK: Final = b"\xef\xbb\xbf"
JSON_TYPE = "application/json"
CBOR_TYPE = "application/cbor"

INT64_MAX = 2**63 - 1
AHEAD_NS_MAX = 600 * 10**9  # t0 may lie so far ahead of now (wire contract: 10 min)
T0_NS_MIN = 946_684_800 * 10**9  # 2000-01-01T00:00:00Z (wire contract)
STATUS_BYTES_MAX = 16 * 1024


class Form(StrEnum):
    """What a device publishes; each is the last level of its topic."""

    PULSES = "pulses"  # a batch
    LAG = "lag"  # a batch that the device has reduced itself
    STATUS = "status"  # whether the device is there; see `decode_status`


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a payload is no batch. `detail` says to a person what was found and what would mend it."""

    reason: RejectionReason
    detail: str


class _RefusedError(Exception):
    """Carries a refusal from the helper that found the fault up to `decode`; never leaves this module."""

    def __init__(self, reason: RejectionReason, detail: str) -> None:
        super().__init__(detail)
        self.refusal = Refusal(reason, detail)


# The fields as they stand on the wire -------------------------------------------------------------------

_Count = Annotated[int, Meta(ge=0, le=INT64_MAX)]
_Celsius = Annotated[float, Meta(ge=-100, le=1000)]
_Newtons = Annotated[float, Meta(ge=-10_000, le=100_000_000)]  # the zero of a load cell may drift below 0
_Microseconds = Annotated[float, Meta(ge=0, le=3_600_000_000)]


class _Fields(msgspec.Struct, kw_only=True):
    """What both forms have. Null, where it is allowed, means the same as leaving the field out."""

    v: Literal[1]
    seq: _Count
    t0: int | str
    dir: Literal[1, -1] | None = 1
    temp_c: _Celsius | None = None
    mount_c: _Celsius | None = None
    load_n: _Newtons | None = None
    dev: Annotated[str, Meta(max_length=64)] | None = None


class PulsesFields(_Fields, kw_only=True):
    """The `pulses` form."""

    up: list[int]
    down: list[int]
    tick_ns: Annotated[int, Meta(ge=1, le=10**9)] = 1000
    delta: bool = False
    span_ticks: _Count | None = None
    up_on_us: _Microseconds | None = None
    down_on_us: _Microseconds | None = None


class LagFields(_Fields, kw_only=True):
    """The `lag` form."""

    period_us: _Microseconds  # > 0 unless count is 0: the chain stood still
    lag_us: _Microseconds
    count: Annotated[int, Meta(ge=0, le=10_000_000, multiple_of=2)]
    sd_us: _Microseconds
    span_ms: Annotated[float, Meta(ge=0, le=10**12)] | None = None


class _Status(msgspec.Struct):
    v: Literal[1]
    online: bool


MENDS: Final = {
    "v": 'send "v": 1 in every batch',
    "seq": "send an integer from 0 up to 2^63-1 that counts up by one a batch",
    "t0": 'send an RFC 3339 time such as "2026-11-25T08:15:00.000000Z", or whole microseconds since 1970',
    "tick_ns": "send the length of a tick in whole nanoseconds, 1 to 1000000000, or leave it out for 1000",
    "up": "send an array of whole ticks since t0, each >= 0, without decimal point; empty when stopped",
    "down": "send an array of whole ticks since t0, each >= 0, without decimal point; empty when stopped",
    "delta": "send true or false, or leave it out for false",
    "span_ticks": "send the length of the window in whole ticks, or leave it out",
    "up_on_us": "send how long a joint keeps `up` on, on the mean, in microseconds, 0 to 3600000000, or leave it out",
    "down_on_us": "send how long a joint keeps `down` on, on the mean, in microseconds, 0 to 3600000000, or leave it out",
    "dir": "send 1 (forward) or -1 (reverse), or leave it out",
    "temp_c": "send the temperature of the chain, -100 to 1000 degrees C, or leave it out",
    "mount_c": "send the temperature of the sensor mount, -100 to 1000 degrees C, or leave it out",
    "load_n": "send the tension of the strand, -10000 to 100000000 N, or leave it out",
    "dev": "send the device's id as text of at most 64 printable characters, or leave it out",
    "period_us": "send the mean time between two pulses of one sensor in microseconds, over 0 to 3600000000",
    "lag_us": "send the mean time from a pulse of up to the next of down in microseconds, 0 <= lag_us < period_us",
    "count": "send how many pulse pairs were averaged: an even integer, 0 (the chain stood still) to 10000000",
    "sd_us": "send the standard deviation of one pair in microseconds, 0 to 3600000000",
    "span_ms": "send the length of the window in milliseconds, 0 to 1000000000000, or leave it out",
}

_JSON_PULSES: Final = msgspec.json.Decoder(PulsesFields)
_JSON_LAG: Final = msgspec.json.Decoder(LagFields)
_JSON_RAW: Final = msgspec.json.Decoder(dict[str, msgspec.Raw])
_JSON_STATUS: Final = msgspec.json.Decoder(_Status)


_Struct = TypeVar("_Struct", bound=msgspec.Struct)
_Pulses = list[int] | npt.NDArray[Any]  # as they came: a list, or a typed array seen in place


# Bytes to a batch -----------------------------------------------------------------------------------------


def decode(
    payload: bytes, *, form: Form, drive_id: str, content_type: str | None, now_ns: int
) -> Batch | Refusal:
    """Return the batch that the payload holds, or why it holds none. Raises nothing, whatever the bytes.

    The first fault found decides: size, encoding, version, fields, number of pulses, ticks, clock.

    Args:
        payload: what was published, of any length; over PAYLOAD_BYTES_MAX it is refused unread.
        form: of the topic it came by, PULSES or LAG.
        drive_id: the drive's level of that topic, a valid drive id.
        content_type: of the MQTT 5 message; None, empty or any other than JSON's and CBOR's leaves the
            choice to the first byte.
        now_ns: UTC now, nanoseconds since 1970; t0 is held against it.

    Source: RFC 8259 (JSON), RFC 8949 (CBOR), RFC 8746 clause 2 (typed arrays), RFC 3339 (t0).
    """
    if form is Form.STATUS:
        raise ValueError("a status holds no batch; ask decode_status")
    try:
        is_cbor = _is_cbor(payload, content_type)
        if form is Form.LAG:
            reduced = _convert(_cbor_map(payload), LagFields) if is_cbor else _read_json(payload, _JSON_LAG)
            return _reduced_batch(reduced, drive_id, now_ns)
        if is_cbor:
            return _pulse_batch(*_read_cbor_pulses(payload), drive_id, now_ns)
        fields = _read_json(payload, _JSON_PULSES)
        return _pulse_batch(fields, fields.up, fields.down, drive_id, now_ns)
    except _RefusedError as refused:
        return refused.refusal


def _is_cbor(payload: bytes, content_type: str | None) -> bool:
    """Whether to read as CBOR: as the content type says, else when the first byte opens a CBOR map or tag.

    JSON opens with white space, a brace or (though RFC 8259 clause 8.1 forbids it) the byte order mark EF.
    Refuses what is empty or too large before anything else looks at it.
    """
    if not 0 < len(payload) <= PAYLOAD_BYTES_MAX:
        _refuse_size(len(payload))
    if content_type:
        kind = content_type.partition(";")[0].strip().lower()
        if kind in {JSON_TYPE, CBOR_TYPE}:
            return kind == CBOR_TYPE
    return 0xA0 <= payload[0] <= 0xDB


def _refuse_size(payload_bytes: int) -> NoReturn:
    if payload_bytes == 0:
        _not_parseable("The payload is empty; send a JSON object or a CBOR map.")
    raise _RefusedError(
        RejectionReason.TOO_LARGE,
        f"The payload has {payload_bytes} bytes, more than {PAYLOAD_BYTES_MAX}; send shorter windows, or CBOR with "
        "typed arrays.",
    )


def _read_json(payload: bytes, decoder: msgspec.json.Decoder[_Struct]) -> _Struct:
    try:
        return decoder.decode(payload.removeprefix(_BYTE_ORDER_MARK))
    except msgspec.ValidationError as misfit:
        _refuse_json(payload, misfit)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as malformed:
        _refuse_malformed(payload, malformed)


def _refuse_malformed(payload: bytes, malformed: Exception) -> NoReturn:
    if isinstance(malformed, RecursionError):
        _not_parseable("The JSON is nested too deeply; no field of the contract holds more than a list.")
    hint = f", with the content type {CBOR_TYPE} if it is CBOR" if payload[0] >= 0x80 else ""
    _not_parseable(
        f"This is no JSON ({_short(malformed)}; it begins with {payload[:8].hex(' ')}); send one whole JSON "
        f"object in UTF-8{hint}."
    )


def _refuse_json(payload: bytes, misfit: msgspec.ValidationError) -> NoReturn:
    """Refuse JSON that does not fit, and say why: cut short further on, another version, or a wrong field.

    The typed decoder stops at the first fault of any kind, so the object is read once more, its values unread.
    """
    try:
        found = _JSON_RAW.decode(payload.removeprefix(_BYTE_ORDER_MARK))
    except msgspec.ValidationError:
        _not_parseable("The JSON is no object; send one object {...} a message.")
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as malformed:
        _refuse_malformed(payload, malformed)
    shown = {name: bytes(raw).decode(errors="replace") for name, raw in found.items() if name in MENDS}
    if shown.get("v") != "1":
        _refuse_version(shown.get("v", ""))
    _refuse_field(misfit, shown)


def _read_cbor_pulses(payload: bytes) -> tuple[PulsesFields, _Pulses, _Pulses]:
    """Return the fields, and `up` and `down` beside them: a typed array never becomes a list."""
    found = _cbor_map(payload)
    arrays: dict[str, npt.NDArray[Any]] = {}
    for name in ("up", "down"):
        value = found.get(name)
        if isinstance(value, Tagged):
            try:
                arrays[name] = typed_array(value)
            except ValueError as error:
                _field_invalid(f"{name} {error}.")
            found[name] = ()
    fields = _convert(found, PulsesFields)
    return fields, arrays.get("up", fields.up), arrays.get("down", fields.down)


def _convert(found: dict[Any, Any], struct: type[_Struct]) -> _Struct:
    """Return the fields of a CBOR map, held to the same types and ranges as those of JSON."""
    try:
        return msgspec.convert(found, struct)
    except msgspec.ValidationError:
        known = {name: found[name] for name in struct.__struct_fields__ if name in found}
    try:  # keys that are no text made msgspec stop: unknown fields, which are ignored whatever their keys
        return msgspec.convert(known, struct)
    except msgspec.ValidationError as error:
        _refuse_field(error, {name: ascii(value) for name, value in known.items() if type(value) in _PLAIN})


_PLAIN: Final = frozenset({int, float, bool, str})  # what may be shown as it is: everything else has depth


def _cbor_map(payload: bytes) -> dict[Any, Any]:
    """Return the map that the payload is, its version checked."""
    try:
        found = read_map(payload)
    except ValueError as error:
        hint = f", or the content type {JSON_TYPE} if it is JSON" if payload[0] < 0x80 else ""
        _not_parseable(f"{error}{hint}.")
    version = found.get("v")
    if type(version) is not int or version != 1:
        _refuse_version(ascii(version) if type(version) in _PLAIN else "")
    return found


# Fields to a batch ----------------------------------------------------------------------------------------


def _pulse_batch(fields: PulsesFields, up: _Pulses, down: _Pulses, drive_id: str, now_ns: int) -> Batch:
    up_ticks, down_ticks = _ticks("up", up, fields.delta), _ticks("down", down, fields.delta)
    t0_ns = _t0_ns(fields.t0, now_ns)
    last, span = max(_last(up_ticks), _last(down_ticks)), fields.span_ticks
    if span is not None and span < last:
        _field_invalid(
            f"span_ticks is {span} but the last pulse came at tick {last}; send the length of the whole window, "
            "in the same ticks, counted from t0."
        )
    _check_end("the last tick or span_ticks", t0_ns, max(last, span or 0) * fields.tick_ns)
    return Batch(
        drive_id=drive_id,
        seq=fields.seq,
        t0_ns=t0_ns,
        tick_ns=fields.tick_ns,
        up=up_ticks,
        down=down_ticks,
        span_ns=None if span is None else span * fields.tick_ns,
        direction=fields.dir or 1,
        temp_c=fields.temp_c,
        mount_c=fields.mount_c,
        load_n=fields.load_n,
        device_id=_device_id(fields.dev),
        up_on_us=fields.up_on_us,
        down_on_us=fields.down_on_us,
    )


def _reduced_batch(fields: LagFields, drive_id: str, now_ns: int) -> Batch:
    """Return the batch of the `lag` form. Without span_ms the window is as long as the periods averaged.

    A count of 0 is a chain that stood still: a batch without pulses, as in the `pulses` form.
    """
    if fields.count and fields.period_us == 0:
        _field_invalid("period_us is 0 though count is not; " + MENDS["period_us"] + ".")
    if fields.count and fields.lag_us >= fields.period_us:
        _field_invalid(
            f"lag_us is {fields.lag_us} and period_us {fields.period_us}, but a lag lies within one period; take "
            "the time from a pulse of up to the next of down."
        )
    t0_ns = _t0_ns(fields.t0, now_ns)
    span_us = fields.count * fields.period_us if fields.span_ms is None else fields.span_ms * 1e3
    span_ns = round(span_us * 1e3)
    _check_end("count x period_us", t0_ns, span_ns)
    return Batch(
        drive_id=drive_id,
        seq=fields.seq,
        t0_ns=t0_ns,
        tick_ns=1000,
        up=_NO_TICKS,
        down=_NO_TICKS,
        span_ns=span_ns,
        direction=fields.dir or 1,
        temp_c=fields.temp_c,
        mount_c=fields.mount_c,
        load_n=fields.load_n,
        device_id=_device_id(fields.dev),
        reduced=Reduced(
            period_us=fields.period_us, lag_us=fields.lag_us, count=fields.count, sd_us=fields.sd_us
        )
        if fields.count
        else None,
    )


_NO_TICKS: Final[Ticks] = np.empty(0, np.int64)
_NO_TICKS.setflags(write=False)


def _ticks(name: str, values: _Pulses, delta: bool) -> Ticks:  # noqa: FBT001 - as on the wire
    """Return the ticks since t0, int64, read-only, non-decreasing and >= 0.

    A list is copied once. Of typed arrays int64 little endian stays the view into the payload (on a machine of
    that order); narrower ones and big endian are widened in one copy, and `delta` sums into one new array.
    """
    if len(values) == 0:
        return _NO_TICKS
    if len(values) > PULSES_MAX:
        raise _RefusedError(
            RejectionReason.TOO_LARGE,
            f"{name} holds {len(values)} pulses, more than {PULSES_MAX}; send shorter windows.",
        )
    try:
        array = np.fromiter(values, np.int64, len(values)) if isinstance(values, list) else values
    except OverflowError:
        _field_invalid(f"{name} holds a tick beyond 2^63-1; {MENDS[name]}.")
    ticks: Ticks = array.cumsum(dtype=np.int64) if delta else array.astype(np.int64, copy=False)
    if ticks[0] < 0 or np.count_nonzero(ticks[1:] < ticks[:-1]):
        _refuse_ticks(name, array, ticks, typed=array is values, delta=delta)
    ticks.setflags(write=False)
    return ticks


def _last(ticks: Ticks) -> int:
    return int(ticks[-1]) if len(ticks) else 0


def _refuse_ticks(name: str, sent: npt.NDArray[Any], ticks: Ticks, *, typed: bool, delta: bool) -> NoReturn:
    """Say why ticks do not run from 0 upwards.

    A typed array holds nothing negative, so what shows as negative is 2^63 or more. Differences that are all
    >= 0 and still step backwards have overflowed: two's complement wraps the first sum beyond 2^63-1.
    """
    if typed and sent.min() < 0:
        _field_invalid(f"{name}[{int(np.argmax(sent < 0))}] is 2^63 or more; count ticks from t0.")
    if ticks[0] < 0:
        _field_invalid(f"{name}[0] is {int(ticks[0])}; ticks are counted from t0 and are >= 0.")
    at = 1 + int(np.argmax(ticks[1:] < ticks[:-1]))
    if delta and sent[at] >= 0:
        _field_invalid(f"The differences of {name} sum beyond 2^63-1 at {name}[{at}]; count ticks from t0.")
    raise _RefusedError(
        RejectionReason.TICKS_BACKWARDS,
        f"{name}[{at}] lies at tick {int(ticks[at])}, before {name}[{at - 1}] at {int(ticks[at - 1])}; send the "
        "pulses in the order they came, counted from t0 by a counter that does not wrap within a batch.",
    )


def _check_end(what: str, t0_ns: int, span_ns: int) -> None:
    """Refuse a window whose end does not fit an instant of int64 nanoseconds (the year 2262)."""
    if t0_ns + span_ns > INT64_MAX:
        _field_invalid(
            f"{what} puts the end of the window beyond the year 2262; send it in its unit, counted from t0."
        )


def _device_id(dev: str | None) -> str:
    """Return the device's id, "" where it sent none. Text that no person could read or type is refused."""
    if not dev:
        return ""
    if not dev.isprintable():
        _field_invalid(
            f"dev is {_short(ascii(dev))}, which holds characters that do not print; {MENDS['dev']}."
        )
    return dev


def _t0_ns(t0: int | str, now_ns: int) -> int:
    """Return the instant of tick 0. Refuses what is no time, and a clock that is far off."""
    if isinstance(t0, int):
        t0_ns = t0 * 1000
    else:
        try:
            t0_ns = parse_rfc3339(t0)
        except ValueError as error:
            _field_invalid(f"t0: {error}; {MENDS['t0']}.")
    if T0_NS_MIN <= t0_ns <= now_ns + AHEAD_NS_MAX:
        return t0_ns
    where = "before 2000" if t0_ns < T0_NS_MIN else f"over 10 min ahead of now, {format_rfc3339(now_ns)}"
    raise _RefusedError(
        RejectionReason.CLOCK_OFF,
        f"t0 is {_short(t0)}, {where}; set the clock of the device, by NTP for instance{_unit_hint(t0, now_ns)}.",
    )


def _unit_hint(t0: int | str, now_ns: int) -> str:
    """Return what an integer t0 would be in another unit, where that is within ten years of now; else ""."""
    if isinstance(t0, int):
        for unit, unit_ns in (("seconds", 10**9), ("milliseconds", 10**6), ("nanoseconds", 1)):
            if abs(t0 * unit_ns - now_ns) < 10 * 366 * 86_400 * 10**9:
                return f" (as {unit} it would be {format_rfc3339(t0 * unit_ns)}: t0 counts microseconds)"
    return ""


# Refusing -------------------------------------------------------------------------------------------------

_MSGSPEC_PATH: Final = re.compile(r"(?P<what>.*?) - at `\$\.(?P<path>(?P<field>\w+).*)`", re.DOTALL)
_MSGSPEC_MISSING: Final = re.compile(r"Object missing required field `(?P<field>\w+)`")


def _refuse_version(found: str) -> NoReturn:
    what = f"v is {_short(found)}" if found else "v is missing or no number"
    raise _RefusedError(
        RejectionReason.NOT_V1, f"{what}; this service reads version 1 of the contract: {MENDS['v']}."
    )


def _refuse_field(error: Exception, shown: dict[str, str]) -> NoReturn:
    """Refuse with the field's name and what was found first, and what it must be last.

    Args:
        error: msgspec's, whose text names the path.
        shown: what was found in each field, as far as it can be shown.
    """
    text = str(error)
    if missing := _MSGSPEC_MISSING.fullmatch(text):
        _field_invalid(f"{missing['field']} is missing; {MENDS.get(missing['field'], 'send it')}.")
    if placed := _MSGSPEC_PATH.fullmatch(text):
        field, path, what = placed["field"], placed["path"], placed["what"].replace("`", "")
        found = f" is {_short(shown[field])}" if path == field and field in shown else ""
        _field_invalid(f"{path}{found}: {what}; {MENDS.get(field, 'send that')}.")
    _field_invalid(f"{text}; send the fields that the contract names.")


def _field_invalid(detail: str) -> NoReturn:
    raise _RefusedError(RejectionReason.FIELD_INVALID, detail)


def _not_parseable(detail: str) -> NoReturn:
    raise _RefusedError(RejectionReason.NOT_PARSEABLE, detail)


def _short(value: object) -> str:
    """Return what was found, in ASCII and cut to a length that a person reads."""
    if isinstance(value, int) and abs(value) >= 10**40:
        return "an integer of over 40 digits"
    text = value if isinstance(value, str) else str(value)
    text = text.encode("ascii", "backslashreplace").decode()
    return text if len(text) <= 80 else text[:77] + "..."


# Topics and status ----------------------------------------------------------------------------------------


class Topic(NamedTuple):
    """What the topic of an incoming message says."""

    drive_id: str
    form: Form


def parse_topic(topic: str, root: str) -> Topic | Refusal:
    """Return drive and form of a topic `<root>/<drive>/<form>`, or why it is none (reason WRONG_TOPIC)."""
    levels = topic.removeprefix(f"{root}/").split("/")
    if not topic.startswith(f"{root}/") or len(levels) != 2 or levels[1] not in _FORMS:
        return Refusal(
            RejectionReason.WRONG_TOPIC,
            f"The topic {_short(ascii(topic))} is none of {root}/<drive>/pulses, /lag or /status; publish there.",
        )
    if DRIVE_ID.fullmatch(levels[0]) is None:
        return Refusal(
            RejectionReason.WRONG_TOPIC,
            f"{_short(ascii(levels[0]))} is no drive id; publish under 1 to 64 of a-z, 0-9, _ and -, the first a "
            "letter or digit.",
        )
    return Topic(levels[0], Form(levels[1]))


_FORMS: Final = frozenset(Form)


def subscriptions(root: str) -> list[str]:
    """Return the topic filters under which devices publish."""
    return [f"{root}/+/{form}" for form in Form]


def decode_status(payload: bytes) -> bool | None:
    """Return whether the device says that it is there; None where the payload does not say. Raises nothing."""
    if len(payload) > STATUS_BYTES_MAX:
        return None
    try:
        if _is_cbor(payload, None):
            return _convert(_cbor_map(payload), _Status).online
        return _read_json(payload, _JSON_STATUS).online
    except _RefusedError:
        return None
