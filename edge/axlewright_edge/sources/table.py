"""The replay table form, whatever file it lies in: rows of (vehicle, axle, time) become windows.

A table holds one row per axle and window, sorted by time; axle 0 is the vehicle itself. Reading is a stream: memory
does not grow with the file.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from axlewright_edge.errors import TableError
from axlewright_models.signals import CHANNELS, Channel, Scope
from axlewright_models.wire.frames import Window
from axlewright_models.wire.topics import is_identifier

KEY_COLUMNS = ("time", "time_ms", "vehicle", "axle")
MOST_AXLES = 99
_EXTRA_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")
_BY_NAME: dict[str, Channel] = {channel.name: channel for channel in CHANNELS}


@dataclass(frozen=True)
class Row:
    """One row: where it stands, whose it is, and what it holds (missing values left out)."""

    line: int
    time_s: float
    vehicle: str
    axle: int
    values: dict[str, float]


@dataclass(frozen=True)
class Layout:
    """The columns of one table: where the keys are, and which columns hold channels."""

    time: int
    time_is_ms: bool
    vehicle: int
    axle: int
    channels: tuple[tuple[int, str], ...]


def layout(names: list[str], where: str) -> Layout:
    """Return what the header says.

    Raises
    ------
    TableError
        A key column is missing, a name is doubled or cannot be a channel.
    """
    doubled = {name for name in names if names.count(name) > 1}
    if doubled:
        raise TableError(f"{where}: column {sorted(doubled)[0]!r} is there twice; keep one")
    if ("time" in names) == ("time_ms" in names):
        raise TableError(
            f'{where}: needs a column "time" (ISO 8601, UTC) or "time_ms" (Unix milliseconds), one of them'
        )
    for key in ("vehicle", "axle"):
        if key not in names:
            raise TableError(f"{where}: column {key!r} is missing; the columns are {', '.join(names)}")
    channels = [(index, name) for index, name in enumerate(names) if name not in KEY_COLUMNS]
    for _, name in channels:
        if not _EXTRA_NAME.fullmatch(name):
            raise TableError(f"{where}: column {name!r} cannot be a channel; use letters, digits and - : . / _")
    # What the office computes itself (a table that it exported) is not a reading.
    channels = [(index, name) for index, name in channels if not (name in _BY_NAME and _BY_NAME[name].derived)]
    time_is_ms = "time_ms" in names
    time = names.index("time_ms" if time_is_ms else "time")
    return Layout(time, time_is_ms, names.index("vehicle"), names.index("axle"), tuple(channels))


def check_place(path: Path, line: int, vehicle: str, axle: int, values: Iterable[str]) -> None:
    """Raise when a row's keys are wrong or a value stands on the wrong row.

    Raises
    ------
    TableError
        With file, line and column.
    """
    if not is_identifier(vehicle):
        raise TableError(f'{path}:{line}: vehicle: {vehicle!r} is no vehicle; use 1 to 64 of a-z, 0-9 and "-"')
    if not 0 <= axle <= MOST_AXLES:
        raise TableError(f"{path}:{line}: axle: is {axle}; use 0 for the vehicle itself, 1 to {MOST_AXLES} for an axle")
    for name in values:
        channel = _BY_NAME.get(name)
        if channel is None:
            continue
        if channel.scope is Scope.VEHICLE and axle != 0:
            raise TableError(f"{path}:{line}: {name}: belongs to the vehicle; move it to the row with axle 0")
        if channel.scope is Scope.AXLE and axle == 0:
            raise TableError(f"{path}:{line}: {name}: belongs to an axle; move it to the row of that axle")


def number(text: str, name: str, path: Path, line: int) -> float:
    """Return the value of one cell; NaN when it is empty. A channel that speaks in words may be given in words.

    Raises
    ------
    TableError
        The cell holds no number.
    """
    text = text.strip()
    if not text:
        return math.nan
    try:
        value = float(text)
    except ValueError:
        words = _BY_NAME[name].words if name in _BY_NAME else ()
        if text in words:
            return float(words.index(text))
        allowed = f" or one of {', '.join(words)}" if words else ""
        raise TableError(f"{path}:{line}: {name}: {text!r} is no number{allowed}") from None
    if math.isinf(value):
        raise TableError(f"{path}:{line}: {name}: {text!r} is not finite; leave the cell empty when it is missing")
    return value


def windows(rows: Iterable[Row], path: Path, wanted: Callable[[str], bool]) -> Iterator[tuple[str, Window]]:
    """Join rows of one vehicle and time to windows, in the order of time.

    Raises
    ------
    TableError
        The rows are not sorted by time, or one is there twice.
    """
    group: dict[str, dict[int, dict[str, float]]] = {}
    time_s = -math.inf
    for row in rows:
        if row.time_s < time_s:
            raise TableError(
                f"{path}:{row.line}: time: lies {time_s - row.time_s:g} s before the row above; sort the table by time"
            )
        if row.time_s > time_s:
            yield from _windows_of(group, time_s)
            group, time_s = {}, row.time_s
        if not wanted(row.vehicle):
            continue
        places = group.setdefault(row.vehicle, {})
        if row.axle in places:
            raise TableError(
                f"{path}:{row.line}: axle: vehicle {row.vehicle}, axle {row.axle} is there twice at this time; keep one"
            )
        places[row.axle] = row.values
    yield from _windows_of(group, time_s)


def _windows_of(group: dict[str, dict[int, dict[str, float]]], time_s: float) -> Iterator[tuple[str, Window]]:
    for vehicle, places in group.items():
        axles = {axle: values for axle, values in sorted(places.items()) if axle and values}
        window = Window(time_s, places.get(0, {}), axles)
        if window.vehicle or window.axles:
            yield vehicle, window
