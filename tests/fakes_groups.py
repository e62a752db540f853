"""The port `Groups` over other fakes."""

from dataclasses import replace

from service.core.drive import GroupKind
from service.core.setpoint import Scope
from service.core.supply import SupplyScope
from service.ports import ConflictError, Renaming
from tests.fakes import FakeRegister
from tests.fakes_changes import FakePlannedStops, FakeSupplies
from tests.fakes_outgoing import FakeOutbox
from tests.fakes_shifts import FakeSites
from tests.fakes_watch import FakeSetpoints


class FakeGroups:
    """Names that drives and settings have in common, put anew on each."""

    def __init__(
        self,
        register: FakeRegister,
        setpoints: FakeSetpoints,
        supplies: FakeSupplies,
        sites: FakeSites,
        stops: FakePlannedStops,
        outbox: FakeOutbox,
    ) -> None:
        self._register, self._setpoints, self._supplies = register, setpoints, supplies
        self._sites, self._stops, self._outbox = sites, stops, outbox

    def rename(self, renaming: Renaming) -> None:
        old, new = renaming.old, renaming.new
        scope, supply_scope = Scope(renaming.kind), SupplyScope(renaming.kind)
        taken = [each.name for each in self._setpoints.overrides() if each.scope is scope]
        taken += [each.name for each in self._supplies.supplies() if each.scope is supply_scope]
        if renaming.kind is GroupKind.SITE:
            taken += [each.site for each in self._sites.sites()]
        if new in taken:
            raise ConflictError(f"something is set for {scope} {new!r} already: choose another name")
        self._register.change_many(renaming.drives, version=renaming.version, entry=renaming.entry)
        for override in self._setpoints.overrides():
            if (override.scope, override.name) == (scope, old):
                self._setpoints.remove(scope, old, override.kind)
                self._setpoints.put(replace(override, name=new))
        for supply in self._supplies.supplies():
            if (supply.scope, supply.name) == (supply_scope, old):
                self._supplies.remove(supply_scope, old, renaming.at_ns)
                self._supplies.put(replace(supply, name=new))
        if renaming.kind is GroupKind.SITE:
            self._rename_of_site(old, new)

    def _rename_of_site(self, old: str, new: str) -> None:
        if (site := self._sites.site(old)) is not None:
            self._sites.take_out(old)
            self._sites.put(replace(site, site=new))
        for stop in self._stops.stops():
            if old and stop.site == old:
                self._stops.change(replace(stop, site=new))
        for route in self._outbox.routes():
            if old in route.sites:
                named = dict.fromkeys(new if each == old else each for each in route.sites)
                self._outbox.change(replace(route, sites=tuple(named)))
