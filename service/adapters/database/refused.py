"""Rejections and unregistered drives, for people to see.

Knows how the port `Refused` becomes SQL, and how much is kept; must not know why something was refused. What comes here
may be hostile: every text is cut, and both tables are bounded, whatever drive ids the topics invent.
"""

import hashlib
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from sqlalchemy import Connection, Row, bindparam, case, delete, func, select

from service.adapters.database import tables
from service.adapters.database.audit_log import write_within
from service.adapters.database.dialect import insert_into
from service.adapters.database.transactions import Transactions
from service.core.audit import AuditEntry
from service.core.batch import KEPT_PAYLOAD_BYTES_MAX, Rejection, RejectionReason
from service.ports import KeptRejection, Sighting

ID_LENGTH_MAX = 128  # characters kept of a drive or device id; valid ones have 64 at most
_TEXT_LENGTH_MAX = 1024  # characters kept of a topic and of a detail

_rejection, _sighting = tables.rejection, tables.sighting


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounds:
    """How much is kept. Beyond it the oldest go; drives that nobody registered go before registered ones."""

    rejections_per_drive: int = 200
    rejections: int = 10_000
    payload_bytes: int = 128 * 1024 * 1024
    sightings: int = 1_000


class DatabaseRefused:
    """The port `Refused` over a database."""

    def __init__(self, transactions: Transactions, bounds: Bounds | None = None) -> None:
        self._transactions = transactions
        self._bounds = Bounds() if bounds is None else bounds

    def keep(self, rejections: Sequence[Rejection], sightings: Sequence[Sighting]) -> None:
        """Keep all in one durable transaction. See the port."""
        if not rejections and not sightings:
            return
        with self._transactions.writing() as connection:
            if rejections:
                _keep_rejections(connection, rejections)
                self._drop_rejections(
                    connection, {storable(one.drive_id, ID_LENGTH_MAX) for one in rejections}
                )
            if sightings:
                _keep_sightings(connection, sightings)
                _drop_sightings(connection, self._bounds.sightings)

    def rejections(
        self, drive_id: str | None = None, rows_max: int = 100, *, unregistered: bool = True
    ) -> list[KeptRejection]:
        """The newest first. unregistered: with what came for drives that nobody had registered."""
        query = select(_rejection).order_by(_rejection.c.number.desc()).limit(rows_max)
        if drive_id is not None:
            query = query.where(_rejection.c.drive_id == storable(drive_id, ID_LENGTH_MAX))
        if not unregistered:
            query = query.where(_rejection.c.reason != RejectionReason.UNREGISTERED.value)
        with self._transactions.reading() as connection:
            return [_to_kept(row) for row in connection.execute(query)]

    def sightings(self) -> list[Sighting]:
        """Unregistered drives, the one seen last first."""
        query = select(_sighting).order_by(_sighting.c.last_seen_ns.desc(), _sighting.c.drive_id)
        with self._transactions.reading() as connection:
            return [Sighting(**row._mapping) for row in connection.execute(query)]  # noqa: SLF001

    def forget_sighting(self, drive_id: str, *, entry: AuditEntry | None = None) -> None:
        """Once it is registered, or turned away by a person. Unknown ids change nothing."""
        with self._transactions.writing() as connection:
            went = connection.execute(
                delete(_sighting).where(_sighting.c.drive_id == storable(drive_id, ID_LENGTH_MAX))
            ).rowcount
            write_within(connection, entry if went else None)

    def _drop_rejections(self, connection: Connection, drive_ids: set[str]) -> None:
        """Drop the oldest beyond the bounds. In all, a twentieth more than must go: finding them reads the whole index,
        and a flood must not have that done for each of its messages.
        """
        c, bounds = _rejection.c, self._bounds
        per_drive = bounds.rejections_per_drive
        of_drives = select(c.drive_id).where(c.drive_id.in_(drive_ids)).group_by(c.drive_id)
        for drive_id in connection.execute(of_drives.having(func.count() > per_drive)).scalars().all():
            newest_first = select(c.number).where(c.drive_id == drive_id).order_by(c.number.desc())
            too_many = connection.execute(newest_first.offset(per_drive).limit(1)).scalar_one()
            connection.execute(delete(_rejection).where(c.drive_id == drive_id, c.number <= too_many))
        rows, payload_bytes = connection.execute(select(func.count(), func.sum(c.kept_bytes))).one()
        if rows > bounds.rejections or payload_bytes > bounds.payload_bytes:
            rows_over = rows - bounds.rejections + bounds.rejections // 20
            bytes_over = payload_bytes - bounds.payload_bytes + bounds.payload_bytes // 20
            oldest = _oldest(connection, rows_over, bytes_over)
            connection.execute(delete(_rejection).where(c.number == bindparam("drop")), oldest)


def storable(text: str, length_max: int) -> str:
    """Return the text as any database can keep it: cut, and with what is no character written out.

    PostgreSQL takes no NUL; neither takes half of a surrogate pair.
    """
    cut = text if len(text) <= length_max else text[: length_max - 1] + "…"
    return cut.encode("utf-8", "backslashreplace").decode("utf-8").replace("\0", "\\x00")


def _keep_rejections(connection: Connection, rejections: Sequence[Rejection]) -> None:
    statement = insert_into(_rejection)
    connection.execute(
        statement.on_conflict_do_update(
            index_elements=["drive_id", "payload_sha256", "payload_bytes", "reason"],
            set_={"repeats": _rejection.c.repeats + 1},
        ),
        [_rejection_values(rejection) for rejection in rejections],
    )


def _rejection_values(rejection: Rejection) -> dict[str, Any]:
    payload = rejection.payload[:KEPT_PAYLOAD_BYTES_MAX]
    return {
        "drive_id": storable(rejection.drive_id, ID_LENGTH_MAX),
        "topic": storable(rejection.topic, _TEXT_LENGTH_MAX),
        "reason": rejection.reason.value,
        "detail": storable(rejection.detail, _TEXT_LENGTH_MAX),
        "payload": payload,
        "payload_bytes": rejection.payload_bytes,
        "kept_bytes": len(payload),
        "payload_sha256": hashlib.sha256(payload).hexdigest(),
        "received_ns": rejection.received_ns,
        "repeats": 0,
    }


def _oldest(connection: Connection, rows: int, payload_bytes: int) -> list[dict[str, int]]:
    """Return the numbers of the rejections to drop so that `rows` and `payload_bytes` are gone.

    Those of drives that nobody registered come first, so that a flood of invented names cannot push out
    what registered drives sent.
    """
    c, registered = _rejection.c, tables.drive.c.drive_id
    query = select(c.number, c.kept_bytes).outerjoin(tables.drive, registered == c.drive_id)
    dropped = []
    for number, kept_bytes in connection.execute(query.order_by(registered.is_not(None), c.number)):
        if rows <= 0 and payload_bytes <= 0:
            break
        dropped.append({"drop": number})
        rows -= 1
        payload_bytes -= kept_bytes
    return dropped


def _keep_sightings(connection: Connection, sightings: Sequence[Sighting]) -> None:
    statement = insert_into(_sighting)
    old, new = _sighting.c, statement.excluded
    newer = new.last_seen_ns >= old.last_seen_ns
    of_newest = ("last_seen_ns", "topic", "device_id", "up_rate_hz", "down_rate_hz")
    changes: dict[str, Any] = {name: case((newer, new[name]), else_=old[name]) for name in of_newest}
    changes["first_seen_ns"] = case(
        (new.first_seen_ns < old.first_seen_ns, new.first_seen_ns), else_=old.first_seen_ns
    )
    changes["messages"] = old.messages + new.messages
    connection.execute(
        statement.on_conflict_do_update(index_elements=["drive_id"], set_=changes),
        [
            asdict(sighting)
            | {
                "drive_id": storable(sighting.drive_id, ID_LENGTH_MAX),
                "topic": storable(sighting.topic, _TEXT_LENGTH_MAX),
                "device_id": storable(sighting.device_id, ID_LENGTH_MAX),
            }
            for sighting in sightings
        ],
    )


def _drop_sightings(connection: Connection, sightings_max: int) -> None:
    c = _sighting.c
    if connection.execute(select(func.count()).select_from(_sighting)).scalar_one() > sightings_max:
        kept = select(c.drive_id).order_by(c.last_seen_ns.desc(), c.drive_id).limit(sightings_max)
        connection.execute(delete(_sighting).where(c.drive_id.not_in(kept)))


def _to_kept(row: Row[Any]) -> KeptRejection:
    return KeptRejection(
        number=row.number,
        rejection=Rejection(
            drive_id=row.drive_id,
            topic=row.topic,
            reason=RejectionReason(row.reason),
            detail=row.detail,
            payload=row.payload,
            payload_bytes=row.payload_bytes,
            received_ns=row.received_ns,
        ),
        repeats=row.repeats,
    )
