"""`linklag commission`: options and help. What the command does stands in `steps_live`."""

from typing import Annotated

import typer

from service.commands.options import Config, Data, leave, settings_of


def commission(  # noqa: PLR0913 (one option each)
    drive_id: Annotated[str, typer.Argument(metavar="DRIVE", help="Id of the drive.")],
    *,
    baseline: Annotated[
        str,
        typer.Option(
            metavar="E0",
            help="Take the baseline once it is ready, at this elongation: new, hand, last, or a value with its "
            "standard uncertainty, 0.42+-0.05.",
        ),
    ] = "",
    delay: Annotated[
        bool,
        typer.Option(
            "--delay", help="Once it is found, have an unequal switching delay taken off from now on."
        ),
    ] = False,
    by: Annotated[str, typer.Option(help="Who does it. Needed with --baseline and --delay.")] = "",
    why: Annotated[str, typer.Option(help="Why. Needed with --baseline and --delay.")] = "",
    shaft: Annotated[
        float | None,
        typer.Option(metavar="RPM", help="Speed of the driver's shaft, to hold the pulses against."),
    ] = None,
    since: Annotated[
        str,
        typer.Option(
            metavar="TIME",
            help="Only what came later counts: 2026-11-25T08:15:00Z, or now. Left out: twenty minutes.",
        ),
    ] = "",
    once: Annotated[
        bool, typer.Option("--once", help="Print the steps as they stand; exit code 1 while not ready.")
    ] = False,
    config: Config = None,
    data: Data = None,
) -> None:
    """Set up the sensors of a drive, step by step, from what comes of it while it runs.

    Prints each step as it turns, until the drive is ready for its baseline; Ctrl-C ends it before. A worker must be
    running (linklag run). E0 is the elongation of the chain now: new takes a new chain within 0 to +0.15 %, hand the newest
    measurement by hand, last the last reading before a bracket was touched.

    \b
    Examples:  linklag commission infeed-2
               linklag commission infeed-2 --shaft 245
               linklag commission infeed-2 --baseline new --by "A. Kern" --why "new chain fitted"
               linklag commission infeed-2 --delay --by "A. Kern" --why "ran at two speeds"

    Before anyone touches a sensor: lock out and tag out, mind stored energy, put guards back before it runs.
    """  # noqa: D301 (typer wants the character)
    settings = settings_of(config, data, quiet=True)
    from service.commands.steps_live import Wanted, follow

    wanted = Wanted(
        drive_id=drive_id, e0=baseline, delay=delay, by=by, why=why, shaft_rev_per_min=shaft, since=since
    )
    leave(follow(settings, wanted, once=once))
