"""`linklag move`: a store in a file moved to a database server, its readings to InfluxDB, or both."""

import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.commands.options import Config, Data, settings_of

if TYPE_CHECKING:
    from service.settings import Settings


def move(
    to: Annotated[
        Path,
        typer.Option(
            "--to", metavar="FILE", help="Settings file whose [store] or [influx] names where to move to."
        ),
    ],
    *,
    config: Config = None,
    data: Data = None,
) -> None:
    """Move the store from its file to an empty database of a PostgreSQL server, its readings to InfluxDB, or both.

    Stop all of linklag first.

    To a server every row of every table is copied, read back and compared; all of it in one transaction, so what is broken
    off has moved nothing, and can be run again. The file stays as it is: once linklag runs on the other settings, keep it
    as a backup. Where [influx] is set there, readings and roll-ups go into its bucket after that, drive by drive, each read
    back and counted; what is there already stays, so this too can be run again. The database keeps its own of them.

    \b
    Example:  linklag move --config /etc/linklag/linklag.toml --to /etc/linklag/on-server.toml
    """  # noqa: D301 (typer wants the character)
    settings = settings_of(config, data, quiet=True)
    target = settings_of(to, None, quiet=True)
    from service.commands import CommandError
    from service.commands.series import move_series, see_influx

    if settings.influx.url and _influx_of(settings) != _influx_of(target):
        raise CommandError(
            f"readings are in {settings.influx.url}, bucket {settings.influx.bucket}, and are not moved out of it: give {to} the "
            "same [influx]"
        )
    to_influx = bool(target.influx.url and not settings.influx.url)
    to_server = target.store.url != settings.store.url or not to_influx
    if to_server:
        if to_influx:
            see_influx(target)  # before anything is moved
        _move_store(settings, target, to)
    if to_influx:
        if problem := move_series(target):
            hint = (
                f" ({target.store.place} has all else already: with --config a copy of {to} without [influx])"
            )
            raise CommandError(problem + hint * to_server)
        typer.echo(
            f"readings are in {target.influx.url}, bucket {target.influx.bucket}; start linklag with --config {to}"
        )


def _influx_of(settings: "Settings") -> tuple[str, str]:
    return settings.influx.url, settings.influx.bucket


def _move_store(settings: "Settings", target: "Settings", to: Path) -> None:
    from service.adapters.database.connect import BUSY_TIMEOUT_S
    from service.adapters.database.dialect import make_engine
    from service.adapters.database.moving import Moved, MoveError, move_store
    from service.commands import CommandError
    from service.commands.parts import store_access

    if settings.store.on_server:
        raise CommandError(f"{settings.store.place} is on a server already: only a file can be moved")
    if not target.store.on_server:
        raise CommandError(
            f"{to}: store.url names no server: set it to postgresql://USER@HOST:PORT/DATABASE, or influx.url for its readings"
        )

    def told(table: Moved) -> None:
        typer.echo(f"{table.table:22}{table.rows:12}  the same on both sides, {table.sha256[:16]}")

    began_s = time.monotonic()
    try:
        engine = make_engine(target.store.url, BUSY_TIMEOUT_S, store_access(target))
        try:
            moved = move_store(settings.store.file, engine, told)
        finally:
            engine.dispose()
    except (MoveError, ValueError) as error:
        raise CommandError(str(error)) from None
    typer.echo(
        f"{sum(table.rows for table in moved)} rows of {len(moved)} tables are in {target.store.place} now, "
        f"{time.monotonic() - began_s:.1f} s; start linklag with --config {to}. {settings.store.file} is as it was."
    )
