"""API: when chains reach their limit, and how good past forecasts of it were."""

from typing import Annotated

from fastapi import APIRouter, Query

from service.adapters.web.allowed import needs
from service.adapters.web.api_drives import DriveId
from service.adapters.web.forecast_schemas import (
    ForecastOut,
    ForecastQualityOut,
    ForecastsOut,
    QualitiesOut,
)
from service.adapters.web.parts import Parts, PartsDep
from service.adapters.web.problems import responses
from service.core.drive import chain_at
from service.core.forecast_quality import judge_forecasts
from service.core.people import Role
from service.core.prognosis import Outcome
from service.ports import KeptPrognosis, NotFoundError

router = APIRouter(tags=["forecasts"])

VIEWER = needs(Role.VIEWER)
NUMBER_MAX = 2**62


@router.get(
    "/forecasts",
    summary="When each chain reaches its limit",
    responses=responses(),
    dependencies=[VIEWER],
)
def list_forecasts(parts: PartsDep) -> list[ForecastOut]:
    """The newest forecast of the chain that is on each drive, the earliest date first; without a date last, by drive."""
    return [ForecastOut.of(each, parts.settings.zone) for each in newest_of_all(parts)]


@router.get(
    "/forecasts/quality",
    summary="How good past forecasts were",
    responses=responses(),
    dependencies=[VIEWER],
)
def show_quality(parts: PartsDep) -> QualitiesOut:
    """Forecasts held against when the limit came, all together and by class of drives.

    When it came is taken from what was measured. The 300 chains that were fitted last are looked at.
    """
    found = judge_forecasts(parts.courses(parts.now_ns()))
    return QualitiesOut(classes=[ForecastQualityOut.of(each) for each in found])


@router.get(
    "/drives/{drive_id}/forecast",
    summary="When the chain of a drive reaches its limit",
    responses=responses(404),
    dependencies=[VIEWER],
)
def show_forecast(parts: PartsDep, drive_id: DriveId) -> ForecastOut:
    """The newest forecast of the chain that is on the drive; a problem (404) where none was made yet."""
    parts.register.drive(drive_id)
    found = newest_of(parts, drive_id)
    if found is None:
        raise NotFoundError(
            f"there is no forecast of the chain on {drive_id!r} yet: the worker makes one within a minute of a chain that "
            "is fitted; without a chain on the drive there is none"
        )
    return ForecastOut.of(found, parts.settings.zone)


@router.get(
    "/drives/{drive_id}/forecasts",
    summary="Past forecasts of a drive",
    responses=responses(404),
    dependencies=[VIEWER],
)
def list_past(
    parts: PartsDep,
    drive_id: DriveId,
    cursor: Annotated[
        int | None,
        Query(ge=1, le=NUMBER_MAX, description="`next` of the page before; left out: from the newest"),
    ] = None,
    rows_max: Annotated[int, Query(ge=1, le=1000, description="Forecasts of one page")] = 100,
) -> ForecastsOut:
    """Forecasts of all chains that were on the drive, as they were made, the newest first.

    Of each chain one a day stays for ever, the first of the day in UTC, and the newest.
    """
    parts.register.drive(drive_id)
    found = parts.prognoses.of_drive(drive_id, before=cursor, rows_max=rows_max + 1)
    page = found[:rows_max]
    return ForecastsOut(
        forecasts=[ForecastOut.of(each, parts.settings.zone) for each in page],
        next=page[-1].number if len(found) > rows_max else None,
    )


def newest_of_all(parts: Parts) -> list[KeptPrognosis]:
    """Return the newest forecast of the chain that is on each drive, the earliest date first; without a date last."""
    now_ns = parts.now_ns()
    known = parts.board.snapshot()
    on = {drive_id: chain_at(known.chains.get(drive_id, ()), now_ns) for drive_id in known.drives}
    found = []
    for each in parts.prognoses.newest():
        chain = on.get(each.drive_id)
        if chain is not None and chain.chain_id == each.chain_id:
            found.append(each)
    return sorted(found, key=_by_date)


def newest_of(parts: Parts, drive_id: str) -> KeptPrognosis | None:
    """Return the newest forecast of the chain that is on a drive."""
    chain = chain_at(parts.register.chains(drive_id), parts.now_ns())
    found = parts.prognoses.newest_of(drive_id)
    return found if found is not None and chain is not None and found.chain_id == chain.chain_id else None


def _by_date(kept: KeptPrognosis) -> tuple[int, int, str]:
    """Limits that are reached first, then by the middle of the interval, then by its early end, then by drive."""
    if kept.outcome is Outcome.LIMIT_REACHED:
        return 0, 0, kept.drive_id
    if kept.p50_ns is not None:
        return 1, kept.p50_ns, kept.drive_id
    return (2, kept.p10_ns, kept.drive_id) if kept.p10_ns is not None else (3, 0, kept.drive_id)
