"""What every source can do."""

from __future__ import annotations

from typing import Protocol

from axlewright_models.wire.frames import Window


class Source(Protocol):
    """Hands out windows in time order, from one thread.

    A source may also have ``health() -> list[SourceHealth]``; the status message then shows how each of its parts is
    doing.
    """

    @property
    def finished(self) -> bool:
        """Whether nothing will come any more."""

    @property
    def can_wait(self) -> bool:
        """Whether windows that are not read now can be read later: recorded ones can, a driving truck's can't."""

    def open(self, after_s: float | None = None) -> None:
        """Get ready; windows up to `after_s` [Unix s] were handed out before and are left out.

        Raises
        ------
        SourceError
            The source cannot be opened.
        """

    def read(self, timeout_s: float) -> Window | None:
        """Return the next window, or None when none has come within `timeout_s`.

        Raises
        ------
        SourceError
            The source cannot be read.
        """

    def set_window(self, seconds: float) -> None:
        """Change the length of the windows to come.

        Raises
        ------
        SourceError
            This source's windows are as they are.
        """

    def close(self) -> None:
        """Let go of files and devices; safe to call twice."""
