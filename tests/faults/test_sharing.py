"""Two processes watch and two deliver, for real: one of each stands still for longer than the others wait, then one of each is killed.

Each step of each drive is recorded once, as one watcher alone records it; each event arrives at least once on each route, in
order, and twice only if it was on its way when a process ended or stood still.
"""

import os
import signal
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from cloudevents.v1.http import from_http

from service.adapters.database.connect import Database, open_database
from service.core.drive import Drive
from service.core.route import Route, Way, What
from service.deliver import DROP_AFTER
from service.ports import StoreUnavailableError
from service.set_routes import new_secret
from tests.begun import Begun
from tests.contracts.given import NOON_NS, Ports, S, fake_ports
from tests.receiver import Got, a_receiver
from tests.test_watch import a_chain, rows
from tests.test_watch_shared import told

DRIVES = [f"d{number}" for number in range(10)]
ROUTES = ("one", "other")
TAKEOVER_S = 2.0
STEPS_PCT = (1.0, 2.2, 2.8, 3.1)


@dataclass
class Plant:
    """A store, and the processes that work on it."""

    folder: Path
    database: Database
    running: dict[str, Begun] = field(default_factory=dict)

    def start(self, command: str, name: str) -> None:
        environ = {
            **os.environ,
            "LINKLAG_STORE__FOLDER": str(self.folder),
            "LINKLAG_WORKER__TAKEOVER_S": str(TAKEOVER_S),
            "LINKLAG_WORKER__WATCH_S": "1",
            "LINKLAG_DELIVER__MQTT": "false",
            "LINKLAG_DELIVER__LOOK_S": "0.1",
            "LINKLAG_HANDOVER__BY_CLOCK": "false",
        }
        log = self.folder / f"{name}.log"
        self.running[name] = Begun("linklag", command, env=environ, out=log, err=log)

    def kill(self, name: str) -> None:
        process = self.running.pop(name)
        process.send_signal(signal.SIGCONT)
        process.kill()
        process.wait(10)

    def stand_still(self, name: str) -> None:
        """Hold a process, though not in the middle of writing: with SQLite nobody could write then."""
        while True:
            self.running[name].send_signal(signal.SIGSTOP)
            try:
                self.database.check()
            except StoreUnavailableError:
                self.running[name].send_signal(signal.SIGCONT)
                time.sleep(0.1)
            else:
                return

    def go_on(self, name: str) -> None:
        self.running[name].send_signal(signal.SIGCONT)

    def parts(self, kind: str) -> dict[str, int]:
        """How many tasks of a kind each process holds, by the names that it has here."""
        names = {process.pid: name for name, process in self.running.items()}
        leases = [each for each in self.database.leases.look()[1] if each.task.startswith(f"{kind}/")]
        return dict(Counter(names.get(int(each.holder.split("/")[2]), "gone") for each in leases))

    def until(self, condition: Callable[[], bool], timeout_s: float = 90.0) -> None:
        end_s = time.monotonic() + timeout_s
        while not condition():
            for name, process in self.running.items():
                assert process.poll() is None, f"{name} ended by itself: {self.log(name)}"
            assert time.monotonic() < end_s, {name: self.log(name)[-1500:] for name in self.running}
            time.sleep(0.05)

    def log(self, name: str) -> str:
        return (self.folder / f"{name}.log").read_text()


@contextmanager
def a_plant() -> Iterator[Plant]:
    in_memory = "/dev/shm" if Path("/dev/shm").is_dir() else None  # noqa: S108
    with tempfile.TemporaryDirectory(dir=in_memory) as name:
        database = open_database(f"sqlite:///{Path(name) / 'linklag.db'}", busy_timeout_s=0.5)
        plant = Plant(Path(name), database)
        try:
            yield plant
        finally:
            for each in list(plant.running):
                plant.kill(each)
            database.close()


def register(ports: Ports | Database) -> None:
    for drive_id in DRIVES:
        ports.register.add_drive(Drive(drive_id=drive_id, whole_pitches=20))
        ports.register.fit_chain(a_chain(drive_id))


def store(ports: Ports | Database, number: int) -> None:
    """What lets each drive reach one step more; the last: each gets a new chain."""
    for drive_id in DRIVES:
        if number == len(STEPS_PCT):
            ports.register.take_off_chain(f"{drive_id}-1", NOON_NS + 40_000 * S, "worn")
            continue
        from_s = 10_000 * number
        ports.readings.store(rows(from_s + 10, from_s + 1010, STEPS_PCT[number], 100, drive_id=drive_id))


def as_one_alone() -> list[Counter[tuple[str, str, str, int]]]:
    """What is recorded after each step of the story by one watcher that nobody disturbs."""
    from service.watch import Watch

    ports = fake_ports()
    register(ports)
    watch = Watch(ports)
    recorded = []
    for number in range(len(STEPS_PCT) + 1):
        store(ports, number)
        watch.turn()
        recorded.append(told(ports))
    return recorded


@pytest.mark.timeout(400)
def test_who_is_killed_or_stands_still_is_replaced_and_nothing_is_told_twice_or_not_at_all() -> None:
    wanted = as_one_alone()
    got: dict[str, list[Got]] = {}
    with a_plant() as plant, a_receiver() as one, a_receiver() as other:
        register(plant.database)
        for route_id, receiver in zip(ROUTES, (one, other), strict=True):
            got[route_id] = receiver.got
            route = Route(
                route_id=route_id,
                way=Way.WEBHOOK,
                target=receiver.url,
                secret=new_secret(),
                what=What.EVERYTHING,
                allow_private=True,
            )
            plant.database.outbox.add(route, 0)
        for number in (1, 2):
            plant.start("watch", f"w{number}")
            plant.start("deliver", f"d{number}")
        plant.until(lambda: plant.parts("watch") == {"w1": 12, "w2": 12})
        plant.until(lambda: plant.parts("delivery") == {"d1": 1, "d2": 1})

        def all_is_told(number: int) -> None:
            plant.until(lambda: told(plant.database) == wanted[number])
            plant.until(lambda: all(arrived(got[each]) == recorded(plant.database) for each in ROUTES))

        for number in (0, 1):
            store(plant.database, number)
        all_is_told(1)

        store(plant.database, 2)
        for name in ("w2", "d2"):
            plant.stand_still(name)
        all_is_told(2)
        plant.until(lambda: plant.parts("watch") == {"w1": 24})
        plant.until(lambda: plant.parts("delivery") == {"d1": 2})

        for name in ("w2", "d2"):
            plant.go_on(name)
        store(plant.database, 3)
        plant.until(lambda: plant.parts("watch") == {"w1": 12, "w2": 12})
        plant.until(lambda: plant.parts("delivery") == {"d1": 1, "d2": 1})
        all_is_told(3)

        store(plant.database, 4)
        plant.kill("w1")
        plant.kill("d1")
        all_is_told(4)
        plant.until(lambda: plant.parts("watch") == {"w2": 24})
        plant.until(lambda: plant.parts("delivery") == {"d2": 2})
        numbers = recorded(plant.database)
    for route_id in ROUTES:
        twice = check(got[route_id], numbers)
        print(f"route {route_id}: {len(numbers)} events, {twice} of them twice")
        assert twice <= 2 * (DROP_AFTER + 1)  # one that stood still, and one kill


def recorded(database: Database) -> set[int]:
    return {each.number for each in database.alert_log.after(0)}


def number_of(each: Got) -> tuple[str, int]:
    event = from_http(each.headers, each.body)
    data = event.get_data()
    assert isinstance(data, dict)
    return data["drive"]["id"], data["number"]


def arrived(got: list[Got]) -> set[int]:
    return {number_of(each)[1] for each in list(got)}


def check(got: list[Got], numbers: set[int]) -> int:
    """All arrived, each for the first time in the order of its drive; return how often one came again."""
    firsts: dict[str, list[int]] = defaultdict(list)
    seen: set[int] = set()
    for each in got:
        drive_id, number = number_of(each)
        if number not in seen:
            firsts[drive_id].append(number)
        seen.add(number)
    assert seen == numbers
    assert all(of_drive == sorted(of_drive) for of_drive in firsts.values())
    return len(got) - len(seen)
