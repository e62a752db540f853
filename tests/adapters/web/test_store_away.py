"""What pages say while the store is away, and what waits for it."""

from typing import Any

import pytest
from starlette.testclient import TestClient

from tests.adapters.web.plant import NOW_NS, a_plant, app_on
from tests.contracts.given import FAKE, S, a_store

WELL: dict[str, Any] = {"store_ok": True, "trouble": "", "since_ns": NOW_NS - 9 * S, "stored_ns": NOW_NS}
AWAY = WELL | {
    "store_ok": False,
    "trouble": "store x: the disk is full: make room",
    "since_ns": NOW_NS - 3600 * S,
}
SPOOL: dict[str, Any] = {
    "messages": 4711,
    "bytes": 9,
    "since_ns": NOW_NS - 1800 * S,
    "trouble": "",
    "set_aside": [],
}


def status(ingest: dict[str, Any]) -> dict[str, Any]:
    return {"connected": True, "trouble": "", "ingest": ingest}


@pytest.mark.parametrize("spool", [None, SPOOL | {"messages": 0, "since_ns": None}])
def test_while_all_is_well_nothing_is_said(spool: dict[str, Any] | None) -> None:
    with a_plant(broker_status=lambda: status(WELL | {"spool": spool})) as plant:
        page = plant.page("/")
    assert "store is away" not in page
    assert "in the spool" not in page


def test_a_page_says_since_when_the_store_is_away_and_how_many_messages_wait_for_it() -> None:
    with a_plant(broker_status=lambda: status(AWAY | {"spool": SPOOL})) as plant:
        page = plant.page("/")
    assert "The store is away since 10 Sep 2026, 12:00." in page
    assert "the disk is full: make room" in page
    assert "4711 messages wait for the store in the spool, the oldest from 10 Sep 2026, 12:30." in page
    assert "No more is taken" not in page


def test_a_spool_that_takes_no_more_is_said_with_what_mends_it() -> None:
    spool = SPOOL | {"trouble": "spool y: it is full (16 MB); mend the store, or raise worker.spool_mb"}
    with a_plant(broker_status=lambda: status(AWAY | {"spool": spool})) as plant:
        page = plant.page("/")
    assert "No more is taken from the broker." in page
    assert "raise worker.spool_mb" in page


def test_the_health_of_the_worker_says_what_waits_in_the_spool() -> None:
    spool = SPOOL | {"trouble": "spool y: it is full"}
    with a_plant(broker_status=lambda: status(AWAY | {"spool": spool})) as plant:
        worker = plant.client.get("/health/ready").json()["parts"]["worker"]
    assert not worker["up"]
    assert worker["detail"].endswith(
        "make room; 4711 messages wait in the spool; no more is taken from the broker: spool y: it is full"
    )


def test_a_store_that_is_back_is_not_called_away_while_what_waited_is_stored() -> None:
    with a_plant(broker_status=lambda: status(WELL | {"spool": SPOOL})) as plant:
        page = plant.page("/")
    assert "store is away" not in page
    assert "4711 messages wait" in page


def test_the_page_that_cannot_be_made_without_the_store_says_it_too_and_in_german() -> None:
    with a_store(FAKE) as ports:
        app = app_on(ports, broker_status=lambda: status(AWAY | {"spool": SPOOL}))
        ports.register.down = ports.readings.down = "the disk is full"  # type: ignore[attr-defined]
        with TestClient(app, base_url="http://127.0.0.1:8390", raise_server_exceptions=False) as client:
            answer = client.get("/", headers={"Accept": "text/html", "Accept-Language": "de"})
    assert answer.status_code == 503
    assert "Der Speicher ist seit 10. Sept. 2026, 12:00 nicht erreichbar." in answer.text
    assert "4711 Nachrichten warten im Zwischenspeicher" in answer.text
