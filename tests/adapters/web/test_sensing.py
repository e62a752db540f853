"""The state of the sensing and the findings of simulated drives, on board, page, API, stream and metrics."""

from dataclasses import replace
from typing import Any

import pytest
from prometheus_client.parser import text_string_to_metric_families

from sensors_sim.sensor import Sensor
from service.adapters.web import sensing
from service.core.batch import RejectionReason
from service.core.drive import Drive
from service.core.health import SignKind
from service.core.reading import NotMeasured, Reading
from service.ports import DeviceState
from tests.adapters.web.on_board import needs_on, row_on
from tests.adapters.web.plant import NOW_NS, Plant, a_plant, add, not_measured, reading_of
from tests.adapters.web.test_pages import CAUTIONS, Page, seen
from tests.adapters.web.watched_plant import put
from tests.contracts.given import A_REJECTION, S
from tests.core.watched import ordinary, watch
from tests.fakes import FakeDevices


def sensors(plant: Plant, drive_id: str = "a") -> Any:
    return plant.get(f"/drives/{drive_id}/sensing")["sensors"]


def kinds(plant: Plant, drive_id: str = "a") -> list[str]:
    return [sign["kind"] for sign in sensors(plant, drive_id)["signs"]]


def test_a_moved_bracket_is_found_told_and_marked_everywhere(plant: Plant) -> None:
    put(plant, "a", watch(ordinary(moved_at_s=500, moved_mm=0.1), 200), name="Infeed")
    body = plant.get("/drives/a/sensing")
    (finding,) = body["findings"]
    assert finding["kind"] == "bracket_moved"
    moved = next(size for size in finding["sizes"] if size["name"] == "bracket")
    assert moved["value"] == pytest.approx(0.1, abs=0.005)
    assert (moved["unit"], finding["at_drive"]) == ("mm", True)
    assert (body["readings"], body["past"], body["looked_at"]) == (200, 0, "2026-09-10T13:00:00Z")
    assert (body["sensors"]["sensing"], body["sensors"]["letter"]) == ("out_of_specification", "S")
    text = seen(plant, "/drives/a")
    assert "A sensor was moved: the lag jumped by −0.03" in text
    assert "further apart" in text
    assert "First read what to mind at the drive" in text
    assert all(caution in text for caution in CAUTIONS)
    board = seen(plant, "/")
    assert "A sensor was moved" in board
    assert needs_on(plant)["sensing"] == 1


def test_a_sound_drive_is_good_and_says_what_bears_its_number_out(plant: Plant) -> None:
    put(plant, "a", watch(ordinary(), 60))
    state = sensors(plant)
    assert (state["sensing"], state["letter"], state["words"], state["signs"]) == (
        "good",
        "",
        "Both sensors good",
        [],
    )
    text = seen(plant, "/drives/a")
    assert "Nothing found: the lag is borne out" in text
    assert "links at up" in text
    assert "Both sensors good" in row_on(plant, "a")
    assert needs_on(plant)["rest"] == 1


def test_a_silent_sensor_is_a_failure_with_its_letter_and_since_when(plant: Plant) -> None:
    put(plant, "a", watch(ordinary(down=Sensor(silent_from_s=30)), 12))
    state = sensors(plant)
    (sign,) = state["signs"]
    assert (sign["kind"], sign["letter"], sign["sensor"]) == ("sensor_silent", "F", "down")
    text = seen(plant, "/drives/a")
    assert "failure, since 10 Sep 2026" in text
    html = plant.page("/")
    assert '<span class="sensing failure"' in html
    assert '<span class="mark" aria-hidden="true">F</span>Sensor down is silent' in html


def test_without_a_baseline_a_drive_is_in_function_check(plant: Plant) -> None:
    add(plant, "a", 1.0)
    assert (sensors(plant)["letter"], kinds(plant)) == ("C", ["no_baseline"])
    assert "C Not commissioned: no baseline" in row_on(plant, "a")


def test_a_bracket_that_was_touched_asks_for_a_new_baseline(plant: Plant) -> None:
    note = "2026-09-10T12:58:00Z H. Brandt: bracket touched: down"
    put(plant, "a", watch(ordinary(), 12), note=note)
    assert kinds(plant) == ["commissioning"]


def test_a_device_that_is_offline_is_told_by_its_last_will(plant: Plant) -> None:
    put(plant, "a", watch(ordinary(), 12))
    plant.ports.devices.note([DeviceState(drive_id="a", online=False, since_ns=NOW_NS)])
    assert kinds(plant) == ["device_offline"]
    plant.ports.devices.note([DeviceState(drive_id="a", online=True, since_ns=NOW_NS + S)])
    assert kinds(plant) == []


def test_a_device_that_went_before_its_first_reading_is_told_too(plant: Plant) -> None:
    add(plant, "a")
    assert sensors(plant) is None
    plant.ports.devices.note([DeviceState(drive_id="a", online=False, since_ns=NOW_NS)])
    assert kinds(plant) == ["device_offline"]


def test_messages_refused_for_their_clock_are_a_failure(plant: Plant) -> None:
    add(plant, "a")
    plant.ports.readings.store([reading_of("a", 3500, 1.0)])
    refused = replace(
        A_REJECTION, drive_id="a", reason=RejectionReason.CLOCK_OFF, received_ns=NOW_NS - 20 * S
    )
    plant.ports.refused.keep([refused], [])
    assert kinds(plant) == ["clock_invalid", "no_baseline"]


def test_a_quiet_drive_is_counted_once() -> None:
    with a_plant(stale_after_s=60.0) as plant:
        add(plant, "a")
        plant.ports.readings.store([reading_of("a", 3600 - 300, 1.0)])
        assert kinds(plant) == ["no_data", "no_baseline"]
        assert needs_on(plant) == {"reached": 0, "unanswered": 0, "late": 0, "sensing": 1, "rest": 0}
        assert "no news for 5 min" in row_on(plant, "a")


def test_all_signs_are_listed_the_gravest_first(plant: Plant) -> None:
    add(plant, "a")
    plant.ports.readings.store(
        [not_measured("a", 3590, NotMeasured.SENSOR_SILENT, up_pulses=0, down_pulses=331)]
    )
    assert kinds(plant) == ["sensor_silent", "no_baseline"]
    assert "Sensor up is silent, and 1 more" in seen(plant, "/")


def test_a_drive_without_sensors_has_no_state_of_sensing(plant: Plant) -> None:
    plant.ports.register.add_drive(Drive(drive_id="hoist"))
    assert plant.get("/drives/hoist/sensing") == {
        "drive_id": "hoist",
        "sensors": None,
        "findings": [],
        "looked_at": None,
        "readings": 0,
        "past": 0,
    }
    assert "no sensors" in seen(plant, "/")


def test_metrics_tell_the_state_by_its_name(plant: Plant) -> None:
    add(plant, "a", 1.0)
    text = plant.client.get("/metrics").text
    found = {
        sample.labels["drive"]: sample.labels["condition"]
        for family in text_string_to_metric_families(text)
        if family.name == "linklag_sensing_state"
        for sample in family.samples
    }
    assert found == {"a": "function_check"}


def test_the_board_judges_many_readings_one_drive_a_look(fake_plant: Plant) -> None:
    for drive_id in ("a", "b"):
        put(fake_plant, drive_id, watch(ordinary(moved_at_s=300, moved_mm=0.3), 120))
    states = [
        {
            drive["drive_id"]: drive["sensors"]["sensing"]
            for drive in fake_plant.get("/readings/newest")["drives"]
        }
        for _ in range(3)
    ]
    judged = [sorted(state.values()) for state in states]
    assert judged[0] == ["good", "out_of_specification"]
    assert judged[1] == judged[2] == ["out_of_specification"] * 2


def test_what_was_judged_is_judged_anew_when_the_register_changes(fake_plant: Plant) -> None:
    """A new baseline settles a finding: what was found with the old one is not told of the new one."""
    put(fake_plant, "a", watch(ordinary(moved_at_s=300, moved_mm=0.3), 120))
    assert len(fake_plant.get("/drives/a/sensing")["findings"]) == 1
    chain = fake_plant.ports.register.chains("a")[0]
    old = fake_plant.ports.register.baselines(chain.chain_id)[0]
    fake_plant.ports.register.record_baseline(
        replace(old, taken_ns=NOW_NS, recorded_ns=NOW_NS, pitches_between=old.pitches_between + 0.02)
    )
    newest = fake_plant.ports.readings.newest_of("a")
    assert newest is not None
    reading = replace(
        newest.reading, t_ns=NOW_NS, seq=900, baseline_taken_ns=NOW_NS, baseline_recorded_ns=NOW_NS
    )
    fake_plant.ports.readings.store([reading])
    assert fake_plant.get("/drives/a/sensing")["findings"] == []


class Counted:
    """A port that counts how often its readings are asked for."""

    def __init__(self, readings: Any) -> None:
        self._readings, self.asked = readings, 0

    def raw(self, *arguments: Any) -> list[Reading]:
        self.asked += 1
        found: list[Reading] = self._readings.raw(*arguments)
        return found

    def sampled(self, *arguments: Any) -> list[Reading]:
        self.asked += 1
        found: list[Reading] = self._readings.sampled(*arguments)
        return found


def test_many_readings_are_asked_for_seldom(fake_plant: Plant) -> None:
    put(fake_plant, "a", watch(ordinary(), 30))
    counted = Counted(fake_plant.ports.readings)
    judge = sensing.Sensing(counted, fake_plant.ports.refused, FakeDevices())  # type: ignore[arg-type]
    chain = fake_plant.ports.register.chains("a")[0]
    newest = fake_plant.ports.readings.newest_of("a")
    assert newest is not None
    watched = sensing.Watched(fake_plant.ports.register.drive("a"), chain, [], newest.reading)
    for second in range(60):
        judge.look([watched], NOW_NS + second * S)
    once = counted.asked
    assert once == 2
    judge.look_at(watched, NOW_NS + 20 * S)
    assert counted.asked == once
    judge.look_at(watched, NOW_NS + 40 * S)
    assert counted.asked == 2 * once


def test_what_rose_over_the_days_before_is_looked_at_too(fake_plant: Plant) -> None:
    add(fake_plant, "a")
    days = [
        reading_of("a", 3600 - day * 86_400 - n * 10, 1.0, seq=n + 100 * (13 - day), speed_m_s=0.5, up_missed=missed)
        for day in range(1, 14)
        for n, missed in enumerate((13 - day) // 4 * (n % 2) for n in range(10))
    ]  # fmt: skip
    fake_plant.ports.readings.store([*days, reading_of("a", 3599, 1.0, seq=5000, speed_m_s=0.5)])
    body = fake_plant.get("/drives/a/sensing")
    assert body["past"] >= 120
    assert SignKind.MISSED_RISING.value in [sign["kind"] for sign in body["sensors"]["signs"]]


def test_a_fault_that_goes_on_keeps_its_beginning_on_the_board(fake_plant: Plant) -> None:
    add(fake_plant, "a")
    silent = {"up_pulses": 331, "down_pulses": 0}
    since = []
    for at_s in (3400, 3410, 3420):
        fake_plant.ports.readings.store(
            [not_measured("a", at_s, NotMeasured.SENSOR_SILENT, seq=at_s, **silent)]
        )
        (drive,) = fake_plant.get("/readings/newest")["drives"]
        since.append(drive["sensors"]["signs"][0]["since"])
    assert set(since) == {"2026-09-10T12:56:40Z"}


def test_the_marks_have_letters_and_words_so_that_colour_is_never_alone(fake_plant: Plant) -> None:
    put(fake_plant, "a", watch(ordinary(up=Sensor(missed=0.03)), 12))
    html = fake_plant.page("/drives/a")
    assert 'sensing maintenance_required"><span class="mark" aria-hidden="true">M</span>' in html
    assert "maintenance required" in Page(html).text
