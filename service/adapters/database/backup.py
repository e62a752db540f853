"""A copy of the store while it is in use, and a copy put back.

Knows SQLite's files; must not know what the tables mean: a store of any schema, older or newer than this code's, can be
copied. The copy is one moment of the store: it is made within one read transaction, and a worker writes on meanwhile.

Source: SQLite, "Online Backup API" and "Write-Ahead Logging"; from memory.
"""

import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

from service.adapters.database.dialect_sqlite import words_for
from service.ports import StoreUnavailableError

BUSY_S = 5.0  # so long another process may hold the store for itself
BESIDE = ("-wal", "-shm", "-journal")  # what SQLite keeps beside a file that is in use


class BackupError(Exception):
    """No backup, or none that can be put back. The message says what to do; nothing was changed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Copied:
    """What a copy holds."""

    file: Path
    bytes: int
    schema: str
    rows: int  # of all tables together


def copy_store(store: Path, copy: Path) -> Copied:
    """Make `copy` of the store as it is now, and hold it against the store: sound, and the same rows in each table.

    It is written under another name first, so that what stands under `copy` is whole and on the disk.

    Raises BackupError, StoreUnavailableError.
    """
    if copy.exists():
        raise BackupError(f"{copy} exists: give another name, nothing is written over")
    if not store.is_file():
        raise BackupError(f"there is no store at {store}: correct --config, --data or store.folder")
    _look_for_room(store, copy.parent)
    part = copy.with_name(f".{copy.name}.part")
    try:
        with _opened(store) as source:
            source.execute("BEGIN")
            rows = _rows_of(source)  # begins the view that the copy is made of
            _write(source, part)
        copied = look_at(part)
        if copied.rows != rows:
            raise BackupError(f"the copy has {copied.rows} rows and the store {rows}: is the disk sound?")
        put(part, copy)
    except OSError as error:
        raise BackupError(f"{copy} cannot be written ({error.strerror}): give a place that can") from None
    finally:
        part.unlink(missing_ok=True)
    return Copied(file=copy, bytes=copied.bytes, schema=copied.schema, rows=copied.rows)


def look_at(file: Path) -> Copied:
    """Return what a copy holds, after SQLite has looked at all of it. Raises BackupError, StoreUnavailableError."""
    if not file.is_file():
        raise BackupError(f"there is no file {file}: name a backup")
    with _opened(file) as connection:
        (verdict,) = connection.execute("PRAGMA integrity_check(1)").fetchone()
        if verdict != "ok":
            raise BackupError(f"{file} is damaged ({verdict}): take another backup")
        return Copied(
            file=file, bytes=file.stat().st_size, schema=schema_in(connection), rows=_rows_of(connection)
        )


def put_back(backup: Path, store: Path, aside: Path) -> Copied:
    """Put a copy in the place of the store; what is there goes to `aside`, with all that it holds.

    Raises BackupError (also where the store is in use), StoreUnavailableError; the store is then as it was.
    """
    if aside.exists():
        raise BackupError(f"{aside} exists: move it away")
    if not backup.is_file():
        raise BackupError(f"there is no file {backup}: name a backup")
    _look_for_room(backup, store.parent)
    part = store.with_name(f".{store.name}.part")
    try:
        with _opened(backup) as source:
            _write(source, part)
        copied = look_at(part)
        _give_to_owner(part, store.parent)
        if store.exists():
            _close_for_good(store)
        _exchange(part, store, aside)
    except OSError as error:
        raise BackupError(f"{store} cannot be written ({error.strerror}): run this as its owner") from None
    finally:
        part.unlink(missing_ok=True)
    return Copied(file=store, bytes=copied.bytes, schema=copied.schema, rows=copied.rows)


def schema_of(store: Path) -> str | None:
    """Return the schema of the store, without changing anything; None where there is none yet.

    Raises BackupError, StoreUnavailableError.
    """
    if not store.is_file() or not store.stat().st_size:
        return None
    with _opened(store) as connection:
        return schema_in(connection)


def schema_in(connection: sqlite3.Connection) -> str:
    """Return the schema that an open store says it has. Raises BackupError where it is no store of linklag."""
    try:
        row = connection.execute("SELECT version_num FROM alembic_version").fetchone()
    except sqlite3.OperationalError as error:
        if "no such table" not in str(error):
            raise
        row = None
    if row is None:
        raise BackupError("the file is a database, and no store of linklag: name another")
    return str(row[0])


@contextmanager
def _opened(file: Path) -> Iterator[sqlite3.Connection]:
    """An existing file, open; one that is not there is not made."""
    try:
        with closing(
            sqlite3.connect(
                f"file:{quote(str(file.absolute()))}?mode=rw", uri=True, timeout=BUSY_S, isolation_level=None
            )
        ) as connection:
            yield connection
    except sqlite3.DatabaseError as error:
        words = words_for(error)
        if words is None:
            raise
        raise StoreUnavailableError(f"{file}: {words}") from error


def _write(source: sqlite3.Connection, part: Path) -> None:
    """Copy all pages in one go, so that what others write meanwhile does not begin it anew; its owner's only."""
    part.unlink(missing_ok=True)
    part.touch(mode=0o600)
    with _opened(part) as copy:
        source.backup(copy, pages=-1)
        copy.execute(
            "PRAGMA journal_mode = DELETE"
        )  # one file, that can be opened where nothing can be written


def _rows_of(connection: sqlite3.Connection) -> int:
    names = [
        name
        for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")
    ]
    return sum(
        connection.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0]  # noqa: S608 (the store's own names)
        for name in names
    )


def _close_for_good(store: Path) -> None:
    """Let SQLite empty the write-ahead log into the file, which it refuses while anybody has the store open."""
    try:
        with _opened(store) as connection:
            connection.execute("PRAGMA busy_timeout = 200")
            connection.execute("PRAGMA journal_mode = DELETE")
    except StoreUnavailableError as error:
        if isinstance(error.__cause__, sqlite3.OperationalError):
            raise BackupError(f"{store} is in use: stop linklag (worker, web) first") from None
        # damaged or no database: it goes aside as it is


def _give_to_owner(part: Path, folder: Path) -> None:
    """Let a copy that root made belong to whom the folder belongs to: nobody else could open it."""
    if os.name == "posix" and os.geteuid() == 0:
        owner = folder.stat()
        os.chown(part, owner.st_uid, owner.st_gid)


def _exchange(part: Path, store: Path, aside: Path) -> None:
    """Move the store aside and give a copy its name, or leave all as it was.

    What is still beside a store, or beside none, goes along: SQLite would write it into whatever file has that name.
    """
    moved: list[tuple[Path, Path]] = []
    try:
        for beside in (*BESIDE, ""):
            here, there = Path(f"{store}{beside}"), Path(f"{aside}{beside}")
            if here.exists():
                here.replace(there)
                moved.append((here, there))
        put(part, store)
    except OSError:
        for here, there in reversed(moved):
            there.replace(here)
        raise


def _look_for_room(what: Path, folder: Path) -> None:
    try:
        wanted, free = what.stat().st_size, shutil.disk_usage(folder).free
    except OSError as error:
        raise BackupError(f"{error.filename}: {error.strerror}: give a folder that is there") from None
    if wanted > free:
        raise BackupError(
            f"{folder} has {free / 1e9:.1f} GB free and {wanted / 1e9:.1f} GB are needed: make room, or name another disk"
        )


def put(part: Path, place: Path) -> None:
    """Give a whole file its name, and see both on the disk."""
    _flush(part, os.O_RDWR)
    part.replace(place)
    if os.name == "posix":  # elsewhere a folder cannot be flushed
        _flush(place.parent, os.O_RDONLY)


def _flush(path: Path, flags: int) -> None:
    descriptor = os.open(path, flags)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
