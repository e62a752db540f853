"""In-memory stand-ins for planned stops, supply and duty plans. They pass the same contract tests as the database."""

from dataclasses import replace

from service.core.audit import AuditEntry
from service.core.planned_stop import PlannedStop
from service.core.supply import Supply, SupplyScope
from service.ports import KeptDutyPlan, NotFoundError
from tests.fakes import FakeRegister, _Fake
from tests.fakes_people import FakeAuditLog


class _Changing(_Fake):
    """What all three have in common: when it changed last, and the entry of a change."""

    def __init__(self, audit_log: FakeAuditLog | None = None) -> None:
        self._audit_log = audit_log
        self._at_ns = 0

    def changed_ns(self) -> int:
        self._refuse_if_down()
        return self._at_ns

    def _changed(self, at_ns: int, entry: AuditEntry | None) -> None:
        self._at_ns = max(self._at_ns, at_ns)
        if entry is not None and self._audit_log is not None:
            self._audit_log.record(entry)


class FakePlannedStops(_Changing):
    """The port `PlannedStops` in memory."""

    def __init__(self, audit_log: FakeAuditLog | None = None) -> None:
        super().__init__(audit_log)
        self._stops: dict[int, PlannedStop] = {}
        self._last = 0

    def stops(self, ends_after_ns: int = 0) -> list[PlannedStop]:
        self._refuse_if_down()
        found = [each for each in self._stops.values() if each.ends_ns > ends_after_ns]
        return sorted(found, key=lambda each: (each.starts_ns, each.number))

    def stop(self, number: int) -> PlannedStop:
        self._refuse_if_down()
        if number not in self._stops:
            raise NotFoundError(f"there is no planned stop {number}: look at the list of stops")
        return self._stops[number]

    def add(self, stop: PlannedStop, *, entry: AuditEntry | None = None) -> PlannedStop:
        self._refuse_if_down()
        self._last += 1
        self._stops[self._last] = replace(stop, number=self._last)
        self._changed(stop.recorded_ns, entry)
        return self._stops[self._last]

    def change(self, stop: PlannedStop, *, entry: AuditEntry | None = None) -> None:
        self.stop(stop.number)
        self._stops[stop.number] = stop
        self._changed(stop.recorded_ns, entry)

    def remove(self, number: int, at_ns: int, *, entry: AuditEntry | None = None) -> None:
        self.stop(number)
        del self._stops[number]
        self._changed(at_ns, entry)


class FakeSupplies(_Changing):
    """The port `Supplies` in memory."""

    def __init__(self, audit_log: FakeAuditLog | None = None) -> None:
        super().__init__(audit_log)
        self._supplies: dict[tuple[SupplyScope, str], Supply] = {}

    def supplies(self) -> list[Supply]:
        self._refuse_if_down()
        scopes = list(SupplyScope)
        return sorted(self._supplies.values(), key=lambda each: (scopes.index(each.scope), each.name))

    def put(self, supply: Supply, *, entry: AuditEntry | None = None) -> None:
        self._refuse_if_down()
        self._supplies[supply.scope, supply.name] = supply
        self._changed(supply.at_ns, entry)

    def remove(self, scope: SupplyScope, name: str, at_ns: int, *, entry: AuditEntry | None = None) -> None:
        self._refuse_if_down()
        if self._supplies.pop((scope, name), None) is None:
            raise NotFoundError(f"nothing is set for {scope} {name!r}: nothing to remove")
        self._changed(at_ns, entry)


class FakeDutyPlans(_Changing):
    """The port `DutyPlans` in memory."""

    def __init__(self, register: FakeRegister, audit_log: FakeAuditLog | None = None) -> None:
        super().__init__(audit_log)
        self._register = register
        self._plans: dict[str, KeptDutyPlan] = {}

    def plans(self) -> list[KeptDutyPlan]:
        self._refuse_if_down()
        return [self._plans[drive_id] for drive_id in sorted(self._plans)]

    def plan(self, drive_id: str) -> KeptDutyPlan | None:
        self._refuse_if_down()
        return self._plans.get(drive_id)

    def put(self, plan: KeptDutyPlan, *, entry: AuditEntry | None = None) -> None:
        self._refuse_if_down()
        self._register.drive(plan.drive_id)
        self._plans[plan.drive_id] = plan
        self._changed(plan.at_ns, entry)

    def remove(self, drive_id: str, at_ns: int, *, entry: AuditEntry | None = None) -> None:
        self._refuse_if_down()
        if self._plans.pop(drive_id, None) is None:
            raise NotFoundError(f"no duty is planned for {drive_id!r}: nothing to remove")
        self._changed(at_ns, entry)
