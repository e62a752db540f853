"""Door: processes that work on one store share what there is to do. Each task is done by one of them at a time.

The story of a turn: this process gives a sign of life; looks who else is there; counts out who gave none for too long; gives
up what is over its part, and takes what nobody does. What a task stores is stored only while its lease holds (`fenced` of the
store), so it does not matter for what is stored when somebody was counted out who was only slow. Rules for the next editor:

- No clock is compared with another's. How long somebody gave no sign of life is measured by this process, by a clock that
  nobody sets, from when it saw the last one. A look that comes late (this process stood still, the store was out of reach)
  says nothing of the others: the measuring begins anew.
- This process itself stops a little before the others may take over, if it cannot give its sign of life.
- Nothing is given up in the middle of a turn of its task.

Knows tasks by name only; must not know what is done in them.
"""

import threading
import time
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from typing import Protocol

import structlog

from service.core.sharing import next_move
from service.ports import Holder, Lease, Leases, StoreUnavailableError

BEATS = 6  # signs of life in the time after which one is counted out
OWN_PART = 0.8  # of that time, after which a process that gave none does nothing more by itself
LATE = 3  # so many times later than it should be, a look says nothing of the others

log = structlog.get_logger(__name__)


class Task(Protocol):
    """What has to be done by one process at a time. Used by one thread."""

    def turn(self) -> AbstractContextManager[Sequence[Lease]]:
        """Give what of it this process may do until the end of the `with`; nothing: another one does it."""
        ...

    def goes_on(self) -> bool:
        """Whether, within a turn, this process may still take it that nobody else has taken over."""
        ...


class Alone:
    """A task where there is one process only."""

    def __init__(self, *names: str) -> None:
        self._leases = [Lease(task=name, holder="alone", term=1) for name in names or ("all",)]

    @contextmanager
    def turn(self) -> Iterator[Sequence[Lease]]:
        """Give all of it."""
        yield self._leases

    def goes_on(self) -> bool:
        """Yes."""
        return True


class SharedTask:
    """A task, or all tasks of one kind, as far as this process has it."""

    def __init__(self, held: "ShareTasks", kind: str, name: str | None = None) -> None:
        self._held, self._kind, self._name = held, kind, name
        self._in_use: tuple[Lease, ...] = ()

    @contextmanager
    def turn(self) -> Iterator[Sequence[Lease]]:
        """Give the leases of it that this process has. They are kept until the end of the `with`, unless others take them."""
        self._in_use = self._held.begin(self._kind, self._name)
        try:
            yield self._in_use
        finally:
            self._held.end(self._in_use)
            self._in_use = ()

    def goes_on(self) -> bool:
        """Whether all that was given still holds as far as this process can know by itself."""
        return self._held.holds(self._in_use)

    def in_use(self) -> Sequence[Lease]:
        """What has to hold for what is stored now."""
        return self._in_use


class ShareTasks:
    """What this process has of what there is to do. `turn` and `run` are for one thread, all else for any."""

    def __init__(
        self,
        leases: Leases,
        name: str,
        kinds: Mapping[str, Callable[[], Sequence[str]]],
        *,
        after_s: float,
        now_ns: Callable[[], int] = time.time_ns,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        """A process that does nothing yet.

        Args:
            leases: who does what.
            name: of this process; no other one ever has the same.
            kinds: what it is ready for, and what tasks there are of each kind.
            after_s: who gave no sign of life for so long is counted out.
            now_ns: the clock that people read.
            monotonic_s: a clock that nobody sets, which goes on while this process is held.
        """
        if after_s <= 0:
            raise ValueError("after_s must be above 0")
        self.name, self._leases, self._kinds = name, leases, kinds
        self._after_s, self._now_ns, self._monotonic_s = after_s, now_ns, monotonic_s
        self.every_s = after_s / BEATS
        self._seen: dict[
            str, tuple[int, float]
        ] = {}  # of each other process: its beat, and when that was seen first
        self._looked_s = float("-inf")
        self._made_s = monotonic_s()
        self._beat = 0
        self._lock = threading.Lock()
        self._mine: dict[str, tuple[str, Lease]] = {}  # kind and lease, by task
        self._using: dict[str, int] = {}  # turns that go on, by task
        self._good_until_s = float("-inf")

    def task(self, kind: str, name: str | None = None) -> SharedTask:
        """Return the task of that name, or all of a kind."""
        return SharedTask(self, kind, name)

    # What goes on in this process

    def begin(self, kind: str, name: str | None = None) -> tuple[Lease, ...]:
        """Return what this process has of a kind, or of one task, and keep it until `end`."""
        with self._lock:
            if self._monotonic_s() >= self._good_until_s:
                return ()
            found = tuple(
                lease
                for of, lease in self._mine.values()
                if of == kind and (name is None or lease.task == name)
            )
            for lease in found:
                self._using[lease.task] = self._using.get(lease.task, 0) + 1
            return found

    def end(self, leases: Sequence[Lease]) -> None:
        """A turn with these is over."""
        with self._lock:
            for lease in leases:
                self._using[lease.task] -= 1
                if not self._using[lease.task]:
                    del self._using[lease.task]

    def holds(self, leases: Sequence[Lease]) -> bool:
        """Whether this process has all of these, as far as it knows."""
        with self._lock:
            return self._monotonic_s() < self._good_until_s and all(
                self._mine.get(each.task, ("", None))[1] == each for each in leases
            )

    def trouble(self) -> str:
        """What keeps this process from doing anything; empty where it can."""
        with self._lock:
            if self._monotonic_s() < max(self._good_until_s, self._made_s + self._after_s):
                return ""
        return "it has not got its sign of life into the store: the store is out of reach, or this process stood still"

    # Sharing

    def run(self, stop: threading.Event) -> None:
        """Share until `stop`, and leave. What fails is tried again."""
        while True:
            try:
                self.turn()
            except StoreUnavailableError as fault:
                log.warning("sharing_waits", fault=str(fault))
            except Exception:
                log.exception("sharing_failed")
            if stop.wait(self.every_s):
                break
        try:
            self.leave()
        except StoreUnavailableError as fault:
            log.warning("left_without_a_word", fault=str(fault), after_s=self._after_s)

    def turn(self) -> None:
        """Give a sign of life, and see to it that this process has its part. Raises StoreUnavailableError."""
        began_s = self._monotonic_s()
        self._beat += 1
        ready_for = tuple(sorted(self._kinds))
        self._leases.beat(Holder(name=self.name, beat=self._beat, ready_for=ready_for, at_ns=self._now_ns()))
        holders, leases = self._look()
        with self._lock:
            self._good_until_s = began_s + OWN_PART * self._after_s
            self._forget_lost({each.task: each for each in leases if each.holder == self.name})
        for kind, tasks_of in self._kinds.items():
            ready = {each.name for each in holders if kind in each.ready_for}
            if self.name in ready:  # else it was counted out since, and is there again at the next turn
                self._share(kind, tasks_of(), leases, ready)

    def leave(self) -> None:
        """Give all up. Raises StoreUnavailableError; then the others have it as from one who was killed."""
        with self._lock:
            self._mine, self._good_until_s = {}, float("-inf")
        self._leases.leave(self.name)

    def _look(self) -> tuple[Sequence[Holder], Sequence[Lease]]:
        """Who is there and who has what, once those are counted out that gave no sign of life for too long."""
        began_s = self._monotonic_s()
        holders, leases = self._leases.look()
        if began_s - self._looked_s > LATE * self.every_s:
            self._seen = {}
        self._looked_s = began_s
        others = [each for each in holders if each.name != self.name]
        now_s = self._monotonic_s()
        known, self._seen = self._seen, {}
        silent: list[Holder] = []
        for each in others:
            beat, since_s = known.get(each.name, (None, now_s))
            self._seen[each.name] = (each.beat, since_s if beat == each.beat else now_s)
            if beat == each.beat and began_s - since_s >= self._after_s:
                silent.append(each)
        gone = [each.name for each in silent if self._leases.count_out(each)]
        if not gone:
            return holders, leases
        log.warning("counted_out", holders=",".join(gone), after_s=self._after_s)
        return self._leases.look()

    def _forget_lost(self, stored: Mapping[str, Lease]) -> None:
        lost = [task for task, (_, lease) in self._mine.items() if stored.get(task) != lease]
        for task in lost:
            del self._mine[task]
        if lost:
            log.warning("tasks_lost", tasks=",".join(lost))

    def _share(
        self, kind: str, tasks: Sequence[str], leases: Sequence[Lease], ready: Collection[str]
    ) -> None:
        load: dict[str, int] = {}
        for each in leases:
            load[each.holder] = load.get(each.holder, 0) + 1
        held = {each.task: each.holder for each in leases}
        self._set_right(kind, tasks, leases)
        move = next_move(self.name, tasks, held, ready, load)
        for task in move.give_up:
            self._give_up(task, kind)
        taken = [task for task in move.take if self._take(task, kind)]
        if taken:
            log.info("tasks_taken", kind=kind, count=len(taken), tasks=",".join(taken))

    def _take(self, task: str, kind: str) -> bool:
        lease = self._leases.take(task, self.name, self._now_ns())
        if lease is not None:
            with self._lock:
                self._mine[task] = (kind, lease)
        return lease is not None

    def _set_right(self, kind: str, tasks: Sequence[str], leases: Sequence[Lease]) -> None:
        """Know what the store says is ours, of which we did not hear (it was taken, and the answer got lost); drop what is no task."""
        with self._lock:
            for each in leases:
                if each.holder == self.name and each.task in tasks:
                    self._mine.setdefault(each.task, (kind, each))
            gone = [task for task, (of, _) in self._mine.items() if of == kind and task not in tasks]
        for task in gone:
            self._give_up(task, kind)

    def _give_up(self, task: str, kind: str) -> None:
        """Give a task up, unless a turn of it goes on: then the next turn of ours tries again."""
        with self._lock:
            if task in self._using or task not in self._mine:
                return
            _, lease = self._mine.pop(task)
        self._leases.let_go(lease)
        log.info("task_given_up", task=task, kind=kind)
