"""What the control units of a simulated truck say on its bus: J1939 messages, packed by hand.

Written apart from the edge's decoder (which goes by a DBC file), so that each can be held against the other. Start
bytes, scales and codes are those of public machine extracts of the digital annex.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from axlewright_models.signals import HEIGHT_MODES

ENGINE, TRANSMISSION, FORWARD_AXLE, REAR_AXLE, BRAKES, SUSPENSION = 0, 3, 9, 10, 11, 47
REFERENCE_TORQUE_NM = 2300
FRICTION_PERCENT = 6.0
_LEVEL_CODES = {"normal": 1, "lowered": 7, "raised": 6}


@dataclass(frozen=True)
class Message:
    """One message of one unit; longer than 8 bytes it goes out in packets."""

    group: int
    source: int
    data: bytes
    priority: int = 6


class _Fields:
    """Eight bytes of "not available" (or more), into which numbers are written."""

    def __init__(self, length: int = 8) -> None:
        self._bits = (1 << 8 * length) - 1
        self._length = length

    def put(self, byte: int, bits: int, value: float, scale: float = 1.0, offset: float = 0.0, bit: int = 1) -> _Fields:
        """Write a value at a 1-based byte and bit; NaN leaves it "not available", too much is held at the end."""
        if math.isnan(value):
            return self
        top = ((0xFA + 1) << (bits - 8)) - 1 if bits >= 8 else (1 << bits) - 3
        raw = min(max(round((value - offset) / scale), 0), top)
        place = (byte - 1) * 8 + bit - 1
        self._bits &= ~(((1 << bits) - 1) << place)
        self._bits |= raw << place
        return self

    def message(self, group: int, source: int, priority: int = 6) -> Message:
        """Return them as a message."""
        return Message(group, source, self._bits.to_bytes(self._length, "little"), priority)


def fast_messages(vehicle: Mapping[str, float]) -> list[Message]:
    """Return what comes ten times a second or oftener: speeds, torque, gear, brakes."""
    speed, engine = _value(vehicle, "speed"), _value(vehicle, "engine-speed")
    shaft, ratio, parked = _value(vehicle, "shaft-speed"), _value(vehicle, "gear"), _value(vehicle, "parked")
    brake = _value(vehicle, "brake")
    pressed = math.nan if math.isnan(brake) else float(brake > 0.01)
    neutral = ratio == 0.0
    engaged = math.nan if math.isnan(ratio) else float(not neutral)
    current = math.nan if math.isnan(ratio) else 0.0 if neutral else 1.0
    percent = FRICTION_PERCENT if neutral else 100.0 * _value(vehicle, "torque") / (REFERENCE_TORQUE_NM * ratio or 1.0)
    actual = percent if neutral else percent + FRICTION_PERCENT
    whole = math.floor(actual) if math.isfinite(actual) else math.nan
    return [
        _Fields().put(2, 16, speed, 1 / 256).put(1, 2, parked, bit=3).put(4, 2, pressed, bit=5).message(65265, ENGINE),
        _Fields()
        .put(4, 16, engine, 0.125)
        .put(3, 8, whole, 1.0, -125.0)
        .put(1, 4, actual - whole, 0.125, bit=5)
        .message(61444, ENGINE, 3),
        _Fields()
        .put(1, 2, engaged)
        .put(2, 16, shaft, 0.125)
        .put(6, 16, shaft * ratio, 0.125)
        .message(61442, TRANSMISSION, 3),
        _Fields().put(2, 16, ratio, 0.001).put(4, 8, current, 1.0, -125.0).message(61445, TRANSMISSION),
        _Fields().put(2, 8, brake, 0.004).message(61441, BRAKES),
        # The brake controller has wheel speeds of its own, a little off.
        _Fields().put(1, 16, speed * 1.004, 1 / 256).message(65215, BRAKES),
    ]


def level_messages(
    vehicle: Mapping[str, float], axles: Mapping[int, Mapping[str, float]], ride_height_mm: float
) -> list[Message]:
    """Return what the air suspension's controller says: one pair of sensors stands for the whole tandem."""
    levels = [_mean(axles, f"height/{side}") - ride_height_mm for side in ("left", "right")]
    bellows = [_mean(axles, f"bellows/{side}") for side in ("left", "right")]
    mode = _value(vehicle, "height-mode")
    code = math.nan if math.isnan(mode) else float(_LEVEL_CODES[HEIGHT_MODES[int(mode)]])
    return [
        _Fields().put(5, 16, levels[0], 0.1, -3200.0).put(7, 16, levels[1], 0.1, -3200.0).message(65113, SUSPENSION),
        _Fields().put(5, 16, bellows[0], 0.1).put(7, 16, bellows[1], 0.1).message(65112, SUSPENSION),
        _Fields().put(1, 4, code, bit=5).message(65114, SUSPENSION),
    ]


def slow_messages(vehicle: Mapping[str, float], axles: Mapping[int, Mapping[str, float]]) -> list[Message]:
    """Return what comes once a second: weather, distance, friction, axle temperatures."""
    distance_m = 1000.0 * _value(vehicle, "odometer")
    messages = [
        _Fields().put(4, 16, _value(vehicle, "ambient"), 0.03125, -273.0).message(65269, ENGINE),
        _Fields().put(1, 32, distance_m, 5.0).message(65217, ENGINE),
        _Fields().put(1, 8, FRICTION_PERCENT, 1.0, -125.0).message(65247, ENGINE),
    ]
    for source, axle in zip((FORWARD_AXLE, REAR_AXLE), sorted(axles), strict=False):
        location = float((axle - 1) << 4)
        fields = _Fields().put(2, 8, location).put(4, 8, _value(axles[axle], "lube"), 1.0, -40.0)
        messages.append(fields.message(65273, source))
    return messages


def configuration_message() -> Message:
    """Return the engine's configuration, with its reference torque; 39 bytes, so it goes out in packets."""
    return _Fields(39).put(20, 16, REFERENCE_TORQUE_NM).message(65251, ENGINE)


def _value(values: Mapping[str, float], name: str) -> float:
    return values.get(name, math.nan)


def _mean(axles: Mapping[int, Mapping[str, float]], name: str) -> float:
    known = [values[name] for values in axles.values() if name in values]
    return sum(known) / len(known) if known else math.nan
