"""Simulated trucks alone, against any broker: for load tests and for trying an own office."""

from __future__ import annotations

import math
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from rich.console import Console

from axlewright_models.errors import ModelError
from axlewright_models.spec import FleetSpec, load_fleet
from axlewright_simulators.agents import write_agents
from axlewright_simulators.faults import Fault
from axlewright_simulators.processes import Child, Stopped, stoppable, watch
from axlewright_simulators.scenarios import parse_scenario
from axlewright_simulators.state import TruckFile
from axlewright_simulators.truth import write_truth


@dataclass(frozen=True)
class ConvoyOptions:
    """What the command line asks for."""

    fleet: Path
    broker_url: str
    count: int | None
    seed: int
    begin_s: float | None
    speed_up: float
    window_s: float
    scenarios: tuple[str, ...]
    data: Path | None


def run_convoy(options: ConvoyOptions, console: Console) -> int:
    """Run the trucks until told to stop and return the exit code."""
    fleet = load_fleet(options.fleet)
    if options.data is not None:
        return _run(options, fleet, options.data.resolve(), console)
    with tempfile.TemporaryDirectory(prefix="axlewright-trucks-") as folder:
        return _run(options, fleet, Path(folder), console)


def convoy_trucks(options: ConvoyOptions, fleet: FleetSpec, now_s: float) -> tuple[list[TruckFile], tuple[Fault, ...]]:
    """Return the trucks' files and everything that will go wrong.

    Raises
    ------
    ModelError
        More trucks are asked for than the fleet has, or the beginning lies ahead of now.
    """
    count = len(fleet.vehicles) if options.count is None else options.count
    if not 1 <= count <= len(fleet.vehicles):
        raise ModelError(f"--count is {count}, but the fleet {fleet.fleet!r} has 1 to {len(fleet.vehicles)} trucks")
    begin = now_s if options.begin_s is None else options.begin_s
    if begin > now_s:
        raise ModelError("--begin lies in the future; simulated trucks never drive ahead of the clock")
    faults = tuple(parse_scenario(fleet, text, begin) for text in options.scenarios)
    vehicles = list(fleet.vehicles)[:count]
    missing = sorted({fault.vehicle for fault in faults} - set(vehicles))
    if missing:
        raise ModelError(f"--scenario names {', '.join(missing)}, which --count leaves at home")
    trucks = [
        TruckFile(vehicle, options.seed, begin, True, begin, tuple(f for f in faults if f.vehicle == vehicle))
        for vehicle in vehicles
    ]
    return trucks, faults


def _run(options: ConvoyOptions, fleet: FleetSpec, folder: Path, console: Console) -> int:
    trucks, faults = convoy_trucks(options, fleet, math.floor(time.time()))
    if faults:
        write_truth(folder / "truth", faults)
    configurations = write_agents(
        folder / "trucks",
        options.fleet.resolve(),
        fleet.fleet,
        options.broker_url,
        trucks,
        begin_s=options.begin_s,
        speed_up=options.speed_up,
        window_s=options.window_s,
    )
    child = Child("the trucks", _words(configurations), folder / "logs" / "trucks.log")
    try:
        with stoppable():
            try:
                child.start()
                console.print(f"{len(trucks)} trucks drive for {options.broker_url}. Ctrl-C ends them.")
                watch([child], console.print)
            finally:
                child.stop()
    except Stopped:
        console.print("Ended.")
    return 0


def _words(configurations: Sequence[Path]) -> list[str]:
    words = ["agent"]
    for configuration in configurations:
        words += ["--config", str(configuration)]
    return words
