"""What there is to do next at a drive: gathers what is known of it for `next_action`, and tells its page.

Must not know how it is said (`next_action.html`).
"""

from typing import Any

from service.adapters.web import words
from service.adapters.web.board import DriveState
from service.adapters.web.parts import Parts
from service.core.commission import begun_anew_ns
from service.core.drive import baseline_at
from service.core.health import Status
from service.core.next_action import NextAction, Situation, next_action
from service.core.replacement import Answer, Change, day_of, day_words


def of_drive(parts: Parts, state: DriveState, now_ns: int) -> dict[str, Any]:
    """Return what a drive's page says: the action, and its day in words; the name of the stop where there is one."""
    change = _change(parts, state, now_ns)
    found = _next(parts, state, change, now_ns)
    return {
        "next_action": found,
        "next_day": day_words(found.on) if found.on is not None else "",
        "next_stop": change.stop.name if change is not None and change.stop is not None else "",
    }


def _change(parts: Parts, state: DriveState, now_ns: int) -> Change | None:
    if state.chain is None or state.drive.retired_ns is not None:
        return None
    return parts.plan_changes.change_of(state.drive.drive_id, now_ns=now_ns)


def _next(parts: Parts, state: DriveState, change: Change | None, now_ns: int) -> NextAction:
    baseline = baseline_at(parts.register.baselines(state.chain.chain_id), now_ns) if state.chain else None
    zone = parts.plan_changes.zone_of(state.drive.site)
    by_hand = state.drive.whole_pitches is None and state.reading is None
    return next_action(
        Situation(
            today=day_of(now_ns, zone),
            retired=state.drive.retired_ns is not None,
            has_chain=state.chain is not None,
            by_hand=by_hand,
            measured=state.known is not None,
            reached=state.verdict is words.Verdict.REACHED,
            may_be_reached=state.verdict is words.Verdict.WITHIN_UNCERTAINTY,
            due_now=change is not None and change.answer is Answer.NOW,
            sensing_failed=state.health is not None and state.health.status is Status.FAILURE,
            touched=not by_hand and begun_anew_ns(state.drive.note, baseline) is not None,
            has_baseline=baseline is not None,
            order_by=change.order_by if change is not None else None,
            change_on=change.needed_on if change is not None else None,
            in_stop=change is not None and change.stop is not None,
        )
    )
