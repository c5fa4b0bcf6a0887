"""The benchmark of estimator and run lengths still runs; its times are printed, not judged."""

import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.benchmark


def test_the_benchmark_runs_and_prints_its_ratios():
    script = Path(__file__).with_name("models_statistics.py")
    run = subprocess.run([sys.executable, str(script), "--repeats", "1"], capture_output=True, text=True, timeout=60)
    assert run.returncode == 0, run.stderr
    assert "times inv" in run.stdout
    assert "times solve" in run.stdout
    print(run.stdout)
