"""Simulated chains with known truth, for the forecast: worn day by day by a physics that is not the estimator's.

Wear comes in jumps of one sign (a gamma process), its rate strays in its logarithm and returns, bedding-in dies away
exponentially, a bend multiplies the rate from some elongation on. Duty has working weekdays, weeks that differ, days without
work and, in one kind, shifts added or taken away. A day's reading errs by an independent part, by a part that hangs
together from day to day (temperature), and by a common part that changes with the baseline.
"""

from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from service.core.wear_clock import NS_PER_DAY, Interval
from service.core.wear_state import Observation

Floats = npt.NDArray[np.float64]

START_NS = 1_704_067_200 * 10**9  # 2024-01-01T00:00:00Z, a Monday
LIMIT_PCT = 3.0
DAYS = 4000
MEAN_LIFE_DAYS = 600.0
LIFE_SPREAD = 0.35  # of the logarithm
JOINTS_PER_H = 280_000.0


class Kind(StrEnum):
    """What happens to a chain."""

    STEADY = "steady"
    BEDDING_IN = "bedding-in"
    BEND = "bend at end"
    DUTY = "changing duty"


@dataclass(frozen=True, slots=True)
class Chain:
    """One chain from fitting to its limit. Arrays by day, at the end of each.

    rate: per cent a joint, lasting part; stray: standard deviation of its logarithm; stray_joints: over how many joints it
    is forgotten; gamma: variance of wear by its mean, per cent. u: of a reading, independent; common: of an epoch's part.
    """

    kind: Kind
    joints: Floats
    hours: Floats
    worn: Floats
    read: Floats
    epoch: npt.NDArray[np.int64]
    usual_week: Floats  # joints in a week of work as it is on that day, no day lost
    lost: float  # share of the working days without work
    rate: float
    stray: float
    stray_joints: float
    gamma: float
    bedding_pct: float
    bedding_joints: float
    bend_pct: float
    bend_factor: float
    u: float
    common: float
    began: float = field(default=0.0)

    def first_day(self, share: float) -> int:
        """The day at whose end the wear first was that share of the limit or more."""
        return int(np.argmax(self.worn >= share * LIMIT_PCT))

    @property
    def end_day(self) -> float:
        """When the limit was reached, days since fitting."""
        day = self.first_day(1.0)
        before = self.worn[day - 1]
        return day + float((LIMIT_PCT - before) / (self.worn[day] - before))

    def observations(self, until: int) -> list[Observation]:
        """One for each day with work, up to and with day `until`."""
        ran = np.diff(self.joints[: until + 1], prepend=0.0) > 0
        return [
            Observation(
                clock=float(self.joints[day]),
                t_ns=START_NS + (day + 1) * NS_PER_DAY,
                hours=float(self.hours[day]),
                elongation_pct=float(self.read[day]),
                u_independent_pct=self.u,
                u_common_pct=self.common,
                epoch=str(self.epoch[day]),
            )
            for day in np.flatnonzero(ran).tolist()
        ]

    def intervals(self, until: int) -> list[Interval]:
        """Roll-ups of a day each."""
        joints = np.diff(self.joints[: until + 1], prepend=0.0)
        hours = np.diff(self.hours[: until + 1], prepend=0.0)
        return [
            Interval(
                start_ns=START_NS + day * NS_PER_DAY,
                end_ns=START_NS + (day + 1) * NS_PER_DAY,
                passages=float(joints[day]),
                hours=float(hours[day]),
            )
            for day in range(until + 1)
        ]


def make_chain(seed: int, kind: Kind) -> Chain:
    """Return a chain of a kind, all else at random."""
    rng = np.random.default_rng(seed)
    hours, usual, lost = _duty(rng, changing=kind is Kind.DUTY)
    joints_day = hours * JOINTS_PER_H
    life_joints = MEAN_LIFE_DAYS * float(joints_day[:400].mean())
    rate = LIMIT_PCT / life_joints * float(np.exp(rng.normal(0, LIFE_SPREAD)))
    stray, stray_joints = float(rng.uniform(0.05, 0.2)), float(rng.uniform(0.05, 0.3)) * LIMIT_PCT / rate
    gamma = float(rng.uniform(0.0002, 0.004))
    bedding = float(rng.uniform(0.05, 0.15)) if kind is Kind.BEDDING_IN else float(rng.uniform(0.0, 0.04))
    bedding_joints = float(rng.uniform(5, 25)) * JOINTS_PER_H
    bend_pct = float(rng.uniform(0.65, 0.9)) * LIMIT_PCT if kind is Kind.BEND else np.inf
    factor = float(rng.uniform(1.5, 3.0)) if kind is Kind.BEND else 1.0
    began = float(rng.uniform(0.0, 0.12))
    worn = np.zeros(DAYS)
    level, passed, log_stray = began, 0.0, float(rng.normal(0, stray))
    bedding_left = bedding
    end = DAYS
    for day in range(DAYS):
        step = float(joints_day[day])
        keep = np.exp(-step / stray_joints)
        log_stray = keep * log_stray + stray * np.sqrt(1 - keep * keep) * rng.normal()
        mean = rate * step * np.exp(log_stray) * (factor if level >= bend_pct else 1.0)
        gone = bedding_left * (1 - np.exp(-step / bedding_joints))
        bedding_left -= gone
        level += gone + (rng.gamma(mean / gamma, gamma) if mean > 0 else 0.0)
        passed += step
        worn[day] = level
        if level >= LIMIT_PCT:
            end = day + 1
            break
    u, common = float(rng.uniform(0.01, 0.03)), float(rng.uniform(0.01, 0.05))
    epoch = np.zeros(end, dtype=np.int64)
    if rng.random() < 0.3:  # a new baseline some day
        epoch[int(rng.uniform(0.2, 0.9) * end) :] = 1
    slow = np.zeros(end)
    for day in range(1, end):
        slow[day] = 0.8 * slow[day - 1] + 0.6 * rng.normal()
    read = worn[:end] + common * rng.normal(size=2)[epoch] + 0.8 * u * rng.normal(size=end) + 0.6 * u * slow
    return Chain(
        kind=kind, joints=np.cumsum(joints_day[:end]), hours=np.cumsum(hours[:end]), worn=worn[:end], read=read,
        epoch=epoch, usual_week=usual[:end] * JOINTS_PER_H, lost=lost, rate=rate, stray=stray, stray_joints=stray_joints,
        gamma=gamma, bedding_pct=bedding, bedding_joints=bedding_joints, bend_pct=bend_pct, bend_factor=factor, u=u,
        common=common, began=began,
    )  # fmt: skip


def _duty(rng: np.random.Generator, *, changing: bool) -> tuple[Floats, Floats, float]:
    """Hours run on each day, hours of a usual week as it is on each day, and the share of working days that are lost."""
    days_a_week = int(rng.integers(5, 8))
    works = np.arange(DAYS) % 7 < days_a_week
    level = np.full(DAYS, float(rng.choice([8.0, 12.0, 16.0])))
    if changing:
        for day in rng.integers(60, 1200, size=3):
            level[day:] = np.clip(level[day - 1] * rng.choice([0.5, 0.67, 1.5, 2.0]), 5.0, 21.0)
    week = np.exp(rng.normal(0, 0.08, DAYS // 7 + 1))[np.arange(DAYS) // 7]
    lost = float(rng.uniform(0.0, 0.05))
    hours = level * works * week * (rng.random(DAYS) > lost)
    return np.minimum(hours, 24.0), level * days_a_week * np.exp(0.08**2 / 2), lost


def best_end_day(chain: Chain, now: int) -> float:
    """Return the day of the limit as best told at the end of day `now`: by a Kalman filter that knows the true parameters.

    It knows bedding-in and every bend so far, how the rate strays, what the readings err by, and the usual week; not what
    is to come. State: wear without bedding-in, lasting rate and passing part of it, common parts, the part that hangs together.
    """
    joints = chain.joints[: now + 1]
    steps = np.diff(joints, prepend=0.0)
    bedding = chain.bedding_pct * (1 - np.exp(-joints / chain.bedding_joints))
    read = chain.read[: now + 1] - bedding
    bent = np.concatenate(([False], chain.worn[:now] >= chain.bend_pct))
    typical = chain.rate
    state = np.array([0.06, typical, 0.0, 0.0, 0.0, 0.0])
    p = np.diag([0.04**2, (LIFE_SPREAD * typical) ** 2, (chain.stray * typical) ** 2, chain.common**2, chain.common**2,
                 (0.6 * chain.u) ** 2 / 0.36])  # fmt: skip
    state[1] = LIMIT_PCT / (MEAN_LIFE_DAYS * float(chain.joints[-1]) / len(chain.joints))
    p[1, 1] = (LIFE_SPREAD * state[1]) ** 2
    for day in range(now + 1):
        pace = chain.bend_factor if bent[day] else 1.0
        step = float(steps[day])
        keep = float(np.exp(-step / chain.stray_joints))
        move = np.eye(6)
        move[0, 1] = pace * step
        move[0, 2] = pace * step
        move[2, 2], move[5, 5] = keep, 0.8
        noise = np.zeros(6)
        noise[0] = chain.gamma * typical * pace * step
        noise[2] = (chain.stray * typical) ** 2 * (1 - keep * keep)
        noise[5] = (0.6 * 0.6 * chain.u) ** 2
        state = move @ state
        p = move @ p @ move.T + np.diag(noise)
        if step > 0:
            h = np.array([1.0, 0, 0, 1.0 - chain.epoch[day], float(chain.epoch[day]), 1.0])
            gain = p @ h / (h @ p @ h + (0.8 * chain.u) ** 2)
            state = state + gain * (read[day] - h @ state)
            p = p - np.outer(gain, h @ p)
    pace = chain.bend_factor if chain.worn[now] >= chain.bend_pct else 1.0
    left = LIMIT_PCT - bedding[-1] - state[0]
    ahead = np.linspace(0, 5 * max(left, 0.01) / max(pace * state[1], 1e-12), 4000)
    gained = pace * (
        state[1] * ahead + state[2] * chain.stray_joints * (1 - np.exp(-ahead / chain.stray_joints))
    )
    needed = float(np.interp(left, gained, ahead))
    a_day = float(chain.usual_week[now]) / 7 * (1 - chain.lost)
    return now + 1 + needed / a_day


def line_of_last_month(chain: Chain, now: int) -> tuple[float, float, float]:
    """Return P10, P50 and P90 of the day as a person would: a straight line by least squares through the last 30 days.

    The interval is that of the line's two parameters, by the delta method; infinite where the line does not rise.
    """
    days = np.arange(max(0, now - 29), now + 1)
    days = days[np.diff(chain.joints[: now + 1], prepend=0.0)[days] > 0]
    x, y = days + 1.0, chain.read[days]
    mean = x.mean()
    square = float(((x - mean) ** 2).sum())
    slope = float((x - mean) @ y) / square if square > 0 else 0.0
    if slope <= 0:
        return np.inf, np.inf, np.inf
    rest = y - y.mean() - slope * (x - mean)
    variance = float(rest @ rest) / max(1, len(x) - 2)
    ahead = (LIMIT_PCT - y.mean()) / slope
    u = np.sqrt(variance / len(x) + ahead**2 * variance / square) / slope
    return mean + ahead - 1.2816 * u, mean + ahead, mean + ahead + 1.2816 * u
