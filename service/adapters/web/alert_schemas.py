"""What the API takes and gives of alerts, as Pydantic models with an example each.

A transition has the fields of the data of its CloudEvent (`core.event`), so that a client that is told by push and asks by
pull reads one form. Times are RFC 3339 text outside and nanoseconds inside.
"""

from enum import Enum
from typing import Annotated, Any, Self

from pydantic import ConfigDict, Field

from service.adapters.web.alert_words import STATES, TITLES
from service.adapters.web.instants import Instant
from service.adapters.web.schemas import In, Out, T
from service.annunciator import Advanced
from service.answer import AT_ONCE_MAX
from service.core.alert import Alert, Annunciation, Event, Hold, Transition
from service.core.drive import Drive
from service.core.event import alert_event
from service.core.fields import NOTE_CHARS_MAX
from service.core.hand import CAUTIONS
from service.core.setpoint import ConditionKind, Facts


class PriorityWord(Enum):
    """By consequence and time to respond."""

    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"


class Shown(Enum):
    """The state that is shown: the gravest hold, else where the condition stands."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned_unacknowledged"
    OUT_OF_SERVICE = "out_of_service"
    SUPPRESSED = "suppressed_by_design"
    SHELVED = "shelved"


_DRIVE: dict[str, Any] = {
    "id": "infeed-2",
    "name": "Infeed 2",
    "site": "Eschbach works",
    "area": "Sawmill",
    "line": "Line 3",
}
_FACTS: dict[str, Any] = {
    "cause": "The mean of the last five readings is at 91 % of the limit.",
    "mend": "Order a chain, and plan the change for the next stop.",
    "value": 91.2,
    "u": 0.8,
    "setpoint": 90.0,
    "unit": "% of the limit",
    "cautions": [],
}
_ALERT: dict[str, Any] = {
    "alert": "infeed-2.near",
    "drive": _DRIVE,
    "kind": "near",
    "title": TITLES[ConditionKind.NEAR],
    "state": "acknowledged",
    "state_words": STATES[Annunciation.ACKNOWLEDGED],
    "annunciation": "acknowledged",
    "active": True,
    "stands": True,
    "priority": "medium",
    "held": [],
    "occurrences": 1,
    "since": T,
    "cleared": None,
    "acknowledged_by": "m.brandt",
    "acknowledged": "2026-11-25T08:21:40Z",
    "work_order": "WO-4711",
    **_FACTS,
    "seq": 3,
    "number": 118,
    "changed": "2026-11-25T08:22:03Z",
    "last_event": "set_work_order",
    "last_by": "m.brandt",
}
_TRANSITION: dict[str, Any] = {
    "v": 1,
    "number": 117,
    "alert": "infeed-2.near",
    "kind": "near",
    "seq": 2,
    "event": "acknowledge",
    "priority": "medium",
    "annunciates": False,
    "before": "unacknowledged",
    "after": "acknowledged",
    "holds": [],
    "true": "2026-11-25T08:21:40Z",
    "recorded": "2026-11-25T08:21:40Z",
    "by": "m.brandt",
    "why": "on my round at ten",
    "until": None,
    "work_order": "",
    "cause": "",
    "mend": "",
    "value": None,
    "u": None,
    "setpoint": None,
    "unit": "",
    "cautions": [],
    "drive": _DRIVE,
}


class AlertDriveOut(Out):
    """Which drive, and where it is."""

    id: str
    name: str
    site: str
    area: str
    line: str

    @classmethod
    def of(cls, drive: Drive) -> Self:
        """Return a drive as the API gives it beside an alert."""
        return cls.model_construct(
            id=drive.drive_id, name=drive.name, site=drive.site, area=drive.area, line=drive.line
        )


class HeldOut(Out):
    """A hold that is on."""

    hold: Hold
    since: Instant
    until: Instant | None = Field(description="End of the shelf, or the day of the review")
    why: str
    by: str


class AlertOut(Out):
    """One alert as it is now."""

    model_config = ConfigDict(json_schema_extra={"examples": [_ALERT]})

    alert: str = Field(description="Id: the drive, a dot and the condition; the same for ever")
    drive: AlertDriveOut
    kind: ConditionKind = Field(description="The condition")
    title: str = Field(description="The condition in words")
    state: Shown = Field(description="The gravest hold, else the annunciation")
    state_words: str
    annunciation: Annunciation = Field(
        description="Whether the condition is true, and whether somebody saw it"
    )
    active: bool = Field(description="The condition is true")
    stands: bool = Field(description="Somebody has to know of it")
    priority: PriorityWord
    held: list[HeldOut] = Field(description="What keeps it from annunciating, the gravest first")
    occurrences: int
    since: Instant | None = Field(description="When it occurred last, by the reading's own time")
    cleared: Instant | None = Field(description="When it went back to normal after that")
    acknowledged_by: str
    acknowledged: Instant | None
    work_order: str
    cause: str = Field(description="What it is")
    mend: str = Field(description="What to do")
    value: float | None = Field(description="What was measured, in `unit`")
    u: float | None = Field(description="Its standard uncertainty (k = 1)")
    setpoint: float | None = Field(description="What it was held against")
    unit: str
    cautions: list[str] = Field(description="To be read first, where somebody is sent to the drive")
    seq: int = Field(
        description="Counts the transitions of this alert: send it along with what you do, to be told if somebody was first"
    )
    number: int = Field(description="Of its last transition")
    changed: Instant = Field(description="When its last transition was recorded")
    last_event: Event | None
    last_by: str

    @classmethod
    def of(cls, alert: Alert, drive: Drive) -> Self:
        """Return an alert as the API gives it."""
        return cls.model_construct(
            alert=alert.alert_id,
            drive=AlertDriveOut.of(drive),
            kind=alert.kind,
            title=TITLES[alert.kind],
            state=Shown(alert.state),
            state_words=STATES[alert.state],
            annunciation=alert.annunciation,
            active=alert.active,
            stands=alert.stands,
            priority=PriorityWord(alert.priority.name.lower()),
            held=[
                HeldOut.model_construct(
                    hold=each.hold, since=each.since_ns, until=each.until_ns, why=each.why, by=each.by
                )
                for each in alert.held
            ],
            occurrences=alert.occurrences,
            since=alert.since_ns,
            cleared=alert.cleared_ns,
            acknowledged_by=alert.acknowledged_by,
            acknowledged=alert.acknowledged_ns,
            work_order=alert.work_order,
            **_facts(alert.facts),
            seq=alert.seq,
            number=alert.number,
            changed=alert.changed_ns,
            last_event=alert.last_event,
            last_by=alert.last_by,
        )


def _facts(facts: Facts | None) -> dict[str, Any]:
    facts = facts or Facts(cause="", mend="")
    return {
        "cause": facts.cause,
        "mend": facts.mend,
        "value": facts.value,
        "u": facts.u,
        "setpoint": facts.setpoint,
        "unit": facts.unit,
        "cautions": list(CAUTIONS) if facts.at_drive else [],
    }


class AlertListOut(Out):
    """A page of alerts, by id."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"alerts": [_ALERT], "next": None, "number": 118}]}
    )

    alerts: list[AlertOut]
    next: str | None = Field(description="`cursor` of the next page; null: this is the last")
    number: int = Field(
        description="Newest transition before this was read: ask /alerts/transitions after it, and you miss nothing"
    )


class TransitionOut(Out):
    """One step in the life of an alert; the data of its CloudEvent has the same fields."""

    model_config = ConfigDict(json_schema_extra={"examples": [_TRANSITION]})

    v: int
    number: int = Field(
        description="Counts the transitions of all alerts, in the order in which they become visible"
    )
    alert: str
    kind: ConditionKind
    seq: int = Field(description="Counts those of this alert")
    event: Event
    priority: PriorityWord
    annunciates: bool = Field(description="People are to be told of it as of something new")
    before: Annunciation
    after: Annunciation
    holds: list[Hold] = Field(description="What keeps it from annunciating after this step")
    true: str = Field(description="When it was so, RFC 3339", json_schema_extra={"format": "date-time"})
    recorded: str = Field(description="When it was written down", json_schema_extra={"format": "date-time"})
    by: str
    why: str
    until: str | None = Field(description="End of the shelf, or review of out of service")
    work_order: str
    cause: str
    mend: str
    value: float | None
    u: float | None
    setpoint: float | None
    unit: str
    cautions: list[str]
    drive: AlertDriveOut

    @classmethod
    def of(cls, transition: Transition, drive: Drive) -> Self:
        """Return a stored transition as the API gives it."""
        data = alert_event(transition, drive, "").data
        return cls.model_validate(data)


class TransitionListOut(Out):
    """Transitions after a number."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"transitions": [_TRANSITION], "next": 117, "more": False}]}
    )

    transitions: list[TransitionOut] = Field(description="By number")
    next: int = Field(description="`after` of the next request")
    more: bool = Field(description="There may be more just now: ask again at once")


class AnsweredOut(Out):
    """What was done, and the alert as it then is."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"alert": _ALERT, "transition": _TRANSITION}]})

    alert: AlertOut
    transition: TransitionOut

    @classmethod
    def of(cls, done: Advanced, drive: Drive) -> Self:
        """Return what the door answered."""
        return cls.model_construct(
            alert=AlertOut.of(done.alert, drive), transition=TransitionOut.of(done.transition, drive)
        )


class NotAcknowledgedOut(Out):
    """An alert of many that was not acknowledged, and why."""

    alert: str
    detail: str
    now: AlertOut | None = Field(description="The alert as it is now; null where there is none")


class AcknowledgedOut(Out):
    """What came of acknowledging many: each is in one of the two lists."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "acknowledged": [_ALERT],
                    "refused": [
                        {
                            "alert": "infeed-2.bad_joint",
                            "detail": "infeed-2.bad_joint cannot acknowledge: it is acknowledged (acknowledge by k.oster)",
                            "now": None,
                        }
                    ],
                }
            ]
        }
    )

    acknowledged: list[AlertOut]
    refused: list[NotAcknowledgedOut]


# What a client sends

Seq = Annotated[
    int | None,
    Field(ge=0, le=2**62, description="`seq` of the alert as you saw it; left out: whatever it is now"),
]
Why = Annotated[str, Field(max_length=NOTE_CHARS_MAX)]


class AcknowledgeIn(In):
    """That somebody saw it."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"seq": 1, "why": "on my round at ten"}]})

    seq: Seq = None
    why: Why = ""


class ShelveIn(In):
    """Until when it shall not annunciate, and why."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {"seq": 2, "until": "2026-11-29T18:00:00Z", "why": "chain is changed at Sunday's stop"}
            ]
        }
    )

    seq: Seq = None
    until: Instant = Field(description="30 days from now at most")
    why: Why


class UnshelveIn(In):
    """That it shall annunciate again."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"seq": 3, "why": "the stop was put off"}]})

    seq: Seq = None
    why: Why = ""


class OutOfServiceIn(In):
    """Why it means nothing for now, and the day to look at it again."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {"seq": 2, "review": "2026-12-20T06:00:00Z", "why": "bracket off for the rebuild of line 3"}
            ]
        }
    )

    seq: Seq = None
    review: Instant = Field(description="366 days from now at most")
    why: Why


class BackInServiceIn(In):
    """That it counts again."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"seq": 3, "why": "bracket is back on"}]})

    seq: Seq = None
    why: Why = ""


class CommentIn(In):
    """What others shall read in its history."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"why": "heard it click at the tail"}]})

    seq: Seq = None
    why: Why = Field(description="The comment")


class WorkOrderIn(In):
    """Under which reference the work is planned."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"seq": 2, "work_order": "WO-4711"}]})

    seq: Seq = None
    work_order: str = Field(max_length=200, description='Reference of the work order; "" takes it away')
    why: Why = ""


class SeenIn(In):
    """One alert of many, as somebody saw it."""

    alert: str = Field(max_length=200)
    seq: Seq = None


class AcknowledgeManyIn(In):
    """Those alerts that somebody saw."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "alerts": [{"alert": "infeed-2.near", "seq": 1}, {"alert": "infeed-2.bad_joint"}],
                    "why": "shift meeting",
                }
            ]
        }
    )

    alerts: list[SeenIn] = Field(min_length=1, max_length=AT_ONCE_MAX)
    why: Why = ""
