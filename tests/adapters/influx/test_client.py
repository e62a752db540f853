"""What the client makes of every answer. The server is one of ours: this shows the handling, not an InfluxDB."""

import gzip
import json
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime

import pytest

from service.adapters.influx.client import InfluxClient, LineRefused, QueryRefusedError
from service.ports import StoreUnavailableError
from tests.adapters.influx.answering import Answer, Answering, Asked, answering
from tests.conftest import free_port

LINES = [f"reading,drive=a seq={n}.0 {n}" for n in range(9)]


def client_of(server: Answering, timeout_s: float = 5.0, shows: str = "t") -> InfluxClient:
    return InfluxClient(server.url, org="plant", bucket="linklag", token=shows, timeout_s=timeout_s)


def refusing(*bad: int, status: int, words: str = "no good") -> Callable[[Asked], Answer]:
    """As InfluxDB does: a request with a bad line is refused, its good lines are stored all the same."""

    def answer(asked: Asked) -> Answer:
        if any(LINES[at] in asked.lines for at in bad):
            return Answer(status, json.dumps({"code": "invalid", "message": words}).encode())
        return Answer()

    return answer


def test_lines_go_out_in_one_packed_request_and_with_the_token() -> None:
    with answering(lambda _asked: Answer()) as server:
        assert client_of(server).write(LINES) == []
    (asked,) = server.asked
    assert asked.lines == LINES
    assert asked.path == "/api/v2/write"
    assert asked.query == {"org": "plant", "bucket": "linklag", "precision": "ns"}
    assert asked.headers["Content-Encoding"] == "gzip"
    assert asked.headers["Authorization"] == "Token t"


def test_nothing_to_write_asks_nothing() -> None:
    with answering(lambda _asked: Answer(500)) as server:
        assert client_of(server).write([]) == []
    assert server.asked == []


def test_two_clients_share_no_tags() -> None:
    """The library's default settings of points are shared by all clients that name none."""
    with answering(lambda _asked: Answer()) as server:
        other = client_of(server)
        other._writer._point_settings.add_default_tag("plant", "another")
        assert client_of(server)._writer._point_settings.defaultTags == {}


@pytest.mark.parametrize("status", [400, 422])
@pytest.mark.parametrize("bad", [(), (0,), (4,), (8,), (0, 8), (2, 3, 7)])
def test_refused_lines_are_found_by_halving_and_the_others_are_stored(
    status: int, bad: tuple[int, ...]
) -> None:
    with answering(refusing(*bad, status=status, words="partial write: dropped=1")) as server:
        refused = client_of(server).write(LINES)
    assert refused == [LineRefused(at, "partial write: dropped=1") for at in bad]
    for at in set(range(9)) - set(bad):
        assert any(
            asked.lines == [LINES[at]]
            or (LINES[at] in asked.lines and not {LINES[b] for b in bad} & set(asked.lines))
            for asked in server.asked
        )


def test_what_is_too_big_is_halved_until_it_is_not() -> None:
    with answering(lambda asked: Answer(413 if len(asked.lines) > 2 else 204)) as server:
        assert client_of(server).write(LINES) == []
    stored = [line for asked in server.asked if len(asked.lines) <= 2 for line in asked.lines]
    assert sorted(stored) == sorted(LINES)


def test_one_line_that_is_too_big_is_refused() -> None:
    with answering(lambda _asked: Answer(413, b"too large")) as server:
        assert client_of(server).write(LINES[:1]) == [LineRefused(0, "too large")]


@pytest.mark.parametrize(
    ("status", "fix"),
    [
        (302, "give that address as influx.url"),
        (401, "give a token that is valid there, in influx.token_file"),
        (403, "let the token read and write this bucket"),
        (404, "make the bucket, or correct influx.bucket and influx.org"),
        (429, "tried again until it works"),
        (500, "look into its log"),
        (503, "tried again until it works"),
    ],
)
def test_an_answer_that_says_nothing_of_the_lines_is_no_answer(status: int, fix: str) -> None:
    """One request, no try of the library's own, and the words of the server with what mends it."""
    with answering(lambda _asked: Answer(status, b'{"code":"x","message":"so it is"}')) as server:
        client = client_of(server, shows="a-secret-of-ours")
        with pytest.raises(StoreUnavailableError, match=f"status {status}, so it is: .*{fix}") as found:
            client.write(LINES)
        assert len(server.asked) == 1
        assert "a-secret-of-ours" not in str(found.value)
        with pytest.raises(StoreUnavailableError, match=f"status {status}"):
            client.query("SELECT 1")


@pytest.mark.parametrize("as_a_date", [False, True])
@pytest.mark.parametrize("status", [429, 503])
def test_a_server_that_asks_to_be_left_alone_is(status: int, *, as_a_date: bool) -> None:
    then = format_datetime(datetime.now(tz=UTC) + timedelta(seconds=90), usegmt=True)
    retry_after = then if as_a_date else "90"
    with answering(lambda _asked: Answer(status, headers={"Retry-After": retry_after})) as server:
        client = client_of(server)
        with pytest.raises(StoreUnavailableError, match=f"status {status}"):
            client.write(LINES)
        with pytest.raises(StoreUnavailableError, match=r"asked to be left alone for \d\d s more"):
            client.write(LINES)
    assert len(server.asked) == 1


@pytest.mark.parametrize("retry_after", ["0.05", "soon", "nan", "-5"])
def test_it_is_asked_again_once_that_is_over_or_where_it_is_no_time(retry_after: str) -> None:
    answers = [Answer(503, headers={"Retry-After": retry_after}), Answer()]
    with answering(lambda _asked: answers.pop(0)) as server:
        client = client_of(server)
        with pytest.raises(StoreUnavailableError):
            client.write(LINES)
        time.sleep(0.06)
        assert client.write(LINES) == []


def test_nobody_there_is_told() -> None:
    client = InfluxClient(f"http://127.0.0.1:{free_port()}", org="-", bucket="b")
    with pytest.raises(
        StoreUnavailableError, match=r"it cannot be reached .*start it, or correct influx\.url"
    ):
        client.write(LINES)
    with pytest.raises(StoreUnavailableError, match="it cannot be reached"):
        client.query("SELECT 1")


def test_a_server_that_hangs_is_waited_for_so_long_and_no_longer() -> None:
    with answering(lambda _asked: Answer(after_s=1.5)) as server:
        client, began_s = client_of(server, timeout_s=0.3), time.monotonic()
        with pytest.raises(StoreUnavailableError, match="it does not answer in time"):
            client.write(LINES)
        assert time.monotonic() - began_s < 1.4


def test_a_server_that_is_slow_is_waited_for() -> None:
    with answering(lambda _asked: Answer(after_s=0.3)) as server:
        assert client_of(server).write(LINES) == []


def test_a_connection_that_is_cut_is_no_answer() -> None:
    with answering(lambda _asked: Answer(cut=True)) as server:
        with pytest.raises(StoreUnavailableError, match="it cannot be reached"):
            client_of(server).write(LINES)
        with pytest.raises(StoreUnavailableError, match="it cannot be reached"):
            client_of(server).query("SELECT 1")


def test_an_answer_that_drips_for_ever_comes_to_an_end() -> None:
    body = b" " * 10_000
    with answering(lambda _asked: Answer(200, body, drip_s=0.05)) as server:
        began_s = time.monotonic()
        with pytest.raises(StoreUnavailableError, match="took too long"):
            client_of(server, timeout_s=0.5).query("SELECT 1")
        assert time.monotonic() - began_s < 60  # 500 s of drops were to come


# Queries


RESULT = {
    "results": [
        {
            "series": [
                {"name": "reading", "tags": {"drive": "a"}, "columns": ["time", "seq"], "values": [[1, 2.5]]}
            ]
        }
    ]
}


def test_a_query_is_asked_with_its_values_bound_and_its_answer_may_be_packed() -> None:
    packed = gzip.compress(json.dumps(RESULT).encode())
    answer = Answer(200, packed, {"Content-Encoding": "gzip", "Content-Type": "application/json"})
    with answering(lambda _asked: answer) as server:
        (series,) = client_of(server).query("SELECT seq FROM reading WHERE drive = $d", d="a'; DROP")
    assert (series.tags, series.columns, series.rows) == ({"drive": "a"}, ["time", "seq"], [[1, 2.5]])
    (asked,) = server.asked
    assert asked.path == "/query"
    assert asked.query == {"db": "linklag", "epoch": "ns"}
    assert "DROP" not in asked.lines[0].split("params=")[0]


def test_a_query_that_the_server_does_not_take_is_told_so() -> None:
    with (
        answering(lambda _asked: Answer(400, b'{"error":"error parsing query: found DELETE"}')) as server,
        pytest.raises(QueryRefusedError, match="found DELETE"),
    ):
        client_of(server).query("DELETE")


@pytest.mark.parametrize(
    ("words", "what", "fix"),
    [
        ("database not found: linklag", StoreUnavailableError, "make the bucket"),
        ("linklag not authorized to execute", StoreUnavailableError, "let the token read and write"),
        ("timeout", StoreUnavailableError, "try again"),
        ("max-select-series limit exceeded", StoreUnavailableError, "raise its limits"),
        ("field type mismatch", QueryRefusedError, ""),
    ],
)
def test_an_error_in_a_good_answer_is_an_error(words: str, what: type[Exception], fix: str) -> None:
    body = json.dumps({"results": [{"statement_id": 0, "error": words}]}).encode()
    with (
        answering(lambda _asked: Answer(200, body)) as server,
        pytest.raises(what, match=f"{words}.*{fix}"),
    ):
        client_of(server).query("SELECT 1")


@pytest.mark.parametrize("body", [b"<html>", b"[]", b'{"results": []}', b"\xff"])
def test_something_else_that_answers_there_is_found_out(body: bytes) -> None:
    with (
        answering(lambda _asked: Answer(200, body)) as server,
        pytest.raises(StoreUnavailableError, match=r"no InfluxDB with /query: correct influx\.url"),
    ):
        client_of(server).query("SELECT 1")
