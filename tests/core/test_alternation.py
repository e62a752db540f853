"""Elongation from long and short intervals of one sensor: the construction of the chain, and the simulator's truth."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensors_sim.batch import simulate_batch
from service.core.alternation import (
    INNER_MADE_PCT,
    INNER_MADE_U_PCT,
    POLYGON_SHARE,
    Alternation,
    against_nominal,
    combined,
    elongation_by_alternation,
    fits,
    measure_alternation,
)


def test_a_worn_chain_alternates_as_its_construction_says() -> None:
    """p = 12.7, inner links 0.075 % over: rollers 12.709525 and 13.208 mm apart, e = 2.037 % (mean of both; arithmetic)."""
    times = np.cumsum(np.tile([13.208, 12.709525], 40)) / 1000.0
    found, _ = elongation_by_alternation(measure_alternation(times), None)
    assert found == pytest.approx(((13.208 + 12.709525) / 2 / 12.7 - 1) * 100, abs=1e-6)


@given(inner=st.floats(0, 0.15), outer=st.floats(0, 0.15), wear=st.floats(0.08, 4.0))
def test_what_inner_links_were_made_over_nominal_is_all_that_it_is_off_by(
    inner: float, outer: float, wear: float
) -> None:
    """Against nominal: it is right where inner links were made 0.075 % over it, and off by what they were made otherwise."""
    lengths = np.tile([1 + (outer + 2 * wear) / 100, 1 + inner / 100], 40)
    found, u_pct = elongation_by_alternation(measure_alternation(np.cumsum(lengths)), 40)
    elongation = (inner + outer) / 2 + wear
    assert found - elongation == pytest.approx(INNER_MADE_PCT - inner, abs=0.08 * 0.045)
    assert u_pct >= INNER_MADE_U_PCT


def test_on_a_new_chain_it_is_off_by_what_it_states() -> None:
    """Which links are the longer ones is not known; taken for outer ones, the root mean square is still that of inner ones.

    A new chain shows i0 + |o - i| / 2 for (i + o) / 2: off by i0 less the shorter of both.
    """
    rng = np.random.default_rng(5)
    off = []
    for inner, outer in rng.uniform(0, 0.15, (4000, 2)):
        lengths = np.tile([1 + outer / 100, 1 + inner / 100], 5)
        found, u_pct = elongation_by_alternation(measure_alternation(np.cumsum(lengths)), 40)
        off.append((found - (inner + outer) / 2) / u_pct)
    assert float(np.sqrt(np.mean(np.square(off)))) == pytest.approx(1.0, abs=0.03)


@given(grown=st.floats(0, 5))
def test_what_outer_links_outgrew_inner_ones_by_is_made_into_an_elongation_alike(grown: float) -> None:
    ratio = grown / (100 + grown)
    found, _ = elongation_by_alternation(Alternation(ratio, 0.0), None)
    assert against_nominal(grown) == pytest.approx(found, abs=1e-9)


@given(worn=st.floats(0, 0.04), change=st.floats(-0.002, 0.002), first_long=st.booleans())
def test_a_steady_change_of_speed_is_taken_out(worn: float, change: float, *, first_long: bool) -> None:
    inner = 1 + INNER_MADE_PCT / 100
    lengths = np.tile([inner + 2 * worn, inner] if first_long else [inner, inner + 2 * worn], 60)
    places = np.cumsum(lengths)
    times = places + change * places**2 / 2
    found, _ = elongation_by_alternation(measure_alternation(times), None)
    assert found == pytest.approx(100 * worn + INNER_MADE_PCT, abs=0.02)


def test_the_scatter_is_stated() -> None:
    rng = np.random.default_rng(4)
    places = np.cumsum(np.tile([1.04, 1.0], 60))
    found = [measure_alternation(np.sort(places + rng.normal(0, 0.004, 120))) for _ in range(500)]
    spread = float(np.std([each.ratio for each in found]))
    assert np.mean([each.u for each in found]) == pytest.approx(spread, rel=0.1)
    assert spread == pytest.approx(2 * 0.004 / 1.02 / math.sqrt(119), rel=0.1)


@pytest.mark.parametrize("teeth", [11, 17, 25])
def test_the_share_of_the_polygon_is_that_of_links_as_chords(teeth: int) -> None:
    """Chains without scatter on drives whose sensor sits anywhere: what is left is the polygon's."""
    rng = np.random.default_rng(teeth)
    shares = []
    for seed in range(80):
        made = simulate_batch(
            pitch_mm=25.4,
            elongation_pct=2.0,
            teeth=teeth,
            seed=seed,
            pitches_in_loop=100,
            repeatability_mm=0.0,
            wear_spread=0.0,
            tolerance_pct=0.0,
            up_to_driver_mm=float(rng.uniform(30, 60) * 25.4),
            tick_ns=100,
        )
        ratio = measure_alternation(np.multiply(made.up, 1e-7)).ratio
        shares.append(100 * ratio / (1 - ratio) / made.true_elongation_pct - 1)
    assert float(np.sqrt(np.mean(np.square(shares)))) == pytest.approx(POLYGON_SHARE / teeth**2, rel=0.15)


def test_the_stated_uncertainty_holds_the_truth_over_random_drives() -> None:
    rng = np.random.default_rng(9)
    errors = []
    for seed in range(400):
        pitch_mm = float(rng.choice([8.0, 12.7, 25.4, 50.8]))
        teeth = int(rng.integers(11, 41))
        inner_pct, outer_pct = (float(each) for each in rng.uniform(0, 0.15, 2))
        made = simulate_batch(
            pitch_mm=pitch_mm,
            teeth=teeth,
            elongation_pct=(inner_pct + outer_pct) / 2 + float(rng.uniform(0, 3.5)),
            manufacture_pct=(inner_pct + outer_pct) / 2,
            outer_minus_inner_pct=outer_pct - inner_pct,
            up_to_driver_mm=float(rng.uniform(25, 80) * pitch_mm),
            pitches_in_loop=2 * int(rng.integers(35, 100)),
            seed=seed,
        )
        found, u_pct = elongation_by_alternation(measure_alternation(np.multiply(made.up, 1e-6)), teeth)
        errors.append((found - made.true_elongation_pct) / u_pct)
    held = float(np.mean(np.abs(errors) <= 1.96))
    assert 0.93 <= held <= 0.98


def test_both_sensors_share_what_a_new_chain_shows() -> None:
    """Scatter averages out, what inner links were made with does not, and nor does the polygon effect."""
    mean_pct, u_pct = combined((1.0, 0.08), (1.2, 0.1), 1000)
    assert mean_pct == pytest.approx(1.1)
    scatter = (0.08**2 + 0.1**2 - 2 * INNER_MADE_U_PCT**2) / 4
    assert u_pct == pytest.approx(np.hypot(INNER_MADE_U_PCT, np.sqrt(scatter)), abs=1e-6)
    for ratio in (0.0, 0.005, 0.03):
        one = elongation_by_alternation(Alternation(ratio, 0.0), 11)
        assert combined(one, one, 11) == pytest.approx(one, rel=1e-3)
    assert combined((1.0, 0.01), (1.2, 0.02), 19)[1] >= INNER_MADE_U_PCT
    assert elongation_by_alternation(Alternation(0.0, 0.0), 40) == pytest.approx(
        (INNER_MADE_PCT, INNER_MADE_U_PCT)
    )


def test_agreement_is_within_both_uncertainties() -> None:
    assert fits(1.0, 0.03, (1.09, 0.04), 2.0)
    assert not fits(1.0, 0.03, (1.2, 0.04), 2.0)
