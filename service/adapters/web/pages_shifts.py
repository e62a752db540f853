"""Pages to set the shifts of a site, and to say what is being done to drives.

A form posts and is answered with a redirect, or comes back with what was typed and what is wrong. All that is done goes
through the door `hand_over`.
"""

from collections.abc import Iterable, Mapping
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, Path, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from service.adapters.web.allowed import needs
from service.adapters.web.chart import MONTHS
from service.adapters.web.handover_view import WEEKDAYS, WORK_KINDS, length_words
from service.adapters.web.instants import local
from service.adapters.web.pages_forms import Collected, TypedDep, Wrong
from service.adapters.web.parts import Parts, PartsDep, WhoDep
from service.adapters.web.templating import render
from service.core.fields import FieldsRefusedError
from service.core.people import Role
from service.core.shift import Pattern, Shift, Site, Slot, clock_time, shifts_between
from service.core.work import WorkKind

router = APIRouter()

VIEWER, OPERATOR, ENGINEER = (needs(role) for role in (Role.VIEWER, Role.OPERATOR, Role.ENGINEER))
DAY_NS = 86_400 * 1_000_000_000
LATEST_NS = 2**62
WorkId = Annotated[int, Path(ge=1, le=2**62)]
LINES_SPARE = 3
LINES_MAX = 50
CLOSED_SHOWN_NS = 30 * DAY_NS
CLOSED_SHOWN = 50
# What a pattern may begin from: name, start, end and days of each line.
USUAL: Mapping[str, tuple[tuple[str, str, str, str], ...]] = {
    "three shifts": (
        ("Early", "06:00", "14:00", "1234567"),
        ("Late", "14:00", "22:00", "1234567"),
        ("Night", "22:00", "06:00", "1234567"),
    ),
    "two shifts": (("Early", "06:00", "14:00", "12345"), ("Late", "14:00", "22:00", "12345")),
    "three on weekdays, two long ones at weekends": (
        ("Early", "06:00", "14:00", "12345"),
        ("Late", "14:00", "22:00", "12345"),
        ("Night", "22:00", "06:00", "1234"),
        ("Friday night", "22:00", "06:00", "5"),
        ("Weekend day", "06:00", "18:00", "67"),
        ("Weekend night", "18:00", "06:00", "67"),
    ),
}


# Shifts


@router.get("/shifts", response_class=HTMLResponse, dependencies=[VIEWER])
def shifts_page(
    request: Request,
    parts: PartsDep,
    site: Annotated[str | None, Query(max_length=200)] = None,
    usual: Annotated[str, Query(max_length=60)] = "",
) -> HTMLResponse:
    """The shifts of a site, to change; `usual` fills in what many have."""
    sites = parts.hand_over.sites()
    chosen = parts.hand_over.site(site) if site is not None else next(iter(sites), Site(site=""))
    typed = _typed_of(chosen)
    if usual in USUAL:
        typed = {"site": chosen.site, "zone": typed["zone"]} | _lines_of(USUAL[usual])
    return _shifts_page(request, parts, chosen, typed)


@router.post("/shifts", response_class=HTMLResponse, dependencies=[ENGINEER])
def put_shifts(request: Request, parts: PartsDep, by: WhoDep, typed: TypedDep) -> Response:
    """Set the shifts of a site."""
    wrong, name = Wrong(), typed.get("site", "").strip()
    slots = _slots(typed, wrong)
    with Collected(wrong, {"slots": "above"}):
        if not wrong:
            site = Site(site=name, zone=typed.get("zone", "").strip() or "UTC", pattern=Pattern(slots))
            parts.hand_over.put_site(site, at_ns=parts.now_ns(), by=by, why=typed.get("why", "").strip())
            return RedirectResponse(f"/shifts?site={quote(name)}", 303)
    wrong.above = wrong.above or wrong.fields.pop("above", "")
    known = Site(site=name) if wrong.fields.get("site") else _site(parts, name)
    return _shifts_page(request, parts, known, typed, wrong)


def _site(parts: Parts, name: str) -> Site:
    return next((each for each in parts.hand_over.sites() if each.site == name), Site(site=name))


def _slots(typed: Mapping[str, str], wrong: Wrong) -> tuple[Slot, ...]:
    """The lines that were filled in; what is wrong with each stands beside it."""
    found = []
    for number in range(LINES_MAX):
        name, starts, ends = (
            typed.get(f"{part}-{number}", "").strip() for part in ("name", "starts", "ends")
        )
        if not (name or starts or ends):
            continue
        days = frozenset(day for day in range(1, 8) if typed.get(f"day-{number}-{day}"))
        try:
            found.append(Slot(name=name, starts=clock_time(starts), ends=clock_time(ends), days=days))
        except FieldsRefusedError as error:
            wrong.fields[f"line-{number}"] = "; ".join(error.problems.values())
        except ValueError as error:
            wrong.fields[f"line-{number}"] = str(error)
    return tuple(found)


def _typed_of(site: Site) -> dict[str, str]:
    lines = [
        (each.name, f"{each.starts:%H:%M}", f"{each.ends:%H:%M}", "".join(map(str, sorted(each.days))))
        for each in site.pattern.slots
    ]
    return {"site": site.site, "zone": site.zone} | _lines_of(lines)


def _lines_of(lines: Iterable[tuple[str, str, str, str]]) -> dict[str, str]:
    typed: dict[str, str] = {}
    for number, (name, starts, ends, days) in enumerate(lines):
        typed |= {f"name-{number}": name, f"starts-{number}": starts, f"ends-{number}": ends}
        typed |= {f"day-{number}-{day}": "yes" for day in days}
    return typed


def _shifts_page(
    request: Request, parts: Parts, site: Site, typed: Mapping[str, str], wrong: Wrong | None = None
) -> HTMLResponse:
    now_ns = parts.now_ns()
    used = [
        number for number in range(LINES_MAX) if typed.get(f"name-{number}") or typed.get(f"starts-{number}")
    ]
    coming = shifts_between(site.pattern, site.zone_info, now_ns, now_ns + 7 * DAY_NS)
    values = {
        "sites": parts.hand_over.sites(),
        "site": site,
        "typed": typed,
        "wrong": wrong or Wrong(),
        "lines": range(min(LINES_MAX, max(used, default=-1) + 1 + LINES_SPARE)),
        "weekdays": list(enumerate(WEEKDAYS, 1)),
        "usual": list(USUAL),
        "zones": ("UTC", "Europe/Berlin", "Europe/London", "America/New_York", "America/Chicago"),
        "coming": [
            {
                "name": each.name,
                "span": _span(each, site),
                "length": length_words(each.to_ns - each.from_ns),
            }
            for each in coming
        ],
    }
    return render(request, "shifts.html", values, status=422 if wrong else 200, now_ns=now_ns)


def _span(shift: Shift, site: Site) -> str:
    """From when to when a shift is, by the clocks of the site: Fri 11 Sep, 22:00 to Sat 06:00."""
    start, end = (local(ns, site.zone_info) for ns in (shift.from_ns, shift.to_ns))
    day = f"{WEEKDAYS[start.weekday()]} {start.day} {MONTHS[start.month - 1]}"
    until = "" if end.date() == start.date() else f"{WEEKDAYS[end.weekday()]} "
    return f"{day}, {start:%H:%M} to {until}{end:%H:%M}"


# Work in hand


@router.get("/work", response_class=HTMLResponse, dependencies=[VIEWER])
def work_page(
    request: Request, parts: PartsDep, drive: Annotated[str, Query(max_length=64)] = ""
) -> HTMLResponse:
    """What is being done to drives, and a form for more."""
    return _work_page(request, parts, {"drive_id": drive})


@router.post("/work", response_class=HTMLResponse, dependencies=[OPERATOR])
def open_work(request: Request, parts: PartsDep, by: WhoDep, typed: TypedDep) -> Response:
    """Say that something is being done to a drive."""
    wrong, kind, drive_id = Wrong(), typed.get("kind", ""), typed.get("drive_id", "").strip()
    if kind not in set(WorkKind):
        wrong.fields["kind"] = "say what is being done"
    if all(each.drive_id != drive_id for each in parts.register.drives()):
        wrong.fields["drive_id"] = "choose one of the drives"
    if not wrong:
        with Collected(wrong, {}):
            parts.hand_over.open_work(
                drive_id,
                kind=WorkKind(kind),
                why=typed.get("why", "").replace("\r\n", "\n").strip(),
                work_order=typed.get("work_order", "").strip(),
                at_ns=parts.now_ns(),
                by=typed.get("by", "").strip() or by,
            )
            return RedirectResponse("/work", 303)
    return _work_page(request, parts, typed, wrong)


@router.post("/work/{work_id}/close", response_class=HTMLResponse, dependencies=[OPERATOR])
def close_work(request: Request, parts: PartsDep, by: WhoDep, work_id: WorkId, typed: TypedDep) -> Response:
    """Say that work is done."""
    wrong = Wrong()
    with Collected(wrong, {}):
        parts.hand_over.close_work(
            work_id,
            why=typed.get("closed_why", "").replace("\r\n", "\n").strip(),
            at_ns=parts.now_ns(),
            by=typed.get("by", "").strip() or by,
        )
        return RedirectResponse("/work", 303)
    return _work_page(request, parts, {}, wrong)


def _work_page(
    request: Request, parts: Parts, typed: Mapping[str, str], wrong: Wrong | None = None
) -> HTMLResponse:
    now_ns = parts.now_ns()
    drives = {each.drive_id: each for each in parts.register.drives()}
    closed = [
        each
        for each in parts.work_in_hand.known(now_ns - CLOSED_SHOWN_NS, LATEST_NS, CLOSED_SHOWN)
        if not each.is_open
    ]
    values = {
        "drives": drives,
        "open": parts.work_in_hand.in_hand(),
        "closed": closed[::-1],
        "kinds": WORK_KINDS,
        "typed": typed,
        "wrong": wrong or Wrong(),
    }
    return render(request, "work.html", values, status=422 if wrong else 200, now_ns=now_ns)
