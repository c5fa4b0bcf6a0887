"""From the plant's truth to the channels that a truck's sensors report."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from axlewright_models.signals import HEIGHT_MODES
from axlewright_simulators import sensors, thermal
from axlewright_simulators.parameters import AxleRows, TruckRows
from axlewright_simulators.plant import DriveInput, Run, Upsets
from axlewright_simulators.state import PlantState
from axlewright_simulators.vibration import VibrationInput, descriptors

Array = NDArray[np.float64]

TORQUE_REACTION_MM_N_M = 1.0e-3  # trailing arms answer torque with a little height, forward axle up
LEVEL_MM = 62.0  # drop of the lube level against the plug per share of a full sump
THROWN_MM = 7.0  # level that the turning gears hold aloft at cruise
FITTED_TO_ALL_VIBRATION = (
    "vib/rms",
    "vib/kurtosis",
    "vib/order/wheel-1",
    "vib/order/driveshaft-1",
    "vib/order/driveshaft-2",
    "vib/order/mesh-1",
)


class Fitted(Protocol):
    """What measuring needs to know of the fleet."""

    axles: AxleRows
    trucks: TruckRows
    axle_vehicles: tuple[str, ...]
    axle_positions: tuple[int, ...]


@dataclass(frozen=True)
class Measurement:
    """Vehicle channels (t, n), axle channels (t, r), and the plant's state with what the sensors remember."""

    vehicle: dict[str, Array]
    axle: dict[str, Array]
    state: PlantState


def measure(
    fleet: Fitted, drive: DriveInput, upsets: Upsets, run: Run, time_s: Array, random: np.random.Generator
) -> Measurement:
    """Return the windows' channels."""
    lube, held = _lube(fleet, upsets, run, time_s, random)
    axle = {"lube": lube}
    axle |= _heights(fleet, drive, run, random)
    axle |= _sump(fleet, drive, run, random)
    axle |= _vibration(fleet, drive, upsets, run, random)
    _drop_what_is_not_fitted(axle, fleet.axles)
    return Measurement(_vehicle(fleet, drive, upsets, run, random), axle, replace(run.state, held_lube_cel=held))


def _vehicle(
    fleet: Fitted, drive: DriveInput, upsets: Upsets, run: Run, random: np.random.Generator
) -> dict[str, Array]:
    speed = drive.mean("speed")
    on = drive.mean("ignition") > 0.5
    shaft = 60.0 * drive.mean("spin_1") * fleet.trucks.axle_ratio
    # Torque comes from the engine's own estimate: a few per cent wrong.
    torque = drive.mean("torque") * (1.0 + 0.02 * random.standard_normal(speed.shape))
    lowered = HEIGHT_MODES.index("lowered") * (upsets.lowered_mm < -1.0)
    asleep = {
        "speed": sensors.quantise(3.6 * speed, sensors.SPEED_STEP_KM_H),
        "engine-speed": sensors.quantise(drive.mean("engine"), sensors.SHAFT_STEP_1_MIN),
        "shaft-speed": sensors.quantise(shaft, sensors.SHAFT_STEP_1_MIN),
        "torque": sensors.quantise(torque, 5.0),
        "gear": sensors.quantise(drive.gear, 0.001),
        "brake": sensors.quantise(drive.mean("brake"), 0.004),
    }
    ambient = drive.ambient_cel + 0.3 * random.standard_normal(speed.shape)
    awake = {
        "ambient": sensors.quantise(ambient, sensors.AMBIENT_STEP_K),
        "parked": (drive.mean("parked") > 0.5).astype(np.float64),
        "ignition": on.astype(np.float64),
        "odometer": sensors.quantise(run.odometer_km, 0.005),
        "height-mode": lowered.astype(np.float64),
    }
    # Engine and transmission say nothing with the ignition off; speed then reads zero from the axle's own unit.
    asleep = {name: np.where(on, value, np.nan) for name, value in asleep.items()}
    asleep["speed"] = np.where(on, asleep["speed"], 0.0)
    return asleep | awake


def _lube(fleet: Fitted, upsets: Upsets, run: Run, time_s: Array, random: np.random.Generator) -> tuple[Array, Array]:
    noisy = run.sensor_cel + fleet.axles.sensor_bias_k + 0.25 * random.standard_normal(run.sensor_cel.shape)
    read = sensors.quantise(noisy, fleet.axles.sensor_step_k)
    return sensors.apply_lube_faults(
        read, run.state.held_lube_cel, upsets.faults, fleet.axle_vehicles, fleet.axle_positions, time_s
    )


def _heights(fleet: Fitted, drive: DriveInput, run: Run, random: np.random.Generator) -> dict[str, Array]:
    axles, rows = fleet.axles, fleet.axles.truck
    noise = sensors.height_noise_mm(drive.mean("speed"), fleet.trucks.roughness, drive.length_s)[:, rows]
    reaction = TORQUE_REACTION_MM_N_M * drive.mean("torque")[:, rows] * np.where(axles.forward > 0.5, 1.0, -1.0)
    out = {}
    # Both sides of an axle see much of the same road.
    common = random.standard_normal(noise.shape)
    for number, (side, bias) in enumerate((("left", axles.height_bias_left_mm), ("right", axles.height_bias_right_mm))):
        own = random.standard_normal(noise.shape)
        dynamic = noise * (0.7 * common + 0.714 * own)
        height = axles.ride_height_mm + run.heights_mm[:, rows, number] + bias + reaction + dynamic
        out[f"height/{side}"] = sensors.quantise(height, sensors.HEIGHT_STEP_MM)
        pressure = run.pressure_kpa[:, rows, number] * (1.0 + 0.012 * (axles.forward - 0.5))
        pressure = pressure + (1.0 + 0.6 * noise) * random.standard_normal(noise.shape)
        out[f"bellows/{side}"] = np.maximum(sensors.quantise(pressure, sensors.PRESSURE_STEP_KPA), 0.0)
    return out


def _sump(fleet: Fitted, drive: DriveInput, run: Run, random: np.random.Generator) -> dict[str, Array]:
    shape = run.sump_kpa.shape
    thrown = THROWN_MM * np.clip(drive.mean("speed")[:, fleet.axles.truck] / 22.0, 0.0, 1.0)
    level = LEVEL_MM * (run.truth["fill"] - 1.0) - thrown + 0.8 * random.standard_normal(shape)
    return {
        "sump-pressure": sensors.quantise(run.sump_kpa + 0.2 * random.standard_normal(shape), 0.1),
        "lube-level": sensors.quantise(level, 0.5),
    }


def _vibration(
    fleet: Fitted, drive: DriveInput, upsets: Upsets, run: Run, random: np.random.Generator
) -> dict[str, Array]:
    rows, trucks = fleet.axles.truck, fleet.trucks
    mean = drive.mean("speed")
    spread = np.sqrt(np.maximum(drive.mean("speed_squared") - mean**2, 0.0))
    acts = VibrationInput(
        speed_m_s=mean[:, rows],
        speed_spread_m_s=spread[:, rows],
        moving=drive.mean("moving")[:, rows],
        torque_n_m=drive.mean("torque")[:, rows],
        engine_1_min=drive.mean("engine")[:, rows],
        height_mm=run.heights_mm.mean(axis=2)[:, rows],
        unbalance_added=upsets.unbalance,
        dry=thermal.starvation(run.truth["fill"]),
        damage=run.truth["damage"],
        oil_cel=run.truth["oil"],
        roughness=np.broadcast_to(trucks.roughness[rows], mean[:, rows].shape),
        rain=drive.rain[:, rows],
        length_s=drive.length_s,
        revolutions_per_m=np.broadcast_to(trucks.revolutions_per_m[rows], mean[:, rows].shape),
        cylinders=np.broadcast_to(trucks.cylinders[rows], mean[:, rows].shape),
    )
    return descriptors(fleet.axles, acts, random)


def _drop_what_is_not_fitted(axle: dict[str, Array], axles: AxleRows) -> None:
    """Blank the channels that only fully equipped trucks have."""
    plain = axles.full_channels < 0.5
    for name in axle:
        extra = name in ("sump-pressure", "lube-level") or name.startswith("vib/")
        if extra and name not in FITTED_TO_ALL_VIBRATION:
            axle[name][:, plain] = np.nan
