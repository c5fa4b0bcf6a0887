"""What in a table of readings looks like another unit, or like a name that nothing judges."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from axlewright_models.signals import CHANNELS, INDEX
from axlewright_models.wire.frames import Window

# No drive axle rides so low: a table whose heights all lie below this is one in metres. [mm]
LEAST_RIDE_HEIGHT_MM = 2.0


@dataclass
class _Seen:
    """What came of one channel: how many values, how many of them beyond what a sensor reads, and their extremes."""

    count: int = 0
    beyond: int = 0
    low: float = float("inf")
    high: float = float("-inf")


class Doubts:
    """Follow the values of a table and say at its end which of them look wrong; a handful of numbers per channel.

    Examples
    --------
    >>> doubts = Doubts()
    >>> doubts.see(Window(0.0, {"speed": 82.5}, {2: {"lube": 364.2, "height/left": 0.241}}))
    >>> print("\\n".join(doubts.lines("day.csv")))  # doctest: +ELLIPSIS
    day.csv: height/left: nothing above 0.241 mm; these look like metres, a table is in mm
    day.csv: lube: 1 of 1 values lie beyond -60 to 210 Cel (they reach from 364.2 to ...
    """

    def __init__(self) -> None:
        self._seen: dict[str, _Seen] = {}

    def see(self, window: Window) -> None:
        """Take one window of the table."""
        for values in (window.vehicle, *window.axles.values()):
            self._take(values)

    def _take(self, values: Mapping[str, float]) -> None:
        for name, value in values.items():
            if value != value:
                continue
            seen = self._seen.setdefault(name, _Seen())
            seen.count += 1
            seen.low, seen.high = min(seen.low, value), max(seen.high, value)
            if name in INDEX:
                channel = CHANNELS[INDEX[name]]
                seen.beyond += not channel.low <= value <= channel.high

    def lines(self, where: str) -> list[str]:
        """Return one line for each channel that looks wrong, in the order of their names."""
        found = ((name, _doubt(name, seen)) for name, seen in sorted(self._seen.items()))
        return [f"{where}: {name}: {doubt}" for name, doubt in found if doubt]


def _doubt(name: str, seen: _Seen) -> str:
    if name not in INDEX:
        return "is in no channel table; it is sent, but nothing judges it"
    channel = CHANNELS[INDEX[name]]
    if seen.beyond:
        return (
            f"{seen.beyond} of {seen.count} values lie beyond {channel.low:g} to {channel.high:g} {channel.unit} "
            f"(they reach from {seen.low:g} to {seen.high:g}); kept but not judged; a table is in {channel.unit}"
        )
    if name in ("height/left", "height/right") and 0.0 < seen.high < LEAST_RIDE_HEIGHT_MM:
        return f"nothing above {seen.high:g} mm; these look like metres, a table is in mm"
    return ""
