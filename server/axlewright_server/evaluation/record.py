"""What one run leaves behind, reduced to what is counted; kept as JSON so that a long run can be resumed."""

from __future__ import annotations

import msgspec

from axlewright_server.evaluation.truth import Event

# An advisory lists more causes than this only when none is likely.
CAUSES_KEPT = 5


class Version(msgspec.Struct, frozen=True):
    """An advisory as it read from a moment on: `causes` are (id, probability), the one it stands under first.

    ``active``: it called for somebody: neither cleared, closed nor suppressed.
    """

    time_s: float
    active: bool
    urgency: str
    confidence: float
    causes: tuple[tuple[str, float], ...]

    @property
    def cause(self) -> str:
        """Return the cause that the advisory stands under."""
        return self.causes[0][0]

    @property
    def ranked(self) -> tuple[str, ...]:
        """Return the causes as a person reads them: the one it stands under, then the others by probability."""
        return tuple(name for name, _ in self.causes)


class Alert(msgspec.Struct, frozen=True):
    """One advisory that was raised, and how it read later. Superseded ones are alerts too: somebody was told.

    ``symptoms``: keys that it rested on when raised. ``recurrences``: how often it came back after it had cleared.
    """

    vehicle: str
    axle: int
    time_s: float
    symptoms: tuple[str, ...]
    versions: tuple[Version, ...]
    recurrences: int = 0

    @property
    def first(self) -> Version:
        """Return the advisory as it was raised."""
        return self.versions[0]

    def at(self, time_s: float) -> Version | None:
        """Return the advisory as it read just before a time, None if it was not there yet."""
        seen = [version for version in self.versions if version.time_s < time_s]
        return seen[-1] if seen else None


class Source(msgspec.Struct, frozen=True):
    """A vibration source that a symptom named (`name` without the prefix), or a doubt about it."""

    vehicle: str
    axle: int
    time_s: float
    name: str
    active: bool


class Forecast(msgspec.Struct, frozen=True):
    """A forecast made at ``time_s``: days until a quantity passes its limit, with the 80 % interval, and what came.

    An end that is None lies beyond the horizon: the late one is open then. ``truth_days``: when it did, None if not
    within the ``watched_days`` that were left. ``chance_by_then``: what the forecast had given to a passage by the time
    of the truth, or by the end of the readings where the limit was not passed within them.
    """

    vehicle: str
    axle: int
    time_s: float
    quantity: str
    early_days: float | None
    middle_days: float | None
    late_days: float | None
    truth_days: float | None
    watched_days: float
    chance_by_then: float


class Unit(msgspec.Struct, frozen=True):
    """One event of one truck, or a truck without any (None): when it was watched, and how far it had gone.

    ``quiet_until_s``: until when any advisory on this truck is false; for a truck's later events ``begin_s``, so that
    its quiet time counts once. ``distance_times_s`` and ``distance_km`` are the odometer, day by day.
    """

    vehicle: str
    begin_s: float
    end_s: float
    quiet_until_s: float
    event: Event | None
    distance_times_s: tuple[float, ...] = ()
    distance_km: tuple[float, ...] = ()

    @property
    def horizon_s(self) -> float:
        """Return until when a warning is of use: functional failure, the end of the fault, or the end of the run."""
        if self.event is None:
            return self.end_s
        ends = [self.end_s, self.event.failure_s or self.end_s, self.event.end_s or self.end_s]
        return min(ends)


class BaselineCount(msgspec.Struct, frozen=True):
    """What one baseline at one setting came to in a run: false calls in so many years, and units found."""

    name: str
    setting: float
    false_calls: int
    years: float
    found: dict[int, float] = {}


class Run(msgspec.Struct, frozen=True):
    """One part of an evaluation: units, alerts, and what the report needs beside them.

    ``without``: the alerts as they would have been without one detector, by its name; scenario parts only.
    ``baselines``: delays in days by number of the unit. ``seconds``: wall time, simulator and kernel
    together. ``code``: of which code (:mod:`digest`).
    """

    key: str
    variant: str
    kind: str
    seed: int
    units: tuple[Unit, ...]
    alerts: tuple[Alert, ...]
    sources: tuple[Source, ...] = ()
    forecasts: tuple[Forecast, ...] = ()
    without: dict[str, tuple[Alert, ...]] = {}
    baselines: tuple[BaselineCount, ...] = ()
    readings: int = 0
    seconds: float = 0.0
    arguments: tuple[str, ...] = ()
    code: str = ""


def encode_run(run: Run) -> bytes:
    """Return a run as JSON."""
    return msgspec.json.encode(run)


def decode_run(document: bytes) -> Run:
    """Return the run that :func:`encode_run` wrote; raises ``msgspec.DecodeError`` for anything else."""
    return msgspec.json.decode(document, type=Run)
