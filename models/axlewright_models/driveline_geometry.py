"""A driveline in space: how ride height bends its joints, and how hard they then shake.

Axes: x rearward, y to the left, z upward. An inclination is positive when the shaft falls toward the
rear, a plan angle when it runs to the left toward the rear. A pinion that points forward and shares the
inclination of the transmission is parallel to it; nose up is positive.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_models.errors import ModelError

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Shaft:
    """One shaft with a joint at its front end, and the next part's joint at its rear end.

    Parameters
    ----------
    length_mm : float
        Between the joint centres, at specified ride height. [mm]
    inclination_deg, plan_deg : float
        At specified ride height. [deg]
    phase_deg : float
        Angle of the rear yoke from the front yoke, in the sense of rotation; 0 when they are in line. [deg]
    """

    length_mm: float
    inclination_deg: float
    plan_deg: float = 0.0
    phase_deg: float = 0.0

    def __post_init__(self) -> None:
        if not self.length_mm > 0:
            raise ModelError(f"length_mm of a shaft is {self.length_mm}; give its length between joint centres")


@dataclass(frozen=True)
class DriveAxle:
    """A drive axle as the driveline sees it: where its yokes are, and how it swings.

    Parameters
    ----------
    position : int
        Counted from the front of the truck.
    pinion_angle_deg : float
        Inclination of its input shaft at specified ride height; nose up is positive. The through shaft to the
        next axle shares it. [deg]
    arm_length_mm : float
        Of the trailing arm that the axle is rigid with, or the distance to the side-view instant centre of its
        rods; ``inf`` for parallel rods of equal length. Negative when the pivot lies behind the axle. [mm]
    pivot_height_mm : float
        Of the pivot above the axle, at specified ride height. [mm]
    input_ahead_mm, input_above_mm : float
        Of the input joint from the axle's centre line. [mm]
    output_behind_mm, output_above_mm : float
        Of the output joint (through shaft) from the axle's centre line. [mm]
    plan_deg : float
        Of the input shaft. [deg]
    through_phase_deg : float
        Angle of the output yoke from the input yoke. Their splines leave it open; it matters only to the two
        runs taken together. [deg]
    """

    position: int
    pinion_angle_deg: float
    arm_length_mm: float
    pivot_height_mm: float = 0.0
    input_ahead_mm: float = 0.0
    input_above_mm: float = 0.0
    output_behind_mm: float = 0.0
    output_above_mm: float = 0.0
    plan_deg: float = 0.0
    through_phase_deg: float = 0.0


@dataclass(frozen=True)
class Run:
    """The shafts that end at one axle's input; joints between them hang on the frame (centre bearings)."""

    shafts: tuple[Shaft, ...]
    axle: DriveAxle

    def __post_init__(self) -> None:
        if not self.shafts:
            raise ModelError(f"the run to axle {self.axle.position} has no shaft; give at least one")


@dataclass(frozen=True)
class Driveline:
    """Transmission output, then run after run, front to rear.

    The first run starts at the transmission (and may pass a centre bearing); every later one at the
    through shaft of the axle before it.
    """

    transmission_deg: float
    runs: tuple[Run, ...]
    transmission_plan_deg: float = 0.0

    def __post_init__(self) -> None:
        if not self.runs:
            raise ModelError("a driveline needs at least one run of shafts")

    @property
    def joint_names(self) -> tuple[str, ...]:
        """Name every joint, front to rear."""
        names: list[str] = []
        source = "transmission"
        for run in self.runs:
            target = f"axle {run.axle.position} input"
            between = [f"centre bearing {number}" for number in range(1, len(run.shafts))]
            names += [source, *between, target]
            source = f"axle {run.axle.position} output"
        return tuple(names)

    def joints_of(self, position: int) -> slice:
        """Return which joints belong to the run that ends at this axle."""
        first = 0
        for run in self.runs:
            last = first + len(run.shafts) + 1
            if run.axle.position == position:
                return slice(first, last)
            first = last
        known = ", ".join(str(run.axle.position) for run in self.runs)
        raise ModelError(f"no run of shafts ends at axle {position}; the driveline describes axle {known}")


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
    return _angles_between(_axes(inclinations_deg, 0.0 if plan_deg is None else plan_deg))


def pinion_angle_change_deg(arm_length_mm: ArrayLike, pivot_height_mm: ArrayLike, height_change_mm: ArrayLike) -> Array:
    r"""Return by how much a change of ride height tips the pinion; nose up is positive.

    Parameters
    ----------
    arm_length_mm : array_like
        As in :class:`DriveAxle`; ``inf`` for parallel rods. [mm]
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


@dataclass(frozen=True)
class Angles:
    """The driveline's angles at given ride heights.

    Parameters
    ----------
    joints_deg : ndarray, shape (..., joints)
        Working angle of every joint, front to rear. [deg]
    phases_deg : ndarray, shape (..., joints)
        Turning angle of its driving yoke from the plane of its joint angle, all at one instant, as
        :func:`~axlewright_models.joint_chain.equivalent_angle_deg` and the exact composition want it. [deg]
    pinions_deg : ndarray, shape (..., axles)
        Inclination of every axle's input shaft. [deg]
    """

    joints_deg: Array
    phases_deg: Array
    pinions_deg: Array


def angles_at(driveline: Driveline, height_changes_mm: ArrayLike = 0.0) -> Angles:
    """Return all angles of a driveline at given ride heights.

    Parameters
    ----------
    driveline : Driveline
        As specified.
    height_changes_mm : array_like, shape (..., axles) or scalar
        Ride height less the specified one at each drive axle; a scalar is for all. [mm]

    Returns
    -------
    Angles

    Notes
    -----
    Every joint is moved in space: those at the transmission and at centre bearings stay with the frame, those of an
    axle swing with it about the pivot of its arm; slip joints take up the change of length.

    Examples
    --------
    Parallel rods: the axle keeps its pitch, yet the shaft tilts, so both joints change alike.

    >>> axle = DriveAxle(2, pinion_angle_deg=3.0, arm_length_mm=float("inf"))
    >>> driveline = Driveline(3.0, (Run((Shaft(1500.0, 5.0),), axle),))
    >>> angles_at(driveline, -20.0).joints_deg.round(3)
    array([1.238, 1.238])
    """
    changes = np.asarray(height_changes_mm, dtype=np.float64)
    changes = np.broadcast_to(changes, (*changes.shape[:-1], len(driveline.runs)))
    axes, pinions = _parts_at(driveline, changes)
    joints = _angles_between(axes)
    phases = np.cumsum([0.0, *(90.0 + phase for phase in _part_phases(driveline))]) - _joint_planes_deg(axes)
    return Angles(joints, phases, pinions)


def _part_phases(driveline: Driveline) -> list[float]:
    """Return the phasing of every part that carries two joints."""
    phases: list[float] = []
    for run in driveline.runs:
        phases += [*(shaft.phase_deg for shaft in run.shafts), run.axle.through_phase_deg]
    return phases[:-1]


def _parts_at(driveline: Driveline, changes: Array) -> tuple[Array, Array]:
    """Return the axes of all parts, front to rear, shape (..., parts, 3), and the pinions' inclinations."""
    lead = changes.shape[:-1]
    source = np.broadcast_to(_axes(driveline.transmission_deg, driveline.transmission_plan_deg), (*lead, 3))
    parts, pinions = [source[..., np.newaxis, :]], []
    source_shift = np.zeros((*lead, 3))
    for number, run in enumerate(driveline.runs):
        axle, change = run.axle, changes[..., number]
        pitch = pinion_angle_change_deg(axle.arm_length_mm, axle.pivot_height_mm, change)
        lengths = np.array([[shaft.length_mm] for shaft in run.shafts])
        design = lengths * _axes([s.inclination_deg for s in run.shafts], [s.plan_deg for s in run.shafts])
        moved = np.array(np.broadcast_to(design, (*lead, *design.shape)))
        moved[..., 0, :] -= source_shift
        moved[..., -1, :] += _joint_shift(axle, change, pitch, -axle.input_ahead_mm, axle.input_above_mm)
        parts.append(moved / np.linalg.norm(moved, axis=-1, keepdims=True))
        pinions.append(axle.pinion_angle_deg + pitch)
        parts.append(_axes(pinions[-1], axle.plan_deg)[..., np.newaxis, :])
        source_shift = _joint_shift(axle, change, pitch, axle.output_behind_mm, axle.output_above_mm)
    return np.concatenate(parts, axis=-2), np.stack(pinions, axis=-1)


def _joint_shift(axle: DriveAxle, change: Array, pitch_deg: Array, rearward_mm: float, above_mm: float) -> Array:
    """Return how far a yoke of the axle moves against the frame, shape (..., 3)."""
    length, before = axle.arm_length_mm, axle.pivot_height_mm
    after = before + change
    # Difference of the arm's two reaches, written so that an infinite arm gives 0 instead of inf - inf.
    reaches = length * (np.sqrt(1.0 - (before / length) ** 2) + np.sqrt(1.0 - (after / length) ** 2))
    pitch = np.deg2rad(pitch_deg)
    turned_x = rearward_mm * (np.cos(pitch) - 1.0) + above_mm * np.sin(pitch)
    turned_z = above_mm * (np.cos(pitch) - 1.0) - rearward_mm * np.sin(pitch)
    x = (before**2 - after**2) / reaches + turned_x
    return np.stack([x, np.zeros_like(x), turned_z - change], axis=-1)


def _axes(inclinations_deg: ArrayLike, plan_deg: ArrayLike) -> Array:
    """Return unit vectors, rearward, shape (..., 3)."""
    down, left = np.broadcast_arrays(
        np.tan(np.deg2rad(np.asarray(inclinations_deg, dtype=np.float64))),
        np.tan(np.deg2rad(np.asarray(plan_deg, dtype=np.float64))),
    )
    vectors = np.stack([np.ones_like(down), left, -down], axis=-1)
    return np.asarray(vectors / np.linalg.norm(vectors, axis=-1, keepdims=True))


def _angles_between(axes: Array) -> Array:
    """Return the angle between each part and the next, accurate down to nought. [deg]"""
    first, second = axes[..., :-1, :], axes[..., 1:, :]
    sine = np.linalg.norm(np.cross(first, second), axis=-1)
    return np.asarray(np.rad2deg(np.arctan2(sine, (first * second).sum(axis=-1))))


def _joint_planes_deg(axes: Array) -> Array:
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
