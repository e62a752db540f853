"""The plan of changes by API: answers and dates, order and list, CSV, and what people say that it rests on."""

import csv
import io
from typing import Any

import pytest

from service.core.drive import Chain, Drive
from service.core.prognosis import Outcome
from tests.adapters.web.plant import API, NOW_NS, Plant
from tests.contracts.given import DAY_NS
from tests.foretold import kept

STOP = {
    "name": "August",
    "site": "Talheim",
    "starts": "2026-11-09T05:00:00Z",
    "ends": "2026-11-11T05:00:00Z",
}


def with_drive(plant: Plant, drive_id: str = "press-3", middle: float | None = 100.0, **more: Any) -> None:
    """A drive in Talheim with a chain of 900 days and, unless `middle` is None, a forecast about so many days from now."""
    fields = {"site": "Talheim", "line": "3", "name": "Feed chain", **more}
    plant.ports.register.add_drive(
        Drive(drive_id=drive_id, whole_pitches=20, driver_teeth=19, driven_teeth=57, **fields)
    )
    plant.ports.register.fit_chain(
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
        plant.ports.prognoses.keep([kept(drive_id, middle, NOW_NS)])


def sent(plant: Plant, method: str, path: str, status: int, **how: Any) -> Any:
    answer = plant.client.request(method, API + path, **how)
    assert answer.status_code == status, answer.text
    return answer.json() if answer.content else None


def set_supply(
    plant: Plant, scope: str = "site", name: str = "Talheim", status: int = 200, **fields: Any
) -> Any:
    return sent(plant, "PUT", "/supply", status, params={"scope": scope, "name": name}, json=fields)


# Asked


def test_a_drive_is_told_by_when_in_which_stop_and_from_what(plant: Plant) -> None:
    with_drive(plant)
    set_supply(plant, lead_days=14, margin_days=6)
    stop = sent(plant, "POST", "/stops", 201, json=STOP)
    found = plant.get("/changes")
    [change] = found["changes"]
    assert change["answer"] == "by_date"
    assert (change["change_by"], change["needed_on"], change["order_by"]) == (
        "2026-11-29",
        "2026-11-09",
        "2026-10-20",
    )
    assert change["stop"] == stop["number"]
    assert 0 < change["chance"] < 0.1
    assert change["forecast_made"] == "2026-09-10T13:00:00Z"
    [planned] = found["stops"]
    assert (planned["stop"], planned["must"], planned["along"]) == (stop, ["press-3"], [])


def test_more_risk_is_a_later_day(plant: Plant) -> None:
    with_drive(plant)
    days = [
        plant.get("/changes", params={"risk": risk})["changes"][0]["change_by"] for risk in (0.01, 0.1, 0.5)
    ]
    assert days == ["2026-11-25", "2026-11-29", "2026-12-19"]


@pytest.mark.parametrize("risk", ["0", "0.6", "much", "nan"])
def test_a_risk_that_is_none_is_refused(plant: Plant, risk: str) -> None:
    for path in ("/changes", "/changes.csv", "/changes.ics"):
        assert plant.client.get(API + path, params={"risk": risk}).status_code == 422


def test_a_drive_without_trend_is_listed_with_that_answer_and_no_date(plant: Plant) -> None:
    with_drive(plant, middle=None)
    plant.ports.prognoses.keep([kept("press-3", 1, NOW_NS, outcome=Outcome.NO_TREND_YET)])
    [change] = plant.get("/changes")["changes"]
    assert change["answer"] == "no_trend_yet"
    assert "No trend yet" in change["said"]
    assert {change[name] for name in ("change_by", "order_by", "needed_on", "stop")} == {None}


def test_a_supposed_stop_is_tried_without_being_planned(plant: Plant) -> None:
    with_drive(plant)
    found = plant.get("/changes", params={"stop_on": "2026-11-20"})
    assert found["changes"][0]["needed_on"] == "2026-11-20"
    assert found["stops"][0]["stop"]["number"] < 0
    assert plant.get("/stops") == []


def test_site_and_line_narrow_the_list(plant: Plant) -> None:
    with_drive(plant)
    with_drive(plant, "kiln-1", site="Eschbach", line="1")
    assert [each["drive_id"] for each in plant.get("/changes", params={"site": "Talheim"})["changes"]] == [
        "press-3"
    ]
    assert plant.get("/changes", params={"line": "9"})["changes"] == []


def test_one_drive_comes_with_order_list_and_costs(plant: Plant) -> None:
    with_drive(plant)
    set_supply(plant, chain_price=800, stop_hour_price=900, unplanned_h=4, currency="EUR", lead_days=0)
    found = plant.get("/drives/press-3/change")
    assert (found["order"]["designation"], found["order"]["pitches"]) == ("16B-1", 98)
    assert "lock it out" in found["check_list"]["cautions"][0]
    assert found["costs"]["currency"] == "EUR"
    assert len(found["costs"]["rows"]) == 1
    assert found["costs"]["least"]["total"] <= found["costs"]["rows"][0]["total"] + 1e-9
    assert plant.client.get(f"{API}/drives/press-9/change").status_code == 404


def test_the_table_has_a_line_for_each_drive_and_starts_no_formula(plant: Plant) -> None:
    with_drive(plant, name="=cmd()")
    with_drive(plant, "z", None, name="")
    answer = plant.client.get(f"{API}/changes.csv")
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    first, second = list(csv.DictReader(io.StringIO(answer.text)))
    assert (first["drive_id"], first["name"], first["change_by"]) == ("press-3", "'=cmd()", "2026-11-29")
    assert (first["pitches"], first["connecting_links"], first["anchor_bolts"]) == ("98", "1", "false")
    assert (second["answer"], second["change_by"]) == ("no forecast yet", "")


# Said by people


def test_a_stop_is_planned_changed_and_taken_off(plant: Plant) -> None:
    with_drive(plant)
    stop = sent(plant, "POST", "/stops", 201, json=STOP | {"note": "boilers off"})
    assert stop["note"] == "boilers off"
    assert plant.get("/stops") == [stop]
    changed = sent(plant, "PUT", f"/stops/{stop['number']}", 200, json=STOP | {"name": "September"})
    assert (changed["number"], changed["name"], changed["note"]) == (stop["number"], "September", "")
    sent(plant, "DELETE", f"/stops/{stop['number']}", 204, params={"why": "off"})
    assert plant.get("/stops") == []
    assert [each.what for each in plant.ports.audit_log.entries()][:3] == [
        "planned stop removed",
        "planned stop changed",
        "stop planned",
    ]


def test_stops_that_are_over_come_only_if_asked_for(plant: Plant) -> None:
    with_drive(plant)
    over = STOP | {"starts": "2026-01-01T00:00:00Z", "ends": "2026-01-02T00:00:00Z"}
    sent(plant, "POST", "/stops", 201, json=over)
    assert plant.get("/stops") == []
    assert len(plant.get("/stops", params={"past": True})) == 1


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"name": " "}, "give the stop a name"),
        ({"ends": STOP["starts"]}, "ends before it starts"),
        ({"site": "Elsewhere"}, "no drive stands in Elsewhere"),
        ({"starts": "tomorrow"}, "RFC 3339"),
        ({"when": "x"}, "when"),
    ],
)
def test_what_is_no_stop_is_refused_with_the_fix(plant: Plant, fields: dict[str, str], said: str) -> None:
    with_drive(plant)
    assert said in sent(plant, "POST", "/stops", 422, json=STOP | fields)["detail"]
    assert plant.get("/stops") == []


def test_a_stop_that_is_not_there_is_told(plant: Plant) -> None:
    with_drive(plant)
    sent(plant, "PUT", "/stops/7", 404, json=STOP)
    sent(plant, "DELETE", "/stops/7", 404)
    sent(plant, "DELETE", f"/stops/{2**80}", 422)


def test_supply_is_set_listed_and_taken_back(plant: Plant) -> None:
    with_drive(plant)
    first = set_supply(plant, "designation", "16B-1", lead_days=28, why="offer of May")
    second = set_supply(plant, "drive", "press-3", centre_distance_mm=900.5)
    assert plant.get("/supply") == [first, second]
    assert (first["lead_days"], first["margin_days"], first["why"]) == (28, None, "offer of May")
    assert (
        plant.get("/changes")["changes"][0]["order_by"] == "2026-10-25"
    )  # 28 days and a week before 29 November
    sent(plant, "DELETE", "/supply", 204, params={"scope": "drive", "name": "press-3"})
    assert plant.get("/supply") == [first]
    sent(plant, "DELETE", "/supply", 404, params={"scope": "drive", "name": "press-3"})


@pytest.mark.parametrize(
    ("scope", "name", "fields", "status", "said"),
    [
        ("site", "Talheim", {}, 422, "at least one field"),
        ("site", "Talheim", {"chain_price": 1}, 422, "currency"),
        ("site", "Talheim", {"centre_distance_mm": 500}, 422, "for the drive"),
        ("site", "Nowhere", {"lead_days": 1}, 404, "no drive has the site"),
        ("drive", "press-9", {"lead_days": 1}, 404, "press-9"),
        ("class", "", {"lead_days": 1}, 422, "which class"),
        ("plant", "x", {"lead_days": 1}, 422, "scope"),
    ],
)
def test_what_supply_cannot_be_is_refused_with_the_fix(
    plant: Plant, scope: str, name: str, fields: dict[str, Any], status: int, said: str
) -> None:
    with_drive(plant)
    assert said in set_supply(plant, scope, name, status, **fields)["detail"]
    assert plant.get("/supply") == []


def test_duty_is_planned_and_taken_back(plant: Plant) -> None:
    with_drive(plant)
    hours = [16.0, 16.0, 16.0, 16.0, 15.5, 0.0, 0.0]
    given = sent(plant, "PUT", "/duty-plans/press-3", 200, json={"hours": hours, "why": "two shifts"})
    assert (given["hours"], given["joints_per_hour"], given["why"]) == (hours, None, "two shifts")
    assert plant.get("/duty-plans") == [given]
    sent(plant, "DELETE", "/duty-plans/press-3", 204)
    assert plant.get("/duty-plans") == []
    sent(plant, "DELETE", "/duty-plans/press-3", 404)


@pytest.mark.parametrize(
    ("hours", "said"), [([1.0] * 6, "7"), ([25.0] + [0.0] * 6, "from 0 to 24"), (["x"] * 7, "number")]
)
def test_hours_that_no_day_has_are_refused(plant: Plant, hours: list[Any], said: str) -> None:
    with_drive(plant)
    assert said in sent(plant, "PUT", "/duty-plans/press-3", 422, json={"hours": hours})["detail"]
    sent(plant, "PUT", "/duty-plans/press-9", 404, json={"hours": [1.0] * 7})
