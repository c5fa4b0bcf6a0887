"""The thermal plant: energy is kept, steady states are right, and causes push the temperature the right way."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from axlewright_models.spec import FleetSpec
from axlewright_simulators import thermal
from axlewright_simulators.parameters import AxleRows, axle_rows
from axlewright_simulators.trips import WHEEL_EXPONENTS

CRUISE_M_S, WHEEL_HZ = 25.0, 25.0 * 0.313


@pytest.fixture
def axles(fleet: FleetSpec) -> AxleRows:
    return axle_rows([fleet.vehicle("hv-101")], seed=1)


def at(temperature_cel: float, count: int = 2) -> thermal.ThermalState:
    node = np.full(count, temperature_cel)
    return thermal.ThermalState(node, node, node, node, node)


def spin(wheel_hz: float, count: int = 2) -> np.ndarray:
    return np.stack([np.full(count, wheel_hz**exponent) for exponent in WHEEL_EXPONENTS])


def settle(
    axles: AxleRows,
    *,
    fill: float = 1.0,
    power_w: float = 65e3,
    brake_w: float = 0.0,
    speed_m_s: float = CRUISE_M_S,
    rain: float = 0.0,
    air_cel: float = 20.0,
    hours: float = 12.0,
) -> tuple[thermal.ThermalState, thermal.Losses, thermal.Conductances]:
    two = np.ones(2)
    state = at(air_cel)
    for _ in range(int(hours * 60)):
        heat = thermal.losses(axles, state, fill * two, spin(speed_m_s * 0.313), power_w * two, brake_w * two)
        paths = thermal.conductances(axles, fill * two, speed_m_s * two, rain * two)
        state = thermal.step(axles, state, fill * two, heat, paths, air_cel * two, 60.0 * two)
    return state, heat, paths


@pytest.mark.parametrize("step_s", [1.0, 10.0, 600.0])
def test_heat_in_is_heat_stored_and_heat_given_off(axles: AxleRows, step_s: float) -> None:
    fill, two, air = np.array([0.9, 0.4]), np.ones(2), 12.0
    state = thermal.ThermalState(80.0 * two, 70.0 * two, 60.0 * two, 150.0 * two, 70.0 * two)
    heat = thermal.losses(axles, state, fill, spin(WHEEL_HZ), 5e4 * two, 3e3 * two)
    paths = thermal.conductances(axles, fill, CRUISE_M_S * two, 0.3 * two)
    after = thermal.step(axles, state, fill, heat, paths, air * two, step_s * two)
    stored = (
        axles.gears_j_k * (after.gears - state.gears)
        + thermal.OIL_J_K_L * axles.fill_l * fill * (after.oil - state.oil)
        + axles.housing_j_k * (after.housing - state.housing)
        + thermal.BRAKE_J_K * (after.brake - state.brake)
    )
    given = paths.housing_air * (after.housing - air) + paths.brake_air * (after.brake - air)
    assert_allclose(stored, step_s * (heat.total - given), rtol=1e-9, atol=1e-6)  # implicit Euler closes exactly


def test_at_rest_everything_comes_to_the_airs_temperature(axles: AxleRows) -> None:
    state, _, _ = settle(axles, power_w=0.0, speed_m_s=0.0, air_cel=8.0, hours=24.0)
    assert_allclose([state.gears, state.oil, state.housing, state.brake], 8.0, atol=1e-6)


def test_in_the_steady_state_all_heat_leaves_to_the_air(axles: AxleRows) -> None:
    state, heat, paths = settle(axles, hours=24.0)
    given = paths.housing_air * (state.housing - 20.0) + paths.brake_air * (state.brake - 20.0)
    assert_allclose(given, heat.total, rtol=1e-3)  # what is left of the approach after a day


@pytest.mark.parametrize(
    ("wheel_hz", "published_w"),
    # 40 CFR 1037.528(h)(5): P = c0 + c1 f + c2 f^2 of the tractor's drive axles, at test temperature.
    [(9.1098, 3743.6), (1.8434, 307.6)],
)
def test_spin_loss_has_the_size_of_the_regulations_example(
    fleet: FleetSpec, wheel_hz: float, published_w: float
) -> None:
    # The mean of many trucks: each differs by several per cent.
    axles = axle_rows([fleet.vehicle(f"hv-{number}") for number in range(101, 109)], seed=1)
    count = axles.truck.size
    heat = thermal.losses(
        axles, at(82.0, count), np.ones(count), spin(wheel_hz, count), np.zeros(count), np.zeros(count)
    )
    assert_allclose(heat.total.sum() / 8.0, published_w, rtol=0.25)  # a worked example of one truck, not a law


def test_loaded_axle_efficiency_is_that_of_the_regulation(axles: AxleRows) -> None:
    heat = thermal.losses(axles, at(82.0), np.ones(2), spin(9.11), np.full(2, 65e3), np.zeros(2))
    assert 1.0 - heat.total.sum() / 130e3 == pytest.approx(0.955, abs=0.012)  # 40 CFR 1036.545(f)(3): 0.955


def test_at_cruise_the_gauge_reads_what_an_operators_manual_calls_normal(fleet: FleetSpec) -> None:
    axles = axle_rows([fleet.vehicle("hv-101")], seed=1)
    for air_cel in (15.0, 30.0):
        oil = settle(axles, air_cel=air_cel)[0].oil
        assert np.all((oil > 71.0) & (oil < 104.0))  # 160 to 220 degF, a truck maker's manual


def test_the_forward_axle_runs_hotter_for_the_torque_it_passes_on(fleet: FleetSpec) -> None:
    rises = []
    for seed in range(8):
        oil = settle(axle_rows([fleet.vehicle("hv-101")], seed=seed), hours=8.0)[0].oil
        rises.append(oil[0] - oil[1])
    assert np.mean(rises) > 1.0


@pytest.mark.parametrize(
    ("change", "direction"),
    [
        ({"power_w": 90e3}, +1),
        ({"brake_w": 15e3}, +1),
        ({"air_cel": 30.0}, +1),
        ({"rain": 1.0}, -1),
        ({"fill": 1.4}, +1),  # overfilled: more churning
        ({"fill": 0.75}, -1),  # a little low: less churning, the mesh still wet
        ({"fill": 0.3}, +1),  # starved: the mesh runs dry
    ],
)
def test_each_cause_moves_the_lube_its_own_way(axles: AxleRows, change: dict[str, float], direction: int) -> None:
    moved = settle(axles, **change)[0].oil - settle(axles)[0].oil  # type: ignore[arg-type]  # all are floats
    assert np.all(direction * moved > 0.5)


def test_the_warm_up_takes_the_better_part_of_an_hour(axles: AxleRows) -> None:
    end = settle(axles)[0].oil[0]
    hours = np.array([0.25, 0.5, 1.0, 1.5, 2.0])
    share = np.array([(settle(axles, hours=float(h))[0].oil[0] - 20.0) / (end - 20.0) for h in hours])
    assert np.all(np.diff(share) > 0.0)
    # No published time constant was found; 46 minutes is the estimate of a lump of 350 kg iron and 18 kg oil.
    assert 0.4 < np.interp(1.0 - np.exp(-1.0), share, hours) < 1.6


def test_viscosity_agrees_with_the_d341_table_of_a_typical_oil() -> None:
    cels = [-20.0, 0.0, 20.0, 60.0, 82.0, 93.0, 110.0, 121.0]
    published = [6298.0, 1052.0, 276.7, 45.3, 22.8, 17.1, 11.64, 9.35]
    assert_allclose(thermal.viscosity_mm2_s(cels, 100.0, 14.5), published, rtol=4e-3)  # the table's own rounding


@pytest.mark.parametrize(
    ("speed", "published"), [(5, 16.5), (10, 27.1), (15, 36.8), (20, 46.1), (25, 55.1), (29, 62.2)]
)
def test_convection_follows_churchill_and_bernstein(speed: float, published: float) -> None:
    assert thermal.forced_convection_w_m2k(speed) == pytest.approx(published, rel=0.03)


def test_a_colder_axle_resists_more(axles: AxleRows) -> None:
    cold, warm = (
        thermal.losses(axles, at(cel), np.ones(2), spin(WHEEL_HZ), np.zeros(2), np.zeros(2)).total
        for cel in (0.0, 80.0)
    )
    assert np.all(cold > 2.0 * warm)  # May & Michaelsen 1994: efficiency 3 to 12 % lower at 40 Cel and below


def test_a_longer_lag_hides_a_change_longer(axles: AxleRows) -> None:
    slow = replace(axles, sensor_lag_s=np.array([20.0, 200.0]))
    two, state = np.ones(2), at(20.0)
    heat = thermal.losses(slow, at(20.0), two, spin(WHEEL_HZ), 2e5 * two, 0.0 * two)
    paths = thermal.conductances(slow, two, CRUISE_M_S * two, 0.0 * two)
    for _ in range(12):
        state = thermal.step(slow, state, two, heat, paths, 20.0 * two, 10.0 * two)
    assert np.all(state.sensor < state.oil)
    assert (state.oil - state.sensor)[1] > 2.0 * (state.oil - state.sensor)[0]
