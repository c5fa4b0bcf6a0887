"""When the samples of a buffered device were taken, on the gateway's own steady clock.

The device counts by its own oscillator and its driver may stamp scans by another clock; both are brought to the
gateway's. A transfer can only come late, never early, so the least delay seen is the true distance between the clocks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

# A stamp that is off by more means that the driver's clock was stepped: at once when scans seem to come before they
# were taken; when they seem late only if they stay so, since a busy gateway also reads late. Own choice.
CLOCK_STEPPED_S = 1.0
STEPPED_AFTER_S = 5.0
# A drift of 100 ppm between two clocks moves them by a tenth of a millisecond a second; this follows twice as fast.
FOLLOW_PER_S = 2e-4
# Without stamps: more than this behind the gateway's clock, and scans were lost. Own choice.
LOST_S = 0.25
# A crystal is right to 100 ppm, an accelerometer's own oscillator to a few percent: measured before it is believed.
MEASURE_OVER_S = 2.0
RATE_DOUBT = 0.2
# One scan late is jitter, half a scan more is a gap. Own choice.
GAP_SCANS = 1.5


@dataclass(frozen=True)
class Placed:
    """When a run of scans was taken: time of the first one, scans lost before it, scans a second."""

    elapsed_s: float
    missing: int
    rate_hz: float


class ScanTimes:
    """Places runs of scans in time.

    Parameters
    ----------
    rate_hz : float
        What the device says. [Hz]

    Examples
    --------
    >>> times = ScanTimes(100.0)
    >>> round(times.place(10, arrived_s=5.0, stamps_s=(1000.0, 1000.09)).elapsed_s, 6)
    4.91
    >>> times.place(10, arrived_s=5.4, stamps_s=(1000.4, 1000.49)).missing
    30
    """

    def __init__(self, rate_hz: float) -> None:
        self._stated_hz = rate_hz
        self._delay_s = math.nan
        self._first_stamp_s = math.nan
        self._last_stamp_s = math.nan
        self._counted = 0
        self._next_s = math.nan
        self._arrived_s = math.nan
        self._late_since_s = math.nan

    @property
    def rate_hz(self) -> float:
        """Return the rate: as measured by the stamps once that is long enough, else as stated."""
        stretch_s = self._last_stamp_s - self._first_stamp_s
        if not stretch_s >= MEASURE_OVER_S:
            return self._stated_hz
        measured_hz = self._counted / stretch_s
        return measured_hz if abs(measured_hz / self._stated_hz - 1.0) < RATE_DOUBT else self._stated_hz

    def place(self, scans: int, arrived_s: float, stamps_s: tuple[float, float] | None = None) -> Placed:
        """Return when a run of scans was taken.

        Parameters
        ----------
        scans : int
            How many, 1 or more.
        arrived_s : float
            When they were read. [s]
        stamps_s : tuple of float, optional
            The driver's stamps of the first and the last of them, on its own clock. [s]
        """
        return self._by_stamps(scans, arrived_s, *stamps_s) if stamps_s else self._by_arrival(scans, arrived_s)

    def _by_stamps(self, scans: int, arrived_s: float, first_s: float, last_s: float) -> Placed:
        delay_s = arrived_s - last_s
        missing = 0
        if math.isnan(self._delay_s) or self._stepped(delay_s, arrived_s):
            self._begin_measuring(delay_s, first_s)
        else:
            gap_s = first_s - self._last_stamp_s
            missing = max(0, round(gap_s * self._stated_hz) - 1) if gap_s * self._stated_hz > GAP_SCANS else 0
            self._counted += scans + missing
            self._delay_s = min(delay_s, self._delay_s + FOLLOW_PER_S * max(0.0, last_s - self._last_stamp_s))
        if self._counted == 0:
            self._counted = scans - 1
        self._last_stamp_s = last_s
        return Placed(first_s + self._delay_s, missing, self.rate_hz)

    def _stepped(self, delay_s: float, arrived_s: float) -> bool:
        if delay_s - self._delay_s <= CLOCK_STEPPED_S:
            self._late_since_s = math.nan
            return delay_s - self._delay_s < -CLOCK_STEPPED_S
        if math.isnan(self._late_since_s):
            self._late_since_s = arrived_s
        return arrived_s - self._late_since_s > STEPPED_AFTER_S

    def _begin_measuring(self, delay_s: float, first_s: float) -> None:
        self._delay_s = delay_s
        self._first_stamp_s = first_s
        self._counted = 0

    def _by_arrival(self, scans: int, arrived_s: float) -> Placed:
        naive_s = arrived_s - (scans - 1) / self._stated_hz
        missing = 0
        if math.isnan(self._next_s):
            self._next_s = naive_s
        elif naive_s - self._next_s > LOST_S:
            missing = round((naive_s - self._next_s) * self._stated_hz)
            self._next_s = naive_s
        else:
            ahead_s = FOLLOW_PER_S * 50.0 * (arrived_s - self._arrived_s)
            self._next_s = min(naive_s, self._next_s + min(ahead_s, naive_s - self._next_s))
        self._arrived_s = arrived_s
        first_s = self._next_s
        self._next_s += scans / self._stated_hz
        return Placed(first_s, missing, self._stated_hz)
