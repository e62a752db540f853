"""The board: order, filters, grouping, what a row says, and what its stream sends; on both stores."""

import asyncio
import json
from contextlib import aclosing
from dataclasses import replace
from typing import Any

import pytest
from sqlalchemy import event
from sqlalchemy.engine import Engine

from service.adapters.web import texts
from service.adapters.web.board import SLACK_KEPT_NS
from service.adapters.web.board_rows import BoardRows
from service.adapters.web.pages_board import GROUPINGS, Asked
from service.adapters.web.sensing import REFUSED_AT_ONCE
from service.core.reading import NotMeasured
from service.core.supply import Supply, SupplyScope
from service.core.work import Work, WorkKind
from tests.adapters.web.alerted import with_alerts
from tests.adapters.web.on_board import ids_on, needs_on, row_on
from tests.adapters.web.plant import NOW_NS, Plant, a_plant, add, not_measured, reading_of
from tests.adapters.web.test_pages import HOSTILE, Page, seen
from tests.contracts.given import A_HAND_VALUE, A_SIGHTING, FAKE, NOON_NS, SQLITE, S
from tests.foretold import kept


def test_an_empty_board_says_what_to_do(plant: Plant) -> None:
    text = seen(plant, "/")
    assert "No drive is registered yet" in text
    assert "register a drive" in text


def test_a_row_says_how_worn_how_sure_how_old_and_where(plant: Plant) -> None:
    add(plant, "high", 2.9, name="High", site="Talheim", area="Presses", line="3")
    row = row_on(plant, "high")
    assert "96 % ± 1 % of 3.00 %" in row
    assert "2.900 ± 0.022 %" in row  # u is 0.011, U = 2 u
    assert "Talheim / Presses / 3" in row
    assert "1 s 1.25 m/s" in row
    assert "no forecast yet" in row
    assert "k = 2" in seen(plant, "/")


def test_what_needs_doing_first_is_on_top_and_the_page_states_the_order(plant: Plant) -> None:
    add(plant, "low", 0.3)
    add(plant, "mid", 1.3)
    add(plant, "over", 3.1)
    add(plant, "edge", 2.99)
    add(plant, "blind")
    assert ids_on(plant) == ["over", "edge", "blind", "mid", "low"]
    assert needs_on(plant) == {"reached": 1, "unanswered": 0, "late": 1, "sensing": 1, "rest": 2}
    text = seen(plant, "/")
    assert (
        "What needs doing first is on top: limit reached; alerts that nobody has answered; limits that"
        in text
    )
    assert "▲ limit reached" in row_on(plant, "over")
    assert "△ limit within the uncertainty" in row_on(plant, "edge")


def test_a_limit_that_may_come_before_a_new_chain_could_be_here_goes_before_more_wear(plant: Plant) -> None:
    """The forecast's early end is 30 days ahead: in time where a chain takes 20 days, too late where it takes 60."""
    add(plant, "worn", 2.5)
    add(plant, "dated", 1.0)
    plant.ports.prognoses.keep([kept("dated", 37.5, NOW_NS)])
    plant.ports.supplies.put(
        Supply(scope=SupplyScope.DRIVE, name="dated", lead_days=20, by="J. Ode", at_ns=NOW_NS - 1)
    )
    assert needs_on(plant)["late"] == 0
    lead = Supply(scope=SupplyScope.DRIVE, name="dated", lead_days=60, by="J. Ode", at_ns=NOW_NS)
    plant.ports.supplies.put(lead)
    assert needs_on(plant)["late"] == 1
    assert ids_on(plant) == ["dated", "worn"]
    plant.ports.supplies.put(replace(lead, lead_days=20, at_ns=NOW_NS + 1))
    assert needs_on(plant)["late"] == 0


def test_where_there_is_no_number_the_reason_and_the_mend_stand_in_its_place(plant: Plant) -> None:
    add(plant, "a")
    plant.ports.readings.store(
        [not_measured("a", 3590, NotMeasured.OUT_OF_RANGE, up_pulses=300, down_pulses=300)]
    )
    row = row_on(plant, "a")
    assert "No whole number of pitches fits" in row
    assert "Check that no sensor was moved" in row
    assert "last" not in row
    assert needs_on(plant)["sensing"] == 1


def test_the_last_number_is_kept_with_its_age(plant: Plant) -> None:
    add(plant, "a", 1.5)
    plant.ports.readings.store([not_measured("a", 3600, NotMeasured.STOPPED)])
    row = row_on(plant, "a")
    assert "50 % ± 1 % of 3.00 % Drive stands still last 1.500 ± 0.022 %, 1 s ago" in row


def test_a_drive_without_news_says_so_and_for_how_long() -> None:
    with a_plant(stale_after_s=60.0) as plant:
        add(plant, "a")
        plant.ports.readings.store([reading_of("a", 3600 - 300, 1.0)])
        assert '<td class="live stale">' in plant.page("/")
        assert "no news for 5 min" in row_on(plant, "a")
        assert needs_on(plant)["sensing"] == 1


def test_drives_that_nobody_registered_are_announced_on_the_board(plant: Plant) -> None:
    add(plant, "a", 1.0)
    plant.ports.refused.keep([], [A_SIGHTING])
    assert "1 drive publishes and is not registered" in seen(plant, "/")


def test_a_row_says_who_is_on_it_by_alert_and_by_work(plant: Plant) -> None:
    with_alerts(plant)
    drive_id = "kiln-car-2"
    plant.ports.work_in_hand.open(
        Work(drive_id=drive_id, kind=WorkKind.REPAIR, since_ns=NOON_NS, by="A. Vogt", why="new chain",
             work_order="WO-8", recorded_ns=NOON_NS)
    )  # fmt: skip
    row = row_on(plant, drive_id)
    assert "Elongation at the limit : nobody is on it yet" in row
    assert "m.brandt is on it, WO-4711" in row
    assert "Repair : A. Vogt, WO-8" in row
    assert needs_on(plant)["unanswered"] >= 1


@pytest.fixture
def many(plant: Plant) -> Plant:
    """Four drives at two sites."""
    for drive_id, pct, site, area, line, of_class in (
        ("saw-1", 1.0, "Talheim", "Sawmill", "1", "saw"),
        ("saw-2", 3.2, "Talheim", "Sawmill", "2", "saw"),
        ("kiln-1", 2.0, "Talheim", "Kiln", "1", "feed"),
        ("press-1", 0.5, "Adorf", "Presses", "1", ""),
    ):
        add(
            plant, drive_id, pct, name=drive_id.title(), site=site, area=area, line=line, drive_class=of_class
        )
    return plant


@pytest.mark.parametrize(
    ("query", "ids"),
    [
        ("", ["saw-2", "kiln-1", "saw-1", "press-1"]),
        ("?site=Talheim", ["saw-2", "kiln-1", "saw-1"]),
        ("?site=Talheim&line=1", ["kiln-1", "saw-1"]),
        ("?area=Sawmill", ["saw-2", "saw-1"]),
        ("?drive_class=feed", ["kiln-1"]),
        ("?q=KILN", ["kiln-1"]),
        ("?q=talheim+saw", ["saw-2", "saw-1"]),
        ("?q=16b-1", ["saw-2", "kiln-1", "saw-1", "press-1"]),
        ("?need=reached", ["saw-2"]),
        ("?need=nonsense&group=nonsense", ["saw-2", "kiln-1", "saw-1", "press-1"]),
        ("?site=Nowhere", []),
        ("?group=site", ["saw-2", "kiln-1", "saw-1", "press-1"]),
        ("?group=area&q=1", ["saw-2", "saw-1", "kiln-1", "press-1"]),
    ],
)
def test_the_address_says_which_drives_are_shown(many: Plant, query: str, ids: list[str]) -> None:
    assert ids_on(many, query) == ids


def test_the_form_shows_what_was_asked_and_offers_what_there_is(many: Plant) -> None:
    html = many.page("/?site=Talheim&q=saw&group=line&need=rest")
    assert "<option selected>Talheim</option>" in html
    assert 'value="saw"' in html
    assert '<option value="line" selected>line</option>' in html
    assert '<input type="hidden" name="need" value="rest">' in html
    assert "<option>Presses</option>" not in html  # of another site
    assert 'href="/?group=line">Show all</a>' in html
    assert needs_on(many, "?site=Talheim&q=saw&need=rest") == {
        "reached": 1, "unanswered": 0, "late": 0, "sensing": 0, "rest": 1,
    }  # fmt: skip


def test_nothing_that_fits_is_said_with_a_way_back(many: Plant) -> None:
    text = seen(many, "/?q=crane")
    assert "No drive is like that. 4 are registered: show all, or ask for less" in text
    assert "No drive is like that" not in seen(many, "/")


@pytest.mark.parametrize("group", GROUPINGS)
def test_groups_have_headings_with_counts(many: Plant, group: str) -> None:
    html = many.page(f"/?group={group}")
    headed = html.count('<tr class="group">') - html.count(" hidden>\n<tr")
    assert headed == {"need": 2, "site": 2, "area": 3, "line": 2, "drive_class": 3, "none": 0}[group]
    if group == "drive_class":
        assert "Without a class" in html


def test_what_people_typed_is_shown_as_text(plant: Plant) -> None:
    add(plant, "a", 1.0, name=HOSTILE, site=HOSTILE, drive_class=HOSTILE)
    for query in ("", "?group=site", f"?q={HOSTILE}", "?group=drive_class"):
        html = plant.page(f"/{query}")
        assert "<script>alert" not in html
        assert "<img" not in html
    assert HOSTILE in "".join(Page(plant.page("/")).words)


def queries_of(plant: Plant) -> int:
    """Return how many queries one board takes."""
    asked: list[str] = []

    def note(*said: Any) -> None:
        asked.append(said[2])

    event.listen(Engine, "before_cursor_execute", note)
    try:
        plant.page("/")
    finally:
        event.remove(Engine, "before_cursor_execute", note)
    return len(asked)


def test_the_board_asks_the_store_as_often_for_many_drives_as_for_few() -> None:
    """Half of them are silent, and of half the newest measurement by hand was of a slack chain."""
    counts = []
    for drives in (4, 60):
        with a_plant(SQLITE) as plant:
            for number in range(drives):
                drive_id = f"d{number}"
                add(plant, drive_id, None if number % 2 else 1.0)
                if number % 4 < 2:
                    value = replace(A_HAND_VALUE, drive_id=drive_id, chain_id=f"{drive_id}-a", tight=False)
                    plant.ports.hand_values.record(value)
            for _ in range(1 + drives // REFUSED_AT_ONCE):
                plant.page("/")
            counts.append(queries_of(plant))
    assert counts[0] == counts[1]
    assert 5 < counts[0] < 60


def test_an_outage_of_all_drives_costs_a_look_no_query_for_each() -> None:
    counts = []
    for drives in (2 * REFUSED_AT_ONCE, 5 * REFUSED_AT_ONCE):
        with a_plant(SQLITE) as plant:
            for number in range(drives):
                add(plant, f"d{number}")
            counts.append(queries_of(plant))
    assert counts[0] == counts[1]


def test_a_tight_measurement_that_is_entered_late_counts_on_the_board(plant: Plant) -> None:
    """The newest was of a slack chain and stays the newest; the board asks again for what lies before it."""
    add(plant, "saw")
    slack = replace(
        A_HAND_VALUE, drive_id="saw", chain_id="saw-a", tight=False,
        measured_ns=NOON_NS + 600 * S, recorded_ns=NOON_NS + 601 * S,
    )  # fmt: skip
    plant.ports.hand_values.record(slack)
    board = plant.app.state.parts.board
    assert board.states(NOW_NS)[0].by_hand is None
    earlier = replace(slack, tight=True, measured_ns=NOON_NS + 300 * S, recorded_ns=NOW_NS)
    plant.ports.hand_values.record(earlier)
    assert board.states(NOW_NS + SLACK_KEPT_NS)[0].by_hand.t_ns == earlier.measured_ns


def told(plant: Plant, asked: Asked | None = None, *, language: str = texts.ENGLISH) -> list[tuple[str, Any]]:
    """Return the events that a board which is just opened is sent, but for beats."""
    live = plant.app.state.parts.board_lives[language]
    rows: BoardRows = plant.app.state.parts.board_rows

    async def first() -> bytes:
        wanted = None
        if asked is not None:
            wanted = lambda key: asked.is_there(rows.by_id[key.partition(" ")[0]])  # noqa: E731
        async with aclosing(live.events(wanted=wanted)) as events:
            await anext(events)
            return bytes(await anext(events))

    found = []
    for block in asyncio.run(first()).decode().split("\n\n"):
        lines = dict(line.split(": ", 1) for line in block.splitlines())
        if lines.get("event") not in {None, "beat"}:
            found.append((lines["event"], json.loads(lines["data"])))
    return found


def test_the_stream_sends_each_row_as_the_page_draws_it_and_its_numbers(many: Plant) -> None:
    events = told(many)
    assert [kind for kind, _ in events] == ["row", "numbers"] * 4
    row, numbers = events[0][1], events[1][1]
    assert (row["id"], row["need"], row["site"]) == ("saw-2", "reached", "Talheim")
    assert row["html"] in many.page("/")
    assert (numbers["used"], numbers["used_u"], numbers["elongation"]) == ("107 %", "± 1 %", "3.200")
    assert numbers["news_ms"] == (NOON_NS + 3599 * S) // 1_000_000


def test_the_stream_sends_only_what_the_address_asks_for(many: Plant) -> None:
    assert {data["id"] for _, data in told(many, Asked(site="Adorf"))} == {"press-1"}


def test_the_stream_speaks_the_language_of_the_reader(many: Plant) -> None:
    (numbers,) = [
        data for kind, data in told(many, language="de") if kind == "numbers" and data["id"] == "saw-1"
    ]
    assert numbers["elongation"] == "1,000"


def test_the_summary_of_an_open_board_is_that_of_the_page(many: Plant) -> None:
    answer = many.client.get("/board/summary?site=Talheim")
    assert answer.status_code == 200
    assert answer.text.strip() in many.page("/?site=Talheim")


def test_a_stream_too_many_is_refused_with_what_to_do() -> None:
    with a_plant(FAKE, stream_clients_max=0) as plant:
        answer = plant.client.get("/board/stream")
        assert answer.status_code == 503
        assert "close some" in answer.json()["detail"]
