"""Whether the service lives, and whether each of its parts does its work; and its metrics."""

from collections.abc import Mapping
from typing import Any

from fastapi import APIRouter
from fastapi.responses import JSONResponse, Response
from prometheus_client import CONTENT_TYPE_LATEST

from service.adapters.web import schemas
from service.adapters.web.allowed import needs
from service.adapters.web.instants import age_words
from service.adapters.web.parts import Parts, PartsDep
from service.adapters.web.problems import responses
from service.adapters.web.store_away import stores_away
from service.core.people import Role
from service.ports import Resolution, StoreUnavailableError

router = APIRouter(tags=["service"])

METRICS_EXAMPLE = """# HELP linklag_elongation_percent Newest elongation of the chain on the drive
# TYPE linklag_elongation_percent gauge
linklag_elongation_percent{drive="infeed-2"} 1.2384
"""


@router.get("/health/live", summary="Whether the process answers", responses=responses())
def live() -> schemas.LiveOut:
    """Answers while the process runs; says nothing of its parts."""
    return schemas.LiveOut(live=True)


@router.get(
    "/health/ready",
    dependencies=[needs(Role.VIEWER)],
    summary="Whether each part does its work",
    responses={
        **responses(),
        503: {"model": schemas.ReadyOut, "description": "At least one part is down; `down` says which"},
    },
    response_model=schemas.ReadyOut,
)
def ready(parts: PartsDep) -> Response:
    """Store, broker and worker, each with what is wrong with it. 503 while any is down."""
    status = None if parts.broker_status is None else parts.broker_status()
    found = {"store": _store(parts), "broker": _broker(status), "worker": _worker(parts, status)}
    down = [name for name, part in found.items() if not part.up]
    body = schemas.ReadyOut(ready=not down, down=down, parts=found)
    headers = {"Retry-After": "5"} if down else {}
    return JSONResponse(body.model_dump(mode="json"), 503 if down else 200, headers=headers)


def _store(parts: Parts) -> schemas.PartOut:
    try:
        parts.register.version()
        parts.readings.rolled("-", 0, 1, Resolution.DAY, 1)  # readings may be in another store than the rest
    except StoreUnavailableError as error:
        return schemas.PartOut(up=False, detail=f"cannot be reached: {error}")
    return schemas.PartOut(up=True, detail="answers")


def _broker(status: Mapping[str, Any] | None) -> schemas.PartOut:
    """Judge the broker by what the worker in this process says of it."""
    if status is None:
        return schemas.PartOut(up=True, detail="not looked at: the worker runs in another process")
    up = bool(status.get("connected"))
    return schemas.PartOut(
        up=up, detail=str(status.get("trouble") or ("connected" if up else "not connected"))
    )


def _worker(parts: Parts, status: Mapping[str, Any] | None) -> schemas.PartOut:
    """Judge the worker by what it says of itself, or, from another process, by the newest reading of all."""
    ingest = (status or {}).get("ingest")
    if ingest is not None:
        up = bool(ingest.get("store_ok"))
        detail = str(ingest.get("trouble") or ("stores what comes" if up else "does not store"))
        for waiting in stores_away([{"ingest": ingest}]):
            detail += f"; {waiting.messages} messages wait in the spool" if waiting.messages else ""
            detail += (
                f"; no more is taken from the broker: {waiting.spool_trouble}"
                if waiting.spool_trouble
                else ""
            )
        return schemas.PartOut(up=up, detail=detail)
    try:
        newest = parts.readings.newest()
    except StoreUnavailableError:
        return schemas.PartOut(up=False, detail="not known: the store cannot be reached")
    if not newest:
        return schemas.PartOut(up=True, detail="waits for the first reading")
    age_s = (parts.now_ns() - max(each.reading.t_ns for each in newest)) / 1e9
    up = age_s <= parts.settings.worker_stale_s
    detail = f"newest reading is {age_words(age_s)} old"
    return schemas.PartOut(
        up=up, detail=detail if up else f"{detail}: is the worker running, and does any device send?"
    )


@router.get(
    "/metrics",
    dependencies=[needs(Role.VIEWER)],
    summary="Metrics for Prometheus",
    response_class=Response,
    responses={
        200: {
            "description": "Text exposition format 0.0.4",
            "content": {"text/plain": {"schema": {"type": "string"}, "example": METRICS_EXAMPLE}},
        },
        **responses(),
    },
)
def metrics(parts: PartsDep) -> Response:
    """Newest values of each drive, what was refused, who listens; with the worker's own where it runs in this process."""
    from service.adapters.web.metrics import exposition

    return Response(exposition(parts), media_type=CONTENT_TYPE_LATEST)
