"""What the store asks of a database, whichever it is: `dialect_sqlite` and `dialect_postgresql` answer.

Knows which one serves an engine; must not have SQL or settings of one of them.
"""

from collections.abc import Callable, Sequence
from typing import Any, Protocol

from sqlalchemy import (
    DDL,
    URL,
    ColumnElement,
    Connection,
    CursorResult,
    Engine,
    Executable,
    Table,
    case,
    event,
)
from sqlalchemy import Dialect as AnyDialect
from sqlalchemy.dialects.postgresql import Insert, aggregate_order_by, insert
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError
from sqlalchemy.sql.compiler import SQLCompiler

from service.adapters.database import dialect_postgresql, dialect_sqlite
from service.adapters.database.access import Access

_WANTED = "write sqlite:///PATH or postgresql://USER@HOST:PORT/DATABASE"
_MARKS = {"sqlite": ("qmark", "?"), "postgresql": ("format", "%s")}  # of a value by position


class Dialect(Protocol):
    """One database. Its modules are the two that there are."""

    BEGINS_BY_STEPS: bool
    """Whether a new store is led by the steps of the schema from nothing; else all tables are made as they are now."""
    DRIVER_ERRORS: tuple[type[Exception], ...]
    """As they come while a connection is set up: not wrapped by SQLAlchemy yet."""
    LOST: str
    """What to say where the store is another than it was."""

    def make_engine(self, url: URL, patience_s: float, access: Access) -> Engine:
        """Return an engine whose transactions are durable once committed. Raises ValueError with the fix."""

    def prepare(self, engine: Engine) -> None:
        """Make the place where the store is fit to be used, before anything else is done with it."""

    def place_of(self, engine: Engine) -> str:
        """Return where the store is, for messages; never a secret."""

    def identity(self, connection: Connection) -> tuple[object, object] | None:
        """Return what tells this store from another in the same place, and this run of its server from the next."""

    def never_changed(self, table: str) -> list[str]:
        """Return what makes a table refuse that a row of it is changed or deleted, whoever asks."""

    def take_your_time(self, connection: Connection) -> None:
        """Let this transaction last, which does in one piece what takes minutes."""

    def give_back(self, connection: Connection, pages: int) -> int:
        """Give freed pages back to the file system; return how many went."""

    def words_for(self, error: BaseException) -> str | None:
        """Return why the store cannot be used just now, or None where the statement itself is wrong (ours to mend)."""


def dialect_of(engine: Engine) -> Dialect:
    """Return the dialect of a store that is open."""
    return dialect_postgresql if engine.dialect.name == "postgresql" else dialect_sqlite


def make_engine(url: str, patience_s: float, access: Access | None = None) -> Engine:
    """Return an engine whose transactions are durable once committed.

    Raises ValueError with the fix where the URL is none that linklag can serve.
    """
    try:
        parsed = make_url(url)
    except ArgumentError as error:
        raise ValueError(f"{url!r} is no store URL; {_WANTED}") from error
    access = access or Access()
    if parsed.drivername in {"sqlite", "sqlite+pysqlite"}:
        return dialect_sqlite.make_engine(parsed, patience_s, access)
    if parsed.drivername in {"postgresql", "postgresql+psycopg"}:
        return dialect_postgresql.make_engine(parsed, patience_s, access)
    raise ValueError(f"store URL {parsed}: only SQLite and PostgreSQL are served; {_WANTED}")


def insert_into(table: Table) -> Insert:
    """Return an INSERT that can be told what to do on conflict: both databases say it in the same words."""
    return insert(table)


def lesser(one: ColumnElement[Any], other: ColumnElement[Any]) -> ColumnElement[Any]:
    """Return the lesser of two values that are there; each database has a function of its own for it."""
    return case((one < other, one), else_=other)


def greater(one: ColumnElement[Any], other: ColumnElement[Any]) -> ColumnElement[Any]:
    """Return the greater of two values that are there."""
    return case((one > other, one), else_=other)


def in_order(database: str, value: ColumnElement[Any], *order: ColumnElement[Any]) -> ColumnElement[Any]:
    """Return a value to be summed up in that order, whatever the order of arrival: the last bit of a sum hangs on it.

    SQLite goes along the key by itself, which is the order meant.
    """
    return aggregate_order_by(value, *order) if database == "postgresql" else value


def keep_as_it_is(table: Table) -> None:
    """Have a table, once it is made, refuse that a row of it is changed or deleted, whoever asks."""
    for name, dialect in (("sqlite", dialect_sqlite), ("postgresql", dialect_postgresql)):
        for statement in dialect.never_changed(table.name):
            escaped = statement.replace("%", "%%")
            event.listen(table, "after_create", DDL(escaped).execute_if(dialect=name))  # type: ignore[no-untyped-call]


class Positional:
    """A statement that takes its open values by position, for many rows in one call.

    SQLAlchemy turns each row from a mapping into a tuple; here the rows are tuples from the start. Values that the
    statement has already (whole numbers only) are written into the text.
    """

    def __init__(self, statement: Executable | Callable[[str], Executable]) -> None:
        """statement: or what makes it, given the name of the database."""
        self._statement = statement
        self._texts: dict[str, str] = {}

    def run(self, connection: Connection, rows: Sequence[Any]) -> CursorResult[Any]:
        """Run it with one row (a tuple) or many (a list of them)."""
        name = connection.dialect.name
        if name not in self._texts:
            self._texts[name] = self.text(connection.dialect)
        return connection.exec_driver_sql(self._texts[name], rows)

    def text(self, of: AnyDialect) -> str:
        """Return the text for a database."""
        style, mark = _MARKS[of.name]
        dialect = type(of)(paramstyle=style)  # type: ignore[call-arg]
        statement = self._statement(of.name) if callable(self._statement) else self._statement
        compiled = statement.compile(dialect=dialect)  # type: ignore[attr-defined]
        if not isinstance(compiled, SQLCompiler) or compiled.positiontup is None:
            raise TypeError("only statements over rows have positions")
        head, *rest = str(compiled).split(mark)
        values = (compiled.params[name] for name in compiled.positiontup)
        texts = (mark if value is None else str(int(value)) for value in values)
        return head + "".join(text + part for text, part in zip(texts, rest, strict=True))
