"""Measurements by hand in API and pages, on both stores; the card in a real browser, on a phone and on paper."""

import csv
import io
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

from service.adapters.web import chart
from service.adapters.web.chart import Frame, HandMark, Point
from service.core.drive import Chain, Drive
from service.core.hand import HandMethod
from tests.adapters.web.on_board import needs_on, row_on
from tests.adapters.web.plant import API, NOW_NS, Plant, add, app_on, reading_of
from tests.adapters.web.served import served
from tests.contracts.given import FAKE, NOON_NS, S, a_store

DAY_NS = 86_400 * S
NOW = "2026-09-10T13:00:00Z"
RULE: dict[str, Any] = {"method": "rule", "pitches": 24, "length_mm": 616.5, "tight": True}
FORM = {"method": "rule", "pitches": "24", "length_mm": "616,5", "tight": "yes"}


def post(plant: Plant, path: str, json: Any, status: int = 201) -> Any:
    answer = plant.client.post(API + path, json=json)
    assert answer.status_code == status, answer.text
    return answer.json()


def add_lift(plant: Plant, *, measured: bool = True) -> None:
    """Register lift-7, which has no sensors and a chain for a year, and was measured 200 and 12 days ago."""
    plant.ports.register.add_drive(Drive(drive_id="lift-7", name="Stacker lift"))
    plant.ports.register.fit_chain(
        Chain(
            chain_id="l",
            drive_id="lift-7",
            designation="BL 844",
            pitch_mm=25.4,
            fitted_ns=NOON_NS - 360 * DAY_NS,
        )
    )
    if measured:
        for when, length_mm in (("2026-02-22T13:00:00Z", 1276.0), ("2026-08-29T13:00:00Z", 1290.5)):
            body = {"method": "tape", "pitches": 50, "length_mm": length_mm, "tight": True, "measured": when}
            post(plant, "/drives/lift-7/hand-values", body)


# API


def test_a_measurement_is_recorded_and_answered_with_what_it_says(plant: Plant) -> None:
    add(plant, "saw", 1.10)
    made = post(plant, "/drives/saw/hand-values", {**RULE, "by": "H. Brandt", "note": "by the door"})
    assert {name: made[name] for name in ("chain_id", "measured", "recorded", "recorded_by", "note")} == {
        "chain_id": "saw-a", "measured": NOW, "recorded": NOW, "recorded_by": "H. Brandt", "note": "by the door",
    }  # fmt: skip
    # 616.5 mm over 24 x 25.4 mm: 1.132 %; of the 18.288 mm that 3 % are, 6.9 mm are used (by hand).
    assert made["elongation_pct"] == pytest.approx(1.1319, abs=1e-4)
    assert made["remaining_mm"] == pytest.approx(11.388)
    assert made["agreement"]["agree"] is True
    assert made["agreement"]["live_pct"] == 1.10
    assert made["agreement"]["difference_pct"] == pytest.approx(1.10 - 1.1319, abs=1e-4)
    assert "Agrees with the sensors" in made["agreement"]["words"]
    assert made["warnings"] == []
    assert plant.get("/drives/saw/hand-values") == [made]
    assert plant.get("/drives/saw")["hand"] == made
    assert plant.get("/drives") == [plant.get("/drives/saw")]


def test_a_calliper_gives_two_readings(plant: Plant) -> None:
    add(plant, "saw")
    body = {"method": "calliper", "pitches": 10, "outside_mm": 272.9, "inside_mm": 241.2, "tight": True}
    made = post(plant, "/drives/saw/hand-values", body)
    assert made["length_mm"] == pytest.approx(257.05)
    assert made["elongation_pct"] == pytest.approx(1.2008, abs=1e-4)


def test_a_count_that_cannot_be_is_a_problem_with_its_field(plant: Plant) -> None:
    add(plant, "saw")
    answer = plant.client.post(f"{API}/drives/saw/hand-values", json={**RULE, "pitches": 23})
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"
    (error,) = answer.json()["errors"]
    assert error["field"] == "pitches"
    assert "did you count 23 or 24?" in error["detail"]
    assert plant.get("/drives/saw/hand-values") == []
    post(plant, "/drives/saw/hand-values", {**RULE, "pitches": 23, "counted_again": True})


@pytest.mark.parametrize(
    ("body", "status", "told"),
    [
        ({**RULE, "tight": None}, 422, "tight"),
        ({name: value for name, value in RULE.items() if name != "tight"}, 422, "tight"),
        ({**RULE, "method": "laser"}, 422, "rule"),
        ({**RULE, "cranked": True}, 422, "cranked link"),
        ({**RULE, "lenght_mm": 1.0}, 422, "lenght_mm"),
        ({**RULE, "measured": "2020-01-01T00:00:00Z"}, 409, "no chain was on drive"),
        ({**RULE, "measured": "2027-01-01T00:00:00Z"}, 422, "ahead of now"),
    ],
)
def test_what_cannot_be_is_refused_with_the_fix(
    fake_plant: Plant, body: dict[str, Any], status: int, told: str
) -> None:
    add(fake_plant, "saw")
    assert told in str(post(fake_plant, "/drives/saw/hand-values", body, status))
    assert fake_plant.get("/drives/saw/hand-values") == []


def test_a_drive_that_is_not_there_is_not_found(plant: Plant) -> None:
    post(plant, "/drives/nope/hand-values", RULE, 404)
    for path in ("hand-values", "card"):
        assert plant.client.get(f"{API}/drives/nope/{path}").status_code == 404


def test_a_slack_chain_is_kept_and_not_counted(plant: Plant) -> None:
    add(plant, "saw", 1.10)
    made = post(plant, "/drives/saw/hand-values", {**RULE, "tight": False})
    assert (made["reliable"], made["agreement"]) == (False, None)
    assert plant.get("/drives/saw/hand-values") == [made]
    assert plant.get("/drives/saw")["hand"] is None
    (newest,) = plant.get("/readings/newest")["drives"]
    assert (newest["hand"], newest["used_by"]) == (None, "live")


def test_the_list_comes_as_csv_that_a_spreadsheet_takes(plant: Plant) -> None:
    add(plant, "saw", 1.10)
    post(plant, "/drives/saw/hand-values", {**RULE, "note": '=1+1, "quoted"', "by": "H. Brandt"})
    post(plant, "/drives/saw/hand-values", {**RULE, "tight": False})
    answer = plant.client.get(f"{API}/drives/saw/hand-values", headers={"Accept": "text/csv"})
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    assert answer.text == plant.client.get(f"{API}/drives/saw/hand-values?format=csv").text
    first, second = csv.DictReader(io.StringIO(answer.text))
    assert first["measured"] == "2026-09-10T13:00:00.000000000Z"
    assert float(first["elongation_pct"]) == pytest.approx(1.1319, abs=1e-4)
    assert (first["reliable"], first["tight"], first["agree"], first["live_pct"]) == (
        "true",
        "true",
        "true",
        "1.1",
    )
    assert first["note"] == '\'=1+1, "quoted"'  # no formula
    assert (second["reliable"], second["agree"], second["live_pct"]) == ("false", "", "")
    assert (
        plant.client.get(f"{API}/drives/saw/hand-values", headers={"Accept": "image/png"}).status_code == 406
    )


def test_the_newest_so_many_are_given(fake_plant: Plant) -> None:
    add_lift(fake_plant)
    (last,) = fake_plant.get("/drives/lift-7/hand-values?rows_max=1")
    assert last["measured"] == "2026-08-29T13:00:00Z"
    assert fake_plant.client.get(f"{API}/drives/lift-7/hand-values?rows_max=0").status_code == 422


def test_a_baseline_takes_its_elongation_from_a_measurement(plant: Plant) -> None:
    add(plant, "saw")
    made = post(plant, "/drives/saw/hand-values", {**RULE, "by": "H. Brandt"})
    plant.ports.readings.store([reading_of("saw", 3540 + 10 * n, 1.1, seq=n) for n in range(5)])
    baseline = post(plant, "/drives/saw/hand-values/baseline", {"why": "after the stop", "by": "shift B"})
    assert baseline["elongation_pct"] == made["elongation_pct"]
    assert baseline["elongation_u_pct"] == made["elongation_u_pct"]
    assert (baseline["recorded_by"], baseline["taken"]) == ("shift B", NOW)
    assert baseline["why"] == "after the stop; by hand: 616.5 mm over 24 pitches, rule, 2026-09-10"
    assert plant.get("/drives/saw/chains/saw-a/baselines") == [baseline]
    again = post(plant, "/drives/saw/hand-values/baseline", {"recorded": made["recorded"]})
    assert again["elongation_pct"] == made["elongation_pct"]
    post(plant, "/drives/saw/hand-values/baseline", {"recorded": "2026-09-10T12:00:00Z"}, 404)


def test_the_card_gives_cautions_first_and_the_lengths(plant: Plant) -> None:
    add(plant, "saw", 1.10)
    card = plant.get("/drives/saw/card")
    assert next(iter(card)) == "cautions"
    assert "lock it out" in card["cautions"][0]
    assert (card["limit_pct"], card["limit_words"], card["last_by"], card["last_pct"]) == (
        3.0, "general rule, 3 %", "live", 1.10,
    )  # fmt: skip
    longest = card["spans"][0]
    assert (longest["pitches"], longest["nominal_mm"], longest["limit_mm"]) == (
        50,
        1270.0,
        pytest.approx(1308.1),
    )
    assert longest["expected_mm"] == pytest.approx(1283.97)
    assert card["calliper"]["limit_outside_mm"] == pytest.approx(277.5)
    plant.ports.register.take_off_chain("saw-a", NOW_NS - S, "worn")
    assert plant.client.get(f"{API}/drives/saw/card").status_code == 409


# Kept on a phone and sent later


def test_what_is_sent_again_with_its_key_is_stored_once_and_answered_alike(plant: Plant) -> None:
    add(plant, "saw", 1.10)
    headers = {"Idempotency-Key": "0d9f4c1e-7a53"}
    body = {**RULE, "measured": "2026-09-10T10:40:00Z", "sent": "2026-09-10T11:00:00Z", "chain_id": "saw-a"}
    first = plant.client.post(f"{API}/drives/saw/hand-values", json=body, headers=headers)
    later = {**body, "sent": "2026-09-10T11:05:00Z"}
    again = plant.client.post(f"{API}/drives/saw/hand-values", json=later, headers=headers)
    assert (first.status_code, again.status_code) == (201, 201)
    assert first.json() == again.json()
    assert plant.get("/drives/saw/hand-values") == [first.json()]
    # The phone is two hours behind: twenty minutes before it was sent are twenty minutes before our now.
    assert first.json()["measured"] == "2026-09-10T12:40:00Z"
    assert first.json()["told"] == "2026-09-10T10:40:00Z"
    assert first.json()["recorded"] == NOW


def test_a_chain_that_was_changed_meanwhile_is_a_conflict_with_both_chains(plant: Plant) -> None:
    add(plant, "saw", 1.10)
    body = {**RULE, "chain_id": "saw-0"}
    assert "'saw-0', but 'saw-a' was on then" in post(plant, "/drives/saw/hand-values", body, 409)["detail"]
    assert plant.get("/drives/saw/hand-values") == []


# A drive without sensors


def test_a_drive_without_sensors_has_its_place_on_the_board_by_what_was_measured_by_hand(
    plant: Plant,
) -> None:
    add(plant, "saw", 1.50)
    add_lift(plant)
    lift, saw = plant.get("/readings/newest")["drives"]
    assert (lift["drive_id"], lift["used_by"], lift["verdict"]) == ("lift-7", "hand", "below")
    # 1290.5 mm over 50 x 25.4 mm: 1.614 %, of the limit of 3 %.
    assert lift["used"] == pytest.approx(1.6142 / 3, abs=1e-4)
    assert lift["hand"]["age_s"] == 12 * 86400
    assert lift["hand"]["words"] == "1.61 \N{PLUS-MINUS SIGN} 0.18 %, measured by hand, 12 d ago"
    assert (lift["reading"], lift["measured"]) == (None, None)
    assert (saw["drive_id"], saw["used_by"], saw["hand"]) == ("saw", "live", None)
    row = row_on(plant, "lift-7")
    for said in ("53 %", "by hand 1.61 ± 0.18 %, 12 d ago", "no sensors"):
        assert said in row
    assert "No reading yet" not in row
    text = plant.client.get("/metrics").text
    assert 'linklag_limit_used_ratio{drive="lift-7"} 0.538' in text
    assert 'linklag_hand_elongation_percent{drive="lift-7"} 1.614' in text
    assert 'linklag_elongation_percent{drive="lift-7"}' not in text


def test_a_drive_without_sensors_that_nobody_measured_says_what_to_do(plant: Plant) -> None:
    add_lift(plant, measured=False)
    page = plant.page("/")
    assert needs_on(plant)["sensing"] == 1
    assert "Not measured yet" in page
    assert 'href="/drives/lift-7/hand"' in page


def test_a_drive_without_sensors_has_a_trend_and_its_page_says_nothing_of_sensors(plant: Plant) -> None:
    add_lift(plant)
    page = plant.page("/drives/lift-7")
    assert "Measured by hand 2 times over the last year: 0.47 % to 1.61 %." in page
    assert page.count('class="by-hand"') == 2
    assert page.count('class="hand-line"') == 1
    assert 'id="sensors"' not in page
    assert "none: the uncertainty is that of the spacing" not in page
    assert "Nothing was measured by hand over this span" in plant.page("/drives/lift-7?span=day")


def test_a_reading_a_day_older_than_what_was_measured_by_hand_does_not_count(plant: Plant) -> None:
    add(plant, "saw")
    plant.ports.readings.store([reading_of("saw", 3599, 1.10)])
    post(plant, "/drives/saw/hand-values", RULE)
    (at_once,) = plant.get("/readings/newest")["drives"]
    assert (at_once["used_by"], at_once["used"]) == ("live", pytest.approx(1.10 / 3))
    add(plant, "mill")
    plant.ports.readings.store([replace(reading_of("mill", 0, 1.10), t_ns=NOON_NS + S, t0_ns=NOON_NS)])
    later = NOW_NS + 2 * DAY_NS
    plant.app.state.parts.measure_by_hand.record_hand_value(
        "mill", **{**RULE, "method": HandMethod.RULE}, at_ns=later, by="x"
    )
    mill = plant.app.state.parts.board.state("mill", later)
    assert mill.counts_by_hand
    assert mill.known.elongation_pct == pytest.approx(1.1319, abs=1e-4)


def test_a_slack_value_hides_no_earlier_one_and_an_old_chain_says_nothing_of_the_new(plant: Plant) -> None:
    add_lift(plant)
    post(plant, "/drives/lift-7/hand-values", {**RULE, "tight": False})
    (lift,) = plant.get("/readings/newest")["drives"]
    assert lift["hand"]["elongation_pct"] == pytest.approx(1.6142, abs=1e-4)
    plant.ports.register.take_off_chain("l", NOW_NS - 2 * S, "worn")
    plant.ports.register.fit_chain(
        Chain(chain_id="m", drive_id="lift-7", designation="BL 844", pitch_mm=25.4, fitted_ns=NOW_NS - S)
    )
    (lift,) = plant.get("/readings/newest")["drives"]
    assert (lift["hand"], lift["used"], lift["used_by"]) == (None, None, None)
    assert plant.get("/drives/lift-7")["hand"] is None
    assert len(plant.get("/drives/lift-7/hand-values")) == 3


# Pages


def test_the_form_posts_and_shows_the_result_at_once(plant: Plant) -> None:
    add(plant, "saw", 1.10)
    answer = plant.post_form("/drives/saw/hand", **FORM, by="H. Brandt", outside_mm="left over")
    assert answer.status_code == 303, answer.text
    page = plant.page(answer.headers["location"])
    result = page.split('id="result"')[1].split("</section>")[0]
    assert re.search(r"<b>1\.13</b>.*± 0\.19 %", result)
    assert "11.4 mm left until the limit of 3.00 % over these 24 pitches." in result
    assert 'class="agrees"' in result
    history = page.split('id="history"')[1]
    for said in ("H. Brandt", "616.5 mm over 24 pitches, rule", "1.10 %", "Take as baseline"):
        assert said in history
    drive = plant.page("/drives/saw")
    assert "Agrees with the sensors" in drive
    assert drive.count('class="by-hand"') == 1
    assert 'href="/drives/saw/card"' in drive


def test_a_form_that_is_refused_comes_back_with_what_was_typed_and_a_way_to_confirm(plant: Plant) -> None:
    add(plant, "saw")
    answer = plant.post_form("/drives/saw/hand", **{**FORM, "pitches": "23"}, note="strand 2")
    assert answer.status_code == 422
    assert "did you count 23 or 24?" in answer.text
    for kept in (
        'value="616,5"',
        'value="23"',
        "strand 2",
        'value="rule" id="m-rule" checked',
        'name="counted_again"',
    ):
        assert kept in answer.text
    assert plant.ports.hand_values.of("saw") == []
    confirmed = plant.post_form("/drives/saw/hand", **{**FORM, "pitches": "23"}, counted_again="yes")
    assert confirmed.status_code == 303


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ({}, "say what it was measured with"),
        ({"tight": ""}, "say whether the chain was drawn tight"),
        ({"length_mm": ""}, "fill this in: "),
        ({"length_mm": "long"}, "&#39;long&#39; is not a number"),
        ({"method": "calliper"}, "fill this in: "),
        ({"pitches": ""}, "fill this in"),
        ({"cranked": "yes"}, "a cranked link in the span falsifies it"),
        ({"measured": "2020-01-01T00:00"}, "no chain was on drive"),
        ({"temp_c": "4000"}, "is not within -60 to 500"),
    ],
)
def test_what_is_wrong_stands_beside_its_field(fake_plant: Plant, typed: dict[str, str], told: str) -> None:
    add(fake_plant, "saw")
    answer = fake_plant.post_form("/drives/saw/hand", **({**FORM, **typed} if typed else {}))
    assert answer.status_code == 422
    assert told in answer.text
    assert fake_plant.ports.hand_values.of("saw") == []


def test_a_calliper_form_takes_its_two_readings(fake_plant: Plant) -> None:
    add(fake_plant, "saw")
    typed = {
        "method": "calliper",
        "pitches": "10",
        "outside_mm": "272.9",
        "inside_mm": "241.2",
        "tight": "no",
    }
    page = fake_plant.page(fake_plant.post_form("/drives/saw/hand", **typed).headers["location"])
    assert "result slack" in page
    assert "The chain was slack" in page
    assert "257.05 mm over 10 pitches, calliper" in page


def test_a_button_takes_a_measurement_as_baseline(plant: Plant) -> None:
    add(plant, "saw")
    plant.post_form("/drives/saw/hand", **FORM)
    early = plant.post_form("/drives/saw/hand/baseline", recorded=NOW)
    assert (early.status_code, "let the drive run at steady speed" in early.text) == (422, True)
    plant.ports.readings.store([reading_of("saw", 3540 + 10 * n, 1.1, seq=n) for n in range(5)])
    assert (
        plant.post_form("/drives/saw/hand/baseline", recorded=NOW).headers["location"] == "/drives/saw#chains"
    )
    assert "by hand: 616.5 mm over 24 pitches" in plant.page("/drives/saw")
    assert plant.post_form("/drives/saw/hand/baseline", recorded="x").status_code == 422


def test_pages_of_a_drive_without_chain_or_that_is_not_there(fake_plant: Plant) -> None:
    fake_plant.ports.register.add_drive(Drive(drive_id="bare"))
    assert "Enter the chain" in fake_plant.page("/drives/bare/hand")
    assert "enter the chain that is on it" in fake_plant.page("/drives/bare/card", 409)
    assert fake_plant.post_form("/drives/bare/hand", **FORM).status_code == 422
    for path in ("hand", "card"):
        fake_plant.page(f"/drives/nope/{path}", 404)


def test_the_card_to_print_has_its_cautions_before_any_figure(plant: Plant) -> None:
    add(plant, "saw", 1.10)
    page = plant.page("/drives/saw/card")
    assert page.index("lock it out") < page.index("<table>")
    for figure in (
        "1270.0 to 1271.9",
        "1284.0 ±",
        "1308.1",
        "269.88",
        "238.12",
        "277.50",
        "245.74",
        "1220 mm",
    ):
        assert figure in page


# The chart


def frame(*marks: HandMark) -> Frame:
    return Frame(
        from_ns=0,
        to_ns=1000 * S,
        low_pct=0.0,
        high_pct=2.0,
        limit_pct=3.0,
        limit_words="general rule, 3 %",
        zone=UTC,
        by_hand=marks,
    )


def test_a_mark_is_told_by_its_shape_and_its_words_and_reaches_as_far_as_u() -> None:
    counted, slack = HandMark(500 * S, 1.0, 0.1, "c"), HandMark(600 * S, 0.5, 0.1, "c", counts=False)
    drawn = chart.draw([], frame(counted, slack), title="t", summary="s")
    marks = re.findall(
        r'<svg class="by-hand" x="([\d.]+)%" y="([\d.]+)".*?<title>(.*?)</title>(.*?)</svg>', drawn
    )
    (x, y, title, shape), (_, _, slack_title, slack_shape) = marks
    assert (float(x), float(y)) == (50.0, chart.TOP + chart.PLOT / 2)
    assert title == "1 Jan 1970, by hand: 1.00 % \N{PLUS-MINUS SIGN} 0.20 %"
    assert slack_title.endswith("slack, not counted")
    assert chart._DIAMOND in shape
    assert chart._DIAMOND not in slack_shape
    # U = 0.2 % of the 2 % that 260 px are: 26 px either way.
    assert "M0-26.0V26.0" in shape


def test_a_line_joins_the_marks_of_one_chain_where_there_is_nothing_else() -> None:
    marks = [HandMark(n * 100 * S, 0.2 * n, 0.1, "a" if n < 4 else "b") for n in range(1, 6)]
    assert chart.draw([], frame(*marks), title="t", summary="s").count('class="hand-line"') == 2
    points = [Point(n * 100 * S, 1.0, 1.0, 1.0, 0.01, "a") for n in range(1, 6)]
    assert "hand-line" not in chart.draw(points, frame(*marks), title="t", summary="s")


def test_marks_make_the_plot_high_enough_and_others_stay_outside() -> None:
    high = HandMark(S, 4.0, 0.1, "c")
    assert chart.heights([], 3.0, to_limit=True, by_hand=[high])[1] >= 4.2
    assert chart.heights([], 3.0, to_limit=False, by_hand=[high])[0] > 3.5
    assert chart.heights([], 3.0, to_limit=True, by_hand=[replace(high, counts=False)])[1] < 4.0
    assert "by-hand" not in chart.draw([], frame(HandMark(2000 * S, 1.0, 0.1, "c")), title="t", summary="s")


# In a browser


@pytest.fixture
def phone(browser: Browser) -> Iterator[Page]:
    context = browser.new_context(viewport={"width": 390, "height": 844}, has_touch=True)
    yield context.new_page()
    context.close()


def test_a_measurement_is_entered_on_a_phone(phone: Page, tmp_path: Path) -> None:
    with a_store(FAKE) as ports:
        plant = Plant(ports, app_on(ports), None)  # type: ignore[arg-type]
        add(plant, "saw", 1.10)
        with served(plant.app) as url:
            phone.goto(f"{url}/drives/saw/hand")
            phone.get_by_label("Calliper").check()
            expect(phone.get_by_label("Length, pin centre to pin centre")).to_be_hidden()
            phone.get_by_label("Pitches measured over").fill("10")
            phone.get_by_label("Outside, over the rollers").fill("272,9")
            phone.get_by_label("Inside, between the same rollers").fill("241,2")
            phone.get_by_label("Drawn tight").check()
            for control in phone.locator(".by-hand-form input:visible, .by-hand-form button").all():
                box = control.bounding_box()
                assert box is not None
                assert box["x"] >= 0
                assert box["x"] + box["width"] <= 390
            assert phone.evaluate("document.documentElement.scrollWidth") <= 390
            phone.screenshot(path=tmp_path / "hand-phone.png", full_page=True)
            phone.get_by_role("button", name="Record it").click()
            expect(phone.locator("#result .number")).to_contain_text("1.20")
            expect(phone.locator("#result .agrees")).to_contain_text("Agrees with the sensors")
            phone.goto(f"{url}/drives/saw/card")
            assert phone.evaluate("document.documentElement.scrollWidth") <= 390


def test_the_card_prints_on_one_page_of_a5_with_room_to_write(browser: Browser, tmp_path: Path) -> None:
    with a_store(FAKE) as ports:
        plant = Plant(ports, app_on(ports), None)  # type: ignore[arg-type]
        add(plant, "saw", 1.10, name="Saw feed", site="Talheim", area="Sawmill", line="3")
        with served(plant.app) as url:
            context = browser.new_context(
                viewport={"width": 491, "height": 734}
            )  # A5 less its margins, 96 to the inch
            page = context.new_page()
            page.goto(f"{url}/drives/saw/card")
            printed = page.pdf(prefer_css_page_size=True)
            page.emulate_media(media="print")
            page.screenshot(path=tmp_path / "card-print.png", full_page=True)
            assert page.locator("footer").is_hidden()
            assert page.locator(".card .blank").first.is_visible()
            assert page.evaluate("document.documentElement.scrollWidth") <= 491
            context.close()
    assert len(re.findall(rb"/Type /Page[^s]", printed)) == 1
    (box,) = set(re.findall(rb"/MediaBox \[([^\]]*)\]", printed))
    width, height = (float(number) for number in box.split()[2:])
    assert (width, height) == pytest.approx((419.5, 595.3), abs=1.0)  # A5, points
