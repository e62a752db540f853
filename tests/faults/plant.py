"""A small plant for faults: devices, broker, worker and receiver of alerts as they are, and what came of each batch counted.

Some drives are at their limit after the first minutes of their own time, and all are silent since long ago, so that alerts
occur and go out while things break.
"""

import contextlib
import json
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from service.adapters.database.connect import Database, open_database
from service.core.drive import Chain, Drive
from service.core.route import Route, Way, What
from service.set_routes import new_secret
from tests.conftest import Mosquitto
from tests.faults.row import Row
from tests.faults.sending import DRIVES, ROOT, T0_NS, Devices, S, WorkerProcess, batch, subscribed, until
from tests.receiver import Receiver, a_receiver

WORN = 4  # drives that are at their limit
# Processes are killed here, not the machine.
IN_MEMORY = "/dev/shm" if Path("/dev/shm").is_dir() else None  # noqa: S108
STEP = 60  # of seq, and so of a drive's own seconds, from one batch of it to the next
SETTLE_S = 150.0  # on a busy machine too
QUICK = {  # so that a row does not wait for what a plant has minutes for
    "LINKLAG_WORKER__WATCH_S": "1",
    "LINKLAG_WORKER__ROLL_UP_S": "2",
    "LINKLAG_DELIVER__LOOK_S": "0.5",
    "LINKLAG_DELIVER__FIRST_WAIT_S": "0.1",
    "LINKLAG_DELIVER__LONGEST_WAIT_S": "1",
}


def set_up(database: Database, hook: str) -> None:
    """Register the drives, and a route to the receiver."""
    for number in range(DRIVES):
        database.register.add_drive(
            Drive(
                drive_id=f"d{number}",
                whole_pitches=12,
                offset_pitches=0.5,
                own_limit_pct=0.3 if number < WORN else None,
            )
        )
        database.register.fit_chain(
            Chain(
                chain_id=f"c{number}",
                drive_id=f"d{number}",
                designation="16B-1",
                pitch_mm=25.4,
                fitted_ns=T0_NS - 86400 * S,
            )
        )
    database.outbox.add(
        Route(
            route_id="hook",
            way=Way.WEBHOOK,
            target=hook,
            secret=new_secret(),
            what=What.EVERYTHING,
            allow_private=True,
        ),
        0,
    )


Ask = Callable[[str], list[int]]  # a question in SQL for one column of numbers


@dataclass(frozen=True, kw_only=True)
class Server:
    """A database server that has the store."""

    open: Callable[[], Database]
    ask: Ask
    settings: Mapping[str, str]  # by which linklag finds it


@dataclass(kw_only=True)
class Plant:
    """One row's plant. `worker` and `web` are not started yet."""

    folder: Path
    store: Path  # the folder of the store
    broker: Mosquitto
    receiver: Receiver
    worker: WorkerProcess
    web: WorkerProcess
    devices: Devices
    environment: Mapping[str, str]
    data: bool  # whether processes are told the store's folder on the command line
    ask: Ask
    counted: Callable[[], tuple[int, int]]  # readings stored, and how many of them differ by drive and seq
    is_rolled: bool  # whether their roll-ups are in the same store, to be held against them
    others: list[WorkerProcess] = field(default_factory=list)
    sent: int = 0
    began_s: float = field(default_factory=time.monotonic)

    @property
    def file(self) -> Path:
        return self.store / "linklag.db"

    def start(self) -> None:
        """Start the worker, and wait until the broker keeps for it what is published."""
        self.worker.start()
        until(lambda: self.worker.is_up() and subscribed(self.broker), SETTLE_S)

    def also(self, command: str) -> WorkerProcess:
        """Start another process on the same store: `watch` or `deliver`."""
        log = self.folder / f"{command}-{len(self.others)}.log"
        process = WorkerProcess(
            self.broker.port,
            self.store,
            command=command,
            within=(),
            log=log,
            data=self.data,
            **self.environment,
        )
        self.others.append(process)
        process.start()
        return process

    def send(self, batches: int) -> None:
        """Publish so many more, of each drive in turn. The broker acknowledges them as it can."""
        for number in range(self.sent, self.sent + batches):
            self.devices.publish(batch(number // DRIVES * STEP), f"{ROOT}/d{number % DRIVES}/pulses")
        self.sent += batches

    def query(self, sql: str) -> int:
        """One number of the store."""
        return int(self.ask(sql)[0])

    def stored(self) -> int:
        return self.counted()[0]

    def until_stored(self, count: int, timeout_s: float = SETTLE_S) -> None:
        until(lambda: self.worker.is_up() and self.stored() >= count, timeout_s)

    def spooled(self) -> int:
        """How many messages wait in the spool, by what the worker says of itself; 0 where it says nothing now."""
        said = self.said()
        return int(((said.get("ingest") or {}).get("spool") or {}).get("messages", 0))

    def spool_bytes(self) -> int:
        """How long the spool's files are. It shows at once what the worker says every few seconds only."""
        return sum(file.stat().st_size for file in (self.folder / "spool").glob("*.spool.db*"))

    def said(self) -> dict[str, Any]:
        """What the worker says of itself, in its mark; empty where there is none."""
        with contextlib.suppress(OSError, ValueError):
            found: dict[str, Any] = json.loads((self.store / "linklag-worker.alive.json").read_text())
            return found
        return {"ingest": {"store_ok": True, "trouble": "", "spool": {"messages": 0, "trouble": ""}}}

    def health(self) -> str:
        """What `linklag health worker` says."""
        command = [sys.executable, "-c", "from service.main import run; run()", "health", "worker"]
        found = subprocess.run(
            [*command, "--data", str(self.store)], capture_output=True, text=True, timeout=60, check=False
        )
        assert found.returncode == 1, found.stdout + found.stderr
        return found.stdout

    def row(self, name: str, *, allowed_loss: int = 0, why: str = "", note: str = "") -> Row:
        """Let all come to rest, and count."""
        self.devices.wait(SETTLE_S)
        self._rest(allowed_loss)
        due = set(self._numbers())
        return Row(
            name=name,
            sent=self.sent,
            stored=self.counted()[1],
            twice=self._twice(),
            allowed_loss=allowed_loss,
            why=why,
            alerts_due=max(1, len(due)),  # in this plant there are some always
            alerts_delivered=len(due & self.delivered()),
            note=note,
            seconds=time.monotonic() - self.began_s,
        )

    def _rest(self, allowed_loss: int) -> None:
        """Until all is stored, rolled up and told; where some may be lost, until nothing more comes for a while."""
        with contextlib.suppress(AssertionError):  # the row then shows what is lacking
            if allowed_loss:
                until_still(self.stored)
            else:
                self.until_stored(self.sent)
            until(lambda: self._twice() == 0, SETTLE_S)
            until(self._all_told, SETTLE_S)

    def _all_told(self) -> bool:
        """Whether alerts occurred, none is still to be judged, and all that was recorded has arrived."""
        numbers = set(self._numbers())
        return bool(numbers) and self.is_judged() and numbers <= self.delivered()

    def is_judged(self) -> bool:
        """Whether all that is stored was looked at for alerts."""
        return not self.query("SELECT count(*) FROM watch_due")

    def _twice(self) -> int:
        """Readings beyond the first of their identity; and by how many the roll-ups count more than there are."""
        rows, distinct = self.counted()
        if not self.is_rolled:
            return rows - distinct
        rolled = self.query("SELECT coalesce(sum(readings), 0) FROM roll_up WHERE resolution_s = 86400")
        return rows - distinct + abs(int(rolled) - rows)

    def _numbers(self) -> list[int]:
        return self.ask("SELECT number FROM alert_transition")

    def delivered(self) -> set[int]:
        """The numbers of the transitions that the receiver got."""
        return {int(got.headers["webhook-id"].split(".")[-2]) for got in list(self.receiver.got)}


def in_store(ask: Ask) -> tuple[int, int]:
    """How many readings are in a store, and how many of them differ by drive and seq."""
    different = "SELECT count(*) FROM (SELECT DISTINCT drive_no, seq FROM reading) AS each_once"
    return ask("SELECT count(*) FROM reading")[0], ask(different)[0]


def row_of(command: Sequence[str], call: str) -> Row:
    """Make a row in a process of its own, which `command` starts Python for; `call` leaves it in `row`."""
    program = f"{call}; import dataclasses, json; print('ROW', json.dumps(dataclasses.asdict(row)))"
    made = subprocess.run([*command, "-c", program], capture_output=True, text=True, timeout=600, check=False)
    if "Operation not permitted" in made.stderr:
        pytest.skip(f"{command[0]} may not do that here: run it as root")
    lines = [line for line in made.stdout.splitlines() if line.startswith("ROW ")]
    assert lines, made.stderr[-3000:]
    return Row(**json.loads(lines[0].removeprefix("ROW ")))


def asking(file: Path) -> Ask:
    """What asks a store in a file, by a connection of its own."""

    def ask(sql: str) -> list[int]:
        with contextlib.closing(sqlite3.connect(f"file:{file}?mode=ro", uri=True, timeout=10)) as connection:
            return [int(value) for (value,) in connection.execute(sql)]

    return ask


@contextmanager
def locked(file: Path) -> Iterator[None]:
    """Keep the store locked, as a program does that writes to it and does not end."""
    with contextlib.closing(sqlite3.connect(file, timeout=30, isolation_level=None)) as connection:
        connection.execute("BEGIN IMMEDIATE")
        yield
        connection.execute("ROLLBACK")


def until_still(count: Callable[[], int], still_s: float = 4.0, timeout_s: float = SETTLE_S) -> None:
    """Until a count has not changed for so long."""
    last, since_s = count(), time.monotonic()
    end_s = since_s + timeout_s
    while time.monotonic() - since_s < still_s and time.monotonic() < end_s:
        time.sleep(0.1)
        now = count()
        if now != last:
            last, since_s = now, time.monotonic()


@contextmanager
def a_plant(
    *,
    store: Path | None = None,
    settings: Mapping[str, str] | None = None,
    spool_after_s: int | None = None,
    spool: Path | None = None,
    host: str = "127.0.0.1",
    within: Sequence[str] = (),
    counted: Callable[[], tuple[int, int]] | None = None,
    server: Server | None = None,
) -> Iterator[Plant]:
    """A plant with its broker running and its store made.

    store: where the store lies, if not in the plant's own folder; spool_after_s: None for no spool; spool: its folder.
    host: of broker and receiver, in a network namespace; within: what starts the worker in another one.
    counted: the readings stored, where they are elsewhere than in the store; see Plant.
    server: where the store is on one.
    """
    with tempfile.TemporaryDirectory(prefix="plant-", dir=IN_MEMORY) as name, a_receiver(host) as receiver:
        folder = Path(name)
        store = store or folder / "store"
        store.mkdir(exist_ok=True)
        ask = server.ask if server else asking(store / "linklag.db")
        made = server.open if server else partial(open_database, f"sqlite:///{store / 'linklag.db'}")
        with contextlib.closing(made()) as database:
            set_up(database, receiver.url)
        environment = QUICK | dict(settings or {}) | dict(server.settings if server else {})
        if server is not None:
            environment["LINKLAG_STORE__FOLDER"] = str(store)
        if spool_after_s is not None:
            environment["LINKLAG_WORKER__SPOOL_FOLDER"] = str(spool or folder / "spool")
            environment["LINKLAG_WORKER__SPOOL_AFTER_S"] = str(spool_after_s)
        environment |= {"LINKLAG_BROKER__HOST": host}
        broker = Mosquitto(folder, host)
        broker.start()
        devices = Devices(broker.port, host)
        worker, web = (
            WorkerProcess(
                broker.port,
                store,
                command=command,
                within=within if command == "worker" else (),
                log=folder / f"{command}.log",
                data=server is None,
                **environment,
            )
            for command in ("worker", "web")
        )
        plant = Plant(
            folder=folder,
            store=store,
            broker=broker,
            receiver=receiver,
            worker=worker,
            web=web,
            devices=devices,
            environment=environment,
            data=server is None,
            ask=ask,
            counted=counted or partial(in_store, ask),
            is_rolled=counted is None,
        )
        try:
            yield plant
        finally:
            devices.close()
            for process in (*plant.others, worker, web):
                process.stop()
            broker.stop()
