"""Active trouble codes (DM1): their bytes, both ways.

Layout: a public conformance tool's test of the message and an open J1939 library agree on it; the standard was not
read.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

GROUP = 65226
LAST_SPN = (1 << 19) - 1
COUNT_UNKNOWN = 127
MOST_CODES = 20  # own choice: more would keep the bus busy for seconds and tell a driver nothing
_NO_CODES = frozenset({0, LAST_SPN})


class Lamp(Enum):
    """How one lamp burns: two bits of byte 1, two of byte 2."""

    OFF = (0b00, 0b11)
    STEADY = (0b01, 0b11)
    SLOW_FLASH = (0b01, 0b00)
    FAST_FLASH = (0b01, 0b01)
    ABSENT = (0b11, 0b11)


@dataclass(frozen=True)
class Lamps:
    """The four lamps."""

    malfunction: Lamp = Lamp.OFF
    red_stop: Lamp = Lamp.OFF
    amber: Lamp = Lamp.OFF
    protect: Lamp = Lamp.OFF


@dataclass(frozen=True, order=True)
class TroubleCode:
    """What is wrong (SPN), in which way (failure mode, FMI), and how often it has come (127: unknown).

    Examples
    --------
    >>> TroubleCode(578, 15, 1).encode().hex(" ")
    '42 02 0f 01'
    """

    spn: int
    mode: int
    count: int = COUNT_UNKNOWN

    def __post_init__(self) -> None:
        if not (0 <= self.spn <= LAST_SPN and 0 <= self.mode <= 31 and 0 <= self.count <= COUNT_UNKNOWN):
            raise ValueError(f"no trouble code: {self.spn}/{self.mode}, count {self.count}")

    def encode(self) -> bytes:
        """Return the four bytes of layout version 4."""
        high = (self.spn >> 16) << 5 | self.mode
        return bytes([self.spn & 0xFF, self.spn >> 8 & 0xFF, high, self.count])


def encode_dm1(lamps: Lamps, codes: Sequence[TroubleCode]) -> bytes:
    """Return the message; without codes it says that nothing is wrong any more.

    Up to one code it fills one frame; more codes need the transport protocol.

    Examples
    --------
    >>> encode_dm1(Lamps(), []).hex(" ")
    '00 ff 00 00 00 00 ff ff'
    """
    head = bytearray(2)
    for shift, lamp in ((6, lamps.malfunction), (4, lamps.red_stop), (2, lamps.amber), (0, lamps.protect)):
        burns, flashes = lamp.value
        head[0] |= burns << shift
        head[1] |= flashes << shift
    body = b"".join(code.encode() for code in codes[:MOST_CODES]) or bytes(4)
    return (bytes(head) + body).ljust(8, b"\xff")


def decode_dm1(data: bytes) -> tuple[Lamps, list[TroubleCode]]:
    """Return lamps and codes of a message.

    Raises
    ------
    ValueError
        It is shorter than one code.
    """
    if len(data) < 6:
        raise ValueError(f"a DM1 message has at least 6 bytes, not {len(data)}")
    codes = []
    # A single frame ends in two bytes of filling.
    for place in range(2, len(data) - 3, 4):
        low, middle, high, last = data[place : place + 4]
        code = TroubleCode(low | middle << 8 | high >> 5 << 16, high & 0x1F, last & 0x7F)
        if code.spn not in _NO_CODES:
            codes.append(code)
    lamps = [_lamp(data[0] >> shift & 3, data[1] >> shift & 3) for shift in (6, 4, 2, 0)]
    return Lamps(*lamps), codes


def _lamp(burns: int, flashes: int) -> Lamp:
    if burns == 0b01:
        return {0b00: Lamp.SLOW_FLASH, 0b01: Lamp.FAST_FLASH}.get(flashes, Lamp.STEADY)
    return Lamp.OFF if burns == 0b00 else Lamp.ABSENT
