"""The kernel's benchmark still runs."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from detect import report, scaling


@pytest.mark.benchmark
def test_the_benchmark_of_the_kernel_runs_and_prints_its_table():
    printed = report(trucks=4, hours=0.2, river_steps=20)
    print(printed)
    assert "vehicle-days/s" in printed
    assert len(printed.splitlines()) == 9


@pytest.mark.benchmark
def test_the_growth_with_the_fleet_is_measured():
    printed = scaling([4, 16], steps=2)
    print(printed)
    assert [line.split()[0] for line in printed.splitlines()[-2:]] == ["4", "16"]
