"""The rules by which the report counts. Each is a few lines, so that it can be argued with.

- **Found**: an advisory raised on the right truck and the right axle after the onset and before the functional failure
  (or the end of the fault, or of the run). Where the truth names one axle, an advisory on its tandem partner alone does
  not count; where it names none (axle 0: one height valve serves both), any drive axle is right.
- **Cause right, at first**: the cause under which that first advisory was raised is one of the truth's.
- **Cause right, at last**: the same of the advisory that led the truck's list just before the failure or end: of
  those raised since the onset on the right axle, active before cleared or suppressed, then the most urgent, the most
  confident, the latest.
- **Delay**: from onset to the first such advisory. **Lead**: from it to the functional failure, in days and km.
- **False**: any advisory raised on a healthy truck (superseded ones, and those that blame a sensor, count like any
  other), on a faulty truck before the onset, or on a truck with a harmless event at any time. An advisory that clears
  and comes back is one alert; how often that happens is told beside.
- Advisories on a faulty truck after the onset are never false; whether they name a right cause is counted above.
"""

from __future__ import annotations

import bisect
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from axlewright_server.advisories import URGENCY_ORDER
from axlewright_server.evaluation.record import Alert, Unit, Version

DAY_S = 86400.0
YEAR_S = 365.25 * DAY_S


@dataclass(frozen=True)
class Outcome:
    """What became of one faulty truck; times in days, None where it does not apply."""

    unit: Unit
    first: Alert | None
    last: Version | None
    other_axle: bool
    delay_days: float | None
    lead_days: float | None
    lead_km: float | None

    @property
    def found(self) -> bool:
        """Return whether it was found in time."""
        return self.first is not None

    @property
    def first_right(self) -> bool:
        """Return whether the first advisory stood under a right cause."""
        return self.first is not None and self.first.first.cause in self._causes

    @property
    def last_right(self) -> bool:
        """Return whether the advisory at last stands under a right cause."""
        return self.last is not None and self.last.cause in self._causes

    @property
    def first_among_three(self) -> bool:
        """Return whether a right cause was among the first three when first raised."""
        return self.first is not None and bool(self._causes & set(self.first.first.ranked[:3]))

    @property
    def last_among_three(self) -> bool:
        """Return whether a right cause is among the first three at last."""
        return self.last is not None and bool(self._causes & set(self.last.ranked[:3]))

    @property
    def _causes(self) -> set[str]:
        return set() if self.unit.event is None else set(self.unit.event.causes)


def on_right_axle(unit: Unit, axle: int) -> bool:
    """Return whether an advisory of an axle is about the place of the truck's fault."""
    return unit.event is not None and unit.event.axle in (0, axle)


def judge(unit: Unit, alerts: Iterable[Alert]) -> Outcome:
    """Return what became of a faulty truck, from all alerts of its run."""
    event = unit.event
    if event is None or event.harmless:
        raise ValueError(f"{unit.vehicle} has no fault to be found")
    own = [alert for alert in alerts if alert.vehicle == unit.vehicle]
    after = [alert for alert in own if event.onset_s <= alert.time_s < unit.horizon_s]
    right = sorted((a for a in after if on_right_axle(unit, a.axle)), key=lambda alert: alert.time_s)
    first = right[0] if right else None
    lead_days = lead_km = None
    if first is not None and event.failure_s is not None and event.failure_s <= unit.end_s:
        lead_days = (event.failure_s - first.time_s) / DAY_S
        lead_km = distance_between(unit, first.time_s, event.failure_s)
    delay = None if first is None else (first.time_s - event.onset_s) / DAY_S
    return Outcome(unit, first, leading(right, unit.horizon_s), bool(after) and not right, delay, lead_days, lead_km)


def leading(alerts: Sequence[Alert], time_s: float) -> Version | None:
    """Return what led the list just before a time: active before others, most urgent, most confident, latest."""
    seen = [version for alert in alerts if (version := alert.at(time_s)) is not None]
    if not seen:
        return None
    return min(
        seen, key=lambda one: (not one.active, URGENCY_ORDER.index(one.urgency), -round(one.confidence, 2), -one.time_s)
    )


def distance_between(unit: Unit, begin_s: float, end_s: float) -> float | None:
    """Return how far the truck went between two times by its odometer, None where it is not known. [km]"""
    if len(unit.distance_times_s) < 2:
        return None
    return _distance_at(unit, end_s) - _distance_at(unit, begin_s)


def _distance_at(unit: Unit, time_s: float) -> float:
    times, km = unit.distance_times_s, unit.distance_km
    place = min(max(bisect.bisect_left(times, time_s), 1), len(times) - 1)
    share = (time_s - times[place - 1]) / (times[place] - times[place - 1])
    return km[place - 1] + min(max(share, 0.0), 1.0) * (km[place] - km[place - 1])


def false_alerts(unit: Unit, alerts: Iterable[Alert]) -> list[Alert]:
    """Return the alerts of a truck that told of a fault where none was."""
    last_s = unit.quiet_until_s
    return [
        alert
        for alert in alerts
        if alert.vehicle == unit.vehicle
        and (unit.begin_s <= alert.time_s < last_s or alert.time_s == last_s == unit.end_s)
    ]


def exposure_years(units: Iterable[Unit]) -> float:
    """Return the vehicle-years in which any advisory would have been false."""
    return sum(unit.quiet_until_s - unit.begin_s for unit in units) / YEAR_S
