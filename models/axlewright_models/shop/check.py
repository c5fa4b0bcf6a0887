"""One thing that a technician looks at or measures."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from axlewright_models.errors import ModelError
from axlewright_models.shop.cautions import CAUTIONS
from axlewright_models.units import convert

Verdict = Literal["within", "outside"]


@dataclass(frozen=True)
class Check:
    """A check: how, with which tool, to which limit, from which source, with which cautions.

    ``low`` and ``high`` are in ``unit``; None means no limit on that side; both None means that the check is a
    look or a feel, decided by ``limit_text``. ``action`` says what follows when it fails.
    """

    id: str
    title: str
    how: str
    tool: str
    limit_text: str
    low: float | None
    high: float | None
    unit: str
    source: str
    cautions: tuple[str, ...]
    action: str = ""

    @property
    def measurable(self) -> bool:
        """Whether the check yields a number that can be judged."""
        return self.low is not None or self.high is not None

    def caution_texts(self) -> tuple[str, ...]:
        """Return the cautions' full texts, in order."""
        return tuple(CAUTIONS[key] for key in self.cautions)

    def judge(self, value: float, unit: str | None = None) -> Verdict:
        """Return whether a measured value keeps the limits (a value on a limit does).

        Raises
        ------
        ModelError
            The check is not measured in numbers, or the value is not finite.
        UnitError
            `unit` measures something else than the check.

        Examples
        --------
        >>> from axlewright_models.shop import CHECKS
        >>> end_play = CHECKS["output-bearing-end-play"]
        >>> end_play.judge(0.003, "in"), end_play.judge(0.15)
        ('within', 'outside')
        """
        if not self.measurable:
            raise ModelError(
                f"check {self.id!r} has no numbers to judge by; record a finding instead: {self.limit_text}"
            )
        if not math.isfinite(value):
            raise ModelError(f"check {self.id!r} was given {value}; give the number that was measured, in {self.unit}")
        measured = value if unit is None else convert(value, unit, self.unit)
        # Inch limits become round millimetres in the table: a value on the limit must not fail by the last digit.
        margin = 1e-3 * max(abs(self.low or 0.0), abs(self.high or 0.0))
        too_low = self.low is not None and measured < self.low - margin
        too_high = self.high is not None and measured > self.high + margin
        return "outside" if too_low or too_high else "within"
