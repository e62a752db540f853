"""The driver sprocket: how the polygon drags the strand, against handbook values."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensors_sim.chain import SimulatedChain
from sensors_sim.driver import Driver


def chain(
    *,
    pitch_mm: float = 12.7,
    pitches: int = 120,
    elongation_pct: float = 0.0,
    tolerance_pct: float = 0.0,
    seed: int = 1,
) -> SimulatedChain:
    return SimulatedChain.make(
        pitch_mm=pitch_mm,
        pitches=pitches,
        elongation_pct=elongation_pct,
        tolerance_pct=tolerance_pct,
        rng=np.random.default_rng(seed),
    )


def dragged(driver: Driver, joints: int, steps: int) -> tuple[np.ndarray, np.ndarray]:
    travel = np.linspace(0, joints, joints * steps + 1)
    return travel, driver.displacement_mm(travel)


@pytest.mark.parametrize(("teeth", "swing_pct"), [(11, 4.0507), (13, 2.9058), (17, 1.7027), (19, 1.3639)])
def test_the_strand_slows_by_the_handbook_share_of_its_top_speed(teeth: int, swing_pct: float) -> None:
    """Speed between R w and R w cos(pi/z): the usual textbook statement of chordal action, 1 - cos(pi/z)."""
    driver = Driver.carrying(chain(), teeth)
    travel, displacement = dragged(driver, 4, 20_000)
    speed = np.diff(displacement) / np.diff(travel)
    assert (1 - speed.min() / speed.max()) * 100 == pytest.approx(swing_pct, abs=1e-3)


@pytest.mark.parametrize(("teeth", "swing_pct"), [(11, 4.1063), (17, 1.7124)])
def test_the_speed_swings_by_shigleys_share_of_the_mean(teeth: int, swing_pct: float) -> None:
    """Shigley, Mechanical Engineering Design, ch. 17 (from memory): (pi/z)(1/sin(pi/z) - 1/tan(pi/z)) of the mean speed."""
    driver = Driver.carrying(chain(), teeth)
    travel, displacement = dragged(driver, 4, 20_000)
    speed = np.diff(displacement) / np.diff(travel)
    assert (speed.max() - speed.min()) / speed.mean() * 100 == pytest.approx(swing_pct, abs=1e-3)


@pytest.mark.parametrize(("teeth", "peak_pitches"), [(9, 0.00396), (11, 0.00264), (17, 0.00110)])
def test_the_strand_runs_ahead_of_even_motion_by_the_peak_that_calculus_gives(
    teeth: int, peak_pitches: float
) -> None:
    """sin(a)/(2 sin(pi/z)) - a z/(2 pi) has its peak where cos(a) = (z/pi) sin(pi/z); for many teeth pi^2/(18 sqrt(3) z^2)."""
    driver = Driver.carrying(chain(), teeth)
    travel, displacement = dragged(driver, 1, 50_000)
    ahead = displacement / 12.7 - travel
    cosine = teeth / math.pi * math.sin(math.pi / teeth)
    sine = math.sqrt(1 - cosine**2)
    exact = sine / (2 * math.sin(math.pi / teeth)) - math.acos(cosine) * teeth / (2 * math.pi)
    assert ahead.max() == pytest.approx(exact, rel=1e-6)
    assert ahead.min() == pytest.approx(-exact, rel=1e-6)
    assert ahead.max() == pytest.approx(peak_pitches, rel=0.01)


def test_for_many_teeth_the_peak_goes_as_0_3166_over_the_square_of_the_teeth() -> None:
    driver = Driver.carrying(chain(), 60)
    travel, displacement = dragged(driver, 1, 20_000)
    peak = (displacement / 12.7 - travel).max()
    assert peak * 60**2 == pytest.approx(math.pi**2 / (18 * math.sqrt(3)), rel=1e-3)


@pytest.mark.parametrize(("pitch_mm", "teeth", "diameter_mm"), [(12.7, 11, 45.08), (12.7, 25, 101.33)])
def test_a_new_chain_lies_on_the_pitch_circle_of_the_tables(
    pitch_mm: float, teeth: int, diameter_mm: float
) -> None:
    """Pitch diameter p / sin(pi/z): ISO 606 Annex A (from memory); plate wheel lists print 45,07 and 101,33."""
    driver = Driver.carrying(chain(pitch_mm=pitch_mm), teeth)
    assert 2 * driver.radius_mm == pytest.approx(diameter_mm, abs=0.01)


def test_a_sprocket_drags_its_teeth_times_the_pitch_in_a_turn() -> None:
    """Bhandari, Design of Machine Elements, ex. 14.1: z = 17, p = 19.05 mm, 1000 rev/min is 5.3975 m/s."""
    driver = Driver.carrying(chain(pitch_mm=19.05), 17)
    minute = driver.displacement_mm(np.array([0.0, 17 * 1000.0]))
    assert (minute[1] - minute[0]) / 1000 / 60 == pytest.approx(5.3975, rel=1e-9)


@pytest.mark.parametrize("teeth", [None, 9, 19, 40])
def test_a_lap_of_the_chain_drags_its_own_length_however_worn(teeth: int | None) -> None:
    """One tooth a joint, so that the polygon stays locked to the joints over any number of laps."""
    worn = chain(elongation_pct=2.7, tolerance_pct=0.2)
    driver = Driver.carrying(worn, teeth)
    travel = np.array([0.0, 13.3])
    after = driver.displacement_mm(travel + 120 * 1000)
    assert after - driver.displacement_mm(travel) == pytest.approx(
        np.full(2, 1000 * worn.length_mm), rel=1e-12
    )


@pytest.mark.parametrize("teeth", [7, 19])
def test_every_joint_of_a_worn_chain_comes_to_the_tangent_point_itself(teeth: int) -> None:
    worn = chain(elongation_pct=3.0, tolerance_pct=0.2)
    driver = Driver.carrying(worn, teeth)
    assert driver.angles_rad is not None
    at_tangent = driver.angles_rad[:-1] * teeth / (2 * math.pi)
    assert driver.displacement_mm(at_tangent) == pytest.approx(driver.places_mm[:-1], abs=1e-9)


@pytest.mark.parametrize("teeth", [7, 11, 19])
def test_the_strand_neither_jumps_nor_stands_from_lap_to_lap(teeth: int) -> None:
    """The links as chords fill the lap of teeth exactly, so joint 0 takes over from the last joint like any other."""
    driver = Driver.carrying(chain(elongation_pct=3.0, tolerance_pct=0.3), teeth)
    travel = np.linspace(119.0, 121.0, 2_000_001)
    speed = np.diff(driver.displacement_mm(travel)) / np.diff(travel) / (driver.lap_mm / 120)
    swing = 1 - math.cos(math.pi / teeth)
    assert speed.min() > 1 - 1.2 * swing
    assert speed.max() < 1 + 1.2 * swing


@given(
    teeth=st.sampled_from([None, 6, 11, 17, 40]),
    elongation_pct=st.floats(0, 4),
    pitches=st.integers(20, 131),
    travel=st.floats(-1e5, 1e5),
)
def test_displacement_and_travel_are_inverses(
    teeth: int | None, elongation_pct: float, pitches: int, travel: float
) -> None:
    driver = Driver.carrying(chain(elongation_pct=elongation_pct, tolerance_pct=0.1, pitches=pitches), teeth)
    there = driver.displacement_mm(np.array([travel]))
    assert driver.travel(there)[0] == pytest.approx(travel, abs=1e-8)


@given(place=st.floats(-1e5, 1e5), seed=st.integers(0, 99))
def test_joints_up_to_a_place_are_those_that_lie_before_it(place: float, seed: int) -> None:
    driver = Driver.carrying(chain(elongation_pct=1.0, tolerance_pct=0.1, seed=seed), None)
    first_beyond = driver.joints_up_to(place)
    before, beyond = driver.place_mm(np.array([first_beyond - 1, first_beyond]))
    assert before <= place + 1e-9
    assert beyond >= place - 1e-9


def test_too_few_teeth_are_refused() -> None:
    with pytest.raises(ValueError, match="5 teeth or more"):
        Driver.carrying(chain(), 3)
