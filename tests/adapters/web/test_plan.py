"""The plan on page and API: the same numbers as core's, kept in the address, refused by field, safe to print."""

import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import fields, replace
from typing import Any
from urllib.parse import parse_qsl, urlsplit

import pytest
from playwright.sync_api import ConsoleMessage, sync_playwright

from service.adapters.web import pages_plan
from service.adapters.web.api_plan import EXAMPLE, PlanIn
from service.adapters.web.plan_picture import bars, draw_budget, draw_place
from service.core.plan import Layout, Plan, Value, layout_of, plain, plan_sensors
from tests.adapters.web.plant import Plant
from tests.adapters.web.served import served
from tests.conftest import needs

QUERY = pages_plan.EXAMPLE
BAD = (
    "designation=08B-1&driver_teeth=11&driven_teeth=100&pitches_in_loop=121&strand_mm=260&rpm_min=60&rpm_max=900&slack=yes"
    "&vertical=yes&reverses=yes&two_clocks=yes&tick_ns=1000000&switching_hz=200&rated_distance_mm=8"
)
HOSTILE = "<script>alert(1)</script>\"'&"
BESIDE_LAYOUT = {"rpm_min", "rpm_max"}


def a_plan(**more: Any) -> Plan:
    return plan_sensors(layout_of(**EXAMPLE | more))


def words_of(html: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]*>", "", html))


# The page


def test_the_empty_form_leads_to_an_example_and_has_the_cautions(fake_plant: Plant) -> None:
    page = fake_plant.page("/plan")
    assert "No plan yet" not in page
    assert "Lock out and tag out" in page
    assert '<a href="/plan" aria-current="page">Plan</a>' in page
    assert f'href="/plan?{QUERY.replace("&", "&amp;")}"' in page


def test_the_plan_on_the_page_is_core_s(fake_plant: Plant) -> None:
    plan = a_plan()
    said = words_of(fake_plant.page(f"/plan?{QUERY}"))
    absolute, change = plan.expected[:2]
    for words in (
        f"{plan.place.spacing_mm:.1f} mm",
        f"{plan.pitches.chosen} pitches",
        f"± {2 * absolute.combined_pct:.2g} %",
        f"± {2 * change.combined_pct:.2g} % since commissioning",
        f"even, {plan.pitches.least} to {plan.pitches.most}",
        f"{plan.place.wrap_pct:.2f} %",
        "Lock out and tag out",
        "Most of it: start: length of the chain (e0)",
        *(f"{term.u_pct:.4f}" for term in absolute.terms if term.u_pct > 0.0001),
        *(change.words for improvement in plan.improvements for change in improvement.together),
    ):
        assert words in said


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"driver_teeth": "19"}, "Teeth19 driver Speed"),
        ({"driven_teeth": "57"}, "Teeth57 driven Speed"),
        ({"driver_teeth": "19", "driven_teeth": "57"}, "Teeth19 driver, 57 driven Speed"),
        ({}, "Chainfree pitch, 25.4 mm (1 in) Speed"),
    ],
)
def test_only_the_teeth_that_were_given_are_said(fake_plant: Plant, given: dict[str, str], said: str) -> None:
    asked = {"pitch_mm": "25.4", "speed_min_m_s": "1", **given}
    html = fake_plant.client.get("/plan", params=asked, headers={"Accept": "text/html"}).text
    assert said in words_of(html)


def test_what_was_typed_stands_in_the_form_beside_the_plan(fake_plant: Plant) -> None:
    page = fake_plant.page(f"/plan?{QUERY}&temperature_sent=yes&mount_u_mm=0,02")
    assert re.search(r'name="strand_mm" value="1200"', page)
    assert re.search(r'name="mount_u_mm" value="0,02"', page)
    assert re.search(r'name="temperature_sent" value="yes" checked', page)
    assert plan_sensors(replace(layout_of(**EXAMPLE), mount_u_mm=0.02, temperature_sent=True)).expected[
        1
    ].combined_pct == pytest.approx(
        float(re.findall(r">in all</text><text[^>]*>([\d.]+)<", page)[1]), abs=5e-5
    )


def test_an_address_is_kept_short_of_what_was_left_empty(fake_plant: Plant) -> None:
    answer = fake_plant.client.get(
        "/plan?designation=16B-1&pitch_mm=&speed_min_m_s=+1+&rpm_min=", follow_redirects=False
    )
    assert answer.status_code == 303
    assert answer.headers["location"] == "/plan?designation=16B-1&speed_min_m_s=1"
    assert fake_plant.client.get("/plan?pitch_mm=", follow_redirects=False).headers["location"] == "/plan"


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("designation=16Z&speed_min_m_s=1", "is not in the catalogue"),
        ("designation=16B&speed_min_m_s=x", "is not a number"),
        ("designation=16B", "give the chain speed in m/s"),
        ("designation=16B&speed_min_m_s=1&strand_mm=90", "there is no room for two sensors"),
        ("designation=16B&speed_min_m_s=1&colour=red", "colour, which is no field of a plan"),
    ],
)
def test_what_is_wrong_stands_in_the_form_and_nothing_typed_is_lost(
    fake_plant: Plant, query: str, words: str
) -> None:
    page = fake_plant.page(f"/plan?{query}", status=422)
    assert words in page
    assert "No plan yet" in page
    for name, text in parse_qsl(query):
        if name in {field.name for field in pages_plan.ALL_FIELDS}:
            assert f'name="{name}" value="{text}"' in page


def test_what_to_look_at_twice_is_said_under_the_label_of_its_field(fake_plant: Plant) -> None:
    said = words_of(fake_plant.page(f"/plan?{BAD}"))
    for words in (
        "Only the slack strand can be reached: a slack strand is longer",
        "Rated switching frequency: 200 Hz are too slow",
        "Two devices, each with a clock of its own: two clocks 1000 µs apart",
    ):
        assert words in said
    assert "Look at this twice" not in fake_plant.page(f"/plan?{QUERY}")


def test_nothing_that_is_typed_becomes_markup(fake_plant: Plant) -> None:
    for name in ("designation", "pitch_mm", "nosuch<script>"):
        answer = fake_plant.client.get("/plan", params={name: HOSTILE}, headers={"Accept": "text/html"})
        assert answer.status_code == 422
        assert "<script>alert" not in answer.text
        assert "nosuch<script>" not in answer.text


def test_the_drive_can_be_registered_as_planned(fake_plant: Plant) -> None:
    page = fake_plant.page(f"/plan?{QUERY}")
    link = re.search(r'href="(/drives/new\?[^"]*)"', page)
    assert link is not None
    address = link[1].replace("&amp;", "&")
    form = fake_plant.page(address)
    filled = dict(re.findall(r'name="([^"]+)" value="([^"]+)"', form))
    assert filled["whole_pitches"] == "22"
    assert filled["chain-designation"] == "16B-1"
    typed = dict(parse_qsl(urlsplit(address).query)) | {"drive_id": "infeed-2"}
    assert fake_plant.post_form("/drives/new", **typed).status_code == 303
    drive = fake_plant.ports.register.drive("infeed-2")
    assert (drive.whole_pitches, drive.up_to_driver_mm) == (22, a_plan().place.up_to_driver_mm)


def test_a_chain_whose_number_does_not_say_its_pitch_is_registered_with_it() -> None:
    query = dict(
        parse_qsl(pages_plan.drive_query(a_plan(designation="M80", pitch_mm=160.0, strand_mm=5000.0)))
    )
    assert (query["chain-designation"], query["chain-pitch_mm"]) == ("M80", "160")
    assert "chain-pitch_mm" not in dict(parse_qsl(pages_plan.drive_query(a_plan())))


def test_every_field_of_a_layout_can_be_given_on_page_and_api() -> None:
    wanted = {field.name for field in fields(Layout)} | BESIDE_LAYOUT
    assert {field.name for field in pages_plan.ALL_FIELDS} == wanted
    assert set(PlanIn.model_fields) == wanted


# The API


def test_the_api_gives_the_plan_that_core_makes(fake_plant: Plant) -> None:
    assert fake_plant.get("/plan", params=EXAMPLE) == _as_json(plain(a_plan()))


def test_the_link_on_the_page_gives_the_same_as_json(fake_plant: Plant) -> None:
    page = fake_plant.page(f"/plan?{QUERY}&slack=yes")
    link = re.search(r'href="/api/v1(/plan\?[^"]*)"', page)
    assert link is not None
    assert fake_plant.get(link[1].replace("&amp;", "&")) == _as_json(plain(a_plan(slack=True)))


def _as_json(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _as_json(each) for name, each in value.items()}
    return [_as_json(each) for each in value] if isinstance(value, list | tuple) else value


@pytest.mark.parametrize(
    ("asked", "field"),
    [
        ({"designation": "16Z", "speed_min_m_s": "1"}, "designation"),
        ({"designation": "16B"}, "speed_min_m_s"),
        ({"designation": "16B", "speed_min_m_s": "1", "strand_mm": "90"}, "strand_mm"),
        ({"designation": "16B", "speed_min_m_s": "one"}, "query.speed_min_m_s"),
        ({"designation": "16B", "speed_min_m_s": "1", "strand": "1200"}, "query.strand"),
        ({"designation": "16B", "speed_min_m_s": "nan"}, "query.speed_min_m_s"),
        ({"designation": "16B", "speed_min_m_s": "1", "whole_pitches": "99999"}, "whole_pitches"),
    ],
)
def test_the_api_refuses_by_field(fake_plant: Plant, asked: dict[str, str], field: str) -> None:
    answer = fake_plant.client.get("/api/v1/plan", params=asked)
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"
    assert field in {each["field"] for each in answer.json()["errors"]}


# The pictures


def svg(text: str) -> ET.Element:
    return ET.fromstring(text)  # noqa: S314 (our own)


def test_the_sensors_are_drawn_to_scale_along_the_strand() -> None:
    place = a_plan().place
    drawn = svg(draw_place(place))
    at = {
        text.text: float((nested.get("x") or "").rstrip("%"))
        for nested in drawn.findall("svg")
        for text in nested.findall("text")
        if text.text in {"up", "down"}
    }
    strand = next(line for line in drawn.findall("line") if line.get("class") == "strand-line")
    left, right = (float((strand.get(end) or "").rstrip("%")) for end in ("x1", "x2"))
    assert place.driven_to_up_mm is not None
    whole_mm = place.driven_to_up_mm + place.up_to_driver_mm
    assert (at["down"] - at["up"]) / (right - left) == pytest.approx(place.spacing_mm / whole_mm, abs=1e-3)
    assert (right - at["down"]) / (right - left) == pytest.approx(
        place.down_to_driver_mm / whole_mm, abs=1e-3
    )
    assert f"{place.spacing_mm:.1f} mm" in (drawn.get("aria-label") or "")


def test_the_bars_are_to_one_scale_and_say_their_numbers() -> None:
    expected = next(each for each in a_plan().expected if each.value is Value.ABSOLUTE)
    drawn = svg(draw_budget(bars(expected), "label"))
    widths = [float((bar.get("width") or "").rstrip("%")) for bar in drawn.findall("rect")]
    numbers = [float(text.text or "") for text in drawn.findall("text") if text.get("text-anchor") == "end"]
    assert numbers[-1] == pytest.approx(expected.combined_pct, abs=5e-5)
    assert widths[-1] == 100.0
    for width, number in zip(widths, numbers, strict=True):
        assert width == pytest.approx(100 * number / numbers[-1], abs=0.5)
    assert {bar.get("class") for bar in drawn.findall("rect")} == {"bar stated", "bar unseen", "bar total"}


@contextmanager
def chromium() -> Iterator[Any]:
    program = needs("chromium", why="apt-get install chromium")
    arguments = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"]
    arguments += ["--disable-background-networking", "--disable-component-update", "--disable-sync"]
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=arguments)
        yield browser
        browser.close()


def test_in_a_browser_no_plan_is_wider_than_a_phone_and_the_form_asks_by_its_address(
    fake_plant: Plant,
) -> None:
    with served(fake_plant.app) as url, chromium() as browser:
        context = browser.new_context(viewport={"width": 360, "height": 800}, color_scheme="dark")
        page = context.new_page()
        errors: list[str] = []

        def note(message: ConsoleMessage) -> None:
            if message.type == "error":
                errors.append(message.text)

        page.on("console", note)
        for query in (QUERY, BAD):
            page.goto(f"{url}/plan?{query}")
            assert page.evaluate("document.documentElement.scrollWidth") <= 360
        page.goto(f"{url}/plan")
        page.fill('[name="designation"]', "16B")
        page.fill('[name="speed_min_m_s"]', "1")
        page.check('[name="vertical"]')
        page.click("button.main")
        assert page.url == f"{url}/plan?designation=16B&speed_min_m_s=1&vertical=yes"
        assert page.locator("svg.plan-budget").count() == 2
        context.close()
        assert errors == []
