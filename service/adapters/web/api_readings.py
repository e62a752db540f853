"""API: newest readings of all drives, and one drive's readings over a range of time, as JSON or CSV."""

from dataclasses import replace
from enum import StrEnum
from typing import Annotated, Any

import msgspec
from fastapi import APIRouter, Header, Query
from fastapi.responses import Response, StreamingResponse
from pydantic import Field

from service.adapters.web import schemas
from service.adapters.web.api_drives import DriveId
from service.adapters.web.instants import instant_ns, length_ns, rfc3339
from service.adapters.web.parts import Parts, PartsDep
from service.adapters.web.problems import ProblemError, refusals, responses
from service.adapters.web.series import (
    DAY_NS,
    ROWS_MAX,
    Series,
    Span,
    csv_chunks,
    read_series,
    reading_values,
    row_values,
    superseded_csv,
)
from service.core.drive import Baseline

router = APIRouter(tags=["readings"])

CSV_EXAMPLE = (
    "time,chain_id,readings,measured,mean_pct,min_pct,max_pct,last_pct,mean_u_pct,mean_speed_m_s,pulses,"
    "mean_since_pct,mean_since_u_pct\r\n"
    "2026-11-25T09:00:00Z,infeed-2-2026-03-02,360,357,1.2391,1.2288,1.2467,1.2402,0.0421,0.84,119200,"
    "1.1632,0.0123\r\n"
)


class Form(StrEnum):
    """Form of an answer."""

    JSON = "json"
    CSV = "csv"


class RangeQuery(schemas.In):
    """Over which range of time, in which form, and how much."""

    from_: str | None = Field(
        default=None,
        alias="from",
        description="Later than this, RFC 3339",
        examples=["2026-11-24T00:00:00Z"],
    )
    to: str | None = Field(
        default=None,
        description="Up to and with this, RFC 3339; else now",
        examples=["2026-11-25T00:00:00Z"],
    )
    last: str | None = Field(
        default=None, description="In place of `from`: 90s, 30min, 12h, 7d, 4w, 1y", examples=["7d"]
    )
    format: Form | None = Field(default=None, description="Else by the Accept header; else json")
    rows_max: int = Field(default=ROWS_MAX, ge=1, le=ROWS_MAX, description="The newest so many rows")


class SeriesQuery(RangeQuery):
    """What of a drive's readings is asked for."""

    resolution: Span = Field(
        default=Span.AUTO, description="auto: raw up to 6 h, minutes up to 7 d, hours up to 400 d, else days"
    )


@router.get("/readings/newest", summary="Newest reading of every drive", responses=responses())
def newest(parts: PartsDep) -> schemas.NewestListOut:
    """Every drive on the board, most worn first: elongation with uncertainty, limit and what bound it, age."""
    now_ns = parts.now_ns()
    drives = [schemas.NewestOut.of(state, now_ns) for state in parts.board.states(now_ns)]
    return schemas.NewestListOut.model_construct(now=now_ns, drives=drives)


_SERIES_RESPONSES: dict[int | str, dict[str, Any]] = {
    200: {
        "model": schemas.SeriesOut,
        "description": "Rows in the order of time; CSV has one header line, units in the names",
        "content": {"text/csv": {"schema": {"type": "string"}, "example": CSV_EXAMPLE}},
    },
    **responses(404, 406),
}


@router.get(
    "/drives/{drive_id}/readings",
    summary="A drive's readings over a range of time",
    responses=_SERIES_RESPONSES,
    response_model=None,
)
def readings(
    parts: PartsDep,
    drive_id: DriveId,
    asked: Annotated[SeriesQuery, Query()],
    accept: Annotated[str, Header(include_in_schema=False)] = "",
) -> Response:
    """Readings (raw) or roll-ups with from < time <= to; the last day unless told otherwise.

    In pandas: `pd.read_csv("http://127.0.0.1:8390/api/v1/drives/infeed-2/readings?last=7d&format=csv",
    parse_dates=["time"])`.
    """
    parts.register.drive(drive_id)
    with refusals():
        from_ns, to_ns = time_range(asked.from_, asked.to, asked.last, parts.now_ns())
    series = read_series(parts.readings, drive_id, from_ns, to_ns, asked.resolution, asked.rows_max)
    series = replace(series, baselines=_baselines(parts, drive_id))
    headers = {"Linklag-Truncated": "true" if series.truncated else "false"}
    if (asked.format or accepted(accept)) is Form.CSV:
        headers["Content-Disposition"] = f'inline; filename="{drive_id}-{series.resolution}.csv"'
        return StreamingResponse(csv_chunks(series), media_type="text/csv", headers=headers)
    return Response(_json(series), media_type="application/json", headers=headers)


SUPERSEDED_EXAMPLE = (
    "time,elongation_pct,elongation_u_pct,since_pct,...,t0,superseded,why\r\n"
    "2026-11-25T08:15:00.000000000Z,1.2384,0.0421,1.1625,...,2026-11-25T08:14:50.000000000Z,"
    "2026-11-26T09:30:00.000000000Z,baseline corrected\r\n"
)
_SUPERSEDED_RESPONSES: dict[int | str, dict[str, Any]] = {
    200: {
        "model": schemas.SupersededOut,
        "description": "Rows in the order of their own time; CSV has one header line, units in the names",
        "content": {"text/csv": {"schema": {"type": "string"}, "example": SUPERSEDED_EXAMPLE}},
    },
    **responses(404, 406),
}


@router.get(
    "/drives/{drive_id}/superseded",
    summary="Readings that others were put in place of",
    responses=_SUPERSEDED_RESPONSES,
    response_model=None,
)
def superseded(
    parts: PartsDep,
    drive_id: DriveId,
    asked: Annotated[RangeQuery, Query()],
    accept: Annotated[str, Header(include_in_schema=False)] = "",
) -> Response:
    """Readings with from < time <= to as they were before batches were converted again, with when and why; the last day unless told otherwise.

    A reading that was made anew more than once comes as often. They are kept as long as raw readings.
    """
    parts.register.drive(drive_id)
    with refusals():
        from_ns, to_ns = time_range(asked.from_, asked.to, asked.last, parts.now_ns())
    rows = parts.readings.superseded(drive_id, from_ns, to_ns, asked.rows_max + 1)
    truncated, rows = len(rows) > asked.rows_max, rows[-asked.rows_max :]
    headers = {"Linklag-Truncated": "true" if truncated else "false"}
    if (asked.format or accepted(accept)) is Form.CSV:
        headers["Content-Disposition"] = f'inline; filename="{drive_id}-superseded.csv"'
        return StreamingResponse(superseded_csv(rows), media_type="text/csv", headers=headers)
    told = {
        "drive_id": drive_id,
        "from": rfc3339(from_ns),
        "to": rfc3339(to_ns),
        "truncated": truncated,
        "rows": [
            {**reading_values(each.reading), "superseded": rfc3339(each.at_ns), "why": each.why}
            for each in rows
        ],
    }
    return Response(msgspec.json.encode(told), media_type="application/json", headers=headers)


def _baselines(parts: Parts, drive_id: str) -> dict[str, list[Baseline]]:
    chains = parts.register.chains(drive_id)
    return {each.chain_id: parts.register.baselines(each.chain_id) for each in chains}


def time_range(from_: str | None, to: str | None, last: str | None, now_ns: int) -> tuple[int, int]:
    """Return the range (from, to] in nanoseconds. Raises ValueError with the fix."""
    if from_ is not None and last is not None:
        raise ValueError("give either from or last: they say the same in two ways")
    to_ns = now_ns if to is None else instant_ns(to)
    if from_ is not None:
        from_ns = instant_ns(from_)
    else:
        from_ns = max(0, to_ns - (DAY_NS if last is None else length_ns(last)))
    if from_ns >= to_ns:
        raise ValueError("from must be before to: exchange or correct the two times")
    return from_ns, to_ns


def accepted(accept: str) -> Form:
    """Return the form that an Accept header asks for. Raises a 406 where we have neither."""
    kinds = [part.partition(";")[0].strip().lower() for part in accept.split(",") if part.strip()]
    for kind in kinds:
        if kind in {"text/csv", "text/*"}:
            return Form.CSV
        if kind in {"application/json", "application/*", "*/*"}:
            return Form.JSON
    if not kinds or "text/html" in kinds:
        return Form.JSON
    raise ProblemError(406, "this comes as application/json or text/csv: ask for one of them")


def _json(series: Series) -> bytes:
    return msgspec.json.encode(
        {
            "drive_id": series.drive_id,
            "from": rfc3339(series.from_ns),
            "to": rfc3339(series.to_ns),
            "resolution": series.resolution.value,
            "truncated": series.truncated,
            "rows": list(row_values(series)),
        }
    )
