"""Door: a person renames a site or a class of drives, or moves drives from one to another.

A site and a class are names that drives have; setpoints, supply, shifts, planned stops and routes are set for the same name. So
renaming puts the new name on all of them at once, or on nothing, and moving drives changes the drives alone: what is set for a
group stays with the group. Knows the ports and core; must not know how the person came in. `at_ns` is now, read once by the
caller; `by` is who acted; `version` is that of the register as the person saw it. What a person got wrong raises, with the fix in
words: NotFoundError, ConflictError (a clash, or somebody was first) or FieldsRefusedError.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import structlog

from service.core.audit import AuditEntry, entry_of
from service.core.drive import Drive, GroupKind
from service.core.fields import FieldsRefusedError
from service.core.planned_stop import PlannedStop
from service.core.route import Route
from service.core.setpoint import Override, Scope
from service.core.shift import Site
from service.core.supply import Supply, SupplyScope
from service.operate import drive_entry
from service.ports import ConflictError, NotFoundError, RegisterChange, Renaming, Stores

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """A site or a class: its drives, retired ones apart, and all that is set for it. shifts: None where none are set."""

    kind: GroupKind
    name: str  # "": the drives that name none
    drives: Sequence[Drive] = ()
    retired: Sequence[Drive] = ()
    setpoints: Sequence[Override] = ()
    supply: Supply | None = None
    shifts: Site | None = None
    stops: Sequence[PlannedStop] = field(default=())
    routes: Sequence[Route] = ()

    @property
    def is_used(self) -> bool:
        """Whether anything has this name."""
        settings = (self.setpoints, self.supply, self.shifts, self.stops, self.routes)
        return bool(self.drives or self.retired or any(settings))


@dataclass(frozen=True, slots=True, kw_only=True)
class Groups:
    """All groups of one kind by name, and the version of the register that they were read from."""

    groups: Sequence[Group]
    version: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Regrouped:
    """What was done: how many drives have another group now, and what else took the new name."""

    drives: int
    also: Sequence[str] = ()


class Regroup:
    """Sites and classes of drives."""

    def __init__(self, stores: Stores) -> None:
        self._stores = stores

    def groups(self, kind: GroupKind) -> Groups:
        """Return all that any drive or setting names, by name; the drives that name none last."""
        version = self._stores.register.version()
        found = _Everything.of(self._stores, kind)
        names = sorted(found.names(), key=lambda name: (not name, name.casefold(), name))
        return Groups(groups=[found.group(name) for name in names], version=version)

    def group(self, kind: GroupKind, name: str) -> tuple[Group, int]:
        """Return one of them and the register's version. Raises NotFoundError."""
        found = self.groups(kind)
        for each in found.groups:
            if each.name == name:
                return each, found.version
        raise NotFoundError(f"there is no {kind} {name!r}: the list has those that drives or settings name")

    def rename(  # noqa: PLR0913 - what is renamed how, and who does it
        self, kind: GroupKind, old: str, new: str, *, version: int, why: str, at_ns: int, by: str
    ) -> Regrouped:
        """Give a site or a class another name, everywhere at once.

        Raises NotFoundError, ConflictError where the new name is in use or the register has changed, FieldsRefusedError.
        """
        new = new.strip()
        _refuse_name(new, why)
        if not old:
            raise FieldsRefusedError(
                {"name": f"drives without a {kind} have nothing to rename: move them instead"}
            )
        group, now = self.group(kind, old)
        _refuse_changed(version, now)
        if new == old:
            raise FieldsRefusedError({"to": "is the name that it has: nothing to do"})
        if (other := self._stored(kind, new)).is_used:
            raise ConflictError(
                f"the {kind} {new!r} is there already ({_content(other)}), and nothing was renamed: choose another name, or "
                "move the drives there"
            )
        also = _named(group)
        entry = entry_of(
            at_ns=at_ns,
            by=by,
            what=f"{kind} renamed",
            subject=f"{kind} {new}",
            old={"name": old},
            new={"name": new, "drives": len(group.drives) + len(group.retired), "also": ", ".join(also)},
            why=why,
        )
        drives = [_moved(each, kind, new, at_ns, by, why) for each in (*group.drives, *group.retired)]
        self._stores.groups.rename(
            Renaming(kind=kind, old=old, new=new, drives=drives, version=version, at_ns=at_ns, entry=entry)
        )
        log.info("group renamed", kind=str(kind), old=old, new=new, by=by, drives=len(drives))
        return Regrouped(drives=len(drives), also=also)

    def move(  # noqa: PLR0913 - what is moved where, and who does it, all by name
        self,
        kind: GroupKind,
        drive_ids: Collection[str],
        to: str,
        *,
        version: int,
        why: str,
        at_ns: int,
        by: str,
    ) -> Regrouped:
        """Put drives into another site or class, which may be new, or into none (""). What is set for a group stays with it.

        Raises NotFoundError, ConflictError where the register has changed, FieldsRefusedError.
        """
        to = to.strip()
        if to:
            _refuse_name(to, why)
        elif not why.strip():
            raise FieldsRefusedError({"why": "say why: people ask later"})
        if not drive_ids:
            raise FieldsRefusedError({"drives": "mark the drives that are to go there"})
        register = self._stores.register
        _refuse_changed(version, register.version())
        drives = [register.drive(each) for each in dict.fromkeys(drive_ids)]
        staying = [each for each in drives if getattr(each, kind.field) == to]
        going = [each for each in drives if each not in staying]
        if not going:
            raise ConflictError(f"all of them have the {kind} {to!r} already: nothing to do")
        changes = [_moved(each, kind, to, at_ns, by, why) for each in going]
        entry = entry_of(
            at_ns=at_ns,
            by=by,
            what=f"drives moved to another {kind}",
            subject=f"{kind} {to}",
            new={"drives": ", ".join(each.drive_id for each in going)},
            why=why,
        )
        register.change_many(changes, version=version, entry=entry)
        log.info("drives regrouped", kind=str(kind), to=to, by=by, drives=len(going))
        return Regrouped(drives=len(going))

    def _stored(self, kind: GroupKind, name: str) -> Group:
        return _Everything.of(self._stores, kind).group(name)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Everything:
    """All that may name a group of one kind, read once."""

    kind: GroupKind
    drives: Sequence[Drive]
    setpoints: Sequence[Override]
    supplies: Sequence[Supply]
    sites: Sequence[Site]
    stops: Sequence[PlannedStop]
    routes: Sequence[Route]

    @classmethod
    def of(cls, stores: Stores, kind: GroupKind) -> "_Everything":
        of_sites = kind is GroupKind.SITE
        scope, supply_scope = Scope(kind), SupplyScope(kind)
        return cls(
            kind=kind,
            drives=stores.register.drives(retired=True),
            setpoints=[each for each in stores.setpoints.overrides() if each.scope is scope],
            supplies=[each for each in stores.supplies.supplies() if each.scope is supply_scope],
            sites=stores.sites.sites() if of_sites else (),
            stops=stores.planned_stops.stops() if of_sites else (),
            routes=stores.outbox.routes() if of_sites else (),
        )

    def names(self) -> set[str]:
        """Return all names; of stops, which may be of all sites, only those that say one."""
        return {
            *(getattr(each, self.kind.field) for each in self.drives),
            *(each.name for each in self.setpoints),
            *(each.name for each in self.supplies),
            *(each.site for each in self.sites),
            *(each.site for each in self.stops if each.site),
            *(site for each in self.routes for site in each.sites),
        }

    def group(self, name: str) -> Group:
        """Return what there is of one name."""
        drives = [each for each in self.drives if getattr(each, self.kind.field) == name]
        return Group(
            kind=self.kind,
            name=name,
            drives=[each for each in drives if each.retired_ns is None],
            retired=[each for each in drives if each.retired_ns is not None],
            setpoints=[each for each in self.setpoints if each.name == name],
            supply=next((each for each in self.supplies if each.name == name), None),
            shifts=next((each for each in self.sites if each.site == name), None),
            stops=[each for each in self.stops if name and each.site == name],
            routes=[each for each in self.routes if name in each.sites],
        )


def _refuse_name(name: str, why: str) -> None:
    problems = {}
    if not name:
        problems["to"] = "give the name"
    if not why.strip():
        problems["why"] = "say why: people ask later"
    if problems:
        raise FieldsRefusedError(problems)


def _refuse_changed(version: int, now: int) -> None:
    if version != now:
        raise ConflictError(
            "the register has changed since you looked, and nothing was stored: look at the drives again, and say once more "
            "what is to be done"
        )


def _moved(drive: Drive, kind: GroupKind, to: str, at_ns: int, by: str, why: str) -> RegisterChange:
    """Return a drive under the name of another group, with what the audit log says of it. Raises FieldsRefusedError."""
    try:
        named: dict[str, Any] = {kind.field: to}
        moved = replace(drive, **named)
    except FieldsRefusedError as error:
        raise FieldsRefusedError({"to": next(iter(error.problems.values()))}) from None
    entry: AuditEntry = replace(drive_entry("drive changed", drive, moved, at_ns, by), why=why)
    return RegisterChange(moved, entry)


def _named(group: Group) -> list[str]:
    """Return what besides drives has the name of a group, counted, in words."""
    counts = (
        (len(group.setpoints), "setpoint", "setpoints"),
        (int(group.supply is not None), "supply", "supply"),
        (int(group.shifts is not None), "its shifts", "its shifts"),
        (len(group.stops), "planned stop", "planned stops"),
        (len(group.routes), "route", "routes"),
    )
    return [
        one if one.startswith("its") or one == "supply" else f"{count} {one if count == 1 else many}"
        for count, one, many in counts
        if count
    ]


def _content(group: Group) -> str:
    drives = len(group.drives) + len(group.retired)
    return ", ".join(
        [*([f"{drives} {'drive' if drives == 1 else 'drives'}"] if drives else []), *_named(group)]
    )
