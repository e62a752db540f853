"""The register file that the simulator prints."""

import tomllib

from sensors_sim.plant import BRICKWORKS
from sensors_sim.register import register_toml
from sensors_sim.scenario import SCENARIOS

NOW_NS = 1_764_058_500_000_000_000


def test_every_registered_drive_has_a_table_and_no_other() -> None:
    rows = tomllib.loads(register_toml(BRICKWORKS.drives, seed=1, now_ns=NOW_NS))["drive"]
    assert [row["drive_id"] for row in rows] == [d.drive_id for d in BRICKWORKS.drives if d.registered]
    for row, drive in zip(rows, BRICKWORKS.drives, strict=False):
        assert row["chain_pitch_mm"] == drive.pitch_mm
        assert row["whole_pitches"] == drive.whole_pitches
        assert row["chain_fitted_utc"] < row["baseline_taken_utc"] < "2025-11-25"


def test_the_truth_is_not_in_the_register() -> None:
    """Nobody at the plant knows how worn the chain is or what the tape was wrong by."""
    (row,) = tomllib.loads(register_toml([SCENARIOS["near_limit"].drive], seed=1, now_ns=NOW_NS))["drive"]
    assert not [key for key, value in row.items() if value in (2.97, 0.3)]


def test_the_same_seed_writes_the_same_register() -> None:
    first, second, other = (register_toml(BRICKWORKS.drives, seed=seed, now_ns=NOW_NS) for seed in (1, 1, 2))
    assert first == second
    assert first != other
