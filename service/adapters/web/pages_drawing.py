"""The drive from the side, to scale: what its page shows of it, and the same as a file."""

from collections.abc import Iterable, Sequence
from typing import Any

from fastapi import APIRouter
from fastapi.responses import Response

from service.adapters.web.allowed import needs
from service.adapters.web.drawing_picture import draw_drive
from service.adapters.web.lengths import length_words, pitch_words
from service.adapters.web.parts import Parts, PartsDep
from service.adapters.web.saving import Figure, FigureForm, saved
from service.core.drive import Chain, Drive, chain_at
from service.core.people import Role
from service.core.side_view import SideView, StrandView, known_chain, straight_joints, view_of
from service.core.supply import SupplyScope
from service.ports import NotFoundError

router = APIRouter()

VIEWER = needs(Role.VIEWER)
Row = Sequence[Any]


@router.get("/drives/{drive_id}/drawing.{form}", dependencies=[VIEWER])
def drawing(parts: PartsDep, drive_id: str, form: FigureForm) -> Response:
    """The drive as its page draws it. 404 where no chain is on it: without its pitch there is no scale."""
    drive = parts.register.drive(drive_id)
    chain = chain_at(parts.register.chains(drive_id), parts.now_ns())
    if chain is None:
        raise NotFoundError(f"no chain is on {drive_id!r}, and its pitch is the scale: enter the chain first")
    return saved(parts, _figure(drive, chain, view_of(drive, chain, centres_given_mm(parts, drive_id))), form)


def of_drive(parts: Parts, drive: Drive, chain: Chain | None) -> dict[str, Any]:
    """Return what a drive's page shows: `side` None where no chain is on it."""
    if chain is None:
        return {"side": None}
    view = view_of(drive, chain, centres_given_mm(parts, drive.drive_id))
    sides = view if isinstance(view, SideView) else None
    return {
        "side": {
            "drawn": draw_drive(view, known_chain(chain), title=drive.name or drive.drive_id),
            "view": sides,
            "strand": None if sides else view,
            "supposed": sorted(sides.supposed) if sides else [],
            "doubts": sides.doubts if sides else (),
            "chain": chain,
            "length": length_words,
            "pitch": pitch_words,
        }
    }


def centres_given_mm(parts: Parts, drive_id: str) -> float | None:
    """Return the centre distance that people gave under Supply; None where nobody did."""
    given = (
        each.centre_distance_mm
        for each in parts.plan_changes.supplies()
        if each.scope is SupplyScope.DRIVE and each.name == drive_id
    )
    return next(given, None)


def _figure(drive: Drive, chain: Chain, view: SideView | StrandView) -> Figure:
    """The drawing as a picture with a row for each thing that has a place in it."""
    named = drive.name or drive.drive_id
    sides = isinstance(view, SideView)
    return Figure(
        name="drawing",
        title=f"{named}: drive from the side" if sides else f"{named}: strand from the side",
        subject=drive.drive_id,
        svg=draw_drive(view, known_chain(chain), title=named),
        head=("what", "number", "x_mm", "y_mm"),
        rows=_rows_of_sides(view) if isinstance(view, SideView) else _rows_of_strand(view),
        notes=(
            f"{chain.designation or 'Chain'} of {pitch_words(chain.pitch_mm)} pitch.",
            "Dashed: supposed, for it is not registered. To look at, not to make parts by.",
        ),
    )


def _rows_of_sides(view: SideView) -> Iterable[Row]:
    """From the shaft of the driven sprocket, x to the driver, y up."""
    yield "driven shaft", "", 0.0, 0.0
    yield "driver shaft", "", view.centres_mm, 0.0
    for name, place in (("up", view.up), ("down", view.down)):
        if place is not None:
            spot = view.spot(place)
            yield name, "", round(spot.x_mm, 3), round(spot.y_mm, 3)
    for number, place in enumerate(view.joint_places()):
        spot = view.spot(place)
        yield "joint", number, round(spot.x_mm, 3), round(spot.y_mm, 3)


def _rows_of_strand(view: StrandView) -> Iterable[Row]:
    for name, place in (("up", view.up), ("down", view.down)):
        if place is not None:
            yield name, "", round(place * view.pitch_mm, 3), 0.0
    for number, place in enumerate(straight_joints(view)):
        yield "joint", number, round(place * view.pitch_mm, 3), 0.0
