"""`linklag backup` and `linklag restore`: the store copied while it is in use, and a copy put back."""

import time
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.commands.options import Config, Data, settings_of

if TYPE_CHECKING:
    from service.adapters.database.backup import Copied
    from service.settings import Settings

DAY_S = 86_400
DIGIT = "[0-9]"
NAME = (
    f"linklag-{DIGIT * 4}-{DIGIT * 2}-{DIGIT * 2}T{DIGIT * 6}Z"  # of the names that `backup` gives by itself
)


def backup(
    where: Annotated[
        Path, typer.Argument(metavar="FILE", help="New file; or a folder, and the name is made of the time.")
    ],
    *,
    keep: Annotated[
        int | None,
        typer.Option(
            min=1,
            metavar="N",
            help="Of the backups in a folder that were named by the time keep the newest N, delete older ones.",
        ),
    ] = None,
    config: Config = None,
    data: Data = None,
) -> None:
    """Copy the store, while everything runs.

    The copy is the store at one moment, is looked at from end to end, and its rows are counted against the store's; only then
    it gets its name. Of a store on a server it is made by the server's own pg_dump, and ends in .dump. It holds secrets of
    routes and hashes of passwords, as the store does: only you can read it. Keep it on another disk. Settings, keys and
    certificates are not in it, nor are readings that are in InfluxDB.

    \b
    Examples:  linklag backup /var/backups/linklag/before-upgrade.db
               linklag backup /var/backups/linklag --keep 14
    """  # noqa: D301 (typer wants the character)
    settings = settings_of(config, data, quiet=True)
    from service.adapters.database.backup import BackupError
    from service.commands import CommandError

    if keep is not None and not where.is_dir():
        raise CommandError(f"--keep is for a folder, and {where} is none: name a folder that is there")
    file = (
        where / f"linklag-{datetime.now(tz=UTC):%Y-%m-%dT%H%M%SZ}{_suffix(settings)}"
        if where.is_dir()
        else where
    )
    began_s = time.monotonic()
    try:
        copied = _copied(settings, file)
    except BackupError as error:
        raise CommandError(str(error)) from None
    typer.echo(
        f"{copied.file}: {copied.bytes / 1e6:.1f} MB, {copied.rows} rows, schema {copied.schema}, sound, "
        f"{time.monotonic() - began_s:.1f} s"
    )
    if settings.influx.url:
        typer.echo(
            f"readings and roll-ups are not in it: back up {settings.influx.url} after this, by InfluxDB's own means"
        )
    for old in _beyond(keep, where, file, f"{NAME}{_suffix(settings)}") if keep is not None else ():
        old.unlink()
        typer.echo(f"{old}: deleted, {'cut off' if '.part' in old.name else f'older than the newest {keep}'}")


def _suffix(settings: "Settings") -> str:
    return ".dump" if settings.store.on_server else ".db"


def _copied(settings: "Settings", file: Path) -> "Copied":
    """Copy the store, file or server's, and return what the copy holds. Raises BackupError, StoreUnavailableError."""
    if not settings.store.on_server:
        from service.adapters.database.backup import copy_store

        return copy_store(settings.store.file, file)
    from service.adapters.database.server_backup import copy_server_store
    from service.commands.parts import store_access, store_engine

    with store_engine(settings) as engine:
        return copy_server_store(engine, store_access(settings), file)


def _beyond(keep: int, folder: Path, made: Path, pattern: str) -> list[Path]:
    """Return the backups to delete, and what ones that were cut off left a day ago.

    Never the one just made, whatever the clock said when the others were.
    """
    others = sorted(each for each in folder.glob(pattern) if each != made)
    begun = (each for each in folder.glob(f".{pattern}.part*") if time.time() - each.stat().st_mtime > DAY_S)
    return [*others[: max(0, len(others) - (keep - 1))], *begun]


def restore(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A backup.")],
    *,
    config: Config = None,
    data: Data = None,
) -> None:
    """Put a backup in the place of the store. Stop all of linklag first.

    On a server the database must be empty; linklag says how to keep what is there under another name.

    The file that is there is moved aside, never deleted: what came since the backup is in it and in nothing else. Events
    that went out since the backup may go out again, with the same id. An older schema is brought up to date when linklag
    starts.

    \b
    Example:  linklag restore /var/backups/linklag/linklag-2026-11-27T020000Z.db
    """  # noqa: D301 (typer wants the character)
    settings = settings_of(config, data, quiet=True)
    from service.adapters.database.backup import BackupError, put_back
    from service.commands import CommandError

    if settings.store.on_server:
        _restore_on_server(settings, file)
        return
    store = settings.store.file
    aside = store.with_name(f"{store.name}.{datetime.now(tz=UTC):%Y-%m-%dT%H%M%SZ}.aside")
    began_s = time.monotonic()
    try:
        store.parent.mkdir(parents=True, exist_ok=True)
        restored = put_back(file, store, aside)
    except BackupError as error:
        raise CommandError(str(error)) from None
    except OSError as error:
        raise CommandError(f"{store.parent} cannot be made ({error.strerror}): correct --data") from None
    typer.echo(
        f"{store}: {restored.bytes / 1e6:.1f} MB, {restored.rows} rows, schema {restored.schema}, sound, "
        f"{time.monotonic() - began_s:.1f} s"
    )
    for left in sorted(aside.parent.glob(f"{aside.name}*")):
        typer.echo(f"{left}: what was there before")


def _restore_on_server(settings: "Settings", file: Path) -> None:
    from service.adapters.database.backup import BackupError
    from service.adapters.database.server_backup import put_back_on_server
    from service.commands import CommandError
    from service.commands.parts import store_access, store_engine

    began_s = time.monotonic()
    try:
        with store_engine(settings) as engine:
            restored = put_back_on_server(file, engine, store_access(settings))
    except BackupError as error:
        raise CommandError(str(error)) from None
    typer.echo(
        f"{settings.store.place}: {restored.rows} rows, schema {restored.schema}, counted, {time.monotonic() - began_s:.1f} s"
    )
