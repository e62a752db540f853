"""The change since the baseline of points that only tell elongation against nominal: roll-ups, and the chart.

The two elongations are two numbers; a chart shows one of them. Pure.
"""

import math
from collections.abc import Iterable, Mapping, Sequence

from service.adapters.web.chart import Point
from service.core.drive import Baseline, baseline_at


def since_pct(elongation_pct: float, baseline: Baseline) -> float:
    """Return by how much a chain of that elongation is longer than at its baseline: (1 + e) / (1 + e0) - 1, per cent."""
    return ((100 + elongation_pct) / (100 + baseline.elongation_pct) - 1) * 100


def since_u_pct(elongation_pct: float, u_pct: float, baseline: Baseline) -> float:
    """Return the standard uncertainty of that change: that of the elongation without what e0 is uncertain by, per cent."""
    start_u = baseline.elongation_u_pct * (100 + elongation_pct) / (100 + baseline.elongation_pct)
    return math.sqrt(max(0.0, u_pct**2 - start_u**2))


def since_points(points: Iterable[Point], baselines: Mapping[str, Sequence[Baseline]]) -> list[Point]:
    """Return the points as changes since the baseline that was in force; those without one are not measured.

    The line breaks where another baseline came into force, because the change is counted anew from there.

    Args:
        points: elongations against nominal.
        baselines: of each chain, by its id.
    """
    return [
        _since(point, baseline_at(baselines.get(point.chain_id or "", ()), point.t_ns)) for point in points
    ]


def _since(point: Point, baseline: Baseline | None) -> Point:
    if baseline is None or point.mean is None:
        return point._replace(mean=None, low=None, high=None, u=None, measured=0)
    low, high = (None if each is None else since_pct(each, baseline) for each in (point.low, point.high))
    return point._replace(
        mean=since_pct(point.mean, baseline),
        low=low,
        high=high,
        u=since_u_pct(point.mean, point.u or 0.0, baseline),
        chain_id=f"{point.chain_id} since {baseline.taken_ns}",
    )
