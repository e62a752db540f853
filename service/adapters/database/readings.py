"""The time series: readings as they came, the newest of each drive, and roll-ups by minute, hour and day.

Knows how the port `Readings` becomes SQL; must not know files, pragmas or what an elongation means.

Storing notes the minutes that it touched as due, in the same transaction, so a crash loses no roll-up. Rolling up
makes a due interval anew from all that it covers: minutes from readings, hours from minutes, days from hours.
So neither the order of arrival nor a second delivery shows in the result.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from itertools import chain, repeat
from operator import attrgetter
from typing import Any, NamedTuple

from sqlalchemy import Connection, Select, func, select

from service.adapters.database import statements, tables
from service.adapters.database.evaluations import note_within
from service.adapters.database.numbers import Numbering, Numbers
from service.adapters.database.records import records
from service.adapters.database.refused import storable
from service.adapters.database.statements import (
    COARSER,
    READING_COLUMNS,
    ROLL_UP_COLUMNS,
    SUPERSEDED_COLUMNS,
    S,
    end_of_interval_ns,
)
from service.adapters.database.transactions import Transactions
from service.core.batch import WINDOW_S_MAX
from service.core.influence import DayMeans
from service.core.reading import NotMeasured, Reading
from service.ports import (
    PASSED_MAX,
    ROWS_MAX,
    Newest,
    Passed,
    Resolution,
    RollUp,
    Span,
    Superseded,
)

_WINDOW_NS_MAX = int(WINDOW_S_MAX * S)
_INSTANT_NS_MAX = 2**63 - 1  # in the year 2262
_WHY_LENGTH_MAX = 1024  # characters kept of why readings were superseded
_INTERVALS_MAX = 10_000  # that are sampled at once
_ALL_ROWS = 2**31 - 1  # more than are there
_CHUNK = 500  # intervals in one transaction: the worker waits no longer than this takes

_Order = tuple[int, int, int, str]  # of readings in time, ties broken by identity: (t_ns, t0_ns, seq, device)

_REASONS: dict[str | None, NotMeasured | None] = {
    None: None,
    **{str(reason): reason for reason in NotMeasured},
}
_u = tables.roll_up.c
_after_reason = attrgetter(*(column.name for column in READING_COLUMNS[8:]))
_BY_ALTERNATION = [column.name for column in READING_COLUMNS[8:]].index("by_alternation")
in_time = attrgetter("t_ns", "t0_ns", "seq", "device_id")


class DatabaseReadings:
    """The port `Readings` over a database."""

    def __init__(self, transactions: Transactions, numbers: Numbers | None = None) -> None:
        self._transactions = transactions
        self._numbers = Numbers(transactions) if numbers is None else numbers

    # Storing

    def store(self, readings: Sequence[Reading]) -> int:
        """Store all in one durable transaction and return how many were new. See the port."""
        if not readings:
            return 0
        with self._numbers.writing() as numbering:
            return self.store_within(numbering, readings)

    def store_within(self, numbering: Numbering, readings: Sequence[Reading]) -> int:
        """Store all in a transaction that is open, which may hold other things too; return how many were new."""
        if not readings:
            return 0
        drive_nos = numbering.drives(longest_windows_ns(readings))
        chain_nos = numbering.chains({reading.chain_id for reading in readings})
        rows = [reading_row(reading, drive_nos[reading.drive_id], chain_nos) for reading in readings]
        connection = numbering.connection
        new = statements.INSERT_READING.run(connection, rows).rowcount
        if new:
            candidates = _newest_rows(readings, drive_nos, all_of_them=new < len(rows))
            statements.UPSERT_NEWEST.run(connection, candidates)
            statements.INSERT_DUE.run(connection, _due_rows(rows))
            note_within(connection, earliest_ns(readings))
        return int(new)

    def supersede(self, readings: Sequence[Reading], at_ns: int, why: str) -> int:
        """Put these in place of those of the same identity; return how many differed. See the port.

        Of several with the same identity the last counts. A roll-up that a reading leaves because its chain is another
        now is taken out, where its finer data are all there, and made again from what is left.
        """
        if not readings:
            return 0
        with self._numbers.writing() as numbering:
            drive_nos = numbering.drives(longest_windows_ns(readings))
            chain_nos = numbering.chains({reading.chain_id for reading in readings})
            wanted = [reading_row(reading, drive_nos[reading.drive_id], chain_nos) for reading in readings]
            changes = _changes(numbering.connection, wanted)
            if changes:
                _supersede(numbering.connection, changes, at_ns, storable(why, _WHY_LENGTH_MAX))
                note_within(numbering.connection, _earliest_changed_ns(readings, drive_nos, changes))
        return len(changes)

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
                statements.ROLL_UP[resolution].run(connection, keys)
                statements.DELETE_DUE.run(connection, [(int(resolution), *key) for key in keys])
                if resolution in COARSER:
                    statements.INSERT_DUE.run(connection, _coarser_due(keys, COARSER[resolution]))
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
        chain_ids = self._numbers.chain_ids(connection, (row[2 + 4] for row in rows))
        kinds: list[dict[str, Reading]] = []
        for kind in (0, 1):
            of_kind = {row[0]: row[2:] for row in rows if row[1] == kind}
            found = readings_of_rows(of_kind.keys(), list(of_kind.values()), chain_ids)
            kinds.append({reading.drive_id: reading for reading in found})
        newest, measured = kinds
        return [
            Newest(drive_id=drive_id, reading=reading, measured=measured.get(drive_id))
            for drive_id, reading in newest.items()
        ]

    def raw(self, drive_id: str, from_ns: int, to_ns: int, rows_max: int = ROWS_MAX) -> list[Reading]:
        """Readings with from_ns < t_ns <= to_ns in the order of t_ns; the newest `rows_max` of them."""
        check_rows_max(rows_max)
        from_ns, to_ns = within_reach(from_ns), within_reach(to_ns)
        with self._transactions.reading() as connection:
            number = _find_drive(connection, drive_id)
            if number is None:
                return []
            rows = _ended(connection, _Within(*number, from_ns, to_ns), rows_max)
            chain_ids = self._numbers.chain_ids(connection, (row[4] for row in rows))
        readings = readings_of_rows(repeat(drive_id), rows, chain_ids)
        readings.sort(key=in_time)
        return readings[-rows_max:]

    def raw_of(self, spans: Sequence[Span], rows_max: int, *, oldest: bool = False) -> list[list[Reading]]:
        """Of each span in turn its newest (oldest) `rows_max` readings, in the order of time. See the port.

        One transaction, and in it one prepared statement a span, sought by key.
        """
        check_spans(spans, rows_max)
        with self._transactions.reading() as connection:
            numbers = _find_drives(connection, {each.drive_id for each in spans})
            wanted = {each.chain_id for each in spans if each.chain_id is not None}
            chain_nos = self._numbers.chain_nos(connection, wanted)
            found = [
                _ended(connection, within, rows_max, oldest=oldest) if within else []
                for within in (_within(each, numbers, chain_nos) for each in spans)
            ]
            rows = list(chain.from_iterable(found))
            chain_ids = self._numbers.chain_ids(connection, (row[4] for row in rows))
        drive_ids = chain.from_iterable(
            repeat(span.drive_id, len(of_it)) for span, of_it in zip(spans, found, strict=True)
        )
        readings = iter(readings_of_rows(drive_ids, rows, chain_ids))
        in_order = (sorted((next(readings) for _ in of_it), key=in_time) for of_it in found)
        return [each[:rows_max] if oldest else each[-rows_max:] for each in in_order]

    def sampled(self, drive_id: str, from_ns: int, to_ns: int, every_ns: int, rows_max: int) -> list[Reading]:
        """Of each interval of `every_ns` in (from_ns, to_ns] its newest `rows_max` readings, in the order of time. See the port."""
        check_rows_max(rows_max)
        check_intervals(from_ns, to_ns, every_ns)
        with self._transactions.reading() as connection:
            number = _find_drive(connection, drive_id)
            if number is None or to_ns - from_ns < every_ns:
                return []
            query = statements.samples(*number, (from_ns, to_ns), every_ns, rows_max)
            rows = connection.execute(query).all()
            chain_ids = self._numbers.chain_ids(connection, (row[1 + 4] for row in rows))
        found: dict[int, list[Reading]] = defaultdict(list)
        ends_ns = (row[0] for row in rows)
        readings = readings_of_rows(repeat(drive_id), [row[1:] for row in rows], chain_ids)
        for end_ns, reading in zip(ends_ns, readings, strict=True):
            found[end_ns].append(reading)
        return [each for end_ns in sorted(found) for each in sorted(found[end_ns], key=in_time)[-rows_max:]]

    def by_day(self, drive_id: str, from_ns: int, to_ns: int) -> list[DayMeans]:
        """What raw readings with from_ns < t_ns <= to_ns say of each day, in UTC, and chain; by end_ns then chain_id."""
        from_ns, to_ns = within_reach(from_ns), within_reach(to_ns)
        with self._transactions.reading() as connection:
            number = _find_drive(connection, drive_id)
            if number is None:
                return []
            rows = connection.execute(statements.days(*number, from_ns, to_ns)).all()
            chain_ids = self._numbers.chain_ids(connection, (row[1] for row in rows))
        days = [
            DayMeans(chain_id=chain_id, **{name: row._mapping[name] for name in statements.DAY_MEANS})  # noqa: SLF001
            for row in rows
            if (chain_id := chain_ids[row[1]]) is not None
        ]
        return sorted(days, key=lambda each: (each.end_ns, each.chain_id))

    def superseded(
        self, drive_id: str, from_ns: int, to_ns: int, rows_max: int = ROWS_MAX
    ) -> list[Superseded]:
        """Readings that others were put in place of, by t_ns then at_ns; the newest `rows_max` of them."""
        check_rows_max(rows_max)
        s, number = tables.superseded_reading.c, tables.drive_number.c
        query = (
            select(*SUPERSEDED_COLUMNS)
            .join(tables.drive_number, number.drive_no == s.drive_no)
            .where(number.drive_id == drive_id)
            .where(s.t_ns > within_reach(from_ns), s.t_ns <= within_reach(to_ns))
            .order_by(s.t_ns.desc(), s.at_ns.desc(), s.number.desc())
            .limit(rows_max)
        )
        with self._transactions.reading() as connection:
            rows = connection.execute(query).all()[::-1]
            chain_ids = self._numbers.chain_ids(connection, (row[2 + 4] for row in rows))
        readings = readings_of_rows(repeat(drive_id), [row[2:] for row in rows], chain_ids)
        return [
            Superseded(reading=reading, at_ns=row[0], why=row[1])
            for row, reading in zip(rows, readings, strict=True)
        ]

    def rolled(
        self, drive_id: str, from_ns: int, to_ns: int, resolution: Resolution, rows_max: int = ROWS_MAX
    ) -> list[RollUp]:
        """Roll-ups with from_ns < end_ns <= to_ns, by end_ns then chain; the newest `rows_max` of them."""
        check_rows_max(rows_max)
        from_ns, to_ns = within_reach(from_ns), within_reach(to_ns)
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
            chain_ids = self._numbers.chain_ids(connection, chain_nos)
        rolled = _roll_ups(drive_id, rows[::-1], chain_ids)
        if len(chain_nos) > 1:  # the order of chains so far is that of their numbers
            rolled.sort(key=lambda one: (one.end_ns, one.chain_id or ""))
        return rolled

    def passed(
        self, drive_ids: Sequence[str], from_ns: int, to_ns: int, resolution: Resolution
    ) -> list[Passed]:
        """What the roll-ups with from_ns < end_ns <= to_ns say together, of each drive that has any, by drive_id."""
        check_passed(drive_ids, from_ns, to_ns, resolution)
        within = (
            _u.resolution_s == int(resolution),
            _u.end_ns > within_reach(from_ns),
            _u.end_ns <= within_reach(to_ns),
        )
        with self._transactions.reading() as connection:
            numbers = _find_drives(connection, set(drive_ids))
            ids = {drive_no: drive_id for drive_id, (drive_no, _window_ns) in numbers.items()}
            of_drives = (_u.drive_no.in_(list(ids)), *within)
            sums = select(_u.drive_no, func.sum(_u.readings), func.sum(_u.pulses)).where(*of_drives)
            totals = connection.execute(sums.group_by(_u.drive_no)).all()
            query = select(_u.drive_no, _u.chain_no, _u.end_ns).where(*of_drives, _u.measured > 0)
            ends = connection.execute(query).all()
            chain_ids = self._numbers.chain_ids(connection, {row[1] for row in ends})
        measured: dict[int, dict[str | None, list[int]]] = defaultdict(lambda: defaultdict(list))
        for drive_no, chain_no, end_ns in ends:
            measured[drive_no][chain_ids[chain_no]].append(end_ns)
        found = [
            Passed(
                drive_id=ids[drive_no],
                readings=int(readings),
                pulses=int(pulses),
                measured={chain_id: sorted(some) for chain_id, some in measured[drive_no].items()},
            )
            for drive_no, readings, pulses in totals
        ]
        return sorted(found, key=lambda each: each.drive_id)

    # Forgetting

    def forget(self, resolution: Resolution | None, before_ns: int, rows_max: int = 50_000) -> int:
        """Delete raw readings (resolution None) or roll-ups older than `before_ns`; return how many went.

        Superseded readings go with raw ones. At most `rows_max`, in one transaction, and only whole intervals of the next longer roll-up. Kept are what a
        due roll-up still needs, and of each drive the newest reading and the newest measured one, however old: the
        board shows them, and the next batch is converted with them. The space is used again; `Database.reclaim`
        shrinks the file.
        """
        until_ns = within_reach(before_ns - 1)
        if resolution in COARSER:
            until_ns -= until_ns % (COARSER[resolution] * S)
        gone = 0
        with self._transactions.writing() as connection:
            for (drive_no,) in connection.execute(select(tables.drive_number.c.drive_no)).all():
                if resolution is None:
                    statement = statements.forget_superseded(drive_no, until_ns, rows_max - gone)
                    gone += connection.execute(statement).rowcount
                    statement = statements.forget_readings(drive_no, until_ns, rows_max - gone)
                else:
                    statement = statements.forget_roll_ups(drive_no, resolution, until_ns, rows_max - gone)
                gone += connection.execute(statement).rowcount
                if gone >= rows_max:
                    break
        return gone


# Windows and drives


def longest_windows_ns(readings: Sequence[Reading]) -> dict[str, int]:
    """Return the longest window of each drive, ns. Raises ValueError where one cannot be."""
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
    return longest


def earliest_ns(readings: Sequence[Reading]) -> dict[str, int]:
    """Return the earliest t_ns of each drive: from then on its conditions are to be looked at."""
    earliest: dict[str, int] = {}
    for reading in readings:
        if reading.t_ns < earliest.get(reading.drive_id, _INSTANT_NS_MAX):
            earliest[reading.drive_id] = reading.t_ns
    return earliest


def _earliest_changed_ns(
    readings: Sequence[Reading], drive_nos: dict[str, int], changes: Sequence["_Change"]
) -> dict[str, int]:
    """Return the same of readings that were put in place of others, which may have had another t_ns."""
    earliest: dict[int, int] = {}
    for change in changes:
        t_ns = min(change.old[4], change.new[4])
        earliest[change.new[0]] = min(t_ns, earliest.get(change.new[0], t_ns))
    drive_ids = {drive_nos[reading.drive_id]: reading.drive_id for reading in readings}
    return {drive_ids[drive_no]: t_ns for drive_no, t_ns in earliest.items()}


def _find_drive(connection: Connection, drive_id: str) -> tuple[int, int] | None:
    """Return number and longest window of a drive, or None where nothing of it was stored."""
    c = tables.drive_number.c
    row = connection.execute(
        select(c.drive_no, c.longest_window_ns).where(c.drive_id == drive_id)
    ).one_or_none()
    return None if row is None else (row.drive_no, row.longest_window_ns)


def _find_drives(connection: Connection, drive_ids: Collection[str]) -> dict[str, tuple[int, int]]:
    """Return number and longest window of each drive of which something was stored."""
    c = tables.drive_number.c
    query = select(c.drive_id, c.drive_no, c.longest_window_ns).where(c.drive_id.in_(sorted(drive_ids)))
    return {row.drive_id: (row.drive_no, row.longest_window_ns) for row in connection.execute(query)}


class _Within(NamedTuple):
    """Readings of a drive with from_ns < t_ns <= to_ns; measured ones only, or of a chain."""

    drive_no: int
    window_ns: int
    from_ns: int
    to_ns: int
    chain_no: int | None = None
    measured: bool = False


def _within(span: Span, numbers: dict[str, tuple[int, int]], chain_nos: dict[str, int]) -> _Within | None:
    """Return a span in numbers; None where nothing was stored of its drive or chain."""
    if span.drive_id not in numbers or (span.chain_id is not None and span.chain_id not in chain_nos):
        return None
    range_ns = within_reach(span.from_ns), within_reach(span.to_ns)
    chain_no = None if span.chain_id is None else chain_nos[span.chain_id]
    return _Within(*numbers[span.drive_id], *range_ns, chain_no, chain_no is not None)


def _ended(
    connection: Connection, within: _Within, rows_max: int, *, oldest: bool = False
) -> list[Sequence[Any]]:
    """Return rows of READING_COLUMNS that hold the newest (oldest) `rows_max` of those within, and maybe more.

    The key is in the order of t0_ns. Those that began last need not be those that ended last: where there are more
    than `rows_max`, one that began before them, but by no more than the longest window, may have ended after one. The
    same holds of the first ones, the other way round.
    """
    drive_no, window_ns, from_ns, to_ns, chain_no, measured = within
    statement = statements.ENDED[measured, chain_no is not None, oldest]

    def begun(after_ns: int, until_ns: int, rows: int) -> list[Sequence[Any]]:
        of_chain = () if chain_no is None else (chain_no,)
        values = (drive_no, from_ns, to_ns, after_ns, until_ns, *of_chain, rows)
        return list(statement.run(connection, values).all())

    rows = begun(from_ns - window_ns, to_ns, rows_max)
    if len(rows) < rows_max:
        return rows
    cut_ns = rows[-1][0]
    if oldest:
        at_the_cut = begun(cut_ns - 1, min(cut_ns + window_ns, to_ns), _ALL_ROWS)
        return [row for row in rows if row[0] < cut_ns] + at_the_cut
    return [row for row in rows if row[0] > cut_ns] + begun(cut_ns - window_ns - 1, cut_ns, _ALL_ROWS)


# Superseding


class _Change(NamedTuple):
    """A reading to put in place of another: rows of the table, with the same first four columns."""

    old: tuple[Any, ...]
    new: tuple[Any, ...]


def _changes(connection: Connection, wanted: Iterable[tuple[Any, ...]]) -> list[_Change]:
    """Return what differs between rows and those stored under their identity; the last row of an identity counts."""
    changes = []
    for identity, row in {row[:4]: row for row in wanted}.items():
        stored = statements.SELECT_READING.run(connection, identity).one_or_none()
        if stored is not None and tuple(stored) != row[4:]:
            changes.append(_Change((*identity, *stored), row))
    return changes


def _supersede(connection: Connection, changes: Sequence[_Change], at_ns: int, why: str) -> None:
    """Keep the old rows, put the new ones in, and bring what is made from them in line."""
    left = {(old[0], old[4], old[5]) for old, new in changes if old[4:6] != new[4:6]}
    _take_out_roll_ups(connection, left)
    statements.INSERT_SUPERSEDED.run(connection, [(at_ns, why, *change.old) for change in changes])
    statements.UPDATE_READING.run(connection, [(*change.new[4:], *change.new[:4]) for change in changes])
    _renew_newest(connection, [change.new for change in changes])
    statements.INSERT_DUE.run(connection, _due_rows(row for change in changes for row in change))
    _make_roll_ups_again(connection, {(drive_no, t_ns) for drive_no, t_ns, _chain_no in left})


def _take_out_roll_ups(connection: Connection, left: Iterable[tuple[int, int, int]]) -> None:
    """Take out roll-ups that readings leave, whose (drive_no, t_ns, chain_no) these are.

    Else they would stay: a roll-up is never replaced by one over fewer readings, and one over none is not written. Those
    whose finer data were forgotten in part are left alone, for nothing could take their place.
    """
    for resolution, statement in statements.DELETE_WHOLE_ROLL_UP.items():
        keys = {
            (drive_no, end_of_interval_ns(t_ns, resolution), chain_no) for drive_no, t_ns, chain_no in left
        }
        if keys:
            statement.run(connection, list(keys))


def _make_roll_ups_again(connection: Connection, left: Iterable[tuple[int, int]]) -> None:
    """Make what is left of the intervals that (drive_no, t_ns) fall into, at once: no page shall show a gap.

    They stay noted as due, because other minutes of the same hours may be.
    """
    for resolution in Resolution:
        keys = {(end_of_interval_ns(t_ns, resolution), drive_no) for drive_no, t_ns in left}
        if keys:
            statements.INSERT_DUE.run(connection, [(int(resolution), *key) for key in keys])
            statements.ROLL_UP[resolution].run(connection, list(keys))


def _renew_newest(connection: Connection, rows: Sequence[tuple[Any, ...]]) -> None:
    """Bring the newest of each drive in line with rows that were changed."""
    stale = [(*row[:4], row[4], 0 if row[6] is None else 1) for row in rows]
    candidates = [(kind, *row[:5], kind) for row in rows for kind in ((0,) if row[6] is None else (0, 1))]
    if statements.DELETE_STALE_NEWEST.run(connection, stale).rowcount:
        c = tables.drive_number.c
        drives = select(c.drive_no, c.longest_window_ns).where(c.drive_no.in_({row[0] for row in rows}))
        for drive_no, window_ns in connection.execute(drives).all():
            for kind in (0, 1):
                within = _Within(drive_no, window_ns, -1, _INSTANT_NS_MAX, measured=bool(kind))
                found = _ended(connection, within, 1)
                candidates += [(kind, drive_no, *row[:4], kind) for row in found]
    statements.UPSERT_NEWEST.run(connection, candidates)


# Rows from readings and back


def reading_row(reading: Reading, drive_no: int, chain_nos: dict[str | None, int]) -> tuple[Any, ...]:
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


def readings_of_rows(
    drive_ids: Iterable[str], rows: Sequence[Sequence[Any]], chain_ids: dict[int, str | None]
) -> list[Reading]:
    """Return the readings of rows of READING_COLUMNS, of the drives in turn."""
    if not rows:
        return []
    t0_ns, seq, device_id, t_ns, chain_no, pct, u_pct, reason, *others = zip(*rows, strict=True)
    others[_BY_ALTERNATION] = tuple(map(bool, others[_BY_ALTERNATION]))
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
    readings: Sequence[Reading], drive_nos: dict[str, int], *, all_of_them: bool
) -> list[tuple[Any, ...]]:
    """Return the rows of `UPSERT_NEWEST` that may matter: (measured, drive_no, t0_ns, seq, device, t_ns, measured).

    That is the newest of each drive and kind. Where some of the readings were stored already, perhaps with another
    content under the same identity, each is tried: what is stored decides.
    """
    newest: dict[tuple[str, int], _Order] = {}
    rows = []
    for reading in readings:
        order = in_time(reading)
        for measured in (0, 1) if reading.elongation_pct is not None else (0,):
            key = (reading.drive_id, measured)
            if all_of_them:
                rows.append((key, order))
            elif key not in newest or newest[key] < order:
                newest[key] = order
    return [
        (measured, drive_nos[drive_id], t0_ns, seq, device, t_ns, measured)
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


def check_rows_max(rows_max: int) -> None:
    """Raise ValueError where that many rows may not be asked for."""
    if not 1 <= rows_max <= ROWS_MAX:
        raise ValueError(f"rows_max must be 1 to {ROWS_MAX}, not {rows_max}")


def check_spans(spans: Sequence[Span], rows_max: int) -> None:
    """Raise ValueError where so many rows of so many spans may not be asked for."""
    check_rows_max(rows_max)
    if len(spans) * rows_max > ROWS_MAX:
        raise ValueError(f"{len(spans)} spans of {rows_max} rows are more than {ROWS_MAX}: ask in parts")


def check_passed(drive_ids: Sequence[str], from_ns: int, to_ns: int, resolution: Resolution) -> None:
    """Raise ValueError where that may be more intervals than are looked at together."""
    intervals = (to_ns - from_ns) // (resolution * S) * len(drive_ids)
    if intervals > PASSED_MAX:
        raise ValueError(f"{intervals} intervals are more than {PASSED_MAX}: ask for fewer drives at once")


def check_intervals(from_ns: int, to_ns: int, every_ns: int) -> None:
    """Raise ValueError where a range has more intervals than may be sampled."""
    if every_ns <= 0 or (to_ns - from_ns) // every_ns > _INTERVALS_MAX:
        raise ValueError(f"every_ns must be above 0, and the range hold {_INTERVALS_MAX} intervals at most")


def within_reach(instant_ns: int) -> int:
    """Return the instant, or the nearest that a reading can have and the database can compare."""
    return min(max(instant_ns, -1), _INSTANT_NS_MAX)
