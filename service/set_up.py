"""Door: a person sets up the sensors of a drive, with the drive running, and puts to use what it teaches.

Knows the ports, core and the door `operate`, through which every change goes; must not know how the person came in.
What was done at a drive is written into its note, with when, who and why, and nothing older is overwritten. `at_ns` is
now, read once by the caller; `by` is who acted. What a person got wrong raises, with the fix in words, as in `operate`.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import lru_cache
from statistics import median

import structlog

from service.core.commission import (
    NEW_CHAIN,
    Commissioning,
    Look,
    Start,
    commission,
    look,
    note_line,
    touched_ns,
)
from service.core.drive import Baseline, Chain, Drive, baseline_at, chain_at
from service.core.fields import FieldsRefusedError
from service.core.hand import hand_elongation, start_of
from service.core.learn import (
    DelayFit,
    NotLearnt,
    StrainFit,
    delay_points,
    fit_delay,
    fit_strain,
    polygon_scale_u,
    strain_points,
)
from service.core.reading import Reading
from service.core.wire import Refusal
from service.measure_by_hand import newest_tight
from service.operate import AHEAD_NS, Operate
from service.ports import ConflictError, HandValues, RawBatch, RawBatches, Readings, Register

log = structlog.get_logger()

SECOND_NS = 1_000_000_000
SPAN_NS = 1200 * SECOND_NS  # batches of so long go into the steps, unless told otherwise
BATCHES_MAX = 1200
LEARN_READINGS_MAX = 20_000  # the newest so many
AROUND_BASELINE_NS = 600 * SECOND_NS  # readings of so long on either side tell speed and load of a baseline
LAST_NS = 7 * 86_400 * SECOND_NS  # a reading no older than that is what the chain was last


# Gives N0 with what was learnt taken off and the uncertainty that this adds, from the baseline, the readings around it
# and its chain.
CorrectN0 = Callable[[Baseline, Sequence[Reading], Chain], tuple[float, float]]


class E0(StrEnum):
    """Where the elongation of a baseline comes from."""

    NEW = "new"  # a new chain, within its tolerance
    VALUE = "value"  # given, with its uncertainty
    HAND = "hand"  # the newest measurement by hand of this chain
    LAST = "last"  # the last reading, taken before a bracket was touched


@dataclass(frozen=True, slots=True, kw_only=True)
class SetUpState:
    """How far a drive is set up, and what is known besides."""

    drive: Drive
    chain: Chain | None
    baseline: Baseline | None  # in force
    touched_ns: int | None  # when somebody touched a bracket last
    since_ns: int  # batches later than that were looked at
    starts: dict[E0, Start]  # what e0 may be, as far as it is known
    e0: E0  # the one that the steps went by
    commissioning: Commissioning


@dataclass(frozen=True, slots=True, kw_only=True)
class Learnt:
    """What the stored readings of the chain that is on teach, and from how long back they are."""

    strain: StrainFit | NotLearnt
    delay: DelayFit | NotLearnt
    readings: int
    from_ns: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Applied:
    """A drive with what was learnt; the baseline brought in line with it, where that could be; what is left to do."""

    drive: Drive
    baseline: Baseline | None
    advice: tuple[str, ...]


class SetUp:
    """What people do to have a drive measure, from the first pulse to the baseline, and after."""

    def __init__(
        self,
        register: Register,
        readings: Readings,
        raw_batches: RawBatches,
        hand_values: HandValues,
        operate: Operate,
    ) -> None:
        self._register, self._readings, self._raw_batches = register, readings, raw_batches
        self._hand_values, self._operate = hand_values, operate

    def state(
        self,
        drive_id: str,
        *,
        at_ns: int,
        since_ns: int | None = None,
        shaft_rev_per_min: float | None = None,
        e0: E0 | Start | None = None,
    ) -> SetUpState:
        """Return how far a drive is set up, by the batches that came of it. Raises NotFoundError, ConflictError.

        since_ns: only batches later than that count, and none before the chain was fitted or a bracket was touched; None:
            twenty minutes.
        shaft_rev_per_min: of the driver's shaft, as read meanwhile.
        e0: where the chain's elongation comes from; None takes what is known best.
        """
        drive = self._register.drive(drive_id)
        _refuse_shaft(shaft_rev_per_min)
        chain = chain_at(self._register.chains(drive_id), at_ns)
        held = baseline_at(self._register.baselines(chain.chain_id), at_ns) if chain else None
        touched = touched_ns(drive.note)
        since_ns = max(
            at_ns - SPAN_NS if since_ns is None else since_ns, touched or 0, chain.fitted_ns if chain else 0
        )
        starts = self._starts(drive, chain, touched, at_ns)
        if isinstance(e0, Start):
            starts, e0 = starts | {E0.VALUE: e0}, E0.VALUE
        elif e0 is None:
            e0 = _best(starts, is_new=held is None and touched is None)
        if e0 not in starts:
            raise ConflictError(_WITHOUT[e0])
        return SetUpState(
            drive=drive,
            chain=chain,
            baseline=held,
            touched_ns=touched,
            since_ns=since_ns,
            starts=starts,
            e0=e0,
            commissioning=commission(
                self._looks(drive_id, chain, since_ns, at_ns),
                drive,
                chain,
                now_ns=at_ns,
                start=starts[e0],
                baseline=held,
                touched_ns=touched,
                shaft_rev_per_min=shaft_rev_per_min,
            ),
        )

    def record_baseline(  # noqa: PLR0913 - what a person says of a baseline, all by name
        self,
        drive_id: str,
        *,
        e0: E0 | Start,
        why: str,
        since_ns: int | None = None,
        shaft_rev_per_min: float | None = None,
        at_ns: int,
        by: str,
    ) -> Baseline:
        """Record the baseline that the steps propose, once all that block have passed, and return it.

        It counts from the first batch that went into it. Raises NotFoundError, ConflictError (a step is in the way),
        FieldsRefusedError.
        """
        by, why = _said(by, why)
        state = self.state(
            drive_id, at_ns=at_ns, since_ns=since_ns, shaft_rev_per_min=shaft_rev_per_min, e0=e0
        )
        found = state.commissioning
        if not found.ready_for_baseline or found.proposal is None or state.chain is None:
            lacks = [f"{each.title}: {each.reason}" for each in found.steps if each.stands_in_the_way]
            raise ConflictError(f"the drive is not ready for a baseline. {' '.join(lacks[:2])}")
        proposal, start = found.proposal, found.proposal.start
        held_ns = state.baseline.taken_ns if state.baseline else 0
        return self._operate.record_baseline(
            state.chain.chain_id,
            elongation_pct=start.elongation_pct,
            elongation_u_pct=start.u_pct,
            pitches_between=proposal.pitches_between,
            pitches_between_u=proposal.pitches_between_u,
            up_alternation_pct=proposal.up_alternation_pct,
            down_alternation_pct=proposal.down_alternation_pct,
            taken_ns=max(proposal.taken_ns, held_ns, state.chain.fitted_ns + 1),
            why=f"{why}; {start.words}",
            at_ns=at_ns,
            by=by,
        )

    def apply_delay(
        self, drive_id: str, *, why: str, since_ns: int | None = None, at_ns: int, by: str
    ) -> Applied:
        """Have the switching delay that the steps found taken off from now on, and return the drive with it.

        Raises NotFoundError, ConflictError (none was found, or it is not significant), FieldsRefusedError.
        """
        by, why = _said(by, why)
        state = self.state(drive_id, at_ns=at_ns, since_ns=since_ns)
        fit = state.commissioning.delay
        if isinstance(fit, NotLearnt):
            raise ConflictError(
                "no delay was found: run the drive at two clearly different speeds, half a minute each"
            )
        if not fit.significant:
            raise ConflictError(
                f"the delay of {fit.delay_us:.1f} µs is within three times its uncertainty of {fit.u_us:.1f} µs: there is "
                "nothing to take off; run on, or at speeds further apart, to know it better"
            )
        delay_us, u_us = round(fit.delay_us, 2), round(fit.u_us, 2)
        changed = replace(state.drive, delay_us=delay_us, delay_u_us=u_us)
        what = f"switching delay of {delay_us:g} µs (u {u_us:g} µs) taken off"
        later_us = delay_us - (state.drive.delay_us or 0.0)

        def n0(held: Baseline, around: Sequence[Reading], chain: Chain) -> tuple[float, float]:
            rate = median(_joints_per_s(each, chain) for each in around)
            return held.pitches_between - later_us * 1e-6 * rate, u_us * 1e-6 * rate

        return self._apply(state.drive, changed, what, why, n0, at_ns=at_ns, by=by)

    def note_bracket_touched(self, drive_id: str, *, why: str, at_ns: int, by: str) -> Drive:
        """Note that a bracket or a sensor was touched, so that a new baseline is asked for; return the drive.

        Raises NotFoundError, FieldsRefusedError (nothing said; the note is full).
        """
        by, why = _said(by, why)
        drive = self._register.drive(drive_id)
        noted = _noted(drive, at_ns, by, f"bracket touched: {why}")
        return self._operate.change_drive(noted, at_ns=at_ns, by=by).drive

    # What a drive teaches

    def learnt(self, drive_id: str, from_ns: int, at_ns: int) -> Learnt:
        """Return what the readings of the chain that is on teach since `from_ns`. Raises NotFoundError."""
        drive = self._register.drive(drive_id)
        chain = chain_at(self._register.chains(drive_id), at_ns)
        if chain is None:
            return Learnt(strain=NotLearnt.TOO_FEW, delay=NotLearnt.TOO_FEW, readings=0, from_ns=None)
        stored = self._readings.raw(drive_id, from_ns, at_ns, LEARN_READINGS_MAX)
        readings = [each for each in stored if each.chain_id == chain.chain_id and each.reason is None]
        return Learnt(
            strain=fit_strain(strain_points(readings), polygon_scale_u(drive)),
            delay=fit_delay(delay_points(readings, drive, chain.pitch_mm), polygon_scale_u(drive)),
            readings=len(readings),
            from_ns=readings[0].t_ns if readings else None,
        )

    def apply_strain(self, drive_id: str, *, why: str, from_ns: int, at_ns: int, by: str) -> Applied:
        """Have the strain that the readings taught taken off from now on, and return the drive with it.

        Where the drive has no reference load, that of its baseline is it, else the mean of the readings.
        Raises NotFoundError, ConflictError (nothing significant was learnt), FieldsRefusedError.
        """
        by, why = _said(by, why)
        drive, fit = self._register.drive(drive_id), self.learnt(drive_id, from_ns, at_ns).strain
        if isinstance(fit, NotLearnt) or not fit.significant:
            raise ConflictError(
                "the readings teach no strain that stands out from its uncertainty: let the device send load_n at loads "
                "far apart"
            )
        strain, u = round(fit.strain_pct_per_kn, 6), round(fit.u_pct_per_kn, 6)
        reference_n = drive.load_ref_n
        if reference_n is None:
            reference_n = round(self._load_at_baseline(drive_id, at_ns) or fit.load_mean_n, 1)
        changed = replace(drive, strain_pct_per_kn=strain, strain_u_pct_per_kn=u, load_ref_n=reference_n)
        what = f"strain of {strain:g} % per kN (u {u:g}) above {reference_n:g} N taken off"
        before = drive.strain_pct_per_kn or 0.0 if drive.load_ref_n is not None else 0.0

        def n0(held: Baseline, around: Sequence[Reading], _chain: Chain) -> tuple[float, float]:
            above_kn = (median(each.load_n or 0.0 for each in around) - reference_n) / 1000
            stretch = 1 + (strain - before) * above_kn / 100
            return held.pitches_between * stretch, held.pitches_between * abs(above_kn) * u / 100

        return self._apply(drive, changed, what, why, n0, at_ns=at_ns, by=by, with_load=True)

    def _apply(  # noqa: PLR0913 - what there is to say of it
        self,
        before: Drive,
        changed: Drive,
        what: str,
        why: str,
        n0: CorrectN0,
        *,
        at_ns: int,
        by: str,
        with_load: bool = False,
    ) -> Applied:
        """Change the drive, note it, and bring the baseline in force in line where it is known at which speed or load it was."""
        drive_id = before.drive_id
        noted = _noted(changed, at_ns, by, f"{what}: {why}")
        chain, held, around = self._around_baseline(drive_id, at_ns, with_load=with_load)
        advice = self._operate.change_drive(noted, at_ns=at_ns, by=by).advice
        log.info("learnt applied", drive=drive_id, what=what, by=by, at_ns=at_ns)
        if chain is None or held is None or not around:
            return Applied(drive=noted, baseline=None, advice=advice)
        pitches, more_u = n0(held, around, chain)
        corrected = self._operate.record_baseline(
            chain.chain_id,
            elongation_pct=held.elongation_pct,
            elongation_u_pct=held.elongation_u_pct,
            pitches_between=pitches,
            pitches_between_u=math.hypot(held.pitches_between_u, more_u),
            up_alternation_pct=held.up_alternation_pct,
            down_alternation_pct=held.down_alternation_pct,
            taken_ns=held.taken_ns,
            why=f"corrected: {what}; {held.why}"[:4000],
            at_ns=at_ns,
            by=by,
        )
        return Applied(drive=noted, baseline=corrected, advice=())

    def _around_baseline(
        self, drive_id: str, at_ns: int, *, with_load: bool
    ) -> tuple[Chain | None, Baseline | None, list[Reading]]:
        """The chain that is on, its baseline in force, and the readings that tell speed or load when that was taken."""
        chain = chain_at(self._register.chains(drive_id), at_ns)
        held = baseline_at(self._register.baselines(chain.chain_id), at_ns) if chain else None
        if chain is None or held is None or chain_at([chain], held.taken_ns) is None:
            return chain, held, []
        near = self._readings.raw(
            drive_id, held.taken_ns - AROUND_BASELINE_NS, held.taken_ns + AROUND_BASELINE_NS
        )
        around = [
            each
            for each in near
            if each.chain_id == chain.chain_id
            and each.speed_m_s
            and each.reason is None
            and (each.load_n is not None or not with_load)
        ]
        return chain, held, around

    def _load_at_baseline(self, drive_id: str, at_ns: int) -> float | None:
        *_, around = self._around_baseline(drive_id, at_ns, with_load=True)
        return median(each.load_n or 0.0 for each in around) if around else None

    # What the steps go by

    def _looks(self, drive_id: str, chain: Chain | None, since_ns: int, at_ns: int) -> list[Look]:
        if chain is None:
            return []
        raw = self._raw_batches.raw(drive_id, since_ns, at_ns + AHEAD_NS, BATCHES_MAX)
        found = (_looked(each, chain) for each in raw)
        return [each for each in found if each is not None and each.batch.t0_ns >= since_ns]

    def _starts(self, drive: Drive, chain: Chain | None, touched: int | None, at_ns: int) -> dict[E0, Start]:
        """What e0 may be: that of a new chain, by hand, and what the chain showed last before a bracket was touched."""
        starts = {E0.NEW: NEW_CHAIN}
        value = newest_tight(self._hand_values.of(drive.drive_id), chain)
        if value is not None and chain is not None:
            found = hand_elongation(value, temp_ref_c=drive.temp_ref_c, pitches_in_loop=chain.pitches_in_loop)
            pct, u_pct = start_of(value, found, at_ns)
            starts[E0.HAND] = Start(
                elongation_pct=pct, u_pct=u_pct, words=f"by hand over {value.pitches} pitches"
            )
        last = self._last(drive.drive_id, chain, min(touched or at_ns, at_ns))
        if last is not None and last.elongation_pct is not None:
            starts[E0.LAST] = Start(
                elongation_pct=last.elongation_pct,
                u_pct=last.elongation_u_pct or 0.0,
                words="the last reading before it" if touched else "the last reading",
            )
        return starts

    def _last(self, drive_id: str, chain: Chain | None, until_ns: int) -> Reading | None:
        """The last reading with an elongation by a baseline; one by the spacing is what a baseline shall improve on."""
        if chain is None:
            return None
        stored = self._readings.raw(drive_id, until_ns - LAST_NS, until_ns, 200)
        measured = (
            each
            for each in reversed(stored)
            if each.chain_id == chain.chain_id
            and each.elongation_pct is not None
            and each.baseline_taken_ns is not None
        )
        return next(measured, None)


_WITHOUT = {
    E0.NEW: "",
    E0.VALUE: "give elongation_pct and elongation_u_pct, the value and its standard uncertainty",
    E0.HAND: "the chain that is on was not measured by hand, or only slack: record a measurement first",
    E0.LAST: "there is no reading by a baseline of the week before: measure the chain by hand",
}


@lru_cache(maxsize=2 * BATCHES_MAX)  # 6 kB each where a batch has some 20 joints; two drives at once
def _looked(raw: RawBatch, chain: Chain) -> Look | None:
    """What a stored batch shows; None where it is none after all. Kept, because a page asks again every two seconds."""
    batch = raw.decoded(raw.t_ns)
    return None if isinstance(batch, Refusal) else look(batch, chain)


def _best(starts: dict[E0, Start], *, is_new: bool) -> E0:
    """Where e0 comes from if nobody says: what was measured by hand, else a new chain if it is, else the last reading."""
    if E0.HAND in starts:
        return E0.HAND
    return E0.NEW if is_new or E0.LAST not in starts else E0.LAST


def _joints_per_s(reading: Reading, chain: Chain) -> float:
    worn_mm = chain.pitch_mm * (1 + (reading.elongation_pct or 0.0) / 100)
    return (reading.speed_m_s or 0.0) * 1000 / worn_mm


def _said(by: str, why: str) -> tuple[str, str]:
    """Who and why, on one line each. Raises FieldsRefusedError where either is missing."""
    by, why = " ".join(by.split()), " ".join(why.split())
    wrong = {}
    if not by:
        wrong["by"] = "say who: it is kept with what was done"
    if not why:
        wrong["why"] = "say why: it is kept with what was done"
    if wrong:
        raise FieldsRefusedError(wrong)
    return by, why


def _refuse_shaft(rev_per_min: float | None) -> None:
    if rev_per_min is not None and not 0 < rev_per_min <= 100_000:
        raise FieldsRefusedError(
            {
                "shaft_rev_per_min": f"{rev_per_min:g} is no speed of a shaft: give revolutions a minute, over 0"
            }
        )


def _noted(drive: Drive, at_ns: int, by: str, what: str) -> Drive:
    """The drive with a line more in its note."""
    note = "\n".join(part for part in (drive.note, note_line(at_ns, by, what)) if part)
    return replace(drive, note=note)
