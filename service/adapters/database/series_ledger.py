"""The books on readings that are kept in another store: what of them must be one with the rest of this database.

Knows which reading of a drive is the newest, which roll-ups are due, which correction counts, and what `watch` has to look
at; must not know where the readings are. The rule: first the other store has them, then the books say so, in one transaction,
then somebody is told. What a crash leaves out between comes again and is written again, the same.
"""

import time
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

from sqlalchemy import Connection, bindparam, delete, func, select, tuple_

from service.adapters.database import series_tables, tables
from service.adapters.database.dialect import insert_into
from service.adapters.database.evaluations import note_within
from service.adapters.database.numbers import Numbering, Numbers
from service.adapters.database.raw_batches import DatabaseRawBatches
from service.adapters.database.readings import (
    DatabaseReadings,
    earliest_ns,
    longest_windows_ns,
    reading_row,
    readings_of_rows,
)
from service.adapters.database.refused import storable
from service.adapters.database.statements import (
    COARSER,
    ROLL_UP_COLUMNS,
    end_of_interval_ns,
    forget_superseded,
)
from service.adapters.database.transactions import Transactions
from service.core.reading import Reading
from service.ports import Newest, RawBatch, Resolution, RollUp, Superseded

_WHY_LENGTH_MAX = 1024
_AT_ONCE = 500  # values in one IN (...)

_n, _d, _l, _v = (
    table.c
    for table in (
        series_tables.series_newest,
        series_tables.series_due,
        series_tables.series_left,
        series_tables.series_revision,
    )
)
_drive = tables.drive_number.c
_READING = list(_n)[2:]
_ORDER = ("t_ns", "t0_ns", "seq", "device")

Identity = tuple[str, str, int, int]  # drive_id, device_id, t0_ns, seq
Left = tuple[Resolution, int, str, str | None]  # resolution, end_ns, drive_id, chain_id


class Known(NamedTuple):
    """What is known of a drive before anything is stored."""

    longest_window_ns: int
    newest: tuple[int, int] | None  # t_ns and t0_ns of its newest reading


class DueInterval(NamedTuple):
    """An interval whose roll-up is due; `changes` tells whether more came meanwhile."""

    end_ns: int
    drive_id: str
    changes: int


class Correction(NamedTuple):
    """A reading that takes the place of another, under a revision of its own."""

    old: Reading
    new: Reading
    rev: int


class SeriesLedger:
    """Books on readings that are elsewhere. Raises StoreUnavailableError, having changed nothing."""

    def __init__(self, transactions: Transactions, numbers: Numbers, raw_batches: DatabaseRawBatches) -> None:
        self._transactions, self._numbers, self._raw_batches = transactions, numbers, raw_batches
        self._here = DatabaseReadings(transactions, numbers)

    # What is known

    def known(self, drive_ids: Iterable[str]) -> dict[str, Known]:
        """Return what is known of drives, without those of which nothing is."""
        found: dict[str, Known] = {}
        newest = series_tables.series_newest
        query = select(_drive.drive_id, _drive.longest_window_ns, _n.t_ns, _n.t0_ns).outerjoin(
            newest, (_n.drive_no == _drive.drive_no) & (_n.measured == 0)
        )
        with self._transactions.reading() as connection:
            for some in _parts(drive_ids):
                for drive_id, window_ns, t_ns, t0_ns in connection.execute(
                    query.where(_drive.drive_id.in_(some))
                ):
                    found[drive_id] = Known(window_ns, None if t_ns is None else (t_ns, t0_ns))
        return found

    def revisions(self, drive_ids: Iterable[str], from_ns: int, to_ns: int) -> dict[Identity, int]:
        """Return the revision that counts of readings that were corrected, of those with from_ns <= t0_ns <= to_ns."""
        query = (
            select(_drive.drive_id, _v.device, _v.t0_ns, _v.seq, _v.rev)
            .join(series_tables.series_revision, _v.drive_no == _drive.drive_no)
            .where(_v.t0_ns >= from_ns, _v.t0_ns <= to_ns)
        )
        found: dict[Identity, int] = {}
        with self._transactions.reading() as connection:
            for some in _parts(drive_ids):
                for *identity, rev in connection.execute(query.where(_drive.drive_id.in_(some))):
                    found[tuple(identity)] = rev
        return found

    def newest(self, drive_id: str | None = None) -> list[Newest]:
        """Return the newest of every drive that has readings, or of one."""
        query = select(_drive.drive_id, _n.measured, *_READING).join(
            series_tables.series_newest, _n.drive_no == _drive.drive_no
        )
        if drive_id is not None:
            query = query.where(_drive.drive_id == drive_id)
        with self._transactions.reading() as connection:
            rows = connection.execute(query).all()
            chain_ids = self._numbers.chain_ids(connection, (row[2 + 4] for row in rows))
        kinds: list[dict[str, Reading]] = []
        for kind in (0, 1):
            of_kind = {row[0]: row[2:] for row in rows if row[1] == kind}
            found = readings_of_rows(of_kind.keys(), list(of_kind.values()), chain_ids)
            kinds.append({reading.drive_id: reading for reading in found})
        return [
            Newest(drive_id=which, reading=reading, measured=kinds[1].get(which))
            for which, reading in kinds[0].items()
        ]

    def superseded(self, drive_id: str, from_ns: int, to_ns: int, rows_max: int) -> list[Superseded]:
        """Return readings that others were put in place of; see the port `Readings`."""
        return self._here.superseded(drive_id, from_ns, to_ns, rows_max)

    # What came

    def note_stored(self, readings: Sequence[Reading], raw_batches: Sequence[RawBatch] = ()) -> None:
        """Enter readings that are stored by now, and keep batches, in one transaction."""
        if not readings and not raw_batches:
            return
        with self._numbers.writing() as numbering:
            if readings:
                self._enter(numbering, readings)
                _note_due(numbering, _minutes(readings))
                note_within(numbering.connection, earliest_ns(readings))
            self._raw_batches.keep_within(numbering, raw_batches)

    def note_newest(self, readings: Sequence[Reading]) -> None:
        """Enter readings that were stored elsewhere for long: as the newest where they are, and no more."""
        if readings:
            with self._numbers.writing() as numbering:
                self._enter(numbering, readings)

    def note_due(self, intervals: Iterable[tuple[Resolution, int, str]]) -> None:
        """Note intervals (resolution, end_ns, drive_id) as due to be rolled up."""
        with self._numbers.writing() as numbering:
            _note_due(numbering, intervals)

    # What is stored here, from before readings were elsewhere

    def count_here(self, drive_id: str, resolution: Resolution | None) -> int:
        """Return how many readings (resolution None) or roll-ups of a drive are in this database."""
        table = tables.reading if resolution is None else tables.roll_up
        number = select(_drive.drive_no).where(_drive.drive_id == drive_id).scalar_subquery()
        query = select(func.count()).select_from(table).where(table.c.drive_no == number)
        if resolution is not None:
            query = query.where(table.c.resolution_s == int(resolution))
        with self._transactions.reading() as connection:
            return int(connection.execute(query).scalar_one())

    def roll_ups_here(
        self, drive_id: str, resolution: Resolution, after_ns: int, rows_max: int
    ) -> list[tuple[RollUp, int]]:
        """Return the oldest roll-ups of this database that end after an instant, each with how many readings had a speed.

        All of those that end with the last of them are among them.
        """
        u = tables.roll_up.c
        query = (
            select(*ROLL_UP_COLUMNS, u.speeds)
            .join(tables.drive_number, _drive.drive_no == u.drive_no)
            .where(_drive.drive_id == drive_id, u.resolution_s == int(resolution))
            .order_by(u.end_ns, u.chain_no)
        )
        with self._transactions.reading() as connection:
            rows = connection.execute(query.where(u.end_ns > after_ns).limit(rows_max)).all()
            if len(rows) == rows_max:
                last_ns = rows[-1].end_ns
                together = connection.execute(query.where(u.end_ns == last_ns)).all()
                rows = [row for row in rows if row.end_ns < last_ns] + list(together)
            chain_ids = self._numbers.chain_ids(connection, (row.chain_no for row in rows))
        return [(_roll_up(drive_id, chain_ids[row[0]], row[1:-1]), row.speeds) for row in rows]

    def _enter(self, numbering: Numbering, readings: Sequence[Reading]) -> None:
        """Number what they name, and take them as the newest where they are."""
        drive_nos = numbering.drives(longest_windows_ns(readings))
        candidates = _newest_of_each(readings)
        chain_nos = numbering.chains({reading.chain_id for _kind, reading in candidates})
        rows = [
            dict(
                zip(_n.keys(), (drive_no, kind, *reading_row(reading, drive_no, chain_nos)[1:]), strict=True)
            )
            for kind, reading in candidates
            for drive_no in (drive_nos[reading.drive_id],)
        ]
        statement = insert_into(series_tables.series_newest)
        new = statement.excluded
        later = tuple_(*(new[name] for name in _ORDER)) > tuple_(*(_n[name] for name in _ORDER))
        numbering.connection.execute(
            statement.on_conflict_do_update(
                index_elements=[_n.drive_no, _n.measured],
                set_={column.name: new[column.name] for column in _READING},
                where=later,
            ),
            rows,
        )

    def note_superseded(
        self,
        corrections: Sequence[Correction],
        at_ns: int,
        why: str,
        *,
        left: Iterable[Left],
        newest: Sequence[Reading],
    ) -> None:
        """Have corrections count from now on, and keep what they take the place of, in one transaction.

        left: roll-ups that may come to be over fewer readings. newest: of the drives, readings that may be the newest now.
        """
        with self._numbers.writing() as numbering:
            connection = numbering.connection
            both = [reading for each in corrections for reading in (each.old, each.new)]
            drive_nos = numbering.drives(longest_windows_ns(both))
            chain_nos = numbering.chains({reading.chain_id for reading in both})
            why = storable(why, _WHY_LENGTH_MAX)
            names = ("at_ns", "why", *tables.reading.c.keys())
            rows = [
                (at_ns, why, *reading_row(old, drive_nos[old.drive_id], chain_nos))
                for old, _new, _rev in corrections
            ]
            connection.execute(
                insert_into(tables.superseded_reading), [dict(zip(names, row, strict=True)) for row in rows]
            )
            self._set_revisions(connection, corrections, drive_nos)
            self._enter(numbering, [*newest, *(each.new for each in corrections)])
            _note_due(numbering, _minutes(both))
            self._note_left(numbering, left)
            note_within(connection, earliest_ns(both))

    def _set_revisions(
        self, connection: Connection, corrections: Sequence[Correction], drive_nos: Mapping[str, int]
    ) -> None:
        keys = [
            {
                "drive": drive_nos[each.drive_id],
                "t0": each.t0_ns,
                "of_seq": each.seq,
                "of_device": each.device_id,
            }
            for _old, each, _rev in corrections
        ]
        connection.execute(
            delete(series_tables.series_newest).where(
                _n.drive_no == bindparam("drive"),
                _n.t0_ns == bindparam("t0"),
                _n.seq == bindparam("of_seq"),
                _n.device == bindparam("of_device"),
            ),
            keys,
        )
        statement = insert_into(series_tables.series_revision)
        rows = [
            {
                "drive_no": key["drive"],
                "t0_ns": key["t0"],
                "seq": key["of_seq"],
                "device": key["of_device"],
                "rev": each.rev,
            }
            for key, each in zip(keys, corrections, strict=True)
        ]
        connection.execute(
            statement.on_conflict_do_update(
                index_elements=["drive_no", "t0_ns", "seq", "device"], set_={"rev": statement.excluded.rev}
            ),
            rows,
        )

    def _note_left(self, numbering: Numbering, left: Iterable[Left]) -> None:
        rows = []
        left = list(left)
        drive_nos = numbering.drives({drive_id: 0 for _resolution, _end_ns, drive_id, _chain_id in left})
        chain_nos = numbering.chains({chain_id for *_, chain_id in left})
        for resolution, end_ns, drive_id, chain_id in left:
            key = {"resolution_s": int(resolution), "end_ns": end_ns, "drive_no": drive_nos[drive_id]}
            rows.append({**key, "chain_no": chain_nos[chain_id]})
        if rows:
            statement = insert_into(series_tables.series_left)
            numbering.connection.execute(statement.on_conflict_do_nothing(), rows)
            _note_due(numbering, {(resolution, end_ns, drive_id) for resolution, end_ns, drive_id, _ in left})

    # Roll-ups

    def due(self, resolution: Resolution, intervals_max: int) -> list[DueInterval]:
        """Return intervals whose roll-ups are due, the newest first."""
        query = (
            select(_d.end_ns, _drive.drive_id, _d.changes)
            .join(tables.drive_number, _drive.drive_no == _d.drive_no)
            .where(_d.resolution_s == int(resolution))
            .order_by(_d.end_ns.desc(), _d.drive_no.desc())
            .limit(max(intervals_max, 0))
        )
        with self._transactions.reading() as connection:
            return [DueInterval(*row) for row in connection.execute(query)]

    def left(
        self, resolution: Resolution, intervals: Sequence[DueInterval]
    ) -> set[tuple[int, str, str | None]]:
        """Return (end_ns, drive_id, chain_id) of roll-ups that may come to be over fewer readings."""
        if not intervals:
            return set()
        ends = [each.end_ns for each in intervals]
        query = (
            select(_l.end_ns, _drive.drive_id, _l.chain_no)
            .join(tables.drive_number, _drive.drive_no == _l.drive_no)
            .where(_l.resolution_s == int(resolution), _l.end_ns >= min(ends), _l.end_ns <= max(ends))
        )
        with self._transactions.reading() as connection:
            rows = connection.execute(query).all()
            chain_ids = self._numbers.chain_ids(connection, (row.chain_no for row in rows))
        return {(row.end_ns, row.drive_id, chain_ids[row.chain_no]) for row in rows}

    def done(self, resolution: Resolution, intervals: Sequence[DueInterval]) -> None:
        """Take intervals off that were rolled up; those in which more came meanwhile, or that somebody else made too, stay due.

        Two who make the same roll-up may write it in either order: who comes last finds it taken off, and notes it again.
        """
        if not intervals:
            return
        with self._numbers.writing() as numbering:
            connection = numbering.connection
            drive_nos = numbering.drives({each.drive_id: 0 for each in intervals})
            there = _as_they_are(connection, resolution, intervals)
            again = [
                (resolution, each.end_ns, each.drive_id)
                for each in intervals
                if (each.end_ns, drive_nos[each.drive_id], each.changes) not in there
            ]
            same = (_d.end_ns == bindparam("end"), _d.drive_no == bindparam("of"))
            connection.execute(
                delete(series_tables.series_due).where(
                    _d.resolution_s == int(resolution), *same, _d.changes == bindparam("so_many")
                ),
                [
                    {"end": each.end_ns, "of": drive_nos[each.drive_id], "so_many": each.changes}
                    for each in intervals
                ],
            )
            made = {(each.end_ns, each.drive_id) for each in intervals} - {key[1:] for key in again}
            _delete_left(connection, resolution, [(end_ns, drive_nos[of]) for end_ns, of in made])
            _note_due(numbering, again)
            if resolution in COARSER:
                longer = COARSER[resolution]
                _note_due(
                    numbering,
                    {(longer, end_of_interval_ns(each.end_ns, longer), each.drive_id) for each in intervals},
                )

    # Forgetting

    def kept(self, drive_id: str, resolution: Resolution | None, until_ns: int) -> list[tuple[int, int]]:
        """Return stretches (from, to] up to until_ns that must be kept, in order: what a due roll-up needs, and the newest."""
        stretches: list[tuple[int, int]] = []
        with self._transactions.reading() as connection:
            if resolution in COARSER:
                longer = COARSER[resolution]
                length_ns = longer * 1_000_000_000
                ends = (
                    select(_d.end_ns)
                    .join(tables.drive_number, _drive.drive_no == _d.drive_no)
                    .where(_drive.drive_id == drive_id, _d.resolution_s == int(longer))
                    .where(_d.end_ns - length_ns < until_ns)
                )
                stretches += [(end_ns - length_ns, end_ns) for end_ns in connection.execute(ends).scalars()]
            if resolution is None:
                times = (
                    select(_n.t_ns)
                    .join(tables.drive_number, _drive.drive_no == _n.drive_no)
                    .where(_drive.drive_id == drive_id, _n.t_ns <= until_ns)
                )
                stretches += [(t_ns - 1, t_ns) for t_ns in connection.execute(times).scalars()]
        return sorted(stretches)

    def forget_superseded(self, until_ns: int, rows_max: int) -> int:
        """Delete readings that others were put in place of, with t_ns <= until_ns; return how many went."""
        gone = 0
        with self._transactions.writing() as connection:
            for (drive_no,) in connection.execute(select(_drive.drive_no)).all():
                gone += connection.execute(forget_superseded(drive_no, until_ns, rows_max - gone)).rowcount
                if gone >= rows_max:
                    break
        return gone

    def forget_revisions(self, drive_id: str, before_ns: int) -> None:
        """Delete what is known of corrections of readings that began before: nothing of these is stored any more."""
        number = select(_drive.drive_no).where(_drive.drive_id == drive_id).scalar_subquery()
        with self._transactions.writing() as connection:
            connection.execute(
                delete(series_tables.series_revision).where(_v.drive_no == number, _v.t0_ns < before_ns)
            )


def _roll_up(drive_id: str, chain_id: str | None, values: Sequence[Any]) -> RollUp:
    names = [column.name for column in ROLL_UP_COLUMNS[1:]]
    return RollUp(drive_id=drive_id, chain_id=chain_id, **dict(zip(names, values, strict=True)))


def _parts(drive_ids: Iterable[str]) -> Iterable[list[str]]:
    some = list(drive_ids)
    return (some[start : start + _AT_ONCE] for start in range(0, len(some), _AT_ONCE))


def _newest_of_each(readings: Sequence[Reading]) -> list[tuple[int, Reading]]:
    """Return the newest of each drive (0), and the newest measured one (1)."""
    newest: dict[tuple[str, int], Reading] = {}
    for reading in readings:
        for kind in (0, 1) if reading.elongation_pct is not None else (0,):
            known = newest.get((reading.drive_id, kind))
            if known is None or _in_time(known) < _in_time(reading):
                newest[reading.drive_id, kind] = reading
    return [(kind, reading) for (_drive_id, kind), reading in newest.items()]


def _in_time(reading: Reading) -> tuple[int, int, int, str]:
    return reading.t_ns, reading.t0_ns, reading.seq, reading.device_id


def _minutes(readings: Iterable[Reading]) -> set[tuple[Resolution, int, str]]:
    minute = Resolution.MINUTE
    return {(minute, end_of_interval_ns(each.t_ns, minute), each.drive_id) for each in readings}


def _note_due(numbering: Numbering, intervals: Iterable[tuple[Resolution, int, str]]) -> None:
    intervals = list(intervals)
    if not intervals:
        return
    drive_nos = numbering.drives(dict.fromkeys((drive_id for _, _, drive_id in intervals), 0))
    statement = insert_into(series_tables.series_due)
    first = time.time_ns()  # never one that was there before: who looked then must not take this one off
    rows: list[dict[str, Any]] = [
        {"resolution_s": int(resolution), "end_ns": end_ns, "drive_no": drive_nos[drive_id], "changes": first}
        for resolution, end_ns, drive_id in intervals
    ]
    numbering.connection.execute(
        statement.on_conflict_do_update(
            index_elements=["resolution_s", "end_ns", "drive_no"], set_={"changes": _d.changes + 1}
        ),
        rows,
    )


def _as_they_are(
    connection: Connection, resolution: Resolution, intervals: Sequence[DueInterval]
) -> set[tuple[int, int, int]]:
    """Return (end_ns, drive_no, changes) of what is due within the time of intervals."""
    ends = [each.end_ns for each in intervals]
    query = select(_d.end_ns, _d.drive_no, _d.changes).where(
        _d.resolution_s == int(resolution), _d.end_ns >= min(ends), _d.end_ns <= max(ends)
    )
    return {tuple(row) for row in connection.execute(query)}


def _delete_left(connection: Connection, resolution: Resolution, keys: Sequence[tuple[int, int]]) -> None:
    """Roll-ups that were made anew may not come to be over fewer readings once more."""
    if (
        not keys
        or not connection.execute(select(func.count()).select_from(series_tables.series_left)).scalar()
    ):
        return
    of_it = (_l.end_ns == bindparam("end"), _l.drive_no == bindparam("of"))
    connection.execute(
        delete(series_tables.series_left).where(_l.resolution_s == int(resolution), *of_it),
        [{"end": end_ns, "of": drive_no} for end_ns, drive_no in keys],
    )
