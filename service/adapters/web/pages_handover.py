"""Pages of the shift handover: the shift that is on so far, those that are frozen, one of them to read, print and sign.

A form posts and is answered with a redirect, or the page comes back with what was typed and what is wrong beside it. All that
is done goes through the door `hand_over`.
"""

from collections.abc import Mapping
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import APIRouter, Path, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from service.adapters.web.allowed import needs
from service.adapters.web.handover_view import HandoverView, length_words, view_of
from service.adapters.web.instants import local_ns
from service.adapters.web.pages_forms import Collected, TypedDep, Wrong
from service.adapters.web.parts import Parts, PartsDep, WhoDep
from service.adapters.web.templating import render, when
from service.core.fields import FieldsRefusedError
from service.core.handover import Content, Head, Receipt, Signature, SignRole
from service.core.people import Role
from service.core.shift import Site
from service.hand_over import ROUTES

router = APIRouter()

VIEWER, OPERATOR = needs(Role.VIEWER), needs(Role.OPERATOR)
PAST_SHOWN = 30
Number = Annotated[int, Path(ge=1, le=2**62)]
HAND_OVER_STEPS = (
    "Give it where both of you see the drives or the board, and take the time it needs.",
    "The giver goes through it heading by heading and signs.",
    "The taker reads back what there is to do, and what is locked out, in their own words.",
    "The taker signs. What comes to mind later is a note: it goes into the next handover.",
)


def preview_of(parts: Parts, site: str, now_ns: int | None = None) -> Content:
    """Return what the handover of the shift that is on would say now."""
    now_ns = parts.now_ns() if now_ns is None else now_ns
    healths = {each.drive.drive_id: each.health for each in parts.board.states(now_ns)}
    return parts.hand_over.preview(site, at_ns=now_ns, healths=healths)


# The shift that is on, and past ones


@router.get("/handover", response_class=HTMLResponse, dependencies=[VIEWER])
def current(
    request: Request, parts: PartsDep, site: Annotated[str | None, Query(max_length=200)] = None
) -> HTMLResponse:
    """The shift that is on, so far, and the handovers of before; of the only site, or of one that was chosen."""
    return _current_page(request, parts, site)


@router.post("/handover", response_class=HTMLResponse, dependencies=[OPERATOR])
def freeze(request: Request, parts: PartsDep, by: WhoDep, typed: TypedDep) -> Response:
    """Freeze the shift that ended last, or a range."""
    name, now_ns, wrong = typed.get("site", ""), parts.now_ns(), Wrong()
    with Collected(wrong, {"from": "from", "to": "to"}):
        if typed.get("from") or typed.get("to"):
            from_ns, to_ns = (_typed_ns(typed, each, parts, name) for each in ("from", "to"))
            handover, _ = parts.hand_over.freeze(name, from_ns=from_ns, to_ns=to_ns, at_ns=now_ns, by=by)
        else:
            handover, _ = parts.hand_over.freeze_last(name, at_ns=now_ns, by=by)
        return RedirectResponse(f"/handovers/{handover.head.number}", 303)
    return _current_page(request, parts, name, typed, wrong)


@router.post("/handover/note", response_class=HTMLResponse, dependencies=[OPERATOR])
def add_note(request: Request, parts: PartsDep, by: WhoDep, typed: TypedDep) -> Response:
    """Leave a note for the next shift."""
    name, wrong = typed.get("site", ""), Wrong()
    with Collected(wrong, {}):
        parts.hand_over.add_note(
            name,
            typed.get("text", "").replace("\r\n", "\n").strip(),
            drive_id=typed.get("drive_id", "").strip(),
            at_ns=parts.now_ns(),
            by=typed.get("by", "").strip() or by,
        )
        back = typed.get("back", "")
        target = (
            f"/handovers/{back}" if back.isascii() and back.isdigit() else f"/handover?site={quote(name)}"
        )
        return RedirectResponse(f"{target}#notes", 303)
    return _current_page(request, parts, name, typed, wrong)


def _typed_ns(typed: Mapping[str, str], name: str, parts: Parts, site: str) -> int:
    text = typed.get(name, "")
    if not text:
        raise FieldsRefusedError({name: "fill in both, or neither for the shift that ended last"})
    try:
        return local_ns(text, parts.hand_over.site(site).zone_info)
    except ValueError as error:
        raise FieldsRefusedError({name: str(error)}) from error


def _current_page(
    request: Request,
    parts: Parts,
    name: str | None,
    typed: Mapping[str, str] | None = None,
    wrong: Wrong | None = None,
) -> HTMLResponse:
    now_ns = parts.now_ns()
    sites = parts.hand_over.sites()
    chosen = _chosen(parts, sites, name)
    values: dict[str, Any] = {
        "sites": sites,
        "site": chosen,
        "view": None,
        "on": False,
        "past": [],
        "drives": [],
        "typed": typed or {},
        "wrong": wrong or Wrong(),
        "note_to": chosen.site if chosen else "",
        "back": "",
        "steps": HAND_OVER_STEPS,
    }
    if chosen is not None:
        content = preview_of(parts, chosen.site, now_ns)
        values |= {
            "view": view_of(content),
            "on": bool(content["shift"]),
            "past": _past(parts, chosen),
            "drives": sorted(content["drives"]),
        }
    return render(request, "handover_now.html", values, status=422 if wrong else 200, now_ns=now_ns)


def _chosen(parts: Parts, sites: list[Site], name: str | None) -> Site | None:
    """The site that was asked for, else the one with shifts that comes first, else the first. Raises NotFoundError."""
    if name is not None:
        return parts.hand_over.site(name)
    with_shifts = [each for each in sites if each.pattern.slots]
    return next(iter([*with_shifts, *sites]), None)


def _past(parts: Parts, site: Site) -> list[dict[str, object]]:
    heads = parts.handovers.newest(site.site, PAST_SHOWN)
    numbers = [each.number for each in heads]
    signatures, receipts = parts.handovers.signatures(numbers), parts.handovers.receipts(numbers)
    return [
        {
            "number": head.number,
            "title": head.shift or "Range",
            "span": _span(head, site),
            "length": length_words(head.to_ns - head.from_ns),
            "signed": _signed_words(head.number, signatures),
            "received": _received_words(head.number, receipts),
        }
        for head in heads
    ]


def _span(head: Head, site: Site) -> str:
    start, end = (when(ns, site.zone_info) for ns in (head.from_ns, head.to_ns))
    same = start.split(",")[0] == end.split(",")[0]
    return f"{start} to {end.split(', ')[1] if same else end}"


def _signed_words(number: int, signatures: list[Signature]) -> str:
    names = {each.role: each.name for each in signatures if each.handover == number}
    if not names:
        return "not signed"
    taker = names.get(SignRole.TAKER)
    return f"{names[SignRole.GIVER]} to {taker}" if taker else f"given by {names[SignRole.GIVER]}, not taken"


def _received_words(number: int, receipts: list[Receipt]) -> str:
    names = [each.system for each in receipts if each.handover == number and each.system != ROUTES]
    sent = [each.reference for each in receipts if each.handover == number and each.system == ROUTES]
    words = [f"put on {sent[0]}"] if sent and not sent[0].startswith("0 ") else []
    return "; ".join([*words, *(f"{each} has it" for each in names)])


# One that is frozen


@router.get("/handovers/{number}", response_class=HTMLResponse, dependencies=[VIEWER])
def show(request: Request, parts: PartsDep, number: Number) -> HTMLResponse:
    """One handover, to read, print and sign."""
    return page_of(request, parts, number)


@router.post("/handovers/{number}", response_class=HTMLResponse, dependencies=[OPERATOR])
def sign(request: Request, parts: PartsDep, by: WhoDep, number: Number, typed: TypedDep) -> Response:
    """Sign it as giver or as taker."""
    wrong, role = Wrong(), typed.get("role", "")
    if role not in set(SignRole):
        wrong.above = "say whether you give or take the shift"
    else:
        with Collected(wrong, {}, f"{role}-"):
            parts.hand_over.sign(
                number,
                role=SignRole(role),
                name=typed.get("by", "").strip() or typed.get(f"{role}-name", "").strip(),
                remark=typed.get(f"{role}-remark", "").replace("\r\n", "\n").strip(),
                read_back=bool(typed.get(f"{role}-read_back")),
                at_ns=parts.now_ns(),
                by=by,
            )
            return RedirectResponse(f"/handovers/{number}#signed", 303)
    return page_of(request, parts, number, typed, wrong)


def page_of(
    request: Request,
    parts: Parts,
    number: int,
    typed: Mapping[str, str] | None = None,
    wrong: Wrong | None = None,
) -> HTMLResponse:
    """Return the page of a frozen handover. Raises NotFoundError."""
    shown = parts.hand_over.shown(number)
    head, content = shown.handover.head, shown.handover.told
    view = view_of(content, number)
    signed = {each.role: each for each in shown.signatures}
    values = {
        "head": head,
        "view": view,
        "frozen": _at(view, head.frozen_ns),
        "intact": shown.handover.intact,
        "signed": {
            role: {"name": each.name, "at": _at(view, each.at_ns), "remark": each.remark}
            for role, each in signed.items()
        },
        "received": _received_words(number, list(shown.receipts)),
        "drives": sorted(content["drives"]),
        "typed": typed or {},
        "wrong": wrong or Wrong(),
        "note_to": head.site,
        "back": str(number),
        "steps": HAND_OVER_STEPS,
    }
    return render(request, "handover.html", values, status=422 if wrong else 200)


def _at(view: HandoverView, ns: int) -> str:
    return view.clock.at_ns(ns)
