"""A measurement by hand, drive stopped and locked out: by rule, tape or calliper over a number of pitches."""

from dataclasses import dataclass
from enum import StrEnum


class HandMethod(StrEnum):
    """How the length was taken."""

    RULE = "rule"  # pin centre to pin centre with a steel rule
    TAPE = "tape"  # the same with a tape
    CALLIPER = "calliper"  # outside over and inside between the rollers of the end joints


@dataclass(frozen=True, slots=True, kw_only=True)
class HandValue:
    """One measurement by hand of one chain. Lengths in mm; standard uncertainties (k = 1)."""

    drive_id: str
    chain_id: str
    measured_ns: int
    recorded_ns: int
    recorded_by: str
    method: HandMethod
    pitches: int  # measured over
    length_mm: float  # joint to joint
    length_u_mm: float
    pitch_mm: float  # nominal pitch of the chain
    tight: bool  # the chain was drawn tight; a slack one gives no elongation to rely on
    temp_c: float | None = None
    note: str = ""
