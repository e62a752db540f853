"""What every adapter of the port `Outbox` keeps to."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import pytest

from service.core.audit import AuditEntry
from service.core.event import trial_event
from service.core.route import QuietHours, Route, Way, What
from service.core.setpoint import ConditionKind, Priority
from service.ports import ConflictError, Delivery, NotFoundError, Outbox, Outgoing, OutgoingKind
from tests.contracts.given import ALL_STORES, NOON_NS, Ports, S, a_store

pytestmark = pytest.mark.parametrize("kind", ALL_STORES)

A_ROUTE = Route(
    route_id="cmms",
    way=Way.WEBHOOK,
    name="Work orders",
    target="https://cmms.example/hook?key=7",
    secret="whsec_" + "Ab1+" * 8,
    sites=("Lehmgrube", "Ziegelhof"),
    areas=("Kiln",),
    lines=("2",),
    drives=("kiln-feed",),
    kinds=(ConditionKind.NEAR, ConditionKind.AT_LIMIT),
    shifts=("early", "none"),
    least_priority=Priority.MEDIUM,
    what=What.EVERYTHING,
    documents=False,
    digest_min=15,
    quiet=QuietHours(start_min=1320, to_min=360, through=Priority.MEDIUM),
    escalation_after_s=900,
    enabled=False,
    allow_private=True,
)
HOOK = Route(route_id="hook", way=Way.WEBHOOK, target="https://x.example")
AN_ENTRY = AuditEntry(at_ns=NOON_NS, by="A. Kern", what="route added", subject="route hook")


@pytest.fixture
def ports(kind: str) -> Iterator[Ports]:
    with a_store(kind) as store:
        yield store


@pytest.fixture
def outbox(ports: Ports) -> Outbox:
    """An outbox in which route `hook` stands behind transition 10."""
    ports.outbox.add(HOOK, 10)
    return ports.outbox


def out(name: str, lane: str = "d1", *, due_s: float = 0, **more: Any) -> Outgoing:
    values: dict[str, Any] = {
        "kind": OutgoingKind.TRANSITION,
        "route_id": "hook",
        "made_ns": NOON_NS,
        "alert_id": f"{lane}.near",
    }
    return Outgoing(
        lane=lane,
        due_ns=NOON_NS + round(due_s * S),
        event=trial_event("hook", name, NOON_NS, "x"),
        **values | more,
    )


def names(rows: list[Outgoing]) -> list[str]:
    return [each.event.id for each in rows]


def plan(outbox: Outbox, *rows: Outgoing, called_off: tuple[str, ...] = ()) -> None:
    before = outbox.delivery("hook").position
    assert outbox.plan("hook", before=before, position=before + 1, rows=rows, called_off=called_off)


# Routes


def test_a_route_comes_back_with_every_field(outbox: Outbox) -> None:
    outbox.add(A_ROUTE, 0)
    outbox.add(Route(route_id="mqtt", way=Way.MQTT), 0)
    nothing_through = replace(A_ROUTE, route_id="z", quiet=QuietHours(start_min=0, to_min=1, through=None))
    outbox.add(nothing_through, 0)
    assert outbox.routes() == [A_ROUTE, HOOK, Route(route_id="mqtt", way=Way.MQTT), nothing_through]
    assert outbox.route("cmms") == A_ROUTE


def test_the_store_has_a_name_that_stays(outbox: Outbox) -> None:
    assert outbox.instance() == outbox.instance()
    assert len(outbox.instance()) == 16


def test_a_route_is_added_once(outbox: Outbox) -> None:
    with pytest.raises(ConflictError, match="'hook' is there already: change it"):
        outbox.add(HOOK, 5)
    assert outbox.delivery("hook").position == 10


def test_what_is_not_there_is_named(outbox: Outbox) -> None:
    missing = replace(HOOK, route_id="other")
    for ask in (
        lambda: outbox.route("other"),
        lambda: outbox.change(missing),
        lambda: outbox.remove("other"),
        lambda: outbox.delivery("other"),
        lambda: outbox.retry("other"),
        lambda: outbox.drop("other", None, 0),
        lambda: outbox.put([out("a", route_id="other")]),
    ):
        with pytest.raises(NotFoundError, match="no route 'other'"):
            ask()


def test_what_people_change_stands_in_the_audit_log(ports: Ports) -> None:
    box = ports.outbox
    box.add(HOOK, 0, entry=AN_ENTRY)
    box.change(HOOK, entry=replace(AN_ENTRY, what="route changed"))
    box.retry("hook", entry=replace(AN_ENTRY, what="tried again"))
    box.drop("hook", None, 0, entry=replace(AN_ENTRY, what="dropped"))
    box.remove("hook", entry=replace(AN_ENTRY, what="route removed"))
    said = [entry.what for entry in ports.audit_log.entries()]
    assert said == ["route removed", "dropped", "tried again", "route changed", "route added"]


def test_a_route_goes_with_all_that_waits_on_it(outbox: Outbox) -> None:
    plan(outbox, out("a"))
    outbox.remove("hook")
    assert outbox.routes() == []
    assert outbox.deliveries() == []
    outbox.add(HOOK, 3)
    assert outbox.due("hook", NOON_NS) == []
    assert outbox.delivery("hook") == Delivery(route_id="hook", position=3)


# On their way


def test_what_is_planned_comes_back_as_it_was_in_order(outbox: Outbox) -> None:
    rows = [out("a"), out("b", "d2", made_ns=5), out("c")]
    plan(outbox, *rows)
    found = outbox.due("hook", NOON_NS)
    assert [replace(each, row=0) for each in found] == rows
    assert [each.row for each in found] == sorted(each.row for each in found)
    assert names(outbox.due("hook", NOON_NS, rows_max=2)) == ["a", "b"]
    delivery = outbox.delivery("hook")
    assert (delivery.position, delivery.waiting, delivery.held, delivery.oldest_ns) == (11, 3, 0, 5)
    assert outbox.deliveries() == [delivery]


def test_who_comes_second_plans_nothing(outbox: Outbox) -> None:
    assert outbox.plan("hook", before=10, position=12, rows=[out("a")])
    assert not outbox.plan("hook", before=10, position=11, rows=[out("b")], called_off=["d1.near"])
    assert names(outbox.due("hook", NOON_NS)) == ["a"]
    assert not outbox.plan("other", before=0, position=1, rows=[])


def test_nothing_goes_before_what_is_not_due_in_its_lane(outbox: Outbox) -> None:
    plan(outbox, out("a", due_s=10))
    outbox.put([out("b"), out("c", "d2")])
    assert names(outbox.due("hook", NOON_NS)) == ["c"]
    assert names(outbox.due("hook", NOON_NS + 10 * S)) == ["a", "b", "c"]


def test_what_is_planned_takes_along_what_waits_before_it_in_its_lane(outbox: Outbox) -> None:
    plan(outbox, out("a", due_s=100), out("b", "d2", due_s=100), out("c", due_s=50), out("d", due_s=70))
    assert names(outbox.due("hook", NOON_NS + 50 * S)) == ["a", "c"]
    plan(outbox, out("e", due_s=20))
    assert names(outbox.due("hook", NOON_NS + 20 * S)) == ["a", "c", "d", "e"]
    assert names(outbox.due("hook", NOON_NS + 100 * S)) == ["a", "b", "c", "d", "e"]


def test_what_is_called_off_is_dropped_and_what_is_planned_with_it_is_not(outbox: Outbox) -> None:
    plan(outbox, out("a"), out("b", alert_id="other"))
    plan(outbox, out("c"), called_off=("d1.near",))
    assert names(outbox.due("hook", NOON_NS)) == ["b", "c"]


def test_the_same_event_waits_once(outbox: Outbox) -> None:
    document = out("a", "site", kind=OutgoingKind.DOCUMENT)
    assert outbox.put([document, out("b", "site", kind=OutgoingKind.DOCUMENT)]) == 2
    assert outbox.put([document]) == 0
    assert names(outbox.due("hook", NOON_NS)) == ["a", "b"]


def test_tests_are_asked_for_alone(outbox: Outbox) -> None:
    outbox.put([out("t", "test", kind=OutgoingKind.TEST), out("a")])
    assert names(outbox.due("hook", NOON_NS)) == ["a"]
    (test,) = outbox.due("hook", NOON_NS, tests=True)
    assert test.event.id == "t"
    outbox.tested("hook", test.row, "no answer", NOON_NS + S)
    assert outbox.due("hook", NOON_NS, tests=True) == []
    delivery = outbox.delivery("hook")
    assert (delivery.test_ns, delivery.test_error, delivery.failures) == (NOON_NS + S, "no answer", 0)


# What came of it


def test_what_arrived_is_dropped_and_counted_once(outbox: Outbox) -> None:
    plan(outbox, out("a"), out("b"))
    rows = [each.row for each in outbox.due("hook", NOON_NS)]
    outbox.failed("hook", "down", NOON_NS, NOON_NS + S)
    outbox.sent("hook", rows[:1], NOON_NS + 5)
    outbox.sent("hook", rows[:1], NOON_NS + 6)
    assert names(outbox.due("hook", NOON_NS)) == ["b"]
    delivery = outbox.delivery("hook")
    assert (delivery.sent, delivery.success_ns, delivery.failures, delivery.next_try_ns) == (
        1,
        NOON_NS + 6,
        0,
        0,
    )
    assert (delivery.error, delivery.failing_since_ns) == ("", None)


def test_failures_are_counted_since_the_first(outbox: Outbox) -> None:
    outbox.failed("hook", "down", NOON_NS, NOON_NS + S)
    outbox.failed("hook", "still down", NOON_NS + S, NOON_NS + 3 * S)
    delivery = outbox.delivery("hook")
    assert (delivery.failures, delivery.failing_since_ns, delivery.next_try_ns) == (
        2,
        NOON_NS,
        NOON_NS + 3 * S,
    )
    assert (delivery.error, delivery.error_ns) == ("still down", NOON_NS + S)


def test_what_is_refused_stops_its_lane_and_no_other(outbox: Outbox) -> None:
    plan(outbox, out("a"), out("b", "d2"), out("c"))
    first = outbox.due("hook", NOON_NS)[0]
    outbox.refused(first.row, "too large", NOON_NS + 10 * S)
    assert names(outbox.due("hook", NOON_NS)) == ["b"]
    (held,) = outbox.held("hook")
    assert (held.event.id, held.tries, held.error, held.next_try_ns) == (
        "a",
        1,
        "too large",
        NOON_NS + 10 * S,
    )
    assert outbox.delivery("hook").held == 1
    assert names(outbox.due("hook", NOON_NS + 10 * S)) == ["a", "b", "c"]


def test_to_try_again_and_to_change_clear_every_wait_also_of_what_was_gone(outbox: Outbox) -> None:
    ways: list[Callable[[], None]] = [lambda: outbox.retry("hook"), lambda: outbox.change(HOOK)]
    for again in ways:
        outbox.put([out("a")])
        outbox.refused(outbox.due("hook", NOON_NS)[0].row, "no", NOON_NS + 10 * S)
        outbox.failed("hook", "down", NOON_NS, NOON_NS + S)
        outbox.gone("hook", "410 Gone", NOON_NS)
        assert outbox.delivery("hook").off_why == "410 Gone"
        again()
        delivery = outbox.delivery("hook")
        assert (delivery.off_why, delivery.failures, delivery.next_try_ns) == ("", 0, 0)
        assert names(outbox.due("hook", NOON_NS)) == ["a"]


def test_what_waits_is_dropped_by_lane_or_all_of_it_with_what_was_not_looked_at(outbox: Outbox) -> None:
    plan(outbox, out("a"), out("b", "d2"), out("c"))
    assert outbox.drop("hook", "d1", 99) == 2
    assert outbox.delivery("hook").position == 11
    assert outbox.drop("hook", None, 99) == 1
    assert (outbox.delivery("hook").position, outbox.delivery("hook").waiting) == (99, 0)
    assert outbox.drop("hook", None, 5) == 0
    assert outbox.delivery("hook").position == 99
