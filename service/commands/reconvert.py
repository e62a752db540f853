"""`linklag reconvert`: readings made again from the stored batches, after what is known of a drive was corrected."""

import time
from typing import Annotated

import typer

from service.commands.options import Config, Data, fail, leave, settings_of


def reconvert(
    drive_id: Annotated[str, typer.Argument(metavar="ID", help="The drive.")],
    *,
    since: Annotated[
        str, typer.Option(metavar="TIME", help="From this instant on, RFC 3339 or a date, UTC.")
    ],
    until: Annotated[str | None, typer.Option(metavar="TIME", help="Up to this instant; else now.")] = None,
    why: Annotated[str, typer.Option(help="Why; it is kept with the readings that are replaced.")],
    config: Config = None,
    data: Data = None,
) -> None:
    """Make a drive's readings again from the batches that are still stored.

    After a baseline, teeth, a delay or the spacing was corrected: the batches as they came are converted by what the
    register says now. Readings that differ are put in place of the old ones, which are kept as superseded. Batches are
    kept within retention.batches_mb; readings whose batches are gone stay as they are.

    \b
    Example:  linklag reconvert infeed-2 --since 2026-11-20 --why "baseline of 20 November had the wrong chain"
    """  # noqa: D301 (typer wants the character)
    settings = settings_of(config, data, quiet=True)
    from service.commands.parts import opened_database
    from service.core.instant import parse_rfc3339
    from service.ports import NotFoundError, StoreUnavailableError
    from service.reconvert import Reconvert

    def instant_ns(text: str) -> int:
        return parse_rfc3339(text if "T" in text.upper() else f"{text}T00:00:00Z")

    now_ns = time.time_ns()
    with opened_database(settings) as database:
        work = Reconvert(database.raw_batches, database.readings, database.register)
        try:
            to_ns = now_ns if until is None else instant_ns(until)
            done = work.drive(drive_id, instant_ns(since), to_ns, at_ns=now_ns, why=why)
        except (NotFoundError, StoreUnavailableError, ValueError) as error:
            fail(str(error))
    typer.echo(f"{done.batches} batches converted again, {done.superseded} readings superseded")
    if not done.batches:
        typer.echo("no batch of that time is stored; retention.batches_mb says how many are kept", err=True)
        leave(1)
    leave(0)
