"""What one process does is left alone by the others: each door looks first whether a task is its own."""

import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field

import pytest

from service.adapters.database.connect import Database
from service.annunciator import Annunciator
from service.core.alert import Act, Event
from service.core.drive import Drive
from service.core.event import CloudEvent
from service.core.route import BROKER_ROUTE, Route, Way, What
from service.core.setpoint import ConditionKind
from service.deliver import DROP_AFTER, Deliver, DeliverPorts, Pace, RouteRunner, Surroundings
from service.fold_maps import FoldMaps
from service.foretell import Foretell
from service.hand_over import HandOver
from service.ingest import Housekeeper
from service.ports import Lease, LeaseLostError, Outbox
from service.share_tasks import SharedTask, ShareTasks
from tests.contracts.given import Ports, S, an_empty_database, fake_ports
from tests.fakes_outgoing import FakeNotifier

AFTER_S = 12.0
ROUTE = Route(route_id="hook", way=Way.WEBHOOK, target="https://x.example", what=What.EVERYTHING)
EVENTS = DROP_AFTER + 10


class Told:
    """A task that is another's, or becomes ours, as a test says."""

    def __init__(self) -> None:
        self.ours = False
        self.asked = 0
        self.lose = False

    @contextmanager
    def turn(self) -> Iterator[Sequence[Lease]]:
        self.asked += 1
        if self.lose:
            raise LeaseLostError(["it"])
        yield [Lease(task="it", holder="we", term=1)] if self.ours else []

    def goes_on(self) -> bool:
        return self.ours


def run_until_asked(task: Told, run: Callable[[threading.Event], None], times: int = 3) -> None:
    """Let a door run until it has asked so often whether the task is its own."""
    stop = threading.Event()
    begun, asked = task.asked, threading.Event()

    class Waiting(threading.Event):
        """A stop that does not wait."""

        def wait(self, timeout: float | None = None) -> bool:
            del timeout
            if task.asked >= begun + times:
                asked.set()
                self.set()
            return self.is_set()

    stop = Waiting()
    thread = threading.Thread(target=run, args=(stop,), daemon=True)
    thread.start()
    assert asked.wait(20)
    thread.join(20)


Doing = Callable[[Ports, Told, list[str]], Callable[[threading.Event], None]]


def housekeeping(ports: Ports, task: Told, done: list[str]) -> Callable[[threading.Event], None]:
    keeper = Housekeeper(ports.readings, keep_days={}, task=task)
    keeper.roll_up = lambda stop=None: done.append(f"rolled up until {stop}") or 0  # type: ignore[method-assign, func-returns-value]
    return keeper.run


def folding(ports: Ports, task: Told, done: list[str]) -> Callable[[threading.Event], None]:
    door = FoldMaps(
        ports.raw_batches, ports.readings, ports.register, ports.chain_maps, task=task, now_ns=lambda: 0
    )
    door.fold_drive = lambda drive_id: done.append(drive_id) or 0  # type: ignore[method-assign, func-returns-value]
    return lambda stop: door.run(stop, 1.0)


def foretelling(ports: Ports, task: Told, done: list[str]) -> Callable[[threading.Event], None]:
    door = Foretell(ports, task=task)
    turn = door.turn
    door.turn = lambda every_s, **more: done.append("told") or turn(every_s, **more)  # type: ignore[method-assign, func-returns-value]
    return lambda stop: door.run(stop, 1.0)


def handing_over(ports: Ports, task: Told, done: list[str]) -> Callable[[threading.Event], None]:
    door = HandOver(ports)
    door.freeze_due = lambda *_, **__: done.append("frozen") or []  # type: ignore[method-assign, func-returns-value]
    return lambda stop: door.run(stop, 1.0, after_s=0, now_ns=lambda: 0, task=task)


@pytest.mark.parametrize("doing", [housekeeping, folding, foretelling, handing_over])
def test_nothing_is_done_of_a_task_that_another_process_has_and_all_once_it_is_ours(doing: Doing) -> None:
    ports, task, done = fake_ports(), Told(), list[str]()
    ports.register.add_drive(Drive(drive_id="d1"))
    run = doing(ports, task, done)
    run_until_asked(task, run)
    assert done == []
    task.lose = True  # it is lost in the middle of a turn: the door goes on to ask
    run_until_asked(task, run)
    task.lose, task.ours = False, True
    run_until_asked(task, run)
    assert done


def test_who_does_not_foretell_reads_what_another_told() -> None:
    ports, task = fake_ports(), Told()
    door = Foretell(ports, task=task)
    asked: list[str] = []
    newest = ports.prognoses.newest
    ports.prognoses.newest = lambda *_: asked.append("newest") or newest()  # type: ignore[method-assign, func-returns-value]
    for _ in range(2):
        run_until_asked(task, lambda stop: door.run(stop, 1.0), times=1)
        door.forecast_of("c", 0)
        door.forecast_of("c", 0)
    assert asked == ["newest", "newest"]


# Deliveries


@dataclass
class Sender:
    """A process that delivers, over a store that is really fenced."""

    share: ShareTasks
    runner: RouteRunner
    got: list[str] = field(default_factory=list)
    within: Callable[[], None] | None = None  # called once a message has arrived, before that is noted

    def run(self) -> None:
        while self.runner.step():
            pass


class Bench:
    """One store with one route, and processes that deliver."""

    def __init__(self, database: Database) -> None:
        self.database, self.now_s = database, 0.0
        database.register.add_drive(Drive(drive_id="d1"))
        database.outbox.add(ROUTE, 0)

    def happens(self) -> None:
        annunciator = Annunciator(self.database.alert_log)
        for number in range(EVENTS):
            event = Event.CLEAR if number % 2 else Event.OCCUR
            annunciator.advance(
                "d1", ConditionKind.NEAR, Act(event=event, why="so", true_ns=S, recorded_ns=S)
            )

    def sender(self, name: str) -> Sender:
        share = ShareTasks(
            self.database.leases,
            name,
            {"delivery": lambda: ["delivery/hook"]},
            after_s=AFTER_S,
            monotonic_s=lambda: self.now_s,
        )

        def task_of(route_id: str) -> tuple[SharedTask, Outbox]:
            task = share.task("delivery", f"delivery/{route_id}")
            return task, self.database.fenced(task.in_use).outbox

        def send(events: Sequence[CloudEvent]) -> Exception | None:
            made.got.extend(each.id for each in events)
            within, made.within = made.within, None
            if within is not None:
                within()
            return None

        notifier = FakeNotifier(send)
        ports = DeliverPorts(
            alert_log=self.database.alert_log,
            outbox=self.database.outbox,
            register=self.database.register,
            notifier_for=lambda _route: notifier,
            now_ns=lambda: 2 * S,
            task_of=task_of,
        )
        made = Sender(share, RouteRunner("hook", ports, Pace(look_s=0.01), Surroundings()))
        return made

    def numbers(self) -> list[str]:
        return [
            f"{self.database.outbox.instance()}-{each.number}" for each in self.database.alert_log.after(0)
        ]


@pytest.fixture
def bench() -> Iterator[Bench]:
    with an_empty_database() as database:
        yield Bench(database)


def test_only_who_has_the_route_delivers(bench: Bench) -> None:
    one, other = bench.sender("a"), bench.sender("b")
    one.share.turn()
    other.share.turn()
    bench.happens()
    other.run()
    assert other.got == []
    one.run()
    assert len(one.got) == EVENTS
    other.run()
    assert other.got == []


def test_who_stands_still_while_it_sends_sends_nothing_more_and_the_other_goes_on(bench: Bench) -> None:
    """What was on its way just then comes twice, and so does what had arrived and was not noted yet; the rest comes once."""
    one, other = bench.sender("a"), bench.sender("b")
    one.share.turn()
    bench.happens()

    def stand_still() -> None:
        for _ in range(10):
            bench.now_s += AFTER_S / 6
            other.share.turn()
        other.run()

    one.within = stand_still
    with pytest.raises(LeaseLostError):
        one.run()
    assert len(one.got) == 1
    assert len(other.got) == EVENTS
    assert one.got == other.got[:1]
    assert bench.database.outbox.delivery("hook").sent == EVENTS
    one.run()
    assert len(one.got) == 1


def test_a_route_that_is_gone_ends_its_thread_in_every_process(bench: Bench) -> None:
    one, other = bench.sender("a"), bench.sender("b")
    one.share.turn()
    bench.database.outbox.remove("hook")
    for each in (one, other):
        thread = threading.Thread(target=each.runner.run, args=(threading.Event(),), daemon=True)
        thread.start()
        thread.join(20)
        assert not thread.is_alive()


def test_two_processes_that_begin_together_add_the_route_to_the_broker_once(bench: Bench) -> None:
    """The second finds it there, though it was not when it looked."""
    stop = threading.Event()
    database = bench.database
    routes = database.outbox.routes
    looked: list[int] = []

    def late_routes() -> list[Route]:
        found = routes()
        looked.append(len(found))
        if len(looked) == 1:
            Deliver(ports, pace=Pace(look_s=0.01))._prepare()  # the other process, in between
        if len(looked) > 4:
            stop.set()
        return found

    ports = DeliverPorts(
        alert_log=database.alert_log,
        outbox=database.outbox,
        register=database.register,
        notifier_for=lambda _route: FakeNotifier(),
    )
    database.outbox.routes = late_routes  # type: ignore[method-assign]
    Deliver(ports, pace=Pace(look_s=0.01)).run(stop)
    assert [each.route_id for each in routes()] == ["hook", BROKER_ROUTE]
