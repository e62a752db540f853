"""The API for what was refused and for drives that nobody registered, on both stores."""

import base64
from dataclasses import replace

import pytest

from service.adapters.web.schemas import payload_text
from service.core.batch import Rejection, RejectionReason
from tests.adapters.web.plant import API, Plant
from tests.contracts.given import A_REJECTION, A_SIGHTING, NOON_NS, S

TEXT = Rejection(
    drive_id="saw-1",
    topic="linklag/v1/saw-1/pulses",
    reason=RejectionReason.NOT_V1,
    detail='"v" is missing: send "v": 1',
    payload='{"seq": 1, "note": "größer"}'.encode(),
    payload_bytes=30,
    received_ns=NOON_NS + S,
)


def test_rejections_come_newest_first_and_can_be_asked_for_by_drive(plant: Plant) -> None:
    plant.ports.refused.keep([A_REJECTION, TEXT], [])
    plant.ports.refused.keep([TEXT], [])
    found = plant.get("/rejections")
    assert [each["drive_id"] for each in found] == ["saw-1", "press-3"]
    assert found[0] == {
        "number": found[0]["number"],
        "drive_id": "saw-1",
        "topic": "linklag/v1/saw-1/pulses",
        "reason": "not_v1",
        "detail": '"v" is missing: send "v": 1',
        "payload_bytes": 30,
        "received": "2026-09-10T12:00:01Z",
        "repeats": 1,
    }
    assert [each["drive_id"] for each in plant.get("/rejections?drive_id=press-3")] == ["press-3"]
    assert len(plant.get("/rejections?rows_max=1")) == 1


def test_a_rejection_shows_its_payload_as_base64_and_as_text_where_it_is_text(plant: Plant) -> None:
    plant.ports.refused.keep([A_REJECTION, TEXT], [])
    by_drive = {each["drive_id"]: each["number"] for each in plant.get("/rejections")}
    text = plant.get(f"/rejections/{by_drive['saw-1']}")
    assert text["payload_text"] == '{"seq": 1, "note": "größer"}'
    assert text["payload_cut"] is False
    binary = plant.get(f"/rejections/{by_drive['press-3']}")
    assert base64.b64decode(binary["payload_base64"]) == b"\x00\xffabc"
    assert binary["payload_text"] is None


def test_a_payload_that_was_cut_is_said_to_be(plant: Plant) -> None:
    plant.ports.refused.keep([replace(TEXT, payload_bytes=2_000_000)], [])
    (found,) = plant.get("/rejections")
    detail = plant.get(f"/rejections/{found['number']}")
    assert (detail["payload_bytes"], detail["payload_cut"]) == (2_000_000, True)


@pytest.mark.parametrize(
    ("payload", "text"),
    [
        (b"", ""),
        (b"plain\r\n\t", "plain\r\n\t"),
        ("ä".encode()[:1], ""),  # cut within its last character
        ("aä€".encode()[:-1], "aä"),
        (b"\xffabcdef", None),
        (b"a\x00b", None),
    ],
)
def test_text_is_text_only_where_it_can_be_read(payload: bytes, text: str | None) -> None:
    assert payload_text(payload) == text


def test_a_drive_that_was_seen_is_registered_with_its_chain_in_one_call(plant: Plant) -> None:
    plant.ports.refused.keep([], [A_SIGHTING])
    (seen,) = plant.get("/sightings")
    assert (seen["drive_id"], seen["messages"], seen["up_rate_hz"]) == ("saw-1", 7, 50.5)
    answer = plant.client.post(
        f"{API}/sightings/saw-1/register",
        json={"name": "Saw", "whole_pitches": 24, "chain": {"designation": "ANSI 80"}},
    )
    assert answer.status_code == 201
    made = answer.json()
    assert made["drive"]["drive_id"] == "saw-1"
    assert made["chain"]["pitch_mm"] == 25.4  # ASME B29.1: number 80 is 8/8 inch
    assert plant.get("/sightings") == []
    assert plant.get("/drives/saw-1")["name"] == "Saw"


def test_what_is_wrong_leaves_the_sighting_where_it_is(plant: Plant) -> None:
    plant.ports.refused.keep([], [A_SIGHTING])
    for body in (
        {"whole_pitches": -1},
        {"whole_pitches": 24, "chain": {"designation": "nonsense"}},
        {"whole_pitches": 24, "chain": {"pitch_mm": 25.4, "fitted": "2030-01-01T00:00:00Z"}},
    ):
        assert plant.client.post(f"{API}/sightings/saw-1/register", json=body).status_code == 422
    assert len(plant.get("/sightings")) == 1
    assert plant.get("/drives") == []


def test_a_sighting_is_turned_away(plant: Plant) -> None:
    plant.ports.refused.keep([], [A_SIGHTING])
    answer = plant.client.delete(f"{API}/sightings/saw-1")
    assert (answer.status_code, answer.content) == (204, b"")
    assert plant.get("/sightings") == []
