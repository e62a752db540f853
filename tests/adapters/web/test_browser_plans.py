"""Forecasts, changes and lives in a real browser: they fit a phone in both themes, say what is wrong with nothing, and print."""

import re
from collections.abc import Iterator
from itertools import pairwise

import pytest
from playwright.sync_api import Browser, Page

from service.core.life import Removal, RemovalKind
from tests.adapters.web.plant import NOW_NS, Plant, a_plant
from tests.adapters.web.served import served
from tests.adapters.web.test_changes import with_drive
from tests.adapters.web.test_pages_changes import STOP, posted, supply
from tests.contracts.given import DAY_NS

PATHS = (
    "/forecasts",
    "/changes",
    "/changes/order",
    "/drives/d-3/change",
    "/lives",
    "/lives?class=press",
    "/stops",
)
DRIVES = 12
OUTLINE_PX = 5  # about a name, so that lines behind do not touch it
MARGIN = "12mm"


@pytest.fixture(scope="module")
def url() -> Iterator[str]:
    """Twelve drives with a forecast each, a stop, supply and a chain that came off."""
    with a_plant() as plant:
        for number in range(DRIVES):
            with_drive(
                plant, f"d-{number}", 15.0 + 20 * number, name=f"Press {number} infeed", drive_class="press"
            )
        supply(plant, lead_days=14, chain_price=800.0, stop_hour_price=900.0, unplanned_h=4.0, currency="EUR")
        posted(plant, "/stops", **STOP)
        _wear_out(plant)
        with served(plant.app) as address:
            yield address


def _wear_out(plant: Plant) -> None:
    plant.ports.register.take_off_chain(
        "d-0-a",
        NOW_NS - DAY_NS,
        "worn",
        removal=Removal(chain_id="d-0-a", kind=RemovalKind.WORN, by="m", recorded_ns=NOW_NS - DAY_NS),
    )


def page_of(browser: Browser, width: int, scheme: str) -> Page:
    page: Page = browser.new_context(
        viewport={"width": width, "height": 900},
        color_scheme="dark" if scheme == "dark" else "light",
    ).new_page()
    return page


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (390, "dark")])
def test_each_page_fits_its_width_and_runs_without_an_error(
    browser: Browser, url: str, width: int, scheme: str
) -> None:
    page = page_of(browser, width, scheme)
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.on("console", lambda said: errors.append(said.text) if said.type == "error" else None)
    for path in PATHS:
        answer = page.goto(url + path)
        assert answer is not None
        assert answer.status == 200, path
        assert page.evaluate("document.documentElement.scrollWidth") <= width, path
    assert errors == []
    page.context.close()


def test_names_of_the_sheet_lie_within_it_and_apart_on_a_phone(browser: Browser, url: str) -> None:
    page = page_of(browser, 390, "light")
    page.goto(f"{url}/changes")
    sheet = page.locator("svg.days").first.bounding_box()
    assert sheet is not None
    names = [each.bounding_box() for each in page.locator("figure svg.days .name").all()]
    assert len(names) == DRIVES - 1  # the one without a chain has no day
    for one, following in pairwise(names):
        assert one is not None
        assert following is not None
        assert one["x"] >= sheet["x"] - OUTLINE_PX
        assert one["y"] + one["height"] <= following["y"] + OUTLINE_PX
    page.context.close()


def test_what_if_goes_by_a_form_and_stays_in_the_address(browser: Browser, url: str) -> None:
    page = page_of(browser, 1280, "light")
    page.goto(f"{url}/changes")
    page.get_by_label("Chance of being late").select_option("0.2")
    page.get_by_label("What if all stood on").fill("2026-10-05")
    page.get_by_role("button", name="Show").click()
    assert "risk=0.2" in page.url
    assert "stop_on=2026-10-05" in page.url
    assert page.locator("svg.days .supposed").count() == 1
    assert "as if every site stood" in (page.locator(".notice").text_content() or "")
    page.context.close()


@pytest.mark.parametrize(("path", "most"), [("/changes/order", 1), ("/drives/d-3/change", 2)])
def test_an_order_list_and_a_list_to_go_by_print_on_few_sheets(
    browser: Browser, url: str, path: str, most: int
) -> None:
    page = page_of(browser, 1280, "light")
    page.goto(url + path)
    sheets = page.pdf(format="A4", margin={"top": MARGIN, "right": MARGIN, "bottom": MARGIN, "left": MARGIN})
    assert 1 <= len(re.findall(rb"/Type\s*/Page\b", sheets)) <= most
    page.context.close()
