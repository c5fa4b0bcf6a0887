"""A raw waveform of a simulated truck as it drives now: what it would send if the office asked for a burst.

Speed, torque and gear are those of its newest window, and every line is as large as that window says, so that what is
wrong with the truck shows in the burst too. The strikes of a bearing defect are not in it: windows tell how large their
lines are, not how they are struck.
"""

from __future__ import annotations

import math

from axlewright_models.spec import VehicleSpec
from axlewright_models.wire.frames import Window
from axlewright_simulators.parameters import axle_rows
from axlewright_simulators.waveform import Conditions, Drive, Recording, record

SLOWEST_KM_H = 5.0
RATE_HZ = 6400.0
# Beyond this a line of the window is no multiple of the axle's own, but something else.
MOST_GAIN = 1000.0


def recent_waveform(vehicle: VehicleSpec, position: int, window: Window, seconds: float, seed: int) -> Recording | None:
    """Return what the accelerometer of an axle recorded lately; None when the truck stands.

    Parameters
    ----------
    vehicle : VehicleSpec
        The truck.
    position : int
        Of the axle, from the front.
    window : Window
        The truck's newest.
    seconds : float
        How long. [s]
    seed : int
        Draws the truck's own parameters and the record's noise.
    """
    speed_km_h = window.vehicle.get("speed", 0.0)
    positions = [axle.position for axle in vehicle.drive_axles]
    if not speed_km_h >= SLOWEST_KM_H or position not in positions:
        return None
    gear = window.vehicle.get("gear", 0.0)
    drive = Drive.steady(
        speed_km_h / 3.6,
        seconds,
        torque_n_m=window.vehicle.get("torque", 800.0),
        gear_ratio=gear if gear > 0.0 else None,
    )
    rows, row = axle_rows([vehicle], seed), positions.index(position)
    per_m, cylinders = vehicle.tyre.revolutions_per_km / 1000.0, vehicle.engine.cylinders

    def recorded(conditions: Conditions) -> Recording:
        return record(
            rows,
            row,
            drive,
            seed=seed + round(window.time_s) % 1_000_000,
            rate_hz=RATE_HZ,
            conditions=conditions,
            revolutions_per_m=per_m,
            cylinders=cylinders,
        )

    plain = recorded(Conditions(noise=False))
    told = window.axles.get(position, {})
    gains = {}
    for line in plain.amplitude:
        wanted, own = told.get(f"vib/order/{line}", math.nan), plain.true_amplitude(line)
        if math.isfinite(wanted) and own > 0.0:
            gains[line] = min(wanted / own, MOST_GAIN)
    return recorded(Conditions(gains=gains))
