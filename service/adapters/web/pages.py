"""Pages to read: what was refused, the list of the API's routes; and the page of a problem.

All of it reads without scripts; `static/linklag.js` keeps it live. Where a number cannot be stood by,
its reason and what would mend it stand in its place.
"""

import json
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse, Response

from service.adapters.web import forms
from service.adapters.web.api_refused import rejection
from service.adapters.web.parts import PartsDep
from service.adapters.web.payload_view import content_of
from service.adapters.web.schemas import payload_text
from service.adapters.web.templating import render
from service.ports import StoreUnavailableError

router = APIRouter()

REJECTIONS_SHOWN = 100


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
        "content": content_of(payload),
        "registered": any(
            each.drive_id == kept.rejection.drive_id for each in parts.register.drives(retired=True)
        ),
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
