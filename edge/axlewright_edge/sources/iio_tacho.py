"""Pulses of a tacho, seen by a converter, into the turns of the driveshaft so far."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from axlewright_models.vibration.angle import turns_from_tacho

Array = NDArray[np.float64]
# Slopes at a pulse come from its neighbours: what lies before the last pulse but one will not change any more.
UNSETTLED = 2
# Pulses kept to go on from.
KEPT = 4
# A shaft whose pulses stay away for longer stands, or the tacho has lost it. Own choice.
STANDING_S = 1.0
# To count again the signal must first fall below this share of the threshold: noise on a slow edge is one pulse.
FALLS_BELOW = 0.8


class PulseCounter:
    """Counts the rising edges of a signal that comes in runs, and tells the turns at its samples.

    Parameters
    ----------
    threshold : float
        Above 0. [unit of the signal]
    pulses_per_turn : int
        Of the tacho.

    Examples
    --------
    Two pulses a turn, one every eight samples of 1/80 s: five turns a second.

    >>> counter = PulseCounter(1.0, 2)
    >>> turns, first = counter.take(np.tile([0.0, 0.0, 0.0, 0.0, 2.0, 2.0, 2.0, 2.0], 10), 80.0)
    >>> first, turns[:3].round(4).tolist(), round(float(turns[-1] - turns[0]) / (turns.size - 1) * 80.0, 6)
    (4, [0.0312, 0.0938, 0.1562], 5.0)
    """

    def __init__(self, threshold: float, pulses_per_turn: int) -> None:
        self._threshold = threshold
        self._pulses_per_turn = pulses_per_turn
        self._count = 0
        self._place = 0
        self._told = 0
        self._pulses: list[float] = []
        self._last = math.nan
        self._armed = False

    @property
    def place(self) -> int:
        """Return the place of the next sample, counted from the very first one of all runs."""
        return self._place

    def take(self, signal: Array, rate_hz: float) -> tuple[Array, int]:
        """Return the turns at the samples that are settled now, and the place of the first of them.

        Parameters
        ----------
        signal : ndarray, shape (n,)
            Follows on from the last run.
        rate_hz : float
            [Hz]

        Returns
        -------
        turns : ndarray, shape (m,)
            Empty while too few pulses have come. [turns]
        first : int
            Place of the first one, counted from the very first sample of all runs.
        """
        begin = self._place
        found = self._edges(signal)
        self._place += signal.size
        if self._pulses and (found[0] if found else self._place) - self._pulses[-1] > STANDING_S * rate_hz:
            # Nobody saw how far the shaft turned meanwhile.
            self._pulses, self._told = [], begin
        self._pulses += found
        self._count += len(found)
        if len(self._pulses) <= UNSETTLED + 1:
            return np.empty(0), self._told
        first, last = max(self._told, math.ceil(self._pulses[0])), math.floor(self._pulses[-UNSETTLED])
        if last < first:
            return np.empty(0), first
        turns = turns_from_tacho(self._pulses, self._pulses_per_turn, np.arange(first, last + 1, dtype=np.float64))
        turns += (self._count - len(self._pulses)) / self._pulses_per_turn
        self._told = last + 1
        while len(self._pulses) > KEPT and self._pulses[KEPT - 1] < self._told:
            del self._pulses[0]
        return turns, first

    def lost(self, samples: int) -> None:
        """Take note that samples are missing: pulses may be too."""
        self._place += samples
        self._pulses, self._told, self._armed, self._last = [], self._place, False, math.nan

    def _edges(self, signal: Array) -> list[float]:
        """Return where the signal rises through the threshold, between samples."""
        found = []
        before = np.concatenate([[self._last], signal[:-1]])
        self._last = float(signal[-1])
        low = signal < FALLS_BELOW * self._threshold
        falling = low & ~(before < FALLS_BELOW * self._threshold)
        rising = (before < self._threshold) & (signal >= self._threshold)
        for place in np.flatnonzero(falling | rising):
            if falling[place]:
                self._armed = True
            elif self._armed:
                self._armed = False
                share = (self._threshold - before[place]) / (signal[place] - before[place])
                found.append(self._place + float(place) - 1.0 + float(share))
        return found
