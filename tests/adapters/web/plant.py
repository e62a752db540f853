"""What the tests of the web adapter start from: an app on a store of either kind, at a fixed time, and its client."""

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, tzinfo
from functools import cache
from typing import Any

from fastapi import FastAPI
from prometheus_client import CollectorRegistry

from service.adapters.web.app import create_app
from service.adapters.web.parts import WebSettings
from service.core.drive import Chain, Drive
from service.core.reading import NotMeasured, Reading
from tests.adapters.web.client import Client
from tests.contracts.given import (
    A_BASELINE,
    A_CHAIN,
    A_DRIVE,
    FAKE,
    NOON_NS,
    Ports,
    S,
    a_reading,
    a_store,
    fake_ports,
)

ORIGIN = "http://127.0.0.1:8390"
NOW_NS = NOON_NS + 3600 * S  # 2026-09-10T13:00:00Z
API = "/api/v1"
# A reading with a baseline, both alternations and all that can be taken off.
CHECKED: dict[str, Any] = {
    "since_pct": 0.9,
    "since_u_pct": 0.004,
    "baseline_taken_ns": NOON_NS + S,
    "baseline_recorded_ns": NOON_NS + 2 * S,
    "up_alternation_pct": 0.98,
    "up_alternation_u_pct": 0.06,
    "down_alternation_pct": 1.03,
    "down_alternation_u_pct": 0.05,
    "by_alternation": True,
    "polygon_taken_pct": -0.002,
    "delay_taken_pct": 0.006,
    "temperature_taken_pct": 0.028,
    "load_taken_pct": 0.0,
}
# The same as the API gives it.
CHECKED_JSON: dict[str, Any] = {
    **{name: value for name, value in CHECKED.items() if not name.startswith("baseline")},
    "baseline_taken": "2026-09-10T12:00:01Z",
    "baseline_recorded": "2026-09-10T12:00:02Z",
}


@dataclass(frozen=True, slots=True)
class Plant:
    """An app with what it stands on, and a client that asks it."""

    ports: Ports
    app: FastAPI
    client: Client

    def get(self, path: str, **how: Any) -> Any:
        """Return the JSON of an answer of the API that must be 200."""
        answer = self.client.get(API + path, **how)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def page(self, path: str, status: int = 200) -> str:
        """Return the text of a page."""
        answer = self.client.get(path, headers={"Accept": "text/html"})
        assert answer.status_code == status, answer.text
        assert answer.headers["content-type"] == "text/html; charset=utf-8"
        return answer.text

    def post_form(self, path: str, **fields: str) -> Any:
        """Return the answer to a form that a browser posts from our own page."""
        headers = {"Accept": "text/html", "Origin": ORIGIN, "Sec-Fetch-Site": "same-origin"}
        return self.client.post(path, data=fields, headers=headers, follow_redirects=False)


def app_on(
    ports: Ports,
    *,
    now_ns: Callable[[], int] = lambda: NOW_NS,
    zone: tzinfo = UTC,
    broker_status: Callable[[], Mapping[str, Any]] | None = None,
    worker_registry: CollectorRegistry | None = None,
    **settings: Any,
) -> FastAPI:
    """Return an app on these ports."""
    return create_app(
        ports,
        broker_status=broker_status,
        worker_registry=worker_registry,
        settings=WebSettings(zone=zone, **settings),
        now_ns=now_ns,
    )


@cache
def openapi_document() -> dict[str, Any]:
    """The description of the API, made once: it takes a second. Not to be changed."""
    return create_app(fake_ports()).openapi()


@contextmanager
def a_plant(kind: str = FAKE, **how: Any) -> Iterator[Plant]:
    """An app on an empty store."""
    with a_store(kind) as ports:
        app = app_on(ports, **how)
        yield Plant(ports, app, Client(app, base_url=ORIGIN, raise_server_exceptions=False))


def with_press(plant: Plant) -> None:
    """Register drive press-3 with its chain and baseline."""
    plant.ports.register.add_drive(A_DRIVE)
    plant.ports.register.fit_chain(A_CHAIN)
    plant.ports.register.record_baseline(A_BASELINE)


def add(plant: Plant, drive_id: str, pct: float | None = None, **more: Any) -> None:
    """Register a drive of the general limit (3 %), with a chain and, unless `pct` is None, one reading just now."""
    plant.ports.register.add_drive(Drive(drive_id=drive_id, whole_pitches=20, **more))
    plant.ports.register.fit_chain(
        Chain(
            chain_id=f"{drive_id}-a", drive_id=drive_id, designation="16B-1", pitch_mm=25.4, fitted_ns=NOON_NS
        )
    )
    if pct is not None:
        plant.ports.readings.store([reading_of(drive_id, 3599, pct)])


def reading_of(drive_id: str, at_s: float, pct: float | None, **more: Any) -> Reading:
    """Return a clean reading of a drive that ends `at_s` after noon; stopped where `pct` is None."""
    clean = {"up_missed": 0, "down_missed": 0, "up_extra": 0, "down_extra": 0, "by_alternation": False}
    return replace(
        a_reading(at_s, pct), **{"drive_id": drive_id, "chain_id": f"{drive_id}-a", **clean, **more}
    )


def not_measured(drive_id: str, at_s: float, reason: NotMeasured, **more: Any) -> Reading:
    """Return a reading without an elongation, for a reason."""
    return reading_of(drive_id, at_s, None, **{"reason": reason, **more})
