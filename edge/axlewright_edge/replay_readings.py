"""What a replay sends: a table of windows, or a raw waveform that becomes windows on the way."""

from __future__ import annotations

import csv
from collections.abc import Callable, Collection, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Protocol

from axlewright_edge.describing import Subject, check_window, last_end_s, tell, window_of
from axlewright_edge.errors import SourceError, TableError
from axlewright_edge.replay_doubts import Doubts
from axlewright_edge.sources.recording_settings import KINDS, WaveformForm
from axlewright_edge.sources.replay import read_table
from axlewright_edge.sources.waveform_form import read_recording
from axlewright_models.wire.frames import Window

Progress = Callable[[float], None]
# No recording of raw samples has these columns, and no table of windows is without all of them.
TABLE_COLUMNS = ("vehicle", "axle", "time_ms")
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class Readings(Protocol):
    """Windows of one truck or many, in the order of time."""

    @property
    def name(self) -> str:
        """The file, for errors."""

    def windows(self, vehicles: Collection[str], progress: Progress | None = None) -> Iterator[tuple[str, Window]]:
        """Yield (vehicle, window) of all vehicles, or of those named; `progress` is told the share that is read."""

    def last_s(self) -> float | None:
        """Return the time of the last window, of whatever vehicle; None when there is none. [Unix s]"""


class TableReadings:
    """The windows of a table in the replay table form, read as a stream."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._doubts = Doubts()

    @property
    def name(self) -> str:
        """The file, for errors."""
        return str(self._path)

    def windows(self, vehicles: Collection[str], progress: Progress | None = None) -> Iterator[tuple[str, Window]]:
        """Yield (vehicle, window)."""
        self._doubts = Doubts()
        for vehicle, window in read_table(self._path, vehicles, progress):
            self._doubts.see(window)
            yield vehicle, window

    def doubts(self) -> list[str]:
        """Return what looks wrong in the windows that were read last, a line for each channel."""
        return self._doubts.lines(self.name)

    def last_s(self) -> float | None:
        """Return the time of the last window; reads the whole table."""
        return max((window.time_s for _, window in read_table(self._path)), default=None)


class WaveformReadings:
    """The windows that a truck would have made of a recorded waveform, each computed when it is asked for.

    Parameters
    ----------
    path : Path
        WAV, CSV, NPY, MAT or Parquet; read whole.
    form : WaveformForm
        How to understand it.
    subject : Subject
        What was recorded.
    vehicle : str
        Whose axle it is.
    begin : datetime or None
        When the recording began; None where only the distances in time count.
    window_s : float
        Length of a window. [s]
    name : callable
        Turns a key of the form into the option that a person knows it by, for errors.

    Raises
    ------
    SourceError
        The file cannot be read, does not hold what the form says, or the window makes no sense.
    """

    def __init__(
        self,
        path: Path,
        form: WaveformForm,
        subject: Subject,
        vehicle: str,
        begin: datetime | None = None,
        window_s: float = 10.0,
        name: Callable[[str], str] = str,
    ) -> None:
        self._path = path
        self._recorded = read_recording(path, form, name)
        check_window(self._recorded, window_s)
        self._subject = subject
        self._vehicle = vehicle
        self._begin = _EPOCH if begin is None else begin
        self._window_s = window_s
        told = (self._recorded.turns, self._recorded.shaft_speed, self._recorded.road_speed)
        self.shaft_known = any(column is not None for column in told)

    @property
    def name(self) -> str:
        """The file, for errors."""
        return str(self._path)

    def windows(self, vehicles: Collection[str], progress: Progress | None = None) -> Iterator[tuple[str, Window]]:
        """Yield (vehicle, window)."""
        if vehicles and self._vehicle not in vehicles:
            return
        for told in tell(self._recorded, self._subject, self._window_s, decide=False):
            if progress is not None:
                progress(told.end_s / self._recorded.seconds)
            yield self._vehicle, window_of(told, self._subject.axle, self._begin)

    def last_s(self) -> float:
        """Return the time of the last window; computes none."""
        return self._begin.timestamp() + last_end_s(self._recorded, self._window_s)


def is_table(path: Path) -> bool:
    """Return whether a file is a table of windows; raw samples if not. Told by its ending and its columns.

    Raises
    ------
    SourceError
        It ends like neither, or its columns cannot be read.
    """
    kind = path.suffix.lower()
    if kind not in KINDS:
        raise SourceError(
            f"{path}: ends in {path.suffix!r}; a table of windows is a file .csv or .parquet, "
            f"a raw waveform {', '.join(KINDS)}"
        )
    if kind not in (".csv", ".parquet"):
        return False
    names = _csv_names(path) if kind == ".csv" else _parquet_names(path)
    # An empty file is refused as the table that it most likely was to be.
    return not names or any(name in TABLE_COLUMNS for name in names)


def _csv_names(path: Path) -> list[str]:
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            first = file.readline()
    except (OSError, UnicodeDecodeError) as error:
        raise TableError(f"{path}: cannot be read: {error}") from error
    separator = max(",;\t", key=first.count)
    return [cell.strip() for cell in next(csv.reader([first], delimiter=separator), [])]


def _parquet_names(path: Path) -> list[str]:
    try:
        from pyarrow import ArrowException  # type: ignore[import-untyped]  # pyarrow ships no types
        from pyarrow.parquet import read_schema  # type: ignore[import-untyped]  # pyarrow ships no types
    except ImportError as error:
        raise TableError(f"{path}: Parquet needs pyarrow (pip install pyarrow); or convert the file to CSV") from error
    try:
        return list(read_schema(path).names)
    except (OSError, ArrowException) as error:
        raise TableError(f"{path}: cannot be read: {error}") from error
