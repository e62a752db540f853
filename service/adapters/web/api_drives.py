"""API: drives, the chains on them over time, and baselines."""

from dataclasses import asdict
from typing import Annotated, Any

from fastapi import APIRouter, Body, Header, Path, Query, Response

from service.adapters.web import schemas
from service.adapters.web.allowed import needs
from service.adapters.web.board import state_of
from service.adapters.web.parts import Parts, PartsDep, WhoDep, WhoSaidDep
from service.adapters.web.problems import refusals, responses
from service.adapters.web.versions import refuse_overtaken, tag_of
from service.core.drive import Chain, Drive
from service.core.people import Role
from service.ports import ConflictError, NotFoundError
from service.tend import Ended

router = APIRouter(tags=["drives"])

DriveId = Annotated[str, Path(description="Id of a drive", examples=["infeed-2"])]
ChainId = Annotated[str, Path(description="Id of a chain", examples=["infeed-2-2026-03-02"])]
IfMatch = Annotated[
    str,
    Header(
        description="ETag of the drive as it was read: nothing is stored where somebody has changed it since. "
        "Left out: whatever it is now is overwritten",
        examples=['"mzxwenlbmfzxiyltnf2a..."'],
    ),
]
_TAGGED: dict[int | str, dict[str, Any]] = {
    200: {
        "headers": {
            "ETag": {
                "description": "Version of the drive's settings, for If-Match; what was measured does not change it",
                "schema": {"type": "string"},
            }
        }
    }
}


def drive_out(parts: Parts, drive_id: str, advice: tuple[str, ...] = ()) -> schemas.DriveOut:
    """Return a drive as it now is."""
    now_ns = parts.now_ns()
    hand = parts.measure_by_hand.newest_hand_report(drive_id, now_ns)
    return schemas.DriveOut.of(parts.board.state(drive_id, now_ns), hand, advice)


def described_chain(parts: Parts, drive_id: str, given: schemas.ChainIn, now_ns: int) -> Chain:
    """Return the chain that a request describes. Raises ValueError with the fix."""
    values = given.model_dump(exclude={"fitted"})
    return parts.operate.describe_chain(
        drive_id, **values, fitted_ns=now_ns if given.fitted is None else given.fitted
    )


@router.get("/drives", summary="List the drives", responses=responses())
def list_drives(
    parts: PartsDep,
    *,
    retired: Annotated[bool, Query(description="Those that were retired, too")] = False,
) -> list[schemas.DriveOut]:
    """All drives by id: limit, the rule that bound it, the chain on it, the newest measurement by hand of that."""
    now_ns = parts.now_ns()
    chains: dict[str, list[Chain]] = {}
    for chain in parts.register.chains():
        chains.setdefault(chain.drive_id, []).append(chain)
    drives = parts.register.drives(retired=retired)
    measured = {each.drive_id for each in parts.hand_values.newest()}
    found = []
    for drive in drives:
        state = state_of(drive, chains.get(drive.drive_id, []), None, now_ns)
        by_hand = drive.drive_id in measured
        hand = parts.measure_by_hand.newest_hand_report(drive.drive_id, now_ns) if by_hand else None
        found.append(schemas.DriveOut.of(state, hand))
    return found


@router.post(
    "/drives",
    status_code=201,
    summary="Register a drive",
    responses=responses(409, 413),
    dependencies=[needs(Role.ENGINEER)],
)
def add_drive(parts: PartsDep, by: WhoDep, given: schemas.DriveIn, response: Response) -> schemas.DriveOut:
    """Register a drive. Its batches are measured from then on, once a chain is fitted."""
    with refusals():
        drive = given.drive()
    parts.operate.add_drive(drive, at_ns=parts.now_ns(), by=by)
    response.headers["Location"] = f"/api/v1/drives/{drive.drive_id}"
    return drive_out(parts, drive.drive_id)


@router.get("/drives/{drive_id}", summary="Show a drive", responses={**_TAGGED, **responses(404)})
def show_drive(parts: PartsDep, drive_id: DriveId, response: Response) -> schemas.DriveOut:
    """One drive, retired or not. Give its ETag back as If-Match with a change, and nobody else's is overwritten unseen."""
    response.headers["ETag"] = tag_of(parts.register.drive(drive_id))
    return drive_out(parts, drive_id)


@router.put(
    "/drives/{drive_id}",
    summary="Replace a drive's settings",
    responses={**_TAGGED, **responses(404, 412, 413)},
    dependencies=[needs(Role.ENGINEER)],
)
def replace_drive(
    parts: PartsDep,
    by: WhoDep,
    drive_id: DriveId,
    given: schemas.DrivePut,
    response: Response,
    if_match: IfMatch = "",
) -> schemas.DriveOut:
    """Replace all settings; what is left out takes its default. `advice` says what the change asks for besides."""
    before = parts.register.drive(drive_id)
    refuse_overtaken(parts, before, if_match)
    with refusals():
        drive = Drive(drive_id=drive_id, retired_ns=before.retired_ns, **given.model_dump())
    advice = _changed(parts, drive, before, by, if_match)
    response.headers["ETag"] = tag_of(drive)
    return drive_out(parts, drive_id, advice)


def _changed(parts: Parts, drive: Drive, before: Drive, by: str, if_match: str) -> tuple[str, ...]:
    """Store a change and return its advice. Raises a 412 where somebody was first after `before` was read."""
    was = None if if_match.strip() in {"", "*"} else before
    try:
        return parts.operate.change_drive(drive, was=was, at_ns=parts.now_ns(), by=by).advice
    except ConflictError:
        refuse_overtaken(parts, parts.register.drive(drive.drive_id), if_match)
        raise


@router.patch(
    "/drives/{drive_id}",
    summary="Change some of a drive's settings",
    responses={**_TAGGED, **responses(404, 412, 413)},
    dependencies=[needs(Role.ENGINEER)],
)
def change_drive(
    parts: PartsDep,
    by: WhoDep,
    drive_id: DriveId,
    given: schemas.DrivePatch,
    response: Response,
    if_match: IfMatch = "",
) -> schemas.DriveOut:
    """Change the settings that are given; null empties one. `advice` says what the change asks for besides."""
    before = parts.register.drive(drive_id)
    refuse_overtaken(parts, before, if_match)
    with refusals():
        drive = Drive(**asdict(before) | given.model_dump(exclude_unset=True))
    advice = _changed(parts, drive, before, by, if_match)
    response.headers["ETag"] = tag_of(drive)
    return drive_out(parts, drive_id, advice)


@router.post(
    "/drives/{drive_id}/retire",
    summary="Take a drive off the board",
    responses=responses(404, 409),
    dependencies=[needs(Role.ENGINEER)],
)
def retire_drive(parts: PartsDep, by: WhoDep, drive_id: DriveId) -> schemas.DriveOut:
    """Retire a drive. Its history stays, and its id stays taken."""
    parts.operate.retire_drive(drive_id, at_ns=parts.now_ns(), by=by)
    return drive_out(parts, drive_id)


@router.post(
    "/drives/{drive_id}/bring-back",
    summary="Put a retired drive back",
    responses=responses(404, 409),
    dependencies=[needs(Role.ENGINEER)],
)
def bring_back_drive(parts: PartsDep, by: WhoDep, drive_id: DriveId) -> schemas.DriveOut:
    """Put a retired drive back on the board."""
    parts.operate.bring_back_drive(drive_id, at_ns=parts.now_ns(), by=by)
    return drive_out(parts, drive_id)


# Chains


@router.get("/drives/{drive_id}/chains", summary="List a drive's chains", responses=responses(404))
def list_chains(parts: PartsDep, drive_id: DriveId) -> list[schemas.ChainOut]:
    """All chains that were on the drive, by the time they were fitted; the one without `removed` is on it."""
    parts.register.drive(drive_id)
    return [schemas.ChainOut.of(chain) for chain in parts.register.chains(drive_id)]


@router.post(
    "/drives/{drive_id}/chains",
    status_code=201,
    summary="Fit a chain",
    responses=responses(404, 409, 413),
    dependencies=[needs(Role.ENGINEER)],
)
def fit_chain(parts: PartsDep, by: WhoDep, drive_id: DriveId, given: schemas.ChainIn) -> schemas.ChainOut:
    """Record that a chain is on the drive. The designation fills pitch and strands from the catalogue."""
    now_ns = parts.now_ns()
    parts.register.drive(drive_id)
    with refusals():
        chain = parts.operate.fit_chain(described_chain(parts, drive_id, given, now_ns), at_ns=now_ns, by=by)
    return schemas.ChainOut.of(chain)


@router.post(
    "/drives/{drive_id}/chains/{chain_id:path}/take-off",
    summary="Take a chain off",
    responses=responses(404, 409, 413),
    dependencies=[needs(Role.ENGINEER)],
)
def take_off_chain(
    parts: PartsDep, by: WhoDep, drive_id: DriveId, chain_id: ChainId, given: schemas.TakeOffIn
) -> schemas.ChainOut:
    """Record that the chain was taken off, and why. Its readings stay.

    Elongation, hours and joints passed at its removal are kept with it; /lives of the drive shows them.
    """
    chain_of(parts, drive_id, chain_id)
    with refusals():
        ended = Ended(
            kind=given.kind, elongation_pct=given.elongation_pct, u_pct=given.u_pct, note=given.note
        )
        chain, _ = parts.tend.take_off_chain(
            chain_id, ended, removed_ns=given.removed, why=given.why, at_ns=parts.now_ns(), by=by
        )
    return schemas.ChainOut.of(chain)


# Baselines


@router.get(
    "/drives/{drive_id}/chains/{chain_id:path}/baselines",
    summary="List a chain's baselines",
    responses=responses(404),
)
def list_baselines(parts: PartsDep, drive_id: DriveId, chain_id: ChainId) -> list[schemas.BaselineOut]:
    """All baselines of the chain, by the time they were taken; the last is in force."""
    chain_of(parts, drive_id, chain_id)
    return [schemas.BaselineOut.of(each) for each in parts.register.baselines(chain_id)]


@router.post(
    "/drives/{drive_id}/chains/{chain_id:path}/baselines",
    status_code=201,
    summary="Record a baseline",
    responses=responses(404, 409, 413),
    dependencies=[needs(Role.ENGINEER)],
)
def record_baseline(
    parts: PartsDep,
    by: WhoSaidDep,
    drive_id: DriveId,
    chain_id: ChainId,
    given: Annotated[schemas.BaselineIn, Body()],
) -> schemas.BaselineOut:
    """Record what the chain's elongation was at one time. Without `pitches_between` the newest readings give N0."""
    chain_of(parts, drive_id, chain_id)
    with refusals():
        baseline = parts.operate.record_baseline(
            chain_id,
            **given.model_dump(exclude={"taken", "by"}),
            taken_ns=given.taken,
            at_ns=parts.now_ns(),
            by=by(given.by),
        )
    return schemas.BaselineOut.of(baseline)


def chain_of(parts: Parts, drive_id: str, chain_id: str) -> Chain:
    """Return a chain of a drive. Raises NotFoundError."""
    parts.register.drive(drive_id)
    for chain in parts.register.chains(drive_id):
        if chain.chain_id == chain_id:
            return chain
    raise NotFoundError(
        f"there is no chain {chain_id!r} on drive {drive_id!r}: GET /api/v1/drives/{drive_id}/chains lists them"
    )
