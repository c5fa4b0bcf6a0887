"""Measure the kernel offline: rates over 200 trucks, beside river's drift detectors and one bare numpy pass.

Run it as

    python tests/benchmarks/detect.py [--trucks 200] [--hours 4] [--axles 100 1000 10000 100000]

Healthy trucks with 36 channels drive without a pause, the dearest case (parked ones cost less), reported every 10 s and
every 60 s. A reading is one value of one channel of one axle and window. All in one process: rates are per core, in
CPU time, so that other work on the machine does not count. The bare pass sums and compares every value once: what
merely touching the readings costs. River judges the same axle channels value by value, ADWIN and PageHinkley on each,
on as many axles as fit into a few seconds; it knows no gates, no baselines by speed and load, no physics.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
from axlewright_models.signals import CHANNELS, ENVELOPE_CHANNELS, HIGH, INDEX, ORDER_CHANNELS
from axlewright_models.spec import FleetSpec, parse_fleet
from axlewright_server.kernel import Batch, Kernel
from msgspec.structs import replace

sys.path.insert(0, str(Path(__file__).parent))
from machine import table

BEGIN_S = 1_700_000_000.0
AXLE_CHANNELS = ("lube", "height/left", "height/right", "bellows/left", "bellows/right", "vib/rms", "vib/kurtosis")


def fleet(trucks: int) -> FleetSpec:
    """Return a fleet of equal tractors."""
    text = (
        'fleet = "yard"\nname = "Benchmark"\n[types.tractor]\ntitle = "6x4 tractor"\n[vehicles.t-0]\ntype = "tractor"\n'
    )
    one = parse_fleet(text)
    vehicles = {f"t-{number}": replace(one.vehicles["t-0"], id=f"t-{number}") for number in range(trucks)}
    return replace(one, vehicles=vehicles)


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


def measure(trucks: int, hours: float, window_s: float) -> tuple[float, float, float, int]:
    """Return seconds in the kernel, seconds in the bare pass, the median milliseconds of a step, and the readings."""
    kernel = Kernel(fleet(trucks))
    steps = max(2, round(hours * 3600.0 / window_s))
    bare_s, step_s, readings = 0.0, [], 0
    for batch in batches(len(kernel.table), steps, window_s):
        begin = time.process_time()
        kernel.step(batch)
        step_s.append(time.process_time() - begin)
        begin = time.process_time()
        _bare(batch.raw)
        bare_s += time.process_time() - begin
        readings += int(np.count_nonzero(~np.isnan(batch.raw)))
    return sum(step_s), bare_s, 1e3 * float(np.median(step_s)), readings


def _bare(raw: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    return np.nansum(raw, axis=0), raw > HIGH


def river_rate(axles: int, steps: int) -> float:
    """Return the readings that river's ADWIN and PageHinkley judge per second, both on every axle channel."""
    from river.drift import ADWIN, PageHinkley

    numbers = [INDEX[name] for name in (*AXLE_CHANNELS, *ORDER_CHANNELS, *ENVELOPE_CHANNELS)]
    pairs = [[(ADWIN(), PageHinkley()) for _ in numbers] for _ in range(axles)]
    readings, spent_s = 0, 0.0
    for batch in batches(axles, steps, 60.0):
        values = batch.raw[:, numbers].tolist()
        begin = time.process_time()
        for row, own in zip(values, pairs, strict=True):
            for value, (adwin, page_hinkley) in zip(row, own, strict=True):
                adwin.update(value)
                page_hinkley.update(value)
        spent_s += time.process_time() - begin
        readings += axles * len(numbers)
    return readings / spent_s


def report(trucks: int, hours: float, river_steps: int = 400) -> str:
    """Return the table of rates."""
    rows = []
    for window_s in (10.0, 60.0):
        kernel_s, bare_s, step_ms, readings = measure(trucks, hours, window_s)
        days = trucks * hours / 24.0
        rows.append(
            (
                f"kernel, {window_s:.0f} s windows",
                f"{days / kernel_s:,.1f}",
                f"{readings / kernel_s:,.0f}",
                f"{step_ms:.2f} ms",
                f"{kernel_s / bare_s:.1f}",
            )
        )
    rows.append(("bare numpy pass, 60 s windows", f"{days / bare_s:,.0f}", f"{readings / bare_s:,.0f}", "", "1.0"))
    rate = river_rate(4, river_steps)
    rows.append(("river ADWIN + PageHinkley", "", f"{rate:,.0f}", "", f"{readings / rate / bare_s:,.0f}"))
    header = ("what", "vehicle-days/s", "readings/s", "median step", "times a bare pass")
    return table(f"Detection, {trucks} trucks with two drive axles, {hours:g} h of driving, one core", header, rows)


def scaling(sizes: Sequence[int], steps: int = 5) -> str:
    """Return how the time of a step and the memory grow with the fleet."""
    rows = []
    for axles in sizes:
        kernel = Kernel(fleet(max(1, axles // 2)))
        spent = []
        for batch in batches(len(kernel.table), steps + 1, 60.0):
            begin = time.process_time()
            kernel.step(batch)
            spent.append(time.process_time() - begin)
        # The first step begins everything; it is not typical.
        step_s = float(np.median(spent[1:]))
        live = sum(state.nbytes for state in kernel._states)
        blob = len(kernel.state_blob(0))
        count = len(kernel.table)
        rows.append(
            (
                f"{count:,}",
                f"{1e3 * step_s:,.1f} ms",
                f"{1e6 * step_s / count:,.1f} us",
                f"{live / count * 1000 / 2**20:.1f} MiB",
                f"{blob * 1000 / 2**20:.1f} MiB",
            )
        )
    header = ("axles", "step", "per axle and window", "memory per 1,000 axles", "stored per 1,000 axles")
    return table("Detection, how it grows with the fleet (whole fleet driving, 60 s windows)", header, rows)


def main() -> None:
    """Run the benchmark from the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--trucks", type=int, default=200, help="trucks with two drive axles each (default 200)")
    parser.add_argument("--hours", type=float, default=4.0, help="hours of driving per truck (default 4)")
    parser.add_argument("--axles", type=int, nargs="*", default=[100, 1000, 10_000, 100_000], help="fleet sizes")
    arguments = parser.parse_args()
    print(report(arguments.trucks, arguments.hours), end="\n\n", flush=True)
    print(scaling(arguments.axles))


if __name__ == "__main__":
    main()
