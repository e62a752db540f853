"""`linklag drive take-off`, `event` and `lives`: what is done to a drive and what became of its chains, in a terminal.

Knows how a person gives and reads these things; must not know how they are checked or stored (`Tend`, `LookBack`). What was
asked for goes to standard output, what was done to standard error.
"""

import time
from dataclasses import dataclass

import typer

from service.adapters.database.connect import Database
from service.adapters.survival import ScipyLifeFitter
from service.commands import CommandError
from service.commands.parts import opened_database
from service.commands.register import who
from service.core.drive import Chain, chain_at
from service.core.fields import FieldsRefusedError
from service.core.instant import format_rfc3339, parse_rfc3339
from service.core.life import LifeUnit, Removal, RemovalKind, amount_words
from service.core.upkeep import UpkeepKind
from service.look_back import LookBack, Past
from service.operate import Operate
from service.settings import Settings
from service.tend import Ended, Tend

# Where an option is not called as the field of core that it fills.
OPTIONS = {
    "elongation_pct": "--elongation",
    "u_pct": "--elongation-u",
    "removed": "--removed",
    "at": "--at",
    "by": "--by",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeOff:
    """What the command line says of a removal; `removed` is a date or time, "" now."""

    kind: str
    why: str
    elongation_pct: float | None = None
    u_pct: float | None = None
    removed: str = ""
    by: str = ""


def take_off(settings: Settings, drive_id: str, said: TakeOff) -> int:
    """Record that the chain of a drive is off, and print what is known of its life."""
    now_ns = time.time_ns()
    ended = Ended(kind=RemovalKind(said.kind), elongation_pct=said.elongation_pct, u_pct=said.u_pct)
    with opened_database(settings) as database:
        removed_ns = _instant_ns("--removed", said.removed)
        chain = _chain_on(database, drive_id, now_ns)
        try:
            off, removal = _tend(database).take_off_chain(
                chain.chain_id, ended, removed_ns=removed_ns, why=said.why, at_ns=now_ns, by=said.by or who()
            )
        except FieldsRefusedError as error:
            raise CommandError("\n".join(_by_options(error))) from None
    typer.echo(_known(off, removal))
    typer.echo(f"{off.chain_id} is off {drive_id}: {said.kind}", err=True)
    return 0


def record_event(  # noqa: PLR0913 - one option each
    settings: Settings, drive_id: str, kind: str, *, lubricant: str, note: str, at: str, by: str
) -> int:
    """Record what was done to a drive."""
    with opened_database(settings) as database:
        try:
            done = _tend(database).record_upkeep(
                drive_id,
                kind=UpkeepKind(kind.replace("-", "_")),
                done_ns=_instant_ns("--at", at),
                lubricant=lubricant,
                note=note,
                at_ns=time.time_ns(),
                by=by or who(),
            )
        except FieldsRefusedError as error:
            raise CommandError("\n".join(_by_options(error))) from None
    typer.echo(
        f"recorded for {drive_id} as event {done.number}: {kind}, {format_rfc3339(done.at_ns)}", err=True
    )
    return 0


def show_lives(settings: Settings, drive_id: str) -> int:
    """Print what became of the chains of a drive."""
    with opened_database(settings) as database:
        pasts = LookBack(database, ScipyLifeFitter()).pasts(drive_id, time.time_ns())
    if not pasts:
        typer.echo(f"no chain was ever on {drive_id}: see linklag drive import --help", err=True)
        return 0
    head = ("chain", "fitted (UTC)", "lived", "ran", "joints", "ended", "elongation", "why")
    rows = [head, *(_row(each) for each in pasts)]
    widths = [max(len(row[column]) for row in rows) for column in range(len(head))]
    for row in rows:
        typer.echo("  ".join(text.ljust(width) for text, width in zip(row, widths, strict=True)).rstrip())
    return 0


def _row(past: Past) -> tuple[str, ...]:
    life, chain = past.life, past.chain
    pct = "-" if life.elongation_pct is None else f"{life.elongation_pct:.2f} %"
    return (
        chain.chain_id,
        format_rfc3339(chain.fitted_ns)[:10],
        amount_words(life.days, LifeUnit.DAYS),
        "-" if life.hours is None else amount_words(life.hours, LifeUnit.HOURS),
        "-" if life.passages is None else f"{life.passages:.3g}",
        "it is on" if life.kind is None else str(life.kind),
        pct,
        chain.removed_why,
    )


def _known(chain: Chain, removal: Removal) -> str:
    """What is known of a chain that came off, in one line."""
    days = ((chain.removed_ns or chain.fitted_ns) - chain.fitted_ns) / 86_400e9
    parts = [f"{chain.chain_id}: {amount_words(days, LifeUnit.DAYS)}"]
    if removal.hours is not None:
        parts.append(f"ran {amount_words(removal.hours, LifeUnit.HOURS)}")
    if removal.passages is not None:
        parts.append(amount_words(removal.passages, LifeUnit.PASSAGES))
    if removal.elongation_pct is None:
        parts.append("its elongation was never measured")
    else:
        u = "" if removal.u_pct is None else f" +/- {2 * removal.u_pct:.2f} %"
        parts.append(f"elongation {removal.elongation_pct:.2f} %{u} ({removal.source})")
    return ", ".join(parts)


def _chain_on(database: Database, drive_id: str, now_ns: int) -> Chain:
    database.register.drive(drive_id)
    chain = chain_at(database.register.chains(drive_id), now_ns)
    if chain is None:
        raise CommandError(
            f"no chain is on {drive_id} now: linklag drive lives {drive_id} shows those that were"
        )
    return chain


def _tend(database: Database) -> Tend:
    return Tend(database, Operate(database.register, database.refused, database.readings))


def _instant_ns(option: str, text: str) -> int | None:
    if not text:
        return None
    try:
        return parse_rfc3339(text if "T" in text.upper() else f"{text}T00:00:00Z")
    except ValueError as error:
        raise CommandError(f"{option}: {error}") from None


def _by_options(error: FieldsRefusedError) -> list[str]:
    return [
        f"{OPTIONS.get(field, f'--{field}'.replace('_', '-'))}: {said}"
        for field, said in error.problems.items()
    ]
