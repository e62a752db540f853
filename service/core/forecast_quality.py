"""How good past forecasts were: what was told of chains, held against when each reached its limit.

Knows forecasts as dates with their interval, and the course of a chain; must not know how a forecast was made. A chain that
was taken off below its limit proves no forecast right or wrong, and is counted as such. The forecasts of one chain hang
together: what is known grows with chains, not with forecasts, so a share is told with an interval by chains.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median

from service.core.forecast_metrics import Told, alpha_lambda, prognostic_horizon, score

CHAINS_LEAST = 5  # under which nothing is judged (our own)
COVERAGE = 0.8  # what P10 to P90 should hold
ALPHA, HALF_WAY = 0.2, 0.5  # of alpha-lambda accuracy
ALPHA_OF_LIFE = 0.1  # of the prognostic horizon
CONFIRMED_BY = 3  # values after a crossing whose median must lie over the limit too
DAY_NS = 86_400 * 10**9


@dataclass(frozen=True, slots=True, kw_only=True)
class ToldOnce:
    """One forecast as it was told. A quantile None: beyond what can be told."""

    made_ns: int
    p10_ns: int | None
    p50_ns: int | None
    p90_ns: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """What was told of a chain that reached its limit or came off. came_ns: when it reached it; None: it came off before."""

    drive_id: str
    chain_id: str
    drive_class: str
    fitted_ns: int
    told: Sequence[ToldOnce]
    came_ns: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Quality:
    """How good the forecasts of a class were. Times in days; None where there are too few chains to say.

    chains: that reached their limit and had forecasts before; not_judged: that came off below it.
    held: share of forecasts half-way whose interval held what came, with its 95 % interval; early, late: what came before
    P10, after P90, of all forecasts. accurate: chains whose forecast half-way was within 20 % of what was left.
    horizon_days: median of how long before the end forecasts came within 10 % of the life and stayed there.
    """

    drive_class: str
    chains: int
    not_judged: int
    forecasts: int
    enough: bool
    coverage: float | None = None
    held: float | None = None
    held_low: float | None = None
    held_high: float | None = None
    early: float | None = None
    late: float | None = None
    accurate: float | None = None
    error_days: float | None = None
    relative_error: float | None = None
    horizon_days: float | None = None


def reached_ns(course: Sequence[tuple[int, float]], limit_pct: float) -> int | None:
    """Return when elongations by time first came to a limit and stayed; None where they did not.

    A value counts where the median of it and those after it, CONFIRMED_BY at most, is at the limit too: one that stands out
    is no crossing. Between two values by a straight line.
    """
    for index, (t_ns, pct) in enumerate(course):
        after = [value for _, value in course[index : index + CONFIRMED_BY]]
        if pct < limit_pct or median(after) < limit_pct:
            continue
        if index == 0:
            return t_ns
        before_ns, before = course[index - 1]
        part = (limit_pct - before) / (pct - before) if pct > before else 1.0
        return before_ns + round(min(max(part, 0.0), 1.0) * (t_ns - before_ns))
    return None


def judge_forecasts(courses: Sequence[Course]) -> list[Quality]:
    """Return how good forecasts were, all together first (its class is ""), then by class."""
    classes = sorted({each.drive_class for each in courses if each.drive_class})
    return [
        _quality("", courses),
        *(_quality(name, [each for each in courses if each.drive_class == name]) for name in classes),
    ]


def _quality(name: str, courses: Sequence[Course]) -> Quality:
    rows = [(_told(each), _days(each, each.came_ns)) for each in courses if each.came_ns is not None]
    judged = [(told, came) for told, came in rows if any(each.made < came for each in told)]
    pairs = [(each, came) for told, came in judged for each in told if each.made < came]
    base = Quality(
        drive_class=name,
        chains=len(judged),
        not_judged=sum(each.came_ns is None for each in courses),
        forecasts=len(pairs),
        enough=len(judged) >= CHAINS_LEAST,
    )
    if not base.enough:
        return base
    found = score(pairs, alpha=ALPHA)
    half = [_half_way(told, came).holds(came) for told, came in judged]
    right = [alpha_lambda(told, came, alpha=ALPHA, part=HALF_WAY) for told, came in judged]
    low, high = _wilson(sum(half), len(half))
    return replace(
        base,
        coverage=found.coverage,
        held=sum(half) / len(half),
        held_low=low,
        held_high=high,
        early=found.early,
        late=found.late,
        accurate=sum(each is True for each in right) / len(right),
        error_days=_finite(found.error),
        relative_error=_finite(found.relative_error),
        horizon_days=median(prognostic_horizon(told, came, alpha=ALPHA_OF_LIFE) for told, came in judged),
    )


def _told(course: Course) -> list[Told]:
    """What was told of a chain, in days since it was fitted."""
    return [
        Told(
            made=_days(course, each.made_ns),
            p10=_days(course, each.p10_ns),
            p50=_days(course, each.p50_ns),
            p90=_days(course, each.p90_ns),
        )
        for each in course.told
    ]


def _days(course: Course, t_ns: int | None) -> float:
    return math.inf if t_ns is None else (t_ns - course.fitted_ns) / DAY_NS


def _half_way(told: Sequence[Told], came: float) -> Told:
    """The forecast in force half-way from the first to the end."""
    before = sorted((each for each in told if each.made < came), key=lambda each: each.made)
    at = before[0].made + HALF_WAY * (came - before[0].made)
    return [each for each in before if each.made <= at][-1]


def _wilson(hits: int, of: int, z: float = 1.96) -> tuple[float, float]:
    """Return the 95 % interval of a share (Wilson, J. Am. Stat. Assoc. 22 (1927) 209, from memory)."""
    share, extra = hits / of, z * z / of
    middle = (share + extra / 2) / (1 + extra)
    half = z * math.sqrt(share * (1 - share) / of + extra / (4 * of)) / (1 + extra)
    return max(0.0, min(middle - half, share)), min(1.0, max(middle + half, share))


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
