"""Pulse batches as they came, for a while: to commission by, to look at, and to convert again.

Knows how the port `RawBatches` becomes SQL, and how much is kept; must not know what is in a payload.

How much is kept has two bounds, in bytes for each drive and in all; beyond either those that came first go first. How
many bytes there are is counted anew only when it may be too many by what was added since: a sum for each flush would
cost more than the flush. So when something has to go, a twentieth more than must goes with it.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import repeat
from typing import Any

from sqlalchemy import Connection, Select, bindparam, delete, func, select

from service.adapters.database import tables
from service.adapters.database.dialect import Positional, insert_into
from service.adapters.database.numbers import Numbering, Numbers
from service.adapters.database.records import records
from service.adapters.database.refused import storable
from service.adapters.database.transactions import Transactions
from service.core.wire import Form
from service.ports import ROWS_MAX, RawBatch

_ROW_BYTES = 120  # what a batch takes beside its payload, index entries included; about
_CONTENT_TYPE_LENGTH_MAX = 256  # characters
_CHUNK = 1000  # batches forgotten in one transaction
_INSTANT_NS_MAX = 2**63 - 1

_b, _drive = tables.raw_batch.c, tables.drive_number.c
_FORMS: dict[str, Form] = {form.value: form for form in Form}
# The fields of a RawBatch but for its drive, in order.
_COLUMNS = [_b.device, _b.t0_ns, _b.seq, _b.t_ns, _b.form, _b.content_type, _b.payload]
_IN_TIME = [_b.t_ns, _b.t0_ns, _b.seq, _b.device]


@dataclass(frozen=True, slots=True, kw_only=True)
class RawBounds:
    """How many bytes of batches are kept, of one drive and in all. Beyond it those that came first go first.

    100 drives that send a batch of 3 kB every 10 s fill the usual 256 MiB in two and a half hours; one alone fills its
    64 MiB in two and a half days.
    """

    bytes_per_drive: int = 64 * 1024 * 1024
    bytes: int = 256 * 1024 * 1024


class DatabaseRawBatches:
    """The port `RawBatches` over a database."""

    def __init__(
        self, transactions: Transactions, numbers: Numbers | None = None, bounds: RawBounds | None = None
    ) -> None:
        self._transactions = transactions
        self._numbers = Numbers(transactions) if numbers is None else numbers
        self._bounds = RawBounds() if bounds is None else bounds
        # Bytes of each drive by its number, at least what the database has; None: not counted yet.
        self._counted: dict[int, int] | None = None

    def keep(self, batches: Sequence[RawBatch]) -> None:
        """Keep all in one durable transaction; one kept already changes nothing. See the port."""
        if batches:
            with self._numbers.writing() as numbering:
                self.keep_within(numbering, batches)

    def keep_within(self, numbering: Numbering, batches: Sequence[RawBatch]) -> None:
        """Keep all in a transaction that is open, which may hold other things too."""
        if not batches:
            return
        connection = numbering.connection
        counted, self._counted = self._counted, None  # should the transaction fail, it is counted anew
        drive_nos = numbering.drives(dict.fromkeys((batch.drive_id for batch in batches), 0))
        rows = [_row(batch, drive_nos[batch.drive_id]) for batch in batches]
        _INSERT.run(connection, rows)
        if counted is None:
            counted = _count(connection)
        else:
            for row in rows:
                counted[row[0]] = counted.get(row[0], 0) + row[7]
        over = [
            drive_no for drive_no in drive_nos.values() if counted[drive_no] > self._bounds.bytes_per_drive
        ]
        if over or sum(counted.values()) > self._bounds.bytes:
            self._drop(connection, over)
        else:
            self._counted = counted

    def _drop(self, connection: Connection, drive_nos: Sequence[int]) -> None:
        """Drop what came first of these drives, and in all, as far as there is too much."""
        per_drive, in_all = self._bounds.bytes_per_drive, self._bounds.bytes
        counted = _count(connection)
        for drive_no in drive_nos:
            too_many = counted[drive_no] - per_drive
            if too_many > 0:
                of_drive = select(_b.number, _b.kept_bytes).where(_b.drive_no == drive_no)
                last = _reaching(connection, of_drive, too_many + per_drive // 20)
                connection.execute(delete(tables.raw_batch).where(_b.drive_no == drive_no, _b.number <= last))
        if drive_nos:
            counted = _count(connection)
        too_many = sum(counted.values()) - in_all
        if too_many > 0:
            last = _reaching(connection, select(_b.number, _b.kept_bytes), too_many + in_all // 20)
            connection.execute(delete(tables.raw_batch).where(_b.number <= last))

    def raw(self, drive_id: str, from_ns: int, to_ns: int, rows_max: int = 1000) -> list[RawBatch]:
        """Batches with from_ns < t_ns <= to_ns in the order of t_ns; the newest `rows_max` of them."""
        query = _of_drive(drive_id, from_ns, to_ns).order_by(*(column.desc() for column in _IN_TIME))
        return self._batches(drive_id, query, rows_max)[::-1]

    def after(self, drive_id: str, t_ns: int, rows_max: int = 1000) -> list[RawBatch]:
        """The oldest `rows_max` batches with a later t_ns, in its order: for who works through all of them.

        Those that end with the last of them come too, so that who goes on from there misses none.
        """
        query = _of_drive(drive_id, t_ns, _INSTANT_NS_MAX).order_by(*_IN_TIME)
        found = self._batches(drive_id, query, rows_max)
        if len(found) < rows_max:
            return found
        last_ns = found[-1].t_ns
        together = _of_drive(drive_id, last_ns - 1, last_ns).order_by(*_IN_TIME)
        return [batch for batch in found if batch.t_ns < last_ns] + self._batches(
            drive_id, together, ROWS_MAX
        )

    def _batches(self, drive_id: str, query: Select[Any], rows_max: int) -> list[RawBatch]:
        if not 1 <= rows_max <= ROWS_MAX:
            raise ValueError(f"rows_max must be 1 to {ROWS_MAX}, not {rows_max}")
        with self._transactions.reading() as connection:
            rows = connection.execute(query.limit(rows_max)).all()
        if not rows:
            return []
        device_id, t0_ns, seq, t_ns, form, content_type, payload = zip(*rows, strict=True)
        forms = map(_FORMS.__getitem__, form)
        columns = [repeat(drive_id), device_id, t0_ns, seq, t_ns, forms, content_type, payload]
        return records(RawBatch, len(rows), columns)

    def forget(self, before_ns: int, rows_max: int = 10_000) -> int:
        """Delete batches older than that; return how many went, at most `rows_max`.

        In transactions so short that the worker hardly waits: pages of payloads take time to set free.
        """
        until_ns = _within_reach(before_ns - 1)
        gone = 0
        while gone < rows_max:
            went = self._forget_chunk(until_ns, min(_CHUNK, rows_max - gone))
            gone += went
            if not went:
                break
        return gone

    def _forget_chunk(self, until_ns: int, rows_max: int) -> int:
        gone = 0
        with self._transactions.writing() as connection:
            for (drive_no,) in connection.execute(select(_drive.drive_no)).all():
                old = select(_b.number).where(_b.drive_no == drive_no, _b.t_ns <= until_ns)
                old = old.order_by(_b.t_ns).limit(rows_max - gone)
                gone += connection.execute(delete(tables.raw_batch).where(_b.number.in_(old))).rowcount
                if gone >= rows_max:
                    break
        return gone


def _insert() -> Positional:
    names = ("drive_no", "t0_ns", "seq", "device", "t_ns", "form", "content_type", "kept_bytes", "payload")
    values: dict[str, Any] = {name: bindparam(name) for name in names}
    return Positional(insert_into(tables.raw_batch).values(values).on_conflict_do_nothing())


# Values: the columns of the table after its number, in order.
_INSERT = _insert()


def _row(batch: RawBatch, drive_no: int) -> tuple[Any, ...]:
    """Return the values of a batch in the order of `_INSERT`."""
    content_type = batch.content_type
    return (
        drive_no,
        batch.t0_ns,
        batch.seq,
        batch.device_id,
        batch.t_ns,
        batch.form.value,
        None if content_type is None else storable(content_type, _CONTENT_TYPE_LENGTH_MAX),
        len(batch.payload) + _ROW_BYTES,
        batch.payload,
    )


def _of_drive(drive_id: str, from_ns: int, to_ns: int) -> Select[Any]:
    """Batches of a drive with from_ns < t_ns <= to_ns."""
    query = select(*_COLUMNS).join(tables.drive_number, _drive.drive_no == _b.drive_no)
    return query.where(
        _drive.drive_id == drive_id, _b.t_ns > _within_reach(from_ns), _b.t_ns <= _within_reach(to_ns)
    )


def _count(connection: Connection) -> dict[int, int]:
    """Return the bytes of each drive that has any, by its number."""
    rows = connection.execute(select(_b.drive_no, func.sum(_b.kept_bytes)).group_by(_b.drive_no))
    return {row[0]: int(row[1]) for row in rows}


def _reaching(connection: Connection, batches: Select[Any], enough: int) -> int:
    """Return the number up to which batches (number, bytes) must go, from the first, for `enough` bytes to go."""
    number = 0
    rows: Iterable[Any] = connection.execute(batches.order_by(_b.number))
    for number, kept_bytes in rows:  # noqa: B007
        enough -= kept_bytes
        if enough <= 0:
            break
    return number


def _within_reach(instant_ns: int) -> int:
    """Return the instant, or the nearest that a batch can have and the database can compare."""
    return min(max(instant_ns, -1), _INSTANT_NS_MAX)
