"""Drive axles whose heat is known: an independent balance, integrated by scipy, with parameters of its own.

Two masses, oil and housing. Drag falls exponentially as the oil warms, the mesh loses a share of the power, the housing
sheds heat to the wind of travel by a straight line: not the law that the detectors learn, nor the simulators'. The
numbers are round ones that give an ordinary axle (some 60 K above ambient on the road, warm within the hour); they are
set from no detector. Every truck drives two and a half hours and stands for four, over and over, its weather changing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from axlewright_models.signals import CHANNELS, INDEX
from axlewright_server.detectors.base import Symptom
from axlewright_server.detectors.batch import Batch
from axlewright_server.detectors.lube_model import LubeModel
from axlewright_server.detectors.table import AxleTable
from axlewright_server.detectors.tandem import Tandem

Array = NDArray[np.float64]
BEGIN_S, MINUTE_S, PERIODS = 1_700_000_000.0, 60.0, 24
DRIVE, STAND = 150, 240  # minutes
PERIOD_S = (DRIVE + STAND) * MINUTE_S
CHANGED = 15  # the period from which on an axle is another


@dataclass(frozen=True)
class Axle:
    """What is other than usual from period ``CHANGED`` on; all are factors but ``extra_w``."""

    mass: float = 1.0
    drag: float = 1.0
    thins: float = 1.0
    mesh: float = 1.0
    path: float = 1.0
    extra_w: float = 0.0


def duty(seed: int) -> tuple[Array, Array, Array]:
    """Return speed [m/s], torque at the driveshaft [N.m] and ambient [Cel] of each minute."""
    random = np.random.default_rng(seed)
    steps = PERIODS * (DRIVE + STAND)
    driving = np.arange(steps) % (DRIVE + STAND) < DRIVE
    blocks = steps // 15 + 1
    speed = np.repeat(random.uniform(13.0, 24.0, blocks), 15)[:steps] * driving
    torque = np.repeat(random.uniform(100.0, 1500.0, blocks), 15)[:steps] * driving
    nodes = np.arange(0, steps + 600, 600)
    ambient = np.interp(np.arange(steps), nodes, 12.0 + 6.0 * random.standard_normal(len(nodes)))
    return speed, torque, ambient


def lube_cel(speed: Array, torque: Array, ambient: Array, axle: Axle, size: float) -> Array:
    """Return the oil's temperature at each minute's end; `size` is this axle's own drag. [Cel]"""
    power_w = 0.5 * torque * speed * 0.313 * 2.0 * np.pi * 41.0 / 12.0

    def law(time_s: float, state: Array) -> list[float]:
        minute = min(int(time_s / MINUTE_S), len(speed) - 1)
        now = axle if time_s >= CHANGED * PERIOD_S else Axle()
        oil, housing = state
        drag_w = size * now.drag * (speed[minute] / 22.0) ** 1.6 * np.exp(-0.012 * now.thins * (oil - 60.0))
        heat_w = drag_w + 0.022 * now.mesh * power_w[minute] + now.extra_w * (speed[minute] > 0.0)
        through_w = 260.0 * now.path * (oil - housing)
        out_w = (14.0 + 2.3 * speed[minute]) * (housing - ambient[minute])
        return [(heat_w - through_w) / (28e3 * now.mass), (through_w - out_w) / (46e3 * now.mass)]

    ends = MINUTE_S * np.arange(1, len(speed) + 1)
    found = solve_ivp(law, (0.0, ends[-1]), [ambient[0]] * 2, t_eval=ends, max_step=MINUTE_S, rtol=1e-4, atol=1e-3)
    return np.asarray(found.y[0])


def readings(pairs: list[tuple[Axle, Axle]], seed: int = 1) -> Array:
    """Return (minutes, trucks, 2 axles, channels) of trucks of which each has a forward and a rear axle."""
    random = np.random.default_rng(seed)
    out: Array | None = None
    for number, pair in enumerate(pairs):
        speed, torque, ambient = duty(seed + number)
        if out is None:
            out = np.full((len(speed), len(pairs), 2, len(CHANNELS)), np.nan)
        shaft = speed * 0.313 * 41.0 / 12.0 * 60.0
        for place, axle in enumerate(pair):
            lube = lube_cel(speed, torque, ambient, axle, size=(1500.0, 1350.0)[place])
            columns = {
                "speed": speed * 3.6,
                "torque": torque,
                "shaft-speed": shaft,
                "ambient": ambient,
                "parked": (speed == 0.0).astype(float),
                "lube": np.round(2.0 * (lube + random.normal(0.0, 0.2, len(lube)))) / 2.0,
            }
            for name, values in columns.items():
                out[:, number, place, INDEX[name]] = values
    assert out is not None
    return out


def watch(made: Array, table: AxleTable, serviced: dict[int, frozenset[str]] | None = None) -> list[Symptom]:
    """Return what the lube model and the tandem detector say; `serviced`: by axle row, what the shop touched when the
    axle became another."""
    detectors = (LubeModel(learning_h=12.0, calibrating_h=8.0), Tandem())
    states = [detector.start(table) for detector in detectors]
    rows, standing = np.arange(len(table)), [set[str]() for _ in range(len(table))]
    found: list[Symptom] = []
    for minute, values in enumerate(made.reshape(len(made), -1, made.shape[-1])):
        if minute == CHANGED * (DRIVE + STAND):
            for row, touched in (serviced or {}).items():
                for detector, state in zip(detectors, states, strict=True):
                    state[[row]] = detector.serviced(state[[row]], touched)
                    standing[row] = {key for key in standing[row] if not detector.forgets(key, touched)}
        suspect = np.array([bool(keys) for keys in standing])
        time_s = np.full(len(rows), BEGIN_S + (minute + 1) * MINUTE_S)
        dt_s = np.full(len(rows), MINUTE_S if minute else 0.0)
        batch = Batch(rows, time_s, values, values, dt_s, suspect)
        for number, detector in enumerate(detectors):
            states[number], symptoms = detector.step(states[number], batch, table)
            for symptom in symptoms:
                (standing[symptom.axle].add if symptom.active else standing[symptom.axle].discard)(symptom.key)
            found += symptoms
    return found
