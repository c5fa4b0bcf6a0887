"""Measure what a fleet prior finds on trucks that come with a vibration fault, and how often it is wrong.

A simulated healthy fleet teaches the prior. Then trucks of other seeds join: healthy ones, and trucks of the vibration
scenarios whose readings are thrown away up to the middle between the onset and the end, so that the monitor never saw
them without the fault. Each is watched for a week, with and without the prior. Run it as

    python tests/benchmarks/fleet_prior.py [--trucks 32] [--days 28] [--newcomers 64] [--seeds 4] [--first-seed 7101]

The simulators and the detector are not tuned to each other; use seeds that nothing was tuned on.
"""

from __future__ import annotations

import argparse
import math
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from axlewright_models.spec import load_fleet
from axlewright_server.detectors.base import LINE_CODES
from axlewright_server.detectors.sisters import FleetPrior
from axlewright_server.evaluation.readings import of_files
from axlewright_server.evaluation.truth import read_truth, unix_s
from axlewright_server.fleet_prior import learn_from
from axlewright_server.kernel import AxleTable, Kernel, Rows

sys.path.insert(0, str(Path(__file__).parent))
from machine import table

# Scenarios whose fault shakes from its onset on or grows; what shows on vibration lines only.
SCENARIOS = (
    "tyre-non-uniformity",
    "driveshaft-unbalance",
    "phasing-error",
    "centre-bearing",
    "worn-yoke",
    "gear-mesh-wear",
    "pinion-bearing-defect",
    "output-bearing-play",
)
WATCHED_S = 7.0 * 86400.0


def simulate(folder: Path, *words: str) -> None:
    """Run the simulators as a user would."""
    command = [sys.executable, "-m", "axlewright_models.command_line", "simulate", "--into", str(folder), *words]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)


def pieces(folder: Path, table: AxleTable) -> Iterator[Rows]:
    """Return a simulated fleet's readings."""
    return of_files([folder / "readings.parquet"], table.vehicles)


def learnt(folder: Path) -> FleetPrior:
    """Return the prior that a fleet gives."""
    kernel = Kernel(load_fleet(folder / "fleet.toml"))
    for rows in pieces(folder, kernel.table):
        kernel.run(rows)
    told = learn_from({row: kernel.state_blob(row) for row in range(len(kernel.table))}, kernel.table)
    print(told.text, file=sys.stderr)
    return told.prior


def joins(folder: Path) -> tuple[dict[str, float], dict[str, str]]:
    """Return when each truck joins, and its scenario: in the midst of its fault, or with its first reading.

    Trucks whose fault these sensors cannot show never join.
    """
    axles = AxleTable.of(load_fleet(folder / "fleet.toml"))
    vehicles = axles.vehicles
    last_s = np.zeros(len(vehicles))
    for rows in pieces(folder, axles):
        np.maximum.at(last_s, rows.vehicle, rows.time_s)
    begin_s, scenario = dict.fromkeys(vehicles, 0.0), dict.fromkeys(vehicles, "healthy")
    for event in read_truth(folder / "truth.json").events:
        end_s = last_s[vehicles.index(event.vehicle)]
        if event.failure is not None:
            end_s = min(end_s, unix_s(event.failure))
        begin_s[event.vehicle] = 0.5 * (unix_s(event.onset) + float(end_s)) if event.detectable else math.inf
        scenario[event.vehicle] = event.scenario
    return begin_s, {vehicle: kind for vehicle, kind in scenario.items() if begin_s[vehicle] < math.inf}


def told(folder: Path, prior: FleetPrior | None, begin_s: dict[str, float]) -> set[str]:
    """Return the trucks of which a vibration line was told in the week after they joined."""
    kernel = Kernel(load_fleet(folder / "fleet.toml"), prior=prior)
    begins = np.array([begin_s[vehicle] for vehicle in kernel.table.vehicles])
    ends = np.full(len(begins), math.inf)
    found = set()
    for rows in pieces(folder, kernel.table):
        inside = rows.time_s > begins[rows.vehicle]
        for number, time_s in zip(rows.vehicle[inside].tolist(), rows.time_s[inside].tolist(), strict=True):
            ends[number] = min(ends[number], time_s + WATCHED_S)
        inside &= rows.time_s <= ends[rows.vehicle]
        kept = Rows(*(column[inside] for column in (rows.vehicle, rows.time_s, rows.position, rows.values)))
        for symptom in kernel.run(kept).symptoms:
            if symptom.active and symptom.code in LINE_CODES:
                found.add(kernel.table.vehicle_id(symptom.axle))
    return found


def counted(folder: Path, prior: FleetPrior) -> list[tuple[str, str, str, str]]:
    """Return a line of the table for each kind of truck in a folder."""
    begin_s, scenario = joins(folder)
    with_prior, without = told(folder, prior, begin_s), told(folder, None, begin_s)
    lines = []
    for kind in dict.fromkeys(scenario.values()):
        own = {vehicle for vehicle, which in scenario.items() if which == kind}
        lines.append((kind, str(len(own)), str(len(own & with_prior)), str(len(own & without))))
    return lines


def run(trucks: int, days: float, newcomers: int, seeds: int, first_seed: int) -> str:
    """Return the table."""
    chosen = [str(first_seed + 2 + k) for k in range(seeds)]
    with tempfile.TemporaryDirectory() as name:
        teachers, healthy, faulty = (Path(name) / part for part in ("teachers", "healthy", "faulty"))
        simulate(teachers, "--healthy", str(trucks), "--days", str(days), "--seeds", str(first_seed))
        simulate(healthy, "--healthy", str(newcomers), "--days", "7", "--seeds", str(first_seed + 1))
        simulate(faulty, "--scenarios", *SCENARIOS, "--seeds", *chosen)
        prior = learnt(teachers)
        lines = [*counted(faulty, prior), *counted(healthy, prior)]
    title = (
        f"Trucks on which a vibration line is told in the week after they joined, seeds {first_seed} to {chosen[-1]}"
    )
    return table(title, ("trucks", "number", "told with the prior", "without"), lines)


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trucks", type=int, default=32)
    parser.add_argument("--days", type=float, default=28.0)
    parser.add_argument("--newcomers", type=int, default=64)
    parser.add_argument("--seeds", type=int, default=4)
    parser.add_argument("--first-seed", type=int, default=7101)
    options = parser.parse_args()
    print(run(options.trucks, options.days, options.newcomers, options.seeds, options.first_seed))


if __name__ == "__main__":
    main()
