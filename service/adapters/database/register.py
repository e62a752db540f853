"""The register: drives, their chains and baselines, with history.

Knows how the port `Register` becomes SQL; must not know what the settings mean. Each change is one transaction that
checks, writes and raises the register's version; the database lets one such transaction in at a time.
"""

import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, fields
from typing import Any

from sqlalchemy import Connection, Row, insert, or_, select, update

from service.adapters.database import tables
from service.adapters.database.audit_log import write_within
from service.adapters.database.evaluations import note_within
from service.adapters.database.removals import record_within
from service.adapters.database.transactions import Transactions
from service.core.audit import AuditEntry
from service.core.drive import Baseline, Chain, Drive
from service.core.life import Removal
from service.ports import ConflictError, NotFoundError, RegisterChange

_drive, _chain, _baseline, _version = (
    tables.drive,
    tables.chain,
    tables.baseline,
    tables.register_version,
)


class DatabaseRegister:
    """The port `Register` over a database."""

    def __init__(self, transactions: Transactions, now_ns: Callable[[], int] = time.time_ns) -> None:
        self._transactions = transactions
        self._now_ns = now_ns

    def version(self) -> int:
        """A number that rises with every change, so that a worker knows when to read again."""
        with self._transactions.reading() as connection:
            return _version_now(connection)

    # Drives

    def drives(self, *, retired: bool = False) -> list[Drive]:
        """All drives by id; retired ones too if asked."""
        query = select(_drive).order_by(_drive.c.drive_id)
        if not retired:
            query = query.where(_drive.c.retired_ns.is_(None))
        with self._transactions.reading() as connection:
            return [_to_drive(row) for row in connection.execute(query)]

    def drive(self, drive_id: str) -> Drive:
        """One drive. Raises NotFoundError."""
        with self._transactions.reading() as connection:
            return find_drive(connection, drive_id)

    def add_drive(self, drive: Drive, *, entry: AuditEntry | None = None) -> None:
        """Raises ConflictError where the id is taken."""
        with self._transactions.writing() as connection:
            if _is_taken(connection, drive.drive_id):
                raise ConflictError(
                    f"drive {drive.drive_id!r} is registered already (retired drives keep their id): "
                    "change that drive, or choose another id"
                )
            self._add(connection, drive, entry)

    def change_drive(
        self, drive: Drive, *, was: Drive | None = None, entry: AuditEntry | None = None
    ) -> None:
        """Replace the drive's settings; `drive_history` keeps the earlier ones. See the port."""
        with self._transactions.writing() as connection:
            now = find_drive(connection, drive.drive_id)
            if was is not None and now != was:
                raise ConflictError(
                    f"{drive.drive_id} has changed meanwhile: look at it again before you change it"
                )
            if now != drive:
                self._replace(connection, drive, entry)

    def retire_drive(self, drive_id: str, at_ns: int, *, entry: AuditEntry | None = None) -> None:
        """Take the drive off the board; its history stays. A retired one keeps its date. Raises NotFoundError."""
        with self._transactions.writing() as connection:
            if find_drive(connection, drive_id).retired_ns is not None:
                return
            connection.execute(update(_drive).where(_drive.c.drive_id == drive_id).values(retired_ns=at_ns))
            self._record(connection, find_drive(connection, drive_id))
            write_within(connection, entry)

    def drive_history(self, drive_id: str) -> list[tuple[int, Drive]]:
        """Return (recorded_ns, settings) of each change of the drive, the first one first. Empty if unknown."""
        history = tables.drive_history
        query = select(history).where(history.c.drive_id == drive_id).order_by(history.c.version)
        with self._transactions.reading() as connection:
            return [(row.recorded_ns, _to_drive(row)) for row in connection.execute(query)]

    def _add(self, connection: Connection, drive: Drive, entry: AuditEntry | None) -> None:
        connection.execute(insert(_drive), asdict(drive))
        self._record(connection, drive)
        write_within(connection, entry)

    def _replace(self, connection: Connection, drive: Drive, entry: AuditEntry | None) -> None:
        connection.execute(update(_drive).where(_drive.c.drive_id == drive.drive_id).values(asdict(drive)))
        self._record(connection, drive)
        write_within(connection, entry)

    def _record(self, connection: Connection, drive: Drive) -> None:
        version = _raise_version(connection)
        connection.execute(
            insert(tables.drive_history),
            asdict(drive) | {"version": version, "recorded_ns": self._now_ns()},
        )

    # Chains

    def chains(self, drive_id: str | None = None) -> list[Chain]:
        """All chains, or those of one drive, by fitted_ns."""
        query = select(_chain).order_by(_chain.c.fitted_ns, _chain.c.chain_id)
        if drive_id is not None:
            query = query.where(_chain.c.drive_id == drive_id)
        with self._transactions.reading() as connection:
            return [_to_chain(row) for row in connection.execute(query)]

    def fit_chain(self, chain: Chain, *, entry: AuditEntry | None = None) -> None:
        """Raises NotFoundError (drive) and ConflictError (chain id taken; another chain on at that time)."""
        with self._transactions.writing() as connection:
            _fit(connection, chain, entry)

    def take_off_chain(
        self,
        chain_id: str,
        at_ns: int,
        why: str,
        *,
        removal: Removal | None = None,
        entry: AuditEntry | None = None,
    ) -> None:
        """Raises NotFoundError, and ConflictError where it is off already or was fitted later (or just then)."""
        with self._transactions.writing() as connection:
            taken_off = connection.execute(
                update(_chain)
                .where(
                    _chain.c.chain_id == chain_id, _chain.c.removed_ns.is_(None), _chain.c.fitted_ns < at_ns
                )
                .values(removed_ns=at_ns, removed_why=why)
            ).rowcount
            if not taken_off:
                raise _why_not_taken_off(find_chain(connection, chain_id))
            note_within(connection, {find_chain(connection, chain_id).drive_id: at_ns})
            if removal is not None:
                record_within(connection, removal)
            _raise_version(connection)
            write_within(connection, entry)

    # Baselines

    def baselines(self, chain_id: str | None = None) -> list[Baseline]:
        """All baselines, or those of one chain, by taken_ns then recorded_ns."""
        query = select(_baseline).order_by(_baseline.c.taken_ns, _baseline.c.recorded_ns, _baseline.c.number)
        if chain_id is not None:
            query = query.where(_baseline.c.chain_id == chain_id)
        with self._transactions.reading() as connection:
            return [_to_baseline(row) for row in connection.execute(query)]

    def record_baseline(self, baseline: Baseline, *, entry: AuditEntry | None = None) -> None:
        """Add one; older ones stay. Raises NotFoundError (chain)."""
        with self._transactions.writing() as connection:
            _record_baseline(connection, baseline, entry)

    # Many at once

    def change_many(
        self, changes: Sequence[RegisterChange], *, version: int, entry: AuditEntry | None = None
    ) -> None:
        """All of them in one transaction, or none. See the port."""
        with self._transactions.writing() as connection:
            self.change_within(connection, changes, version)
            write_within(connection, entry)

    def change_within(self, connection: Connection, changes: Sequence[RegisterChange], version: int) -> None:
        """The same in the transaction of another adapter."""
        if _version_now(connection) != version:
            raise ConflictError(
                "the register has changed meanwhile, and nothing was stored: look at it again before you change it"
            )
        for each in changes:
            self._change(connection, each)

    def _change(self, connection: Connection, change: RegisterChange) -> None:
        match change.put:
            case Drive() as drive if _is_taken(connection, drive.drive_id):
                if find_drive(connection, drive.drive_id) != drive:
                    self._replace(connection, drive, change.entry)
            case Drive() as drive:
                self._add(connection, drive, change.entry)
            case Chain() as chain:
                _fit(connection, chain, change.entry)
            case Baseline() as baseline:
                _record_baseline(connection, baseline, change.entry)


def _is_taken(connection: Connection, drive_id: str) -> bool:
    return (
        connection.execute(select(_drive.c.drive_id).where(_drive.c.drive_id == drive_id)).first() is not None
    )


def _fit(connection: Connection, chain: Chain, entry: AuditEntry | None) -> None:
    find_drive(connection, chain.drive_id)
    taken = select(_chain.c.drive_id).where(_chain.c.chain_id == chain.chain_id)
    if (of_drive := connection.execute(taken).scalar()) is not None:
        raise ConflictError(
            f"chain {chain.chain_id!r} is registered already, on drive {of_drive!r}: choose another id"
        )
    if (other := _on_meanwhile(connection, chain)) is not None:
        until = "still" if other.removed_ns is None else f"until {other.removed_ns} ns"
        raise ConflictError(
            f"drive {chain.drive_id!r} has chain {other.chain_id!r} on at that time (from "
            f"{other.fitted_ns} ns, {until}): take it off first, or correct the dates"
        )
    connection.execute(insert(_chain), asdict(chain))
    note_within(connection, {chain.drive_id: chain.fitted_ns})
    _raise_version(connection)
    write_within(connection, entry)


def _record_baseline(connection: Connection, baseline: Baseline, entry: AuditEntry | None) -> None:
    find_chain(connection, baseline.chain_id)
    connection.execute(insert(_baseline), asdict(baseline))
    _raise_version(connection)
    write_within(connection, entry)


def _raise_version(connection: Connection) -> int:
    """Raise the register's version by one and return it."""
    connection.execute(update(_version).values(version=_version.c.version + 1))
    return _version_now(connection)


def _version_now(connection: Connection) -> int:
    return int(connection.execute(select(_version.c.version)).scalar_one())


def find_drive(connection: Connection, drive_id: str) -> Drive:
    """Return the drive; in a writing transaction it stays as it is until the end. Raises NotFoundError."""
    row = connection.execute(select(_drive).where(_drive.c.drive_id == drive_id)).one_or_none()
    if row is None:
        raise NotFoundError(f"drive {drive_id!r} is not registered: register it, or correct the id")
    return _to_drive(row)


def find_chain(connection: Connection, chain_id: str) -> Chain:
    """Return the chain, as `find_drive` does."""
    row = connection.execute(select(_chain).where(_chain.c.chain_id == chain_id)).one_or_none()
    if row is None:
        raise NotFoundError(f"chain {chain_id!r} is not registered: fit it on its drive, or correct the id")
    return _to_chain(row)


def _on_meanwhile(connection: Connection, chain: Chain) -> Chain | None:
    """Return another chain of the drive that was on at some time while `chain` was, or None.

    Two stretches overlap when each begins before the other ends; one may begin just as the other ends.
    """
    c = _chain.c
    query = select(_chain).where(c.drive_id == chain.drive_id)
    query = query.where(or_(c.removed_ns.is_(None), c.removed_ns > chain.fitted_ns))
    if chain.removed_ns is not None:
        query = query.where(c.fitted_ns < chain.removed_ns)
    row = connection.execute(query.order_by(c.fitted_ns)).first()
    return None if row is None else _to_chain(row)


def _why_not_taken_off(chain: Chain) -> ConflictError:
    if chain.removed_ns is not None:
        return ConflictError(
            f"chain {chain.chain_id!r} was taken off already, at {chain.removed_ns} ns: nothing to do"
        )
    return ConflictError(
        f"chain {chain.chain_id!r} was fitted at {chain.fitted_ns} ns: give a later time for taking it off"
    )


def _to_drive(row: Row[Any]) -> Drive:
    values = {field.name: getattr(row, field.name) for field in fields(Drive)}
    flags = {name: bool(values[name]) for name in ("fixed_centres", "parallel_strands")}
    return Drive(**values | flags)


def _to_chain(row: Row[Any]) -> Chain:
    return Chain(**row._mapping)  # noqa: SLF001


def _to_baseline(row: Row[Any]) -> Baseline:
    return Baseline(**{field.name: getattr(row, field.name) for field in fields(Baseline)})
