"""The source that an agent file asks for."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from axlewright_edge.clock import Clock
from axlewright_edge.config import AgentSettings, ReplaySettings, SensorsSettings, SimulatedSettings
from axlewright_edge.errors import SourceError
from axlewright_edge.sources.base import Source
from axlewright_edge.sources.blocks import BlockSource
from axlewright_edge.sources.replay import ReplaySource
from axlewright_edge.sources.simulated import SimulatedSource

if TYPE_CHECKING:
    from axlewright_edge.sources.combined import CombinedSource
    from axlewright_models.spec import VehicleSpec


def make_source(settings: AgentSettings, clock: Clock, wait: Callable[[float], object]) -> Source:
    """Return the source, not yet open; `wait` waits for some seconds, or less when the agent must stop.

    Raises
    ------
    ModelError
        The fleet file of a truck with sensors cannot be read, or does not hold the truck or an axle of it.
    """
    source = settings.source
    vehicle = source.vehicle or settings.vehicle
    if isinstance(source, SimulatedSettings):
        return SimulatedSource(msgspec.structs.replace(source, vehicle=vehicle), clock, wait, settings.window_s)
    if isinstance(source, ReplaySettings):
        return ReplaySource(Path(source.file), vehicle, source.speed, clock, wait)
    return combined_source(source, vehicle, clock, wait, settings.window_s)


def combined_source(
    source: SensorsSettings, vehicle: str, clock: Clock, wait: Callable[[float], object], window_s: float
) -> CombinedSource:
    """Return a truck's own sensors as one source, not yet open."""
    # What only a truck with sensors needs is not loaded for a simulated or a recorded one.
    from axlewright_edge.sources.combined import CombinedSource
    from axlewright_models.spec import load_fleet

    spec = load_fleet(source.fleet_file).vehicle(vehicle)
    for problem in axle_problems(source, spec):
        raise SourceError(problem)
    return CombinedSource(
        block_sources(source, spec, clock),
        clock,
        wait,
        spec,
        window_s,
        overlap=source.overlap,
        recent_s=source.recent_s,
        stale_s=source.stale_after_s,
        full_scale=full_scales(source),
    )


def block_sources(source: SensorsSettings, vehicle: VehicleSpec, clock: Clock) -> list[BlockSource]:
    """Return the sources of a truck, not yet open; the vehicle bus last: a sensor added on purpose has the word.

    Raises
    ------
    SourceError
        A library that a source needs is not installed; the text names the extra to install.
    """
    found: list[BlockSource] = []
    if source.iio:
        from axlewright_edge.sources.iio import IioSource

        found += [IioSource(entry, clock) for entry in source.iio]
    if source.recording:
        from axlewright_edge.sources.recording import RecordingSource

        found += [RecordingSource(entry, clock) for entry in source.recording]
    if source.j1939 is not None:
        from axlewright_edge.sources.j1939 import make_j1939

        found.append(make_j1939(source.j1939, vehicle, clock))
    return found


def axle_problems(source: SensorsSettings, vehicle: VehicleSpec) -> Iterator[str]:
    """Yield where a sensor is said to sit on an axle that the truck does not have, with the key's path."""
    positions = [axle.position for axle in vehicle.axles]
    named = [
        (f"source.iio[{number}].channels[{place}].axle", channel.axle)
        for number, entry in enumerate(source.iio)
        for place, channel in enumerate(entry.channels)
        if channel.axle
    ]
    named += [(f"source.recording[{number}].axle", entry.axle) for number, entry in enumerate(source.recording)]
    for key, axle in named:
        if axle not in positions:
            there = ", ".join(str(position) for position in positions)
            yield f"{key}: {axle} is no axle of {vehicle.id}; by {source.fleet_file} it has {there}"


def full_scales(source: SensorsSettings) -> dict[str, float]:
    """Return the end of the range of each accelerometer for which the file names one. [m/s2]"""
    from axlewright_edge.sources.iio_settings import sensor_name

    return {
        sensor_name(entry, channel): channel.full_scale
        for entry in source.iio
        for channel in entry.channels
        if channel.full_scale is not None
    }
