"""Recorded readings for the acceptance tests: invented, from a seed, with faults that any monitor should see."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

_VIBRATION = {
    "vib/rms": 2.0,
    "vib/kurtosis": 3.0,
    "vib/order/wheel-1": 0.30,
    "vib/order/driveshaft-1": 0.40,
    "vib/order/driveshaft-2": 0.25,
    "vib/order/mesh-1": 0.80,
}


@dataclass(frozen=True)
class Recording:
    """One truck's recording and how many windows it holds."""

    vehicle: str
    file: Path
    windows: int


def write_fleet(path: Path, trucks: int) -> Path:
    """Write a fleet file of so many trucks of one type."""
    text = 'fleet = "yard"\nname = "One yard"\n[types.tractor]\ntitle = "6x4 tractor"\n'
    text += "".join(f'[vehicles.t-{number}]\ntype = "tractor"\n' for number in range(1, trucks + 1))
    path.write_text(text, encoding="utf-8")
    return path


def write_recordings(
    folder: Path, trucks: int, windows: int, end_s: float, seed: int, window_s: float = 10.0
) -> list[Recording]:
    """Write one table per truck, all ending at `end_s`.

    Halfway, every third truck's valve is knocked 25 mm out of set, and every fourth truck's driveshaft loses a weight
    (its first order grows fivefold). The rest stay healthy.
    """
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(seed)
    times = np.round(end_s - window_s * np.arange(windows)[::-1], 3)
    return [_write(folder, number, times, rng) for number in range(1, trucks + 1)]


def _write(folder: Path, number: int, times: NDArray[np.float64], rng: np.random.Generator) -> Recording:
    vehicle = f"t-{number}"
    path = folder / f"{vehicle}.csv"
    count = len(times)
    later = np.arange(count) >= count // 2
    low_mm = 25.0 * later if number % 3 == 0 else np.zeros(count)
    growth = np.where(later & (number % 4 == 0), 5.0, 1.0)
    speed = 80.0 + rng.normal(0.0, 1.0, count)
    lube = 80.0 + rng.normal(0.0, 0.3, (count, 2))
    height = 240.0 - low_mm[:, None, None] + rng.normal(0.0, 1.5, (count, 2, 2))
    vibration = np.exp(rng.normal(0.0, 0.12, (count, 2, len(_VIBRATION)))) * list(_VIBRATION.values())
    vibration[:, :, list(_VIBRATION).index("vib/order/driveshaft-1")] *= growth[:, None]
    odometer = 100_000.0 + np.cumsum(speed) * (times[1] - times[0]) / 3600.0
    vehicle_names = [
        "speed",
        "shaft-speed",
        "torque",
        "gear",
        "ambient",
        "parked",
        "ignition",
        "odometer",
        "height-mode",
    ]
    axle_names = ["lube", "height/left", "height/right", *_VIBRATION]
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(["time_ms", "vehicle", "axle", *vehicle_names, *axle_names])
        for k, time_s in enumerate(times):
            stamp = round(time_s * 1000)
            shaft = speed[k] * 318.0 / 60.0 * 41.0 / 12.0
            own = [f"{speed[k]:.3f}", f"{shaft:.2f}", "600", "1", "12", "0", "1", f"{odometer[k]:.3f}", "0"]
            writer.writerow([stamp, vehicle, 0, *own, *[""] * len(axle_names)])
            for axle in range(2):
                values = [lube[k, axle], *height[k, axle], *vibration[k, axle]]
                writer.writerow([stamp, vehicle, axle + 2, *[""] * len(vehicle_names), *(f"{v:.4f}" for v in values)])
    return Recording(vehicle, path, count)
