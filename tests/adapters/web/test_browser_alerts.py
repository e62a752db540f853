"""The pages of alerts in a real browser: they stay live, can be worked by keyboard, and fit on a phone."""

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

from service.core.alert import Event
from service.core.setpoint import ConditionKind, Priority
from tests.adapters.web.alerted import happen, occur, with_alerts, with_drives
from tests.adapters.web.plant import Plant, a_plant
from tests.adapters.web.served import served
from tests.contracts.given import S

SOON_MS = 10_000


@pytest.fixture
def live_plant() -> Iterator[Plant]:
    with a_plant(now_ns=time.time_ns, stream_period_s=0.1) as plant:
        yield plant


def page_of(browser: Browser, **how: Any) -> Page:
    """A page in a context of its own."""
    page: Page = browser.new_context(**how).new_page()
    return page


def now_at(plant: Plant, kind: ConditionKind, **more: Any) -> None:
    at_ns = time.time_ns() - 5 * S
    occur(plant, kind=kind, at_ns=at_ns, **more)


def test_an_alert_appears_by_itself_and_is_acknowledged_by_keyboard(
    browser: Browser, live_plant: Plant
) -> None:
    with_drives(live_plant)
    with served(live_plant.app) as url:
        page = page_of(browser)
        errors: list[str] = []
        page.on("pageerror", lambda error: errors.append(str(error)))
        page.goto(f"{url}/alerts")
        expect(page.locator("#stream")).to_have_text("Live", timeout=SOON_MS)
        expect(page.locator("#standing")).to_contain_text("No alert stands")
        now_at(live_plant, ConditionKind.AT_LIMIT, priority=Priority.HIGH)
        alert = page.locator('[id="kiln-car-2.at_limit"]')
        expect(alert).to_contain_text("Nobody is on it yet", timeout=SOON_MS)
        expect(page.locator("#alert-count")).to_have_text("1 to answer")
        button = page.get_by_role("button", name="Acknowledge: Elongation at the limit, Kiln car pusher 2")
        button.focus()
        page.keyboard.press("Enter")
        expect(alert).to_contain_text("is on it since", timeout=SOON_MS)
        expect(page.locator("#alert-count")).to_have_text("")
        assert errors == []
        page.context.close()


def test_the_list_is_worked_through_by_single_keys_and_goes_on_to_the_next(
    browser: Browser, live_plant: Plant
) -> None:
    with_drives(live_plant)
    now_at(live_plant, ConditionKind.AT_LIMIT, priority=Priority.HIGH)
    now_at(live_plant, ConditionKind.BAD_JOINT, priority=Priority.LOW)
    with served(live_plant.app) as url:
        page = page_of(browser)
        errors: list[str] = []
        page.on("pageerror", lambda error: errors.append(str(error)))
        page.goto(f"{url}/alerts?line=B")
        limit, joint = (page.locator(f'[id="kiln-car-2.{kind}"]') for kind in ("at_limit", "bad_joint"))
        page.keyboard.press("j")
        expect(limit).to_be_focused()
        page.keyboard.press("a")
        expect(joint).to_be_focused(timeout=SOON_MS)
        expect(limit).to_contain_text("is on it since")
        assert page.url.endswith("/alerts?line=B#kiln-car-2.bad_joint")
        page.keyboard.press("c")
        field = joint.get_by_label("Comment", exact=True)
        expect(field).to_be_focused()
        page.keyboard.type("jack shaft aches")  # a, s, c, k and j are keys; here they are letters
        expect(field).to_have_value("jack shaft aches")
        page.keyboard.press("Escape")
        expect(joint).to_be_focused()
        page.keyboard.press("k")
        expect(limit).to_be_focused()
        page.keyboard.press("w")
        page.keyboard.type("WO-7")
        page.keyboard.press("Enter")
        expect(limit).to_contain_text("work order WO-7", timeout=SOON_MS)
        expect(joint).to_be_focused()
        assert errors == []
        page.context.close()


def test_single_keys_can_be_turned_off_for_good_and_news_leave_the_focus_where_it_is(
    browser: Browser, live_plant: Plant
) -> None:
    with_drives(live_plant)
    now_at(live_plant, ConditionKind.NEAR)
    with served(live_plant.app) as url:
        page = page_of(browser)
        page.goto(f"{url}/alerts")
        expect(page.locator("#stream")).to_have_text("Live", timeout=SOON_MS)
        near = page.locator('[id="kiln-car-2.near"]')
        page.keyboard.press("j")
        now_at(live_plant, ConditionKind.BAD_JOINT)
        expect(page.locator("#standing")).to_contain_text("A bad joint", timeout=SOON_MS)
        expect(near).to_be_focused()
        page.keyboard.press("?")
        expect(page.locator("#keys dl")).to_be_visible()
        page.locator("#keys-on").uncheck()
        page.reload()
        page.keyboard.press("j")
        expect(page.locator("article:focus")).to_have_count(0)
        page.keyboard.press("?")
        expect(page.locator("#keys dl")).not_to_be_visible()
        page.context.close()


def test_what_somebody_is_typing_is_not_taken_from_them_by_news(browser: Browser, live_plant: Plant) -> None:
    with_drives(live_plant)
    now_at(live_plant, ConditionKind.NEAR)
    with served(live_plant.app) as url:
        page = page_of(browser)
        page.goto(f"{url}/alerts")
        expect(page.locator("#stream")).to_have_text("Live", timeout=SOON_MS)
        page.locator("details.more summary").first.click()
        page.get_by_label("Comment", exact=True).fill("clicks at the ta")
        page.locator("h1").click()  # the field has the focus no more
        now_at(live_plant, ConditionKind.BAD_JOINT)
        expect(page.locator("#alert-count")).to_have_text("2 to answer", timeout=SOON_MS)
        expect(page.get_by_label("Comment", exact=True)).to_have_value("clicks at the ta")
        page.context.close()


def test_the_second_of_two_browsers_is_told_what_the_first_did(browser: Browser, live_plant: Plant) -> None:
    with_drives(live_plant)
    now_at(live_plant, ConditionKind.NEAR)
    with served(live_plant.app) as url:
        page = page_of(browser, java_script_enabled=False)
        page.goto(f"{url}/alerts/kiln-car-2.near")
        happen(live_plant, "kiln-car-2", ConditionKind.NEAR, Event.ACKNOWLEDGE, by="m.brandt")
        page.get_by_role("button", name="Acknowledge").click()
        expect(page.get_by_role("alert")).to_contain_text("acknowledge by m.brandt")
        expect(page.locator("#now")).to_contain_text("m.brandt is on it")
        page.context.close()


@pytest.mark.parametrize("path", ["/alerts", "/alerts/kiln-car-2.near", "/alerts?past=yes", "/"])
def test_a_phone_shows_it_all_without_scrolling_sideways(browser: Browser, tmp_path: Path, path: str) -> None:
    with a_plant() as plant, served(plant.app) as url:
        with_alerts(plant)
        page = page_of(browser, viewport={"width": 390, "height": 844}, color_scheme="dark")
        page.goto(url + path)
        for each in page.locator(".kept-quiet > summary, details.more > summary").all():
            each.click()
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        for each in page.locator(".answers button:visible").all():
            box = each.bounding_box()
            assert box is not None
            assert box["height"] >= 44  # as much as a thumb needs (WCAG 2.5.5, from memory)
        page.screenshot(path=tmp_path / "phone.png", full_page=True)
        page.context.close()
