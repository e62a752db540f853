"""What is particular to the database: hostile text, bounds in bytes, and who goes first when all is full."""

from collections.abc import Iterator
from dataclasses import fields, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.adapters.database import tables
from service.adapters.database.connect import Database
from service.adapters.database.refused import Bounds, DatabaseRefused, storable
from service.ports import Sighting
from tests.contracts.given import A_DRIVE, A_REJECTION, A_SIGHTING, an_empty_database


@pytest.fixture
def database() -> Iterator[Database]:
    with an_empty_database() as database:
        yield database


def test_every_field_of_a_sighting_has_its_column() -> None:
    assert [field.name for field in fields(Sighting)] == [column.name for column in tables.sighting.c]


@given(st.text(st.characters(), max_size=40), st.integers(2, 30))
def test_any_text_becomes_one_that_can_be_kept(text: str, length_max: int) -> None:
    kept = storable(text, length_max)
    assert "\0" not in kept
    assert kept.encode("utf-8").decode("utf-8") == kept
    if text.isascii() and "\0" not in text and len(text) <= length_max:
        assert kept == text


@pytest.mark.parametrize(
    "hostile", ["x" * 70_000, "half \ud800 pair", "nul \0 in it", "'; DROP TABLE reading; --", ""]
)
def test_hostile_names_are_kept_and_found_again(database: Database, hostile: str) -> None:
    refused = database.refused
    refused.keep([replace(A_REJECTION, drive_id=hostile, topic=hostile, detail=hostile)], [])
    refused.keep([], [replace(A_SIGHTING, drive_id=hostile, topic=hostile, device_id=hostile)])
    (kept,) = refused.rejections(hostile)
    assert len(kept.rejection.drive_id) <= 128
    assert len(kept.rejection.topic) <= 1024
    refused.keep([replace(A_REJECTION, drive_id=hostile)], [])
    assert [one.repeats for one in refused.rejections()] == [1]
    refused.forget_sighting(hostile)
    assert refused.sightings() == []


def test_payloads_are_bounded_in_bytes(database: Database) -> None:
    refused = DatabaseRefused(database._transactions, Bounds(payload_bytes=1000))
    refused.keep([replace(A_REJECTION, drive_id=f"d{n}", payload=bytes(300)) for n in range(9)], [])
    assert [one.rejection.drive_id for one in refused.rejections()] == ["d8", "d7", "d6"]


def test_a_flood_of_invented_names_does_not_push_out_registered_drives(database: Database) -> None:
    database.register.add_drive(A_DRIVE)
    refused = DatabaseRefused(database._transactions, Bounds(rejections=20, sightings=5))
    refused.keep([A_REJECTION], [])
    for start in range(0, 300, 25):
        refused.keep(
            [replace(A_REJECTION, drive_id=f"invented-{n}") for n in range(start, start + 25)],
            [replace(A_SIGHTING, drive_id=f"invented-{n}") for n in range(start, start + 25)],
        )
    kept = [one.rejection.drive_id for one in refused.rejections()]
    assert 19 <= len(kept) <= 20
    assert kept[0] == "invented-299"
    assert kept[-1] == "press-3"
    assert len(refused.sightings()) == 5


def test_counting_what_to_drop_reads_no_payload(database: Database) -> None:
    """The payloads lie before the counts in each row; an index holds what is counted."""
    counting = "SELECT count(*), sum(kept_bytes) FROM rejection"
    with database._transactions.reading() as connection:
        (plan,) = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {counting}").all()
    assert plan[3] == "SCAN rejection USING COVERING INDEX rejection_drive"


def test_the_bounds_in_use_are_those_of_the_house() -> None:
    """200 for each drive; in all no more than a small disk can spare."""
    assert Bounds() == Bounds(
        rejections_per_drive=200, rejections=10_000, payload_bytes=128 * 1024 * 1024, sightings=1_000
    )
