"""One chain drive: its place, its sensors, its chains over time, and the limit that applies.

Knows geometry and dates; must not know pulses or readings. Checks what it is given at once, and says
how to mend what is wrong.
"""

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from service.core import catalogue
from service.core.catalogue import ChainKind
from service.core.fields import (
    FieldsRefusedError,
    flag_problem,
    id_problem,
    instant_problem,
    number_problem,
    refuse,
    text_problem,
    whole_problem,
)
from service.core.geometry import polygon_displacement_peak_pitches, sag_extra_length_pct

DRIVE_ID = re.compile(r"[a-z0-9][a-z0-9_-]{0,63}")
CHAIN_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9_./:+-]{0,127}")

# Roller chain in general (chain makers' advice, which refers to ASME B29.1), and leaf chain in lifting
# (US Army TM 10-3930-671-24).
GENERAL_LIMIT_PCT = 3.0
FIXED_LIMIT_PCT = 1.5  # fixed centres, parallel strands, smooth running (chain makers' advice)
LARGE_SPROCKET_PCT = 200.0  # over the teeth of the large sprocket: a longer pitch rides up them (as above)

WHOLE_PITCHES_MAX = 1000
PITCH_MM_MAX = 2000.0  # conveyor chain of ISO 1977 goes to 1000 mm
PITCHES_IN_LOOP_MAX = 1_000_000
TEETH_MAX = 1000
STRANDS_MAX = 32
FEW_PITCHES = 8  # below this the reading leans on fractions of a millimetre (common practice, no source)
NEAR_SPROCKET_PITCHES = 3  # common practice, no source
FEWEST_TEETH = 9  # below this a sprocket is not usable (public notes on chordal action)
POLYGON_SHIFT_PCT = 0.02  # less is lost among the other uncertainties
TEETH_FIX = "count the teeth; none for a sheave"


class LimitTerm(StrEnum):
    """Which rule bound the limit."""

    OWN = "own"  # the value that people gave for this drive
    GENERAL = "general"  # 3 %
    LARGE_SPROCKET = "large_sprocket"  # 200 / z %, z = teeth of the large sprocket
    FIXED_CENTRES = "fixed_centres"  # 1.5 %
    PARALLEL_STRANDS = "parallel_strands"  # 1.5 %


class GroupKind(StrEnum):
    """By what drives are grouped: where they stand, or what they do. Settings are made for such a group by its name."""

    SITE = "site"
    CLASS = "class"

    @property
    def field(self) -> str:
        """The field of `Drive` that holds the name of the group."""
        return "site" if self is GroupKind.SITE else "drive_class"


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """The elongation at which the chain must be replaced, per cent, and the rule that gave it."""

    limit_pct: float
    term: LimitTerm


@dataclass(frozen=True, slots=True, kw_only=True)
class Drive:
    """One chain drive in one place of a plant.

    The spacing along the strand is (whole_pitches + offset_pitches) x pitch of the chain.
    """

    drive_id: str
    name: str = ""
    site: str = ""
    area: str = ""
    line: str = ""
    drive_class: str = ""  # drives of like duty, compared with each other
    strand_group: str = ""  # drives whose chains work side by side and share a load have the same
    whole_pitches: int | None = None  # n; None: a drive without sensors, measured by hand
    offset_pitches: float = 0.0  # d, 0 <= d < 1
    spacing_u_mm: float = 0.5  # standard uncertainty of the spacing
    driver_teeth: int | None = None  # the sprocket that pulls the measured strand
    driven_teeth: int | None = None
    up_to_driver_mm: float | None = None  # along the strand from `up` to the driver's tangent point
    fixed_centres: bool = False
    parallel_strands: bool = False
    own_limit_pct: float | None = None
    temp_ref_c: float = 20.0  # elongation is stated at this temperature of chain and mount
    temp_range_k: float = 15.0  # +/- half width assumed where temperatures are not sent
    mount_expansion_per_k: float = 11.7e-6  # steel
    load_ref_n: float | None = None  # elongation is stated at this tension
    strain_pct_per_kn: float | None = None  # elastic strain of the strand, per cent per kN
    strain_u_pct_per_kn: float | None = None  # its standard uncertainty; None: a quarter of it
    delay_us: float | None = None  # by how much `down` switches later than `up`, as fitted at several speeds
    delay_u_us: float = 0.0  # its standard uncertainty
    load_u_pct: float = 0.02  # standard uncertainty where the load is not sent or not corrected
    note: str = ""
    retired_ns: int | None = None

    def __post_init__(self) -> None:
        refuse(
            drive_id=id_problem(
                self.drive_id, DRIVE_ID, "small letters, digits, - and _; at most 64, the first no - or _"
            ),
            name=text_problem(self.name),
            site=text_problem(self.site),
            area=text_problem(self.area),
            line=text_problem(self.line),
            drive_class=text_problem(self.drive_class),
            strand_group=text_problem(self.strand_group),
            whole_pitches=whole_problem(
                self.whole_pitches,
                1,
                WHOLE_PITCHES_MAX,
                "count the pitches of a new chain from `up` to `down`, rounded down; leave it out without sensors",
                optional=True,
            ),
            offset_pitches=number_problem(
                self.offset_pitches,
                0,
                math.nextafter(1, 0),
                "give the part of a pitch that is over, and count whole ones in whole_pitches",
            ),
            spacing_u_mm=number_problem(
                self.spacing_u_mm,
                0.001,
                1000,
                "give how well the spacing is known, e.g. 0.5 for a tape",
            ),
            driver_teeth=whole_problem(self.driver_teeth, 3, TEETH_MAX, TEETH_FIX, optional=True),
            driven_teeth=whole_problem(self.driven_teeth, 3, TEETH_MAX, TEETH_FIX, optional=True),
            up_to_driver_mm=number_problem(
                self.up_to_driver_mm,
                0,
                1e6,
                "measure along the strand from `up`, forward to the driver",
                optional=True,
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
            temp_ref_c=number_problem(self.temp_ref_c, -100, 500, "give degrees Celsius"),
            temp_range_k=number_problem(self.temp_range_k, 0, 500, "give the half width in kelvin"),
            mount_expansion_per_k=number_problem(
                self.mount_expansion_per_k,
                0,
                1e-3,
                "give strain per kelvin: 11.7e-6 for steel, 23e-6 for aluminium",
            ),
            load_ref_n=number_problem(self.load_ref_n, 0, 1e8, "give the tension in newtons", optional=True),
            strain_pct_per_kn=number_problem(
                self.strain_pct_per_kn, 0, 10, "give per cent of stretch for each kilonewton", optional=True
            ),
            strain_u_pct_per_kn=number_problem(
                self.strain_u_pct_per_kn, 0, 10, "give per cent of stretch for each kilonewton", optional=True
            ),
            delay_us=number_problem(
                self.delay_us, -1e6, 1e6, "give microseconds, or leave it empty", optional=True
            ),
            delay_u_us=number_problem(self.delay_u_us, 0, 1e6, "give microseconds"),
            load_u_pct=number_problem(self.load_u_pct, 0, 10, "give per cent of elongation"),
            note=text_problem(self.note, lines=True),
            retired_ns=instant_problem(self.retired_ns, optional=True),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Chain:
    """One installed chain on a drive, from fitting to removal. `chain_id` is unique in the register."""

    chain_id: str
    drive_id: str
    designation: str  # of the catalogue, e.g. "16B-1"; "" for a chain of free pitch
    pitch_mm: float
    strands: int = 1
    pitches_in_loop: int | None = None
    fitted_ns: int
    removed_ns: int | None = None
    removed_why: str = ""
    note: str = ""

    def __post_init__(self) -> None:
        fitted_problem = instant_problem(self.fitted_ns)
        removed_problem = instant_problem(self.removed_ns, optional=True)
        comparable = fitted_problem is None and removed_problem is None
        if comparable and self.removed_ns is not None and self.removed_ns <= self.fitted_ns:
            removed_problem = "the chain came off before it was fitted; check both dates"
        refuse(
            chain_id=id_problem(self.chain_id, CHAIN_ID, "letters, digits and _ . / : + -; at most 128"),
            drive_id=id_problem(self.drive_id, DRIVE_ID, "the id of a drive"),
            designation=text_problem(self.designation),
            pitch_mm=number_problem(
                self.pitch_mm, 3, PITCH_MM_MAX, "give the nominal pitch in millimetres (1 in = 25.4 mm)"
            ),
            strands=whole_problem(self.strands, 1, STRANDS_MAX, "1 for simplex, 2 for duplex, 3 for triplex"),
            pitches_in_loop=whole_problem(
                self.pitches_in_loop,
                4,
                PITCHES_IN_LOOP_MAX,
                "count the joints of the whole chain, or leave it empty",
                optional=True,
            ),
            fitted_ns=fitted_problem,
            removed_ns=removed_problem,
            removed_why=text_problem(self.removed_why, lines=True),
            note=text_problem(self.note, lines=True),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    """N0: pitches between the sensors while the chain's elongation was e0; both with standard uncertainty."""

    chain_id: str
    pitches_between: float  # N0
    pitches_between_u: float
    elongation_pct: float  # e0
    elongation_u_pct: float
    taken_ns: int
    recorded_ns: int
    recorded_by: str
    why: str
    up_alternation_pct: float | None = None  # elongation by alternation then, of each sensor
    down_alternation_pct: float | None = None

    def __post_init__(self) -> None:
        refuse(
            chain_id=id_problem(self.chain_id, CHAIN_ID, "the id of a chain"),
            pitches_between=number_problem(
                self.pitches_between,
                0.5,
                WHOLE_PITCHES_MAX + 1,
                "give N0, the whole pitches and the part that is over",
            ),
            pitches_between_u=number_problem(
                self.pitches_between_u, 0, 10, "give the standard uncertainty in pitches"
            ),
            elongation_pct=number_problem(
                self.elongation_pct,
                -5,
                20,
                "give the elongation against nominal pitch in per cent, near 0 for a new chain",
            ),
            elongation_u_pct=number_problem(
                self.elongation_u_pct, 0, 10, "give the standard uncertainty in per cent of elongation"
            ),
            taken_ns=instant_problem(self.taken_ns),
            recorded_ns=instant_problem(self.recorded_ns),
            recorded_by=text_problem(self.recorded_by),
            why=text_problem(self.why, lines=True),
            up_alternation_pct=number_problem(
                self.up_alternation_pct, -5, 50, "give per cent, or leave it empty", optional=True
            ),
            down_alternation_pct=number_problem(
                self.down_alternation_pct, -5, 50, "give per cent, or leave it empty", optional=True
            ),
        )


@dataclass(frozen=True, slots=True)
class Registration:
    """What is registered of a drive at one time: its settings, the chain on it and the baseline in force."""

    drive: Drive
    chain: Chain | None = None
    baseline: Baseline | None = None

    def __post_init__(self) -> None:
        chain, baseline = self.chain, self.baseline
        if chain is not None and chain.drive_id != self.drive.drive_id:
            raise FieldsRefusedError(
                {"chain": f"{chain.chain_id} belongs to {chain.drive_id}, not to {self.drive.drive_id}"}
            )
        if baseline is not None and (chain is None or baseline.chain_id != chain.chain_id):
            raise FieldsRefusedError(
                {"baseline": f"it belongs to the chain {baseline.chain_id}; give that chain with it"}
            )


def limit(drive: Drive) -> Limit:
    """Return the elongation at which the chain must be replaced, per cent, and the rule that bound it.

    The least of: the drive's own value; 1.5 % with fixed centres or parallel strands; 200 / z % with z teeth on
    the large sprocket (the larger of those known); 3 %. Of equal values the drive's own counts, then the one
    that is said of fewer drives.

    Source: chain makers' advice and ASME B29.1 for 3 %, 1.5 % and 200 / z; the own value is the plant's.
    """
    terms = []
    if drive.own_limit_pct is not None:
        terms.append(Limit(limit_pct=drive.own_limit_pct, term=LimitTerm.OWN))
    if drive.fixed_centres:
        terms.append(Limit(limit_pct=FIXED_LIMIT_PCT, term=LimitTerm.FIXED_CENTRES))
    if drive.parallel_strands:
        terms.append(Limit(limit_pct=FIXED_LIMIT_PCT, term=LimitTerm.PARALLEL_STRANDS))
    large_teeth = max(drive.driver_teeth or 0, drive.driven_teeth or 0)
    if large_teeth:
        terms.append(Limit(limit_pct=LARGE_SPROCKET_PCT / large_teeth, term=LimitTerm.LARGE_SPROCKET))
    terms.append(Limit(limit_pct=GENERAL_LIMIT_PCT, term=LimitTerm.GENERAL))
    return min(terms, key=lambda each: each.limit_pct)  # the first of equals


def spacing_pitches(drive: Drive) -> float:
    """Return the spacing between the sensors in nominal pitches: n + d. Raises FieldsRefusedError without sensors."""
    if drive.whole_pitches is None:
        raise FieldsRefusedError(
            {"whole_pitches": f"{drive.drive_id} has no sensors; give n once they are mounted"}
        )
    return drive.whole_pitches + drive.offset_pitches


def spacing_mm(drive: Drive, chain: Chain) -> float:
    """Return the spacing along the strand between the sensors, mm: s = (n + d) p."""
    return spacing_pitches(drive) * chain.pitch_mm


def chain_at(chains: Iterable[Chain], t_ns: int) -> Chain | None:
    """Return the chain that was on the drive at an instant, None if there was none.

    A chain is on from just after it was fitted until it was removed: fitted_ns < t_ns <= removed_ns, because a
    reading is stamped by its end. Where records overlap, the chain fitted last counts.

    Args:
        chains: of one drive, in any order.
        t_ns: the instant, e.g. of a reading.
    """
    on = [
        each
        for each in chains
        if each.fitted_ns < t_ns and (each.removed_ns is None or t_ns <= each.removed_ns)
    ]
    return max(on, key=lambda each: each.fitted_ns, default=None)


def baseline_at(baselines: Iterable[Baseline], t_ns: int) -> Baseline | None:
    """Return the baseline in force at an instant: the one taken last before it; of equals the one recorded last.

    So a correction is recorded with the instant of what it corrects and replaces it for all its readings, and an
    old baseline that is corrected late does not override a newer one. Before the first baseline the first is in
    force: the sensors stood as they did when it was taken. None where there is none.

    Args:
        baselines: of one chain, in any order.
        t_ns: the instant, e.g. of a reading.
    """
    known = list(baselines)
    taken = [each for each in known if each.taken_ns <= t_ns]
    if not taken and known:
        first_ns = min(each.taken_ns for each in known)
        taken = [each for each in known if each.taken_ns == first_ns]
    return max(taken, key=lambda each: (each.taken_ns, each.recorded_ns), default=None)


def wrap_elongation_pct(pitches_between: float) -> float:
    """Return the elongation at which the lag of a new chain first comes round to where it began, per cent.

    N falls by a whole pitch at (1 + e) (n - 1) = n, hence e = 1 / (n - 1). Infinite for n <= 1.

    Args:
        pitches_between: n, pitches between the sensors at e = 0, > 0.
    """
    return 100 / (pitches_between - 1) if pitches_between > 1 else math.inf


def advice(drive: Drive, chain: Chain | None) -> list[str]:
    """Return what a person should look at twice about this drive; empty if nothing. None of it stops the readings.

    Each begins with the field that it is about, as the errors of `Drive` and `Chain` do.

    Args:
        drive: its settings.
        chain: the chain on it, None if there is none.
    """
    found = [*_advice_on_limit(drive)]
    if drive.whole_pitches is not None:
        found = [*_advice_on_spacing(drive, chain), *found]
    if chain is None:
        return [*found, "chain: none is fitted; readings carry no elongation until one is registered"]
    found += _advice_on_chain(drive, chain)
    if _kind(chain) is not ChainKind.LEAF:
        found += _advice_on_teeth(drive)
    return found


def _advice_on_spacing(drive: Drive, chain: Chain | None) -> Iterable[str]:
    n, limit_pct = spacing_pitches(drive), limit(drive).limit_pct
    if drive.whole_pitches is not None and drive.whole_pitches % 2:
        yield (
            f"whole_pitches: {drive.whole_pitches} is odd; an even number is better, because wear lengthens every "
            "second pitch as seen by one sensor"
        )
    if wrap_elongation_pct(n) <= limit_pct:
        yield (
            f"whole_pitches: the lag comes round at {wrap_elongation_pct(n):.2f} %, before the limit of "
            f"{limit_pct:.2f} %; readings then rest on the baseline and the last elongation. Up to "
            f"{_unique_pitches(limit_pct)} pitches it is unique"
        )
    if n < FEW_PITCHES and chain is not None:
        yield (
            f"whole_pitches: over only {n:g} pitches a sensor that moves by 0.1 mm shifts the elongation by "
            f"{100 * 0.1 / spacing_mm(drive, chain):.2f} %; mount them further apart"
        )
    if drive.up_to_driver_mm is None:
        yield (
            "up_to_driver_mm: not given; make sure that both sensors are on the tight strand, which runs towards the "
            f"driver. A slack strand reads low: by {sag_extra_length_pct(0.02):.2f} % where it sags by 2 % of its span"
        )
    elif (
        chain is not None
        and drive.up_to_driver_mm < spacing_mm(drive, chain) + NEAR_SPROCKET_PITCHES * chain.pitch_mm
    ):
        yield (
            f"up_to_driver_mm: `down` is within {NEAR_SPROCKET_PITCHES} pitches of the driver, or past it; there the "
            "strand rises and falls with every tooth. Move the sensors back along the strand"
        )


def _advice_on_limit(drive: Drive) -> Iterable[str]:
    bound = limit(drive)
    if drive.own_limit_pct is not None and bound.term is not LimitTerm.OWN:
        yield (
            f"own_limit_pct: {drive.own_limit_pct:g} % has no effect; {bound.limit_pct:.2f} % applies "
            f"({bound.term.value.replace('_', ' ')})"
        )
    if drive.strain_pct_per_kn is not None and drive.load_ref_n is None:
        yield "load_ref_n: not given, so strain_pct_per_kn is not used; give the tension at which elongation is stated"


def _advice_on_teeth(drive: Drive) -> Iterable[str]:
    if drive.driver_teeth is None or drive.driven_teeth is None:
        missing = "driver_teeth" if drive.driver_teeth is None else "driven_teeth"
        yield f"{missing}: not given; over 66 teeth would lower the limit to 200 / z %"
    if drive.driver_teeth is None:
        yield "driver_teeth: not given, so the unevenness of the sprocket's pull cannot be bounded for this drive"
        return
    if drive.driver_teeth < FEWEST_TEETH:
        yield f"driver_teeth: {drive.driver_teeth} teeth are too few for a roller chain drive; is that the count?"
    if drive.whole_pitches is None:
        return
    shift_pct = 100 * 2 * polygon_displacement_peak_pitches(drive.driver_teeth) / spacing_pitches(drive)
    if shift_pct > POLYGON_SHIFT_PCT:
        yield (
            f"driver_teeth: with {drive.driver_teeth} teeth the polygon effect moves readings by up to "
            f"{shift_pct:.3f} % as the chain wears; more pitches between the sensors make it less"
        )


def _advice_on_chain(drive: Drive, chain: Chain) -> Iterable[str]:
    if note := catalogue.pitch_note(chain.designation, chain.pitch_mm):
        yield f"designation: {note}"
    loop = chain.pitches_in_loop
    if _kind(chain) is ChainKind.LEAF:
        yield (
            "designation: leaf chain in lifting goes out of service on a crack, corrosion, a turned pin or 3 %, whatever "
            "is shown here; many plan its replacement at 2 %. linklag is a maintenance aid and no safety function"
        )
    elif loop is None:
        yield "pitches_in_loop: not given; with it readings are taken over whole laps, so that uneven wear averages out"
    elif loop % 2:
        yield f"pitches_in_loop: {loop} is odd, which needs a cranked link; count again"
    if loop is not None and drive.whole_pitches is not None and loop <= 2 * spacing_pitches(drive):
        yield f"pitches_in_loop: {loop} pitches have no straight strand with {spacing_pitches(drive):g} between the sensors"


def _kind(chain: Chain) -> ChainKind | None:
    try:
        return catalogue.find(chain.designation).kind
    except catalogue.DesignationError:
        return None


def _unique_pitches(limit_pct: float) -> int:
    """Return the greatest even number of pitches at which the lag does not come round before the limit."""
    return 2 * math.floor((math.nextafter(1 + 100 / limit_pct, 0)) / 2)
