"""The source that an agent file asks for."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import msgspec

from axlewright_edge.clock import Clock
from axlewright_edge.config import AgentSettings, SimulatedSettings
from axlewright_edge.sources.base import Source
from axlewright_edge.sources.replay import ReplaySource
from axlewright_edge.sources.simulated import SimulatedSource


def make_source(settings: AgentSettings, clock: Clock, wait: Callable[[float], object]) -> Source:
    """Return the source, not yet open; `wait` waits for some seconds, or less when the agent must stop."""
    source = settings.source
    vehicle = source.vehicle or settings.vehicle
    if isinstance(source, SimulatedSettings):
        return SimulatedSource(msgspec.structs.replace(source, vehicle=vehicle), clock, wait, settings.window_s)
    return ReplaySource(Path(source.file), vehicle, source.speed, clock, wait)
