"""API: by when chains are to be changed and ordered, and what people say that this rests on."""

import hashlib
from datetime import date
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Header, Path, Query, Request
from fastapi.responses import Response

from service.adapters.web.allowed import needs
from service.adapters.web.api_drives import DriveId
from service.adapters.web.calendar_feed import Feed, as_calendar, named
from service.adapters.web.change_csv import FIELDS, as_csv
from service.adapters.web.change_schemas import (
    DriveChangeOut,
    DutyIn,
    DutyOut,
    PlanOut,
    StopIn,
    StopOut,
    SupplyIn,
    SupplyOut,
)
from service.adapters.web.parts import PartsDep, WhoDep, public_address
from service.adapters.web.problems import refusals, responses
from service.core.people import Role
from service.core.replacement import RISK, RISK_LEAST, RISK_MOST, SMALL_LOSS_PCT
from service.core.supply import SupplyScope
from service.plan_changes import Asked

router = APIRouter(tags=["changes"])

VIEWER, ENGINEER = needs(Role.VIEWER), needs(Role.ENGINEER)
NUMBER_MAX = 2**53
StopNumber = Annotated[
    int, Path(ge=1, le=NUMBER_MAX, description="Number of a stop, as the list gives it", examples=[7])
]
Risk = Annotated[
    float,
    Query(
        ge=RISK_LEAST,
        le=RISK_MOST,
        description="Chance of reaching the limit first that is taken",
        examples=[0.1],
    ),
]
Why = Annotated[str, Query(max_length=4000, description="For the audit log")]
ScopeQuery = Annotated[SupplyScope, Query(description="For a site, a class, a designation or one drive")]
NameQuery = Annotated[
    str,
    Query(
        max_length=200,
        description='Of it, or the drive\'s id; "" of the site that has no name',
        examples=["16B-1"],
    ),
]
CALENDAR_EXAMPLE = (
    "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//linklag//changes of chains//EN\r\nBEGIN:VEVENT\r\n"
    "SUMMARY:Order by today: chain 16B-1 for Kiln car pusher\r\nDTSTART;VALUE=DATE:20260629\r\n...END:VEVENT\r\nEND:VCALENDAR\r\n"
)
_CSV: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "One header line, then a line for each drive",
        "content": {"text/csv": {"schema": {"type": "string"}, "example": ",".join(FIELDS) + "\r\n"}},
    },
    **responses(),
}
_CALENDAR: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "An iCalendar object (RFC 5545)",
        "content": {"text/calendar": {"schema": {"type": "string"}, "example": CALENDAR_EXAMPLE}},
    },
    304: {"description": "As before (If-None-Match)"},
    **responses(),
}


def asked(
    site: Annotated[str | None, Query(max_length=200, description="Of this site only")] = None,
    area: Annotated[str | None, Query(max_length=200, description="Of this area only")] = None,
    line: Annotated[str | None, Query(max_length=200, description="Of this line only")] = None,
    risk: Risk = RISK,
    loss_pct: Annotated[
        float,
        Query(
            ge=0,
            le=100,
            description="Part of a chain's life that may be given up to change it along with others",
        ),
    ] = SMALL_LOSS_PCT,
    stop_on: Annotated[
        date | None, Query(description="Suppose a stop on this day, at every site", examples=["2026-08-03"])
    ] = None,
) -> Asked:
    """Return what a request asks about."""
    return Asked(site=site, area=area, line=line, risk=risk, small_pct=loss_pct, stop_on=stop_on)


AskedDep = Annotated[Asked, Depends(asked)]


@router.get("/changes", summary="What is to be changed by when", responses=responses(), dependencies=[VIEWER])
def list_changes(parts: PartsDep, about: AskedDep) -> PlanOut:
    """Every drive with its answer, what is due first; and the stops in which chains are to be changed.

    A chain is changed by the day on which the chance that it has reached its limit comes to the risk taken. Where there is no
    forecast there is no date: `answer` says why.
    """
    with refusals():
        return PlanOut.of(parts.plan_changes.plan(about, now_ns=parts.now_ns()))


@router.get(
    "/changes.csv",
    summary="The same as a table, with what to order",
    responses=_CSV,
    response_class=Response,
    dependencies=[VIEWER],
)
def table_of_changes(parts: PartsDep, about: AskedDep) -> Response:
    """One line for each drive."""
    now_ns = parts.now_ns()
    with refusals():
        changes = parts.plan_changes.plan(about, now_ns=now_ns).changes
    return Response(as_csv(parts.plan_changes.orders(changes, now_ns=now_ns)), media_type="text/csv")


@router.get(
    "/changes.ics",
    summary="Order-by and change-by days for a calendar program",
    responses=_CALENDAR,
    response_class=Response,
    dependencies=[VIEWER],
)
def calendar_of_changes(
    request: Request,
    parts: PartsDep,
    about: AskedDep,
    if_none_match: Annotated[str, Header(include_in_schema=False)] = "",
) -> Response:
    """Subscribe to it: two entries of a whole day for each chain that has dates, which stay the same entries as dates move.

    Where there are logins, a calendar program shows a token as the password of HTTP Basic authentication; its name is of no
    account. Make one for it alone: viewer, for `changes` only.
    """
    now_ns, door = parts.now_ns(), parts.plan_changes
    with refusals():
        changes = door.plan(about, now_ns=now_ns).changes
    feed = Feed(
        name=named(about.site, about.line),
        instance=door.instance(),
        address=public_address(request, parts),
        changed_ns=door.changed_ns(),
        now_ns=now_ns,
    )
    body = as_calendar(changes, feed)
    tag = f'"{hashlib.sha256(body).hexdigest()}"'
    headers = {"ETag": tag, "Cache-Control": "private, no-cache"}
    if tag in {each.strip().removeprefix("W/") for each in if_none_match.split(",")}:
        return Response(status_code=304, headers=headers)
    headers["Content-Disposition"] = 'inline; filename="changes.ics"'
    return Response(body, media_type="text/calendar; charset=utf-8", headers=headers)


@router.get(
    "/drives/{drive_id}/change",
    summary="The change of one drive's chain",
    responses=responses(404),
    dependencies=[VIEWER],
)
def show_change(parts: PartsDep, drive_id: DriveId, risk: Risk = RISK) -> DriveChangeOut:
    """By when, in which stop, what to order, the list to go by with its cautions, and early against late where prices are set."""
    with refusals():
        return DriveChangeOut.of(parts.plan_changes.of_drive(drive_id, now_ns=parts.now_ns(), risk=risk))


# Stops


@router.get("/stops", summary="Planned stops", responses=responses(), dependencies=[VIEWER])
def list_stops(
    parts: PartsDep, *, past: Annotated[bool, Query(description="Those that are over, too")] = False
) -> list[StopOut]:
    """Stops by start. Forecasts take it that a drive stands in them."""
    ends_after_ns = 0 if past else parts.now_ns()
    return [StopOut.of(each) for each in parts.plan_changes.planned_stops(ends_after_ns=ends_after_ns)]


@router.post(
    "/stops", status_code=201, summary="Plan a stop", responses=responses(413), dependencies=[ENGINEER]
)
def add_stop(parts: PartsDep, by: WhoDep, given: StopIn) -> StopOut:
    """Plan a stop of a site, an area, a line, or of all."""
    with refusals():
        return StopOut.of(parts.plan_changes.add_stop(given.stop(by, parts.now_ns()), why=given.why.strip()))


@router.put(
    "/stops/{number}", summary="Change a planned stop", responses=responses(404, 413), dependencies=[ENGINEER]
)
def change_stop(parts: PartsDep, by: WhoDep, number: StopNumber, given: StopIn) -> StopOut:
    """Change all of it."""
    with refusals():
        stop = given.stop(by, parts.now_ns(), number)
        return StopOut.of(parts.plan_changes.change_stop(stop, why=given.why.strip()))


@router.delete(
    "/stops/{number}",
    status_code=204,
    summary="Take a stop off the plan",
    responses=responses(404),
    dependencies=[ENGINEER],
)
def remove_stop(parts: PartsDep, by: WhoDep, number: StopNumber, why: Why = "") -> None:
    """It counts for nothing from now on; the audit log keeps it."""
    parts.plan_changes.remove_stop(number, at_ns=parts.now_ns(), by=by, why=why.strip())


# Supply


@router.get(
    "/supply",
    summary="Lead times, prices and what an order needs to know",
    responses=responses(),
    dependencies=[VIEWER],
)
def list_supply(parts: PartsDep) -> list[SupplyOut]:
    """All that was set, by scope from site to drive. Of each field the most specific counts: drive, designation, class, site."""
    return [SupplyOut.of(each) for each in parts.plan_changes.supplies()]


@router.put("/supply", summary="Set supply", responses=responses(404, 413), dependencies=[ENGINEER])
def put_supply(parts: PartsDep, by: WhoDep, scope: ScopeQuery, name: NameQuery, given: SupplyIn) -> SupplyOut:
    """Set fields for a site, a class, a designation or one drive, in place of all that was set there."""
    with refusals():
        return SupplyOut.of(parts.plan_changes.put_supply(given.supply(scope, name, by, parts.now_ns())))


@router.delete(
    "/supply",
    status_code=204,
    summary="Take back what was set of supply",
    responses=responses(404),
    dependencies=[ENGINEER],
)
def remove_supply(parts: PartsDep, by: WhoDep, scope: ScopeQuery, name: NameQuery, why: Why = "") -> None:
    """Go back to what is less specific."""
    parts.plan_changes.remove_supply(scope, name, at_ns=parts.now_ns(), by=by, why=why.strip())


# Duty


@router.get(
    "/duty-plans", summary="What people plan drives to run", responses=responses(), dependencies=[VIEWER]
)
def list_duty_plans(parts: PartsDep) -> list[DutyOut]:
    """All, by drive. A drive without one is taken to go on as it did."""
    return [DutyOut.of(each) for each in parts.plan_changes.duty_plans()]


@router.put(
    "/duty-plans/{drive_id}",
    summary="Plan what a drive will run",
    responses=responses(404, 413),
    dependencies=[ENGINEER],
)
def put_duty_plan(parts: PartsDep, by: WhoDep, drive_id: DriveId, given: DutyIn) -> DutyOut:
    """Hours a day, Monday first. It goes before what the drive itself shows, from the next forecast on."""
    with refusals():
        return DutyOut.of(parts.plan_changes.put_duty(given.plan(drive_id, by, parts.now_ns())))


@router.delete(
    "/duty-plans/{drive_id}",
    status_code=204,
    summary="Take a duty plan back",
    responses=responses(404),
    dependencies=[ENGINEER],
)
def remove_duty_plan(parts: PartsDep, by: WhoDep, drive_id: DriveId, why: Why = "") -> None:
    """Go back to what the drive itself shows."""
    parts.plan_changes.remove_duty(drive_id, at_ns=parts.now_ns(), by=by, why=why.strip())
