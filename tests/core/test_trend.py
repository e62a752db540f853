"""Levels, steps, slopes and rising shares of series, against numpy, published worked values and drawn series."""

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from service.core.trend import Floats, find_step, fit, level, mean_of, proportion_trend, rising

Shape = Callable[[Floats], Floats]


def noise(seed: int, count: int, sd: float = 1.0) -> Floats:
    return np.asarray(np.random.default_rng(seed).normal(0.0, sd, count))


def test_a_level_is_the_mean_and_its_uncertainty_that_of_unrelated_values() -> None:
    """Over many series the 95 % interval of Student's t for 20 blocks holds the truth as often as it says."""
    held = [abs(level(noise(seed, 200)).value) < 2.093 * level(noise(seed, 200)).u for seed in range(400)]
    assert np.mean(held) > 0.93
    assert level(np.array([1.0, 2.0, 3.0, 4.0])).value == 2.5


def test_values_that_hang_together_make_a_level_less_sure() -> None:
    slow = np.repeat(noise(1, 10), 20)
    assert level(slow).u > 3 * level(noise(1, 200, float(slow.std()))).u


def test_a_fit_is_that_of_least_squares() -> None:
    x, y = noise(1, 60), noise(2, 60)
    ours = fit(np.column_stack((x, np.ones(60))), y)
    line = stats.linregress(x, y)
    assert ours[0].value == pytest.approx(line.slope)
    assert ours[1].value == pytest.approx(line.intercept)
    assert ours[0].u >= line.stderr


def test_columns_that_say_the_same_are_known_to_nothing() -> None:
    x = noise(1, 60)
    assert all(math.isinf(term.u) for term in fit(np.column_stack((x, 2 * x, np.ones(60))), noise(2, 60)))


@pytest.mark.parametrize("size", [-0.8, 0.5, 3.0])
def test_a_step_is_found_where_it_is_with_its_size(size: float) -> None:
    values = noise(3, 200, 0.1) + np.where(np.arange(200) >= 80, size, 0.0)
    step = find_step(np.arange(200.0), values)
    assert step is not None
    assert step.index == 80
    assert step.size == pytest.approx(size, abs=3 * step.u)
    assert not step.across_gap


@pytest.mark.parametrize(
    "shape",
    [
        pytest.param(lambda n: 0 * n, id="level"),
        pytest.param(lambda n: n / 200, id="slope"),
        pytest.param(lambda n: np.clip((n - 60) / 80, 0, 1), id="a rise over 80 values"),
        pytest.param(lambda n: np.where(n % 80 < 40, 0.5, 0.0), id="a level that comes and goes"),
        pytest.param(lambda n: np.where(abs(n - 100) < 10, 0.5, 0.0), id="a bump"),
        pytest.param(lambda n: np.sin(n / 15), id="a wave"),
    ],
)
@pytest.mark.parametrize("seed", range(5))
def test_what_is_no_step_is_not_taken_for_one(shape: Shape, seed: int) -> None:
    count = np.arange(200.0)
    assert find_step(count, shape(count) + noise(seed, 200, 0.05)) is None


def test_chance_alone_makes_no_step() -> None:
    """Of 1 500 drawn series none; with steps of twice their uncertainty taken for sure there are five."""
    rng = np.random.default_rng(11)
    assert not any(find_step(np.arange(50.0), rng.normal(0.0, 0.01, 50)) for _ in range(1500))


def test_a_step_of_what_the_values_follow_is_no_step_of_theirs() -> None:
    speed = np.where(np.arange(200) >= 100, 1.5, 1.0) + 0.05 * np.sin(np.arange(200) / 7)
    values = noise(4, 200, 0.002) - 0.1 * speed
    assert find_step(np.arange(200.0), values, [speed]) is None
    assert find_step(np.arange(200.0), values) is not None


def test_a_step_across_a_gap_is_said_to_be_one() -> None:
    times = np.concatenate((np.arange(60.0), 5000 + np.arange(60.0)))
    step = find_step(times, noise(5, 120, 0.01) + np.where(times > 1000, 0.2, 0.0))
    assert step is not None
    assert (step.index, step.across_gap) == (60, True)


def test_few_values_show_no_step() -> None:
    assert find_step(np.arange(23.0), np.where(np.arange(23) > 11, 1.0, 0.0)) is None


@given(st.floats(-100, 100), st.floats(0.001, 1000))
def test_a_step_does_not_mind_the_unit_or_where_zero_is(zero: float, scale: float) -> None:
    values = noise(6, 80, 0.1) + np.where(np.arange(80) >= 40, 1.0, 0.0)
    plain = find_step(np.arange(80.0), values)
    other = find_step(np.arange(80.0) * 5, zero + scale * values)
    assert plain is not None
    assert other is not None
    assert other.index == plain.index
    assert other.size == pytest.approx(scale * plain.size, rel=1e-6)


def test_a_rising_share_is_that_of_the_trend_test_for_proportions() -> None:
    """Malformations against alcohol, five groups: z^2 = 1.83 with the scores 0 to 4 (data: Graubard & Korn, Biometrics 43
    (1987) 471; figure: Agresti, Categorical Data Analysis, 5.3; both from memory)."""
    counts, totals = [48, 38, 5, 1, 1], [17114, 14502, 793, 127, 38]
    assert proportion_trend(counts, totals) ** 2 == pytest.approx(1.83, abs=0.005)
    assert 0 < rising(counts, totals) < proportion_trend(counts, totals)  # the groups scatter beyond chance


def test_chance_alone_seldom_rises() -> None:
    rng = np.random.default_rng(7)
    found = [rising(rng.binomial(2000, 0.003, 12).tolist(), [2000] * 12) for _ in range(500)]
    assert np.std(found) == pytest.approx(1.0, abs=0.15)
    assert max(found) < 4.0


@pytest.mark.parametrize(
    ("counts", "totals"), [([0, 0, 0], [9, 9, 9]), ([9, 9, 9], [9, 9, 9]), ([1, 2], [9, 9])]
)
def test_a_share_of_nothing_or_all_does_not_rise(counts: list[int], totals: list[int]) -> None:
    assert rising(counts, totals) == 0.0
    assert abs(proportion_trend(counts, totals)) <= 1.0


def test_the_mean_of_what_is_known() -> None:
    assert mean_of([1.0, None, 3.0]) == 2.0
    assert mean_of([None]) is None
