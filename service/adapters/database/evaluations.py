"""Which drives are due to be looked at, and where the looking stands.

Knows how the port `Evaluations` becomes SQL, and how others note a drive as due within their own transactions; must not
know what is looked at.
"""

import json
from collections.abc import Mapping, Sequence

from sqlalchemy import Connection, bindparam, delete, select

from service.adapters.database import watch_tables as tables
from service.adapters.database.dialect import Positional, insert_into, lesser
from service.adapters.database.tables import register_version as _version
from service.adapters.database.transactions import Transactions
from service.ports import ConflictError, Due, SavedEvaluation

_d, _e, _c = tables.watch_due.c, tables.watch_evaluation.c, tables.watch_checkpoints.c


def _upsert_due() -> Positional:
    values = {"drive_id": bindparam("drive_id"), "from_ns": bindparam("from_ns"), "changes": 1}
    statement = insert_into(tables.watch_due).values(values)
    earlier = lesser(_d.from_ns, statement.excluded.from_ns)
    return Positional(
        statement.on_conflict_do_update(
            index_elements=["drive_id"], set_={"from_ns": earlier, "changes": _d.changes + 1}
        )
    )


# Values: drive_id, from_ns.
UPSERT_DUE = _upsert_due()


def note_within(connection: Connection, from_ns: Mapping[str, int]) -> None:
    """Note drives as due from an instant each, in a transaction that is open."""
    if from_ns:
        UPSERT_DUE.run(connection, list(from_ns.items()))


class DatabaseEvaluations:
    """The port `Evaluations` over a database."""

    def __init__(self, transactions: Transactions) -> None:
        self._transactions = transactions

    def note(self, drive_id: str, from_ns: int) -> None:
        """Note a drive as due from then on."""
        with self._transactions.writing() as connection:
            note_within(connection, {drive_id: from_ns})

    def due(self) -> list[Due]:
        """The drives that are due, by id."""
        query = select(_d.drive_id, _d.from_ns, _d.changes).order_by(_d.drive_id)
        with self._transactions.reading() as connection:
            return [
                Due(drive_id=row.drive_id, from_ns=row.from_ns, changes=row.changes)
                for row in connection.execute(query)
            ]

    def load(self, drive_id: str) -> SavedEvaluation | None:
        """Where one stands."""
        query = (
            select(_e.state, _c.checkpoints)
            .outerjoin(tables.watch_checkpoints, _c.drive_id == _e.drive_id)
            .where(_e.drive_id == drive_id)
        )
        with self._transactions.reading() as connection:
            row = connection.execute(query).one_or_none()
        if row is None:
            return None
        checkpoints = json.loads(row.checkpoints) if row.checkpoints else []
        return SavedEvaluation(drive_id=drive_id, state=json.loads(row.state), checkpoints=checkpoints)

    def save(
        self,
        saved: Sequence[SavedEvaluation],
        done: Sequence[Due] = (),
        *,
        register_version: int | None = None,
    ) -> None:
        """Keep these, and take what is done off the list; see the port."""
        if not saved and not done:
            return
        states = [{"drive_id": each.drive_id, "state": _text(each.state)} for each in saved]
        checkpoints = [
            {"drive_id": each.drive_id, "checkpoints": _text(each.checkpoints)}
            for each in saved
            if each.checkpoints is not None
        ]
        with self._transactions.writing() as connection:
            if register_version is not None:
                _refuse_another(connection, register_version)
            for table, name, rows in (
                (tables.watch_evaluation, "state", states),
                (tables.watch_checkpoints, "checkpoints", checkpoints),
            ):
                if rows:
                    statement = insert_into(table)
                    update = {name: statement.excluded[name]}
                    connection.execute(
                        statement.on_conflict_do_update(index_elements=["drive_id"], set_=update), rows
                    )
            if done:
                same = (_d.drive_id == bindparam("of"), _d.changes == bindparam("so_many"))
                connection.execute(
                    delete(tables.watch_due).where(*same),
                    [{"of": each.drive_id, "so_many": each.changes} for each in done],
                )


def _refuse_another(connection: Connection, version: int) -> None:
    now = connection.execute(select(_version.c.version)).scalar_one()
    if now != version:
        raise ConflictError(f"the register has version {now} and not {version} any more: look at it again")


def _text(value: object) -> str:
    """Return it as JSON. Raises ValueError where JSON cannot say it (NaN ...)."""
    return json.dumps(value, allow_nan=False, separators=(",", ":"))
