"""The kernel: readings in, symptoms and advisory changes out. The same code live, in backtests and in evaluation."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import msgspec
import numpy as np
from numpy.typing import NDArray

from axlewright_models.spec import FleetSpec
from axlewright_server.advisories import Advisory, AdvisoryError, Change, expire_shelf
from axlewright_server.detectors.base import Detector, State, Symptom
from axlewright_server.detectors.batch import Batch, Rows, rounds, rows_of
from axlewright_server.detectors.table import AxleTable

__all__ = [
    "AxleTable",
    "Batch",
    "Change",
    "Detector",
    "Kernel",
    "Rows",
    "StepResult",
    "Symptom",
    "rounds",
    "rows_of",
]


@dataclass(frozen=True)
class StepResult:
    """What a step has brought about.

    ``symptoms``: transitions, in order. ``changes``: advisories as they now are, each with the record of its change,
    in order (an advisory can occur more than once). ``late``: rows left out because their axle had already been
    judged at that time or later.
    """

    symptoms: list[Symptom] = field(default_factory=list)
    changes: list[Change] = field(default_factory=list)
    late: int = 0


class Kernel:
    """Detectors, diagnosis and advisories of one fleet, with their state.

    Results depend only on each vehicle's rows in time order: not on how rows are batched, nor on the order of vehicles.
    Not for use by two threads at once.
    """

    def __init__(self, spec: FleetSpec, detectors: Sequence[Detector] | None = None) -> None:
        self.spec = spec
        self.table = AxleTable.of(spec)
        self._detectors: tuple[Detector, ...] = tuple(detectors if detectors is not None else ())
        self._states: list[State] = [detector.start(self.table) for detector in self._detectors]
        self._last_s: NDArray[np.float64] = np.full(len(self.table), -np.inf)
        self._advisories: dict[str, Advisory] = {}

    @property
    def advisories(self) -> Mapping[str, Advisory]:
        """Return the advisories that are not closed, by identifier."""
        return self._advisories

    def run(self, rows: Rows) -> StepResult:
        """Return what these rows bring about: :func:`rounds`, then :meth:`step` on each batch."""
        total = StepResult()
        late = 0
        for batch in rounds(self.table, rows):
            result = self.step(batch)
            total.symptoms.extend(result.symptoms)
            total.changes.extend(result.changes)
            late += result.late
        return dataclasses.replace(total, late=late)

    def step(self, batch: Batch) -> StepResult:
        """Return what one batch brings about: detectors, then diagnosis, then advisories."""
        fresh = np.flatnonzero(batch.time_s > self._last_s[batch.axles])
        late = len(batch) - len(fresh)
        if late:
            batch = batch.take(fresh)
        self._last_s[batch.axles] = batch.time_s
        return StepResult(late=late)

    def state_blob(self, axle_row: int) -> bytes:
        """Return everything that the kernel remembers of an axle, except its advisories."""
        return msgspec.msgpack.encode({"last_s": float(self._last_s[axle_row])})

    def load_state(self, axle_row: int, blob: bytes) -> None:
        """Take up what :meth:`state_blob` gave; what a newer version can't read starts afresh."""
        self._last_s[axle_row] = float(msgspec.msgpack.decode(blob)["last_s"])

    def load_advisories(self, advisories: Iterable[Advisory]) -> None:
        """Take up stored advisories; closed ones are passed over."""
        self._advisories.update({advisory.id: advisory for advisory in advisories if advisory.open})

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
        try:
            advisory = self._advisories[identifier]
        except KeyError:
            raise AdvisoryError(f"no open advisory {identifier!r}; it may have been closed") from None
        change = action(advisory)
        self._keep(change[0])
        return change

    def expire(self, now_s: float) -> list[Change]:
        """Return the advisories whose time on the shelf has run out by this wall time, back in their own state."""
        changes = [expire_shelf(advisory, now_s) for advisory in self._advisories.values()]
        kept = [change for change in changes if change is not None]
        for advisory, _ in kept:
            self._keep(advisory)
        return kept

    def _keep(self, advisory: Advisory) -> None:
        if advisory.open:
            self._advisories[advisory.id] = advisory
        else:
            self._advisories.pop(advisory.id, None)
