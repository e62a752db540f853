"""What the contract cannot see of raw batches: hostile values, what counting costs, two processes, failed transactions."""

from collections.abc import Iterator
from dataclasses import fields, replace
from pathlib import Path
from unittest.mock import patch

import numpy as np
import pytest
from sqlalchemy.exc import IntegrityError

from service.adapters.database import raw_batches as adapter
from service.adapters.database import tables
from service.adapters.database.connect import Database, open_database
from service.adapters.database.raw_batches import DatabaseRawBatches, RawBounds
from service.ports import RawBatch
from tests.contracts.given import A_RAW_BATCH, MEASURED, NOON_NS, S, an_empty_database

EVER = (0, 2**62)


@pytest.fixture
def database() -> Iterator[Database]:
    with an_empty_database() as database:
        yield database


def kept_bytes(database: Database) -> int:
    with database._transactions.reading() as connection:
        return int(
            connection.exec_driver_sql("SELECT coalesce(sum(kept_bytes), 0) FROM raw_batch").scalar_one()
        )


def test_every_field_of_a_batch_has_its_column() -> None:
    renamed = {"drive_id": "drive_no", "device_id": "device"}
    names = {renamed.get(field.name, field.name) for field in fields(RawBatch)}
    assert {column.name for column in tables.raw_batch.c} == names | {"number", "kept_bytes"}


@pytest.mark.parametrize(
    "hostile", ["x" * 70_000, "half \ud800 pair", "nul \0 in it", "'; DROP TABLE reading; --", ""]
)
def test_a_hostile_content_type_is_cut_and_the_payload_kept_as_it_came(
    database: Database, hostile: str
) -> None:
    database.raw_batches.keep([replace(A_RAW_BATCH, content_type=hostile, payload=b"\0\xff;--")])
    (kept,) = database.raw_batches.raw("press-3", *EVER)
    assert kept.payload == b"\0\xff;--"
    assert kept.content_type is not None
    assert len(kept.content_type) <= 256
    assert kept.content_type.startswith(hostile[:4])


@pytest.mark.parametrize("wrong", [{"t_ns": np.int64(5)}, {"t0_ns": None}, {"payload": "text"}], ids=str)
def test_a_batch_that_breaks_the_rules_is_refused_not_altered(
    database: Database, wrong: dict[str, object]
) -> None:
    with pytest.raises(IntegrityError):
        database.raw_batches.keep([A_RAW_BATCH, replace(A_RAW_BATCH, seq=8, **wrong)])  # type: ignore[arg-type]
    assert database.raw_batches.raw("press-3", *EVER) == []
    database.raw_batches.keep([A_RAW_BATCH])
    assert database.raw_batches.raw("press-3", *EVER) == [A_RAW_BATCH]


def test_the_bounds_in_use_are_those_of_the_house() -> None:
    assert RawBounds() == RawBounds(bytes_per_drive=64 * 1024 * 1024, bytes=256 * 1024 * 1024)


def test_a_flood_of_empty_batches_is_bounded_too(database: Database) -> None:
    """A row takes room even where its payload takes none."""
    raw_batches = DatabaseRawBatches(database._transactions, bounds=RawBounds(bytes_per_drive=20_000))
    for start in range(0, 2000, 100):
        raw_batches.keep([replace(A_RAW_BATCH, seq=seq, payload=b"") for seq in range(start, start + 100)])
    assert kept_bytes(database) <= 20_000
    assert 50 < len(raw_batches.raw("press-3", *EVER)) < 200


def test_what_is_counted_is_about_what_the_file_takes() -> None:
    """So that the bound is one of the disk, whatever the size of the batches."""
    for size in (0, 300, 3000, 40_000):
        with an_empty_database() as database:
            path = Path(database._transactions.place)
            before = path.stat().st_size
            count = 2_000_000 // (size + 120)
            batches = [
                replace(
                    A_RAW_BATCH,
                    seq=n,
                    t0_ns=NOON_NS + n * S,
                    t_ns=NOON_NS + (n + 10) * S,
                    payload=bytes(size),
                )
                for n in range(count)
            ]
            database.raw_batches.keep(batches)
            counted = kept_bytes(database)
            database.close()
            assert 0.8 < (path.stat().st_size - before) / counted < 1.5, size


def test_counting_reads_no_payload_and_asking_reads_no_other_drive(database: Database) -> None:
    def plan_of(statement: str) -> str:
        with database._transactions.reading() as connection:
            rows = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}").all()
        return "\n".join(str(row[3]) for row in rows)

    counting = "SELECT drive_no, sum(kept_bytes) FROM raw_batch GROUP BY drive_no"
    assert plan_of(counting) == "SCAN raw_batch USING COVERING INDEX raw_batch_drive"
    asking = adapter._of_drive("press-3", 0, NOON_NS).order_by(*adapter._IN_TIME)
    plan = plan_of(str(asking.compile(database._engine, compile_kwargs={"literal_binds": True})))
    assert "SEARCH raw_batch USING INDEX raw_batch_drive (drive_no=? AND t_ns>? AND t_ns<?)" in plan
    assert "SCAN" not in plan


def test_bytes_are_not_counted_for_each_flush(database: Database) -> None:
    raw_batches = DatabaseRawBatches(database._transactions, bounds=RawBounds(bytes=100_000))
    with patch.object(adapter, "_count", wraps=adapter._count) as count:
        for seq in range(400):
            raw_batches.keep([replace(A_RAW_BATCH, seq=seq, payload=bytes(840))])
    assert kept_bytes(database) <= 100_000
    assert count.call_count < 400 // 5 * 4


def test_what_another_process_keeps_is_counted_in_the_end(database: Database) -> None:
    """Each counts what it adds itself; when that may be too much, all that is there."""
    other = open_database(f"sqlite:///{database._transactions.place}", raw_bounds=RawBounds(bytes=50_000))
    ours = DatabaseRawBatches(database._transactions, bounds=RawBounds(bytes=50_000))
    for seq in range(200):
        ours.keep([replace(A_RAW_BATCH, seq=seq, payload=bytes(500))])
        other.raw_batches.keep([replace(A_RAW_BATCH, seq=seq, drive_id="saw-1", payload=bytes(500))])
    assert kept_bytes(database) <= 2 * 50_000
    assert database.raw_batches.raw("press-3", *EVER)[-1].seq == 199
    assert database.raw_batches.raw("saw-1", *EVER)[-1].seq == 199
    other.close()


def test_after_a_transaction_that_failed_the_bytes_are_counted_anew(database: Database) -> None:
    raw_batches = DatabaseRawBatches(database._transactions, bounds=RawBounds(bytes=50_000))
    raw_batches.keep([replace(A_RAW_BATCH, seq=seq, payload=bytes(840)) for seq in range(40)])
    for seq in range(40, 60):
        with pytest.raises(IntegrityError):
            raw_batches.keep(
                [
                    replace(A_RAW_BATCH, seq=seq, payload=bytes(840)),
                    replace(A_RAW_BATCH, payload="no bytes"),  # type: ignore[arg-type]
                ]
            )
    assert len(raw_batches.raw("press-3", *EVER)) == 40  # none of those that failed pushed another out
    raw_batches.keep([replace(A_RAW_BATCH, seq=seq, payload=bytes(840)) for seq in range(60, 80)])
    assert kept_bytes(database) <= 50_000


def test_a_batch_longer_than_a_reading_may_be_is_kept(database: Database) -> None:
    """It yields a reading without elongation; the batch shows why."""
    long = replace(A_RAW_BATCH, t_ns=NOON_NS + 9000 * S)
    database.raw_batches.keep([long])
    assert database.raw_batches.raw("press-3", *EVER) == [long]
    database.readings.store([MEASURED])
    assert database.readings.raw("press-3", *EVER) == [MEASURED]


def test_forgetting_holds_the_write_lock_for_a_chunk_only(
    database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(adapter, "_CHUNK", 10)
    database.raw_batches.keep([replace(A_RAW_BATCH, seq=seq) for seq in range(95)])
    with patch.object(database._transactions, "writing", wraps=database._transactions.writing) as writing:
        assert database.raw_batches.forget(2**62, rows_max=45) == 45
        assert writing.call_count == 5
        assert database.raw_batches.forget(2**62) == 50
    assert database.raw_batches.raw("press-3", *EVER) == []
