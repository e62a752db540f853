"""The time series: readings as they came, the newest of each drive, and roll-ups by minute, hour and day.

Knows how the port `Readings` becomes SQL; must not know files, pragmas or what an elongation means.

Storing notes the minutes that it touched as due, in the same transaction, so a crash loses no roll-up. Rolling up
makes a due interval anew from all that it covers: minutes from readings, hours from minutes, days from hours.
So neither the order of arrival nor a second delivery shows in the result.
"""

from collections.abc import Iterable, Sequence
from itertools import repeat
from operator import attrgetter
from typing import Any

from sqlalchemy import Connection, Select, select

from service.adapters.database import statements, tables
from service.adapters.database.dialect import insert_into
from service.adapters.database.records import records
from service.adapters.database.statements import (
    COARSER,
    READING_COLUMNS,
    ROLL_UP_COLUMNS,
    S,
    end_of_interval_ns,
)
from service.adapters.database.tables import NO_CHAIN
from service.adapters.database.transactions import Transactions
from service.core.batch import WINDOW_S_MAX
from service.core.reading import NotMeasured, Reading
from service.ports import ROWS_MAX, Newest, Resolution, RollUp

_WINDOW_NS_MAX = int(WINDOW_S_MAX * S)
_INSTANT_NS_MAX = 2**63 - 1  # in the year 2262
_CHUNK = 500  # intervals in one transaction: the worker waits no longer than this takes

_Order = tuple[int, int, int, str]  # of readings in time, ties broken by identity: (t_ns, t0_ns, seq, device)

_REASONS: dict[str | None, NotMeasured | None] = {
    None: None,
    **{str(reason): reason for reason in NotMeasured},
}
_r, _u = tables.reading.c, tables.roll_up.c
_after_reason = attrgetter(*(column.name for column in READING_COLUMNS[8:]))
_order = attrgetter("t_ns", "t0_ns", "seq", "device_id")


class DatabaseReadings:
    """The port `Readings` over a database."""

    def __init__(self, transactions: Transactions) -> None:
        self._transactions = transactions
        # Number of a drive, and a longest window that the database has at least.
        self._drive_nos: dict[str, tuple[int, int]] = {}
        self._chain_nos: dict[str | None, int] = {None: NO_CHAIN}
        self._chain_ids: dict[int, str | None] = {NO_CHAIN: None}

    # Storing

    def store(self, readings: Sequence[Reading]) -> int:
        """Store all in one durable transaction and return how many were new. See the port."""
        if not readings:
            return 0
        with self._transactions.writing() as connection:
            drive_nos = self._number_drives(connection, readings)
            chain_nos = self._number_chains(connection, {reading.chain_id for reading in readings})
            rows = [_row(reading, drive_nos[reading.drive_id][0], chain_nos) for reading in readings]
            new = connection.exec_driver_sql(statements.INSERT_READING, rows).rowcount
            if new:
                candidates = _newest_rows(readings, drive_nos, all_of_them=new < len(rows))
                connection.exec_driver_sql(statements.UPSERT_NEWEST, candidates)
                connection.exec_driver_sql(statements.INSERT_DUE, _due_rows(rows))
        self._drive_nos.update(drive_nos)
        self._chain_nos.update(chain_nos)
        return int(new)

    def _number_drives(
        self, connection: Connection, readings: Sequence[Reading]
    ) -> dict[str, tuple[int, int]]:
        """Return number and longest window of each drive in `readings`, as the database has them by now."""
        longest: dict[str, int] = {}
        for reading in readings:
            window_ns = reading.t_ns - reading.t0_ns
            if window_ns > longest.get(reading.drive_id, -1):
                longest[reading.drive_id] = window_ns
            if not 0 <= window_ns <= _WINDOW_NS_MAX or reading.t0_ns < 0:
                raise ValueError(
                    f"reading of {reading.drive_id!r}: t0_ns must be 0 or more, and t_ns must lie 0 to "
                    f"{WINDOW_S_MAX:g} s after t0_ns, not {window_ns} ns"
                )
        known = {drive_id: self._drive_nos[drive_id] for drive_id in longest if drive_id in self._drive_nos}
        stale = {
            drive_id: window_ns
            for drive_id, window_ns in longest.items()
            if drive_id not in known or known[drive_id][1] < window_ns
        }
        return known | _number(connection, stale) if stale else known

    def _number_chains(self, connection: Connection, chain_ids: set[str | None]) -> dict[str | None, int]:
        unknown = [chain_id for chain_id in chain_ids if chain_id not in self._chain_nos]
        if not unknown:
            return self._chain_nos
        c = tables.chain_number.c
        connection.execute(
            insert_into(tables.chain_number).on_conflict_do_nothing(),
            [{"chain_id": chain_id} for chain_id in unknown],
        )
        rows = connection.execute(select(c.chain_id, c.chain_no).where(c.chain_id.in_(unknown)))
        return self._chain_nos | dict(rows.all())

    # Rolling up

    def roll_up(self, intervals_max: int = 10_000) -> int:
        """Bring intervals that are due up to date (idempotent); return how many were taken up. See the port.

        Newest first, so that a backlog does not hold up what people look at. Minutes, hours and days in turn,
        so that neither waits for the other to be done. An interval whose finer data were forgotten in part is
        left as it is: nothing is replaced by a roll-up over fewer readings.
        """
        done = 0
        while done < intervals_max:
            before = done
            for resolution in Resolution:
                done += self._roll_up_chunk(resolution, min(_CHUNK, intervals_max - done))
            if done == before:
                break
        return done

    def _roll_up_chunk(self, resolution: Resolution, intervals_max: int) -> int:
        with self._transactions.writing() as connection:
            d = tables.due.c
            chunk = connection.execute(
                select(d.end_ns, d.drive_no)
                .where(d.resolution_s == int(resolution))
                .order_by(d.end_ns.desc(), d.drive_no.desc())
                .limit(max(intervals_max, 0))
            ).all()
            if chunk:
                keys = [tuple(row) for row in chunk]
                connection.exec_driver_sql(statements.ROLL_UP[resolution], keys)
                connection.exec_driver_sql(statements.DELETE_DUE, [(int(resolution), *key) for key in keys])
                if resolution in COARSER:
                    connection.exec_driver_sql(statements.INSERT_DUE, _coarser_due(keys, COARSER[resolution]))
        return len(chunk)

    # Reading

    def newest(self) -> list[Newest]:
        """The newest of every drive that has readings, in no order. One seek a drive."""
        with self._transactions.reading() as connection:
            return self._newest(connection, statements.NEWEST)

    def newest_of(self, drive_id: str) -> Newest | None:
        """The newest of one drive."""
        with self._transactions.reading() as connection:
            found = self._newest(
                connection, statements.NEWEST.where(tables.drive_number.c.drive_id == drive_id)
            )
        return found[0] if found else None

    def _newest(self, connection: Connection, query: Select[Any]) -> list[Newest]:
        rows = connection.execute(query).all()
        chain_ids = self._chains_of(connection, (row[2 + 4] for row in rows))
        kinds: list[dict[str, Reading]] = []
        for kind in (0, 1):
            of_kind = {row[0]: row[2:] for row in rows if row[1] == kind}
            found = _readings(of_kind.keys(), list(of_kind.values()), chain_ids)
            kinds.append({reading.drive_id: reading for reading in found})
        newest, measured = kinds
        return [
            Newest(drive_id=drive_id, reading=reading, measured=measured.get(drive_id))
            for drive_id, reading in newest.items()
        ]

    def raw(self, drive_id: str, from_ns: int, to_ns: int, rows_max: int = ROWS_MAX) -> list[Reading]:
        """Readings with from_ns < t_ns <= to_ns in the order of t_ns; the newest `rows_max` of them."""
        _check_rows_max(rows_max)
        from_ns, to_ns = _within_reach(from_ns), _within_reach(to_ns)
        with self._transactions.reading() as connection:
            number = _find_drive(connection, drive_id)
            if number is None:
                return []
            rows = _newest_raw(connection, *number, from_ns, to_ns, rows_max)
            chain_ids = self._chains_of(connection, (row[4] for row in rows))
        readings = _readings(repeat(drive_id), rows, chain_ids)
        readings.sort(key=_order)
        return readings[-rows_max:]

    def rolled(
        self, drive_id: str, from_ns: int, to_ns: int, resolution: Resolution, rows_max: int = ROWS_MAX
    ) -> list[RollUp]:
        """Roll-ups with from_ns < end_ns <= to_ns, by end_ns then chain; the newest `rows_max` of them."""
        _check_rows_max(rows_max)
        from_ns, to_ns = _within_reach(from_ns), _within_reach(to_ns)
        with self._transactions.reading() as connection:
            rows = connection.execute(
                select(*ROLL_UP_COLUMNS)
                .join(tables.drive_number, tables.drive_number.c.drive_no == _u.drive_no)
                .where(tables.drive_number.c.drive_id == drive_id, _u.resolution_s == int(resolution))
                .where(_u.end_ns > from_ns, _u.end_ns <= to_ns)
                .order_by(_u.end_ns.desc(), _u.chain_no.desc())
                .limit(rows_max)
            ).all()
            chain_nos = {row[0] for row in rows}
            chain_ids = self._chains_of(connection, chain_nos)
        rolled = _roll_ups(drive_id, rows[::-1], chain_ids)
        if len(chain_nos) > 1:  # the order of chains so far is that of their numbers
            rolled.sort(key=lambda one: (one.end_ns, one.chain_id or ""))
        return rolled

    def _chains_of(self, connection: Connection, chain_nos: Iterable[int]) -> dict[int, str | None]:
        """Return a map that has at least these numbers. Numbers are never given out twice, so it is kept."""
        if not self._chain_ids.keys() >= set(chain_nos):
            c = tables.chain_number.c
            rows = connection.execute(select(c.chain_no, c.chain_id))
            self._chain_ids = {NO_CHAIN: None, **dict(rows.all())}
        return self._chain_ids

    # Forgetting

    def forget(self, resolution: Resolution | None, before_ns: int, rows_max: int = 50_000) -> int:
        """Delete raw readings (resolution None) or roll-ups older than `before_ns`; return how many went.

        At most `rows_max`, in one transaction, and only whole intervals of the next longer roll-up. Kept are what a
        due roll-up still needs, and of each drive the newest reading and the newest measured one, however old: the
        board shows them, and the next batch is converted with them. The space is used again; `Database.reclaim`
        shrinks the file.
        """
        until_ns = _within_reach(before_ns - 1)
        if resolution in COARSER:
            until_ns -= until_ns % (COARSER[resolution] * S)
        gone = 0
        with self._transactions.writing() as connection:
            for (drive_no,) in connection.execute(select(tables.drive_number.c.drive_no)).all():
                if resolution is None:
                    statement = statements.forget_readings(drive_no, until_ns, rows_max - gone)
                else:
                    statement = statements.forget_roll_ups(drive_no, resolution, until_ns, rows_max - gone)
                gone += connection.execute(statement).rowcount
                if gone >= rows_max:
                    break
        return gone


# Numbers of drives and chains


def _number(connection: Connection, longest: dict[str, int]) -> dict[str, tuple[int, int]]:
    """Give the drives numbers where they have none, raise their longest windows, return both."""
    table = tables.drive_number
    statement = insert_into(table)
    connection.execute(
        statement.on_conflict_do_update(
            index_elements=[table.c.drive_id],
            set_={"longest_window_ns": statement.excluded.longest_window_ns},
            where=statement.excluded.longest_window_ns > table.c.longest_window_ns,
        ),
        [{"drive_id": drive_id, "longest_window_ns": window_ns} for drive_id, window_ns in longest.items()],
    )
    rows = connection.execute(select(table).where(table.c.drive_id.in_(longest)))
    return {row.drive_id: (row.drive_no, row.longest_window_ns) for row in rows}


def _find_drive(connection: Connection, drive_id: str) -> tuple[int, int] | None:
    """Return number and longest window of a drive, or None where nothing of it was stored."""
    c = tables.drive_number.c
    row = connection.execute(
        select(c.drive_no, c.longest_window_ns).where(c.drive_id == drive_id)
    ).one_or_none()
    return None if row is None else (row.drive_no, row.longest_window_ns)


def _newest_raw(
    connection: Connection, drive_no: int, window_ns: int, from_ns: int, to_ns: int, rows_max: int
) -> Sequence[Sequence[Any]]:
    """Return rows of READING_COLUMNS that hold the newest `rows_max` with from_ns < t_ns <= to_ns, and maybe more.

    The key is in the order of t0_ns. Those that began last need not be those that ended last: where there are more
    than `rows_max`, one that began before them, but by no more than the longest window, may have ended after one.
    """
    query = select(*READING_COLUMNS).where(_r.drive_no == drive_no, _r.t_ns > from_ns, _r.t_ns <= to_ns)
    inside = query.where(_r.t0_ns > from_ns - window_ns, _r.t0_ns <= to_ns)
    rows = connection.execute(inside.order_by(_r.t0_ns.desc()).limit(rows_max)).all()
    if len(rows) < rows_max:
        return rows
    cut_ns = rows[-1][0]
    at_the_cut = query.where(_r.t0_ns >= cut_ns - window_ns, _r.t0_ns <= cut_ns)
    return [row for row in rows if row[0] > cut_ns] + list(connection.execute(at_the_cut).all())


# Rows from readings and back


def _row(reading: Reading, drive_no: int, chain_nos: dict[str | None, int]) -> tuple[Any, ...]:
    """Return the values of a reading in the order of `INSERT_READING`."""
    reason = reading.reason
    return (
        drive_no,
        reading.t0_ns,
        reading.seq,
        reading.device_id,
        reading.t_ns,
        chain_nos[reading.chain_id],
        reading.elongation_pct,
        reading.elongation_u_pct,
        None if reason is None else reason.value,
        *_after_reason(reading),
    )


def _readings(
    drive_ids: Iterable[str], rows: Sequence[Sequence[Any]], chain_ids: dict[int, str | None]
) -> list[Reading]:
    """Return the readings of rows of READING_COLUMNS, of the drives in turn."""
    if not rows:
        return []
    t0_ns, seq, device_id, t_ns, chain_no, pct, u_pct, reason, *others = zip(*rows, strict=True)
    named = map(chain_ids.__getitem__, chain_no), pct, u_pct, map(_REASONS.__getitem__, reason)
    columns = [drive_ids, device_id, t0_ns, seq, t_ns, *named, *others]
    return records(Reading, len(rows), columns)


def _roll_ups(drive_id: str, rows: Sequence[Sequence[Any]], chain_ids: dict[int, str | None]) -> list[RollUp]:
    """Return the roll-ups of rows of ROLL_UP_COLUMNS, all of one drive."""
    if not rows:
        return []
    chain_no, *others = zip(*rows, strict=True)
    columns = [repeat(drive_id), map(chain_ids.__getitem__, chain_no), *others]
    return records(RollUp, len(rows), columns)


def _newest_rows(
    readings: Sequence[Reading], drive_nos: dict[str, tuple[int, int]], *, all_of_them: bool
) -> list[tuple[Any, ...]]:
    """Return the rows of `UPSERT_NEWEST` that may matter: (measured, drive_no, t0_ns, seq, device, t_ns, measured).

    That is the newest of each drive and kind. Where some of the readings were stored already, perhaps with another
    content under the same identity, each is tried: what is stored decides.
    """
    newest: dict[tuple[str, int], _Order] = {}
    rows = []
    for reading in readings:
        order = _order(reading)
        for measured in (0, 1) if reading.elongation_pct is not None else (0,):
            key = (reading.drive_id, measured)
            if all_of_them:
                rows.append((key, order))
            elif key not in newest or newest[key] < order:
                newest[key] = order
    return [
        (measured, drive_nos[drive_id][0], t0_ns, seq, device, t_ns, measured)
        for (drive_id, measured), (t_ns, t0_ns, seq, device) in rows or newest.items()
    ]


def _due_rows(rows: Iterable[tuple[Any, ...]]) -> list[tuple[int, int, int]]:
    """Return the minutes that rows to store fall into, as rows of `INSERT_DUE`."""
    minute_ns = 60 * S
    return [
        (60, end, drive_no)
        for end, drive_no in {(-(-row[4] // minute_ns) * minute_ns, row[0]) for row in rows}
    ]


def _coarser_due(keys: Iterable[tuple[Any, ...]], resolution: Resolution) -> list[tuple[int, int, int]]:
    """Return the longer intervals that intervals (end_ns, drive_no) fall into, as rows of `INSERT_DUE`."""
    coarser = {(end_of_interval_ns(end_ns, resolution), drive_no) for end_ns, drive_no in keys}
    return [(int(resolution), end_ns, drive_no) for end_ns, drive_no in coarser]


def _check_rows_max(rows_max: int) -> None:
    if not 1 <= rows_max <= ROWS_MAX:
        raise ValueError(f"rows_max must be 1 to {ROWS_MAX}, not {rows_max}")


def _within_reach(instant_ns: int) -> int:
    """Return the instant, or the nearest that a reading can have and the database can compare."""
    return min(max(instant_ns, -1), _INSTANT_NS_MAX)
