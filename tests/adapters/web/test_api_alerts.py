"""The API of alerts: what stands and stood, histories, everything since a number, and answers."""

import asyncio
import http.client
import json
import threading
from collections.abc import Iterator
from contextlib import aclosing, contextmanager
from typing import Any
from urllib.parse import urlsplit

import pytest

from service.adapters.web.alert_feed import AlertFeed
from service.adapters.web.alert_schemas import AlertOut, TransitionOut
from service.adapters.web.alert_words import EVENTS, PRIORITIES, STATES, TITLES
from service.adapters.web.allowed import guarded_routes
from service.core.alert import Annunciation, Event, Hold, Transition
from service.core.event import StandingFields, TransitionFields
from service.core.hand import CAUTIONS
from service.core.people import Role
from service.core.setpoint import ConditionKind, Priority
from service.ports import OvertakenError
from tests.adapters.web.alerted import NEAR, happen, occur, with_alerts, with_drives
from tests.adapters.web.plant import API, NOW_NS, Plant, a_plant
from tests.adapters.web.served import served
from tests.contracts.given import S
from tests.fakes_alerts import FakeAlertLog

NEAR_ID = "kiln-car-2.near"


def ids(answer: dict[str, Any]) -> list[str]:
    return [each["alert"] for each in answer["alerts"]]


def post(
    plant: Plant, path: str, status: int = 200, headers: dict[str, str] | None = None, **body: Any
) -> Any:
    answer = plant.client.post(f"{API}/alerts/{path}", json=body, headers=headers or {})
    assert answer.status_code == status, answer.text
    if status >= 400:
        assert answer.headers["content-type"] == "application/problem+json"
    return answer.json()


# What there is


def test_with_no_alerts_there_are_none(plant: Plant) -> None:
    assert plant.get("/alerts") == {"alerts": [], "next": None, "number": 0}
    assert plant.get("/alerts/transitions") == {"transitions": [], "next": 0, "more": False}


def test_an_alert_says_all_that_somebody_needs_to_act(plant: Plant) -> None:
    with_drives(plant)
    number = occur(plant).transition.number
    (alert,) = plant.get("/alerts")["alerts"]
    assert alert == {
        "alert": NEAR_ID,
        "drive": {
            "id": "kiln-car-2",
            "name": "Kiln car pusher 2",
            "site": "Lehmgrund",
            "area": "Kiln",
            "line": "B",
        },
        "kind": "near",
        "title": "Elongation close to the limit",
        "state": "unacknowledged",
        "state_words": "not acknowledged",
        "annunciation": "unacknowledged",
        "active": True,
        "stands": True,
        "priority": "medium",
        "held": [],
        "occurrences": 1,
        "since": "2026-09-10T12:59:00Z",
        "cleared": None,
        "acknowledged_by": "",
        "acknowledged": None,
        "work_order": "",
        "cause": NEAR.cause,
        "mend": NEAR.mend,
        "value": 91.2,
        "u": 0.4,
        "setpoint": 90.0,
        "unit": "% of the limit",
        "cautions": list(CAUTIONS),
        "seq": 1,
        "number": number,
        "changed": "2026-09-10T12:59:00Z",
        "last_event": "occur",
        "last_by": "linklag",
    }
    assert plant.get(f"/alerts/{NEAR_ID}") == alert
    assert plant.client.get(f"{API}/alerts/{NEAR_ID}").headers["etag"] == '"1"'


def test_cautions_come_only_where_somebody_is_sent_to_the_drive(plant: Plant) -> None:
    with_alerts(plant)
    for alert in plant.get("/alerts", params={"standing": "any"})["alerts"]:
        sent = alert["kind"] in {"near", "at_limit", "bad_joint"}
        assert (alert["cautions"] == list(CAUTIONS)) is sent


def test_a_hold_says_until_when_why_and_by_whom(plant: Plant) -> None:
    with_alerts(plant)
    (held,) = plant.get("/alerts/cutter-1.device_offline")["held"]
    assert held == {
        "hold": "shelved",
        "since": "2026-09-10T12:59:00Z",
        "until": "2026-09-11T13:00:00Z",
        "why": "network is rebuilt",
        "by": "k.oster",
    }


STANDING = [
    "cutter-1.device_offline",
    "cutter-1.no_reading",
    "hoist-4.sensing_failed",
    "kiln-car-2.at_limit",
    "kiln-car-2.bad_joint",
    "kiln-car-2.near",
]


@pytest.mark.parametrize(
    ("asked", "expected"),
    [
        ({}, STANDING),
        ({"standing": "false"}, ["hoist-4.sensor_moved"]),
        ({"standing": "any"}, [*STANDING[:3], "hoist-4.sensor_moved", *STANDING[3:]]),
        ({"site": "Lehmgrund"}, [*STANDING[:2], *STANDING[3:]]),
        ({"site": "Sandfeld"}, STANDING[2:3]),
        ({"area": "Kiln"}, STANDING[3:]),
        ({"line": "A"}, STANDING[:2]),
        ({"drive": "hoist-4"}, STANDING[2:3]),
        ({"drive": "nothing"}, []),
        ({"priority": "high"}, ["kiln-car-2.at_limit"]),
        ({"priority": ["high", "medium"]}, [STANDING[2], STANDING[3], STANDING[5]]),
        ({"state": "acknowledged"}, ["kiln-car-2.near"]),
        ({"state": "returned_unacknowledged"}, ["kiln-car-2.bad_joint"]),
        ({"state": ["shelved", "out_of_service"]}, STANDING[:2]),
        ({"state": "suppressed_by_design"}, STANDING[2:3]),
        ({"state": "normal"}, []),
        ({"kind": ["near", "no_reading"]}, ["cutter-1.no_reading", "kiln-car-2.near"]),
        ({"since": "2026-09-10T12:59:00Z"}, []),
        ({"since": "2026-09-10T12:58:59Z"}, STANDING),
        ({"site": "Lehmgrund", "priority": "low", "state": "shelved"}, STANDING[:1]),
    ],
)
def test_filters_let_pass_what_is_asked_for(plant: Plant, asked: dict[str, Any], expected: list[str]) -> None:
    with_alerts(plant)
    assert ids(plant.get("/alerts", params=asked)) == expected


@pytest.mark.parametrize(
    "asked",
    [
        {"priority": "urgent"},
        {"state": "open"},
        {"kind": "broken"},
        {"standing": "perhaps"},
        {"since": "yesterday"},
        {"rows_max": 0},
        {"rows_max": 1001},
        {"sight": "Lehmgrund"},
        {"site": "x" * 201},
    ],
)
def test_a_filter_that_makes_no_sense_is_named(fake_plant: Plant, asked: dict[str, Any]) -> None:
    answer = fake_plant.client.get(f"{API}/alerts", params=asked)
    assert answer.status_code == 422
    assert next(iter(asked)) in answer.json()["detail"]


@pytest.mark.parametrize("rows_max", [1, 2, 4, 6, 7])
def test_pages_joined_are_the_whole_list(plant: Plant, rows_max: int) -> None:
    with_alerts(plant)
    found, cursor = list[str](), ""
    while True:
        page = plant.get("/alerts", params={"rows_max": rows_max, "cursor": cursor})
        assert len(page["alerts"]) <= rows_max
        found += ids(page)
        if page["next"] is None:
            break
        cursor = page["next"]
    assert found == STANDING


def test_a_page_is_not_moved_by_what_happens_meanwhile(plant: Plant) -> None:
    with_alerts(plant)
    first = plant.get("/alerts", params={"rows_max": 3})
    post(plant, "cutter-1.device_offline/unshelve")
    occur(plant, "cutter-1", ConditionKind.WORN_SECTION)
    rest = plant.get("/alerts", params={"cursor": first["next"]})
    assert ids(first) + ids(rest) == STANDING


def test_an_alert_of_a_retired_drive_is_still_there(plant: Plant) -> None:
    with_alerts(plant)
    plant.ports.register.retire_drive("hoist-4", NOW_NS)
    assert plant.get("/alerts/hoist-4.sensing_failed")["drive"]["name"] == "Hoist <4>"
    assert ids(plant.get("/alerts", params={"drive": "hoist-4"})) == ["hoist-4.sensing_failed"]


def test_an_alert_that_never_was_is_not_found(plant: Plant) -> None:
    with_drives(plant)
    for path in (f"/alerts/{NEAR_ID}", f"/alerts/{NEAR_ID}/history", "/alerts/nonsense"):
        answer = plant.client.get(API + path)
        assert answer.status_code == 404
        assert "nothing ever happened" in answer.json()["detail"]


# History, and everything since


def test_a_history_tells_each_step_from_to_why_and_by_whom(plant: Plant) -> None:
    with_drives(plant)
    occur(plant, at_ns=NOW_NS - 100 * S, recorded_ns=NOW_NS - 90 * S)
    post(plant, f"{NEAR_ID}/acknowledge", why="on my round")
    first, second = plant.get(f"/alerts/{NEAR_ID}/history")
    assert (first["event"], first["before"], first["after"], first["by"]) == (
        "occur",
        "normal",
        "unacknowledged",
        "linklag",
    )
    assert (first["true"], first["recorded"]) == (
        "2026-09-10T12:58:20.000000Z",
        "2026-09-10T12:58:30.000000Z",
    )
    assert first["annunciates"]
    assert first["cautions"] == list(CAUTIONS)
    assert (second["event"], second["after"], second["why"]) == ("acknowledge", "acknowledged", "on my round")
    assert second["by"]
    assert plant.get(f"/alerts/{NEAR_ID}/history", params={"rows_max": 1}) == [second]


def test_a_client_that_was_away_misses_nothing(plant: Plant) -> None:
    """It keeps a copy of states by list and transitions, while things happen between any two requests."""
    with_alerts(plant)
    copy = {each["alert"]: each["seq"] for each in plant.get("/alerts", params={"standing": "any"})["alerts"]}
    number = plant.get("/alerts")["number"]
    missed = [
        happen(plant, "kiln-car-2", ConditionKind.AT_LIMIT, Event.COMMENT, why=f"{n}") for n in range(7)
    ]
    missed.append(occur(plant, "cutter-1", ConditionKind.WORN_SECTION))
    seen = []
    while True:
        page = plant.get("/alerts/transitions", params={"after": number, "rows_max": 3})
        seen += page["transitions"]
        for each in page["transitions"]:
            copy[each["alert"]] = each["seq"]
        number = page["next"]
        if not page["more"]:
            break
    assert [each["number"] for each in seen] == [each.transition.number for each in missed]
    now = plant.get("/alerts", params={"standing": "any"})
    assert copy == {each["alert"]: each["seq"] for each in now["alerts"]}
    assert now["number"] == number


def test_transitions_of_one_drive_only(plant: Plant) -> None:
    with_alerts(plant)
    page = plant.get("/alerts/transitions", params={"drive": "hoist-4"})
    assert [each["kind"] for each in page["transitions"]] == ["sensing_failed"] * 2 + ["sensor_moved"] * 3


def test_a_number_ahead_of_the_store_is_told_so(plant: Plant) -> None:
    """A store that was put back from a copy must not leave a client waiting for ever."""
    with_alerts(plant)
    for path in ("/alerts/transitions?after=1000", "/alerts/stream?after=1000"):
        answer = plant.client.get(API + path)
        assert answer.status_code == 409
        assert "Read /alerts anew" in answer.json()["detail"]


def test_who_waits_is_answered_as_soon_as_something_happens(fake_plant: Plant) -> None:
    with_drives(fake_plant)
    later = threading.Timer(0.3, lambda: occur(fake_plant))
    later.start()
    page = fake_plant.get("/alerts/transitions", params={"wait_s": 20})
    later.join()
    assert [each["alert"] for each in page["transitions"]] == [NEAR_ID]


def test_who_waits_in_vain_is_answered_with_nothing_and_may_ask_again(fake_plant: Plant) -> None:
    page = fake_plant.get("/alerts/transitions", params={"wait_s": 0.2})
    assert page == {"transitions": [], "next": 0, "more": False}


def test_push_and_pull_say_the_same_in_the_same_words() -> None:
    assert set(TransitionOut.model_fields) == set(TransitionFields.__struct_fields__)
    assert set(StandingFields.__struct_fields__) - {"holds"} <= set(AlertOut.model_fields)


@pytest.mark.parametrize(
    ("words", "all_of"),
    [(TITLES, ConditionKind), (EVENTS, Event), (PRIORITIES, Priority), (STATES, [*Annunciation, *Hold])],
)
def test_everything_has_its_words(words: dict[Any, str], all_of: Any) -> None:
    assert list(words) == list(all_of) or set(words) == set(all_of)
    assert len(set(words.values())) == len(words)


# Answers


def test_acknowledging_names_who_and_says_how_it_is_now(plant: Plant) -> None:
    with_drives(plant)
    occur(plant)
    done = post(plant, f"{NEAR_ID}/acknowledge", seq=1)
    assert (done["alert"]["state"], done["alert"]["seq"]) == ("acknowledged", 2)
    assert done["alert"]["acknowledged_by"] == done["transition"]["by"] != ""
    assert done["alert"] == plant.get(f"/alerts/{NEAR_ID}")
    assert done["transition"] == plant.get(f"/alerts/{NEAR_ID}/history")[-1]


def test_each_answer_does_what_it_says(plant: Plant) -> None:
    with_drives(plant)
    occur(plant)
    shelved = post(plant, f"{NEAR_ID}/shelve", until="2026-09-12T00:00:00Z", why="stop on Saturday")["alert"]
    assert (shelved["state"], shelved["annunciation"]) == ("shelved", "unacknowledged")
    assert post(plant, f"{NEAR_ID}/unshelve")["transition"]["annunciates"]
    out = post(plant, f"{NEAR_ID}/out-of-service", review="2026-10-01T00:00:00Z", why="rebuild")["alert"]
    assert (out["state"], out["held"][0]["until"]) == ("out_of_service", "2026-10-01T00:00:00Z")
    assert post(plant, f"{NEAR_ID}/back-in-service")["alert"]["state"] == "unacknowledged"
    assert (
        post(plant, f"{NEAR_ID}/comments", why="clicks at the tail")["transition"]["why"]
        == "clicks at the tail"
    )
    ordered = post(plant, f"{NEAR_ID}/work-order", work_order="WO-7")["alert"]
    assert ordered["work_order"] == "WO-7"
    assert [each["event"] for each in plant.get(f"/alerts/{NEAR_ID}/history")] == [
        "occur",
        "shelve",
        "unshelve",
        "take_out_of_service",
        "put_back_in_service",
        "comment",
        "set_work_order",
    ]


ANSWERS: list[tuple[str, dict[str, Any]]] = [
    ("acknowledge", {}),
    ("shelve", {"until": "2026-09-12T00:00:00Z", "why": "x"}),
    ("out-of-service", {"review": "2026-10-01T00:00:00Z", "why": "x"}),
    ("comments", {"why": "x"}),
    ("work-order", {"work_order": "WO-7"}),
]


@pytest.mark.parametrize(("path", "body"), ANSWERS)
@pytest.mark.parametrize("how", ["seq", "If-Match"])
def test_the_second_of_two_people_is_told_what_the_first_did_and_how_it_is_now(
    plant: Plant, path: str, body: dict[str, Any], how: str
) -> None:
    with_drives(plant)
    occur(plant)
    happen(plant, "kiln-car-2", ConditionKind.NEAR, Event.ACKNOWLEDGE, by="m.brandt")
    if how == "seq":
        told = post(plant, f"{NEAR_ID}/{path}", 409, seq=1, **body)
    else:
        told = post(plant, f"{NEAR_ID}/{path}", 409, {"If-Match": '"1"'}, **body)
    assert told["type"] == "urn:linklag:problem:overtaken"
    assert "acknowledge by m.brandt" in told["detail"]
    assert told["alert"] == plant.get(f"/alerts/{NEAR_ID}")
    assert told["alert"]["seq"] == 2


@pytest.mark.parametrize(("path", "body"), ANSWERS)
def test_sent_again_with_its_key_an_answer_is_done_once(
    plant: Plant, path: str, body: dict[str, Any]
) -> None:
    with_drives(plant)
    occur(plant)
    key = {"Idempotency-Key": "0c1a6d6e-7d0f-4a52-9a55-6f2e1f1f2f7b"}
    first = post(plant, f"{NEAR_ID}/{path}", 200, key, seq=1, **body)
    assert post(plant, f"{NEAR_ID}/{path}", 200, key, seq=1, **body) == first
    assert plant.ports.alert_log.newest_number() == 2


def test_a_key_used_for_something_else_is_refused(plant: Plant) -> None:
    with_drives(plant)
    occur(plant)
    key = {"Idempotency-Key": "one"}
    post(plant, f"{NEAR_ID}/acknowledge", 200, key)
    told = post(plant, f"{NEAR_ID}/comments", 422, key, why="x")
    assert "used before" in told["detail"]


def test_what_makes_no_sense_in_this_state_is_told_with_how_it_is(plant: Plant) -> None:
    with_drives(plant)
    occur(plant)
    told = post(plant, f"{NEAR_ID}/unshelve", 409)
    assert told["type"] == "urn:linklag:problem:not-in-this-state"
    assert told["alert"]["state"] == "unacknowledged"
    assert post(plant, "cutter-1.near/acknowledge", 409)["alert"] is None


@pytest.mark.parametrize(
    ("path", "body", "named"),
    [
        ("shelve", {"until": "2026-09-12T00:00:00Z"}, "why"),
        ("shelve", {"until": "2026-09-12T00:00:00Z", "why": " "}, "reason"),
        ("shelve", {"until": "2026-09-10T12:00:00Z", "why": "x"}, "after now"),
        ("shelve", {"until": "2026-12-10T12:00:00Z", "why": "x"}, "within 30 days"),
        ("shelve", {"until": "tomorrow", "why": "x"}, "until"),
        ("out-of-service", {"review": "2028-09-12T00:00:00Z", "why": "x"}, "within 366 days"),
        ("comments", {"why": ""}, "write something"),
        ("comments", {"why": "x", "by": "somebody else"}, "by"),
        ("work-order", {"work_order": "a\nb"}, "line ends"),
        ("acknowledge", {"seq": -1}, "seq"),
        ("acknowledge", {"seq": "x"}, "seq"),
    ],
)
def test_what_cannot_be_is_refused_with_the_fix_and_changes_nothing(
    plant: Plant, path: str, body: dict[str, Any], named: str
) -> None:
    with_drives(plant)
    occur(plant)
    assert named in post(plant, f"{NEAR_ID}/{path}", 422, **body)["detail"]
    assert plant.ports.alert_log.newest_number() == 1


@pytest.mark.parametrize("if_match", ["x", '"1', "W/1", '"1", "2"'])
def test_an_if_match_that_is_none_is_refused(plant: Plant, if_match: str) -> None:
    with_drives(plant)
    occur(plant)
    assert "If-Match" in post(plant, f"{NEAR_ID}/acknowledge", 422, {"If-Match": if_match})["detail"]


def test_if_match_and_seq_must_not_contradict_and_a_star_matches_all(plant: Plant) -> None:
    with_drives(plant)
    occur(plant)
    post(plant, f"{NEAR_ID}/comments", 422, {"If-Match": '"2"'}, seq=1, why="x")
    post(plant, f"{NEAR_ID}/comments", 200, {"If-Match": "*"}, why="x")


def test_many_are_acknowledged_at_once_and_the_rest_named(plant: Plant) -> None:
    with_alerts(plant)
    alerts = [
        {"alert": "kiln-car-2.at_limit", "seq": 1},
        {"alert": "kiln-car-2.bad_joint"},
        {"alert": "kiln-car-2.near"},
        {"alert": "nothing.near"},
    ]
    came = post(plant, "acknowledge", alerts=alerts, why="shift meeting")
    assert ids({"alerts": came["acknowledged"]}) == ["kiln-car-2.at_limit", "kiln-car-2.bad_joint"]
    assert [each["alert"] for each in came["refused"]] == ["kiln-car-2.near", "nothing.near"]
    assert "acknowledged" in came["refused"][0]["detail"]
    assert came["refused"][0]["now"] == plant.get(f"/alerts/{NEAR_ID}")
    assert came["refused"][1]["now"] is None


@pytest.mark.parametrize("path", [path for path, _ in ANSWERS])
def test_a_store_that_is_down_is_told_and_nothing_changes(fake_plant: Plant, path: str) -> None:
    with_drives(fake_plant)
    occur(fake_plant)
    alert_log = fake_plant.ports.alert_log
    assert isinstance(alert_log, FakeAlertLog)
    alert_log.down = "the disk is full"
    told = post(fake_plant, f"{NEAR_ID}/{path}", 503, **dict(ANSWERS)[path])
    assert "disk is full" in told["detail"]
    alert_log.down = None
    assert alert_log.newest_number() == 1


def test_operators_answer_engineers_take_out_of_service_and_viewers_only_look(fake_plant: Plant) -> None:
    roles = {
        (path.removeprefix(API), method): each.role
        for each in guarded_routes(fake_plant.app)
        for path, method in ((each.path, method) for method in each.methods)
        if path.removeprefix(API).startswith("/alerts")
    }
    assert len(roles) > 10
    for (path, method), role in roles.items():
        engineers = path.endswith(("/out-of-service", "/back-in-service"))
        expected = Role.VIEWER if method == "GET" else Role.ENGINEER if engineers else Role.OPERATOR
        assert role is expected, (method, path)


# The stream


class Listener:
    """A client of the stream that reads events as they come."""

    def __init__(self, url: str, headers: dict[str, str] | None = None, query: str = "") -> None:
        at = urlsplit(url)
        self.connection = http.client.HTTPConnection(at.hostname or "", at.port, timeout=10)
        self.connection.request("GET", f"{API}/alerts/stream{query}", headers=headers or {})
        self.answer = self.connection.getresponse()
        self.last_id = ""

    def next(self, kind: str) -> Any:
        """Return the data of the next event of a kind."""
        while True:
            fields: dict[str, str] = {}
            while line := self.answer.readline().decode().rstrip("\n"):
                name, _, value = line.partition(": ")
                fields[name] = value
            if not fields:
                raise EOFError
            self.last_id = fields.get("id", self.last_id)
            if fields.get("event") == kind:
                return json.loads(fields["data"])


@contextmanager
def listening(plant: Plant, **how: Any) -> Iterator[Listener]:
    with served(plant.app) as url:
        listener = Listener(url, **how)
        try:
            yield listener
        finally:
            listener.connection.close()


def test_who_listens_gets_what_happens_from_now_on(fake_plant: Plant) -> None:
    with_alerts(fake_plant)
    newest = fake_plant.ports.alert_log.newest_number()
    with listening(fake_plant) as listener:
        assert listener.answer.getheader("content-type") == "text/event-stream; charset=utf-8"
        assert listener.next("beat")["store"] == "up"
        assert listener.last_id == str(newest)
        happen(fake_plant, "kiln-car-2", ConditionKind.AT_LIMIT, Event.COMMENT, why="heard it")
        event = listener.next("transition")
        assert (event["number"], event["why"]) == (newest + 1, "heard it")
        assert listener.last_id == str(newest + 1)
        assert event == fake_plant.get("/alerts/kiln-car-2.at_limit/history")[-1]


@pytest.mark.parametrize("how", ["header", "query"])
def test_who_comes_back_gets_all_it_missed_in_order(fake_plant: Plant, how: str) -> None:
    with_alerts(fake_plant)
    for n in range(500):
        happen(fake_plant, "kiln-car-2", ConditionKind.AT_LIMIT, Event.COMMENT, why=f"{n}")
    newest = fake_plant.ports.alert_log.newest_number()
    given: dict[str, Any] = {"headers": {"Last-Event-ID": "3"}} if how == "header" else {"query": "?after=3"}
    with listening(fake_plant, **given) as listener:
        found = [listener.next("transition")["number"] for _ in range(newest - 3)]
    assert found == list(range(4, newest + 1))


def test_the_stream_of_one_drive(fake_plant: Plant) -> None:
    with_alerts(fake_plant)
    with listening(fake_plant, query="?after=0&drive=hoist-4") as listener:
        assert [listener.next("transition")["drive"]["id"] for _ in range(5)] == ["hoist-4"] * 5


@pytest.mark.parametrize("last", ["x", "-1", "1.5", "٣", "1" * 21])
def test_a_last_id_that_is_no_number_is_refused(fake_plant: Plant, last: str) -> None:
    answer = fake_plant.client.get(f"{API}/alerts/stream", params={"after": last})
    assert answer.status_code == 422


def test_too_many_listeners_are_sent_away() -> None:
    with a_plant(stream_clients_max=1) as plant, listening(plant) as listener:
        listener.next("beat")
        assert plant.client.get(f"{API}/alerts/stream").status_code == 503
        assert plant.client.get(f"{API}/alerts/transitions").status_code == 503


def story(alert_log: FakeAlertLog, tell: Any) -> None:
    def encode(page: Any) -> bytes:
        return b"".join(f"{each.number} ".encode() for each in page)

    async def run() -> None:
        feed = AlertFeed(alert_log, period_s=0.05)
        async with asyncio.timeout(20), aclosing(feed.events(0, None, encode)) as events:
            await tell(feed, events)

    asyncio.run(run())


def test_a_store_that_goes_down_and_comes_back_loses_nothing_of_the_stream(fake_plant: Plant) -> None:
    with_drives(fake_plant)
    alert_log = fake_plant.ports.alert_log
    assert isinstance(alert_log, FakeAlertLog)

    async def tell(feed: AlertFeed, events: Any) -> None:
        occur(fake_plant)
        while not (await anext(events)).startswith(b"1 "):
            pass
        alert_log.down = "gone"
        while b'"store": "down"' not in await anext(events):
            pass
        alert_log.down = None
        happen(fake_plant, "kiln-car-2", ConditionKind.NEAR, Event.COMMENT, why="x")
        while not (await anext(events)).startswith(b"2 "):
            pass
        assert feed.clients == 1

    story(alert_log, tell)


def test_a_fault_of_ours_ends_the_stream_and_the_next_client_starts_anew(fake_plant: Plant) -> None:
    with_drives(fake_plant)

    class Broken(FakeAlertLog):
        broken = False

        def newest_number(self) -> int:
            if self.broken:
                raise ZeroDivisionError
            return super().newest_number()

    alert_log = Broken()

    async def tell(feed: AlertFeed, events: Any) -> None:
        await anext(events)
        alert_log.broken = True
        async for _ in events:
            pass
        alert_log.broken = False
        async with aclosing(feed.events(0, None, lambda _: b"")) as again:
            assert b"beat" in await anext(again)
            assert b"beat" in await anext(again)

    story(alert_log, tell)


def test_closing_ends_every_stream(fake_plant: Plant) -> None:
    alert_log = fake_plant.ports.alert_log
    assert isinstance(alert_log, FakeAlertLog)

    async def tell(feed: AlertFeed, events: Any) -> None:
        await anext(events)
        feed.close()
        async for _ in events:
            pass

    story(alert_log, tell)


def test_the_log_is_not_asked_while_nobody_listens() -> None:
    class Counted(FakeAlertLog):
        looks = 0

        def newest_number(self) -> int:
            self.looks += 1
            return super().newest_number()

    alert_log = Counted()

    async def run() -> None:
        feed = AlertFeed(alert_log, period_s=0.05)
        async with aclosing(feed.events(0, None, lambda _: b"")) as events:
            await anext(events)
            assert await feed.wait(0, None, 0.2, 10) == list[Transition]()
        await asyncio.sleep(0.2)
        looks = alert_log.looks
        await asyncio.sleep(0.3)
        assert looks == alert_log.looks > 0

    asyncio.run(run())


def test_the_error_that_names_the_first_is_made_for_people(fake_plant: Plant) -> None:
    with_drives(fake_plant)
    alert = occur(fake_plant).alert
    assert str(OvertakenError(alert)).endswith("Look at it again before you go on")
