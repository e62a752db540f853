"""Old forecasts held against what came: how early they were right, how right, and whether their intervals told the truth.

Knows times of one kind (dates, hours or clock) as numbers; must not know how a forecast was made.

Source of alpha-lambda accuracy, prognostic horizon and relative accuracy: Saxena et al., Metrics for evaluating
performance of prognostic techniques, Int. Conf. Prognostics and Health Management (2008) (from memory).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """One forecast of one end: when it was made, and P10, P50 and P90 of when the end comes. All in one unit of time.

    A quantile that lies beyond what can be told is infinite.
    """

    made: float
    p10: float
    p50: float
    p90: float

    def __post_init__(self) -> None:
        if not self.p10 <= self.p50 <= self.p90:
            raise ValueError(f"the quantiles {self.p10:g}, {self.p50:g}, {self.p90:g} must not fall")

    def holds(self, came: float) -> bool:
        """Whether the 80 % interval held what came."""
        return self.p10 <= came <= self.p90


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """Forecasts of many ends together.

    coverage: share of forecasts whose 80 % interval held what came; early, late: share that came before P10, after P90.
    accurate: share within alpha of the remaining life. error: median of |P50 - came|, in the unit of time.
    relative_error: median of the same over the remaining life.
    """

    forecasts: int
    coverage: float
    early: float
    late: float
    accurate: float
    error: float
    relative_error: float


def is_accurate(told: Told, came: float, *, alpha: float = 0.2) -> bool:
    """Return whether the remaining life was told to within alpha of what it was: |r - r*| <= alpha r*."""
    return abs(told.p50 - came) <= alpha * (came - told.made)


def alpha_lambda(
    history: Sequence[Told], came: float, *, alpha: float = 0.2, part: float = 0.5
) -> bool | None:
    """Return the alpha-lambda accuracy: whether the forecast in force at `part` (lambda) of the way was accurate.

    The way runs from the first forecast to the end. None where no forecast was made by then.
    """
    before = _before(history, came)
    if not before:
        return None
    at = before[0].made + part * (came - before[0].made)
    made = [told for told in before if told.made <= at]
    return is_accurate(made[-1], came, alpha=alpha) if made else None


def prognostic_horizon(history: Sequence[Told], came: float, *, alpha: float = 0.1) -> float:
    """Return how long before the end the forecasts came within alpha of the end of life, and stayed there.

    The band is alpha of the whole life (time 0 to the end) about the end: |P50 - came| <= alpha came. 0 where they never did.
    """
    horizon = 0.0
    for told in reversed(_before(history, came)):
        if abs(told.p50 - came) > alpha * came:
            break
        horizon = came - told.made
    return horizon


def relative_accuracy(told: Told, came: float) -> float:
    """Return 1 - |r* - r| / r*, r and r* the remaining life as told and as it was; 1 is right, below 0 is useless."""
    return 1 - abs(told.p50 - came) / (came - told.made)


def score(forecasts: Sequence[tuple[Told, float]], *, alpha: float = 0.2) -> Score:
    """Return how forecasts, each with what came, did together; those made after the end are left out.

    Raises ValueError where none is left.
    """
    fair = [(told, came) for told, came in forecasts if told.made < came]
    if not fair:
        raise ValueError("there is no forecast that was made before what it told of: nothing to score")
    count = len(fair)
    errors = sorted(abs(told.p50 - came) for told, came in fair)
    relative = sorted(abs(told.p50 - came) / (came - told.made) for told, came in fair)
    early = sum(came < told.p10 for told, came in fair)
    late = sum(came > told.p90 for told, came in fair)
    return Score(
        forecasts=count,
        coverage=(count - early - late) / count,
        early=early / count,
        late=late / count,
        accurate=sum(is_accurate(told, came, alpha=alpha) for told, came in fair) / count,
        error=_median(errors),
        relative_error=_median(relative),
    )


def _before(history: Sequence[Told], came: float) -> list[Told]:
    return sorted((told for told in history if told.made < came), key=lambda told: told.made)


def _median(values: Sequence[float]) -> float:
    low, high = values[(len(values) - 1) // 2], values[len(values) // 2]
    return low if math.isinf(low) or low == high else (low + high) / 2
