"""Textbook geometry and kinematics of chain drives: what follows from pitch, teeth, centre distance and speed.

Knows formulas and their sources; must not know drives, sensors or readings. Every function refuses values
outside its range with a ValueError that names the argument.

Symbols: p pitch, z teeth, d_p pitch diameter, C centre distance, L length of the chain in pitches, v mean speed.
"""

import math
from dataclasses import dataclass
from typing import overload

import numpy as np
import numpy.typing as npt

GRAVITY_M_S2 = 9.81  # as handbooks of mechanics round it; it varies by 0.3 % over the earth
STEEL_EXPANSION_PER_K = 11.7e-6  # Machinery's Handbook (from memory)
FEET_PER_MIN_IN_M_S = 0.3048 / 60  # the international foot


def pitch_diameter_mm(pitch_mm: float, teeth: float) -> float:
    """Return the diameter of the circle on which the joints lie, mm: d_p = p / sin(pi / z).

    Source: ISO 606, Annex A (from memory).
    """
    _above_zero(pitch_mm=pitch_mm)
    return pitch_mm / math.sin(_half_tooth_angle(teeth))


def mean_speed_m_s(pitch_mm: float, teeth: float, rev_per_min: float) -> float:
    """Return the mean chain speed, m/s: v = z p n / 60.

    Source: Shigley, Mechanical Engineering Design, ch. 17, roller chain.
    """
    _above_zero(pitch_mm=pitch_mm, teeth=teeth)
    return teeth * pitch_mm * rev_per_min / 60_000


def joint_rate_hz(speed_m_s: float, pitch_mm: float) -> float:
    """Return how many joints pass a sensor each second: v / p."""
    _above_zero(pitch_mm=pitch_mm)
    return speed_m_s * 1000 / pitch_mm


def chain_pull_n(power_kw: float, speed_m_s: float) -> float:
    """Return the mean pull of the tight strand, N: F = P / v.

    Source: Bhandari, Design of Machine Elements, ch. 14.
    """
    _above_zero(speed_m_s=speed_m_s)
    return power_kw * 1000 / speed_m_s


def speed_swing_of_max(teeth: float) -> float:
    """Return (v_max - v_min) / v_max of the chordal speed, a ratio: 1 - cos(pi / z).

    v_max = w d_p / 2 where the strand leaves at the radius, v_min = v_max cos(pi / z) at the middle of a chord.
    """
    return 1 - math.cos(_half_tooth_angle(teeth))


def speed_swing_of_mean(teeth: float) -> float:
    """Return (v_max - v_min) / v_mean of the chordal speed, a ratio: (pi / z) (1 / sin(pi / z) - 1 / tan(pi / z)).

    Source: Shigley, Mechanical Engineering Design, ch. 17, chordal speed variation (from memory).
    """
    angle = _half_tooth_angle(teeth)
    return angle * (1 / math.sin(angle) - 1 / math.tan(angle))


def chordal_rise_mm(pitch_mm: float, teeth: float) -> float:
    """Return how far the strand rises and falls as each tooth takes a joint, mm: (d_p / 2) (1 - cos(pi / z))."""
    return pitch_diameter_mm(pitch_mm, teeth) / 2 * speed_swing_of_max(teeth)


def chain_length_pitches(
    centre_distance_mm: float, pitch_mm: float, driver_teeth: float, driven_teeth: float
) -> float:
    """Return the length of the chain in pitches, not rounded: L = 2C/p + (z1+z2)/2 + ((z2-z1)/(2 pi))^2 p/C.

    `whole_even_pitches` rounds it. The formula is an approximation for centres well above the pitch diameters.

    Source: Bhandari, Design of Machine Elements, ch. 14 (length of chain); ASME B29.1 supplementary information.
    """
    _above_zero(
        centre_distance_mm=centre_distance_mm,
        pitch_mm=pitch_mm,
        driver_teeth=driver_teeth,
        driven_teeth=driven_teeth,
    )
    centres = centre_distance_mm / pitch_mm
    return 2 * centres + (driver_teeth + driven_teeth) / 2 + _teeth_term(driver_teeth, driven_teeth) / centres


def centre_distance_mm(
    length_pitches: float, pitch_mm: float, driver_teeth: float, driven_teeth: float
) -> float:
    """Return the centre distance that a chain of this length needs, mm: the inverse of `chain_length_pitches`.

    C = (p/4) (A + sqrt(A^2 - 8 ((z2-z1)/(2 pi))^2)), A = L - (z1+z2)/2. Raises ValueError where the chain is
    too short to go round both sprockets.

    Source: Bhandari, Design of Machine Elements, ch. 14 (centre distance).
    """
    _above_zero(
        length_pitches=length_pitches, pitch_mm=pitch_mm, driver_teeth=driver_teeth, driven_teeth=driven_teeth
    )
    straight = length_pitches - (driver_teeth + driven_teeth) / 2
    root = straight**2 - 8 * _teeth_term(driver_teeth, driven_teeth)
    if straight <= 0 or root < 0:
        raise ValueError(
            f"length_pitches: {length_pitches} pitches do not go round {driver_teeth} and {driven_teeth} teeth; give a longer chain"
        )
    return pitch_mm / 4 * (straight + math.sqrt(root))


def whole_even_pitches(length_pitches: float) -> int:
    """Return the least even number of pitches that is not below the length: an odd loop needs a cranked link."""
    _above_zero(length_pitches=length_pitches)
    return 2 * math.ceil(length_pitches / 2)


@overload
def polygon_displacement_pitches(phase_pitches: float, teeth: float) -> float: ...
@overload
def polygon_displacement_pitches(
    phase_pitches: npt.NDArray[np.float64], teeth: float
) -> npt.NDArray[np.float64]: ...
def polygon_displacement_pitches(
    phase_pitches: float | npt.NDArray[np.float64], teeth: float
) -> float | npt.NDArray[np.float64]:
    """Return how far the chain is ahead of uniform motion, in pitches; same shape as the phase.

    g(tau) = sin(2 pi tau / z) / (2 sin(pi / z)) - tau over one pitch, repeated with each pitch. It has exactly
    one cycle a pitch, so it is locked to the joints and does not average away.

    Args:
        phase_pitches: tau, a number or any shape; 0 when a joint is where the strand touches the pitch circle.
            Taken modulo 1 to -1/2 ... 1/2.
        teeth: z of the sprocket that pulls the strand.

    Source: a joint on the pitch circle, 2 pi tau / z from the point of contact, seen along the strand.
    """
    angle = _half_tooth_angle(teeth)
    if isinstance(phase_pitches, np.ndarray):
        tau = phase_pitches - np.round(phase_pitches)
        return np.asarray(np.sin(2 * angle * tau) / (2 * math.sin(angle)) - tau, dtype=np.float64)
    turned = phase_pitches - round(phase_pitches)
    return math.sin(2 * angle * turned) / (2 * math.sin(angle)) - turned


def polygon_displacement_peak_pitches(teeth: float) -> float:
    """Return the greatest value of `polygon_displacement_pitches`, exactly: about 0.3166 / z^2.

    Where the slope is zero: cos(2 pi tau / z) = (z / pi) sin(pi / z). For many teeth the first terms of both
    sines give pi^2 / (18 sqrt(3) z^2). A lag is biased by at most twice this peak.
    """
    angle = _half_tooth_angle(teeth)
    turned = math.acos(math.sin(angle) / angle)
    return math.sin(turned) / (2 * math.sin(angle)) - turned / (2 * angle)


def sag_extra_length_pct(sag_ratio: float) -> float:
    """Return by how much a sagging strand is longer than its chord, per cent: (8/3) (sag / span)^2.

    To two sensors on the strand this looks like negative elongation. Source: first term of a flat parabola's arc.

    Args:
        sag_ratio: sag at mid-span over span, 0 to 0.2 (beyond that the parabola is not flat).
    """
    if not 0 <= sag_ratio <= 0.2:
        raise ValueError(f"sag_ratio: {sag_ratio} is not within 0 to 0.2; give sag divided by span")
    return 100 * 8 / 3 * sag_ratio**2


def slack_pull_n(mass_kg_m: float, span_m: float, sag_m: float) -> float:
    """Return the horizontal pull of a sagging strand, N: H = q a^2 / (8 s), q the weight of a metre.

    Source: the parabola under its own weight, any statics text (flexible cable).
    """
    _above_zero(mass_kg_m=mass_kg_m, span_m=span_m, sag_m=sag_m)
    return mass_kg_m * GRAVITY_M_S2 * span_m**2 / (8 * sag_m)


def thermal_strain_pct(
    chain_rise_k: float,
    mount_rise_k: float = 0.0,
    *,
    chain_expansion_per_k: float = STEEL_EXPANSION_PER_K,
    mount_expansion_per_k: float = STEEL_EXPANSION_PER_K,
) -> float:
    """Return what warmth adds to an elongation reading, per cent: alpha_c dT_c - alpha_m dT_m.

    Only the difference between the chain and what the sensors are mounted on counts.
    """
    return 100 * (chain_expansion_per_k * chain_rise_k - mount_expansion_per_k * mount_rise_k)


def loops_per_hour(speed_m_s: float, pitches_in_loop: float, pitch_mm: float) -> float:
    """Return how often a joint comes round in an hour: 3600 v / (L p)."""
    _above_zero(pitches_in_loop=pitches_in_loop, pitch_mm=pitch_mm)
    return 3600 * speed_m_s * 1000 / (pitches_in_loop * pitch_mm)


def articulations_per_hour(loops_hour: float, sprockets: int = 2) -> float:
    """Return how often a joint bends in an hour: once on to and once off each sprocket, every loop."""
    return 2 * sprockets * loops_hour


def sliding_per_loop_mm(pin_dia_mm: float, driver_teeth: float, driven_teeth: float) -> float:
    """Return how far pin and bush slide on each other in one loop over two sprockets, mm: 2 pi d2 (1/z1 + 1/z2).

    Each of the four articulations turns the joint by 2 pi / z, and so slides pi d2 / z at the pin's surface.
    """
    _above_zero(pin_dia_mm=pin_dia_mm, driver_teeth=driver_teeth, driven_teeth=driven_teeth)
    return 2 * math.pi * pin_dia_mm * (1 / driver_teeth + 1 / driven_teeth)


def teeth_factor(driver_teeth: float) -> float:
    """Return f2, by which the power is multiplied for the teeth of the small sprocket: (19 / z)^1.08, 1 at 19.

    Source: ISO 10823 (from memory).
    """
    _above_zero(driver_teeth=driver_teeth)
    return float((19 / driver_teeth) ** 1.08)


def calliper_length_mm(outside_mm: float, inside_mm: float) -> float:
    """Return the length between the centres of the end joints, mm, from outside and inside over their rollers.

    (L1 + L2) / 2: the roller diameter adds to one and takes from the other. Common practice over 6 to 10 links.
    """
    _above_zero(outside_mm=outside_mm, inside_mm=inside_mm)
    if inside_mm >= outside_mm:
        raise ValueError(
            f"inside_mm: {inside_mm} is not below outside_mm {outside_mm}; swap the two readings?"
        )
    return (outside_mm + inside_mm) / 2


def length_elongation_pct(length_mm: float, pitches: int, pitch_mm: float) -> float:
    """Return the mean wear elongation of a measured length, per cent: (L - n p) / (n p).

    Args:
        length_mm: L, of tight chain, between the centres of two joints `pitches` apart.
        pitches: n, even, so that inner and outer links weigh the same.
        pitch_mm: p, nominal.
    """
    _above_zero(length_mm=length_mm, pitches=pitches, pitch_mm=pitch_mm)
    return 100 * (length_mm / (pitches * pitch_mm) - 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class LubricationLimits:
    """Chain speeds up to which each type of lubrication of ASME B29.1 will do, m/s. Above B: type C, oil stream."""

    manual_or_drip_m_s: float  # type A
    bath_or_disc_m_s: float  # type B


# Type A and type B limits in ft/min by ASME number, as bearing distributors print them after ASME B29.1.
_LUBRICATION_FT_MIN = {
    40: (300, 2300), 50: (250, 2000), 60: (220, 1800), 80: (170, 1500),
    100: (150, 1300), 120: (130, 1200), 140: (115, 1100), 160: (100, 1000),
}  # fmt: skip


def lubrication_limits(asme_number: int) -> LubricationLimits:
    """Return the speed limits of lubrication types A and B for an ASME chain, 40 to 160. Raises ValueError for others."""
    try:
        manual, bath = _LUBRICATION_FT_MIN[asme_number]
    except KeyError:
        known = ", ".join(map(str, _LUBRICATION_FT_MIN))
        raise ValueError(f"asme_number: no lubrication limits for {asme_number}; known are {known}") from None
    return LubricationLimits(
        manual_or_drip_m_s=manual * FEET_PER_MIN_IN_M_S, bath_or_disc_m_s=bath * FEET_PER_MIN_IN_M_S
    )


def _teeth_term(driver_teeth: float, driven_teeth: float) -> float:
    """Return ((z2 - z1) / (2 pi))^2."""
    return ((driven_teeth - driver_teeth) / (2 * math.pi)) ** 2


def _half_tooth_angle(teeth: float) -> float:
    """Return pi / z, half the angle between two joints on the sprocket."""
    if not 3 <= teeth < math.inf:
        raise ValueError(f"teeth: {teeth} is no sprocket; give the number of teeth, 3 or more")
    return math.pi / teeth


def _above_zero(**values: float) -> None:
    for name, value in values.items():
        if not 0 < value < math.inf:
            raise ValueError(f"{name}: {value} is not a finite number above 0")
