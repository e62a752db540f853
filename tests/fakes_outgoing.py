"""In-memory stand-ins for what goes out: the outbox, and a notifier that plays what a test tells it to."""

from collections.abc import Callable, Sequence
from dataclasses import replace

from service.core.audit import AuditEntry
from service.core.event import CloudEvent
from service.core.route import Route
from service.ports import (
    ConflictError,
    Delivery,
    NotFoundError,
    Outgoing,
    OutgoingKind,
    StoreUnavailableError,
)
from tests.fakes_people import FakeAuditLog


class FakeOutbox:
    """Routes and what waits on them, in dicts and one list."""

    def __init__(self, audit_log: FakeAuditLog | None = None) -> None:
        self.down: str | None = None
        self._audit_log = audit_log or FakeAuditLog()
        self._routes: dict[str, Route] = {}
        self._deliveries: dict[str, Delivery] = {}
        self._rows: list[Outgoing] = []
        self._last_row = 0

    def _refuse_if_down(self) -> None:
        if self.down is not None:
            raise StoreUnavailableError(self.down)

    def instance(self) -> str:
        self._refuse_if_down()
        return "fakefakefakefake"

    def routes(self) -> list[Route]:
        self._refuse_if_down()
        return sorted(self._routes.values(), key=lambda route: route.route_id)

    def route(self, route_id: str) -> Route:
        self._refuse_if_down()
        if route_id not in self._routes:
            raise NotFoundError(f"there is no route {route_id!r}: correct the id, or add it")
        return self._routes[route_id]

    def add(self, route: Route, position: int, *, entry: AuditEntry | None = None) -> None:
        self._refuse_if_down()
        if route.route_id in self._routes:
            raise ConflictError(f"route {route.route_id!r} is there already: change it, or choose another id")
        self._audit_log.record(entry)
        self._routes[route.route_id] = route
        self._deliveries[route.route_id] = Delivery(route_id=route.route_id, position=position)

    def change(self, route: Route, *, entry: AuditEntry | None = None) -> None:
        self.retry(route.route_id, entry=entry)
        self._routes[route.route_id] = route

    def remove(self, route_id: str, *, entry: AuditEntry | None = None) -> None:
        self.route(route_id)
        self._audit_log.record(entry)
        del self._routes[route_id], self._deliveries[route_id]
        self._rows = [each for each in self._rows if each.route_id != route_id]

    def delivery(self, route_id: str) -> Delivery:
        self.route(route_id)
        mine = [each for each in self._rows if each.route_id == route_id]
        return replace(
            self._deliveries[route_id],
            waiting=len(mine),
            held=sum(bool(each.error) for each in mine),
            oldest_ns=min((each.made_ns for each in mine), default=None),
        )

    def deliveries(self) -> list[Delivery]:
        return [self.delivery(route.route_id) for route in self.routes()]

    def held(self, route_id: str, rows_max: int = 100) -> list[Outgoing]:
        self._refuse_if_down()
        return [each for each in self._rows if each.route_id == route_id and each.error][:rows_max]

    def plan(
        self,
        route_id: str,
        *,
        before: int,
        position: int,
        rows: Sequence[Outgoing],
        called_off: Sequence[str] = (),
    ) -> bool:
        self._refuse_if_down()
        known = self._deliveries.get(route_id)
        if known is None or known.position != before:
            return False
        self._deliveries[route_id] = replace(known, position=position)
        self._rows = [
            each for each in self._rows if each.route_id != route_id or each.alert_id not in called_off
        ]
        for row in rows:
            self._put(row)
            self._rows = [
                replace(each, due_ns=min(each.due_ns, row.due_ns))
                if (each.route_id, each.lane) == (route_id, row.lane)
                else each
                for each in self._rows
            ]
        return True

    def put(self, rows: Sequence[Outgoing]) -> int:
        for each in rows:
            self.route(each.route_id)
        return sum(self._put(each) for each in rows)

    def _put(self, row: Outgoing) -> bool:
        if any((each.route_id, each.event.id) == (row.route_id, row.event.id) for each in self._rows):
            return False
        self._last_row += 1
        self._rows.append(replace(row, row=self._last_row))
        return True

    def due(self, route_id: str, now_ns: int, rows_max: int = 100, *, tests: bool = False) -> list[Outgoing]:
        self._refuse_if_down()
        stopped: set[str] = set()
        found = []
        for each in self._rows:
            if each.route_id != route_id or (each.kind is OutgoingKind.TEST) is not tests:
                continue
            if each.due_ns > now_ns or each.next_try_ns > now_ns:
                stopped.add(each.lane)
            elif each.lane not in stopped:
                found.append(each)
        return found[:rows_max]

    def sent(self, route_id: str, rows: Sequence[int], at_ns: int) -> None:
        self._refuse_if_down()
        before = len(self._rows)
        self._rows = [each for each in self._rows if each.route_id != route_id or each.row not in rows]
        self._change(
            route_id,
            lambda known: replace(
                known,
                failures=0,
                failing_since_ns=None,
                next_try_ns=0,
                error="",
                success_ns=at_ns,
                sent=known.sent + before - len(self._rows),
            ),
        )

    def _change(self, route_id: str, how: Callable[[Delivery], Delivery]) -> None:
        if route_id in self._deliveries:
            self._deliveries[route_id] = how(self._deliveries[route_id])

    def refused(self, row: int, error: str, next_try_ns: int) -> None:
        self._refuse_if_down()
        self._rows = [
            replace(each, tries=each.tries + 1, error=error, next_try_ns=next_try_ns)
            if each.row == row
            else each
            for each in self._rows
        ]

    def failed(self, route_id: str, error: str, at_ns: int, next_try_ns: int) -> None:
        self._refuse_if_down()
        self._change(
            route_id,
            lambda known: replace(
                known,
                failures=known.failures + 1,
                failing_since_ns=at_ns if known.failing_since_ns is None else known.failing_since_ns,
                next_try_ns=next_try_ns,
                error=error,
                error_ns=at_ns,
            ),
        )

    def gone(self, route_id: str, why: str, at_ns: int) -> None:
        self._refuse_if_down()
        self._change(route_id, lambda known: replace(known, off_why=why, error=why, error_ns=at_ns))

    def tested(self, route_id: str, row: int, error: str, at_ns: int) -> None:
        self._refuse_if_down()
        self._rows = [each for each in self._rows if each.row != row]
        self._change(route_id, lambda known: replace(known, test_ns=at_ns, test_error=error))

    def retry(self, route_id: str, *, entry: AuditEntry | None = None) -> None:
        self.route(route_id)
        self._audit_log.record(entry)
        self._change(
            route_id,
            lambda known: replace(known, failures=0, failing_since_ns=None, next_try_ns=0, off_why=""),
        )
        self._rows = [
            replace(each, next_try_ns=0) if each.route_id == route_id else each for each in self._rows
        ]

    def drop(self, route_id: str, lane: str | None, position: int, *, entry: AuditEntry | None = None) -> int:
        self.route(route_id)
        self._audit_log.record(entry)
        if lane is None:
            self._change(route_id, lambda known: replace(known, position=max(position, known.position)))
        before = len(self._rows)
        self._rows = [
            each for each in self._rows if each.route_id != route_id or lane not in {None, each.lane}
        ]
        return before - len(self._rows)


class FakeNotifier:
    """Takes messages, and does before each what `play` says: raises it, or nothing."""

    def __init__(self, play: Callable[[Sequence[CloudEvent]], Exception | None] | None = None) -> None:
        self._play = play or (lambda _events: None)
        self.messages: list[tuple[str, list[CloudEvent]]] = []
        self.rested = 0
        self.closed = False

    @property
    def events(self) -> list[CloudEvent]:
        return [event for _id, events in self.messages for event in events]

    def send(self, events: Sequence[CloudEvent], message_id: str) -> None:
        if (fault := self._play(events)) is not None:
            raise fault
        self.messages.append((message_id, list(events)))

    def rest(self) -> None:
        self.rested += 1

    def close(self) -> None:
        self.closed = True
