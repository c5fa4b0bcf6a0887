"""What a learnt balance says of the lube's temperature: where it goes next, where it would settle, how sure."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_models.thermal.estimator import features

Floats = NDArray[np.float64]


def heating_and_cooling(
    theta: Floats, speed_m_s: ArrayLike, torque_n_m: ArrayLike, shaft_speed_rad_s: ArrayLike
) -> tuple[Floats, Floats]:
    """Return the rise at no excess temperature [K/s] and the cooling rate [1/s] of a learnt law.

    Parameters
    ----------
    theta : ndarray, shape (..., 4)
        From :func:`~axlewright_models.thermal.estimator.rls_step`.
    speed_m_s, torque_n_m, shaft_speed_rad_s : array_like, shape (...)
        As for :func:`~axlewright_models.thermal.estimator.features`.
    """
    # With one kelvin of excess the features split into the heating terms and minus the cooling terms.
    row = features(speed_m_s, torque_n_m, shaft_speed_rad_s, 1.0, 0.0)
    heating = np.sum(theta[..., :2] * row[..., :2], axis=-1)
    return heating, -np.sum(theta[..., 2:] * row[..., 2:], axis=-1)


def expected_after(
    theta: Floats,
    lube_cel: ArrayLike,
    ambient_cel: ArrayLike,
    speed_m_s: ArrayLike,
    torque_n_m: ArrayLike,
    shaft_speed_rad_s: ArrayLike,
    dt_s: ArrayLike,
) -> Floats:
    """Return the lube temperature after `dt_s` of unchanged duty: the law solved exactly, whatever the step. [Cel]

    Examples
    --------
    >>> from axlewright_models.thermal import PRIOR
    >>> one = expected_after(PRIOR.theta, 20.0, 20.0, 25.0, 400.0, 150.0, 600.0)
    >>> two = expected_after(PRIOR.theta, one, 20.0, 25.0, 400.0, 150.0, 600.0)
    >>> at_once = expected_after(PRIOR.theta, 20.0, 20.0, 25.0, 400.0, 150.0, 1200.0)
    >>> bool(abs(two - at_once) < 1e-9)
    True
    """
    heating, cooling = heating_and_cooling(theta, speed_m_s, torque_n_m, shaft_speed_rad_s)
    ambient = np.asarray(ambient_cel, dtype=np.float64)
    settled = ambient + heating / cooling
    decay = np.exp(-cooling * np.asarray(dt_s, dtype=np.float64))
    return np.asarray(settled + (np.asarray(lube_cel, dtype=np.float64) - settled) * decay)


def settled_cel(
    theta: Floats,
    covariance: Floats,
    ambient_cel: ArrayLike,
    speed_m_s: ArrayLike,
    torque_n_m: ArrayLike,
    shaft_speed_rad_s: ArrayLike,
) -> tuple[Floats, Floats]:
    """Return where the lube would settle under a duty that lasts, and its standard deviation (delta method). [Cel]

    Examples
    --------
    >>> from axlewright_models.thermal import PRIOR
    >>> settled, sd = settled_cel(PRIOR.theta, PRIOR.covariance, 20.0, 25.0, 400.0, 150.0)
    >>> bool(sd > 5.0)
    True
    """
    heating, cooling = heating_and_cooling(theta, speed_m_s, torque_n_m, shaft_speed_rad_s)
    excess = heating / cooling
    # d(excess)/d(theta) = the features at that excess over the cooling rate.
    row = features(speed_m_s, torque_n_m, shaft_speed_rad_s, excess, 0.0) / cooling[..., None]
    variance = np.einsum("...i,...ij,...j->...", row, covariance, row)
    return np.asarray(np.asarray(ambient_cel, dtype=np.float64) + excess), np.sqrt(np.maximum(variance, 0.0))
