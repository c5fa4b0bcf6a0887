"""The line learnt pair by pair against regression by other means."""

from __future__ import annotations

import numpy as np
import pytest

from axlewright_models.statistics.line import PARTS, line_at, line_step

RANDOM = np.random.default_rng(11)
X = RANDOM.uniform(40.0, 70.0, (30, 4))
Y = 0.1 + 0.002 * X + RANDOM.normal(0.0, 0.02, X.shape)


def learnt(x, y):
    line = np.zeros((x.shape[1], PARTS))
    for at, value in zip(x, y, strict=True):
        line = line_step(line, at, value)
    return line


def test_with_a_vague_belief_it_is_the_least_squares_line():
    at = np.full(4, 20.0)
    usual, scatter, _ = line_at(learnt(X, Y), at, slope_sd=1e3, least_sd=0.0)
    for column in range(4):
        fit, (left, *_) = np.polyfit(X[:, column], Y[:, column], 1, full=True)[:2]
        assert usual[column] == pytest.approx(np.polyval(fit, 20.0), rel=1e-9)
        assert scatter[column] == pytest.approx(np.sqrt(left.item() / 28.0), rel=1e-9)


def test_its_doubt_is_that_of_bayesian_regression_with_known_noise():
    line, at = learnt(X, Y), np.array([10.0, 50.0, 90.0, -30.0])
    usual, scatter, doubt = line_at(line, at, slope_sd=0.003, least_sd=0.0)
    for column in range(4):
        # Precision matrix of (level at the mean, slope): flat belief about the level, N(0, 0.003^2) about the slope.
        centre = X[:, column].mean()
        design = np.stack([np.ones(30), X[:, column] - centre], axis=1)
        precision = design.T @ design / scatter[column] ** 2 + np.diag([0.0, 0.003**-2])
        mean = np.linalg.solve(precision, design.T @ Y[:, column] / scatter[column] ** 2)
        where = np.array([1.0, at[column] - centre])
        assert usual[column] == pytest.approx(where @ mean, rel=1e-9)
        assert doubt[column] == pytest.approx(np.sqrt(where @ np.linalg.solve(precision, where)), rel=1e-9)


def test_pairs_at_one_place_tell_no_slope_and_leave_the_belief_as_the_doubt():
    x = np.full((20, 1), 60.0)
    usual, _, doubt = line_at(learnt(x, np.tile([[0.1], [0.12]], (10, 1))), np.array([30.0]), 0.003, 0.001)
    assert usual[0] == pytest.approx(0.11)
    assert doubt[0] == pytest.approx(0.003 * 30.0, rel=0.01)


def test_pairs_that_tell_as_much_as_a_third_widen_the_doubt_and_lessen_the_slope():
    line, at = learnt(X, Y), np.full(4, 10.0)
    alone, _, sure = line_at(line, at, 0.003, 0.001)
    alike, _, unsure = line_at(line, at, 0.003, 0.001, alike=3.0)
    assert (unsure > 1.3 * sure).all() and (unsure < np.sqrt(3.0) * sure + 1e-12).all()
    assert (np.abs(alike - line[:, 2]) < np.abs(alone - line[:, 2])).all()
