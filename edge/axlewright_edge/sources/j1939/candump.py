"""Reads candump's screen form with time stamps (``candump -t a``, ``-t A``, ``-t d``, ``-t z``).

Its log form (``candump -l``) is python-can's own. The screen form looks like this::

    (1436509052.249713)  can0  18FEF909   [8]  FF 10 FF 87 FF FF FF FF
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from axlewright_edge.errors import SourceError
from axlewright_edge.sources.j1939.frames import BusFrame

_LINE = re.compile(
    r"\s*\((?P<time>[-0-9.:+ ]+)\)\s+(?P<channel>\S+)\s+(?:[RT]X\s+\S+\s+\S+\s+)?"
    r"(?P<number>[0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})\s+\[(?P<length>\d+)\](?P<rest>.*)"
)
_BYTES = re.compile(r"(?:\s+[0-9A-Fa-f]{2}(?![0-9A-Fa-f]))*")
LOOK_AHEAD = 2000


def read_candump(path: Path) -> Iterator[BusFrame]:
    """Yield the frames of a file, with the time since its first one.

    Differences (``-t d``) are told from running times by the first lines: running times never fall.

    Raises
    ------
    SourceError
        The file cannot be read, or a line is none of this form or has no time stamp; the text holds its number.
    """
    differences = _holds_differences(path)
    begin_s: float | None = None
    total_s = 0.0
    for time_s, frame in _lines(path):
        begin_s = time_s if begin_s is None else begin_s
        total_s = total_s + time_s if differences else time_s - begin_s
        if frame is not None:
            yield BusFrame(total_s, frame.number, frame.extended, frame.data)


def looks_like_candump(line: str) -> bool:
    """Return whether a line is of the screen form.

    Examples
    --------
    >>> looks_like_candump(" (000.000000)  can0  18FEF909   [8]  FF 10 FF 87 FF FF FF FF")
    True
    >>> looks_like_candump("(1436509052.249713) can0 18FEF909#FF10FF87FFFFFFFF")
    False
    """
    return _LINE.fullmatch(line) is not None


def _holds_differences(path: Path) -> bool:
    last_s = float("-inf")
    for count, (time_s, _) in enumerate(_lines(path)):
        if time_s < last_s:
            return True
        if count >= LOOK_AHEAD:
            return False
        last_s = time_s
    return False


def _lines(path: Path) -> Iterator[tuple[float, BusFrame | None]]:
    try:
        with path.open(encoding="utf-8", errors="replace") as file:
            for number, line in enumerate(file, 1):
                if line.strip():
                    yield _frame(line.rstrip(), f"{path}, line {number}")
    except OSError as error:
        raise SourceError(f"{path}: cannot be read: {error}") from error


def _frame(line: str, where: str) -> tuple[float, BusFrame | None]:
    found = _LINE.fullmatch(line)
    if found is None:
        raise SourceError(
            f"{where}: is not candump's screen form with a time stamp (record with `candump -t a` or `candump -l`)"
        )
    time_s = _seconds(found["time"].strip(), where)
    data = _BYTES.match(found["rest"])
    octets = bytes.fromhex(data[0]) if data is not None else b""
    if "remote" in found["rest"] or "ERRORFRAME" in found["rest"]:
        return time_s, None
    # With -a the characters follow the bytes; they may look like more bytes.
    octets = octets[: int(found["length"])]
    if len(octets) != int(found["length"]):
        raise SourceError(f"{where}: {found['length']} bytes are announced, {len(octets)} are there")
    return time_s, BusFrame(time_s, int(found["number"], 16), len(found["number"]) == 8, octets)


def _seconds(text: str, where: str) -> float:
    try:
        if "-" in text.lstrip("-") or ":" in text:
            return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()
        return float(text)
    except ValueError:
        raise SourceError(f"{where}: time stamp ({text}) is not understood") from None
