"""The shift handover in a real browser: on paper it takes two sheets of A4 at most, and on a phone nothing runs off the side."""

import re
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from tests.adapters.web.handed_plant import TO_NS, H, stocked
from tests.adapters.web.plant import app_on
from tests.adapters.web.served import served
from tests.contracts.given import FAKE, S, a_store

WORDY = (
    " and this is said at length, so that it takes more than one line on any sheet of paper, as people write"
)
A4_POINTS = (595, 842)


@pytest.mark.parametrize(("drives", "wordy"), [(1, ""), (5, ""), (40, WORDY)])
def test_a_handover_prints_on_two_sheets_at_most_and_fits_a_phone(
    browser: Browser, tmp_path: Path, drives: int, wordy: str
) -> None:
    """Sheets, and screenshots of all but the longest, are left in the test's folder."""
    with a_store(FAKE) as ports:
        stocked(ports, drives, wordy=wordy)
        app = app_on(ports, now_ns=lambda: TO_NS + H)
        app.state.parts.hand_over.freeze_due(TO_NS + 60 * S, after_s=60)
        context = browser.new_context(viewport={"width": 390, "height": 844})
        page = context.new_page()
        errors: list[str] = []
        page.on("console", lambda message: errors.append(message.text) if message.type == "error" else None)
        with served(app) as url:
            for address in ("/handover", "/shifts?site=Talheim", "/work", "/handovers/1"):
                page.goto(url + address)
                if not wordy:  # a picture of 40 drives takes longer than all the rest
                    name = f"{address.strip('/').replace('/', '-')[:10]}.png"
                    page.screenshot(path=tmp_path / name, full_page=True)
                assert page.evaluate("document.documentElement.scrollWidth") == 390, address
            sheets = page.pdf(prefer_css_page_size=True)
            page.emulate_media(media="print")
            locked_out = page.locator(".locked")
            shown = [locked_out.is_visible(), page.locator("form").first.is_visible()]
        context.close()
    (tmp_path / "handover.pdf").write_bytes(sheets)
    assert errors == []
    boxes = re.findall(rb"/MediaBox\s*\[([^\]]*)\]", sheets)
    assert 1 <= len(boxes) <= 2
    assert {tuple(round(float(each)) for each in box.split()[2:]) for box in boxes} == {A4_POINTS}
    assert shown == [drives >= 3, False]
