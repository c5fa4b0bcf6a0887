"""The 29-bit identifier of a J1939 frame."""

from __future__ import annotations

from dataclasses import dataclass

GLOBAL = 0xFF
FIRST_BROADCAST_FORMAT = 240  # PDU2: from here on the second byte belongs to the group, not to a destination


@dataclass(frozen=True)
class Identifier:
    """What an identifier says.

    ``group`` is the parameter group number (PGN), without the destination; ``destination`` is 255 for all.

    Examples
    --------
    A request to all from the engine; its group is 59904, not 60159:

    >>> Identifier.parse(0x18EAFF00)
    Identifier(priority=6, group=59904, destination=255, source=0)
    >>> hex(Identifier(6, 65273, 255, 9).number)
    '0x18fef909'
    """

    priority: int
    group: int
    destination: int
    source: int

    @classmethod
    def parse(cls, number: int) -> Identifier:
        """Return what a 29-bit `number` says.

        Notes
        -----
        Priority 3 bits, extended data page 1, data page 1, format 8, specific 8, source 8.
        """
        page, form, specific = (number >> 24) & 0x3, (number >> 16) & 0xFF, (number >> 8) & 0xFF
        group = (page << 16) | (form << 8)
        if form >= FIRST_BROADCAST_FORMAT:
            return cls((number >> 26) & 0x7, group | specific, GLOBAL, number & 0xFF)
        return cls((number >> 26) & 0x7, group, specific, number & 0xFF)

    @property
    def number(self) -> int:
        """The 29-bit number."""
        form = (self.group >> 8) & 0xFF
        specific = 0 if form >= FIRST_BROADCAST_FORMAT else self.destination
        return (self.priority << 26) | (self.group << 8) | (specific << 8) | self.source
