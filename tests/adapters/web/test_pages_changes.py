"""Pages of the plan of changes: by stop in words and picture, order list, list to go by, and forms that lose nothing."""

from dataclasses import replace
from datetime import date
from html import escape
from typing import Any

import pytest

from service.adapters.web.change_picture import ROWS_MAX, WEEKS_MAX, columns, draw_strip
from service.core.prognosis import Outcome
from service.core.shift import Site
from service.core.supply import Supply, SupplyScope
from service.plan_changes import Asked
from tests.adapters.web.plant import NOW_NS, Plant
from tests.adapters.web.test_changes import with_drive
from tests.contracts.given import S
from tests.foretold import kept

STOP = {
    "name": "August <1>",
    "site": "Talheim",
    "starts": "2026-11-09T06:00",
    "ends": "2026-11-11T06:00",
}


def posted(plant: Plant, path: str, **fields: str) -> Any:
    answer = plant.post_form(path, **fields)
    assert answer.status_code == 303, answer.text
    return answer


def supply(plant: Plant, **fields: Any) -> None:
    given = Supply(scope=SupplyScope.SITE, name="Talheim", by="x", at_ns=NOW_NS, **fields)
    plant.ports.supplies.put(given)


# The plan


def test_the_page_tells_stop_by_stop_what_is_to_be_changed(plant: Plant) -> None:
    with_drive(plant)
    with_drive(plant, "press-4", 125.0, name="Discharge")
    supply(plant, lead_days=14, margin_days=6)
    posted(plant, "/stops", **STOP)
    posted(
        plant, "/stops", **STOP | {"name": "Winter", "starts": "2026-12-10T06:00", "ends": "2026-12-11T06:00"}
    )
    page = plant.page("/changes")
    assert "August &lt;1&gt;" in page
    assert "Mon 9 Nov 2026, 06:00 to Wed 11 Nov 2026, 06:00" in page
    assert "Sun 29 Nov 2026" in page  # the last day of press-3
    assert "Tue 20 Oct 2026" in page  # 20 days before the stop
    assert "May go along" in page
    assert page.index("May go along") < page.index(">Discharge</a>")
    assert "Lock out and tag out" in page


def test_a_drive_without_trend_is_listed_with_that_answer_and_no_date(plant: Plant) -> None:
    with_drive(plant, middle=None)
    plant.ports.prognoses.keep([kept("press-3", 1, NOW_NS, outcome=Outcome.NO_TREND_YET)])
    page = plant.page("/changes")
    assert "No trend yet, so there is no date." in page
    assert 'class="days" width="100%"' not in page
    assert "No trend yet" in plant.page("/drives/press-3/change")
    assert "1 drive has no date" in plant.page("/changes/order")


def test_a_limit_that_is_reached_stands_on_top_as_now(plant: Plant) -> None:
    with_drive(plant, middle=None)
    with_drive(plant, "press-4", 100.0)
    plant.ports.prognoses.keep([kept("press-3", 1, NOW_NS, outcome=Outcome.LIMIT_REACHED)])
    page = plant.page("/changes")
    assert page.index('id="now"') < page.index('id="without-stop"')
    assert "The limit is reached" in page


def test_what_if_is_said_to_be_a_question_and_plans_nothing(plant: Plant) -> None:
    with_drive(plant)
    page = plant.page("/changes?stop_on=2026-11-20&risk=0.2")
    assert "This is a question" in page
    assert "What if" in page
    assert plant.ports.planned_stops.stops() == []
    for day in ("soon", "0001-01-01", "9999-12-31"):
        assert "is no day" in plant.page(f"/changes?stop_on={day}")
        assert plant.client.get("/api/v1/changes", params={"stop_on": day}).status_code == 422
    plant.page("/changes?risk=0.9", 422)


def test_a_plant_without_drives_says_so(plant: Plant) -> None:
    assert "No drive is registered" in plant.page("/changes")
    assert "No chain has a day" in plant.page("/changes/order")


def test_the_order_list_comes_by_the_day_of_the_order(plant: Plant) -> None:
    with_drive(plant, "late", 300.0, name="Late")
    with_drive(plant, "soon", 100.0, name="Soon")
    supply(plant, lead_days=14, stock_number="K 4711")
    page = plant.page("/changes/order")
    assert page.index(">Soon<") < page.index(">Late<")
    assert page.count("K 4711") == 2
    assert "98" in page
    assert "1 connecting link" in page


def test_a_drive_comes_with_cautions_before_anything_else(plant: Plant) -> None:
    with_drive(plant)
    supply(plant, lead_days=14, chain_price=800.0, stop_hour_price=900.0, unplanned_h=4.0, currency="EUR")
    page = plant.page("/drives/press-3/change")
    first = page.index("Stop the drive, lock it out")
    assert first < page.index("By when")
    assert first < page.index("The list to go by")
    assert "Sum, EUR" in page
    assert "Early against late" in page
    assert "Change it by Sun 29 Nov 2026." in page
    plant.page("/drives/press-9/change", 404)


def test_the_page_of_a_drive_leads_there(plant: Plant) -> None:
    with_drive(plant)
    assert 'href="/drives/press-3/change"' in plant.page("/drives/press-3")


def test_the_address_for_calendars_stands_there(plant: Plant) -> None:
    with_drive(plant)
    assert "http://127.0.0.1:8390/api/v1/changes.ics?site=Talheim" in plant.page("/changes?site=Talheim")


# The picture


def test_the_strip_has_a_row_for_each_chain_with_a_day_and_escapes_names(plant: Plant) -> None:
    with_drive(plant, name="<b>Feed</b>")
    with_drive(plant, "press-4", None)
    changes = plant.app.state.parts.plan_changes.plan(Asked(), now_ns=NOW_NS).changes
    drawn = draw_strip(changes, date(2026, 9, 10))
    assert "&lt;b&gt;Feed" in drawn
    assert drawn.count('class="name"') == 1
    assert "Change by Sun 29 Nov 2026" in drawn
    assert draw_strip([each for each in changes if each.change_by is None], date(2026, 9, 10)) == ""


def test_the_sheet_has_weeks_across_and_a_lettered_column_for_each_stop(plant: Plant) -> None:
    with_drive(plant)
    posted(plant, "/stops", **STOP)
    changes = plant.app.state.parts.plan_changes.plan(Asked(), now_ns=NOW_NS).changes
    today = date(2026, 9, 10)
    drawn = draw_strip(changes, today)
    (column,) = columns(changes, today)
    assert (column.letter, column.supposed) == ("A", False)
    assert drawn.count('class="letter"') == 1
    assert (
        '<text class="week-number" x="27.00%" dx="2" y="30">37</text>' in drawn
    )  # the week of 10 September 2026, ISO 8601
    assert escape(column.words) in drawn
    page = plant.page("/changes")
    assert f"<b>A</b> {escape(column.words)}" in page


def test_a_supposed_stop_is_a_column_that_says_so(plant: Plant) -> None:
    with_drive(plant)
    page = plant.page("/changes?stop_on=2026-11-02")
    assert 'class="stop supposed"' in page
    assert "(supposed)" in page


def test_a_day_beyond_the_sheet_stands_at_its_edge_in_words(plant: Plant) -> None:
    with_drive(plant)
    (change,) = plant.app.state.parts.plan_changes.plan(Asked(), now_ns=NOW_NS).changes
    far = replace(change, change_by=date(2031, 4, 3), order_by=None, stop=None)
    drawn = draw_strip([far], date(2026, 9, 10))
    assert "Change by Thu 3 Apr 2031" in drawn
    assert "mark-by" not in drawn
    assert drawn.count('class="week"') == WEEKS_MAX


def test_forty_drives_have_forty_rows_and_no_more(plant: Plant) -> None:
    with_drive(plant)
    (change,) = plant.app.state.parts.plan_changes.plan(Asked(), now_ns=NOW_NS).changes
    drawn = draw_strip([change] * 50, date(2026, 9, 10))
    assert drawn.count('class="name"') == ROWS_MAX == 40


# Stops


def test_a_stop_is_planned_by_the_clocks_of_its_site(plant: Plant) -> None:
    with_drive(plant)
    plant.ports.sites.put(Site(site="Talheim", zone="Europe/Berlin"))
    posted(
        plant, "/stops", **STOP | {"starts": "2026-03-29T00:00", "ends": "2026-03-29T04:00", "why": "agreed"}
    )
    [stop] = plant.ports.planned_stops.stops()
    assert stop.ends_ns - stop.starts_ns == 3 * 3600 * S  # clocks go forward at two
    assert plant.ports.audit_log.entries()[0].why == "agreed"
    page = plant.page(f"/stops?number={stop.number}")
    assert 'value="2026-03-29T00:00"' in page
    assert 'value="2026-03-29T04:00"' in page


def test_a_stop_is_changed_and_taken_off_the_plan(plant: Plant) -> None:
    with_drive(plant)
    posted(plant, "/stops", **STOP)
    [stop] = plant.ports.planned_stops.stops()
    posted(plant, f"/stops/{stop.number}", act="set", **STOP | {"name": "September"})
    assert plant.ports.planned_stops.stop(stop.number).name == "September"
    posted(plant, f"/stops/{stop.number}", act="remove", **STOP)
    assert plant.ports.planned_stops.stops() == []


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"name": ""}, "fill this in"),
        ({"starts": "soon"}, "write it like"),
        ({"ends": STOP["starts"]}, "ends before it starts"),
        ({"site": "Elsewhere"}, "no drive stands in Elsewhere"),
    ],
)
def test_a_stop_that_is_none_comes_back_with_what_was_typed(
    plant: Plant, fields: dict[str, str], said: str
) -> None:
    with_drive(plant)
    answer = plant.post_form("/stops", **STOP | {"note": "boilers off"} | fields)
    assert answer.status_code == 422
    assert said in answer.text
    assert "boilers off" in answer.text
    assert plant.ports.planned_stops.stops() == []


# Supply


def test_supply_is_set_shown_changed_and_taken_back(plant: Plant) -> None:
    with_drive(plant)
    fields = {
        "scope": "drive",
        "name": "press-3",
        "lead_days": "28",
        "chain_price": "1234,5",
        "currency": "eur",
    }
    posted(plant, "/supply", act="set", **fields)
    [found] = plant.ports.supplies.supplies()
    assert (found.lead_days, found.chain_price, found.currency) == (28, 1234.5, "EUR")
    page = plant.page("/supply?scope=drive&name=press-3")
    assert "price of a chain 1,234.50 EUR" in page
    assert 'value="28"' in page
    posted(plant, "/supply", act="remove", **fields)
    assert plant.ports.supplies.supplies() == []


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"lead_days": "soon"}, "is not a whole number"),
        ({"chain_price": "10"}, "give the currency"),
        ({"name": "press-9"}, "press-9"),
        ({"scope": ""}, "choose for what it holds"),
        ({"scope": "class", "name": "fead"}, "no drive has the class"),
    ],
)
def test_supply_that_cannot_be_comes_back_with_what_was_typed(
    plant: Plant, fields: dict[str, str], said: str
) -> None:
    with_drive(plant)
    given = {"scope": "drive", "name": "press-3", "lead_days": "28", "stock_number": "K 4711"} | fields
    answer = plant.post_form("/supply", act="set", **given)
    assert answer.status_code == 422
    assert said in answer.text
    assert "K 4711" in answer.text
    assert plant.ports.supplies.supplies() == []


# Duty


def test_duty_is_planned_shown_and_taken_back(plant: Plant) -> None:
    with_drive(plant)
    hours = {f"hours-{number}": "16" if number < 5 else "0" for number in range(7)}
    posted(plant, "/duty-plans", act="set", drive_id="press-3", why="two shifts", **hours)
    plan = plant.ports.duty_plans.plan("press-3")
    assert plan is not None
    assert plan.plan.hours_by_weekday == (16.0,) * 5 + (0.0, 0.0)
    page = plant.page("/duty-plans?drive=press-3")
    assert "two shifts" in page
    assert page.count('value="16"') == 5
    posted(plant, "/duty-plans", act="remove", drive_id="press-3")
    assert plant.ports.duty_plans.plan("press-3") is None


def test_hours_that_no_day_has_come_back_with_what_was_typed(plant: Plant) -> None:
    with_drive(plant)
    hours = {f"hours-{number}": "25" for number in range(7)}
    answer = plant.post_form("/duty-plans", act="set", drive_id="press-3", **hours)
    assert answer.status_code == 422
    assert "from 0 to 24" in answer.text
    answer = plant.post_form("/duty-plans", act="set", drive_id="press-9", **hours | {"hours-0": ""})
    assert "choose one of the drives" in answer.text
    assert "fill this in" in answer.text
    assert plant.ports.duty_plans.plans() == []
