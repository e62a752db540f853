"""The worker's spool, put together from the settings; and what a worker does that starts while the store is away.

Must not know when a message goes there (`ingest`).
"""

import threading
from collections.abc import Mapping
from contextlib import ExitStack, closing
from dataclasses import asdict
from pathlib import Path
from typing import Any, NoReturn, cast

import structlog
from prometheus_client import CollectorRegistry

from service.adapters.spool import SUFFIX, FileSpool
from service.commands import CommandError
from service.commands.health import leave_marks, mark_of
from service.commands.parts import StoreAwayError, opened_database, worker_source
from service.commands.supervise import stop_signals_set
from service.ingest import Ingest, Metrics, SpoolError
from service.ports import Readings, Refused, Register, StoreUnavailableError
from service.settings import Settings

LOOK_S = 5.0  # from one try to open the store to the next

log = structlog.get_logger()


def spool_file(settings: Settings, client_id: str) -> Path | None:
    """Return the file of a worker's spool; None where the settings name no folder for it."""
    folder = settings.worker.spool_folder
    return None if folder is None else folder / f"{client_id}{SUFFIX}"


def opened_spool(settings: Settings, client_id: str) -> FileSpool | None:
    """Return the spool of a worker, opened; None where the settings have none."""
    file = spool_file(settings, client_id)
    if file is None:
        return None
    spool = FileSpool(file, bytes_max=settings.worker.spool_mb * 1_000_000)
    try:
        spool.open()
    except SpoolError as error:
        raise CommandError(str(error)) from None
    return spool


def waited_for_store(settings: Settings, partition: str | None) -> bool:
    """Spool, where the settings have a spool, until the store can be opened; False where a signal came first.

    Without a spool a store that is away ends the command, as everything does that is wrong at its start.
    """
    if settings.worker.spool_folder is None:
        return True
    try:
        with opened_database(settings):
            return True
    except StoreAwayError as error:
        log.error("store_unavailable", fault=str(error))  # noqa: TRY400 - it is the world's fault, not ours
        return _Waiting(settings, partition, str(error)).run()


class _Away:
    """In place of every port of a store that cannot be opened."""

    def __init__(self, fault: str) -> None:
        self.fault = fault

    def __getattr__(self, name: str) -> NoReturn:
        raise StoreUnavailableError(self.fault)


class _Waiting:
    """A worker that only spools, until the store can be opened."""

    def __init__(self, settings: Settings, partition: str | None, fault: str) -> None:
        self._settings = settings
        self._source = worker_source(settings, partition)
        self._away = _Away(fault)
        self._partition = settings.taken_by(partition)
        self._client_id = settings.broker_of(partition).client_id
        self._done = threading.Event()
        self._opened = False

    def run(self) -> bool:
        """Spool until the store can be opened, and return True; or until a signal, and return False."""
        settings = self._settings
        spool = opened_spool(settings, self._client_id)
        assert spool is not None  # noqa: S101 - the caller has looked
        with ExitStack() as stack:
            stack.enter_context(stop_signals_set(self._done))
            stack.enter_context(closing(spool))
            stack.enter_context(self._source)
            ingest = Ingest(
                self._source,
                cast("Readings", self._away),
                cast("Register", self._away),
                cast("Refused", self._away),
                root=settings.broker.root,
                metrics=Metrics(CollectorRegistry()),
                spool=spool,
                spool_after_s=settings.worker.spool_after_s,
                partition=self._partition,
                flush_messages=settings.worker.flush_batches,
                flush_s=settings.worker.flush_ms / 1000,
            )
            mark = mark_of(settings.store.file, self._client_id)
            threads = [
                threading.Thread(target=self._try_to_open, name="store", daemon=True),
                threading.Thread(
                    target=leave_marks,
                    args=(mark, lambda: self._status(ingest), self._done),
                    name="marks",
                    daemon=True,
                ),
            ]
            for thread in threads:
                thread.start()
            ingest.run(self._done)
            for thread in threads:
                thread.join()
        return self._opened

    def _try_to_open(self) -> None:
        while not self._done.wait(LOOK_S):
            try:
                with opened_database(self._settings):
                    self._opened = True
            except StoreAwayError as error:
                self._away.fault = str(error)
            except CommandError as error:
                log.error("store_cannot_be_used", fault=str(error))  # noqa: TRY400 - told, then tried again
                self._away.fault = str(error)
            except Exception as fault:
                log.exception(
                    "store_not_opened"
                )  # ours or the library's: without another try it would spool for ever
                self._away.fault = repr(fault)
            else:
                log.info("store_well_again")
                self._done.set()

    def _status(self, ingest: Ingest) -> Mapping[str, Any]:
        source = self._source.status()
        return {
            "connected": source.connected and not source.refused,
            "trouble": source.trouble,
            "ingest": asdict(ingest.health()),
        }
