"""Readings kept for the plots: means over some hours of the trucks that a reader may want to look at."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from axlewright_server.detectors.table import AxleTable
from axlewright_server.evaluation.hourly import AXLE_CHANNELS, HOUR_S, Hours

STEP_H = 3


@dataclass(frozen=True)
class Series:
    """One truck's course: ``axle`` is (steps, drive axles, len(AXLE_CHANNELS)), ``speed`` and ``ambient`` (steps,)."""

    times_s: NDArray[np.float64]
    positions: tuple[int, ...]
    axle: NDArray[np.float32]
    speed: NDArray[np.float32]
    ambient: NDArray[np.float32]

    def channel(self, name: str) -> NDArray[np.float32]:
        """Return one channel of all drive axles, (steps, axles)."""
        return self.axle[:, :, AXLE_CHANNELS.index(name)]


def write(path: Path, table: AxleTable, hours: Hours, vehicles: Sequence[str]) -> None:
    """Write the courses of some trucks into an npz file."""
    arrays: dict[str, NDArray[np.generic]] = {"times_s": _last(hours.times_s)}
    for name in vehicles:
        number = table.vehicles.index(name)
        rows = np.flatnonzero(table.vehicle == number)
        arrays[f"{name}/axle"] = _mean(hours.driving[:, rows])
        arrays[f"{name}/whole"] = _mean(np.stack([hours.speed[:, number], hours.ambient[:, number]], axis=1))
        arrays[f"{name}/positions"] = table.position[rows]
    with path.open("wb") as file:
        np.savez_compressed(file, allow_pickle=False, **arrays)


def read(path: Path, vehicle: str) -> Series | None:
    """Return a truck's course, None where it was not kept."""
    if not path.is_file():
        return None
    with np.load(path) as kept:
        if f"{vehicle}/axle" not in kept:
            return None
        whole = kept[f"{vehicle}/whole"]
        positions = tuple(int(number) for number in kept[f"{vehicle}/positions"])
        return Series(kept["times_s"], positions, kept[f"{vehicle}/axle"], whole[:, 0], whole[:, 1])


def _last(times_s: NDArray[np.float64]) -> NDArray[np.float64]:
    steps = -(-len(times_s) // STEP_H)
    begin = times_s[0] - HOUR_S if len(times_s) else 0.0
    return np.asarray(begin + STEP_H * HOUR_S * np.arange(1, steps + 1))


def _mean(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return means over :data:`STEP_H` hours of the first axis, NaN where nothing was measured."""
    short = -len(values) % STEP_H
    padded = np.concatenate([values, np.full((short, *values.shape[1:]), np.nan, np.float32)])
    parts = padded.reshape(-1, STEP_H, *values.shape[1:])
    count = np.sum(~np.isnan(parts), axis=1)
    total = np.nansum(parts, axis=1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan).astype(np.float32)
