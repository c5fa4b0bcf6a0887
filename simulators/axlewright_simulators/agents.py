"""Configuration of the edge agents that drive simulated trucks."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from axlewright_simulators.state import TruckFile, save_truck


@dataclass(frozen=True)
class AgentPaths:
    """Where one truck's files lie."""

    folder: Path

    @property
    def configuration(self) -> Path:
        """Return its agent's configuration."""
        return self.folder / "agent.toml"

    @property
    def state(self) -> Path:
        """Return the simulated truck's state."""
        return self.folder / "state.json"

    @property
    def outbox(self) -> Path:
        """Return its outbox."""
        return self.folder / "outbox.sqlite"


def agent_paths(trucks_folder: Path, vehicle: str) -> AgentPaths:
    """Return where a truck's files lie beneath the folder of all trucks."""
    return AgentPaths(trucks_folder / vehicle)


def write_agents(
    trucks_folder: Path,
    fleet_file: Path,
    fleet: str,
    broker_url: str,
    trucks: Sequence[TruckFile],
    *,
    begin_s: float | None = None,
    speed_up: float = 1.0,
    window_s: float = 10.0,
) -> list[Path]:
    """Write state and agent configuration of each truck and return the configurations' paths."""
    written = []
    for truck in trucks:
        paths = agent_paths(trucks_folder, truck.vehicle)
        save_truck(paths.state, truck)
        text = agent_text(paths, fleet_file, fleet, broker_url, truck, begin_s, speed_up, window_s)
        paths.configuration.write_text(text, encoding="utf-8")
        written.append(paths.configuration)
    return written


def agent_text(
    paths: AgentPaths,
    fleet_file: Path,
    fleet: str,
    broker_url: str,
    truck: TruckFile,
    begin_s: float | None,
    speed_up: float,
    window_s: float,
) -> str:
    """Return the configuration of one agent, as the edge reads it."""
    lines = [
        "# Written for a simulated truck; see edge/README.md for a real one.",
        f"fleet = {_text(fleet)}",
        f"vehicle = {_text(truck.vehicle)}",
        f"window_s = {window_s}",
        "",
        "[outbox]",
        f"path = {_text(paths.outbox)}",
        "",
        "[broker]",
        f"url = {_text(broker_url)}",
        "",
        "[source]",
        'kind = "simulated"',
        f"fleet_file = {_text(fleet_file)}",
        f"state_file = {_text(paths.state)}",
        f"seed = {truck.seed}",
        f"speed_up = {speed_up}",
    ]
    if begin_s is not None:
        moment = datetime.fromtimestamp(begin_s, UTC)
        lines.append(f"begin = {moment.isoformat(timespec='milliseconds')}")
    return "\n".join(lines) + "\n"


def _text(value: object) -> str:
    # A JSON string is a TOML basic string.
    return json.dumps(str(value))
