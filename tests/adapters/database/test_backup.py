"""A copy of the store is one moment of it, whatever is written meanwhile, and can be put back."""

import errno
import os
import shutil
import sqlite3
import stat
import threading
from dataclasses import replace
from pathlib import Path

import pytest

from service.adapters.database.backup import (
    BackupError,
    copy_store,
    look_at,
    put_back,
    schema_of,
)
from service.adapters.database.connect import SCHEMA, open_database
from service.ports import StoreUnavailableError
from tests.contracts.given import A_CHAIN, A_DRIVE, a_reading
from tests.databases.make import FOLDER

KEPT = sorted(FOLDER.glob("*.sqlite"))
EVER = (0, 2**62)


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """A store with a drive and some readings."""
    path = tmp_path / "linklag.db"
    database = open_database(f"sqlite:///{path}")
    database.register.add_drive(A_DRIVE)
    database.register.fit_chain(A_CHAIN)
    database.readings.store([a_reading(10 * n, 0.5, seq=n) for n in range(500)])
    database.close()
    return path


def seqs_in(path: Path) -> list[int]:
    database = open_database(f"sqlite:///{path}")
    seqs = [reading.seq for reading in database.readings.raw(A_DRIVE.drive_id, *EVER)]
    database.close()
    return seqs


def test_a_copy_made_while_a_worker_writes_is_one_moment_of_the_store(store: Path, tmp_path: Path) -> None:
    """Readings are written in order, so a copy that missed one in between would show a gap."""
    database = open_database(f"sqlite:///{store}")
    end, first = threading.Event(), threading.Event()
    written = [500]

    def write() -> None:
        while not end.is_set():
            seq = written[0]
            database.store_all([a_reading(10 * seq, 0.5, seq=seq)], [])
            written[0] = seq + 1
            first.set()

    writer = threading.Thread(target=write)
    writer.start()
    try:
        assert first.wait(20)
        before = written[0]
        copies = [copy_store(store, tmp_path / f"copy-{n}.db") for n in range(3)]
        after = written[0] + 1  # one may be stored and not counted yet
    finally:
        end.set()
        writer.join()
        database.close()
    assert after > before, "nothing was written meanwhile"
    for copied in copies:
        seqs = seqs_in(copied.file)
        assert seqs == list(range(len(seqs)))
        assert before <= len(seqs) <= after
    assert seqs_in(store) == list(range(written[0]))


def test_a_copy_is_one_file_that_only_its_owner_can_read(store: Path, tmp_path: Path) -> None:
    copied = copy_store(store, tmp_path / "copies.db")
    assert stat.S_IMODE(copied.file.stat().st_mode) == 0o600
    assert sorted(path.name for path in tmp_path.glob("*copies*")) == ["copies.db"]
    with sqlite3.connect(f"file:{copied.file}?mode=ro&immutable=1", uri=True) as connection:
        assert connection.execute("SELECT count(*) FROM alembic_version").fetchone() == (1,)
    connection.close()
    assert copied.schema == SCHEMA


@pytest.mark.parametrize("kept", KEPT, ids=lambda path: path.stem)
def test_a_store_of_each_released_schema_is_copied_as_it_is_and_can_be_gone_back_to(
    tmp_path: Path, kept: Path
) -> None:
    """Copied before the upgrade, upgraded, put back: the older linklag finds its own schema and every row again."""
    store, aside = tmp_path / "linklag.db", tmp_path / "linklag.db.aside"
    shutil.copy(kept, store)
    copied = copy_store(store, tmp_path / "before.db")
    assert copied.schema == schema_of(store) == kept.stem
    open_database(f"sqlite:///{store}").close()
    assert schema_of(store) == SCHEMA
    restored = put_back(copied.file, store, aside)
    assert (restored.schema, restored.rows) == (kept.stem, copied.rows)
    assert schema_of(aside) == SCHEMA
    open_database(f"sqlite:///{store}").close()
    assert schema_of(store) == SCHEMA


def test_what_is_there_is_not_written_over(store: Path, tmp_path: Path) -> None:
    there = tmp_path / "there.db"
    there.write_bytes(b"a letter")
    with pytest.raises(BackupError, match="give another name"):
        copy_store(store, there)
    assert there.read_bytes() == b"a letter"


def test_no_store_is_told_and_none_is_made(tmp_path: Path) -> None:
    with pytest.raises(BackupError, match="no store"):
        copy_store(tmp_path / "linklag.db", tmp_path / "copy.db")
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_not_there_is_told(store: Path, tmp_path: Path) -> None:
    with pytest.raises(BackupError, match="give a folder that is there"):
        copy_store(store, tmp_path / "not" / "copy.db")


def test_a_damaged_store_gives_no_backup(store: Path, tmp_path: Path) -> None:
    content = bytearray(store.read_bytes())
    content[8192:] = b"\xa5" * (len(content) - 8192)
    store.write_bytes(content)
    with pytest.raises((BackupError, StoreUnavailableError), match="damaged"):
        copy_store(store, tmp_path / "copy.db")
    assert sorted(path.name for path in tmp_path.glob("*copy*")) == []


def test_a_store_in_use_is_not_replaced(store: Path, tmp_path: Path) -> None:
    copied = copy_store(store, tmp_path / "copy.db")
    database = open_database(f"sqlite:///{store}")
    with pytest.raises(BackupError, match="stop linklag"):
        put_back(copied.file, store, tmp_path / "aside")
    assert database.readings.store([a_reading(10 * 500, 0.5, seq=500)]) == 1
    database.close()
    assert len(seqs_in(store)) == 501
    assert not (tmp_path / "aside").exists()


def test_what_came_since_the_backup_is_kept_aside(store: Path, tmp_path: Path) -> None:
    copied = copy_store(store, tmp_path / "copy.db")
    database = open_database(f"sqlite:///{store}")
    database.readings.store([a_reading(10 * 500, 0.5, seq=500)])
    database.register.change_drive(replace(A_DRIVE, note="later"))
    database.close()
    put_back(copied.file, store, tmp_path / "aside")
    assert (len(seqs_in(store)), len(seqs_in(tmp_path / "aside"))) == (500, 501)
    assert stat.S_IMODE(store.stat().st_mode) == 0o600


@pytest.mark.skipif(os.name != "posix" or os.geteuid() != 0, reason="only root may give files away")
def test_what_root_puts_back_belongs_to_the_owner_of_the_folder(store: Path, tmp_path: Path) -> None:
    copied = copy_store(store, tmp_path / "copy.db")
    os.chown(tmp_path, 12345, 12346)
    put_back(copied.file, store, tmp_path / "aside")
    found = store.stat()
    assert (found.st_uid, found.st_gid, stat.S_IMODE(found.st_mode)) == (12345, 12346, 0o600)


def test_a_damaged_store_goes_aside_as_it_is(store: Path, tmp_path: Path) -> None:
    copied = copy_store(store, tmp_path / "copy.db")
    store.write_bytes(b"This is a shopping list." * 400)
    put_back(copied.file, store, tmp_path / "aside")
    assert (tmp_path / "aside").read_bytes().startswith(b"This is a shopping list.")
    assert len(seqs_in(store)) == 500


def test_what_a_store_that_is_gone_left_beside_it_is_not_read_into_the_backup(
    store: Path, tmp_path: Path
) -> None:
    """A worker was killed, and somebody moved the file away but not its log: SQLite would write that into any file of the name."""
    copied = copy_store(store, tmp_path / "copy.db")
    database = open_database(f"sqlite:///{store}")
    database.readings.store([a_reading(10 * n, 0.5, seq=n) for n in range(500, 700)])
    log = Path(f"{store}-wal").read_bytes()
    database.close()
    store.unlink()
    Path(f"{store}-wal").write_bytes(log)
    put_back(copied.file, store, tmp_path / "aside")
    assert look_at(store).rows == copied.rows
    assert (tmp_path / "aside-wal").read_bytes() == log


def test_a_restore_that_fails_at_its_end_leaves_the_store_as_it_was(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    copied = copy_store(store, tmp_path / "copy.db")
    database = open_database(f"sqlite:///{store}")
    database.readings.store([a_reading(10 * 500, 0.5, seq=500)])
    database.close()
    fsync = os.fsync

    def no_folder(descriptor: int) -> None:
        if stat.S_ISDIR(os.fstat(descriptor).st_mode):
            raise OSError(errno.EIO, "Input/output error")
        fsync(descriptor)

    monkeypatch.setattr(os, "fsync", no_folder)
    with pytest.raises(BackupError, match="cannot be written"):
        put_back(copied.file, store, tmp_path / "aside")
    assert len(seqs_in(store)) == 501
    assert not (tmp_path / "aside").exists()


@pytest.mark.parametrize("content", [b"This is a shopping list." * 400, b""])
def test_what_is_no_backup_is_refused_and_the_store_stays(
    store: Path, tmp_path: Path, content: bytes
) -> None:
    other = tmp_path / "other.db"
    other.write_bytes(content)
    with pytest.raises((BackupError, StoreUnavailableError)):
        put_back(other, store, tmp_path / "aside")
    assert len(seqs_in(store)) == 500


def test_a_backup_that_was_cut_short_is_refused(store: Path, tmp_path: Path) -> None:
    copied = copy_store(store, tmp_path / "copy.db")
    copied.file.write_bytes(copied.file.read_bytes()[: copied.bytes // 2])
    with pytest.raises((BackupError, StoreUnavailableError)):
        look_at(copied.file)
