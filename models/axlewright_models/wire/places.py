"""Where a record's value belongs: which axle, which channel, in which unit and as which word."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

from axlewright_models.errors import FrameError, UnitError
from axlewright_models.signals import CHANNELS, INDEX, Channel, Scope
from axlewright_models.units import UNITS, conversion
from axlewright_models.wire.senml import Value

# Readings are kept as float32: what does not fit would become infinite there.
GREATEST_VALUE = float.fromhex("0x1.fffffep+127")

_AXLE_NAME = re.compile(r"axle/([1-9][0-9]?)/(.+)")


@dataclass(frozen=True)
class Place:
    """Where a value belongs: ``position`` 0 is the vehicle itself, ``column`` None means a name in no channel table."""

    position: int
    name: str
    column: int | None

    @property
    def channel(self) -> Channel | None:
        """The channel, or None for an extra name."""
        return None if self.column is None else CHANNELS[self.column]


@lru_cache(maxsize=4096)
def place_of(text: str) -> Place:
    """Return the place that a name (without fleet and vehicle) means.

    A vehicle channel's name under an axle, an axle channel's name without one, and channels derived in the office (a
    truck cannot set those) are extras.

    Examples
    --------
    >>> place_of("axle/2/lube")
    Place(position=2, name='lube', column=11)
    >>> place_of("wiper")
    Place(position=0, name='wiper', column=None)
    """
    match = _AXLE_NAME.fullmatch(text)
    position, name = (int(match[1]), match[2]) if match else (0, text)
    column = INDEX.get(name)
    if column is not None and (CHANNELS[column].derived or (CHANNELS[column].scope is Scope.AXLE) != (position > 0)):
        column = None
    return Place(position, name, column)


def name_of(position: int, name: str) -> str:
    """Return the wire name of a value of an axle, or of the vehicle itself (position 0).

    Examples
    --------
    >>> name_of(2, "lube"), name_of(0, "speed")
    ('axle/2/lube', 'speed')
    """
    return f"axle/{position}/{name}" if position else name


def scaling(place: Place, unit: str | None) -> tuple[float, float]:
    """Return ``(scale, offset)`` from a record's unit to that of its channel.

    A channel whose unit the registry lacks, or that is a ratio, may come without unit. An extra name keeps its unit,
    but secondary units become the primary ones they are derived from.

    Raises
    ------
    FrameError
        The unit is missing, is not a SenML unit, or measures something else.

    Examples
    --------
    >>> scaling(place_of("speed"), "m/s")
    (3.6, 0.0)
    """
    channel = place.channel
    if channel is None:
        known = UNITS.get(unit) if unit is not None else None
        return (known.scale, known.offset) if known is not None and known.registry == "secondary" else (1.0, 0.0)
    if unit is None:
        if channel.wire_unit not in (None, "/"):
            raise FrameError(f"no unit; {channel.name} measures in {channel.unit}, send it in {channel.wire_unit!r}")
        return 1.0, 0.0
    advice = f"send {channel.wire_unit!r}" if channel.wire_unit else "send no unit"
    if unit not in UNITS or UNITS[unit].registry == "border":
        raise FrameError(f"unit {unit[:40]!r} is not one of SenML's; {advice}")
    try:
        return conversion(unit, channel.unit)
    except UnitError as error:
        raise FrameError(f"{error}; {advice}") from error


def number_of(place: Place, value: Value, unit: str | None) -> float | None:
    """Return a record's value as a number in its channel's unit; None for an extra that is no number.

    Raises
    ------
    FrameError
        The value is of the wrong type or too large, the word is not one of the channel's, or the unit is wrong.

    Examples
    --------
    >>> number_of(place_of("height-mode"), "raised", None)
    2.0
    """
    channel = place.channel
    if isinstance(value, bool):
        if channel is not None and channel.unit != "flag":
            raise FrameError(f"value is {value}; {channel.name} takes a number{' or a word' * bool(channel.words)}")
        value = float(value)
    elif isinstance(value, str) and channel is not None:
        if value not in channel.words:
            words = f"one of {', '.join(channel.words)}" if channel.words else "a number"
            raise FrameError(f"value is {value[:80]!r}; {channel.name} takes {words}")
        value = float(channel.words.index(value))
    if not isinstance(value, float):
        if channel is None:
            return None
        raise FrameError(f"value is {'missing' if value is None else 'bytes'}; {channel.name} takes a number")
    scale, offset = scaling(place, unit)
    number = value * scale + offset
    # Written so that NaN fails too.
    if not abs(number) <= GREATEST_VALUE:
        raise FrameError(f"value {value:g} is too large to keep (greatest {GREATEST_VALUE:g})")
    return number
