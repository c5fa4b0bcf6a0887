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
    "air-leak",
    "lube-loss",
    "brake-drag",
    "shaft-unbalance",
    "lube-sensor",
    "lowered",
    "mountain-pull",
]
KINDS: tuple[str, ...] = get_args(Kind)

SEVERITY_MEANING: dict[str, str] = {
    "height-valve": "mm that the valve's set height moves (negative: the truck sits low)",
    "air-leak": "share of one side's air lost per hour",
    "lube-loss": "share of a full sump lost per hour of driving",
    "brake-drag": "N.m of drag at the wheels of the axle",
    "shaft-unbalance": "multiple of the shaft's own unbalance that is added",
    "lube-sensor": "K of drift at full development (ignored for a stuck or silent sensor)",
    "lowered": "mm that the driver lowers the truck, negative (harmless)",
    "mountain-pull": "grade climbed as a fraction, with a full load (harmless)",
}

HARMLESS: frozenset[str] = frozenset({"lowered", "mountain-pull"})


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
        Time from onset to full size, in a straight line; 0 means at once. [s]
    end_s : float, optional
        Unix time at which it is over; None: it stays. [s]
    repeat_s : float, optional
        Repeats with this period until now (a driver lowers the truck each day). [s]
    side : {"left", "right", "both"}
        The side of an air leak.
    mode : {"stuck", "silent", "drift"}
        How a sensor fails.
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
    mode: Literal["stuck", "silent", "drift"] = "stuck"

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
        return np.where((since >= 0.0) & (since < length), np.clip(grown, 0.0, 1.0), 0.0)

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
    for fault in faults:
        if fault.kind != kind:
            continue
        for row, (vehicle, position) in enumerate(zip(vehicles, positions, strict=True)):
            if vehicle == fault.vehicle and fault.axle in (0, position):
                levels[:, row] += fault.level(time)
    return levels
