"""What people of the invented plant wrote down: it fits the drives, and the way from there to now is straight."""

import json

import pytest
from typer.testing import CliRunner

from sensors_sim.main import app
from sensors_sim.past import BRICKWORKS_PAST, FITTED_DAYS, past_json
from sensors_sim.plant import BRICKWORKS

DRIVES = {each.drive_id: each for each in BRICKWORKS.drives}


def test_all_that_was_written_down_is_of_registered_drives_of_the_plant() -> None:
    past = BRICKWORKS_PAST
    named = {each.drive_id for each in past.chains} | set(past.by_hand)
    named |= {each.drive_id for each in past.jobs} | {each.drive_id for each in past.upkeep}
    assert all(DRIVES[each].registered for each in named)
    of_drives = {
        "site": {each.site for each in DRIVES.values()},
        "designation": {each.designation for each in DRIVES.values()},
    }
    assert all(each.name in of_drives[each.scope] for each in past.supplied)


def test_chains_of_a_drive_follow_each_other_up_to_the_one_that_is_on() -> None:
    for drive_id in {each.drive_id for each in BRICKWORKS_PAST.chains}:
        chains = [each for each in BRICKWORKS_PAST.chains if each.drive_id == drive_id]
        ends = [each.off_days for each in chains]
        assert [each.fitted_days for each in chains[1:]] == ends[:-1]
        assert ends[-1] == FITTED_DAYS
        assert all(each.fitted_days > each.off_days for each in chains)


@pytest.mark.parametrize("drive_id", BRICKWORKS_PAST.by_hand)
def test_what_was_measured_rises_to_what_the_chain_is_now(drive_id: str) -> None:
    told = json.loads(past_json(BRICKWORKS_PAST, BRICKWORKS.drives))
    rows = [row for row in told["measured"] if row["drive_id"] == drive_id]
    drive = DRIVES[drive_id]
    read_pct = [100 * (row["length_mm"] / (row["pitches"] * drive.pitch_mm) - 1) for row in rows]
    assert [row["days"] for row in rows] == sorted((row["days"] for row in rows), reverse=True)
    assert read_pct == sorted(read_pct)
    half_a_step_pct = 100 * 0.25 / (rows[0]["pitches"] * drive.pitch_mm)
    assert abs(read_pct[-1] - drive.elongation_pct) < 0.1 * drive.elongation_pct + half_a_step_pct
    assert all(row["pitches"] % 2 == 0 for row in rows)


def test_the_command_prints_it_and_names_what_has_no_past() -> None:
    printed = CliRunner().invoke(app, ["past", "brickworks"])
    assert json.loads(printed.stdout) == json.loads(past_json(BRICKWORKS_PAST, BRICKWORKS.drives))
    refused = CliRunner().invoke(app, ["past", "new_chain"])
    assert refused.exit_code == 2
    assert "no plant" in refused.output
