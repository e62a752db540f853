"""`linklag record` and `replay`: options and help. What they do stands in the modules of these names."""

from pathlib import Path
from typing import Annotated, Literal

import typer

from service.commands.options import Config, fail, leave, settings_of

Drives = Annotated[
    list[str] | None,
    typer.Option("--drive", metavar="ID", help="Only messages of this drive; may be given more than once."),
]


def record(
    *,
    drive: Drives = None,
    out: Annotated[
        str | None,
        typer.Option(
            metavar="FILE", help="The capture, - for standard output; else linklag-<time>.jsonl here."
        ),
    ] = None,
    seconds: Annotated[
        float | None, typer.Option(min=0.1, help="End after so long; else with Ctrl-C.")
    ] = None,
    max_mb: Annotated[
        float,
        typer.Option("--max-mb", min=0.001, help="Size of the file, MB; when it is full, recording ends ..."),
    ] = 256.0,
    files: Annotated[
        int,
        typer.Option(
            min=1, max=1000, help="... unless there may be more files: then the oldest is overwritten."
        ),
    ] = 1,
    config: Config = None,
) -> None:
    """Record what devices publish, from the broker into a file.

    One message a line, as JSON: when it was received, its topic, and its payload as it came (what is no JSON in base64).
    A worker that runs meanwhile is left alone. Measure the capture with `linklag measure`, send it again with `linklag
    replay`. Exit code 1 where nothing came.

    \b
    Examples:  linklag record --drive kiln-feed --seconds 300 --out kiln-feed.jsonl
               linklag record --max-mb 100 --files 10      (the newest gigabyte, until something happens)
    """  # noqa: D301 (typer wants the character)
    settings = settings_of(config, None, quiet=True)
    from service.commands.record import Bounds
    from service.commands.record import record as record_to

    bounds = Bounds(seconds=seconds, bytes_max=round(max_mb * 1e6), files_max=files)
    leave(record_to(settings, drive or (), out, bounds))


def replay(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A capture of `linklag record`.")],
    *,
    speed: Annotated[
        str, typer.Option(metavar="X", help="How many times as fast as recorded: 1, 10 ..., or max.")
    ] = "1",
    drive: Drives = None,
    send_as: Annotated[
        str | None,
        typer.Option("--as", metavar="ID", help="Send as this drive in place of the recorded one."),
    ] = None,
    shift_time: Annotated[
        Literal["now", "keep"],
        typer.Option(help="keep: t0 as recorded. now: moved so that the last window ends when it is sent."),
    ] = "keep",
    config: Config = None,
) -> None:
    """Send a capture through the broker again, at any speed, and wait until all of it is acknowledged.

    Under the topics of the settings' root, QoS 1, not retained. With t0 kept, what the worker has counted already is not
    counted again. Never replay into a plant's own broker under a drive that runs: its readings would stand beside the
    live ones. Exit code 1 where the broker did not accept all.

    \b
    Examples:  linklag replay kiln-feed.jsonl --speed max
               linklag replay kiln-feed.jsonl --as bench --shift-time now
    """  # noqa: D301 (typer wants the character)
    times = _speed(speed)
    settings = settings_of(config, None, quiet=True)
    from service.commands.replay import Pace
    from service.commands.replay import replay as replay_from

    pace = Pace(speed=times, shift=shift_time)
    leave(replay_from(settings, file, drive_ids=drive or (), send_as=send_as, pace=pace))


def _speed(text: str) -> float | None:
    """Return the factor, None for max; end the process where it is neither."""
    if text == "max":
        return None
    try:
        speed = float(text)
    except ValueError:
        speed = 0.0
    if not 0.001 <= speed <= 1e6:
        fail(f"--speed {text}: give a number such as 1 or 10, or max", code=2)
    return speed
