"""One source among several, read in a thread of its own: slow or broken, it holds nobody up and is tried again."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable

from axlewright_edge.backoff import Backoff
from axlewright_edge.clock import Clock
from axlewright_edge.errors import SourceError
from axlewright_edge.repeats import Repeats
from axlewright_edge.sources.blocks import Block, BlockSource
from axlewright_models.wire.messages import SourceHealth

LOGGER = logging.getLogger(__name__)
READ_TIMEOUT_S = 0.25
# A sensor that hangs on a loose plug is tried again soon; a source that is gone is not asked more than twice a minute.
FIRST_RETRY_S = 1.0
LONGEST_RETRY_S = 30.0
CLOSE_WITHIN_S = 3.0
MOST_AHEAD_S = 2.0
HEALTH_EVERY_S = 1.0
# A source answers within its timeout; one that has not for so long hangs in its driver. Own choice.
HANGS_AFTER_S = 10.0
NOTE_LENGTH = 400


class Part:
    """Reads one block source until told to stop.

    Parameters
    ----------
    source : BlockSource
        Opened, read and closed in the part's own thread.
    take : callable
        Gets every block that is not empty; returns how far the block runs ahead of the clock. [s]
    clock : Clock
        Tells when a source hangs.
    backoff : Backoff, optional
        Waits between attempts.
    """

    def __init__(
        self, source: BlockSource, take: Callable[[Block], float], clock: Clock, backoff: Backoff | None = None
    ) -> None:
        self.source = source
        self._take = take
        self._clock = clock
        self._said: SourceHealth | None = None
        self._said_s = self._turned_s = 0.0
        self._troubles = Repeats(LOGGER, source.name, clock.elapsed)
        self._backoff = backoff or Backoff(FIRST_RETRY_S, LONGEST_RETRY_S)
        self._failure = ""
        self._stands = False
        self._thread: threading.Thread | None = None
        # A source that hung and came back after all must not be read twice at a time.
        self._one_at_a_time = threading.Lock()
        self._stop = threading.Event()
        self.finished = False

    @property
    def name(self) -> str:
        """What the source is called."""
        return self.source.name

    def start(self) -> None:
        """Begin to read."""
        self._stop = threading.Event()
        self.finished = False
        self._failure = ""
        self._turned_s = self._clock.elapsed()
        self._thread = threading.Thread(target=self._run, args=(self._stop,), name=f"source {self.name}", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Tell the thread to end; :meth:`join` waits for it."""
        self._stop.set()

    def join(self) -> None:
        """Wait for the thread; one that hangs in its driver is left behind."""
        if self._thread is not None:
            self._thread.join(CLOSE_WITHIN_S)
            if self._thread.is_alive():
                LOGGER.warning("%s: does not end, left behind", self.name)
            self._thread = None

    def health(self) -> SourceHealth:
        """Return how the source is doing, in its own words of a moment ago while it stands; any thread may ask."""
        if self._failure:
            return SourceHealth(name=self.name, state="failed", note=self._failure[:NOTE_LENGTH])
        if self.finished:
            return SourceHealth(name=self.name, state="ok", note="has ended")
        silent_s = self._clock.elapsed() - self._turned_s
        if self._thread is not None and silent_s > HANGS_AFTER_S:
            return SourceHealth(name=self.name, state="failed", note=f"has not answered for {silent_s:.0f} s")
        said = self._said
        if not self._stands or said is None:
            return SourceHealth(name=self.name, state="stale", note="is being opened")
        return SourceHealth(name=said.name, state=said.state, note=said.note[:NOTE_LENGTH])

    def _run(self, stop: threading.Event) -> None:
        with self._one_at_a_time:
            while not stop.is_set() and not self.finished:
                try:
                    self._read(stop)
                except SourceError as error:
                    self._troubles.trouble(str(error))
                    self._failure = str(error)
                except Exception as error:
                    # A driver's own mistake must not end the reading of the other sources.
                    LOGGER.exception("%s: failed", self.name)
                    self._failure = f"failed: {error!r}"
                finally:
                    self._stands = False
                    self._close()
                if self._failure:
                    stop.wait(self._backoff.next())

    def _read(self, stop: threading.Event) -> None:
        self._turned_s = self._clock.elapsed()
        self.source.open()
        self._said, self._stands = self.source.health(), True
        while not stop.is_set():
            block = self.source.read(READ_TIMEOUT_S)
            self._tell_health()
            # Only a source that can be read is mended, not one that can be opened.
            self._failure = ""
            self._troubles.over("can be read again")
            if block.values or block.pieces:
                self._backoff.reset()
                self._keep_pace(self._take(block), stop)
            elif self.source.finished:
                self.finished = True
                return

    def _tell_health(self) -> None:
        # Asked for here, in the one thread that the source knows.
        self._turned_s = self._clock.elapsed()
        if self._turned_s - self._said_s >= HEALTH_EVERY_S:
            self._said_s = self._turned_s
            self._said = self.source.health()

    def _keep_pace(self, ahead_s: float, stop: threading.Event) -> None:
        """Wait where a recording is handed out faster than life: windows are those of the clock."""
        if ahead_s > MOST_AHEAD_S:
            stop.wait(ahead_s - MOST_AHEAD_S)

    def _close(self) -> None:
        try:
            self.source.close()
        except Exception:
            LOGGER.exception("%s: could not be closed", self.name)
