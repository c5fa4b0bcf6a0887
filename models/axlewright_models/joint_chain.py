"""Cardan joints in series: what is left of their unevenness, by formula and exactly; and the limits on it."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_models.cardan import angle_rad, driven_rad
from axlewright_models.errors import ModelError

# Half a turn in one-degree steps: a chain of joints repeats after half a turn, its strongest part goes with
# twice the turning angle, and a parabola through the largest sample leaves an error below 1e-6 of the peak.
_SWEEP_RAD = np.linspace(0.0, np.pi, 180, endpoint=False)


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
    angles = np.atleast_1d(angle_rad(joint_angles_deg))
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
        angle_now = driven_rad(cosine, driving) - offset
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


def inertial_excitation(
    shaft_speed_rad_s: ArrayLike, joint_angles_deg: ArrayLike, phases_deg: ArrayLike | None = None
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    r"""Return how hard the shafts between the joints are shaken, driven from the front and from the rear.

    A shaft between two joints runs unevenly even where the joints cancel: its own inertia then loads the joints.

    Parameters
    ----------
    shaft_speed_rad_s : array_like, shape (...)
        [rad/s]
    joint_angles_deg, phases_deg : array_like, shape (..., joints)
        As in :func:`equivalent_angle_deg`, two joints or more. [deg]

    Returns
    -------
    drive, coast : ndarray, broadcast shape
        Greatest angular acceleration of any shaft between, while the front (the rear) end turns evenly;
        times the shaft's moment of inertia it is a torque. [rad/s2]

    Examples
    --------
    >>> drive, coast = inertial_excitation(1800 * 2 * np.pi / 60, [4.0, 3.0])
    >>> float(drive.round(1)), float(coast.round(1))
    (173.2, 97.4)
    """
    angles = np.asarray(joint_angles_deg, dtype=np.float64)
    joints = angles.shape[-1]
    if joints < 2:
        raise ModelError(f"joint_angles_deg holds {joints} joint; a shaft between joints needs 2 or more")
    degrees = in_line_phases_deg(joints) if phases_deg is None else np.asarray(phases_deg, dtype=np.float64)
    phases = np.broadcast_to(degrees, np.broadcast_shapes(angles.shape, degrees.shape))
    front = [torsional_excitation(shaft_speed_rad_s, angles[..., :k], phases[..., :k]) for k in range(1, joints)]
    rear = [torsional_excitation(shaft_speed_rad_s, angles[..., k:], phases[..., k:]) for k in range(1, joints)]
    return np.max(front, axis=0), np.max(rear, axis=0)


def highest_joint_angle_deg(shaft_speed_1_min: ArrayLike, limit_rad_s2: ArrayLike) -> NDArray[np.float64]:
    r"""Return the greatest angle of a single joint that keeps within a limit of angular acceleration.

    Parameters
    ----------
    shaft_speed_1_min : array_like
        [1/min]
    limit_rad_s2 : array_like, broadcastable
        [rad/s2]

    Returns
    -------
    ndarray, broadcast shape
        :math:`\sqrt{a} / \omega`, the small-angle form. [deg]

    Examples
    --------
    >>> float(highest_joint_angle_deg(1500.0, 400.0).round(1))
    7.3
    """
    return highest_second_angle_deg(0.0, shaft_speed_1_min, limit_rad_s2)


def highest_second_angle_deg(
    first_angle_deg: ArrayLike, shaft_speed_1_min: ArrayLike, limit_rad_s2: ArrayLike
) -> NDArray[np.float64]:
    r"""Return the greatest angle of the second joint of a phased shaft, given that of the first.

    Parameters
    ----------
    first_angle_deg : array_like
        [deg]
    shaft_speed_1_min : array_like, broadcastable
        [1/min]
    limit_rad_s2 : array_like, broadcastable
        Limit of the torsional excitation. [rad/s2]

    Returns
    -------
    ndarray, broadcast shape
        :math:`\sqrt{\beta_1^2 + a / \omega^2}`. [deg]

    Notes
    -----
    With 400 rad/s2 this is the published table of allowed angles ("Design Guidelines for Drive Shaft Installation
    Angle", referring to SAE AE-7, section 3.1.1) within its rounding.

    Examples
    --------
    >>> highest_second_angle_deg([0.0, 4.0], 1500.0, 400.0).round(1)
    array([7.3, 8.3])
    """
    speed = np.asarray(shaft_speed_1_min, dtype=np.float64) * np.pi / 30.0
    if np.any(speed <= 0.0):
        raise ModelError("shaft_speed_1_min must be above 0: a shaft at rest has no limit of angle")
    free = np.rad2deg(np.sqrt(np.asarray(limit_rad_s2, dtype=np.float64)) / speed)
    return np.asarray(np.hypot(np.asarray(first_angle_deg, dtype=np.float64), free))


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
