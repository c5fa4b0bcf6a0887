"""Wear: each kind alone in its limits, the chain from a low truck to a burnt axle, and when it counts as failed."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from axlewright_models.spec import FleetSpec
from axlewright_simulators import failures, wear
from axlewright_simulators.failures import HOW, Strain, first_failures
from axlewright_simulators.faults import Fault
from axlewright_simulators.fleet import FleetSimulator
from axlewright_simulators.library import draw_scenario
from axlewright_simulators.runs import completed

ANCHOR_S = 1.78e9
HOUR_S = 3600.0
DAY_S = 86400.0


def state(**changes: float) -> wear.WearState:
    usual = {"fill": 1.0, "seal": 0.3, "damage": 0.0, "spall": 0.0, "joint": 0.0}
    return wear.WearState(**{name: np.array([value]) for name, value in {**usual, **changes}.items()})


def stress(**changes: float) -> wear.Stress:
    usual = {
        "oil_cel": 80.0,
        "bearing_cel": 90.0,
        "shaft_1_min": 1500.0,
        "moving": 1.0,
        "load": 1.0,
        "sump_kpa": 0.0,
        "shake_m_s2": 0.0,
        "loss_per_h": 0.0,
        "torque_loss_per_h": 0.0,
        "spall_per_h": 0.0,
        "pace": 1.0,
    }
    return wear.Stress(**{name: np.array([value]) for name, value in {**usual, **changes}.items()})


def after(hours: float, now: wear.WearState, acts: wear.Stress) -> wear.WearState:
    for _ in range(round(hours * 6)):
        now = wear.step(now, acts, np.array([600.0]))
    return now


def test_nothing_wears_on_a_truck_that_stands() -> None:
    worst = stress(moving=0.0, loss_per_h=1.0, torque_loss_per_h=1.0, spall_per_h=1.0, sump_kpa=50.0, shake_m_s2=9.0)
    stood = after(100.0, state(spall=0.2), worst)
    assert_allclose([stood.fill, stood.seal, stood.damage, stood.spall], [[1.0], [0.3], [0.0], [0.2]])


def test_a_seal_ages_twice_as_fast_ten_kelvin_hotter() -> None:
    aged = [after(10.0, state(), stress(oil_cel=cel)).seal - 0.3 for cel in (80.0, 90.0)]
    assert_allclose(aged[1] / aged[0], 2.0)


def test_a_shaking_shaft_and_a_pressed_sump_age_the_seal_faster() -> None:
    calm, shaken, pressed = (
        float((after(10.0, state(), given).seal - 0.3)[0])
        for given in (stress(), stress(shake_m_s2=wear.SHAKE_M_S2), stress(sump_kpa=wear.LIP_PRESSURE_KPA))
    )
    assert shaken == pytest.approx(2.0 * calm) and pressed == pytest.approx(2.0 * calm)


def test_lube_goes_by_the_leaks_rate_and_a_worn_out_seal_leaks_by_itself() -> None:
    # Warm and nearly full, a leak of 1 % an hour takes about that (thin oil: 1.1 times).
    assert float(after(1.0, state(), stress(loss_per_h=0.01)).fill[0]) == pytest.approx(1.0 - 0.011, abs=5e-4)
    assert after(10.0, state(seal=1.5), stress()).fill[0] < 1.0 == after(10.0, state(seal=0.5), stress()).fill[0]
    assert (
        after(10.0, state(), stress(sump_kpa=25.0)).fill[0] < 1.0 == after(10.0, state(), stress(sump_kpa=5.0)).fill[0]
    )


def test_lube_never_returns_and_never_goes_below_what_stays_in_the_housing() -> None:
    emptied = after(300.0, state(), stress(loss_per_h=0.5))
    assert emptied.fill[0] == pytest.approx(wear.LEAST_FILL)
    assert emptied.damage[0] > 0.5


def test_a_spall_grows_by_a_constant_factor_an_hour_from_its_first_flake() -> None:
    grown = after(20.0, state(), stress(spall_per_h=0.05)).spall[0]
    assert grown == pytest.approx(wear.FIRST_FLAKE * np.exp(0.05 * 20.0), rel=1e-6)
    assert after(500.0, state(), stress(spall_per_h=0.05)).spall[0] == 1.0
    assert after(100.0, state(), stress()).spall[0] == 0.0


def test_a_dry_hot_bearing_begins_to_spall() -> None:
    assert after(1.0, state(fill=0.3), stress(bearing_cel=160.0)).spall[0] >= wear.FIRST_FLAKE
    assert after(1.0, state(fill=1.0), stress(bearing_cel=160.0)).spall[0] == 0.0


def test_joints_live_their_life_at_the_limit_and_an_eighth_of_it_at_twice() -> None:
    step = np.array([HOUR_S])
    used = [
        float(wear.joint_wear(np.full((1, 1), torsion), np.zeros((1, 1)), np.ones((1, 1)), np.ones(1), step)[0, 0])
        for torsion in (wear.JOINT_LIMIT_RAD_S2, 2.0 * wear.JOINT_LIMIT_RAD_S2)
    ]
    assert used[0] * wear.JOINT_LIFE_H == pytest.approx(1.0) and used[1] == pytest.approx(8.0 * used[0])


# --- failure --------------------------------------------------------------------------------------------------------


def strain(steps: int = 60, **changes: np.ndarray) -> Strain:
    usual = {"gears": 0.0, "oil_cel": 80.0, "spall": 0.0, "bearing_cel": 90.0, "joints": 0.0, "drum_cel": 60.0}
    arrays = {name: np.full((steps, 1), value) for name, value in {**usual, "height_mm": 0.0, "moving": 1.0}.items()}
    return Strain(**{**arrays, **changes})


def failed(given: Strain, steps: int = 60) -> tuple[float, float]:
    when, how = first_failures(
        given, 60.0 * np.arange(1, steps + 1), np.full(steps, 60.0), np.array([np.nan]), np.array([np.nan])
    )
    return float(when[0]), float(how[0])


@pytest.mark.parametrize(
    ("name", "limit", "how"),
    [
        ("gears", 1.0, "gear set ruined"),
        ("oil_cel", failures.LUBE_BURNS_CEL, "lube burnt"),
        ("spall", 1.0, "pinion bearing broken up"),
        ("bearing_cel", failures.BEARING_BURNS_CEL, "pinion bearing burnt"),
        ("joints", 1.0, "driveline joint broken"),
        ("drum_cel", failures.BRAKE_FIRE_CEL, "brake on fire"),
    ],
)
def test_each_way_to_fail_is_told_when_its_limit_is_reached(name: str, limit: float, how: str) -> None:
    rising = np.linspace(0.0, 1.2 * limit, 60)[:, None]
    when, number = failed(strain(**{name: rising}))
    assert HOW[int(number)] == how
    assert when == 60.0 * (int(np.argmax(rising[:, 0] >= limit)) + 1)


def test_a_truck_fails_on_its_stops_only_after_driving_there_for_a_while() -> None:
    low = np.full((60, 1), -75.0)
    when, number = failed(strain(height_mm=low))
    assert HOW[int(number)] == "suspension on its stops" and when == failures.ON_STOPS_S
    assert np.isnan(failed(strain(height_mm=low, moving=np.zeros((60, 1))))[0])
    low[::10] = 0.0
    assert np.isnan(failed(strain(height_mm=low))[0])


def test_what_failed_before_keeps_its_first_failure() -> None:
    hot = strain(oil_cel=np.full((60, 1), 200.0))
    when, how = first_failures(hot, 60.0 * np.arange(1, 61), np.full(60, 60.0), np.array([7.0]), np.array([0.0]))
    assert (when[0], how[0]) == (7.0, 0.0)


# --- the chain ------------------------------------------------------------------------------------------------------


def test_a_low_truck_wears_its_joints_and_seals_faster(fleet: FleetSpec) -> None:
    low = Fault("height-valve", "hv-201", ANCHOR_S, -60.0)
    ends = {}
    for name, faults in (("low", [low]), ("level", [])):
        simulator = FleetSimulator(
            fleet, seed=5, anchor_s=ANCHOR_S, begin_s=ANCHOR_S, vehicles=["hv-201"], faults=faults
        )
        simulator.advance(ANCHOR_S + np.arange(2 * 1440 + 1) * 60.0)
        ends[name] = simulator.state.wear
    assert np.all(ends["low"].joint > 5.0 * ends["level"].joint)
    assert np.all(ends["low"].seal >= ends["level"].seal)


def test_lost_lube_ends_in_a_burnt_axle_and_the_truth_says_when(fleet: FleetSpec) -> None:
    random = np.random.default_rng(3)
    run = draw_scenario("lube-loss-sudden", fleet, random, ANCHOR_S - 3600.0, quiet_days=(0.02, 0.04))
    simulator = FleetSimulator(
        fleet, seed=5, anchor_s=ANCHOR_S, begin_s=ANCHOR_S - 3600.0, vehicles=[run.vehicle], faults=run.faults
    )
    for _ in range(3):
        simulator.advance(simulator.time_s + np.arange(1441) * 60.0)
    (told,) = completed([run], simulator)
    assert told.functional_failure_s is not None
    assert run.onset_s < told.functional_failure_s < run.onset_s + 3.0 * DAY_S
    assert told.failure.endswith(f"axle {run.axle}")
    row = [i for i, position in enumerate(simulator.axle_positions) if position == run.axle]
    assert simulator.state.wear.fill[row[0]] < 0.3
    assert run.functional_failure_s is None  # what was drawn doesn't know yet


def test_healthy_trucks_do_not_fail(healthy_days: tuple[FleetSimulator, object]) -> None:
    simulator, _ = healthy_days
    assert np.isnan(simulator.state.failed_s).all()
    assert simulator.state.wear.damage.max() == 0.0 and simulator.state.wear.spall.max() == 0.0
