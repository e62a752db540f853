"""`linklag person`: who may sign in. Whoever runs linklag on its machine can always let people in, when nobody else can too."""

import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated, Any

import typer

from service.commands.options import Config, Data, fail, settings_of
from service.core.people import ROLE_WORDS, role_of

if TYPE_CHECKING:
    from pathlib import Path

    from service.admit import Admit, Admitted

person = typer.Typer(
    help="Let people sign in, give them roles, lock them out.", no_args_is_help=True, rich_markup_mode=None
)

Name = Annotated[str, typer.Argument(metavar="NAME", help="What they sign in with: a-z, 0-9, dot, - and _.")]
RoleOption = Annotated[str, typer.Option("--role", "-r", help=f"One of {', '.join(ROLE_WORDS)}.")]
Why = Annotated[str, typer.Option(help="Why; kept in the audit log.")]


@person.command("add")
def person_add(
    name: Name,
    *,
    role: RoleOption = "viewer",
    full_name: Annotated[str, typer.Option(help="Name for people.")] = "",
    config: Config = None,
    data: Data = None,
) -> None:
    """Let somebody in, and print a password for the first sign-in, at which another one must be chosen.

    \b
    Example:  linklag person add m.brandt --role operator --full-name "Mara Brandt"
    """  # noqa: D301 (typer wants the character)
    with admitting(config, data) as (admit, said):
        _print_password(admit.add_person(name, role_of(role), full_name=full_name, **said))


@person.command("list")
def person_list(config: Config = None, data: Data = None) -> None:
    """List who may sign in."""
    from service.commands.register import print_table
    from service.core.instant import format_rfc3339

    with admitting(config, data) as (admit, _):
        people = admit.people()
    if not people:
        typer.echo("nobody yet: linklag person add, or start with web.login = on", err=True)
        return
    rows = [("name", "full name", "role", "may sign in", "added")]
    for each in people:
        state = "no, locked" if each.locked_ns else "with a password for once" if each.must_change else "yes"
        rows.append(
            (each.name, each.full_name, each.role.word, state, format_rfc3339(each.added_ns)[:19] + "Z")
        )
    print_table(rows)


@person.command("role")
def person_role(
    name: Name,
    role: Annotated[str, typer.Argument(metavar="ROLE", help=f"One of {', '.join(ROLE_WORDS)}.")],
    *,
    why: Why = "",
    config: Config = None,
    data: Data = None,
) -> None:
    """Give a person another role. It counts at once."""
    with admitting(config, data) as (admit, said):
        typer.echo(
            f"{name} is {admit.change_role(name, role_of(role), why=why, **said).role.word} now", err=True
        )


@person.command("lock")
def person_lock(name: Name, *, why: Why = "", config: Config = None, data: Data = None) -> None:
    """Keep a person out; open sessions end."""
    with admitting(config, data) as (admit, said):
        admit.lock(name, why=why, **said)
    typer.echo(f"{name} is locked out", err=True)


@person.command("unlock")
def person_unlock(name: Name, *, why: Why = "", config: Config = None, data: Data = None) -> None:
    """Let a person in again, and end their wait after wrong guesses."""
    with admitting(config, data) as (admit, said):
        admit.unlock(name, why=why, **said)
    typer.echo(f"{name} may sign in", err=True)


@person.command("reset")
def person_reset(name: Name, *, why: Why = "", config: Config = None, data: Data = None) -> None:
    """Print a new password for one sign-in; open sessions end."""
    with admitting(config, data) as (admit, said):
        _print_password(admit.reset(name, why=why, **said))


@contextmanager
def admitting(config: "Path | None", data: "Path | None") -> "Iterator[tuple[Admit, dict[str, Any]]]":
    """Give the door on the store of the settings, and when and who; tell what was got wrong in one line."""
    settings = settings_of(config, data, quiet=True)
    from service.commands.logins import admit_of
    from service.commands.parts import opened_database
    from service.commands.register import who

    with opened_database(settings) as database:
        try:
            yield admit_of(settings, database), {"at_ns": time.time_ns(), "by": who()}
        except ValueError as error:
            fail(str(error))


def _print_password(admitted: "Admitted") -> None:
    """The password alone on standard output, so that it can be piped; what it is for on standard error."""
    typer.echo(f"for {admitted.person.name}, to sign in once; another one must be chosen then:", err=True)
    typer.echo(admitted.password)
