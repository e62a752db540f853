"""Sprockets with their inspections, and what was done to drives.

Knows how the ports `Sprockets` and `UpkeepLog` become SQL; must not know when a sprocket is due or what a lubricant does.
"""

from dataclasses import asdict, replace
from typing import Any

from sqlalchemy import Connection, Row, insert, select, update

from service.adapters.database import lives_tables as tables
from service.adapters.database.audit_log import write_within
from service.adapters.database.register import find_drive
from service.adapters.database.transactions import Transactions
from service.core.audit import AuditEntry
from service.core.sprocket import Inspection, Place, Sprocket
from service.core.upkeep import Upkeep, UpkeepKind
from service.ports import ConflictError, NotFoundError

_s, _i, _u = tables.sprocket.c, tables.inspection.c, tables.upkeep.c


class DatabaseSprockets:
    """The port `Sprockets` over a database."""

    def __init__(self, transactions: Transactions) -> None:
        self._transactions = transactions

    def fit(self, sprocket: Sprocket, *, entry: AuditEntry | None = None) -> Sprocket:
        """Store one that is on and return it with its number. Raises NotFoundError (drive)."""
        values = asdict(sprocket) | {"place": str(sprocket.place), "by_whom": sprocket.by}
        del values["by"], values["number"]
        with self._transactions.writing() as connection:
            find_drive(connection, sprocket.drive_id)
            number = connection.execute(insert(tables.sprocket).returning(_s.number), values).scalar_one()
            write_within(connection, entry)
        return replace(sprocket, number=int(number))

    def take_off(self, sprocket: Sprocket, *, entry: AuditEntry | None = None) -> None:
        """Store what `sprocket` says of its removal. Raises NotFoundError, ConflictError (off already)."""
        with self._transactions.writing() as connection:
            if _find_sprocket(connection, sprocket.number).removed_ns is not None:
                raise ConflictError(f"sprocket {sprocket.number} was taken off already: nothing to do")
            connection.execute(
                update(tables.sprocket)
                .where(_s.number == sprocket.number)
                .values(
                    removed_ns=sprocket.removed_ns,
                    removed_why=sprocket.removed_why,
                    removed_by=sprocket.removed_by,
                )
            )
            write_within(connection, entry)

    def sprocket(self, number: int) -> Sprocket:
        """One. Raises NotFoundError."""
        with self._transactions.reading() as connection:
            return _find_sprocket(connection, number)

    def of(self, drive_id: str | None = None) -> list[Sprocket]:
        """All that ever were on a drive, or on all drives, by drive_id, place, fitted_ns, number."""
        query = select(tables.sprocket).order_by(_s.drive_id, _s.place, _s.fitted_ns, _s.number)
        if drive_id is not None:
            query = query.where(_s.drive_id == drive_id)
        with self._transactions.reading() as connection:
            return [_to_sprocket(row) for row in connection.execute(query)]

    def inspect(self, inspection: Inspection, *, entry: AuditEntry | None = None) -> Inspection:
        """Store what was seen and return it with its number. Raises NotFoundError (sprocket)."""
        values = asdict(inspection) | {"by_whom": inspection.by}
        del values["by"], values["number"]
        with self._transactions.writing() as connection:
            _find_sprocket(connection, inspection.sprocket)
            number = connection.execute(insert(tables.inspection).returning(_i.number), values).scalar_one()
            write_within(connection, entry)
        return replace(inspection, number=int(number))

    def inspections(self, drive_id: str | None = None) -> list[Inspection]:
        """All of the sprockets of a drive, or of all drives, by inspected_ns then number."""
        query = select(tables.inspection).order_by(_i.inspected_ns, _i.number)
        if drive_id is not None:
            query = query.join(tables.sprocket, _s.number == _i.sprocket).where(_s.drive_id == drive_id)
        with self._transactions.reading() as connection:
            return [Inspection(**_named(row) | {"worn": bool(row.worn)}) for row in connection.execute(query)]


class DatabaseUpkeepLog:
    """The port `UpkeepLog` over a database."""

    def __init__(self, transactions: Transactions) -> None:
        self._transactions = transactions

    def record(self, upkeep: Upkeep, *, entry: AuditEntry | None = None) -> Upkeep:
        """Store it and return it with its number. Raises NotFoundError (drive)."""
        values = asdict(upkeep) | {"kind": str(upkeep.kind), "by_whom": upkeep.by}
        del values["by"], values["number"]
        with self._transactions.writing() as connection:
            find_drive(connection, upkeep.drive_id)
            number = connection.execute(insert(tables.upkeep).returning(_u.number), values).scalar_one()
            write_within(connection, entry)
        return replace(upkeep, number=int(number))

    def strike(self, number: int, at_ns: int, by: str, *, entry: AuditEntry | None = None) -> Upkeep:
        """Say that one was entered in error and return it. Raises NotFoundError, ConflictError (struck already)."""
        with self._transactions.writing() as connection:
            row = connection.execute(select(tables.upkeep).where(_u.number == number)).one_or_none()
            if row is None:
                raise NotFoundError(
                    f"there is no event {number}: the drive's list of events has those there are"
                )
            known = _to_upkeep(row)
            if known.struck_ns is not None:
                raise ConflictError(f"event {number} was struck by {known.struck_by} already: nothing to do")
            connection.execute(
                update(tables.upkeep).where(_u.number == number).values(struck_ns=at_ns, struck_by=by)
            )
            write_within(connection, entry)
        return replace(known, struck_ns=at_ns, struck_by=by)

    def of(self, drive_id: str | None = None, *, struck: bool = False) -> list[Upkeep]:
        """All of a drive, or of all drives, by at_ns then number; with those struck if asked."""
        query = select(tables.upkeep).order_by(_u.at_ns, _u.number)
        if drive_id is not None:
            query = query.where(_u.drive_id == drive_id)
        if not struck:
            query = query.where(_u.struck_ns.is_(None))
        with self._transactions.reading() as connection:
            return [_to_upkeep(row) for row in connection.execute(query)]


def _find_sprocket(connection: Connection, number: int) -> Sprocket:
    row = connection.execute(select(tables.sprocket).where(_s.number == number)).one_or_none()
    if row is None:
        raise NotFoundError(
            f"there is no sprocket {number}: the drive's list of sprockets has those there are"
        )
    return _to_sprocket(row)


def _named(row: Row[Any]) -> dict[str, Any]:
    values = dict(row._mapping)  # noqa: SLF001
    values["by"] = values.pop("by_whom")
    return values


def _to_sprocket(row: Row[Any]) -> Sprocket:
    return Sprocket(**_named(row) | {"place": Place(row.place)})


def _to_upkeep(row: Row[Any]) -> Upkeep:
    return Upkeep(**_named(row) | {"kind": UpkeepKind(row.kind)})
