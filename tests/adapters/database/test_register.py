"""What is particular to the database: history of settings, keys, and two writers at once."""

import threading
from collections.abc import Iterator
from dataclasses import fields, replace

import pytest
from sqlalchemy import text
from sqlalchemy.exc import IntegrityError

from service.adapters.database import tables
from service.adapters.database.connect import Database, open_database
from service.adapters.database.register import DatabaseRegister
from service.core.drive import Baseline, Chain, Drive
from service.ports import ConflictError
from tests.contracts.given import A_CHAIN, A_DRIVE, NOON_NS, S, an_empty_database


@pytest.fixture
def database() -> Iterator[Database]:
    with an_empty_database() as database:
        yield database


@pytest.mark.parametrize(
    ("record", "table", "more"),
    [
        (Drive, tables.drive, set()),
        (Drive, tables.drive_history, {"version", "recorded_ns"}),
        (Chain, tables.chain, set()),
        (Baseline, tables.baseline, {"number"}),
    ],
    ids=["drive", "drive_history", "chain", "baseline"],
)
def test_every_field_has_its_column(record: type, table: object, more: set[str]) -> None:
    columns = {column.name for column in table.c}  # type: ignore[attr-defined]
    assert columns == {field.name for field in fields(record)} | more


def test_earlier_settings_of_a_drive_are_kept(database: Database) -> None:
    times = iter([10, 20, 30])
    register = DatabaseRegister(database._transactions, now_ns=lambda: next(times))
    changed = replace(A_DRIVE, whole_pitches=21, note="bracket moved")
    register.add_drive(A_DRIVE)
    register.change_drive(changed)
    register.retire_drive("press-3", NOON_NS)
    assert register.drive_history("press-3") == [
        (10, A_DRIVE),
        (20, changed),
        (30, replace(changed, retired_ns=NOON_NS)),
    ]
    assert register.drive_history("saw-1") == []


def test_history_cannot_be_orphaned(database: Database) -> None:
    database.register.add_drive(A_DRIVE)
    database.register.fit_chain(A_CHAIN)
    with pytest.raises(IntegrityError, match="FOREIGN KEY"), database._transactions.writing() as connection:
        connection.execute(text("DELETE FROM drive"))


def together(*calls: object) -> list[str]:
    """Run the calls at once, each in a thread; return who was first and who met a conflict."""
    start, results = threading.Barrier(len(calls)), []

    def run(call: object) -> None:
        start.wait()
        try:
            call()  # type: ignore[operator]
            results.append("done")
        except ConflictError:
            results.append("conflict")

    threads = [threading.Thread(target=run, args=(call,)) for call in calls]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return sorted(results)


def test_of_two_people_who_fit_a_chain_at_once_one_is_told(database: Database) -> None:
    """Two stores on one file, as two processes have them: neither sees the other's lock of its own."""
    other = open_database(f"sqlite:///{database._transactions.place}")
    database.register.add_drive(A_DRIVE)
    for turn in range(5):
        first, second = (
            replace(A_CHAIN, chain_id=f"{who}{turn}", fitted_ns=NOON_NS + turn * S) for who in "ab"
        )
        results = together(
            lambda chain=first: database.register.fit_chain(chain),
            lambda chain=second: other.register.fit_chain(chain),
        )
        assert results == ["conflict", "done"]
        (on,) = (chain for chain in database.register.chains() if chain.removed_ns is None)
        results = together(
            lambda chain=on, turn=turn: database.register.take_off_chain(
                chain.chain_id, NOON_NS + (turn + 1) * S, "a"
            ),
            lambda chain=on, turn=turn: other.register.take_off_chain(
                chain.chain_id, NOON_NS + (turn + 1) * S, "b"
            ),
        )
        assert results == ["conflict", "done"]
    other.close()


def test_no_change_of_two_writers_goes_uncounted(database: Database) -> None:
    other = open_database(f"sqlite:///{database._transactions.place}")
    before = database.register.version()

    def add(register: DatabaseRegister, who: str) -> None:
        for number in range(20):
            register.add_drive(replace(A_DRIVE, drive_id=f"{who}-{number}"))

    assert together(lambda: add(database.register, "a"), lambda: add(other.register, "b")) == ["done", "done"]
    assert database.register.version() == before + 40
    other.close()
