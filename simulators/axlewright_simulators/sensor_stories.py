"""The stories of sensors that fail: eight ways, for lube, height and vibration sensors."""

from __future__ import annotations

from axlewright_simulators.faults import Kind
from axlewright_simulators.story import Course, Place, Story

_SENSOR_KIND: dict[str, Kind] = {"lube": "lube-sensor", "height": "height-sensor", "vibration": "vibration-sensor"}
_SENSOR_CAUSE = {
    "lube": "failed-temperature-sensor",
    "height": "failed-height-sensor",
    "vibration": "failed-vibration-sensor",
}
# Least and most size of each way to fail, and days of development: K, mm, share of gain or looseness.
_SENSOR_SIZES: dict[str, dict[str, tuple[float, float]]] = {
    "lube": {"bias": (6.0, 20.0), "drift": (10.0, 30.0), "noise": (4.0, 12.0), "loose": (0.5, 1.0)},
    "height": {"bias": (15.0, 50.0), "drift": (20.0, 60.0), "noise": (8.0, 25.0), "loose": (10.0, 30.0)},
    "vibration": {"bias": (-0.8, -0.4), "drift": (-0.9, -0.6), "noise": (0.5, 2.0), "loose": (0.5, 1.0)},
}
_SENSOR_DAYS = {"drift": (15.0, 45.0)}
_MODE_WORDS = {
    "bias": "reads wrong by a constant",
    "drift": "drifts",
    "stuck": "hangs",
    "noise": "scatters",
    "loose": "hangs loose",
    "swapped": "is swapped with its counterpart",
    "wrong-unit": "speaks another unit after replacement",
    "silent": "falls silent",
}
_SPECIAL_CAUSES: dict[tuple[str, str], tuple[str, ...]] = {
    ("height", "swapped"): ("swapped-sensors",),
    ("lube", "swapped"): ("swapped-sensors", "failed-temperature-sensor"),
    ("vibration", "swapped"): ("swapped-sensors", "failed-vibration-sensor"),
    ("lube", "wrong-unit"): ("wrong-sensor-unit",),
    ("height", "wrong-unit"): ("wrong-sensor-unit",),
    ("vibration", "wrong-unit"): ("wrong-sensor-unit", "failed-vibration-sensor"),
}
_NEEDS = {"lube": ("lube",), "height": ("height/left", "height/right"), "vibration": ("vib/rms",)}
_AFTER_SERVICE = ("swapped", "wrong-unit")
_LEVEL_TRUCK = "left and right read alike on a truck that stands level"


def _sensor_story(sensor: str, mode: str) -> Story:
    low, high = _SENSOR_SIZES[sensor].get(mode, (0.0, 0.0))

    def draw(place: Place) -> Course:
        axle = place.axle()
        sign = -1.0 if sensor != "vibration" and mode in ("bias", "drift") and place.random.random() < 0.5 else 1.0
        side = "left" if place.random.random() < 0.5 else "right"
        days = place.between(*_SENSOR_DAYS.get(mode, (0.0, 0.0)))
        fault = place.fault(_SENSOR_KIND[sensor], sign * place.between(low, high), axle, days, mode=mode, side=side)
        services = (place.service(axle, f"{sensor}-sensor"),) if mode in _AFTER_SERVICE else ()
        hidden = _LEVEL_TRUCK if (sensor, mode) == ("height", "swapped") else ""
        return Course(axle, (fault,), services, hidden)

    needs = _NEEDS[sensor]
    words = f"{'lube temperature' if sensor == 'lube' else sensor} sensor {_MODE_WORDS[mode]}"
    cause = _SPECIAL_CAUSES.get((sensor, mode), (_SENSOR_CAUSE[sensor],))
    watch = 60.0 if mode == "drift" else 21.0
    return Story(f"{sensor}-sensor-{mode}", words, "sensor", draw, cause, needs=needs, watch_days=watch)


SENSOR_STORIES: tuple[Story, ...] = tuple(
    _sensor_story(sensor, mode) for sensor in _SENSOR_KIND for mode in _MODE_WORDS
)
