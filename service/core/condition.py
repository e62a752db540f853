"""Whether a condition of a drive is true: a fold over what was seen of it, in the order of its own time.

State in, one thing seen, state out, and the conditions that occurred or cleared by it. What is seen is a reading, a
measurement by hand, another chain, a judgement of many readings, or that setpoints were changed. Nothing here asks when
something arrived, so a backlog gives what live data would have given; the state is small and goes through JSON, so whoever
folds may stop anywhere, go back to an earlier state and fold again.

A condition occurs after several that show it, one after the other and over a time, and clears in the same way beyond the
deadband. What shows nothing of it (a stopped drive, a reading without elongation) neither counts nor breaks the row. A
measurement by hand counts alone: a person looked, and was asked where it could not be.

What hangs on the clock, and so on what has come by now (no reading, device offline, the map of the chain, a forecast), is
told apart (`at_clock`) and never judged again for the past.

Knows setpoints, readings and judgements; must not know who is told, nor what an alert is.
"""

import math
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from statistics import median
from types import MappingProxyType
from typing import Any

from service.core.chain_faults import Fault
from service.core.chain_faults import Finding as ChainFault
from service.core.condition_words import ENGLISH
from service.core.findings import Finding, FindingKind
from service.core.hand import HandElongation, agrees
from service.core.health import QUIET_WINDOWS, Sign, SignKind, Status, silent_sensor
from service.core.not_measured import NotMeasured
from service.core.reading import Reading
from service.core.setpoint import (
    RULES,
    STEPS,
    ConditionKind,
    Counted,
    Facts,
    Priority,
    Setpoint,
    deadband_of,
)
from service.core.wear_rate import Past, from_row, measured, ran, rates, to_row

S = 1_000_000_000
DAY_NS = 86_400 * S
HOUR_NS = 3600 * S
KEPT = 5  # measured readings that are remembered
BESIDE_NS = 7 * DAY_NS  # a live value so old may be held against a measurement by hand
STANDS_NS = 600 * S  # so long a drive must stand before what says nothing then is suppressed
_K = ConditionKind


# What is seen


@dataclass(frozen=True, slots=True)
class ByHand:
    """A measurement by hand of a chain that was drawn tight."""

    t_ns: int
    chain_id: str
    elongation: HandElongation


@dataclass(frozen=True, slots=True)
class ChainOn:
    """Another chain is on from just after then; None: the drive is without."""

    t_ns: int
    chain_id: str | None


@dataclass(frozen=True, slots=True)
class Strand:
    """The elongation of a chain that works beside others, per cent, and its standard uncertainty."""

    drive_id: str
    pct: float
    u_pct: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """What many readings up to an instant show together. `own`, `beside`: where chains work side by side."""

    t_ns: int
    findings: tuple[Finding, ...] = ()
    signs: tuple[Sign, ...] = ()
    own: Strand | None = None
    beside: tuple[Strand, ...] = ()


@dataclass(frozen=True, slots=True)
class SetAnew:
    """Limit or setpoints are others from now on: what is known is judged by them at once."""

    t_ns: int


Seen = Reading | ByHand | ChainOn | Judgement | SetAnew


@dataclass(frozen=True, slots=True, kw_only=True)
class By:
    """What is judged by: the limit of the drive, per cent, its setpoints, and how often many readings are judged."""

    limit_pct: float
    setpoints: Mapping[ConditionKind, Setpoint] = field(
        default_factory=lambda: {kind: rule.setpoint for kind, rule in RULES.items()}
    )
    judge_ns: int = HOUR_NS


# What is remembered


@dataclass(frozen=True, slots=True)
class Signal:
    """One source of a condition: whether it is true, since when, and how many have shown the contrary in a row since."""

    active: bool = False
    since_ns: int = 0
    run: int = 0
    run_ns: int = 0


NOTHING = Signal()
NEW = Past()
Signals = Mapping[str, Signal]  # by kind, or kind and source


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """What is remembered of one drive after all that was seen up to `to_ns`."""

    to_ns: int = -1
    chain_id: str | None = None
    signals: Signals = field(default_factory=dict)
    last_ns: int | None = None  # of the newest reading
    window_ns: int = 0
    standing_ns: int | None = None  # since when it stands, if it does
    known: tuple[tuple[int, float, float], ...] = ()  # newest elongations by the sensors: t_ns, per cent, u
    hand: tuple[int, float, float] | None = None  # the newest by hand, where it is what to go by
    disagreed_ns: int | None = None  # the measurement by hand that disagreed last
    past: Past = NEW
    judge_due_ns: int | None = None  # when many readings are to be judged together

    def active(self) -> set[ConditionKind]:
        """The conditions that are true."""
        return {ConditionKind(key.split(":")[0]) for key, signal in self.signals.items() if signal.active}

    def since(self, kind: ConditionKind) -> int:
        """When a condition that is true occurred."""
        return min(each.since_ns for each in _of(self.signals, kind) if each.active)

    def to_dict(self) -> dict[str, Any]:
        """The state as JSON can hold it."""
        return {
            "to_ns": self.to_ns,
            "chain_id": self.chain_id,
            "signals": signals_to_dict(self.signals),
            "last_ns": self.last_ns,
            "window_ns": self.window_ns,
            "standing_ns": self.standing_ns,
            "known": [list(each) for each in self.known],
            "hand": None if self.hand is None else list(self.hand),
            "disagreed_ns": self.disagreed_ns,
            "past": to_row(self.past),
            "judge_due_ns": self.judge_due_ns,
        }

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> "State":
        """The state that `to_dict` made this of."""
        hand = values["hand"]
        return cls(
            **{
                **values,
                "signals": signals_from_dict(values["signals"]),
                "known": tuple((each[0], each[1], each[2]) for each in values["known"]),
                "hand": None if hand is None else (hand[0], hand[1], hand[2]),
                "past": from_row(values["past"]),
            }
        )


def signals_to_dict(signals: Signals) -> dict[str, list[int]]:
    """Return signals as JSON can hold them."""
    return {key: [int(each.active), each.since_ns, each.run, each.run_ns] for key, each in signals.items()}


def signals_from_dict(values: Mapping[str, Sequence[int]]) -> Signals:
    """Return the signals that `signals_to_dict` made this of."""
    return {key: Signal(bool(each[0]), *each[1:]) for key, each in values.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A condition occurred, or cleared, at the own time of what showed it."""

    kind: ConditionKind
    occurred: bool
    true_ns: int
    facts: Facts
    priority: Priority


Tell = Callable[[], Facts]


class _Step:
    """One step of the fold: signals as they become, and what changed by it."""

    __slots__ = ("by", "changes", "signals", "t_ns")

    def __init__(self, signals: Signals, by: By, t_ns: int) -> None:
        self.signals: Signals = signals
        self.by, self.t_ns = by, t_ns
        self.changes: list[Change] = []

    def is_active(self, kind: ConditionKind, source: str = "") -> bool:
        return self.signals.get(_key(kind, source), NOTHING).active

    def shows(
        self,
        kind: ConditionKind,
        says: bool | None,  # noqa: FBT001 - None: it shows nothing of it
        tell: Tell,
        *,
        source: str = "",
        decisive: bool = False,
        t_ns: int | None = None,
    ) -> None:
        """Count one more that shows a condition, or shows it not; change it once there are enough."""
        setpoint = self.by.setpoints[kind]
        if not setpoint.enabled:
            says, decisive = False, True
        key = _key(kind, source)
        before = self.signals.get(key, NOTHING)
        if says is None or (says is before.active and not before.run):
            return
        t_ns = self.t_ns if t_ns is None else t_ns
        after = replace(before, run=0, run_ns=0)
        if says is not before.active:
            after = _counted(before, setpoint, t_ns, decisive=decisive)
        was = any(each.active for each in _of(self.signals, kind))
        self.signals = {name: each for name, each in {**self.signals, key: after}.items() if each != NOTHING}
        now = any(each.active for each in _of(self.signals, kind))
        if was is not now:
            self.changes.append(
                Change(kind=kind, occurred=now, true_ns=t_ns, facts=tell(), priority=setpoint.priority)
            )

    def clear(self, kind: ConditionKind, why: str) -> None:
        """Clear all sources of a condition at once."""
        if any(each != NOTHING for each in _of(self.signals, kind)):
            was = any(each.active for each in _of(self.signals, kind))
            kept = {key: each for key, each in self.signals.items() if key.split(":")[0] != kind}
            self.signals = kept
            if was:
                priority = self.by.setpoints[kind].priority
                facts = Facts(cause=why, mend="")
                self.changes.append(
                    Change(kind=kind, occurred=False, true_ns=self.t_ns, facts=facts, priority=priority)
                )


def _key(kind: ConditionKind, source: str) -> str:
    return f"{kind}:{source}" if source else kind


def _of(signals: Signals, kind: ConditionKind) -> Iterable[Signal]:
    return (signals.get(key, NOTHING) for key in _KEYS[kind])


MANY = "many"
SOURCES = ("", MANY)  # one thing alone; a judgement of many readings
_KEYS = {kind: tuple(f"{kind}:{each}" if each else str(kind) for each in SOURCES) for kind in ConditionKind}


def _counted(before: Signal, setpoint: Setpoint, t_ns: int, *, decisive: bool) -> Signal:
    """The signal after one more that shows the contrary of it."""
    run_ns = before.run_ns if before.run else t_ns
    run = before.run + 1
    if before.active:
        enough, over_s = setpoint.off_readings, setpoint.off_s
    else:
        enough, over_s = setpoint.on_readings, setpoint.on_s
    if decisive or (run >= enough and t_ns - run_ns >= over_s * S):
        return NOTHING if before.active else Signal(active=True, since_ns=t_ns)
    return replace(before, run=run, run_ns=run_ns)


# The fold


def fold(state: State, seen: Seen, by: By) -> tuple[State, list[Change]]:
    """Return the state after one more thing seen, and what occurred or cleared by it.

    Args:
        state: after all that was seen before.
        seen: not earlier than `state.to_ns`. Of the same instant first readings, then measurements by hand, chains, judgements.
        by: limit and setpoints that hold.
    """
    step = _Step(state.signals, by, seen.t_ns)
    match seen:
        case Reading():
            state = _after_reading(state, seen, step)
        case ByHand():
            state = _after_hand(state, seen, step)
        case ChainOn():
            state = _after_chain(state, seen, step)
        case Judgement():
            state = _after_judgement(state, seen, step)
        case SetAnew():
            _judge_anew(state, step)
    # other setpoints are nothing that was seen of the drive
    to_ns = state.to_ns if isinstance(seen, SetAnew) else max(state.to_ns, seen.t_ns)
    return replace(state, signals=step.signals, to_ns=to_ns), step.changes


def _after_reading(state: State, reading: Reading, step: _Step) -> State:
    t_ns, stands = reading.t_ns, reading.reason is NotMeasured.STOPPED
    standing_ns = (t_ns if state.standing_ns is None else state.standing_ns) if stands else None
    past = ran(state.past, t_ns, 0.0 if stands else reading.speed_m_s)
    known, hand = state.known, state.hand
    pct, u_pct = reading.elongation_pct, reading.elongation_u_pct or 0.0
    if pct is not None and reading.chain_id == state.chain_id:
        _steps(step, pct, u_pct, decisive=False)
        known, hand = (*known[1 - KEPT :], (t_ns, pct, u_pct)), None
        past, told = measured(past, t_ns, pct, u_pct)
        if told:
            _wear_rate(step, past)
    if not stands:
        _sensing(step, reading)
    _standing(step, t_ns, standing_ns)
    disagreed_ns = state.disagreed_ns
    if disagreed_ns is not None and (reading.baseline_recorded_ns or 0) > disagreed_ns:
        step.clear(_K.HAND_DISAGREES, "A new baseline was recorded since.")
        disagreed_ns = None
    due_ns = state.judge_due_ns
    if due_ns is None and not stands:
        due_ns = -(-t_ns // step.by.judge_ns) * step.by.judge_ns
    return State(
        to_ns=state.to_ns,
        chain_id=state.chain_id,
        signals=state.signals,
        last_ns=t_ns,
        window_ns=t_ns - reading.t0_ns,
        standing_ns=standing_ns,
        known=known,
        hand=hand,
        disagreed_ns=disagreed_ns,
        past=past,
        judge_due_ns=due_ns,
    )


def _steps(step: _Step, pct: float, u_pct: float, *, decisive: bool, how: str = "") -> None:
    """Hold an elongation against the three steps towards the limit."""
    limit_pct = step.by.limit_pct
    for kind in STEPS:
        setpoint = step.by.setpoints[kind]
        at_pct = (setpoint.value or 0.0) * limit_pct / 100
        active = step.is_active(kind)
        bound_pct = at_pct - deadband_of(setpoint, u_pct, limit_pct / 100) if active else at_pct

        def tell(kind: ConditionKind = kind, at_pct: float = at_pct) -> Facts:
            return _of_elongation(kind, pct, u_pct, at_pct, limit_pct, how)

        step.shows(kind, pct >= bound_pct, tell, decisive=decisive)


def _of_elongation(
    kind: ConditionKind, pct: float, u_pct: float, at_pct: float, limit_pct: float, how: str
) -> Facts:
    words = ENGLISH[kind]
    cause = (
        f"The chain is {pct:.3f} % \N{PLUS-MINUS SIGN} {2 * u_pct:.3f} % (k = 2) longer than nominal{how}: "
        f"{100 * pct / limit_pct:.0f} % of its limit of {limit_pct:.3g} %."
    )
    return Facts(
        cause=cause,
        mend=words.mend,
        value=pct,
        u=u_pct,
        setpoint=at_pct,
        unit="%",
        at_drive=words.at_drive,
    )


def _plain(kind: ConditionKind, cause: str = "", **numbers: Any) -> Facts:
    words = ENGLISH[kind]
    return Facts(cause=cause or words.cause, mend=words.mend, at_drive=words.at_drive, **numbers)


def _wear_rate(step: _Step, past: Past) -> None:
    kind = _K.WEAR_RATE_RISEN
    found, setpoint = rates(past), step.by.setpoints[kind]
    if found is None:
        return
    value = setpoint.value or 1.0
    if step.is_active(kind):
        says = found.ratio >= value - setpoint.deadband
    else:
        says = found.sure and found.ratio >= value

    def tell() -> Facts:
        cause = (
            f"The chain now wears {found.now:.3g} % for each 1000 km it runs; before it was {found.before:.3g} %. "
            f"That has added {found.added_pct:.3f} %."
        )
        u = found.now_u / max(found.before, 2 * found.before_u, 1e-12)
        return _plain(kind, cause, value=found.ratio, u=u, setpoint=value, unit="times its own")

    step.shows(kind, says, tell)


def _sensing(step: _Step, reading: Reading) -> None:
    """What the reading of a running drive shows of its sensors."""
    reason = reading.reason
    silent = silent_sensor(reading)
    step.shows(
        _K.SENSING_FAILED,
        bool(silent),
        lambda: _plain(
            _K.SENSING_FAILED, f"Sensor {silent} is silent while the other pulses." if silent else ""
        ),
    )
    uncertain = reason in _UNCERTAIN
    step.shows(
        _K.WHOLE_UNCERTAIN,
        uncertain if uncertain or reason is None else None,
        lambda: _plain(_K.WHOLE_UNCERTAIN, _UNCERTAIN.get(reason, "")),
    )
    scattered = reason is NotMeasured.LOW_COHERENCE
    step.shows(
        _K.SENSING_OUT_OF_SPECIFICATION,
        scattered if scattered or reason is None else None,
        lambda: _plain(_K.SENSING_OUT_OF_SPECIFICATION, "The pulses of the two sensors have no common lag."),
    )


_UNCERTAIN: Mapping[NotMeasured | None, str] = MappingProxyType(
    {
        NotMeasured.AMBIGUOUS: "More than one whole number of pitches fits what the sensors show.",
        NotMeasured.OUT_OF_RANGE: "No whole number of pitches fits what the sensors show.",
    }
)


def _standing(step: _Step, t_ns: int, standing_ns: int | None) -> None:
    kind = _K.STOPPED_WHEN_DUE
    hours = step.by.setpoints[kind].value or 0.0
    stood_h = 0.0 if standing_ns is None else (t_ns - standing_ns) / HOUR_NS

    def tell() -> Facts:
        return _plain(
            kind, f"The chain has stood for {stood_h:.1f} h.", value=stood_h, setpoint=hours, unit="h"
        )

    step.shows(kind, standing_ns is not None and stood_h >= hours, tell)


def _after_hand(state: State, seen: ByHand, step: _Step) -> State:
    if seen.chain_id != state.chain_id or not seen.elongation.reliable:
        return state
    pct, u_pct = seen.elongation.elongation_pct, seen.elongation.u_pct
    live = state.known[-1] if state.known else None
    disagreed_ns = state.disagreed_ns
    if live is not None and seen.t_ns - live[0] <= BESIDE_NS:
        found = agrees(seen.elongation, live[1], live[2], (seen.t_ns - live[0]) / DAY_NS)
        apart, most = (
            abs(found.difference_pct) / found.u_pct,
            step.by.setpoints[_K.HAND_DISAGREES].value or 2.0,
        )

        def tell() -> Facts:
            facts = _plain(_K.HAND_DISAGREES, f"{found.words}.", value=apart, setpoint=most)
            return replace(facts, unit=RULES[_K.HAND_DISAGREES].unit)

        step.shows(_K.HAND_DISAGREES, apart > most, tell)
        disagreed_ns = seen.t_ns if apart > most else None
    if live is None or seen.t_ns > live[0] + DAY_NS:  # as `hand.newer` has it
        _steps(step, pct, u_pct, decisive=True, how=" by hand")
        return replace(state, hand=(seen.t_ns, pct, u_pct), disagreed_ns=disagreed_ns)
    return replace(state, disagreed_ns=disagreed_ns)


def _after_chain(state: State, seen: ChainOn, step: _Step) -> State:
    if seen.chain_id == state.chain_id:
        return state
    why = "Another chain was fitted." if seen.chain_id else "The chain was taken off."
    for kind, rule in RULES.items():
        if rule.of_chain or kind in {_K.SENSOR_MOVED, _K.WHOLE_UNCERTAIN}:
            step.clear(kind, why)
    past = Past(last_ns=state.past.last_ns, speed_m_s=state.past.speed_m_s)
    return replace(
        state, chain_id=seen.chain_id, known=(), hand=None, disagreed_ns=None, past=past, judge_due_ns=None
    )


def _judge_anew(state: State, step: _Step) -> None:
    """Hold what is known of the elongation against the setpoints as they are now; clear what is not enabled any more."""
    for kind, setpoint in step.by.setpoints.items():
        if not setpoint.enabled:
            step.clear(kind, "This condition is not watched any more.")
    if state.hand is not None:
        _steps(step, state.hand[1], state.hand[2], decisive=True, how=" by hand")
    elif len(state.known) == KEPT:
        pct = median(each[1] for each in state.known)
        _steps(step, pct, state.known[-1][2], decisive=True)


# Judgements of many readings

_OF_FINDING: Mapping[FindingKind, ConditionKind] = MappingProxyType(
    {
        FindingKind.BRACKET_MOVED: _K.SENSOR_MOVED,
        FindingKind.LAG_JUMPED: _K.SENSOR_MOVED,
        FindingKind.LAG_DRIFTS: _K.SENSOR_MOVED,
        FindingKind.WORE_AT_ONCE: _K.WEAR_RATE_RISEN,
        FindingKind.CHAIN_CHANGED: _K.SENSING_OUT_OF_SPECIFICATION,
        FindingKind.REVERSED: _K.SENSING_OUT_OF_SPECIFICATION,
        FindingKind.DISAGREE: _K.SENSING_OUT_OF_SPECIFICATION,
        FindingKind.DELAY_UNEQUAL: _K.SENSING_MAINTENANCE,
        FindingKind.WHOLE_BY_ALTERNATION: _K.WHOLE_UNCERTAIN,
    }
)
_OF_SIGN: Mapping[Status, ConditionKind] = MappingProxyType(
    {
        Status.OUT_OF_SPECIFICATION: _K.SENSING_OUT_OF_SPECIFICATION,
        Status.MAINTENANCE_REQUIRED: _K.SENSING_MAINTENANCE,
    }
)
# Told by each reading, by the clock, or by a finding.
_TOLD_ELSEWHERE = {
    SignKind.LOW_COHERENCE,
    SignKind.AMBIGUOUS,
    SignKind.OUT_OF_RANGE,
    SignKind.CLOCK_AHEAD,
    SignKind.VALUE_DOUBTFUL,
    SignKind.DELAY_DRIFTS,
}
_JUDGED = (*dict.fromkeys((*_OF_FINDING.values(), *_OF_SIGN.values())),)


def _after_judgement(state: State, seen: Judgement, step: _Step) -> State:
    shown: dict[ConditionKind, Facts] = {}
    for finding in seen.findings:
        size = finding.sizes[0]
        facts = Facts(
            cause=finding.words,
            mend=finding.mend,
            value=size.value,
            u=size.u,
            unit=size.unit,
            at_drive=finding.at_drive,
        )
        shown.setdefault(_OF_FINDING[finding.kind], facts)
    for sign in seen.signs:
        if sign.status in _OF_SIGN and sign.kind not in _TOLD_ELSEWHERE:
            kind = _OF_SIGN[sign.status]
            shown.setdefault(
                kind, Facts(cause=f"{sign.what}.", mend=sign.mend, at_drive=ENGLISH[kind].at_drive)
            )
    for kind in _JUDGED:

        def tell(kind: ConditionKind = kind) -> Facts:
            return shown.get(kind) or _plain(kind)

        # what counts single readings needs no more than one judgement of many
        alone = RULES[kind].counts is Counted.READINGS
        step.shows(kind, kind in shown, tell, source=MANY, decisive=alone)
    _strands(step, seen)
    return replace(state, judge_due_ns=None)


def _strands(step: _Step, seen: Judgement) -> None:
    """The longest of chains that work side by side, held against the shortest; the others say nothing."""
    kind, own = _K.STRANDS_APART, seen.own
    if own is None or not seen.beside:
        return
    setpoint = step.by.setpoints[kind]
    shortest = min(seen.beside, key=lambda each: each.pct)
    longest = all((own.pct, own.drive_id) > (each.pct, each.drive_id) for each in seen.beside)
    apart, u = own.pct - shortest.pct, math.hypot(own.u_pct, shortest.u_pct)
    at_pct = max(setpoint.value or 0.0, 2 * u)
    bound_pct = at_pct - deadband_of(setpoint, u) if step.is_active(kind) else at_pct

    def tell() -> Facts:
        cause = (
            f"This chain is {apart:.3f} % longer than that of {shortest.drive_id}, which works beside it: {own.pct:.3f} % "
            f"against {shortest.pct:.3f} %."
        )
        return _plain(kind, cause, value=apart, u=u, setpoint=at_pct, unit="%")

    step.shows(kind, longest and apart >= bound_pct, tell)


# What hangs on the clock


@dataclass(frozen=True, slots=True)
class Forecast:
    """When the chain reaches its limit at the earliest to be reckoned with, and when the next stop is planned."""

    limit_ns: int
    next_stop_ns: int | None = None
    made_ns: int | None = None  # one that was looked at already counts no second time
    lead_days: float | None = None  # that a new chain takes to come, where it is set; else the setpoint's


@dataclass(frozen=True, slots=True, kw_only=True)
class Around:
    """What is known of a drive by now besides what was folded."""

    now_ns: int
    sensors: bool  # whether it has any
    online: bool | None = None  # as its device says
    online_since_ns: int = 0
    folded_to_ns: int | None = None  # of the map of its chain
    faults: tuple[ChainFault, ...] = ()
    forecast: Forecast | None = None
    # Drives that fell silent with it and are kept quiet for it, by what is told.
    stands_for: Mapping[ConditionKind, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Clock:
    """What is remembered of what hangs on the clock."""

    chain_id: str | None = None
    folded_to_ns: int | None = None
    forecast_ns: int | None = None  # when the forecast that was looked at last was made
    signals: Signals = field(default_factory=dict)

    def active(self) -> set[ConditionKind]:
        """The conditions that are true."""
        return {ConditionKind(key.split(":")[0]) for key, signal in self.signals.items() if signal.active}

    def to_dict(self) -> dict[str, Any]:
        """The same as JSON can hold it."""
        signals = signals_to_dict(self.signals)
        return {
            "chain_id": self.chain_id,
            "folded_to_ns": self.folded_to_ns,
            "forecast_ns": self.forecast_ns,
            "signals": signals,
        }

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> "Clock":
        """What `to_dict` made this of."""
        return cls(**{**values, "signals": signals_from_dict(values["signals"])})


BY_CLOCK = frozenset(
    {
        _K.NO_READING,
        _K.DEVICE_OFFLINE,
        _K.BAD_JOINT,
        _K.WORN_SECTION,
        _K.LIMIT_WITHIN_LEAD_TIME,
        _K.LIMIT_BEFORE_STOP,
    }
)


def at_clock(clock: Clock, state: State, around: Around, by: By) -> tuple[Clock, list[Change]]:
    """Return what is remembered after a look at the clock, and what occurred or cleared by it.

    Args:
        clock: after the look before.
        state: after all that was seen by now.
        around: what is known besides.
        by: setpoints that hold.
    """
    step = _Step(clock.signals, by, around.now_ns)
    for kind in BY_CLOCK:
        if not by.setpoints[kind].enabled:
            step.clear(kind, "This condition is not watched any more.")
    if clock.chain_id != state.chain_id:
        for kind in BY_CLOCK:
            if RULES[kind].of_chain:
                step.clear(kind, "Another chain was fitted.")
    _no_reading(step, state, around)
    _offline(step, state, around)
    if around.folded_to_ns is not None and around.folded_to_ns != clock.folded_to_ns:
        _faults(step, around.faults, around.folded_to_ns)
    forecast_ns = around.forecast.made_ns if around.forecast is not None else None
    if around.forecast is not None and (forecast_ns is None or forecast_ns != clock.forecast_ns):
        _forecast(step, around.forecast, around.now_ns)
    after = Clock(
        chain_id=state.chain_id,
        folded_to_ns=around.folded_to_ns or clock.folded_to_ns,
        forecast_ns=forecast_ns or clock.forecast_ns,
        signals=step.signals,
    )
    return after, step.changes


def _no_reading(step: _Step, state: State, around: Around) -> None:
    kind = _K.NO_READING
    if not around.sensors or state.last_ns is None:
        step.clear(kind, "The drive has no sensors that it could come from.")
        return
    longest_ns = longest_silence_ns(step.by, state.window_ns)
    quiet = around.now_ns - state.last_ns > longest_ns
    quiet_s = (around.now_ns - state.last_ns) / S

    def tell() -> Facts:
        cause = _shared(kind, around.stands_for.get(kind, 0)) if quiet else "Readings come again."
        return _plain(kind, cause, value=quiet_s, setpoint=longest_ns / S, unit="s")

    t_ns = state.last_ns + longest_ns if quiet else state.last_ns
    step.shows(kind, quiet, tell, decisive=True, t_ns=t_ns)


def _offline(step: _Step, state: State, around: Around) -> None:
    kind = _K.DEVICE_OFFLINE
    setpoint = step.by.setpoints[kind]
    gone = is_gone(around.online, around.online_since_ns, state.last_ns)
    if gone and around.now_ns - around.online_since_ns < setpoint.on_s * S:
        return
    t_ns = around.online_since_ns + int(setpoint.on_s * S) if gone else max(around.online_since_ns, 0)
    back_ns = max(t_ns, state.last_ns or 0) if not gone else t_ns
    cause = _shared(kind, around.stands_for.get(kind, 0)) if gone else "The device is back."
    step.shows(kind, gone, lambda: _plain(kind, cause), decisive=True, t_ns=back_ns)


def is_gone(online: bool | None, online_since_ns: int, last_ns: int | None) -> bool:  # noqa: FBT001 - as the device says
    """Return whether a device is offline: it is said to be, and no reading is newer than that."""
    return online is False and not (last_ns is not None and last_ns > online_since_ns)


def longest_silence_ns(by: By, window_ns: int) -> int:
    """Return for how long nothing may come of a drive until that is told, by its setpoint and the windows of its batches."""
    return max(int((by.setpoints[_K.NO_READING].value or 0.0) * S), QUIET_WINDOWS * window_ns)


def _shared(kind: ConditionKind, others: int) -> str:
    """What is told of a drive that stands for others (`silence`); "" where it stands for itself."""
    if not others:
        return ""
    sentences = (
        ENGLISH[kind].cause,
        f"{others} other drives fell silent with it, and it stands for all of them.",
        "Look at what they share first, such as broker, network and power.",
    )
    return " ".join(sentences)


_JOINT_FAULTS = {Fault.LONG_LINK, Fault.SHORT_LINK, Fault.STIFF_JOINT, Fault.JOINT_OUT_OF_PLACE}


def _faults(step: _Step, faults: Sequence[ChainFault], t_ns: int) -> None:
    """What the map of the chain names, as far as it was folded."""
    for kind, which in ((_K.BAD_JOINT, _JOINT_FAULTS), (_K.WORN_SECTION, {Fault.WORN_SECTION})):
        setpoint = step.by.setpoints[kind]
        least_mm = (setpoint.value or 0.0) - (setpoint.deadband if step.is_active(kind) else 0.0)
        found = [each for each in faults if each.fault in which and abs(each.excess_mm) >= least_mm]
        worst = max(found, key=lambda each: abs(each.excess_mm), default=None)

        def tell(
            kind: ConditionKind = kind, worst: ChainFault | None = worst, at: float | None = setpoint.value
        ) -> Facts:
            if worst is None:
                return _plain(kind, "The map of the chain does not show it any more.")
            return _plain(kind, worst.words, value=abs(worst.excess_mm), u=worst.u_mm, setpoint=at, unit="mm")

        step.shows(kind, worst is not None, tell, t_ns=t_ns)


def _forecast(step: _Step, forecast: Forecast, now_ns: int) -> None:
    lead = _K.LIMIT_WITHIN_LEAD_TIME
    at = step.by.setpoints[lead].value if forecast.lead_days is None else forecast.lead_days
    _ahead(step, lead, (forecast.limit_ns - now_ns) / DAY_NS, at=at, within=True)
    if forecast.next_stop_ns is not None:
        stop, days = _K.LIMIT_BEFORE_STOP, (forecast.next_stop_ns - forecast.limit_ns) / DAY_NS
        _ahead(step, stop, days, at=step.by.setpoints[stop].value, within=False)


def _ahead(step: _Step, kind: ConditionKind, days: float, *, at: float | None, within: bool) -> None:
    """Hold days against so many: true within them, or beyond them."""
    band = step.by.setpoints[kind].deadband if step.is_active(kind) else 0.0
    at = at or 0.0
    says = days <= at + band if within else days > at - band
    step.shows(kind, says, lambda: _plain(kind, value=days, setpoint=at, unit="days"))


# What is kept from people by design

HIGHER = "a higher step of the same elongation stands"
STANDS = "the drive stands: this says nothing then"
CHECKED = "the sensing of the drive is being set up or checked"
LOCKED_OUT = "somebody works on the drive"
OFFLINE = "the device is offline, and that is told"
TOGETHER = "it fell silent together with others, and one of them is told in the place of all"
REACHED = "the limit is reached, and that is told"
FORETOLD = frozenset({_K.LIMIT_WITHIN_LEAD_TIME, _K.LIMIT_BEFORE_STOP})


def quiet_because(
    kind: ConditionKind,
    *,
    active: Collection[ConditionKind],
    stands: bool,
    function_check: bool,
    locked_out: bool,
    together: bool = False,
) -> str:
    """Return why a condition other than a step of elongation is suppressed by design just now; "" where it is not."""
    if kind in FORETOLD and _K.AT_LIMIT in active:
        return REACHED
    if not RULES[kind].quiet_standing:
        return ""
    reasons = {
        LOCKED_OUT: locked_out,
        CHECKED: function_check,
        STANDS: stands,
        OFFLINE: kind is _K.NO_READING and _K.DEVICE_OFFLINE in active,
        TOGETHER: together,
    }
    return next((why for why, is_so in reasons.items() if is_so), "")


def stands(state: State, now_ns: int) -> bool:
    """Whether the drive has stood for long enough to keep quiet about what says nothing then."""
    return state.standing_ns is not None and now_ns - state.standing_ns >= STANDS_NS
