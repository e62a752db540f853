"""Brings the conditions of one drive up to what is stored of it, in the order of the drive's own time.

Goes on from where it stood; where something came late it goes back to an earlier state and folds again, so that the order
of arrival changes nothing. How far back is bounded: what is older than the earliest state that is kept counts no more.
Asks the ports for what was seen, and core for what it says. Must not know alerts, nor who is told.
"""

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median
from typing import Any

from service.core.condition import (
    BY_CLOCK,
    By,
    ByHand,
    ChainOn,
    Change,
    Clock,
    Judgement,
    Seen,
    SetAnew,
    State,
    Strand,
    fold,
)
from service.core.condition_words import ENGLISH
from service.core.drive import Baseline, Chain, Drive, chain_at
from service.core.hand import hand_elongation
from service.core.health import Known, SignKind, present_signs
from service.core.reading import Reading
from service.core.setpoint import FIELDS, ConditionKind, Facts
from service.core.told import Stretch
from service.judge import judge
from service.ports import ROWS_MAX, HandValues, Readings, SavedEvaluation, Span

S = 1_000_000_000
DAY_NS = 86_400 * S
AHEAD_NS = 900 * S  # a clock, or a date that people entered, may be so far ahead
KEPT_NS = 31 * DAY_NS  # so far back one can go; brokers keep batches for 30 days
CHECKPOINT_NS = 600 * S  # from one state that is kept to the next, at least
SLICE_NS = DAY_NS  # what is asked for at once
AHEAD_READINGS = 100  # of a drive, from which on it is read by itself
SLICES_AT_ONCE = 3  # of one drive, before the next one has its turn
STRAND_READINGS = 24  # that make the elongation of a strand
STRAND_READINGS_MIN = 3


@dataclass(frozen=True, slots=True)
class Point:
    """Where the folding stood, and the limit and setpoints that it was made with."""

    state: State
    made_with: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluation:
    """Where the conditions of one drive stand: now, by the clock, and earlier ones to go back to, the earliest first."""

    drive_id: str
    now: Point
    clock: Clock
    checkpoints: tuple[Point, ...] = ()

    def active(self) -> set[ConditionKind]:
        """The conditions that are true."""
        return self.now.state.active() | self.clock.active()


@dataclass(frozen=True, slots=True)
class Registered:
    """What the register says of a drive: its settings, all its chains, baselines by chain, and those side by side."""

    drive: Drive
    chains: Sequence[Chain]
    baselines: Mapping[str, Sequence[Baseline]]
    beside: Sequence[str]  # ids of drives whose chains work beside its own
    chains_beside: Mapping[str, Sequence[Chain]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ahead:
    """All readings of a drive with from_ns < t_ns <= to_ns, which were read together with those of others."""

    from_ns: int
    to_ns: int
    readings: Sequence[Reading]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stored:
    """What is stored of a drive: the earliest that is new, None where nothing came late; its newest reading; whether
    it was ever measured by hand; and what was read ahead.
    """

    from_ns: int | None = None
    newest_ns: int | None = None
    by_hand: bool = True
    ahead: Ahead | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BroughtUp:
    """An evaluation as it is now; over which stretches conditions were true since `from_ns`, of those that may differ."""

    evaluation: Evaluation
    from_ns: int
    so: Mapping[ConditionKind, Sequence[Stretch]]
    complete: bool  # whether nothing that is stored is left to be looked at


def begin(drive_id: str) -> Evaluation:
    """Return the evaluation of a drive before anything was seen of it."""
    nothing = Point(State(), "")
    return Evaluation(drive_id=drive_id, now=nothing, clock=Clock(), checkpoints=(nothing,))


def mark_of(by: By) -> str:
    """Return a short text of limit and setpoints, by which others can be told from them."""
    setpoints = {
        str(kind): [getattr(each, name) for name in FIELDS] for kind, each in sorted(by.setpoints.items())
    }
    return hashlib.sha256(json.dumps([by.limit_pct, setpoints]).encode()).hexdigest()[:16]


class Evaluate:
    """Brings evaluations up to what is stored."""

    def __init__(self, readings: Readings, hand_values: HandValues) -> None:
        self._readings, self._hand_values = readings, hand_values

    def read_ahead(
        self, evaluations: Sequence[Evaluation], newest_ns: Mapping[str, int], now_ns: int
    ) -> dict[str, Ahead]:
        """Read what is new of many drives at once; return it of those of which it is a few readings.

        Memory holds AHEAD_READINGS of each drive at most; the caller says how many drives that are.
        """
        spans = []
        for each in evaluations:
            from_ns, to_ns = _new_part(each.now.state.to_ns, newest_ns.get(each.drive_id), now_ns + AHEAD_NS)
            if from_ns < to_ns <= from_ns + SLICE_NS:
                spans.append(Span(drive_id=each.drive_id, from_ns=from_ns, to_ns=to_ns))
        found = self._readings.raw_of(spans, AHEAD_READINGS) if spans else []
        return {
            span.drive_id: Ahead(from_ns=span.from_ns, to_ns=span.to_ns, readings=readings)
            for span, readings in zip(spans, found, strict=True)
            if len(readings) < AHEAD_READINGS
        }

    def bring_up(
        self,
        evaluation: Evaluation,
        registered: Registered,
        by: By,
        *,
        stored: Stored,
        now_ns: int,
        all_kinds: bool = False,
    ) -> BroughtUp:
        """Bring an evaluation up to what is stored, or some days further where that is much.

        Args:
            evaluation: as it stands.
            registered: the drive.
            by: limit and setpoints that hold now.
            stored: what is stored of the drive.
            now_ns: what lies further ahead than a clock may be off is left alone.
            all_kinds: say of all conditions what is so, also of those that did not change.
        """
        back = stored.from_ns is not None and stored.from_ns <= evaluation.now.state.to_ns
        start = _start(evaluation, stored.from_ns) if back and stored.from_ns is not None else evaluation.now
        made_with = mark_of(by)
        state, changes, complete = start.state, [], True
        checkpoints = [
            each for each in evaluation.checkpoints if not back or each.state.to_ns <= start.state.to_ns
        ]
        for number, seen in enumerate(self._slices(start.state.to_ns, registered, stored, now_ns)):
            if number == SLICES_AT_ONCE and not back:  # having gone back, all of it says what is so
                complete = False
                break
            for each in seen:
                state, new = self._folded(state, each, registered, by)
                changes += new
            _keep(checkpoints, Point(state, start.made_with))
        if start.made_with not in {"", made_with}:
            state, new = fold(state, SetAnew(max(now_ns, state.to_ns)), by)
            changes += new
        now = Point(state, made_with)
        brought = replace(evaluation, now=now, checkpoints=tuple(checkpoints))
        kinds = set(ConditionKind) - BY_CLOCK if back or all_kinds else {each.kind for each in changes}
        so = {kind: stretches(kind, start.state, changes) for kind in kinds}
        return BroughtUp(evaluation=brought, from_ns=start.state.to_ns, so=so, complete=complete)

    def _folded(self, state: State, seen: Seen, registered: Registered, by: By) -> tuple[State, list[Change]]:
        """Fold one more; many readings are judged before it where that was due."""
        changes: list[Change] = []
        if state.judge_due_ns is not None and seen.t_ns > state.judge_due_ns:
            state, changes = fold(state, self._judged(state.judge_due_ns, registered), by)
        state, new = fold(state, seen, by)
        return state, [*changes, *new]

    # What is seen

    def _slices(
        self, after_ns: int, registered: Registered, stored: Stored, now_ns: int
    ) -> Iterator[list[Seen]]:
        """What was seen of a drive after an instant, a day or so at a time, in the order of its own time."""
        until_ns = now_ns + AHEAD_NS
        others = [each for each in self._others(registered, stored) if after_ns < each.t_ns <= until_ns]
        begin_ns, newest_ns = _new_part(after_ns, stored.newest_ns, until_ns)
        end_ns = begin_ns
        while end_ns < newest_ns:
            begin_ns, end_ns = end_ns, min(end_ns + SLICE_NS, newest_ns)
            readings = self._between(registered.drive.drive_id, begin_ns, end_ns, stored.ahead)
            some = [each for each in others if each.t_ns <= end_ns]
            others = others[len(some) :]
            if readings or some:
                yield sorted([*readings, *some], key=_order)
        if others:
            yield others

    def _between(self, drive_id: str, from_ns: int, to_ns: int, ahead: Ahead | None) -> Sequence[Reading]:
        if ahead is not None and (ahead.from_ns, ahead.to_ns) == (from_ns, to_ns):
            return ahead.readings
        return self._readings.raw(drive_id, from_ns, to_ns, ROWS_MAX)

    def _others(self, registered: Registered, stored: Stored) -> list[Seen]:
        """Measurements by hand, and when chains came on and off."""
        drive, chains = registered.drive, {each.chain_id: each for each in registered.chains}
        seen: list[Seen] = []
        for value in self._hand_values.of(drive.drive_id) if stored.by_hand else ():
            if value.tight and value.chain_id in chains:
                pitches = chains[value.chain_id].pitches_in_loop
                found = hand_elongation(value, temp_ref_c=drive.temp_ref_c, pitches_in_loop=pitches)
                seen.append(ByHand(value.measured_ns, value.chain_id, found))
        for t_ns in {each.fitted_ns for each in chains.values()} | {
            each.removed_ns for each in chains.values() if each.removed_ns is not None
        }:
            on = chain_at(chains.values(), t_ns + 1)
            seen.append(ChainOn(t_ns, on.chain_id if on else None))
        return sorted(seen, key=_order)

    # Many readings

    def _judged(self, at_ns: int, registered: Registered) -> Judgement:
        """Judge the readings up to an instant of the drive's own time."""
        drive, chain = registered.drive, chain_at(registered.chains, at_ns)
        baselines = registered.baselines.get(chain.chain_id, []) if chain else []
        found = judge(self._readings, drive, chain, baselines, at_ns, at_ns)
        pitch_mm = chain.pitch_mm if chain else None
        present = present_signs(found.recent, Known(now_ns=at_ns, pitch_mm=pitch_mm))
        counted = [each for each in present if each.kind in {SignKind.PULSES_MISSED, SignKind.PULSES_EXTRA}]
        own, beside = None, []
        if registered.beside:
            own = self._strand(drive.drive_id, registered.chains, at_ns)
            strands = (
                self._strand(other, registered.chains_beside.get(other, []), at_ns)
                for other in registered.beside
            )
            beside = [each for each in strands if each is not None]
        return Judgement(
            t_ns=at_ns,
            findings=found.findings,
            signs=(*found.signs, *counted),
            own=own,
            beside=tuple(beside),
        )

    def _strand(self, drive_id: str, chains: Sequence[Chain], at_ns: int) -> Strand | None:
        """The elongation of a drive's chain over the last readings of a day; None with too few."""
        chain = chain_at(chains, at_ns)
        readings = self._readings.raw(drive_id, at_ns - DAY_NS, at_ns, STRAND_READINGS)
        known = [
            (each.elongation_pct, each.elongation_u_pct or 0.0)
            for each in readings
            if each.elongation_pct is not None and chain is not None and each.chain_id == chain.chain_id
        ]
        if len(known) < STRAND_READINGS_MIN:
            return None
        return Strand(drive_id, median(pct for pct, _ in known), known[-1][1])


def _new_part(after_ns: int, newest_ns: int | None, until_ns: int) -> tuple[int, int]:
    """Return from when to when readings of a drive are new; what is older than is kept is not looked at."""
    to_ns = -1 if newest_ns is None else min(newest_ns, until_ns)
    return max(after_ns, to_ns - KEPT_NS), to_ns


def _order(seen: Seen) -> tuple[int, int]:
    """By time; what ends at an instant is of the chain that was on until then."""
    rank = 0 if isinstance(seen, Reading) else 1 if isinstance(seen, ByHand) else 2
    return seen.t_ns, rank


def stretches(kind: ConditionKind, start: State, changes: Sequence[Change]) -> list[Stretch]:
    """Return over which stretches a condition was true, from a state and what changed since."""
    return _stretches(kind, start.since(kind) if kind in start.active() else None, changes)


def stretches_by_clock(kind: ConditionKind, start: Clock, changes: Sequence[Change]) -> list[Stretch]:
    """Return the same of what hangs on the clock."""
    signal = start.signals.get(kind)
    return _stretches(kind, signal.since_ns if signal and signal.active else None, changes)


def _stretches(kind: ConditionKind, since_ns: int | None, changes: Sequence[Change]) -> list[Stretch]:
    words = ENGLISH[kind]
    carried = Facts(cause=words.cause, mend=words.mend, at_drive=words.at_drive)
    found = [] if since_ns is None else [Stretch(start_ns=since_ns, on=carried)]
    for each in changes:
        if each.kind is not kind:
            continue
        if each.occurred:
            found.append(Stretch(start_ns=each.true_ns, on=each.facts, priority=each.priority))
        else:
            found[-1] = replace(found[-1], end_ns=max(each.true_ns, found[-1].start_ns), off=each.facts)
    return found


# Going back


def _start(evaluation: Evaluation, from_ns: int) -> Point:
    """The newest state that is older than what came, or the earliest there is."""
    earlier = [each for each in evaluation.checkpoints if each.state.to_ns < from_ns]
    return earlier[-1] if earlier else evaluation.checkpoints[0]


def _keep(checkpoints: list[Point], now: Point) -> None:
    """Keep a state to go back to, and of those that are there the oldest of each doubling of age."""
    to_ns = now.state.to_ns
    if checkpoints and to_ns < checkpoints[-1].state.to_ns + CHECKPOINT_NS:
        return
    kept: dict[int, Point] = {}
    for each in checkpoints:  # the earliest first: it stays in its age
        age_ns = to_ns - each.state.to_ns
        age = -1 if age_ns > KEPT_NS else (age_ns // CHECKPOINT_NS).bit_length()
        if age < 0:
            kept[age] = each  # of those too old the newest
        else:
            kept.setdefault(age, each)
    checkpoints[:] = [*sorted(kept.values(), key=lambda each: each.state.to_ns), now]


# As it is saved


def saved_of(evaluation: Evaluation, *, checkpoints: bool) -> SavedEvaluation:
    """Return an evaluation as it is saved; without checkpoints where those that are saved still hold."""
    return SavedEvaluation(
        drive_id=evaluation.drive_id,
        state={"now": _to_dict(evaluation.now), "clock": evaluation.clock.to_dict()},
        checkpoints=[_to_dict(each) for each in evaluation.checkpoints] if checkpoints else None,
    )


def loaded(saved: SavedEvaluation) -> Evaluation:
    """Return the evaluation that was saved. Raises ValueError where it cannot be read."""
    values: Any = saved.state
    try:
        return Evaluation(
            drive_id=saved.drive_id,
            now=_from_dict(values["now"]),
            clock=Clock.from_dict(values["clock"]),
            checkpoints=tuple(_from_dict(each) for each in saved.checkpoints or ()) or (Point(State(), ""),),
        )
    except (KeyError, TypeError, IndexError) as fault:
        raise ValueError(f"evaluation of {saved.drive_id} cannot be read: {fault!r}") from fault


def _to_dict(point: Point) -> dict[str, object]:
    return {"state": point.state.to_dict(), "made_with": point.made_with}


def _from_dict(values: Any) -> Point:
    return Point(State.from_dict(values["state"]), values["made_with"])
