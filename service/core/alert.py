"""The life cycle of one alert: a table, and nothing that is not in it.

An alert belongs to one condition of one drive and lives for ever; what changes is its state. Two things change apart from
each other. *Annunciation*: whether the condition is true, and whether somebody said that they saw it. *Holds*: whether it is
kept from annunciating - shelved by an operator for a time, suppressed by design because logic says that it means nothing
now, or taken out of service by who may do so. A held alert is evaluated and recorded as before, and annunciates nothing;
when its last hold goes it is in the state that the process then demands, and annunciates if that is unacknowledged.

    annunciation                     occur              clear        acknowledge
    normal                           unacknowledged     -            -
    unacknowledged                   -                  returned     acknowledged
    acknowledged                     -                  normal       -
    returned (to normal, unackn.)    unacknowledged     -            normal

While held, clear leads from unacknowledged to normal: nobody is asked to acknowledge what came and went unseen.
A hold is put on and taken off by its own two events. What is not in the tables is refused and changes nothing.

Every change is a transition, and the state is the replay of transitions: nothing else is remembered.

Source: IEC 62682 and ANSI/ISA-18.2, the state model (from memory); the name alert is that of IEC 62682 for what allows
time to respond. Knows no clock and no person; must not know how anybody is told.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import reduce
from types import MappingProxyType

from service.core.setpoint import ConditionKind, Facts, Priority

SYSTEM = "linklag"  # `by` of what no person did


class Annunciation(StrEnum):
    """Where the condition stands, and whether somebody said that they saw it."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned_unacknowledged"  # returned to normal, unacknowledged


class Hold(StrEnum):
    """What keeps an alert from annunciating. The first that is on is the state that is shown."""

    OUT_OF_SERVICE = "out_of_service"
    SUPPRESSED = "suppressed_by_design"
    SHELVED = "shelved"


class Event(StrEnum):
    """What happens to an alert."""

    OCCUR = "occur"  # the condition became true
    CLEAR = "clear"
    ACKNOWLEDGE = "acknowledge"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    SHELF_ENDS = "shelf_ends"  # its time is over
    SUPPRESS = "suppress"
    UNSUPPRESS = "unsuppress"
    TAKE_OUT = "take_out_of_service"
    PUT_BACK = "put_back_in_service"
    COMMENT = "comment"
    SET_WORK_ORDER = "set_work_order"


_A, _E = Annunciation, Event

LIFE: Mapping[tuple[Annunciation, Event], Annunciation] = MappingProxyType(
    {
        (_A.NORMAL, _E.OCCUR): _A.UNACKNOWLEDGED,
        (_A.UNACKNOWLEDGED, _E.CLEAR): _A.RETURNED,
        (_A.UNACKNOWLEDGED, _E.ACKNOWLEDGE): _A.ACKNOWLEDGED,
        (_A.ACKNOWLEDGED, _E.CLEAR): _A.NORMAL,
        (_A.RETURNED, _E.OCCUR): _A.UNACKNOWLEDGED,
        (_A.RETURNED, _E.ACKNOWLEDGE): _A.NORMAL,
    }
)
LIFE_WHILE_HELD: Mapping[tuple[Annunciation, Event], Annunciation] = MappingProxyType(
    {**LIFE, (_A.UNACKNOWLEDGED, _E.CLEAR): _A.NORMAL}
)
PUTS_ON: Mapping[Event, Hold] = MappingProxyType(
    {_E.SHELVE: Hold.SHELVED, _E.SUPPRESS: Hold.SUPPRESSED, _E.TAKE_OUT: Hold.OUT_OF_SERVICE}
)
TAKES_OFF: Mapping[Event, Hold] = MappingProxyType(
    {
        _E.UNSHELVE: Hold.SHELVED,
        _E.SHELF_ENDS: Hold.SHELVED,
        _E.UNSUPPRESS: Hold.SUPPRESSED,
        _E.PUT_BACK: Hold.OUT_OF_SERVICE,
    }
)
NOTES = frozenset({_E.COMMENT, _E.SET_WORK_ORDER})
BY_PROCESS = frozenset({_E.OCCUR, _E.CLEAR})
NEEDS_WHY = frozenset({_E.SHELVE, _E.TAKE_OUT, _E.SUPPRESS, _E.COMMENT})
NEEDS_UNTIL = frozenset({_E.SHELVE, _E.TAKE_OUT})
ACTIVE = frozenset({_A.UNACKNOWLEDGED, _A.ACKNOWLEDGED})


class NotAllowedError(Exception):
    """The event is not in the table for the state the alert is in. The message says what is so, and who did it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """A hold that is on: since when, until when (end of the shelf, review of out of service), why and by whom."""

    hold: Hold
    since_ns: int
    until_ns: int | None
    why: str
    by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Act:
    """What happened, or what somebody did: all that a transition holds besides the states.

    true_ns: when it was so, by the reading's own time for what the process does. recorded_ns: when it was written down.
    until_ns: of SHELVE the end, of TAKE_OUT the review. key: a client's own name for the act, so that asking twice does it once.
    """

    event: Event
    by: str = SYSTEM
    why: str = ""
    true_ns: int
    recorded_ns: int
    until_ns: int | None = None
    facts: Facts | None = None
    priority: Priority | None = None  # with OCCUR: the priority from now on
    work_order: str = ""
    key: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Transition:
    """One step in the life of an alert. `seq` counts them from 1; `number` counts those of all alerts (0: not stored yet)."""

    alert_id: str
    drive_id: str
    kind: ConditionKind
    seq: int
    act: Act
    before: Annunciation
    after: Annunciation
    holds_before: tuple[Hold, ...]
    holds: tuple[Hold, ...]
    annunciates: bool  # people are to be told of it as of something new
    priority: Priority
    number: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Alert:
    """One alert as it is now: what the replay of its transitions gives."""

    alert_id: str
    drive_id: str
    kind: ConditionKind
    seq: int = 0
    number: int = 0  # of the last transition
    annunciation: Annunciation = Annunciation.NORMAL
    held: tuple[Held, ...] = ()  # in the order of Hold
    priority: Priority = Priority.LOW
    occurrences: int = 0
    since_ns: int | None = None  # true_ns of the newest occurrence
    changed_ns: int = 0  # recorded_ns of the last transition
    cleared_ns: int | None = None  # true_ns of the newest return to normal after `since_ns`
    facts: Facts | None = None  # of the newest occurrence or clearing
    acknowledged_by: str = ""
    acknowledged_ns: int | None = None
    work_order: str = ""
    last_event: Event | None = None
    last_by: str = ""

    @property
    def active(self) -> bool:
        """Whether the condition is true."""
        return self.annunciation in ACTIVE

    @property
    def holds(self) -> tuple[Hold, ...]:
        """The holds that are on."""
        return tuple(each.hold for each in self.held)

    @property
    def state(self) -> str:
        """The state that is shown: the first hold that is on, else the annunciation."""
        return str(self.held[0].hold if self.held else self.annunciation)

    @property
    def stands(self) -> bool:
        """Whether anybody has to know of it: active, not acknowledged, or kept out of service or on the shelf."""
        return (
            self.annunciation is not Annunciation.NORMAL
            or Hold.SHELVED in self.holds
            or (Hold.OUT_OF_SERVICE in self.holds)
        )


def alert_id_of(drive_id: str, kind: ConditionKind) -> str:
    """Return the id of the alert of one condition of one drive: the same for ever."""
    return f"{drive_id}.{kind}"


def begin(drive_id: str, kind: ConditionKind) -> Alert:
    """Return the alert before anything happened to it."""
    return Alert(alert_id=alert_id_of(drive_id, kind), drive_id=drive_id, kind=kind)


def advance(alert: Alert, act: Act) -> Transition:
    """Return the transition that an act makes of an alert.

    Raises NotAllowedError where the table has no such step, ValueError where the act lacks what its event needs
    (a reason; an end after now). Nothing is changed: `applied` gives the alert after it.
    """
    _check(act)
    held = bool(alert.held)
    after, holds = alert.annunciation, alert.holds
    if act.event in NOTES:
        pass
    elif act.event in PUTS_ON or act.event in TAKES_OFF:
        holds = _holds_after(alert, act.event)
    else:
        after = _annunciation_after(alert, act.event, held=held)
    released = held and not holds
    return Transition(
        alert_id=alert.alert_id,
        drive_id=alert.drive_id,
        kind=alert.kind,
        seq=alert.seq + 1,
        act=act,
        before=alert.annunciation,
        after=after,
        holds_before=alert.holds,
        holds=holds,
        annunciates=after is Annunciation.UNACKNOWLEDGED
        and not holds
        and (released or act.event is Event.OCCUR),
        priority=act.priority or alert.priority,
    )


def applied(alert: Alert, transition: Transition) -> Alert:
    """Return the alert after a transition. Raises ValueError where it is not the next one of this alert."""
    if transition.alert_id != alert.alert_id or transition.seq != alert.seq + 1:
        raise ValueError(
            f"transition {transition.seq} of {transition.alert_id} does not follow {alert.seq} of {alert.alert_id}"
        )
    act = transition.act
    after = replace(
        alert,
        seq=transition.seq,
        number=transition.number,
        annunciation=transition.after,
        held=_held_after(alert, transition),
        priority=transition.priority,
        changed_ns=act.recorded_ns,
        last_event=act.event,
        last_by=act.by,
    )
    if act.event is Event.OCCUR:
        return replace(
            after,
            occurrences=alert.occurrences + 1,
            since_ns=act.true_ns,
            cleared_ns=None,
            facts=act.facts,
            acknowledged_by="",
            acknowledged_ns=None,
            work_order="" if alert.annunciation is Annunciation.NORMAL else alert.work_order,
        )
    if act.event is Event.CLEAR:
        return replace(after, cleared_ns=act.true_ns, facts=act.facts or alert.facts)
    if act.event is Event.ACKNOWLEDGE:
        return replace(after, acknowledged_by=act.by, acknowledged_ns=act.recorded_ns)
    if act.event is Event.SET_WORK_ORDER:
        return replace(after, work_order=act.work_order)
    return after


def replay(transitions: Iterable[Transition], start: Alert) -> Alert:
    """Return the alert after transitions in the order of seq, from what it was before them (`begin` for all of them)."""
    return reduce(applied, transitions, start)


def _check(act: Act) -> None:
    if act.event in NEEDS_WHY and not act.why.strip():
        raise ValueError(f"give a reason: without one, nobody knows later why it was done ({act.event})")
    if act.event in NEEDS_UNTIL and (act.until_ns is None or act.until_ns <= act.recorded_ns):
        raise ValueError("give an instant after now: the end of the shelf, or the day of the review")


def _annunciation_after(alert: Alert, event: Event, *, held: bool) -> Annunciation:
    after = (LIFE_WHILE_HELD if held else LIFE).get((alert.annunciation, event))
    if after is None:
        raise NotAllowedError(f"{alert.alert_id} cannot {event}: {_as_it_is(alert)}")
    return after


def _holds_after(alert: Alert, event: Event) -> tuple[Hold, ...]:
    hold = PUTS_ON.get(event) or TAKES_OFF[event]
    if (hold in alert.holds) is (event in PUTS_ON):
        raise NotAllowedError(f"{alert.alert_id} cannot {event}: {_as_it_is(alert)}")
    kept = {*alert.holds, hold} if event in PUTS_ON else {*alert.holds} - {hold}
    return tuple(each for each in Hold if each in kept)


def _held_after(alert: Alert, transition: Transition) -> tuple[Held, ...]:
    act = transition.act
    known = {each.hold: each for each in alert.held}
    if (hold := PUTS_ON.get(act.event)) is not None:
        known[hold] = Held(hold=hold, since_ns=act.true_ns, until_ns=act.until_ns, why=act.why, by=act.by)
    return tuple(known[each] for each in transition.holds)


def _as_it_is(alert: Alert) -> str:
    """What the alert is, in words, and who made it so."""
    words = f"it is {alert.state.replace('_', ' ')}"
    if alert.last_event is not None:
        words += f" ({alert.last_event.replace('_', ' ')} by {alert.last_by})"
    return words
