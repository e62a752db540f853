"""Pages of alerts: those that stand, one with its history, and the forms by which people answer.

A form posts and is answered with a redirect. Where somebody was first it comes back with what the first one did and how
the alert is now. All that is done goes through the door `answer`.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from secrets import token_urlsafe
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import APIRouter, Depends, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from pydantic import BaseModel, Field

from service.adapters.web import alerts
from service.adapters.web.alert_list import (
    PAGE,
    STANDING_PAGE,
    Asked,
    asked_in,
    back_to_list,
    choices,
    next_of,
)
from service.adapters.web.alert_view import Group, groups_of, part_of, step_words, view_of
from service.adapters.web.alert_words import TITLES
from service.adapters.web.alerts import Filters, Found
from service.adapters.web.allowed import needs
from service.adapters.web.api_quality import DAYS_MAX, OPERATORS_MAX, measured, setpoints_page
from service.adapters.web.instants import SECOND_NS, local, local_ns
from service.adapters.web.pages_forms import Collected, TypedDep, Wrong
from service.adapters.web.parts import Parts, PartsDep, WhoDep
from service.adapters.web.templating import render
from service.answer import Said
from service.core.alert import NotAllowedError
from service.core.people import Role
from service.ports import OvertakenError

router = APIRouter()

DAY_NS = 86_400 * SECOND_NS
HISTORY_SHOWN = 200
_BACK_TO = {"drive": "/drives/{drive_id}#alerts", "alert": "/alerts/{alert_id}"}


# What there is


@router.get("/alerts", response_class=HTMLResponse, dependencies=[needs(Role.VIEWER)])
def alerts_page(request: Request, parts: PartsDep, asked: Annotated[Asked, Query()]) -> HTMLResponse:
    """What stands, by how soon to answer; or what is over, the newest first."""
    return _list(request, parts, asked)


def _list(
    request: Request, parts: Parts, asked: Asked, refused: Iterable[tuple[str, str]] = ()
) -> HTMLResponse:
    now_ns, zone = parts.now_ns(), parts.settings.zone
    filters = asked.filters()
    all_of_them = alerts.found(parts, Filters(standing=filters.standing))
    found = [each for each in all_of_them if filters.let_pass(each.alert, each.drive)]
    groups = [] if asked.past else groups_of(found, now_ns, zone)
    newest = sorted(found, key=lambda each: each.alert.changed_ns, reverse=True) if asked.past else []
    size = PAGE if asked.past else STANDING_PAGE
    pages = max(1, -(-len(found) // size))
    page_number = asked.page_number if asked.past else min(asked.page_number, pages)
    start = (page_number - 1) * size
    on_page = part_of(groups, start, size)
    values = {
        "groups": [each for each in on_page if each.priority],
        "quiet": [view for each in on_page if not each.priority for view in each.views],
        "counts": {each.priority: len(each.views) for each in groups},
        "past": [view_of(each, now_ns, zone) for each in newest[start : start + size]],
        "pages": pages,
        "page_number": page_number,
        "found_count": len(found),
        "next_of": next_of([view.alert.alert_id for each in groups for view in each.views]),
        "asked": asked,
        "choices": choices(
            {each.alert.kind for each in all_of_them} | filters.kinds, _places(parts), past=bool(asked.past)
        ),
        "dead_routes": dead_routes(parts),
        "refused": list(refused),
        **_forms(now_ns, parts),
    }
    return render(request, "alerts.html", values, status=409 if values["refused"] else 200, now_ns=now_ns)


def _places(parts: Parts) -> list[tuple[str, list[str]]]:
    """Return each kind of place with the names that drives have for it."""
    drives = parts.register.drives(retired=True)
    return [
        (kind, sorted({getattr(each, kind) for each in drives} - {""})) for kind in ("site", "area", "line")
    ]


def _forms(now_ns: int, parts: Parts) -> dict[str, Any]:
    """Return what every form of an alert needs."""

    def days_on(days: int) -> str:
        return local(now_ns + days * DAY_NS, parts.settings.zone).strftime("%Y-%m-%dT%H:%M")

    return {"new_key": lambda: token_urlsafe(12), "in_a_day": days_on(1), "in_a_month": days_on(30)}


def dead_routes(parts: Parts) -> list[str]:
    """Return the names of the routes by which nothing goes out though it should: whoever waits to be told is not."""
    return [each.route.name or each.route.route_id for each in parts.set_routes.states() if each.dead]


class AskedQuality(BaseModel):
    """Of which time the quality is asked for; what makes no sense counts as left out."""

    days: str = Field(default="", max_length=10)
    operators: str = Field(default="", max_length=10)


@router.get("/alerts/quality", response_class=HTMLResponse, dependencies=[needs(Role.VIEWER)])
def quality_page(request: Request, parts: PartsDep, asked: Annotated[AskedQuality, Query()]) -> HTMLResponse:
    """How good the alerts are as a whole, and which setpoints to look at."""
    days, operators = _whole(asked.days) or 30, _whole(asked.operators) or 1
    days = days if days <= DAYS_MAX else 30
    operators = operators if operators <= OPERATORS_MAX else 1
    found = measured(parts, days, operators)
    drives = {each.drive_id: each for each in parts.register.drives(retired=True)}
    standing = {
        each.alert.alert_id: view_of(each, found.to_ns, parts.settings.zone)
        for each in alerts.found(parts, Filters())
    }
    values = {
        "found": found,
        "days": days,
        "operators": operators,
        "titles": TITLES,
        "drives": drives,
        "standing": standing,
        "setpoints_page": setpoints_page,
        "sites_named": any(found.sites),
    }
    return render(request, "quality.html", values, now_ns=found.to_ns)


@router.get("/alerts/{alert_id}", response_class=HTMLResponse, dependencies=[needs(Role.VIEWER)])
def alert_page(request: Request, parts: PartsDep, alert_id: str) -> HTMLResponse:
    """One alert, what can be done, and what happened to it."""
    return _one(request, parts, alerts.one(parts, alert_id))


def _one(
    request: Request,
    parts: Parts,
    found: Found,
    typed: Mapping[str, str] | None = None,
    wrong: Wrong | None = None,
    *,
    overtaken: bool = False,
) -> HTMLResponse:
    now_ns, zone = parts.now_ns(), parts.settings.zone
    steps = parts.alert_log.of_alert(found.alert.alert_id, HISTORY_SHOWN)
    values = {
        "view": view_of(found, now_ns, zone),
        "steps": [(each, *step_words(each, zone)) for each in reversed(steps)],
        "history_shown": HISTORY_SHOWN,
        "typed": typed or {},
        "wrong": wrong or Wrong(),
        "overtaken": overtaken,
        **_forms(now_ns, parts),
    }
    status = 409 if overtaken else 422 if wrong else 200
    return render(request, "alert.html", values, status=status, now_ns=now_ns)


def of_drive(parts: Parts, drive_id: str, now_ns: int) -> dict[str, Any]:
    """Return what a drive's page needs to show its standing alerts with their forms."""
    found = alerts.found(parts, Filters(drive=drive_id))
    groups: list[Group] = groups_of(found, now_ns, parts.settings.zone)
    return {"alert_groups": groups, **_forms(now_ns, parts)}


# What people answer


async def _picked(request: Request) -> list[tuple[str, int | None]]:
    """Return the alerts that were ticked, each with the `seq` that was seen."""
    form = await request.form()
    picked = [text.partition(" ") for text in form.getlist("alert") if isinstance(text, str)]
    return [(alert_id, _whole(seq)) for alert_id, _, seq in picked]


def _whole(text: str) -> int | None:
    return int(text) if text.isascii() and text.isdigit() and len(text) < 19 else None


PickedDep = Annotated[list[tuple[str, int | None]], Depends(_picked)]


@router.post("/alerts/acknowledge", response_class=HTMLResponse, dependencies=[needs(Role.OPERATOR)])
def acknowledge_many(
    request: Request, parts: PartsDep, by: WhoDep, picked: PickedDep, typed: TypedDep
) -> Response:
    """Acknowledge all that were ticked."""
    asked = asked_in(typed.get("list", ""))
    if not picked:
        return _list(
            request, parts, asked, [("None was ticked", "tick those that you saw, then acknowledge")]
        )
    said = Said(by=by, at_ns=parts.now_ns(), key=typed.get("key") or None)
    came = parts.answer.acknowledge_all(dict(picked), said)
    if came.refused:
        return _list(request, parts, asked, [(each.alert_id, each.detail) for each in came.refused])
    return RedirectResponse(back_to_list(typed), 303)


@dataclass(frozen=True, slots=True)
class _Done:
    """What a form asks the door to do: it is given the alert, what goes with each answer, and the form."""

    act: Callable[[Parts, str, Said, Mapping[str, str]], object]


def _until(parts: Parts, typed: Mapping[str, str], name: str) -> int:
    return local_ns(typed.get(name, ""), parts.settings.zone)


_OPERATOR_ACTS = {
    "acknowledge": _Done(lambda parts, alert_id, said, _: parts.answer.acknowledge(alert_id, said)),
    "shelve": _Done(
        lambda parts, alert_id, said, typed: parts.answer.shelve(
            alert_id, said, _until(parts, typed, "until")
        )
    ),
    "unshelve": _Done(lambda parts, alert_id, said, _: parts.answer.unshelve(alert_id, said)),
    "comments": _Done(lambda parts, alert_id, said, _: parts.answer.comment(alert_id, said)),
    "work-order": _Done(
        lambda parts, alert_id, said, typed: parts.answer.set_work_order(
            alert_id, said, typed.get("work_order", "")
        )
    ),
}
_ENGINEER_ACTS = {
    "out-of-service": _Done(
        lambda parts, alert_id, said, typed: parts.answer.take_out_of_service(
            alert_id, said, _until(parts, typed, "review")
        )
    ),
    "back-in-service": _Done(
        lambda parts, alert_id, said, _: parts.answer.put_back_in_service(alert_id, said)
    ),
}


def _add_route(name: str, done: _Done, role: Role) -> None:
    """Add the route of one form; all of them take and give the same."""

    def answer(request: Request, parts: PartsDep, by: WhoDep, alert_id: str, typed: TypedDep) -> Response:
        said = Said(
            by=by,
            at_ns=parts.now_ns(),
            why=typed.get("why", ""),
            seq=_whole(typed.get("seq", "")),
            key=typed.get("key") or None,
        )
        wrong, overtaken = Wrong(), False
        try:
            with Collected(wrong, {}):
                done.act(parts, alert_id, said, typed)
                return _back(parts, alert_id, typed)
        except (OvertakenError, NotAllowedError) as error:
            wrong.above, overtaken = str(error), True
        return _one(request, parts, alerts.one(parts, alert_id), typed, wrong, overtaken=overtaken)

    router.add_api_route(
        f"/alerts/{{alert_id}}/{name}",
        answer,
        methods=["POST"],
        response_class=HTMLResponse,
        dependencies=[needs(role)],
    )


def _back(parts: Parts, alert_id: str, typed: Mapping[str, str]) -> RedirectResponse:
    """Return to where the form stood; nowhere else."""
    if typed.get("back") == "alerts":
        return RedirectResponse(back_to_list(typed), 303)
    drive_id = alerts.one(parts, alert_id).drive.drive_id
    path = _BACK_TO.get(typed.get("back", ""), _BACK_TO["alert"])
    return RedirectResponse(path.format(drive_id=quote(drive_id), alert_id=quote(alert_id)), 303)


for _name, _act in _OPERATOR_ACTS.items():
    _add_route(_name, _act, Role.OPERATOR)
for _name, _act in _ENGINEER_ACTS.items():
    _add_route(_name, _act, Role.ENGINEER)
