"""The steps lead to the tables as they are, from nothing and from every schema ever released."""

import re
import shutil
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import create_engine
from sqlalchemy.exc import IntegrityError

from service.adapters.database import tables
from service.adapters.database.connect import SCHEMA, Database, NewerStoreError, migrate, open_database
from service.ports import Resolution, Superseded
from tests.contracts.given import (
    A_BASELINE,
    A_CHAIN,
    A_DRIVE,
    A_HAND_VALUE,
    A_RAW_BATCH,
    A_REJECTION,
    A_SIGHTING,
    NOON_NS,
    a_reading,
)
from tests.databases import of_0011, of_0012, of_0013, of_0014
from tests.databases.make import (
    A_DEVICE_STATE,
    A_MAP,
    BARE_DRIVE,
    FOLDER,
    NOT_ROLLED_UP,
    READINGS,
    SUPERSEDED,
    as_stored_by,
    fill,
)

EVER = (0, 2**62)
KEPT = sorted(FOLDER.glob("*.sqlite"))


def steps() -> ScriptDirectory:
    config = Config()
    config.set_main_option("script_location", "service.adapters.database:migrations")
    return ScriptDirectory.from_config(config)


def schema_of(path: Path) -> dict[str, str]:
    """Name to definition of all tables and indexes, blanks made even."""
    with sqlite3.connect(path) as connection:
        rows = connection.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL").fetchall()
    connection.close()
    return {
        name: re.sub(r"\s+", " ", sql)
        for name, sql in rows
        if name not in {"alembic_version", "sqlite_sequence"}
    }


def test_the_code_is_written_for_the_newest_step() -> None:
    assert steps().get_heads() == [SCHEMA]


def test_the_steps_make_the_tables_as_the_code_has_them(tmp_path: Path) -> None:
    """Down to the last word of each definition: keys, STRICT, WITHOUT ROWID, checks."""
    migrate(f"sqlite:///{tmp_path / 'by_steps.db'}")
    engine = create_engine(f"sqlite:///{tmp_path / 'by_code.db'}")
    tables.metadata.create_all(engine)
    engine.dispose()
    assert schema_of(tmp_path / "by_steps.db") == schema_of(tmp_path / "by_code.db")


def test_alembic_sees_no_difference_either(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'by_steps.db'}"
    migrate(url)
    engine = create_engine(url)
    with engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), tables.metadata) == []
    engine.dispose()


def test_every_released_schema_is_kept() -> None:
    """Steps that came out together are kept as the last of them: no store was ever left between them."""
    known = {script.revision for script in steps().walk_revisions()}
    assert {path.stem for path in KEPT} == known - {f"{n:04d}" for n in range(3, 11)}


@pytest.mark.parametrize("kept", KEPT, ids=lambda path: path.stem)
def test_a_store_of_each_released_schema_opens_and_shows_all(tmp_path: Path, kept: Path) -> None:
    path = tmp_path / "old.db"
    shutil.copy(kept, path)
    database = open_database(f"sqlite:///{path}")
    register, readings, refused = database.register, database.readings, database.refused
    schema = kept.stem
    drive = as_stored_by(schema, A_DRIVE)
    assert register.drives()[-1] == drive
    history = [settings for _, settings in register.drive_history("press-3")]
    assert history == [replace(drive, note="first note"), drive]
    assert [chain.chain_id for chain in register.chains()] == ["older", A_CHAIN.chain_id]
    assert register.baselines() == [as_stored_by(schema, A_BASELINE)]
    stored = [as_stored_by(schema, reading) for reading in READINGS + NOT_ROLLED_UP]
    assert readings.raw("press-3", *EVER) == stored
    if schema >= "0002":
        assert_all_of_0002(database, schema)
    if schema >= "0011":
        of_0011.assert_all(database)
    if schema >= "0012":
        of_0012.assert_all(database)
    if schema >= "0013":
        of_0013.assert_all(database)
    if schema >= "0014":
        of_0014.assert_all(database)
    assert [(one.rejection, one.repeats) for one in refused.rejections()] == [(A_REJECTION, 1)]
    assert refused.sightings() == [A_SIGHTING]
    (day,) = readings.rolled("press-3", *EVER, Resolution.DAY)
    assert day.readings == len(READINGS)
    while readings.roll_up():
        pass
    (day,) = readings.rolled("press-3", *EVER, Resolution.DAY)
    assert day.readings == len(READINGS) + len(NOT_ROLLED_UP)
    assert day.last_pct == NOT_ROLLED_UP[-1].elongation_pct
    database.close()


def assert_all_of_0002(database: Database, schema: str) -> None:
    superseded = Superseded(reading=as_stored_by(schema, SUPERSEDED), at_ns=NOON_NS, why="baseline corrected")
    assert database.readings.superseded("press-3", *EVER) == [superseded]
    assert database.register.drives()[0] == BARE_DRIVE
    assert database.hand_values.of("press-3")[0] == A_HAND_VALUE
    assert database.raw_batches.raw("press-3", *EVER) == [A_RAW_BATCH]
    assert database.devices.states() == [A_DEVICE_STATE]
    assert database.chain_maps.load(A_MAP.chain_id) == A_MAP


@pytest.mark.parametrize("kept", KEPT, ids=lambda path: path.stem)
def test_a_store_of_each_released_schema_can_be_used_as_a_new_one(tmp_path: Path, kept: Path) -> None:
    """New columns hold what comes in; drives may be without sensors; what points at a drive still does."""
    path = tmp_path / "old.db"
    shutil.copy(kept, path)
    database = open_database(f"sqlite:///{path}")
    database.register.change_drive(replace(A_DRIVE, whole_pitches=None))
    assert database.register.drive("press-3").whole_pitches is None
    new = [a_reading(3600 * n, 0.6, seq=n) for n in range(50, 53)]
    assert database.readings.store(new) == 3
    assert database.readings.raw("press-3", *EVER)[-3:] == new
    corrected = replace(READINGS[4], elongation_pct=0.1, reason=None)
    assert database.readings.supersede([corrected], NOON_NS, "x") == 1
    database.raw_batches.keep([replace(A_RAW_BATCH, seq=99)])
    database.hand_values.record(replace(A_HAND_VALUE, note="another"))
    for _ in range(2):
        database.hand_values.record(replace(A_HAND_VALUE, key="sent twice"))
    assert [each.key for each in database.hand_values.of("press-3")].count("sent twice") == 1
    with database._transactions.reading() as connection:
        assert connection.exec_driver_sql("PRAGMA foreign_key_check").all() == []
        assert connection.exec_driver_sql("PRAGMA integrity_check").all() == [("ok",)]
    with pytest.raises(IntegrityError, match="FOREIGN KEY"), database._transactions.writing() as connection:
        connection.exec_driver_sql("DELETE FROM drive WHERE drive_id = 'press-3'")
    database.close()


def test_a_large_store_is_brought_up_to_date_without_touching_its_readings(tmp_path: Path) -> None:
    """Columns are added to the definition alone: the pages of the readings stay as they are, whatever their number."""
    path = tmp_path / "old.db"
    shutil.copy(FOLDER / "0001.sqlite", path)
    with sqlite3.connect(path) as connection:
        connection.execute("PRAGMA journal_mode = DELETE")
        connection.execute(
            "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 50000) "
            "INSERT INTO reading SELECT drive_no, t0_ns + i, 1000 + i, device, t_ns + i, chain_no, elongation_pct, "
            "elongation_u_pct, reason, pitches_between, lag_pitches, speed_m_s, coherence, pitches_averaged, whole_laps, "
            "up_pulses, down_pulses, up_missed, down_missed, up_extra, down_extra, temp_c, mount_c, load_n "
            "FROM (SELECT * FROM reading LIMIT 1), n"
        )
    connection.close()
    before = path.stat().st_size
    assert before > 5_000_000
    open_database(f"sqlite:///{path}").close()
    assert path.stat().st_size - before < 500_000  # new tables and their indexes, a page each


def test_the_kept_file_of_the_newest_schema_is_what_make_writes(tmp_path: Path) -> None:
    """So that its content is known: what is in it comes from make.py and from nowhere else."""
    database = open_database(f"sqlite:///{tmp_path / 'new.db'}")
    fill(database)
    kept = shutil.copy(FOLDER / f"{SCHEMA}.sqlite", tmp_path / "kept.db")
    old = open_database(f"sqlite:///{kept}")
    assert old.readings.raw("press-3", *EVER) == database.readings.raw("press-3", *EVER)
    assert old.register.chains() == database.register.chains()
    assert schema_of(tmp_path / "new.db") == schema_of(tmp_path / "kept.db")
    old.close()
    database.close()


def test_a_store_of_a_newer_linklag_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "newer.db"
    migrate(f"sqlite:///{path}")
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
    connection.close()
    before = path.read_bytes()
    with pytest.raises(NewerStoreError, match=r"newer\.db: its schema \(9999\) is newer .* install"):
        open_database(f"sqlite:///{path}")
    assert path.read_bytes() == before  # a start writes nothing to a store that it refuses


def test_a_step_that_fails_leaves_the_store_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The step is one transaction: the second start finds the old schema, not half of the new one."""
    path = tmp_path / "half.db"
    with monkeypatch.context() as patch:
        patch.setattr("alembic.op.create_index", lambda *_: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            open_database(f"sqlite:///{path}")
    assert schema_of(path) == {}
    open_database(f"sqlite:///{path}").close()
    assert "reading" in schema_of(path)


def test_an_up_to_date_store_opens_without_alembic(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Alembic takes longer to load than all the rest of a start."""
    url = f"sqlite:///{tmp_path / 'ready.db'}"
    migrate(url)
    monkeypatch.setattr("alembic.command.upgrade", lambda *_: 1 / 0)
    open_database(url).close()
