"""Pieces of a raw vibration signal: paths from a force to a sensor, a bearing's strikes, the road.

Resonances, clearances and shares without a source beside them are our own choice; no measured truck-axle recordings
were found that could be committed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from axlewright_models.bearings import Geometry, defect_orders
from axlewright_simulators.vibration import GRAIN_HZ, HOP_DAMPING, HOP_HZ, HOP_SHARE

Array = NDArray[np.float64]

# Modes of the housing and of what is bolted to it that no detector is told of: where a strike rings. [Hz], damping.
HOUSING_MODES: tuple[tuple[float, float, float], ...] = ((980.0, 0.03, 0.5), (1730.0, 0.025, 1.0), (2480.0, 0.02, 0.6))
HIGHEST_MODE = 0.4  # of the sample rate
# Rollers slip a little, and never twice the same.
SLIP_MEAN, SLIP_SCATTER = 0.004, 0.01


@dataclass(frozen=True)
class Mode:
    """One resonance between a force and a sensor: unit gain far below it, -180 degrees far above."""

    resonance_hz: float
    damping: float

    def sections(self, rate_hz: float) -> tuple[Array, Array]:
        """Return the digital filter (bilinear, warped to be exact at the resonance)."""
        if self.resonance_hz > HIGHEST_MODE * rate_hz:  # beyond what the rate can hold: nothing of it is felt
            return np.array([1.0]), np.array([1.0])
        omega = 2.0 * np.pi * self.resonance_hz
        warped = 2.0 * rate_hz * np.tan(0.5 * omega / rate_hz)
        scale = omega / warped  # so that the resonance lands where it belongs
        numerator, denominator = [omega**2], [1.0, 2.0 * self.damping * omega, omega**2]
        digital: tuple[Array, Array] = signal.bilinear(numerator, denominator, rate_hz * scale)
        return digital

    def through(self, force: Array, rate_hz: float) -> Array:
        """Return what the sensor feels of a force, same shape (..., n); the start is settled, not a blow."""
        numerator, denominator = self.sections(rate_hz)
        return np.asarray(signal.lfilter(numerator, denominator, force, axis=-1))

    def gain(self, frequency_hz: Array, rate_hz: float) -> Array:
        """Return the filter's own gain at each frequency: the truth that an analysis is held to."""
        numerator, denominator = self.sections(rate_hz)
        _, response = signal.freqz(numerator, denominator, worN=np.ravel(frequency_hz), fs=rate_hz)
        return np.abs(response).reshape(np.shape(frequency_hz))


def ring(blows: Array, rate_hz: float) -> Array:
    """Return what a train of blows sounds like through the housing: its modes struck, ringing out; shape (n,)."""
    total = np.zeros_like(blows)
    length = min(blows.size, int(0.05 * rate_hz) + 1)
    time = np.arange(length) / rate_hz
    for frequency, damping, share in HOUSING_MODES:
        if frequency > HIGHEST_MODE * rate_hz:
            continue
        decay = np.exp(-2.0 * np.pi * damping * frequency * time)
        total += share * signal.oaconvolve(blows, decay * np.sin(2.0 * np.pi * frequency * time))[: blows.size]
    return total


def strikes(turns: Array, geometry: Geometry, race: str, size: Array | float, random: np.random.Generator) -> Array:
    """Return the blows that a flaw on a race deals, one sample each, shape (n,).

    Parameters
    ----------
    turns : ndarray, shape (n,)
        Of the shaft that carries the turning ring. [turns]
    geometry : Geometry
        Of the bearing.
    race : str
        Where the flaw is: one of ``models.bearings.FAULTS``.
    size : ndarray of shape (n,) or float
        Height of a blow. [m/s2]
    random : Generator
        Draws the slip and the scatter of the blows.

    Notes
    -----
    A flaw of the turning race is carried through the load zone once a turn, one of a roller once a turn of the cage:
    the blow swells and fades with it. A broken cage strikes softly, at its own slow rhythm.
    """
    orders = defect_orders(geometry)
    rhythm = orders[race] * (1.0 - SLIP_MEAN)
    count = int((turns[-1] - turns[0]) * rhythm)
    if count < 1:
        return np.zeros_like(turns)
    steps = 1.0 + SLIP_SCATTER * random.standard_normal(count)
    at = turns[0] + (random.uniform() + np.cumsum(steps) - 0.5) / rhythm
    places = np.searchsorted(turns, at[at < turns[-1]])
    carried = {"inner-race": 1.0, "rolling-element": orders["cage"]}.get(race)
    zone = 1.0 if carried is None else 0.5 + 0.5 * np.cos(2.0 * np.pi * carried * turns[places])
    height = np.broadcast_to(np.asarray(size, dtype=np.float64), turns.shape)[places]
    blows = np.zeros_like(turns)
    np.add.at(blows, places, height * zone * np.exp(0.25 * random.standard_normal(places.size)))
    return blows


def road(speed_m_s: Array, level: float, rate_hz: float, random: np.random.Generator) -> Array:
    """Return the acceleration that the road gives the axle, shape (n,): rms `level` times speed, most of it as hop.

    The axle hops on its tyres (one mode), the tyre and the road's grain fill the band above it, falling 6 dB an octave.
    """
    white = random.standard_normal((2, speed_m_s.size))
    hop = Mode(HOP_HZ, HOP_DAMPING).through(white[0], rate_hz)
    grain = signal.lfilter([1.0], [1.0, -np.exp(-2.0 * np.pi * GRAIN_HZ / rate_hz)], white[1])
    shares: Sequence[float] = (HOP_SHARE, (1.0 - HOP_SHARE**2) ** 0.5)
    parts = zip((hop, np.asarray(grain)), shares, strict=True)
    mixed = sum((share * part / part.std() for part, share in parts), np.zeros_like(speed_m_s))
    return np.asarray(level * speed_m_s * mixed)


def slow_wander(size: int, rate_hz: float, depth: float, random: np.random.Generator) -> Array:
    """Return a factor about 1 that wanders over some seconds with this relative depth, shape (n,)."""
    knots = max(4, int(size / rate_hz / 2.0) + 3)
    coarse = 1.0 + depth * random.standard_normal(knots)
    return np.interp(np.linspace(0.0, knots - 1.0, size), np.arange(knots), np.clip(coarse, 0.2, 1.8))
