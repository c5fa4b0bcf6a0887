"""All that a simulated fleet remembers between windows, and its form on disk (JSON, one truck per file)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass
from pathlib import Path
from typing import Any, cast

import msgspec
import numpy as np
from numpy.typing import NDArray

from axlewright_models.errors import ModelError
from axlewright_simulators.faults import Fault
from axlewright_simulators.suspension import SuspensionState
from axlewright_simulators.thermal import ThermalState
from axlewright_simulators.wear import WearState

Array = NDArray[np.float64]


@dataclass(frozen=True)
class PlantState:
    """State of n trucks with r drive axles at one moment.

    ``held`` is what hanging sensors hold, (r, channels), NaN where none hangs; ``failed_s`` is when each axle stopped
    doing its work (NaN: it works), ``failed_how`` the number of the failure.
    """

    suspension: SuspensionState
    thermal: ThermalState
    wear: WearState
    sump_kpa: Array
    held: Array
    odometer_km: Array
    failed_s: Array
    failed_how: Array


class TruckFile(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One truck's state on disk: who it is, how its days are laid, what goes wrong, and where it stands now.

    ``stretch`` holds the arrays of :class:`PlantState` by dotted name.
    """

    vehicle: str
    seed: int
    anchor_s: float
    drives_at_anchor: bool
    time_s: float
    faults: tuple[Fault, ...] = ()
    stretch: dict[str, list[Any]] = {}  # nested lists of numbers; None stands for NaN


def flatten(state: object, prefix: str = "") -> dict[str, Array]:
    """Return every array of a nested frozen dataclass under its dotted name."""
    flat: dict[str, Array] = {}
    for part in fields(cast(Any, state)):  # Any: dataclass protocol has no public name
        value = getattr(state, part.name)
        name = f"{prefix}{part.name}"
        if is_dataclass(value):
            flat |= flatten(value, f"{name}.")
        else:
            flat[name] = value
    return flat


def unflatten(flat: Mapping[str, Array]) -> PlantState:
    """Return the plant state that :func:`flatten` took apart.

    Raises
    ------
    ModelError
        An array is missing.
    """
    try:
        return PlantState(
            SuspensionState(**{part.name: flat[f"suspension.{part.name}"] for part in fields(SuspensionState)}),
            ThermalState(**{part.name: flat[f"thermal.{part.name}"] for part in fields(ThermalState)}),
            WearState(**{part.name: flat[f"wear.{part.name}"] for part in fields(WearState)}),
            flat["sump_kpa"],
            flat["held"],
            flat["odometer_km"],
            flat["failed_s"],
            flat["failed_how"],
        )
    except KeyError as error:
        raise ModelError(f"a simulated truck's state lacks {error}; remove the state file to start afresh") from None


def to_lists(array: Array) -> list[Any]:
    """Return an array as nested lists with None for NaN (JSON has no NaN)."""
    whole = array.astype(object)
    whole[np.isnan(array)] = None
    return cast("list[Any]", whole.tolist())


def from_lists(values: list[Any]) -> Array:
    """Return the array that :func:`to_lists` wrote."""
    return np.array(values, dtype=np.float64)


def save_truck(path: Path, truck: TruckFile) -> None:
    """Write a truck's state so that a cut in the middle leaves the old file whole."""
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_name(path.name + ".new")
    temporary.write_bytes(msgspec.json.encode(truck))
    temporary.replace(path)


def load_truck(path: str | Path) -> TruckFile:
    """Return a truck's state from its file.

    Raises
    ------
    ModelError
        The file cannot be read or is not one of ours.
    """
    try:
        return msgspec.json.decode(Path(path).read_bytes(), type=TruckFile)
    except OSError as error:
        raise ModelError(f"{path}: cannot be read: {error}") from error
    except msgspec.DecodeError as error:
        raise ModelError(f"{path}: is no state of a simulated truck: {error}") from error
