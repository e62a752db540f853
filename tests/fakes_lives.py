"""In-memory stand-ins for removals, sprockets and upkeep, as tests/fakes.py has the others."""

from dataclasses import replace

from service.core.audit import AuditEntry
from service.core.life import Removal
from service.core.sprocket import Inspection, Sprocket
from service.core.upkeep import Upkeep
from service.ports import ConflictError, NotFoundError, StoreUnavailableError
from tests.fakes import FakeRegister


class _Fake:
    """What every stand-in can do: be down, and tell the audit log of the register it stands beside."""

    down: str | None = None

    def __init__(self, register: FakeRegister) -> None:
        self._register, self._audit_log = register, register.audit_log

    def _refuse_if_down(self) -> None:
        if self.down is not None:
            raise StoreUnavailableError(self.down)


class FakeRemovals(_Fake):
    """Removals as the register keeps them."""

    def record(self, removal: Removal, *, entry: AuditEntry | None = None) -> Removal:
        self._refuse_if_down()
        chain = self._register._chain(removal.chain_id)
        if chain.removed_ns is None:
            raise ConflictError(f"chain {removal.chain_id!r} is on: take it off first")
        stored = self._register.keep_removal(removal)
        self._audit_log.record(entry)
        return stored

    def newest(self, drive_id: str | None = None) -> list[Removal]:
        self._refuse_if_down()
        by_chain = {each.chain_id: each for each in self._register.removals}
        return [
            removal
            for chain_id, removal in sorted(by_chain.items())
            if drive_id in {None, self._register._chain(chain_id).drive_id}
        ]


class FakeSprockets(_Fake):
    """Sprockets and inspections in the order in which they came."""

    def __init__(self, register: FakeRegister) -> None:
        super().__init__(register)
        self._sprockets: list[Sprocket] = []
        self._inspections: list[Inspection] = []

    def fit(self, sprocket: Sprocket, *, entry: AuditEntry | None = None) -> Sprocket:
        self._refuse_if_down()
        self._register.drive(sprocket.drive_id)
        self._sprockets.append(replace(sprocket, number=len(self._sprockets) + 1))
        self._audit_log.record(entry)
        return self._sprockets[-1]

    def take_off(self, sprocket: Sprocket, *, entry: AuditEntry | None = None) -> None:
        known = self.sprocket(sprocket.number)
        if known.removed_ns is not None:
            raise ConflictError(f"sprocket {sprocket.number} was taken off already: nothing to do")
        self._sprockets[sprocket.number - 1] = replace(
            known,
            removed_ns=sprocket.removed_ns,
            removed_why=sprocket.removed_why,
            removed_by=sprocket.removed_by,
        )
        self._audit_log.record(entry)

    def sprocket(self, number: int) -> Sprocket:
        self._refuse_if_down()
        if not 1 <= number <= len(self._sprockets):
            raise NotFoundError(f"there is no sprocket {number}")
        return self._sprockets[number - 1]

    def of(self, drive_id: str | None = None) -> list[Sprocket]:
        self._refuse_if_down()
        found = [each for each in self._sprockets if drive_id in {None, each.drive_id}]
        return sorted(found, key=lambda each: (each.drive_id, each.place, each.fitted_ns, each.number))

    def inspect(self, inspection: Inspection, *, entry: AuditEntry | None = None) -> Inspection:
        self.sprocket(inspection.sprocket)
        self._inspections.append(replace(inspection, number=len(self._inspections) + 1))
        self._audit_log.record(entry)
        return self._inspections[-1]

    def inspections(self, drive_id: str | None = None) -> list[Inspection]:
        self._refuse_if_down()
        found = [
            each for each in self._inspections if drive_id in {None, self.sprocket(each.sprocket).drive_id}
        ]
        return sorted(found, key=lambda each: (each.inspected_ns, each.number))


class FakeUpkeepLog(_Fake):
    """Upkeep in the order in which it came."""

    def __init__(self, register: FakeRegister) -> None:
        super().__init__(register)
        self._done: list[Upkeep] = []

    def record(self, upkeep: Upkeep, *, entry: AuditEntry | None = None) -> Upkeep:
        self._refuse_if_down()
        self._register.drive(upkeep.drive_id)
        self._done.append(replace(upkeep, number=len(self._done) + 1))
        self._audit_log.record(entry)
        return self._done[-1]

    def strike(self, number: int, at_ns: int, by: str, *, entry: AuditEntry | None = None) -> Upkeep:
        self._refuse_if_down()
        if not 1 <= number <= len(self._done):
            raise NotFoundError(f"there is no event {number}")
        known = self._done[number - 1]
        if known.struck_ns is not None:
            raise ConflictError(f"event {number} was struck by {known.struck_by} already: nothing to do")
        self._done[number - 1] = replace(known, struck_ns=at_ns, struck_by=by)
        self._audit_log.record(entry)
        return self._done[number - 1]

    def of(self, drive_id: str | None = None, *, struck: bool = False) -> list[Upkeep]:
        self._refuse_if_down()
        found = [each for each in self._done if drive_id in {None, each.drive_id} and (struck or each.counts)]
        return sorted(found, key=lambda each: (each.at_ns, each.number))
