"""Windows that wait for their vibration channels, which a thread of their own computes: no window waits for long."""

from __future__ import annotations

import logging
import math
import threading
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from axlewright_edge.clock import Clock
from axlewright_edge.features import Waveform
from axlewright_edge.sources.window_maker import Made
from axlewright_models.errors import ModelError
from axlewright_models.spec import VehicleSpec
from axlewright_models.wire.messages import SourceHealth

LOGGER = logging.getLogger(__name__)
# The vibration of so many windows may wait; if the gateway is too slow for more, windows go without.
MOST_WAITING = 3
# That the gateway was too slow is told for so long. Own choice.
TOLD_S = 600.0
IDLE_S = 0.5

Features = Callable[[Waveform, VehicleSpec], Mapping[str, float]]


@dataclass(eq=False)
class _Job:
    """A window whose vibration is being computed."""

    made: Made
    due_s: float
    done: threading.Event = field(default_factory=threading.Event)


class WindowQueue:
    """Hands windows on in order, each with its vibration channels or, when these are late, without.

    Parameters
    ----------
    vehicle : VehicleSpec
        The truck.
    features : callable
        Makes the ``vib/`` channels of one waveform.
    clock : Clock
        Tells what is late.
    """

    def __init__(self, vehicle: VehicleSpec, features: Features, clock: Clock) -> None:
        self._vehicle = vehicle
        self._features = features
        self._clock = clock
        self._jobs: deque[_Job] = deque()
        self._change = threading.Condition()
        self._worker: threading.Thread | None = None
        self._running = False
        self._late = 0
        self._late_s = -math.inf

    def __len__(self) -> int:
        return len(self._jobs)

    def start(self) -> None:
        """Begin to compute."""
        self._running = True
        self._worker = threading.Thread(target=self._compute, name="vibration", daemon=True)
        self._worker.start()

    def stop(self) -> None:
        """End; what waits is dropped."""
        with self._change:
            self._running = False
            self._jobs.clear()
            self._change.notify_all()
        if self._worker is not None:
            self._worker.join()
            self._worker = None

    def put(self, made: Made, due_s: float) -> None:
        """Take a window that waits until `due_s` at most, on the steady clock."""
        job = _Job(made, due_s)
        if not made.waveforms:
            job.done.set()
        with self._change:
            self._jobs.append(job)
            self._change.notify_all()

    def next(self) -> Made | None:
        """Return the first window if it need not wait any more."""
        with self._change:
            if not self._jobs:
                return None
            job = self._jobs[0]
            late = not job.done.is_set()
            if late and self._clock.elapsed() < job.due_s and len(self._jobs) <= MOST_WAITING:
                return None
            self._jobs.popleft()
            if late:
                self._late += 1
                self._late_s = self._clock.elapsed()
            return job.made

    def complaint(self) -> SourceHealth | None:
        """Return that windows went without vibration lately, if so."""
        if self._clock.elapsed() - self._late_s >= TOLD_S:
            return None
        note = f"{self._late} windows went without vibration channels: the gateway is too slow for the rate"
        return SourceHealth(name="vibration", state="stale", note=note)

    def _compute(self) -> None:
        while self._running:
            with self._change:
                job = next((job for job in self._jobs if not job.done.is_set()), None)
                if job is None:
                    self._change.wait(IDLE_S)
                    continue
            found = [(waveform.axle, self._told(waveform)) for waveform in job.made.waveforms]
            with self._change:
                # A window that did not wait has left, and is not changed behind anybody's back.
                for axle, told in found if job in self._jobs else ():
                    if told:
                        job.made.values.setdefault(axle, {}).update(told)
                job.done.set()

    def _told(self, waveform: Waveform) -> Mapping[str, float]:
        try:
            return self._features(waveform, self._vehicle)
        except ModelError as error:
            LOGGER.warning("axle %d: no vibration channels: %s", waveform.axle, error)
        except Exception:
            # A window without vibration is worth more than no window.
            LOGGER.exception("axle %d: no vibration channels", waveform.axle)
        return {}
