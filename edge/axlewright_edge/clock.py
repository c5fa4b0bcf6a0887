"""The truck's clock behind one small protocol, and a twin for tests that moves only when told."""

from __future__ import annotations

import threading
import time
from typing import Protocol

# A gateway without a battery starts in 1970 or at its image's date; before this no reading can be true.
EARLIEST_TRUE_TIME_S = 1_735_689_600.0  # 2025-01-01T00:00:00Z


class Clock(Protocol):
    """What the agent needs to know of time."""

    def now(self) -> float:
        """Return the Unix time. [s]"""

    def elapsed(self) -> float:
        """Return a time that never jumps back; only differences mean something. [s]"""


def clock_is_set(clock: Clock) -> bool:
    """Return whether the clock can be trusted.

    Examples
    --------
    >>> clock_is_set(ManualClock(12.0)), clock_is_set(ManualClock(1.8e9))
    (False, True)
    """
    return clock.now() >= EARLIEST_TRUE_TIME_S


class SystemClock:
    """The machine's own clock."""

    def now(self) -> float:
        """Return the Unix time. [s]"""
        return time.time()

    def elapsed(self) -> float:
        """Return the monotonic time. [s]"""
        return time.monotonic()


class ManualClock:
    """A clock that stands still until :meth:`advance` moves it.

    Examples
    --------
    >>> clock = ManualClock(1.8e9)
    >>> clock.advance(10.0)
    >>> clock.now(), clock.elapsed()
    (1800000010.0, 10.0)
    """

    def __init__(self, now_s: float) -> None:
        self._lock = threading.Lock()
        self._begin_s = now_s
        self._elapsed_s = 0.0

    def now(self) -> float:
        """Return the Unix time. [s]"""
        with self._lock:
            return self._begin_s + self._elapsed_s

    def elapsed(self) -> float:
        """Return the time since the clock was made. [s]"""
        with self._lock:
            return self._elapsed_s

    def advance(self, seconds: float) -> None:
        """Let time pass."""
        with self._lock:
            self._elapsed_s += seconds
