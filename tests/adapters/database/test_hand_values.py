"""What is particular to the database: columns, and what points at what."""

from collections.abc import Iterator
from dataclasses import fields

import pytest
from sqlalchemy import text
from sqlalchemy.exc import IntegrityError

from service.adapters.database import tables
from service.adapters.database.connect import Database
from service.core.hand import HandValue
from tests.contracts.given import A_CHAIN, A_DRIVE, A_HAND_VALUE, an_empty_database


@pytest.fixture
def database() -> Iterator[Database]:
    with an_empty_database() as database:
        yield database


def test_every_field_has_its_column() -> None:
    assert {column.name for column in tables.hand_value.c} == {field.name for field in fields(HandValue)} | {
        "number"
    }


def test_a_hand_value_cannot_be_orphaned(database: Database) -> None:
    database.register.add_drive(A_DRIVE)
    database.register.fit_chain(A_CHAIN)
    database.hand_values.record(A_HAND_VALUE)
    with pytest.raises(IntegrityError, match="FOREIGN KEY"), database._transactions.writing() as connection:
        connection.execute(text("DELETE FROM chain"))
    assert database.hand_values.of("press-3") == [A_HAND_VALUE]


def test_recording_one_does_not_make_the_worker_read_the_register_again(database: Database) -> None:
    database.register.add_drive(A_DRIVE)
    database.register.fit_chain(A_CHAIN)
    before = database.register.version()
    database.hand_values.record(A_HAND_VALUE)
    assert database.register.version() == before


def test_a_value_that_would_be_refused_today_is_still_shown(database: Database) -> None:
    """Checks become stricter; what was recorded before stays."""
    database.register.add_drive(A_DRIVE)
    database.register.fit_chain(A_CHAIN)
    database.hand_values.record(A_HAND_VALUE)
    with database._transactions.writing() as connection:
        connection.execute(text("UPDATE hand_value SET length_mm = 1e9"))
    assert [value.length_mm for value in database.hand_values.of("press-3")] == [1e9]
    assert [value.length_mm for value in database.hand_values.newest()] == [1e9]
