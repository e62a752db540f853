"""What every adapter of the ports `Removals`, `Sprockets` and `UpkeepLog` keeps to, and `Readings.by_day`."""

import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from sqlalchemy import text
from sqlalchemy.exc import IntegrityError

from service.core.audit import AuditEntry
from service.core.drive import Drive
from service.core.life import ElongationSource, Removal, RemovalKind
from service.core.sprocket import Inspection, Place, Sprocket
from service.core.upkeep import Upkeep, UpkeepKind
from service.ports import ConflictError, NotFoundError
from tests.contracts.given import (
    A_CHAIN,
    A_DRIVE,
    ALL_STORES,
    DAY_NS,
    NOON_NS,
    SERIES_STORES,
    Ports,
    S,
    a_reading,
    a_store,
    an_empty_database,
)

OFF_NS = NOON_NS + 90 * DAY_NS
A_REMOVAL = Removal(
    chain_id="press-3-a",
    kind=RemovalKind.WORN,
    elongation_pct=1.31,
    u_pct=0.02,
    source=ElongationSource.LIVE,
    measured_ns=OFF_NS - 60 * S,
    passages=812_345_678.0,
    hours=1890.5,
    by="M. Brandt",
    recorded_ns=OFF_NS + S,
    note="plates polished by the guide",
)
A_SPROCKET = Sprocket(
    drive_id="press-3",
    place=Place.DRIVER,
    teeth=19,
    note="hardened",
    fitted_ns=NOON_NS,
    recorded_ns=NOON_NS + S,
    by="M. Brandt",
)
AN_INSPECTION = Inspection(
    sprocket=1,
    inspected_ns=OFF_NS,
    worn=True,
    note="hooked",
    by="A. Vogt",
    recorded_ns=OFF_NS + S,
)
AN_UPKEEP = Upkeep(
    drive_id="press-3",
    kind=UpkeepKind.LUBRICANT_CHANGED,
    at_ns=NOON_NS + DAY_NS,
    lubricant="ISO VG 150",
    note="from spray to drip",
    by="A. Vogt",
    recorded_ns=NOON_NS + 2 * DAY_NS,
)
AN_ENTRY = AuditEntry(at_ns=NOON_NS, by="M. Brandt", what="done", subject="something")


@pytest.fixture(params=ALL_STORES)
def ports(request: pytest.FixtureRequest) -> Iterator[Ports]:
    with a_store(request.param) as store:
        store.register.add_drive(A_DRIVE)
        store.register.add_drive(Drive(drive_id="saw-1"))
        store.register.fit_chain(A_CHAIN)
        yield store


# Removals


def test_what_is_known_of_a_removal_is_stored_with_it(ports: Ports) -> None:
    ports.register.take_off_chain("press-3-a", OFF_NS, "worn", removal=A_REMOVAL, entry=AN_ENTRY)
    assert ports.removals.newest() == [replace(A_REMOVAL, number=1)]
    assert ports.removals.newest("press-3") == ports.removals.newest()
    assert ports.removals.newest("saw-1") == []
    assert len(ports.audit_log.entries()) == 1


def test_a_chain_that_cannot_come_off_leaves_no_removal(ports: Ports) -> None:
    with pytest.raises(ConflictError):
        ports.register.take_off_chain("press-3-a", NOON_NS - S, "worn", removal=A_REMOVAL)
    assert ports.removals.newest() == []


def test_a_removal_that_nobody_told_more_of_has_no_record(ports: Ports) -> None:
    ports.register.take_off_chain("press-3-a", OFF_NS, "worn")
    assert ports.removals.newest() == []


def test_of_two_records_of_a_removal_the_newer_counts(ports: Ports) -> None:
    ports.register.take_off_chain("press-3-a", OFF_NS, "worn", removal=A_REMOVAL)
    bare = Removal(chain_id="press-3-a", kind=RemovalKind.PLANNED, by="A. Vogt", recorded_ns=OFF_NS + 2 * S)
    stored = ports.removals.record(bare, entry=AN_ENTRY)
    assert stored.number > 1
    assert ports.removals.newest() == [stored]
    assert len(ports.audit_log.entries()) == 1


def test_a_removal_needs_a_chain_that_is_off(ports: Ports) -> None:
    with pytest.raises(ConflictError, match="take it off first"):
        ports.removals.record(A_REMOVAL)
    with pytest.raises(NotFoundError, match="none"):
        ports.removals.record(replace(A_REMOVAL, chain_id="none"))


# Sprockets


def test_sprockets_come_back_as_they_were_fitted(ports: Ports) -> None:
    first = ports.sprockets.fit(A_SPROCKET, entry=AN_ENTRY)
    idler = ports.sprockets.fit(replace(A_SPROCKET, place=Place.IDLER, teeth=None, note=""))
    elsewhere = ports.sprockets.fit(replace(A_SPROCKET, drive_id="saw-1", place=Place.DRIVEN))
    assert ports.sprockets.of("press-3") == [first, idler]
    assert ports.sprockets.of() == [first, idler, elsewhere]
    assert ports.sprockets.sprocket(first.number) == replace(A_SPROCKET, number=first.number)
    assert len(ports.audit_log.entries()) == 1


def test_a_sprocket_is_taken_off_once(ports: Ports) -> None:
    on = ports.sprockets.fit(A_SPROCKET)
    off = replace(on, removed_ns=OFF_NS, removed_why="hooked teeth", removed_by="A. Vogt")
    ports.sprockets.take_off(off, entry=AN_ENTRY)
    assert ports.sprockets.of("press-3") == [off]
    with pytest.raises(ConflictError, match="off already"):
        ports.sprockets.take_off(off, entry=AN_ENTRY)
    with pytest.raises(NotFoundError, match="no sprocket 99"):
        ports.sprockets.take_off(replace(off, number=99))
    assert len(ports.audit_log.entries()) == 1


def test_a_sprocket_needs_its_drive(ports: Ports) -> None:
    with pytest.raises(NotFoundError, match="none"):
        ports.sprockets.fit(replace(A_SPROCKET, drive_id="none"), entry=AN_ENTRY)
    assert ports.audit_log.entries() == []


def test_inspections_come_in_the_order_of_their_own_time(ports: Ports) -> None:
    on = ports.sprockets.fit(A_SPROCKET)
    other = ports.sprockets.fit(replace(A_SPROCKET, drive_id="saw-1"))
    late = ports.sprockets.inspect(replace(AN_INSPECTION, sprocket=on.number), entry=AN_ENTRY)
    early = ports.sprockets.inspect(
        replace(AN_INSPECTION, sprocket=on.number, inspected_ns=NOON_NS + S, worn=False, note="")
    )
    of_other = ports.sprockets.inspect(replace(AN_INSPECTION, sprocket=other.number, inspected_ns=OFF_NS + S))
    assert ports.sprockets.inspections("press-3") == [early, late]
    assert ports.sprockets.inspections() == [early, late, of_other]
    with pytest.raises(NotFoundError, match="no sprocket 99"):
        ports.sprockets.inspect(replace(AN_INSPECTION, sprocket=99))


# Upkeep


def test_upkeep_comes_in_the_order_of_its_own_time(ports: Ports) -> None:
    late = ports.upkeep_log.record(AN_UPKEEP, entry=AN_ENTRY)
    early = ports.upkeep_log.record(
        replace(AN_UPKEEP, kind=UpkeepKind.LUBRICATED, at_ns=NOON_NS, lubricant="", note="")
    )
    elsewhere = ports.upkeep_log.record(replace(AN_UPKEEP, drive_id="saw-1"))
    assert ports.upkeep_log.of("press-3") == [early, late]
    assert ports.upkeep_log.of() == [early, late, elsewhere]
    assert late == replace(AN_UPKEEP, number=late.number)
    assert len(ports.audit_log.entries()) == 1
    with pytest.raises(NotFoundError, match="none"):
        ports.upkeep_log.record(replace(AN_UPKEEP, drive_id="none"))


def test_what_is_struck_is_kept_and_asked_for_by_name(ports: Ports) -> None:
    done = ports.upkeep_log.record(AN_UPKEEP)
    struck = ports.upkeep_log.strike(done.number, OFF_NS, "M. Brandt", entry=AN_ENTRY)
    assert struck == replace(done, struck_ns=OFF_NS, struck_by="M. Brandt")
    assert ports.upkeep_log.of("press-3") == []
    assert ports.upkeep_log.of("press-3", struck=True) == [struck]
    with pytest.raises(ConflictError, match=r"struck by M\. Brandt"):
        ports.upkeep_log.strike(done.number, OFF_NS, "A. Vogt")
    with pytest.raises(NotFoundError, match="no event 99"):
        ports.upkeep_log.strike(99, OFF_NS, "A. Vogt")
    assert len(ports.audit_log.entries()) == 1


# Days


@pytest.mark.parametrize("ports", SERIES_STORES, indirect=True)
def test_a_day_holds_the_means_of_its_raw_readings(ports: Ports) -> None:
    measured = [
        replace(a_reading(at, 0.8 + at / 1000, seq=at), load_n=3000.0 + at, temp_c=40.0) for at in (10, 20)
    ]
    stopped = replace(a_reading(30, None, seq=30), load_n=10.0, temp_c=15.0)
    elsewhere = replace(a_reading(40, 0.9, seq=40), chain_id=None)
    other_drive = replace(a_reading(50, 0.9, seq=50), drive_id="saw-1", chain_id="x")
    ports.readings.store([*measured, stopped, elsewhere, other_drive])
    (day,) = ports.readings.by_day("press-3", NOON_NS, NOON_NS + DAY_NS)
    assert (day.chain_id, day.end_ns) == ("press-3-a", NOON_NS + DAY_NS // 2)
    assert (day.readings, day.measured) == (3, 2)
    assert day.elongation_pct == pytest.approx(0.815)
    assert day.u_pct == pytest.approx(0.011)
    assert day.passages == 2 * 197
    assert day.running == pytest.approx(2 / 3)
    assert (day.speed_m_s, day.load_n, day.temp_c) == pytest.approx((1.25, 3015.0, 40.0))


@pytest.mark.parametrize("ports", SERIES_STORES, indirect=True)
def test_days_are_cut_at_midnight_and_by_chain(ports: Ports) -> None:
    before = a_reading(12 * 3600, 0.8, seq=1)
    after = a_reading(12 * 3600 + 1, 0.9, seq=2)
    other = replace(a_reading(12 * 3600 + 2, 0.1, seq=3), chain_id="press-3-b", load_n=None, temp_c=None)
    ports.readings.store([before, after, other])
    days = ports.readings.by_day("press-3", NOON_NS, NOON_NS + 2 * DAY_NS)
    midnight_ns = NOON_NS + DAY_NS // 2
    assert [(each.end_ns, each.chain_id) for each in days] == [
        (midnight_ns, "press-3-a"),
        (midnight_ns + DAY_NS, "press-3-a"),
        (midnight_ns + DAY_NS, "press-3-b"),
    ]
    assert (days[2].load_n, days[2].temp_c) == (None, None)
    assert ports.readings.by_day("press-3", NOON_NS, midnight_ns) == days[:1]
    assert ports.readings.by_day("press-3", midnight_ns, NOON_NS + 2 * DAY_NS) == days[1:]
    assert ports.readings.by_day("none", NOON_NS, NOON_NS + DAY_NS) == []


# What only the database can be asked


@pytest.mark.parametrize("table", ["chain_removal", "inspection"])
@pytest.mark.parametrize("statement", ["DELETE FROM {}", "UPDATE {} SET note = 'x'"])
def test_what_was_recorded_can_never_be_changed(table: str, statement: str) -> None:
    with an_empty_database() as database:
        database.register.add_drive(A_DRIVE)
        database.register.fit_chain(A_CHAIN)
        database.register.take_off_chain("press-3-a", OFF_NS, "worn", removal=A_REMOVAL)
        database.sprockets.fit(A_SPROCKET)
        database.sprockets.inspect(AN_INSPECTION)
        with pytest.raises(IntegrityError, match="never"), database._engine.begin() as connection:
            connection.execute(text(statement.format(table)))


def test_removals_are_on_disk(tmp_path: Path) -> None:
    from service.adapters.database.connect import open_database

    path = tmp_path / "lives.db"
    database = open_database(f"sqlite:///{path}")
    database.register.add_drive(A_DRIVE)
    database.register.fit_chain(A_CHAIN)
    database.register.take_off_chain("press-3-a", OFF_NS, "worn", removal=A_REMOVAL)
    database.close()
    with sqlite3.connect(path) as connection:
        assert connection.execute("SELECT kind, hours FROM chain_removal").fetchall() == [("worn", 1890.5)]
