"""A reading: what one pulse batch yields. Asks `lag`, `pitches` and `elongation` in turn.

A batch that is valid but cannot be measured yields a reading with no elongation and the reason.
"""

from dataclasses import dataclass
from enum import StrEnum


class NotMeasured(StrEnum):
    """Why a valid batch gave no elongation. An ordinary value, not an error."""

    STOPPED = "stopped"  # neither sensor switched
    SENSOR_SILENT = "sensor_silent"  # one sensor pulses, the other does not
    TOO_FEW_PULSES = "too_few_pulses"
    SPEED_CHANGE = "speed_change"  # no stretch steady enough and long enough
    LOW_COHERENCE = "low_coherence"  # the pulses of the two sensors have no common lag
    REVERSED = "reversed"  # the chain ran backwards
    AMBIGUOUS = "ambiguous"  # more than one whole number of pitches fits
    OUT_OF_RANGE = "out_of_range"  # no whole number of pitches fits: bracket moved? wrong n?
    NO_CHAIN = "no_chain"  # no chain was registered on the drive at that time
    WINDOW_TOO_LONG = "window_too_long"  # over WINDOW_S_MAX


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What one pulse batch yields. Exactly one of `elongation_pct` and `reason` is None.

    (drive_id, device_id, t0_ns, seq) is the identity of the batch and so of the reading.
    Fields that the batch could not give are None: a stopped drive has no speed to state but 0.
    """

    drive_id: str
    device_id: str
    t0_ns: int
    seq: int
    t_ns: int  # end of the window: the reading's own time
    chain_id: str | None
    elongation_pct: float | None  # against nominal pitch, at the reference temperature and load
    elongation_u_pct: float | None  # standard uncertainty (k = 1)
    reason: NotMeasured | None
    pitches_between: float | None  # N
    lag_pitches: float | None  # fractional part of N
    speed_m_s: float | None
    coherence: float | None  # resultant length of the phases, 0 to 1
    pitches_averaged: int  # phases that went into the mean
    whole_laps: int  # 0 where the batch is shorter than a lap or the loop length is not known
    up_pulses: int  # as received
    down_pulses: int
    up_missed: int
    down_missed: int
    up_extra: int
    down_extra: int
    temp_c: float | None
    mount_c: float | None
    load_n: float | None
