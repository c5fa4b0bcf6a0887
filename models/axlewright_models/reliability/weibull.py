r"""Weibull life: what failures and survivors say of how long an assembly lasts.

References
----------
.. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 8 (apr413: data, maximum likelihood with censoring).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_models.errors import ModelError
from axlewright_models.statistics.normal import normal_quantile

Floats = NDArray[np.float64]

NODES = 200


@lru_cache(maxsize=1)
def _nodes() -> tuple[Floats, Floats]:
    """Return Gauss-Legendre nodes and weights on -1 to 1."""
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    return nodes, weights


@dataclass(frozen=True)
class Weibull:
    """A Weibull life, in any unit of exposure (km, h, days): ``scale`` eta in that unit and ``shape`` beta, both above
    0.

    >>> life = Weibull(scale=800e3, shape=2.0)
    >>> round(float(life.survival(800e3)), 4)
    0.3679
    """

    scale: float
    shape: float

    def __post_init__(self) -> None:
        """Refuse parameters that are no life."""
        if not (self.scale > 0.0 and self.shape > 0.0):
            raise ModelError(f"a Weibull life needs scale > 0 and shape > 0; got {self.scale=}, {self.shape=}")

    def cumulative_hazard(self, age: ArrayLike) -> Floats:
        """Return (age / scale) to the power of the shape; 0 below age 0."""
        return np.asarray((np.maximum(np.asarray(age, dtype=np.float64), 0.0) / self.scale) ** self.shape)

    def survival(self, age: ArrayLike) -> Floats:
        """Return the chance to reach an age."""
        return np.asarray(np.exp(-self.cumulative_hazard(age)))

    def survival_from(self, age: ArrayLike, further: ArrayLike, hazard_ratio: ArrayLike = 1.0) -> Floats:
        """Return the chance to go `further` from an age reached, the hazard times a ratio (1 = as its kind does)."""
        start = np.asarray(age, dtype=np.float64)
        added = self.cumulative_hazard(start + np.asarray(further, dtype=np.float64)) - self.cumulative_hazard(start)
        return np.asarray(np.exp(-np.asarray(hazard_ratio, dtype=np.float64) * added))

    def hazard(self, age: ArrayLike) -> Floats:
        """Return the failure rate at an age above 0, per unit of exposure."""
        ratio = np.asarray(age, dtype=np.float64) / self.scale
        return np.asarray(self.shape / self.scale * ratio ** (self.shape - 1.0))

    def quantile(self, probability: ArrayLike) -> Floats:
        """Return the age by which a share of all has failed.

        Examples
        --------
        >>> float(Weibull(1000.0, 2.0).quantile(0.5).round(2))
        832.55
        """
        share = np.asarray(probability, dtype=np.float64)
        return np.asarray(self.scale * (-np.log1p(-share)) ** (1.0 / self.shape))

    @property
    def mean(self) -> float:
        """Mean life."""
        return self.scale * math.gamma(1.0 + 1.0 / self.shape)

    @property
    def sd(self) -> float:
        """Standard deviation of life."""
        return math.sqrt(self.scale**2 * math.gamma(1.0 + 2.0 / self.shape) - self.mean**2)

    def mean_life_within(self, span: float) -> float:
        """Return the mean of the life or `span`, whichever comes first: the integral of survival. Exact to 1e-10."""
        nodes, weights = _nodes()
        # Squared nodes: smooth the corner that survival has at 0 when the shape is below 1.
        unit = 0.5 * (nodes + 1.0)
        return float(np.sum(0.5 * weights * 2.0 * unit * span * self.survival(span * unit**2)))


@dataclass(frozen=True)
class WeibullFit:
    """A life learnt from data: the estimate, the log-likelihood and the covariance of (log scale, log shape)."""

    life: Weibull
    log_likelihood: float
    log_covariance: Floats
    failures: int
    survivors: int

    @property
    def akaike(self) -> float:
        """Akaike's information criterion, two parameters."""
        return 4.0 - 2.0 * self.log_likelihood

    @property
    def standard_errors(self) -> tuple[float, float]:
        """Standard errors of scale and shape."""
        log_scale, log_shape = np.sqrt(np.diagonal(self.log_covariance))
        return self.life.scale * float(log_scale), self.life.shape * float(log_shape)

    def interval(self, confidence: float = 0.9) -> tuple[tuple[float, float], tuple[float, float]]:
        """Return confidence intervals of scale and shape, normal in the logarithm."""
        z = normal_quantile(0.5 + confidence / 2.0)
        log_scale, log_shape = z * np.sqrt(np.diagonal(self.log_covariance))
        return (
            (self.life.scale * math.exp(-log_scale), self.life.scale * math.exp(log_scale)),
            (self.life.shape * math.exp(-log_shape), self.life.shape * math.exp(log_shape)),
        )


def fit_weibull(ages: ArrayLike, failed: ArrayLike) -> WeibullFit:
    """Return the maximum-likelihood life of units that failed or still run.

    Parameters
    ----------
    ages : array_like, shape (n,)
        Age at failure, or age reached so far, above 0.
    failed : array_like of bool, shape (n,)
        Whether the age is that of a failure.

    Raises
    ------
    ModelError
        Fewer than two failures, ages not above 0, or data without spread (all ages equal).

    Examples
    --------
    >>> fit = fit_weibull([54, 187, 216, 240, 244, 335, 361, 373, 375, 386] + 10 * [500], [True] * 10 + [False] * 10)
    >>> round(fit.life.scale, 2), round(fit.life.shape, 4)
    (606.53, 1.7208)
    """
    age, is_failure = np.asarray(ages, dtype=np.float64), np.asarray(failed, dtype=bool)
    failures = int(is_failure.sum())
    if failures < 2 or not np.all(age > 0.0) or np.ptp(age) == 0.0:
        raise ModelError(
            f"a Weibull fit needs at least 2 failures, ages above 0 and ages that differ; got {failures} failures "
            f"among {age.size} ages. With fewer, assume a shape: weibull_scale(ages, failed, shape)"
        )
    # Work with log ages over the largest: no power overflows.
    log_age = np.log(age / age.max())
    shape = _profile_shape(log_age, log_age[is_failure].mean())
    life = Weibull(weibull_scale(age, is_failure, shape), shape)
    z = shape * np.log(age / life.scale)
    log_likelihood = float(np.sum(np.log(life.hazard(age[is_failure]))) - np.sum(np.exp(z)))
    return WeibullFit(life, log_likelihood, _log_covariance(z, shape, failures), failures, age.size - failures)


def weibull_scale(ages: ArrayLike, failed: ArrayLike, shape: float) -> float:
    """Return the scale when the shape is assumed: with one or few failures the only honest estimate.

    Examples
    --------
    >>> round(weibull_scale([400.0, 900.0, 900.0], [True, False, False], 1.0))
    2200
    """
    age, failures = np.asarray(ages, dtype=np.float64), int(np.asarray(failed, dtype=bool).sum())
    if failures < 1 or not np.all(age > 0.0):
        raise ModelError(f"a Weibull scale needs at least 1 failure and ages above 0; got {failures} failures")
    longest = float(age.max())
    return float(longest * (np.sum((age / longest) ** shape) / failures) ** (1.0 / shape))


def _profile_shape(log_age: Floats, mean_log_failure: float) -> float:
    """Bisect the likelihood equation of the shape; its left side rises from below 0 to above."""

    def excess(shape: float) -> float:
        power = np.exp(shape * log_age)
        return float(np.sum(power * log_age) / np.sum(power) - 1.0 / shape - mean_log_failure)

    low, high = 1e-3, 2.0
    while excess(high) < 0.0:
        low, high = high, 2.0 * high
        if high > 1e6:
            raise ModelError("the Weibull shape has no finite estimate: all failures came at the greatest age")
    for _ in range(200):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if excess(middle) < 0.0 else (low, middle)
        if high - low < 1e-14 * high:
            break
    return 0.5 * (low + high)


def _log_covariance(z: Floats, shape: float, failures: int) -> Floats:
    """Return the inverse of the observed information of (log scale, log shape), at the estimate.

    With z = shape (log t - log scale) and Sk = sum of z^k exp(z), and S0 = failures, sum over failures of z = S1 -
    failures by the likelihood equations, the information is [[shape^2 r, -shape S1], [-shape S1, r + S2]], r failures.
    """
    weight = np.exp(z)
    s1, s2 = float(np.sum(z * weight)), float(np.sum(z * z * weight))
    information = np.array([[shape**2 * failures, -shape * s1], [-shape * s1, failures + s2]])
    return np.asarray(np.linalg.inv(information))
