"""What several files of this room share: the invented fleet and one day of it."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from axlewright_models.spec import FleetSpec
from axlewright_simulators.demo_fleet import demo_fleet
from axlewright_simulators.fleet import Block, FleetSimulator

ANCHOR_S = 1_780_000_000.0  # 2026-05-28, a mild day


@pytest.fixture(scope="session")
def fleet() -> FleetSpec:
    return demo_fleet()


@pytest.fixture(scope="session")
def healthy_days(fleet: FleetSpec) -> tuple[FleetSimulator, Block]:
    """Two healthy days that end at the anchor, one-minute windows."""
    simulator = FleetSimulator(fleet, seed=3, anchor_s=ANCHOR_S, begin_s=ANCHOR_S - 2 * 86400.0)
    return simulator, simulator.advance(ANCHOR_S - 2 * 86400.0 + np.arange(2 * 1440 + 1) * 60.0)


@pytest.fixture(scope="session")
def fastsim_wheel(pytestconfig: pytest.Config) -> Path:
    """The wheel of fastsim 2.1.5, downloaded once and never installed."""
    named = os.environ.get("AXLEWRIGHT_TEST_CACHE")
    folder = Path(named) if named else Path(pytestconfig.cache.mkdir("wheels"))  # type: ignore[union-attr]
    folder.mkdir(parents=True, exist_ok=True)
    if not list(folder.glob("fastsim-2.1.5-*.whl")):
        words = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--dest", str(folder)]
        # The wheel carries compiled code; any platform's holds the same cycle, so ask for one that surely exists.
        words += ["--python-version", "3.11", "--only-binary", ":all:", "fastsim==2.1.5"]
        done = subprocess.run(words, capture_output=True, text=True, timeout=300, check=False)
        if done.returncode != 0:
            why = f"fastsim 2.1.5 cannot be downloaded: {done.stderr.strip()[-300:]}"
            (pytest.fail if os.environ.get("AXLEWRIGHT_REQUIRE_SERVICES") == "1" else pytest.skip)(why)
    return next(folder.glob("fastsim-2.1.5-*.whl"))
