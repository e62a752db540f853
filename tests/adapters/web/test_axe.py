"""Every page is held against WCAG 2.2 AA by axe-core, in a real browser: light and dark, some on a phone, some in German.

In the dark a page is the same page in other colours, and on a phone in other places: there the rules count that go by these.
"""

import json
from collections.abc import Iterator
from contextlib import ExitStack
from typing import Any

import pytest
from axe_playwright_python.base import AXE_SCRIPT
from playwright.sync_api import Browser, Page

from service.adapters.web.allowed import guarded_routes
from service.adapters.web.app import create_app
from tests.adapters.web.full_plant import AT_NS, FullPlant, a_full_store
from tests.adapters.web.people_plant import HTTP, a_peopled_plant
from tests.adapters.web.served import served
from tests.contracts.given import fake_ports

TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
BY_COLOUR = ["color-contrast", "link-in-text-block"]
BY_PLACE = ["target-size", "scrollable-region-focusable"]
WIDE, PHONE = {"width": 1280, "height": 900}, {"width": 390, "height": 844}

# Each page of the app, by its route, with the addresses at which it is looked at.
PAGES = {
    "/": ["/", "/?group=site&q=press"],
    "/alerts": ["/alerts", "/alerts?past=yes"],
    "/alerts/quality": ["/alerts/quality"],
    "/alerts/{alert_id}": ["/alerts/kiln-car-2.near"],
    "/api": ["/api"],
    "/audit": ["/audit"],
    "/changes": ["/changes", "/changes?stop_on=2026-11-20&risk=0.2"],
    "/changes/order": ["/changes/order"],
    "/check": ["/check", "/check?q=press"],
    "/check/{drive_id}": ["/check/press-1"],
    "/classes": ["/classes", "/classes?name=feed"],
    "/drives/new": ["/drives/new"],
    "/drives/{drive_id}": [
        "/drives/d", "/drives/saw?span=year", "/drives/worn", "/drives/silent", "/drives/bare", "/drives/press-1"
    ],
    "/drives/{drive_id}/card": ["/drives/press-1/card"],
    "/drives/{drive_id}/chain": ["/drives/press-1/chain", "/drives/bare/chain"],
    "/drives/{drive_id}/change": ["/drives/press-1/change"],
    "/drives/{drive_id}/commission": ["/drives/d/commission"],
    "/drives/{drive_id}/edit": ["/drives/press-1/edit"],
    "/drives/{drive_id}/hand": ["/drives/press-1/hand"],
    "/drives/{drive_id}/influence": ["/drives/saw/influence"],
    "/drives/{drive_id}/learnt": ["/drives/d/learnt"],
    "/drives/{drive_id}/map": ["/drives/kiln-feed/map", "/drives/kiln-feed/map?shape=ring"],
    "/drives/{drive_id}/strobe": ["/drives/d/strobe"],
    "/drives/{drive_id}/upkeep": ["/drives/saw/upkeep"],
    "/duty-plans": ["/duty-plans"],
    "/forecasts": ["/forecasts"],
    "/handover": ["/handover"],
    "/handovers/{number}": ["/handovers/1"],
    "/import": ["/import"],
    "/lives": ["/lives"],
    "/password": ["/password"],
    "/people": ["/people"],
    "/plan": ["/plan", "/plan?designation=16B-1&driver_teeth=19&driven_teeth=57&speed_max_m_s=1.6&strand_mm=1200"],
    "/refused": ["/refused"],
    "/refused/{drive_id:path}/register": ["/refused/saw-1/register"],
    "/refused/{number}": ["/refused/1"],
    "/routes": ["/routes"],
    "/routes/new": ["/routes/new"],
    "/routes/{route_id}": ["/routes/hook"],
    "/setpoints": ["/setpoints", "/setpoints?drive=press-1"],
    "/settings": ["/settings"],
    "/shifts": ["/shifts", "/shifts?site=Talheim"],
    "/sign-in": ["/sign-in"],
    "/sites": ["/sites", "/sites?name=Talheim"],
    "/stops": ["/stops"],
    "/supply": ["/supply"],
    "/tokens": ["/tokens"],
    "/wall": ["/wall", "/wall?page=2"],
    "/wall/key": ["/wall/key"],
    "/work": ["/work"],
}  # fmt: skip
# What is fetched and is no page: parts of pages, streams, pictures, tables, what leads elsewhere, what programs read.
NO_PAGES = {
    "/board/stream",
    "/board/summary",
    "/changes/days.{form}",
    "/check/me.json",
    "/check/sw.js",
    "/drives/{drive_id}/check",
    "/drives/{drive_id}/drawing.{form}",
    "/drives/{drive_id}/influence.{form}",
    "/drives/{drive_id}/map.{form}",
    "/drives/{drive_id}/strobe.{form}",
    "/drives/{drive_id}/trend",
    "/drives/{drive_id}/trend.{form}",
    "/favicon.ico",
    "/health/live",
    "/health/ready",
    "/language",
    "/lives/lives.{form}",
    "/metrics",
    "/plan/{what}.{form}",
}
NOT_SIGNED_IN = ("/sign-in", "/wall/key")
ON_A_PHONE = (
    "/",
    "/alerts",
    "/alerts/kiln-car-2.near",
    "/check",
    "/check/press-1",
    "/drives/d",
    "/handover",
    "/work",
)
IN_GERMAN = ("/", "/alerts", "/drives/saw?span=year", "/check/press-1", "/changes", "/handovers/1")
OF_AN_EMPTY_PLANT = (
    "/",
    "/alerts",
    "/changes",
    "/forecasts",
    "/handover",
    "/lives",
    "/refused",
    "/no-such-page",
)
ROWS = 12  # of what repeats in a long list, as many are looked at


class Walker:
    """Goes through the pages, signed in or not, in one tab each."""

    def __init__(self, address: str, empty: str, tabs: dict[bool, Page]) -> None:
        self.address, self.empty, self._tabs = address, empty, tabs

    def open(self, path: str, *, of_full: bool = True, language: str = "en") -> Page:
        """Load a page, open all that can be opened on it, and have axe ready there."""
        page = self._tabs[path not in NOT_SIGNED_IN]
        page.set_viewport_size(WIDE)  # type: ignore[arg-type]
        page.emulate_media(color_scheme="light")
        page.set_extra_http_headers({"Accept-Language": language})
        page.goto((self.address if of_full else self.empty) + path)
        assert page.url.endswith(path)  # else it leads elsewhere, and another page would be looked at
        page.evaluate(PREPARE, ROWS)
        page.evaluate(AXE_SCRIPT)
        return page


PREPARE = """(rows) => {
  for (const each of document.querySelectorAll("details")) each.open = true;
  for (const each of document.querySelectorAll("tbody, ul, ol"))
    while (each.children.length > rows) each.lastElementChild.remove();
  for (const each of document.querySelectorAll("dl.routes > :nth-child(n + 3)")) each.remove();
}"""


def violations(page: Page, **run_only: Any) -> list[str]:
    """Return what axe finds, an element each."""
    options = {"runOnly": run_only, "resultTypes": ["violations"]}
    found: dict[str, Any] = page.evaluate(f"axe.run({json.dumps(options)})")
    return [
        f"{each['id']}: {node['html'][:300]} {node['failureSummary']}"
        for each in found["violations"]
        for node in each["nodes"]
    ]


def in_both_themes(page: Page) -> list[str]:
    """Return what is found by all rules in the light, and in the dark by those that go by colour."""
    found = violations(page, type="tag", values=TAGS)
    page.emulate_media(color_scheme="dark")
    return found + violations(page, type="rule", values=BY_COLOUR)


@pytest.fixture(scope="module")
def walker(browser: Browser) -> Iterator[Walker]:
    """A full plant and an empty one, and a tab in which their administrator is signed in beside one of nobody."""
    with ExitStack() as stack:
        full = FullPlant(stack.enter_context(a_full_store())).people
        nothing = stack.enter_context(a_peopled_plant(base_url=HTTP))
        nothing.session("admin")
        address, empty = (stack.enter_context(served(each.app)) for each in (full, nothing))
        tabs = {}
        for signed_in in (True, False):
            context = browser.new_context(service_workers="block", bypass_csp=True)
            stack.callback(context.close)
            context.clock.set_fixed_time(AT_NS / 1e6)
            if signed_in:
                context.add_cookies([{"name": "linklag", "value": "secret-of-admin", "url": address}])
            tabs[signed_in] = context.new_page()
        yield Walker(address, empty, tabs)


def test_every_page_of_the_app_is_walked_through() -> None:
    paths = {each.path for each in guarded_routes(create_app(fake_ports())) if "GET" in each.methods}
    assert {each for each in paths if not each.startswith("/api/")} == PAGES.keys() | NO_PAGES


def test_what_is_wrong_would_be_found(walker: Walker) -> None:
    """A picture without words, a field without a label, and text in the colour of its ground, in the dark too."""
    page = walker.open("/sign-in")
    page.evaluate(
        """document.querySelector("main").insertAdjacentHTML("beforeend",
           `<img src="/favicon.ico"><input name="x"><p style="color: #888; background: #999">pale</p>`)"""
    )
    found = {each.split(":")[0] for each in in_both_themes(page)}
    assert found == {"image-alt", "label", "color-contrast"}
    assert [each.split(":")[0] for each in violations(page, type="rule", values=BY_COLOUR)] == [
        "color-contrast"
    ]


@pytest.mark.parametrize("path", [each for pages in PAGES.values() for each in pages])
def test_axe_finds_nothing_on_a_page_in_either_theme(walker: Walker, path: str) -> None:
    assert in_both_themes(walker.open(path)) == []


@pytest.mark.parametrize("path", OF_AN_EMPTY_PLANT)
def test_axe_finds_nothing_on_a_page_with_nothing_on_it(walker: Walker, path: str) -> None:
    assert in_both_themes(walker.open(path, of_full=False)) == []


@pytest.mark.parametrize("path", IN_GERMAN)
def test_axe_finds_nothing_on_a_page_in_german(walker: Walker, path: str) -> None:
    page = walker.open(path, language="de")
    assert page.locator("html").get_attribute("lang") == "de"
    assert violations(page, type="tag", values=TAGS) == []


@pytest.mark.parametrize("path", ON_A_PHONE)
def test_on_a_phone_targets_are_large_enough_and_what_scrolls_can_be_reached(
    walker: Walker, path: str
) -> None:
    page = walker.open(path)
    page.set_viewport_size(PHONE)  # type: ignore[arg-type]
    assert violations(page, type="rule", values=BY_PLACE) == []
