"""Every route of the API, asked whatever its description allows and much that it does not: no fault of the server.

What schemathesis makes of the OpenAPI document, and the examples in it, are sent to an app on a store with drives, chains,
readings and alerts. Half of the time ids in paths are those that are there, so that more than "not found" is reached. Streams
are left out, for they have no end; requests that may wait are told not to.
"""

from collections.abc import Iterator
from copy import deepcopy
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from schemathesis.checks import not_a_server_error
from schemathesis.core.failures import FailureGroup
from schemathesis.core.result import Ok
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from service.adapters.web.instants import instant_ns
from tests.adapters.web.alerted import occur, with_alerts
from tests.adapters.web.plant import ORIGIN, Plant, a_plant, add, openapi_document, reading_of
from tests.contracts.given import FAKE, NOON_NS, SQLITE, S

EXAMPLES = 8  # of each route: the whole takes well under a minute
# Ids that are there, by the name of the parameter.
KNOWN = {"drive_id": "infeed-2", "chain_id": "infeed-2-a", "alert_id": "infeed-2.near"}
NOW_NS = instant_ns("2026-11-25T08:30:00Z")  # soon after what the examples tell of
CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
]

SCHEMA = schemathesis.openapi.from_dict(deepcopy(openapi_document()))
OPERATIONS = {
    f"{each.method.upper()} {each.path}": each
    for each in (found.ok() for found in SCHEMA.get_all_operations() if isinstance(found, Ok))
}
ENDLESS = {name for name in OPERATIONS if name.endswith("/stream")}


def full(plant: Plant) -> Plant:
    with_alerts(plant)
    add(plant, "infeed-2", 1.5, site="Lehmgrund")
    occur(plant, "infeed-2")
    plant.ports.readings.store([reading_of("infeed-2", (NOW_NS - NOON_NS) / S - 5, 1.6)])
    return plant


@pytest.fixture(scope="module")
def full_plant() -> Iterator[Plant]:
    """One for all routes: what one changes another meets, and it takes a fraction of the time."""
    with a_plant(SQLITE, now_ns=lambda: NOW_NS) as plant:
        yield full(plant)


def ask(plant: Plant, name: str) -> None:
    """Send the examples in the description of a route, then what it allows and what it does not."""
    operation = OPERATIONS[name]
    for example in operation.get_strategies_from_examples():
        _send(plant, example, 1, st.just(value=True))
    _send(plant, operation.as_strategy(), EXAMPLES, st.booleans())


def _send(plant: Plant, cases: Any, count: int, knowns: st.SearchStrategy[bool]) -> None:
    @settings(
        max_examples=count,
        deadline=None,
        database=None,
        derandomize=True,
        suppress_health_check=list(HealthCheck),
    )
    @given(case=cases, known=knowns)
    def send(case: Any, *, known: bool) -> None:
        if known and case.path_parameters:
            case.path_parameters = {key: KNOWN.get(key, value) for key, value in case.path_parameters.items()}
        if isinstance(case.query, dict) and "wait_s" in case.query:
            case.query = {**case.query, "wait_s": 0}
        case.validate_response(answer_to(plant, case), checks=CHECKS)

    send()


def answer_to(plant: Plant, case: Any) -> Any:
    """Return the app's answer to a case."""
    how = case.as_transport_kwargs(base_url=ORIGIN)
    if "data" in how:
        how["content"] = how.pop("data")
    how.pop("cookies", None)
    return plant.client.request(**how)


@pytest.mark.parametrize("name", sorted(OPERATIONS.keys() - ENDLESS))
def test_nothing_that_is_sent_makes_the_server_fail(full_plant: Plant, name: str) -> None:
    ask(full_plant, name)


def test_a_route_that_fails_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    with a_plant(FAKE) as plant:
        full(plant)
        ask(plant, "GET /api/v1/alerts")

        def broken() -> int:
            raise ZeroDivisionError

        monkeypatch.setattr(plant.ports.alert_log, "newest_number", broken)
        with pytest.raises(FailureGroup, match="Server error"):
            ask(plant, "GET /api/v1/alerts")


def test_there_are_routes_to_ask() -> None:
    assert len(OPERATIONS.keys() - ENDLESS) > 50
