"""One chart for all detectors: cumulative sums say that something has shifted, an average says by how much.

A symptom begins when a sum of standardised departures passes ``decision`` *and* the averaged departure passes a least
size that matters to an engineer; it ends when the average has been within half of that for ``calm`` observations.
Run lengths are those of the tabular CUSUM (:mod:`axlewright_models.statistics.run_length`) as far as observations are
independent; detectors therefore judge averages over hours, not windows. The least size only lengthens them.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from axlewright_models.statistics import cusum_step
from axlewright_server.detectors.timing import Flags, Floats

HIGH, LOW = 0, 1


class Chart:
    """Judge `count` quantities per axle, each to both sides.

    Parameters
    ----------
    name : str
        Prefix of its fields in the detector's state.
    count : int
        Quantities per axle.
    slack, decision : float
        k and h of the sums, in standard deviations.
    weight : float
        Of a new observation in the average.
    calm : int
        Observations within half of the least size that end a symptom.
    bound : float
        An observation counts for at most so many standard deviations: one wild value cannot signal alone.
    """

    def __init__(
        self, name: str, count: int, slack: float, decision: float, weight: float, calm: int, bound: float = 4.0
    ) -> None:
        self.name, self.count = name, count
        self.slack, self.decision, self.weight, self.calm, self.bound = slack, decision, weight, calm, bound

    def fields(self) -> list[tuple[str, str, tuple[int, ...]]]:
        """Return the structured fields that it needs."""
        pair = (self.count, 2)
        return [
            (f"{self.name}_sums", "f8", pair),
            (f"{self.name}_average", "f8", (self.count,)),
            (f"{self.name}_begun_s", "f8", pair),
            (f"{self.name}_calm", "i2", (self.count,)),
            (f"{self.name}_level", "i1", pair),
        ]

    def clear(self, state: NDArray[Any]) -> None:
        """Set fresh state to "nothing seen yet"."""
        for field, value in (("sums", 0.0), ("average", np.nan), ("begun_s", np.nan), ("calm", 0), ("level", 0)):
            state[f"{self.name}_{field}"] = value

    def step(
        self,
        state: NDArray[Any],
        departure: Floats,
        spread: Floats | float,
        least: Floats | float,
        limit: Floats | float,
        time_s: Floats,
    ) -> Flags:
        """Take one observation of each quantity and return which levels changed, (n, count, 2).

        Parameters
        ----------
        state : structured array, shape (n,)
            Changed in place.
        departure : ndarray, shape (n, count)
            Observation less what is normal; NaN leaves everything as it was.
        spread, least, limit : float or ndarray, broadcastable to (n, count)
            Standard deviation in control; smallest average that is a symptom (level 1); average that makes level 2.
        time_s : ndarray, shape (n,)
        """
        sums, average = state[f"{self.name}_sums"], state[f"{self.name}_average"]
        begun_s, level = state[f"{self.name}_begun_s"], state[f"{self.name}_level"]
        seen = ~np.isnan(departure)
        z = np.clip(departure / spread, -self.bound, self.bound)
        high, low = cusum_step(sums[:, :, HIGH], sums[:, :, LOW], z, self.slack)
        # models.statistics.ewma_step, for a constant weight: this is the hot path.
        begun = np.where(np.isnan(average), departure, average + self.weight * (departure - average))
        average = np.where(seen, begun, average)
        quiet = np.abs(average) < 0.5 * np.asarray(least)
        calm = np.where(seen, np.where(quiet, np.minimum(state[f"{self.name}_calm"] + 1, 30000), 0), 0)
        sums = np.minimum(np.stack([high, low], axis=2), 4.0 * self.decision)
        # Bounded, and forgotten after a calm stretch: what has been mended is not held against the axle for weeks.
        sums = np.where((calm >= self.calm)[:, :, None], 0.0, sums)
        now = time_s[:, None, None]
        begun_s = np.where(sums > 0.0, np.where(np.isnan(begun_s), now, begun_s), np.where(level > 0, begun_s, np.nan))
        # NaN compares as not beyond.
        signed = np.stack([average, -average], axis=2)
        least, limit = (np.asarray(one)[..., None] for one in (least, limit))
        begins = (sums > self.decision) & (signed > least)
        stands = begins | ((level > 0) & (sums > 0.0))
        # A tenth below the limit is the deadband of level 2.
        beyond = signed > np.where(level == 2, 0.9 * limit, limit)
        fresh = np.where(stands, np.where(beyond, 2, 1), 0).astype(np.int8)
        fresh = np.where(seen[:, :, None], fresh, level)
        changed = fresh != level
        state[f"{self.name}_sums"], state[f"{self.name}_average"] = sums, average
        state[f"{self.name}_calm"] = np.where(seen, calm, state[f"{self.name}_calm"])
        state[f"{self.name}_begun_s"], state[f"{self.name}_level"] = begun_s, fresh
        return np.asarray(changed)

    def score(self, state: NDArray[Any], row: int, which: int, side: int) -> float:
        """Return a sum in units of the decision limit."""
        return float(state[f"{self.name}_sums"][row, which, side] / self.decision)

    def since_s(self, state: NDArray[Any], row: int, which: int, side: int, now_s: float) -> float:
        """Return when the departure began, `now_s` where that is not known."""
        begun_s = float(state[f"{self.name}_begun_s"][row, which, side])
        return begun_s if begun_s == begun_s else now_s
