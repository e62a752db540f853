"""API: measurements by hand of a drive's chains, a baseline from one, and the card to take along."""

import csv
import io
from collections.abc import Iterable
from dataclasses import asdict
from typing import Annotated, Any, Self

from fastapi import APIRouter, Body, Header, Query
from fastapi.responses import Response
from pydantic import ConfigDict, Field

from service.adapters.web import schemas
from service.adapters.web.allowed import needs
from service.adapters.web.api_drives import DriveId
from service.adapters.web.api_readings import Form, accepted
from service.adapters.web.instants import Instant, rfc3339
from service.adapters.web.parts import PartsDep, WhoSaidDep
from service.adapters.web.problems import refusals, responses
from service.adapters.web.series import cell
from service.core.drive import LimitTerm
from service.core.hand import Card, HandMethod
from service.core.people import Role
from service.measure_by_hand import HandReport

router = APIRouter(tags=["by hand"])

ROWS_MAX = 1000  # each is held against the sensors, which takes two queries


class HandIn(schemas.In):
    """A measurement by hand, drive stopped and locked out. By calliper: outside_mm and inside_mm in place of length_mm."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {"method": "rule", "pitches": 24, "length_mm": 617.0, "tight": True, "by": "H. Brandt"},
                {"method": "calliper", "pitches": 10, "outside_mm": 273.0, "inside_mm": 241.2, "tight": True},
            ]
        }
    )

    method: HandMethod
    pitches: int = Field(description="Counted from joint to joint; an even number is better")
    length_mm: float | None = Field(default=None, description="Pin centre to pin centre, by rule or tape")
    outside_mm: float | None = Field(
        default=None, description="By calliper, over the rollers of the end joints"
    )
    inside_mm: float | None = Field(
        default=None, description="By calliper, between the rollers of the same joints"
    )
    length_u_mm: float | None = Field(
        default=None,
        description="Standard uncertainty of a reading; left out: rule 0.5, tape 1, calliper 0.1 mm",
    )
    tight: bool = Field(description="The chain was drawn tight; a slack one is kept, and not counted")
    cranked: bool = Field(
        default=False, description="A cranked link lay in the span: refused, with what to do"
    )
    counted_again: bool = Field(
        default=False, description="The pitches were counted again, after it was asked whether they are right"
    )
    temp_c: float | None = Field(default=None, description="Of the chain")
    note: str = ""
    measured: Instant | None = Field(default=None, description="Left out: now")
    sent: Instant | None = Field(
        default=None,
        description="What the clock of the sender shows now, where it keeps measurements and sends them later. `measured` is "
        "then by that clock too, and how long ago it was counts, whatever both show",
    )
    chain_id: str | None = Field(
        default=None,
        description="The chain that was measured: refused (409) where another was on then. Left out: the one that was on",
    )
    by: str | None = Field(default=None, description="Who measured")


class BaselineByHandIn(schemas.In):
    """Which measurement by hand a baseline takes its e0 from."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"why": "run in for a week"}]})

    recorded: Instant | None = Field(
        default=None,
        description="`recorded` of the measurement; left out: the newest of the chain that is on",
    )
    why: str = Field(default="", description="How the measurement was made is put behind it")
    by: str | None = Field(default=None, description="Who says so")


class SpanOut(schemas.Out):
    """Lengths between two joints an even number of pitches apart."""

    pitches: int
    nominal_mm: float
    new_least_mm: float
    new_most_mm: float
    expected_mm: float | None
    expected_u_mm: float | None = Field(description="Standard uncertainty of what a rule will show")
    limit_mm: float


class CalliperOut(schemas.Out):
    """What a calliper shows outside over and inside between the rollers of two joints."""

    pitches: int
    roller_dia_mm: float
    new_outside_mm: float
    new_inside_mm: float
    expected_outside_mm: float | None
    expected_inside_mm: float | None
    limit_outside_mm: float
    limit_inside_mm: float


class CardOut(schemas.Out):
    """What somebody needs at the drive to measure its chain by hand. Cautions come first wherever it is shown."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "cautions": [
                        "Stop the drive, lock it out, tag it out, and try that it does not start. ..."
                    ],
                    "steps": ["Count an even number of pitches, 50 if you can reach them, ..."],
                    "drive_id": "infeed-2",
                    "name": "Infeed 2",
                    "chain_id": "infeed-2-2026-03-02",
                    "designation": "16B-1",
                    "pitch_mm": 25.4,
                    "limit_pct": 3.0,
                    "limit_term": "general",
                    "limit_words": "general rule, 3 %",
                    "last_pct": 1.2384,
                    "last_u_pct": 0.0421,
                    "last_time": schemas.T,
                    "last_by": "live",
                    "spans": [
                        {
                            "pitches": 50,
                            "nominal_mm": 1270.0,
                            "new_least_mm": 1270.0,
                            "new_most_mm": 1271.905,
                            "expected_mm": 1285.728,
                            "expected_u_mm": 1.011,
                            "limit_mm": 1308.1,
                        }
                    ],
                    "new_attachments_mm": 1273.81,
                    "measured_least_mm": 1220.0,
                    "calliper": {
                        "pitches": 10,
                        "roller_dia_mm": 15.88,
                        "new_outside_mm": 269.88,
                        "new_inside_mm": 238.12,
                        "expected_outside_mm": 273.026,
                        "expected_inside_mm": 241.266,
                        "limit_outside_mm": 277.5,
                        "limit_inside_mm": 245.74,
                    },
                }
            ]
        }
    )

    cautions: list[str]
    steps: list[str]
    drive_id: str
    name: str
    chain_id: str
    designation: str
    pitch_mm: float
    limit_pct: float
    limit_term: LimitTerm
    limit_words: str
    last_pct: float | None = Field(
        description="Elongation that `expected` goes by; null where nothing is known"
    )
    last_u_pct: float | None
    last_time: Instant | None
    last_by: str | None = Field(description="live or hand")
    spans: list[SpanOut] = Field(description="The longest first: the longer, the surer")
    new_attachments_mm: float = Field(
        description="Greatest new length of the first span, chain with attachments"
    )
    measured_least_mm: float | None = Field(description="Least length over which ISO 606 measures new chain")
    calliper: CalliperOut | None = Field(description="null without rollers that the catalogue knows")

    @classmethod
    def of(cls, card: Card, limit_words: str) -> Self:
        """Return a card as the API gives it."""
        last = card.last
        return cls.model_construct(
            cautions=list(card.cautions),
            steps=list(card.steps),
            drive_id=card.drive.drive_id,
            name=card.drive.name,
            chain_id=card.chain.chain_id,
            designation=card.chain.designation,
            pitch_mm=card.chain.pitch_mm,
            limit_pct=card.limit.limit_pct,
            limit_term=card.limit.term,
            limit_words=limit_words,
            last_pct=last.elongation_pct if last else None,
            last_u_pct=last.u_pct if last else None,
            last_time=last.t_ns if last else None,
            last_by=last.by if last else None,
            spans=[SpanOut.model_construct(**asdict(span)) for span in card.spans],
            new_attachments_mm=card.new_attachments_mm,
            measured_least_mm=card.measured_least_mm,
            calliper=CalliperOut.model_construct(**asdict(card.calliper)) if card.calliper else None,
        )


@router.post(
    "/drives/{drive_id}/hand-values",
    status_code=201,
    summary="Record a measurement by hand",
    responses=responses(404, 409, 413),
    dependencies=[needs(Role.OPERATOR)],
)
def record_hand_value(
    parts: PartsDep,
    by: WhoSaidDep,
    drive_id: DriveId,
    given: HandIn,
    idempotency_key: Annotated[
        str | None,
        Header(
            max_length=200,
            description="Your own name for this measurement, such as a UUID: sent again with the same key, it is stored once "
            "and answered alike",
        ),
    ] = None,
) -> schemas.HandOut:
    """Record a measurement of the chain that was on the drive then, and say what it says.

    The answer has the elongation with its uncertainty, what is left until the limit, and whether the sensors say the
    same. A count of pitches that cannot be right is asked about: count again, and send `counted_again` if it was right.

    Before anyone measures: lock out and tag out, let stored energy out, by your local codes and by people licensed to
    do so.
    """
    with refusals():
        report = parts.measure_by_hand.record_hand_value(
            drive_id,
            **given.model_dump(exclude={"measured", "sent", "by"}),
            measured_ns=given.measured,
            sent_ns=given.sent,
            key=idempotency_key,
            at_ns=parts.now_ns(),
            by=by(given.by),
        )
    return schemas.HandOut.of(report)


CSV_FIELDS = (
    "measured", "elongation_pct", "elongation_u_pct", "reliable", "limit_pct", "remaining_mm", "live_pct",
    "live_u_pct", "agree", "method", "pitches", "length_mm", "length_u_mm", "pitch_mm", "tight", "temp_c",
    "chain_id", "recorded_by", "note", "recorded", "told",
)  # fmt: skip
CSV_EXAMPLE = (
    ",".join(CSV_FIELDS)
    + "\r\n2026-11-25T08:15:00.000000000Z,1.2139,0.0999,true,3.0,10.888,1.2384,0.0421,true,"
    "rule,24,617.0,0.5,25.4,true,,infeed-2-2026-03-02,H. Brandt,largest of three places,2026-11-25T08:41:07.204000000Z,\r\n"
)
_LIST_RESPONSES: dict[int | str, dict[str, Any]] = {
    200: {
        "model": list[schemas.HandOut],
        "description": "By the time they were measured; CSV has one header line, units in the names",
        "content": {"text/csv": {"schema": {"type": "string"}, "example": CSV_EXAMPLE}},
    },
    **responses(404, 406),
}


@router.get(
    "/drives/{drive_id}/hand-values",
    summary="A drive's measurements by hand",
    responses=_LIST_RESPONSES,
    response_model=None,
)
def hand_values(
    parts: PartsDep,
    drive_id: DriveId,
    form: Annotated[
        Form | None, Query(alias="format", description="Else by the Accept header; else json")
    ] = None,
    rows_max: Annotated[int, Query(ge=1, le=ROWS_MAX, description="The newest so many")] = 100,
    accept: Annotated[str, Header(include_in_schema=False)] = "",
) -> Response | list[schemas.HandOut]:
    """The newest measurements by hand of all chains of the drive, each held against the sensors' value of that time."""
    reports = parts.measure_by_hand.hand_reports(drive_id, rows_max)
    if (form or accepted(accept)) is Form.CSV:
        headers = {"Content-Disposition": f'inline; filename="{drive_id}-by-hand.csv"'}
        return Response(as_csv(reports), media_type="text/csv", headers=headers)
    return [schemas.HandOut.of(report) for report in reports]


def as_csv(reports: Iterable[HandReport]) -> str:
    """Return measurements by hand as CSV (RFC 4180): one header line, true and false in words, times in UTC."""
    text = io.StringIO()
    writer = csv.DictWriter(text, CSV_FIELDS)
    writer.writeheader()
    for report in reports:
        value, live, agreement = report.value, report.live, report.agreement
        row = {name: cell(getattr(value, name)) for name in CSV_FIELDS if hasattr(value, name)} | {
            "measured": rfc3339(value.measured_ns, 9),
            "recorded": rfc3339(value.recorded_ns, 9),
            "told": "" if value.told_ns is None else rfc3339(value.told_ns, 9),
            "elongation_pct": report.elongation.elongation_pct,
            "elongation_u_pct": report.elongation.u_pct,
            "reliable": _yes(report.elongation.reliable),
            "tight": _yes(value.tight),
            "limit_pct": report.limit.limit_pct,
            "remaining_mm": report.remaining_mm,
            "live_pct": live.elongation_pct if live else None,
            "live_u_pct": live.u_pct if live else None,
            "agree": _yes(agreement.agree) if agreement else None,
        }
        writer.writerow(row)
    return text.getvalue()


def _yes(flag: bool) -> str:  # noqa: FBT001
    return "true" if flag else "false"


@router.post(
    "/drives/{drive_id}/hand-values/baseline",
    status_code=201,
    summary="Record a baseline from a measurement by hand",
    responses=responses(404, 409, 413),
    dependencies=[needs(Role.ENGINEER)],
)
def record_baseline(
    parts: PartsDep, by: WhoSaidDep, drive_id: DriveId, given: Annotated[BaselineByHandIn, Body()]
) -> schemas.BaselineOut:
    """Take e0 from a measurement by hand, and N0 from the readings of the ten minutes before: let the drive run meanwhile.

    The uncertainty of e0 is that of the measurement and of what the chain may have worn since.
    """
    with refusals():
        baseline = parts.measure_by_hand.record_baseline_by_hand(
            drive_id, recorded_ns=given.recorded, why=given.why, at_ns=parts.now_ns(), by=by(given.by)
        )
    return schemas.BaselineOut.of(baseline)


@router.get(
    "/drives/{drive_id}/card", summary="The card for measuring by hand", responses=responses(404, 409)
)
def show_card(parts: PartsDep, drive_id: DriveId) -> CardOut:
    """Cautions, what to do, and the lengths to expect and to stop at, for the chain that is on the drive now.

    The page /drives/{drive_id}/card prints it.
    """
    now_ns = parts.now_ns()
    state = parts.board.state(drive_id, now_ns)
    return CardOut.of(parts.measure_by_hand.card(drive_id, now_ns), state.limit_words)
