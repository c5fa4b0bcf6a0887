"""From the plant's truth to the channels that a truck's sensors report."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from axlewright_models.signals import HEIGHT_MODES, NAMES
from axlewright_models.spec import VehicleSpec
from axlewright_simulators import sensors, thermal
from axlewright_simulators.parameters import AxleRows, TruckRows, work_of
from axlewright_simulators.plant import DriveInput, Run
from axlewright_simulators.roads import STONE_AND_TIMBER
from axlewright_simulators.sensor_faults import apply_sensor_faults
from axlewright_simulators.state import PlantState
from axlewright_simulators.troubles import NONE, Troubles
from axlewright_simulators.upsets import Upsets
from axlewright_simulators.vibration import SLOWEST_M_S, VibrationInput, descriptors

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
    "vib/quality",
)
TROUBLE_KINDS = (
    "wheel-1",
    "wheel-2",
    "wheel-3",
    "joint-phase",
    "joint-play",
    "output-play",
    "centre-bearing",
    "mesh-wear",
)
OFTEN_MISSING = ("sump-pressure", "lube-level")
HUNTING_PERIOD_S = 24.0


def fitted_channels(vehicle: VehicleSpec) -> frozenset[str]:
    """Return the channels that a truck's sensors give: hill trucks have all, long-distance trucks the usual ones.

    Examples
    --------
    >>> from axlewright_simulators.demo_fleet import demo_fleet
    >>> "sump-pressure" in fitted_channels(demo_fleet().vehicle("hv-101"))
    False
    """
    if work_of(vehicle) is STONE_AND_TIMBER:
        return frozenset(NAMES)
    return frozenset(name for name in NAMES if not _extra(name))


def _extra(name: str) -> bool:
    return name in OFTEN_MISSING or (name.startswith("vib/") and name not in FITTED_TO_ALL_VIBRATION)


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
    fleet: Fitted, drive: DriveInput, upsets: Upsets, run: Run, edges_s: Array, random: np.random.Generator
) -> Measurement:
    """Return the windows' channels; `edges_s` (t + 1,) are their ends in Unix time, the first one's beginning first."""
    axle = {"lube": _lube(fleet, run, random)}
    axle |= _heights(fleet, drive, upsets, run, edges_s, random)
    axle |= _sump(fleet, drive, run, random)
    axle |= _vibration(fleet, drive, upsets, run, random)
    vehicle = _vehicle(fleet, drive, upsets, run, random)
    axle["lube/slope"] = _slope(run, drive.length_s, random)
    air = drive.ambient_cel[:, fleet.axles.truck]
    rows = (fleet.axle_vehicles, fleet.axle_positions)
    axle, held = apply_sensor_faults(axle, run.state.held, upsets.faults, *rows, edges_s[1:], air, random)
    _drop_what_is_not_fitted(axle, fleet.axles)
    return Measurement(vehicle, axle, replace(run.state, held=held))


def _vehicle(
    fleet: Fitted, drive: DriveInput, upsets: Upsets, run: Run, random: np.random.Generator
) -> dict[str, Array]:
    speed = drive.mean("speed")
    on = drive.mean("ignition") > 0.5
    shaft = 60.0 * drive.mean("spin_1") * fleet.trucks.axle_ratio  # duty counts wheel turns with the tyres it has
    # Torque comes from the engine's own estimate: a few per cent wrong.
    torque = drive.mean("torque") * (1.0 + 0.02 * random.standard_normal(speed.shape))
    lowered = HEIGHT_MODES.index("lowered") * (upsets.truck("lowered") < -1.0)
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


def _lube(fleet: Fitted, run: Run, random: np.random.Generator) -> Array:
    noisy = run.sensor_cel + fleet.axles.sensor_bias_k + 0.25 * random.standard_normal(run.sensor_cel.shape)
    return sensors.quantise(noisy, fleet.axles.sensor_step_k)


def _slope(run: Run, length_s: Array, random: np.random.Generator) -> Array:
    """Return how fast the lube's readings rise within each window. [K/min]"""
    rise = np.diff(np.concatenate([run.sensor_before_cel[None], run.sensor_cel]), axis=0)
    # A line through a second-by-second reading of 0.25 K noise: the error falls with the length to the power 1.5.
    error = 60.0 * 0.25 * np.sqrt(12.0) / np.maximum(length_s, 2.0) ** 1.5
    return np.asarray(60.0 * rise / length_s[:, None] + error[:, None] * random.standard_normal(rise.shape))


def _heights(
    fleet: Fitted, drive: DriveInput, upsets: Upsets, run: Run, edges_s: Array, random: np.random.Generator
) -> dict[str, Array]:
    axles, rows = fleet.axles, fleet.axles.truck
    noise = sensors.height_noise_mm(drive.mean("speed"), fleet.trucks.roughness, drive.length_s)[:, rows]
    bounce = sensors.bounce_mm(drive.mean("speed"), fleet.trucks.roughness)[:, rows]
    reaction = TORQUE_REACTION_MM_N_M * drive.mean("torque")[:, rows] * np.where(axles.forward > 0.5, 1.0, -1.0)
    swing, swing_spread = _hunting(fleet, drive, upsets, edges_s)
    out, spreads = {}, {}
    # Both sides of an axle see much of the same road.
    common = random.standard_normal(noise.shape)
    for number, (side, bias) in enumerate((("left", axles.height_bias_left_mm), ("right", axles.height_bias_right_mm))):
        own = random.standard_normal(noise.shape)
        dynamic = noise * (0.7 * common + 0.714 * own)
        height = axles.ride_height_mm + run.heights_mm[:, rows, number] + bias + reaction + dynamic + swing
        out[f"height/{side}"] = sensors.quantise(height, sensors.HEIGHT_STEP_MM)
        pressure = run.pressure_kpa[:, rows, number] * (1.0 + 0.012 * (axles.forward - 0.5))
        pressure = pressure + (1.0 + 0.6 * noise) * random.standard_normal(noise.shape)
        out[f"bellows/{side}"] = np.maximum(sensors.quantise(pressure, sensors.PRESSURE_STEP_KPA), 0.0)
        spreads[f"height/{side}-spread"] = np.hypot(bounce, swing_spread)
    for name, spread in spreads.items():  # drawn last, so that what was drawn before stays as it was
        seen = np.hypot(spread, 0.3) * np.exp(0.12 * random.standard_normal(noise.shape))
        out[name] = sensors.quantise(seen, sensors.HEIGHT_STEP_MM)
    return out


def _hunting(fleet: Fitted, drive: DriveInput, upsets: Upsets, edges_s: Array) -> tuple[Array, Array]:
    """Return what a hunting valve adds to a window's mean height and to the spread within it, (t, r). [mm]"""
    size = (upsets.truck("hunting") * drive.mean("ignition"))[:, fleet.axles.truck]
    if not size.any():
        return size, size
    turns = drive.length_s / HUNTING_PERIOD_S
    kept = np.sinc(turns)[:, None]
    middle = (edges_s[1:] - 0.5 * drive.length_s)[:, None]
    wave = np.sin(2.0 * np.pi * middle / HUNTING_PERIOD_S + fleet.axles.truck)
    return size * wave * kept, size * np.sqrt(0.5 * (1.0 - kept**2))


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
        unbalance_added=upsets.row("shaft-unbalance"),
        dry=thermal.starvation(run.truth["fill"]),
        damage=run.truth["damage"],
        oil_cel=run.truth["oil"],
        roughness=np.broadcast_to(trucks.roughness[rows], mean[:, rows].shape),
        rain=drive.rain[:, rows],
        length_s=drive.length_s,
        revolutions_per_m=np.broadcast_to(trucks.revolutions_per_m[rows], mean[:, rows].shape),
        cylinders=np.broadcast_to(trucks.cylinders[rows], mean[:, rows].shape),
        troubles=_troubles(fleet, upsets, run),
    )
    return on_the_road(fleet.axles, acts, random)


def on_the_road(axles: AxleRows, acts: VibrationInput, random: np.random.Generator) -> dict[str, Array]:
    """Return the vibration channels (t, r), worked out only where a truck is fast enough; the rest is NaN.

    Trucks stand for more than half of their lives, so this saves much of the work.
    """
    if np.ptp(acts.length_s) > 0.0:
        return descriptors(axles, acts, random)
    steps, rows = np.nonzero((acts.speed_m_s >= SLOWEST_M_S) & (acts.moving >= 0.95))

    def packed(value: Array | float) -> Array:
        return np.asarray(np.broadcast_to(value, acts.speed_m_s.shape)[steps, rows][None], dtype=np.float64)

    every = {name: packed(value) for name, value in vars(acts).items() if name not in ("length_s", "troubles")}
    shaken = acts.troubles
    if shaken is not NONE:
        shaken = Troubles(**{name: packed(value) for name, value in vars(shaken).items()})
    own = AxleRows(**{name: value[rows] for name, value in vars(axles).items()})
    told = descriptors(own, VibrationInput(**every, length_s=acts.length_s[:1], troubles=shaken), random)
    whole = {}
    for name, values in told.items():
        whole[name] = np.full(acts.speed_m_s.shape, np.nan)
        whole[name][steps, rows] = values[0]
    return whole


def _troubles(fleet: Fitted, upsets: Upsets, run: Run) -> Troubles:
    faulty = any(kind in upsets.by_row for kind in TROUBLE_KINDS) or "misfire" in upsets.by_truck
    if not faulty and not run.truth["spall"].any() and run.truth["joint"].max(initial=0.0) < 0.02:
        return NONE
    return Troubles(
        upsets.row("wheel-1"),
        upsets.row("wheel-2"),
        upsets.row("wheel-3"),
        upsets.row("joint-phase"),
        run.truth["joint"] + upsets.row("joint-play"),
        upsets.row("output-play"),
        upsets.row("centre-bearing"),
        upsets.truck("misfire")[:, fleet.axles.truck],
        run.truth["spall"],
        upsets.row("mesh-wear"),
    )


def _drop_what_is_not_fitted(axle: dict[str, Array], axles: AxleRows) -> None:
    """Blank the channels that only fully equipped trucks have."""
    plain = axles.full_channels < 0.5
    for name in axle:
        if _extra(name):
            axle[name][:, plain] = np.nan
