"""In-memory stand-ins for sites, work in hand, notes and handovers, as tests/fakes.py has the others."""

from collections.abc import Sequence
from dataclasses import replace

from service.core.audit import AuditEntry
from service.core.handover import Handover, Head, Receipt, Signature, SignRole
from service.core.shift import Site
from service.core.work import Note, Work
from service.ports import ROWS_MAX, ConflictError, NotFoundError, Register, StoreUnavailableError
from tests.fakes_people import FakeAuditLog


class _Fake:
    """What every stand-in can do: be down, and tell the audit log."""

    down: str | None = None

    def __init__(self, audit_log: FakeAuditLog) -> None:
        self._audit_log = audit_log

    def _refuse_if_down(self) -> None:
        if self.down is not None:
            raise StoreUnavailableError(self.down)


class FakeSites(_Fake):
    """Sites by name."""

    def __init__(self, audit_log: FakeAuditLog) -> None:
        super().__init__(audit_log)
        self._sites: dict[str, Site] = {}

    def sites(self) -> list[Site]:
        self._refuse_if_down()
        return sorted(self._sites.values(), key=lambda each: each.site)

    def site(self, name: str) -> Site | None:
        self._refuse_if_down()
        return self._sites.get(name)

    def put(self, site: Site, *, entry: AuditEntry | None = None) -> None:
        self._refuse_if_down()
        self._sites[site.site] = site
        self._audit_log.record(entry)

    def take_out(self, name: str) -> None:
        """Forget one; for the fake of `Groups`."""
        del self._sites[name]


class FakeWorkInHand(_Fake):
    """Work in the order in which it was opened."""

    def __init__(self, register: Register, audit_log: FakeAuditLog) -> None:
        super().__init__(audit_log)
        self._register = register
        self._works: list[Work] = []

    def open(self, work: Work, *, entry: AuditEntry | None = None) -> Work:
        self._refuse_if_down()
        self._register.drive(work.drive_id)
        stored = replace(work, work_id=len(self._works) + 1)
        self._works.append(stored)
        self._audit_log.record(entry)
        return stored

    def close(self, work: Work, *, entry: AuditEntry | None = None) -> None:
        known = self.work(work.work_id)
        if not known.is_open:
            raise ConflictError(f"work {work.work_id} was closed by {known.closed_by} already")
        self._works[work.work_id - 1] = replace(
            known,
            closed_ns=work.closed_ns,
            closed_by=work.closed_by,
            closed_why=work.closed_why,
            closed_recorded_ns=work.closed_recorded_ns,
        )
        self._audit_log.record(entry)

    def work(self, work_id: int) -> Work:
        self._refuse_if_down()
        if not 1 <= work_id <= len(self._works):
            raise NotFoundError(f"there is no work {work_id} in hand")
        return self._works[work_id - 1]

    def in_hand(self, drive_id: str | None = None) -> list[Work]:
        self._refuse_if_down()
        found = [each for each in self._works if each.is_open and drive_id in {None, each.drive_id}]
        return sorted(found, key=lambda each: each.since_ns)

    def known(self, from_ns: int, to_ns: int, rows_max: int = ROWS_MAX) -> list[Work]:
        self._refuse_if_down()
        found = [
            each
            for each in self._works
            if each.recorded_ns <= to_ns
            and (each.closed_recorded_ns is None or each.closed_recorded_ns > from_ns)
        ]
        return sorted(found, key=lambda each: each.since_ns)[-rows_max:]


class FakeNotes(_Fake):
    """Notes in the order in which they came."""

    def __init__(self, audit_log: FakeAuditLog) -> None:
        super().__init__(audit_log)
        self._notes: list[Note] = []

    def add(self, note: Note, *, entry: AuditEntry | None = None) -> Note:
        self._refuse_if_down()
        stored = replace(note, number=len(self._notes) + 1)
        self._notes.append(stored)
        self._audit_log.record(entry)
        return stored

    def recorded(self, site: str | None, from_ns: int, to_ns: int, rows_max: int = 1000) -> list[Note]:
        self._refuse_if_down()
        found = [
            each for each in self._notes if site in {None, each.site} and from_ns < each.recorded_ns <= to_ns
        ]
        return found[-rows_max:]


class FakeHandovers(_Fake):
    """Handovers in the order in which they were frozen."""

    def __init__(self, audit_log: FakeAuditLog) -> None:
        super().__init__(audit_log)
        self._handovers: list[Handover] = []
        self._signatures: dict[tuple[int, SignRole], Signature] = {}
        self._receipts: dict[tuple[int, str], Receipt] = {}

    def freeze(self, handover: Handover, *, entry: AuditEntry | None = None) -> Handover:
        self._refuse_if_down()
        for known in self._handovers:
            if _span(known.head) == _span(handover.head):
                return known
        stored = Handover(replace(handover.head, number=len(self._handovers) + 1), handover.content)
        self._handovers.append(stored)
        self._audit_log.record(entry)
        return stored

    def handover(self, number: int) -> Handover:
        self._refuse_if_down()
        if not 1 <= number <= len(self._handovers):
            raise NotFoundError(f"there is no handover {number}")
        return self._handovers[number - 1]

    def heads(
        self, *, site: str | None = None, after: int = 0, since_ns: int = 0, rows_max: int = 100
    ) -> list[Head]:
        return [
            each
            for each in self._heads(site)
            if each.number > after and each.to_ns > since_ns
        ][:rows_max]  # fmt: skip

    def newest(self, site: str | None = None, rows_max: int = 20) -> list[Head]:
        found = sorted(self._heads(site), key=lambda each: (each.to_ns, each.number), reverse=True)
        return found[:rows_max]

    def last_shift(self, site: str, before_ns: int) -> Handover | None:
        found = [each for each in self.newest(site, ROWS_MAX) if each.shift and each.to_ns < before_ns]
        return self.handover(found[0].number) if found else None

    def sign(self, signature: Signature, *, entry: AuditEntry | None = None) -> None:
        self.handover(signature.handover)
        key = (signature.handover, signature.role)
        if key in self._signatures:
            raise ConflictError(f"the {signature.role} was {self._signatures[key].name}, who signed already")
        self._signatures[key] = signature
        self._audit_log.record(entry)

    def signatures(self, numbers: Sequence[int]) -> list[Signature]:
        self._refuse_if_down()
        return [each for key, each in sorted(self._signatures.items()) if key[0] in numbers]

    def receive(self, receipt: Receipt, *, entry: AuditEntry | None = None) -> Receipt:
        self.handover(receipt.handover)
        key = (receipt.handover, receipt.system)
        if key not in self._receipts:
            self._receipts[key] = receipt
            self._audit_log.record(entry)
        return self._receipts[key]

    def receipts(self, numbers: Sequence[int]) -> list[Receipt]:
        self._refuse_if_down()
        found = [each for key, each in self._receipts.items() if key[0] in numbers]
        return sorted(found, key=lambda each: (each.handover, each.at_ns, each.system))

    def _heads(self, site: str | None) -> list[Head]:
        self._refuse_if_down()
        return [each.head for each in self._handovers if site in {None, each.head.site}]


def _span(head: Head) -> tuple[str, int, int]:
    return head.site, head.from_ns, head.to_ns
