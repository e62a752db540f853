"""API: the chains that standards name, by designation or by what a fitter can measure."""

from typing import Annotated

from fastapi import APIRouter, Query

from service.adapters.web import schemas
from service.adapters.web.problems import ProblemError, refusals, responses
from service.core import catalogue

router = APIRouter(tags=["catalogue"])

Millimetres = Annotated[float | None, Query(ge=0, le=1000)]


@router.get("/catalogue/chains", summary="Look a chain up", responses=responses(404))
def look_up(
    designation: Annotated[
        str, Query(max_length=60, description="16B-2, ANSI 80H, BL 523 ...", examples=["16B-2"])
    ],
) -> schemas.CatalogueChainOut:
    """The chain of a designation. Case, spaces, dashes and the name of the standard do not matter."""
    try:
        return schemas.CatalogueChainOut.of(catalogue.find(designation))
    except catalogue.DesignationError as error:
        raise ProblemError(404, str(error)) from error


@router.get("/catalogue/identify", summary="Which chains fit a measurement", responses=responses())
def identify(
    length_mm: Annotated[
        float, Query(gt=0, le=100_000, description="Between joint centres, mm", examples=[127.3])
    ],
    pitches: Annotated[int, Query(ge=1, le=1000, description="Pitches over which it was measured")] = 1,
    roller_dia_mm: Millimetres = None,
    inner_width_mm: Millimetres = None,
    pin_dia_mm: Millimetres = None,
    length_u_mm: Annotated[float, Query(gt=0, le=100, description="Standard uncertainty of the length")] = (
        catalogue.CALLIPER_U_MM
    ),
) -> list[schemas.MatchOut]:
    """Chains that the measured length fits, the most likely first; `tell_apart` says how to decide between two."""
    with refusals():
        matches = catalogue.identify(
            length_mm,
            pitches=pitches,
            roller_dia_mm=roller_dia_mm,
            inner_width_mm=inner_width_mm,
            pin_dia_mm=pin_dia_mm,
            length_u_mm=length_u_mm,
        )
    return [schemas.MatchOut.of(match) for match in matches]
