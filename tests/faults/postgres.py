"""Rows of the table of faults in which the store is on a PostgreSQL server that is stopped, or killed."""

import signal
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path

from service.adapters.database.connect import open_database
from tests.faults.plant import SETTLE_S, Server, a_plant
from tests.faults.row import Named, Row
from tests.faults.sending import until
from tests.postgres import ACCESS, IN_MEMORY, PASSWORD, Postgres

BATCHES = 1000
DATABASE = "plant"


@contextmanager
def a_server() -> Iterator[tuple[Postgres, Server]]:
    """A server of its own with an empty database; and how a plant finds it."""
    with tempfile.TemporaryDirectory(prefix="postgres-", dir=IN_MEMORY) as name:
        folder = Path(name)
        folder.chmod(0o755)
        postgres = Postgres(folder)
        postgres.start()
        postgres.sql(f"CREATE DATABASE {DATABASE}")
        url = postgres.url(DATABASE)
        server = Server(
            open=partial(open_database, url, access=ACCESS),
            ask=lambda sql: [int(line) for line in postgres.sql(sql, DATABASE).splitlines()],
            settings={
                "LINKLAG_STORE__URL": url,
                "LINKLAG_STORE__PASSWORD": PASSWORD,
            },
        )
        try:
            yield postgres, server
        finally:
            postgres.stop(signal.SIGKILL)


def stopped(away_s: float) -> Row:
    """Stopped in order while devices send, for so long; the worker waits, and the broker keeps what comes."""
    with a_server() as (postgres, server), a_plant(server=server) as plant:
        plant.start()
        plant.send(BATCHES // 2)
        plant.until_stored(BATCHES // 8)
        postgres.stop()
        plant.send(BATCHES // 2)
        time.sleep(away_s)
        assert plant.worker.is_up()
        postgres.start()
        return plant.row(
            f"store: PostgreSQL stopped for {away_s:.0f} s, no spool", note="the broker held them"
        )


def killed_with_spool(away_s: float) -> Row:
    """SIGKILL of server and worker; the worker starts while the server is away, and spools."""
    with a_server() as (postgres, server), a_plant(server=server, spool_after_s=1) as plant:
        plant.start()
        plant.send(BATCHES // 2)
        plant.until_stored(BATCHES // 8)
        postgres.stop(signal.SIGKILL)
        plant.worker.kill()
        plant.worker.start()
        plant.send(BATCHES // 2)
        plant.devices.wait(SETTLE_S)
        until(lambda: plant.worker.is_up() and plant.spooled() > 0, SETTLE_S)
        time.sleep(away_s)
        spooled = plant.spooled()
        postgres.start()
        return plant.row(
            f"store: PostgreSQL and worker SIGKILL, server away for {away_s:.0f} s, spool",
            note=f"the worker started meanwhile; {spooled} waited in the spool",
        )


def rows(minutes: float) -> list[Named]:
    """Each of these rows by its name."""
    away_s = minutes * 60
    return [
        ("PostgreSQL stopped", partial(stopped, away_s)),
        ("PostgreSQL killed, spool", partial(killed_with_spool, away_s)),
    ]
