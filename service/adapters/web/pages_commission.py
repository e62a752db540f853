"""Pages for setting up the sensors of a drive, and for what it teaches about itself.

The steps are drawn by the server and drawn anew every two seconds by `static/commission.js`; without scripts, reload.
A form posts and is answered with a redirect, or comes back with what was typed and what is wrong beside each
field. All that is done goes through the door `set_up`.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from service.adapters.web import forms
from service.adapters.web.allowed import needs
from service.adapters.web.instants import instant_ns, length_ns, rfc3339
from service.adapters.web.pages_forms import Collected, TypedDep, Wrong
from service.adapters.web.parts import Parts, PartsDep
from service.adapters.web.templating import render
from service.core.commission import Commissioning, Start, Step, StepId, StepState
from service.core.fields import FieldsRefusedError
from service.core.learn import DelayFit, NotLearnt, StrainFit
from service.core.people import Role
from service.set_up import E0, SetUpState

router = APIRouter()

LEARN_SPANS = {"7d": "a week", "30d": "30 days", "1y": "a year"}
LEARN_DEFAULT = "30d"

BY = forms.Field("by", "By whom", help="Your name; it is kept", needed=True)
BASELINE_FIELDS = (
    forms.Field("elongation_pct", "The value", forms.Kind.NUMBER, "%", "Against nominal pitch"),
    forms.Field("elongation_u_pct", "Its standard uncertainty", forms.Kind.NUMBER, "%"),
    forms.Field("why", "Why", help="New chain fitted, sensors mounted, gap set anew ...", needed=True),
    BY,
)
APPLY_FIELDS = (forms.Field("why", "Why", help="How it was found, what it is for", needed=True), BY)
TOUCH_FIELDS = (
    forms.Field(
        "why", "What was done", help="Sensor changed, gap set anew, bracket tightened ...", needed=True
    ),
    BY,
)
STATE_WORDS = {
    StepState.WAITING: "waiting",
    StepState.PASSED: "passed",
    StepState.FAILED: "failed",
    StepState.NOT_NEEDED: "not needed",
}
E0_WORDS = {
    E0.NEW: "A new chain",
    E0.HAND: "Measured by hand",
    E0.LAST: "As it was last",
    E0.VALUE: "A value of your own",
}
NOT_LEARNT_WORDS = {
    NotLearnt.TOO_FEW: "There are too few readings yet.",
    NotLearnt.ONE_SPEED: "They are of one speed only; a fifth apart would do.",
    NotLearnt.ONE_LOAD: "They are of one load only.",
}


@dataclass(frozen=True, slots=True)
class Asked:
    """What the page goes by: batches since when, and the speed of the shaft, as typed."""

    since: str = ""
    shaft: str = ""

    @property
    def query(self) -> str:
        """The same as the query of an address, with its question mark; "" where nothing is asked."""
        given = {name: text for name, text in (("since", self.since), ("shaft", self.shaft)) if text}
        return f"?{urlencode(given)}" if given else ""


@router.get("/drives/{drive_id}/commission", response_class=HTMLResponse)
def commission_page(
    request: Request,
    parts: PartsDep,
    drive_id: str,
    since: Annotated[str, Query(max_length=40)] = "",
    shaft: Annotated[str, Query(max_length=20)] = "",
) -> HTMLResponse:
    """The steps, and the forms for what is done at the end of them."""
    return _page(request, parts, drive_id, Asked(since, shaft.strip()))


@router.post(
    "/drives/{drive_id}/commission/baseline", response_class=HTMLResponse, dependencies=[needs(Role.ENGINEER)]
)
def take_baseline(request: Request, parts: PartsDep, drive_id: str, typed: TypedDep) -> Response:
    """Record the baseline that the steps propose."""
    asked, wrong = _asked(typed), Wrong()
    values, bad = forms.values_of(BASELINE_FIELDS, typed, "base-")
    wrong.fields |= bad
    with Collected(wrong, {}, "base-"):
        since_ns, shaft = _known(asked)
        e0 = _e0(typed, values)
        if not wrong:
            parts.set_up.record_baseline(
                drive_id, e0=e0, why=values["why"], by=values["by"], since_ns=since_ns, shaft_rev_per_min=shaft,
                at_ns=parts.now_ns(),
            )  # fmt: skip
            return _to_steps(drive_id, asked)
    return _page(request, parts, drive_id, asked, typed, wrong)


@router.post(
    "/drives/{drive_id}/commission/delay", response_class=HTMLResponse, dependencies=[needs(Role.ENGINEER)]
)
def apply_delay(request: Request, parts: PartsDep, drive_id: str, typed: TypedDep) -> Response:
    """Have the switching delay that was found taken off."""
    asked, wrong = _asked(typed), Wrong()
    values, bad = forms.values_of(APPLY_FIELDS, typed, "delay-")
    wrong.fields |= bad
    with Collected(wrong, {}, "delay-"):
        since_ns, _ = _known(asked)
        if not wrong:
            parts.set_up.apply_delay(drive_id, **values, since_ns=since_ns, at_ns=parts.now_ns())
            return _to_steps(drive_id, asked)
    return _page(request, parts, drive_id, asked, typed, wrong)


@router.post(
    "/drives/{drive_id}/commission/touched", response_class=HTMLResponse, dependencies=[needs(Role.ENGINEER)]
)
def bracket_touched(request: Request, parts: PartsDep, drive_id: str, typed: TypedDep) -> Response:
    """Note that a bracket was touched."""
    asked, wrong = _asked(typed), Wrong()
    values, bad = forms.values_of(TOUCH_FIELDS, typed, "touch-")
    wrong.fields |= bad
    if not wrong:
        with Collected(wrong, {}, "touch-"):
            parts.set_up.note_bracket_touched(drive_id, **values, at_ns=parts.now_ns())
            return _to_steps(drive_id, Asked(shaft=asked.shaft))
    return _page(request, parts, drive_id, asked, typed, wrong)


def _asked(typed: Mapping[str, str]) -> Asked:
    return Asked(typed.get("since", "")[:40], typed.get("shaft", "")[:20].strip())


def _known(asked: Asked) -> tuple[int | None, float | None]:
    """The instant and the speed of the shaft that were typed. Raises FieldsRefusedError."""
    try:
        since_ns = instant_ns(asked.since) if asked.since else None
    except ValueError as error:
        raise FieldsRefusedError({"since": str(error)}) from None
    try:
        shaft = float(asked.shaft.replace(",", ".")) if asked.shaft else None
    except ValueError:
        raise FieldsRefusedError({"shaft": f"{asked.shaft!r} is no number of revolutions a minute"}) from None
    return since_ns, shaft


def _e0(typed: Mapping[str, str], values: Mapping[str, float | str]) -> E0 | Start:
    """Where e0 comes from, or what it is. Raises FieldsRefusedError."""
    chosen = typed.get("base-e0", "")
    if chosen not in set(E0):
        raise FieldsRefusedError({"e0": "say what the elongation of the chain is now"})
    if chosen != E0.VALUE:
        return E0(chosen)
    pct, u_pct = values.get("elongation_pct"), values.get("elongation_u_pct")
    if not isinstance(pct, float) or not isinstance(u_pct, float):
        raise FieldsRefusedError({"elongation_pct": "give the value and its standard uncertainty"})
    return Start(elongation_pct=pct, u_pct=u_pct, words="as stated")


def _to_steps(drive_id: str, asked: Asked) -> RedirectResponse:
    return RedirectResponse(f"/drives/{quote(drive_id)}/commission{asked.query}#steps", 303)


def _page(
    request: Request,
    parts: Parts,
    drive_id: str,
    asked: Asked,
    typed: Mapping[str, str] | None = None,
    wrong: Wrong | None = None,
) -> HTMLResponse:
    now_ns, wrong = parts.now_ns(), wrong or Wrong()
    state, refused = _state(parts, drive_id, asked, now_ns)
    wrong.fields |= refused
    found = state.commissioning
    values = {
        "state": parts.board.state(drive_id, now_ns),
        "set_up": state,
        "steps": found.steps,
        "summary": summary(found),
        "fit": found.delay if isinstance(found.delay, DelayFit) else None,
        "asked": asked,
        "again": Asked(rfc3339(now_ns, 0), asked.shaft).query,
        "typed": typed or {},
        "wrong": wrong,
        "baseline_fields": BASELINE_FIELDS,
        "apply_fields": APPLY_FIELDS,
        "touch_fields": TOUCH_FIELDS,
        "state_words": STATE_WORDS,
        "e0_words": E0_WORDS,
        "e0_chosen": (typed or {}).get("base-e0") or state.e0.value,
    }
    return render(request, "commission.html", values, status=422 if wrong else 200, now_ns=now_ns)


def _state(parts: Parts, drive_id: str, asked: Asked, now_ns: int) -> tuple[SetUpState, dict[str, str]]:
    """How far the drive is; what was typed wrongly is left out and told."""
    try:
        since_ns, shaft = _known(asked)
        return parts.set_up.state(drive_id, at_ns=now_ns, since_ns=since_ns, shaft_rev_per_min=shaft), {}
    except FieldsRefusedError as error:
        names = {"shaft_rev_per_min": "shaft"}
        told = {names.get(name, name): said for name, said in error.problems.items()}
        return parts.set_up.state(drive_id, at_ns=now_ns), told


def summary(found: Commissioning) -> tuple[str, str]:
    """Return in one line where the drive stands, as (kind, sentence)."""
    failed = [each for each in found.steps if each.state is StepState.FAILED]
    if failed:
        return "failed", f"To be mended: {_titles(failed)}."
    last = found.step(StepId.BASELINE)
    if last.state is StepState.PASSED and not any(each.stands_in_the_way for each in found.steps):
        return "passed", "All that the baseline needs has passed, and it is taken."
    if found.ready_for_baseline:
        return "ready", "Ready: take the baseline."
    waiting = [each for each in found.steps if each.state is StepState.WAITING and each is not last]
    return "waiting", f"Waiting for: {_titles([each for each in waiting if each.blocks] or waiting)}."


def _titles(steps: list[Step]) -> str:
    named = "; ".join(each.title for each in steps[:3])
    return named if len(steps) <= 3 else f"{named}; and {len(steps) - 3} more"


# What a drive teaches


@router.get("/drives/{drive_id}/learnt", response_class=HTMLResponse)
def learnt_page(
    request: Request, parts: PartsDep, drive_id: str, last: Annotated[str, Query(max_length=10)] = ""
) -> HTMLResponse:
    """Strain per load and switching delay from the readings of the chain that is on."""
    return _learnt_page(request, parts, drive_id, last)


@router.post(
    "/drives/{drive_id}/learnt/strain", response_class=HTMLResponse, dependencies=[needs(Role.ENGINEER)]
)
def apply_strain(request: Request, parts: PartsDep, drive_id: str, typed: TypedDep) -> Response:
    """Have the strain that was learnt taken off."""
    wrong, last, now_ns = Wrong(), _span(typed.get("last", "")), parts.now_ns()
    values, bad = forms.values_of(APPLY_FIELDS, typed, "strain-")
    wrong.fields |= bad
    if not wrong:
        with Collected(wrong, {}, "strain-"):
            from_ns = max(0, now_ns - length_ns(last))
            parts.set_up.apply_strain(drive_id, **values, from_ns=from_ns, at_ns=now_ns)
            return RedirectResponse(f"/drives/{quote(drive_id)}/learnt?last={last}", 303)
    return _learnt_page(request, parts, drive_id, last, typed, wrong)


def _span(last: str) -> str:
    return last if last in LEARN_SPANS else LEARN_DEFAULT


def _learnt_page(
    request: Request,
    parts: Parts,
    drive_id: str,
    last: str,
    typed: Mapping[str, str] | None = None,
    wrong: Wrong | None = None,
) -> HTMLResponse:
    now_ns, last = parts.now_ns(), _span(last)
    learnt = parts.set_up.learnt(drive_id, max(0, now_ns - length_ns(last)), now_ns)
    values = {
        "state": parts.board.state(drive_id, now_ns),
        "learnt": learnt,
        "strain": learnt.strain if isinstance(learnt.strain, StrainFit) else None,
        "delay": learnt.delay if isinstance(learnt.delay, DelayFit) else None,
        "not_learnt": NOT_LEARNT_WORDS,
        "spans": LEARN_SPANS,
        "last": last,
        "typed": typed or {},
        "wrong": wrong or Wrong(),
        "apply_fields": APPLY_FIELDS,
    }
    return render(request, "learnt.html", values, status=422 if wrong else 200, now_ns=now_ns)
