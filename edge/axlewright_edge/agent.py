"""The agent: one truck's source, outbox and link, tied together."""

from __future__ import annotations

import logging
import threading
from collections import deque
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING

from axlewright_edge.bursts import Bursts
from axlewright_edge.clock import Clock, clock_is_set
from axlewright_edge.config import LONGEST_WINDOW_S, SHORTEST_WINDOW_S, AgentSettings
from axlewright_edge.errors import OutboxDamaged, OutboxError, SourceError
from axlewright_edge.guard_on_board import GuardOnBoard
from axlewright_edge.link import Link
from axlewright_edge.outbox import Outbox
from axlewright_edge.outbox_file import move_damaged
from axlewright_edge.repeats import Repeats
from axlewright_edge.sources.choose import make_source
from axlewright_edge.stamps import Stamps
from axlewright_models.errors import ModelError
from axlewright_models.wire.messages import Command, SourceHealth

if TYPE_CHECKING:
    from axlewright_edge.sources.base import Source
    from axlewright_models.wire.frames import Window

LOGGER = logging.getLogger(__name__)
READ_TIMEOUT_S = 0.5
MOST_AT_ONCE = 200
# A recorded source is read no further ahead than this: its readings are safe in their file.
MOST_READ_AHEAD = 2000
SOURCE_RETRY_S = 30.0
# Windows that cannot be written (a full disk) are held in memory: an hour of them at 10 s.
MOST_HELD = 360
RETRY_HELD_S = 5.0
MOST_COMMANDS_WAITING = 20
# A turn of the reading thread takes half a second; opening a long recording or a slow disk may take longer.
LONGEST_TURN_S = 60.0
HEALTH_EVERY_S = 1.0


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
        # What was recorded is sent as it was recorded.
        watched = settings.guard.enabled and not self.source.can_wait
        self.guard = GuardOnBoard(settings, self.source) if watched else None
        self.failure: ModelError | None = None
        self._commands: SimpleQueue[Command] = SimpleQueue()
        self._known: deque[str] = deque(maxlen=64)
        self._held: deque[Window] = deque()
        self._lost = 0
        self._refused_s = 0.0
        self._reading = True
        self._turned_s = clock.elapsed()
        self._health: tuple[SourceHealth, ...] = ()
        self._health_s = -HEALTH_EVERY_S
        self.outbox, note = open_outbox(settings)
        outbox_path = Path(settings.outbox.path)
        burst_path = outbox_path.with_name(f"{outbox_path.stem}-bursts.sqlite")
        try:
            self.bursts = Bursts(settings.bursts, burst_path, self.source, clock, lambda note: self.link.say(note))
            self.link = Link(
                settings.fleet,
                settings.vehicle,
                settings.broker,
                self.outbox,
                clock,
                self._take_command,
                health=lambda: self._health,
                limits=None if self.guard is None else self.guard.limits,
                advisories=None if self.guard is None else self.guard.advisories,
                bursts=self.bursts.flow,
            )
        except BaseException:
            self.outbox.close()
            raise
        if note:
            self.link.say(note)
        self._troubles = Repeats(LOGGER, settings.vehicle, clock.elapsed)
        self._disk_troubles = Repeats(LOGGER, settings.vehicle, clock.elapsed)
        self._stamps = Stamps(clock, self.outbox.last_time_s)
        self._thread = threading.Thread(target=self._run, name=f"agent {settings.vehicle}", daemon=True)

    @property
    def _kind(self) -> str:
        return str(self.settings.source.__struct_config__.tag)

    @property
    def all_sent(self) -> bool:
        """Whether the source has ended, the office has acknowledged all that it gave, and the broker has the bursts."""
        return not self._reading and not self._held and self.outbox.queued == 0 and self.bursts.box.waiting == 0

    @property
    def alive(self) -> bool:
        """Whether its threads run and the reading one has turned lately: what a watchdog wants to know."""
        turning = self._clock.elapsed() - self._turned_s < LONGEST_TURN_S
        return turning and self._thread.is_alive() and self.link.alive

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
        if self.guard is not None:
            self.guard.stop()
        if self._held or self._lost:
            LOGGER.error("%s: %d windows are lost with this end", self.settings.vehicle, len(self._held) + self._lost)
        self.outbox.close()
        self.bursts.close()

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                self._read_source()
                break
            except ModelError as error:
                self._troubles.trouble(f"source: {error}", logging.ERROR)
                self._source_failed(str(error))
                if self.source.can_wait:
                    self.failure = error
                    break
            except Exception:
                LOGGER.exception("%s: the source failed", self.settings.vehicle)
                self._source_failed("failed, trying again")
            finally:
                self.source.close()
            self._wait(SOURCE_RETRY_S)
        self._reading = False
        while not self._stop.wait(READ_TIMEOUT_S):
            self._turn_come_what_may()

    def _wait(self, seconds: float) -> None:
        until_s = self._clock.elapsed() + seconds
        while self._clock.elapsed() < until_s and not self._stop.wait(min(seconds, READ_TIMEOUT_S)):
            self._turn_come_what_may()

    def _turn_come_what_may(self) -> None:
        # Outside of the reading nobody catches: the thread would end, and a source that recovers have no reader.
        try:
            self._turn()
        except Exception:
            LOGGER.exception("%s: a turn failed", self.settings.vehicle)

    def _turn(self) -> None:
        """Do what must be done whether or not the source gives anything."""
        self._turned_s = self._clock.elapsed()
        if self.outbox.damaged:
            self._start_afresh()
        self._tend_clock()
        if self._held and self._turned_s - self._refused_s >= RETRY_HELD_S:
            self._store([])
        self._obey()

    def _start_afresh(self) -> None:
        try:
            aside = self.outbox.start_afresh()
        except (OutboxError, OSError) as error:
            LOGGER.error("%s: the outbox is damaged and no new one can be made: %s", self.settings.vehicle, error)
            return
        LOGGER.error("%s: the outbox was damaged; moved to %s", self.settings.vehicle, aside)
        self.link.say(f"outbox damaged, moved to {aside.name}; a new stream begins")

    def _tend_clock(self) -> None:
        if not self.outbox.has_undated or not clock_is_set(self._clock):
            return
        try:
            count = self.outbox.date_frames(self._clock.now() - self._clock.elapsed())
        except OutboxError as error:
            LOGGER.error("%s: frames taken before the clock was set wait on: %s", self.settings.vehicle, error)
            return
        if count:
            self._stamps = Stamps(self._clock, self.outbox.last_time_s)
            LOGGER.warning("%s: the clock is set; %d frames were stamped after the fact", self.settings.vehicle, count)
            self.link.say(f"clock set: {count} frames stamped after the fact")

    def _source_failed(self, reason: str) -> None:
        self._health = (SourceHealth(name=self._kind, state="failed", note=reason),)
        self.link.say(f"source: {reason}")

    def _ask_health(self) -> None:
        now_s = self._clock.elapsed()
        if now_s - self._health_s < HEALTH_EVERY_S:
            return
        self._health_s = now_s
        ask = getattr(self.source, "health", None)
        self._health = tuple(ask()) if ask is not None else (SourceHealth(name=self._kind, state="ok"),)
        if self.guard is not None:
            self._health += (self.guard.health(),)

    def _read_source(self) -> None:
        self.source.open(self.outbox.last_time_s)
        while not self._stop.is_set() and not self.source.finished:
            self._turn()
            self._ask_health()
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
            if window is not None:
                self._troubles.over("source: can be read again")
            while window is not None:
                windows.append(window if self.guard is None else self.guard.watch(window))
                self.bursts.watch(window)
                window = self.source.read(0.0) if len(windows) < most else None
        finally:
            # A source that fails in the middle has given what it gave before.
            self._store(windows)

    def _store(self, windows: list[Window]) -> None:
        if not self.source.can_wait:
            windows = [self._stamps.next(window) for window in windows]
        self._held.extend(windows)
        if not self._held:
            return
        try:
            self.outbox.put(list(self._held), self._lost)
            self._held.clear()
            self._lost = 0
            self._disk_troubles.over("windows are stored again")
        except OutboxError as error:
            self._refused_s = self._clock.elapsed()
            # A full disk: the newest wait in memory; what is lost is counted and told once there is room again.
            while len(self._held) > MOST_HELD:
                self._held.popleft()
                self._lost += 1
            if windows:
                waiting = f"{len(self._held)} windows wait in memory, {self._lost} lost: {error}"
                self._disk_troubles.trouble(waiting, logging.ERROR)
                self.link.say(waiting)

    def _take_command(self, command: Command) -> None:
        """Called in the link's thread; at QoS 1 a command may come twice, and is answered once."""
        if command.id in self._known:
            return
        self._known.append(command.id)
        if self._commands.qsize() >= MOST_COMMANDS_WAITING:
            self.link.say(f"command {command.id}: refused, {MOST_COMMANDS_WAITING} others wait; send it again later")
        else:
            self._commands.put(command)

    def _obey(self) -> None:
        try:
            while True:
                command = self._commands.get_nowait()
                self.link.say(f"command {command.id}: {self._safe_answer(command)}")
        except Empty:
            return

    def _safe_answer(self, command: Command) -> str:
        try:
            return self._answer(command)
        except Exception as error:
            # A command that goes wrong must not cost the windows of a source that is well.
            LOGGER.exception("%s: command %s failed", self.settings.vehicle, command.id)
            return f"refused, an error of this program: {error!r}"

    def _answer(self, command: Command) -> str:
        if command.expires_s is not None and command.expires_s < self._clock.now():
            return "refused, it has expired"
        if command.action == "capture-burst":
            return self.bursts.answer(command)
        if not SHORTEST_WINDOW_S <= command.seconds <= LONGEST_WINDOW_S:
            return f"refused, a window is {SHORTEST_WINDOW_S:g} to {LONGEST_WINDOW_S:g} s, not {command.seconds:g}"
        if not self._reading:
            return "refused, the source has ended"
        try:
            self.source.set_window(command.seconds)
        except SourceError as error:
            return f"refused, {error}"
        return f"window set to {command.seconds:g} s"
