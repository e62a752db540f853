"""What was typed into the phone's form for measuring by hand, as what the door takes.

The twin of static/check-entry.js, which reads the same form where there are scripts; a test holds both to each other.
Knows texts and units; must not know what a length says of a chain.
"""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

MM_PER_INCH = 25.4
PLACES = ("length_1", "length_2", "length_3")
METHODS = ("rule", "tape", "calliper")
_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)", re.ASCII)
_FRACTION = re.compile(r"(?:(\d+)[ -]+)?(\d+)/(\d+)", re.ASCII)

# What is wrong with a field, in words.
WRONG = {
    "needed": "Fill this in.",
    "number": "This is not a number.",
    "count": "Give a whole number, from 1 on.",
    "length": "This is not a length: give it like 617.5 or, in inches, like 24 5/16.",
    "method": "Say what it was measured with.",
    "tight": "Say whether the chain was drawn tight: a slack one gives no number to rely on.",
}


@dataclass(frozen=True, slots=True)
class Typed:
    """`body`: what the API takes, under its names. `wrong`: field to a key of WRONG."""

    body: dict[str, Any]
    wrong: dict[str, str]


def number_of(text: str) -> float:
    """Return a number with a decimal point or comma; NaN for what is none."""
    plain = text.strip().replace("\N{MINUS SIGN}", "-", 1)
    return float(plain.replace(",", ".")) if _NUMBER.fullmatch(plain) else math.nan


def length_mm_of(text: str, unit: str) -> float:
    """Return a length in mm; of inches also as 24 5/16. NaN for what is none."""
    if unit != "inch":
        return number_of(text)
    fraction = _FRACTION.fullmatch(text.strip())
    if fraction is None:
        return number_of(text) * MM_PER_INCH
    whole, over, under = (float(part or 0) for part in fraction.groups())
    return (whole + over / under) * MM_PER_INCH if under > 0 else math.nan


def measurement_of(typed: Mapping[str, str]) -> Typed:
    """Return what was typed: the largest length counts, the others go into the note."""
    given = {name: text.strip() for name, text in typed.items()}
    body: dict[str, Any] = {}
    wrong: dict[str, str] = {}
    _choices(given, body, wrong)
    notes = [given.get("note", "").replace("\r\n", "\n"), *_lengths(given, body, wrong)]
    warm = given.get("temp_c", "")
    if warm and math.isnan(number_of(warm)):
        wrong["temp_c"] = "number"
    else:
        body["temp_c"] = number_of(warm) if warm else None
    body["cranked"] = bool(given.get("cranked"))
    body["counted_again"] = bool(given.get("counted_again"))
    body["note"] = "\n".join(part for part in notes if part)
    return Typed(body, wrong)


def _choices(given: Mapping[str, str], body: dict[str, Any], wrong: dict[str, str]) -> None:
    if (method := given.get("method", "")) in METHODS:
        body["method"] = method
    else:
        wrong["method"] = "method"
    count = number_of(given.get("pitches", ""))
    if count > 0 and count.is_integer():
        body["pitches"] = int(count)
    else:
        wrong["pitches"] = "count" if given.get("pitches") else "needed"
    if (tight := given.get("tight", "")) in {"yes", "no"}:
        body["tight"] = tight == "yes"
    else:
        wrong["tight"] = "tight"


def _lengths(given: Mapping[str, str], body: dict[str, Any], wrong: dict[str, str]) -> list[str]:
    """Put the lengths into the body; return what the note says of them."""
    by_calliper, unit = given.get("method") == "calliper", given.get("unit", "")
    names = ("outside", "inside") if by_calliper else PLACES
    read: dict[str, float] = {}
    for name in names:
        text = given.get(name, "")
        length_mm = length_mm_of(text, unit)
        if text and length_mm > 0:
            read[name] = length_mm
        elif text:
            wrong[name] = "length"
        elif by_calliper or name == "length_1":
            wrong[name] = "needed"
    notes = []
    if by_calliper:
        body |= {f"{name}_mm": length_mm for name, length_mm in read.items()}
    elif read:
        first, *others = sorted(read, key=lambda name: -read[name])
        body["length_mm"] = read[first]
        if others:
            told = "; ".join(given[name] for name in others)
            notes.append(f"Other places: {told} {'in' if unit == 'inch' else 'mm'}")
    if unit == "inch":
        notes.append(f"Read in inches: {'; '.join(given[name] for name in names if given.get(name))}")
    return notes
