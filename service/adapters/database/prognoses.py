"""Prognoses, kept as they were made.

Knows how the port `Prognoses` becomes SQL, and which of them stay; must not know what a prognosis says.
"""

import json
from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, Row, Select, and_, delete, func, insert, select

from service.adapters.database import prognoses_tables as tables
from service.adapters.database.tables import drive
from service.adapters.database.transactions import Transactions
from service.core.prognosis import Outcome
from service.ports import ROWS_MAX, KeptPrognosis, NotFoundError

DAY_NS = 86_400 * 10**9

_p = tables.prognosis.c
_COPIED = (
    "drive_id", "chain_id", "made_ns", "set_point_pct", "p10_ns", "p50_ns", "p90_ns", "version",
)  # fmt: skip


class DatabasePrognoses:
    """The port `Prognoses` over a database."""

    def __init__(self, transactions: Transactions) -> None:
        self._transactions = transactions

    def keep(self, prognoses: Sequence[KeptPrognosis]) -> None:
        """Store all; of each chain the newest before goes, unless it is the first of its day."""
        if not prognoses:
            return
        rows = [(each, _text(each.document)) for each in prognoses]
        with self._transactions.writing() as connection:
            for each, document in rows:
                _refuse_unknown(connection, each.drive_id)
                values = {name: getattr(each, name) for name in _COPIED}
                values |= {"outcome": str(each.outcome), "document": document}
                values["first_of_day"] = int(_is_first_of_day(connection, each))
                connection.execute(insert(tables.prognosis).values(values))
                _drop_passing(connection, each.chain_id)

    def newest(self, by_ns: int | None = None) -> list[KeptPrognosis]:
        """Of every drive the one that was made last, by an instant if one is given; by drive_id."""
        last = select(_p.drive_id, func.max(_p.made_ns).label("made_ns")).group_by(_p.drive_id)
        if by_ns is not None:
            last = last.where(_p.made_ns <= by_ns)
        found = last.subquery()
        query = (
            select(tables.prognosis)
            .join(found, and_(_p.drive_id == found.c.drive_id, _p.made_ns == found.c.made_ns))
            .order_by(_p.drive_id, _p.number)
        )
        return list({each.drive_id: each for each in self._read(query)}.values())

    def newest_of(self, drive_id: str) -> KeptPrognosis | None:
        """Of one drive the one that was made last."""
        query = select(tables.prognosis).where(_p.drive_id == drive_id)
        found = self._read(query.order_by(_p.made_ns.desc(), _p.number.desc()).limit(1))
        return found[0] if found else None

    def of_drive(
        self, drive_id: str, *, before: int | None = None, rows_max: int = 100
    ) -> list[KeptPrognosis]:
        """The newest `rows_max` with a number below `before`, the newest first."""
        query = select(tables.prognosis).where(_p.drive_id == drive_id)
        if before is not None:
            query = query.where(_p.number < before)
        return self._read(query.order_by(_p.number.desc()).limit(rows_max))

    def of_chain(
        self, chain_id: str, rows_max: int = ROWS_MAX, *, documents: bool = True
    ) -> list[KeptPrognosis]:
        """The newest `rows_max` of one chain, by made_ns; documents False: with empty ones, which is faster."""
        columns = [each for each in _p if documents or each is not _p.document]
        query = select(*columns).where(_p.chain_id == chain_id)
        return self._read(query.order_by(_p.made_ns.desc(), _p.number.desc()).limit(rows_max))[::-1]

    def _read(self, query: Select[Any]) -> list[KeptPrognosis]:
        with self._transactions.reading() as connection:
            return [_to_kept(row) for row in connection.execute(query)]


def _refuse_unknown(connection: Connection, drive_id: str) -> None:
    if connection.execute(select(drive.c.drive_id).where(drive.c.drive_id == drive_id)).first() is None:
        raise NotFoundError(f"drive {drive_id!r} is not registered: register it, or correct the id")


def _is_first_of_day(connection: Connection, prognosis: KeptPrognosis) -> bool:
    day_ns = prognosis.made_ns // DAY_NS * DAY_NS
    same = and_(_p.chain_id == prognosis.chain_id, _p.made_ns >= day_ns, _p.made_ns < day_ns + DAY_NS)
    return connection.execute(select(_p.number).where(same).limit(1)).first() is None


def _drop_passing(connection: Connection, chain_id: str) -> None:
    """Drop what is neither the first of its day nor the newest of its chain."""
    newest = (
        select(_p.number)
        .where(_p.chain_id == chain_id)
        .order_by(_p.made_ns.desc(), _p.number.desc())
        .limit(1)
        .scalar_subquery()
    )
    passing = and_(_p.chain_id == chain_id, _p.first_of_day == 0, _p.number != newest)
    connection.execute(delete(tables.prognosis).where(passing))


def _text(document: dict[str, Any]) -> str:
    """Return it as JSON. Raises ValueError where JSON cannot say it (NaN ...)."""
    return json.dumps(document, allow_nan=False, separators=(",", ":"))


def _to_kept(row: Row[Any]) -> KeptPrognosis:
    return KeptPrognosis(
        **{name: getattr(row, name) for name in _COPIED},
        outcome=Outcome(row.outcome),
        document=json.loads(getattr(row, "document", "{}")),
        number=row.number,
    )
