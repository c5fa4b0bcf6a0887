"""The scenario library: every scenario can be drawn, names causes that exist, and says when sensors cannot show it."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest

from axlewright_models.errors import ModelError
from axlewright_models.shop.service import TOUCHED
from axlewright_models.spec import FleetSpec
from axlewright_simulators.climates import CLIMATES, climate_of
from axlewright_simulators.faults import KINDS, MODES, SEVERITY_MEANING
from axlewright_simulators.fleet import FleetSimulator
from axlewright_simulators.fleets import large_fleet, large_fleet_text
from axlewright_simulators.knobs import Knobs
from axlewright_simulators.library import LIBRARY, draw_scenario
from axlewright_simulators.measure import fitted_channels
from axlewright_simulators.runs import completed, read_runs, write_runs

ROOT = Path(__file__).parents[2]
BEGIN_S = 1.78e9
ASKED_FOR = {
    # The list that the library must hold at least, by the names used here.
    *("valve-step", "height-drift", "lean", "leak-down", "hunting", "lowered-on-purpose", "seal-leak"),
    *("lube-loss-sudden", "overfill", "wrong-grade", "dragging-brake", "tyre-mismatch", "bearing-preload", "overload"),
    *("mountain-duty", "tyre-non-uniformity", "driveshaft-unbalance", "joint-angles-from-height", "phasing-error"),
    *("centre-bearing", "engine-misfire", "pinion-bearing-defect", "worn-yoke", "gear-mesh-wear"),
    *("output-bearing-play", "carrier-joint-leak", "breather-plugged", "service-tyre-change", "service-oil-change"),
    *("service-valve-reset", "service-sensor-replaced"),
    *(f"healthy-{name}" for name in ("desert", "arctic", "temperate", "mountain")),
    *(f"{sensor}-sensor-{mode}" for sensor in ("lube", "height", "vibration") for mode in MODES),
}


@pytest.fixture(scope="module")
def many() -> FleetSpec:
    return large_fleet(40, seed=3)


def test_the_library_holds_all_that_was_asked_for() -> None:
    assert set(LIBRARY) >= ASKED_FOR


@pytest.mark.parametrize("name", sorted(LIBRARY))
def test_every_scenario_can_be_drawn_again_and_its_truth_is_whole(many: FleetSpec, name: str, tmp_path: Path) -> None:
    run, again = (draw_scenario(name, many, np.random.default_rng(5), BEGIN_S) for _ in range(2))
    assert run == again
    assert run.vehicle in many.vehicles and run.axle in (0, 2, 3)
    assert BEGIN_S + 18 * 86400.0 <= run.onset_s <= BEGIN_S + 25 * 86400.0 < run.end_s
    assert all(fault.kind in KINDS and fault.vehicle == run.vehicle for fault in run.faults)
    assert all(event.touched <= TOUCHED and event.vehicle == run.vehicle for event in run.services)
    assert run.harmless == (not run.expected)
    assert run.detectable or run.reason
    write_runs(tmp_path / "runs.json", [run])
    assert read_runs(tmp_path / "runs.json") == [run]


def test_expected_causes_are_causes_that_the_office_knows() -> None:
    known = tomllib.loads((ROOT / "server/axlewright_server/diagnosis/causes.toml").read_text(encoding="utf-8"))[
        "cause"
    ]
    named = {cause for story in LIBRARY.values() for cause in story.causes}
    assert named <= set(known), named - set(known)


@pytest.mark.parametrize("name", sorted(name for name, story in LIBRARY.items() if not story.harmless))
def test_size_onset_and_truck_vary_with_the_seed(many: FleetSpec, name: str) -> None:
    runs = [draw_scenario(name, many, np.random.default_rng(seed), BEGIN_S) for seed in range(8)]
    assert len({run.onset_s for run in runs}) == 8
    assert len({run.vehicle for run in runs}) > 3
    if runs[0].severity != 0.0 or runs[1].severity != 0.0:
        assert len({run.severity for run in runs}) > 2


def test_a_fault_that_no_sensor_of_the_truck_shows_is_said_to_be_undetectable(many: FleetSpec) -> None:
    plain = [name for name, truck in many.vehicles.items() if "sump-pressure" not in fitted_channels(truck)]
    full = [name for name in many.vehicles if name not in plain]
    random = np.random.default_rng(1)
    hidden = draw_scenario("breather-plugged", many, random, BEGIN_S, unused=plain)
    assert not hidden.detectable and "sump-pressure" in hidden.reason
    assert draw_scenario("breather-plugged", many, random, BEGIN_S, unused=full).detectable


def test_a_healthy_scenario_takes_a_truck_of_its_climate(many: FleetSpec) -> None:
    run = draw_scenario("healthy-arctic", many, np.random.default_rng(1), BEGIN_S)
    assert run.vehicle.startswith("arctic-") and run.harmless and not run.faults


def test_what_cannot_be_drawn_is_said(fleet: FleetSpec, many: FleetSpec) -> None:
    random = np.random.default_rng(1)
    with pytest.raises(ModelError, match="there is no scenario 'nothing' in the library"):
        draw_scenario("nothing", many, random)
    with pytest.raises(ModelError, match="it needs a truck of climate 'desert'"):
        draw_scenario("healthy-desert", fleet, random)
    with pytest.raises(ModelError, match="no truck is left"):
        draw_scenario("lean", many, random, unused=())


def test_every_kind_of_fault_is_used_by_the_library_or_the_demonstration(many: FleetSpec) -> None:
    used = {
        fault.kind for name in LIBRARY for fault in draw_scenario(name, many, np.random.default_rng(2), BEGIN_S).faults
    }
    assert set(KINDS) - used <= {"mountain-pull"}
    assert set(SEVERITY_MEANING) == set(KINDS)


def test_a_large_fleet_is_spread_over_climates_and_differs_in_its_specification() -> None:
    fleet = large_fleet(60, seed=4)
    assert len(fleet.vehicles) == 60
    for name, climate in CLIMATES.items():
        ours = [vehicle for vehicle in fleet.vehicles if climate_of(vehicle) is climate]
        assert len(ours) == 15, name
    trucks = fleet.vehicles.values()
    assert len({round(truck.drive_axles[0].ratio, 2) for truck in trucks}) >= 6
    assert len({truck.tyre.revolutions_per_km for truck in trucks}) > 10
    assert len({truck.suspension.ride_height_mm for truck in trucks}) > 5
    assert {truck.type for truck in trucks} == {"valley-tractor", "fell-hauler"}
    assert large_fleet_text(60, seed=4) == large_fleet_text(60, seed=4) != large_fleet_text(60, seed=5)


@pytest.mark.parametrize(("count", "climates"), [(0, ["desert"]), (10, ["moon"]), (10, [])])
def test_a_fleet_that_cannot_be_made_is_refused(count: int, climates: list[str]) -> None:
    with pytest.raises(ModelError, match=r"cannot be made|unknown or none"):
        large_fleet(count, seed=1, climates=climates)


def test_a_fault_whose_sensors_the_knobs_took_is_no_longer_detectable(many: FleetSpec) -> None:
    knobs = Knobs(missing_sensors=0.5)
    unused, runs = set(many.vehicles), []
    for name in ("dragging-brake", "tyre-mismatch", "valve-step", "lube-sensor-bias", "vibration-sensor-silent"):
        for seed in range(5):
            runs.append(draw_scenario(name, many, np.random.default_rng(seed), BEGIN_S, unused=unused))
            unused.discard(runs[-1].vehicle)
    simulator = FleetSimulator(
        many, seed=8, anchor_s=BEGIN_S, begin_s=BEGIN_S, vehicles=[run.vehicle for run in runs], knobs=knobs
    )
    block = simulator.advance(BEGIN_S + np.arange(241) * 60.0)
    told = completed(runs, simulator)
    assert {run.detectable for run in told} == {True, False}
    for run in told:
        rows = [
            row
            for row, (vehicle, position) in enumerate(
                zip(simulator.axle_vehicles, simulator.axle_positions, strict=True)
            )
            if vehicle == run.vehicle and run.axle in (0, position)
        ]
        seen = any(not np.isnan(block.axle[need][:, row]).all() for need in run.needs for row in rows)
        if not run.needs[0].startswith("vib/"):  # which says nothing on a truck that stands
            assert run.detectable == seen, run
        assert run.detectable or "are missing" in run.reason
