"""Elongation and its uncertainty: formulas by hand, handbook values, and the simulator's truth."""

import math

import numpy as np
import pytest
from scipy.integrate import quad

from service.core.drive import Baseline, Drive
from service.core.elongation import (
    POLYGON_RMS,
    Budget,
    elongation_pct,
    load_correction_pct,
    new_pitches_by_baseline,
    new_pitches_by_spacing,
    polygon_shift_pitches,
    polygon_u_pitches,
    sample_u_pct,
    temperature_correction_pct,
)
from service.core.geometry import polygon_displacement_pitches


def drive(**more: object) -> Drive:
    return Drive(drive_id="d", whole_pitches=24, **more)  # type: ignore[arg-type]


def baseline(n0: float, e0_pct: float, *, n0_u: float = 0.001, e0_u_pct: float = 0.01) -> Baseline:
    return Baseline(
        chain_id="c",
        pitches_between=n0,
        pitches_between_u=n0_u,
        elongation_pct=e0_pct,
        elongation_u_pct=e0_u_pct,
        taken_ns=0,
        recorded_ns=0,
        recorded_by="tests",
        why="tests",
    )


def test_elongation_from_spacing_has_the_size_of_the_formula() -> None:
    """n = 24 pitches, N = 23.300971: e = n / N - 1 = 3 %."""
    assert elongation_pct(23.300971, 24.0) == pytest.approx(3.0, abs=1e-5)


def test_elongation_from_a_baseline_has_the_size_of_the_formula() -> None:
    """N0 = 24 / 1.001 at e0 = 0.1 %, N = 23.5: e = 1.001 N0 / N - 1 = 2.12766 %."""
    new = new_pitches_by_baseline(baseline(24 / 1.001, 0.1))
    assert elongation_pct(23.5, new.pitches) == pytest.approx(2.12766, abs=1e-5)


def test_a_millimetre_of_spacing_is_a_third_of_a_per_cent() -> None:
    """1 mm over 24 x 12.7 mm is 0.33 % of elongation, so a spacing is learnt and not taped."""
    new = new_pitches_by_spacing(24.0, 1.0, 12.7)
    assert 100 * new.u_pitches / new.pitches == pytest.approx(0.33, abs=0.005)


def test_the_uncertainty_of_a_baseline_is_that_of_both_its_values() -> None:
    """N_new = (1 + e0) N0; partial derivatives by finite differences."""
    base = baseline(24.0, 0.1, n0_u=0.002, e0_u_pct=0.04)
    new = new_pitches_by_baseline(base)
    by_n0 = (new_pitches_by_baseline(baseline(24.0 + 1e-6, 0.1)).pitches - new.pitches) / 1e-6
    by_e0 = (new_pitches_by_baseline(baseline(24.0, 0.1 + 1e-6)).pitches - new.pitches) / 1e-6
    assert new.u_pitches == pytest.approx(math.hypot(by_n0 * 0.002, by_e0 * 0.04), rel=1e-6)


def test_the_budget_is_the_root_of_the_sum_of_squares() -> None:
    budget = Budget(jitter_pct=3.0, polygon_pct=4.0, load_pct=12.0)
    assert budget.combined_pct == pytest.approx(13.0)


def test_temperature_of_chain_and_mount_has_the_handbook_size() -> None:
    """Steel 11.7e-6 / K: 30 K give 0.0351 % (Machinery's Handbook, from memory); an aluminium mount 23e-6 / K."""
    hot_chain, _ = temperature_correction_pct(drive(), 50.0, 20.0)
    assert hot_chain == pytest.approx(0.0351, abs=1e-9)
    both_hot, _ = temperature_correction_pct(drive(), 50.0, 50.0)
    assert both_hot == pytest.approx(0.0, abs=1e-12)
    on_aluminium, _ = temperature_correction_pct(drive(mount_expansion_per_k=23e-6), 50.0, 50.0)
    assert on_aluminium == pytest.approx(-0.0339, abs=1e-4)


def test_temperatures_that_were_not_sent_are_uncertainty_and_no_correction() -> None:
    """+/- 15 K rectangular: 15 / sqrt(3) K (JCGM 100:2008, 4.3.7, from memory)."""
    for sent in ((None, None), (50.0, None), (None, 50.0)):
        taken_off, u_pct = temperature_correction_pct(drive(temp_range_k=15.0), *sent)
        assert taken_off == 0.0
        assert u_pct == pytest.approx(100 * 11.7e-6 * 15 / math.sqrt(3))


def test_load_is_corrected_only_where_strain_and_reference_are_known() -> None:
    known = drive(load_ref_n=2000.0, strain_pct_per_kn=0.01)
    assert load_correction_pct(known, 5000.0)[0] == pytest.approx(0.03)
    assert load_correction_pct(known, None) == (0.0, 0.02)
    assert load_correction_pct(drive(load_ref_n=2000.0), 5000.0) == (0.0, 0.02)


def test_the_polygon_rms_is_that_of_the_exact_displacement() -> None:
    for teeth in (17, 25, 40):
        mean_square, _ = quad(lambda tau, z=teeth: polygon_displacement_pitches(tau, z) ** 2, -0.5, 0.5)
        assert POLYGON_RMS / teeth**2 == pytest.approx(math.sqrt(mean_square), rel=0.01)


@pytest.mark.parametrize("lag", [0.1, 0.25, 0.5, 0.8])
def test_the_polygon_uncertainty_is_the_rms_over_all_places_of_the_driver(lag: float) -> None:
    """g(tau + f) - g(tau) over tau, by quadrature; g is nearly a sine, so to some per cent."""
    teeth = 17
    mean_square, _ = quad(
        lambda tau: (
            (polygon_displacement_pitches(tau + lag, teeth) - polygon_displacement_pitches(tau, teeth)) ** 2
        ),
        -0.5,
        0.5,
        limit=200,
    )
    assert polygon_u_pitches(drive(driver_teeth=teeth), lag) == pytest.approx(
        math.sqrt(mean_square), rel=0.06
    )


def test_the_polygon_shift_is_what_an_even_rotation_shows() -> None:
    """Sensors 24.3 pitches apart; tau found by bisection where tau + g(tau) is the place of each sensor."""
    from scipy.optimize import brentq

    teeth, pitch_mm, to_driver_mm = 11, 12.7, 391.0
    place = -to_driver_mm / pitch_mm

    def rotation(moved: float) -> float:
        root = brentq(
            lambda tau: tau + polygon_displacement_pitches(tau, teeth) - moved, moved - 0.2, moved + 0.2
        )
        return float(root)

    seen = rotation(place + 24.3) - rotation(place)
    shift = polygon_shift_pitches(
        drive(driver_teeth=teeth, up_to_driver_mm=to_driver_mm), 24.3 * pitch_mm, seen
    )
    assert abs(24.3 - seen) > 1e-3
    assert seen + shift == pytest.approx(24.3, abs=1e-4)  # the mean pitch is taken from what was seen


def test_without_the_drivers_place_nothing_is_shifted_and_more_is_uncertain() -> None:
    known = drive(driver_teeth=17, up_to_driver_mm=500.0)
    assert polygon_shift_pitches(drive(driver_teeth=17), 300.0, 24.4) == 0.0
    assert polygon_u_pitches(known, 0.4) < polygon_u_pitches(drive(driver_teeth=17), 0.4)
    assert polygon_u_pitches(drive(), 0.4) > polygon_u_pitches(drive(driver_teeth=17), 0.4)


def test_the_mean_of_a_part_of_the_chain_spreads_as_stated() -> None:
    """Chains drawn at random: M stretches of N links each, of a loop of L, against the mean of all L."""
    rng = np.random.default_rng(2)
    loop, averaged, between = 200, 60, 24
    errors = []
    for _ in range(4000):
        links = rng.normal(0.0, 0.1, loop)
        sums = np.convolve(np.concatenate((links, links)), np.ones(between) / between, mode="valid")
        errors.append(sums[:averaged].mean() - links.mean())
    stated = sample_u_pct(averaged, between, loop, None, 0.0)
    assert stated == pytest.approx(float(np.std(errors)), rel=0.08)
    assert sample_u_pct(250, between, loop, None, 0.0) == 0.0
