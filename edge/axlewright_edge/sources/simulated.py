"""Windows of a truck that does not exist, at the pace of the clock or faster."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING

from axlewright_edge.clock import Clock
from axlewright_edge.config import SimulatedSettings
from axlewright_edge.errors import SourceError
from axlewright_edge.features import Waveform
from axlewright_models.spec import VehicleSpec, load_fleet
from axlewright_models.wire.frames import Window

if TYPE_CHECKING:
    from axlewright_simulators.source import SimulatedTruck

PARKED_EVERY_S = 600.0
# After a longer pause the truck goes on from now; what lies between is driven in silence.
LONGEST_CATCH_UP_S = 120.0


class SimulatedSource:
    """One simulated truck.

    Its time runs from `begin` at `speed_up` until it meets the clock, and never passes it. Windows end at whole
    multiples of their length. Asleep (parked, ignition off) the truck gives one window in ten minutes, as a gateway
    that saves the battery does.

    Parameters
    ----------
    settings : SimulatedSettings
        From the agent file; its `vehicle` must be filled in.
    clock : Clock
        Tells the present.
    wait : callable
        Waits for some seconds, or less when the agent must stop.
    window_s : float
        Length of a window. [s]
    """

    can_wait = False
    finished = False

    def __init__(
        self, settings: SimulatedSettings, clock: Clock, wait: Callable[[float], object], window_s: float
    ) -> None:
        self._settings = settings
        self._clock = clock
        self._wait = wait
        self._window_s = window_s
        self._truck: SimulatedTruck | None = None
        self._told_s = -math.inf
        self._asleep = False
        self._newest: Window | None = None

    def open(self, after_s: float | None = None) -> None:
        """Make the truck; it goes on after `after_s` when that is not long ago, else from now or from `begin`."""
        try:
            from axlewright_simulators.source import SimulatedTruck
        except ModuleNotFoundError as error:
            raise SourceError(
                f"source.kind is simulated, which needs {error.name!r}; pip install 'axlewright[simulators]'"
            ) from error
        settings = self._settings
        self._truck = SimulatedTruck(
            load_fleet(settings.fleet_file),
            settings.vehicle,
            settings.seed,
            settings.state_file or None,
            anchor_s=None if settings.anchor is None else settings.anchor.timestamp(),
        )
        self._origin_s = self._first_s(after_s)
        self._opened_s = self._clock.elapsed()
        self._end_s = self._next_end(self._origin_s)

    def read(self, timeout_s: float) -> Window | None:
        """Return the next window once its end has come."""
        ahead_s = self._end_s - self._present_s()
        if ahead_s > 0.0:
            self._wait(min(timeout_s, ahead_s / self._settings.speed_up))
            if self._end_s > self._present_s():
                return None
        return self._step()

    def set_window(self, seconds: float) -> None:
        """Change the length of the windows to come."""
        self._window_s = seconds
        self._end_s = self._next_end(self._end_s - 1e-6)

    def close(self) -> None:
        """Save the truck's state."""
        if self._truck is not None:
            self._truck.close()
            self._truck = None

    def _step(self) -> Window | None:
        if self._truck is None:
            raise SourceError("the simulated source is not open")
        end_s = self._end_s
        self._end_s = self._next_end(end_s)
        window = self._truck.window(end_s, self._window_s)
        was_asleep = self._asleep
        self._asleep = window.vehicle.get("parked", 0.0) >= 0.5 and window.vehicle.get("ignition", 1.0) < 0.5
        if self._asleep and was_asleep and end_s - self._told_s < PARKED_EVERY_S:
            return None
        self._told_s = end_s
        self._newest = window
        return window

    def waveform_axles(self) -> list[int]:
        """Return the axles with a (simulated) accelerometer."""
        return [] if self._truck is None else [axle.position for axle in self._vehicle().drive_axles]

    def waveform(self, axle: int, seconds: float) -> Waveform | None:
        """Return raw vibration as the truck drives now; None while it stands."""
        if self._newest is None or self._asleep or self._truck is None:
            return None
        from axlewright_simulators.waveform_of_truck import recent_waveform

        told = recent_waveform(self._vehicle(), axle, self._newest, seconds, self._settings.seed)
        if told is None:
            return None
        return Waveform(
            axle=axle,
            rate_hz=told.rate_hz,
            samples=told.samples.astype("f4"),
            begin_elapsed_s=self._clock.elapsed() - seconds,
            turns=told.turns,
            sensors=("simulated",),
        )

    def _vehicle(self) -> VehicleSpec:
        assert self._truck is not None  # those who call have looked
        return self._truck.fleet.vehicle(self._truck.vehicle)

    def _first_s(self, after_s: float | None) -> float:
        """Return where the truck's time begins."""
        now_s = self._clock.now()
        known_s = -math.inf if after_s is None else min(after_s, now_s)
        if self._settings.begin is not None:
            return max(min(now_s, self._settings.begin.timestamp()), known_s)
        return known_s if now_s - known_s < LONGEST_CATCH_UP_S else now_s

    def _present_s(self) -> float:
        """Return the truck's own time: from `begin` at `speed_up`, and never past the clock."""
        if self._settings.begin is None:
            return self._clock.now()
        driven_s = (self._clock.elapsed() - self._opened_s) * self._settings.speed_up
        return min(self._clock.now(), self._origin_s + driven_s)

    def _next_end(self, after_s: float) -> float:
        return (math.floor(after_s / self._window_s) + 1.0) * self._window_s
