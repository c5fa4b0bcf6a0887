"""Air suspension: frequency, levelling, leaks, and the reservoir that hides them for a while."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from axlewright_models.spec import FleetSpec
from axlewright_simulators import suspension
from axlewright_simulators.parameters import TruckRows, truck_rows

Array = np.ndarray


@pytest.fixture
def trucks(fleet: FleetSpec) -> TruckRows:
    return truck_rows([fleet.vehicle("hv-101")], seed=1)


def load(mass_kg: float = 30_000.0, lean: float = 0.0) -> Array:
    return suspension.side_loads_n(np.array([mass_kg]), np.zeros(1), np.array([lean]))


def run(
    trucks: TruckRows,
    state: suspension.SuspensionState,
    minutes: float,
    *,
    load_n: Array,
    set_mm: float = 0.0,
    leak_left: float = 0.0,
    leak_right: float = 0.0,
    ignition: float = 1.0,
    moving: float = 0.0,
    step_s: float = 10.0,
) -> suspension.SuspensionState:
    acts = suspension.SuspensionInput(
        load_n,
        np.array([set_mm]),
        np.array([[leak_left, leak_right]]),
        np.array([ignition]),
        np.array([20.0]),
        np.array([moving]),
    )
    for _ in range(int(minutes * 60 / step_s)):
        state = suspension.step(state, trucks, acts, np.array([step_s]))
    return state


def level(load_n: Array) -> suspension.SuspensionState:
    return suspension.settle(load_n, np.zeros(1), np.array([20.0]))


def test_the_body_bounces_between_1_2_and_1_6_hertz() -> None:
    for mass_kg in (20_000.0, 30_000.0, 38_500.0):
        frequency = suspension.natural_frequency_hz(load(mass_kg))
        assert np.all((frequency > 1.2) & (frequency < 1.6))


def test_the_frequency_formula_gives_the_check_value() -> None:
    # n 1.38, h 0.2 m, 4.2 bar gauge -> 1.459 Hz
    load_n = 420e3 * suspension.SIDE_AREA_M2
    assert suspension.natural_frequency_hz(load_n) == pytest.approx(1.459, abs=2e-3)


def test_pressure_carries_the_load() -> None:
    loads = load(38_500.0)
    carried = suspension.pressure_kpa(loads).sum() * 1e3 * suspension.SIDE_AREA_M2
    assert carried == pytest.approx(suspension.REAR_SHARE * 38_500.0 * 9.80665)


def test_lean_moves_load_and_keeps_its_sum() -> None:
    straight, leaning = load(), load(lean=0.05)
    assert leaning.sum() == pytest.approx(straight.sum())
    assert leaning[0, 1] > leaning[0, 0]


@pytest.mark.parametrize("step_s", [1.0, 10.0, 60.0])
def test_the_valve_levels_after_loading_up_to_its_dead_band(trucks: TruckRows, step_s: float) -> None:
    state = level(load(17_000.0))
    heavy = load(38_000.0)
    dropped = suspension.heights_mm(state, heavy).mean()
    assert dropped < -40.0
    state = run(trucks, state, 5.0, load_n=heavy, step_s=step_s)
    height = suspension.heights_mm(state, heavy).mean()
    assert -trucks.dead_band_mm[0] - 0.5 < height < 0.0


def test_the_road_shakes_the_valve_through_its_dead_band(trucks: TruckRows) -> None:
    heavy = load(38_000.0)
    standing, driving = (run(trucks, level(load(17_000.0)), 10.0, load_n=heavy, moving=moving) for moving in (0.0, 1.0))
    heights = [float(suspension.heights_mm(state, heavy).mean()) for state in (standing, driving)]
    assert heights[0] < heights[1] < 0.0


def test_after_unloading_the_valve_lets_air_out(trucks: TruckRows) -> None:
    light = load(17_000.0)
    state = run(trucks, level(load(38_000.0)), 5.0, load_n=light)
    assert 0.0 < suspension.heights_mm(state, light).mean() < trucks.dead_band_mm[0] + 0.5


def test_a_valve_out_of_set_moves_the_truck_by_as_much(trucks: TruckRows) -> None:
    state = run(trucks, level(load()), 10.0, load_n=load(), set_mm=-24.0)
    assert suspension.heights_mm(state, load()).mean() == pytest.approx(-24.0, abs=trucks.dead_band_mm[0] + 0.5)


def test_a_leak_is_hidden_while_the_engine_runs_and_shows_when_parked(trucks: TruckRows) -> None:
    driving = run(trucks, level(load()), 120.0, load_n=load(), leak_left=0.25)
    assert suspension.heights_mm(driving, load()).mean() > -trucks.dead_band_mm[0] - 1.0
    parked = run(trucks, driving, 480.0, load_n=load(), leak_left=0.25, ignition=0.0)
    assert suspension.heights_mm(parked, load()).mean() < -20.0
    tight = run(trucks, level(load()), 480.0, load_n=load(), ignition=0.0)
    assert suspension.heights_mm(tight, load()).mean() > -trucks.dead_band_mm[0] - 1.0


def test_the_leaking_side_sits_lower(trucks: TruckRows) -> None:
    state = run(trucks, level(load()), 480.0, load_n=load(), leak_left=0.25, ignition=0.0)
    left, right = suspension.heights_mm(state, load())[0]
    assert left < right


def test_a_worse_leak_drains_the_reservoir_sooner(trucks: TruckRows) -> None:
    left = [
        float(run(trucks, level(load()), 60.0, load_n=load(), leak_left=leak, ignition=0.0).reservoir_kpa[0])
        for leak in (0.0, 0.1, 0.3)
    ]
    assert left[0] > left[1] > left[2] > suspension.PROTECTION_KPA - 50.0


def test_crossing_air_is_neither_made_nor_lost(trucks: TruckRows) -> None:
    state = level(load())
    uneven = suspension.SuspensionState(
        state.air_kpa_mm * np.array([[0.97, 1.03]]), np.zeros(1), state.air_k
    )  # empty reservoir: the valve adds nothing, and at the set height it lets nothing out
    after = run(trucks, uneven, 30.0, load_n=load(), ignition=0.0)
    assert_allclose(after.air_kpa_mm.sum(), uneven.air_kpa_mm.sum(), rtol=1e-9)
    assert abs(np.diff(after.air_kpa_mm)[0, 0]) < 0.1 * abs(np.diff(uneven.air_kpa_mm)[0, 0])


def test_a_cold_night_lets_a_sealed_truck_sink(trucks: TruckRows) -> None:
    warm = level(load())
    cold = suspension.SuspensionState(warm.air_kpa_mm, np.zeros(1), warm.air_k - 25.0)
    sunk = suspension.heights_mm(cold, load()).mean()
    assert sunk == pytest.approx(-suspension.COLUMN_MM * 25.0 / 293.15, rel=0.01)  # Charles's law at constant load
