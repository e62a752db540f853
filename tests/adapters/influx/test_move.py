"""Readings of a database come into InfluxDB, all of them and as they were, and work goes on from there."""

from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest

from service.adapters.database.connect import Database, open_database
from service.adapters.influx.client import InfluxClient
from service.adapters.influx.move import MovedDrive, move_readings
from service.adapters.influx.readings import InfluxReadings
from service.ports import Newest, Resolution
from tests.contracts.given import NOON_NS, _new_file, a_reading
from tests.influx import an_empty_bucket

EVER = (0, 2**62)


@pytest.fixture
def bucket() -> Iterator[InfluxClient]:
    with an_empty_bucket() as client:
        yield client


@pytest.fixture
def source(tmp_path: Path) -> Iterator[Database]:
    """A database with readings of two drives, one corrected, one minute that only its roll-ups are left of."""
    path = tmp_path / "linklag.db"
    path.write_bytes(_new_file())
    database = open_database(f"sqlite:///{path}")
    some = [a_reading(30 * n, None if n % 7 == 0 else 0.5 + n / 1000, seq=n) for n in range(1, 150)]
    database.readings.store(
        [*some, *(replace(each, drive_id="saw-1", device_id="plc") for each in some[:40])]
    )
    database.readings.supersede([replace(some[99], elongation_pct=0.9)], NOON_NS, "baseline corrected")
    while database.readings.roll_up():
        pass
    database.readings.forget(None, NOON_NS + 600 * 10**9)
    yield database
    database.close()


def moved(source: Database, target: Database) -> list[MovedDrive]:
    assert isinstance(target.readings, InfluxReadings)
    return list(move_readings(source, target.readings, target.ledger))


def shown(database: Database) -> list[object]:
    readings = database.readings

    def by_drive(each: Newest) -> str:
        return each.drive_id

    return [
        sorted(readings.newest(), key=by_drive),
        *(readings.raw(drive_id, *EVER) for drive_id in ("press-3", "saw-1")),
        *(readings.superseded(drive_id, *EVER) for drive_id in ("press-3", "saw-1")),
        *(readings.rolled("press-3", *EVER, resolution) for resolution in Resolution),
    ]


def test_all_of_it_is_there_as_it_was_and_nothing_is_gone_from_where_it_was(
    source: Database, bucket: InfluxClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The database of the target is the source itself: only its readings go elsewhere."""
    monkeypatch.setattr("service.adapters.influx.move.PAGE", 17)
    before = shown(source)
    target = open_database(str(source._engine.url), series=partial(InfluxReadings, bucket))
    found = moved(source, target)
    assert [(each.drive_id, each.readings, each.whole) for each in found] == [
        ("press-3", len(source.readings.raw("press-3", *EVER)), True),
        ("saw-1", len(source.readings.raw("saw-1", *EVER)), True),
    ]
    assert shown(target) == before
    assert shown(source) == before
    while target.readings.roll_up():
        pass
    assert target.readings.rolled("press-3", *EVER, Resolution.DAY)[0].readings == 149
    target.close()


def test_a_move_begun_again_changes_nothing(source: Database, bucket: InfluxClient) -> None:
    target = open_database(str(source._engine.url), series=partial(InfluxReadings, bucket))
    first = moved(source, target)
    late = a_reading(30 * 150, 0.7, seq=150)
    target.readings.store([late])
    while target.readings.roll_up():
        pass
    before = shown(target)
    assert moved(source, target) == first
    while target.readings.roll_up():
        pass
    assert shown(target) == before
    assert target.readings.raw("press-3", *EVER)[-1] == late
    target.close()


def test_what_came_before_the_move_is_rolled_up_with_what_was_moved(
    source: Database, bucket: InfluxClient
) -> None:
    """Somebody turned InfluxDB on first and moved later."""
    target = open_database(str(source._engine.url), series=partial(InfluxReadings, bucket))
    target.readings.store([a_reading(30 * 149 + 1, 0.7, seq=150)])
    while target.readings.roll_up():
        pass
    assert target.readings.rolled("press-3", *EVER, Resolution.DAY)[0].readings == 1
    assert all(each.whole for each in moved(source, target))
    while target.readings.roll_up():
        pass
    for resolution in Resolution:
        rolled = target.readings.rolled("press-3", *EVER, resolution)
        assert sum(each.readings for each in rolled) == 150
    target.close()
