"""Troubles in a log: said once, counted while they last, and said to be over."""

from __future__ import annotations

import logging
import re
from collections.abc import Callable

# Own choices: a trouble that lasts is told again after ten minutes, then at twice the time, at least once a day.
FIRST_REMINDER_S = 600.0
LONGEST_SILENCE_S = 86_400.0
_NUMBERS = re.compile(r"\d+(?:\.\d+)?")


class Repeats:
    """One kind of trouble of one thing; not for use by two threads at once.

    Parameters
    ----------
    log : Logger
        Where to say it.
    subject : str
        Whose trouble it is; stands before every line.
    elapsed : callable
        Seconds of a clock that never steps.

    Examples
    --------
    >>> import sys
    >>> log = logging.getLogger("axlewright.example")
    >>> handler = logging.StreamHandler(sys.stdout)
    >>> log.addHandler(handler)
    >>> now = [0.0]
    >>> link = Repeats(log, "t-1", lambda: now[0])
    >>> for now[0] in (0.0, 60.0, 120.0, 700.0):
    ...     link.trouble("no connection")
    t-1: no connection
    t-1: no connection (4 times in 12 min)
    >>> link.over("connected")
    t-1: connected; before that 4 times in 12 min: no connection
    >>> link.over("connected")
    >>> log.removeHandler(handler)
    """

    def __init__(self, log: logging.Logger, subject: str, elapsed: Callable[[], float]) -> None:
        self._log, self._subject, self._elapsed = log, subject, elapsed
        self._text = ""
        self._level = logging.WARNING
        self._count = 0
        self._since_s = self._due_s = 0.0

    @property
    def stands(self) -> bool:
        """Return whether a trouble has been told that is not over."""
        return self._count > 0

    def trouble(self, text: str, level: int = logging.WARNING) -> None:
        """Tell a trouble, unless it is the one that was told last; numbers in it may differ."""
        now_s = self._elapsed()
        if self._count and _NUMBERS.sub("#", text) == _NUMBERS.sub("#", self._text):
            self._count += 1
            if now_s >= self._due_s:
                self._due_s = now_s + min(now_s - self._since_s, LONGEST_SILENCE_S)
                self._log.log(level, "%s: %s (%s)", self._subject, text, self._so_far(now_s))
            return
        self._text, self._level, self._count = text, level, 1
        self._since_s, self._due_s = now_s, now_s + FIRST_REMINDER_S
        self._log.log(level, "%s: %s", self._subject, text)

    def over(self, text: str) -> None:
        """Tell that it is over, if there was any; at the same level, so that whoever heard of it hears this too."""
        if self._count:
            so_far = f"{self._so_far(self._elapsed())}: " if self._count > 1 else ""
            self._log.log(self._level, "%s: %s; before that %s%s", self._subject, text, so_far, self._text)
        self._text, self._count = "", 0

    def _so_far(self, now_s: float) -> str:
        minutes = (now_s - self._since_s) / 60.0
        lasted = f"{minutes:.0f} min" if minutes < 120.0 else f"{minutes / 60.0:.0f} h"
        return f"{self._count} times in {lasted}"
