"""Work in hand on a drive, and notes that people leave for each other.

Knows who says what of which drive since when; must not know alerts or shifts.
"""

from dataclasses import dataclass
from enum import StrEnum

from service.core.drive import DRIVE_ID
from service.core.fields import id_problem, instant_problem, refuse, text_problem


class WorkKind(StrEnum):
    """What is being done to a drive."""

    COMMISSIONING = "commissioning"
    INSPECTION = "inspection"
    REPAIR = "repair"
    LOCKED_OUT = "locked_out"  # it must not run: a lock and a tag hang on it
    SIMULATION = "simulation"  # its readings are made up
    OTHER = "other"


# While these are open, readings are no witness of the drive: NE 107 function check.
COMMISSIONING_KINDS = frozenset({WorkKind.COMMISSIONING})
SIMULATION_KINDS = frozenset({WorkKind.SIMULATION})


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """Something that somebody does to a drive, from `since_ns` until it is closed. `work_id` 0: not stored yet."""

    drive_id: str
    kind: WorkKind
    since_ns: int
    by: str
    why: str
    work_order: str = ""
    recorded_ns: int
    closed_ns: int | None = None  # since when it is done
    closed_by: str = ""
    closed_why: str = ""  # what came of it
    closed_recorded_ns: int | None = None
    work_id: int = 0

    def __post_init__(self) -> None:
        refuse(
            drive_id=id_problem(self.drive_id, DRIVE_ID, "the id of a drive"),
            kind=None if isinstance(self.kind, WorkKind) else f"give one of {', '.join(WorkKind)}",
            since_ns=instant_problem(self.since_ns),
            by=text_problem(self.by),
            why=text_problem(self.why, lines=True) or (None if self.why else "say what is being done"),
            work_order=text_problem(self.work_order),
            recorded_ns=instant_problem(self.recorded_ns),
            closed_ns=_closed_problem(self),
            closed_by=text_problem(self.closed_by),
            closed_why=text_problem(self.closed_why, lines=True),
        )

    @property
    def is_open(self) -> bool:
        """Whether it goes on."""
        return self.closed_ns is None

    def open_at(self, t_ns: int) -> bool:
        """Whether it was known by an instant to be going on: begun, and not yet recorded as done."""
        closed = self.closed_recorded_ns is not None and self.closed_recorded_ns <= t_ns
        return self.recorded_ns <= t_ns and not closed


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """What somebody wants others to know of a site, or of one drive of it. `number` 0: not stored yet."""

    site: str
    drive_id: str = ""  # "": of the site
    text: str
    true_ns: int  # what it is about was so then
    recorded_ns: int
    by: str
    number: int = 0

    def __post_init__(self) -> None:
        refuse(
            site=text_problem(self.site),
            drive_id=id_problem(self.drive_id, DRIVE_ID, "the id of a drive") if self.drive_id else None,
            text=text_problem(self.text, lines=True) or (None if self.text else "write something"),
            true_ns=instant_problem(self.true_ns),
            recorded_ns=instant_problem(self.recorded_ns),
            by=text_problem(self.by),
        )


def _closed_problem(work: Work) -> str | None:
    problem = instant_problem(work.closed_ns, optional=True)
    if problem is None and work.closed_ns is not None and work.closed_ns < work.since_ns:
        problem = "it was done before it was begun; check both times"
    return problem
