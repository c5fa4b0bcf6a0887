"""Recorded readings, handed out again: at the pace in which they were taken, faster, or as fast as they can be sent."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from pathlib import Path

from axlewright_edge.clock import Clock
from axlewright_edge.errors import SourceError, TableError
from axlewright_edge.sources.table import Row, windows
from axlewright_edge.sources.table_csv import csv_rows
from axlewright_edge.sources.table_parquet import parquet_rows
from axlewright_models.wire.frames import Window

Progress = Callable[[float], None]
_READERS: dict[str, Callable[[Path, Progress | None], Iterator[Row]]] = {".csv": csv_rows, ".parquet": parquet_rows}


def read_table(
    path: Path, vehicles: Collection[str] = (), progress: Progress | None = None
) -> Iterator[tuple[str, Window]]:
    """Yield (vehicle, window) of a table in the order of time; all vehicles, or those named.

    Raises
    ------
    TableError
        The file is wrong; the text holds line and column.
    """
    reader = _READERS.get(path.suffix.lower())
    if reader is None:
        raise TableError(f"{path}: ends in {path.suffix!r}; a table is a file .csv or .parquet")
    return windows(reader(path, progress), path, lambda vehicle: not vehicles or vehicle in vehicles)


class Pace:
    """Tells how long to wait so that recorded times pass `speed` times as fast as they did; 0 means never wait.

    Examples
    --------
    >>> from axlewright_edge.clock import ManualClock
    >>> clock = ManualClock(1.8e9)
    >>> pace = Pace(speed=10.0, clock=clock)
    >>> pace.ahead(1.7e9), pace.ahead(1.7e9 + 60.0)
    (0.0, 6.0)
    """

    def __init__(self, speed: float, clock: Clock) -> None:
        self._speed = speed
        self._clock = clock
        self._begin: tuple[float, float] | None = None

    def ahead(self, time_s: float) -> float:
        """Return how long the clock must still run before `time_s` is due. [s]"""
        if self._speed == 0.0:
            return 0.0
        if self._begin is None:
            self._begin = (time_s, self._clock.elapsed())
        first_s, begun_s = self._begin
        return max(0.0, (time_s - first_s) / self._speed - (self._clock.elapsed() - begun_s))


class ReplaySource:
    """One vehicle's windows out of a table.

    Parameters
    ----------
    path : Path
        CSV or Parquet.
    vehicle : str
        Whose rows to read.
    speed : float
        1 is real time, 0 as fast as possible.
    clock : Clock
        Paces the replay.
    wait : callable
        Waits for some seconds, or less when the agent must stop.
    """

    can_wait = True

    def __init__(self, path: Path, vehicle: str, speed: float, clock: Clock, wait: Callable[[float], object]) -> None:
        self._path = path
        self._vehicle = vehicle
        self._pace = Pace(speed, clock)
        self._wait = wait
        self._stream: Iterator[tuple[str, Window]] | None = None
        self._next: Window | None = None
        # What is wrong with the row after the window that is due: that window is handed out first.
        self._fault: TableError | None = None
        self.finished = False

    def open(self, after_s: float | None = None) -> None:
        """Go to the first window after `after_s`."""
        self._stream = read_table(self._path, {self._vehicle})
        self._fault = None
        first = self._take()
        if first is None and self._fault is None:
            raise SourceError(f"{self._path}: holds no row of vehicle {self._vehicle}")
        while first is not None and after_s is not None and first.time_s <= after_s:
            first = self._take()
        self._next = first
        self.finished = first is None and self._fault is None

    def read(self, timeout_s: float) -> Window | None:
        """Return the next window when it is due."""
        if self._next is None:
            if self._fault is not None:
                raise self._fault
            return None
        ahead_s = self._pace.ahead(self._next.time_s)
        if ahead_s > 0.0:
            self._wait(min(ahead_s, timeout_s))
            if self._pace.ahead(self._next.time_s) > 0.0:
                return None
        window, self._next = self._next, self._take()
        self.finished = self._next is None and self._fault is None
        return window

    def set_window(self, seconds: float) -> None:
        """Refuse: what was recorded has the windows it has."""
        raise SourceError(f"windows of {seconds:g} s are not possible; a replay keeps the windows it was recorded with")

    def close(self) -> None:
        """Let go of the file."""
        self._stream = None
        self._next = None

    def _take(self) -> Window | None:
        if self._stream is None:
            return None
        try:
            entry = next(self._stream, None)
        except TableError as error:
            self._fault = error
            return None
        return None if entry is None else entry[1]
