"""Door: a person says who is told of what. Each change is checked, done, logged and written into the audit log.

Knows the ports and core; must not know how the person came in. `at_ns` is now, read once by the caller; `by` is who acted.
A webhook without a secret of its own gets one here, which is handed back once and never shown again.
"""

import base64
import secrets
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import structlog

from service.core.audit import AuditEntry, entry_of
from service.core.fields import FieldsRefusedError
from service.core.route import BROKER_ROUTE, Route, Way
from service.dispatch import Dispatch
from service.ports import AlertLog, ConflictError, Delivery, Outbox, Outgoing

ROUTES_MAX = 50  # each has a thread in the worker

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class SetRoute:
    """A route as it now is, and the secret that was made for it, if one was: to be shown once."""

    route: Route
    new_secret: str = ""


@dataclass(frozen=True, slots=True)
class RouteState:
    """A route, how it gets on, and what it has not looked at yet."""

    route: Route
    delivery: Delivery
    behind: int  # transitions recorded since

    @property
    def waiting(self) -> int:
        """Events on their way, and transitions that may become some."""
        return self.delivery.waiting + self.behind

    @property
    def dead(self) -> bool:
        """Whether nothing gets through, and somebody should look."""
        return self.route.enabled and bool(self.delivery.off_why or self.delivery.failures)


class SetRoutes:
    """What people do to routes."""

    def __init__(self, outbox: Outbox, alert_log: AlertLog, dispatch: Dispatch) -> None:
        self._outbox, self._alert_log, self._dispatch = outbox, alert_log, dispatch

    def states(self) -> list[RouteState]:
        """All routes by id, with how they get on."""
        newest = self._alert_log.newest_number()
        known = {each.route_id: each for each in self._outbox.deliveries()}
        return [
            RouteState(route, known[route.route_id], max(0, newest - known[route.route_id].position))
            for route in self._outbox.routes()
            if route.route_id in known
        ]

    def state(self, route_id: str) -> RouteState:
        """One of them. Raises NotFoundError."""
        route, delivery = self._outbox.route(route_id), self._outbox.delivery(route_id)
        return RouteState(route, delivery, max(0, self._alert_log.newest_number() - delivery.position))

    def held(self, route_id: str) -> Sequence[Outgoing]:
        """What its endpoint refused and waits to be tried again. Raises NotFoundError."""
        self._outbox.route(route_id)
        return self._outbox.held(route_id)

    def add(self, route: Route, *, at_ns: int, by: str, why: str = "") -> SetRoute:
        """Add a route; it tells of what happens from now on. Raises ConflictError."""
        if route.built_in:
            raise ConflictError(
                f"route {BROKER_ROUTE!r} is there by itself (deliver.mqtt): choose another id"
            )
        if len(self._outbox.routes()) >= ROUTES_MAX:
            raise ConflictError(
                f"there are {ROUTES_MAX} routes already, the most there may be: remove one first"
            )
        made = _with_secret(route)
        entry = entry_of(
            at_ns=at_ns,
            by=by,
            what="route added",
            subject=f"route {route.route_id}",
            new=_told(made.route),
            why=why,
        )
        self._outbox.add(made.route, self._alert_log.newest_number(), entry=entry)
        log.info("route added", route=route.route_id, way=str(route.way), by=by)
        return made

    def change(self, route: Route, *, at_ns: int, by: str, why: str = "") -> SetRoute:
        """Replace a route's settings; an empty secret makes another. Raises NotFoundError, FieldsRefusedError."""
        old = self._outbox.route(route.route_id)
        if old.way is not route.way:
            raise FieldsRefusedError({"way": f"stays {old.way}: add another route, and remove this one"})
        made = _with_secret(route)
        entry = entry_of(
            at_ns=at_ns,
            by=by,
            what="route changed",
            subject=f"route {route.route_id}",
            old=_told(old),
            new=_told(made.route),
            why=why,
        )
        self._outbox.change(made.route, entry=entry)
        log.info("route changed", route=route.route_id, by=by)
        return made

    def new_secret(self, route_id: str, *, at_ns: int, by: str) -> SetRoute:
        """Sign with another secret from now on, and hand it back. Raises NotFoundError, ConflictError."""
        route = self._outbox.route(route_id)
        if route.way is not Way.WEBHOOK:
            raise ConflictError(f"route {route_id!r} is no webhook: only these are signed")
        made = _with_secret(replace(route, secret=""))
        self._outbox.change(made.route, entry=_entry(route_id, "secret of a route changed", at_ns, by))
        log.info("secret of a route changed", route=route_id, by=by)
        return made

    def remove(self, route_id: str, *, at_ns: int, by: str) -> None:
        """Take a route away with all that waits on it. Raises NotFoundError, ConflictError."""
        route = self._outbox.route(route_id)
        if route.built_in:
            raise ConflictError("this route is there by itself: turn it off, or set deliver.mqtt = false")
        entry = entry_of(
            at_ns=at_ns, by=by, what="route removed", subject=f"route {route_id}", old=_told(route)
        )
        self._outbox.remove(route_id, entry=entry)
        log.info("route removed", route=route_id, by=by)

    def test(self, route_id: str, *, at_ns: int, by: str) -> str:
        """Send a test event, once and at once, whatever waits; return its id. Raises NotFoundError."""
        test_id = self._dispatch.enqueue_test(route_id, at_ns)
        log.info("route test asked", route=route_id, by=by)
        return test_id

    def retry(self, route_id: str, *, at_ns: int, by: str) -> None:
        """Try all that waits at once, also where the endpoint had said that it is gone. Raises NotFoundError."""
        self._outbox.retry(route_id, entry=_entry(route_id, "route tried again", at_ns, by))
        log.info("route tried again", route=route_id, by=by)

    def drop(self, route_id: str, *, lane: str | None, at_ns: int, by: str) -> int:
        """Drop what waits: of one drive, or all of it and what was not looked at. Raises NotFoundError."""
        what = f"what waits on a route dropped{f', of {lane}' if lane else ''}"
        entry = _entry(route_id, what, at_ns, by)
        went = self._outbox.drop(route_id, lane, self._alert_log.newest_number(), entry=entry)
        log.info("route dropped what waits", route=route_id, lane=lane, events=went, by=by)
        return went


def new_secret() -> str:
    """Return a secret of 24 random bytes as the Standard Webhooks specification writes it (from memory)."""
    return "whsec_" + base64.b64encode(secrets.token_bytes(24)).decode()


def _with_secret(route: Route) -> SetRoute:
    if route.way is not Way.WEBHOOK or route.secret:
        return SetRoute(route)
    made = new_secret()
    return SetRoute(replace(route, secret=made), made)


def _told(route: Route) -> dict[str, object]:
    """What of a route may stand in the audit log: not its target as it is, which may hold a password."""
    told: dict[str, object] = {each.name: getattr(route, each.name) for each in fields(route)}
    return told | {"target": route.shown_target}


def _entry(route_id: str, what: str, at_ns: int, by: str) -> AuditEntry:
    return AuditEntry(at_ns=at_ns, by=by, what=what, subject=f"route {route_id}")
