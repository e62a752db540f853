"""SQLite: the only file with its SQL, its settings and its errors. Answers the protocol `Dialect`."""

import contextlib
import sqlite3
import time
from collections.abc import Generator, Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

from sqlalchemy import URL, Connection, Engine, Table, create_engine, event

from service.adapters.database.access import WRITING, Access

OLDEST = (3, 37, 0)  # STRICT tables
# Of all connections of a process; soft: beyond it pages that are kept give way, schemas and statements do not.
_HEAP_BYTES = 8 * 1024 * 1024
_JOURNAL_BYTES = 64 * 1024 * 1024  # a write-ahead log that a long read let grow is cut back to this

_BUSY, _LOCKED, _NO_MEMORY, _READ_ONLY, _IO, _CORRUPT, _FULL, _CANT_OPEN, _PROTOCOL, _NOT_A_DB = (
    5, 6, 7, 8, 10, 11, 13, 14, 15, 26,
)  # fmt: skip
_WORDS = {
    _BUSY: "it is busy: another process has been writing to it for too long",
    _LOCKED: "it is busy: another connection of this process is writing to it",
    _NO_MEMORY: "this machine is out of memory",
    _READ_ONLY: "it is read-only: give this user write permission on the file and on its folder",
    _IO: "the disk failed to read or write; look at the system's log",
    _CORRUPT: "the file is damaged: stop linklag, keep a copy of the file and restore the last backup",
    _FULL: "the disk is full: make room; nothing that was acknowledged is lost",
    _CANT_OPEN: "the file cannot be opened: its folder must exist, and this user must be able to write to it",
    _PROTOCOL: "its lock does not work: is the file on a network folder? Keep it on a local disk",
    _NOT_A_DB: "the file is not a SQLite database: give another path, or move that file away",
}
BEGINS_BY_STEPS = True
DRIVER_ERRORS = (sqlite3.DatabaseError,)  # as they come while a connection is set up: not wrapped yet
LOST = "the file was removed or replaced while it was open; put it back if you can, then restart linklag"

# sqlite3 asks every value but int, float and str in two places how it wants to be kept, in vain: half the time of a row
# with ten NULLs. An answer of its own makes that one look-up.
sqlite3.register_adapter(type(None), {}.get)  # type: ignore[arg-type]
sqlite3.register_adapter(bool, int)


def make_engine(url: URL, patience_s: float, access: Access) -> Engine:
    """Return an engine whose transactions are durable once committed. Raises ValueError with the fix."""
    del access  # who may open the file may open the store
    if url.database in {None, "", ":memory:"}:
        raise ValueError(
            "store URL: an in-memory store would be lost and cannot be shared; write sqlite:///PATH"
        )
    if sqlite3.sqlite_version_info < OLDEST:
        raise ValueError(f"SQLite {sqlite3.sqlite_version} is too old; linklag needs 3.37 or newer")
    engine = create_engine(
        url,
        connect_args={"timeout": patience_s},
        pool_size=8,
        max_overflow=32,
        pool_use_lifo=True,  # few connections do the work, and so few fill their own cache of pages and statements
        pool_timeout=patience_s,
    )
    event.listen(engine, "connect", _set_up_connection)
    event.listen(engine, "begin", _begin)
    return engine


def _set_up_connection(connection: sqlite3.Connection, _: object) -> None:
    """FULL: a commit has reached the disk when it returns, so a batch may be acknowledged.

    isolation_level None: transactions begin where SQLAlchemy says so, not at the first change.
    """
    connection.isolation_level = None
    for pragma in (
        "synchronous = FULL",
        "foreign_keys = ON",
        "temp_store = MEMORY",
        f"journal_size_limit = {_JOURNAL_BYTES}",
        f"soft_heap_limit = {_HEAP_BYTES}",
    ):
        connection.execute(f"PRAGMA {pragma}")


def _begin(connection: Connection) -> None:
    """A transaction that will write takes the write lock at once: no other can slip in between read and write."""
    writing = connection.get_execution_options().get(WRITING, False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")


def prepare(engine: Engine) -> None:
    """Make the file its owner's only, and a write-ahead log one: readers and the writer do not wait for each other.

    Secrets of routes and hashes of passwords are in it. SQLite gives the files beside it the same mode.
    SQLite answers "busy" at once when two processes do this to a new file together, hence the tries.
    """
    _keep_from_others(file_of(engine))
    for tries_left in reversed(range(50)):
        connection = engine.raw_connection()
        cursor = connection.cursor()
        try:
            cursor.execute("PRAGMA journal_mode")
            if cursor.fetchone() != ("wal",):
                cursor.execute("PRAGMA auto_vacuum = INCREMENTAL")
                cursor.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF != _BUSY or not tries_left:
                raise
            time.sleep(0.05)
        else:
            return
        finally:
            connection.close()


def _keep_from_others(path: Path) -> None:
    """Let nobody but the owner read the file. Where it is somebody else's, or has no modes, it stays as it is."""
    with contextlib.suppress(OSError):
        if not path.exists():
            path.touch(mode=0o600)
        if path.stat().st_mode & 0o077:
            path.chmod(0o600)


def file_of(engine: Engine) -> Path:
    """Return the store's file."""
    return Path(str(engine.url.database)).absolute()


def place_of(engine: Engine) -> str:
    """Return where the store is, for messages."""
    return str(file_of(engine))


def identity(connection: Connection) -> tuple[object, object] | None:
    """Return what tells the store's file from another at the same path, or None where it is gone.

    SQLite would go on writing to a file that was deleted, and all of it would be lost at the end.
    """
    try:
        status = file_of(connection.engine).stat()
    except OSError:
        return None
    return (status.st_dev, status.st_ino), None


def never_changed(table: str) -> list[str]:
    """Return what makes a table refuse that a row of it is changed or deleted, whoever asks."""
    return [
        f"CREATE TRIGGER {table}_is_never_{done} BEFORE {verb} ON {table} "
        f"BEGIN SELECT RAISE(ABORT, 'a row of {table} is never {done}'); END"
        for verb, done in (("UPDATE", "changed"), ("DELETE", "deleted"))
    ]


def take_your_time(connection: Connection) -> None:
    """Nothing to do: no statement is ended for how long it takes."""
    del connection


def give_back(connection: Connection, pages: int) -> int:
    """Give up to `pages` free pages at the end of the file back to the file system; return how many went."""
    free = connection.exec_driver_sql("PRAGMA freelist_count").scalar_one()
    going = min(int(pages), int(free))
    for _ in range(going):  # sqlite3 makes one step of a statement without rows, and one step moves one page
        connection.exec_driver_sql("PRAGMA incremental_vacuum(1)").close()
    return going


def words_for(error: BaseException) -> str | None:
    """Return why the store cannot be used just now, or None where the statement itself is wrong (ours to mend)."""
    code = getattr(getattr(error, "orig", error), "sqlite_errorcode", None)
    return None if code is None else _WORDS.get(code & 0xFF)


@contextlib.contextmanager
def held_still(file: Path) -> Iterator[sqlite3.Connection]:
    """A store that nobody else has open, nor can open meanwhile. Raises ValueError where somebody has.

    Source: SQLite, "PRAGMA locking_mode", for write-ahead logs; from memory.
    """
    with contextlib.closing(
        sqlite3.connect(
            f"file:{quote(str(file.absolute()))}?mode=rw", uri=True, timeout=0.2, isolation_level=None
        )
    ) as connection:
        connection.execute("PRAGMA locking_mode = EXCLUSIVE")
        try:
            connection.execute("BEGIN IMMEDIATE")
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF not in {_BUSY, _LOCKED}:
                raise
            raise ValueError(f"{file} is in use: stop linklag (all its processes) first") from None
        yield connection
        connection.execute("ROLLBACK")


def rows_in_order(connection: sqlite3.Connection, table: Table) -> Generator[tuple[Any, ...], None, None]:
    """Return the rows of a table in the order of its key, a few at a time."""
    columns = ", ".join(f'"{column.name}"' for column in table.columns)
    key = ", ".join(f'"{column.name}"' for column in table.primary_key)
    yield from connection.execute(f'SELECT {columns} FROM "{table.name}" ORDER BY {key}')  # noqa: S608 (our own names)


def last_number(connection: sqlite3.Connection, table: Table, column: str) -> int:
    """Return the greatest number that was ever given in a column that numbers by itself, where that is remembered."""
    (there,) = connection.execute(f'SELECT coalesce(max("{column}"), 0) FROM "{table.name}"').fetchone()  # noqa: S608
    given = None
    if connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'sqlite_sequence'").fetchone():
        given = connection.execute("SELECT seq FROM sqlite_sequence WHERE name = ?", (table.name,)).fetchone()
    return max(int(there), int(given[0]) if given else 0)
