"""The register file that the simulator prints, and that the service takes it."""

import tomllib

from sensors_sim.plant import BRICKWORKS
from sensors_sim.register import register_toml
from sensors_sim.scenario import SCENARIOS
from service.adapters.register_files import read_toml

NOW_NS = 1_764_058_500_000_000_000


def test_every_registered_drive_has_a_table_and_no_other() -> None:
    rows = tomllib.loads(register_toml(BRICKWORKS.drives, seed=1, now_ns=NOW_NS))["drive"]
    assert [row["drive_id"] for row in rows] == [d.drive_id for d in BRICKWORKS.drives if d.registered]
    for row, drive in zip(rows, BRICKWORKS.drives, strict=False):
        assert row["chain_pitch_mm"] == drive.pitch_mm
        assert row["whole_pitches"] == drive.whole_pitches
        assert row["chain_fitted_utc"] < row["baseline_taken_utc"] < "2025-11-25"


def test_the_service_reads_what_the_simulator_prints() -> None:
    """Both are written from the same page of the documentation; here they meet."""
    drives = [*BRICKWORKS.drives, *(scenario.drive for scenario in SCENARIOS.values())]
    read = read_toml(register_toml(drives, seed=1, now_ns=NOW_NS))
    assert len(read) == len(drives) - 1
    for registration, drive in zip(read, [d for d in drives if d.registered], strict=True):
        assert registration.drive.drive_id == drive.drive_id
        assert registration.chain is not None
        assert registration.chain.pitches_in_loop == drive.pitches_in_loop
        assert registration.baseline is not None
        assert registration.baseline.taken_ns > registration.chain.fitted_ns


def test_the_truth_is_not_in_the_register() -> None:
    """Nobody at the plant knows how worn the chain is or what the tape was wrong by."""
    (row,) = tomllib.loads(register_toml([SCENARIOS["near_limit"].drive], seed=1, now_ns=NOW_NS))["drive"]
    assert not [key for key, value in row.items() if value in (2.97, 0.3)]


def test_the_same_seed_writes_the_same_register() -> None:
    first, second, other = (register_toml(BRICKWORKS.drives, seed=seed, now_ns=NOW_NS) for seed in (1, 1, 2))
    assert first == second
    assert first != other
