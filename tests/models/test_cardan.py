"""Cardan joints against published problems, tables, and against differentiation by numbers."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from axlewright_models import cardan, joint_chain
from axlewright_models.errors import ModelError

TURN = np.linspace(0.0, 360.0, 721)
SPEED_1800 = 1800 * np.pi / 30


class TestOneJoint:
    def test_speed_swing_of_100_per_minute_at_1200_needs_16_42_degrees(self):
        # Textbook problem: cos(beta) = (-1 + sqrt(577)) / 24. The copy on the web prints 16.2 degrees, which is wrong:
        # 16.2 would give a swing of 97.3 per minute.
        angle = cardan.angle_from_speed_swing_deg(1200.0, 100.0)
        assert_allclose(np.cos(np.deg2rad(angle)), (-1 + np.sqrt(577)) / 24, rtol=1e-12)
        assert round(angle, 2) == 16.42
        ratios = cardan.speed_ratio(angle, [0.0, 90.0])
        assert_allclose(1200 * ratios, [1251.04, 1151.04], atol=0.005)

    def test_25_degrees_at_100_rad_per_second_swings_between_the_printed_speeds(self):
        # Textbook problem: 110.34 and 90.63 rad/s.
        speeds = 100 * cardan.speed_ratio(25.0, TURN)
        assert_allclose([speeds.max(), speeds.min()], [110.34, 90.63], atol=0.005)

    def test_20_degrees_at_500_per_minute_reaches_the_printed_minimum(self):
        # Textbook problem for a double joint: 469.85 printed, 532.09 its counterpart.
        speeds = 500 * cardan.speed_ratio(20.0, TURN)
        assert_allclose([speeds.min(), speeds.max()], [469.85, 532.09], atol=0.005)

    def test_20_degrees_at_1500_per_minute_gives_the_inertia_torque_of_the_textbook_rotor(self):
        # 12 kg at 0.1 m radius of gyration: 3083.4 rad/s2 and 370.0 N.m exactly; the book prints about 3090 and 371
        # (from memory), 0.2 % more.
        acceleration = float(cardan.peak_acceleration(20.0, 1500 * np.pi / 30))
        assert_allclose(acceleration, 3083.4, atol=0.05)
        assert_allclose(acceleration * 12 * 0.1**2, 370.0, atol=0.05)

    @pytest.mark.parametrize(
        ("angle", "peak"),  # computed independently from the closed form (reference table)
        [
            (1, 3.0463e-4),
            (3, 2.7428e-3),
            (5, 7.6253e-3),
            (10, 0.030626),
            (15, 0.069434),
            (20, 0.124966),
            (30, 0.294571),
        ],
    )
    def test_peak_acceleration_follows_the_table(self, angle, peak):
        assert_allclose(cardan.peak_acceleration(angle, 1.0), peak, rtol=2e-5)

    @pytest.mark.parametrize("angle", [0.5, 5.0, 20.0, 60.0])
    def test_peak_is_the_greatest_of_a_fine_sweep(self, angle):  # second way: brute force
        swept = np.abs(cardan.angular_acceleration(angle, np.linspace(0, 180, 200_001), 1.0)).max()
        assert_allclose(cardan.peak_acceleration(angle, 1.0), swept, rtol=1e-8)

    @pytest.mark.parametrize("angle", [3.0, 30.0])
    def test_ratio_and_acceleration_are_the_derivatives_of_the_driven_angle(self, angle):  # second way: differences
        step = 1e-3
        ahead, behind = cardan.driven_angle_deg(angle, TURN + step), cardan.driven_angle_deg(angle, TURN - step)
        assert_allclose((ahead - behind) / (2 * step), cardan.speed_ratio(angle, TURN), rtol=1e-8)
        slope = (cardan.speed_ratio(angle, TURN + step) - cardan.speed_ratio(angle, TURN - step)) / (
            2 * np.deg2rad(step)
        )
        assert_allclose(slope, cardan.angular_acceleration(angle, TURN, 1.0), atol=1e-8)

    def test_driven_angle_is_the_arc_tangent_of_the_handbook_on_its_first_branch(self):
        turning = np.linspace(-89, 89, 179)
        handbook = np.rad2deg(np.arctan(np.tan(np.deg2rad(turning)) / np.cos(np.deg2rad(20))))
        assert_allclose(cardan.driven_angle_deg(20.0, turning), handbook, atol=1e-10)

    def test_driven_angle_follows_from_two_yokes_that_stay_at_right_angles(self):
        # Second way, from vectors alone: the cross keeps both pins perpendicular.
        beta, turning = np.deg2rad(35.0), np.deg2rad(TURN)
        driven = np.deg2rad(cardan.driven_angle_deg(35.0, TURN)) + np.pi / 2
        nought = np.zeros_like(turning)
        pin_1 = np.stack([nought, np.cos(turning), np.sin(turning)])
        in_plane = np.array([-np.sin(beta), np.cos(beta), 0.0])[:, np.newaxis]
        pin_2 = np.cos(driven) * in_plane + np.sin(driven) * np.array([[0.0], [0.0], [1.0]])
        assert_allclose((pin_1 * pin_2).sum(axis=0), 0.0, atol=1e-12)

    def test_equal_speeds_where_the_tangent_is_the_root_of_the_cosine(self):
        # Handbook, section 2.4.3: tan(theta) = sqrt(cos(beta)), theta here counted from the plane of the angle.
        beta = 25.0
        turning = np.rad2deg(np.arctan(np.sqrt(np.cos(np.deg2rad(beta)))))
        assert_allclose(cardan.speed_ratio(beta, turning), 1.0, rtol=1e-12)

    def test_a_right_angle_is_refused(self):
        with pytest.raises(ModelError, match="joint_angle_deg holds 90; a Cardan joint turns only below 90 degrees"):
            cardan.speed_ratio([3.0, 90.0], 0.0)


class TestTrueAngle:
    def test_trade_example_rounds_to_3_3(self):
        assert_allclose(cardan.true_angle_deg(2.5, 2.15), 3.2956, atol=5e-5)  # small-angle form: 3.297
        assert_allclose(np.hypot(2.5, 2.15), 3.297, atol=5e-4)

    def test_large_angles_fall_short_of_the_small_angle_form(self):
        assert_allclose(cardan.true_angle_deg(10.0, 8.0), 12.707, atol=5e-4)  # root of the squares: 12.806

    def test_true_angle_is_the_arc_cosine_of_the_axes(self):  # second way: dot product
        side, plan = np.tan(np.deg2rad(10.0)), np.tan(np.deg2rad(8.0))
        axis = np.array([1.0, plan, -side]) / np.sqrt(1 + plan**2 + side**2)
        assert_allclose(cardan.true_angle_deg(10.0, 8.0), np.rad2deg(np.arccos(axis[0])), rtol=1e-12)


class TestJointsInSeries:
    @pytest.mark.parametrize(
        ("angles", "phases", "exact", "formula"),  # 1800 1/min, computed independently (reference, section 3)
        [
            ([4, 3], None, 75.86, 75.76),
            ([6, 5], None, 119.43, 119.06),
            ([5, 3, 4], None, 346.8, 346.3),
            ([4, 3], [0, 0], 270.77, 270.58),
        ],
    )
    def test_exact_composition_and_formula_agree_with_the_reference(self, angles, phases, exact, formula):
        assert_allclose(joint_chain.chain_peak_acceleration(SPEED_1800, angles, phases)[-1], exact, rtol=1.5e-4)
        assert_allclose(joint_chain.torsional_excitation(SPEED_1800, angles, phases), formula, rtol=1.5e-4)

    def test_equal_angles_in_phase_give_constant_velocity(self):
        # Fischer & Paul, double Cardan driveline: equal angles with zero relative phase give constant velocity.
        turned, ratio, slope = joint_chain.chain_motion([12.0, 12.0], None, TURN)
        assert_allclose(ratio[1], 1.0, atol=1e-14)
        assert_allclose(slope[1], 0.0, atol=1e-14)
        assert_allclose(turned[1], TURN, atol=1e-11)

    def test_unequal_angles_have_their_least_at_zero_phase_and_it_is_not_nought(self):
        # Fischer & Paul: unequal angles give a minimum, not zero.
        errors = np.arange(-40.0, 41.0, 5.0)
        peaks = [joint_chain.chain_peak_acceleration(1.0, [6.0, 4.0], [0.0, 90.0 + error])[-1] for error in errors]
        assert errors[int(np.argmin(peaks))] == 0.0
        assert min(peaks) > 0.005

    def test_chain_is_the_joints_one_after_another(self):
        # Second way: the handbook's arc tangent applied twice by hand.
        beta_1, beta_2 = np.deg2rad(8.0), np.deg2rad(5.0)
        turning = np.deg2rad(np.linspace(1, 89, 45))
        first = np.arctan(np.tan(turning) / np.cos(beta_1))
        second = np.arctan(np.tan(first) * np.cos(beta_2))  # a quarter turn on, the ratio is upside down
        turned, _, _ = joint_chain.chain_motion([8.0, 5.0], None, np.rad2deg(turning))
        assert_allclose(turned, np.rad2deg([first, second]), atol=1e-10)

    def test_chain_derivatives_agree_with_differences(self):
        phases, step = [10.0, 75.0, -20.0], 1e-3
        ahead, ratio_ahead, _ = joint_chain.chain_motion([5.0, 9.0, 7.0], phases, TURN + step)
        behind, ratio_behind, _ = joint_chain.chain_motion([5.0, 9.0, 7.0], phases, TURN - step)
        _, ratio, slope = joint_chain.chain_motion([5.0, 9.0, 7.0], phases, TURN)
        assert_allclose((ahead - behind) / (2 * step), ratio, rtol=1e-8)
        assert_allclose((ratio_ahead - ratio_behind) / (2 * np.deg2rad(step)), slope, atol=1e-8)

    def test_no_joint_gains_or_loses_a_turn(self):
        # A conservation law: the mean of the speed ratio over a turn is exactly 1.
        _, ratio, _ = joint_chain.chain_motion([15.0, 10.0, 5.0], [0.0, 30.0, 80.0], np.arange(0.0, 360.0))
        assert_allclose(ratio.mean(axis=-1), 1.0, rtol=1e-12)

    @pytest.mark.parametrize("phases", [[0, 90], [0, 60], [20, 65]])
    def test_formula_between_the_signs_is_within_one_percent(self, phases):
        # The complex form of the equivalent angle is our own; the exact composition is its second way.
        formula = joint_chain.torsional_excitation(1.0, [5.0, 3.0], phases)
        assert_allclose(formula, joint_chain.chain_peak_acceleration(1.0, [5.0, 3.0], phases)[-1], rtol=0.01)

    def test_drive_side_inertial_excitation_is_the_acceleration_of_the_shaft_between(self):
        drive, coast = joint_chain.inertial_excitation(SPEED_1800, [6.0, 5.0, 3.0])
        exact = joint_chain.chain_peak_acceleration(SPEED_1800, [6.0, 5.0, 3.0])
        assert_allclose(drive, exact[:-1].max(), rtol=0.006)
        from_rear = joint_chain.chain_peak_acceleration(SPEED_1800, [3.0, 5.0, 6.0])
        assert_allclose(coast, from_rear[:-1].max(), rtol=0.006)

    def test_a_single_joint_has_no_shaft_between(self):
        with pytest.raises(ModelError, match="holds 1 joint"):
            joint_chain.inertial_excitation(100.0, [3.0])

    def test_many_axles_at_once_equal_one_at_a_time(self, rng):
        angles, phases = rng.uniform(0, 8, (7, 4)), rng.uniform(-90, 90, (7, 4))
        together = joint_chain.chain_peak_acceleration(np.full(7, 180.0), angles, phases)
        alone = [joint_chain.chain_peak_acceleration(180.0, a, p) for a, p in zip(angles, phases, strict=True)]
        assert_allclose(together, alone, rtol=1e-12)


class TestLimits:
    # "Design Guidelines for Drive Shaft Installation Angle", referring to SAE AE-7, section 3.1.1.
    TABLE = (
        (1500, [7.3, 7.4, 7.6, 7.9, 8.3, 8.9, 9.5, 10.1, 10.8, 11.6]),
        (1600, [6.9, 6.9, 7.1, 7.5, 7.9, 8.5, 9.1, 9.8, 10.5]),
        (1700, [6.5, 6.5, 6.8, 7.1, 7.6, 8.2, 8.8]),
    )

    @pytest.mark.parametrize(("speed", "allowed"), TABLE)
    def test_400_rad_per_second_squared_gives_the_published_two_joint_table(self, speed, allowed):
        first = np.arange(len(allowed))
        # The table is rounded to 0.1 degree, here and there downward.
        assert_allclose(joint_chain.highest_second_angle_deg(first, speed, 400.0), allowed, atol=0.1)

    def test_single_joint_limit_is_the_angle_that_just_reaches_the_acceleration(self):
        angle = joint_chain.highest_joint_angle_deg(1900.0, 400.0)
        assert_allclose(joint_chain.torsional_excitation(1900 * np.pi / 30, [float(angle)]), 400.0, rtol=1e-12)

    def test_the_trades_table_for_one_joint_means_about_a_thousand_rad_per_second_squared(self):
        # Speed and angle tables of the trade (common practice, no published source): 855 to 1023 rad/s2.
        speeds = np.array([5000, 4500, 4000, 3500, 3000, 2500, 2000, 1500])
        angles = np.array([3.2, 3.7, 4.2, 5.0, 5.8, 7.0, 8.7, 11.5])
        excitation = joint_chain.torsional_excitation(speeds * np.pi / 30, angles[:, np.newaxis])
        assert_allclose([excitation.min(), excitation.max()], [855, 1023], atol=2)
        # So with 855 as the limit no angle of the table is exceeded.
        assert np.all(joint_chain.highest_joint_angle_deg(speeds, 855.0) <= angles + 0.01)

    def test_a_shaft_at_rest_has_no_limit(self):
        with pytest.raises(ModelError, match="above 0"):
            joint_chain.highest_joint_angle_deg(0.0, 400.0)


@pytest.fixture
def rng():
    return np.random.default_rng(20)
