"""What the channels of an advisory's evidence read now, beside the numbers of the moment it was raised."""

from __future__ import annotations

from dataclasses import dataclass

from axlewright_models.signals import CHANNELS, INDEX
from axlewright_server.api.records import AdvisoryRecord, Evidence, VehicleState
from axlewright_server.api.states import Material
from axlewright_server.page.texts import figure, unit_text


@dataclass(frozen=True)
class Newest:
    """The newest reading of one channel, in words, and its time."""

    title: str
    text: str
    time_s: float


def newest_readings(advisory: AdvisoryRecord, vehicle: VehicleState, material: Material) -> list[Newest]:
    """Return the newest reading of each channel of the evidence, each once, in the evidence's order."""
    found = (_newest(item, vehicle, material) for item in advisory.evidence)
    return list(dict.fromkeys(one for one in found if one is not None))


def _newest(item: Evidence, vehicle: VehicleState, material: Material) -> Newest | None:
    reading = material.readings.get((vehicle.id, item.plot_axle))
    if reading is None or item.channel not in INDEX:
        return None
    axle = next((one for one in vehicle.axles if one.position == item.plot_axle), None)
    if item.channel.startswith("height/") and axle is not None:
        # The detectors speak of the distance from specification, so the newest reading does as well.
        if axle.ride_height_deviation_mm is None:
            return None
        sides = f"left {figure(axle.ride_height_left_mm, 0)} mm, right {figure(axle.ride_height_right_mm, 0)} mm"
        sign = "+" if axle.ride_height_deviation_mm > 0.0 else ""
        text = f"{sign}{figure(axle.ride_height_deviation_mm, 1)} mm from specification ({sides})"
        return Newest("Ride height", text, reading.time_s)
    value = reading.values.get(item.channel)
    if value is None:
        return None
    channel = CHANNELS[INDEX[item.channel]]
    return Newest(channel.title, f"{figure(value)} {unit_text(channel.unit)}".rstrip(), reading.time_s)
