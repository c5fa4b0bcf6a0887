"""EWMA, CUSUM and running moments against published tables."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from axlewright_models.errors import ModelError
from axlewright_models.statistics import (
    Cusum,
    Ewma,
    cusum_step,
    ewma_sd,
    ewma_step,
    standard_deviation,
    time_weight,
    welford_step,
)

# NIST/SEMATECH e-Handbook 6.3.2.3 (data as reprinted in the documentation of the R function vMask).
NIST_CUSUM = [
    *(324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600),
    *(324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350),
]
# Montgomery and Runger, "Applied Statistics and Probability for Engineers", tables 16-7 and 16-8.
RUNGER = [
    *(102.0, 94.8, 98.3, 98.4, 102.0, 98.5, 99.0, 97.7, 100.0, 98.1),
    *(101.3, 98.7, 101.1, 98.4, 97.0, 96.7, 100.3, 101.4, 97.2, 101.0),
]
RUNGER_HIGH = [2, 0, 0, 0, 2, 0.5, 0, 0, 0, 0, 1.3, 0, 1.1, 0, 0, 0, 0.3, 1.7, 0, 1.0]
RUNGER_LOW = [0, 3.2, 2.9, 2.5, 0, 0, 0, 0.3, 0, 0, 0, 0, 0, 0, 1.0, 2.3, 0, 0, 0.8, 0]
RUNGER_PLAIN = [
    *(3.0, -1.2, -1.9, -2.5, 0.5, 0, 0, -1.3, -0.3, -1.2),
    *(1.1, 0.8, 2.9, 2.3, 0.3, -2.0, -0.7, 1.7, -0.1, 1.9),
]
# Montgomery, "Introduction to Statistical Quality Control" (data as reprinted in the IMSL documentation).
MONTGOMERY = [
    *(9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34),
    *(9.03, 11.47, 10.51, 9.40, 10.08, 9.37, 10.62, 10.31, 8.52, 10.84),
    *(10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52),
]
# NIST/SEMATECH e-Handbook 6.3.2.4.
NIST_EWMA = [
    *(52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5),
    *(49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1),
]
NIST_EWMA_LEVELS = [
    *(50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33),
    *(50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99),
]


def sums(values, target, slack):
    high = low = np.zeros(1)
    rows = []
    for value in values:
        high, low = cusum_step(high, low, np.array([value - target]), slack)
        rows.append((high[0], low[0]))
    return np.array(rows).T


def test_nist_cusum_table_is_reproduced_and_signals_at_observation_14():
    high, low = sums(NIST_CUSUM, 325.0, 0.3175)
    expected_high = np.zeros(20)
    expected_high[[4, 12, 13, 14, 15, 16, 17, 18, 19]] = (
        *(0.0325, 3.0075, 4.94, 7.4475, 10.63, 11.9875, 14.445, 16.0025, 19.035),
    )
    expected_low = np.zeros(20)
    expected_low[[1, 3, 6, 7, 8, 9, 10]] = (0.0075, 0.3325, 0.5575, 0.715, 0.1725, 0.255, 0.3125)
    # Observation 3 is not in the printed extract: 0.0075 + 325 - 324.725 - 0.3175 falls below 0.
    assert_allclose(high, expected_high, atol=1e-9)
    assert_allclose(low, expected_low, atol=1e-9)
    assert_array_equal(np.flatnonzero(high > 4.1959) + 1, np.arange(14, 21))
    assert_allclose(np.sum(np.array(NIST_CUSUM) - 325.0), 19.075)


def test_montgomery_and_runger_table_16_8_is_reproduced_in_every_row():
    high, low = sums(RUNGER, 99.0, 1.0)
    assert_allclose(high, RUNGER_HIGH, atol=1e-9)
    assert_allclose(low, RUNGER_LOW, atol=1e-9)
    assert_allclose(np.cumsum(np.array(RUNGER) - 99.0), RUNGER_PLAIN, atol=1e-9)
    assert max(high.max(), low.max()) < 10.0


def test_run_counter_of_row_20_is_1_where_the_printed_table_has_0():
    # The book's table 16-8 prints 0 beside a sum of 1.0: a misprint, a sum above 0 counts at least 1.
    chart = Cusum(target=99.0, slack=1.0, limit=10.0)
    alarms = [chart.update(value) for value in RUNGER]
    assert not any(alarms)
    assert (chart.high, chart.high_run) == (pytest.approx(1.0), 1)


def test_montgomery_quality_control_data_signal_at_observation_29_after_seven_above_zero():
    chart = Cusum(target=10.0, slack=0.5, limit=5.0)
    seen = [(chart.update(value), chart.high, chart.low, chart.high_run) for value in MONTGOMERY]
    assert [row[0] for row in seen].index(True) + 1 == 29
    assert seen[28][1] == pytest.approx(5.28)
    assert seen[28][3] == 7
    assert seen[29][1] == pytest.approx(5.30)
    assert max(row[2] for row in seen) == seen[2][2] == pytest.approx(1.77)
    assert chart.side == "high"


def test_montgomery_ewma_leaves_its_limits_at_observation_29():
    chart = Ewma(target=10.0, sd=1.0, weight=0.1, width=2.7)
    levels, alarms = [], []
    for value in MONTGOMERY:
        alarms.append(chart.update(value))
        levels.append(chart.level)
    assert_allclose([levels[0], *levels[27:]], [9.945, 10.5731, 10.6468, 10.6341], atol=5e-5)
    steady = 2.7 * ewma_sd(0.1)
    assert_allclose([10.0 - steady, 10.0 + steady], [9.3806, 10.6194], atol=5e-5)
    # The exact limits at 28 observations are a little narrower, yet the verdict is the same.
    assert alarms.index(True) + 1 == 29


def test_nist_ewma_levels_and_limits_are_reproduced():
    level = np.array([50.0])
    levels = []
    for value in NIST_EWMA:
        level = ewma_step(level, np.array([value]), 0.3)
        levels.append(level[0])
    # The handbook works on with levels rounded to 2 places: 0.01 is the most that this can add.
    assert_allclose(levels, NIST_EWMA_LEVELS, atol=0.0101)
    chart = Ewma(target=50.0, sd=2.0539, weight=0.3, width=3.0, exact=False)
    assert_allclose(chart.limits, [47.4115, 52.5884], atol=1e-4)


def test_exact_limits_grow_to_the_asymptotic_ones():
    widths = ewma_sd(0.2, [1, 2, 3, 10, 100], 3.0)
    assert widths[0] == pytest.approx(0.2 * 3.0)  # one value: the sd of 0.2 x
    assert np.all(np.diff(widths[:4]) > 0)
    assert widths[-1] == pytest.approx(ewma_sd(0.2, sd=3.0), rel=1e-9)


@pytest.mark.parametrize("step_s", [10.0, 60.0, 300.0])
def test_memory_of_an_average_does_not_depend_on_the_cadence(step_s):
    level = np.array(0.0)
    for _ in range(int(3600 / step_s)):
        level = ewma_step(level, 1.0, time_weight(step_s, 1800.0))
    assert level == pytest.approx(1.0 - np.exp(-2.0), rel=1e-12)  # the closed form of a first-order lag


def test_missing_values_leave_every_state_as_it_was():
    nan = np.array([np.nan])
    assert ewma_step([4.0], nan, 0.5)[0] == 4.0
    assert ewma_step([4.0], [9.0], np.nan)[0] == 4.0
    assert [part[0] for part in cusum_step([1.0], [2.0], nan, 0.5)] == [1.0, 2.0]
    assert [part[0] for part in welford_step([3.0], [2.0], [1.0], nan)] == [3.0, 2.0, 1.0]
    chart, average = Cusum(0.0, 0.5, 4.0, head_start=0.5), Ewma(0.0, 1.0, 0.2, 3.0)
    assert not chart.update(float("nan"))
    assert not average.update(float("nan"))
    assert (chart.high, chart.low, average.level) == (2.0, 2.0, 0.0)


def test_states_of_many_axles_move_independently(rng):
    values = rng.standard_normal((50, 3, 4))
    high = low = np.zeros((3, 4))
    for value in values:
        high, low = cusum_step(high, low, value, 0.5)
    for place in np.ndindex(3, 4):
        one_high, one_low = sums(values[(slice(None), *place)], 0.0, 0.5)
        assert (one_high[-1], one_low[-1]) == (high[place], low[place])


def test_head_start_finds_a_standing_fault_sooner():
    plain, started = Cusum(0.0, 0.5, 4.0), Cusum(0.0, 0.5, 4.0, head_start=0.5)
    assert [plain.update(1.5) for _ in range(8)].index(True) == 4
    assert [started.update(1.5) for _ in range(8)].index(True) == 2
    started.reset()
    assert (started.high, started.high_run) == (2.0, 0)


def test_running_moments_equal_numpy_even_far_from_zero(rng):
    values = 1e7 + rng.standard_normal((200, 5))
    values[rng.random(values.shape) < 0.2] = np.nan
    count = mean = m2 = np.zeros(5)
    for value in values:
        count, mean, m2 = welford_step(count, mean, m2, value)
    assert_array_equal(count, np.sum(~np.isnan(values), axis=0))
    assert_allclose(mean, np.nanmean(values, axis=0), rtol=1e-14)
    assert_allclose(standard_deviation(count, m2), np.nanstd(values, axis=0, ddof=1), rtol=1e-7)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Cusum(0.0, -1.0, 5.0), "Cusum needs slack >= 0"),
        (lambda: Cusum(0.0, 1.0, 5.0, head_start=1.0), "0 <= head_start < 1"),
        (lambda: Ewma(0.0, 0.0, 0.2, 3.0), "Ewma needs sd > 0"),
        (lambda: Ewma(0.0, 1.0, 1.2, 3.0), "0 < weight <= 1"),
    ],
)
def test_impossible_charts_are_refused(make, message):
    with pytest.raises(ModelError, match=message):
        make()


@pytest.fixture
def rng():
    return np.random.default_rng(20251)
