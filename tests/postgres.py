"""A PostgreSQL of the tests' own: one server for a whole run, started when first asked for, emptied between tests."""

import atexit
import contextlib
import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path

from sqlalchemy import Engine

from service.adapters.database import dialect
from service.adapters.database.access import Access
from service.adapters.database.connect import BUSY_TIMEOUT_S, Database, open_database
from service.adapters.database.first_rows import put_first_rows
from service.adapters.database.tables import metadata
from tests.conftest import free_port, needs, wait_for_port

USER, PASSWORD = "linklag", "a password of the tests"
IN_MEMORY = "/dev/shm" if Path("/dev/shm").is_dir() else None  # noqa: S108
SETTINGS = {
    "shared_buffers": "32MB",
    "max_connections": "60",
    "autovacuum": "off",
    "jit": "off",
    "logging_collector": "off",
    "log_min_messages": "fatal",
}


def program(name: str) -> str:
    """Return the path of a program of PostgreSQL, or skip: Debian keeps those of the server away from the others."""
    folders = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda each: int(each.parent.name))
    found = shutil.which(name, path=os.pathsep.join(map(str, reversed(folders))))
    return found or needs(name, why="apt-get install postgresql")


def unprivileged() -> list[str]:
    """Return what a command begins with so that it runs as nobody in particular: the server refuses to be root."""
    if os.geteuid() != 0:
        return [needs("setpriv"), "--pdeathsig", "KILL"]
    return [
        needs("setpriv"),
        "--reuid=nobody",
        "--regid=nogroup",
        "--clear-groups",
        "--pdeathsig",
        "KILL",
    ]


class Postgres:
    """A server on loopback that wants a password, in a folder of its own; can be stopped, killed and started again."""

    def __init__(self, folder: Path, **settings: str) -> None:
        self.port, self.data = free_port(), folder / "data"
        self._settings = SETTINGS | settings
        self.process: subprocess.Popen[bytes] | None = None
        self.log = folder / "server.log"
        if os.geteuid() == 0:
            shutil.chown(folder, "nobody", "nogroup")
        secret = folder / "secret"
        secret.write_text(PASSWORD)
        secret.chmod(0o644)
        subprocess.run(
            [
                *unprivileged(), program("initdb"), "--no-sync", "-D", str(self.data), "-U", USER, "-A", "scram-sha-256",
                f"--pwfile={secret}", "-E", "UTF8", "--locale=C.UTF-8", "--locale-provider=icu", "--icu-locale=en",
            ],
            check=True,
            capture_output=True,
        )  # fmt: skip

    def start(self) -> None:
        """Start, and wait until it lets in."""
        settings = {"port": str(self.port), "listen_addresses": "127.0.0.1", "unix_socket_directories": ""}
        options = [f"--{name}={value}" for name, value in (self._settings | settings).items()]
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [*unprivileged(), program("postgres"), "-D", str(self.data), *options],
                stdout=log,
                stderr=log,
            )
        wait_for_port(self.port)
        end_s = time.monotonic() + 20
        while self.sql("SELECT 1", check=False) != "1":
            assert time.monotonic() < end_s, self.log.read_text()[-3000:]
            time.sleep(0.02)

    def stop(self, how: signal.Signals = signal.SIGINT) -> None:
        """End it: SIGINT cuts connections and ends in order, SIGKILL is the crash that it must come back from."""
        if self.process is not None:
            if how == signal.SIGKILL:
                for child in children_of(self.process.pid):
                    with contextlib.suppress(ProcessLookupError):
                        os.kill(child, signal.SIGKILL)
            self.process.send_signal(how)
            self.process.wait(20)
            self.process = None

    def url(self, database: str = "postgres", user: str = USER) -> str:
        return f"postgresql://{user}@127.0.0.1:{self.port}/{database}"

    def sql(self, statement: str, database: str = "postgres", *, check: bool = True) -> str:
        """Run a statement as the server's administrator, by its own program."""
        done = subprocess.run(
            [program("psql"), "-h", "127.0.0.1", "-p", str(self.port), "-U", USER, "-d", database, "-XAtqc", statement],
            env=os.environ | {"PGPASSWORD": PASSWORD},
            capture_output=True,
            text=True,
            check=False,
        )  # fmt: skip
        assert not (check and done.returncode), done.stderr
        return done.stdout.strip()


def children_of(pid: int) -> list[int]:
    """Return the processes that one has begun."""
    return [int(each) for each in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


ACCESS = Access(password=PASSWORD)


@cache
def the_server() -> Postgres:
    """The server of this run of the tests."""
    folder = Path(tempfile.mkdtemp(prefix="linklag-postgres-", dir=IN_MEMORY))
    folder.chmod(0o755)
    server = Postgres(folder)
    atexit.register(_end, server, folder)
    server.start()
    return server


def _end(server: Postgres, folder: Path) -> None:
    server.stop(signal.SIGQUIT)
    shutil.rmtree(folder, ignore_errors=True)


_FREE: list[Engine] = []  # stores that no test uses just now


@contextmanager
def an_empty_postgres() -> Iterator[Database]:
    """A store that is as new: one of those of this run, emptied. Deleting few rows takes a tenth of what TRUNCATE takes."""
    engine = _FREE.pop() if _FREE else _one_more()
    with engine.connect() as connection, connection.begin():
        connection.exec_driver_sql("SET TRANSACTION READ WRITE")
        driver = connection.connection.driver_connection
        assert driver is not None
        driver.execute(_emptying())
        put_first_rows(connection)
    try:
        yield Database(engine)
    finally:
        _FREE.append(engine)


def _one_more() -> Engine:
    server = the_server()
    name = f"store_{time.monotonic_ns()}"
    server.sql(f"CREATE DATABASE {name}")
    open_database(server.url(name), access=ACCESS).close()
    return dialect.make_engine(server.url(name), BUSY_TIMEOUT_S, ACCESS)


@cache
def _emptying() -> str:
    """What leaves no row in any table, those included that nobody may delete from, and has numbers begin anew."""
    sequences = [
        f"{table.name}_{column.name}_seq"
        for table in metadata.sorted_tables
        if (column := table.autoincrement_column) is not None
    ]
    return "; ".join(
        [
            "SET LOCAL session_replication_role = replica",
            *(f"DELETE FROM {table.name}" for table in reversed(metadata.sorted_tables)),  # noqa: S608
            *(f"SELECT setval('{name}', 1, false)" for name in sequences),
        ]
    )


@contextmanager
def a_database(name: str) -> Iterator[str]:
    """The URL of a new empty database of the server, gone afterwards."""
    server = the_server()
    server.sql(f"CREATE DATABASE {name}")
    try:
        yield server.url(name)
    finally:
        server.sql(f"DROP DATABASE {name} WITH (FORCE)")


@contextmanager
def an_engine(name: str) -> Iterator[Engine]:
    """An engine on such a database."""
    with a_database(name) as url:
        engine = dialect.make_engine(url, 1.0, ACCESS)
        try:
            yield engine
        finally:
            engine.dispose()


@contextmanager
def opened(engine: Engine) -> Iterator[Database]:
    """The store there, made or brought up to date."""
    with contextlib.closing(open_database(engine.url.render_as_string(), access=ACCESS)) as database:
        yield database
