"""The drive axle as a thermal plant: gears, oil, housing and brakes as four nodes, losses by their causes.

Losses follow the usual split (load-dependent gear mesh; no-load churning, bearings and seals). Their size is
set against 40 CFR 1037.528(h)(5); their dependence on fill and viscosity is our own choice, since published relations
disagree by an order of magnitude (Luke & Olver, IMechE G 213 (1999) 337).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_simulators.parameters import AxleRows

Array = NDArray[np.float64]

BRAKE_J_K = 95.0 * 480.0
OIL_J_K_L = 0.87 * 2050.0  # kg/l times J/(kg K)
FREE_CONVECTION_W_M2K = 6.0
BRAKE_SHARE = 0.2  # of the truck's friction braking, per drive axle
REFERENCE_CEL = 82.0
STARVED_FROM, STARVED_SPAN = 0.66, 0.42  # share of a full sump below which the mesh begins to run dry


@dataclass(frozen=True)
class ThermalState:
    """Temperatures (r,) of the nodes and of the sensor's tip. [Cel]"""

    gears: Array
    oil: Array
    housing: Array
    brake: Array
    sensor: Array


@dataclass(frozen=True)
class Losses:
    """Heat by cause (r,). [W]"""

    mesh: Array
    churning: Array
    bearings: Array
    brake: Array

    @property
    def total(self) -> Array:
        """Return all of it."""
        return self.mesh + self.churning + self.bearings + self.brake


@dataclass(frozen=True)
class Burden:
    """What faults add to the losses (r,): all are neutral as they stand here.

    ``thickness`` multiplies the lube's viscosity, ``preload`` adds multiples of the bearings' own drag, ``spall`` and
    ``wear`` are the used life of bearing and gear set, ``circulating_w`` is the power that tyres of unequal size drive
    round between the axles. [W]
    """

    thickness: Array | float = 1.0
    preload: Array | float = 0.0
    spall: Array | float = 0.0
    wear: Array | float = 0.0
    circulating_w: Array | float = 0.0


HEALTHY = Burden()
BEARING_W_K = 80.0  # from a bearing to the oil that washes it, at a full sump
BEARING_SEAT_W_K = 25.0  # from a bearing to its seat
FILM_THINS_PER_K = (
    0.012  # share of its loss that a bearing sheds per kelvin of its own warmth, the film getting thinner
)
TYRE_STIFFNESS = 11.0  # longitudinal force per load and slip, of the size given for truck tyres; from memory
TYRE_GRIP = 0.5
WIND_UP_SHARE = 0.2  # of slip that the inter-axle drive does not let go; own choice


def circulating_power_w(mismatch: ArrayLike, axle_load_n: ArrayLike, speed_m_s: ArrayLike) -> Array:
    """Return the power that goes round between two axles on tyres of unequal size. [W]

    The larger tyres are dragged and the smaller ones pushed, by the tyre's stiffness times its slip, up to its grip.

    Examples
    --------
    >>> float(circulating_power_w(0.0, 85e3, 22.0))
    0.0
    """
    pull = np.minimum(TYRE_STIFFNESS * WIND_UP_SHARE * np.abs(np.asarray(mismatch)), TYRE_GRIP)
    return np.asarray(pull * np.asarray(axle_load_n) * np.asarray(speed_m_s))


def bearing_cel(oil_cel: Array, heat_w: Array, fill: Array) -> Array:
    """Return the pinion bearing's temperature: so small a part follows its own loss within a minute. [Cel]

    Its rise r solves r = r0 exp(-k r), r0 being the rise at the oil's temperature: a warm film resists less.
    """
    washed = np.minimum(fill, 1.0) * (1.0 - 0.6 * starvation(fill))
    straight = heat_w / (BEARING_W_K * washed + BEARING_SEAT_W_K)
    rise = straight / (1.0 + FILM_THINS_PER_K * straight)
    for _ in range(2):  # Newton; good to a few per mille up to 300 K
        next_w = straight * np.exp(-FILM_THINS_PER_K * rise)
        rise = rise - (rise - next_w) / (1.0 + FILM_THINS_PER_K * next_w)
    return np.asarray(oil_cel + rise)


@dataclass(frozen=True)
class Conductances:
    """Heat paths (r,). [W/K]"""

    gears_oil: Array
    oil_housing: Array
    gears_housing: Array
    housing_air: Array
    brake_housing: Array
    brake_air: Array


def viscosity_mm2_s(temperature_cel: ArrayLike, at_40: ArrayLike, at_100: ArrayLike) -> Array:
    """Return the kinematic viscosity by ASTM D341 through two known points. [mm2/s]

    Examples
    --------
    >>> viscosity_mm2_s(80.0, 32.0, 5.4).round(1)  # worksheet of reference: 8.5
    np.float64(8.5)
    """
    kelvin = np.clip(np.asarray(temperature_cel, dtype=np.float64), -50.0, 250.0) + 273.15
    first, second = _double_log(at_40), _double_log(at_100)
    slope = (first - second) / (np.log10(373.15) - np.log10(313.15))
    value = first - slope * (np.log10(kelvin) - np.log10(313.15))
    return np.asarray(10.0 ** (10.0**value) - 0.7)


def _double_log(viscosity: ArrayLike) -> Array:
    return np.asarray(np.log10(np.log10(np.asarray(viscosity, dtype=np.float64) + 0.7)))


_REFERENCE_MM2_S = float(viscosity_mm2_s(REFERENCE_CEL, 100.0, 14.5))  # the oil of the worked example is not told


def starvation(fill: ArrayLike) -> Array:
    """Return how dry the mesh runs, 0 (wet) to 1, for a fill as share of a full sump."""
    dry = (STARVED_FROM - np.asarray(fill, dtype=np.float64)) / STARVED_SPAN
    return np.asarray(np.minimum(np.maximum(dry, 0.0), 1.0))  # numpy's clip costs twice as much on short arrays


def losses(
    axles: AxleRows,
    state: ThermalState,
    fill: Array,
    spin: Array,
    power_w: Array,
    brake_w: Array,
    burden: Burden = HEALTHY,
) -> Losses:
    """Return the heat made in each axle.

    Parameters
    ----------
    axles : AxleRows, r rows
    state : ThermalState
        Temperatures at the step's start.
    fill : ndarray, shape (r,)
        Share of a full sump.
    spin : ndarray, shape (3, r)
        Time means of wheel speed (1/s) to the powers 1, 5/3 and 5/2.
    power_w : ndarray, shape (r,)
        Mean absolute power through the axle. [W]
    brake_w : ndarray, shape (r,)
        Heat into the axle's brakes. [W]
    burden : Burden
        What faults add.
    """
    viscosity = burden.thickness * viscosity_mm2_s(state.oil, axles.viscosity_40, axles.viscosity_100)
    thick = np.minimum(viscosity / _REFERENCE_MM2_S, 40.0)
    dry = starvation(fill)
    # Thin films touch: hotter oil and a starved mesh rub more.
    rubbing = np.clip(1.0 - 0.12 * np.log(thick), 0.8, 1.35) * (1.0 + 2.2 * dry)
    drag = axles.preload_w * spin[0] + axles.bearing_w * spin[1] * thick ** (2.0 / 3.0) * (1.0 + 1.5 * dry)
    return Losses(
        mesh=axles.mesh_share * (power_w + burden.circulating_w) * rubbing * (1.0 + 0.6 * burden.wear),
        churning=axles.churning_w * spin[2] * thick**0.2 * np.clip(fill, 0.0, 1.6) ** 1.5,
        bearings=drag * (1.0 + burden.preload) * (1.0 + 3.0 * burden.spall**2),
        brake=brake_w,
    )


def forced_convection_w_m2k(speed_m_s: ArrayLike) -> Array:
    """Return the free-stream heat transfer of a 0.4 m housing in cross-flow, Churchill-Bernstein. [W/(m2 K)]

    A power law through the check values 16.5 at 5 m/s and 62.2 at 29 m/s; it stays within 2 % between.
    """
    return np.asarray(16.5 * (np.asarray(speed_m_s, dtype=np.float64) / 5.0) ** 0.755)


def conductances(axles: AxleRows, fill: Array, speed_m_s: Array, rain: Array) -> Conductances:
    """Return the heat paths of each axle; splash carries heat only while the gears turn and the sump holds oil."""
    wet = np.clip(fill, 0.05, 1.3) * (1.0 - 0.5 * starvation(fill))
    splash = 0.35 + 0.65 * np.clip(speed_m_s / 12.0, 0.0, 1.0)
    air = FREE_CONVECTION_W_M2K + axles.shading * forced_convection_w_m2k(speed_m_s) * (1.0 + 0.35 * rain)
    one = np.ones_like(fill)
    return Conductances(
        gears_oil=axles.gears_oil_w_k * wet * splash,
        oil_housing=axles.oil_housing_w_k * wet * splash,
        gears_housing=35.0 * one,
        housing_air=axles.surface_m2 * air,
        brake_housing=6.0 * one,
        brake_air=8.0 + 2.2 * speed_m_s,
    )


def step(
    axles: AxleRows,
    state: ThermalState,
    fill: Array,
    heat: Losses,
    paths: Conductances,
    air_cel: Array,
    step_s: Array,
) -> ThermalState:
    """Return the temperatures after one step by implicit Euler: stable, and its energy balance closes exactly."""
    count = fill.size
    capacity = np.empty((count, 4))
    capacity[:, 0], capacity[:, 2], capacity[:, 3] = axles.gears_j_k, axles.housing_j_k, BRAKE_J_K
    capacity[:, 1] = OIL_J_K_L * axles.fill_l * np.maximum(fill, 0.05)
    matrix = np.zeros((count, 4, 4))
    for first, second, path in (
        (0, 1, paths.gears_oil),
        (1, 2, paths.oil_housing),
        (0, 2, paths.gears_housing),
        (2, 3, paths.brake_housing),
    ):
        matrix[:, first, second] = matrix[:, second, first] = -path
        matrix[:, first, first] += path
        matrix[:, second, second] += path
    matrix[:, 2, 2] += paths.housing_air
    matrix[:, 3, 3] += paths.brake_air
    rate = capacity / step_s[:, None]
    matrix[:, range(4), range(4)] += rate
    before = np.stack([state.gears, state.oil, state.housing, state.brake], axis=1)
    right = rate * before
    right[:, 0] += 0.6 * heat.mesh + 0.7 * heat.bearings
    right[:, 1] += 0.4 * heat.mesh + heat.churning
    right[:, 2] += 0.3 * heat.bearings + paths.housing_air * air_cel
    right[:, 3] += heat.brake + paths.brake_air * air_cel
    after: Array = np.linalg.solve(matrix, right[:, :, None])[:, :, 0].astype(np.float64)
    # The tip sits in the sump; low oil leaves it half in warm air and mist that lag behind.
    tip = 1.0 - np.exp(-step_s / axles.sensor_lag_s)
    seen = after[:, 1] + 0.5 * starvation(fill) * (after[:, 2] - after[:, 1])
    return ThermalState(after[:, 0], after[:, 1], after[:, 2], after[:, 3], state.sensor + (seen - state.sensor) * tip)
