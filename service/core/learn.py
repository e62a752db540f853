"""What a drive teaches about itself: unequal switching delay of its sensors, and stretch of its strand under load.

Knows points in a plane and straight lines through them; must not know pulses. What cannot be learnt from the points
given is a value that says why. A value that is learnt but is not three times its uncertainty is not significant, and
nobody takes it off anything.

What no line can tell apart: a load that goes with the speed looks like a delay; warmth that goes with the load looks
like stretch. Whatever was sent (temperatures, load) is to be taken off before, and people are told the rest.

The place of the driver's polygon effect is not learnt here. It moves N by at most 0.63 / z^2 pitches (0.007 % of
elongation at 19 teeth and 24 pitches), in a wave that takes 1 % of wear a hundred pitches from the driver, and 3 %
at thirty. Over so long the pace of wear wanders, and a wave so small cannot be told from that: with a pace that
wanders by a tenth, two hundred readings over a whole life find the place no better than a guess (simulated in
tests/core/test_learn.py). Whoever wants it taken off measures the distance to the driver.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from service.core.drive import Drive
from service.core.elongation import TEETH_ASSUMED
from service.core.reading import Reading

Floats = npt.NDArray[np.float64]

# Root mean square of the slope of the polygon displacement is this over z^2: (pi^2 / 6) sqrt(4 / 5).
POLYGON_SLOPE_RMS = math.pi**2 / 6.0 * math.sqrt(0.8)
POINTS_MIN = 6
SIGNIFICANT = 3.0  # times its standard uncertainty
SPEEDS_APART = 1.2  # ratio of two speeds that are clearly different
POINTS_A_SPEED = 2  # fewer at one speed do not count as a speed
LONG_NS = 3600 * 10**9  # over a longer time wear counts: bedding in goes at up to 0.005 % an hour
LONG_POINTS_MIN = 10
LOADS_APART_N = 1.0  # loads that differ by less are one load
TREND_KNOTS_MAX = 9
TREND_POINTS = 25  # for each knot
BLOCKS = 8  # of time, within which scatter may hang together
OUTLIER = 5.0  # scales; LAD first, then least squares of the rest
_LAD_ROUNDS = 40
S_PER_DAY = 86_400.0
NS_PER_DAY = 86_400e9


class NotLearnt(StrEnum):
    """Why nothing can be learnt from the points given."""

    TOO_FEW = "too_few"
    ONE_SPEED = "one_speed"  # no two clearly different ones
    ONE_LOAD = "one_load"


@dataclass(frozen=True, slots=True, kw_only=True)
class DelayPoint:
    """Pitches between the sensors (or their fractional part, unwrapped) at one speed, at reference load and temperature.

    No delay is taken off. `u_pitches`: standard uncertainty of what differs from point to point, > 0.
    """

    joints_per_s: float
    pitches: float
    u_pitches: float
    t_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class DelayFit:
    """By how much `down` switches later than `up`, with standard uncertainty, and N without it."""

    delay_us: float
    u_us: float
    pitches_at_rest: float
    significant: bool
    speeds: tuple[float, ...]  # the clearly different ones, joints a second, each the mean of its points
    points: int
    left_out: int  # of the points, as outliers
    drift_pitches_per_day: float | None  # of N, where the points cover more than an hour


@dataclass(frozen=True, slots=True, kw_only=True)
class StrainPoint:
    """Elongation at one load, no load correction taken off. `u_pct`: of what differs from point to point, > 0."""

    load_n: float
    elongation_pct: float
    u_pct: float
    t_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class StrainFit:
    """Elastic strain of the strand, per cent per kN, with standard uncertainty."""

    strain_pct_per_kn: float
    u_pct_per_kn: float
    significant: bool
    load_range_n: tuple[float, float]
    load_mean_n: float
    points: int
    left_out: int


def polygon_scale_u(drive: Drive) -> float:
    """Return by how much the polygon effect may stretch or shrink small changes of N, a relative standard uncertainty.

    N as seen changes by 1 + g' of what N does, g' being the slope of the strand's uneven motion at each sensor; its
    root mean square over all places is 1.47 / z^2 (see DEVELOPERS.md, "The polygon effect").
    """
    return math.sqrt(2.0) * POLYGON_SLOPE_RMS / (drive.driver_teeth or TEETH_ASSUMED) ** 2


def fit_delay(points: Sequence[DelayPoint], scale_u: float = 0.0) -> DelayFit | NotLearnt:
    """Return the switching delay that N shows against speed: N(r) = N at rest + delay x r, r in joints a second.

    In the time by which `down` is late the chain moves on by delay x r pitches. Weighted least squares without
    outliers; where the points cover more than an hour, wear is a third term, linear in time. The uncertainty is that
    of the scatter about the line, or of the points' own uncertainties where that is more.

    Args:
        points: in any order; at least two clearly different speeds.
        scale_u: relative standard uncertainty of all changes alike, from `polygon_scale_u`.

    Source: unequal delay dt shifts the lag by v dt / p; least squares as in Draper & Smith, Applied Regression
    Analysis, ch. 1 and 4 (from memory).
    """
    if len(points) < POINTS_MIN:
        return NotLearnt.TOO_FEW
    rates = np.array([each.joints_per_s for each in points])
    speeds = different_speeds(rates.tolist())
    if len(speeds) < 2:
        return NotLearnt.ONE_SPEED
    columns = [np.ones(len(points)), rates]
    days = _days([each.t_ns for each in points])
    is_long = np.ptp(days) > LONG_NS / NS_PER_DAY and len(points) >= LONG_POINTS_MIN
    if is_long:
        columns.append(days)
    line = _line(
        np.column_stack(columns),
        np.array([each.pitches for each in points]),
        np.array([each.u_pitches for each in points]),
    )
    delay_s, u_s = _scaled(line.term(1), scale_u)
    return DelayFit(
        delay_us=1e6 * delay_s,
        u_us=1e6 * u_s,
        pitches_at_rest=float(line.values[0]),
        significant=abs(delay_s) > SIGNIFICANT * u_s,
        speeds=speeds,
        points=len(points),
        left_out=line.left_out,
        drift_pitches_per_day=float(line.values[2]) if is_long else None,
    )


def fit_drift(points: Sequence[DelayPoint]) -> tuple[float, float] | NotLearnt:
    """Return by how much N changes with time, pitches a second, and its standard uncertainty; speed taken out.

    Within minutes no chain wears: what changes N is a bracket that creeps, or sensors that stand on two clocks.

    Args:
        points: in any order, of one speed or of several.
    """
    if len(points) < POINTS_MIN:
        return NotLearnt.TOO_FEW
    rates = np.array([each.joints_per_s for each in points])
    columns = [np.ones(len(points)), _days([each.t_ns for each in points])]
    if len(different_speeds(rates.tolist())) > 1:
        columns.append(rates)
    line = _line(
        np.column_stack(columns),
        np.array([each.pitches for each in points]),
        np.array([each.u_pitches for each in points]),
    )
    drift, u = line.term(1)
    return drift / S_PER_DAY, u / S_PER_DAY


def different_speeds(rates: Iterable[float]) -> tuple[float, ...]:
    """Return the clearly different speeds among those given, each as the mean of at least two points, rising.

    A speed over SPEEDS_APART times the slowest of a group opens the next group.
    """
    groups: list[list[float]] = []
    for rate in sorted(rates):
        if not groups or rate > SPEEDS_APART * groups[-1][0]:
            groups.append([])
        groups[-1].append(rate)
    return tuple(sum(group) / len(group) for group in groups if len(group) >= POINTS_A_SPEED)


def delay_points(readings: Iterable[Reading], drive: Drive, pitch_mm: float) -> list[DelayPoint]:
    """Return the points for `fit_delay` that stored readings of one chain make: those measured, at their own speed.

    Temperature and load are taken off N; a delay that was taken off is put back. Only readings of the newest baseline
    count, because a moved sensor is no delay.

    Args:
        readings: of one chain on `drive`, in any order.
        drive: it says what delay was taken off.
        pitch_mm: nominal pitch of the chain.
    """
    points = []
    for each in _of_newest_baseline(readings):
        if not each.speed_m_s or each.pitches_between is None or each.elongation_pct is None:
            continue
        rate = each.speed_m_s * 1000 / (pitch_mm * (1 + each.elongation_pct / 100))
        taken_pct = (each.temperature_taken_pct or 0.0) + (each.load_taken_pct or 0.0)
        pitches = each.pitches_between * (1 + taken_pct / 100) + (drive.delay_us or 0.0) * 1e-6 * rate
        points.append(
            DelayPoint(joints_per_s=rate, pitches=pitches, u_pitches=_scatter_u(each, 1.0), t_ns=each.t_ns)
        )
    return points


def fit_strain(points: Sequence[StrainPoint], scale_u: float = 0.0) -> StrainFit | NotLearnt:
    """Return the elastic strain that elongation shows against load, wear taken out as a broken line over time.

    Weighted least squares without outliers of e = trend(t) + strain x load, the trend being straight between knots
    evenly spaced in time. Scatter that hangs together over a stretch of time is counted as such: the uncertainty is
    the greater of the usual one and that of a sandwich over blocks of time. The loads count as exact: with a scatter
    of u in them the strain comes out small by u^2 / (spread of the loads)^2. It is significant only if it is above
    zero (a pull lengthens) by three times its uncertainty. `scale_u` as for `fit_delay`.

    Source: least squares as in Draper & Smith (from memory); blocks: Liang & Zeger, Biometrika 73 (1986) 13 (from memory).
    """
    if len(points) < 2 * POINTS_MIN:
        return NotLearnt.TOO_FEW
    loads = np.array([each.load_n for each in points])
    if np.ptp(loads) < LOADS_APART_N:
        return NotLearnt.ONE_LOAD
    days = _days([each.t_ns for each in points])
    line = _line(
        np.column_stack(((loads - loads.mean()) / 1000, _broken_line(days))),
        np.array([each.elongation_pct for each in points]),
        np.array([each.u_pct for each in points]),
        days,
    )
    strain, u = _scaled(line.term(0), scale_u)
    return StrainFit(
        strain_pct_per_kn=strain,
        u_pct_per_kn=u,
        significant=strain > SIGNIFICANT * u,
        load_range_n=(float(loads.min()), float(loads.max())),
        load_mean_n=float(loads.mean()),
        points=len(points),
        left_out=line.left_out,
    )


def strain_points(readings: Iterable[Reading]) -> list[StrainPoint]:
    """Return the points for `fit_strain` that stored readings of one chain make: measured ones with a load.

    What was taken off for load is put back. Only readings of the newest baseline count.
    """
    return [
        StrainPoint(
            load_n=each.load_n,
            elongation_pct=each.elongation_pct + (each.load_taken_pct or 0.0),
            u_pct=_scatter_u(each, 100.0),
            t_ns=each.t_ns,
        )
        for each in _of_newest_baseline(readings)
        if each.elongation_pct is not None and each.load_n is not None
    ]


def _scaled(term: tuple[float, float], scale_u: float) -> tuple[float, float]:
    return term[0], math.hypot(term[1], scale_u * term[0])


def _of_newest_baseline(readings: Iterable[Reading]) -> list[Reading]:
    """Those measured with the same baseline as the newest one of them."""
    measured = [each for each in readings if each.reason is None]
    newest = max(measured, key=lambda each: each.t_ns, default=None)
    return [
        each
        for each in measured
        if newest is not None
        and (each.baseline_taken_ns, each.baseline_recorded_ns)
        == (newest.baseline_taken_ns, newest.baseline_recorded_ns)
    ]


def _scatter_u(reading: Reading, whole: float) -> float:
    """A weight for a reading: what scatters from one to the next falls with the root of the pitches averaged.

    Only the ratio between readings counts: the scatter itself is taken from the points.
    """
    return 1e-9 * whole / math.sqrt(max(1, reading.pitches_averaged))


def _days(instants_ns: Sequence[int]) -> Floats:
    """Days since the mean of the instants, shape (n,)."""
    first = min(instants_ns)
    days = np.array([(each - first) / NS_PER_DAY for each in instants_ns])
    return np.asarray(days - days.mean())


def _broken_line(days: Floats) -> Floats:
    """Columns of a line that is straight between knots: one hat function a knot, shape (n, knots)."""
    span = float(np.ptp(days))
    if span == 0:
        return np.ones((len(days), 1))
    knots = np.linspace(days.min(), days.max(), min(TREND_KNOTS_MAX, 2 + len(days) // TREND_POINTS))
    hats = np.array([np.interp(days, knots, row) for row in np.eye(len(knots))]).T
    return np.asarray(hats[:, hats.any(axis=0)])


@dataclass(frozen=True, slots=True)
class _Line:
    """Values of the terms of a linear fit and their standard uncertainties, shape (k,) each."""

    values: Floats
    u: Floats
    left_out: int

    def term(self, number: int) -> tuple[float, float]:
        """One term and its standard uncertainty."""
        return float(self.values[number]), float(self.u[number])


def _line(columns: Floats, values: Floats, u: Floats, days: Floats | None = None) -> _Line:
    """Weighted least squares without outliers.

    Outliers are found from the line of least absolute deviations, which a few of them do not move. With few degrees of
    freedom the uncertainty is that of Student's t (JCGM 101:2008, 6.4.9.4, from memory).

    Args:
        columns: shape (n, k), n > k.
        values: shape (n,).
        u: shape (n,), standard uncertainties > 0; the weights.
        days: shape (n,); where given, scatter may hang together within blocks of time.
    """
    if not (u > 0).all():
        raise ValueError("each point needs an uncertainty above 0: it is its weight")
    x, y = columns / u[:, None], values / u
    off: Floats = np.abs(y - x @ _least_absolute(x, y))
    kept = off <= OUTLIER * max(1.4826 * float(np.median(off)), 1e-12 * float(np.abs(y).max()))
    x, y = x[kept], y[kept]
    inverse: Floats = np.asarray(np.linalg.pinv(x.T @ x), dtype=np.float64)
    best: Floats = np.asarray(inverse @ (x.T @ y), dtype=np.float64)
    rest: Floats = y - x @ best
    freedom = max(1, len(y) - int(np.linalg.matrix_rank(x)))
    variance = max(1.0, float(rest @ rest) / freedom)
    variance *= freedom / (freedom - 2) if freedom > 2 else 3.0
    spread: Floats = variance * np.diag(inverse)
    if days is not None:
        spread = np.maximum(spread, _blocked_spread(x * rest[:, None], days[kept], inverse))
    return _Line(best, np.sqrt(spread), int(np.count_nonzero(~kept)))


def _least_absolute(x: Floats, y: Floats) -> Floats:
    """The terms of least absolute deviations, shape (k,): least squares, each point weighted by 1 over its own deviation."""
    best = np.linalg.lstsq(x, y, rcond=None)[0]
    floor = 1e-9 * max(float(np.abs(y - y.mean()).max()), 1e-300)
    for _ in range(_LAD_ROUNDS):
        root = 1 / np.sqrt(np.maximum(np.abs(y - x @ best), floor))
        best = np.linalg.lstsq(x * root[:, None], y * root, rcond=None)[0]
    return np.asarray(best)


def _blocked_spread(scores: Floats, days: Floats, inverse: Floats) -> Floats:
    """Variances of the terms, shape (k,), where scatter hangs together within blocks of time.

    The sandwich inverse x (sum over blocks of the outer product of their scores) x inverse, times B / (B - 3)
    for its few degrees of freedom; at least what neighbours in time alone say: (1 + r) / (1 - r) of the usual
    variance, r being the product of the autocorrelations of the term and of the scatter, as in their scores.
    Zeros with too few points for blocks of four.

    Args:
        scores: shape (n, k), each row of the columns times its residual.
        days: shape (n,).
        inverse: shape (k, k), of the normal matrix.
    """
    blocks = min(BLOCKS, len(days) // 4)
    if blocks < 4:
        return np.zeros(len(inverse))
    in_time = (scores @ inverse)[np.argsort(days, kind="stable")]
    sums = np.array([part.sum(axis=0) for part in np.array_split(in_time, blocks)])
    by_blocks = (sums**2).sum(axis=0) * blocks / (blocks - 3)
    alone = np.maximum((in_time**2).sum(axis=0), 1e-300)
    together = np.clip((in_time[1:] * in_time[:-1]).sum(axis=0) / alone, 0, 0.98)
    return np.asarray(np.maximum(by_blocks, alone * (1 + together) / (1 - together)))
