"""API: how chains ended and how long they live, sprockets, upkeep, and what wear goes with."""

from typing import Annotated

from fastapi import APIRouter, Path, Query

from service.adapters.web.allowed import needs
from service.adapters.web.api_drives import ChainId, DriveId, chain_of
from service.adapters.web.instants import Instant
from service.adapters.web.lives_schemas import (
    EndedIn,
    InfluenceOut,
    InspectionIn,
    InspectionOut,
    LivesOut,
    PastOut,
    SprocketIn,
    SprocketOffIn,
    SprocketOut,
    StrikeIn,
    UpkeepIn,
    UpkeepOut,
)
from service.adapters.web.parts import Parts, PartsDep, WhoSaidDep
from service.adapters.web.problems import ProblemError, refusals, responses
from service.core.life import LifeUnit
from service.core.people import Role
from service.core.sprocket import Sprocket
from service.core.upkeep import UpkeepKind
from service.ports import LifeFitterMissingError, NotFoundError

router = APIRouter(tags=["lives"])

VIEWER, OPERATOR, ENGINEER = (needs(role) for role in (Role.VIEWER, Role.OPERATOR, Role.ENGINEER))
DAY_NS = 86_400 * 1_000_000_000
USUAL_DAYS = 365
NUMBER_MAX = 2**53
SprocketNumber = Annotated[
    int, Path(ge=1, le=NUMBER_MAX, description="Number of a sprocket, as the list gives it", examples=[7])
]
EventNumber = Annotated[
    int, Path(ge=1, le=NUMBER_MAX, description="Number of an event, as the list gives it", examples=[12])
]


@router.get("/lives", summary="How long chains live", responses=responses(404), dependencies=[VIEWER])
def show_lives(
    parts: PartsDep,
    drive_class: Annotated[
        str | None,
        Query(
            alias="class",
            max_length=200,
            description="Of this class; empty: of drives without one. Left out: every class",
        ),
    ] = None,
    unit: Annotated[LifeUnit, Query(description="Of one class; every class is told in days")] = LifeUnit.DAYS,
    change: Annotated[
        UpkeepKind | None,
        Query(description="lubricant_changed or method_changed: lives before and after it, drive by drive"),
    ] = None,
) -> LivesOut:
    """Median life with its 95 % interval, by the product-limit estimate (Kaplan and Meier).

    Wear ends a life. A chain that runs, or came off for another reason, is censored: it lived at least so long. A chain that
    was on at a change is censored there. Below five worn chains on either side nothing is compared.
    """
    now_ns = parts.now_ns()
    try:
        if drive_class is None:
            return LivesOut.of_all(parts.look_back.classes(now_ns))
        with refusals():
            return LivesOut.of(parts.look_back.lives_of(drive_class, unit, now_ns, change))
    except LifeFitterMissingError as error:
        raise ProblemError(503, str(error)) from error


@router.get(
    "/drives/{drive_id}/lives",
    summary="A drive's chains and what became of them",
    responses=responses(404),
    dependencies=[VIEWER],
)
def show_pasts(parts: PartsDep, drive_id: DriveId) -> list[PastOut]:
    """Every chain that was on the drive, by the time it was fitted: how long it lived, and how it ended."""
    return [PastOut.of(each) for each in parts.look_back.pasts(drive_id, parts.now_ns())]


@router.post(
    "/drives/{drive_id}/chains/{chain_id:path}/removal",
    status_code=201,
    summary="Say how a chain ended",
    responses=responses(404, 409, 413),
    dependencies=[ENGINEER],
)
def correct_removal(
    parts: PartsDep, said: WhoSaidDep, drive_id: DriveId, chain_id: ChainId, given: EndedIn
) -> PastOut:
    """Say how a chain that is off ended, in place of what was said before. What was said before is kept."""
    chain_of(parts, drive_id, chain_id)
    now_ns = parts.now_ns()
    with refusals():
        parts.tend.correct_removal(chain_id, given.ended(), at_ns=now_ns, by=said(given.by))
    pasts = parts.look_back.pasts(drive_id, now_ns)
    return PastOut.of(next(each for each in pasts if each.chain.chain_id == chain_id))


# Sprockets


@router.get(
    "/drives/{drive_id}/sprockets",
    summary="A drive's sprockets",
    responses=responses(404),
    dependencies=[VIEWER],
)
def list_sprockets(
    parts: PartsDep,
    drive_id: DriveId,
    *,
    removed: Annotated[bool, Query(description="Those that were taken off, too")] = False,
) -> list[SprocketOut]:
    """The sprockets that are on, each with whether it is due with the next change of the chain.

    Due: found worn, or three chains ran on it. Two chains: its teeth are to be looked at first.
    """
    states = {each.sprocket.number: each for each in parts.look_back.sprockets(drive_id, parts.now_ns())}
    return [
        SprocketOut.of(each, states.get(each.number))
        for each in parts.sprockets.of(drive_id)
        if removed or each.removed_ns is None
    ]


@router.post(
    "/drives/{drive_id}/sprockets",
    status_code=201,
    summary="Fit a sprocket",
    responses=responses(404, 409, 413),
    dependencies=[ENGINEER],
)
def fit_sprocket(parts: PartsDep, said: WhoSaidDep, drive_id: DriveId, given: SprocketIn) -> SprocketOut:
    """Record that a sprocket is on. The driver, or driven one, that was on comes off at that time."""
    now_ns = parts.now_ns()
    with refusals():
        sprocket = parts.tend.fit_sprocket(
            drive_id,
            place=given.place,
            teeth=given.teeth,
            fitted_ns=given.fitted,
            note=given.note,
            at_ns=now_ns,
            by=said(given.by),
        )
    return _shown(parts, sprocket, now_ns)


@router.post(
    "/drives/{drive_id}/sprockets/{number}/take-off",
    summary="Take a sprocket off",
    responses=responses(404, 409, 413),
    dependencies=[ENGINEER],
)
def take_off_sprocket(
    parts: PartsDep, said: WhoSaidDep, drive_id: DriveId, number: SprocketNumber, given: SprocketOffIn
) -> SprocketOut:
    """Record that a sprocket is off."""
    sprocket_of(parts, drive_id, number)
    now_ns = parts.now_ns()
    with refusals():
        off = parts.tend.take_off_sprocket(
            number, removed_ns=given.removed, why=given.why, at_ns=now_ns, by=said(given.by)
        )
    return SprocketOut.of(off, None)


@router.post(
    "/drives/{drive_id}/sprockets/{number}/inspections",
    status_code=201,
    summary="Say what was seen of a sprocket's teeth",
    responses=responses(404, 413),
    dependencies=[OPERATOR],
)
def inspect(
    parts: PartsDep, said: WhoSaidDep, drive_id: DriveId, number: SprocketNumber, given: InspectionIn
) -> InspectionOut:
    """Record an inspection, of a drive that stood and was locked out. Worn teeth are due at once; good ones rest the count."""
    sprocket_of(parts, drive_id, number)
    with refusals():
        found = parts.tend.inspect(
            number,
            worn=given.worn,
            inspected_ns=given.inspected,
            note=given.note,
            at_ns=parts.now_ns(),
            by=said(given.by),
        )
    return InspectionOut.of(found)


def sprocket_of(parts: Parts, drive_id: str, number: int) -> Sprocket:
    """Return a sprocket of a drive. Raises NotFoundError."""
    parts.register.drive(drive_id)
    for sprocket in parts.sprockets.of(drive_id):
        if sprocket.number == number:
            return sprocket
    raise NotFoundError(
        f"there is no sprocket {number} on drive {drive_id!r}: GET /api/v1/drives/{drive_id}/sprockets lists them"
    )


def _shown(parts: Parts, sprocket: Sprocket, now_ns: int) -> SprocketOut:
    states = parts.look_back.sprockets(sprocket.drive_id, now_ns)
    state = next((each for each in states if each.sprocket.number == sprocket.number), None)
    return SprocketOut.of(sprocket, state)


# Upkeep


@router.get(
    "/drives/{drive_id}/events",
    summary="What was done to a drive",
    responses=responses(404),
    dependencies=[VIEWER],
)
def list_events(
    parts: PartsDep,
    drive_id: DriveId,
    *,
    struck: Annotated[bool, Query(description="Those that were entered in error, too")] = False,
) -> list[UpkeepOut]:
    """Lubrication and whatever else may change how fast the chain wears, by the time it was done."""
    parts.register.drive(drive_id)
    return [UpkeepOut.of(each) for each in parts.upkeep_log.of(drive_id, struck=struck)]


@router.post(
    "/drives/{drive_id}/events",
    status_code=201,
    summary="Say what was done to a drive",
    responses=responses(404, 413),
    dependencies=[OPERATOR],
)
def record_event(parts: PartsDep, said: WhoSaidDep, drive_id: DriveId, given: UpkeepIn) -> UpkeepOut:
    """Record it. With a change of lubricant or method the drive is another one: before and after are compared."""
    with refusals():
        done = parts.tend.record_upkeep(
            drive_id,
            kind=given.kind,
            done_ns=given.at,
            lubricant=given.lubricant,
            note=given.note,
            at_ns=parts.now_ns(),
            by=said(given.by),
        )
    return UpkeepOut.of(done)


@router.post(
    "/drives/{drive_id}/events/{number}/strike",
    summary="Say that an event was entered in error",
    responses=responses(404, 409, 413),
    dependencies=[OPERATOR],
)
def strike_event(
    parts: PartsDep, said: WhoSaidDep, drive_id: DriveId, number: EventNumber, given: StrikeIn
) -> UpkeepOut:
    """Strike it: it counts for nothing any more, and is kept."""
    parts.register.drive(drive_id)
    with refusals():
        struck = parts.tend.strike_upkeep(
            drive_id, number, why=given.why, at_ns=parts.now_ns(), by=said(given.by)
        )
    return UpkeepOut.of(struck)


# What wear goes with


@router.get(
    "/drives/{drive_id}/influence",
    summary="What the wear rate goes with",
    responses=responses(404),
    dependencies=[VIEWER],
)
def show_influence(
    parts: PartsDep,
    drive_id: DriveId,
    from_: Annotated[
        Instant | None, Query(alias="from", description=f"Left out: {USUAL_DAYS} days before `to`")
    ] = None,
    to: Annotated[Instant | None, Query(description="Left out: now; 800 days are looked at, at most")] = None,
) -> InfluenceOut:
    """Wear rate by weeks beside load, speed and temperature, and whether it goes with them or with lubrication.

    What each day added is fitted by generalised least squares; the uncertainty minds that days hang together (Newey and West).
    Load and temperature are known as far back as raw readings are kept. A relation is no cause.
    """
    to_ns = parts.now_ns() if to is None else to
    from_ns = max(0, to_ns - USUAL_DAYS * DAY_NS) if from_ is None else from_
    with refusals():
        report = parts.look_back.influence(drive_id, from_ns, to_ns)
    return InfluenceOut.of(report)
