"""The step loop: what duty, weather and faults do to suspension, heat and wear of all trucks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from axlewright_simulators import consequences, failures, suspension, thermal, wear
from axlewright_simulators.duty import DutyWindows
from axlewright_simulators.parameters import AxleRows, TruckRows, place_number
from axlewright_simulators.roads import PAYLOAD_KG, TARE_KG
from axlewright_simulators.sensor_faults import HELD
from axlewright_simulators.state import PlantState
from axlewright_simulators.trips import COLUMN
from axlewright_simulators.troubles import Troubles
from axlewright_simulators.upsets import Upsets
from axlewright_simulators.vibration import joint_excitation, shaft_shake_m_s2
from axlewright_simulators.weather import Weather

Array = NDArray[np.float64]
ENGINE_WARMTH_K = 2.0  # the air under the chassis is warmer than the weather's while the engine runs
BREATHER_TIME_S = 90.0
CROWN_PER_CROSSWIND = 0.002  # share of the load that a crosswind of 1 m/s moves, at cruise
ATMOSPHERE_KPA = 101.3
PRELOAD_SPALL_PER_H = 0.0012  # growth of a spall by a preload that doubles the bearing's drag
OUTPUT_LEAK_PER_H = 0.006  # past an output seal whose bearing is worn out


@dataclass(frozen=True)
class DriveInput:
    """What n trucks do in t windows: duty means (columns, t, n), the rest (t, n) but `length_s` (t,)."""

    means: Array
    gear: Array
    ambient_cel: Array
    rain: Array
    crosswind_m_s: Array
    length_s: Array

    def mean(self, name: str) -> Array:
        """Return the time mean of a duty column, (t, n)."""
        column: Array = self.means[COLUMN[name]]
        return column

    @classmethod
    def gather(cls, duties: Sequence[DutyWindows], weather: Sequence[Weather], edges_s: Array) -> DriveInput:
        """Return the input of trucks from their duties and weathers, in their order."""
        middle = 0.5 * (edges_s[1:] + edges_s[:-1])
        return cls(
            np.stack([duty.means for duty in duties], axis=-1),
            np.stack([duty.gear for duty in duties], axis=-1),
            np.stack([each.ambient_cel(middle) for each in weather], axis=-1),
            np.stack([each.rain(middle) for each in weather], axis=-1),
            np.stack([each.crosswind_m_s(middle) for each in weather], axis=-1),
            np.diff(edges_s),
        )


@dataclass(frozen=True)
class Run:
    """What happened: heights and pressures (t, n, 2), sensor temperatures and sump pressures (t, r), the truth.

    ``sensor_before_cel`` (r,) is what the lube sensors felt before the first window.
    """

    heights_mm: Array
    pressure_kpa: Array
    sensor_cel: Array
    sump_kpa: Array
    odometer_km: Array
    truth: dict[str, Array]
    state: PlantState
    sensor_before_cel: Array


def initial(axles: AxleRows, trucks: TruckRows, vehicles: Sequence[str], ambient_cel: Array, seed: int) -> PlantState:
    """Return trucks that stood overnight: level, cold, with sumps nearly full."""
    count = axles.truck.size
    cold = ambient_cel[axles.truck]
    parts = [
        wear.fresh(int(np.sum(axles.truck == index)), (seed, place_number(name), 41))
        for index, name in enumerate(vehicles)
    ]
    service = wear.WearState(
        *(np.concatenate([getattr(part, field.name) for part in parts]) for field in fields(wear.WearState))
    )
    load = suspension.side_loads_n(np.full(len(vehicles), TARE_KG + 0.5 * PAYLOAD_KG), 0.0, trucks.lean_share)
    driven = [np.random.default_rng([seed, place_number(name), 42]).uniform(5e4, 7e5) for name in vehicles]
    return PlantState(
        suspension.settle(load, trucks.set_error_mm, ambient_cel),
        thermal.ThermalState(cold, cold, cold, cold, cold),
        service,
        np.zeros(count),
        np.full((count, len(HELD)), np.nan),
        np.array(driven),
        np.full(count, np.nan),
        np.full(count, np.nan),
    )


def run(axles: AxleRows, trucks: TruckRows, state: PlantState, drive: DriveInput, upsets: Upsets, ends_s: Array) -> Run:
    """Return what t windows do to the plant, one step a window; `ends_s` (t,) are their ends in Unix time."""
    load = _loads_n(trucks, drive)
    ride, heights = _ride(trucks, state.suspension, load, drive, upsets)
    shaken = _shaken(axles, state, heights, drive, upsets)
    warm = _heat_and_wear(axles, trucks, state, shaken, drive, upsets, load)
    truth = warm.truth | {"joint": shaken.joints, "torsion": shaken.torsion_rad_s2}
    worn = Troubles(
        play=truth["joint"] + upsets.row("joint-play"),
        output=upsets.row("output-play"),
        spall=truth["spall"],
        wear=upsets.row("mesh-wear"),
    )
    grown = consequences.growth(truth["fill"], truth["damage"], worn)
    truth |= {f"{source}-growth": factor for source, factor in grown.items()}
    truth["height"] = heights.mean(axis=2)[:, axles.truck]
    strain = failures.Strain(
        truth["damage"] + upsets.row("mesh-wear"),
        truth["oil"],
        truth["spall"],
        truth["bearing"],
        truth["joint"] + upsets.row("joint-play"),
        truth["brake-drum"],
        truth["height"] - upsets.truck("lowered")[:, axles.truck],
        drive.mean("moving")[:, axles.truck],
    )
    failed = failures.first_failures(strain, ends_s, drive.length_s, state.failed_s, state.failed_how)
    gained = np.cumsum(drive.mean("speed") * drive.length_s[:, None] / 1000.0, axis=0)
    odometer = state.odometer_km + gained
    end = replace(
        state,
        suspension=ride,
        thermal=warm.thermal,
        wear=replace(warm.wear, joint=shaken.joints[-1].copy()),
        sump_kpa=warm.sump_kpa[-1].copy(),
        odometer_km=odometer[-1].copy(),
        failed_s=failed[0],
        failed_how=failed[1],
    )
    pressure = suspension.pressure_kpa(load)
    return Run(heights, pressure, warm.sensor_cel, warm.sump_kpa, odometer, truth, end, state.thermal.sensor)


def _loads_n(trucks: TruckRows, drive: DriveInput) -> Array:
    lean = trucks.lean_share + CROWN_PER_CROSSWIND * drive.crosswind_m_s * drive.mean("speed") / 22.0
    return suspension.side_loads_n(drive.mean("mass"), drive.mean("force"), lean)


def _ride(
    trucks: TruckRows, ride: suspension.SuspensionState, load: Array, drive: DriveInput, upsets: Upsets
) -> tuple[suspension.SuspensionState, Array]:
    """Return the suspension after all windows, and the sides' heights (t, n, 2). [mm]"""
    steps, count = drive.ambient_cel.shape
    set_mm = trucks.set_error_mm + upsets.truck("height-valve") + upsets.truck("lowered")
    on_road, ignition = drive.mean("moving"), drive.mean("ignition")
    heights = np.empty((steps, count, 2))
    for now in range(steps):
        acts = suspension.SuspensionInput(
            load[now], set_mm[now], upsets.leak_per_h[now], ignition[now], drive.ambient_cel[now], on_road[now]
        )
        ride = suspension.step(ride, trucks, acts, np.full(count, drive.length_s[now]))
        heights[now] = suspension.heights_mm(ride, load[now])
    # A weak bush or a bent rod turns the frame against the air springs; the valve, in the middle, does not see it.
    half = 0.5 * upsets.truck("lean")
    heights += np.stack([-half, half], axis=-1)
    return ride, heights


@dataclass(frozen=True)
class _Shaken:
    """What the driveline's angles and unbalance do, (t, r): joints' used life, torsion, vibration at the shaft."""

    joints: Array
    torsion_rad_s2: Array
    shake_m_s2: Array


def _shaken(axles: AxleRows, state: PlantState, heights: Array, drive: DriveInput, upsets: Upsets) -> _Shaken:
    rows = axles.truck
    shaft_rad_s = 2.0 * np.pi * drive.mean("spin_1")[:, rows] * axles.ratio
    height = heights.mean(axis=2)[:, rows]
    torsion, angle_rad = joint_excitation(axles, height, shaft_rad_s, upsets.row("joint-phase"))
    inertial = (shaft_rad_s * angle_rad) ** 2
    used = wear.joint_wear(torsion, inertial, drive.mean("moving")[:, rows], axles.wear_pace, drive.length_s)
    joints = np.minimum(state.wear.joint + np.cumsum(used, axis=0), 1.0)
    play = joints + upsets.row("joint-play")
    loose = Troubles(play=play, output=upsets.row("output-play"), centre=upsets.row("centre-bearing"))
    shake = shaft_shake_m_s2(axles, shaft_rad_s, torsion, upsets.row("shaft-unbalance") + loose.unbalance)
    return _Shaken(joints, torsion, shake)


@dataclass(frozen=True)
class _Warm:
    """Heat, lube and wear over t windows: histories (t, r) and the states after them."""

    sensor_cel: Array
    sump_kpa: Array
    truth: dict[str, Array]
    thermal: thermal.ThermalState
    wear: wear.WearState


def _heat_and_wear(
    axles: AxleRows,
    trucks: TruckRows,
    state: PlantState,
    shaken: _Shaken,
    drive: DriveInput,
    upsets: Upsets,
    load_n: Array,
) -> _Warm:
    rows = axles.truck
    steps = drive.length_s.size
    air = (drive.ambient_cel + ENGINE_WARMTH_K * drive.mean("ignition"))[:, rows]
    speed, rain, moving = drive.mean("speed")[:, rows], drive.rain[:, rows], drive.mean("moving")[:, rows]
    spin = np.stack([drive.mean(f"spin_{number}")[:, rows] for number in (1, 2, 3)])
    power = (drive.mean("power") / trucks.drive_axles)[:, rows]
    brake = thermal.BRAKE_SHARE * drive.mean("brake_power")[:, rows] + upsets.row("brake-drag") * 2.0 * np.pi * spin[0]
    shaft = 60.0 * spin[0] * axles.ratio
    torque = np.abs(drive.mean("torque"))[:, rows] / wear.RATED_N_M
    carried = (load_n.sum(axis=2) / trucks.drive_axles)[:, rows]
    circulating = thermal.circulating_power_w(upsets.row("tyre-mismatch"), carried, speed)
    preload, worn = upsets.row("bearing-preload"), upsets.row("mesh-wear")
    losing, torque_loss, growing = upsets.row("lube-loss"), upsets.row("torque-leak"), upsets.row("bearing-spall")
    if "bearing-preload" in upsets.by_row:  # too tight a bearing wears itself out
        growing = growing + PRELOAD_SPALL_PER_H * preload**2
    # A loose output bearing lets its shaft work the seal until it leaks.
    losing = losing + OUTPUT_LEAK_PER_H * np.maximum(upsets.row("output-play") - 0.5, 0.0)
    breathing_s = BREATHER_TIME_S / (1.0 - np.minimum(upsets.row("breather"), 0.9999))

    sensor, sump = np.empty((steps, rows.size)), np.empty((steps, rows.size))
    names = ("oil", "gears", "housing", "brake-drum", "fill", "seal", "damage", "spall", "bearing", "heat")
    truth = {name: np.empty((steps, rows.size)) for name in names}
    heat, pressure = state.thermal, state.sump_kpa
    used = replace(state.wear, fill=state.wear.fill.copy())  # a service sets it in place
    for now in range(steps):
        by_row = np.full(rows.size, drive.length_s[now])
        for row, fill in upsets.fills.get(now, ()):
            used.fill[row] = fill
        burden = thermal.Burden(upsets.thickness[now], preload[now], used.spall, worn[now], circulating[now])
        made = thermal.losses(axles, heat, used.fill, spin[:, now], power[now], brake[now], burden)
        paths = thermal.conductances(axles, used.fill, speed[now], rain[now])
        before = heat.oil
        heat = thermal.step(axles, heat, used.fill, made, paths, air[now], by_row)
        bearing = thermal.bearing_cel(heat.oil, made.bearings, used.fill)
        warmed = (heat.oil + 273.15) / (before + 273.15)  # the air above the lube, as an ideal gas
        pressure = ((ATMOSPHERE_KPA + pressure) * warmed - ATMOSPHERE_KPA) * np.exp(-by_row / breathing_s[now])
        stress = wear.Stress(
            heat.oil,
            bearing,
            shaft[now],
            moving[now],
            torque[now],
            pressure,
            shaken.shake_m_s2[now],
            losing[now],
            torque_loss[now],
            growing[now],
            axles.wear_pace,
        )
        used = wear.step(used, stress, by_row)
        sensor[now], sump[now] = heat.sensor, pressure
        kept = (heat.oil, heat.gears, heat.housing, heat.brake, used.fill, used.seal, used.damage, used.spall)
        for name, value in zip(names, (*kept, bearing, made.total), strict=True):
            truth[name][now] = value
    return _Warm(sensor, sump, truth, heat, used)
