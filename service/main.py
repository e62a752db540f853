"""The command `linklag`: its options, its help, its exit codes.

Reads the settings and hands over to `service.commands`. Imports what a command needs when that command runs, so that
`linklag --help` answers at once. Exit codes: 0 done, 1 failed, 2 wrong use or wrong settings; each failure that can
be foreseen is one line on standard error, and a traceback means a bug.
"""

from pathlib import Path
from typing import Annotated

import typer

from service.commands import offline
from service.commands.backup import backup, restore
from service.commands.commission import commission
from service.commands.drive import drive
from service.commands.hand import hand
from service.commands.health import health
from service.commands.move import move
from service.commands.options import Config, Data, MetricsPort, PartitionName, Port, fail, leave, settings_of
from service.commands.person import person
from service.commands.plan import plan
from service.commands.reconvert import reconvert
from service.commands.token import audit, token

HELP = """Live wear elongation of running chains, from the phase lag of two sensors.

Two sensors stand a known number of pitches apart along a running chain. A capture device publishes their pulse
times over MQTT; linklag turns the lag between them into the chain's elongation, with its uncertainty, stores it as a
time series, and shows it on a page and an API. It is an aid to maintenance and no safety function.

\b
Try it, with nothing set up:   linklag demo
In a plant, in this order:     linklag check
                               linklag drive import drives.toml
                               linklag run
                               linklag commission DRIVE

\b
Settings: --config FILE, else $LINKLAG_CONFIG, else ./linklag.toml, else built in; each key can come from the
          environment (broker.host is LINKLAG_BROKER__HOST). deploy/linklag.toml lists and explains all.
Data:     one SQLite file, linklag.db, in --data, else store.folder, else your data folder (`linklag check` says where);
          or a PostgreSQL server (store.url).
Units:    mm, pitches, per cent, deg C, N; times are UTC.
"""

app = typer.Typer(
    help=HELP,
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,  # they would print local variables, passwords among them
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 118},
)
app.add_typer(drive, name="drive")
app.add_typer(hand, name="hand")
app.add_typer(person, name="person")
app.add_typer(token, name="token")
app.command("audit")(audit)
app.command("plan")(plan)
app.command("reconvert")(reconvert)
app.command("commission")(commission)
app.command("health")(health)
app.command("backup")(backup)
app.command("restore")(restore)
app.command("move")(move)


@app.command()
def demo(
    minutes: Annotated[
        float | None,
        typer.Option(min=0.05, help="End by itself after so many minutes; else run until Ctrl-C."),
    ] = None,
    port: Annotated[
        int, typer.Option(min=1, max=65535, help="TCP port of page and API; the next free one is taken.")
    ] = 8390,
    keep: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Keep the database and logs here; else nothing is left behind."),
    ] = None,
    speed: Annotated[
        float,
        typer.Option(min=0.1, max=20, help="How many times faster than usual the invented plant wears."),
    ] = 1.0,
) -> None:
    """Show all of it on an invented plant, with nothing set up.

    A broker, simulated drives, the worker and the page run on 127.0.0.1, in a temporary folder that is removed at the
    end. Within about two minutes one chain wears past its limit and one sensor falls silent; each is told here as it
    happens, and seen on the page. Wear is sped up many thousand times for it; nothing else is.

    \b
    Examples:  linklag demo
               linklag demo --minutes 5 --keep demo-data
    """  # noqa: D301 (typer wants the character)
    from service.commands.demo import run_demo

    leave(run_demo(minutes=minutes, port=port, keep=keep, speed=speed))


@app.command("run")
def run_both(
    config: Config = None, data: Data = None, port: Port = None, partition: PartitionName = None
) -> None:
    """Run worker, page and API in one process.

    Stops on SIGTERM or Ctrl-C: what is half done is stored and acknowledged, or left with the broker. If one part fails
    the process ends with exit code 1, so that a supervisor starts it anew; nothing is lost meanwhile, as the broker
    keeps what comes.

    \b
    Examples:  linklag run
               linklag run --config /etc/linklag.toml --data /var/lib/linklag
    """  # noqa: D301 (typer wants the character)
    settings = settings_of(config, data, port=port)
    from service.commands.serve import serve

    leave(serve(settings, worker=True, web=True, partition=partition))


@app.command()
def worker(
    config: Config = None,
    data: Data = None,
    partition: PartitionName = None,
    metrics_port: MetricsPort = None,
) -> None:
    """Run the worker alone, which turns pulse batches into readings.

    Use it with `linklag web` where the page is to be restarted without the worker. Both on one machine, unless the store is on a server.
    Where one worker is not enough, each takes a partition of its own (deploy/linklag.toml, [partition.NAME]). What else is to be
    done with the store workers share with each other, and with `linklag watch` and `linklag deliver`; worker.tasks says of what
    this one takes its part.

    \b
    Examples:  linklag worker
               linklag worker --partition kilns
    """  # noqa: D301 (typer wants the character)
    settings = settings_of(config, data, metrics_port=metrics_port)
    from service.commands.serve import serve

    leave(serve(settings, worker=True, web=False, partition=partition))


@app.command()
def watch(config: Config = None, data: Data = None, metrics_port: MetricsPort = None) -> None:
    """Look at what workers store, in a process of its own: alerts, forecasts, maps of chains, roll-ups and retention.

    As many as you like, on one store: drives are spread over them and over the workers that watch too, and each drive is
    watched by one at a time. Others take over what one did that has given no sign of life for worker.takeover_s seconds.
    Who does what: linklag health tasks.

    \b
    Examples:  linklag watch
               linklag watch --metrics-port 9391
    """  # noqa: D301 (typer wants the character)
    settings = settings_of(config, data, metrics_port=metrics_port)
    from service.commands.at_work import do_tasks

    leave(do_tasks(settings, "watch"))


@app.command()
def deliver(config: Config = None, data: Data = None, metrics_port: MetricsPort = None) -> None:
    """Send out what is to go out, in a process of its own: events of alerts along all routes, and handovers of shifts.

    As many as you like, on one store: each route is done by one at a time, and another takes over as with linklag watch.
    What was on its way just then may arrive twice, under the same id.

    \b
    Examples:  linklag deliver
               linklag deliver --metrics-port 9392
    """  # noqa: D301 (typer wants the character)
    settings = settings_of(config, data, metrics_port=metrics_port)
    from service.commands.at_work import do_tasks

    leave(do_tasks(settings, "deliver"))


@app.command()
def web(config: Config = None, data: Data = None, port: Port = None) -> None:
    """Run page and API alone, on the store that a worker fills.

    On 127.0.0.1 nobody needs to sign in. To serve others, set web.host, web.allowed_hosts and a certificate, or put a proxy
    before it: then people sign in, and programs show tokens (deploy/linklag.toml says how). API: /api/v1, its
    description: /api/v1/openapi.json, metrics: /metrics.
    """
    settings = settings_of(config, data, port=port)
    from service.commands.serve import serve

    leave(serve(settings, worker=False, web=True))


@app.command()
def check(config: Config = None, data: Data = None) -> None:
    """Say whether all is fit to run, and how to mend what is not.

    Changes nothing but for a missing database, which is made. Exit code 1 if anything is wrong, 2 if the settings are.
    """
    settings = settings_of(config, data, quiet=True)
    from service.commands.check import check_all

    leave(check_all(settings))


@app.command(
    context_settings={"allow_extra_args": True, "ignore_unknown_options": True, "help_option_names": []},
    add_help_option=False,
)
def sim(context: typer.Context) -> None:
    """Run only simulated capture devices, against any broker.

    All that follows goes to the simulator; `linklag sim list` shows its plants and scenarios.

    \b
    Examples:  linklag sim --help
               linklag sim list
               linklag sim register brickworks | linklag drive import - --format toml
               linklag sim run brickworks --host 127.0.0.1 --port 1883
    """  # noqa: D301 (typer wants the character)
    from service.commands.simulate import simulate

    leave(simulate(context.args))


@app.command("amqp-definitions")
def amqp_definitions(
    config: Config = None,
    data: Data = None,
    *,
    drives: Annotated[
        bool,
        typer.Option("--drives", help="Add a user for the certificate of each registered drive's device."),
    ] = False,
) -> None:
    """Print what RabbitMQ must have before devices connect: exchange, queues, bindings, users and their rights.

    Import it on RabbitMQ's machine, as often as you like: rabbitmqctl import_definitions FILE. It holds the worker's
    password as a salted hash. RabbitMQ acknowledges what matches no queue and drops it, so import before the first device.

    \b
    Example:  linklag amqp-definitions --drives > linklag-definitions.json
    """  # noqa: D301 (typer wants the character)
    settings = settings_of(config, data, quiet=True)
    from service.commands.queues import print_definitions

    leave(print_definitions(settings, drives=drives))


@app.command()
def drain(
    client_id: Annotated[str, typer.Argument(help="The id that the worker had at the broker.")],
    config: Config = None,
    data: Data = None,
    partition: PartitionName = None,
) -> None:
    """Store what the broker keeps for a worker that is gone, and end its session there.

    For the id of a worker that will not run again: the only one, once partitions have taken over, or a partition that was
    given up. First start the workers that take over, then stop the old one, then drain its id. With --partition the broker is
    that partition's own. Ctrl-C ends it early: what is stored is stored, the rest stays with the broker.

    \b
    Examples:  linklag drain linklag-worker
               linklag drain linklag-worker-kilns --partition presses
    """  # noqa: D301 (typer wants the character)
    settings = settings_of(config, data, quiet=True)
    from service.commands.drain import drain as drain_session

    leave(drain_session(settings, client_id, partition))


app.command()(offline.measure)
app.command()(offline.record)
app.command()(offline.replay)


@app.command()
def version() -> None:
    """Print the version."""
    from importlib.metadata import version as version_of

    typer.echo(f"linklag {version_of('linklag')}")


def run() -> None:
    """Run the command line; the entry point of the installed program."""
    from service.commands import CommandError
    from service.commands.memory import look_seldom, look_usually, share_heaps

    share_heaps()
    look_seldom()
    try:
        app()
    except CommandError as error:
        fail(str(error))
    except Exception as error:
        from service.ports import ConflictError, NotFoundError, StoreUnavailableError

        if not isinstance(error, ConflictError | NotFoundError | StoreUnavailableError):
            raise
        fail(str(error))
    finally:
        look_usually()
