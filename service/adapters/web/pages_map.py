"""The page of a chain's map: a strip or a ring of all links, and what stands out, in a fitter's words."""

from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse

from service.adapters.web.map_picture import Shape, draw_map, shape_of
from service.adapters.web.parts import PartsDep
from service.adapters.web.templating import render
from service.adapters.web.words import number_words
from service.fold_maps import map_of_drive
from service.ports import NotFoundError

router = APIRouter()


@router.get("/drives/{drive_id}/map")
def map_page(
    request: Request, parts: PartsDep, drive_id: str, shape: Annotated[str, Query(max_length=10)] = ""
) -> HTMLResponse:
    """The map of the chain on a drive, or what is needed for one."""
    drive = parts.register.drive(drive_id)
    now_ns = parts.now_ns()
    try:
        found, lacks = map_of_drive(drive_id, parts.register, parts.readings, parts.chain_maps, now_ns), ""
    except NotFoundError as error:
        found, lacks = None, str(error)
    links = found.links if found else None
    values = {
        "drive": drive,
        "found": found,
        "lacks": lacks,
        "number": number_words,
        "shape": shape_of(shape),
        "shapes": list(Shape),
        "picture": draw_map(links, found.faults, shape_of(shape)) if found and links is not None else "",
    }
    return render(request, "map.html", values, now_ns=now_ns)
