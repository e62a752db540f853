"""`linklag run`, `worker` and `web`: the long-running parts, put together from the settings.

Knows in which order parts start and stop: the worker lets go of the broker last, so that what it stored is
acknowledged. Must not know what a reading is.
"""

import socket
import threading
import time
from collections.abc import Mapping
from contextlib import closing, nullcontext
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import structlog
from prometheus_client import CollectorRegistry

from service.adapters.database.connect import Database
from service.commands import CommandError
from service.commands.at_work import collector, metrics_parts
from service.commands.health import leave_marks, mark_of, said_beside
from service.commands.logins import admit_of, sign_in_of
from service.commands.memory import all_is_loaded
from service.commands.partitions import chosen
from service.commands.parts import allowed_of, listen, opened_database, worker_source
from service.commands.spooling import opened_spool, waited_for_store
from service.commands.supervise import Part, run_parts
from service.commands.tasks import TaskParts
from service.ingest import Ingest, Metrics
from service.settings import Settings

if TYPE_CHECKING:
    from fastapi import FastAPI

log = structlog.get_logger()


def serve(settings: Settings, *, worker: bool, web: bool, partition: str | None = None) -> int:
    """Run the worker (of a partition, if there are any), or the web part, or both, until a signal; return the exit code."""
    if worker:
        partition = chosen(settings, partition)
    for warning in settings.warnings:
        log.warning("insecure", what=warning)
    if worker and not waited_for_store(settings, partition):
        return 0
    with opened_database(settings) as database:
        parts = parts_of(settings, database, worker=worker, web=web, partition=partition)
        all_is_loaded()
        return run_parts(parts)


def parts_of(
    settings: Settings, database: Database, *, worker: bool, web: bool, partition: str | None = None
) -> list[Part]:
    """Return the parts to run. The address of the page is taken here, so that a clash is told before anything runs."""
    listening = listen(settings.web.host, settings.web.port) if web else None
    working = WorkerParts(settings, database, partition) if worker else None
    parts = working.parts if working else []
    if working is not None and listening is None:
        parts = [*metrics_parts(settings, database, working.registry), *parts]
    if listening is not None:
        parts.append(_web_part(settings, database, listening, working))
    return parts


class WorkerParts:
    """The worker: taking batches from the broker, and whatever else it is ready to do."""

    def __init__(self, settings: Settings, database: Database, partition: str | None = None) -> None:
        self._stop = threading.Event()
        self.registry = CollectorRegistry()
        self._source = worker_source(settings, partition)
        self._spool = opened_spool(settings, settings.broker_of(partition).client_id)
        self._ingest = Ingest(
            self._source,
            database.readings,
            database.register,
            database.refused,
            root=settings.broker.root,
            metrics=Metrics(self.registry),
            store_all=database.store_all if settings.retention.batches_mb else None,
            devices=database.devices,
            spool=self._spool,
            spool_after_s=settings.worker.spool_after_s,
            partition=settings.taken_by(partition),
            allowed=allowed_of(settings),
            flush_messages=settings.worker.flush_batches,
            flush_s=settings.worker.flush_ms / 1000,
        )
        client_id = settings.broker_of(partition).client_id
        self._mark = mark_of(settings.store.file, client_id)
        self._tasks = TaskParts(settings, database, settings.worker.tasks, called=client_id)
        self.parts = [
            Part(name="ingest", run=self._take, stop=self._stop.set),
            *self._tasks.parts,
            Part(name="marks", run=self._leave_marks, stop=self._stop.set),
        ]

    def _leave_marks(self) -> None:
        leave_marks(self._mark, self.status, self._stop)

    def status(self) -> Mapping[str, Any]:
        """How the way from the broker to the store stands, for page and health checks (see web `parts`)."""
        source = self._source.status()
        return {
            "connected": source.connected and not source.refused,
            "trouble": source.trouble,
            "ingest": asdict(self._ingest.health()),
        }

    def _take(self) -> None:
        with closing(self._spool) if self._spool else nullcontext(), self._source:
            self._ingest.run(self._stop)


def _app(settings: Settings, database: Database, working: WorkerParts | None) -> "FastAPI":
    from service.adapters.web.access import Logins
    from service.adapters.web.app import create_app
    from service.adapters.web.parts import WebSettings

    logins = None
    if settings.web.login_on:
        logins = Logins(
            sign_in=sign_in_of(settings, database),
            admit=admit_of(settings, database),
            https_only=settings.web.tls or settings.web.behind_proxy,
        )
    registry = working.registry if working else CollectorRegistry()
    registry.register(collector(settings, database))
    return create_app(
        database,
        logins=logins,
        broker_status=working.status if working else None,
        workers_say=None if working else lambda: said_beside(settings.store.file, time.time()),
        worker_registry=registry,
        settings=WebSettings(
            allowed_hosts=settings.web.allowed_hosts,
            zone=settings.web.zone_info,
            public_url=settings.web.public_url,
            language=settings.web.language,
            stale_after_s=settings.web.stale_after_s,
            worker_stale_s=settings.web.worker_stale_s,
        ),
    )


def _web_part(
    settings: Settings, database: Database, listening: socket.socket, working: WorkerParts | None
) -> Part:
    """Return the page and the API; loaded here, so that a worker alone starts in half the time."""
    from service.adapters.web.server import WebServer

    app = _app(settings, database, working)
    try:
        server = WebServer(
            app,
            host=settings.web.host,
            port=settings.web.port,
            cert_file=settings.web.tls_cert_file,
            key_file=settings.web.tls_key_file,
            proxies=settings.web.proxy_addresses if settings.web.behind_proxy else (),
        )
    except OSError as error:  # ssl errors are such
        raise CommandError(f"web.tls_..._file: {error}: give PEM files that belong together") from None

    def run() -> None:
        log.info(
            "serving",
            url=f"{'https' if settings.web.tls else 'http'}://{settings.web.host}:{settings.web.port}/",
        )
        server.run(sockets=[listening])

    return Part(name="web", run=run, stop=server.stop)
