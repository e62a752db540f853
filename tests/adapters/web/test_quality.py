"""Quality of alerts over API and page: by site, with targets, and with the way to the setpoints."""

import re
from pathlib import Path

import pytest

from service.adapters.web import api_quality
from service.core.alert import Event
from service.core.alert_quality import Fault, Verdict
from service.core.setpoint import ConditionKind
from tests.adapters.web.alerted import happen, occur, with_alerts, with_drives
from tests.adapters.web.plant import API, NOW_NS, Plant
from tests.contracts.given import DAY_NS, S


def words_of(page: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", page.split('<main id="main">')[1]))


def with_nuisances(plant: Plant) -> None:
    """Fourteen occurrences within five minutes on the cutter; one that stands for three days on the hoist."""
    with_alerts(plant)
    for n in range(14):
        at_ns = NOW_NS - (3000 - n * 20) * S
        occur(plant, "cutter-1", ConditionKind.WORN_SECTION, at_ns=at_ns)
        happen(plant, "cutter-1", ConditionKind.WORN_SECTION, Event.CLEAR, at_ns=at_ns + 10 * S)
    occur(plant, "hoist-4", ConditionKind.BAD_JOINT, at_ns=NOW_NS - 3 * DAY_NS)


def test_sites_are_judged_apart_each_by_its_own_drives(plant: Plant) -> None:
    with_nuisances(plant)
    found = plant.get("/alerts/quality")
    assert (found["begin"], found["end"]) == ("2026-08-11T13:00:00Z", "2026-09-10T13:00:00Z")
    assert [each["site"] for each in found["sites"]] == ["Lehmgrund", "Sandfeld"]
    lehmgrund, sandfeld = found["sites"]
    # near, at_limit, bad_joint and device_offline once each, and 14 times the nuisance; sensing_failed, sensor_moved, bad_joint
    assert (lehmgrund["annunciations"], sandfeld["annunciations"]) == (18, 3)
    figures = {each["name"]: each for each in lehmgrund["figures"]}
    assert figures["per_day"]["value"] == pytest.approx(18 / 30)
    assert figures["most_in_ten_minutes"]["verdict"] == "too_much"
    assert sandfeld["stale"] == ["hoist-4.bad_joint"]
    assert lehmgrund["stale"] == []
    assert lehmgrund["planned"] == ["kiln-car-2.near"]


def test_the_worst_comes_first_with_the_way_to_its_setpoints(plant: Plant) -> None:
    with_nuisances(plant)
    (first, *_) = plant.get("/alerts/quality", params={"site": "Lehmgrund"})["sites"][0]["suspects"]
    assert first == {
        "alert": "cutter-1.worn_section",
        "drive_id": "cutter-1",
        "kind": "worn_section",
        "title": "A worn section",
        "annunciations": 14,
        "fleeting": 14,
        "faults": ["chatters", "fleeting", "dominates"],
        "setpoints": "/setpoints?drive=cutter-1",
    }
    page = plant.page("/alerts/quality")
    assert 'href="/setpoints?drive=cutter-1"' in page
    assert "Three times or more in a minute" in page


def test_the_period_and_who_share_it_can_be_chosen(plant: Plant) -> None:
    with_nuisances(plant)
    found = plant.get("/alerts/quality", params={"days": 1, "operators": 2, "site": "Lehmgrund"})
    figures = {each["name"]: each["value"] for each in found["sites"][0]["figures"]}
    assert figures["per_day"] == pytest.approx(17 / 2)  # not the one of three days ago
    assert figures["most_in_ten_minutes"] == 6.5
    words = words_of(plant.page("/alerts/quality?days=1&operators=2"))
    assert "9 Sep 2026, 13:00 to 10 Sep 2026, 13:00" in words
    assert "8.5" in words


@pytest.mark.parametrize("query", ["days=0", "days=x", "days=367", "operators=0", "operators=101"])
def test_what_makes_no_sense_is_refused_by_the_api_and_left_out_by_the_page(plant: Plant, query: str) -> None:
    with_drives(plant)
    assert plant.client.get(f"{API}/alerts/quality?{query}").status_code == 422
    assert "11 Aug 2026, 13:00 to" in words_of(plant.page(f"/alerts/quality?{query}"))


def test_a_site_without_alerts_and_a_plant_without_drives_are_told(plant: Plant) -> None:
    assert plant.get("/alerts/quality")["sites"] == []
    assert "nothing to judge" in plant.page("/alerts/quality")
    with_drives(plant)
    assert [each["annunciations"] for each in plant.get("/alerts/quality")["sites"]] == [0, 0]
    assert "no alert chatters" in plant.page("/alerts/quality")


def test_every_verdict_and_fault_has_words_on_the_page(plant: Plant) -> None:
    text = (Path(api_quality.__file__).parent / "templates" / "quality.html").read_text("utf-8")
    for each in [*Verdict, *Fault]:
        assert f'"{each}": ' in text
    with_nuisances(plant)
    words = words_of(plant.page("/alerts/quality"))
    assert "▲ is too much" in words
    assert "too few to judge" in words
    assert "Planned work" in words
    assert "WO-4711" in words
    assert "Lehmgrund, 10 Sep 2026, 12:10, 10 min: 13 annunciations" in words


def test_what_is_too_much_to_look_through_is_cut_and_says_so(
    fake_plant: Plant, monkeypatch: pytest.MonkeyPatch
) -> None:
    with_nuisances(fake_plant)
    alert_log = fake_plant.ports.alert_log
    every = alert_log.recorded
    monkeypatch.setattr(api_quality, "ROWS_MAX", 10)
    monkeypatch.setattr(alert_log, "recorded", lambda from_ns, to_ns: every(from_ns, to_ns, 10))
    found = fake_plant.get("/alerts/quality")
    assert found["cut"]
    assert "begins later than asked for" in fake_plant.page("/alerts/quality")


def test_the_numbers_on_a_phone_have_the_name_of_their_site_beside_them(plant: Plant) -> None:
    with_nuisances(plant)
    page = plant.page("/alerts/quality")
    assert page.count('data-label="Lehmgrund"') == page.count('data-label="Sandfeld"') == 13
