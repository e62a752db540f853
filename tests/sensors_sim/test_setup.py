"""What a fitter wrote down at commissioning, against the truth he could not know."""

import numpy as np
import pytest

from sensors_sim.plant import BRICKWORKS
from sensors_sim.scenario import ORDINARY


def test_commissioning_errs_by_as_much_as_it_says() -> None:
    true_pitches = ORDINARY.spacing_mm / (12.7 * (1 + ORDINARY.commissioned_pct / 100))
    written = [ORDINARY.commissioning(seed) for seed in range(400)]
    pitches_error = np.array([(w.pitches_between - true_pitches) / w.pitches_between_u for w in written])
    elongation_error = np.array(
        [(w.elongation_pct - ORDINARY.commissioned_pct) / w.elongation_u_pct for w in written]
    )
    for error in (pitches_error, elongation_error):
        assert error.std() == pytest.approx(1.0, abs=0.2)
        assert abs(error.mean()) < 0.25


def test_drives_of_one_plant_draw_different_numbers_from_one_seed() -> None:
    seeds = {drive.own_seed(1) for drive in BRICKWORKS.drives}
    assert len(seeds) == len(BRICKWORKS.drives)
    assert ORDINARY.own_seed(1) == ORDINARY.own_seed(1)


def test_speedup_multiplies_the_wear_and_a_window_can_be_overridden() -> None:
    device = ORDINARY.build(seed=1, start_ns=0, speedup=1e5, window_s=2.0)
    assert device.window_s == 2.0
    before = device.drive.chain.mean_elongation_pct
    device.drive.run(30.0)
    laps = device.drive.laps
    assert device.drive.chain.mean_elongation_pct - before == pytest.approx(0.04e-6 * 1e5 * laps, rel=1e-3)
