"""Roads of an invented region: speed limits, grades, stops and loads along a day's route.

A route is cut into cells of equal length. Everything is drawn from (seed, truck, shift), so any shift of any
truck can be made alone and comes out the same.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

CELL_M = 100.0
Array = NDArray[np.float64]

TARE_KG = 16500.0  # 6x4 tractor with an empty trailer; own choice
PAYLOAD_KG = 22000.0  # legal payload in the invented region; own choice


@dataclass(frozen=True)
class Route:
    """One shift's road.

    ``limit_m_s`` (n + 1,) is what the driver aims at at each node, 0 where he stops; ``grade`` (n,) is rise over
    run; ``mass_kg`` (n,) the gross mass; ``dwell_s`` (n + 1,) the time spent at a node.
    """

    limit_m_s: Array
    grade: Array
    mass_kg: Array
    dwell_s: Array

    @property
    def length_m(self) -> float:
        """Return the length. [m]"""
        return self.grade.size * CELL_M


@dataclass(frozen=True)
class Work:
    """What kind of work a truck does.

    ``leg_km`` spans the distance between customers, ``legs`` how many a shift has, ``hilliness`` is the standard
    deviation of the grade.
    """

    leg_km: tuple[float, float]
    legs: int
    hilliness: float
    cruise_km_h: float
    steepest: float


LONG_DISTANCE = Work(leg_km=(170.0, 260.0), legs=3, hilliness=0.010, cruise_km_h=90.0, steepest=0.045)
STONE_AND_TIMBER = Work(leg_km=(55.0, 95.0), legs=5, hilliness=0.017, cruise_km_h=80.0, steepest=0.065)


def draw_route(work: Work, seed: int, place: int, shift: int) -> Route:
    """Return the route of one shift of one truck (`place` tells the trucks apart)."""
    random = np.random.default_rng([seed, place, shift + 100_000, 11])
    legs = [_leg(work, random, loaded=bool(leg % 2 == shift % 2)) for leg in range(work.legs)]
    limit = np.concatenate([leg.limit_m_s[:-1] for leg in legs] + [legs[-1].limit_m_s[-1:]])
    dwell = np.concatenate([leg.dwell_s[:-1] for leg in legs] + [np.zeros(1)])
    return Route(
        limit, np.concatenate([leg.grade for leg in legs]), np.concatenate([leg.mass_kg for leg in legs]), dwell
    )


def with_habits(route: Route, pace: float, payload: float = 1.0, hills: float = 1.0, heavier_kg: float = 0.0) -> Route:
    """Return the route as a driver takes it who keeps to a share of the limits, with more load or over steeper hills.

    Grades stay within the steepest that a road has anywhere here, 9 %.
    """
    mass = TARE_KG + heavier_kg + payload * (route.mass_kg - TARE_KG)
    return Route(route.limit_m_s * pace, np.clip(route.grade * hills, -0.09, 0.09), mass, route.dwell_s)


def with_climb(route: Route, begin_m: float, length_m: float, grade: float) -> Route:
    """Return the route with one long even climb and a full load from `begin_m` on; no stop interrupts it."""
    first = min(int(begin_m / CELL_M), route.grade.size - 2)
    last = min(first + int(length_m / CELL_M), route.grade.size - 1)
    new_grade, mass = route.grade.copy(), route.mass_kg.copy()
    new_grade[first:last] = grade
    mass[first:] = TARE_KG + PAYLOAD_KG
    limit, dwell = route.limit_m_s.copy(), route.dwell_s.copy()
    limit[first + 1 : last] = np.maximum(limit[first + 1 : last], 80.0 / 3.6)
    dwell[first + 1 : last] = 0.0
    return Route(limit, new_grade, mass, dwell)


def with_stop(route: Route, at_m: float, dwell_s: float) -> Route:
    """Return the route with one stop more at `at_m`, or a longer one where the driver stops near there anyhow."""
    node = int(np.clip(round(at_m / CELL_M), 2, route.grade.size - 2))
    limit, dwell = route.limit_m_s.copy(), route.dwell_s.copy()
    near = node - 1 + np.flatnonzero(limit[node - 1 : node + 2] == 0.0)
    if near.size:
        node = int(near[0])
    limit[node] = 0.0
    dwell[node] = max(dwell[node], dwell_s)
    return Route(limit, route.grade, route.mass_kg, dwell)


def _leg(work: Work, random: np.random.Generator, loaded: bool) -> Route:
    cells = int(random.uniform(*work.leg_km) * 1000.0 / CELL_M)
    town = int(random.uniform(3000.0, 7000.0) / CELL_M)
    limit = np.full(cells + 1, work.cruise_km_h / 3.6) * random.uniform(0.96, 1.0)
    # Main roads between motorways: stretches with a lower limit.
    for _ in range(max(1, cells // 350)):
        begin = int(random.uniform(town, cells - town))
        limit[begin : begin + int(random.uniform(30, 140))] *= random.uniform(0.68, 0.9)
    limit[:town] = limit[-town:] = 50.0 / 3.6
    dwell = np.zeros(cells + 1)
    # Crossings lie at least 500 m apart, so that no two stops follow each other without a drive between.
    for node in (*range(4, town, 5), *range(cells - town, cells - 4, 5)):
        if random.random() < 0.4:
            limit[node], dwell[node] = 0.0, random.uniform(8.0, 55.0)
    limit[0] = limit[-1] = 0.0
    # The customer's yard: the load changes while the truck stands.
    dwell[0] = random.uniform(25.0, 50.0) * 60.0
    payload = random.uniform(0.75, 1.0) if loaded else random.choice([0.0, random.uniform(0.2, 0.5)])
    return Route(limit, _grade(work, random, cells), np.full(cells, TARE_KG + payload * PAYLOAD_KG), dwell)


def _grade(work: Work, random: np.random.Generator, cells: int) -> Array:
    distance = np.arange(cells) * CELL_M
    lengths = np.exp(random.uniform(np.log(1500.0), np.log(25_000.0), 9))
    grade = np.zeros(cells)
    for length, phase in zip(lengths, random.uniform(0.0, 2.0 * np.pi, 9), strict=True):
        grade += np.sin(2.0 * np.pi * distance / length + phase)
    grade *= work.hilliness * np.sqrt(2.0 / 9.0)
    town = min(40, cells // 4)
    grade[:town] *= 0.3
    grade[-town:] *= 0.3
    return np.asarray(np.clip(grade - grade.mean(), -work.steepest, work.steepest))
