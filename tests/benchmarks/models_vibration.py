"""Measure the vibration features of one window beside scipy's plain Welch spectrum of the same data, in the same run.

The window is 10 s of three accelerometers at 6.4 kHz on a truck that speeds up, as the edge sees it. Run it as

    python tests/benchmarks/models_vibration.py [--repeats 20]

It prints the middle time of each part and its ratio to Welch's.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from scipy.signal import welch

from axlewright_models.bearings import Geometry
from axlewright_models.orders import Train
from axlewright_models.vibration import burst, descriptors, features
from axlewright_models.vibration.angle import turns_from_speed

sys.path.insert(0, str(Path(__file__).parent))
from machine import table

RATE_HZ, SECONDS, SENSORS = 6400.0, 10, 3
BEARING = Geometry(17, 14.0, 90.0, 15.0)
MACHINE = features.Machine(Train(310.7, 41, 12), gear_ratio=0.73, bearing=BEARING)


def parts() -> dict[str, Callable[[], object]]:
    """Return what is measured, by name; Welch comes first."""
    rng = np.random.default_rng(1)
    times = np.arange(int(RATE_HZ * SECONDS)) / RATE_HZ
    speed, when = np.linspace(27.0, 30.0, 101), np.linspace(0.0, SECONDS, 101)
    turns = turns_from_speed(speed, when, times)
    # In single precision, as the edge's sources hand them over.
    samples = (rng.standard_normal((SENSORS, times.size)) + 2.0 * np.sin(4.0 * np.pi * turns)).astype(np.float32)
    return {
        "scipy.signal.welch, 4096 a segment": lambda: welch(samples, RATE_HZ, nperseg=4096),
        "all features of the window": lambda: features.window_features(
            samples, RATE_HZ, turns_from_speed(speed, when, times), MACHINE
        ),
        "  rms, kurtosis, crest": lambda: (
            descriptors.rms(samples),
            descriptors.kurtosis(samples),
            descriptors.crest_factor(samples),
        ),
        "  orders (angle resampling)": lambda: features.order_features(samples, RATE_HZ, turns, MACHINE),
        "  envelope (band selection)": lambda: features.envelope_features(samples, RATE_HZ, turns, BEARING),
        "bearing decision, envelope included": lambda: features.bearing_decisions(samples, RATE_HZ, turns, BEARING),
        "burst of the window, compressed": lambda: burst.compress(samples, RATE_HZ, 0.01),
    }


def measure(repeats: int) -> dict[str, float]:
    """Return the middle time of every part, the parts taken in turn so that all see the same machine. [s]"""
    work = parts()
    spent: dict[str, list[float]] = {name: [] for name in work}
    for _ in range(repeats + 1):
        for name, part in work.items():
            begin = time.perf_counter()
            part()
            spent[name].append(time.perf_counter() - begin)
    # The first round warms caches and windows.
    return {name: statistics.median(times[1:]) for name, times in spent.items()}


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--repeats", type=int, default=20, help="how often each part is timed")
    middle = measure(max(parser.parse_args().repeats, 1))
    welch_s = next(iter(middle.values()))
    rows: list[tuple[str, ...]] = [
        (name, f"{1000 * spent:.1f}", f"{spent / welch_s:.1f}") for name, spent in middle.items()
    ]
    title = f"Vibration features of one window: {SECONDS} s, {SENSORS} sensors, {RATE_HZ:g} Hz"
    print(table(title, ("part", "ms", "times Welch"), rows))
    return 0


if __name__ == "__main__":
    sys.exit(main())
