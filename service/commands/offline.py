"""`linklag measure`, `record` and `replay`: options and help. What they do stands in the modules of these names."""

from pathlib import Path
from typing import Annotated, Literal

import typer

from service.commands.options import Config, fail, leave, settings_of

Drives = Annotated[
    list[str] | None,
    typer.Option("--drive", metavar="ID", help="Only messages of this drive; may be given more than once."),
]


def measure(  # noqa: PLR0913 (one option each)
    file: Annotated[str, typer.Argument(metavar="FILE", help="The capture; - is standard input.")],
    *,
    chain: Annotated[str, typer.Option(help="Designation of the chain, e.g. 16B-1 or 80.")] = "",
    pitch: Annotated[
        float | None, typer.Option(metavar="MM", help="Nominal pitch, mm, where no designation says it.")
    ] = None,
    whole_pitches: Annotated[
        int | None,
        typer.Option("--whole-pitches", "-n", help="Whole pitches of a new chain between the sensors."),
    ] = None,
    offset: Annotated[
        float, typer.Option("--offset", "-d", help="The part of a pitch that is over, 0 to below 1.")
    ] = 0.0,
    spacing_u: Annotated[
        float, typer.Option(metavar="MM", help="Standard uncertainty of the spacing, mm; 0.5 for a tape.")
    ] = 0.5,
    loop: Annotated[int | None, typer.Option(help="Pitches of the whole chain: its joints, counted.")] = None,
    driver_teeth: Annotated[
        int | None, typer.Option(help="Teeth of the sprocket that pulls the measured strand.")
    ] = None,
    up_to_driver: Annotated[
        float | None, typer.Option(metavar="MM", help="Along the strand from `up` to the driver, mm.")
    ] = None,
    baseline_pitches: Annotated[
        float | None, typer.Option(metavar="N0", help="Pitches between the sensors at --baseline-elongation.")
    ] = None,
    baseline_pitches_u: Annotated[
        float, typer.Option(metavar="U", help="Standard uncertainty of N0, pitches.")
    ] = 0.001,
    baseline_elongation: Annotated[
        float, typer.Option(metavar="PCT", help="Elongation e0 when N0 was taken; a new chain: 0.075.")
    ] = 0.075,
    baseline_elongation_u: Annotated[
        float, typer.Option(metavar="PCT", help="Standard uncertainty of e0; a new chain: 0.043.")
    ] = 0.043,
    about: Annotated[
        float | None,
        typer.Option(metavar="PCT", help="What the elongation is about, if more than one whole number fits."),
    ] = None,
    temp_c: Annotated[float | None, typer.Option(metavar="C", help="Temperature of the chain.")] = None,
    mount_c: Annotated[
        float | None, typer.Option(metavar="C", help="Temperature of what holds the sensors apart.")
    ] = None,
    unit: Annotated[
        Literal["s", "ms", "us", "ns"] | None,
        typer.Option(help="Unit of the times, where the headings do not end in it."),
    ] = None,
    up: Annotated[
        str | None, typer.Option(metavar="NAME", help="Column, or sensor, that a joint passes first ...")
    ] = None,
    down: Annotated[
        str | None, typer.Option(metavar="NAME", help="... and next; else found by name.")
    ] = None,
    window_s: Annotated[
        float | None,
        typer.Option(min=0.01, max=3600, help="Length of the windows; else a lap of --loop, else 10 s."),
    ] = None,
    drive: Annotated[
        str | None, typer.Option(metavar="ID", help="Which drive's batches, where there are several.")
    ] = None,
    table: Annotated[
        Path | None, typer.Option(metavar="CSV", help="Write one row a window, for a spreadsheet.")
    ] = None,
    links: Annotated[
        Path | None, typer.Option(metavar="CSV", help="Write one row a link of the chain; needs --loop.")
    ] = None,
    plot: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Draw a picture: .png, .svg or .pdf (needs linklag[plot])."),
    ] = None,
) -> None:
    """Measure the elongation in a capture, with no broker and no register.

    The capture is one of: CSV or Parquet with two columns of pulse times, up_us and down_us for instance, of whatever
    lengths; the same with one row a pulse, sensor and time_us; JSON lines of batches, as `linklag record` writes them. The
    unit of times is what the heading ends in: s, ms, us or ns. Long tables are cut into windows. Parquet needs
    linklag[parquet]. With --loop, three laps or more give the elongation of every link, and what is wrong with the chain.

    \b
    Examples:  linklag measure scope.csv --chain 16B-1 -n 20 --loop 122 --driver-teeth 19 --plot scope.png
               linklag measure logger.parquet --pitch 25.4 -n 24 -d 0.1 --unit ms --table windows.csv
               linklag measure kiln-feed.jsonl --chain 16B-1 --baseline-pitches 20.013 --baseline-elongation 0.06

    Exit code 1 where no window gave an elongation; the reasons are told.
    """  # noqa: D301 (typer wants the character)
    from service.adapters.pulse_tables import Wanted
    from service.commands.measure import Asked, Given
    from service.commands.measure import measure as measure_file

    if (up is None) is not (down is None):
        fail("--up and --down go together: give both", code=2)
    given = Given(
        designation=chain, pitch_mm=pitch, whole_pitches=whole_pitches, offset_pitches=offset, spacing_u_mm=spacing_u,
        pitches_in_loop=loop, driver_teeth=driver_teeth, up_to_driver_mm=up_to_driver, baseline_pitches=baseline_pitches,
        baseline_pitches_u=baseline_pitches_u, baseline_pct=baseline_elongation, baseline_u_pct=baseline_elongation_u,
        about_pct=about, temp_c=temp_c, mount_c=mount_c,
    )  # fmt: skip
    wanted = Wanted(unit=unit, up=up, down=down)
    asked = Asked(wanted=wanted, window_s=window_s, drive_id=drive, table=table, links=links, plot=plot)
    leave(measure_file(file, given, asked))


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
