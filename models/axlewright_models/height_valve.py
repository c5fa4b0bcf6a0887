"""The levelling valve of an air suspension: how fast, and how exactly, it brings a frame back to its height."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_models.errors import ModelError

Array = NDArray[np.float64]


@dataclass(frozen=True)
class HeightValve:
    """A mechanical levelling valve: it feeds or exhausts air as the frame leaves the height it is set to.

    Parameters
    ----------
    set_height_mm : float
        Middle of its dead band. [mm]
    dead_band_mm : float
        Half width within which it is shut. [mm]
    gain_per_s : float
        Speed of the frame for each millimetre beyond the dead band. [1/s]
    fastest_mm_per_s : float
        Speed at which the line is the bottleneck. [mm/s]
    """

    set_height_mm: float
    dead_band_mm: float = 3.0
    gain_per_s: float = 0.4
    fastest_mm_per_s: float = 6.0

    def speed_mm_per_s(self, height_mm: ArrayLike) -> Array:
        """Return how fast the valve moves the frame at this height; upward is positive. [mm/s]"""
        error = self.set_height_mm - np.asarray(height_mm, dtype=np.float64)
        beyond = np.sign(error) * np.maximum(np.abs(error) - self.dead_band_mm, 0.0)
        return np.asarray(np.clip(self.gain_per_s * beyond, -self.fastest_mm_per_s, self.fastest_mm_per_s))

    def levelled_height_mm(self, height_mm: ArrayLike, elapsed_s: ArrayLike) -> Array:
        r"""Return the height some time after the frame was left at a height, load constant.

        Notes
        -----
        The closed form of :math:`\dot{h}` = :meth:`speed_mm_per_s`: a straight run while the line is the bottleneck,
        then an exponential approach to the *edge* of the dead band. So a truck stands high after unloading and
        low after loading, by the dead band, with nothing wrong.
        """
        start = np.asarray(height_mm, dtype=np.float64)
        error = self.set_height_mm - start
        beyond = np.maximum(np.abs(error) - self.dead_band_mm, 0.0)
        linear = self.fastest_mm_per_s / self.gain_per_s
        run = np.maximum(beyond - linear, 0.0) / self.fastest_mm_per_s
        time = np.asarray(elapsed_s, dtype=np.float64)
        left = np.where(
            time < run,
            beyond - self.fastest_mm_per_s * time,
            np.minimum(beyond, linear) * np.exp(-self.gain_per_s * np.maximum(time - run, 0.0)),
        )
        return np.asarray(start + np.sign(error) * (beyond - left))

    def levelling_time_s(self, height_mm: ArrayLike, within_mm: float = 1.0) -> Array:
        """Return how long it takes from a height to within so much of the dead band's edge. [s]"""
        if not within_mm > 0.0:
            raise ModelError(f"within_mm is {within_mm}; the last approach is exponential, give a distance above 0")
        beyond = np.abs(self.set_height_mm - np.asarray(height_mm, dtype=np.float64)) - self.dead_band_mm
        linear = self.fastest_mm_per_s / self.gain_per_s
        knee = max(linear, within_mm)
        run = np.maximum(beyond - knee, 0.0) / self.fastest_mm_per_s
        tail = np.log(np.maximum(np.minimum(beyond, knee), within_mm) / within_mm) / self.gain_per_s
        return np.asarray(run + tail)
