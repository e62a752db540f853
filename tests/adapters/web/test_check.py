"""The pages for a phone at the drive, as the server makes them: form, list, service worker, the square on the card."""

import json
import re
from collections.abc import Iterator
from html import unescape
from typing import Any

import pytest
import segno
from hypothesis import given
from hypothesis import strategies as st

from service.adapters.web import pages_check
from service.adapters.web.caller import FORM_HEADER
from service.adapters.web.check_form import length_mm_of, measurement_of, number_of
from service.adapters.web.code_picture import QUIET, code_of
from service.core.people import Role
from tests.adapters.web.people_plant import NAMES, PeoplePlant, a_peopled_plant
from tests.adapters.web.plant import NOW_NS, Plant, a_plant, add
from tests.contracts.given import S

FORM = {
    "method": "rule", "unit": "mm", "pitches": "24", "length_1": "616,0", "length_2": "616,5", "length_3": "",
    "tight": "yes", "note": "by the door", "by": "H. Brandt", "key": "k-1", "chain_id": "saw-a",
}  # fmt: skip
HTML = {"Accept": "text/html"}


# The form without scripts


def test_the_form_posts_without_scripts_and_the_largest_length_counts(plant: Plant) -> None:
    add(plant, "saw", 1.10)
    answer = plant.post_form("/check/saw", **FORM)
    assert answer.status_code == 303, answer.text
    (value,) = plant.ports.hand_values.of("saw")
    assert (value.length_mm, value.pitches, value.chain_id) == (616.5, 24, "saw-a")
    assert value.note == "by the door\nOther places: 616,0 mm"
    assert (value.recorded_by, value.told_ns, value.key) == ("H. Brandt", None, "k-1")
    assert "1.13" in plant.page(answer.headers["location"]).split('id="result"')[1].split("</section>")[0]


def test_a_form_that_is_sent_twice_is_stored_once(plant: Plant) -> None:
    add(plant, "saw", 1.10)
    first, second = (plant.post_form("/check/saw", **FORM) for _ in range(2))
    assert (first.status_code, second.status_code) == (303, 303)
    assert first.headers["location"] == second.headers["location"]
    assert len(plant.ports.hand_values.of("saw")) == 1


def test_each_page_brings_a_key_of_its_own(fake_plant: Plant) -> None:
    add(fake_plant, "saw")
    keys = {re.findall(r'name="key" value="([^"]+)"', fake_plant.page("/check/saw"))[0] for _ in range(3)}
    assert len(keys) == 3


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ({"method": ""}, "Say what it was measured with."),
        ({"tight": ""}, "Say whether the chain was drawn tight"),
        ({"length_1": ""}, "Fill this in."),
        ({"length_1": "long"}, "This is not a length"),
        ({"method": "calliper", "outside": "272,9"}, "Fill this in."),
        ({"method": "calliper", "outside": "241", "inside": "272"}, "swap the two readings?"),
        ({"pitches": "23,5"}, "Give a whole number"),
        ({"pitches": "23", "length_2": ""}, "did you count 23 or 24?"),
        ({"temp_c": "warm"}, "This is not a number."),
        ({"temp_c": "900"}, "900.0 is not within -60 to 500"),
        ({"cranked": "yes"}, "a cranked link in the span falsifies it"),
        ({"chain_id": "saw-0"}, "'saw-0', but 'saw-a' was on then"),
    ],
)
def test_what_cannot_be_comes_back_with_what_was_typed_and_the_fix(
    fake_plant: Plant, typed: dict[str, str], told: str
) -> None:
    add(fake_plant, "saw")
    answer = fake_plant.post_form("/check/saw", **{**FORM, **typed})
    assert answer.status_code == 422
    page = unescape(answer.text)
    assert told in page.split('id="enter"')[1].split("</form>")[0]
    assert "Nothing was recorded yet." in page
    for kept in ("by the door", 'value="H. Brandt"', 'value="k-1"'):
        assert kept in page
    assert fake_plant.ports.hand_values.of("saw") == []


def test_a_count_is_confirmed_on_the_same_form(fake_plant: Plant) -> None:
    add(fake_plant, "saw")
    asked = fake_plant.post_form("/check/saw", **{**FORM, "pitches": "23"})
    again = asked.text.split('name="counted_again"')[0].rsplit("<div", 1)[1]
    assert "hidden" not in again.split(">")[0]
    assert (
        fake_plant.post_form("/check/saw", **{**FORM, "pitches": "23"}, counted_again="yes").status_code
        == 303
    )


def test_the_page_says_the_cautions_first_and_what_to_expect_in_mm_and_inches(plant: Plant) -> None:
    add(plant, "saw", 1.10)
    page = plant.page("/check/saw")
    main = page.split("<h1>")[1]
    assert main.index("lock it out") < main.index("How to measure") < main.index("<form")
    assert "1284.0" in main
    assert "50.55 in" in main
    facts = json.loads(unescape(re.findall(r'data-facts="([^"]*)"', page)[0]))
    assert {name: facts[name] for name in ("chain_id", "pitchMm", "limitPct")} == {
        "chain_id": "saw-a", "pitchMm": 25.4, "limitPct": 3.0,
    }  # fmt: skip
    assert facts["known"]["pct"] == 1.10


def test_a_drive_without_chain_says_what_to_do_and_has_no_form(fake_plant: Plant) -> None:
    add(fake_plant, "saw")
    fake_plant.ports.register.take_off_chain("saw-a", NOW_NS - S, "worn")
    page = fake_plant.page("/check/saw")
    assert "No chain is on this drive." in page
    assert 'name="pitches"' not in page
    fake_plant.page("/check/nope", 404)


# The list


def test_a_drive_is_found_by_name_place_or_id_and_its_id_leads_there(fake_plant: Plant) -> None:
    add(fake_plant, "saw", name="Saw feed", site="Talheim")
    add(fake_plant, "kiln-4", name="Kiln car pusher", area="Kiln")
    add(fake_plant, "old")
    fake_plant.ports.register.retire_drive("old", NOW_NS)

    def found(query: str) -> list[str]:
        return re.findall(r'data-id="([^"]+)"', fake_plant.page(f"/check{query}"))

    assert found("") == ["kiln-4", "saw"]
    assert found("?q=TALH") == ["saw"]
    assert found("?q=car+push") == ["kiln-4"]
    assert found("?q=x") == []
    answer = fake_plant.client.get("/check?q=+SAW", headers=HTML, follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/check/saw")
    answer = fake_plant.client.get("/drives/saw/check", headers=HTML, follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/check/saw")


# What the scripts ask for


def test_the_service_worker_answers_below_check_and_changes_with_the_files_it_keeps(
    fake_plant: Plant, monkeypatch: pytest.MonkeyPatch
) -> None:
    answer = fake_plant.client.get("/check/sw.js")
    assert answer.headers["content-type"] == "text/javascript; charset=utf-8"
    assert answer.headers["service-worker-allowed"] == "/check"
    assert answer.headers["cache-control"] == "no-cache"
    assert "script-src 'self'" in answer.headers["content-security-policy"]
    files = json.loads(re.findall(r"FILES = (\[.*\]);", answer.text)[0])
    assert all(fake_plant.client.get(path).status_code == 200 for path in files)
    page = fake_plant.page("/check")
    needed = set(re.findall(r'(?:href|src)="(/static/[^"]+)"', page))
    imported = {"/static/check.js", "/static/check-entry.js", "/static/check-kept.js"}
    assert needed | imported <= set(files)
    version = re.findall(r'VERSION = "([0-9a-f]{12})"', answer.text)
    pages_check._worker_text.cache_clear()
    monkeypatch.setattr(pages_check, "_STYLES", ("linklag.css",))
    upgraded = re.findall(r'VERSION = "([0-9a-f]{12})"', fake_plant.client.get("/check/sw.js").text)
    pages_check._worker_text.cache_clear()
    assert len(version) == len(upgraded) == 1
    assert version != upgraded


@pytest.fixture(scope="module")
def peopled() -> Iterator[PeoplePlant]:
    with a_peopled_plant() as made:
        yield made


def test_who_sends_learns_who_they_are_and_whether_they_may(peopled: PeoplePlant) -> None:
    operator, viewer = (peopled.session(NAMES[role]) for role in (Role.OPERATOR, Role.VIEWER))
    told = peopled.client.get("/check/me.json", headers=operator).json()
    assert (told["name"], told["may_record"], told["lacks"]) == ("o.operator", True, "")
    assert told["form_token"] == operator[FORM_HEADER]
    told = peopled.client.get("/check/me.json", headers=viewer).json()
    assert not told["may_record"]
    assert "is for an operator or more, and v.viewer is viewer" in told["lacks"]
    nobody = peopled.client.get("/check/me.json", headers={"Accept": "application/json"})
    assert nobody.status_code == 401


def test_who_signed_in_cannot_post_in_the_name_of_another(peopled: PeoplePlant) -> None:
    add(peopled, "saw", 1.10)  # type: ignore[arg-type]
    headers = peopled.session(NAMES[Role.OPERATOR]) | HTML
    answer = peopled.client.post("/check/saw", data=FORM, headers=headers, follow_redirects=False)
    assert answer.status_code == 303, answer.text
    (value,) = peopled.ports.hand_values.of("saw")
    assert value.recorded_by == "o.operator"


def test_a_page_says_for_whom_it_is_without_naming_them(peopled: PeoplePlant) -> None:
    def said(role: Role, secret: str) -> str:
        headers = peopled.session(NAMES[role], secret) | HTML
        return str(peopled.client.get("/check", headers=headers).headers["linklag-for"])

    operator = said(Role.OPERATOR, "one")
    assert operator == said(Role.OPERATOR, "two")
    assert operator != said(Role.VIEWER, "three")
    assert "operator" not in operator


def test_a_page_is_not_given_to_who_is_not_signed_in(peopled: PeoplePlant) -> None:
    for path in ("/check", "/check/saw"):
        answer = peopled.new_client().get(path, headers=HTML)
        assert (answer.status_code, answer.headers["location"]) == (303, f"/sign-in?next={path}")


# What is typed


@pytest.mark.parametrize(
    ("text", "unit", "mm"),
    [
        ("617.5", "mm", 617.5),
        (" 617,5 ", "mm", 617.5),
        ("24.25", "inch", 615.95),
        ("24 1/4", "inch", 615.95),
        ("24-1/4", "inch", 615.95),
        ("5/16", "inch", 7.9375),
    ],
)
def test_lengths_are_read_as_people_write_them(text: str, unit: str, mm: float) -> None:
    """An inch is 25.4 mm (ISO 31-1, from memory)."""
    assert length_mm_of(text, unit) == pytest.approx(mm, rel=1e-12)


@pytest.mark.parametrize("text", ["", "x", "1e3", "1 2", "nan", "24 1/0", "24 1/", "1,2,3", "--1", "0x10"])
def test_what_is_no_length_is_none(text: str) -> None:
    assert length_mm_of(text, "inch") != length_mm_of(text, "inch")
    assert number_of(text) != number_of(text)


@given(
    st.dictionaries(st.sampled_from([*FORM, "outside", "inside", "temp_c", "cranked"]), st.text(max_size=12))
)
def test_whatever_is_typed_is_a_body_or_says_what_is_wrong(typed: dict[str, str]) -> None:
    read = measurement_of(typed)
    needed = {"method", "pitches", "tight", "temp_c", "cranked", "counted_again", "note"}
    assert read.wrong or needed <= set(read.body)


# The square on the card


@pytest.mark.parametrize("address", ["http://plant.example:8390/check/saw", "https://x/check/" + "k" * 64])
def test_the_square_on_the_card_has_every_module_where_it_belongs(address: str) -> None:
    """The path is drawn here by its own words and held against the modules; and finders stand in three corners."""
    picture = code_of(address)
    dark = {
        (int(x) + n, int(y))
        for x, y, length in re.findall(r"M(\d+) (\d+)h(\d+)v1h-\3z", picture.path)
        for n in range(int(length))
    }
    rows = [list(row) for row in segno.make(address, error="m", micro=False, boost_error=False).matrix]
    assert dark == {(x + QUIET, y + QUIET) for y, row in enumerate(rows) for x, bit in enumerate(row) if bit}
    assert picture.size == len(rows) + 2 * QUIET
    far = picture.size - QUIET - 7
    for left, top in ((QUIET, QUIET), (far, QUIET), (QUIET, far)):
        assert {(left + n, top) for n in range(7)} <= dark
        assert (left + 1, top + 1) not in dark


def test_the_card_leads_a_phone_to_the_page_of_its_drive(fake_plant: Plant) -> None:
    add(fake_plant, "saw")
    here = fake_plant.page("/drives/saw/card")
    assert "Leads a phone nowhere" in here
    assert code_of("http://127.0.0.1:8390/check/saw").path in here


def test_a_card_opened_under_a_name_that_phones_reach_prints_it() -> None:
    with a_plant(allowed_hosts=("127.0.0.1", "plant.example")) as plant:
        add(plant, "saw")
        headers: dict[str, Any] = HTML | {"Host": "plant.example:8390"}
        page = plant.client.get("/drives/saw/card", headers=headers).text
    assert "<span>http://plant.example:8390/check/saw</span>" in page
    assert "Leads a phone nowhere" not in page
