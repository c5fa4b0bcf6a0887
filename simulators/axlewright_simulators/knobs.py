"""Knobs that make a simulation harder than it was built: for asking how a monitor fares when the world is otherwise.

>>> Knobs(parameter_spread=0.3, noise=2.0, missing_sensors=0.5, lost_frames=0.05).lost_frames
0.05
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from axlewright_models.errors import ModelError
from axlewright_simulators.parameters import AxleRows, TruckRows, place_number

Array = NDArray[np.float64]

# What the spread moves: all that the simulators chose. What the fleet file says (ratios, teeth, geometry, lube) stays.
AXLE_PARAMETERS = (
    *("preload_w", "bearing_w", "churning_w", "mesh_share", "shading", "sensor_lag_s", "sensor_bias_k"),
    *("height_bias_left_mm", "height_bias_right_mm", "joint_front_deg", "joint_rear_deg", "wheel_1", "wheel_2"),
    *("wheel_3", "unbalance_kg_m", "shaft_resonance_hz", "mesh_gain", "mesh_resonance_hz", "gears_j_k", "housing_j_k"),
    *("gears_oil_w_k", "oil_housing_w_k", "surface_m2", "wear_pace"),
)
TRUCK_PARAMETERS = ("set_error_mm", "dead_band_mm", "roughness", "lean_share")
SENSORS: tuple[tuple[str, ...], ...] = (
    ("lube", "lube/slope"),
    ("height/left", "height/left-spread"),
    ("height/right", "height/right-spread"),
    ("bellows/left",),
    ("bellows/right",),
    ("sump-pressure",),
    ("lube-level",),
    ("vib/",),
)
"""The axle's sensors, each with the channels (or the beginning of their names) that go when it is missing."""


@dataclass(frozen=True)
class Knobs:
    """How far a simulation departs from what it was built to be.

    Parameters
    ----------
    parameter_spread : float
        0.3: every parameter of every axle and truck is off by a factor of its own, drawn within 0.7 to 1.3.
    noise : float
        Factor of all measuring noise.
    missing_sensors : float
        Share of the axles' sensors that are not fitted, drawn for each one.
    lost_frames : float
        Share of windows that never arrive.

    Raises
    ------
    ModelError
        A knob is outside its range.
    """

    parameter_spread: float = 0.0
    noise: float = 1.0
    missing_sensors: float = 0.0
    lost_frames: float = 0.0

    def __post_init__(self) -> None:
        for name, highest in (
            ("parameter_spread", 0.9),
            ("noise", 100.0),
            ("missing_sensors", 1.0),
            ("lost_frames", 1.0),
        ):
            value = getattr(self, name)
            if not 0.0 <= value <= highest:
                raise ModelError(f"knob {name} is {value}, must be 0 to {highest:g}")


PLAIN = Knobs()


def spread_axles(axles: AxleRows, vehicles: Sequence[str], seed: int, spread: float) -> AxleRows:
    """Return the axles' parameters, each off by a factor drawn for its truck, axle and parameter."""
    if spread == 0.0:
        return axles
    factors = [
        np.random.default_rng([seed, place_number(vehicles[truck]), 61, int(position)]).uniform(
            1.0 - spread, 1.0 + spread, len(AXLE_PARAMETERS)
        )
        for truck, position in zip(axles.truck, axles.position, strict=True)
    ]
    return replace(axles, **_scaled(axles, AXLE_PARAMETERS, np.array(factors)))


def spread_trucks(trucks: TruckRows, vehicles: Sequence[str], seed: int, spread: float) -> TruckRows:
    """Return the trucks' parameters, each off by a factor drawn for its truck and parameter."""
    if spread == 0.0:
        return trucks
    factors = [
        np.random.default_rng([seed, place_number(name), 62]).uniform(1.0 - spread, 1.0 + spread, len(TRUCK_PARAMETERS))
        for name in vehicles
    ]
    return replace(trucks, **_scaled(trucks, TRUCK_PARAMETERS, np.array(factors)))


def _scaled(rows: AxleRows | TruckRows, names: Sequence[str], factors: Array) -> dict[str, Any]:
    return {name: getattr(rows, name) * factors[:, number] for number, name in enumerate(names)}


def missing_channels(vehicle: str, position: int, seed: int, share: float) -> tuple[str, ...]:
    """Return the channels (or beginnings of names) of the sensors that one axle lacks.

    Examples
    --------
    >>> missing_channels("t-1", 2, seed=1, share=0.0)
    ()
    """
    drawn = np.random.default_rng([seed, place_number(vehicle), 63, position]).random(len(SENSORS))
    gone = [channels for channels, chance in zip(SENSORS, drawn, strict=True) if chance < share]
    return tuple(name for channels in gone for name in channels)


def drop_missing(
    axle: dict[str, Array], vehicles: Sequence[str], positions: Sequence[int], seed: int, share: float
) -> None:
    """Blank, in place, the channels (t, r) of sensors that the axles lack."""
    if share == 0.0:
        return
    for row, (vehicle, position) in enumerate(zip(vehicles, positions, strict=True)):
        for gone in missing_channels(vehicle, position, seed, share):
            for name in axle:
                if name == gone or (gone.endswith("/") and name.startswith(gone)):
                    axle[name][:, row] = np.nan


class Louder(np.random.Generator):
    """A generator whose noise is scaled: what measuring draws from it gets louder, all else is as it was.

    Examples
    --------
    >>> quiet, loud = (Louder(np.random.PCG64(1), scale).standard_normal(3) for scale in (1.0, 2.0))
    >>> bool(np.all(loud == 2.0 * quiet))
    True
    """

    def __init__(self, bits: np.random.BitGenerator, scale: float) -> None:
        super().__init__(bits)
        self.scale = scale

    def standard_normal(self, *given: Any, **more: Any) -> Any:
        """Return scaled normal numbers."""
        return self.scale * super().standard_normal(*given, **more)

    def exponential(self, *given: Any, **more: Any) -> Any:
        """Return scaled exponential numbers."""
        return self.scale * super().exponential(*given, **more)
