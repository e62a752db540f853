"""Which of several processes does which task, so that each task has one and all have about as many.

Pure: who is there and who holds what come in, what one of them is to do comes out. Each process asks for itself, at its own
time, and by the same rule, so nobody has to direct them.
"""

import hashlib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Move:
    """What a process is to do now: tasks to try to take, in this order, and tasks to give up."""

    take: tuple[str, ...] = ()
    give_up: tuple[str, ...] = ()


def share_of(name: str, shares: int) -> int:
    """Return into which of so many shares a name falls: the same on every machine, for ever, and even over names."""
    return int.from_bytes(hashlib.sha256(name.encode()).digest()[:8], "big") % shares


def next_move(
    me: str, tasks: Sequence[str], held: Mapping[str, str], ready: Collection[str], load: Mapping[str, int]
) -> Move:
    """Return what one process is to do about tasks of one kind.

    With n tasks and k processes ready each is to have n // k of them, and those that have most already (with as many, those
    that do less of other kinds; then by name) one more, as far as that goes. So nothing moves once all have their part.

    Args:
        me: who asks; one of `ready`.
        tasks: all of the kind.
        held: by whom those are held that anybody holds.
        ready: who would do tasks of this kind.
        load: how many tasks of any kind each of them holds.
    """
    of = {name: [task for task in tasks if held.get(task) == name] for name in ready}
    ranks = sorted(ready, key=lambda name: (-len(of[name]), load.get(name, 0), name)).index(me)
    part = len(tasks) // len(ready) + (ranks < len(tasks) % len(ready))
    if len(of[me]) > part:
        return Move(give_up=tuple(of[me][part:]))
    free = [task for task in tasks if held.get(task) is None]
    begin = len(free) * ranks // len(ready)  # not all at the same one
    return Move(take=tuple((free[begin:] + free[:begin])[: part - len(of[me])]))
