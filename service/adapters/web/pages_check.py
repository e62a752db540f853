"""Pages for a phone at the drive: choose the drive, measure its chain by hand, see the result at once, send it when it can be sent.

Without scripts the form posts. With them it is kept on the phone under a key and sent from there (static/check-*.js), and the
service worker (static/sw.js) shows pages that were looked at where there is no connection. Its scope is /check, so all that it
answers for lies below it. All that is done goes through the door `measure_by_hand`.
"""

import hashlib
import json
import re
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Annotated, Any
from urllib.parse import quote
from uuid import uuid4

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse, Response

from service.adapters.web import check_form
from service.adapters.web.allowed import needs
from service.adapters.web.caller import caller_of
from service.adapters.web.instants import rfc3339
from service.adapters.web.pages_forms import Collected, TypedDep, Wrong
from service.adapters.web.parts import Parts, PartsDep, WhoSaidDep
from service.adapters.web.templating import render
from service.core.drive import Drive
from service.core.hand import Card, HandMethod
from service.core.people import Role

router = APIRouter()

DRIVES_SHOWN = 2000
# Core's names of what was typed, and where they stand in the form.
_NAMES = {
    "length_mm": "length_1", "outside_mm": "outside", "inside_mm": "inside", "recorded_by": "by",
    "measured_ns": "above", "idempotency_key": "above",
}  # fmt: skip
_STATIC = Path(__file__).with_name("static")
_STYLES = ("linklag.css", "check.css")
_SCRIPTS = ("linklag.js", "check-page.js", "check-forget.js")
_IMPORT = re.compile(r'^(?:import|export)\b[^;]*?"(?:\./|/static/)([\w.-]+\.js)";', re.MULTILINE)


@router.get("/check", response_class=HTMLResponse)
def choose_drive(
    request: Request, parts: PartsDep, q: Annotated[str, Query(max_length=200)] = ""
) -> Response:
    """All drives to choose from; `q` finds by name, id and place, and goes to the one whose id it is."""
    drives = sorted(parts.register.drives(), key=lambda each: (*_place(each), _title(each)))
    asked = q.strip().casefold()
    if any(each.drive_id == asked for each in drives):
        return RedirectResponse(f"/check/{quote(asked)}", 303)
    found = [each for each in drives if each.retired_ns is None and asked in _searched(each)]
    by_hand = {each.drive_id: each.measured_ns for each in parts.hand_values.newest()}
    values = {
        "q": q,
        "drives": [
            (each, " / ".join(_place(each)), by_hand.get(each.drive_id)) for each in found[:DRIVES_SHOWN]
        ],
        "more": len(found) - DRIVES_SHOWN,
        "who": _who(request),
        "searched": {each.drive_id: _searched(each) for each in found},
    }
    return _for_who_asks(request, render(request, "check_list.html", values))


@router.get("/check/me.json")
def who_sends(request: Request, parts: PartsDep) -> JSONResponse:
    """Who is signed in, whether they may record, and what a form of theirs carries: asked before anything kept is sent."""
    caller = caller_of(request)
    lacks = "" if caller.role >= Role.OPERATOR else (
        f"recording is for an operator or more, and {caller.name} is {caller.role.word}: ask an administrator for another "
        "role, or somebody who has it"
    )  # fmt: skip
    return JSONResponse(
        {
            "name": _who(request),
            "form_token": caller.form_token,
            "may_record": not lacks,
            "lacks": lacks,
            "now_ms": parts.now_ns() // 1_000_000,
        }
    )


@router.get("/check/sw.js")
def worker_script() -> Response:
    """The service worker. Its text changes with any of the files that its pages need, so that browsers take the new ones."""
    headers = {"Service-Worker-Allowed": "/check", "Cache-Control": "no-cache"}
    return Response(_worker_text(), media_type="text/javascript", headers=headers)


@router.get("/drives/{drive_id}/check")
def to_check(drive_id: str) -> RedirectResponse:
    """The page of a drive lies where the service worker may answer for it."""
    return RedirectResponse(f"/check/{quote(drive_id)}", 303)


@router.get("/check/{drive_id}", response_class=HTMLResponse)
def check_page(request: Request, parts: PartsDep, drive_id: str) -> HTMLResponse:
    """Cautions, how to measure, what to expect, and the form."""
    return _page(request, parts, drive_id)


@router.post("/check/{drive_id}", response_class=HTMLResponse, dependencies=[needs(Role.OPERATOR)])
def record(request: Request, parts: PartsDep, by: WhoSaidDep, drive_id: str, typed: TypedDep) -> Response:
    """Record a measurement that was posted without scripts."""
    parts.register.drive(drive_id)
    read = check_form.measurement_of(typed)
    wrong = Wrong({name: check_form.WRONG[kind] for name, kind in read.wrong.items()})
    if not wrong:
        with Collected(wrong, _NAMES):
            report = parts.measure_by_hand.record_hand_value(
                drive_id,
                **read.body | {"method": HandMethod(read.body["method"])},
                chain_id=typed.get("chain_id") or None,
                key=typed.get("key") or None,
                at_ns=parts.now_ns(),
                by=by(typed.get("by", "").strip()),
            )
            new = quote(rfc3339(report.value.recorded_ns))
            return RedirectResponse(f"/drives/{quote(drive_id)}/hand?new={new}#result", 303)
    wrong.above = wrong.above or wrong.fields.pop("above", "")
    return _page(request, parts, drive_id, typed, wrong)


def _page(
    request: Request,
    parts: Parts,
    drive_id: str,
    typed: Mapping[str, str] | None = None,
    wrong: Wrong | None = None,
) -> HTMLResponse:
    now_ns = parts.now_ns()
    state = parts.board.state(drive_id, now_ns)
    card = parts.measure_by_hand.card(drive_id, now_ns) if state.chain else None
    values = {
        "state": state,
        "card": card,
        "facts": json.dumps(_facts(card)) if card else "",
        "who": _who(request),
        "typed": typed or {"key": str(uuid4()), "unit": "mm"},
        "wrong": wrong or Wrong(),
        "said": check_form.WRONG,
    }
    answer = render(request, "check.html", values, status=422 if wrong else 200, now_ns=now_ns)
    return _for_who_asks(request, answer)


def _facts(card: Card) -> dict[str, Any]:
    """Return what the phone needs of a drive to work the result out by itself."""
    known = card.last
    return {
        "drive_id": card.drive.drive_id,
        "title": _title(card.drive),
        "chain_id": card.chain.chain_id,
        "pitchMm": card.chain.pitch_mm,
        "pitchesInLoop": card.chain.pitches_in_loop,
        "tempRefC": card.drive.temp_ref_c,
        "limitPct": card.limit.limit_pct,
        "known": None
        if known is None
        else {"pct": known.elongation_pct, "uPct": known.u_pct, "ms": known.t_ns // 1_000_000},
    }


def _for_who_asks(request: Request, answer: HTMLResponse) -> HTMLResponse:
    """Say for whom a page is, without saying who: the service worker keeps those of one person only."""
    answer.headers["Linklag-For"] = hashlib.sha256(f"for {_who(request)}".encode()).hexdigest()[:16]
    return answer


def _who(request: Request) -> str:
    """Return who is signed in, "" where logins are off."""
    person = caller_of(request).person
    return person.name if person else ""


def _title(drive: Drive) -> str:
    return drive.name or drive.drive_id


def _place(drive: Drive) -> tuple[str, ...]:
    return tuple(part for part in (drive.site, drive.area, drive.line) if part)


def _searched(drive: Drive) -> str:
    return " ".join((drive.drive_id, drive.name, *_place(drive))).casefold()


@cache
def _worker_text() -> str:
    folder = Path(__file__).with_name("templates")
    templates = [
        folder / name
        for name in ("check.html", "check_list.html", "check_kept.html", "check_says.html", "base.html")
    ]
    digest, files = hashlib.sha256(), _files()
    for path in [_STATIC / "sw.js", *(_STATIC / name for name in files), *templates]:
        digest.update(path.read_bytes())
    text = (_STATIC / "sw.js").read_text(encoding="utf-8")
    listed = json.dumps([f"/static/{name}" for name in files])
    return text.replace('VERSION = "dev"', f'VERSION = "{digest.hexdigest()[:12]}"').replace(
        "FILES = []", f"FILES = {listed}"
    )


def _files() -> list[str]:
    """Return the static files that the pages need, with what their scripts import."""
    scripts, todo = set[str](), list(_SCRIPTS)
    while todo:
        if (name := todo.pop()) not in scripts:
            scripts.add(name)
            todo += _IMPORT.findall((_STATIC / name).read_text(encoding="utf-8"))
    return sorted([*_STYLES, "favicon.svg", *scripts])
