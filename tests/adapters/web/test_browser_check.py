"""Measuring by hand on a phone, in a real browser: with and without connection, twice, refused, signed out."""

import math
import random
import string
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, Route, expect
from playwright.sync_api import Error as BrowserError

from service.adapters.web import pages_check
from service.adapters.web.check_form import measurement_of
from service.core.drive import Chain, Drive
from service.core.hand import (
    HandMethod,
    HandValue,
    Known,
    count_doubt,
    default_length_u_mm,
    hand_elongation,
    remaining_mm,
)
from service.core.people import Role
from tests.adapters.web.people_plant import HTTP, NAMES, PASSWORD, PeoplePlant, a_peopled_plant
from tests.adapters.web.plant import NOW_NS, Plant, add, app_on
from tests.adapters.web.served import served
from tests.conftest import free_port
from tests.contracts.given import FAKE, NOON_NS, S, a_store

DAY_NS = 86_400 * S
PATIENT_MS = 20_000  # on a machine that is busy with other tests
AT_MS = NOW_NS // 1_000_000


@contextmanager
def a_phone(browser: Browser, **more: Any) -> Iterator[Page]:
    """A phone of its own: nothing is shared with another one. What its page must not say in its console fails the test."""
    context = browser.new_context(viewport={"width": 390, "height": 844}, has_touch=True, **more)
    page = context.new_page()
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.on(
        "console", lambda message: errors.append(message.text) if "Content Security" in message.text else None
    )
    yield page
    context.close()
    assert errors == []


@dataclass(slots=True)
class Works:
    """A plant with drive saw, and its address, which stays when the server goes and comes."""

    plant: Plant
    port: int

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def served(self) -> Any:
        return served(self.plant.app, self.port)

    def stored(self) -> list[HandValue]:
        return self.plant.ports.hand_values.of("saw")


@pytest.fixture
def works() -> Iterator[Works]:
    with a_store(FAKE) as ports:
        plant = Plant(ports, app_on(ports), None)  # type: ignore[arg-type]
        add(plant, "saw", 1.10, name="Saw feed", site="Talheim", area="Sawmill", line="3")
        yield Works(plant, free_port())


def wait_until_kept(phone: Page) -> None:
    """The page, and the list, are kept on the phone."""
    expect(phone.locator("html[data-kept]")).to_have_count(1, timeout=PATIENT_MS)


def open_drive(phone: Page, url: str, drive_id: str = "saw") -> None:
    """Open the page of a drive, and wait until it is kept on the phone."""
    phone.goto(f"{url}/check/{drive_id}")
    wait_until_kept(phone)


def read_off(phone: Page, length: str = "616,5", pitches: str = "24") -> None:
    phone.get_by_label("Rule").check()
    phone.get_by_label("Over how many pitches").fill(pitches)
    phone.get_by_label("Length, pin centre to pin centre").fill(length)
    phone.get_by_label("Drawn tight").check()


def record(phone: Page) -> None:
    phone.get_by_role("button", name="Record it").click()


def until(so: Callable[[], bool], timeout_s: float = 10.0) -> None:
    """Return once it is so."""
    end = time.monotonic() + timeout_s
    while not so():
        assert time.monotonic() < end, "it did not come to be so"
        time.sleep(0.05)


def states(phone: Page) -> list[str]:
    return [str(each.get_attribute("data-state")) for each in phone.locator("#kept li").all()]


# The same rule


def value_of(row: dict[str, Any]) -> HandValue:
    method, length_mm = HandMethod(row["method"]), row["lengthMm"]
    of: dict[str, Any] = {
        "drive_id": "x",
        "chain_id": "x",
        "recorded_by": "",
        "measured_ns": NOW_NS,
        "recorded_ns": NOW_NS,
    }
    return HandValue(
        **of,
        method=method,
        length_mm=length_mm,
        length_u_mm=default_length_u_mm(method, length_mm),
        pitches=row["pitches"],
        pitch_mm=row["pitchMm"],
        tight=row["tight"],
        temp_c=row["tempC"],
    )


def random_row(dice: random.Random) -> dict[str, Any]:
    """What somebody might read: mostly a chain within its limit, at times another count, another chain, a typing error."""
    pitch_mm = dice.choice([9.525, 12.7, 15.875, 25.4, 63.5, 100.0])
    pitches = dice.randint(1, 130)
    pct = dice.choice([dice.uniform(-0.5, 4.5), dice.uniform(-29, 39), 0.0])
    read_over = pitches + dice.choice([0, 0, 0, -1, 1, 2, -2])
    loop = dice.choice([None, max(pitches, read_over) + dice.randint(0, 80)])
    known = {
        "pct": dice.uniform(-0.2, 3.5),
        "uPct": dice.uniform(0, 0.2),
        "ms": AT_MS - dice.randint(0, 10**10),
    }
    return {
        "method": dice.choice(list(HandMethod)),
        "pitches": pitches,
        "lengthMm": max(1, read_over) * pitch_mm * (1 + pct / 100),
        "tight": dice.random() < 0.9,
        "tempC": dice.choice([None, dice.uniform(-30, 90)]),
        "pitchMm": pitch_mm,
        "pitchesInLoop": loop,
        "tempRefC": dice.choice([20.0, dice.uniform(0, 60)]),
        "limitPct": dice.uniform(0.5, 5),
        "known": dice.choice([None, known]),
    }


def by_core(row: dict[str, Any]) -> dict[str, Any]:
    value = value_of(row)
    found = hand_elongation(value, temp_ref_c=row["tempRefC"], pitches_in_loop=row["pitchesInLoop"])
    known = row["known"] and Known(
        elongation_pct=row["known"]["pct"], u_pct=row["known"]["uPct"], t_ns=row["known"]["ms"] * 1_000_000
    )
    return {
        "pct": found.elongation_pct,
        "uPct": found.u_pct,
        "leftMm": remaining_mm(value, found, row["limitPct"]),
        "doubt": count_doubt(value, known),
    }


def test_the_browser_works_out_what_core_does(browser: Browser, works: Works) -> None:
    """Formula: hand_elongation, remaining_mm, count_doubt of service/core/hand.py; 500 random measurements, seed 6."""
    dice = random.Random(6)
    rows: list[dict[str, Any]] = []
    impossible: list[dict[str, Any]] = []
    while len(rows) < 500:
        row = random_row(dice)
        try:
            value_of(row)
            rows.append(row)
        except ValueError:
            impossible.append(row)  # core refuses such a length; so must the browser
    script = """async (rows) => {
      const rule = await import("/static/check.js");
      return rows.map((row) => {
        const found = rule.handElongation(row, row);
        return { ...found, leftMm: rule.remainingMm(row, row, found), cannot: rule.cannotBe(row, row),
                 doubt: rule.countDoubt(row, row, row.known, AT) };
      });
    }""".replace("AT", str(AT_MS))
    with works.served(), a_phone(browser) as phone:
        phone.goto(f"{works.url}/check")
        worked = phone.evaluate(script, rows)
        refused = phone.evaluate(
            "async (rows) => { const r = await import('/static/check.js'); return rows.map((x) => r.cannotBe(x, x)); }",
            impossible,
        )
    asked = 0
    for row, found in zip(rows, worked, strict=True):
        expected = by_core(row)
        for name in ("pct", "uPct", "leftMm"):
            assert math.isclose(found[name], expected[name], rel_tol=1e-9, abs_tol=1e-9), (name, row)
        assert not found["cannot"]
        assert (found["doubt"] is not None) == bool(expected["doubt"]), row
        if found["doubt"] is not None:
            asked += 1
            other = found["doubt"]["other"]
            assert (other is not None) == ("did you count" in expected["doubt"]), row
            if other is not None:
                first, last = sorted((row["pitches"], other))
                assert f"did you count {first} or {last}?" in expected["doubt"]
    assert 25 < asked < 475
    assert len(impossible) > 10
    assert all(refused)


def test_the_browser_reads_the_form_as_the_server_does(browser: Browser, works: Works) -> None:
    """500 forms of odds and ends, seed 6."""
    dice = random.Random(6)
    lengths = ["616,5", "616.0", "24 5/16", "24-1/4", "3/8", ".5", " 617 "]
    odd = [
        "x",
        "",
        "1,2,3",
        "-3",
        "\u22121",
        "0",
        *("".join(dice.choices(string.printable[:95], k=5)) for _ in range(9)),
    ]
    names = {
        "method": ["rule", "tape", "calliper", "ruler"], "unit": ["mm", "inch", ""], "tight": ["yes", "no", "no", ""],
        "cranked": ["yes", ""], "counted_again": ["yes", ""], "pitches": ["24", " 7 ", "5", "24.0", *odd[:4]],
        "note": odd, "temp_c": ["", "21,5", "-4", *odd[:3]], "outside": lengths, "inside": lengths + odd[:3],
        "length_1": lengths + odd[:2], "length_2": lengths + odd, "length_3": ["", "", *lengths],
    }  # fmt: skip
    forms = [
        {name: dice.choice(some) for name, some in names.items() if dice.random() < 0.95} for _ in range(500)
    ]
    script = """async (forms) => {
      const entry = await import("/static/check-entry.js");
      return forms.map((typed) => entry.measurementOf(typed));
    }"""
    with works.served(), a_phone(browser) as phone:
        phone.goto(f"{works.url}/check")
        read = phone.evaluate(script, forms)
    complete = 0
    for typed, found in zip(forms, read, strict=True):
        expected = asdict(measurement_of(typed))
        assert found["wrong"] == expected["wrong"], typed
        assert_alike(found["body"], expected["body"])
        complete += not expected["wrong"]
    assert 12 < complete < 488


def assert_alike(found: dict[str, Any], expected: dict[str, Any]) -> None:
    assert set(found) == set(expected)
    for name, value in expected.items():
        same = pytest.approx(value, rel=1e-12) if isinstance(value, float) else value
        assert found[name] == same, name


# With and without connection


def test_without_connection_it_is_kept_and_later_stored_once(
    browser: Browser, works: Works, tmp_path: Path
) -> None:
    """Load, go offline, load again, enter, see the provisional result, come back: one value, by the service's clock.

    The phone's clock is off by months from that of this plant, whose time stands still.
    """
    with works.served(), a_phone(browser) as phone:
        open_drive(phone, works.url)
        phone.context.set_offline(True)
        phone.reload()
        expect(phone.locator("#connection")).to_contain_text("No connection.")
        read_off(phone)
        result = phone.locator("#at-once")
        expect(result).to_contain_text("1.13 \N{PLUS-MINUS SIGN} 0.19 %")
        expect(result).to_contain_text("11.4 mm left until the limit of 3.00 % over these 24 pitches.")
        expect(result).to_contain_text("Provisional")
        assert phone.evaluate("document.documentElement.scrollWidth") <= 390
        record(phone)
        expect(phone.locator("#kept li")).to_contain_text("Waits for the connection")
        phone.screenshot(path=tmp_path / "offline.png", full_page=True)
        phone.reload()  # and the phone may be put away meanwhile
        expect(phone.locator("#kept li")).to_contain_text("616.5 mm over 24 pitches: 1.13")
        assert works.stored() == []
        phone.context.set_offline(False)
        expect(phone.locator('#kept li[data-state="stored"]')).to_have_count(1, timeout=PATIENT_MS)
        (value,) = works.stored()
        assert (value.length_mm, value.chain_id) == (616.5, "saw-a")
        assert NOW_NS - 60 * S < value.measured_ns <= NOW_NS
        assert value.told_ns is not None
        assert abs(value.told_ns - value.measured_ns) > DAY_NS
        expect(phone.locator("#connection")).to_contain_text("The clock of this phone is")
        phone.get_by_role("button", name="Off this list").click()
        expect(phone.locator("#kept")).to_be_hidden()


def test_the_service_killed_in_between_loses_nothing(browser: Browser, works: Works) -> None:
    with a_phone(browser) as phone:
        with works.served():
            open_drive(phone, works.url)
        phone.reload()
        read_off(phone)
        record(phone)
        read_off(phone, "617")
        record(phone)
        expect(phone.locator('#kept li[data-state="waits"]')).to_have_count(2)
        phone.goto(f"{works.url}/check/kiln-4")
        expect(phone.locator("#unkept")).to_contain_text("This drive is not kept on this phone")
        with works.served():
            phone.goto(f"{works.url}/check")
            expect(phone.locator('#kept li[data-state="stored"]')).to_have_count(2, timeout=PATIENT_MS)
    assert [each.length_mm for each in works.stored()] == [616.5, 617.0]


def test_an_answer_that_got_lost_does_not_store_it_twice(browser: Browser, works: Works) -> None:
    """The service stored it, and the phone does not know: it sends again with the same key."""

    def lose(route: Route) -> None:
        route.fetch()
        route.abort()

    with works.served(), a_phone(browser) as phone:
        open_drive(phone, works.url)
        phone.context.route("**/hand-values", lose)
        read_off(phone)
        with phone.expect_event("requestfailed"):
            record(phone)
        expect(phone.locator("#kept li")).to_contain_text("Waits for the connection")
        assert len(works.stored()) == 1
        phone.context.unroute("**/hand-values")
        phone.reload()
        expect(phone.locator('#kept li[data-state="stored"]')).to_have_count(1, timeout=PATIENT_MS)
        assert len(works.stored()) == 1


def test_a_tap_too_many_records_nothing_twice(browser: Browser, works: Works) -> None:
    with works.served(), a_phone(browser) as phone:
        open_drive(phone, works.url)
        read_off(phone, "616")
        phone.evaluate(
            "() => { const form = document.querySelector('form.reads'); form.requestSubmit(); form.requestSubmit(); }"
        )
        expect(phone.locator('#kept li[data-state="stored"]')).to_have_count(1, timeout=PATIENT_MS)
        read_off(phone, "617")
        record(phone)
        expect(phone.locator('#kept li[data-state="stored"]')).to_have_count(2, timeout=PATIENT_MS)
        assert phone.locator("#kept li").count() == 2
    assert sorted(each.length_mm for each in works.stored()) == [616.0, 617.0]


def test_two_phones_each_store_their_own(browser: Browser, works: Works) -> None:
    with works.served(), a_phone(browser) as one, a_phone(browser) as other:
        for phone, length in ((one, "616"), (other, "617")):
            open_drive(phone, works.url)
            phone.context.set_offline(True)
            read_off(phone, length)
            record(phone)
            expect(phone.locator('#kept li[data-state="waits"]')).to_have_count(1)
        for phone in (one, other):
            phone.context.set_offline(False)
            expect(phone.locator('#kept li[data-state="stored"]')).to_have_count(1, timeout=PATIENT_MS)
    assert sorted(each.length_mm for each in works.stored()) == [616.0, 617.0]


def test_with_connection_the_answer_of_the_service_takes_the_place_of_the_provisional_one(
    browser: Browser, works: Works, tmp_path: Path
) -> None:
    with works.served(), a_phone(browser) as phone:
        open_drive(phone, works.url)
        phone.get_by_label("inch", exact=True).check()
        read_off(phone, "24 17/64")
        record(phone)
        result = phone.locator("#at-once")
        expect(result).to_contain_text("This is what linklag says.")
        expect(result).to_contain_text("Agrees with the sensors")
        phone.screenshot(path=tmp_path / "said.png", full_page=True)
    (value,) = works.stored()
    assert value.length_mm == pytest.approx((24 + 17 / 64) * 25.4)
    assert value.note == "Read in inches: 24 17/64"


def test_a_chain_at_its_limit_is_told_at_once(browser: Browser, works: Works) -> None:
    """24 x 25.4 mm and 3 %: 627.89 mm (by hand)."""
    cases = [
        ("627", "within_uncertainty", "The limit is within the uncertainty: it may be reached."),
        ("629", "reached", "Over the limit of 3.00 % by 1.1 mm over these 24 pitches."),
    ]
    with works.served(), a_phone(browser) as phone:
        phone.goto(f"{works.url}/check/saw")
        result = phone.locator("#at-once")
        for length, strand, words in cases:
            read_off(phone, length)
            expect(result).to_contain_text(words)
            expect(result.locator(f".strand.{strand}")).to_have_count(1)
        phone.get_by_label("Slack").check()
        expect(result).to_contain_text("A slack chain gives no number to rely on.")
        expect(result.locator(".strand.below")).to_have_count(1)


def test_a_miscount_is_asked_about_at_the_drive(browser: Browser, works: Works) -> None:
    with works.served(), a_phone(browser) as phone:
        open_drive(phone, works.url)
        phone.context.set_offline(True)
        read_off(phone, pitches="23")
        record(phone)
        expect(phone.locator("#bad-pitches")).to_contain_text("did you count 23 or 24?")
        assert states(phone) == []
        phone.get_by_label("I counted again, and it is right").check()
        record(phone)
        phone.context.set_offline(False)
        expect(phone.locator('#kept li[data-state="stored"]')).to_have_count(1, timeout=PATIENT_MS)


def test_an_upgrade_brings_a_new_service_worker_and_the_kept_pages_anew(
    browser: Browser, works: Works, monkeypatch: pytest.MonkeyPatch
) -> None:
    with works.served(), a_phone(browser) as phone:
        open_drive(phone, works.url)
        (before,) = cached(phone, "pages")
        text = pages_check._worker_text()
        monkeypatch.setattr(
            pages_check, "_worker_text", lambda: text.replace(before.rpartition("-")[2], "0123456789ab")
        )
        works.plant.ports.register.change_drive(
            replace(works.plant.ports.register.drive("saw"), name="Saw feed, renamed")
        )
        phone.goto(f"{works.url}/check")
        until(lambda: cached(phone, "pages") == ["linklag-check-pages-0123456789ab"])
        phone.context.set_offline(True)
        phone.goto(f"{works.url}/check/saw")
        expect(phone.locator("h1")).to_have_text("Saw feed, renamed")


# Refused


def test_a_chain_changed_meanwhile_is_shown_and_mended(
    browser: Browser, works: Works, tmp_path: Path
) -> None:
    with works.served(), a_phone(browser) as phone:
        open_drive(phone, works.url)
        phone.context.set_offline(True)
        read_off(phone)
        record(phone)
        read_off(phone, "617")
        record(phone)
        register = works.plant.ports.register
        register.take_off_chain("saw-a", NOW_NS - 600 * S, "worn")
        chain = Chain(
            chain_id="saw-b", drive_id="saw", designation="16B-1", pitch_mm=25.4, fitted_ns=NOW_NS - 500 * S
        )
        register.fit_chain(chain)
        phone.context.set_offline(False)
        expect(phone.locator('#kept li[data-state="refused"]')).to_have_count(2, timeout=PATIENT_MS)
        first = phone.locator("#kept li").first
        expect(first).to_contain_text("this was measured as chain 'saw-a', but 'saw-b' was on then")
        assert works.stored() == []
        phone.screenshot(path=tmp_path / "refused.png", full_page=True)
        first.get_by_role("button", name="Throw away").click()
        first.get_by_role("button", name="Really throw it away?").click()
        expect(phone.locator("#kept li")).to_have_count(1)
        phone.reload()
        phone.get_by_role("link", name="Correct it").click()
        expect(phone.locator("#mending")).to_contain_text(
            "It was entered for chain saw-a; on this page is chain saw-b."
        )
        assert phone.get_by_label("Length, pin centre to pin centre").input_value() == "616,5"
        record(phone)
        expect(phone.locator('#kept li[data-state="stored"]')).to_have_count(1, timeout=PATIENT_MS)
    (value,) = works.stored()
    assert (value.chain_id, value.length_mm) == ("saw-b", 616.5)


def test_several_drives_are_kept_before_going_where_there_is_no_connection(
    browser: Browser, works: Works
) -> None:
    for n in range(3):
        add(works.plant, f"mill-{n}", name=f"Mill {n}")
    with works.served(), a_phone(browser) as phone:
        phone.goto(f"{works.url}/check")
        phone.get_by_label("Name, place, or the id").fill("mill-")
        expect(phone.locator("#drives li:visible")).to_have_count(3)
        phone.get_by_role("button", name="Keep these for work without connection").click()
        expect(phone.locator("#keep")).to_contain_text("Kept for work without connection: 3.")
        phone.context.set_offline(True)
        phone.goto(f"{works.url}/check/mill-2")
        expect(phone.locator("h1")).to_have_text("Mill 2")


# Who is signed in


@dataclass(slots=True)
class Peopled:
    """A plant behind logins, and its address."""

    plant: PeoplePlant
    url: str

    def sign_in(self, phone: Page, name: str) -> None:
        phone.get_by_label("Name").fill(name)
        phone.get_by_label("Password").fill(PASSWORD)
        phone.get_by_role("button", name="Sign in").click()

    def end_sessions(self, context: BrowserContext) -> None:
        """As the night does: the cookie is still there, the session is not."""
        for cookie in context.cookies():
            if cookie.get("name") == "linklag":
                self.plant.app.state.parts.logins.sign_in.sign_out(cookie.get("value", ""))


@pytest.fixture
def peopled() -> Iterator[Peopled]:
    with a_peopled_plant(base_url=HTTP) as plant:
        plant.ports.register.add_drive(Drive(drive_id="saw", name="Saw feed"))
        plant.ports.register.fit_chain(
            Chain(chain_id="saw-a", drive_id="saw", designation="16B-1", pitch_mm=25.4, fitted_ns=NOON_NS)
        )
        plant.add(Role.OPERATOR, name="p.second")
        with served(plant.app) as url:
            yield Peopled(plant, url)


def cached(phone: Page, kind: str) -> list[str]:
    return [name for name in phone.evaluate("caches.keys()") if f"-{kind}-" in name]


def kept_pages(phone: Page) -> list[str]:
    script = """async () => {
      const paths = [];
      for (const name of await caches.keys()) {
        if (!name.startsWith("linklag-check-pages-")) continue;
        for (const request of await (await caches.open(name)).keys()) paths.push(new URL(request.url).pathname);
      }
      return paths.sort();
    }"""
    return list(phone.evaluate(script))


def test_a_session_that_ended_keeps_the_entry_until_somebody_signs_in_again(
    browser: Browser, peopled: Peopled
) -> None:
    operator = NAMES[Role.OPERATOR]
    with a_phone(browser) as phone:
        phone.goto(f"{peopled.url}/check/saw")
        peopled.sign_in(phone, operator)
        wait_until_kept(phone)
        phone.context.set_offline(True)
        read_off(phone)
        record(phone)
        expect(phone.locator("#kept li")).to_contain_text("Waits for the connection")
        peopled.end_sessions(phone.context)
        phone.context.set_offline(False)
        expect(phone.locator("#connection")).to_contain_text("Sign in again to send what is kept here.")
        expect(phone.locator("#kept li")).to_contain_text("Waits until you sign in")
        until(lambda: kept_pages(phone) == [])
        phone.locator("#connection").get_by_role("link", name="Sign in").click()
        peopled.sign_in(phone, operator)
        expect(phone.locator('#kept li[data-state="stored"]')).to_have_count(1, timeout=PATIENT_MS)
    (value,) = peopled.plant.ports.hand_values.of("saw")
    assert value.recorded_by == operator


def test_signing_out_takes_pages_away_and_leaves_what_is_not_stored_to_its_owner(
    browser: Browser, peopled: Peopled
) -> None:
    operator = NAMES[Role.OPERATOR]
    with a_phone(browser) as phone:
        phone.goto(f"{peopled.url}/check/saw")
        peopled.sign_in(phone, operator)
        wait_until_kept(phone)
        assert kept_pages(phone) == ["/check", "/check/saw"]
        phone.context.route("**/hand-values", lambda route: route.abort())
        read_off(phone)
        record(phone)
        expect(phone.locator('#kept li[data-state="waits"]')).to_have_count(1)
        phone.goto(f"{peopled.url}/alerts")  # signing out works from any page
        phone.get_by_role("button", name="Sign out").click()
        expect(phone.get_by_label("Password")).to_be_visible()
        assert kept_pages(phone) == []
        phone.context.set_offline(True)
        with pytest.raises(BrowserError, match="ERR_"):  # nothing is kept to be shown
            phone.goto(f"{peopled.url}/check/saw")
        phone.context.set_offline(False)
        phone.context.unroute("**/hand-values")
        phone.goto(f"{peopled.url}/check/saw")
        peopled.sign_in(phone, "p.second")
        expect(phone.locator("#kept-others")).to_contain_text(
            f"Measurements of {operator} wait on this phone: 1."
        )
        expect(phone.locator("#kept li")).to_have_count(0)
        assert "616" not in phone.locator("#kept").inner_text()
        assert peopled.plant.ports.hand_values.of("saw") == []
        phone.get_by_role("button", name="Sign out").click()
        expect(phone.get_by_label("Password")).to_be_visible()
        phone.goto(f"{peopled.url}/check/saw")
        peopled.sign_in(phone, operator)
        expect(phone.locator('#kept li[data-state="stored"]')).to_have_count(1, timeout=PATIENT_MS)
    (value,) = peopled.plant.ports.hand_values.of("saw")
    assert value.recorded_by == operator


def test_pages_of_somebody_else_are_replaced_even_where_nobody_signed_out(
    browser: Browser, peopled: Peopled
) -> None:
    with a_phone(browser) as phone:
        phone.goto(f"{peopled.url}/check/saw")
        peopled.sign_in(phone, NAMES[Role.OPERATOR])
        wait_until_kept(phone)
        phone.context.clear_cookies()
        cookie = peopled.plant.session("p.second")["Cookie"].partition("=")[2]
        phone.context.add_cookies([{"name": "linklag", "value": cookie, "url": peopled.url}])
        phone.goto(f"{peopled.url}/check")
        wait_until_kept(phone)
        assert kept_pages(phone) == ["/check"]


def test_what_a_viewer_kept_is_refused_with_the_reason(browser: Browser, peopled: Peopled) -> None:
    """Somebody who was made a viewer meanwhile; their page had the button still."""
    operator = NAMES[Role.OPERATOR]
    with a_phone(browser) as phone:
        phone.goto(f"{peopled.url}/check/saw")
        peopled.sign_in(phone, operator)
        wait_until_kept(phone)
        phone.context.set_offline(True)
        read_off(phone)
        record(phone)
        expect(phone.locator('#kept li[data-state="waits"]')).to_have_count(1)
        people = peopled.plant.ports.people
        person = next(each for each in people.people() if each.name == operator)
        people.change(replace(person, role=Role.VIEWER))
        phone.context.set_offline(False)
        expect(phone.locator("#kept li")).to_contain_text(
            "is for an operator or more, and o.operator is viewer"
        )
    assert peopled.plant.ports.hand_values.of("saw") == []
