"""Readings and roll-ups as points of InfluxDB, and back.

Knows tags, fields and line protocol; must not know how they travel, nor what an elongation means. The schema, for good:

- A reading is a point of `reading` at t_ns, in nanoseconds. Tags: drive, device, chain, rev, twin, all of them always. Two
  readings of one device may end at one instant: the second is `twin` 1. A correction is a point of its own under the next
  `rev`; which one counts stands in the register's database, so no reader ever hangs on which of two writes won.
- A roll-up is a point of `roll_up` at its end_ns. Tags: drive, chain, resolution. One over 0 readings is none any more.
- Numbers are floats, whole ones too: a field has one type for ever. What a float cannot say exactly (instants, a sequence
  number beyond 32 bits) goes into two. The reason of a reading without elongation is the only text.
- A site, an area or a line is no tag: people rename them, and a tag is for ever.
"""

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from operator import attrgetter
from typing import Any
from urllib.parse import unquote

from service.adapters.database.records import records
from service.core.reading import NotMeasured, Reading
from service.ports import Resolution, RollUp

READING, ROLL_UP = "reading", "roll_up"  # measurements
NONE = "-"  # in place of an unknown tag: one left out would be another series
_S = 1_000_000_000
_HIGH = 2**32

# What a tag cannot carry, or not unchanged: control characters and a backslash; and the sign that stands for them.
_NOT_AS_IT_IS = re.compile(r"[\x00-\x1f\x7f%\\]")
_SPECIAL = re.compile(r"[, =]")  # in line protocol

_NUMBERS = (
    "elongation_pct", "elongation_u_pct", "pitches_between", "lag_pitches", "speed_m_s", "coherence",
    "temp_c", "mount_c", "load_n", "since_pct", "since_u_pct", "up_alternation_pct", "up_alternation_u_pct",
    "down_alternation_pct", "down_alternation_u_pct", "polygon_taken_pct", "delay_taken_pct",
    "temperature_taken_pct", "load_taken_pct",
)  # fmt: skip
_COUNTS = (
    "pitches_averaged", "whole_laps", "up_pulses", "down_pulses", "up_missed", "down_missed", "up_extra",
    "down_extra", "conversion",
)  # fmt: skip
_PLAIN = (*_NUMBERS, *_COUNTS)
_plain = attrgetter(*_PLAIN)
_INSTANTS = ("baseline_taken_ns", "baseline_recorded_ns")  # as whole seconds and the rest in ns
_SUMS = ("mean_pct", "min_pct", "max_pct", "last_pct", "mean_u_pct", "mean_speed_m_s")

# What tells one reading from another, in the order in which `Row` takes it after time.
IDENTITY = ("device", "chain", "rev", "twin", "window_ns", "seq", "seq_high")
ALL = (
    *IDENTITY, "reason", "by_alternation", *_NUMBERS, *_COUNTS,
    *(f"{name}_{part}" for name in _INSTANTS for part in ("s", "rest")),
)  # fmt: skip
ROLLED = ("chain", "readings", "measured", *_SUMS, "speeds", "pulses", "with_u")

_REASONS: Mapping[str | None, NotMeasured | None] = {
    None: None,
    **{str(reason): reason for reason in NotMeasured},
}

Identity = tuple[str, str, int, int]  # drive_id, device_id, t0_ns, seq


@lru_cache(maxsize=10_000)
def tag(text: str | None) -> str:
    """Return a text as the value of a tag; `text_of` gives it back. Raises UnicodeEncodeError where UTF-8 cannot say it."""
    if text is None:
        return NONE
    if text in {"", NONE}:
        return "%" if not text else "%2D"
    text.encode()
    return _NOT_AS_IT_IS.sub(lambda found: f"%{ord(found.group()):02X}", text)


@lru_cache(maxsize=10_000)
def text_of(value: str) -> str | None:
    """Return the text that a tag stands for."""
    if value == NONE:
        return None
    return "" if value == "%" else unquote(value)


def identity_of(reading: Reading) -> Identity:
    """Return what makes a reading the same whatever it says."""
    return reading.drive_id, reading.device_id, reading.t0_ns, reading.seq


def device_tag(device_id: str) -> str:
    """Return the tag of a device; no id is none."""
    return tag(device_id or None)


# Readings


def reading_line(reading: Reading, rev: int, twin: int) -> str:
    """Return the point of a reading. Raises ValueError where a number of it is none."""
    seq_high, seq = divmod(reading.seq, _HIGH)
    fields = [f"window_ns={_number(reading.t_ns - reading.t0_ns)}", f"seq={_number(seq)}"]
    if seq_high:
        fields.append(f"seq_high={_number(seq_high)}")
    if reading.reason is not None:
        fields.append(f'reason="{reading.reason}"')
    if reading.by_alternation:
        fields.append("by_alternation=1.0")
    fields += [
        f"{name}={_number(value, name)}"
        for name, value in zip(_PLAIN, _plain(reading), strict=True)
        if value is not None
    ]
    for name in _INSTANTS:
        value = getattr(reading, name)
        if value is not None:
            seconds, rest = divmod(value, _S)
            fields.append(f"{name}_s={_number(seconds)},{name}_rest={_number(rest)}")
    tags = (
        f"chain={_escaped(tag(reading.chain_id))},device={_escaped(device_tag(reading.device_id))},"
        f"drive={_escaped(tag(reading.drive_id))},rev={rev},twin={twin}"
    )
    return f"{READING},{tags} {','.join(fields)} {reading.t_ns}"


def _number(value: float, name: str = "") -> str:
    if not math.isfinite(value):
        raise ValueError(f"{name} is {value}, which is no number; where nothing is known it must be None")
    return repr(float(value))


@lru_cache(maxsize=10_000)
def _escaped(value: str) -> str:
    return _SPECIAL.sub(lambda found: f"\\{found.group()}", value)


@dataclass(frozen=True, slots=True)
class Row:
    """A point of `reading` as it was read: what tells it from others, and its values after that."""

    identity: Identity
    t_ns: int
    chain: str  # as it stands in the tag
    rev: int
    twin: int
    values: list[Any]  # all columns, time first


def rows_of(drive_id: str, values: Iterable[list[Any]]) -> list[Row]:
    """Return rows whose columns are time, those of IDENTITY, then any others."""
    rows = []
    for each in values:
        t_ns, device, chain, rev, twin, window_ns, seq, seq_high = each[:8]
        seq = int(seq) + int(seq_high or 0) * _HIGH
        identity = drive_id, text_of(device) or "", t_ns - int(window_ns), seq
        rows.append(Row(identity, t_ns, chain, int(rev), int(twin), each))
    return rows


def readings_of(rows: Sequence[Row]) -> list[Reading]:
    """Return the readings of rows whose columns are time and those of ALL."""
    if not rows:
        return []
    columns = dict(zip(("time", *ALL), zip(*(row.values for row in rows), strict=True), strict=True))
    drive_ids, device_ids, t0s_ns, seqs = zip(*(row.identity for row in rows), strict=True)
    by_name: dict[str, Iterable[Any]] = {name: map(_float, columns[name]) for name in _NUMBERS}
    by_name |= {name: map(_int, columns[name]) for name in _COUNTS}
    by_name |= {name: map(_instant, columns[f"{name}_s"], columns[f"{name}_rest"]) for name in _INSTANTS}
    by_name |= {
        "drive_id": drive_ids,
        "device_id": device_ids,
        "t0_ns": t0s_ns,
        "seq": seqs,
        "t_ns": columns["time"],
        "chain_id": map(text_of, columns["chain"]),
        "reason": map(_REASONS.__getitem__, columns["reason"]),
        "by_alternation": map(bool, columns["by_alternation"]),
    }
    return records(Reading, len(rows), [by_name[name] for name in Reading.__dataclass_fields__])


def _float(value: float | None) -> float | None:
    return None if value is None else float(value)


def _int(value: float | None) -> int:
    return int(value or 0)


def _instant(seconds: float | None, rest_ns: float | None) -> int | None:
    return None if seconds is None else int(seconds) * _S + int(rest_ns or 0)


# Roll-ups


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighted:
    """A roll-up with the weights of its means, which longer ones are made by."""

    rolled: RollUp
    speeds: int  # readings that had a speed
    with_u: int  # measured readings with an uncertainty


def roll_up_line(each: Weighted, resolution: Resolution) -> str:
    """Return the point of a roll-up."""
    rolled = each.rolled
    fields = [f"readings={_number(rolled.readings)}", f"measured={_number(rolled.measured)}"]
    fields += [f"speeds={_number(each.speeds)}", f"with_u={_number(each.with_u)}"]
    fields.append(f"pulses={_number(rolled.pulses)}")
    for name in _SUMS:
        value = getattr(rolled, name)
        if value is not None:
            fields.append(f"{name}={_number(value, name)}")
    tags = (
        f"chain={_escaped(tag(rolled.chain_id))},drive={_escaped(tag(rolled.drive_id))},"
        f"resolution={int(resolution)}"
    )
    return f"{ROLL_UP},{tags} {','.join(fields)} {rolled.end_ns}"


def no_roll_up(drive_id: str, chain_id: str | None, end_ns: int) -> Weighted:
    """Return what takes the place of a roll-up that no reading is left of."""
    rolled = RollUp(
        drive_id=drive_id,
        chain_id=chain_id,
        end_ns=end_ns,
        readings=0,
        measured=0,
        mean_pct=None,
        min_pct=None,
        max_pct=None,
        last_pct=None,
        mean_u_pct=None,
        mean_speed_m_s=None,
        pulses=0,
    )
    return Weighted(rolled=rolled, speeds=0, with_u=0)


def weighted_of(drive_id: str, values: Sequence[list[Any]]) -> list[Weighted]:
    """Return the roll-ups of rows whose columns are time and those of ROLLED, but for those over nothing.

    A point that was written anew keeps the fields that the new one has not: what counts says which of them are true.
    """
    made = []
    for row in values:
        end_ns, chain, readings, measured, mean, least, most, last, mean_u, speed, speeds, pulses, with_u = (
            row
        )
        if not readings:
            continue
        known, sure, ran = bool(measured), bool(with_u), bool(speeds)
        rolled = RollUp(
            drive_id=drive_id,
            chain_id=text_of(chain),
            end_ns=end_ns,
            readings=int(readings),
            measured=int(measured),
            mean_pct=_float(mean) if known else None,
            min_pct=_float(least) if known else None,
            max_pct=_float(most) if known else None,
            last_pct=_float(last) if known else None,
            mean_u_pct=_float(mean_u) if sure else None,
            mean_speed_m_s=_float(speed) if ran else None,
            pulses=int(pulses),
        )
        made.append(Weighted(rolled=rolled, speeds=int(speeds), with_u=int(with_u)))
    return made
