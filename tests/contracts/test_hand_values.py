"""What every adapter of the port `HandValues` keeps to."""

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest

from service.core.hand import HandMethod
from service.ports import HandValues, NotFoundError
from tests.contracts.given import A_CHAIN, A_DRIVE, A_HAND_VALUE, ALL_STORES, Ports, S, a_store

pytestmark = pytest.mark.parametrize("kind", ALL_STORES)


@pytest.fixture
def ports(kind: str) -> Iterator[Ports]:
    """A store in which two drives have a chain each."""
    with a_store(kind) as store:
        store.register.add_drive(A_DRIVE)
        store.register.fit_chain(A_CHAIN)
        store.register.add_drive(replace(A_DRIVE, drive_id="saw-1", whole_pitches=None))
        store.register.fit_chain(replace(A_CHAIN, drive_id="saw-1", chain_id="saw-1-a"))
        yield store


@pytest.fixture
def hand_values(ports: Ports) -> HandValues:
    return ports.hand_values


@pytest.mark.parametrize("method", HandMethod)
def test_a_value_comes_back_with_every_field(hand_values: HandValues, method: HandMethod) -> None:
    bare = replace(A_HAND_VALUE, method=method, measured_ns=1, tight=False, temp_c=None, note="")
    hand_values.record(A_HAND_VALUE)
    hand_values.record(bare)
    assert hand_values.of("press-3") == [bare, A_HAND_VALUE]
    assert hand_values.of("saw-1") == []
    assert hand_values.of("nothing") == []


def test_values_come_by_the_time_they_were_measured_then_recorded(hand_values: HandValues) -> None:
    late = replace(A_HAND_VALUE, recorded_ns=A_HAND_VALUE.recorded_ns + S, note="read again")
    older = replace(A_HAND_VALUE, measured_ns=A_HAND_VALUE.measured_ns - 1, recorded_ns=late.recorded_ns + S)
    for value in (late, older, A_HAND_VALUE):
        hand_values.record(value)
    assert hand_values.of("press-3") == [older, A_HAND_VALUE, late]


def test_the_very_same_again_changes_nothing_and_what_differs_is_kept(hand_values: HandValues) -> None:
    differs: list[dict[str, Any]] = [
        {"recorded_ns": A_HAND_VALUE.recorded_ns + 1},
        {"recorded_by": "other"},
        {"length_mm": 307.3},
        {"temp_c": None},
        {"tight": False},
        {"note": "other"},
    ]
    others = [replace(A_HAND_VALUE, **one) for one in differs]
    for value in [A_HAND_VALUE, *others, A_HAND_VALUE, *others]:
        hand_values.record(value)
    found = hand_values.of("press-3")
    assert len(found) == 1 + len(others)
    assert all(value in found for value in [A_HAND_VALUE, *others])


def test_what_is_sent_again_with_its_key_is_stored_once(hand_values: HandValues) -> None:
    """Whoever was first stays: a phone that got no answer sends again, later and with another time of arrival."""
    first = replace(A_HAND_VALUE, key="a", told_ns=A_HAND_VALUE.measured_ns - 60 * S)
    again = replace(first, recorded_ns=first.recorded_ns + 60 * S, measured_ns=first.measured_ns + 1)
    for value in (first, again, first):
        hand_values.record(value)
    assert hand_values.of("press-3") == [first]
    assert hand_values.by_key("press-3", "a") == first
    assert hand_values.by_key("press-3", "b") is None


def test_a_key_is_of_one_drive_and_another_key_another_measurement(hand_values: HandValues) -> None:
    of_saw = replace(A_HAND_VALUE, drive_id="saw-1", chain_id="saw-1-a", key="a")
    values = [replace(A_HAND_VALUE, key="a"), replace(A_HAND_VALUE, key="b"), of_saw]
    for value in values:
        hand_values.record(value)
    assert [each.key for each in hand_values.of("press-3")] == ["a", "b"]
    assert hand_values.by_key("saw-1", "a") == of_saw


def test_the_newest_of_every_drive_is_the_one_measured_last(hand_values: HandValues) -> None:
    assert hand_values.newest() == []
    of_saw = replace(A_HAND_VALUE, drive_id="saw-1", chain_id="saw-1-a")
    newer = replace(A_HAND_VALUE, measured_ns=A_HAND_VALUE.measured_ns + S, length_mm=308.0)
    corrected = replace(newer, recorded_ns=newer.recorded_ns + S, length_mm=307.5)
    for value in (corrected, newer, A_HAND_VALUE, of_saw):
        hand_values.record(value)
    assert sorted(hand_values.newest(), key=lambda one: one.drive_id) == [corrected, of_saw]


def test_those_of_many_drives_are_those_of_each(hand_values: HandValues) -> None:
    of_saw = replace(A_HAND_VALUE, drive_id="saw-1", chain_id="saw-1-a")
    newer = replace(A_HAND_VALUE, measured_ns=A_HAND_VALUE.measured_ns + S, length_mm=308.0)
    for value in (newer, A_HAND_VALUE, of_saw):
        hand_values.record(value)
    each = hand_values.of_each(["saw-1", "press-3", "mill-9"])
    assert each == {"press-3": [A_HAND_VALUE, newer], "saw-1": [of_saw]}
    assert each == {drive_id: hand_values.of(drive_id) for drive_id in each}
    assert hand_values.of_each([]) == {}


@pytest.mark.parametrize(
    ("wrong", "named"),
    [
        ({"drive_id": "mill-9"}, "drive 'mill-9'"),
        ({"chain_id": "mill-9-a"}, "'mill-9-a'"),
        ({"chain_id": "saw-1-a"}, "drive 'press-3' has no chain 'saw-1-a'"),
    ],
    ids=["drive", "chain", "chain of another drive"],
)
def test_what_is_not_registered_is_named_and_nothing_recorded(
    hand_values: HandValues, wrong: dict[str, str], named: str
) -> None:
    with pytest.raises(NotFoundError, match=named):
        hand_values.record(replace(A_HAND_VALUE, **wrong))  # type: ignore[arg-type]
    assert hand_values.newest() == []


def test_values_of_a_chain_that_came_off_can_still_be_recorded(ports: Ports) -> None:
    """A sheet from the shift before is typed in late."""
    ports.register.take_off_chain("press-3-a", A_CHAIN.fitted_ns + S, "worn")
    ports.register.retire_drive("press-3", A_CHAIN.fitted_ns + 2 * S)
    ports.hand_values.record(A_HAND_VALUE)
    assert ports.hand_values.of("press-3") == [A_HAND_VALUE]
