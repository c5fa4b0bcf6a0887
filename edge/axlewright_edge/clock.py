"""The truck's clock behind one small protocol, and a twin for tests that moves only when told.

A gateway without a battery does not know the date when it starts. Until the clock can be trusted `now()` is the same
as `elapsed()`, seconds since the gateway was switched on: such a stamp tells what it is (no reading is older than
2001), never jumps, and is made a true one by adding one number as soon as the date is known.
"""

from __future__ import annotations

import ctypes
import secrets
import threading
import time
from pathlib import Path
from typing import Literal, Protocol

# A gateway without a battery starts in 1970 or at its image's date; before this no reading can be true.
EARLIEST_TRUE_TIME_S = 1_735_689_600.0  # 2025-01-01T00:00:00Z
# Below this a stamp counts from the gateway's start: 31 years of running, or a recording from before September 2001.
UNDATED_BELOW_S = 1_000_000_000.0
Trust = Literal["date", "synchronised"]

_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
_TIME_ERROR = 5  # adjtimex(2): the clock is not synchronised


class Clock(Protocol):
    """What the agent needs to know of time."""

    def now(self) -> float:
        """Return the Unix time; while the clock cannot be trusted, what `elapsed` returns. [s]"""

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


def boot_id() -> str:
    """Return a name of this run of the machine; where the kernel gives none, one that no later run will have."""
    try:
        return _BOOT_ID.read_text(encoding="ascii").strip()
    except OSError:
        return f"unknown-{secrets.token_hex(8)}"


def kernel_says_synchronised() -> bool:
    """Return whether the kernel's clock is disciplined (NTP, GNSS): adjtimex(2) with nothing to change."""
    try:
        # A zeroed struct timex changes nothing; it is larger than on any machine, so its layout need not be known.
        return ctypes.CDLL(None).adjtimex(ctypes.create_string_buffer(1024)) not in (-1, _TIME_ERROR)
    except (OSError, AttributeError):
        return False


class SystemClock:
    """The machine's own clock.

    Parameters
    ----------
    trust : {"date", "synchronised"}
        What makes it trustworthy: any date that can be true, or the kernel's word that it was synchronised.
        Once trusted for its synchronisation it stays so: a truck out of coverage keeps time well enough.
    """

    def __init__(self, trust: Trust = "date") -> None:
        self._synchronised = trust == "date"

    def now(self) -> float:
        """Return the Unix time; while the clock cannot be trusted, what `elapsed` returns. [s]"""
        if not self._synchronised:
            self._synchronised = kernel_says_synchronised()
        now_s = time.time()
        return now_s if self._synchronised and now_s >= EARLIEST_TRUE_TIME_S else self.elapsed()

    def elapsed(self) -> float:
        """Return the time since the machine was switched on, sleep included where the system can tell. [s]"""
        return time.clock_gettime(_STEADY)


# The same for every process of one boot, so that an agent started again can go on with its forerunner's stamps.
_STEADY: int = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)


class ManualClock:
    """A clock that stands still until :meth:`advance` moves it.

    Examples
    --------
    >>> clock = ManualClock(1.8e9)
    >>> clock.advance(10.0)
    >>> clock.now(), clock.elapsed()
    (1800000010.0, 10.0)
    >>> clock.set(1.9e9)
    >>> clock.now(), clock.elapsed()
    (1900000000.0, 10.0)
    """

    def __init__(self, now_s: float = 0.0) -> None:
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

    def set(self, now_s: float) -> None:
        """Step the Unix time, as a time server does."""
        with self._lock:
            self._begin_s = now_s - self._elapsed_s
