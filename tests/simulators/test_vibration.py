"""Vibration descriptors: joint kinematics against published tables, resonances, and each cause in its own order."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from axlewright_models.spec import FleetSpec
from axlewright_simulators import vibration
from axlewright_simulators.knobs import Louder
from axlewright_simulators.measure import on_the_road
from axlewright_simulators.parameters import AxleRows, axle_rows, joint_angles_deg
from axlewright_simulators.troubles import Troubles


@pytest.fixture
def axles(fleet: FleetSpec) -> AxleRows:
    return axle_rows([fleet.vehicle("hv-101")], seed=1)


def acts(speed_m_s: float = 24.0, windows: int = 400, **changes: float) -> vibration.VibrationInput:
    shape = (windows, 2)
    usual = {
        "speed_m_s": speed_m_s,
        "speed_spread_m_s": 0.0,
        "moving": 1.0,
        "torque_n_m": 800.0,
        "engine_1_min": 1300.0,
        "height_mm": 0.0,
        "unbalance_added": 0.0,
        "dry": 0.0,
        "damage": 0.0,
        "oil_cel": 80.0,
        "roughness": 1.0,
        "rain": 0.0,
        "revolutions_per_m": 0.313,
        "cylinders": 6.0,
    }
    values = {name: np.full(shape, value) for name, value in {**usual, **changes}.items()}
    return vibration.VibrationInput(length_s=np.full(windows, 10.0), **values)


def medians(axles: AxleRows, given: vibration.VibrationInput) -> dict[str, np.ndarray]:
    told = vibration.descriptors(axles, given, np.random.default_rng(1))
    return {name: np.median(values, axis=0) for name, values in told.items()}


@pytest.mark.parametrize(("front", "rear", "published"), [(4.0, 3.0, 75.76), (6.0, 5.0, 119.06)])
def test_two_joints_in_phase_excite_as_the_table_says(
    axles: AxleRows, front: float, rear: float, published: float
) -> None:
    # Exact composition and formula at 1800 rpm, rad/s2: the formula's column.
    set_up = replace(axles, joint_front_deg=np.full(2, front), joint_rear_deg=np.full(2, rear))
    torsion, angle = vibration.joint_excitation(set_up, np.zeros(2), np.full(2, 1800.0 * 2.0 * np.pi / 60.0))
    assert_allclose(torsion, published, rtol=1e-3)
    assert_allclose(np.degrees(angle), rear)


@pytest.mark.parametrize(("arm_mm", "published"), [(500.0, 1.146), (600.0, 0.955), (700.0, 0.819), (800.0, 0.716)])
def test_ten_millimetres_turn_the_pinion_as_the_table_says(arm_mm: float, published: float) -> None:
    assert vibration.pitch_change_deg(arm_mm, 0.0, 10.0) == pytest.approx(published, abs=1e-3)


def test_low_ride_tips_the_pinion_nose_down() -> None:
    assert vibration.pitch_change_deg(620.0, 45.0, -20.0) < 0.0 < vibration.pitch_change_deg(620.0, 45.0, 20.0)


def test_joint_angles_follow_the_chain_of_shafts(fleet: FleetSpec) -> None:
    truck = fleet.vehicle("hv-101")
    forward, rear = truck.drive_axles
    assert joint_angles_deg(truck, forward, 0) == pytest.approx((5.2 - 3.0, 3.2 - 5.2))
    assert joint_angles_deg(truck, rear, 1) == pytest.approx((5.4 - 3.2, 3.6 - 5.4))


def test_unbalance_grows_with_the_square_of_speed_far_below_resonance(axles: AxleRows) -> None:
    stiff = replace(axles, shaft_resonance_hz=np.full(2, 1e6))
    order = "vib/order/driveshaft-1"
    slow, fast = (medians(stiff, acts(speed, unbalance_added=50.0))[order] for speed in (12.0, 24.0))
    assert_allclose(fast / slow, 4.0, rtol=0.05)  # the scatter of 400 windows' median


@pytest.mark.parametrize(
    ("change", "order"),
    [
        ({"unbalance_added": 4.0}, "vib/order/driveshaft-1"),
        ({"height_mm": -40.0}, "vib/order/driveshaft-2"),
        ({"dry": 1.0}, "vib/order/mesh-1"),
        ({"damage": 1.0}, "vib/envelope/outer-race"),
    ],
)
def test_each_cause_shows_in_its_own_order_and_leaves_the_wheels_alone(
    axles: AxleRows, change: dict[str, float], order: str
) -> None:
    sound, worse = medians(axles, acts()), medians(axles, acts(**change))
    assert np.all(worse[order] > 1.4 * sound[order])
    assert_allclose(worse["vib/order/wheel-1"], sound["vib/order/wheel-1"])


def test_more_torque_means_more_mesh(axles: AxleRows) -> None:
    order = "vib/order/mesh-1"
    assert np.all(medians(axles, acts(torque_n_m=2000.0))[order] > 1.2 * medians(axles, acts())[order])


def test_too_slow_for_a_spectrum_gives_no_value(axles: AxleRows) -> None:
    for given in (acts(speed_m_s=3.0), acts(moving=0.5)):
        told = vibration.descriptors(axles, given, np.random.default_rng(1))
        assert all(np.isnan(values).all() for values in told.values())


def test_rms_holds_at_least_the_orders_it_is_made_of(axles: AxleRows) -> None:
    told = vibration.descriptors(axles, acts(), np.random.default_rng(1))
    orders = np.sum([values**2 for name, values in told.items() if name.startswith("vib/order/")], axis=0)
    assert np.all(told["vib/rms"] ** 2 >= 0.5 * orders - 1e-12)  # a sine's mean square is half its amplitude's square


def test_longer_windows_scatter_less(axles: AxleRows) -> None:
    spreads = []
    for length_s in (10.0, 60.0):
        given = replace(acts(unbalance_added=20.0), length_s=np.full(400, length_s))
        told = vibration.descriptors(axles, given, np.random.default_rng(1))["vib/order/driveshaft-1"]
        spreads.append(np.std(np.log(told), axis=0).mean())
    assert spreads[1] < 0.8 * spreads[0]


def test_a_shaft_between_two_axles_stays_in_balance_when_both_tip_alike(axles: AxleRows) -> None:
    even = replace(axles, joint_front_deg=np.array([2.0, 2.0]), joint_rear_deg=np.array([-2.0, -2.0]))
    torsion, angle = vibration.joint_excitation(even, np.full(2, -25.0), np.full(2, 180.0))
    assert torsion[1] == pytest.approx(0.0, abs=1e-9)  # equal angles cancel, by symmetry
    assert torsion[0] > 20.0
    assert np.all(np.degrees(angle) > 3.0)


def test_windows_worked_out_on_the_road_alone_are_those_of_all_windows(axles: AxleRows) -> None:
    given = acts(windows=40)
    speed = np.where(np.arange(40)[:, None] % 3 == 0, 2.0, 15.0 + 0.2 * np.arange(40)[:, None]) + np.zeros((40, 2))
    spall = np.linspace(0.0, 0.5, 80).reshape(40, 2)
    given = replace(given, speed_m_s=speed, troubles=Troubles(spall=spall, play=0.3))
    whole, packed = (
        work(axles, given, Louder(np.random.PCG64(1), 0.0)) for work in (vibration.descriptors, on_the_road)
    )
    assert whole.keys() == packed.keys()
    for name in whole:
        assert_allclose(packed[name], whole[name], err_msg=name)
    assert np.isnan(packed["vib/rms"]).mean() == pytest.approx(14.0 / 40.0)


def test_velocity_is_acceleration_over_angular_frequency(axles: AxleRows) -> None:
    # A single strong line at the driveshaft's first order: v = a / (2 pi f sqrt 2).
    given = acts(speed_m_s=22.0, unbalance_added=400.0)
    told = vibration.descriptors(axles, given, Louder(np.random.PCG64(1), 0.0))
    shaft_hz = 22.0 * 0.313 * axles.ratio
    line = 1000.0 * told["vib/order/driveshaft-1"][0] / (2.0 * np.pi * shaft_hz * np.sqrt(2.0))
    assert_allclose(told["vib/velocity"][0], line, rtol=0.05)


def test_blows_raise_kurtosis_and_crest_together(axles: AxleRows) -> None:
    given = acts()
    sound, spalled = (
        medians(axles, replace(given, troubles=Troubles(spall=np.full((400, 2), size)))) for size in (0.0, 0.5)
    )
    for name in ("vib/kurtosis", "vib/crest"):
        assert np.all(spalled[name] > 1.3 * sound[name]), name
    # Ten thousand Gaussian samples: the highest lies near sqrt(2 ln 10000) = 4.3 times their rms.
    assert np.all((sound["vib/crest"] > 3.7) & (sound["vib/crest"] < 5.0))


def test_yokes_out_of_phase_turn_one_joints_excitation_against_the_others(axles: AxleRows) -> None:
    even = replace(axles, joint_front_deg=np.full(2, 4.0), joint_rear_deg=np.full(2, 3.0))
    rad_s = np.full(2, 1800.0 * 2.0 * np.pi / 60.0)
    torsion = [vibration.joint_excitation(even, np.zeros(2), rad_s, phase)[0][0] for phase in (0.0, 45.0, 90.0, 180.0)]
    # Exact composition and formula at 1800 rpm, rad/s2: in phase 75.8, a quarter turn out 270.6 (the squares add).
    assert_allclose([torsion[0], torsion[2], torsion[3]], [75.76, 270.58, 75.76], rtol=1e-3)
    assert torsion[0] < torsion[1] < torsion[2]
