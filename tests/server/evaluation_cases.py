"""Hand-made trucks, faults and advisories for the tests of the evaluation."""

from __future__ import annotations

from datetime import UTC, datetime

from axlewright_server.evaluation.record import Alert, Unit, Version
from axlewright_server.evaluation.truth import Event

DAY = 86400.0
BEGIN = 1_750_000_000.0


def moment(day: float) -> datetime:
    """Return a day since the begin as a moment."""
    return datetime.fromtimestamp(BEGIN + day * DAY, UTC)


def event(onset: float, axle: int = 2, failure: float | None = None, **more: object) -> Event:
    """Return a dragging brake."""
    members = {"causes": ("dragging-brake",), "scenario": "dragging-brake", "slow": True} | more
    failed = None if failure is None else moment(failure)
    return Event(vehicle="t-1", axle=axle, onset=moment(onset), failure=failed, **members)  # type: ignore[arg-type]  # members of Event


def unit(what: Event | None, days: float = 40.0, vehicle: str = "t-1") -> Unit:
    """Return a truck watched for some days that goes 500 km each day."""
    quiet = days if what is None or what.harmless else (what.onset_s - BEGIN) / DAY
    times = tuple(BEGIN + DAY * number for number in range(int(days) + 1))
    kilometres = tuple(500.0 * number for number in range(int(days) + 1))
    return Unit(vehicle, BEGIN, BEGIN + days * DAY, BEGIN + quiet * DAY, what, times, kilometres)


def version(day: float, *causes: str, active: bool = True, urgency: str = "next-service", sure: float = 0.8) -> Version:
    """Return how an advisory read from a day on; the causes in falling order."""
    share = (sure, *(0.5 * (1.0 - sure) / number for number in range(1, len(causes))))
    return Version(BEGIN + day * DAY, active, urgency, sure, tuple(zip(causes, share, strict=True)))


def alert(day: float, *causes: str, axle: int = 2, vehicle: str = "t-1", later: tuple[Version, ...] = ()) -> Alert:
    """Return an advisory raised on a day."""
    first = version(day, *(causes or ("dragging-brake",)))
    return Alert(vehicle, axle, first.time_s, ("lube-above-model",), (first, *later))
