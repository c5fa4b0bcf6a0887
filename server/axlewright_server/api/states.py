"""Put together how vehicles stand: newest readings against the specification, advisories, age. Pure functions."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from axlewright_models.guard_limits import guard_limits
from axlewright_models.signals import GUARD_WORDS, HEIGHT_MODES
from axlewright_models.spec import AxleSpec, FleetSpec, VehicleSpec
from axlewright_models.wire.messages import AdvisoryMessage, Status
from axlewright_server.api.records import (
    AdvisoryBrief,
    AxleState,
    FleetState,
    GuardState,
    GuardWord,
    HeightCondition,
    Link,
    LubeCondition,
    VehicleCondition,
    VehicleState,
    Watched,
)
from axlewright_server.page.texts import CONDITION_TEXTS, GUARD_TEXTS, ROLE_TEXTS, STATE_TEXTS, URGENCY_TEXTS, figure

# A driving truck sends every 10 s or every minute, a parked one about every 10 minutes.
STALE_DRIVING_S = 180.0
STALE_PARKED_S = 1800.0
MOVING_SLACK = 2.0
URGENCIES: tuple[VehicleCondition, ...] = ("stop-safely-now", "within-a-day", "next-service")
CONDITIONS: tuple[VehicleCondition, ...] = (*URGENCIES, "being-watched", "no-recent-data", "nothing-found")
# Set aside by a person, or over: they stay readable but no longer colour the vehicle.
QUIET_STATES = frozenset({"shelved", "suppressed", "closed", "returned-to-normal", "returned-unacknowledged"})


@dataclass(frozen=True)
class AxleReading:
    """The newest values of one axle (position 0: the vehicle's own), and what the detectors hold of it."""

    time_s: float
    values: Mapping[str, float]
    expected_lube_cel: float | None = None
    static_height_mm: float | None = None


@dataclass(frozen=True)
class Material:
    """All that a fleet's state is made of."""

    readings: Mapping[tuple[str, int], AxleReading] = field(default_factory=dict)
    advisories: Sequence[AdvisoryMessage] = ()
    statuses: Mapping[str, Status] = field(default_factory=dict)
    watched: Mapping[str, Sequence[Watched]] = field(default_factory=dict)


def brief(message: AdvisoryMessage) -> AdvisoryBrief:
    """Return an advisory as it stands in a list."""
    return AdvisoryBrief(
        id=message.id,
        vehicle=message.vehicle,
        axle=message.axle,
        title=message.title,
        cause=message.cause,
        state=message.state,
        state_text=STATE_TEXTS.get(message.state, message.state),
        urgency=message.urgency,
        urgency_text=URGENCY_TEXTS.get(message.urgency, message.urgency),
        confidence=message.confidence,
        since_s=message.since_s,
        updated_s=message.updated_s,
        shelved_until_s=message.shelved_until_s,
        active=message.state not in QUIET_STATES,
        same_event_as=message.same_event_as,
    )


def worst_first(advisories: Iterable[AdvisoryBrief]) -> list[AdvisoryBrief]:
    """Return advisories by urgency, those that nobody has acknowledged first, then the surer and the newer.

    Those of one event stand together where the worst of them stands, the one to be read first at their head.
    """
    ordered = _by_urgency(advisories)
    listed = {one.id for one in ordered}
    events: dict[str, list[AdvisoryBrief]] = {}
    for one in ordered:
        head = one.same_event_as if one.same_event_as in listed else None
        events.setdefault(head or one.id, []).append(one)
    return [one for head, event in events.items() for one in sorted(event, key=lambda each: each.id != head)]


def _by_urgency(advisories: Iterable[AdvisoryBrief]) -> list[AdvisoryBrief]:
    return sorted(
        advisories,
        key=lambda one: (
            not one.active,
            URGENCIES.index(one.urgency) if one.urgency in URGENCIES else len(URGENCIES),
            one.state != "unacknowledged",
            -one.confidence,
            -one.since_s,
        ),
    )


def fleet_state(spec: FleetSpec, material: Material, now_s: float) -> FleetState:
    """Return all vehicles, worst first."""
    vehicles = [vehicle_state(vehicle, material, now_s) for vehicle in spec.vehicles.values()]
    vehicles.sort(key=_rank)
    counts = dict.fromkeys(CONDITIONS, 0)
    for vehicle in vehicles:
        counts[vehicle.condition] += 1
    return FleetState(fleet=spec.fleet, name=spec.name, time_s=now_s, counts=counts, vehicles=vehicles)


def vehicle_state(spec: VehicleSpec, material: Material, now_s: float) -> VehicleState:
    """Return one vehicle as it stands."""
    own = material.readings.get((spec.id, 0))
    values = own.values if own else {}
    times = [reading.time_s for (vehicle, _), reading in material.readings.items() if vehicle == spec.id]
    seen_s = max(times, default=None)
    parked = None if "parked" not in values else values["parked"] >= 0.5
    stale_after_s = STALE_PARKED_S if parked else STALE_DRIVING_S
    stale = seen_s is None or now_s - seen_s > stale_after_s
    advisories = worst_first(
        brief(one) for one in material.advisories if one.vehicle == spec.id and one.state != "closed"
    )
    standing = [one for one in advisories if one.active]
    watched = list(material.watched.get(spec.id, ()))
    condition = _condition(standing, stale, bool(watched))
    mode = values.get("height-mode")
    return VehicleState(
        id=spec.id,
        title=spec.title or spec.type,
        type=spec.type,
        condition=condition,
        condition_text=CONDITION_TEXTS[condition],
        seen_s=seen_s,
        stale_after_s=stale_after_s,
        stale=stale,
        link=link_of(material.statuses.get(spec.id)),
        speed_km_h=values.get("speed"),
        ambient_cel=values.get("ambient"),
        parked=parked,
        height_mode=_height_mode(mode),
        guard=_guard_state(spec, material),
        axles=[
            _axle_state(
                spec, axle, material.readings.get((spec.id, axle.position)), _height_mode(mode), bool(parked), standing
            )
            for axle in sorted(spec.axles, key=lambda one: one.position)
        ],
        advisories=advisories,
        watched=watched,
    )


def _guard_state(spec: VehicleSpec, material: Material) -> GuardState:
    status = material.statuses.get(spec.id)
    words = []
    for axle in sorted(spec.axles, key=lambda one: one.position):
        reading = material.readings.get((spec.id, axle.position))
        code = None if reading is None else reading.values.get("guard")
        if code is not None and 0 <= round(code) < len(GUARD_WORDS):
            word = GUARD_WORDS[round(code)]
            words.append(GuardWord(axle=axle.position, word=word, text=GUARD_TEXTS[word]))
    told, ours = status.limits_version if status else "", guard_limits("", spec).version
    return GuardState(
        words=words,
        speaks=any(one.word != GUARD_WORDS[0] for one in words),
        limits_version=told,
        office_version=ours,
        agree=told == ours if told else None,
    )


def link_of(status: Status | None) -> Link:
    """Return whether a vehicle's agent says that it is connected."""
    if status is None:
        return "unknown"
    return "online" if status.online else "offline"


def _rank(vehicle: VehicleState) -> tuple[int, bool, float, str]:
    fresh = not any(one.state == "unacknowledged" for one in vehicle.advisories)
    sureness = max((one.confidence for one in vehicle.advisories if one.active), default=0.0)
    return CONDITIONS.index(vehicle.condition), fresh, -sureness, vehicle.id


def _condition(standing: Sequence[AdvisoryBrief], stale: bool, watched: bool) -> VehicleCondition:
    """Return the worst that stands; old data hides no advisory, but without one it is said first."""
    for urgency in URGENCIES:
        if any(one.urgency == urgency for one in standing):
            return urgency
    return "no-recent-data" if stale else "being-watched" if watched else "nothing-found"


def _height_mode(code: float | None) -> str | None:
    if code is None or not 0 <= round(code) < len(HEIGHT_MODES):
        return None
    return HEIGHT_MODES[round(code)]


def _axle_state(
    spec: VehicleSpec,
    axle: AxleSpec,
    reading: AxleReading | None,
    mode: str | None,
    parked: bool,
    standing: Sequence[AdvisoryBrief],
) -> AxleState:
    values = reading.values if reading else {}
    left, right = values.get("height/left"), values.get("height/right")
    specified, tolerance = spec.ride_height_mm(axle.position), spec.limit("height_tolerance_mm")
    static = reading.static_height_mm if reading else None
    # In a lowered or raised mode the estimate of the normal height says nothing of where the axle stands now.
    estimate = static - specified if static is not None and mode in (None, "normal") else None
    deviation = _deviation(left, right, specified) if estimate is None else estimate
    lean = abs(left - right) if left is not None and right is not None else 0.0
    # One window of driving swings; without a static estimate only what lies far outside the band is called so.
    slack = 1.0 if estimate is not None or parked else MOVING_SLACK
    lean_limit = slack * spec.limit("lean_limit_mm")
    condition = _height_condition(deviation, slack * tolerance, lean, lean_limit, mode)
    lube = values.get("lube")
    caution, limit = spec.limit("lube_caution_cel"), spec.limit("lube_limit_cel")
    lube_condition = _lube_condition(lube, caution, limit)
    return AxleState(
        position=axle.position,
        role=axle.role,
        role_text=ROLE_TEXTS[axle.role],
        driven=axle.driven,
        time_s=reading.time_s if reading else None,
        ride_height_left_mm=left,
        ride_height_right_mm=right,
        ride_height_specified_mm=specified,
        ride_height_tolerance_mm=tolerance,
        ride_height_deviation_mm=deviation,
        ride_height_is_estimate=estimate is not None,
        ride_height_condition=condition,
        ride_height_text=height_text(deviation, condition, lean)
        + _doubt(deviation, "failed-height-sensor", axle.position, standing),
        lube_cel=lube,
        lube_expected_cel=reading.expected_lube_cel if reading else None,
        lube_caution_cel=caution,
        lube_limit_cel=limit,
        lube_condition=lube_condition,
        lube_text=_lube_text(lube, lube_condition) + _doubt(lube, "failed-temperature-sensor", axle.position, standing),
        vibration_rms_m_s2=values.get("vib/rms"),
        advisories=[one for one in standing if one.axle == axle.position],
    )


def _doubt(value: float | None, cause: str, position: int, standing: Sequence[AdvisoryBrief]) -> str:
    """Return what to add to a value whose sensor a standing advisory calls failed: it is not the axle's."""
    failed = any(one.active and one.cause == cause and one.axle == position for one in standing)
    return ", sensor doubted" if failed and value is not None else ""


def _deviation(left: float | None, right: float | None, specified: float) -> float | None:
    sides = [side for side in (left, right) if side is not None and math.isfinite(side)]
    return sum(sides) / len(sides) - specified if sides else None


def _height_condition(
    deviation: float | None, tolerance: float, lean: float, lean_limit: float, mode: str | None
) -> HeightCondition:
    if deviation is None:
        return "no-reading"
    if mode == "lowered":
        return "lowered-by-driver"
    if mode == "raised":
        return "raised-by-driver"
    if deviation < -tolerance:
        return "low"
    if deviation > tolerance:
        return "high"
    return "leaning" if lean > lean_limit else "in-band"


def height_text(deviation: float | None, condition: HeightCondition, lean: float = 0.0) -> str:
    """Return the deviation in words.

    Examples
    --------
    >>> height_text(-9.2, "low"), height_text(2.0, "in-band"), height_text(-80.0, "lowered-by-driver")
    ('9 mm low', 'height +2 mm', 'lowered by driver')
    """
    if deviation is None:
        return "no height reading"
    if condition in ("lowered-by-driver", "raised-by-driver"):
        return condition.replace("-", " ")
    if condition in ("low", "high"):
        return f"{figure(abs(deviation), 0)} mm {condition}"
    if condition == "leaning":
        return f"leans {figure(lean, 0)} mm"
    whole = round(deviation)
    return "height ±0 mm" if whole == 0 else f"height {'+' if whole > 0 else '−'}{abs(whole)} mm"


def _lube_condition(lube: float | None, caution: float, limit: float) -> LubeCondition:
    if lube is None:
        return "no-reading"
    if lube > limit:
        return "above-limit"
    return "above-caution" if lube > caution else "normal"


def _lube_text(lube: float | None, condition: LubeCondition) -> str:
    if lube is None:
        return "no lube reading"
    suffix = {"above-limit": ", above limit", "above-caution": ", above caution"}.get(condition, "")
    return f"lube {figure(lube, 0)} °C{suffix}"
