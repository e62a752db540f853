"""Drives that fall silent together, over many looks: one is told in the place of all, and somebody always is."""

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import pytest

from service.annunciator import Annunciator
from service.core.alert import Act, Event
from service.core.route import Route, Way
from service.core.setpoint import ConditionKind, Override, Priority, Scope
from service.core.work import Work, WorkKind
from service.ports import DeviceState
from service.set_routes import new_secret
from tests.contracts.given import NOON_NS, S
from tests.test_watch import Plant, a_plant, a_reading, add, rows, stopped

K = ConditionKind
FIVE = "abcde"
SILENT_S = 1000  # since about then


def a_plant_gone_silent(drives: str = FIVE, apart_s: float = 1, **settings_of_drive: Any) -> Plant:
    """A plant whose drives' last batches end one after the other."""
    plant = a_plant(*drives, **{"site": "Yard", "area": "Hall 1"} | settings_of_drive)
    for number, drive_id in enumerate(drives):
        plant.store(*rows(number * apart_s, SILENT_S + number * apart_s, 1.0, 100, drive_id=drive_id))
    return plant


def turns(plant: Plant, from_s: int, to_s: int, every_s: int = 10) -> None:
    for at_s in range(from_s, to_s, every_s):
        plant.turn(at_s)


def annunciated(plant: Plant, kind: ConditionKind = K.NO_READING) -> list[str]:
    """The drives whose alert of a kind asks for somebody now."""
    names = (each.drive_id for each in plant.ports.register.drives())
    return [each for each in names if plant.state(kind, each) == "unacknowledged"]


def asked_for(plant: Plant) -> list[str]:
    """The drives for whose silence anybody was ever asked, in turn."""
    return [
        each.drive_id
        for each in plant.ports.alert_log.after(0)
        if each.annunciates and each.kind in {K.NO_READING, K.DEVICE_OFFLINE}
    ]


def act(plant: Plant, drive_id: str, event: Event, **more: Any) -> None:
    done = Act(event=event, by="M. Brandt", true_ns=plant.now_ns, recorded_ns=plant.now_ns, **more)
    Annunciator(plant.ports.alert_log).advance(drive_id, K.NO_READING, done)


def set_for(plant: Plant, drive_id: str, **more: Any) -> None:
    plant.ports.setpoints.put(
        Override(
            scope=Scope.DRIVE,
            name=drive_id,
            kind=K.NO_READING,
            why="a test",
            by="M. Brandt",
            at_ns=NOON_NS,
            **more,
        )
    )


def cause_of(plant: Plant, drive_id: str, kind: ConditionKind = K.NO_READING) -> str:
    (occurred,) = [
        each
        for each in plant.ports.alert_log.after(0, drive_id=drive_id)
        if each.act.event is Event.OCCUR and each.kind is kind
    ]
    assert occurred.act.facts is not None
    return occurred.act.facts.cause


def send(plant: Plant, drives: Iterable[str], at_s: int) -> None:
    for drive_id in drives:
        plant.store(a_reading(at_s, 1.0, drive_id=drive_id))


def test_of_drives_that_fell_silent_together_one_is_told_in_the_place_of_all() -> None:
    plant = a_plant_gone_silent()
    add(plant, "f", site="Yard", area="Hall 1")
    for at_s in range(1010, 3100, 5):
        send(plant, "f", at_s)
        plant.turn(at_s)
    assert annunciated(plant) == ["a"] == asked_for(plant)
    assert {plant.state(K.NO_READING, each) for each in "bcde"} == {"suppressed_by_design"}
    assert plant.told("f") == []
    assert "4 other drives fell silent with it" in cause_of(plant, "a")


def test_another_site_has_its_own_and_few_are_each_told() -> None:
    plant = a_plant_gone_silent()
    for drives, site in (("uvwxy", "Kiln works"), ("pq", "Clay pit")):
        for drive_id in drives:
            add(plant, drive_id, site=site, area="Hall 1")
            plant.store(*rows(0, SILENT_S, 1.0, 100, drive_id=drive_id))
    turns(plant, 1010, 2500)
    assert sorted(annunciated(plant)) == ["a", "p", "q", "u"]


def test_by_each_route_that_takes_any_of_them_one_is_told() -> None:
    """An area's own people hear of it, and who takes two drives only hears of each."""
    plant = a_plant_gone_silent()
    for drive_id in "uvwxyz":
        add(plant, drive_id, site="Yard", area="Hall 2")
        plant.store(*rows(0, SILENT_S, 1.0, 100, drive_id=drive_id))
    for route in (
        Route(route_id="all", way=Way.WEBHOOK, target="https://a.plant.example/all", secret=new_secret()),
        Route(route_id="hall", way=Way.WEBHOOK, target="https://a.plant.example/hall", secret=new_secret(), areas=("Hall 2",)),
        Route(route_id="two", way=Way.WEBHOOK, target="https://a.plant.example/two", secret=new_secret(), drives=("d", "e")),
        Route(route_id="off", way=Way.WEBHOOK, target="https://a.plant.example/off", secret=new_secret(), drives=("a",), enabled=False),
    ):  # fmt: skip
        plant.ports.outbox.add(route, 0)
    turns(plant, 1010, 2500)
    told = annunciated(plant)
    assert sorted(told) == ["a", "b", "c", "d", "e", "u"]


def test_a_watcher_that_begins_while_many_are_silent_tells_no_more_of_them() -> None:
    plant = a_plant_gone_silent()
    turns(plant, 1010, 2500)
    before = plant.ports.alert_log.newest_number()
    plant.watch = plant.another()
    turns(plant, 2510, 3500)
    assert annunciated(plant) == ["a"]
    assert plant.ports.alert_log.newest_number() == before


def test_drives_that_come_back_one_after_the_other_are_never_told_meanwhile() -> None:
    plant = a_plant_gone_silent()
    turns(plant, 1010, 2500)
    for number, drive_id in enumerate(FIVE):
        for at_s in range(2500 + 60 * number, 2560 + 60 * number, 10):
            send(plant, FIVE[: number + 1], at_s)
            plant.turn(at_s + 5)
        assert plant.state(K.NO_READING, drive_id).endswith(("normal", "returned_unacknowledged"))
    assert asked_for(plant) == ["a"]


def test_what_was_kept_over_an_outage_and_comes_late_tells_nobody_anew() -> None:
    """Each device sends what it kept, oldest first, so that all stay silent for long and no two since the same time."""
    plant = a_plant_gone_silent()
    turns(plant, 1010, 9000, 60)
    for step in range(1, 25):
        for number, drive_id in enumerate(FIVE):
            plant.store(a_reading(1100 + step * (150 + 37 * number), 1.0, drive_id=drive_id))
        plant.turn(9000 + 10 * step)
    assert asked_for(plant) == ["a"]


def test_who_does_not_come_back_with_the_others_is_told_after_ten_minutes() -> None:
    plant = a_plant_gone_silent()
    turns(plant, 1010, 2500)
    for at_s in range(2520, 3700, 20):
        send(plant, "abc", at_s)
        plant.turn(at_s + 5)
        if at_s < 3080:
            assert annunciated(plant) == []
    assert annunciated(plant) == ["d"]
    assert plant.state(K.NO_READING, "e") == "suppressed_by_design"


def test_a_watcher_that_begins_while_they_come_back_tells_nobody_at_once() -> None:
    plant = a_plant_gone_silent()
    turns(plant, 1010, 2500)
    for at_s in range(2510, 2600, 10):
        send(plant, "abcd", at_s)
        plant.turn(at_s + 5)
    plant.watch = plant.another()
    for at_s in range(2610, 3100, 10):
        send(plant, "abcd", at_s)
        plant.turn(at_s + 5)
    assert asked_for(plant) == ["a"]


@pytest.mark.parametrize("hold", [Event.TAKE_OUT, Event.SHELVE])
def test_who_was_shelved_or_out_of_service_before_is_told_for_nobody(hold: Event) -> None:
    plant = a_plant_gone_silent()
    plant.at(1005)
    act(plant, "a", hold, until_ns=plant.now_ns + 7 * 86_400 * S, why="its device is rebuilt")
    turns(plant, 1010, 2500)
    assert annunciated(plant) == ["b"]


def test_a_drive_whose_sensors_were_taken_off_is_told_for_nobody() -> None:
    plant = a_plant_gone_silent("bcdef")
    add(plant, "a", site="Yard", area="Hall 1", whole_pitches=None)
    plant.store(*rows(0, SILENT_S - 10, 1.0, 100, drive_id="a"))
    turns(plant, 1010, 2500)
    assert annunciated(plant) == ["b"]
    assert "4 other drives" in cause_of(plant, "b")


def test_a_drive_that_always_fails_is_told_for_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    plant = a_plant_gone_silent("abcdef")
    real = type(plant.watch)._clock

    def bad(self: Any, registered: Any, *rest: Any, **more: Any) -> Any:
        if registered.drive.drive_id == "a":
            raise RuntimeError("a bug")
        return real(self, registered, *rest, **more)

    monkeypatch.setattr(type(plant.watch), "_clock", bad)
    turns(plant, 1010, 2500, 490)
    assert annunciated(plant) == ["b"]


def test_one_of_a_higher_priority_is_told_beside_one_of_a_lower() -> None:
    plant = a_plant_gone_silent()
    for drive_id in "de":
        set_for(plant, drive_id, priority=Priority.HIGH)
    turns(plant, 1010, 2500)
    assert annunciated(plant) == ["a", "d"]


def test_one_that_was_acknowledged_before_the_others_fell_silent_is_told_for_nobody() -> None:
    plant = a_plant_gone_silent("bcdef")
    add(plant, "a", site="Yard", area="Hall 1")
    set_for(plant, "a", value=60.0)
    plant.store(*rows(0, SILENT_S - 90, 1.0, 10, drive_id="a"))
    turns(plant, 900, 990)
    act(plant, "a", Event.ACKNOWLEDGE)
    turns(plant, 1010, 2500)
    assert asked_for(plant) == ["a", "b"]


def lock_out(plant: Plant, drive_id: str) -> None:
    plant.ports.work_in_hand.open(
        Work(
            drive_id=drive_id, kind=WorkKind.LOCKED_OUT, since_ns=plant.now_ns, by="M. Brandt", why="cleaning", recorded_ns=plant.now_ns
        ),
        entry=None,
    )  # fmt: skip


def test_somebody_else_is_told_where_the_one_that_was_is_worked_on() -> None:
    plant = a_plant_gone_silent()
    turns(plant, 1010, 2500)
    lock_out(plant, "a")
    turns(plant, 2510, 3300)
    assert plant.state(K.NO_READING, "a") == "suppressed_by_design"
    assert annunciated(plant) == ["b"]


def test_who_is_worked_on_from_the_first_is_told_for_nobody() -> None:
    plant = a_plant_gone_silent("abcdef")
    plant.at(1005)
    lock_out(plant, "a")
    turns(plant, 1010, 2500)
    assert annunciated(plant) == ["b"]
    assert "4 other drives" in cause_of(plant, "b")


def test_drives_that_stood_when_their_last_batch_came_make_nobody_many() -> None:
    plant = a_plant("a", *"bcde", site="Yard", area="Hall 1")
    plant.store(*rows(0, SILENT_S, 1.0, 100, drive_id="a"))
    for drive_id in "bcde":
        plant.store(*(replace(each, drive_id=drive_id, chain_id=f"{drive_id}-1") for each in stopped(0, 960)))
    turns(plant, 1010, 2500)
    assert annunciated(plant) == ["a"]
    assert "other drives" not in cause_of(plant, "a")


@pytest.mark.parametrize("apart_s", [0, 1, 23, 29])
def test_devices_that_go_offline_together_are_told_as_one(apart_s: int) -> None:
    plant = a_plant_gone_silent()
    plant.turn(1010)
    gone = [
        DeviceState(drive_id=each, online=False, since_ns=NOON_NS + (1050 + apart_s * number) * S)
        for number, each in enumerate(FIVE)
    ]
    for at_s in range(1050, 3100, 10):
        plant.ports.devices.note([each for each in gone if each.since_ns <= NOON_NS + at_s * S])
        plant.turn(at_s)
    assert annunciated(plant, K.DEVICE_OFFLINE) == ["a"]
    assert {plant.state(K.DEVICE_OFFLINE, each) for each in "bcde"} == {"suppressed_by_design"}
    assert annunciated(plant) == []
    assert "4 other drives" in cause_of(plant, "a", K.DEVICE_OFFLINE)
