"""The axle table: one row per monitored axle of the fleet, the row number every array of the server uses."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from axlewright_models.spec import FleetSpec, VehicleSpec


@dataclass(frozen=True)
class AxleTable:
    """The drive axles of a fleet, sorted by vehicle and position.

    ``vehicle``: (n,) number of the row's vehicle in ``vehicles``. ``position``: (n,) counted from the front, steer
    axle 1. ``partner``: (n,) row of the other drive axle of a tandem, -1 without one. ``first`` and ``count``:
    (vehicles,) where a vehicle's rows start and how many there are.
    """

    fleet: str
    vehicles: tuple[str, ...]
    specs: tuple[VehicleSpec, ...]
    vehicle: NDArray[np.int64]
    position: NDArray[np.int64]
    partner: NDArray[np.int64]
    first: NDArray[np.int64]
    count: NDArray[np.int64]
    ride_height_mm: NDArray[np.float64]
    ratio: NDArray[np.float64]
    revolutions_per_km: NDArray[np.float64]
    ring_teeth: NDArray[np.float64]
    _limits: dict[str, NDArray[np.float64]] = field(default_factory=dict, repr=False, compare=False)
    _rows: dict[tuple[str, int], int] = field(default_factory=dict, repr=False, compare=False)
    _numbers: dict[str, int] = field(default_factory=dict, repr=False, compare=False)

    def __len__(self) -> int:
        return len(self.vehicle)

    @classmethod
    def of(cls, spec: FleetSpec) -> AxleTable:
        """Return the table of a fleet file.

        Axles that are not driven (steer, trailing) have no row: their readings are stored, not judged.
        """
        vehicles = tuple(sorted(spec.vehicles))
        rows: list[tuple[int, int]] = []
        for number, name in enumerate(vehicles):
            rows.extend(
                (number, position) for position in sorted(axle.position for axle in spec.vehicles[name].drive_axles)
            )
        return cls._build(spec, vehicles, rows)

    @classmethod
    def _build(cls, spec: FleetSpec, vehicles: tuple[str, ...], rows: list[tuple[int, int]]) -> AxleTable:
        vehicle = np.array([number for number, _ in rows], dtype=np.int64)
        count = np.bincount(vehicle, minlength=len(vehicles)).astype(np.int64)
        first = np.concatenate([[0], np.cumsum(count)[:-1]]).astype(np.int64)
        heights, ratios, revolutions, teeth = [], [], [], []
        for number, position in rows:
            owner = spec.vehicles[vehicles[number]]
            heights.append(owner.ride_height_mm(position))
            ratios.append(owner.axle(position).ratio)
            revolutions.append(float(owner.tyre.revolutions_per_km))
            teeth.append(float(owner.axle(position).ring_teeth))
        return cls(
            fleet=spec.fleet,
            vehicles=vehicles,
            specs=tuple(spec.vehicles[name] for name in vehicles),
            vehicle=vehicle,
            position=np.array([position for _, position in rows], dtype=np.int64),
            partner=_partners(vehicle, first, count),
            first=first,
            count=count,
            ride_height_mm=np.array(heights),
            ratio=np.array(ratios),
            revolutions_per_km=np.array(revolutions),
            ring_teeth=np.array(teeth),
            _rows={(vehicles[number], position): row for row, (number, position) in enumerate(rows)},
            _numbers={name: number for number, name in enumerate(vehicles)},
        )

    def row(self, vehicle: str, position: int) -> int | None:
        """Return the row of an axle, None when it is not monitored."""
        return self._rows.get((vehicle, position))

    def number(self, vehicle: str) -> int | None:
        """Return the number of a vehicle in ``vehicles``, None when the fleet file lacks it."""
        return self._numbers.get(vehicle)

    def vehicle_id(self, row: int) -> str:
        """Return the vehicle's id of a row."""
        return self.vehicles[int(self.vehicle[row])]

    def spec_of(self, row: int) -> VehicleSpec:
        """Return the vehicle specification of a row."""
        return self.specs[int(self.vehicle[row])]

    def limit(self, name: str) -> NDArray[np.float64]:
        """Return a limit as one value per row: the vehicle's own, or the default of ``models.limits``."""
        if name not in self._limits:
            per_vehicle = np.array([spec.limit(name) for spec in self.specs], dtype=np.float64)
            self._limits[name] = per_vehicle[self.vehicle]
        return self._limits[name]


def _partners(vehicle: NDArray[np.int64], first: NDArray[np.int64], count: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return each row's tandem partner: defined where a vehicle has exactly two drive axles."""
    rows = np.arange(len(vehicle), dtype=np.int64)
    other = 2 * first[vehicle] + 1 - rows
    return np.where(count[vehicle] == 2, other, -1)
