"""What is worth telling people of a drive: conditions, each with its setpoint, deadband, delays and priority.

A condition is true or false; an alert has a life cycle (`alert`). Terms by IEC 62682 (from memory).

Each kind of condition has one rule (`RULES`): what its value means, within which bounds people may set it, what it counts
for its delays, and the setpoint that holds where nobody said otherwise. People override fields of it for a site, a class of
drives or one drive; the most specific that says anything of a field counts, field by field (`effective`).

Knows numbers and durations; must not know who is told, nor whether a condition is true (`condition`).
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from enum import IntEnum, StrEnum
from types import MappingProxyType

from service.core.fields import (
    flag_problem,
    instant_problem,
    number_problem,
    refuse,
    text_problem,
    whole_problem,
)


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

    LOW = 1  # to be planned
    MEDIUM = 2  # answer next
    HIGH = 3  # answer first


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


class Consequence(IntEnum):
    """What follows if nobody answers."""

    MINOR = 1  # a value is missing or doubtful; the chain itself is well
    SERIOUS = 2  # wear goes on faster, sprockets wear with it, a stop has to be found
    GRAVE = 3  # the chain may jump teeth or break


class Respond(IntEnum):
    """How soon somebody has to answer so that it does not come to that."""

    WEEKS = 1
    DAYS = 2
    SHIFT = 3


# IEC 62682 takes the priority from the consequence and the time to respond (from memory); this table is ours.
PRIORITY_OF: Mapping[tuple[Consequence, Respond], Priority] = MappingProxyType(
    {
        (Consequence.MINOR, Respond.WEEKS): Priority.LOW,
        (Consequence.MINOR, Respond.DAYS): Priority.LOW,
        (Consequence.MINOR, Respond.SHIFT): Priority.MEDIUM,
        (Consequence.SERIOUS, Respond.WEEKS): Priority.LOW,
        (Consequence.SERIOUS, Respond.DAYS): Priority.MEDIUM,
        (Consequence.SERIOUS, Respond.SHIFT): Priority.MEDIUM,
        (Consequence.GRAVE, Respond.WEEKS): Priority.MEDIUM,
        (Consequence.GRAVE, Respond.DAYS): Priority.HIGH,
        (Consequence.GRAVE, Respond.SHIFT): Priority.HIGH,
    }
)


class Counted(StrEnum):
    """What the delays of a condition count."""

    READINGS = "readings"
    JUDGEMENTS = "judgements"  # of many readings together, made every so often by the drive's own time
    MEASUREMENTS = "measurements by hand"
    LOOKS = "looks"  # at the clock: what has come by now, and what has not


READINGS_MOST = 10_000
DELAY_S_MOST = 30 * 86_400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Setpoint:
    """When a condition occurs and when it clears.

    It occurs once `on_readings` of what it counts have shown it one after the other, over `on_s` seconds at least; it
    clears in the same way by `off_readings` and `off_s` once the value is off the setpoint by the deadband. Where readings
    have an uncertainty the deadband is twice that at least (see `deadband_of`). `value`: in the unit of the rule; None for a
    condition that has no number.
    """

    value: float | None = None
    deadband: float = 0.0
    on_readings: int = 1
    on_s: float = 0.0
    off_readings: int = 1
    off_s: float = 0.0
    priority: Priority = Priority.LOW
    enabled: bool = True


FIELDS = tuple(each.name for each in fields(Setpoint))


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """What there is to know of one kind of condition besides its words.

    `unit`: of value and deadband; "" where there is no value. `least`, `most`: bounds of the value. `readings_least`: of
    on_readings: what a single noisy value may show needs two at least. `of_chain`: a new chain clears it.
    `quiet_standing`: says nothing while the drive stands or somebody works on it, so it is suppressed then.
    """

    setpoint: Setpoint
    consequence: Consequence
    respond: Respond
    source: str
    counts: Counted
    unit: str = ""
    least: float = 0.0
    most: float = 0.0
    readings_least: int = 1
    of_chain: bool = False
    quiet_standing: bool = False

    @property
    def priority(self) -> Priority:
        """The priority that consequence and time to respond give."""
        return PRIORITY_OF[self.consequence, self.respond]


OURS = "common practice, no source"
SHARE = "% of the limit"
_C, _R, _K = Consequence, Respond, ConditionKind


def _rule(
    value: float | None,
    deadband: float,
    on: tuple[int, float],
    off: tuple[int, float],
    why: tuple[Consequence, Respond],
    **more: object,
) -> Rule:
    """The rule of a kind; its priority is that of consequence and time to respond."""
    enabled = bool(more.pop("enabled", True))
    setpoint = Setpoint(
        value=value,
        deadband=deadband,
        on_readings=on[0],
        on_s=on[1],
        off_readings=off[0],
        off_s=off[1],
        priority=PRIORITY_OF[why],
        enabled=enabled,
    )
    return Rule(setpoint=setpoint, consequence=why[0], respond=why[1], **more)  # type: ignore[arg-type]


def _step(share: float, why: tuple[Consequence, Respond], source: str) -> Rule:
    """One step of elongation towards the limit: ten minutes of readings show it, wear takes weeks."""
    of = {"source": source, "counts": Counted.READINGS, "unit": SHARE, "least": 5.0, "most": 150.0}
    return _rule(share, 2.0, (5, 600.0), (5, 600.0), why, **of, readings_least=2, of_chain=True)


_OF_READINGS = {"source": OURS, "counts": Counted.READINGS, "readings_least": 2, "quiet_standing": True}
_OF_MANY = {"source": OURS, "counts": Counted.JUDGEMENTS, "quiet_standing": True}
_OF_CLOCK = {"source": OURS, "counts": Counted.LOOKS, "quiet_standing": True}
_OF_MAP = {"source": OURS, "counts": Counted.JUDGEMENTS, "unit": "mm", "most": 100.0, "of_chain": True}
_AHEAD = {"source": OURS, "counts": Counted.LOOKS, "unit": "days", "most": 3650.0, "of_chain": True}
_PAIR = {"counts": Counted.JUDGEMENTS, "of_chain": True}

RULES: Mapping[ConditionKind, Rule] = MappingProxyType(
    {
        _K.APPROACHING: _step(70.0, (_C.MINOR, _R.WEEKS), OURS),
        _K.NEAR: _step(90.0, (_C.SERIOUS, _R.DAYS), OURS),
        _K.AT_LIMIT: _step(100.0, (_C.GRAVE, _R.DAYS), "the limit itself: chain makers' advice (see `drive`)"),
        _K.LIMIT_WITHIN_LEAD_TIME: _rule(28.0, 3.0, (2, 0.0), (2, 0.0), (_C.SERIOUS, _R.DAYS), **_AHEAD),
        _K.LIMIT_BEFORE_STOP: _rule(0.0, 2.0, (2, 0.0), (2, 0.0), (_C.SERIOUS, _R.WEEKS), **_AHEAD),
        _K.WEAR_RATE_RISEN: _rule(
            2.0, 0.5, (2, 0.0), (2, 0.0), (_C.SERIOUS, _R.DAYS),
            source=OURS, unit="times its own", least=1.2, most=100.0, **_PAIR,
        ),
        _K.STRANDS_APART: _rule(
            0.3, 0.1, (2, 0.0), (2, 0.0), (_C.SERIOUS, _R.WEEKS),
            source=OURS, unit="%", least=0.02, most=10.0, **_PAIR,
        ),
        _K.BAD_JOINT: _rule(0.1, 0.02, (1, 0.0), (1, 0.0), (_C.SERIOUS, _R.DAYS), **_OF_MAP),
        _K.WORN_SECTION: _rule(0.5, 0.1, (1, 0.0), (1, 0.0), (_C.SERIOUS, _R.WEEKS), **_OF_MAP),
        _K.HAND_DISAGREES: _rule(
            2.0, 0.0, (1, 0.0), (1, 0.0), (_C.MINOR, _R.DAYS),
            source="JCGM 100:2008, 4.3.7 (from memory)", counts=Counted.MEASUREMENTS,
            unit="standard uncertainties", least=1.0, most=10.0, of_chain=True,
        ),
        _K.WHOLE_UNCERTAIN: _rule(None, 0.0, (6, 60.0), (3, 0.0), (_C.MINOR, _R.DAYS), **_OF_READINGS),
        _K.SENSOR_MOVED: _rule(None, 0.0, (1, 0.0), (1, 0.0), (_C.SERIOUS, _R.DAYS), **_OF_MANY),
        _K.SENSING_FAILED: _rule(None, 0.0, (3, 20.0), (3, 20.0), (_C.MINOR, _R.DAYS), **_OF_READINGS),
        _K.SENSING_OUT_OF_SPECIFICATION: _rule(None, 0.0, (12, 600.0), (6, 60.0), (_C.MINOR, _R.WEEKS), **_OF_READINGS),
        # What is just at the share of pulses at which it is told of comes and goes by chance from judgement to judgement.
        _K.SENSING_MAINTENANCE: _rule(None, 0.0, (2, 0.0), (12, 0.0), (_C.MINOR, _R.WEEKS), **_OF_MANY),
        _K.DEVICE_OFFLINE: _rule(None, 0.0, (1, 120.0), (1, 0.0), (_C.MINOR, _R.DAYS), **_OF_CLOCK),
        _K.NO_READING: _rule(
            900.0, 0.0, (1, 0.0), (1, 0.0), (_C.MINOR, _R.DAYS), unit="s", least=10.0, most=1e7, **_OF_CLOCK
        ),
        _K.STOPPED_WHEN_DUE: _rule(
            8.0, 0.0, (2, 0.0), (2, 0.0), (_C.SERIOUS, _R.SHIFT),
            source=OURS, counts=Counted.READINGS, unit="h", least=0.05, most=10_000.0, enabled=False,
        ),
    }
)  # fmt: skip

STEPS = (ConditionKind.APPROACHING, ConditionKind.NEAR, ConditionKind.AT_LIMIT)  # from the lowest


def deadband_of(setpoint: Setpoint, u: float, scale: float = 1.0) -> float:
    """Return the deadband that counts: the one that was set, and twice the uncertainty of the value at least.

    Args:
        setpoint: its deadband times `scale` is in the unit of `u`.
        u: standard uncertainty of the value.
        scale: units of `u` in one of the setpoint.

    Source: management of alerts by IEC 62682 asks that noise makes no second one (from memory); twice u is ours.
    """
    return max(setpoint.deadband * scale, 2.0 * u)


# What people set


class Scope(StrEnum):
    """For whom an override holds; a later one is more specific."""

    SITE = "site"
    CLASS = "class"  # of drives
    DRIVE = "drive"


BUILT_IN = "built in"


@dataclass(frozen=True, slots=True, kw_only=True)
class Override:
    """What people set of one kind of condition for a site, a class of drives or one drive; None: nothing of that field.

    Raises FieldsRefusedError where a field cannot be, or where none is given.
    """

    scope: Scope
    name: str  # of the site or class, or the id of the drive
    kind: ConditionKind
    value: float | None = None
    deadband: float | None = None
    on_readings: int | None = None
    on_s: float | None = None
    off_readings: int | None = None
    off_s: float | None = None
    priority: Priority | None = None
    enabled: bool | None = None
    why: str
    by: str
    at_ns: int

    def __post_init__(self) -> None:
        rule = RULES[self.kind]
        readings = f"give a whole number; it counts {rule.counts}"
        refuse(
            name=text_problem(self.name) or (None if self.name else "say for which site, class or drive it is"),
            value=_value_problem(rule, self.value),
            deadband=number_problem(
                self.deadband, 0, max(rule.most, 0.0), f"give it in {rule.unit or 'no unit: there is no value'}",
                optional=True,
            ),
            on_readings=whole_problem(
                self.on_readings, rule.readings_least, READINGS_MOST,
                readings + ("; one alone may be noise" if rule.readings_least > 1 else ""), optional=True,
            ),
            on_s=number_problem(self.on_s, 0, DELAY_S_MOST, "give seconds", optional=True),
            off_readings=whole_problem(
                self.off_readings, rule.readings_least, READINGS_MOST, readings, optional=True
            ),
            off_s=number_problem(self.off_s, 0, DELAY_S_MOST, "give seconds", optional=True),
            priority=None if self.priority is None or isinstance(self.priority, Priority) else "give 1, 2 or 3",
            enabled=None if self.enabled is None else flag_problem(self.enabled),
            why=text_problem(self.why, lines=True) or (None if self.why else "say why: people ask later"),
            by=text_problem(self.by),
            at_ns=instant_problem(self.at_ns),
        )  # fmt: skip
        refuse(
            kind=None if self.given else "give at least one field to set; to go back to what was, remove it"
        )

    @property
    def given(self) -> dict[str, object]:
        """The fields that it sets."""
        found = {name: getattr(self, name) for name in FIELDS}
        return {name: value for name, value in found.items() if value is not None}


def _value_problem(rule: Rule, value: float | None) -> str | None:
    if value is not None and not rule.unit:
        return "this condition has no value: it is so or it is not"
    return number_problem(value, rule.least, rule.most, f"give it in {rule.unit}", optional=True)


@dataclass(frozen=True, slots=True)
class Effective:
    """The setpoint that holds, and where each field of it comes from: built in, or the scope that set it."""

    setpoint: Setpoint
    origin: Mapping[str, str]


def effective(
    kind: ConditionKind, overrides: Iterable[Override], *, site: str, drive_class: str, drive_id: str
) -> Effective:
    """Return the setpoint of a kind of condition for a drive: field by field the most specific that says anything.

    Args:
        kind: of condition.
        overrides: any; those of other drives, kinds, sites and classes are left out.
        site: of the drive; "" is no site, so none of a site holds.
        drive_class: likewise.
        drive_id: of the drive.
    """
    names = {Scope.SITE: site, Scope.CLASS: drive_class, Scope.DRIVE: drive_id}
    own = [each for each in overrides if each.kind is kind and each.name and names[each.scope] == each.name]
    built_in = RULES[kind].setpoint
    values: dict[str, object] = {name: getattr(built_in, name) for name in FIELDS}
    origin = dict.fromkeys(FIELDS, BUILT_IN)
    for scope in Scope:
        for each in own:
            if each.scope is scope:
                values |= each.given
                origin |= dict.fromkeys(each.given, str(scope))
    return Effective(Setpoint(**values), MappingProxyType(origin))  # type: ignore[arg-type]
