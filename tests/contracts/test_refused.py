"""What every adapter of the port `Refused` keeps to. What comes here may be hostile."""

from collections.abc import Iterator
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.adapters.database.refused import Bounds
from service.core.batch import KEPT_PAYLOAD_BYTES_MAX, Rejection, RejectionReason
from service.ports import Refused
from tests.contracts.given import A_REJECTION, A_SIGHTING, ALL_STORES, NOON_NS, Few, S, a_store

pytestmark = pytest.mark.parametrize("kind", ALL_STORES)
BOUNDS = Bounds(rejections_per_drive=4, rejections=10, payload_bytes=10**9, sightings=3)
FEW = Few(refused=BOUNDS)


@pytest.fixture
def refused(kind: str) -> Iterator[Refused]:
    with a_store(kind, FEW) as store:
        yield store.refused


def numbered(number: int, drive_id: str = "press-3") -> Rejection:
    return replace(A_REJECTION, drive_id=drive_id, payload=b"%d" % number, received_ns=NOON_NS + number)


def test_a_rejection_comes_back_as_it_was(refused: Refused) -> None:
    refused.keep([A_REJECTION], [])
    (kept,) = refused.rejections()
    assert (kept.rejection, kept.repeats) == (A_REJECTION, 0)


def test_nothing_to_keep_is_nothing_kept(refused: Refused) -> None:
    refused.keep([], [])
    assert refused.rejections() == []
    assert refused.sightings() == []


@pytest.mark.parametrize("reason", RejectionReason)
def test_every_reason_can_be_kept(refused: Refused, reason: RejectionReason) -> None:
    refused.keep([replace(A_REJECTION, reason=reason)], [])
    assert [kept.rejection.reason for kept in refused.rejections()] == [reason]


def test_the_newest_come_first_and_each_has_a_number_of_its_own(refused: Refused) -> None:
    refused.keep([numbered(1), numbered(2, "saw-1")], [])
    refused.keep([numbered(3)], [])
    kept = refused.rejections()
    assert [one.rejection for one in kept] == [numbered(3), numbered(2, "saw-1"), numbered(1)]
    assert kept[0].number > kept[1].number > kept[2].number
    assert refused.rejections("press-3") == [kept[0], kept[2]]
    assert refused.rejections(rows_max=1) == kept[:1]
    assert refused.rejections("nothing") == []


def test_what_came_for_unregistered_drives_can_be_left_out(refused: Refused) -> None:
    wanted = replace(numbered(0), reason=RejectionReason.NOT_PARSEABLE)
    others = [replace(numbered(n, "nobodys"), reason=RejectionReason.UNREGISTERED) for n in range(1, 4)]
    refused.keep([wanted, *others], [])
    assert len(refused.rejections(rows_max=2)) == 2
    assert [one.rejection for one in refused.rejections(rows_max=2, unregistered=False)] == [wanted]


def test_the_same_payload_again_counts_as_a_repeat(refused: Refused) -> None:
    refused.keep([A_REJECTION, numbered(1), A_REJECTION], [])
    refused.keep([replace(A_REJECTION, received_ns=NOON_NS + 5, detail="other words")], [])
    assert [(one.rejection, one.repeats) for one in refused.rejections()] == [
        (numbered(1), 0),
        (A_REJECTION, 2),
    ]


@pytest.mark.parametrize(
    "other",
    [
        {"drive_id": "saw-1"},
        {"reason": RejectionReason.NOT_V1},
        {"payload": b"else"},
        {"payload_bytes": 6},
    ],
    ids=str,
)
def test_what_differs_is_kept_apart(refused: Refused, other: dict[str, object]) -> None:
    refused.keep([A_REJECTION, replace(A_REJECTION, **other)], [])  # type: ignore[arg-type]
    assert [one.repeats for one in refused.rejections()] == [0, 0]


def test_a_long_payload_is_cut_at_its_end(refused: Refused) -> None:
    payload = bytes(range(256)) * (KEPT_PAYLOAD_BYTES_MAX // 256) + b"tail"
    refused.keep([replace(A_REJECTION, payload=payload, payload_bytes=len(payload))], [])
    (kept,) = refused.rejections()
    assert kept.rejection.payload == payload[:KEPT_PAYLOAD_BYTES_MAX]
    assert kept.rejection.payload_bytes == len(payload)


def test_the_oldest_of_a_drive_go_first_and_others_keep_theirs(refused: Refused) -> None:
    refused.keep([numbered(0, "saw-1")], [])
    for number in range(1, 8):
        refused.keep([numbered(number)], [])
    assert [one.rejection for one in refused.rejections("press-3")] == [numbered(n) for n in (7, 6, 5, 4)]
    assert [one.rejection for one in refused.rejections("saw-1")] == [numbered(0, "saw-1")]


def test_numbers_are_never_given_out_twice(refused: Refused) -> None:
    seen: set[int] = set()
    for number in range(9):
        refused.keep([numbered(number)], [])
        seen.add(refused.rejections()[0].number)
    assert len(seen) == 9


@settings(deadline=None, max_examples=25)
@given(st.lists(st.tuples(st.integers(0, 30), st.integers(0, 9)), max_size=60), st.integers(1, 9))
def test_however_many_names_the_topics_invent_the_bounds_hold(
    kind: str, what: list[tuple[int, int]], at_once: int
) -> None:
    """The newest are there; no drive has more than its share; all together no more than theirs."""
    with a_store(kind, FEW) as store:
        for start in range(0, len(what), at_once):
            part = what[start : start + at_once]
            sightings = [
                replace(A_SIGHTING, drive_id=f"d{name}", last_seen_ns=NOON_NS + start) for name, _ in part
            ]
            store.refused.keep([numbered(number, f"d{name}") for name, number in part], sightings)
        kept = [one.rejection.drive_id for one in store.refused.rejections()]
        assert len(kept) <= BOUNDS.rejections
        assert all(kept.count(drive_id) <= BOUNDS.rejections_per_drive for drive_id in kept)
        assert len(store.refused.sightings()) <= BOUNDS.sightings
        if what:
            assert kept
            assert len(store.refused.sightings()) == min(BOUNDS.sightings, len({name for name, _ in what}))


# Sightings


def test_a_sighting_comes_back_as_it_was(refused: Refused) -> None:
    bare = replace(A_SIGHTING, drive_id="saw-2", device_id="", up_rate_hz=None, down_rate_hz=None)
    refused.keep([], [A_SIGHTING, bare])
    assert refused.sightings() == [A_SIGHTING, bare]


def test_messages_add_up_and_the_newest_says_what_was_seen(refused: Refused) -> None:
    newer = replace(A_SIGHTING, last_seen_ns=NOON_NS + 90 * S, messages=5, device_id="plc-5", up_rate_hz=None)
    older = replace(A_SIGHTING, first_seen_ns=NOON_NS - S, last_seen_ns=NOON_NS, messages=1, topic="old")
    refused.keep([], [A_SIGHTING])
    refused.keep([], [newer, older])
    assert refused.sightings() == [replace(newer, first_seen_ns=NOON_NS - S, messages=13)]


def test_the_one_seen_last_comes_first_and_the_longest_unseen_goes(refused: Refused) -> None:
    four = [replace(A_SIGHTING, drive_id=f"d{n}", last_seen_ns=NOON_NS + n * S) for n in (3, 1, 4, 2)]
    refused.keep([], four)
    assert [one.drive_id for one in refused.sightings()] == ["d4", "d3", "d2"]


def test_a_forgotten_sighting_is_gone_and_unknown_ones_change_nothing(refused: Refused) -> None:
    refused.keep([], [A_SIGHTING])
    refused.forget_sighting("nothing")
    assert refused.sightings() == [A_SIGHTING]
    refused.forget_sighting("saw-1")
    assert refused.sightings() == []
