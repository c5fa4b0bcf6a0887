"""Spin loss: the heat that a drive axle makes at no load, from the published regression."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

SPIN_COEFFICIENTS_W = (-206.841, 239.8279, 21.27505)
"""c0 [W], c1 [W s], c2 [W s2] of the worked example in 40 CFR 1037.528(h)(5)."""

WHEEL_REV_PER_M = 9.1098 / 28.86
"""Wheel revolutions per metre of the same example (9.1098 rev/s at 28.86 m/s). [1/m]"""


def spin_loss_w(speed_m_s: ArrayLike, wheel_rev_per_m: float = WHEEL_REV_PER_M) -> NDArray[np.float64]:
    """Return the no-load loss of a tractor's drive axles.

    Parameters
    ----------
    speed_m_s : array_like, any shape
        Road speed, 0 or more; NaN gives NaN. [m/s]
    wheel_rev_per_m : float
        Revolutions of a wheel per metre. [1/m]

    Returns
    -------
    ndarray
        Power lost, 0 where the regression goes below 0 (under about 2.6 m/s: it was fitted at speed). [W]

    Notes
    -----
    :math:`P = c_0 + c_1 f + c_2 f^2` with the wheel's frequency f in rev/s: 40 CFR 1037.528(h)(5).

    Examples
    --------
    >>> spin_loss_w([28.86, 5.84, 0.0]).round()
    array([3744.,  308.,    0.])
    """
    frequency = np.asarray(speed_m_s, dtype=np.float64) * wheel_rev_per_m
    c0, c1, c2 = SPIN_COEFFICIENTS_W
    return np.maximum(0.0, c0 + frequency * (c1 + c2 * frequency))
