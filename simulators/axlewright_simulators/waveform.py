"""Raw vibration of a drive axle, sample by sample, with its truth: the slow, rich sister of :mod:`vibration`.

Every source is a force that turns with something (wheel, driveshaft, engine, gear mesh) or strikes (bearing), sent
through resonances to each sensor, modulated as real ones are, with the road and the sensor's own noise on top. Speed
may change within the record. The truth beside it says how large each order was at every sample.

>>> from axlewright_simulators.demo_fleet import demo_fleet
>>> from axlewright_simulators.parameters import axle_rows
>>> axles = axle_rows([demo_fleet().vehicle("hv-101")], seed=1)
>>> told = record(axles, 0, Drive.steady(speed_m_s=22.0, seconds=2.0), seed=1, rate_hz=3200.0)
>>> told.samples.shape, round(float(told.turns[-1]), 1)
((1, 6400), 40.3)
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from axlewright_models.bearings import Geometry
from axlewright_simulators import vibration
from axlewright_simulators.parameters import AxleRows
from axlewright_simulators.waveform_parts import Mode, ring, road, slow_wander, strikes

Array = NDArray[np.float64]

PINION_SIDEBAND, RING_SIDEBAND = 0.15, 0.08  # share of the mesh that swells once a turn of pinion and ring gear
WANDER = 0.04  # relative depth of every source's slow unrest
SENSOR_NOISE_M_S2 = 0.02
ENGINE_MODE = Mode(95.0, 0.3)
HOP_MODE = Mode(vibration.HOP_HZ, vibration.HOP_DAMPING)


@dataclass(frozen=True)
class Drive:
    """How the truck drives during a record: rising times and the speed at them, straight lines between.

    ``gear_ratio``: engine turns a driveshaft turn; None leaves the engine out.
    """

    time_s: Array
    speed_m_s: Array
    torque_n_m: float = 800.0
    gear_ratio: float | None = 1.36
    height_mm: float = 0.0

    @classmethod
    def steady(cls, speed_m_s: float, seconds: float, **others: float | None) -> Drive:
        """Return a drive at one speed."""
        return cls.sweep(speed_m_s, speed_m_s, seconds, **others)

    @classmethod
    def sweep(cls, begin_m_s: float, end_m_s: float, seconds: float, **others: float | None) -> Drive:
        """Return a drive from one speed to another in a straight line."""
        return cls(np.array([0.0, seconds]), np.array([begin_m_s, end_m_s]), **others)  # type: ignore[arg-type]


@dataclass(frozen=True)
class Flaw:
    """A defect of the pinion bearing: where, and how hard it strikes at cruise. [m/s2]"""

    race: str
    blow_m_s2: float


@dataclass(frozen=True)
class Conditions:
    """What else shapes the signal.

    ``gains`` multiplies single lines (``"driveshaft-2": 3.0`` for a worn joint, ``"engine-0.5": 8.0`` for a misfire);
    ``only`` leaves just these lines in; ``full_scale_m_s2`` clips; ``loose`` lets the sensor chatter on its mount.
    """

    gains: Mapping[str, float] = field(default_factory=dict)
    only: frozenset[str] | None = None
    flaw: Flaw | None = None
    roughness: float = 1.0
    noise: bool = True
    loose: bool = False
    full_scale_m_s2: float | None = None


@dataclass(frozen=True)
class Recording:
    """A raw record and its truth.

    ``samples``: (sensors, n). ``turns``: (n,) of the driveshaft. ``amplitude``: per line, (n,), what the first sensor
    felt of it at each sample. [m/s2]
    """

    rate_hz: float
    samples: Array
    turns: Array
    speed_m_s: Array
    amplitude: dict[str, Array]

    def true_amplitude(self, line: str) -> float:
        """Return a line's amplitude as an order analysis counts it: root mean square over shaft angle."""
        steps = np.gradient(self.turns)
        return float(np.sqrt(np.sum(np.square(self.amplitude[line]) * steps) / steps.sum()))


def record(
    axles: AxleRows,
    row: int,
    drive: Drive,
    *,
    seed: int,
    rate_hz: float = 6400.0,
    sensors: int = 1,
    conditions: Conditions | None = None,
    bearing: Geometry | None = None,
    revolutions_per_m: float = 0.313,
    cylinders: int = 6,
) -> Recording:
    """Return what accelerometers on an axle's housing record.

    Parameters
    ----------
    axles : AxleRows
        Parameters of the axles.
    row : int
        Which of them.
    drive : Drive
        Speed over the record, torque, gear, height off specification.
    seed : int
        Draws phases, unrest, slip, road and noise.
    rate_hz : float
        Samples a second. [Hz]
    sensors : int
        The first feels every source whole; the others a share of each, drawn by the seed.
    conditions : Conditions, optional
        Faults and what else shapes the signal.
    bearing : Geometry, optional
        Of the pinion bearing; needed by a flaw.
    revolutions_per_m : float
        Of the tyres.
    cylinders : int
        Of the engine (four-stroke).

    Returns
    -------
    Recording
    """
    given = Conditions() if conditions is None else conditions
    random = np.random.default_rng([seed, row, 47])
    time = np.arange(round(float(drive.time_s[-1] - drive.time_s[0]) * rate_hz)) / rate_hz
    speed = np.interp(time, drive.time_s - drive.time_s[0], drive.speed_m_s)
    wheel_hz = speed * revolutions_per_m
    wheel_turns = np.concatenate([[0.0], np.cumsum(0.5 * (wheel_hz[1:] + wheel_hz[:-1]))]) / rate_hz
    ratio = float(axles.ratio[row])
    sources = _sources(axles, row, drive, speed, wheel_hz, cylinders)
    samples, amplitude = np.zeros((sensors, time.size)), {}
    for name, (order, force, mode) in sources.items():
        share = np.append(1.0, random.uniform(0.4, 1.0, sensors))[:sensors]
        unrest, phase = slow_wander(time.size, rate_hz, WANDER, random), random.uniform(0.0, 2.0 * np.pi)
        if given.only is not None and name not in given.only:
            continue
        force = force * given.gains.get(name, 1.0) * unrest
        swell = _swell(name, wheel_turns, ratio)
        felt = force * swell * np.cos(2.0 * np.pi * order * wheel_turns + phase)
        samples += share[:, None] * mode.through(_eased(felt, rate_hz), rate_hz)
        amplitude[name] = force * mode.gain(order * wheel_hz, rate_hz)
    samples += _strikes(given, bearing, wheel_turns * ratio, speed, rate_hz, random)
    if given.noise:
        level = vibration.ROAD_M_S2 * given.roughness / vibration.CRUISE_M_S
        samples += np.stack([road(speed, level, rate_hz, random) for _ in range(sensors)])
        samples += SENSOR_NOISE_M_S2 * random.standard_normal(samples.shape)
    if given.loose:
        samples = _chatter(samples, rate_hz, random)
    if given.full_scale_m_s2 is not None:
        samples = np.clip(samples, -given.full_scale_m_s2, given.full_scale_m_s2)
    return Recording(rate_hz, samples, wheel_turns * ratio, speed, amplitude)


def _sources(
    axles: AxleRows, row: int, drive: Drive, speed: Array, wheel_hz: Array, cylinders: int
) -> dict[str, tuple[float, Array, Mode]]:
    """Return each line's order of the wheel, its force (n,) in m/s2 and the way it takes."""
    ratio, teeth = float(axles.ratio[row]), float(axles.pinion_teeth[row])
    shaft = Mode(float(axles.shaft_resonance_hz[row]), 0.12)
    torsion_mode = Mode(float(axles.shaft_resonance_hz[row]), 0.22)
    fast = (speed / vibration.CRUISE_M_S) ** 2
    shaft_rad_s = 2.0 * np.pi * ratio * wheel_hz
    unbalance = float(axles.unbalance_kg_m[row]) * shaft_rad_s**2 / vibration.PINION_MASS_KG
    second = _joint_force(axles, row, drive, shaft_rad_s)
    found: dict[str, tuple[float, Array, Mode]] = {
        f"wheel-{number}": (float(number), share * fast, HOP_MODE)
        for number, share in enumerate((axles.wheel_1[row], axles.wheel_2[row], axles.wheel_3[row]), start=1)
    }
    found["driveshaft-1"] = (ratio, unbalance, shaft)
    found["driveshaft-2"] = (2.0 * ratio, second, torsion_mode)
    found["driveshaft-4"] = (4.0 * ratio, 0.12 * second + 0.05 * unbalance, Mode(2000.0, 0.5))
    if drive.gear_ratio is not None:
        load = float(np.clip(abs(drive.torque_n_m) / 1500.0, 0.0, 2.0))
        even, turn = np.ones_like(speed), ratio * drive.gear_ratio
        found["engine-0.5"] = (0.5 * turn, (0.012 + 0.008 * load) * even, Mode(2000.0, 0.5))
        found["engine-1"] = (turn, (0.02 + 0.01 * load) * even, Mode(2000.0, 0.5))
        found["engine-3"] = (0.5 * cylinders * turn, 0.06 * (0.4 + load) * even, ENGINE_MODE)
    mesh = 0.3 + (abs(drive.torque_n_m) / 1500.0) ** 0.6
    first = float(axles.mesh_gain[row]) * mesh * ratio * wheel_hz * teeth / 370.0
    mesh_mode = Mode(float(axles.mesh_resonance_hz[row]), 0.3)
    found["mesh-1"] = (ratio * teeth, first, mesh_mode)
    found["mesh-2"] = (2.0 * ratio * teeth, 0.35 * first, mesh_mode)
    return found


def _joint_force(axles: AxleRows, row: int, drive: Drive, shaft_rad_s: Array) -> Array:
    one = AxleRows(**{name: getattr(axles, name)[row : row + 1] for name in axles.__dataclass_fields__})
    torsion, angle = vibration.joint_excitation(
        one, np.full((shaft_rad_s.size, 1), drive.height_mm), shaft_rad_s[:, None]
    )
    couple = np.abs(drive.torque_n_m) * angle[:, 0] / vibration.COUPLE_ARM_KG_M
    return np.asarray(np.hypot(vibration.TORSION_GAIN * torsion[:, 0], couple))


def _swell(name: str, wheel_turns: Array, ratio: float) -> Array | float:
    """Return how a mesh's force swells with the eccentricity of its gears: sidebands beside the line."""
    if not name.startswith("mesh"):
        return 1.0
    pinion = 1.0 + PINION_SIDEBAND * np.cos(2.0 * np.pi * ratio * wheel_turns)
    return np.asarray(pinion * (1.0 + RING_SIDEBAND * np.cos(2.0 * np.pi * wheel_turns + 1.0)))


def _eased(force: Array, rate_hz: float) -> Array:
    """Return the force with its first tenth of a second faded in: a record begins on the road, not with a blow."""
    length = min(force.size, int(0.1 * rate_hz))
    eased = force.copy()
    eased[:length] *= np.linspace(0.0, 1.0, length)
    return eased


def _strikes(
    given: Conditions, bearing: Geometry | None, turns: Array, speed: Array, rate_hz: float, random: np.random.Generator
) -> Array:
    if given.flaw is None:
        return np.zeros_like(turns)
    if bearing is None:
        raise ValueError("a flaw needs the bearing's geometry: pass bearing=geometry_of(...)")
    size = given.flaw.blow_m_s2 * speed / vibration.CRUISE_M_S
    return ring(strikes(turns, bearing, given.flaw.race, size, random), rate_hz)


def _chatter(samples: Array, rate_hz: float, random: np.random.Generator) -> Array:
    """Return what a sensor on a loose bolt gives: little of what is below its rattle, blows where the axle jolts it."""
    soft = Mode(35.0, 0.15)
    kept = samples - np.stack([soft.through(row, rate_hz) for row in samples])
    jolts = np.where(np.abs(samples) > 2.0 * samples.std(axis=-1, keepdims=True), 12.0 * np.abs(samples), 0.0)
    strength = random.uniform(0.5, 1.5, samples.shape)
    return 0.5 * kept + np.stack([ring(row, rate_hz) for row in jolts * strength])
