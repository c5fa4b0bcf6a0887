"""Count what the office makes of the demonstration's scenarios, seed by seed, and of the same trucks without a fault.

Each seed draws other trucks, routes, weather, loads and noise; fourteen days of history and eighteen hours after the
sudden faults go through the offline path of the kernel. Run it as

    python tests/benchmarks/scenarios.py [--seeds 11 12 13 14 15]

and take about two minutes a seed. A first look, not an evaluation: sizes and onsets are always the demonstration's.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from axlewright_models.spec import FleetSpec
from axlewright_server.history import load_files
from axlewright_server.settings import load_settings
from axlewright_server.store import Store, advisories
from axlewright_simulators.demo_fleet import demo_fleet, demo_fleet_text
from axlewright_simulators.faults import Fault
from axlewright_simulators.fleet import FleetSimulator
from axlewright_simulators.history import write_history
from axlewright_simulators.scenarios import DEMO_PARKED, demo_faults

sys.path.insert(0, str(Path(__file__).parent))
from machine import table

DAYS, LATER_H = 14.0, 18.0
RIGHT_CAUSE = {
    "height-valve": "height-valve-out-of-set",
    "air-leak": "air-spring-leak",
    "lube-loss": "low-lube-worn-pinion-seal",
    "brake-drag": "dragging-brake",
    "shaft-unbalance": "driveshaft-unbalance",
    "lube-sensor": "failed-temperature-sensor",
}


@dataclass(frozen=True)
class Raised:
    """One advisory that was raised, reduced to what is counted. Superseded ones count too: somebody was alerted."""

    vehicle: str
    axle: int
    cause: str
    since_s: float


@dataclass(frozen=True)
class Seed:
    """What one seed came to."""

    seed: int
    told: dict[str, bool]
    harmless_false: dict[str, int]
    healthy_false: int
    healthy_days: float


def drive(folder: Path, fleet: FleetSpec, seed: int, now_s: float, faults: Sequence[Fault]) -> list[Raised]:
    """Drive the fleet, load what it measured, and return every advisory."""
    folder.mkdir()
    (folder / "fleet.toml").write_text(demo_fleet_text(), encoding="utf-8")
    anchor_s = now_s - LATER_H * 3600.0
    simulator = FleetSimulator(
        fleet,
        seed=seed,
        anchor_s=anchor_s,
        begin_s=anchor_s - DAYS * 86400.0,
        faults=faults,
        parked_at_anchor=DEMO_PARKED,
    )
    write_history(simulator, now_s, folder / "history.parquet")
    settings = load_settings(None, fleet=str(folder / "fleet.toml"), data=str(folder / "data"))
    load_files(settings, [folder / "history.parquet"], quiet=True)
    store = Store(settings.data)
    with store.reader() as connection:
        found = advisories.advisories(connection, open_only=False, limit=5000)
    store.close()
    return [Raised(one.vehicle, one.axle, one.cause, one.since_s) for one in found]


def judge(seed: int) -> Seed:
    """Run one seed with the demonstration's faults and once without any."""
    fleet = demo_fleet()
    now_s = math.floor(time.time() / 60.0) * 60.0
    faults = demo_faults(fleet, now_s - LATER_H * 3600.0)
    with tempfile.TemporaryDirectory() as name:
        raised = drive(Path(name) / "faulty", fleet, seed, now_s, faults)
        healthy = drive(Path(name) / "healthy", fleet, seed, now_s, ())
    told: dict[str, bool] = {}
    harmless_false: dict[str, int] = {}
    for fault in faults:
        own = [
            one
            for one in raised
            if one.vehicle == fault.vehicle
            and (fault.axle in (0, one.axle))
            and one.since_s >= fault.onset_s - 600.0
            and (fault.end_s is None or fault.repeat_s is not None or one.since_s <= fault.end_s + 3600.0)
        ]
        if fault.harmless:
            harmless_false[fault.kind] = len(own)
        else:
            right = any(one.cause == RIGHT_CAUSE[fault.kind] for one in own)
            told[fault.kind] = told.get(fault.kind, True) and right  # of two of a kind both
    days = len(fleet.vehicles) * (DAYS + LATER_H / 24.0)
    return Seed(seed, told, harmless_false, len(healthy), days)


def run(seeds: Sequence[int], workers: int = 2) -> str:
    """Judge the seeds on all cores and return the table."""
    with ProcessPoolExecutor(workers) as pool:
        found = []
        for one in pool.map(judge, seeds):
            found.append(one)
            print(f"seed {one.seed} done", file=sys.stderr, flush=True)
    kinds = list(RIGHT_CAUSE)
    rows = [
        (
            str(one.seed),
            *("yes" if one.told[kind] else "NO" for kind in kinds),
            *(str(one.harmless_false[kind]) for kind in ("lowered", "mountain-pull")),
            str(one.healthy_false),
        )
        for one in found
    ]
    told = [sum(one.told[kind] for one in found) for kind in kinds]
    harmless = [sum(one.harmless_false[kind] for one in found) for kind in ("lowered", "mountain-pull")]
    false, years = sum(one.healthy_false for one in found), sum(one.healthy_days for one in found) / 365.25
    rows.append(("all", *(f"{count}/{len(found)}" for count in told), *map(str, harmless), str(false)))
    header = ("seed", *kinds, "lowered: false", "mountain: false", "healthy: false")
    text = table("Scenarios: is there an advisory that names the right cause?", header, rows)
    low, high = _poisson_interval(false)
    return text + (
        f"\n\nHealthy trucks: {false} advisories in {years:.2f} vehicle-years = {false / years:.2f} a vehicle-year"
        f" (95 % interval {low / years:.2f} to {high / years:.2f})"
    )


def _poisson_interval(count: int) -> tuple[float, float]:
    from scipy.stats import chi2

    low = 0.0 if count == 0 else float(chi2.ppf(0.025, 2 * count)) / 2.0
    return low, float(chi2.ppf(0.975, 2 * count + 2)) / 2.0


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, nargs="+", default=[11, 12, 13, 14, 15])
    print(run(parser.parse_args().seeds))
