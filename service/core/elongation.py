"""From pitches between the sensors to elongation with its uncertainty.

Knows lengths, temperatures and loads; must not know pulses or time. Every term of the uncertainty is a
standard uncertainty (k = 1, JCGM 100:2008) in per cent of elongation, and has a name, so that people can
see what limits a reading.
"""

import math
from dataclasses import dataclass

from service.core.drive import Baseline, Drive
from service.core.geometry import polygon_displacement_pitches

# Linear thermal expansion of steel, per kelvin (Machinery's Handbook, from memory).
STEEL_EXPANSION_PER_K = 11.7e-6
# Standard uncertainty of a temperature that was sent, kelvin: +/- 2 K, rectangular (common practice, no source).
SENT_TEMPERATURE_U_K = 2.0 / math.sqrt(3.0)
# Relative standard uncertainty of an elastic strain given without one (common practice, no source).
STRAIN_U_RATIO = 0.25
# A learnt strain is taken off only if it is so many times its standard uncertainty.
SIGNIFICANT = 3.0
# Spread of the length from link to link: of a new chain, per cent, and what wear adds, per per cent of elongation
# (common practice, no source).
LINK_SPREAD_NEW_PCT = 0.1
LINK_SPREAD_WORN = 0.15
# Root mean square of the polygon displacement, z^2 pitches: (pi^2 / 6) sqrt(2 / 105), the mean square of
# tau (1 - 4 tau^2) over one pitch being 2 / 105; first order in (pi / z)^2 of the exact displacement.
POLYGON_RMS = math.pi**2 / 6.0 * math.sqrt(2.0 / 105.0)
# Where the distance to the driver is known it is so to about a tenth of a pitch, standard uncertainty.
DRIVER_PLACE_U_PITCHES = 0.1
TEETH_ASSUMED = 11  # where nobody gave the driver's teeth: fewer are rare (common practice, no source)


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """Standard uncertainties of one reading by their source, per cent of elongation."""

    jitter_pct: float = 0.0  # scatter of the pulses and the tick
    sample_pct: float = 0.0  # links that the batch did not show
    polygon_pct: float = 0.0
    delay_pct: float = 0.0
    temperature_pct: float = 0.0
    load_pct: float = 0.0
    spacing_pct: float = 0.0  # N_new without e0: the spacing, or N0 of the baseline
    start_pct: float = 0.0  # e0 of the baseline

    @property
    def combined_pct(self) -> float:
        """The combined standard uncertainty: the root of the sum of squares (JCGM 100:2008, 5.1.2)."""
        return math.hypot(self.since_pct, self.start_pct)

    @property
    def since_pct(self) -> float:
        """The same for the change since the baseline: without the uncertainty of e0."""
        return math.hypot(
            self.jitter_pct,
            self.sample_pct,
            self.polygon_pct,
            self.delay_pct,
            self.temperature_pct,
            self.load_pct,
            self.spacing_pct,
        )


@dataclass(frozen=True, slots=True)
class NewPitches:
    """N_new: the pitches that lie between the sensors when e = 0, with standard uncertainty."""

    pitches: float
    spacing_u_pitches: float  # from the spacing, or from N0
    start_u_pitches: float = 0.0  # from e0

    @property
    def u_pitches(self) -> float:
        """The combined standard uncertainty."""
        return math.hypot(self.spacing_u_pitches, self.start_u_pitches)


def new_pitches_by_spacing(spacing_pitches: float, spacing_u_mm: float, pitch_mm: float) -> NewPitches:
    """N_new without a baseline: the spacing in nominal pitches."""
    return NewPitches(spacing_pitches, spacing_u_mm / pitch_mm)


def new_pitches_by_baseline(baseline: Baseline) -> NewPitches:
    """N_new with a baseline: N0 pitches at e0 would be (1 + e0) N0 at e = 0."""
    stretch = 1 + baseline.elongation_pct / 100
    return NewPitches(
        stretch * baseline.pitches_between,
        stretch * baseline.pitches_between_u,
        baseline.elongation_u_pct / 100 * baseline.pitches_between,
    )


def elongation_pct(pitches_between: float, new_pitches: float) -> float:
    """Return the mean wear elongation of the chain, in per cent.

    The spacing is fixed, so longer pitches mean fewer of them between the sensors: (1 + e) N = N_new, hence
    e = N_new / N - 1. With a baseline N_new = (1 + e0) N0; without, N_new = s / p.

    Args:
        pitches_between: N, pitches between the sensors now, > 0.
        new_pitches: N_new, > 0.

    Source: DEVELOPERS.md, "From lag to elongation".
    """
    return (new_pitches / pitches_between - 1) * 100


def polygon_shift_pitches(drive: Drive, spacing_mm: float, pitches_between: float) -> float:
    """By how much the polygon effect makes N look less than it is, in pitches; 0 where it cannot be known.

    The driver moves the strand once faster and once slower within each pitch, in step with the joints: after tau
    pitches of even rotation the strand has moved tau + g(tau) pitches, with tau = 0 when a joint is at the tangent
    point. A joint passes a sensor that lies x pitches before the tangent point at tau + g(tau) = -x. Pulses tell
    the difference of the two tau; N is the difference of the two tau + g(tau).

    Args:
        drive: `driver_teeth` and `up_to_driver_mm`, both needed.
        spacing_mm: between the sensors, along the strand.
        pitches_between: N as measured.

    Source: DEVELOPERS.md, "The polygon effect".
    """
    if drive.driver_teeth is None or drive.up_to_driver_mm is None:
        return 0.0
    mean_pitch_mm = spacing_mm / pitches_between
    up = -drive.up_to_driver_mm / mean_pitch_mm
    down = up + pitches_between
    return _strand_ahead(down, drive.driver_teeth) - _strand_ahead(up, drive.driver_teeth)


def _strand_ahead(moved_pitches: float, teeth: int) -> float:
    """g(tau) where tau + g(tau) = moved, by two fixed-point steps (|g'| < 0.05 and |g| < 0.004 from 9 teeth on)."""
    tau = moved_pitches
    ahead = 0.0
    for _ in range(2):
        ahead = polygon_displacement_pitches(tau, teeth)
        tau = moved_pitches - ahead
    return ahead


def polygon_u_pitches(drive: Drive, lag_pitches: float) -> float:
    """Standard uncertainty of N that the polygon effect leaves, in pitches.

    With the sensors at an unknown place of the cycle the difference g(tau + f) - g(tau) has the root mean square
    2 rms(g) |sin(pi f)|, g being nearly a sine. With the place known to a standard uncertainty of u pitches,
    2 pi u of that is left. Source: DEVELOPERS.md, "The polygon effect".
    """
    teeth = drive.driver_teeth or TEETH_ASSUMED
    unknown = 2 * POLYGON_RMS / teeth**2 * abs(math.sin(math.pi * lag_pitches))
    if drive.driver_teeth is None or drive.up_to_driver_mm is None:
        return unknown
    return 2 * math.pi * DRIVER_PLACE_U_PITCHES * unknown


def temperature_correction_pct(
    drive: Drive, temp_c: float | None, mount_c: float | None
) -> tuple[float, float]:
    """What to take off the elongation for temperature, and its standard uncertainty; both per cent.

    A hot chain looks longer, a hot mount carries the sensors apart: a_chain (T - T_ref) - a_mount (T_m - T_ref).
    Where one of the two was not sent nothing is taken off, and the drive's assumed range is the uncertainty
    (rectangular; JCGM 100:2008, 4.3.7, from memory).
    """
    if temp_c is None or mount_c is None:
        return 0.0, 100 * STEEL_EXPANSION_PER_K * drive.temp_range_k / math.sqrt(3.0)
    chain = STEEL_EXPANSION_PER_K * (temp_c - drive.temp_ref_c)
    mount = drive.mount_expansion_per_k * (mount_c - drive.temp_ref_c)
    u_pct = 100 * SENT_TEMPERATURE_U_K * math.hypot(STEEL_EXPANSION_PER_K, drive.mount_expansion_per_k)
    return 100 * (chain - mount), u_pct


def load_correction_pct(drive: Drive, load_n: float | None) -> tuple[float, float]:
    """What to take off the elongation for load, and its standard uncertainty; both per cent.

    Elastic strain of the strand, per cent per kN, times the load above the drive's reference load. Where the load
    was not sent, or the drive has no strain or reference, or the strain is not significant, nothing is taken off.
    """
    strain, reference_n = drive.strain_pct_per_kn, drive.load_ref_n
    if load_n is None or reference_n is None or strain is None:
        return 0.0, drive.load_u_pct
    u = STRAIN_U_RATIO * strain if drive.strain_u_pct_per_kn is None else drive.strain_u_pct_per_kn
    above_kn = (load_n - reference_n) / 1000
    if strain < SIGNIFICANT * u:
        return 0.0, math.hypot(drive.load_u_pct, strain * above_kn)
    return strain * above_kn, abs(above_kn) * u


def delay_shift_pitches(drive: Drive, period_s: float) -> tuple[float, float]:
    """By how much a late `down` makes N look more than it is, and its standard uncertainty; both pitches.

    `down` switches later than `up` by a delay, in which the chain moves on by delay / period pitches. Nothing where
    the drive has no delay: it is then a constant at constant speed, and part of the baseline.
    """
    if drive.delay_us is None:
        return 0.0, 0.0
    return drive.delay_us * 1e-6 / period_s, drive.delay_u_us * 1e-6 / period_s


def sample_u_pct(
    averaged: int, between: float, pitches_in_loop: int | None, drift_u_pct: float | None, seen_pct: float
) -> float:
    """Standard uncertainty for the links that a batch shorter than a lap did not show, per cent.

    The mean of k links that spread by s has s / sqrt(k), and nothing is left when all L were seen: the factor is
    sqrt(1 - k / L) (sampling without replacement; Cochran, Sampling Techniques, 2.6, from memory). The mean of M
    neighbouring stretches of N links each weighs its links as a trapezium, which counts as M + N / 3 links
    (N < M). Where the batch itself shows more change along the chain (a worn section), that counts instead, M / N
    stretches of N links being apart from each other. What it cannot show is a section that it never saw.

    Args:
        averaged: M, pitches in the mean.
        between: N, pitches between the sensors.
        pitches_in_loop: L; None if nobody gave it.
        drift_u_pct: standard deviation of block means along the chain, per cent; None with too few blocks.
        seen_pct: the elongation.
    """
    links = max(averaged, between) + min(averaged, between) / 3
    unseen = 1.0 if pitches_in_loop is None else 1.0 - min(1.0, links / pitches_in_loop)
    spread_pct = math.hypot(LINK_SPREAD_NEW_PCT, LINK_SPREAD_WORN * seen_pct) / math.sqrt(links)
    if drift_u_pct is not None:
        spread_pct = max(spread_pct, drift_u_pct / math.sqrt(max(1.0, averaged / between)))
    return spread_pct * math.sqrt(unseen)
