"""A copy of a store on a server while it is written to, and put into an empty database."""

import os
import subprocess
import threading
from dataclasses import replace
from pathlib import Path

import pytest

from service.adapters.database.backup import BackupError
from service.adapters.database.connect import SCHEMA, Database, open_database
from service.adapters.database.server_backup import copy_server_store, put_back_on_server, schema_on_server
from tests.contracts.given import A_DRIVE, A_RAW_BATCH, A_REJECTION, MEASURED, a_reading
from tests.postgres import ACCESS, PASSWORD, an_engine, opened, program

EVER = (0, 2**62)


def test_a_copy_made_while_a_worker_writes_is_one_moment_and_comes_back_as_it_was(tmp_path: Path) -> None:
    began, stop = threading.Event(), threading.Event()

    def write(database: Database) -> None:
        seq = 0
        while not stop.is_set():
            seq += 1
            both = [replace(a_reading(seq, seq=seq), drive_id=each) for each in ("left", "right")]
            database.store_all(both, [])
            began.set()

    with an_engine("backed_up") as engine, an_engine("put_back") as empty:
        with opened(engine) as database:
            database.register.add_drive(replace(A_DRIVE, note="\\. \t a\nb"))
            database.readings.store([MEASURED])
            database.raw_batches.keep([A_RAW_BATCH])
            database.refused.keep([A_REJECTION], [])
            writer = threading.Thread(target=write, args=(database,))
            writer.start()
            try:
                assert began.wait(30)
                copied = copy_server_store(engine, ACCESS, tmp_path / "a.dump")
            finally:
                stop.set()
                writer.join()
            assert (tmp_path / "a.dump").stat().st_mode & 0o777 == 0o600
            assert [each.name for each in tmp_path.iterdir()] == ["a.dump"]
            restored = put_back_on_server(tmp_path / "a.dump", empty, ACCESS)
            assert (restored.rows, restored.schema) == (copied.rows, SCHEMA)
            with opened(empty) as again:
                assert again.register.drives() == database.register.drives()
                assert again.raw_batches.raw("press-3", *EVER) == [A_RAW_BATCH]
                left, right = (again.readings.raw(each, *EVER) for each in ("left", "right"))
                assert len(left) == len(right) > 0
                assert left == database.readings.raw("left", *EVER)[: len(left)]
                again.refused.keep([replace(A_REJECTION, payload=b"new")], [])
                numbers = [each.number for each in again.refused.rejections()]
                assert numbers == sorted(set(numbers), reverse=True)
            with pytest.raises(BackupError, match=r"put_back is not empty: stop linklag, keep what is there"):
                put_back_on_server(tmp_path / "a.dump", empty, ACCESS)
        with pytest.raises(BackupError, match="exists: give another name"):
            copy_server_store(engine, ACCESS, tmp_path / "a.dump")


def test_a_copy_that_is_damaged_is_not_put_back(tmp_path: Path) -> None:
    with an_engine("for_damage") as engine, an_engine("stays_empty") as empty:
        with opened(engine) as database:
            database.readings.store([a_reading(10 * n, 0.5 + n / 7e5, seq=n) for n in range(2000)])
        copy_server_store(engine, ACCESS, tmp_path / "a.dump")
        content = bytearray((tmp_path / "a.dump").read_bytes())
        middle = content.index(b"PGDMP") + len(content) * 9 // 10
        content[middle : middle + 2000] = os.urandom(2000)
        (tmp_path / "a.dump").write_bytes(content)
        with pytest.raises(BackupError, match=r"a\.dump is damaged, or no backup"):
            put_back_on_server(tmp_path / "a.dump", empty, ACCESS)
        assert schema_on_server(empty) is None
        assert schema_on_server(engine) == SCHEMA


@pytest.mark.parametrize(
    ("said", "fix"),
    [
        (None, r"pg_dump is not here: install the server's client programs \(postgresql-client\)"),
        (
            "pg_dump (PostgreSQL) 9.6.24",
            r"9\.6\.24 and the server is PostgreSQL \d+: install postgresql-client-",
        ),
    ],
)
def test_a_program_that_is_missing_or_older_than_the_server_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, said: str | None, fix: str
) -> None:
    programs = tmp_path / "bin"
    programs.mkdir()
    if said is not None:
        (programs / "pg_dump").write_text(f"#!/bin/sh\necho '{said}'\n")
        (programs / "pg_dump").chmod(0o755)
    with an_engine("program_missing") as engine:
        monkeypatch.setenv("PATH", str(programs))
        with pytest.raises(BackupError, match=fix):
            copy_server_store(engine, ACCESS, tmp_path / "a.dump")
        monkeypatch.undo()
    assert not (tmp_path / "a.dump").exists()


def test_the_password_is_on_no_command_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    programs, real = tmp_path / "bin", program("pg_dump")
    programs.mkdir()
    (programs / "pg_dump").write_text(
        f'#!/bin/sh\necho "$@" >> {tmp_path}/said\nenv >> {tmp_path}/said\nexec {real} "$@"\n'
    )
    (programs / "pg_dump").chmod(0o755)
    with an_engine("secret_kept") as engine:
        open_database(engine.url.render_as_string(), access=ACCESS).close()
        monkeypatch.setenv("PATH", f"{programs}{os.pathsep}{os.environ['PATH']}")
        copy_server_store(engine, ACCESS, tmp_path / "a.dump")
    said = (tmp_path / "said").read_text()
    assert "--snapshot=" in said
    assert PASSWORD not in said
    (file,) = {line for line in said.splitlines() if line.startswith("PGPASSFILE=")} - {""}
    assert not Path(file.removeprefix("PGPASSFILE=")).exists()
    assert subprocess.run(
        ["pg_restore", "-l", str(tmp_path / "a.dump")], capture_output=True, check=True
    ).stdout
