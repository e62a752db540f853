"""Pages for measuring by hand: the form with its result at once, all measurements of a drive, and the card to print.

A form posts and is answered with a redirect, or comes back with what was typed and what is wrong beside each
field. All that is done goes through the door `measure_by_hand`.
"""

from collections.abc import Mapping
from dataclasses import replace
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from service.adapters.web import forms
from service.adapters.web.allowed import needs
from service.adapters.web.code_picture import code_of
from service.adapters.web.guard import host_name
from service.adapters.web.instants import instant_ns, rfc3339
from service.adapters.web.pages_forms import Collected, TypedDep, Wrong, timed
from service.adapters.web.parts import Parts, PartsDep, WhoDep
from service.adapters.web.templating import render
from service.core.hand import HandMethod
from service.core.people import Role

router = APIRouter()

ROWS_SHOWN = 50  # each is held against the sensors
_ONLY_HERE = {"localhost", "127.0.0.1", "[::1]"}  # names that lead a phone nowhere
_NAMES = {"measured_ns": "measured", "recorded_by": "by"}


@router.get("/drives/{drive_id}/hand", response_class=HTMLResponse)
def hand_page(
    request: Request, parts: PartsDep, drive_id: str, new: Annotated[str, Query(max_length=40)] = ""
) -> HTMLResponse:
    """The form, and all measurements; `new` names the one whose result stands on top."""
    return _page(request, parts, drive_id, new=new)


@router.post("/drives/{drive_id}/hand", response_class=HTMLResponse, dependencies=[needs(Role.OPERATOR)])
def record(request: Request, parts: PartsDep, by: WhoDep, drive_id: str, typed: TypedDep) -> Response:
    """Record a measurement."""
    parts.register.drive(drive_id)
    wrong = Wrong()
    chosen = _chosen(typed, wrong)
    values = timed(parts, _fields_for(chosen.get("method")), typed, wrong, "") | chosen
    if not wrong:
        with Collected(wrong, _NAMES):
            report = parts.measure_by_hand.record_hand_value(
                drive_id, **{"by": by} | values, at_ns=parts.now_ns()
            )
            new = quote(rfc3339(report.value.recorded_ns))
            return RedirectResponse(f"/drives/{quote(drive_id)}/hand?new={new}#result", 303)
    return _page(request, parts, drive_id, typed, wrong)


@router.post(
    "/drives/{drive_id}/hand/baseline", response_class=HTMLResponse, dependencies=[needs(Role.ENGINEER)]
)
def record_baseline(
    request: Request, parts: PartsDep, by: WhoDep, drive_id: str, typed: TypedDep
) -> Response:
    """Take a measurement as the baseline's e0."""
    parts.register.drive(drive_id)
    wrong = Wrong()
    with Collected(wrong, {}):
        recorded_ns = instant_ns(typed.get("recorded", ""))
        parts.measure_by_hand.record_baseline_by_hand(
            drive_id, recorded_ns=recorded_ns, at_ns=parts.now_ns(), by=by
        )
        return RedirectResponse(f"/drives/{quote(drive_id)}#chains", 303)
    return _page(request, parts, drive_id, {}, wrong)


@router.get("/drives/{drive_id}/card", response_class=HTMLResponse)
def card_page(request: Request, parts: PartsDep, drive_id: str) -> HTMLResponse:
    """The card to print and take along."""
    now_ns = parts.now_ns()
    address = f"{request.base_url}check/{quote(drive_id)}"
    values = {
        "state": parts.board.state(drive_id, now_ns),
        "card": parts.measure_by_hand.card(drive_id, now_ns),
        "leads_to": address,
        "code": code_of(address),
        "only_here": host_name(request.url.netloc) in _ONLY_HERE,
    }
    return render(request, "card.html", values, now_ns=now_ns)


def _chosen(typed: Mapping[str, str], wrong: Wrong) -> dict[str, Any]:
    """Return the values of the two choices, which are no text fields."""
    method, tight = typed.get("method", ""), typed.get("tight", "")
    chosen: dict[str, Any] = {}
    if method in set(HandMethod):
        chosen["method"] = HandMethod(method)
    else:
        wrong.fields["method"] = "say what it was measured with"
    if tight in {"yes", "no"}:
        chosen["tight"] = tight == "yes"
    else:
        wrong.fields["tight"] = (
            "say whether the chain was drawn tight: a slack one gives no number to rely on"
        )
    return chosen


def _fields_for(method: HandMethod | None) -> tuple[forms.Field, ...]:
    """Return the fields to read: of the lengths those of the method, all needed; the form hides the others unread."""
    used = {"outside_mm", "inside_mm"} if method is HandMethod.CALLIPER else {"length_mm"}
    lengths = tuple(replace(each, needed=True) for each in forms.HAND_LENGTHS if each.name in used)
    others = tuple(each for each in forms.HAND_FIELDS if each not in forms.HAND_LENGTHS)
    return (*others, *(lengths if method else ()))


def _page(
    request: Request,
    parts: Parts,
    drive_id: str,
    typed: Mapping[str, str] | None = None,
    wrong: Wrong | None = None,
    *,
    new: str = "",
) -> HTMLResponse:
    now_ns = parts.now_ns()
    state = parts.board.state(drive_id, now_ns)
    reports = parts.measure_by_hand.hand_reports(drive_id, ROWS_SHOWN)
    values = {
        "state": state,
        "sensorless": state.drive.whole_pitches is None and state.reading is None,
        "reports": reports,
        "fresh": next((each for each in reports if new and rfc3339(each.value.recorded_ns) == new), None),
        "typed": typed or {},
        "wrong": wrong or Wrong(),
        "pitches": forms.HAND_PITCHES,
        "again": forms.HAND_AGAIN,
        "lengths": forms.HAND_LENGTHS,
        "cranked": forms.HAND_CRANKED,
        "more": forms.HAND_MORE,
    }
    return render(request, "hand.html", values, status=422 if wrong else 200, now_ns=now_ns)
