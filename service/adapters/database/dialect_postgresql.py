"""PostgreSQL: the only file with its SQL, its settings and its errors. Answers the protocol `Dialect`.

A transaction that will write takes one lock first, the same for all processes, and holds it to its end: so nobody writes
beside it, as with SQLite, what it reads stays so, numbers rise in the order in which they become visible, and no
transaction has to be tried again because of another. What waits for the lock is short: a flush of the worker is one commit.

The driver is loaded where an engine is made: who has SQLite need not have it.

Source: PostgreSQL 15 documentation, 9.27.10 (advisory locks), 13.2 (isolation), 20 (settings), appendix A (SQLSTATE); from memory.
"""

from collections.abc import Generator, Iterable
from functools import cache
from typing import Any
from urllib.parse import unquote

from sqlalchemy import URL, Connection, Engine, Table, create_engine, event, select

from service.adapters.database.access import WRITING, Access

OLDEST = 13  # the oldest release that is still mended by its makers, more or less; run with 15
CONNECT_S = 10
IDLE_S = 60  # so long a transaction may stand idle before the server ends it: its lock would keep all others waiting
STATEMENT_S = 120  # longer than any statement of ours takes
SILENT_MS = 20_000  # so long a server may be silent, while something is under way, before the connection counts as dead
_WRITERS_LOCK = int.from_bytes(b"linklag")  # any number will do that nobody else takes

BEGINS_BY_STEPS = (
    False  # those up to 0014 were made for SQLite, and no store of PostgreSQL ever had an earlier schema
)
DRIVER_ERRORS: tuple[type[Exception], ...] = ()  # all come wrapped
LOST = "the database was made anew while it was open; restart linklag"
_ASK = "ask who looks after the server"
_WORDS = {
    "25006": "it is read-only: give an address where it can be written (is this a standby?)",
    "25P03": "a transaction stood still for too long and was ended; try again",
    "28000": "it does not let this user in: look at pg_hba.conf, and correct store.url",
    "28P01": "the password is wrong: correct store.password_file",
    "3D000": "there is no such database: make it (createdb), or correct store.url",
    "40001": "another transaction was in the way; try again",
    "40P01": "another transaction was in the way; try again",
    "42501": "this user may not do that: let it own the database (ALTER DATABASE ... OWNER TO ...)",
    "42P07": "it holds tables of something else: give linklag a database of its own (createdb)",
    "53100": "the server's disk is full: make room there; nothing that was acknowledged is lost",
    "53200": f"the server is out of memory: {_ASK}",
    "53300": "the server has too many connections: raise max_connections, or run fewer processes",
    "53400": f"a limit of the server is reached: {_ASK}",
    "55P03": "it is busy: another process has been writing to it for too long",
    "57014": "a statement took too long and was ended; try again",
    "57P01": "the server is shutting down",
    "57P02": "the server has crashed and mends itself",
    "57P03": "the server is starting up, or shutting down",
    "57P05": "a connection stood still for too long and was ended; try again",
    "58030": "the server's disk failed to read or write; look at its log",
    "XX001": "the database is damaged: stop linklag and restore the last backup",
    "XX002": "an index of the database is damaged: stop linklag, and REINDEX DATABASE",
}
# What a server says before it has let us in comes as text, without a code.
_SAID = {
    "password authentication failed": _WORDS["28P01"],
    "no password supplied": "it wants a password: give store.password_file",
    "too many clients": _WORDS["53300"],
    "too many connections": _WORDS["53300"],
    "connection slots": _WORDS["53300"],
    "does not exist": "there is no such database or user: make it (createuser, createdb), or correct store.url",
    "pg_hba.conf": _WORDS["28000"],
    "starting up": _WORDS["57P03"],
    "shutting down": _WORDS["57P03"],
    "certificate": "its certificate is not trusted, or has another name: correct store.tls_ca_file or the name in store.url",
    "does not support SSL": "it offers no TLS: set ssl = on there",
}
_AWAY = "the server cannot be reached, or does not let us in: start it, or correct store.url and store.password_file"
_CUT = "the connection was cut; what was being written is either all there or not at all, and doing it again is harmless"


def make_engine(url: URL, patience_s: float, access: Access) -> Engine:
    """Return an engine whose transactions are durable once committed. Raises ValueError with the fix."""
    try:
        import psycopg  # noqa: F401
    except ImportError:
        raise ValueError("a PostgreSQL store needs its driver: pip install 'linklag[postgres]'") from None
    _refuse_unserved(url)
    engine = create_engine(
        url.set(drivername="postgresql+psycopg"),
        connect_args=connect_arguments(access) | {"options": _options(patience_s)},
        pool_size=8,
        max_overflow=32,
        pool_timeout=patience_s,
        pool_pre_ping=True,  # a connection that was cut while nobody used it is made anew, unnoticed
    )
    event.listen(engine, "connect", _set_up_connection)
    event.listen(engine, "begin", _begin)
    return engine


def _refuse_unserved(url: URL) -> None:
    if url.password is not None:
        raise ValueError("store URL: a password does not belong there; give store.password_file")
    if not url.database or not url.username:
        raise ValueError(
            f"store URL {url}: user and database are missing; write postgresql://USER@HOST:PORT/DATABASE"
        )
    folder = str(url.query.get("host", "/"))
    if set(url.query) - {"host"} or not folder.startswith("/") or "," in folder or (url.host and url.query):
        raise ValueError(
            f"store URL {url.set(query={})}: only ?host=/FOLDER, for a socket on this machine, may follow, and no other host "
            "then; TLS is store.tls and store.tls_..._file"
        )


def connect_arguments(access: Access) -> dict[str, Any]:
    """Return what the server's own library is told, beside what stands in the URL."""
    arguments: dict[str, Any] = {
        "connect_timeout": CONNECT_S,
        "application_name": "linklag",
        "keepalives_idle": 10,
        "keepalives_interval": 5,
        "keepalives_count": 2,
        "tcp_user_timeout": SILENT_MS,
        "sslmode": "verify-full" if access.tls else "prefer",
        "client_encoding": "utf8",
    }
    if access.password is not None:
        arguments["password"] = access.password
    for name, file in (
        ("sslrootcert", access.ca_file),
        ("sslcert", access.cert_file),
        ("sslkey", access.key_file or access.cert_file),
    ):
        if file is not None:
            arguments[name] = str(file)
    return arguments


def _options(patience_s: float) -> str:
    """Return the settings of each session."""
    settings = {
        "lock_timeout": f"{max(1, round(patience_s * 1000))}ms",
        "statement_timeout": f"{STATEMENT_S}s",
        "idle_in_transaction_session_timeout": f"{IDLE_S}s",
        "tcp_keepalives_idle": "10",
        "tcp_keepalives_interval": "5",
        "tcp_keepalives_count": "2",
        "timezone": "UTC",
    }
    return " ".join(f"-c {name}={value}" for name, value in settings.items())


def _set_up_connection(connection: Any, _: object) -> None:
    """See that a commit has reached the disk when it returns, so that a batch may be acknowledged.

    autocommit: transactions begin where SQLAlchemy says so. Raises ValueError where the server is none to rely on.
    """
    connection.autocommit = True
    connection.adapters.register_dumper(str, _text_dumper())
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT current_setting('server_version_num')::int / 10000, current_setting('server_encoding'), "
            "current_setting('fsync'), current_setting('full_page_writes'), set_config('synchronous_commit', "
            "CASE current_setting('synchronous_commit') WHEN 'remote_apply' THEN 'remote_apply' ELSE 'on' END, false)"
        )
        version, encoding, fsync, full_pages, _commit = cursor.fetchone()
    wrong = ""
    if version < OLDEST:
        wrong = f"the server is PostgreSQL {version}: linklag needs {OLDEST} or newer"
    elif encoding != "UTF8":
        wrong = f"the database keeps text as {encoding}: make it with createdb --encoding=UTF8 --template=template0"
    elif (fsync, full_pages) != ("on", "on"):
        wrong = (
            f"the server would lose what it has acknowledged (fsync = {fsync}, full_page_writes = {full_pages}): "
            "set both to on in postgresql.conf"
        )
    if wrong:
        connection.close()
        raise ValueError(f"store: {wrong}")


@cache
def _text_dumper() -> Any:
    """What writes texts: a NUL, which no text here can have, as the character for what cannot be written.

    Nothing with one is ever stored (`fields`, `storable`), but somebody may ask for it, and is to find nothing.
    """
    from psycopg.types.string import StrDumperUnknown

    class TextDumper(StrDumperUnknown):
        def dump(self, obj: str) -> Any:
            return super().dump(obj.replace("\0", "\ufffd"))

    return TextDumper


def _begin(connection: Connection) -> None:
    """Begin. Reading sees one moment; writing sees what the writer before has left."""
    if connection.get_execution_options().get(WRITING, False):
        connection.exec_driver_sql("BEGIN")
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_WRITERS_LOCK})")
    else:
        connection.exec_driver_sql("BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY")


def prepare(engine: Engine) -> None:
    """Nothing to do: who looks after the server has made the database, and says who may come in."""
    del engine


def place_of(engine: Engine) -> str:
    """Return where the store is, for messages; never a secret."""
    url = engine.url.set(drivername="postgresql", password=None)
    return unquote(url.render_as_string())


def identity(connection: Connection) -> tuple[object, object] | None:
    """Return what tells this database from one that was made in its place, and this run of the server from the next."""
    row = connection.exec_driver_sql(
        "SELECT to_regclass('drive_number')::oid::bigint, pg_postmaster_start_time()::text"
    ).one()
    return None if row[0] is None else (row[0], row[1])


def never_changed(table: str) -> list[str]:
    """Return what makes a table refuse that a row of it is changed or deleted, whoever asks."""
    statements = []
    for verb, done, each in (
        ("UPDATE", "changed", "ROW"),
        ("DELETE", "deleted", "ROW"),
        ("TRUNCATE", "emptied", "STATEMENT"),
    ):
        name = f"{table}_is_never_{done}"
        says = f"RAISE EXCEPTION 'a row of {table} is never {done}' USING ERRCODE = 'restrict_violation'"
        statements += [
            f"CREATE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN {says}; END $$",
            f"CREATE TRIGGER {name} BEFORE {verb} ON {table} FOR EACH {each} EXECUTE FUNCTION {name}()",
        ]
    return statements


def give_back(connection: Connection, pages: int) -> int:
    """Nothing to do: the server does it by itself (autovacuum)."""
    del connection, pages
    return 0


def words_for(error: BaseException) -> str | None:
    """Return why the store cannot be used just now, or None where the statement itself is wrong (ours to mend)."""
    cause = getattr(error, "orig", error)
    code = getattr(cause, "sqlstate", None)
    if code is not None:
        return _WORDS.get(code, _CUT if code.startswith("08") else None)
    if type(cause).__name__ not in {"OperationalError", "ConnectionTimeout", "InterfaceError"}:
        return None
    said = " ".join(str(cause).split())
    for part, words in _SAID.items():
        if part in said:
            return words
    if "connection failed" in said or "timeout expired" in said or "could not" in said:
        return f"{_AWAY} ({said})"
    return f"{_CUT} ({said})"


def tables_there(connection: Connection) -> list[str]:
    """Return the names of the tables that the database holds, whosever they are."""
    query = "SELECT tablename FROM pg_tables WHERE schemaname = current_schema() ORDER BY tablename"
    return list(connection.exec_driver_sql(query).scalars())


def take_your_time(connection: Connection) -> None:
    """Let this transaction last, which does in one piece what takes minutes."""
    for name in ("statement_timeout", "idle_in_transaction_session_timeout"):
        connection.exec_driver_sql(f"SET LOCAL {name} = 0")


def copy_in(connection: Connection, table: Table, rows: Iterable[tuple[Any, ...]]) -> None:
    """Put rows into an empty table, as they come: none is kept in memory."""
    quote = connection.dialect.identifier_preparer.quote
    columns = ", ".join(quote(column.name) for column in table.columns)
    driver: Any = connection.connection.driver_connection
    with (
        driver.cursor() as cursor,
        cursor.copy(f"COPY {quote(table.name)} ({columns}) FROM STDIN") as into,
    ):
        for row in rows:
            into.write_row(row)


def rows_in_order(connection: Connection, table: Table) -> Generator[tuple[Any, ...], None, None]:
    """Return the rows of a table in the order of its key, a few thousand at a time."""
    query = select(table).order_by(*table.primary_key).execution_options(yield_per=2_000)
    with connection.execute(query) as result:
        yield from map(tuple, result)


def go_on_from(connection: Connection, table: Table, column: str, last: int) -> None:
    """Have a column that numbers by itself go on after a number."""
    if last > 0:
        connection.exec_driver_sql(
            "SELECT setval(pg_get_serial_sequence(%s, %s), %s)", (table.name, column, last)
        )


def shared_moment(connection: Connection) -> str:
    """Return the name under which another program sees what this transaction sees, as long as it lasts."""
    return str(connection.exec_driver_sql("SELECT pg_export_snapshot()").scalar_one())


def release_of(connection: Connection) -> int:
    """Return the release of the server, as 15."""
    query = "SELECT current_setting('server_version_num')::int / 10000"
    return int(connection.exec_driver_sql(query).scalar_one())


def get_to_know(engine: Engine) -> None:
    """Let the server count what is in tables that were just filled, so that it finds the short ways from the start."""
    with engine.execution_options(**{WRITING: True}).connect() as connection, connection.begin():
        take_your_time(connection)
        connection.exec_driver_sql("ANALYZE")
