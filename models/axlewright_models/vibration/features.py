"""One window of samples into the ``vib/`` channels.

Order amplitudes come from a spectrum over driveshaft angle, so that a window in which the truck speeds
up still gives sharp lines; envelope amplitudes from the band that the signal itself picks.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_models.bearing_decision import Decision, Search, decide
from axlewright_models.bearings import Geometry, amplitudes_at_defects, defect_orders
from axlewright_models.errors import ModelError
from axlewright_models.orders import Train, source_orders
from axlewright_models.signals import ENVELOPE_CHANNELS, ORDER_CHANNELS
from axlewright_models.vibration.angle import order_spectrum, over_angle, speed_range
from axlewright_models.vibration.descriptors import crest_factor, kurtosis, rms
from axlewright_models.vibration.envelope import Band, best_band, candidate_bands, complex_envelope, kurtogram_of
from axlewright_models.vibration.integration import velocity_rms_of
from axlewright_models.vibration.order_lines import AngleRecord, line_amplitudes, placed
from axlewright_models.vibration.quality import (
    CLIPPED,
    MOST_MISSING,
    SAMPLES_MISSING,
    SENSOR_LOOSE,
    SPEED_CHANGED,
    clipped,
    fill_gaps,
    sensor_loose,
    speed_changed,
)
from axlewright_models.vibration.spectra import Spectrum

Array = NDArray[np.float64]
Samples = NDArray[np.floating]
Lines = NDArray[np.complexfloating]

# Two bins must fit between the wheel's third order and the driveshaft's first (0.12 orders at a ratio of 3.42).
FEWEST_TURNS = 18.0
# The customary band of vibration severity.
VELOCITY_BAND_HZ = (10.0, 1000.0)
# An envelope must hold so many harmonics of the fastest defect rhythm.
HARMONICS_IN_BAND = 3.0
# The spectrum of a squared envelope falls to nought at the width of its band: judge only the larger part.
USED_PART_OF_BAND = 0.8
# Where a line is read, its slip of 2 % and the width of a line beside it.
SLIP_MARGIN = 1.06


@dataclass(frozen=True)
class Machine:
    """What the vibration is measured on.

    Parameters
    ----------
    train : Train
        What turns.
    gear_ratio : float or None
        Driven during the window; None leaves the engine's orders out.
    bearing : Geometry or None
        Of the bearing to watch; None leaves the envelope out.
    order_tolerance : float
        Relative error of the turns: 0 with a shaft tacho, about 0.02 when they come from road speed and the tyre's
        nominal size.
    """

    train: Train
    gear_ratio: float | None = None
    bearing: Geometry | None = None
    order_tolerance: float = 0.0


def window_features(
    samples: ArrayLike, rate_hz: float, shaft_turns: ArrayLike, machine: Machine, full_scale: float | None = None
) -> dict[str, Array]:
    """Return the vibration channels of one window.

    Parameters
    ----------
    samples : array_like, shape (sensors, n)
        Acceleration, evenly spaced, NaN where a sample was lost; float32 is worked on as it is. [m/s2]
    rate_hz : float
        [Hz]
    shaft_turns : array_like, shape (n,)
        How far the driveshaft has turned at each sample, as from
        :func:`~axlewright_models.vibration.angle.turns_from_speed`; all alike for a standing truck. [turns]
    machine : Machine
        What is measured on.
    full_scale : float or None
        End of the sensors' range, if known. [m/s2]

    Returns
    -------
    dict of str to ndarray, shape (sensors,)
        Keys are the names of all ``vib/`` channels; NaN where the window cannot tell (too many samples missing, too few
        turns, order above what the rate holds, gear or bearing unknown). Envelope values are the root of the line in
        the squared-envelope spectrum, so that they are in m/s2; the velocity is in mm/s; ``vib/quality`` holds bits.
    """
    values, lost = fill_gaps(np.atleast_2d(samples))
    turns = np.asarray(shaft_turns, dtype=np.float64)
    if values.shape[-1] != turns.size:
        raise ModelError(f"samples holds {values.shape[-1]} and shaft_turns {turns.size} values; they must match")
    size = values.shape[-1]
    found: dict[str, Array] = {
        "vib/rms": rms(values),
        "vib/kurtosis": kurtosis(values),
        "vib/crest": crest_factor(values),
    }
    lines = np.fft.rfft(values - values.mean(axis=-1, keepdims=True), axis=-1)
    found["vib/velocity"] = 1000.0 * velocity_rms_of(lines, size, rate_hz, *VELOCITY_BAND_HZ)
    found |= dict.fromkeys((*ORDER_CHANNELS, *ENVELOPE_CHANNELS), np.full(values.shape[0], np.nan))
    made = float(turns[-1] - turns[0])
    if made >= FEWEST_TURNS and np.all(np.diff(turns) > 0.0):
        found |= _order_features(lines, rate_hz, turns, machine)
        if machine.bearing is not None:
            found |= _envelope_features(lines, rate_hz, turns, machine.bearing)
    usable = lost <= MOST_MISSING
    found = {name: np.where(usable, numbers, np.nan) for name, numbers in found.items()}
    loose = sensor_loose(lines, size, rate_hz, made * rate_hz / size) & usable
    doubts = CLIPPED * clipped(values, full_scale) + SAMPLES_MISSING * ~usable + SENSOR_LOOSE * loose
    found["vib/quality"] = np.asarray(doubts + SPEED_CHANGED * speed_changed(turns), dtype=np.float64)
    return found


def order_features(samples: Samples, rate_hz: float, shaft_turns: Array, machine: Machine) -> dict[str, Array]:
    """Return the amplitude at every source's order, for the ``vib/order/`` channels within reach of the rate."""
    lines = np.fft.rfft(samples - samples.mean(axis=-1, keepdims=True), axis=-1)
    return _order_features(lines, rate_hz, shaft_turns, machine)


def _order_features(lines: Lines, rate_hz: float, shaft_turns: Array, machine: Machine) -> dict[str, Array]:
    orders = {
        f"vib/order/{name}": order / machine.train.ratio
        for name, order in source_orders(machine.train, machine.gear_ratio).items()
        if f"vib/order/{name}" in ORDER_CHANNELS
    }
    fastest = float(np.diff(shaft_turns).max())
    reach = {name: order for name, order in orders.items() if 1.1 * order * fastest < 0.44}
    if not reach:
        return {}
    samples, per_turn = over_angle(lines, rate_hz, shaft_turns, 1.1 * max(reach.values()))
    slowest, fastest = speed_range(shaft_turns)
    record = AngleRecord(samples, per_turn, float(np.log(fastest / slowest)))
    return line_amplitudes(record, placed(record, reach, machine.order_tolerance))


@dataclass(frozen=True)
class EnvelopeView:
    """The envelope of one sensor: the band chosen, and its squared-envelope order spectrum."""

    band: Band
    spectrum: Spectrum


def envelope_views(
    samples: ArrayLike, rate_hz: float, shaft_turns: ArrayLike, bearing: Geometry
) -> tuple[EnvelopeView, ...]:
    """Return the envelope of every sensor in the band where it is most impulsive, over shaft angle.

    Arguments as in :func:`window_features`. Bands too narrow for the bearing's rhythms at this speed are not tried.
    """
    values = np.atleast_2d(np.asarray(samples, dtype=np.float64))
    highest = HARMONICS_IN_BAND * max(defect_orders(bearing).values())
    return _envelope_views(np.fft.rfft(values, axis=-1), rate_hz, np.asarray(shaft_turns, np.float64), bearing, highest)


def _envelope_views(
    lines: Lines, rate_hz: float, turns: Array, bearing: Geometry, highest: float
) -> tuple[EnvelopeView, ...]:
    size = turns.size
    fastest = float(np.diff(turns).max()) * rate_hz
    rhythm = HARMONICS_IN_BAND * max(defect_orders(bearing).values()) * fastest
    narrowest = min(rhythm / USED_PART_OF_BAND, 0.5 * rate_hz)
    table = kurtogram_of(lines, size, rate_hz, candidate_bands(rate_hz, narrowest))
    views = []
    for row, bands in zip(lines, table, strict=True):
        band = best_band(bands)
        # Squaring doubles the width of the band, so twice the samples hold it whole.
        envelope, rate = complex_envelope(row, size, rate_hz, band.low_hz, band.high_hz, padding=2)
        places = np.arange(envelope.size) * (rate_hz / rate)
        # The last envelope samples lie beyond the last sample of the record.
        kept = places <= size - 1
        bent = np.interp(places[kept], np.arange(size), turns)
        width = USED_PART_OF_BAND * (band.high_hz - band.low_hz) / fastest
        squared = envelope.real[kept] ** 2 + envelope.imag[kept] ** 2
        views.append(EnvelopeView(band, order_spectrum(squared, rate, bent, min(highest, width))))
    return tuple(views)


def envelope_features(samples: Samples, rate_hz: float, shaft_turns: Array, bearing: Geometry) -> dict[str, Array]:
    """Return the ``vib/envelope/`` channels."""
    return _envelope_features(np.fft.rfft(samples, axis=-1), rate_hz, shaft_turns, bearing)


def _envelope_features(lines: Lines, rate_hz: float, shaft_turns: Array, bearing: Geometry) -> dict[str, Array]:
    # The first harmonic of the fastest rhythm is all that is read here.
    highest = SLIP_MARGIN * max(defect_orders(bearing).values())
    views = _envelope_views(lines, rate_hz, shaft_turns, bearing, highest)
    told = [amplitudes_at_defects(view.spectrum, bearing) for view in views]
    return {f"vib/envelope/{fault}": np.sqrt([float(line[fault]) for line in told]) for fault in told[0]}


def bearing_decisions(
    samples: ArrayLike, rate_hz: float, shaft_turns: ArrayLike, bearing: Geometry, search: Search | None = None
) -> tuple[Decision, ...]:
    """Return what every sensor's envelope says about the bearing; arguments as in :func:`window_features`."""
    views = envelope_views(samples, rate_hz, shaft_turns, bearing)
    return tuple(decide(view.spectrum, bearing, search) for view in views)
