"""`linklag watch` and `linklag deliver`: tasks of a store in a process of their own.

And what is seen of such processes from outside: who does what, and the metrics of a process without a page.
"""

import socket
import threading
import time
from collections import Counter
from pathlib import Path
from typing import Literal

import structlog
from prometheus_client import CollectorRegistry

from service.adapters.database.connect import Database
from service.adapters.task_metrics import TaskCollector, serve_metrics
from service.commands import CommandError
from service.commands.health import leave_marks
from service.commands.memory import all_is_loaded
from service.commands.parts import opened_database
from service.commands.supervise import Part, run_parts
from service.commands.tasks import OF_DELIVER, OF_WATCH, TaskParts, kinds_of, tasks_of
from service.settings import Settings

SILENT_NS = 15_000_000_000  # clocks of two machines may be so far apart
AtWork = Literal["watch", "deliver"]

log = structlog.get_logger()


def do_tasks(settings: Settings, part: AtWork) -> int:
    """Do tasks until a signal; return the exit code."""
    for warning in settings.warnings:
        log.warning("insecure", what=warning)
    with opened_database(settings) as database:
        parts = parts_at_work(settings, database, part)
        all_is_loaded()
        return run_parts(parts)


def parts_at_work(settings: Settings, database: Database, part: AtWork) -> list[Part]:
    """Return the parts to run."""
    kinds = OF_WATCH if part == "watch" else OF_DELIVER
    tasks = TaskParts(settings, database, kinds, called=part)
    stop = threading.Event()
    mark = mark_at_work(settings.store.file, part)
    return [
        *metrics_parts(settings, database, CollectorRegistry()),
        *tasks.parts,
        Part(name="marks", run=lambda: leave_marks(mark, tasks.status, stop), stop=stop.set),
    ]


def mark_at_work(store: Path, part: AtWork) -> Path:
    """Return the file that a process leaves its mark in, beside the store. Several of one part on one machine share it."""
    return store.with_name(f"{part}-{socket.gethostname()}.tasks.json")


def collector(settings: Settings, database: Database) -> TaskCollector:
    """Return what tells in metrics how routes get on and who does what."""
    return TaskCollector(
        database.outbox,
        database.leases,
        lambda: [(kind, tasks_of(kind, database)) for kind in kinds_of(settings)],
    )


def metrics_parts(settings: Settings, database: Database, registry: CollectorRegistry) -> list[Part]:
    """Return the part that serves metrics, if they are wanted: those of a registry, and those of the store.

    The address is taken here, so that a clash is told before anything runs.
    """
    host, port = settings.worker.metrics_host, settings.worker.metrics_port
    if not port:
        return []
    registry.register(collector(settings, database))
    try:
        server = serve_metrics(host.strip("[]"), port, registry)
    except OSError as error:
        raise CommandError(
            f"cannot serve metrics on {host}:{port} ({error.strerror or error}): each process needs another "
            "worker.metrics_port (--metrics-port)"
        ) from None
    stop = threading.Event()

    def run() -> None:
        stop.wait()
        server.shutdown()
        server.server_close()

    return [Part(name="metrics", run=run, stop=stop.set)]


def who_does_what(settings: Settings) -> tuple[list[str], bool]:
    """Return in lines which process does what, and whether there is anything that nobody does."""
    now_ns = time.time_ns()
    with opened_database(settings) as database:
        holders, leases = database.leases.look()
        tasks = {kind: tasks_of(kind, database) for kind in kinds_of(settings)}
    held = {each.task: each.holder for each in leases}
    lines, lacking = [], False
    for kind, names in tasks.items():
        by = Counter(held[name] for name in names if name in held)
        without = len(names) - sum(by.values())
        words = [f"{process} ({count} of {len(names)})" for process, count in sorted(by.items())]
        words += [f"nobody ({without} of {len(names)})"] * bool(without)
        lines.append(f"{kind:13} {', '.join(words) or 'nothing to do'}")
        lacking = lacking or bool(without)
    silent = {
        each.name for each in holders if now_ns - each.at_ns > SILENT_NS + settings.worker.takeover_s * 2e9
    }
    if silent & set(held.values()):
        lacking = True
        lines.append(f"no sign of life for long, by their own clocks: {', '.join(sorted(silent))}")
    lines += [
        f"{each.name}: last sign of life {(now_ns - each.at_ns) / 1e9:.0f} s ago by its clock"
        for each in holders
    ]
    if lacking:
        lines.append(
            "What nobody does waits in the store: start linklag worker, watch or deliver, or see worker.tasks of those that run"
        )
    return lines, lacking
