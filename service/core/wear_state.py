"""How far a chain is worn, how fast it wears, and how sure that is: a bank of Kalman filters over a few kinds of wear.

Knows elongations with their uncertainty against a clock of wear; must not know dates, duty or people.

The state is the wear y and its rate r; y is the elongation seen through a growth law under which wear is a straight line
in the clock (`Growth`). One member of the bank is one choice of
  growth     by how much the rate grows from no wear to the limit (its logarithm),
  wander     standard deviation of the life from wear that comes unevenly, as a share of the life,
  drift      by how much the rate strays from its lasting value (lubricated, dry, cold), and for how long,
  noise      what the stated uncertainty of the readings must be multiplied by,
  bend       the place where the rate changed at once, or none.
Each member is linear and Gaussian, so its filter is exact and gives the likelihood of what was read. The members are
weighted by prior and likelihood: that is the integral over the unknown parameters on a grid, and its tails are wider
than those of the best member alone.

Sources: Kalman filter and prediction errors for the likelihood: Särkkä, Bayesian Filtering and Smoothing (2013), ch. 4
and 12; a rate that returns: Ornstein & Uhlenbeck, Phys. Rev. 36 (1930) 823 (both from memory). Grid and growth law: our own.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Self

import numpy as np
import numpy.typing as npt

from service.core.first_passage import log_normal_cdf, normal_cdf

Floats = npt.NDArray[np.float64]
Wholes = npt.NDArray[np.int64]

BINS = 100  # observations are joined into so many stretches of the clock
RECENT = 0.65  # stretches are shorter towards now: (share of the history that lies between)^RECENT is even
EPOCHS_MAX = 6  # common parts that are estimated beside the wear; older epochs are left out

# The grid and what is held of it beforehand (our own): wear in proportion to the clock is what Archard's law says of a
# chain; the rest is what else was seen of wear and cracks. Of wear that speeds up no law says by how much (a crack by
# Paris' law some fortyfold, k near 4), so little falls off towards large k.
GROWTHS = (-4.0, -2.0, -1.0, -0.5, 0.0, 0.5, 1.0, 1.7, 2.5, 3.5, 5.0)
GROWTH_PRIOR = (0.0005, 0.001, 0.004, 0.02, 0.86, 0.029, 0.025, 0.021, 0.017, 0.0135, 0.009)
WANDERS = (0.004, 0.015, 0.035, 0.08, 0.18)
WANDER_PRIOR = (0.25, 0.25, 0.25, 0.18, 0.07)
DRIFTS = (  # size, length in lives
    (0.0, 1.0),
    (0.12, 0.05),
    (0.12, 0.4),
    (0.25, 0.05),
    (0.25, 0.2),
    (0.4, 0.4),
)
DRIFT_PRIOR = (0.25, 0.25, 0.28, 0.08, 0.08, 0.06)
NOISES = (0.6, 1.0, 1.8)
NOISE_PRIOR = (0.2, 0.6, 0.2)
BENT_WANDERS = (0.004, 0.015, 0.035, 0.08)  # members with a bend: growth 0, drift BENT_DRIFT
BENT_DRIFT = (0.12, 0.4)
# A chain's rate changes at once late in life, with BEND_PRIOR between these shares of the limit (the third stage of wear:
# The Complete Guide to Chain (1997), 2.2.4; figures our own); or, with EARLY_BEND, anywhere (lubrication lost or mended).
LATE, LATEST, BEND_PRIOR, EARLY_BEND = 0.6, 0.9, 0.2, 0.05
BEND_MEAN, BEND_JUMP = 0.5, 0.8  # mean and standard deviation of the change, in rates: seldom downwards
BEND_CANDIDATES = (
    8  # evenly over the history, as many late in life; three more where a hinge fits best in either
)
BEND_SIDE = 4, 2  # stretches before and after a bend, at least

RATE_PRIOR = 5.0  # standard deviation of the rate beforehand, in pilot rates, where no class lends one
INNOVATION_MAX = 5.0  # standard deviations: what lies further off weighs less (Huber's idea, from memory)
NEGLIGIBLE = 1e-4  # weight under which a member is left out of a forecast


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """One elongation at one place of the clock. Standard uncertainties (k = 1), per cent of elongation.

    u_common_pct: the part that is the same for all observations of one epoch (spacing, N0, e0, a rule), so that no
    mean takes it away. epoch: what those share, such as a baseline.
    """

    clock: float
    t_ns: int
    hours: float  # of running since the chain was fitted
    elongation_pct: float
    u_independent_pct: float
    u_common_pct: float = 0.0
    epoch: str = ""
    by_hand: bool = False

    def __post_init__(self) -> None:
        numbers = (
            self.clock,
            self.hours,
            self.elongation_pct,
            self.u_independent_pct,
            self.u_common_pct,
        )
        if not all(math.isfinite(each) for each in numbers):
            raise ValueError(f"an observation must have finite numbers, not {numbers}: leave it out instead")
        if not (self.u_independent_pct > 0 and self.u_common_pct >= 0):
            raise ValueError(
                f"u_independent_pct {self.u_independent_pct:g} must be above 0 and u_common_pct {self.u_common_pct:g} "
                "not below: nothing is read without uncertainty"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """Observations joined into stretches, elongation in shares of the limit. Arrays of shape (n,), clock not falling.

    common: shape (epochs,), standard uncertainty of the common part of each. newest: the epoch read last.
    stretch: by how much a share of the limit is drawn out where it was read, `limit_stretch` at the limit: 1 but where
    the series is seen through the course of a class.
    """

    clock: Floats
    share: Floats
    u: Floats
    epoch: Wholes
    common: Floats
    newest: int
    stretch: Floats
    limit_stretch: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class RatePrior:
    """What a class lends: weights of the members without a bend, and the rate each growth law had.

    weights: shape (growths, wanders, drifts, noises), sum 1. rate, rate_u: shape (growths,), shares of the limit a unit of the
    clock at no wear. bend: probability that the rate of a chain changes at once between new and limit.
    """

    weights: Floats
    rate: Floats
    rate_u: Floats
    bend: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Bank:
    """The members after the last observation (or moved on to now). Arrays of shape (members,) unless said.

    weight: posterior, sum 1. bend: index of the first stretch at the new rate, -1 for none.
    state: shape (4, members): wear y as the newest epoch reads it, its lasting rate r, the passing part of the rate u, and
    the common part b of the newest epoch, as a share of the limit. covariance: (4, 4, members).
    end: the limit as y. end_slope: of y by share there, so that the limit is read at end + end_slope b. wander: s of the Wiener process; swing, pull: standard deviation of u and how fast it is forgotten.
    before: rate up to the bend.
    """

    growth: Floats
    wander_index: Wholes
    drift_index: Wholes
    noise_index: Wholes
    bend: Wholes
    weight: Floats
    state: Floats
    covariance: Floats
    end: Floats
    end_slope: Floats
    wander: Floats
    swing: Floats
    pull: Floats
    before: Floats

    def moved(self, ahead: float) -> Self:
        """Return the bank at a clock `ahead` of the last observation, nothing having been read since."""
        state, covariance = self.state.copy(), self.covariance.copy()
        _predict(state, covariance, ahead, (self.wander, self.swing, self.pull))
        return replace(self, state=state, covariance=covariance)


def as_wear(share: Floats | float, growth: Floats | float) -> Floats:
    """Return y = (1 - exp(-k z)) / k, in which wear whose rate grows as exp(k z) is a straight line; z for k = 0."""
    k, z = np.asarray(growth, dtype=np.float64), np.asarray(share, dtype=np.float64)
    safe = np.where(k == 0, 1.0, k)
    return np.where(k == 0, z, -np.expm1(-safe * z) / safe)


def as_share(wear: Floats, growth: Floats) -> Floats:
    """Return the share of the limit z of a wear y: the inverse; held to at most three limits where y has none."""
    safe = np.where(growth == 0, 1.0, growth)
    inside = np.maximum(1 - growth * wear, np.exp(-3 * np.abs(growth)))
    return np.where(growth == 0, wear, -np.log(inside) / safe)


def join(observations: Sequence[Observation], limit_pct: float) -> Series:
    """Return the observations joined into at most BINS stretches for each epoch, weighted by 1 / u^2.

    Args:
        observations: at least one, in any order; of the EPOCHS_MAX newest epochs.
        limit_pct: > 0.
    """
    clock = np.array([each.clock for each in observations])
    order = np.argsort(clock, kind="stable")
    clock = clock[order]
    share = np.array([each.elongation_pct for each in observations])[order] / limit_pct
    u = np.array([each.u_independent_pct for each in observations])[order] / limit_pct
    common = np.array([each.u_common_pct for each in observations])[order] / limit_pct
    last_ns = np.array([each.t_ns for each in observations])[order]
    names = {name: number for number, name in enumerate(dict.fromkeys(each.epoch for each in observations))}
    epoch = np.array([names[each.epoch] for each in observations])[order]
    span = max(clock[-1] - clock[0], 1e-300)
    past = 1 - ((clock[-1] - clock) / span) ** RECENT
    stretch = np.minimum((BINS * past).astype(np.int64), BINS - 1)
    _, which = np.unique(stretch * len(names) + epoch, return_inverse=True)
    weight = 1 / u**2
    total = np.bincount(which, weight)
    clock_joined = np.bincount(which, weight * clock) / total
    again = np.argsort(clock_joined, kind="stable")
    first = np.unique(which, return_index=True)[1]
    return Series(
        clock=clock_joined[again],
        share=(np.bincount(which, weight * share) / total)[again],
        u=(1 / np.sqrt(total))[again],
        epoch=epoch[first][again],
        common=np.bincount(epoch, common) / np.bincount(epoch),
        newest=int(epoch[last_ns.argmax()]),
        stretch=np.ones(len(total)),
    )


def newest_epochs(observations: Sequence[Observation]) -> list[Observation]:
    """Return the observations of the EPOCHS_MAX epochs that were read last."""
    last: dict[str, int] = {}
    for each in observations:
        last[each.epoch] = max(each.t_ns, last.get(each.epoch, each.t_ns))
    kept = set(sorted(last, key=lambda name: last[name], reverse=True)[:EPOCHS_MAX])
    return [each for each in observations if each.epoch in kept]


def fit_bank(series: Series, prior: RatePrior | None = None) -> Bank:
    """Return the bank after all observations of a series.

    Args:
        series: n >= 2 stretches with a span of the clock above 0; one stretch will do where a class lends a rate.
        prior: what a class lends.
    """
    pilot, pilot_u = _pilot(series, prior)
    bends = _bend_candidates(series)
    growth_index, wander_index, drift_index, noise_index, bend, held = _members(
        bends, _bends_held(series, bends, BEND_PRIOR if prior is None else prior.bend), prior
    )
    growth = np.array(GROWTHS)[growth_index]
    end = as_wear(1.0, growth)
    rate = pilot[growth_index]
    life = end / rate
    wander = np.array(WANDERS)[wander_index] * end / np.sqrt(life)
    swing = np.array([size for size, _ in DRIFTS])[drift_index] * rate
    pull = 1 / (np.array([length for _, length in DRIFTS])[drift_index] * life)
    mean, spread = _rate_prior(prior, pilot, pilot_u)
    state, covariance, log_likelihood, before = _run(
        series,
        growth=growth,
        q=(wander, swing, pull),
        noise=np.array(NOISES)[noise_index],
        bend=bend,
        start=(mean[growth_index], spread[growth_index], rate),
    )
    state, covariance = _with_common(series, state, covariance)
    log_weight = np.log(np.maximum(held, 1e-300)) + log_likelihood
    weight = np.exp(log_weight - log_weight.max())
    return Bank(
        growth=growth,
        wander_index=wander_index,
        drift_index=drift_index,
        noise_index=noise_index,
        bend=bend,
        weight=weight / weight.sum(),
        state=state,
        covariance=covariance,
        end=end,
        end_slope=np.exp(-growth) * series.limit_stretch,
        wander=wander,
        swing=swing,
        pull=pull,
        before=before,
    )


def _run(
    series: Series,
    *,
    growth: Floats,
    q: tuple[Floats, Floats, Floats],
    noise: Floats,
    bend: Wholes,
    start: tuple[Floats, Floats, Floats],
) -> tuple[Floats, Floats, Floats, Floats]:
    """All filters over all stretches: state (2 + epochs, members), covariance, log likelihood, rate before the bend.

    Wear is followed as the newest epoch reads it. By how much each other epoch reads more is a constant of the state, with
    the variance of both common parts beforehand. The newest one's own common part stays out of the filter, for no
    series of its readings can tell it (seen through a growth law it would only bend the path to its liking).
    """
    rate, rate_u, jump = start
    others = [each for each in range(len(series.common)) if each != series.newest]
    size, members = 3 + len(others), len(growth)
    state = np.zeros((size, members))
    covariance = np.zeros((size, size, members))
    state[0], state[1] = as_wear(series.share[0], growth), rate
    covariance[0, 0], covariance[1, 1], covariance[2, 2] = 1.0, rate_u**2, q[1] ** 2
    covariance[3:, 3:] = _differences(series, others)[:, :, None]
    rows = {epoch: 3 + number for number, epoch in enumerate(others)}
    log_likelihood = np.zeros(members)
    before = rate.copy()
    slopes = np.exp(-np.outer(series.share, growth))
    ys = as_wear(series.share[:, None], growth[None, :])
    steps = np.diff(series.clock, prepend=series.clock[0])
    for index, step in enumerate(steps.tolist()):
        if step > 0:
            _predict(state, covariance, step, q)
        new = bend == index
        if new.any():
            before[new] = state[1, new] + state[2, new]
            state[1, new] += BEND_MEAN * jump[new]
            covariance[1, 1, new] += (BEND_JUMP * jump[new]) ** 2
        slope = slopes[index]
        log_likelihood += np.log(slope)  # of y as a function of what was read
        gain, error = covariance[0].copy(), ys[index] - state[0]
        expected = gain[0].copy()
        row = rows.get(int(series.epoch[index]))
        if row is not None:
            loading = slope * series.stretch[index]
            gain += loading * covariance[row]
            expected = gain[0] + loading * gain[row]
            error -= loading * state[row]
        variance = expected + (slope * noise * series.u[index]) ** 2
        variance = np.maximum(variance, (error / INNOVATION_MAX) ** 2)
        log_likelihood -= 0.5 * (np.log(variance) + error * error / variance)
        factor = gain / variance
        state += factor * error
        covariance -= factor[:, None] * gain[None, :]
    return state, covariance, log_likelihood, before


def _differences(series: Series, others: list[int]) -> Floats:
    """Covariance beforehand of b_j - b, by how much other epochs read more than the newest: u_j^2 on the diagonal, u^2 all over."""
    return np.asarray(np.diag(series.common[others] ** 2) + series.common[series.newest] ** 2)


def _with_common(series: Series, state: Floats, covariance: Floats) -> tuple[Floats, Floats]:
    """The state with the common part b of the newest epoch in place of the differences d of the others to it.

    What is known of d tells of b by regression, b = -u^2 1' D^-1 d + rest, D the covariance of d beforehand: values by hand
    show what a baseline has wrong.
    """
    others = [each for each in range(len(series.common)) if each != series.newest]
    own = float(series.common[series.newest]) ** 2
    turn = np.zeros((4, len(state)))
    turn[:3, :3] = np.eye(3)
    rest = own
    if others and own > 0:
        told = np.linalg.solve(_differences(series, others), np.ones(len(others)))
        turn[3, 3:] = -own * told
        rest = own - own * own * float(told.sum())
    turned = np.einsum("ij,jkm,lk->ilm", turn, covariance, turn)
    turned[3, 3] += max(rest, 0.0)
    return turn @ state, turned


def _predict(state: Floats, covariance: Floats, step: float, q: tuple[Floats, Floats, Floats]) -> None:
    """Move all filters on by `step` of the clock, in place.

    y' = y + r t + c u,  u' = e u,  e = exp(-p t),  c = (1 - e) / p, with the noise of an integrated Ornstein-Uhlenbeck
    process of standard deviation `swing` and pull p (its covariance over a step by integration), and of `wander`.
    """
    wander, swing, pull = q
    e = np.exp(-pull * step)
    c = (1 - e) / pull
    state[0] += step * state[1] + c * state[2]
    state[2] *= e
    covariance[0] += step * covariance[1] + c * covariance[2]
    covariance[2] *= e
    covariance[:, 0] += step * covariance[:, 1] + c * covariance[:, 2]
    covariance[:, 2] *= e
    covariance[0, 0] += wander**2 * step + _swung(swing, pull, step)
    across = (swing**2 / pull) * (1 - e) ** 2
    covariance[0, 2] += across
    covariance[2, 0] += across
    covariance[2, 2] += swing**2 * (1 - e * e)


def _swung(swing: Floats, pull: Floats, t: Floats | float) -> Floats:
    """Variance of the integral of an Ornstein-Uhlenbeck process over t, which starts at 0.

    (s / p)^2 (2 p t - 3 + 4 exp(-p t) - exp(-2 p t)) (Gillespie, Phys. Rev. E 54 (1996) 2084, from memory).
    """
    x = pull * t
    series = x**3 * (2 / 3 - x / 2)  # for small x, where the differences cancel
    return (swing / pull) ** 2 * np.where(x < 1e-3, series, 2 * x - 3 + 4 * np.exp(-x) - np.exp(-2 * x))


def _pilot(series: Series, prior: RatePrior | None) -> tuple[Floats, Floats]:
    """A first rate for each growth law and its uncertainty, by which the noises of the members are scaled.

    A line by least squares, joined with the class's rate by their uncertainties; never below its own uncertainty.
    """
    growths = np.array(GROWTHS)
    clock = series.clock - series.clock.mean()
    ys = as_wear(series.share[:, None], growths[None, :])
    slopes = np.exp(-np.outer(series.share, growths))
    square = float(clock @ clock)
    if prior is not None and square <= 0:
        return prior.rate, prior.rate_u
    rate = clock @ ys / square
    u = np.sqrt(((clock[:, None] * slopes * series.u[:, None]) ** 2).sum(axis=0)) / square
    if prior is not None:
        u = np.hypot(u, 0.1 * np.abs(rate))
        own, lent = 1 / u**2, 1 / prior.rate_u**2
        rate, u = (own * rate + lent * prior.rate) / (own + lent), 1 / np.sqrt(own + lent)
    return np.maximum(rate, u), u


def _rate_prior(prior: RatePrior | None, pilot: Floats, pilot_u: Floats) -> tuple[Floats, Floats]:
    if prior is None:
        return np.zeros(len(pilot)), RATE_PRIOR * np.hypot(pilot, pilot_u)
    return prior.rate, prior.rate_u


def _members(
    bends: list[int], bends_held: Floats, prior: RatePrior | None
) -> tuple[Wholes, Wholes, Wholes, Wholes, Wholes, Floats]:
    """Indices of growth, wander, drift and noise, place of the bend, and prior weight of every member."""
    grid = np.meshgrid(*(np.arange(len(each)) for each in (GROWTHS, WANDERS, DRIFTS, NOISES)), indexing="ij")
    growth, wander, drift, noise = (each.ravel() for each in grid)
    lent = plain_weights() if prior is None else prior.weights
    noises = lent.sum(axis=(0, 1, 2))
    straight = GROWTHS.index(0.0)
    wanders = [WANDERS.index(each) for each in BENT_WANDERS]
    w, n, b = (
        each.ravel()
        for each in np.meshgrid(
            wanders, np.arange(len(NOISES)), np.array(bends, dtype=np.int64), indexing="ij"
        )
    )
    place = np.searchsorted(np.array(bends, dtype=np.int64), b)
    bent_held = bends_held[place] * noises[n] / len(wanders)
    return (
        np.concatenate((growth, np.full(len(w), straight))),
        np.concatenate((wander, w)),
        np.concatenate((drift, np.full(len(w), DRIFTS.index(BENT_DRIFT)))),
        np.concatenate((noise, n)),
        np.concatenate((np.full(len(growth), -1), b)),
        np.concatenate(((1 - bends_held.sum()) * lent.ravel(), bent_held)),
    )


def plain_weights() -> Floats:
    """Return what is held of growth, wander, drift and noise where no class lends more: shape as in `RatePrior`."""
    priors = (GROWTH_PRIOR, WANDER_PRIOR, DRIFT_PRIOR, NOISE_PRIOR)
    growth, wander, drift, noise = np.ix_(*(np.array(each) for each in priors))
    return np.asarray(growth * wander * drift * noise)


def _bend_candidates(series: Series) -> list[int]:
    """Stretches at which the rate may have changed: even ones and the best hinge with its neighbours, over all and late in life."""
    count = len(series.clock)
    if count < 2 * BEND_SIDE[0]:
        return []
    places = np.arange(BEND_SIDE[0], count - BEND_SIDE[1] + 1)
    late = places[np.maximum.accumulate(series.share)[places] > LATE]
    gain = _hinge_gain(series, places)
    found: set[int] = set()
    for some in (places, late):
        if len(some):
            even = np.linspace(some[0], some[-1], min(BEND_CANDIDATES, len(some)))
            best = int(some[gain[some - places[0]].argmax()])
            found |= {round(each) for each in even.tolist()} | {best - 2, best, best + 2}
    return sorted(found & set(places.tolist()))


def _bends_held(series: Series, bends: list[int], prior: float) -> Floats:
    """Probability beforehand of a bend at each candidate, which stands for the wear half way to its neighbours.

    Late bends are spread evenly over the wear from LATE to LATEST, early ones over all that was seen: so one that has just
    come has as much as any, however few its stretches, and none gets more for fitting best.
    """
    if not bends:
        return np.zeros(0)
    share = np.maximum.accumulate(series.share)
    at = share[bends]
    edges = np.concatenate(([share[0]], (at[1:] + at[:-1]) / 2, [share[-1]]))
    late = np.clip((edges - LATE) / (LATEST - LATE), 0, 1)
    early = (edges - edges[0]) / max(edges[-1] - edges[0], 1e-300)
    return np.asarray(np.minimum(prior, 0.85) * np.diff(late) + EARLY_BEND * np.diff(early))


def _hinge_gain(series: Series, places: Wholes) -> Floats:
    """How much of the squares a line with a hinge takes away beyond a plain line: shape of places.

    The hinge is made orthogonal to the line first (Frisch & Waugh), so that one division is left for each place.
    """
    weight = 1 / series.u
    clock = series.clock - series.clock[0]
    base, _ = np.linalg.qr(np.column_stack((weight, weight * clock)))
    rest = weight * series.share
    rest -= base @ (base.T @ rest)
    hinges = np.maximum(clock[:, None] - clock[places][None, :], 0.0) * weight[:, None]
    hinges -= base @ (base.T @ hinges)
    return np.asarray((hinges.T @ rest) ** 2 / np.maximum((hinges**2).sum(axis=0), 1e-300))


def passage_of_bank(bank: Bank, ahead: Floats) -> tuple[Floats, Floats]:
    """Return the probability of having reached the limit, of the members without a bend and of those with one.

    Each is summed with its weights, so together they reach at most 1. A member gives Phi of its predicted wear against
    the limit, and the paths that came back over the limit by the second term of `first_passage.passage_cdf`. That term
    takes the wear now and the wandering of the rate as known; the first does not.

    Args:
        bank: moved on to now.
        ahead: shape (k,), clock from now, > 0, rising.
    """
    keep = bank.weight > NEGLIGIBLE * bank.weight.max()
    y, r, u, b = bank.state[:, keep, None]
    (yy, yr, yu, yb), (_, rr, ru, rb), (_, _, uu, ub), (_, _, _, bb) = bank.covariance[:, :, keep, None]
    slope = bank.end_slope[keep, None]
    end, wander, swing, pull = (each[keep, None] for each in (bank.end, bank.wander, bank.swing, bank.pull))
    weight, bent = bank.weight[keep] / bank.weight[keep].sum(), bank.bend[keep] >= 0
    t = ahead[None, :]
    c = -np.expm1(-pull * t) / pull
    variance = yy + 2 * t * yr + 2 * c * yu + t * t * rr + 2 * c * t * ru + c * c * uu
    variance += wander**2 * t + _swung(swing, pull, t)
    variance += slope * (slope * bb - 2 * (yb + t * rb + c * ub))
    end = end + slope * b
    beyond = normal_cdf((y + r * t + c * u - end) / np.sqrt(variance))
    distance, s = np.maximum(end - y, 0.0), wander**2
    exponent = 2 * r * distance / s + 2 * rr * (distance / s) ** 2
    back = (2 * rr * distance * t + s * (r * t + distance)) / (s * np.sqrt(rr * t * t + s * t))
    came_back = np.exp(np.minimum(exponent + log_normal_cdf(-back), 0.0))
    reached = np.maximum.accumulate(np.minimum(beyond + came_back, 1.0), axis=1)
    return weight[~bent] @ reached[~bent], weight[bent] @ reached[bent]


def weights_without_bend(bank: Bank) -> Floats:
    """Return the posterior weights of the members given that nothing bent: shape of `plain_weights`, sum 1."""
    weights = np.zeros(plain_weights().shape)
    straight = bank.bend < 0
    np.add.at(weights, tuple(each[straight] for each in _places(bank)), bank.weight[straight])
    return np.asarray(weights / max(float(weights.sum()), 1e-300))


def lasting_rates(bank: Bank, weights: Floats) -> tuple[Floats, Floats]:
    """Return the lasting rate and its standard deviation under each growth law, nothing having bent: (growths,) each.

    Args:
        bank: found without a class.
        weights: what is held of its members now, shape of `plain_weights`.
    """
    anew = bank.weight * (weights / plain_weights())[_places(bank)]
    rates, us = np.zeros(len(GROWTHS)), np.zeros(len(GROWTHS))
    for index, growth in enumerate(GROWTHS):
        mine = (bank.growth == growth) & (bank.bend < 0)
        weight = anew[mine] + 1e-200
        weight /= weight.sum()
        rates[index] = weight @ bank.state[1, mine]
        us[index] = math.sqrt(
            weight @ (bank.covariance[1, 1, mine] + (bank.state[1, mine] - rates[index]) ** 2)
        )
    return rates, us


def _places(bank: Bank) -> tuple[Wholes, Wholes, Wholes, Wholes]:
    growth = np.searchsorted(np.array(GROWTHS), bank.growth)
    return growth, bank.wander_index, bank.drift_index, bank.noise_index
