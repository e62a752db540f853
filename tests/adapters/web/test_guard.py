"""Who may ask, from where, how much; and what stands on every answer."""

from collections.abc import Iterator
from typing import Any

import pytest

from service.adapters.web.guard import host_name
from tests.adapters.web.plant import API, ORIGIN, Plant, a_plant, with_press
from tests.contracts.given import FAKE

A_NEW_DRIVE = {"drive_id": "x", "whole_pitches": 20}


@pytest.mark.parametrize(
    "host", ["127.0.0.1:8390", "127.0.0.1", "localhost:8390", "LOCALHOST", "[::1]:8390", "localhost."]
)
def test_loopback_names_are_answered(fake_plant: Plant, host: str) -> None:
    assert fake_plant.client.get("/health/live", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize(
    "host",
    ["evil.example", "evil.example:8390", "127.0.0.1.evil.example", "10.1.2.3", "", "localhost@evil.example"],
)
def test_any_other_name_is_refused_before_anything_is_looked_at(fake_plant: Plant, host: str) -> None:
    """DNS rebinding: a stranger's name that resolves to this machine."""
    answer = fake_plant.client.get(f"{API}/drives", headers={"Host": host})
    assert answer.status_code == 421
    assert answer.headers["content-type"] == "application/problem+json"
    assert "web.allowed_hosts" in answer.json()["detail"]


def test_a_name_that_was_allowed_is_answered() -> None:
    with a_plant(FAKE, allowed_hosts=("chains.plant.example",)) as plant:
        allowed = {"Host": "chains.plant.example:443"}
        assert plant.client.get("/health/live", headers=allowed).status_code == 200
        assert plant.client.get("/health/live").status_code == 421


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1:9999"},  # another service of this machine is another site's neighbour
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site", "Origin": ORIGIN},
    ],
)
@pytest.mark.parametrize("method", ["POST", "PUT", "PATCH", "DELETE"])
def test_changes_from_another_site_are_refused(
    fake_plant: Plant, headers: dict[str, str], method: str
) -> None:
    with_press(fake_plant)
    answer = fake_plant.client.request(method, f"{API}/drives/press-3", headers=headers, json=A_NEW_DRIVE)
    assert answer.status_code == 403
    assert answer.headers["content-type"] == "application/problem+json"


def test_a_form_that_another_site_posts_is_refused_and_nothing_is_registered(fake_plant: Plant) -> None:
    answer = fake_plant.client.post(
        "/drives/new",
        data={"drive_id": "x", "whole_pitches": "20"},
        headers={"Origin": "http://evil.example"},
    )
    assert answer.status_code == 403
    assert fake_plant.ports.register.drives() == []


@pytest.mark.parametrize(
    "headers", [{}, {"Origin": ORIGIN}, {"Origin": ORIGIN, "Sec-Fetch-Site": "same-origin"}]
)
def test_changes_from_our_own_pages_and_from_programs_are_taken(
    fake_plant: Plant, headers: dict[str, str]
) -> None:
    answer = fake_plant.client.post(f"{API}/drives", headers=headers, json=A_NEW_DRIVE)
    assert answer.status_code == 201


def test_reading_from_another_site_gets_no_permission_to_see_the_answer(fake_plant: Plant) -> None:
    answer = fake_plant.client.get(f"{API}/drives", headers={"Origin": "http://evil.example"})
    assert not [name for name in answer.headers if name.startswith("access-control-")]
    assert answer.headers["cross-origin-resource-policy"] == "same-origin"


def test_a_preflight_is_not_answered_with_any_permission(fake_plant: Plant) -> None:
    answer = fake_plant.client.options(
        f"{API}/drives",
        headers={"Origin": "http://evil.example", "Access-Control-Request-Method": "POST"},
    )
    assert answer.status_code == 405
    assert not [name for name in answer.headers if name.startswith("access-control-")]


def small_plant() -> Any:
    return a_plant(FAKE, body_bytes_max=1000)


@pytest.mark.parametrize("length", [b"1001", b"-1", b"9" * 30, b"1e3", "٣".encode()])
def test_a_body_that_says_it_is_too_large_is_refused(length: bytes) -> None:
    with small_plant() as plant:
        answer = plant.client.post(f"{API}/drives", headers=[(b"content-length", length)], content=b"x")
        assert answer.status_code == 413
        assert "1000 bytes" in answer.json()["detail"]


def test_a_body_that_only_grows_too_large_is_refused_too() -> None:
    def chunks() -> Iterator[bytes]:
        for _ in range(20):
            yield b"x" * 100

    with small_plant() as plant:
        answer = plant.client.post(f"{API}/drives", content=chunks())
        assert answer.status_code == 413
        assert answer.headers["content-type"] == "application/problem+json"


def test_a_body_at_the_limit_arrives_whole() -> None:
    note = "n" * (1000 - len('{"drive_id":"x","whole_pitches":20,"note":""}'))
    with small_plant() as plant:
        answer = plant.client.post(f"{API}/drives", json=A_NEW_DRIVE | {"note": note})
        assert answer.status_code == 201
        assert plant.ports.register.drive("x").note == note


@pytest.mark.parametrize(
    "path", ["/", f"{API}/drives", "/static/linklag.css", "/nowhere", "/health/live", f"{API}/nowhere"]
)
def test_strict_headers_stand_on_every_answer(fake_plant: Plant, path: str) -> None:
    headers = fake_plant.client.get(path).headers
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "frame-ancestors 'none'" in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["x-frame-options"] == "DENY"
    assert headers["referrer-policy"] == "same-origin"
    assert headers["cache-control"] == ("no-cache" if path.startswith("/static") else "no-store")
    assert "server" not in headers


def test_strict_headers_stand_on_a_refusal_too(fake_plant: Plant) -> None:
    answer = fake_plant.client.get("/", headers={"Host": "evil.example"})
    assert "default-src 'none'" in answer.headers["content-security-policy"]


@pytest.mark.parametrize(
    ("host", "name"),
    [("A.b:80", "a.b"), ("[::1]:80", "[::1]"), ("[::1]", "[::1]"), ("a.", "a"), ("a.:1", "a"), (":80", "")],
)
def test_the_name_in_a_host_header_is_found(host: str, name: str) -> None:
    assert host_name(host) == name
