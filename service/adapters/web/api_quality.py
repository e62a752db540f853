"""API: how good the alerts are as a whole, site by site, against the figures of the standards."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Self

from fastapi import APIRouter, Query
from pydantic import ConfigDict, Field

from service.adapters.web.alert_words import TITLES
from service.adapters.web.allowed import needs
from service.adapters.web.instants import Instant
from service.adapters.web.parts import Parts, PartsDep
from service.adapters.web.problems import responses
from service.adapters.web.schemas import Out
from service.core.alert import Alert, Transition
from service.core.alert_quality import DAY_NS, Fault, Figure, Flood, Quality, Suspect, Verdict, measure
from service.core.people import Role
from service.core.setpoint import ConditionKind
from service.ports import ROWS_MAX

router = APIRouter(prefix="/alerts", tags=["alerts"])

DAYS_MAX = 366
OPERATORS_MAX = 100


class FigureOut(Out):
    """One figure, what it should be, and whether it is."""

    name: str
    words: str
    value: float
    unit: str
    target: str
    verdict: Verdict
    source: str

    @classmethod
    def of(cls, figure: Figure) -> Self:
        """Return a figure as the API gives it."""
        return cls.model_construct(**{name: getattr(figure, name) for name in cls.model_fields})


class SuspectOut(Out):
    """An alert whose setpoint, deadband or delays want looking at."""

    alert: str
    drive_id: str
    kind: ConditionKind
    title: str
    annunciations: int
    fleeting: int = Field(description="How often it went by itself within ten minutes")
    faults: list[Fault]
    setpoints: str = Field(description="The page on which to change them")

    @classmethod
    def of(cls, suspect: Suspect) -> Self:
        """Return a suspect as the API gives it."""
        return cls.model_construct(
            alert=suspect.alert_id,
            drive_id=suspect.drive_id,
            kind=suspect.kind,
            title=TITLES[suspect.kind],
            annunciations=suspect.annunciations,
            fleeting=suspect.fleeting,
            faults=list(suspect.faults),
            setpoints=setpoints_page(suspect.drive_id),
        )


class FloodOut(Out):
    """A stretch in which more came than an operator can follow."""

    begin: Instant
    end: Instant
    annunciations: int

    @classmethod
    def of(cls, flood: Flood) -> Self:
        """Return a flood as the API gives it."""
        return cls.model_construct(begin=flood.from_ns, end=flood.to_ns, annunciations=flood.annunciations)


_FIGURE: dict[str, Any] = {
    "name": "per_day",
    "words": "Annunciations in a day, an operator",
    "value": 3.4,
    "unit": "",
    "target": "about 150; up to 300 can be managed",
    "verdict": "good",
    "source": "ANSI/ISA-18.2 and IEC 62682 (from memory); EEMUA 191 (from memory)",
}
_SITE: dict[str, Any] = {
    "site": "Eschbach works",
    "annunciations": 102,
    "figures": [_FIGURE],
    "suspects": [
        {
            "alert": "infeed-2.device_offline",
            "drive_id": "infeed-2",
            "kind": "device_offline",
            "title": TITLES[ConditionKind.DEVICE_OFFLINE],
            "annunciations": 41,
            "fleeting": 38,
            "faults": ["fleeting", "dominates"],
            "setpoints": "/setpoints?drive=infeed-2",
        }
    ],
    "floods": [],
    "stale": ["outfeed-1.worn_section"],
    "planned": ["infeed-2.near"],
}


class SiteQualityOut(Out):
    """How good the alerts of one site were."""

    site: str = Field(description='"" for drives without a site')
    annunciations: int
    figures: list[FigureOut]
    suspects: list[SuspectOut] = Field(description="The worst first")
    floods: list[FloodOut]
    stale: list[str] = Field(description="Alerts that were active for over a day and are no planned work")
    planned: list[str] = Field(
        description="As long, but acknowledged and with a work order: planned work, not stale"
    )


class QualityOut(Out):
    """How good the alerts of a period were, site by site."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "begin": "2026-10-26T08:15:00Z",
                    "end": "2026-11-25T08:15:00Z",
                    "operators": 1,
                    "cut": False,
                    "sites": [_SITE],
                }
            ]
        }
    )

    begin: Instant
    end: Instant
    operators: int
    cut: bool = Field(description="There was more than can be looked through: the period begins later")
    sites: list[SiteQualityOut]


@dataclass(frozen=True, slots=True)
class Measured:
    """What was measured of a period."""

    from_ns: int
    to_ns: int
    operators: int
    cut: bool
    sites: dict[str, Quality]


def measured(parts: Parts, days: int, operators: int, site: str | None = None) -> Measured:
    """Return how good the alerts of the last days were, by the site of their drives."""
    to_ns = parts.now_ns()
    from_ns = max(0, to_ns - days * DAY_NS)
    transitions = parts.alert_log.recorded(from_ns, to_ns)
    cut = len(transitions) >= ROWS_MAX
    if cut:
        from_ns = min(transitions[0].act.recorded_ns, to_ns - 1)
    drives = parts.register.drives(retired=True)
    site_of = {each.drive_id: each.site for each in drives}
    happened, stands = defaultdict[str, list[Transition]](list), defaultdict[str, list[Alert]](list)
    for each in transitions:
        happened[site_of.get(each.drive_id, "")].append(each)
    for alert in parts.alert_log.alerts():
        stands[site_of.get(alert.drive_id, "")].append(alert)
    live = {each.site for each in drives if each.retired_ns is None}
    sites = {
        name: measure(happened[name], stands[name], from_ns=from_ns, to_ns=to_ns, operators=operators)
        for name in sorted({*live, *happened, *stands})
        if site in {None, name}
    }
    return Measured(from_ns, to_ns, operators, cut, sites)


def setpoints_page(drive_id: str) -> str:
    """Return the page on which the setpoints of a drive are changed; ids need no escaping."""
    return f"/setpoints?drive={drive_id}"


@router.get(
    "/quality",
    summary="How good the alerts are as a whole",
    responses=responses(),
    dependencies=[needs(Role.VIEWER)],
)
def quality(
    parts: PartsDep,
    days: Annotated[int, Query(ge=1, le=DAYS_MAX, description="So many days up to now")] = 30,
    operators: Annotated[
        int, Query(ge=1, le=OPERATORS_MAX, description="Who share the alerts of a site at one time")
    ] = 1,
    site: Annotated[str | None, Query(max_length=200, description="Of this site only")] = None,
) -> QualityOut:
    """Rates, floods, nuisances and shares, each with the figure it should have and where that is from.

    An alert of wear that is acknowledged and has a work order is planned work and not stale, however long it stands.
    """
    found = measured(parts, days, operators, site)
    return QualityOut.model_construct(
        begin=found.from_ns,
        end=found.to_ns,
        operators=operators,
        cut=found.cut,
        sites=[_site_out(name, each) for name, each in found.sites.items()],
    )


def _site_out(name: str, quality: Quality) -> SiteQualityOut:
    def all_of(of: Any, values: Sequence[Any]) -> list[Any]:
        return [of.of(each) for each in values]

    return SiteQualityOut.model_construct(
        site=name,
        annunciations=quality.annunciations,
        figures=all_of(FigureOut, quality.figures),
        suspects=all_of(SuspectOut, quality.suspects),
        floods=all_of(FloodOut, quality.floods),
        stale=list(quality.stale),
        planned=list(quality.planned),
    )
