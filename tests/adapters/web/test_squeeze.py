"""Answers are made small where that gives nothing away; live streams never."""

import asyncio

import pytest
from hypothesis import given
from hypothesis import strategies as st
from starlette.datastructures import Headers
from starlette.types import Message

from service.adapters.web.squeeze import may_be_small
from tests.adapters.web.plant import Plant, a_plant, add


def asked(plant: Plant, path: str, **headers: str) -> str | None:
    answer = plant.client.get(path, headers={"Accept-Encoding": "gzip", "Accept": "text/html", **headers})
    assert answer.status_code == 200
    return answer.headers.get("content-encoding")


@pytest.fixture
def filled(fake_plant: Plant) -> Plant:
    for number in range(20):
        add(fake_plant, f"d{number}", 1.0)
    return fake_plant


@pytest.mark.parametrize(
    ("headers", "small"),
    [
        ({}, True),  # a program
        ({"Sec-Fetch-Site": "none"}, True),  # typed, or a bookmark
        ({"Sec-Fetch-Site": "same-origin", "Cookie": "linklag=x"}, True),
        (
            {"Sec-Fetch-Site": "cross-site", "Cookie": "linklag=x"},
            False,
        ),  # a page of another site had it asked for
        ({"Sec-Fetch-Site": "same-site"}, False),
        ({"Cookie": "linklag=x"}, False),  # a browser that does not say
    ],
)
def test_pages_are_small_unless_their_length_could_give_something_away(
    filled: Plant, *, headers: dict[str, str], small: bool
) -> None:
    assert (asked(filled, "/", **headers) == "gzip") is small


def test_who_takes_no_gzip_gets_none(filled: Plant) -> None:
    assert asked(filled, "/", **{"Accept-Encoding": "identity"}) is None
    assert filled.client.get("/static/linklag.css").headers["content-encoding"] == "gzip"


@given(st.text(max_size=20))
def test_only_what_is_known_to_be_ours_is_small(said: str) -> None:
    headers = Headers({"sec-fetch-site": said.encode("latin-1", "replace").decode("latin-1")})
    assert may_be_small(headers) is (headers["sec-fetch-site"] in {"same-origin", "none"})


@pytest.mark.parametrize("path", ["/api/v1/stream", "/board/stream", "/api/v1/alerts/stream"])
def test_live_streams_are_sent_as_they_come(path: str) -> None:
    """The first words of a stream arrive before there is enough for a block of gzip, and unpacked."""

    async def first(plant: Plant) -> tuple[Message, Message]:
        got: asyncio.Queue[Message] = asyncio.Queue()
        going = asyncio.Event()

        async def receive() -> Message:
            await going.wait()
            return {"type": "http.disconnect"}

        scope = {
            "type": "http", "method": "GET", "path": path, "raw_path": path.encode(), "query_string": b"",
            "root_path": "", "scheme": "http", "http_version": "1.1", "client": ("127.0.0.1", 1),
            "server": ("127.0.0.1", 8390), "headers": [(b"host", b"127.0.0.1"), (b"accept-encoding", b"gzip")],
        }  # fmt: skip
        serving = asyncio.create_task(plant.app(scope, receive, got.put))
        head, body = await asyncio.wait_for(got.get(), 5), await asyncio.wait_for(got.get(), 5)
        going.set()
        await asyncio.wait_for(serving, 5)
        return head, body

    with a_plant() as plant:
        head, body = asyncio.run(first(plant))
    assert b"content-encoding" not in dict(head["headers"])
    assert body["body"].startswith((b"retry:", b"event:", b"id:"))
