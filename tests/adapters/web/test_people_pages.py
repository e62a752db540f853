"""Pages and API by which people and programs are let in, and the audit log."""

import re
from collections.abc import Iterator
from typing import Any

import pytest

from service.core.people import Role
from tests.adapters.web.people_plant import OTHER, PASSWORD, PeoplePlant, a_peopled_plant, from_page
from tests.adapters.web.plant import API, a_plant
from tests.contracts.given import A_DRIVE, STORES

HTML = {"Accept": "text/html"}


@pytest.fixture(params=STORES)
def plant(request: pytest.FixtureRequest) -> Iterator[PeoplePlant]:
    with a_peopled_plant(request.param) as made:
        yield made


def page(plant: PeoplePlant, path: str, status: int = 200) -> str:
    answer = plant.client.get(path, headers=plant.session("admin") | HTML)
    assert answer.status_code == status, answer.text
    return str(answer.text)


def post(plant: PeoplePlant, path: str, **fields: Any) -> Any:
    return plant.client.post(path, data=fields, headers=plant.session("admin") | from_page())


def test_a_person_is_let_in_and_the_password_is_shown_this_once(plant: PeoplePlant) -> None:
    answer = post(plant, "/people", name="m.brandt", full_name="Mara <b>Brandt", role="operator")
    assert answer.status_code == 200
    password = re.search(r'class="secret">([^<]+)<', answer.text)
    assert password is not None
    assert answer.headers["cache-control"] == "no-store"
    listed = page(plant, "/people")
    assert password[1] not in listed
    assert "Mara &lt;b&gt;Brandt" in listed
    assert plant.sign_in("m.brandt", password[1]).headers["location"] == "/password"


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"name": "M Brandt", "role": "viewer"}, "is no id"),
        ({"name": "admin", "role": "viewer"}, "another name"),
        ({"name": "m.brandt", "role": "root"}, "is no role"),
    ],
)
def test_what_cannot_be_comes_back_with_what_was_typed(
    plant: PeoplePlant, fields: dict[str, str], said: str
) -> None:
    answer = post(plant, "/people", **fields, full_name="Mara Brandt")
    assert answer.status_code == 422
    assert said in answer.text
    assert 'value="Mara Brandt"' in answer.text
    assert len(plant.ports.people.people()) == 4


def test_roles_locks_and_passwords_are_changed_by_their_buttons(plant: PeoplePlant) -> None:
    for act, fields in [("role", {"role": "engineer"}), ("lock", {"why": "left"}), ("unlock", {})]:
        assert post(plant, f"/people/o.operator/{act}", **fields).status_code == 303
    reset = post(plant, "/people/o.operator/reset")
    assert 'class="secret"' in reset.text
    found = plant.ports.people.person("o.operator")
    assert found is not None
    assert (found.role, found.locked_ns, found.must_change) == (Role.ENGINEER, None, True)
    entries = plant.ports.audit_log.entries(subject="person o.operator")
    assert [(entry.what, entry.by) for entry in entries] == [
        ("password reset", "admin"),
        ("person unlocked", "admin"),
        ("person locked", "admin"),
        ("role changed", "admin"),
    ]


@pytest.mark.parametrize(("act", "fields"), [("lock", {}), ("role", {"role": "viewer"}), ("fly", {})])
def test_what_would_leave_nobody_in_charge_is_refused_in_words(
    plant: PeoplePlant, act: str, fields: dict[str, str]
) -> None:
    answer = post(plant, f"/people/admin/{act}", **fields)
    assert answer.status_code == 422
    assert "last administrator" in answer.text or "buttons of the page" in answer.text


def test_a_token_is_made_shown_once_used_and_revoked(plant: PeoplePlant) -> None:
    answer = post(plant, "/tokens", name="scada", role="viewer", days="30", only=["drives", "readings"])
    assert answer.status_code == 200, answer.text
    text = re.search(r'class="secret">(linklag_[^<]+)<', answer.text)
    assert text is not None
    used = plant.client.get(f"{API}/drives", headers={"Authorization": f"Bearer {text[1]}"})
    assert used.status_code == 200
    listed = page(plant, "/tokens")
    assert text[1] not in listed
    assert "viewer, drives, readings" in listed
    assert "never" not in listed
    assert post(plant, "/tokens/scada/revoke").status_code == 303
    assert "<b>revoked</b>" in page(plant, "/tokens")


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"days": "soon"}, "whole number of days"),
        ({"days": "4000"}, "a token ends some day"),
        ({"name": "Two Words"}, "is no id"),
        ({"role": "administrator"}, "cannot be administrator"),
    ],
)
def test_a_token_that_cannot_be_is_told_why(plant: PeoplePlant, fields: dict[str, str], said: str) -> None:
    answer = post(plant, "/tokens", **{"name": "scada", "role": "viewer", "days": "30"} | fields)
    assert answer.status_code == 422
    assert said in answer.text
    assert plant.ports.tokens.tokens() == []


def test_the_parts_that_a_token_may_be_for_are_those_of_the_api(plant: PeoplePlant) -> None:
    shown = set(re.findall(r'name="only" value="([^"]+)"', page(plant, "/tokens")))
    assert {"drives", "readings", "catalogue", "stream"} <= shown
    assert not shown & {"me", "health", "people", "tokens"}


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"old": "wrong"}, "not your password"),
        ({"again": "something else"}, "not the same"),
        ({"new": "short", "again": "short"}, "fewer than 12"),
    ],
)
def test_a_password_that_is_not_changed_says_why(
    plant: PeoplePlant, fields: dict[str, str], said: str
) -> None:
    answer = post(plant, "/password", **{"old": PASSWORD, "new": OTHER, "again": OTHER} | fields)
    assert answer.status_code == 422
    assert said in answer.text
    assert OTHER not in answer.text
    assert plant.sign_in("admin", PASSWORD).status_code == 303


def test_the_audit_log_is_shown_in_pages_newest_first(plant: PeoplePlant) -> None:
    for n in range(60):
        post(plant, "/drives/new", drive_id=f"d-{n}", whole_pitches="20")
    first = page(plant, "/audit")
    assert "d-59" in first
    assert "d-0<" not in first
    older = re.search(r'href="(/audit\?before=\d+)"', first)
    assert older is not None
    assert "drive d-0<" in page(plant, older[1])
    assert page(plant, "/audit?subject=drive%20d-7").count("drive added") == 1


def test_the_api_gives_the_same(plant: PeoplePlant) -> None:
    headers = plant.session("admin")
    made = plant.client.post(f"{API}/people", json={"name": "m.brandt", "role": "operator"}, headers=headers)
    assert made.status_code == 201, made.text
    assert made.json()["person"]["must_change_password"] is True
    assert plant.sign_in("m.brandt", made.json()["one_time_password"]).status_code == 303
    base = f"{API}/people/m.brandt"
    changed = plant.client.post(f"{base}/role", json={"role": "viewer", "why": "asked for"}, headers=headers)
    assert changed.json()["role"] == "viewer"
    assert plant.client.post(f"{base}/lock", json={}, headers=headers).json()["locked"]
    assert plant.client.post(f"{base}/unlock", json={}, headers=headers).json()["locked"] is None
    assert plant.client.post(f"{base}/reset", json={}, headers=headers).json()["one_time_password"]
    names = [each["name"] for each in plant.client.get(f"{API}/people", headers=headers).json()]
    assert names == ["admin", "e.engineer", "m.brandt", "o.operator", "v.viewer"]
    token = {"name": "scada", "role": "viewer", "only": ["alerts"], "days": 30}
    issued = plant.client.post(f"{API}/tokens", json=token, headers=headers).json()
    assert issued["text"].startswith("linklag_")
    assert issued["token"]["expires"] == "2026-10-10T13:00:00Z"
    assert plant.client.delete(f"{API}/tokens/scada?why=sold", headers=headers).status_code == 204
    assert plant.client.get(f"{API}/tokens", headers=headers).json()[0]["good"] is False
    entries = plant.client.get(f"{API}/audit?rows_max=2", headers=headers).json()
    assert [(each["what"], each["why"]) for each in entries] == [
        ("token revoked", "sold"),
        ("token added", ""),
    ]
    older = plant.client.get(f"{API}/audit?before={entries[-1]['number']}", headers=headers).json()
    assert older[0]["what"] == "password reset"


@pytest.mark.parametrize(
    ("path", "body", "status"),
    [
        ("/people", {"name": "admin", "role": "viewer"}, 409),
        ("/people", {"name": "No Name", "role": "viewer"}, 422),
        ("/people/nobody/lock", {}, 404),
        ("/people/admin/lock", {}, 409),
        ("/tokens", {"name": "x", "role": "administrator", "days": 5}, 422),
    ],
)
def test_the_api_refuses_in_words(plant: PeoplePlant, path: str, body: dict[str, Any], status: int) -> None:
    answer = plant.client.post(API + path, json=body, headers=plant.session("admin"))
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"


def test_where_logins_are_off_nobody_can_be_let_in_for_later() -> None:
    """Whoever reaches this machine's page could make themselves a way in for when logins are on."""
    with a_plant() as plant:
        for path in ("/people", "/tokens"):
            assert "Logins are off" in plant.page(path)
            assert '<form method="post"' not in plant.page(path)
        answer = plant.client.post(f"{API}/people", json={"name": "x", "role": "administrator"})
        assert answer.status_code == 409
        assert "web.login" in answer.json()["detail"]
        assert plant.post_form("/tokens", name="x", role="viewer", days="3").status_code == 409
        assert plant.client.get("/sign-in", follow_redirects=False).headers["location"] == "/"
        assert plant.post_form("/sign-in", name="a", password="b").status_code == 409
        assert "logins are off" in plant.page("/password")


def test_the_sign_in_page_tells_nothing_of_the_plant(plant: PeoplePlant) -> None:
    plant.ports.register.add_drive(A_DRIVE)
    answer = plant.client.get("/sign-in", headers=HTML)
    assert answer.status_code == 200
    assert answer.text.count("<nav") == answer.text.count('<nav class="languages"') == 1
    assert "/static/linklag.js" not in answer.text
    assert "press-3" not in answer.text


def test_pages_name_who_is_signed_in_and_offer_what_the_role_may(plant: PeoplePlant) -> None:
    viewer = plant.client.get("/", headers=plant.session("v.viewer") | HTML).text
    assert ">v.viewer</a>" in viewer
    assert "/drives/new" not in viewer.split("<main", 1)[0]
    settings = plant.client.get("/settings", headers=plant.session("v.viewer") | HTML).text
    assert not any(f'href="{path}"' in settings for path in ("/people", "/tokens", "/audit", "/import"))
    assert 'href="/people"' in page(plant, "/settings")
