"""A window of raw vibration into the ``vib/`` channels of its axle.

The signal processing itself lies in ``models.vibration``; here it is decided what several sensors of one axle say
together. The live path and ``axlewright describe`` call the same function.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from axlewright_models.errors import ModelError
from axlewright_models.spec import VehicleSpec
from axlewright_models.vibration.features import Machine, window_features
from axlewright_models.vibration.from_spec import machine_of
from axlewright_models.vibration.quality import CLIPPED, MOST_MISSING, SAMPLES_MISSING, SPEED_CHANGED

QUALITY = "vib/quality"


@dataclass(frozen=True)
class Waveform:
    """One window of one axle's accelerometers.

    Parameters
    ----------
    axle : int
        From the front; the steer axle is 1.
    rate_hz : float
        Of the samples. [Hz]
    samples : ndarray of float32, shape (sensors, n)
        NaN where one was lost. [m/s2]
    begin_elapsed_s : float
        Time of the first sample on the gateway's steady clock. [s]
    turns : ndarray of float64, shape (n,)
        How far the driveshaft has turned at each sample; all alike while it stands. [turns]
    turns_tolerance : float
        Relative error of the turns: 0 from a tacho or the transmission's output speed, about 0.02 from road speed and
        the tyre's nominal size.
    gear_ratio : float or None
        Driven, if known.
    missing, clipped : int
        Samples that the source counted as lost, or as standing at the end of a sensor's range, over all sensors.
    full_scale : float or None
        End of the sensors' range, if known. [m/s2]
    sensors : tuple of str
        Names, if known.
    """

    axle: int
    rate_hz: float
    samples: NDArray[np.float32]
    begin_elapsed_s: float
    turns: NDArray[np.float64]
    turns_tolerance: float = 0.0
    gear_ratio: float | None = None
    missing: int = 0
    clipped: int = 0
    full_scale: float | None = None
    sensors: tuple[str, ...] = ()


def waveform_features(waveform: Waveform, vehicle: VehicleSpec) -> dict[str, float]:
    """Return the ``vib/`` channels of one window, those left out that it cannot tell.

    Of several sensors each line takes the greatest value, since a source is felt best where the path to it is short
    (own choice). Sensors in doubt (clipped, loose, samples lost) have no say while another is without; the bits of
    ``vib/quality`` are those of all sensors together, so that a doubtful one is seen.

    Raises
    ------
    ModelError
        Samples and turns do not match, or the truck has no such axle.
    """
    machine = machine_of(vehicle, waveform.axle, waveform.gear_ratio, waveform.turns_tolerance)
    return machine_features(waveform, machine)


def machine_features(waveform: Waveform, machine: Machine) -> dict[str, float]:
    """Return the same for a machine that stands in no fleet file."""
    samples = np.atleast_2d(waveform.samples)
    if samples.shape[0] == 0:
        raise ModelError(f"axle {waveform.axle}: the window holds no sensor")
    found = window_features(samples, waveform.rate_hz, waveform.turns, machine, waveform.full_scale)
    bits = found.pop(QUALITY).astype(np.int64)
    # The speed is the same for all of them.
    trusted = (bits & ~SPEED_CHANGED) == 0
    channels: dict[str, float] = {}
    for name, values in found.items():
        told = np.isfinite(values)
        said = values[told & trusted] if np.any(told & trusted) else values[told]
        if said.size:
            channels[name] = float(said.max())
    channels[QUALITY] = float(int(np.bitwise_or.reduce(bits)) | _counted(waveform, samples.size))
    return channels


def _counted(waveform: Waveform, size: int) -> int:
    """Return the doubts that the source itself counted."""
    lost = waveform.missing > MOST_MISSING * size
    return (SAMPLES_MISSING if lost else 0) | (CLIPPED if waveform.clipped > 1 else 0)
