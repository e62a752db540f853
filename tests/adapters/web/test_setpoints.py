"""Setpoints by API and page: what holds and where it comes from, set with a reason, and nothing that cannot be."""

from collections.abc import Iterator
from typing import Any

import pytest

from service.core.condition_words import ENGLISH
from service.core.setpoint import FIELDS, RULES, ConditionKind, Priority
from tests.adapters.web.plant import API, Plant, a_plant, add
from tests.contracts.given import STORES

NEAR = {"scope": "class", "name": "feed / heavy"}


@pytest.fixture(params=STORES)
def plant(request: pytest.FixtureRequest) -> Iterator[Plant]:
    with a_plant(request.param) as made:
        add(made, "a", 1.0, site="Talheim", drive_class="feed / heavy")
        add(made, "b", 1.0, site="Talheim")
        yield made


def put(plant: Plant, kind: str = "near", status: int = 200, how: Any = None, **body: Any) -> Any:
    answer = plant.client.put(
        f"{API}/setpoints/{kind}", params=how or NEAR, json={"why": "one stop a year", **body}
    )
    assert answer.status_code == status, answer.text
    return answer.json()


def of(plant: Plant, drive: str, kind: str = "near") -> Any:
    return next(each for each in plant.get("/setpoints", params={"drive": drive}) if each["kind"] == kind)


def test_every_kind_is_listed_with_what_is_built_in_and_its_words(plant: Plant) -> None:
    found = plant.get("/setpoints", params={"drive": "b"})
    assert [each["kind"] for each in found] == [str(kind) for kind in ConditionKind]
    for each in found:
        kind = ConditionKind(each["kind"])
        setpoint = RULES[kind].setpoint
        assert each["origin"] == dict.fromkeys(FIELDS, "built in")
        assert Priority[each["priority"].upper()] is setpoint.priority
        assert [each[name] for name in FIELDS if name != "priority"] == [
            getattr(setpoint, name) for name in FIELDS if name != "priority"
        ]
        assert (each["title"], each["unit"]) == (ENGLISH[kind].title, RULES[kind].unit)


def test_what_is_set_for_a_class_holds_for_its_drives_and_says_so(plant: Plant) -> None:
    given = put(plant, value=85.0, priority="high")
    assert (given["value"], given["priority"], given["deadband"]) == (85.0, "high", None)
    assert given["time"] == "2026-09-10T13:00:00Z"
    near = of(plant, "a")
    assert (near["value"], near["priority"]) == (85.0, "high")
    assert {name for name, where in near["origin"].items() if where == "class"} == {"value", "priority"}
    assert of(plant, "b")["value"] == 90.0
    assert plant.get("/setpoints/overrides") == [given]


def test_what_is_taken_back_falls_to_what_is_less_specific(plant: Plant) -> None:
    put(plant, value=85.0)
    path = f"{API}/setpoints/near"
    assert plant.client.delete(path, params=NEAR).status_code == 422  # no reason
    assert plant.client.delete(path, params={**NEAR, "why": "ordered"}).status_code == 204
    assert of(plant, "a")["value"] == 90.0
    again = plant.client.delete(path, params={**NEAR, "why": "ordered"})
    assert again.status_code == 404
    assert "nothing to remove" in again.json()["detail"]


def test_every_change_is_in_the_audit_log_with_old_new_and_why(plant: Plant) -> None:
    put(plant, value=85.0)
    put(plant, value=86.0)
    plant.client.delete(f"{API}/setpoints/near", params={**NEAR, "why": "no more"})
    removed, changed, first = plant.ports.audit_log.entries(subject="setpoint near of class feed / heavy")
    assert (first.what, dict(first.old), dict(first.new)) == ("setpoint set", {}, {"value": 85.0})
    assert (changed.what, dict(changed.old), dict(changed.new)) == (
        "setpoint changed",
        {"value": 85.0},
        {"value": 86.0},
    )
    assert (removed.what, removed.why, dict(removed.old)) == ("setpoint removed", "no more", {"value": 86.0})


@pytest.mark.parametrize(
    ("kind", "how", "body", "status", "said"),
    [
        ("near", NEAR, {"value": 1e6}, 422, "not within 5 to 150"),
        ("near", NEAR, {"on_readings": 1}, 422, "one alone may be noise"),
        ("near", NEAR, {"value": 60.0}, 422, "the steps must rise"),
        ("approaching", NEAR, {"value": 95.0}, 422, "the steps must rise"),
        ("near", NEAR, {}, 422, "at least one field"),
        ("near", NEAR, {"value": 80.0, "why": ""}, 422, "say why"),
        ("near", NEAR, {"valeu": 80.0}, 422, "valeu"),
        ("sensor_moved", NEAR, {"value": 80.0}, 422, "has no value"),
        ("near", {"scope": "class", "name": "feeed"}, {"value": 80.0}, 404, "no drive has the class 'feeed'"),
        ("near", {"scope": "site", "name": "x"}, {"value": 80.0}, 404, "no drive has the site"),
        ("near", {"scope": "drive", "name": "x"}, {"value": 80.0}, 404, "not registered"),
    ],
)
def test_what_cannot_be_is_refused_with_the_fix_and_changes_nothing(
    plant: Plant, kind: str, how: Any, body: dict[str, Any], status: int, said: str
) -> None:
    assert said in put(plant, kind, status, how, **body)["detail"]
    assert plant.get("/setpoints/overrides") == []


def test_a_step_may_pass_another_once_that_is_not_watched(plant: Plant) -> None:
    put(plant, "near", enabled=False)
    assert put(plant, "approaching", value=95.0)["value"] == 95.0
    answer = plant.client.delete(f"{API}/setpoints/near", params={**NEAR, "why": "again"})
    assert answer.status_code == 422
    assert "the steps must rise" in answer.json()["detail"]


def test_an_unknown_drive_is_told(plant: Plant) -> None:
    assert plant.client.get(f"{API}/setpoints", params={"drive": "x"}).status_code == 404
    plant.page("/setpoints?drive=x", 404)


# The page


def test_the_page_shows_what_is_built_in_and_what_holds_for_a_drive(plant: Plant) -> None:
    html = plant.page("/setpoints")
    for kind in ConditionKind:
        assert ENGLISH[kind].title in html
    assert "Nothing: all is as built in." in html
    put(plant, value=85.0)
    html = plant.page("/setpoints?drive=a")
    assert "85 % of the limit" in html
    assert "set for the class" in html
    assert "one stop a year" in html


def test_a_setpoint_is_set_and_taken_back_on_the_page(plant: Plant) -> None:
    form = plant.page("/setpoints?kind=near&drive=a")
    assert 'name="why"' in form
    fields = {
        "kind": "near",
        "scope": "drive",
        "name": "a",
        "value": "87,5",
        "priority": "HIGH",
        "enabled": "yes",
    }
    answer = plant.post_form("/setpoints?drive=a", **fields, why="slow supplier")
    assert (answer.status_code, answer.headers["location"]) == (303, "/setpoints?drive=a")
    near = of(plant, "a")
    assert (near["value"], near["priority"], near["enabled"]) == (87.5, "high", True)
    assert 'value="87.5"' in plant.page("/setpoints?kind=near&drive=a")
    keys = {"kind": "near", "scope": "drive", "name": "a"}
    assert plant.post_form("/setpoints/remove", **keys).status_code == 422
    assert plant.post_form("/setpoints/remove", **keys, why="came early").status_code == 303
    assert of(plant, "a")["value"] == 90.0


def test_a_form_that_is_refused_comes_back_with_what_was_typed(plant: Plant) -> None:
    answer = plant.post_form("/setpoints", kind="near", scope="drive", name="a", value="400", why="<b>")
    assert answer.status_code == 422
    assert 'value="400"' in answer.text
    assert "not within 5 to 150" in answer.text
    assert "<b>Nothing was stored yet" in answer.text
    assert 'value="&lt;b&gt;"' in answer.text
    for bad in (
        {"kind": "x", "scope": "drive"},
        {"kind": "near", "scope": "x"},
        {"kind": "near", "scope": "drive"},
    ):
        assert plant.post_form("/setpoints", **bad, name="a", value="80").status_code == 422
    assert plant.get("/setpoints/overrides") == []


def test_a_kind_without_a_value_has_no_field_for_one(plant: Plant) -> None:
    html = plant.page("/setpoints?kind=sensor_moved")
    assert 'name="value"' not in html
    assert 'name="on_readings"' in html
