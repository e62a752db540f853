"""What there is to do next at one drive: the first of a list that is true, and until when there is nothing to do.

Knows facts about one drive; must not know where they are kept, nor how it is said. The list, first come first: no chain; limit
reached; nobody measures; sensing failed; a bracket was touched; the limit may be reached; time to order; no baseline; change in a
stop; nothing.
"""

from dataclasses import dataclass
from datetime import date
from enum import StrEnum


class Action(StrEnum):
    """What to do."""

    BRING_BACK = "bring_back"  # it is retired: nothing, unless it runs again
    ENTER_CHAIN = "enter_chain"
    CHANGE_NOW = "change_now"  # the limit is reached, or the risk taken is passed
    MEND_SENSING = "mend_sensing"
    TAKE_BASELINE = "take_baseline"  # a bracket was touched
    MEASURE_BY_HAND = "measure_by_hand"  # the limit lies within the uncertainty
    MEASURE_FIRST = "measure_first"  # a drive without sensors that was never measured
    SEND_PULSES = "send_pulses"  # sensors are registered, and no number ever came
    ORDER = "order"
    SET_BASELINE = "set_baseline"  # there was never one
    CHANGE_IN_STOP = "change_in_stop"
    NOTHING = "nothing"


@dataclass(frozen=True, slots=True, kw_only=True)
class Situation:
    """What is known of a drive.

    by_hand: it has no sensors. measured: it has an elongation, from wherever. reached, may_be_reached: the elongation is at the limit;
    it is below, and the limit lies within its uncertainty. due_now: the chance of having reached it is the risk taken already.
    touched: a bracket was touched since the baseline. order_by, change_on: days; change_on that of the stop, where there is one to
    use (in_stop), else the last day. None: no forecast, or no lead time is set.
    """

    today: date
    retired: bool = False
    has_chain: bool = True
    by_hand: bool = False
    measured: bool = True
    reached: bool = False
    may_be_reached: bool = False
    due_now: bool = False
    sensing_failed: bool = False
    touched: bool = False
    has_baseline: bool = True
    order_by: date | None = None
    change_on: date | None = None
    in_stop: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class NextAction:
    """What to do, by when (on: a day; None where no day belongs to it), and by how many days it is late.

    Of NOTHING, `on` is the day until which it holds; None: no day can be told.
    """

    action: Action
    on: date | None = None
    late_days: int = 0


def next_action(known: Situation) -> NextAction:
    """Return what there is to do next."""
    today = known.today
    at_once = _at_once(known)
    if at_once is not None:
        return NextAction(action=at_once)
    if known.order_by is not None and known.order_by <= today:
        return NextAction(action=Action.ORDER, on=known.order_by, late_days=(today - known.order_by).days)
    if not known.by_hand and not known.has_baseline:
        return NextAction(action=Action.SET_BASELINE)
    if known.in_stop and known.change_on is not None and known.order_by is None:
        return NextAction(action=Action.CHANGE_IN_STOP, on=known.change_on)
    return NextAction(action=Action.NOTHING, on=known.order_by or known.change_on)


def _at_once(known: Situation) -> Action | None:
    """What no day is waited for with."""
    steps = (
        (known.retired, Action.BRING_BACK),
        (not known.has_chain, Action.ENTER_CHAIN),
        (known.reached or known.due_now, Action.CHANGE_NOW),
        (not known.measured and known.by_hand, Action.MEASURE_FIRST),
        (known.sensing_failed, Action.MEND_SENSING),
        (not known.measured, Action.SEND_PULSES),
        (known.touched, Action.TAKE_BASELINE),
        (known.may_be_reached, Action.MEASURE_BY_HAND),
    )
    return next((action for holds, action in steps if holds), None)
