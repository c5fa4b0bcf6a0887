"""What each detector is worth: the same symptoms decided on once more, with those of one detector left out.

The other detectors run as they ran. Only one thing is not undone: learning paused while the dropped symptom stood.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from axlewright_models.spec import FleetSpec
from axlewright_server import lifetime
from axlewright_server.advisories import Advisory, Change
from axlewright_server.detectors.base import Symptom
from axlewright_server.detectors.table import AxleTable
from axlewright_server.diagnosis.decide import decide
from axlewright_server.diagnosis.facts import Knowledge
from axlewright_server.diagnosis.knowledge import load_knowledge
from axlewright_server.diagnosis.picture import AxleView, Standing, faulty_channels
from axlewright_server.evaluation.alerts import AlertBook
from axlewright_server.evaluation.record import Alert
from axlewright_server.evaluation.watch import Moment


def without(
    fleet: FleetSpec, moments: Sequence[Moment], detector: str, knowledge: Knowledge | None = None
) -> tuple[Alert, ...]:
    """Return the alerts as they would have been without a detector's symptoms ("" leaves out none)."""
    again = _Decisions(AxleTable.of(fleet), load_knowledge() if knowledge is None else knowledge, detector)
    book = AlertBook()
    for moment in moments:
        book.take(again.take(moment))
    return book.alerts()


def detectors_of(moments: Iterable[Moment]) -> tuple[str, ...]:
    """Return the names of the detectors that ever raised a symptom."""
    return tuple(sorted({name for moment in moments for name in moment.detectors if name}))


class _Decisions:
    """The kernel's diagnosis without its detectors."""

    def __init__(self, table: AxleTable, knowledge: Knowledge, left_out: str) -> None:
        self._table, self._knowledge, self._left_out = table, knowledge, left_out
        self._standing: dict[int, dict[str, Standing]] = {}
        self._advisories: dict[int, dict[str, Advisory]] = {}

    def take(self, moment: Moment) -> list[Change]:
        """Return the changes of one moment."""
        concerned: dict[int, float] = {}
        for symptom, detector in zip(moment.symptoms, moment.detectors, strict=True):
            if detector != self._left_out:
                self._note(symptom, detector)
                concerned[int(self._table.vehicle[symptom.axle])] = symptom.time_s
        changes: list[Change] = []
        for vehicle in sorted(concerned):
            changes += self._judge(vehicle, concerned[vehicle], moment)
        return changes

    def _judge(self, vehicle: int, time_s: float, moment: Moment) -> list[Change]:
        first, count = int(self._table.first[vehicle]), int(self._table.count[vehicle])
        views = {row: self._view(row, moment) for row in range(first, first + count)}
        changes: list[Change] = []
        for row, view in views.items():
            for old in list(self._advisories.get(row, {}).values()):
                changes += self._kept(lifetime.run_out(old, time_s))
            existing = [*self._advisories.get(row, {}).values()]
            if not (view.standing or existing):
                continue
            partner = views.get(int(self._table.partner[row]))
            verdict = decide(self._knowledge, self._table, row, time_s, view, partner, existing)
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

    def _view(self, row: int, moment: Moment) -> AxleView:
        seen = [keys for name, keys in moment.observable[row].items() if name != self._left_out]
        standing = self._standing.setdefault(row, {})
        return AxleView(standing, frozenset().union(*seen), faulty_channels(standing))

    def _kept(self, changes: list[Change]) -> list[Change]:
        for advisory, _ in changes:
            own = self._advisories.setdefault(advisory.row, {})
            if advisory.open:
                own[advisory.id] = advisory
            else:
                own.pop(advisory.id, None)
        return changes
