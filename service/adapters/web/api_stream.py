"""API: the live stream. One event for each new newest reading of a drive, for as long as one listens."""

from collections.abc import Callable, Sequence
from typing import Annotated

from fastapi import APIRouter, Header, Query
from fastapi.responses import Response

from service.adapters.web import schemas
from service.adapters.web.board import Board, DriveState
from service.adapters.web.live import EventStream, News
from service.adapters.web.parts import PartsDep
from service.adapters.web.problems import ProblemError, responses
from service.core.health import Health
from service.core.reading import Reading

router = APIRouter(tags=["readings"])

EXAMPLE = """retry: 2000

event: beat
data: {"now_ms": 1764058503200, "store": "up"}

id: 187b2f6c0a1-17
event: reading
data: {"drive_id": "infeed-2", "used": 0.4128, ...}

"""


@router.get(
    "/stream",
    summary="Live stream of newest readings",
    status_code=200,
    response_class=EventStream,
    responses={
        200: {
            "description": "Server-sent events without end",
            "content": {"text/event-stream": {"schema": {"type": "string"}, "example": EXAMPLE}},
        },
        **responses(),
    },
)
async def stream(
    parts: PartsDep,
    last_event_id: Annotated[
        str, Header(description="Id of the last event seen; a browser sends it by itself")
    ] = "",
    after: Annotated[str, Query(description="The same, for programs that set no headers")] = "",
    only: Annotated[str, Query(max_length=64, description="Id of a drive: of that one only")] = "",
) -> Response:
    """One `reading` event for each new newest reading, its data as an entry of `/readings/newest`.

    It begins with the newest of all drives (or with what came after Last-Event-ID). A client that reads too
    slowly misses readings that were overtaken, and nothing else. `gone` names a drive (`key`) that was retired. A `beat` event comes at least every 5 s and
    says the service's clock and whether its store answers. Mind that a browser opens 6 connections to one host
    at most: one stream a page.
    """
    if parts.live.clients >= parts.settings.stream_clients_max:
        raise ProblemError(
            503, f"{parts.live.clients} clients listen already: close some, or try again later"
        )
    wanted = only.__eq__ if only else None
    return EventStream(parts.live.events(last_event_id or after, wanted))


def look_at(board: Board, now_ns: Callable[[], int]) -> Callable[[], Sequence[News]]:
    """Return what `Live` looks with: the newest of each drive, marked by reading, state of the sensing and register."""

    def look() -> list[News]:
        at_ns = now_ns()
        states = board.states(at_ns)
        version = board.snapshot().version
        return [_news(state, version, at_ns) for state in states if state.reading is not None]

    return look


def _news(state: DriveState, version: int, now_ns: int) -> News:
    def encode() -> bytes:
        return schemas.NewestOut.of(state, now_ns).model_dump_json().encode()

    seen = _identity(state.reading), _identity(state.measured)
    mark = (version, *seen, state.by_hand, _state_of_sensing(state.health))
    return News(state.drive.drive_id, mark, encode)


def _state_of_sensing(health: Health | None) -> object:
    """What of the sensing is news: it may change while no reading comes."""
    return health and (health.status, tuple((each.kind, each.sensor) for each in health.signs))


def _identity(reading: Reading | None) -> tuple[str, int, int] | None:
    return None if reading is None else (reading.device_id, reading.t0_ns, reading.seq)
