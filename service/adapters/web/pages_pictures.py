"""Every picture of the pages as a file of its own, with its data: what `saving.html` links to.

A page and its file are drawn by the same function, from the same address. The trend of a drive is with its page (`pages_drive`).
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Annotated, Any, Final

from fastapi import APIRouter, Query, Request
from fastapi.responses import Response

from service.adapters.web.allowed import needs
from service.adapters.web.change_picture import draw_strip
from service.adapters.web.change_words import ANSWERS
from service.adapters.web.instants import rfc3339
from service.adapters.web.map_picture import Shape, draw_map, shape_of
from service.adapters.web.pages_changes import LookedDep
from service.adapters.web.pages_forms import Wrong
from service.adapters.web.pages_lives import DAY_NS, SPANS, influence_picture, lives_picture
from service.adapters.web.pages_plan import planned
from service.adapters.web.parts import Parts, PartsDep
from service.adapters.web.plan_picture import bars, draw_budget, draw_place
from service.adapters.web.saving import Figure, FigureForm, saved
from service.core.chain_faults import Finding
from service.core.drive import Drive
from service.core.life import LifeUnit
from service.core.link_map import LinkMap
from service.core.people import Role
from service.core.plan import VALUE_WORDS, Place, Value
from service.core.replacement import Change, day_of
from service.core.upkeep import LASTING, UpkeepKind
from service.fold_maps import map_of_drive
from service.look_back import LivesReport, WearReport
from service.ports import NotFoundError

router = APIRouter()

VIEWER = needs(Role.VIEWER)
BUDGETS: Final = {"absolute": Value.ABSOLUTE, "change": Value.CHANGE}
Row = Sequence[Any]


# The map of a chain


@router.get("/drives/{drive_id}/map.{form}", dependencies=[VIEWER])
def chain_map(
    parts: PartsDep, drive_id: str, form: FigureForm, shape: Annotated[str, Query(max_length=10)] = ""
) -> Response:
    """The chain link by link."""
    drive = parts.register.drive(drive_id)
    found = map_of_drive(drive_id, parts.register, parts.readings, parts.chain_maps, parts.now_ns())
    if found.links is None:
        raise NotFoundError(
            f"the map of {found.chain.chain_id} shows from three laps on: let the chain run on"
        )
    figure = map_figure(drive, found.chain.chain_id, found.links, found.faults, shape_of(shape))
    return saved(parts, figure, form)


def map_figure(
    drive: Drive, chain_id: str, links: LinkMap, faults: list[Finding], shape: Shape = Shape.STRIP
) -> Figure:
    """Return the map as a picture with a row for each link."""
    kinds = {1: "long", -1: "short", 0: "cranked"}
    columns = zip(links.sign, links.elongation_pct, links.u_pct, links.displaced_pct, strict=True)
    said = {
        link % links.pitches: each.words
        for each in faults
        for link in range(each.first_link, each.first_link + each.links)
    }
    return Figure(
        name="links",
        title=f"{_named(drive)}: elongation of each link, %",
        subject=drive.drive_id,
        svg=draw_map(links, faults, shape),
        head=("chain_id", "link", "kind", "elongation_pct", "u_pct", "displaced_pct", "finding"),
        rows=(
            (
                chain_id,
                link,
                kinds[round(float(sign))],
                float(pct),
                float(u_pct),
                float(late_pct),
                said.get(link, ""),
            )
            for link, (sign, pct, u_pct, late_pct) in enumerate(columns)
        ),
        notes=(
            (
                f"Chain {chain_id}. A bar is one link against nominal pitch, counted as they pass up; dashed: the mean, {links.mean_pct:.2f} %; "
                "upright: ± U (k = 2); ▲ stands out."
            ),
            *(each.words for each in faults),
        ),
    )


def _named(drive: Drive) -> str:
    return f"{drive.name} ({drive.drive_id})" if drive.name else drive.drive_id


# Lives, and what wear goes with


@router.get("/lives/lives.{form}", dependencies=[VIEWER])
def lives(
    parts: PartsDep,
    form: FigureForm,
    drive_class: Annotated[str, Query(alias="class", max_length=200)] = "",
    unit: LifeUnit = LifeUnit.DAYS,
    change: UpkeepKind | None = None,
) -> Response:
    """How long the chains of a class live."""
    change = change if change in LASTING else None
    report = parts.look_back.lives_of(drive_class, unit, parts.now_ns(), change)
    return saved(parts, lives_figure(report, drive_class), form)


def lives_figure(report: LivesReport, drive_class: str) -> Figure:
    """Return the curves with a row for each of their steps."""
    compared = report.compared
    curves = (
        {"all": report.survival} if compared is None else {"before": compared.before, "after": compared.after}
    )
    told = " Full line: before; dashed: after." if compared else ""
    return Figure(
        name="lives",
        title=f"{drive_class or 'No class'}: share of chains that live longer",
        subject=drive_class or "no-class",
        svg=lives_picture(report),
        head=("curve", f"at_{report.unit}", "share", "share_low", "share_high"),
        rows=(
            (name, step.at, step.share, step.low, step.high)
            for name, survival in curves.items()
            for step in survival.steps
        ),
        notes=(f"Product-limit estimate with its 95 % interval.{told}",),
    )


@router.get("/drives/{drive_id}/influence.{form}", dependencies=[VIEWER])
def influence(
    parts: PartsDep,
    drive_id: str,
    form: FigureForm,
    span: Annotated[str, Query(max_length=10)] = "365d",
) -> Response:
    """The wear rate beside load, speed and temperature."""
    now_ns = parts.now_ns()
    days = SPANS[span if span in SPANS else "365d"][1]
    report = parts.look_back.influence(drive_id, max(0, now_ns - days * DAY_NS), now_ns)
    return saved(parts, influence_figure(parts, report), form)


def influence_figure(parts: Parts, report: WearReport) -> Figure:
    """Return the rates with a row for each stretch of days."""
    return Figure(
        name="wear-rate",
        title=f"{_named(report.drive)}: wear rate, and what went beside it",
        subject=report.drive.drive_id,
        svg=influence_picture(parts, report),
        head=(
            "chain_id",
            "from",
            "to",
            "km",
            "rate_pct_per_1000_km",
            "rate_u_pct_per_1000_km",
            "load_n",
            "speed_m_s",
            "temp_c",
        ),
        rows=(
            (
                each.chain_id,
                rfc3339(each.from_ns, 0),
                rfc3339(each.to_ns, 0),
                each.km,
                each.rate,
                each.rate_u,
                each.load_n,
                each.speed_m_s,
                each.temp_c,
            )
            for each in report.found.bins
        ),
        notes=(
            (
                "Each level is some days of one chain; upright: ± U (k = 2). Dashed: what was done to the drive, and chains fitted; "
                "those without words: lubricated."
            ),
        ),
    )


# Changes by stop


@router.get("/changes/days.{form}", dependencies=[VIEWER])
def change_days(parts: PartsDep, looked: LookedDep, form: FigureForm) -> Response:
    """The days to come, with stops, and for each chain by when to order and to change it."""
    now_ns = parts.now_ns()
    changes = parts.plan_changes.plan(looked.asked, now_ns=now_ns).changes
    svg = draw_strip(changes, day_of(now_ns, parts.settings.zone))
    asked = looked.asked
    places = "-".join(each for each in (asked.site, asked.area, asked.line) if each)
    supposed = f" As if every site stood on {asked.stop_on}: a question, not a plan." if asked.stop_on else ""
    figure = Figure(
        name="changes",
        title=f"Changes, {places or 'all drives'}",
        subject=places or "all",
        svg=svg,
        head=("drive_id", "name", "answer", "order_by", "stop", "change_on", "change_by", "chance"),
        rows=_change_rows(changes),
        notes=(
            (
                "Square: order by; ring: change in the stop; disc: last day at this chance; triangle: now; band: planned stop. "
                f"The chance allowed is {100 * asked.risk:g} %.{supposed}"
            ),
        ),
    )
    return saved(parts, figure, form)


def _change_rows(changes: Iterable[Change]) -> Iterable[Row]:
    return (
        (
            each.drive.drive_id,
            each.drive.name,
            ANSWERS[each.answer],
            each.order_by,
            each.stop.name if each.stop else None,
            each.needed_on,
            each.change_by,
            each.chance,
        )
        for each in changes
    )


# The plan of two sensors


@router.get("/plan/{what}.{form}", dependencies=[VIEWER])
def plan(request: Request, parts: PartsDep, what: str, form: FigureForm) -> Response:
    """Where the sensors go (place), or what the uncertainty is made of (absolute, change)."""
    typed = {name: text.strip() for name, text in request.query_params.multi_items() if text.strip()}
    found = planned(typed, Wrong()) if typed else None
    if found is None or what not in {"place", *BUDGETS}:
        raise NotFoundError("there is no such picture of a plan: open it from the page of the plan")
    chain = found.layout.designation or f"{found.layout.pitch_mm:g} mm pitch"
    if what == "place":
        return saved(parts, _place_figure(found.place, chain), form)
    expected = next(each for each in found.expected if each.value is BUDGETS[what])
    rows = bars(expected)
    figure = Figure(
        name=f"budget-{what}",
        title=f"{chain}: what the uncertainty is made of, {VALUE_WORDS[BUDGETS[what]]}",
        subject=f"plan-{chain}",
        svg=draw_budget(rows, VALUE_WORDS[BUDGETS[what]]),
        head=("from", "u_pct", "kind"),
        rows=((row.words, row.u_pct, row.kind) for row in rows),
        notes=(
            f"Standard uncertainties (k = 1), per cent of elongation, at the limit of {found.limit.limit_pct:.2f} %. * no reading can see it.",
        ),
    )
    return saved(parts, figure, form)


def _place_figure(place: Place, chain: str) -> Figure:
    figure = Figure(
        name="place",
        title=f"{chain}: where the sensors go",
        subject=f"plan-{chain}",
        svg=draw_place(place),
        head=("what", "mm"),
        notes=(
            "All along the strand, from the middle of a sensing face, to where the chain meets the sprocket.",
        ),
    )
    lengths = (
        ("spacing", place.spacing_mm),
        ("up_to_driver", place.up_to_driver_mm),
        ("down_to_driver", place.down_to_driver_mm),
        ("driven_to_up", place.driven_to_up_mm),
        ("clearance", place.clearance_mm),
    )
    return replace(figure, rows=lengths)
