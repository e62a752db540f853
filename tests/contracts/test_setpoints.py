"""The contract of `Setpoints`, held over the database and over the fake."""

from collections.abc import Iterator
from dataclasses import replace

import pytest

from service.core.audit import AuditEntry
from service.core.setpoint import ConditionKind, Override, Priority, Scope
from service.ports import NotFoundError, StoreUnavailableError
from tests.contracts.given import ALL_STORES, FAKE, NOON_NS, Ports, a_store, fake_ports

AN_OVERRIDE = Override(
    scope=Scope.SITE,
    name="Talheim / West",
    kind=ConditionKind.NEAR,
    value=85.5,
    deadband=2.5,
    on_readings=4,
    on_s=30.0,
    off_readings=6,
    off_s=60.5,
    priority=Priority.HIGH,
    enabled=False,
    why="one stop a year only",
    by="M. Brandt",
    at_ns=NOON_NS,
)
AN_ENTRY = AuditEntry(at_ns=NOON_NS, by="M. Brandt", what="setpoint changed", subject="setpoint near")


@pytest.fixture(params=ALL_STORES)
def ports(request: pytest.FixtureRequest) -> Iterator[Ports]:
    with a_store(request.param) as store:
        yield store


def test_nothing_is_set_in_a_new_store(ports: Ports) -> None:
    assert ports.setpoints.overrides() == []


def test_what_was_set_comes_back_with_every_field(ports: Ports) -> None:
    bare = Override(
        scope=Scope.DRIVE,
        name="press-3",
        kind=ConditionKind.AT_LIMIT,
        enabled=True,
        why="?",
        by="x",
        at_ns=0,
    )
    ports.setpoints.put(bare)
    ports.setpoints.put(AN_OVERRIDE)
    assert ports.setpoints.overrides() == [AN_OVERRIDE, bare]


def test_they_come_from_site_to_drive_then_by_name_and_kind(ports: Ports) -> None:
    put = [
        replace(AN_OVERRIDE, scope=scope, name=name, kind=kind)
        for kind in (ConditionKind.APPROACHING, ConditionKind.NEAR)
        for name in ("a", "b")
        for scope in (Scope.DRIVE, Scope.SITE, Scope.CLASS)
    ]
    for each in put:
        ports.setpoints.put(each)
    found = [(each.scope, each.name, each.kind) for each in ports.setpoints.overrides()]
    scopes = list(Scope)
    assert found == sorted(found, key=lambda key: (scopes.index(key[0]), key[1], str(key[2])))
    assert len(found) == 12


def test_what_is_set_again_takes_the_place_of_what_was(ports: Ports) -> None:
    ports.setpoints.put(AN_OVERRIDE)
    second = replace(AN_OVERRIDE, value=None, enabled=None, why="no more")
    ports.setpoints.put(second)
    assert ports.setpoints.overrides() == [second]


def test_what_is_removed_is_gone_and_cannot_be_removed_twice(ports: Ports) -> None:
    ports.setpoints.put(AN_OVERRIDE)
    key = AN_OVERRIDE.scope, AN_OVERRIDE.name, AN_OVERRIDE.kind
    ports.setpoints.remove(*key)
    assert ports.setpoints.overrides() == []
    with pytest.raises(NotFoundError, match="nothing is set of near"):
        ports.setpoints.remove(*key)


def test_the_version_rises_with_every_change_and_with_nothing_else(ports: Ports) -> None:
    versions = [ports.setpoints.version()]
    ports.setpoints.put(AN_OVERRIDE)
    versions.append(ports.setpoints.version())
    ports.setpoints.remove(AN_OVERRIDE.scope, AN_OVERRIDE.name, AN_OVERRIDE.kind)
    versions.append(ports.setpoints.version())
    assert versions == sorted(set(versions))
    with pytest.raises(NotFoundError):
        ports.setpoints.remove(AN_OVERRIDE.scope, AN_OVERRIDE.name, AN_OVERRIDE.kind)
    ports.setpoints.overrides()
    assert ports.setpoints.version() == versions[-1]


def test_each_change_brings_its_entry_of_the_audit_log(ports: Ports) -> None:
    ports.setpoints.put(AN_OVERRIDE, entry=AN_ENTRY)
    key = AN_OVERRIDE.scope, AN_OVERRIDE.name, AN_OVERRIDE.kind
    ports.setpoints.remove(*key, entry=replace(AN_ENTRY, what="setpoint removed"))
    with pytest.raises(NotFoundError):
        ports.setpoints.remove(*key, entry=AN_ENTRY)
    assert [each.what for each in ports.audit_log.entries()] == ["setpoint removed", "setpoint changed"]


def test_a_fake_that_is_down_says_so_and_changes_nothing() -> None:
    ports = fake_ports()
    ports.setpoints.down = "the disk is full"  # type: ignore[attr-defined]
    with pytest.raises(StoreUnavailableError, match="full"):
        ports.setpoints.put(AN_OVERRIDE)
    ports.setpoints.down = None  # type: ignore[attr-defined]
    assert ports.setpoints.overrides() == []
    assert FAKE in ALL_STORES
