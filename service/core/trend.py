"""What a series of values shows: its level, a step in it, its slope against something else, a share that rises.

Knows numbers in the order of time; must not know what they measure. Neighbours in a series hang together (temperature
and load change slowly), so an uncertainty is taken from the scatter of blocks of neighbours, not of single values.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

BLOCKS = 20  # into which a series is cut for its uncertainty
BLOCK_MIN = 4  # values in a block
SIDE_MIN = 12  # values on each side of a step: fewer show none
SCAN = 24  # values on each side by which steps are looked for
CANDIDATES = 4
REFIT = 200  # values on each side that a step is fitted to
SIGNIFICANT = 6.0  # standard uncertainties of a step: it is the greatest of hundreds of candidates
LASTING = 4.0  # the same for all that came before against all that came after
SHARP = 0.5  # part of a step that must come at once
GAP_STEPS = 10.0  # usual steps of time without a value: nothing is known of how the level changed meanwhile
TINY = 1e-9  # below this scatter is rounding


class Level(NamedTuple):
    """A mean and its standard uncertainty."""

    value: float
    u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step in a series: values from `index` on lie higher by `size` than those before.

    `across_gap`: nothing was measured for a while just then, so whether it came at once is not known.
    """

    index: int
    size: float
    u: float
    across_gap: bool


def level(values: Floats) -> Level:
    """Return the mean of a series with its standard uncertainty, which minds that neighbours hang together.

    From the scatter of up to BLOCKS block means, with Student's factor (JCGM 101:2008, 6.4.9.4, from memory).

    Args:
        values: shape (n,), n >= 2, in the order of time.
    """
    blocks = np.array([part.mean() for part in np.array_split(values, _block_count(len(values)))])
    return Level(
        float(values.mean()), float(blocks.std(ddof=1)) * _student(len(blocks)) / math.sqrt(len(blocks))
    )


def fit(columns: Floats, values: Floats) -> list[Level]:
    """Return the terms of a linear fit, each with its standard uncertainty.

    Least squares; the uncertainty is the greater of the usual one and that of a sandwich over blocks of neighbours
    (Liang & Zeger, Biometrika 73 (1986) 13, from memory). Columns that say the same share an infinite one.

    Args:
        columns: shape (n, k), n > k.
        values: shape (n,), in the order of time.
    """
    count, terms = columns.shape
    scale = np.sqrt((columns * columns).sum(axis=0))
    scaled = columns / np.where(scale > 0, scale, 1.0)
    gram = scaled.T @ scaled
    if np.linalg.eigvalsh(gram)[0] < TINY:
        return [Level(0.0, math.inf)] * terms
    inverse = np.linalg.inv(gram)
    best = inverse @ (scaled.T @ values)
    rest = values - scaled @ best
    usual = float(rest @ rest) / max(1, count - terms) * np.diag(inverse)
    blocks = _block_count(count)
    scores = np.array([part.sum(axis=0) for part in np.array_split(scaled * rest[:, None], blocks)])
    freedom = max(1, blocks - terms)
    blocked = np.diag(inverse @ (scores.T @ scores) @ inverse) * blocks / freedom
    u = np.sqrt(np.maximum(usual, blocked)) * _student(freedom + 1)
    return [Level(float(b / s), float(each / s)) for b, each, s in zip(best, u, scale, strict=True)]


def find_step(times_s: Floats, values: Floats, beside: Sequence[Floats] = ()) -> Step | None:
    """Return the greatest step of a series that is sure, lasting and sharp; None where there is none.

    Sure: SIGNIFICANT uncertainties, fitted beside a slope in time and what else moves the values, over REFIT values to
    each side. Lasting: all that came before against all that came after agrees, so a level that comes and goes is no
    step. Sharp: the values next to it on each side are already apart by it, so what rises slowly is none.

    Args:
        times_s: shape (n,), rising.
        values: shape (n,).
        beside: other series of the same shape that the values may follow, e.g. speed.
    """
    count = len(values)
    if count < 2 * SIDE_MIN:
        return None
    beside = [
        each - each.mean() for each in beside if np.ptp(each) > TINY * max(1.0, float(np.abs(each).max()))
    ]
    plain = values - _followed(times_s, values, beside)
    found = [_step_at(times_s, values, beside, plain, index) for index in _candidates(plain)]
    return max((each for each in found if each), key=lambda each: abs(each.size) / each.u, default=None)


def _followed(times_s: Floats, values: Floats, beside: Sequence[Floats]) -> Floats:
    """What the values owe to other series, as far as their changes from value to value show: shape (n,).

    Changes, because a step would pull a fit of the values themselves.
    """
    if not beside:
        return np.zeros(len(values))
    changes = np.column_stack([np.diff(each) for each in beside])
    steady = np.diff(times_s) <= GAP_STEPS * np.median(np.diff(times_s))
    best = np.linalg.lstsq(changes[steady], np.diff(values)[steady], rcond=None)[0]
    return np.asarray(np.column_stack(list(beside)) @ best)


def _candidates(values: Floats) -> list[int]:
    """Where the means of the SCAN values before and after differ most: up to CANDIDATES places, refined."""
    count = len(values)
    sums = np.concatenate(([0.0], np.cumsum(values - values.mean())))
    at = np.arange(SIDE_MIN, count - SIDE_MIN + 1)
    left, right = np.maximum(at - SCAN, 0), np.minimum(at + SCAN, count)
    apart = (sums[right] - sums[at]) / (right - at) - (sums[at] - sums[left]) / (at - left)
    weight = np.abs(apart) * np.sqrt((right - at) * (at - left) / (right - left))
    found: list[int] = []
    for _ in range(CANDIDATES):
        best = int(weight.argmax())
        if weight[best] <= TINY:
            break
        found.append(_refined(sums, int(at[best])))
        weight[max(0, best - SIDE_MIN) : best + SIDE_MIN] = 0.0
    return found


def _refined(sums: Floats, near: int) -> int:
    """The place near a candidate at which two means explain most of the values around it."""
    count = len(sums) - 1
    low, high = max(0, near - SCAN), min(count, near + SCAN)
    at = np.arange(max(low + 4, SIDE_MIN), min(high - 4, count - SIDE_MIN) + 1)
    before = (sums[at] - sums[low]) / (at - low)
    after = (sums[high] - sums[at]) / (high - at)
    explained = (at - low) * (high - at) * (after - before) ** 2
    return int(at[explained.argmax()]) if len(at) else near


def _step_at(
    times_s: Floats, values: Floats, beside: Sequence[Floats], plain: Floats, index: int
) -> Step | None:
    usual_s = float(np.median(np.diff(times_s)))
    across_gap = bool(times_s[index] - times_s[index - 1] > GAP_STEPS * usual_s)
    near = slice(max(0, index - REFIT), index + REFIT)
    beside_near = [each[near] for each in beside]
    size, u = _fitted(times_s[near], values[near], beside_near, index - near.start, across_gap=across_gap)
    u = max(u, TINY)
    if not abs(size) > SIGNIFICANT * u:
        return None
    lasting, lasting_u = _fitted(times_s, values, beside, index, across_gap=across_gap)
    if not (abs(lasting) > LASTING * lasting_u and 0.5 < lasting / size < 2.0):
        return None
    if not across_gap and not _is_sharp(plain, index, size):
        return None
    return Step(index=index, size=size, u=u, across_gap=across_gap)


def _fitted(
    times_s: Floats, values: Floats, beside: Sequence[Floats], index: int, *, across_gap: bool
) -> Level:
    """The step at `index`, beside a level, a slope in time and the other series.

    Across the only gap of a series step and slope are the same; it is then all taken for a step.
    """
    after = np.arange(len(values)) >= index
    columns = [after.astype(np.float64), np.ones(len(values)), *beside]
    sloped = fit(np.column_stack([*columns, times_s - times_s.mean()]), values)[0]
    if not across_gap:
        return sloped
    level_only = fit(np.column_stack(columns), values)[0]
    return level_only if 3 * sloped.u > abs(level_only.value) else sloped


def _is_sharp(values: Floats, index: int, size: float) -> bool:
    """Whether the values next to a step are apart by most of it, over as few values as its size allows."""
    scatter = 1.4826 * float(np.median(np.abs(np.diff(values)))) / math.sqrt(2)
    beside = SIDE_MIN // 2
    while beside < SIDE_MIN * 4 and 4 * scatter * math.sqrt(2 / beside) > abs(size):
        beside *= 2
    jump = values[index : index + beside].mean() - values[max(0, index - beside) : index].mean()
    return float(jump) / size > SHARP


def proportion_trend(counts: Sequence[int], totals: Sequence[int]) -> float:
    """Return how sure it is that a share rises from block to block if only chance scatters it, in standard deviations.

    The trend in proportions over equally spaced blocks: negative where it falls, 0 for a share of nothing or all
    (Armitage, Biometrics 11 (1955) 375, from memory).

    Args:
        counts: in each block, in the order of time.
        totals: out of so many, > 0.
    """
    x, n, score, share = _shares(counts, totals)
    if not 0 < share < 1:
        return 0.0
    return float((score * x).sum()) / math.sqrt(share * (1 - share) * float((n * score * score).sum()))


def rising(counts: Sequence[int], totals: Sequence[int]) -> float:
    """Return the same where blocks scatter beyond chance: its variance is multiplied by what they do so (never divided).

    Source: overdispersion as in McCullagh & Nelder, Generalized Linear Models, 4.5 (from memory).
    """
    x, n, score, share = _shares(counts, totals)
    if len(x) < 3 or not 0 < share < 1:
        return 0.0
    slope = float((score * x).sum()) / float((n * score * score).sum())
    rest = x - n * (share + slope * score)
    scatter = float((rest * rest / (n * share * (1 - share))).sum()) / (len(x) - 2)
    return proportion_trend(counts, totals) / math.sqrt(max(1.0, scatter))


def _shares(counts: Sequence[int], totals: Sequence[int]) -> tuple[Floats, Floats, Floats, float]:
    """Counts, totals, scores of the blocks with weighted mean 0 (shape (n,) each), and the share of all."""
    x, n = np.array(counts, dtype=np.float64), np.array(totals, dtype=np.float64)
    order = np.arange(len(x), dtype=np.float64)
    score: Floats = order - float((n * order).sum() / n.sum())
    return x, n, score, float(x.sum() / n.sum())


def mean_of(values: Iterable[float | None]) -> float | None:
    """Return the mean of the values that are known, None where none is."""
    known = [each for each in values if each is not None]
    return sum(known) / len(known) if known else None


def _block_count(count: int) -> int:
    return max(2, min(BLOCKS, count // BLOCK_MIN))


def _student(count: int) -> float:
    """By how much the standard uncertainty of a mean of few exceeds that of the normal: sqrt((n - 1) / (n - 3))."""
    return math.sqrt((count - 1) / (count - 3)) if count > 3 else 3.0
