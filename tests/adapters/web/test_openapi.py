"""The description of the API is complete: every route, each with words, an example and its problems."""

from collections.abc import Iterator
from typing import Any

import pytest
from fastapi.routing import APIRoute

from service.adapters.web import (
    api_alerts,
    api_catalogue,
    api_changes,
    api_commission,
    api_drives,
    api_forecasts,
    api_groups,
    api_hand,
    api_handovers,
    api_health,
    api_import,
    api_lives,
    api_map,
    api_people,
    api_plan,
    api_quality,
    api_readings,
    api_refused,
    api_routes,
    api_sensing,
    api_setpoints,
    api_shifts,
    api_stream,
)
from service.adapters.web.app import create_app
from tests.adapters.web.plant import API, openapi_document
from tests.contracts.given import fake_ports

ROUTES = {
    "GET /api/v1/readings/newest",
    "GET /api/v1/drives/{drive_id}/readings",
    "GET /api/v1/drives/{drive_id}/superseded",
    "GET /api/v1/stream",
    "GET /api/v1/drives/{drive_id}/sensing",
    "GET /api/v1/drives/{drive_id}/account",
    "GET /api/v1/alerts",
    "GET /api/v1/alerts/transitions",
    "GET /api/v1/alerts/stream",
    "GET /api/v1/alerts/quality",
    "POST /api/v1/alerts/acknowledge",
    "GET /api/v1/alerts/{alert_id}",
    "GET /api/v1/alerts/{alert_id}/history",
    "POST /api/v1/alerts/{alert_id}/acknowledge",
    "POST /api/v1/alerts/{alert_id}/shelve",
    "POST /api/v1/alerts/{alert_id}/unshelve",
    "POST /api/v1/alerts/{alert_id}/out-of-service",
    "POST /api/v1/alerts/{alert_id}/back-in-service",
    "POST /api/v1/alerts/{alert_id}/comments",
    "POST /api/v1/alerts/{alert_id}/work-order",
    "GET /api/v1/forecasts",
    "GET /api/v1/forecasts/quality",
    "GET /api/v1/drives/{drive_id}/forecast",
    "GET /api/v1/drives/{drive_id}/forecasts",
    "GET /api/v1/setpoints",
    "GET /api/v1/setpoints/overrides",
    "PUT /api/v1/setpoints/{kind}",
    "DELETE /api/v1/setpoints/{kind}",
    "GET /api/v1/drives",
    "GET /api/v1/drives.csv",
    "POST /api/v1/drives/import",
    "GET /api/v1/groups/{kind}",
    "POST /api/v1/groups/{kind}/rename",
    "POST /api/v1/groups/{kind}/move",
    "POST /api/v1/drives",
    "GET /api/v1/drives/{drive_id}",
    "PUT /api/v1/drives/{drive_id}",
    "PATCH /api/v1/drives/{drive_id}",
    "POST /api/v1/drives/{drive_id}/retire",
    "POST /api/v1/drives/{drive_id}/bring-back",
    "GET /api/v1/drives/{drive_id}/chains",
    "POST /api/v1/drives/{drive_id}/chains",
    "POST /api/v1/drives/{drive_id}/chains/{chain_id}/take-off",
    "GET /api/v1/drives/{drive_id}/chains/{chain_id}/baselines",
    "POST /api/v1/drives/{drive_id}/chains/{chain_id}/baselines",
    "GET /api/v1/drives/{drive_id}/hand-values",
    "POST /api/v1/drives/{drive_id}/hand-values",
    "POST /api/v1/drives/{drive_id}/hand-values/baseline",
    "GET /api/v1/drives/{drive_id}/card",
    "GET /api/v1/drives/{drive_id}/commissioning",
    "POST /api/v1/drives/{drive_id}/commissioning/baseline",
    "POST /api/v1/drives/{drive_id}/commissioning/delay",
    "POST /api/v1/drives/{drive_id}/commissioning/bracket-touched",
    "GET /api/v1/drives/{drive_id}/learnt",
    "POST /api/v1/drives/{drive_id}/learnt/strain",
    "GET /api/v1/sites",
    "PUT /api/v1/sites",
    "GET /api/v1/shifts",
    "GET /api/v1/work",
    "POST /api/v1/work",
    "POST /api/v1/work/{work_id}/close",
    "GET /api/v1/notes",
    "POST /api/v1/notes",
    "GET /api/v1/handovers",
    "POST /api/v1/handovers",
    "GET /api/v1/handovers/preview",
    "GET /api/v1/handovers/{number}",
    "GET /api/v1/handovers/{number}.csv",
    "GET /api/v1/handovers/{number}/content",
    "POST /api/v1/handovers/{number}/signatures",
    "POST /api/v1/handovers/{number}/receipts",
    "GET /api/v1/routes",
    "POST /api/v1/routes",
    "GET /api/v1/routes/{route_id}",
    "PUT /api/v1/routes/{route_id}",
    "DELETE /api/v1/routes/{route_id}",
    "POST /api/v1/routes/{route_id}/secret",
    "POST /api/v1/routes/{route_id}/test",
    "POST /api/v1/routes/{route_id}/retry",
    "POST /api/v1/routes/{route_id}/drop",
    "GET /api/v1/rejections",
    "GET /api/v1/rejections/{number}",
    "GET /api/v1/sightings",
    "POST /api/v1/sightings/{drive_id}/register",
    "DELETE /api/v1/sightings/{drive_id}",
    "GET /api/v1/changes",
    "GET /api/v1/changes.csv",
    "GET /api/v1/changes.ics",
    "GET /api/v1/drives/{drive_id}/change",
    "GET /api/v1/stops",
    "POST /api/v1/stops",
    "PUT /api/v1/stops/{number}",
    "DELETE /api/v1/stops/{number}",
    "GET /api/v1/supply",
    "PUT /api/v1/supply",
    "DELETE /api/v1/supply",
    "GET /api/v1/duty-plans",
    "PUT /api/v1/duty-plans/{drive_id}",
    "DELETE /api/v1/duty-plans/{drive_id}",
    "GET /api/v1/catalogue/chains",
    "GET /api/v1/catalogue/identify",
    "GET /api/v1/plan",
    "GET /api/v1/drives/{drive_id}/map",
    "GET /api/v1/lives",
    "GET /api/v1/drives/{drive_id}/lives",
    "POST /api/v1/drives/{drive_id}/chains/{chain_id}/removal",
    "GET /api/v1/drives/{drive_id}/sprockets",
    "POST /api/v1/drives/{drive_id}/sprockets",
    "POST /api/v1/drives/{drive_id}/sprockets/{number}/take-off",
    "POST /api/v1/drives/{drive_id}/sprockets/{number}/inspections",
    "GET /api/v1/drives/{drive_id}/events",
    "POST /api/v1/drives/{drive_id}/events",
    "POST /api/v1/drives/{drive_id}/events/{number}/strike",
    "GET /api/v1/drives/{drive_id}/influence",
    "GET /api/v1/me",
    "GET /api/v1/people",
    "POST /api/v1/people",
    "POST /api/v1/people/{name}/role",
    "POST /api/v1/people/{name}/lock",
    "POST /api/v1/people/{name}/unlock",
    "POST /api/v1/people/{name}/reset",
    "GET /api/v1/tokens",
    "POST /api/v1/tokens",
    "DELETE /api/v1/tokens/{name}",
    "GET /api/v1/audit",
    "GET /health/live",
    "GET /health/ready",
    "GET /metrics",
}

APP = create_app(fake_ports())
DOCUMENT = openapi_document()


def operations() -> Iterator[tuple[str, dict[str, Any]]]:
    for path, methods in DOCUMENT["paths"].items():
        for method, operation in methods.items():
            yield f"{method.upper()} {path}", operation


OPERATIONS = dict(operations())


def resolved(schema: dict[str, Any]) -> dict[str, Any]:
    if "$ref" in schema:
        return resolved(DOCUMENT["components"]["schemas"][schema["$ref"].rsplit("/", 1)[1]])
    if schema.get("type") == "array":
        return resolved(schema["items"])
    return schema


def has_example(content: dict[str, Any]) -> bool:
    return "example" in content or "examples" in content or "examples" in resolved(content["schema"])


def test_exactly_these_routes_are_described() -> None:
    assert set(OPERATIONS) == ROUTES


def test_no_route_of_the_api_is_left_out_of_the_description() -> None:
    declared = set()
    for module in (
        api_readings,
        api_sensing,
        api_setpoints,
        api_stream,
        api_quality,
        api_alerts,
        api_drives,
        api_forecasts,
        api_groups,
        api_import,
        api_commission,
        api_hand,
        api_shifts,
        api_handovers,
        api_refused,
        api_routes,
        api_catalogue,
        api_changes,
        api_map,
        api_lives,
        api_plan,
        api_people,
        api_health,
    ):
        prefix = "" if module is api_health else API
        for route in module.router.routes:
            assert isinstance(route, APIRoute)
            declared |= {f"{method} {prefix}{route.path_format}" for method in route.methods or ()}
    assert declared == set(OPERATIONS)


@pytest.mark.parametrize("name", sorted(OPERATIONS))
def test_a_route_has_words_a_tag_and_an_example_of_what_it_gives(name: str) -> None:
    operation = OPERATIONS[name]
    assert operation["summary"]
    assert operation["description"]
    assert len(operation["tags"]) == 1
    good = {status: told for status, told in operation["responses"].items() if status.startswith("2")}
    assert good
    for told in good.values():
        assert told["description"]
        assert all(has_example(content) for content in told.get("content", {}).values())
        assert told.get("content") or name.startswith("DELETE")


@pytest.mark.parametrize("name", sorted(OPERATIONS))
def test_a_route_that_takes_a_body_shows_an_example_of_it(name: str) -> None:
    body = OPERATIONS[name].get("requestBody")
    if body is not None:
        assert all(has_example(content) for content in body["content"].values())


@pytest.mark.parametrize("name", sorted(OPERATIONS))
def test_every_problem_of_a_route_is_problem_json_with_an_example(name: str) -> None:
    problems = {s: told for s, told in OPERATIONS[name]["responses"].items() if s.startswith(("4", "5"))}
    assert {"422", "503"} <= set(problems)
    for status, told in problems.items():
        if (name, status) == ("GET /health/ready", "503"):
            continue  # says which part is down
        assert list(told["content"]) == ["application/problem+json"]
        content = told["content"]["application/problem+json"]
        assert content["schema"] == {"$ref": "#/components/schemas/Problem"}
        assert content["example"]["status"] == int(status)
    if "{" in name:
        assert "404" in problems


def test_every_parameter_of_a_path_says_what_it_is() -> None:
    for operation in OPERATIONS.values():
        for parameter in operation.get("parameters", []):
            if parameter["in"] == "path":
                assert parameter["description"]


def test_nothing_but_our_own_schemas_is_left_in_the_document() -> None:
    assert "Problem" in DOCUMENT["components"]["schemas"]
    assert "HTTPValidationError" not in DOCUMENT["components"]["schemas"]
    assert {tag["name"] for tag in DOCUMENT["tags"]} == {
        operation["tags"][0] for operation in OPERATIONS.values()
    }
