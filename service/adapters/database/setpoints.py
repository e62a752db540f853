"""What people set of setpoints.

Knows how the port `Setpoints` becomes SQL; must not know what is built in, nor which of them counts.
"""

from typing import Any

from sqlalchemy import Connection, Row, and_, case, delete, select, update

from service.adapters.database import watch_tables as tables
from service.adapters.database.audit_log import write_within
from service.adapters.database.dialect import insert_into
from service.adapters.database.transactions import Transactions
from service.core.audit import AuditEntry
from service.core.setpoint import FIELDS, ConditionKind, Override, Priority, Scope
from service.ports import NotFoundError

_o, _v = tables.setpoint_override.c, tables.setpoint_version.c
_KEY = ("scope", "name", "kind")


class DatabaseSetpoints:
    """The port `Setpoints` over a database."""

    def __init__(self, transactions: Transactions) -> None:
        self._transactions = transactions

    def version(self) -> int:
        """A number that rises with every change."""
        with self._transactions.reading() as connection:
            return int(connection.execute(select(_v.version)).scalar_one())

    def overrides(self) -> list[Override]:
        """All that hold, by scope from site to drive, name and kind."""
        rank = case({str(scope): rank for rank, scope in enumerate(Scope)}, value=_o.scope)
        query = select(tables.setpoint_override).order_by(rank, _o.name, _o.kind)
        with self._transactions.reading() as connection:
            return [_to_override(row) for row in connection.execute(query)]

    def put(self, override: Override, *, entry: AuditEntry | None = None) -> None:
        """Set it, in place of what was set for the same scope, name and kind."""
        values: dict[str, Any] = {name: getattr(override, name) for name in FIELDS}
        values["priority"] = None if override.priority is None else int(override.priority)
        values["enabled"] = None if override.enabled is None else int(override.enabled)
        values |= {"why": override.why, "by_whom": override.by, "at_ns": override.at_ns}
        keys = {"scope": str(override.scope), "name": override.name, "kind": str(override.kind)}
        statement = insert_into(tables.setpoint_override).values(**keys, **values)
        with self._transactions.writing() as connection:
            connection.execute(statement.on_conflict_do_update(index_elements=list(_KEY), set_=values))
            _raise_version(connection)
            write_within(connection, entry)

    def remove(
        self, scope: Scope, name: str, kind: ConditionKind, *, entry: AuditEntry | None = None
    ) -> None:
        """Go back to what is less specific, or built in. Raises NotFoundError where nothing was set."""
        it = and_(_o.scope == str(scope), _o.name == name, _o.kind == str(kind))
        with self._transactions.writing() as connection:
            if not connection.execute(delete(tables.setpoint_override).where(it)).rowcount:
                raise NotFoundError(f"nothing is set of {kind} for {scope} {name!r}: nothing to remove")
            _raise_version(connection)
            write_within(connection, entry)


def _raise_version(connection: Connection) -> None:
    connection.execute(update(tables.setpoint_version).values(version=_v.version + 1))


def _to_override(row: Row[Any]) -> Override:
    values: dict[str, Any] = {name: getattr(row, name) for name in FIELDS}
    values["priority"] = None if row.priority is None else Priority(row.priority)
    values["enabled"] = None if row.enabled is None else bool(row.enabled)
    return Override(
        scope=Scope(row.scope),
        name=row.name,
        kind=ConditionKind(row.kind),
        **values,
        why=row.why,
        by=row.by_whom,
        at_ns=row.at_ns,
    )
