"""The one writer: messages in micro-batches, one transaction each, and only then acks, advisories and events."""

from __future__ import annotations

import logging
import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Any, TypeVar

from sqlalchemy.exc import SQLAlchemyError

from axlewright_models.shop.service import ServiceEvent
from axlewright_models.spec import FleetSpec
from axlewright_models.wire.messages import AdvisoryMessage
from axlewright_server.commit import Bundle, Committer, Gathered
from axlewright_server.detectors.sisters import FleetPrior
from axlewright_server.diagnosis.casebook import Found
from axlewright_server.diagnosis.knowledge import Knowledge
from axlewright_server.figures import Counters, Delays, IngestFigures
from axlewright_server.hub import Hub
from axlewright_server.ingest import Inbox, Message
from axlewright_server.intake import Intake, Item, Taken, quarantined
from axlewright_server.kernel import Change, Kernel, StepResult
from axlewright_server.publisher import Publisher
from axlewright_server.sequencer import Mark, Sequencer
from axlewright_server.settings import IngestSettings
from axlewright_server.store import Store, advisories, records, shop
from axlewright_server.upkeep import Upkeep

_LOG = logging.getLogger(__name__)
T = TypeVar("T")
_DATABASE_TROUBLE = (sqlite3.Error, SQLAlchemyError, OSError)
# After the data file has failed: long enough not to burn a core, short enough to be back soon.
_PAUSE_S = 1.0


@dataclass
class Writer:
    """What an action of :meth:`Pipeline.request` may use, inside its transaction."""

    store: Store
    kernel: Kernel
    now_s: float
    changes: list[Change]
    unsure_if_refused: bool = False  # the kernel has changed in a way that `changes` does not show

    def change_advisory(self, identifier: str, action: Callable[[Any], Change]) -> AdvisoryMessage:
        """Make a person's change of an advisory; it is published after the commit."""
        change = self.kernel.act(identifier, action)
        # Noted first: if the store refuses it, the kernel must be taken back to what is committed.
        self.changes.append(change)
        advisories.write_changes(self.store, [change])
        return change[0].message

    def record_finding(self, identifier: str, found: Found, text: str) -> AdvisoryMessage:
        """Take a technician's finding on an advisory and return the advisory that now holds it.

        The same finding once more changes nothing.

        Raises
        ------
        AdvisoryError
            No open advisory has this identifier.
        """
        changes = self.kernel.find(identifier, found, text)
        self.changes.extend(changes)
        if changes:
            shop.write_finding(self.store, found)
            advisories.write_changes(self.store, changes)
            # How long a cause has been trailing is kept with the axles.
            records.write_memory(self.store, found.vehicle, self.kernel.memory_of(found.vehicle))
        return self.kernel.heir(identifier).message

    def record_service(self, event: ServiceEvent, who: str, note: str) -> bool:
        """Take a repair: detectors begin afresh with what was touched; return whether it was not known yet."""
        if not shop.write_service(self.store, event, self.now_s, who, note):
            return False
        self.unsure_if_refused = True
        changes = self.kernel.service(event)
        self.changes.extend(changes)
        advisories.write_changes(self.store, changes)
        records.write_memory(self.store, event.vehicle, self.kernel.memory_of(event.vehicle))
        return True


class Pipeline:
    """Owns the store's writer, the kernel and the sequencer; everything that writes runs on its thread."""

    def __init__(
        self,
        spec: FleetSpec,
        store: Store,
        inbox: Inbox,
        hub: Hub,
        publisher: Publisher,
        settings: IngestSettings | None = None,
        upkeep: Upkeep | None = None,
        clock: Callable[[], float] = time.time,
        knowledge: Knowledge | None = None,
        prior: FleetPrior | None = None,
    ) -> None:
        self._settings = settings or IngestSettings()
        self._spec, self._store, self._inbox, self._hub = spec, store, inbox, hub
        self._publisher = publisher
        self._clock = clock
        self._committer = Committer(spec, store, knowledge, prior)
        self._intake = Intake(spec.fleet, spec.vehicles)
        self._sequencer: Sequencer[Item] = Sequencer(self._settings.hold_s, self._settings.hold_frames)
        self._upkeep = upkeep or Upkeep(store)
        self._counters, self._delays = Counters(), Delays()
        self._requests: deque[tuple[Callable[[Writer], Any], Future[Any]]] = deque()
        self._thinned: dict[tuple[str, str], int] = {}
        self._started_s = clock()
        self.trouble = ""
        self.last_turn_s = clock()
        self._unsure = False  # the kernel may be ahead of what is committed
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._rewind()

    @property
    def kernel(self) -> Kernel:
        """Return the kernel; only the pipeline's thread may step it."""
        return self._committer.kernel

    def _rewind(self) -> None:
        with self._store.transaction() as connection:
            marks = records.high_waters(connection)
        self._sequencer.load((one.vehicle, one.stream, Mark(one.seq, one.gaps)) for one in marks)
        self._thinned = {(one.vehicle, one.stream): one.thinned for one in marks}
        self._publisher.load((one.vehicle, one.stream) for one in reversed(marks))

    def start(self) -> None:
        """Begin to work on a thread of its own."""
        self._thread = threading.Thread(target=self._run, name="pipeline", daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float = 15.0) -> None:
        """Finish the batch at hand and stop; what still waits is left to the trucks' resend."""
        self._stopping.set()
        self._inbox.wake()
        if self._thread is not None:
            self._thread.join(timeout_s)
        while self._requests:
            self._requests.popleft()[1].cancel()

    @property
    def alive(self) -> bool:
        """Return whether the thread runs."""
        return self._thread is not None and self._thread.is_alive()

    def request(self, action: Callable[[Writer], T]) -> Future[T]:
        """Run an action on the writer's thread, in a transaction of its own, and return its future."""
        future: Future[T] = Future()
        if self._stopping.is_set():
            future.cancel()
            return future
        self._requests.append((action, future))
        self._inbox.wake()
        return future

    def figures(self, connected: bool = False, failed_callbacks: int = 0) -> IngestFigures:
        """Return the counts since the start and the state now."""
        counts, own, inbox = self._sequencer.snapshot(), self._counters, self._inbox
        return IngestFigures(
            received=inbox.received,
            received_bytes=inbox.received_bytes,
            committed=own.committed,
            duplicates=counts.duplicates,
            quarantined=dict(own.quarantined),
            gaps=counts.gaps,
            refused=counts.refused + counts.expired,
            overflow=inbox.overflow,
            out_of_order_rows=own.late_rows,
            rows=own.rows,
            batches=own.batches,
            symptoms=own.symptoms,
            failures=own.failures,
            queue_frames=len(inbox),
            queue_bytes=inbox.bytes_waiting,
            held_frames=self._sequencer.held,
            delay_p50_s=self._delays.percentile(0.5),
            delay_p99_s=self._delays.percentile(0.99),
            started_s=self._started_s,
            connected=connected,
            failed_callbacks=failed_callbacks,
        )

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                self.turn()
            except Exception as error:
                self._counters.failures += 1
                self._unsure = True
                self.trouble = f"{type(error).__name__}: {error}"
                _LOG.exception("the pipeline's turn failed; going on")
                self._stopping.wait(_PAUSE_S)

    def turn(self, wait_s: float = 0.25) -> int:
        """Do one turn of work and return the number of messages taken."""
        self.last_turn_s = self._clock()
        if self._unsure:
            self._recover()
        self._serve_requests()
        wait_s = 0.0 if self._upkeep.busy else wait_s
        messages = self._inbox.take(self._settings.batch_frames, wait_s, self._settings.batch_wait_s)
        taken = Taken()
        now_s = self._clock()
        for message in messages:
            self._intake.take(message, now_s, taken)
        items = self._sequence(taken, now_s)
        published = self._publisher.confirmed()
        if items or taken.quarantined or taken.statuses or taken.bursts or published:
            self._commit(items, taken, published)
        self._publisher.acknowledge(taken.heard, self._sequencer)
        self._publisher.flush(self._sequencer, idle=not len(self._inbox))
        self._republish()
        self._keep_up(now_s)
        return len(messages)

    def _sequence(self, taken: Taken, now_s: float) -> list[Item]:
        passed: list[Item] = []
        for item in taken.items:
            if item.quarantined is not None and not self._passed(item):
                taken.quarantined.append(item.quarantined)
            passed.extend(self._sequencer.offer(item, now_s))
        passed.extend(self._sequencer.expire(now_s))
        return passed

    def _passed(self, item: Item) -> bool:
        mark = self._sequencer.mark(item.vehicle, item.stream)
        return mark is not None and item.seq <= mark.seq

    def _commit(self, items: list[Item], taken: Taken, published: list[AdvisoryMessage]) -> None:
        bundle = Bundle(self._marks(items), taken.quarantined, taken.statuses, published, taken.bursts)
        gathered = self._committer.gather([item.decoded for item in items if item.decoded is not None])
        try:
            result = self._committer.commit(gathered, bundle)
        except _DATABASE_TROUBLE as error:
            self._failed(f"the data file cannot be written: {error}")
            # Not acknowledged: the trucks will send them again.
            taken.heard.clear()
            return
        except Exception as error:
            self._failed(f"a batch failed: {type(error).__name__}: {error}")
            _LOG.exception("a batch of %d frames failed; trying them one by one", len(items))
            self._one_by_one(items, taken)
            return
        self.trouble = ""
        self._done(items, gathered, result, bundle)

    def _failed(self, trouble: str) -> None:
        self._counters.failures += 1
        self.trouble = trouble
        _LOG.error("%s", trouble)
        self._unsure = True
        self._stopping.wait(_PAUSE_S)
        self._recover()

    def _recover(self) -> None:
        self._committer.restore()
        self._rewind()
        self._unsure = False

    def _one_by_one(self, items: list[Item], taken: Taken) -> None:
        """Commit frames singly and put the one that makes it fail in quarantine, so that it cannot stop the rest."""
        self._committer.commit(
            self._committer.gather([]),
            Bundle([], taken.quarantined, taken.statuses, [], taken.bursts),
        )
        for item in items:
            if self._sequencer.offer(item, self._clock()) != [item]:
                continue  # it had passed over a gap: left to the truck's resend
            bundle = Bundle(self._marks([item]))
            gathered = self._committer.gather([] if item.decoded is None else [item.decoded])
            try:
                result = self._committer.commit(gathered, bundle)
            except _DATABASE_TROUBLE:
                raise
            except Exception as error:
                self._committer.restore()
                reason = f"internal error while judging it: {type(error).__name__}: {error}"
                message = Message(item.topic, item.payload, item.arrived_s)
                bundle.quarantined.append(quarantined(message, self._clock(), "internal", reason))
                gathered = self._committer.gather([])
                result = self._committer.commit(gathered, bundle)
            self._done([item], gathered, result, bundle)

    def _marks(self, items: list[Item]) -> list[records.HighWater]:
        now_ms = round(self._clock() * 1000)
        for item in items:
            if item.thinned:
                key = (item.vehicle, item.stream)
                self._thinned[key] = self._thinned.get(key, 0) + item.thinned
        marks = []
        for vehicle, stream in {(item.vehicle, item.stream) for item in items}:
            mark = self._sequencer.mark(vehicle, stream)
            assert mark is not None  # it has just passed
            thinned = self._thinned.get((vehicle, stream), 0)
            marks.append(records.HighWater(vehicle, stream, mark.seq, now_ms, mark.gaps, thinned))
        return marks

    def _done(self, items: list[Item], gathered: Gathered, result: StepResult, bundle: Bundle) -> None:
        own, now_s = self._counters, self._clock()
        own.batches += 1
        own.committed += len(items)
        own.rows += len(gathered)
        own.symptoms += len(result.symptoms)
        own.late_rows += result.late
        own.quarantined.update(item.kind for item in bundle.quarantined)
        for item in items:
            self._delays.add(now_s - item.arrived_s)
        self._tell(gathered, result, bundle)

    def _tell(self, gathered: Gathered, result: StepResult, bundle: Bundle) -> None:
        self._publish_changes(result.changes)
        if self._hub.listeners == 0:
            return
        if len(gathered):
            vehicles = self.kernel.table.vehicles
            newest: dict[str, int] = {}
            for number, time_ms in zip(gathered.rows.vehicle.tolist(), gathered.time_ms.tolist(), strict=True):
                newest[vehicles[number]] = max(time_ms, newest.get(vehicles[number], 0))
            self._hub.publish("readings", {"vehicles": newest})
        for one in bundle.statuses:
            self._hub.publish("status", {"vehicle": one.vehicle, "online": one.status.online})
        for vehicle in {one.vehicle for one in bundle.bursts}:
            self._hub.publish("burst", {"vehicle": vehicle})

    def _publish_changes(self, changes: list[Change]) -> None:
        for message in {advisory.id: advisory.message for advisory, _ in changes}.values():
            self._publisher.advisory(message)
            self._hub.publish(
                "advisory",
                {
                    "id": message.id,
                    "vehicle": message.vehicle,
                    "axle": message.axle,
                    "state": message.state,
                    "urgency": message.urgency,
                    "cause": message.cause,
                    "title": message.title,
                },
            )

    def _serve_requests(self) -> None:
        while self._requests:
            action, future = self._requests.popleft()
            if not future.set_running_or_notify_cancel():
                continue
            writer = Writer(self._store, self.kernel, self._clock(), [])
            try:
                with self._store.transaction():
                    answer = action(writer)
            except Exception as error:
                self._unsure = (
                    self._unsure or bool(writer.changes) or writer.unsure_if_refused
                )  # the kernel has taken a change that is not kept
                future.set_exception(error)
                if self._unsure:
                    self._recover()
                continue
            self._publish_changes(writer.changes)
            future.set_result(answer)

    def _republish(self) -> None:
        if not self._publisher.wants_all():
            return
        with self._store.reader() as connection:
            known = {one.id: one for one in advisories.unpublished(connection)}
            known.update((one.id, one) for one in advisories.advisories(connection, limit=100_000))
        for message in known.values():
            self._publisher.advisory(message)

    def _keep_up(self, now_s: float) -> None:
        back = self.kernel.expire(now_s)
        if back:
            with self._store.transaction():
                advisories.write_changes(self._store, back)
            self._publish_changes(back)
        self._upkeep.step(now_s)
