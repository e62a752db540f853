"""The pages in a real browser: numbers arrive by themselves, the picture stands, and a lost connection is told.

Screenshots of board and drive page, wide and narrow, light and dark, are left in the test's folder.
"""

import re
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, ConsoleMessage, Page, expect

from service.core.commission import BRACKET_TOUCHED, note_line
from service.core.reading import NotMeasured
from service.ports import DeviceState
from tests.adapters.web.plant import Plant, add, app_on, not_measured
from tests.adapters.web.plant import reading_of as fixed_reading_of
from tests.adapters.web.served import served
from tests.conftest import free_port
from tests.contracts.given import A_SIGHTING, FAKE, Ports, S, a_store
from tests.foretold import kept

SOON_MS = 10_000
FITS = "document.documentElement.scrollWidth <= document.documentElement.clientWidth"
SCHEMES: tuple[Any, ...] = ("light", "dark")
# Wide, as a phone is, and as a small one is.
LOOKS: list[tuple[Any, Any]] = [
    ({"width": 1280, "height": 844}, "dark"),
    ({"width": 390, "height": 844}, "light"),
    ({"width": 320, "height": 844}, "dark"),
]


@pytest.fixture
def ports() -> Iterator[Ports]:
    with a_store(FAKE) as store:
        yield store


def reading(drive_id: str, pct: float | None, *, seconds_ago: float = 0, **more: Any) -> Any:
    """Return a reading by the real clock, which the browser goes by."""
    t_ns = time.time_ns() - int(seconds_ago * S)
    return replace(fixed_reading_of(drive_id, 0, pct, **more), t_ns=t_ns, t0_ns=t_ns - 10 * S)


def stocked(ports: Ports) -> Any:
    """Return an app on two drives, one of which has an hour of readings."""
    app = app_on(ports, now_ns=time.time_ns, stream_period_s=0.1)
    plant = Plant(ports, app, None)  # type: ignore[arg-type]
    add(plant, "infeed-2", name="Infeed 2", site="Talheim", area="Sawmill", line="3")
    add(plant, "outfeed-1", name="Outfeed 1", site="Talheim", area="Sawmill", line="3")
    ports.readings.store(
        [reading("infeed-2", 1.2 + n / 1000, seconds_ago=10 * (361 - n), seq=n) for n in range(360)]
    )
    ports.readings.store([reading("outfeed-1", 1.0, seq=1)])
    while ports.readings.roll_up():
        pass
    return app


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    """A page in a context of its own. Any error in its console fails the test."""
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    opened = context.new_page()
    errors: list[str] = []

    def note(message: ConsoleMessage) -> None:
        if message.type == "error" and "ERR_CONNECTION_REFUSED" not in message.text:
            errors.append(message.text)

    opened.on("console", note)
    opened.on("pageerror", lambda error: errors.append(str(error)))
    yield opened
    context.close()
    # A stream that is cut ends in such an error, which is the point of the test that cuts it.
    assert [each for each in errors if "ERR_INCOMPLETE_CHUNKED_ENCODING" not in each] == []


def row(page: Page, drive_id: str) -> Any:
    return page.locator(f'tr[data-drive="{drive_id}"]')


def order(page: Page) -> list[str | None]:
    return [each.get_attribute("data-drive") for each in page.locator("#board tr[data-drive]").all()]


def test_the_change_since_the_baseline_and_the_state_of_the_sensing_arrive_by_themselves(
    page: Page, ports: Ports
) -> None:
    """The state may change while no reading comes: the device says good-bye by its last will."""
    with served(stocked(ports)) as url:
        page.goto(f"{url}/drives/outfeed-1")
        expect(page.locator("#stream")).to_have_text("Live", timeout=SOON_MS)
        letter = page.locator('[data-f="sensing-letter"]').first
        expect(letter).to_have_text("C")  # no baseline

        grown = {"since_pct": 0.95, "since_u_pct": 0.004, "baseline_taken_ns": 1}
        ports.readings.store([reading("outfeed-1", 1.02, seq=2, **grown)])
        expect(page.locator(".since").first).to_contain_text("+0.950 ± 0.008 %", timeout=SOON_MS)
        expect(page.locator(".outdated").first).to_be_hidden()
        note = note_line(2 * 10**9, "J. Ode", BRACKET_TOUCHED)
        ports.register.change_drive(replace(ports.register.drive("outfeed-1"), note=note))
        expect(page.locator(".outdated").first).to_be_visible(timeout=SOON_MS)

        ports.devices.note([DeviceState(drive_id="outfeed-1", online=False, since_ns=time.time_ns())])
        expect(letter).to_have_text("F", timeout=SOON_MS)


def test_a_new_reading_appears_on_the_board_and_the_order_follows(
    page: Page, ports: Ports, tmp_path: Path
) -> None:
    with served(stocked(ports)) as url:
        page.goto(url)
        expect(page.locator("#stream")).to_have_text("Live", timeout=SOON_MS)
        assert order(page) == ["infeed-2", "outfeed-1"]
        page.screenshot(path=tmp_path / "board-wide.png", full_page=True)

        ports.readings.store([reading("outfeed-1", 1.234, seq=2)])  # its numbers only
        outfeed = row(page, "outfeed-1")
        expect(outfeed.locator(".e")).to_have_text("1.234", timeout=SOON_MS)
        expect(outfeed.locator(".pc")).to_have_text("41 %")
        expect(outfeed.locator(".strand .worn")).to_have_attribute("width", "87.3")

        ports.readings.store([reading("outfeed-1", 3.12, seq=3)])
        expect(outfeed.locator(".verdict")).to_contain_text("limit reached", timeout=SOON_MS)
        expect(outfeed.locator(".share")).to_contain_text("104 % ± 1 % of 3.00 %")
        expect(outfeed).to_have_class(re.compile("reached"))
        expect(page.locator('tbody[data-group="reached"] .count')).to_have_text("1")
        assert order(page) == ["outfeed-1", "infeed-2"]

        silent = not_measured("infeed-2", 0, NotMeasured.SENSOR_SILENT, up_pulses=331, down_pulses=0, seq=900)
        t_ns = time.time_ns()
        ports.readings.store([replace(silent, t_ns=t_ns, t0_ns=t_ns - 10 * S)])
        infeed = row(page, "infeed-2")
        expect(infeed.locator(".what")).to_have_text("Sensor down is silent", timeout=SOON_MS)
        expect(infeed.locator(".mend")).to_contain_text("Check sensor down")
        expect(infeed.locator(".pct")).to_contain_text("last 1.559")
        expect(infeed.locator(".sensing")).to_contain_text("Sensor down is silent")
        expect(page.locator("#summary .sensing b")).to_have_text("1", timeout=2 * SOON_MS)
        page.screenshot(path=tmp_path / "board-after.png", full_page=True)


def test_a_drive_that_is_registered_meanwhile_appears_without_a_reload_and_a_retired_one_goes(
    page: Page, ports: Ports
) -> None:
    app = stocked(ports)
    with served(app) as url:
        page.goto(url)
        expect(page.locator("#stream")).to_have_text("Live", timeout=SOON_MS)
        add(Plant(ports, app, None), "third", name="Third")  # type: ignore[arg-type]
        ports.readings.store([reading("third", 2.0, seq=1)])
        expect(row(page, "third").locator(".e")).to_have_text("2.000", timeout=SOON_MS)
        assert order(page) == ["third", "infeed-2", "outfeed-1"]
        ports.register.retire_drive("third", time.time_ns())
        expect(row(page, "third")).to_have_count(0, timeout=SOON_MS)


def test_a_board_that_shows_some_stays_so_while_it_is_live(page: Page, ports: Ports) -> None:
    with served(stocked(ports)) as url:
        page.goto(f"{url}/?q=infeed&group=site")
        expect(page.locator("#stream")).to_have_text("Live", timeout=SOON_MS)
        ports.readings.store([reading("outfeed-1", 3.2, seq=2), reading("infeed-2", 2.5, seq=1000)])
        expect(row(page, "infeed-2").locator(".e")).to_have_text("2.500", timeout=SOON_MS)
        assert order(page) == ["infeed-2"]


def test_ages_grow_and_a_drive_without_news_says_so(page: Page, ports: Ports) -> None:
    app = app_on(ports, now_ns=time.time_ns, stream_period_s=0.1, stale_after_s=120.0)
    for drive_id, seconds_ago in (("fresh", 0), ("quiet", 119), ("silent", 300)):
        add(Plant(ports, app, None), drive_id)  # type: ignore[arg-type]
        ports.readings.store([reading(drive_id, 1.0, seconds_ago=seconds_ago, seq=1)])
    with served(app) as url:
        page.goto(url)
        expect(page.locator("#stream")).to_have_text("Live", timeout=SOON_MS)
        expect(row(page, "fresh").locator(".news")).to_have_text(re.compile(r"\d+ s"))
        expect(row(page, "fresh").locator(".quiet")).to_be_hidden()
        expect(row(page, "silent").locator(".quiet")).to_be_visible()
        expect(row(page, "silent").locator(".news")).to_have_text(re.compile(r"no news for \d+ min"))
        expect(row(page, "quiet").locator(".quiet")).to_be_visible(
            timeout=SOON_MS
        )  # grown past what is fresh
        expect(row(page, "quiet").locator(".live")).to_have_class(re.compile("stale"))


def test_the_wall_follows_what_comes_and_is_read_from_five_metres(
    browser: Browser, ports: Ports, tmp_path: Path
) -> None:
    context = browser.new_context(viewport={"width": 1920, "height": 1080})
    page = context.new_page()
    app = stocked(ports)
    ports.prognoses.keep([kept("infeed-2", 118.0, time.time_ns())])
    with served(app) as url:
        page.goto(f"{url}/wall")
        expect(page.locator("#gone")).to_be_hidden()
        expect(page.locator(".lines h2")).to_have_text(["Infeed 2", "Outfeed 1"])
        ports.readings.store([reading("outfeed-1", 3.2, seq=2)])
        expect(page.locator(".lines h2")).to_have_text(["Outfeed 1", "Infeed 2"], timeout=SOON_MS)
        over = page.evaluate("[document.documentElement.scrollWidth, document.documentElement.scrollHeight]")
        assert over == [1920, 1080]
        smallest = page.evaluate(
            "Math.min(...[...document.querySelectorAll('#wall p, #wall h2, #wall li span')]"
            ".filter(e => e.textContent.trim()).map(e => parseFloat(getComputedStyle(e).fontSize)))"
        )
        assert smallest >= 52  # 16 minutes of arc from five metres, see wall.css
        cut = page.evaluate(
            "[...document.querySelectorAll('.pc, .date, .p10, .old, .clock')].filter(e => e.scrollWidth > e.clientWidth + 1"
            " || e.getBoundingClientRect().right > innerWidth).map(e => e.textContent)"
        )
        assert cut == []
        assert page.locator(".p10").all_inner_texts().count("") == 1  # one drive has a forecast
        page.screenshot(path=tmp_path / "wall.png")
    context.close()


def test_what_is_typed_stays_where_another_page_arrives(page: Page, ports: Ports) -> None:
    """As when whoever types was signed out meanwhile, and the page to sign in comes in place of this one."""
    ports.refused.keep([], [A_SIGHTING])
    with served(stocked(ports)) as url:
        page.goto(f"{url}/refused")
        field = page.get_by_role("form", name="Register saw-1").get_by_label("Whole pitches, n")
        field.fill("24")
        page.route(
            "**/refused", lambda route: route.fulfill(body="<h1>Sign in</h1>", content_type="text/html")
        )
        for _ in range(2):
            page.wait_for_event("response", timeout=SOON_MS)
        expect(field).to_have_value("24")


def test_a_lost_connection_is_told_and_comes_back_by_itself(page: Page, ports: Ports) -> None:
    """With the script made impatient: silence counts after 3 s, not 15 s."""
    app = stocked(ports)
    port = free_port()
    script = (Path(__file__).parents[3] / "service/adapters/web/static/linklag.js").read_text(
        encoding="utf-8"
    )
    page.route(
        "**/linklag.js",
        lambda route: route.fulfill(
            body=script.replace("BEAT_MS = 5000", "BEAT_MS = 1000"), content_type="text/javascript"
        ),
    )
    with served(app, port) as url:
        page.goto(url)
        expect(page.locator("#stream")).to_have_text("Live", timeout=SOON_MS)
    expect(page.locator("#stream")).to_contain_text("No news from linklag for", timeout=SOON_MS)
    expect(page.locator("#stream")).to_have_class(re.compile("lost"))
    expect(page.locator("#lost")).to_contain_text("What is struck through here is old")
    ports.readings.store([reading("outfeed-1", 2.5, seq=3)])
    with served(app_on(ports, now_ns=time.time_ns, stream_period_s=0.1), port):
        expect(row(page, "outfeed-1").locator(".e")).to_have_text("2.500", timeout=20_000)
        expect(page.locator("#lost")).to_be_hidden()


def test_the_drive_page_shows_its_trend_and_keeps_its_numbers_live(
    page: Page, ports: Ports, tmp_path: Path
) -> None:
    with served(stocked(ports)) as url:
        page.goto(f"{url}/drives/infeed-2?span=hour")
        expect(page.locator("#stream")).to_have_text("Live", timeout=SOON_MS)
        trend = page.locator("svg.trend")
        box = trend.bounding_box()
        assert box is not None
        assert box["width"] > 900
        line = trend.locator("path.mean").first.bounding_box()
        assert line is not None
        assert line["width"] > 800
        page.screenshot(path=tmp_path / "drive-wide.png", full_page=True)
        ports.readings.store([reading("infeed-2", 1.987, seq=1000)])
        expect(page.locator(".facts .number")).to_contain_text("1.987", timeout=SOON_MS)


def test_nothing_runs_off_the_side_on_any_width(browser: Browser, ports: Ports, tmp_path: Path) -> None:
    with served(stocked(ports)) as url:
        page = browser.new_page()
        for path in (
            "/",
            "/wall",
            "/drives/infeed-2?span=hour",
            "/drives/new",
            "/refused",
            "/drives/infeed-2/chain",
            "/api",
        ):
            page.set_viewport_size(LOOKS[0][0])
            page.goto(url + path)
            for size, scheme in LOOKS:
                page.set_viewport_size(size)
                page.emulate_media(color_scheme=scheme)
                assert page.evaluate(FITS), (path, size)
                name = f"{re.sub('[^a-z0-9]+', '-', path)}-{size['width']}-{scheme}.png"
                page.screenshot(path=tmp_path / name, full_page=path != "/api")
        page.close()


def test_text_stands_out_from_its_ground(browser: Browser, ports: Ports) -> None:
    """WCAG 2.2, success criterion 1.4.3: a contrast of 4.5 to 1 at least, in pictures too, which axe does not look at."""
    with served(stocked(ports)) as url:
        page = browser.new_page()
        page.goto(url)
        for scheme in SCHEMES:
            page.emulate_media(color_scheme=scheme)
            by_name = dict(
                page.evaluate(
                    "['paper', 'sheet', 'ink', 'faint', 'steel', 'brass', 'rust', 'oil']"
                    ".map(name => [name, getComputedStyle(document.documentElement).getPropertyValue('--' + name).trim()])"
                )
            )
            for ground in ("paper", "sheet"):
                for ink in ("ink", "faint", "steel", "brass", "rust", "oil"):
                    assert contrast(by_name[ink], by_name[ground]) >= 4.5, (scheme, ink, ground)
        page.close()


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours #rrggbb (WCAG 2.2, definition of contrast ratio, from memory)."""
    lights = sorted((luminance(one), luminance(other)), reverse=True)
    return (lights[0] + 0.05) / (lights[1] + 0.05)


def luminance(colour: str) -> float:
    def linear(c: float) -> float:
        return c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4

    red, green, blue = (linear(int(colour[n : n + 2], 16) / 255) for n in (1, 3, 5))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def test_the_pages_read_without_scripts(browser: Browser, ports: Ports) -> None:
    with served(stocked(ports)) as url:
        context = browser.new_context(java_script_enabled=False)
        page = context.new_page()
        page.goto(url)
        expect(row(page, "infeed-2").locator(".e")).to_have_text("1.559")
        expect(page.locator("#stream")).to_contain_text("Reload for newer numbers")
        page.get_by_role("link", name="Infeed 2").click()
        expect(page.locator("svg.trend path.mean").first).to_be_attached()
        context.close()


def test_a_drive_is_registered_in_the_browser_through_our_own_guard(browser: Browser, ports: Ports) -> None:
    """The form's own Origin and Sec-Fetch-Site, as a real browser sends them, must pass."""
    with served(stocked(ports)) as url:
        context = browser.new_context()
        page = context.new_page()
        page.goto(f"{url}/drives/new")
        page.get_by_label("Id", exact=False).first.fill("saw-9")
        page.get_by_label("Whole pitches between the sensors").fill("24")
        page.get_by_label("Designation").fill("16B-1")
        page.get_by_role("button", name="Register").click()
        expect(page.locator("h1")).to_contain_text("saw-9")
        expect(page.locator("#chains")).to_contain_text("25.4 mm pitch")
        context.close()
    assert ports.register.drive("saw-9").whole_pitches == 24
