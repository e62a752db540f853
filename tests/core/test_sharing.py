"""Tasks are spread evenly over whoever is ready, by a rule that each process follows for itself."""

from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.core.sharing import Move, next_move, share_of

NAMES = ["a", "b", "c", "d", "e"]


def settle(held: dict[str, str], tasks: list[str], ready: list[str], order: list[str]) -> int:
    """Let each in turn look and move until nobody does; return how often tasks changed hands."""
    moves = 0
    for _ in range(4 * len(ready) + 4):
        still = True
        for me in order:
            move = next_move(me, tasks, held, ready, Counter(held.values()))
            for task in move.give_up:
                assert held.pop(task) == me
            for task in move.take:
                assert task not in held
                held[task] = me
            moves += len(move.take)
            still = still and move == Move()
        if still:
            return moves
    raise AssertionError("they never come to rest")


@given(
    n=st.integers(0, 30),
    ready=st.lists(st.sampled_from(NAMES), min_size=1, unique=True),
    data=st.data(),
)
def test_whatever_was_held_before_each_task_gets_one_and_all_have_as_many(
    n: int, ready: list[str], data: st.DataObject
) -> None:
    tasks = [f"t{number}" for number in range(n)]
    before = {
        task: name for task in tasks if (name := data.draw(st.sampled_from([*ready, None]))) is not None
    }
    held = dict(before)
    settle(held, tasks, ready, data.draw(st.permutations(ready)))
    parts = [Counter(held.values())[name] for name in ready]
    assert sorted(held) == sorted(tasks)
    assert max(parts) - min(parts) <= 1
    # Nothing moves that need not: only what was free, and what somebody had over the greatest part.
    most = -(-n // len(ready))
    over = sum(max(0, count - n // len(ready)) for count in Counter(before.values()).values())
    moved = sum(1 for task, name in before.items() if held[task] != name)
    assert moved <= over
    assert all(count <= most for count in parts)


def test_one_that_is_there_alone_has_all_and_gives_half_to_another() -> None:
    tasks = [f"t{number}" for number in range(24)]
    held: dict[str, str] = {}
    assert settle(held, tasks, ["a"], ["a"]) == 24
    assert settle(held, tasks, ["a", "b"], ["b", "a"]) == 12
    assert Counter(held.values()) == {"a": 12, "b": 12}


def test_the_only_task_of_a_kind_stays_where_it_is_and_a_free_one_goes_to_who_does_least() -> None:
    ready = ["a", "b"]
    assert next_move("a", ["folding"], {"folding": "b"}, ready, {"b": 20}) == Move()
    assert next_move("b", ["folding"], {"folding": "b"}, ready, {"b": 20}) == Move()
    assert next_move("a", ["folding"], {}, ready, {"a": 3, "b": 2}) == Move()
    assert next_move("b", ["folding"], {}, ready, {"a": 3, "b": 2}) == Move(take=("folding",))


def test_what_somebody_holds_who_is_not_ready_for_it_is_not_free() -> None:
    assert next_move("a", ["folding"], {"folding": "z"}, ["a"], {}) == Move()


@pytest.mark.parametrize(
    ("name", "share"), [("d0", 11), ("d1", 22), ("press-3", 23), ("Talheim/feed left and right", 6)]
)
def test_a_name_falls_into_the_same_share_for_ever(name: str, share: int) -> None:
    """Of 24. Another rule would have two processes of two versions do the same drive under two leases."""
    assert share_of(name, 24) == share


def test_shares_of_many_names_are_about_even() -> None:
    counts = Counter(share_of(f"line-{number // 40}-drive-{number % 40}", 24) for number in range(24_000))
    assert len(counts) == 24
    assert max(counts.values()) < 1.2 * 1000  # 1000 each; 6 standard deviations are 190
    assert min(counts.values()) > 0.8 * 1000
