"""The channel table: every quantity that a truck can send, in one place.

The order of :data:`CHANNELS` is part of the storage format: append, never reorder or remove.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray


class Scope(Enum):
    """Whether a channel belongs to the whole vehicle or to one axle."""

    VEHICLE = "vehicle"
    AXLE = "axle"


@dataclass(frozen=True)
class Channel:
    """One measured quantity.

    ``unit`` is what stored values and detectors use; ``wire_unit`` is what our edge sends (None: the
    registry has no unit for it, the value goes out bare, in ``unit``). Values outside ``low`` to ``high``
    are kept, flagged and not fed to detectors. ``words`` names the codes 0, 1, ... of a channel that speaks in words.
    A ``derived`` channel is computed in the office and stored beside the readings; what a truck sends under its name
    is overwritten.
    """

    name: str
    scope: Scope
    unit: str
    wire_unit: str | None
    low: float
    high: float
    title: str
    words: tuple[str, ...] = ()
    derived: bool = False


def _vehicle(name: str, unit: str, wire: str | None, low: float, high: float, title: str) -> Channel:
    return Channel(name, Scope.VEHICLE, unit, wire, low, high, title)


def _axle(name: str, unit: str, wire: str | None, low: float, high: float, title: str) -> Channel:
    return Channel(name, Scope.AXLE, unit, wire, low, high, title)


def _acceleration(name: str, title: str) -> Channel:
    return Channel(name, Scope.AXLE, "m/s2", "m/s2", 0.0, 500.0, title)


HEIGHT_MODES = ("normal", "lowered", "raised")
# Doubts of a vibration window, bit 0 upward (channel vib/quality): 5 says that the first and the third hold.
QUALITY_BITS = ("clipped", "samples-missing", "speed-changed", "sensor-loose")
GUARD_WORDS = ("quiet", "lube-limit", "lube-rise", "height-loss")

CHANNELS: tuple[Channel, ...] = (
    _vehicle("speed", "km/h", "m/s", 0.0, 160.0, "Road speed"),
    _vehicle("engine-speed", "1/min", "1/min", 0.0, 4000.0, "Engine speed"),
    _vehicle("shaft-speed", "1/min", "1/min", 0.0, 5000.0, "Driveshaft speed"),
    _vehicle("torque", "N.m", None, -40000.0, 40000.0, "Torque at the transmission output"),
    _vehicle("gear", "/", None, -30.0, 30.0, "Gear ratio driven"),
    _vehicle("ambient", "Cel", "Cel", -60.0, 60.0, "Ambient air temperature"),
    _vehicle("brake", "/", "/", 0.0, 1.0, "Brake pedal position"),
    _vehicle("parked", "flag", None, 0.0, 1.0, "Parking brake set"),
    _vehicle("ignition", "flag", None, 0.0, 1.0, "Ignition on"),
    _vehicle("odometer", "km", "m", 0.0, 5.0e6, "Distance travelled"),
    Channel("height-mode", Scope.VEHICLE, "word", None, 0.0, 2.0, "Ride height chosen by the driver", HEIGHT_MODES),
    _axle("lube", "Cel", "Cel", -60.0, 210.0, "Axle lube temperature"),
    _axle("height/left", "mm", "m", 0.0, 800.0, "Ride height, left"),
    _axle("height/right", "mm", "m", 0.0, 800.0, "Ride height, right"),
    _axle("bellows/left", "kPa", "Pa", 0.0, 1500.0, "Air spring pressure, left"),
    _axle("bellows/right", "kPa", "Pa", 0.0, 1500.0, "Air spring pressure, right"),
    _axle("sump-pressure", "kPa", "Pa", -100.0, 300.0, "Pressure in the axle housing, above ambient"),
    _axle("lube-level", "mm", "m", -100.0, 100.0, "Lube level against the fill plug"),
    _acceleration("vib/rms", "Vibration, rms"),
    _axle("vib/kurtosis", "/", None, 0.0, 1000.0, "Vibration, kurtosis"),
    _acceleration("vib/order/wheel-1", "Wheel, order 1"),
    _acceleration("vib/order/wheel-2", "Wheel, order 2"),
    _acceleration("vib/order/wheel-3", "Wheel, order 3"),
    _acceleration("vib/order/driveshaft-1", "Driveshaft, order 1"),
    _acceleration("vib/order/driveshaft-2", "Driveshaft, order 2"),
    _acceleration("vib/order/driveshaft-4", "Driveshaft, order 4"),
    _acceleration("vib/order/engine-0.5", "Engine, order 1/2"),
    _acceleration("vib/order/engine-1", "Engine, order 1"),
    _acceleration("vib/order/engine-3", "Engine, order 3"),
    _acceleration("vib/order/mesh-1", "Gear mesh, order 1"),
    _acceleration("vib/order/mesh-2", "Gear mesh, order 2"),
    _acceleration("vib/envelope/outer-race", "Envelope at the outer-race defect frequency"),
    _acceleration("vib/envelope/inner-race", "Envelope at the inner-race defect frequency"),
    _acceleration("vib/envelope/rolling-element", "Envelope at the rolling-element defect frequency"),
    _acceleration("vib/envelope/cage", "Envelope at the cage frequency"),
    Channel("lube/expected", Scope.AXLE, "Cel", None, -60.0, 210.0, "Lube temperature the model expects", derived=True),
    Channel("height/static", Scope.AXLE, "mm", None, 0.0, 800.0, "Static ride height, estimated", derived=True),
    _axle("height/left-spread", "mm", "m", 0.0, 400.0, "Ride height within a window, spread, left"),
    _axle("height/right-spread", "mm", "m", 0.0, 400.0, "Ride height within a window, spread, right"),
    _axle("lube/slope", "K/min", None, -60.0, 60.0, "Axle lube temperature, rise in a minute"),
    _axle("vib/crest", "/", None, 0.0, 10000.0, "Vibration, crest factor"),
    _axle("vib/velocity", "mm/s", "m/s", 0.0, 1000.0, "Vibration velocity, rms, 10 to 1000 Hz"),
    _axle("vib/quality", "bits", None, 0.0, 255.0, "Vibration window, doubts"),
    Channel("guard", Scope.AXLE, "word", None, 0.0, 3.0, "What the guard on board says", GUARD_WORDS),
    Channel("clock-corrected", Scope.VEHICLE, "flag", None, 0.0, 1.0, "Time stamps set after the fact"),
    _axle("axle-load", "kg", "kg", 0.0, 40000.0, "Weight on the axle"),
)

INDEX: dict[str, int] = {channel.name: number for number, channel in enumerate(CHANNELS)}
NAMES: tuple[str, ...] = tuple(INDEX)
ORDER_CHANNELS: tuple[str, ...] = tuple(name for name in NAMES if name.startswith("vib/order/"))
ENVELOPE_CHANNELS: tuple[str, ...] = tuple(name for name in NAMES if name.startswith("vib/envelope/"))

LOW: NDArray[np.float64] = np.array([channel.low for channel in CHANNELS])
HIGH: NDArray[np.float64] = np.array([channel.high for channel in CHANNELS])
IS_AXLE: NDArray[np.bool_] = np.array([channel.scope is Scope.AXLE for channel in CHANNELS])
