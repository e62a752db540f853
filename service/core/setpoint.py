"""What is worth telling people of a drive: conditions, each with its setpoint, deadband, delays and priority.

A condition is true or false; an alert has a life cycle (`alert`). Terms by IEC 62682 (from memory).

Knows numbers and durations; must not know who is told.
"""

from dataclasses import dataclass
from enum import IntEnum, StrEnum


class ConditionKind(StrEnum):
    """What may be the matter with a drive."""

    APPROACHING = "approaching"  # elongation at the first step towards the limit
    NEAR = "near"  # at the second step
    AT_LIMIT = "at_limit"
    LIMIT_WITHIN_LEAD_TIME = "limit_within_lead_time"  # a new chain would come too late
    LIMIT_BEFORE_STOP = "limit_before_stop"  # the limit comes before the next planned stop
    WEAR_RATE_RISEN = "wear_rate_risen"  # against the drive's own history
    STRANDS_APART = "strands_apart"  # chains that work side by side differ
    BAD_JOINT = "bad_joint"
    WORN_SECTION = "worn_section"
    HAND_DISAGREES = "hand_disagrees"  # live value and measurement by hand
    WHOLE_UNCERTAIN = "whole_uncertain"  # how many whole pitches lie between the sensors
    SENSOR_MOVED = "sensor_moved"
    SENSING_FAILED = "sensing_failed"  # NE 107: F
    SENSING_OUT_OF_SPECIFICATION = "sensing_out_of_specification"  # S
    SENSING_MAINTENANCE = "sensing_maintenance"  # M
    DEVICE_OFFLINE = "device_offline"
    NO_READING = "no_reading"
    STOPPED_WHEN_DUE = "stopped_when_due"  # the chain stands when it should run


class Priority(IntEnum):
    """By consequence and time to respond: three classes (IEC 62682 asks for few; from memory)."""

    LOW = 1  # plan it
    MEDIUM = 2  # within days
    HIGH = 3  # within the shift


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """What was seen when a condition occurred or cleared, in numbers and words.

    value, u: the number and its standard uncertainty, in `unit`; None where the condition has no number.
    setpoint: what it was held against, in `unit`. cause: what it is, in a sentence. mend: what to do.
    at_drive: whether somebody is sent to the drive, so that the cautions go with it.
    """

    cause: str
    mend: str
    value: float | None = None
    u: float | None = None
    setpoint: float | None = None
    unit: str = ""
    at_drive: bool = False
