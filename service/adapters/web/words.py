"""What a reading says, in words for the people who look after the drive, each with what would mend it.

Knows the reasons of core and how engineers write a number with its uncertainty; must not know HTML.
Every place that shows a value takes its text from here, so that page, stream and API never disagree.
"""

import math
from dataclasses import dataclass
from enum import StrEnum

from service.core.batch import RejectionReason
from service.core.drive import Drive, Limit, LimitTerm
from service.core.health import Health, Status, silent_sensor
from service.core.reading import NotMeasured, Reading


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
    RejectionReason.TOO_OFTEN: Finding(
        "Not read: too many", "Let the device send each window once, and nobody else under its topic."
    ),
    RejectionReason.STORE_REFUSED: Finding(
        "Not taken by the store",
        "See what the store says in the detail; one that is too old stays out of it.",
    ),
    RejectionReason.LINKLAG_FAULT: Finding(
        "A fault of linklag",
        "Nothing to mend at the device. Report the detail with the payload, and see the log of the worker.",
    ),
    RejectionReason.WRONG_TOPIC: Finding(
        "Topic not valid", "Drive ids are of a-z, 0-9, - and _, 64 at most, and start with a letter or digit."
    ),
    RejectionReason.UNREGISTERED: Finding(
        "Drive not registered", "Register the drive: the page Refused has a step for it."
    ),
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
    return number_words(elongation_pct, places), number_words(2 * u_pct, places)


def change_words(change_pct: float, u_pct: float) -> tuple[str, str]:
    """Return a change with its sign, and its expanded uncertainty U = 2 u, in per cent, rounded to agree."""
    change, expanded = elongation_words(change_pct, u_pct)
    return change if change.startswith("\N{MINUS SIGN}") else f"+{change}", expanded


def number_words(value: float, places: int) -> str:
    """Return a number with so many places and a minus sign; nought has none."""
    text = f"{value:.{places}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", "\N{MINUS SIGN}")


def speed_words(speed_m_s: float | None) -> str:
    """Return the chain speed with two decimals, or "" where there is none to state."""
    return "" if speed_m_s is None else f"{number_words(speed_m_s, 2)} m/s"


def finding(reading: Reading) -> Finding | None:
    """Return why a reading has no elongation and what would mend it; None where it has one."""
    if reading.reason is None:
        return None
    told = NOT_MEASURED[reading.reason]
    which = silent_sensor(reading)
    if which and reading.reason in {NotMeasured.SENSOR_SILENT, NotMeasured.TOO_FEW_PULSES}:
        return Finding(
            f"Sensor {which} is silent", f"Check sensor {which}: supply, cable, plug, gap to the chain."
        )
    return told


STATUS_WORDS = {
    Status.FAILURE: "failure",
    Status.FUNCTION_CHECK: "function check",
    Status.OUT_OF_SPECIFICATION: "out of specification",
    Status.MAINTENANCE_REQUIRED: "maintenance required",
    Status.GOOD: "good",
    Status.NOT_JUDGED: "not judged",
}


def health_words(health: Health) -> str:
    """Return the gravest sign of the sensing, and how many more there are."""
    more = len(health.signs) - 1
    return f"{health.what}, and {more} more" if more > 0 else health.what


def pulse_shares(reading: Reading) -> dict[str, float]:
    """Return what share of each sensor's pulses was missed or extra in one window, 0 to 1."""
    return {
        "up_missed": _missed_share(reading.up_missed, reading.up_pulses, reading.up_extra),
        "down_missed": _missed_share(reading.down_missed, reading.down_pulses, reading.down_extra),
        "up_extra": _share(reading.up_extra, reading.up_pulses),
        "down_extra": _share(reading.down_extra, reading.down_pulses),
    }


def _share(count: int, of: int) -> float:
    return count / of if of > 0 else 0.0


def _missed_share(missed: int, received: int, extra: int) -> float:
    """Return the share of the pulses due that did not come: due = received - extra + missed."""
    return _share(missed, received - extra + missed)


BASELINE_OUTDATED = "baseline from before the sensors were touched"


def used_words(used: float) -> str:
    """Return the part of the limit that is used, as whole per cent; never rounded up to the limit itself."""
    per_cent = math.floor(used * 100) if used < 1 else round(used * 100)
    return f"{per_cent} %".replace("-", "\N{MINUS SIGN}")
