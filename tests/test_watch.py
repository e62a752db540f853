"""The clock ticks: nothing is missed, told twice or told while it is suppressed, whatever comes late or fails meanwhile."""

import contextlib
import random
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from service.annunciator import Annunciator
from service.core.alert import (
    Act,
    Annunciation,
    Event,
    Hold,
    NotAllowedError,
    Transition,
    alert_id_of,
    begin,
    replay,
)
from service.core.commission import BRACKET_TOUCHED, note_line
from service.core.condition import Forecast
from service.core.drive import Chain, Drive
from service.core.hand import HandMethod, HandValue
from service.core.not_measured import NotMeasured
from service.core.reading import Reading
from service.core.setpoint import RULES, STEPS, ConditionKind, Override, Priority, Scope
from service.core.work import Work, WorkKind
from service.ports import DeviceState, SavedEvaluation, Span, StoreUnavailableError
from service.watch import Watch, by_of
from tests.contracts.given import A_BASELINE, NOON_NS, Ports, S, fake_ports
from tests.core.test_condition import a_reading as plain

K = ConditionKind
DAY_NS = 86_400 * S


@dataclass(slots=True)
class Plant:
    """A store of fakes, a clock that is set, and who watches."""

    ports: Ports
    now_ns: int = NOON_NS

    def __post_init__(self) -> None:
        self.watch = self.another()

    watch: Watch = None  # type: ignore[assignment]

    def another(self, **more: Any) -> Watch:
        return Watch(self.ports, now_ns=lambda: self.now_ns, **more)

    def at(self, at_s: float) -> None:
        self.now_ns = NOON_NS + round(at_s * S)

    def turn(self, at_s: float | None = None) -> None:
        if at_s is not None:
            self.at(at_s)
        self.watch.turn()

    def store(self, *readings: Reading) -> None:
        self.ports.readings.store(readings)

    def told(self, drive_id: str = "a") -> list[tuple[str, str, int]]:
        """What was recorded of a drive: kind, event and the second of its own time."""
        return [
            (str(each.kind), str(each.act.event), (each.act.true_ns - NOON_NS) // S)
            for each in self.ports.alert_log.after(0, drive_id=drive_id)
        ]

    def state(self, kind: ConditionKind, drive_id: str = "a") -> str:
        alert = self.ports.alert_log.alert(alert_id_of(drive_id, kind))
        return "none" if alert is None else alert.state

    def act(self, kind: ConditionKind, event: Event, **more: Any) -> None:
        act = Act(event=event, by="M. Brandt", true_ns=self.now_ns, recorded_ns=self.now_ns, **more)
        Annunciator(self.ports.alert_log).advance("a", kind, act)


def a_plant(*drive_ids: str, **settings_of_drive: Any) -> Plant:
    plant = Plant(fake_ports())
    for drive_id in drive_ids or ("a",):
        add(plant, drive_id, **settings_of_drive)
    return plant


def add(plant: Plant, drive_id: str, **settings_of_drive: Any) -> None:
    plant.ports.register.add_drive(Drive(drive_id=drive_id, **{"whole_pitches": 20, **settings_of_drive}))
    plant.ports.register.fit_chain(a_chain(drive_id))


def a_chain(drive_id: str, name: str = "1", fitted_ns: int = NOON_NS - DAY_NS) -> Chain:
    return Chain(
        chain_id=f"{drive_id}-{name}",
        drive_id=drive_id,
        designation="16B-1",
        pitch_mm=25.4,
        fitted_ns=fitted_ns,
    )


def a_reading(
    at_s: float, pct: float | None = None, reason: NotMeasured | None = None, drive_id: str = "a", **more: Any
) -> Reading:
    """A reading that ends so many seconds after noon."""
    found = plain(NOON_NS / S + at_s, pct, reason, **more)
    t_ns = NOON_NS + round(at_s * S)
    return replace(
        found,
        drive_id=drive_id,
        chain_id=more.get("chain_id", f"{drive_id}-1"),
        t_ns=t_ns,
        t0_ns=t_ns - 10 * S,
        seq=0,
    )


def rows(from_s: float, to_s: float, pct: float, every_s: float = 120, **more: Any) -> list[Reading]:
    return [a_reading(from_s + n * every_s, pct, **more) for n in range(round((to_s - from_s) / every_s) + 1)]


def stopped(from_s: float, to_s: float, every_s: float = 120) -> list[Reading]:
    return [
        a_reading(from_s + n * every_s, reason=NotMeasured.STOPPED)
        for n in range(round((to_s - from_s) / every_s) + 1)
    ]


def silent(from_s: float, to_s: float, every_s: float = 10) -> list[Reading]:
    return [
        a_reading(from_s + n * every_s, reason=NotMeasured.SENSOR_SILENT)
        for n in range(round((to_s - from_s) / every_s) + 1)
    ]


# Elongation


def test_each_step_is_told_once_as_a_chain_wears_and_only_the_highest_stands() -> None:
    plant = a_plant()
    for n, pct in enumerate((1.0, 2.2, 2.8, 3.1)):
        plant.store(*rows(10_000 * n + 10, 10_000 * n + 1010, pct, 100))
        plant.turn(10_000 * n + 1020)
    occurred = [each for each in plant.told() if each[1] == "occur"]
    assert [(kind, at_s) for kind, _, at_s in occurred] == [
        ("approaching", 10_610), ("near", 20_610), ("at_limit", 30_610)
    ]  # fmt: skip
    assert [plant.state(kind) for kind in STEPS] == [
        "suppressed_by_design", "suppressed_by_design", "unacknowledged",
    ]  # fmt: skip
    annunciated = [each for each in plant.ports.alert_log.after(0) if each.annunciates]
    assert [each.kind for each in annunciated] == list(STEPS)
    assert [each.priority for each in annunciated] == [Priority.LOW, Priority.MEDIUM, Priority.HIGH]


def test_what_is_at_the_limit_from_the_first_is_told_once() -> None:
    plant = a_plant()
    plant.store(*rows(0, 1000, 3.2, 100))
    plant.turn(1010)
    annunciated = [each.kind for each in plant.ports.alert_log.after(0) if each.annunciates]
    assert annunciated == [K.AT_LIMIT]


def test_a_new_chain_clears_all_steps_at_the_time_it_was_fitted() -> None:
    plant = a_plant()
    plant.store(*rows(0, 1000, 3.2, 100))
    plant.turn(1010)
    plant.act(K.AT_LIMIT, Event.ACKNOWLEDGE)
    plant.ports.register.take_off_chain("a-1", NOON_NS + 2000 * S, "worn")
    plant.ports.register.fit_chain(a_chain("a", "2", NOON_NS + 3000 * S))
    plant.turn(4000)
    assert {plant.state(kind) for kind in STEPS} == {"normal"}
    assert {each for each in plant.told() if each[1] == "clear"} == {(str(k), "clear", 2000) for k in STEPS}


def test_a_chain_whose_date_is_entered_late_takes_back_what_was_told_of_the_old_one() -> None:
    plant = a_plant()
    plant.store(*rows(0, 500, 1.0, 100), *rows(5000, 7000, 2.2, 100))
    plant.turn(7010)
    assert plant.state(K.APPROACHING) == "unacknowledged"
    plant.ports.register.take_off_chain("a-1", NOON_NS + 4000 * S, "worn")
    plant.ports.register.fit_chain(a_chain("a", "2", NOON_NS + 4500 * S))
    plant.turn(7020)
    assert plant.state(K.APPROACHING) == "returned_unacknowledged"
    last = plant.ports.alert_log.after(0)[-1]
    assert (last.act.event, "not so" in last.act.why) == (Event.CLEAR, True)


def by_hand(at_s: float, pct: float) -> HandValue:
    return HandValue(
        drive_id="a", chain_id="a-1", measured_ns=NOON_NS + round(at_s * S), recorded_ns=NOON_NS + round(at_s * S),
        recorded_by="M. Brandt", method=HandMethod.RULE, pitches=48, length_mm=48 * 25.4 * (1 + pct / 100),
        length_u_mm=0.5, pitch_mm=25.4, tight=True,
    )  # fmt: skip


def test_a_drive_without_sensors_is_told_of_by_measurements_by_hand_and_misses_no_readings() -> None:
    plant = a_plant(whole_pitches=None)
    plant.ports.hand_values.record(by_hand(100, 2.3))
    plant.turn(200)
    assert plant.told() == [("approaching", "occur", 100)]
    plant.turn(40 * 86_400)
    assert len(plant.told()) == 1


def test_other_limits_and_setpoints_count_at_once() -> None:
    plant = a_plant()
    plant.store(*rows(0, 1000, 2.0, 100))
    plant.turn(1010)
    assert plant.told() == []
    plant.ports.setpoints.put(
        Override(scope=Scope.DRIVE, name="a", kind=K.APPROACHING, value=60.0, why="?", by="x", at_ns=NOON_NS)
    )
    plant.turn(1020)
    assert plant.told() == [("approaching", "occur", 1020)]
    drive = plant.ports.register.drive("a")
    plant.ports.register.change_drive(replace(drive, own_limit_pct=1.9))
    plant.turn(1030)
    assert plant.state(K.AT_LIMIT) == "unacknowledged"
    plant.ports.setpoints.put(
        Override(scope=Scope.DRIVE, name="a", kind=K.AT_LIMIT, enabled=False, why="?", by="x", at_ns=NOON_NS)
    )
    plant.turn(1040)
    assert plant.state(K.AT_LIMIT) == "suppressed_by_design"  # nobody is asked for what is no more
    assert plant.state(K.NEAR) == "unacknowledged"  # the highest that stands now


# Suppression by design


def test_a_stop_keeps_quiet_about_the_sensing_and_not_about_the_chain() -> None:
    plant = a_plant()
    plant.store(*rows(0, 1000, 2.2, 100), *silent(1010, 1100))
    plant.turn(1110)
    assert (plant.state(K.SENSING_FAILED), plant.state(K.APPROACHING)) == ("unacknowledged", "unacknowledged")
    plant.store(*stopped(1120, 3000))
    plant.turn(3010)
    assert (plant.state(K.SENSING_FAILED), plant.state(K.APPROACHING)) == (
        "suppressed_by_design", "unacknowledged",
    )  # fmt: skip
    plant.store(*silent(3020, 3040))
    plant.turn(3050)
    assert plant.state(K.SENSING_FAILED) == "unacknowledged"
    assert sum(each.annunciates for each in plant.ports.alert_log.of_alert("a.sensing_failed")) == 2


def test_what_was_acknowledged_does_not_come_back_each_morning() -> None:
    plant = a_plant()
    plant.store(*silent(0, 100))
    plant.turn(110)
    plant.act(K.SENSING_FAILED, Event.ACKNOWLEDGE)
    for day in range(1, 6):
        at_s = day * 86_400
        plant.store(*stopped(at_s - 40_000, at_s - 30_000, 500))
        plant.turn(at_s - 29_000)
        assert plant.state(K.SENSING_FAILED) == "suppressed_by_design"
        plant.store(*silent(at_s, at_s + 100))
        plant.turn(at_s + 110)
        assert plant.state(K.SENSING_FAILED) == "acknowledged"
    assert sum(each.annunciates for each in plant.ports.alert_log.of_alert("a.sensing_failed")) == 1


@pytest.mark.parametrize("kind", [WorkKind.LOCKED_OUT, WorkKind.COMMISSIONING])
def test_while_somebody_works_on_the_drive_its_sensing_is_not_told(kind: WorkKind) -> None:
    plant = a_plant()
    work = plant.ports.work_in_hand.open(
        Work(drive_id="a", kind=kind, since_ns=NOON_NS, by="x", why="?", recorded_ns=NOON_NS)
    )
    plant.store(*silent(0, 100))
    plant.turn(110)
    assert plant.state(K.SENSING_FAILED) == "suppressed_by_design"
    plant.ports.work_in_hand.close(
        replace(work, closed_ns=NOON_NS + 200 * S, closed_by="x", closed_why="done", closed_recorded_ns=NOON_NS + 200 * S)
    )  # fmt: skip
    plant.turn(210)
    assert plant.state(K.SENSING_FAILED) == "unacknowledged"


def test_a_bracket_that_was_touched_keeps_quiet_until_the_baseline() -> None:
    plant = a_plant(note=note_line(NOON_NS - S, "x", BRACKET_TOUCHED))
    plant.store(*silent(0, 100))
    plant.turn(110)
    assert plant.state(K.SENSING_FAILED) == "suppressed_by_design"
    plant.ports.register.record_baseline(
        replace(A_BASELINE, chain_id="a-1", taken_ns=NOON_NS + 120 * S, recorded_ns=NOON_NS + 120 * S)
    )
    plant.turn(130)
    assert plant.state(K.SENSING_FAILED) == "unacknowledged"


def test_no_reading_is_told_of_a_drive_that_ran_and_not_beside_an_offline_device() -> None:
    plant = a_plant()
    plant.store(*rows(0, 1000, 1.0, 100))
    plant.turn(1500)
    assert plant.told() == []
    plant.turn(2000)
    assert plant.told() == [("no_reading", "occur", 1900)]
    plant.ports.devices.note([DeviceState(drive_id="a", online=False, since_ns=NOON_NS + 1005 * S)])
    plant.turn(2010)
    assert plant.state(K.DEVICE_OFFLINE) == "unacknowledged"
    assert plant.state(K.NO_READING) == "suppressed_by_design"
    plant.store(*rows(3000, 3100, 1.0, 100))
    plant.ports.devices.note([DeviceState(drive_id="a", online=True, since_ns=NOON_NS + 2990 * S)])
    plant.turn(3110)
    assert plant.state(K.NO_READING) == "normal"
    assert plant.state(K.DEVICE_OFFLINE) == "returned_unacknowledged"


def test_a_drive_that_was_switched_off_standing_is_not_told_to_be_silent() -> None:
    plant = a_plant()
    plant.store(*stopped(0, 1000))
    plant.turn(60_000)
    assert plant.state(K.NO_READING) == "suppressed_by_design"
    assert not [each for each in plant.ports.alert_log.after(0) if each.annunciates]


def test_a_shelf_ends_when_its_time_is_over() -> None:
    plant = a_plant()
    plant.store(*rows(0, 1000, 2.2, 100))
    plant.turn(1010)
    plant.act(K.APPROACHING, Event.SHELVE, why="ordered", until_ns=NOON_NS + 5000 * S)
    plant.turn(4000)
    assert plant.state(K.APPROACHING) == "shelved"
    plant.turn(5001)
    assert plant.state(K.APPROACHING) == "unacknowledged"
    last = plant.ports.alert_log.after(0)[-1]
    assert (last.act.event, last.act.true_ns, last.annunciates) == (
        Event.SHELF_ENDS,
        NOON_NS + 5000 * S,
        True,
    )


# Strands


def test_the_longest_of_strands_that_work_side_by_side_is_told() -> None:
    plant = a_plant("a", "b", strand_group="feed", site="Talheim")
    add(plant, "c", strand_group="feed", site="Other")
    for hour in range(4):
        for drive_id, pct in (("a", 1.5), ("b", 1.0), ("c", 0.1)):
            plant.store(*rows(3600 * hour + 10, 3600 * hour + 3500, pct, 600, drive_id=drive_id))
        plant.turn(3600 * hour + 3550)
    assert [each[:2] for each in plant.told("a")] == [("strands_apart", "occur")]
    assert plant.told("b") == plant.told("c") == []


def test_what_comes_late_of_one_strand_is_minded_at_the_other() -> None:
    plant = a_plant("a", "b", strand_group="feed")
    plant.store(*rows(10, 4 * 3600 + 600, 1.5, 600))
    plant.turn(4 * 3600 + 700)
    assert plant.told("a") == []
    plant.store(*rows(10, 4 * 3600 + 600, 1.0, 600, drive_id="b"))
    plant.turn(4 * 3600 + 800)
    assert [each[:2] for each in plant.told("a")] == [("strands_apart", "occur")]


# What comes late, what fails


def test_what_comes_late_is_told_with_its_own_time() -> None:
    plant = a_plant()
    plant.store(*rows(0, 1000, 1.0, 100))
    plant.turn(1010)
    plant.store(*rows(5000, 6000, 1.0, 100))
    plant.turn(6010)
    plant.store(*silent(2000, 2100), *rows(2200, 2400, 1.0, 50))  # a backlog
    plant.turn(6020)
    assert plant.told() == [("sensing_failed", "occur", 2020), ("sensing_failed", "clear", 2300)]


def test_what_turns_out_not_to_have_been_true_is_cleared() -> None:
    plant = a_plant()
    readings = rows(0, 1000, 2.2, 100)
    plant.store(*readings)
    plant.turn(1010)
    assert plant.state(K.APPROACHING) == "unacknowledged"
    plant.ports.readings.supersede(
        [replace(each, elongation_pct=1.0) for each in readings], NOON_NS, "n was wrong"
    )
    plant.turn(1020)
    assert plant.state(K.APPROACHING) == "returned_unacknowledged"
    plant.ports.readings.supersede(readings, NOON_NS, "it was right after all")
    plant.turn(1030)
    assert plant.state(K.APPROACHING) == "unacknowledged"


def test_one_bad_drive_never_stops_the_others(monkeypatch: pytest.MonkeyPatch) -> None:
    plant = a_plant("a", "b")
    plant.store(*rows(0, 1000, 2.2, 100), *rows(0, 1000, 2.2, 100, drive_id="b"))
    real = Watch._clock

    def bad(self: Watch, registered: Any, *rest: Any, **more: Any) -> Any:
        if registered.drive.drive_id == "a":
            raise RuntimeError("a bug")
        return real(self, registered, *rest, **more)

    with monkeypatch.context() as patch:
        patch.setattr(Watch, "_clock", bad)
        plant.turn(1010)
    assert plant.state(K.APPROACHING, "b") == "unacknowledged"
    assert [each.drive_id for each in plant.ports.evaluations.due()] == ["a"]
    plant.turn(1020)
    assert plant.told() == [("approaching", "occur", 600)]
    assert plant.ports.evaluations.due() == []


def test_a_drive_that_cannot_be_read_never_stops_those_that_are_read_with_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    plant = a_plant("a", "b", "c")
    for drive_id in "abc":
        plant.store(*rows(0, 100, 1.0, 100, drive_id=drive_id))
    plant.turn(110)
    readings, known = plant.ports.readings, dict(plant.watch._known)

    def unreadable(drive_id: str) -> None:
        if drive_id == "a":
            raise KeyError("a reason of a later version")

    raw, raw_of = readings.raw, readings.raw_of

    def bad_raw(drive_id: str, *rest: Any) -> list[Reading]:
        unreadable(drive_id)
        return raw(drive_id, *rest)

    def bad_raw_of(spans: Sequence[Span], *rest: Any, **more: Any) -> list[list[Reading]]:
        for each in spans:
            unreadable(each.drive_id)
        return raw_of(spans, *rest, **more)

    monkeypatch.setattr(readings, "raw", bad_raw)
    monkeypatch.setattr(readings, "raw_of", bad_raw_of)
    for drive_id in "abc":
        plant.store(*rows(200, 300, 1.0, 100, drive_id=drive_id))
    plant.turn(310)
    moved = {each for each in "abc" if plant.watch._known[each].now.state != known[each].now.state}
    assert moved == {"b", "c"}


def test_a_retired_drive_stands_no_more_and_is_told_of_again_once_it_is_back() -> None:
    plant = a_plant()
    plant.store(*rows(0, 1000, 3.2, 100))
    plant.turn(1010)
    plant.ports.register.retire_drive("a", NOON_NS + 2000 * S)
    plant.turn(2010)
    assert {plant.state(kind) for kind in STEPS} <= {"normal", "returned_unacknowledged"}
    drive = plant.ports.register.drive("a")
    plant.ports.register.change_drive(replace(drive, retired_ns=None))
    plant.turn(3010)
    assert plant.state(K.AT_LIMIT) == "unacknowledged"


def test_a_saved_evaluation_that_cannot_be_read_is_begun_again() -> None:
    plant = a_plant()
    plant.store(*rows(0, 1000, 2.2, 100))
    plant.ports.evaluations.save([SavedEvaluation(drive_id="a", state={"x": 1}, checkpoints=[])])
    plant.turn(1010)
    assert plant.told() == [("approaching", "occur", 600)]


# Properties


def life(rng: random.Random, hours: float = 5) -> list[Reading]:
    """Some hours of one drive: wear that wanders up and down over all steps, stops, a sensor that falls silent."""
    readings, t_s, pct = [], 0.0, rng.uniform(1.9, 3.0)
    while t_s < hours * 3600:
        kind = rng.choice(("run", "run", "run", "stop", "silent"))
        for _ in range(rng.randint(3, 14)):
            t_s += rng.choice((60, 120, 300))
            if kind == "run":
                pct = min(3.4, max(1.5, pct + rng.uniform(-0.1, 0.12)))
                readings.append(a_reading(t_s, pct))
            else:
                reason = NotMeasured.STOPPED if kind == "stop" else NotMeasured.SENSOR_SILENT
                readings.append(a_reading(t_s, reason=reason))
    return readings


def of_readings(plant: Plant) -> list[tuple[str, str, int]]:
    """What occurred and cleared, in the order of its own time, but for what hangs on the clock."""
    clock = {"no_reading", "device_offline"}
    found = [each for each in plant.told() if each[1] in {"occur", "clear"} and each[0] not in clock]
    return sorted(found, key=lambda each: (each[2], each[0], each[1]))


SLOW = settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large]
)


@SLOW
@given(st.integers(0, 2**32))
@example(128)  # the limit cleared while a lower step was true, which cleared after it
@example(936)
def test_a_backlog_gives_the_same_alerts_as_live_data(seed: int) -> None:
    readings = life(random.Random(seed))
    live, at_once = a_plant(), a_plant()
    for reading in readings:
        live.store(reading)
        live.turn((reading.t_ns - NOON_NS) / S + 1)
    at_once.store(*readings)
    at_once.turn((readings[-1].t_ns - NOON_NS) / S + 1)
    assert of_readings(at_once) == of_readings(live)
    assert {k: at_once.state(k) for k in STEPS} == {k: live.state(k) for k in STEPS}


@SLOW
@given(st.integers(0, 2**32).map(random.Random))
def test_the_order_of_arrival_changes_nothing(rng: random.Random) -> None:
    """In whatever order and pieces it came, and whoever looked in between: in the end the same is true and was told."""
    readings = life(rng, 3)
    ordered, mixed = a_plant(), a_plant()
    ordered.store(*readings)
    end_s = (readings[-1].t_ns - NOON_NS) / S + 1
    ordered.turn(end_s)
    pieces = list(readings)
    rng.shuffle(pieces)
    while pieces:
        size = rng.randint(1, len(pieces))
        mixed.store(*pieces[:size])
        pieces = pieces[size:]
        if rng.random() < 0.7:
            mixed.turn(end_s)
    mixed.turn(end_s)
    for kind in (*STEPS, K.SENSING_FAILED):
        alert, other = (
            plant.ports.alert_log.alert(alert_id_of("a", kind)) or begin("a", kind)
            for plant in (ordered, mixed)
        )
        assert alert.active is other.active, kind
    for name, _, start_s, end in stretches_told(ordered):
        assert any(
            of == name and (begun <= start_s <= until or start_s <= begun < end)
            for of, _, begun, until in [*stretches_told(mixed), *noted(mixed)]
        ), (name, start_s)


def stretches_told(plant: Plant) -> list[tuple[str, str, int, float]]:
    found: list[tuple[str, str, int, float]] = []
    for kind in (*STEPS, K.SENSING_FAILED):
        for each in plant.ports.alert_log.of_alert(alert_id_of("a", kind)):
            at_s = (each.act.true_ns - NOON_NS) // S
            if each.act.event is Event.OCCUR:
                found.append((str(kind), "occur", at_s, float("inf")))
            elif each.act.event is Event.CLEAR and found and found[-1][0] == kind:
                found[-1] = (*found[-1][:3], at_s)
    return found


def noted(plant: Plant) -> list[tuple[str, str, int, float]]:
    return [(kind, event, at_s, at_s) for kind, event, at_s in plant.told() if event == "comment"]


@SLOW
@given(st.integers(0, 2**32).map(random.Random))
def test_all_in_one_piece_gives_the_very_same_transitions_in_any_order(rng: random.Random) -> None:
    readings = life(rng, 3)
    ordered, mixed = a_plant(), a_plant()
    ordered.store(*readings)
    rng.shuffle(readings)
    mixed.store(*readings)
    for plant in (ordered, mixed):
        plant.turn(4 * 3600)
    assert mixed.told() == ordered.told()


def people(plant: Plant, rng: random.Random) -> None:
    """Somebody does something that may be done to one of the alerts."""
    alerts = plant.ports.alert_log.alerts("a", standing=False)
    if not alerts:
        return
    alert = rng.choice(alerts)
    event = rng.choice((Event.ACKNOWLEDGE, Event.SHELVE, Event.UNSHELVE, Event.TAKE_OUT, Event.PUT_BACK))
    until_ns = plant.now_ns + rng.randint(1, 3600) * S
    with contextlib.suppress(NotAllowedError):
        plant.act(
            alert.kind,
            event,
            why="because",
            until_ns=until_ns if event in {Event.SHELVE, Event.TAKE_OUT} else None,
        )


def check_log(plant: Plant) -> None:
    """Replay gives the state; nothing annunciates while it is held; one step of elongation stands at most, at any time."""
    log = plant.ports.alert_log
    now = {kind: begin("a", kind) for kind in ConditionKind}
    for each in log.after(0, 100_000):
        if each.annunciates:
            assert not each.holds
            assert each.after is Annunciation.UNACKNOWLEDGED
        now[each.kind] = replay([each], now[each.kind])
        steps = [now[kind] for kind in STEPS]
        standing = [
            step
            for step in steps
            if step.annunciation is not Annunciation.NORMAL and Hold.SUPPRESSED not in step.holds
        ]
        assert len(standing) <= 1, [(step.kind, step.state) for step in steps]
    for kind, alert in now.items():
        assert (log.alert(alert_id_of("a", kind)) or begin("a", kind)) == alert


@SLOW
@given(st.integers(0, 2**32).map(random.Random))
def test_nothing_is_told_while_it_is_held_and_the_state_is_the_replay(rng: random.Random) -> None:
    plant = a_plant()
    for reading in life(rng):
        plant.store(reading)
        plant.at((reading.t_ns - NOON_NS) / S + 1)
        if rng.random() < 0.4:
            people(plant, rng)
        if rng.random() < 0.5:
            plant.turn()
    plant.turn()
    check_log(plant)


class PowerWentError(BaseException):
    """The power went."""


def crashing(plant: Plant, after: int) -> Callable[[], None]:
    """Make the store fail at one of its next calls that write, having written; return what ends that."""
    left = [after]
    log, evaluations = plant.ports.alert_log, plant.ports.evaluations
    record, save = log.record, evaluations.save

    def counted(real: Callable[..., Any]) -> Callable[..., Any]:
        def call(*args: Any, **named: Any) -> Any:
            left[0] -= 1
            if left[0] == 0:
                raise PowerWentError
            found = real(*args, **named)
            if left[0] == 1:
                left[0] = -1
                raise PowerWentError
            return found

        return call

    log.record = counted(record)  # type: ignore[method-assign]
    evaluations.save = counted(save)  # type: ignore[method-assign]

    def end() -> None:
        log.record, evaluations.save = record, save  # type: ignore[method-assign]

    return end


@SLOW
@given(st.integers(0, 2**32).map(random.Random))
def test_a_crash_between_any_two_steps_changes_nothing(rng: random.Random) -> None:
    readings = life(rng, 3)
    smooth, rough = a_plant(), a_plant()
    for number, reading in enumerate(readings):
        for plant in (smooth, rough):
            plant.store(reading)
            plant.at((reading.t_ns - NOON_NS) / S + 1)
        if number % 5:
            continue
        smooth.turn()
        end = crashing(rough, rng.randint(1, 6))
        with contextlib.suppress(PowerWentError):
            rough.turn()
        end()
        if rng.random() < 0.5:
            rough.watch = rough.another()
        rough.turn()
    for plant in (smooth, rough):
        plant.turn(4 * 3600)
    assert of_readings(rough) == of_readings(smooth)
    assert {k: rough.state(k) for k in ConditionKind} == {k: smooth.state(k) for k in ConditionKind}
    check_log(rough)


def test_while_the_store_is_down_nothing_is_lost() -> None:
    plant = a_plant()
    plant.store(*rows(0, 1000, 2.2, 100))
    plant.ports.evaluations.down = "the disk is full"  # type: ignore[attr-defined]
    with pytest.raises(StoreUnavailableError):
        plant.turn(1010)
    plant.ports.evaluations.down = None  # type: ignore[attr-defined]
    plant.turn(1020)
    assert plant.told() == [("approaching", "occur", 600)]


def test_what_changed_before_a_turn_that_broke_off_counts_at_the_next_one() -> None:
    plant = a_plant()
    plant.store(*rows(0, 1000, 2.0, 100))
    plant.turn(1010)
    plant.ports.setpoints.put(
        Override(scope=Scope.DRIVE, name="a", kind=K.APPROACHING, value=60.0, why="?", by="x", at_ns=NOON_NS)
    )
    plant.ports.evaluations.down = "the disk is full"  # type: ignore[attr-defined]
    with pytest.raises(StoreUnavailableError):
        plant.turn(1020)
    plant.ports.evaluations.down = None  # type: ignore[attr-defined]
    plant.turn(1030)
    assert plant.told() == [("approaching", "occur", 1030)]


def test_what_somebody_did_before_a_turn_that_broke_off_is_minded_at_the_next_one() -> None:
    """A step that a higher one outranks is held again, whoever let it go."""
    plant = a_plant()
    plant.store(*rows(0, 1000, 2.8, 100))
    plant.turn(1010)
    plant.act(K.APPROACHING, Event.UNSUPPRESS)
    assert plant.state(K.APPROACHING) == "unacknowledged"
    plant.ports.evaluations.down = "the disk is full"  # type: ignore[attr-defined]
    with pytest.raises(StoreUnavailableError):
        plant.turn(1020)
    plant.ports.evaluations.down = None  # type: ignore[attr-defined]
    plant.turn(1030)
    assert plant.state(K.APPROACHING) == "suppressed_by_design"


def test_what_a_drive_is_judged_by_is_its_limit_and_what_was_set_for_it() -> None:
    drive = Drive(drive_id="a", site="Talheim", drive_class="feed", fixed_centres=True)
    override = Override(
        scope=Scope.CLASS, name="feed", kind=K.NEAR, value=80.0, why="?", by="x", at_ns=NOON_NS
    )
    by = by_of(drive, [override])
    assert by.limit_pct == 1.5
    assert by.setpoints[K.NEAR].value == 80.0
    assert by.setpoints[K.AT_LIMIT] == RULES[K.AT_LIMIT].setpoint


# Forecasts


def test_a_forecast_raises_its_alert_once_two_say_so_however_often_they_are_looked_at() -> None:
    plant = a_plant()
    told: dict[str, Forecast] = {}
    plant.watch = plant.another(forecast_of=lambda chain_id, _: told.get(chain_id))
    plant.store(*rows(10, 410, 1.0, 100))
    for at_s, made_s in ((500, 500), (600, 500), (700, 500)):
        plant.at(made_s)
        told["a-1"] = Forecast(limit_ns=NOON_NS + 10 * DAY_NS, made_ns=plant.now_ns)
        plant.turn(at_s)
    assert plant.state(K.LIMIT_WITHIN_LEAD_TIME) == "none", "one forecast is one, at every look"
    told["a-1"] = Forecast(limit_ns=NOON_NS + 10 * DAY_NS, made_ns=NOON_NS + 800 * S)
    plant.turn(810)
    assert plant.state(K.LIMIT_WITHIN_LEAD_TIME) == "unacknowledged"
    for made_s in (900, 1000):
        told["a-1"] = Forecast(limit_ns=NOON_NS + 90 * DAY_NS, made_ns=NOON_NS + made_s * S)
        plant.turn(made_s + 10)
    assert plant.state(K.LIMIT_WITHIN_LEAD_TIME) == "returned_unacknowledged"


def test_the_forecast_of_a_chain_that_came_off_raises_nothing_for_the_next_one() -> None:
    plant = a_plant()
    soon = Forecast(limit_ns=NOON_NS + DAY_NS)
    plant.watch = plant.another(forecast_of=lambda chain_id, _: soon if chain_id == "a-1" else None)
    plant.ports.register.take_off_chain("a-1", NOON_NS + 100 * S, "worn")
    plant.ports.register.fit_chain(a_chain("a", "2", NOON_NS + 100 * S))
    for at_s in (200, 300, 400):
        plant.turn(at_s)
    assert plant.state(K.LIMIT_WITHIN_LEAD_TIME) == "none"


def test_a_limit_that_comes_before_the_next_stop_is_told() -> None:
    plant = a_plant()
    made = iter(range(1, 100))

    def forecast_of(_: str, now_ns: int) -> Forecast:
        return Forecast(
            limit_ns=NOON_NS + 100 * DAY_NS,
            next_stop_ns=NOON_NS + 120 * DAY_NS,
            made_ns=now_ns + next(made),
        )

    plant.watch = plant.another(forecast_of=forecast_of)
    for at_s in (200, 300, 400):
        plant.turn(at_s)
    assert plant.state(K.LIMIT_BEFORE_STOP) == "unacknowledged"
    assert plant.state(K.LIMIT_WITHIN_LEAD_TIME) == "none"


# Stopping, and starting again


def test_who_is_told_to_stop_looks_at_no_further_drive_and_who_comes_next_does_the_rest() -> None:
    plant, stop = a_plant("a", "b", "c"), threading.Event()
    for drive_id in "abc":
        plant.store(*(a_reading(i * 60.0, 2.5, drive_id=drive_id) for i in range(20)))

    def foretold(_chain_id: str, _t_ns: int) -> None:
        stop.set()  # while the first drive is looked at

    plant.at(1200)
    assert plant.another(forecast_of=foretold).turn(stop) == 1
    assert [plant.told(drive_id) != [] for drive_id in "abc"] == [True, False, False]
    plant.another().turn()
    assert plant.told("a") == plant.told("b") == plant.told("c")


def test_the_first_look_after_a_start_asks_for_the_past_of_what_has_one_only(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    plant = a_plant()
    plant.store(*(a_reading(i * 60.0, 2.5) for i in range(20)))
    plant.turn(1200)
    asked: list[str] = []
    asks = plant.ports.alert_log.of_alert

    def of_alert(alert_id: str, rows_max: int = 1000) -> list[Transition]:
        asked.append(alert_id)
        return asks(alert_id, rows_max)

    monkeypatch.setattr(plant.ports.alert_log, "of_alert", of_alert)
    plant.another().turn()
    assert asked == [alert_id_of("a", K.APPROACHING)]


# What is new of many drives is read at once


@SLOW
@given(st.integers(0, 2**32).map(random.Random))
def test_drives_looked_at_together_are_told_of_as_each_by_itself(rng: random.Random) -> None:
    """Few readings of one, more of another than are read ahead; some come late, some drives have nothing new."""
    names, ended_s = "abc", 7200.0
    counts = {"a": 4, "b": 150, "c": rng.choice([4, 150])}
    lives = {
        name: [
            a_reading(
                rng.uniform(1, ended_s), 3.2 if name == "b" else rng.choice([0.5, 2.5, 3.2]), drive_id=name
            )
            for _ in range(count)
        ]
        for name, count in counts.items()
    }
    times_s = sorted(rng.uniform(0, ended_s) for _ in range(6))
    together, alone = a_plant(*names), {name: a_plant(name) for name in names}
    arrival = {
        name: [(rng.choice([each.t_ns, NOON_NS + round(ended_s) * S]), each) for each in some]
        for name, some in lives.items()
    }
    for before_s, at_s in pairwise([-1.0, *times_s, ended_s + 60]):
        for name in names:
            new = [each for came_ns, each in arrival[name] if before_s < (came_ns - NOON_NS) / S <= at_s]
            for plant in (together, alone[name]):
                plant.store(*new)
        for plant in (together, *alone.values()):
            plant.turn(at_s)
    for name in names:
        assert together.told(name) == alone[name].told(name)
    assert together.told("b") != []


def test_what_is_new_of_many_drives_is_asked_for_once(monkeypatch: pytest.MonkeyPatch) -> None:
    plant, asked = a_plant("a", "b", "c"), list[str]()
    raw, raw_of = plant.ports.readings.raw, plant.ports.readings.raw_of

    def noted(drive_id: str, *more: Any, **named: Any) -> Any:
        asked.append(drive_id)
        return raw(drive_id, *more, **named)

    def noted_of(spans: Sequence[Span], *more: Any, **named: Any) -> Any:
        asked.append(",".join(each.drive_id for each in spans))
        return raw_of(spans, *more, **named)

    for drive_id in "abc":
        plant.store(a_reading(60.0, 0.5, drive_id=drive_id))
    plant.turn(120)
    monkeypatch.setattr(plant.ports.readings, "raw", noted)
    monkeypatch.setattr(plant.ports.readings, "raw_of", noted_of)
    plant.store(a_reading(150.0, 0.5, drive_id="a"), a_reading(150.0, 0.5, drive_id="c"))
    plant.store(*(a_reading(130 + number / 10, 0.5, drive_id="b") for number in range(101)))
    plant.turn(180)
    assert asked == ["a,b,c", "b"]  # of b more than is read of many at once
