"""The benchmark of the fleet's prior runs and prints every kind of truck with its count."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
import fleet_prior


@pytest.mark.benchmark
def test_newcomers_are_counted_with_and_without_the_prior(monkeypatch):
    monkeypatch.setattr(fleet_prior, "SCENARIOS", ("driveshaft-unbalance",))
    lines = fleet_prior.run(trucks=12, days=8.0, newcomers=2, seeds=1, first_seed=11).splitlines()
    counts = {line.split()[0]: line.split()[1:] for line in lines if line.startswith(("driveshaft", "healthy"))}
    assert counts["driveshaft-unbalance"][0] == "1"
    assert counts["healthy"] == ["2", "0", "0"]
