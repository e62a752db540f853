"""Small numbers for drives and chains, so that a row carries two integers in place of two texts.

Knows how a number is given and when it may be relied on; must not know what is stored under it. A number given in a
transaction goes with it if it fails, and a stale one would put readings under another drive: so it is remembered only
once the transaction is through.
"""

from collections.abc import Iterable, Iterator
from contextlib import contextmanager

from sqlalchemy import Connection, select

from service.adapters.database import tables
from service.adapters.database.dialect import insert_into
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

    @contextmanager
    def writing(self) -> Iterator["Numbering"]:
        """A writing transaction that may give numbers. Raises StoreUnavailableError, having changed nothing."""
        with self._transactions.writing() as connection:
            numbering = Numbering(connection, self._drives, self._chains)
            yield numbering
        self._drives, self._chains = numbering.known_drives, numbering.known_chains

    def chain_ids(self, connection: Connection, chain_nos: Iterable[int]) -> dict[int, str | None]:
        """Return a map that has at least these numbers. Numbers are never given out twice, so it is kept."""
        if not self._chain_ids.keys() >= set(chain_nos):
            rows = connection.execute(select(_chain.c.chain_no, _chain.c.chain_id))
            self._chain_ids = {NO_CHAIN: None, **dict(rows.all())}
        return self._chain_ids


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
    """Give the drives numbers where they have none, raise their longest windows, return both."""
    statement = insert_into(_drive)
    connection.execute(
        statement.on_conflict_do_update(
            index_elements=[_drive.c.drive_id],
            set_={"longest_window_ns": statement.excluded.longest_window_ns},
            where=statement.excluded.longest_window_ns > _drive.c.longest_window_ns,
        ),
        [
            {"drive_id": drive_id, "longest_window_ns": window_ns}
            for drive_id, window_ns in windows_ns.items()
        ],
    )
    rows = connection.execute(select(_drive).where(_drive.c.drive_id.in_(windows_ns)))
    return {row.drive_id: (row.drive_no, row.longest_window_ns) for row in rows}


def _number_chains(connection: Connection, chain_ids: set[str | None]) -> dict[str | None, int]:
    """Give the chains numbers where they have none, return them."""
    statement = insert_into(_chain).on_conflict_do_nothing()
    connection.execute(statement, [{"chain_id": chain_id} for chain_id in chain_ids])
    c = _chain.c
    rows = connection.execute(select(c.chain_id, c.chain_no).where(c.chain_id.in_(chain_ids)))
    return dict(rows.all())
