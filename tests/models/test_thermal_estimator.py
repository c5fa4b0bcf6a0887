"""The learnt balance: recovers what made the data, knows how sure it is, and survives bad data."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from axlewright_models.thermal import PRIOR, Axle, Duty, expected_after, features, predict, rls_step, settled_cel
from axlewright_models.thermal.balance import advance, steady_state

STEP_S, NOISE = 300.0, 0.5


def drive(rng, axles, steps):
    """Yield features times 300 s for varied driving; the lube temperature is drawn, not followed."""
    for _ in range(steps):
        speed = np.clip(rng.normal(20.0, 8.0, axles), 0.0, 30.0)
        torque = rng.normal(300.0, 300.0, axles)
        lube = rng.uniform(20.0, 100.0, axles)
        yield STEP_S * features(speed, torque, 6.2 * speed, lube, rng.uniform(-10.0, 30.0, axles))


def test_without_forgetting_the_estimate_is_ridge_regression(rng):
    # Second way: the posterior of a linear law with a Gaussian prior, solved at once.
    theta, covariance = PRIOR.start(1)
    rows, targets = [], []
    for row in drive(rng, 1, 40):
        target = row @ (1.1 * PRIOR.theta) + NOISE * rng.standard_normal(1)
        theta, covariance, _, _ = rls_step(theta, covariance, row, target, 1.0, noise_sd=NOISE)
        rows.append(row[0])
        targets.append(target[0])
    design, y = np.array(rows) / NOISE, np.array(targets) / NOISE
    scale = np.sqrt(np.diagonal(PRIOR.covariance))
    information = (design * scale).T @ (design * scale) + np.eye(4)
    expected = np.linalg.solve(information, (design * scale).T @ y + PRIOR.theta / scale) * scale
    assert_allclose(theta[0], expected, rtol=1e-7)
    assert_allclose(covariance[0], np.linalg.inv(information) * np.outer(scale, scale), rtol=1e-6)


def test_stabilised_forgetting_is_the_weighted_regression_that_it_claims_to_be(rng):
    # Information after n steps: w^n prior + sum w^(n-i) row row' + (1 - w) sum w^(n-i) prior = prior + weighted data.
    forgetting = 0.95
    theta, covariance = PRIOR.start(1)
    scale = np.sqrt(np.diagonal(PRIOR.covariance))
    information, vector = np.eye(4), PRIOR.theta / scale
    for row in drive(rng, 1, 60):
        target = row @ PRIOR.theta + NOISE * rng.standard_normal(1)
        theta, covariance, _, _ = rls_step(theta, covariance, row, target, forgetting, noise_sd=NOISE)
        scaled = row[0] * scale / NOISE
        information = forgetting * information + (1 - forgetting) * np.eye(4) + np.outer(scaled, scaled)
        vector = forgetting * vector + (1 - forgetting) * PRIOR.theta / scale + scaled * target[0] / NOISE
    assert_allclose(theta[0], np.linalg.solve(information, vector) * scale, rtol=1e-6)
    assert_allclose(covariance[0], np.linalg.inv(information) * np.outer(scale, scale), rtol=1e-6)


def test_parameters_of_many_axles_are_recovered_with_honest_uncertainty(rng):
    axles = 400
    truth = PRIOR.theta + np.sqrt(np.diagonal(PRIOR.covariance)) * np.clip(rng.standard_normal((axles, 4)), -1.5, 1.5)
    theta, covariance = PRIOR.start(axles)
    scores = []
    for row in drive(rng, axles, 250):
        target = np.sum(row * truth, axis=1) + NOISE * rng.standard_normal(axles)
        theta, covariance, innovation, sd = rls_step(theta, covariance, row, target, 1.0, noise_sd=NOISE)
        scores.append(innovation / sd)
    # One-step predictions: standardised errors of mean 0 and deviation 1 (100,000 of them).
    assert np.mean(scores) == pytest.approx(0.0, abs=0.02)
    assert np.std(scores) == pytest.approx(1.0, abs=0.02)
    error = (theta - truth) / np.sqrt(np.diagonal(covariance, axis1=1, axis2=2))
    # 1,600 errors, some bent by the bounds: a deviation near 1.
    assert np.std(error) == pytest.approx(1.0, abs=0.1)
    assert np.median(np.abs(theta / truth - 1.0)) < 0.05


def test_a_changed_axle_is_followed_within_the_memory(rng):
    theta, covariance = PRIOR.start(200)
    for part, factor in ((200, 1.0), (300, 1.5)):
        truth = PRIOR.theta * np.array([1.0, factor, 1.0, 1.0])
        for row in drive(rng, 200, part):
            target = row @ truth + NOISE * rng.standard_normal(200)
            theta, covariance, _, _ = rls_step(theta, covariance, row, target, 0.99, noise_sd=NOISE)
    # Memory of 100 observations, 300 have passed: e^-3 of the old value is left, 2.5 % of the change.
    assert np.median(theta[:, 1]) / PRIOR.theta[1] == pytest.approx(1.5, abs=0.05)


def test_rows_with_gaps_leave_their_axle_bit_for_bit(rng):
    theta, covariance = PRIOR.start(5)
    rows = next(drive(rng, 5, 1))
    theta, covariance, _, _ = rls_step(theta, covariance, rows, np.ones(5))
    rows[1, 2] = np.nan
    target = np.array([1.0, 1.0, np.nan, np.inf, 1.0])
    new_theta, new_covariance, innovation, sd = rls_step(theta, covariance, rows, target)
    for axle in (1, 2, 3):
        assert_array_equal(new_theta[axle], theta[axle])
        assert_array_equal(new_covariance[axle], covariance[axle])
        assert np.isnan(innovation[axle]) and np.isnan(sd[axle])
    assert np.all(new_theta[[0, 4]] != theta[[0, 4]])


@pytest.mark.parametrize("kind", ["parked", "one-speed", "nothing", "wild"])
def test_covariance_stays_positive_definite_and_below_the_prior_under_poor_excitation(kind, rng):
    theta, covariance = PRIOR.start(3)
    scale = np.sqrt(np.diagonal(PRIOR.covariance))
    rows = {
        "parked": STEP_S * features(0.0, 0.0, 0.0, 40.0, 20.0),
        "one-speed": STEP_S * features(25.0, 350.0, 155.0, 80.0, 20.0),
        "nothing": np.zeros(4),
        "wild": np.full(4, 1e6),
    }
    row = np.tile(rows[kind], (3, 1))
    for _ in range(5000):
        target = row @ PRIOR.theta + NOISE * rng.standard_normal(3)
        theta, covariance, _, _ = rls_step(theta, covariance, row, target, 0.98, noise_sd=NOISE)
    scaled = covariance / np.outer(scale, scale)
    assert_allclose(scaled, np.swapaxes(scaled, 1, 2), atol=1e-9)
    eigenvalues = np.linalg.eigvalsh(scaled)
    assert eigenvalues.min() > 0.0
    assert eigenvalues.max() < 1.0 + 1e-6
    # What the data say nothing about is as uncertain as in the beginning, and the estimate has gone back to the prior.
    assert eigenvalues[:, -1].min() > 0.99
    if kind == "nothing":
        assert_allclose(theta, np.tile(PRIOR.theta, (3, 1)), rtol=1e-9)


def test_estimate_never_leaves_its_bounds_whatever_the_data(rng):
    theta, covariance = PRIOR.start(50)
    for row in drive(rng, 50, 100):
        target = 200.0 * rng.standard_normal(50)
        theta, covariance, _, _ = rls_step(theta, covariance, row, target, 0.95, noise_sd=NOISE)
        assert np.all(theta >= PRIOR.low) and np.all(theta <= PRIOR.high)
        assert np.isfinite(covariance).all()


def test_an_axles_result_is_bit_for_bit_the_same_whoever_stands_beside_it(rng):
    # A replay in other batches must give the very same state; a lone row must not take another path in numpy.
    theta, covariance = PRIOR.start(7)
    parts = [list(PRIOR.start(7)) for _ in range(2)]
    for row in drive(rng, 7, 30):
        target = rng.standard_normal(7)
        theta, covariance, innovation, sd = rls_step(theta, covariance, row, target)
        for state, groups in zip(parts, ([[k] for k in range(7)], [[6, 2, 0], [1, 3, 5, 4]]), strict=True):
            for group in groups:
                one = rls_step(state[0][group], state[1][group], row[group], target[group])
                state[0][group], state[1][group] = one[:2]
                assert_array_equal(one[2], innovation[group])
                assert_array_equal(one[3], sd[group])
    for state in parts:
        assert_array_equal(state[0], theta)
        assert_array_equal(state[1], covariance)


def test_prediction_spread_is_noise_plus_parameters():
    row = STEP_S * features(25.0, 350.0, 155.0, 80.0, 20.0)
    mean, sd = predict(PRIOR.theta, PRIOR.covariance, row, NOISE)
    assert float(mean) == pytest.approx(float(row @ PRIOR.theta))
    assert float(sd) ** 2 == pytest.approx(float(row @ PRIOR.covariance @ row) + NOISE**2)


def test_closed_form_of_the_law_equals_small_steps():
    lube = 20.0
    for _ in range(6000):
        rate = features(25.0, 400.0, 150.0, lube, 15.0) @ PRIOR.theta
        lube += 0.5 * rate
    at_once = expected_after(PRIOR.theta, 20.0, 15.0, 25.0, 400.0, 150.0, 3000.0)
    assert float(at_once) == pytest.approx(lube, abs=0.01)


def test_settled_temperature_and_its_spread_agree_with_sampling(rng):
    covariance = PRIOR.covariance * 0.01  # the delta method is for small spreads
    settled, sd = settled_cel(PRIOR.theta, covariance, 20.0, 25.0, 400.0, 150.0)
    draws = rng.multivariate_normal(PRIOR.theta, covariance, 20000)
    many, _ = settled_cel(draws, np.broadcast_to(covariance, (20000, 4, 4)), 20.0, 25.0, 400.0, 150.0)
    assert float(settled) == pytest.approx(np.median(many), abs=0.2)
    assert float(sd) == pytest.approx(many.std(), rel=0.03)
    later = expected_after(PRIOR.theta, 20.0, 20.0, 25.0, 400.0, 150.0, 1e6)
    assert float(later) == pytest.approx(float(settled))


def test_one_mass_law_learnt_from_two_mass_truth_predicts_where_it_settles(rng):
    # A plant of another structure: two masses, viscosity that falls with heat, free convection. 40 hours of mixed
    # driving.
    axle, duty_hours = Axle(), 20
    theta, covariance = (part[0] for part in PRIOR.start(1))
    lube = housing = np.float64(15.0)
    for _ in range(int(duty_hours * 3600 / STEP_S / 6)):
        speed, torque = float(np.clip(rng.normal(20.0, 7.0), 0.0, 29.0)), float(abs(rng.normal(350.0, 200.0)))
        duty = Duty(speed, torque, 6.2 * speed, 15.0)
        for _ in range(6):  # each duty lasts half an hour
            row = STEP_S * features(speed, torque, 6.2 * speed, lube, 15.0)
            before = lube
            lube, housing = advance(axle, duty, lube, housing, STEP_S)
            target = lube - before + 0.3 * rng.standard_normal()
            theta, covariance, _, _ = rls_step(theta, covariance, row, target, 0.998, noise_sd=1.0)
    learnt, _ = settled_cel(theta, covariance, 15.0, 25.0, 400.0, 155.0)
    true = steady_state(axle, Duty(25.0, 400.0, 155.0, 15.0))[0]
    before, _ = settled_cel(PRIOR.theta, PRIOR.covariance, 15.0, 25.0, 400.0, 155.0)
    assert abs(float(learnt) - float(true)) < 5.0 < abs(float(before) - float(true))


@pytest.fixture
def rng():
    return np.random.default_rng(20256)
