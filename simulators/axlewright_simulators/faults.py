"""Faults and harmless events with a known truth: what happens to which axle, from when, how badly.

A fault is a pure function of time, so the same truth drives the past (history) and the live trucks.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Literal, get_args

import msgspec
import numpy as np
from numpy.typing import ArrayLike, NDArray

Kind = Literal[
    "height-valve",
    "lean",
    "air-leak",
    "hunting",
    "lowered",
    "lube-loss",
    "torque-leak",
    "set-fill",
    "lube-grade",
    "breather",
    "brake-drag",
    "tyre-mismatch",
    "bearing-preload",
    "wheel-1",
    "wheel-2",
    "wheel-3",
    "tyre-radius",
    "shaft-unbalance",
    "joint-phase",
    "joint-play",
    "output-play",
    "centre-bearing",
    "misfire",
    "bearing-spall",
    "mesh-wear",
    "lube-sensor",
    "height-sensor",
    "vibration-sensor",
    "overload",
    "mountain-pull",
    "mountain-duty",
]
KINDS: tuple[str, ...] = get_args(Kind)

SEVERITY_MEANING: dict[str, str] = {
    "height-valve": "mm that the valve's set height moves (negative: the truck sits low)",
    "lean": "mm that the right side stands above the left one at rest",
    "air-leak": "share of one side's air lost per hour",
    "hunting": "mm of swing to each side of the set height",
    "lowered": "mm that the driver lowers the truck, negative (harmless)",
    "lube-loss": "share of a full sump lost per hour of driving",
    "torque-leak": "share of a full sump lost per hour of driving at rated torque, past the carrier joint",
    "set-fill": "fill right after service, as share of a full sump",
    "lube-grade": "factor of the lube's viscosity at every temperature",
    "breather": "share of the breather's passage that is blocked, 0 to 1",
    "brake-drag": "N.m of drag at the wheels of the axle",
    "tyre-mismatch": "difference of rolling radius between the drive axles, as a fraction",
    "bearing-preload": "multiple of the axle's own bearing drag that is added",
    "wheel-1": "multiple of the axle's own first wheel order that is added",
    "wheel-2": "multiple of the axle's own second wheel order that is added",
    "wheel-3": "multiple of the axle's own third wheel order that is added",
    "tyre-radius": "change of the drive tyres' rolling radius, as a fraction",
    "shaft-unbalance": "multiple of the shaft's own unbalance that is added",
    "joint-phase": "degrees that the shaft's two yokes are out of phase",
    "joint-play": "play of joints and splines, 1 = worn out",
    "output-play": "end play of the output bearing, 1 = worn out",
    "centre-bearing": "looseness of the centre bearing, 1 = worn out",
    "misfire": "share of one cylinder's work that is missing",
    "bearing-spall": "size of the spall in the pinion bearing, 1 = breaks up",
    "mesh-wear": "wear of the gear set, 1 = ruined",
    "lube-sensor": "K of bias, drift or noise (ignored for other modes)",
    "height-sensor": "mm of bias, drift, noise or loose play (ignored for other modes)",
    "vibration-sensor": "change of gain as a fraction, or share of looseness or noise (ignored for other modes)",
    "overload": "factor of the payload (harmless)",
    "mountain-pull": "grade climbed as a fraction, with a full load (harmless)",
    "mountain-duty": "factor of the roads' grades (harmless)",
}

HARMLESS: frozenset[str] = frozenset({"lowered", "overload", "mountain-pull", "mountain-duty", "tyre-radius"})
WHOLE_TRUCK: frozenset[str] = frozenset({"height-valve", "lean", "air-leak", "hunting", "lowered", "misfire"})
"""One valve and one air circuit a side serve the tandem, so these act on all drive axles whatever axle is told."""

Mode = Literal["stuck", "silent", "drift", "bias", "noise", "loose", "swapped", "wrong-unit"]
MODES: tuple[str, ...] = get_args(Mode)


class Fault(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One fault or harmless event of one truck.

    Parameters
    ----------
    kind : str
        One of :data:`KINDS`.
    vehicle : str
        The truck.
    axle : int
        Position of the axle from the front; 0 where the whole truck is meant.
    onset_s : float
        Unix time at which it starts. [s]
    severity : float
        Size at full development, in the unit that :data:`SEVERITY_MEANING` tells.
    development_s : float
        Time from onset to full size; 0 means at once. [s]
    end_s : float, optional
        Unix time at which it is over; None: it stays. [s]
    repeat_s : float, optional
        Repeats with this period until now (a driver lowers the truck each day). [s]
    side : {"left", "right", "both"}
        The side of an air leak or a height sensor.
    mode : str
        How a sensor fails, one of :data:`MODES`: it holds a value, says nothing, departs slowly or at once, scatters,
        hangs loose, stands in for its counterpart (left for right, forward for rear), or speaks another unit
        (degrees Fahrenheit, inches, multiples of gravity).
    growth : {"line", "accelerating"}
        How it grows: in a straight line, or slowly first and faster later (the square of time, as cracks do).
    """

    kind: Kind
    vehicle: str
    onset_s: float
    severity: float
    axle: int = 0
    development_s: float = 0.0
    end_s: float | None = None
    repeat_s: float | None = None
    side: Literal["left", "right", "both"] = "both"
    mode: Mode = "stuck"
    growth: Literal["line", "accelerating"] = "line"

    @property
    def harmless(self) -> bool:
        """Whether the right answer to it is no advisory at all."""
        return self.kind in HARMLESS

    def share(self, time_s: ArrayLike) -> NDArray[np.float64]:
        """Return how far it has developed, 0 to 1, at Unix times of any shape.

        Examples
        --------
        >>> Fault("air-leak", "t-1", onset_s=100.0, severity=0.2, development_s=100.0).share([50.0, 150.0, 900.0])
        array([0. , 0.5, 1. ])
        """
        time = np.asarray(time_s, dtype=np.float64)
        since = time - self.onset_s
        length = np.inf if self.end_s is None else self.end_s - self.onset_s
        if self.repeat_s is not None:
            since = np.where(since >= 0.0, since % self.repeat_s, since)
        grown = since / self.development_s if self.development_s > 0.0 else np.ones_like(since)
        grown = np.clip(grown, 0.0, 1.0)
        if self.growth == "accelerating":
            grown = grown**2
        return np.where((since >= 0.0) & (since < length), grown, 0.0)

    def level(self, time_s: ArrayLike) -> NDArray[np.float64]:
        """Return its size, in the unit of its severity, at Unix times of any shape."""
        return self.severity * self.share(time_s)


def axle_levels(
    faults: Iterable[Fault], kind: Kind, vehicles: Sequence[str], positions: Sequence[int], time_s: ArrayLike
) -> NDArray[np.float64]:
    """Return the summed size of all faults of one kind per time and axle row.

    Parameters
    ----------
    faults : iterable of Fault
        Those of other kinds, trucks and axles are passed over.
    kind : str
        One of :data:`KINDS`.
    vehicles, positions : sequence, length (r,)
        Truck and axle position of each row. A fault of axle 0 counts for every row of its truck.
    time_s : array_like, shape (t,)
        Unix times. [s]

    Returns
    -------
    ndarray, shape (t, r)
        In the unit of the kind's severity.
    """
    time = np.asarray(time_s, dtype=np.float64)
    levels = np.zeros((time.size, len(vehicles)))
    for fault, rows in on_rows(faults, (kind,), vehicles, positions):
        levels[:, rows] += fault.level(time)[:, None]
    return levels


def on_rows(
    faults: Iterable[Fault], kinds: Sequence[str], vehicles: Sequence[str], positions: Sequence[int]
) -> list[tuple[Fault, list[int]]]:
    """Return the faults of some kinds that meet any row, each with its rows (vehicle and axle position by row)."""
    wanted = [fault for fault in faults if fault.kind in kinds]
    if not wanted:
        return []
    places: dict[str, list[int]] = {}
    for row, vehicle in enumerate(vehicles):
        places.setdefault(vehicle, []).append(row)
    met = []
    for fault in wanted:
        rows = [row for row in places.get(fault.vehicle, ()) if fault.axle in (0, positions[row])]
        if rows:
            met.append((fault, rows))
    return met
