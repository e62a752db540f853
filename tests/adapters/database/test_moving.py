"""A store moved to a server: every row of every table, all or nothing, and the file as it was."""

import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from sqlalchemy import Connection, Engine, Table

from service.adapters.database import dialect_postgresql
from service.adapters.database.connect import SCHEMA, Database, open_database
from service.adapters.database.moving import Moved, MoveError, move_store
from service.adapters.database.tables import metadata
from service.core.audit import AuditEntry
from service.ports import Resolution
from tests.contracts.given import A_RAW_BATCH, A_REJECTION, NOON_NS, a_reading
from tests.databases.make import FOLDER
from tests.postgres import an_engine, opened

EVER = (0, 2**62)


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """A store with every kind of row that a released linklag ever wrote, and one more of each that is numbered."""
    path = tmp_path / "linklag.db"
    shutil.copy(FOLDER / f"{SCHEMA}.sqlite", path)
    with closing(open_database(f"sqlite:///{path}")) as database:
        for number in range(3):
            database.refused.keep([replace(A_REJECTION, payload=b"%d" % number, payload_bytes=1)], [])
            database.audit_log.record(
                AuditEntry(at_ns=1, by="Ä. Brandt", what="x", subject="Ünder", why="'\\\n\t☃")
            )
        with database._transactions.writing() as connection:  # a number that was given and is gone
            connection.exec_driver_sql(
                "DELETE FROM rejection WHERE number = (SELECT max(number) FROM rejection)"
            )
    return path


def content_of(path: Path) -> list[str]:
    with closing(sqlite3.connect(path)) as connection:
        return list(connection.iterdump())


def tables_in(engine: Engine) -> int:
    with engine.connect() as connection, connection.begin():
        return int(
            connection.exec_driver_sql(
                "SELECT count(*) FROM pg_tables WHERE schemaname = 'public'"
            ).scalar_one()
        )


def shown(database: Database) -> list[object]:
    """What the ports show of all that there is."""
    drive_ids = [drive.drive_id for drive in database.register.drives()]
    return [
        database.register.drives(),
        database.register.chains(),
        database.register.baselines(),
        [database.register.drive_history(each) for each in drive_ids],
        [database.readings.raw(each, *EVER) for each in drive_ids],
        [database.readings.superseded(each, *EVER) for each in drive_ids],
        [database.readings.rolled(each, *EVER, length) for each in drive_ids for length in Resolution],
        [database.raw_batches.raw(each, *EVER) for each in drive_ids],
        [database.hand_values.of(each) for each in drive_ids],
        sorted(database.readings.newest(), key=lambda one: one.drive_id),
        database.refused.rejections(),
        database.refused.sightings(),
        database.audit_log.entries(),
        database.people.people(),
        database.tokens.tokens(),
        database.alert_log.alerts(standing=False),
        database.alert_log.after(0),
        database.outbox.routes(),
        database.outbox.deliveries(),
        database.outbox.instance(),
        database.sites.sites(),
        database.setpoints.overrides(),
        database.evaluations.due(),
        database.devices.states(),
        database.removals.newest(),
    ]


def test_all_that_was_in_the_file_is_on_the_server_and_the_file_is_as_it_was(store: Path) -> None:
    with closing(open_database(f"sqlite:///{store}")) as database:
        expected = shown(database)
    before = content_of(store)
    with an_engine("moved_all") as engine:
        moved = move_store(store, engine)
        assert content_of(store) == before
        with opened(engine) as database:
            assert shown(database) == expected
    rows = {each.table: each.rows for each in moved}
    assert rows.keys() == set(metadata.tables)
    with closing(sqlite3.connect(store)) as connection:
        for table, count in rows.items():
            assert connection.execute(f'SELECT count(*) FROM "{table}"').fetchone() == (count,)  # noqa: S608
    assert sum(count > 0 for count in rows.values()) > 35, "the store of the test has hardly anything in it"


def test_the_moved_store_is_worked_with_as_before_and_gives_no_number_twice(store: Path) -> None:
    with closing(open_database(f"sqlite:///{store}")) as database:
        newest_number = database.audit_log.entries()[0].number
        with database._transactions.reading() as connection:
            given = connection.exec_driver_sql(
                "SELECT seq FROM sqlite_sequence WHERE name = 'rejection'"
            ).scalar_one()
    with an_engine("moved_on") as engine:
        move_store(store, engine)
        with opened(engine) as database:
            new = [replace(a_reading(3600 * n, 0.6, seq=n), drive_id="new-drive") for n in range(50, 53)]
            assert database.readings.store(new) == 3
            assert database.readings.raw("new-drive", *EVER) == new
            assert database.readings.supersede([replace(new[0], elongation_pct=0.1)], NOON_NS, "x") == 1
            database.raw_batches.keep([replace(A_RAW_BATCH, seq=99)])
            database.refused.keep([replace(A_REJECTION, payload=b"new", payload_bytes=3)], [])
            assert database.refused.rejections(rows_max=1)[0].number > given
            database.audit_log.record(AuditEntry(at_ns=1, by="a", what="x", subject="y", why=""))
            assert database.audit_log.entries()[0].number == newest_number + 1


def test_a_store_that_is_in_use_is_not_moved(store: Path) -> None:
    with an_engine("in_use") as engine:
        with closing(open_database(f"sqlite:///{store}")) as database:
            database.readings.newest()
            with pytest.raises(MoveError, match=r"linklag\.db is in use: stop linklag"):
                move_store(store, engine)
        assert tables_in(engine) == 0


def test_nobody_opens_the_file_while_it_is_moved_and_what_is_there_is_never_written_over(store: Path) -> None:
    tried: list[str] = []

    def look(table: Moved) -> None:
        if not tried:
            tried.append(table.table)
            with (
                closing(sqlite3.connect(store, timeout=0.05)) as connection,
                pytest.raises(sqlite3.OperationalError, match="locked"),
            ):
                connection.execute("SELECT count(*) FROM reading")

    with an_engine("not_empty") as engine:
        move_store(store, engine, look)
        assert tried
        with pytest.raises(MoveError, match=r"not_empty is not empty, it holds .*createdb"):
            move_store(store, engine)


def test_what_is_broken_off_has_moved_nothing_and_can_be_done_again(store: Path) -> None:
    def broken_off_after(tables: int) -> list[Moved]:
        seen: list[Moved] = []

        def break_off(table: Moved) -> None:
            seen.append(table)
            if len(seen) == tables:
                raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            move_store(store, engine, break_off)
        assert tables_in(engine) == 0
        return seen

    with an_engine("broken_off") as engine:
        broken_off_after(20)
        seen = broken_off_after(len(metadata.sorted_tables))
        assert move_store(store, engine) == seen


def test_a_server_that_keeps_something_else_than_it_was_given_is_noticed(
    store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = dialect_postgresql.rows_in_order

    def other(connection: Connection, table: Table) -> Iterator[tuple[object, ...]]:
        with closing(real(connection, table)) as rows:
            for row in rows:
                yield (*row[:-1], "other") if table.name == "drive" else row

    monkeypatch.setattr(
        "service.adapters.database.dialect_postgresql.rows_in_order",
        other,
    )
    with an_engine("other_rows") as engine:
        with pytest.raises(MoveError, match=r"table drive: .* others than were taken: nothing was moved"):
            move_store(store, engine)
        assert tables_in(engine) == 0


def test_a_store_of_an_older_schema_is_brought_up_to_date_first(tmp_path: Path) -> None:
    path = tmp_path / "old.db"
    shutil.copy(FOLDER / "0011.sqlite", path)
    with (
        an_engine("older") as engine,
        pytest.raises(MoveError, match="is of schema 0011 and this linklag of"),
    ):
        move_store(path, engine)


def test_a_text_that_no_postgresql_keeps_is_named(store: Path) -> None:
    with closing(sqlite3.connect(store)) as connection:
        connection.execute("UPDATE drive SET note = 'a' || char(0) || 'b'")
        connection.commit()
    with (
        an_engine("with_nul") as engine,
        pytest.raises(MoveError, match=r"table drive: row 1 .* has a text with a NUL"),
    ):
        move_store(store, engine)
