"""Events: what is said of a transition, in CloudEvents and in words."""

import json
from dataclasses import replace
from datetime import UTC
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from cloudevents.v1.http import from_http

from service.core.alert import Act, Event, Transition, advance, applied, begin
from service.core.drive import Drive
from service.core.event import (
    BATCH_CONTENT_TYPE,
    CONTENT_TYPE,
    CloudEvent,
    alert_event,
    alerts_payload,
    decode,
    encode,
    encode_many,
    in_words,
    linked,
    many_in_words,
    trial_event,
)
from service.core.hand import CAUTIONS
from service.core.setpoint import ConditionKind, Facts, Priority

S = 1_000_000_000
T_NS = 1_764_058_500 * S  # 2025-11-25T08:15:00Z
KILN = Drive(drive_id="kiln-feed", name="Kiln feed", site="Lehmgrube", area="Kiln", line="2")
FACTS = Facts(
    cause="Elongation reached the second step.",
    mend="Order a chain and plan the change.",
    value=2.123456789,
    u=0.0123456789,
    setpoint=2.0,
    unit="%",
    at_drive=True,
)


def occur(number: int = 7, facts: Facts | None = FACTS) -> Transition:
    act = Act(event=Event.OCCUR, true_ns=T_NS, recorded_ns=T_NS + S, facts=facts, priority=Priority.HIGH)
    return replace(advance(begin("kiln-feed", ConditionKind.NEAR), act), number=number)


def test_the_event_of_a_transition_is_the_same_each_time_and_comes_back() -> None:
    event = alert_event(occur(), KILN, "a1b2")
    assert encode(event) == encode(alert_event(occur(), KILN, "a1b2"))
    assert decode(encode(event)) == event


def test_ids_differ_by_transition_store_and_when_it_was_recorded() -> None:
    again = occur()
    later = replace(again, act=replace(again.act, recorded_ns=T_NS + 2 * S))
    ids = {
        alert_event(occur(), KILN, "a1b2").id,
        alert_event(occur(8), KILN, "a1b2").id,
        alert_event(occur(), KILN, "c3d4").id,
        alert_event(later, KILN, "a1b2").id,
    }
    assert len(ids) == 4


def test_a_library_of_others_reads_the_event() -> None:
    read = from_http({"content-type": CONTENT_TYPE}, encode(alert_event(occur(), KILN, "a1b2")))
    assert read["type"] == "linklag.alert.occur"
    assert read["source"] == "urn:linklag:a1b2"
    assert read["subject"] == "kiln-feed/near"
    assert read["time"] == "2025-11-25T08:15:00.000000Z"
    data: Any = read.get_data()
    assert data["drive"] == {
        "id": "kiln-feed",
        "name": "Kiln feed",
        "site": "Lehmgrube",
        "area": "Kiln",
        "line": "2",
    }
    assert (data["value"], data["u"], data["setpoint"], data["unit"]) == (2.123457, 0.012346, 2.0, "%")
    assert (data["before"], data["after"], data["annunciates"]) == ("normal", "unacknowledged", True)
    assert data["priority"] == "high"


def test_the_cautions_go_with_what_sends_somebody_to_the_drive_and_with_nothing_else() -> None:
    assert alert_event(occur(), KILN, "x").data["cautions"] == list(CAUTIONS)
    assert alert_event(occur(facts=replace(FACTS, at_drive=False)), KILN, "x").data["cautions"] == []
    assert alert_event(occur(facts=None), KILN, "x").data["cautions"] == []


def test_several_events_are_one_array() -> None:
    both = [alert_event(occur(number), KILN, "x") for number in (1, 2)]
    read = json.loads(encode_many(both))
    assert [each["id"] for each in read] == [event.id for event in both]
    assert BATCH_CONTENT_TYPE == "application/cloudevents-batch+json"


def test_words_say_drive_place_condition_numbers_and_what_to_do_before_anyone_goes_there() -> None:
    title, body = in_words(alert_event(occur(), KILN, "x"), ZoneInfo("Europe/Berlin"))
    assert title == "Kiln feed: near, new (high)"
    for said in (
        "Drive kiln-feed (Lehmgrube, Kiln, 2)",
        "True 2025-11-25 09:15 +0100",
        "Value 2.123 ± 0.0247 %, setpoint 2 %.",
        FACTS.cause,
        FACTS.mend,
        *CAUTIONS,
    ):
        assert said in body


@pytest.mark.parametrize("event", list(Event))
def test_every_event_of_the_life_cycle_has_words(event: Event) -> None:
    alert = begin("kiln-feed", ConditionKind.NEAR)
    first = {
        Event.CLEAR: [Event.OCCUR],
        Event.ACKNOWLEDGE: [Event.OCCUR],
        Event.UNSHELVE: [Event.SHELVE],
        Event.SHELF_ENDS: [Event.SHELVE],
        Event.UNSUPPRESS: [Event.SUPPRESS],
        Event.PUT_BACK: [Event.TAKE_OUT],
    }.get(event, [])
    for each in [*first, event]:
        act = Act(
            event=each,
            by="A. Kern",
            why="planned stop",
            true_ns=T_NS,
            recorded_ns=T_NS,
            until_ns=T_NS + 3600 * S,
            work_order="W 12",
        )
        step = advance(alert, act)
        alert = applied(alert, step)
    title, body = in_words(alert_event(step, KILN, "x"), UTC)
    assert title.startswith("Kiln feed: near, ")
    assert "by A. Kern" in body
    assert "Why: planned stop" in body


def test_several_in_words_are_one_text_with_the_cautions_once() -> None:
    events = [alert_event(occur(number), KILN, "x") for number in (1, 2, 3)]
    title, body = many_in_words(events, UTC)
    assert title == "3 notes on chain drives"
    assert body.count("Kiln feed: near, new (high)") == 3
    assert body.count(CAUTIONS[0]) == 1
    assert body.endswith(CAUTIONS[-1])
    assert many_in_words(events[:1], UTC) == in_words(events[0], UTC)


def test_a_test_says_that_it_is_one() -> None:
    title, body = in_words(trial_event("hook", "t1", T_NS, "x"), UTC)
    assert title == "Test of the route hook"
    assert "nothing is to be done" in body


def test_an_event_names_a_whole_link_where_the_address_of_the_pages_is_known_and_words_say_it_once() -> None:
    plain = alert_event(occur(), KILN, "x")
    assert linked(plain, "", "/alerts/a") is plain
    event = linked(plain, "https://chains.plant.example", "/alerts/kiln-feed.near")
    link = "https://chains.plant.example/alerts/kiln-feed.near"
    assert event.data == {**plain.data, "link": link}
    assert encode(event) == encode(linked(plain, "https://chains.plant.example", "/alerts/kiln-feed.near"))
    _, body = in_words(event, UTC)
    assert body.count(link) == 1
    assert body.index(link) < body.index(CAUTIONS[0])
    said = linked(trial_event("r", "t", T_NS, "x"), "https://p.example", "/routes")
    assert in_words(said, UTC)[1].endswith("\nhttps://p.example/routes")
    document = CloudEvent(
        id="1",
        source="s",
        type="linklag.handover",
        subject="s",
        time="t",
        data={"words": f"Sign it: {link}", "link": link},
    )
    assert in_words(document, UTC)[1] == f"Sign it: {link}"
    _, many = many_in_words([event, event], UTC)
    assert many.count(link) == 2
    assert many.count(CAUTIONS[0]) == 1


def test_the_retained_payload_holds_what_stands_and_only_that() -> None:
    step = occur()
    alert = applied(begin("kiln-feed", ConditionKind.NEAR), step)
    normal = begin("kiln-feed", ConditionKind.BAD_JOINT)
    said = json.loads(alerts_payload([alert, normal], T_NS + 5 * S))
    assert said["number"] == 7
    assert said["t"] == "2025-11-25T08:15:05.000000Z"
    (one,) = said["alerts"]
    assert (one["alert"], one["state"], one["priority"]) == ("kiln-feed.near", "unacknowledged", "high")
    assert one["cautions"] == list(CAUTIONS)
    assert json.loads(alerts_payload([], T_NS))["alerts"] == []
