"""Two masses, lube and housing: how warm an axle gets, how fast, and what a fault changes.

All masses and conductances are illustrative own choices (350 kg of iron and 18 kg of lube: 204 kJ/K); no published
warm-up time constant for truck axles was found. The model explains and predicts directions and sizes; what an axle does
is learnt from its own data (:mod:`axlewright_models.thermal.estimator`).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_models.errors import ModelError
from axlewright_models.lube.viscosity import ViscosityLaw
from axlewright_models.thermal.cooling import Surface, conductance_w_k
from axlewright_models.thermal.losses import LossModel, losses, mismatch_force_n

Floats = NDArray[np.float64]

_LONGEST_WARM_UP_S = 48.0 * 3600.0


@dataclass(frozen=True)
class Axle:
    """One drive axle: its lube and fill, its losses, its masses and its surface.

    ``oil_film_w_k``: conductance from lube to housing at nominal fill [W/K]; it goes with the root of the fill, as does
    roughly the wetted wall. The default lube is a typical 75W-90 (100 mm2/s at 40 Cel, 14.5 at 100).
    """

    lube: ViscosityLaw = field(default_factory=lambda: ViscosityLaw.through((40.0, 100.0), (100.0, 14.5)))
    fill: float = 1.0
    loss: LossModel = field(default_factory=LossModel)
    surface: Surface = field(default_factory=Surface)
    lube_j_k: float = 18.0 * 2000.0
    housing_j_k: float = 350.0 * 480.0
    oil_film_w_k: float = 400.0


@dataclass(frozen=True)
class Duty:
    """What the axle is asked to do, constant over the time looked at; arrays of one shape or scalars.

    ``torque_n_m`` is this axle's share at its input. ``drag_w``: heat from dragging brakes that reaches the housing.
    ``mismatch_mm``: difference in rolling radius between the tandem's axles, differential locked.
    """

    speed_m_s: ArrayLike
    torque_n_m: ArrayLike
    shaft_speed_rad_s: ArrayLike
    ambient_cel: ArrayLike
    drag_w: ArrayLike = 0.0
    mismatch_mm: ArrayLike = 0.0
    rolling_radius_mm: float = 500.0


def heat_made_w(axle: Axle, duty: Duty, lube_cel: ArrayLike) -> Floats:
    """Return the heat made inside the axle at a lube temperature, circulating power included. [W]"""
    lube = np.maximum(np.asarray(lube_cel, dtype=np.float64), -50.0)  # the viscosity law explodes below
    own = losses(
        duty.speed_m_s, duty.torque_n_m, duty.shaft_speed_rad_s, axle.lube.viscosity(lube), axle.fill, axle.loss
    )
    circulating_n = np.abs(mismatch_force_n(duty.mismatch_mm, duty.rolling_radius_mm))
    return own.total_w + axle.loss.mesh_fraction * circulating_n * np.abs(np.asarray(duty.speed_m_s, dtype=np.float64))


def rates(axle: Axle, duty: Duty, lube_cel: ArrayLike, housing_cel: ArrayLike) -> tuple[Floats, Floats]:
    """Return how fast lube and housing warm. [K/s]"""
    lube, housing = np.asarray(lube_cel, dtype=np.float64), np.asarray(housing_cel, dtype=np.float64)
    ambient = np.asarray(duty.ambient_cel, dtype=np.float64)
    across = axle.oil_film_w_k * np.sqrt(axle.fill) * (lube - housing)
    away = conductance_w_k(duty.speed_m_s, housing, ambient, axle.surface) * (housing - ambient)
    lube_rate = (heat_made_w(axle, duty, lube) - across) / (axle.lube_j_k * axle.fill)
    return np.asarray(lube_rate), np.asarray((across + np.asarray(duty.drag_w) - away) / axle.housing_j_k)


def advance(axle: Axle, duty: Duty, lube_cel: ArrayLike, housing_cel: ArrayLike, dt_s: float) -> tuple[Floats, Floats]:
    """Return both temperatures after `dt_s` of a duty (Runge and Kutta's fourth order, steps of at most 15 s). [Cel]"""
    lube, housing = np.asarray(lube_cel, dtype=np.float64), np.asarray(housing_cel, dtype=np.float64)
    # The fast mode (lube against housing, 90 s at nominal fill) quickens as the fill falls.
    longest = 15.0 * min(1.0, np.sqrt(axle.fill))
    steps = max(1, int(np.ceil(dt_s / longest)))
    step = dt_s / steps
    for _ in range(steps):
        a = rates(axle, duty, lube, housing)
        b = rates(axle, duty, lube + 0.5 * step * a[0], housing + 0.5 * step * a[1])
        c = rates(axle, duty, lube + 0.5 * step * b[0], housing + 0.5 * step * b[1])
        d = rates(axle, duty, lube + step * c[0], housing + step * c[1])
        lube = lube + step / 6.0 * (a[0] + 2.0 * b[0] + 2.0 * c[0] + d[0])
        housing = housing + step / 6.0 * (a[1] + 2.0 * b[1] + 2.0 * c[1] + d[1])
    return lube, housing


def steady_state(axle: Axle, duty: Duty) -> tuple[Floats, Floats]:
    """Return where lube and housing settle under a duty that lasts. [Cel]

    Examples
    --------
    >>> lube, housing = steady_state(Axle(), Duty(29.0, 361.0, 180.0, 20.0))
    >>> 71.0 < float(lube) < 104.0, bool(housing < lube)
    (True, True)
    """
    ambient = np.asarray(duty.ambient_cel, dtype=np.float64)
    low, high = ambient + 0.0, ambient + 600.0
    film = axle.oil_film_w_k * np.sqrt(axle.fill)
    for _ in range(60):  # what is made less what leaves falls as the lube warms: bisect
        lube = 0.5 * (low + high)
        made = heat_made_w(axle, duty, lube)
        housing = lube - made / film
        away = conductance_w_k(duty.speed_m_s, housing, ambient, axle.surface) * (housing - ambient)
        warmer = made + np.asarray(duty.drag_w, dtype=np.float64) > away
        low, high = np.where(warmer, lube, low), np.where(warmer, high, lube)
    lube = 0.5 * (low + high)
    return lube, lube - heat_made_w(axle, duty, lube) / film


def warm_up(axle: Axle, duty: Duty, start_cel: float, times_s: ArrayLike) -> tuple[Floats, Floats]:
    """Return lube and housing temperature at increasing times from a uniform start. [Cel]

    Returns
    -------
    (lube_cel, housing_cel) : tuple of ndarray, shape (len(times_s), ...)

    Raises
    ------
    ModelError
        Times that do not increase from 0 or more.
    """
    times = np.atleast_1d(np.asarray(times_s, dtype=np.float64))
    if times[0] < 0.0 or np.any(np.diff(times) <= 0.0):
        raise ModelError("warm_up needs times in seconds that increase from 0 or more")
    shape = np.broadcast_shapes(*(np.shape(part) for part in (duty.speed_m_s, duty.torque_n_m, duty.ambient_cel)))
    lube, housing = np.full(shape, start_cel), np.full(shape, start_cel)
    rows, now = [], 0.0
    for time in times:
        if time > now:
            lube, housing = advance(axle, duty, lube, housing, float(time) - now)
            now = float(time)
        rows.append((lube, housing))
    return np.array([row[0] for row in rows]), np.array([row[1] for row in rows])


def warm_up_time_s(axle: Axle, duty: Duty, start_cel: float) -> float:
    """Return the time until the lube has made 63 % of its way from the start to the steady state (scalar duty). [s]"""
    wanted = start_cel + (1.0 - np.exp(-1.0)) * (float(steady_state(axle, duty)[0]) - start_cel)
    lube = housing = np.asarray(start_cel, dtype=np.float64)
    time, step = 0.0, 60.0
    while time < _LONGEST_WARM_UP_S:
        before = float(lube)
        lube, housing = advance(axle, duty, lube, housing, step)
        if (before - wanted) * (float(lube) - wanted) <= 0.0:
            return float(time + step * (wanted - before) / (float(lube) - before)) if lube != before else time
        time += step
    raise ModelError(f"the lube has not made 63 % of its way within {_LONGEST_WARM_UP_S / 3600:g} h; check the masses")


@dataclass(frozen=True)
class Effect:
    """What one departure from nominal does to the settled lube temperature and to the warm-up time."""

    cause: str
    settled_change_k: float
    warm_up_change: float


def sensitivities(axle: Axle, duty: Duty, start_cel: float | None = None) -> tuple[Effect, ...]:
    """Return the effect of low and high fill, thicker lube, a dragging brake and unlike tyres under a scalar duty.

    ``warm_up_change`` is a ratio less 1. Thicker lube: a 75W-140 (180 mm2/s at 40 Cel, 26 at 100: typical figures,
    own choice).
    """
    start = float(np.asarray(duty.ambient_cel)) if start_cel is None else start_cel
    thicker = ViscosityLaw.through((40.0, 180.0), (100.0, 26.0))
    cases: tuple[tuple[str, Axle, Duty], ...] = (
        ("fill 70 %", replace(axle, fill=0.7 * axle.fill), duty),
        ("fill 30 %", replace(axle, fill=0.3 * axle.fill), duty),
        ("fill 130 %", replace(axle, fill=1.3 * axle.fill), duty),
        ("75W-140 instead of 75W-90", replace(axle, lube=thicker), duty),
        ("dragging brake, 1 kW into the housing", axle, replace(duty, drag_w=np.asarray(duty.drag_w) + 1000.0)),
        ("tandem mismatch 10 mm, locked", axle, replace(duty, mismatch_mm=10.0)),
    )
    settled, slow = float(steady_state(axle, duty)[0]), warm_up_time_s(axle, duty, start)
    return tuple(
        Effect(cause, float(steady_state(a, d)[0]) - settled, warm_up_time_s(a, d, start) / slow - 1.0)
        for cause, a, d in cases
    )
