"""Why chains came off. Knows how the port `Removals` becomes SQL; `register` writes one with the removal itself."""

from dataclasses import asdict, replace
from typing import Any

from sqlalchemy import Connection, Row, func, insert, select

from service.adapters.database import tables
from service.adapters.database.audit_log import write_within
from service.adapters.database.lives_tables import chain_removal
from service.adapters.database.transactions import Transactions
from service.core.audit import AuditEntry
from service.core.life import ElongationSource, Removal, RemovalKind
from service.ports import ConflictError, NotFoundError

_r, _chain = chain_removal.c, tables.chain.c


class DatabaseRemovals:
    """The port `Removals` over a database."""

    def __init__(self, transactions: Transactions) -> None:
        self._transactions = transactions

    def record(self, removal: Removal, *, entry: AuditEntry | None = None) -> Removal:
        """Store one and return it with its number. Raises NotFoundError (chain), ConflictError where the chain is on."""
        with self._transactions.writing() as connection:
            query = select(_chain.removed_ns).where(_chain.chain_id == removal.chain_id)
            row = connection.execute(query).one_or_none()
            if row is None:
                raise NotFoundError(
                    f"chain {removal.chain_id!r} is not registered: the drive's list of chains shows those that are"
                )
            if row.removed_ns is None:
                raise ConflictError(f"chain {removal.chain_id!r} is on: take it off first")
            stored = record_within(connection, removal)
            write_within(connection, entry)
        return stored

    def newest(self, drive_id: str | None = None) -> list[Removal]:
        """The newest of each chain that has any, by chain_id."""
        last = select(func.max(_r.number)).group_by(_r.chain_id)
        query = select(chain_removal).where(_r.number.in_(last)).order_by(_r.chain_id)
        if drive_id is not None:
            query = query.join(tables.chain, _chain.chain_id == _r.chain_id).where(
                _chain.drive_id == drive_id
            )
        with self._transactions.reading() as connection:
            return [_to_removal(row) for row in connection.execute(query)]


def record_within(connection: Connection, removal: Removal) -> Removal:
    """Store one in a transaction that somebody else began, and return it with its number."""
    values = asdict(removal) | {
        "kind": str(removal.kind),
        "source": str(removal.source),
        "by_whom": removal.by,
    }
    del values["by"], values["number"]
    number = connection.execute(insert(chain_removal).returning(_r.number), values).scalar_one()
    return replace(removal, number=int(number))


def _to_removal(row: Row[Any]) -> Removal:
    values = dict(row._mapping)  # noqa: SLF001
    values["by"] = values.pop("by_whom")
    values |= {"kind": RemovalKind(row.kind), "source": ElongationSource(row.source)}
    return Removal(**values)
