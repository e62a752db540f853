"""What a class lends: the course all share, how far rates differ, and to whom it means most."""

import numpy as np
import pytest

from service.core.wear_class import GRID, STRAIGHT, Course, learn_class, learn_course
from service.core.wear_state import Observation, Series, fit_bank, join


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
