"""What a field of the register may hold: ids, texts, numbers, instants; and the error that says so of all fields at once.

Each `..._problem` returns what is wrong with a value and what would mend it, or None. It takes any value at all,
because what comes from a file, a form or a database may be of any type. Must not know what the fields mean.
"""

import re
import unicodedata
from collections.abc import Mapping

LINE_CHARS_MAX = 200
NOTE_CHARS_MAX = 4000
INSTANT_NS_MAX = 2**63 - 1
KEY_CHARS_MAX = 200


class FieldsRefusedError(ValueError):
    """What was given cannot be. `problems` holds for each field what is wrong with it and what would mend it."""

    def __init__(self, problems: Mapping[str, str]) -> None:
        super().__init__("; ".join(f"{field}: {problem}" for field, problem in problems.items()))
        self.problems = dict(problems)


def refuse(**problems: str | None) -> None:
    """Raise FieldsRefusedError with those fields that have a problem; return if none has."""
    found = {field: problem for field, problem in problems.items() if problem is not None}
    if found:
        raise FieldsRefusedError(found)


def id_problem(value: object, pattern: re.Pattern[str], fix: str) -> str | None:
    """Return what is wrong with an id: it must match the whole pattern; `fix` says that in words."""
    if isinstance(value, str) and pattern.fullmatch(value):
        return None
    return f"{_shown(value)} is no id; use {fix}"


def text_problem(value: object, *, lines: bool = False) -> str | None:
    """Return what is wrong with a text: white space at its ends, control characters, too long.

    Args:
        value: what was given.
        lines: whether it may have several lines (a note) or only one (a name).
    """
    if not isinstance(value, str):
        return f"{_shown(value)} is no text"
    chars_max = NOTE_CHARS_MAX if lines else LINE_CHARS_MAX
    if len(value) > chars_max:
        return f"{len(value)} characters are too many; shorten it to {chars_max}"
    if value != value.strip():
        return f"{_shown(value)} begins or ends with white space; take it off"
    allowed = "\n\r\t" if lines else ""
    if any(unicodedata.category(char) in {"Cc", "Cs", "Zl", "Zp"} and char not in allowed for char in value):
        return f"{_shown(value)} holds control characters{'' if lines else ' or line ends'}; take them out"
    return None


def whole_problem(value: object, least: int, most: int, fix: str, *, optional: bool = False) -> str | None:
    """Return what is wrong with a whole number within `least` to `most`; None is right where `optional`."""
    if optional and value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int):
        return f"{_shown(value)} is no whole number; {fix}"
    return None if least <= value <= most else f"{_shown(value)} is not within {least} to {most}; {fix}"


def number_problem(
    value: object, least: float, most: float, fix: str, *, optional: bool = False
) -> str | None:
    """Return what is wrong with a number within `least` to `most`; None is right where `optional`."""
    if optional and value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        return f"{_shown(value)} is no number; {fix}"
    return None if least <= value <= most else f"{_shown(value)} is not within {least:g} to {most:g}; {fix}"


def flag_problem(value: object) -> str | None:
    """Return what is wrong with a yes or no."""
    return None if isinstance(value, bool) else f"{_shown(value)} is neither true nor false"


def instant_problem(value: object, *, optional: bool = False) -> str | None:
    """Return what is wrong with an instant in nanoseconds since 1970; None is right where `optional`."""
    return whole_problem(value, 0, INSTANT_NS_MAX, "give nanoseconds since 1970, UTC", optional=optional)


def key_problem(value: object, *, optional: bool = False) -> str | None:
    """Return what is wrong with a client's own name for what it asks for, by which asking again does it once."""
    if optional and value is None:
        return None
    if isinstance(value, str) and 0 < len(value) <= KEY_CHARS_MAX and value.isascii() and value.isprintable():
        return None
    return f"use 1 to {KEY_CHARS_MAX} printable characters of ASCII, such as a UUID"


def _shown(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."
