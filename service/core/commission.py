"""Setting up the sensors of a drive, step by step, from what its batches show while it runs.

Each step is a check that is waiting, passed, failed or not needed, says why in numbers, and what would mend it. When
all that block have passed, the pitches between the sensors of whole laps are a baseline. Nothing here is remembered
from one call to the next: the same batches give the same steps.

Knows batches, the drive and the chain as registered; must not know who asks, or what is stored.
"""

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import fmean, median, stdev

from service.core.batch import Batch
from service.core.drive import Baseline, Chain, Drive
from service.core.elongation import (
    delay_shift_pitches,
    load_correction_pct,
    polygon_shift_pitches,
    polygon_u_pitches,
    sample_u_pct,
    temperature_correction_pct,
)
from service.core.fingerprint import Match
from service.core.instant import format_rfc3339, parse_rfc3339
from service.core.lag import Lag, measure_lag
from service.core.learn import DelayFit, NotLearnt
from service.core.looks import NEW_CHAIN, Look, Seen, Start, look, see
from service.core.pitches import ELONGATION_CREDIBLE_PCT
from service.core.runs import lap_pieces
from service.core.steps import PATIENCE_NS, Step, StepId, StepState, steps_of

__all__ = [
    "NEW_CHAIN",
    "Commissioning",
    "Look",
    "Proposal",
    "Start",
    "Step",
    "StepId",
    "StepState",
    "commission",
    "look",
]

ALTERNATION_AGREES = 4.0  # standard uncertainties
PIECES_MIN = 4  # whole laps, or batches, that a baseline needs


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """What a baseline taken now would be: N0 at e0, both with standard uncertainty."""

    pitches_between: float
    pitches_between_u: float
    start: Start
    taken_ns: int  # start of the first batch that went into it
    pieces: int  # means that N0 is the mean of
    whole_laps: int  # in all of them; 0 where no piece holds a lap
    up_alternation_pct: float | None
    down_alternation_pct: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Commissioning:
    """How far a drive is set up, as its batches show."""

    steps: tuple[Step, ...]
    ready_for_baseline: bool
    proposal: Proposal | None
    delay: DelayFit | NotLearnt
    match: Match | None
    batches: int
    newest_ns: int | None

    def step(self, step: StepId) -> Step:
        """One of the steps."""
        return next(each for each in self.steps if each.step is step)


def commission(  # noqa: PLR0913 - what may be known, all by name
    batches: Iterable[Batch | Look],
    drive: Drive,
    chain: Chain | None,
    *,
    now_ns: int,
    start: Start = NEW_CHAIN,
    baseline: Baseline | None = None,
    touched_ns: int | None = None,
    shaft_rev_per_min: float | None = None,
) -> Commissioning:
    """Return how far a drive is set up: each step with its state, and the baseline that could be taken now.

    Args:
        batches: of this drive, in any order, those since the last change at the drive; or what `look` made of them.
        drive: as registered.
        chain: the one that is on it; None if none is registered.
        now_ns: UTC now.
        start: what is known of the chain's elongation now.
        baseline: the one in force; None if there is none.
        touched_ns: when somebody touched a bracket last; an older baseline does not count.
        shaft_rev_per_min: of the driver's shaft, as read while these batches were taken.
    """
    looks = []
    if chain is not None and drive.whole_pitches is not None:
        looks = [_looked(each, chain) for each in batches]
    seen = see(looks, drive, chain, now_ns=now_ns, start=start, shaft_rev_per_min=shaft_rev_per_min)
    steps = steps_of(seen)
    first = [each.title for each in steps if each.stands_in_the_way]
    proposal = None if first else _propose(seen)
    last = _baseline(seen, first, proposal, baseline, touched_ns)
    return Commissioning(
        steps=(*steps, last),
        ready_for_baseline=proposal is not None and last.state is not StepState.FAILED,
        proposal=proposal,
        delay=seen.delay,
        match=seen.match,
        batches=len(looks),
        newest_ns=max((each.batch.end_ns for each in looks), default=None),
    )


def _looked(given: Batch | Look, chain: Chain) -> Look:
    return given if isinstance(given, Look) else look(given, chain)


def _baseline(
    seen: Seen,
    first: Sequence[str],
    proposal: Proposal | None,
    held: Baseline | None,
    touched_ns: int | None,
) -> Step:
    step, start = StepId.BASELINE, seen.start
    if (worn := _contradicting(seen)) is not None:
        worn_pct, u_pct = worn
        return Step.failed(
            step,
            f"Long and short links show {worn_pct:.2f} % of wear (u {u_pct:.2f} %); stated is {start.elongation_pct:.3f} % "
            f"(u {start.u_pct:.3f} %; {start.words}).",
            "Measure the chain by hand, drive locked out, and take the baseline at that value.",
            caution=True,
        )
    touched = held is not None and touched_ns is not None and held.recorded_ns <= touched_ns
    if held is not None and not touched:
        return Step.passed(
            step,
            f"N0 = {held.pitches_between:.4f} (u {held.pitches_between_u:.4f}) at {held.elongation_pct:.3f} %, recorded "
            f"by {held.recorded_by or 'nobody named'}.",
        )
    old = "A bracket was touched after the last baseline: that one no longer holds. " if touched else ""
    if first:
        more = f" and {len(first) - 3} more" if len(first) > 3 else ""
        return Step.waiting(step, f"{old}First: {'; '.join(first[:3])}{more}.")
    if proposal is None:
        what = "whole laps" if seen.chain is not None and seen.chain.pitches_in_loop else "windows"
        return Step.waiting(step, f"{old}{PIECES_MIN} {what} are needed.", "Let it run on at steady speed.")
    over = f"{proposal.whole_laps} whole laps" if proposal.whole_laps else f"{proposal.pieces} windows"
    return Step.waiting(
        step,
        f"{old}Ready: N0 = {proposal.pitches_between:.4f} (u {proposal.pitches_between_u:.4f}) from {over}, at "
        f"{start.elongation_pct:.3f} % (u {start.u_pct:.3f} %; {start.words}).",
        "Record it.",
    )


def _contradicting(seen: Seen) -> tuple[float, float] | None:
    """The elongation by alternation and its uncertainty, where it speaks against the stated one."""
    if seen.by_alternation is None or seen.by_alternation[0] > ELONGATION_CREDIBLE_PCT:
        return None
    off_pct = abs(seen.by_alternation[0] - seen.start.elongation_pct)
    u_pct = math.hypot(seen.by_alternation[1], seen.start.u_pct)
    return seen.by_alternation if off_pct > ALTERNATION_AGREES * u_pct else None


# The baseline ------------------------------------------------------------------------------------------------


def _propose(seen: Seen) -> Proposal | None:
    """N0 at reference temperature and load from whole laps of the last minutes; None with too few.

    The mean of the pieces. Its uncertainty: their scatter over the root of their number (widened as by Student's t,
    JCGM 101:2008, 6.4.9.4, from memory), links that no piece showed, and what is alike in all of them and does not
    average out: polygon effect, temperature, load, delay (JCGM 100:2008, 5.1.2).
    """
    drive, chain, lag = seen.drive, seen.chain, seen.lag_now
    if chain is None or lag is None:
        return None
    near = seen.between(lag)
    known = {id(each.batch): each.lag for each in seen.looks}
    lags = (
        (batch, known.get(id(batch)) or measure_lag(batch, chain.pitches_in_loop)) for batch in _pieces(seen)
    )
    pieces = [(batch, found) for batch, found in lags if isinstance(found, Lag)]
    if len(pieces) < PIECES_MIN:
        return None
    values, common_u = [], []
    for batch, each in pieces:
        shift, shift_u = delay_shift_pitches(drive, each.period_s)
        over = (each.pitches - shift) % 1.0
        apparent = over + round(near - over)
        spacing_mm = near * (1 + seen.start.elongation_pct / 100) * chain.pitch_mm
        warm_pct, warm_u_pct = temperature_correction_pct(drive, batch.temp_c, batch.mount_c)
        load_pct, load_u_pct = load_correction_pct(drive, batch.load_n)
        between = apparent + polygon_shift_pitches(drive, spacing_mm, apparent)
        values.append(between * (1 + (warm_pct + load_pct) / 100))
        taken_u = between * math.hypot(warm_u_pct, load_u_pct) / 100
        common_u.append(math.hypot(taken_u, shift_u, polygon_u_pitches(drive, each.pitches)))
    count = len(values)
    random_u = stdev(values) / math.sqrt(count) * math.sqrt((count - 1) / (count - 3))
    jitter_u = median(each.jitter_u_pitches for _, each in pieces) / math.sqrt(count)
    laps = sum(each.whole_laps for _, each in pieces)
    unseen_pct = 0.0
    if not all(each.whole_laps for _, each in pieces):
        unseen_pct = sample_u_pct(
            pieces[0][1].averaged, near, chain.pitches_in_loop, None, seen.start.elongation_pct
        )
        laps = 0
    return Proposal(
        pitches_between=fmean(values),
        pitches_between_u=math.hypot(max(random_u, jitter_u), fmean(common_u), near * unseen_pct / 100),
        start=seen.start,
        taken_ns=min(batch.t0_ns for batch, _ in pieces),
        pieces=count,
        whole_laps=laps,
        up_alternation_pct=seen.alternations[0],
        down_alternation_pct=seen.alternations[1],
    )


def _pieces(seen: Seen) -> list[Batch]:
    """The batches, or pieces of joined ones that hold a lap each, in which the chain ran; those of the last ten minutes."""
    since_ns = seen.looks[-1].batch.end_ns - PATIENCE_NS
    loop = seen.chain.pitches_in_loop if seen.chain else None
    if loop is None or seen.reduced:
        return [
            each.batch for each in seen.looks if isinstance(each.lag, Lag) and each.batch.end_ns > since_ns
        ]
    runs = [[each for each in run if each.end_ns > since_ns] for run in seen.runs]
    return [piece for run in runs for piece in lap_pieces(run, loop)]


# A bracket that was touched ----------------------------------------------------------------------------------

BRACKET_TOUCHED = "bracket touched"
_TOUCHED = re.compile(rf"^(\S+Z) .*?: {BRACKET_TOUCHED}\b", re.MULTILINE)


def note_line(t_ns: int, by: str, what: str) -> str:
    """Return the line that is added to a drive's note when something was done at it: when, who, what.

    To the next full second, so that it never seems to be before what was done earlier in the same second.
    """
    return f"{format_rfc3339(-(-t_ns // 10**9) * 10**9)[:19]}Z {by}: {what}"


def touched_ns(note: str) -> int | None:
    """Return when a bracket was touched last, by the lines that `note_line` made; None if no line says so."""
    instants = []
    for stamp in _TOUCHED.findall(note):
        try:
            instants.append(parse_rfc3339(stamp))
        except ValueError:  # somebody wrote a line of their own
            continue
    return max(instants, default=None)


def begun_anew_ns(note: str, baseline: Baseline | None) -> int | None:
    """Return when a bracket was touched after the baseline in force was taken; None where that baseline still holds."""
    touched = touched_ns(note)
    return touched if touched and (baseline is None or baseline.taken_ns < touched) else None
