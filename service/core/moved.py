"""Whether a forecast has moved so far that somebody should know, and what moved it.

Knows two outlooks on one chain; must not know how they were made. A forecast moves a little with every reading: that is told
of none. The figures are our own.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

SHARE = 0.25  # of the time that was left, by which the middle must move
LEAST_NS = 3 * 86_400 * 10**9  # and by so much at least
DUTY_SHARE = 0.15  # by which the hours a week must differ to be a reason


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """What was told of a chain at one time, and what it rested on.

    p10_ns, p50_ns, p90_ns: None where no such date is told. reached: the limit was. by_hand, epochs: measurements by hand and
    baselines behind it. bend: the factor by which the rate had changed at once, and when; None: it had not.
    """

    chain_id: str
    made_ns: int
    p10_ns: int | None
    p50_ns: int | None
    p90_ns: int | None
    reached: bool = False
    by_hand: int = 0
    epochs: int = 0
    bend: tuple[float, int] | None = None
    hours_a_week: float | None = None


def why_moved(before: Outlook | None, after: Outlook) -> str | None:
    """Return why the date is another than it was; None where it is not, or where the limit is reached (which is told elsewhere).

    It is another where the new middle lies outside of the old interval, or has moved by SHARE of the time that was left.
    """
    if after.reached:
        return None
    if before is None or before.chain_id != after.chain_id:
        return None if after.p50_ns is None else "the first forecast of this chain"
    if after.p50_ns is None or before.p50_ns is None:
        if after.p50_ns == before.p50_ns:
            return None
        return "no date can be told any more" if after.p50_ns is None else "a date can be told now"
    return _reason(before, after) if _is_far(before, after.p50_ns) else None


def _is_far(before: Outlook, now_ns: int) -> bool:
    middle_ns = before.p50_ns or 0
    moved_ns = abs(now_ns - middle_ns)
    early = before.p10_ns or math.inf
    late = before.p90_ns or math.inf
    return moved_ns >= LEAST_NS and (
        not early <= now_ns <= late or moved_ns >= SHARE * (middle_ns - before.made_ns)
    )


def _reason(before: Outlook, after: Outlook) -> str:
    return "; ".join(_reasons(before, after)) or "by the readings since"


def _reasons(before: Outlook, after: Outlook) -> Iterator[str]:
    if after.bend is not None and before.bend is None:
        yield f"it wears {'faster' if after.bend[0] > 1 else 'slower'} by a factor of {after.bend[0]:.2g}"
    if after.by_hand > before.by_hand:
        yield "it was measured by hand"
    elif after.epochs > before.epochs:
        yield "a new baseline was taken"
    old, new = before.hours_a_week, after.hours_a_week
    if old and new and abs(new - old) > DUTY_SHARE * old:
        yield f"the drive runs {new:.3g} h a week, it was {old:.3g} h"
