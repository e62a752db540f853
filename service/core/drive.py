"""One chain drive: its place, its sensors, its chains over time, and the limit that applies.

Knows geometry and dates; must not know pulses or readings. Checks what it is given at once, and says
how to mend what is wrong.
"""

import re
from dataclasses import dataclass
from enum import StrEnum

DRIVE_ID = re.compile(r"[a-z0-9][a-z0-9_-]{0,63}")


class LimitTerm(StrEnum):
    """Which rule bound the limit."""

    OWN = "own"  # the value that people gave for this drive
    GENERAL = "general"  # 3 %
    LARGE_SPROCKET = "large_sprocket"  # 200 / z %, z = teeth of the large sprocket
    FIXED_CENTRES = "fixed_centres"  # 1.5 %
    PARALLEL_STRANDS = "parallel_strands"  # 1.5 %


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
    whole_pitches: int  # n
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
    load_u_pct: float = 0.02  # standard uncertainty where the load is not sent or not corrected
    note: str = ""
    retired_ns: int | None = None


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
