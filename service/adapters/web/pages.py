"""Pages to read: the board, what was refused, the list of the API's routes; and the page of a problem.

All of it reads without scripts; `static/linklag.js` keeps it live. Where a number cannot be stood by,
its reason and what would mend it stand in its place.
"""

import json
from collections.abc import Iterable, Sequence
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse, Response

from service.adapters.web import forms, pages_alerts, pages_forecasts, words
from service.adapters.web.api_refused import rejection
from service.adapters.web.board import DriveState
from service.adapters.web.parts import PartsDep
from service.adapters.web.schemas import payload_text, shown
from service.adapters.web.templating import render
from service.core.health import SignKind, Status
from service.ports import StoreUnavailableError

router = APIRouter()

REJECTIONS_SHOWN = 100


# The board


@router.get("/", response_class=HTMLResponse)
def board(request: Request, parts: PartsDep) -> HTMLResponse:
    """All drives, most worn first."""
    now_ns = parts.now_ns()
    states = parts.board.states(now_ns)
    values = {
        "rows": [(state, shown(state)) for state in states],
        "summary": summary(states, now_ns, parts.settings.stale_after_s),
        "sightings": parts.refused.sightings(),
        "alerts": pages_alerts.of_board(parts, now_ns),
        "forecasts": pages_forecasts.of_board(parts),
    }
    return render(request, "board.html", values, now_ns=now_ns)


def summary(states: Sequence[DriveState], now_ns: int, stale_after_s: float) -> list[tuple[str, str]]:
    """Return what somebody must look at, as (kind, sentence); empty where there is nothing."""
    reached = _count(state.verdict is words.Verdict.REACHED for state in states)
    within = _count(state.verdict is words.Verdict.WITHIN_UNCERTAINTY for state in states)
    failed = _count(_is_out_of_order(state) for state in states)
    checked, wanting = (
        _count(
            state.health is not None and state.health.status is status and not _is_out_of_order(state)
            for state in states
        )
        for status in (Status.FUNCTION_CHECK, Status.MAINTENANCE_REQUIRED)
    )
    silent = _count((state.age_s(now_ns) or 0.0) > stale_after_s for state in states)
    unmeasured = [state for state in states if state.reading is None and state.by_hand is None]
    waiting = _count(state.drive.whole_pitches is not None for state in unmeasured)
    by_hand = len(unmeasured) - waiting
    found = [
        ("reached", reached, "at or over the limit"),
        ("within", within, "within the uncertainty of the limit"),
        ("failure", failed, "with sensing out of order"),
        ("check", checked, "not commissioned, or being worked on"),
        ("wanting", wanting, "with sensors that want looking after"),
        ("silent", silent, "without news"),
        ("waiting", waiting, "still waiting for a first reading"),
        ("waiting", by_hand, "without sensors and not yet measured by hand"),
    ]
    return [
        (kind, f"{number} {'drive' if number == 1 else 'drives'} {said}")
        for kind, number, said in found
        if number
    ]


def _count(flags: Iterable[bool]) -> int:
    return sum(1 for flag in flags if flag)


def _is_out_of_order(state: DriveState) -> bool:
    """Whether anything of the sensing is a failure or out of specification. That no data come is told by itself."""
    return state.health is not None and any(
        sign.status in {Status.FAILURE, Status.OUT_OF_SPECIFICATION} and sign.kind is not SignKind.NO_DATA
        for sign in state.health.signs
    )


# What was refused


@router.get("/refused", response_class=HTMLResponse)
def refused(
    request: Request,
    parts: PartsDep,
    drive_id: Annotated[str, Query(max_length=200)] = "",
    *,
    unregistered: bool = False,
) -> HTMLResponse:
    """Messages that could not be used, and drives that nobody registered.

    These send on and on; among the newest messages theirs would leave no room for any other.
    """
    unregistered = unregistered or bool(drive_id)
    values = {
        "sightings": parts.refused.sightings(),
        "rejections": parts.refused.rejections(drive_id or None, REJECTIONS_SHOWN, unregistered=unregistered),
        "unregistered": unregistered,
        "of_drive": drive_id,
        "shown_max": REJECTIONS_SHOWN,
        "short_fields": forms.SHORT_FIELDS,
        "chain_names": [each.name for each in forms.CHAIN_GROUP.fields],
        "prefix": forms.CHAIN_PREFIX,
    }
    return render(request, "refused.html", values)


@router.get("/refused/{number}", response_class=HTMLResponse)
def one_refused(request: Request, parts: PartsDep, number: int) -> HTMLResponse:
    """One rejection with what is kept of its payload."""
    kept = rejection(parts, number)
    payload = kept.rejection.payload
    values = {
        "kept": kept,
        "text": payload_text(payload),
        "dump": hex_dump(payload[:4096]),
        "cut": kept.rejection.payload_bytes > len(payload),
    }
    return render(request, "rejection.html", values)


def hex_dump(payload: bytes) -> str:
    """Return bytes as lines of offset, 16 bytes in hex, and their ASCII."""
    lines = []
    for start in range(0, len(payload), 16):
        row = payload[start : start + 16]
        text = "".join(chr(byte) if 32 <= byte < 127 else "." for byte in row)
        lines.append(f"{start:06x}  {row.hex(' '):<47}  {text}")
    return "\n".join(lines)


# The API, for people


@router.get("/api", response_class=HTMLResponse)
def api(request: Request) -> HTMLResponse:
    """The routes of the API, from its own OpenAPI document."""
    document: dict[str, Any] = request.app.openapi()
    by_tag: dict[str, list[dict[str, Any]]] = {tag["name"]: [] for tag in document["tags"]}
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            by_tag[operation["tags"][0]].append({"path": path, "method": method.upper(), **operation})
    return render(request, "api.html", {"document": document, "by_tag": by_tag})


@router.get("/favicon.ico", response_class=RedirectResponse)
def favicon() -> str:
    """The icon, for browsers that do not look at the page's own."""
    return "/static/favicon.svg"


# Problems


def problem_page(request: Request, answer: JSONResponse) -> Response:
    """Return a problem as a page for people, with the same status and headers."""
    told = json.loads(bytes(answer.body))
    try:
        page = render(request, "problem.html", {"problem": told}, status=answer.status_code)
    except StoreUnavailableError:  # nothing on this page needs the store; should that change, say it plainly
        return answer
    if "retry-after" in answer.headers:
        page.headers["Retry-After"] = answer.headers["retry-after"]
    return page
