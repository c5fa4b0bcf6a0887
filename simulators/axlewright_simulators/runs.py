"""What really happened in a scenario: the record that evaluation holds the monitor's answer against.

Written as JSON beside the readings; never on the wire. Times are Unix seconds.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from pathlib import Path
from typing import Protocol

import msgspec

from axlewright_models.errors import ModelError
from axlewright_models.shop.service import ServiceEvent
from axlewright_simulators.failures import HOW
from axlewright_simulators.faults import Fault
from axlewright_simulators.knobs import Knobs, missing_channels
from axlewright_simulators.state import PlantState


class Consequence(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A vibration source that a fault has set shaking: on which axle, and since when. [s]"""

    source: str
    axle: int
    since_s: float


class ScenarioRun(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One scenario on one truck, drawn from its distributions, with its truth.

    Parameters
    ----------
    name, title : str
        Scenario, as in :data:`axlewright_simulators.library.LIBRARY`.
    kind : str
        ``"slow"`` (develops over weeks), ``"sudden"``, ``"sensor"`` or ``"harmless"``.
    vehicle : str
    axle : int
        Position from the front; 0 where the whole truck is meant.
    onset_s : float
        When it begins. [s]
    severity : float
        Size at full development, in the unit of `severity_meaning`.
    development_s : float
        Time from onset to full size; 0 means at once. [s]
    end_s : float
        How long it is worth watching. [s]
    faults : tuple of Fault
        What the simulator is to do.
    services : tuple of ServiceEvent
        Shop visits to be recorded as such, as an office would.
    expected : tuple of str
        Causes (ids of the office's causes) of which the first named should be one; empty: no advisory is right.
    detectable : bool
        Whether this truck's sensors can show it at all; `reason` says why not.
    harmless : bool
        Whether the right answer is no advisory at all.
    source : str
        Vibration source word, where it is one.
    needs : tuple of str
        Channels of which one must be there for it to be seen.
    functional_failure_s : float, optional
        When the axle stopped doing its work, by the physics; None: not within the run. [s]
    failure : str
        How it failed.
    brought_about : tuple of Consequence
        Vibration sources besides `source` that shake as well in the end, by the physics.
    """

    name: str
    title: str
    kind: str
    vehicle: str
    axle: int
    onset_s: float
    severity: float
    severity_meaning: str
    development_s: float
    end_s: float
    faults: tuple[Fault, ...]
    services: tuple[ServiceEvent, ...] = ()
    expected: tuple[str, ...] = ()
    detectable: bool = True
    reason: str = ""
    harmless: bool = False
    source: str = ""
    needs: tuple[str, ...] = ()
    functional_failure_s: float | None = None
    failure: str = ""
    brought_about: tuple[Consequence, ...] = ()


def write_runs(path: Path, runs: Iterable[ScenarioRun]) -> None:
    """Write runs as JSON, by onset."""
    ordered = sorted(runs, key=lambda run: (run.onset_s, run.vehicle, run.name))
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(msgspec.json.format(msgspec.json.encode(ordered, order="sorted"), indent=2))


def read_runs(path: str | Path) -> list[ScenarioRun]:
    """Return the runs that :func:`write_runs` wrote.

    Raises
    ------
    ModelError
        The file cannot be read or holds something else.
    """
    try:
        return msgspec.json.decode(Path(path).read_bytes(), type=list[ScenarioRun])
    except OSError as error:
        raise ModelError(f"{path}: cannot be read: {error}") from error
    except (msgspec.DecodeError, msgspec.ValidationError) as error:
        raise ModelError(f"{path}: holds no scenario runs: {error}") from error


class Driven(Protocol):
    """What the truth needs of a simulator that has driven."""

    axle_vehicles: tuple[str, ...]
    axle_positions: tuple[int, ...]
    state: PlantState
    seed: int
    knobs: Knobs


def completed(runs: Iterable[ScenarioRun], simulator: Driven) -> list[ScenarioRun]:
    """Return the runs with the functional failures that the physics brought about in a simulator that drove them.

    The first failure of any drive axle of the truck counts, whichever axle the fault began on. Where the knobs took
    the sensors that would show a fault, it is no longer detectable.
    """
    done = []
    for each in runs:
        run = _without_missing(each, simulator)
        rows = [row for row, name in enumerate(simulator.axle_vehicles) if name == run.vehicle]
        failed = [row for row in rows if not math.isnan(simulator.state.failed_s[row])]
        if failed:
            first = min(failed, key=lambda row: float(simulator.state.failed_s[row]))
            words = f"{HOW[int(simulator.state.failed_how[first])]}, axle {simulator.axle_positions[first]}"
            when_s = float(simulator.state.failed_s[first])
            run = msgspec.structs.replace(run, functional_failure_s=when_s, failure=words)
        done.append(run)
    return done


def _without_missing(run: ScenarioRun, simulator: Driven) -> ScenarioRun:
    """Return the run as not detectable if no axle that it concerns has a sensor left that shows it."""
    if not (run.detectable and run.needs and simulator.knobs.missing_sensors):
        return run
    for vehicle, position in zip(simulator.axle_vehicles, simulator.axle_positions, strict=True):
        if vehicle == run.vehicle and run.axle in (0, position):
            gone = missing_channels(vehicle, position, simulator.seed, simulator.knobs.missing_sensors)
            if any(not _among(need, gone) for need in run.needs):
                return run
    reason = f"the sensors that show it are missing: {', '.join(run.needs)}"
    return msgspec.structs.replace(run, detectable=False, reason=reason)


def _among(channel: str, gone: tuple[str, ...]) -> bool:
    return any(channel == name or (name.endswith("/") and channel.startswith(name)) for name in gone)
