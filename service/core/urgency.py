"""What needs doing first: of each drive the one thing that asks for somebody, and in which order drives are looked at.

Knows limit, alerts, forecast and sensing as facts; must not know words or pages. The order is the one that the board states:

1. the limit is reached: those nobody is on first, then by how far over;
2. an alert that nobody has answered: by priority, then what stands longest;
3. the limit may come before a new chain could be here: by how little time is left, the early end of the forecast less the lead
   time, soonest first; a limit that lies within the uncertainty may have come already, so it counts as now;
4. sensing is out of order, or there is no number yet;
5. the rest: in the same order as 3, then by wear.

Wear is compared in whole per cent of the limit, as it is shown, so that noise does not shuffle the drives.

Source: our own.
"""

import math
from dataclasses import dataclass
from enum import StrEnum

from service.core.setpoint import Priority

S_NS = 1_000_000_000
DAY_S = 86_400
_LAST_S = 999_999_999_999  # what comes never, or is told by nobody, comes after all dates
_PER_CENT_MAX = 9999


class Need(StrEnum):
    """What asks for somebody, the most urgent first."""

    REACHED = "reached"
    UNANSWERED = "unanswered"
    LATE = "late"
    SENSING = "sensing"
    REST = "rest"


NEEDS = tuple(Need)


class Sound(StrEnum):
    """Whether the number of a drive can be gone by, the worst first."""

    FAILED = "failed"  # the sensing is a failure (NE 107)
    DOUBTFUL = "doubtful"  # out of specification
    SILENT = "silent"  # no news for too long
    NEVER = "never"  # nothing was measured yet
    GOOD = "good"


_SOUND = tuple(Sound)


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What is known of one drive for this.

    used: elongation by limit, a ratio; None without a number. reached, may_be_reached: it is at the limit; the limit lies
    within its uncertainty. unanswered: the highest priority of the alerts that nobody has answered, and since when the
    oldest of these stands. early_ns: P10 of the forecast. lead_days: from order to the chain being here.
    is_answered: somebody is on what stands, or works on the drive.
    """

    drive_id: str
    used: float | None = None
    reached: bool = False
    may_be_reached: bool = False
    unanswered: Priority | None = None
    unanswered_since_ns: int = 0
    early_ns: int | None = None
    lead_days: float
    sound: Sound = Sound.GOOD
    is_answered: bool = False


def need_of(drive: Standing, now_ns: int) -> Need:
    """Return what asks for somebody."""
    if drive.reached:
        return Need.REACHED
    if drive.unanswered is not None:
        return Need.UNANSWERED
    if drive.may_be_reached or spare_s(drive, now_ns) <= 0:
        return Need.LATE
    return Need.REST if drive.sound is Sound.GOOD else Need.SENSING


def spare_s(drive: Standing, now_ns: int) -> float:
    """Return the time left for ordering, seconds: the early end of the forecast less now and the lead time; inf without one."""
    if drive.early_ns is None:
        return math.inf
    return (drive.early_ns - now_ns) / S_NS - drive.lead_days * DAY_S


def rank(drive: Standing, now_ns: int) -> str:
    """Return what drives are sorted by: texts of one length, compared character by character, and then the id."""
    need = need_of(drive, now_ns)
    worn = _PER_CENT_MAX - min(max(math.floor(100 * (drive.used or 0.0)), 0), _PER_CENT_MAX)
    match need:
        case Need.REACHED:
            first = int(drive.is_answered and drive.unanswered is None)
        case Need.UNANSWERED:
            oldest_s = min(max(drive.unanswered_since_ns // S_NS, 0), _LAST_S // 10)
            first = (9 - (drive.unanswered or Priority.LOW)) * (_LAST_S // 10 + 1) + oldest_s
        case Need.LATE:
            first = 0 if drive.may_be_reached else _order_by_s(drive)
        case Need.SENSING:
            first = _SOUND.index(drive.sound)
        case _:
            first = _order_by_s(drive)
    return f"{NEEDS.index(need)}{first:012d}{worn:04d} {drive.drive_id}"


def _order_by_s(drive: Standing) -> int:
    """The last instant to order at, seconds since 1970; past all of them where there is no forecast."""
    if drive.early_ns is None:
        return _LAST_S
    return min(max(drive.early_ns // S_NS - round(drive.lead_days * DAY_S), 1), _LAST_S - 1)
