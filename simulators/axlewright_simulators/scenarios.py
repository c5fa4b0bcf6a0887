"""Scenarios with a name: what can be asked for on the command line and what the demonstration shows.

Sizes are our own choice: each is a fault that a workshop would want to hear of, none is set to suit a detector.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from axlewright_models.errors import ModelError
from axlewright_models.spec import FleetSpec
from axlewright_simulators.faults import Fault

MINUTE_S, HOUR_S, DAY_S = 60.0, 3600.0, 86400.0


@dataclass(frozen=True)
class Scenario:
    """One named course of events: how to make it for a truck and a drive axle from an onset, and the right answer.

    ``expected`` is the cause that an advisory should name, None where no advisory is right.
    """

    name: str
    title: str
    make: Callable[[str, int, float], Fault]
    expected: str | None


def _knocked_valve(vehicle: str, axle: int, onset_s: float) -> Fault:
    return Fault("height-valve", vehicle, onset_s, severity=-24.0)


def _slipped_lever(vehicle: str, axle: int, onset_s: float) -> Fault:
    return Fault("height-valve", vehicle, onset_s, severity=-70.0)


def _slow_leak(vehicle: str, axle: int, onset_s: float) -> Fault:
    return Fault("air-leak", vehicle, onset_s, severity=0.25, development_s=2.0 * DAY_S, side="left")


def _lube_loss(vehicle: str, axle: int, onset_s: float) -> Fault:
    return Fault("lube-loss", vehicle, onset_s, severity=0.022, axle=axle, development_s=1.0 * DAY_S)


def _dragging_brake(vehicle: str, axle: int, onset_s: float) -> Fault:
    return Fault("brake-drag", vehicle, onset_s, severity=380.0, axle=axle, development_s=2.0 * MINUTE_S)


def _unbalance(vehicle: str, axle: int, onset_s: float) -> Fault:
    return Fault("shaft-unbalance", vehicle, onset_s, severity=4.0, axle=axle)


def _stuck_sensor(vehicle: str, axle: int, onset_s: float) -> Fault:
    return Fault("lube-sensor", vehicle, onset_s, severity=0.0, axle=axle, mode="stuck")


def _silent_sensor(vehicle: str, axle: int, onset_s: float) -> Fault:
    return Fault("lube-sensor", vehicle, onset_s, severity=0.0, axle=axle, mode="silent")


def _lowered(vehicle: str, axle: int, onset_s: float) -> Fault:
    return Fault("lowered", vehicle, onset_s, severity=-60.0, end_s=onset_s + 25.0 * MINUTE_S, repeat_s=DAY_S)


def _mountain(vehicle: str, axle: int, onset_s: float) -> Fault:
    return Fault("mountain-pull", vehicle, onset_s, severity=0.06, end_s=onset_s + 40.0 * MINUTE_S)


SCENARIOS: dict[str, Scenario] = {
    scenario.name: scenario
    for scenario in (
        Scenario("height-valve", "height valve knocked out of set", _knocked_valve, "height-valve"),
        Scenario("slipped-lever", "height valve's lever slipped, far below its height", _slipped_lever, "height-valve"),
        Scenario("air-leak", "slow air leak at a bellows", _slow_leak, "air-leak"),
        Scenario("lube-loss", "lube loss through a worn seal", _lube_loss, "lube-loss"),
        Scenario("dragging-brake", "brake drags", _dragging_brake, "brake-drag"),
        Scenario("unbalance", "driveshaft unbalance after service", _unbalance, "shaft-unbalance"),
        Scenario("stuck-sensor", "lube temperature sensor hangs", _stuck_sensor, "lube-sensor"),
        Scenario("silent-sensor", "lube temperature sensor falls silent", _silent_sensor, "lube-sensor"),
        Scenario("lowered", "lowered on purpose by the driver (harmless)", _lowered, None),
        Scenario("mountain-pull", "long climb with a full load (harmless)", _mountain, None),
    )
}

# Scenario, truck, drive axle (0 forward, 1 rear), onset against the anchor. Something happens soon after the start;
# what needs days has them behind it.
DEMO_PLAN: tuple[tuple[str, str, int, float], ...] = (
    ("slipped-lever", "hv-204", 1, 5.0),
    ("height-valve", "hv-102", 1, 5.0),
    ("air-leak", "hv-104", 0, -4.0 * DAY_S),
    ("lube-loss", "hv-201", 0, -8.0 * DAY_S),
    ("dragging-brake", "hv-106", 1, -45.0 * MINUTE_S),
    ("unbalance", "hv-103", 0, -2.5 * DAY_S),
    ("stuck-sensor", "hv-107", 0, -1.0 * DAY_S),
    ("lowered", "hv-105", 0, 3.0 * MINUTE_S - 6.0 * DAY_S),
    ("mountain-pull", "hv-203", 0, -22.0 * MINUTE_S),
)
DEMO_PARKED: tuple[str, ...] = ("hv-108", "hv-206")


def demo_faults(fleet: FleetSpec, anchor_s: float) -> tuple[Fault, ...]:
    """Return the demonstration's faults; trucks that the fleet lacks are passed over."""
    return tuple(
        make_fault(fleet, name, vehicle, anchor_s + offset_s, number)
        for name, vehicle, number, offset_s in DEMO_PLAN
        if vehicle in fleet.vehicles
    )


def make_fault(fleet: FleetSpec, name: str, vehicle: str, onset_s: float, number: int = 0) -> Fault:
    """Return a named scenario for a truck; `number` counts its drive axles from the front, from 0.

    Raises
    ------
    ModelError
        There is no such scenario or truck.
    """
    if name not in SCENARIOS:
        raise ModelError(f"there is no scenario {name!r}; use one of {', '.join(SCENARIOS)}")
    axles = fleet.vehicle(vehicle).drive_axles
    return SCENARIOS[name].make(vehicle, axles[min(number, len(axles) - 1)].position, onset_s)


def parse_scenario(fleet: FleetSpec, text: str, begin_s: float) -> Fault:
    """Return the fault that ``NAME=vehicle@time`` asks for; time is ISO 8601 or ``+seconds`` after the beginning.

    Raises
    ------
    ModelError
        The text has another form, or names what does not exist.

    Examples
    --------
    >>> from axlewright_simulators.demo_fleet import demo_fleet
    >>> parse_scenario(demo_fleet(), "height-valve=hv-101@+90", 1000.0).onset_s
    1090.0
    """
    name, equals, rest = text.partition("=")
    vehicle, at, when = rest.partition("@")
    if not (equals and at and vehicle and when):
        raise ModelError(f"scenario {text!r} has not the form NAME=vehicle@time, such as height-valve=hv-101@+90")
    return make_fault(fleet, name, vehicle, parse_time_s(when, begin_s))


def parse_time_s(text: str, begin_s: float) -> float:
    """Return a Unix time from ISO 8601 (UTC unless it says otherwise) or ``+seconds`` after `begin_s`. [s]

    Raises
    ------
    ModelError
        The text is neither.
    """
    try:
        if text.startswith("+"):
            return begin_s + float(text[1:])
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise ModelError(f"time {text!r} is neither ISO 8601 (2026-05-04T06:00) nor +seconds") from None
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()


def titles() -> Mapping[str, str]:
    """Return what each scenario is, by name."""
    return {name: scenario.title for name, scenario in SCENARIOS.items()}
