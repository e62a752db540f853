"""What there is to do next at a drive, as a table: the first that is true counts, whatever else is."""

from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.core.next_action import Action, NextAction, Situation, next_action

TODAY = date(2026, 9, 10)
SOON, LATER = date(2026, 10, 1), date(2026, 12, 24)
PAST = date(2026, 9, 3)


@pytest.mark.parametrize(
    ("known", "action", "on", "late_days"),
    [
        ({}, Action.NOTHING, None, 0),
        ({"order_by": SOON, "change_on": LATER}, Action.NOTHING, SOON, 0),
        ({"change_on": LATER}, Action.NOTHING, LATER, 0),
        ({"change_on": LATER, "in_stop": True}, Action.CHANGE_IN_STOP, LATER, 0),
        ({"order_by": SOON, "change_on": LATER, "in_stop": True}, Action.NOTHING, SOON, 0),
        ({"order_by": TODAY, "change_on": LATER}, Action.ORDER, TODAY, 0),
        ({"order_by": PAST, "change_on": LATER}, Action.ORDER, PAST, 7),
        ({"has_baseline": False}, Action.SET_BASELINE, None, 0),
        ({"has_baseline": False, "by_hand": True}, Action.NOTHING, None, 0),
        ({"has_baseline": False, "order_by": PAST}, Action.ORDER, PAST, 7),
        ({"may_be_reached": True, "order_by": PAST}, Action.MEASURE_BY_HAND, None, 0),
        ({"touched": True, "may_be_reached": True}, Action.TAKE_BASELINE, None, 0),
        ({"measured": False}, Action.SEND_PULSES, None, 0),
        ({"measured": False, "sensing_failed": True}, Action.MEND_SENSING, None, 0),
        ({"sensing_failed": True, "touched": True, "order_by": PAST}, Action.MEND_SENSING, None, 0),
        ({"measured": False, "by_hand": True}, Action.MEASURE_FIRST, None, 0),
        ({"reached": True, "sensing_failed": True, "touched": True}, Action.CHANGE_NOW, None, 0),
        ({"due_now": True, "order_by": TODAY}, Action.CHANGE_NOW, None, 0),
        ({"has_chain": False, "measured": False}, Action.ENTER_CHAIN, None, 0),
        ({"has_chain": False, "retired": True}, Action.BRING_BACK, None, 0),
    ],
)
def test_the_first_of_the_list_that_is_true_is_to_be_done(
    known: dict[str, Any], action: Action, on: date | None, late_days: int
) -> None:
    assert next_action(Situation(today=TODAY, **known)) == NextAction(
        action=action, on=on, late_days=late_days
    )


FLAGS = (
    "retired", "has_chain", "by_hand", "measured", "reached", "may_be_reached", "due_now", "sensing_failed", "touched",
    "has_baseline", "in_stop",
)  # fmt: skip


@settings(deadline=None)
@given(
    flags=st.fixed_dictionaries({name: st.booleans() for name in FLAGS}),
    order_in=st.none() | st.integers(-400, 400),
    change_in=st.none() | st.integers(0, 400),
)
def test_a_day_to_wait_for_is_never_past_and_a_limit_is_never_waited_with(
    flags: dict[str, bool], order_in: int | None, change_in: int | None
) -> None:
    order_by, change_on = (
        None if days is None else TODAY + timedelta(days) for days in (order_in, change_in)
    )
    known = Situation(today=TODAY, order_by=order_by, change_on=change_on, **flags)
    found = next_action(known)
    if found.action in {Action.NOTHING, Action.CHANGE_IN_STOP} and found.on is not None:
        assert found.on >= TODAY
    if known.has_chain and not known.retired and (known.reached or known.due_now):
        assert found.action is Action.CHANGE_NOW
    assert found.late_days >= 0
