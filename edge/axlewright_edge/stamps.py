"""The stamps of a live source's windows rise, whatever the truck's clock does: the office keeps one row for a time.

A clock that steps back a little is followed slowly: the stamps run at nine tenths of the pace until it has caught up,
and say so with the flag `clock-corrected`. One that steps back by more than the office lets stamps lie in the future
is believed at once: what was stamped before lay in the office's future and was refused there. Then stamps fall once.
"""

from __future__ import annotations

import logging

from axlewright_edge.clock import Clock
from axlewright_edge.outbox_dates import CORRECTED, is_undated
from axlewright_models.wire.frames import Window

LOGGER = logging.getLogger(__name__)
# What the office allows a stamp to lie ahead of its own clock; a step back beyond it is believed at once.
LARGEST_HELD_STEP_S = 600.0
PACE_WHILE_HELD = 0.9
_LEAST_STEP_S = 0.001


class Stamps:
    """Makes the stamps of a live source rise.

    Parameters
    ----------
    clock : Clock
        Tells how long it was between two windows.
    last_s : float, optional
        The newest stamp that was ever given. [Unix s]

    Examples
    --------
    >>> from axlewright_edge.clock import ManualClock
    >>> clock = ManualClock(1.8e9)
    >>> stamps = Stamps(clock, None)
    >>> told = []
    >>> for raw_s in (0.0, 10.0, -20.0, -10.0, 0.0):  # the clock steps back by 40 s
    ...     window = stamps.next(Window(1.8e9 + raw_s))
    ...     told.append((window.time_s - 1.8e9, bool(window.vehicle)))
    ...     clock.advance(10.0)
    >>> told
    [(0.0, False), (10.0, False), (19.0, True), (28.0, True), (37.0, True)]
    """

    def __init__(self, clock: Clock, last_s: float | None) -> None:
        self._clock = clock
        self._last_s = last_s
        self._raw_s = last_s
        self._elapsed_s = clock.elapsed()
        self._held = False
        self.steps_back = 0

    def next(self, window: Window) -> Window:
        """Return the window as it shall be kept; one without a true time is left as it is."""
        if is_undated(window):
            return window
        now_s = self._clock.elapsed()
        past_s, self._elapsed_s = now_s - self._elapsed_s, now_s
        last_s, raw_s = self._last_s, self._raw_s
        self._last_s = self._raw_s = window.time_s
        if last_s is None or raw_s is None:
            return window
        since_s = window.time_s - raw_s
        if since_s <= 0.0:
            self.steps_back += 1
            self._held = last_s - window.time_s <= LARGEST_HELD_STEP_S
            LOGGER.warning("the clock stepped back: a window ends %.1f s before the one before it", -since_s)
            since_s = past_s
            if not self._held:
                return _flagged(window, window.time_s)
        if not self._held:
            return window
        stamp_s = last_s + max(_LEAST_STEP_S, PACE_WHILE_HELD * since_s)
        if window.time_s >= stamp_s:
            self._held = False
            return window
        self._last_s = stamp_s
        return _flagged(window, stamp_s)


def _flagged(window: Window, time_s: float) -> Window:
    return Window(time_s, {**window.vehicle, CORRECTED: 1.0}, window.axles)
