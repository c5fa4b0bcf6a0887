"""Ride height, pinion angle, joint angles and excitation."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from axlewright_models import driveline, driveline_geometry, joint_chain
from axlewright_models.driveline import DriveAxle, Driveline, Run, Shaft
from axlewright_models.errors import ModelError, SpecificationError
from axlewright_models.spec import DrivelineSpec, ShaftSpec, SuspensionSpec, VehicleSpec

INFINITE = float("inf")
TRACTOR = VehicleSpec(
    id="t-1",
    type="tractor",
    driveline=DrivelineSpec(
        transmission_angle_deg=4.0,
        shafts=(ShaftSpec(length_mm=1600.0, angle_deg=5.5), ShaftSpec(length_mm=750.0, angle_deg=5.2)),
    ),
)


class TestPinionAngle:
    @pytest.mark.parametrize(
        ("arm", "per_10_mm", "per_inch"),  # own geometry, computed independently (reference, section 3)
        [(500, 1.146, 2.91), (600, 0.955, 2.43), (700, 0.819, 2.08), (800, 0.716, 1.82)],
    )
    def test_change_per_height_follows_the_table(self, arm, per_10_mm, per_inch):
        assert_allclose(driveline.pinion_angle_change_deg(arm, 0.0, 10.0), per_10_mm, atol=5e-4)
        assert_allclose(driveline.pinion_angle_change_deg(arm, 0.0, 25.4), per_inch, atol=6e-3)

    def test_change_is_what_a_circle_about_the_pivot_gives(self):  # second way: coordinates on a circle
        before, after = np.array([np.sqrt(600**2 - 40**2), -40.0]), np.array([np.sqrt(600**2 - 25**2), -25.0])
        turned = np.arctan2(before[0] * after[1] - before[1] * after[0], before @ after)
        # Frame 15 mm low: pivot only 25 mm above the axle, nose down.
        assert_allclose(driveline.pinion_angle_change_deg(600.0, 40.0, -15.0), -np.rad2deg(turned), rtol=1e-12)
        assert driveline.pinion_angle_change_deg(600.0, 40.0, -15.0) < 0.0

    def test_a_pivot_behind_the_axle_reverses_the_sign(self):
        ahead, behind = (driveline.pinion_angle_change_deg(sign * 600.0, 40.0, -15.0) for sign in (1, -1))
        assert_allclose(behind, -ahead, rtol=1e-12)

    def test_parallel_rods_keep_the_pitch(self):
        assert driveline.pinion_angle_change_deg(INFINITE, 0.0, -30.0) == 0.0

    def test_a_height_beyond_the_arm_is_refused(self):
        with pytest.raises(ModelError, match="put the pivot 640 mm from the axle's level, more than arm_length_mm 600"):
            driveline.pinion_angle_change_deg(600.0, 40.0, 600.0)


class TestJointAngles:
    def test_side_view_angles_are_differences(self):
        assert_allclose(driveline.joint_angles_deg([1.0, 4.5, 2.5]), [3.5, 2.0], atol=1e-12)

    @pytest.mark.parametrize(("rear", "expected"), [(12.0, [3.5, 2.0, 2.5, 7.0]), (-12.0, [3.5, 2.0, 2.5, 17.0])])
    def test_worked_figure_of_the_army_manual_with_both_signs(self, rear, expected):
        # US Army TM 5-4210-230-14&P-1, 6x4 figure: rear yoke 12, inter-axle shaft 5, forward output yoke 2.5, input
        # yoke 2.5, front shaft 4.5, transmission 1 degree; the text gives no signs, hence both.
        angles = driveline.joint_angles_deg([1.0, 4.5, 2.5, 5.0, rear])
        assert_allclose(angles, expected, atol=1e-12)

    def test_plan_angle_adds_as_the_true_angle(self):
        straight = driveline.joint_angles_deg([0.0, 2.5], [0.0, 2.15])
        assert_allclose(straight, 3.2956, atol=5e-5)  # trade example, exact form

    def test_positions_of_the_joints_give_the_angles_seen_from_side_and_above(self):
        # Reference, section 3: plan angle = atan(lateral offset / length). Trade example 2.5 and 2.15 degrees again.
        drop, aside = 1500 * np.tan(np.deg2rad([2.5, 2.15]))
        front = np.array([[0.0, 0.0, 900.0], [200.0, -30.0, 880.0]])
        rear = front + np.array([1500.0, aside, -drop])
        side, plan = driveline.slopes_of_shaft_deg(front, rear)
        assert_allclose([side, plan], [[2.5, 2.5], [2.15, 2.15]], rtol=1e-12)
        # Second way: the dot product of the shaft with a level one.
        along = rear[0] - front[0]
        between = np.rad2deg(np.arccos(along[0] / np.linalg.norm(along)))
        assert_allclose(driveline.joint_angles_deg([0.0, side[0]], [0.0, plan[0]]), between, rtol=1e-10)

    def test_a_shaft_that_runs_forward_is_refused(self):
        with pytest.raises(ModelError, match="rear_mm must lie behind front_mm"):
            driveline.slopes_of_shaft_deg([100.0, 0.0, 0.0], [100.0, 0.0, 50.0])


def _two_axles(arm=600.0, **axle):
    forward = DriveAxle(2, 3.0, arm, 40.0, **axle)
    rear = DriveAxle(3, 3.0, arm, 40.0, **axle)
    return Driveline(4.0, (Run((Shaft(1600.0, 5.5),), forward), Run((Shaft(750.0, 5.2),), rear)))


class TestGeometry:
    def test_at_specified_height_nothing_moves(self):
        angles = driveline.angles_at(_two_axles(input_ahead_mm=400.0, output_behind_mm=350.0))
        assert_allclose(angles.joints_deg, [1.5, 2.5, 2.2, 2.2], atol=1e-12)
        assert_allclose(angles.pinions_deg, [3.0, 3.0])

    def test_parallel_rods_tilt_the_shaft_and_nothing_else(self):
        run = Run((Shaft(1500.0, 5.0),), DriveAxle(2, 3.0, INFINITE))
        angles = driveline.angles_at(Driveline(3.0, (run,)), -20.0)
        # Second way: the shaft's rear end rises by 20 mm, its length along the frame stays.
        drop, along = 1500 * np.sin(np.deg2rad(5)) - 20, 1500 * np.cos(np.deg2rad(5))
        assert_allclose(angles.joints_deg, np.rad2deg(np.arctan2(drop, along)) - 3.0, rtol=1e-12)

    def test_a_yoke_at_the_pivot_does_not_move(self):
        # Conservation: an input joint that lies exactly in the pivot leaves the shaft alone; only the pinion turns.
        arm, pivot = 600.0, 40.0
        axle = DriveAxle(2, 3.0, arm, pivot, input_ahead_mm=float(np.sqrt(arm**2 - pivot**2)), input_above_mm=pivot)
        angles = driveline.angles_at(Driveline(4.0, (Run((Shaft(1600.0, 5.5),), axle),)), -25.0)
        change = driveline.pinion_angle_change_deg(arm, pivot, -25.0)
        assert_allclose(angles.joints_deg, [1.5, 2.5 - change], atol=1e-9)

    def test_a_yoke_swings_with_its_axle_about_the_pivot(self):
        # Second way: the axle's centre on a circle about the pivot, its yoke turned about that, by coordinates.
        line = _two_axles(input_ahead_mm=400.0, output_behind_mm=350.0)
        for change in (-40.0, 25.0):
            arms = np.sqrt(600.0**2 - np.array([40.0, 40.0 + change]) ** 2)
            pitch = np.deg2rad(driveline.pinion_angle_change_deg(600.0, 40.0, change))
            centre = np.array([arms[1] - arms[0], -change])
            joint = centre + np.array([400 - 400 * np.cos(pitch), 400 * np.sin(pitch)])
            end = 1600 * np.array([np.cos(np.deg2rad(5.5)), -np.sin(np.deg2rad(5.5))]) + joint
            inclination = np.rad2deg(np.arctan2(-end[1], end[0]))
            angles = driveline.angles_at(line, np.array([change, 0.0]))
            assert_allclose(angles.joints_deg[0], inclination - 4.0, atol=1e-9)
            assert_allclose(angles.joints_deg[1], abs(inclination - 3.0 - np.rad2deg(pitch)), atol=1e-9)

    def test_rear_axle_height_leaves_the_front_run_alone(self):
        line = _two_axles(input_ahead_mm=400.0, output_behind_mm=350.0)
        moved = driveline.angles_at(line, np.array([0.0, -30.0])).joints_deg
        assert_allclose(moved[:2], [1.5, 2.5], atol=1e-12)
        assert abs(moved[2] - 2.2) > 0.1

    def test_centre_bearing_stays_with_the_frame(self):
        axle = DriveAxle(2, 3.0, 600.0, 40.0)
        line = Driveline(3.0, (Run((Shaft(1000.0, 3.5), Shaft(1200.0, 5.0)), axle),))
        assert line.joint_names == ("transmission", "centre bearing 1", "axle 2 input")
        moved = driveline.angles_at(line, -20.0).joints_deg
        assert_allclose(moved[0], 0.5, atol=1e-12)

    def test_heights_of_many_trucks_at_once_equal_one_at_a_time(self):
        line = _two_axles(input_ahead_mm=400.0)
        heights = np.array([[-30.0, 10.0], [0.0, 0.0], [15.0, -5.0]])
        together = driveline.angles_at(line, heights)
        for number, height in enumerate(heights):
            alone = driveline.angles_at(line, height)
            assert_allclose(together.joints_deg[number], alone.joints_deg, rtol=1e-12, atol=1e-9)
            assert_allclose(together.phases_deg[number], alone.phases_deg, atol=1e-9)

    def test_unknown_axle_is_named(self):
        with pytest.raises(ModelError, match="no run of shafts ends at axle 4; the driveline describes axle 2, 3"):
            _two_axles().joints_of(4)


class TestPhases:
    def test_in_one_plane_the_signs_alternate(self):
        phases = driveline.angles_at(_two_axles()).phases_deg
        excitation = joint_chain.torsional_excitation(1.0, [1.5, 2.5], phases[:2])
        assert_allclose(excitation, np.deg2rad(np.sqrt(2.5**2 - 1.5**2)) ** 2, rtol=1e-9)

    def test_a_shaft_put_together_one_spline_tooth_off_shakes_more(self):
        # Phasing error after a change of shaft: 16 spline teeth, one off, is 22.5 degrees.
        axle = DriveAxle(2, 3.0, INFINITE)
        good, bad = (Driveline(3.0, (Run((Shaft(1500.0, 6.0, phase_deg=phase),), axle),)) for phase in (0.0, 22.5))
        shaken = [
            joint_chain.torsional_excitation(180.0, angles.joints_deg, angles.phases_deg)
            for angles in (driveline.angles_at(line) for line in (good, bad))
        ]
        assert shaken[0] < 1e-9
        # Two equal vectors 135 degrees apart when doubled: 2 b^2 sin(22.5 degrees).
        assert_allclose(shaken[1], 180.0**2 * 2 * np.deg2rad(3) ** 2 * np.sin(np.deg2rad(22.5)), rtol=1e-9)

    def test_joints_bent_in_planes_at_right_angles_add_unless_the_shaft_is_twisted_to_match(self):
        # First joint bends only in side view, second only in plan view.
        angles = [
            driveline.angles_at(
                Driveline(0.0, (Run((Shaft(1000.0, 4.0, 0.0, phase),), DriveAxle(2, 4.0, INFINITE, plan_deg=4.0)),))
            )
            for phase in (0.0, 90.0)
        ]
        in_line, twisted = (float(joint_chain.equivalent_angle_deg(a.joints_deg, a.phases_deg)) for a in angles)
        assert_allclose(in_line, np.hypot(4.0, 4.0), rtol=2e-3)
        assert twisted < 0.3

    def test_exact_composition_follows_yokes_carried_through_space(self):
        # Second way, from vectors alone: every cross keeps its two pins at right angles, every shaft its two yokes.
        line = Driveline(
            3.0,
            (
                Run(
                    (Shaft(1600.0, 7.0, plan_deg=2.0, phase_deg=12.0),),
                    DriveAxle(
                        2, 4.0, 600.0, 40.0, 400.0, output_behind_mm=350.0, plan_deg=-1.0, through_phase_deg=35.0
                    ),
                ),
                Run((Shaft(750.0, 9.0, plan_deg=-3.0, phase_deg=-20.0),), DriveAxle(3, 2.0, 600.0, 40.0, 400.0)),
            ),
            transmission_plan_deg=0.5,
        )
        heights = np.array([-25.0, 12.0])
        angles = driveline.angles_at(line, heights)
        axes, _ = driveline_geometry._parts_at(line, heights)
        mark = np.cross(np.cross(axes[0], [0.0, 1.0, 0.0]), axes[0])
        mark /= np.linalg.norm(mark)
        turning = np.linspace(0.0, 2 * np.pi, 2881)
        # At turning angle 0 the first driving yoke lies along the mark, from which phases are counted, but 90
        # degrees from the joint's normal: a yoke in the plane of the angle stands at right angles to the normal.
        pin = np.outer(np.cos(turning), np.cross(axes[0], mark)) - np.outer(np.sin(turning), mark)
        for joint, phase in enumerate([12.0, 35.0, -20.0, 0.0]):
            axis = axes[joint + 1]
            pin = np.cross(axis, pin)
            pin /= np.linalg.norm(pin, axis=1, keepdims=True)
            twist = np.deg2rad(phase)
            pin = pin * np.cos(twist) + np.cross(axis, pin) * np.sin(twist)
        turned = np.unwrap(np.arctan2(pin @ np.cross(axes[-1], pin[0]), pin @ pin[0]))
        ratio = (turned[2:] - turned[:-2]) / (turning[2:] - turning[:-2])
        _, ours, _ = joint_chain.chain_motion(angles.joints_deg, angles.phases_deg, np.rad2deg(turning[1:-1]))
        assert_allclose(ours[-1], ratio, atol=2e-6)
        assert np.ptp(ratio) > 0.01

    def test_phases_in_space_make_the_exact_composition_independent_of_the_frame(self, rng):
        # A symmetry: rolling the whole driveline about its length cannot change what the joints do to each other.
        side, plan = np.array([3.0, 5.0, 1.0]), np.array([0.0, 2.0, -1.0])

        def peak(roll_deg):
            roll = np.deg2rad(roll_deg)
            tangents = np.tan(np.deg2rad([side, plan]))
            turned = np.array([[np.cos(roll), np.sin(roll)], [-np.sin(roll), np.cos(roll)]]) @ tangents
            s, p = np.rad2deg(np.arctan(turned))
            axle = DriveAxle(2, float(s[2]), INFINITE, plan_deg=float(p[2]))
            line = Driveline(float(s[0]), (Run((Shaft(1500.0, float(s[1]), float(p[1])),), axle),), float(p[0]))
            angles = driveline.angles_at(line)
            return joint_chain.chain_peak_acceleration(1.0, angles.joints_deg, angles.phases_deg)

        for roll in rng.uniform(-180, 180, 4):
            assert_allclose(peak(roll), peak(0.0), rtol=1e-6)

    @pytest.fixture
    def rng(self):
        return np.random.default_rng(4)


class TestConsequence:
    def test_specified_height_has_the_specified_angles(self):
        found = driveline.ride_height_consequence(TRACTOR, 2, 0.0, 1700.0)
        assert found.joint_names == ("transmission", "axle 2 input", "axle 2 output", "axle 3 input")
        assert_allclose(found.joint_angles_deg, [1.5, 2.5, 2.2, 2.2], atol=1e-9)
        assert found.worst_joint == "axle 2 input"
        assert_allclose(found.equivalent_angle_deg, 2.0, rtol=1e-9)
        assert_allclose(found.ratio_to_limit, found.excitation_rad_s2 / 400.0)

    def test_low_ride_tips_the_nose_down_and_shakes_more(self):
        low = driveline.ride_height_consequence(TRACTOR, 2, -20.0, 1700.0)
        level = driveline.ride_height_consequence(TRACTOR, 2, 0.0, 1700.0)
        assert low.pinion_angle_deg < level.pinion_angle_deg
        assert low.excitation_rad_s2 > 4 * level.excitation_rad_s2

    def test_excitation_is_within_half_a_percent_of_the_exact_composition(self):
        found = driveline.ride_height_consequence(TRACTOR, 3, -20.0, 1700.0)
        exact = joint_chain.chain_peak_acceleration(1700 * np.pi / 30, found.joint_angles_deg)[-1]
        assert_allclose(found.excitation_rad_s2, exact, rtol=5e-3)

    def test_both_axles_low_differs_from_one(self):
        one = driveline.ride_height_consequence(TRACTOR, 3, -20.0, 1700.0)
        both = driveline.ride_height_consequence(TRACTOR, 3, -20.0, 1700.0, {2: -20.0})
        assert one.joint_angles_deg != both.joint_angles_deg

    def test_when_both_axles_sink_alike_the_angle_tells_what_the_excitation_hides(self):
        both = driveline.ride_height_consequence(TRACTOR, 3, -25.0, 1700.0, {2: -25.0})
        level = driveline.ride_height_consequence(TRACTOR, 3, 0.0, 1700.0)
        assert both.ratio_to_limit < 0.2
        assert both.angle_ratio_to_limit > 1.5
        assert both.inertial_rad_s2 > 5 * level.inertial_rad_s2

    def test_inertial_excitation_is_that_of_the_worst_single_joint_of_one_shaft_runs(self):
        found = driveline.ride_height_consequence(TRACTOR, 2, -20.0, 1700.0)
        worst = max(found.joint_angles_deg)
        assert_allclose(found.inertial_rad_s2, (np.deg2rad(worst) * 1700 * np.pi / 30) ** 2, rtol=1e-9)
        assert_allclose(found.angle_ratio_to_limit, worst / 3.0, rtol=1e-9)

    def test_parallel_rods_keep_the_pinion(self):
        vehicle = VehicleSpec(
            id="t-2", type="x", driveline=TRACTOR.driveline, suspension=SuspensionSpec(kind="parallel-link")
        )
        assert driveline.ride_height_consequence(vehicle, 2, -20.0, 1700.0).pinion_angle_deg == 3.0

    def test_an_extra_shaft_becomes_a_centre_bearing(self):
        shafts = (ShaftSpec(length_mm=900.0, angle_deg=4.0), *TRACTOR.driveline.shafts)
        vehicle = VehicleSpec(id="t-3", type="x", driveline=DrivelineSpec(transmission_angle_deg=4.0, shafts=shafts))
        names = driveline.driveline_of(vehicle).joint_names
        assert names == (
            "transmission",
            "centre bearing 1",
            "axle 2 input",
            "axle 2 output",
            "axle 3 input",
        )

    def test_a_missing_inter_axle_shaft_is_said(self):
        vehicle = VehicleSpec(
            id="t-4", type="x", driveline=DrivelineSpec(shafts=(ShaftSpec(length_mm=1500.0, angle_deg=5.0),))
        )
        with pytest.raises(SpecificationError, match=r"driveline\.shafts lists 1 for 2 drive axles"):
            driveline.driveline_of(vehicle)

    def test_a_steer_axle_is_said(self):
        with pytest.raises(SpecificationError, match=r"axle 1 is not driven; driven are \[2, 3\]"):
            driveline.ride_height_consequence(TRACTOR, 1, -20.0, 1700.0)
