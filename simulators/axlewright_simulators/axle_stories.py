"""The stories of ride height, lube and heat.

Sizes are our own choice: each is one that a workshop would want to hear of; none is set to suit a detector.
"""

from __future__ import annotations

from axlewright_simulators.story import Course, Place, Story

HEIGHTS = ("height/left", "height/right")
LUBE = ("lube", "lube-level")


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


def _joint_angles(place: Place) -> Course:
    return Course(0, (place.fault("height-valve", -place.between(45.0, 62.0), days=place.between(0.0, 15.0)),))


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


AXLE_STORIES: tuple[Story, ...] = (
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
)
