"""What people changed. Entries are only ever added.

Knows how the port `AuditLog` becomes SQL, and how another adapter stores an entry within its own transaction; must not
know what was changed.
"""

import json
from typing import Any

from sqlalchemy import Connection, Row, func, insert, select

from service.adapters.database.people_tables import audit_entry
from service.adapters.database.transactions import Transactions
from service.core.audit import AuditEntry

_c = audit_entry.c


class DatabaseAuditLog:
    """The port `AuditLog` over a database."""

    def __init__(self, transactions: Transactions) -> None:
        self._transactions = transactions

    def record(self, entry: AuditEntry) -> None:
        """Add one, for a change that no transaction of the store makes."""
        with self._transactions.writing() as connection:
            write_within(connection, entry)

    def entries(
        self,
        *,
        before: int | None = None,
        subject: str | None = None,
        by: str | None = None,
        rows_max: int = 100,
    ) -> list[AuditEntry]:
        """The newest `rows_max` with a number below `before`, the newest first."""
        query = select(audit_entry).order_by(_c.number.desc()).limit(rows_max)
        if before is not None:
            query = query.where(_c.number < before)
        if subject is not None:
            query = query.where(_c.subject == subject)
        if by is not None:
            query = query.where(_c.by == by)
        with self._transactions.reading() as connection:
            return [_to_entry(row) for row in connection.execute(query)]


def write_within(connection: Connection, entry: AuditEntry | None) -> None:
    """Store an entry in the transaction of the change that it tells of; None stores nothing."""
    if entry is None:
        return
    following = select(func.coalesce(func.max(_c.number), 0) + 1).scalar_subquery()  # without gaps
    connection.execute(
        insert(audit_entry).values(number=following),
        {
            "at_ns": entry.at_ns,
            "by": entry.by,
            "what": entry.what,
            "subject": entry.subject,
            "old": json.dumps(dict(entry.old), ensure_ascii=False),
            "new": json.dumps(dict(entry.new), ensure_ascii=False),
            "why": entry.why,
        },
    )


def _to_entry(row: Row[Any]) -> AuditEntry:
    return AuditEntry(
        number=row.number,
        at_ns=row.at_ns,
        by=row.by,
        what=row.what,
        subject=row.subject,
        old=json.loads(row.old),
        new=json.loads(row.new),
        why=row.why,
    )
