"""Trips: speed within limits and power, and integrals that do not depend on how they are cut into windows."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from axlewright_models.spec import FleetSpec
from axlewright_simulators.parameters import traction_of
from axlewright_simulators.roads import CELL_M, LONG_DISTANCE, STONE_AND_TIMBER, Route, draw_route, with_climb
from axlewright_simulators.trips import (
    AIR_DENSITY_KG_M3,
    COLUMN,
    GRAVITY_M_S2,
    Traction,
    Trip,
    drive,
)


@pytest.fixture(scope="module")
def traction(fleet: FleetSpec) -> Traction:
    return traction_of(fleet.vehicle("hv-101"))


def flat(kilometres: float = 30.0, grade: float = 0.0, mass_kg: float = 36_000.0) -> Route:
    cells = int(kilometres * 1000.0 / CELL_M)
    limit = np.full(cells + 1, 25.0)
    limit[0] = limit[-1] = 0.0
    dwell = np.zeros(cells + 1)
    return Route(limit, np.full(cells, grade), np.full(cells, mass_kg), dwell)


def one(route: Route, traction: Traction, wind_m_s: float = 0.0) -> Trip:
    return drive([route], [traction], [wind_m_s])[0]


def speed_at(trip: Trip, share: float) -> float:
    middle = share * trip.duration_s
    ends = trip.integrals(np.array([middle - 30.0, middle + 30.0]))
    return float(np.diff(ends[COLUMN["speed"]])[0] / 60.0)


def test_the_distance_driven_is_the_roads_length(traction: Traction) -> None:
    route = draw_route(LONG_DISTANCE, 1, 2, 3)
    assert one(route, traction).integral[COLUMN["speed"], -1] == pytest.approx(route.length_m, rel=1e-6)


def test_no_limit_is_passed(traction: Traction) -> None:
    route = draw_route(STONE_AND_TIMBER, 1, 2, 3)
    trip = one(route, traction)
    distance = np.interp(np.arange(0.0, trip.duration_s, 1.0), trip.time_s, trip.integral[COLUMN["speed"]])
    speed = np.gradient(distance)
    # Braking takes place before a lower limit, and a sample may touch two cells: the highest limit near it holds.
    node = np.round(distance / CELL_M).astype(int)
    last = route.grade.size
    allowed = np.max([route.limit_m_s[np.clip(node + step, 0, last)] for step in (-1, 0, 1)], axis=0)
    assert np.all(speed <= allowed + 0.6)


def test_on_a_long_climb_power_sets_the_speed(traction: Traction) -> None:
    grade, mass = 0.05, 36_000.0
    speed = speed_at(one(flat(grade=grade, mass_kg=mass), traction), 0.6)
    force = mass * GRAVITY_M_S2 * (np.sin(np.arctan(grade)) + traction.rolling)
    force += 0.5 * AIR_DENSITY_KG_M3 * traction.drag_area_m2 * speed**2
    assert speed * force == pytest.approx(traction.power_w * traction.axle_efficiency, rel=2e-3)  # closed form


def test_at_steady_cruise_the_torque_balances_rolling_and_air(traction: Traction) -> None:
    trip = one(flat(), traction)
    middle = 0.5 * trip.duration_s
    force = np.diff(trip.integrals(np.array([middle, middle + 60.0]))[COLUMN["force"]])[0] / 60.0
    resistance = 36_000.0 * GRAVITY_M_S2 * traction.rolling
    resistance += 0.5 * AIR_DENSITY_KG_M3 * traction.drag_area_m2 * 25.0**2
    assert force * traction.axle_efficiency == pytest.approx(resistance, rel=1e-3)


def test_heavier_or_against_the_wind_is_slower_uphill(traction: Traction) -> None:
    plain = speed_at(one(flat(grade=0.04), traction), 0.6)
    assert speed_at(one(flat(grade=0.04, mass_kg=40_000.0), traction), 0.6) < plain
    assert speed_at(one(flat(grade=0.04), traction, wind_m_s=6.0), 0.6) < plain


def test_shaft_speed_agrees_with_the_regulations_equation() -> None:
    # 40 CFR 1036.545: ka 4.0, r 0.399 m, 20.0019 m/s -> 31.914 rev/s
    traction = Traction(1.0 / (2.0 * np.pi * 0.399), 4.0, (1.0,))
    trip = one(flat(), traction)
    begin = 0.5 * trip.duration_s
    means = np.diff(trip.integrals(np.array([begin, begin + 60.0])))[:, 0] / 60.0
    per_speed = means[COLUMN["spin_1"]] * 4.0 / means[COLUMN["speed"]]
    assert per_speed * 20.0019 == pytest.approx(31.914, abs=1e-3)


def test_windows_of_any_length_add_up_alike(traction: Traction) -> None:
    trip = one(draw_route(LONG_DISTANCE, 4, 5, 6), traction)
    fine = np.diff(trip.integrals(np.linspace(0.0, trip.duration_s, 3001))).sum(axis=1)
    coarse = np.diff(trip.integrals(np.linspace(0.0, trip.duration_s, 7))).sum(axis=1)
    assert_allclose(fine, coarse, rtol=1e-9)


def test_descents_are_held_by_engine_brake_first(traction: Traction) -> None:
    gentle, steep = (one(flat(grade=grade), traction) for grade in (-0.02, -0.06))
    shares = []
    for trip in (gentle, steep):
        middle = 0.5 * trip.duration_s
        shares.append(np.diff(trip.integrals(np.array([middle, middle + 60.0]))[COLUMN["brake_power"]])[0])
    assert shares[0] == pytest.approx(0.0, abs=1e-6)
    assert shares[1] > 0.0


def test_shifts_solved_together_or_alone_come_out_the_same(traction: Traction) -> None:
    routes = [draw_route(LONG_DISTANCE, 1, 2, shift) for shift in (1, 2, 3)]
    together = drive(routes, [traction] * 3, [0.0, 1.0, -1.0])
    assert_allclose(together[1].integral, one(routes[1], traction, 1.0).integral)


def test_a_climb_leaves_what_lies_before_it_as_it_was(traction: Traction) -> None:
    route = draw_route(LONG_DISTANCE, 1, 2, 4)
    plain, climbed = one(route, traction), one(with_climb(route, 60_000.0, 30_000.0, 0.06), traction)
    before = np.linspace(0.0, float(np.interp(58_000.0, plain.integral[COLUMN["speed"]], plain.time_s)), 50)
    assert_allclose(climbed.integrals(before)[COLUMN["speed"]], plain.integrals(before)[COLUMN["speed"]], atol=1e-6)
    assert climbed.duration_s > plain.duration_s + 300.0
