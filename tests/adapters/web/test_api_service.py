"""Catalogue, health and metrics."""

from typing import Any

import pytest
from prometheus_client import CollectorRegistry, Counter
from prometheus_client.parser import text_string_to_metric_families

from service.core.reading import NotMeasured
from tests.adapters.web.plant import API, Plant, a_plant, add, not_measured
from tests.contracts.given import A_SIGHTING
from tests.fakes import FakeReadings, FakeRefused, FakeRegister

# Catalogue


@pytest.mark.parametrize(
    ("designation", "pitch_mm", "roller_dia_mm"),
    [
        # ISO 606:1994 as reprinted in GOST 13568-97, table A.1.
        ("08B-1", 12.7, 8.51),
        ("08A-2", 12.7, 7.92),
        ("16b", 25.4, 15.88),
    ],
)
def test_a_chain_is_looked_up_by_its_designation(
    fake_plant: Plant, designation: str, pitch_mm: float, roller_dia_mm: float
) -> None:
    found = fake_plant.get("/catalogue/chains", params={"designation": designation})
    assert (found["pitch_mm"], found["roller_dia_mm"]) == (pitch_mm, roller_dia_mm)


def test_a_measurement_that_two_chains_fit_says_how_to_tell_them_apart(fake_plant: Plant) -> None:
    found = fake_plant.get("/catalogue/identify", params={"length_mm": 127.1, "pitches": 10})
    names = {each["chain"]["designation"] for each in found}
    assert {"08A-1", "08B-1"} <= names
    assert all(each["tell_apart"] for each in found)
    with_roller = fake_plant.get(
        "/catalogue/identify", params={"length_mm": 127.1, "pitches": 10, "roller_dia_mm": 8.5}
    )
    assert "08A-1" not in {each["chain"]["designation"] for each in with_roller}


# Health


def ready(plant: Plant, status: int) -> dict[str, Any]:
    for path in ("/health/ready", f"{API}/health/ready"):
        answer = plant.client.get(path)
        assert answer.status_code == status
    body: dict[str, Any] = answer.json()
    assert body["ready"] == (status == 200)
    assert set(body["parts"]) == {"store", "broker", "worker"}
    return body


def test_live_says_only_that_the_process_answers(fake_plant: Plant) -> None:
    assert isinstance(fake_plant.ports.register, FakeRegister)
    fake_plant.ports.register.down = "disk full"
    assert fake_plant.client.get("/health/live").json() == {"live": True}


def test_all_is_ready_on_an_empty_store(plant: Plant) -> None:
    assert ready(plant, 200)["down"] == []


def test_a_store_that_is_down_is_named(fake_plant: Plant) -> None:
    for port in (fake_plant.ports.readings, fake_plant.ports.register, fake_plant.ports.refused):
        assert isinstance(port, FakeReadings | FakeRegister | FakeRefused)
        port.down = "disk full"
    body = ready(fake_plant, 503)
    assert body["down"] == ["store", "worker"]
    assert "disk full" in body["parts"]["store"]["detail"]


def test_a_broker_that_is_gone_is_named_with_what_the_worker_says_of_it() -> None:
    def status() -> dict[str, Any]:
        return {"connected": False, "trouble": "connection refused: is the broker running?"}

    with a_plant(broker_status=status) as plant:
        body = ready(plant, 503)
        assert body["down"] == ["broker"]
        assert body["parts"]["broker"]["detail"] == "connection refused: is the broker running?"


def test_a_worker_that_does_not_store_is_named() -> None:
    def status() -> dict[str, Any]:
        return {"connected": True, "trouble": "", "ingest": {"store_ok": False, "trouble": "disk full"}}

    with a_plant(broker_status=status) as plant:
        assert ready(plant, 503)["down"] == ["worker"]


def test_a_worker_in_this_process_is_not_blamed_for_silent_devices() -> None:
    def status() -> dict[str, Any]:
        return {"connected": True, "trouble": "", "ingest": {"store_ok": True, "trouble": ""}}

    with a_plant(broker_status=status, worker_stale_s=0.5) as plant:
        add(plant, "a", 1.0)
        assert ready(plant, 200)["parts"]["worker"]["detail"] == "stores what comes"


def test_a_worker_elsewhere_is_judged_by_the_newest_reading() -> None:
    with a_plant(worker_stale_s=2.0) as plant:
        add(plant, "a", 1.0)  # 1 s old
        assert ready(plant, 200)["parts"]["worker"]["detail"] == "newest reading is 1 s old"
    with a_plant(worker_stale_s=0.5) as plant:
        add(plant, "a", 1.0)
        body = ready(plant, 503)
        assert body["down"] == ["worker"]
        assert "is the worker running" in body["parts"]["worker"]["detail"]


# Metrics


def samples(text: str) -> dict[tuple[str, str], float]:
    return {
        (sample.name, sample.labels.get("drive", "")): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


def test_metrics_are_what_prometheus_reads_with_the_newest_of_each_drive(plant: Plant) -> None:
    add(plant, "a", 1.5)
    add(plant, "b")
    plant.ports.readings.store([not_measured("b", 3590, NotMeasured.STOPPED)])
    plant.ports.refused.keep([], [A_SIGHTING])
    answer = plant.client.get("/metrics")
    assert answer.headers["content-type"].startswith("text/plain; version=")
    found = samples(answer.text)
    assert found["linklag_elongation_percent", "a"] == 1.5
    assert found["linklag_limit_used_ratio", "a"] == 0.5
    assert found["linklag_reading_age_seconds", "a"] == 1.0
    assert found["linklag_reading_age_seconds", "b"] == 10.0
    assert ("linklag_elongation_percent", "b") not in found  # never a number that cannot be stood by
    assert found["linklag_drives", ""] == 2
    assert found["linklag_unregistered_drives", ""] == 1
    assert found["linklag_sensing_state", "b"] == 1
    assert plant.client.get(f"{API}/metrics").text == answer.text


def test_what_the_worker_counts_stands_behind_ours() -> None:
    registry = CollectorRegistry()
    Counter("linklag_messages", "Messages", registry=registry).inc(3)
    with a_plant(worker_registry=registry) as plant:
        text = plant.client.get("/metrics").text
        assert samples(text)["linklag_messages_total", ""] == 3
        assert samples(text)["linklag_drives", ""] == 0


def test_metrics_of_a_store_that_is_down_are_a_503(fake_plant: Plant) -> None:
    assert isinstance(fake_plant.ports.register, FakeRegister)
    fake_plant.ports.register.down = "disk full"
    assert fake_plant.client.get("/metrics").status_code == 503
