"""The stories that no advisory should follow: duty, habits, service that shifts a baseline, and health itself."""

from __future__ import annotations

import numpy as np

from axlewright_simulators.climates import CLIMATES
from axlewright_simulators.faults import Kind
from axlewright_simulators.story import DAY_S, MINUTE_S, Course, Place, Story

WHEEL_ORDERS: tuple[Kind, ...] = ("wheel-1", "wheel-2", "wheel-3")


def _lowered(place: Place) -> Course:
    length = place.between(15.0, 40.0) * MINUTE_S
    lowered = place.fault("lowered", -place.between(40.0, 70.0), end_s=place.onset_s + length, repeat_s=DAY_S)
    return Course(0, (lowered,))


def _overload(place: Place) -> Course:
    days = place.between(2.0, 10.0)
    more = place.fault("overload", place.between(1.15, 1.4), end_s=place.onset_s + days * DAY_S)
    return Course(0, (more,))


def _mountain(place: Place) -> Course:
    days = place.between(2.0, 10.0)
    hills = place.fault("mountain-duty", place.between(1.5, 2.2), end_s=place.onset_s + days * DAY_S)
    return Course(0, (hills,))


def _tyre_change(place: Place) -> Course:
    changes = [
        place.fault(kind, float(np.exp(place.random.normal(0.0, 0.35)) - 1.0), axle)
        for axle in place.positions
        for kind in WHEEL_ORDERS
    ]
    radius = place.fault("tyre-radius", place.between(0.004, 0.016))
    return Course(0, (radius, *changes), (place.service(0, "wheel-or-tyre"),))


def _oil_change(place: Place) -> Course:
    fills = tuple(place.fault("set-fill", place.between(0.98, 1.03), axle) for axle in place.positions)
    fresh = tuple(place.fault("lube-grade", place.between(0.95, 1.12), axle) for axle in place.positions)
    return Course(0, (*fills, *fresh), (place.service(0, "lube"),))


def _valve_reset(place: Place) -> Course:
    moved = place.fault("height-valve", place.between(-3.0, 3.0))
    return Course(0, (moved,), (place.service(0, "height-valve"),))


def _sensor_replaced(place: Place) -> Course:
    axle = place.axle()
    other = place.fault("lube-sensor", float(place.random.normal(0.0, 1.0)), axle, mode="bias")
    return Course(axle, (other,), (place.service(axle, "lube-sensor"),))


def _healthy(place: Place) -> Course:
    return Course(0)


HARMLESS_STORIES: tuple[Story, ...] = (
    Story("lowered-on-purpose", "driver lowers the truck each day", "harmless", _lowered, watch_days=14),
    Story("overload", "overloaded for some days", "harmless", _overload),
    Story("mountain-duty", "mountain work for some days", "harmless", _mountain),
    Story("service-tyre-change", "new drive tyres", "harmless", _tyre_change),
    Story("service-oil-change", "lube changed", "harmless", _oil_change),
    Story("service-valve-reset", "height valve set anew", "harmless", _valve_reset),
    Story("service-sensor-replaced", "lube temperature sensor replaced", "harmless", _sensor_replaced),
    *(
        Story(f"healthy-{name}", f"healthy, {climate.title}", "harmless", _healthy, climate=name, watch_days=60)
        for name, climate in CLIMATES.items()
    ),
)
