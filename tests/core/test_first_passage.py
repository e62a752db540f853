"""First passage against scipy, quadrature, simulation and published paths.

The numbers of the inverse Gaussian are scipy.stats.invgauss's, in the form of Chhikara & Folks, The Inverse Gaussian
Distribution (1989), ch. 2; those of the normal drift follow from them by quadrature over the drift (Peng & Tseng, IEEE
Trans. Reliability 58 (2009) 444, give the closed form; from memory).
"""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, special, stats

from service.core.first_passage import (
    InverseGaussian,
    log_normal_cdf,
    normal_cdf,
    passage_cdf,
    passage_density,
)
from tests.core import reference_wear


def law(distance: float, drift: float, diffusion: float) -> InverseGaussian:
    return InverseGaussian(distance=distance, drift=drift, diffusion=diffusion)


def test_the_normal_law_and_its_logarithm_are_those_of_scipy() -> None:
    x = np.linspace(-37, 8, 2000)
    assert normal_cdf(x) == pytest.approx(special.ndtr(x), rel=1e-12)
    low = np.linspace(-300, -1, 3000)
    assert log_normal_cdf(low) == pytest.approx(special.log_ndtr(low), rel=1e-6)


def test_a_known_inverse_gaussian() -> None:
    """Mean D/m, shape D^2/s^2, variance D s^2/m^3; probabilities by scipy.stats.invgauss."""
    ours = law(3, 0.5, 0.2)
    assert (ours.mean, ours.variance, ours.shape) == pytest.approx((6, 0.96, 225), rel=1e-9)
    assert ours.cdf(np.array([5.0, 6.0])) == pytest.approx([0.149027, 0.532361], abs=1e-6)
    quantiles = np.array([4.534759, 5.921220, 7.733959])
    assert ours.cdf(quantiles) == pytest.approx([0.05, 0.5, 0.95], abs=1e-6)


@pytest.mark.parametrize(
    ("mean", "shape", "t", "expected"),
    [(1.0, 1.0, 1.0, 0.668102), (2.0, 3.0, 1.0, 0.287387), (2.0, 3.0, 2.0, 0.643671)],
)
def test_tabled_inverse_gaussians(mean: float, shape: float, t: float, expected: float) -> None:
    ours = law(math.sqrt(shape), math.sqrt(shape) / mean, 1.0)
    assert float(ours.cdf(t)) == pytest.approx(expected, abs=1e-6)
    assert ours.variance == pytest.approx(mean**3 / shape, rel=1e-12)


def test_the_density_of_the_unit_law_at_one() -> None:
    assert float(law(1, 1, 1).density(1.0)) == pytest.approx(1 / math.sqrt(2 * math.pi), rel=1e-12)


@given(st.floats(0.1, 10), st.floats(0.1, 10), st.floats(0.05, 3), st.floats(0.1, 4))
def test_inverse_gaussians_are_those_of_scipy(
    distance: float, drift: float, diffusion: float, part: float
) -> None:
    ours = law(distance, drift, diffusion)
    theirs = stats.invgauss(mu=ours.mean / ours.shape, scale=ours.shape)
    t = part * ours.mean
    assert float(ours.cdf(t)) == pytest.approx(float(theirs.cdf(t)), abs=1e-9)
    assert float(ours.density(t)) == pytest.approx(float(theirs.pdf(t)), rel=1e-6, abs=1e-12)


def test_a_normal_drift() -> None:
    """By quadrature over the drift: m 1, u 0.2, s 0.3, D 5."""
    assert float(passage_density(5, 1, 0.2, 0.3, 5.0)) == pytest.approx(0.331304, abs=1e-6)
    assert passage_cdf(5, 1, 0.2, 0.3, np.array([5.0, 7.0])) == pytest.approx([0.514888, 0.899889], abs=1e-6)


@pytest.mark.parametrize("t", [2.0, 4.0, 6.0, 12.0])
def test_a_normal_drift_is_the_mixture_over_the_drift(t: float) -> None:
    def weighted(drift: float) -> float:
        return float(passage_cdf(5, drift, 0.0, 0.4, t)) * float(stats.norm.pdf(drift, 1.0, 0.25))

    assert float(passage_cdf(5, 1.0, 0.25, 0.4, t)) == pytest.approx(
        integrate.quad(weighted, -0.5, 2.5, limit=200)[0], abs=1e-6
    )


@given(st.floats(0.5, 20), st.floats(-0.5, 3), st.floats(0, 1), st.floats(0.01, 2))
def test_the_law_never_falls_and_stays_a_probability(
    distance: float, drift: float, u: float, diffusion: float
) -> None:
    reached = passage_cdf(distance, drift, u, diffusion, np.geomspace(0.01, 200, 100))
    assert np.all((reached >= 0) & (reached <= 1))
    assert np.all(np.diff(reached) >= -1e-9)


@pytest.mark.parametrize("wrong", [(0, 1, 1), (1, 0, 1), (1, -1, 1), (1, 1, 0)])
def test_a_law_without_drift_or_distance_is_refused(wrong: tuple[float, float, float]) -> None:
    with pytest.raises(ValueError, match="must be above 0"):
        law(*wrong)


def test_lasers_cross_ten_per_cent_when_their_published_paths_do() -> None:
    """Meeker & Escobar (1998): three of 15 cross by 4000 h; by straight lines between readings."""
    data = reference_wear.lasers()
    found = {unit: reference_wear.crossing(path, 10.0) for unit, path in data.paths.items()}
    crossed = {unit: at for unit, at in found.items() if at is not None}
    assert crossed == pytest.approx({"101": 3780.8, "106": 3522.9, "110": 3374.4}, abs=0.1)
    rise = sum(path[-1, 1] - path[0, 1] for path in data.paths.values())
    assert rise / (4000 * len(data.paths)) == pytest.approx(0.00203791, rel=1e-5)


def test_cracks_cross_when_their_published_paths_do() -> None:
    """Hudak et al. (1978): 12 of 21 over 1.6 in by 0.12 Mcycles. Virkler et al. (1979): 68 to 49.8 mm."""
    data = reference_wear.alloy(1.6)
    found = [reference_wear.crossing(path, data.level) for path in data.paths.values()]
    crossed = [each for each in found if each is not None]
    assert len(crossed) == 12
    assert (min(crossed), max(crossed)) == pytest.approx((0.0875, 0.1175), abs=1e-4)
    last = np.array([path[-1, 0] for path in reference_wear.virkler().paths.values()])
    assert (last.mean(), last.std(ddof=1), last.min(), last.max()) == pytest.approx(
        (257_164, 18_447, 222_792, 320_996), abs=1
    )
