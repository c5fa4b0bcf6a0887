"""A truck follows real speeds and grades: the long-haul cycle of fastsim 2.1.5 and points of a regulation."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from axlewright_models.errors import ModelError
from axlewright_models.spec import FleetSpec
from axlewright_simulators.cycles import Cycle, appendix_d_grade, read_long_haul, trip_of_cycle
from axlewright_simulators.duty import CycleDuty
from axlewright_simulators.parameters import traction_of
from axlewright_simulators.source import SimulatedTruck
from axlewright_simulators.trips import COLUMN

ANCHOR_S = 1_780_000_000.0


@pytest.fixture(scope="module")
def long_haul(fastsim_wheel: Path) -> Cycle:
    return read_long_haul(fastsim_wheel)


def test_the_long_haul_cycle_has_its_published_figures(long_haul: Cycle) -> None:
    assert long_haul.time_s.size == 83_043
    assert long_haul.distance_m / 1000.0 == pytest.approx(804.6, abs=0.1)
    assert long_haul.speed_m_s.max() == pytest.approx(33.48, abs=0.01)
    assert [long_haul.grade.min(), long_haul.grade.max()] == pytest.approx([-0.0232, 0.0290], abs=5e-5)
    moving = long_haul.speed_m_s > 0.0
    assert 1.0 - moving.mean() == pytest.approx(0.597, abs=0.001)
    assert long_haul.speed_m_s[moving].mean() == pytest.approx(24.05, abs=0.02)


def test_a_truck_follows_the_cycle_exactly(long_haul: Cycle, fleet: FleetSpec) -> None:
    trip = trip_of_cycle(long_haul, traction_of(fleet.vehicle("hv-101")))
    assert trip.duration_s == pytest.approx(83_042.0)
    assert trip.integral[COLUMN["speed"], -1] == pytest.approx(long_haul.distance_m, rel=1e-6)
    edges = np.arange(0.0, 83_041.0, 10.0)
    means = np.diff(trip.integrals(edges)[COLUMN["speed"]]) / 10.0
    expected = np.diff(np.interp(edges, long_haul.time_s, _distance(long_haul))) / 10.0
    assert_allclose(means, expected, atol=1e-6)


def test_an_hour_of_the_long_haul_warms_the_axles_into_the_normal_range(long_haul: Cycle, fleet: FleetSpec) -> None:
    trip = trip_of_cycle(long_haul, traction_of(fleet.vehicle("hv-101")))
    # Begin where the truck leaves for good, so that the windows see it drive.
    moving = np.flatnonzero(long_haul.speed_m_s > 20.0)[0]
    truck = SimulatedTruck(fleet, "hv-101", duty=CycleDuty(trip, ANCHOR_S - float(moving)))
    lube = [truck.window(ANCHOR_S + 60.0 * minute, 60.0).axles[2]["lube"] for minute in range(1, 181)]
    assert lube[0] < 45.0
    assert 60.0 < max(lube) < 104.0


def test_a_cycle_drives_windows_of_its_own_speed(fleet: FleetSpec) -> None:
    cycle = Cycle(np.arange(601.0), np.full(601, 20.0), np.zeros(601))
    trip = trip_of_cycle(cycle, traction_of(fleet.vehicle("hv-101")))
    truck = SimulatedTruck(fleet, "hv-101", duty=CycleDuty(trip, ANCHOR_S))
    window = truck.window(ANCHOR_S + 300.0, 10.0)
    assert window.vehicle["speed"] == pytest.approx(72.0, abs=0.01)
    assert window.vehicle["parked"] == 0.0


def test_long_stops_of_a_cycle_are_parking_with_the_ignition_off(fleet: FleetSpec) -> None:
    speed = np.concatenate([np.full(100, 15.0), np.zeros(2000), np.full(100, 15.0)])
    cycle = Cycle(np.arange(speed.size, dtype=float), speed, np.zeros(speed.size))
    trip = trip_of_cycle(cycle, traction_of(fleet.vehicle("hv-101")))
    at = np.array([200.0, 260.0, 1500.0, 1560.0])
    parked, ignition = (trip.integrals(at)[COLUMN[name]] for name in ("parked", "ignition"))
    assert np.diff(parked)[[0, 2]] == pytest.approx([60.0, 60.0])
    assert np.diff(ignition)[[0, 2]] == pytest.approx([60.0, 0.0])


def test_the_grade_profile_passes_through_the_known_points_of_appendix_d() -> None:
    # 40 CFR 1037 Appendix D; the points between are not known here.
    metres = [0.0, 402.0, 804.0, 1206.0, 4916.0, 7292.0]
    assert_allclose(appendix_d_grade(metres), np.array([0.0, 0.0, 0.5, 0.0, -3.23, 5.01]) / 100.0)


def test_the_regulations_steepest_climb_makes_the_axle_hotter_than_the_flat(fleet: FleetSpec) -> None:
    traction = traction_of(fleet.vehicle("hv-101"))
    ends = []
    for steep in (0.0, float(appendix_d_grade(7292.0))):
        count = 2401
        cycle = Cycle(np.arange(float(count)), np.full(count, 13.0), np.full(count, steep))
        truck = SimulatedTruck(fleet, "hv-101", duty=CycleDuty(trip_of_cycle(cycle, traction), ANCHOR_S))
        ends.append(truck.window(ANCHOR_S + 2400.0, 60.0).axles[2]["lube"])
    assert ends[1] > ends[0] + 10.0


def test_a_cycle_can_be_driven_again_each_day(fleet: FleetSpec) -> None:
    count = 3601
    cycle = Cycle(np.arange(float(count)), np.full(count, 20.0), np.zeros(count))
    trip = trip_of_cycle(cycle, traction_of(fleet.vehicle("hv-101")))
    edges = ANCHOR_S + 1800.0 * np.arange(4 * 48 + 1)
    once, daily = (CycleDuty(trip, ANCHOR_S, repeat_s=repeat).windows(edges) for repeat in (None, 86400.0))
    assert once.mean("moving").sum() == pytest.approx(2.0)
    assert_allclose(daily.mean("moving").reshape(4, 48), np.tile(once.mean("moving")[:48], (4, 1)))


def test_what_is_no_wheel_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "x.whl"
    path.write_bytes(b"no zip")
    with pytest.raises(ModelError, match=r"x\.whl: cannot be read as a wheel"):
        read_long_haul(path)


def _distance(cycle: Cycle) -> np.ndarray:
    steps = 0.5 * (cycle.speed_m_s[1:] + cycle.speed_m_s[:-1]) * np.diff(cycle.time_s)
    return np.concatenate([[0.0], np.cumsum(steps)])
