"""What is to be done with a store besides taking batches, as parts of a process: as much of it as this process is ready for.

Knows which tasks there are and what each of them writes in; must not know how tasks are shared.
"""

import os
import secrets
import socket
import threading
import time
from collections.abc import Callable, Collection, Mapping, Sequence
from typing import Any, get_args

from service.adapters.database.connect import Database
from service.commands.delivery import deliverer
from service.commands.handing_over import handing_over, surroundings
from service.commands.supervise import Part
from service.fold_maps import FoldMaps
from service.foretell import Foretell
from service.ingest import Housekeeper
from service.ports import Outbox, Resolution
from service.settings import Settings, TaskKind
from service.share_tasks import SharedTask, ShareTasks
from service.watch import SHARE_NAMES, Watch

HANDOVER_LOOK_S = 5.0  # from one look whether a shift has ended to the next
OF_WATCH: tuple[TaskKind, ...] = ("watch", "foretelling", "folding", "housekeeping")
OF_DELIVER: tuple[TaskKind, ...] = ("delivery", "handing_over")


def kinds_of(settings: Settings) -> list[TaskKind]:
    """Return the kinds of tasks that some process has to do."""
    return [each for each in get_args(TaskKind) if _is_there(each, settings)]


def tasks_of(kind: TaskKind, database: Database) -> Sequence[str]:
    """Return the tasks that there are of a kind."""
    if kind == "watch":
        return SHARE_NAMES
    if kind == "delivery":
        return [route_task(each.route_id) for each in database.outbox.routes()]
    return [kind]


def route_task(route_id: str) -> str:
    """Return the task that a route of deliveries is."""
    return f"delivery/{route_id}"


def name_of_process(called: str) -> str:
    """Return a name that no other process ever has, and by which people find this one: what it is, where, and its number."""
    return f"{called}/{socket.gethostname()}/{os.getpid()}/{secrets.token_hex(2)}"


class TaskParts:
    """The parts that do tasks, and the one that shares them with other processes."""

    def __init__(
        self, settings: Settings, database: Database, kinds: Collection[TaskKind], *, called: str
    ) -> None:
        """called: what people call this process."""
        self._settings, self._database = settings, database
        self._stop, self._leave = threading.Event(), threading.Event()
        ready: dict[str, Callable[[], Sequence[str]]] = {
            each: _lister(each, database) for each in kinds if _is_there(each, settings)
        }
        self.share = ShareTasks(
            database.leases, name_of_process(called), ready, after_s=settings.worker.takeover_s
        )
        runs: Mapping[TaskKind, Callable[[], None]] = {
            "housekeeping": self._keep_house,
            "folding": self._fold,
            "foretelling": self._tell_ahead,
            "watch": self._watch_alerts,
            "delivery": self._send,
            "handing_over": self._freeze,
        }
        self._foretell = self._foreteller()
        # First, so that it is the last that stops: the others go on to hold what they do until they are through.
        self.parts = [Part(name="sharing", run=lambda: self.share.run(self._leave), stop=self._leave.set)]
        for kind, run in runs.items():
            if kind in ready or (
                kind == "foretelling" and "watch" in ready
            ):  # then it reads what others told
                self.parts.append(Part(name=kind.replace("_", " "), run=run, stop=self._stop.set))

    def status(self) -> dict[str, Any]:
        """How it stands, for the mark (see `health`)."""
        return {"name": self.share.name, "trouble": self.share.trouble()}

    def _fenced(self, kind: TaskKind) -> tuple[SharedTask, Database]:
        """A task, and the store for whatever it writes."""
        task = self.share.task(kind)
        return task, self._database.fenced(task.in_use)

    def _keep_house(self) -> None:
        task, database = self._fenced("housekeeping")
        worker, retention = self._settings.worker, self._settings.retention
        Housekeeper(
            database.readings,
            keep_days={
                None: retention.raw_days,
                Resolution.MINUTE: retention.minute_days,
                Resolution.HOUR: retention.hour_days,
            },
            roll_up_s=worker.roll_up_s,
            forget_s=worker.forget_s,
            task=task,
        ).run(self._stop)

    def _fold(self) -> None:
        task, database = self._fenced("folding")
        FoldMaps(
            database.raw_batches,
            database.readings,
            database.register,
            database.chain_maps,
            task=task,
            now_ns=time.time_ns,
        ).run(self._stop, self._settings.worker.fold_s)

    def _foreteller(self) -> Foretell:
        task, database = self._fenced("foretelling")
        return Foretell(database, zone=self._settings.web.zone_info, task=task)

    def _tell_ahead(self) -> None:
        self._foretell.run(self._stop, self._settings.worker.foretell_s)

    def _watch_alerts(self) -> None:
        task, database = self._fenced("watch")
        worker = self._settings.worker
        watch = Watch(database, judge_s=worker.judge_s, forecast_of=self._foretell.forecast_of, task=task)
        watch.run(self._stop, worker.watch_s)

    def _send(self) -> None:
        around = surroundings(self._settings, self._database)
        deliverer(self._settings, self._database, around, self._task_of_route).run(self._stop)

    def _task_of_route(self, route_id: str) -> tuple[SharedTask, Outbox]:
        task = self.share.task("delivery", route_task(route_id))
        return task, self._database.fenced(task.in_use).outbox

    def _freeze(self) -> None:
        task, database = self._fenced("handing_over")
        handing_over(self._settings, database).run(
            self._stop,
            HANDOVER_LOOK_S,
            after_s=self._settings.handover.after_s,
            now_ns=time.time_ns,
            task=task,
        )


def _is_there(kind: TaskKind, settings: Settings) -> bool:
    return settings.handover.by_clock if kind == "handing_over" else True


def _lister(kind: TaskKind, database: Database) -> Callable[[], Sequence[str]]:
    return lambda: tasks_of(kind, database)
