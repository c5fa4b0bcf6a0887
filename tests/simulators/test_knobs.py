"""Knobs, climates, habits and duty events: each does what it says and leaves the rest alone."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from axlewright_models.errors import ModelError
from axlewright_models.spec import FleetSpec
from axlewright_simulators.climates import CLIMATES
from axlewright_simulators.faults import Fault
from axlewright_simulators.fleet import Block, FleetSimulator
from axlewright_simulators.fleets import large_fleet
from axlewright_simulators.history import table_of
from axlewright_simulators.knobs import AXLE_PARAMETERS, TRUCK_PARAMETERS, Knobs
from axlewright_simulators.parameters import axle_rows
from axlewright_simulators.weather import Weather

ANCHOR_S = 1.78e9
DAY_S = 86400.0
VEHICLES = ["hv-101", "hv-201", "hv-202"]


def drive(fleet: FleetSpec, knobs: Knobs, minutes: int = 120, vehicles: list[str] | None = None) -> Block:
    simulator = FleetSimulator(
        fleet, seed=5, anchor_s=ANCHOR_S, begin_s=ANCHOR_S, vehicles=vehicles or VEHICLES, knobs=knobs
    )
    return simulator.advance(ANCHOR_S + np.arange(minutes + 1) * 60.0)


@pytest.fixture(scope="module")
def plain(fleet: FleetSpec) -> Block:
    return drive(fleet, Knobs())


def test_the_spread_moves_every_chosen_parameter_and_nothing_that_the_fleet_file_says(fleet: FleetSpec) -> None:
    usual = axle_rows([fleet.vehicle(name) for name in VEHICLES], seed=5)
    made = FleetSimulator(
        fleet, seed=5, anchor_s=ANCHOR_S, begin_s=ANCHOR_S, vehicles=VEHICLES, knobs=Knobs(parameter_spread=0.3)
    )
    for field in fields(usual):
        before, after = getattr(usual, field.name), getattr(made.axles, field.name)
        if field.name in AXLE_PARAMETERS:
            ratio = after / before
            assert np.all((ratio >= 0.7) & (ratio <= 1.3)) and np.unique(ratio).size == ratio.size, field.name
        else:
            assert_array_equal(before, after)
    assert set(TRUCK_PARAMETERS) < {field.name for field in fields(made.trucks)}


def test_parameters_of_a_truck_hang_on_no_other_truck(fleet: FleetSpec) -> None:
    knobs = Knobs(parameter_spread=0.3)
    alone = drive(fleet, knobs, 10, ["hv-201"])
    company = drive(fleet, knobs, 10)
    assert_allclose(alone.truth["oil"], company.truth["oil"][:, 2:4], rtol=1e-9)


def test_doubled_noise_doubles_the_scatter_and_leaves_the_truth(fleet: FleetSpec, plain: Block) -> None:
    loud = drive(fleet, Knobs(noise=2.0))
    assert_array_equal(loud.truth["oil"], plain.truth["oil"])
    silent = drive(fleet, Knobs(noise=0.0))
    for name in ("height/left", "bellows/left", "lube-level"):
        once = np.nanstd(plain.axle[name] - silent.axle[name])
        assert np.nanstd(loud.axle[name] - silent.axle[name]) == pytest.approx(2.0 * once, rel=0.1), name


def test_missing_sensors_are_silent_for_good_and_about_as_many_as_asked(fleet: FleetSpec, plain: Block) -> None:
    lacking = drive(fleet, Knobs(missing_sensors=0.5), vehicles=list(fleet.vehicles))
    gone = np.isnan(lacking.axle["lube"])
    assert_array_equal(gone.all(axis=0), gone.any(axis=0))
    assert 0.25 < gone.all(axis=0).mean() < 0.75
    left = np.isnan(lacking.axle["height/left"]).all(axis=0)
    assert np.any(left != gone.all(axis=0))
    assert not np.isnan(plain.axle["lube"]).any()
    assert_array_equal(left, np.isnan(lacking.axle["height/left-spread"]).all(axis=0))


def test_lost_windows_are_missing_from_the_table(fleet: FleetSpec) -> None:
    knobs = Knobs(lost_frames=0.2)
    simulator = FleetSimulator(fleet, seed=5, anchor_s=ANCHOR_S, begin_s=ANCHOR_S, vehicles=VEHICLES, knobs=knobs)
    block = simulator.advance(ANCHOR_S + np.arange(121) * 60.0)
    assert block.lost.mean() == pytest.approx(0.2, abs=0.07)
    table = table_of(block, simulator)
    whole = [axle == 0 for axle in table["axle"].to_pylist()]
    awake = block.vehicle["ignition"] > 0.5
    assert sum(whole) <= (~block.lost).sum() and sum(whole) >= (awake & ~block.lost).sum()


@pytest.mark.parametrize(
    "wrong", [{"parameter_spread": -0.1}, {"missing_sensors": 1.5}, {"lost_frames": -1.0}, {"noise": -2.0}]
)
def test_a_knob_out_of_range_is_refused_by_name(wrong: dict[str, float]) -> None:
    (name,) = wrong
    with pytest.raises(ModelError, match=f"knob {name} is"):
        Knobs(**wrong)


def test_climates_are_what_their_names_say() -> None:
    year = 1.767e9 + np.arange(365 * 24) * 3600.0
    air = {name: Weather(1, 0, climate).ambient_cel(year) for name, climate in CLIMATES.items()}
    assert np.percentile(air["desert"], 95) > 38.0 and air["desert"].max() < 60.0
    assert np.percentile(air["arctic"], 5) < -20.0 and air["arctic"].min() > -60.0
    assert air["mountain"].mean() < air["temperate"].mean() < air["desert"].mean()
    rain = {name: Weather(1, 0, climate).rain(year).mean() for name, climate in CLIMATES.items()}
    assert rain["desert"] < 0.2 * rain["temperate"]


def test_a_cold_start_in_arctic_winter_is_a_thick_one() -> None:
    fleet = large_fleet(12, seed=2, climates=["arctic", "desert"])
    january = 1.7675e9
    blocks = {}
    for climate in ("arctic", "desert"):
        names = [name for name in fleet.vehicles if name.startswith(climate)]
        simulator = FleetSimulator(fleet, seed=2, anchor_s=january, begin_s=january - DAY_S, vehicles=names)
        blocks[climate] = simulator.advance(january - DAY_S + np.arange(1441) * 60.0)
    assert blocks["arctic"].truth["oil"].min() < 5.0 < blocks["desert"].truth["oil"].min()
    assert np.nanmax(blocks["arctic"].axle["lube"]) < np.nanmax(blocks["desert"].axle["lube"])
    assert np.nanmin(blocks["arctic"].axle["lube"]) > -60.0


def driven(fleet: FleetSpec, faults: list[Fault]) -> Block:
    simulator = FleetSimulator(
        fleet, seed=5, anchor_s=ANCHOR_S, begin_s=ANCHOR_S + DAY_S, vehicles=["hv-201"], faults=faults
    )
    return simulator.advance(ANCHOR_S + DAY_S + np.arange(1441) * 60.0)


def test_overload_presses_on_the_springs_and_warms_the_axles(fleet: FleetSpec) -> None:
    more = Fault("overload", "hv-201", ANCHOR_S + 3600.0, 1.4)
    heavy, usual = driven(fleet, [more]), driven(fleet, [])
    assert np.nanmax(heavy.axle["bellows/left"]) > 1.1 * np.nanmax(usual.axle["bellows/left"])
    assert heavy.truth["oil"].max() > usual.truth["oil"].max() + 1.0


def test_mountain_work_is_hotter_than_the_same_days_on_its_usual_roads(fleet: FleetSpec) -> None:
    hills = Fault("mountain-duty", "hv-201", ANCHOR_S + 3600.0, 2.0)
    steep, usual = driven(fleet, [hills]), driven(fleet, [])
    assert steep.truth["oil"].max() > usual.truth["oil"].max() + 2.0


def test_new_tyres_turn_a_little_slower(fleet: FleetSpec) -> None:
    taller = Fault("tyre-radius", "hv-201", ANCHOR_S + 3600.0, 0.015)

    def turns(block: Block) -> float:
        cruising = block.vehicle["speed"][:, 0] > 50.0
        return float(np.median(block.vehicle["shaft-speed"][cruising, 0] / block.vehicle["speed"][cruising, 0]))

    assert turns(driven(fleet, [taller])) == pytest.approx(turns(driven(fleet, [])) / 1.015, rel=1e-3)
