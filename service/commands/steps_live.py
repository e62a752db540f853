"""`linklag commission`: the steps of setting a drive up, printed as they turn, and the baseline at the end of them.

Knows how steps read in a terminal; must not know how they are judged (`SetUp`). The steps go to standard output, what
was done to standard error.
"""

import re
import time
from collections.abc import Callable
from dataclasses import dataclass

import typer

from service.adapters.database.connect import Database
from service.commands import CommandError
from service.commands.parts import opened_database
from service.core.commission import Start, Step, StepId, StepState
from service.core.drive import Baseline
from service.core.fields import FieldsRefusedError
from service.core.instant import format_rfc3339, parse_rfc3339
from service.operate import Operate
from service.ports import StoreUnavailableError
from service.set_up import E0, SetUp, SetUpState
from service.settings import Settings

EVERY_S = 2.0
WORDS = {
    StepState.WAITING: "waiting",
    StepState.PASSED: "passed",
    StepState.FAILED: "FAILED",
    StepState.NOT_NEEDED: "-",
}
_VALUE = re.compile(r"([+-]?\d+(?:[.,]\d*)?)\s*(?:±|\+-|\+/-)\s*(\d+(?:[.,]\d*)?)")
OPTIONS = {"by": "--by", "why": "--why", "shaft_rev_per_min": "--shaft"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What was asked for on the command line, as typed. `e0`: "" takes no baseline. `delay`: have it taken off."""

    drive_id: str
    e0: str = ""
    delay: bool = False
    by: str = ""
    why: str = ""
    shaft_rev_per_min: float | None = None
    since: str = ""


def follow(
    settings: Settings,
    wanted: Wanted,
    *,
    once: bool = False,
    now_ns: Callable[[], int] = time.time_ns,
    wait: Callable[[float], None] = time.sleep,
) -> int:
    """Print the steps as they turn until the drive is ready, or once; take the baseline where that was asked for.

    Returns 0 when ready, else 1. Raises CommandError for what the person can mend.
    """
    e0, since_ns = _e0(wanted.e0), _since_ns(wanted.since, now_ns())
    if not (wanted.by.strip() and wanted.why.strip()):
        if wanted.e0:
            raise CommandError("say who takes the baseline and why: give --by and --why; both are kept")
        if wanted.delay:
            raise CommandError("say who has the delay taken off and why: give --by and --why; both are kept")
    with opened_database(settings) as database:
        set_up = _set_up(database)
        shown: dict[str, StepState] = {}
        try:
            while True:
                at_ns = now_ns()
                state = _state(set_up, wanted, e0, since_ns, at_ns)
                if state is not None:
                    _print_turned(state, shown, at_ns)
                    if wanted.delay and _delay_found(state):
                        _take_delay_off(set_up, wanted, since_ns, now_ns())
                        continue
                    if state.commissioning.ready_for_baseline:
                        return _end(set_up, wanted, e0, since_ns, state, now_ns())
                if once:
                    _tell("not ready for a baseline yet")
                    return 1
                wait(EVERY_S)
        except KeyboardInterrupt:
            _tell("ended; not ready for a baseline yet")
            return 1


def _set_up(database: Database) -> SetUp:
    operate = Operate(database.register, database.refused, database.readings)
    return SetUp(database.register, database.readings, database.raw_batches, database.hand_values, operate)


def _state(
    set_up: SetUp, wanted: Wanted, e0: E0 | Start | None, since_ns: int | None, at_ns: int
) -> SetUpState | None:
    """The state; None where the store is busy: the next look will do."""
    try:
        return set_up.state(
            wanted.drive_id,
            at_ns=at_ns,
            since_ns=since_ns,
            shaft_rev_per_min=wanted.shaft_rev_per_min,
            e0=e0,
        )
    except FieldsRefusedError as error:
        raise CommandError(_named(error)) from None
    except StoreUnavailableError as error:
        _tell(f"the store does not answer ({error}); trying again")
        return None


def _print_turned(state: SetUpState, shown: dict[str, StepState], at_ns: int) -> None:
    """Print the steps whose state is another than when they were printed last; at first all."""
    stamp = format_rfc3339(at_ns)[11:19]
    for each in state.commissioning.steps:
        if shown.get(each.step) is not each.state:
            shown[each.step] = each.state
            for line in _lines(each):
                typer.echo(f"{stamp}  {line}")
                stamp = " " * len(stamp)


def _delay_found(state: SetUpState) -> bool:
    """Whether a delay stands in the way, which taking it off would mend."""
    return state.commissioning.step(StepId.DELAY).state is StepState.FAILED


def _take_delay_off(set_up: SetUp, wanted: Wanted, since_ns: int | None, at_ns: int) -> None:
    try:
        drive = set_up.apply_delay(
            wanted.drive_id, why=wanted.why, by=wanted.by, since_ns=since_ns, at_ns=at_ns
        ).drive
    except FieldsRefusedError as error:
        raise CommandError(_named(error)) from None
    _tell(f"a switching delay of {drive.delay_us:g} µs (u {drive.delay_u_us:g} µs) is taken off from now on")


def _lines(step: Step) -> list[str]:
    lines = [f"{WORDS[step.state]:<8} {step.title}: {step.reason}"]
    if step.mend:
        lines.append(f"{'':<8} > {step.mend}")
    if step.step is StepId.DELAY and step.state is StepState.FAILED:
        lines.append(f"{'':<8} > To have it taken off: --delay --by NAME --why TEXT, or on the page.")
    if step.mend and step.caution:
        lines.append(f"{'':<8} > At the drive: lock out and tag out first.")
    return lines


def _end(
    set_up: SetUp,
    wanted: Wanted,
    e0: E0 | Start | None,
    since_ns: int | None,
    state: SetUpState,
    at_ns: int,
) -> int:
    """The drive is ready: take the baseline, or say how to."""
    if e0 is None:
        start = state.starts[state.e0]
        _tell(
            f"ready for a baseline; take it with --baseline {state.e0} (e0 = {start.elongation_pct:.3f} %, "
            f"u {start.u_pct:.3f} %; {start.words}) --by NAME --why TEXT, or on the page"
        )
        return 0
    try:
        made = set_up.record_baseline(
            wanted.drive_id,
            e0=e0,
            why=wanted.why,
            by=wanted.by,
            since_ns=since_ns,
            shaft_rev_per_min=wanted.shaft_rev_per_min,
            at_ns=at_ns,
        )
    except FieldsRefusedError as error:
        raise CommandError(_named(error)) from None
    _tell(_told(made))
    return 0


def _told(made: Baseline) -> str:
    return (
        f"baseline of {made.chain_id} recorded by {made.recorded_by}: N0 = {made.pitches_between:.4f} "
        f"(u {made.pitches_between_u:.4f}) at {made.elongation_pct:.3f} % (u {made.elongation_u_pct:.3f} %)"
    )


def _e0(text: str) -> E0 | Start | None:
    """Where e0 comes from, or what it is; None for "". Raises CommandError."""
    if not text:
        return None
    if text in set(E0) - {E0.VALUE}:
        return E0(text)
    match = _VALUE.fullmatch(text.strip())
    if match is None:
        raise CommandError(
            f"--baseline {text!r}: give new, hand, last, or a value with its uncertainty such as 0.42+-0.05"
        )
    pct, u_pct = (float(figure.replace(",", ".")) for figure in match.groups())
    return Start(elongation_pct=pct, u_pct=u_pct, words="as stated")


def _since_ns(text: str, now_ns: int) -> int | None:
    if not text:
        return None
    if text == "now":
        return now_ns
    try:
        return parse_rfc3339(text)
    except ValueError as error:
        raise CommandError(f"--since: {error}") from None


def _named(error: FieldsRefusedError) -> str:
    """The refusal with options in place of the names that core has for them."""
    return "; ".join(f"{OPTIONS.get(name, name)}: {said}" for name, said in error.problems.items())


def _tell(text: str) -> None:
    typer.echo(text, err=True)
