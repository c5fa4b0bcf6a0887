"""What the driver has told the air suspension to do, from its control messages."""

from __future__ import annotations

import math
from collections.abc import Sequence

from axlewright_edge.sources.j1939.settings import J1939Settings
from axlewright_models.signals import HEIGHT_MODES

NORMAL, LOWERED, RAISED = (float(HEIGHT_MODES.index(word)) for word in ("normal", "lowered", "raised"))
# Another level than the normal one, chosen by the driver, counts as lowered or raised from here on: own choice.
CHOSEN_MM = 15.0
FRESH_S = 2.0


class HeightMode:
    """The height mode by the rear's nominal level (SPN 1733).

    Codes of the normal, lowered and raised level come from the settings; their defaults (1, 7, 6) are from memory and
    to be confirmed with the vehicle maker's data. Any other code is a level of the driver's choice (a preset, a second
    driving level): there the measured level decides. Sinking by a leak leaves the code where it is.

    Examples
    --------
    >>> mode = HeightMode(J1939Settings())
    >>> mode.levels([-52.0, -50.0], 1.0)
    >>> mode.code(1, 1.1), mode.code(7, 1.1), mode.code(4, 1.1)
    (0.0, 1.0, 1.0)
    """

    def __init__(self, settings: J1939Settings) -> None:
        self._codes = {
            **dict.fromkeys(settings.raised_level_codes, RAISED),
            **dict.fromkeys(settings.lowered_level_codes, LOWERED),
            **dict.fromkeys(settings.normal_level_codes, NORMAL),
        }
        self._level_mm = math.nan
        self._heard_s = -math.inf

    def levels(self, relative_mm: Sequence[float], elapsed_s: float) -> None:
        """Take the measured levels of the rear, relative to the normal level."""
        if relative_mm:
            self._level_mm, self._heard_s = sum(relative_mm) / len(relative_mm), elapsed_s

    def code(self, nominal: int, elapsed_s: float) -> float:
        """Return the height mode for a nominal level; NaN when it cannot be told."""
        if nominal in self._codes:
            return self._codes[nominal]
        if elapsed_s - self._heard_s > FRESH_S:
            return math.nan
        if abs(self._level_mm) < CHOSEN_MM:
            return NORMAL
        return LOWERED if self._level_mm < 0.0 else RAISED
