"""The API of setting a drive up: steps, baseline, delay, touched brackets, and what a drive teaches; on both stores."""

import dataclasses
from typing import Any

import pytest

from service.adapters.web.instants import rfc3339
from service.core.reading import Last, convert
from tests.adapters.web.plant import API, Plant
from tests.adapters.web.set_up_plant import (
    SENT,
    SENT_AT_TWO,
    TWO_SPEEDS,
    WHO,
    being_set_up,
)
from tests.contracts.given import STORES
from tests.core.running import exchanged, sent
from tests.core.test_commission import SHAFT
from tests.test_set_up import loaded

STEPS = "/drives/d/commissioning"


def post(plant: Plant, path: str, status: int = 200, **given: Any) -> Any:
    answer = plant.client.post(API + path, json=given)
    assert answer.status_code == status, answer.text
    return answer.json()


def steps(plant: Plant, **query: Any) -> dict[str, dict[str, Any]]:
    return {each["step"]: each for each in plant.get(STEPS, params=query)["steps"]}


@pytest.mark.parametrize("kind", STORES)
def test_the_steps_come_with_reasons_and_the_baseline_that_could_be_taken(kind: str) -> None:
    with being_set_up(kind=kind) as plant:
        found = plant.get(STEPS)
        assert found["drive_id"] == "d"
        assert found["batches"] == len(SENT)
        assert found["ready_for_baseline"] is True
        assert found["proposal"]["pitches_between"] == pytest.approx(24.283, abs=0.01)
        assert found["proposal"]["whole_laps"] == 72
        assert found["e0"] == "new"
        assert [each["e0"] for each in found["starts"]] == ["new"]
        assert (found["delay"], found["baseline"], found["bracket_touched"]) == (None, None, None)
        order = steps(plant)["order"]
        assert order["state"] == "passed"
        assert order["title"] == "up comes before down"
        assert "links' own lengths" in order["reason"]


def test_a_fault_is_told_with_its_mend_and_the_caution() -> None:
    with being_set_up(batches=exchanged(SENT)) as plant:
        order = steps(plant)["order"]
        assert order["state"] == "failed"
        assert "Exchange the plugs" in order["mend"]
        assert order["caution"] is True
        assert plant.get(STEPS)["proposal"] is None


def test_the_speed_of_the_shaft_is_held_against_the_pulses() -> None:
    with being_set_up() as plant:
        assert steps(plant)["speed"]["state"] == "not_needed"
        assert steps(plant, shaft_rev_per_min=SHAFT)["speed"]["state"] == "passed"
        wrong = steps(plant, shaft_rev_per_min=SHAFT / 3)["speed"]
        assert wrong["state"] == "failed"
        assert "driven sprocket with its 57 teeth" in wrong["mend"]


def test_only_batches_since_then_count() -> None:
    with being_set_up() as plant:
        found = plant.get(STEPS, params={"since": rfc3339(SENT[20].t0_ns)})
        assert found["batches"] == 4
        assert found["ready_for_baseline"] is False


@pytest.mark.parametrize(
    ("query", "said"),
    [
        ({"since": "yesterday"}, "RFC 3339"),
        ({"shaft_rev_per_min": -3}, "revolutions a minute"),
        ({"shaft_rev_per_min": "nan"}, "revolutions a minute"),
        ({"e0": "guess"}, "e0"),
    ],
)
def test_what_makes_no_sense_is_refused_with_the_fix(query: dict[str, Any], said: str) -> None:
    with being_set_up() as plant:
        answer = plant.client.get(API + STEPS, params=query)
        assert answer.status_code == 422
        assert said in answer.text


def test_an_e0_that_is_not_known_is_a_conflict() -> None:
    with being_set_up() as plant:
        answer = plant.client.get(API + STEPS, params={"e0": "hand"})
        assert answer.status_code == 409
        assert "was not measured by hand" in answer.json()["detail"]
        assert plant.client.get(f"{API}/drives/nobody/commissioning").status_code == 404


@pytest.mark.parametrize("kind", STORES)
def test_the_baseline_is_taken_with_who_and_why(kind: str) -> None:
    with being_set_up(kind=kind) as plant:
        made = post(plant, f"{STEPS}/baseline", 201, e0="new", **WHO)
        assert made["pitches_between"] == pytest.approx(24.283, abs=0.01)
        assert made["elongation_pct"] == 0.075
        assert made["recorded_by"] == "A. Kern"
        assert made["why"] == "new chain fitted; new chain, 0 to +0.15 % by ISO 606"
        (kept,) = plant.ports.register.baselines("d/1")
        assert kept.up_alternation_pct is not None
        found = plant.get(STEPS)
        assert found["baseline"]["pitches_between"] == made["pitches_between"]
        assert steps(plant)["baseline"]["state"] == "passed"


def test_a_value_of_ones_own_needs_both_figures_and_the_others_none() -> None:
    with being_set_up() as plant:
        lacks = post(plant, f"{STEPS}/baseline", 422, e0="value", elongation_pct=0.1, **WHO)
        assert "elongation_u_pct" in lacks["detail"]
        both = post(plant, f"{STEPS}/baseline", 422, e0="new", elongation_pct=0.1, **WHO)
        assert "leave it out, or give value" in both["detail"]
        odd = post(
            plant, f"{STEPS}/baseline", 422, e0="value", elongation_pct=0.1, elongation_u_pct=-1, **WHO
        )
        assert "elongation_u_pct" in odd["detail"]
        assert plant.ports.register.baselines() == []
        made = post(
            plant, f"{STEPS}/baseline", 201, e0="value", elongation_pct=0.1, elongation_u_pct=0.02, **WHO
        )
        assert (made["elongation_pct"], made["elongation_u_pct"]) == (0.1, 0.02)


def test_a_baseline_too_early_is_a_conflict_that_names_the_step() -> None:
    with being_set_up(batches=SENT[:3]) as plant:
        refused = post(plant, f"{STEPS}/baseline", 409, e0="new", **WHO)
        assert "The lag is steady: 3 of 5 lags so far" in refused["detail"]


def test_who_and_why_must_say_something() -> None:
    with being_set_up() as plant:
        for path in (
            f"{STEPS}/baseline",
            f"{STEPS}/delay",
            f"{STEPS}/bracket-touched",
            "/drives/d/learnt/strain",
        ):
            more = {"e0": "new"} if path.endswith("baseline") else {}
            refused = post(plant, path, 422, by=" ", why="", **more)
            assert {each["field"] for each in refused["errors"]} == {"by", "why"}
            post(plant, path, 422, by="A. Kern", **more)


def test_the_delay_found_at_two_speeds_is_taken_off() -> None:
    with being_set_up(TWO_SPEEDS, SENT_AT_TWO) as plant:
        found = plant.get(STEPS)["delay"]
        assert found["delay_us"] == pytest.approx(100, abs=10)
        assert found["significant"] is True
        assert len(found["speeds_joints_per_s"]) == 2
        applied = post(plant, f"{STEPS}/delay", by="A. Kern", why="two speeds")
        assert applied["drive"]["delay_us"] == pytest.approx(found["delay_us"], abs=0.01)
        assert "A. Kern: switching delay of" in applied["drive"]["note"]
        assert applied["baseline"] is None
        assert steps(plant)["delay"]["state"] == "passed"
    with being_set_up() as plant:
        assert "two clearly different speeds" in post(plant, f"{STEPS}/delay", 409, **WHO)["detail"]


def test_a_touched_bracket_is_noted_and_asks_for_a_new_baseline() -> None:
    with being_set_up() as plant:
        post(plant, f"{STEPS}/baseline", 201, e0="new", **WHO)
        drive = post(plant, f"{STEPS}/bracket-touched", by="J. Ode", why="gap of down set anew")
        assert drive["note"].endswith("J. Ode: bracket touched: gap of down set anew")
        found = plant.get(STEPS)
        assert found["bracket_touched"] is not None
        assert found["batches"] == 0  # those of before do not count any more
        assert len(plant.ports.register.baselines("d/1")) == 1
        assert steps(plant)["pulses"]["state"] == "waiting"


@pytest.mark.parametrize("kind", STORES)
def test_what_the_readings_teach_is_shown_and_taken_off(kind: str) -> None:
    running, batches = loaded()
    with being_set_up(running, batches, kind=kind) as plant:
        readings = [
            convert(each, drive=running.drive, chain=running.chain, baseline=None, last=Last(0.07, 0))
            for each in batches
        ]
        plant.ports.readings.store(readings)
        learnt = plant.get("/drives/d/learnt")
        assert learnt["readings"] == 40
        assert learnt["strain"]["strain_pct_per_kn"] == pytest.approx(0.03, abs=0.002)
        assert learnt["strain"]["significant"] is True
        assert (learnt["delay"], learnt["delay_not_learnt"]) == (None, "one_speed")
        applied = post(plant, "/drives/d/learnt/strain", by="A. Kern", why="it stands out")
        assert applied["drive"]["strain_pct_per_kn"] == pytest.approx(0.03, abs=0.002)
        assert applied["drive"]["load_ref_n"] > 0


def test_a_drive_that_teaches_nothing_says_why() -> None:
    with being_set_up() as plant:
        learnt = plant.get("/drives/d/learnt", params={"last": "1y"})
        assert (learnt["strain"], learnt["strain_not_learnt"]) == (None, "too_few")
        assert learnt["from"] is None
        assert plant.client.get(f"{API}/drives/d/learnt", params={"last": "ages"}).status_code == 422


def test_a_batch_that_cannot_be_read_any_more_is_left_out() -> None:
    with being_set_up(batches=[]) as plant:
        good = [sent(each) for each in SENT]
        plant.ports.raw_batches.keep([dataclasses.replace(good[0], payload=b"{"), *good[1:]])
        assert plant.get(STEPS)["batches"] == len(SENT) - 1
