"""Door: somebody looks at the pulses of a drive, as they came last.

The newest batch that shows a lag is shown as under a stroboscope; where newer ones show none, why. Nothing is stored. Knows the
order of the story; must not know who asks, nor how it is drawn.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from service.core.drive import Baseline, Chain, Drive, Limit, baseline_at, chain_at, limit, spacing_pitches
from service.core.elongation import new_pitches_by_baseline, new_pitches_by_spacing
from service.core.not_measured import NotMeasured
from service.core.reading import Reading
from service.core.strobe import Strobe, strobe_of
from service.core.wire import Refusal
from service.ports import RawBatch, RawBatches, Readings, Register

BATCHES_MAX = 24  # newest ones that are looked through for one with a lag
AHEAD_NS = 600 * 10**9  # a device's clock may be so far ahead


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What the pulses of a drive show.

    chain None, or new_pitches None (no sensors, no baseline): there is nothing to hold them against. strobe: of the newest batch that
    shows a lag, which ended at shown_ns over a window of window_s; None where none does. newest_ns: of the newest batch of all, and
    reason why that shows none, None where it is the one shown. reading: of the batch shown, with what was taken off it.
    """

    drive: Drive
    chain: Chain | None
    limit: Limit
    new_pitches: float | None
    strobe: Strobe | None
    shown_ns: int | None
    window_s: float
    newest_ns: int | None
    reason: NotMeasured | None
    reading: Reading | None

    @property
    def limit_pitches(self) -> float | None:
        """N at the limit: N_new / (1 + limit)."""
        return None if self.new_pitches is None else self.new_pitches / (1 + self.limit.limit_pct / 100)


def pulses_of_drive(
    drive_id: str, register: Register, readings: Readings, raw: RawBatches, at_ns: int
) -> Seen:
    """Return what the newest pulses of a drive show. Raises NotFoundError where there is no such drive."""
    drive = register.drive(drive_id)
    chain = chain_at(register.chains(drive_id), at_ns)
    new = None if chain is None else _new_pitches(drive, chain, register.baselines(chain.chain_id), at_ns)
    strobe = shown = reason = None
    batches = raw.raw(drive_id, 0, at_ns + AHEAD_NS, BATCHES_MAX)
    if chain is not None and new is not None:
        strobe, shown, reason = _newest(batches, chain, new, readings)
    return Seen(
        drive=drive,
        chain=chain,
        limit=limit(drive),
        new_pitches=new,
        strobe=strobe,
        shown_ns=shown.t_ns if shown else None,
        window_s=(shown.t_ns - shown.t0_ns) / 1e9 if shown else 0.0,
        newest_ns=batches[-1].t_ns if batches else None,
        reason=reason,
        reading=_reading_of(shown, readings) if shown else None,
    )


def _newest(
    batches: Sequence[RawBatch], chain: Chain, new_pitches: float, readings: Readings
) -> tuple[Strobe | None, RawBatch | None, NotMeasured | None]:
    """The newest batch of this chain with a lag, which it is, and why the newest of all has none."""
    reason = None
    for raw in reversed(batches):
        batch = raw.decoded(raw.t_ns)
        if isinstance(batch, Refusal) or raw.t_ns <= chain.fitted_ns:
            continue
        reading = _reading_of(raw, readings)
        known = reading.pitches_between if reading is not None else None
        found = strobe_of(batch, chain.pitches_in_loop, known or new_pitches)
        if isinstance(found, Strobe):
            return found, raw, reason
        reason = reason or found
    return None, None, reason


def _new_pitches(drive: Drive, chain: Chain, baselines: Sequence[Baseline], at_ns: int) -> float | None:
    baseline = baseline_at(baselines, at_ns)
    if baseline is not None:
        return new_pitches_by_baseline(baseline).pitches
    if drive.whole_pitches is None:
        return None
    return new_pitches_by_spacing(spacing_pitches(drive), drive.spacing_u_mm, chain.pitch_mm).pitches


def _reading_of(raw: RawBatch, readings: Readings) -> Reading | None:
    """The reading that was made of a batch, which ends when it does."""
    found = readings.raw(raw.drive_id, raw.t_ns - 1, raw.t_ns)
    return next((each for each in found if (each.t0_ns, each.seq) == (raw.t0_ns, raw.seq)), None)
