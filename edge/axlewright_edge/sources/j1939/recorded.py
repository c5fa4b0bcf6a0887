"""A recorded bus: candump in both forms, ASC, BLF, TRC, CSV and MF4, at the pace of the recording or another."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from axlewright_edge.clock import Clock
from axlewright_edge.errors import SourceError
from axlewright_edge.sources.j1939.candump import looks_like_candump, read_candump
from axlewright_edge.sources.j1939.frames import NEEDS, BusFrame
from axlewright_edge.sources.j1939.settings import J1939Settings

KINDS = (".log", ".txt", ".asc", ".blf", ".trc", ".csv", ".mf4")
MOST_AT_ONCE = 2000


class RecordedFeed:
    """Frames of a recording; their times count from the moment at which it was opened.

    Parameters
    ----------
    settings : J1939Settings
        `file`, and `speed`: 0 reads as fast as it is asked to; the times of frames are those of the recording then,
        and run ahead of the clock.
    clock : Clock
        Sets the pace.
    wait : callable
        Waits for some seconds.
    """

    lost = 0
    unsent = ""

    def __init__(self, settings: J1939Settings, clock: Clock, wait: Callable[[float], object] = time.sleep) -> None:
        self._path = Path(settings.file)
        self._speed = settings.speed
        self._clock = clock
        self._wait = wait
        self._frames: Iterator[BusFrame] | None = None
        self._next: BusFrame | None = None
        # What is wrong with the file after the frames handed out: those before it are of use, and come once.
        self._fault: SourceError | None = None
        self.finished = False

    def open(self) -> None:
        """Open the file and look at its first frame.

        Raises
        ------
        SourceError
            It cannot be read, or what reads it is not installed; or it was found damaged when it was read before.
        """
        if self._fault is not None:
            raise self._fault
        self._frames = _frames(self._path)
        self._begin_s = self._clock.elapsed()
        self.finished = False
        self._advance()

    def read(self, timeout_s: float) -> list[BusFrame]:
        """Return the frames whose time has come.

        Raises
        ------
        SourceError
            The file is damaged from here on.
        """
        if self._next is None:
            if self._fault is not None:
                raise self._fault
            return []
        if self._speed:
            ahead_s = self._next.elapsed_s / self._speed - (self._clock.elapsed() - self._begin_s)
            if ahead_s > 0.0:
                self._wait(min(timeout_s, ahead_s))
        due_s = (self._clock.elapsed() - self._begin_s) * self._speed if self._speed else float("inf")
        frames: list[BusFrame] = []
        scale = 1.0 / self._speed if self._speed else 1.0
        while self._next is not None and self._next.elapsed_s <= due_s and len(frames) < MOST_AT_ONCE:
            frame = self._next
            frames.append(BusFrame(self._begin_s + frame.elapsed_s * scale, frame.number, frame.extended, frame.data))
            self._next = None
            try:
                self._advance()
            except SourceError as error:
                self._fault = error
        return frames

    def close(self) -> None:
        """Close the file."""
        self._frames = None
        self._next = None

    def _advance(self) -> None:
        assert self._frames is not None
        self._next = next(self._frames, None)
        self.finished = self._next is None


def _frames(path: Path) -> Iterator[BusFrame]:
    """Yield the frames of a file; the first one's time is 0, and none is earlier than the one before."""
    kind = path.suffix.lower()
    if kind not in KINDS:
        raise SourceError(f"{path}: the ending must be one of {', '.join(KINDS)}")
    if kind in (".log", ".txt") and looks_like_candump(_first_line(path)):
        yield from _in_order(read_candump(path))
        return
    yield from _in_order(_from_python_can(path, ".log" if kind == ".txt" else kind))


def _in_order(frames: Iterator[BusFrame]) -> Iterator[BusFrame]:
    latest_s = 0.0
    for frame in frames:
        latest_s = max(latest_s, frame.elapsed_s)
        yield BusFrame(latest_s, frame.number, frame.extended, frame.data)


def _first_line(path: Path) -> str:
    try:
        with path.open(encoding="utf-8", errors="replace") as file:
            return next((line.rstrip() for line in file if line.strip()), "")
    except OSError as error:
        raise SourceError(f"{path}: cannot be read: {error}") from error


def _from_python_can(path: Path, kind: str) -> Iterator[BusFrame]:
    try:
        from can.io.player import MESSAGE_READERS
    except ModuleNotFoundError as error:
        raise SourceError(f"reading a vehicle bus needs {error.name!r}; {NEEDS}") from error
    begin_s: float | None = None
    try:
        # Any: python-can's readers share no constructor; each takes a file.
        make: Any = MESSAGE_READERS[kind]
        with ExitStack() as opened:
            # python-can's BLF reader leaves the file open when it meets no BLF.
            file = opened.enter_context(path.open("rb")) if kind == ".blf" else str(path)
            reader = opened.enter_context(make(file))
            for message in reader:
                begin_s = message.timestamp if begin_s is None else begin_s
                if message.is_error_frame or message.is_remote_frame:
                    continue
                yield BusFrame(
                    message.timestamp - begin_s, message.arbitration_id, message.is_extended_id, bytes(message.data)
                )
    except (NotImplementedError, ImportError) as error:
        raise SourceError(f"{path}: reading {kind} needs asammdf; pip install 'axlewright[mf4]'") from error
    except OSError as error:
        raise SourceError(f"{path}: cannot be read: {error}") from error
    except Exception as error:
        # The readers meet damage with whatever their parsing trips over.
        raise SourceError(f"{path}: is damaged or no {kind} file: {type(error).__name__}: {error}") from error
