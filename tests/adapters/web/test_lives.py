"""Lives, sprockets, upkeep and influence over HTTP: API and pages, on both stores."""

import sys
from dataclasses import replace
from typing import Any

import pytest

from service.adapters.web.allowed import guarded_routes
from service.core.drive import Drive
from service.core.life import RemovalKind
from service.core.people import Role
from tests.adapters.web.plant import API, NOW_NS, Plant, add, with_press
from tests.contracts.given import A_CHAIN, DAY_NS, NOON_NS, S, a_reading

HOSTILE = "<script>alert(1)</script>\"'&"
OFF = "/drives/press-3/chains/press-3-a/take-off"


def post(plant: Plant, path: str, status: int = 201, **given: Any) -> Any:
    answer = plant.client.post(API + path, json=given)
    assert answer.status_code == status, answer.text
    return answer.json()


def with_reading(plant: Plant) -> None:
    with_press(plant)
    plant.ports.readings.store([a_reading(60, 1.2)])


# Chains that came off


def test_a_chain_is_taken_off_with_what_it_was_for(plant: Plant) -> None:
    with_reading(plant)
    chain = post(plant, OFF, 200, why="at its limit", kind="worn", note="plates polished")
    assert chain["removed"] == "2026-09-10T13:00:00Z"
    (past,) = plant.get("/drives/press-3/lives")
    assert (past["kind"], past["why"], past["note"]) == ("worn", "at its limit", "plates polished")
    assert (past["elongation_pct"], past["u_pct"], past["source"]) == (1.2, 0.011, "live")
    assert past["measured"] == "2026-09-10T12:01:00Z"
    assert past["days"] == pytest.approx(3600 / 86_400, abs=1e-3)


def test_a_request_of_before_is_still_understood(plant: Plant) -> None:
    """Only `why`, as clients sent it before there were kinds."""
    with_press(plant)
    post(plant, OFF, 200, why="worn")
    (past,) = plant.get("/drives/press-3/lives")
    assert (past["kind"], past["why"], past["elongation_pct"]) == ("other", "worn", None)


def test_a_chain_that_is_on_has_a_life_so_far(plant: Plant) -> None:
    with_press(plant)
    (past,) = plant.get("/drives/press-3/lives")
    assert (past["removed"], past["kind"], past["source"]) == (None, None, "")


def test_how_it_ended_can_be_said_later(plant: Plant) -> None:
    with_reading(plant)
    post(plant, OFF, 200, why="worn")
    path = "/drives/press-3/chains/press-3-a/removal"
    past = post(plant, path, kind="broken", elongation_pct=1.5, u_pct=0.2, hours=90, by="A. Vogt")
    assert (past["kind"], past["elongation_pct"], past["source"], past["hours"]) == (
        "broken",
        1.5,
        "said",
        90,
    )
    assert past["by"] == "A. Vogt"
    problem = post(plant, path, 422, kind="broken", elongation_pct=99)
    assert problem["errors"][0]["field"] == "elongation_pct"
    assert post(plant, "/drives/press-3/chains/none/removal", 404, kind="worn")["status"] == 404


def test_a_chain_that_is_on_cannot_have_ended(plant: Plant) -> None:
    with_press(plant)
    problem = post(plant, "/drives/press-3/chains/press-3-a/removal", 409, kind="worn")
    assert "take it off" in problem["detail"]


# Sprockets


def test_sprockets_are_fitted_inspected_and_taken_off(plant: Plant) -> None:
    with_press(plant)
    on = post(plant, "/drives/press-3/sprockets", place="driver", fitted="2026-09-01T00:00:00Z", note="new")
    assert (on["teeth"], on["due"], on["removed"]) == (19, "no", None)
    path = f"/drives/press-3/sprockets/{on['number']}"
    seen = post(plant, f"{path}/inspections", worn=True, note="hooked", by="A. Vogt")
    assert (seen["worn"], seen["by"], seen["inspected"]) == (True, "A. Vogt", "2026-09-10T13:00:00Z")
    (state,) = plant.get("/drives/press-3/sprockets")
    assert (state["due"], state["inspected"]) == ("yes", seen)
    off = post(plant, f"{path}/take-off", 200, why="hooked teeth")
    assert (off["removed_why"], off["due"]) == ("hooked teeth", None)
    assert plant.get("/drives/press-3/sprockets") == []
    assert len(plant.get("/drives/press-3/sprockets?removed=true")) == 1
    assert "off already" in post(plant, f"{path}/take-off", 409)["detail"]


def test_a_sprocket_of_another_drive_is_not_found(plant: Plant) -> None:
    with_press(plant)
    add(plant, "saw")
    on = post(plant, "/drives/saw/sprockets", place="driven", teeth=40)
    for path, given in (("take-off", {}), ("inspections", {"worn": True})):
        problem = post(plant, f"/drives/press-3/sprockets/{on['number']}/{path}", 404, **given)
        assert "GET /api/v1/drives/press-3/sprockets" in problem["detail"]
    assert post(plant, "/drives/none/sprockets", 404, place="driver")["status"] == 404
    assert post(plant, "/drives/saw/sprockets", 422, place="driver", teeth=2)["errors"][0]["field"] == "teeth"


# Upkeep


def test_what_was_done_is_listed_and_struck(plant: Plant) -> None:
    with_press(plant)
    done = post(
        plant,
        "/drives/press-3/events",
        kind="lubricant_changed",
        lubricant="ISO VG 150",
        at="2026-09-10T11:00:00Z",
        by="A. Vogt",
    )
    assert (done["at"], done["by"], done["struck"]) == ("2026-09-10T11:00:00Z", "A. Vogt", None)
    assert plant.get("/drives/press-3/events") == [done]
    path = f"/drives/press-3/events/{done['number']}/strike"
    struck = post(plant, path, 200, why="another drive", by="M. Brandt")
    assert (struck["struck"], struck["struck_by"]) == ("2026-09-10T13:00:00Z", "M. Brandt")
    assert plant.get("/drives/press-3/events") == []
    assert plant.get("/drives/press-3/events?struck=true") == [struck]
    assert "struck by M. Brandt" in post(plant, path, 409)["detail"]


@pytest.mark.parametrize(
    ("given", "field"),
    [
        ({"kind": "lubricant_changed"}, "lubricant"),
        ({"kind": "other"}, "note"),
        ({"kind": "lubricated", "at": "2026-09-11T11:00:00Z"}, "at"),
        ({"kind": "oiled"}, "kind"),
    ],
)
def test_an_event_that_cannot_be_is_refused_with_the_field(
    plant: Plant, given: dict[str, Any], field: str
) -> None:
    with_press(plant)
    problem = post(plant, "/drives/press-3/events", 422, **given)
    assert problem["errors"][0]["field"].endswith(field)
    assert plant.get("/drives/press-3/events") == []


# Lives


def with_lives(plant: Plant) -> None:
    """Three drives of a class, each with chains of 40 and 60 days worn out, and one that came off untold."""
    for number in range(3):
        drive_id = f"feed-{number}"
        plant.ports.register.add_drive(Drive(drive_id=drive_id, drive_class="feed & <b>"))
        start_ns = NOON_NS - 100 * DAY_NS
        for days, removed in ((40, "2026-07-12T12:00:00Z"), (60, "2026-09-10T12:00:00Z")):
            chain = replace(A_CHAIN, drive_id=drive_id, chain_id=f"{drive_id}-{days}", fitted_ns=start_ns)
            start_ns += days * DAY_NS
            plant.ports.register.fit_chain(chain)
            path = f"/drives/{drive_id}/chains/{chain.chain_id}/take-off"
            post(plant, path, 200, why="x", kind="worn", removed=removed)
        chain = replace(A_CHAIN, drive_id=drive_id, chain_id=f"{drive_id}-a", fitted_ns=NOON_NS)
        plant.ports.register.fit_chain(chain)
        plant.ports.register.take_off_chain(chain.chain_id, NOON_NS + S, "tried")


def test_lives_are_told_by_class_and_of_one_class(plant: Plant) -> None:
    with_lives(plant)
    told = plant.get("/lives")
    (feed,) = told["classes"]
    assert (feed["drive_class"], feed["drives"], feed["kinds"]["worn"]) == ("feed & <b>", 3, 6)
    assert feed["days"]["median"] == pytest.approx(40)
    one = plant.get("/lives", params={"class": "feed & <b>", "unit": "days"})
    assert one["survival"]["ended"] == 6
    assert {each["ended"] for each in one["lives"] if each["kind"] == "other"} == {False}
    hours = plant.get("/lives", params={"class": "feed & <b>", "unit": "hours"})
    assert (hours["unknown"], hours["survival"]["count"]) == (9, 0)
    compared = plant.get("/lives", params={"class": "feed & <b>", "change": "method_changed"})["compared"]
    assert (compared["p"], compared["told"]) == (None, False)
    assert compared["words"].startswith("Nothing can be said yet")


def test_a_class_that_is_not_there_and_a_change_that_does_not_last_are_told(plant: Plant) -> None:
    with_lives(plant)
    assert plant.client.get(f"{API}/lives?class=none").status_code == 404
    answer = plant.client.get(f"{API}/lives", params={"class": "feed & <b>", "change": "cleaned"})
    assert (answer.status_code, "method_changed" in answer.json()["detail"]) == (422, True)


def test_without_scipy_api_and_page_say_what_to_install(
    fake_plant: Plant, monkeypatch: pytest.MonkeyPatch
) -> None:
    with_lives(fake_plant)
    monkeypatch.setitem(sys.modules, "scipy", None)
    answer = fake_plant.client.get(f"{API}/lives")
    assert answer.status_code == 503
    assert "pip install 'linklag[life]'" in answer.json()["detail"]
    assert "linklag[life]" in fake_plant.page("/lives", 503)


def test_the_pages_of_lives_tell_what_the_api_tells_and_escape(plant: Plant) -> None:
    with_lives(plant)
    page = plant.page("/lives")
    assert "6 of 9 chains worn out; half live longer than 40 days" in page
    assert "feed &amp; &lt;b&gt;" in page
    assert "<b>" not in page.split("<main", 1)[1].split("feed")[1][:20]
    one = plant.page("/lives?class=feed+%26+%3Cb%3E")
    assert '<svg class="trend lives"' in one
    assert "lived at least so long" in one
    assert "before and after another lubricant" in one
    assert "Nothing can be said yet" in plant.page("/lives?class=feed+%26+%3Cb%3E&change=lubricant_changed")
    assert "nobody counted how far" in plant.page("/lives?class=feed+%26+%3Cb%3E&unit=hours")
    plant.page("/lives?class=none", 404)


# What wear goes with


def test_a_drive_without_days_says_that_there_is_no_rate_yet(plant: Plant) -> None:
    with_reading(plant)
    told = plant.get("/drives/press-3/influence")
    assert (told["rate_pct_per_1000_km"], told["relations"]) == (None, [])
    assert "say nothing of the rate yet" in told["words"]
    assert told["to"] == "2026-09-10T13:00:00Z"
    assert "There is no rate yet" in plant.page("/drives/press-3/influence")
    assert plant.client.get(f"{API}/drives/press-3/influence?from=2026-09-11T00:00:00Z").status_code == 422
    assert plant.client.get(f"{API}/drives/none/influence").status_code == 404
    plant.page("/drives/none/influence", 404)


def with_days(plant: Plant, days: int = 60) -> None:
    with_press(plant)
    chain = replace(A_CHAIN, chain_id="saw-a", drive_id="saw", fitted_ns=NOON_NS - 90 * DAY_NS)
    plant.ports.register.add_drive(replace(plant.ports.register.drive("press-3"), drive_id="saw"))
    plant.ports.register.fit_chain(chain)
    readings, worn = [], 0.5
    for day in range(days):
        t_ns, joints = NOON_NS - (days - day) * DAY_NS, 1_500_000 + 100_000 * (day * 7 % 5)
        worn += 0.05 * joints * 25.4e-9 / 2
        readings.append(
            replace(
                a_reading(0, worn + 0.0002 * (day * 5 % 3), seq=day),
                drive_id="saw",
                chain_id="saw-a",
                t_ns=t_ns,
                t0_ns=t_ns - 10 * S,
                up_pulses=joints,
                load_n=3000.0 + 100 * (day % 7),
            )
        )
        worn += 0.05 * joints * 25.4e-9 / 2
    plant.ports.readings.store(readings)
    while plant.ports.readings.roll_up():
        pass


def test_a_drive_with_days_shows_rate_bins_and_an_answer_for_each_factor(plant: Plant) -> None:
    with_days(plant)
    post(plant, "/drives/saw/events", kind="cleaned", note=HOSTILE, at="2026-08-20T10:00:00Z")
    told = plant.get("/drives/saw/influence")
    assert told["rate_pct_per_1000_km"] == pytest.approx(0.05, rel=0.1)
    assert [each["factor"] for each in told["relations"]] == [
        "load",
        "speed",
        "temperature",
        "since_lubricated",
        "change",
    ]
    assert all(each["words"] for each in told["relations"])
    assert 8 <= len(told["bins"]) <= 10
    assert [each["kind"] for each in told["events"]] == ["cleaned"]
    page = plant.page("/drives/saw/influence")
    assert '<svg class="trend influence"' in page
    assert "Cleaned" in page
    assert "A relation is no cause" in page
    assert HOSTILE not in page
    assert plant.page("/drives/saw/influence?span=nonsense")


# Forms


def test_upkeep_is_recorded_by_a_form_and_struck(plant: Plant) -> None:
    with_press(plant)
    fields = {"up-kind": "lubricant_changed", "up-lubricant": HOSTILE, "up-done": "2026-09-10T11:30"}
    answer = plant.post_form("/drives/press-3/upkeep", **fields, **{"up-by": "A. Vogt"})
    assert (answer.status_code, answer.headers["location"]) == (303, "/drives/press-3/upkeep#done")
    (done,) = plant.ports.upkeep_log.of("press-3")
    assert (done.by, done.at_ns) == ("A. Vogt", NOON_NS - 1800 * S)
    page = plant.page("/drives/press-3/upkeep")
    assert HOSTILE not in page
    assert "Another lubricant: &lt;script&gt;" in page
    answer = plant.post_form(f"/drives/press-3/upkeep/{done.number}/strike")
    assert answer.status_code == 303
    assert "struck as an error by" in plant.page("/drives/press-3/upkeep")


@pytest.mark.parametrize(
    ("path", "fields", "said"),
    [
        ("upkeep", {}, "fill this in"),
        ("upkeep", {"up-kind": "oiled", "up-note": "kept"}, "choose one of these"),
        ("upkeep", {"up-kind": "other"}, "say what was done"),
        ("upkeep", {"up-kind": "cleaned", "up-done": "2027-01-01T00:00"}, "ahead of now"),
        ("sprockets", {"sp-place": "shaft"}, "choose one of these"),
        ("sprockets", {"sp-place": "driver", "sp-teeth": "2"}, "count the teeth"),
        ("removal", {"chain_id": "none", "re-kind": "worn"}, "choose one of the chains"),
        ("removal", {"chain_id": "press-3-a", "re-0-kind": "worn"}, "take it off"),
    ],
)
def test_a_form_that_is_refused_comes_back_with_what_was_typed(
    plant: Plant, path: str, fields: dict[str, str], said: str
) -> None:
    with_press(plant)
    answer = plant.post_form(f"/drives/press-3/{path}", **fields)
    assert answer.status_code == 422
    assert said in answer.text
    for value in ("kept",) if "up-note" in fields else ():
        assert value in answer.text
    assert plant.ports.upkeep_log.of() == []
    assert plant.ports.sprockets.of() == []


def test_sprockets_are_recorded_by_forms(plant: Plant) -> None:
    with_press(plant)
    answer = plant.post_form(
        "/drives/press-3/sprockets",
        **{"sp-place": "driver", "sp-teeth": "19", "sp-fitted": "2026-09-01T08:00"},
    )
    assert answer.headers["location"] == "/drives/press-3/upkeep#sprockets"
    (on,) = plant.ports.sprockets.of("press-3")
    path = f"/drives/press-3/sprockets/{on.number}"
    refused = plant.post_form(f"{path}/inspect")
    assert (refused.status_code, "fill this in" in refused.text) == (422, True)
    assert plant.post_form(f"{path}/inspect", **{f"in-{on.number}-worn": "yes"}).status_code == 303
    page = plant.page("/drives/press-3/upkeep")
    assert "its teeth were found worn" in page
    assert "Lock out and tag out" in page
    assert plant.post_form(f"{path}/take-off", why="hooked").status_code == 303
    assert "Sprockets that were on before: 1" in plant.page("/drives/press-3/upkeep")
    assert plant.post_form("/drives/press-3/sprockets/99/take-off").status_code == 404


def test_a_chain_comes_off_by_the_form_with_its_kind_and_is_corrected_on_the_page(plant: Plant) -> None:
    with_reading(plant)
    answer = plant.post_form(
        "/drives/press-3/chain/take-off",
        **{"off-why": "jam", "off-kind": "damaged", "off-elongation_pct": "1,4"},
    )
    assert answer.status_code == 303
    (removal,) = plant.ports.removals.newest()
    assert (removal.kind, removal.elongation_pct) == (RemovalKind.DAMAGED, 1.4)
    fields = {"chain_id": "press-3-a", "re-0-kind": "worn", "re-0-note": "seen again"}
    assert plant.post_form("/drives/press-3/removal", **fields).status_code == 303
    page = plant.page("/drives/press-3/upkeep")
    assert "seen again" in page
    assert "1.200 ± 0.022 %" in page


def test_a_form_without_a_kind_takes_the_chain_off_as_before(plant: Plant) -> None:
    with_press(plant)
    assert plant.post_form("/drives/press-3/chain/take-off", **{"off-why": "worn"}).status_code == 303
    (removal,) = plant.ports.removals.newest()
    assert removal.kind is RemovalKind.OTHER
    assert "other, or not known" in plant.page("/drives/press-3/upkeep")


def test_a_kind_that_is_none_is_told_above_the_form(plant: Plant) -> None:
    with_press(plant)
    answer = plant.post_form("/drives/press-3/chain/take-off", **{"off-why": "worn", "off-kind": "eaten"})
    assert answer.status_code == 422
    assert plant.ports.register.chains("press-3")[0].removed_ns is None


def test_who_may_do_what(fake_plant: Plant) -> None:
    roles = {
        (route.path, method): route.role
        for route in guarded_routes(fake_plant.app)
        for method in route.methods
    }
    for path in (f"{API}/drives/{{drive_id}}/events", "/drives/{drive_id}/upkeep"):
        assert roles[path, "POST"] is Role.OPERATOR
        assert roles[path, "GET"] is Role.VIEWER
    for path in (f"{API}/drives/{{drive_id}}/sprockets", "/drives/{drive_id}/sprockets"):
        assert roles[path, "POST"] is Role.ENGINEER
    assert roles["/drives/{drive_id}/removal", "POST"] is Role.ENGINEER
    assert roles[f"{API}/drives/{{drive_id}}/sprockets/{{number}}/inspections", "POST"] is Role.OPERATOR
    assert roles["/lives", "GET"] is Role.VIEWER


def test_the_page_of_a_drive_that_is_not_there_is_none(plant: Plant) -> None:
    plant.page("/drives/none/upkeep", 404)
    assert NOW_NS
