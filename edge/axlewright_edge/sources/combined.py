"""Several sensor sources as one: the truck's bus, its own sensors and recordings, windowed by one clock.

Each source is read in a thread of its own. Windows are closed by the clock, whatever a source does; the vibration
channels are computed beside that, so that a window is at most a part of its own length late, and a burst can be cut
from what was recorded lately.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

from axlewright_edge.clock import Clock
from axlewright_edge.config import LONGEST_WITH_WAVEFORMS_S
from axlewright_edge.errors import SourceError
from axlewright_edge.features import Waveform, waveform_features
from axlewright_edge.sources.blocks import Block, BlockSource, Piece
from axlewright_edge.sources.heard import Latest
from axlewright_edge.sources.part import Part
from axlewright_edge.sources.window_maker import Made, WindowMaker
from axlewright_edge.sources.window_queue import Features, WindowQueue
from axlewright_models.spec import VehicleSpec
from axlewright_models.wire.frames import Window
from axlewright_models.wire.messages import SourceHealth

if TYPE_CHECKING:
    from axlewright_edge.sources.j1939.dm1 import Lamps, TroubleCode

# Values that a driver still holds when a window ends: several times the time between two transfers. Own choice.
GRACE_S = 0.3
# A window waits no longer than this part of its own length for its vibration channels.
LATEST_SHARE = 0.8
# A truck that sleeps (parking brake set, ignition off or its bus asleep) says so, and then speaks this often.
ASLEEP_EVERY_S = 600.0
# Further behind than this, windows are not made up for. Own choice.
LONGEST_CATCH_UP_S = 120.0
POLL_S = 0.05
LONGEST_NAP_S = 0.5


class CombinedSource:
    """Windows of several block sources.

    Parameters
    ----------
    sources : sequence of BlockSource
        The first one has the word where two send the same.
    clock : Clock
        The one clock of all.
    wait : callable
        Waits for some seconds, or less when the agent must stop.
    vehicle : VehicleSpec
        The truck.
    window_s : float
        Length of a window. [s]
    overlap : float
        Share of a window that it has in common with the next one, 0 to 0.9.
    recent_s : float
        How much of the raw waveforms is kept for bursts. [s]
    stale_s, full_scale : mapping
        As :class:`~axlewright_edge.sources.window_maker.WindowMaker` takes them.
    features : callable
        Makes the ``vib/`` channels of one waveform.
    """

    can_wait = False

    def __init__(
        self,
        sources: Sequence[BlockSource],
        clock: Clock,
        wait: Callable[[float], object],
        vehicle: VehicleSpec,
        window_s: float,
        *,
        overlap: float = 0.0,
        recent_s: float = 20.0,
        stale_s: Mapping[str, float] | None = None,
        full_scale: Mapping[str, float] | None = None,
        features: Features = waveform_features,
    ) -> None:
        if not sources:
            raise SourceError("no source is named; a combined source needs one or more")
        self._clock = clock
        self._wait = wait
        self._vehicle = vehicle
        self._window_s = window_s
        self._overlap = overlap
        self._recent_s = recent_s
        self._lock = threading.Lock()
        self._maker = WindowMaker(vehicle, stale_s or {}, full_scale or {})
        self._parts = [Part(source, self._taker(number), clock) for number, source in enumerate(sources)]
        self._newest_s: dict[int, float] = {}
        self._queue = WindowQueue(vehicle, features, clock)
        self._running = False
        self._asleep = False
        self._told_s = -math.inf
        self._begin_s = self._closed_s = self._end_s = 0.0

    @property
    def finished(self) -> bool:
        """Whether all sources have ended and all windows are handed out."""
        return all(part.finished for part in self._parts) and not self._queue and self._end_s > self._last_s()

    def open(self, after_s: float | None = None) -> None:
        """Begin to read; a source that cannot be opened is tried again, and the others go on meanwhile.

        What lies before now cannot be read any more, so `after_s` needs no care.
        """
        self.close()
        self._begin_s = self._closed_s = self._clock.elapsed()
        self._end_s = self._next_end(self._begin_s)
        self._newest_s = {}
        self._running = True
        self._queue.start()
        for part in self._parts:
            part.start()

    def read(self, timeout_s: float) -> Window | None:
        """Return the next window once it has ended and its vibration is known, or will not be in time."""
        left_s = timeout_s
        while True:
            self._close_windows()
            window = self._first_done()
            if window is not None or left_s <= 0.0 or self.finished:
                return window
            nap_s = min(left_s, self._nap_s())
            left_s -= nap_s
            self._wait(nap_s)

    def set_window(self, seconds: float) -> None:
        """Change the length of the windows to come.

        Raises
        ------
        SourceError
            The raw waveforms of so long a window would fill a small gateway's memory.
        """
        if seconds > LONGEST_WITH_WAVEFORMS_S and self.waveform_axles():
            raise SourceError(f"with accelerometers a window has at most {LONGEST_WITH_WAVEFORMS_S:g} s")
        self._window_s = seconds
        self._end_s = self._next_end(self._closed_s + 0.5 * self._step_s)

    def close(self) -> None:
        """Let go of all sources; windows that were not read are dropped."""
        self._running = False
        for part in self._parts:
            part.stop()
        for part in self._parts:
            part.join()
        self._queue.stop()

    def health(self) -> list[SourceHealth]:
        """Return how every source is doing, and whether the gateway keeps up with the vibration."""
        found = [part.health() for part in self._parts]
        complaint = self._queue.complaint()
        return found if complaint is None else [*found, complaint]

    def announce(self, lamps: Lamps, codes: Sequence[TroubleCode]) -> None:
        """Tell trouble codes on every vehicle bus that is allowed to carry them."""
        for part in self._parts:
            announce: Callable[[Lamps, Sequence[TroubleCode]], None] | None = getattr(part.source, "announce", None)
            if announce is not None:
                announce(lamps, codes)

    def latest(self) -> list[Latest]:
        """Return the newest value of every channel of every source."""
        with self._lock:
            return self._maker.latest(self._clock.elapsed())

    def newest_pieces(self) -> dict[str, Piece]:
        """Return each sensor's newest piece of waveform."""
        with self._lock:
            return self._maker.newest_pieces()

    def recent(self, axle: int, seconds: float) -> list[Piece]:
        """Return the raw pieces of an axle's accelerometers, and of the tacho, of the last so many seconds."""
        now_s = self._clock.elapsed()
        with self._lock:
            return self._maker.recent(axle, now_s - seconds, now_s)

    def waveform_axles(self) -> list[int]:
        """Return the axles with an accelerometer."""
        with self._lock:
            return self._maker.waveform_axles()

    def waveform(self, axle: int, seconds: float) -> Waveform | None:
        """Return an axle's newest raw waveform, at most so long; None when nothing was recorded."""
        end_s = self._clock.elapsed() - GRACE_S
        begin_s = max(end_s - min(seconds, self._recent_s), self._begin_s)
        with self._lock:
            return self._maker.waveform(axle, begin_s, end_s)

    def names(self) -> list[str]:
        """Return what the sources are called, in order."""
        return [part.name for part in self._parts]

    @property
    def _step_s(self) -> float:
        return self._window_s * (1.0 - self._overlap)

    def _nap_s(self) -> float:
        """Return how long nothing can be ready: nobody is woken for nothing on a small gateway."""
        if self._queue:
            return POLL_S
        return min(max(self._end_s + GRACE_S - self._clock.elapsed(), POLL_S), LONGEST_NAP_S)

    def _taker(self, number: int) -> Callable[[Block], float]:
        def take(block: Block) -> float:
            ends = [sample.elapsed_s for sample in block.values]
            ends += [piece.elapsed_s + piece.samples.size / piece.rate_hz for piece in block.pieces]
            with self._lock:
                self._maker.add(number, block)
                self._newest_s[number] = max(self._newest_s.get(number, -math.inf), *ends)
            return self._newest_s[number] - self._clock.elapsed()

        return take

    def _close_windows(self) -> None:
        """Close every window that has ended by the clock."""
        behind_s = self._clock.elapsed() - GRACE_S - self._end_s
        if behind_s > LONGEST_CATCH_UP_S + 2.0 * self._window_s:
            # The gateway slept: there is nothing to tell of that time.
            self._end_s = self._next_end(self._clock.elapsed() - GRACE_S - self._step_s)
        while self._running and self._ended(self._end_s):
            end_s = self._end_s
            begin_s, self._closed_s = self._begin_of(end_s), end_s
            # The Unix clock may have been slewed since: half a step on, the next multiple is surely the next one.
            self._end_s = self._next_end(end_s + 0.5 * self._step_s)
            with self._lock:
                made = self._maker.make(begin_s, end_s)
                kept_s = self._window_s + self._step_s + GRACE_S
                # Speeds as long as waveforms: a burst without the shaft's turns is hard to read.
                oldest_s = end_s - max(kept_s, self._recent_s)
                self._maker.forget(oldest_s, oldest_s)
            self._queue.put(made, end_s + GRACE_S + LATEST_SHARE * self._step_s)

    def _begin_of(self, end_s: float) -> float:
        """Return where a window begins: as far back as it is long, or where the one before it ended."""
        since_s = end_s - self._closed_s
        # After a step of the Unix clock or a new length the next whole multiple may lie half a window too far off.
        length_s = since_s if self._window_s < since_s <= 1.5 * self._window_s + GRACE_S else self._window_s
        # Nothing was read before the source was opened: the first window is shorter.
        return max(end_s - length_s, self._begin_s)

    def _ended(self, end_s: float) -> bool:
        if self._clock.elapsed() >= end_s + GRACE_S:
            return end_s <= self._last_s() if all(part.finished for part in self._parts) else True
        return False

    def _last_s(self) -> float:
        with self._lock:
            return max(self._newest_s.values(), default=-math.inf)

    def _next_end(self, after_s: float) -> float:
        """Return the next end, on a whole multiple of the step by the Unix clock, so that windows of trucks agree."""
        unix_s = self._clock.now() - self._clock.elapsed()
        return (math.floor((after_s + unix_s) / self._step_s) + 1.0) * self._step_s - unix_s

    def _first_done(self) -> Window | None:
        """Return the first window that is ready, if it says anything."""
        while (made := self._queue.next()) is not None:
            if made.values and self._is_worth_telling(made):
                return self._window(made)
        return None

    def _is_worth_telling(self, made: Made) -> bool:
        vehicle, was_asleep = made.values.get(0, {}), self._asleep
        self._asleep = vehicle.get("parked", 0.0) > 0.5 and not vehicle.get("ignition", 0.0) > 0.5
        if self._asleep and was_asleep and made.end_s - self._told_s < ASLEEP_EVERY_S - 0.5 * self._step_s:
            return False
        self._told_s = made.end_s
        return True

    def _window(self, made: Made) -> Window:
        # The Unix time of the end is decided now: whatever steps the clock made before, this is the best known.
        time_s = round(self._clock.now() - (self._clock.elapsed() - made.end_s), 3)
        axles = {axle: values for axle, values in sorted(made.values.items()) if axle}
        return Window(time_s, made.values.get(0, {}), axles)
