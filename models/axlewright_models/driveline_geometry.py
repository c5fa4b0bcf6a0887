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
from axlewright_models.shaft_angles import angles_between_deg, joint_planes_deg, pinion_angle_change_deg, unit_axes

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
    joints = angles_between_deg(axes)
    phases = np.cumsum([0.0, *(90.0 + phase for phase in _part_phases(driveline))]) - joint_planes_deg(axes)
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
    source = np.broadcast_to(unit_axes(driveline.transmission_deg, driveline.transmission_plan_deg), (*lead, 3))
    parts, pinions = [source[..., np.newaxis, :]], []
    source_shift = np.zeros((*lead, 3))
    for number, run in enumerate(driveline.runs):
        axle, change = run.axle, changes[..., number]
        pitch = pinion_angle_change_deg(axle.arm_length_mm, axle.pivot_height_mm, change)
        lengths = np.array([[shaft.length_mm] for shaft in run.shafts])
        design = lengths * unit_axes([s.inclination_deg for s in run.shafts], [s.plan_deg for s in run.shafts])
        moved = np.array(np.broadcast_to(design, (*lead, *design.shape)))
        moved[..., 0, :] -= source_shift
        moved[..., -1, :] += _joint_shift(axle, change, pitch, -axle.input_ahead_mm, axle.input_above_mm)
        parts.append(moved / np.linalg.norm(moved, axis=-1, keepdims=True))
        pinions.append(axle.pinion_angle_deg + pitch)
        parts.append(unit_axes(pinions[-1], axle.plan_deg)[..., np.newaxis, :])
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
