"""`linklag drive`: options and help. What the commands do stands in `register`."""

from typing import Annotated, Literal

import typer

from service.commands.options import Config, Data, leave, settings_of

drive = typer.Typer(
    help="Register drives and their chains, one or hundreds at once.",
    no_args_is_help=True,
    rich_markup_mode=None,
)

FileArgument = Annotated[str, typer.Argument(metavar="FILE", help="The file; - is standard input or output.")]
FormOption = Annotated[
    Literal["csv", "toml"] | None,
    typer.Option("--format", help="Form of the file, where its name does not end in it."),
]


@drive.command("add")
def drive_add(  # noqa: PLR0913 (one option each)
    drive_id: Annotated[
        str, typer.Argument(metavar="ID", help="Small letters, digits, - and _; the level of its topic.")
    ],
    *,
    whole_pitches: Annotated[
        int | None,
        typer.Option(
            "--whole-pitches",
            "-n",
            help="Whole pitches of a new chain between the sensors; left out: a drive without sensors.",
        ),
    ] = None,
    offset: Annotated[
        float, typer.Option("--offset", "-d", help="The part of a pitch that is over, 0 to below 1.")
    ] = 0.0,
    spacing_u: Annotated[
        float, typer.Option(metavar="MM", help="Standard uncertainty of the spacing, mm; 0.5 for a tape.")
    ] = 0.5,
    driver_teeth: Annotated[
        int | None, typer.Option(help="Teeth of the sprocket that pulls the measured strand.")
    ] = None,
    driven_teeth: Annotated[int | None, typer.Option(help="Teeth of the other sprocket.")] = None,
    up_to_driver: Annotated[
        float | None, typer.Option(metavar="MM", help="Along the strand from `up` to the driver, mm.")
    ] = None,
    fixed_centres: Annotated[
        bool, typer.Option("--fixed-centres", help="The shafts cannot be moved apart: limit 1.5 %.")
    ] = False,
    parallel_strands: Annotated[
        bool, typer.Option("--parallel-strands", help="Chains that share one load: limit 1.5 %.")
    ] = False,
    limit_pct: Annotated[
        float | None, typer.Option("--limit", metavar="PCT", help="Your own limit, per cent.")
    ] = None,
    delay: Annotated[
        float | None,
        typer.Option(metavar="US", help="By how much `down` switches later than `up`, microseconds."),
    ] = None,
    delay_u: Annotated[float, typer.Option(metavar="US", help="Its standard uncertainty.")] = 0.0,
    load_ref: Annotated[
        float | None, typer.Option(metavar="N", help="Elongation is stated at this tension, newtons.")
    ] = None,
    strain: Annotated[
        float | None, typer.Option(metavar="PCT", help="Elastic strain of the strand, per cent per kN.")
    ] = None,
    strain_u: Annotated[
        float | None,
        typer.Option(metavar="PCT", help="Its standard uncertainty; left out: a quarter of it."),
    ] = None,
    name: Annotated[str, typer.Option(help="Name for people.")] = "",
    site: Annotated[str, typer.Option(help="Site, area and line: where in the plant.")] = "",
    area: Annotated[str, typer.Option()] = "",
    line: Annotated[str, typer.Option()] = "",
    drive_class: Annotated[
        str, typer.Option("--class", help="Drives of like duty, to be compared with each other.")
    ] = "",
    chain: Annotated[str, typer.Option(help="Designation of the chain that is on, e.g. 16B-1 or 80.")] = "",
    pitch: Annotated[
        float | None, typer.Option(metavar="MM", help="Nominal pitch, mm, where no designation says it.")
    ] = None,
    strands: Annotated[
        int | None, typer.Option(help="2 for duplex; the designation usually says it.")
    ] = None,
    loop: Annotated[int | None, typer.Option(help="Pitches of the whole chain: its joints, counted.")] = None,
    fitted: Annotated[
        str | None, typer.Option(metavar="DATE", help="When the chain was fitted, e.g. 2026-03-01; else now.")
    ] = None,
    config: Config = None,
    data: Data = None,
) -> None:
    """Register one drive, with the chain that is on it.

    Count the pitches from `up` to `down` on a new chain, or measure the spacing along the strand in mm and divide it by
    the pitch: the whole part is --whole-pitches, the rest --offset. The limit is the least of 3 %, 200 / teeth of the
    larger sprocket, 1.5 % where it applies, and your own. A drive without sensors is measured by hand and has a limit like
    any other. What is left out here can be given by import.

    \b
    Example:  linklag drive add infeed-2 -n 24 -d 0.1 --chain 16B-1 --loop 120 --driver-teeth 19 --driven-teeth 57

    Before anyone goes to the drive to measure: lock out and tag out, mind stored energy, put guards back.
    """  # noqa: D301 (typer wants the character)
    settings = settings_of(config, data, quiet=True)
    from service.commands.register import FittedChain, add

    fields = {
        "drive_id": drive_id, "name": name, "site": site, "area": area, "line": line, "drive_class": drive_class,
        "whole_pitches": whole_pitches, "offset_pitches": offset, "spacing_u_mm": spacing_u, "driver_teeth": driver_teeth,
        "driven_teeth": driven_teeth, "up_to_driver_mm": up_to_driver, "fixed_centres": fixed_centres,
        "parallel_strands": parallel_strands, "own_limit_pct": limit_pct, "delay_us": delay, "delay_u_us": delay_u,
        "load_ref_n": load_ref, "strain_pct_per_kn": strain, "strain_u_pct_per_kn": strain_u,
    }  # fmt: skip
    on = FittedChain(designation=chain, pitch_mm=pitch, strands=strands, pitches_in_loop=loop, fitted=fitted)
    leave(add(settings, fields, on))


@drive.command("list")
def drive_list(
    *,
    retired: Annotated[bool, typer.Option("--retired", help="Retired drives too.")] = False,
    config: Config = None,
    data: Data = None,
) -> None:
    """List the drives, those nearest to their limit first, with their newest elongation."""
    settings = settings_of(config, data, quiet=True)
    from service.commands.register import list_drives

    leave(list_drives(settings, retired=retired))


@drive.command("show")
def drive_show(
    drive_id: Annotated[str, typer.Argument(metavar="ID")], config: Config = None, data: Data = None
) -> None:
    """Show all that is registered of one drive, its chains and baselines, newest reading and measurements by hand."""
    settings = settings_of(config, data, quiet=True)
    from service.commands.register import show

    leave(show(settings, drive_id))


@drive.command("import")
def drive_import(
    file: FileArgument,
    *,
    form: FormOption = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only say what would happen.")] = False,
    replace: Annotated[
        bool, typer.Option("--replace", help="Change drives that are registered otherwise.")
    ] = False,
    config: Config = None,
    data: Data = None,
) -> None:
    """Register all drives of a CSV or TOML file.

    One row, or one [[drive]] table, is one drive with its chain and, if wanted, its baseline; drive_id must be there, and
    whole_pitches for a drive with sensors. An export shows all columns; the export of an empty register is a form to fill in. A file that has
    anything wrong is not taken at all; a drive that contradicts the register is refused, the others go in. Importing
    the same file again changes nothing.

    \b
    Examples:  linklag drive import drives.csv --dry-run
               linklag drive export - --format toml | linklag drive import - --format toml --data elsewhere
    """  # noqa: D301 (typer wants the character)
    settings = settings_of(config, data, quiet=True)
    from service.commands.register import import_file

    leave(import_file(settings, file, form, dry_run=dry_run, replace=replace))


@drive.command("export")
def drive_export(
    file: FileArgument,
    *,
    form: FormOption = None,
    retired: Annotated[bool, typer.Option("--retired", help="Retired drives too.")] = False,
    config: Config = None,
    data: Data = None,
) -> None:
    """Write all drives to a CSV or TOML file that `import` reads back; with no drives, a form to fill in."""
    settings = settings_of(config, data, quiet=True)
    from service.commands.register import export_file

    leave(export_file(settings, file, form, retired=retired))


ByOption = Annotated[str, typer.Option("--by", help="Who did it; else who is logged in.")]


@drive.command("take-off")
def drive_take_off(  # noqa: PLR0913 (one option each)
    drive_id: Annotated[str, typer.Argument(metavar="ID")],
    *,
    kind: Annotated[
        Literal["worn", "broken", "damaged", "planned", "moved", "other"],
        typer.Option(help="How the chain ended; only worn ends a life in the statistics of lives."),
    ] = "other",
    why: Annotated[str, typer.Option(help="In your words; left out: the kind.")] = "",
    elongation: Annotated[
        float | None,
        typer.Option(
            metavar="PCT", help="Elongation then; left out: as measured last, by sensors or by hand."
        ),
    ] = None,
    elongation_u: Annotated[
        float | None, typer.Option(metavar="PCT", help="Its standard uncertainty.")
    ] = None,
    removed: Annotated[
        str, typer.Option(metavar="TIME", help="2026-11-25 or 2026-11-25T08:15:00Z; left out: now.")
    ] = "",
    by: ByOption = "",
    config: Config = None,
    data: Data = None,
) -> None:
    """Record that the chain of a drive was taken off, and say what is known of its life.

    \b
    Example:  linklag drive take-off infeed-2 --kind worn --why "at its limit"

    Before anyone takes a chain off: lock out and tag out, let stored energy out, secure raised loads.
    """  # noqa: D301 (typer wants the character)
    settings = settings_of(config, data, quiet=True)
    from service.commands.tended import TakeOff, take_off

    said = TakeOff(kind=kind, why=why, elongation_pct=elongation, u_pct=elongation_u, removed=removed, by=by)
    leave(take_off(settings, drive_id, said))


@drive.command("event")
def drive_event(  # noqa: PLR0913 (one option each)
    drive_id: Annotated[str, typer.Argument(metavar="ID")],
    kind: Annotated[
        Literal["lubricated", "lubricant-changed", "method-changed", "cleaned", "tension-set", "other"],
        typer.Argument(help="What was done."),
    ],
    *,
    lubricant: Annotated[str, typer.Option(help="Needed where it gets another one.")] = "",
    note: Annotated[str, typer.Option(help="Needed for method-changed and other.")] = "",
    at: Annotated[
        str, typer.Option(metavar="TIME", help="2026-11-25 or 2026-11-25T08:15:00Z; left out: now.")
    ] = "",
    by: ByOption = "",
    config: Config = None,
    data: Data = None,
) -> None:
    """Record lubrication, or what else may change how fast the chain of a drive wears.

    \b
    Example:  linklag drive event infeed-2 lubricant-changed --lubricant "oil ISO VG 150"
    """  # noqa: D301 (typer wants the character)
    settings = settings_of(config, data, quiet=True)
    from service.commands.tended import record_event

    leave(record_event(settings, drive_id, kind, lubricant=lubricant, note=note, at=at, by=by))


@drive.command("lives")
def drive_lives(
    drive_id: Annotated[str, typer.Argument(metavar="ID")], config: Config = None, data: Data = None
) -> None:
    """Show what became of the chains of one drive: how long each lived, how far it ran, how it ended."""
    settings = settings_of(config, data, quiet=True)
    from service.commands.tended import show_lives

    leave(show_lives(settings, drive_id))
