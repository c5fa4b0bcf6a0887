r"""Learn each axle's thermal balance from its own readings.

One mass, a law that is linear in its parameters [1]_:

.. math:: \frac{dT}{dt} = a_0 P_{spin}(v) + a_1 |M \omega| - (b_0 + b_1 \sqrt v)(T - T_a)

Recursive least squares with stabilised forgetting [2]_: what is forgotten of the data is replaced by the prior, so a
truck that stands for a month, or drives a month at one speed, ends at the prior's uncertainty and never beyond.

References
----------
.. [1] Own choice of terms. No published warm-up time constant for truck axles was found; the prior below is the
   illustrative lump of 204 kJ/K and 1.2 m2 (own calculation), with wide standard deviations.
.. [2] Kulhavy, R. and Zarrop, M. B. (1993), "On a general concept of forgetting", International Journal of Control
   58(4), 905-924 (cited from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_models.thermal.spin import spin_loss_w

Floats = NDArray[np.float64]

PARAMETERS = ("spin", "mesh", "cooling-standing", "cooling-moving")
UNITS = ("K/kJ", "K/kJ", "1/s", "1/(s sqrt(m/s))")

DEFAULT_FORGETTING = 0.998
DEFAULT_NOISE_CEL = 0.5


@dataclass(frozen=True)
class Prior:
    """What is believed of an axle before it has been seen: mean, covariance and bounds of the p parameters."""

    theta: Floats
    covariance: Floats
    low: Floats
    high: Floats

    def start(self, axles: int) -> tuple[Floats, Floats]:
        """Return ``(theta, covariance)`` of that many axles, shapes (axles, p) and (axles, p, p)."""
        return np.tile(self.theta, (axles, 1)), np.tile(self.covariance, (axles, 1, 1))

    @cached_property
    def _scaled(self) -> tuple[Floats, Floats]:
        """Return the parameters' standard deviations, and the information in their unit."""
        scale: Floats = np.asarray(np.sqrt(np.diagonal(self.covariance)), dtype=np.float64)
        outer = scale[:, None] * scale[None, :]
        return scale, np.asarray(np.linalg.inv(self.covariance / outer), dtype=np.float64)


def prior() -> Prior:
    """Return the prior of a loaded drive axle.

    Heat capacity 204 kJ/K; half of the published spin loss of a tractor's drive axles falls to each; 2 % of the power
    passed on is lost in the mesh; 10 W/K standing still, 75 W/K at 29 m/s (free stream;
    :mod:`~axlewright_models.thermal.cooling` puts the shelter of a chassis at about two thirds of that). Each with a
    standard deviation of half its value (own choice).

    Examples
    --------
    >>> [float(f"{x:.2g}") for x in prior().theta]
    [0.0025, 9.8e-05, 4.9e-05, 5.9e-05]
    """
    capacity_kj_k = 204.0
    standing_w_k, moving_w_k = 10.0, 75.0
    moving = (moving_w_k - standing_w_k) / np.sqrt(29.0)
    theta = np.array([0.5, 0.02, standing_w_k / 1e3, moving / 1e3]) / capacity_kj_k
    return Prior(theta, np.diag((0.5 * theta) ** 2), 0.02 * theta, 8.0 * theta)


PRIOR = prior()


def features(
    speed_m_s: ArrayLike,
    torque_n_m: ArrayLike,
    shaft_speed_rad_s: ArrayLike,
    lube_cel: ArrayLike,
    ambient_cel: ArrayLike,
) -> Floats:
    """Return what multiplies the parameters in the law for dT/dt.

    Parameters
    ----------
    speed_m_s : array_like, any shape
        Road speed; its sign does not matter. [m/s]
    torque_n_m : array_like, broadcastable
        Torque at the axle's input, drive or overrun. [N m]
    shaft_speed_rad_s : array_like, broadcastable
        Speed of that shaft. [rad/s]
    lube_cel, ambient_cel : array_like, broadcastable
        Lube and ambient temperature. [Cel]

    Returns
    -------
    ndarray, shape (..., 4)
        Spin power [kW], power passed on [kW], and minus the excess temperature, alone [K] and times the root of the
        speed. NaN in any input gives a row with NaN. Multiply by a duration, or average over one, to
        predict a change of temperature instead of a rate: the law stays linear.

    Examples
    --------
    >>> features(29.0, 600.0, 180.0, 80.0, 20.0).round(1)
    array([   3.8,  108. ,  -60. , -323.1])
    """
    speed = np.abs(np.asarray(speed_m_s, dtype=np.float64))
    passed_on_kw = np.abs(np.asarray(torque_n_m, dtype=np.float64) * np.asarray(shaft_speed_rad_s)) / 1e3
    excess = np.asarray(lube_cel, dtype=np.float64) - np.asarray(ambient_cel, dtype=np.float64)
    spin_kw = spin_loss_w(speed) / 1e3
    parts = np.broadcast_arrays(spin_kw, passed_on_kw, -excess, -excess * np.sqrt(speed))
    return np.stack(parts, axis=-1)


def predict(
    theta: Floats, covariance: Floats, row: Floats, noise_sd: ArrayLike = DEFAULT_NOISE_CEL
) -> tuple[Floats, Floats]:
    """Return the expected target and its standard deviation, shape (n,) each.

    Parameters
    ----------
    theta, covariance, row : ndarray, shapes (..., p), (..., p, p), (..., p)
        State and features.
    noise_sd : array_like, shape (...)
        Standard deviation of the target about the law, in the target's unit.
    """
    mean = _dot(row, theta)
    spread = _dot(row, _times(covariance, row))
    return mean, np.sqrt(np.maximum(spread, 0.0) + np.square(np.asarray(noise_sd, dtype=np.float64)))


def rls_step(
    theta: Floats,
    covariance: Floats,
    row: Floats,
    target: ArrayLike,
    forgetting: ArrayLike = DEFAULT_FORGETTING,
    *,
    noise_sd: ArrayLike = DEFAULT_NOISE_CEL,
    belief: Prior = PRIOR,
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return the state after one more observation of each axle.

    Parameters
    ----------
    theta, covariance : ndarray, shapes (..., p), (..., p, p)
        Estimate so far and its covariance.
    row : ndarray, shape (..., p)
        :func:`features`, times the duration if `target` is a change of temperature.
    target : array_like, shape (...)
        What was observed: a rate [K/s] or, better against sensor noise, a change over some minutes [K].
    forgetting : array_like, shape (...)
        Weight that the past keeps at each observation, above 0, at most 1: memory of about 1 / (1 - forgetting)
        observations.
    noise_sd : array_like, shape (...)
        Standard deviation of the target about the law, in its unit.
    belief : Prior
        Prior that fills what is forgotten, and the bounds.

    Returns
    -------
    (theta, covariance, innovation, innovation_sd) : tuple of ndarray
        Innovation = observed minus expected before this observation was used, with its standard deviation. A row
        with NaN leaves its axle's state bit for bit as it was; its innovation is NaN. An axle's result does not depend,
        to the last bit, on which or how many other axles stand beside it.
    """
    target = np.asarray(target, dtype=np.float64)
    usable = np.isfinite(target) & np.isfinite(row).all(axis=-1)
    row = np.where(usable[..., None], row, 0.0)
    seen_theta, seen_covariance = _forget(theta, covariance, np.asarray(forgetting, dtype=np.float64), belief)
    expected, spread = predict(seen_theta, seen_covariance, row, noise_sd)
    innovation = np.where(usable, target - expected, np.nan)
    shift = _times(seen_covariance, row)
    gain = shift / np.square(spread)[..., None]
    new_theta = seen_theta + gain * np.where(usable, innovation, 0.0)[..., None]
    noise = np.square(np.broadcast_to(np.asarray(noise_sd, dtype=np.float64), target.shape))
    new_covariance = _joseph(seen_covariance, row, gain, noise)
    new_theta = _within_bounds(new_theta, new_covariance, belief)
    return (
        np.where(usable[..., None], new_theta, theta),
        np.where(usable[..., None, None], new_covariance, covariance),
        innovation,
        np.where(usable, spread, np.nan),
    )


def _forget(theta: Floats, covariance: Floats, forgetting: Floats, belief: Prior) -> tuple[Floats, Floats]:
    """Mix the information so far with the prior's: keeps the covariance between 0 and the prior's."""
    keep = forgetting[..., None, None]
    # Scaled by the prior's standard deviations, the matrices are well conditioned whatever the parameters' units.
    scale, prior_information = belief._scaled
    outer = scale[:, None] * scale[None, :]
    information = np.linalg.inv(covariance / outer)
    mixed = keep * information + (1.0 - keep) * prior_information
    new_covariance: Floats = np.asarray(np.linalg.inv(mixed), dtype=np.float64)
    # theta moves towards the prior by what the prior weighs: theta - (1 - keep) P Lambda0 (theta - theta0).
    departure: Floats = np.asarray((theta - belief.theta) / scale, dtype=np.float64)
    away = _times(prior_information, departure)
    pull = (1.0 - forgetting)[..., None] * _times(new_covariance, away)
    return theta - pull * scale, new_covariance * outer


def _joseph(covariance: Floats, row: Floats, gain: Floats, noise: Floats) -> Floats:
    """Shrink the covariance by Joseph's form, which stays symmetric and positive definite under rounding."""
    left = np.eye(row.shape[-1]) - gain[..., :, None] * row[..., None, :]
    shrunk = _product(_product(left, covariance), np.swapaxes(left, -1, -2))
    return shrunk + noise[..., None, None] * gain[..., :, None] * gain[..., None, :]


def _dot(left: Floats, right: Floats) -> Floats:
    """Return the sum over the last axis in a fixed order: einsum and matmul change theirs with the number of rows."""
    total = left[..., 0] * right[..., 0]
    for index in range(1, left.shape[-1]):
        total = total + left[..., index] * right[..., index]
    return np.asarray(total)


def _times(matrix: Floats, vector: Floats) -> Floats:
    """Return matrix times vector, in the same fixed order."""
    total = matrix[..., :, 0] * vector[..., 0, None]
    for index in range(1, vector.shape[-1]):
        total = total + matrix[..., :, index] * vector[..., index, None]
    return np.asarray(total)


def _product(left: Floats, right: Floats) -> Floats:
    """Return matrix times matrix, in the same fixed order."""
    total = left[..., :, 0, None] * right[..., 0, None, :]
    for index in range(1, right.shape[-2]):
        total = total + left[..., :, index, None] * right[..., index, None, :]
    return np.asarray(total)


def _within_bounds(theta: Floats, covariance: Floats, belief: Prior) -> Floats:
    """Return the estimate moved inside its bounds, the other parameters moved along as their covariance says."""
    for index in range(theta.shape[-1]):
        inside = np.clip(theta[..., index], belief.low[index], belief.high[index])
        excess = inside - theta[..., index]
        if excess.any():
            along = covariance[..., :, index] / covariance[..., index, index][..., None]
            theta = theta + along * excess[..., None]
    # The last pass is plain: moving one parameter may have pushed an earlier one out again.
    return np.clip(theta, belief.low, belief.high)
