"""Readings of simulated trucks by the hundred, for evaluation: scenarios or healthy fleets, and their truth.

Each seed is a fleet of its own, so that what its trucks do hangs on no other seed.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]  # ships no types
import pyarrow.compute as pc  # type: ignore[import-untyped]  # ships no types

from axlewright_models.errors import ModelError
from axlewright_models.spec import FleetSpec, parse_fleet
from axlewright_simulators.climates import CLIMATES
from axlewright_simulators.consequences import LOUD, SHAKING
from axlewright_simulators.fleet import Block, FleetSimulator
from axlewright_simulators.fleets import large_fleet_text
from axlewright_simulators.history import table_of
from axlewright_simulators.knobs import PLAIN, Knobs
from axlewright_simulators.library import LIBRARY, draw_scenario
from axlewright_simulators.runs import Consequence, ScenarioRun, completed

TRUTH_FORMAT = "axlewright-truth-1"
BEGIN_S = 1_735_689_600.0  # 2025-01-01, UTC
MONTH_S = 30.4375 * 86400.0
# Trucks work at different hours: over a whole day the kernel's batches are fuller than over half of one.
PIECE_S = 86400.0
# A library's trucks are drawn from a fleet somewhat larger than the library.
SPARE_TRUCKS = 1.3


@dataclass(frozen=True)
class BatchOptions:
    """What to simulate.

    ``seeds``: one fleet each. ``scenarios``: names of the library, () = all but the healthy ones; not used when
    ``healthy`` trucks for ``days`` are asked for. ``begin_s``: first moment of all; None: a month of 2025 that hangs on
    the first seed.
    """

    seeds: tuple[int, ...]
    scenarios: tuple[str, ...] = ()
    healthy: int = 0
    days: float = 30.0
    begin_s: float | None = None
    climates: tuple[str, ...] = tuple(CLIMATES)
    window_s: float = 60.0
    knobs: Knobs = PLAIN


@dataclass
class Group:
    """The trucks of one seed, and what happens to them."""

    simulator: FleetSimulator
    runs: list[ScenarioRun] = field(default_factory=list)
    shaking: dict[tuple[str, int, str], float] = field(default_factory=dict)
    """Since when a source on an axle shakes in truth, by vehicle, position and source. [s]"""

    @property
    def ends_s(self) -> dict[str, float]:
        """Return until when each truck of a scenario is watched."""
        return {run.vehicle: run.end_s for run in self.runs}

    def note(self, block: Block) -> None:
        """Note what began to shake in a block."""
        simulator = self.simulator
        for source in SHAKING:
            loud = block.truth[f"{source}-growth"] >= LOUD
            for row in np.flatnonzero(loud.any(axis=0)):
                place = (simulator.axle_vehicles[row], simulator.axle_positions[row], source)
                self.shaking.setdefault(place, float(block.edges_s[1 + np.argmax(loud[:, row])]))

    def completed(self) -> list[ScenarioRun]:
        """Return the runs with what their faults brought about."""
        return [
            msgspec.structs.replace(
                run,
                brought_about=tuple(
                    Consequence(source, axle, since_s)
                    for (vehicle, axle, source), since_s in sorted(self.shaking.items())
                    if vehicle == run.vehicle and source != run.source and run.onset_s <= since_s < run.end_s
                ),
            )
            for run in completed(self.runs, self.simulator)
        ]


def fleet_text(options: BatchOptions) -> str:
    """Return the fleet file of all seeds; a truck's id is ``climate-seed-number``."""
    text, head = [], ""
    for seed in options.seeds:
        one = large_fleet_text(_trucks(options), seed, options.climates)
        head, _, vehicles = one.partition("[vehicles.")
        text.append(_renamed("[vehicles." + vehicles, seed))
    return head + "\n".join(text)


def _trucks(options: BatchOptions) -> int:
    if options.healthy:
        return options.healthy
    return max(len(options.climates), math.ceil(SPARE_TRUCKS * len(_names(options))) + 4)


def _names(options: BatchOptions) -> tuple[str, ...]:
    return options.scenarios or tuple(name for name in LIBRARY if not name.startswith("healthy-"))


def _renamed(text: str, seed: int) -> str:
    """Return vehicle tables with the seed in every id."""
    lines = []
    for line in text.splitlines():
        for mark in ("[[vehicles.", "[vehicles."):
            if line.startswith(mark):
                climate, dash, rest = line.removeprefix(mark).partition("-")
                line = f"{mark}{climate}{dash}{seed}-{rest}"
                break
        lines.append(line)
    return "\n".join(lines) + "\n"


def prepare(options: BatchOptions, write_fleet: Path) -> tuple[FleetSpec, list[Group]]:
    """Write the fleet file of the trucks that take part, and return the fleet and one group per seed.

    Raises
    ------
    ModelError
        A scenario or climate is unknown, no seed is given, or the file cannot be written.
    """
    if not options.seeds:
        raise ModelError("no seed is given; use --seeds 2001")
    text = fleet_text(options)
    whole = parse_fleet(text, "fleet of the simulation")
    drawn = {seed: _drawn(options, whole, seed) for seed in options.seeds}
    used = {run.vehicle for runs in drawn.values() for run in runs} if not options.healthy else set(whole.vehicles)
    try:
        write_fleet.parent.mkdir(parents=True, exist_ok=True)
        write_fleet.write_text(_only(text, used), encoding="utf-8")
    except OSError as error:
        raise ModelError(
            f"{write_fleet.parent}: cannot be used as a folder ({error.strerror or error}); choose another with --into"
        ) from error
    fleet = parse_fleet(_only(text, used), "fleet of the simulation")
    return fleet, [Group(_simulator(options, fleet, seed, drawn[seed]), drawn[seed]) for seed in options.seeds]


def _drawn(options: BatchOptions, fleet: FleetSpec, seed: int) -> list[ScenarioRun]:
    if options.healthy:
        return []
    runs: list[ScenarioRun] = []
    unused = [name for name in fleet.vehicles if name.split("-")[1] == str(seed)]
    for name in _names(options):
        # A scenario's draw hangs on its own name and seed, not on which others are asked for; only the truck may.
        random = np.random.default_rng([seed, zlib.crc32(name.encode()), 71])
        run = draw_scenario(name, fleet, random, _begin_s(options), unused=unused)
        unused.remove(run.vehicle)
        runs.append(run)
    return runs


def _begin_s(options: BatchOptions) -> float:
    return BEGIN_S + (options.seeds[0] * 5 % 12) * MONTH_S if options.begin_s is None else options.begin_s


def _simulator(options: BatchOptions, fleet: FleetSpec, seed: int, runs: Sequence[ScenarioRun]) -> FleetSimulator:
    begin_s = _begin_s(options)
    faults = [fault for run in runs for fault in run.faults]
    vehicles = [name for name in fleet.vehicles if name.split("-")[1] == str(seed)]
    return FleetSimulator(
        fleet,
        seed=seed,
        anchor_s=begin_s,
        begin_s=begin_s,
        vehicles=vehicles,
        faults=faults,
        parked_at_anchor=_parked(vehicles, seed),
        knobs=options.knobs,
    )


def _parked(vehicles: Sequence[str], seed: int) -> list[str]:
    """Return half of the trucks, by lot: shifts are laid around the anchor, and not all should begin alike."""
    random = np.random.default_rng([seed, 72])
    return [name for name in vehicles if random.random() < 0.5]


def _only(text: str, vehicles: Iterable[str]) -> str:
    """Return a fleet file with some of its vehicles."""
    wanted, kept, on = set(vehicles), [], True
    for line in text.splitlines():
        if line.startswith(("[vehicles.", "[[vehicles.")):
            on = line.strip("[]").split(".")[1] in wanted
        if on:
            kept.append(line)
    return "\n".join(kept) + "\n"


def tables(groups: Sequence[Group], options: BatchOptions) -> Iterator[pa.Table]:
    """Drive all groups and yield their readings in the replay table form, a span of time of all groups at once.

    All begin together, so that whoever judges the readings can take the trucks of all seeds in one go.
    """
    left = [(group, _end_s(group, options)) for group in groups]
    while left:
        yield pa.concat_tables([_next(group, end_s, options.window_s) for group, end_s in left])
        left = [(group, end_s) for group, end_s in left if group.simulator.time_s < end_s - 1e-3]


def _next(group: Group, end_s: float, window_s: float) -> pa.Table:
    simulator = group.simulator
    stop_s = min(simulator.time_s + PIECE_S, end_s)
    steps = max(1, math.ceil((stop_s - simulator.time_s) / window_s - 1e-9))
    edges = np.append(simulator.time_s + window_s * np.arange(steps), stop_s)
    block = simulator.advance(edges)
    if group.runs:
        group.note(block)
    return _watched(table_of(block, simulator), group)


def _end_s(group: Group, options: BatchOptions) -> float:
    if group.runs:
        return max(run.end_s for run in group.runs)
    return group.simulator.time_s + options.days * 86400.0


def _watched(table: pa.Table, group: Group) -> pa.Table:
    """Return a table without what trucks sent after they were watched."""
    over = [name for name, end_s in group.ends_s.items() if end_s <= group.simulator.time_s]
    if not over:
        return table
    late = pa.array([round(1000.0 * group.ends_s[name]) for name in over], pa.int64())
    place = pc.index_in(table["vehicle"], value_set=pa.array(over, pa.string()))
    limit = pc.fill_null(pc.take(late, place), 2**62)
    return table.filter(pc.less_equal(table["time_ms"], limit))


def truth_document(groups: Sequence[Group], finished: bool) -> bytes:
    """Return the truth file as JSON; failures are known only when the trucks have been driven."""
    events: list[dict[str, Any]] = []
    services: list[dict[str, Any]] = []
    for group in groups:
        for run in group.completed() if finished else group.runs:
            events.append(_event(run))
            services += [
                {"vehicle": one.vehicle, "axle": one.axle, "time": _iso(one.time_s), "touched": sorted(one.touched)}
                for one in run.services
            ]
    document = {"format": TRUTH_FORMAT, "events": events, "services": services}
    return msgspec.json.format(msgspec.json.encode(document), indent=1)


def _event(run: ScenarioRun) -> dict[str, Any]:
    event: dict[str, Any] = {
        "vehicle": run.vehicle,
        "axle": run.axle,
        "scenario": run.name,
        "onset": _iso(run.onset_s),
        "causes": run.expected,
        "harmless": run.harmless,
        "detectable": run.detectable or run.harmless,
        "reason": "" if run.harmless else run.reason,
        "source": run.source,
        "slow": run.kind == "slow",
        "severity": run.severity,
        "severity_meaning": run.severity_meaning,
    }
    failed_s = run.functional_failure_s
    if failed_s is not None and failed_s > run.onset_s:
        event["failure"] = _iso(failed_s)
    if run.brought_about:
        event["brought_about"] = [
            {"source": one.source, "axle": one.axle, "since": _iso(one.since_s)} for one in run.brought_about
        ]
    return event


def _iso(time_s: float) -> str:
    return datetime.fromtimestamp(time_s, UTC).isoformat(timespec="milliseconds")
