"""The commands of the simulator: what there is, what to register, run it. The only file that knows all others."""

import os
import signal
import threading
import time
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from sensors_sim.device import Device
from sensors_sim.encoding import Encoding
from sensors_sim.past import PASTS, past_json
from sensors_sim.plant import PLANTS
from sensors_sim.publisher import Broker, BrokerError, publish_burst, publish_live
from sensors_sim.register import register_toml
from sensors_sim.scenario import SCENARIOS
from sensors_sim.setup import DriveSetup

_COMMAND_VARIABLE = "LINKLAG_SIM_COMMAND"  # how a person called us, where another command hands over to us
_PASSWORD_VARIABLE = "LINKLAG_SIM_PASSWORD"  # noqa: S105 - the name of the variable, no password

app = typer.Typer(
    name="sensors_sim",
    help="Simulated chain drives that publish pulse batches over MQTT as capture devices do.",
    no_args_is_help=True,
    add_completion=False,
    context_settings={"help_option_names": ["-h", "--help"]},
    pretty_exceptions_enable=False,
)

What = Annotated[str, typer.Argument(metavar="PLANT|SCENARIO", help="A name that `list` shows.")]
Seed = Annotated[
    int, typer.Option(min=0, help="Everything random follows from it; register and run with the same.")
]
Copies = Annotated[
    int, typer.Option(min=1, max=1000, help="So many of each drive; ids get -2, -3 ... at the end.")
]


def command() -> str:
    """Return what to type to come here again."""
    return os.environ.get(_COMMAND_VARIABLE) or "python -m sensors_sim"


@app.command(name="list")
def list_all() -> None:
    """Show the plants and scenarios with a sentence each."""
    for title, rows in (("Plants", PLANTS), ("Scenarios", SCENARIOS)):
        typer.echo(f"{title}:")
        for name, row in rows.items():
            typer.echo(f"  {name:16} {row.about}")


@app.command()
def register(what: What, *, seed: Seed = 1, copies: Copies = 1) -> None:
    """Print the drive register of a plant or scenario as TOML, ready for `linklag drive import`."""
    typer.echo(register_toml(_drives(what, copies), seed=seed, now_ns=time.time_ns()), nl=False)


@app.command()
def past(what: Annotated[str, typer.Argument(metavar="PLANT", help="A plant that `list` shows.")]) -> None:
    """Print what people of a plant wrote down before the simulation starts, as JSON: chains, measurements by hand, prices."""
    if what not in PASTS:
        raise typer.BadParameter(
            f"there is no plant {what!r} with a past: see `{command()} list`", param_hint="PLANT"
        )
    typer.echo(past_json(PASTS[what], PLANTS[what].drives))


@app.command()
def run(  # noqa: PLR0913 - one option each
    what: What,
    *,
    host: Annotated[str, typer.Option(help="Of the broker.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=1, max=65535, help="Of the broker.")] = 1883,
    root: Annotated[str, typer.Option(help="First levels of the topics.")] = "linklag/v1",
    seconds: Annotated[
        float, typer.Option(min=0, help="Stop by itself after so long; 0: run until stopped.")
    ] = 0,
    speedup: Annotated[float, typer.Option(min=0, help="Multiplies the wear of every chain.")] = 1.0,
    window_s: Annotated[
        float | None,
        typer.Option(min=0.05, max=3600, help="Length of every device's windows instead of its own."),
    ] = None,
    seed: Seed = 1,
    copies: Copies = 1,
    burst: Annotated[
        int,
        typer.Option(
            min=0, help="Publish so many batches of each drive as fast as the broker acknowledges, then stop."
        ),
    ] = 0,
    username: Annotated[str | None, typer.Option(help="For the broker.")] = None,
    password_file: Annotated[
        Path | None,
        typer.Option(help=f"File with the password in its first line; or set {_PASSWORD_VARIABLE}."),
    ] = None,
    tls_ca: Annotated[Path | None, typer.Option(help="Certificates to trust; connects over TLS.")] = None,
    cbor: Annotated[
        bool | None, typer.Option("--cbor/--json", help="Encoding of every device instead of its own.")
    ] = None,
) -> None:
    """Publish as the capture devices of a plant or scenario, in real time, until stopped by SIGTERM or Ctrl-C."""
    password = _password(username, password_file)
    if tls_ca is not None and not tls_ca.is_file():
        raise typer.BadParameter(f"there is no file {tls_ca}", param_hint="--tls-ca")
    broker = Broker(host=host, port=port, username=username, password=password, ca_file=tls_ca)
    drives = [_encoded(drive, cbor) for drive in _drives(what, copies)]
    start_ns = time.time_ns() // 1_000_000 * 1_000_000
    if burst:  # the batches lie in the past, the last ends about now
        start_ns -= round(burst * max(window_s or drive.device.window_s for drive in drives) * 1e9)
    devices = [
        drive.build(seed=seed, start_ns=start_ns, root=root, speedup=speedup, window_s=window_s)
        for drive in drives
    ]
    _publish(devices, broker, seconds=seconds, burst=burst)


def _publish(devices: list[Device], broker: Broker, *, seconds: float, burst: int) -> None:
    """Run until the end or a signal, and say in one line what came of it."""
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda _number, _frame: stop.set())
    typer.echo(f"{len(devices)} devices publish to {broker.host}:{broker.port} under {devices[0].root}")
    try:
        if burst:
            tally = publish_burst(devices, broker, batches=burst, stop=stop)
        else:
            tally = publish_live(devices, broker, seconds=seconds, stop=stop)
    except BrokerError as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(1) from error
    typer.echo(f"{tally.sent} messages sent, {tally.acknowledged} acknowledged, in {tally.took_s:.2f} s")
    if tally.acknowledged < tally.sent and not stop.is_set():
        typer.echo("the broker did not acknowledge all of them: see its log", err=True)
        raise typer.Exit(1)


def _drives(what: str, copies: int) -> list[DriveSetup]:
    if what in PLANTS:
        drives = list(PLANTS[what].drives)
    elif what in SCENARIOS:
        drives = [SCENARIOS[what].drive]
    else:
        raise typer.BadParameter(f"there is no {what!r}: see `{command()} list`", param_hint="PLANT|SCENARIO")
    more = [
        replace(drive, drive_id=f"{drive.drive_id}-{n}") for n in range(2, copies + 1) for drive in drives
    ]
    return drives + more


def _encoded(drive: DriveSetup, cbor: bool | None) -> DriveSetup:  # noqa: FBT001 - as the option gives it
    if cbor is None:
        return drive
    encoding = Encoding.CBOR if cbor else Encoding.JSON
    return replace(drive, device=replace(drive.device, encoding=encoding))


def _password(username: str | None, password_file: Path | None) -> str | None:
    """Return the password from the file or the environment; None without a user name."""
    if username is None:
        if password_file is not None:
            raise typer.BadParameter("a password needs --username", param_hint="--password-file")
        return None
    if password_file is None:
        password = os.environ.get(_PASSWORD_VARIABLE, "")
        if not password:
            raise typer.BadParameter(
                f"--username needs --password-file or {_PASSWORD_VARIABLE}", param_hint="--username"
            )
        return password
    try:
        password = password_file.read_text(encoding="utf-8").split("\n", 1)[0].strip("\r")
    except (OSError, UnicodeDecodeError) as error:
        raise typer.BadParameter(
            f"cannot read {password_file}: {error}", param_hint="--password-file"
        ) from error
    if not password:
        raise typer.BadParameter(f"the first line of {password_file} is empty", param_hint="--password-file")
    return password
