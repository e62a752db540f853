"""API: the state of a drive's sensing by NE 107, what many readings show together, and what one reading is made of."""

from typing import Any, Self

from fastapi import APIRouter
from pydantic import ConfigDict, Field

from service.adapters.web import schemas
from service.adapters.web.api_drives import DriveId
from service.adapters.web.board import DriveState
from service.adapters.web.instants import Instant
from service.adapters.web.parts import Parts, PartsDep
from service.adapters.web.problems import responses
from service.adapters.web.taken import Term, account
from service.core.drive import Baseline
from service.core.findings import Finding, FindingKind
from service.core.reading import Reading

router = APIRouter(tags=["sensing"])

_FINDING: dict[str, Any] = {
    "kind": "bracket_moved",
    "title": "A sensor was moved",
    "since": "2026-11-25T07:40:10Z",
    "sizes": [{"name": "bracket", "value": 0.098, "u": 0.004, "unit": "mm"}],
    "words": "A sensor was moved: the lag jumped by ...",
    "mend": "Look at both brackets and tighten what is loose; then record a new baseline.",
    "at_drive": True,
}


class SizeOut(schemas.Out):
    """One number of a finding with its standard uncertainty (k = 1)."""

    name: str = Field(description="lag, links, bracket, delay, apart ...")
    value: float
    u: float
    unit: str = Field(description="%, mm, µs or pitches")


class CrossFindingOut(schemas.Out):
    """What many readings show together that none shows alone."""

    model_config = ConfigDict(json_schema_extra={"examples": [_FINDING]})

    kind: FindingKind
    title: str
    since: Instant
    sizes: list[SizeOut]
    words: str = Field(description="With expanded uncertainties, k = 2")
    mend: str
    at_drive: bool = Field(description="It sends somebody to the drive: cautions first, lock out and tag out")

    @classmethod
    def of(cls, finding: Finding) -> Self:
        """Return a finding as the API gives it."""
        return cls.model_construct(
            kind=finding.kind,
            title=finding.title,
            since=finding.since_ns,
            sizes=[
                SizeOut.model_construct(name=each.name, value=each.value, u=each.u, unit=each.unit)
                for each in finding.sizes
            ],
            words=finding.words,
            mend=finding.mend,
            at_drive=finding.at_drive,
        )


class SensingOut(schemas.Out):
    """The state of the sensing of one drive, and what many of its readings show together."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "drive_id": "infeed-2",
                    "sensors": None,
                    "findings": [_FINDING],
                    "looked_at": schemas.T,
                    "readings": 720,
                    "past": 1840,
                }
            ]
        }
    )

    drive_id: str
    sensors: schemas.SensorsOut | None = Field(description="null for a drive without sensors or readings")
    findings: list[CrossFindingOut] = Field(description="What explains most first")
    looked_at: Instant | None = Field(description="When the readings were looked at together")
    readings: int = Field(description="Newest readings that were looked at, one and all")
    past: int = Field(description="Readings of the two weeks before, samples of each four hours")


class TermOut(schemas.Out):
    """One thing that moves a reading: what was taken off, what it leaves in the uncertainty, where it comes from."""

    name: str
    taken_pct: float | None = Field(description="null: nothing was taken off, `why` says why")
    why: str
    u_pct: float | None = Field(
        description="Standard uncertainty (k = 1) that it leaves; null: cannot be told"
    )
    source: str

    @classmethod
    def of(cls, term: Term) -> Self:
        """Return a term as the API gives it."""
        return cls.model_construct(**{name: getattr(term, name) for name in cls.model_fields})


class AccountOut(schemas.Out):
    """What the newest measured reading of the chain now on the drive is made of."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "time": schemas.T,
                    "elongation_pct": 1.2384,
                    "elongation_u_pct": 0.0421,
                    "terms": [
                        {
                            "name": "Temperature",
                            "taken_pct": 0.0283,
                            "why": "",
                            "u_pct": 0.0019,
                            "source": "chain 48.2 °C ...",
                        }
                    ],
                }
            ]
        }
    )

    time: Instant | None = Field(description="Of the reading; null where nothing was measured yet")
    elongation_pct: float | None
    elongation_u_pct: float | None
    terms: list[TermOut]


@router.get("/drives/{drive_id}/sensing", summary="State of a drive's sensing", responses=responses(404))
def sensing(parts: PartsDep, drive_id: DriveId) -> SensingOut:
    """Failure, function check, out of specification, maintenance required, by NE 107; and findings with their numbers."""
    state = parts.board.state(drive_id, parts.now_ns())
    assessed = state.assessed
    return SensingOut.model_construct(
        drive_id=drive_id,
        sensors=schemas.SensorsOut.of(state.health, state.reading) if state.health else None,
        findings=[CrossFindingOut.of(each) for each in assessed.findings] if assessed else [],
        looked_at=assessed.at_ns if assessed else None,
        readings=assessed.readings if assessed else 0,
        past=assessed.past if assessed else 0,
    )


@router.get(
    "/drives/{drive_id}/account",
    summary="What the newest elongation is made of",
    responses=responses(404),
)
def newest_account(parts: PartsDep, drive_id: DriveId) -> AccountOut:
    """What was taken off, or why it was not, and the terms of the uncertainty, each with where it comes from."""
    state = parts.board.state(drive_id, parts.now_ns())
    measured = state.measured
    return AccountOut.model_construct(
        time=measured.t_ns if measured else None,
        elongation_pct=measured.elongation_pct if measured else None,
        elongation_u_pct=measured.elongation_u_pct if measured else None,
        terms=[TermOut.of(each) for each in account_of(parts, state)],
    )


def account_of(parts: Parts, state: DriveState) -> list[Term]:
    """Return the terms of the newest measured reading of a drive; none where there is no such reading."""
    if state.measured is None or state.chain is None:
        return []
    return account(state.measured, state.drive, state.chain, baseline_of(parts, state.measured))


def baseline_of(parts: Parts, reading: Reading) -> Baseline | None:
    """Return the baseline that a reading was taken with; None where it was taken without."""
    if reading.chain_id is None or reading.baseline_taken_ns is None:
        return None
    taken = (reading.baseline_taken_ns, reading.baseline_recorded_ns)
    known = parts.register.baselines(reading.chain_id)
    return next((each for each in known if (each.taken_ns, each.recorded_ns) == taken), None)
