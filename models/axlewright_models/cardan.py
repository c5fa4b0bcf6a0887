"""Cardan joints: one joint, joints in series, and how hard they shake what they drive.

Angles of a joint are those between its two shafts. The turning angle is that of the driving yoke,
counted from the plane of the joint angle: there the driven shaft runs fastest.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_models.errors import ModelError

# Half a turn in one-degree steps: a chain of joints repeats after half a turn, its strongest part goes with
# twice the turning angle, and a parabola through the largest sample leaves an error below 1e-6 of the peak.
_SWEEP_RAD = np.linspace(0.0, np.pi, 180, endpoint=False)


def _angle_rad(joint_angle_deg: ArrayLike) -> NDArray[np.float64]:
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
    angle = _angle_rad(joint_angle_deg)
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
    angle = _angle_rad(joint_angle_deg)
    turning = np.deg2rad(np.asarray(turning_angle_deg, dtype=np.float64))
    return np.asarray(np.rad2deg(_driven_rad(np.cos(angle), turning)))


def _driven_rad(cosine: NDArray[np.float64], turning: NDArray[np.float64]) -> NDArray[np.float64]:
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
    angle = _angle_rad(joint_angle_deg)
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
    angle = _angle_rad(joint_angle_deg)
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


def equivalent_angle_deg(joint_angles_deg: ArrayLike, phases_deg: ArrayLike | None = None) -> NDArray[np.float64]:
    r"""Return the angle of the single joint that shakes as much as these joints in series.

    Parameters
    ----------
    joint_angles_deg : array_like, shape (..., joints)
        In the order in which they are driven. [deg]
    phases_deg : array_like, broadcastable, or None
        Turning angle of each joint's driving yoke from the plane of its joint angle, at one and the same instant. None:
        every shaft has its yokes in line and all joints bend in one plane: 0, 90, 0, 90, ... [deg]

    Returns
    -------
    ndarray, shape (...)
        [deg]

    Notes
    -----
    :math:`\theta_e = \sqrt{|\pm\beta_1^2 \pm\beta_2^2 \pm\beta_3^2|}`, plus for a driving yoke in the plane of the
    joint angle, minus for one at right angles to it. A joint turned by :math:`\varphi` contributes
    :math:`\beta^2 e^{2 i \varphi}`, which gives those signs at 0 and 90 degrees and is correct between them to the
    same (second) order in :math:`\beta`.

    Examples
    --------
    >>> float(equivalent_angle_deg([4.0, 3.0]).round(4))
    2.6458
    >>> float(equivalent_angle_deg([4.0, 3.0], [0.0, 0.0]))  # a shaft assembled a quarter turn out of phase
    5.0
    """
    angles = np.asarray(joint_angles_deg, dtype=np.float64)
    phases = in_line_phases_deg(angles.shape[-1]) if phases_deg is None else np.asarray(phases_deg, dtype=np.float64)
    vectors = angles**2 * np.exp(2j * np.deg2rad(phases))
    return np.asarray(np.sqrt(np.abs(vectors.sum(axis=-1))))


def torsional_excitation(
    shaft_speed_rad_s: ArrayLike, joint_angles_deg: ArrayLike, phases_deg: ArrayLike | None = None
) -> NDArray[np.float64]:
    r"""Return the angular acceleration that joints in series force upon what they drive.

    Parameters
    ----------
    shaft_speed_rad_s : array_like, shape (...)
        [rad/s]
    joint_angles_deg : array_like, shape (..., joints)
        As in :func:`equivalent_angle_deg`. [deg]
    phases_deg : array_like, broadcastable, or None
        As in :func:`equivalent_angle_deg`. [deg]

    Returns
    -------
    ndarray, broadcast shape
        :math:`\omega^2 \theta_e^2`; :func:`chain_peak_acceleration` is its exact form, within 0.5 % at working
        angles of a drive shaft. [rad/s2]

    Examples
    --------
    >>> speed = 1800 * 2 * np.pi / 60
    >>> float(torsional_excitation(speed, [4.0, 3.0]).round(2))
    75.76
    """
    angle = np.deg2rad(equivalent_angle_deg(joint_angles_deg, phases_deg))
    return np.asarray((np.asarray(shaft_speed_rad_s, dtype=np.float64) * angle) ** 2)


def in_line_phases_deg(joints: int) -> NDArray[np.float64]:
    """Return the phases of shafts with yokes in line whose joints all bend in one plane: 0, 90, 0, 90, ... [deg]

    Each joint's driven yoke stands a quarter turn from its driving yoke, and carries the next driving yoke with it.
    """
    return np.where(np.arange(joints) % 2 == 0, 0.0, 90.0)


def chain_motion(
    joint_angles_deg: ArrayLike, phases_deg: ArrayLike | None, turning_angle_deg: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    r"""Return the motion behind every joint of a chain, composed exactly, joint by joint.

    Parameters
    ----------
    joint_angles_deg : array_like, shape (..., joints)
        [deg]
    phases_deg : array_like, broadcastable to the joints, or None
        As in :func:`equivalent_angle_deg`, at the instant when the turning angle is 0. [deg]
    turning_angle_deg : array_like, shape (turns,)
        Of the first driving shaft. [deg]

    Returns
    -------
    turned : ndarray, shape (..., joints, turns)
        Angle by which each driven shaft has turned. [deg]
    ratio : ndarray, same shape
        Its speed over that of the first driving shaft.
    acceleration : ndarray, same shape
        Its angular acceleration over the square of the first shaft's speed. [1]

    Notes
    -----
    With :math:`f` the ratio of one joint at its own driving angle, :math:`R_k = f_k R_{k-1}` and
    :math:`R_k' = f_k' R_{k-1}^2 + f_k R_{k-1}'`: the chain rule, no approximation.
    """
    angles = np.atleast_1d(_angle_rad(joint_angles_deg))
    degrees = in_line_phases_deg(angles.shape[-1]) if phases_deg is None else np.asarray(phases_deg, dtype=np.float64)
    shape = np.broadcast_shapes(angles.shape, degrees.shape)
    angles, phases = np.broadcast_to(angles, shape), np.broadcast_to(np.deg2rad(degrees), shape)
    turning = np.deg2rad(np.atleast_1d(np.asarray(turning_angle_deg, dtype=np.float64)))
    turned, ratios, slopes = (np.empty((*shape, turning.size)) for _ in range(3))
    angle_now = np.broadcast_to(turning, (*angles.shape[:-1], turning.size))
    ratio, slope = np.ones_like(angle_now), np.zeros_like(angle_now)
    for joint in range(angles.shape[-1]):
        cosine = np.cos(angles[..., joint, np.newaxis])
        square = 1.0 - cosine**2
        offset = phases[..., joint, np.newaxis]
        driving = angle_now + offset
        below = 1.0 - square * np.cos(driving) ** 2
        step = cosine / below
        slope = -cosine * square * np.sin(2.0 * driving) / below**2 * ratio**2 + step * slope
        ratio = ratio * step
        angle_now = _driven_rad(cosine, driving) - offset
        turned[..., joint, :] = np.rad2deg(angle_now)
        ratios[..., joint, :] = ratio
        slopes[..., joint, :] = slope
    return turned, ratios, slopes


def chain_peak_acceleration(
    shaft_speed_rad_s: ArrayLike, joint_angles_deg: ArrayLike, phases_deg: ArrayLike | None = None
) -> NDArray[np.float64]:
    """Return the greatest angular acceleration behind every joint of a chain, by exact composition.

    Parameters
    ----------
    shaft_speed_rad_s : array_like, shape (...)
        Of the first driving shaft, which turns evenly. [rad/s]
    joint_angles_deg, phases_deg : array_like, shape (..., joints)
        As in :func:`chain_motion`. [deg]

    Returns
    -------
    ndarray, shape (..., joints)
        The last is the torsional excitation; those before it are the inertial excitation of the shafts between,
        driven from the front. [rad/s2]

    Examples
    --------
    >>> speed = 1800 * 2 * np.pi / 60
    >>> chain_peak_acceleration(speed, [4.0, 3.0]).round(2)
    array([173.31,  75.86])
    """
    _, _, slopes = chain_motion(joint_angles_deg, phases_deg, np.rad2deg(_SWEEP_RAD))
    speed = np.asarray(shaft_speed_rad_s, dtype=np.float64)[..., np.newaxis]
    return np.asarray(_cyclic_peak(np.abs(slopes)) * speed**2)


def _cyclic_peak(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the maximum along the last axis of a cycle sampled evenly, refined by a parabola."""
    count = values.shape[-1]
    top = values.argmax(axis=-1)[..., np.newaxis]
    before = np.take_along_axis(values, (top - 1) % count, axis=-1)
    here = np.take_along_axis(values, top, axis=-1)
    after = np.take_along_axis(values, (top + 1) % count, axis=-1)
    curvature = before - 2.0 * here + after
    with np.errstate(divide="ignore", invalid="ignore"):
        lift = np.where(curvature < 0.0, -((after - before) ** 2) / (8.0 * curvature), 0.0)
    return np.asarray((here + lift)[..., 0])
