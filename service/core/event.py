"""What is said to the outside: a transition as a CloudEvent, the standing alerts of a drive, and both in words.

Each transition makes the same event, byte for byte, whoever asks and how often; a receiver that has seen its id has seen
it. Where somebody is sent to the drive, the cautions go with it.

Sources: CloudEvents 1.0.2, "Context Attributes" and the JSON event format (from memory); RFC 3339.

Knows alerts and drives; must not know by which way an event goes, nor to whom.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime, tzinfo
from typing import Any

import msgspec

from service.core.alert import Alert, Transition
from service.core.drive import Drive
from service.core.hand import CAUTIONS
from service.core.instant import format_rfc3339
from service.core.setpoint import Facts

CONTENT_TYPE = "application/cloudevents+json"
BATCH_CONTENT_TYPE = "application/cloudevents-batch+json"
ALERT_TYPE = "linklag.alert."  # and the event of the life cycle: linklag.alert.occur
TEST_TYPE = "linklag.route.test"


class CloudEvent(msgspec.Struct, frozen=True, kw_only=True):
    """One event in the JSON format of CloudEvents 1.0: its fields are its attributes."""

    specversion: str = "1.0"
    id: str  # with source: the same for the same event, however often it comes
    source: str
    type: str
    subject: str
    time: str  # RFC 3339: when it was true
    datacontenttype: str = "application/json"
    data: dict[str, Any]


class DriveFields(msgspec.Struct, frozen=True, kw_only=True):
    """Which drive, and where it is."""

    id: str
    name: str
    site: str
    area: str
    line: str


class TransitionFields(msgspec.Struct, frozen=True, kw_only=True):
    """The data of an alert's event. Null or empty where there is nothing to say; every field is always there."""

    v: int = 1
    number: int  # counts the transitions of all alerts: who has seen up to one asks for those after it
    alert: str
    kind: str
    seq: int  # counts those of this alert
    event: str
    priority: str
    annunciates: bool  # people are to be told of it as of something new
    before: str
    after: str
    holds: list[str]  # what keeps it from annunciating now
    true: str
    recorded: str
    by: str
    why: str
    until: str | None  # end of the shelf, or review of out of service
    work_order: str
    cause: str
    mend: str
    value: float | None
    u: float | None
    setpoint: float | None
    unit: str
    cautions: list[str]  # where somebody is sent to the drive
    drive: DriveFields


class StandingFields(msgspec.Struct, frozen=True, kw_only=True):
    """One standing alert, in the retained payload of its drive."""

    alert: str
    kind: str
    state: str
    annunciation: str
    holds: list[str]
    priority: str
    since: str | None
    cleared: str | None
    acknowledged_by: str
    work_order: str
    cause: str
    mend: str
    value: float | None
    u: float | None
    setpoint: float | None
    unit: str
    cautions: list[str]


class AlertsFields(msgspec.Struct, frozen=True, kw_only=True):
    """The retained payload `<root>/<drive>/alerts`: all that stands, or none."""

    v: int = 1
    t: str  # when this was so
    number: int  # of the newest transition of these
    alerts: list[StandingFields]


def event_id(instance: str, transition: Transition) -> str:
    """Return the id of a transition's event, the same each time it is sent.

    The store's own name is in it, and when it was recorded: a store that was put back from a copy counts again from where
    the copy was, and what happens then must not look like what a receiver has already seen.
    """
    return f"{instance}.{transition.number}.{transition.act.recorded_ns // 1000:x}"


def source_of(instance: str) -> str:
    """Return the source of all events of a store."""
    return f"urn:linklag:{instance}"


def alert_event(transition: Transition, drive: Drive, instance: str) -> CloudEvent:
    """Return the event of a stored transition."""
    act = transition.act
    fields = TransitionFields(
        number=transition.number,
        alert=transition.alert_id,
        kind=transition.kind,
        seq=transition.seq,
        event=act.event,
        priority=transition.priority.name.lower(),
        annunciates=transition.annunciates,
        before=transition.before,
        after=transition.after,
        holds=[str(hold) for hold in transition.holds],
        true=format_rfc3339(act.true_ns),
        recorded=format_rfc3339(act.recorded_ns),
        by=act.by,
        why=act.why,
        until=None if act.until_ns is None else format_rfc3339(act.until_ns),
        work_order=act.work_order,
        drive=DriveFields(
            id=drive.drive_id, name=drive.name, site=drive.site, area=drive.area, line=drive.line
        ),
        **_facts(act.facts),
    )
    return CloudEvent(
        id=event_id(instance, transition),
        source=source_of(instance),
        type=f"{ALERT_TYPE}{act.event}",
        subject=f"{transition.drive_id}/{transition.kind}",
        time=format_rfc3339(act.true_ns),
        data=msgspec.to_builtins(fields),
    )


def linked(event: CloudEvent, public_url: str, path: str) -> CloudEvent:
    """Return an event that says where people see more of it, as `link` in its data; the same event where no address is known.

    Args:
        event: without a link.
        public_url: by which people reach the pages, without a slash at its end; "" where nobody said.
        path: of the page.
    """
    if not public_url:
        return event
    return msgspec.structs.replace(event, data={**event.data, "link": f"{public_url}{path}"})


def trial_event(route_id: str, test_id: str, at_ns: int, instance: str) -> CloudEvent:
    """Return an event that says of itself that it is only a test."""
    return CloudEvent(
        id=test_id,
        source=source_of(instance),
        type=TEST_TYPE,
        subject=route_id,
        time=format_rfc3339(at_ns),
        data={
            "v": 1,
            "route": route_id,
            "words": "This is a test of the route. No drive is meant and nothing is to be done.",
        },
    )


def encode(event: CloudEvent) -> bytes:
    """Return an event as UTF-8 JSON, the same bytes for the same event."""
    return msgspec.json.encode(event)


def decode(body: str | bytes) -> CloudEvent:
    """Return the event that `encode` wrote."""
    return msgspec.json.decode(body, type=CloudEvent)


def encode_many(events: Sequence[CloudEvent]) -> bytes:
    """Return several events as one JSON array (CloudEvents, JSON batch format)."""
    return msgspec.json.encode(list(events))


def alerts_payload(alerts: Iterable[Alert], now_ns: int) -> bytes:
    """Return the UTF-8 JSON of `<root>/<drive>/alerts`: all that stands of a drive, by alert.

    Args:
        alerts: of one drive; those that do not stand are left out.
        now_ns: when it was looked.
    """
    known = sorted(alerts, key=lambda alert: alert.alert_id)
    return msgspec.json.encode(
        AlertsFields(
            t=format_rfc3339(now_ns),
            number=max((alert.number for alert in known), default=0),
            alerts=[_standing(alert) for alert in known if alert.stands],
        )
    )


def _standing(alert: Alert) -> StandingFields:
    return StandingFields(
        alert=alert.alert_id,
        kind=alert.kind,
        state=alert.state,
        annunciation=alert.annunciation,
        holds=[str(hold) for hold in alert.holds],
        priority=alert.priority.name.lower(),
        since=None if alert.since_ns is None else format_rfc3339(alert.since_ns),
        cleared=None if alert.cleared_ns is None else format_rfc3339(alert.cleared_ns),
        acknowledged_by=alert.acknowledged_by,
        work_order=alert.work_order,
        **_facts(alert.facts),
    )


def _facts(facts: Facts | None) -> dict[str, Any]:
    """Return what was seen, as fields; numbers are rounded well below what they are known to."""
    if facts is None:
        facts = Facts(cause="", mend="")
    return {
        "cause": facts.cause,
        "mend": facts.mend,
        "value": _rounded(facts.value),
        "u": _rounded(facts.u),
        "setpoint": _rounded(facts.setpoint),
        "unit": facts.unit,
        "cautions": list(CAUTIONS) if facts.at_drive else [],
    }


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 6)


# In words


_HAPPENED = {
    "occur": "new",
    "clear": "back to normal",
    "acknowledge": "acknowledged",
    "shelve": "shelved",
    "unshelve": "off the shelf",
    "shelf_ends": "off the shelf, its time is over",
    "suppress": "suppressed by design",
    "unsuppress": "suppressed no more",
    "take_out_of_service": "taken out of service",
    "put_back_in_service": "put back in service",
    "comment": "comment",
    "set_work_order": "work order",
}


def in_words(event: CloudEvent, zone: tzinfo) -> tuple[str, str]:
    """Return a subject line and a text of an event, for mail and chat. Times are local, with their offset."""
    title, body = _in_words(event, zone)
    if not (link := event.data.get("link")) or link in body:
        return title, body
    text, mark, cautions = body.partition(_CAUTIONS_MARK)
    return title, f"{text}\n{link}{mark}{cautions}"


def _in_words(event: CloudEvent, zone: tzinfo) -> tuple[str, str]:
    if event.type.startswith(ALERT_TYPE):
        return _alert_in_words(msgspec.convert(event.data, TransitionFields), zone)
    if event.type == TEST_TYPE:
        return f"Test of the route {event.subject}", str(event.data["words"])
    title = str(
        event.data.get("title") or f"{event.type.rpartition('.')[2].replace('_', ' ')} {event.subject}"
    )
    return title, str(event.data.get("words") or event.data.get("text") or title)


def many_in_words(events: Sequence[CloudEvent], zone: tzinfo) -> tuple[str, str]:
    """Return a subject line and a text of several events; the cautions once, at the end."""
    told = [in_words(event, zone) for event in events]
    if len(told) == 1:
        return told[0]
    bodies = []
    cautions = ""
    for title, body in told:
        text, mark, rest = body.partition(_CAUTIONS_MARK)
        cautions = cautions or (mark + rest)
        bodies.append(f"{title}\n{text.strip()}".strip())
    return f"{len(told)} notes on chain drives", "\n\n".join(bodies) + cautions


_CAUTIONS_MARK = "\n\nBefore you go near the drive:\n"


def _alert_in_words(data: TransitionFields, zone: tzinfo) -> tuple[str, str]:
    drive = data.drive
    kind = data.kind.replace("_", " ")
    place = ", ".join(part for part in (drive.site, drive.area, drive.line) if part)
    title = f"{drive.name or drive.id}: {kind}, {_HAPPENED[data.event]} ({data.priority})"
    lines = [
        f"Drive {drive.id}{f' ({place})' if place else ''}, {kind}: {_HAPPENED[data.event]}, priority {data.priority}.",
        f"True {_local(data.true, zone)}, recorded {_local(data.recorded, zone)}, by {data.by}.",
        _measured(data),
        data.cause,
        f"What to do: {data.mend}" if data.mend else "",
        f"Why: {data.why}" if data.why else "",
        f"Until {_local(data.until, zone)}." if data.until else "",
        f"Work order {data.work_order}." if data.work_order else "",
        f"Held: {', '.join(hold.replace('_', ' ') for hold in data.holds)}." if data.holds else "",
    ]
    body = "\n".join(line for line in lines if line)
    if data.cautions:
        body += _CAUTIONS_MARK + "\n".join(f"- {caution}" for caution in data.cautions)
    return title, body


def _measured(data: TransitionFields) -> str:
    """The value with its expanded uncertainty, U = 2 u, and the setpoint."""
    if data.value is None:
        return ""
    u = "" if data.u is None else f" ± {2 * data.u:.3g}"
    held = "" if data.setpoint is None else f", setpoint {data.setpoint:g} {data.unit}"
    return f"Value {data.value:.4g}{u} {data.unit}{held}.".replace("  ", " ").replace(" .", ".")


def _local(text: str, zone: tzinfo) -> str:
    at = datetime.fromisoformat(text).astimezone(zone)
    return f"{at:%Y-%m-%d %H:%M} {at:%z}"
