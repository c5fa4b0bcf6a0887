"""The agent: one truck's source, outbox and link, tied together."""

from __future__ import annotations

import logging
import threading
from collections import deque
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING

from axlewright_edge.clock import Clock
from axlewright_edge.config import LONGEST_WINDOW_S, SHORTEST_WINDOW_S, AgentSettings
from axlewright_edge.errors import OutboxDamaged, OutboxError, SourceError
from axlewright_edge.link import Link
from axlewright_edge.outbox import Outbox
from axlewright_edge.outbox_file import move_damaged
from axlewright_edge.sources.choose import make_source
from axlewright_models.errors import ModelError
from axlewright_models.wire.messages import Command

if TYPE_CHECKING:
    from axlewright_edge.sources.base import Source
    from axlewright_models.wire.frames import Window

LOGGER = logging.getLogger(__name__)
READ_TIMEOUT_S = 0.5
MOST_AT_ONCE = 200
# A recorded source is read no further ahead than this: its readings are safe in their file.
MOST_READ_AHEAD = 2000
SOURCE_RETRY_S = 30.0


def open_outbox(settings: AgentSettings) -> tuple[Outbox, str]:
    """Return a truck's outbox, and a note when a damaged one had to be moved away: nobody is there to do it by hand.

    Raises
    ------
    OutboxError
        It cannot be opened for another reason.
    """
    path, owner = Path(settings.outbox.path), f"{settings.fleet}/{settings.vehicle}"
    try:
        return Outbox(path, owner, settings.outbox.bounds), ""
    except OutboxDamaged as error:
        aside = move_damaged(path)
        LOGGER.error("%s; moved to %s, a new stream begins", error, aside)
        return Outbox(
            path, owner, settings.outbox.bounds
        ), f"outbox damaged, moved to {aside.name}; a new stream begins"


class Agent:
    """Reads a source into the outbox, and sends the outbox to the office, until it is stopped.

    Parameters
    ----------
    settings : AgentSettings
        From the agent file.
    clock : Clock
        The truck's clock.
    source : Source, optional
        Instead of the one that the settings name.

    Raises
    ------
    EdgeError
        The outbox or the link cannot be made.
    """

    def __init__(self, settings: AgentSettings, clock: Clock, source: Source | None = None) -> None:
        self.settings = settings
        self._clock = clock
        self._stop = threading.Event()
        self.source = source if source is not None else make_source(settings, clock, self._stop.wait)
        self.failure: ModelError | None = None
        self._commands: SimpleQueue[Command] = SimpleQueue()
        self._known: deque[str] = deque(maxlen=64)
        self._lost = 0
        self._reading = True
        self.outbox, note = open_outbox(settings)
        try:
            self.link = Link(settings.fleet, settings.vehicle, settings.broker, self.outbox, clock, self._commands.put)
        except BaseException:
            self.outbox.close()
            raise
        if note:
            self.link.say(note)
        self._thread = threading.Thread(target=self._run, name=f"agent {settings.vehicle}", daemon=True)

    @property
    def all_sent(self) -> bool:
        """Whether the source has ended and the office has acknowledged all that it gave."""
        return not self._reading and self.outbox.queued == 0

    def start(self) -> None:
        """Begin to read and to send."""
        self.link.start()
        self._thread.start()

    def stop(self, timeout_s: float = 15.0) -> None:
        """End in order: source, link, outbox. What is not acknowledged stays for the next time."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        self.link.stop(timeout_s)
        self.outbox.close()

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                self._read_source()
                break
            except ModelError as error:
                LOGGER.error("%s: %s", self.settings.vehicle, error)
                self.link.say(f"source: {error}")
                if self.source.can_wait:
                    self.failure = error
                    break
            except Exception:
                LOGGER.exception("%s: the source failed", self.settings.vehicle)
                self.link.say("source: failed, trying again")
            finally:
                self.source.close()
            self._stop.wait(SOURCE_RETRY_S)
        self._reading = False
        while not self._stop.wait(READ_TIMEOUT_S):
            self._obey()

    def _read_source(self) -> None:
        self.source.open(self.outbox.last_time_s)
        while not self._stop.is_set() and not self.source.finished:
            self._obey()
            if self.source.can_wait and self.outbox.queued >= self._read_ahead():
                self._stop.wait(0.05)
                continue
            self._gather()

    def _read_ahead(self) -> int:
        return max(1, min(MOST_READ_AHEAD, self.settings.outbox.max_frames // 2))

    def _gather(self) -> None:
        """Store the windows that are ready now: one commit is enough for all of them."""
        windows: list[Window] = []
        most = min(MOST_AT_ONCE, self._read_ahead())
        try:
            window = self.source.read(READ_TIMEOUT_S)
            while window is not None:
                windows.append(window)
                window = self.source.read(0.0) if len(windows) < most else None
        finally:
            # A source that fails in the middle has given what it gave before.
            self._store(windows)

    def _store(self, windows: list[Window]) -> None:
        if not windows:
            return
        try:
            self.outbox.put(windows, self._lost)
            self._lost = 0
        except OutboxError as error:
            # A full disk: nothing can be kept, but what is lost is counted and told once there is room again.
            self._lost += len(windows)
            LOGGER.error("%s: %d windows lost: %s", self.settings.vehicle, len(windows), error)
            self.link.say(f"{self._lost} windows lost: {error}")

    def _obey(self) -> None:
        try:
            while True:
                command = self._commands.get_nowait()
                # At QoS 1 a command may come twice.
                if command.id not in self._known:
                    self._known.append(command.id)
                    self.link.say(f"command {command.id}: {self._answer(command)}")
        except Empty:
            return

    def _answer(self, command: Command) -> str:
        if command.expires_s is not None and command.expires_s < self._clock.now():
            return "refused, it has expired"
        if command.action != "set-window":
            return f"refused, {command.action} is not possible with this source"
        if not SHORTEST_WINDOW_S <= command.seconds <= LONGEST_WINDOW_S:
            return f"refused, a window is {SHORTEST_WINDOW_S:g} to {LONGEST_WINDOW_S:g} s, not {command.seconds:g}"
        if not self._reading:
            return "refused, the source has ended"
        try:
            self.source.set_window(command.seconds)
        except SourceError as error:
            return f"refused, {error}"
        return f"window set to {command.seconds:g} s"
