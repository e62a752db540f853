"""API and pages of sites with their shifts, work in hand, notes and handovers."""

import csv
import hashlib
import io
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from service.adapters.web.handover_csv import FIELDS, as_csv
from service.adapters.web.handover_view import length_words, summary, view_of
from service.core.condition_words import ENGLISH
from service.core.handover import make_content
from tests.adapters.web.handed_plant import SITE, TO_NS, H, stocked
from tests.adapters.web.plant import API, Plant, a_plant
from tests.contracts.given import NOON_NS, STORES, S
from tests.core.handed import full

NOW_NS = TO_NS + 60 * S
GOLDEN = Path(__file__).parents[2] / "golden" / "handover.csv"
SITE_JSON: dict[str, Any] = {
    "site": "Talheim",
    "zone": "Europe/Berlin",
    "slots": [
        {"name": "Early", "starts": "06:00", "ends": "14:00", "days": [1, 2, 3, 4, 5, 6, 7]},
        {"name": "Late", "starts": "14:00", "ends": "22:00", "days": [1, 2, 3, 4, 5, 6, 7]},
        {"name": "Night", "starts": "22:00", "ends": "06:00", "days": [1, 2, 3, 4, 5, 6, 7]},
    ],
}


@pytest.fixture(params=STORES)
def plant(request: pytest.FixtureRequest) -> Iterator[Plant]:
    """A plant a minute after the end of a shift in which a lot happened."""
    with a_plant(request.param, now_ns=lambda: NOW_NS) as made:
        stocked(made.ports)
        yield made


@pytest.fixture
def bare() -> Iterator[Plant]:
    """An empty plant at 13:00 UTC."""
    with a_plant() as made:
        yield made


def post(plant: Plant, path: str, body: Any, status: int = 201) -> Any:
    answer = plant.client.post(API + path, json=body)
    assert answer.status_code == status, answer.text
    return answer.json()


def frozen(plant: Plant) -> int:
    return int(post(plant, "/handovers", {"site": "Talheim"})["number"])


# Sites and shifts


def test_a_site_is_set_and_says_which_shift_is_on(bare: Plant) -> None:
    assert bare.get("/sites") == []
    answer = bare.client.put(f"{API}/sites", json=SITE_JSON | {"why": "from Monday on"})
    assert answer.status_code == 200, answer.text
    told = answer.json()
    assert {name: told[name] for name in SITE_JSON} == SITE_JSON
    assert told["on"] == {"name": "Late", "from": "2026-09-10T12:00:00Z", "to": "2026-09-10T20:00:00Z"}
    assert told["next"] == {"name": "Night", "from": "2026-09-10T20:00:00Z", "to": "2026-09-11T04:00:00Z"}
    assert told["drives"] == 0
    assert bare.get("/sites") == [told]
    assert bare.ports.sites.site("Talheim") == SITE
    (entry,) = bare.ports.audit_log.entries()
    assert (entry.what, entry.subject, entry.why) == ("shifts set", "site Talheim", "from Monday on")


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"zone": "Mars/North"}, "'Mars/North' is no time zone here"),
        ({"slots": [{"name": "A", "starts": "6", "ends": "14:00"}]}, "'6' is no time of the clock"),
        ({"slots": [{"name": "A", "starts": "06:00", "ends": "14:00", "days": [8]}]}, "Monday 1 to Sunday 7"),
        (
            {
                "slots": [
                    {"name": "A", "starts": "06:00", "ends": "14:00"},
                    {"name": "B", "starts": "13:00", "ends": "15:00"},
                ]
            },
            "overlap",
        ),
        ({"site": "a\nb"}, "control characters"),
    ],
)
def test_shifts_that_cannot_be_are_refused_with_the_fix(
    bare: Plant, wrong: dict[str, Any], said: str
) -> None:
    answer = bare.client.put(f"{API}/sites", json=SITE_JSON | wrong)
    assert answer.status_code == 422
    assert said in answer.json()["detail"]
    assert bare.ports.sites.sites() == []


def test_shifts_are_listed_to_the_second_over_a_night_in_which_clocks_change(plant: Plant) -> None:
    asked = {"site": "Talheim", "from": "2026-10-24T21:00:00Z", "to": "2026-10-25T05:00:01Z"}
    assert plant.get("/shifts", params=asked) == [
        {"name": "Night", "from": "2026-10-24T20:00:00Z", "to": "2026-10-25T05:00:00Z"},
        {"name": "Early", "from": "2026-10-25T05:00:00Z", "to": "2026-10-25T13:00:00Z"},
    ]
    assert len(plant.get("/shifts", params={"site": "Talheim"})) == 22  # a week, and the one that is on
    assert plant.client.get(f"{API}/shifts", params={"site": "Nowhere"}).status_code == 404
    swapped = {"site": "Talheim", "from": asked["to"], "to": asked["from"]}
    assert plant.client.get(f"{API}/shifts", params=swapped).status_code == 422
    too_long = {"site": "Talheim", "from": "2026-01-01T00:00:00Z", "to": "2028-01-01T00:00:00Z"}
    assert "400 days" in plant.client.get(f"{API}/shifts", params=too_long).json()["detail"]


# Work and notes


def test_work_is_begun_listed_and_closed(bare: Plant) -> None:
    stocked(bare.ports, 1)
    given = {"drive_id": "press-1", "kind": "commissioning", "why": "new sensors", "by": "H. Brandt"}
    made = post(bare, "/work", given)
    assert (made["kind"], made["by"], made["closed"]) == ("commissioning", "H. Brandt", None)
    assert [each["work_id"] for each in bare.get("/work")] == [1, made["work_id"]]
    again = bare.client.post(f"{API}/work", json=given)
    assert again.status_code == 409
    assert "close that first" in again.json()["detail"]
    done = post(bare, f"/work/{made['work_id']}/close", {"why": "baseline recorded"}, 200)
    assert (done["closed"], done["closed_why"]) == ("2026-09-10T13:00:00Z", "baseline recorded")
    assert [each["work_id"] for each in bare.get("/work")] == [1]
    since = {"closed_since": "2026-09-10T12:00:00Z", "drive": "press-1"}
    assert [each["work_id"] for each in bare.get("/work", params=since)] == [1, made["work_id"]]
    assert bare.client.post(f"{API}/work/{made['work_id']}/close", json={}).status_code == 409
    assert bare.client.post(f"{API}/work/77/close", json={}).status_code == 404
    assert bare.client.post(f"{API}/work", json=given | {"drive_id": "mill-9"}).status_code == 404
    assert bare.client.post(f"{API}/work", json=given | {"why": ""}).status_code == 422
    assert bare.client.post(f"{API}/work", json=given | {"kind": "sleep"}).status_code == 422


def test_open_commissioning_is_a_function_check_on_the_board_until_it_is_done(bare: Plant) -> None:
    stocked(bare.ports, 2)
    letters = {each["drive_id"]: each["sensors"]["letter"] for each in bare.get("/readings/newest")["drives"]}
    made = post(bare, "/work", {"drive_id": "press-2", "kind": "simulation", "why": "trial"})
    found = {each["drive_id"]: each["sensors"] for each in bare.get("/readings/newest")["drives"]}
    assert letters["press-2"] != "C"
    assert found["press-2"]["letter"] == "C"
    post(bare, f"/work/{made['work_id']}/close", {}, 200)
    found = {each["drive_id"]: each["sensors"] for each in bare.get("/readings/newest")["drives"]}
    assert found["press-2"]["letter"] == letters["press-2"]


def test_notes_are_left_and_listed(bare: Plant) -> None:
    stocked(bare.ports, 1)
    given = {
        "site": "Talheim",
        "drive_id": "press-1",
        "text": "Squeaks at start.\nOil it.",
        "by": "H. Brandt",
    }
    made = post(bare, "/notes", given | {"about": "2026-09-10T12:10:00+00:00"})
    assert made["about"] == "2026-09-10T12:10:00Z"
    assert bare.get("/notes", params={"site": "Talheim"})[-1] == made
    assert bare.get("/notes", params={"site": "Adorf"}) == []
    assert bare.get("/notes", params={"since": "2026-09-10T13:00:00Z"}) == []
    for wrong, status in (({"site": "Nowhere"}, 404), ({"text": ""}, 422), ({"drive_id": "mill-9"}, 404)):
        assert bare.client.post(f"{API}/notes", json=given | wrong).status_code == status


# Handovers


def test_the_shift_that_ended_is_frozen_once_and_given_as_json(plant: Plant) -> None:
    made = post(plant, "/handovers", {"site": "Talheim"})
    assert (made["shift"], made["from"], made["to"]) == (
        "Late",
        "2026-09-10T12:00:00Z",
        "2026-09-10T20:00:00Z",
    )
    assert made["intact"] is True
    assert made["content"]["to_do"][0]["kind"] == "locked_out"
    again = plant.client.post(f"{API}/handovers", json={"site": "Talheim"})
    assert (again.status_code, again.json()) == (200, made)
    assert plant.get(f"/handovers/{made['number']}") == made


def test_a_range_is_frozen_and_a_wrong_one_refused(plant: Plant) -> None:
    asked = {"site": "Talheim", "from": "2026-09-10T12:30:00Z", "to": "2026-09-10T13:00:00Z"}
    made = post(plant, "/handovers", asked)
    assert (made["shift"], made["content"]["shift"]) == ("", "")
    for wrong, said in (
        ({"to": None}, "give from and to, or neither"),
        ({"to": "2026-09-10T12:30:00Z"}, "must be later than from"),
        ({"to": "2026-09-10T23:00:00Z"}, "lies ahead of now"),
    ):
        answer = plant.client.post(f"{API}/handovers", json=asked | wrong)
        assert answer.status_code == 422
        assert said in answer.json()["detail"]
    assert plant.client.post(f"{API}/handovers", json={"site": "Nowhere"}).status_code == 404
    plant.ports.sites.put(SITE.__class__(site="Bare"))
    answer = plant.client.post(f"{API}/handovers", json={"site": "Bare"})
    assert answer.status_code == 409
    assert "no shifts are set" in answer.json()["detail"]


def test_the_text_at_content_has_the_stated_sha_to_the_byte(plant: Plant) -> None:
    made = post(plant, "/handovers", {"site": "Talheim"})
    answer = plant.client.get(f"{API}/handovers/{made['number']}/content")
    assert hashlib.sha256(answer.content).hexdigest() == made["sha256"]
    assert json.loads(answer.content) == made["content"]


def test_signing_takes_a_giver_and_then_another_person_who_read_it_back(plant: Plant) -> None:
    number = frozen(plant)
    path = f"/handovers/{number}/signatures"
    taker = {"role": "taker", "name": "A. Vogt", "read_back": True}
    assert "giver has not signed" in post(plant, path, taker, 409)["detail"]
    given = post(plant, path, {"role": "giver", "name": "M. Brandt", "remark": "quiet night"})
    assert (given["name"], given["at"], given["remark"]) == (
        "M. Brandt",
        "2026-09-10T20:01:00Z",
        "quiet night",
    )
    problem = post(plant, path, taker | {"read_back": False}, 422)
    assert problem["errors"] == [
        {"field": "read_back", "detail": "read it back to the giver in your own words, then say that you did"}
    ]
    assert post(plant, path, taker | {"name": "M. Brandt"}, 422)["errors"][0]["field"] == "name"
    assert post(plant, path, taker | {"name": ""}, 422)
    post(plant, path, taker)
    assert "signed already" in post(plant, path, taker, 409)["detail"]
    told = plant.get(f"/handovers/{number}")
    assert [each["role"] for each in told["signatures"]] == ["giver", "taker"]
    assert post(plant, "/handovers/99/signatures", taker, 404)


def test_another_system_takes_all_by_cursor_and_confirms_once(plant: Plant) -> None:
    first = frozen(plant)
    for hour in (1, 2, 3):
        span = {"from": "2026-09-10T12:00:00Z", "to": f"2026-09-10T{12 + hour}:00:00Z"}
        post(plant, "/handovers", {"site": "Talheim"} | span)
    seen: list[int] = []
    cursor: int | None = 0
    while cursor is not None:
        page = plant.get("/handovers", params={"cursor": cursor, "rows_max": 3, "site": "Talheim"})
        seen += [each["number"] for each in page["handovers"]]
        cursor = page["next"]
    assert seen == [1, 2, 3, 4]
    assert plant.get("/handovers", params={"site": "Adorf"})["handovers"] == []
    since = plant.get("/handovers", params={"since": "2026-09-10T15:00:00Z"})
    assert [each["number"] for each in since["handovers"]] == [first]
    receipt = post(plant, f"/handovers/{first}/receipts", {"system": "plant office", "reference": "doc-9"})
    again = post(plant, f"/handovers/{first}/receipts", {"system": "plant office", "reference": "doc-10"})
    assert again == receipt
    head = plant.get("/handovers")["handovers"][0]
    assert head["receipts"] == [receipt]
    assert "content" not in head
    assert post(plant, "/handovers/99/receipts", {"system": "plant office"}, 404)
    assert post(plant, f"/handovers/{first}/receipts", {"system": ""}, 422)


def test_what_has_not_changed_is_not_sent_again(plant: Plant) -> None:
    number = frozen(plant)
    for path in (
        "/handovers",
        f"/handovers/{number}",
        f"/handovers/{number}.csv",
        f"/handovers/{number}/content",
    ):
        tag = plant.client.get(API + path).headers["etag"]
        again = plant.client.get(API + path, headers={"If-None-Match": f'"other", {tag}'})
        assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", tag)
    tag = plant.client.get(f"{API}/handovers").headers["etag"]
    post(plant, f"/handovers/{number}/signatures", {"role": "giver", "name": "M. Brandt"})
    assert plant.client.get(f"{API}/handovers", headers={"If-None-Match": tag}).status_code == 200


def test_a_handover_comes_in_the_form_that_is_asked_for(plant: Plant) -> None:
    number = frozen(plant)
    path = f"{API}/handovers/{number}"
    for accept, media in (
        ("application/json", "application/json"),
        ("text/csv", "text/csv; charset=utf-8"),
        ("text/html,application/xhtml+xml", "text/html; charset=utf-8"),
        ("*/*", "application/json"),
    ):
        answer = plant.client.get(path, headers={"Accept": accept})
        assert (answer.status_code, answer.headers["content-type"]) == (200, media)
    refused = plant.client.get(path, headers={"Accept": "image/png"})
    assert refused.status_code == 406
    assert refused.headers["content-type"] == "application/problem+json"
    by_end = plant.client.get(f"{path}.csv")
    assert by_end.text == plant.client.get(path, params={"format": "csv"}).text
    assert by_end.headers["content-disposition"] == f'inline; filename="handover-{number}-2026-09-10.csv"'
    assert plant.client.get(f"{API}/handovers/99.csv").status_code == 404
    rows = list(csv.DictReader(io.StringIO(by_end.text)))
    assert {row["section"] for row in rows} >= {
        "shift",
        "to_do",
        "work",
        "limit",
        "standing",
        "wear",
        "notes",
    }


def test_the_shift_that_is_on_can_be_looked_at(plant: Plant) -> None:
    told = plant.get("/handovers/preview", params={"site": "Talheim"})
    assert (told["shift"], told["from"]) == ("Night", "2026-09-10T20:00:00.000000Z")
    assert plant.client.get(f"{API}/handovers/preview", params={"site": "Nowhere"}).status_code == 404


def test_csv_is_as_it_was_agreed() -> None:
    """Golden: written by this project from tests/core/handed.py, read by eye; a change is a change of the interface.

    Titles of conditions are words that may be put better: their kinds stand in the file.
    """
    text = as_csv(make_content(full()))
    for kind, said in ENGLISH.items():
        text = text.replace(said.title, f"({kind})")
    assert text == GOLDEN.read_bytes().decode()
    rows = list(csv.reader(io.StringIO(text)))
    assert tuple(rows[0]) == FIELDS
    assert {len(row) for row in rows} == {len(FIELDS)}


def test_a_text_that_a_spreadsheet_would_run_is_kept_a_text() -> None:
    content = make_content(full())
    content["notes"][0]["text"] = "=1+1"
    assert ",'=1+1," in as_csv(content)


# As people see it


def test_times_are_those_of_the_site_with_the_offset_where_it_changes() -> None:
    view = view_of(make_content(full()), 7)
    assert view.title == "Night, Sat 24 Oct 2026"
    assert view.span == "22:00 CEST to 25 Oct, 06:00 CET"
    assert view.length == "9 h"
    raised = next(part for part in view.parts if part.key == "raised")
    assert [row[0].text for row in raised.rows] == [
        "24 Oct, 23:00 CEST",
        "00:00 CEST",
        "02:00 CEST",
    ]


def test_headings_stand_in_their_order_also_where_there_is_nothing() -> None:
    empty = make_content(full())
    for name, rows in empty.items():
        if isinstance(rows, list):
            empty[name] = []
    titles = [part.title for part in view_of(empty).parts]
    assert titles == [part.title for part in view_of(make_content(full())).parts]
    assert titles[:3] == [
        "To do by the next shift",
        "Locked out, and work in hand",
        "At the limit or near it",
    ]
    assert summary(empty) == ["Nothing to do"]
    assert summary(make_content(full())) == [
        "8 to do",
        "1 locked out",
        "1 drive at its limit",
        "1 alert stands",
        "1 sensing failed",
        "2 notes",
    ]


@pytest.mark.parametrize(
    ("minutes", "said"), [(480, "8 h"), (450, "7 h 30 min"), (0, "0 min"), (45, "45 min"), (1500, "25 h")]
)
def test_lengths_are_told_in_hours_and_minutes(minutes: int, said: str) -> None:
    assert length_words(minutes * 60 * S) == said


def test_the_page_of_the_shift_that_is_on_shows_it_and_freezes_what_ended(plant: Plant) -> None:
    page = plant.page("/handover")
    assert "Night, Thu 10 Sep 2026" in page
    assert "To do by the next shift" in page
    assert "lock out and tag out" in page
    answer = plant.post_form("/handover", site="Talheim")
    assert (answer.status_code, answer.headers["location"]) == (303, "/handovers/1")
    assert "not signed" in plant.page("/handover?site=Talheim")
    answer = plant.post_form("/handover", site="Talheim", **{"from": "2026-09-10T15:00", "to": ""})
    assert answer.status_code == 422
    assert "fill in both" in answer.text
    span = {"from": "2026-09-10T15:00", "to": "2026-09-10T16:00"}
    assert plant.post_form("/handover", site="Talheim", **span).headers["location"] == "/handovers/2"
    head = plant.ports.handovers.handover(2).head
    assert (head.from_ns, head.to_ns) == (NOON_NS + H, NOON_NS + 2 * H)  # 15:00 to 16:00 of summer time


def test_a_handover_is_read_and_signed_on_its_page(plant: Plant) -> None:
    number = frozen(plant)
    page = plant.page(f"/handovers/{number}")
    assert "Late, Thu 10 Sep 2026" in page
    assert "14:00 CEST to 22:00 CEST, 8 h" in page
    assert "Locked out by M. Brandt" in page
    assert '<b class="late">late</b>' in page
    wrong = plant.post_form(f"/handovers/{number}", role="taker", **{"taker-name": "A. Vogt"})
    assert wrong.status_code == 422
    assert "giver has not signed yet" in wrong.text
    signed = plant.post_form(
        f"/handovers/{number}", role="giver", **{"giver-name": "M. Brandt", "giver-remark": "<b>quiet</b>"}
    )
    assert (signed.status_code, signed.headers["location"]) == (303, f"/handovers/{number}#signed")
    wrong = plant.post_form(
        f"/handovers/{number}", role="taker", **{"taker-name": "A. Vogt", "taker-remark": "kept"}
    )
    assert wrong.status_code == 422
    assert "read it back to the giver" in wrong.text
    assert ">kept</textarea>" in wrong.text
    plant.post_form(
        f"/handovers/{number}", role="taker", **{"taker-name": "A. Vogt", "taker-read_back": "yes"}
    )
    page = plant.page(f"/handovers/{number}")
    assert "<b>M. Brandt</b>, 22:01" in page
    assert "&lt;b&gt;quiet&lt;/b&gt;" in page
    assert "<b>A. Vogt</b>" in page
    assert "not signed yet" not in page
    assert "M. Brandt to A. Vogt" in plant.page("/handover")
    assert plant.post_form(f"/handovers/{number}", role="boss").status_code == 422
    assert "no handover 99" in plant.page("/handovers/99", 404)
    for number_typed in ("0", "-1", "x", str(2**70)):
        assert "<h1>" in plant.page(f"/handovers/{number_typed}", 422)


def test_a_note_is_left_on_either_page_and_what_is_wrong_is_said(plant: Plant) -> None:
    number = frozen(plant)
    note = {"site": "Talheim", "text": "Squeaks.", "drive_id": "press-1", "by": "H. Brandt"}
    answer = plant.post_form("/handover/note", back=str(number), **note)
    assert (answer.status_code, answer.headers["location"]) == (303, f"/handovers/{number}#notes")
    answer = plant.post_form("/handover/note", back="//evil.test", **note)
    assert answer.headers["location"] == "/handover?site=Talheim#notes"
    assert "Squeaks." in plant.page("/handover")
    assert "Squeaks." not in plant.page(f"/handovers/{number}")
    answer = plant.post_form("/handover/note", **note | {"text": "  "})
    assert answer.status_code == 422
    assert "write something" in answer.text


def test_without_drives_the_page_says_what_to_do(bare: Plant) -> None:
    assert "There is no site yet" in bare.page("/handover")
    stocked(bare.ports, 1)
    bare.ports.sites.put(SITE.__class__(site="Talheim"))
    page = bare.page("/handover")
    assert "No shifts are set for this site" in page
    assert "The last 24 hours" in page
    assert "no site &#39;Nowhere&#39;" in bare.page("/handover?site=Nowhere", 404)


def form_of_site() -> dict[str, str]:
    typed = {"site": "Talheim", "zone": "Europe/Berlin", "why": "new pattern"}
    for n, (name, starts, ends) in enumerate((("Early", "06:00", "14:00"), ("Late", "14:00", "22:00"))):
        typed |= {f"name-{n}": name, f"starts-{n}": starts, f"ends-{n}": ends}
        typed |= {f"day-{n}-{day}": "yes" for day in range(1, 6)}
    return typed


def test_shifts_are_set_on_their_page(bare: Plant) -> None:
    stocked(bare.ports, 1)
    page = bare.page("/shifts?site=Talheim")
    assert 'value="Early"' in page
    assert "The week to come" in page
    answer = bare.post_form("/shifts", **form_of_site())
    assert (answer.status_code, answer.headers["location"]) == (303, "/shifts?site=Talheim")
    site = bare.ports.sites.site("Talheim")
    assert site is not None
    assert [(each.name, sorted(each.days)) for each in site.pattern.slots] == [
        ("Early", [1, 2, 3, 4, 5]),
        ("Late", [1, 2, 3, 4, 5]),
    ]
    for usual in ("three shifts", "two shifts", "three on weekdays, two long ones at weekends"):
        assert 'value="06:00"' in bare.page(f"/shifts?site=Talheim&usual={usual}")
    assert bare.ports.sites.site("Talheim") == site  # a suggestion sets nothing


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"starts-1": "13:00"}, "overlap"),
        ({"starts-1": "2 pm"}, "is no time of the clock"),
        ({f"day-1-{day}": "" for day in range(1, 6)}, "give at least one day"),
        ({"name-1": ""}, "give the shift a name"),
        ({"zone": "Mars"}, "is no time zone here"),
    ],
)
def test_shifts_that_cannot_be_come_back_as_they_were_typed(
    bare: Plant, wrong: dict[str, str], said: str
) -> None:
    stocked(bare.ports, 1)
    answer = bare.post_form("/shifts", **form_of_site() | wrong)
    assert answer.status_code == 422
    assert said in answer.text
    assert 'value="22:00"' in answer.text
    assert bare.ports.sites.site("Talheim") == SITE


def test_every_usual_pattern_can_be_set_as_it_is(bare: Plant) -> None:
    from service.adapters.web.pages_shifts import USUAL, _lines_of

    for lines in USUAL.values():
        answer = bare.post_form("/shifts", site="Talheim", zone="Europe/Berlin", **_lines_of(lines))
        assert answer.status_code == 303, answer.text


def test_work_is_begun_and_closed_on_its_page(bare: Plant) -> None:
    stocked(bare.ports, 2)
    begun = {"drive_id": "press-1", "kind": "commissioning", "why": "new sensors", "by": "H. Brandt"}
    assert bare.post_form("/work", **begun).headers["location"] == "/work"
    page = bare.page("/work?drive=press-2")
    assert "Commissioning" in page
    assert "⊘" not in page  # drawn by the style, read out by none
    assert '<option value="press-2" selected>' in page
    (work,) = [each for each in bare.ports.work_in_hand.in_hand() if each.kind == "commissioning"]
    answer = bare.post_form(f"/work/{work.work_id}/close", closed_why="baseline recorded")
    assert answer.status_code == 303
    assert "baseline recorded" in bare.page("/work")
    assert bare.post_form(f"/work/{work.work_id}/close").status_code == 422
    for wrong, said in (
        ({"kind": ""}, "say what is being done"),
        ({"drive_id": "mill-9"}, "choose one of the drives"),
        ({"why": ""}, "say what is being done"),
    ):
        answer = bare.post_form("/work", **begun | wrong)
        assert answer.status_code == 422
        assert said in answer.text
        assert "new sensors" in answer.text or wrong.get("why") == ""


def test_a_form_from_another_site_is_refused(plant: Plant) -> None:
    number = frozen(plant)
    answer = plant.client.post(
        f"/handovers/{number}",
        data={"role": "giver", "giver-name": "x"},
        headers={"Origin": "http://evil.test", "Accept": "text/html"},
    )
    assert answer.status_code == 403
    assert plant.ports.handovers.signatures([number]) == []
