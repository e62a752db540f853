"""A reading: what one pulse batch yields. Asks `lag`, `pitches` and `elongation` in turn.

A batch that is valid but cannot be measured yields a reading with no elongation and the reason.
"""

from dataclasses import dataclass
from functools import cache
from typing import Any, NamedTuple

from service.core.alternation import against_nominal, combined, elongation_by_alternation
from service.core.batch import WINDOW_S_MAX, Batch
from service.core.catalogue import ChainKind, find
from service.core.drive import Baseline, Chain, Drive, spacing_pitches
from service.core.elongation import (
    Budget,
    NewPitches,
    delay_shift_pitches,
    elongation_pct,
    load_correction_pct,
    new_pitches_by_baseline,
    new_pitches_by_spacing,
    polygon_shift_pitches,
    polygon_u_pitches,
    sample_u_pct,
    temperature_correction_pct,
)
from service.core.lag import Lag, NoLag, measure_lag
from service.core.not_measured import NotMeasured
from service.core.pitches import Expectation, Whole, expect_pitches, pitches_between

__all__ = ["CONVERSION", "Last", "NotMeasured", "Reading", "alternations_pct", "convert"]

# Raised whenever a field of a reading comes to mean something else. Readings of conversion 1 left out of the elongation by
# alternation what inner links were made over nominal.
CONVERSION = 2

NS_PER_DAY = 86_400_000_000_000
Alternations = tuple[
    tuple[float, float], tuple[float, float]
]  # elongation by it and u of `up`, of `down`; per cent


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What one pulse batch yields. Exactly one of `elongation_pct` and `reason` is None.

    (drive_id, device_id, t0_ns, seq) is the identity of the batch and so of the reading.
    Fields that the batch could not give are None: a stopped drive has no speed to state but 0.
    """

    drive_id: str
    device_id: str
    t0_ns: int
    seq: int
    t_ns: int  # end of the window: the reading's own time
    chain_id: str | None
    elongation_pct: float | None  # against nominal pitch, at the reference temperature and load
    elongation_u_pct: float | None  # standard uncertainty (k = 1)
    reason: NotMeasured | None
    pitches_between: float | None  # N
    lag_pitches: float | None  # fractional part of N
    speed_m_s: float | None
    coherence: float | None  # resultant length of the phases, 0 to 1
    pitches_averaged: int  # phases that went into the mean
    whole_laps: int  # 0 where the batch is shorter than a lap or the loop length is not known
    up_pulses: int  # as received
    down_pulses: int
    up_missed: int
    down_missed: int
    up_extra: int
    down_extra: int
    temp_c: float | None
    mount_c: float | None
    load_n: float | None
    # the change since the baseline, where there is one, and which baseline that was
    since_pct: float | None = None
    since_u_pct: float | None = None
    baseline_taken_ns: int | None = None
    baseline_recorded_ns: int | None = None
    # elongation by the alternation of long and short links of one sensor, with standard uncertainty
    up_alternation_pct: float | None = None
    up_alternation_u_pct: float | None = None
    down_alternation_pct: float | None = None
    down_alternation_u_pct: float | None = None
    by_alternation: bool = False  # the whole number of pitches rests on it
    # what was taken off, per cent of elongation; None: not corrected for
    polygon_taken_pct: float | None = None
    delay_taken_pct: float | None = None
    temperature_taken_pct: float | None = None
    load_taken_pct: float | None = None
    conversion: int = CONVERSION  # the one that made it


class Last(NamedTuple):
    """The last elongation of a chain, per cent, and when it was."""

    elongation_pct: float
    t_ns: int


def convert(
    batch: Batch, *, drive: Drive, chain: Chain | None, baseline: Baseline | None, last: Last | None
) -> Reading:
    """Return the reading that a batch yields.

    Args:
        batch: of this drive.
        drive: its geometry and what is assumed of temperature and load.
        chain: the one that was on the drive at batch.end_ns; None if there was none.
        baseline: the one in force for that chain at that time; None: the spacing is used.
        last: last elongation of that chain, to choose the whole number of pitches by; None: the baseline's.
    """
    if chain is None:
        return _not_measured(batch, None, NotMeasured.NO_CHAIN, None)
    if batch.span_ns is not None and batch.span_ns > WINDOW_S_MAX * 1e9:
        return _not_measured(batch, chain, NotMeasured.WINDOW_TOO_LONG, None)
    lag = measure_lag(batch, chain.pitches_in_loop)
    if isinstance(lag, NoLag):
        return _not_measured(batch, chain, lag.reason, lag)
    if baseline is not None:
        new = new_pitches_by_baseline(baseline)
        last = last or Last(baseline.elongation_pct, baseline.taken_ns)
    elif drive.whole_pitches is not None:
        new = new_pitches_by_spacing(spacing_pitches(drive), drive.spacing_u_mm, chain.pitch_mm)
    else:
        return _not_measured(batch, chain, NotMeasured.NO_SPACING, lag)
    alternations = _by_alternation(lag, drive, chain)
    by_alternation = combined(*alternations, drive.driver_teeth) if alternations else None
    delay = delay_shift_pitches(drive, lag.period_s)
    without_delay = (lag.pitches - delay[0]) % 1.0
    whole = pitches_between(without_delay, _expect(new, last, batch.t0_ns), new.pitches, by_alternation)
    if isinstance(whole, NotMeasured) and baseline is not None and last and last.t_ns < baseline.recorded_ns:
        # That elongation is by the spacing, or by an older baseline, which this one has put right.
        start = Last(baseline.elongation_pct, baseline.taken_ns)
        whole = pitches_between(without_delay, _expect(new, start, batch.t0_ns), new.pitches, by_alternation)
    if isinstance(whole, NotMeasured):
        return _not_measured(batch, chain, whole, lag, alternations)
    return _measured(batch, drive, chain, baseline, _Found(lag, new, whole, delay, alternations))


class _Found(NamedTuple):
    """What a batch and the drive's settings gave, on the way to a reading."""

    lag: Lag
    new: NewPitches
    whole: Whole
    delay: tuple[float, float]  # shift of N and its standard uncertainty, pitches
    alternations: Alternations | None


def _expect(new: NewPitches, last: Last | None, now_ns: int) -> Expectation:
    """The pitches between the sensors that the spacing or baseline and the last elongation allow."""
    if last is None:
        return expect_pitches(new.pitches, new.u_pitches, None)
    return expect_pitches(new.pitches, new.u_pitches, last.elongation_pct, (now_ns - last.t_ns) / NS_PER_DAY)


def _by_alternation(lag: Lag, drive: Drive, chain: Chain) -> Alternations | None:
    """Elongation by the alternation of `up` and of `down`, with standard uncertainty; None for a chain without any."""
    odd = (chain.pitches_in_loop or 0) % 2 == 1  # past a cranked link long and short change places
    if lag.up_alternation is None or lag.down_alternation is None or odd or not alternates(chain.designation):
        return None
    teeth = drive.driver_teeth
    return elongation_by_alternation(lag.up_alternation, teeth), elongation_by_alternation(
        lag.down_alternation, teeth
    )


@cache
def alternates(designation: str) -> bool:
    """Whether long and short links of such a chain alternate as it wears: all but leaf chain, which has no bushes."""
    try:
        return find(designation).kind is not ChainKind.LEAF
    except ValueError:
        return True  # free pitch, or not in the catalogue: pins and bushes are the rule


def _measured(batch: Batch, drive: Drive, chain: Chain, baseline: Baseline | None, found: _Found) -> Reading:
    """The reading of a batch whose pitches between the sensors are known: corrections, uncertainty, speed."""
    lag, new, (apparent, whole_by_alternation) = found.lag, found.new, found.whole
    spacing = new.pitches * chain.pitch_mm
    on_sprocket = alternates(chain.designation)  # leaf chain runs over a sheave
    polygon = polygon_shift_pitches(drive, spacing, apparent) if on_sprocket else 0.0
    between = apparent + polygon
    temperature_pct, temperature_u_pct = temperature_correction_pct(drive, batch.temp_c, batch.mount_c)
    load_pct, load_u_pct = load_correction_pct(drive, batch.load_n)
    seen_pct = elongation_pct(between, new.pitches)
    pct_per_pitch = (100 + seen_pct) / between  # |de / dN| = (1 + e) / N
    drift_u_pct = None if lag.drift_u_pitches is None else pct_per_pitch * lag.drift_u_pitches
    budget = Budget(
        jitter_pct=pct_per_pitch * lag.jitter_u_pitches,
        sample_pct=0.0
        if lag.whole_laps
        else sample_u_pct(lag.averaged, between, chain.pitches_in_loop, drift_u_pct, seen_pct),
        polygon_pct=pct_per_pitch * polygon_u_pitches(drive, lag.pitches) if on_sprocket else 0.0,
        delay_pct=pct_per_pitch * found.delay[1],
        temperature_pct=temperature_u_pct,
        load_pct=load_u_pct,
        spacing_pct=(100 + seen_pct) * new.spacing_u_pitches / new.pitches,
        start_pct=(100 + seen_pct) * new.start_u_pitches / new.pitches,
    )
    pct = seen_pct - temperature_pct - load_pct
    return Reading(
        drive_id=batch.drive_id,
        device_id=batch.device_id,
        t0_ns=batch.t0_ns,
        seq=batch.seq,
        t_ns=batch.end_ns,
        chain_id=chain.chain_id,
        elongation_pct=pct,
        elongation_u_pct=budget.combined_pct,
        reason=None,
        pitches_between=between,
        lag_pitches=lag.pitches,
        speed_m_s=spacing / between / lag.period_s / 1000,
        coherence=lag.coherence,
        pitches_averaged=lag.averaged,
        whole_laps=lag.whole_laps,
        up_pulses=lag.up.pulses,
        down_pulses=lag.down.pulses,
        up_missed=lag.up.missed,
        down_missed=lag.down.missed,
        up_extra=lag.up.extra,
        down_extra=lag.down.extra,
        temp_c=batch.temp_c,
        mount_c=batch.mount_c,
        load_n=batch.load_n,
        since_pct=None if baseline is None else _since_pct(pct, baseline),
        since_u_pct=None if baseline is None else budget.since_pct,
        baseline_taken_ns=None if baseline is None else baseline.taken_ns,
        baseline_recorded_ns=None if baseline is None else baseline.recorded_ns,
        **_alternation_fields(found.alternations),
        by_alternation=whole_by_alternation,
        polygon_taken_pct=pct_per_pitch * polygon if polygon else None,
        delay_taken_pct=None if drive.delay_us is None else -pct_per_pitch * found.delay[0],
        temperature_taken_pct=temperature_pct if None not in {batch.temp_c, batch.mount_c} else None,
        load_taken_pct=load_pct or None,
    )


def _since_pct(elongation: float, baseline: Baseline) -> float:
    """By how much the chain is longer than when the baseline was taken: (1 + e) / (1 + e0) - 1, per cent."""
    return ((100 + elongation) / (100 + baseline.elongation_pct) - 1) * 100


def _alternation_fields(alternations: Alternations | None) -> dict[str, Any]:
    (up_pct, up_u_pct), (down_pct, down_u_pct) = alternations or ((None, None), (None, None))
    return {
        "up_alternation_pct": up_pct,
        "up_alternation_u_pct": up_u_pct,
        "down_alternation_pct": down_pct,
        "down_alternation_u_pct": down_u_pct,
    }


def alternations_pct(reading: Reading) -> tuple[float | None, float | None]:
    """Return the elongation by alternation of `up` and of `down` against nominal, whichever conversion made the reading."""
    up, down = reading.up_alternation_pct, reading.down_alternation_pct
    if reading.conversion >= CONVERSION or up is None or down is None:
        return up, down
    return against_nominal(up), against_nominal(down)


def _not_measured(
    batch: Batch,
    chain: Chain | None,
    reason: NotMeasured,
    lag: Lag | NoLag | None,
    alternations: Alternations | None = None,
) -> Reading:
    """The reading of a batch that gave no elongation: the reason, and what was seen all the same."""
    speed_m_s = 0.0 if reason is NotMeasured.STOPPED else None
    if lag is not None and chain is not None and lag.period_s is not None:
        speed_m_s = chain.pitch_mm / lag.period_s / 1000
    return Reading(
        drive_id=batch.drive_id,
        device_id=batch.device_id,
        t0_ns=batch.t0_ns,
        seq=batch.seq,
        t_ns=batch.end_ns,
        chain_id=None if chain is None else chain.chain_id,
        elongation_pct=None,
        elongation_u_pct=None,
        reason=reason,
        pitches_between=None,
        lag_pitches=lag.pitches if isinstance(lag, Lag) else None,
        speed_m_s=speed_m_s,
        coherence=None if lag is None else lag.coherence,
        pitches_averaged=lag.averaged if isinstance(lag, Lag) else 0,
        whole_laps=lag.whole_laps if isinstance(lag, Lag) else 0,
        up_pulses=len(batch.up),
        down_pulses=len(batch.down),
        up_missed=0 if lag is None else lag.up.missed,
        down_missed=0 if lag is None else lag.down.missed,
        up_extra=0 if lag is None else lag.up.extra,
        down_extra=0 if lag is None else lag.down.extra,
        temp_c=batch.temp_c,
        mount_c=batch.mount_c,
        load_n=batch.load_n,
        **_alternation_fields(alternations),
    )
