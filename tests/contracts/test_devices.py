"""What every adapter of the port `Devices` keeps to. What comes here may be hostile."""

from collections.abc import Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.ports import Devices, DeviceState
from tests.contracts.given import ALL_STORES, NOON_NS, Few, S, a_store

pytestmark = pytest.mark.parametrize("kind", ALL_STORES)


@pytest.fixture
def devices(kind: str) -> Iterator[Devices]:
    with a_store(kind) as store:
        yield store.devices


def said(online: bool, at_s: int, drive_id: str = "press-3") -> DeviceState:  # noqa: FBT001
    return DeviceState(drive_id=drive_id, online=online, since_ns=NOON_NS + at_s * S)


def test_what_devices_say_comes_back(devices: Devices) -> None:
    assert devices.states() == []
    devices.note([said(True, 1), said(False, 2, "saw-1")])
    devices.note([])
    assert sorted(devices.states(), key=lambda one: one.drive_id) == [said(True, 1), said(False, 2, "saw-1")]


def test_the_newest_counts_and_an_older_one_changes_nothing(devices: Devices) -> None:
    devices.note([said(True, 5)])
    devices.note([said(False, 4)])
    assert devices.states() == [said(True, 5)]
    devices.note([said(False, 6), said(True, 7), said(False, 6)])
    assert devices.states() == [said(True, 7)]


def test_the_same_again_leaves_the_time_since_when_it_has_been_so(devices: Devices) -> None:
    """A retained status comes again with every connection of the worker; the device was there all along."""
    devices.note([said(True, 1)])
    devices.note([said(True, 100)])
    assert devices.states() == [said(True, 1)]


@settings(deadline=None, max_examples=25)
@given(st.lists(st.tuples(st.sampled_from("ab"), st.booleans()), max_size=20), st.integers(1, 5))
def test_each_drive_has_been_as_it_is_since_it_last_changed(
    kind: str, told: list[tuple[str, bool]], at_once: int
) -> None:
    states = [said(online, at_s, drive_id) for at_s, (drive_id, online) in enumerate(told)]
    with a_store(kind) as store:
        for start in range(0, len(states), at_once):
            store.devices.note(states[start : start + at_once])
        store.devices.note(states)  # all that came once more: older, or the same
        found = {state.drive_id: state for state in store.devices.states()}
        for drive_id in "ab":
            of_drive = [state for state in states if state.drive_id == drive_id]
            changes = [
                state
                for before, state in zip([None, *of_drive], of_drive, strict=False)
                if before is None or before.online != state.online
            ]
            assert found.get(drive_id) == (changes[-1] if changes else None)


def test_however_many_names_the_topics_invent_the_bound_holds(kind: str) -> None:
    with a_store(kind, Few(states=3)) as store:
        for n in range(9):
            store.devices.note([said(True, n, f"d{n}")])
        store.devices.note([said(False, n, f"e{n}") for n in range(20, 26)])
        assert {state.drive_id for state in store.devices.states()} == {"e23", "e24", "e25"}
