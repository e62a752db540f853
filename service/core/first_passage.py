"""When a path that drifts and wanders first reaches a level: the law of its time.

Knows X(t) = x0 + m t + s W(t), W a standard Wiener process; must not know what wears. Numbers are in whatever units the
caller keeps: `distance` D > 0 from x0 to the level, `drift` m a unit of time, `diffusion` s a root of it.

Sources: Chhikara & Folks, The Inverse Gaussian Distribution (1989), ch. 2 and 10; for a drift that is itself normal,
Peng & Tseng, IEEE Trans. Reliability 58 (2009) 444 (both from memory; checked by quadrature and simulation in the tests).
"""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

ROOT_HALF = math.sqrt(0.5)
FAR = -30.0  # below it erfc comes near the least float, and the asymptotic series takes over
_erfc = np.frompyfunc(math.erfc, 1, 1)


def normal_cdf(x: Floats | float) -> Floats:
    """Return the probability that a standard normal is at most x: erfc(-x / sqrt 2) / 2. Shape of x."""
    return 0.5 * np.asarray(_erfc(-np.asarray(x, dtype=np.float64) * ROOT_HALF), dtype=np.float64)


def log_normal_cdf(x: Floats | float) -> Floats:
    """Return its logarithm, also where the probability itself is too small for a float. Shape of x.

    Far below, Phi(x) = phi(x) / -x (1 - 1 / x^2 + 3 / x^4 - ...) (Abramowitz & Stegun 26.2.12, from memory).
    """
    x = np.asarray(x, dtype=np.float64)
    far = np.minimum(x, FAR)
    inverse = 1 / (far * far)
    series = -far * far / 2 - np.log(-far * math.sqrt(2 * math.pi)) + np.log1p(-inverse + 3 * inverse**2)
    return np.where(x < FAR, series, np.log(normal_cdf(np.maximum(x, FAR))))


@dataclass(frozen=True, slots=True, kw_only=True)
class InverseGaussian:
    """The law of the first passage over a distance D at a drift m > 0 with diffusion s."""

    distance: float
    drift: float
    diffusion: float

    def __post_init__(self) -> None:
        if not (self.distance > 0 and self.drift > 0 and self.diffusion > 0):
            raise ValueError(
                f"distance {self.distance:g}, drift {self.drift:g} and diffusion {self.diffusion:g} must be above 0: "
                "without drift the level may never be reached"
            )

    @property
    def mean(self) -> float:
        """D / m."""
        return self.distance / self.drift

    @property
    def shape(self) -> float:
        """Lambda = D^2 / s^2."""
        return (self.distance / self.diffusion) ** 2

    @property
    def variance(self) -> float:
        """D s^2 / m^3."""
        return self.distance * self.diffusion**2 / self.drift**3

    def density(self, t: Floats | float) -> Floats:
        """D / sqrt(2 pi s^2 t^3) exp(-(D - m t)^2 / (2 s^2 t)); t > 0."""
        return passage_density(self.distance, self.drift, 0.0, self.diffusion, t)

    def cdf(self, t: Floats | float) -> Floats:
        """Return the probability of having reached the level by t > 0."""
        return passage_cdf(self.distance, self.drift, 0.0, self.diffusion, t)


def passage_density(
    distance: float, drift: float, drift_u: float, diffusion: float, t: Floats | float
) -> Floats:
    """Return the density of the first passage where the drift is normal with standard deviation `drift_u`.

    f(t) = D / sqrt(2 pi t^2 q^2) exp(-(D - m t)^2 / (2 q^2)),  q^2 = u^2 t^2 + s^2 t; with u = 0 the inverse Gaussian.
    Where the drift may be negative it does not integrate to 1: some paths never arrive.
    """
    t = np.asarray(t, dtype=np.float64)
    q_squared = (drift_u * t) ** 2 + diffusion**2 * t
    return (
        distance
        / np.sqrt(2 * math.pi * t * t * q_squared)
        * np.exp(-((distance - drift * t) ** 2) / (2 * q_squared))
    )


def passage_cdf(distance: float, drift: float, drift_u: float, diffusion: float, t: Floats | float) -> Floats:
    """Return the probability of a first passage by t > 0 where the drift is normal.

    F(t) = Phi((m t - D) / q) + exp(a) Phi(-(2 u^2 D t + s^2 (m t + D)) / (s^2 q)),
    a = 2 m D / s^2 + 2 u^2 D^2 / s^4, q as above; the second term, of the paths that went over and came back, in logarithms,
    for exp(a) alone overflows.
    """
    t = np.asarray(t, dtype=np.float64)
    variance = diffusion**2
    q = np.sqrt((drift_u * t) ** 2 + variance * t)
    beyond = normal_cdf((drift * t - distance) / q)
    exponent = 2 * drift * distance / variance + 2 * (drift_u * distance / variance) ** 2
    back = (2 * drift_u**2 * distance * t + variance * (drift * t + distance)) / (variance * q)
    return np.minimum(1.0, beyond + np.exp(np.minimum(exponent + log_normal_cdf(-back), 0.0)))
