"""Routes, and what is on its way along them.

Knows how the port `Outbox` becomes SQL; must not know what a route is good for, nor how a message is sent.
"""

import json
from collections.abc import Sequence
from dataclasses import fields, replace
from typing import Any

from sqlalchemy import Connection, Row, Select, and_, case, delete, func, insert, or_, select, update

from service.adapters.database.audit_log import write_within
from service.adapters.database.dialect import insert_into
from service.adapters.database.outgoing_tables import delivery, outgoing, route, store_name
from service.adapters.database.transactions import Transactions
from service.core.audit import AuditEntry
from service.core.event import decode, encode
from service.core.route import QuietHours, Route, Way, What
from service.core.setpoint import ConditionKind, Priority
from service.ports import ConflictError, Delivery, NotFoundError, Outgoing, OutgoingKind

_r, _d, _o = route.c, delivery.c, outgoing.c
_LISTS = ("sites", "areas", "lines", "drives", "kinds", "shifts")
_FRESH = {"failures": 0, "failing_since_ns": None, "next_try_ns": 0, "off_why": ""}


class DatabaseOutbox:
    """The port `Outbox` over a database."""

    def __init__(self, transactions: Transactions) -> None:
        self._transactions = transactions

    def instance(self) -> str:
        """The name of this store."""
        with self._transactions.reading() as connection:
            return str(connection.execute(select(store_name.c.name)).scalar_one())

    # Routes

    def routes(self) -> list[Route]:
        """All routes by id."""
        with self._transactions.reading() as connection:
            return [_to_route(row) for row in connection.execute(select(route).order_by(_r.route_id))]

    def route(self, route_id: str) -> Route:
        """One route. Raises NotFoundError."""
        with self._transactions.reading() as connection:
            return _find(connection, route_id)

    def add(self, new: Route, position: int, *, entry: AuditEntry | None = None) -> None:
        """Add a route. See the port."""
        with self._transactions.writing() as connection:
            if connection.execute(select(_r.route_id).where(_r.route_id == new.route_id)).first() is not None:
                raise ConflictError(
                    f"route {new.route_id!r} is there already: change it, or choose another id"
                )
            connection.execute(insert(route), _values(new))
            connection.execute(
                insert(delivery),
                {
                    "route_id": new.route_id,
                    "position": position,
                    "sent": 0,
                    "error": "",
                    "test_error": "",
                    **_FRESH,
                },
            )
            write_within(connection, entry)

    def change(self, new: Route, *, entry: AuditEntry | None = None) -> None:
        """Replace a route's settings. See the port."""
        with self._transactions.writing() as connection:
            _find(connection, new.route_id)
            connection.execute(update(route).where(_r.route_id == new.route_id).values(_values(new)))
            _begin_again(connection, new.route_id)
            write_within(connection, entry)

    def remove(self, route_id: str, *, entry: AuditEntry | None = None) -> None:
        """Take a route away, with all that waits on it."""
        with self._transactions.writing() as connection:
            _find(connection, route_id)
            for table in (outgoing, delivery, route):
                connection.execute(delete(table).where(table.c.route_id == route_id))
            write_within(connection, entry)

    # How they get on

    def delivery(self, route_id: str) -> Delivery:
        """How one route gets on."""
        with self._transactions.reading() as connection:
            row = connection.execute(_deliveries().where(_d.route_id == route_id)).one_or_none()
        if row is None:
            raise _not_there(route_id)
        return Delivery(**row._mapping)  # noqa: SLF001

    def deliveries(self) -> list[Delivery]:
        """How all get on."""
        with self._transactions.reading() as connection:
            rows = connection.execute(_deliveries().order_by(_d.route_id)).all()
        return [Delivery(**row._mapping) for row in rows]  # noqa: SLF001

    def held(self, route_id: str, rows_max: int = 100) -> list[Outgoing]:
        """What was refused and waits to be tried again."""
        query = select(outgoing).where(_o.route_id == route_id, _o.error != "").order_by(_o.row)
        with self._transactions.reading() as connection:
            return [_to_outgoing(row) for row in connection.execute(query.limit(rows_max))]

    # On their way

    def plan(
        self,
        route_id: str,
        *,
        before: int,
        position: int,
        rows: Sequence[Outgoing],
        called_off: Sequence[str] = (),
    ) -> bool:
        """Put rows on their way and note how far was looked. See the port."""
        with self._transactions.writing() as connection:
            moved = connection.execute(
                update(delivery)
                .where(_d.route_id == route_id, _d.position == before)
                .values(position=position)
            )
            if not moved.rowcount:
                return False
            if called_off:
                connection.execute(
                    delete(outgoing).where(_o.route_id == route_id, _o.alert_id.in_(list(called_off)))
                )
            for lane, due_ns in _earliest(rows).items():
                connection.execute(
                    update(outgoing)
                    .where(_o.route_id == route_id, _o.lane == lane, _o.due_ns > due_ns)
                    .values(due_ns=due_ns)
                )
            _put(connection, _in_order(rows))
        return True

    def put(self, rows: Sequence[Outgoing]) -> int:
        """Put documents and tests on their way."""
        with self._transactions.writing() as connection:
            for route_id in {each.route_id for each in rows}:
                _find(connection, route_id)
            return _put(connection, rows)

    def due(self, route_id: str, now_ns: int, rows_max: int = 100, *, tests: bool = False) -> list[Outgoing]:
        """What is to be sent now, in order. See the port."""
        mine = and_(
            _o.route_id == route_id,
            _o.kind == OutgoingKind.TEST if tests else _o.kind != OutgoingKind.TEST,
        )
        waits = or_(_o.due_ns > now_ns, _o.next_try_ns > now_ns)
        stops = (
            select(_o.lane, func.min(_o.row).label("row"))
            .where(mine, waits)
            .group_by(_o.lane)
            .subquery("stops")
        )
        query = (
            select(outgoing)
            .outerjoin(stops, stops.c.lane == _o.lane)
            .where(mine, or_(stops.c.row.is_(None), _o.row < stops.c.row))
            .order_by(_o.row)
            .limit(rows_max)
        )
        with self._transactions.reading() as connection:
            return [_to_outgoing(row) for row in connection.execute(query)]

    # What came of it

    def sent(self, route_id: str, rows: Sequence[int], at_ns: int) -> None:
        """These arrived."""
        with self._transactions.writing() as connection:
            went = connection.execute(
                delete(outgoing).where(_o.route_id == route_id, _o.row.in_(list(rows)))
            ).rowcount
            values = {**_FRESH, "error": "", "success_ns": at_ns, "sent": _d.sent + went}
            del values["off_why"]
            connection.execute(update(delivery).where(_d.route_id == route_id).values(values))

    def refused(self, row: int, error: str, next_try_ns: int) -> None:
        """That one was refused."""
        with self._transactions.writing() as connection:
            values = {"tries": _o.tries + 1, "error": error, "next_try_ns": next_try_ns}
            connection.execute(update(outgoing).where(_o.row == row).values(values))

    def failed(self, route_id: str, error: str, at_ns: int, next_try_ns: int) -> None:
        """The way failed."""
        with self._transactions.writing() as connection:
            connection.execute(
                update(delivery)
                .where(_d.route_id == route_id)
                .values(
                    failures=_d.failures + 1,
                    failing_since_ns=func.coalesce(_d.failing_since_ns, at_ns),
                    next_try_ns=next_try_ns,
                    error=error,
                    error_ns=at_ns,
                )
            )

    def gone(self, route_id: str, why: str, at_ns: int) -> None:
        """The endpoint is there no more."""
        with self._transactions.writing() as connection:
            connection.execute(
                update(delivery).where(_d.route_id == route_id).values(off_why=why, error=why, error_ns=at_ns)
            )

    def tested(self, route_id: str, row: int, error: str, at_ns: int) -> None:
        """A test was tried."""
        with self._transactions.writing() as connection:
            connection.execute(delete(outgoing).where(_o.row == row))
            values = {"test_ns": at_ns, "test_error": error}
            connection.execute(update(delivery).where(_d.route_id == route_id).values(values))

    def retry(self, route_id: str, *, entry: AuditEntry | None = None) -> None:
        """Try all that waits at once."""
        with self._transactions.writing() as connection:
            _find(connection, route_id)
            _begin_again(connection, route_id)
            write_within(connection, entry)

    def drop(self, route_id: str, lane: str | None, position: int, *, entry: AuditEntry | None = None) -> int:
        """Drop what waits. See the port."""
        with self._transactions.writing() as connection:
            _find(connection, route_id)
            gone = delete(outgoing).where(_o.route_id == route_id)
            if lane is not None:
                gone = gone.where(_o.lane == lane)
            else:
                connection.execute(
                    update(delivery)
                    .where(_d.route_id == route_id, _d.position < position)
                    .values(position=position)
                )
            write_within(connection, entry)
            return connection.execute(gone).rowcount


def _put(connection: Connection, rows: Sequence[Outgoing]) -> int:
    """Add rows that are not there; return how many."""
    if not rows:
        return 0
    statement = insert_into(outgoing).on_conflict_do_nothing(index_elements=["route_id", "event_id"])
    statement = statement.execution_options(preserve_rowcount=True)
    return sum(
        connection.execute(
            statement,
            {
                "route_id": each.route_id,
                "kind": str(each.kind),
                "lane": each.lane,
                "alert_id": each.alert_id,
                "event_id": each.event.id,
                "event": encode(each.event).decode(),
                "made_ns": each.made_ns,
                "due_ns": each.due_ns,
                "tries": 0,
                "next_try_ns": 0,
                "error": "",
            },
        ).rowcount
        for each in rows
    )


def _in_order(rows: Sequence[Outgoing]) -> list[Outgoing]:
    """The rows, none due after a later one of its lane."""
    earliest: dict[str, int] = {}
    ordered = []
    for each in reversed(rows):
        due_ns = earliest[each.lane] = min(each.due_ns, earliest.get(each.lane, each.due_ns))
        ordered.append(replace(each, due_ns=due_ns))
    return ordered[::-1]


def _earliest(rows: Sequence[Outgoing]) -> dict[str, int]:
    earliest: dict[str, int] = {}
    for each in rows:
        earliest[each.lane] = min(each.due_ns, earliest.get(each.lane, each.due_ns))
    return earliest


def _begin_again(connection: Connection, route_id: str) -> None:
    connection.execute(update(delivery).where(_d.route_id == route_id).values(_FRESH))
    connection.execute(update(outgoing).where(_o.route_id == route_id).values(next_try_ns=0))


def _deliveries() -> Select[Any]:
    waiting = (
        select(
            _o.route_id,
            func.count().label("waiting"),
            func.sum(case((_o.error != "", 1), else_=0)).label("held"),
            func.min(_o.made_ns).label("oldest_ns"),
        )
        .group_by(_o.route_id)
        .subquery("waiting")
    )
    c = waiting.c
    return select(
        delivery,
        func.coalesce(c.waiting, 0).label("waiting"),
        func.coalesce(c.held, 0).label("held"),
        c.oldest_ns,
    ).outerjoin(waiting, c.route_id == _d.route_id)


def _find(connection: Connection, route_id: str) -> Route:
    row = connection.execute(select(route).where(_r.route_id == route_id)).one_or_none()
    if row is None:
        raise _not_there(route_id)
    return _to_route(row)


def _not_there(route_id: str) -> NotFoundError:
    return NotFoundError(f"there is no route {route_id!r}: correct the id, or add it")


def _values(of: Route) -> dict[str, Any]:
    values = {each.name: getattr(of, each.name) for each in fields(of) if each.name != "quiet"}
    quiet = of.quiet
    return {
        **values,
        **{name: json.dumps([str(each) for each in values[name]], ensure_ascii=False) for name in _LISTS},
        "way": str(of.way),
        "what": str(of.what),
        "least_priority": int(of.least_priority),
        **{name: int(values[name]) for name in ("documents", "enabled", "allow_private")},
        "quiet_start_min": quiet and quiet.start_min,
        "quiet_to_min": quiet and quiet.to_min,
        "quiet_through": None if quiet is None or quiet.through is None else int(quiet.through),
    }


def _to_route(row: Row[Any]) -> Route:
    quiet = None
    if row.quiet_start_min is not None:
        through = None if row.quiet_through is None else Priority(row.quiet_through)
        quiet = QuietHours(start_min=row.quiet_start_min, to_min=row.quiet_to_min, through=through)
    lists = {name: tuple(json.loads(getattr(row, name))) for name in _LISTS}
    return Route(
        route_id=row.route_id,
        way=Way(row.way),
        name=row.name,
        target=row.target,
        secret=row.secret,
        **lists | {"kinds": tuple(map(ConditionKind, lists["kinds"]))},
        least_priority=Priority(row.least_priority),
        what=What(row.what),
        documents=bool(row.documents),
        digest_min=row.digest_min,
        quiet=quiet,
        escalation_after_s=row.escalation_after_s,
        enabled=bool(row.enabled),
        allow_private=bool(row.allow_private),
    )


def _to_outgoing(row: Row[Any]) -> Outgoing:
    values = dict(row._mapping)  # noqa: SLF001
    del values["event_id"]
    return Outgoing(**values | {"kind": OutgoingKind(row.kind), "event": decode(row.event)})
