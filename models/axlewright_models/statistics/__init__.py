"""Statistics for streams: averages with a memory, cumulative sums, robust location, trends, run lengths.

Step functions take and return their state, work on any shape (one element per axle) and leave an element
as it was when its new value is NaN.
"""

from __future__ import annotations

from axlewright_models.statistics.cusum import Cusum, cusum_step
from axlewright_models.statistics.ewma import Ewma, ewma_sd, ewma_step, time_weight
from axlewright_models.statistics.moments import standard_deviation, welford_step

__all__ = [
    "Cusum",
    "Ewma",
    "cusum_step",
    "ewma_sd",
    "ewma_step",
    "standard_deviation",
    "time_weight",
    "welford_step",
]
