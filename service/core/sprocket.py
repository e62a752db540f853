"""The sprockets of a drive, what was seen of their teeth, and when new ones are due.

A worn sprocket spoils a new chain: its hooked teeth carry on the last joints only. So sprockets are changed with every second
or third chain, or as soon as an inspection finds them worn (chain makers' advice to users; common practice).
Must not know how worn the chain is.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from service.core.drive import DRIVE_ID, Chain
from service.core.fields import id_problem, instant_problem, refuse, text_problem, whole_problem

DAY_NS = 86_400_000_000_000
CHAINS_INSPECT = 2  # so many chains on one sprocket: look at its teeth with the next change
CHAINS_DUE = 3  # so many: it goes with the chain, unless its teeth were looked at and are good
TEETH_MIN, TEETH_MAX = 5, 400


class Place(StrEnum):
    """What a sprocket does."""

    DRIVER = "driver"
    DRIVEN = "driven"
    IDLER = "idler"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sprocket:
    """One sprocket on a drive, from fitting to removal. `number` 0: not stored yet."""

    drive_id: str
    place: Place
    teeth: int | None = None
    note: str = ""
    fitted_ns: int
    recorded_ns: int
    by: str
    removed_ns: int | None = None
    removed_why: str = ""
    removed_by: str = ""
    number: int = 0

    def __post_init__(self) -> None:
        removed_problem = instant_problem(self.removed_ns, optional=True)
        if removed_problem is None and self.removed_ns is not None and self.removed_ns <= self.fitted_ns:
            removed_problem = "the sprocket came off before it was fitted; check both dates"
        refuse(
            drive_id=id_problem(self.drive_id, DRIVE_ID, "the id of a drive"),
            place=None if isinstance(self.place, Place) else f"give one of {', '.join(Place)}",
            teeth=whole_problem(
                self.teeth, TEETH_MIN, TEETH_MAX, "count the teeth, or leave it empty", optional=True
            ),
            note=text_problem(self.note, lines=True),
            fitted_ns=instant_problem(self.fitted_ns),
            recorded_ns=instant_problem(self.recorded_ns),
            by=text_problem(self.by),
            removed_ns=removed_problem,
            removed_why=text_problem(self.removed_why, lines=True),
            removed_by=text_problem(self.removed_by),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspection:
    """What somebody saw of the teeth of a sprocket. `number` 0: not stored yet."""

    sprocket: int
    inspected_ns: int
    worn: bool
    note: str = ""
    by: str
    recorded_ns: int
    number: int = 0

    def __post_init__(self) -> None:
        refuse(
            sprocket=whole_problem(self.sprocket, 1, 2**53, "give the number of a sprocket"),
            inspected_ns=instant_problem(self.inspected_ns),
            worn=None if isinstance(self.worn, bool) else "say whether the teeth are worn, yes or no",
            note=text_problem(self.note, lines=True),
            by=text_problem(self.by),
            recorded_ns=instant_problem(self.recorded_ns),
        )


class Due(StrEnum):
    """Whether a sprocket goes with the next change of the chain."""

    NO = "no"
    INSPECT = "inspect"  # look at its teeth before the new chain goes on
    YES = "yes"


@dataclass(frozen=True, slots=True, kw_only=True)
class SprocketState:
    """A sprocket that is on, with what is to be done about it. `chains`: so many ran on it, with the one that is on."""

    sprocket: Sprocket
    inspected: Inspection | None  # the newest
    chains: int
    due: Due
    why: str


def sprocket_states(
    sprockets: Iterable[Sprocket], inspections: Sequence[Inspection], chains: Sequence[Chain], now_ns: int
) -> list[SprocketState]:
    """Return the sprockets that are on a drive, each with whether it is due, the most pressing first.

    Worn by its newest inspection: due. From the third chain on it is due, and with the second its teeth are to be looked at;
    either rests where an inspection since the chain now on was fitted found them good. What is not recorded is not known:
    a drive without sprockets on record gives none.

    Args:
        sprockets: of one drive.
        inspections: of any.
        chains: all that were ever on the drive.
        now_ns: the instant.
    """
    states = [
        _state(each, inspections, chains, now_ns)
        for each in sprockets
        if each.fitted_ns <= now_ns and (each.removed_ns is None or each.removed_ns > now_ns)
    ]
    order = [Due.YES, Due.INSPECT, Due.NO]
    return sorted(states, key=lambda each: (order.index(each.due), each.sprocket.place, each.sprocket.number))


def chains_on(sprocket: Sprocket, chains: Iterable[Chain], now_ns: int) -> list[Chain]:
    """Return the chains that ran on a sprocket for more than a day, the first one first."""
    end_ns = min(now_ns, sprocket.removed_ns or now_ns)
    ran = [
        each
        for each in chains
        if min(each.removed_ns or end_ns, end_ns) - max(each.fitted_ns, sprocket.fitted_ns) > DAY_NS
    ]
    return sorted(ran, key=lambda each: each.fitted_ns)


def _state(
    sprocket: Sprocket, inspections: Sequence[Inspection], chains: Sequence[Chain], now_ns: int
) -> SprocketState:
    ran = chains_on(sprocket, chains, now_ns)
    seen = [each for each in inspections if each.sprocket == sprocket.number and each.inspected_ns <= now_ns]
    newest = max(seen, key=lambda each: (each.inspected_ns, each.number), default=None)
    due, why = _due(len(ran), newest, ran[-1].fitted_ns if ran else sprocket.fitted_ns)
    return SprocketState(sprocket=sprocket, inspected=newest, chains=len(ran), due=due, why=why)


def _due(count: int, newest: Inspection | None, since_ns: int) -> tuple[Due, str]:
    if newest is not None and newest.worn:
        return Due.YES, "its teeth were found worn: fit a new one before the next chain"
    if newest is not None and newest.inspected_ns >= since_ns and count >= CHAINS_INSPECT:
        return Due.NO, "its teeth were found good since this chain was fitted"
    if count >= CHAINS_DUE:
        return (
            Due.YES,
            f"{count} chains ran on it: fit a new one with the next chain, or inspect its teeth first",
        )
    if count >= CHAINS_INSPECT:
        return Due.INSPECT, f"{count} chains ran on it: inspect its teeth before the next chain goes on"
    return Due.NO, "one chain ran on it" if count else "no chain has run on it for more than a day"
