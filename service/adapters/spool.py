"""Messages that the store cannot take for now, in a file on this machine until it can.

Knows SQLite and when a file is durable; must not know what a message means or when it goes here (`ingest`). Rules for
the next editor:

- What `put` has returned for is on disk: SQLite in FULL synchronisation, and the folder's entry of the file too. The
  broker is told that it is safe, so from then on this is the only copy.
- Bounded by pages, not by counting: SQLite itself refuses what would make the file longer. Nothing makes room by
  dropping what is there.
- One process at a time: it holds the file locked, which a kill undoes.
- A damaged file is never deleted. It is set aside under another name, and what can be read of it goes on.
"""

import contextlib
import os
import sqlite3
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar

import structlog

from service.ingest import Message, SpoolError, SpoolStatus

SUFFIX = ".spool.db"
LOCK_WAIT_S = 5.0  # a worker that was just stopped may still be closing its own
_FORM = 1  # PRAGMA user_version of the files that this code reads
_PAGE_BYTES = 16_384  # six batches of 2.4 kB a page; in pages of 4 kB two fifths would be lost
_LOG_PAGES = 256  # of the write-ahead log, before they are put into the file
_GIVE_BACK_PAGES = 64  # of free space, once empty, that are worth giving back to the file system

_TABLE = """CREATE TABLE message (
    number INTEGER PRIMARY KEY,
    received_ns INTEGER NOT NULL,
    topic TEXT NOT NULL,
    content_type TEXT,
    payload BLOB NOT NULL
) STRICT"""
_COLUMNS = "topic, payload, content_type, number, received_ns"  # in the order of Message

_BUSY, _READ_ONLY, _IO, _CORRUPT, _FULL, _CANT_OPEN, _NOT_A_DB = 5, 8, 10, 11, 13, 14, 26
_DAMAGED = {_CORRUPT, _NOT_A_DB}
_WORDS = {
    _BUSY: "another process uses it; give each worker a client id of its own",
    _READ_ONLY: "it is read-only; let this user write the file and its folder",
    _IO: "the disk failed to read or write; look at the system's log",
    _CANT_OPEN: "it cannot be opened; its folder must exist, and this user must be able to write to it",
}

T = TypeVar("T")

log = structlog.get_logger(__name__)


class FileSpool:
    """A spool in one file. Use as a context manager, or `open` and `close`.

    One thread may put, read and drop; `status` is free to all.
    """

    def __init__(self, file: Path, *, bytes_max: int) -> None:
        """A spool that is not open yet.

        Args:
            file: made where it is not there; its folder too.
            bytes_max: so long the file may become. Its log beside it takes as much as one `put` more.
        """
        if bytes_max < 16 * _PAGE_BYTES:
            raise ValueError(f"bytes_max is {bytes_max}: give {16 * _PAGE_BYTES} at least")
        self.file = file.absolute()
        self._pages_max = bytes_max // _PAGE_BYTES
        self._connection: sqlite3.Connection | None = None
        self._identity: tuple[int, int] | None = None
        self._last = 0  # number of the newest message there ever was
        self._dropped = 0  # all up to this number are gone, whether or not the file shows it yet
        self._status = SpoolStatus(messages=0, bytes=0, since_ns=None, trouble="", set_aside=())

    def __enter__(self) -> Self:
        self.open()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def open(self) -> None:
        """Open the file, with what an earlier process left in it. Raises SpoolError where it cannot be used."""
        with self._faults_in_words():
            self.file.parent.mkdir(parents=True, exist_ok=True)
            try:
                self._connect()
            except sqlite3.DatabaseError as fault:
                if _code(fault) not in _DAMAGED:
                    self.close()
                    raise
                self._begin_anew(fault)
        if self._status.messages:
            log.warning("spool_left", messages=self._status.messages, file=str(self.file))

    def close(self) -> None:
        """Close the file. What is in it stays for the next process."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def put(self, messages: Sequence[Message], received_ns: int) -> None:
        """Add these behind all others. On disk once returned. Raises SpoolError, having added none of them."""
        with self._faults_in_words():
            self._refuse_lost_file()
            numbered = [
                message._replace(
                    arrival=self._last + count,
                    received_ns=received_ns if message.received_ns is None else message.received_ns,
                )
                for count, message in enumerate(messages, 1)
            ]
            self._anew_if_damaged(lambda: self._insert(numbered))
            self._last += len(numbered)
            self._changed(len(numbered), sum(len(message.payload) for message in numbered))

    def oldest(self, messages_max: int, *, after: int = 0) -> list[Message]:
        """The oldest messages behind number `after`, in the order in which they were put. Raises SpoolError.

        Their arrival is their number in the spool.
        """
        with self._faults_in_words():
            return self._anew_if_damaged(lambda: self._select(max(after, self._dropped), messages_max))

    def drop(self, messages: Sequence[Message]) -> None:
        """Forget these, which are the oldest: the store has them.

        Where the file cannot be changed they are left out from now on and go with the next that can; after a crash
        before that they come again.
        """
        if not messages:
            return
        self._dropped = messages[-1].arrival
        file = self._identity
        try:
            with self._faults_in_words():
                self._anew_if_damaged(self._delete)
        except SpoolError as fault:
            log.warning("spool_not_shortened", fault=str(fault))
        if self._identity == file:  # else it was begun anew just now, and counted without these
            self._changed(-len(messages), -sum(len(message.payload) for message in messages))

    def status(self) -> SpoolStatus:
        """What waits in it now."""
        return self._status

    # The file

    @property
    def _open(self) -> sqlite3.Connection:
        if self._connection is None:
            raise SpoolError(f"spool {self.file}: it is closed")
        return self._connection

    def _connect(self) -> None:
        """Open and look at the file. Raises sqlite3.DatabaseError, with the code of a damaged one where it is."""
        if not self.file.exists():
            self.file.touch(mode=0o600)
        connection = self._connection = sqlite3.connect(
            self.file, timeout=LOCK_WAIT_S, isolation_level=None, check_same_thread=False
        )
        for pragma in (
            "locking_mode = EXCLUSIVE",
            f"page_size = {_PAGE_BYTES}",
            "auto_vacuum = INCREMENTAL",
            "journal_mode = WAL",
            "synchronous = FULL",
            f"wal_autocheckpoint = {_LOG_PAGES}",
            f"journal_size_limit = {_LOG_PAGES * _PAGE_BYTES}",
            f"max_page_count = {self._pages_max}",
        ):
            connection.execute(f"PRAGMA {pragma}")
        self._refuse_other_form()
        if connection.execute("PRAGMA quick_check(1)").fetchone() != ("ok",):
            raise _damaged("its pages contradict each other")
        _sync_folder(self.file.parent)
        status = self.file.stat()
        self._identity = (status.st_dev, status.st_ino)
        self._count()

    def _refuse_other_form(self) -> None:
        """Make the table in a new file, and let one that another linklag made alone."""
        (form,) = self._open.execute("PRAGMA user_version").fetchone()
        if form not in {0, _FORM}:
            self.close()
            raise SpoolError(
                f"spool {self.file}: it was made by a newer linklag: start that one, or move the file away"
            )
        if form == 0:
            self._open.executescript(f"BEGIN IMMEDIATE; {_TABLE}; PRAGMA user_version = {_FORM}; COMMIT")

    def _count(self) -> None:
        messages, payload_bytes, since_ns, last = self._open.execute(
            "SELECT count(*), coalesce(sum(length(payload)), 0), min(received_ns), coalesce(max(number), 0) FROM message"
        ).fetchone()
        self._last = max(self._last, last)
        self._status = SpoolStatus(
            messages=messages,
            bytes=payload_bytes,
            since_ns=since_ns,
            trouble="",
            set_aside=tuple(sorted(map(str, self.file.parent.glob(f"{self.file.name}.damaged-*[0-9]")))),
        )

    def _insert(self, messages: Iterable[Message]) -> None:
        with self._writing() as connection:
            connection.executemany(
                f"INSERT INTO message ({_COLUMNS}) VALUES (?, ?, ?, ?, ?)",  # noqa: S608 - a constant
                messages,
            )

    def _select(self, after: int, messages_max: int) -> list[Message]:
        rows = self._open.execute(
            f"SELECT {_COLUMNS} FROM message WHERE number > ? ORDER BY number LIMIT ?",  # noqa: S608 - a constant
            (after, messages_max),
        )
        return [Message(*row) for row in rows]

    def _delete(self) -> None:
        with self._writing() as connection:
            connection.execute("DELETE FROM message WHERE number <= ?", (self._dropped,))
        is_empty = connection.execute("SELECT 1 FROM message LIMIT 1").fetchone() is None
        if is_empty and connection.execute("PRAGMA freelist_count").fetchone()[0] > _GIVE_BACK_PAGES:
            # As a script: it gives no rows, and `execute` would stop after its first page.
            connection.executescript("PRAGMA incremental_vacuum; PRAGMA wal_checkpoint(TRUNCATE)")

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        connection = self._open
        connection.execute("BEGIN IMMEDIATE")
        try:
            yield connection
            connection.execute("COMMIT")
        except BaseException:
            with contextlib.suppress(sqlite3.Error):
                connection.execute("ROLLBACK")
            raise

    def _refuse_lost_file(self) -> None:
        """SQLite would go on writing to a file that was deleted, and all of it would be gone at the end."""
        try:
            status = self.file.stat()
        except OSError:
            status = None
        if status is None or (status.st_dev, status.st_ino) != self._identity:
            raise SpoolError(
                f"spool {self.file}: the file was removed or replaced while it was open; put it back, then restart linklag"
            )

    def _changed(self, messages: int, payload_bytes: int) -> None:
        """Count, and find since when the oldest waits."""
        before = self._status
        since_ns = before.since_ns
        if messages < 0 or since_ns is None:
            rest = []
            with contextlib.suppress(sqlite3.Error):
                rest = self._select(self._dropped, 1)
            since_ns = rest[0].received_ns if rest else None
        self._status = SpoolStatus(
            messages=before.messages + messages,
            bytes=before.bytes + payload_bytes,
            since_ns=since_ns,
            trouble="",
            set_aside=before.set_aside,
        )

    # Faults

    @contextmanager
    def _faults_in_words(self) -> Iterator[None]:
        """Turn SQLite's and the system's faults into SpoolError, and keep the words for the status."""
        try:
            yield
        except (sqlite3.Error, OSError) as fault:
            error = SpoolError(f"spool {self.file}: {self._words(fault)}")
            self._troubled(error)
            raise error from fault
        except SpoolError as error:
            self._troubled(error)
            raise

    def _troubled(self, error: SpoolError) -> None:
        before = self._status
        self._status = SpoolStatus(
            messages=before.messages,
            bytes=before.bytes,
            since_ns=before.since_ns,
            trouble=str(error),
            set_aside=before.set_aside,
        )

    def _words(self, fault: sqlite3.Error | OSError) -> str:
        if isinstance(fault, OSError):
            return f"{fault.strerror}; let this user write its folder, or correct worker.spool_folder"
        code = _code(fault)
        if code == _FULL:
            pages = 0
            with contextlib.suppress(sqlite3.Error, SpoolError):  # it may not be open yet
                (pages,) = self._open.execute("PRAGMA page_count").fetchone()
            if pages * 20 >= self._pages_max * 19:  # what did not fit may be as long as a flush
                size = f"{self._pages_max * _PAGE_BYTES / 1e6:.0f} MB"
                return f"it is full ({size}); mend the store, or raise worker.spool_mb and restart; nothing in it is lost"
            return "its disk is full; make room; nothing in it is lost"
        return _WORDS.get(code, str(fault))

    def _anew_if_damaged(self, action: Callable[[], T]) -> T:
        """Do it; where the file turns out to be damaged, go on in a new one with what can be read, and do it again."""
        try:
            return action()
        except sqlite3.DatabaseError as fault:
            if _code(fault) not in _DAMAGED:
                raise
            self._begin_anew(fault)
            return action()

    def _begin_anew(self, fault: sqlite3.DatabaseError) -> None:
        """Set the damaged file aside under another name, and begin a new one with what can be read of it."""
        self.close()
        aside = self.file.with_name(f"{self.file.name}.damaged-{time.time_ns()}")
        for end in ("", "-wal", "-journal"):
            with contextlib.suppress(FileNotFoundError):
                self.file.with_name(self.file.name + end).rename(aside.with_name(aside.name + end))
        self._connect()
        saved = 0
        try:
            for message in _readable(aside):
                if message.arrival > self._dropped:
                    self._insert([message])
                    saved += 1
        finally:
            self._count()
        log.error("spool_damaged", fault=str(fault), kept_as=str(aside), messages_saved=saved)


def waiting_in(file: Path) -> int | None:
    """How many messages wait in a spool that no process has open; None where that cannot be told."""
    try:
        with contextlib.closing(
            sqlite3.connect(f"{file.absolute().as_uri()}?mode=rw", uri=True, timeout=0)
        ) as one:
            return int(one.execute("SELECT count(*) FROM message").fetchone()[0])
    except sqlite3.Error:
        return None


def _readable(file: Path) -> Iterator[Message]:
    """Yield the messages of a damaged file that can be read, in their order."""
    connection = sqlite3.connect(f"{file.as_uri()}?mode=ro", uri=True, isolation_level=None)
    with contextlib.closing(connection):
        upwards = list(_while_readable(connection, "SELECT number FROM message ORDER BY number"))
        seen = {number for (number,) in upwards}
        for (number,) in _while_readable(connection, "SELECT number FROM message ORDER BY number DESC"):
            if number in seen:
                break
            seen.add(number)
        one = f"SELECT {_COLUMNS} FROM message WHERE number = "  # noqa: S608 - a constant
        for number in sorted(seen):
            yield from (Message(*row) for row in _while_readable(connection, f"{one}{number:d}"))


def _while_readable(connection: sqlite3.Connection, query: str) -> Iterator[tuple[Any, ...]]:
    """Yield the rows up to the first that is damaged."""
    with contextlib.suppress(sqlite3.Error):
        yield from connection.execute(query)


def _code(fault: sqlite3.Error) -> int:
    """The kind of a fault: SQLite's primary result code; 0 where it has none."""
    return int(getattr(fault, "sqlite_errorcode", 0) or 0) & 0xFF


def _damaged(words: str) -> sqlite3.DatabaseError:
    fault = sqlite3.DatabaseError(words)
    fault.sqlite_errorcode = _CORRUPT
    return fault


def _sync_folder(folder: Path) -> None:
    """Make the names in a folder durable; where the system has no such thing, it needs none."""
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
