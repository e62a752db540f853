"""The page of setpoints: what holds, for a drive or as built in, what was set, and a form to set it.

A form posts and is answered with a redirect, or comes back with what was typed and what is wrong. All that is done goes
through the door `set_setpoints`.
"""

from collections.abc import Mapping
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from service.adapters.web import forms
from service.adapters.web.allowed import needs
from service.adapters.web.forms import Field, Kind
from service.adapters.web.pages_forms import Collected, TypedDep, Wrong
from service.adapters.web.parts import Parts, PartsDep, WhoDep
from service.adapters.web.templating import render
from service.core.condition_words import CONSEQUENCES, ENGLISH, RESPONDS
from service.core.people import Role
from service.core.setpoint import (
    BUILT_IN,
    FIELDS,
    RULES,
    STEPS,
    ConditionKind,
    Effective,
    Override,
    Priority,
    Scope,
)

router = APIRouter()

VIEWER, ENGINEER = needs(Role.VIEWER), needs(Role.ENGINEER)
GROUPS: Mapping[str, tuple[ConditionKind, ...]] = {
    "The chain": (
        *STEPS,
        ConditionKind.LIMIT_WITHIN_LEAD_TIME,
        ConditionKind.LIMIT_BEFORE_STOP,
        ConditionKind.WEAR_RATE_RISEN,
        ConditionKind.STRANDS_APART,
        ConditionKind.BAD_JOINT,
        ConditionKind.WORN_SECTION,
        ConditionKind.STOPPED_WHEN_DUE,
    ),
    "The sensing": (
        ConditionKind.HAND_DISAGREES,
        ConditionKind.WHOLE_UNCERTAIN,
        ConditionKind.SENSOR_MOVED,
        ConditionKind.SENSING_FAILED,
        ConditionKind.SENSING_OUT_OF_SPECIFICATION,
        ConditionKind.SENSING_MAINTENANCE,
        ConditionKind.DEVICE_OFFLINE,
        ConditionKind.NO_READING,
    ),
}
NUMBERS = (
    Field("value", "Value", Kind.NUMBER),
    Field(
        "deadband",
        "Deadband",
        Kind.NUMBER,
        help="Twice the uncertainty of a reading at least, whatever stands here",
    ),
    Field("on_readings", "Occurs after", Kind.WHOLE, "in a row"),
    Field("on_s", "Occurs over at least", Kind.NUMBER, "s"),
    Field("off_readings", "Clears after", Kind.WHOLE, "in a row"),
    Field("off_s", "Clears over at least", Kind.NUMBER, "s"),
)
WHY = Field("why", "Why", help="Stands in the audit log", needed=True)


@router.get("/setpoints", response_class=HTMLResponse, dependencies=[VIEWER])
def setpoints_page(
    request: Request,
    parts: PartsDep,
    drive: Annotated[str, Query(max_length=64)] = "",
    kind: ConditionKind | None = None,
) -> HTMLResponse:
    """What holds for a drive, or what is built in; with a kind, a form to set that."""
    typed = {"kind": str(kind)} if kind else {}
    if drive:
        typed |= {"scope": str(Scope.DRIVE), "name": drive}
    if kind is not None:
        typed |= _typed_of(parts, drive, kind)
    return _page(request, parts, drive, kind, typed, Wrong())


@router.post("/setpoints", response_class=HTMLResponse, dependencies=[ENGINEER])
def set_setpoint(
    request: Request,
    parts: PartsDep,
    by: WhoDep,
    typed: TypedDep,
    drive: Annotated[str, Query(max_length=64)] = "",
) -> Response:
    """Set fields of a kind of condition for a site, a class of drives or one drive."""
    wrong = Wrong()
    values, wrong.fields = forms.values_of((*NUMBERS, WHY), typed)
    kind, scope = _chosen(typed, wrong)
    if kind is not None and scope is not None and not wrong:
        if (level := typed.get("priority", "")) in Priority.__members__:
            values["priority"] = Priority[level]
        if typed.get("enabled") in {"yes", "no"}:
            values["enabled"] = typed["enabled"] == "yes"
        with Collected(wrong, {}):
            name = typed.get("name", "").strip()
            override = Override(scope=scope, name=name, kind=kind, by=by, at_ns=parts.now_ns(), **values)
            parts.set_setpoints.put(override)
            return RedirectResponse(_address(drive), 303)
    return _page(request, parts, drive, kind, typed, wrong)


@router.post("/setpoints/remove", response_class=HTMLResponse, dependencies=[ENGINEER])
def remove_setpoint(
    request: Request,
    parts: PartsDep,
    by: WhoDep,
    typed: TypedDep,
    drive: Annotated[str, Query(max_length=64)] = "",
) -> Response:
    """Go back to what is less specific, or built in."""
    wrong = Wrong()
    kind, scope = _chosen(typed, wrong)
    if kind is not None and scope is not None:
        with Collected(wrong, {}):
            parts.set_setpoints.remove(
                scope,
                typed.get("name", ""),
                kind,
                at_ns=parts.now_ns(),
                by=by,
                why=typed.get("why", "").strip(),
            )
            return RedirectResponse(_address(drive), 303)
    wrong.above = wrong.above or "; ".join(wrong.fields.values())
    return _page(request, parts, drive, None, {}, wrong)


def _address(drive: str) -> str:
    return f"/setpoints?drive={quote(drive)}" if drive else "/setpoints"


def _chosen(typed: Mapping[str, str], wrong: Wrong) -> tuple[ConditionKind | None, Scope | None]:
    """The kind and the scope of a form; what is none is told."""
    kind = scope = None
    if typed.get("kind") in set(ConditionKind):
        kind = ConditionKind(typed["kind"])
    else:
        wrong.above = "choose a condition from the table"
    if typed.get("scope") in set(Scope):
        scope = Scope(typed["scope"])
    else:
        wrong.fields["scope"] = "choose for whom it holds: a site, a class of drives, or one drive"
    return kind, scope


def _typed_of(parts: Parts, drive: str, kind: ConditionKind) -> dict[str, str]:
    """What was set of a kind for this drive, as one would type it."""
    for each in parts.set_setpoints.overrides():
        if (each.scope, each.name, each.kind) == (Scope.DRIVE, drive, kind):
            typed = forms.typed_of(NUMBERS, each)
            typed["priority"] = each.priority.name if each.priority else ""
            typed["enabled"] = {None: "", True: "yes", False: "no"}[each.enabled]
            return typed
    return {}


def _page(
    request: Request,
    parts: Parts,
    drive: str,
    kind: ConditionKind | None,
    typed: Mapping[str, str],
    wrong: Wrong,
) -> HTMLResponse:
    built_in = {
        each: Effective(rule.setpoint, dict.fromkeys(FIELDS, BUILT_IN)) for each, rule in RULES.items()
    }
    drives = parts.register.drives()
    values = {
        "drive": parts.register.drive(drive) if drive else None,
        "drives": drives,
        "sites": sorted({each.site for each in drives} - {""}),
        "classes": sorted({each.drive_class for each in drives} - {""}),
        "groups": GROUPS,
        "holds": parts.set_setpoints.effective_of(drive) if drive else built_in,
        "overrides": parts.set_setpoints.overrides(),
        "rules": RULES,
        "words": ENGLISH,
        "consequences": CONSEQUENCES,
        "responds": RESPONDS,
        "kind": kind,
        "numbers": [
            each
            for each in NUMBERS
            if kind is None or RULES[kind].unit or each.name not in {"value", "deadband"}
        ],
        "why": WHY,
        "built_in": BUILT_IN,
        "priorities": list(Priority),
        "scopes": list(Scope),
        "typed": typed,
        "wrong": wrong,
        "query": f"?drive={quote(drive)}" if drive else "",
    }
    return render(request, "setpoints.html", values, status=422 if wrong else 200)
