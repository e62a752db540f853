"""The page of settings: what there is of each matter, what is missing, and a way to each."""

import re

from service.core.planned_stop import PlannedStop
from tests.adapters.web.plant import NOW_NS, Plant, add, with_press
from tests.contracts.given import A_SIGHTING, S


def lacking(page: str) -> list[str]:
    """What the page says is missing, as text."""
    found = re.findall(r'<p class="missing">(.*?)</p>', page, re.DOTALL)
    return [" ".join(re.sub("<[^>]+>", "", each).split()) for each in found]


def test_an_empty_plant_is_told_where_to_begin(plant: Plant) -> None:
    page = plant.page("/settings")
    assert "0 registered." in page
    assert any("let a device publish, register one or import many" in each for each in lacking(page))


def test_each_matter_says_what_is_there_and_what_is_missing(plant: Plant) -> None:
    with_press(plant)
    add(plant, "saw-1")
    plant.ports.refused.keep([], [A_SIGHTING])
    page = plant.page("/settings")
    told = lacking(page)
    assert "2 registered." in page
    assert "1: Talheim" in page
    assert "1: feed" in page
    assert "1 more on the broker, not registered" in told
    assert "1 without a baseline: saw-1" in told
    assert "1 drive says none." in told
    assert "1 drive has none: their chains learn from no others." in told
    assert "None: changes cannot be put into a stop." in told
    assert "Nobody is told outside of these pages." in told


def test_what_was_set_is_missing_no_more(plant: Plant) -> None:
    with_press(plant)
    plant.ports.planned_stops.add(
        PlannedStop(name="Summer", starts_ns=NOW_NS + S, ends_ns=NOW_NS + 2 * S, by="x", recorded_ns=NOW_NS)
    )
    page = plant.page("/settings")
    assert "1 to come." in page
    assert not any("put into a stop" in each or "baseline" in each for each in lacking(page))


def test_every_way_of_the_page_leads_somewhere(plant: Plant) -> None:
    with_press(plant)
    add(plant, "saw-1")
    page = plant.page("/settings")
    ways = set(re.findall(r'<a href="(/[^"#]*)', page[page.index("<main") : page.index("</main")]))
    assert {
        "/import",
        "/sites",
        "/classes",
        "/shifts",
        "/setpoints",
        "/routes",
        "/people",
        "/audit",
        "/api",
    } <= ways
    for way in ways:
        assert plant.client.get(way, headers={"Accept": "text/html"}).status_code == 200, way
