"""The web adapter put together: API under /api/v1, pages, health and metrics, behind one guard.

Shows what the ports hold and hands what people do to the door `operate`; decides nothing itself.
"""

import time
from collections.abc import Callable
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from fastapi import APIRouter, FastAPI
from fastapi.openapi.utils import get_openapi
from prometheus_client import CollectorRegistry
from starlette.routing import BaseRoute
from starlette.staticfiles import StaticFiles

from service.adapters.survival import ScipyLifeFitter
from service.adapters.web import (
    api_alerts,
    api_catalogue,
    api_changes,
    api_commission,
    api_drives,
    api_forecasts,
    api_groups,
    api_hand,
    api_handovers,
    api_health,
    api_import,
    api_lives,
    api_map,
    api_people,
    api_plan,
    api_quality,
    api_readings,
    api_refused,
    api_routes,
    api_sensing,
    api_setpoints,
    api_shifts,
    api_stream,
    importing,
    pages,
    pages_alerts,
    pages_board,
    pages_changes,
    pages_check,
    pages_commission,
    pages_drawing,
    pages_drive,
    pages_forecasts,
    pages_forms,
    pages_groups,
    pages_hand,
    pages_handover,
    pages_import,
    pages_language,
    pages_lives,
    pages_map,
    pages_people,
    pages_pictures,
    pages_plan,
    pages_routes,
    pages_setpoints,
    pages_settings,
    pages_shifts,
    pages_strobe,
    pages_wall,
    problems,
)
from service.adapters.web.access import Access, Logins
from service.adapters.web.alert_feed import AlertFeed
from service.adapters.web.allowed import needs, refuse_unguarded
from service.adapters.web.board import Board
from service.adapters.web.board_rows import BoardRows
from service.adapters.web.guard import Guard
from service.adapters.web.live import Live
from service.adapters.web.parts import BrokerStatus, Parts, WebSettings, WorkersSay
from service.adapters.web.sensing import Sensing
from service.adapters.web.squeeze import Squeeze
from service.answer import Answer
from service.core.people import Role
from service.dispatch import Dispatch
from service.foretell import courses_of
from service.hand_over import HandOver
from service.import_drives import ImportDrives
from service.look_back import LookBack
from service.measure_by_hand import MeasureByHand
from service.operate import Operate
from service.plan_changes import PlanChanges
from service.ports import Stores
from service.regroup import Regroup
from service.set_routes import SetRoutes
from service.set_setpoints import SetSetpoints
from service.set_up import SetUp
from service.tend import Tend

API = "/api/v1"
OPENAPI_URL = f"{API}/openapi.json"

DESCRIPTION = """Live wear elongation of running chains, from the phase lag of two sensors.

Elongations and limits are in per cent against nominal pitch; uncertainties are standard uncertainties (k = 1) unless
a name says otherwise. Times are RFC 3339, and UTC in answers. An interval is open at its start, closed at its end and
stamped by its end. Every error is `application/problem+json` (RFC 9457) with what to do about it in `detail`.

linklag is a maintenance aid and no safety function. Before anyone goes near a drive: lock out and tag out, by your
local codes and by people licensed to do so.
"""
TAGS = (
    ("readings", "Newest readings, series, live stream"),
    ("drives", "Drives, the chains on them over time, baselines"),
    ("alerts", "What somebody has to know of, what happened to it, and what people answered"),
    ("setpoints", "When conditions occur and clear, and what was set of it for sites, classes and drives"),
    ("forecasts", "When chains reach their limit, and how good past forecasts were"),
    ("sensing", "State of the sensing, what many readings show together, what was taken off"),
    ("commissioning", "Sensors being set up, the baseline, and what a drive teaches about itself"),
    ("by hand", "Measurements by hand, and the card to take along"),
    ("shifts", "Sites and their shifts, work in hand, notes, and what one shift hands to the next"),
    ("routes", "Who is told of alerts and gets handovers: by webhook, MQTT, mail or chat"),
    ("refused", "Messages that could not be used, and drives that nobody registered"),
    ("catalogue", "Chains by designation or by measurement"),
    ("map", "The chain, link by link"),
    ("lives", "How chains ended and how long they live, sprockets, upkeep, what wear goes with"),
    ("changes", "By when chains are to be changed and ordered; planned stops, supply, planned duty"),
    ("plan", "Sensors, before they are mounted"),
    ("people", "Who may come in, tokens of programs, and what people changed"),
    ("service", "Health and metrics"),
)


READS = [needs(Role.VIEWER)]  # of what asks for no more itself


def create_app(  # noqa: PLR0913 - what the app is made of
    stores: Stores,
    *,
    broker_status: BrokerStatus | None = None,
    workers_say: WorkersSay | None = None,
    worker_registry: CollectorRegistry | None = None,
    settings: WebSettings | None = None,
    logins: Logins | None = None,
    now_ns: Callable[[], int] = time.time_ns,
) -> FastAPI:
    """Return the app, to be served on loopback where there are no logins.

    Args:
        stores: the ports of the store.
        broker_status: what a worker in this process says of itself (see `parts.BrokerStatus`); None without one.
        workers_say: the same of workers in processes of their own on this machine.
        worker_registry: what that worker counts, shown on /metrics behind our own.
        settings: hosts, zone, limits.
        logins: how people and programs come in; None: whoever reaches the page may do all.
        now_ns: the clock, read once a request.
    """
    settings = settings or WebSettings()
    readings, register, hand_values = stores.readings, stores.register, stores.hand_values
    sensing = Sensing(
        readings,
        stores.refused,
        stores.devices,
        quiet_after_s=settings.stale_after_s,
        work_in_hand=stores.work_in_hand,
    )
    board = Board(readings, register, hand_values, sensing)
    rows = BoardRows(board, stores, settings.stale_after_s)
    operate = Operate(register, stores.refused, readings)
    parts = Parts(
        readings=readings,
        register=register,
        refused=stores.refused,
        hand_values=hand_values,
        devices=stores.devices,
        chain_maps=stores.chain_maps,
        raw_batches=stores.raw_batches,
        alert_log=stores.alert_log,
        work_in_hand=stores.work_in_hand,
        notes=stores.notes,
        handovers=stores.handovers,
        hand_over=HandOver(stores, quiet_after_s=settings.stale_after_s),
        audit_log=stores.audit_log,
        people=stores.people,
        prognoses=stores.prognoses,
        courses=lambda now_ns: courses_of(stores, now_ns),
        tokens=stores.tokens,
        logins=logins,
        answer=Answer(stores.alert_log, register),
        set_routes=SetRoutes(
            stores.outbox,
            stores.alert_log,
            Dispatch(stores.outbox, zone_of=lambda _site: settings.zone, public_url=settings.public_url),
        ),
        operate=operate,
        import_drives=ImportDrives(register, stores.refused),
        regroup=Regroup(stores),
        set_setpoints=SetSetpoints(stores.setpoints, register),
        measure_by_hand=MeasureByHand(register, readings, hand_values, operate),
        tend=Tend(stores, operate),
        look_back=LookBack(stores, ScipyLifeFitter()),
        removals=stores.removals,
        sprockets=stores.sprockets,
        upkeep_log=stores.upkeep_log,
        set_up=SetUp(register, readings, stores.raw_batches, hand_values, operate),
        plan_changes=PlanChanges(stores, zone=settings.zone),
        broker_status=broker_status,
        workers_say=workers_say or (lambda: [] if broker_status is None else [broker_status()]),
        worker_registry=worker_registry,
        settings=settings,
        board=board,
        board_rows=rows,
        board_lives=pages_board.lives(rows, settings, now_ns),
        live=Live(api_stream.look_at(board, now_ns), period_s=settings.stream_period_s, now_ns=now_ns),
        alert_feed=AlertFeed(stores.alert_log, period_s=settings.stream_period_s, now_ns=now_ns),
        now_ns=now_ns,
    )
    app = FastAPI(
        title="linklag",
        version=_version(),
        description=DESCRIPTION,
        openapi_url=OPENAPI_URL,
        openapi_tags=[{"name": name, "description": words} for name, words in TAGS],
        docs_url=None,  # they load scripts from elsewhere; /api lists the routes
        redoc_url=None,
        redirect_slashes=False,
    )
    app.state.parts = parts
    app.router.routes.extend(_routes())
    problems.install(app, pages.problem_page)
    app.openapi = lambda: _openapi(app)  # type: ignore[method-assign]
    app.add_middleware(Access, logins=logins, page=pages.problem_page, now_ns=now_ns)
    app.add_middleware(pages_language.Spoken, default=settings.language)
    app.add_middleware(Squeeze)
    app.add_middleware(
        Guard,
        allowed_hosts=settings.allowed_hosts,
        body_bytes_max=settings.body_bytes_max,
        larger=dict.fromkeys(importing.PATHS, importing.BODY_BYTES_MAX),
    )
    return app


@cache
def _routes() -> tuple[BaseRoute, ...]:
    """Return all routes: built and held to their roles once, because that takes a third of a second.

    They hold nothing of an app: what they work with is that of the app which a request came to.
    """
    app = FastAPI(openapi_url=None, docs_url=None, redoc_url=None, redirect_slashes=False)
    _add_routes(app)
    refuse_unguarded(app)
    return tuple(app.router.routes)


def _add_routes(app: FastAPI) -> None:
    api = APIRouter(prefix=API)
    for part in (
        api_readings,
        api_stream,
        api_quality,
        api_forecasts,
        api_alerts,
        api_setpoints,
        api_sensing,
        api_drives,
        api_import,
        api_groups,
        api_commission,
        api_hand,
        api_shifts,
        api_handovers,
        api_routes,
        api_refused,
        api_catalogue,
        api_plan,
        api_changes,
        api_map,
        api_lives,
        api_people,
    ):
        api.include_router(part.router)
    app.include_router(api, dependencies=READS)
    app.include_router(api_health.router)
    app.include_router(api_health.router, prefix=API, include_in_schema=False)  # where the rest of the API is
    app.include_router(pages_forms.router, include_in_schema=False, dependencies=READS)
    app.include_router(pages_settings.router, include_in_schema=False, dependencies=READS)
    app.include_router(pages_groups.router, include_in_schema=False, dependencies=READS)
    app.include_router(pages_import.router, include_in_schema=False, dependencies=READS)
    app.include_router(pages_lives.router, include_in_schema=False, dependencies=READS)
    app.include_router(pages_hand.router, include_in_schema=False, dependencies=READS)
    app.include_router(pages_check.router, include_in_schema=False, dependencies=READS)
    app.include_router(pages_handover.router, include_in_schema=False, dependencies=READS)
    app.include_router(pages_routes.router, include_in_schema=False, dependencies=READS)
    app.include_router(pages_shifts.router, include_in_schema=False, dependencies=READS)
    app.include_router(pages_setpoints.router, include_in_schema=False, dependencies=READS)
    app.include_router(pages_commission.router, include_in_schema=False, dependencies=READS)
    app.include_router(pages_forecasts.router, include_in_schema=False, dependencies=READS)
    app.include_router(pages_alerts.router, include_in_schema=False, dependencies=READS)
    app.include_router(pages_changes.router, include_in_schema=False, dependencies=READS)
    app.include_router(pages_pictures.router, include_in_schema=False, dependencies=READS)
    app.include_router(pages_map.router, include_in_schema=False, dependencies=READS)
    app.include_router(pages_drawing.router, include_in_schema=False, dependencies=READS)
    app.include_router(pages_strobe.router, include_in_schema=False, dependencies=READS)
    app.include_router(pages_drive.router, include_in_schema=False, dependencies=READS)
    app.include_router(pages_wall.router, include_in_schema=False, dependencies=READS)
    app.include_router(pages_wall.open_router, include_in_schema=False)
    app.include_router(pages_board.router, include_in_schema=False, dependencies=READS)
    app.include_router(pages.router, include_in_schema=False, dependencies=READS)
    app.include_router(pages_plan.router, include_in_schema=False, dependencies=READS)
    app.include_router(pages_people.router, include_in_schema=False, dependencies=READS)
    app.include_router(pages_people.open_router, include_in_schema=False)
    app.include_router(pages_language.router, include_in_schema=False)
    app.mount("/static", StaticFiles(directory=Path(__file__).with_name("static")), name="static")


def _openapi(app: FastAPI) -> dict[str, Any]:
    """Return the OpenAPI document, with the schema of problems, which no route returns by its type."""
    if app.openapi_schema is None:
        document = get_openapi(
            title=app.title,
            version=app.version,
            description=app.description,
            routes=app.routes,
            tags=app.openapi_tags,
        )
        schema = problems.Problem.model_json_schema(ref_template="#/components/schemas/{model}")
        document["components"]["schemas"]["Problem"] = schema
        app.openapi_schema = document
    return app.openapi_schema


def _version() -> str:
    try:
        return version("linklag")
    except PackageNotFoundError:
        return "0"
