"""The strobe in a real browser: what `strobe.js` does."""

import time
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.adapters.web.plant import app_on
from tests.adapters.web.served import served
from tests.adapters.web.test_browser import SOON_MS
from tests.contracts.given import FAKE, Ports, a_store
from tests.core.running import Running
from tests.test_look_at_pulses import keep

WINDOW_MS = 10_000
RUNNING = Running(elongation_pct=1.1, seconds=24.0, window_s=WINDOW_MS / 1000)
FIRST, SECOND, *_ = RUNNING.batches()


@pytest.fixture
def ports() -> Iterator[Ports]:
    with a_store(FAKE) as store:
        store.register.add_drive(RUNNING.drive)
        store.register.fit_chain(RUNNING.chain)
        keep(store, FIRST)
        yield store


def opened(page: Page, address: str) -> list[str]:
    """Open the strobe and return what goes wrong in it, as it happens."""
    wrong: list[str] = []
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("console", lambda message: wrong.append(message.text) if message.type == "error" else None)
    page.clock.install()
    page.goto(f"{address}/drives/d/strobe")
    page.clock.fast_forward(1000)
    expect(page.locator("#strobe-status")).to_contain_text("Live", timeout=SOON_MS)
    return wrong


def shows(page: Page, end_ns: int) -> None:
    expect(page.locator("#strobe-age")).to_have_attribute(
        "data-ms", str(end_ns // 1_000_000), timeout=SOON_MS
    )


def test_a_new_window_comes_by_itself_its_pulses_one_by_one_or_at_once_where_less_motion_is_asked_for(
    browser: Browser, ports: Ports
) -> None:
    with served(app_on(ports, now_ns=time.time_ns, stream_period_s=0.1)) as address:
        page, still = (
            browser.new_page(viewport={"width": 390, "height": 800}),
            browser.new_page(reduced_motion="reduce"),
        )
        wrong = [opened(page, address), opened(still, address)]
        shows(page, FIRST.end_ns)
        assert page.locator(".pulse.to-come").count() == 0
        keep(ports, SECOND)
        shows(page, SECOND.end_ns)
        expect(page.locator(".pulse.to-come")).not_to_have_count(0, timeout=SOON_MS)
        shows(still, SECOND.end_ns)
        assert still.locator(".pulse.to-come").count() == 0
        page.clock.fast_forward(WINDOW_MS)
        expect(page.locator(".pulse.to-come")).to_have_count(0, timeout=SOON_MS)
        assert page.locator(".pulse").count() == still.locator(".pulse").count() > 100
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        assert wrong == [[], []]
