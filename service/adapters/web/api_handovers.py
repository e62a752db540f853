"""API: handovers, made so that another system can take them by pull, or be pushed to, and confirm that it has them."""

import hashlib
from enum import StrEnum
from typing import Annotated, Any

from fastapi import APIRouter, Header, Path, Query, Request, Response
from pydantic import BaseModel

from service.adapters.web.allowed import needs
from service.adapters.web.handover_csv import as_csv
from service.adapters.web.instants import Instant, rfc3339
from service.adapters.web.pages_handover import page_of, preview_of
from service.adapters.web.parts import Parts, PartsDep, WhoDep, WhoSaidDep
from service.adapters.web.problems import ProblemError, refusals, responses
from service.adapters.web.shift_schemas import (
    CONTENT,
    FreezeIn,
    HandoverListOut,
    HandoverOut,
    HeadOut,
    ReceiptIn,
    ReceiptOut,
    SignatureOut,
    SignIn,
)
from service.core.handover import Handover, canonical
from service.core.people import Role

router = APIRouter(prefix="/handovers", tags=["shifts"])

VIEWER, OPERATOR = needs(Role.VIEWER), needs(Role.OPERATOR)
ROWS_MAX = 200
NUMBER_MAX = 2**62
CSV_EXAMPLE = (
    "section,drive_id,name,place,what,when,until,value,u,unit,limit,state,by,words,work_order,late\r\n"
    "shift,,Eschbach works,Europe/Berlin,Early,2026-11-25T05:00:00.000000Z,2026-11-25T13:00:00.000000Z,,,,,,,,,\r\n"
)
Number = Annotated[
    int, Path(ge=1, le=NUMBER_MAX, description="Its number, as the list gives it", examples=[12])
]
IfNoneMatch = Annotated[str, Header(include_in_schema=False)]


class Form(StrEnum):
    """Form of an answer."""

    JSON = "json"
    CSV = "csv"
    HTML = "html"


_MEDIA = {
    "application/json": Form.JSON,
    "text/csv": Form.CSV,
    "text/html": Form.HTML,
    "application/*": Form.JSON,
    "text/*": Form.HTML,
    "*/*": Form.JSON,
}
_LIST_RESPONSES: dict[int | str, dict[str, Any]] = {
    200: {"model": HandoverListOut, "description": "Handovers by number"},
    304: {"description": "As before (If-None-Match)"},
    **responses(),
}
_ONE_RESPONSES: dict[int | str, dict[str, Any]] = {
    200: {
        "model": HandoverOut,
        "description": "The handover; CSV has one line for each thing that is said, HTML prints on one or two sheets",
        "content": {
            "text/csv": {"schema": {"type": "string"}, "example": CSV_EXAMPLE},
            "text/html": {"schema": {"type": "string"}, "example": "<!doctype html> ..."},
        },
    },
    304: {"description": "As before (If-None-Match)"},
    **responses(404, 406),
}
_CONTENT_RESPONSES: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "The content",
        "content": {"application/json": {"schema": {"type": "object"}, "example": CONTENT}},
    },
    304: {"description": "As before (If-None-Match)"},
    **responses(404),
}
_CSV_RESPONSES: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "One header line, times in UTC",
        "content": {"text/csv": {"schema": {"type": "string"}, "example": CSV_EXAMPLE}},
    },
    **responses(404),
}


@router.get(
    "",
    summary="List handovers",
    responses=_LIST_RESPONSES,
    response_model=None,
    dependencies=[VIEWER],
)
def list_handovers(
    parts: PartsDep,
    site: Annotated[str | None, Query(max_length=200, description="Of this site only")] = None,
    since: Annotated[Instant | None, Query(description="That end after this time")] = None,
    cursor: Annotated[
        int, Query(ge=0, le=NUMBER_MAX, description="`next` of the page before; 0: from the first")
    ] = 0,
    rows_max: Annotated[int, Query(ge=1, le=ROWS_MAX)] = 50,
    if_none_match: IfNoneMatch = "",
) -> Response:
    """Frozen handovers in the order in which they were frozen, with who signed and which systems have them.

    To take all of them: keep the number of the last one that you have, and ask with it as `cursor`, on and on; a number
    never comes again, and what is frozen never changes. Then confirm each with a receipt.
    """
    heads = parts.handovers.heads(site=site, after=cursor, since_ns=since or 0, rows_max=rows_max + 1)
    page = heads[:rows_max]
    numbers = [each.number for each in page]
    signatures, receipts = parts.handovers.signatures(numbers), parts.handovers.receipts(numbers)
    found = HandoverListOut.model_construct(
        handovers=[HeadOut.told(each, signatures, receipts) for each in page],
        next=page[-1].number if len(heads) > rows_max else None,
    )
    return _tagged(_json(found), "application/json", if_none_match)


@router.post(
    "",
    status_code=201,
    summary="Freeze a handover",
    responses={
        200: {"model": HandoverOut, "description": "It was frozen before"},
        **responses(404, 409, 413),
    },
    dependencies=[OPERATOR],
)
def freeze(parts: PartsDep, by: WhoDep, given: FreezeIn, response: Response) -> HandoverOut:
    """Freeze the shift that ended last, or any range that is over; what is frozen already is given as it is.

    linklag freezes each shift by itself a little after its end; this is for ranges, and for who does not want to wait.
    """
    with refusals():
        handover, new = _frozen(parts, given, by)
    response.status_code = 201 if new else 200
    response.headers["Location"] = f"/api/v1/handovers/{handover.head.number}"
    return HandoverOut.of_shown(parts.hand_over.shown(handover.head.number))


@router.get(
    "/preview",
    summary="The shift that is on, so far",
    responses={
        **_CONTENT_RESPONSES,
        200: _CONTENT_RESPONSES[200] | {"description": "As it would be frozen now"},
    },
    response_model=None,
    response_class=Response,
    dependencies=[VIEWER],
)
def preview(
    parts: PartsDep,
    site: Annotated[str, Query(max_length=200, description="As drives name it", examples=["Eschbach works"])],
) -> Response:
    """What the handover of the shift that is on would say now, or, between shifts, of the time since the last one."""
    return Response(canonical(preview_of(parts, site)), media_type="application/json")


@router.get(
    "/{number}.csv",
    summary="A handover as CSV",
    responses=_CSV_RESPONSES,
    response_model=None,
    response_class=Response,
    dependencies=[VIEWER],
)
def show_csv(parts: PartsDep, number: Number, if_none_match: IfNoneMatch = "") -> Response:
    """The same as /handovers/{number} with `format=csv`, for programs that go by the end of the address."""
    return _as_csv(parts.handovers.handover(number), if_none_match)


@router.get(
    "/{number}",
    summary="One handover",
    responses=_ONE_RESPONSES,
    response_model=None,
    dependencies=[VIEWER],
)
def show(
    request: Request,
    parts: PartsDep,
    number: Number,
    form: Annotated[
        Form | None, Query(alias="format", description="Else by the Accept header; else json")
    ] = None,
    accept: Annotated[str, Header(include_in_schema=False)] = "",
    if_none_match: IfNoneMatch = "",
) -> Response:
    """The handover with its signatures and receipts as JSON; what was frozen as CSV; or as a page that prints."""
    wanted = form or _accepted(accept)
    if wanted is Form.HTML:
        return page_of(request, parts, number)
    if wanted is Form.CSV:
        return _as_csv(parts.handovers.handover(number), if_none_match)
    return _tagged(
        _json(HandoverOut.of_shown(parts.hand_over.shown(number))), "application/json", if_none_match
    )


@router.get(
    "/{number}/content",
    summary="What was frozen, to the byte",
    responses=_CONTENT_RESPONSES,
    response_model=None,
    dependencies=[VIEWER],
)
def show_content(parts: PartsDep, number: Number, if_none_match: IfNoneMatch = "") -> Response:
    """The very text whose SHA-256 the handover states (canonical JSON: names sorted, no white space, UTF-8)."""
    return _tagged(parts.handovers.handover(number).content, "application/json", if_none_match)


@router.post(
    "/{number}/signatures",
    status_code=201,
    summary="Sign a handover",
    responses=responses(404, 409, 413),
    dependencies=[OPERATOR],
)
def sign(parts: PartsDep, by: WhoDep, said: WhoSaidDep, number: Number, given: SignIn) -> SignatureOut:
    """Sign as giver or as taker, each once. The handover itself never changes; a remark goes beside it.

    Hand over in words as well, both present: the giver tells, the taker reads back.
    """
    with refusals():
        signature = parts.hand_over.sign(
            number,
            role=given.role,
            name=given.name if parts.logins is None else said(given.name),
            remark=given.remark,
            read_back=given.read_back,
            at_ns=parts.now_ns(),
            by=by,
        )
    return SignatureOut.of(signature)


@router.post(
    "/{number}/receipts",
    status_code=201,
    summary="Confirm that another system has it",
    responses=responses(404, 413),
    dependencies=[OPERATOR],
)
def receive(parts: PartsDep, by: WhoDep, number: Number, given: ReceiptIn) -> ReceiptOut:
    """Note that a system has taken the handover. Sent again it changes nothing: the first receipt of a system stays."""
    with refusals():
        receipt = parts.hand_over.receive(
            number, system=given.system, reference=given.reference, at_ns=parts.now_ns(), by=by
        )
    return ReceiptOut.of(receipt)


def _frozen(parts: Parts, given: FreezeIn, by: str) -> tuple[Handover, bool]:
    now_ns = parts.now_ns()
    if given.from_ is not None and given.to is not None:
        return parts.hand_over.freeze(given.site, from_ns=given.from_, to_ns=given.to, at_ns=now_ns, by=by)
    if given.from_ is not None or given.to is not None:
        raise ValueError("give from and to, or neither for the shift that ended last")
    return parts.hand_over.freeze_last(given.site, at_ns=now_ns, by=by)


# Forms


def _accepted(accept: str) -> Form:
    """Return the form that an Accept header asks for first. Raises a 406 where we have none of them."""
    kinds = [part.partition(";")[0].strip().lower() for part in accept.split(",") if part.strip()]
    for kind in kinds or ["*/*"]:
        if kind in _MEDIA:
            return _MEDIA[kind]
    raise ProblemError(
        406, "a handover comes as application/json, text/csv or text/html: ask for one of them"
    )


def _as_csv(handover: Handover, if_none_match: str) -> Response:
    head = handover.head
    answer = _tagged(as_csv(handover.told), "text/csv", if_none_match)
    name = f"handover-{head.number}-{rfc3339(head.to_ns)[:10]}.csv"
    answer.headers["Content-Disposition"] = f'inline; filename="{name}"'
    return answer


def _json(model: BaseModel) -> str:
    return model.model_dump_json(by_alias=True)


def _tagged(body: str, media_type: str, if_none_match: str) -> Response:
    """Return the answer with its ETag, or none where the client has it already (RFC 9110, 8.8.3 and 13.1.2)."""
    tag = f'"{hashlib.sha256(body.encode()).hexdigest()}"'
    known = {each.strip().removeprefix("W/") for each in if_none_match.split(",")}
    if tag in known or "*" in known:
        return Response(status_code=304, headers={"ETag": tag})
    return Response(body, media_type=media_type, headers={"ETag": tag})
