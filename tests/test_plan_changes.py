"""The door of the plan of changes: facts from the store, and what people say that the plan rests on."""

from dataclasses import replace
from datetime import date
from typing import Any

import pytest

from service.core.drive import Chain, Drive
from service.core.duty import DutyPlan
from service.core.fields import FieldsRefusedError
from service.core.planned_stop import PlannedStop
from service.core.prognosis import Outcome
from service.core.replacement import Answer
from service.core.shift import Site
from service.core.sprocket import Place, Sprocket
from service.core.supply import Supply, SupplyScope
from service.foretell import Foretell
from service.plan_changes import Asked, PlanChanges
from service.ports import KeptDutyPlan, NotFoundError
from tests.contracts.given import A_HAND_VALUE, DAY_NS, NOON_NS, Ports, S, a_reading, fake_ports
from tests.foretold import kept

NOW_NS = NOON_NS
BY = "H. Brandt"


@pytest.fixture
def ports() -> Ports:
    return fake_ports()


@pytest.fixture
def door(ports: Ports) -> PlanChanges:
    return PlanChanges(ports)


def add(ports: Ports, drive_id: str, middle: float | None = 100.0, **more: Any) -> None:
    """A drive with a chain of 900 days, and a forecast about `middle` days from now."""
    ports.register.add_drive(
        Drive(drive_id=drive_id, whole_pitches=20, driver_teeth=19, driven_teeth=57, **more)
    )
    ports.register.fit_chain(
        Chain(
            chain_id=f"{drive_id}-a",
            drive_id=drive_id,
            designation="16B-1",
            pitch_mm=25.4,
            pitches_in_loop=98,
            fitted_ns=NOW_NS - 900 * DAY_NS,
        )
    )
    if middle is not None:
        ports.prognoses.keep([kept(drive_id, middle, NOW_NS)])


def a_stop(days: float, **more: Any) -> PlannedStop:
    start_ns = NOW_NS + round(days * DAY_NS)
    values: dict[str, Any] = {"name": "August", "by": BY, "recorded_ns": NOW_NS, **more}
    return PlannedStop(starts_ns=start_ns, ends_ns=start_ns + DAY_NS, **values)


def supply(scope: SupplyScope = SupplyScope.SITE, name: str = "", **more: Any) -> Supply:
    return Supply(scope=scope, name=name, by=BY, at_ns=NOW_NS, **more)


# Asked


def test_the_plan_puts_forecast_stop_and_supply_together(ports: Ports, door: PlanChanges) -> None:
    add(ports, "press-3", site="Talheim")
    door.put_supply(supply(name="Talheim", lead_days=14, margin_days=6))
    stop = door.add_stop(a_stop(60, site="Talheim"))
    plan = door.plan(Asked(), now_ns=NOW_NS)
    [change] = plan.changes
    assert change.change_by == date(2026, 11, 29)  # 80 days on
    assert change.stop == stop
    assert change.order_by == date(2026, 10, 20)  # 60 days on, less 20
    assert [each.stop for each in plan.stops] == [stop]


def test_a_forecast_of_another_chain_counts_for_nothing(ports: Ports, door: PlanChanges) -> None:
    add(ports, "press-3")
    ports.register.take_off_chain("press-3-a", NOW_NS - DAY_NS, "worn")
    ports.register.fit_chain(
        Chain(
            chain_id="press-3-b", drive_id="press-3", designation="16B-1", pitch_mm=25.4, fitted_ns=NOW_NS - S
        )
    )
    [change] = door.plan(Asked(), now_ns=NOW_NS).changes
    assert change.answer is Answer.NO_FORECAST
    assert change.change_by is None


def test_a_chain_measured_over_its_limit_is_due_without_a_forecast(ports: Ports, door: PlanChanges) -> None:
    add(ports, "by-sensors", None)
    add(ports, "sound", None)
    add(ports, "by-hand", None)
    ports.readings.store(
        [
            replace(a_reading(-1, 3.2), drive_id="by-sensors", chain_id="by-sensors-a"),
            replace(a_reading(-1, 1.0), drive_id="sound", chain_id="sound-a"),
        ]
    )
    tight = replace(
        A_HAND_VALUE,
        drive_id="by-hand",
        chain_id="by-hand-a",
        measured_ns=NOW_NS - 2 * S,
        recorded_ns=NOW_NS,
        length_mm=1.04 * A_HAND_VALUE.length_mm,
    )
    ports.hand_values.record(tight)
    ports.hand_values.record(
        replace(tight, tight=False, measured_ns=NOW_NS - S, length_mm=A_HAND_VALUE.length_mm)
    )
    plan = door.plan(Asked(), now_ns=NOW_NS).changes
    assert {each.drive.drive_id: each.answer for each in plan} == {
        "by-sensors": Answer.NOW,
        "by-hand": Answer.NOW,
        "sound": Answer.NO_FORECAST,
    }
    assert plan[-1].drive.drive_id == "sound"
    assert door.change_of("by-sensors", now_ns=NOW_NS).answer is Answer.NOW


def test_what_is_due_comes_first_and_what_has_no_date_stays_listed(ports: Ports, door: PlanChanges) -> None:
    add(ports, "a", None)
    add(ports, "b", 300)
    add(ports, "c", 100)
    ports.prognoses.keep([kept("a", 1, NOW_NS, outcome=Outcome.NO_TREND_YET)])
    changes = door.plan(Asked(), now_ns=NOW_NS).changes
    assert [each.drive.drive_id for each in changes] == ["c", "b", "a"]
    assert changes[2].answer is Answer.NO_TREND_YET
    assert changes[2].change_by is None


def test_only_what_is_asked_about_is_planned_but_sets_reach_beyond(ports: Ports, door: PlanChanges) -> None:
    add(ports, "left", 300, site="Talheim", line="3", strand_group="pair")
    add(ports, "right", 100, site="Talheim", line="4", strand_group="pair")
    [left] = door.plan(Asked(site="Talheim", line="3"), now_ns=NOW_NS).changes
    assert left.leads == "right"
    assert left.change_by == date(2026, 11, 29)


def test_days_are_those_of_the_clocks_of_the_site(ports: Ports, door: PlanChanges) -> None:
    """80 days after noon of 10 September UTC is past midnight in Auckland, and a day later there."""
    add(ports, "press-3", site="Auckland")
    ports.sites.put(Site(site="Auckland", zone="Pacific/Auckland"))
    [change] = door.plan(Asked(), now_ns=NOW_NS).changes
    assert change.change_by == date(2026, 11, 30)


def test_a_supposed_stop_is_one_of_every_site_and_is_not_stored(ports: Ports, door: PlanChanges) -> None:
    add(ports, "a", 100, site="Talheim")
    add(ports, "b", 100, site="Auckland")
    add(ports, "c", 100)
    ports.sites.put(Site(site="Auckland", zone="Pacific/Auckland"))
    plan = door.plan(Asked(stop_on=date(2026, 11, 20)), now_ns=NOW_NS)
    assert [each.needed_on for each in plan.changes] == [date(2026, 11, 20)] * 3
    assert len(plan.stops) == 3
    assert door.planned_stops() == []


def test_one_drive_comes_with_order_list_and_costs(ports: Ports, door: PlanChanges) -> None:
    add(ports, "press-3")
    ports.sprockets.fit(
        Sprocket(
            drive_id="press-3",
            place=Place.DRIVER,
            teeth=19,
            fitted_ns=NOW_NS - 2000 * DAY_NS,
            recorded_ns=NOW_NS,
            by=BY,
        )
    )
    door.put_supply(supply(lead_days=14, ambient_low_c=5.0, ambient_high_c=25.0))
    found = door.of_drive("press-3", now_ns=NOW_NS)
    assert found.order is not None
    assert found.steps is not None
    assert found.order.length.pitches == 98
    assert found.order.oil.grade == 100
    assert found.steps.cautions
    assert "not set" in found.costs.missing
    door.put_supply(
        supply(
            SupplyScope.DRIVE,
            "press-3",
            chain_price=800.0,
            stop_hour_price=900.0,
            unplanned_h=4.0,
            currency="EUR",
        )
    )
    assert door.of_drive("press-3", now_ns=NOW_NS).costs.rows


def test_the_change_of_one_drive_is_that_of_the_whole_plan(ports: Ports, door: PlanChanges) -> None:
    add(ports, "left", 300, site="Talheim", strand_group="pair")
    add(ports, "right", 100, site="Talheim", strand_group="pair")
    add(ports, "alone", 200, site="Talheim")
    add(ports, "untold", None)
    for drive_id in ("left", "right", "alone", "untold"):
        assert door.change_of(drive_id, now_ns=NOW_NS) == door.of_drive(drive_id, now_ns=NOW_NS).change
    ports.register.retire_drive("alone", NOW_NS)
    with pytest.raises(NotFoundError, match="retired"):
        door.change_of("alone", now_ns=NOW_NS)


def test_a_drive_that_is_not_there_or_retired_is_told(ports: Ports, door: PlanChanges) -> None:
    with pytest.raises(NotFoundError, match="press-9"):
        door.of_drive("press-9", now_ns=NOW_NS)
    add(ports, "press-3")
    ports.register.retire_drive("press-3", NOW_NS)
    with pytest.raises(NotFoundError, match="retired"):
        door.of_drive("press-3", now_ns=NOW_NS)
    with pytest.raises(ValueError, match="risk"):
        door.plan(Asked(risk=0.9), now_ns=NOW_NS)


# Said by people


def test_what_holds_for_nobody_is_refused_and_changes_nothing(ports: Ports, door: PlanChanges) -> None:
    add(ports, "press-3", site="Talheim", drive_class="feed")
    with pytest.raises(FieldsRefusedError, match="no drive stands in Elsewhere"):
        door.add_stop(a_stop(1, site="Elsewhere"))
    with pytest.raises(NotFoundError, match="class 'fead'"):
        door.put_supply(supply(SupplyScope.CLASS, "fead", lead_days=1))
    with pytest.raises(NotFoundError, match="press-9"):
        door.put_supply(supply(SupplyScope.DRIVE, "press-9", lead_days=1))
    with pytest.raises(NotFoundError, match="press-9"):
        door.put_duty(
            KeptDutyPlan(drive_id="press-9", plan=DutyPlan(hours_by_weekday=(1.0,) * 7), by=BY, at_ns=NOW_NS)
        )
    assert (door.planned_stops(), door.supplies(), door.duty_plans()) == ([], [], [])
    assert ports.audit_log.entries() == []
    assert door.changed_ns() == 0


def test_every_change_is_in_the_audit_log_with_old_new_and_why(ports: Ports, door: PlanChanges) -> None:
    add(ports, "press-3")
    stop = door.add_stop(a_stop(60), why="agreed")
    door.change_stop(replace(stop, name="September", recorded_ns=NOW_NS + S))
    door.remove_stop(stop.number, at_ns=NOW_NS + 2 * S, by=BY, why="off")
    door.put_supply(supply(lead_days=14))
    door.put_supply(supply(lead_days=15, why="new offer"))
    door.remove_supply(SupplyScope.SITE, "", at_ns=NOW_NS, by=BY, why="no more")
    plan = KeptDutyPlan(drive_id="press-3", plan=DutyPlan(hours_by_weekday=(16.0,) * 7), by=BY, at_ns=NOW_NS)
    door.put_duty(plan)
    door.put_duty(replace(plan, plan=DutyPlan(hours_by_weekday=(8.0,) * 7)))
    door.remove_duty("press-3", at_ns=NOW_NS + 3 * S, by=BY)
    entries = ports.audit_log.entries()[::-1]
    assert [each.what for each in entries] == [
        "stop planned",
        "planned stop changed",
        "planned stop removed",
        "supply set",
        "supply changed",
        "supply removed",
        "duty planned",
        "duty plan changed",
        "duty plan removed",
    ]
    assert dict(entries[1].old) == {"name": "August"}
    assert dict(entries[1].new) == {"name": "September"}
    assert (dict(entries[4].old), dict(entries[4].new)) == ({"lead_days": 14}, {"lead_days": 15})
    assert entries[4].why == "new offer"
    assert dict(entries[7].new) == {"hours_by_weekday": ", ".join(["8.0"] * 7)}
    assert door.changed_ns() == NOW_NS + 3 * S


def test_what_is_not_there_cannot_be_taken_back(ports: Ports, door: PlanChanges) -> None:
    add(ports, "press-3")
    with pytest.raises(NotFoundError):
        door.remove_stop(7, at_ns=NOW_NS, by=BY)
    with pytest.raises(NotFoundError):
        door.change_stop(replace(a_stop(1), number=7))
    with pytest.raises(NotFoundError):
        door.remove_supply(SupplyScope.SITE, "", at_ns=NOW_NS, by=BY)
    with pytest.raises(NotFoundError):
        door.remove_duty("press-3", at_ns=NOW_NS, by=BY)
    assert ports.audit_log.entries() == []


def test_a_forecast_says_that_it_goes_by_what_people_plan(ports: Ports, door: PlanChanges) -> None:
    add(ports, "press-3", None)
    hours = DutyPlan(hours_by_weekday=(16.0,) * 5 + (0.0, 0.0))
    door.put_duty(KeptDutyPlan(drive_id="press-3", plan=hours, by=BY, at_ns=NOW_NS))
    door.add_stop(a_stop(60))
    foretell = Foretell(ports, now_ns=lambda: NOW_NS)
    told = foretell.foretell("press-3")
    assert told is not None
    assert told.document["duty"] == {"hours_a_week": 80.0, "planned": True, "weeks": 0.0, "stops": 1}
