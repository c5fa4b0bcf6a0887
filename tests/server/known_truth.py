"""Signals of known truth for detectors: a few trucks, two drive axles each, with faults that the test decides on.

Written for these tests alone. The lube is a two-mass balance with churning that falls as the oil thins, so it is not
the law that the detector learns. Everything is made in steps of 10 s and averaged to the window asked for: the same
truth can be reported at different cadences.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from axlewright_models.signals import CHANNELS, ENVELOPE_CHANNELS, INDEX, ORDER_CHANNELS
from axlewright_models.spec import FleetSpec, parse_fleet
from axlewright_server.detectors.batch import Rows
from axlewright_server.kernel import Detector, Kernel, StepResult, Symptom

STEP_S = 10.0
BEGIN_S = 1_700_000_000.0
HOUR = 3600.0
RIDE_HEIGHT_MM = 240.0
LINES = (*ORDER_CHANNELS, *ENVELOPE_CHANNELS, "vib/rms", "vib/kurtosis")

Arrays = NDArray[np.float64]
OfTime = Callable[[Arrays], Arrays]


def fleet(vehicles: int = 1) -> FleetSpec:
    """Return a fleet of that many equal tractors, t-0, t-1, ..."""
    text = """
        fleet = "yard"
        name = "Test yard"
        [types.tractor]
        title = "6x4 tractor"
        driveline.shafts = [{ length_mm = 1500, angle_deg = 3.0 }, { length_mm = 700, angle_deg = 3.5 }]
    """
    text += "".join(f'[vehicles.t-{number}]\ntype = "tractor"\n' for number in range(vehicles))
    return parse_fleet(text)


@dataclass
class Faults:
    """What is wrong; every function takes seconds since the begin. ``axle`` 0 is the forward, 1 the rear one."""

    axle: int = 0
    height_mm: OfTime | None = None
    lean_mm: OfTime | None = None
    sink_mm_per_h: float = 0.0
    sink_from_s: float = 0.0
    heat_kw: OfTime | None = None
    gains: dict[str, OfTime] = field(default_factory=dict)
    read_lube: Callable[[Arrays, Arrays], Arrays] | None = None
    read_left: Callable[[Arrays, Arrays], Arrays] | None = None
    lost: dict[str, OfTime] = field(default_factory=dict)


def after(begin_h: float, value: float) -> OfTime:
    """Return a step to `value` at `begin_h` hours."""
    return lambda t: np.where(t >= begin_h * HOUR, value, 0.0)


@dataclass(frozen=True)
class Journey:
    """A truck's day: hours of each kind in turn ("drive", "mountain", "park", "lowered")."""

    parts: tuple[tuple[str, float], ...]

    def kinds(self) -> list[str]:
        return [kind for kind, hours in self.parts for _ in range(round(hours * HOUR / STEP_S))]


def signals(journey: Journey, seed: int = 1, faults: Faults | None = None, ambient_cel: float = 15.0) -> Arrays:
    """Return (steps, 3, channels): the vehicle and its two drive axles, every 10 s."""
    rng = np.random.default_rng(seed)
    faults = faults or Faults()
    kinds = np.array(journey.kinds())
    steps = len(kinds)
    t = STEP_S * np.arange(1, steps + 1)
    out = np.full((steps, 3, len(CHANNELS)), np.nan)
    speed, torque = _driving(kinds, rng)
    parked = np.isin(kinds, ["park"])
    mode = np.where(kinds == "lowered", 1.0, 0.0)
    vehicle = {
        "speed": speed,
        "engine-speed": np.where(parked, 0.0, 1200.0),
        "shaft-speed": speed / 3.6 * 313.0 / 1000.0 * 41.0 / 12.0 * 60.0,
        "torque": torque,
        "gear": np.where(speed > 0.0, 1.0, 0.0),
        "ambient": np.full(steps, ambient_cel),
        "brake": np.zeros(steps),
        "parked": parked.astype(float),
        "ignition": (~parked).astype(float),
        "height-mode": mode,
    }
    for name, values in vehicle.items():
        out[:, 0, INDEX[name]] = values
    for axle in (0, 1):
        mine = faults if faults.axle == axle else Faults()
        _axle(out[:, 1 + axle], t, speed, torque, parked, mode, ambient_cel, mine, rng)
    for name, lost in faults.lost.items():
        out[lost(t) > 0.5, 1 + faults.axle, INDEX[name]] = np.nan
    return out


def _driving(kinds: NDArray[np.str_], rng: np.random.Generator) -> tuple[Arrays, Arrays]:
    speed, torque = np.zeros(len(kinds)), np.zeros(len(kinds))
    now, target, pull = 0.0, 80.0, 600.0
    for step, kind in enumerate(kinds):
        if step % 120 == 0:
            target, pull = rng.uniform(55.0, 88.0), rng.uniform(200.0, 1400.0)
        wanted, load = {
            "drive": (target, pull),
            "lowered": (target, pull),
            "mountain": (45.0, 6500.0),
            "park": (0.0, 0.0),
        }[kind]
        now += np.clip(wanted - now, -8.0, 4.0)
        speed[step] = now
        torque[step] = load * (0.8 + 0.4 * rng.random()) if now > 1.0 else 0.0
    return speed, torque


def _axle(
    out: Arrays,
    t: Arrays,
    speed: Arrays,
    torque: Arrays,
    parked: NDArray[np.bool_],
    mode: Arrays,
    ambient: float,
    faults: Faults,
    rng: np.random.Generator,
) -> None:
    steps = len(t)
    lube = _lube(speed, torque, ambient, faults.heat_kw(t) if faults.heat_kw else np.zeros(steps))
    reading = lube + rng.normal(0.0, 0.2, steps)
    out[:, INDEX["lube"]] = faults.read_lube(t, reading) if faults.read_lube else reading
    height = RIDE_HEIGHT_MM + (faults.height_mm(t) if faults.height_mm else 0.0) - 60.0 * mode
    lean = faults.lean_mm(t) if faults.lean_mm else np.zeros(steps)
    road = np.where(speed > 5.0, rng.normal(0.0, 4.0, steps), rng.normal(0.0, 0.3, steps))
    sunk = _sunk(t, parked, faults)
    left = height + 0.5 * lean + road + rng.normal(0.0, 1.0, steps) - sunk
    out[:, INDEX["height/left"]] = faults.read_left(t, left) if faults.read_left else left
    out[:, INDEX["height/right"]] = height - 0.5 * lean + road + rng.normal(0.0, 1.0, steps)
    out[:, INDEX["bellows/left"]] = 400.0
    out[:, INDEX["bellows/right"]] = 400.0
    moving = speed > 15.0
    rough = np.exp(0.15 * np.interp(t, t[::60], rng.standard_normal(len(t[::60]))))
    for number, name in enumerate(LINES):
        # The crankshaft turns at one speed all the while; everything else shakes with the square of the road speed.
        of_speed = 1.0 if "/engine-" in name else (np.maximum(speed, 1.0) / 80.0) ** 2
        usual = 0.05 * (1.0 + 0.1 * number) * of_speed * rough
        gain = 1.0 + faults.gains[name](t) if name in faults.gains else 1.0
        out[:, INDEX[name]] = np.where(moving, usual * gain * rng.lognormal(0.0, 0.2, steps), np.nan)


def _sunk(t: Arrays, parked: NDArray[np.bool_], faults: Faults) -> Arrays:
    """Return how far the left side has sunk in each parked period; the compressor lifts it at once."""
    sunk, total = np.zeros(len(t)), 0.0
    for step in range(len(t)):
        total = total + faults.sink_mm_per_h * STEP_S / HOUR if parked[step] and t[step] > faults.sink_from_s else 0.0
        sunk[step] = total
    return sunk


def _lube(speed: Arrays, torque: Arrays, ambient: float, extra_kw: Arrays) -> Arrays:
    lube, housing = ambient, ambient
    result = np.empty(len(speed))
    for step, (v, m) in enumerate(zip(speed / 3.6, torque, strict=True)):
        shaft = v * 0.313 * 41.0 / 12.0 * 2.0 * np.pi
        thin = 1.0 / (1.0 + 0.012 * max(lube - 20.0, 0.0))
        heat_kw = 0.04 * v * (0.5 + thin) + 0.012 * abs(0.5 * m * shaft) / 1e3 + extra_kw[step] * (v > 1.0)
        between = 0.35 * (lube - housing)
        away = (0.012 + 0.0028 * v**0.8) * (housing - ambient)
        lube += STEP_S * (heat_kw - between) / 45.0
        housing += STEP_S * (between - away) / 150.0
        result[step] = lube
    return result


def rows(trucks: list[Arrays], window_s: float = 60.0) -> Rows:
    """Return the readings of trucks t-0, t-1, ... averaged over windows, in time order."""
    per = round(window_s / STEP_S)
    vehicle, time_s, position, values = [], [], [], []
    for number, made in enumerate(trucks):
        windows = len(made) // per
        blocks = made[: windows * per].reshape(windows, per, 3, -1)
        missing = np.isnan(blocks)
        counted = np.maximum((~missing).sum(axis=1), 1)
        mean = np.where(missing, 0.0, blocks).sum(axis=1) / counted
        mean[missing.all(axis=1)] = np.nan
        # A flag or word holds for the whole window only if it holds at its end.
        for name in ("parked", "ignition", "height-mode"):
            mean[:, 0, INDEX[name]] = blocks[:, -1, 0, INDEX[name]]
        vehicle.append(np.full(3 * windows, number))
        time_s.append(np.repeat(BEGIN_S + window_s * np.arange(1, windows + 1), 3))
        position.append(np.tile([0, 2, 3], windows))
        values.append(mean.reshape(3 * windows, -1))
    return Rows(
        np.concatenate(vehicle).astype(np.int64),
        np.concatenate(time_s),
        np.concatenate(position).astype(np.int64),
        np.concatenate(values).astype(np.float32),
    )


def chunk(all_rows: Rows, begin_s: float, end_s: float) -> Rows:
    """Return the rows with begin < time <= end (absolute)."""
    inside = (all_rows.time_s > begin_s) & (all_rows.time_s <= end_s)
    return pick(all_rows, np.flatnonzero(inside))


def pick(all_rows: Rows, index: NDArray[np.int64]) -> Rows:
    """Return the chosen rows in the order given."""
    return Rows(all_rows.vehicle[index], all_rows.time_s[index], all_rows.position[index], all_rows.values[index])


def watch(trucks: list[Arrays], *detectors: Detector, window_s: float = 60.0) -> StepResult:
    """Return what the kernel makes of trucks t-0, t-1, ...: with these detectors only, or with all."""
    kernel = Kernel(fleet(len(trucks)), detectors or None)
    return kernel.run(rows(trucks, window_s))


def raised(result: StepResult, code: str | None = None, axle: int | None = None) -> list[Symptom]:
    """Return the symptoms that began (from nothing), of one code and one axle if asked for."""
    return [
        symptom
        for symptom in result.symptoms
        if symptom.active and (code is None or symptom.code == code) and (axle is None or symptom.axle == axle)
    ]


def hours(symptom: Symptom) -> float:
    """Return when a symptom's event came, in hours since the begin."""
    return (symptom.time_s - BEGIN_S) / HOUR
