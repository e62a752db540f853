"""The invented plant: what the demo shows within two minutes, and that nothing else strays."""

import itertools
import re

import pytest

from sensors_sim.device import Device, Message, Window
from sensors_sim.plant import BRICKWORKS, PLANTS
from sensors_sim.setup import DriveSetup

START_NS = 1_764_058_500_000_000_000
BY_ID = {drive.drive_id: drive for drive in BRICKWORKS.drives}


def device(drive_id: str) -> Device:
    return BY_ID[drive_id].build(seed=1, start_ns=START_NS)


def windows(drive_id: str, until_s: float = 120.0) -> list[Window]:
    return list(itertools.takewhile(lambda w: w.due_s <= until_s, device(drive_id).windows()))


def test_the_plant_is_listed_by_its_name() -> None:
    assert PLANTS["brickworks"] is BRICKWORKS


def test_ids_are_valid_and_differ() -> None:
    assert len(BY_ID) == len(BRICKWORKS.drives)
    assert all(re.fullmatch(r"[a-z0-9][a-z0-9_-]{0,63}", drive_id) for drive_id in BY_ID)


def test_one_drive_passes_its_limit_within_two_minutes_and_the_others_stay_below() -> None:
    limits = {"wire-cutter": 1.5, "kiln-car-pusher": 2.0}
    crossed = {}
    for drive_id in BY_ID:
        truths = [(w.due_s, w.pulses.true_elongation_pct) for w in windows(drive_id)]
        over = [due_s for due_s, e in truths if e >= limits.get(drive_id, 3.0)]
        if over:
            crossed[drive_id] = over[0]
    assert list(crossed) == ["setting-conveyor"]
    assert 30 <= crossed["setting-conveyor"] <= 75


def test_one_sensor_fails_within_two_minutes() -> None:
    ran = windows("kiln-exit-transfer")
    assert len(ran[0].pulses.down_ticks) > 100
    assert len(ran[-1].pulses.down_ticks) == 0
    assert len(ran[-1].pulses.up_ticks) > 100


def test_one_drive_starts_and_stops() -> None:
    counts = [len(w.pulses.up_ticks) for w in windows("wire-cutter")]
    assert counts.count(0) >= 2
    assert max(counts) > 200


def test_one_drive_is_not_registered() -> None:
    assert [d.drive_id for d in BRICKWORKS.drives if not d.registered] == ["strapping-lift"]


def test_one_device_sends_garbage_now_and_then() -> None:
    sent = list(itertools.takewhile(lambda m: m.due_s <= 120, device("pallet-conveyor").messages()))
    batches = {window.due_s for window in windows("pallet-conveyor")}
    garbage = [m for m in sent if isinstance(m, Message) and round(m.due_s - 0.2, 6) in batches]
    assert 1 <= len(garbage) <= 12


@pytest.mark.parametrize("drive", BRICKWORKS.drives, ids=lambda d: d.drive_id)
def test_windows_hold_enough_joints_to_average(drive: DriveSetup) -> None:
    counts = [len(w.pulses.up_ticks) for w in windows(drive.drive_id, 40.0)]
    assert max(counts) >= 70


@pytest.mark.parametrize("drive", BRICKWORKS.drives, ids=lambda d: d.drive_id)
def test_the_lag_is_unambiguous_up_to_beyond_the_limit(drive: DriveSetup) -> None:
    """n e < 1: at 3.4 % the joints between the sensors are less than one pitch behind those of the new chain."""
    assert (drive.whole_pitches + drive.offset_pitches) * (1 - 1 / 1.034) < 1
