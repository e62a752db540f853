"""What several commands have in common: their options, the settings these lead to, and how a command ends."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

if TYPE_CHECKING:
    from service.settings import Settings

Config = Annotated[
    Path | None,
    typer.Option("--config", "-c", metavar="FILE", help="Settings file (TOML), in place of ./linklag.toml."),
]
Data = Annotated[
    Path | None,
    typer.Option(
        "--data",
        metavar="DIR",
        help="Folder of linklag.db, in place of store.folder or store.url; where that is a server, of marks alone.",
    ),
]
PartitionName = Annotated[
    str | None,
    typer.Option(
        "--partition",
        metavar="NAME",
        help="What this worker takes: the table [partition.NAME] of the settings.",
    ),
]
Port = Annotated[int | None, typer.Option("--port", min=1, max=65535, help="TCP port of page and API.")]

MetricsPort = Annotated[
    int | None,
    typer.Option(
        "--metrics-port", min=0, max=65535, help="TCP port of this process's metrics; 0: they are not served."
    ),
]


def settings_of(
    config: Path | None,
    data: Path | None,
    *,
    port: int | None = None,
    metrics_port: int | None = None,
    quiet: bool = False,
) -> "Settings":
    """Return the settings, with the log configured by them; end the process where they are wrong.

    quiet: leave out of the log what a command that is done at once tells by itself.
    """
    from service.commands.logs import configure_logging
    from service.settings import SettingsError, read_settings

    overrides: dict[str, dict[str, object]] = {}
    if data is not None:
        overrides["store"] = {"folder": data}
    if port is not None:
        overrides["web"] = {"port": port}
    if metrics_port is not None:
        overrides["worker"] = {"metrics_port": metrics_port}
    try:
        settings = read_settings(config, overrides)
        if (
            data is not None and not settings.store.on_server
        ):  # one that is meant to be on a server must not begin anew in a file
            overrides["store"]["url"] = ""
            settings = read_settings(config, overrides)
    except SettingsError as error:
        fail(str(error), code=2)
    level = settings.log.level
    configure_logging(level="error" if quiet and level != "debug" else level, form=settings.log.form)
    return settings


def leave(code: int) -> NoReturn:
    """End the command with an exit code."""
    raise typer.Exit(code)


def fail(message: str, code: int = 1) -> NoReturn:
    """Tell what is wrong on standard error and end the process."""
    for line in message.splitlines():
        typer.echo(f"linklag: {line}", err=True)
    sys.exit(code)
