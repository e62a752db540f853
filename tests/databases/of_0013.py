"""What the kept file of schema 0013 holds besides: two processes, and a task of each."""

from service.adapters.database.connect import Database
from service.ports import Holder, Lease
from tests.contracts.given import NOON_NS, S

HOLDERS = [
    Holder(name="kiln-2", beat=2, ready_for=("delivery",), at_ns=NOON_NS + S),
    Holder(name="mill-7", beat=1, ready_for=("folding", "watch"), at_ns=NOON_NS),
]
LEASES = [
    Lease(task="delivery/shift", holder="kiln-2", term=2, since_ns=NOON_NS + S),
    Lease(task="watch/3", holder="mill-7", term=1, since_ns=NOON_NS),
]


def fill(database: Database) -> None:
    """Store them."""
    leases = database.leases
    for holder in HOLDERS:
        leases.beat(holder)
    for lease in LEASES:
        leases.take(lease.task, lease.holder, lease.since_ns)
    leases.let_go(Lease(task="delivery/shift", holder="kiln-2", term=1))
    leases.take("delivery/shift", "kiln-2", NOON_NS + S)


def assert_all(database: Database) -> None:
    """They are shown as they were stored."""
    assert database.leases.look() == (HOLDERS, LEASES)
