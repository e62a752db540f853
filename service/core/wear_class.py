"""What the chains of a class lend to one of them: the course of wear they share, and how far they differ.

Knows series of shares of the limit against clocks that can be compared (laps, or joints passed of equal loops); must not
know whose they are. The caller leaves out the chain that borrows.

Three things are lent. The course: where in life wear is fast and slow for all (bedding-in, the end), as a map of the
share of the limit under which their wear is straight. The members of the bank: how the weights of the grid are spread
over the class, by expectation and maximisation over the likelihoods of all chains (Dempster, Laird & Rubin, J. R. Stat.
Soc. B 39 (1977) 1), and how likely a late bend is. The rate: log-normal over the class, without what the chains' own rates
err by (random effects: Lu & Meeker, Technometrics 35 (1993) 161). All from memory.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from service.core.wear_state import (
    BEND_PRIOR,
    EARLY_BEND,
    LATE,
    LATEST,
    Bank,
    RatePrior,
    Series,
    fit_bank,
    lasting_rates,
    plain_weights,
    weights_without_bend,
)

Floats = npt.NDArray[np.float64]

CHAINS_LEAST = 3  # a class of fewer lends nothing
CHAINS_MOST = 60
SHARE_LEAST = 0.2  # of the limit that a chain must have worn through to lend
SHARE_MOST = 1.1  # what lies beyond the limit says nothing of the way there
PARTS = 10  # of life over which the course is taken
PART_COVER = 0.5  # of a part that must have been seen
COURSE_SHRINK = 2.0  # chains' worth of "wear is straight" (our own)
PLAIN_WORTH = 1.0  # chains' worth of what is held without a class (our own)
RATE_SPREAD = (
    0.3  # standard deviation of the logarithm of the rate held beforehand, worth one chain (our own)
)
GRID = np.linspace(-0.2, 1.2, 281)


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """The map of a share of the limit to one under which wear of the class is straight. 0 to 0 and 1 to 1.

    mapped, slope: shape of GRID; straight on beyond it.
    """

    mapped: Floats
    slope: Floats

    def straightened(self, series: Series) -> Series:
        """Return a series seen through the map; uncertainties go with its slope."""
        slope = np.interp(series.share, GRID, self.slope)
        return replace(
            series,
            share=self.of(series.share),
            u=series.u * slope,
            stretch=series.stretch * slope,
            limit_stretch=series.limit_stretch * float(np.interp(1.0, GRID, self.slope)),
        )

    def of(self, share: Floats) -> Floats:
        """Return the map of shares."""
        beyond = (
            np.maximum(share - GRID[-1], 0) * self.slope[-1] + np.minimum(share - GRID[0], 0) * self.slope[0]
        )
        return np.asarray(np.interp(share, GRID, self.mapped) + beyond)

    def back(self, mapped: Floats) -> Floats:
        """Return the shares that are mapped so: the inverse."""
        beyond = (
            np.maximum(mapped - self.mapped[-1], 0) / self.slope[-1]
            + np.minimum(mapped - self.mapped[0], 0) / self.slope[0]
        )
        return np.asarray(np.interp(mapped, self.mapped, GRID) + beyond)


STRAIGHT = Course(mapped=GRID, slope=np.ones(len(GRID)))


@dataclass(frozen=True, slots=True, kw_only=True)
class WearClass:
    """What a class lends; `prior` in units of the clock of its series. chains: how many it was learnt from."""

    chains: int
    course: Course
    prior: RatePrior

    def in_clock(self, per_unit: float) -> "WearClass":
        """Return the same in a clock that counts `per_unit` for one of this one's, e.g. joints for a lap."""
        prior = replace(self.prior, rate=self.prior.rate / per_unit, rate_u=self.prior.rate_u / per_unit)
        return replace(self, prior=prior)


def learn_class(mates: Sequence[Series]) -> WearClass | None:
    """Return what chains of a class have in common; None where fewer than CHAINS_LEAST say anything.

    Args:
        mates: clock in one unit for all, bedding-in left out or not alike; the first CHAINS_MOST that are fit are used.
    """
    fit = [cut for cut in map(_up_to_the_limit, mates) if _tells(cut)][:CHAINS_MOST]
    if len(fit) < CHAINS_LEAST:
        return None
    course = learn_course(fit)
    banks = [fit_bank(course.straightened(each)) for each in fit]
    weights = _weights([weights_without_bend(bank) for bank in banks])
    rate, rate_u = _rates([lasting_rates(bank, weights) for bank in banks])
    return WearClass(
        chains=len(fit),
        course=course,
        prior=RatePrior(
            weights=weights,
            rate=rate,
            rate_u=rate_u,
            bend=_bend(banks, [float(course.of(each.share[-1:])[0]) for each in fit]),
        ),
    )


def learn_course(mates: Sequence[Series]) -> Course:
    """Return the course of a class, from PARTS that are even on the way to the limit, then even in half way, half life by that.

    Where wear is slow, a tenth of the way is much of a life, and more happens in it than a straight piece can follow.
    """
    even = np.linspace(0, 1, PARTS + 1)
    rough = _course_by_parts(mates, even)
    return _course_by_parts(mates, np.interp(even, (GRID + rough.mapped) / 2, GRID))


def _course_by_parts(mates: Sequence[Series], edges: Floats) -> Course:
    """The course by the clock that a share of the limit took in each part of the way, of each chain.

    The logarithm of it is a sum of one term for the chain and one for the part (two-way layout, by sweeps; Tukey,
    Exploratory Data Analysis (1977), ch. 10 and 11, from memory, with means), the part's drawn to 0 by COURSE_SHRINK chains.
    """
    slowness = np.log(np.maximum([_slowness(each, edges) for each in mates], 1e-300))
    seen = np.isfinite(slowness)
    counts = seen.sum(axis=0)
    part = np.zeros(PARTS)
    for _ in range(50):
        rest = np.where(seen, slowness - part, 0.0)
        chain = rest.sum(axis=1) / np.maximum(seen.sum(axis=1), 1)
        part = np.where(seen, slowness - chain[:, None], 0.0).sum(axis=0) / (counts + COURSE_SHRINK)
    known = np.flatnonzero(counts)
    if len(known) < 2:
        return STRAIGHT
    middle = ((edges[:-1] + edges[1:]) / 2)[known]
    line = np.interp(GRID, middle, part[known])
    before, after = middle[0] > GRID, middle[-1] < GRID
    for end, beside, side in ((0, 1, before), (-1, -2, after)):
        slope = (part[known][end] - part[known][beside]) / (middle[end] - middle[beside])
        line = np.where(side, part[known][end] + slope * (GRID - middle[end]), line)
    return _course(np.exp(np.clip(line, -4.0, 4.0)))


def _course(slope: Floats) -> Course:
    mapped = np.concatenate(([0.0], np.cumsum((slope[1:] + slope[:-1]) / 2))) * (GRID[1] - GRID[0])
    zero, one = np.interp([0.0, 1.0], GRID, mapped)
    return Course(mapped=(mapped - zero) / (one - zero), slope=slope / (one - zero))


def _slowness(series: Series, edges: Floats) -> Floats:
    """Clock for a share of the limit in each part, NaN where less than PART_COVER of it was seen: shape (PARTS,)."""
    risen, first = np.unique(np.maximum.accumulate(series.share), return_index=True)
    clock = series.clock[first]
    low = np.maximum(edges[:-1], risen[0])
    high = np.minimum(edges[1:], risen[-1])
    seen = high - low > PART_COVER * np.diff(edges)
    took = np.interp(high, risen, clock) - np.interp(low, risen, clock)
    return np.where(seen & (took > 0), took / np.where(seen, high - low, 1.0), np.nan)


def _up_to_the_limit(series: Series) -> Series:
    over = np.flatnonzero(series.share > SHARE_MOST)
    end = int(over[0]) if len(over) else len(series.share)
    return replace(
        series,
        clock=series.clock[:end],
        share=series.share[:end],
        u=series.u[:end],
        epoch=series.epoch[:end],
        stretch=series.stretch[:end],
    )


def _tells(series: Series) -> bool:
    return (
        len(series.clock) >= 3
        and series.clock[-1] > series.clock[0]
        and float(series.share[-1] - series.share[0]) > SHARE_LEAST
    )


def _weights(posteriors: Sequence[Floats]) -> Floats:
    """How the class spreads over the grid: w = (worth w0 + sum of w L_j / sum(w L_j)) / (worth + n), to its fixed point.

    L_j is the likelihood of chain j up to a factor: its posterior over the plain weights it was found with.
    """
    plain = plain_weights()
    likelihoods = [(posterior + 1e-12) / plain for posterior in posteriors]
    weights = plain
    for _ in range(30):
        shares = [weights * likelihood for likelihood in likelihoods]
        total = sum((share / share.sum() for share in shares), PLAIN_WORTH * plain)
        weights = np.asarray(total / (PLAIN_WORTH + len(shares)))
    return weights


def _bend(banks: Sequence[Bank], shares: Sequence[float]) -> float:
    """How likely a late bend is: its mean by the likelihood of all chains, beforehand Beta(1, n) with the mean BEND_PRIOR.

    A chain's odds of a bend by those held beforehand are its likelihood ratio L; it is 1 - h + h L likely if bends are h.
    """
    able = [bool((bank.bend >= 0).any()) for bank in banks]
    come = np.clip((np.array(shares)[able] - LATE) / (LATEST - LATE), 0.0, 1.0)
    bent = np.array([bank.weight[bank.bend >= 0].sum() for bank in banks])[able]
    held = BEND_PRIOR * come + EARLY_BEND
    ratio = bent / np.maximum(1 - bent, 1e-12) * (1 - held) / held
    bend = np.linspace(0.0, 0.9, 91)
    held = bend[:, None] * come + EARLY_BEND
    log_weight = np.log(1 - held + held * ratio).sum(axis=1) + (1 / BEND_PRIOR - 2) * np.log(1 - bend)
    weight = np.exp(log_weight - log_weight.max())
    return float(weight @ bend / weight.sum())


def _rates(found: Sequence[tuple[Floats, Floats]]) -> tuple[Floats, Floats]:
    """Mean and standard deviation of the next chain's rate, of each growth law, from the chains' rates as found.

    Logarithms: a chain's is normal about the class's with variance v, what was found of it about that with u^2. Expectation and
    maximisation for v; with u counted as spread of the chains, each forecast would count it again. RATE_SPREAD^2 joins v as that of
    one chain; the next chain is off by v and by the mean's own variance.
    """
    rates, us = (np.array(each) for each in zip(*found, strict=True))
    rates = np.maximum(rates, 0.05 * np.maximum(np.median(rates, axis=0), 1e-300))
    logs, own = np.log(rates), (us / rates) ** 2
    count = len(logs)
    variance = logs.var(axis=0) + RATE_SPREAD**2 / count
    for _ in range(100):
        weight = 1 / (variance + own)
        of_mean = 1 / weight.sum(axis=0)
        mean = of_mean * (weight * logs).sum(axis=0)
        part = variance * weight  # of what was found off the mean, that the chain has by itself
        square = part**2 * ((logs - mean) ** 2 + of_mean) + part * own
        variance = (square.sum(axis=0) + RATE_SPREAD**2) / (count + 1)
    return np.exp(mean), np.exp(mean) * np.sqrt(variance + of_mean)
