"""Sensors that fail: what a fault makes of the readings of lube, height and vibration sensors."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from axlewright_models.signals import NAMES, QUALITY_BITS
from axlewright_simulators.faults import Fault, on_rows

Array = NDArray[np.float64]

VIBRATION: tuple[str, ...] = tuple(name for name in NAMES if name.startswith("vib/"))
SHAPES = ("vib/kurtosis", "vib/crest", "vib/quality")  # without a unit, so no gain changes them
HELD: tuple[str, ...] = (
    "lube",
    "lube/slope",
    "height/left",
    "height/right",
    "height/left-spread",
    "height/right-spread",
    *VIBRATION,
)
"""Channels that a hanging sensor can hold, in the order in which the plant's state keeps them."""
GRAVITY_M_S2 = 9.80665
LOOSE_BIT = 2.0 ** QUALITY_BITS.index("sensor-loose")


def apply_sensor_faults(
    axle: dict[str, Array],
    held: Array,
    faults: Iterable[Fault],
    vehicles: Sequence[str],
    positions: Sequence[int],
    time_s: Array,
    air_cel: Array,
    random: np.random.Generator,
) -> tuple[dict[str, Array], Array]:
    """Return the axle channels (t, r) with the sensor faults put in, and what hanging sensors hold (r, len(HELD)).

    Parameters
    ----------
    axle : dict of ndarray, shape (t, r)
        Readings of sound sensors; channels that are not there are passed over.
    held : ndarray, shape (r, len(HELD))
        NaN where no sensor hangs; it carries the held values from call to call.
    faults : iterable of Fault
        Those of other kinds are passed over.
    vehicles, positions : sequence, length (r,)
        Truck and axle position of each row.
    time_s : ndarray, shape (t,)
        Ends of the windows, Unix time. [s]
    air_cel : ndarray, shape (t, r)
        Air under the truck, which a loose lube sensor feels. [Cel]
    random : Generator
        Scatter.
    """
    met = on_rows(faults, ("lube-sensor", "height-sensor", "vibration-sensor"), vehicles, positions)
    if not met:
        return axle, held
    out, held = dict(axle), held.copy()
    touched = {name for fault, _ in met for name in channels_of(fault)} & set(out)
    for name in touched:
        out[name] = out[name].copy()
    for fault, rows in met:
        on = fault.share(time_s) > 0.0
        names = [name for name in channels_of(fault) if name in out]
        if fault.mode == "stuck":
            for name in names:
                _hold(out[name], held, HELD.index(name), on, rows)
        elif fault.mode == "swapped":
            _swap(out, fault, on, rows, vehicles, positions)
        elif on.any():
            level = np.where(on, fault.level(time_s), 0.0)[on]
            for row in rows:
                for name in names:
                    out[name][on, row] = _wrong(name, out[name][on, row], fault, level, air_cel[on, row], random)
    return out, held


def channels_of(fault: Fault) -> tuple[str, ...]:
    """Return the channels that a sensor fault spoils."""
    if fault.kind == "lube-sensor":
        return ("lube", "lube/slope")
    if fault.kind == "vibration-sensor":
        return VIBRATION
    sides = ("left", "right") if fault.side == "both" else (fault.side,)
    return tuple(f"height/{side}{end}" for side in sides for end in ("", "-spread"))


def _hold(values: Array, held: Array, column: int, on: NDArray[np.bool_], rows: Sequence[int]) -> None:
    for row in rows:
        if not on.any():
            held[row, column] = np.nan
            continue
        if np.isnan(held[row, column]):
            sound = np.flatnonzero(on & ~np.isnan(values[:, row]))
            if not sound.size:
                continue
            held[row, column] = values[sound[0], row]
        values[on, row] = held[row, column]


def _swap(
    out: dict[str, Array],
    fault: Fault,
    on: NDArray[np.bool_],
    rows: Sequence[int],
    vehicles: Sequence[str],
    positions: Sequence[int],
) -> None:
    """Swap left and right heights of an axle, or the lube or vibration sensors of a tandem's two axles."""
    for row in rows:
        if fault.kind == "height-sensor":
            for end in ("", "-spread"):
                left, right = f"height/left{end}", f"height/right{end}"
                out[left] = out[left].copy()
                out[right] = out[right].copy()
                out[left][on, row], out[right][on, row] = out[right][on, row].copy(), out[left][on, row].copy()
            continue
        others = [other for other, name in enumerate(vehicles) if name == vehicles[row] and other != row]
        if others and positions[row] == min(positions[each] for each in (*rows, row)):
            for name in (name for name in channels_of(fault) if name in out):
                values = out[name]
                values[on, row], values[on, others[0]] = values[on, others[0]].copy(), values[on, row].copy()


def _wrong(name: str, value: Array, fault: Fault, level: Array, air_cel: Array, random: np.random.Generator) -> Array:
    """Return one channel of a faulty sensor."""
    if fault.mode == "silent":
        return np.full_like(value, np.nan)
    if fault.kind == "vibration-sensor":
        return _wrong_vibration(name, value, fault, level, random)
    spread = name.endswith("-spread")
    if fault.mode == "wrong-unit":
        return _other_unit(name, value)
    if fault.mode in ("drift", "bias"):
        return value if spread or name == "lube/slope" else value + level
    scatter = level * random.standard_normal(value.shape)
    if spread:  # what scatters from window to window scatters within each as well
        return np.asarray(np.hypot(value, 0.7 * np.abs(level)))
    if fault.mode == "loose" and name == "lube":  # backed out of its well, the tip feels the air as well as the lube
        return np.asarray(value + 0.6 * level * (air_cel - value) + scatter)
    return np.asarray(value + (0.2 * scatter if name == "lube/slope" else scatter))


def _other_unit(name: str, value: Array) -> Array:
    """Return what a sensor says that speaks degrees Fahrenheit or inches where Celsius or millimetres are expected."""
    if name == "lube":
        return 1.8 * value + 32.0
    return 1.8 * value if name == "lube/slope" else value / 25.4


def _wrong_vibration(name: str, value: Array, fault: Fault, level: Array, random: np.random.Generator) -> Array:
    if fault.mode == "loose":
        rattle = random.exponential(1.0, value.shape) * level
        if name == "vib/quality":
            # The truck's own test notices most loose windows, not all.
            noticed = random.random(value.shape) < 0.6
            return np.where(np.isnan(value), np.nan, value + LOOSE_BIT * noticed)
        if name in SHAPES:
            return value + (6.0 if name == "vib/kurtosis" else 2.5) * rattle
        high = "mesh" in name or "envelope" in name  # a loose foot passes no high frequencies on
        return np.asarray(value * (1.0 - 0.7 * level) if high else value * (1.0 + rattle))
    if name in SHAPES:
        return value
    if fault.mode == "wrong-unit":
        return value / GRAVITY_M_S2
    gain = np.exp(level * random.standard_normal(value.shape)) if fault.mode == "noise" else 1.0 + level
    return np.asarray(value * gain)
