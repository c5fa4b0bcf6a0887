"""Measure how often each piece of evidence stands on healthy trucks: the table [background] of `causes.toml`.

Healthy trucks of the simulators (never tuned to the detectors) go through the offline path of the kernel; every six
hours each axle is looked at. Prints the share of looks at which the evidence stood, of those at which it could be seen,
beside the number in use. Run it as

    python tests/benchmarks/backgrounds.py [--seeds 41 42] [--days 28] [--trucks 16]

Use seeds that nothing was tuned on. A share of 0 in n looks means at most about 3 / n (with 95 % confidence).
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from axlewright_server.diagnosis.picture import seen
from axlewright_server.evaluation.readings import of_files
from axlewright_server.kernel import Kernel, rounds
from axlewright_simulators.demo_fleet import demo_fleet
from axlewright_simulators.fleet import FleetSimulator
from axlewright_simulators.history import write_history

sys.path.insert(0, str(Path(__file__).parent))
from machine import table

EVERY_S = 6.0 * 3600.0


def look(kernel: Kernel, time_s: float, stood: Counter[str], looked: Counter[str]) -> None:
    """Count what stands, and what could be seen, on every axle now."""
    views = [kernel._view(row, time_s) for row in range(len(kernel.table))]
    for row, view in enumerate(views):
        partner = int(kernel.table.partner[row])
        found = seen(kernel.knowledge, view, views[partner] if partner >= 0 else None)
        standing = {name for name, stands in found.items() if stands}
        for name in found.keys() & kernel.knowledge.evidence.keys():
            given = set(kernel.knowledge.evidence[name].given)
            if not given or given & standing:  # else its number is a chance given something that does not stand here
                looked[name] += 1
                stood[name] += name in standing


def measure(seed: int, days: float, trucks: int, stood: Counter[str], looked: Counter[str]) -> None:
    """Drive a healthy fleet and look at it every six hours, the first week left out: detectors are still learning."""
    fleet = demo_fleet()
    chosen = tuple(sorted(fleet.vehicles))[:trucks]
    now_s = math.floor(time.time() / 86400.0) * 86400.0
    begin_s = now_s - days * 86400.0
    simulator = FleetSimulator(fleet, seed=seed, anchor_s=now_s, begin_s=begin_s, vehicles=chosen)
    kernel, due_s = Kernel(fleet), begin_s + 7.0 * 86400.0
    with tempfile.TemporaryDirectory() as name:
        file = Path(name) / "healthy.parquet"
        write_history(simulator, now_s, file)
        for rows in of_files([file], kernel.table.vehicles):
            for batch in rounds(kernel.table, rows):
                kernel.step(batch)
                if float(batch.time_s.max()) >= due_s:
                    due_s += EVERY_S
                    look(kernel, float(batch.time_s.max()), stood, looked)


def run(seeds: Sequence[int], days: float, trucks: int) -> str:
    """Return the table."""
    stood: Counter[str] = Counter()
    looked: Counter[str] = Counter()
    for seed in seeds:
        measure(seed, days, trucks, stood, looked)
        print(f"seed {seed} done", file=sys.stderr, flush=True)
    in_use = Kernel(demo_fleet()).knowledge.background
    rows = [
        (name, str(looked[name]), str(stood[name]), f"{stood[name] / looked[name]:.5f}", f"{in_use[name]:g}")
        for name in sorted(looked, key=lambda name: (-stood[name] / looked[name], name))
    ]
    header = ("evidence", "looks", "stood", "share", "in use")
    return table(f"Evidence on healthy trucks, seeds {', '.join(map(str, seeds))}", header, rows)


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, nargs="+", default=[41, 42])
    parser.add_argument("--days", type=float, default=28.0)
    parser.add_argument("--trucks", type=int, default=16)
    options = parser.parse_args()
    print(run(options.seeds, options.days, options.trucks))


if __name__ == "__main__":
    main()
