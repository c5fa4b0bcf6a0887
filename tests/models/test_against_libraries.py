"""The same data given to our functions and to general-purpose libraries; each test is left out without its library.

More such comparisons stand beside what they check: scipy's throughout, chemicals in test_lube, ht in
test_thermal_physics, pymannkendall in test_statistics_robust_and_trend, sympy in test_symbolic.
"""

from __future__ import annotations

import random

import numpy as np
import pytest
from numpy.testing import assert_allclose

from axlewright_models import suspension
from axlewright_models.errors import ModelError
from axlewright_models.reliability import best_replacement_age, fit_weibull, weibull_scale
from axlewright_models.reliability.replacement import best_interval_with_minimal_repairs
from axlewright_models.reliability.weibull import Weibull
from axlewright_models.statistics import (
    LocalTrend,
    TrendNoise,
    cusum_step,
    ewma_step,
    local_trend_forecast,
    local_trend_step,
    median_and_sd,
    standard_deviation,
    theil_sen,
    welford_step,
)
from axlewright_models.thermal import cooling
from axlewright_models.vibration import descriptors, spectra


def library(name: str):
    """Return a library's module, or leave the test out."""
    return pytest.importorskip(name, reason=f"the Python package {name.split('.')[0]} is not installed")


@pytest.fixture
def rng():
    return np.random.default_rng(20258)


class TestLifelines:
    def test_weibull_fit_with_censoring_and_its_standard_errors(self, rng):
        lifelines = library("lifelines")
        ages = 700.0 * rng.weibull(2.2, 80)
        limit = rng.uniform(300.0, 1200.0, 80)
        failed, seen = ages <= limit, np.minimum(ages, limit)
        ours, theirs = fit_weibull(seen, failed), lifelines.WeibullFitter().fit(seen, failed)
        # Its optimiser stops at about five digits.
        assert_allclose([ours.life.scale, ours.life.shape], [theirs.lambda_, theirs.rho_], rtol=1e-4)
        assert_allclose(ours.standard_errors, theirs.summary["se(coef)"].to_numpy(), rtol=1e-3)
        assert ours.log_likelihood == pytest.approx(theirs.log_likelihood_, rel=1e-9)
        assert ours.akaike == pytest.approx(theirs.AIC_, rel=1e-9)
        at = np.array([100.0, 400.0, 900.0])
        assert_allclose(ours.life.survival(at), theirs.survival_function_at_times(at), rtol=1e-3)

    def test_exponential_life(self, rng):
        lifelines = library("lifelines")
        ages = rng.exponential(900.0, 50)
        failed, seen = ages <= 1000.0, np.minimum(ages, 1000.0)
        theirs = lifelines.ExponentialFitter().fit(seen, failed)
        assert weibull_scale(seen, failed, 1.0) == pytest.approx(theirs.lambda_, rel=1e-4)


class TestReliability:
    @pytest.mark.parametrize(("shape", "failure"), [(2.5, 5.0), (3.5, 10.0)])
    def test_best_ages_under_both_policies(self, shape, failure):
        systems = library("reliability.Repairable_systems")
        as_new, as_old = (
            systems.optimal_replacement_time(
                1, failure, 1000, shape, q=q, show_time_plot=False, show_ratio_plot=False, print_results=False
            )
            for q in (0, 1)
        )
        best = best_replacement_age(Weibull(1000.0, shape), 1.0, failure)
        assert best.age == pytest.approx(as_new.ORT, abs=0.16)  # half a step of the library's grid of 10,000
        assert best.cost_rate == pytest.approx(as_new.min_cost, rel=1e-6)
        # As good as old: the library charges each minimal repair at the price named for planned maintenance and the
        # replacement at that named for failure, the reverse of what its names say. Ours names the roles.
        minimal = best_interval_with_minimal_repairs(Weibull(1000.0, shape), repair_cost=1.0, replacement_cost=failure)
        assert (minimal.age, minimal.cost_rate) == (pytest.approx(as_old.ORT), pytest.approx(as_old.min_cost))


class TestRiver:
    def test_a_cumulative_sum_about_the_running_mean_is_the_page_hinkley_test(self):
        drift = library("river.drift")
        # The library's own docstring example: change reported at index 1006, value 5.
        chance = random.Random(12345)
        values = chance.choices([0, 1], k=1000) + chance.choices(range(4, 8), k=1000)
        theirs = drift.PageHinkley()
        found = next(number for number, value in enumerate(values) if theirs.update(value) or theirs.drift_detected)
        assert (found, values[found]) == (1006, 5)

    def test_the_sum_and_the_test_call_at_the_same_value(self, rng):
        drift = library("river.drift")
        for _ in range(20):
            values = rng.standard_normal(400)
            values[250:] += 1.0
            test = drift.PageHinkley(min_instances=1, delta=0.5, threshold=6.0, alpha=1.0, mode="up")
            high = low = count = mean = m2 = np.zeros(1)
            for value in values:
                count, mean, m2 = welford_step(count, mean, m2, np.array([value]))
                high, low = cusum_step(high, low, np.array([value]) - mean, 0.5)
                test.update(float(value))
                assert (high[0] > 6.0) == test.drift_detected
                if test.drift_detected:
                    break

    def test_running_moments_and_averages(self, rng):
        stats = library("river.stats")
        moments, average = stats.Var(), stats.EWMean(0.15)
        count = mean = m2 = np.zeros(1)
        level = None
        for value in 1e4 + rng.standard_normal(200):
            moments.update(float(value))
            average.update(float(value))
            count, mean, m2 = welford_step(count, mean, m2, np.array([value]))
            level = np.array([value]) if level is None else ewma_step(level, np.array([value]), 0.15)
        assert float(standard_deviation(count, m2)[0]) ** 2 == pytest.approx(moments.get(), rel=1e-6)
        assert float(level[0]) == pytest.approx(average.get(), rel=1e-12)


class TestStatsmodels:
    def test_local_linear_trend_and_its_forecast(self, rng):
        structural = library("statsmodels.tsa.statespace.structural")
        values = 430.0 - 0.3 * np.arange(40) + rng.standard_normal(40)
        values[[11, 12, 25]] = np.nan
        # Its slope noise comes in steps, ours between readings; the two agree with the slope's noise at 0.
        noise = TrendNoise(value_sd=1.0, level_density=0.04, slope_density=0.0, slope_sd=2.0)
        model = structural.UnobservedComponents(values, level="lltrend")
        # Ours begins with its first value: level known to the value's noise, slope to its own prior.
        model.ssm.initialize_known(np.array([0.0, 0.0]), np.diag([1e9, noise.slope_sd**2]))
        model.loglikelihood_burn = 0
        theirs = model.filter([noise.value_sd**2, noise.level_density, noise.slope_density])
        state, waited = LocalTrend.start(()), 0.0
        for value in values:
            waited += 1.0
            if not np.isnan(value):
                state, waited = local_trend_step(state, value, waited, noise), 0.0
        assert_allclose([float(state.level), float(state.slope)], theirs.filtered_state[:, -1], rtol=1e-6)
        spread = theirs.filtered_state_cov[..., -1]
        assert_allclose([float(state.level_variance), float(state.covariance)], spread[0], rtol=1e-6)
        later = local_trend_forecast(state, 10.0, noise)
        forecast = theirs.get_forecast(10)
        assert float(later.level) == pytest.approx(forecast.predicted_mean[-1], rel=1e-8)
        assert float(later.level_variance) + noise.value_sd**2 == pytest.approx(forecast.var_pred_mean[-1], rel=1e-6)

    def test_median_absolute_deviation(self, rng):
        robust = library("statsmodels.robust")
        values = rng.standard_normal((4, 31))
        # Ours takes the regulation's rounded 1.4826.
        assert_allclose(median_and_sd(values)[1], robust.mad(values, axis=1), rtol=5e-6)


class TestPymannkendall:
    def test_slope_of_theil_and_sen(self, rng):
        kendall = library("pymannkendall")
        values = rng.standard_normal(30) + 0.1 * np.arange(30)
        theirs = kendall.sens_slope(values)
        ours = theil_sen(np.arange(30.0), values)
        assert_allclose([float(ours.slope), float(ours.intercept)], [theirs.slope, theirs.intercept], rtol=1e-12)


class TestFluids:
    def test_air_of_the_cooling_law_is_that_of_the_standard_atmosphere(self):
        air = library("fluids.atmosphere").ATMOSPHERE_1976
        density = 101_325.0 / (287.058 * 300.0)
        assert pytest.approx(air.viscosity(300.0) / density, rel=0.02) == cooling.AIR_VISCOSITY_M2_S
        assert pytest.approx(air.thermal_conductivity(300.0), rel=0.01) == cooling.AIR_CONDUCTIVITY_W_M_K
        prandtl = 1006.0 * air.viscosity(300.0) / air.thermal_conductivity(300.0)
        assert pytest.approx(prandtl, rel=0.02) == cooling.AIR_PRANDTL

    def test_a_leak_is_sonic_from_the_same_pressure_on(self):
        compressible = library("fluids.compressible")
        critical = compressible.P_critical_flow(101.325 + 90.5, 1.4)
        assert critical == pytest.approx(suspension.AMBIENT_KPA, abs=0.02)  # 90.5 kPa is just enough
        suspension.orifice_leak_l_per_min(0.3, 90.5)
        with pytest.raises(ModelError, match=r"90\.5 or more"):
            suspension.orifice_leak_l_per_min(0.3, 90.4)


class TestEndaqCalc:
    def test_power_density_and_rms(self, rng):
        psd, stats = library("endaq.calc.psd"), library("endaq.calc.stats")
        pandas = library("pandas")
        values = rng.standard_normal((12_800, 2))
        frame = pandas.DataFrame(values, index=pandas.Index(np.arange(12_800) / 6400.0, name="time"))
        theirs = psd.welch(frame, bin_width=6.25)
        frequency, density = spectra.power_density(values.T, 6400.0, 1024)
        assert_allclose(frequency, theirs.index)
        assert_allclose(density, theirs.to_numpy().T, rtol=1e-9, atol=1e-15)
        # Ours is about the mean: gravity and drift are no vibration.
        centred = values - values.mean(axis=0)
        assert_allclose(descriptors.rms(values.T), stats.rms(centred, axis=0), rtol=1e-9)
