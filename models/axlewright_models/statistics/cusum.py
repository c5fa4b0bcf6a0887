"""Tabular cumulative sums: see a small lasting shift sooner than a limit on single values can."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_models.errors import ModelError


def cusum_step(
    high: ArrayLike, low: ArrayLike, z: ArrayLike, slack: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    r"""Return the two sums after one more value.

    Parameters
    ----------
    high, low : array_like, any shape
        Sums so far, 0 or more (0 at the start, or a head start).
    z : array_like, broadcastable
        New value as a departure from the target, in standard deviations (or any unit shared with `slack`). NaN leaves
        both sums as they were.
    slack : array_like, broadcastable
        Half the shift that is worth finding, in the unit of `z`.

    Returns
    -------
    (high, low) : tuple of ndarray
        :math:`\max(0, S + z - k)` and :math:`\max(0, S - z - k)`.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.3, "CUSUM Control Charts".

    Examples
    --------
    >>> cusum_step([0.0, 2.0], [0.0, 1.0], [3.0, np.nan], 0.5)
    (array([2.5, 2. ]), array([0., 1.]))
    """
    high, low = np.asarray(high, dtype=np.float64), np.asarray(low, dtype=np.float64)
    z, slack = np.asarray(z, dtype=np.float64), np.asarray(slack, dtype=np.float64)
    missing = np.isnan(z)
    return (
        np.where(missing, high, np.maximum(0.0, high + z - slack)),
        np.where(missing, low, np.maximum(0.0, low - z - slack)),
    )


class Cusum:
    """Tell when the mean of one series has moved for good, either way.

    Parameters: the `target`, the `slack` and the `limit` in the unit of the values; ``head_start`` is the fraction of
    the limit at which both sums begin (Lucas and Crosier's fast initial response: one half is usual), so that
    a fault that stands from the first value on, as after a bad repair, is found sooner.

    An air spring that sags, in millimetres from its set point:

    >>> sag = Cusum(target=0.0, slack=1.0, limit=10.0)
    >>> [sag.update(x) for x in [0, -1, 1, 0, -4, -4, -4, -4]].index(True)
    7
    >>> sag.side, sag.run
    ('low', 4)
    """

    def __init__(self, target: float, slack: float, limit: float, head_start: float = 0.0) -> None:
        if not (slack >= 0.0 and limit > 0.0 and 0.0 <= head_start < 1.0):
            raise ModelError(
                f"Cusum needs slack >= 0, limit > 0, 0 <= head_start < 1; got {slack=}, {limit=}, {head_start=}"
            )
        self.target, self.slack, self.limit, self.head_start = target, slack, limit, head_start
        self.reset()

    def reset(self) -> None:
        """Start again, at the head start."""
        self._high = self._low = self.head_start * self.limit
        self._high_run = self._low_run = 0

    @property
    def high(self) -> float:
        """The sum of departures upward."""
        return self._high

    @property
    def low(self) -> float:
        """The sum of departures downward, 0 or more."""
        return self._low

    @property
    def side(self) -> str | None:
        """Which side is beyond the limit: "high", "low" or None."""
        if self._high > self.limit:
            return "high"
        return "low" if self._low > self.limit else None

    @property
    def high_run(self) -> int:
        """For how many values the upper sum has been above 0."""
        return self._high_run

    @property
    def low_run(self) -> int:
        """For how many values the lower sum has been above 0."""
        return self._low_run

    @property
    def run(self) -> int:
        """How many values ago the alarming side (or the larger sum) left 0: an estimate of when the shift began."""
        on_high_side = self.side == "high" if self.side else self._high >= self._low
        return self._high_run if on_high_side else self._low_run

    def update(self, value: float) -> bool:
        """Take one value (NaN is passed over); return whether the alarm stands."""
        if not math.isnan(value):
            departure = value - self.target
            self._high = max(0.0, self._high + departure - self.slack)
            self._low = max(0.0, self._low - departure - self.slack)
            self._high_run = self._high_run + 1 if self._high > 0.0 else 0
            self._low_run = self._low_run + 1 if self._low > 0.0 else 0
        return self.side is not None
