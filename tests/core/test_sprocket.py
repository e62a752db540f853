"""When sprockets are due: with every second or third chain, or by inspection."""

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.core.drive import Chain
from service.core.fields import FieldsRefusedError
from service.core.sprocket import (
    DAY_NS,
    Due,
    Inspection,
    Place,
    Sprocket,
    chains_on,
    sprocket_states,
)

DRIVER = Sprocket(
    drive_id="a", place=Place.DRIVER, teeth=19, fitted_ns=DAY_NS, recorded_ns=DAY_NS, by="K", number=1
)
NOW_NS = 2000 * DAY_NS


def chain(number: int, days: int = 100, *, on: bool = False) -> Chain:
    start = DAY_NS * (1 + 100 * number)
    return Chain(
        chain_id=f"a-{number}",
        drive_id="a",
        designation="16B-1",
        pitch_mm=25.4,
        fitted_ns=start,
        removed_ns=None if on else start + days * DAY_NS,
    )


def chains(count: int) -> list[Chain]:
    return [*(chain(number) for number in range(count - 1)), chain(count - 1, on=True)] if count else []


def seen(day: float, *, worn: bool = False, sprocket: int = 1) -> Inspection:
    at_ns = round(day * DAY_NS)
    return Inspection(sprocket=sprocket, inspected_ns=at_ns, worn=worn, by="K", recorded_ns=at_ns)


def due(count: int, *inspections: Inspection) -> Due:
    (state,) = sprocket_states([DRIVER], inspections, chains(count), NOW_NS)
    assert state.chains == count
    return state.due


@pytest.mark.parametrize(
    ("count", "expected"), [(0, Due.NO), (1, Due.NO), (2, Due.INSPECT), (3, Due.YES), (7, Due.YES)]
)
def test_chains_wear_a_sprocket_out(count: int, expected: Due) -> None:
    """Source: chain makers' advice to users, sprockets with every second or third chain (common practice)."""
    assert due(count) is expected


@pytest.mark.parametrize("count", range(5))
def test_worn_teeth_are_due_whatever_ran_on_them(count: int) -> None:
    assert due(count, seen(50, worn=True)) is Due.YES


def test_good_teeth_rest_the_count_until_the_next_chain() -> None:
    good = seen(250)
    assert due(3, good) is Due.NO
    assert due(4, good) is Due.YES


def test_the_newest_inspection_counts() -> None:
    assert due(1, seen(60), seen(50, worn=True)) is Due.NO
    assert due(1, seen(50), seen(60, worn=True)) is Due.YES


def test_an_inspection_of_another_sprocket_says_nothing() -> None:
    assert due(1, seen(60, worn=True, sprocket=2)) is Due.NO


@given(st.integers(0, 12), st.lists(st.tuples(st.integers(2, 1999), st.booleans()), max_size=4), st.randoms())
def test_the_order_in_which_things_are_told_changes_nothing(
    count: int, looks: list[tuple[int, bool]], order: Any
) -> None:
    inspections = [replace(seen(day, worn=worn), number=n) for n, (day, worn) in enumerate(looks, 1)]
    first = sprocket_states([DRIVER], inspections, chains(count), NOW_NS)
    shuffled, other = list(inspections), chains(count)
    order.shuffle(shuffled)
    order.shuffle(other)
    assert sprocket_states([DRIVER], shuffled, other, NOW_NS) == first


def test_only_sprockets_that_are_on_are_told_the_most_pressing_first() -> None:
    worn = replace(DRIVER, place=Place.IDLER, number=2)
    off = replace(DRIVER, number=3, removed_ns=NOW_NS - DAY_NS)
    later = replace(DRIVER, number=4, fitted_ns=NOW_NS + DAY_NS)
    states = sprocket_states([DRIVER, worn, off, later], [seen(60, worn=True, sprocket=2)], chains(1), NOW_NS)
    assert [each.sprocket.number for each in states] == [2, 1]
    assert states[0].inspected == seen(60, worn=True, sprocket=2)


def test_a_chain_of_less_than_a_day_did_not_run_on_it() -> None:
    trial = replace(chain(0), removed_ns=chain(0).fitted_ns + DAY_NS // 2)
    assert chains_on(DRIVER, [trial], NOW_NS) == []


def test_a_chain_that_was_on_when_the_sprocket_came_counts() -> None:
    late = replace(DRIVER, fitted_ns=150 * DAY_NS)
    assert [each.chain_id for each in chains_on(late, chains(4), NOW_NS)] == ["a-1", "a-2", "a-3"]


@pytest.mark.parametrize(
    ("field", "wrong"),
    [
        ({"teeth": 2}, "teeth"),
        ({"place": "shaft"}, "place"),
        ({"removed_ns": 5}, "removed_ns"),
        ({"drive_id": "A b"}, "drive_id"),
    ],
)
def test_a_sprocket_that_cannot_be_is_refused(field: dict[str, Any], wrong: str) -> None:
    with pytest.raises(FieldsRefusedError) as refused:
        replace(DRIVER, **field)
    assert set(refused.value.problems) == {wrong}


def test_an_inspection_says_yes_or_no() -> None:
    with pytest.raises(FieldsRefusedError, match="worn"):
        replace(seen(1), worn="perhaps")  # type: ignore[arg-type]
