"""What a story of the library is: its causes, how long it is watched, what shows it, and how its size is drawn."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from axlewright_models.shop.service import ServiceEvent
from axlewright_models.spec import VehicleSpec
from axlewright_simulators.faults import Fault, Kind

DAY_S, MINUTE_S = 86400.0, 60.0


@dataclass(frozen=True)
class Place:
    """Where and when a story happens, and what decides its sizes."""

    vehicle: str
    positions: tuple[int, ...]
    onset_s: float
    random: np.random.Generator

    def axle(self) -> int:
        """Return the position of one drive axle, drawn."""
        return self.positions[int(self.random.integers(len(self.positions)))]

    def between(self, low: float, high: float) -> float:
        """Return a size drawn evenly."""
        return float(self.random.uniform(low, high))

    def fault(self, kind: Kind, severity: float, axle: int = 0, days: float = 0.0, **more: object) -> Fault:
        """Return a fault that begins at the onset and takes `days` to its full size."""
        return Fault(kind, self.vehicle, self.onset_s, severity, axle, days * DAY_S, **more)  # type: ignore[arg-type]  # more holds Fault's own fields

    def service(self, axle: int, *touched: str) -> ServiceEvent:
        """Return a shop visit at the onset."""
        return ServiceEvent(self.vehicle, axle, self.onset_s, frozenset(touched))


@dataclass(frozen=True)
class Course:
    """What a story does to a truck: the first fault gives the run its severity; `hidden` says why it cannot be seen."""

    axle: int
    faults: tuple[Fault, ...] = ()
    services: tuple[ServiceEvent, ...] = ()
    hidden: str = ""


@dataclass(frozen=True)
class Story:
    """One scenario of the library.

    ``kind`` is slow, sudden, sensor or harmless; ``causes`` are ids of the office's causes; ``needs`` names channels
    of which one must be fitted for the fault to be seen at all; ``climate`` limits it to trucks of one climate;
    ``unseen`` says why it cannot be seen on a truck, by the physics.
    """

    name: str
    title: str
    kind: str
    draw: Callable[[Place], Course]
    causes: tuple[str, ...] = ()
    source: str = ""
    needs: tuple[str, ...] = ()
    watch_days: float = 21.0
    climate: str = ""
    unseen: Callable[[VehicleSpec, Course], str] | None = None

    @property
    def harmless(self) -> bool:
        """Whether no advisory is the right answer."""
        return self.kind == "harmless"

    @property
    def fits_words(self) -> str:
        """Say which trucks it could happen to."""
        return f"it needs a truck of climate {self.climate!r}" if self.climate else "it needs any truck of the fleet"

    def fits(self, vehicle: VehicleSpec) -> bool:
        """Return whether it can happen to this truck."""
        return not self.climate or vehicle.id.partition("-")[0] == self.climate
