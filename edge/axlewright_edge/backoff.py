"""How long to wait before the next attempt to connect."""

from __future__ import annotations

from random import Random


class Backoff:
    """Doubling waits with jitter, so that a fleet does not come back all at once.

    Each wait is drawn evenly between half and the whole of the present step; the step doubles up to the ceiling.

    Examples
    --------
    >>> backoff = Backoff(first_s=1.0, ceiling_s=60.0, chance=Random(1))
    >>> waits = [backoff.next() for _ in range(8)]
    >>> 0.5 <= waits[0] <= 1.0 and 30.0 <= waits[7] <= 60.0
    True
    >>> backoff.reset()
    >>> backoff.next() <= 1.0
    True
    """

    def __init__(self, first_s: float = 1.0, ceiling_s: float = 60.0, chance: Random | None = None) -> None:
        self._first_s = first_s
        self._ceiling_s = ceiling_s
        # Jitter only: nothing secret depends on it.
        self._chance = chance if chance is not None else Random()
        self._step_s = first_s

    def next(self) -> float:
        """Return the wait before the next attempt. [s]"""
        step_s = self._step_s
        self._step_s = min(self._ceiling_s, 2.0 * step_s)
        return step_s * (0.5 + 0.5 * self._chance.random())

    def reset(self) -> None:
        """Begin again with the first step: a connection has stood."""
        self._step_s = self._first_s
