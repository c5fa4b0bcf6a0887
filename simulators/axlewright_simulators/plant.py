"""The step loop: what duty, weather and faults do to suspension, heat and wear of all trucks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from axlewright_simulators import suspension, thermal, wear
from axlewright_simulators.duty import DutyWindows
from axlewright_simulators.faults import Fault, axle_levels
from axlewright_simulators.parameters import AxleRows, TruckRows, place_number
from axlewright_simulators.roads import PAYLOAD_KG, TARE_KG
from axlewright_simulators.state import PlantState
from axlewright_simulators.trips import COLUMN
from axlewright_simulators.weather import Weather

Array = NDArray[np.float64]
ENGINE_WARMTH_K = 2.0  # the air under the chassis is warmer than the weather's while the engine runs
BREATHER_TIME_S = 90.0
CROWN_PER_CROSSWIND = 0.002  # share of the load that a crosswind of 1 m/s moves, at cruise
ATMOSPHERE_KPA = 101.3


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
class Upsets:
    """The sizes of all faults: per truck (t, n), per side (t, n, 2) or per axle row (t, r)."""

    set_mm: Array
    lowered_mm: Array
    leak_per_h: Array
    lube_loss_per_h: Array
    drag_n_m: Array
    unbalance: Array
    faults: tuple[Fault, ...]

    @classmethod
    def gather(
        cls,
        faults: Sequence[Fault],
        vehicles: Sequence[str],
        axle_vehicles: Sequence[str],
        axle_positions: Sequence[int],
        time_s: Array,
    ) -> Upsets:
        """Return the sizes of all faults at the windows' ends."""
        whole = [0] * len(vehicles)
        anywhere = [replace_axle(fault) for fault in faults]
        leaks = []
        for side in ("left", "right"):
            on_side = [fault for fault in anywhere if fault.side in (side, "both")]
            leaks.append(axle_levels(on_side, "air-leak", vehicles, whole, time_s))
        return cls(
            axle_levels(anywhere, "height-valve", vehicles, whole, time_s),
            axle_levels(anywhere, "lowered", vehicles, whole, time_s),
            np.stack(leaks, axis=-1),
            axle_levels(faults, "lube-loss", axle_vehicles, axle_positions, time_s),
            axle_levels(faults, "brake-drag", axle_vehicles, axle_positions, time_s),
            axle_levels(faults, "shaft-unbalance", axle_vehicles, axle_positions, time_s),
            tuple(faults),
        )


def replace_axle(fault: Fault) -> Fault:
    """Return the fault for the whole truck: one valve and one air circuit a side serve the tandem."""
    return Fault(
        fault.kind,
        fault.vehicle,
        fault.onset_s,
        fault.severity,
        0,
        fault.development_s,
        fault.end_s,
        fault.repeat_s,
        fault.side,
        fault.mode,
    )


@dataclass(frozen=True)
class Run:
    """What happened: heights and pressures (t, n, 2), sensor temperatures and sump pressures (t, r), the truth."""

    heights_mm: Array
    pressure_kpa: Array
    sensor_cel: Array
    sump_kpa: Array
    odometer_km: Array
    truth: dict[str, Array]
    state: PlantState


def initial(axles: AxleRows, trucks: TruckRows, vehicles: Sequence[str], ambient_cel: Array, seed: int) -> PlantState:
    """Return trucks that stood overnight: level, cold, with sumps nearly full."""
    count = axles.truck.size
    cold = ambient_cel[axles.truck]
    parts = [
        wear.fresh(int(np.sum(axles.truck == index)), (seed, place_number(name), 41))
        for index, name in enumerate(vehicles)
    ]
    service = wear.WearState(
        np.concatenate([part.fill for part in parts]),
        np.concatenate([part.seal for part in parts]),
        np.concatenate([part.damage for part in parts]),
    )
    load = suspension.side_loads_n(np.full(len(vehicles), TARE_KG + 0.5 * PAYLOAD_KG), 0.0, trucks.lean_share)
    driven = [np.random.default_rng([seed, place_number(name), 42]).uniform(5e4, 7e5) for name in vehicles]
    return PlantState(
        suspension.settle(load, trucks.set_error_mm, ambient_cel),
        thermal.ThermalState(cold, cold, cold, cold, cold),
        service,
        np.zeros(count),
        np.full(count, np.nan),
        np.array(driven),
    )


def run(axles: AxleRows, trucks: TruckRows, state: PlantState, drive: DriveInput, upsets: Upsets) -> Run:
    """Return what t windows do to the plant, one step a window."""
    steps, count = drive.ambient_cel.shape
    rows = axles.truck
    lean = trucks.lean_share + CROWN_PER_CROSSWIND * drive.crosswind_m_s * drive.mean("speed") / 22.0
    load = suspension.side_loads_n(drive.mean("mass"), drive.mean("force"), lean)
    set_mm = trucks.set_error_mm + upsets.set_mm + upsets.lowered_mm
    under_chassis = drive.ambient_cel + ENGINE_WARMTH_K * drive.mean("ignition")
    air = under_chassis[:, rows]
    speed, rain = drive.mean("speed")[:, rows], drive.rain[:, rows]
    spin = np.stack([drive.mean(f"spin_{number}")[:, rows] for number in (1, 2, 3)])
    share = 1.0 / trucks.drive_axles
    power = (drive.mean("power") * share)[:, rows]
    drag = upsets.drag_n_m * 2.0 * np.pi * spin[0]
    brake = thermal.BRAKE_SHARE * drive.mean("brake_power")[:, rows] + drag
    shaft = 60.0 * spin[0] * axles.ratio
    on_road, ignition = drive.mean("moving"), drive.mean("ignition")
    moving = on_road[:, rows]

    heights, sensor, sump = np.empty((steps, count, 2)), np.empty((steps, rows.size)), np.empty((steps, rows.size))
    names = ("oil", "gears", "housing", "brake-drum", "fill", "seal", "damage", "heat")
    truth = {name: np.empty((steps, rows.size)) for name in names}
    ride, heat, used, pressure = state.suspension, state.thermal, state.wear, state.sump_kpa
    for now in range(steps):
        by_truck, by_row = np.full(count, drive.length_s[now]), np.full(rows.size, drive.length_s[now])
        acts = suspension.SuspensionInput(
            load[now], set_mm[now], upsets.leak_per_h[now], ignition[now], drive.ambient_cel[now], on_road[now]
        )
        ride = suspension.step(ride, trucks, acts, by_truck)
        heights[now] = suspension.heights_mm(ride, load[now])
        made = thermal.losses(axles, heat, used.fill, spin[:, now], power[now], brake[now])
        paths = thermal.conductances(axles, used.fill, speed[now], rain[now])
        before = heat.oil
        heat = thermal.step(axles, heat, used.fill, made, paths, air[now], by_row)
        used = wear.step(used, heat.oil, shaft[now], moving[now], upsets.lube_loss_per_h[now], by_row)
        swell = ATMOSPHERE_KPA * (heat.oil - before) / (heat.oil + 273.15)
        pressure = (pressure + swell) * np.exp(-by_row / BREATHER_TIME_S)
        sensor[now], sump[now] = heat.sensor, pressure
        kept = (heat.oil, heat.gears, heat.housing, heat.brake, used.fill, used.seal, used.damage, made.total)
        for name, value in zip(names, kept, strict=True):
            truth[name][now] = value
    gained = np.cumsum(drive.mean("speed") * drive.length_s[:, None] / 1000.0, axis=0)
    odometer = state.odometer_km + gained
    end = replace(state, suspension=ride, thermal=heat, wear=used, sump_kpa=pressure, odometer_km=odometer[-1].copy())
    return Run(heights, suspension.pressure_kpa(load), sensor, sump, odometer, truth, end)
