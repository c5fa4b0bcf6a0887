"""Several parts through one kernel: a step costs much the same for fifty trucks as for two hundred.

What a truck's readings come to hangs on no other truck, so a part's record is the same alone and in company. Only parts
of one kind that begin alike and are small go together.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import zip_longest

import numpy as np
from msgspec.structs import replace

from axlewright_models.shop.service import ServiceEvent
from axlewright_models.spec import FleetSpec
from axlewright_server.detectors.table import AxleTable
from axlewright_server.evaluation.hourly import Hours
from axlewright_server.evaluation.parts import Part
from axlewright_server.evaluation.record import Forecast
from axlewright_server.evaluation.watch import Moment, Watched
from axlewright_server.kernel import Rows

# More trucks gain little and need much memory. Own choice.
MOST_TRUCKS = 240.0
_MARK = "+"
Span = tuple[float, float]  # from when until when, Unix times


def companies(parts: Sequence[Part], most_trucks: float = MOST_TRUCKS) -> list[tuple[Part, ...]]:
    """Return the parts that go together, in the order of their first; every part occurs once.

    Examples
    --------
    >>> small = [Part(str(n), "as-designed", "healthy", n, ("--begin", "2025-01-01"), 40.0, 86400.0) for n in range(9)]
    >>> [len(company) for company in companies(small, most_trucks=200.0)]
    [5, 4]
    """
    found: list[list[Part]] = []
    for part in parts:
        for company in found:
            trucks = sum(_trucks(one) for one in (*company, part))
            if _bond(company[0]) == _bond(part) and trucks <= most_trucks:
                company.append(part)
                break
        else:
            found.append([part])
    return [tuple(company) for company in found]


def _bond(part: Part) -> tuple[str, ...]:
    """Return what parts must share: kind, first day and window, so that their days come side by side."""
    words = part.arguments
    told = [words[place + 1] for place, word in enumerate(words[:-1]) if word in ("--begin", "--window", "--days")]
    return (part.kind, *told)


def _trucks(part: Part) -> float:
    return part.vehicle_days * 86400.0 / part.span_s if part.kind == "healthy" else part.vehicle_days / 65.0


@dataclass
class Company:
    """Fleets as one: truck ids get the number of their fleet before them, so that each fleet's trucks stay together."""

    fleets: Sequence[FleetSpec]
    readings: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.readings = [0] * len(self.fleets)
        counts = [len(fleet.vehicles) for fleet in self.fleets]
        self._begin = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
        self.fleet = replace(
            self.fleets[0],
            vehicles={
                self._name(number, name): replace(vehicle, id=self._name(number, name))
                for number, fleet in enumerate(self.fleets)
                for name, vehicle in fleet.vehicles.items()
            },
        )
        self.table = AxleTable.of(self.fleet)

    def pieces(self, streams: Sequence[Iterator[Rows]]) -> Iterator[Rows]:
        """Yield what comes from all streams, piece beside piece."""
        for round_of in zip_longest(*streams):
            heard = [(number, rows) for number, rows in enumerate(round_of) if rows is not None]
            for number, rows in heard:
                self.readings[number] += len(rows.time_s)
            if len(self.fleets) == 1:
                yield heard[0][1]
                continue
            yield Rows(
                np.concatenate([rows.vehicle + self._begin[number] for number, rows in heard]),
                np.concatenate([rows.time_s for _, rows in heard]),
                np.concatenate([rows.position for _, rows in heard]),
                np.concatenate([rows.values for _, rows in heard]),
            )

    def services(self, each: Sequence[Sequence[ServiceEvent]]) -> list[ServiceEvent]:
        """Return the repairs of all fleets in order of time."""
        own = [
            replace(event, vehicle=self._name(number, event.vehicle))
            for number, events in enumerate(each)
            for event in events
        ]
        return sorted(own, key=lambda event: event.time_s)

    def failures(self, each: Sequence[Mapping[str, list[Span]]]) -> dict[str, list[Span]]:
        """Return the failures of all fleets' trucks."""
        return {self._name(number, name): spans for number, own in enumerate(each) for name, spans in own.items()}

    def forecasts(self, told: Sequence[Forecast], number: int) -> tuple[Forecast, ...]:
        """Return one fleet's forecasts."""
        return tuple(replace(one, vehicle=self._plain(one.vehicle)) for one in told if self._is(one.vehicle, number))

    def watched(self, whole: Watched, number: int) -> Watched:
        """Return what came of one fleet's readings, as if it had been alone."""
        rows = self._rows(number)
        return Watched(
            alerts=tuple(
                replace(alert, vehicle=self._plain(alert.vehicle))
                for alert in whole.alerts
                if self._is(alert.vehicle, number)
            ),
            moments=[own for moment in whole.moments if (own := _own(moment, rows)) is not None],
            sources=tuple(
                replace(source, vehicle=self._plain(source.vehicle))
                for source in whole.sources
                if self._is(source.vehicle, number)
            ),
            hours=None if whole.hours is None else self._hours(whole.hours, number),
            readings=self.readings[number],
            begin_s=whole.begin_s,
            end_s=whole.end_s,
        )

    def _hours(self, hours: Hours, number: int) -> Hours:
        """Return one fleet's hours, from the first in which it sent anything to the last."""
        rows = self._rows(number)
        cars = slice(int(self._begin[number]), int(self._begin[number + 1]))
        heard = np.flatnonzero(~(np.isnan(hours.speed[:, cars]).all(axis=1)))
        span = slice(int(heard[0]), int(heard[-1]) + 1) if len(heard) else slice(0, 0)
        axles = slice(rows.start, rows.stop)
        return dataclasses.replace(
            hours,
            begin_s=hours.begin_s + 3600.0 * span.start,
            driving=hours.driving[span, axles],
            lube_top=hours.lube_top[span, axles],
            speed=hours.speed[span, cars],
            ambient=hours.ambient[span, cars],
            odometer=hours.odometer[span, cars],
        )

    def _rows(self, number: int) -> range:
        """Return the rows of the axle table that are one fleet's."""
        inside = (self.table.vehicle >= self._begin[number]) & (self.table.vehicle < self._begin[number + 1])
        rows = np.flatnonzero(inside)
        return range(int(rows[0]), int(rows[-1]) + 1) if len(rows) else range(0)

    def _name(self, number: int, vehicle: str) -> str:
        return f"{number:03}{_MARK}{vehicle}"

    def _plain(self, name: str) -> str:
        return name.partition(_MARK)[2]

    def _is(self, name: str, number: int) -> bool:
        return name.startswith(f"{number:03}{_MARK}")


def _own(moment: Moment, rows: range) -> Moment | None:
    """Return what a moment holds of one fleet, None for nothing."""
    own = [
        (replace(symptom, axle=symptom.axle - rows.start), detector)
        for symptom, detector in zip(moment.symptoms, moment.detectors, strict=True)
        if symptom.axle in rows
    ]
    if not own:
        return None
    observable = {row - rows.start: keys for row, keys in moment.observable.items() if row in rows}
    return Moment(tuple(symptom for symptom, _ in own), tuple(detector for _, detector in own), observable)
