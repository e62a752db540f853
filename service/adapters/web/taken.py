"""What was taken off one reading and what its uncertainty is made of, each with where it comes from, in words.

Knows how the terms of a reading are told; the numbers are core's. What was taken off is stored with the reading; what
was not says why. The terms of the uncertainty are worked out again from the settings of now, and what they leave of the
stored uncertainty is the scatter of the pulses and the links that the window did not show.
"""

import math
from dataclasses import dataclass

from service.core.drive import Baseline, Chain, Drive, spacing_pitches
from service.core.elongation import (
    DRIVER_PLACE_U_PITCHES,
    SENT_TEMPERATURE_U_K,
    SIGNIFICANT,
    STRAIN_U_RATIO,
    TEETH_ASSUMED,
    NewPitches,
    delay_shift_pitches,
    load_correction_pct,
    new_pitches_by_baseline,
    new_pitches_by_spacing,
    polygon_u_pitches,
    temperature_correction_pct,
)
from service.core.reading import Reading


@dataclass(frozen=True, slots=True, kw_only=True)
class Term:
    """One thing that moves a reading. `taken_pct`: what was taken off; None: nothing, and `why` says why.

    `u_pct`: what it leaves in the uncertainty, k = 1; None where it cannot be told. `source`: of the coefficients.
    """

    name: str
    taken_pct: float | None = None
    why: str = ""
    u_pct: float | None = None
    source: str = ""


@dataclass(frozen=True, slots=True)
class _Scale:
    """How pitches of N become per cent of elongation in one reading."""

    seen_pct: float  # before temperature and load were taken off
    between: float
    period_s: float

    @property
    def pct_per_pitch(self) -> float:
        return (100 + self.seen_pct) / self.between


def account(reading: Reading, drive: Drive, chain: Chain, baseline: Baseline | None) -> list[Term]:
    """Return the terms of a measured reading: the four that can be taken off, then those that are uncertain only.

    Args:
        reading: measured, of this drive and chain.
        drive: as it is set now.
        chain: the one it was taken of.
        baseline: the one it was taken with; None where it was taken with the spacing, or where it is not known any more.
    """
    scale = _scale(reading, chain)
    terms = [
        _polygon(reading, drive, scale),
        _delay(reading, drive, scale),
        _temperature(reading, drive),
        _load(reading, drive),
        *_reference(reading, drive, chain, baseline, scale),
    ]
    return [*terms, _rest(reading, terms)]


def _scale(reading: Reading, chain: Chain) -> _Scale:
    seen_pct = (
        (reading.elongation_pct or 0.0)
        + (reading.temperature_taken_pct or 0.0)
        + (reading.load_taken_pct or 0.0)
    )
    pitch_mm = chain.pitch_mm * (1 + seen_pct / 100)
    period_s = pitch_mm / (1000 * reading.speed_m_s) if reading.speed_m_s else math.inf
    return _Scale(seen_pct, reading.pitches_between or math.inf, period_s)


def _polygon(reading: Reading, drive: Drive, scale: _Scale) -> Term:
    teeth = f"{drive.driver_teeth} teeth" if drive.driver_teeth else f"{TEETH_ASSUMED} teeth assumed"
    u_pct = scale.pct_per_pitch * polygon_u_pitches(drive, reading.lag_pitches or 0.0)
    if reading.polygon_taken_pct is not None:
        place = f"{drive.up_to_driver_mm:g} mm" if drive.up_to_driver_mm is not None else "the distance"
        source = (
            f"geometry of the driver: {teeth}, {place} from up, known to {DRIVER_PLACE_U_PITCHES:g} pitch"
        )
        return Term(name="Polygon effect", taken_pct=reading.polygon_taken_pct, u_pct=u_pct, source=source)
    missing = "the driver's teeth" if drive.driver_teeth is None else "the distance from up to the driver"
    why = (
        f"{missing} not given"
        if None in {drive.driver_teeth, drive.up_to_driver_mm}
        else "nothing to take off"
    )
    return Term(name="Polygon effect", why=why, u_pct=u_pct, source=f"its mean over all places, {teeth}")


def _delay(reading: Reading, drive: Drive, scale: _Scale) -> Term:
    name = "Switching delay"
    if reading.delay_taken_pct is None:
        return Term(
            name=name,
            why="not known: at constant speed it is part of the baseline",
            source="lag against speed would tell it: nothing was fitted, or entered among the settings",
        )
    _, u_pitches = delay_shift_pitches(drive, scale.period_s)
    known = "the delay" if drive.delay_us is None else f"{drive.delay_us:g} ± {2 * drive.delay_u_us:g} µs"
    return Term(
        name=name,
        taken_pct=reading.delay_taken_pct,
        u_pct=scale.pct_per_pitch * u_pitches,
        source=f"the drive's setting, as fitted from lag against speed: down later than up by {known}",
    )


def _temperature(reading: Reading, drive: Drive) -> Term:
    name = "Temperature"
    _, u_pct = temperature_correction_pct(drive, reading.temp_c, reading.mount_c)
    if reading.temp_c is None or reading.mount_c is None:
        which = [
            word for word, sent in (("chain", reading.temp_c), ("mount", reading.mount_c)) if sent is None
        ]
        source = f"± {drive.temp_range_k:g} K assumed, steel (11.7e-6 per K)"
        return Term(name=name, why=f"not sent: {' and '.join(which)}", u_pct=u_pct, source=source)
    return Term(
        name=name,
        taken_pct=reading.temperature_taken_pct,
        u_pct=u_pct,
        source=f"chain {reading.temp_c:.1f} °C at 11.7e-6 per K (steel, Machinery's Handbook), mount {reading.mount_c:.1f} °C at "
        f"{drive.mount_expansion_per_k * 1e6:g}e-6 per K (the drive's setting), to {drive.temp_ref_c:g} °C; each known to "
        f"{SENT_TEMPERATURE_U_K:.1f} K",
    )


def _load(reading: Reading, drive: Drive) -> Term:
    name, strain = "Load", drive.strain_pct_per_kn
    _, u_pct = load_correction_pct(drive, reading.load_n)
    if reading.load_n is None:
        return Term(name=name, why="not sent", u_pct=u_pct, source="the drive's setting")
    if strain is None or drive.load_ref_n is None:
        missing = "the strand's strain" if strain is None else "the reference load"
        return Term(name=name, why=f"{missing} not known", u_pct=u_pct, source="the drive's setting")
    u = STRAIN_U_RATIO * strain if drive.strain_u_pct_per_kn is None else drive.strain_u_pct_per_kn
    known = f"{strain:g} ± {2 * u:.2g} % per kN"
    if reading.load_taken_pct is None and strain < SIGNIFICANT * u:
        why = f"the strain learnt so far is not significant: {known}"
        return Term(name=name, why=why, u_pct=u_pct, source="the drive's setting")
    return Term(
        name=name,
        taken_pct=reading.load_taken_pct or 0.0,
        u_pct=u_pct,
        source=f"{reading.load_n:.0f} N at {known} (the drive's setting"
        f"{', its uncertainty assumed' if drive.strain_u_pct_per_kn is None else ''}), to {drive.load_ref_n:g} N",
    )


def _reference(
    reading: Reading, drive: Drive, chain: Chain, baseline: Baseline | None, scale: _Scale
) -> list[Term]:
    """What the sensors' distance is known by: the baseline, or the spacing."""
    if reading.baseline_taken_ns is not None:
        if baseline is None:
            return []
        new = new_pitches_by_baseline(baseline)
        start_u = (100 + scale.seen_pct) * new.start_u_pitches / new.pitches
        return [
            Term(name="Pitches between the sensors, N0", u_pct=_u_of(new, scale), source="the baseline"),
            Term(
                name="Elongation at the baseline, e0",
                u_pct=start_u,
                source="the baseline; not in the change since it",
            ),
        ]
    if drive.whole_pitches is None:
        return []
    new = new_pitches_by_spacing(spacing_pitches(drive), drive.spacing_u_mm, chain.pitch_mm)
    return [
        Term(
            name="Spacing of the sensors",
            u_pct=_u_of(new, scale),
            source=f"as measured, to {drive.spacing_u_mm:g} mm",
        )
    ]


def _u_of(new: NewPitches, scale: _Scale) -> float:
    return (100 + scale.seen_pct) * new.spacing_u_pitches / new.pitches


def _rest(reading: Reading, terms: list[Term]) -> Term:
    """What is left of the stored uncertainty; not told where settings have changed since."""
    name, source = "Scatter, and links not seen", "the pulses of this window; what the other terms leave"
    known = math.hypot(*(term.u_pct or 0.0 for term in terms))
    total = reading.elongation_u_pct or 0.0
    if known > total * 1.001:
        return Term(name=name, source="settings have changed since this reading")
    return Term(name=name, u_pct=math.sqrt(max(0.0, total * total - known * known)), source=source)
