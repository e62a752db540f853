"""Rows to frozen records, many at once. Knows slotted dataclasses; must not know which."""

from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import fields
from itertools import repeat
from typing import Any, TypeVar

Record = TypeVar("Record")


def records(of: type[Record], count: int, columns: Sequence[Iterable[Any]]) -> list[Record]:
    """Return `count` records whose fields, in order, are taken from `columns`, each `count` long.

    Field by field over all records in place of record by record through the constructor: a day of readings takes half
    the time, and a page waits for it. The constructor's checks are left out: what is stored passed them when it was
    made, and must still be shown after they have become stricter. `of` is a dataclass with slots.
    """
    names = [field.name for field in fields(of)]  # type: ignore[arg-type]
    made = [object.__new__(of) for _ in repeat(None, count)]
    for name, column in zip(names, columns, strict=True):
        deque(map(getattr(of, name).__set__, made, column), maxlen=0)  # nothing is kept: only run to the end
    return made
