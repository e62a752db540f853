"""What every adapter of the port `AuditLog` keeps to, and what the ports that store an entry with a change do."""

from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest

from service.core.audit import AuditEntry
from service.ports import ConflictError, NotFoundError
from tests.contracts.given import (
    A_BASELINE,
    A_CHAIN,
    A_DRIVE,
    A_HAND_VALUE,
    A_SIGHTING,
    ALL_STORES,
    NOON_NS,
    Ports,
    S,
    a_store,
)

pytestmark = pytest.mark.parametrize("kind", ALL_STORES)

AN_ENTRY = AuditEntry(
    at_ns=NOON_NS,
    by="m.brandt",
    what="drive changed",
    subject="drive press-3",
    old={"note": "", "whole_pitches": 20, "own_limit_pct": 1.25, "fixed_centres": True, "retired_ns": None},
    new={"note": "zweite Halterung von links: \u00bdmm", "whole_pitches": 22},
    why="bracket moved",
)


@pytest.fixture
def ports(kind: str) -> Iterator[Ports]:
    with a_store(kind) as store:
        yield store


def test_an_entry_comes_back_with_every_field_and_a_number(ports: Ports) -> None:
    bare = AuditEntry(at_ns=1, by="a", what="b", subject="c")
    ports.audit_log.record(AN_ENTRY)
    ports.audit_log.record(bare)
    assert ports.audit_log.entries() == [replace(bare, number=2), replace(AN_ENTRY, number=1)]


def test_entries_come_newest_first_in_pages_by_number(ports: Ports) -> None:
    for at_s in (5, 3, 4, 1, 2):
        ports.audit_log.record(replace(AN_ENTRY, at_ns=NOON_NS + at_s * S))
    seen, before = [], None
    while page := ports.audit_log.entries(before=before, rows_max=2):
        seen += [entry.number for entry in page]
        before = page[-1].number
    assert seen == [5, 4, 3, 2, 1]


def test_entries_are_found_by_subject_and_by_who(ports: Ports) -> None:
    for subject, by in [("drive a", "x"), ("drive b", "x"), ("drive a", "y")]:
        ports.audit_log.record(replace(AN_ENTRY, subject=subject, by=by))
    entries = ports.audit_log.entries
    assert [entry.number for entry in entries(subject="drive a")] == [3, 1]
    assert [entry.number for entry in entries(by="x")] == [2, 1]
    assert [entry.number for entry in entries(subject="drive a", by="x")] == [1]
    assert entries(subject="drive") == []


def _filled(ports: Ports) -> None:
    ports.register.add_drive(A_DRIVE)
    ports.register.fit_chain(A_CHAIN)
    ports.refused.keep([], [A_SIGHTING])


CHANGES: dict[str, Callable[[Ports], None]] = {
    "add": lambda p: p.register.add_drive(replace(A_DRIVE, drive_id="new-1"), entry=AN_ENTRY),
    "change": lambda p: p.register.change_drive(replace(A_DRIVE, note="x"), entry=AN_ENTRY),
    "retire": lambda p: p.register.retire_drive("press-3", NOON_NS + S, entry=AN_ENTRY),
    "fit": lambda p: p.register.fit_chain(
        replace(A_CHAIN, chain_id="older", fitted_ns=1, removed_ns=2), entry=AN_ENTRY
    ),
    "take off": lambda p: p.register.take_off_chain("press-3-a", NOON_NS + S, "worn", entry=AN_ENTRY),
    "baseline": lambda p: p.register.record_baseline(A_BASELINE, entry=AN_ENTRY),
    "by hand": lambda p: p.hand_values.record(A_HAND_VALUE, entry=AN_ENTRY),
    "sighting": lambda p: p.refused.forget_sighting("saw-1", entry=AN_ENTRY),
}
NOTHING_TO_DO: dict[str, Callable[[Ports], None]] = {
    "change": lambda p: p.register.change_drive(A_DRIVE, entry=AN_ENTRY),
    "sighting": lambda p: p.refused.forget_sighting("nobody", entry=AN_ENTRY),
}
REFUSED: dict[str, Callable[[Ports], None]] = {
    "add": lambda p: p.register.add_drive(A_DRIVE, entry=AN_ENTRY),
    "change": lambda p: p.register.change_drive(replace(A_DRIVE, drive_id="no"), entry=AN_ENTRY),
    "retire": lambda p: p.register.retire_drive("no", NOON_NS, entry=AN_ENTRY),
    "fit": lambda p: p.register.fit_chain(A_CHAIN, entry=AN_ENTRY),
    "take off": lambda p: p.register.take_off_chain("press-3-a", 1, "worn", entry=AN_ENTRY),
    "baseline": lambda p: p.register.record_baseline(replace(A_BASELINE, chain_id="no"), entry=AN_ENTRY),
    "by hand": lambda p: p.hand_values.record(replace(A_HAND_VALUE, chain_id="no"), entry=AN_ENTRY),
}


@pytest.mark.parametrize("change", CHANGES)
def test_a_change_and_its_entry_are_stored_together(ports: Ports, change: str) -> None:
    _filled(ports)
    CHANGES[change](ports)
    assert ports.audit_log.entries() == [replace(AN_ENTRY, number=1)]


@pytest.mark.parametrize("change", NOTHING_TO_DO)
def test_what_changes_nothing_leaves_no_entry(ports: Ports, change: str) -> None:
    _filled(ports)
    NOTHING_TO_DO[change](ports)
    assert ports.audit_log.entries() == []


@pytest.mark.parametrize("change", REFUSED)
def test_what_is_refused_leaves_no_entry(ports: Ports, change: str) -> None:
    _filled(ports)
    with pytest.raises((ConflictError, NotFoundError)):
        REFUSED[change](ports)
    assert ports.audit_log.entries() == []


def test_the_same_measurement_again_leaves_one_entry(ports: Ports) -> None:
    _filled(ports)
    for _ in range(2):
        ports.hand_values.record(A_HAND_VALUE, entry=AN_ENTRY)
    assert len(ports.audit_log.entries()) == 1
