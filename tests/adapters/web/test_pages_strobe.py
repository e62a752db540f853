"""The strobe's page: the newest pulses with their numbers and age, or what there is to do where there are none."""

import csv
import io
from collections.abc import Iterator

import pytest

from tests.adapters.web.plant import Plant, a_plant
from tests.core.running import S
from tests.test_look_at_pulses import RUNNING, keep, stopped

FIRST, SECOND, *_ = RUNNING.batches()


@pytest.fixture
def plant() -> Iterator[Plant]:
    with a_plant(now_ns=lambda: SECOND.end_ns + 7 * S) as opened:
        opened.ports.register.add_drive(RUNNING.drive)
        yield opened


def fitted(plant: Plant) -> None:
    plant.ports.register.fit_chain(RUNNING.chain)


def page(plant: Plant) -> str:
    return " ".join(plant.page("/drives/d/strobe").split())


def test_the_newest_window_is_shown_with_its_numbers_and_its_age(plant: Plant) -> None:
    fitted(plant)
    keep(plant.ports, FIRST, SECOND)
    text = page(plant)
    assert '<svg class="strobe"' in text
    assert ">7 s</time> ago." in text
    assert "<dt>New</dt><dd>24.300</dd>" in text
    assert "<dt>At the limit of 3.00 %</dt><dd>23.592</dd>" in text
    assert "<dt>Elongation of this window</dt><dd>1.1" in text
    assert "1.00 m/s (197 ft/min)" in text
    assert "shows no lag" not in text
    assert 'src="/static/strobe.js"' in text


def test_where_the_drive_stands_the_last_lag_stays_with_why(plant: Plant) -> None:
    fitted(plant)
    keep(plant.ports, FIRST, stopped(FIRST))
    text = page(plant)
    assert "The newest window shows no lag: Drive stands still." in text
    assert '<svg class="strobe"' in text


def test_an_old_window_says_that_nothing_newer_came() -> None:
    with a_plant(now_ns=lambda: FIRST.end_ns + 3600 * S) as plant:
        plant.ports.register.add_drive(RUNNING.drive)
        fitted(plant)
        keep(plant.ports, FIRST)
        text = page(plant)
    assert ">60 min</time> ago" in text
    assert "nothing newer shows a lag" in text


def test_without_a_lag_the_reason_and_its_mend_stand_there(plant: Plant) -> None:
    fitted(plant)
    keep(plant.ports, stopped(FIRST))
    text = page(plant)
    assert "The newest windows show no lag: Drive stands still." in text
    assert '<svg class="strobe"' not in text
    assert "strobe.js" not in text


def test_where_nothing_is_kept_or_entered_it_says_what_to_do(plant: Plant) -> None:
    assert '<a href="/drives/d/chain">enter the chain</a>' in page(plant)
    fitted(plant)
    assert "<code>retention.batches_mb</code> is 0" in page(plant)


def test_the_strobe_can_be_had_as_a_file_with_a_row_for_each_pulse(plant: Plant) -> None:
    fitted(plant)
    keep(plant.ports, FIRST)
    svg = plant.client.get("/drives/d/strobe.svg")
    assert svg.status_code == 200
    assert ".pulse{" in svg.text
    rows = list(csv.DictReader(io.StringIO(plant.client.get("/drives/d/strobe.csv").text)))
    assert len(rows) > 200
    mean = sum(float(row["pitches_between"]) for row in rows) / len(rows)
    assert mean == pytest.approx(RUNNING.true_pitches_between, abs=0.005)
    assert {row["every_second_joint"] for row in rows} == {"0", "1"}


def test_where_there_is_nothing_to_draw_the_file_is_not_there(plant: Plant) -> None:
    fitted(plant)
    answer = plant.client.get("/drives/d/strobe.svg")
    assert answer.status_code == 404
    assert "its strobe page says why" in answer.json()["detail"]
    assert plant.client.get("/drives/nowhere/strobe", headers={"Accept": "text/html"}).status_code == 404


def test_the_drives_page_leads_to_it(plant: Plant) -> None:
    fitted(plant)
    keep(plant.ports, FIRST)
    assert 'href="/drives/d/strobe"' in plant.page("/drives/d")
