"""What is said of alerts, in words: conditions, states, events, priorities. Every enum of core has its words here."""

from collections.abc import Mapping

from service.adapters.web.texts import figures, say, told
from service.core.alert import Annunciation, Event, Hold
from service.core.condition_words import ENGLISH
from service.core.setpoint import ConditionKind, Priority

_E = Event

TITLES: Mapping[ConditionKind, str] = {kind: words.title for kind, words in ENGLISH.items()}

STATES: Mapping[str, str] = {
    Annunciation.NORMAL: "normal",
    Annunciation.UNACKNOWLEDGED: "not acknowledged",
    Annunciation.ACKNOWLEDGED: "acknowledged",
    Annunciation.RETURNED: "back to normal, not acknowledged",
    Hold.OUT_OF_SERVICE: "out of service",
    Hold.SUPPRESSED: "suppressed by design",
    Hold.SHELVED: "shelved",
}

EVENTS: Mapping[Event, str] = {
    _E.OCCUR: "occurred",
    _E.CLEAR: "went back to normal",
    _E.ACKNOWLEDGE: "acknowledged",
    _E.SHELVE: "shelved",
    _E.UNSHELVE: "taken off the shelf",
    _E.SHELF_ENDS: "off the shelf: its time was over",
    _E.SUPPRESS: "suppressed by design",
    _E.UNSUPPRESS: "suppressed no more",
    _E.TAKE_OUT: "taken out of service",
    _E.PUT_BACK: "put back in service",
    _E.COMMENT: "commented",
    _E.SET_WORK_ORDER: "work order named",
}

PRIORITIES: Mapping[Priority, str] = {
    Priority.HIGH: "high: answer first",
    Priority.MEDIUM: "medium: answer next",
    Priority.LOW: "low: to be planned",
}


def measured_words(value: float | None, u: float | None, setpoint: float | None, unit: str) -> str:
    """Return what was measured and what it was held against; "" where the condition has no number. U = 2 u."""
    if value is None:
        return ""
    if unit == "days" and max(abs(value), abs(setpoint or 0.0)) < 1:
        value, u, unit = value * 1440, u and u * 1440, "minutes"
        setpoint = None if setpoint is None else setpoint * 1440
    places = 0 if abs(value) >= 100 else 1 if abs(value) >= 10 else 2
    said = (
        f"{value:.{places}f}" + (f" ± {2 * u:.{places}f}" if u else "") + (f" {told(unit)}" if unit else "")
    )
    held = (
        ""
        if setpoint is None
        else say(", setpoint {value}", value=f"{setpoint:g}") + (f" {told(unit)}" if unit else "")
    )
    return figures((said + held).replace("-", "\N{MINUS SIGN}"))
