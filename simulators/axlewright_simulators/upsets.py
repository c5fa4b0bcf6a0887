"""The sizes of all faults over a block of windows, laid out as the plant's arrays are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import msgspec
import numpy as np
from numpy.typing import NDArray

from axlewright_simulators.faults import WHOLE_TRUCK, Fault, Kind, axle_levels, on_rows

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Upsets:
    """All faults over t windows of n trucks with r drive axles.

    ``by_truck`` and ``by_row`` hold the sizes of the kinds that occur, (t, n) and (t, r); ``leak_per_h`` is (t, n, 2);
    ``fills`` lists (step, row, fill) of services that set a sump's fill.
    """

    shape: tuple[int, int, int]
    by_truck: dict[str, Array]
    by_row: dict[str, Array]
    leak_per_h: Array
    thickness: Array
    fills: dict[int, list[tuple[int, float]]]
    faults: tuple[Fault, ...]

    def truck(self, kind: Kind) -> Array:
        """Return the size of a whole-truck kind, (t, n)."""
        steps, trucks, _ = self.shape
        return self.by_truck.get(kind, np.broadcast_to(0.0, (steps, trucks)))

    def row(self, kind: Kind) -> Array:
        """Return the size of a kind on each drive axle, (t, r)."""
        steps, _, rows = self.shape
        return self.by_row.get(kind, np.broadcast_to(0.0, (steps, rows)))

    @classmethod
    def gather(
        cls,
        faults: Sequence[Fault],
        vehicles: Sequence[str],
        axle_vehicles: Sequence[str],
        axle_positions: Sequence[int],
        edges_s: Array,
    ) -> Upsets:
        """Return the sizes at the windows' ends; faults that lie wholly in the future or the past are passed over."""
        time_s = edges_s[1:]
        live = [fault for fault in faults if _touches(fault, float(edges_s[0]), float(edges_s[-1]))]
        whole = [0] * len(vehicles)
        anywhere = [msgspec.structs.replace(fault, axle=0) for fault in live if fault.kind in WHOLE_TRUCK]
        kinds = {fault.kind for fault in live}
        leaks = np.zeros((time_s.size, len(vehicles), 2))
        for number, side in enumerate(("left", "right")):
            on_side = [fault for fault in anywhere if fault.side in (side, "both")]
            leaks[:, :, number] = axle_levels(on_side, "air-leak", vehicles, whole, time_s)
        thickness = np.ones((time_s.size, len(axle_vehicles)))
        for fault, rows in on_rows(live, ("lube-grade",), axle_vehicles, axle_positions):
            thickness[:, rows] *= 1.0 + (fault.severity - 1.0) * fault.share(time_s)[:, None]
        return cls(
            (time_s.size, len(vehicles), len(axle_vehicles)),
            {kind: axle_levels(anywhere, kind, vehicles, whole, time_s) for kind in kinds & WHOLE_TRUCK},
            {
                kind: axle_levels(live, kind, axle_vehicles, axle_positions, time_s)
                for kind in kinds - WHOLE_TRUCK - {"lube-grade", "set-fill"}
            },
            leaks,
            thickness,
            _fills(live, axle_vehicles, axle_positions, edges_s),
            tuple(live),
        )


def _touches(fault: Fault, begin_s: float, end_s: float) -> bool:
    over_s = np.inf if fault.end_s is None or fault.repeat_s is not None else fault.end_s
    return fault.onset_s <= end_s and over_s >= begin_s


def _fills(
    faults: Sequence[Fault], vehicles: Sequence[str], positions: Sequence[int], edges_s: Array
) -> dict[int, list[tuple[int, float]]]:
    """Return what each step sets: a shop fills a sump once, in the window in which the fault begins."""
    found: dict[int, list[tuple[int, float]]] = {}
    for fault, rows in on_rows(faults, ("set-fill",), vehicles, positions):
        if edges_s[0] < fault.onset_s <= edges_s[-1]:
            step = int(np.searchsorted(edges_s, fault.onset_s)) - 1
            found.setdefault(step, []).extend((row, fault.severity) for row in rows)
    return found
