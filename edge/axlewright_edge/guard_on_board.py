"""The guard of one agent: watches its windows, writes its word into them, moves the outputs when the word changes."""

from __future__ import annotations

import functools
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from axlewright_edge.guard import QUIET, Guard
from axlewright_edge.guard_outputs import GuardOutputs, Words
from axlewright_edge.limits_keeper import LimitsKeeper
from axlewright_models.errors import ModelError
from axlewright_models.guard_limits import guard_limits
from axlewright_models.signals import GUARD_WORDS
from axlewright_models.spec import FleetSpec, VehicleSpec, load_fleet
from axlewright_models.wire.frames import Window
from axlewright_models.wire.messages import SourceHealth

if TYPE_CHECKING:
    from axlewright_edge.bus_faults import BusFaults
    from axlewright_edge.config import AgentSettings

CHANNEL = "guard"


class GuardOnBoard:
    """Watches a truck's windows; works with the link down.

    Parameters
    ----------
    settings : AgentSettings
        The agent file.
    source : object, optional
        The truck's source; where it can ``announce`` trouble codes on a vehicle bus, it is told.
    """

    def __init__(self, settings: AgentSettings, source: object = None) -> None:
        own = settings.guard
        vehicle = _specification(settings)
        kept = Path(own.limits_file) if own.limits_file else Path(settings.outbox.path).with_suffix(".limits.json")
        known = None if vehicle is None else guard_limits(settings.fleet, vehicle)
        self.limits = LimitsKeeper(settings.fleet, settings.vehicle, kept, known)
        self._guard = Guard(self.limits.of)
        self._words: dict[int, str] = {}
        self._bus = None if vehicle is None else _bus_faults(source, vehicle)
        others = () if self._bus is None else (self._bus.tell,)
        self.advisories = self._bus if own.advisories else None
        self._outputs = GuardOutputs(own, settings.vehicle, is_quiet, *others)

    @property
    def words(self) -> Words:
        """What the guard says of each axle now."""
        return self._words

    def watch(self, window: Window) -> Window:
        """Return the window with the guard's word for each axle that it could judge."""
        words = self._guard.watch(window)
        if self.advisories is not None:
            self.advisories.tend()
        self._words = {**self._words, **words}
        # At every window: a lamp that could not be lit is tried again, one that burns is left alone.
        self._outputs.tell(self._words)
        if not words:
            return window
        axles = {
            axle: {**values, CHANNEL: float(GUARD_WORDS.index(words[axle]))} if axle in words else values
            for axle, values in window.axles.items()
        }
        return Window(window.time_s, window.vehicle, axles)

    def health(self) -> SourceHealth:
        """Return what it says, and whether limits and outputs are well."""
        said = ", ".join(f"axle {axle} {word}" for axle, word in sorted(self._words.items()) if word != QUIET)
        problem = "; ".join(text for text in (self.limits.problem, self._outputs.problem) if text)
        note = "; ".join(text for text in (said, problem) if text)
        return SourceHealth(name="guard", state="failed" if problem else "ok", note=note[:300])

    def idle(self, timeout_s: float) -> bool:
        """Wait until the outputs have been told all; return whether they have."""
        return self._outputs.idle(timeout_s)

    def stop(self) -> None:
        """End the outputs' thread."""
        self._outputs.stop()


def is_quiet(words: Words) -> bool:
    """Return whether nothing is said."""
    return all(word == QUIET for word in words.values())


@functools.lru_cache(maxsize=2)
def _fleet(file: str, written_ns: int) -> FleetSpec:
    """Return the fleet file: many agents of one process read the same one."""
    return load_fleet(file)


def _specification(settings: AgentSettings) -> VehicleSpec | None:
    """Return the truck's entry in the fleet file on board, where there is one that can be read."""
    source = settings.source
    file = getattr(source, "fleet_file", "")
    if not file:
        return None
    try:
        vehicle = _fleet(file, Path(file).stat().st_mtime_ns).vehicle(
            getattr(source, "vehicle", "") or settings.vehicle
        )
    except (ModelError, OSError):
        return None  # The source itself says what is wrong with it.
    # An agent may drive under another name than that of the specification that it borrows.
    return msgspec.structs.replace(vehicle, id=settings.vehicle)


def _bus_faults(source: object, vehicle: VehicleSpec) -> BusFaults | None:
    announce = getattr(source, "announce", None)
    if announce is None:
        return None
    # Only a truck with a vehicle bus needs what encodes trouble codes.
    from axlewright_edge.bus_faults import BusFaults

    return BusFaults(announce, vehicle)
