"""API: alerts that stand and that stood, their histories, everything since a number, and what people answer."""

import re
from collections.abc import AsyncGenerator, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from enum import Enum
from typing import Annotated, Any

from fastapi import APIRouter, Body, Depends, Header, Path, Query, Response
from pydantic import BaseModel, ConfigDict, Field
from starlette.concurrency import run_in_threadpool

from service.adapters.web import alerts
from service.adapters.web.alert_schemas import (
    AcknowledgedOut,
    AcknowledgeIn,
    AcknowledgeManyIn,
    AlertListOut,
    AlertOut,
    AnsweredOut,
    BackInServiceIn,
    CommentIn,
    NotAcknowledgedOut,
    OutOfServiceIn,
    PriorityWord,
    ShelveIn,
    Shown,
    TransitionListOut,
    TransitionOut,
    UnshelveIn,
    WorkOrderIn,
)
from service.adapters.web.alerts import Filters
from service.adapters.web.allowed import needs
from service.adapters.web.instants import Instant
from service.adapters.web.live import EventStream
from service.adapters.web.parts import Parts, PartsDep, WhoDep
from service.adapters.web.problems import ProblemError, refusals, responses
from service.annunciator import Advanced
from service.answer import Said
from service.core.alert import NotAllowedError, Transition
from service.core.drive import Drive
from service.core.people import Role
from service.core.setpoint import ConditionKind, Priority
from service.ports import OvertakenError

router = APIRouter(prefix="/alerts", tags=["alerts"])

ROWS_MAX = 1000
WAIT_S_MAX = 30
NUMBER_MAX = 2**62

AlertId = Annotated[
    str,
    Path(
        max_length=200,
        description="Id of an alert: the drive, a dot and the condition",
        examples=["infeed-2.near"],
    ),
]
DriveFilter = Annotated[str | None, Query(max_length=64, description="Of this drive only")]


# What there is


class Standing(Enum):
    """Whether somebody has to know of it."""

    TRUE = "true"
    FALSE = "false"
    ANY = "any"


class Asked(BaseModel):
    """Which alerts are asked for; what is given more than once lets any of them pass."""

    model_config = ConfigDict(extra="forbid")

    standing: Standing = Field(
        default=Standing.TRUE, description="true: those that stand; false: those that are over; any: both"
    )
    site: str | None = Field(default=None, max_length=200)
    area: str | None = Field(default=None, max_length=200)
    line: str | None = Field(default=None, max_length=200)
    drive: str | None = Field(default=None, max_length=64, description="Id of a drive")
    priority: list[PriorityWord] = Field(default_factory=list)
    state: list[Shown] = Field(default_factory=list)
    kind: list[ConditionKind] = Field(default_factory=list)
    since: Instant | None = Field(default=None, description="Something happened to it after that")
    cursor: str = Field(default="", max_length=200, description="`next` of the page before")
    rows_max: int = Field(default=100, ge=1, le=ROWS_MAX)

    def filters(self) -> Filters:
        """Return them as they are looked for."""
        return Filters(
            site=self.site,
            area=self.area,
            line=self.line,
            drive=self.drive,
            priorities=frozenset(Priority[each.name] for each in self.priority),
            states=frozenset(each.value for each in self.state),
            kinds=frozenset(self.kind),
            since_ns=self.since,
            standing=None if self.standing is Standing.ANY else self.standing is Standing.TRUE,
        )


@router.get("", summary="List alerts", responses=responses(), dependencies=[needs(Role.VIEWER)])
def list_alerts(parts: PartsDep, asked: Annotated[Asked, Query()]) -> AlertListOut:
    """Alerts by id, a page at a time; those that stand unless you ask for others.

    To keep a copy: read all pages, then ask /alerts/transitions after the `number` of the first page, on and on.
    """
    number = parts.alert_log.newest_number()
    every = [each for each in alerts.found(parts, asked.filters()) if each.alert.alert_id > asked.cursor]
    page = every[: asked.rows_max]
    return AlertListOut.model_construct(
        alerts=[AlertOut.of(each.alert, each.drive) for each in page],
        next=page[-1].alert.alert_id if len(every) > len(page) else None,
        number=number,
    )


@router.get(
    "/transitions",
    summary="Everything after a number",
    responses=responses(409),
    dependencies=[needs(Role.VIEWER)],
)
async def list_transitions(
    parts: PartsDep,
    after: Annotated[
        int, Query(ge=0, le=NUMBER_MAX, description="`next` of the answer before; 0: from the start")
    ] = 0,
    drive: DriveFilter = None,
    rows_max: Annotated[int, Query(ge=1, le=ROWS_MAX)] = 500,
    wait_s: Annotated[
        float, Query(ge=0, le=WAIT_S_MAX, description="Where there is none yet, wait so long for one")
    ] = 0.0,
) -> TransitionListOut:
    """What happened to all alerts after a number, in order; a client that was away misses nothing.

    Numbers rise in the order in which transitions become visible and never come again: keep `next`, and send it as
    `after`. Nothing is ever taken out of this list.
    """
    await run_in_threadpool(_refuse_ahead, parts, after)
    _refuse_crowd(parts)
    page = await parts.alert_feed.wait(after, drive, wait_s, rows_max)
    told = await run_in_threadpool(_transitions_out, parts, page)
    return TransitionListOut.model_construct(
        transitions=told, next=page[-1].number if page else after, more=len(page) == rows_max
    )


STREAM_EXAMPLE = """retry: 2000

id: 116
event: beat
data: {"now_ms": 1764058503200, "store": "up"}

id: 117
event: transition
data: {"v": 1, "number": 117, "alert": "infeed-2.near", "event": "acknowledge", ...}

"""


@router.get(
    "/stream",
    summary="Live stream of everything that happens to alerts",
    status_code=200,
    response_class=EventStream,
    responses={
        200: {
            "description": "Server-sent events without end",
            "content": {"text/event-stream": {"schema": {"type": "string"}, "example": STREAM_EXAMPLE}},
        },
        **responses(409),
    },
    dependencies=[needs(Role.VIEWER)],
)
async def stream(
    parts: PartsDep,
    last_event_id: Annotated[
        str, Header(max_length=20, description="Id of the last event seen; a browser sends it by itself")
    ] = "",
    after: Annotated[
        str, Query(max_length=20, description="The same, for programs that set no headers; 0: from the start")
    ] = "",
    drive: DriveFilter = None,
) -> Response:
    """One `transition` event for each transition, its data as an entry of /alerts/transitions and its id the number.

    Without a number it begins with what comes from now on. Nothing is left out, however slow a client is or however
    long it was away. A `beat` comes at least every 5 s and says whether the store answers. Mind that a browser opens
    6 connections to one host at most: one stream a page.
    """
    text = last_event_id or after
    if text and not (text.isascii() and text.isdigit()):
        raise ProblemError(
            422, f"{text!r} is no number of a transition: send the id of the last event, or nothing"
        )
    _refuse_crowd(parts)
    begin = int(text) if text else await run_in_threadpool(parts.alert_log.newest_number)
    await run_in_threadpool(_refuse_ahead, parts, begin)
    return EventStream(_events(parts, begin, drive))


def _events(parts: Parts, after: int, drive_id: str | None) -> AsyncGenerator[bytes, None]:
    def encode(page: Sequence[Transition]) -> bytes:
        return b"".join(
            f"id: {each.number}\nevent: transition\ndata: {each.model_dump_json()}\n\n".encode()
            for each in _transitions_out(parts, page)
        )

    return parts.alert_feed.events(after, drive_id, encode)


def _refuse_ahead(parts: Parts, after: int) -> None:
    newest = parts.alert_log.newest_number()
    if after > newest:
        raise ProblemError(
            409,
            f"there is no transition {after} yet, the newest is {newest}: the store was put back from a copy, or the number "
            "is another's. Read /alerts anew and go on from its `number`",
        )


def _refuse_crowd(parts: Parts) -> None:
    if parts.alert_feed.clients >= parts.settings.stream_clients_max:
        raise ProblemError(
            503, f"{parts.alert_feed.clients} clients listen already: close some, or try again later"
        )


def _transitions_out(parts: Parts, page: Sequence[Transition]) -> list[TransitionOut]:
    drives: dict[str, Drive] = {}
    for each in page:
        if each.drive_id not in drives:
            drives[each.drive_id] = alerts.drive_of(parts, each.drive_id)
    return [TransitionOut.of(each, drives[each.drive_id]) for each in page]


@router.get(
    "/{alert_id}",
    summary="One alert as it is now",
    responses=responses(404),
    dependencies=[needs(Role.VIEWER)],
)
def show_alert(parts: PartsDep, alert_id: AlertId, response: Response) -> AlertOut:
    """The alert, with its `seq` as ETag: send it back as If-Match, or as `seq`, with what you do."""
    found = alerts.one(parts, alert_id)
    response.headers["ETag"] = f'"{found.alert.seq}"'
    return AlertOut.of(found.alert, found.drive)


@router.get(
    "/{alert_id}/history",
    summary="What happened to one alert",
    responses=responses(404),
    dependencies=[needs(Role.VIEWER)],
)
def history(
    parts: PartsDep,
    alert_id: AlertId,
    rows_max: Annotated[int, Query(ge=1, le=ROWS_MAX, description="The newest so many")] = 100,
) -> list[TransitionOut]:
    """Its transitions by `seq`: from, to, why, by whom, when true and when recorded."""
    alerts.one(parts, alert_id)
    return _transitions_out(parts, parts.alert_log.of_alert(alert_id, rows_max))


# What people answer


@dataclass(frozen=True, slots=True)
class Answering:
    """What comes with each answer besides its body."""

    parts: Parts
    by: str
    key: str | None
    if_match: str | None

    def said(self, why: str = "", seq: int | None = None) -> Said:
        """Return it as the door takes it. Raises ProblemError where If-Match and `seq` contradict each other."""
        matched = _seq_of(self.if_match)
        if seq is not None and matched is not None and seq != matched:
            raise ProblemError(422, f"If-Match says {matched} and seq says {seq}: send one of them")
        return Said(
            by=self.by,
            at_ns=self.parts.now_ns(),
            why=why,
            seq=seq if matched is None else matched,
            key=self.key,
        )


def _seq_of(if_match: str | None) -> int | None:
    """Return the `seq` that an If-Match header names; None where it names none (or `*`)."""
    if if_match is None or if_match.strip() == "*":
        return None
    match = re.fullmatch(r'(")?(\d{1,18})(?(1)")', if_match.strip(), re.ASCII)
    if match is None:
        raise ProblemError(422, f'If-Match: {if_match[:40]!r} is no ETag of an alert: send it like "3"')
    return int(match[2])


def _answering(
    parts: PartsDep,
    by: WhoDep,
    idempotency_key: Annotated[
        str | None,
        Header(
            max_length=200,
            description="Your own name for this answer, such as a UUID: sent again with the same key, it is done once",
        ),
    ] = None,
    if_match: Annotated[
        str | None, Header(max_length=40, description="ETag of the alert as you saw it, in place of `seq`")
    ] = None,
) -> Answering:
    return Answering(parts, by, idempotency_key, if_match)


AnsweringDep = Annotated[Answering, Depends(_answering)]
_OPERATOR: dict[str, Any] = {
    "responses": responses(404, 409, 413),
    "dependencies": [needs(Role.OPERATOR)],
}
_ENGINEER: dict[str, Any] = {
    "responses": responses(404, 409, 413),
    "dependencies": [needs(Role.ENGINEER)],
}


@contextmanager
def _told(parts: Parts, alert_id: str) -> Iterator[None]:
    """Turn what the door refuses into a problem that says what the first one did and how the alert is now."""
    try:
        with refusals():
            yield
    except (OvertakenError, NotAllowedError) as error:
        overtaken = isinstance(error, OvertakenError)
        now = parts.alert_log.alert(alert_id)
        drive = alerts.drive_of(parts, now.drive_id) if now else None
        more = {
            "type": f"urn:linklag:problem:{'overtaken' if overtaken else 'not-in-this-state'}",
            "title": "Somebody else was first" if overtaken else "Not in this state",
            "alert": AlertOut.of(now, drive).model_dump(mode="json") if now and drive else None,
        }
        raise ProblemError(409, str(error), more=more) from error


def _out(parts: Parts, done: Advanced) -> AnsweredOut:
    return AnsweredOut.of(done, alerts.drive_of(parts, done.alert.drive_id))


@router.post("/acknowledge", summary="Acknowledge many alerts", **_OPERATOR)
def acknowledge_many(answering: AnsweringDep, given: AcknowledgeManyIn) -> AcknowledgedOut:
    """Acknowledge those that can be; the others come back with the reason and as they are now.

    The key, where there is one, counts for each of them. If-Match means nothing here: each has its own `seq`.
    """
    parts = answering.parts
    seen = {each.alert: each.seq for each in given.alerts}
    said = Said(by=answering.by, at_ns=parts.now_ns(), why=given.why, key=answering.key)
    with refusals():
        came = parts.answer.acknowledge_all(seen, said)
    drives = {each.drive_id: each for each in parts.register.drives(retired=True)}
    refused = []
    for each in came.refused:
        now = parts.alert_log.alert(each.alert_id)
        out = AlertOut.of(now, drives.get(now.drive_id) or Drive(drive_id=now.drive_id)) if now else None
        refused.append(NotAcknowledgedOut.model_construct(alert=each.alert_id, detail=each.detail, now=out))
    return AcknowledgedOut.model_construct(
        acknowledged=[_out(parts, each).alert for each in came.done], refused=refused
    )


@router.post("/{alert_id}/acknowledge", summary="Acknowledge an alert", **_OPERATOR)
def acknowledge(
    answering: AnsweringDep, alert_id: AlertId, given: Annotated[AcknowledgeIn, Body()]
) -> AnsweredOut:
    """Say that it was seen. That somebody is on it is told to all others."""
    with _told(answering.parts, alert_id):
        done = answering.parts.answer.acknowledge(alert_id, answering.said(given.why, given.seq))
    return _out(answering.parts, done)


@router.post("/{alert_id}/shelve", summary="Shelve an alert for a time", **_OPERATOR)
def shelve(answering: AnsweringDep, alert_id: AlertId, given: ShelveIn) -> AnsweredOut:
    """Keep it from annunciating until a time, 30 days at most. It goes on being evaluated and recorded."""
    with _told(answering.parts, alert_id):
        done = answering.parts.answer.shelve(alert_id, answering.said(given.why, given.seq), given.until)
    return _out(answering.parts, done)


@router.post("/{alert_id}/unshelve", summary="Take an alert off the shelf", **_OPERATOR)
def unshelve(answering: AnsweringDep, alert_id: AlertId, given: Annotated[UnshelveIn, Body()]) -> AnsweredOut:
    """Let it annunciate again before the time is over."""
    with _told(answering.parts, alert_id):
        done = answering.parts.answer.unshelve(alert_id, answering.said(given.why, given.seq))
    return _out(answering.parts, done)


@router.post("/{alert_id}/out-of-service", summary="Take an alert out of service", **_ENGINEER)
def take_out_of_service(answering: AnsweringDep, alert_id: AlertId, given: OutOfServiceIn) -> AnsweredOut:
    """Keep it from annunciating until it is put back, with a day to look at it again. It goes on being recorded."""
    with _told(answering.parts, alert_id):
        said = answering.said(given.why, given.seq)
        done = answering.parts.answer.take_out_of_service(alert_id, said, given.review)
    return _out(answering.parts, done)


@router.post("/{alert_id}/back-in-service", summary="Put an alert back in service", **_ENGINEER)
def put_back_in_service(
    answering: AnsweringDep, alert_id: AlertId, given: Annotated[BackInServiceIn, Body()]
) -> AnsweredOut:
    """Let it annunciate again."""
    with _told(answering.parts, alert_id):
        done = answering.parts.answer.put_back_in_service(alert_id, answering.said(given.why, given.seq))
    return _out(answering.parts, done)


@router.post("/{alert_id}/comments", summary="Comment on an alert", **_OPERATOR)
def comment(answering: AnsweringDep, alert_id: AlertId, given: CommentIn) -> AnsweredOut:
    """Write something into its history."""
    with _told(answering.parts, alert_id):
        done = answering.parts.answer.comment(alert_id, answering.said(given.why, given.seq))
    return _out(answering.parts, done)


@router.post("/{alert_id}/work-order", summary="Name the work order of an alert", **_OPERATOR)
def set_work_order(answering: AnsweringDep, alert_id: AlertId, given: WorkOrderIn) -> AnsweredOut:
    """Say under which reference the work is planned. It goes away by itself when the condition occurs anew later."""
    with _told(answering.parts, alert_id):
        said = answering.said(given.why, given.seq)
        done = answering.parts.answer.set_work_order(alert_id, said, given.work_order)
    return _out(answering.parts, done)
