"""Sites and classes by page and API: what has their name, another name for all of it at once, drives moved between them."""

import re
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest

from service.core.setpoint import ConditionKind, Override, Scope
from service.core.shift import Site
from tests.adapters.web.plant import API, NOW_NS, Plant, a_plant, add
from tests.contracts.given import STORES


@pytest.fixture(params=STORES)
def plant(request: pytest.FixtureRequest) -> Iterator[Plant]:
    with a_plant(request.param) as made:
        add(made, "saw-1", site="Talheim", drive_class="feed / heavy")
        add(made, "saw-2", site="Talheim")
        add(made, "press-3", site="Eschbach")
        made.ports.register.retire_drive("saw-2", NOW_NS)
        made.ports.sites.put(Site(site="Talheim", zone="Europe/Berlin"))
        made.ports.setpoints.put(
            Override(
                scope=Scope.SITE,
                name="Talheim",
                kind=ConditionKind.NEAR,
                value=85.0,
                why="so",
                by="x",
                at_ns=NOW_NS,
            )
        )
        yield made


def tag(plant: Plant, kind: str = "site") -> str:
    return str(plant.client.get(f"{API}/groups/{kind}").headers["ETag"])


def ask(plant: Plant, path: str, status: int, if_match: str | None = None, **body: Any) -> Any:
    answer = plant.client.post(
        f"{API}/groups/{path}",
        json={"why": "as on the gate", **body},
        headers={"If-Match": tag(plant) if if_match is None else if_match},
    )
    assert answer.status_code == status, answer.text
    return answer.json()


def names(plant: Plant, field: str = "site") -> dict[str, str]:
    return {each.drive_id: getattr(each, field) for each in plant.ports.register.drives(retired=True)}


def test_each_group_is_listed_with_what_has_its_name(plant: Plant) -> None:
    assert [(each["name"], each["drives"], each["retired"]) for each in plant.get("/groups/site")] == [
        ("Eschbach", ["press-3"], []),
        ("Talheim", ["saw-1"], ["saw-2"]),
    ]
    assert [(each["setpoints"], each["shifts"]) for each in plant.get("/groups/site")] == [
        (0, False),
        (1, True),
    ]
    assert [(each["name"], each["drives"]) for each in plant.get("/groups/class")] == [
        ("feed / heavy", ["saw-1"]),
        ("", ["press-3"]),
    ]


def test_a_renamed_site_takes_drives_setpoints_and_shifts_along(plant: Plant) -> None:
    done = ask(plant, "site/rename", 200, name="Talheim", to=" Talheim II ")
    assert done == {"drives": 2, "also": ["1 setpoint", "its shifts"]}
    assert names(plant) == {"press-3": "Eschbach", "saw-1": "Talheim II", "saw-2": "Talheim II"}
    assert [each.name for each in plant.ports.setpoints.overrides()] == ["Talheim II"]
    assert [each.site for each in plant.ports.sites.sites()] == ["Talheim II"]
    whole, *each = plant.ports.audit_log.entries()
    assert (whole.what, whole.subject, dict(whole.old)) == (
        "site renamed",
        "site Talheim II",
        {"name": "Talheim"},
    )
    assert {entry.subject for entry in each[:2]} == {"drive saw-1", "drive saw-2"}
    assert all(entry.why == "as on the gate" for entry in each[:2])


def test_a_name_in_use_is_refused_and_nothing_renamed(plant: Plant) -> None:
    refused = ask(plant, "site/rename", 409, name="Talheim", to="Eschbach")
    assert "there already (1 drive)" in refused["detail"]
    assert "move the drives" in refused["detail"]
    assert set(names(plant).values()) == {"Talheim", "Eschbach"}


@pytest.mark.parametrize(
    ("body", "status", "said"),
    [
        ({"name": "Bruchtal", "to": "X"}, 404, "no site 'Bruchtal'"),
        ({"name": "Talheim", "to": "Talheim"}, 422, "nothing to do"),
        ({"name": "Talheim", "to": "a\nb"}, 422, ""),
        ({"name": "Talheim", "to": "  "}, 422, "give the name"),
        ({"name": "Talheim", "to": "X", "why": " "}, 422, "say why"),
    ],
)
def test_what_cannot_be_renamed_says_why(plant: Plant, body: Any, status: int, said: str) -> None:
    before = names(plant)
    assert said in str(ask(plant, "site/rename", status, **body))
    assert names(plant) == before


@pytest.mark.parametrize("path", ["site/rename", "site/move"])
def test_nothing_is_regrouped_where_the_register_has_changed(plant: Plant, path: str) -> None:
    seen = tag(plant)
    drive = plant.ports.register.drive("press-3")
    plant.ports.register.change_drive(replace(drive, note="new guard"))
    body = {"name": "Talheim", "to": "X"} if path.endswith("rename") else {"drives": ["saw-1"], "to": "X"}
    refused = ask(plant, path, 412, seen, **body)
    assert tag(plant).strip('"') in refused["detail"]
    assert "X" not in names(plant).values()


def test_moved_drives_have_the_other_class_and_what_is_set_stays(plant: Plant) -> None:
    done = ask(plant, "class/move", 200, drives=["press-3", "saw-1", "press-3"], to="Presses")
    assert done["drives"] == 2
    assert names(plant, "drive_class") == {"press-3": "Presses", "saw-1": "Presses", "saw-2": ""}
    ask(plant, "site/move", 200, drives=["saw-1"], to="")
    assert names(plant)["saw-1"] == ""
    assert [each.name for each in plant.ports.setpoints.overrides()] == ["Talheim"]


def test_of_drives_one_of_which_is_unknown_none_is_moved(plant: Plant) -> None:
    ask(plant, "site/move", 404, drives=["press-3", "nail-1"], to="Talheim")
    assert names(plant)["press-3"] == "Eschbach"
    assert "nothing to do" in ask(plant, "site/move", 409, drives=["saw-1"], to="Talheim")["detail"]


# The pages


def version(page: str) -> str:
    return str(re.findall(r'name="version" value="(\d+)"', page)[0])


def test_the_pages_list_groups_and_show_one(plant: Plant) -> None:
    page = plant.page("/sites")
    assert "Talheim" in page
    assert "1 retired" in page
    assert "/lives?class=feed%20/%20heavy" in plant.page("/classes")
    assert "No class" in plant.page("/classes")
    page = plant.page("/sites?name=Talheim")
    assert "saw-1" in page
    assert "saw-2" in page
    assert "press-3" not in page
    plant.page("/sites?name=Bruchtal", 404)


def test_a_site_is_renamed_on_its_page(plant: Plant) -> None:
    fields = {
        "version": version(plant.page("/sites?name=Talheim")),
        "name": "Talheim",
        "why": "as on the gate",
    }
    answer = plant.post_form("/sites/rename", **fields, to="Eschbach")
    assert answer.status_code == 422
    assert "there already" in answer.text
    answer = plant.post_form("/sites/rename", **fields, to="Talheim II")
    assert (answer.status_code, answer.headers["location"]) == (303, "/sites?name=Talheim+II")
    assert names(plant)["saw-1"] == "Talheim II"


def test_marked_drives_are_moved_on_the_page_and_stay_marked_where_it_is_refused(plant: Plant) -> None:
    seen = version(plant.page("/classes?name=feed / heavy"))
    fields = {"version": seen, "name": "feed / heavy", "drive": "saw-1", "to": "Presses"}
    answer = plant.post_form("/classes/move", **fields, why="")
    assert answer.status_code == 422
    assert "say why" in answer.text
    assert re.search(r'value="saw-1"[^>]* checked', answer.text)
    assert plant.post_form("/classes/move", **fields, why="like duty").status_code == 303
    assert names(plant, "drive_class")["saw-1"] == "Presses"
    plant.page("/classes?name=feed / heavy", 404)


def test_an_empty_plant_says_where_groups_come_from() -> None:
    with a_plant() as plant:
        assert "Say in the settings of a drive where it stands" in plant.page("/sites")
        assert "the same class" in plant.page("/classes")
