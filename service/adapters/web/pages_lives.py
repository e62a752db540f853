"""Pages of how chains lived: upkeep and sprockets of a drive, lives by class, and what wear goes with.

A form posts and is answered with a redirect, or comes back with what was typed and what is wrong beside each field. All that is
done goes through the door `tend`, all that is asked through `look_back`.
"""

from collections.abc import Mapping
from typing import Annotated, Any
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from service.adapters.web import forms
from service.adapters.web.allowed import needs
from service.adapters.web.api_lives import sprocket_of
from service.adapters.web.chart import Mark
from service.adapters.web.lives_picture import Curve, Span, draw_influence, draw_lives
from service.adapters.web.pages_forms import Collected, TypedDep, Wrong, timed
from service.adapters.web.parts import Parts, PartsDep, WhoDep
from service.adapters.web.templating import render
from service.core.influence import Factor
from service.core.life import LifeUnit, RemovalKind, amount_words, comparison_words, median_words
from service.core.people import Role
from service.core.sprocket import Place
from service.core.upkeep import LASTING, UpkeepKind
from service.look_back import LivesReport, WearReport
from service.ports import LifeFitterMissingError
from service.tend import Ended

router = APIRouter()

VIEWER, OPERATOR, ENGINEER = (needs(role) for role in (Role.VIEWER, Role.OPERATOR, Role.ENGINEER))
DAY_NS = 86_400 * 1_000_000_000
SPANS: Mapping[str, tuple[str, int]] = {
    "90d": ("90 days", 90),
    "180d": ("180 days", 180),
    "365d": ("a year", 365),
    "800d": ("800 days", 800),
}
UNITS: Mapping[LifeUnit, str] = {
    LifeUnit.DAYS: "days",
    LifeUnit.HOURS: "hours of running",
    LifeUnit.PASSAGES: "joints passed",
}
CHANGES: Mapping[UpkeepKind, str] = {
    UpkeepKind.LUBRICANT_CHANGED: "another lubricant",
    UpkeepKind.METHOD_CHANGED: "another way of lubrication",
}
KINDS: Mapping[str, str] = {
    "worn": "worn",
    "broken": "broken",
    "damaged": "damaged",
    "planned": "changed early, as planned",
    "moved": "moved elsewhere",
    "other": "other, or not known",
}
UPKEEP_WORDS: Mapping[str, str] = {
    "lubricated": "Lubricated",
    "lubricant_changed": "Another lubricant",
    "method_changed": "Another way of lubrication",
    "cleaned": "Cleaned",
    "tension_set": "Tension set",
    "other": "Other",
}
FACTORS: Mapping[Factor, str] = {
    Factor.LOAD: "Load",
    Factor.SPEED: "Speed",
    Factor.TEMPERATURE: "Temperature",
    Factor.SINCE_LUBRICATED: "Time since it was lubricated",
    Factor.CHANGE: "Change of lubricant or method",
}
DUE_WORDS = {"yes": "Due", "inspect": "Inspect", "no": "Not due"}
_TIMES = {"fitted_ns": "fitted", "inspected_ns": "inspected", "at_ns": "done", "at": "done"}


# Upkeep and sprockets of a drive


@router.get("/drives/{drive_id}/upkeep", response_class=HTMLResponse, dependencies=[VIEWER])
def upkeep_page(request: Request, parts: PartsDep, drive_id: str) -> HTMLResponse:
    """What was done to the drive, its sprockets, and what became of its chains."""
    return _upkeep_page(request, parts, drive_id)


@router.post("/drives/{drive_id}/upkeep", response_class=HTMLResponse, dependencies=[OPERATOR])
def record_upkeep(request: Request, parts: PartsDep, by: WhoDep, drive_id: str, typed: TypedDep) -> Response:
    """Record what was done."""
    parts.register.drive(drive_id)
    wrong = Wrong()
    values = timed(parts, forms.UPKEEP_FIELDS, typed, wrong, "up-")
    kind = _choice(UpkeepKind, values, "kind", wrong, "up-")
    if not wrong:
        with Collected(wrong, _TIMES, "up-"):
            said = values.pop("by", None) or by
            parts.tend.record_upkeep(drive_id, **values | {"kind": kind}, at_ns=parts.now_ns(), by=said)
            return _back(drive_id, "#done")
    return _upkeep_page(request, parts, drive_id, typed, wrong)


@router.post(
    "/drives/{drive_id}/upkeep/{number}/strike", response_class=HTMLResponse, dependencies=[OPERATOR]
)
def strike_upkeep(parts: PartsDep, by: WhoDep, drive_id: str, number: int) -> Response:
    """Say that it was entered in error."""
    parts.tend.strike_upkeep(drive_id, number, at_ns=parts.now_ns(), by=by)
    return _back(drive_id, "#done")


@router.post("/drives/{drive_id}/sprockets", response_class=HTMLResponse, dependencies=[ENGINEER])
def fit_sprocket(request: Request, parts: PartsDep, by: WhoDep, drive_id: str, typed: TypedDep) -> Response:
    """Record that a sprocket is on."""
    parts.register.drive(drive_id)
    wrong = Wrong()
    values = timed(parts, forms.SPROCKET_FIELDS, typed, wrong, "sp-")
    place = _choice(Place, values, "place", wrong, "sp-")
    if not wrong:
        with Collected(wrong, _TIMES, "sp-"):
            said = values.pop("by", None) or by
            parts.tend.fit_sprocket(drive_id, **values | {"place": place}, at_ns=parts.now_ns(), by=said)
            return _back(drive_id, "#sprockets")
    return _upkeep_page(request, parts, drive_id, typed, wrong)


@router.post(
    "/drives/{drive_id}/sprockets/{number}/take-off", response_class=HTMLResponse, dependencies=[ENGINEER]
)
def take_off_sprocket(
    request: Request, parts: PartsDep, by: WhoDep, drive_id: str, number: int, typed: TypedDep
) -> Response:
    """Record that a sprocket is off."""
    sprocket_of(parts, drive_id, number)
    wrong = Wrong()
    with Collected(wrong, {}):
        why = typed.get("why", "").strip()
        parts.tend.take_off_sprocket(number, why=why, at_ns=parts.now_ns(), by=by)
        return _back(drive_id, "#sprockets")
    return _upkeep_page(request, parts, drive_id, typed, wrong)


@router.post(
    "/drives/{drive_id}/sprockets/{number}/inspect", response_class=HTMLResponse, dependencies=[OPERATOR]
)
def inspect(
    request: Request, parts: PartsDep, by: WhoDep, drive_id: str, number: int, typed: TypedDep
) -> Response:
    """Record what was seen of a sprocket's teeth."""
    sprocket_of(parts, drive_id, number)
    wrong, prefix = Wrong(), f"in-{number}-"
    values = timed(parts, forms.INSPECTION_FIELDS, typed, wrong, prefix)
    if not wrong:
        with Collected(wrong, _TIMES, prefix):
            worn, said = values.pop("worn") == "yes", values.pop("by", None) or by
            parts.tend.inspect(number, worn=worn, **values, at_ns=parts.now_ns(), by=said)
            return _back(drive_id, "#sprockets")
    return _upkeep_page(request, parts, drive_id, typed, wrong)


@router.post("/drives/{drive_id}/removal", response_class=HTMLResponse, dependencies=[ENGINEER])
def correct_removal(
    request: Request, parts: PartsDep, by: WhoDep, drive_id: str, typed: TypedDep
) -> Response:
    """Say how a chain that is off ended."""
    chain_id, wrong = typed.get("chain_id", ""), Wrong()
    chains = [each.chain_id for each in parts.register.chains(drive_id)]
    prefix = f"re-{chains.index(chain_id)}-" if chain_id in chains else "re-"
    values = timed(parts, forms.REMOVAL_FIELDS, typed, wrong, prefix)
    kind = _choice(RemovalKind, values, "kind", wrong, prefix)
    if chain_id not in chains:
        wrong.above = "choose one of the chains of this drive"
    if not wrong and kind is not None:
        with Collected(wrong, {}, prefix):
            parts.tend.correct_removal(
                chain_id, Ended(**values | {"kind": kind}), at_ns=parts.now_ns(), by=by
            )
            return _back(drive_id, "#chains")
    return _upkeep_page(request, parts, drive_id, typed, wrong)


def _choice(
    of: type[UpkeepKind] | type[Place] | type[RemovalKind],
    values: dict[str, Any],
    name: str,
    wrong: Wrong,
    prefix: str,
) -> Any:
    """Return the choice that was made; a value that the form does not offer is told beside the field."""
    value = values.get(name)
    if value in {str(each) for each in of}:
        return of(value)
    if prefix + name not in wrong.fields:
        wrong.fields[prefix + name] = "choose one of these"
    return None


def _upkeep_page(
    request: Request,
    parts: Parts,
    drive_id: str,
    typed: Mapping[str, str] | None = None,
    wrong: Wrong | None = None,
) -> HTMLResponse:
    now_ns = parts.now_ns()
    state = parts.board.state(drive_id, now_ns)
    values = {
        "state": state,
        "typed": typed or {},
        "wrong": wrong or Wrong(),
        "done": parts.upkeep_log.of(drive_id, struck=True)[::-1],
        "sprockets": parts.look_back.sprockets(drive_id, now_ns),
        "off": [each for each in parts.sprockets.of(drive_id) if each.removed_ns is not None][::-1],
        "pasts": list(enumerate(parts.look_back.pasts(drive_id, now_ns)))[::-1],
        "upkeep_fields": forms.UPKEEP_FIELDS,
        "sprocket_fields": forms.SPROCKET_FIELDS,
        "inspection_fields": forms.INSPECTION_FIELDS,
        "removal_fields": forms.REMOVAL_FIELDS,
        "places": dict(forms.PLACES),
        "kinds": KINDS,
        "upkeep_words": UPKEEP_WORDS,
        "due_words": DUE_WORDS,
        "hours": lambda value: amount_words(value, LifeUnit.HOURS),
        "joints": lambda value: amount_words(value, LifeUnit.PASSAGES),
    }
    return render(request, "upkeep.html", values, status=422 if wrong else 200, now_ns=now_ns)


def _back(drive_id: str, to: str) -> RedirectResponse:
    return RedirectResponse(f"/drives/{quote(drive_id)}/upkeep{to}", 303)


# Lives


@router.get("/lives", response_class=HTMLResponse, dependencies=[VIEWER])
def lives_page(
    request: Request,
    parts: PartsDep,
    drive_class: Annotated[str | None, Query(alias="class", max_length=200)] = None,
    unit: LifeUnit = LifeUnit.DAYS,
    change: UpkeepKind | None = None,
) -> HTMLResponse:
    """How long chains live: every class, or one class with its curve."""
    now_ns = parts.now_ns()
    change = change if change in LASTING else None
    values: dict[str, Any] = {"classes": [], "report": None, "missing": "", "kinds": KINDS}
    values |= {"units": UNITS, "changes": CHANGES, "unit": unit, "change": change, "drive_class": drive_class}
    values |= {
        "median_words": median_words,
        "link": _lives_link,
        "days": LifeUnit.DAYS,
        "picture": "",
        "verdict": "",
    }
    try:
        if drive_class is None:
            values["classes"] = parts.look_back.classes(now_ns)
        else:
            report = parts.look_back.lives_of(drive_class, unit, now_ns, change)
            values |= {"report": report, "picture": lives_picture(report)}
            values["verdict"] = comparison_words(report.compared) if report.compared else ""
            values["rows"] = [
                (
                    each,
                    amount_words(length, unit)
                    if (length := each.length(unit)) is not None
                    else "not counted",
                )
                for each in sorted(report.lives, key=lambda life: -life.until_ns)
            ]
    except LifeFitterMissingError as error:
        values["missing"] = str(error)
    return render(request, "lives.html", values, now_ns=now_ns, status=503 if values["missing"] else 200)


def lives_picture(report: LivesReport) -> str:
    """Return the curves of a class; "" where no chain was worn out yet."""
    compared = report.compared
    curves = [Curve("one", report.survival)]
    if compared is not None:
        curves = [Curve("one", compared.before), Curve("other", compared.after)]
    if all(each.survival.ended == 0 for each in curves):
        return ""
    summary = "; ".join(median_words(each.survival, report.unit) for each in curves)
    return draw_lives(curves, report.unit, title="Share of chains that live longer", summary=summary)


def _lives_link(drive_class: str, unit: LifeUnit, change: UpkeepKind | None) -> str:
    asked = {"class": drive_class, "unit": str(unit)} | ({"change": str(change)} if change else {})
    return f"/lives?{urlencode(asked)}"


# What wear goes with


@router.get("/drives/{drive_id}/influence", response_class=HTMLResponse, dependencies=[VIEWER])
def influence_page(
    request: Request, parts: PartsDep, drive_id: str, span: Annotated[str, Query(max_length=10)] = "365d"
) -> HTMLResponse:
    """The wear rate beside load, speed, temperature and upkeep, and whether it goes with them."""
    now_ns = parts.now_ns()
    span = span if span in SPANS else "365d"
    report = parts.look_back.influence(drive_id, max(0, now_ns - SPANS[span][1] * DAY_NS), now_ns)
    values = {
        "state": parts.board.state(drive_id, now_ns),
        "report": report,
        "picture": influence_picture(parts, report),
        "span": span,
        "spans": {name: words for name, (words, _) in SPANS.items()},
        "factors": FACTORS,
        "upkeep_words": UPKEEP_WORDS,
    }
    return render(request, "influence.html", values, now_ns=now_ns)


def influence_picture(parts: Parts, report: WearReport) -> str:
    """Return the rates of a drive with what was done to it; "" where there are none."""
    if not report.found.bins:
        return ""
    from_ns = max(report.from_ns, report.found.bins[0].from_ns)
    lasting = [each for each in report.upkeep if each.kind is not UpkeepKind.LUBRICATED]
    oiled = [each for each in report.upkeep if each.kind is UpkeepKind.LUBRICATED]
    marks = [Mark(each.at_ns, UPKEEP_WORDS[each.kind]) for each in lasting]
    marks += [Mark(each.at_ns, "") for each in oiled]  # many and alike: lines say enough
    marks += [Mark(each.fitted_ns, "Chain fitted") for each in report.chains]
    shown = sorted((each for each in marks if each.t_ns > from_ns), key=lambda mark: mark.t_ns)
    found = report.found
    summary = found.words or f"{found.rate:.3g} % per 1000 km over all of it, from {found.days} measured days"
    return draw_influence(
        found.bins,
        Span(from_ns=from_ns, to_ns=report.to_ns, zone=parts.settings.zone),
        shown,
        title=f"Wear rate of {report.drive.name or report.drive.drive_id}",
        summary=summary,
    )
