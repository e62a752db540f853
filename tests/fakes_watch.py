"""In-memory stand-ins for setpoints and for where the watching stands. They pass the same contract tests as the database."""

import json
from collections.abc import Callable, Sequence

from service.core.audit import AuditEntry
from service.core.setpoint import ConditionKind, Override, Scope
from service.ports import ConflictError, Due, NotFoundError, SavedEvaluation
from tests.fakes import _Fake
from tests.fakes_people import FakeAuditLog


class FakeSetpoints(_Fake):
    """The port `Setpoints` in memory."""

    def __init__(self, audit_log: FakeAuditLog | None = None) -> None:
        self._audit_log = audit_log or FakeAuditLog()
        self._overrides: dict[tuple[Scope, str, ConditionKind], Override] = {}
        self._version = 0

    def version(self) -> int:
        self._refuse_if_down()
        return self._version

    def overrides(self) -> list[Override]:
        self._refuse_if_down()
        scopes = list(Scope)
        return sorted(
            self._overrides.values(), key=lambda one: (scopes.index(one.scope), one.name, str(one.kind))
        )

    def put(self, override: Override, *, entry: AuditEntry | None = None) -> None:
        self._refuse_if_down()
        self._overrides[override.scope, override.name, override.kind] = override
        self._version += 1
        self._audit_log.record(entry)

    def remove(
        self, scope: Scope, name: str, kind: ConditionKind, *, entry: AuditEntry | None = None
    ) -> None:
        self._refuse_if_down()
        if self._overrides.pop((scope, name, kind), None) is None:
            raise NotFoundError(f"nothing is set of {kind} for {scope} {name!r}: nothing to remove")
        self._version += 1
        self._audit_log.record(entry)


class FakeEvaluations(_Fake):
    """The port `Evaluations` in memory, as JSON: so that nothing comes back from it that JSON cannot hold."""

    def __init__(self) -> None:
        self._due: dict[str, Due] = {}
        self._states: dict[str, str] = {}
        self._checkpoints: dict[str, str] = {}
        self.version_of_register: Callable[[], int] = lambda: 0

    def note(self, drive_id: str, from_ns: int) -> None:
        self._refuse_if_down()
        known = self._due.get(drive_id)
        changes = known.changes + 1 if known else 1
        earliest_ns = min(from_ns, known.from_ns) if known else from_ns
        self._due[drive_id] = Due(drive_id=drive_id, from_ns=earliest_ns, changes=changes)

    def due(self) -> list[Due]:
        self._refuse_if_down()
        return [due for _, due in sorted(self._due.items())]

    def load(self, drive_id: str) -> SavedEvaluation | None:
        self._refuse_if_down()
        if drive_id not in self._states:
            return None
        checkpoints = json.loads(self._checkpoints.get(drive_id, "[]"))
        return SavedEvaluation(
            drive_id=drive_id, state=json.loads(self._states[drive_id]), checkpoints=checkpoints
        )

    def save(
        self,
        saved: Sequence[SavedEvaluation],
        done: Sequence[Due] = (),
        *,
        register_version: int | None = None,
    ) -> None:
        self._refuse_if_down()
        if not saved and not done:
            return
        if register_version not in {None, self.version_of_register()}:
            raise ConflictError("the register has another version now: look at it again")
        states = {each.drive_id: json.dumps(each.state, allow_nan=False) for each in saved}
        checkpoints = {
            each.drive_id: json.dumps(each.checkpoints, allow_nan=False)
            for each in saved
            if each.checkpoints is not None
        }
        self._states |= states
        self._checkpoints |= checkpoints
        for due in done:
            known = self._due.get(due.drive_id)
            if known is not None and known.changes == due.changes:
                del self._due[due.drive_id]
