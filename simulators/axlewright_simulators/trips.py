"""A shift driven: longitudinal dynamics along a route, kept as running integrals over time.

The solver marches over equal distances and many shifts at once. What a window of any length saw is then a
difference of two integrals, so means are exact whatever the window.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_simulators.roads import CELL_M, Route

Array = NDArray[np.float64]

GRAVITY_M_S2 = 9.80665
AIR_DENSITY_KG_M3 = 1.1845  # 40 CFR 1036.545
COMFORT_DECELERATION_M_S2 = 0.55
COMFORT_ACCELERATION_M_S2 = 0.6
CREEP_M_S = 3.0
ROTATING_MASS_KG = 340.0  # 40 CFR 1036.545, worked example
IDLE_1_MIN = 600.0
CRUISE_ENGINE_1_MIN = 1150.0
LONG_STOP_S = 90.0  # from here on the driver sets the parking brake
IGNITION_AFTER_S = 300.0
WHEEL_EXPONENTS = (1.0, 5.0 / 3.0, 2.5)

# Columns integrated over time; each is the integrand's name.
COLUMNS = (
    "speed",  # m/s
    "speed_squared",
    "torque",  # N.m at the transmission output, signed
    "power",  # W through the shaft, |torque x speed|
    "brake_power",  # W into friction brakes, whole truck
    "brake",  # pedal 0..1
    "engine",  # 1/min
    "grade",
    "force",  # N at the wheels, signed
    "mass",  # kg
    "moving",  # 0..1
    "parked",
    "ignition",
    "spin_1",  # wheel revolutions per second to the powers of WHEEL_EXPONENTS
    "spin_2",
    "spin_3",
)
COLUMN = {name: number for number, name in enumerate(COLUMNS)}


@dataclass(frozen=True)
class Traction:
    """What one truck pulls and is held back with."""

    revolutions_per_m: float
    axle_ratio: float
    gear_ratios: tuple[float, ...]
    power_w: float = 331e3
    retarder_w: float = 230e3
    rolling: float = 0.0065
    drag_area_m2: float = 5.9
    axle_efficiency: float = 0.955  # 40 CFR 1036.545(f)(3)


@dataclass(frozen=True)
class Trip:
    """One shift in time: nodes (n,) from 0 and the integrals (columns, n) up to each."""

    time_s: Array
    integral: Array
    gear: Array
    gear_end_s: Array

    @property
    def duration_s(self) -> float:
        """Return how long it takes. [s]"""
        return float(self.time_s[-1])

    def integrals(self, time_s: ArrayLike) -> Array:
        """Return every integral at times since the start; before and after the trip they stand still."""
        time = np.asarray(time_s, dtype=np.float64)
        return np.stack([np.interp(time, self.time_s, column) for column in self.integral])

    def gear_at(self, time_s: ArrayLike) -> Array:
        """Return the gear ratio driven at times since the start; NaN while standing or outside the trip."""
        time = np.asarray(time_s, dtype=np.float64)
        index = np.minimum(np.searchsorted(self.gear_end_s, time), self.gear.size - 1)
        return np.where((time > 0.0) & (time < self.duration_s), self.gear[index], np.nan)

    def steadiest_start_s(self) -> tuple[float, float]:
        """Return begin and end of the longest stretch without a long stop. [s]"""
        parked = np.diff(self.integral[COLUMN["parked"]]) > 0.5 * np.diff(self.time_s)
        begins = np.concatenate([[0.0], self.time_s[1:][parked]])
        ends = np.concatenate([self.time_s[:-1][parked], [self.duration_s]])
        longest = int(np.argmax(ends - begins))
        return float(begins[longest]), float(ends[longest])


def drive(routes: Sequence[Route], tractions: Sequence[Traction], wind_m_s: Sequence[float]) -> list[Trip]:
    """Return the trips of shifts, all solved together.

    Parameters
    ----------
    routes, tractions, wind_m_s : sequences of equal length
        Road, truck and mean head wind of each shift. [m/s]
    """
    speed = _solve_speed(routes, tractions, wind_m_s)
    return [
        trip_from_cells(
            speed[row, : route.grade.size + 1], CELL_M, route.grade, route.mass_kg, route.dwell_s, traction, wind
        )
        for row, (route, traction, wind) in enumerate(zip(routes, tractions, wind_m_s, strict=True))
    ]


def _solve_speed(routes: Sequence[Route], tractions: Sequence[Traction], wind_m_s: Sequence[float]) -> Array:
    """Return the speed at every node, (shifts, most nodes): as fast as limits, comfort and power allow."""
    cells = max(route.grade.size for route in routes)
    count = len(routes)
    limit, grade, mass = np.zeros((cells + 1, count)), np.zeros((cells, count)), np.full((cells, count), 2e4)
    for row, route in enumerate(routes):
        size = route.grade.size
        limit[: size + 1, row], grade[:size, row], mass[:size, row] = route.limit_m_s, route.grade, route.mass_kg
    envelope = limit**2
    step = 2.0 * COMFORT_DECELERATION_M_S2 * CELL_M
    for node in range(cells - 1, -1, -1):
        np.minimum(envelope[node], envelope[node + 1] + step, out=envelope[node])
    power = np.array([traction.power_w * traction.axle_efficiency for traction in tractions])
    drag = np.array([0.5 * AIR_DENSITY_KG_M3 * traction.drag_area_m2 for traction in tractions])
    rolling = np.array([traction.rolling for traction in tractions])
    wind = np.asarray(wind_m_s, dtype=np.float64)
    resistance = GRAVITY_M_S2 * mass * (np.sin(np.arctan(grade)) + rolling)
    inverse_mass = 1.0 / (mass + ROTATING_MASS_KG)
    squared = np.zeros((cells + 1, count))
    squared[0] = envelope[0]
    for node in range(cells):
        now = np.sqrt(squared[node])
        pull = power / np.maximum(now, CREEP_M_S) - resistance[node] - drag * np.maximum(now + wind, 0.0) ** 2
        gain = np.minimum(pull * inverse_mass[node], COMFORT_ACCELERATION_M_S2)
        reached = np.maximum(squared[node] + 2.0 * CELL_M * gain, CREEP_M_S**2)
        np.minimum(envelope[node + 1], reached, out=squared[node + 1])
    return np.sqrt(squared).T


def trip_from_cells(
    speed_m_s: Array,
    cell_m: float | Array,
    grade: Array,
    mass_kg: Array,
    dwell_s: Array,
    traction: Traction,
    wind_m_s: float,
) -> Trip:
    """Return the trip that node speeds (n + 1,) over cells (n,) make; a dwell (n + 1,) comes before its cell."""
    before, after = speed_m_s[:-1], speed_m_s[1:]
    mean = np.maximum(0.5 * (before + after), 1e-3)
    duration = np.asarray(cell_m / mean, dtype=np.float64)
    cells = cell_rates(mean, (after - before) / duration, grade, mass_kg, traction, wind_m_s)
    rates, spans = _with_dwells(cells, duration, dwell_s, mass_kg)
    time = np.concatenate([[0.0], np.cumsum(spans)])
    integral = np.concatenate([np.zeros((len(COLUMNS), 1)), np.cumsum(rates[:-1] * spans, axis=1)], axis=1)
    return Trip(time, integral, rates[-1], time[1:])


def cell_rates(
    mean: Array, acceleration: Array, grade: Array, mass_kg: Array, traction: Traction, wind_m_s: float
) -> Array:
    """Return the rates (columns + 1, cells); the last row is the gear ratio."""
    force = (
        (mass_kg + ROTATING_MASS_KG) * acceleration
        + mass_kg * GRAVITY_M_S2 * (np.sin(np.arctan(grade)) + traction.rolling)
        + 0.5 * AIR_DENSITY_KG_M3 * traction.drag_area_m2 * np.maximum(mean + wind_m_s, 0.0) ** 2
    )
    # The engine brake takes what it can; at a stop the driver uses the pedal for most of it.
    retarder = np.minimum(-force, traction.retarder_w / np.maximum(mean, 5.0)) * np.where(acceleration < -0.25, 0.35, 1)
    driven = np.where(force >= 0.0, force / traction.axle_efficiency, -np.maximum(retarder, 0.0))
    friction = np.where(force < 0.0, -force + driven, 0.0)
    wheel = mean * traction.revolutions_per_m
    shaft_rad_s = wheel * traction.axle_ratio * 2.0 * np.pi
    torque = driven / (2.0 * np.pi * traction.revolutions_per_m) / traction.axle_ratio
    gear = _gear(wheel * traction.axle_ratio * 60.0, driven * mean / traction.power_w, traction.gear_ratios)
    engine = np.maximum(wheel * traction.axle_ratio * 60.0 * gear, IDLE_1_MIN)
    one = np.ones_like(mean)
    spin = [wheel**exponent for exponent in WHEEL_EXPONENTS]
    pedal = np.clip(friction / mass_kg / 4.0, 0.0, 1.0)
    return np.stack(
        [
            mean,
            mean**2,
            torque,
            np.abs(torque * shaft_rad_s),
            friction * mean,
            pedal,
            engine,
            grade,
            driven,
            mass_kg,
            one,
            0.0 * one,
            one,
            *spin,
            gear,
        ]
    )


def _gear(shaft_1_min: Array, load: Array, ratios: tuple[float, ...]) -> Array:
    """Return the ratio whose engine speed lies nearest above the wish, which rises with the load asked for."""
    wish = CRUISE_ENGINE_1_MIN + 450.0 * np.clip(np.abs(load) - 0.5, 0.0, 0.6)
    ladder = np.sort(np.asarray(ratios))
    speeds = shaft_1_min[:, None] * ladder
    fit = np.abs(np.log(np.maximum(speeds, 1.0) / wish[:, None]))
    chosen: Array = ladder[np.argmin(fit, axis=1)]
    return chosen


def _with_dwells(rates: Array, duration: Array, dwell_s: Array, mass_kg: Array) -> tuple[Array, Array]:
    """Return rates and durations with the stops put in; a long stop is parked, ignition off after a while."""
    columns: list[Array] = []
    where: list[int] = []
    spans: list[float] = []
    for node in np.flatnonzero(dwell_s > 0.0):
        cell = min(int(node), mass_kg.size - 1)
        total = float(dwell_s[node])
        parked = float(total > LONG_STOP_S)
        on = min(total, IGNITION_AFTER_S) if parked else total
        # Ignition on, then off, then on again for the last half minute before leaving.
        for span, ignition in ((on, 1.0), (total - on - 30.0, 0.0), (30.0, 1.0)):
            if span <= 0.0 or (ignition == 1.0 and span == 30.0 and total - on <= 30.0):
                continue
            columns.append(_standing(mass_kg[cell], parked, ignition))
            where.append(int(node))
            spans.append(span)
    if not columns:
        return rates, duration
    places = np.minimum(np.asarray(where), duration.size)
    return np.insert(rates, places, np.stack(columns, axis=1), axis=1), np.insert(duration, places, spans)


def _standing(mass_kg: float, parked: float, ignition: float) -> Array:
    rates = np.zeros(len(COLUMNS) + 1)
    rates[COLUMN["mass"]], rates[COLUMN["parked"]], rates[COLUMN["ignition"]] = mass_kg, parked, ignition
    rates[COLUMN["engine"]] = IDLE_1_MIN * ignition
    rates[-1] = np.nan
    return rates
