"""The kernel: readings in, symptoms and advisory changes out. The same code live, in backtests and in evaluation."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from axlewright_models.shop.service import ServiceEvent
from axlewright_models.signals import INDEX
from axlewright_models.spec import FleetSpec
from axlewright_server import lifetime
from axlewright_server.advisories import Advisory, AdvisoryError, Change, expire_shelf, note_finding
from axlewright_server.detectors.base import Detector, State, Symptom
from axlewright_server.detectors.batch import Batch, Rows, rounds, rows_of
from axlewright_server.detectors.daily import Daily
from axlewright_server.detectors.lube_model import LubeModel
from axlewright_server.detectors.ride_height import RideHeight
from axlewright_server.detectors.sensor_health import SensorHealth
from axlewright_server.detectors.sisters import FleetPrior
from axlewright_server.detectors.suite import default_detectors
from axlewright_server.detectors.table import AxleTable
from axlewright_server.detectors.timing import put_back
from axlewright_server.diagnosis.casebook import Casebook, Found
from axlewright_server.diagnosis.decide import decide
from axlewright_server.diagnosis.knowledge import Knowledge, load_knowledge
from axlewright_server.diagnosis.patience import told_again_s
from axlewright_server.diagnosis.picture import (
    AxleView,
    Standing,
    counts_again_s,
    faulty_channels,
    silence_tells_s,
)
from axlewright_server.diagnosis.steadiness import Trail
from axlewright_server.memory import Repair, pack, unpack

__all__ = [
    "AxleTable",
    "Batch",
    "Change",
    "Derived",
    "Detector",
    "Kernel",
    "Rows",
    "StepResult",
    "Symptom",
    "rounds",
    "rows_of",
]


@dataclass(frozen=True)
class Derived:
    """What the office computes beside a batch's readings: ``columns`` of ``models.signals``, (n, len(columns)).

    Rows belong to ``axles`` (rows of the axle table) at ``time_s``; NaN where nothing is known yet.
    """

    axles: NDArray[np.int64]
    time_s: NDArray[np.float64]
    columns: tuple[int, ...]
    values: NDArray[np.float32]


@dataclass(frozen=True)
class StepResult:
    """What a step has brought about.

    ``symptoms``: transitions, in order. ``changes``: advisories as they now are, each with the record of its change,
    in order (an advisory can occur more than once). ``derived``: computed channels to store beside the readings.
    ``late``: rows left out because their axle had already been judged at that time or later.
    """

    symptoms: list[Symptom] = field(default_factory=list)
    changes: list[Change] = field(default_factory=list)
    derived: list[Derived] = field(default_factory=list)
    late: int = 0


class Kernel:
    """Detectors, diagnosis and advisories of one fleet, with their state.

    Results depend only on each vehicle's rows in time order: not on how rows are batched, nor on the order of vehicles.
    Not for use by two threads at once.
    """

    def __init__(
        self,
        spec: FleetSpec,
        detectors: Sequence[Detector] | None = None,
        knowledge: Knowledge | None = None,
        prior: FleetPrior | None = None,
    ) -> None:
        self.spec = spec
        self.table = AxleTable.of(spec)
        self.knowledge = load_knowledge() if knowledge is None else knowledge
        self._health = SensorHealth()
        self._daily = Daily()
        chosen = default_detectors(prior) if detectors is None else detectors
        self._detectors: tuple[Detector, ...] = (self._health, *chosen, self._daily)
        self._states: list[State] = [detector.start(self.table) for detector in self._detectors]
        self._last_s: NDArray[np.float64] = np.full(len(self.table), -np.inf)
        self._suspect: NDArray[np.bool_] = np.zeros(len(self.table), dtype=bool)
        self._deadline_s: NDArray[np.float64] = np.full(len(self.table), np.inf)
        self._standing: list[dict[str, Standing]] = [{} for _ in range(len(self.table))]
        self._source_of: dict[str, str] = {}
        self._orphaned: dict[int, list[Symptom]] = {}
        self._repairs: dict[int, tuple[Repair, ...]] = {}
        self._advisories: dict[int, dict[str, Advisory]] = {}
        self._row_of: dict[str, int] = {}
        self._precursors: dict[int, dict[str, float]] = {}
        self._heirs: dict[str, str] = {}
        self._trails: dict[int, dict[str, Trail]] = {}
        self.casebook = Casebook()

    @property
    def advisories(self) -> Mapping[str, Advisory]:
        """Return the advisories that are not closed, by identifier."""
        return {name: advisory for own in self._advisories.values() for name, advisory in own.items()}

    def standing(self, axle_row: int) -> tuple[Symptom, ...]:
        """Return the symptoms that stand on an axle now."""
        return tuple(entry.symptom for entry in self._standing[axle_row].values())

    def observable(self, axle_row: int) -> dict[str, frozenset[str]]:
        """Return, by detector, the keys of symptoms that could show on an axle now: their absence is evidence."""
        return {
            detector.name: detector.observable(state[axle_row])
            for detector, state in zip(self._detectors, self._states, strict=True)
        }

    def detector_of(self, code: str) -> str:
        """Return the name of the detector that has raised symptoms of this code, "" while none has."""
        return self._source_of.get(code, "")

    def precursor(self, axle_row: int) -> Mapping[str, float]:
        """Return the chance of each leak path as the latest diagnosis saw it; empty while nothing was ever wrong."""
        return dict(self._precursors.get(axle_row, {}))

    def run(self, rows: Rows) -> StepResult:
        """Return what these rows bring about: :func:`rounds`, then :meth:`step` on each batch."""
        total, late = StepResult(), 0
        for batch in rounds(self.table, rows):
            result = self.step(batch)
            total.symptoms.extend(result.symptoms)
            total.changes.extend(result.changes)
            total.derived.extend(result.derived)
            late += result.late
        return dataclasses.replace(total, late=late)

    def step(self, batch: Batch) -> StepResult:
        """Return what one batch brings about: detectors, then diagnosis, then advisories."""
        last_s = self._last_s[batch.axles]
        fresh = batch.time_s > last_s
        late = len(batch) - int(np.count_nonzero(fresh))
        if late:
            chosen = np.flatnonzero(fresh)
            batch, last_s = batch.take(chosen), last_s[chosen]
        if not len(batch):
            return StepResult(late=late)
        mended, due = self._mend(batch) if self._repairs else ([], {})
        dt_s = np.where(np.isinf(last_s), 0.0, batch.time_s - last_s)
        batch = dataclasses.replace(batch, dt_s=dt_s, suspect=self._suspect[batch.axles])
        symptoms, derived = self._detect(batch)
        symptoms = mended + symptoms
        self._last_s[batch.axles] = batch.time_s
        changes = self._run_out(batch, last_s, due)
        changes += self._diagnose(symptoms, due)
        return StepResult(symptoms, changes, [derived], late)

    def service(self, event: ServiceEvent) -> list[Change]:
        """Take note of a recorded repair: every detector begins afresh with just what was touched.

        Readings from before the repair may still be on their way, so an axle that has not yet been heard of at that
        time is reset when its own readings get there; the others at once.

        Returns
        -------
        list of (Advisory, record)
            What becomes of advisories whose symptoms the repair has ended.
        """
        number = self.table.number(event.vehicle)
        if number is None:
            return []
        first, count = int(self.table.first[number]), int(self.table.count[number])
        ends: list[Symptom] = []
        for row in range(first, first + count):
            if event.axle not in (0, int(self.table.position[row])):
                continue
            self.casebook.service(row, event)
            self._set_deadline(row)
            if self._last_s[row] >= event.time_s:
                ends += self._reset(row, event.time_s, event.touched)
            else:
                waiting = (*self._repairs.get(row, ()), Repair(event.time_s, event.touched))
                self._repairs[row] = tuple(sorted(waiting, key=lambda repair: repair.time_s))
        if ends:
            return self._diagnose(ends)
        # What the shop found before the repair counts no more, even where no symptom ends with it.
        return self._judge(number, event.time_s) if any(self._advisories.get(first + k) for k in range(count)) else []

    def _mend(self, batch: Batch) -> tuple[list[Symptom], dict[int, float]]:
        """Carry out the repairs that these axles' own time has reached; return also which vehicles, and when."""
        ends: list[Symptom] = []
        vehicles: dict[int, float] = {}
        for row, time_s in zip(batch.axles.tolist(), batch.time_s.tolist(), strict=True):
            waiting = self._repairs.get(row)
            if waiting is None or waiting[0].time_s > time_s:
                continue
            for repair in waiting:
                if repair.time_s <= time_s:
                    ends += self._reset(row, repair.time_s, repair.touched)
            vehicles[int(self.table.vehicle[row])] = time_s
            left = tuple(repair for repair in waiting if repair.time_s > time_s)
            self._repairs[row] = left
            if not left:
                del self._repairs[row]
        for end in ends:
            self._note(end)
        return ends, vehicles

    def _reset(self, row: int, time_s: float, touched: frozenset[str]) -> list[Symptom]:
        """Reset one axle's records and return the ends of the symptoms that thereby vanish."""
        ends: list[Symptom] = []
        rows = np.array([row])
        for number, detector in enumerate(self._detectors):
            self._states[number][rows] = detector.serviced(self._states[number][rows], touched)
            ends += [
                replace(entry.symptom, level=0, time_s=time_s)
                for key, entry in self._standing[row].items()
                if entry.detector == detector.name and detector.forgets(key, touched)
            ]
        return ends

    def _detect(self, batch: Batch) -> tuple[list[Symptom], Derived]:
        """Run sensor health on the raw readings, then the others on what it lets through."""
        symptoms: list[Symptom] = []
        # A batch of the whole fleet in order, the usual case offline, needs no copies.
        whole = len(batch) == len(self.table) and bool((batch.axles[1:] > batch.axles[:-1]).all())
        kept: dict[str, State] = {}
        for number, detector in enumerate(self._detectors):
            state = self._states[number] if whole else self._states[number].take(batch.axles)
            if detector is self._daily:  # the last one: it looks at what the models expect as well
                derived = self._derive(batch, kept)
                batch = self._with_derived(batch, derived)
            state, found = detector.step(state, batch, self.table)
            symptoms += found
            self._source_of.update((symptom.code, detector.name) for symptom in found)
            kept[detector.name] = state
            if detector is self._health:
                batch = dataclasses.replace(batch, values=self._health.masked(state, batch.values))
            if not whole:
                put_back(self._states[number], batch.axles, state)
        symptoms += self._end_orphans(batch, {(symptom.axle, symptom.key) for symptom in symptoms})
        symptoms.sort(key=lambda symptom: (symptom.axle, symptom.key))
        return symptoms, derived

    def _end_orphans(self, batch: Batch, told: set[tuple[int, str]]) -> list[Symptom]:
        """Return the ends of symptoms whose detector began afresh and so will never end them itself."""
        if not self._orphaned:
            return []
        ends: list[Symptom] = []
        for axle, time_s in zip(batch.axles.tolist(), batch.time_s.tolist(), strict=True):
            lost = [one for one in self._orphaned.pop(axle, []) if (axle, one.key) not in told]
            ends += [replace(one, level=0, time_s=time_s) for one in lost]
        return ends

    def _with_derived(self, batch: Batch, derived: Derived) -> Batch:
        values = batch.values.copy()
        values[:, list(derived.columns)] = derived.values
        return dataclasses.replace(batch, values=values)

    def daily(self, axle_row: int) -> State:
        """Return an axle's daily summaries, for :mod:`~axlewright_server.prognosis`."""
        record: State = self._states[self._detectors.index(self._daily)][axle_row]
        return record

    def _derive(self, batch: Batch, states: Mapping[str, State]) -> Derived:
        columns = np.full((len(batch), 2), np.nan, dtype=np.float32)
        for detector in self._detectors:
            if isinstance(detector, LubeModel):
                columns[:, 0] = detector.expected_cel(states[detector.name])
            elif isinstance(detector, RideHeight):
                columns[:, 1] = detector.static_mm(states[detector.name], self.table.ride_height_mm[batch.axles])
        return Derived(batch.axles, batch.time_s, (INDEX["lube/expected"], INDEX["height/static"]), columns)

    def _diagnose(self, symptoms: list[Symptom], due: Mapping[int, float] | None = None) -> list[Change]:
        """Note the transitions, then judge every axle of the vehicles concerned: partners explain each other.

        ``due``: vehicles that are to be judged anyhow, and the event time.
        """
        concerned: dict[int, float] = dict(due or {})
        for symptom in symptoms:
            self._note(symptom)
            concerned[int(self.table.vehicle[symptom.axle])] = symptom.time_s
        changes: list[Change] = []
        for vehicle in sorted(concerned):
            changes += self._judge(vehicle, concerned[vehicle])
        return changes

    def _judge(self, vehicle: int, time_s: float) -> list[Change]:
        """Diagnose every axle of a vehicle and keep what comes of it."""
        changes: list[Change] = []
        first, count = int(self.table.first[vehicle]), int(self.table.count[vehicle])
        views = {row: self._view(row, time_s) for row in range(first, first + count)}
        for row, view in views.items():
            partner = views.get(int(self.table.partner[row]))
            existing = [*self._advisories.get(row, {}).values()]
            if not (view.standing or existing):
                continue
            found = self.casebook.outcomes(row, time_s, self._advisories.get(row, {}))
            trails = self._trails.get(row, {})
            beside = [each for other in range(first, row) for each in self._advisories.get(other, {}).values()]
            verdict = decide(self.knowledge, self.table, row, time_s, view, partner, existing, found, trails, beside)
            self._precursors[row] = verdict.precursor
            self._trails[row] = verdict.trails
            changes += verdict.changes
            for advisory, _ in verdict.changes:
                self._keep(advisory)
        for row in views:
            self._set_deadline(row)
        return changes

    def _note(self, symptom: Symptom) -> None:
        standing = self._standing[symptom.axle]
        known = standing.get(symptom.key)
        if symptom.active:
            raised_s = symptom.time_s if known is None else known.raised_s
            standing[symptom.key] = Standing(symptom, raised_s, self._source_of[symptom.code])
        elif known is not None:
            del standing[symptom.key]
        self._suspect[symptom.axle] = any(not key.startswith("sensor-") for key in standing)

    def _view(self, row: int, time_s: float) -> AxleView:
        observable = frozenset().union(*self.observable(row).values())
        standing = self._standing[row]
        return AxleView(standing, observable, faulty_channels(standing), self.casebook.services(row), time_s)

    def _run_out(self, batch: Batch, last_s: NDArray[np.float64], due: dict[int, float]) -> list[Change]:
        """Return what time alone has changed, and add the vehicles that are to be judged again to `due`.

        Shelves and waiting times run out by the axles' event time; a cause that has trailed for long gives way; a
        symptom from before a repair counts again.
        """
        changes: list[Change] = []
        for place in np.flatnonzero(batch.time_s >= self._deadline_s[batch.axles]):
            row, time_s = int(batch.axles[place]), float(batch.time_s[place])
            for advisory in list(self._advisories.get(row, {}).values()):
                changes += lifetime.run_out(advisory, time_s)
            if any(time_s >= when_s for when_s in self._judged_again_s(row, float(last_s[place]))):
                due[int(self.table.vehicle[row])] = time_s
            self._set_deadline(row)
        for advisory, _ in changes:
            self._keep(advisory)
        return changes

    def _judged_again_s(self, row: int, after_s: float) -> list[float]:
        """Return the times at which an axle's verdict may change though no symptom does (but for causes: `after_s`)."""
        services, standing = self.casebook.services(row), self._standing[row]
        waiting = [counts_again_s(entry.symptom, services) for entry in standing.values()] if services else []
        waiting += silence_tells_s(self.knowledge, standing) + told_again_s(standing)
        trails = [trail.due_s for trail in self._trails.get(row, {}).values()]
        return trails + [when_s for when_s in waiting if when_s > after_s]

    def _set_deadline(self, row: int) -> None:
        """Note when time alone next changes anything of an axle."""
        times = [lifetime.deadline_s(advisory) for advisory in self._advisories.get(row, {}).values()]
        times += self._judged_again_s(row, float(self._last_s[row]))
        self._deadline_s[row] = min(times, default=np.inf)

    def state_blob(self, axle_row: int) -> bytes:
        """Return everything that the kernel remembers of an axle, except its advisories."""
        return self.state_blobs(np.array([axle_row]))[0]

    def state_blobs(self, axle_rows: NDArray[np.int64]) -> list[bytes]:
        """Return :meth:`state_blob` of several axles, which costs far less than one by one."""
        states = {
            detector.name: (detector.version, state[axle_rows])
            for detector, state in zip(self._detectors, self._states, strict=True)
        }
        standing = [self._standing[row] for row in axle_rows.tolist()]
        repairs = [self._repairs.get(row, ()) for row in axle_rows.tolist()]
        trails = [self._trails.get(row, {}) for row in axle_rows.tolist()]
        return pack(self._last_s[axle_rows].tolist(), states, standing, repairs, trails)

    def memory_of(self, vehicle: str) -> dict[int, bytes]:
        """Return the memory of each monitored axle of a vehicle, by position; empty for one that is not known."""
        number = self.table.number(vehicle)
        if number is None:
            return {}
        rows = np.arange(self.table.first[number], self.table.first[number] + self.table.count[number])
        return dict(zip(self.table.position[rows].tolist(), self.state_blobs(rows), strict=True))

    def load_state(self, axle_row: int, blob: bytes) -> None:
        """Take up what :meth:`state_blob` gave; a detector whose version has changed starts afresh.

        What such a detector had raised ends with the axle's next window; if it still holds, it is found again.
        """
        memory = unpack(blob)
        self._last_s[axle_row] = memory.last_s
        if memory.repairs:
            self._repairs[axle_row] = memory.repairs
        if memory.trails:
            self._trails[axle_row] = dict(memory.trails)
        resumed: set[str] = set()
        for number, detector in enumerate(self._detectors):
            record = memory.record(detector.name, detector.version, self._states[number].dtype)
            if record is not None:
                self._states[number][axle_row] = record
                resumed.add(detector.name)
        standing = {
            key: Standing(replace(entry.symptom, axle=axle_row), entry.raised_s, entry.detector)
            for key, entry in memory.standing.items()
        }
        self._standing[axle_row] = standing
        orphaned = [entry.symptom for entry in standing.values() if entry.detector not in resumed]
        if orphaned:
            self._orphaned[axle_row] = orphaned
        self._suspect[axle_row] = any(not key.startswith("sensor-") for key in standing)
        self._set_deadline(axle_row)

    def load_advisories(self, advisories: Iterable[Advisory]) -> None:
        """Take up stored advisories; closed ones and those of axles that the fleet file lacks are passed over."""
        for advisory in advisories:
            row = self.table.row(advisory.message.vehicle, advisory.message.axle)
            if advisory.open and row is not None:
                # Rows move when trucks are added to the fleet file; the message knows where it belongs.
                self._keep(replace(advisory, row=row))

    def load_shop(self, found: Iterable[Found], services: Iterable[ServiceEvent]) -> None:
        """Take up stored findings of open advisories, and repairs (their resets are in the axles' memory already)."""
        for event in services:
            number = self.table.number(event.vehicle)
            rows = (
                ()
                if number is None
                else range(self.table.first[number], self.table.first[number] + self.table.count[number])
            )
            for row in rows:
                if event.axle in (0, int(self.table.position[row])):
                    self.casebook.service(row, event)
                    self._set_deadline(row)
        for one in found:
            place = self.table.row(one.vehicle, one.axle)
            if place is not None:
                self.casebook.put(place, one)

    def act(self, identifier: str, action: Callable[[Advisory], Change]) -> Change:
        """Return the change that a person's action makes, and keep it.

        Raises
        ------
        AdvisoryError
            No open advisory has this identifier, or the action does not fit its state.

        Examples
        --------
        ``kernel.act(identifier, lambda advisory: acknowledge(advisory, "planner", now_s))``
        """
        row = self._row_of.get(identifier)
        if row is None:
            raise AdvisoryError(f"no open advisory {identifier!r}; it may have been closed")
        change = action(self._advisories[row][identifier])
        self._keep(change[0])
        return change

    def heir(self, identifier: str) -> Advisory:
        """Return an open advisory, or the open one that has taken its place.

        Raises
        ------
        AdvisoryError
            Neither is open.
        """
        while identifier in self._heirs:
            identifier = self._heirs[identifier]
        row = self._row_of.get(identifier)
        if row is None:
            raise AdvisoryError(f"no open advisory {identifier!r}; it may have been closed")
        return self._advisories[row][identifier]

    def find(self, identifier: str, found: Found, text: str) -> list[Change]:
        """Return the changes that a technician's finding on an advisory makes to the truck's advisories.

        A finding that is known already, just so, changes nothing.

        Raises
        ------
        AdvisoryError
            No open advisory has this identifier.
        """
        # Said twice, and the first time another cause took the lead: then its heir is meant.
        identifier = self.heir(identifier).id
        row = self._row_of[identifier]
        found = replace(found, advisory=identifier)
        if self.casebook.same(row, found):
            return []
        noted = self.act(identifier, lambda advisory: note_finding(advisory, found.who, found.time_s, text))
        self.casebook.put(row, found)
        return [noted, *self._judge(int(self.table.vehicle[row]), found.time_s)]

    def expire(self, now_s: float) -> list[Change]:
        """Return the changes of advisories whose time on the shelf has run out by this wall time.

        Closing what has long been normal is left to the axle's own event time: a truck that is away may still have
        readings to send that say otherwise.
        """
        kept = [
            change
            for row in sorted(self._advisories)
            if now_s >= self._deadline_s[row]
            for advisory in self._advisories[row].values()
            if (change := expire_shelf(advisory, now_s)) is not None
        ]
        for advisory, _ in kept:
            self._keep(advisory)
        return kept

    def _keep(self, advisory: Advisory) -> None:
        own = self._advisories.setdefault(advisory.row, {})
        if advisory.open:
            own[advisory.id] = advisory
            self._row_of[advisory.id] = advisory.row
            if advisory.message.supersedes:
                self._heirs[advisory.message.supersedes] = advisory.id
                self.casebook.inherit(advisory.row, advisory.message.supersedes, advisory.id)
        else:
            own.pop(advisory.id, None)
            self._row_of.pop(advisory.id, None)
            self._trails.get(advisory.row, {}).pop(advisory.id, None)
        self._set_deadline(advisory.row)
