"""What the batches of a drive that is being set up show, before anybody judges it.

Knows batches, and the drive and chain as registered; must not know the steps of commissioning.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from statistics import fmean

import numpy as np

from service.core.alternation import combined, elongation_by_alternation
from service.core.batch import Batch, Ticks
from service.core.drive import Chain, Drive, spacing_pitches
from service.core.elongation import (
    delay_shift_pitches,
    load_correction_pct,
    sample_u_pct,
    temperature_correction_pct,
)
from service.core.fingerprint import Match, match_links, repeating_joints
from service.core.lag import Lag, NoLag, measure_lag
from service.core.learn import DelayFit, DelayPoint, NotLearnt, fit_delay, polygon_scale_u
from service.core.reading import alternates
from service.core.runs import joined, unbroken
from service.core.train import Times

RECENT_NS = 60 * 10**9  # what is checked is what the newest batches of a minute show,
RECENT_MIN = 3  # and at least so many
MISCOUNT_LAPS = 20  # after so many without a sure match the number of joints is doubted
NEW_PCT_MAX = 0.15  # of new roller chain, ISO 606 (from memory): 0 to +0.15 %


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """e0: the elongation that the chain has now, with standard uncertainty, per cent, and how it is known."""

    elongation_pct: float
    u_pct: float
    words: str


# The middle of the tolerance, and a rectangle over it (JCGM 100:2008, 4.3.7, from memory).
NEW_CHAIN = Start(
    elongation_pct=NEW_PCT_MAX / 2,
    u_pct=NEW_PCT_MAX / math.sqrt(12),
    words=f"new chain, 0 to +{NEW_PCT_MAX:g} % by ISO 606",
)


@dataclass(frozen=True, slots=True)
class Look:
    """One batch, and the lag it has."""

    batch: Batch
    lag: Lag | NoLag

    @property
    def pulses(self) -> tuple[int, int]:
        """Pulses of `up` and of `down`; the pairs that the device averaged, where it sent means."""
        if self.batch.reduced is not None:
            return self.batch.reduced.count, self.batch.reduced.count
        return len(self.batch.up), len(self.batch.down)


def one_is_silent(up: int, down: int) -> bool:
    """Return whether one sensor gives less than a tenth of the pulses of the other."""
    return min(up, down) <= max(up, down) // 10


def look(batch: Batch, chain: Chain) -> Look:
    """Return a batch with its lag. The one costly part of commissioning: a caller may keep what it returns."""
    return Look(batch, measure_lag(batch, chain.pitches_in_loop))


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """The batches and what several steps go by."""

    drive: Drive
    chain: Chain | None
    now_ns: int
    start: Start
    shaft_rev_per_min: float | None
    looks: list[Look]  # all, by time
    recent: list[Look]  # of the last minute
    running: list[Look]  # those of them in which the chain ran and both sensors pulsed
    runs: list[list[Batch]] = field(default_factory=list)  # all, those that follow each other together
    points: list[DelayPoint] = field(default_factory=list)  # one for each lag
    delay: DelayFit | NotLearnt = NotLearnt.TOO_FEW
    match: Match | None = None
    repeats: int | None = None  # joints after which the links repeat, where there is doubt
    by_alternation: tuple[float, float] | None = None  # elongation and its uncertainty, per cent
    alternations: tuple[float | None, float | None] = (None, None)  # of `up`, of `down`

    @property
    def asked(self) -> float:
        """The pitches between the sensors as registered, at e = 0."""
        return spacing_pitches(self.drive)

    @property
    def wear(self) -> tuple[float, float]:
        """Elongation and uncertainty that do not rest on the spacing, per cent: by alternation, else as stated."""
        return self.by_alternation or (self.start.elongation_pct, self.start.u_pct)

    @property
    def expected(self) -> tuple[float, float]:
        """N by the registered spacing and the wear, and its standard uncertainty, pitches."""
        wear_pct, wear_u_pct = self.wear
        pitch_mm = self.chain.pitch_mm if self.chain else 1.0
        between = self.asked / (1 + wear_pct / 100)
        return between, math.hypot(self.drive.spacing_u_mm / pitch_mm, between * wear_u_pct / 100)

    @property
    def lag_now(self) -> float | None:
        """The lag of the newest batches, less a known delay, 0 to 1."""
        lags = [_without_delay(self.drive, lag) for _, lag in self.measured]
        return _middle_of_turn(lags) if lags else None

    @property
    def measured(self) -> list[tuple[Batch, Lag]]:
        """Those of the last minute that have a lag, with it."""
        return [(each.batch, each.lag) for each in self.running if isinstance(each.lag, Lag)]

    def between(self, lag: float) -> float:
        """N: the lag with the whole number that the links tell, else the one nearest to what is registered."""
        near = self.match.pitches if self.match is not None and self.match.sure else self.expected[0]
        return lag + round(near - lag)

    @property
    def reduced(self) -> bool:
        """Whether the device sends means in place of pulses."""
        return bool(self.running) and all(each.batch.reduced is not None for each in self.running)


def see(
    looks: Iterable[Look],
    drive: Drive,
    chain: Chain | None,
    *,
    now_ns: int,
    start: Start,
    shaft_rev_per_min: float | None,
) -> Seen:
    """Return what the batches show together: lags against speed and time, alternation, the match of the links."""
    looks = sorted(looks, key=lambda each: (each.batch.end_ns, each.batch.seq))
    since_ns = looks[-1].batch.end_ns - RECENT_NS if looks else 0
    recent = [
        each for n, each in enumerate(looks) if each.batch.end_ns > since_ns or n >= len(looks) - RECENT_MIN
    ]
    basis = {
        "drive": drive,
        "chain": chain,
        "now_ns": now_ns,
        "start": start,
        "shaft_rev_per_min": shaft_rev_per_min,
        "looks": looks,
        "recent": recent,
        "running": [each for each in recent if max(each.pulses) > 1 and not one_is_silent(*each.pulses)],
    }
    if chain is None or drive.whole_pitches is None:
        return Seen(**basis)  # type: ignore[arg-type]
    runs = unbroken(each.batch for each in looks if each.batch.reduced is None)
    points = delay_points_of(looks, drive, chain)
    up, down = _alternations(looks, drive, chain)
    match, repeats = _match(runs, drive, chain)
    return Seen(
        **basis,  # type: ignore[arg-type]
        runs=runs,
        points=points,
        delay=fit_delay(points, polygon_scale_u(drive)),
        match=match,
        repeats=repeats,
        by_alternation=combined(up, down, drive.driver_teeth) if up and down else None,
        alternations=(up[0] if up else None, down[0] if down else None),
    )


def delay_points_of(looks: Iterable[Look], drive: Drive, chain: Chain) -> list[DelayPoint]:
    """Return the lags of batches, unwrapped in the order of time, at reference temperature and load, for `fit_delay`."""
    measured = [(each.batch, each.lag) for each in looks if isinstance(each.lag, Lag)]
    if not measured:
        return []
    n = spacing_pitches(drive)
    lags = np.unwrap(
        [lag.pitches + n * _taken_pct(drive, batch) / 100 for batch, lag in measured], period=1.0
    ).tolist()
    points = []
    for (batch, lag), pitches in zip(measured, lags, strict=True):
        sample_pct = (
            0.0 if lag.whole_laps else sample_u_pct(lag.averaged, n, chain.pitches_in_loop, None, 0.0)
        )
        points.append(
            DelayPoint(
                joints_per_s=1 / lag.period_s,
                pitches=pitches,
                u_pitches=math.hypot(lag.jitter_u_pitches, n * sample_pct / 100, 1e-6),
                t_ns=batch.end_ns,
            )
        )
    return points


def _taken_pct(drive: Drive, batch: Batch) -> float:
    """What temperature and load add to the length, per cent, as far as it is known."""
    warm_pct, _ = temperature_correction_pct(drive, batch.temp_c, batch.mount_c)
    return warm_pct + load_correction_pct(drive, batch.load_n)[0]


def _alternations(
    looks: Iterable[Look], drive: Drive, chain: Chain
) -> tuple[tuple[float, float] | None, tuple[float, float] | None]:
    """Mean elongation by alternation and its uncertainty, of `up` and of `down`, per cent."""
    if not alternates(chain.designation):
        return None, None
    found: tuple[list[tuple[float, float]], ...] = ([], [])
    for each in looks:
        if isinstance(each.lag, Lag):
            for of, alternation in zip(
                found, (each.lag.up_alternation, each.lag.down_alternation), strict=True
            ):
                if alternation is not None:
                    of.append(elongation_by_alternation(alternation, drive.driver_teeth))
    up, down = ((fmean(e for e, _ in of), fmean(u for _, u in of)) if of else None for of in found)
    return up, down


def _match(runs: Sequence[Sequence[Batch]], drive: Drive, chain: Chain) -> tuple[Match | None, int | None]:
    """The match of the links, and after how many joints they repeat where the match is not sure."""
    loop = chain.pitches_in_loop
    if loop is None:
        return None, None
    whole = [joined(run) for run in runs]
    pulses = [(_seconds(each, each.up), _seconds(each, each.down)) for each in whole]
    match = match_links(pulses, loop, spacing_pitches(drive))
    if match is None or match.sure or match.laps < MISCOUNT_LAPS:
        return match, None
    return match, repeating_joints(pulses, loop, (drive.driver_teeth or 0, drive.driven_teeth or 0))


def _seconds(batch: Batch, ticks: Ticks) -> Times:
    return np.asarray(ticks * (batch.tick_ns * 1e-9), dtype=np.float64)


def _without_delay(drive: Drive, lag: Lag) -> float:
    return (lag.pitches - delay_shift_pitches(drive, lag.period_s)[0]) % 1.0


def _middle_of_turn(lags: Sequence[float]) -> float:
    """The mean of lags that may lie on both sides of a whole pitch, 0 to 1."""
    turned = np.exp(2j * np.pi * np.array(lags)).sum()
    return float(np.angle(turned) / (2 * np.pi)) % 1.0
