"""The contracts of `PlannedStops`, `Supplies` and `DutyPlans`, held over the database and over the fakes."""

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest

from service.core.audit import AuditEntry
from service.core.duty import DutyPlan
from service.core.planned_stop import PlannedStop
from service.core.supply import Supply, SupplyScope
from service.ports import KeptDutyPlan, NotFoundError, StoreUnavailableError
from tests.contracts.given import A_DRIVE, ALL_STORES, DAY_NS, NOON_NS, Ports, S, a_store, fake_ports

A_STOP = PlannedStop(
    name="Summer shutdown",
    site="Talheim",
    area="Presses",
    line="3",
    starts_ns=NOON_NS + 30 * DAY_NS,
    ends_ns=NOON_NS + 44 * DAY_NS,
    note="Two weeks;\nboilers off",
    by="H. Brandt",
    recorded_ns=NOON_NS,
)
A_SUPPLY = Supply(
    scope=SupplyScope.DRIVE,
    name="press-3",
    lead_days=28,
    margin_days=5,
    chain_price=840.5,
    change_price=320.0,
    stop_hour_price=900.25,
    currency="EUR",
    unplanned_h=4.5,
    ambient_low_c=-2.5,
    ambient_high_c=31.0,
    centre_distance_mm=1250.5,
    stock_number="K 4711",
    why="offer of May",
    by="H. Brandt",
    at_ns=NOON_NS + S,
)
A_PLAN = KeptDutyPlan(
    drive_id="press-3",
    plan=DutyPlan(hours_by_weekday=(16.0, 16.0, 16.0, 16.0, 15.5, 0.0, 0.25), clock_per_hour=4321.5),
    why="third shift ends",
    by="H. Brandt",
    at_ns=NOON_NS + 2 * S,
)
AN_ENTRY = AuditEntry(at_ns=NOON_NS, by="H. Brandt", what="stop planned", subject="planned stop 1")


@pytest.fixture(params=ALL_STORES)
def ports(request: pytest.FixtureRequest) -> Iterator[Ports]:
    with a_store(request.param) as store:
        store.register.add_drive(A_DRIVE)
        yield store


def test_a_new_store_holds_none_and_was_never_changed(ports: Ports) -> None:
    assert ports.planned_stops.stops() == []
    assert ports.supplies.supplies() == []
    assert ports.duty_plans.plans() == []
    for port in (ports.planned_stops, ports.supplies, ports.duty_plans):
        assert port.changed_ns() == 0


# Stops


def test_a_stop_comes_back_with_every_field_and_a_number(ports: Ports) -> None:
    stored = ports.planned_stops.add(A_STOP)
    assert stored.number > 0
    assert stored == replace(A_STOP, number=stored.number)
    assert ports.planned_stops.stops() == [stored]
    assert ports.planned_stops.stop(stored.number) == stored


def test_stops_come_by_start_and_those_that_are_over_can_be_left_out(ports: Ports) -> None:
    late = ports.planned_stops.add(replace(A_STOP, starts_ns=A_STOP.starts_ns + S))
    early = ports.planned_stops.add(A_STOP)
    over = ports.planned_stops.add(replace(A_STOP, starts_ns=NOON_NS - DAY_NS, ends_ns=NOON_NS))
    assert ports.planned_stops.stops() == [over, early, late]
    assert ports.planned_stops.stops(NOON_NS - 1) == [over, early, late]
    assert ports.planned_stops.stops(NOON_NS) == [early, late]


def test_a_stop_is_changed_in_its_place(ports: Ports) -> None:
    stored = ports.planned_stops.add(A_STOP)
    changed = replace(stored, name="August", site="", note="", recorded_ns=NOON_NS + 5 * S)
    ports.planned_stops.change(changed)
    assert ports.planned_stops.stops() == [changed]
    assert ports.planned_stops.changed_ns() == NOON_NS + 5 * S


def test_the_number_of_a_stop_that_went_never_comes_again(ports: Ports) -> None:
    first = ports.planned_stops.add(A_STOP)
    ports.planned_stops.remove(first.number, NOON_NS + 9 * S)
    assert ports.planned_stops.stops() == []
    assert ports.planned_stops.changed_ns() == NOON_NS + 9 * S
    assert ports.planned_stops.add(A_STOP).number > first.number


def test_a_stop_that_is_not_there_is_told(ports: Ports) -> None:
    with pytest.raises(NotFoundError, match="no planned stop 7"):
        ports.planned_stops.stop(7)
    with pytest.raises(NotFoundError, match="no planned stop 7"):
        ports.planned_stops.remove(7, NOON_NS, entry=AN_ENTRY)
    with pytest.raises(NotFoundError, match="no planned stop 7"):
        ports.planned_stops.change(replace(A_STOP, number=7), entry=AN_ENTRY)
    assert ports.audit_log.entries() == []
    assert ports.planned_stops.changed_ns() == 0


# Supply


def test_supply_comes_back_with_every_field_set_or_not(ports: Ports) -> None:
    bare = Supply(scope=SupplyScope.SITE, name="", lead_days=0, by="x", at_ns=0)
    ports.supplies.put(bare)
    ports.supplies.put(A_SUPPLY)
    assert ports.supplies.supplies() == [bare, A_SUPPLY]


def test_supply_comes_from_site_to_drive_then_by_name(ports: Ports) -> None:
    for scope in (SupplyScope.DESIGNATION, SupplyScope.SITE, SupplyScope.CLASS):
        for name in ("b", "a"):
            ports.supplies.put(Supply(scope=scope, name=name, lead_days=1, by="x", at_ns=0))
    found = [(each.scope, each.name) for each in ports.supplies.supplies()]
    scopes = (SupplyScope.SITE, SupplyScope.CLASS, SupplyScope.DESIGNATION)
    assert found == [(scope, name) for scope in scopes for name in ("a", "b")]


def test_what_is_set_again_takes_the_place_of_what_was(ports: Ports) -> None:
    ports.supplies.put(A_SUPPLY)
    again = Supply(scope=A_SUPPLY.scope, name=A_SUPPLY.name, margin_days=3, by="x", at_ns=NOON_NS)
    ports.supplies.put(again)
    assert ports.supplies.supplies() == [again]


def test_supply_that_is_taken_back_is_gone_and_cannot_be_taken_back_twice(ports: Ports) -> None:
    ports.supplies.put(A_SUPPLY)
    ports.supplies.remove(A_SUPPLY.scope, A_SUPPLY.name, NOON_NS + 9 * S)
    assert ports.supplies.supplies() == []
    assert ports.supplies.changed_ns() == NOON_NS + 9 * S
    with pytest.raises(NotFoundError, match="nothing is set for drive 'press-3'"):
        ports.supplies.remove(A_SUPPLY.scope, A_SUPPLY.name, NOON_NS + 10 * S)
    assert ports.supplies.changed_ns() == NOON_NS + 9 * S


# Duty


def test_a_duty_plan_comes_back_with_every_hour(ports: Ports) -> None:
    ports.duty_plans.put(A_PLAN)
    assert ports.duty_plans.plan("press-3") == A_PLAN
    assert ports.duty_plans.plans() == [A_PLAN]
    second = replace(A_PLAN, plan=DutyPlan(hours_by_weekday=(24.0,) * 7), why="")
    ports.duty_plans.put(second)
    assert ports.duty_plans.plans() == [second]


def test_a_duty_plan_needs_a_drive(ports: Ports) -> None:
    with pytest.raises(NotFoundError, match="press-9"):
        ports.duty_plans.put(replace(A_PLAN, drive_id="press-9"), entry=AN_ENTRY)
    assert ports.duty_plans.plan("press-9") is None
    assert ports.audit_log.entries() == []
    with pytest.raises(NotFoundError, match="no duty is planned"):
        ports.duty_plans.remove("press-3", NOON_NS)


def test_a_duty_plan_that_is_taken_back_is_gone(ports: Ports) -> None:
    ports.duty_plans.put(A_PLAN)
    ports.duty_plans.remove("press-3", NOON_NS + 9 * S)
    assert ports.duty_plans.plan("press-3") is None
    assert ports.duty_plans.changed_ns() == NOON_NS + 9 * S


# All


def test_the_last_change_is_not_put_back_with_the_clock(ports: Ports) -> None:
    ports.duty_plans.put(replace(A_PLAN, at_ns=NOON_NS))
    ports.duty_plans.put(replace(A_PLAN, at_ns=NOON_NS - DAY_NS))
    assert ports.duty_plans.changed_ns() == NOON_NS


def test_each_change_brings_its_entry_of_the_audit_log(ports: Ports) -> None:
    stop = ports.planned_stops.add(A_STOP, entry=replace(AN_ENTRY, what="1"))
    ports.planned_stops.change(stop, entry=replace(AN_ENTRY, what="2"))
    ports.planned_stops.remove(stop.number, NOON_NS, entry=replace(AN_ENTRY, what="3"))
    ports.supplies.put(A_SUPPLY, entry=replace(AN_ENTRY, what="4"))
    ports.supplies.remove(A_SUPPLY.scope, A_SUPPLY.name, NOON_NS, entry=replace(AN_ENTRY, what="5"))
    ports.duty_plans.put(A_PLAN, entry=replace(AN_ENTRY, what="6"))
    ports.duty_plans.remove("press-3", NOON_NS, entry=replace(AN_ENTRY, what="7"))
    assert [each.what for each in ports.audit_log.entries()] == list("7654321")


@pytest.mark.parametrize("name", ["planned_stops", "supplies", "duty_plans"])
def test_a_fake_that_is_down_says_so(name: str) -> None:
    port: Any = getattr(fake_ports(), name)
    port.down = "the disk is full"
    with pytest.raises(StoreUnavailableError, match="full"):
        port.changed_ns()
