"""One frame of the bus, and where frames come from."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Protocol

NEEDS = "pip install 'axlewright[can]'"


@dataclass(frozen=True)
class BusFrame:
    """A data frame as it came; `elapsed_s` is the clock's steady time at its arrival."""

    elapsed_s: float
    number: int
    extended: bool
    data: bytes


class Feed(Protocol):
    """A bus or a recording of one."""

    @property
    def finished(self) -> bool:
        """Whether nothing will come any more."""

    @property
    def lost(self) -> int:
        """Frames that came and could not be kept."""

    @property
    def unsent(self) -> str:
        """Why what was to be sent could not be; empty when all is well."""

    def open(self) -> None:
        """Get ready; raises SourceError when that fails."""

    def read(self, timeout_s: float) -> Iterable[BusFrame]:
        """Return the frames that have come, waiting at most `timeout_s` for the first."""

    def close(self) -> None:
        """Let go; safe to call twice."""
