"""One truck for the edge: windows in order, a state that survives, no truth inside, no time to come."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from axlewright_edge.features import Waveform, waveform_features
from axlewright_models.errors import ModelError
from axlewright_models.signals import CHANNELS, IS_AXLE, NAMES
from axlewright_models.spec import FleetSpec, parse_fleet
from axlewright_models.wire.frames import Window
from axlewright_simulators.demo_fleet import demo_fleet
from axlewright_simulators.fleet import FleetSimulator
from axlewright_simulators.scenarios import demo_faults, make_fault
from axlewright_simulators.source import SimulatedTruck
from axlewright_simulators.state import load_truck, save_truck
from axlewright_simulators.waveform_of_truck import recent_waveform

ANCHOR_S = 1_780_000_000.0


def windows(truck: SimulatedTruck, count: int, first: int = 1) -> list[Window]:
    return [truck.window(ANCHOR_S + 10.0 * number, 10.0) for number in range(first, first + count)]


def test_windows_end_where_they_are_asked_to_and_hold_known_channels_only(fleet: FleetSpec) -> None:
    vehicle_names = {name for name, axle in zip(NAMES, IS_AXLE, strict=True) if not axle}
    for number, window in enumerate(windows(SimulatedTruck(fleet, "hv-201"), 12), start=1):
        assert window.time_s == ANCHOR_S + 10.0 * number
        assert set(window.vehicle) <= vehicle_names
        assert set(window.axles) == {2, 3}
        for channels in window.axles.values():
            assert set(channels) <= set(NAMES) - vehicle_names
            assert {"lube", "height/left", "height/right", "bellows/left"} <= set(channels)


def test_a_window_says_nothing_of_the_truth(fleet: FleetSpec) -> None:
    faults = [make_fault(fleet, name, "hv-201", ANCHOR_S) for name in ("lube-loss", "dragging-brake", "unbalance")]
    sound, faulty = SimulatedTruck(fleet, "hv-201"), SimulatedTruck(fleet, "hv-201", faults=faults)
    names = {channel.name for channel in CHANNELS}
    for plain, told in zip(windows(sound, 3), windows(faulty, 3), strict=True):
        assert set(plain.vehicle) == set(told.vehicle) <= names
        assert [set(plain.axles[n]) for n in (2, 3)] == [set(told.axles[n]) for n in (2, 3)]
        words = repr(told)
        assert not any(fault.kind in words for fault in faults)


def test_the_truck_drives_when_it_is_first_looked_at(fleet: FleetSpec) -> None:
    for vehicle in fleet.vehicles:
        assert SimulatedTruck(fleet, vehicle, seed=11).window(ANCHOR_S, 10.0).vehicle["speed"] > 20.0


def test_a_truck_stopped_and_started_goes_on_as_if_nothing_had_been(fleet: FleetSpec, tmp_path: Path) -> None:
    state = tmp_path / "state.json"
    undisturbed = windows(SimulatedTruck(fleet, "hv-102", seed=4), 20)
    first = SimulatedTruck(fleet, "hv-102", seed=4, state=state)
    before = windows(first, 11)
    first.close()
    after = windows(SimulatedTruck(fleet, "hv-102", seed=99, state=state), 9, first=12)
    assert before + after == undisturbed


def test_the_state_is_saved_on_the_way_for_the_day_the_power_is_cut(fleet: FleetSpec, tmp_path: Path) -> None:
    truck = SimulatedTruck(fleet, "hv-102", state=tmp_path / "state.json")
    windows(truck, 20)
    assert ANCHOR_S + 200.0 - load_truck(tmp_path / "state.json").time_s <= 60.0


def test_a_truck_goes_on_from_the_fleets_history_with_its_faults(fleet: FleetSpec, tmp_path: Path) -> None:
    history = FleetSimulator(
        fleet, seed=2, anchor_s=ANCHOR_S, begin_s=ANCHOR_S - 60.0, faults=demo_faults(fleet, ANCHOR_S)
    )
    history.advance(history.time_s + 60.0 * np.arange(2))
    file = history.truck_file("hv-107")
    save_truck(tmp_path / "state.json", file)
    truck = SimulatedTruck(fleet, "hv-107", state=tmp_path / "state.json")
    told = windows(truck, 6)
    # Its sensor hangs since yesterday: history and live windows tell the same value.
    values = {window.axles[2]["lube"] for window in told}
    assert len(values) == 1
    assert told[0].vehicle["odometer"] >= file.stretch["odometer_km"][0] - 0.01


def test_a_long_pause_is_driven_in_silence(fleet: FleetSpec) -> None:
    truck = SimulatedTruck(fleet, "hv-101")
    early = truck.window(ANCHOR_S, 10.0)
    late = truck.window(ANCHOR_S + 1800.0, 10.0)
    assert late.vehicle["odometer"] > early.vehicle["odometer"] + 5.0


def test_time_never_runs_backwards(fleet: FleetSpec) -> None:
    truck = SimulatedTruck(fleet, "hv-101")
    truck.window(ANCHOR_S, 10.0)
    with pytest.raises(ModelError, match="must rise from the simulator's clock"):
        truck.window(ANCHOR_S - 30.0, 10.0)


def test_an_unknown_truck_is_refused_at_once(fleet: FleetSpec) -> None:
    with pytest.raises(ModelError, match="has no vehicle 'hv-999'"):
        SimulatedTruck(fleet, "hv-999")


@pytest.mark.parametrize("content", ["", "{}", '{"vehicle": 3}', "nonsense"])
def test_a_state_file_of_another_kind_is_refused_by_name(fleet: FleetSpec, tmp_path: Path, content: str) -> None:
    path = tmp_path / "state.json"
    path.write_text(content)
    with pytest.raises(ModelError, match=r"state\.json: is no state of a simulated truck"):
        SimulatedTruck(fleet, "hv-101", state=path).window(ANCHOR_S, 10.0)


def test_a_state_that_lacks_a_part_says_how_to_mend_it(fleet: FleetSpec, tmp_path: Path) -> None:
    path = tmp_path / "state.json"
    truck = SimulatedTruck(fleet, "hv-101", state=path)
    truck.window(ANCHOR_S, 10.0)
    truck.close()
    table = json.loads(path.read_text())
    del table["stretch"]["wear.fill"]
    path.write_text(json.dumps(table))
    with pytest.raises(ModelError, match=r"lacks 'wear\.fill'; remove the state file"):
        SimulatedTruck(fleet, "hv-101", state=path).window(ANCHOR_S + 10.0, 10.0)


def test_a_truck_whose_fleet_file_names_no_shafts_drives_all_the_same() -> None:
    fleet = parse_fleet('fleet = "yard"\nname = "y"\n[types.t]\n[vehicles.t-1]\ntype = "t"\n')
    truck = SimulatedTruck(fleet, "t-1", seed=1, anchor_s=1.7e9)
    window = truck.window(1.7e9, 10.0)
    assert window.axles[2]["vib/order/driveshaft-2"] > 0.0 or window.vehicle["speed"] == 0.0


def test_the_waveform_of_a_truck_has_the_lines_of_its_window() -> None:
    fleet = demo_fleet()
    vehicle = fleet.vehicle("hv-101")
    window = SimulatedTruck(fleet, "hv-101", seed=7).window(time_s=1.7e9, window_s=10.0)
    told = recent_waveform(vehicle, 2, window, 10.0, seed=7)
    assert told is not None
    gear = window.vehicle["gear"]
    waveform = Waveform(2, told.rate_hz, told.samples.astype(np.float32), 0.0, told.turns, gear_ratio=gear)
    channels = waveform_features(waveform, vehicle)
    for line in ("driveshaft-2", "mesh-1"):  # well above the road's noise
        assert channels[f"vib/order/{line}"] == pytest.approx(window.axles[2][f"vib/order/{line}"], rel=0.15)


def test_a_standing_truck_has_none() -> None:
    vehicle = demo_fleet().vehicle("hv-101")
    assert recent_waveform(vehicle, 2, Window(1.7e9, {"speed": 0.0}), 10.0, seed=7) is None
