"""What the contract cannot see of the time series: crashes, other processes, the way a query takes, what is on disk."""

import os
import signal
import sqlite3
import time
from collections.abc import Iterator
from dataclasses import fields, replace
from pathlib import Path
from unittest.mock import patch

import numpy as np
import pytest
from sqlalchemy import text
from sqlalchemy.exc import IntegrityError

from service.adapters.database import readings as adapter
from service.adapters.database import statements, tables
from service.adapters.database.connect import Database, open_database
from service.adapters.database.dialect import Positional
from service.core.reading import Reading
from service.ports import Newest, Resolution, RollUp
from tests.begun import Begun, called
from tests.contracts.given import DAY_NS, MEASURED, NOON_NS, S, a_reading, an_empty_database

EVER = (0, 2**62)
HERE = Path(__file__).parent


@pytest.fixture
def database() -> Iterator[Database]:
    with an_empty_database() as database:
        yield database


def test_every_field_of_a_reading_has_its_column() -> None:
    renamed = {"drive_id": "drive_no", "chain_id": "chain_no", "device_id": "device"}
    names = [renamed.get(field.name, field.name) for field in fields(Reading)]
    assert sorted(names) == sorted(column.name for column in tables.reading.c)
    after_chain = [column.name for column in statements.READING_COLUMNS[5:]]
    assert names[6:] == after_chain  # they are taken over in this order
    names = [renamed.get(field.name, field.name) for field in fields(RollUp)][1:]
    assert names == [column.name for column in statements.ROLL_UP_COLUMNS]


def test_a_superseded_reading_has_the_columns_of_a_reading() -> None:
    """In the same order: whole rows are taken over."""
    columns = [column.name for column in tables.superseded_reading.c]
    assert columns == ["number", "at_ns", "why", *(column.name for column in tables.reading.c)]


# Superseding


def test_what_readings_leave_shows_no_gap_while_it_waits_to_be_rolled_up(database: Database) -> None:
    """The page of who corrects is drawn anew at once; the worker rolls up seconds later."""
    some = [a_reading(20 * n, 0.5, seq=n) for n in range(1, 10)]
    database.readings.store(some)
    while database.readings.roll_up():
        pass
    moved = [replace(one, chain_id="other") for one in some[:2]]
    assert database.readings.supersede(moved, NOON_NS, "chain registered") == 2
    for resolution in Resolution:
        rolled = database.readings.rolled("press-3", *EVER, resolution)
        assert sum(one.readings for one in rolled if one.chain_id == "other") == 2
        assert sum(one.readings for one in rolled if one.chain_id == "press-3-a") == 7


def test_a_supersession_that_fails_changes_nothing(database: Database) -> None:
    database.readings.store([MEASURED, a_reading(20, 0.5, seq=8)])
    wrong = replace(a_reading(20, 0.7, seq=8), reason=None, elongation_pct=None)
    with pytest.raises(IntegrityError):
        database.readings.supersede([replace(MEASURED, elongation_pct=0.1), wrong], NOON_NS, "x")
    assert database.readings.raw("press-3", *EVER) == [MEASURED, a_reading(20, 0.5, seq=8)]
    assert database.readings.superseded("press-3", *EVER) == []


def test_a_long_why_is_cut(database: Database) -> None:
    database.readings.store([MEASURED])
    database.readings.supersede([replace(MEASURED, elongation_pct=0.1)], NOON_NS, "why \0 " + "y" * 5000)
    (old,) = database.readings.superseded("press-3", *EVER)
    assert old.why.startswith("why \\x00 y")
    assert len(old.why) < 1100


def test_superseding_goes_along_keys(database: Database) -> None:
    key = (1, NOON_NS, 7, "")
    statements_and_values = [
        (statements.SELECT_READING, key),
        (statements.UPDATE_READING, (*[0] * (len(tables.reading.c) - 4), *key)),
        (statements.DELETE_STALE_NEWEST, (*key, 0, 1)),
        *((statement, (1, NOON_NS, 1)) for statement in statements.DELETE_WHOLE_ROLL_UP.values()),
    ]
    for statement, values in statements_and_values:
        assert "SCAN" not in plan_of(database, statement, values), statement
    asked = "SELECT * FROM superseded_reading WHERE drive_no = 1 AND t_ns > 0 AND t_ns <= 9"
    assert "USING INDEX superseded_reading_drive" in plan_of(database, asked)


# Crashes and other processes


def test_a_crash_between_storing_and_rolling_up_loses_no_roll_up(tmp_path: Path) -> None:
    """What is due is in the same transaction as the readings, so the next process goes on with it."""
    url = f"sqlite:///{tmp_path / 'a.db'}"
    code = (
        "import os, sys; from service.adapters.database.connect import open_database as o;"
        "from tests.contracts.given import a_reading;"
        f"o({url!r}).readings.store([a_reading(60 * n, seq=n) for n in range(1, 100)]);"
        "os.kill(os.getpid(), 9)"
    )
    assert called("python", "-c", code, env=os.environ).returncode == -signal.SIGKILL
    database = open_database(url)
    while database.readings.roll_up():
        pass
    (day,) = database.readings.rolled("press-3", *EVER, Resolution.DAY)
    assert day.readings == 99
    database.close()


@pytest.mark.parametrize("turn", range(3))
def test_a_kill_in_the_midst_of_commits_leaves_a_sound_file_and_all_that_was_acknowledged(
    tmp_path: Path, turn: int
) -> None:
    """A writer stores, says how far it is, and is killed with SIGKILL at no chosen moment.

    Whatever it said is there; each commit is there whole or not at all; marks of what is due match the readings.
    """
    path = tmp_path / "a.db"
    out = tmp_path / "said"
    script = str(HERE / "write_until_killed.py")
    with Begun("python", script, f"sqlite:///{path}", env=os.environ, out=out, err=out) as writer:
        while not out.exists() or "\n" not in out.read_text():
            assert writer.poll() is None, out.read_text()
            time.sleep(0.01)
        time.sleep(0.15 + 0.117 * turn)
        writer.kill()
        assert writer.wait(10) == -signal.SIGKILL
    said = [int(line) for line in out.read_text().split("\n")[:-1]]
    assert said[0] == 10
    with sqlite3.connect(path) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    connection.close()
    database = open_database(f"sqlite:///{path}")
    found = database.readings.raw("press-3", *EVER)
    assert len(found) % 10 == 0
    assert len(found) >= said[-1] > 10
    assert [one.seq for one in found] == list(range(len(found)))
    while database.readings.roll_up():
        pass
    days = database.readings.rolled("press-3", *EVER, Resolution.DAY)
    assert sum(day.readings for day in days) == len(found)
    newest = database.readings.newest_of("press-3")
    assert newest == Newest(drive_id="press-3", reading=found[-1], measured=found[-1])
    database.close()


def test_two_processes_store_and_roll_up_at_once(tmp_path: Path) -> None:
    """Both number drives and chains, both deliver the same batches; each reading is there once."""
    url = f"sqlite:///{tmp_path / 'a.db'}"
    database = open_database(url)
    script = str(HERE / "store_the_same.py")
    outs = [tmp_path / f"out{seed}" for seed in (1, 2)]
    running = [
        Begun("python", script, url, str(seed), env=os.environ, out=out) for seed, out in enumerate(outs, 1)
    ]
    assert [process.wait(60) for process in running] == [0, 0]
    new = [int(out.read_text()) for out in outs]
    assert sum(new) == 400
    while database.readings.roll_up():
        pass
    for drive_id in ("a", "b", "c", "d"):
        assert len(database.readings.raw(drive_id, *EVER)) == 100
        days = database.readings.rolled(drive_id, *EVER, Resolution.DAY)
        assert sum(day.readings for day in days) == 100
        assert {day.chain_id for day in days} == {f"{drive_id}-chain"}
    database.close()


def test_what_another_process_numbered_is_understood(tmp_path: Path) -> None:
    """The web reads chains and longer windows that the worker met after the web had started."""
    url = f"sqlite:///{tmp_path / 'a.db'}"
    worker, web = open_database(url), open_database(url)
    worker.readings.store([MEASURED])
    assert web.readings.raw("press-3", *EVER) == [MEASURED]
    long = replace(a_reading(3000, seq=3, window_s=3000), chain_id="new-one")
    worker.readings.store([long])
    assert web.readings.raw("press-3", long.t_ns - 1, long.t_ns) == [long]
    longer = replace(a_reading(3600, seq=4, window_s=3600), chain_id="newest-one")
    web.readings.store([longer])
    assert worker.readings.raw("press-3", longer.t_ns - 1, longer.t_ns) == [longer]
    worker.close()
    web.close()


def test_a_number_given_in_a_transaction_that_failed_is_not_used(database: Database) -> None:
    """The drive's number went with the transaction; a stale one would put readings under another drive."""
    wrong = replace(MEASURED, drive_id="saw-1", elongation_pct=None)
    with pytest.raises(IntegrityError):
        database.readings.store([wrong])
    database.readings.store([MEASURED])
    right = replace(MEASURED, drive_id="saw-1")
    database.readings.store([right])
    assert database.readings.raw("saw-1", *EVER) == [right]
    assert database.readings.raw("press-3", *EVER) == [MEASURED]


# What the database refuses


@pytest.mark.parametrize(
    "wrong",
    [
        {"elongation_pct": float("nan")},
        {"elongation_pct": None},
        {"up_pulses": np.int64(5)},
        {"pitches_averaged": 1.5},
        {"t0_ns": None},
    ],
    ids=str,
)
def test_a_reading_that_breaks_the_rules_is_refused_not_altered(
    database: Database, wrong: dict[str, object]
) -> None:
    """SQLite would turn NaN into NULL and a numpy integer into its bytes: CHECK and STRICT do not let it."""
    with pytest.raises((IntegrityError, TypeError)):
        database.readings.store([MEASURED, replace(MEASURED, seq=8, **wrong)])  # type: ignore[arg-type]
    assert database.readings.raw("press-3", *EVER) == []
    assert database.readings.store([MEASURED]) == 1


# The way a query takes


def plan_of(database: Database, statement: str | Positional, values: tuple[object, ...] = ()) -> str:
    with database._transactions.reading() as connection:
        if isinstance(statement, Positional):
            statement = statement.text(connection.dialect)
        rows = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", values).all()
    return "\n".join(str(row[3]) for row in rows)


@pytest.mark.parametrize("resolution", Resolution)
def test_rolling_up_seeks_and_never_scans(database: Database, resolution: Resolution) -> None:
    plan = plan_of(database, statements.ROLL_UP[resolution], (NOON_NS, 1))
    assert "SCAN" not in plan
    assert "SEARCH due USING PRIMARY KEY (resolution_s=? AND end_ns=? AND drive_no=?)" in plan


def test_the_board_takes_one_seek_a_drive(database: Database) -> None:
    plan = plan_of(database, str(statements.NEWEST))
    assert "SEARCH reading USING PRIMARY KEY (drive_no=? AND t0_ns=? AND seq=? AND device=?)" in plan
    assert "SCAN reading" not in plan


def test_forgetting_goes_along_the_key(database: Database) -> None:
    compiled = statements.forget_readings(1, NOON_NS, 100).compile(
        database._engine, compile_kwargs={"literal_binds": True}
    )
    plan = plan_of(database, str(compiled))
    assert "SCAN" not in plan.replace("SCAN SUBQUERY", "")
    assert "TEMP B-TREE" not in plan


def test_a_window_of_an_hour_does_not_slow_down_other_drives(database: Database) -> None:
    """How far queries look back is kept for each drive, not for all."""
    database.readings.store([a_reading(10), replace(a_reading(0, window_s=3600), drive_id="saw-1")])
    with database._transactions.reading() as connection:
        rows = connection.execute(text("SELECT drive_id, longest_window_ns FROM drive_number")).all()
    assert {tuple(row) for row in rows} == {("press-3", 10 * S), ("saw-1", 3600 * S)}


def test_a_roll_up_holds_the_write_lock_for_a_chunk_only(
    database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between chunks the worker can store: three days of minutes are rolled up in several transactions."""
    monkeypatch.setattr(adapter, "_CHUNK", 50)
    database.readings.store([a_reading(600 * n, seq=n) for n in range(1, 400)])
    with patch.object(database._transactions, "writing", wraps=database._transactions.writing) as writing:
        assert database.readings.roll_up(100_000) > 399
    assert writing.call_count > 399 // 50


def test_a_year_late_is_not_too_late(database: Database) -> None:
    """A device that was cut off for a year delivers: every hour of it, one reading an hour."""
    database.readings.store([a_reading(0)])
    backlog = [a_reading(-3600 * n, n / 10_000, seq=n) for n in range(1, 8761)]
    for start in range(0, len(backlog), 1000):
        database.readings.store(backlog[start : start + 1000])
    while database.readings.roll_up():
        pass
    hours = database.readings.rolled("press-3", *EVER, Resolution.HOUR)
    assert len(hours) == 8761
    days = database.readings.rolled("press-3", NOON_NS - 364 * DAY_NS, NOON_NS, Resolution.DAY)
    assert all(day.readings == 24 for day in days)
    newest = database.readings.newest_of("press-3")
    assert newest is not None
    assert newest.reading.t_ns == NOON_NS


def test_the_file_can_be_read_by_other_tools(database: Database) -> None:
    """Instants are whole nanoseconds, UTC; drives and chains have their ids one join away."""
    database.readings.store([MEASURED])
    path = Path(database._transactions.place)
    assert os.access(path, os.R_OK)
    with sqlite3.connect(f"file:{path}?mode=ro", uri=True) as connection:
        row = connection.execute(
            "SELECT drive_id, chain_id, t0_ns, t_ns, elongation_pct, typeof(t_ns), typeof(load_n) FROM reading "
            "JOIN drive_number USING (drive_no) JOIN chain_number USING (chain_no)"
        ).fetchone()
    connection.close()
    assert row == ("press-3", "press-3-a", NOON_NS, NOON_NS + 10 * S, 0.8125, "integer", "real")
