"""Which raw values of a signal are numbers, and which say "error" or "not available"."""

from __future__ import annotations


def is_number(raw: int, bits: int) -> bool:
    """Return whether a raw value of so many `bits` is a value, and no code.

    Parameters
    ----------
    raw : int
        As it stands in the message, unsigned.
    bits : int
        Length of the signal. Signals longer than 4 bytes have no such codes here.

    Notes
    -----
    Whole bytes: the most significant byte is at most 0xFA; 0xFB to 0xFD are reserved, 0xFE is an error, 0xFF is not
    available. Bit fields: all ones means not available, all ones less one means error; one bit has no room for codes.
    Public machine extract of the digital annex (slot rules); its highest valid raw value times the scale gives every
    published end of a range.

    Examples
    --------
    >>> [is_number(raw, 8) for raw in (0x00, 0xFA, 0xFB, 0xFE, 0xFF)]
    [True, True, False, False, False]
    >>> [is_number(raw, 16) for raw in (0xFAFF, 0xFB00, 0xFE12, 0xFFFF)]
    [True, False, False, False]
    >>> [is_number(raw, 2) for raw in (0, 1, 2, 3)]
    [True, True, False, False]
    """
    if bits >= 8:
        return raw >> (bits - 8) <= 0xFA
    return bits == 1 or raw < (1 << bits) - 2
