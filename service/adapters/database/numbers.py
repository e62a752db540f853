"""Small numbers for drives and chains, so that a row carries two integers in place of two texts.

Knows how a number is given and when it may be relied on; must not know what is stored under it. A number given in a
transaction goes with it if it fails, and a stale one would put readings under another drive: so it is remembered only
once the transaction is through.
"""

from collections.abc import Collection, Iterable, Iterator
from contextlib import contextmanager
from typing import Any

from sqlalchemy import BindParameter, Connection, bindparam, insert, select, update

from service.adapters.database import tables
from service.adapters.database.tables import NO_CHAIN
from service.adapters.database.transactions import Transactions

_drive, _chain = tables.drive_number, tables.chain_number


class Numbers:
    """The numbers of one store, for any thread."""

    def __init__(self, transactions: Transactions) -> None:
        self._transactions = transactions
        # Number of a drive, and a longest window that the database has at least.
        self._drives: dict[str, tuple[int, int]] = {}
        self._chains: dict[str | None, int] = {None: NO_CHAIN}
        self._chain_ids: dict[int, str | None] = {NO_CHAIN: None}
        self._of_run: object = None

    @contextmanager
    def writing(self) -> Iterator["Numbering"]:
        """A writing transaction that may give numbers. Raises StoreUnavailableError, having changed nothing."""
        with self._transactions.writing() as connection:
            self._forget_another_run()
            numbering = Numbering(connection, self._drives, self._chains)
            yield numbering
        self._drives, self._chains = numbering.known_drives, numbering.known_chains

    def _forget_another_run(self) -> None:
        """A server that was started anew may be one that lacks the last numbers: a standby that took over, a restored one."""
        if self._of_run != self._transactions.run:
            self._drives, self._chains, self._chain_ids = {}, {None: NO_CHAIN}, {NO_CHAIN: None}
            self._of_run = self._transactions.run

    def chain_ids(self, connection: Connection, chain_nos: Iterable[int]) -> dict[int, str | None]:
        """Return a map that has at least these numbers. Numbers are never given out twice, so it is kept."""
        if not self._chain_ids.keys() >= set(chain_nos):
            rows = connection.execute(select(_chain.c.chain_no, _chain.c.chain_id))
            self._chain_ids = {NO_CHAIN: None, **dict(rows.all())}
        return self._chain_ids

    def chain_nos(self, connection: Connection, chain_ids: Collection[str]) -> dict[str, int]:
        """Return the numbers of those of these chains that have one."""
        query = select(_chain.c.chain_id, _chain.c.chain_no).where(_chain.c.chain_id.in_(sorted(chain_ids)))
        return dict(connection.execute(query).all()) if chain_ids else {}


class Numbering:
    """The numbers as they are within one writing transaction: those known before, and those that it gives."""

    def __init__(
        self, connection: Connection, drives: dict[str, tuple[int, int]], chains: dict[str | None, int]
    ) -> None:
        self.connection = connection
        self.known_drives, self.known_chains = drives, chains

    def drives(self, windows_ns: dict[str, int]) -> dict[str, int]:
        """Return the number of each drive, and have the database know windows at least so long, ns."""
        known = self.known_drives
        stale = {
            drive_id: window_ns
            for drive_id, window_ns in windows_ns.items()
            if drive_id not in known or known[drive_id][1] < window_ns
        }
        if stale:
            known = self.known_drives = known | _number_drives(self.connection, stale)
        return {drive_id: known[drive_id][0] for drive_id in windows_ns}

    def chains(self, chain_ids: set[str | None]) -> dict[str | None, int]:
        """Return a map that has the number of each of these chains, and maybe others."""
        if unknown := chain_ids - self.known_chains.keys():
            self.known_chains = self.known_chains | _number_chains(self.connection, unknown)
        return self.known_chains


def _number_drives(connection: Connection, windows_ns: dict[str, int]) -> dict[str, tuple[int, int]]:
    """Give the drives numbers where they have none, raise their longest windows, return both.

    Those that are there are asked for first: an INSERT uses a number up even where it then finds one.
    """
    query = select(_drive).where(_drive.c.drive_id.in_(windows_ns))
    known = {row.drive_id: row.longest_window_ns for row in connection.execute(query)}
    rows = [{"of": drive_id, "window_ns": window_ns} for drive_id, window_ns in windows_ns.items()]
    if new := [row for row in rows if row["of"] not in known]:
        values: dict[str, BindParameter[Any]] = {
            "drive_id": bindparam("of"),
            "longest_window_ns": bindparam("window_ns"),
        }
        connection.execute(insert(_drive).values(values), new)
    if longer := [row for row in rows if known.get(row["of"], row["window_ns"]) < row["window_ns"]]:
        raised = update(_drive).where(_drive.c.drive_id == bindparam("of"))
        connection.execute(raised.values(longest_window_ns=bindparam("window_ns")), longer)
    return {row.drive_id: (row.drive_no, row.longest_window_ns) for row in connection.execute(query)}


def _number_chains(connection: Connection, chain_ids: set[str | None]) -> dict[str | None, int]:
    """Give the chains numbers where they have none, return them."""
    query = select(_chain.c.chain_id, _chain.c.chain_no).where(_chain.c.chain_id.in_(chain_ids))
    if new := chain_ids - set(connection.execute(query).scalars()):
        connection.execute(insert(_chain), [{"chain_id": chain_id} for chain_id in new])
    return dict(connection.execute(query).all())
