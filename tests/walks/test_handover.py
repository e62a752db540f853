"""A shift ends: its giver reads what it hands over, leaves a note and signs, and the taker reads it back and signs."""

from playwright.sync_api import Browser, Page, expect

from service.core.people import Role
from tests.adapters.web.handed_plant import TO_NS, stocked
from tests.adapters.web.people_plant import HTTP, PASSWORD, a_people_plant
from tests.adapters.web.served import served
from tests.contracts.given import S
from tests.walks.walking import walking


def sign_in(page: Page, address: str, name: str) -> None:
    page.goto(f"{address}/handover?site=Talheim")
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()


def test_a_handover_is_read_noted_and_signed_by_who_gives_and_who_takes(browser: Browser) -> None:
    with a_people_plant(base_url=HTTP) as plant:
        stocked(plant.ports, 3)
        plant.now_ns = TO_NS - 60 * S
        for name in ("a.vogt", "m.brandt"):
            plant.add(Role.OPERATOR, name=name)
        with served(plant.app) as address:
            with walking(browser) as page:
                sign_in(page, address, "a.vogt")
                expect(page.get_by_role("article")).to_contain_text("Locked out: Press 3")
                page.get_by_label("Add a note for the next shift").fill("Oil tray under press 2 is full.")
                page.get_by_role("button", name="Add the note").click()
                expect(page.get_by_role("article")).to_contain_text("Oil tray under press 2 is full.")

                plant.now_ns = TO_NS + 90 * S
                plant.app.state.parts.hand_over.freeze_due(plant.now_ns, after_s=60)
                page.goto(f"{address}/handover?site=Talheim")
                page.locator("#past").get_by_role("link").first.click()
                expect(page.get_by_role("article")).to_contain_text("Oil tray under press 2 is full.")
                page.get_by_role("button", name="Hand it over").click()
                expect(page.locator("#signed")).to_contain_text("a.vogt")
            with walking(browser) as page:
                sign_in(page, address, "m.brandt")
                page.locator("#past").get_by_role("link").first.click()
                page.get_by_role("button", name="Take it over").click()
                expect(page.locator(".sign-form .wrong")).to_contain_text("read")
                page.get_by_label("I read it back to the giver in my own words").check()
                page.get_by_role("button", name="Take it over").click()
                expect(page.locator("#signed")).to_contain_text("m.brandt")
                expect(page.get_by_role("button", name="Take it over")).to_have_count(0)
