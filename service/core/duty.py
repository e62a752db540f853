"""What a drive usually does in a week, learnt from its own days or planned by people: how the clock of wear turns to dates.

Knows days with what the clock gained; must not know wear. Duty changes seldom and at once (a shift is added), so the level
is the mean of the weeks since the last change, weighted by how likely each week is to be that change (Adams & MacKay,
Bayesian online changepoint detection, arXiv:0710.3742 (2007), from memory).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, tzinfo

import numpy as np
import numpy.typing as npt

from service.core.wear_clock import NS_PER_DAY, DutyDay, local_midnights, weekday_of

Floats = npt.NDArray[np.float64]
Instants = npt.NDArray[np.int64]

WEEKS_MAX = 52  # of the drive's past that are looked at
PROFILE_WEEKS = 8  # from which the weekdays' shares are taken
DAYS_LEAST = 3  # days of history without which nothing is learnt
SCATTERS = (0.02, 0.06, 0.15, 0.3, 0.6)  # standard deviation of a week about the level, relative
CHANGE_U = 0.5  # standard deviation of the level after a change, relative to the mean of all weeks (our own)
CHANGES_PRIOR, WEEKS_PRIOR = 0.3, 60.0  # changes in weeks, before any were seen (our own)
SPREAD_MAX = 0.6  # relative standard deviation of what is to come, at most
PLAN_U = 0.05  # relative standard uncertainty of what people plan (common practice, no source)
HORIZON_DAYS = 3653  # ten years: a date further off is none


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """A time in which the drive stands by plan."""

    start_ns: int
    end_ns: int
    why: str = ""

    def __post_init__(self) -> None:
        if self.end_ns <= self.start_ns:
            raise ValueError("a stop must end after it starts; check both dates")


@dataclass(frozen=True, slots=True, kw_only=True)
class DutyPlan:
    """What people say the drive will do: it goes before what was learnt.

    clock_per_hour: what the clock gains in an hour of running; left out, as the drive did so far.
    """

    hours_by_weekday: tuple[float, ...]  # seven, Monday first
    clock_per_hour: float | None = None

    def __post_init__(self) -> None:
        if len(self.hours_by_weekday) != 7 or not all(0 <= each <= 24 for each in self.hours_by_weekday):
            raise ValueError("give seven numbers of hours a day, Monday first, each from 0 to 24")
        if self.clock_per_hour is not None and not self.clock_per_hour > 0:
            raise ValueError("clock_per_hour must be above 0, or left out to go by the drive's past")


@dataclass(frozen=True, slots=True, kw_only=True)
class Duty:
    """What is expected of each weekday, and how sure that is.

    clock_by_weekday, hours_by_weekday: seven each, Monday first, for a day without a stop. level_u: relative standard
    uncertainty of the level; scatter: of one week about it; walk: by how much the level wanders in a week.
    weeks: of history behind it. planned: people gave the hours.
    """

    clock_by_weekday: tuple[float, ...]
    hours_by_weekday: tuple[float, ...]
    level_u: float
    scatter: float
    walk: float
    weeks: float
    planned: bool = False
    stops: tuple[Stop, ...] = ()

    @property
    def clock_per_week(self) -> float:
        """What the clock gains in a week without a stop."""
        return sum(self.clock_by_weekday)

    @property
    def hours_per_clock(self) -> float:
        """Running hours for one of the clock; 0 where it stands."""
        return sum(self.hours_by_weekday) / self.clock_per_week if self.clock_per_week > 0 else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Ahead:
    """What the clock is expected to gain until instants to come: arrays of shape (n,), t_ns rising from now.

    spread: relative standard deviation of `clock` (its logarithm is taken as normal).
    """

    t_ns: Instants
    clock: Floats
    hours: Floats
    spread: Floats


def learn_duty(days: Sequence[DutyDay], *, stops: Sequence[Stop] = ()) -> Duty | None:
    """Return the duty learnt from whole days of a drive, oldest first; None where there are too few or it stood.

    Days that a stop takes half of or more are left out. Weekdays have their share of the last PROFILE_WEEKS; the level is
    that of the weeks, each of seven days back from the newest, filled up by share where days are left out.
    """
    used = [day for day in days if _stopped_share(day.start_ns, day.end_ns, stops) < 0.5][-7 * WEEKS_MAX :]
    if len(used) < DAYS_LEAST or sum(day.clock for day in used) <= 0:
        return None
    profile = _profile(used)
    weeks = _weeks(used, profile)
    scale = float(np.mean(weeks[:, 0]))
    level, level_u, scatter, walk = _level(weeks[:, 0] / scale, weeks[:, 1])
    recent = [day for day in used[-7 * PROFILE_WEEKS :] if day.clock > 0]
    ratio = sum(day.hours for day in recent) / sum(day.clock for day in recent) if recent else 0.0
    clock = profile * level * scale
    return Duty(
        clock_by_weekday=tuple(clock.tolist()),
        hours_by_weekday=tuple(np.minimum(clock * ratio, 24.0).tolist()),
        level_u=level_u / level,
        scatter=scatter / level,
        walk=walk / level,
        weeks=len(used) / 7,
        stops=tuple(stops),
    )


def planned_duty(plan: DutyPlan, learnt: Duty | None = None, *, stops: Sequence[Stop] = ()) -> Duty:
    """Return the duty by plan; what an hour adds to the clock comes from the plan, else from the past, else it is 1.

    With 1 the clock counts hours, as `wear_clock.planned_clock` does.
    """
    rate = plan.clock_per_hour
    if rate is None:
        rate = 1 / learnt.hours_per_clock if learnt is not None and learnt.hours_per_clock > 0 else 1.0
    return Duty(
        clock_by_weekday=tuple(rate * each for each in plan.hours_by_weekday),
        hours_by_weekday=plan.hours_by_weekday,
        level_u=PLAN_U,
        scatter=PLAN_U if learnt is None else min(learnt.scatter, 0.15),
        walk=0.0,
        weeks=0.0 if learnt is None else learnt.weeks,
        planned=True,
        stops=tuple(stops),
    )


def look_ahead(duty: Duty, now_ns: int, *, zone: tzinfo = UTC, days: int = HORIZON_DAYS) -> Ahead:
    """Return what the clock gains from now on: at now, at the local midnights to come, for so many days.

    The spread after n weeks is sqrt(u^2 + scatter^2 / n + walk^2 n / 3): the level, weeks about it, and its wandering.
    """
    first = local_midnights(now_ns, now_ns + 2 * NS_PER_DAY, zone)[1]
    edges = np.concatenate(([now_ns], first + NS_PER_DAY * np.arange(days, dtype=np.int64)))
    weekday = (weekday_of(now_ns, zone) + np.arange(len(edges) - 1)) % 7
    running = np.diff(edges) / NS_PER_DAY - _stopped_days(edges, duty.stops)
    clock = np.cumsum(running * np.array(duty.clock_by_weekday)[weekday])
    hours = np.cumsum(running * np.array(duty.hours_by_weekday)[weekday])
    weeks = np.maximum((edges - now_ns) / (7 * NS_PER_DAY), 1 / 7)
    spread = np.sqrt(duty.level_u**2 + duty.scatter**2 / weeks + duty.walk**2 * weeks / 3)
    return Ahead(
        t_ns=edges,
        clock=np.concatenate(([0.0], clock)),
        hours=np.concatenate(([0.0], hours)),
        spread=np.minimum(spread, SPREAD_MAX),
    )


def _stopped_days(edges: Instants, stops: Sequence[Stop]) -> Floats:
    stopped = np.zeros(len(edges) - 1)
    for start, end in _merged(stops):
        overlap = np.minimum(edges[1:], end) - np.maximum(edges[:-1], start)
        stopped += np.maximum(overlap, 0) / NS_PER_DAY
    return stopped


def _stopped_share(start_ns: int, end_ns: int, stops: Sequence[Stop]) -> float:
    overlap = sum(max(0, min(end_ns, end) - max(start_ns, start)) for start, end in _merged(stops))
    return overlap / (end_ns - start_ns)


def _merged(stops: Sequence[Stop]) -> list[tuple[int, int]]:
    """Stops as spans that do not overlap: an hour stands still only once."""
    spans: list[tuple[int, int]] = []
    for stop in sorted(stops, key=lambda each: each.start_ns):
        if spans and stop.start_ns <= spans[-1][1]:
            spans[-1] = (spans[-1][0], max(spans[-1][1], stop.end_ns))
        else:
            spans.append((stop.start_ns, stop.end_ns))
    return spans


def _profile(days: Sequence[DutyDay]) -> Floats:
    """Share of each weekday in a week: shape (7,), sum 1. One that was not seen yet takes the mean of the others."""
    recent = days[-7 * PROFILE_WEEKS :]
    weekday = np.array([day.weekday for day in recent])
    count = np.bincount(weekday, minlength=7)
    total = np.bincount(weekday, [day.clock for day in recent], 7)
    if total.sum() <= 0:
        return np.full(7, 1 / 7)
    mean = total / np.maximum(count, 1)
    mean[count == 0] = mean[count > 0].mean()
    return np.asarray(mean / mean.sum())


def _weeks(days: Sequence[DutyDay], profile: Floats) -> Floats:
    """Weeks back from the newest day, oldest first: shape (n, 2), total filled up by share, and the share that was seen."""
    rows = []
    for end in range(len(days), 0, -7):
        part = days[max(0, end - 7) : end]
        seen = float(sum(profile[day.weekday] for day in part))
        if seen > 0.3 or end == len(days):
            rows.append((sum(day.clock for day in part) / max(seen, 0.05), min(max(seen, 0.05), 1.0)))
    return np.array(rows[::-1])


def _level(weeks: Floats, seen: Floats) -> tuple[float, float, float, float]:
    """Level, its standard uncertainty, scatter, and walk (root of changes a week, times their size), for weeks of mean 1.

    Hypotheses are scatter and the week of the last change; each week all of them predict it, are weighted by how well they
    did, and go on, with the chance of a change split off. Shapes (scatters, starts).
    """
    hazard = CHANGES_PRIOR / WEEKS_PRIOR
    scatter = np.array(SCATTERS)[:, None]
    mean, variance = np.ones((len(scatter), 1)), np.full((len(scatter), 1), CHANGE_U**2)
    weight = np.full((len(scatter), 1), 1 / len(scatter))
    changes = 0.0
    for number, (value, share) in enumerate(zip(weeks.tolist(), seen.tolist(), strict=True)):
        if number:
            anew = hazard * weight.sum(axis=1, keepdims=True)
            weight = np.hstack((weight * (1 - hazard), anew))
            mean = np.hstack((mean, np.ones((len(scatter), 1))))
            variance = np.hstack((variance, np.full((len(scatter), 1), CHANGE_U**2)))
        expected = variance + scatter**2 / share
        error = value - mean
        weight = weight * np.exp(-0.5 * error * error / expected) / np.sqrt(expected)
        weight = (weight + 1e-300) / (weight + 1e-300).sum()
        gain = variance / expected
        mean, variance = mean + gain * error, variance * (1 - gain)
        if number >= 2:  # by then the last change but two is as sure as it gets without looking back
            changes += float(weight[:, -2].sum()) if number > 2 else 0.0
    level = float((weight * mean).sum())
    u = math.sqrt(float((weight * (variance + (mean - level) ** 2)).sum()))
    level = max(level, 0.01)
    rate = (changes + CHANGES_PRIOR) / (len(weeks) + WEEKS_PRIOR)
    return level, u, math.sqrt(float((weight * scatter**2).sum())), math.sqrt(rate) * CHANGE_U * level
