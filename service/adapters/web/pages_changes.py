"""Pages of the plan of changes: by stop in words, one drive with its order and list, and what people say that it rests on.

A form posts and is answered with a redirect, or comes back with what was typed and what is wrong. All that is done goes through
the door `plan_changes`.
"""

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Path, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from service.adapters.web import forms
from service.adapters.web.allowed import needs
from service.adapters.web.change_picture import columns, draw_strip
from service.adapters.web.change_words import ANSWERS, chance_words, links_words, percent, stop_words
from service.adapters.web.forms import Field, Kind
from service.adapters.web.instants import local
from service.adapters.web.pages_forms import Collected, TypedDep, Wrong
from service.adapters.web.parts import Parts, PartsDep, WhoDep, public_address
from service.adapters.web.templating import render
from service.adapters.web.words import number_words
from service.core.duty import DutyPlan
from service.core.people import Role
from service.core.planned_stop import PlannedStop
from service.core.replacement import RISK, RISK_LEAST, RISK_MOST, Answer, Change, day_of, day_words
from service.core.shift import instant_ns
from service.core.supply import FIELDS, MARGIN_DAYS, PRICES, Supply, SupplyScope
from service.plan_changes import YEARS, Asked, SitePlan
from service.ports import KeptDutyPlan, NotFoundError

router = APIRouter()

VIEWER, ENGINEER = needs(Role.VIEWER), needs(Role.ENGINEER)
RISKS = (0.02, 0.05, 0.1, 0.2, 0.3, 0.5)
WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
StopNumber = Annotated[int, Path(ge=1, le=2**53)]
Risk = Annotated[float, Query(ge=RISK_LEAST, le=RISK_MOST)]
Word = Annotated[str, Query(max_length=200)]

STOP_FIELDS = (
    Field("name", "Name", help="Summer shutdown, boiler inspection ...", needed=True),
    Field("site", "Site", help="Left empty: all sites"),
    Field("area", "Area", help="Left empty: all of the site"),
    Field("line", "Line", help="Left empty: all of the area"),
    Field("starts", "Starts", Kind.TIME, help="By the clocks of the site", needed=True),
    Field("ends", "Ends", Kind.TIME, help="By the clocks of the site", needed=True),
    Field("note", "Note", Kind.LINES),
    Field("why", "Why", help="For the audit log"),
)
SUPPLY_FIELDS = (
    Field(
        "lead_days", "Lead time", Kind.WHOLE, "days", "From order to the chain being here; 0: in the stores"
    ),
    Field("margin_days", "Kept in hand", Kind.WHOLE, "days", f"Left empty: {MARGIN_DAYS}"),
    Field("stock_number", "Stock number", help="Of the chain in your own stores"),
    Field("currency", "Currency of the prices", help="Three letters, e.g. EUR"),
    Field("chain_price", "Price of a chain", Kind.NUMBER, help="With its connecting links"),
    Field("change_price", "Labour of a planned change", Kind.NUMBER),
    Field("stop_hour_price", "An hour of unplanned stop", Kind.NUMBER),
    Field("unplanned_h", "An unplanned change takes", Kind.NUMBER, "h", "From the stop until it runs again"),
    Field("ambient_low_c", "Coldest air about the drive", Kind.NUMBER, "°C"),
    Field(
        "ambient_high_c",
        "Warmest air about the drive",
        Kind.NUMBER,
        "°C",
        "The viscosity of the oil goes by it",
    ),
    Field(
        "centre_distance_mm",
        "From shaft to shaft",
        Kind.NUMBER,
        "mm",
        "Of one drive only; gives the number of pitches",
    ),
    Field("why", "Why", help="For the audit log: offer of May ..."),
)
DUTY_FIELDS = (
    *(Field(f"hours-{number}", day, Kind.NUMBER, "h", needed=True) for number, day in enumerate(WEEKDAYS)),
    Field("clock_per_hour", "Joints that pass in an hour", Kind.NUMBER, help="Left empty: as so far"),
    Field("why", "Why", help="For the audit log: third shift ends ..."),
)
SCOPE_WORDS = {
    SupplyScope.SITE: "a site",
    SupplyScope.CLASS: "a class of drives",
    SupplyScope.DESIGNATION: "a designation of chain",
    SupplyScope.DRIVE: "one drive",
}


# The plan


@dataclass(frozen=True, slots=True)
class Looked:
    """What somebody looks at, with what is wrong in it."""

    asked: Asked
    stop_on: str
    wrong: str
    query: str


def looked_at(
    site: Word = "", area: Word = "", line: Word = "", risk: Risk = RISK, stop_on: Word = ""
) -> Looked:
    """Return what a request looks at."""
    day, wrong = None, ""
    if stop_on:
        with suppress(ValueError):
            day = date.fromisoformat(stop_on)
        if day is None or not YEARS[0] <= day.year <= YEARS[1]:
            day, wrong = None, f"{stop_on[:20]!r} is no day to suppose a stop on: write it like 2026-08-03"
    asked = Asked(site=site or None, area=area or None, line=line or None, risk=risk, stop_on=day)
    given = {"site": site, "area": area, "line": line, "risk": "" if risk == RISK else f"{risk:g}"}
    query = urlencode({name: value for name, value in given.items() if value})
    return Looked(asked, stop_on, wrong, f"?{query}" if query else "")


LookedDep = Annotated[Looked, Depends(looked_at)]


@router.get("/changes", response_class=HTMLResponse, dependencies=[VIEWER])
def changes_page(request: Request, parts: PartsDep, looked: LookedDep) -> HTMLResponse:
    """What is to be changed in which stop, what has no stop in time, and what has no date."""
    now_ns = parts.now_ns()
    plan, today = parts.plan_changes.plan(looked.asked, now_ns=now_ns), day_of(now_ns, parts.settings.zone)
    values = (
        _shared(parts, looked)
        | _sorted_out(plan)
        | {
            "strip": draw_strip(plan.changes, today),
            "sheet_stops": columns(plan.changes, today),
            "risks": sorted({*RISKS, looked.asked.risk}),
            "logins": parts.logins is not None,
            "feed": public_address(request, parts) + "/api/v1/changes.ics" + looked.query,
        }
    )
    return render(request, "changes.html", values, now_ns=now_ns)


@router.get("/changes/order", response_class=HTMLResponse, dependencies=[VIEWER])
def order_page(request: Request, parts: PartsDep, looked: LookedDep) -> HTMLResponse:
    """What to order by when, to be printed."""
    now_ns = parts.now_ns()
    changes = parts.plan_changes.plan(looked.asked, now_ns=now_ns).changes
    dated = sorted((each for each in changes if each.has_date), key=_order_day)
    values = _shared(parts, looked) | {
        "orders": parts.plan_changes.orders(dated, now_ns=now_ns, among=changes),
        "without": sum(not each.has_date for each in changes),
    }
    return render(request, "orders.html", values, now_ns=now_ns)


@router.get("/drives/{drive_id}/change", response_class=HTMLResponse, dependencies=[VIEWER])
def change_page(request: Request, parts: PartsDep, drive_id: str, risk: Risk = RISK) -> HTMLResponse:
    """One drive: by when, early against late, what to order, and the list to go by."""
    now_ns = parts.now_ns()
    found = parts.plan_changes.of_drive(drive_id, now_ns=now_ns, risk=risk)
    values = _words() | {
        "found": found,
        "change": found.change,
        "risks": sorted({*RISKS, risk}),
        "risk": risk,
    }
    return render(request, "change.html", values, now_ns=now_ns)


def _order_day(change: Change) -> date:
    return change.order_by or change.needed_on or date.max


def _sorted_out(plan: SitePlan) -> dict[str, Any]:
    """The changes of a plan by what is to be done."""
    dated = [each for each in plan.changes if each.answer is Answer.BY_DATE]
    return {
        "plan": plan,
        "due": [each for each in plan.changes if each.answer is Answer.NOW],
        "without_stop": [each for each in dated if each.stop is None],
        "undated": [each for each in plan.changes if not each.has_date],
    }


def _shared(parts: Parts, looked: Looked) -> dict[str, Any]:
    places = parts.plan_changes.places()
    return _words() | {
        "asked": looked.asked,
        "stop_on": looked.stop_on,
        "wrong_day": looked.wrong,
        "query": looked.query,
        "sites": sorted({site for site, _, _ in places} - {""}),
        "areas": sorted({area for _, area, _ in places} - {""}),
        "lines": sorted({line for _, _, line in places} - {""}),
    }


def _words() -> dict[str, Any]:
    return {
        "answers": ANSWERS,
        "percent": percent,
        "day_words": day_words,
        "chance_words": chance_words,
        "stop_words": stop_words,
        "links_words": links_words,
        "number_words": number_words,
        "span_words": span_words,
    }


def span_words(stop: PlannedStop, zone: Any) -> str:
    """Return from when to when a stop is, by the clocks of a site."""
    start, end = (local(ns, zone) for ns in (stop.starts_ns, stop.ends_ns))
    until = f"{end:%H:%M}" if start.date() == end.date() else f"{day_words(end.date())}, {end:%H:%M}"
    return f"{day_words(start.date())}, {start:%H:%M} to {until}"


# Stops


@router.get("/stops", response_class=HTMLResponse, dependencies=[VIEWER])
def stops_page(
    request: Request, parts: PartsDep, number: Annotated[int | None, Query(ge=1, le=2**53)] = None
) -> HTMLResponse:
    """Planned stops, and a form to plan or change one."""
    typed: Mapping[str, str] = {}
    if number is not None:
        typed = _typed_stop(parts, parts.plan_changes.planned_stop(number))
    return _stops_page(request, parts, typed, Wrong(), number)


@router.post("/stops", response_class=HTMLResponse, dependencies=[ENGINEER])
def add_stop(request: Request, parts: PartsDep, by: WhoDep, typed: TypedDep) -> Response:
    """Plan a stop."""
    wrong = Wrong()
    stop = _stop_typed(parts, typed, wrong, by, 0)
    if stop is not None:
        with Collected(wrong, _STOP_NAMES):
            parts.plan_changes.add_stop(stop, why=typed.get("why", "").strip())
            return RedirectResponse("/stops", 303)
    return _stops_page(request, parts, typed, wrong, None)


@router.post("/stops/{number}", response_class=HTMLResponse, dependencies=[ENGINEER])
def change_stop(
    request: Request, parts: PartsDep, by: WhoDep, number: StopNumber, typed: TypedDep
) -> Response:
    """Change a planned stop, or take it off the plan."""
    why = typed.get("why", "").strip()
    if typed.get("act") == "remove":
        parts.plan_changes.remove_stop(number, at_ns=parts.now_ns(), by=by, why=why)
        return RedirectResponse("/stops", 303)
    wrong = Wrong()
    stop = _stop_typed(parts, typed, wrong, by, number)
    if stop is not None:
        with Collected(wrong, _STOP_NAMES):
            parts.plan_changes.change_stop(stop, why=why)
            return RedirectResponse("/stops", 303)
    return _stops_page(request, parts, typed, wrong, number)


_STOP_NAMES = {"starts_ns": "starts", "ends_ns": "ends"}


def _stop_typed(
    parts: Parts, typed: Mapping[str, str], wrong: Wrong, by: str, number: int
) -> PlannedStop | None:
    """The stop that was typed, by the clocks of its site; what is none is told."""
    values, wrong.fields = forms.values_of(STOP_FIELDS, typed)
    values.pop("why", None)
    zone = parts.plan_changes.zone_of(values.get("site", ""))
    for name in ("starts", "ends"):
        if name in values:
            try:
                values[f"{name}_ns"] = instant_ns(
                    datetime.fromisoformat(values.pop(name)).replace(tzinfo=None), zone
                )
            except (ValueError, OverflowError):
                wrong.fields[name] = "write it like 2026-08-03T06:00"
    if wrong:
        return None
    with Collected(wrong, _STOP_NAMES):
        return PlannedStop(**values, by=by, recorded_ns=parts.now_ns(), number=number)
    return None


def _typed_stop(parts: Parts, stop: PlannedStop) -> dict[str, str]:
    zone = parts.plan_changes.zone_of(stop.site)
    typed = forms.typed_of(STOP_FIELDS, stop)
    for name, ns in (("starts", stop.starts_ns), ("ends", stop.ends_ns)):
        typed[name] = local(ns, zone).strftime("%Y-%m-%dT%H:%M")
    return typed


def _stops_page(
    request: Request, parts: Parts, typed: Mapping[str, str], wrong: Wrong, number: int | None
) -> HTMLResponse:
    now_ns, door = parts.now_ns(), parts.plan_changes
    stops = door.planned_stops()
    places = door.places()
    values = {
        "stops": [each for each in stops if each.ends_ns > now_ns],
        "past": [each for each in stops if each.ends_ns <= now_ns][-10:][::-1],
        "span_words": lambda stop: span_words(stop, door.zone_of(stop.site)),
        "fields": STOP_FIELDS,
        "typed": typed,
        "wrong": wrong,
        "number": number,
        "known": {
            name: sorted({place[at] for place in places} - {""})
            for at, name in enumerate(("site", "area", "line"))
        },
    }
    return render(request, "stops.html", values, status=422 if wrong else 200, now_ns=now_ns)


# Supply


@router.get("/supply", response_class=HTMLResponse, dependencies=[VIEWER])
def supply_page(
    request: Request, parts: PartsDep, scope: SupplyScope | None = None, name: Word = ""
) -> HTMLResponse:
    """Lead times, prices and what an order needs to know, and a form to set them."""
    typed: dict[str, str] = {} if scope is None else {"scope": str(scope), "name": name}
    for each in parts.plan_changes.supplies():
        if (each.scope, each.name) == (scope, name):
            typed |= forms.typed_of(SUPPLY_FIELDS, replace(each, why=""))
    return _supply_page(request, parts, typed, Wrong())


@router.post("/supply", response_class=HTMLResponse, dependencies=[ENGINEER])
def set_supply(request: Request, parts: PartsDep, by: WhoDep, typed: TypedDep) -> Response:
    """Set supply, or take it back."""
    wrong = Wrong()
    values, wrong.fields = forms.values_of(SUPPLY_FIELDS, typed)
    name, scope = typed.get("name", "").strip(), typed.get("scope", "")
    if scope not in set(SupplyScope):
        wrong.fields["scope"] = "choose for what it holds"
    if typed.get("act") == "remove" and "scope" not in wrong.fields:
        why = typed.get("why", "").strip()
        parts.plan_changes.remove_supply(SupplyScope(scope), name, at_ns=parts.now_ns(), by=by, why=why)
        return RedirectResponse("/supply", 303)
    if not wrong:
        try:
            with Collected(wrong, {}):
                values["currency"] = values["currency"].upper() if "currency" in values else None
                supply = Supply(scope=SupplyScope(scope), name=name, by=by, at_ns=parts.now_ns(), **values)
                parts.plan_changes.put_supply(supply)
                return RedirectResponse("/supply", 303)
        except NotFoundError as error:
            wrong.fields["name"] = str(error)
    return _supply_page(request, parts, typed, wrong)


def _supply_page(request: Request, parts: Parts, typed: Mapping[str, str], wrong: Wrong) -> HTMLResponse:
    drives = parts.register.drives()
    known = {
        *(each.site for each in drives),
        *(each.drive_class for each in drives),
        *(each.designation for each in parts.register.chains()),
        *(each.drive_id for each in drives),
    }
    values = {
        "supplies": parts.plan_changes.supplies(),
        "fields": SUPPLY_FIELDS,
        "said": _supply_said,
        "scopes": SCOPE_WORDS,
        "names": sorted(known - {""}),
        "typed": typed,
        "wrong": wrong,
        "margin_days": MARGIN_DAYS,
    }
    return render(request, "supply.html", values, status=422 if wrong else 200)


def _supply_said(supply: Supply) -> Sequence[tuple[str, str]]:
    """Each field that is set, by its label, with its unit."""
    units = {each.name: (each.label, each.unit) for each in SUPPLY_FIELDS}
    found = []
    for name in FIELDS:
        value = getattr(supply, name)
        if value is None or name == "currency":
            continue
        label, unit = units[name]
        shown = f"{value:,.2f}".removesuffix(".00") if name in PRICES else forms.text_of(value)
        unit = supply.currency or "" if name in PRICES else unit
        found.append((label, f"{shown} {unit}".strip()))
    return found


# Duty


@router.get("/duty-plans", response_class=HTMLResponse, dependencies=[VIEWER])
def duty_page(
    request: Request, parts: PartsDep, drive: Annotated[str, Query(max_length=64)] = ""
) -> HTMLResponse:
    """What people plan drives to run, and a form for it."""
    typed = {"drive_id": drive}
    for each in parts.plan_changes.duty_plans():
        if each.drive_id == drive:
            typed |= _typed_duty(each.plan)
    return _duty_page(request, parts, typed, Wrong())


@router.post("/duty-plans", response_class=HTMLResponse, dependencies=[ENGINEER])
def set_duty(request: Request, parts: PartsDep, by: WhoDep, typed: TypedDep) -> Response:
    """Plan what a drive will run, or take that back."""
    wrong, drive_id, why = Wrong(), typed.get("drive_id", ""), typed.get("why", "").strip()
    if typed.get("act") == "remove":
        parts.plan_changes.remove_duty(drive_id, at_ns=parts.now_ns(), by=by, why=why)
        return RedirectResponse("/duty-plans", 303)
    values, wrong.fields = forms.values_of(DUTY_FIELDS, typed)
    if all(each.drive_id != drive_id for each in parts.register.drives()):
        wrong.fields["drive_id"] = "choose one of the drives"
    if not wrong:
        hours = tuple(values[f"hours-{number}"] for number in range(7))
        with Collected(wrong, {}):
            plan = DutyPlan(hours_by_weekday=hours, clock_per_hour=values.get("clock_per_hour"))
            kept = KeptDutyPlan(drive_id=drive_id, plan=plan, why=why, by=by, at_ns=parts.now_ns())
            parts.plan_changes.put_duty(kept)
            return RedirectResponse("/duty-plans", 303)
    return _duty_page(request, parts, typed, wrong)


def _typed_duty(plan: DutyPlan) -> dict[str, str]:
    typed = {f"hours-{number}": forms.text_of(hours) for number, hours in enumerate(plan.hours_by_weekday)}
    return typed | {"clock_per_hour": forms.text_of(plan.clock_per_hour)}


def _duty_page(request: Request, parts: Parts, typed: Mapping[str, str], wrong: Wrong) -> HTMLResponse:
    drives = {each.drive_id: each for each in parts.register.drives()}
    values = {
        "drives": drives,
        "plans": [each for each in parts.plan_changes.duty_plans() if each.drive_id in drives],
        "fields": DUTY_FIELDS,
        "weekdays": WEEKDAYS,
        "typed": typed,
        "wrong": wrong,
        "text_of": forms.text_of,
    }
    return render(request, "duty.html", values, status=422 if wrong else 200)
