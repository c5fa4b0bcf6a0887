"""One part of an evaluation: readings through the kernel, then all that is counted or drawn, reduced to a record."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec
import numpy as np
from numpy.typing import NDArray

from axlewright_models.spec import FleetSpec, load_fleet
from axlewright_server.detectors.table import AxleTable
from axlewright_server.diagnosis.knowledge import load_knowledge
from axlewright_server.evaluation import ablation, readings, series
from axlewright_server.evaluation.baselines import BASELINES, LEARN_DAYS, calls
from axlewright_server.evaluation.counting import DAY_S, YEAR_S, false_alerts, on_right_axle
from axlewright_server.evaluation.digest import code_digest
from axlewright_server.evaluation.forecasts import ForecastBook
from axlewright_server.evaluation.hourly import HOUR_S, Hours
from axlewright_server.evaluation.parts import OUTSIDE, Part, simulated
from axlewright_server.evaluation.record import BaselineCount, Forecast, Run, Unit, encode_run
from axlewright_server.evaluation.together import Company
from axlewright_server.evaluation.truth import Event, Truth, check_against, failures, read_truth, service_events
from axlewright_server.evaluation.watch import Watched, watch

Progress = Callable[[float], None]
TRUTH, FLEET = "truth.json", "fleet.toml"


@dataclass(frozen=True)
class Extras:
    """What is worked out beside the counts: alerts without each detector, simple alarms, forecasts."""

    ablation: bool = True
    baselines: bool = True
    forecasts: bool = True


def run_part(part: Part, folder: Path, extras: Extras, progress: Progress | None = None) -> Run:
    """Simulate and judge a part, write ``{key}.json`` and ``{key}.npz`` into a folder, and return the record.

    Raises
    ------
    EvaluationError
        The simulator failed, or what it wrote does not fit together.
    """
    return run_together((part,), folder, extras, progress)[0]


def run_together(
    parts: Sequence[Part], folder: Path, extras: Extras, progress: Progress | None = None
) -> tuple[Run, ...]:
    """Simulate parts of one kind side by side and judge them in one kernel; otherwise as :func:`run_part`."""
    begun, places = time.monotonic(), [folder / part.key for part in parts]
    kind = parts[0].kind
    with contextlib.ExitStack() as open_now:
        # All simulators start before the first is waited for.
        pipes = [
            open_now.enter_context(simulated(part.arguments, place)) for part, place in zip(parts, places, strict=True)
        ]
        readers = [readings.open_stream(pipe) for pipe in pipes]
        fleets = [load_fleet(str(place / FLEET)) for place in places]
        company = Company(fleets)
        known = company.services([service_events(read_truth(place / TRUTH)) for place in places])
        streams = [
            readings.of_stream(reader, AxleTable.of(fleet).vehicles)
            for reader, fleet in zip(readers, fleets, strict=True)
        ]
        asked = ForecastBook() if kind == "scenarios" and extras.forecasts else None
        moments = kind == "scenarios" and extras.ablation
        watched = watch(company.fleet, company.pieces(streams), known, progress, asked, moments)
    # Failures are written when the simulator ends.
    failed = company.failures([failures(read_truth(place / TRUTH)) for place in places])
    forecasts = () if asked is None else asked.forecasts(company.table, failed, known)
    share_s = (time.monotonic() - begun) / len(parts)
    runs = []
    for number, (part, fleet, place) in enumerate(zip(parts, fleets, places, strict=True)):
        begun, own = time.monotonic(), company.watched(watched, number)
        run = reduce(part, fleet, read_truth(place / TRUTH), own, extras, company.forecasts(forecasts, number))
        run = msgspec.structs.replace(run, seconds=share_s + time.monotonic() - begun)
        keep(folder, fleet, own, run)
        runs.append(run)
    return tuple(runs)


def run_outside(
    fleet_file: Path,
    files: Sequence[Path],
    truth_file: Path,
    folder: Path,
    extras: Extras,
    progress: Progress | None = None,
) -> Run:
    """Judge readings that were not made here, with their truth; otherwise as :func:`run_part`."""
    begun = time.monotonic()
    fleet, truth = load_fleet(str(fleet_file)), read_truth(truth_file)
    vehicles = AxleTable.of(fleet).vehicles
    check_against(truth, vehicles, load_knowledge().causes, str(truth_file))
    asked = ForecastBook() if extras.forecasts else None
    pieces = readings.of_known_axles(readings.of_files(files, vehicles), fleet, vehicles)
    watched = watch(fleet, pieces, service_events(truth), progress, asked)
    part = Part(OUTSIDE, "as-designed", "scenarios" if truth.events else "healthy", 0, (), 0.0)
    forecasts = () if asked is None else asked.forecasts(AxleTable.of(fleet), failures(truth), service_events(truth))
    run = reduce(part, fleet, truth, watched, extras, forecasts)
    run = msgspec.structs.replace(run, seconds=time.monotonic() - begun)
    keep(folder, fleet, watched, run)
    return run


def keep(folder: Path, fleet: FleetSpec, watched: Watched, run: Run) -> None:
    """Write a run's record, and the readings of the trucks that had a fault or a false advisory."""
    folder.mkdir(parents=True, exist_ok=True)
    vehicles = {unit.vehicle for unit in run.units if unit.event is not None or false_alerts(unit, run.alerts)}
    if watched.hours is not None:
        series.write(folder / f"{run.key}.npz", AxleTable.of(fleet), watched.hours, sorted(vehicles))
    partial = folder / f"{run.key}.json.part"
    partial.write_bytes(encode_run(run))
    partial.replace(folder / f"{run.key}.json")


def reduce(
    part: Part,
    fleet: FleetSpec,
    truth: Truth,
    watched: Watched,
    extras: Extras,
    forecasts: tuple[Forecast, ...] = (),
) -> Run:
    """Return the record of what the kernel made of readings, held against their truth."""
    table = AxleTable.of(fleet)
    hours = watched.hours
    units = () if hours is None else units_of(table, hours, truth)
    without = {}
    if extras.ablation and part.kind == "scenarios":
        knowledge = load_knowledge()
        ends_s = {table.vehicles.index(unit.vehicle): unit.end_s for unit in units}
        without = {
            name: ablation.without(fleet, watched.moments, name, ends_s, knowledge)
            for name in ("", *ablation.detectors_of(watched.moments))
        }
    counted: list[BaselineCount] = []
    if extras.baselines and hours is not None and len(hours.speed):
        for baseline in BASELINES:
            flags = baseline.flags(hours, table, baseline.settings)
            for setting, days in zip(baseline.settings, flags, strict=True):
                counted.append(count_calls(baseline.name, setting, days, hours, table, units))
    return Run(
        part.key,
        part.variant,
        part.kind,
        part.seed,
        units,
        watched.alerts,
        watched.sources,
        forecasts,
        without=without,
        baselines=tuple(counted),
        readings=watched.readings,
        arguments=part.arguments,
        code=code_digest(),
    )


def units_of(table: AxleTable, hours: Hours, truth: Truth) -> tuple[Unit, ...]:
    """Return one unit per event and one per truck without any; trucks that sent nothing are left out."""
    events: dict[str, list[Event]] = {}
    for event in sorted(truth.events, key=lambda one: one.onset_s):
        events.setdefault(event.vehicle, []).append(event)
    units: list[Unit] = []
    for number, name in enumerate(table.vehicles):
        heard = np.flatnonzero(~np.isnan(hours.speed[:, number]))
        if not len(heard):
            continue
        begin_s = float(hours.times_s[heard[0]] - HOUR_S)
        end_s = float(hours.times_s[heard[-1]])
        times, km = _distances(hours, number)
        own = events.get(name, [])
        quiet_s = min([end_s, *(max(event.onset_s, begin_s) for event in own if not event.harmless)])
        events_or_none: list[Event | None] = [*own] if own else [None]
        for place, found in enumerate(events_or_none):
            until_s = quiet_s if place == 0 else begin_s
            units.append(Unit(name, begin_s, end_s, until_s, found, times, km))
    return tuple(units)


def _distances(hours: Hours, number: int) -> tuple[tuple[float, ...], tuple[float, ...]]:
    odometer = hours.odometer[:, number]
    known = np.flatnonzero(~np.isnan(odometer))
    day = hours.times_s[known] // DAY_S
    last = known[np.append(np.diff(day) > 0.0, True)] if len(known) else known
    times = tuple(float(moment) for moment in hours.times_s[last])
    return times, tuple(round(float(km), 1) for km in odometer[last])


def count_calls(
    name: str, setting: float, days: NDArray[np.bool_], hours: Hours, table: AxleTable, units: Iterable[Unit]
) -> BaselineCount:
    """Return what one baseline's days with an alarm, (days, axles), come to by the rules of :mod:`counting`.

    Nothing counts while it learns. A call on a day is dated at the day's end.
    """
    first_s = hours.begin_s // DAY_S * DAY_S
    called = [[first_s + DAY_S * (day + 1) for day in calls(days[:, row])] for row in range(days.shape[1])]
    false, seconds, found = 0, 0.0, {}
    for number, unit in enumerate(units):
        rows = np.flatnonzero(table.vehicle == table.vehicles.index(unit.vehicle)).tolist()
        from_s = unit.begin_s + LEARN_DAYS * DAY_S
        seconds += max(0.0, unit.quiet_until_s - from_s)
        false += sum(from_s < moment <= unit.quiet_until_s for row in rows for moment in called[row])
        event = unit.event
        if event is None or event.harmless:
            continue
        right = [row for row in rows if on_right_axle(unit, int(table.position[row]))]
        after = [moment for row in right for moment in called[row] if event.onset_s < moment <= unit.horizon_s]
        if after:
            found[number] = (min(after) - event.onset_s) / DAY_S
    return BaselineCount(name, setting, false, seconds / YEAR_S, found)
