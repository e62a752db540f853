"""`linklag drain`: what the broker, and a spool, still keep for a worker that is gone is stored, and then its session ended.

A session outlives its worker: it goes on gathering what its filters match until it expires. So who goes from one worker
to partitions, or gives a partition up, drains what the old id has.
"""

import threading
import time
from contextlib import closing, nullcontext

import structlog
import typer
from prometheus_client import CollectorRegistry

from service.adapters.database.connect import Database
from service.commands import CommandError
from service.commands.health import OLD_S, mark_of
from service.commands.partitions import any_groups
from service.commands.parts import left_source, opened_database, with_sparkplug
from service.commands.spooling import opened_spool
from service.commands.supervise import stop_signals_set
from service.core.partition import Partition
from service.ingest import Ingest, Metrics, Source, SpoolError
from service.ports import StoreUnavailableError
from service.settings import Settings

QUIET_S = 3.0  # nothing came for so long over a standing connection: there is no more
CONNECT_S = 20.0
RETRY_S = 1.0

log = structlog.get_logger()


def drain(settings: Settings, client_id: str, partition: str | None) -> int:
    """Store all that the broker of a partition keeps under a client id and end its session; return the exit code."""
    if partition is not None and partition not in settings.partition:
        raise CommandError(f"--partition {partition}: no table [partition.{partition}] in the settings")
    _refuse_living(settings, client_id)
    stop = threading.Event()
    with opened_database(settings) as database, stop_signals_set(stop):
        return drain_into(settings, database, client_id, partition, stop=stop)


def _refuse_living(settings: Settings, client_id: str) -> None:
    mark = mark_of(settings.store.file, client_id)
    if mark.exists() and abs(time.time() - mark.stat().st_mtime) < OLD_S:
        raise CommandError(f"a worker runs here under {client_id} ({mark}): stop it first")


def drain_into(
    settings: Settings, database: Database, client_id: str, partition: str | None, *, stop: threading.Event
) -> int:
    """Store all that waits under a client id and end its session; return the exit code: 1 where it stays."""
    broker = left_source(settings, client_id, partition)
    source = with_sparkplug(settings, broker, groups=any_groups(settings))
    roots = {root for name in settings.partition or [None] for root in settings.taken_by(name).roots}
    spool = opened_spool(settings, client_id)
    ingest = Ingest(
        source,
        database.readings,
        database.register,
        database.refused,
        root=settings.broker.root,
        partition=Partition(roots=tuple(sorted({*roots, settings.broker.root}))),
        metrics=Metrics(CollectorRegistry()),
        store_all=database.store_all if settings.retention.batches_mb else None,
        devices=database.devices,
        spool=spool,
    )
    with closing(spool) if spool else nullcontext(), source:
        stored, done = _until_quiet(source, ingest, stop)
        if done:
            broker.end_session()
    typer.echo(f"{stored} messages stored; {_outcome(client_id, source, done=done)}")
    return 0 if done else 1


def _outcome(client_id: str, source: Source, *, done: bool) -> str:
    if done:
        return f"the broker keeps nothing for {client_id} any more"
    trouble = source.status().trouble
    return f"the session of {client_id} stays as it is{': ' if trouble else ''}{trouble}"


def _until_quiet(source: Source, ingest: Ingest, stop: threading.Event) -> tuple[int, bool]:
    """Store until nothing has come for a while; return how many messages, and whether that was all.

    It was not where the broker stayed away for `CONNECT_S`: what a spool had is stored then.
    """
    stored, since_s, there_s = 0, time.monotonic(), time.monotonic()
    while not stop.is_set():
        try:
            done = ingest.step()
        except (StoreUnavailableError, SpoolError) as fault:
            log.warning("store_unavailable", fault=str(fault))
            stop.wait(RETRY_S)
            since_s = there_s = time.monotonic()
            continue
        stored += done
        now_s, connected = time.monotonic(), source.status().connected
        if done or not connected:
            since_s = now_s
        if done or connected:
            there_s = now_s
        if now_s - since_s > QUIET_S:
            return stored, True
        if now_s - there_s > CONNECT_S:
            break
    return stored, False
