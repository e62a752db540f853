"""The wall: pages of drives, worst first, and who may see it."""

import re
from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest

from service.adapters.web.pages_wall import PAGES_MAX, ROWS_A_PAGE, turned_to
from service.core.people import Role
from service.core.shift import Site
from tests.adapters.web.alerted import with_alerts
from tests.adapters.web.people_plant import PeoplePlant, a_peopled_plant, from_page
from tests.adapters.web.plant import NOW_NS, Plant, a_plant, add, reading_of
from tests.adapters.web.test_pages import HOSTILE, Page, seen

PAGE = {"Accept": "text/html"}
COOKIE = "__Secure-linklag-wall"


def names_on(plant: Plant, query: str = "") -> list[str]:
    return re.findall(r'<span class="sign" aria-hidden="true"></span>(.*?)</h2>', plant.page(f"/wall{query}"))


def test_the_worst_drives_are_on_the_first_page_with_counts_clock_and_age(plant: Plant) -> None:
    for number in range(7):
        add(plant, f"d{number}", 0.5 + number * 0.4)
    add(plant, "over", 3.4, name="Over it")
    assert names_on(plant) == ["Over it", "d6", "d5", "d4", "d3"]
    assert names_on(plant, "?page=2") == ["d2", "d1", "d0"]
    assert names_on(plant, "?page=3") == names_on(plant)  # round again
    text = seen(plant, "/wall")
    assert "1 at limit" in re.sub(r"(\d)\s*([a-z])", r"\1 \2", text)
    assert "13:00:00" in text
    assert "newest reading 1 s ago" in text
    assert "1 / 2" in text
    assert "113 %" in text


def test_without_scripts_the_wall_turns_its_pages_too(plant: Plant) -> None:
    for number in range(6):
        add(plant, f"d{number}", 1.0, site="Talheim")
    html = plant.page("/wall?site=Talheim&every=20")
    assert '<meta http-equiv="refresh" content="20; url=/wall?site=Talheim&amp;every=20&amp;page=2">' in html
    assert "url=/wall?site=Talheim&amp;every=20&amp;page=1" in plant.page(
        "/wall?site=Talheim&every=20&page=2"
    )


@pytest.mark.parametrize(
    ("every", "seconds"), [("", 12), ("1", 5), ("30", 30), ("9999", 120), ("x", 12), ("²", 12)]
)
def test_a_page_stays_for_a_time_that_people_can_read_in(plant: Plant, every: str, seconds: int) -> None:
    assert f'data-every-s="{seconds}"' in plant.page(f"/wall?every={every}")


def test_no_more_pages_than_anybody_waits_for_and_the_rest_is_counted() -> None:
    with a_plant() as plant:
        add(plant, "a", 1.0)
        row = plant.app.state.parts.board_rows.read(NOW_NS)[0]
    rows = [replace(row, rank=f"{number}") for number in range(ROWS_A_PAGE * PAGES_MAX + 7)]
    last = turned_to(rows, str(PAGES_MAX))
    assert (last.page, last.pages, last.more) == (PAGES_MAX, PAGES_MAX, 7)
    assert [each.rank for each in last.rows] == ["55", "56", "57", "58", "59"]
    assert turned_to(rows, "no number").page == 1
    assert turned_to([], "5").pages == 1


def test_the_wall_says_who_is_on_it_and_what_is_silent() -> None:
    with a_plant(stale_after_s=60.0) as plant:
        with_alerts(plant)
        add(plant, "quiet")
        plant.ports.readings.store([reading_of("quiet", 3600 - 300, 1.0)])
        text = seen(plant, "/wall")
        assert "Elongation at the limit: nobody is on it" in text
        assert "No news for 5 min" in text
        assert "newest reading 5 min ago" in text


def test_the_clock_is_that_of_the_site() -> None:
    with a_plant(zone=ZoneInfo("Europe/Berlin")) as plant:
        add(plant, "a", 1.0, site="Talheim")
        plant.ports.sites.put(Site(site="Talheim", zone="Asia/Tokyo"))
        assert "15:00:00" in seen(plant, "/wall")
        assert "22:00:00" in seen(plant, "/wall?site=Talheim")
        assert 'data-offset-s="32400"' in plant.page("/wall?site=Talheim")


def test_a_wall_without_drives_says_so(plant: Plant) -> None:
    assert "No drive is registered yet" in seen(plant, "/wall")
    assert "No drive is registered at Nowhere" in seen(plant, "/wall?site=Nowhere")
    assert "no reading yet" in seen(plant, "/wall")


def test_what_people_typed_is_shown_as_text_on_the_wall(plant: Plant) -> None:
    add(plant, "a", 1.0, name=HOSTILE, site=HOSTILE)
    html = plant.page("/wall")
    assert "<script>alert" not in html
    assert HOSTILE in "".join(Page(html).words)


def test_where_nobody_signs_in_the_wall_needs_no_key(plant: Plant) -> None:
    answer = plant.client.get("/wall/key", follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/wall")


# A screen that nobody signs in at


def token_of(plant: PeoplePlant, *only: str, role: Role = Role.VIEWER) -> str:
    return plant.token(role, *only, name=f"hall-{len(only)}-{role}")["Authorization"].removeprefix("Bearer ")


def hand_over(plant: PeoplePlant, text: str) -> tuple[int, str, str]:
    """Return status, place and cookie of the answer to the form."""
    answer = plant.new_client().post("/wall/key", data={"token": text}, headers=from_page())
    return (
        answer.status_code,
        answer.headers.get("location", answer.text),
        answer.headers.get("set-cookie", ""),
    )


def test_a_screen_is_asked_for_its_key_once_and_keeps_it_for_the_wall_alone() -> None:
    with a_peopled_plant() as plant:
        asked = plant.client.get("/wall?site=x", headers=PAGE)
        assert (asked.status_code, asked.headers["location"]) == (303, "/wall/key")
        assert "Token of this screen" in plant.client.get("/wall/key").text
        text = token_of(plant, "wall")
        status, place, cookie = hand_over(plant, f" {text} ")
        assert (status, place) == (303, "/wall")
        assert text not in place
        for said in (
            f"{COOKIE}={text}",
            "HttpOnly",
            "Path=/wall",
            "SameSite=strict",
            "Secure",
            "Max-Age=86400",
        ):
            assert said in cookie
        shown = {"Cookie": f"{COOKIE}={text}", "Accept": "text/html"}
        assert plant.client.get("/wall", headers=shown).status_code == 200
        for elsewhere in ("/", "/board/stream", "/api/v1/drives", "/wall/other"):
            assert plant.client.get(elsewhere, headers=shown).status_code in {303, 401, 404}
        assert (
            plant.client.get("/api/v1/drives", headers={"Authorization": f"Bearer {text}"}).status_code == 403
        )


def test_a_key_that_is_revoked_or_over_shows_nothing_any_more() -> None:
    with a_peopled_plant() as plant:
        text = token_of(plant, "wall")
        shown = {"Cookie": f"{COOKIE}={text}", "Accept": "text/html"}
        assert plant.client.get("/wall", headers=shown).status_code == 200
        plant.admit.revoke_token("hall-1-1", at_ns=NOW_NS, by="admin")
        assert plant.client.get("/wall", headers=shown).headers["location"] == "/wall/key"
        assert hand_over(plant, text)[0] == 403


@pytest.mark.parametrize(
    ("only", "role"), [((), Role.VIEWER), (("wall", "alerts"), Role.VIEWER), (("wall",), Role.OPERATOR)]
)
def test_a_screen_in_a_hall_holds_no_key_to_more(only: tuple[str, ...], role: Role) -> None:
    with a_peopled_plant() as plant:
        text = token_of(plant, *only, role=role)
        status, said, cookie = hand_over(plant, text)
        assert (status, cookie) == (403, "")
        assert "may do more than show the wall" in said
        assert text not in said
        shown = PAGE | {"Cookie": f"{COOKIE}={text}"}
        assert plant.client.get("/wall", headers=shown).headers["location"] == "/wall/key"


def test_a_wrong_key_is_told_what_to_do_and_is_not_shown_again() -> None:
    with a_peopled_plant() as plant:
        status, said, cookie = hand_over(plant, "linklag_wrong")
        assert (status, cookie) == (403, "")
        assert "copy it again, or make another one" in said
        assert "linklag_wrong" not in said
        assert hand_over(plant, "")[0] == 403


def test_who_signed_in_sees_the_wall_and_a_token_for_it_can_be_made_on_the_page() -> None:
    with a_peopled_plant() as plant:
        assert plant.client.get("/wall", headers=plant.session("v.viewer")).status_code == 200
        assert 'value="wall"' in plant.client.get("/tokens", headers=plant.session("admin")).text
