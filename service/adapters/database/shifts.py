"""Sites, work in hand, notes and handovers.

Knows how the ports `Sites`, `WorkInHand`, `Notes` and `Handovers` become SQL; must not know what a shift or a handover is.
A note, a handover, a signature and a receipt are only ever added: their tables refuse anything else.
"""

import json
from collections.abc import Sequence
from dataclasses import asdict, replace
from typing import Any

from sqlalchemy import Connection, Row, Select, insert, select, update

from service.adapters.database import shifts_tables as tables
from service.adapters.database.audit_log import write_within
from service.adapters.database.dialect import insert_into
from service.adapters.database.register import find_drive
from service.adapters.database.transactions import Transactions
from service.core.audit import AuditEntry
from service.core.handover import Handover, Head, Receipt, Signature, SignRole
from service.core.shift import Pattern, Site, Slot, clock_time
from service.core.work import Note, Work, WorkKind
from service.ports import ROWS_MAX, ConflictError, NotFoundError

_s, _w, _n = tables.site.c, tables.work_in_hand.c, tables.note.c
_h, _sig, _rec = tables.handover.c, tables.handover_signature.c, tables.handover_receipt.c
_HEAD = [_h[name] for name in Head.__dataclass_fields__]


class DatabaseSites:
    """The port `Sites` over a database."""

    def __init__(self, transactions: Transactions) -> None:
        self._transactions = transactions

    def sites(self) -> list[Site]:
        """All that were set, by name."""
        with self._transactions.reading() as connection:
            return [_to_site(row) for row in connection.execute(select(tables.site).order_by(_s.site))]

    def site(self, name: str) -> Site | None:
        """One of them."""
        with self._transactions.reading() as connection:
            row = connection.execute(select(tables.site).where(_s.site == name)).first()
        return None if row is None else _to_site(row)

    def put(self, site: Site, *, entry: AuditEntry | None = None) -> None:
        """Set zone and shifts of a site."""
        slots = [
            {
                "name": each.name,
                "starts": f"{each.starts:%H:%M}",
                "ends": f"{each.ends:%H:%M}",
                "days": sorted(each.days),
            }
            for each in site.pattern.slots
        ]
        values = {"site": site.site, "zone": site.zone, "slots": json.dumps(slots, ensure_ascii=False)}
        statement = insert_into(tables.site)
        with self._transactions.writing() as connection:
            connection.execute(
                statement.on_conflict_do_update(
                    index_elements=["site"],
                    set_={"zone": statement.excluded.zone, "slots": statement.excluded.slots},
                ),
                values,
            )
            write_within(connection, entry)


def _to_site(row: Row[Any]) -> Site:
    slots = tuple(
        Slot(
            name=each["name"],
            starts=clock_time(each["starts"]),
            ends=clock_time(each["ends"]),
            days=frozenset(each["days"]),
        )
        for each in json.loads(row.slots)
    )
    return Site(site=row.site, zone=row.zone, pattern=Pattern(slots))


class DatabaseWorkInHand:
    """The port `WorkInHand` over a database."""

    def __init__(self, transactions: Transactions) -> None:
        self._transactions = transactions

    def open(self, work: Work, *, entry: AuditEntry | None = None) -> Work:
        """Store work that goes on and return it with its number."""
        values = asdict(work) | {"kind": str(work.kind), "by_whom": work.by}
        del values["by"], values["work_id"]
        with self._transactions.writing() as connection:
            find_drive(connection, work.drive_id)
            number = connection.execute(
                insert(tables.work_in_hand).returning(_w.work_id), values
            ).scalar_one()
            write_within(connection, entry)
        return replace(work, work_id=int(number))

    def close(self, work: Work, *, entry: AuditEntry | None = None) -> None:
        """Store what `work` says of its end."""
        with self._transactions.writing() as connection:
            known = _find_work(connection, work.work_id)
            if known.closed_ns is not None:
                raise ConflictError(_closed_already(known))
            connection.execute(
                update(tables.work_in_hand)
                .where(_w.work_id == work.work_id)
                .values(
                    closed_ns=work.closed_ns,
                    closed_by=work.closed_by,
                    closed_why=work.closed_why,
                    closed_recorded_ns=work.closed_recorded_ns,
                )
            )
            write_within(connection, entry)

    def work(self, work_id: int) -> Work:
        """One. Raises NotFoundError."""
        with self._transactions.reading() as connection:
            return _find_work(connection, work_id)

    def in_hand(self, drive_id: str | None = None) -> list[Work]:
        """What is open now, by since_ns."""
        query = select(tables.work_in_hand).where(_w.closed_recorded_ns.is_(None))
        if drive_id is not None:
            query = query.where(_w.drive_id == drive_id)
        return self._works(query.order_by(_w.since_ns, _w.work_id))

    def known(self, from_ns: int, to_ns: int, rows_max: int = ROWS_MAX) -> list[Work]:
        """What was recorded by to_ns and was not recorded as closed by from_ns, by since_ns."""
        query = select(tables.work_in_hand).where(
            _w.recorded_ns <= to_ns, _w.closed_recorded_ns.is_(None) | (_w.closed_recorded_ns > from_ns)
        )
        return self._works(query.order_by(_w.since_ns.desc(), _w.work_id.desc()).limit(rows_max))[::-1]

    def _works(self, query: Select[Any]) -> list[Work]:
        with self._transactions.reading() as connection:
            return [_to_work(row) for row in connection.execute(query)]


def _find_work(connection: Connection, work_id: int) -> Work:
    row = connection.execute(select(tables.work_in_hand).where(_w.work_id == work_id)).first()
    if row is None:
        raise NotFoundError(f"there is no work {work_id} in hand: the list of work shows what is open")
    return _to_work(row)


def _closed_already(work: Work) -> str:
    return f"work {work.work_id} was closed by {work.closed_by} already: open new work if it goes on"


def _to_work(row: Row[Any]) -> Work:
    values = dict(row._mapping)  # noqa: SLF001 - SQLAlchemy's own name for it
    values["by"] = values.pop("by_whom")
    return Work(**values | {"kind": WorkKind(row.kind)})


class DatabaseNotes:
    """The port `Notes` over a database."""

    def __init__(self, transactions: Transactions) -> None:
        self._transactions = transactions

    def add(self, note: Note, *, entry: AuditEntry | None = None) -> Note:
        """Store a note and return it with its number."""
        values = asdict(note) | {"by_whom": note.by}
        del values["by"], values["number"]
        with self._transactions.writing() as connection:
            number = connection.execute(insert(tables.note).returning(_n.number), values).scalar_one()
            write_within(connection, entry)
        return replace(note, number=int(number))

    def recorded(self, site: str | None, from_ns: int, to_ns: int, rows_max: int = 1000) -> list[Note]:
        """Those with from_ns < recorded_ns <= to_ns by number; the newest `rows_max`."""
        query = select(tables.note).where(_n.recorded_ns > from_ns, _n.recorded_ns <= to_ns)
        if site is not None:
            query = query.where(_n.site == site)
        with self._transactions.reading() as connection:
            rows = connection.execute(query.order_by(_n.number.desc()).limit(rows_max)).all()
        return [_to_note(row) for row in reversed(rows)]


def _to_note(row: Row[Any]) -> Note:
    values = dict(row._mapping)  # noqa: SLF001
    values["by"] = values.pop("by_whom")
    return Note(**values)


class DatabaseHandovers:
    """The port `Handovers` over a database."""

    def __init__(self, transactions: Transactions) -> None:
        self._transactions = transactions

    def freeze(self, handover: Handover, *, entry: AuditEntry | None = None) -> Handover:
        """Store it and return it with its number; one of the same site, from and to stays and is returned."""
        head = handover.head
        same = (_h.site == head.site, _h.from_ns == head.from_ns, _h.to_ns == head.to_ns)
        values = asdict(head) | {"content": handover.content}
        del values["number"]
        with self._transactions.writing() as connection:
            known = connection.execute(select(tables.handover).where(*same)).first()
            if known is not None:
                return _to_handover(known)
            number = connection.execute(insert(tables.handover).returning(_h.number), values).scalar_one()
            write_within(connection, entry)
        return Handover(replace(head, number=int(number)), handover.content)

    def handover(self, number: int) -> Handover:
        """One. Raises NotFoundError."""
        with self._transactions.reading() as connection:
            row = connection.execute(select(tables.handover).where(_h.number == number)).first()
        if row is None:
            raise NotFoundError(_no_handover(number))
        return _to_handover(row)

    def heads(
        self, *, site: str | None = None, after: int = 0, since_ns: int = 0, rows_max: int = 100
    ) -> list[Head]:
        """Those with a higher number whose cut-off is later than since_ns, the oldest `rows_max`, by number."""
        query = select(*_HEAD).where(_h.number > after, _h.to_ns > since_ns)
        if site is not None:
            query = query.where(_h.site == site)
        return self._heads(query.order_by(_h.number).limit(rows_max))

    def newest(self, site: str | None = None, rows_max: int = 20) -> list[Head]:
        """Those with the latest cut-off, the latest first."""
        query = select(*_HEAD)
        if site is not None:
            query = query.where(_h.site == site)
        return self._heads(query.order_by(_h.to_ns.desc(), _h.number.desc()).limit(rows_max))

    def last_shift(self, site: str, before_ns: int) -> Handover | None:
        """Of the handovers of shifts the one with the latest cut-off before an instant."""
        query = select(tables.handover).where(_h.site == site, _h.shift != "", _h.to_ns < before_ns)
        with self._transactions.reading() as connection:
            row = connection.execute(query.order_by(_h.to_ns.desc(), _h.number.desc()).limit(1)).first()
        return None if row is None else _to_handover(row)

    def sign(self, signature: Signature, *, entry: AuditEntry | None = None) -> None:
        """Add a signature. Raises NotFoundError, and ConflictError where that role has signed."""
        values = asdict(signature) | {"role": str(signature.role), "by_whom": signature.by}
        del values["by"]
        with self._transactions.writing() as connection:
            _refuse_unknown(connection, signature.handover)
            same = (_sig.handover == signature.handover, _sig.role == str(signature.role))
            done = connection.execute(select(_sig.name).where(*same)).scalar()
            if done is not None:
                raise ConflictError(f"the {signature.role} was {done}, who signed already")
            connection.execute(insert(tables.handover_signature), values)
            write_within(connection, entry)

    def signatures(self, numbers: Sequence[int]) -> list[Signature]:
        """Those of these handovers, by handover, giver first."""
        query = select(tables.handover_signature).where(_sig.handover.in_(numbers))
        with self._transactions.reading() as connection:
            rows = connection.execute(query.order_by(_sig.handover, _sig.role)).all()
        return [
            Signature(
                handover=row.handover,
                role=SignRole(row.role),
                name=row.name,
                by=row.by_whom,
                at_ns=row.at_ns,
                sha256=row.sha256,
                remark=row.remark,
            )
            for row in rows
        ]

    def receive(self, receipt: Receipt, *, entry: AuditEntry | None = None) -> Receipt:
        """Note that a system has taken one; the first receipt of a system stays and is returned."""
        values = asdict(receipt) | {"by_whom": receipt.by}
        del values["by"]
        same = (_rec.handover == receipt.handover, _rec.system == receipt.system)
        with self._transactions.writing() as connection:
            _refuse_unknown(connection, receipt.handover)
            known = connection.execute(select(tables.handover_receipt).where(*same)).first()
            if known is not None:
                return _to_receipt(known)
            connection.execute(insert(tables.handover_receipt), values)
            write_within(connection, entry)
        return receipt

    def receipts(self, numbers: Sequence[int]) -> list[Receipt]:
        """Those of these handovers, by handover then at_ns."""
        query = select(tables.handover_receipt).where(_rec.handover.in_(numbers))
        with self._transactions.reading() as connection:
            rows = connection.execute(query.order_by(_rec.handover, _rec.at_ns, _rec.system)).all()
        return [_to_receipt(row) for row in rows]

    def _heads(self, query: Select[Any]) -> list[Head]:
        with self._transactions.reading() as connection:
            return [Head(**row._mapping) for row in connection.execute(query)]  # noqa: SLF001


def _no_handover(number: int) -> str:
    return f"there is no handover {number}: the list of handovers shows those that are frozen"


def _refuse_unknown(connection: Connection, number: int) -> None:
    if connection.execute(select(_h.number).where(_h.number == number)).first() is None:
        raise NotFoundError(_no_handover(number))


def _to_handover(row: Row[Any]) -> Handover:
    values = dict(row._mapping)  # noqa: SLF001
    content = values.pop("content")
    return Handover(Head(**values), content)


def _to_receipt(row: Row[Any]) -> Receipt:
    return Receipt(
        handover=row.handover, system=row.system, at_ns=row.at_ns, by=row.by_whom, reference=row.reference
    )
