"""`linklag check`: is everything fit to run, and if not, what mends it.

Each check returns a `Finding`, never raises for what it looks for, and looks at one thing. The broker is asked under
a client id of its own, so that a worker that runs meanwhile keeps its session.
"""

import shutil
import tempfile
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import typer

from service.adapters.database.backup import BackupError, schema_of
from service.adapters.database.connect import SCHEMA
from service.adapters.database.server_backup import schema_on_server
from service.adapters.mqtt import MqttSource
from service.adapters.sparkplug import payload_class
from service.adapters.spool import SUFFIX, waiting_in
from service.commands import CommandError
from service.commands.finding import Finding
from service.commands.health import trouble_of_web
from service.commands.parts import broker_source, listen, opened_database, store_engine
from service.commands.queues import check_outlet, check_queues
from service.commands.series import influx_client
from service.core.partition import Partition, uncovered
from service.ports import StoreUnavailableError
from service.settings import Settings

FREE_BYTES_MIN = 512 * 1024 * 1024
BUILT_NS = int(datetime(2026, 1, 1, tzinfo=UTC).timestamp()) * 1_000_000_000  # no right clock is earlier
CONNECT_S = 12.0
AHEAD_S = 600.0  # batches of clocks further ahead are refused
SETTLE_S = 1.0  # in which a broker answers a subscription and a publication


def check_all(settings: Settings) -> int:
    """Make every check, print each finding as it comes, and return the exit code: 1 where anything is wrong."""
    wrong = 0
    for finding in findings(settings):
        typer.echo(f"{'wrong' if finding.fix else 'ok':7}{finding.subject:10}{finding.found}")
        if finding.fix:
            wrong += 1
            typer.echo(f"{'':17}mend it: {finding.fix}")
    typer.echo("all is fit to run" if not wrong else f"{wrong} to mend")
    return 1 if wrong else 0


def findings(settings: Settings) -> Iterator[Finding]:
    """Yield what each check finds. The later ones do not depend on the earlier."""
    for check in (check_clock, check_disk, check_store):
        yield check(settings)
    if settings.influx.url:
        yield check_influx(settings)
    if settings.worker.spool_folder is not None:
        yield check_spool(settings, settings.worker.spool_folder)
    if settings.amqp.host:
        yield check_queues(settings)
        yield check_outlet(settings)
    else:
        for partition in settings.partition or [None]:
            yield check_broker(settings, partition)
        if settings.partition:
            yield check_partitions(settings)
    yield check_web(settings)


def check_clock(settings: Settings) -> Finding:
    """Whether the clock can be right: batches are refused by it, and readings are placed by it."""
    del settings
    now = datetime.now(tz=UTC)
    found = f"{now:%Y-%m-%d %H:%M:%S} UTC"
    if now.timestamp() * 1e9 < BUILT_NS:
        return Finding(
            subject="clock", found=f"{found} is in the past", fix="set the clock; better, let NTP keep it"
        )
    return Finding(subject="clock", found=found)


def check_disk(settings: Settings) -> Finding:
    """Whether there is room where the database lies."""
    folder = _there(settings.store.file.parent)
    free = shutil.disk_usage(folder).free
    found = f"{free / 1e9:.1f} GB free at {folder}"
    if free < FREE_BYTES_MIN:
        return Finding(subject="disk", found=found, fix="free some, or move store.folder to a larger disk")
    return Finding(subject="disk", found=found)


def check_spool(settings: Settings, folder: Path) -> Finding:
    """Whether the spool's folder can be written and has room, and whether a damaged spool was set aside in it."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as error:
        return Finding(
            subject="spool",
            found=f"{folder}: {error.strerror}",
            fix="let this user write it, or correct worker.spool_folder",
        )
    damaged = sorted(folder.glob(f"*{SUFFIX}.damaged-*[0-9]"))
    if damaged:
        return Finding(
            subject="spool",
            found=f"a damaged spool was set aside as {damaged[0]}; what could be read of it went on",
            fix=f"look at it (sqlite3 {damaged[0]} .recover), then move it elsewhere",
        )
    files = sorted(folder.glob(f"*{SUFFIX}"))
    ours = {settings.broker_of(name).client_id for name in settings.partition or [None]}
    for file in files:
        client_id = file.name.removesuffix(SUFFIX)
        waiting = 0 if client_id in ours else waiting_in(file) or 0
        if waiting:
            return Finding(
                subject="spool",
                found=f"{waiting} messages wait in {file} for a worker that is in the settings no more",
                fix=f"store them: linklag drain {client_id}",
            )
    used = sum(file.stat().st_size for file in files)
    room = shutil.disk_usage(folder).free + used
    wanted = settings.worker.spool_mb * 1_000_000 * max(1, len(settings.partition))
    found = f"{folder}, {used / 1e6:.0f} MB in use, room for {room / 1e6:.0f}"
    if room < wanted:
        fix = f"make room, or lower worker.spool_mb, which asks for {wanted / 1e6:.0f} MB"
        return Finding(subject="spool", found=found, fix=fix)
    if folder.stat().st_dev == _there(settings.store.file.parent).stat().st_dev:
        found += "; the store is on the same disk: when that is full, both are"
    return Finding(subject="spool", found=found)


def _there(folder: Path) -> Path:
    """Return the folder, or the nearest above it that there is."""
    while not folder.exists():
        folder = folder.parent
    return folder


def check_store(settings: Settings) -> Finding:
    """Whether the store can be written. One of an older schema is left as it is: its next start brings it up to date."""
    older = _older_schema(settings)
    if older:
        found = (
            f"{settings.store.place} is of schema {older}; the next start brings it to {SCHEMA}, and only a backup leads "
            "back: `linklag backup FILE` first"
        )
        return Finding(subject="store", found=found)
    try:
        with opened_database(settings) as database:
            drives = len(database.register.drives())
            ahead_s = _ahead_s([each.reading.t_ns for each in database.readings.newest()])
    except (CommandError, StoreUnavailableError) as error:
        return Finding(subject="store", found=str(error), fix=_fix_of_store(settings))
    found = f"{settings.store.place}, written; {drives} drives registered"
    if ahead_s > 0:
        fix = "set the clock right; if it is, a device was an hour or more ahead and its readings stand in the future"
        return Finding(
            subject="store", found=f"{found}; newest reading {ahead_s:.0f} s ahead of the clock", fix=fix
        )
    return Finding(subject="store", found=found)


def check_influx(settings: Settings) -> Finding:
    """Whether InfluxDB takes a point and gives it back, and whether readings were left behind in the database."""
    try:
        with influx_client(settings) as client:
            version = client.check() if client is not None else ""
        with opened_database(settings) as database:
            left = len({each.drive_id for each in database.readings_here.newest()})
            moved = len({each.drive_id for each in database.readings.newest()})
    except (CommandError, StoreUnavailableError) as error:
        return Finding(
            subject="influx",
            found=str(error),
            fix="see there what mends it; readings wait at the broker meanwhile",
        )
    found = f"{settings.influx.url}, bucket {settings.influx.bucket}, written and read ({version or 'version not told'})"
    if left and not moved:
        fix = "bring them there: linklag move, as INSTALL.md has it; they are still in the database"
        return Finding(subject="influx", found=f"{found}; readings of {left} drives are not in it", fix=fix)
    return Finding(subject="influx", found=found)


def _fix_of_store(settings: Settings) -> str:
    if settings.store.on_server:
        return "start the server, or correct store.url and store.password_file"
    return f"let this user write {settings.store.file} and its folder"


def _older_schema(settings: Settings) -> str:
    """Return the schema of the store where it is older than this code's; empty where it is not, or cannot be told."""
    try:
        if settings.store.on_server:
            with store_engine(settings) as engine:
                schema = schema_on_server(engine)
        else:
            schema = schema_of(settings.store.file)
    except (BackupError, CommandError, StoreUnavailableError, ValueError):
        return ""
    return schema if schema is not None and schema < SCHEMA else ""


def _ahead_s(times_ns: list[int]) -> float:
    """Return by how much the latest of the readings lies ahead of now, beyond what is allowed to devices."""
    return max(0.0, max(times_ns, default=0) / 1e9 - time.time() - AHEAD_S)


def check_broker(settings: Settings, partition: str | None = None) -> Finding:
    """Whether the broker lets us in, lets us subscribe to what devices publish, and lets us publish.

    Published is an empty retained message for a drive that cannot exist: it leaves nothing behind.
    """
    broker = settings.broker_of(partition)
    where = f"{broker.host}:{broker.port}"
    try:
        if broker.sparkplug_groups:
            payload_class()
    except ValueError as error:
        return Finding(
            subject="broker", found=str(error), fix="install it, or take broker.sparkplug_groups out"
        )
    fix = "start the broker, or correct broker.host and broker.port"
    source = broker_source(settings, client_id=f"{broker.client_id}-check", session_s=0, partition=partition)
    before = source.status().trouble
    with source:
        trouble = _first_trouble(source, CONNECT_S, unless=before)
        if source.status().connected:
            source.publish(f"{broker.root}/_check/elongation", b"")
            trouble = _first_trouble(source, SETTLE_S)
            fix = (
                f"let this client subscribe to {broker.root}/+/... and publish to {broker.root}/+/elongation"
            )
    if trouble:
        whose = f"{partition}: " if partition else ""
        return Finding(subject="broker", found=f"{whose}{trouble}", fix=fix)
    whom = f"us ({broker.client_id})" if partition else "us"
    return Finding(subject="broker", found=f"{where} lets {whom} subscribe and publish under {broker.root}")


def check_partitions(settings: Settings) -> Finding:
    """Whether each registered drive is some worker's. That none is two workers', the settings have seen to."""
    taken = {name: settings.taken_by(name) for name in settings.partition}
    found = "; ".join(f"{name} takes {_in_words(each)}" for name, each in taken.items())
    try:
        with opened_database(settings) as database:
            drive_ids = [drive.drive_id for drive in database.register.drives()]
    except (CommandError, StoreUnavailableError):
        return Finding(subject="partition", found=f"{found}; the store cannot be read for its drives")
    left = uncovered(drive_ids, list(taken.values()))
    if not left:
        return Finding(subject="partition", found=f"{found}; so all {len(drive_ids)} registered drives")
    named = ", ".join(left[:5]) + (f" and {len(left) - 5} more" if len(left) > 5 else "")
    return Finding(
        subject="partition",
        found=f"{found}; no worker takes {named}",
        fix="name each in the drives of one [partition.NAME], then start that worker anew",
    )


def _in_words(taken: Partition) -> str:
    what = "all" if taken.drives is None else f"{len(taken.drives)} drives"
    return f"{what} under {' and '.join(taken.roots)}"


def _first_trouble(source: MqttSource, within_s: float, unless: str = "") -> str:
    """Return the first trouble but `unless`, at once when it comes; a later one may hide the cause."""
    end = time.monotonic() + within_s
    while time.monotonic() < end:
        status = source.status()
        if status.trouble != unless or (unless and status.connected):
            return status.trouble
        time.sleep(0.02)
    return source.status().trouble


def check_web(settings: Settings) -> Finding:
    """Whether the address of the page is free, or serves linklag already."""
    web = settings.web
    url = f"{'https' if web.tls else 'http'}://{web.host}:{web.port}"
    try:
        listen(web.host, web.port).close()
    except CommandError as error:
        if not trouble_of_web(web.host, web.port, web.allowed_hosts[0], tls=web.tls, within_s=1.0):
            return Finding(subject="web", found=f"{url} is served by linklag already")
        return Finding(
            subject="web", found=str(error), fix="stop the program that holds it, or change web.port"
        )
    return Finding(subject="web", found=f"{url} is free")
