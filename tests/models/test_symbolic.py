"""Own derivations done again by computer algebra (sympy): joints, pinion angle, air spring, drift of a trend."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from axlewright_models import cardan, driveline, joint_chain, suspension
from axlewright_models.statistics import LocalTrend, TrendNoise, local_trend_forecast
from axlewright_models.thermal import expected_after
from axlewright_models.thermal.estimator import PRIOR, features

sp = pytest.importorskip("sympy", reason="the Python package sympy is not installed")

BETA, TURN, SMALL = sp.symbols("beta theta epsilon", positive=True)
HANDBOOK = sp.atan(sp.tan(TURN) / sp.cos(BETA))  # Mechanical Engineer's Data Handbook, section 2.4.3


class TestJoint:
    def test_speed_ratio_is_the_derivative_of_the_handbooks_arc_tangent(self):
        derived = sp.diff(HANDBOOK, TURN)
        stated = sp.cos(BETA) / (1 - sp.sin(BETA) ** 2 * sp.cos(TURN) ** 2)
        assert sp.simplify(derived - stated) == 0
        at = np.array([3.0, 40.0, 71.0, 130.0])
        ours = cardan.speed_ratio(25.0, at)
        assert_allclose(sp.lambdify((BETA, TURN), derived)(np.deg2rad(25.0), np.deg2rad(at)), ours, rtol=1e-13)

    def test_acceleration_is_its_second_derivative(self):
        derived = sp.diff(HANDBOOK, TURN, 2)
        at = np.array([3.0, 40.0, 71.0, 130.0])
        ours = cardan.angular_acceleration(25.0, at, 1.0)
        assert_allclose(sp.lambdify((BETA, TURN), derived)(np.deg2rad(25.0), np.deg2rad(at)), ours, rtol=1e-12)

    def test_the_peak_lies_where_the_stated_quadratic_vanishes(self):
        # In c = cos(2 theta), s = sin(beta)^2: the square of the acceleration, up to a factor, and its slope in c.
        s, c = sp.symbols("s c")
        square = (1 - c**2) / (1 - s * (1 + c) / 2) ** 4
        numerator = sp.factor(sp.numer(sp.together(sp.diff(square, c))))
        quadratic = s * c**2 + (2 - s) * c - 2 * s
        assert sp.rem(numerator, quadratic, c) == 0
        root = sp.solve(quadratic.subs(s, sp.sin(sp.rad(20)) ** 2), c)
        inside = next(float(one) for one in root if abs(float(one)) <= 1)
        turning = np.rad2deg(np.arccos(inside)) / 2
        peak = abs(cardan.angular_acceleration(20.0, turning, 1.0))
        assert_allclose(cardan.peak_acceleration(20.0, 1.0), peak, rtol=1e-12)

    def test_for_small_angles_the_peak_is_the_square_of_the_angle(self):
        slope = sp.diff(HANDBOOK, TURN, 2)
        second_order = sp.simplify(sp.diff(slope, BETA, 2).subs(BETA, 0) / 2)
        assert sp.simplify(second_order + sp.sin(2 * TURN)) == 0  # so its greatest is beta^2 at 45 degrees


class TestJointsInSeries:
    def test_the_vector_form_of_the_equivalent_angle_is_the_second_order_of_the_exact_composition(self):
        # Two joints of any phases: what a computer algebra system makes of the arc tangents, to order beta^2.
        first, second, one, other = sp.symbols("beta_1 beta_2 phi_1 phi_2", positive=True)

        def behind(turned, angle, phase):
            return sp.atan(sp.tan(turned + phase) / sp.cos(SMALL * angle)) - phase

        composed = behind(behind(TURN, first, one), second, other)
        # The first derivative vanishes at 0 (the angles come in as squares); the second is the first that counts.
        shaken = sp.diff(sp.diff(composed, SMALL, 2).subs(SMALL, 0) / 2, TURN, 2)
        values = {first: 4.0, second: 3.0, one: 0.3, other: 1.1}
        rad = sp.lambdify(TURN, shaken.subs(values))
        swept = np.abs(rad(np.linspace(0.01, np.pi + 0.01, 20_001)))
        ours = joint_chain.equivalent_angle_deg([4.0, 3.0], np.rad2deg([0.3, 1.1]))
        assert_allclose(swept.max(), ours**2, rtol=1e-6)

    def test_in_line_yokes_take_their_angles_from_each_other(self):
        # Phases 0 and 90: the second joint's ratio upside down. To second order b1^2 - b2^2.
        first, second = sp.symbols("beta_1 beta_2", positive=True)
        composed = sp.atan(sp.tan(TURN) * sp.cos(SMALL * second) / sp.cos(SMALL * first))
        shaken = sp.diff(sp.diff(composed, SMALL, 2).subs(SMALL, 0) / 2, TURN, 2)
        assert sp.simplify(shaken + (first**2 - second**2) * sp.sin(2 * TURN)) == 0
        assert_allclose(joint_chain.equivalent_angle_deg([6.0, 5.0]) ** 2, 36.0 - 25.0)


class TestAngles:
    def test_true_angle_is_that_between_two_axes(self):
        side, plan = sp.symbols("S P", positive=True)
        axis = sp.Matrix([1, sp.tan(plan), -sp.tan(side)])
        between = sp.acos(axis[0] / axis.norm())
        stated = sp.atan(sp.sqrt(sp.tan(side) ** 2 + sp.tan(plan) ** 2))
        assert sp.simplify(sp.cos(between) ** 2 - sp.cos(stated) ** 2) == 0
        for s, p in ((2.5, 2.15), (10.0, 8.0)):
            exact = float(sp.deg(between.subs({side: sp.rad(s), plan: sp.rad(p)})).evalf())
            assert_allclose(cardan.true_angle_deg(s, p), exact, rtol=1e-12)

    def test_pinion_angle_change_solves_the_circle_about_the_pivot(self):
        # The axle's centre stays on a circle of the arm's length about the pivot: solved for the angle, at 50 digits.
        pitch = sp.symbols("pitch")
        for arm, pivot, change in ((600, 40, -15), (550, -30, 35)):
            before = sp.asin(sp.Rational(pivot, arm))
            solved = sp.nsolve(arm * sp.sin(before + pitch) - (pivot + change), pitch, 0, prec=50)
            ours = driveline.pinion_angle_change_deg(float(arm), float(pivot), float(change))
            assert_allclose(ours, float(sp.deg(solved).evalf()), rtol=1e-12)

    def test_pinion_angle_change_starts_as_height_over_the_arms_reach(self):
        arm, pivot, change = sp.symbols("L h d", positive=True)
        exact = sp.asin((pivot + change) / arm) - sp.asin(pivot / arm)
        slope = sp.simplify(sp.diff(exact, change).subs(change, 0))
        assert sp.simplify(slope - 1 / sp.sqrt(arm**2 - pivot**2)) == 0
        # The second derivative says how soon the rule of thumb fails: 1 % here.
        bend = sp.diff(exact, change, 2).subs(change, 0)
        rule = (slope * change + bend * change**2 / 2).subs({arm: 600, pivot: 120, change: 20})
        ours = np.deg2rad(driveline.pinion_angle_change_deg(600.0, 120.0, 20.0))
        assert_allclose(ours, float(rule), rtol=2.5e-4)
        assert abs(float(ours / (20.0 / 600.0)) - 1.0) > 0.02


class TestBeyondTheDriveline:
    def test_air_spring_stiffness_is_the_derivative_of_its_force(self):
        travel, area, height, slope, pressure, ambient, power = sp.symbols("x A h a p p_a n", positive=True)
        volume = area * height - area * travel - slope * travel**2 / 2
        force = (pressure * (area * height / volume) ** power - ambient) * (area + slope * travel)
        stiffness = sp.simplify(sp.diff(force, travel).subs(travel, 0))
        assert sp.simplify(stiffness - (power * pressure * area / height + (pressure - ambient) * slope)) == 0
        values = {area: 0.07, height: 0.2, slope: 0.02, pressure: 521325.0, ambient: 101325.0, power: 1.38}
        ours = suspension.air_spring_stiffness(420.0, 700.0, 200.0, 0.2) * 1000.0
        assert_allclose(ours, float(stiffness.subs(values)), rtol=1e-12)

    def test_the_drift_of_a_trend_adds_the_integrals_of_white_noise(self):
        # Slope noise of density q reaches level and slope of a time `ahead` later weighted by (ahead - s) and 1.
        ahead, moment, density = sp.symbols("T s q", positive=True)
        weights = sp.Matrix([ahead - moment, 1])
        added = sp.integrate(density * weights * weights.T, (moment, 0, ahead))
        state = LocalTrend(*(np.array(0.0) for _ in range(5)))
        later = local_trend_forecast(state, 7.0, TrendNoise(1.0, 0.0, 0.02, 1.0))
        exact = np.array(added.subs({ahead: 7, density: sp.Rational(2, 100)}), dtype=float)
        got = [[later.level_variance, later.covariance], [later.covariance, later.slope_variance]]
        assert_allclose(np.array(got, dtype=float), exact, rtol=1e-12)

    def test_expected_lube_temperature_solves_its_differential_equation(self):
        time, heat, cooling, ambient, start = sp.symbols("t u c T_a T_0", positive=True)
        lube = sp.Function("T")
        law = sp.Eq(lube(time).diff(time), heat - cooling * (lube(time) - ambient))
        solved = sp.dsolve(law, lube(time), ics={lube(0): start}).rhs
        row = features(25.0, 500.0, 150.0, 1.0, 0.0)  # one kelvin of excess splits heat from cooling
        heat_value = float(PRIOR.theta[:2] @ row[:2])
        cooling_value = float(-PRIOR.theta[2:] @ row[2:])
        values = {time: 900.0, heat: heat_value, cooling: cooling_value, ambient: 12.0, start: 40.0}
        ours = expected_after(PRIOR.theta, 40.0, 12.0, 25.0, 500.0, 150.0, 900.0)
        assert_allclose(ours, float(solved.subs(values)), rtol=1e-10)
