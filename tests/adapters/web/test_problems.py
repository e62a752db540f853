"""Every error is application/problem+json with the fix in words; a browser gets the same as a page."""

from typing import Any

import pytest

from tests.adapters.web.plant import API, Plant, with_press
from tests.fakes import FakeReadings, FakeRefused, FakeRegister

PROBLEM = "application/problem+json"


def problem(answer: Any, status: int) -> dict[str, Any]:
    """Return the members of a problem (RFC 9457, 3.1), having checked those that every problem has."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == PROBLEM
    body: dict[str, Any] = answer.json()
    assert body["status"] == status
    assert body["type"].startswith("urn:linklag:problem:")
    assert body["title"]
    assert body["detail"]
    assert body["instance"].startswith("/")
    return body


@pytest.mark.parametrize(
    ("method", "path", "json", "status", "said"),
    [
        ("GET", "/nowhere", None, 404, "openapi.json"),
        ("GET", "/drives/none", None, 404, "'none'"),
        ("PUT", "/drives/none", {"whole_pitches": 3}, 404, "'none'"),
        ("GET", "/drives/none/readings", None, 404, "'none'"),
        ("GET", "/drives/press-3/chains/x/baselines", None, 404, "no chain 'x'"),
        ("GET", "/rejections/99", None, 404, "no rejection 99"),
        ("POST", "/sightings/none/register", {"whole_pitches": 3}, 404, "no unregistered drive"),
        ("DELETE", "/drives/press-3", None, 405, "takes"),
        ("POST", "/drives", {"drive_id": "press-3", "whole_pitches": 3}, 409, "registered already"),
        ("POST", "/drives/press-3/chains", {"designation": "16B"}, 409, "press-3-a"),
        ("POST", "/drives", {"drive_id": "x"}, 422, "whole_pitches: is missing: give it"),
        (
            "POST",
            "/drives",
            {"drive_id": "x", "whole_pitches": 3, "pitches": 4},
            422,
            "pitches: is no field here: take it out",
        ),
        ("POST", "/drives", {"drive_id": "Not Valid", "whole_pitches": 3}, 422, "small letters"),
        ("POST", "/drives", {"drive_id": "x", "whole_pitches": -3}, 422, "whole_pitches: -3"),
        ("PATCH", "/drives/press-3", {"driver_teeth": 1}, 422, "driver_teeth: 1"),
        ("PATCH", "/drives/press-3", {"name": None}, 422, "name"),
        ("POST", "/drives/press-3/chains", {"designation": "99Z"}, 422, "99Z"),
        ("POST", "/drives/press-3/chains/press-3-a/take-off", {"why": "", "removed": "now"}, 422, "RFC 3339"),
        ("GET", "/drives/press-3/readings?resolution=second", None, 422, "resolution"),
        ("GET", "/drives/press-3/readings?from=yesterday", None, 422, "RFC 3339"),
        ("GET", "/drives/press-3/readings?since=1", None, 422, "since"),
        ("GET", "/catalogue/chains?designation=99Z", None, 404, "99Z"),
        ("GET", "/catalogue/identify?length_mm=-1", None, 422, "length_mm"),
        ("GET", "/rejections/seventeen", None, 422, "number"),
    ],
)
def test_what_is_asked_wrongly_is_told_with_the_fix(
    fake_plant: Plant, method: str, path: str, json: Any, status: int, said: str
) -> None:
    with_press(fake_plant)
    body = problem(fake_plant.client.request(method, API + path, json=json), status)
    assert said in body["detail"]


def test_every_field_that_is_not_valid_is_told_at_once(fake_plant: Plant) -> None:
    answer = fake_plant.client.post(
        f"{API}/drives", json={"drive_id": "x", "whole_pitches": -3, "offset_pitches": 7, "driver_teeth": 1}
    )
    errors = problem(answer, 422)["errors"]
    assert {each["field"] for each in errors} == {"whole_pitches", "offset_pitches", "driver_teeth"}
    assert all(each["detail"] for each in errors)


@pytest.mark.parametrize(
    ("body", "content_type"),
    [
        (b"{", "application/json"),
        (b"\xff\xfe", "application/json"),
        (b'{"drive_id": "x", "whole_pitches": NaN}', "application/json"),
        (b'{"drive_id": "x", "whole_pitches": 3, "offset_pitches": 1e999}', "application/json"),
        (b"[" * 5000, "application/json"),
        (b"drive_id=x&whole_pitches=3", "application/x-www-form-urlencoded"),
        (b'{"drive_id": "x", "whole_pitches": 3}', "text/plain"),
        (b"", "application/json"),
    ],
)
def test_a_body_that_is_no_json_is_told_so_and_nothing_is_stored(
    fake_plant: Plant, body: bytes, content_type: str
) -> None:
    answer = fake_plant.client.post(f"{API}/drives", content=body, headers={"Content-Type": content_type})
    assert answer.status_code in {400, 422}
    problem(answer, answer.status_code)
    assert fake_plant.ports.register.drives() == []


@pytest.mark.parametrize(
    ("method", "path", "json"),
    [
        ("GET", "/drives", None),
        ("GET", "/readings/newest", None),
        ("GET", "/drives/press-3/readings", None),
        ("GET", "/rejections", None),
        ("GET", "/sightings", None),
        ("POST", "/drives", {"drive_id": "x", "whole_pitches": 3}),
    ],
)
def test_a_store_that_is_down_is_a_503_that_says_when_to_try_again(
    fake_plant: Plant, method: str, path: str, json: Any
) -> None:
    with_press(fake_plant)
    for port in (fake_plant.ports.readings, fake_plant.ports.register, fake_plant.ports.refused):
        assert isinstance(port, FakeReadings | FakeRegister | FakeRefused)
        port.down = "disk full"
    answer = fake_plant.client.request(method, API + path, json=json)
    assert "disk full" in problem(answer, 503)["detail"]
    assert int(answer.headers["retry-after"]) > 0


def test_a_fault_of_ours_tells_no_secrets(fake_plant: Plant, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken() -> None:
        raise RuntimeError("secret detail")

    monkeypatch.setattr(fake_plant.ports.refused, "sightings", broken)
    answer = fake_plant.client.get(f"{API}/sightings")
    problem(answer, 500)
    assert "secret" not in answer.text


def test_a_browser_gets_the_same_as_a_page(fake_plant: Plant) -> None:
    page = fake_plant.page("/drives/none", 404)
    assert "<h1>Not found</h1>" in page
    assert "&#39;none&#39;" in page
    assert "<h1>Not found</h1>" in fake_plant.page("/nowhere", 404)


def test_a_browser_is_told_that_the_store_is_down_and_when_to_try_again(fake_plant: Plant) -> None:
    for port in (fake_plant.ports.readings, fake_plant.ports.register, fake_plant.ports.refused):
        assert isinstance(port, FakeReadings | FakeRegister | FakeRefused)
        port.down = "disk full"
    answer = fake_plant.client.get("/", headers={"Accept": "text/html"})
    assert answer.status_code == 503
    assert "disk full" in answer.text
    assert "retry-after" in answer.headers
