"""What every adapter of the port `Groups` keeps to: a name is put anew on everything that has it, or on nothing."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import time

import pytest

from service.core.audit import AuditEntry
from service.core.drive import Drive, GroupKind
from service.core.planned_stop import PlannedStop
from service.core.route import Route, Way
from service.core.setpoint import ConditionKind, Override, Scope
from service.core.shift import Pattern, Site, Slot
from service.core.supply import Supply, SupplyScope
from service.ports import ConflictError, RegisterChange, Renaming
from tests.contracts.given import ALL_STORES, NOON_NS, Ports, S, a_store

pytestmark = pytest.mark.parametrize("kind", ALL_STORES)
TALHEIM = Drive(drive_id="press-3", site="Talheim", drive_class="Eschbach")
ESCHBACH = Drive(drive_id="saw-1", site="Eschbach")


@pytest.fixture
def store(kind: str) -> Iterator[Ports]:
    """Two drives of two sites, with something of every kind set for each of them."""
    with a_store(kind) as made:
        made.register.add_drive(TALHEIM)
        made.register.add_drive(ESCHBACH)
        for scope, name in ((Scope.SITE, "Talheim"), (Scope.SITE, "Eschbach"), (Scope.CLASS, "Eschbach")):
            made.setpoints.put(
                Override(
                    scope=scope,
                    name=name,
                    kind=ConditionKind.NEAR,
                    value=85.0,
                    why="so",
                    by="h.brandt",
                    at_ns=NOON_NS,
                )
            )
            made.supplies.put(
                Supply(scope=SupplyScope(scope), name=name, lead_days=20, by="h.brandt", at_ns=NOON_NS)
            )
        for name in ("Talheim", "Eschbach"):
            made.sites.put(
                Site(
                    site=name,
                    zone="Europe/Berlin",
                    pattern=Pattern((Slot(name="Day", starts=time(6), ends=time(14)),)),
                )
            )
            made.outbox.add(
                Route(
                    route_id=name.lower(),
                    way=Way.MQTT,
                    target=f"plant/{name.lower()}",
                    sites=(name, "Bruchtal"),
                ),
                0,
            )
        for name in ("Talheim", "Eschbach", ""):
            made.planned_stops.add(
                PlannedStop(
                    name="Summer",
                    site=name,
                    starts_ns=NOON_NS,
                    ends_ns=NOON_NS + S,
                    by="h.brandt",
                    recorded_ns=NOON_NS,
                )
            )
        yield made


def renamed(
    store: Ports, kind: GroupKind, old: str, new: str, *drives: Drive, version: int | None = None
) -> None:
    entry = AuditEntry(at_ns=NOON_NS, by="h.brandt", what="renamed", subject=f"{kind} {new}")
    changes = [RegisterChange(each) for each in drives]
    version = store.register.version() if version is None else version
    store.groups.rename(
        Renaming(kind=kind, old=old, new=new, drives=changes, version=version, at_ns=NOON_NS + S, entry=entry)
    )


def everything(store: Ports) -> tuple[object, ...]:
    return (
        store.register.drives(), store.setpoints.overrides(), store.supplies.supplies(), store.sites.sites(),
        store.planned_stops.stops(), store.outbox.routes(), store.audit_log.entries(),
    )  # fmt: skip


def test_all_that_names_a_site_gets_the_new_name_and_nothing_else_does(store: Ports) -> None:
    before, seen = store.setpoints.version(), store.supplies.changed_ns()
    renamed(store, GroupKind.SITE, "Talheim", "Talheim II", replace(TALHEIM, site="Talheim II"))
    assert {each.drive_id: each.site for each in store.register.drives()} == {
        "press-3": "Talheim II",
        "saw-1": "Eschbach",
    }
    assert [(str(each.scope), each.name) for each in store.setpoints.overrides()] == [
        ("site", "Eschbach"), ("site", "Talheim II"), ("class", "Eschbach"),
    ]  # fmt: skip
    assert [(str(each.scope), each.name) for each in store.supplies.supplies()] == [
        ("site", "Eschbach"), ("site", "Talheim II"), ("class", "Eschbach"),
    ]  # fmt: skip
    sites = {each.site: each for each in store.sites.sites()}
    assert sorted(sites) == ["Eschbach", "Talheim II"]
    assert [each.name for each in sites["Talheim II"].pattern.slots] == ["Day"]
    assert sorted(each.site for each in store.planned_stops.stops()) == ["", "Eschbach", "Talheim II"]
    assert {each.route_id: each.sites for each in store.outbox.routes()} == {
        "eschbach": ("Eschbach", "Bruchtal"),
        "talheim": ("Talheim II", "Bruchtal"),
    }
    assert store.setpoints.version() > before
    assert store.supplies.changed_ns() > seen
    assert store.audit_log.entries()[0].what == "renamed"


def test_a_class_of_the_same_name_as_a_site_is_another_thing(store: Ports) -> None:
    sites, stops = store.sites.sites(), store.planned_stops.stops()
    renamed(store, GroupKind.CLASS, "Eschbach", "Presses", replace(TALHEIM, drive_class="Presses"))
    assert store.register.drive("press-3").drive_class == "Presses"
    assert [(str(each.scope), each.name) for each in store.setpoints.overrides()] == [
        ("site", "Eschbach"), ("site", "Talheim"), ("class", "Presses"),
    ]  # fmt: skip
    assert (store.sites.sites(), store.planned_stops.stops()) == (sites, stops)


def test_where_something_is_set_for_the_new_name_nothing_is_renamed(store: Ports) -> None:
    before = everything(store)
    with pytest.raises(ConflictError, match="already"):
        renamed(store, GroupKind.SITE, "Talheim", "Eschbach", replace(TALHEIM, site="Eschbach"))
    assert everything(store) == before


def test_where_the_register_has_changed_nothing_is_renamed(store: Ports) -> None:
    version = store.register.version()
    store.register.change_drive(replace(ESCHBACH, note="new guard"))
    before = everything(store)
    with pytest.raises(ConflictError, match="changed meanwhile"):
        renamed(
            store,
            GroupKind.SITE,
            "Talheim",
            "Talheim II",
            replace(TALHEIM, site="Talheim II"),
            version=version,
        )
    assert everything(store) == before


def test_a_route_that_has_the_new_name_already_names_it_once(store: Ports) -> None:
    renamed(store, GroupKind.SITE, "Talheim", "Bruchtal", replace(TALHEIM, site="Bruchtal"))
    assert store.outbox.route("talheim").sites == ("Bruchtal",)
