"""Weather and calendar: seasons, days, and shifts laid around the anchor."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from axlewright_simulators.demo_fleet import demo_fleet
from axlewright_simulators.duty import STEADY, TREAD_SHARE, Habits, WorkingDays
from axlewright_simulators.fleet import FleetSimulator
from axlewright_simulators.fleets import large_fleet
from axlewright_simulators.roads import LONG_DISTANCE, STONE_AND_TIMBER, Work, draw_route, with_stop
from axlewright_simulators.weather import DAY_S, Weather

YEAR = 1.767e9 + np.arange(365 * 24) * 3600.0  # from 2025-12-29


def test_july_is_warmer_than_january_and_afternoon_than_night() -> None:
    ambient = Weather(1, 0).ambient_cel(YEAR).reshape(365, 24)
    assert ambient[190:220].mean() > ambient[5:35].mean() + 8.0
    hours = ((YEAR[:24] % DAY_S) / 3600.0).astype(int)
    by_hour = dict(zip(hours, ambient.mean(axis=0), strict=True))
    assert by_hour[15] > by_hour[3] + 5.0


def test_weather_stays_within_a_temperate_regions_range() -> None:
    weather = Weather(2, 5)
    ambient, rain, wind = weather.ambient_cel(YEAR), weather.rain(YEAR), weather.wind_m_s(YEAR)
    assert ambient.min() > -25.0 and ambient.max() < 45.0
    assert 0.02 < (rain > 0.0).mean() < 0.5 and rain.max() <= 1.0
    assert np.abs(wind).max() < 20.0 and abs(wind.mean()) < 2.0


def test_trucks_of_a_fleet_share_the_fronts() -> None:
    one, other = Weather(3, 1).ambient_cel(YEAR), Weather(3, 2).ambient_cel(YEAR)
    assert np.any(one != other) and np.corrcoef(one, other)[0, 1] > 0.9


@pytest.mark.parametrize("work", [LONG_DISTANCE, STONE_AND_TIMBER])
def test_roads_are_as_hilly_as_their_work_and_come_back_to_level(work: Work) -> None:
    grades = np.concatenate([draw_route(work, 1, 2, shift).grade for shift in range(12)])
    assert np.abs(grades).max() <= work.steepest
    assert 0.6 * work.hilliness < grades.std() < 1.2 * work.hilliness
    assert abs(grades.mean()) < 0.1 * work.hilliness


def test_loaded_and_empty_legs_alternate() -> None:
    mass = draw_route(STONE_AND_TIMBER, 1, 2, 2).mass_kg
    changes = mass[np.flatnonzero(np.diff(mass)) + 1]
    assert np.unique(mass).size >= 3 and np.ptp(changes) > 5000.0


def test_the_same_shift_has_the_same_road_and_the_next_another() -> None:
    first, again, following = (draw_route(LONG_DISTANCE, 1, 2, shift) for shift in (3, 3, 4))
    assert_array_equal(first.grade, again.grade)
    assert first.grade.size != following.grade.size or np.any(first.grade != following.grade)


def test_no_two_stops_follow_each_other_without_a_road_between() -> None:
    for shift in range(10):
        stops = np.flatnonzero(draw_route(STONE_AND_TIMBER, 4, 5, shift).limit_m_s == 0.0)
        assert np.diff(stops).min() >= 2


def test_a_stop_put_in_is_one_stop_of_the_length_asked_for() -> None:
    route = draw_route(LONG_DISTANCE, 1, 2, 3)
    stopped = with_stop(route, 50_000.0, 1500.0)
    assert stopped.dwell_s.sum() - route.dwell_s.sum() == pytest.approx(1500.0, abs=60.0)
    assert np.diff(np.flatnonzero(stopped.limit_m_s == 0.0)).min() >= 2


def test_drivers_and_trailers_of_large_fleets_differ_and_those_of_the_demonstration_do_not() -> None:
    fleet = large_fleet(8, seed=2)
    for names, spec, differ in ((list(fleet.vehicles), fleet, True), (["hv-101", "hv-102"], demo_fleet(), False)):
        simulator = FleetSimulator(spec, seed=1, anchor_s=1.78e9, begin_s=1.78e9, vehicles=names)
        duties = [duty for duty in simulator._duties if isinstance(duty, WorkingDays)]
        assert len(duties) == len(names)
        assert (len({duty.habits.pace for duty in duties}) == len(duties)) is differ
        drags = {duty.traction_on(shift).drag_area_m2 for duty in duties[:1] for shift in range(5)}
        assert (len(drags) == 5) is differ
        empty = [float(duty.route(shift).mass_kg.min()) for duty in duties for shift in range(5)]
        assert (np.ptp(empty) > 500.0) or not differ


def test_tyres_wear_down_to_their_tread_and_begin_anew() -> None:
    habits = Habits(wears=True)
    factors = np.array([habits.radius_factor(day * DAY_S) for day in range(1200)])
    assert factors.max() == 1.0 and factors.min() == pytest.approx(1.0 - TREAD_SHARE, abs=1e-4)
    assert np.sum(np.diff(factors) > 0.0) == 2  # two changes in 1,200 days of a 500-day life
    assert STEADY.radius_factor(1e9) == 1.0
