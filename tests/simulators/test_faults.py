"""Every scenario does what its name says, and nothing else: the truth against the readings."""

from __future__ import annotations

import csv
from pathlib import Path

import msgspec
import numpy as np
import pytest

from axlewright_models.errors import ModelError
from axlewright_models.spec import FleetSpec
from axlewright_simulators.faults import KINDS, SEVERITY_MEANING, Fault
from axlewright_simulators.fleet import Block, FleetSimulator
from axlewright_simulators.scenarios import SCENARIOS, demo_faults, make_fault, parse_scenario
from axlewright_simulators.truth import truth_records, write_truth

ANCHOR_S = 1_780_000_000.0
VEHICLE = "hv-201"


def drive(fleet: FleetSpec, faults: list[Fault], hours: float = 1.5, before_hours: float = 0.0) -> Block:
    begin = ANCHOR_S - before_hours * 3600.0
    simulator = FleetSimulator(
        fleet, seed=5, anchor_s=ANCHOR_S, begin_s=begin, vehicles=[VEHICLE], faults=faults, parked_at_anchor=[]
    )
    return simulator.advance(begin + np.arange(int((hours + before_hours) * 60) + 1) * 60.0)


@pytest.fixture(scope="module")
def healthy(fleet: FleetSpec) -> Block:
    return drive(fleet, [])


def scenario(fleet: FleetSpec, name: str, offset_s: float = 0.0, number: int = 0) -> Fault:
    return make_fault(fleet, name, VEHICLE, ANCHOR_S + offset_s, number)


def test_a_knocked_valve_lowers_both_axles(fleet: FleetSpec, healthy: Block) -> None:
    block = drive(fleet, [scenario(fleet, "height-valve", 600.0)])
    fall = block.axle["height/left"] - healthy.axle["height/left"]
    assert np.all(np.abs(fall[:9].mean(axis=0)) < 1.0)
    assert np.all(np.abs(fall[20:].mean(axis=0) + 24.0) < 4.0)


def test_a_low_truck_shakes_more_at_twice_shaft_speed(fleet: FleetSpec, healthy: Block) -> None:
    block = drive(fleet, [scenario(fleet, "height-valve")])
    order = "vib/order/driveshaft-2"
    assert np.all(np.nanmedian(block.axle[order][10:], axis=0) > 1.2 * np.nanmedian(healthy.axle[order][10:], axis=0))


def test_a_dragging_brake_heats_its_own_axle(fleet: FleetSpec, healthy: Block) -> None:
    block = drive(fleet, [scenario(fleet, "dragging-brake", number=1)])
    rise = block.axle["lube"][-1] - healthy.axle["lube"][-1]
    assert rise[1] > 8.0
    assert abs(rise[0]) < 2.0
    assert block.truth["brake-drum"][-1, 1] > healthy.truth["brake-drum"][-1, 1] + 80.0


def test_lube_loss_first_cools_a_little_and_then_runs_hot(fleet: FleetSpec) -> None:
    leak = Fault("lube-loss", VEHICLE, ANCHOR_S - 86400.0 * 6, severity=0.03, axle=2)
    block, sound = (drive(fleet, faults, hours=1.0, before_hours=144.0) for faults in ([leak], []))
    fill = block.truth["fill"][:, 0]
    assert np.all(np.diff(fill) <= 0.0) and fill[-1] < 0.4
    change = block.truth["oil"][:, 0] - sound.truth["oil"][:, 0]
    cruising = block.vehicle["speed"][:, 0] > 60.0
    low_but_wet = cruising & (fill < 0.85) & (fill > 0.7)
    assert change[low_but_wet].mean() < 0.0
    assert change[cruising & (fill < 0.4)].mean() > 5.0
    assert block.axle["lube-level"][-1, 0] < sound.axle["lube-level"][-1, 0] - 20.0


def test_unbalance_raises_order_one_of_its_shaft_alone(fleet: FleetSpec, healthy: Block) -> None:
    block = drive(fleet, [scenario(fleet, "unbalance")])
    first, other = "vib/order/driveshaft-1", "vib/order/wheel-1"
    ratio = np.nanmedian(block.axle[first] / healthy.axle[first], axis=0)
    assert ratio[0] > 3.0 and ratio[1] == pytest.approx(1.0, abs=0.15)
    assert np.nanmedian(block.axle[other] / healthy.axle[other], axis=0) == pytest.approx(1.0, abs=0.15)


def test_a_stuck_sensor_holds_its_last_value_while_the_truth_moves(fleet: FleetSpec) -> None:
    block = drive(fleet, [scenario(fleet, "stuck-sensor", 600.0)])
    after = block.edges_s[1:] >= ANCHOR_S + 600.0
    assert np.unique(block.axle["lube"][after, 0]).size == 1
    assert np.ptp(block.truth["oil"][after, 0]) > 1.0
    assert np.unique(block.axle["lube"][after, 1]).size > 3


def test_a_silent_sensor_says_nothing(fleet: FleetSpec) -> None:
    block = drive(fleet, [scenario(fleet, "silent-sensor", 600.0)])
    after = block.edges_s[1:] >= ANCHOR_S + 600.0
    assert np.all(np.isnan(block.axle["lube"][after, 0])) and not np.isnan(block.axle["lube"][:, 1]).any()


def test_a_drifting_sensor_departs_in_a_straight_line(fleet: FleetSpec, healthy: Block) -> None:
    drift = Fault("lube-sensor", VEHICLE, ANCHOR_S, 20.0, axle=2, development_s=5400.0, mode="drift")
    off = drive(fleet, [drift]).axle["lube"][:, 0] - healthy.axle["lube"][:, 0]
    assert off[44] == pytest.approx(10.0, abs=0.6) and off[-1] == pytest.approx(20.0, abs=0.6)


def test_a_leak_lowers_the_parked_truck_overnight(fleet: FleetSpec) -> None:
    leak = Fault("air-leak", VEHICLE, ANCHOR_S, 0.25, side="left")
    block, sound = (drive(fleet, faults, hours=23.0) for faults in ([leak], []))
    lost = sound.axle["height/left"] - block.axle["height/left"]
    parked = block.vehicle["ignition"][:, 0] < 0.5
    assert lost[parked].max() > 20.0
    cruising = block.vehicle["speed"][:, 0] > 60.0
    assert abs(np.median(lost[cruising])) < 5.0


def test_lowering_on_purpose_is_said_in_the_height_mode(fleet: FleetSpec) -> None:
    block = drive(fleet, [scenario(fleet, "lowered", 600.0)])
    lowered = block.vehicle["height-mode"][:, 0] > 0.5
    assert 20 <= lowered.sum() <= 30
    deep = block.axle["height/left"][lowered][3:, 0].mean()
    assert deep < block.axle["height/left"][~lowered][:, 0].mean() - 40.0


def test_a_mountain_pull_is_hot_on_both_axles_and_slow(fleet: FleetSpec, healthy: Block) -> None:
    block = drive(fleet, [scenario(fleet, "mountain-pull")])
    climb = slice(10, 35)
    assert block.vehicle["torque"][climb].mean() > 2.0 * healthy.vehicle["torque"][climb].mean()
    assert np.all(block.axle["lube"][35] > healthy.axle["lube"][35] + 4.0)


@pytest.mark.parametrize("name", sorted(SCENARIOS))
def test_every_scenario_can_be_made_and_its_truth_told(fleet: FleetSpec, name: str, tmp_path: Path) -> None:
    fault = scenario(fleet, name)
    assert fault.kind in KINDS and fault.kind in SEVERITY_MEANING
    assert (SCENARIOS[name].expected is None) == fault.harmless
    as_json, as_csv = write_truth(tmp_path, [fault])
    (told,) = msgspec.json.decode(as_json.read_bytes())
    assert told["vehicle"] == VEHICLE and told["kind"] == fault.kind
    with as_csv.open(newline="") as file:
        (row,) = csv.DictReader(file)
    assert row["onset"] == "2026-05-28T20:26:40+00:00"


def test_truth_is_listed_by_onset(fleet: FleetSpec) -> None:
    onsets = [record.onset for record in truth_records(demo_faults(fleet, ANCHOR_S))]
    assert onsets == sorted(onsets) and len(onsets) == 9


def test_sensors_report_no_truth(fleet: FleetSpec) -> None:
    faulty = drive(fleet, [scenario(fleet, "lube-loss"), scenario(fleet, "dragging-brake")], hours=0.2)
    sound = drive(fleet, [], hours=0.2)
    for columns in ("vehicle", "axle"):
        assert set(getattr(faulty, columns)) == set(getattr(sound, columns))
        assert not set(getattr(faulty, columns)) & set(faulty.truth)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("height-valve", "has not the form NAME=vehicle@time"),
        ("height-valve=hv-101", "has not the form NAME=vehicle@time"),
        ("explosion=hv-101@+1", "there is no scenario 'explosion'; use one of height-valve"),
        ("height-valve=hv-999@+1", "has no vehicle 'hv-999'"),
        ("height-valve=hv-101@soon", "time 'soon' is neither ISO 8601"),
        ("height-valve=hv-101@+soon", "neither ISO 8601"),
    ],
)
def test_a_wrong_scenario_is_refused_with_what_would_be_right(fleet: FleetSpec, text: str, words: str) -> None:
    with pytest.raises(ModelError, match=words.replace("+", r"\+")):
        parse_scenario(fleet, text, ANCHOR_S)


def test_a_scenarios_time_may_be_iso(fleet: FleetSpec) -> None:
    assert parse_scenario(fleet, "unbalance=hv-101@2026-05-28T20:26:40", 0.0).onset_s == ANCHOR_S
