"""Pages for routes: how each gets on, forms to set one, and buttons to test one and to try again.

A page that shows a webhook's secret is the answer to the form that made it; it cannot be called again. A form that is
refused comes back with what was typed, but for target and secret, which are never sent to a browser.
"""

from collections.abc import Mapping
from typing import Any
from urllib.parse import quote

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from service.adapters.web.allowed import needs
from service.adapters.web.api_routes import refuse_opening
from service.adapters.web.forms import Field, Kind, values_of
from service.adapters.web.pages_forms import Collected, TypedDep, Wrong
from service.adapters.web.parts import Parts, PartsDep, WhoDep
from service.adapters.web.templating import render
from service.core.people import Role
from service.core.route import QuietHours, Route, Way, What, clock_of, minute_of_day
from service.core.setpoint import ConditionKind, Priority
from service.set_routes import SetRoute

router = APIRouter()

ENGINEER = [needs(Role.ENGINEER)]
LISTS = (
    Field("sites", "Sites", help="By name, with commas; left empty: all"),
    Field("areas", "Areas"),
    Field("lines", "Lines"),
    Field("drives", "Drives", help="By id"),
    Field(
        "shifts",
        "While these shifts are on",
        help='By name; "none" is when no shift is on. Left empty: always',
    ),
)
WAYS = {
    Way.WEBHOOK: "Webhook: a program is told, signed, by HTTP",
    Way.APPRISE: "Mail or chat: people are told, in words",
    Way.MQTT: "MQTT: events to a topic on the devices' broker",
}
WHATS = {
    What.ANNUNCIATIONS: "What asks people to look, and nothing else",
    What.CHANGES: "And what came of it: returned, acknowledged, shelved, out of service",
    What.EVERYTHING: "Each transition, also of what is held, and comments",
}
_MORE = (
    Field("digest_min", "Gather for", Kind.WHOLE, "min"),
    Field("escalation_min", "Only what nobody has acknowledged for", Kind.WHOLE, "min"),
)
_NAMES = {"quiet_from": "quiet_from", "quiet_to": "quiet_to", "escalation_after_s": "escalation_min"}


@router.get("/routes", response_class=HTMLResponse)
def routes_page(request: Request, parts: PartsDep) -> HTMLResponse:
    """All routes, and how each gets on; those that somebody should look at first."""
    return _routes_page(request, parts)


@router.get("/routes/new", response_class=HTMLResponse, dependencies=ENGINEER)
def new_route(request: Request) -> HTMLResponse:
    """An empty form."""
    return _form(request, {"way": Way.WEBHOOK, "what": What.CHANGES, "documents": "yes", "enabled": "yes"})


@router.post("/routes/new", response_class=HTMLResponse, dependencies=ENGINEER)
def add_route(request: Request, parts: PartsDep, by: WhoDep, typed: TypedDep) -> Response:
    """Add a route."""
    wrong = Wrong()
    with Collected(wrong, _NAMES):
        values = _values(typed, wrong)
        if typed.get("way") not in set(Way):
            wrong.fields["way"] = "say by which way"
        if not wrong:
            route = Route(
                route_id=typed.get("route_id", "").strip(),
                way=Way(typed["way"]),
                target=typed.get("target", "").strip(),
                secret=typed.get("secret", "").strip(),
                **values,
            )
            refuse_opening(request, route, None)
            return _done(request, parts, parts.set_routes.add(route, at_ns=parts.now_ns(), by=by))
    return _form(request, typed, wrong)


@router.get("/routes/{route_id}", response_class=HTMLResponse, dependencies=ENGINEER)
def edit_route(request: Request, parts: PartsDep, route_id: str) -> HTMLResponse:
    """A form with what is set."""
    route = parts.set_routes.state(route_id).route
    return _form(request, _typed_of(route), route=route)


@router.post("/routes/{route_id}", response_class=HTMLResponse, dependencies=ENGINEER)
def change_route(request: Request, parts: PartsDep, by: WhoDep, route_id: str, typed: TypedDep) -> Response:
    """Change a route."""
    old = parts.set_routes.state(route_id).route
    wrong = Wrong()
    with Collected(wrong, _NAMES):
        values = _values(typed, wrong)
        if not wrong:
            route = Route(
                route_id=route_id,
                way=old.way,
                target=typed.get("target", "").strip() or old.target,
                secret=typed.get("secret", "").strip() or old.secret,
                **values,
            )
            refuse_opening(request, route, old)
            return _done(request, parts, parts.set_routes.change(route, at_ns=parts.now_ns(), by=by))
    return _form(request, typed, wrong, route=old)


@router.post("/routes/{route_id}/test", response_class=HTMLResponse, dependencies=ENGINEER)
def test_route(parts: PartsDep, by: WhoDep, route_id: str) -> Response:
    """Send a test."""
    parts.set_routes.test(route_id, at_ns=parts.now_ns(), by=by)
    return _back(route_id)


@router.post("/routes/{route_id}/retry", response_class=HTMLResponse, dependencies=ENGINEER)
def retry_route(parts: PartsDep, by: WhoDep, route_id: str) -> Response:
    """Try at once."""
    parts.set_routes.retry(route_id, at_ns=parts.now_ns(), by=by)
    return _back(route_id)


@router.post("/routes/{route_id}/drop", response_class=HTMLResponse, dependencies=ENGINEER)
def drop_waiting(parts: PartsDep, by: WhoDep, route_id: str, typed: TypedDep) -> Response:
    """Drop what waits."""
    parts.set_routes.drop(route_id, lane=typed.get("lane") or None, at_ns=parts.now_ns(), by=by)
    return _back(route_id)


@router.post("/routes/{route_id}/secret", response_class=HTMLResponse, dependencies=ENGINEER)
def change_secret(request: Request, parts: PartsDep, by: WhoDep, route_id: str) -> Response:
    """Sign with another secret, and show it once."""
    return _done(request, parts, parts.set_routes.new_secret(route_id, at_ns=parts.now_ns(), by=by))


@router.post("/routes/{route_id}/remove", response_class=HTMLResponse, dependencies=ENGINEER)
def remove_route(parts: PartsDep, by: WhoDep, route_id: str) -> Response:
    """Remove a route."""
    parts.set_routes.remove(route_id, at_ns=parts.now_ns(), by=by)
    return RedirectResponse("/routes", 303)


def _back(route_id: str) -> Response:
    return RedirectResponse(f"/routes#route-{quote(route_id)}", 303)


def _done(request: Request, parts: Parts, done: SetRoute) -> Response:
    """The list; with the secret on top where one was made, which only the answer to this form can show."""
    if done.new_secret:
        return _routes_page(request, parts, fresh=done)
    return _back(done.route.route_id)


def _routes_page(request: Request, parts: Parts, fresh: SetRoute | None = None) -> HTMLResponse:
    states = sorted(parts.set_routes.states(), key=lambda state: not (state.dead or state.delivery.held))
    values = {
        "states": states,
        "held": {
            each.route.route_id: parts.set_routes.held(each.route.route_id)
            for each in states
            if each.delivery.held
        },
        "fresh": fresh,
        "told": {each.route.route_id: told_words(each.route) for each in states},
        "ways": {way: words.partition(":")[0] for way, words in WAYS.items()},
    }
    return render(request, "routes.html", values)


def told_words(route: Route) -> list[str]:
    """Return in words what goes out by a route and when."""
    what = {
        What.ANNUNCIATIONS: "What asks people to look",
        What.CHANGES: "What asks people to look, and what came of it",
        What.EVERYTHING: "Each transition",
    }[route.what]
    if route.escalation_after_s is not None:
        what = f"What nobody has acknowledged for {_minutes(route.escalation_after_s)}"
    if route.least_priority is not Priority.LOW:
        what += f", priority {route.least_priority.name.lower()} and higher"
    said = [what]
    for name, label in (("sites", "site"), ("areas", "area"), ("lines", "line"), ("drives", "drive")):
        if names := getattr(route, name):
            said.append(f"{label} {', '.join(names)}")
    if route.kinds:
        said.append("only " + ", ".join(kind.replace("_", " ") for kind in route.kinds))
    if route.shifts:
        said.append("while on shift " + ", ".join(route.shifts))
    if route.digest_min:
        said.append(f"gathered for {route.digest_min} min")
    if route.quiet is not None:
        through = f", {route.quiet.through.name.lower()} goes through" if route.quiet.through else ""
        said.append(f"quiet {clock_of(route.quiet.start_min)} to {clock_of(route.quiet.to_min)}{through}")
    if route.documents:
        said.append("handovers too")
    return said


def _minutes(seconds: int) -> str:
    return f"{seconds // 60} min" if seconds % 60 == 0 else f"{seconds} s"


# The form


def _values(typed: Mapping[str, str], wrong: Wrong) -> dict[str, Any]:
    """Return the settings that were typed, but for id, way, target and secret; what is wrong goes beside its field."""
    numbers, bad = values_of(_MORE, typed)
    wrong.fields |= bad
    after_min = numbers.get("escalation_min")
    try:
        priority = Priority[typed.get("least_priority", "low").upper()]
        what = What(typed.get("what", What.CHANGES))
        kinds = tuple(ConditionKind(kind) for kind in ConditionKind if typed.get(f"kind-{kind}"))
    except (KeyError, ValueError):
        wrong.above = "choose one of what is offered"
        return {}
    return {
        "name": typed.get("name", "").strip(),
        **{
            each.name: tuple(part.strip() for part in typed.get(each.name, "").split(",") if part.strip())
            for each in LISTS
        },
        "kinds": kinds,
        "least_priority": priority,
        "what": what,
        "documents": bool(typed.get("documents")),
        "digest_min": numbers.get("digest_min", 0),
        "quiet": _quiet(typed, wrong),
        "escalation_after_s": None if after_min is None else after_min * 60,
        "enabled": bool(typed.get("enabled")),
        "allow_private": bool(typed.get("allow_private")),
    }


def _quiet(typed: Mapping[str, str], wrong: Wrong) -> QuietHours | None:
    start, end = typed.get("quiet_from", "").strip(), typed.get("quiet_to", "").strip()
    if not start and not end:
        return None
    minutes = {}
    for name, text in (("quiet_from", start), ("quiet_to", end)):
        try:
            minutes[name] = minute_of_day(text)
        except ValueError as error:
            wrong.fields[name] = str(error)
    if len(minutes) < 2:
        return None
    through = typed.get("quiet_through", "high")
    return QuietHours(
        start_min=minutes["quiet_from"],
        to_min=minutes["quiet_to"],
        through=Priority[through.upper()] if through.upper() in Priority.__members__ else None,
    )


def _typed_of(route: Route) -> dict[str, str]:
    quiet = route.quiet
    typed = {
        "name": route.name,
        "what": str(route.what),
        "least_priority": route.least_priority.name.lower(),
        **{each.name: ", ".join(getattr(route, each.name)) for each in LISTS},
        **{f"kind-{kind}": "yes" for kind in route.kinds},
        "digest_min": str(route.digest_min or ""),
        "escalation_min": "" if route.escalation_after_s is None else str(-(-route.escalation_after_s // 60)),
        "documents": "yes" if route.documents else "",
        "enabled": "yes" if route.enabled else "",
        "allow_private": "yes" if route.allow_private else "",
    }
    if quiet is not None:
        through = quiet.through.name.lower() if quiet.through else "nothing"
        typed |= {
            "quiet_from": clock_of(quiet.start_min),
            "quiet_to": clock_of(quiet.to_min),
            "quiet_through": through,
        }
    return typed


def _form(
    request: Request, typed: Mapping[str, str], wrong: Wrong | None = None, *, route: Route | None = None
) -> HTMLResponse:
    values = {
        "route": route,
        "typed": {name: text for name, text in typed.items() if name not in {"target", "secret"}},
        "wrong": wrong or Wrong(),
        "lists": LISTS,
        "more": {each.name: each for each in _MORE},
        "ways": WAYS,
        "whats": WHATS,
        "kinds": list(ConditionKind),
        "priorities": [priority.name.lower() for priority in Priority],
    }
    return render(request, "route_form.html", values, status=422 if wrong else 200)
