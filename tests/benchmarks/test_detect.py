"""The kernel's benchmark still runs."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from detect import report


@pytest.mark.benchmark
def test_the_benchmark_of_the_kernel_runs_and_prints_its_table():
    printed = report(trucks=4, hours=0.2)
    print(printed)
    assert "vehicle-days/s" in printed
    assert len(printed.splitlines()) == 7
