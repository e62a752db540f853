"""The plan of two sensors before anyone drills a hole: how far apart, where, and how well they will measure there.

Knows drives, sensors, clocks and batches as figures; must not know pulses. The uncertainty is put together by the
very functions that a reading uses (`elongation`), so that plan and reading cannot disagree; what no reading can see
(a bracket that creeps, sensors that switch unequally, two clocks) stands beside it and is added for the total.
What would make it better is found by changing the layout and asking again.
"""

import math
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass, replace
from enum import StrEnum
from typing import Any, NamedTuple

from service.core import catalogue
from service.core.batch import PULSES_MAX, WINDOW_S_MAX
from service.core.catalogue import CatalogueChain, ChainKind
from service.core.drive import (
    FEW_PITCHES,
    GENERAL_LIMIT_PCT,
    NEAR_SPROCKET_PITCHES,
    PITCH_MM_MAX,
    PITCHES_IN_LOOP_MAX,
    TEETH_FIX,
    TEETH_MAX,
    WHOLE_PITCHES_MAX,
    Baseline,
    Chain,
    Drive,
    Limit,
    LimitTerm,
    advice,
    limit,
    wrap_elongation_pct,
)
from service.core.elongation import (
    Budget,
    NewPitches,
    delay_shift_pitches,
    load_correction_pct,
    new_pitches_by_baseline,
    new_pitches_by_spacing,
    polygon_shift_pitches,
    polygon_u_pitches,
    sample_u_pct,
    temperature_correction_pct,
)
from service.core.fields import (
    FieldsRefusedError,
    flag_problem,
    number_problem,
    refuse,
    text_problem,
    whole_problem,
)
from service.core.geometry import joint_rate_hz, mean_speed_m_s, sag_extra_length_pct
from service.core.lag import COHERENCE_MIN, PITCHES_MIN
from service.core.pitches import ELONGATION_MIN_PCT, expect_pitches

# IEC 60947-5-2 (from memory): repeat accuracy R <= 0.1 s_r, effective distance s_r <= 1.1 s_n. R is a whole width.
REPEAT_OF_RATED = 0.1 * 1.1
REPEATABILITY_MM = 0.05  # standard deviation where nothing is said of the sensor (common practice, no source)
SWITCHING_RATIO = 3.0  # rated switching frequency over joint rate, at least (common practice, no source)
TARGET_OF_RATED = 3.0  # side of the standard target over s_n (IEC 60947-5-2, from memory)
TICK_ADDS = 0.1  # the largest sensible tick adds so much of itself to the scatter
GUARD_PITCHES = 0.05  # kept free at each end of the pitch that the lag has (common practice, no source)
SMOOTH_TEETH = 17  # from here on a sprocket pulls smoothly (public notes on chordal action)
SAG_RATIO = 0.02  # of a slack strand, where nobody says (chain makers' advice on sag, from memory)
PITCHES_WANTED = (
    16  # between the sensors, even if a first reading then needs a baseline (common practice, no source)
)
WINDOW_USUAL_S = 60.0  # windows of 1 s to 60 s are usual (wire contract)
WINDOW_DEFAULT_S = 10.0  # where the length of the chain is not known
ENDS_PITCHES = 2  # that a window loses at its ends: a mean needs `up` between two pulses of `down`
# The map of the links tells a wave along the chain from changes of speed by the difference of both sensors, which shows
# 2 |sin(pi k N / L)| of it. Waves shorter than WAVE_PITCHES one sensor tells by itself. At WAVE_BLIND a wave of 24 pitches is
# 7 times as unsure as those beside it, at WAVE_CLEAR 4 times (all three by simulation, see tests/core/test_plan.py).
WAVE_PITCHES = 18.0
WAVE_BLIND, WAVE_CLEAR = 0.1, 0.3
COHERENCE_COMFORT = 0.95  # below, single bad pulses push a batch under COHERENCE_MIN
# Stiffness of chain over its strength, EA / Fu, of two plates at their waists with half to all of their stiffness:
# 130 to 260, the geometric mean (our own estimate from the plates; learn it on the drive).
STIFFNESS_OF_STRENGTH = math.sqrt(130.0 * 260.0)
MEASURED_LENGTH_MM = (610.0, 1220.0)  # over which new chain is measured: below 25.4 mm pitch, and from there
E0_U_BEST_PCT = 0.01  # that a careful measurement of new chain can reach (common practice, no source)


class Value(StrEnum):
    """Which elongation is meant; each has an uncertainty of its own."""

    ABSOLUTE = "absolute"
    CHANGE = "change"
    BY_SPACING = "by_spacing"


VALUE_WORDS = {
    Value.ABSOLUTE: "against nominal, from a baseline on the new chain",
    Value.CHANGE: "change since commissioning",
    Value.BY_SPACING: "against nominal, before any baseline",
}
TERM_WORDS = {
    "jitter": "scatter of the pulses, and tick",
    "sample": "links that a window does not show",
    "polygon": "polygon effect that is left",
    "delay": "switching delay, as learnt",
    "temperature": "temperature of chain and mount",
    "load": "load on the strand",
    "spacing": "start: pitches, load, temperature",
    "start": "start: length of the chain (e0)",
    "mount": "creep of the mounts",
    "unequal_delay": "switching delay, not learnt",
    "two_clocks": "two clocks that are apart",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """What is known and wanted of a drive that shall get sensors. None: not known, or left to the plan."""

    designation: str = ""
    pitch_mm: float
    pitches_in_loop: int | None = None
    driver_teeth: int | None = None  # the sprocket that pulls the measured strand
    driven_teeth: int | None = None
    speed_min_m_s: float
    speed_max_m_s: float
    strand_mm: float | None = (
        None  # straight, free length of the measured strand, tangent point to tangent point
    )
    slack: bool = False  # the measured strand is the slack one
    vertical: bool = False
    reverses: bool = False
    fixed_centres: bool = False
    parallel_strands: bool = False
    own_limit_pct: float | None = None
    # sensors
    whole_pitches: int | None = None
    offset_pitches: float | None = None
    up_to_driver_mm: float | None = None
    spacing_u_mm: float = 0.5  # standard uncertainty of the spacing as measured
    rated_distance_mm: float | None = None  # s_n of an inductive or other proximity switch
    repeatability_mm: float | None = (
        None  # standard deviation of the place along the strand where it switches
    )
    switching_hz: float | None = None  # rated switching frequency
    delay_mismatch_us: float = 100.0  # by how much one switches later than the other
    delay_u_us: float | None = None  # what is left of it once learnt at several speeds; None: not learnt
    mount_u_mm: float = 0.05  # by how much brackets and switching points creep after commissioning
    # device
    tick_ns: int = 1000
    stamp_jitter_us: float = 0.0  # standard deviation of a time stamp, beside the tick
    two_clocks: bool = False
    sync_error_us: float = 1000.0  # between two clocks
    reduced: bool = False  # the device sends means (`lag`) in place of pulses
    window_s: float | None = None
    # what is sent and what is assumed
    temperature_sent: bool = False  # of chain and of mount
    temp_range_k: float = 15.0
    mount_expansion_per_k: float = 11.7e-6
    load_sent: bool = False
    load_swing_n: float | None = None  # half width of the pull about its mean
    strain_pct_per_kn: float | None = None
    load_u_pct: float = 0.02
    e0_u_pct: float | None = None  # standard uncertainty of the new chain's elongation; None: its tolerance

    def __post_init__(self) -> None:
        flags = ("slack", "vertical", "reverses", "two_clocks", "reduced", "temperature_sent", "load_sent")
        refuse(
            designation=text_problem(self.designation),
            pitch_mm=number_problem(
                self.pitch_mm, 3, PITCH_MM_MAX, "give the nominal pitch in millimetres (1 in = 25.4 mm)"
            ),
            pitches_in_loop=whole_problem(
                self.pitches_in_loop,
                4,
                PITCHES_IN_LOOP_MAX,
                "count the joints of the whole chain, or leave it empty",
                optional=True,
            ),
            driver_teeth=whole_problem(self.driver_teeth, 3, TEETH_MAX, TEETH_FIX, optional=True),
            driven_teeth=whole_problem(self.driven_teeth, 3, TEETH_MAX, TEETH_FIX, optional=True),
            speed_min_m_s=number_problem(
                self.speed_min_m_s, 0.001, 100, "give the lowest speed to be measured at, m/s"
            ),
            speed_max_m_s=number_problem(
                self.speed_max_m_s, 0.001, 100, "give the highest speed to be measured at, m/s"
            ),
            strand_mm=number_problem(
                self.strand_mm, 1, 1e6, "give the straight length between the sprockets, mm", optional=True
            ),
            fixed_centres=flag_problem(self.fixed_centres),
            parallel_strands=flag_problem(self.parallel_strands),
            own_limit_pct=number_problem(
                self.own_limit_pct,
                0.05,
                10,
                "give per cent, e.g. 2 for 2 %, or leave it empty",
                optional=True,
            ),
            whole_pitches=whole_problem(
                self.whole_pitches,
                2,
                WHOLE_PITCHES_MAX,
                "leave it empty and the plan finds it",
                optional=True,
            ),
            offset_pitches=number_problem(
                self.offset_pitches,
                0,
                math.nextafter(1, 0),
                "give the part of a pitch that is over",
                optional=True,
            ),
            up_to_driver_mm=number_problem(
                self.up_to_driver_mm,
                0,
                1e6,
                "measure along the strand from `up` to the driver",
                optional=True,
            ),
            spacing_u_mm=number_problem(self.spacing_u_mm, 0.001, 1000, "0.5 for a tape"),
            rated_distance_mm=number_problem(
                self.rated_distance_mm, 0.1, 200, "give s_n of the data sheet, mm", optional=True
            ),
            repeatability_mm=number_problem(
                self.repeatability_mm, 1e-5, 50, "give the standard deviation in mm", optional=True
            ),
            switching_hz=number_problem(
                self.switching_hz,
                0.1,
                1e7,
                "give the rated switching frequency of the data sheet",
                optional=True,
            ),
            delay_mismatch_us=number_problem(self.delay_mismatch_us, 0, 1e6, "give microseconds, 0 for none"),
            delay_u_us=number_problem(self.delay_u_us, 0, 1e6, "give microseconds", optional=True),
            mount_u_mm=number_problem(self.mount_u_mm, 0, 100, "give the standard uncertainty in mm"),
            tick_ns=whole_problem(
                self.tick_ns, 1, 1_000_000_000, "1000 is a microsecond, 1000000 a millisecond"
            ),
            stamp_jitter_us=number_problem(self.stamp_jitter_us, 0, 1e6, "give microseconds, 0 for none"),
            sync_error_us=number_problem(self.sync_error_us, 0, 1e9, "give microseconds"),
            window_s=number_problem(
                self.window_s, 0.01, WINDOW_S_MAX, "1 to 60 s is usual; or leave it empty", optional=True
            ),
            temp_range_k=number_problem(self.temp_range_k, 0, 500, "give the half width in kelvin"),
            mount_expansion_per_k=number_problem(
                self.mount_expansion_per_k, 0, 1e-3, "11.7e-6 for steel, 23e-6 for aluminium"
            ),
            load_swing_n=number_problem(self.load_swing_n, 0, 1e8, "give newtons", optional=True),
            strain_pct_per_kn=number_problem(
                self.strain_pct_per_kn, 0, 10, "give per cent of stretch for each kilonewton", optional=True
            ),
            load_u_pct=number_problem(self.load_u_pct, 0, 10, "give per cent of elongation"),
            e0_u_pct=number_problem(self.e0_u_pct, 0, 5, "give per cent of elongation", optional=True),
            **{name: flag_problem(getattr(self, name)) for name in flags},
        )
        if self.speed_max_m_s < self.speed_min_m_s:
            raise FieldsRefusedError(
                {
                    "speed_max_m_s": f"{self.speed_max_m_s:g} is below the lowest, {self.speed_min_m_s:g}; swap them"
                }
            )


def layout_of(  # noqa: PLR0913 - the two ways in which people say chain and speed
    *,
    designation: str = "",
    pitch_mm: float | None = None,
    driver_teeth: int | None = None,
    speed_min_m_s: float | None = None,
    speed_max_m_s: float | None = None,
    rpm_min: float | None = None,
    rpm_max: float | None = None,
    **more: Any,
) -> Layout:
    """Return a layout as people describe it: chain by designation or pitch, speed in m/s or rev/min of the driver.

    Where only one end of the speed range is given the speed is steady.

    Args:
        designation: of the catalogue, as `catalogue.find` takes it.
        pitch_mm: where no designation says it.
        driver_teeth: needed for rev/min.
        speed_min_m_s: lowest chain speed.
        speed_max_m_s: highest chain speed.
        rpm_min: lowest speed of the driver's shaft, rev/min.
        rpm_max: highest.
        more: the other fields of `Layout`.

    Raises FieldsRefusedError with the fix for each field.
    """
    try:
        pitch_mm = catalogue.pitch_of(designation, pitch_mm)
    except catalogue.DesignationError as error:
        raise FieldsRefusedError({"designation": str(error)}) from None
    except catalogue.PitchError as error:
        raise FieldsRefusedError({"pitch_mm" if designation else "designation": str(error)}) from None
    if rpm_min is not None or rpm_max is not None:
        if speed_min_m_s is not None or speed_max_m_s is not None:
            raise FieldsRefusedError({"rpm_min": "give the speed in m/s or in rev/min, not both"})
        if driver_teeth is None:
            raise FieldsRefusedError(
                {"driver_teeth": "rev/min mean a chain speed only with the driver's teeth"}
            )
        refuse(
            pitch_mm=number_problem(pitch_mm, 3, PITCH_MM_MAX, "give the nominal pitch in millimetres"),
            driver_teeth=whole_problem(driver_teeth, 3, TEETH_MAX, TEETH_FIX),
            rpm_min=number_problem(rpm_min, 0, 1e6, "give rev/min of the driver", optional=True),
            rpm_max=number_problem(rpm_max, 0, 1e6, "give rev/min of the driver", optional=True),
        )
        speed_min_m_s, speed_max_m_s = (
            None if rpm is None else mean_speed_m_s(pitch_mm, driver_teeth, rpm) for rpm in (rpm_min, rpm_max)
        )
    lowest = speed_max_m_s if speed_min_m_s is None else speed_min_m_s
    highest = speed_min_m_s if speed_max_m_s is None else speed_max_m_s
    if lowest is None or highest is None:
        raise FieldsRefusedError({"speed_min_m_s": "give the chain speed in m/s, or rev/min of the driver"})
    named = _catalogued(designation)
    return Layout(
        designation=named.full_designation if named and named.pitch_mm else designation,
        pitch_mm=pitch_mm,
        driver_teeth=driver_teeth,
        speed_min_m_s=lowest,
        speed_max_m_s=highest,
        **more,
    )


# What comes out


@dataclass(frozen=True, slots=True)
class Term:
    """One standard uncertainty of a budget, per cent of elongation. `stated`: a reading states it too."""

    name: str
    u_pct: float
    stated: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """The standard uncertainty to be expected of one reading, with the terms it is made of, largest first."""

    value: Value
    at_pct: float  # elongation at which it is stated
    speed_m_s: float
    pitches_averaged: int
    whole_laps: int
    terms: tuple[Term, ...]
    stated_pct: float  # what a reading will state
    combined_pct: float  # with what no reading can see

    def u_pct(self, name: str) -> float:
        """One term by its name; 0 where there is none of it."""
        return sum(term.u_pct for term in self.terms if term.name == name)

    @property
    def largest(self) -> Term:
        """The term that limits it."""
        return self.terms[0]

    @property
    def largest_share(self) -> float:
        """Its part of the combined variance, 0 to 1."""
        return (self.largest.u_pct / self.combined_pct) ** 2


@dataclass(frozen=True, slots=True)
class Change:
    """One thing to change, and the combined standard uncertainty that is left by it, per cent of elongation."""

    field: str
    words: str
    combined_pct: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Improvement:
    """What would make one value better: each change alone, best first, and the fewest together that halve it."""

    value: Value
    now_pct: float
    alone: tuple[Change, ...]
    together: tuple[Change, ...]  # each on top of those before it
    halved: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """How many pitches there may be between the sensors: all even, but for `chosen` where it was given."""

    chosen: int
    least: int  # below, fractions of a millimetre count
    most: int  # of what fits and keeps the lag unique up to the limit
    fits: int | None  # on the strand; None where its length is not known
    without_history: int  # a first reading without a baseline is never ambiguous
    to_limit: int  # the lag does not come round before the limit, a guard kept
    with_history: int  # the last elongation tells the whole number


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where the sensors go along the strand, mm, and what the lag will be, pitches."""

    spacing_mm: float
    up_to_driver_mm: float
    down_to_driver_mm: float
    driven_to_up_mm: float | None
    clearance_mm: float  # to keep at least from either sprocket
    strand_needed_mm: float
    lag_new_pitches: float
    lag_limit_pitches: float
    lag_travel_pitches: float  # by which the lag falls from new to the limit
    wrap_pct: float  # elongation at which the lag first comes round
    polygon_most_pct: (
        float  # greatest shift by the polygon effect from new to the limit, before its correction
    )
    whole_at_limit_mm: float  # spacing at which the lag is whole at the limit, and the polygon effect none


@dataclass(frozen=True, slots=True, kw_only=True)
class Needs:
    """What sensor and device must be able to do."""

    joint_rate_min_hz: float
    joint_rate_max_hz: float
    switching_hz: float  # rated switching frequency, at least
    on_s: float | None  # shortest time that a joint holds the sensor on, by the roller's diameter
    off_s: float | None
    scatter_mm: float  # standard deviation of one switching place, at the highest speed
    tick_ns: int  # largest sensible
    window_s: float
    lap_s: float | None  # at the lowest speed, chain at the limit
    window_least_s: float  # below, there is no reading at the lowest speed


@dataclass(frozen=True, slots=True)
class Remark:
    """What to look at twice, and the field that it is about."""

    field: str
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """The whole plan. `layout` is what was given, with all that was left to the plan filled in."""

    layout: Layout
    limit: Limit
    pitches: Choice
    place: Place
    needs: Needs
    expected: tuple[Expected, ...]  # one for each `Value`, at the limit and the worse end of the speeds
    expected_new: tuple[Expected, ...]  # the same for new chain
    improvements: tuple[Improvement, ...]  # of what counts from commissioning on: absolute, change
    remarks: tuple[Remark, ...]


def plan_sensors(layout: Layout) -> Plan:
    """Return where to put the sensors of a drive and what to expect of them.

    Raises FieldsRefusedError where no place is left on the strand, or where a window that was asked for is too short.
    """
    bound = limit(_drive(layout, 2))
    choice = _choose(layout, bound.limit_pct)
    offset = (
        layout.offset_pitches if layout.offset_pitches is not None else _offset(layout, choice.chosen, bound)
    )
    filled = replace(
        layout,
        whole_pitches=choice.chosen,
        offset_pitches=offset,
        window_s=layout.window_s or _window_s(layout, bound.limit_pct),
        repeatability_mm=_repeatability_mm(layout),
    )
    _refuse_short_window(filled, bound.limit_pct)
    if filled.up_to_driver_mm is None:
        filled = replace(filled, up_to_driver_mm=_best_place(filled, bound.limit_pct))
    at_limit = tuple(worst_expected(filled, value, bound.limit_pct) for value in Value)
    return Plan(
        layout=filled,
        limit=bound,
        pitches=choice,
        place=_place(filled, bound.limit_pct),
        needs=_needs(filled, bound.limit_pct),
        expected=at_limit,
        expected_new=tuple(worst_expected(filled, value, _e0_pct(filled)) for value in Value),
        improvements=tuple(
            _improvement(filled, value, bound.limit_pct, choice) for value in (Value.ABSOLUTE, Value.CHANGE)
        ),
        remarks=(*_remarks(filled, bound, choice), *_remarks_on_baseline(filled, at_limit)),
    )


# The uncertainty


def lag_bound_pitches(scatter_pitches: float, pulses: int, lag_pitches: float = 0.0) -> float:
    """Return the least standard uncertainty that a lag from `pulses` pulses of each sensor can have, pitches.

    Cramer-Rao bound: var(f) = (sigma / T)^2 (2 / m + 6 f^2 / (m (m^2 - 1))); the second term is the uncertainty of
    the period, and next to nothing for the fractional lag.

    Args:
        scatter_pitches: sigma / T, standard deviation of one pulse over the time from joint to joint.
        pulses: m, 2 or more.
        lag_pitches: f, the delay that is measured, in pitches.

    Source: DEVELOPERS.md, "From pulses to lag"; Kay, Estimation Theory, ch. 3, for the bound (from memory).
    """
    period = 6 * lag_pitches**2 / (pulses * (pulses**2 - 1))
    return scatter_pitches * math.sqrt(2 / pulses + period)


def tick_locked_u(tick: float, scatter: float) -> float:
    """Return the standard uncertainty by which two quantised pulses may stand apart for good; unit of the tick.

    Where the time from joint to joint is a whole number of ticks every pulse is cut at the same place, and only
    scatter averages the cut out: of a normal scatter sigma the k-th harmonic of the sawtooth is left with
    exp(-2 pi^2 k^2 sigma^2 / q^2). All of it, q / sqrt(6), without scatter; a thousandth at sigma = q / 2.

    Source: Widrow & Kollar, Quantization Noise, ch. 5, characteristic function (from memory).
    """
    ratio = scatter / tick
    harmonics = (math.exp(-4 * (math.pi * k * ratio) ** 2) / (k * k) for k in range(1, 200))
    return tick / math.pi * math.sqrt(sum(harmonics))


def unique_pitches(limit_pct: float, guard_pitches: float = GUARD_PITCHES) -> float:
    """Return up to how many pitches between the sensors the lag is unique from new chain to the limit.

    From e = 0 to the limit N falls by n e / (1 + e); that must be less than a pitch without the guards:
    n <= (1 - 2 g) (1 + 1 / e).
    """
    return (1 - 2 * guard_pitches) * (1 + 100 / limit_pct)


def worst_expected(layout: Layout, value: Value, at_pct: float) -> Expected:
    """Return what to expect at the end of the speed range where it is worse. `layout` as a plan fills it."""
    ends = (expected(layout, value, at_pct, speed) for speed in _speeds(layout))
    return max(ends, key=lambda each: each.combined_pct)


def _speeds(layout: Layout) -> tuple[float, ...]:
    """The ends of the speed range, each once."""
    return tuple(dict.fromkeys((layout.speed_min_m_s, layout.speed_max_m_s)))


def expected(layout: Layout, value: Value, at_pct: float, speed_m_s: float) -> Expected:
    """Return the standard uncertainty to be expected of one reading.

    Args:
        layout: with pitches, window and repeatability, as a plan fills it.
        value: which elongation is meant.
        at_pct: elongation of the chain.
        speed_m_s: of the chain.

    Source: JCGM 100:2008, 5.1.2; each term: DEVELOPERS.md, "From lag to elongation".
    """
    budget, averaged, laps = _budget(layout, value, at_pct, speed_m_s)
    unseen = _unseen(layout, value, at_pct, speed_m_s)
    terms = [
        *(Term(name.removesuffix("_pct"), u_pct, stated=True) for name, u_pct in asdict(budget).items()),
        *(Term(name, u_pct, stated=False) for name, u_pct in unseen.items()),
    ]
    return Expected(
        value=value,
        at_pct=at_pct,
        speed_m_s=speed_m_s,
        pitches_averaged=averaged,
        whole_laps=laps,
        terms=tuple(sorted(terms, key=lambda term: -term.u_pct)),
        stated_pct=budget.combined_pct,
        combined_pct=math.hypot(budget.combined_pct, *unseen.values()),
    )


def _budget(layout: Layout, value: Value, at_pct: float, speed_m_s: float) -> tuple[Budget, int, int]:
    """What a reading will state, the pitches in its mean, and the whole laps these are."""
    drive, new = planned_drive(layout), _new_pitches(layout, value, speed_m_s)
    between = new.pitches / (1 + at_pct / 100)
    pct_per_pitch = (100 + at_pct) / between
    averaged, laps = _averaged(layout, at_pct, speed_m_s)
    period_s = 1 / joint_rate_hz(speed_m_s, _pitch_at(layout, at_pct))
    budget = Budget(
        jitter_pct=pct_per_pitch * _jitter_u_pitches(layout, between, averaged, speed_m_s),
        sample_pct=0.0 if laps else sample_u_pct(averaged, between, layout.pitches_in_loop, None, at_pct),
        polygon_pct=pct_per_pitch * polygon_u_pitches(drive, between % 1.0),
        delay_pct=pct_per_pitch * delay_shift_pitches(drive, period_s)[1],
        temperature_pct=_temperature_u_pct(layout, drive),
        load_pct=_load_u_pct(layout, drive),
        spacing_pct=(100 + at_pct) * new.spacing_u_pitches / new.pitches,
        start_pct=(100 + at_pct) * new.start_u_pitches / new.pitches,
    )
    return budget, averaged, laps


def _new_pitches(layout: Layout, value: Value, speed_m_s: float) -> NewPitches:
    """N_new as a reading will have it: by the spacing; or by a baseline on new chain, whose e0 is none of a change's."""
    if value is Value.BY_SPACING:
        return new_pitches_by_spacing(_spacing_pitches(layout), layout.spacing_u_mm, layout.pitch_mm)
    e0_u_pct = _e0_u_pct(layout) if value is Value.ABSOLUTE else 0.0
    return new_pitches_by_baseline(_baseline(layout, _baseline_u_pitches(layout, speed_m_s), e0_u_pct))


def _baseline(layout: Layout, pitches_u: float, e0_u_pct: float) -> Baseline:
    """The baseline that will be taken on the new chain, e0 in the middle of its tolerance."""
    e0_pct = _e0_pct(layout)
    return Baseline(
        chain_id="plan",
        pitches_between=_spacing_pitches(layout) / (1 + e0_pct / 100),
        pitches_between_u=pitches_u,
        elongation_pct=e0_pct,
        elongation_u_pct=e0_u_pct,
        taken_ns=0,
        recorded_ns=0,
        recorded_by="plan",
        why="new chain",
    )


def _baseline_u_pitches(layout: Layout, speed_m_s: float) -> float:
    """Standard uncertainty of N0, as `operate` takes it from readings: their scatter, and what each has in it.

    Temperature, load and the polygon effect of that day are in N0, and so in all readings after it.
    """
    drive, e0_pct = planned_drive(layout), _e0_pct(layout)
    between = _spacing_pitches(layout) / (1 + e0_pct / 100)
    corrections_pct = math.hypot(_temperature_u_pct(layout, drive), _load_u_pct(layout, drive))
    return math.hypot(
        _random_u_pitches(layout, between, e0_pct, speed_m_s),
        between * corrections_pct / 100,
        polygon_u_pitches(drive, between % 1.0),
    )


def _random_u_pitches(layout: Layout, between: float, at_pct: float, speed_m_s: float) -> float:
    """Standard deviation of N from reading to reading, pitches: jitter, and the links that a window does not show."""
    averaged, laps = _averaged(layout, at_pct, speed_m_s)
    sample_pct = 0.0 if laps else sample_u_pct(averaged, between, layout.pitches_in_loop, None, at_pct)
    return math.hypot(
        _jitter_u_pitches(layout, between, averaged, speed_m_s), between * sample_pct / (100 + at_pct)
    )


def _unseen(layout: Layout, value: Value, at_pct: float, speed_m_s: float) -> dict[str, float]:
    """What no reading can see, per cent. A length along the strand counts (1 + e) / s.

    Unequal delay shifts the lag by v dt / p: all of it before a baseline, then by what the speed differs from that
    of the baseline (rectangular over the range); once it was learnt a reading corrects it and states what is left.
    Two clocks that are apart shift it likewise, at any time.
    """
    per_mm = (100 + at_pct) / (_spacing_pitches(layout) * layout.pitch_mm)
    swing_m_s = (layout.speed_max_m_s - layout.speed_min_m_s) / math.sqrt(12.0)
    by_speed_m_s = speed_m_s if value is Value.BY_SPACING else swing_m_s
    unlearnt_us = layout.delay_mismatch_us if layout.delay_u_us is None else 0.0
    return {
        "mount": per_mm * layout.mount_u_mm,
        "unequal_delay": per_mm * unlearnt_us * by_speed_m_s / 1000,
        "two_clocks": per_mm * layout.sync_error_us * speed_m_s / 1000 if layout.two_clocks else 0.0,
    }


def _jitter_u_pitches(layout: Layout, between: float, averaged: int, speed_m_s: float) -> float:
    """Standard uncertainty of the lag from scatter and tick, pitches."""
    mean_pitch_mm = _spacing_pitches(layout) * layout.pitch_mm / between
    tick_mm = layout.tick_ns * 1e-6 * speed_m_s
    scatter_mm = _scatter_mm(layout, speed_m_s)
    random = lag_bound_pitches(
        math.hypot(scatter_mm, tick_mm / math.sqrt(12.0)) / mean_pitch_mm, averaged, between % 1.0
    )
    return math.hypot(random, tick_locked_u(tick_mm, scatter_mm) / mean_pitch_mm)


def _scatter_mm(layout: Layout, speed_m_s: float) -> float:
    """Standard deviation of one pulse, in mm of travel, without the tick."""
    return math.hypot(_repeatability_mm(layout), layout.stamp_jitter_us * speed_m_s / 1000)


def _repeatability_mm(layout: Layout) -> float:
    """The repeatability that was given; else that of the rated sensing distance; else a usual one.

    R <= 0.1 s_r with s_r <= 1.1 s_n, as the whole width of a rectangular distribution.
    """
    if layout.repeatability_mm is not None:
        return layout.repeatability_mm
    if layout.rated_distance_mm is not None:
        return REPEAT_OF_RATED * layout.rated_distance_mm / math.sqrt(12.0)
    return REPEATABILITY_MM


def _temperature_u_pct(layout: Layout, drive: Drive) -> float:
    sent_c = drive.temp_ref_c if layout.temperature_sent else None
    return temperature_correction_pct(drive, sent_c, sent_c)[1]


def _load_u_pct(layout: Layout, drive: Drive) -> float:
    """Of a load that is sent and corrected, a part of the correction is left; else the strain is not known."""
    if not layout.load_sent:
        return load_correction_pct(drive, None)[1]
    corrected = replace(drive, load_ref_n=0.0, strain_pct_per_kn=1.0)
    return load_correction_pct(corrected, 1000 * drive.load_u_pct)[1]


def load_strain_u_pct(layout: Layout) -> float:
    """Return the strain by which an unknown load makes readings uncertain, per cent, k = 1.

    The swing of the pull (rectangular) times the strain per kN; where the swing is not given, `load_u_pct`.
    """
    strain = strain_pct_per_kn(layout)
    if layout.load_swing_n is None or strain is None:
        return layout.load_u_pct
    return strain * layout.load_swing_n / 1000 / math.sqrt(3.0)


def strain_pct_per_kn(layout: Layout) -> float | None:
    """Return the elastic strain, per cent per kN: as given, else from the chain's strength; None where not known."""
    if layout.strain_pct_per_kn is not None:
        return layout.strain_pct_per_kn
    chain = _catalogued(layout.designation)
    if chain is None or chain.min_tensile_kn is None:
        return None
    return 100 / (STIFFNESS_OF_STRENGTH * chain.min_tensile_kn * chain.strands)


def _e0_range_pct(layout: Layout) -> tuple[float, float]:
    chain = _catalogued(layout.designation)
    return chain.new_length_pct if chain else (0.0, 0.15)  # roller chain, ISO 606:2015, 3.4.4 (from memory)


def _e0_pct(layout: Layout) -> float:
    return math.fsum(_e0_range_pct(layout)) / 2


def _e0_u_pct(layout: Layout) -> float:
    """Standard uncertainty of the new chain's elongation: as given, else its tolerance as a rectangle."""
    if layout.e0_u_pct is not None:
        return layout.e0_u_pct
    least, most = _e0_range_pct(layout)
    return (most - least) / math.sqrt(12.0)


def _averaged(layout: Layout, at_pct: float, speed_m_s: float) -> tuple[int, int]:
    """How many pitches a window will average over and how many whole laps these are (0: none)."""
    joints = (layout.window_s or WINDOW_DEFAULT_S) * joint_rate_hz(speed_m_s, _pitch_at(layout, at_pct))
    available = max(0, min(math.floor(joints), PULSES_MAX) - ENDS_PITCHES)
    loop = layout.pitches_in_loop
    laps = available // loop if loop and not layout.reduced else 0
    if loop and loop % 2 and laps > 1:
        laps -= laps % 2
    return (laps * loop, laps) if loop and laps else (available - available % 2, 0)


def _pitch_at(layout: Layout, at_pct: float) -> float:
    return layout.pitch_mm * (1 + at_pct / 100)


def _spacing_pitches(layout: Layout) -> float:
    return (layout.whole_pitches or 0) + (layout.offset_pitches or 0.0)


def _drive(layout: Layout, whole_pitches: int) -> Drive:
    """The drive as it will stand in the register."""
    return Drive(
        drive_id="plan",
        whole_pitches=whole_pitches,
        offset_pitches=layout.offset_pitches or 0.0,
        spacing_u_mm=layout.spacing_u_mm,
        driver_teeth=layout.driver_teeth,
        driven_teeth=layout.driven_teeth,
        up_to_driver_mm=layout.up_to_driver_mm,
        fixed_centres=layout.fixed_centres,
        parallel_strands=layout.parallel_strands,
        own_limit_pct=layout.own_limit_pct,
        temp_range_k=layout.temp_range_k,
        mount_expansion_per_k=layout.mount_expansion_per_k,
        load_u_pct=load_strain_u_pct(layout),
        delay_us=None if layout.delay_u_us is None else layout.delay_mismatch_us,
        delay_u_us=layout.delay_u_us or 0.0,
    )


def planned_drive(layout: Layout) -> Drive:
    """Return the drive as it will stand in the register, of a layout that a plan has filled in."""
    return _drive(layout, layout.whole_pitches or 0)


def _catalogued(designation: str) -> CatalogueChain | None:
    try:
        return catalogue.find(designation) if designation else None
    except catalogue.DesignationError:
        return None


# Pitches, place, window


def _choose(layout: Layout, limit_pct: float) -> Choice:
    """How many pitches to put between the sensors: the most that need no history and fit on the strand."""
    fits = _fits(layout)
    if fits is not None and fits < 2 and layout.whole_pitches is None:
        raise FieldsRefusedError(
            {
                "strand_mm": f"there is no room for two sensors 2 pitches apart and {NEAR_SPROCKET_PITCHES} pitches clear of "
                f"either sprocket: that takes {(2 + 2 * NEAR_SPROCKET_PITCHES) * layout.pitch_mm:g} mm; find a longer "
                "straight strand, or say with whole_pitches how many you mean to use"
            }
        )
    room = WHOLE_PITCHES_MAX if fits is None else fits
    without_history = _most_even(lambda n: _open_pitches(layout, n, None) < 1)
    to_limit = _even(unique_pitches(limit_pct))
    with_history = _most_even(lambda n: _open_pitches(layout, n, 0.0) < 1)
    most = min(room, to_limit)
    return Choice(
        chosen=layout.whole_pitches or max(2, min(most, max(without_history, PITCHES_WANTED))),
        least=min(FEW_PITCHES, most),
        most=most,
        fits=fits,
        without_history=without_history,
        to_limit=to_limit,
        with_history=with_history,
    )


def _open_pitches(layout: Layout, n: int, last_pct: float | None) -> float:
    """Width of the range that a chain's past leaves for N; less than a pitch leaves one whole number."""
    u = layout.spacing_u_mm / layout.pitch_mm if last_pct is None else 0.0
    range_ = expect_pitches(float(n), u, last_pct)
    return range_.most - range_.least


def _most_even(good: Any) -> int:
    """The greatest even n up to which `good` holds, at least 2."""
    n = 2
    while n + 2 <= WHOLE_PITCHES_MAX and good(n + 2):
        n += 2
    return n


def _even(pitches: float) -> int:
    return max(2, min(WHOLE_PITCHES_MAX, 2 * math.floor(pitches / 2)))


def _strand_mm(layout: Layout) -> float | None:
    """The strand as given; else what loop and teeth leave for it (half the chain that is on no sprocket)."""
    if layout.strand_mm is not None:
        return layout.strand_mm
    if layout.pitches_in_loop is None or layout.driver_teeth is None or layout.driven_teeth is None:
        return None
    wrapped = (layout.driver_teeth + layout.driven_teeth) / 2
    return max(0.0, (layout.pitches_in_loop - wrapped) / 2 * layout.pitch_mm)


def _fits(layout: Layout) -> int | None:
    """The greatest even number of pitches that the strand takes with its clearances; may be 0."""
    strand_mm = _strand_mm(layout)
    if strand_mm is None:
        return None
    offset = float(layout.reduced) if layout.offset_pitches is None else layout.offset_pitches
    free = strand_mm / layout.pitch_mm - 2 * NEAR_SPROCKET_PITCHES - offset
    return max(0, min(WHOLE_PITCHES_MAX, 2 * math.floor((free + 1e-9) / 2)))


def _offset(layout: Layout, n: int, bound: Limit) -> float:
    """The mount offset d: 0, so that the lag of new chain is whole and the polygon effect none at the baseline.

    A device that sends mean lags must not have some just below a whole pitch and some just above: d puts the middle
    of what the lag runs through, from the least elongation to the limit, at half a pitch.
    """
    if not layout.reduced:
        return 0.0
    middle = (1 / (1 + ELONGATION_MIN_PCT / 100) + 1 / (1 + bound.limit_pct / 100)) / 2
    return round(((n + 0.5) / middle - n) % 1.0, 2) % 1.0


def _window_s(layout: Layout, limit_pct: float) -> float:
    """A window that holds a whole lap at the lowest speed, whole seconds; without the loop a usual one."""
    lap_s = _lap_s(layout, limit_pct)
    least_s = _window_least_s(layout, limit_pct)
    wanted_s = max(WINDOW_DEFAULT_S, 4 * least_s) if lap_s is None else max(lap_s, least_s)
    return float(min(WINDOW_S_MAX, math.ceil(max(1.0, wanted_s))))


def _lap_s(layout: Layout, limit_pct: float) -> float | None:
    """Time that a lap takes at the lowest speed with the chain at its limit; two laps of an odd number of pitches."""
    if layout.pitches_in_loop is None:
        return None
    laps = 2 if layout.pitches_in_loop % 2 else 1
    pitches = laps * layout.pitches_in_loop + ENDS_PITCHES + 1
    return pitches / joint_rate_hz(layout.speed_min_m_s, _pitch_at(layout, limit_pct))


def _window_least_s(layout: Layout, limit_pct: float) -> float:
    pitches = PITCHES_MIN + ENDS_PITCHES + 2
    return pitches / joint_rate_hz(layout.speed_min_m_s, _pitch_at(layout, limit_pct))


def _refuse_short_window(layout: Layout, limit_pct: float) -> None:
    if _averaged(layout, limit_pct, layout.speed_min_m_s)[0] < PITCHES_MIN:
        least_s = _window_least_s(layout, limit_pct)
        fix = (
            f"give {seconds_words(least_s)} or more"
            if least_s <= WINDOW_S_MAX
            else "no window is long enough: measure at a higher speed"
        )
        raise FieldsRefusedError(
            {
                "window_s": f"{layout.window_s:g} s hold too few joints at {layout.speed_min_m_s:g} m/s for a reading; {fix}"
            }
        )


def _best_place(layout: Layout, limit_pct: float) -> float:
    """Where to put `up`, mm before the driver: in the middle of the strand, to the nearest place of least polygon effect.

    Tried within half a pitch, each by the greatest shift from new chain to the limit. Without the strand's length:
    as near to the driver as the clearance allows, which is where least of the strand is needed.
    """
    spacing_mm = _spacing_pitches(layout) * layout.pitch_mm
    strand_mm = _strand_mm(layout)
    clear_mm = NEAR_SPROCKET_PITCHES * layout.pitch_mm
    middle_mm = spacing_mm + clear_mm if strand_mm is None else (strand_mm + spacing_mm) / 2
    if layout.driver_teeth is None:
        return round(middle_mm, 1)
    room_mm = clear_mm if strand_mm is None else max(0.0, (strand_mm - spacing_mm) / 2 - clear_mm)
    reach_mm = min(layout.pitch_mm / 2, room_mm)
    from_mm = 0.0 if strand_mm is None else -reach_mm
    places = (middle_mm + from_mm + (reach_mm - from_mm) * step / 20 for step in range(21))
    best = min(places, key=lambda each: _polygon_most_pct(replace(layout, up_to_driver_mm=each), limit_pct))
    return round(best, 1)


def _polygon_most_pct(layout: Layout, limit_pct: float) -> float:
    """The greatest shift by the polygon effect, per cent of elongation, as the chain wears from new to the limit."""
    drive, new = planned_drive(layout), _spacing_pitches(layout)
    shifts = []
    for step in range(25):
        stretch = 1 + limit_pct * step / 2400
        between = new / stretch
        shift = polygon_shift_pitches(drive, new * layout.pitch_mm, between)
        shifts.append(abs(100 * stretch * shift / between))
    return max(shifts)


def _place(layout: Layout, limit_pct: float) -> Place:
    new = _spacing_pitches(layout)
    spacing_mm, clear_mm = new * layout.pitch_mm, NEAR_SPROCKET_PITCHES * layout.pitch_mm
    up_mm, strand_mm = layout.up_to_driver_mm or 0.0, _strand_mm(layout)
    at_new, at_limit = new / (1 + _e0_pct(layout) / 100), new / (1 + limit_pct / 100)
    return Place(
        spacing_mm=spacing_mm,
        up_to_driver_mm=up_mm,
        down_to_driver_mm=up_mm - spacing_mm,
        driven_to_up_mm=None if strand_mm is None else strand_mm - up_mm,
        clearance_mm=clear_mm,
        strand_needed_mm=spacing_mm + 2 * clear_mm,
        lag_new_pitches=at_new % 1.0,
        lag_limit_pitches=at_limit % 1.0,
        lag_travel_pitches=new - at_limit,
        wrap_pct=wrap_elongation_pct(new),
        polygon_most_pct=_polygon_most_pct(layout, limit_pct),
        whole_at_limit_mm=round(at_limit) * layout.pitch_mm * (1 + limit_pct / 100),
    )


def _needs(layout: Layout, limit_pct: float) -> Needs:
    fastest_hz = joint_rate_hz(layout.speed_max_m_s, layout.pitch_mm)
    chain = _catalogued(layout.designation)
    roller_mm = chain.roller_dia_mm if chain and chain.kind is not ChainKind.CONVEYOR else None
    per_mm_s = 1e-3 / layout.speed_max_m_s
    return Needs(
        joint_rate_min_hz=joint_rate_hz(layout.speed_min_m_s, _pitch_at(layout, limit_pct)),
        joint_rate_max_hz=fastest_hz,
        switching_hz=SWITCHING_RATIO * fastest_hz,
        on_s=None if roller_mm is None else roller_mm * per_mm_s,
        off_s=None if roller_mm is None else (layout.pitch_mm - roller_mm) * per_mm_s,
        scatter_mm=_scatter_mm(layout, layout.speed_max_m_s),
        tick_ns=largest_tick_ns(_scatter_mm(layout, layout.speed_max_m_s), layout.speed_max_m_s),
        window_s=layout.window_s or WINDOW_DEFAULT_S,
        lap_s=_lap_s(layout, limit_pct),
        window_least_s=_window_least_s(layout, limit_pct),
    )


def largest_tick_ns(scatter_mm: float, speed_m_s: float) -> int:
    """Return the largest tick that adds no more than a tenth to the scatter of a pulse, ns; 1, 2 or 5 times 10^k.

    q^2 / 12 <= (1.1^2 - 1) sigma^2 (a tick as a rectangle: JCGM 100:2008, F.2.2.1, from memory).
    """
    scatter_ns = 1e6 * scatter_mm / speed_m_s
    most = scatter_ns * math.sqrt(12.0 * ((1 + TICK_ADDS) ** 2 - 1))
    power = 10.0 ** math.floor(math.log10(most))
    return max(1, int(next(power * step for step in (5, 2, 1) if power * step <= most * (1 + 1e-9))))


def seconds_words(time_s: float) -> str:
    """Return a time, > 0, with three digits, or in whole seconds from 100 s on; rounded up."""
    if time_s >= 100:
        return f"{math.ceil(time_s)} s"
    digit = 10.0 ** (math.floor(math.log10(time_s)) - 2)
    return f"{math.ceil(time_s / digit - 1e-6) * digit:.3g} s"


def tick_words(tick_ns: int) -> str:
    """Return a tick in the unit that people say it in."""
    for ns, unit in ((1_000_000, "ms"), (1000, "µs")):
        if tick_ns >= ns:
            return f"{tick_ns / ns:g} {unit}"
    return f"{tick_ns} ns"


# What would make it better


class _Step(NamedTuple):
    words: str
    layout: Layout


def _improvement(layout: Layout, value: Value, limit_pct: float, choice: Choice) -> Improvement:
    """Each change as far as it takes to halve the combined uncertainty, or as far as it goes; all by asking again."""
    now_pct = worst_expected(layout, value, limit_pct).combined_pct
    half_pct = now_pct / 2
    alone = [
        change
        for field, steps in _levers(layout, limit_pct, choice)
        if (change := _pulled(field, steps, value, limit_pct, half_pct)[0]).combined_pct < 0.995 * now_pct
    ]
    together: list[Change] = []
    best = layout
    while (together[-1].combined_pct if together else now_pct) > half_pct:
        before_pct = together[-1].combined_pct if together else now_pct
        pulls = [
            _pulled(field, steps, value, limit_pct, half_pct)
            for field, steps in _levers(best, limit_pct, choice)
            if steps
        ]
        change, then = min(pulls, key=lambda pull: pull[0].combined_pct)
        if change.combined_pct > 0.98 * before_pct:
            break
        together.append(change)
        best = then
    return Improvement(
        value=value,
        now_pct=now_pct,
        alone=tuple(sorted(alone, key=lambda change: change.combined_pct)),
        together=tuple(together),
        halved=bool(together) and together[-1].combined_pct <= half_pct,
    )


def _pulled(
    field: str, steps: Iterable[_Step], value: Value, limit_pct: float, half_pct: float
) -> tuple[Change, Layout]:
    """The first step that halves, else the one that leaves least."""
    tried = []
    for step in steps:
        left_pct = worst_expected(step.layout, value, limit_pct).combined_pct
        tried.append((Change(field, step.words, left_pct), step.layout))
        if left_pct <= half_pct:
            return tried[-1]
    return min(tried, key=lambda each: each[0].combined_pct)


def _levers(layout: Layout, limit_pct: float, choice: Choice) -> Iterator[tuple[str, list[_Step]]]:
    """What could be changed, and the steps of each, from little to all."""
    levers = (
        *_levers_of_place(layout, choice),
        *_levers_of_sensing(layout),
        *_levers_of_batches(layout, limit_pct),
    )
    return ((field, steps) for field, steps in levers if steps)


def _levers_of_place(layout: Layout, choice: Choice) -> Iterator[tuple[str, list[_Step]]]:
    n = layout.whole_pitches or 0
    yield (
        "whole_pitches",
        [
            _Step(
                f"set the sensors {more} pitches apart, in place of {n}", replace(layout, whole_pitches=more)
            )
            for more in range(n - n % 2 + 2, choice.most + 1, 2)
        ],
    )
    if choice.fits is not None:
        needs_mm = {
            more: (more + 2 * NEAR_SPROCKET_PITCHES) * layout.pitch_mm
            for more in range(max(n, choice.fits) + 2 - n % 2, choice.to_limit + 1, 2)
        }
        yield (
            "strand_mm",
            [
                _Step(
                    f"find a straight strand of {mm:.0f} mm, and set the sensors {more} pitches apart",
                    replace(layout, whole_pitches=more, strand_mm=mm),
                )
                for more, mm in needs_mm.items()
            ],
        )
    yield (
        "mount_u_mm",
        [
            _Step(
                f"mount both sensors on one stiff bar, so that they creep by {mm:.2g} mm at most, in place of "
                f"{layout.mount_u_mm:g}; take a new baseline after every touch",
                replace(layout, mount_u_mm=mm),
            )
            for mm in _smaller(layout.mount_u_mm, 0.005)
        ],
    )
    chain = _catalogued(layout.designation)
    if layout.driver_teeth is None and not (chain is not None and chain.kind is ChainKind.LEAF):
        yield _teeth_lever(layout)


def learnt_delay_u_us(layout: Layout) -> float:
    """Return how well unequal delay can be learnt from one reading at each end of the speed range, microseconds, k = 1.

    Its shift of the lag is v dt / p, so dt is the difference of two lags times p over the difference of the speeds:
    sqrt(2) u(lag) p / (v2 - v1). Infinite at steady speed.
    """
    swing_m_s, e0_pct = layout.speed_max_m_s - layout.speed_min_m_s, _e0_pct(layout)
    if swing_m_s == 0:
        return math.inf
    between = _spacing_pitches(layout) / (1 + e0_pct / 100)
    lag_u = max(_random_u_pitches(layout, between, e0_pct, speed) for speed in _speeds(layout))
    return 1000 * math.sqrt(2.0) * lag_u * _pitch_at(layout, e0_pct) / swing_m_s


def _teeth_lever(layout: Layout) -> tuple[str, list[_Step]]:
    words = f"count the teeth of the driver (reckoned with {SMOOTH_TEETH} here), so that its polygon effect is taken off"
    return "driver_teeth", [_Step(words, replace(layout, driver_teeth=SMOOTH_TEETH))]


def _levers_of_sensing(layout: Layout) -> Iterator[tuple[str, list[_Step]]]:
    e0_u_pct = _e0_u_pct(layout)
    length_mm = MEASURED_LENGTH_MM[layout.pitch_mm >= 25.4]
    yield (
        "e0_u_pct",
        [
            _Step(
                f"measure the new chain under its measuring force before it goes on, to a standard uncertainty of {u:.2g} % "
                f"({length_mm * u / 100:.2g} mm over {length_mm:g} mm), in place of {e0_u_pct:.2g} %",
                replace(layout, e0_u_pct=u),
            )
            for u in _smaller(e0_u_pct, E0_U_BEST_PCT)
        ],
    )
    repeatability_mm = _repeatability_mm(layout)
    yield (
        "repeatability_mm",
        [
            _Step(
                f"take sensors that repeat to {mm:.2g} mm, in place of {repeatability_mm:.2g}",
                replace(layout, repeatability_mm=mm),
            )
            for mm in _smaller(repeatability_mm, 0.005)
        ],
    )
    learnt_us = learnt_delay_u_us(layout)
    if layout.delay_u_us is None and learnt_us < layout.delay_mismatch_us:
        words = (
            f"learn the delay of the sensors at {layout.speed_min_m_s:.3g} and {layout.speed_max_m_s:.3g} m/s at commissioning, to "
            f"{learnt_us:.2g} µs, in place of {layout.delay_mismatch_us:g} not known"
        )
        yield "delay_u_us", [_Step(words, replace(layout, delay_u_us=learnt_us))]
    if layout.two_clocks:
        yield "two_clocks", [_Step("stamp both sensors with one clock", replace(layout, two_clocks=False))]


def _levers_of_batches(layout: Layout, limit_pct: float) -> Iterator[tuple[str, list[_Step]]]:
    if not layout.temperature_sent:
        words = "send the temperatures of chain and mount"
        yield "temperature_sent", [_Step(words, replace(layout, temperature_sent=True))]
    if not layout.load_sent:
        words = "send the load, and give the strain per kN"
        yield "load_sent", [_Step(words, replace(layout, load_sent=True))]
    window_s = layout.window_s or WINDOW_DEFAULT_S
    lap_s = _lap_s(layout, limit_pct)
    windows = sorted({math.ceil(lap_s) if lap_s else 0, *(math.ceil(window_s * k) for k in (2, 4, 10))})
    yield (
        "window_s",
        [
            _Step(f"send windows of {s} s, in place of {window_s:g}", replace(layout, window_s=float(s)))
            for s in windows
            if window_s < s <= WINDOW_S_MAX
        ],
    )
    largest = largest_tick_ns(_scatter_mm(layout, layout.speed_max_m_s), layout.speed_max_m_s)
    yield (
        "tick_ns",
        [
            _Step(
                f"stamp in ticks of {tick_words(tick)}, in place of {tick_words(layout.tick_ns)}",
                replace(layout, tick_ns=tick),
            )
            for tick in (largest, 1000, 100)
            if tick < layout.tick_ns
        ],
    )
    if layout.stamp_jitter_us:
        words = f"stamp in hardware, without the {layout.stamp_jitter_us:g} µs of scatter"
        yield "stamp_jitter_us", [_Step(words, replace(layout, stamp_jitter_us=0.0))]


def _smaller(value: float, least: float) -> list[float]:
    """Steps down to a tenth, none below `least`."""
    return [value * part for part in (0.7, 0.5, 0.3, 0.2, 0.1) if value * part >= least]


# What to look at twice


def _remarks(layout: Layout, bound: Limit, choice: Choice) -> Iterator[Remark]:
    yield from _remarks_on_strand(layout, choice)
    yield from _remarks_on_map(layout, bound.limit_pct, choice)
    yield from _remarks_on_limit(layout, bound)
    yield from _remarks_on_sensor(layout)
    yield from _remarks_on_device(layout, bound.limit_pct)
    chain = Chain(
        chain_id="plan",
        drive_id="plan",
        designation=layout.designation,
        pitch_mm=layout.pitch_mm,
        pitches_in_loop=layout.pitches_in_loop,
        fitted_ns=0,
    )
    for each in advice(planned_drive(layout), chain):
        field, words = each.split(": ", 1)
        yield Remark(field, words)


def _remarks_on_strand(layout: Layout, choice: Choice) -> Iterator[Remark]:
    if layout.slack:
        yield Remark(
            "slack",
            f"a slack strand is longer than its chord: a sag of {100 * SAG_RATIO:g} % of the span reads "
            f"{sag_extra_length_pct(SAG_RATIO):.3f} % low, of {200 * SAG_RATIO:g} % "
            f"{sag_extra_length_pct(2 * SAG_RATIO):.3f} %, and it changes with every adjustment. Nothing of that is in the "
            "budget. Mount the sensors on the tight strand, which runs towards the driver",
        )
    if layout.vertical:
        yield Remark(
            "vertical",
            "on a vertical or steep drive slack hangs off the lower sprocket, and the strand carries its own weight, which "
            "changes along it: see to a take-up, and mount both sensors on the loaded strand between guides",
        )
    if layout.reverses:
        yield Remark(
            "reverses",
            "backwards the other strand is the tight one, and the lag shows what is missing to a whole pitch: let the device "
            'send "dir", so that only forward travel is measured',
        )
    if layout.strand_mm is None and choice.fits is not None:
        yield Remark(
            "strand_mm",
            f"not given; reckoned as {_strand_mm(layout):.0f} mm from loop and teeth. Measure what is straight and free",
        )
    if choice.fits is not None and choice.fits < choice.chosen:
        yield Remark(
            "strand_mm",
            f"{choice.chosen} pitches do not fit with {NEAR_SPROCKET_PITCHES} pitches clear of either sprocket; "
            f"{choice.fits} do",
        )
    elif choice.fits is not None and choice.fits < min(choice.without_history, choice.to_limit):
        wanted = min(choice.without_history, choice.to_limit)
        yield Remark(
            "strand_mm",
            f"short: it takes {choice.fits} pitches between the sensors where {wanted} would be better "
            f"({(wanted + 2 * NEAR_SPROCKET_PITCHES) * layout.pitch_mm:.0f} mm)",
        )
    if choice.chosen > choice.without_history:
        yield Remark(
            "whole_pitches",
            f"over {choice.without_history} pitches a first reading may fit two whole numbers, the spacing being known to "
            f"{layout.spacing_u_mm:g} mm: take a baseline before it"
            if choice.chosen <= choice.with_history
            else f"over {choice.with_history} pitches even the last elongation leaves two whole numbers; take fewer",
        )
    if choice.least <= choice.chosen > choice.to_limit:
        yield Remark(
            "whole_pitches",
            f"up to {choice.to_limit} pitches the lag stays unique up to the limit with {GUARD_PITCHES:g} pitch to spare",
        )


def _remarks_on_map(layout: Layout, limit_pct: float, choice: Choice) -> Iterator[Remark]:
    """The loop is almost a whole multiple of N: what repeats so many times a lap passes both sensors alike."""
    if layout.pitches_in_loop is None or layout.reduced:
        return
    n = layout.whole_pitches or 0
    wave = _wave_least_shown(layout, n, limit_pct)
    if wave.shown >= WAVE_BLIND:
        return
    others = sorted(range(choice.least, choice.most + 1, 2), key=lambda each: abs(each - n))
    instead = next(  # the least of them is below WAVE_PITCHES
        each for each in others if _wave_least_shown(layout, each, limit_pct).shown >= WAVE_CLEAR
    )
    when = "when new" if wave.at_pct < 0.05 else f"at {wave.at_pct:.1f} % of elongation"
    yield Remark(
        "whole_pitches",
        f"the loop's {layout.pitches_in_loop} joints are almost {wave.times} times the pitches between the sensors, most so {when}: wear that repeats {wave.times} times a lap then passes both sensors alike, and the map "
        f"of the links can hardly tell it from changes of speed. Readings are as good as ever. Set the sensors "
        f"{instead} pitches apart if the map of the links matters",
    )


class _Wave(NamedTuple):
    """Of a wave that repeats so many times a lap the difference of both sensors shows so much, least at some elongation."""

    shown: float
    times: int
    at_pct: float


def _wave_least_shown(layout: Layout, n: int, limit_pct: float) -> _Wave:
    """Return the long wave that the difference of sensors n pitches apart shows least of, from new chain to the limit.

    k waves on L joints: |exp(2 pi i k N / L) - 1| = 2 |sin(pi k N / L)|, with N = n / (1 + e); none where k N = L.
    """
    loop = layout.pitches_in_loop or 0
    new = n + (layout.offset_pitches or 0.0)
    waves = [_Wave(2.0, 0, 0.0)]
    for times in range(2, math.floor(loop / WAVE_PITCHES) + 1):
        at_pct = min(limit_pct, max(0.0, 100 * (times * new / loop - 1)))
        turns = times * new / (1 + at_pct / 100) / loop
        if round(turns) == 1:
            waves.append(_Wave(2 * abs(math.sin(math.pi * turns)), times, at_pct))
    return min(waves)


def _remarks_on_baseline(layout: Layout, at_limit: Iterable[Expected]) -> Iterator[Remark]:
    left = {each.value: each.combined_pct for each in at_limit}
    if left[Value.BY_SPACING] < left[Value.ABSOLUTE]:
        yield Remark(
            "spacing_u_mm",
            f"known to {layout.spacing_u_mm:g} mm over {_spacing_pitches(layout) * layout.pitch_mm:.0f} mm the spacing tells the "
            f"length of the new chain better ({left[Value.BY_SPACING]:.3f} %) than its tolerance does "
            f"({left[Value.ABSOLUTE]:.3f} %): let the baseline's e0 be what the first readings show, with their uncertainty",
        )


def _remarks_on_limit(layout: Layout, bound: Limit) -> Iterator[Remark]:
    if bound.term is LimitTerm.LARGE_SPROCKET and bound.limit_pct < GENERAL_LIMIT_PCT:
        teeth = max(layout.driver_teeth or 0, layout.driven_teeth or 0)
        yield Remark(
            "driven_teeth" if teeth == layout.driven_teeth else "driver_teeth",
            f"{teeth} teeth: a longer pitch rides up the teeth of so large a sprocket, so the limit is 200/{teeth} = "
            f"{bound.limit_pct:.2f} %",
        )
    if layout.driver_teeth is not None and layout.driver_teeth < SMOOTH_TEETH:
        yield Remark(
            "driver_teeth",
            f"{layout.driver_teeth} teeth pull unevenly; {SMOOTH_TEETH} or more run smoothly. Write down the distance from "
            "`up` to the driver: with it the polygon effect is taken off",
        )
    if layout.pitches_in_loop is not None and layout.pitches_in_loop % 2:
        yield Remark(
            "pitches_in_loop",
            "a cranked link passes the sensors once a lap; it is neither inner nor outer link and wears otherwise: windows of "
            "two laps weigh all links alike",
        )
    if layout.pitches_in_loop is None:
        yield Remark(
            "window_s",
            "without the number of joints of the chain no window can be cut to whole laps: count them",
        )


def _remarks_on_sensor(layout: Layout) -> Iterator[Remark]:
    rate_hz = joint_rate_hz(layout.speed_max_m_s, layout.pitch_mm)
    if layout.switching_hz is not None and layout.switching_hz < SWITCHING_RATIO * rate_hz:
        lost = "it will lose pulses" if layout.switching_hz < rate_hz else "it may lose pulses"
        yield Remark(
            "switching_hz",
            f"{layout.switching_hz:g} Hz are too slow for {rate_hz:.0f} joints a second: {lost}; take one rated "
            f"{SWITCHING_RATIO * rate_hz:.0f} Hz or more. The rated frequency is measured with gaps twice as wide as the targets "
            "(IEC 60947-5-2, from memory), and joints stand closer than that",
        )
    chain = _catalogued(layout.designation)
    if layout.rated_distance_mm is not None and chain is not None and chain.roller_dia_mm:
        standard_mm = TARGET_OF_RATED * layout.rated_distance_mm
        if chain.roller_dia_mm < standard_mm:
            yield Remark(
                "rated_distance_mm",
                f"rollers of {chain.roller_dia_mm:g} mm are smaller than the standard target of {standard_mm:g} mm "
                "(IEC 60947-5-2, from memory): it switches nearer than rated. Set both gaps alike, at half of it or less",
            )
    coherence = _coherence(layout)
    if coherence < COHERENCE_COMFORT:
        refused = "readings will be refused" if coherence < COHERENCE_MIN else "some readings will be refused"
        yield Remark(
            "repeatability_mm",
            f"pulses that scatter by {_scatter_mm(layout, layout.speed_max_m_s):.2g} mm share a coherence of only "
            f"{coherence:.2f}, and below {COHERENCE_MIN:g} there is no number: {refused}. Take a sensor that repeats better",
        )


def _coherence(layout: Layout) -> float:
    """The coherence to be expected at the highest speed, at a lag near a whole pitch, where it is least.

    A phase then has the variance of two pulses, and R of a wrapped normal is exp(-sigma^2 / 2) (Mardia & Jupp,
    Directional Statistics, 3.5.7, from memory).
    """
    tick_mm = layout.tick_ns * 1e-6 * layout.speed_max_m_s
    scatter = (
        math.hypot(_scatter_mm(layout, layout.speed_max_m_s), tick_mm / math.sqrt(12.0)) / layout.pitch_mm
    )
    return math.exp(-((2 * math.pi * scatter) ** 2))


def _remarks_on_device(layout: Layout, limit_pct: float) -> Iterator[Remark]:
    if layout.two_clocks:
        shift = layout.sync_error_us * layout.speed_max_m_s / 1000 / layout.pitch_mm
        yield Remark(
            "two_clocks",
            f"two clocks {layout.sync_error_us:g} µs apart are {shift:.4f} pitch, or {100 * shift / _spacing_pitches(layout):.2f} "
            f"% of elongation, at {layout.speed_max_m_s:.3g} m/s. A batch has one clock: bring both sensors to one device",
        )
    largest = largest_tick_ns(_scatter_mm(layout, layout.speed_max_m_s), layout.speed_max_m_s)
    if layout.tick_ns > largest:
        locks = (
            " Where the time from joint to joint is a whole number of ticks the error locks, and no averaging helps"
            if layout.tick_ns > 2 * largest
            else ""
        )
        yield Remark(
            "tick_ns",
            f"{tick_words(layout.tick_ns)} are coarse for pulses that scatter by "
            f"{1000 * _scatter_mm(layout, layout.speed_max_m_s) / layout.speed_max_m_s:.3g} µs: {tick_words(largest)} or less will do."
            f"{locks}",
        )
    window_s, lap_s = layout.window_s or WINDOW_DEFAULT_S, _lap_s(layout, limit_pct)
    if lap_s is not None and lap_s > window_s:
        yield Remark(
            "window_s",
            f"{window_s:g} s are no whole lap at {layout.speed_min_m_s:.3g} m/s; {math.ceil(lap_s)} s are. A worn section that did "
            "not pass does not show",
        )
    elif window_s > WINDOW_USUAL_S:
        yield Remark(
            "window_s",
            f"a lap at {layout.speed_min_m_s:.3g} m/s takes {window_s:g} s; {WINDOW_USUAL_S:g} s or less are usual. Shorter windows "
            "will do where the links not shown are of no concern",
        )
    pulses = window_s * joint_rate_hz(layout.speed_max_m_s, layout.pitch_mm)
    if pulses > PULSES_MAX and not layout.reduced:
        yield Remark(
            "window_s",
            f"{window_s:g} s hold {pulses:.0f} pulses at {layout.speed_max_m_s:.3g} m/s, and over {PULSES_MAX} are refused: let "
            "the window end after so many laps rather than seconds",
        )
    if layout.reduced:
        low, high = _lags_sent(layout, limit_pct)
        if math.floor(low) != math.floor(high):
            yield Remark(
                "offset_pitches",
                f"a device that sends mean lags goes wrong where the lag crosses a whole pitch, as it will from {high:.2f} to "
                f"{low:.2f} pitches; let it send pulses, or leave the offset to the plan",
            )


def _lags_sent(layout: Layout, limit_pct: float) -> tuple[float, float]:
    """Least and greatest N from the limit to the least elongation there may be."""
    new = _spacing_pitches(layout)
    return new / (1 + limit_pct / 100), new / (1 + ELONGATION_MIN_PCT / 100)


def plain(plan: Plan) -> dict[str, Any]:
    """Return a plan as dicts, lists, numbers and texts, as command and API give it."""
    return asdict(plan)
