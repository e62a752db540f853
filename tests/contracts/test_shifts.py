"""What every adapter of the ports `Sites`, `WorkInHand`, `Notes` and `Handovers` keeps to."""

import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from datetime import time
from typing import Any

import pytest
from sqlalchemy.exc import IntegrityError

from service.core.audit import AuditEntry
from service.core.handover import Handover, Head, Receipt, Signature, SignRole, canonical, sha256_of
from service.core.shift import Pattern, Site, Slot
from service.core.work import Note, Work, WorkKind
from service.ports import ConflictError, NotFoundError
from tests.contracts.given import A_DRIVE, ALL_STORES, NOON_NS, Ports, S, a_store, an_empty_database

H = 3600 * S
BY_KIND = pytest.mark.parametrize("kind", ALL_STORES)
A_SITE = Site(
    site="Talheim / north",
    zone="Europe/Berlin",
    pattern=Pattern(
        (
            Slot(name="Früh", starts=time(6), ends=time(14), days=frozenset({1, 2, 5})),
            Slot(name="Night", starts=time(22), ends=time(5, 30)),
        )
    ),
)
A_WORK = Work(
    drive_id="press-3",
    kind=WorkKind.REPAIR,
    since_ns=NOON_NS,
    by="M. Brandt",
    why="new bearings",
    work_order="4711",
    recorded_ns=NOON_NS + S,
)
A_NOTE = Note(
    site="Talheim",
    drive_id="press-3",
    text="Oil drips.",
    true_ns=NOON_NS,
    recorded_ns=NOON_NS + S,
    by="M. Brandt",
)
AN_ENTRY = AuditEntry(at_ns=NOON_NS, by="M. Brandt", what="done", subject="something")


def a_handover(from_h: int = 0, to_h: int = 8, **more: Any) -> Handover:
    content = canonical({"v": 1, "to_h": to_h, "words": "Größe"})
    base: dict[str, Any] = {
        "site": "Talheim",
        "shift": "Early",
        "from_ns": NOON_NS + from_h * H,
        "to_ns": NOON_NS + to_h * H,
        "frozen_ns": NOON_NS + to_h * H + 60 * S,
        "frozen_by": "linklag",
        "sha256": sha256_of(content),
    }
    return Handover(Head(**base | more), content)


GIVEN = Signature(
    handover=1,
    role=SignRole.GIVER,
    name="M. Brandt",
    by="brandt",
    at_ns=NOON_NS + 9 * H,
    sha256="ab",
    remark="quiet",
)
TAKEN = replace(GIVEN, role=SignRole.TAKER, name="A. Vogt", by="vogt", at_ns=NOON_NS + 9 * H + S, remark="")
A_RECEIPT = Receipt(handover=1, system="plant office", at_ns=NOON_NS, by="token office", reference="doc-9")


@pytest.fixture
def ports(kind: str) -> Iterator[Ports]:
    with a_store(kind) as store:
        store.register.add_drive(A_DRIVE)
        store.register.add_drive(replace(A_DRIVE, drive_id="saw-1"))
        yield store


@BY_KIND
def test_a_site_comes_back_as_it_was_set_last(ports: Ports) -> None:
    assert ports.sites.sites() == []
    assert ports.sites.site(A_SITE.site) is None
    other = Site(site="Adorf")
    for site in (A_SITE, other, replace(A_SITE, zone="UTC"), A_SITE):
        ports.sites.put(site)
    assert ports.sites.sites() == [other, A_SITE]
    assert ports.sites.site(A_SITE.site) == A_SITE


@BY_KIND
def test_work_comes_back_with_every_field_and_its_number(ports: Ports) -> None:
    first = ports.work_in_hand.open(A_WORK)
    second = ports.work_in_hand.open(replace(A_WORK, drive_id="saw-1", kind=WorkKind.LOCKED_OUT, since_ns=1))
    assert (first.work_id, second.work_id) == (1, 2)
    assert first == replace(A_WORK, work_id=1)
    assert ports.work_in_hand.work(1) == first
    assert ports.work_in_hand.in_hand() == [second, first]  # by since_ns
    assert ports.work_in_hand.in_hand("press-3") == [first]


@BY_KIND
def test_work_is_closed_once_and_stays(ports: Ports) -> None:
    work = ports.work_in_hand.open(A_WORK)
    done = replace(
        work,
        closed_ns=NOON_NS + H,
        closed_by="A. Vogt",
        closed_why="done",
        closed_recorded_ns=NOON_NS + 2 * H,
    )
    ports.work_in_hand.close(replace(done, why="something else"))
    assert ports.work_in_hand.work(work.work_id) == done
    assert ports.work_in_hand.in_hand() == []
    with pytest.raises(ConflictError, match=r"closed by A\. Vogt already"):
        ports.work_in_hand.close(replace(done, closed_by="other"))
    assert ports.work_in_hand.work(work.work_id) == done
    for unknown in (0, 7):
        with pytest.raises(NotFoundError, match=f"no work {unknown} in hand"):
            ports.work_in_hand.work(unknown)
        with pytest.raises(NotFoundError, match=f"no work {unknown} in hand"):
            ports.work_in_hand.close(replace(done, work_id=unknown))


@BY_KIND
def test_work_on_a_drive_that_is_not_registered_is_refused(ports: Ports) -> None:
    with pytest.raises(NotFoundError, match="mill-9"):
        ports.work_in_hand.open(replace(A_WORK, drive_id="mill-9"), entry=AN_ENTRY)
    assert ports.work_in_hand.in_hand() == []
    assert ports.audit_log.entries() == []


@BY_KIND
def test_work_that_was_known_in_a_time_is_what_was_recorded_and_not_closed_before_it(ports: Ports) -> None:
    open_work = ports.work_in_hand.open(A_WORK)  # recorded at noon and a second
    work = ports.work_in_hand.open(replace(A_WORK, since_ns=NOON_NS + S, recorded_ns=NOON_NS + 2 * S))
    done = replace(work, closed_ns=NOON_NS + 3 * S, closed_by="x", closed_recorded_ns=NOON_NS + 5 * S)
    ports.work_in_hand.close(done)
    known = ports.work_in_hand.known
    assert known(NOON_NS, NOON_NS) == []
    assert known(NOON_NS, NOON_NS + S) == [open_work]
    assert known(NOON_NS + 4 * S, NOON_NS + 9 * S) == [open_work, done]
    assert known(NOON_NS + 5 * S, NOON_NS + 9 * S) == [open_work]
    assert known(NOON_NS, NOON_NS + 9 * S, 1) == [done]


@BY_KIND
def test_notes_come_back_by_site_and_by_when_they_were_recorded(ports: Ports) -> None:
    first = ports.notes.add(A_NOTE)
    other = ports.notes.add(
        replace(A_NOTE, site="Adorf", drive_id="", text="a\nb", recorded_ns=NOON_NS + 2 * S)
    )
    late = ports.notes.add(replace(A_NOTE, true_ns=1, recorded_ns=NOON_NS + 3 * S))
    assert [first.number, other.number, late.number] == [1, 2, 3]
    assert first == replace(A_NOTE, number=1)
    assert ports.notes.recorded("Talheim", 0, NOON_NS + 9 * S) == [first, late]
    assert ports.notes.recorded(None, 0, NOON_NS + 9 * S) == [first, other, late]
    assert ports.notes.recorded("Talheim", NOON_NS + S, NOON_NS + 3 * S) == [late]
    assert ports.notes.recorded("Talheim", 0, NOON_NS + 3 * S - 1) == [first]
    assert ports.notes.recorded(None, 0, NOON_NS + 9 * S, 2) == [other, late]


@BY_KIND
def test_a_handover_is_frozen_once_and_stays_as_it_was(ports: Ports) -> None:
    stored = ports.handovers.freeze(a_handover(), entry=AN_ENTRY)
    assert stored.head.number == 1
    other = Handover(replace(a_handover().head, frozen_by="later", sha256="00"), "{}")
    assert ports.handovers.freeze(other, entry=AN_ENTRY) == stored
    assert ports.handovers.handover(1) == stored
    assert stored.intact
    assert len(ports.audit_log.entries()) == 1
    with pytest.raises(NotFoundError, match="no handover 2"):
        ports.handovers.handover(2)


@BY_KIND
def test_handovers_are_listed_by_number_or_by_cut_off(ports: Ports) -> None:
    spans = [(0, 8), (-8, 0), (8, 16)]  # the second was frozen late
    heads = [ports.handovers.freeze(a_handover(*span)).head for span in spans]
    adorf = ports.handovers.freeze(a_handover(site="Adorf")).head
    a_range = ports.handovers.freeze(a_handover(9, 17, shift="")).head
    of = ports.handovers.heads
    assert of() == [*heads, adorf, a_range]
    assert of(site="Talheim", after=1) == [heads[1], heads[2], a_range]
    assert of(after=1, rows_max=2) == [heads[1], heads[2]]
    assert of(site="Talheim", since_ns=heads[1].to_ns) == [heads[0], heads[2], a_range]
    assert ports.handovers.newest("Talheim", 3) == [a_range, heads[2], heads[0]]
    assert ports.handovers.newest() == [a_range, heads[2], adorf, heads[0], heads[1]]
    last = ports.handovers.last_shift("Talheim", a_range.to_ns + H)
    assert last is not None
    assert last.head == heads[2]
    before = ports.handovers.last_shift("Talheim", heads[2].to_ns)
    assert before is not None
    assert before.head == heads[0]
    assert ports.handovers.last_shift("Talheim", heads[1].to_ns) is None
    assert ports.handovers.last_shift("nowhere", 2**62) is None


@BY_KIND
def test_each_role_signs_a_handover_once(ports: Ports) -> None:
    ports.handovers.freeze(a_handover())
    ports.handovers.freeze(a_handover(8, 16))
    ports.handovers.sign(TAKEN)
    ports.handovers.sign(GIVEN, entry=AN_ENTRY)
    for again in (GIVEN, replace(GIVEN, name="other")):
        with pytest.raises(ConflictError, match=r"M\. Brandt, who signed already"):
            ports.handovers.sign(again, entry=AN_ENTRY)
    second = replace(GIVEN, handover=2)
    ports.handovers.sign(second)
    assert ports.handovers.signatures([1]) == [GIVEN, TAKEN]
    assert ports.handovers.signatures([2, 1]) == [GIVEN, TAKEN, second]
    assert ports.handovers.signatures([]) == []
    assert len(ports.audit_log.entries()) == 1
    with pytest.raises(NotFoundError, match="no handover 3"):
        ports.handovers.sign(replace(GIVEN, handover=3))


@BY_KIND
def test_the_first_receipt_of_a_system_stays(ports: Ports) -> None:
    ports.handovers.freeze(a_handover())
    assert ports.handovers.receive(A_RECEIPT, entry=AN_ENTRY) == A_RECEIPT
    again = replace(A_RECEIPT, at_ns=NOON_NS + S, reference="doc-10")
    assert ports.handovers.receive(again, entry=AN_ENTRY) == A_RECEIPT
    other = replace(A_RECEIPT, system="archive", at_ns=NOON_NS - S)
    assert ports.handovers.receive(other) == other
    assert ports.handovers.receipts([1]) == [other, A_RECEIPT]
    assert ports.handovers.receipts([2]) == []
    assert len(ports.audit_log.entries()) == 1
    with pytest.raises(NotFoundError, match="no handover 2"):
        ports.handovers.receive(replace(A_RECEIPT, handover=2))


@BY_KIND
def test_what_people_change_is_in_the_audit_log_of_the_same_transaction(ports: Ports) -> None:
    ports.sites.put(A_SITE, entry=replace(AN_ENTRY, subject="site"))
    work = ports.work_in_hand.open(A_WORK, entry=replace(AN_ENTRY, subject="opened"))
    closed = replace(work, closed_ns=NOON_NS, closed_recorded_ns=NOON_NS, closed_by="x")
    ports.work_in_hand.close(closed, entry=replace(AN_ENTRY, subject="closed"))
    ports.notes.add(A_NOTE, entry=replace(AN_ENTRY, subject="note"))
    subjects = [each.subject for each in ports.audit_log.entries()]
    assert subjects == ["note", "closed", "opened", "site"]


@pytest.mark.parametrize("table", ["handover", "handover_signature", "handover_receipt", "note"])
def test_the_database_itself_refuses_to_change_or_delete_what_is_frozen(table: str) -> None:
    """Also for who comes round linklag, with the database's own command."""
    with an_empty_database() as database:
        database.handovers.freeze(a_handover())
        database.handovers.sign(GIVEN)
        database.handovers.receive(A_RECEIPT)
        database.notes.add(A_NOTE)
        column = {"note": "text", "handover": "content"}.get(table, "by_whom")
        connection = sqlite3.connect(database._transactions.place)
        for statement in (f"UPDATE {table} SET {column} = 'x'", f"DELETE FROM {table}"):  # noqa: S608
            with pytest.raises(sqlite3.IntegrityError, match=f"a row of {table} is never"):
                connection.execute(statement)
        connection.close()
        with database._transactions.reading() as reading:
            assert reading.exec_driver_sql(f"SELECT count(*) FROM {table}").scalar() == 1  # noqa: S608
        with pytest.raises(IntegrityError), database._transactions.writing() as writing:
            writing.exec_driver_sql(f"DELETE FROM {table}")  # noqa: S608
        assert database.handovers.handover(1).intact
