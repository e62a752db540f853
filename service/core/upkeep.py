"""What was done to a drive that may change how fast its chain wears: lubrication above all.

Knows who did what to which drive when; must not know wear, nor what came of it (`influence`).
"""

from dataclasses import dataclass
from enum import StrEnum

from service.core.drive import DRIVE_ID
from service.core.fields import id_problem, instant_problem, refuse, text_problem


class UpkeepKind(StrEnum):
    """What was done."""

    LUBRICATED = "lubricated"  # with what it always gets
    LUBRICANT_CHANGED = "lubricant_changed"  # another one from then on
    METHOD_CHANGED = "method_changed"  # by hand, by drip, by bath, by pump from then on
    CLEANED = "cleaned"
    TENSION_SET = "tension_set"
    OTHER = "other"


# From these on a drive is another one: the chains before and after them can be held against each other.
LASTING = (UpkeepKind.LUBRICANT_CHANGED, UpkeepKind.METHOD_CHANGED)


@dataclass(frozen=True, slots=True, kw_only=True)
class Upkeep:
    """One thing that was done. `number` 0: not stored yet. `struck_ns`: when it was said to have been entered in error."""

    drive_id: str
    kind: UpkeepKind
    at_ns: int
    lubricant: str = ""
    note: str = ""
    by: str
    recorded_ns: int
    struck_ns: int | None = None
    struck_by: str = ""
    number: int = 0

    def __post_init__(self) -> None:
        refuse(
            drive_id=id_problem(self.drive_id, DRIVE_ID, "the id of a drive"),
            kind=None if isinstance(self.kind, UpkeepKind) else f"give one of {', '.join(UpkeepKind)}",
            at_ns=instant_problem(self.at_ns),
            lubricant=_lubricant_problem(self),
            note=text_problem(self.note, lines=True) or _note_problem(self),
            by=text_problem(self.by),
            recorded_ns=instant_problem(self.recorded_ns),
            struck_ns=instant_problem(self.struck_ns, optional=True),
            struck_by=text_problem(self.struck_by),
        )

    @property
    def counts(self) -> bool:
        """Whether it was not struck."""
        return self.struck_ns is None


def _lubricant_problem(upkeep: Upkeep) -> str | None:
    if upkeep.kind is UpkeepKind.LUBRICANT_CHANGED and upkeep.lubricant == "":
        return "say which lubricant it gets from now on"
    return text_problem(upkeep.lubricant)


def _note_problem(upkeep: Upkeep) -> str | None:
    if upkeep.kind in {UpkeepKind.OTHER, UpkeepKind.METHOD_CHANGED} and upkeep.note == "":
        return "say what was done"
    return None
