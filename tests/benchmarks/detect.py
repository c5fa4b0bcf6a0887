"""Measure the kernel offline: vehicle-days per second over 200 trucks, beside one bare numpy pass over the same arrays.

Run it as

    python tests/benchmarks/detect.py [--trucks 200] [--hours 4]

Healthy trucks with 36 channels drive without a pause, the dearest case (parked ones cost less), reported every 10 s and
every 60 s. The bare pass sums and compares every value once: what merely touching the readings costs.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from axlewright_models.signals import CHANNELS, ENVELOPE_CHANNELS, HIGH, INDEX, ORDER_CHANNELS
from axlewright_models.spec import FleetSpec, parse_fleet
from axlewright_server.kernel import Batch, Kernel

sys.path.insert(0, str(Path(__file__).parent))
from machine import table

BEGIN_S = 1_700_000_000.0


def fleet(trucks: int) -> FleetSpec:
    """Return a fleet of equal tractors."""
    text = 'fleet = "yard"\nname = "Benchmark"\n[types.tractor]\ntitle = "6x4 tractor"\n'
    return parse_fleet(text + "".join(f'[vehicles.t-{number}]\ntype = "tractor"\n' for number in range(trucks)))


def batches(axles: int, steps: int, window_s: float) -> Iterator[Batch]:
    """Yield the windows of a fleet that drives, all trucks at the same time."""
    rng = np.random.default_rng(1)
    rows = np.arange(axles)
    steady = {"engine-speed": 1300.0, "gear": 1.0, "ambient": 15.0, "brake": 0.0, "parked": 0.0, "ignition": 1.0}
    noisy = {"torque": (900.0, 200.0), "lube": (70.0, 1.0), "height/left": (240.0, 2.0), "height/right": (240.0, 2.0)}
    lines = (*ORDER_CHANNELS, *ENVELOPE_CHANNELS, "vib/rms", "vib/kurtosis")
    for step in range(steps):
        raw = np.full((axles, len(CHANNELS)), np.nan)
        speed = np.repeat(75.0 + 8.0 * np.sin(step / 90.0 + np.arange((axles + 1) // 2)), 2)[:axles]
        raw[:, INDEX["speed"]], raw[:, INDEX["shaft-speed"]] = speed, 17.8 * speed
        raw[:, INDEX["height-mode"]] = 0.0
        for name, value in steady.items():
            raw[:, INDEX[name]] = value
        for name, (mean, spread) in noisy.items():
            raw[:, INDEX[name]] = rng.normal(mean, spread, axles)
        for name in ("bellows/left", "bellows/right"):
            raw[:, INDEX[name]] = rng.normal(400.0, 3.0, axles)
        for name in lines:
            raw[:, INDEX[name]] = rng.lognormal(-2.0, 0.1, axles)
        raw = raw.astype(np.float32).astype(np.float64)
        times = np.full(axles, BEGIN_S + window_s * step)
        yield Batch(rows, times, raw.copy(), raw, np.zeros(axles), np.zeros(axles, dtype=bool))


def measure(trucks: int, hours: float, window_s: float) -> tuple[float, float, float]:
    """Return seconds in the kernel, seconds in the bare pass, and the median milliseconds of a step."""
    kernel = Kernel(fleet(trucks))
    steps = max(2, round(hours * 3600.0 / window_s))
    bare_s, step_s = 0.0, []
    for batch in batches(len(kernel.table), steps, window_s):
        begin = time.perf_counter()
        kernel.step(batch)
        step_s.append(time.perf_counter() - begin)
        begin = time.perf_counter()
        _bare(batch.raw)
        bare_s += time.perf_counter() - begin
    return sum(step_s), bare_s, 1e3 * float(np.median(step_s))


def _bare(raw: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    return np.nansum(raw, axis=0), raw > HIGH


def report(trucks: int, hours: float) -> str:
    """Return the table of one run."""
    rows = []
    for window_s in (10.0, 60.0):
        kernel_s, bare_s, step_ms = measure(trucks, hours, window_s)
        days = trucks * hours / 24.0
        readings = 2 * trucks * max(2, round(hours * 3600.0 / window_s))
        rows.append(
            (
                f"{window_s:.0f} s",
                f"{days / kernel_s:,.1f}",
                f"{step_ms:.2f} ms",
                f"{1e6 * kernel_s / readings:.2f} us",
                f"{kernel_s / bare_s:.1f}",
            )
        )
    header = ("window", "vehicle-days/s", "median step", "per axle and window", "times a bare pass")
    return table(f"Kernel, {trucks} trucks with two drive axles, {hours:g} h of driving", header, rows)


def main() -> None:
    """Run the benchmark from the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--trucks", type=int, default=200, help="trucks with two drive axles each (default 200)")
    parser.add_argument("--hours", type=float, default=4.0, help="hours of driving per truck (default 4)")
    arguments = parser.parse_args()
    print(report(arguments.trucks, arguments.hours))


if __name__ == "__main__":
    main()
