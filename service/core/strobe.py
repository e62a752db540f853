"""The pulses of one batch as a stroboscope would show them that flashes whenever a joint passes `up`.

At each flash a joint is at `up` and the others stand where the last flash showed others: the chain looks frozen, and against `down`
it stands off by the lag. Every pulse of `down` tells when the joint short of it arrived, so it says by itself how many pitches lie
between the sensors; all of them folded on each other are what the lag is the mean of.

Knows pulses and pitches; must not know lengths, nor what is taken off a lag. Nothing is left out of sight but what falls into no
ordinary interval of `up`, and that is counted. A wrong place of single pulses shows, which the mean would hide.
"""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from service.core.batch import Batch
from service.core.lag import Lag, NoLag, measure_lag
from service.core.not_measured import NotMeasured
from service.core.train import Times, local_period

SHOWN_MAX = 240  # pulses of `down`, the newest; more lie on each other
TRAIN_JOINTS = 6  # joints over which both sensors' pulses are shown as they came
ORDINARY = (0.5, 1.5)  # periods that an interval of `up` may last in which a pulse of `down` is placed

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Strobe:
    """What one batch shows.

    apart: N that each pulse of `down` shows, shape (k,); at_s: when it came, seconds before the batch's last pulse, <= 0, rising;
    odd: whether the joint that passed `up` before it was every second one. pitches_between: N as the mean of all; u_pitches: its
    standard uncertainty by scatter alone. up_train_s, down_train_s: the last pulses of both sensors, on the same clock.
    """

    apart: Floats
    at_s: Times
    odd: Bools
    pitches_between: float
    u_pitches: float
    period_s: float
    averaged: int
    left_out: int
    reduced: bool  # the device sent means only: there are no pulses to show
    up_train_s: Times
    down_train_s: Times

    @property
    def lag_pitches(self) -> float:
        """The fraction of a pitch by which `down` trails."""
        return self.pitches_between % 1.0

    @property
    def lag_s(self) -> float:
        """How long the joint short of `down` takes to reach it."""
        return self.lag_pitches * self.period_s

    @property
    def flashes_per_s(self) -> float:
        """Joints that pass `up` each second."""
        return 1 / self.period_s


def strobe_of(batch: Batch, pitches_in_loop: int | None, near_pitches: float) -> Strobe | NotMeasured:
    """Return what a batch shows, or why it shows no lag.

    Args:
        batch: pulses of both sensors, or the device's own means.
        pitches_in_loop: of the chain, so that the mean is that of whole laps.
        near_pitches: N as known otherwise, right to less than half a pitch: pulses show the fraction only.
    """
    lag = measure_lag(batch, pitches_in_loop)
    if isinstance(lag, NoLag):
        return lag.reason
    between = lag.pitches + round(near_pitches - lag.pitches)
    if batch.reduced is not None:
        return _by_means(lag, between)
    tick_s = batch.tick_ns * 1e-9
    last = max(int(batch.up[-1]), int(batch.down[-1]))
    up_s, down_s = np.multiply(batch.up - last, tick_s), np.multiply(batch.down - last, tick_s)
    at_s, apart, odd = _placed(up_s, down_s, between)
    train_from_s = max(float(up_s[-1 - min(TRAIN_JOINTS, len(up_s) - 1)]), float(down_s[0]))
    return Strobe(
        apart=apart[-SHOWN_MAX:],
        at_s=at_s[-SHOWN_MAX:],
        odd=odd[-SHOWN_MAX:],
        pitches_between=between,
        u_pitches=lag.jitter_u_pitches,
        period_s=lag.period_s,
        averaged=lag.averaged,
        left_out=len(down_s) - len(apart),
        reduced=False,
        up_train_s=up_s[up_s >= train_from_s],
        down_train_s=down_s[down_s >= train_from_s],
    )


def _placed(up_s: Times, down_s: Times, between: float) -> tuple[Times, Floats, Bools]:
    """When each pulse of `down` came that falls into an ordinary interval of `up`, the N that it shows, and every second joint."""
    intervals = up_s[1:] - up_s[:-1]
    passed = intervals / local_period(up_s)
    before = up_s.searchsorted(down_s, side="right") - 1
    within = (before >= 0) & (before < len(intervals))
    before, at_s = before[within], down_s[within]
    ordinary = (passed[before] > ORDINARY[0]) & (passed[before] < ORDINARY[1])
    before, at_s = before[ordinary], at_s[ordinary]
    into = (at_s - up_s[before]) / intervals[before]
    lag = between % 1.0
    off = into - lag
    joint = np.concatenate(([0], np.cumsum(np.rint(passed)))).astype(np.int64)  # counted over missed ones too
    # the same joint on either side of a flash where the lag is near a whole pitch
    turn = np.round(off)
    return at_s, between + off - turn, (joint[before] + turn.astype(np.int64)) % 2 == 1


def _by_means(lag: Lag, between: float) -> Strobe:
    none = np.zeros(0)
    return Strobe(
        apart=none,
        at_s=none,
        odd=np.zeros(0, dtype=bool),
        pitches_between=between,
        u_pitches=lag.jitter_u_pitches,
        period_s=lag.period_s,
        averaged=lag.averaged,
        left_out=0,
        reduced=True,
        up_train_s=none,
        down_train_s=none,
    )


def frozen_joints(pitches_between: float, new_pitches: float, reach: float) -> list[float]:
    """Return where joints stand at a flash, in nominal pitches from `up`, from -reach to the place of `down` and as far beyond.

    One stands at `up`; the next are (1 + e) further on each, and (1 + e) = N_new / N.

    Args:
        pitches_between: N now, > 0.
        new_pitches: N_new, which is where `down` stands, > 0.
        reach: beyond the sensors, nominal pitches.
    """
    step = new_pitches / pitches_between
    first, last = math.ceil(-reach / step), math.floor((new_pitches + reach) / step)
    return [number * step for number in range(first, last + 1)]
