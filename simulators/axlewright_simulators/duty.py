"""A truck's working days: shifts round the clock, arranged so that a chosen moment finds it on the road.

The *anchor* is that moment ("now" when a demonstration starts). A driving truck's shift zero is laid so that the
anchor falls well inside its longest stretch without a stop; the other shifts follow daily with some scatter.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from axlewright_simulators.faults import Fault
from axlewright_simulators.roads import PAYLOAD_KG, TARE_KG, Route, Work, draw_route, with_climb, with_habits, with_stop
from axlewright_simulators.trips import COLUMN, COLUMNS, Traction, Trip, drive
from axlewright_simulators.weather import DAY_S, Weather

Array = NDArray[np.float64]
SHIFT_SCATTER_S = 1500.0
REST_SHARE = 0.1  # of days without work
LONGEST_SHIFT_S = 22.0 * 3600.0
CLIMB_M = 36_000.0
ON_THE_ROAD = ("mountain-pull", "lowered")  # events that change a shift in its middle
LOWERING_MARGIN_S = 75.0  # the truck stands this long before it is lowered, and after it is up again


@dataclass(frozen=True)
class DutyWindows:
    """What a truck did in each of t windows: time means (columns, t), and the gear at mid-window (t,).

    ``length_s`` (t,) is how long each window is.
    """

    means: Array
    gear: Array
    length_s: Array

    def mean(self, name: str) -> Array:
        """Return the time mean of a column of :data:`axlewright_simulators.trips.COLUMNS`, (t,)."""
        column: Array = self.means[COLUMN[name]]
        return column


@dataclass(frozen=True)
class Habits:
    """How one driver, his tyres and his trailers differ from the next's.

    ``pace`` is the share of the limits that he drives; ``tyre_worn`` is how far the drive tyres' life is used at the
    anchor; ``trailers`` says whether each shift brings another trailer, and ``wears`` whether tyres wear.
    """

    pace: float = 1.0
    tyre_worn: float = 0.0
    wears: bool = False
    trailers: bool = False

    def radius_factor(self, since_anchor_s: float) -> float:
        """Return the rolling radius over that of the fleet file; worn tyres are changed for new ones in their turn."""
        worn = (self.tyre_worn + since_anchor_s / TYRE_LIFE_S) % 1.0 if self.wears else 0.0
        return 1.0 - TREAD_SHARE * worn


STEADY = Habits()
TYRE_LIFE_S = 500.0 * DAY_S
TREAD_SHARE = 0.012  # of the rolling radius: some 12 mm of tread on half a metre


def draw_habits(seed: int, place: int) -> Habits:
    """Return the habits of one truck's driver, and how worn its tyres are."""
    random = np.random.default_rng([seed, place, 14])
    return Habits(float(random.uniform(0.92, 1.0)), float(random.uniform(0.0, 1.0)), wears=True, trailers=True)


@dataclass(frozen=True)
class Trailer:
    """What a trailer changes: its tare against the usual one [kg], and factors of drag area and rolling resistance."""

    heavier_kg: float = 0.0
    drag: float = 1.0
    rolling: float = 1.0


def draw_trailer(seed: int, place: int, shift: int) -> Trailer:
    """Return the trailer of one shift of one truck: box, flatbed or tipper, on fresh tyres or old ones."""
    random = np.random.default_rng([seed, place, shift + 100_000, 15])
    return Trailer(*(float(random.uniform(*span)) for span in ((-1500.0, 1500.0), (0.85, 1.15), (0.9, 1.12))))


class Duty(Protocol):
    """Anything that tells what a truck did between given times."""

    def windows(self, edges_s: Array) -> DutyWindows:
        """Return the windows between successive Unix times (t + 1,)."""
        ...


def windows_of_trips(trips: Sequence[tuple[float, Trip]], edges_s: Array, mass_kg: float) -> DutyWindows:
    """Return the windows that placed trips (start in Unix time, trip) make; between them the truck is parked."""
    totals = np.zeros((len(COLUMNS), edges_s.size))
    working = np.zeros(edges_s.size)
    length = np.diff(edges_s)
    middle = edges_s[:-1] + 0.5 * length
    gear = np.full(middle.size, np.nan)
    for start, trip in trips:
        totals += trip.integrals(edges_s - start)
        working += np.clip(edges_s - start, 0.0, trip.duration_s)
        own = trip.gear_at(middle - start)
        gear = np.where(np.isnan(own), gear, own)
    means = np.diff(totals, axis=1) / length
    idle = 1.0 - np.diff(working) / length
    means[COLUMN["parked"]] += idle
    means[COLUMN["mass"]] += idle * mass_kg
    return DutyWindows(means, gear, length)


@dataclass
class WorkingDays:
    """The duty of one truck by its calendar.

    Parameters
    ----------
    work, traction, weather
        What it does, with what, in which weather.
    seed, place : int
        Draw its routes.
    anchor_s : float
        Unix time around which the shifts are laid. [s]
    drives_at_anchor : bool
        Whether the anchor finds it on the road.
    events : sequence of Fault
        Its mountain pulls, the stops at which it is lowered, its days of overload and of mountain work, its new tyres.
    habits : Habits
        Of its driver and tyres.
    """

    work: Work
    traction: Traction
    weather: Weather
    seed: int
    place: int
    anchor_s: float
    drives_at_anchor: bool = True
    events: tuple[Fault, ...] = ()
    habits: Habits = STEADY
    trips: dict[int, tuple[float, Trip]] = field(default_factory=dict)

    def windows(self, edges_s: Array) -> DutyWindows:
        """Return the windows between successive Unix times (t + 1,)."""
        prepare([self], float(edges_s[0]), float(edges_s[-1]))
        wanted = [self.trips[k] for k in self.shifts(float(edges_s[0]), float(edges_s[-1])) if k in self.trips]
        return windows_of_trips(wanted, edges_s, TARE_KG + 0.3 * PAYLOAD_KG)

    def shifts(self, begin_s: float, end_s: float) -> list[int]:
        """Return the numbers of the shifts that may touch a span of time; rest days are left out."""
        last = int(np.ceil((end_s - self.anchor_s) / DAY_S)) + 1
        return [k for k in range(self._first_shift(begin_s), last + 1) if not self._rests(k)]

    def forget(self, before_s: float) -> None:
        """Drop the solved shifts that no time after `before_s` needs; shift zero stays, the others lie by it."""
        first = self._first_shift(before_s)
        for shift in [k for k in self.trips if k < first and k != 0]:
            del self.trips[shift]

    def _first_shift(self, begin_s: float) -> int:
        return int(np.floor((begin_s - self.anchor_s - LONGEST_SHIFT_S) / DAY_S)) - 1

    def _rests(self, shift: int) -> bool:
        if shift == 0:
            return False
        return bool(np.random.default_rng([self.seed, self.place, shift + 100_000, 12]).random() < REST_SHARE)

    def route(self, shift: int) -> Route:
        """Return the road of a shift, as this driver takes it."""
        route = draw_route(self.work, self.seed, self.place, shift)
        sizes = {"overload": 1.0, "mountain-duty": 1.0}
        for event in self.events:
            if event.kind in sizes and event.share(self._about_s(shift)) > 0.0:
                sizes[event.kind] *= event.severity
        if self.habits is STEADY and all(size == 1.0 for size in sizes.values()):
            return route
        heavier_kg = self.trailer(shift).heavier_kg
        return with_habits(route, self.habits.pace, sizes["overload"], sizes["mountain-duty"], heavier_kg)

    def trailer(self, shift: int) -> Trailer:
        """Return what it draws on a shift."""
        return draw_trailer(self.seed, self.place, shift) if self.habits.trailers else Trailer()

    def traction_on(self, shift: int) -> Traction:
        """Return what the truck pulls with on a shift: its tyres wear, and are changed; trailers differ."""
        about_s = self._about_s(shift)
        factor = self.habits.radius_factor(about_s - self.anchor_s)
        for event in self.events:
            if event.kind == "tyre-radius":
                factor *= 1.0 + float(event.level(about_s))
        if factor == 1.0 and not self.habits.trailers:
            return self.traction
        trailer = self.trailer(shift)
        return replace(
            self.traction,
            revolutions_per_m=self.traction.revolutions_per_m / factor,
            drag_area_m2=self.traction.drag_area_m2 * trailer.drag,
            rolling=self.traction.rolling * trailer.rolling,
        )

    def _about_s(self, shift: int) -> float:
        """Return about when a shift is driven, in Unix time. [s]"""
        return self.anchor_s + shift * DAY_S

    def place_shift(self, shift: int, trip: Trip) -> float:
        """Return the Unix time at which a shift starts; shift zero must be placed first."""
        random = np.random.default_rng([self.seed, self.place, shift + 100_000, 13])
        if shift != 0:
            base = self.trips[0][0] + shift * DAY_S
            return base + random.uniform(-SHIFT_SCATTER_S, SHIFT_SCATTER_S)
        if not self.drives_at_anchor:
            return self.anchor_s + random.uniform(2.0, 8.0) * 3600.0
        begin, end = trip.steadiest_start_s()
        lead = min(random.uniform(2700.0, 4500.0), 0.5 * (end - begin))
        return self.anchor_s - begin - lead


def prepare(duties: Iterable[WorkingDays], begin_s: float, end_s: float) -> None:
    """Solve all shifts that a span of time needs, many at once; those already solved are kept."""
    duties = list(duties)
    _solve([(duty, 0) for duty in duties if 0 not in duty.trips])
    _solve(
        [(duty, shift) for duty in duties for shift in duty.shifts(begin_s, end_s) if shift not in duty.trips],
    )


def _solve(wanted: list[tuple[WorkingDays, int]]) -> None:
    if not wanted:
        return
    routes = [duty.route(shift) for duty, shift in wanted]
    winds = [_mean_wind(duty, shift) for duty, shift in wanted]
    trips = drive(routes, [duty.traction_on(shift) for duty, shift in wanted], winds)
    for (duty, shift), route, wind, trip in zip(wanted, routes, winds, trips, strict=True):
        start = duty.place_shift(shift, trip)
        duty.trips[shift] = (start, _eventful(duty, shift, start, trip, route, wind))


def _eventful(duty: WorkingDays, shift: int, start_s: float, trip: Trip, route: Route, wind_m_s: float) -> Trip:
    """Return the trip with the climbs and stops that begin during it; what lies before them stays as it was."""
    for since, event in _events(duty, start_s, trip.duration_s):
        if event.kind == "mountain-pull":
            route = with_climb(route, _distance_m(trip, since), CLIMB_M, event.severity)
        else:
            length = (event.end_s or event.onset_s) - event.onset_s
            route = with_stop(route, _distance_m(trip, since - LOWERING_MARGIN_S), length + 2.0 * LOWERING_MARGIN_S)
        trip = drive([route], [duty.traction_on(shift)], [wind_m_s])[0]
    return trip


def _events(duty: WorkingDays, start_s: float, duration_s: float) -> list[tuple[float, Fault]]:
    """Return the events that begin during a shift, by seconds since its start."""
    found = []
    for event in duty.events:
        if event.kind not in ON_THE_ROAD:
            continue
        since = event.onset_s - start_s
        if event.repeat_s is not None and since < 0.0:
            since %= event.repeat_s
        if LOWERING_MARGIN_S < since < duration_s:
            found.append((since, event))
    return sorted(found, key=lambda pair: pair[0])


def _distance_m(trip: Trip, since_s: float) -> float:
    return float(np.interp(since_s, trip.time_s, trip.integral[COLUMN["speed"]]))


def _mean_wind(duty: WorkingDays, shift: int) -> float:
    times = duty.anchor_s + shift * DAY_S + np.linspace(-2.0, 8.0, 6) * 3600.0
    return float(duty.weather.wind_m_s(times).mean())


@dataclass(frozen=True)
class CycleDuty:
    """A duty that follows a given trip (an external drive cycle, say) once from `start_s`, or every `repeat_s`."""

    trip: Trip
    start_s: float
    mass_kg: float = TARE_KG + PAYLOAD_KG
    repeat_s: float | None = None

    def windows(self, edges_s: Array) -> DutyWindows:
        """Return the windows between successive Unix times (t + 1,)."""
        starts = [self.start_s]
        if self.repeat_s is not None:
            first = np.floor((edges_s[0] - self.trip.duration_s - self.start_s) / self.repeat_s)
            last = np.floor((edges_s[-1] - self.start_s) / self.repeat_s)
            starts = [self.start_s + k * self.repeat_s for k in np.arange(max(first, 0.0), last + 1.0)]
        return windows_of_trips([(start, self.trip) for start in starts], edges_s, self.mass_kg)
