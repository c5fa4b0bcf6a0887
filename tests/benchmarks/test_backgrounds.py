"""The measurement of backgrounds still runs."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from backgrounds import run


@pytest.mark.benchmark
def test_backgrounds_are_measured_and_printed_beside_those_in_use():
    printed = run([41], days=7.6, trucks=1)
    print(printed)
    assert "height-low" in printed
    assert "in use" in printed
