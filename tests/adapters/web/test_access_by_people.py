"""Who may do what: every route with every role, cookies, forms' tokens, tokens of programs, the end of sessions."""

import re
from collections.abc import Iterator
from typing import Any

import httpx2
import pytest
from fastapi import APIRouter, FastAPI

from service.adapters.web import access
from service.adapters.web.access import COOKIE, SECURE_COOKIE
from service.adapters.web.allowed import OPEN, Guarded, guarded_routes, needs, refuse_unguarded
from service.adapters.web.app import create_app
from service.adapters.web.caller import FORM_FIELD, FORM_HEADER
from service.core.people import Role
from service.sign_in import hash_of
from tests.adapters.web.people_plant import (
    HTTP,
    NAMES,
    OTHER,
    PASSWORD,
    PeoplePlant,
    a_people_plant,
    a_peopled_plant,
    from_page,
)
from tests.adapters.web.plant import API, a_plant
from tests.adapters.web.served import served
from tests.contracts.given import A_CHAIN, A_DRIVE, A_SIGHTING, STORES, S, fake_ports

ROUTES = [
    (method, route)
    for route in guarded_routes(create_app(fake_ports()))
    for method in sorted(route.methods - {"HEAD", "OPTIONS"})
]
CHANGING = [(method, route) for method, route in ROUTES if method != "GET"]
# Routes that change something and are not for operators and more: oneself, and nothing.
FOR_VIEWERS = {"/sign-in", "/sign-out", "/password", "/wall/key"}
ENGINEER, OPERATOR, ADMINISTRATOR = Role.ENGINEER, Role.OPERATOR, Role.ADMINISTRATOR
EXPECTED = {
    "POST /api/v1/drives": ENGINEER,
    "PUT /api/v1/drives/{drive_id}": ENGINEER,
    "PATCH /api/v1/drives/{drive_id}": ENGINEER,
    "POST /api/v1/drives/{drive_id}/retire": ENGINEER,
    "POST /api/v1/drives/{drive_id}/chains": ENGINEER,
    "POST /api/v1/drives/{drive_id}/hand-values": OPERATOR,
    "POST /api/v1/drives/{drive_id}/hand-values/baseline": ENGINEER,
    "POST /api/v1/drives/{drive_id}/commissioning/baseline": ENGINEER,
    "POST /api/v1/drives/{drive_id}/learnt/strain": ENGINEER,
    "DELETE /api/v1/sightings/{drive_id:path}": ENGINEER,
    "POST /api/v1/drives/import": ENGINEER,
    "POST /api/v1/groups/{kind}/rename": ENGINEER,
    "POST /import/confirm": ENGINEER,
    "POST /sites/move": ENGINEER,
    "POST /api/v1/stops": ENGINEER,
    "DELETE /api/v1/stops/{number}": ENGINEER,
    "PUT /api/v1/supply": ENGINEER,
    "PUT /api/v1/duty-plans/{drive_id}": ENGINEER,
    "POST /stops": ENGINEER,
    "POST /supply": ENGINEER,
    "POST /duty-plans": ENGINEER,
    "GET /api/v1/changes.ics": Role.VIEWER,
    "POST /drives/new": ENGINEER,
    "POST /drives/{drive_id}/edit": ENGINEER,
    "POST /drives/{drive_id}/hand": OPERATOR,
    "POST /drives/{drive_id}/hand/baseline": ENGINEER,
    "POST /drives/{drive_id}/commission/touched": ENGINEER,
    "POST /people": ADMINISTRATOR,
    "POST /people/{name}/{act}": ADMINISTRATOR,
    "POST /tokens": ADMINISTRATOR,
    "POST /api/v1/people": ADMINISTRATOR,
    "DELETE /api/v1/tokens/{name}": ADMINISTRATOR,
    "GET /people": ADMINISTRATOR,
    "GET /api/v1/tokens": ADMINISTRATOR,
    "GET /audit": ENGINEER,
    "GET /": Role.VIEWER,
    "GET /api/v1/drives": Role.VIEWER,
    "GET /metrics": Role.VIEWER,
    "GET /health/ready": Role.VIEWER,
}


def ids(case: tuple[str, Guarded]) -> str:
    return f"{case[0]} {case[1].path}"


@pytest.fixture(scope="module")
def plant() -> Iterator[PeoplePlant]:
    with a_peopled_plant() as made:
        yield made


@pytest.fixture
def fresh() -> Iterator[PeoplePlant]:
    with a_peopled_plant() as made:
        yield made


# Roles


def test_the_routes_of_the_app_are_seen() -> None:
    assert len(ROUTES) > 60
    seen = {ids(case): case[1].role for case in ROUTES}
    assert {name: seen.get(name) for name in EXPECTED} == EXPECTED


@pytest.mark.parametrize("case", ROUTES, ids=ids)
def test_every_route_asks_for_a_role_but_those_open_to_all(case: tuple[str, Guarded]) -> None:
    _, route = case
    assert (route.role is None) == (route.path in OPEN)


@pytest.mark.parametrize("case", CHANGING, ids=ids)
def test_no_viewer_changes_anything(case: tuple[str, Guarded]) -> None:
    _, route = case
    assert route.path in FOR_VIEWERS or (route.role or 0) >= Role.OPERATOR


def test_an_app_with_a_route_that_asks_for_no_role_is_not_served() -> None:
    app, router = FastAPI(), APIRouter()
    router.add_api_route("/guarded", lambda: None, dependencies=[needs(Role.VIEWER)])
    app.include_router(router)
    refuse_unguarded(app)
    router.add_api_route("/forgotten", lambda: None)
    app = FastAPI()
    app.include_router(router)
    with pytest.raises(RuntimeError, match="/forgotten asks for no role"):
        refuse_unguarded(app)


def filled(path: str) -> str:
    """A path with something in place of what stands in braces."""
    return re.sub(r"\{[^}]+\}", "1", path)


@pytest.mark.parametrize("case", ROUTES, ids=ids)
def test_a_route_answers_who_has_the_role_and_nobody_else(
    plant: PeoplePlant, case: tuple[str, Guarded]
) -> None:
    """401 for who is not known, 403 with the role in words for who has less, anything else for who has enough."""
    method, route = case
    path = filled(route.path)
    if route.path in OPEN:
        assert plant.client.request(method, path).status_code in {200, 303, 403}
        return
    stranger = plant.client.request(method, path)
    assert stranger.status_code == 401
    assert "realm" in stranger.headers["www-authenticate"]
    needed = route.role
    assert needed is not None
    for role in Role:
        if role >= needed and path.endswith("/stream"):
            continue  # without end; see below
        answer = plant.client.request(method, path, headers=plant.session(NAMES[role]))
        if role >= needed:
            assert answer.status_code not in {401, 403, 500}, (role, answer.text)
        else:
            assert answer.status_code == 403, role
            assert f"{needed.word} or more, and {NAMES[role]} is {role.word}" in answer.json()["detail"]


def test_what_is_not_there_is_told_only_to_who_is_known(fresh: PeoplePlant) -> None:
    for path in ("/nothing", f"{API}/nothing", f"{API}/openapi.json"):
        assert fresh.client.get(path).status_code == 401
    known = fresh.session("v.viewer")
    assert fresh.client.get("/nothing", headers=known).status_code == 404
    assert fresh.client.get(f"{API}/openapi.json", headers=known).status_code == 200
    assert fresh.client.get("/static/linklag.css").status_code == 200


def test_where_logins_are_off_everybody_is_administrator_under_their_address() -> None:
    with a_plant() as plant:
        assert plant.get("/me") == {
            "name": "web testclient",
            "role": "administrator",
            "only": [],
            "expires": None,
        }
        new = {"drive_id": "x", "whole_pitches": 20}
        assert plant.client.post(f"{API}/drives", json=new).status_code == 201
        assert plant.get("/audit")[0]["by"] == "web testclient"


# Sessions


@pytest.mark.parametrize("kind", STORES)
def test_who_signs_in_is_known_by_the_cookie_and_out_by_signing_out(kind: str) -> None:
    with a_peopled_plant(kind) as plant:
        asked = plant.client.get("/drives/x?span=day", headers={"Accept": "text/html"})
        assert (asked.status_code, asked.headers["location"]) == (303, "/sign-in?next=/drives/x%3Fspan%3Dday")
        answer = plant.sign_in(next="/drives/x?span=day")
        assert (answer.status_code, answer.headers["location"]) == (303, "/drives/x?span=day")
        assert plant.client.get(f"{API}/me").json()["name"] == "o.operator"
        token = form_token_on(plant, "/password")
        out = plant.client.post("/sign-out", data={FORM_FIELD: token}, headers=from_page())
        assert (out.status_code, out.headers["location"]) == (303, "/sign-in")
        assert plant.client.get(f"{API}/me").status_code == 401


def form_token_on(plant: PeoplePlant, path: str) -> str:
    page = plant.client.get(path, headers={"Accept": "text/html"})
    found = re.search(rf'name="{FORM_FIELD}" value="([0-9a-f]+)"', page.text)
    assert found is not None, page.text
    return found[1]


def test_the_cookie_is_for_this_host_and_https_only_and_no_script_reads_it(fresh: PeoplePlant) -> None:
    (cookie,) = fresh.sign_in().headers.get_list("set-cookie")
    parts = {part.strip().lower() for part in cookie.split(";")[1:]}
    assert cookie.startswith(f"{SECURE_COOKIE}=")
    assert parts == {"httponly", "secure", "samesite=lax", "path=/", "max-age=1000"}


def test_without_tls_on_loopback_the_cookie_is_a_plain_one() -> None:
    with a_peopled_plant(base_url=HTTP) as plant:
        (cookie,) = plant.sign_in().headers.get_list("set-cookie")
        assert cookie.startswith(f"{COOKIE}=")
        assert "secure" not in cookie.lower()
        assert "httponly" in cookie.lower()
        assert plant.client.get(f"{API}/me").status_code == 200


def test_a_plain_cookie_does_not_count_with_tls(fresh: PeoplePlant) -> None:
    """Another page on the same host, without TLS, could have set it."""
    headers = fresh.session("admin")
    plain = {"Cookie": headers["Cookie"].replace(SECURE_COOKIE, COOKIE)}
    assert fresh.client.get(f"{API}/me", headers=plain).status_code == 401


def test_signing_in_makes_a_new_secret_and_ends_the_session_before(fresh: PeoplePlant) -> None:
    """A secret that somebody else put into the browser is of no use to them."""
    fresh.client.cookies.set(SECURE_COOKIE, "planted", domain="127.0.0.1", path="/")
    fresh.session("v.viewer", "planted")
    answer = fresh.sign_in("o.operator")
    assert "planted" not in answer.headers["set-cookie"]
    assert fresh.ports.sessions.find(hash_of("planted")) is None


@pytest.mark.parametrize(("idle_s", "status"), [(399, 200), (401, 401)])
def test_a_session_ends_when_nobody_uses_it(fresh: PeoplePlant, idle_s: int, status: int) -> None:
    headers = fresh.session("v.viewer")
    fresh.now_ns += idle_s * S
    assert fresh.client.get(f"{API}/me", headers=headers).status_code == status


def test_a_session_ends_after_its_hours_however_much_it_is_used(fresh: PeoplePlant) -> None:
    headers = fresh.session("v.viewer")
    found = []
    for _ in range(6):
        fresh.now_ns += 199 * S
        found.append(fresh.client.get(f"{API}/me", headers=headers).status_code)
    assert found == [200] * 5 + [401]


def test_who_is_locked_is_out_with_the_next_request(fresh: PeoplePlant) -> None:
    headers = fresh.session("v.viewer")
    assert fresh.client.get(f"{API}/me", headers=headers).status_code == 200
    fresh.admit.lock("v.viewer", at_ns=fresh.now_ns, by="admin")
    assert fresh.client.get(f"{API}/me", headers=headers).status_code == 401


def test_a_password_for_once_lets_one_choose_another_and_nothing_else() -> None:
    with a_people_plant() as plant:
        plant.add(Role.ADMINISTRATOR, must_change=True)
        answer = plant.sign_in("admin", next="/refused")
        assert answer.headers["location"] == "/password"
        board = plant.client.get("/", headers={"Accept": "text/html"})
        assert (board.status_code, board.headers["location"]) == (303, "/password")
        told = plant.client.get(f"{API}/drives")
        assert (told.status_code, "password of your own" in told.json()["detail"]) == (403, True)
        fields = {
            "old": PASSWORD,
            "new": OTHER,
            "again": OTHER,
            FORM_FIELD: form_token_on(plant, "/password"),
        }
        changed = plant.client.post("/password", data=fields, headers=from_page())
        assert (changed.status_code, changed.headers["location"]) == (303, "/")
        assert plant.client.get(f"{API}/drives").status_code == 200


@pytest.mark.parametrize(
    "asked",
    [
        "//evil.example",
        "https://evil.example",
        "/\\evil.example",
        "javascript:1",
        "/a\r\nX: y",
        "/sign-out",
        "",
    ],
)
def test_signing_in_leads_to_no_other_site(fresh: PeoplePlant, asked: str) -> None:
    assert fresh.sign_in(next=asked).headers["location"] == "/"


def test_a_form_that_was_filled_in_too_long_is_told_how_not_to_lose_it(fresh: PeoplePlant) -> None:
    answer = fresh.client.post("/drives/new", data={"drive_id": "x"}, headers=from_page())
    assert answer.status_code == 401
    assert "send it again" in answer.text
    assert answer.headers["content-type"].startswith("text/html")


def test_a_store_that_is_away_is_told_and_the_process_still_says_that_it_lives(fresh: PeoplePlant) -> None:
    headers = fresh.session("v.viewer")
    fresh.ports.sessions.down = "disk full"  # type: ignore[attr-defined]
    assert fresh.client.get(f"{API}/drives", headers=headers).status_code == 503
    assert fresh.client.get("/health/live", headers=headers).status_code == 200


# Guessing


def test_a_wrong_name_and_a_wrong_password_get_the_very_same_page(fresh: PeoplePlant) -> None:
    fresh.admit.lock("v.viewer", at_ns=fresh.now_ns, by="admin")
    answers = [
        fresh.sign_in("o.operator", "wrong"),
        fresh.sign_in("nobody", "wrong"),
        fresh.sign_in("v.viewer", PASSWORD),
    ]
    assert {answer.status_code for answer in answers} == {403}
    assert len({answer.text for answer in answers}) == 1
    assert len({tuple(answer.headers.items()) for answer in answers}) == 1
    assert fresh.hashes.asked == 3


def test_a_guesser_is_told_how_long_to_wait(fresh: PeoplePlant) -> None:
    for _ in range(5):
        fresh.sign_in("o.operator", "wrong")
    answer = fresh.sign_in("o.operator", PASSWORD)
    assert (answer.status_code, answer.headers["retry-after"]) == (429, "1")
    assert "wait 1 second" in answer.text
    fresh.now_ns += S
    assert fresh.sign_in("o.operator", PASSWORD).status_code == 303


def test_what_was_typed_as_password_is_on_no_page(fresh: PeoplePlant) -> None:
    assert "sentinel" not in fresh.sign_in("o.operator", "sentinel").text


# Forms


FORM = {"drive_id": "new-1", "whole_pitches": "20"}


@pytest.mark.parametrize("carried", ["field", "header"])
def test_a_form_with_the_token_of_the_session_is_taken(fresh: PeoplePlant, carried: str) -> None:
    headers = fresh.session("e.engineer")
    token = headers.pop(FORM_HEADER)
    fields = FORM | ({FORM_FIELD: token} if carried == "field" else {})
    more = {FORM_HEADER: token} if carried == "header" else {}
    answer = fresh.client.post("/drives/new", data=fields, headers={**headers, **from_page(), **more})
    assert answer.status_code == 303
    assert fresh.ports.audit_log.entries()[0].by == "e.engineer"


@pytest.mark.parametrize("token", [None, "", "0" * 64, "of another"])
def test_a_form_without_it_is_refused_though_the_cookie_came_along(
    fresh: PeoplePlant, token: str | None
) -> None:
    """As from another site, by a browser that does not say where a form comes from."""
    headers = fresh.session("e.engineer")
    headers.pop(FORM_HEADER)
    given = fresh.session("admin")[FORM_HEADER] if token == "of another" else token
    fields = FORM | ({} if given is None else {FORM_FIELD: given})
    answer = fresh.client.post("/drives/new", data=fields, headers=headers)
    assert answer.status_code == 403
    assert "load its page again" in answer.json()["detail"]
    assert fresh.ports.register.drives() == []


def test_json_with_a_cookie_needs_the_header_too(fresh: PeoplePlant) -> None:
    headers = fresh.session("e.engineer")
    new = {"drive_id": "x", "whole_pitches": 20}
    assert (
        fresh.client.post(f"{API}/drives", json=new, headers={"Cookie": headers["Cookie"]}).status_code == 403
    )
    assert fresh.client.post(f"{API}/drives", json=new, headers=headers).status_code == 201


def test_a_form_from_another_site_is_refused_whatever_it_carries(fresh: PeoplePlant) -> None:
    headers = fresh.session("e.engineer") | {"Origin": "https://evil.example"}
    assert fresh.client.post("/drives/new", data=FORM, headers=headers).status_code == 403
    login = fresh.client.post(
        "/sign-in",
        data={"name": "o.operator", "password": PASSWORD},
        headers={"Sec-Fetch-Site": "cross-site"},
    )
    assert login.status_code == 403
    assert "set-cookie" not in login.headers


@pytest.mark.parametrize("path", ["/people", "/tokens", "/drives/new", "/password", "/refused"])
def test_every_form_of_a_page_carries_the_token(fresh: PeoplePlant, path: str) -> None:
    fresh.ports.refused.keep([], [A_SIGHTING])
    fresh.token()
    headers = fresh.session("admin")
    page = fresh.client.get(path, headers={**headers, "Accept": "text/html"}).text
    forms = re.findall(r'<form [^>]*method="post"[^>]*>(.*?)</form>', page, re.DOTALL)
    assert len(forms) >= 2  # one is for signing out
    assert all(f'name="{FORM_FIELD}" value="{headers[FORM_HEADER]}"' in form for form in forms)


def test_who_is_signed_in_acts_under_their_own_name_whatever_they_say(fresh: PeoplePlant) -> None:
    fresh.ports.register.add_drive(A_DRIVE)
    fresh.ports.register.fit_chain(A_CHAIN)
    value = {"method": "rule", "pitches": 12, "length_mm": 307.0, "tight": True, "by": "somebody else"}
    path = f"{API}/drives/press-3/hand-values"
    answer = fresh.client.post(path, json=value, headers=fresh.session("o.operator"))
    assert answer.status_code == 201, answer.text
    form = {"method": "tape", "pitches": "12", "length_mm": "307.5", "tight": "yes", "by": "somebody else"}
    headers = fresh.session("o.operator") | from_page()
    assert fresh.client.post("/drives/press-3/hand", data=form, headers=headers).status_code == 303
    token = fresh.token(Role.OPERATOR)
    assert fresh.client.post(path, json=value | {"length_mm": 307.2}, headers=token).status_code == 201
    assert [each.recorded_by for each in fresh.ports.hand_values.of("press-3")] == [
        "o.operator", "o.operator", "token scada"
    ]  # fmt: skip


# Tokens


def test_a_token_lets_a_program_use_the_api_without_a_form_token(fresh: PeoplePlant) -> None:
    headers = fresh.token(Role.ENGINEER)
    assert fresh.client.get(f"{API}/me", headers=headers).json()["name"] == "token scada"
    new = {"drive_id": "x", "whole_pitches": 20}
    assert fresh.client.post(f"{API}/drives", json=new, headers=headers).status_code == 201
    assert fresh.client.get("/metrics", headers=headers).status_code == 200
    assert fresh.ports.audit_log.entries()[0].by == "token scada"


def test_a_token_opens_no_page(fresh: PeoplePlant) -> None:
    answer = fresh.client.get("/", headers=fresh.token(Role.ENGINEER))
    assert answer.status_code == 403
    assert "below /api/v1/" in answer.json()["detail"]


def test_a_token_for_some_parts_is_for_no_other(fresh: PeoplePlant) -> None:
    headers = fresh.token(Role.ENGINEER, "readings", "catalogue")
    assert fresh.client.get(f"{API}/readings/newest", headers=headers).status_code == 200
    answer = fresh.client.get(f"{API}/drives", headers=headers)
    assert answer.status_code == 403
    assert "readings, catalogue only" in answer.json()["detail"]
    assert fresh.client.get(f"{API}/me", headers=headers).status_code == 200


@pytest.mark.parametrize("change", ["expired", "revoked", "wrong", "not a token"])
def test_a_token_that_does_not_count_is_refused(fresh: PeoplePlant, change: str) -> None:
    headers = fresh.token()
    if change == "expired":
        fresh.now_ns += 86_400 * S
    elif change == "revoked":
        fresh.admit.revoke_token("scada", at_ns=fresh.now_ns, by="admin")
    else:
        text = headers["Authorization"][:-1] if change == "wrong" else "Bearer linklag_"
        headers = {"Authorization": text}
    answer = fresh.client.get(f"{API}/me", headers=headers)
    assert answer.status_code == 401
    assert "Authorization: Bearer" in answer.json()["detail"]


def test_a_wrong_token_is_not_made_good_by_a_cookie(fresh: PeoplePlant) -> None:
    headers = fresh.session("admin") | {"Authorization": "Bearer linklag_wrong"}
    assert fresh.client.get(f"{API}/me", headers=headers).status_code == 401


# Plain HTTP


def test_where_https_is_due_plain_http_is_refused_but_for_whether_the_process_lives() -> None:
    with a_peopled_plant(base_url=HTTP, https_only=True) as plant:
        assert plant.client.get("/health/live").status_code == 200
        for path in ("/sign-in", "/", f"{API}/drives", "/static/linklag.css"):
            answer = plant.client.get(path)
            assert answer.status_code == 403
            assert "X-Forwarded-Proto" in answer.json()["detail"]
        assert plant.sign_in().status_code == 403
        assert vars(plant.ports.guess_counts)["_counts"] == {}


# Live streams


@pytest.mark.parametrize("known_by", ["session", "token"])
def test_a_live_stream_ends_when_who_listens_may_no_more(
    fresh: PeoplePlant, monkeypatch: pytest.MonkeyPatch, known_by: str
) -> None:
    monkeypatch.setattr(access, "LOOK_AGAIN_S", 0.0)
    plant = replaced(fresh, base_url=HTTP)
    headers = plant.session("v.viewer") if known_by == "session" else plant.token()
    with served(plant.app) as url, httpx2.Client(timeout=20) as client:
        assert client.get(f"{url}{API}/stream").status_code == 401
        with client.stream("GET", f"{url}{API}/stream", headers=headers) as answer:
            assert answer.status_code == 200
            chunks = answer.iter_raw()
            assert next(chunks)
            if known_by == "session":
                plant.admit.lock("v.viewer", at_ns=plant.now_ns, by="admin")
            else:
                plant.admit.revoke_token("scada", at_ns=plant.now_ns, by="admin")
            for _ in chunks:
                pass  # it ends; else the client's timeout does


def replaced(plant: PeoplePlant, **how: Any) -> PeoplePlant:
    return PeoplePlant(plant.ports, hashes=plant.hashes, first=plant.first, **how)
