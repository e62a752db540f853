"""Setting a drive up in a real browser: steps turn by themselves while batches come, and forms are left alone.

Screenshots, wide and light, on a phone and dark, are left in the test's folder.
"""

import time
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from service.core.batch import Batch
from tests.adapters.web.plant import Plant, app_on
from tests.adapters.web.served import served
from tests.adapters.web.set_up_plant import SENT, SOUND, register
from tests.conftest import free_port
from tests.contracts.given import FAKE, Ports, S, a_store
from tests.core.running import exchanged, sent

SOON_MS = 15_000


@pytest.fixture
def ports() -> Iterator[Ports]:
    with a_store(FAKE) as store:
        yield store


def just_now(batches: Sequence[Batch]) -> list[Batch]:
    """The same, the newest of them ended a second ago."""
    later_ns = time.time_ns() - S - batches[-1].end_ns
    return [replace(each, t0_ns=each.t0_ns + later_ns) for each in batches]


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (390, "dark")])
def test_steps_turn_by_themselves_and_what_is_typed_stays(
    browser: Browser, ports: Ports, tmp_path: Path, width: int, scheme: str
) -> None:
    app = app_on(ports, now_ns=time.time_ns)
    register(Plant(ports, app, None), SOUND)  # type: ignore[arg-type]
    context = browser.new_context(viewport={"width": width, "height": 900}, color_scheme=scheme)  # type: ignore[arg-type]
    page: Page = context.new_page()
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.on("console", lambda said: errors.append(said.text) if said.type == "error" else None)
    with served(app) as url:
        page.goto(f"{url}/drives/d/commission")
        expect(page.locator(".stands")).to_contain_text("Waiting for: Both sensors pulse", timeout=SOON_MS)
        page.fill("#f-base-why", "new chain fitted")
        page.focus("#f-base-by")
        ports.raw_batches.keep([sent(each) for each in just_now(exchanged(SENT[:12]))])
        expect(page.locator(".stands")).to_contain_text("To be mended: up comes before down", timeout=SOON_MS)
        expect(page.locator("#as-of")).to_have_text("Live: drawn anew every two seconds.")
        page.screenshot(path=tmp_path / f"failed-{width}-{scheme}.png", full_page=True)
        assert page.input_value("#f-base-why") == "new chain fitted"
        assert page.evaluate("document.activeElement.id") == "f-base-by"

        page.click("text=Check from now on")
        expect(page.locator(".stands")).to_contain_text("Waiting for: Both sensors pulse", timeout=SOON_MS)
        page.goto(f"{url}/drives/d/commission?since=2001-01-01T00:00:00Z")
        page.fill("#f-base-why", "new chain fitted")
        page.fill("#f-base-by", "A. Kern")
        ports.raw_batches.forget(time.time_ns() + 3600 * S)
        ports.raw_batches.keep([sent(each) for each in just_now(SENT)])
        expect(page.locator(".stands")).to_contain_text("Ready: take the baseline.", timeout=SOON_MS)
        page.screenshot(path=tmp_path / f"ready-{width}-{scheme}.png", full_page=True)
        assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
        page.click("text=Take the baseline >> nth=-1")
        expect(page.locator(".step").last).to_contain_text("recorded by A. Kern", timeout=SOON_MS)
        page.screenshot(path=tmp_path / f"taken-{width}-{scheme}.png", full_page=True)
    context.close()
    assert errors == []


def test_without_an_answer_the_page_says_how_old_it_is(browser: Browser, ports: Ports) -> None:
    app = app_on(ports, now_ns=time.time_ns)
    register(Plant(ports, app, None), SOUND)  # type: ignore[arg-type]
    page = browser.new_page()
    port = free_port()
    with served(app, port) as url:
        page.goto(f"{url}/drives/d/commission")
        expect(page.locator("#as-of")).to_contain_text("Live", timeout=SOON_MS)
    expect(page.locator("#as-of")).to_contain_text("No answer from linklag for", timeout=SOON_MS)
    page.close()


def test_it_reads_without_scripts(browser: Browser, ports: Ports) -> None:
    app = app_on(ports, now_ns=time.time_ns)
    register(Plant(ports, app, None), SOUND)  # type: ignore[arg-type]
    ports.raw_batches.keep([sent(each) for each in just_now(SENT)])
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    with served(app) as url:
        page.goto(f"{url}/drives/d/commission")
        expect(page.locator("#as-of")).to_contain_text("Reload for newer steps.")
        expect(page.locator(".stands")).to_contain_text("Ready: take the baseline.")
        assert page.locator(".step").count() == 13
    context.close()
