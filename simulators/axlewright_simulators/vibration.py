"""Vibration descriptors of a drive axle: what an order analysis at its housing would report per window.

Amplitudes come from forces (unbalance, joint angles, gear mesh, engine) through resonances of the housing on its
tyres, of the shaft and of the mesh. No measured truck-axle spectra were found, so sizes are our own choice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_models.signals import QUALITY_BITS
from axlewright_simulators import troubles
from axlewright_simulators.parameters import AxleRows
from axlewright_simulators.troubles import Troubles

Array = NDArray[np.float64]

SLOWEST_M_S = 6.0  # below this no order spectrum is made
HOP_HZ = 10.5
HOP_DAMPING = 0.28
PINION_MASS_KG = 180.0
TORSION_GAIN = 1.2e-3  # m/s2 of housing per rad/s2 of driveline
COUPLE_ARM_KG_M = 200.0
FRONT_SHAFT_MM = 1600.0
CRUISE_M_S = 22.0
SCATTER = 0.10
ROAD_M_S2 = 0.85  # rms of the road's own acceleration at cruise
HOP_SHARE, GRAIN_HZ = 0.8, 180.0
INSTRUMENT_FLOOR_M_S2 = 0.008
RING_M_S2 = 0.03  # a sound bearing's envelope lines at cruise
RANGE_M_S2 = 157.0  # of a sensor for 16 times gravity
UNRESTFUL = 0.05  # spread of the speed within a window over its mean


@dataclass(frozen=True)
class VibrationInput:
    """What shakes r axles in t windows; every array is (t, r), but `length_s` is (t,)."""

    speed_m_s: Array
    speed_spread_m_s: Array
    moving: Array
    torque_n_m: Array
    engine_1_min: Array
    height_mm: Array
    unbalance_added: Array
    dry: Array
    damage: Array
    oil_cel: Array
    roughness: Array
    rain: Array
    length_s: Array
    revolutions_per_m: Array
    cylinders: Array
    troubles: Troubles = troubles.NONE


def amplification(frequency_hz: ArrayLike, resonance_hz: ArrayLike, damping: float) -> Array:
    """Return the gain of a single-degree-of-freedom resonance for a force at a frequency.

    Examples
    --------
    >>> float(amplification(0.0, 10.0, 0.3)), round(float(amplification(10.0, 10.0, 0.25)), 6)
    (1.0, 2.0)
    """
    ratio = np.asarray(frequency_hz, dtype=np.float64) / np.asarray(resonance_hz, dtype=np.float64)
    return np.asarray(1.0 / np.sqrt((1.0 - ratio**2) ** 2 + (2.0 * damping * ratio) ** 2))


def pitch_change_deg(arm_length_mm: ArrayLike, pivot_height_mm: ArrayLike, height_mm: ArrayLike) -> Array:
    """Return how far a trailing arm turns the pinion's nose up when the frame rises by `height_mm`. [deg]

    Examples
    --------
    >>> round(float(pitch_change_deg(600.0, 0.0, 10.0)), 3)  # own geometry check: 0.955 degrees per 10 mm
    0.955
    """
    arm = np.asarray(arm_length_mm, dtype=np.float64)
    pivot = np.asarray(pivot_height_mm, dtype=np.float64)
    turned = np.arcsin(np.clip((pivot + np.asarray(height_mm)) / arm, -1.0, 1.0)) - np.arcsin(pivot / arm)
    return np.asarray(np.degrees(turned))


def joint_excitation(
    axles: AxleRows, height_mm: Array, shaft_rad_s: Array, phase_deg: Array | float = 0.0
) -> tuple[Array, Array]:
    """Return torsional excitation [rad/s2] and the pinion joint's angle [rad] at a height off specification.

    Two joints in phase cancel but for the difference of their squared angles. The main shaft's rear end moves with
    the axle; a shaft between two axles keeps its slope, but the pinion before it tips as well as the one behind.
    Yokes `phase_deg` out of phase turn one excitation against the other by twice that angle, as phasors.
    """
    pitch = np.radians(pitch_change_deg(axles.arm_length_mm, axles.pivot_height_mm, height_mm))
    main = axles.on_main_shaft > 0.5
    slope = height_mm / FRONT_SHAFT_MM
    front = np.radians(axles.joint_front_deg) + np.where(main, slope, -pitch)
    rear = np.radians(axles.joint_rear_deg) + pitch - np.where(main, slope, 0.0)
    turned = np.radians(2.0 * np.asarray(phase_deg))
    left = np.hypot(front**2 - rear**2 * np.cos(turned), rear**2 * np.sin(turned))
    return shaft_rad_s**2 * left, np.abs(rear)


def shaft_shake_m_s2(axles: AxleRows, shaft_rad_s: Array, torsion_rad_s2: Array, unbalance_added: Array) -> Array:
    """Return how hard a shaft shakes the seal that it runs in, from its unbalance and its joints' torsion. [m/s2]"""
    gain = amplification(shaft_rad_s / (2.0 * np.pi), axles.shaft_resonance_hz, 0.12)
    first = axles.unbalance_kg_m * (1.0 + unbalance_added) * shaft_rad_s**2 / PINION_MASS_KG * gain
    return np.asarray(np.hypot(first, TORSION_GAIN * torsion_rad_s2))


def descriptors(axles: AxleRows, acts: VibrationInput, random: np.random.Generator) -> dict[str, Array]:
    """Return the channels under ``vib/``, each (t, r); NaN where the truck was too slow for a spectrum."""
    ring = RING_M_S2 * acts.speed_m_s / CRUISE_M_S
    true = troubles.with_troubles(_amplitudes(axles, acts), axles, acts.troubles, ring)
    shape = acts.speed_m_s.shape
    # A speed that wanders smears an order; a longer window averages scatter.
    unrest = acts.speed_spread_m_s / np.maximum(acts.speed_m_s, 1.0)
    spread = (SCATTER + 0.8 * unrest) * (10.0 / np.maximum(acts.length_s, 1.0))[:, None] ** 0.25
    places = line_places_hz(axles, acts)
    measured = {}
    for name, amplitude in add_coinciding(true, places, acts.length_s).items():
        # What the road puts where the line lies adds to it with a phase of its own.
        floor = INSTRUMENT_FLOOR_M_S2 + road_floor_m_s2(places.get(name), acts)
        along, across = floor * random.standard_normal((2, *shape), dtype=np.float32)
        measured[name] = np.hypot(amplitude * np.exp(spread * random.standard_normal(shape)) + along, across)
    road = ROAD_M_S2 * acts.roughness * (1.0 + 0.1 * acts.rain) * acts.speed_m_s / CRUISE_M_S
    road = road * np.exp(0.18 * random.standard_normal(shape))
    orders = [value for name, value in measured.items() if name.startswith("vib/order/")]
    din = troubles.din_m_s2(acts.troubles) * acts.speed_m_s / CRUISE_M_S
    measured["vib/rms"] = np.sqrt(road**2 + din**2 + 0.5 * np.sum(np.square(orders), axis=0))
    bumps = random.exponential(0.25, shape)
    measured["vib/kurtosis"] = 3.0 + bumps + 3.0 * acts.damage * road + troubles.blows(acts.troubles)
    measured["vib/velocity"] = _velocity_mm_s(measured, places, road)
    # The highest of some ten thousand Gaussian samples lies near four times their rms; blows reach higher.
    tall = 0.25 * random.standard_normal(shape)
    measured["vib/crest"] = np.maximum(4.1 + tall + 1.1 * (measured["vib/kurtosis"] - 3.0) ** 0.75, 1.5)
    measured["vib/quality"] = _quality(measured, unrest)
    slow = (acts.speed_m_s < SLOWEST_M_S) | (acts.moving < 0.95)
    return {name: np.where(slow, np.nan, value) for name, value in measured.items()}


def _velocity_mm_s(measured: dict[str, Array], places: dict[str, Array], road: Array) -> Array:
    """Return the velocity's rms within 10 to 1000 Hz: the lines by their frequency, the road by its hop and grain."""
    hop = HOP_SHARE * road / (2.0 * np.pi * 1.15 * HOP_HZ)  # what of the hop lies above 10 Hz has this centre
    grain = np.sqrt(1.0 - HOP_SHARE**2) * road / (2.0 * np.pi * GRAIN_HZ)
    total = hop**2 + grain**2
    for name, place_hz in places.items():
        heard = (place_hz >= 10.0) & (place_hz <= 1000.0)
        total = total + np.where(heard, 0.5 * (measured[name] / (2.0 * np.pi * np.maximum(place_hz, 10.0))) ** 2, 0.0)
    return np.asarray(1000.0 * np.sqrt(total))


def _quality(measured: dict[str, Array], unrest: Array) -> Array:
    """Return the doubts of each window: a peak beyond the sensor's range, a speed that changed too much."""
    clipped = measured["vib/rms"] * measured["vib/crest"] > RANGE_M_S2
    return np.asarray(
        2.0 ** QUALITY_BITS.index("clipped") * clipped
        + 2.0 ** QUALITY_BITS.index("speed-changed") * (unrest > UNRESTFUL)
    )


def road_floor_m_s2(place_hz: Array | None, acts: VibrationInput) -> Array | float:
    """Return the standard deviation, of either quadrature, of the road's noise within a line of the spectrum. [m/s2]

    The road's acceleration is hop (SDOF, :data:`HOP_HZ`) and grain (first order, :data:`GRAIN_HZ`) as in the raw
    waveforms; a Hann window of length T lets 1.5 / T of its density through. Envelope lines (no place) are clear of it.
    """
    if place_hz is None:
        return 0.0
    level = ROAD_M_S2 * acts.roughness * acts.speed_m_s / CRUISE_M_S
    hop = amplification(place_hz, HOP_HZ, HOP_DAMPING) ** 2 / (0.25 * np.pi * HOP_HZ / HOP_DAMPING)
    grain = 1.0 / (1.0 + (place_hz / GRAIN_HZ) ** 2) / (0.5 * np.pi * GRAIN_HZ)
    density = level**2 * (HOP_SHARE**2 * hop + (1.0 - HOP_SHARE**2) * grain)
    return np.asarray(np.sqrt(density * 1.5 / np.maximum(acts.length_s, 1.0)[:, None]))


def line_places_hz(axles: AxleRows, acts: VibrationInput) -> dict[str, Array]:
    """Return where each order line lies, (t, r). [Hz]"""
    wheel_hz = acts.speed_m_s * acts.revolutions_per_m
    shaft_hz, engine_hz = wheel_hz * axles.ratio, acts.engine_1_min / 60.0
    places = {f"vib/order/wheel-{order}": order * wheel_hz for order in (1, 2, 3)}
    places |= {f"vib/order/driveshaft-{order}": order * shaft_hz for order in (1, 2, 4)}
    places |= {"vib/order/engine-0.5": 0.5 * engine_hz, "vib/order/engine-1": engine_hz}
    places["vib/order/engine-3"] = 0.5 * acts.cylinders * engine_hz
    return places | {f"vib/order/mesh-{order}": order * shaft_hz * axles.pinion_teeth for order in (1, 2)}


def add_coinciding(true: dict[str, Array], places: dict[str, Array], length_s: Array) -> dict[str, Array]:
    """Return the amplitudes as a spectrum of this length shows them: lines that coincide are seen in each other.

    Only the engine's lines wander through the others, gear by gear. A Hann window's main lobe is two bins wide.
    """
    shown = dict(true)
    turning = np.flatnonzero(places["vib/order/engine-1"] > 0.0)
    seconds = np.broadcast_to(length_s[:, None], places["vib/order/engine-1"].shape).ravel()[turning]
    at = {name: place.ravel()[turning] * seconds for name, place in places.items() if "/mesh-" not in name}
    engine = [name for name in at if "/engine-" in name]
    for first in engine:
        for second in at:
            bins = np.abs(at[first] - at[second])
            near = np.flatnonzero(bins < 2.0)
            if second in engine or not near.size:
                continue
            seen, where = np.cos(0.25 * np.pi * bins[near]) ** 2, turning[near]
            for one, other in ((first, second), (second, first)):
                mixed = shown[one].copy()
                mixed.flat[where] = np.hypot(mixed.flat[where], seen * true[other].flat[where])
                shown[one] = mixed
    return shown


def _amplitudes(axles: AxleRows, acts: VibrationInput) -> dict[str, Array]:
    wheel_hz = acts.speed_m_s * acts.revolutions_per_m
    shaft_hz = wheel_hz * axles.ratio
    shaft_rad_s = 2.0 * np.pi * shaft_hz
    amplitude = _wheel(axles, acts, wheel_hz)
    unbalance = axles.unbalance_kg_m * (1.0 + acts.unbalance_added + acts.troubles.unbalance)
    resonance_hz = axles.shaft_resonance_hz * acts.troubles.softened
    shaft_gain = amplification(shaft_hz, resonance_hz, 0.12)
    amplitude["vib/order/driveshaft-1"] = unbalance * shaft_rad_s**2 / PINION_MASS_KG * shaft_gain
    torsion, angle = joint_excitation(axles, acts.height_mm, shaft_rad_s, acts.troubles.phase_deg)
    couple = np.abs(acts.torque_n_m) * angle / COUPLE_ARM_KG_M
    second = np.hypot(TORSION_GAIN * torsion, couple)
    amplitude["vib/order/driveshaft-2"] = second * amplification(2.0 * shaft_hz, resonance_hz, 0.22)
    amplitude["vib/order/driveshaft-4"] = 0.12 * second + 0.05 * unbalance * shaft_rad_s**2 / PINION_MASS_KG
    amplitude |= _engine(acts)
    amplitude |= _mesh(axles, acts, shaft_hz)
    ring = RING_M_S2 * acts.speed_m_s / CRUISE_M_S
    for number, name in enumerate(("outer-race", "inner-race", "rolling-element", "cage")):
        amplitude[f"vib/envelope/{name}"] = ring * dry_bearing_growth(acts.dry, acts.damage, number)
    return amplitude


def dry_mesh_growth(dry: Array, damage: Array) -> Array:
    """Return the factor of the first mesh line where gears run dry (0 to 1) or have done; the second has its square."""
    return np.asarray(1.0 + 1.2 * dry + 3.0 * damage)


def dry_bearing_growth(dry: Array, damage: Array, line: int = 0) -> Array:
    """Return the factor of a bearing's envelope lines, the outer race's being number 0, in the same case."""
    return np.asarray(1.0 + (6.0 - line) * damage + 0.5 * dry)


def _wheel(axles: AxleRows, acts: VibrationInput, wheel_hz: Array) -> dict[str, Array]:
    fast = (acts.speed_m_s / CRUISE_M_S) ** 2
    shares = (axles.wheel_1, axles.wheel_2, axles.wheel_3)
    return {
        f"vib/order/wheel-{order}": share * fast * amplification(order * wheel_hz, HOP_HZ, HOP_DAMPING)
        for order, share in enumerate(shares, start=1)
    }


def _engine(acts: VibrationInput) -> dict[str, Array]:
    engine_hz = acts.engine_1_min / 60.0
    load = np.clip(np.abs(acts.torque_n_m) / 1500.0, 0.0, 2.0)
    firing = 0.5 * acts.cylinders * engine_hz
    return {
        "vib/order/engine-0.5": 0.012 + 0.008 * load,
        "vib/order/engine-1": 0.02 + 0.01 * load,
        "vib/order/engine-3": 0.06 * (0.4 + load) * amplification(firing, 95.0, 0.3),
    }


def _mesh(axles: AxleRows, acts: VibrationInput, shaft_hz: Array) -> dict[str, Array]:
    mesh_hz = shaft_hz * axles.pinion_teeth
    load = 0.3 + (np.abs(acts.torque_n_m) / 1500.0) ** 0.6
    worse = dry_mesh_growth(acts.dry, acts.damage)
    # Thick cold oil damps the mesh.
    thin = np.clip(0.7 + 0.004 * acts.oil_cel, 0.6, 1.2)
    force = axles.mesh_gain * load * worse * thin * mesh_hz / 370.0
    return {
        "vib/order/mesh-1": force * amplification(mesh_hz, axles.mesh_resonance_hz, 0.3),
        "vib/order/mesh-2": 0.35 * force * worse * amplification(2.0 * mesh_hz, axles.mesh_resonance_hz, 0.3),
    }
