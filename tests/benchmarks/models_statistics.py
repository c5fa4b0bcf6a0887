"""How quick are the learnt thermal balance and the run-length solver?

    python tests/benchmarks/models_statistics.py

The estimator's step for 1,000 axles is set beside two references in the same run: the bare 4 x 4 inversions that any
such step needs (numpy.linalg.inv, once), and a plain loop over axles with the text book's recursion. The solver is set
beside a Markov chain (Brook and Evans, scipy's normal distribution) of a size that gives it three digits, and beside
one linear solve of its own size.
"""

from __future__ import annotations

import argparse
import math
import statistics as stdlib_statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from scipy.special import ndtr

from axlewright_models import thermal
from axlewright_models.statistics import cusum_run_length, cusum_step, design_cusum, ewma_run_length

sys.path.insert(0, str(Path(__file__).parent))
from machine import table

AXLES = 1000


def plain_loop(theta: np.ndarray, covariance: np.ndarray, rows: np.ndarray, targets: np.ndarray) -> None:
    """Take the text book's recursive least squares axle by axle, without prior, bounds or gaps."""
    for axle in range(len(theta)):
        row = rows[axle]
        shift = covariance[axle] @ row
        gain = shift / (0.998 + row @ shift)
        theta[axle] += gain * (targets[axle] - row @ theta[axle])
        covariance[axle] = (covariance[axle] - np.outer(gain, shift)) / 0.998


def markov_chain(states: int) -> float:
    """Return the run length of the upper sum, k 0.5 and h 5, in control, from a chain."""
    width = 10.0 / (2 * states - 1)
    centres = width * np.arange(states)
    edges = centres[None, :] - centres[:, None] + 0.5
    chance = ndtr(edges + width / 2.0) - ndtr(edges - width / 2.0)
    chance[:, 0] = ndtr(width / 2.0 - centres + 0.5)
    return float(np.linalg.solve(np.eye(states) - chance, np.ones(states))[0])


def estimator_parts() -> dict[str, Callable[[], object]]:
    """Return what is measured of the estimator, the reference first."""
    rng = np.random.default_rng(1)
    theta, covariance = thermal.PRIOR.start(AXLES)
    speed, lube = rng.uniform(0.0, 29.0, AXLES), rng.uniform(20.0, 100.0, AXLES)
    rows = 300.0 * thermal.features(speed, 400.0, 6.2 * speed, lube, 15.0)
    targets = np.sum(rows * thermal.PRIOR.theta, axis=1) + 0.5 * rng.standard_normal(AXLES)
    scaled = np.tile(np.eye(4), (AXLES, 1, 1)) + 0.1 * rng.random((AXLES, 4, 4))
    high, low = np.zeros((2, AXLES))
    return {
        "numpy.linalg.inv of 1,000 4 x 4": lambda: np.linalg.inv(scaled),
        "rls_step": lambda: thermal.rls_step(theta, covariance, rows, targets),
        "plain loop over axles": lambda: plain_loop(theta.copy(), covariance.copy(), rows, targets),
        "features": lambda: thermal.features(speed, 400.0, 6.2 * speed, lube, 15.0),
        "cusum_step": lambda: cusum_step(high, low, targets, 0.5),
    }


def solver_parts() -> dict[str, Callable[[], object]]:
    """Return what is measured of the run lengths, the reference first."""
    matrix = np.eye(61) + 0.01 * np.random.default_rng(1).random((61, 61))
    return {
        "numpy.linalg.solve, 61 unknowns": lambda: np.linalg.solve(matrix, np.ones(61)),
        "CUSUM, both sides (k 0.5, h 5)": lambda: cusum_run_length(0.5, 5.0),
        "EWMA (0.1, 2.814)": lambda: ewma_run_length(0.1, 2.814),
        "design_cusum(1000, 1)": lambda: design_cusum(1000.0, 1.0),
        "Markov chain, one side, 150 states": lambda: markov_chain(150),
    }


def measure(work: dict[str, Callable[[], object]], repeats: int) -> dict[str, float]:
    """Return the middle time of every part, the parts taken in turn so that all see the same machine. [s]"""
    spent: dict[str, list[float]] = {name: [] for name in work}
    for _ in range(repeats + 1):
        for name, part in work.items():
            begin = time.perf_counter()
            part()
            spent[name].append(time.perf_counter() - begin)
    return {name: stdlib_statistics.median(times[1:]) for name, times in spent.items()}


def report(repeats: int) -> str:
    """Measure and return both tables."""
    estimator, solver = measure(estimator_parts(), repeats), measure(solver_parts(), repeats)
    inverse, solve = next(iter(estimator.values())), next(iter(solver.values()))
    first: list[tuple[str, ...]] = [
        (name, f"{1e3 * spent:.2f}", f"{AXLES / spent:,.0f}", f"{spent / inverse:.2f}")
        for name, spent in estimator.items()
    ]
    second: list[tuple[str, ...]] = [
        (name, f"{1e3 * spent:.2f}", f"{spent / solve:.1f}") for name, spent in solver.items()
    ]
    off = abs(markov_chain(150) / cusum_run_length(0.5, 5.0, sides="one") - 1.0)
    digits = f"The chain is off by {off:.1e} of the run length, 1e{math.floor(math.log10(off)) + 1:d} or better."
    return "\n\n".join(
        [
            table(f"Thermal estimator, {AXLES:,} axles", ("part", "ms", "axles/s", "times inv"), first),
            table("Run lengths", ("part", "ms", "times solve"), second),
            digits,
        ]
    )


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--repeats", type=int, default=30, help="how often each part is timed")
    print(report(max(parser.parse_args().repeats, 1)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
