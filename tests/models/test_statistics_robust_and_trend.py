"""Robust location, Theil-Sen, Mann-Kendall and the local linear trend."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy import stats

from axlewright_models.errors import ModelError
from axlewright_models.statistics import (
    LocalTrend,
    TrendNoise,
    hampel,
    local_trend_forecast,
    local_trend_step,
    mann_kendall,
    mann_kendall_exact_p,
    median_and_sd,
    robust_mean,
    theil_sen,
    time_to_limit,
)
from axlewright_models.statistics.robust import HAMPEL_HALF_WIDTH, HAMPEL_LIMIT_SD, MAD_TO_SD

# Robust location


def test_hampel_defaults_are_those_of_the_regulation():
    # 40 CFR 1037.528: 61 samples, 1.4826 times the MAD, three of them: 4.4478 times the MAD.
    assert 2 * HAMPEL_HALF_WIDTH + 1 == 61
    assert pytest.approx(4.4478) == HAMPEL_LIMIT_SD * MAD_TO_SD


def test_hampel_rejects_just_beyond_4_4478_median_absolute_deviations():
    # 20 samples each at 0, 1 and -1 and the one that is judged, at the middle: the median is 0 and the MAD 1.
    base = np.insert(np.array([0.0, 1.0, -1.0] * 20), 30, 0.0)
    for value, is_outlier in ((4.44, False), (4.46, True), (-4.44, False), (-4.46, True)):
        series = base.copy()
        series[30] = value
        cleaned, outlier = hampel(series)
        assert outlier[30] == is_outlier
        assert abs(cleaned[30]) <= (1.0 if is_outlier else 4.45)


def test_hampel_agrees_with_a_plain_loop_and_passes_over_gaps(rng):
    values = rng.standard_normal((2, 150)).cumsum(axis=1) * 0.1
    values[:, ::17] += 8.0
    values[0, 40:45] = np.nan
    cleaned, outlier = hampel(values, half_width=5)
    for row, at in itertools.product(range(2), range(150)):
        window = values[row, max(0, at - 5) : at + 6]
        window = window[~np.isnan(window)]
        middle = np.median(window)
        wild = abs(values[row, at] - middle) > 3 * stats.median_abs_deviation(window, scale=1 / 1.4826)
        assert outlier[row, at] == wild
        assert np.array_equal(cleaned[row, at], middle if wild else values[row, at], equal_nan=True)
    assert outlier[1, 17]


def test_robust_mean_is_nearly_as_sharp_as_the_mean_and_ignores_a_third_of_nonsense(rng):
    clean = rng.standard_normal((4000, 20))
    assert robust_mean(clean).std() < 1.15 * clean.mean(axis=1).std()
    dirty = clean.copy()
    dirty[:, :6] = 1e3
    assert np.abs(robust_mean(dirty)).max() < 2.0
    assert np.isnan(robust_mean([np.nan, np.nan]))


def test_median_and_deviation_are_scipys(rng):
    values = rng.standard_normal((3, 11))
    middle, sd = median_and_sd(values)
    assert_allclose(middle, np.median(values, axis=1))
    assert_allclose(sd, 1.4826 * stats.median_abs_deviation(values, axis=1))


# Trends


def test_wisconsin_example_scores_minus_five():
    # Wisconsin administrative code, Mann-Kendall worked example; variance and p as pymannkendall 1.4.3 gives them.
    test = mann_kendall([100.0, 50.0, 85.0, 75.0, 50.0])
    assert float(test.score) == -5.0
    assert float(test.variance) == pytest.approx(15.667, abs=5e-4)
    assert float(test.p) == pytest.approx(0.312, abs=5e-4)


@pytest.mark.parametrize(("count", "score"), [(4, -4), (5, -5), (6, -6), (7, -7), (8, -8), (9, -10), (10, -11)])
def test_critical_scores_of_the_wisconsin_table_at_one_fifth_one_sided(count, score):
    # No step nearer to 0 (scores of untied data step by 2) keeps the exact one-sided probability below 0.2.
    assert mann_kendall_exact_p(count, score) < 0.2 < mann_kendall_exact_p(count, score + 2)


def test_exact_probability_is_the_published_one_and_that_of_full_enumeration():
    assert mann_kendall_exact_p(5, 6) == pytest.approx(0.1167, abs=5e-5)  # EPA guidance example 5 6 11 8 10, S = 6
    assert float(mann_kendall([5.0, 6.0, 11.0, 8.0, 10.0]).score) == 6.0
    scores = [
        sum(np.sign(b - a) for a, b in itertools.combinations(order, 2)) for order in itertools.permutations(range(6))
    ]
    for score in range(-15, 16):
        tail = np.mean(np.array(scores) * (np.sign(score) or 1) >= abs(score))
        assert mann_kendall_exact_p(6, score) == pytest.approx(tail, rel=1e-12)


def test_theil_sen_of_helsel_and_hirsch():
    x, y = np.arange(1.0, 8.0), np.array([1.0, 2.0, 3.0, 4.0, 5.0, 16.0, 7.0])
    line = theil_sen(x, y)
    assert (float(line.slope), float(line.intercept)) == (1.0, 0.0)
    assert float(mann_kendall(y).score) == 19.0


def test_theil_sen_equals_scipy_with_its_interval(rng):
    for size in (5, 12, 31):
        x = np.sort(rng.uniform(0.0, 50.0, size))
        y = -0.3 * x + rng.standard_normal(size)
        ours, theirs = theil_sen(x, y), stats.theilslopes(y, x, alpha=0.95)
        got = [float(part) for part in (ours.slope, ours.intercept, ours.low, ours.high)]
        assert_allclose(got, [theirs.slope, theirs.intercept, theirs.low_slope, theirs.high_slope], rtol=1e-12)


def test_rows_with_gaps_give_what_their_values_alone_give(rng):
    y = rng.standard_normal((6, 20)) + 0.05 * np.arange(20)
    y[rng.random(y.shape) < 0.25] = np.nan
    y[5] = np.nan
    x = np.arange(20.0)
    line, test = theil_sen(x, y), mann_kendall(y)
    for row in range(5):
        there = ~np.isnan(y[row])
        alone, alone_test = theil_sen(x[there], y[row, there]), mann_kendall(y[row, there])
        assert_allclose(
            [line.slope[row], line.intercept[row], line.low[row], line.high[row]],
            [float(part) for part in (alone.slope, alone.intercept, alone.low, alone.high)],
        )
        assert_allclose([test.score[row], test.p[row]], [float(alone_test.score), float(alone_test.p)])
    assert np.isnan(line.slope[5])
    assert (test.score[5], test.p[5]) == (0.0, 1.0)


def test_mann_kendall_equals_pymannkendall_with_ties(rng):
    library = pytest.importorskip("pymannkendall", reason="the Python package pymannkendall is not installed")
    for _ in range(20):
        values = np.round(rng.standard_normal(25) * 2 + 0.05 * np.arange(25))
        ours, theirs = mann_kendall(values), library.original_test(values)
        got = [float(part) for part in (ours.score, ours.variance, ours.z, ours.p)]
        assert_allclose(got, [theirs.s, theirs.var_s, theirs.z, theirs.p], rtol=1e-9, atol=1e-12)


def test_score_equals_kendalls_tau_of_scipy(rng):
    values = rng.standard_normal(30)
    tau = stats.kendalltau(np.arange(30), values).statistic
    assert float(mann_kendall(values).score) == pytest.approx(tau * 30 * 29 / 2)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: theil_sen([1.0], [2.0]), "at least 2 values"),
        (lambda: mann_kendall([1.0]), "at least 2 values"),
        (lambda: mann_kendall_exact_p(1, 0), "2 or more values"),
        (lambda: hampel([1.0, 2.0], half_width=0), "half_width is 0"),
    ],
)
def test_too_little_data_is_refused(call, message):
    with pytest.raises(ModelError, match=message):
        call()


# Local linear trend


def test_without_random_walks_the_filter_is_least_squares(rng):
    # A Gaussian prior and no process noise: the posterior is weighted least squares, computed here directly.
    noise = TrendNoise(value_sd=2.0, level_density=0.0, slope_density=0.0, slope_sd=3.0)
    times = np.cumsum(rng.uniform(0.2, 3.0, 25))
    values = 430.0 - 0.7 * times + 2.0 * rng.standard_normal(25)
    state = LocalTrend.start(())
    before = times[0]
    for time, value in zip(times, values, strict=True):
        state = local_trend_step(state, value, time - before, noise)
        before = time
    design = np.column_stack([np.ones(25), times - times[-1]])
    information = design.T @ design / 4.0 + np.diag([0.0, 1.0 / 9.0])
    # The slope's prior holds at the first value: uncorrelated with the level there, so it adds nothing else.
    solution = np.linalg.solve(information, design.T @ values / 4.0)
    covariance = np.linalg.inv(information)
    assert_allclose([float(state.level), float(state.slope)], solution, rtol=1e-9)
    assert_allclose(
        [float(state.level_variance), float(state.covariance), float(state.slope_variance)],
        [covariance[0, 0], covariance[0, 1], covariance[1, 1]],
        rtol=1e-9,
    )


def test_forecast_in_one_leap_equals_many_small_steps():
    noise = TrendNoise(value_sd=1.0, level_density=0.3, slope_density=0.02, slope_sd=1.0)
    state = LocalTrend(*(np.array([part]) for part in (10.0, -0.4, 0.5, 0.1, 0.2)))
    leap, small = local_trend_forecast(state, 7.0, noise), state
    for _ in range(700):
        small = local_trend_forecast(small, 0.01, noise)
    for name in ("level", "slope", "level_variance", "covariance", "slope_variance"):
        assert_allclose(getattr(leap, name), getattr(small, name), rtol=1e-9)


def test_forecast_intervals_cover_what_they_claim(rng):
    noise = TrendNoise(value_sd=1.0, level_density=0.05, slope_density=1e-3, slope_sd=0.5)
    axles, dt, ahead = 3000, 1.0, 8.0
    level, slope = np.full(axles, 430.0), noise.slope_sd * rng.standard_normal(axles)
    state = LocalTrend.start(axles)

    def drift(level, slope, dt):
        a, b = rng.standard_normal((2, axles))
        slope_step = np.sqrt(noise.slope_density * dt) * a
        integral = slope_step * dt / 2 + np.sqrt(noise.slope_density * dt**3 / 12) * b
        walk = np.sqrt(noise.level_density * dt) * rng.standard_normal(axles)
        return level + slope * dt + integral + walk, slope + slope_step

    for _ in range(30):
        state = local_trend_step(state, level + noise.value_sd * rng.standard_normal(axles), dt, noise)
        level, slope = drift(level, slope, dt)
    level, slope = drift(level, slope, ahead - dt)
    later = local_trend_forecast(state, ahead, noise)
    score = (level - later.level) / np.sqrt(later.level_variance)
    # 3000 independent axles: a coverage of 0.9 is known to +-0.0055 (one standard error).
    assert np.mean(np.abs(score) < 1.645) == pytest.approx(0.9, abs=0.022)
    assert np.std(score) == pytest.approx(1.0, abs=0.05)


def test_missing_value_leaves_the_filter_bit_for_bit():
    noise = TrendNoise(1.0, 0.1, 0.1, 1.0)
    state = LocalTrend(*(np.array([part, part]) for part in (10.0, -0.4, 0.5, 0.1, 0.2)))
    after = local_trend_step(state, [np.nan, 9.0], 2.0, noise)
    assert_array_equal(
        [getattr(after, n)[0] for n in ("level", "slope", "level_variance", "covariance", "slope_variance")],
        [10.0, -0.4, 0.5, 0.1, 0.2],
    )
    assert after.level[1] != 10.0


def test_time_to_a_limit_follows_the_quantiles():
    noise = TrendNoise(1.0, 0.0, 0.0, 1.0)
    # Known slope, uncertain level: the middle is distance over speed, early and late shift by 1.645 sd of the level.
    state = LocalTrend(
        *(np.array(part) for part in ([430.0, 420.0, 430.0, np.nan], [-0.5, 0.5, 0.5, 0.0])),
        np.full(4, 0.04),
        np.zeros(4),
        np.zeros(4),
    )
    early, middle, late = time_to_limit(state, [420.0, 430.0, 420.0, 0.0], noise, 100.0, confidence=0.9)
    assert_allclose(middle[:2], 20.0, rtol=1e-9)
    assert_allclose(early[:2], 20.0 - 1.6449 * 0.2 / 0.5, atol=1e-3)
    assert_allclose(late[:2], 20.0 + 1.6449 * 0.2 / 0.5, atol=1e-3)
    assert middle[2] == np.inf
    assert np.isnan(middle[3])


@pytest.fixture
def rng():
    return np.random.default_rng(20253)
