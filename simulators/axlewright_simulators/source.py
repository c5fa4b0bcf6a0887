"""One simulated truck for the edge's ``simulated`` source.

The truck goes on from a state file and keeps it up to date, so a demonstration that is stopped and started again
goes on where it was. The file lies beside the truck, as the truth does; nothing of it is ever sent.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from axlewright_models.spec import FleetSpec
from axlewright_models.wire.frames import Window
from axlewright_simulators.duty import Duty
from axlewright_simulators.faults import Fault
from axlewright_simulators.fleet import Block, FleetSimulator, joined_state
from axlewright_simulators.state import load_truck, save_truck

LONGEST_STEP_S = 60.0
LONGEST_GAP_S = 36.0 * 3600.0  # a truck that was away longer starts from a cold morning
SAVE_EVERY_S = 60.0


class SimulatedTruck:
    """One truck that hands out successive windows.

    Parameters
    ----------
    fleet : FleetSpec
        The fleet file.
    vehicle : str
        The truck's identifier.
    seed : int
        Draws everything that the state file does not hold.
    state : path, optional
        State file. One that exists is read and gone on from (its seed and faults win); it is kept up to date.
    anchor_s : float, optional
        Unix time that finds the truck on the road; the first window's end when left out. [s]
    faults : sequence of Fault
        What goes wrong with it, when no state file says so.
    duty : Duty, optional
        What to drive in place of working days, such as an external cycle.

    Examples
    --------
    >>> from axlewright_simulators.demo_fleet import demo_fleet
    >>> truck = SimulatedTruck(demo_fleet(), "hv-101", seed=7)
    >>> window = truck.window(time_s=1.7e9, window_s=10.0)
    >>> window.time_s, sorted(window.axles), window.vehicle["speed"] > 30.0
    (1700000000.0, [2, 3], True)
    """

    def __init__(
        self,
        fleet: FleetSpec,
        vehicle: str,
        seed: int = 1,
        state: str | Path | None = None,
        *,
        anchor_s: float | None = None,
        faults: Sequence[Fault] = (),
        duty: Duty | None = None,
    ) -> None:
        fleet.vehicle(vehicle)
        self.fleet = fleet
        self.vehicle = vehicle
        self._seed = seed
        self._path = None if state is None else Path(state)
        self._anchor_s = anchor_s
        self._faults = tuple(fault for fault in faults if fault.vehicle == vehicle)
        self._duty = duty
        self._simulator: FleetSimulator | None = None
        self._saved_s = -math.inf

    @property
    def time_s(self) -> float | None:
        """Return the end of the last window; None before the first. [s]"""
        return None if self._simulator is None else self._simulator.time_s

    def window(self, time_s: float, window_s: float) -> Window:
        """Return the window of length `window_s` that ends at `time_s`; times must rise from call to call.

        Whatever lies between the last window and this one is driven in silence.

        Raises
        ------
        ModelError
            The window would end before the last one did.
        """
        begin = time_s - window_s
        simulator = self._open(begin)
        if simulator.time_s < begin - 1e-3:
            simulator.advance(_edges(simulator.time_s, begin))
        block = simulator.advance(np.array([simulator.time_s, time_s]))
        if time_s - self._saved_s >= SAVE_EVERY_S or time_s < self._saved_s:
            self.save()
        return windows_of(block, simulator, self.vehicle)[0]

    def save(self) -> None:
        """Write the state file, if there is one."""
        if self._path is not None and self._simulator is not None:
            save_truck(self._path, self._simulator.truck_file(self.vehicle))
            self._saved_s = self._simulator.time_s

    close = save

    def _open(self, begin_s: float) -> FleetSimulator:
        if self._simulator is None:
            self._simulator = self._restored(begin_s) or self._fresh(begin_s)
        return self._simulator

    def _restored(self, begin_s: float) -> FleetSimulator | None:
        if self._path is None or not self._path.exists():
            return None
        file = load_truck(self._path)
        known = bool(file.stretch) and -1.0 <= begin_s - file.time_s < LONGEST_GAP_S
        return FleetSimulator(
            self.fleet,
            seed=file.seed,
            anchor_s=file.anchor_s,
            begin_s=file.time_s if known else begin_s,
            vehicles=[self.vehicle],
            faults=file.faults,
            parked_at_anchor=[] if file.drives_at_anchor else [self.vehicle],
            duties=self._duties(),
            state=joined_state([file]) if known else None,
        )

    def _fresh(self, begin_s: float) -> FleetSimulator:
        return FleetSimulator(
            self.fleet,
            seed=self._seed,
            anchor_s=begin_s if self._anchor_s is None else self._anchor_s,
            begin_s=begin_s,
            vehicles=[self.vehicle],
            faults=self._faults,
            duties=self._duties(),
        )

    def _duties(self) -> Mapping[str, Duty] | None:
        return None if self._duty is None else {self.vehicle: self._duty}


def _edges(begin_s: float, end_s: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Return equal steps from begin to end, none longer than the longest."""
    return np.linspace(begin_s, end_s, max(1, math.ceil((end_s - begin_s) / LONGEST_STEP_S)) + 1)


def windows_of(block: Block, simulator: FleetSimulator, vehicle: str) -> list[Window]:
    """Return one truck's windows of a block, missing values left out."""
    index = simulator.vehicles.index(vehicle)
    rows = [row for row, name in enumerate(simulator.axle_vehicles) if name == vehicle]
    return [
        Window(
            time_s=float(end),
            vehicle=_present(block.vehicle, step, index),
            axles={simulator.axle_positions[row]: _present(block.axle, step, row) for row in rows},
        )
        for step, end in enumerate(block.edges_s[1:])
    ]


def _present(
    columns: Mapping[str, np.ndarray[tuple[int, ...], np.dtype[np.float64]]], step: int, column: int
) -> dict[str, float]:
    values = {name: float(array[step, column]) for name, array in columns.items()}
    return {name: value for name, value in values.items() if not math.isnan(value)}
