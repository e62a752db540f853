"""`linklag token`: what programs show; and `linklag audit`: what people changed."""

from typing import Annotated

import typer

from service.commands.options import Config, Data, leave, settings_of
from service.commands.person import Why, admitting
from service.core.people import role_of

token = typer.Typer(
    help="Make and revoke the tokens that programs show.", no_args_is_help=True, rich_markup_mode=None
)

Name = Annotated[str, typer.Argument(metavar="NAME", help="Of the program: a-z, 0-9, dot, - and _.")]


@token.command("add")
def token_add(
    name: Name,
    *,
    role: Annotated[str, typer.Option("--role", "-r", help="viewer, operator or engineer.")] = "viewer",
    only: Annotated[
        list[str] | None,
        typer.Option(metavar="PART", help="A part of the API that it may use, as alerts; may stand often."),
    ] = None,
    days: Annotated[int, typer.Option(help="Days until it ends.")] = 365,
    config: Config = None,
    data: Data = None,
) -> None:
    """Make a token and print it, this once; only a hash is kept.

    \b
    Example:  linklag token add scada --only alerts --only readings --days 365
    """  # noqa: D301 (typer wants the character)
    with admitting(config, data) as (admit, said):
        issued = admit.add_token(name, role_of(role), only=only or (), days=days, **said)
    typer.echo("the program shows it as Authorization: Bearer ...", err=True)
    typer.echo(issued.text)


@token.command("list")
def token_list(config: Config = None, data: Data = None) -> None:
    """List the tokens, with when each was used last; never their text."""
    from service.commands.register import print_table
    from service.core.instant import format_rfc3339

    def day(t_ns: int | None) -> str:
        return "-" if t_ns is None else format_rfc3339(t_ns)[:19] + "Z"

    with admitting(config, data) as (admit, said):
        tokens, now_ns = admit.tokens(), int(said["at_ns"])
    if not tokens:
        typer.echo("none yet: linklag token add", err=True)
        return
    rows = [("token", "role", "only", "last used", "until", "good")]
    for each in tokens:
        good = "yes" if each.good_at(now_ns) else "revoked" if each.revoked_ns else "expired"
        rows.append(
            (
                each.name,
                each.role.word,
                " ".join(each.only) or "all",
                day(each.used_ns),
                day(each.expires_ns),
                good,
            )
        )
    print_table(rows)


@token.command("revoke")
def token_revoke(name: Name, *, why: Why = "", config: Config = None, data: Data = None) -> None:
    """Let a token count no more."""
    with admitting(config, data) as (admit, said):
        admit.revoke_token(name, why=why, **said)
    typer.echo(f"token {name} is revoked", err=True)


def audit(
    *,
    subject: Annotated[str | None, typer.Option(help='As "drive kiln-feed".')] = None,
    by: Annotated[str | None, typer.Option(help="Who made the change.")] = None,
    rows: Annotated[int, typer.Option(min=1, max=100_000, help="The newest so many.")] = 50,
    config: Config = None,
    data: Data = None,
) -> None:
    """Print what people changed, the oldest first, one JSON object a line: who, when, what, old, new, why."""
    settings = settings_of(config, data, quiet=True)
    import json

    from service.commands.parts import opened_database
    from service.core.instant import format_rfc3339

    with opened_database(settings) as database:
        entries = database.audit_log.entries(subject=subject, by=by, rows_max=rows)
    for entry in reversed(entries):
        told = {
            "number": entry.number,
            "at": format_rfc3339(entry.at_ns),
            "by": entry.by,
            "what": entry.what,
            "subject": entry.subject,
            "old": dict(entry.old),
            "new": dict(entry.new),
            "why": entry.why,
        }
        typer.echo(json.dumps(told, ensure_ascii=False))
    leave(0)
