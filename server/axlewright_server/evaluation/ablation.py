"""What each detector is worth: the same symptoms decided on once more, with those of one detector left out.

The other detectors run as they ran. Only one thing is not undone: learning paused while the dropped symptom stood.
Symptoms may come and go many times a day; then it is enough to decide now and then (:data:`EVERY_S`), with and without.
Time decides as well, as in the kernel: a caution has waited long enough, silence begins to tell, a cause has trailed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from axlewright_models.spec import FleetSpec
from axlewright_server import lifetime
from axlewright_server.advisories import Advisory, Change
from axlewright_server.detectors.base import Symptom
from axlewright_server.detectors.table import AxleTable
from axlewright_server.diagnosis.decide import decide
from axlewright_server.diagnosis.facts import Knowledge
from axlewright_server.diagnosis.knowledge import load_knowledge
from axlewright_server.diagnosis.patience import told_again_s
from axlewright_server.diagnosis.picture import AxleView, Standing, faulty_channels, silence_tells_s
from axlewright_server.diagnosis.steadiness import Trail
from axlewright_server.evaluation.alerts import AlertBook
from axlewright_server.evaluation.record import Alert
from axlewright_server.evaluation.watch import Moment

EVERY_S = 6.0 * 3600.0


def without(
    fleet: FleetSpec,
    moments: Sequence[Moment],
    detector: str,
    ends_s: Mapping[int, float],
    knowledge: Knowledge | None = None,
    every_s: float = EVERY_S,
) -> tuple[Alert, ...]:
    """Return the alerts as they would have been without a detector's symptoms ("" leaves out none).

    Of a truck's transitions in a span of `every_s` only the last is decided on; 0 decides on each, as the kernel does.

    ``ends_s``: by number of the vehicle, when its readings end [s]; nothing falls due after that.
    """
    again = _Decisions(AxleTable.of(fleet), load_knowledge() if knowledge is None else knowledge, detector, every_s)
    book = AlertBook()
    for moment in moments:
        book.take(again.take(moment))
    book.take(again.rest(ends_s))
    return book.alerts()


def detectors_of(moments: Iterable[Moment]) -> tuple[str, ...]:
    """Return the names of the detectors that ever raised a symptom."""
    return tuple(sorted({name for moment in moments for name in moment.detectors if name}))


class _Decisions:
    """The kernel's diagnosis without its detectors."""

    def __init__(self, table: AxleTable, knowledge: Knowledge, left_out: str, every_s: float) -> None:
        self._table, self._knowledge, self._left_out, self._every_s = table, knowledge, left_out, every_s
        self._standing: dict[int, dict[str, Standing]] = {}
        self._advisories: dict[int, dict[str, Advisory]] = {}
        self._waiting: dict[int, tuple[float, Moment]] = {}
        self._trails: dict[int, dict[str, Trail]] = {}
        self._looked: dict[int, tuple[float, Moment]] = {}

    def take(self, moment: Moment) -> list[Change]:
        """Return the changes that one moment's transitions make due."""
        told = [pair for pair in zip(moment.symptoms, moment.detectors, strict=True) if pair[1] != self._left_out]
        vehicles = {int(self._table.vehicle[symptom.axle]): symptom.time_s for symptom, _ in told}
        changes: list[Change] = []
        for vehicle, time_s in sorted(vehicles.items()):
            # What stood before this moment is decided on first, if it waits since an earlier span.
            if vehicle in self._waiting and not self._same_span(self._waiting[vehicle][0], time_s):
                changes += self._judge(vehicle, *self._waiting.pop(vehicle))
            if vehicle not in self._waiting:
                changes += self._fall_due(vehicle, time_s)
        for symptom, detector in told:
            self._note(symptom, detector)
        self._waiting |= {vehicle: (time_s, moment) for vehicle, time_s in vehicles.items()}
        return changes

    def rest(self, ends_s: Mapping[int, float]) -> list[Change]:
        """Return the changes of what still waits, and of what falls due before the readings end."""
        changes: list[Change] = []
        for vehicle in sorted(self._waiting):
            changes += self._judge(vehicle, *self._waiting[vehicle])
        for vehicle, end_s in sorted(ends_s.items()):
            changes += self._fall_due(vehicle, end_s)
        return changes

    def _fall_due(self, vehicle: int, until_s: float) -> list[Change]:
        """Return the changes that time alone makes before `until_s`, since the vehicle was last looked at."""
        changes: list[Change] = []
        while vehicle in self._looked:
            due_s = [when_s for when_s in self._judged_again_s(vehicle) if when_s < until_s]
            if not due_s:
                break
            soonest_s = min(due_s)
            last_s = max(when_s for when_s in due_s if when_s == soonest_s or self._same_span(when_s, soonest_s))
            changes += self._judge(vehicle, last_s, self._looked[vehicle][1])
        return changes

    def _judged_again_s(self, vehicle: int) -> list[float]:
        """Return the times after the last look at which a verdict may change though no symptom does.

        As in the kernel, but for repairs, which are not told here.
        """
        first, count = int(self._table.first[vehicle]), int(self._table.count[vehicle])
        after_s, found = self._looked[vehicle][0], []
        for row in range(first, first + count):
            standing = self._standing.get(row, {})
            found += [trail.due_s for trail in self._trails.get(row, {}).values()]
            found += silence_tells_s(self._knowledge, standing) + told_again_s(standing)
        return [when_s for when_s in found if when_s > after_s]

    def _same_span(self, one_s: float, other_s: float) -> bool:
        return self._every_s > 0.0 and one_s // self._every_s == other_s // self._every_s

    def _judge(self, vehicle: int, time_s: float, moment: Moment) -> list[Change]:
        self._looked[vehicle] = (time_s, moment)
        first, count = int(self._table.first[vehicle]), int(self._table.count[vehicle])
        views = {row: self._view(row, moment, time_s) for row in range(first, first + count)}
        changes: list[Change] = []
        for row, view in views.items():
            for old in list(self._advisories.get(row, {}).values()):
                changes += self._kept(lifetime.run_out(old, time_s))
            existing = [*self._advisories.get(row, {}).values()]
            if not (view.standing or existing):
                continue
            partner = views.get(int(self._table.partner[row]))
            beside = [each for other in range(first, row) for each in self._advisories.get(other, {}).values()]
            trails = self._trails.get(row, {})
            verdict = decide(
                self._knowledge, self._table, row, time_s, view, partner, existing, trails=trails, beside=beside
            )
            self._trails[row] = verdict.trails
            changes += self._kept(verdict.changes)
        return changes

    def _note(self, symptom: Symptom, detector: str) -> None:
        standing = self._standing.setdefault(symptom.axle, {})
        known = standing.get(symptom.key)
        if symptom.active:
            raised_s = symptom.time_s if known is None else known.raised_s
            standing[symptom.key] = Standing(symptom, raised_s, detector)
        elif known is not None:
            del standing[symptom.key]

    def _view(self, row: int, moment: Moment, time_s: float) -> AxleView:
        seen = [keys for name, keys in moment.observable[row].items() if name != self._left_out]
        standing = self._standing.setdefault(row, {})
        return AxleView(standing, frozenset().union(*seen), faulty_channels(standing), time_s=time_s)

    def _kept(self, changes: list[Change]) -> list[Change]:
        for advisory, _ in changes:
            own = self._advisories.setdefault(advisory.row, {})
            if advisory.open:
                own[advisory.id] = advisory
            else:
                own.pop(advisory.id, None)
        return changes
