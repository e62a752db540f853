"""Door: a person says when conditions occur and clear, for a site, a class of drives or one drive.

Each change is checked against the register and against what else is set, done, logged and written into the audit log with its
reason. Knows the ports and core; must not know how the person came in. `at_ns` is now, read once by the caller; `by` is who
acted. What a person got wrong raises, with the fix in words.
"""

from collections.abc import Sequence
from itertools import pairwise

import structlog

from service.core.audit import entry_of
from service.core.drive import Drive
from service.core.fields import FieldsRefusedError
from service.core.setpoint import FIELDS, STEPS, ConditionKind, Effective, Override, Scope, effective
from service.ports import NotFoundError, Register, Setpoints

log = structlog.get_logger(__name__)


class SetSetpoints:
    """What people set of setpoints."""

    def __init__(self, setpoints: Setpoints, register: Register) -> None:
        self._setpoints, self._register = setpoints, register

    def overrides(self) -> list[Override]:
        """All that was set, by scope from site to drive, name and kind."""
        return self._setpoints.overrides()

    def effective_of(self, drive_id: str) -> dict[ConditionKind, Effective]:
        """Return what holds for a drive, and where each field comes from. Raises NotFoundError."""
        drive, overrides = self._register.drive(drive_id), self._setpoints.overrides()
        return {kind: _effective(kind, overrides, drive) for kind in ConditionKind}

    def put(self, override: Override) -> Override:
        """Set it, in place of what was set for the same scope, name and kind, and return it.

        Raises NotFoundError where nothing has that name, FieldsRefusedError where the steps of elongation would not rise.
        """
        drives = self._drives(override.scope, override.name)
        before = self._find(override.scope, override.name, override.kind)
        others = [each for each in self._setpoints.overrides() if each != before]
        for drive in drives:
            _refuse_falling_steps(drive, [*others, override])
        entry = entry_of(
            at_ns=override.at_ns,
            by=override.by,
            what="setpoint changed" if before else "setpoint set",
            subject=_subject(override.scope, override.name, override.kind),
            old=_said(before) if before else None,
            new=_said(override),
            why=override.why,
        )
        self._setpoints.put(override, entry=entry)
        log.info(
            "setpoint set",
            scope=str(override.scope),
            name=override.name,
            kind=str(override.kind),
            by=override.by,
        )
        return override

    def remove(self, scope: Scope, name: str, kind: ConditionKind, *, at_ns: int, by: str, why: str) -> None:
        """Go back to what is less specific, or built in. Raises NotFoundError, FieldsRefusedError."""
        if not why.strip():
            raise FieldsRefusedError({"why": "say why: people ask later"})
        before = self._find(scope, name, kind)
        if before is None:
            raise NotFoundError(f"nothing is set of {kind} for {scope} {name!r}: nothing to remove")
        others = [each for each in self._setpoints.overrides() if each != before]
        for drive in self._register.drives():
            if before.name in {drive.site, drive.drive_class, drive.drive_id}:
                _refuse_falling_steps(drive, others)
        entry = entry_of(
            at_ns=at_ns,
            by=by,
            what="setpoint removed",
            subject=_subject(scope, name, kind),
            old=_said(before),
            why=why,
        )
        self._setpoints.remove(scope, name, kind, entry=entry)
        log.info("setpoint removed", scope=str(scope), name=name, kind=str(kind), by=by)

    def _find(self, scope: Scope, name: str, kind: ConditionKind) -> Override | None:
        key = (scope, name, kind)
        found = (each for each in self._setpoints.overrides() if (each.scope, each.name, each.kind) == key)
        return next(found, None)

    def _drives(self, scope: Scope, name: str) -> Sequence[Drive]:
        """The drives that it holds for. Raises NotFoundError where there is none."""
        if scope is Scope.DRIVE:
            return [self._register.drive(name)]
        field = "site" if scope is Scope.SITE else "drive_class"
        found = [each for each in self._register.drives() if getattr(each, field) == name]
        if not found:
            raise NotFoundError(f"no drive has the {scope} {name!r}: write it as the drives have it")
        return found


def _effective(kind: ConditionKind, overrides: Sequence[Override], drive: Drive) -> Effective:
    return effective(kind, overrides, site=drive.site, drive_class=drive.drive_class, drive_id=drive.drive_id)


def _refuse_falling_steps(drive: Drive, overrides: Sequence[Override]) -> None:
    """Raise FieldsRefusedError where a step of elongation would not be higher than the one before it."""
    steps = [(kind, _effective(kind, overrides, drive).setpoint) for kind in STEPS]
    values = [(kind, each.value or 0.0) for kind, each in steps if each.enabled]
    for (lower, at), (higher, higher_at) in pairwise(values):
        if higher_at <= at:
            raise FieldsRefusedError(
                {
                    "value": f"the steps must rise: for drive {drive.drive_id} {higher} would be {higher_at:g} % of the "
                    f"limit and {lower} {at:g} %; give another value, or change the other step first"
                }
            )


def _subject(scope: Scope, name: str, kind: ConditionKind) -> str:
    return f"setpoint {kind} of {scope} {name}"


def _said(override: Override) -> dict[str, object]:
    return {name: getattr(override, name) for name in FIELDS if getattr(override, name) is not None}
