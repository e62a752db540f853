"""Planned stops, supply, and duty as people plan it.

Knows how the ports `PlannedStops`, `Supplies` and `DutyPlans` become SQL; must not know what is planned by them.
"""

from dataclasses import replace
from typing import Any

from sqlalchemy import Connection, Row, and_, case, delete, insert, select, update

from service.adapters.database import changes_tables as tables
from service.adapters.database.audit_log import write_within
from service.adapters.database.dialect import insert_into
from service.adapters.database.register import find_drive
from service.adapters.database.transactions import Transactions
from service.core.audit import AuditEntry
from service.core.duty import DutyPlan
from service.core.planned_stop import PlannedStop
from service.core.supply import FIELDS, Supply, SupplyScope
from service.ports import KeptDutyPlan, NotFoundError

_p, _s, _d, _c = tables.planned_stop.c, tables.supply.c, tables.duty_plan.c, tables.plans_changed.c
_STOP = ("name", "site", "area", "line", "starts_ns", "ends_ns", "note", "recorded_ns")
_HOURS = tuple(f"hours_{day}" for day in range(1, 8))


class DatabasePlannedStops:
    """The port `PlannedStops` over a database."""

    def __init__(self, transactions: Transactions) -> None:
        self._transactions = transactions

    def changed_ns(self) -> int:
        """When any was changed last; 0 where none ever was."""
        return _changed_ns(self._transactions, tables.planned_stop.name)

    def stops(self, ends_after_ns: int = 0) -> list[PlannedStop]:
        """Those that end after an instant, by starts_ns then number."""
        query = select(tables.planned_stop).where(_p.ends_ns > ends_after_ns)
        with self._transactions.reading() as connection:
            return [_to_stop(row) for row in connection.execute(query.order_by(_p.starts_ns, _p.number))]

    def stop(self, number: int) -> PlannedStop:
        """One. Raises NotFoundError."""
        query = select(tables.planned_stop).where(_p.number == number)
        with self._transactions.reading() as connection:
            row = connection.execute(query).first()
        if row is None:
            raise _no_stop(number)
        return _to_stop(row)

    def add(self, stop: PlannedStop, *, entry: AuditEntry | None = None) -> PlannedStop:
        """Store one and return it with its number."""
        with self._transactions.writing() as connection:
            statement = insert(tables.planned_stop).returning(_p.number)
            number = int(connection.execute(statement, _stop_values(stop)).scalar_one())
            note_change_within(connection, tables.planned_stop.name, stop.recorded_ns)
            write_within(connection, entry)
        return replace(stop, number=number)

    def change(self, stop: PlannedStop, *, entry: AuditEntry | None = None) -> None:
        """Put it in place of the one with its number. Raises NotFoundError."""
        statement = update(tables.planned_stop).where(_p.number == stop.number).values(_stop_values(stop))
        with self._transactions.writing() as connection:
            if not connection.execute(statement).rowcount:
                raise _no_stop(stop.number)
            note_change_within(connection, tables.planned_stop.name, stop.recorded_ns)
            write_within(connection, entry)

    def remove(self, number: int, at_ns: int, *, entry: AuditEntry | None = None) -> None:
        """Take it off the plan. Raises NotFoundError."""
        with self._transactions.writing() as connection:
            if not connection.execute(delete(tables.planned_stop).where(_p.number == number)).rowcount:
                raise _no_stop(number)
            note_change_within(connection, tables.planned_stop.name, at_ns)
            write_within(connection, entry)


class DatabaseSupplies:
    """The port `Supplies` over a database."""

    def __init__(self, transactions: Transactions) -> None:
        self._transactions = transactions

    def changed_ns(self) -> int:
        """When any was changed last; 0 where none ever was."""
        return _changed_ns(self._transactions, tables.supply.name)

    def supplies(self) -> list[Supply]:
        """All, by scope from site to drive, then name."""
        rank = case({str(scope): rank for rank, scope in enumerate(SupplyScope)}, value=_s.scope)
        with self._transactions.reading() as connection:
            rows = connection.execute(select(tables.supply).order_by(rank, _s.name))
            return [_to_supply(row) for row in rows]

    def put(self, supply: Supply, *, entry: AuditEntry | None = None) -> None:
        """Set it, in place of what was set for the same scope and name."""
        values = {name: getattr(supply, name) for name in FIELDS}
        values |= {"why": supply.why, "by_whom": supply.by, "at_ns": supply.at_ns}
        statement = insert_into(tables.supply).values(scope=str(supply.scope), name=supply.name, **values)
        with self._transactions.writing() as connection:
            connection.execute(statement.on_conflict_do_update(index_elements=["scope", "name"], set_=values))
            note_change_within(connection, tables.supply.name, supply.at_ns)
            write_within(connection, entry)

    def remove(self, scope: SupplyScope, name: str, at_ns: int, *, entry: AuditEntry | None = None) -> None:
        """Take it back. Raises NotFoundError where nothing was set."""
        it = and_(_s.scope == str(scope), _s.name == name)
        with self._transactions.writing() as connection:
            if not connection.execute(delete(tables.supply).where(it)).rowcount:
                raise NotFoundError(f"nothing is set for {scope} {name!r}: nothing to remove")
            note_change_within(connection, tables.supply.name, at_ns)
            write_within(connection, entry)


class DatabaseDutyPlans:
    """The port `DutyPlans` over a database."""

    def __init__(self, transactions: Transactions) -> None:
        self._transactions = transactions

    def changed_ns(self) -> int:
        """When any was changed last; 0 where none ever was."""
        return _changed_ns(self._transactions, tables.duty_plan.name)

    def plans(self) -> list[KeptDutyPlan]:
        """All, by drive_id."""
        with self._transactions.reading() as connection:
            rows = connection.execute(select(tables.duty_plan).order_by(_d.drive_id))
            return [_to_plan(row) for row in rows]

    def plan(self, drive_id: str) -> KeptDutyPlan | None:
        """That of a drive, None where there is none."""
        with self._transactions.reading() as connection:
            row = connection.execute(select(tables.duty_plan).where(_d.drive_id == drive_id)).first()
            return None if row is None else _to_plan(row)

    def put(self, plan: KeptDutyPlan, *, entry: AuditEntry | None = None) -> None:
        """Set it, in place of the one before. Raises NotFoundError (drive)."""
        values: dict[str, Any] = dict(zip(_HOURS, plan.plan.hours_by_weekday, strict=True))
        values |= {"clock_per_hour": plan.plan.clock_per_hour, "why": plan.why}
        values |= {"by_whom": plan.by, "at_ns": plan.at_ns}
        statement = insert_into(tables.duty_plan).values(drive_id=plan.drive_id, **values)
        with self._transactions.writing() as connection:
            find_drive(connection, plan.drive_id)
            connection.execute(statement.on_conflict_do_update(index_elements=["drive_id"], set_=values))
            note_change_within(connection, tables.duty_plan.name, plan.at_ns)
            write_within(connection, entry)

    def remove(self, drive_id: str, at_ns: int, *, entry: AuditEntry | None = None) -> None:
        """Go back to what the drive itself shows. Raises NotFoundError where there is none."""
        with self._transactions.writing() as connection:
            if not connection.execute(delete(tables.duty_plan).where(_d.drive_id == drive_id)).rowcount:
                raise NotFoundError(f"no duty is planned for {drive_id!r}: nothing to remove")
            note_change_within(connection, tables.duty_plan.name, at_ns)
            write_within(connection, entry)


def _changed_ns(transactions: Transactions, part: str) -> int:
    with transactions.reading() as connection:
        found = connection.execute(select(_c.at_ns).where(_c.part == part)).scalar()
    return int(found or 0)


def note_change_within(connection: Connection, part: str, at_ns: int) -> None:
    """Note when something was changed; a clock that was put back does not put it back."""
    statement = insert_into(tables.plans_changed).values(part=part, at_ns=at_ns)
    newest = case((_c.at_ns > at_ns, _c.at_ns), else_=at_ns)
    connection.execute(statement.on_conflict_do_update(index_elements=["part"], set_={"at_ns": newest}))


def _no_stop(number: int) -> NotFoundError:
    return NotFoundError(f"there is no planned stop {number}: look at the list of stops")


def _stop_values(stop: PlannedStop) -> dict[str, Any]:
    return {name: getattr(stop, name) for name in _STOP} | {"by_whom": stop.by}


def _to_stop(row: Row[Any]) -> PlannedStop:
    return PlannedStop(**{name: getattr(row, name) for name in _STOP}, by=row.by_whom, number=row.number)


def _to_supply(row: Row[Any]) -> Supply:
    return Supply(
        scope=SupplyScope(row.scope),
        name=row.name,
        **{name: getattr(row, name) for name in FIELDS},
        why=row.why,
        by=row.by_whom,
        at_ns=row.at_ns,
    )


def _to_plan(row: Row[Any]) -> KeptDutyPlan:
    return KeptDutyPlan(
        drive_id=row.drive_id,
        plan=DutyPlan(
            hours_by_weekday=tuple(getattr(row, name) for name in _HOURS), clock_per_hour=row.clock_per_hour
        ),
        why=row.why,
        by=row.by_whom,
        at_ns=row.at_ns,
    )
