"""What a person in the office should know, one note in each status message, none overwritten before it was sent."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Sequence

NOTE_LENGTH = 300
# More than this while the link is down: the oldest are dropped. Figures in the status count what matters.
MOST_WAITING = 50


class Notes:
    """Notes that wait to be sent; any thread may add.

    Examples
    --------
    >>> notes = Notes()
    >>> notes.add("command c-1: window set to 30 s")
    >>> notes.add("source: unplugged")
    >>> notes.take(), notes.take(), notes.take(), notes.last
    ('command c-1: window set to 30 s', 'source: unplugged', None, 'source: unplugged')
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._waiting: deque[str] = deque(maxlen=MOST_WAITING)
        self._last = ""

    @property
    def waiting(self) -> int:
        """Return how many wait."""
        return len(self._waiting)

    @property
    def last(self) -> str:
        """Return the note that was taken last; a status shows it until the next one comes."""
        return self._last

    def add(self, note: str) -> None:
        """Let a note wait; the same as the one before it is told once."""
        note = note[:NOTE_LENGTH]
        with self._lock:
            if not self._waiting or self._waiting[-1] != note:
                self._waiting.append(note)

    def take(self) -> str | None:
        """Return the oldest that waits, or None."""
        with self._lock:
            if not self._waiting:
                return None
            self._last = self._waiting.popleft()
            return self._last

    def put_back(self, notes: Sequence[str]) -> None:
        """Let notes wait again that were taken and did not arrive, before the others."""
        with self._lock:
            self._waiting = deque([*notes, *self._waiting], maxlen=MOST_WAITING)
