"""One Cardan joint: how unevenly it drives, exactly.

The angle of a joint is that between its two shafts. The turning angle is that of the driving yoke,
counted from the plane of the joint angle: there the driven shaft runs fastest. Joints in series
are in :mod:`~axlewright_models.joint_chain`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_models.errors import ModelError


def angle_rad(joint_angle_deg: ArrayLike) -> NDArray[np.float64]:
    """Return joint angles in radians, or refuse one that no joint can turn at."""
    angle = np.asarray(joint_angle_deg, dtype=np.float64)
    if np.any(np.abs(angle) >= 90.0):
        worst = float(angle.flat[int(np.argmax(np.abs(angle)))])
        raise ModelError(f"joint_angle_deg holds {worst:g}; a Cardan joint turns only below 90 degrees")
    return np.asarray(np.deg2rad(angle))


def speed_ratio(joint_angle_deg: ArrayLike, turning_angle_deg: ArrayLike) -> NDArray[np.float64]:
    r"""Return the speed of the driven shaft over that of the driving shaft.

    Parameters
    ----------
    joint_angle_deg : array_like, any shape
        Angle between the shafts, below 90. [deg]
    turning_angle_deg : array_like, broadcastable
        Of the driving yoke, from the plane of the joint angle. [deg]

    Returns
    -------
    ndarray, broadcast shape
        Between cos(angle) and 1 / cos(angle).

    Notes
    -----
    :math:`\omega_2 / \omega_1 = \cos\beta / (1 - \sin^2\beta \cos^2\theta)` [1]_.

    References
    ----------
    .. [1] Mechanical Engineer's Data Handbook, section 2.4.3.

    Examples
    --------
    >>> speed_ratio(25.0, [0.0, 90.0]).round(4)
    array([1.1034, 0.9063])
    """
    angle = angle_rad(joint_angle_deg)
    turning = np.deg2rad(np.asarray(turning_angle_deg, dtype=np.float64))
    return np.asarray(np.cos(angle) / (1.0 - np.sin(angle) ** 2 * np.cos(turning) ** 2))


def driven_angle_deg(joint_angle_deg: ArrayLike, turning_angle_deg: ArrayLike) -> NDArray[np.float64]:
    r"""Return how far the driven shaft has turned, on the same count of turns as the driving shaft.

    Parameters
    ----------
    joint_angle_deg : array_like, any shape
        Angle between the shafts, below 90. [deg]
    turning_angle_deg : array_like, broadcastable
        Of the driving yoke, from the plane of the joint angle. [deg]

    Returns
    -------
    ndarray, broadcast shape
        Equal to the driving angle at every quarter turn. The driven *yoke* stands 90 degrees further. [deg]

    Notes
    -----
    :math:`\tan\theta_2 = \tan\theta_1 / \cos\beta` [1]_, written as :math:`\theta_1` plus a difference that
    stays within a quarter turn, so that no branch of the arc tangent is ever crossed:
    :math:`\tan(\theta_2 - \theta_1) = (1 - \cos\beta) \sin\theta \cos\theta / (\cos\beta \cos^2\theta + \sin^2\theta)`.

    References
    ----------
    .. [1] Mechanical Engineer's Data Handbook, section 2.4.3.

    Examples
    --------
    >>> driven_angle_deg(20.0, [0.0, 45.0, 90.0, 405.0]).round(3)
    array([  0.   ,  46.781,  90.   , 406.781])
    """
    angle = angle_rad(joint_angle_deg)
    turning = np.deg2rad(np.asarray(turning_angle_deg, dtype=np.float64))
    return np.asarray(np.rad2deg(driven_rad(np.cos(angle), turning)))


def driven_rad(cosine: NDArray[np.float64], turning: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return :func:`driven_angle_deg` from the cosine of the joint angle, all in radians."""
    sine_t, cosine_t = np.sin(turning), np.cos(turning)
    ahead = np.arctan2((1.0 - cosine) * sine_t * cosine_t, cosine * cosine_t**2 + sine_t**2)
    return np.asarray(turning + ahead)


def angular_acceleration(
    joint_angle_deg: ArrayLike, turning_angle_deg: ArrayLike, shaft_speed_rad_s: ArrayLike
) -> NDArray[np.float64]:
    r"""Return the angular acceleration of the driven shaft while the driving shaft turns evenly.

    Parameters
    ----------
    joint_angle_deg, turning_angle_deg : array_like, broadcastable
        As in :func:`speed_ratio`. [deg]
    shaft_speed_rad_s : array_like, broadcastable
        Speed of the driving shaft. [rad/s]

    Returns
    -------
    ndarray, broadcast shape
        [rad/s2]

    Notes
    -----
    :math:`-\omega^2 \cos\beta \sin^2\beta \sin 2\theta / (1 - \sin^2\beta \cos^2\theta)^2`, the derivative of
    :func:`speed_ratio`.
    """
    angle = angle_rad(joint_angle_deg)
    turning = np.deg2rad(np.asarray(turning_angle_deg, dtype=np.float64))
    square = np.sin(angle) ** 2
    slope = -np.cos(angle) * square * np.sin(2.0 * turning) / (1.0 - square * np.cos(turning) ** 2) ** 2
    return np.asarray(slope * np.asarray(shaft_speed_rad_s, dtype=np.float64) ** 2)


def peak_acceleration(joint_angle_deg: ArrayLike, shaft_speed_rad_s: ArrayLike) -> NDArray[np.float64]:
    r"""Return the greatest angular acceleration of the driven shaft, exactly.

    Parameters
    ----------
    joint_angle_deg : array_like, any shape
        Angle between the shafts, below 90. [deg]
    shaft_speed_rad_s : array_like, broadcastable
        Speed of the driving shaft. [rad/s]

    Returns
    -------
    ndarray, broadcast shape
        [rad/s2]

    Notes
    -----
    With :math:`s = \sin^2\beta` the peak lies where :math:`c = \cos 2\theta` solves
    :math:`s c^2 + (2 - s) c - 2 s = 0` (the derivative of :func:`angular_acceleration` set to nought).
    For small angles it is :math:`\omega^2 \beta^2`.

    Examples
    --------
    >>> float(peak_acceleration(20.0, 1.0).round(6))
    0.124966
    """
    angle = angle_rad(joint_angle_deg)
    square = np.sin(angle) ** 2
    # The root written so that it neither divides by a vanishing s nor cancels.
    cosine = 4.0 * square / ((2.0 - square) + np.sqrt((2.0 - square) ** 2 + 8.0 * square**2))
    turning = 0.5 * np.rad2deg(np.arccos(cosine))
    return np.abs(angular_acceleration(joint_angle_deg, turning, shaft_speed_rad_s))


def angle_from_speed_swing_deg(shaft_speed_1_min: float, swing_1_min: float) -> float:
    r"""Return the joint angle at which the driven speed swings by this much in total.

    Notes
    -----
    :math:`1 / \cos\beta - \cos\beta = \Delta n / n` solved for :math:`\cos\beta`.

    Examples
    --------
    >>> round(angle_from_speed_swing_deg(1200.0, 100.0), 2)
    16.42
    """
    if not shaft_speed_1_min > 0 or swing_1_min < 0:
        raise ModelError(
            f"shaft_speed_1_min {shaft_speed_1_min} must be above 0 and swing_1_min {swing_1_min} not below 0"
        )
    relative = swing_1_min / shaft_speed_1_min
    return float(np.rad2deg(np.arccos(0.5 * (np.hypot(relative, 2.0) - relative))))


def true_angle_deg(side_deg: ArrayLike, plan_deg: ArrayLike) -> NDArray[np.float64]:
    r"""Return the angle between two shafts from the angles seen from the side and from above.

    One of the two shafts is the axis against which both angles are read.

    Parameters
    ----------
    side_deg, plan_deg : array_like, broadcastable
        Angle in side view and in plan view. [deg]

    Returns
    -------
    ndarray, broadcast shape
        [deg]

    Notes
    -----
    :math:`\tan^2\beta = \tan^2 S + \tan^2 P`; the square root of :math:`S^2 + P^2` is its small-angle form.

    Examples
    --------
    >>> float(true_angle_deg(10.0, 8.0).round(3))
    12.707
    """
    side, plan = np.deg2rad(np.asarray(side_deg, dtype=np.float64)), np.deg2rad(np.asarray(plan_deg, dtype=np.float64))
    return np.asarray(np.rad2deg(np.arctan(np.hypot(np.tan(side), np.tan(plan)))))
