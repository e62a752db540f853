"""API: messages that could not be used, and drives on the broker that nobody registered."""

from typing import Annotated

from fastapi import APIRouter, Path, Query, Response

from service.adapters.web import schemas
from service.adapters.web.allowed import needs
from service.adapters.web.api_drives import described_chain, drive_out
from service.adapters.web.parts import Parts, PartsDep, WhoDep
from service.adapters.web.problems import refusals, responses
from service.core.drive import Drive
from service.core.people import Role
from service.ports import KeptRejection, NotFoundError

router = APIRouter(tags=["refused"])

REJECTIONS_MAX = 1000  # of one answer
LOOK_THROUGH_MAX = 100_000  # more than are ever kept

SightingId = Annotated[
    str, Path(description="Id of the drive, as it came in the topic", examples=["outfeed-1"])
]


@router.get("/rejections", summary="Messages that could not be used", responses=responses())
def list_rejections(
    parts: PartsDep,
    drive_id: Annotated[str | None, Query(description="Of this drive only")] = None,
    rows_max: Annotated[int, Query(ge=1, le=REJECTIONS_MAX)] = 100,
) -> list[schemas.RejectionOut]:
    """The newest first, each with its reason and what would mend it."""
    return [schemas.RejectionOut.of(each) for each in parts.refused.rejections(drive_id, rows_max)]


@router.get("/rejections/{number}", summary="One such message with its payload", responses=responses(404))
def show_rejection(
    parts: PartsDep, number: Annotated[int, Path(description="Its number in the list", examples=[17])]
) -> schemas.RejectionDetailOut:
    """What is kept of the payload: as base64, and as text where it is text."""
    return schemas.RejectionDetailOut.of(rejection(parts, number))


def rejection(parts: Parts, number: int) -> KeptRejection:
    """Return a rejection by its number. Raises NotFoundError."""
    for kept in parts.refused.rejections(rows_max=LOOK_THROUGH_MAX):
        if kept.number == number:
            return kept
    raise NotFoundError(f"there is no rejection {number}: the oldest go when many are kept")


@router.get("/sightings", summary="Drives that nobody registered", responses=responses())
def list_sightings(parts: PartsDep) -> list[schemas.SightingOut]:
    """Drives that publish and are not registered, the one seen last first."""
    return [schemas.SightingOut.of(each) for each in parts.refused.sightings()]


@router.post(
    "/sightings/{drive_id:path}/register",
    status_code=201,
    summary="Register a drive that was seen",
    responses=responses(404, 409, 413),
    dependencies=[needs(Role.ENGINEER)],
)
def register_sighting(
    parts: PartsDep, by: WhoDep, drive_id: SightingId, given: schemas.RegisterIn, response: Response
) -> schemas.RegisteredOut:
    """Register the drive, and the chain that is on it, in one call. It is measured from its next batch on."""
    now_ns = parts.now_ns()
    with refusals():
        drive = Drive(drive_id=drive_id, **given.model_dump(exclude={"chain"}))
        chain = described_chain(parts, drive_id, given.chain, now_ns) if given.chain else None
        done = parts.operate.register_sighting(drive, chain, at_ns=now_ns, by=by)
    response.headers["Location"] = f"/api/v1/drives/{drive_id}"
    return schemas.RegisteredOut.model_construct(
        drive=drive_out(parts, drive_id), chain=schemas.ChainOut.of(done.chain) if done.chain else None
    )


@router.delete(
    "/sightings/{drive_id:path}",
    status_code=204,
    summary="Take an unregistered drive off the list",
    responses=responses(404),
    dependencies=[needs(Role.ENGINEER)],
)
def turn_away_sighting(parts: PartsDep, by: WhoDep, drive_id: SightingId) -> None:
    """Take it off the list. It comes back when it is seen again."""
    parts.operate.turn_away_sighting(drive_id, at_ns=parts.now_ns(), by=by)
