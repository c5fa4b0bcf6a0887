"""The demonstration: an invented haulier's trucks with weeks behind them, the office, and agents that drive on live.

Everything lies in one folder: ``fleet.toml``, ``trucks/`` (state, agent configuration, outbox), ``office/`` (the
store), ``history/`` (replay tables), ``truth/`` (what really went wrong), ``logs/``, and ``demo.json`` with the seed.
"""

from __future__ import annotations

import math
import shutil
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec
import numpy as np
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from axlewright_models.errors import ModelError
from axlewright_models.spec import FleetSpec, load_fleet
from axlewright_simulators.agents import agent_paths, write_agents
from axlewright_simulators.demo_fleet import demo_fleet_text
from axlewright_simulators.faults import Fault
from axlewright_simulators.fleet import FleetSimulator, joined_state
from axlewright_simulators.history import write_history
from axlewright_simulators.processes import (
    Child,
    Stopped,
    answers,
    require_free_ports,
    run_to_end,
    stoppable,
    wait_until,
    watch,
)
from axlewright_simulators.scenarios import DEMO_PARKED, demo_faults
from axlewright_simulators.state import TruckFile, load_truck
from axlewright_simulators.truth import write_truth

DAY_S = 86400.0
SAVE_MARGIN_S = 75.0  # a truck's last windows may lie this long after its last saved state
LONGEST_GAP_DAYS = 60.0


class Notes(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What ``demo.json`` remembers: the mark of a demonstration's folder, and whether its preparation was finished."""

    seed: int
    begun_s: float
    ready: bool


@dataclass(frozen=True)
class DemoOptions:
    """What the command line asks for."""

    data: Path
    page_port: int
    broker_port: int
    history_days: float
    seed: int
    fresh: bool
    history: bool


@dataclass(frozen=True)
class DemoPaths:
    """Where things lie in the demonstration's folder."""

    data: Path

    @property
    def notes(self) -> Path:
        """Return the mark of a demonstration's folder."""
        return self.data / "demo.json"

    @property
    def fleet(self) -> Path:
        """Return the fleet file."""
        return self.data / "fleet.toml"

    @property
    def office(self) -> Path:
        """Return the office's folder."""
        return self.data / "office"

    @property
    def trucks(self) -> Path:
        """Return the folder of all trucks."""
        return self.data / "trucks"

    def log(self, name: str) -> Path:
        """Return a child's log file."""
        return self.data / "logs" / f"{name}.log"


def run_demo(options: DemoOptions, console: Console) -> int:
    """Run the demonstration until it is told to stop and return the exit code."""
    paths = DemoPaths(options.data.resolve())
    require_free_ports([("page", options.page_port, "--page-port"), ("broker", options.broker_port, "--broker-port")])
    office, agents = _children(paths, options)
    try:
        with stoppable():
            try:
                fleet = _prepare(paths, options, console)
                _start(paths, options, fleet, office, agents, console)
                watch([office, agents], lambda text: console.print(f"[bold]{text}[/bold]"))
            finally:
                agents.stop()
                office.stop()
    except Stopped:
        console.print("Ended: the trucks first, then the office.")
    return 0


def _children(paths: DemoPaths, options: DemoOptions) -> tuple[Child, Child]:
    serve = ["serve", "--fleet", str(paths.fleet), "--data", str(paths.office)]
    serve += ["--page-port", str(options.page_port), "--broker-port", str(options.broker_port)]
    vehicles = _vehicles_of_package()
    agent = ["agent"]
    for vehicle in vehicles:
        agent += ["--config", str(agent_paths(paths.trucks, vehicle).configuration)]
    return Child("the office", serve, paths.log("office")), Child("the trucks", agent, paths.log("trucks"))


def _vehicles_of_package() -> Sequence[str]:
    from axlewright_simulators.demo_fleet import demo_fleet

    return tuple(demo_fleet().vehicles)


def _prepare(paths: DemoPaths, options: DemoOptions, console: Console) -> FleetSpec:
    """Make or go on with the demonstration's folder: fleet file, history up to now, truth, trucks."""
    notes = read_notes(paths)
    known = notes is not None and notes.ready and not options.fresh
    if not known:
        clear_demo(paths)
        paths.data.mkdir(parents=True, exist_ok=True)
        write_notes(paths, Notes(options.seed, time.time(), ready=False))
    paths.fleet.write_text(demo_fleet_text(), encoding="utf-8")
    fleet = load_fleet(paths.fleet)
    console.print(f"[bold]{fleet.name}[/bold], {len(fleet.vehicles)} trucks, region: {fleet.region}")
    trucks = _continued(paths, options, fleet, console) if known else _begun(paths, options, fleet, console)
    write_agents(paths.trucks, paths.fleet, fleet.fleet, f"mqtt://127.0.0.1:{options.broker_port}", trucks)
    if not known:
        write_notes(paths, Notes(options.seed, time.time(), ready=True))
    return fleet


def read_notes(paths: DemoPaths) -> Notes | None:
    """Return what the last run noted; None when there was none, or it left nothing legible."""
    try:
        return msgspec.json.decode(paths.notes.read_bytes(), type=Notes)
    except (OSError, msgspec.DecodeError):
        return None


def write_notes(paths: DemoPaths, notes: Notes) -> None:
    """Mark the folder as a demonstration's."""
    paths.notes.write_bytes(msgspec.json.encode(notes))


def clear_demo(paths: DemoPaths) -> None:
    """Remove a demonstration's folder, and only such a one.

    Raises
    ------
    ModelError
        The folder holds something else.
    """
    if not paths.data.exists():
        return
    if not paths.notes.exists() and any(paths.data.iterdir()):
        raise ModelError(
            f"{paths.data} is not empty and no demonstration's folder (it has no demo.json); it is left as it is: "
            "choose another with --data"
        )
    shutil.rmtree(paths.data)


def _begun(paths: DemoPaths, options: DemoOptions, fleet: FleetSpec, console: Console) -> list[TruckFile]:
    now = _last_whole_minute()
    faults = demo_faults(fleet, now)
    begin = now - (options.history_days * DAY_S if options.history else 0.0)
    simulator = FleetSimulator(
        fleet, seed=options.seed, anchor_s=now, begin_s=begin, faults=faults, parked_at_anchor=DEMO_PARKED
    )
    if options.history and options.history_days > 0.0:
        _fill(paths, simulator, now, console)
    # What is to happen after the start counts from here, not from before the history was made.
    simulator.faults = _renewed(faults, now, time.time())
    write_truth(paths.data / "truth", simulator.faults)
    return [simulator.truck_file(vehicle) for vehicle in simulator.vehicles]


def _last_whole_minute() -> float:
    """Return where history ends: never ahead of now, and no live window begins before it."""
    return math.floor(time.time() / 60.0) * 60.0


def _renewed(faults: Sequence[Fault], planned_s: float, begun_s: float) -> tuple[Fault, ...]:
    """Return the faults with those yet to come moved on by the time that the preparation took."""
    return tuple(
        msgspec.structs.replace(fault, onset_s=fault.onset_s + begun_s - planned_s)
        if fault.onset_s > planned_s
        else fault
        for fault in faults
    )


def _continued(paths: DemoPaths, options: DemoOptions, fleet: FleetSpec, console: Console) -> list[TruckFile]:
    """Go on with a folder: what the trucks did since the last run is driven at once and loaded as history."""
    files = [load_truck(agent_paths(paths.trucks, vehicle).state) for vehicle in fleet.vehicles]
    now = _last_whole_minute()
    last = max(file.time_s for file in files)
    if not options.history or any(not file.stretch for file in files) or now - last < 2.0 * SAVE_MARGIN_S:
        return files
    if now - last > LONGEST_GAP_DAYS * DAY_S:
        raise ModelError(
            f"the last run ended {(now - last) / DAY_S:.0f} days ago; begin anew with --fresh, or go on without the "
            "time between with --no-history"
        )
    console.print(f"Going on: the last run ended {(now - last) / 3600.0:.1f} hours ago.")
    simulator = FleetSimulator(
        fleet,
        seed=files[0].seed,
        anchor_s=now,
        begin_s=last,
        faults=[fault for file in files for fault in file.faults],
        parked_at_anchor=DEMO_PARKED,
        state=joined_state(files),
    )
    # The first minute was told live already, and truth about it is with the office.
    simulator.advance(np.array([last, last + SAVE_MARGIN_S]))
    _fill(paths, simulator, now, console)
    return [simulator.truck_file(vehicle) for vehicle in simulator.vehicles]


def _fill(paths: DemoPaths, simulator: FleetSimulator, end_s: float, console: Console) -> None:
    """Drive up to `end_s`, write that as a replay table and load it through the office's offline path."""
    table = paths.data / "history" / f"until-{int(end_s)}.parquet"
    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.percentage:>3.0f} %"))
    with Progress(*columns, TimeElapsedColumn(), console=console) as progress:
        task = progress.add_task(f"Driving {(end_s - simulator.time_s) / DAY_S:.1f} days of history", total=1.0)
        write_history(simulator, end_s, table, progress=lambda done: progress.update(task, completed=done))
    words = ["load-history", "--fleet", str(paths.fleet), "--data", str(paths.office), str(table)]
    code = run_to_end(words)
    if code != 0:
        raise ModelError(f"loading the history failed with exit code {code}; see its message above")


def _start(
    paths: DemoPaths, options: DemoOptions, fleet: FleetSpec, office: Child, agents: Child, console: Console
) -> None:
    page = f"http://127.0.0.1:{options.page_port}"
    with console.status("Opening the office"):
        office.start()
        wait_until(lambda: answers(f"{page}/readyz"), office)
    agents.start()
    console.print(f"{len(fleet.vehicles)} trucks are on their way to mqtt://127.0.0.1:{options.broker_port}")
    console.print(f"The page: [bold]{page}[/bold]  (the truth is in {paths.data / 'truth'})")
    console.print("Ctrl-C ends everything; the same command goes on where it was.")
