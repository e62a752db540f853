"""What a reading says, in words for the people who look after the drive, each with what would mend it.

Knows the reasons of core and how engineers write a number with its uncertainty; must not know HTML.
Every place that shows a value takes its text from here, so that page, stream and API never disagree.

The classes of a sensor's condition are those of NAMUR NE 107 (from memory): failure, out of
specification, maintenance required. They speak of the sensing, not of the chain.
"""

import math
from dataclasses import dataclass
from enum import StrEnum

from service.core.batch import RejectionReason
from service.core.drive import Drive, Limit, LimitTerm
from service.core.reading import NotMeasured, Reading

# Missed or extra pulses above which a sensor wants looking after (common practice, no source); one or two in a
# short window say nothing.
PULSE_LOSS_MAX = 0.01  # share of the pulses
PULSES_LOST_MIN = 3  # in one window


@dataclass(frozen=True, slots=True)
class Finding:
    """What was found and what would mend it, each a sentence or two."""

    what: str
    mend: str


NOT_MEASURED = {
    NotMeasured.STOPPED: Finding("Drive stands still", "Nothing to mend: it is measured again once it runs."),
    NotMeasured.SENSOR_SILENT: Finding(
        "One sensor is silent", "Check the silent sensor: supply, cable, plug, gap to the chain."
    ),
    NotMeasured.TOO_FEW_PULSES: Finding(
        "Too few pulses", "Let the device send longer windows, or wait until the drive runs faster."
    ),
    NotMeasured.SPEED_CHANGE: Finding(
        "Speed changed too much",
        "It is measured again at steady speed. If the drive never runs steadily, let the device send longer windows.",
    ),
    NotMeasured.LOW_COHERENCE: Finding(
        "Sensors show no common lag",
        "Check that both sensors look at the same strand, sit firmly and have the same gap to the chain.",
    ),
    NotMeasured.REVERSED: Finding(
        "Chain ran backwards",
        "It is measured again in forward travel. If this is forward, up and down are swapped: change the plugs.",
    ),
    NotMeasured.AMBIGUOUS: Finding(
        "More than one whole number of pitches fits",
        "Measure the elongation by hand with the drive locked out, and record it as a baseline.",
    ),
    NotMeasured.OUT_OF_RANGE: Finding(
        "No whole number of pitches fits",
        "Check that no sensor was moved, that whole pitches and offset are right and that the registered chain is "
        "the one fitted; then record a new baseline.",
    ),
    NotMeasured.NO_SPACING: Finding(
        "How far apart the sensors are is not known",
        "Enter the whole pitches between the sensors, or record a baseline with N0.",
    ),
    NotMeasured.NO_CHAIN: Finding(
        "No chain registered at that time",
        "Enter the chain that is on the drive, with the date it was fitted.",
    ),
    NotMeasured.WINDOW_TOO_LONG: Finding(
        "Window longer than an hour", "Let the device send windows of 1 s to 60 s."
    ),
}

REJECTED = {
    RejectionReason.NOT_PARSEABLE: Finding(
        "Not readable", "Let the device send the JSON or CBOR of the wire contract."
    ),
    RejectionReason.NOT_V1: Finding("Not version 1", 'Let the device send "v": 1.'),
    RejectionReason.FIELD_INVALID: Finding("Field not valid", "Correct the field that the detail names."),
    RejectionReason.TOO_LARGE: Finding("Too large", "Let the device send shorter windows."),
    RejectionReason.TICKS_BACKWARDS: Finding(
        "Ticks go backwards", "Look for a counter that wraps, or a sensor whose ticks are not in order."
    ),
    RejectionReason.CLOCK_OFF: Finding("Clock off", "Set the clock of the device (NTP or PTP)."),
    RejectionReason.WRONG_TOPIC: Finding(
        "Topic not valid", "Drive ids are of a-z, 0-9, - and _, 64 at most, and start with a letter or digit."
    ),
    RejectionReason.UNREGISTERED: Finding("Drive not registered", "Register the drive below."),
}


def limit_words(drive: Drive, limit: Limit) -> str:
    """Return which rule bound the limit."""
    match limit.term:
        case LimitTerm.OWN:
            return "value given for this drive"
        case LimitTerm.LARGE_SPROCKET:
            teeth = max(drive.driver_teeth or 0, drive.driven_teeth or 0)
            return f"large sprocket, 200/{teeth} %"
        case LimitTerm.FIXED_CENTRES:
            return "fixed centres, 1.5 %"
        case LimitTerm.PARALLEL_STRANDS:
            return "parallel strands, 1.5 %"
        case _:
            return "general rule, 3 %"


class Verdict(StrEnum):
    """Where an elongation stands against the limit, with its expanded uncertainty U (k = 2)."""

    REACHED = "reached"  # e >= limit
    WITHIN_UNCERTAINTY = "within_uncertainty"  # e < limit <= e + U: it may be reached
    BELOW = "below"


VERDICT_WORDS = {
    Verdict.REACHED: "limit reached",
    Verdict.WITHIN_UNCERTAINTY: "limit within the uncertainty",
    Verdict.BELOW: "below the limit",
}


def verdict(elongation_pct: float, u_pct: float, limit_pct: float) -> Verdict:
    """Return where an elongation with standard uncertainty u stands against the limit; all per cent."""
    if elongation_pct >= limit_pct:
        return Verdict.REACHED
    return Verdict.WITHIN_UNCERTAINTY if elongation_pct + 2 * u_pct >= limit_pct else Verdict.BELOW


def decimals(expanded_pct: float) -> int:
    """Return the decimals that show an expanded uncertainty with two significant digits, 1 to 3.

    Source: JCGM 100:2008, 7.2.6 (from memory): two digits of the uncertainty are enough, and the
    value is rounded to agree.
    """
    if not expanded_pct > 0:
        return 3
    return min(3, max(1, 1 - math.floor(math.log10(expanded_pct))))


def elongation_words(elongation_pct: float, u_pct: float) -> tuple[str, str]:
    """Return the elongation and its expanded uncertainty U = 2 u, in per cent, rounded to agree."""
    places = decimals(2 * u_pct)
    return _number(elongation_pct, places), _number(2 * u_pct, places)


def change_words(change_pct: float, u_pct: float) -> tuple[str, str]:
    """Return a change with its sign, and its expanded uncertainty U = 2 u, in per cent, rounded to agree."""
    change, expanded = elongation_words(change_pct, u_pct)
    return change if change.startswith("\N{MINUS SIGN}") else f"+{change}", expanded


def _number(value: float, places: int) -> str:
    text = f"{value:.{places}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", "\N{MINUS SIGN}")


def speed_words(speed_m_s: float | None) -> str:
    """Return the chain speed with two decimals, or "" where there is none to state."""
    return "" if speed_m_s is None else f"{_number(speed_m_s, 2)} m/s"


def finding(reading: Reading) -> Finding | None:
    """Return why a reading has no elongation and what would mend it; None where it has one."""
    if reading.reason is None:
        return None
    told = NOT_MEASURED[reading.reason]
    if reading.reason is NotMeasured.SENSOR_SILENT:
        which = "up" if reading.up_pulses <= reading.down_pulses else "down"
        return Finding(
            f"Sensor {which} is silent", f"Check sensor {which}: supply, cable, plug, gap to the chain."
        )
    return told


class Sensing(StrEnum):
    """Condition of the sensing."""

    GOOD = "good"
    NOT_JUDGED = "not_judged"
    MAINTENANCE_REQUIRED = "maintenance_required"
    OUT_OF_SPECIFICATION = "out_of_specification"
    FAILURE = "failure"


SENSING_WORDS = {
    Sensing.GOOD: "good",
    Sensing.NOT_JUDGED: "not judged",
    Sensing.MAINTENANCE_REQUIRED: "maintenance required",
    Sensing.OUT_OF_SPECIFICATION: "out of specification",
    Sensing.FAILURE: "failure",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """Condition of the two sensors, with the rates it was judged by: shares of all pulses, 0 to 1."""

    sensing: Sensing
    words: str
    up_missed: float
    down_missed: float
    up_extra: float
    down_extra: float


_OUT_OF_SPECIFICATION = {NotMeasured.LOW_COHERENCE, NotMeasured.AMBIGUOUS, NotMeasured.OUT_OF_RANGE}
_NOT_JUDGED = {NotMeasured.STOPPED, NotMeasured.TOO_FEW_PULSES, NotMeasured.WINDOW_TOO_LONG}


def condition(reading: Reading) -> Condition:
    """Return the condition of the two sensors as one reading shows it; the gravest that applies."""
    rates = {
        "up_missed": _missed_rate(reading.up_missed, reading.up_pulses, reading.up_extra),
        "down_missed": _missed_rate(reading.down_missed, reading.down_pulses, reading.down_extra),
        "up_extra": _share(reading.up_extra, reading.up_pulses),
        "down_extra": _share(reading.down_extra, reading.down_pulses),
    }
    sensing, words = _judged(reading, rates)
    return Condition(sensing=sensing, words=words, **rates)


def _judged(reading: Reading, rates: dict[str, float]) -> tuple[Sensing, str]:
    told = finding(reading)
    if told is not None and reading.reason is NotMeasured.SENSOR_SILENT:
        return Sensing.FAILURE, told.what
    if told is not None and reading.reason in _OUT_OF_SPECIFICATION:
        return Sensing.OUT_OF_SPECIFICATION, told.what
    if reading.reason in _NOT_JUDGED:
        return Sensing.NOT_JUDGED, "Not judged from this window"
    faults = [
        _fault(name, rate)
        for name, rate in rates.items()
        if rate > PULSE_LOSS_MAX and getattr(reading, name) >= PULSES_LOST_MIN
    ]
    if faults:
        return Sensing.MAINTENANCE_REQUIRED, "; ".join(faults)
    return Sensing.GOOD, "Both sensors good"


def _fault(name: str, rate: float) -> str:
    sensor, kind = name.split("_")
    return f"Sensor {sensor} {'misses' if kind == 'missed' else 'doubles'} {rate * 100:.1f} % of its pulses"


def _share(count: int, of: int) -> float:
    return count / of if of > 0 else 0.0


def _missed_rate(missed: int, received: int, extra: int) -> float:
    """Return the share of the pulses due that did not come: due = received - extra + missed."""
    return _share(missed, received - extra + missed)


def used_words(used: float) -> str:
    """Return the part of the limit that is used, as whole per cent; never rounded up to the limit itself."""
    per_cent = math.floor(used * 100) if used < 1 else round(used * 100)
    return f"{per_cent} %".replace("-", "\N{MINUS SIGN}")
