"""What a class lends: the course all share, how far rates differ, and to whom it means most."""

import numpy as np
import pytest

from service.core.wear_class import (
    GRID,
    PARTS,
    RATE_SPREAD,
    STRAIGHT,
    Course,
    _course_by_parts,
    _rates,
    learn_class,
    learn_course,
)
from service.core.wear_state import BEND_PRIOR, NOISE_PRIOR, NOISES, Observation, Series, fit_bank, join


def chain(rate: float, seed: int, *, power: float = 1.0, until: float = 1.0, u: float = 0.02) -> Series:
    """A chain whose share of the limit is (rate t)^power, read 80 times."""
    rng = np.random.default_rng(seed)
    clock = np.linspace(0.02, until, 80) / rate
    pct = 3 * (rate * clock) ** power + rng.normal(0, u, 80)
    return join(
        [
            Observation(clock=float(t), t_ns=n, hours=200.0, elongation_pct=float(e), u_independent_pct=u)
            for n, (t, e) in enumerate(zip(clock, pct, strict=True))
        ],
        3.0,
    )


def rates(count: int, spread: float = 0.2) -> list[float]:
    return [float(each) for each in np.exp(np.random.default_rng(4).normal(np.log(0.01), spread, count))]


def bent_chain(rate: float, seed: int, at: float = 0.75, factor: float = 3.0) -> Series:
    """A chain whose rate changes at a share of the limit, read 80 times until it is reached."""
    rng = np.random.default_rng(seed)
    life = (at + (1 - at) / factor) / rate
    clock = np.linspace(0.02, 1, 80) * life
    share = rate * clock + (factor - 1) * rate * np.maximum(clock - at / rate, 0)
    pct = 3 * share + rng.normal(0, 0.02, 80)
    return join(
        [
            Observation(clock=float(t), t_ns=n, hours=200.0, elongation_pct=float(e), u_independent_pct=0.02)
            for n, (t, e) in enumerate(zip(clock, pct, strict=True))
        ],
        3.0,
    )


def off_a_line(series: Series) -> float:
    """Standard deviation of the shares about their straight line."""
    return float(np.std(series.share - np.polyval(np.polyfit(series.clock, series.share, 1), series.clock)))


def test_a_straight_class_has_a_straight_course() -> None:
    course = learn_course([chain(rate, seed) for seed, rate in enumerate(rates(12))])
    assert course.of(np.linspace(0, 1, 11)) == pytest.approx(np.linspace(0, 1, 11), abs=0.03)


def test_the_course_of_a_bent_class_makes_its_chains_straight() -> None:
    mates = [chain(rate, seed, power=0.6) for seed, rate in enumerate(rates(12))]
    course = learn_course(mates)
    seen = course.straightened(mates[0])
    assert off_a_line(seen) < 0.4 * off_a_line(mates[0])


def test_a_course_goes_from_new_to_limit_and_back() -> None:
    course = learn_course([chain(rate, seed, power=1.6) for seed, rate in enumerate(rates(8))])
    shares = np.linspace(-0.1, 1.6, 30)
    assert course.of(np.array([0.0, 1.0])) == pytest.approx([0, 1], abs=1e-3)
    assert course.back(course.of(shares)) == pytest.approx(shares, abs=1e-3)
    assert np.all(np.diff(course.of(shares)) > 0)
    assert pytest.approx(GRID) == STRAIGHT.of(GRID)


def test_the_rate_of_the_next_chain_is_told_with_the_spread_of_the_class() -> None:
    lent = learn_class([chain(rate, seed) for seed, rate in enumerate(rates(20))])
    assert lent is not None
    assert lent.chains == 20
    straight = 4  # growth 0
    assert lent.prior.rate[straight] == pytest.approx(0.01, rel=0.15)
    assert lent.prior.rate_u[straight] / lent.prior.rate[straight] == pytest.approx(0.2, abs=0.07)
    assert lent.prior.weights.sum() == pytest.approx(1)
    assert lent.in_clock(100.0).prior.rate[straight] == pytest.approx(lent.prior.rate[straight] / 100)


def test_what_the_rates_err_by_is_not_counted_as_their_spread() -> None:
    """Log-normal rates of known spread, each found with a known error: their own variances alone would add to 0.36."""
    rng = np.random.default_rng(9)
    errors = rng.uniform(0.1, 0.5, 400)
    logs = rng.normal(np.log(0.01), 0.2, 400) + rng.normal(0, errors)
    found = [
        (np.full(11, np.exp(at)), np.full(11, np.exp(at) * error))
        for at, error in zip(logs, errors, strict=True)
    ]
    assert float(np.std(logs)) > 0.34
    rate, rate_u = _rates(found)
    assert rate == pytest.approx(np.full(11, 0.01), rel=0.05)
    assert rate_u / rate == pytest.approx(np.full(11, 0.2), abs=0.04)


def test_the_spread_of_well_known_rates_is_theirs_joined_with_one_chain_of_the_usual() -> None:
    """With nothing to err by: the sum of squares and RATE_SPREAD^2 over n, and 1 / n more for the mean."""
    logs = np.array([-4.8, -4.6, -4.5, -4.3])
    _, rate_u = _rates([(np.full(11, np.exp(at)), np.full(11, 1e-9)) for at in logs])
    variance = (((logs - logs.mean()) ** 2).sum() + RATE_SPREAD**2) / 4
    assert rate_u / np.exp(logs.mean()) == pytest.approx(np.full(11, np.sqrt(variance * 1.25)), rel=1e-3)


def test_a_class_lends_what_the_stated_uncertainty_must_be_multiplied_by() -> None:
    """Readings that scatter by 0.6 of what is stated."""
    rng = np.random.default_rng(8)
    mates = []
    for rate in rates(8):
        rows = [
            Observation(
                clock=t / rate, t_ns=n, hours=200.0, elongation_pct=3 * t + float(rng.normal(0, 0.012)),
                u_independent_pct=0.02,
            )
            for n, t in enumerate(np.linspace(0.02, 1, 80).tolist())
        ]  # fmt: skip
        mates.append(join(rows, 3.0))
    lent = learn_class(mates)
    assert lent is not None
    noises = lent.prior.weights.sum(axis=(0, 1, 2))
    assert noises[NOISES.index(0.6)] > 0.8 > NOISE_PRIOR[NOISES.index(0.6)]


def test_a_class_that_bends_lends_bends_and_one_that_does_not_lends_few() -> None:
    """Every second chain: where all bend alike, that is the course."""
    straight = learn_class([chain(rate, seed) for seed, rate in enumerate(rates(12))])
    places = np.linspace(0.65, 0.85, 12)
    made = [
        chain(rate, seed) if seed % 2 else bent_chain(rate, seed, float(places[seed]))
        for seed, rate in enumerate(rates(12))
    ]
    bent = learn_class(made)
    assert straight is not None
    assert bent is not None
    assert straight.prior.bend < 0.6 * BEND_PRIOR
    assert bent.prior.bend > 2 * BEND_PRIOR


def test_a_course_follows_a_class_that_lingers_over_the_first_tenth_of_the_way() -> None:
    """Under z = t^4 the first tenth of the way takes over half of the life, so even parts of the way would miss what is in it."""
    mates = [chain(rate, seed, power=4.0, u=0.003) for seed, rate in enumerate(rates(12))]
    twice, once = learn_course(mates), _course_by_parts(mates, np.linspace(0, 1, PARTS + 1))
    left, before = (
        np.mean([off_a_line(each.straightened(mate)) for mate in mates]) for each in (twice, once)
    )
    assert left < 0.7 * before


def test_a_chain_with_little_history_knows_its_rate_better_by_its_class() -> None:
    lent = learn_class([chain(rate, seed, u=0.02) for seed, rate in enumerate(rates(20))])
    assert lent is not None

    young = chain(0.012, 99, until=0.06, u=0.05)
    alone, helped = fit_bank(young), fit_bank(lent.course.straightened(young), lent.prior)
    assert helped.weight @ helped.covariance[1, 1] < 0.5 * (alone.weight @ alone.covariance[1, 1])


def test_few_chains_or_young_ones_lend_nothing() -> None:
    assert learn_class([chain(0.01, 1), chain(0.011, 2)]) is None
    assert learn_class([chain(0.01, seed, until=0.1) for seed in range(10)]) is None


def test_uncertainty_goes_through_a_course_with_its_slope() -> None:
    course = Course(mapped=2 * GRID, slope=np.full(len(GRID), 2.0))
    series = chain(0.01, 1)
    seen = course.straightened(series)
    assert seen.u == pytest.approx(2 * series.u)
    assert seen.stretch == pytest.approx(2 * series.stretch)
    assert seen.limit_stretch == 2.0
