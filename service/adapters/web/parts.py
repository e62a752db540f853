"""What the routes work with, put together once by `create_app` and handed to each by its type."""

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, tzinfo
from typing import Annotated, Any, cast

from fastapi import Depends, Request
from prometheus_client import CollectorRegistry

from service.adapters.web.access import Logins
from service.adapters.web.alert_feed import AlertFeed
from service.adapters.web.board import Board
from service.adapters.web.board_rows import BoardRows
from service.adapters.web.caller import caller_of
from service.adapters.web.live import Live
from service.answer import Answer
from service.core.forecast_quality import Course
from service.hand_over import HandOver
from service.import_drives import ImportDrives
from service.look_back import LookBack
from service.measure_by_hand import MeasureByHand
from service.operate import Operate
from service.plan_changes import PlanChanges
from service.ports import (
    AlertLog,
    AuditLog,
    ChainMaps,
    Devices,
    Handovers,
    HandValues,
    Notes,
    People,
    Prognoses,
    RawBatches,
    Readings,
    Refused,
    Register,
    Removals,
    Sprockets,
    Tokens,
    UpkeepLog,
    WorkInHand,
)
from service.regroup import Regroup
from service.set_routes import SetRoutes
from service.set_setpoints import SetSetpoints
from service.set_up import SetUp
from service.tend import Tend

# What a worker in this process says of itself: `connected` and `trouble` of its broker; and, under `ingest`,
# `store_ok`, `trouble` and `stored_ns`.
BrokerStatus = Callable[[], Mapping[str, Any]]
WorkersSay = Callable[[], Sequence[Mapping[str, Any]]]  # the same, of each worker on this machine


@dataclass(frozen=True, slots=True, kw_only=True)
class WebSettings:
    """What the web part may be told; each has a default that is safe on loopback."""

    allowed_hosts: Sequence[str] = ("localhost", "127.0.0.1", "[::1]")
    zone: tzinfo = UTC  # local time of the site, for pages
    public_url: str = ""  # by which people reach the pages; "": that of the request
    language: str = "en"  # of pages, where neither the reader nor the browser says another
    body_bytes_max: int = 256 * 1024
    stale_after_s: float = 180.0  # a drive without news for longer is said to be without news
    worker_stale_s: float = 600.0  # not one new reading for longer: the worker is said to be down
    stream_period_s: float = 1.0
    stream_clients_max: int = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Parts:
    """Ports, doors and settings, and what was built on them."""

    readings: Readings
    register: Register
    refused: Refused
    hand_values: HandValues
    devices: Devices
    chain_maps: ChainMaps
    raw_batches: RawBatches
    alert_log: AlertLog
    work_in_hand: WorkInHand
    notes: Notes
    handovers: Handovers
    audit_log: AuditLog
    people: People
    prognoses: Prognoses
    courses: Callable[[int], list[Course]]  # what was told of chains that came to an end, by an instant
    tokens: Tokens
    logins: Logins | None  # None where everybody who reaches the page may do all
    operate: Operate
    answer: Answer
    set_routes: SetRoutes
    import_drives: ImportDrives
    regroup: Regroup
    set_setpoints: SetSetpoints
    measure_by_hand: MeasureByHand
    hand_over: HandOver
    set_up: SetUp
    plan_changes: PlanChanges
    tend: Tend
    look_back: LookBack
    removals: Removals
    sprockets: Sprockets
    upkeep_log: UpkeepLog
    broker_status: BrokerStatus | None
    workers_say: WorkersSay
    worker_registry: CollectorRegistry | None
    settings: WebSettings
    board: Board
    live: Live
    board_rows: BoardRows
    board_lives: Mapping[str, Live]  # of each language: rows come drawn
    alert_feed: AlertFeed
    now_ns: Callable[[], int] = field(default=time.time_ns)


def parts_of(request: Request) -> Parts:
    """Return the parts of the app that serves this request."""
    return cast("Parts", request.app.state.parts)


def public_address(request: Request, parts: Parts) -> str:
    """Return the address by which people reach the pages: the one that is set, else that of the request; no slash at its end."""
    return parts.settings.public_url or str(request.base_url).rstrip("/")


def who(request: Request) -> str:
    """Return who acts: a person's name, a token's, or, where logins are off, the address that the request came from."""
    return caller_of(request).name


def who_said(request: Request) -> Callable[[str | None], str]:
    """Return what says who acts where a request may name somebody itself: that counts only where logins are off."""
    caller = caller_of(request)
    is_known = caller.person is not None or caller.token is not None
    return lambda said: caller.name if is_known or not said else said


PartsDep = Annotated[Parts, Depends(parts_of)]
WhoDep = Annotated[str, Depends(who)]
WhoSaidDep = Annotated[Callable[[str | None], str], Depends(who_said)]
