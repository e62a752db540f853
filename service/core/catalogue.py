"""The chains that standards name: by their designation, and from what a fitter can measure.

Knows pitches and dimensions of new chain and how they are written in practice; must not know drives or readings.

Where the figures come from
- Roller and bush chain: ISO 606:1994 as reprinted in GOST 13568-97, Annex A, table A.1 (pitch, roller, width,
  transverse pitch, strength), compared with public tables of ASME B29.1 and DIN ISO 606:2012; measuring forces of
  the A series from a public table of ISO 606, of the B series equal by pitch (from memory). Pins of 40A and 48A,
  all but pitch and strength of 48B to 72B, and transverse pitches of the heavy series: from memory. The editions
  of 2004 and 2015 round the strengths (13.9, 31.3, 87, 125, 170, 223 kN).
  Misprints met in copies and not taken over: 25.40 mm as the roller of 32A (it is 28.58), 37.08 mm (1.460 in) as
  the roller of 36A (it is 35.71), ASME 25, 35 and 41 given as 05B, 06B and 08B (they are 04C, 06C and 085).
- Double pitch: ISO 1275, twice the pitch of the base chain, its roller, pin and width. Large rollers: from memory.
- Leaf chain: public tables of ISO 4347 and ASME B29.8; LH40, LL40 and LL48 from memory.
- Conveyor chain: ISO 1977 (from memory); its number says the strength, not the pitch.

Rules for the next editor: a designation once here stays; a figure is changed only with its source beside it.
"""

import difflib
import itertools
import math
import re
import unicodedata
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

STRANDS_MAX = 32
DESIGNATION_CHARS_MAX = 60
PITCH_AGREES_MM = 0.011  # 9.52 and 9.525, 15.88 and 15.875 are the same pitch, rounded to two places

# ISO 1977: pitches a conveyor chain may have, mm (from memory). Others are made; they are noted, not refused.
ISO_1977_PITCHES_MM = (40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000)

WORN_MAX_PCT = 4.0  # a chain worn further than this has left its sprockets (common practice, no source)
CALLIPER_U_MM = (
    0.1  # standard uncertainty of a length between joints by calliper (common practice, no source)
)


class ChainKind(StrEnum):
    """How a chain is built, as far as its pitch and its joints are concerned."""

    ROLLER = "roller"
    BUSH = "bush"  # rollerless: the bush itself runs on the sprocket
    DOUBLE_PITCH = "double_pitch"
    LEAF = "leaf"  # plates on pins only, for lifting
    CONVEYOR = "conveyor"


@dataclass(frozen=True, slots=True, kw_only=True)
class CatalogueChain:
    """One chain of the catalogue. Dimensions in mm are of new chain; None where a figure is not known.

    Strength and measuring force are those of one strand: a duplex B chain has less than twice the strength.
    """

    designation: str  # the number in its ISO standard, without strands, e.g. "16B"
    aliases: tuple[str, ...] = ()  # ASME and other numbers of the same chain, e.g. "80"
    standard: str
    kind: ChainKind
    pitch_mm: float | None  # None: the number does not fix the pitch (conveyor chain)
    roller_dia_mm: float | None = None  # greatest; of a bush chain, the bush
    inner_width_mm: float | None = None  # least
    pin_dia_mm: float | None = None  # greatest
    transverse_pitch_mm: float | None = None  # between the strands of a multi-strand chain
    min_tensile_kn: float | None = None
    measuring_force_n: float | None = None
    strands: int = 1
    lacing: str = ""  # of leaf chain: pin-link by articulating-link plates, e.g. "2x3"
    heavy: bool = False  # plates as thick as those of the next larger size (suffix H)

    @property
    def full_designation(self) -> str:
        """The designation with its strands where the standard writes them: "16B-2"."""
        return f"{self.designation}-{self.strands}" if self.stranded else self.designation

    @property
    def stranded(self) -> bool:
        """Whether this chain is made with several strands side by side."""
        return self.kind in {ChainKind.ROLLER, ChainKind.BUSH}

    @property
    def new_length_pct(self) -> tuple[float, float]:
        """Least and greatest elongation of new chain against nominal, per cent, without attachments.

        Roller and bush chain 0 to +0.15 (ISO 606:2015, 3.4.4, from memory; a chain maker's page says the same);
        with attachments to +0.30. Double pitch 0 to +0.15, with attachments +0.25 (The Complete Guide to Chain,
        2.1.2). Leaf chain of ASME B29.8 +/- 0.031 in/ft (ASME B29.8, 1.6), of ISO 4347 -0.05 to +0.20 (from
        memory, unsure). Conveyor chain 0 to +0.25 (ISO 1977, from memory).
        """
        if self.kind is ChainKind.LEAF:
            return (-B29_8_TOLERANCE_PCT, B29_8_TOLERANCE_PCT) if self.aliases else (-0.05, 0.20)
        return (0.0, 0.25) if self.kind is ChainKind.CONVEYOR else (0.0, 0.15)


B29_8_TOLERANCE_PCT = 100 * 0.031 / 12  # 0.031 in/ft

# ISO number, ASME number, pitch, roller (max), inner width (min), pin (max), transverse pitch, strength kN,
# measuring force N. "-" is not known.
_SHORT_PITCH = """
04C  25   6.35    3.30   3.10   2.31   6.40    3.5     50
06C  35   9.525   5.08   4.68   3.60   10.13   7.9     70
081  -    12.7    7.75   3.30   3.66   -       8.0     125
082  -    12.7    7.75   2.38   3.66   -       10.0    -
083  -    12.7    7.75   4.88   4.09   -       11.6    125
084  -    12.7    7.75   4.88   4.09   -       15.6    125
085  41   12.7    7.77   6.25   3.60   -       6.7     80
05B  -    8.0     5.00   3.00   2.31   5.64    4.4     50
06B  -    9.525   6.35   5.72   3.28   10.24   8.9     70
08A  40   12.7    7.92   7.85   3.98   14.38   13.8    120
08B  -    12.7    8.51   7.75   4.45   13.92   17.8    120
10A  50   15.875  10.16  9.40   5.09   18.11   21.8    200
10B  -    15.875  10.16  9.65   5.08   16.59   22.2    200
12A  60   19.05   11.91  12.57  5.96   22.78   31.1    280
12B  -    19.05   12.07  11.68  5.72   19.46   28.9    280
16A  80   25.4    15.88  15.75  7.94   29.29   55.6    500
16B  -    25.4    15.88  17.02  8.28   31.88   60.0    500
20A  100  31.75   19.05  18.90  9.54   35.76   86.7    780
20B  -    31.75   19.05  19.56  10.19  36.45   95.0    780
24A  120  38.1    22.23  25.22  11.11  45.44   124.6   1110
24B  -    38.1    25.40  25.40  14.63  48.36   160.0   1110
28A  140  44.45   25.40  25.22  12.71  48.87   169.0   1510
28B  -    44.45   27.94  30.99  15.90  59.56   200.0   1510
32A  160  50.8    28.58  31.55  14.29  58.55   222.4   2000
32B  -    50.8    29.21  30.99  17.81  58.55   250.0   2000
36A  180  57.15   35.71  35.48  17.46  65.84   280.2   2670
40A  200  63.5    39.68  37.85  19.85  71.55   347.0   3110
40B  -    63.5    39.37  38.10  22.89  72.29   355.0   3110
48A  240  76.2    47.63  47.35  23.81  87.83   500.4   4450
48B  -    76.2    48.26  45.72  29.24  91.21   560.0   4450
56B  -    88.9    53.98  53.34  34.32  106.60  850.0   6090
64B  -    101.6   63.50  60.96  39.40  119.89  1120.0  7960
72B  -    114.3   72.39  68.58  44.48  136.27  1400.0  10100
"""

# Heavy series: ASME number, ISO base chain, transverse pitch (from memory). The rest is as the base chain.
_HEAVY = """
60H   12A  26.11
80H   16A  32.59
100H  20A  39.09
120H  24A  48.87
140H  28A  52.20
160H  32A  61.90
180H  36A  69.16
200H  40A  78.31
240H  48A  101.22
"""

# Double pitch: ISO number, ASME numbers or "-", base chain, large roller or "-" (as the base chain).
# C before the number: conveyor chain, straight plates; L: large roller; H: heavy plates.
_DOUBLE_PITCH = """
208A     2040,C2040,C208A          08A  -
208B     C208B                     08B  -
210A     2050,C2050,C210A          10A  -
210B     C210B                     10B  -
212A     2060,C2060,C2060H,C212AH  12A  -
212B     C212B                     12B  -
216A     2080,C2080,C2080H,C216AH  16A  -
216B     C216B                     16B  -
220A     2100,C2100,C2100H,C220AH  20A  -
220B     C220B                     20B  -
224A     2120,C2120,C2120H,C224AH  24A  -
224B     C224B                     24B  -
228B     -                         28B  -
232A     2160,C2160,C2160H,C232AH  32A  -
232B     C232B                     32B  -
C208AL   C2042                     08A  15.88
C210AL   C2052                     10A  19.05
C212AHL  C2062,C2062H              12A  22.23
C216AHL  C2082,C2082H              16A  28.58
C220AHL  C2102,C2102H              20A  39.67
C224AHL  C2122,C2122H              24A  44.45
C232AHL  C2162,C2162H              32A  57.15
"""

# Leaf chain LH (ASME: BL): ISO number of the size, ASME number of the size, pitch, pin, and the strength in kN of the
# lacings 2x2 = 2x3, 3x4, 4x4 = 4x6, 6x6.
_LEAF_LH = """
08  4   12.7    5.09   22.2   33.4   44.5   66.7
10  5   15.875  5.98   33.4   48.9   66.7   100.1
12  6   19.05   7.96   48.9   75.6   97.9   146.8
16  8   25.4    9.56   84.5   129.0  169.0  253.6
20  10  31.75   11.14  115.6  182.4  231.3  347.0
24  12  38.1    12.74  151.2  244.6  302.5  453.7
28  14  44.45   14.31  191.3  315.8  382.6  578.3
32  16  50.8    17.49  289.1  440.4  578.3  867.4
40  20  63.5    23.81  433.7  649.4  867.4  1301.1
"""
_LH_LACINGS = (("2x2", 0), ("2x3", 0), ("3x4", 1), ("4x4", 2), ("4x6", 2), ("6x6", 3))

# Leaf chain LL, of the plates and pins of ISO 606 B chain: number of the size, pitch, pin, strength of 2x2, 4x4, 6x6.
_LEAF_LL = """
08  12.7    4.45   18    36    54
10  15.875  5.08   22.2  44.5  66.7
12  19.05   5.72   28.9  57.8  86.7
16  25.4    8.28   58    116   174
20  31.75   10.19  95    190   285
24  38.1    14.63  170   340   510
28  44.45   15.90  200   400   600
32  50.8    17.81  260   520   780
40  63.5    -      360   720   1080
48  76.2    -      560   1120  1680
"""

# Conveyor chain: number, which ends in the strength in kN (MC: hollow pins); pin, inner width (all from memory).
_CONVEYOR = """
M20    6    16
M28    7    18
M40    8.5  20
M56    10   24
M80    12   28
M112   15   32
M160   18   37
M224   21   43
M315   25   48
M450   30   56
M630   36   66
M900   44   78
MC28   -    -
MC56   -    -
MC112  -    -
MC224  -    -
"""
MEASURING_FORCE_OF_CONVEYOR = 0.02  # of the strength (ISO 1977, as quoted by a maker of conveyor chain)


class DesignationError(ValueError):
    """A designation names no single chain of the catalogue. `near` lists designations that may be meant."""

    def __init__(self, message: str, near: Sequence[str] = ()) -> None:
        hint = f"; near to it: {', '.join(near)}" if near else ""
        super().__init__(message + hint)
        self.near = tuple(near)


class UnknownDesignationError(DesignationError):
    """No chain of the catalogue has this designation."""


class AmbiguousDesignationError(DesignationError):
    """More than one chain of the catalogue fits this designation."""


class PitchError(ValueError):
    """The pitch is missing, or contradicts the designation."""


def chains() -> tuple[CatalogueChain, ...]:
    """Return the whole catalogue, one strand each, in the order of the tables above."""
    return _CHAINS


def find(designation: str) -> CatalogueChain:
    """Return the chain of a designation: "16B-2", "ANSI 80H", "ASME 80-2", "#40", "BL 523", "C2062H", "M80-160".

    Case, spaces, dashes and the name of the standard before the number do not matter, nor Cyrillic letters that look
    like Latin ones. Strands may follow as -1, -2 ... or simplex, duplex, triplex; the pitch of a conveyor chain as
    last number. A bare number such as 40 is the ASME number; after ISO, DIN or BS it must name its series (40A).

    Raises UnknownDesignationError and AmbiguousDesignationError, both listing what may be meant.
    """
    if len(designation) > DESIGNATION_CHARS_MAX:
        raise UnknownDesignationError(
            f"{designation[:40]!r} ... is too long for a designation; put the rest into the note"
        )
    iso, key = _normal(designation)
    if (parsed := _CONVEYOR_KEY.fullmatch(key)) and parsed["size"] in _BY_KEY:
        pitch_mm = float(parsed["pitch"]) if parsed["pitch"] else None
        return replace(_BY_KEY[parsed["size"]], pitch_mm=pitch_mm)
    parsed = _STRANDED_KEY.fullmatch(key)
    number, strands = (
        (parsed["number"] + (parsed["heavy"] or ""), int(parsed["strands"])) if parsed else (key, 1)
    )
    chain = None if iso and number.isdigit() and not number.startswith("08") else _BY_KEY.get(number)
    if chain is None:
        raise _not_found(designation, number)
    if not 1 <= strands <= (STRANDS_MAX if chain.stranded else 1):
        raise UnknownDesignationError(
            f"{designation!r}: {chain.designation} is not made with {strands} strands"
        )
    return replace(chain, strands=strands)


def pitch_of(designation: str, pitch_mm: float | None = None) -> float:
    """Return the nominal pitch, mm, of a chain that people describe by designation, by pitch or by both.

    A designation that the catalogue does not have will do where the pitch is given: chain is made that no standard
    names; `pitch_note` tells of it. Raises DesignationError where it is not given, PitchError where there is
    neither designation nor pitch, where the designation does not fix the pitch (conveyor chain), and where the
    two contradict each other.
    """
    try:
        fixed_mm = find(designation).pitch_mm if designation else None
    except DesignationError:
        if pitch_mm is None:
            raise
        return pitch_mm
    if fixed_mm is None:
        if pitch_mm is None:
            lack = f"{designation} does not say the pitch" if designation else "the chain is not described"
            raise PitchError(f"{lack}; give the pitch in mm, or a designation such as 16B-1")
        return pitch_mm
    if pitch_mm is not None and not _same_pitch(pitch_mm, fixed_mm):
        raise PitchError(f"{designation} has {fixed_mm:g} mm pitch, not {pitch_mm:g}; correct one of the two")
    return fixed_mm


def pitch_note(designation: str, pitch_mm: float) -> str:
    """Return what people should look at twice about this pitch, "" if nothing. Nothing here is a reason to refuse."""
    try:
        chain = find(designation) if designation else None
    except DesignationError as error:
        return str(error)
    if chain is None or _same_pitch(pitch_mm, chain.pitch_mm):
        return ""
    if chain.kind is not ChainKind.CONVEYOR or chain.pitch_mm is not None:
        return f"{designation} has {chain.pitch_mm:g} mm pitch, not {pitch_mm:g}; correct one of the two"
    if any(_same_pitch(pitch_mm, listed) for listed in ISO_1977_PITCHES_MM):
        return ""
    return f"{pitch_mm:g} mm is not among the pitches of ISO 1977; conveyor chain is made in others too: measure it"


def _same_pitch(pitch_mm: float, nominal_mm: float | None) -> bool:
    return nominal_mm is not None and abs(pitch_mm - nominal_mm) <= PITCH_AGREES_MM


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """One chain that a measurement fits, and what else to measure."""

    chain: CatalogueChain
    alike: tuple[
        str, ...
    ]  # designations of the same dimensions: other lacing or strength, same pitch and joints
    pitches: int  # that the measurement was taken over
    elongation_pct: float  # what the measured length would mean for this chain, against nominal
    elongation_u_pct: float  # standard uncertainty from measuring the length
    tell_apart: tuple[
        str, ...
    ]  # what tells this chain from the other matches; empty where it is the only one

    @property
    def new(self) -> bool:
        """Whether the length is that of new chain, as well as it was measured (two standard uncertainties)."""
        least, most = self.chain.new_length_pct
        guard = 2 * self.elongation_u_pct
        return least - guard <= self.elongation_pct <= most + guard

    @property
    def verdict(self) -> str:
        """What the measured length would mean, in words."""
        amount = f"{self.elongation_pct:+.2f} % +/- {2 * self.elongation_u_pct:.2f} %"
        if self.new:
            return f"as new chain ({amount})"
        odd = "; measure an even number of pitches: every second one is longer" if self.pitches % 2 else ""
        return f"would be worn {amount}{odd}"


def identify(
    length_mm: float,
    *,
    pitches: int = 1,
    roller_dia_mm: float | None = None,
    inner_width_mm: float | None = None,
    pin_dia_mm: float | None = None,
    length_u_mm: float = CALLIPER_U_MM,
) -> list[Match]:
    """Return the chains that a measured length fits, the most likely first; empty where none does.

    A chain fits if the length lies between new chain (least tolerance) and chain worn by 4 %, widened by two
    standard uncertainties; over an odd number of pitches by one more link, because wear lengthens every second
    one. Conveyor chain is one match for each pitch of ISO 1977, without designation.

    Args:
        length_mm: between the centres of two joints `pitches` apart, on tight chain.
        pitches: 1 or more; the more, the less the calliper matters; even is better.
        roller_dia_mm: outside diameter of roller or bush; 0 where there are only plates on the pins (leaf chain).
        inner_width_mm: between the plates of an inner link.
        pin_dia_mm: of the pin, where it can be seen.
        length_u_mm: standard uncertainty of the length.
    """
    _check_measured(length_mm, pitches, length_u_mm)
    fitting: dict[tuple[object, ...], list[CatalogueChain]] = defaultdict(list)
    for chain in (*_CHAINS, *_conveyor_pitches()):
        if _length_fits(chain, length_mm, pitches, length_u_mm) and _parts_fit(
            chain, roller_dia_mm, inner_width_mm, pin_dia_mm
        ):
            fitting[_looks(chain)].append(chain)
    first_ones = [group[0] for group in fitting.values()]
    matches = [
        Match(
            chain=chain,
            alike=tuple(each.designation for each in others),
            pitches=pitches,
            elongation_pct=100 * (length_mm / (pitches * (chain.pitch_mm or math.nan)) - 1),
            elongation_u_pct=100 * length_u_mm / (pitches * (chain.pitch_mm or math.nan)),
            tell_apart=_tell_apart(chain, [other for other in first_ones if other is not chain]),
        )
        for chain, *others in fitting.values()
    ]
    return sorted(matches, key=lambda match: (not match.new, round(abs(match.elongation_pct), 6)))


def _looks(chain: CatalogueChain) -> tuple[object, ...]:
    """Return what makes two chains the same to calliper and eye, but for lacing, strength and marking."""
    series = chain.designation[:2] if chain.kind is ChainKind.LEAF else ""
    return (
        chain.kind,
        series,
        chain.pitch_mm,
        chain.roller_dia_mm,
        chain.inner_width_mm,
        chain.pin_dia_mm,
        chain.heavy,
    )


def _length_fits(chain: CatalogueChain, length_mm: float, pitches: int, length_u_mm: float) -> bool:
    if chain.pitch_mm is None:
        return False
    nominal_mm = pitches * chain.pitch_mm
    least_pct, worn_pct = chain.new_length_pct[0], WORN_MAX_PCT * (pitches + pitches % 2) / pitches
    guard_pct = 200 * length_u_mm / nominal_mm
    return least_pct - guard_pct <= 100 * (length_mm / nominal_mm - 1) <= worn_pct + guard_pct


def _check_measured(length_mm: float, pitches: int, length_u_mm: float) -> None:
    if not 0 < length_mm < 1e6:
        raise ValueError(f"length_mm: {length_mm} is no measured length; give millimetres")
    if pitches < 1:
        raise ValueError(f"pitches: {pitches} is no count; give the pitches within the length, 1 or more")
    if not 0 <= length_u_mm < length_mm:
        raise ValueError(
            f"length_u_mm: {length_u_mm} is not within 0 and the length; give its standard uncertainty in mm"
        )


def _parts_fit(
    chain: CatalogueChain, roller_mm: float | None, width_mm: float | None, pin_mm: float | None
) -> bool:
    """Whether what was measured beside the length can belong to this chain. What is not known always can.

    Rollers and pins are given at their greatest and wear: 5 % less to 0.1 mm more. The width is the least: 0.15 mm
    less to 3 % or 0.3 mm more (all common practice, no source).
    """
    leaf = chain.kind is ChainKind.LEAF
    if (leaf and (roller_mm or width_mm)) or (not leaf and roller_mm == 0):
        return False
    for measured, greatest in ((roller_mm, chain.roller_dia_mm), (pin_mm, chain.pin_dia_mm)):
        if (
            measured is not None
            and greatest is not None
            and not 0.95 * greatest <= measured <= greatest + 0.1
        ):
            return False
    least = chain.inner_width_mm
    return width_mm is None or least is None or least - 0.15 <= width_mm <= least + max(0.3, 0.03 * least)


def _tell_apart(chain: CatalogueChain, others: Sequence[CatalogueChain]) -> tuple[str, ...]:
    """Return what to look at, one line for each feature: "roller diameter 7.92 mm (08B: 8.51 mm)"."""
    features: defaultdict[str, defaultdict[str, list[str]]] = defaultdict(lambda: defaultdict(list))
    for other in others:
        own, others_own = _difference(chain, other)
        features[own][others_own].append(other.designation or f"conveyor chain of {other.pitch_mm:g} mm")
    return tuple(
        f"{own} ({'; '.join(f'{_some(names)}: {value}' for value, names in values.items())})"
        for own, values in features.items()
    )


# What a calliper shows on worn chain: name, and the least difference in mm.
_FEATURES = {
    "roller_dia_mm": ("roller diameter", 0.3),
    "inner_width_mm": ("inner width", 0.2),
    "pin_dia_mm": ("pin diameter", 0.2),
}


def _difference(chain: CatalogueChain, other: CatalogueChain) -> tuple[str, str]:
    """Return the first thing in which two chains differ that a fitter can see: on the one, and on the other."""
    if (chain.kind is ChainKind.LEAF) is not (other.kind is ChainKind.LEAF):
        return _either(
            chain.kind is ChainKind.LEAF, "plates alone on the pins", "rollers or bushes on the pins"
        )
    for field, (name, least) in _FEATURES.items():
        own, others_own = getattr(chain, field), getattr(other, field)
        if own is not None and others_own is not None and abs(own - others_own) >= least:
            return f"{name} {own:g} mm", f"{others_own:g} mm"
    if chain.heavy is not other.heavy and ChainKind.CONVEYOR not in {chain.kind, other.kind}:
        return _either(
            chain.heavy, "plates as thick as of the next larger size", "plates as thick as of its own size"
        )
    return "marking on the plates", "another"


def _either(first: bool, one: str, two: str) -> tuple[str, str]:  # noqa: FBT001
    return (one, two) if first else (two, one)


def _some(names: Sequence[str]) -> str:
    return ", ".join(names) if len(names) <= 6 else f"{', '.join(names[:5])} and {len(names) - 5} more"


def _conveyor_pitches() -> Iterator[CatalogueChain]:
    for pitch_mm in ISO_1977_PITCHES_MM:
        yield CatalogueChain(
            designation="", standard="ISO 1977", kind=ChainKind.CONVEYOR, pitch_mm=float(pitch_mm)
        )


# Letters that look alike, and dashes, as spreadsheets and keyboards make them.
_LOOKALIKES = str.maketrans("АВСНМ‐‑‒–—−", "ABCHM------")
_STANDARD = re.compile(
    r"(?P<body>(?:(?:ANSI|ASME|ISO|DIN|BS|EN|JIS)[\s/]*)+)"
    r"(?:(?:B29\.\d+M?|B1801|606|1275|4347|1977|81\d\d|228)(?::\d{4}|-\d)?[\s-]+(?=\S))?"
)
_STRAND_WORDS = {"SIMPLEX": "-1", "DUPLEX": "-2", "TRIPLEX": "-3"}
_STRANDED_KEY = re.compile(r"(?P<number>[0-9A-Z]+)-(?P<strands>\d{1,2})(?P<heavy>H?)")
_CONVEYOR_KEY = re.compile(r"(?P<size>MC?\d+)(?:-?[BSPF])?(?:-?(?P<pitch>\d{2,4}(?:\.\d+)?))?")


def _normal(designation: str) -> tuple[bool, str]:
    """Return whether the designation says that it is an ISO number, and the designation in one way of writing."""
    text = unicodedata.normalize("NFKC", designation).upper().translate(_LOOKALIKES).strip()
    standard = _STANDARD.match(text)
    body = standard["body"] if standard else ""
    text = text[standard.end() :] if standard else text
    text = re.sub(r"^(#|NO\.?\s*(?=\d))\s*", "", text)
    for word, suffix in _STRAND_WORDS.items():
        text = re.sub(rf"[\s-]*\b{word}\b", suffix, text)
    text = re.sub(r"\s*-\s*", "-", text.strip())
    text = re.sub(r"(?<=\d)\s+(?=\d)", "-", text)
    text = re.sub(r"\s+", "", text)
    text = re.sub(r"^(BL|LH|LL|MC?|C)-(?=\d)", r"\1", text)
    text = re.sub(r"^(\d+)-(?=[ABCH])", r"\1", text)
    text = re.sub(r"^(?=\d[ABC](?!\d))", "0", text)
    return ("ASME" not in body and "ANSI" not in body and body != ""), text


def _not_found(designation: str, number: str) -> DesignationError:
    """Return the error that says what may be meant."""
    series = [
        chain.designation
        for chain in _CHAINS
        if chain.designation[:-1] == number.zfill(2) and chain.designation[-1] in "ABC"
    ]
    if len(series) > 1:
        return AmbiguousDesignationError(f"{designation!r} fits more than one chain; say the series", series)
    near = dict.fromkeys([*series, *_near(number.split("-", maxsplit=1)[0])])
    return UnknownDesignationError(
        f"{designation[:40]!r} is not in the catalogue; leave the designation empty and give the pitch of a chain that no standard names",
        list(near),
    )


def _near(number: str) -> list[str]:
    """Return the keys that begin most alike, then those that look alike; at most 6."""
    alike = []
    for key in _BY_KEY:
        begins = sum(
            1 for _ in itertools.takewhile(lambda pair: pair[0] == pair[1], zip(key, number, strict=False))
        )
        looks = difflib.SequenceMatcher(None, key, number).ratio()
        if begins > 1 or looks >= 0.6:
            alike.append((-begins, -looks, key))
    return [key for *_, key in sorted(alike)[:6]]


def _rows(table: str) -> Iterator[list[str]]:
    for line in table.split("\n"):
        if line:
            yield line.split()


def _figure(text: str) -> float | None:
    return None if text == "-" else float(text)


def _short_pitch() -> Iterator[CatalogueChain]:
    for number, asme, pitch, roller, width, pin, transverse, tensile, force in _rows(_SHORT_PITCH):
        yield CatalogueChain(
            designation=number,
            aliases=() if asme == "-" else (asme,),
            standard="ISO 606",
            kind=ChainKind.BUSH if number.endswith("C") else ChainKind.ROLLER,
            pitch_mm=float(pitch),
            roller_dia_mm=float(roller),
            inner_width_mm=float(width),
            pin_dia_mm=float(pin),
            transverse_pitch_mm=_figure(transverse),
            min_tensile_kn=float(tensile),
            measuring_force_n=_figure(force),
        )


def _derived(base: dict[str, CatalogueChain]) -> Iterator[CatalogueChain]:
    """Heavy and double-pitch chains, from the short-pitch chain that they share pins, bushes and rollers with."""
    for number, of, transverse in _rows(_HEAVY):
        yield replace(
            base[of], designation=number, aliases=(), transverse_pitch_mm=float(transverse), heavy=True
        )
    for number, other_numbers, of, large_roller in _rows(_DOUBLE_PITCH):
        chain = base[of]
        yield replace(
            chain,
            designation=number,
            aliases=() if other_numbers == "-" else tuple(other_numbers.split(",")),
            standard="ISO 1275",
            kind=ChainKind.DOUBLE_PITCH,
            pitch_mm=2 * (chain.pitch_mm or 0.0),
            roller_dia_mm=_figure(large_roller) or chain.roller_dia_mm,
            transverse_pitch_mm=None,
        )


def _leaf() -> Iterator[CatalogueChain]:
    for size, asme_size, pitch, pin, *tensile in _rows(_LEAF_LH):
        for lacing, column in _LH_LACINGS:
            digits = lacing.replace("x", "")
            yield _leaf_chain(
                f"LH{size}{digits}", (f"BL{asme_size}{digits}",), lacing, pitch, pin, tensile[column]
            )
    for size, pitch, pin, *tensile in _rows(_LEAF_LL):
        for lacing, strength in zip(("2x2", "4x4", "6x6"), tensile, strict=True):
            yield _leaf_chain(f"LL{size}{lacing.replace('x', '')}", (), lacing, pitch, pin, strength)


def _leaf_chain(
    number: str, aliases: tuple[str, ...], lacing: str, pitch: str, pin: str, tensile: str
) -> CatalogueChain:
    return CatalogueChain(
        designation=number,
        aliases=aliases,
        standard="ISO 4347",
        kind=ChainKind.LEAF,
        pitch_mm=float(pitch),
        pin_dia_mm=_figure(pin),
        min_tensile_kn=float(tensile),
        lacing=lacing,
    )


def _conveyor() -> Iterator[CatalogueChain]:
    for number, pin, width in _rows(_CONVEYOR):
        tensile_kn = float(number.lstrip("MC"))
        yield CatalogueChain(
            designation=number,
            standard="ISO 1977",
            kind=ChainKind.CONVEYOR,
            pitch_mm=None,
            inner_width_mm=_figure(width),
            pin_dia_mm=_figure(pin),
            min_tensile_kn=tensile_kn,
            measuring_force_n=1000 * tensile_kn * MEASURING_FORCE_OF_CONVEYOR,
        )


def _catalogue() -> tuple[CatalogueChain, ...]:
    short = tuple(_short_pitch())
    return (*short, *_derived({chain.designation: chain for chain in short}), *_leaf(), *_conveyor())


_CHAINS = _catalogue()
_BY_KEY = {name: chain for chain in _CHAINS for name in (chain.designation, *chain.aliases)}
