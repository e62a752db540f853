"""A store in a file copied to an empty database of a server, all or nothing, and held against each other row by row.

Knows the order of tables and what makes two rows the same; must not know what they mean.

All is one transaction of the server: tables, rows, the look at them, and the schema's number. So one that is broken off leaves
the database as empty as it was, and another try begins anew. Rows go through memory a few at a time. Nobody can open the file
meanwhile, and nothing in it is changed.
"""

import hashlib
import sqlite3
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, Table

from service.adapters.database import connect, dialect_postgresql, dialect_sqlite
from service.adapters.database.backup import BackupError, schema_in
from service.adapters.database.tables import metadata
from service.adapters.database.transactions import Transactions
from service.ports import StoreUnavailableError


class MoveError(Exception):
    """The store cannot be moved so. The message says what to do; nothing was changed on either side."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """One table, as it is on both sides."""

    table: str
    rows: int
    sha256: str  # over all rows in the order of the key


def move_store(file: Path, engine: Engine, told: Callable[[Moved], None] = lambda _: None) -> list[Moved]:
    """Copy the store in `file` to the empty database of `engine`; return what each table holds, the same on both sides.

    told: gets each table as soon as it is copied and compared.

    Raises MoveError, StoreUnavailableError; the database is then as empty as it was.
    """
    if not file.is_file():
        raise MoveError(f"there is no store at {file}: correct --config, --data or store.folder")
    transactions, moved = Transactions(engine), list[Moved]()
    try:
        with dialect_sqlite.held_still(file) as source, transactions.writing() as target:
            _refuse_another_schema(source, file)
            _refuse_full(target, transactions.place)
            dialect_postgresql.take_your_time(target)
            metadata.create_all(target, checkfirst=False)
            for table in metadata.sorted_tables:
                moved.append(_move(source, target, table))
                told(moved[-1])
            connect.say_schema(target)
    except ValueError as error:
        raise MoveError(str(error)) from None
    except sqlite3.DatabaseError as error:
        words = dialect_sqlite.words_for(error)
        if words is None:
            raise
        raise StoreUnavailableError(f"{file}: {words}") from error
    dialect_postgresql.get_to_know(engine)
    return moved


def _refuse_another_schema(source: sqlite3.Connection, file: Path) -> None:
    try:
        schema = schema_in(source)
    except BackupError as error:
        raise MoveError(f"{file}: {error}") from None
    if schema != connect.SCHEMA:
        raise MoveError(
            f"{file} is of schema {schema} and this linklag of {connect.SCHEMA}: make a backup, start linklag on it once, and "
            "stop it again"
        )


def _refuse_full(target: Connection, place: str) -> None:
    there = dialect_postgresql.tables_there(target)
    if there:
        raise MoveError(
            f"{place} is not empty, it holds {', '.join(there[:3])}{' ...' if len(there) > 3 else ''}: make a database of its own "
            "(createdb), nothing is written over"
        )


def _move(source: sqlite3.Connection, target: Connection, table: Table) -> Moved:
    """Copy a table, and read it back."""
    taken, found = _Sum(), _Sum()
    with closing(dialect_sqlite.rows_in_order(source, table)) as rows:
        dialect_postgresql.copy_in(target, table, taken.over(_that_can_be_kept(table, rows)))
    column = table.autoincrement_column
    if column is not None:
        last = dialect_sqlite.last_number(source, table, column.name)
        dialect_postgresql.go_on_from(target, table, column.name, last)
    with closing(dialect_postgresql.rows_in_order(target, table)) as rows:
        for _row in found.over(rows):
            pass
    if (taken.rows, taken.sha256) != (found.rows, found.sha256):
        raise MoveError(
            f"table {table.name}: {taken.rows} rows were taken and {found.rows} found, or others than were taken: nothing was moved"
        )
    return Moved(table=table.name, rows=found.rows, sha256=found.sha256)


def _that_can_be_kept(table: Table, rows: Iterable[tuple[Any, ...]]) -> Iterator[tuple[Any, ...]]:
    """Hand the rows on; raise MoveError at one with a text that no PostgreSQL keeps."""
    for number, row in enumerate(rows, 1):
        if any(isinstance(value, str) and "\0" in value for value in row):
            raise MoveError(
                f"table {table.name}: row {number} in the order of its key has a text with a NUL in it, which no PostgreSQL keeps: "
                "correct it with sqlite3 (replace(..., char(0), ''))"
            )
        yield row


class _Sum:
    """How many rows went by, and a hash over them."""

    def __init__(self) -> None:
        self.rows = 0
        self._hash = hashlib.sha256()

    @property
    def sha256(self) -> str:
        return self._hash.hexdigest()

    def over(self, rows: Iterable[tuple[Any, ...]]) -> Iterator[tuple[Any, ...]]:
        """Hand the rows on, and sum up."""
        for row in rows:
            self.rows += 1
            self._hash.update(repr(row).encode("utf-8", "backslashreplace"))
            yield row
