"""The API for drives, chains and baselines, on both stores."""

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.adapters.web.versions import changed_since, version_of
from service.core.drive import Drive
from service.core.reading import CONVERSION, NotMeasured
from service.operate import Operate
from tests.adapters.web.plant import (
    API,
    CHECKED,
    CHECKED_JSON,
    NOW_NS,
    Plant,
    add,
    not_measured,
    reading_of,
    with_press,
)
from tests.contracts.given import A_DRIVE, S

NOW = "2026-09-10T13:00:00Z"


def post(plant: Plant, path: str, json: Any, status: int = 201) -> Any:
    answer = plant.client.post(API + path, json=json)
    assert answer.status_code == status, answer.text
    return answer.json()


def test_a_drive_is_registered_shown_and_listed_with_its_limit(plant: Plant) -> None:
    answer = plant.client.post(
        f"{API}/drives", json={"drive_id": "infeed-2", "whole_pitches": 24, "driven_teeth": 80}
    )
    assert answer.status_code == 201
    assert answer.headers["location"] == "/api/v1/drives/infeed-2"
    made = answer.json()
    # 200/z with z = 80 teeth of the large sprocket is 2.5 %, less than the general 3 %.
    assert (made["limit_pct"], made["limit_term"]) == (2.5, "large_sprocket")
    assert made["limit_words"] == "large sprocket, 200/80 %"
    assert (made["offset_pitches"], made["temp_ref_c"], made["chain"], made["retired"]) == (
        0.0,
        20.0,
        None,
        None,
    )
    assert plant.get("/drives/infeed-2") == made
    assert plant.get("/drives") == [made]


def test_put_sets_all_and_patch_only_what_is_given(plant: Plant) -> None:
    with_press(plant)
    patched = plant.client.patch(f"{API}/drives/press-3", json={"note": "new", "own_limit_pct": None}).json()
    assert (patched["note"], patched["own_limit_pct"], patched["name"]) == ("new", None, "Feed chain")
    put = plant.client.put(f"{API}/drives/press-3", json={"whole_pitches": 20, "offset_pitches": 0.25}).json()
    assert (put["name"], put["note"], put["fixed_centres"]) == ("", "", False)
    assert "switching delay changed" in put.pop("advice")[0]  # it was left out, so it is not known any more
    assert plant.get("/drives/press-3") == put | {"advice": []}


def test_a_drive_without_sensors_is_registered_like_any_other(plant: Plant) -> None:
    made = post(plant, "/drives", {"drive_id": "hoist", "whole_pitches": None, "own_limit_pct": 2.0})
    assert (made["whole_pitches"], made["limit_pct"]) == (None, 2.0)
    post(plant, "/drives/hoist/chains", {"designation": "16B-1"})
    (drive,) = plant.get("/readings/newest")["drives"]
    assert (drive["reading"], drive["sensors"]) == (None, None)


def test_a_delay_and_the_uncertainty_of_a_strain_are_settings(plant: Plant) -> None:
    with_press(plant)
    body = {"delay_us": 82.5, "delay_u_us": 3.0, "strain_u_pct_per_kn": 0.001}
    patched = plant.client.patch(f"{API}/drives/press-3", json=body).json()
    assert {name: patched[name] for name in body} == body
    assert "switching delay changed" in patched["advice"][0]


def test_moving_the_sensors_is_answered_with_advice(plant: Plant) -> None:
    with_press(plant)
    moved = plant.client.patch(f"{API}/drives/press-3", json={"whole_pitches": 22}).json()
    assert len(moved["advice"]) == 1
    assert "new baseline" in moved["advice"][0]
    assert plant.client.patch(f"{API}/drives/press-3", json={"note": "n"}).json()["advice"] == []


def test_a_retired_drive_is_listed_only_when_asked_for_and_comes_back(plant: Plant) -> None:
    with_press(plant)
    assert post(plant, "/drives/press-3/retire", None, 200)["retired"] == NOW
    assert plant.get("/drives") == []
    assert [each["drive_id"] for each in plant.get("/drives?retired=true")] == ["press-3"]
    assert plant.get("/readings/newest")["drives"] == []
    # A change of settings does not bring it back by the way.
    assert plant.client.patch(f"{API}/drives/press-3", json={"note": "n"}).json()["retired"] == NOW
    assert post(plant, "/drives/press-3/bring-back", None, 200)["retired"] is None
    assert len(plant.get("/drives")) == 1


def test_a_chain_is_fitted_by_its_designation_listed_and_taken_off(plant: Plant) -> None:
    plant.ports.register.add_drive(A_DRIVE)
    fitted = post(
        plant,
        "/drives/press-3/chains",
        {"designation": "16B-2", "fitted": "2026-09-10T14:30:00+02:00", "pitches_in_loop": 98},
    )
    assert fitted == {
        "chain_id": "press-3-2026-09-10",
        "drive_id": "press-3",
        "designation": "16B-2",
        "pitch_mm": 25.4,
        "strands": 2,
        "pitches_in_loop": 98,
        "fitted": "2026-09-10T12:30:00Z",
        "removed": None,
        "removed_why": "",
        "note": "",
    }
    assert plant.get("/drives/press-3")["chain"] == fitted
    off = post(plant, "/drives/press-3/chains/press-3-2026-09-10/take-off", {"why": "worn"}, 200)
    assert (off["removed"], off["removed_why"]) == (NOW, "worn")
    assert plant.get("/drives/press-3/chains") == [off]
    assert plant.get("/drives/press-3")["chain"] == off  # on up to and with the instant at which it came off


def test_a_chain_id_with_a_slash_can_be_asked_for(plant: Plant) -> None:
    plant.ports.register.add_drive(A_DRIVE)
    body = {"chain_id": "stock/44:b", "pitch_mm": 100.0, "fitted": "2026-09-10T12:00:00Z"}
    post(plant, "/drives/press-3/chains", body)
    assert plant.get("/drives/press-3/chains/stock/44:b/baselines") == []


def test_a_chain_of_another_drive_is_not_reached_through_this_one(plant: Plant) -> None:
    with_press(plant)
    add(plant, "saw")
    answer = plant.client.post(f"{API}/drives/saw/chains/press-3-a/take-off", json={"why": "x"})
    assert answer.status_code == 404
    assert plant.ports.register.chains("press-3")[0].removed_ns is None


def test_a_baseline_is_taken_from_the_newest_readings(plant: Plant) -> None:
    with_press(plant)
    plant.ports.readings.store(
        [reading_of("press-3", 3300 + n, 0.5, seq=n, pitches_between=20.2, mount_c=22.0, temp_c=22.0, load_n=3000.0)
         for n in range(5)]
    )  # fmt: skip
    body = {"elongation_pct": 0.5, "elongation_u_pct": 0.05, "why": "by hand", "by": "H. Brandt"}
    made = post(plant, "/drives/press-3/chains/press-3-a/baselines", body)
    assert made["pitches_between"] == pytest.approx(20.2)
    assert 0 < made["pitches_between_u"] < 0.05
    assert (made["taken"], made["recorded"], made["recorded_by"]) == (NOW, NOW, "H. Brandt")
    assert plant.get("/drives/press-3/chains/press-3-a/baselines")[-1] == made


def test_a_baseline_without_readings_is_refused_saying_what_to_do(plant: Plant) -> None:
    with_press(plant)
    answer = plant.client.post(
        f"{API}/drives/press-3/chains/press-3-a/baselines",
        json={"elongation_pct": 0, "elongation_u_pct": 0.1},
    )
    assert answer.status_code == 409
    assert "steady speed" in answer.json()["detail"]


# Newest readings


def test_the_newest_of_all_drives_come_most_worn_first_by_their_own_limits(plant: Plant) -> None:
    add(plant, "a", 2.4)  # 80 % of 3 %
    add(plant, "b", 1.35, fixed_centres=True)  # 90 % of 1.5 %
    add(plant, "c")
    add(plant, "d", 3.3)
    drives = plant.get("/readings/newest")["drives"]
    assert [each["drive_id"] for each in drives] == ["d", "b", "a", "c"]
    assert [each["used"] for each in drives] == [
        pytest.approx(1.1),
        pytest.approx(0.9),
        pytest.approx(0.8),
        None,
    ]
    assert [each["verdict"] for each in drives] == ["reached", "below", "below", None]
    assert [each["limit_term"] for each in drives] == ["general", "fixed_centres", "general", "general"]
    assert drives[2]["age_s"] == 1.0
    assert drives[2]["shown"]["elongation"] == "2.400"
    assert drives[3]["reading"] is None


def test_what_cannot_be_measured_comes_with_its_reason_and_the_last_number_with_its_age(plant: Plant) -> None:
    add(plant, "a", 1.5)
    plant.ports.readings.store(
        [not_measured("a", 3600, NotMeasured.SENSOR_SILENT, up_pulses=331, down_pulses=0)]
    )
    (drive,) = plant.get("/readings/newest")["drives"]
    assert drive["reading"]["elongation_pct"] is None
    assert drive["reading"]["reason"] == "sensor_silent"
    assert drive["finding"]["what"] == "Sensor down is silent"
    assert drive["sensors"]["sensing"] == "failure"
    assert (drive["measured"]["elongation_pct"], drive["measured_age_s"], drive["age_s"]) == (1.5, 1.0, 0.0)


def test_a_number_of_the_chain_before_says_nothing_of_this_one(plant: Plant) -> None:
    add(plant, "a", 2.9)
    plant.ports.register.take_off_chain("a-a", NOW_NS - S, "worn")
    body = {"designation": "16B-1", "fitted": "2026-09-10T12:59:59.5Z"}
    post(plant, "/drives/a/chains", body)
    (drive,) = plant.get("/readings/newest")["drives"]
    assert (drive["measured"], drive["used"], drive["verdict"]) == (None, None, None)
    assert drive["reading"]["chain_id"] == "a-a"


def test_a_reading_is_given_with_all_its_facts(plant: Plant) -> None:
    add(plant, "a")
    plant.ports.readings.store([reading_of("a", 3590.25, 1.5, seq=3, device_id="plc", **CHECKED)])
    (drive,) = plant.get("/readings/newest")["drives"]
    assert drive["reading"] == {
        "time": "2026-09-10T12:59:50.250000Z",
        "elongation_pct": 1.5,
        "elongation_u_pct": 0.011,
        "reason": None,
        "pitches_between": 20.3375,
        "lag_pitches": 0.3375,
        "speed_m_s": 1.25,
        "coherence": 0.998,
        "pitches_averaged": 196,
        "whole_laps": 2,
        "up_pulses": 197,
        "down_pulses": 198,
        "up_missed": 0,
        "down_missed": 0,
        "up_extra": 0,
        "down_extra": 0,
        "temp_c": 48.5,
        "mount_c": 24.25,
        "load_n": 3400.0,
        "chain_id": "a-a",
        "device_id": "plc",
        "seq": 3,
        "t0": "2026-09-10T12:59:40.250000Z",
        "conversion": CONVERSION,
        **CHECKED_JSON,
    }
    shown = drive["shown"]
    assert (shown["elongation"], shown["uncertainty"]) == ("1.500", "0.022")
    assert (shown["since"], shown["since_uncertainty"]) == ("+0.900", "0.008")


# Somebody else was first


def test_a_change_to_what_somebody_has_changed_meanwhile_is_refused_and_says_what_and_who(
    plant: Plant,
) -> None:
    with_press(plant)
    path, mine, theirs = f"{API}/drives/press-3", {"note": "mine"}, {"name": "Theirs", "own_limit_pct": 2.5}
    read = plant.client.get(path).headers["etag"]
    assert plant.client.patch(path, json=theirs, headers={"If-Match": read}).status_code == 200
    for refused in (
        plant.client.patch(path, json=mine, headers={"If-Match": read}),
        plant.client.put(path, json={"whole_pitches": 20}, headers={"If-Match": read}),
    ):
        assert (refused.status_code, refused.headers["content-type"]) == (412, "application/problem+json")
        told = refused.json()
        assert set(told["changed"]) == {"name", "own_limit_pct"}
        assert (
            f"changed by web testclient at {NOW} since you read them, and nothing was stored"
            in told["detail"]
        )
    now = plant.client.get(path)
    assert (now.json()["name"], now.json()["note"]) == ("Theirs", A_DRIVE.note)
    stored = plant.client.patch(path, json=mine, headers={"If-Match": now.headers["etag"]})
    assert (stored.status_code, stored.json()["note"]) == (200, "mine")
    assert stored.headers["etag"] == plant.client.get(path).headers["etag"] != now.headers["etag"]


def test_without_if_match_or_with_any_the_newest_change_wins(plant: Plant) -> None:
    with_press(plant)
    path = f"{API}/drives/press-3"
    read = plant.client.get(path).headers["etag"]
    for note, tags in (("1", None), ("2", "*"), ("3", '"another", {}')):
        headers = {} if tags is None else {"If-Match": tags.format(plant.client.get(path).headers["etag"])}
        assert plant.client.patch(path, json={"note": note}, headers=headers).status_code == 200
    assert plant.get("/drives/press-3")["note"] == "3"
    for nothing_of_ours in (read, f"W/{plant.client.get(path).headers['etag']}", '"x"', "x"):
        refused = plant.client.put(path, json={"whole_pitches": 20}, headers={"If-Match": nothing_of_ours})
        assert refused.status_code == 412


def test_a_change_that_comes_between_reading_and_storing_is_not_overwritten(
    plant: Plant, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two requests at the same instant: both find the version they read, and one of them is stored first."""
    with_press(plant)
    path = f"{API}/drives/press-3"
    read = plant.client.get(path).headers["etag"]
    change = Operate.change_drive

    def after_another(operate: Operate, drive: Drive, **how: Any) -> Any:
        plant.ports.register.change_drive(replace(A_DRIVE, name="Theirs"))
        return change(operate, drive, **how)

    monkeypatch.setattr(Operate, "change_drive", after_another)
    refused = plant.client.patch(path, json={"note": "mine"}, headers={"If-Match": read})
    assert (refused.status_code, refused.json()["changed"]) == (412, ["name"])
    assert plant.ports.register.drive("press-3") == replace(A_DRIVE, name="Theirs")


@given(
    names=st.lists(st.sampled_from(["name", "note", "line"]), unique=True),
    text=st.text("abü1=", min_size=1, max_size=20),
)
def test_a_version_tells_exactly_what_has_changed(names: list[str], text: str) -> None:
    drive = Drive(drive_id="a", name="x" + text, note="y" + text, line="z" + text, whole_pitches=20)
    changes: dict[str, Any] = dict.fromkeys(names, text)
    other = replace(drive, **changes)
    assert set(changed_since(version_of(drive), other)) == set(names)
    assert version_of(drive) == version_of(replace(drive))
