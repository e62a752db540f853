"""What the devices say of themselves: whether they are there.

Knows how the port `Devices` becomes SQL, and how many are kept; must not know what follows from it. The drive ids come
from topics, which anyone on the broker may invent: the table is bounded.
"""

from collections.abc import Sequence

from sqlalchemy import Connection, and_, case, delete, func, select

from service.adapters.database import tables
from service.adapters.database.dialect import insert_into
from service.adapters.database.refused import ID_LENGTH_MAX, storable
from service.adapters.database.transactions import Transactions
from service.ports import DeviceState

STATES_MAX = 10_000
_d = tables.device_state.c


class DatabaseDevices:
    """The port `Devices` over a database."""

    def __init__(self, transactions: Transactions, states_max: int = STATES_MAX) -> None:
        """Beyond `states_max` those unchanged for longest go; of drives that nobody registered, before all others."""
        self._transactions = transactions
        self._states_max = states_max

    def note(self, states: Sequence[DeviceState]) -> None:
        """Remember the newest of each drive; see the port. One that says what is known already is no change:
        `since_ns` stays the time from which it has been so.
        """
        if not states:
            return
        statement = insert_into(tables.device_state)
        new = statement.excluded
        with self._transactions.writing() as connection:
            connection.execute(
                statement.on_conflict_do_update(
                    index_elements=["drive_id"],
                    set_={"online": new.online, "since_ns": new.since_ns},
                    where=and_(new.since_ns > _d.since_ns, new.online != _d.online),
                ),
                [
                    {
                        "drive_id": storable(state.drive_id, ID_LENGTH_MAX),
                        "online": int(state.online),
                        "since_ns": state.since_ns,
                    }
                    for state in states
                ],
            )
            self._drop(connection)

    def _drop(self, connection: Connection) -> None:
        if connection.execute(select(func.count()).select_from(tables.device_state)).scalar_one() > (
            self._states_max
        ):
            registered = tables.drive.c.drive_id
            kept = select(_d.drive_id).outerjoin(tables.drive, registered == _d.drive_id)
            first = case((registered.is_not(None), 0), else_=1)
            kept = kept.order_by(first, _d.since_ns.desc(), _d.drive_id).limit(self._states_max)
            connection.execute(delete(tables.device_state).where(_d.drive_id.not_in(kept)))

    def states(self) -> list[DeviceState]:
        """Of every drive that ever said something, by drive."""
        query = select(_d.drive_id, _d.online, _d.since_ns).order_by(_d.drive_id)
        with self._transactions.reading() as connection:
            return [
                DeviceState(drive_id=row.drive_id, online=bool(row.online), since_ns=row.since_ns)
                for row in connection.execute(query)
            ]
