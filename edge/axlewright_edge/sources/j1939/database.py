"""The DBC file of this package, read with cantools: from a parameter group's bytes to the numbers in it."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from axlewright_edge.errors import SourceError
from axlewright_edge.sources.j1939.identifier import Identifier
from axlewright_edge.sources.j1939.validity import is_number

if TYPE_CHECKING:
    from cantools.database.can import Message

DBC = "drive_axle.dbc"
INSTALL = "pip install 'axlewright[can]'"


@dataclass(frozen=True)
class _Signal:
    spn: int
    bits: int
    scale: float
    offset: float


class SignalDatabase:
    """Decodes the parameter groups that the DBC file knows.

    Raises
    ------
    SourceError
        cantools is not installed.

    Examples
    --------
    Axle information of the drive axle at location 0x10; 0x87 is 95 Cel, and 0xFF is not a number:

    >>> database = SignalDatabase()
    >>> database.decode(65273, bytes.fromhex("FF 10 FF 87 FF FF FF FF"))
    {930: 16.0, 578: 95.0}
    """

    def __init__(self) -> None:
        try:
            import cantools
        except ModuleNotFoundError as error:
            raise SourceError(f"reading a vehicle bus needs {error.name!r}; {INSTALL}") from error
        text = files(__package__).joinpath(DBC).read_text(encoding="utf-8")
        self._messages: dict[int, Message] = {}
        self._signals: dict[int, dict[str, _Signal]] = {}
        # Any: cantools' union of a CAN and a diagnostics database; a DBC is the former.
        database: Any = cantools.database.load_string(text, database_format="dbc")
        for message in database.messages:
            group = Identifier.parse(message.frame_id).group
            self._messages[group] = message
            self._signals[group] = {
                signal.name: _Signal(signal.spn, signal.length, float(signal.scale), float(signal.offset))
                for signal in message.signals
            }

    @property
    def groups(self) -> frozenset[int]:
        """The parameter group numbers that can be decoded."""
        return frozenset(self._messages)

    def period_s(self, group: int) -> float:
        """Return how often a group is usually sent. [s]"""
        return (self._messages[group].cycle_time or 1000) / 1000.0

    def decode(self, group: int, data: bytes) -> dict[int, float]:
        """Return the numbers in a message, by suspect parameter number (SPN).

        What the sender marks as error or not available is left out, as is what a short message does not reach.
        """
        message = self._messages[group]
        raw = message.decode(data[: message.length], decode_choices=False, scaling=False, allow_truncated=True)
        known = self._signals[group]
        numbers: dict[int, float] = {}
        # Any: cantools' values may be nested in general; an unscaled DBC signal is an int.
        values: dict[str, Any] = dict(raw)  # type: ignore[arg-type]  # a list only in container messages
        for name, value in values.items():
            signal = known[name]
            if is_number(int(value), signal.bits):
                numbers[signal.spn] = int(value) * signal.scale + signal.offset
        return numbers
