"""Run readings through the kernel and keep what is counted: the same kernel as live, in batches of the whole fleet."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from axlewright_models.shop.service import ServiceEvent
from axlewright_models.spec import FleetSpec
from axlewright_server.detectors.base import Symptom
from axlewright_server.evaluation.alerts import AlertBook
from axlewright_server.evaluation.hourly import HourBook, Hours
from axlewright_server.evaluation.record import Alert, Source
from axlewright_server.kernel import Kernel, Rows, StepResult, rounds

DAY_S = 86400.0
SOURCE_PREFIX = "source-"
DOUBTS = ("ambiguous", "lines-coincide")


@dataclass(frozen=True)
class Moment:
    """Symptom transitions of one kernel step, with what could have been seen then (by axle row and detector)."""

    symptoms: tuple[Symptom, ...]
    detectors: tuple[str, ...]
    observable: dict[int, dict[str, frozenset[str]]]


@dataclass
class Watched:
    """What a run of readings came to."""

    alerts: tuple[Alert, ...] = ()
    moments: list[Moment] = field(default_factory=list)
    sources: tuple[Source, ...] = ()
    hours: Hours | None = None
    readings: int = 0
    begin_s: float = np.inf
    end_s: float = -np.inf


def watch(
    fleet: FleetSpec,
    pieces: Iterable[Rows],
    services: Sequence[ServiceEvent] = (),
    progress: Callable[[float], None] | None = None,
    each_day: Callable[[Kernel, float], None] | None = None,
    moments: bool = True,
) -> Watched:
    """Return what the kernel made of readings.

    Parameters
    ----------
    fleet : FleetSpec
        Its trucks are numbered in the order of ``AxleTable.of(fleet).vehicles``.
    pieces : iterable of Rows
        In order of time, whole windows in each.
    services : sequence of ServiceEvent
        Recorded repairs in order of time; each is told to the kernel between the rows before and after it.
    progress : callable, optional
        Told the Unix time reached, now and then.
    each_day : callable, optional
        Called with the kernel and the time reached once all readings of a UTC day are in.
    moments : bool
        Whether to keep every symptom's transition, from which decisions can be made anew.
    """
    kernel = Kernel(fleet)
    book, hours, found = AlertBook(), HourBook(kernel.table), Watched()
    sources: list[Source] = []
    sets: dict[frozenset[str], frozenset[str]] = {}
    waiting = list(services)
    day = None
    for piece, on_day in _by_day(pieces):
        if each_day is not None and day is not None and on_day > day:
            each_day(kernel, found.end_s)
        day = on_day
        hours.take(piece)
        found.readings += len(piece.time_s)
        found.begin_s = min(found.begin_s, float(piece.time_s.min()))
        found.end_s = max(found.end_s, float(piece.time_s.max()))
        for part, service in _split(piece, waiting, kernel):
            for batch in rounds(kernel.table, part):
                result = kernel.step(batch)
                if result.symptoms:
                    if moments:
                        found.moments.append(_moment(kernel, result, sets))
                    sources += _sources(kernel, result.symptoms)
                book.take(result.changes)
            if service is not None:
                book.take(kernel.service(service))
        if progress is not None:
            progress(found.end_s)
    found.alerts, found.sources, found.hours = book.alerts(), tuple(sources), hours.hours()
    return found


def _by_day(pieces: Iterable[Rows]) -> Iterator[tuple[Rows, int]]:
    """Cut pieces at midnight, UTC, so that what is asked each day does not hang on how the readings came."""
    for piece in pieces:
        # A window that ends at midnight belongs to the day before.
        days = np.ceil(piece.time_s / DAY_S - 1e-9).astype(np.int64) - 1
        numbers = np.unique(days).tolist()
        for number in numbers:
            yield (piece if len(numbers) == 1 else _rows(piece, days == number)), number


def _split(piece: Rows, waiting: list[ServiceEvent], kernel: Kernel) -> Iterator[tuple[Rows, ServiceEvent | None]]:
    """Cut a piece where recorded repairs of its trucks fall; each part comes with the repair that follows it."""
    end_s, inside = float(piece.time_s.max()), set(np.unique(piece.vehicle).tolist())
    due = [one for one in waiting if one.time_s <= end_s and kernel.table.number(one.vehicle) in inside]
    after = -np.inf
    for service in due:
        waiting.remove(service)
        yield _rows(piece, (piece.time_s > after) & (piece.time_s <= service.time_s)), service
        after = max(after, service.time_s)
    yield (piece if np.isinf(after) else _rows(piece, piece.time_s > after)), None


def _rows(piece: Rows, chosen: NDArray[np.bool_]) -> Rows:
    return Rows(piece.vehicle[chosen], piece.time_s[chosen], piece.position[chosen], piece.values[chosen])


def _moment(kernel: Kernel, result: StepResult, sets: dict[frozenset[str], frozenset[str]]) -> Moment:
    """Return a step's transitions; equal sets of keys are kept once, there are few different ones."""
    table = kernel.table
    vehicles = {int(table.vehicle[symptom.axle]) for symptom in result.symptoms}
    rows = [
        row for vehicle in vehicles for row in range(table.first[vehicle], table.first[vehicle] + table.count[vehicle])
    ]
    return Moment(
        tuple(result.symptoms),
        tuple(kernel.detector_of(symptom.code) for symptom in result.symptoms),
        {
            int(row): {name: sets.setdefault(keys, keys) for name, keys in kernel.observable(int(row)).items()}
            for row in rows
        },
    )


def _sources(kernel: Kernel, symptoms: Iterable[Symptom]) -> Iterator[Source]:
    for symptom in symptoms:
        if symptom.code.startswith(SOURCE_PREFIX) or symptom.code in DOUBTS:
            vehicle, position = kernel.table.vehicle_id(symptom.axle), int(kernel.table.position[symptom.axle])
            yield Source(vehicle, position, symptom.time_s, symptom.code.removeprefix(SOURCE_PREFIX), symptom.active)
