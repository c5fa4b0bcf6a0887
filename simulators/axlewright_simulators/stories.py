"""The stories of the library: for each its causes, how long it is watched, what shows it, and how its size is drawn.

Sizes are our own choice: each is one that a workshop would want to hear of; none is set to suit a detector.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from axlewright_models.shop.service import ServiceEvent
from axlewright_models.spec import VehicleSpec
from axlewright_simulators.climates import CLIMATES
from axlewright_simulators.faults import Fault, Kind
from axlewright_simulators.parameters import joint_angles_deg
from axlewright_simulators.vibration import COUPLE_ARM_KG_M, TORSION_GAIN

DAY_S, HOUR_S, MINUTE_S = 86400.0, 3600.0, 60.0
USUAL_TORQUE_N_M, CRUISE_RAD_S = 500.0, 160.0  # of the shaft, on the level at cruise
LEAST_RISE = 1.25  # of a line, that its scatter and the load's swing do not hide
HEIGHTS = ("height/left", "height/right")
LUBE = ("lube", "lube-level")
ENVELOPE = ("vib/envelope/outer-race", "vib/envelope/inner-race", "vib/envelope/rolling-element")


@dataclass(frozen=True)
class Place:
    """Where and when a story happens, and what decides its sizes."""

    vehicle: str
    positions: tuple[int, ...]
    onset_s: float
    random: np.random.Generator

    def axle(self) -> int:
        """Return the position of one drive axle, drawn."""
        return self.positions[int(self.random.integers(len(self.positions)))]

    def between(self, low: float, high: float) -> float:
        """Return a size drawn evenly."""
        return float(self.random.uniform(low, high))

    def fault(self, kind: Kind, severity: float, axle: int = 0, days: float = 0.0, **more: object) -> Fault:
        """Return a fault that begins at the onset and takes `days` to its full size."""
        return Fault(kind, self.vehicle, self.onset_s, severity, axle, days * DAY_S, **more)  # type: ignore[arg-type]  # more holds Fault's own fields

    def service(self, axle: int, *touched: str) -> ServiceEvent:
        """Return a shop visit at the onset."""
        return ServiceEvent(self.vehicle, axle, self.onset_s, frozenset(touched))


@dataclass(frozen=True)
class Course:
    """What a story does to a truck: the first fault gives the run its severity; `hidden` says why it cannot be seen."""

    axle: int
    faults: tuple[Fault, ...] = ()
    services: tuple[ServiceEvent, ...] = ()
    hidden: str = ""


@dataclass(frozen=True)
class Story:
    """One scenario of the library.

    ``kind`` is slow, sudden, sensor or harmless; ``causes`` are ids of the office's causes; ``needs`` names channels
    of which one must be fitted for the fault to be seen at all; ``climate`` limits it to trucks of one climate;
    ``unseen`` says why it cannot be seen on a truck, by the physics.
    """

    name: str
    title: str
    kind: str
    draw: Callable[[Place], Course]
    causes: tuple[str, ...] = ()
    source: str = ""
    needs: tuple[str, ...] = ()
    watch_days: float = 21.0
    climate: str = ""
    unseen: Callable[[VehicleSpec, Course], str] | None = None

    @property
    def harmless(self) -> bool:
        """Whether no advisory is the right answer."""
        return self.kind == "harmless"

    @property
    def fits_words(self) -> str:
        """Say which trucks it could happen to."""
        return f"it needs a truck of climate {self.climate!r}" if self.climate else "it needs any truck of the fleet"

    def fits(self, vehicle: VehicleSpec) -> bool:
        """Return whether it can happen to this truck."""
        return not self.climate or vehicle.id.partition("-")[0] == self.climate


# --- ride height ----------------------------------------------------------------------------------------------------


def _valve_step(place: Place) -> Course:
    low = place.random.random() < 0.7
    size = place.between(15.0, 40.0)
    return Course(0, (place.fault("height-valve", -size if low else min(size, 30.0)),))


def _height_drift(place: Place) -> Course:
    sign = -1.0 if place.random.random() < 0.7 else 1.0
    return Course(0, (place.fault("height-valve", sign * place.between(18.0, 40.0), days=place.between(25.0, 70.0)),))


def _lean(place: Place) -> Course:
    sign = 1.0 if place.random.random() < 0.5 else -1.0
    return Course(0, (place.fault("lean", sign * place.between(22.0, 45.0), days=place.between(0.0, 20.0)),))


def _leak_down(place: Place) -> Course:
    side = "left" if place.random.random() < 0.5 else "right"
    leak = place.fault("air-leak", place.between(0.08, 0.4), days=place.between(3.0, 25.0), side=side)
    return Course(0, (leak,))


def _hunting(place: Place) -> Course:
    return Course(0, (place.fault("hunting", place.between(8.0, 22.0), days=place.between(0.0, 10.0)),))


def _lowered(place: Place) -> Course:
    length = place.between(15.0, 40.0) * MINUTE_S
    lowered = place.fault("lowered", -place.between(40.0, 70.0), end_s=place.onset_s + length, repeat_s=DAY_S)
    return Course(0, (lowered,))


def _joint_angles(place: Place) -> Course:
    return Course(0, (place.fault("height-valve", -place.between(45.0, 62.0), days=place.between(0.0, 15.0)),))


# --- lube and heat --------------------------------------------------------------------------------------------------


def _seal_leak(place: Place) -> Course:
    axle = place.axle()
    loss = place.fault("lube-loss", place.between(0.0015, 0.006), axle, place.between(5.0, 25.0))
    return Course(axle, (loss,))


def _lube_loss(place: Place) -> Course:
    axle = place.axle()
    return Course(axle, (place.fault("lube-loss", place.between(0.3, 3.0), axle, place.between(0.0, 0.02)),))


def _overfill(place: Place) -> Course:
    axle = place.axle()
    fill = place.fault("set-fill", place.between(1.25, 1.55), axle)
    return Course(axle, (fill,), (place.service(axle, "lube"),))


def _wrong_grade(place: Place) -> Course:
    axle = place.axle()
    factor = place.between(1.9, 3.2) if place.random.random() < 0.6 else place.between(0.35, 0.55)
    grade = place.fault("lube-grade", factor, axle)
    return Course(axle, (grade, place.fault("set-fill", 1.0, axle)), (place.service(axle, "lube"),))


def _brake(place: Place) -> Course:
    axle = place.axle()
    drag = place.fault("brake-drag", place.between(200.0, 800.0), axle, place.between(0.0, 0.5))
    return Course(axle, (drag,))


def _mismatch(place: Place) -> Course:
    size = place.between(0.006, 0.016)
    return Course(0, (place.fault("tyre-mismatch", size),), (place.service(0, "wheel-or-tyre"),))


def _preload(place: Place) -> Course:
    axle = place.axle()
    tight = place.fault("bearing-preload", place.between(1.0, 4.0), axle)
    return Course(axle, (tight,), (place.service(axle, "bearing"),))


def _torque_leak(place: Place) -> Course:
    axle = place.axle()
    leak = place.fault("torque-leak", place.between(0.004, 0.02), axle, place.between(3.0, 20.0))
    return Course(axle, (leak,))


def _breather(place: Place) -> Course:
    axle = place.axle()
    return Course(axle, (place.fault("breather", place.between(0.985, 0.9995), axle, place.between(1.0, 20.0)),))


# --- vibration ------------------------------------------------------------------------------------------------------


def _tyre(place: Place) -> Course:
    axle = place.axle()
    first = place.fault("wheel-1", place.between(2.0, 6.0), axle, place.between(0.0, 25.0))
    rest = [place.fault(kind, place.between(0.0, 3.0), axle, first.development_s / DAY_S) for kind in _HIGHER]
    return Course(axle, (first, *rest))


_HIGHER: tuple[Kind, ...] = ("wheel-2", "wheel-3")


def _unbalance(place: Place) -> Course:
    axle = place.axle()
    days = 0.0 if place.random.random() < 0.6 else place.between(3.0, 20.0)
    fault = place.fault("shaft-unbalance", place.between(2.0, 7.0), axle, days)
    return Course(axle, (fault,), () if days else (place.service(axle, "driveshaft"),))


def _phase(place: Place) -> Course:
    axle = place.axle()
    teeth = float(place.random.choice([20, 24, 30]))
    off = 360.0 / teeth * round(place.between(40.0, 95.0) * teeth / 360.0)
    return Course(axle, (place.fault("joint-phase", off, axle),), (place.service(axle, "driveshaft"),))


def _phase_unseen(vehicle: VehicleSpec, course: Course) -> str:
    """Return why a shaft out of phase cannot be seen: at small angles its joints have little to oppose."""
    drives = vehicle.drive_axles
    number = [axle.position for axle in drives].index(course.axle)
    front, rear = np.radians(joint_angles_deg(vehicle, drives[number], number))
    turned = np.radians(2.0 * course.faults[0].severity)
    couple = USUAL_TORQUE_N_M * abs(rear) / COUPLE_ARM_KG_M
    before = np.hypot(couple, TORSION_GAIN * CRUISE_RAD_S**2 * abs(front**2 - rear**2))
    left = np.hypot(front**2 - rear**2 * np.cos(turned), rear**2 * np.sin(turned))
    after = np.hypot(couple, TORSION_GAIN * CRUISE_RAD_S**2 * left)
    if after > LEAST_RISE * before:
        return ""
    return (
        f"at its small joint angles it adds only {100.0 * (after / before - 1.0):.0f} % to the line at twice the shaft"
    )


def _centre_bearing(place: Place) -> Course:
    axle = place.positions[0]
    return Course(axle, (place.fault("centre-bearing", place.between(0.6, 1.0), axle, place.between(15.0, 50.0)),))


def _misfire(place: Place) -> Course:
    return Course(0, (place.fault("misfire", place.between(0.4, 1.0), 0, place.between(0.0, 5.0)),))


def _bearing(place: Place) -> Course:
    axle = place.axle()
    return Course(axle, (place.fault("bearing-spall", place.between(0.008, 0.028), axle),))


def _worn_yoke(place: Place) -> Course:
    axle = place.axle()
    play = place.fault("joint-play", place.between(0.8, 1.1), axle, place.between(25.0, 60.0), growth="accelerating")
    return Course(axle, (play,))


def _mesh(place: Place) -> Course:
    axle = place.axle()
    wear = place.fault("mesh-wear", place.between(0.6, 1.1), axle, place.between(25.0, 60.0), growth="accelerating")
    return Course(axle, (wear,))


def _output_play(place: Place) -> Course:
    axle = place.positions[0]  # the through-shaft that a tandem's forward axle hands on
    play = place.fault("output-play", place.between(0.6, 1.0), axle, place.between(20.0, 50.0), growth="accelerating")
    return Course(axle, (play,))


# --- duty, service, health ------------------------------------------------------------------------------------------


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
        for kind in ("wheel-1", *_HIGHER)
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


FAULT_STORIES: tuple[Story, ...] = (
    Story(
        "valve-step",
        "height valve knocked out of set",
        "sudden",
        _valve_step,
        ("height-valve-out-of-set",),
        needs=HEIGHTS,
    ),
    Story(
        "height-drift",
        "height drifts over weeks",
        "slow",
        _height_drift,
        ("height-drift", "height-valve-out-of-set"),
        watch_days=90,
        needs=HEIGHTS,
    ),
    Story("lean", "frame leans to one side", "slow", _lean, ("one-sided-suspension",), watch_days=45, needs=HEIGHTS),
    Story(
        "leak-down", "air spring or line leaks", "slow", _leak_down, ("air-spring-leak",), watch_days=45, needs=HEIGHTS
    ),
    Story("hunting", "height valve hunts", "slow", _hunting, ("hunting-valve",), watch_days=35, needs=HEIGHTS),
    Story("lowered-on-purpose", "driver lowers the truck each day", "harmless", _lowered, watch_days=14),
    Story(
        "joint-angles-from-height",
        "the truck stands so low that its joints suffer, seals and bearings after them",
        "slow",
        _joint_angles,
        ("height-valve-out-of-set", "joint-angles-wrong"),
        source="joint-angle",
        watch_days=90,
        needs=HEIGHTS,
    ),
    Story(
        "seal-leak",
        "a worn seal loses lube slowly",
        "slow",
        _seal_leak,
        ("low-lube-worn-pinion-seal",),
        watch_days=100,
        needs=LUBE,
    ),
    Story("lube-loss-sudden", "lube is lost within hours", "sudden", _lube_loss, ("sudden-lube-loss",), needs=LUBE),
    Story("overfill", "overfilled at service", "sudden", _overfill, ("overfilled",), needs=LUBE),
    Story(
        "wrong-grade",
        "wrong grade of lube filled at service",
        "sudden",
        _wrong_grade,
        ("wrong-lube-grade",),
        needs=("lube",),
    ),
    Story("dragging-brake", "a brake drags", "sudden", _brake, ("dragging-brake",), needs=("lube",)),
    Story(
        "tyre-mismatch",
        "drive tyres of unequal size after a change",
        "sudden",
        _mismatch,
        ("tandem-mismatch",),
        needs=("lube",),
    ),
    Story(
        "bearing-preload",
        "bearings set too tight at service",
        "sudden",
        _preload,
        ("bearing-preload",),
        needs=("lube",),
    ),
    Story(
        "carrier-joint-leak",
        "carrier joint leaks under torque",
        "slow",
        _torque_leak,
        ("carrier-joint-leak",),
        watch_days=90,
        needs=LUBE,
    ),
    Story(
        "breather-plugged",
        "plugged breather presses lube past the seals",
        "slow",
        _breather,
        ("blocked-breather",),
        needs=("sump-pressure",),
        watch_days=75,
    ),
    Story(
        "tyre-non-uniformity",
        "tyre or wheel out of round",
        "slow",
        _tyre,
        ("tyre-or-wheel",),
        source="wheel",
        needs=("vib/order/wheel-1",),
        watch_days=45,
    ),
    Story(
        "driveshaft-unbalance",
        "driveshaft out of balance",
        "sudden",
        _unbalance,
        ("driveshaft-unbalance",),
        source="driveshaft-unbalance",
        needs=("vib/order/driveshaft-1",),
        watch_days=35,
    ),
    Story(
        "phasing-error",
        "shaft put together out of phase at service",
        "sudden",
        _phase,
        ("phasing-error",),
        source="joint-angle",
        needs=("vib/order/driveshaft-2",),
        unseen=_phase_unseen,
    ),
    Story(
        "centre-bearing",
        "centre bearing works loose",
        "slow",
        _centre_bearing,
        ("centre-bearing-worn",),
        source="centre-bearing",
        needs=("vib/order/driveshaft-1",),
        watch_days=75,
    ),
    Story(
        "engine-misfire",
        "one cylinder misfires",
        "sudden",
        _misfire,
        ("engine-misfire",),
        source="engine",
        needs=("vib/order/engine-0.5",),
    ),
    Story(
        "pinion-bearing-defect",
        "a spall grows in the pinion bearing",
        "slow",
        _bearing,
        ("bearing-wear",),
        source="bearing",
        needs=(*ENVELOPE, "vib/kurtosis"),
        watch_days=90,
    ),
    Story(
        "worn-yoke",
        "joints and splines wear out",
        "slow",
        _worn_yoke,
        ("worn-yoke-or-splines",),
        source="worn-yoke",
        needs=("vib/order/driveshaft-1",),
        watch_days=75,
    ),
    Story(
        "gear-mesh-wear",
        "gear set wears",
        "slow",
        _mesh,
        ("gear-mesh-wear",),
        source="gear-mesh",
        needs=("vib/order/mesh-1",),
        watch_days=75,
    ),
    Story(
        "output-bearing-play",
        "output bearing works loose",
        "slow",
        _output_play,
        ("output-bearing-play",),
        source="bearing",
        needs=("vib/order/driveshaft-1",),
        watch_days=75,
    ),
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
