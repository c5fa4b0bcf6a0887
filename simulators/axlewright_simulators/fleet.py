"""Simulated trucks, many at once: duty, suspension, heat, wear and sensors stepped together.

>>> from axlewright_simulators.demo_fleet import demo_fleet
>>> trucks = FleetSimulator(demo_fleet(), seed=1, anchor_s=1.7e9, begin_s=1.7e9 - 600.0)
>>> block = trucks.advance(trucks.time_s + np.arange(0.0, 601.0, 60.0))
>>> block.vehicle["speed"].shape, block.axle["lube"].shape
((10, 14), (10, 28))
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from axlewright_models.errors import ModelError
from axlewright_models.spec import FleetSpec
from axlewright_simulators import plant
from axlewright_simulators.climates import VALE, climate_of
from axlewright_simulators.duty import STEADY, Duty, WorkingDays, draw_habits, prepare
from axlewright_simulators.faults import Fault
from axlewright_simulators.knobs import PLAIN, Knobs, Louder, drop_missing, spread_axles, spread_trucks
from axlewright_simulators.measure import Measurement, measure
from axlewright_simulators.parameters import axle_rows, place_number, traction_of, truck_rows, work_of
from axlewright_simulators.state import PlantState, TruckFile, flatten, from_lists, to_lists, unflatten
from axlewright_simulators.upsets import Upsets
from axlewright_simulators.weather import Weather

Array = NDArray[np.float64]
WARM_UP_S = 5.0 * 3600.0
WARM_UP_STEP_S = 60.0
# Faults that change where and how the truck drives.
EVENTS = ("mountain-pull", "lowered", "overload", "mountain-duty", "tyre-radius")
STEEPEST = 0.085  # of any road, in any climate


@dataclass(frozen=True)
class Block:
    """What t successive windows measured, and beside it the truth.

    ``vehicle`` holds vehicle channels (t, n), ``axle`` axle channels (t, r), in channel units, NaN = missing;
    ``truth`` holds quantities that no truck sends, (t, r); ``lost`` (t, n) tells windows that never arrive.
    """

    edges_s: Array
    vehicle: dict[str, Array]
    axle: dict[str, Array]
    truth: dict[str, Array]
    lost: NDArray[np.bool_]


class FleetSimulator:
    """A fleet of simulated trucks on a common clock that the caller moves.

    Parameters
    ----------
    fleet : FleetSpec
        The fleet file.
    seed : int
        Draws everything: routes, differences, weather, noise.
    anchor_s : float
        Unix time around which the shifts are laid. [s]
    begin_s : float
        Unix time of the first window's start. [s]
    vehicles : sequence of str, optional
        Those to simulate; all of them when left out.
    faults : sequence of Fault
        What goes wrong, and harmless events.
    parked_at_anchor : sequence of str
        Trucks that the anchor finds parked.
    duties : mapping, optional
        Duties to use in place of working days, by vehicle (an external cycle).
    state : PlantState, optional
        Where to go on from; without it the trucks work some hours in silence first.
    knobs : Knobs
        How much harder than usual it is.
    """

    def __init__(
        self,
        fleet: FleetSpec,
        *,
        seed: int,
        anchor_s: float,
        begin_s: float,
        vehicles: Sequence[str] | None = None,
        faults: Sequence[Fault] = (),
        parked_at_anchor: Sequence[str] = (),
        duties: Mapping[str, Duty] | None = None,
        state: PlantState | None = None,
        knobs: Knobs = PLAIN,
    ) -> None:
        self.fleet = fleet
        self.seed = seed
        self.anchor_s = anchor_s
        self.vehicles = tuple(fleet.vehicles if vehicles is None else vehicles)
        self.faults = tuple(faults)
        self.parked_at_anchor = frozenset(parked_at_anchor)
        specs = [fleet.vehicle(name) for name in self.vehicles]
        self.knobs = knobs
        self.axles = spread_axles(axle_rows(specs, seed), self.vehicles, seed, knobs.parameter_spread)
        self.trucks = spread_trucks(truck_rows(specs, seed), self.vehicles, seed, knobs.parameter_spread)
        rough = np.array([climate_of(name).roughness for name in self.vehicles])
        self.trucks = replace(self.trucks, roughness=self.trucks.roughness * rough)
        self.axle_vehicles = tuple(self.vehicles[index] for index in self.axles.truck)
        self.axle_positions = tuple(int(position) for position in self.axles.position)
        self.weather = [Weather(seed, place_number(name), climate_of(name)) for name in self.vehicles]
        self._duties = [
            (duties or {}).get(name) or self._working_days(name, weather)
            for name, weather in zip(self.vehicles, self.weather, strict=True)
        ]
        if state is None:
            self.time_s = begin_s - WARM_UP_S
            ambient = np.array([float(weather.ambient_cel(self.time_s)) for weather in self.weather])
            self.state = plant.initial(self.axles, self.trucks, self.vehicles, ambient, seed)
            self.advance(np.append(np.arange(self.time_s, begin_s - 1e-6, WARM_UP_STEP_S), begin_s))
        else:
            self.time_s = begin_s
            self.state = state

    def _working_days(self, name: str, weather: Weather) -> WorkingDays:
        spec = self.fleet.vehicle(name)
        events = tuple(fault for fault in self.faults if fault.kind in EVENTS and fault.vehicle == name)
        climate = climate_of(name)
        work = work_of(spec)
        hilly = replace(
            work, hilliness=work.hilliness * climate.hills, steepest=min(work.steepest * climate.hills, STEEPEST)
        )
        return WorkingDays(
            hilly,
            traction_of(spec),
            weather,
            self.seed,
            place_number(name),
            self.anchor_s,
            name not in self.parked_at_anchor,
            events,
            # The demonstration's drivers and tyres are all of a kind; those of large fleets are not.
            STEADY if climate is VALE else draw_habits(self.seed, place_number(name)),
        )

    def advance(self, edges_s: Array) -> Block:
        """Drive on through successive windows and return them.

        Parameters
        ----------
        edges_s : ndarray, shape (t + 1,)
            Unix times, rising; the first is where the clock stands. [s]

        Raises
        ------
        ModelError
            The edges do not start at the clock or do not rise.
        """
        edges = np.asarray(edges_s, dtype=np.float64)
        if edges.size < 2 or np.any(np.diff(edges) <= 0.0) or abs(edges[0] - self.time_s) > 1e-3:
            raise ModelError(f"windows must rise from the simulator's clock at {self.time_s:.3f} s")
        working = [duty for duty in self._duties if isinstance(duty, WorkingDays)]
        for duty in working:
            duty.forget(float(edges[0]))  # a year of a large fleet's shifts would fill the memory
        prepare(working, float(edges[0]), float(edges[-1]))
        drive = plant.DriveInput.gather([duty.windows(edges) for duty in self._duties], self.weather, edges)
        upsets = Upsets.gather(self.faults, self.vehicles, self.axle_vehicles, self.axle_positions, edges)
        run = plant.run(self.axles, self.trucks, self.state, drive, upsets, edges[1:])
        places = sum(place_number(name) for name in self.vehicles) % 2**32
        key = [self.seed, places, int(edges[0] * 1000.0)]
        random = Louder(np.random.PCG64([*key, 31]), self.knobs.noise)
        seen: Measurement = measure(self, drive, upsets, run, edges, random)
        self.state = seen.state
        self.time_s = float(edges[-1])
        drop_missing(seen.axle, self.axle_vehicles, self.axle_positions, self.seed, self.knobs.missing_sensors)
        lost = np.random.default_rng([*key, 32]).random((edges.size - 1, len(self.vehicles))) < self.knobs.lost_frames
        return Block(edges, seen.vehicle, seen.axle, run.truth, lost)

    def truck_file(self, vehicle: str) -> TruckFile:
        """Return one truck's state for its own file."""
        index = self.vehicles.index(vehicle)
        rows = np.flatnonzero(self.axles.truck == index)
        stretch = {
            name: to_lists(array[[index]] if _per_truck(name) else array[rows])
            for name, array in flatten(self.state).items()
        }
        return TruckFile(
            vehicle,
            self.seed,
            self.anchor_s,
            vehicle not in self.parked_at_anchor,
            self.time_s,
            tuple(fault for fault in self.faults if fault.vehicle == vehicle),
            stretch,
        )


def _per_truck(name: str) -> bool:
    return name.startswith("suspension.") or name == "odometer_km"


def joined_state(files: Sequence[TruckFile]) -> PlantState:
    """Return the plant state of several trucks' files, in their order."""
    names = files[0].stretch
    return unflatten({name: np.concatenate([from_lists(file.stretch[name]) for file in files]) for name in names})
