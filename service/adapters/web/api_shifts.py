"""API: sites with their shifts, work in hand, and notes."""

from typing import Annotated

from fastapi import APIRouter, Path, Query

from service.adapters.web.allowed import needs
from service.adapters.web.instants import Instant
from service.adapters.web.parts import Parts, PartsDep, WhoDep, WhoSaidDep
from service.adapters.web.problems import refusals, responses
from service.adapters.web.shift_schemas import (
    NoteIn,
    NoteOut,
    ShiftOut,
    SiteIn,
    SiteOut,
    WorkDoneIn,
    WorkIn,
    WorkOut,
)
from service.core.people import Role
from service.core.shift import Site, next_shift, shift_at, shifts_between

router = APIRouter(tags=["shifts"])

VIEWER, OPERATOR, ENGINEER = (needs(role) for role in (Role.VIEWER, Role.OPERATOR, Role.ENGINEER))
ROWS_MAX = 1000
DAY_NS = 86_400 * 1_000_000_000
LATEST_NS = 2**62
SiteName = Annotated[str, Query(max_length=200, description="As drives name it", examples=["Eschbach works"])]


def site_out(parts: Parts, site: Site, now_ns: int) -> SiteOut:
    """Return a site with what its clocks say now."""
    pattern, zone = site.pattern, site.zone_info
    on = shift_at(pattern, zone, now_ns)
    drives = sum(each.site == site.site for each in parts.register.drives())
    return SiteOut.of(site, on, next_shift(pattern, zone, on.to_ns if on else now_ns), drives)


@router.get("/sites", summary="Sites and their shifts", responses=responses(), dependencies=[VIEWER])
def list_sites(parts: PartsDep) -> list[SiteOut]:
    """Every site that drives name or that has shifts, by name; the one without a name is that of drives without a site."""
    now_ns = parts.now_ns()
    return [site_out(parts, each, now_ns) for each in parts.hand_over.sites()]


@router.put("/sites", summary="Set the shifts of a site", responses=responses(413), dependencies=[ENGINEER])
def put_site(parts: PartsDep, by: WhoDep, given: SiteIn) -> SiteOut:
    """Set the zone of a site's clocks and its shifts, in place of those it had.

    A time that clocks show twice in autumn means the first; one that they leave out in spring means the moment at which
    they jump. Handovers that are frozen stay as they are.
    """
    now_ns = parts.now_ns()
    with refusals():
        site = parts.hand_over.put_site(given.as_site(), at_ns=now_ns, by=by, why=given.why)
    return site_out(parts, site, now_ns)


@router.get("/shifts", summary="Shifts of a site over time", responses=responses(404), dependencies=[VIEWER])
def list_shifts(
    parts: PartsDep,
    site: SiteName,
    from_: Annotated[Instant | None, Query(alias="from", description="Left out: now")] = None,
    to: Annotated[Instant | None, Query(description="Left out: a week later; 400 days at most")] = None,
) -> list[ShiftOut]:
    """The shifts of which some part lies in that time, to the second: also in nights in which clocks change."""
    found = parts.hand_over.site(site)
    from_ns = parts.now_ns() if from_ is None else from_
    to_ns = from_ns + 7 * DAY_NS if to is None else to
    with refusals():
        if from_ns >= to_ns:
            raise ValueError("from must be before to: exchange or correct the two times")
        shifts = shifts_between(found.pattern, found.zone_info, from_ns, to_ns)
    return [ShiftOut.of(each) for each in shifts]


# Work in hand

WorkId = Annotated[
    int, Path(ge=1, le=LATEST_NS, description="Its number, as the list gives it", examples=[7])
]


@router.get("/work", summary="Work in hand", responses=responses(), dependencies=[VIEWER])
def list_work(
    parts: PartsDep,
    drive: Annotated[str | None, Query(max_length=64, description="Of this drive only")] = None,
    closed_since: Annotated[
        Instant | None, Query(description="Also what was closed after that; left out: only what is open")
    ] = None,
) -> list[WorkOut]:
    """What is being done to drives, by when it was begun."""
    if closed_since is None:
        found = parts.work_in_hand.in_hand(drive)
    else:
        every = parts.work_in_hand.known(closed_since, LATEST_NS, ROWS_MAX)
        found = [each for each in every if drive in {None, each.drive_id}]
    return [WorkOut.of(each) for each in found]


@router.post(
    "/work",
    status_code=201,
    summary="Begin work on a drive",
    responses=responses(404, 409, 413),
    dependencies=[OPERATOR],
)
def open_work(parts: PartsDep, said: WhoSaidDep, given: WorkIn) -> WorkOut:
    """Say that something is being done to a drive; it stays in hand, and in every handover, until it is closed.

    Locked out is told first of all. This is a notice and no lock: the lock and the tag hang on the drive.
    """
    with refusals():
        work = parts.hand_over.open_work(
            given.drive_id,
            kind=given.kind,
            why=given.why,
            work_order=given.work_order,
            since_ns=given.since,
            at_ns=parts.now_ns(),
            by=said(given.by),
        )
    return WorkOut.of(work)


@router.post(
    "/work/{work_id}/close",
    summary="Say that work is done",
    responses=responses(404, 409, 413),
    dependencies=[OPERATOR],
)
def close_work(parts: PartsDep, said: WhoSaidDep, work_id: WorkId, given: WorkDoneIn) -> WorkOut:
    """Close it. The handover of the shift tells when and by whom."""
    with refusals():
        work = parts.hand_over.close_work(
            work_id, why=given.why, closed_ns=given.closed, at_ns=parts.now_ns(), by=said(given.by)
        )
    return WorkOut.of(work)


# Notes


@router.get("/notes", summary="Notes that people left", responses=responses(404), dependencies=[VIEWER])
def list_notes(
    parts: PartsDep,
    site: Annotated[str | None, Query(max_length=200, description="Of this site only")] = None,
    since: Annotated[
        Instant | None, Query(description="Recorded after that; left out: of the last week")
    ] = None,
    rows_max: Annotated[int, Query(ge=1, le=ROWS_MAX, description="The newest so many")] = 100,
) -> list[NoteOut]:
    """Notes in the order in which they were recorded."""
    now_ns = parts.now_ns()
    since_ns = max(0, now_ns - 7 * DAY_NS) if since is None else since
    found = parts.notes.recorded(site, since_ns, now_ns, rows_max)
    return [NoteOut.of(each) for each in found]


@router.post(
    "/notes",
    status_code=201,
    summary="Leave a note",
    responses=responses(404, 413),
    dependencies=[OPERATOR],
)
def add_note(parts: PartsDep, said: WhoSaidDep, given: NoteIn) -> NoteOut:
    """Leave a note for the next shift. It is never changed: write another where it was wrong."""
    with refusals():
        note = parts.hand_over.add_note(
            given.site,
            given.text,
            drive_id=given.drive_id,
            true_ns=given.about,
            at_ns=parts.now_ns(),
            by=said(given.by),
        )
    return NoteOut.of(note)
