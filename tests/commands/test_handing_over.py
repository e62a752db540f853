"""A shift that ended goes out along the routes that take documents, as it was frozen and in words; routes know the sites' shifts."""

import json
from dataclasses import replace
from datetime import UTC
from zoneinfo import ZoneInfo

import pytest

from service.commands.handing_over import CONTENT_BYTES_MAX, document, handing_over, surroundings
from service.commands.serve import WorkerParts
from service.core.handover import Handover
from service.core.route import Route, Way
from service.hand_over import HandOver
from service.settings import read_settings
from tests.adapters.web.handed_plant import FROM_NS, SITE, TO_NS, stocked
from tests.contracts.given import NOON_NS, Ports, S, a_store, an_empty_database

HOOK = Route(route_id="office", way=Way.WEBHOOK, target="https://office.test/in", name="Office")


def test_a_frozen_shift_is_put_on_its_way_along_each_route_that_takes_it() -> None:
    with an_empty_database() as database:
        database.sites.put(SITE)
        database.outbox.add(HOOK, 0)
        database.outbox.add(replace(HOOK, route_id="adorf", sites=("Adorf",)), 0)
        database.outbox.add(replace(HOOK, route_id="alerts", documents=False), 0)
        web = {"zone": "Europe/Berlin", "public_url": "https://chains.plant.example/"}
        door = handing_over(read_settings(overrides={"web": web}), database)
        (frozen,) = door.freeze_due(TO_NS + 60 * S, after_s=60)
        assert door.freeze_due(TO_NS + 70 * S, after_s=60) == []
        waiting = {
            route: database.outbox.due(route, TO_NS + 100 * S) for route in ("office", "adorf", "alerts")
        }
        assert [len(rows) for rows in waiting.values()] == [1, 0, 0]
        event = waiting["office"][0].event
        assert event.id == f"{database.outbox.instance()}.handover-1"
        assert (event.type, event.subject, event.time) == (
            "linklag.handover",
            "Talheim/Late",
            "2026-09-10T20:01:00.000000Z",
        )
        assert event.data["sha256"] == frozen.head.sha256
        assert event.data["content"] == frozen.told
        assert event.data["link"] == "https://chains.plant.example/handovers/1"
        assert str(event.data["words"]).endswith("Read and sign it: https://chains.plant.example/handovers/1")
        receipts = door.shown(1).receipts
        assert [(each.system, each.reference) for each in receipts] == [("routes of linklag", "1 routes")]


def test_mail_and_chat_say_what_there_is_to_do_and_where_to_sign() -> None:
    with a_store("fake") as ports:
        stocked(ports, 3)
        told = document(_frozen(ports))
    words = str(told["words"]).splitlines()
    assert told["title"] == "Handover of Talheim: Late, Thu 10 Sep 2026"
    assert words[0].startswith("10 to do, 1 locked out, 1 drive at its limit, 3 alerts stand")
    assert words[1].startswith("Press 3: Locked out by M. Brandt")
    assert words[-3:] == [
        "and 2 more",
        "Before anyone goes near a drive: lock out and tag out, by your local codes.",
        "Read and sign it: /handovers/1",
    ]


def test_a_content_that_is_too_long_for_an_event_is_left_to_be_asked_for() -> None:
    with a_store("fake") as ports:
        stocked(ports, 40, wordy=" and more words" * 20)
        handover = _frozen(ports)
        assert len(handover.content.encode()) > CONTENT_BYTES_MAX
        told = document(handover)
    assert told["content"] is None
    assert (told["number"], told["sha256"]) == (1, handover.head.sha256)
    assert len(json.dumps(told).encode()) < 64 * 1024


@pytest.mark.parametrize("by_clock", [True, False])
def test_the_worker_hands_over_by_the_clock_unless_it_is_told_not_to(by_clock: int) -> None:
    with an_empty_database() as database:
        settings = read_settings(overrides={"handover": {"by_clock": bool(by_clock)}})
        names = [part.name for part in WorkerParts(settings, database).parts]
    assert ("handing over" in names) is bool(by_clock)


def test_routes_know_the_clocks_and_the_shift_of_a_site() -> None:
    with an_empty_database() as database:
        database.sites.put(SITE)
        around = surroundings(read_settings(), database)
        assert around.zone_of("Talheim") == ZoneInfo("Europe/Berlin")
        assert around.zone_of("Adorf") is UTC  # the plant's
        assert around.shift_at("Talheim", NOON_NS) == "Early"
        assert around.shift_at("Talheim", FROM_NS + 1) == "Late"
        assert around.shift_at("Adorf", NOON_NS) is None


def _frozen(ports: Ports) -> Handover:
    (handover,) = HandOver(ports).freeze_due(TO_NS + 60 * S, after_s=60)
    return handover
