"""The payload of a refused message as people can look at it: field by field where it is JSON or CBOR, else as bytes.

Reads what the wire contract allows and more, for what is shown was refused; decides nothing. Bounded: a row of numbers is told
by its ends, a long text is cut.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from service.core.cbor import Tagged, read_map, typed_array, typed_array_name
from service.core.wire import MENDS

FIELDS_MAX = 60
TEXT_CHARS_MAX = 200
ENDS = 3  # numbers shown from either end of a row
DEPTH_MAX = 4  # rows within rows whose numbers are shown


@dataclass(frozen=True, slots=True)
class ShownField:
    """One field of a payload: its name, its value in words, and what the contract wants of it; "" where it knows no such field."""

    name: str
    text: str
    wanted: str


@dataclass(frozen=True, slots=True)
class Content:
    """What a payload holds. form: "JSON" or "CBOR". more: so many fields are not shown."""

    form: str
    fields: Sequence[ShownField]
    more: int = 0


def content_of(payload: bytes) -> Content | None:
    """Return the fields of a payload, None where it is no whole JSON object or CBOR map."""
    for form, read in (("JSON", _json), ("CBOR", _cbor)):
        found = read(payload)
        if found is not None:
            fields = [
                ShownField(_text(name), _text(value), MENDS.get(str(name), ""))
                for name, value in found.items()
            ]
            return Content(form, fields[:FIELDS_MAX], max(0, len(fields) - FIELDS_MAX))
    return None


def _json(payload: bytes) -> dict[Any, Any] | None:
    try:
        found = json.loads(payload)
    except (ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) else None


def _cbor(payload: bytes) -> dict[Any, Any] | None:
    try:
        return read_map(payload)
    except (ValueError, RecursionError):
        return None


def _text(value: Any, depth: int = DEPTH_MAX) -> str:
    """Return a value in words, bounded in length and in depth."""
    if isinstance(value, Tagged | list | tuple):
        if depth == 0:
            return "..."
        return _tagged(value, depth) if isinstance(value, Tagged) else _row(list(value), depth)
    if isinstance(value, bytes):
        return f"{len(value)} bytes: {value[:16].hex(' ')}{' ...' if len(value) > 16 else ''}"
    if isinstance(value, float | int | bool | None):
        return json.dumps(value)
    return _cut(value if isinstance(value, str) else _of_map(value))


def _of_map(value: Any) -> str:
    try:
        return repr(value)
    except RecursionError:
        return "..."


def _cut(text: str) -> str:
    return text if len(text) <= TEXT_CHARS_MAX else f"{text[:TEXT_CHARS_MAX]}..."


def _tagged(value: Tagged, depth: int) -> str:
    try:
        return f"{_row(typed_array(value).tolist(), depth)} ({typed_array_name(value.tag)})"
    except ValueError:
        return f"tag {value.tag}: {_text(value.value, depth - 1)}"


def _row(values: list[Any], depth: int) -> str:
    shown = values if len(values) <= 2 * ENDS + 1 else [*values[:ENDS], *values[-ENDS:]]
    texts = [_text(each, depth - 1) for each in shown]
    if len(shown) == len(values):
        return f"{len(values)}: " + ", ".join(texts) if values else "none"
    ends = [*texts[:ENDS], "...", *texts[ENDS:]]
    return f"{len(values)}: {', '.join(ends)}"
