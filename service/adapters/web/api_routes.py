"""API: routes, by which alerts and handovers go out, how each gets on, and what to do about one that does not."""

from typing import Annotated, Any, Self

from fastapi import APIRouter, Path, Request, Response
from pydantic import ConfigDict, Field

from service.adapters.web import schemas
from service.adapters.web.alert_schemas import PriorityWord
from service.adapters.web.allowed import needs
from service.adapters.web.caller import caller_of
from service.adapters.web.instants import Instant
from service.adapters.web.parts import PartsDep, WhoDep
from service.adapters.web.problems import ProblemError, refusals, responses
from service.core.people import Role
from service.core.route import QuietHours, Route, Way, What, clock_of, minute_of_day, opens_inside
from service.core.setpoint import ConditionKind, Priority
from service.ports import Outgoing
from service.set_routes import RouteState, SetRoute

router = APIRouter(prefix="/routes", tags=["routes"])

RouteId = Annotated[str, Path(max_length=64, description="Id of the route", examples=["work-orders"])]
ENGINEER = [needs(Role.ENGINEER)]

_QUIET: dict[str, Any] = {"from": "22:00", "to": "06:00", "through": "high"}
_GIVEN: dict[str, Any] = {
    "name": "Work orders",
    "target": "https://cmms.example/hooks/linklag",
    "sites": ["Eschbach works"],
    "least_priority": "medium",
    "what": "changes",
    "quiet": _QUIET,
}
_FILTERS: dict[str, Any] = {
    "sites": ["Eschbach works"],
    "areas": [],
    "lines": [],
    "drives": [],
    "kinds": [],
    "shifts": [],
}
_OUT: dict[str, Any] = {
    "route_id": "work-orders",
    "way": "webhook",
    "name": "Work orders",
    "target": "https://cmms.example/…",
    **_FILTERS,
    "least_priority": "medium",
    "what": "changes",
    "documents": True,
    "digest_min": 0,
    "quiet": _QUIET,
    "escalation_after_s": None,
    "enabled": True,
    "allow_private": False,
    "dead": False,
    "failures": 0,
    "failing_since": None,
    "next_try": None,
    "error": "",
    "off_why": "",
    "last_success": schemas.T,
    "sent": 112,
    "waiting": 0,
    "oldest_waiting": None,
    "refused": [],
    "test": {"time": schemas.T, "error": ""},
}


_LISTS = ("sites", "areas", "lines", "drives", "kinds", "shifts")
_PLAIN = (
    *("route_id", "way", "name", "what", "documents", "digest_min", "escalation_after_s", "enabled"),
    "allow_private",
)


class QuietIn(schemas.In):
    """Hours of the local day in which nothing goes out below a priority."""

    from_: str = Field(alias="from", description="HH:MM, local time of the site")
    to: str = Field(description="HH:MM; before `from` it is of the next day")
    through: PriorityWord | None = Field(
        default=PriorityWord.HIGH, description="This and higher go out anyway; null: nothing does"
    )

    def quiet(self) -> QuietHours:
        """Return it as core's value. Raises ValueError with the fix."""
        return QuietHours(
            start_min=minute_of_day(self.from_),
            to_min=minute_of_day(self.to),
            through=None if self.through is None else Priority[self.through.name],
        )


class RouteSettings(schemas.In):
    """What goes out by a route, to where, and when. An empty list takes all."""

    name: str = ""
    target: str = Field(
        default="",
        description="webhook: a URL. apprise: a URL of that library. mqtt: a topic. Or where it is kept: file:/path, "
        "env:LINKLAG_NAME. Never shown again. With PUT, left empty: as it is",
    )
    secret: str = Field(
        default="",
        description="Of a webhook, whsec_ and base64, or where it is kept; left empty: one is made (POST), as it is (PUT)",
    )
    sites: list[str] = Field(default_factory=list, max_length=200)
    areas: list[str] = Field(default_factory=list, max_length=200)
    lines: list[str] = Field(default_factory=list, max_length=200)
    drives: list[str] = Field(default_factory=list, max_length=200, description="Ids")
    kinds: list[ConditionKind] = Field(default_factory=list, max_length=100)
    shifts: list[str] = Field(
        default_factory=list,
        max_length=200,
        description="By name, while they are on; `none`: when no shift is",
    )
    least_priority: PriorityWord = PriorityWord.LOW
    what: What = Field(
        default=What.CHANGES,
        description="annunciations: what asks people to look; changes: and what came of it; everything: each transition",
    )
    documents: bool = Field(default=True, description="Handovers of its sites go out by it too")
    digest_min: int = Field(default=0, description="Gather for so many minutes; 0: at once")
    quiet: QuietIn | None = None
    escalation_after_s: int | None = Field(
        default=None, description="Only what nobody has acknowledged for so long"
    )
    enabled: bool = True
    allow_private: bool = Field(
        default=False, description="Its target may be inside; an administrator's to say"
    )

    def route(self, route_id: str, way: Way, old: Route | None = None) -> Route:
        """Return it as core's value. Raises ValueError with the fix."""
        values = self.model_dump(exclude={"quiet", "least_priority"})
        values |= {name: tuple(values[name]) for name in _LISTS}
        if old is not None:
            values["target"] = self.target or old.target
            values["secret"] = self.secret or old.secret
        return Route(
            route_id=route_id,
            way=way,
            **values,
            least_priority=Priority[self.least_priority.name],
            quiet=None if self.quiet is None else self.quiet.quiet(),
        )


class RouteIn(RouteSettings):
    """A new route."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"route_id": "work-orders", "way": "webhook", **_GIVEN}]}
    )

    route_id: str = Field(description="a-z, 0-9, - and _, 64 at most; it stays")
    way: Way

    def new_route(self) -> Route:
        """Return it as core's value. Raises ValueError with the fix."""
        settings = RouteSettings.model_construct(
            **{name: getattr(self, name) for name in RouteSettings.model_fields}
        )
        return settings.route(self.route_id, self.way)


class RoutePut(RouteSettings):
    """All settings of a route; what is left out takes its default, but for target and secret, which stay."""

    model_config = ConfigDict(json_schema_extra={"examples": [_GIVEN]})


class DropIn(schemas.In):
    """Which of what waits is to be dropped."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"drive": "infeed-2"}]})

    drive: str | None = Field(
        default=None, max_length=64, description="Of this drive only; left out: all of it"
    )


class QuietOut(schemas.Out):
    """Hours of the local day in which nothing goes out below a priority."""

    from_: str = Field(serialization_alias="from")
    to: str
    through: PriorityWord | None


class HeldOut(schemas.Out):
    """An event that was refused and waits to be tried again."""

    event: str = Field(description="Its id")
    of: str = Field(description="The drive that waits with it, or what a document is of")
    error: str
    tries: int
    next_try: Instant

    @classmethod
    def of_row(cls, row: Outgoing) -> Self:
        """Return it as the API gives it."""
        return cls.model_construct(
            event=row.event.id, of=row.lane, error=row.error, tries=row.tries, next_try=row.next_try_ns
        )


class TrialOut(schemas.Out):
    """What came of the last test."""

    time: Instant
    error: str = Field(description="Empty where it arrived")


class RouteOut(schemas.Out):
    """A route, and how it gets on."""

    model_config = ConfigDict(json_schema_extra={"examples": [_OUT]})

    route_id: str
    way: Way
    name: str
    target: str = Field(description="What of it is no secret")
    sites: list[str]
    areas: list[str]
    lines: list[str]
    drives: list[str]
    kinds: list[ConditionKind]
    shifts: list[str]
    least_priority: PriorityWord
    what: What
    documents: bool
    digest_min: int
    quiet: QuietOut | None
    escalation_after_s: int | None
    enabled: bool
    allow_private: bool
    dead: bool = Field(description="Nothing gets through: somebody should look")
    failures: int = Field(description="In a row")
    failing_since: Instant | None
    next_try: Instant | None
    error: str
    off_why: str = Field(
        description="Its endpoint said that it is gone; nothing is sent before POST .../retry"
    )
    last_success: Instant | None
    sent: int
    waiting: int = Field(description="Events on their way, and transitions that were not looked at yet")
    oldest_waiting: Instant | None
    refused: list[HeldOut]
    test: TrialOut | None

    @classmethod
    def of(cls, state: RouteState, held: list[Outgoing]) -> Self:
        """Return a route as the API gives it."""
        route, delivery, quiet = state.route, state.delivery, state.route.quiet
        through = None if quiet is None or quiet.through is None else PriorityWord[quiet.through.name]
        plain = {name: getattr(route, name) for name in _PLAIN}
        return cls.model_construct(
            **plain | {name: list(getattr(route, name)) for name in _LISTS},
            target=route.shown_target,
            least_priority=PriorityWord[route.least_priority.name],
            quiet=quiet
            and QuietOut.model_construct(
                from_=clock_of(quiet.start_min), to=clock_of(quiet.to_min), through=through
            ),
            dead=state.dead,
            failures=delivery.failures,
            failing_since=delivery.failing_since_ns,
            next_try=delivery.next_try_ns or None,
            error=delivery.error,
            off_why=delivery.off_why,
            last_success=delivery.success_ns,
            sent=delivery.sent,
            waiting=state.waiting,
            oldest_waiting=delivery.oldest_ns,
            refused=[HeldOut.of_row(row) for row in held],
            test=None
            if delivery.test_ns is None
            else TrialOut.model_construct(time=delivery.test_ns, error=delivery.test_error),
        )


class RouteSetOut(schemas.Out):
    """A route that was set, and the secret that was made for it."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"route": _OUT, "secret": "whsec_C2FVsBQIhrscChlQIMV+b5sSYspob7oD"}]}
    )

    route: RouteOut
    secret: str = Field(description="Shown this once; empty where none was made")


class TestedOut(schemas.Out):
    """A test that is on its way."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"event": "5e0c1f2a9b7d4e61.test-0a1b2c3d4e5f"}]}
    )

    event: str = Field(description="Its id; what came of it stands under `test` of the route within seconds")


class DroppedOut(schemas.Out):
    """What was dropped."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"events": 12}]})

    events: int


@router.get("", summary="List routes", responses=responses(), dependencies=[needs(Role.VIEWER)])
def list_routes(parts: PartsDep) -> list[RouteOut]:
    """All routes by id, each with how it gets on."""
    return [RouteOut.of(each, _held(parts, each)) for each in parts.set_routes.states()]


@router.post(
    "", status_code=201, summary="Add a route", responses=responses(403, 409, 413), dependencies=ENGINEER
)
def add_route(
    request: Request, parts: PartsDep, by: WhoDep, given: RouteIn, response: Response
) -> RouteSetOut:
    """It tells of what happens from now on. A webhook's secret is in this answer and in no other."""
    with refusals():
        route = given.new_route()
    refuse_opening(request, route, None)
    done = parts.set_routes.add(route, at_ns=parts.now_ns(), by=by)
    response.headers["Location"] = f"/api/v1/routes/{route.route_id}"
    return _set_out(parts, done)


@router.get("/{route_id}", summary="One route", responses=responses(404), dependencies=[needs(Role.VIEWER)])
def show_route(parts: PartsDep, route_id: RouteId) -> RouteOut:
    """What it is set to, and how it gets on."""
    return _route_out(parts, route_id)


@router.put(
    "/{route_id}", summary="Change a route", responses=responses(403, 404, 413), dependencies=ENGINEER
)
def change_route(
    request: Request, parts: PartsDep, by: WhoDep, route_id: RouteId, given: RoutePut
) -> RouteSetOut:
    """All settings anew. What waits is tried at once; a route that is turned on goes on from where it was."""
    old = parts.set_routes.state(route_id).route
    with refusals():
        route = given.route(route_id, old.way, old)
    refuse_opening(request, route, old)
    return _set_out(parts, parts.set_routes.change(route, at_ns=parts.now_ns(), by=by))


@router.delete(
    "/{route_id}",
    status_code=204,
    summary="Remove a route",
    responses=responses(403, 404, 409),
    dependencies=ENGINEER,
)
def remove_route(parts: PartsDep, by: WhoDep, route_id: RouteId) -> None:
    """With all that waits on it."""
    parts.set_routes.remove(route_id, at_ns=parts.now_ns(), by=by)


@router.post(
    "/{route_id}/secret",
    summary="Sign with another secret",
    responses=responses(403, 404, 409),
    dependencies=ENGINEER,
)
def change_secret(parts: PartsDep, by: WhoDep, route_id: RouteId) -> RouteSetOut:
    """From now on. The new one is in this answer and in no other."""
    return _set_out(parts, parts.set_routes.new_secret(route_id, at_ns=parts.now_ns(), by=by))


@router.post(
    "/{route_id}/test",
    status_code=202,
    summary="Send a test",
    responses=responses(403, 404),
    dependencies=ENGINEER,
)
def test_route(parts: PartsDep, by: WhoDep, route_id: RouteId) -> TestedOut:
    """One event that says of itself that it is a test, once and at once, whatever waits."""
    event = parts.set_routes.test(route_id, at_ns=parts.now_ns(), by=by)
    return TestedOut.model_construct(event=event)


@router.post("/{route_id}/retry", summary="Try at once", responses=responses(403, 404), dependencies=ENGINEER)
def retry_route(parts: PartsDep, by: WhoDep, route_id: RouteId) -> RouteOut:
    """All that waits, also where the endpoint had said that it is gone."""
    parts.set_routes.retry(route_id, at_ns=parts.now_ns(), by=by)
    return _route_out(parts, route_id)


@router.post(
    "/{route_id}/drop",
    summary="Drop what waits",
    responses=responses(403, 404, 413),
    dependencies=ENGINEER,
)
def drop_waiting(parts: PartsDep, by: WhoDep, route_id: RouteId, given: DropIn) -> DroppedOut:
    """Of one drive, or all of it and what was not looked at yet. It is never sent by this route then."""
    went = parts.set_routes.drop(route_id, lane=given.drive, at_ns=parts.now_ns(), by=by)
    return DroppedOut.model_construct(events=went)


def refuse_opening(request: Request, new: Route, old: Route | None) -> None:
    """Raise ProblemError (403) where a target inside would be opened by who may not."""
    caller = caller_of(request)
    if opens_inside(new, old) and caller.role < Role.ADMINISTRATOR:
        raise ProblemError(
            403,
            f"to let a route call inside is for an administrator, and {caller.name} is {caller.role.word}: ask one, or "
            "leave allow_private out",
        )


def _route_out(parts: PartsDep, route_id: str) -> RouteOut:
    state = parts.set_routes.state(route_id)
    return RouteOut.of(state, _held(parts, state))


def _held(parts: PartsDep, state: RouteState) -> list[Outgoing]:
    return list(parts.set_routes.held(state.route.route_id)) if state.delivery.held else []


def _set_out(parts: PartsDep, done: SetRoute) -> RouteSetOut:
    return RouteSetOut.model_construct(route=_route_out(parts, done.route.route_id), secret=done.new_secret)
