"""A copy of a store that a PostgreSQL server keeps, while it is in use, and a copy put into an empty database.

Knows the server's own programs, pg_dump and pg_restore; must not know what the tables mean. The copy is one moment of the
store: rows are counted and dumped within one snapshot. Then the dump is read from end to end, and its rows are counted too.

Source: PostgreSQL 15 documentation, pg_dump (--snapshot), pg_restore (--single-transaction), 34.15 and 34.16; from memory.
"""

import os
import re
import shutil
import subprocess
import tempfile
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import Connection, Engine

from service.adapters.database import dialect_postgresql
from service.adapters.database.access import Access
from service.adapters.database.backup import BackupError, Copied, put
from service.adapters.database.transactions import Transactions

_COPY = re.compile(rb'COPY (?:"?\w+"?\.)"?(\w+)"? \(')
_SCHEMA_TABLE = "alembic_version"


def copy_server_store(engine: Engine, access: Access, copy: Path) -> Copied:
    """Make `copy` of the store as it is now, and hold it against the store: readable to its end, and the same rows in each table.

    It is written under another name first, so that what stands under `copy` is whole and on the disk.

    Raises BackupError, StoreUnavailableError.
    """
    if copy.exists():
        raise BackupError(f"{copy} exists: give another name, nothing is written over")
    if not copy.parent.is_dir():
        raise BackupError(f"{copy.parent}: No such file or directory: give a folder that is there")
    part = copy.with_name(f".{copy.name}.part")
    try:
        with Transactions(engine).reading() as connection, _surroundings(engine, access) as surroundings:
            _refuse_older_program("pg_dump", connection)
            dialect_postgresql.take_your_time(connection)
            rows, schema = _rows_of(connection), _schema_of(connection)
            part.unlink(missing_ok=True)
            part.touch(mode=0o600)
            snapshot = dialect_postgresql.shared_moment(connection)
            _run(
                ["pg_dump", "-Fc", "--no-password", f"--snapshot={snapshot}", f"--file={part}"], surroundings
            )
        found = _rows_in(part)
        if found != rows:
            raise BackupError(
                f"the copy has {sum(found.values())} rows and the store {sum(rows.values())}: is the disk sound?"
            )
        put(part, copy)
    except OSError as error:
        raise BackupError(f"{copy} cannot be written ({error.strerror}): give a place that can") from None
    finally:
        part.unlink(missing_ok=True)
    return Copied(file=copy, bytes=copy.stat().st_size, schema=schema, rows=sum(rows.values()))


def put_back_on_server(backup: Path, engine: Engine, access: Access) -> Copied:
    """Put a copy into an empty database, all or nothing, and count its rows there.

    Raises BackupError (also where the database is not empty), StoreUnavailableError; the database is then as it was.
    """
    if not backup.is_file():
        raise BackupError(f"there is no file {backup}: name a backup")
    transactions = Transactions(engine)
    with transactions.reading() as connection:
        _refuse_older_program("pg_restore", connection)
        there = dialect_postgresql.tables_there(connection)
    if there:
        raise BackupError(
            f"{transactions.place} is not empty: stop linklag, keep what is there under another name (ALTER DATABASE ... RENAME "
            "TO ...), make an empty one (createdb), and try again"
        )
    wanted = _rows_in(backup)
    with _surroundings(engine, access) as surroundings:
        _run(
            [
                "pg_restore", "--no-password", "--single-transaction", "--exit-on-error", "--no-owner", "--no-privileges",
                f"--dbname={engine.url.database}", str(backup),
            ],
            surroundings,
        )  # fmt: skip
    with transactions.reading() as connection:
        rows, schema = _rows_of(connection), _schema_of(connection)
    if rows != wanted:
        raise BackupError(
            f"{sum(rows.values())} rows are in the database and {sum(wanted.values())} in {backup}: empty it, and try again"
        )
    dialect_postgresql.get_to_know(engine)
    return Copied(file=backup, bytes=backup.stat().st_size, schema=schema, rows=sum(rows.values()))


def schema_on_server(engine: Engine) -> str | None:
    """Return the schema of the store, without changing anything; None where there is none yet. Raises StoreUnavailableError."""
    with Transactions(engine).reading() as connection:
        there = dialect_postgresql.tables_there(connection)
        return _schema_of(connection) if _SCHEMA_TABLE in there else None


def _schema_of(connection: Connection) -> str:
    if _SCHEMA_TABLE not in dialect_postgresql.tables_there(connection):
        raise BackupError("the database is no store of linklag: name another")
    return str(connection.exec_driver_sql(f"SELECT version_num FROM {_SCHEMA_TABLE}").scalar_one())  # noqa: S608


def _rows_of(connection: Connection) -> Mapping[str, int]:
    return Counter(
        {
            name: int(connection.exec_driver_sql(f'SELECT count(*) FROM "{name}"').scalar_one())  # noqa: S608
            for name in dialect_postgresql.tables_there(connection)
        }
    )


def _rows_in(dump: Path) -> Mapping[str, int]:
    """Return how many rows a dump has of each table, having read all of it. Raises BackupError."""
    rows: Counter[str] = Counter()
    table = ""
    with tempfile.TemporaryFile() as said:
        reading = subprocess.Popen(  # noqa: S603
            [_program("pg_restore"), "--data-only", "--file=-", str(dump)],
            stdout=subprocess.PIPE,
            stderr=said,
        )
        assert reading.stdout is not None  # noqa: S101
        with reading.stdout as lines:
            for line in lines:
                if table:
                    if line == b"\\.\n":
                        table = ""
                    else:
                        rows[table] += 1
                elif start := _COPY.match(line):
                    table = start[1].decode()
        if reading.wait():
            said.seek(0)
            raise BackupError(f"{dump} is damaged, or no backup ({_first_line(said.read())}): take another")
    return rows


def _refuse_older_program(name: str, connection: Connection) -> None:
    """The server's programs read servers of their own release and older ones."""
    said = subprocess.run(  # noqa: S603
        [_program(name), "--version"], capture_output=True, text=True, check=False
    ).stdout
    found = re.search(r"(\d+)(?:\.\d+|beta|rc|devel)", said)
    release = dialect_postgresql.release_of(connection)
    if found is None or int(found[1]) < release:
        raise BackupError(
            f"{name} here is {said.strip() or 'of no release'} and the server is PostgreSQL {release}: install "
            f"postgresql-client-{release}"
        )


def _program(name: str) -> str:
    path = shutil.which(name)
    if path is None:
        raise BackupError(f"{name} is not here: install the server's client programs (postgresql-client)")
    return path


@contextmanager
def _surroundings(engine: Engine, access: Access) -> Iterator[dict[str, str]]:
    """The variables by which the server's programs find it. The password is in a file that goes again, on no command line."""
    url = engine.url
    host = url.host or url.query.get("host")
    given = {
        "PGHOST": str(host) if host else None,
        "PGPORT": str(url.port) if url.port else None,
        "PGUSER": url.username,
        "PGDATABASE": url.database,
        "PGCONNECT_TIMEOUT": str(dialect_postgresql.CONNECT_S),
        "PGSSLMODE": "verify-full" if access.tls else "prefer",
        "PGSSLROOTCERT": str(access.ca_file) if access.ca_file else None,
        "PGSSLCERT": str(access.cert_file) if access.cert_file else None,
        "PGSSLKEY": str(access.key_file or access.cert_file) if access.cert_file else None,
    }
    ours = {name: value for name, value in os.environ.items() if not name.startswith("PG")}
    with tempfile.TemporaryDirectory(prefix="linklag-") as folder:
        secret = Path(folder) / "password"
        secret.touch(mode=0o600)
        escaped = (access.password or "").replace("\\", "\\\\").replace(":", "\\:")
        secret.write_text(f"*:*:*:*:{escaped}\n", encoding="utf-8")
        more = {name: value for name, value in given.items() if value is not None}
        yield ours | more | {"PGPASSFILE": str(secret), "LC_ALL": "C"}


def _run(command: Sequence[str], surroundings: Mapping[str, str]) -> None:
    done = subprocess.run(  # noqa: S603
        [_program(command[0]), *command[1:]], env=dict(surroundings), capture_output=True, check=False
    )
    if done.returncode:
        raise BackupError(f"{command[0]} failed: {_first_line(done.stderr)}")


def _first_line(said: bytes) -> str:
    lines = said.decode("utf-8", "replace").strip().splitlines()
    return lines[0] if lines else "it did not say why"
