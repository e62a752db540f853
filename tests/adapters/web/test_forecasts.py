"""Forecasts by API and page: the newest, past ones page by page, how good they were, and what page and board say of them."""

import re
from dataclasses import replace
from datetime import UTC
from zoneinfo import ZoneInfo

import pytest

from service.adapters.web import forecast_words
from service.core.drive import Chain, Drive
from service.core.hand import HandMethod, HandValue
from service.core.prognosis import Outcome
from service.foretell import BY_CALENDAR, Foretell
from service.ports import KeptPrognosis
from tests.adapters.web.on_board import row_on
from tests.adapters.web.plant import NOW_NS, Plant
from tests.adapters.web.test_pages import Page, seen
from tests.contracts.given import DAY_NS, S

YEAR_NS = 365 * DAY_NS
ENDING = tuple((days, 3.4 * (365 - days) / 365) for days in range(330, 0, -40))  # over the limit at the end
WORN = ((300, 0.31), (180, 0.92), (90, 1.37), (5, 1.80))  # days ago, per cent


def a_drive(plant: Plant, drive_id: str, at: tuple[tuple[int, float], ...] = WORN, **more: str) -> None:
    """A drive without sensors whose chain was fitted a year ago and measured by hand."""
    plant.ports.register.add_drive(Drive(drive_id=drive_id, **more))  # type: ignore[arg-type]
    plant.ports.register.fit_chain(
        Chain(
            chain_id=f"{drive_id}-a",
            drive_id=drive_id,
            designation="16B-1",
            pitch_mm=25.4,
            fitted_ns=NOW_NS - YEAR_NS,
        )
    )
    for days, pct in at:
        plant.ports.hand_values.record(
            HandValue(
                drive_id=drive_id,
                chain_id=f"{drive_id}-a",
                measured_ns=NOW_NS - days * DAY_NS,
                recorded_ns=NOW_NS - days * DAY_NS + S,
                recorded_by="M. Brandt",
                method=HandMethod.RULE,
                pitches=60,
                length_mm=60 * 25.4 * (1 + pct / 100),
                length_u_mm=0.7,
                pitch_mm=25.4,
                tight=True,
            )
        )


def foretold(plant: Plant, drive_id: str, days_ago: float = 0.0) -> KeptPrognosis:
    """Make a forecast of it, as the worker does."""
    kept = Foretell(plant.ports, now_ns=lambda: NOW_NS - round(days_ago * DAY_NS)).foretell(drive_id)
    assert kept is not None
    return kept


# The API


def test_the_newest_forecast_of_a_drive_has_all_that_it_rests_on(plant: Plant) -> None:
    a_drive(plant, "saw-1", name="Saw")
    kept = foretold(plant, "saw-1")
    told = plant.get("/drives/saw-1/forecast")
    assert told["outcome"] == "forecast"
    assert (told["chain_id"], told["set_point_pct"], told["confidence"]) == ("saw-1-a", 3.0, 0.8)
    assert told["failure_mode"] == "wear elongation reaches its limit"
    assert told["made"] == "2026-09-10T13:00:00Z"
    assert told["p10"] < told["p50"] < told["p90"]
    assert told["words"].startswith("Reaches 3.00 % between ")
    assert BY_CALENDAR in told["assumptions"]
    assert (told["data"]["observations"], told["data"]["by_hand"]) == (4, 4)
    assert [each["probability"] for each in told["passages"]] == sorted(
        each["probability"] for each in told["passages"]
    )
    assert told["version"] == kept.version
    assert told["clock"]["unit"] == "hours"
    assert told["rate"]["per_30_days_pct"] == pytest.approx(30 * (1.80 - 0.31) / 295, rel=0.1)


def test_where_there_is_none_yet_a_problem_says_what_it_takes(plant: Plant) -> None:
    a_drive(plant, "saw-1")
    answer = plant.client.get("/api/v1/drives/saw-1/forecast")
    assert answer.status_code == 404
    assert answer.headers["content-type"] == "application/problem+json"
    assert "within a minute of a chain" in answer.json()["detail"]
    assert plant.client.get("/api/v1/drives/unknown/forecast").status_code == 404
    assert plant.client.get("/api/v1/drives/unknown/forecasts").status_code == 404


def test_the_forecast_of_an_earlier_chain_is_none_of_this_one(plant: Plant) -> None:
    a_drive(plant, "saw-1")
    foretold(plant, "saw-1", 1)
    plant.ports.register.take_off_chain("saw-1-a", NOW_NS - 3600 * S, "worn")
    assert plant.client.get("/api/v1/drives/saw-1/forecast").status_code == 404
    assert plant.get("/forecasts") == []
    assert len(plant.get("/drives/saw-1/forecasts")["forecasts"]) == 1
    assert "hardly before" not in row_on(plant, "saw-1")


def test_past_forecasts_come_page_by_page(plant: Plant) -> None:
    a_drive(plant, "saw-1")
    for days_ago in (4, 3, 2, 1, 0):
        foretold(plant, "saw-1", days_ago)
    found, cursor = [], ""
    for _ in range(3):
        page = plant.get(f"/drives/saw-1/forecasts?rows_max=2{cursor}")
        found += [each["made"][:10] for each in page["forecasts"]]
        cursor = f"&cursor={page['next']}"
    assert found == [f"2026-09-{day:02d}" for day in (10, 9, 8, 7, 6)]
    assert page["next"] is None


def test_all_drives_come_by_date_and_those_without_a_date_last(plant: Plant) -> None:
    a_drive(plant, "slow", tuple((days, pct / 2) for days, pct in WORN))
    a_drive(plant, "bare", ())
    a_drive(plant, "fast")
    a_drive(plant, "over", tuple((days, 2 * pct) for days, pct in WORN))
    for drive_id in ("slow", "bare", "fast", "over"):
        foretold(plant, drive_id)
    assert [each["drive_id"] for each in plant.get("/forecasts")] == ["over", "fast", "slow", "bare"]


def test_too_few_chains_prove_nothing_and_the_api_says_so(plant: Plant) -> None:
    a_drive(plant, "over", ENDING)
    foretold(plant, "over", 150)
    foretold(plant, "over")
    (whole,) = plant.get("/forecasts/quality")["classes"]
    assert (whole["drive_class"], whole["chains"], whole["enough"]) == ("", 1, False)
    assert whole["held"] is None
    assert "only 1 chain" in whole["words"]
    assert "it takes five" in whole["words"]


def with_ends(plant: Plant) -> None:
    """Six drives of a class whose limit came, with forecasts before."""
    for number in range(6):
        pace = 1 + number / 50
        a_drive(plant, f"d{number}", tuple((days, pace * pct) for days, pct in ENDING), drive_class="saw")
        for days_ago in (200, 120, 0):
            foretold(plant, f"d{number}", days_ago)


def test_past_forecasts_are_held_against_what_came(plant: Plant) -> None:
    with_ends(plant)
    whole, of_class = plant.get("/forecasts/quality")["classes"]
    assert (of_class["drive_class"], of_class["chains"]) == ("saw", 6)
    assert whole["enough"]
    assert 0 <= whole["held_low"] <= whole["held"] <= whole["held_high"] <= 1
    assert "Of 6 chains" in whole["words"]


# Pages


def test_the_page_lists_drives_by_date_and_says_how_good_forecasts_were(plant: Plant) -> None:
    with_ends(plant)
    a_drive(plant, "fast", name="Fast saw", site="Talheim", line="3")
    a_drive(plant, "bare", ())
    a_drive(plant, "never", ())
    for drive_id in ("fast", "bare"):
        foretold(plant, drive_id)
    text = seen(plant, "/forecasts")
    assert text.index("limit reached") < text.index("Fast saw") < text.index("bare: No trend yet")
    assert "Talheim / 3" in text
    assert "never: no forecast was made yet" in text
    assert "Of 6 chains" in text
    assert "It should be" in text


def test_without_any_forecast_the_page_says_what_it_takes(plant: Plant) -> None:
    text = seen(plant, "/forecasts")
    assert "No date can be told yet" in text
    assert "Too few to judge: none reached the limit so far" in text


def test_the_page_of_a_drive_says_when_with_what_it_rests_on_and_draws_it(plant: Plant) -> None:
    a_drive(plant, "saw-1")
    kept = foretold(plant, "saw-1")
    html = plant.page("/drives/saw-1?span=year")
    text = Page(html).text
    assert forecast_words.sentence(kept, UTC) in text
    assert "4 elongations, 4 of them by hand" in text
    assert "wear is taken to go with the calendar" in text
    assert 'class="fan"' in html
    assert 'class="fan-middle"' in html
    assert "forecast, eight cases of ten" in text
    assert re.search(r">now<", html), "where the past ends is written in the chart"


def test_a_span_that_does_not_reach_so_far_draws_none(plant: Plant) -> None:
    a_drive(plant, "saw-1")
    foretold(plant, "saw-1")
    assert 'class="fan"' not in plant.page("/drives/saw-1?span=month")


def test_the_page_of_a_drive_without_one_says_why(plant: Plant) -> None:
    a_drive(plant, "saw-1", ())
    assert "No forecast was made yet" in seen(plant, "/drives/saw-1")
    foretold(plant, "saw-1")
    text = seen(plant, "/drives/saw-1")
    assert "No trend yet, so no date" in text
    assert "There is no elongation to go by yet" in text


def test_the_board_has_the_date_with_its_interval(plant: Plant) -> None:
    a_drive(plant, "saw-1")
    kept = foretold(plant, "saw-1")
    found = forecast_words.interval_parts(kept, UTC)
    assert found is not None
    assert f"{found[0]} hardly before {found[1]}" in row_on(plant, "saw-1")


# Words

TOLD = KeptPrognosis(
    drive_id="saw-1",
    chain_id="saw-1-a",
    made_ns=NOW_NS,
    outcome=Outcome.FORECAST,
    set_point_pct=1.5,
    p10_ns=NOW_NS + 100 * DAY_NS,
    p50_ns=NOW_NS + 130 * DAY_NS,
    p90_ns=NOW_NS + 190 * DAY_NS,
    version="a test",
    document={"sentence": "The elongation does not rise clearly yet."},
)


def test_dates_far_ahead_are_told_by_the_day() -> None:
    assert forecast_words.sentence(TOLD, UTC) == (
        "Reaches 1.50 % between 19 Dec 2026 and 19 Mar 2027, most likely 18 Jan 2027. In eight of ten cases it comes within "
        "that interval."
    )
    assert forecast_words.interval(TOLD, UTC) == ("18 Jan 2027", "19 Dec 2026 to 19 Mar 2027")


def test_dates_minutes_ahead_are_told_with_the_time_of_day_in_the_zone_of_the_plant() -> None:
    soon = replace(TOLD, p10_ns=NOW_NS + 60 * S * 4, p50_ns=NOW_NS + 60 * S * 9, p90_ns=NOW_NS + 60 * S * 20)
    berlin = ZoneInfo("Europe/Berlin")
    assert "between 10 Sep 2026, 15:04 and 10 Sep 2026, 15:20" in forecast_words.sentence(soon, berlin)
    assert forecast_words.interval(soon, berlin) == ("10 Sep 2026, 15:09", "10 Sep, 15:04 to 10 Sep, 15:20")


def test_what_lies_more_than_ten_years_ahead_has_no_date() -> None:
    assert "how late, nobody can tell" in forecast_words.sentence(replace(TOLD, p90_ns=None), UTC)
    open_ended = replace(TOLD, p50_ns=None, p90_ns=None)
    assert "Does not reach 1.50 % before 19 Dec 2026" in forecast_words.sentence(open_ended, UTC)
    assert forecast_words.interval(open_ended, UTC) == ("beyond ten years", "not before 19 Dec 2026")
    none = replace(open_ended, p10_ns=None)
    assert "more than ten years" in forecast_words.sentence(none, UTC)
    assert forecast_words.interval(none, UTC) is None


@pytest.mark.parametrize(
    ("outcome", "said"),
    [
        (Outcome.LIMIT_REACHED, "The limit of 1.50 % is reached"),
        (Outcome.NO_TREND_YET, "No trend yet, so no date: the elongation does not rise"),
        (Outcome.RATE_NOT_ABOVE_ZERO, "No date: the elongation"),
        (Outcome.STANDS, "not expected to run"),
    ],
)
def test_without_a_date_the_reason_stands_in_its_place(outcome: Outcome, said: str) -> None:
    kept = replace(TOLD, outcome=outcome, p10_ns=None, p50_ns=None, p90_ns=None)
    assert said in forecast_words.sentence(kept, UTC)
    assert forecast_words.interval(kept, UTC) is None


@pytest.mark.parametrize(
    ("outcome", "said"),
    [
        (Outcome.FORECAST, "0.18 % in 30 days, 0.3 % in 1000 h of running"),
        (Outcome.RATE_NOT_ABOVE_ZERO, ""),
        (Outcome.NO_TREND_YET, ""),
    ],
)
def test_a_rate_is_told_where_there_is_wear(outcome: Outcome, said: str) -> None:
    """Not that a chain wears by less than nothing, where readings scatter more than it wears."""
    sign = 1 if outcome is Outcome.FORECAST else -1
    rate = {"per_30_days_pct": sign * 0.18, "per_1000_h_pct": sign * 0.3}
    assert forecast_words.rate_words(replace(TOLD, outcome=outcome, document={"rate": rate})) == said
