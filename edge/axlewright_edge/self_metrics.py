"""What the agent costs its gateway, for the status message: processor, memory, temperature."""

from __future__ import annotations

import os
import time
from dataclasses import dataclass
from pathlib import Path

from axlewright_edge.clock import Clock

THERMAL = Path("/sys/class/thermal")
STATM = Path("/proc/self/statm")
# A share over a shorter time than this says more about the moment than about the agent.
SHORTEST_INTERVAL_S = 5.0
_LOWEST_CEL, _HIGHEST_CEL = -55.0, 150.0


@dataclass(frozen=True)
class Metrics:
    """Share of one core since the last time, resident memory, temperature; None where the system does not tell."""

    cpu_share: float | None
    memory_bytes: int | None
    gateway_cel: float | None


class SelfMetrics:
    """Measures this process (all agents that run in it together).

    Parameters
    ----------
    clock : Clock
        Tells how long it was since the last time.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._at_s = clock.elapsed()
        self._cpu_s = time.process_time()
        self._share: float | None = None

    def read(self) -> Metrics:
        """Return the figures now."""
        now_s, cpu_s = self._clock.elapsed(), time.process_time()
        if now_s - self._at_s >= SHORTEST_INTERVAL_S:
            self._share = max(0.0, (cpu_s - self._cpu_s) / (now_s - self._at_s))
            self._at_s, self._cpu_s = now_s, cpu_s
        return Metrics(self._share, resident_bytes(), gateway_cel())


def resident_bytes(statm: Path = STATM) -> int | None:
    """Return the memory that this process holds, shared libraries included; None where the system does not tell."""
    try:
        return int(statm.read_text(encoding="ascii").split()[1]) * os.sysconf("SC_PAGE_SIZE")
    except (OSError, ValueError, IndexError):
        return None


def gateway_cel(thermal: Path = THERMAL) -> float | None:
    """Return the temperature of the gateway's hottest zone; None where it has no such sensor."""
    zones: list[float] = []
    for file in sorted(thermal.glob("thermal_zone*/temp")):
        try:
            zones.append(int(file.read_text(encoding="ascii")) / 1000.0)
        except (OSError, ValueError):
            continue
    plausible = [cel for cel in zones if _LOWEST_CEL <= cel <= _HIGHEST_CEL]
    return max(plausible, default=None)
