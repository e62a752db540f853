"""`linklag hand`: options and help. What the commands do stands in `by_hand`."""

from typing import Annotated, Literal

import typer

from service.commands.options import Config, Data, fail, leave, settings_of

hand = typer.Typer(
    help="Record measurements by hand, list them, and print the card to take along.",
    no_args_is_help=True,
    rich_markup_mode=None,
)

IdArgument = Annotated[str, typer.Argument(metavar="ID", help="Id of the drive.")]
ByOption = Annotated[str, typer.Option("--by", help="Who measured; else who is logged in.")]


@hand.command("add")
def hand_add(  # noqa: PLR0913 (one option each)
    drive_id: IdArgument,
    pitches: Annotated[
        int, typer.Option("--pitches", "-n", help="Pitches measured over, counted twice; an even number.")
    ],
    *,
    length: Annotated[
        float | None, typer.Option(metavar="MM", help="Pin centre to pin centre, by rule or tape.")
    ] = None,
    outside: Annotated[
        float | None,
        typer.Option(metavar="MM", help="By calliper: outside, over the rollers of the ends ..."),
    ] = None,
    inside: Annotated[
        float | None, typer.Option(metavar="MM", help="... and inside, between the same rollers.")
    ] = None,
    method: Annotated[
        Literal["rule", "tape", "calliper"] | None,
        typer.Option(help="Left out: calliper where --outside is given, else rule."),
    ] = None,
    tight: Annotated[
        bool | None, typer.Option("--tight/--slack", help="Whether the chain was drawn tight. Needed.")
    ] = None,
    cranked: Annotated[bool, typer.Option("--cranked", help="A cranked link lay in between.")] = False,
    counted_again: Annotated[
        bool, typer.Option("--counted-again", help="The count was asked about, and is right.")
    ] = False,
    length_u: Annotated[
        float | None,
        typer.Option(metavar="MM", help="Standard uncertainty of a reading; rule 0.5, tape 1, calliper 0.1."),
    ] = None,
    temp_c: Annotated[float | None, typer.Option(metavar="C", help="Temperature of the chain.")] = None,
    measured: Annotated[
        str, typer.Option(metavar="TIME", help="2026-11-25 or 2026-11-25T08:15:00Z; left out: now.")
    ] = "",
    note: Annotated[str, typer.Option(help="Which strand, where, the values at the other places.")] = "",
    by: ByOption = "",
    config: Config = None,
    data: Data = None,
) -> None:
    """Record a measurement of the chain that is on a drive, and say what it says.

    Tells the elongation with its uncertainty, what is left until the limit, and whether the sensors say the same. A count
    that cannot be right is asked about and not stored; count again, and give --counted-again if it was right.

    \b
    Examples:  linklag hand add infeed-2 -n 24 --length 616.5 --tight --by "H. Brandt"
               linklag hand add infeed-2 -n 10 --outside 272.9 --inside 241.2 --tight

    Before anyone measures: lock out and tag out, mind stored energy, put guards back.
    """  # noqa: D301 (typer wants the character)
    if tight is None:
        fail("say whether the chain was drawn tight: give --tight or --slack", code=2)
    settings = settings_of(config, data, quiet=True)
    from service.commands.by_hand import add

    fields = {
        "pitches": pitches, "length_mm": length, "outside_mm": outside, "inside_mm": inside, "tight": tight,
        "cranked": cranked, "counted_again": counted_again, "length_u_mm": length_u, "temp_c": temp_c, "note": note,
    }  # fmt: skip
    how = method or ("rule" if outside is None and inside is None else "calliper")
    leave(add(settings, drive_id, how, fields, measured=measured, by=by))


@hand.command("list")
def hand_list(
    drive_id: Annotated[
        str, typer.Argument(metavar="[ID]", help="Of one drive, all; left out: the newest of every drive.")
    ] = "",
    config: Config = None,
    data: Data = None,
) -> None:
    """List measurements by hand, each held against the value of the sensors at that time."""
    settings = settings_of(config, data, quiet=True)
    from service.commands.by_hand import list_values

    leave(list_values(settings, drive_id))


@hand.command("card")
def hand_card(drive_id: IdArgument, config: Config = None, data: Data = None) -> None:
    """Print the card of a drive: cautions, what to do, and the lengths to expect and to stop at.

    \b
    Example:  linklag hand card infeed-2 | lp
    """  # noqa: D301 (typer wants the character)
    settings = settings_of(config, data, quiet=True)
    from service.commands.by_hand import print_card

    leave(print_card(settings, drive_id))


@hand.command("baseline")
def hand_baseline(
    drive_id: IdArgument,
    *,
    why: Annotated[
        str, typer.Option(help="What the baseline is for; how it was measured is put behind.")
    ] = "",
    by: ByOption = "",
    config: Config = None,
    data: Data = None,
) -> None:
    """Record a baseline whose elongation is the newest measurement by hand of the chain that is on.

    The pitches between the sensors are those of the readings of the last ten minutes: let the drive run at steady speed.
    """
    settings = settings_of(config, data, quiet=True)
    from service.commands.by_hand import baseline

    leave(baseline(settings, drive_id, why=why, by=by))
