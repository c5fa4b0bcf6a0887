"""Angles between shafts in space, and how a pinion tips with ride height.

Axes: x rearward, y to the left, z upward. An inclination is positive when the shaft falls toward the
rear, a plan angle when it runs to the left toward the rear.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_models.errors import ModelError

Array = NDArray[np.float64]


def joint_angles_deg(inclinations_deg: ArrayLike, plan_deg: ArrayLike | None = None) -> Array:
    """Return the working angle of every joint between parts given by their angles.

    Parameters
    ----------
    inclinations_deg : array_like, shape (..., parts)
        Transmission output, shafts, pinion, front to rear, in side view. [deg]
    plan_deg : array_like, broadcastable, or None
        The same in plan view; None: all run straight. [deg]

    Returns
    -------
    ndarray, shape (..., parts - 1)
        Angle in space, not below 0. [deg]

    Examples
    --------
    >>> joint_angles_deg([3.0, 5.0, 3.5]).round(6)
    array([2. , 1.5])
    """
    return angles_between_deg(unit_axes(inclinations_deg, 0.0 if plan_deg is None else plan_deg))


def pinion_angle_change_deg(arm_length_mm: ArrayLike, pivot_height_mm: ArrayLike, height_change_mm: ArrayLike) -> Array:
    r"""Return by how much a change of ride height tips the pinion; nose up is positive.

    Parameters
    ----------
    arm_length_mm : array_like
        Of the trailing arm, or the distance to the side-view instant centre; ``inf`` for parallel rods. [mm]
    pivot_height_mm : array_like, broadcastable
        Of the pivot above the axle at specified height. [mm]
    height_change_mm : array_like, broadcastable
        Ride height less the specified one; negative when the frame sits low. [mm]

    Returns
    -------
    ndarray, broadcast shape
        [deg]

    Notes
    -----
    :math:`\arcsin((h + \Delta h) / L) - \arcsin(h / L)`, own geometry: frame and pivot rise together over the
    axle, the arm keeps its length, and the axle is rigid with the arm. Low ride tips a forward-facing pinion nose
    down; a pivot behind the axle (negative length) reverses it.

    Examples
    --------
    >>> float(pinion_angle_change_deg(600.0, 0.0, 10.0).round(3))
    0.955
    """
    length = np.asarray(arm_length_mm, dtype=np.float64)
    before = np.asarray(pivot_height_mm, dtype=np.float64)
    after = before + np.asarray(height_change_mm, dtype=np.float64)
    reach = np.maximum(np.abs(before), np.abs(after))
    if np.any(reach >= np.abs(length)):
        raise ModelError(
            f"pivot_height_mm and height_change_mm put the pivot {np.max(reach):g} mm from the axle's level, "
            f"more than arm_length_mm {np.min(np.abs(length)):g}; check the suspension's lengths"
        )
    return np.asarray(np.rad2deg(np.arcsin(after / length) - np.arcsin(before / length)))


def slopes_of_shaft_deg(front_mm: ArrayLike, rear_mm: ArrayLike) -> tuple[Array, Array]:
    """Return a shaft's inclination and plan angle from where its two joints are.

    Parameters
    ----------
    front_mm, rear_mm : array_like, shape (..., 3)
        Joint centres: rearward, to the left, upward, from any common point. [mm]

    Returns
    -------
    (inclination_deg, plan_deg) : tuple of ndarray, shape (...)
        As measured in side view and in plan view: the arc tangent of drop, or of lateral offset, over the rearward
        distance. [deg]

    Raises
    ------
    ModelError
        The rear joint is not behind the front one.

    Examples
    --------
    >>> inclination, plan = slopes_of_shaft_deg([0.0, 0.0, 900.0], [1500.0, 60.0, 750.0])
    >>> float(inclination.round(3)), float(plan.round(3))
    (5.711, 2.291)
    """
    along = np.asarray(rear_mm, dtype=np.float64) - np.asarray(front_mm, dtype=np.float64)
    if not np.all(along[..., 0] > 0.0):
        raise ModelError("rear_mm must lie behind front_mm: give rearward positions that increase from joint to joint")
    slopes = np.rad2deg(np.arctan(along[..., 1:] / along[..., :1]))
    return np.asarray(-slopes[..., 1]), np.asarray(slopes[..., 0])


def unit_axes(inclinations_deg: ArrayLike, plan_deg: ArrayLike) -> Array:
    """Return unit vectors, rearward, shape (..., 3)."""
    down, left = np.broadcast_arrays(
        np.tan(np.deg2rad(np.asarray(inclinations_deg, dtype=np.float64))),
        np.tan(np.deg2rad(np.asarray(plan_deg, dtype=np.float64))),
    )
    vectors = np.stack([np.ones_like(down), left, -down], axis=-1)
    return np.asarray(vectors / np.linalg.norm(vectors, axis=-1, keepdims=True))


def angles_between_deg(axes: Array) -> Array:
    """Return the angle between each part and the next, accurate down to nought. [deg]"""
    first, second = axes[..., :-1, :], axes[..., 1:, :]
    sine = np.linalg.norm(np.cross(first, second), axis=-1)
    return np.asarray(np.rad2deg(np.arctan2(sine, (first * second).sum(axis=-1))))


def joint_planes_deg(axes: Array) -> Array:
    """Return how far each joint's normal stands from a mark that is carried along the shafts untwisted. [deg]

    The mark starts out to the left; at a joint it is swung with the shaft by the least rotation, which is what
    makes planes of different joints comparable in space.
    """
    first, second = axes[..., :-1, :], axes[..., 1:, :]
    normals = np.cross(first, second)
    mark = np.cross(np.cross(axes[..., 0, :], [0.0, 1.0, 0.0]), axes[..., 0, :])
    planes = np.empty_like(normals[..., 0])
    for joint in range(normals.shape[-2]):
        normal, axis = normals[..., joint, :], first[..., joint, :]
        side = np.cross(axis, mark)
        planes[..., joint] = np.arctan2((normal * side).sum(axis=-1), (normal * mark).sum(axis=-1))
        cosine = (axis * second[..., joint, :]).sum(axis=-1, keepdims=True)
        along = (normal * mark).sum(axis=-1, keepdims=True) / (1.0 + cosine)
        mark = mark * cosine + np.cross(normal, mark) + normal * along
    return np.rad2deg(planes)
