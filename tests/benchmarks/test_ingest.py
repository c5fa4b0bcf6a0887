"""The benchmark of the office chain still runs, and the office commits every frame of it."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from ingest import measure, report

MOSQUITTO = Path("/usr/sbin/mosquitto")


@pytest.mark.benchmark
def test_the_benchmark_of_the_office_chain_commits_every_frame_and_prints_its_table():
    if not MOSQUITTO.exists():
        missing = f"{MOSQUITTO} is missing; install Debian's mosquitto"
        if os.environ.get("AXLEWRIGHT_REQUIRE_SERVICES") == "1":
            pytest.fail(missing)
        pytest.skip(missing)
    found = measure(frames=2000, trucks=20, rounds=1)
    printed = report(found, frames=2000, trucks=20, rounds=1)
    print(printed)
    assert found.sent > 2000
    assert found.committed == found.sent
    assert "published to committed and acked" in printed
    assert "detectors" in printed
