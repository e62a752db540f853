"""Processes share tasks: one holds each, whoever stops is replaced, and who was replaced stores nothing of it any more."""

import threading
from collections import Counter, defaultdict
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from service.ports import Lease, LeaseLostError, Leases, StoreUnavailableError
from service.share_tasks import BEATS, Alone, SharedTask, ShareTasks
from tests.contracts.given import ALL_STORES, a_store
from tests.fakes_leases import FakeLeases

AFTER_S = 12.0
SHARES = [f"watch/{number}" for number in range(6)]
KINDS = {"watch": lambda: SHARES, "folding": lambda: ["folding"]}


@dataclass
class Process:
    """One process with a clock that nobody sets, which begins anywhere, and a clock that people set, which is wrong."""

    share: ShareTasks
    tasks: dict[str, SharedTask]
    stack: ExitStack = field(default_factory=ExitStack)
    going: dict[str, SharedTask] = field(default_factory=dict)  # turns that have begun


class Time:
    """What all clocks go by."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def process(self, name: str, leases: Leases, *, begins_s: float = 0.0, wrong_ns: int = 0) -> Process:
        share = ShareTasks(
            leases,
            name,
            KINDS,
            after_s=AFTER_S,
            now_ns=lambda: round(self.now_s * 1e9) + wrong_ns,
            monotonic_s=lambda: self.now_s + begins_s,
        )
        return Process(share, {kind: share.task(kind) for kind in KINDS})


def held(process: Process, kind: str = "watch") -> list[str]:
    with process.tasks[kind].turn() as leases:
        return sorted(each.task for each in leases)


@pytest.fixture(params=ALL_STORES)
def leases(request: pytest.FixtureRequest) -> Iterator[Leases]:
    with a_store(request.param) as store:
        yield store.leases


def test_one_process_has_all_and_gives_half_to_another(leases: Leases) -> None:
    time = Time()
    one, other = time.process("a", leases), time.process("b", leases)
    one.share.turn()
    assert held(one) == SHARES
    assert held(one, "folding") == ["folding"]
    for _ in range(2):
        other.share.turn()
        one.share.turn()
    other.share.turn()
    assert (len(held(one)), len(held(other))) == (3, 3)
    assert sorted(held(one) + held(other)) == SHARES
    assert held(one, "folding") == ["folding"]


def test_who_gives_no_sign_of_life_is_replaced_after_the_stated_time_and_not_before(leases: Leases) -> None:
    """However wrong its clock is by which people read the time."""
    time = Time()
    dead, other = time.process("a", leases, wrong_ns=10**18), time.process("b", leases, begins_s=1e6)
    dead.share.turn()
    other.share.turn()
    looks = 0
    while not held(other):
        looks += 1
        time.now_s += AFTER_S / BEATS
        other.share.turn()
    assert looks == BEATS
    assert held(other) == SHARES
    assert held(other, "folding") == ["folding"]


def test_who_was_held_up_does_nothing_by_itself_before_others_take_over(leases: Leases) -> None:
    time = Time()
    one = time.process("a", leases)
    one.share.turn()
    with one.tasks["watch"].turn() as mine:
        assert len(mine) == 6
        time.now_s += 0.79 * AFTER_S
        assert one.tasks["watch"].goes_on()
        time.now_s += 0.02 * AFTER_S
        assert not one.tasks["watch"].goes_on()
    assert held(one) == []
    one.share.turn()  # nobody was there to take them
    assert held(one) == SHARES


def test_who_cannot_give_a_sign_of_life_says_so_once_it_should_have() -> None:
    leases, time = FakeLeases(), Time()
    one = time.process("a", leases)
    assert one.share.trouble() == ""
    leases.down = "away"
    time.now_s += 1.01 * AFTER_S
    assert "sign of life" in one.share.trouble()
    leases.down = None
    one.share.turn()
    assert one.share.trouble() == ""


def test_a_look_that_comes_late_counts_nobody_out(leases: Leases) -> None:
    """Whoever stood still, or had no store, saw no sign of life either; that says nothing of the others."""
    time = Time()
    one, other = time.process("a", leases), time.process("b", leases)
    one.share.turn()
    other.share.turn()
    time.now_s += 100 * AFTER_S
    other.share.turn()
    assert held(other) == []
    one.share.turn()
    other.share.turn()
    assert (len(held(one)), len(held(other))) == (3, 3)


def test_who_comes_back_after_it_was_counted_out_stores_nothing_and_shares_anew(leases: Leases) -> None:
    time = Time()
    paused, other = time.process("a", leases), time.process("b", leases)
    paused.share.turn()
    with paused.tasks["watch"].turn() as mine:
        for _ in range(BEATS + 1):
            other.share.turn()
            time.now_s += AFTER_S / BEATS
        assert held(other) == SHARES
        with pytest.raises(LeaseLostError):
            leases.check(mine)
        paused.share.turn()
        assert not paused.tasks["watch"].goes_on()
    for _ in range(3):
        other.share.turn()
        paused.share.turn()
    assert (len(held(paused)), len(held(other))) == (3, 3)


def test_nothing_is_given_up_in_the_middle_of_a_turn(leases: Leases) -> None:
    time = Time()
    one, other = time.process("a", leases), time.process("b", leases)
    one.share.turn()
    other.share.turn()
    with one.tasks["watch"].turn() as mine:
        one.share.turn()
        leases.check(mine)
        assert one.tasks["watch"].goes_on()
    one.share.turn()
    other.share.turn()
    assert (len(held(one)), len(held(other))) == (3, 3)


def test_who_stops_leaves_all_to_the_others_at_once(leases: Leases) -> None:
    time = Time()
    other = time.process("b", leases)
    stop = threading.Event()
    stop.set()
    time.process("a", leases).share.run(stop)
    other.share.turn()
    assert held(other) == SHARES


def test_a_task_that_is_none_any_more_is_given_up_and_a_new_one_is_taken(leases: Leases) -> None:
    routes = ["delivery/a", "delivery/b"]
    share = ShareTasks(leases, "one", {"delivery": lambda: routes}, after_s=AFTER_S, monotonic_s=lambda: 0.0)
    share.turn()
    routes[:] = ["delivery/b", "delivery/c"]
    share.turn()
    assert [each.task for each in leases.look()[1]] == routes
    with share.task("delivery", "delivery/c").turn() as mine:
        assert [each.task for each in mine] == ["delivery/c"]
    with share.task("delivery", "delivery/a").turn() as mine:
        assert mine == ()


class Forgetful(FakeLeases):
    """A store that took a lease and whose answer got lost."""

    lose_answer = False

    def take(self, task: str, name: str, at_ns: int) -> Lease | None:
        lease = super().take(task, name, at_ns)
        if self.lose_answer:
            raise StoreUnavailableError("no answer")
        return lease


def test_a_task_that_was_taken_without_an_answer_is_known_at_the_next_turn() -> None:
    leases, time = Forgetful(), Time()
    one = time.process("a", leases)
    leases.lose_answer = True
    with pytest.raises(StoreUnavailableError):
        one.share.turn()
    leases.lose_answer = False
    one.share.turn()
    assert held(one) == SHARES


def test_alone_has_all() -> None:
    task = Alone()
    with task.turn() as leases:
        assert leases
        assert task.goes_on()


class Sharing(RuleBasedStateMachine):
    """Processes that run, stand still, die and come anew, over a store that is away at times: what they store never mingles."""

    def __init__(self) -> None:
        super().__init__()
        self.leases, self.time = FakeLeases(), Time()
        self.running: dict[str, Process] = {}
        self.still: dict[str, Process] = {}
        self.stored: dict[str, list[Lease]] = defaultdict(
            list
        )  # by task, in the order in which it was stored
        self.came = 0

    names = st.sampled_from(range(4))

    @initialize(clocks=st.lists(st.tuples(st.floats(0, 1e7), st.integers(-(10**18), 10**18)), min_size=1))
    def begin(self, clocks: list[tuple[float, int]]) -> None:
        self.clocks = clocks
        for _ in range(3):
            self.comes()
        for _ in range(3):
            for process in self.running.values():
                process.share.turn()
        self.all_begin_turns()

    @precondition(lambda self: len(self.running) + len(self.still) < 4)
    @rule()
    def comes(self) -> None:
        begins_s, wrong_ns = self.clocks[self.came % len(self.clocks)]
        self.came += 1
        name = f"p{self.came}"
        self.running[name] = self.time.process(name, self.leases, begins_s=begins_s, wrong_ns=wrong_ns)

    def pick(self, of: dict[str, Process], number: int) -> str:
        return sorted(of)[number % len(of)]

    @precondition(lambda self: self.running)
    @rule(number=names)
    def is_killed(self, number: int) -> None:
        del self.running[self.pick(self.running, number)]

    @precondition(lambda self: self.running)
    @rule(number=names)
    def stands_still(self, number: int) -> None:
        name = self.pick(self.running, number)
        self.still[name] = self.running.pop(name)

    @precondition(lambda self: self.still)
    @rule(number=names)
    def goes_on(self, number: int) -> None:
        name = self.pick(self.still, number)
        self.running[name] = self.still.pop(name)

    @precondition(lambda self: self.running)
    @rule(number=names)
    def shares(self, number: int) -> None:
        try:
            self.running[self.pick(self.running, number)].share.turn()
        except StoreUnavailableError:
            assert self.leases.down is not None

    @precondition(lambda self: self.running)
    @rule(seconds=st.sampled_from([0.5, 2.0, 2.0, 5.0, 30.0]))
    def time_goes_by(self, seconds: float) -> None:
        """In steps, in which those that run share as they should, now and then."""
        self.time.now_s += seconds

    @precondition(lambda self: self.running)
    @rule(number=names)
    def one_is_slow(self, number: int) -> None:
        """All share as they should but one, which is only in the middle of its turns."""
        slow = self.pick(self.running, number)
        for _ in range(BEATS + 2):
            self.time.now_s += AFTER_S / BEATS
            for name in sorted(self.running.keys() - {slow}):
                try:
                    self.running[name].share.turn()
                except StoreUnavailableError:
                    assert self.leases.down is not None

    @precondition(lambda self: self.running)
    @rule()
    def all_begin_turns(self) -> None:
        for number in range(len(self.running)):
            for kind in KINDS:
                self.turn_begins(number, kind)

    @precondition(lambda self: self.running)
    @rule(data=st.data())
    def all_store(self, data: st.DataObject) -> None:
        for number in data.draw(st.permutations(range(len(self.running)))):
            self.stores(number)

    @rule(away=st.sampled_from([True, False, False, False]))
    def store_goes_or_comes(self, *, away: bool) -> None:
        self.leases.down = "away" if away else None

    def turn_begins(self, number: int, kind: str) -> None:
        process = self.running[self.pick(self.running, number)]
        if kind not in process.going or not process.going[kind].in_use():
            process.stack.enter_context(process.tasks[kind].turn())
            process.going[kind] = process.tasks[kind]

    def stores(self, number: int) -> None:
        for task in self.running[self.pick(self.running, number)].going.values():
            try:
                self.leases.check(task.in_use())
            except (LeaseLostError, StoreUnavailableError):
                continue
            for lease in task.in_use():
                self.stored[lease.task].append(lease)

    @precondition(lambda self: self.running)
    @rule(number=names)
    def turns_end(self, number: int) -> None:
        process = self.running[self.pick(self.running, number)]
        process.stack.close()
        process.going.clear()

    @invariant()
    def what_is_stored_never_mingles(self) -> None:
        """Of each task terms only rise, and each is of one process: nobody stores after another has taken over."""
        for of_task in self.stored.values():
            terms = [each.term for each in of_task]
            assert terms == sorted(terms)
            assert len(set(of_task)) == len(set(terms))

    @invariant()
    def no_two_think_that_they_hold_the_same(self) -> None:
        """As far as each can know by itself, unless it stands still: for what no transaction can take back."""
        counts = Counter(
            lease.task
            for process in self.running.values()
            for task in process.going.values()
            if task.goes_on()
            for lease in task.in_use()
        )
        assert all(count == 1 for count in counts.values()), counts

    def teardown(self) -> None:
        """Once all is well again each task is done, by all alike."""
        if not self.running:
            return
        self.leases.down = None
        for process in self.running.values():
            process.stack.close()
        for _ in range(4 * BEATS):
            self.time.now_s += AFTER_S / BEATS
            for name in sorted(self.running):
                self.running[name].share.turn()
        parts = [len(held(process)) for process in self.running.values()]
        assert sum(parts) == len(SHARES)
        assert max(parts) - min(parts) <= 1
        assert sum(len(held(process, "folding")) for process in self.running.values()) == 1


TestSharing = Sharing.TestCase
TestSharing.settings = settings(max_examples=40, stateful_step_count=50, deadline=None)
