"""Statistics for streams: averages with a memory, cumulative sums, robust location, trends, run lengths.

Step functions take and return their state, work on any shape (one element per axle) and leave an element
as it was when its new value is NaN.
"""

from __future__ import annotations

from axlewright_models.statistics.cusum import Cusum, cusum_step
from axlewright_models.statistics.design import CusumDesign, EwmaDesign, design_cusum, design_ewma, ewma_width
from axlewright_models.statistics.ewma import Ewma, ewma_sd, ewma_step, time_weight
from axlewright_models.statistics.local_trend import (
    LocalTrend,
    TrendNoise,
    local_trend_forecast,
    local_trend_step,
    time_to_limit,
)
from axlewright_models.statistics.moments import standard_deviation, welford_step
from axlewright_models.statistics.robust import hampel, median_and_sd, robust_mean
from axlewright_models.statistics.run_length import (
    cusum_run_length,
    ewma_run_length,
    shewhart_run_length,
    siegmund_run_length,
)
from axlewright_models.statistics.trend import Monotony, Slope, mann_kendall, mann_kendall_exact_p, theil_sen

__all__ = [
    "Cusum",
    "CusumDesign",
    "Ewma",
    "EwmaDesign",
    "LocalTrend",
    "Monotony",
    "Slope",
    "TrendNoise",
    "cusum_run_length",
    "cusum_step",
    "design_cusum",
    "design_ewma",
    "ewma_run_length",
    "ewma_sd",
    "ewma_step",
    "ewma_width",
    "hampel",
    "local_trend_forecast",
    "local_trend_step",
    "mann_kendall",
    "mann_kendall_exact_p",
    "median_and_sd",
    "robust_mean",
    "shewhart_run_length",
    "siegmund_run_length",
    "standard_deviation",
    "theil_sen",
    "time_to_limit",
    "time_weight",
    "welford_step",
]
