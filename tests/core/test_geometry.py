"""Geometry of chain drives against published tables and worked examples, and against numerical integration."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import brentq, minimize_scalar

from service.core import geometry

GOLDEN = Path(__file__).parents[1] / "golden"
teeth = st.integers(6, 150)
pitches_mm = st.floats(6, 200)


def test_pitch_diameters_are_those_of_the_published_table() -> None:
    """The table "Pitch diameter of roller chain wheels" (tests/golden/README.md)."""
    with (GOLDEN / "pitch_diameters_one_inch.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 28
    for row in rows:
        ours = geometry.pitch_diameter_mm(25.4, int(row["teeth"]))
        assert ours == pytest.approx(float(row["pitch_diameter_mm"]), abs=0.0051), row


@pytest.mark.parametrize(("z", "printed_mm"), [(11, 45.07), (25, 101.33)])
def test_pitch_diameter_for_half_inch_chain(z: int, printed_mm: float) -> None:
    """A public list of plate wheels for ISO 606 chain prints 45,07 and 101,33."""
    assert geometry.pitch_diameter_mm(12.7, z) == pytest.approx(printed_mm, abs=0.011)


@pytest.mark.parametrize(("z", "unit"), [(9, 2.9238), (17, 5.4422), (19, 6.0755)])
def test_unit_pitch_diameter_of_iso_606(z: int, unit: float) -> None:
    """ISO 606, Annex A (from memory)."""
    assert geometry.pitch_diameter_mm(1.0, z) == pytest.approx(unit, abs=1e-4)


@pytest.mark.parametrize(("z", "pct"), [(11, 4.0507), (13, 2.9058), (17, 1.7027), (19, 1.3639)])
def test_speed_swing_of_the_maximum(z: int, pct: float) -> None:
    """Public notes on chordal action: v_max = w d_p / 2, v_min = v_max cos(pi / z)."""
    assert 100 * geometry.speed_swing_of_max(z) == pytest.approx(pct, abs=1e-4)


@pytest.mark.parametrize(("z", "pct"), [(11, 4.1063), (17, 1.7124)])
def test_speed_swing_of_the_mean(z: int, pct: float) -> None:
    """Shigley, Mechanical Engineering Design, ch. 17 (from memory)."""
    assert 100 * geometry.speed_swing_of_mean(z) == pytest.approx(pct, abs=1e-4)


@given(teeth)
def test_both_swings_follow_from_the_chordal_speed(z: int) -> None:
    """v = w R cos(theta) over one tooth: numerically its greatest, least and mean."""
    half = math.pi / z
    mean = quad(math.cos, -half, half)[0] / (2 * half)
    assert geometry.speed_swing_of_mean(z) == pytest.approx((1 - math.cos(half)) / mean, rel=1e-9)
    assert geometry.speed_swing_of_max(z) == pytest.approx(1 - math.cos(half), rel=1e-9)


def test_chordal_rise_is_what_the_strand_loses_between_arc_and_chord() -> None:
    """R - R cos(pi / z), R the pitch radius: 0.59 mm for 17 teeth of 12.7 mm pitch."""
    radius = 12.7 / (2 * math.sin(math.pi / 17))
    assert geometry.chordal_rise_mm(12.7, 17) == pytest.approx(
        radius * (1 - math.cos(math.pi / 17)), rel=1e-12
    )
    assert geometry.chordal_rise_mm(12.7, 17) == pytest.approx(0.59, abs=0.005)


def test_length_of_a_worked_example() -> None:
    """Bhandari, Design of Machine Elements, ex. 14.3: centres 500 mm, p 12.7, 21 and 63 teeth: 122 links."""
    length = geometry.chain_length_pitches(500, 12.7, 21, 63)
    assert length == pytest.approx(121.875097, rel=1e-6)
    assert geometry.whole_even_pitches(length) == 122


def test_centre_distance_of_a_worked_example() -> None:
    """Bhandari, Design of Machine Elements, ex. 14.3, corrected centre distance for 122 links."""
    assert geometry.centre_distance_mm(122, 12.7, 21, 63) == pytest.approx(500.804717, abs=1e-6)


def test_centre_distance_there_and_back() -> None:
    """Jindal, Machine Design, ex. 30-1: p 9.52, 17 and 51 teeth, centres 300 mm."""
    length = geometry.chain_length_pitches(300, 9.52, 17, 51)
    assert geometry.centre_distance_mm(length, 9.52, 17, 51) == pytest.approx(300.0, abs=0.01)


@given(st.floats(25, 100), pitches_mm, st.integers(9, 40), st.integers(9, 120))
def test_centre_distance_is_the_inverse_of_length(centres: float, pitch_mm: float, z1: int, z2: int) -> None:
    length = geometry.chain_length_pitches(centres * pitch_mm, pitch_mm, z1, z2)
    assert geometry.centre_distance_mm(length, pitch_mm, z1, z2) == pytest.approx(
        centres * pitch_mm, rel=1e-9
    )
    assert geometry.chain_length_pitches(centres * pitch_mm, pitch_mm, z2, z1) == pytest.approx(
        length, rel=1e-12
    )


@given(st.integers(30, 80), st.integers(9, 60))
def test_equal_sprockets_hold_half_their_teeth_each(centres: int, z: int) -> None:
    """Two straight strands of C and two half turns of z / 2 links are exactly 2 C / p + z."""
    assert geometry.chain_length_pitches(centres * 12.7, 12.7, z, z) == pytest.approx(
        2 * centres + z, rel=1e-12
    )


def test_the_length_is_close_to_that_of_a_belt_on_the_pitch_circles() -> None:
    """Exact length of an open belt (any machine design text), within half a pitch of the chain's formula."""
    p, z1, z2, c = 12.7, 19, 57, 600.0
    r1, r2 = p / (2 * math.sin(math.pi / z1)), p / (2 * math.sin(math.pi / z2))
    slope = math.asin((r2 - r1) / c)
    belt_mm = 2 * c * math.cos(slope) + r1 * (math.pi - 2 * slope) + r2 * (math.pi + 2 * slope)
    assert geometry.chain_length_pitches(c, p, z1, z2) == pytest.approx(belt_mm / p, abs=0.5)


def test_a_chain_too_short_for_its_sprockets_is_refused() -> None:
    with pytest.raises(ValueError, match="length_pitches: 42 pitches do not go round 21 and 63 teeth"):
        geometry.centre_distance_mm(42, 12.7, 21, 63)


@pytest.mark.parametrize(("length", "even"), [(121.2, 122), (122.0, 122), (122.1, 124), (0.5, 2)])
def test_lengths_are_rounded_up_to_even(length: float, even: int) -> None:
    assert geometry.whole_even_pitches(length) == even


def test_speed_and_pull_of_worked_examples() -> None:
    """Bhandari, Design of Machine Elements, ex. 14.1 (17 teeth, p 19.05, 1000 rpm, 14.32 kW, 31.1 kN) and 14.7."""
    speed = geometry.mean_speed_m_s(19.05, 17, 1000)
    assert speed == pytest.approx(5.3975, rel=1e-9)
    assert 31_100 / geometry.chain_pull_n(14.32, speed) == pytest.approx(11.722224, rel=1e-6)
    second = geometry.chain_pull_n(12.9537, geometry.mean_speed_m_s(15.875, 19, 1400))
    assert second == pytest.approx(1840.558878, rel=1e-6)


def test_joint_rate() -> None:
    """5 m/s of 12.7 mm pitch: 5000 / 12.7."""
    assert geometry.joint_rate_hz(5.0, 12.7) == pytest.approx(393.70, rel=1e-4)


@given(pitches_mm, teeth, st.floats(1, 3000))
def test_each_tooth_of_the_sprocket_sends_one_joint(pitch_mm: float, z: int, rev_per_min: float) -> None:
    speed = geometry.mean_speed_m_s(pitch_mm, z, rev_per_min)
    assert geometry.joint_rate_hz(speed, pitch_mm) == pytest.approx(z * rev_per_min / 60, rel=1e-9)


@pytest.mark.parametrize(("z", "peak"), [(9, 0.00396), (11, 0.00264), (17, 0.00110)])
def test_peak_of_the_polygon_displacement(z: int, peak: float) -> None:
    """From sin(theta) / (2 sin(pi / z)) - theta z / (2 pi), by hand."""
    assert geometry.polygon_displacement_peak_pitches(z) == pytest.approx(peak, rel=0.01)


@given(st.integers(5, 200))
def test_the_peak_is_the_greatest_value(z: int) -> None:
    found = minimize_scalar(
        lambda tau: -geometry.polygon_displacement_pitches(float(tau), z), bounds=(0.0, 0.5), method="bounded"
    )
    assert geometry.polygon_displacement_peak_pitches(z) == pytest.approx(-float(found.fun), rel=1e-6)


@given(st.integers(9, 200))
def test_the_peak_of_many_teeth_goes_with_the_square(z: int) -> None:
    """pi^2 / (18 sqrt(3) z^2), the first terms of both sines."""
    rough = math.pi**2 / (18 * math.sqrt(3) * z**2)
    assert geometry.polygon_displacement_peak_pitches(z) == pytest.approx(rough, rel=10 / z**2)


@given(st.floats(-0.5, 0.5).map(lambda tau: round(tau, 6)), st.integers(5, 100))
def test_the_polygon_displacement_is_the_integral_of_the_chordal_speed(tau: float, z: int) -> None:
    """A tooth that turns evenly pulls at R w cos(theta); what that is ahead of the mean, integrated by scipy."""
    radius = 1 / (2 * math.sin(math.pi / z))  # in pitches
    turn = 2 * math.pi / z  # of the sprocket for one pitch
    travelled = quad(lambda t: radius * turn * math.cos(turn * t), 0, tau, epsabs=1e-10)[0]
    assert geometry.polygon_displacement_pitches(tau, z) == pytest.approx(travelled - tau, abs=1e-9)


@given(st.floats(-20, 20), st.integers(5, 100))
def test_the_polygon_displacement_repeats_with_each_pitch(tau: float, z: int) -> None:
    here = geometry.polygon_displacement_pitches(tau, z)
    assert geometry.polygon_displacement_pitches(tau + 1, z) == pytest.approx(here, abs=1e-9)
    assert geometry.polygon_displacement_pitches(-tau, z) == pytest.approx(-here, abs=1e-9)
    assert geometry.polygon_displacement_pitches(round(tau) + 0.5, z) == pytest.approx(0, abs=1e-9)


def test_the_polygon_displacement_of_an_array_is_that_of_its_numbers() -> None:
    phases = np.linspace(-2, 2, 33).reshape(3, 11)
    together = geometry.polygon_displacement_pitches(phases, 17)
    assert together.shape == (3, 11)
    one_by_one = [geometry.polygon_displacement_pitches(float(phase), 17) for phase in phases.ravel()]
    assert together.ravel() == pytest.approx(one_by_one, abs=1e-15)


@pytest.mark.parametrize(("sag", "pct"), [(0.02, 0.1067), (0.04, 0.4267)])
def test_sag_lengthens_the_strand(sag: float, pct: float) -> None:
    """The parabola of any statics text, and its arc integrated by scipy."""
    assert geometry.sag_extra_length_pct(sag) == pytest.approx(pct, abs=1e-4)
    arc = quad(lambda x: math.sqrt(1 + (4 * sag * (1 - 2 * x)) ** 2), 0, 1)[0]
    assert geometry.sag_extra_length_pct(sag) == pytest.approx(100 * (arc - 1), rel=0.005)


def test_pull_of_a_slack_strand() -> None:
    """H = q a^2 / (8 s) for 0.7 kg/m over 1 m with 20 mm sag; the catenary by scipy differs by less than 0.2 %."""
    pull = geometry.slack_pull_n(0.7, 1.0, 0.02)
    assert pull == pytest.approx(42.92, abs=0.01)
    weight = 0.7 * 9.81
    catenary = brentq(lambda h: h / weight * (math.cosh(weight / (2 * h)) - 1) - 0.02, 1, 1000)
    assert pull == pytest.approx(catenary, rel=0.002)


def test_warm_chain_on_a_steel_frame() -> None:
    """11.7e-6 / K (Machinery's Handbook, from memory) over 30 K; the frame as warm as the chain hides it."""
    assert geometry.thermal_strain_pct(30) == pytest.approx(0.0351, abs=1e-9)
    assert geometry.thermal_strain_pct(30, 30) == pytest.approx(0, abs=1e-12)
    assert geometry.thermal_strain_pct(30, 30, mount_expansion_per_k=23e-6) == pytest.approx(
        -0.0339, abs=1e-4
    )


def test_loops_and_articulations() -> None:
    """2 m/s, 122 pitches of 12.7 mm: 3600 v / (L p), four articulations a loop."""
    loops = geometry.loops_per_hour(2, 122, 12.7)
    assert loops == pytest.approx(4646.96, rel=1e-4)
    assert geometry.articulations_per_hour(loops) == pytest.approx(18_587.8, rel=1e-4)


def test_sliding_of_a_loop() -> None:
    """2 pi d2 (1 / z1 + 1 / z2), d2 4.45 mm (08B), 19 and 57 teeth; and as four turns of 2 pi / z at the pin."""
    assert geometry.sliding_per_loop_mm(4.45, 19, 57) == pytest.approx(1.9621, rel=1e-4)
    turns = [2 * math.pi / z for z in (19, 19, 57, 57)]
    assert geometry.sliding_per_loop_mm(4.45, 19, 57) == pytest.approx(sum(turns) * 4.45 / 2, rel=1e-12)


@pytest.mark.parametrize(("z", "factor"), [(17, 1.1276), (19, 1.0), (25, 0.7435)])
def test_teeth_factor(z: int, factor: float) -> None:
    """ISO 10823, f2 (from memory)."""
    assert geometry.teeth_factor(z) == pytest.approx(factor, rel=1e-4)


def test_lubrication_limits() -> None:
    """ASME B29.1 types A and B as printed by a bearing distributor: #80 to 170 and 1500 ft/min."""
    limits = geometry.lubrication_limits(80)
    assert limits.manual_or_drip_m_s == pytest.approx(0.864, rel=0.005)
    assert limits.bath_or_disc_m_s == pytest.approx(7.62, rel=0.005)
    with pytest.raises(ValueError, match="no lubrication limits for 35; known are 40, 50"):
        geometry.lubrication_limits(35)


def test_length_by_calliper() -> None:
    """Trade texts: (L1 + L2) / 2 over 6 to 10 links; here ten pitches of 12.7 mm, 138.05 and 121.03 mm: 2 %."""
    length = geometry.calliper_length_mm(138.05, 121.03)
    assert geometry.length_elongation_pct(length, 10, 12.7) == pytest.approx(2.0, abs=1e-9)
    with pytest.raises(ValueError, match="swap the two"):
        geometry.calliper_length_mm(121.03, 138.05)


@given(st.floats(50, 2000), st.floats(3, 40))
def test_the_roller_does_not_matter_to_the_calliper(length_mm: float, roller_mm: float) -> None:
    measured = geometry.calliper_length_mm(length_mm + roller_mm, length_mm - roller_mm)
    assert measured == pytest.approx(length_mm, rel=1e-12)


def test_elongation_of_measured_lengths() -> None:
    """A published worked example (24 links of 12.7 mm measured 307.2 mm: 0.79 %), and the reject length of
    US Army TM 10-3930-671-24 (12 pitches of 1 in at 12 3/8 in)."""
    assert geometry.length_elongation_pct(307.2, 24, 12.7) == pytest.approx(0.787, abs=0.005)
    assert geometry.length_elongation_pct(12.375 * 25.4, 12, 25.4) == pytest.approx(3.125, rel=1e-9)


def test_a_clock_offset_between_the_sensors_moves_the_lag() -> None:
    """1 ms at 1 m/s and p 12.7 is 1 mm: 0.07874 pitches, 0.3281 % over 24 pitches (by hand)."""
    offset_pitches = 0.001 * geometry.joint_rate_hz(1.0, 12.7)
    assert offset_pitches == pytest.approx(0.07874, rel=1e-4)
    assert 100 * offset_pitches / 24 == pytest.approx(0.3281, rel=1e-4)


@pytest.mark.parametrize(
    ("call", "names"),
    [
        (lambda: geometry.pitch_diameter_mm(0, 19), "pitch_mm: 0"),
        (lambda: geometry.pitch_diameter_mm(12.7, 2), "teeth: 2"),
        (lambda: geometry.pitch_diameter_mm(math.nan, 19), "pitch_mm: nan"),
        (lambda: geometry.mean_speed_m_s(-1, 19, 100), "pitch_mm: -1"),
        (lambda: geometry.chain_pull_n(1, 0), "speed_m_s: 0"),
        (lambda: geometry.sag_extra_length_pct(2), "sag_ratio: 2"),
        (lambda: geometry.length_elongation_pct(300, 0, 12.7), "pitches: 0"),
        (lambda: geometry.polygon_displacement_pitches(0.1, math.inf), "teeth: inf"),
    ],
)
def test_values_out_of_range_are_refused_by_name(call: object, names: str) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=names):
        call()
