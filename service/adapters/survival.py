"""How long chains live, by scipy: the product-limit estimate with its interval, and the log-rank test.

Knows scipy; must not know what a chain is. It is heavy and only asked for by one page, so it is loaded when first asked,
and where it is missing the error says how to get it.
"""

import threading
import warnings
from collections.abc import Sequence
from typing import Any

import numpy as np

from service.core.life import Step, Survival
from service.ports import LifeFitterMissingError

CONFIDENCE = 0.95
_ONE_AT_A_TIME = threading.Lock()  # what is warned of is set for the whole process


class ScipyLifeFitter:
    """The port `LifeFitter` over scipy."""

    def survival(self, lengths: Sequence[float], ended: Sequence[bool]) -> Survival:
        """Return the product-limit estimate; its interval is Greenwood's on the log-log scale."""
        if not any(ended):
            return Survival(count=len(lengths), ended=0, longest=max(lengths, default=0.0))
        stats = _stats()
        estimate = stats.ecdf(_sample(stats, lengths, ended)).sf
        with _ONE_AT_A_TIME, np.errstate(all="ignore"), warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)  # log(-log) of 1 and of 0: see `_held`
            interval = estimate.confidence_interval(CONFIDENCE, method="log-log")
        at, share = np.asarray(estimate.quantiles), np.asarray(estimate.probabilities)
        low = _held(np.asarray(interval.low.probabilities), share, 0.0)
        high = _held(np.asarray(interval.high.probabilities), share, 1.0)
        is_end = np.isin(at, [each for each, yes in zip(lengths, ended, strict=True) if yes])
        rows = zip(at[is_end], share[is_end], low[is_end], high[is_end], strict=True)
        return Survival(
            count=len(lengths),
            ended=sum(ended),
            median=_first_at_half(at, share),
            low=_first_at_half(at, low),
            high=_first_at_half(at, high),
            steps=(Step(0.0, 1.0, 1.0, 1.0), *(Step(*map(float, row)) for row in rows)),
            longest=max(lengths),
        )

    def log_rank(
        self, one: tuple[Sequence[float], Sequence[bool]], other: tuple[Sequence[float], Sequence[bool]]
    ) -> tuple[float, float]:
        """Return chi-squared (one degree of freedom) and p of the hypothesis that both live alike."""
        stats = _stats()
        result = stats.logrank(_sample(stats, *one), _sample(stats, *other))
        return float(result.statistic) ** 2, float(result.pvalue)


def _held(bound: Any, share: Any, where_open: float) -> Any:
    """The bound, where scipy leaves it open: at a share of 1 nobody has ended yet.

    At 0 nobody is left, and the formula gives no interval: the upper bound stays where it was, for the last that ended says nothing
    of how sure that is.
    """
    held = np.where(np.isfinite(bound), bound, np.where(share >= 1, 1.0, where_open))
    gone = share <= 0
    if gone.any():
        before = held[~gone]
        held[gone] = min(where_open, before[-1] if before.size else where_open)
    return held


def _first_at_half(at: Any, share: Any) -> float | None:
    """The first length at which the share is a half or less; None where it never is."""
    below = np.flatnonzero(share <= 0.5 + 1e-12)
    return float(at[below[0]]) if below.size else None


def _sample(stats: Any, lengths: Sequence[float], ended: Sequence[bool]) -> Any:
    pairs = list(zip(lengths, ended, strict=True))
    return stats.CensoredData(
        uncensored=[length for length, yes in pairs if yes],
        right=[length for length, yes in pairs if not yes],
    )


def _stats() -> Any:
    try:
        from scipy import stats
    except ImportError:
        raise LifeFitterMissingError(
            "statistics of lives need scipy, which is not installed here: pip install 'linklag[life]', and start again"
        ) from None
    return stats
