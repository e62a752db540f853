"""The contract of `Leases`, held over the database and over the fake: one holds a task at most, and who lost it is told."""

from collections.abc import Iterator

import pytest

from service.ports import Holder, Lease, LeaseLostError
from tests.contracts.given import ALL_STORES, NOON_NS, Ports, S, a_store

A_LEASE = Lease(task="folding", holder="mill-7", term=1, since_ns=NOON_NS + S)


@pytest.fixture(params=ALL_STORES)
def ports(request: pytest.FixtureRequest) -> Iterator[Ports]:
    with a_store(request.param) as store:
        yield store


def taken(ports: Ports, task: str, name: str) -> Lease:
    lease = ports.leases.take(task, name, NOON_NS)
    assert lease is not None
    return lease


def test_nobody_is_there_in_a_new_store(ports: Ports) -> None:
    assert ports.leases.look() == ([], [])


def alive(ports: Ports, *names: str, beat: int = 1) -> None:
    for name in names:
        ports.leases.beat(Holder(name=name, beat=beat))


def test_the_newest_sign_of_life_of_each_is_known(ports: Ports) -> None:
    mill, kiln = (
        Holder(name="mill-7", beat=1, ready_for=("watch",), at_ns=NOON_NS),
        Holder(name="kiln-2", beat=7),
    )
    newer = Holder(name="mill-7", beat=2, ready_for=("folding", "watch"), at_ns=NOON_NS - S)
    for each in (mill, kiln, newer):
        ports.leases.beat(each)
    assert ports.leases.look()[0] == [kiln, newer]


def test_a_holder_without_a_name_is_refused(ports: Ports) -> None:
    with pytest.raises(ValueError, match="name"):
        alive(ports, "")


def test_one_takes_a_task_and_the_other_does_not(ports: Ports) -> None:
    alive(ports, "kiln-2", "mill-7")
    assert ports.leases.take("folding", "mill-7", NOON_NS + S) == A_LEASE
    assert ports.leases.take("folding", "kiln-2", NOON_NS) is None
    assert ports.leases.take("folding", "mill-7", NOON_NS) is None
    assert ports.leases.look()[1] == [A_LEASE]
    ports.leases.check([A_LEASE])


def test_who_gave_no_sign_of_life_takes_nothing(ports: Ports) -> None:
    assert ports.leases.take("folding", "mill-7", NOON_NS) is None
    assert ports.leases.look()[1] == []


def test_a_task_that_was_let_go_is_taken_in_a_higher_term(ports: Ports) -> None:
    alive(ports, "kiln-2", "mill-7")
    first = taken(ports, "folding", "mill-7")
    ports.leases.let_go(first)
    assert ports.leases.look()[1] == []
    second = taken(ports, "folding", "kiln-2")
    assert second.term == first.term + 1
    ports.leases.let_go(first)  # it was lost long ago
    ports.leases.check([second])
    with pytest.raises(LeaseLostError, match="another process does folding now"):
        ports.leases.check([first])


def test_the_same_process_in_a_later_term_does_not_hold_the_earlier_one(ports: Ports) -> None:
    alive(ports, "mill-7")
    first = taken(ports, "folding", "mill-7")
    ports.leases.let_go(first)
    second = taken(ports, "folding", "mill-7")
    with pytest.raises(LeaseLostError):
        ports.leases.check([second, first])


def test_who_is_counted_out_holds_nothing_and_may_come_again(ports: Ports) -> None:
    alive(ports, "mill-7")
    leases = [taken(ports, task, "mill-7") for task in ("folding", "watch/1")]
    (seen,), _ = ports.leases.look()
    assert ports.leases.count_out(seen)
    assert ports.leases.look() == ([], [])
    for lease in leases:
        with pytest.raises(LeaseLostError, match=lease.task):
            ports.leases.check([lease])
    assert ports.leases.take("folding", "mill-7", NOON_NS) is None
    alive(ports, "mill-7")
    assert taken(ports, "folding", "mill-7").term == 2


def test_who_gave_a_sign_of_life_meanwhile_is_not_counted_out(ports: Ports) -> None:
    alive(ports, "mill-7")
    (seen,), _ = ports.leases.look()
    lease = taken(ports, "folding", "mill-7")
    alive(ports, "mill-7", beat=2)
    assert not ports.leases.count_out(seen)
    assert not ports.leases.count_out(Holder(name="nobody", beat=1))
    ports.leases.check([lease])


def test_who_holds_nothing_is_told_so(ports: Ports) -> None:
    with pytest.raises(LeaseLostError):
        ports.leases.check([])


def test_who_leaves_frees_its_own_tasks_only(ports: Ports) -> None:
    alive(ports, "kiln-2", "mill-7")
    kept, freed = taken(ports, "watch/0", "kiln-2"), taken(ports, "watch/1", "mill-7")
    ports.leases.leave("mill-7")
    ports.leases.leave("nobody")
    holders, leases = ports.leases.look()
    assert [each.name for each in holders] == ["kiln-2"]
    assert leases == [kept]
    with pytest.raises(LeaseLostError, match="watch/1"):
        ports.leases.check([kept, freed])
