"""From the first start to the first live drive: an empty store, a device that publishes, and a person with a browser."""

import re

from playwright.sync_api import Browser, expect

from tests.commands.test_serve import Plant
from tests.walks.walking import SOON_MS, walking


def test_a_device_that_publishes_is_registered_in_one_step_and_its_number_is_live(
    plant: Plant, browser: Browser
) -> None:
    plant.start("run")
    plant.get("/health/live")
    with walking(browser) as page:
        page.goto(plant.url)
        expect(page.get_by_role("main")).to_contain_text("No drive is registered yet.")

        plant.start_device("steady", "--window-s", "1")
        expect(page.locator("#arrivals")).to_contain_text(
            "1 drive publishes and is not registered", timeout=SOON_MS
        )
        page.get_by_role("link", name="look and register").click()
        step = page.get_by_role("form", name="Register steady")
        step.get_by_label("Whole pitches, n").fill("24")
        step.get_by_label("Part over, d").fill("0.1")
        step.get_by_label("Chain", exact=True).fill("08B-1")
        step.get_by_label("Joints of the chain").fill("120")
        step.get_by_role("button", name="Register steady").click()

        expect(page).to_have_url(f"{plant.url}/drives/steady")
        number = page.locator(".facts .number")
        expect(number).to_contain_text(re.compile(r"1\.[0-3]\d"), timeout=SOON_MS)  # worn by 1.2 %, ± 0.3 %
        first = page.locator(".facts .number").inner_text()
        expect(number).not_to_have_text(first, timeout=SOON_MS)
        page.get_by_role("link", name="Board", exact=True).first.click()
        expect(page.locator('tr[data-drive="steady"] .e')).to_have_text(
            re.compile(r"1\.[0-3]\d"), timeout=SOON_MS
        )
