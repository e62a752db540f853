"""How a drive is run: the commanded speed over time, and when a given travel has been reached.

Knows speeds and times only. Every motion is a speed that changes in straight lines from knot to knot, so that
travel is a piecewise parabola and can be inverted exactly.
"""

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A part of a motion without a change of direction.

    `times_s`, `speeds`, `travel`: shape (m,), m >= 2; speeds in units of travel a second, magnitude only;
    `travel` counts up from 0. `sign` is 1 or -1.
    """

    sign: int
    times_s: Floats
    speeds: Floats
    travel: Floats

    def when(self, travel: Floats) -> tuple[Floats, Floats]:
        """Return the times at which `travel` (shape (n,), 0 to the last of `self.travel`) is reached, and the speeds then.

        Solves travel = v t + a t^2 / 2 of the piece it falls in, in the form that keeps its digits as a goes to 0.
        """
        piece = np.minimum(np.maximum(np.searchsorted(self.travel, travel) - 1, 0), len(self.times_s) - 2)
        speed, into = self.speeds[piece], travel - self.travel[piece]
        length_s = self.times_s[piece + 1] - self.times_s[piece]
        rate = (self.speeds[piece + 1] - speed) / length_s
        then = np.sqrt(np.maximum(speed * speed + 2 * rate * into, 0.0))
        wait_s = 2 * into / np.maximum(speed + then, 1e-300)
        return self.times_s[piece] + np.minimum(np.maximum(wait_s, 0.0), length_s), then


@dataclass(frozen=True)
class Motion:
    """Commanded mean speed of the strand, m/s, over time in s from the start; negative runs backwards.

    `knots`: (time, speed) pairs, times strictly rising from 0; straight lines between them. After the last knot the
    speed is held, or, with `repeats`, the whole begins again (first and last speed must then be equal).
    """

    knots: tuple[tuple[float, float], ...]
    repeats: bool = False

    def __post_init__(self) -> None:
        times = [time for time, _ in self.knots]
        if not times or times[0] != 0 or any(b <= a for a, b in itertools.pairwise(times)):
            raise ValueError("knots need times that rise from 0: ((0, 0.5), (10, 1.0))")
        if self.repeats and (len(times) < 2 or self.knots[0][1] != self.knots[-1][1]):
            raise ValueError("a motion that repeats must end at the speed it began with")

    @classmethod
    def constant(cls, speed_m_s: float) -> "Motion":
        """Return one speed for ever."""
        return cls(((0.0, speed_m_s),))

    @classmethod
    def ramp(cls, from_m_s: float, to_m_s: float, *, over_s: float, hold_s: float = 0.0) -> "Motion":
        """Return a straight change of speed; after `hold_s` (0: never) it goes back, and so on."""
        if hold_s == 0:
            return cls(((0.0, from_m_s), (over_s, to_m_s)))
        back_s = over_s + hold_s
        knots = ((0.0, from_m_s), (over_s, to_m_s), (back_s, to_m_s), (back_s + over_s, from_m_s))
        return cls((*knots, (back_s + over_s + hold_s, from_m_s)), repeats=True)

    @classmethod
    def start_stop(cls, speed_m_s: float, *, run_s: float, stand_s: float, ramp_s: float = 1.0) -> "Motion":
        """Return: run, stop within `ramp_s`, stand still, start again, and so on. A negative speed runs backwards."""
        ends = np.cumsum([0.0, run_s, ramp_s, stand_s, ramp_s])
        speeds = (speed_m_s, speed_m_s, 0.0, 0.0, speed_m_s)
        return cls(tuple(zip(ends.tolist(), speeds, strict=True)), repeats=True)

    @classmethod
    def reversing(
        cls, speed_m_s: float, *, forward_s: float, reverse_s: float, ramp_s: float = 1.0
    ) -> "Motion":
        """Return: forward, through standstill into reverse, and back, and so on."""
        ends = np.cumsum([0.0, forward_s, ramp_s, reverse_s, ramp_s])
        speeds = (speed_m_s, speed_m_s, -speed_m_s, -speed_m_s, speed_m_s)
        return cls(tuple(zip(ends.tolist(), speeds, strict=True)), repeats=True)

    @classmethod
    def drift(cls, speed_m_s: float, *, swing: float, period_s: float) -> "Motion":
        """Return a speed that swings slowly by `swing` (relative, 0 to 1) about its mean."""
        turns = np.linspace(0.0, 1.0, 65)
        speeds = speed_m_s * (1 + swing * np.sin(2 * math.pi * turns))
        speeds[-1] = speeds[0]
        return cls(tuple(zip((turns * period_s).tolist(), speeds.tolist(), strict=True)), repeats=True)

    @classmethod
    def wander(
        cls, speed_m_s: float, *, spread: float, correlation_s: float, seed: int, length_s: float = 600.0
    ) -> "Motion":
        """Return a speed that wanders at random by `spread` (relative standard deviation) about its mean.

        A first-order random process drawn every tenth of its correlation time; begins again after `length_s`.
        """
        steps = max(20, round(length_s / (correlation_s / 10)))
        keep = math.exp(-0.1)
        kicks = np.random.default_rng(seed).normal(0.0, spread * math.sqrt(1 - keep * keep), steps)
        noise = np.zeros(steps + 1)
        for i, kick in enumerate(kicks):
            noise[i + 1] = keep * noise[i] + kick
        noise -= np.linspace(0.0, noise[-1], steps + 1)
        speeds = speed_m_s * np.maximum(1 + noise, 0.05)
        times = np.linspace(0.0, length_s, steps + 1)
        return cls(tuple(zip(times.tolist(), speeds.tolist(), strict=True)), repeats=True)

    @property
    def top_speed_m_s(self) -> float:
        """The greatest speed, forward or back."""
        return max(abs(speed) for _, speed in self.knots)

    def stretches(self, start_s: float, end_s: float, *, per_m: float) -> Iterator[Stretch]:
        """Yield the parts of the motion between two times that keep one direction; standstill yields nothing.

        Travel is counted in units of which there are `per_m` in a metre.
        """
        times, speeds = _with_zero_crossings(*self._between(start_s, end_s))
        steps = (speeds[1:] + speeds[:-1]) / 2 * np.diff(times) * per_m
        signs = np.sign(steps).astype(int)
        for first, last, sign in _runs(signs.tolist()):
            pieces = slice(first, last + 1)
            travel = np.concatenate(([0.0], np.cumsum(np.abs(steps[pieces]))))
            yield Stretch(
                sign=sign,
                times_s=times[first : last + 2],
                speeds=np.abs(speeds[first : last + 2]) * per_m,
                travel=travel,
            )

    @cached_property
    def _columns(self) -> tuple[Floats, Floats]:
        """The knots as two arrays: times and speeds."""
        times, speeds = np.array(self.knots, dtype=np.float64).T
        return times, speeds

    def _between(self, start_s: float, end_s: float) -> tuple[Floats, Floats]:
        """Return the knots of an interval, its ends included: times and speeds, shape (m,) each."""
        base_t, base_v = self._columns
        if self.repeats:
            period = base_t[-1]
            cycles = np.arange(math.floor(start_s / period), math.floor(end_s / period) + 1)
            base_t = np.append((base_t[:-1] + period * cycles[:, None]).ravel(), period * (cycles[-1] + 1))
            base_v = np.append(np.tile(base_v[:-1], len(cycles)), base_v[0])
        inside = (base_t > start_s) & (base_t < end_s)
        times = np.concatenate(([start_s], base_t[inside], [end_s]))
        return times, np.interp(times, base_t, base_v)


def _with_zero_crossings(times: Floats, speeds: Floats) -> tuple[Floats, Floats]:
    """Return the knots with one more wherever the speed passes through zero between two of them."""
    at = np.flatnonzero(speeds[1:] * speeds[:-1] < 0)
    if not len(at):
        return times, speeds
    share = speeds[at] / (speeds[at] - speeds[at + 1])
    zeros = times[at] + share * (times[at + 1] - times[at])
    return np.insert(times, at + 1, zeros), np.insert(speeds, at + 1, 0.0)


def _runs(signs: Sequence[int]) -> Iterator[tuple[int, int, int]]:
    """Yield (first, last, sign) of the runs of pieces of one direction; pieces at rest between two are inside."""
    first, last, sign = 0, -1, 0
    for i, piece_sign in enumerate(signs):
        if piece_sign == 0:
            continue
        if piece_sign != sign:
            if sign:
                yield first, last, sign
            first, sign = i, piece_sign
        last = i
    if sign:
        yield first, last, sign
