"""Why a valid batch gave no elongation. An ordinary value, not an error."""

from enum import StrEnum


class NotMeasured(StrEnum):
    """The reasons; each is told to people with what would mend it."""

    STOPPED = "stopped"  # neither sensor switched
    SENSOR_SILENT = "sensor_silent"  # one sensor pulses, the other does not
    TOO_FEW_PULSES = "too_few_pulses"
    SPEED_CHANGE = "speed_change"  # no stretch steady enough and long enough
    LOW_COHERENCE = "low_coherence"  # the pulses of the two sensors have no common lag
    REVERSED = "reversed"  # the chain ran backwards
    AMBIGUOUS = "ambiguous"  # more than one whole number of pitches fits
    OUT_OF_RANGE = "out_of_range"  # no whole number of pitches fits: bracket moved? wrong n?
    NO_SPACING = "no_spacing"  # the drive is registered without sensors, and the chain has no baseline
    NO_CHAIN = "no_chain"  # no chain was registered on the drive at that time
    WINDOW_TOO_LONG = "window_too_long"  # over WINDOW_S_MAX
