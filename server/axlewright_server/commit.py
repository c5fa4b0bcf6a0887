"""Turn frames into rows, run the kernel on them and write everything in one transaction."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from axlewright_models.signals import CHANNELS, NAMES
from axlewright_models.spec import FleetSpec
from axlewright_models.wire.frames import Decoded
from axlewright_models.wire.messages import AdvisoryMessage
from axlewright_server.detectors.sisters import FleetPrior
from axlewright_server.diagnosis.knowledge import Knowledge, load_knowledge
from axlewright_server.kernel import Kernel, Rows, StepResult
from axlewright_server.store import Store, advisories, bursts, records, rows, shop
from axlewright_server.store.bursts import Arrived

# SenML names allow axles 1 to 99; the vehicle itself is 0.
_POSITIONS = 100
_COMPUTED = frozenset(channel.name for channel in CHANNELS if channel.derived)
# Epoch milliseconds fit into 41 bits until 2039; above them there is room for four million axles.
_TIME_BITS = 41


@dataclass(frozen=True)
class Gathered:
    """Readings of several frames as columns; `extras` by row number."""

    rows: Rows
    time_ms: NDArray[np.int64]
    extras: Mapping[int, Mapping[str, float]]

    def __len__(self) -> int:
        return len(self.time_ms)


@dataclass
class Bundle:
    """What one transaction writes besides readings and what the kernel makes of them."""

    marks: list[records.HighWater] = field(default_factory=list)
    quarantined: list[records.Quarantined] = field(default_factory=list)
    statuses: list[records.TruckStatus] = field(default_factory=list)
    published: list[AdvisoryMessage] = field(default_factory=list)
    bursts: list[Arrived] = field(default_factory=list)

    def __bool__(self) -> bool:
        return bool(self.marks or self.quarantined or self.statuses or self.published or self.bursts)


class Committer:
    """The kernel and the store, kept in step: what the store has committed is what the kernel remembers."""

    def __init__(
        self, spec: FleetSpec, store: Store, knowledge: Knowledge | None = None, prior: FleetPrior | None = None
    ) -> None:
        self.spec = spec
        self._knowledge = load_knowledge() if knowledge is None else knowledge
        self._prior = prior
        self.store = store
        self._numbers: dict[str, int] = {}
        self._axle_ids: NDArray[np.int64] = np.empty(0, np.int64)
        self._axle_rows: NDArray[np.int64] = np.empty(0, np.int64)
        self.kernel = Kernel(spec, knowledge=self._knowledge, prior=self._prior)
        self.restore()

    def restore(self) -> None:
        """Make the kernel remember exactly what is committed: at the start, and after a failure."""
        self.store.reload()
        self.kernel = Kernel(self.spec, knowledge=self._knowledge, prior=self._prior)
        table = self.kernel.table
        self._numbers = {vehicle: number for number, vehicle in enumerate(table.vehicles)}
        self._axle_ids = np.full((len(table.vehicles), _POSITIONS), -1, np.int64)
        for (vehicle, position), axle in self.store.axle_ids.items():
            if vehicle in self._numbers and position < _POSITIONS:
                self._axle_ids[self._numbers[vehicle], position] = axle
        self._axle_rows = np.full((len(table.vehicles), _POSITIONS), -1, np.int64)
        monitored = np.arange(len(table), dtype=np.int64)
        self._axle_rows[table.vehicle, table.position] = monitored
        with self.store.transaction() as connection:
            blobs = records.states(connection)
            kept = advisories.open_advisories(connection)
            found = shop.open_findings(connection, kept)
            repairs = shop.services(connection)
        for (vehicle, position), axle in self.store.axle_ids.items():
            row = table.row(vehicle, position)
            if row is not None and axle in blobs:
                self.kernel.load_state(row, blobs[axle])
        self.kernel.load_advisories(advisories.renumbered(kept, table))
        self.kernel.load_shop(found, [repair.event for repair in repairs])

    def gather(self, frames: Sequence[Decoded]) -> Gathered:
        """Return the readings of frames as columns; times to the millisecond, as they will be stored."""
        vehicle: list[int] = []
        keys: list[tuple[float, int]] = []
        blocks: list[NDArray[np.float32]] = []
        extras: dict[int, dict[str, float]] = {}
        for frame in frames:
            own = frame.rows
            if frame.extras:
                own = _rows_with_extras(frame, extras, len(keys))
            vehicle.extend([self._numbers[frame.vehicle]] * len(own))
            keys.extend(own)
            blocks.append(frame.values)
            if len(own) > len(frame.rows):
                blocks.append(np.full((len(own) - len(frame.rows), len(NAMES)), np.nan, np.float32))
        pairs = np.array(keys, np.float64).reshape(-1, 2)
        time_ms = np.rint(pairs[:, 0] * 1000.0).astype(np.int64)
        values = np.concatenate(blocks) if blocks else np.empty((0, len(NAMES)), np.float32)
        found = Rows(np.array(vehicle, np.int64), time_ms / 1000.0, pairs[:, 1].astype(np.int64), values)
        return Gathered(found, time_ms, extras)

    def commit(self, gathered: Gathered, bundle: Bundle) -> StepResult:
        """Run the kernel and write everything as one transaction; raises with nothing written."""
        result = self.kernel.run(gathered.rows) if len(gathered) else StepResult()
        self.lay_derived(gathered.rows, gathered.time_ms, result)
        with self.store.transaction():
            if len(gathered):
                self._write_readings(gathered)
                self._write_states(gathered)
            advisories.write_symptoms(self.store, self.kernel.table, result.symptoms)
            advisories.write_changes(self.store, result.changes)
            advisories.mark_published(self.store, bundle.published)
            records.write_high_waters(self.store, bundle.marks)
            refused = bursts.write_pieces(self.store, bundle.bursts)
            bundle.quarantined.extend(refused)
            if bundle.quarantined:
                records.write_quarantine(self.store, bundle.quarantined)
            records.write_statuses(self.store, bundle.statuses)
            bursts.note_answers(self.store, bundle.statuses)
        return result

    def lay_derived(self, found: Rows, time_ms: NDArray[np.int64], result: StepResult) -> None:
        """Write what the kernel computed beside the readings into the rows that it was computed from."""
        computed = [one for one in result.derived if len(one.axles)]
        if not computed:
            return
        axle = self._axle_rows[found.vehicle, found.position]
        keys = (axle << _TIME_BITS) | time_ms
        order = np.argsort(keys, kind="stable")
        wanted = np.concatenate(
            [(one.axles << _TIME_BITS) | np.rint(one.time_s * 1000.0).astype(np.int64) for one in computed]
        )
        place = order[np.minimum(np.searchsorted(keys[order], wanted), len(order) - 1)]
        # A window in which an axle sent nothing was judged too, but has no row of its own.
        there = keys[place] == wanted
        values = np.concatenate([one.values for one in computed])[there]
        for number, column in enumerate(computed[0].columns):
            found.values[place[there], column] = values[:, number]

    def axle_ids(self, found: Rows) -> NDArray[np.int64]:
        """Return the store's number of each row's axle, numbering new ones (inside a transaction)."""
        ids = self._axle_ids[found.vehicle, found.position]
        for number in np.flatnonzero(ids < 0).tolist():
            vehicle, position = int(found.vehicle[number]), int(found.position[number])
            axle = self.store.axle_id(self.kernel.table.vehicles[vehicle], position)
            ids[number] = self._axle_ids[vehicle, position] = axle
        return ids

    def _write_readings(self, gathered: Gathered) -> None:
        rows.write_rows(
            self.store, self.axle_ids(gathered.rows), gathered.time_ms, gathered.rows.values, gathered.extras
        )

    def _write_states(self, gathered: Gathered) -> None:
        vehicles = np.unique(gathered.rows.vehicle)
        newest = np.full(len(self.kernel.table.vehicles), 0, np.int64)
        np.maximum.at(newest, gathered.rows.vehicle, gathered.time_ms)
        self.write_states(vehicles, newest)

    def write_states(self, vehicles: NDArray[np.int64], newest_ms: NDArray[np.int64]) -> None:
        """Keep the kernel's memory of these vehicles' axles (inside a transaction)."""
        table = self.kernel.table
        rows = np.flatnonzero(np.isin(table.vehicle, vehicles))
        positions, newest = table.position[rows].tolist(), newest_ms[table.vehicle[rows]].tolist()
        names = [table.vehicles[number] for number in table.vehicle[rows].tolist()]
        axles = [self.store.axle_id(name, position) for name, position in zip(names, positions, strict=True)]
        records.write_states(self.store, zip(axles, newest, self.kernel.state_blobs(rows), strict=True))


def _rows_with_extras(frame: Decoded, extras: dict[int, dict[str, float]], begin: int) -> tuple[tuple[float, int], ...]:
    own = list(frame.rows)
    for (time_s, position, name), value in frame.extras.items():
        if name in _COMPUTED:
            continue  # computed here; what a truck says of it is not kept
        key = (time_s, position)
        if key not in own:  # nothing but unknown channels at this time
            own.append(key)
        extras.setdefault(begin + own.index(key), {})[name] = value
    return tuple(own)
