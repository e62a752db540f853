"""What is written under a lease is written only while that lease holds, whatever it is."""

import threading
from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest
from sqlalchemy import select

from service.adapters.database.connect import Database
from service.adapters.database.tables import metadata
from service.core.drive import Drive
from service.ports import Due, Holder, Lease, LeaseLostError, Resolution, SavedEvaluation, SavedMap
from tests.contracts.given import (
    A_DRIVE,
    A_RAW_BATCH,
    NOON_NS,
    POSTGRES,
    SQLITE,
    a_reading,
    an_empty_database,
)
from tests.contracts.test_outbox import A_ROUTE
from tests.postgres import an_empty_postgres

WRITES: dict[str, Callable[[Database], object]] = {
    "an evaluation": lambda database: database.evaluations.save(
        [SavedEvaluation(drive_id="press-3", state={"a": 1}, checkpoints=None)]
    ),
    "what is done": lambda database: database.evaluations.save(
        [], [Due(drive_id="press-3", from_ns=1, changes=1)]
    ),
    "a map": lambda database: database.chain_maps.save(SavedMap(chain_id="a", folded_to_ns=1, state={})),
    "readings": lambda database: database.readings.store([a_reading()]),
    "readings and batches": lambda database: database.store_all([a_reading()], [A_RAW_BATCH]),
    "roll-ups": lambda database: database.readings.roll_up(),
    "what is to be forgotten": lambda database: database.raw_batches.forget(2**62),
    "a drive": lambda database: database.register.add_drive(replace(A_DRIVE, drive_id="new")),
    "how far was looked": lambda database: database.outbox.plan(
        A_ROUTE.route_id, before=0, position=5, rows=[]
    ),
    "what arrived": lambda database: database.outbox.sent(A_ROUTE.route_id, [1], NOON_NS),
}


def content(database: Database) -> dict[str, list[str]]:
    """All rows of all tables."""
    with database._transactions.reading() as connection:
        return {
            table.name: sorted(map(str, connection.execute(select(table))))
            for table in metadata.sorted_tables
        }


@pytest.fixture(params=[SQLITE, POSTGRES])
def database(request: pytest.FixtureRequest) -> Iterator[Database]:
    with an_empty_postgres() if request.param == POSTGRES else an_empty_database() as store:
        yield store


@pytest.mark.parametrize("write", WRITES.values(), ids=list(WRITES))
def test_nothing_is_written_under_a_lease_that_was_lost(
    write: Callable[[Database], object], database: Database
) -> None:
    database.register.add_drive(A_DRIVE)
    database.readings.store([a_reading(-100)])
    database.raw_batches.keep([replace(A_RAW_BATCH, seq=99)])
    database.outbox.add(A_ROUTE, 0)
    database.leases.beat(Holder(name="mill-7", beat=1))
    lease = database.leases.take("folding", "mill-7", NOON_NS)
    assert lease is not None
    fenced = database.fenced(lambda: [lease])
    fenced.register.add_drive(Drive(drive_id="held"))
    database.leases.let_go(lease)
    before = content(database)
    with pytest.raises(LeaseLostError):
        write(fenced)
    assert content(database) == before
    write(database)  # for who writes under no lease nothing has changed
    assert content(database) != before


def test_who_holds_nothing_writes_nothing_and_may_read(database: Database) -> None:
    fenced = database.fenced(list)
    with pytest.raises(LeaseLostError):
        fenced.register.add_drive(A_DRIVE)
    assert fenced.register.drives() == []


def test_the_books_of_readings_elsewhere_are_kept_by_who_lost_its_lease_too(database: Database) -> None:
    """Points that it wrote late may be over those that another wrote since: the roll-up is noted as due again."""
    interval = (Resolution.MINUTE, NOON_NS, "press-3")
    database.ledger.note_due([interval])
    due = database.ledger.due(Resolution.MINUTE, 10)
    database.ledger.done(Resolution.MINUTE, due)
    assert database.ledger.due(Resolution.MINUTE, 10) == []
    database.fenced(list).ledger.done(Resolution.MINUTE, due)
    assert [each[:2] for each in database.ledger.due(Resolution.MINUTE, 10)] == [interval[1:]]


def test_a_lease_is_not_taken_while_something_is_written_under_it(database: Database) -> None:
    """Whoever takes it waits for that transaction, so what it reads then is what was written."""
    for name in ("kiln-2", "mill-7"):
        database.leases.beat(Holder(name=name, beat=1))
    held = database.leases.take("folding", "mill-7", NOON_NS)
    assert held is not None
    (_, seen), _ = database.leases.look()
    order: list[str] = []
    looked: list[Lease | None] = []

    def take() -> None:
        assert database.leases.count_out(seen)
        looked.append(database.leases.take("folding", "kiln-2", NOON_NS))
        order.append("taken")

    thread = threading.Thread(target=take)
    with database.fenced(lambda: [held])._transactions.writing():
        thread.start()
        thread.join(0.2)
        order.append("written")
    thread.join(10)
    assert order == ["written", "taken"]
    assert looked[0] is not None
    assert looked[0].term == 2
