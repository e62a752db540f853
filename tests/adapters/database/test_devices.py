"""What is particular to the database: hostile names, and who goes first when all is full."""

from collections.abc import Iterator

import pytest

from service.adapters.database.connect import Database
from service.adapters.database.devices import STATES_MAX, DatabaseDevices
from service.ports import DeviceState
from tests.contracts.given import A_DRIVE, NOON_NS, an_empty_database


@pytest.fixture
def database() -> Iterator[Database]:
    with an_empty_database() as database:
        yield database


@pytest.mark.parametrize(
    "hostile", ["x" * 70_000, "half \ud800 pair", "nul \0 in it", "'; DROP TABLE reading; --", ""]
)
def test_a_hostile_name_is_cut_and_kept_once(database: Database, hostile: str) -> None:
    for online in (True, False):
        database.devices.note([DeviceState(drive_id=hostile, online=online, since_ns=NOON_NS + (not online))])
    (state,) = database.devices.states()
    assert len(state.drive_id) <= 128
    assert (state.online, state.since_ns) == (False, NOON_NS + 1)


def test_a_flood_of_invented_names_does_not_push_out_registered_drives(database: Database) -> None:
    database.register.add_drive(A_DRIVE)
    devices = DatabaseDevices(database._transactions, states_max=10)
    devices.note([DeviceState(drive_id="press-3", online=True, since_ns=1)])
    for start in range(0, 100, 20):
        devices.note(
            [
                DeviceState(drive_id=f"invented-{n}", online=True, since_ns=NOON_NS + n)
                for n in range(start, start + 20)
            ]
        )
    kept = {state.drive_id for state in devices.states()}
    assert kept == {"press-3", *(f"invented-{n}" for n in range(91, 100))}


def test_the_bound_in_use_is_that_of_the_house() -> None:
    assert STATES_MAX == 10_000
