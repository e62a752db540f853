"""The door `deliver`: what is planned, in which order it goes, and what becomes of what goes wrong."""

import logging
import threading
import time
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC
from typing import Any

import pytest
import structlog
from hypothesis import given
from hypothesis import strategies as st

from service.annunciator import Annunciator
from service.core.alert import Act, Event, Transition
from service.core.drive import Drive
from service.core.event import CloudEvent
from service.core.route import BROKER_ROUTE, QuietHours, Route, Way, What
from service.core.setpoint import ConditionKind, Priority
from service.deliver import (
    WAITING_MAX,
    Deliver,
    DeliverPorts,
    Pace,
    RouteRunner,
    Surroundings,
    digest_id,
)
from service.dispatch import Dispatch
from service.ports import EndpointGoneError, EventRefusedError, NotDeliveredError, NotFoundError
from tests.fakes import FakeRegister
from tests.fakes_alerts import FakeAlertLog
from tests.fakes_outgoing import FakeNotifier, FakeOutbox

S = 1_000_000_000
T_NS = 20_000 * 86_400 * S  # midnight, UTC
HOOK = Route(route_id="hook", way=Way.WEBHOOK, target="https://x.example", what=What.EVERYTHING)
PACE = Pace(look_s=0.01, first_wait_s=2, longest_wait_s=100)


@pytest.fixture(autouse=True)
def _quiet() -> None:
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))


@dataclass
class Bench:
    """One route on fakes, with a clock of its own."""

    route: Route = HOOK
    notifier: FakeNotifier = field(default_factory=FakeNotifier)
    shift: str | None = None
    now_ns: int = T_NS
    public_url: str = ""

    def __post_init__(self) -> None:
        self.alert_log, self.outbox, self.register = FakeAlertLog(), FakeOutbox(), FakeRegister()
        for drive_id in ("d1", "d2"):
            self.register.add_drive(Drive(drive_id=drive_id, site="Lehmgrube"))
        self.outbox.add(self.route, 0)
        self.made = 0
        self.annunciator = Annunciator(self.alert_log)
        self.runner = self.another()

    def another(self) -> RouteRunner:
        """A runner as after a crash: it knows only what is stored."""

        def notifier_for(_route: Route) -> FakeNotifier:
            self.made += 1
            return self.notifier

        ports = DeliverPorts(
            alert_log=self.alert_log,
            outbox=self.outbox,
            register=self.register,
            notifier_for=notifier_for,
            now_ns=lambda: self.now_ns,
            public_url=self.public_url,
        )
        around = Surroundings(shift_at=lambda _site, _t_ns: self.shift)
        return RouteRunner(self.route.route_id, ports, PACE, around)

    def happens(self, event: Event, drive_id: str = "d1", **more: Any) -> Transition:
        values: dict[str, Any] = {"why": "said so", "until_ns": self.now_ns + 3600 * S}
        act = Act(event=event, true_ns=self.now_ns, recorded_ns=self.now_ns, **values | more)
        return self.annunciator.advance(drive_id, ConditionKind.NEAR, act).transition

    def later(self, seconds: float) -> None:
        self.now_ns += round(seconds * S)

    def run(self) -> None:
        while self.runner.step():
            pass

    @property
    def told(self) -> list[tuple[str, str]]:
        """What arrived: drive and event."""
        return [
            (each.data["drive"]["id"], each.data["event"]) if "drive" in each.data else ("", each.type)
            for each in self.notifier.events
        ]


def test_what_is_recorded_arrives_once_and_is_dropped() -> None:
    bench = Bench()
    bench.happens(Event.OCCUR)
    bench.happens(Event.OCCUR, "d2")
    bench.happens(Event.CLEAR)
    bench.run()
    bench.run()
    assert bench.told == [("d1", "occur"), ("d2", "occur"), ("d1", "clear")]
    delivery = bench.outbox.delivery("hook")
    assert (delivery.position, delivery.waiting, delivery.sent, delivery.success_ns) == (3, 0, 3, T_NS)
    assert bench.notifier.rested > 0


def test_more_than_one_look_takes_at_once_all_arrives(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("service.deliver.LOOK_AT", 50)
    bench = Bench()
    for number in range(130):
        bench.happens(Event.CLEAR if number % 2 else Event.OCCUR)
    bench.run()
    assert [each.data["number"] for each in bench.notifier.events] == list(range(1, 131))


def test_a_route_that_gets_nowhere_keeps_a_bounded_stretch_on_its_way_and_loses_nothing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("service.deliver.WAITING_MAX", 10)
    monkeypatch.setattr("service.deliver.LOOK_AT", 5)
    works = False
    bench = Bench(notifier=FakeNotifier(lambda _: None if works else NotDeliveredError("down")))
    for number in range(60):
        bench.happens(Event.CLEAR if number % 2 else Event.OCCUR)
    bench.run()
    assert bench.outbox.delivery("hook").waiting == 10
    works = True
    bench.later(1000)
    bench.run()
    assert [each.data["number"] for each in bench.notifier.events] == list(range(1, 61))
    assert WAITING_MAX == 5_000


# Failures


def test_a_way_that_fails_waits_longer_each_time_and_for_ever_and_shows_it() -> None:
    bench = Bench(notifier=FakeNotifier(lambda _: NotDeliveredError("no answer")))
    bench.happens(Event.OCCUR)
    waits = []
    for _ in range(12):
        bench.runner.step()
        delivery = bench.outbox.delivery("hook")
        waits.append((delivery.next_try_ns - bench.now_ns) / S)
        bench.now_ns = delivery.next_try_ns
    assert [delivery.failures, delivery.error, delivery.failing_since_ns] == [12, "no answer", T_NS]
    for number, wait in enumerate(waits):
        whole = min(100, 2 * 2**number)
        assert whole / 2 <= wait <= whole
    assert bench.outbox.delivery("hook").waiting == 1


def test_nothing_is_tried_before_its_time() -> None:
    tries = []
    bench = Bench(notifier=FakeNotifier(lambda events: tries.append(events) or NotDeliveredError("no")))  # type: ignore[func-returns-value]
    bench.happens(Event.OCCUR)
    bench.run()
    bench.happens(Event.CLEAR)
    bench.run()
    assert len(tries) == 1
    assert bench.outbox.delivery("hook").waiting == 2


def test_a_clock_set_back_holds_up_neither_what_is_due_nor_what_failed() -> None:
    works = False
    bench = Bench(notifier=FakeNotifier(lambda _: None if works else NotDeliveredError("down")))
    bench.happens(Event.OCCUR)
    bench.runner.step()  # planned and tried
    bench.happens(Event.CLEAR)
    bench.runner.step()  # planned
    works = True
    bench.later(-2 * 3600)
    bench.run()
    assert bench.told == [("d1", "occur"), ("d1", "clear")]


@pytest.mark.parametrize(("asked_s", "least_s", "most_s"), [(30, 30, 30), (0, 1, 2), (1e9, 3600, 3600)])
def test_an_endpoint_may_ask_for_a_longer_wait_within_reason(
    asked_s: float, least_s: float, most_s: float
) -> None:
    bench = Bench(notifier=FakeNotifier(lambda _: NotDeliveredError("busy", retry_after_s=asked_s)))
    bench.happens(Event.OCCUR)
    bench.run()
    assert least_s <= (bench.outbox.delivery("hook").next_try_ns - T_NS) / S <= most_s


def test_a_refused_event_holds_up_its_drive_and_no_other() -> None:
    refused = True

    def play(events: Sequence[CloudEvent]) -> Exception | None:
        return EventRefusedError("too large") if refused and events[0].data["number"] == 1 else None

    bench = Bench(notifier=FakeNotifier(play))
    bench.happens(Event.OCCUR)
    bench.happens(Event.CLEAR)
    bench.happens(Event.OCCUR, "d2")
    bench.run()
    assert bench.told == [("d2", "occur")]
    (held,) = bench.outbox.held("hook")
    assert (held.error, held.tries) == ("too large", 1)
    assert bench.outbox.delivery("hook").failures == 0
    refused = False
    bench.later(3)
    bench.run()
    assert bench.told == [("d2", "occur"), ("d1", "occur"), ("d1", "clear")]


def test_a_gone_endpoint_turns_its_route_off_until_somebody_says_so() -> None:
    gone = True
    bench = Bench(notifier=FakeNotifier(lambda _: EndpointGoneError("410 Gone") if gone else None))
    bench.happens(Event.OCCUR)
    bench.run()
    bench.later(10_000)
    bench.happens(Event.CLEAR)
    bench.run()
    delivery = bench.outbox.delivery("hook")
    assert (delivery.off_why, delivery.waiting, delivery.position) == ("410 Gone", 1, 1)
    assert bench.notifier.closed
    gone = False
    bench.outbox.retry("hook")
    bench.run()
    assert bench.told == [("d1", "occur"), ("d1", "clear")]


def test_a_route_that_is_off_looks_at_nothing_and_goes_on_from_where_it_was() -> None:
    bench = Bench(route=replace(HOOK, enabled=False))
    bench.happens(Event.OCCUR)
    bench.run()
    assert bench.told == []
    bench.outbox.change(HOOK)
    bench.run()
    assert bench.told == [("d1", "occur")]


# At least once, in order

PLAYS = st.lists(st.sampled_from(["fine", "fails", "refused", "crash before", "crash after"]), max_size=40)
STEPS = st.lists(st.tuples(st.sampled_from(["d1", "d2"]), st.booleans()), min_size=1, max_size=25)


class CrashError(BaseException):
    """The process is gone at this moment."""


@given(STEPS, PLAYS)
def test_every_event_arrives_in_order_whatever_fails_and_wherever_it_crashes(
    steps: list[tuple[str, bool]], plays: list[str]
) -> None:
    todo = list(plays)
    arrived: list[CloudEvent] = []

    def play(events: Sequence[CloudEvent]) -> Exception | None:
        now = todo.pop(0) if todo else "fine"
        if now == "crash before":
            raise CrashError
        if now == "fails":
            return NotDeliveredError("down")
        if now == "refused":
            return EventRefusedError("no")
        arrived.extend(events)
        if now == "crash after":
            raise CrashError
        return None

    bench = Bench(notifier=FakeNotifier(play))
    for drive_id, look in steps:
        on = bench.alert_log.alert(f"{drive_id}.near")
        bench.happens(Event.CLEAR if on and on.active else Event.OCCUR, drive_id)
        if look:
            run_or_crash(bench)
    for _ in range(len(plays) + 2):
        bench.later(1000)
        run_or_crash(bench)
    firsts = firsts_of(arrived)
    assert sorted(n for each in firsts.values() for n in each) == list(range(1, len(steps) + 1))
    assert all(each == sorted(each) for each in firsts.values())


def firsts_of(arrived: Sequence[CloudEvent]) -> dict[str, list[int]]:
    """The numbers of what arrived by drive, each where it came for the first time."""
    firsts: dict[str, list[int]] = defaultdict(list)
    seen: set[str] = set()
    for event in arrived:
        if event.id not in seen:
            firsts[event.data["drive"]["id"]].append(event.data["number"])
        seen.add(event.id)
    return firsts


def run_or_crash(bench: Bench) -> None:
    try:
        bench.run()
    except CrashError:
        bench.runner = bench.another()


# Filters, digests, quiet hours, escalation


def test_only_what_fits_goes_out_and_all_of_it_was_looked_at() -> None:
    bench = Bench(route=replace(HOOK, drives=("d2",), what=What.ANNUNCIATIONS))
    bench.happens(Event.OCCUR)
    bench.happens(Event.OCCUR, "d2")
    bench.happens(Event.ACKNOWLEDGE, "d2")
    bench.run()
    assert bench.told == [("d2", "occur")]
    assert bench.outbox.delivery("hook").position == 3


def test_a_route_of_a_shift_tells_while_that_shift_is_on() -> None:
    bench = Bench(route=replace(HOOK, shifts=("late",)), shift="early")
    bench.happens(Event.OCCUR)
    bench.run()
    bench.shift = "late"
    bench.happens(Event.CLEAR)
    bench.run()
    assert bench.told == [("d1", "clear")]


def test_a_digest_gathers_and_is_the_same_message_after_a_crash() -> None:
    bench = Bench(route=replace(HOOK, digest_min=10))
    bench.later(60)
    for drive_id in ("d1", "d2"):
        bench.happens(Event.OCCUR, drive_id)
    bench.run()
    assert bench.told == []
    bench.later(500)
    bench.happens(Event.CLEAR)
    bench.run()
    bench.later(60)
    bench.happens(Event.CLEAR, "d2")  # for the next one
    sent = bench.outbox.sent
    bench.outbox.sent = crash  # type: ignore[method-assign, assignment]
    run_or_crash(bench)
    bench.outbox.sent = sent  # type: ignore[method-assign]
    bench.run()
    (first_id, first), (again_id, again) = bench.notifier.messages
    assert [event.data["number"] for event in first] == [1, 2, 3]
    assert (first_id, first) == (again_id, again)
    assert first_id == digest_id(first) != digest_id(first[:2])
    bench.later(600)
    bench.run()
    assert [event.data["number"] for event in bench.notifier.messages[-1][1]] == [4]


def crash(*_: object) -> None:
    raise CrashError


def test_a_refused_digest_waits_as_a_whole() -> None:
    bench = Bench(
        route=replace(HOOK, digest_min=10), notifier=FakeNotifier(lambda _: EventRefusedError("415"))
    )
    bench.happens(Event.OCCUR)
    bench.happens(Event.OCCUR, "d2")
    bench.run()
    bench.later(601)
    bench.run()
    delivery = bench.outbox.delivery("hook")
    assert (delivery.waiting, delivery.failures, delivery.error) == (2, 1, "refused a digest of 2: 415")


def test_what_is_urgent_goes_through_quiet_hours_and_takes_along_what_waits_of_its_drive() -> None:
    bench = Bench(route=replace(HOOK, quiet=QuietHours(start_min=1320, to_min=360, through=Priority.HIGH)))
    bench.happens(Event.OCCUR, "d2")
    bench.happens(Event.OCCUR)
    bench.run()
    assert bench.told == []
    bench.happens(Event.CLEAR)
    bench.happens(Event.OCCUR, priority=Priority.HIGH)
    bench.run()
    assert bench.told == [("d1", "occur"), ("d1", "clear"), ("d1", "occur")]
    bench.later(6 * 3600)
    bench.run()
    assert bench.told[3:] == [("d2", "occur")]


@pytest.mark.parametrize(
    "end", [Event.ACKNOWLEDGE, Event.CLEAR, Event.SHELVE, Event.TAKE_OUT, Event.SUPPRESS]
)
@pytest.mark.parametrize("together", [True, False])
def test_an_escalation_goes_out_unless_it_is_not_needed_any_more(end: Event, *, together: bool) -> None:
    bench = Bench(route=replace(HOOK, escalation_after_s=600))
    bench.happens(Event.OCCUR)
    bench.happens(Event.OCCUR, "d2")
    if not together:
        bench.run()
    bench.later(300)
    bench.happens(end, "d2")
    bench.run()
    assert bench.told == []
    bench.later(300)
    bench.run()
    assert bench.told == [("d1", "occur")]


# Tests of a route, documents


def test_where_the_address_of_the_pages_is_set_events_and_tests_name_their_page() -> None:
    bench = Bench(public_url="https://chains.plant.example")
    bench.happens(Event.OCCUR)
    dispatch = Dispatch(bench.outbox, zone_of=lambda _site: UTC, public_url="https://chains.plant.example")
    dispatch.enqueue_test("hook", bench.now_ns)
    bench.run()
    links = {each.type: each.data["link"] for each in bench.notifier.events}
    assert links == {
        "linklag.route.test": "https://chains.plant.example/routes",
        "linklag.alert.occur": "https://chains.plant.example/alerts/d1.near",
    }


def test_a_test_is_tried_once_at_once_and_its_outcome_is_kept() -> None:
    works = False
    bench = Bench(notifier=FakeNotifier(lambda _: None if works else NotDeliveredError("no answer")))
    dispatch = Dispatch(bench.outbox, zone_of=lambda _site: None)  # type: ignore[arg-type, return-value]
    bench.happens(Event.OCCUR)
    bench.run()
    test_id = dispatch.enqueue_test("hook", bench.now_ns)
    bench.run()
    delivery = bench.outbox.delivery("hook")
    assert (delivery.test_error, delivery.waiting, delivery.failures) == ("no answer", 1, 1)
    works = True
    dispatch.enqueue_test("hook", bench.now_ns)
    bench.run()
    delivery = bench.outbox.delivery("hook")
    assert (delivery.test_error, delivery.test_ns) == ("", bench.now_ns)
    # The way works again: what waited need not wait longer.
    assert bench.told == [("", "linklag.route.test"), ("d1", "occur")]
    assert test_id != bench.notifier.events[0].id
    with pytest.raises(NotFoundError):
        dispatch.enqueue_test("other", bench.now_ns)


def test_a_test_goes_also_by_a_route_that_is_off() -> None:
    bench = Bench(route=replace(HOOK, enabled=False))
    Dispatch(bench.outbox, zone_of=lambda _site: None).enqueue_test("hook", T_NS)  # type: ignore[arg-type, return-value]
    bench.run()
    assert bench.told == [("", "linklag.route.test")]


def test_a_document_goes_by_every_route_of_its_site_and_once_under_its_id() -> None:
    bench = Bench()
    bench.outbox.add(replace(HOOK, route_id="elsewhere", sites=("Ziegelhof",)), 0)
    bench.outbox.add(replace(HOOK, route_id="alerts-only", documents=False), 0)
    dispatch = Dispatch(bench.outbox, zone_of=lambda _site: UTC)
    document: dict[str, Any] = {
        "site": "Lehmgrube",
        "kind": "linklag.handover",
        "subject": "Lehmgrube/early",
        "data": {"title": "Handover", "words": "All runs."},
        "document_id": "handover-7",
        "at_ns": T_NS,
    }
    assert dispatch.enqueue_document(**document) == 1
    assert dispatch.enqueue_document(**document) == 0
    bench.run()
    (event,) = bench.notifier.events
    assert (event.id, event.type, event.subject) == (
        "fakefakefakefake.handover-7",
        "linklag.handover",
        "Lehmgrube/early",
    )
    assert event.data["words"] == "All runs."


# Faults, threads


def test_a_changed_route_gets_another_notifier_and_the_old_one_is_closed() -> None:
    bench = Bench()
    bench.run()
    bench.outbox.change(replace(HOOK, target="https://y.example"))
    bench.run()
    assert (bench.made, bench.notifier.closed) == (2, True)


def test_a_fault_of_our_own_stays_with_its_route_and_is_shown() -> None:
    bench = Bench(notifier=FakeNotifier(lambda _: ZeroDivisionError("bug")))
    bench.happens(Event.OCCUR)
    stop = threading.Event()
    thread = threading.Thread(target=bench.runner.run, args=(stop,))
    thread.start()
    wait_until(lambda: bench.outbox.delivery("hook").failures > 0)
    stop.set()
    thread.join(5)
    assert bench.outbox.delivery("hook").error.startswith("fault in linklag (ZeroDivisionError)")


def test_a_store_that_is_down_is_waited_for() -> None:
    bench = Bench()
    bench.happens(Event.OCCUR)
    bench.outbox.down = "busy"
    stop = threading.Event()
    thread = threading.Thread(target=bench.runner.run, args=(stop,))
    thread.start()
    time.sleep(0.05)
    bench.outbox.down = None
    wait_until(lambda: bench.told)
    stop.set()
    thread.join(5)
    assert bench.notifier.closed


def test_routes_start_and_end_as_they_are_added_and_removed_and_the_broker_has_its_own() -> None:
    bench = Bench()
    ports = bench.runner._ports
    deliver = Deliver(ports, pace=PACE)
    stop = threading.Event()
    thread = threading.Thread(target=deliver.run, args=(stop,))
    thread.start()
    bench.happens(Event.OCCUR)
    wait_until(lambda: bench.told)
    wait_until(lambda: BROKER_ROUTE in [route.route_id for route in bench.outbox.routes()])
    bench.outbox.remove("hook")
    wait_until(lambda: set(deliver._running) == {BROKER_ROUTE})
    stop.set()
    thread.join(5)
    assert not thread.is_alive()
    assert deliver._running == {}


def test_the_route_to_the_broker_goes_where_it_is_not_wanted() -> None:
    bench = Bench()
    bench.outbox.add(Route(route_id=BROKER_ROUTE, way=Way.MQTT), 0)
    Deliver(bench.runner._ports, pace=PACE, to_broker=False)._prepare()
    assert [route.route_id for route in bench.outbox.routes()] == ["hook"]


def wait_until(condition: Callable[[], object], timeout_s: float = 10.0) -> None:
    end_s = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < end_s, "waited in vain"
        time.sleep(0.005)
