"""Recorded readings sent to an office: one outbox and one link for each truck in them."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Collection
from dataclasses import dataclass, replace
from enum import Enum
from pathlib import Path

from axlewright_edge.clock import Clock
from axlewright_edge.config import BrokerSettings
from axlewright_edge.errors import SourceError
from axlewright_edge.link import Link
from axlewright_edge.outbox import Outbox
from axlewright_edge.replay_readings import Readings
from axlewright_edge.sources.replay import Pace
from axlewright_models.wire.frames import Window
from axlewright_models.wire.messages import Command

# So many trucks are named in a hint.
NAMED = 5
BATCH = 200
MOST_WAITING = 1000
POLL_S = 0.05
SHIFT_FILE = "shift.json"


class Shift(Enum):
    """What becomes of the recorded times."""

    RECORDED = "recorded"
    END_NOW = "end-now"


@dataclass(frozen=True)
class ReplayFigures:
    """Frames stored in the outboxes since the start, acknowledged, and set aside."""

    put: int
    acked: int
    set_aside: int


class _Truck:
    """One truck's outbox and link."""

    def __init__(self, fleet: str, vehicle: str, broker: BrokerSettings, folder: Path, clock: Clock) -> None:
        self.outbox = Outbox(folder / f"{vehicle}.sqlite", f"{fleet}/{vehicle}")
        try:
            self.link = Link(fleet, vehicle, broker, self.outbox, clock, self._refuse)
        except BaseException:
            self.outbox.close()
            raise
        self.after_s = self.outbox.last_time_s
        self.put = self.outbox.queued
        self.waiting: list[Window] = []
        self.link.start()

    def add(self, window: Window) -> None:
        """Take a window, unless an earlier run took it."""
        if self.after_s is None or window.time_s > self.after_s:
            self.waiting.append(window)
            if len(self.waiting) >= BATCH:
                self.flush()

    def flush(self) -> None:
        """Put what was taken on disk."""
        if self.waiting:
            self.outbox.put(self.waiting)
            self.put += len(self.waiting)
            self.waiting = []

    def _refuse(self, command: Command) -> None:
        self.link.say(f"command {command.id}: refused, a replay obeys none")


class Replay:
    """Sends recorded readings.

    Parameters
    ----------
    fleet : str
        Fleet to send as.
    broker : BrokerSettings
        Where to.
    folder : Path
        Holds the outboxes; with the same folder a stopped replay goes on where it was.
    clock : Clock
        Paces the replay.
    stop : Event
        Ends it early.
    """

    def __init__(self, fleet: str, broker: BrokerSettings, folder: Path, clock: Clock, stop: threading.Event) -> None:
        self._fleet = fleet
        self._broker = broker
        self._folder = folder
        self._clock = clock
        self._stop = stop
        self._trucks: dict[str, _Truck] = {}
        self._final: ReplayFigures | None = None
        self._hints: list[str] = []

    def send(
        self,
        readings: Readings,
        *,
        vehicles: Collection[str] = (),
        speed: float = 0.0,
        shift: Shift = Shift.RECORDED,
        patience_s: float = 120.0,
        progress: Callable[[float], None] = lambda share: None,
    ) -> bool:
        """Send all of them; return whether the office committed every frame.

        Raises
        ------
        EdgeError
            They are wrong, hold none of the vehicles, or an outbox cannot be used.
        """
        try:
            shift_s = self._shift_s(readings, shift)
            self._read(readings, frozenset(vehicles), Pace(speed, self._clock), shift_s, progress)
            return self._wait_until(0, patience_s, lambda: progress(1.0))
        finally:
            # Before the links say goodbye: what they suffer from is known now.
            self._hints = self.hints()
            self._close()

    def figures(self) -> ReplayFigures:
        """Return how far the replay is."""
        if self._final is not None:
            return self._final
        trucks = list(self._trucks.values())
        figures = [truck.outbox.figures() for truck in trucks]
        put, queued = sum(truck.put for truck in trucks), sum(one.queued for one in figures)
        aside = sum(one.set_aside for one in figures)
        return ReplayFigures(put, max(0, put - queued - aside), aside)

    def report(self) -> str:
        """Return one line that says how it went."""
        figures = self.figures()
        text = f"{figures.acked} of {figures.put} frames of {len(self._trucks)} trucks committed by the office"
        return f"{text}; {figures.set_aside} set aside" if figures.set_aside else text

    def hints(self) -> list[str]:
        """Return, of each truck whose frames still wait, why that may be and what to do; the same is said once."""
        if self._final is not None:
            return self._hints
        silent = sorted(name for name, truck in self._trucks.items() if truck.outbox.queued)
        troubles: dict[str, list[str]] = {}
        for name in silent:
            troubles.setdefault(self._trucks[name].link.trouble, []).append(name)
        hints = []
        for trouble, names in troubles.items():
            who = f"{', '.join(names[:NAMED])}{f' and {len(names) - NAMED} more' if len(names) > NAMED else ''}"
            if trouble:
                hints.append(f"{who}: {trouble}")
            else:
                these = "this truck" if len(names) == 1 else "these trucks"
                hints.append(
                    f"{who}: the broker is there, but no office acknowledges: is an office running on it, is its fleet "
                    f"{self._fleet!r}, and does its fleet file hold {these}? "
                    "Its page 'Intake' lists what it refused, and why"
                )
        return hints

    def _read(
        self,
        readings: Readings,
        vehicles: frozenset[str],
        pace: Pace,
        shift_s: float,
        progress: Callable[[float], None],
    ) -> None:
        share = [0.0]
        for vehicle, window in readings.windows(vehicles, lambda now: share.__setitem__(0, now)):
            if self._wait(pace, window.time_s, lambda: progress(share[0])):
                return
            truck = self._trucks.get(vehicle)
            if truck is None:
                truck = self._trucks[vehicle] = _Truck(self._fleet, vehicle, self._broker, self._folder, self._clock)
            truck.add(replace(window, time_s=window.time_s + shift_s))
            if truck.outbox.queued >= MOST_WAITING:
                self._wait_until(MOST_WAITING // 2, float("inf"), lambda: progress(share[0]))
        missing = sorted(vehicles - self._trucks.keys())
        if missing or not self._trucks:
            raise SourceError(f"{readings.name}: holds no row of {', '.join(missing) or 'any vehicle'}")
        self._flush()

    def _wait(self, pace: Pace, time_s: float, tell: Callable[[], None]) -> bool:
        """Wait until a window is due; return whether to stop."""
        while (ahead_s := pace.ahead(time_s)) > 0.0 and not self._stop.is_set():
            self._flush()
            tell()
            self._stop.wait(min(ahead_s, POLL_S))
        return self._stop.is_set()

    def _wait_until(self, waiting: int, patience_s: float, tell: Callable[[], None]) -> bool:
        """Wait until no truck has more than so many frames left; False when told to stop or nothing moves."""
        self._flush()
        moved_s, last = self._clock.elapsed(), -1
        while max((truck.outbox.queued for truck in self._trucks.values()), default=0) > waiting:
            done = self.figures().acked
            if done != last:
                moved_s, last = self._clock.elapsed(), done
            tell()
            if self._stop.wait(POLL_S) or self._clock.elapsed() - moved_s > patience_s:
                return False
        tell()
        return not self._stop.is_set() and self.figures().set_aside == 0

    def _flush(self) -> None:
        for truck in self._trucks.values():
            truck.flush()

    def _shift_s(self, readings: Readings, shift: Shift) -> float:
        """Return what is added to every time; kept in the folder, so that a replay that goes on keeps its times."""
        if shift is Shift.RECORDED:
            return 0.0
        file = self._folder / SHIFT_FILE
        if file.exists():
            try:
                return float(json.loads(file.read_text(encoding="utf-8"))["shift_s"])
            except (ValueError, KeyError, TypeError) as error:
                raise SourceError(f"{file}: is damaged ({error}); remove the folder to begin anew") from error
        last_s = readings.last_s()
        if last_s is None:
            raise SourceError(f"{readings.name}: holds no row of any vehicle")
        shift_s = self._clock.now() - last_s
        self._folder.mkdir(parents=True, exist_ok=True)
        file.write_text(json.dumps({"shift_s": shift_s}), encoding="utf-8")
        return shift_s

    def _close(self) -> None:
        enders = [threading.Thread(target=truck.link.stop, name="stop") for truck in self._trucks.values()]
        for ender in enders:
            ender.start()
        for ender in enders:
            ender.join()
        self._final = self.figures()
        for truck in self._trucks.values():
            truck.outbox.close()
