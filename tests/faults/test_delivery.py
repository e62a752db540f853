"""Nothing that was recorded is lost on its way out: a real receiver that misbehaves, and a deliverer that is killed."""

import contextlib
import json
import os
import random
import tempfile
import threading
import time
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from cloudevents.v1.http import from_http
from standardwebhooks import Webhook

from service.adapters.database.connect import Database, open_database
from service.core.alert import Act, Alert, Event, advance, applied, begin
from service.core.drive import Drive
from service.core.route import Route, Way, What
from service.core.setpoint import ConditionKind, Facts
from service.set_routes import new_secret
from tests.begun import Begun
from tests.conftest import LONG
from tests.receiver import DOWN, FAILS, FINE, HANGS, RESETS, Got, Receiver, a_receiver

DRIVES = 20
TRANSITIONS, KILLS = (10_000, 10) if LONG else (3_000, 4)
S = 1_000_000_000
WAYS = (FAILS, HANGS, RESETS, DOWN)
FACTS = Facts(cause="Elongation reached the first step.", mend="Order a chain.", value=2.1, u=0.02, unit="%")


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder in memory where there is such a thing: processes are killed here, not the machine."""
    in_memory = "/dev/shm" if Path("/dev/shm").is_dir() else None  # noqa: S108
    with tempfile.TemporaryDirectory(dir=in_memory) as name:
        yield Path(name)


def record_all(database: Database, seed: int) -> None:
    """Record the transitions, alerts occurring and clearing on all drives in turn, in what order the seed says."""
    alerts: dict[str, Alert] = {}
    drives = random.Random(seed)
    for number in range(TRANSITIONS):
        drive_id = f"d{drives.randrange(DRIVES)}"
        alert = alerts.get(drive_id) or begin(drive_id, ConditionKind.NEAR)
        at_ns = time.time_ns()
        event = Event.CLEAR if alert.active else Event.OCCUR
        step = advance(alert, Act(event=event, true_ns=at_ns, recorded_ns=at_ns, facts=FACTS))
        alerts[drive_id] = after = applied(alert, step)
        database.alert_log.record(step, after)
        if number % 50 == 0:
            time.sleep(0.02)  # as they would come, not all at once


@contextmanager
def deliverer(file: Path, log: Path) -> Iterator[Begun]:
    script = str(Path(__file__).with_name("deliver_until_killed.py"))
    with Begun("python", script, str(file), env=os.environ, out=log, err=log) as process:
        yield process


@contextmanager
def misbehaving(receiver: Receiver, stop: threading.Event) -> Iterator[None]:
    """Let a receiver fail in each of the four ways in turn, with health in between, by what came and not by the clock."""

    def play() -> None:
        while not stop.is_set():
            for behaviour in WAYS:
                arrived, failed = len(receiver.got), receiver.failed[behaviour]
                while len(receiver.got) < arrived + TRANSITIONS // 33 and not stop.wait(0.02):
                    pass
                receiver.behaviour = behaviour
                while receiver.failed[behaviour] <= failed and not stop.wait(0.02):
                    pass
                receiver.behaviour = FINE
        receiver.behaviour = FINE

    thread = threading.Thread(target=play, daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join(5)


@pytest.mark.timeout(400)
def test_all_transitions_arrive_in_order_over_kills_and_every_kind_of_failure(
    folder: Path,
) -> None:
    secret = new_secret()
    database = open_database(f"sqlite:///{folder / 'linklag.db'}")
    for number in range(DRIVES):
        database.register.add_drive(Drive(drive_id=f"d{number}", whole_pitches=12))
    seen: set[str] = set()

    def answer(got: Got) -> tuple[int, dict[str, str]]:
        seen.add(got.headers["webhook-id"])
        return 204, {}

    with a_receiver(hang_s=0.5, answer=answer) as receiver:
        route = Route(
            route_id="hook",
            way=Way.WEBHOOK,
            target=receiver.url,
            secret=secret,
            what=What.EVERYTHING,
            allow_private=True,
        )
        database.outbox.add(route, 0)
        recorder = threading.Thread(target=record_all, args=(database, 1), daemon=True)
        stop = threading.Event()
        recorder.start()
        log = folder / "deliverer.log"
        with misbehaving(receiver, stop):
            for kill in range(KILLS):
                with deliverer(folder / "linklag.db", log) as process:
                    enough = (kill + 1) * TRANSITIONS * 0.6 / KILLS  # each runs until some more got through
                    until(lambda want=enough: len(seen) >= want, process, log)
            recorder.join(60)
            with deliverer(folder / "linklag.db", log) as process:
                until(lambda: len(seen) >= TRANSITIONS, process, log)
                until(lambda: database.outbox.delivery("hook").waiting == 0, process, log)
    database.close()
    assert all(receiver.failed[each] >= 4 for each in WAYS), receiver.failed  # it did misbehave
    print(f"{receiver.failed} failed, {len(receiver.got)} arrived")
    check(receiver.got, Webhook(secret))


def until(condition: object, process: Begun, log: Path, timeout_s: float = 300.0) -> None:
    assert callable(condition)
    end_s = time.monotonic() + timeout_s
    while not condition():
        assert process.poll() is None, f"the deliverer ended by itself: {log.read_text()[-3000:]}"
        assert time.monotonic() < end_s, f"waited in vain: {log.read_text()[-3000:]}"
        time.sleep(0.02)


def check(got: list[Got], signs: Webhook) -> None:
    """Every event at least once, in order for each drive, signed, readable by others, and the same under its id."""
    bodies: dict[str, bytes] = {}
    firsts: dict[str, list[int]] = defaultdict(list)
    lasts: dict[str, int] = defaultdict(int)
    for each in got:
        signs.verify(each.body, each.headers)
        event = from_http(each.headers, each.body)
        data = event.get_data()
        assert isinstance(data, dict)
        assert event["id"] == each.headers["webhook-id"]
        drive_id, number = data["drive"]["id"], data["number"]
        assert event["subject"] == f"{drive_id}/near"
        if event["id"] in bodies:
            assert bodies[event["id"]] == each.body
        else:
            assert number > lasts[drive_id]
            firsts[drive_id].append(number)
            lasts[drive_id] = number
        bodies[event["id"]] = each.body
    numbers = [number for of_drive in firsts.values() for number in of_drive]
    assert sorted(numbers) == list(range(1, TRANSITIONS + 1))
    assert all(of_drive == sorted(of_drive) for of_drive in firsts.values())
    assert len({json.loads(body)["id"] for body in bodies.values()}) == TRANSITIONS


def test_a_broken_endpoint_never_delays_another(folder: Path) -> None:
    database = open_database(f"sqlite:///{folder / 'linklag.db'}")
    database.register.add_drive(Drive(drive_id="d0", whole_pitches=12))
    with (
        a_receiver() as works,
        a_receiver(behaviour=HANGS, hang_s=5.0) as hangs,
        contextlib.ExitStack() as stack,
    ):
        for route_id, receiver in (("broken", hangs), ("works", works)):
            database.outbox.add(
                Route(
                    route_id=route_id,
                    way=Way.WEBHOOK,
                    target=receiver.url,
                    secret=new_secret(),
                    allow_private=True,
                ),
                0,
            )
        alert = begin("d0", ConditionKind.NEAR)
        for number in range(100):
            event = Event.CLEAR if number % 2 else Event.OCCUR
            at_ns = time.time_ns()
            step = advance(alert, Act(event=event, true_ns=at_ns, recorded_ns=at_ns))
            alert = applied(alert, step)
            database.alert_log.record(step, alert)
        log = folder / "log"
        process = stack.enter_context(deliverer(folder / "linklag.db", log))
        until(lambda: len(works.got) >= 100 and hangs.asked >= 2, process, log, 20)
        until(lambda: database.outbox.delivery("works").waiting == 0, process, log, 20)
        broken = database.outbox.delivery("broken")
        assert len(works.got) == 100
        assert hangs.got == []
        assert broken.waiting == 100
        assert broken.failures >= 1
        assert broken.failing_since_ns is not None
        assert "no answer within 0.3 s" in broken.error
    database.close()
