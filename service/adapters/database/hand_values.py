"""Measurements by hand. Nothing is overwritten.

Knows how the port `HandValues` becomes SQL; must not know what a length says of a chain.
"""

from collections.abc import Sequence
from dataclasses import asdict, fields
from typing import Any

from sqlalchemy import Select, func, insert, select

from service.adapters.database import tables
from service.adapters.database.audit_log import write_within
from service.adapters.database.evaluations import note_within
from service.adapters.database.records import records
from service.adapters.database.register import find_chain, find_drive
from service.adapters.database.transactions import Transactions
from service.core.audit import AuditEntry
from service.core.hand import HandMethod, HandValue
from service.ports import NotFoundError

_h = tables.hand_value.c
_COLUMNS = [_h[field.name] for field in fields(HandValue)]
_IN_TIME = [_h.measured_ns, _h.recorded_ns, _h.number]


class DatabaseHandValues:
    """The port `HandValues` over a database."""

    def __init__(self, transactions: Transactions) -> None:
        self._transactions = transactions

    def record(self, value: HandValue, *, entry: AuditEntry | None = None) -> None:
        """Add one; the very same again, or one whose key is taken, changes nothing. Raises NotFoundError (drive, chain, chain of that drive)."""
        values = asdict(value) | {"method": value.method.value, "tight": int(value.tight)}
        with self._transactions.writing() as connection:
            find_drive(connection, value.drive_id)
            if (of := find_chain(connection, value.chain_id).drive_id) != value.drive_id:
                raise NotFoundError(
                    f"drive {value.drive_id!r} has no chain {value.chain_id!r}, which is on drive {of!r}: "
                    "correct one of the two"
                )
            if value.key is not None:
                known = [_h.drive_id == value.drive_id, _h.key == value.key]
            else:
                known = [_h[name].is_not_distinct_from(one) for name, one in values.items()]
            if connection.execute(select(_h.number).where(*known)).first() is None:
                connection.execute(insert(tables.hand_value), values)
                note_within(connection, {value.drive_id: value.measured_ns})
                write_within(connection, entry)

    def of(self, drive_id: str) -> list[HandValue]:
        """All of one drive by measured_ns then recorded_ns."""
        return self._values(select(*_COLUMNS).where(_h.drive_id == drive_id).order_by(*_IN_TIME))

    def of_each(self, drive_ids: Sequence[str]) -> dict[str, list[HandValue]]:
        """What `of` gives, of each of these drives that has any."""
        query = select(*_COLUMNS).where(_h.drive_id.in_(sorted(set(drive_ids)))).order_by(*_IN_TIME)
        found: dict[str, list[HandValue]] = {}
        for each in self._values(query):
            found.setdefault(each.drive_id, []).append(each)
        return found

    def by_key(self, drive_id: str, key: str) -> HandValue | None:
        """The one of a drive that has that key."""
        found = self._values(select(*_COLUMNS).where(_h.drive_id == drive_id, _h.key == key))
        return found[0] if found else None

    def newest(self) -> list[HandValue]:
        """The newest of every drive that has any, by drive."""
        latest_first = [column.desc() for column in _IN_TIME]
        place = func.row_number().over(partition_by=_h.drive_id, order_by=latest_first)
        ranked = select(*_COLUMNS, place.label("place")).subquery().c
        query = select(*(ranked[column.name] for column in _COLUMNS)).where(ranked.place == 1)
        return self._values(query.order_by(ranked.drive_id))

    def _values(self, query: Select[Any]) -> list[HandValue]:
        with self._transactions.reading() as connection:
            rows = connection.execute(query).all()
        if not rows:
            return []
        columns = dict(zip((column.name for column in _COLUMNS), zip(*rows, strict=True), strict=True))
        columns["method"] = tuple(map(HandMethod, columns["method"]))
        columns["tight"] = tuple(map(bool, columns["tight"]))
        return records(HandValue, len(rows), list(columns.values()))
