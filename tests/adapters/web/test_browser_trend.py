"""The trend under a hand, in a real browser: mouse, wheel, fingers and keys choose the window; history and the clock go with it."""

import re
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest
from playwright.sync_api import Browser, Page, expect

from service.adapters.web.instants import instant_ns
from tests.adapters.web.plant import add, app_on, reading_of
from tests.adapters.web.served import served
from tests.contracts.given import FAKE, Ports, S, a_store


def put(ports: Ports, seconds_ago: float, pct: float, seq: int) -> None:
    t_ns = time.time_ns() - int(seconds_ago * S)
    ports.readings.store([replace(reading_of("saw", 0, pct, seq=seq), t_ns=t_ns, t0_ns=t_ns - 10 * S)])


@pytest.fixture
def stocked() -> Iterator[tuple[Ports, str]]:
    """A drive with a reading for each of the last 50 minutes, and the address of its page."""
    with a_store(FAKE) as ports:
        app = app_on(ports, now_ns=time.time_ns, stream_period_s=0.1)

        class _Plant:  # what `add` asks for
            def __init__(self) -> None:
                self.ports = ports

        add(_Plant(), "saw")  # type: ignore[arg-type]
        for minute in range(50, 0, -1):
            put(ports, 60 * minute, 1.5 - minute / 100, 100 - minute)
        while ports.readings.roll_up():
            pass
        with served(app) as address:
            yield ports, f"{address}/drives/saw"


@contextmanager
def opened(browser: Browser, address: str, **how: Any) -> Iterator[Page]:
    """The page with its script at work; nothing may be wrong in the console at the end."""
    context = browser.new_context(viewport={"width": 1000, "height": 900}, **how)
    page = context.new_page()
    wrong: list[str] = []
    page.on("console", lambda said: wrong.append(said.text) if said.type == "error" else None)
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.goto(address)
    expect(page.locator("#trend-readout")).to_be_visible()
    page.locator("#trend-view").scroll_into_view_if_needed()
    yield page
    context.close()
    assert wrong == []


def window(page: Page) -> tuple[float, float]:
    """From and to of the picture, seconds."""
    data = page.locator("#trend-view").evaluate("(view) => [view.dataset.fromMs, view.dataset.toMs]")
    return float(data[0]) / 1000, float(data[1]) / 1000


def length_s(page: Page) -> float:
    from_s, to_s = window(page)
    return to_s - from_s


def at(page: Page, share: float) -> tuple[float, float]:
    """A place of the picture, in pixels of the page."""
    box = page.locator("#trend-view").bounding_box()
    assert box is not None
    return box["x"] + share * box["width"], box["y"] + 100


def comes_to(page: Page, seconds: float, within: float = 0.05) -> None:
    """Wait until the picture is so long."""
    until = time.monotonic() + 8
    while abs(length_s(page) - seconds) > within * seconds:
        assert time.monotonic() < until, f"{length_s(page)} s, not {seconds} s"
        time.sleep(0.02)


def drag(page: Page, start: float, end: float) -> None:
    page.mouse.move(*at(page, start))
    page.mouse.down()
    page.mouse.move(*at(page, end), steps=4)
    page.mouse.up()


def test_a_stretch_is_dragged_kept_in_the_address_and_left_by_going_back(
    browser: Browser, stocked: tuple[Ports, str]
) -> None:
    with opened(browser, f"{stocked[1]}?span=hour") as page:
        from_s, to_s = window(page)
        drag(page, 0.25, 0.5)
        comes_to(page, 900)
        chosen_s = window(page)
        assert chosen_s[0] == pytest.approx(from_s + 900, abs=20)
        asked = parse_qs(urlsplit(page.url).query)
        assert instant_ns(asked["from"][0]) / S == pytest.approx(chosen_s[0], abs=0.01)
        page.reload()
        expect(page.locator("#trend-readout")).to_be_visible()
        assert window(page) == chosen_s
        page.go_back()
        comes_to(page, 3600)
        assert window(page)[1] >= to_s
        page.go_forward()
        comes_to(page, 900)
        assert window(page) == chosen_s


def test_the_wheel_turns_the_page_until_the_picture_is_chosen_then_it_zooms_about_the_pointer(
    browser: Browser, stocked: tuple[Ports, str]
) -> None:
    with opened(browser, f"{stocked[1]}?span=hour") as page:
        x, y = at(page, 0.75)
        page.mouse.move(x, y)
        before = page.evaluate("scrollY")
        page.mouse.wheel(0, 60)
        page.wait_for_timeout(300)
        assert page.evaluate("scrollY") > before
        assert length_s(page) == pytest.approx(3600, abs=1)
        x, y = at(page, 0.75)
        page.mouse.click(x, y)
        from_s, to_s = window(page)
        under_s = from_s + 0.75 * (to_s - from_s)
        page.mouse.wheel(0, -346)  # to a half: exp(-0.692)
        comes_to(page, 1800)
        now_from_s, now_to_s = window(page)
        assert now_from_s + 0.75 * (now_to_s - now_from_s) == pytest.approx(under_s, abs=10)
        page.mouse.dblclick(x, y)
        comes_to(page, 7200)


def test_keys_move_zoom_and_tell_point_after_point(browser: Browser, stocked: tuple[Ports, str]) -> None:
    with opened(browser, f"{stocked[1]}?span=hour") as page:
        view = page.locator("#trend-view")
        view.focus()
        readout = page.locator("#trend-readout")
        assert "point to point" in readout.inner_text()
        page.keyboard.press("Shift+ArrowLeft")
        expect(readout).to_have_text(re.compile(r"\d+ \w+ 20\d\d, \d\d:\d\d: 1\.490 % ± 0\.\d+ %\."))
        page.keyboard.press("Shift+ArrowLeft")
        expect(readout).to_have_text(re.compile(r": 1\.480 % ±"))
        page.keyboard.press("+")
        comes_to(page, 1800)
        assert "1.480" in readout.inner_text()
        assert view.evaluate("(view) => document.activeElement === view")
        from_s, _ = window(page)
        page.keyboard.press("ArrowLeft")
        until = time.monotonic() + 8
        while window(page)[0] > from_s - 440:
            assert time.monotonic() < until
            time.sleep(0.02)
        assert window(page)[0] == pytest.approx(from_s - 450, abs=2)
        page.keyboard.press("-")
        comes_to(page, 3600)
        page.keyboard.press("0")
        expect(page.locator("#trend-spans a[aria-current]").first).to_have_text("hour")
        assert urlsplit(page.url).query == ""


def test_two_fingers_zoom_and_one_moves(browser: Browser, stocked: tuple[Ports, str]) -> None:
    with opened(browser, f"{stocked[1]}?span=hour", has_touch=True) as page:
        send = page.context.new_cdp_session(page).send
        y = at(page, 0)[1]

        def touch(kind: str, *shares: float) -> None:
            points = [{"x": at(page, share)[0], "y": y, "id": n} for n, share in enumerate(shares)]
            send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

        from_s, to_s = window(page)
        touch("touchStart", 0.45, 0.55)
        for share in (0.42, 0.38, 0.34, 0.3):
            touch("touchMove", share, 1 - share)
        touch("touchEnd")
        comes_to(page, 900)
        now_from_s, now_to_s = window(page)
        assert (now_from_s + now_to_s) / 2 == pytest.approx((from_s + to_s) / 2, abs=20)
        touch("touchStart", 0.3)
        for share in (0.4, 0.5, 0.6, 0.7, 0.8):
            touch("touchMove", share)
        touch("touchEnd")
        until = time.monotonic() + 8
        while window(page)[0] > now_from_s - 380:
            assert time.monotonic() < until
            time.sleep(0.02)
        assert length_s(page) == pytest.approx(900, abs=1)


def test_a_span_up_to_now_follows_what_comes_and_a_chosen_window_stays(
    browser: Browser, stocked: tuple[Ports, str]
) -> None:
    ports, address = stocked
    with opened(browser, f"{address}?span=minute") as page:
        put(ports, 0, 2.25, 500)
        expect(page.locator("#trend-caption")).to_contain_text("2.250 %", timeout=15_000)
        assert length_s(page) == pytest.approx(60, abs=1)
        assert urlsplit(page.url).query == "span=minute"
    now_s = time.time()
    ends = [time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(now_s - ago)) for ago in (1200, 600)]
    with opened(browser, f"{address}?from={ends[0]}&to={ends[1]}") as page:
        before = page.locator("#trend-view").inner_html()
        put(ports, 0, 2.3, 501)
        expect(page.locator('[data-f="elongation"]').first).to_have_text("2.300", timeout=15_000)
        page.wait_for_timeout(1500)
        assert page.locator("#trend-view").inner_html() == before


def test_the_first_reading_of_a_drive_brings_its_picture(
    browser: Browser, stocked: tuple[Ports, str]
) -> None:
    ports, address = stocked
    ports.register.add_drive(replace(ports.register.drive("saw"), drive_id="fresh", name=""))
    chain = replace(ports.register.chains("saw")[0], chain_id="fresh-a", drive_id="fresh")
    ports.register.fit_chain(chain)
    page = browser.new_page()
    wrong: list[str] = []
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.goto(address.replace("/saw", "/fresh"))
    expect(page.locator("#stream")).to_have_text("Live", timeout=15_000)
    page.locator("#trend").dispatch_event("pointerleave")
    assert page.locator("#trend-view").count() == 0
    t_ns = time.time_ns()
    first = reading_of("fresh", 0, 1.25, seq=1)
    ports.readings.store([replace(first, chain_id="fresh-a", t_ns=t_ns, t0_ns=t_ns - 10 * S)])
    expect(page.locator("#trend-readout")).to_be_visible(timeout=15_000)
    page.close()
    assert wrong == []


def test_a_picture_is_saved_as_png_at_twice_its_size(browser: Browser, stocked: tuple[Ports, str]) -> None:
    with opened(browser, f"{stocked[1]}?span=hour") as page:
        with page.expect_download() as saved:
            page.get_by_role("button", name="Save as PNG").first.click()
        path = saved.value.path()
        assert saved.value.suggested_filename.startswith("saw-")
        assert saved.value.suggested_filename.endswith(".png")
        head = path.read_bytes()[:24]
        assert head[:8] == b"\x89PNG\r\n\x1a\n"
        assert int.from_bytes(head[16:20]) == 2 * 960


def test_without_scripts_the_spans_and_the_svg_are_links(
    browser: Browser, stocked: tuple[Ports, str]
) -> None:
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(f"{stocked[1]}?span=hour")
    page.get_by_role("link", name="10 minutes", exact=True).click()
    assert urlsplit(page.url).query == "span=minutes"
    assert page.get_by_role("link", name="Save as SVG").last.is_visible()
    expect(page.get_by_role("button", name="Save as PNG")).to_have_count(0)  # once the style is there
    context.close()
