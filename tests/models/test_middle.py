"""Medians and quantiles are numpy's own, without what numpy loads for them."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from axlewright_models.vibration.middle import median, quantile

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize("size", [1, 2, 3, 8, 101])
@pytest.mark.parametrize("axis", [0, 1, -1])
def test_the_median_is_numpys(size: int, axis: int) -> None:
    values = np.random.default_rng(size).standard_normal((4, size, size))
    assert_array_equal(median(values, axis=axis), np.median(values, axis=axis))
    assert_array_equal(median(values, axis=axis, keepdims=True), np.median(values, axis=axis, keepdims=True))


@pytest.mark.parametrize("share", [0.0, 0.25, 0.5, 0.9, 1.0])
@pytest.mark.parametrize("size", [1, 2, 7, 100])
def test_the_quantile_is_numpys(size: int, share: float) -> None:
    values = np.random.default_rng(size).standard_normal(size)
    assert_allclose(quantile(values, share), np.quantile(values, share), rtol=1e-12, atol=1e-15)


def test_the_features_of_a_window_load_no_masked_arrays() -> None:
    script = (
        "import sys\nimport numpy as np\nfrom axlewright_models.vibration.features import Machine, window_features\n"
        "from axlewright_models.orders import Train\nfrom axlewright_models.bearings import Geometry\n"
        "machine = Machine(Train(310.7, 41, 12), gear_ratio=0.73, bearing=Geometry(17, 14.0, 90.0, 15.0))\n"
        "times = np.arange(64000) / 6400.0\nturns = 24.0 * times\n"
        "samples = np.sin(2.0 * np.pi * turns) + 0.1 * np.sin(1e3 * times**2)\n"
        "print(len(window_features(np.atleast_2d(samples), 6400.0, turns, machine)), 'numpy.ma' in sys.modules)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, cwd=ROOT / "models", timeout=60, check=True
    )
    count, loaded = done.stdout.split()
    assert int(count) > 0 and loaded == "False", done.stdout
