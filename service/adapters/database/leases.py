"""Which process does which task.

Knows how the port `Leases` becomes SQL, and how a transaction sees that a lease still holds; must not know what is done
under a lease, nor when a holder is taken for dead.
"""

import json
from collections.abc import Sequence

from sqlalchemy import Connection, Select, delete, insert, select, update

from service.adapters.database import lease_tables as tables
from service.adapters.database.dialect import insert_into
from service.adapters.database.transactions import Transactions
from service.ports import Holder, Lease, LeaseLostError

_h, _l = tables.holder.c, tables.lease.c
NOBODY = ""


class DatabaseLeases:
    """The port `Leases` over a database."""

    def __init__(self, transactions: Transactions) -> None:
        self._transactions = transactions

    def beat(self, holder: Holder) -> None:
        """Give a sign of life. See the port."""
        if not holder.name:
            raise ValueError("a holder needs a name")
        statement = insert_into(tables.holder)
        new = statement.excluded
        with self._transactions.writing() as connection:
            connection.execute(
                statement.on_conflict_do_update(
                    index_elements=["name"],
                    set_={"beat": new.beat, "ready_for": new.ready_for, "at_ns": new.at_ns},
                ),
                {
                    "name": holder.name,
                    "beat": holder.beat,
                    "ready_for": json.dumps(holder.ready_for),
                    "at_ns": holder.at_ns,
                },
            )

    def look(self) -> tuple[list[Holder], list[Lease]]:
        """Who is there, and who holds what, at one moment."""
        with self._transactions.reading() as connection:
            holders = connection.execute(select(tables.holder).order_by(_h.name)).all()
            leases = connection.execute(
                select(tables.lease).where(_l.holder != NOBODY).order_by(_l.task)
            ).all()
        return [
            Holder(name=row.name, beat=row.beat, ready_for=tuple(json.loads(row.ready_for)), at_ns=row.at_ns)
            for row in holders
        ], [Lease(task=row.task, holder=row.holder, term=row.term, since_ns=row.since_ns) for row in leases]

    def take(self, task: str, name: str, at_ns: int) -> Lease | None:
        """Take a task that nobody does. See the port."""
        with self._transactions.writing() as connection:
            if connection.execute(select(_h.name).where(_h.name == name)).first() is None:
                return None
            row = connection.execute(
                select(_l.holder, _l.term).where(_l.task == task).with_for_update()
            ).one_or_none()
            if row is not None and row.holder != NOBODY:
                return None
            term = 1 if row is None else row.term + 1
            values = {"task": task, "holder": name, "term": term, "since_ns": at_ns}
            if row is None:
                connection.execute(insert(tables.lease), values)
            else:
                connection.execute(update(tables.lease).where(_l.task == task).values(values))
        return Lease(task=task, holder=name, term=term, since_ns=at_ns)

    def let_go(self, lease: Lease) -> None:
        """Give a task up. See the port."""
        with self._transactions.writing() as connection:
            connection.execute(
                update(tables.lease)
                .where(_l.task == lease.task, _l.holder == lease.holder, _l.term == lease.term)
                .values(holder=NOBODY)
            )

    def count_out(self, holder: Holder) -> bool:
        """Free all that a holder has that is taken for dead. See the port."""
        with self._transactions.writing() as connection:
            same = (_h.name == holder.name, _h.beat == holder.beat)
            if not connection.execute(delete(tables.holder).where(*same)).rowcount:
                return False
            _free(connection, holder.name)
        return True

    def leave(self, name: str) -> None:
        """Go, and free all. See the port."""
        with self._transactions.writing() as connection:
            connection.execute(delete(tables.holder).where(_h.name == name))
            _free(connection, name)

    def check(self, leases: Sequence[Lease]) -> None:
        """See that all of them still hold. See the port."""
        with self._transactions.reading() as connection:
            _refuse_lost(connection, leases, _rows_of(leases))


def check_within(connection: Connection, leases: Sequence[Lease]) -> None:
    """See that all of these still hold, in a transaction that is open: nobody takes one of them before it ends.

    Raises LeaseLostError, for no leases at all, too. Where several transactions write at once the rows are kept until then,
    hence FOR SHARE; for SQLite, which has one writer at a time, the library leaves it out.
    """
    _refuse_lost(connection, leases, _rows_of(leases).with_for_update(read=True))


def _rows_of(leases: Sequence[Lease]) -> Select[tuple[str, str, int]]:
    return select(_l.task, _l.holder, _l.term).where(_l.task.in_([each.task for each in leases]))


def _refuse_lost(
    connection: Connection, leases: Sequence[Lease], query: Select[tuple[str, str, int]]
) -> None:
    rows = {row.task: (row.holder, row.term) for row in connection.execute(query)}
    lost = [each.task for each in leases if rows.get(each.task) != (each.holder, each.term)]
    if lost or not leases:
        raise LeaseLostError(lost)


def _free(connection: Connection, name: str) -> None:
    connection.execute(update(tables.lease).where(_l.holder == name).values(holder=NOBODY))
