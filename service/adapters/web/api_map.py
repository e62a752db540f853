"""API: the map of the chain on a drive, link by link, and what is wrong with single links."""

from typing import Any, Self

from fastapi import APIRouter
from pydantic import ConfigDict, Field

from service.adapters.web import schemas
from service.adapters.web.api_drives import DriveId
from service.adapters.web.instants import Instant
from service.adapters.web.parts import PartsDep
from service.adapters.web.problems import responses
from service.core.chain_faults import Fault, Finding
from service.fold_maps import MapOfChain, map_of_drive

router = APIRouter(tags=["map"])

_FAULT: dict[str, Any] = {
    "fault": "long_link",
    "first_link": 57,
    "links": 1,
    "from_mm": 723.9,
    "excess_mm": 0.97,
    "u_mm": 0.03,
    "words": "Link 57 is 0.97 mm longer than its like ...",
}


class LinkOut(schemas.Out):
    """One link: link j lies between joints j and j + 1, counted in the order in which they pass `up`."""

    link: int
    elongation_pct: float
    u_pct: float = Field(description="Standard uncertainty (k = 1) against the chain's mean")


class FaultOut(schemas.Out):
    """What is wrong with a link or a run of links."""

    model_config = ConfigDict(json_schema_extra={"examples": [_FAULT]})

    fault: Fault
    first_link: int
    links: int = Field(description="Of a section, either end is known to two links")
    from_mm: float = Field(description="Along the chain from joint 0 to the first link")
    excess_mm: float = Field(description="Longer than as many of their like; negative: shorter")
    u_mm: float
    words: str

    @classmethod
    def of(cls, finding: Finding) -> Self:
        """Return a finding as the API gives it."""
        return cls.model_construct(**{name: getattr(finding, name) for name in cls.model_fields})


class MapOut(schemas.Out):
    """The map of the chain on a drive."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "chain_id": "kiln-feed/2026-03-01",
                    "folded_to": "2026-11-25T08:15:00Z",
                    "laps": 212.4,
                    "lost": False,
                    "mean_pct": 1.24,
                    "links": [{"link": 0, "elongation_pct": 0.02, "u_pct": 0.03}],
                    "faults": [_FAULT],
                }
            ]
        }
    )

    chain_id: str
    folded_to: Instant | None = Field(description="Newest batch in it; null: nothing was folded yet")
    laps: float
    lost: bool = Field(description="Which joint is where is not known at the moment; the map is from before")
    mean_pct: float | None
    links: list[LinkOut] = Field(description="Empty until three laps are folded")
    faults: list[FaultOut]

    @classmethod
    def of(cls, found: MapOfChain) -> Self:
        """Return a map as the API gives it."""
        links = found.links
        pairs = [] if links is None else zip(links.elongation_pct.tolist(), links.u_pct.tolist(), strict=True)
        return cls.model_construct(
            chain_id=found.chain.chain_id,
            folded_to=found.folded_to_ns,
            laps=round(found.laps, 2),
            lost=found.lost,
            mean_pct=None if links is None else links.mean_pct,
            links=[
                LinkOut.model_construct(link=link, elongation_pct=pct, u_pct=u_pct)
                for link, (pct, u_pct) in enumerate(pairs)
            ],
            faults=[FaultOut.of(each) for each in found.faults],
        )


@router.get("/drives/{drive_id}/map", summary="Map the chain, link by link", responses=responses(404, 503))
def get_map(parts: PartsDep, drive_id: DriveId) -> MapOut:
    """Each link's own elongation, folded from stored batches over many laps, and the faults that stand out.

    404 where no chain is on the drive or its loop length is not registered.
    """
    return MapOut.of(map_of_drive(drive_id, parts.register, parts.readings, parts.chain_maps, parts.now_ns()))
