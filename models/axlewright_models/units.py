"""Units at the borders: every name that a frame, a file or a person may use, and its way to SI.

The names are those of the SenML units registry where it has one [1]_ [2]_; the others (kPa, N.m,
degF, in, mi, km/h as a display unit) are our own border units and never go on the wire.

References
----------
.. [1] RFC 8428, "Sensor Measurement Lists (SenML)", section 12.1.
.. [2] RFC 8798, "Additional Units for Sensor Measurement Lists (SenML)".
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar, overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_models.errors import UnitError

Number = TypeVar("Number", float, NDArray[np.float64])


@dataclass(frozen=True)
class Unit:
    """One unit: ``SI value = value * scale + offset``.

    ``registry`` says where the name is defined: "primary" (RFC 8428, RFC 8798 section 2),
    "secondary" (RFC 8798 section 3: legal in a pack only with the version bit of RFC 9100) or "border" (ours, never on
    the wire).
    """

    name: str
    dimension: str
    scale: float
    offset: float = 0.0
    registry: str = "primary"


_INCH = 0.0254  # exact, international inch
_MILE = 1609.344  # exact, international mile

_UNITS = (
    # RFC 8428, table 1 (the part that a vehicle can need).
    Unit("m", "length", 1.0),
    Unit("kg", "mass", 1.0),
    Unit("g", "mass", 1e-3),
    Unit("s", "time", 1.0),
    Unit("A", "electric current", 1.0),
    Unit("K", "temperature", 1.0),
    Unit("Cel", "temperature", 1.0, 273.15),
    Unit("rad", "angle", 1.0),
    Unit("Hz", "frequency", 1.0),
    Unit("N", "force", 1.0),
    Unit("Pa", "pressure", 1.0),
    Unit("J", "energy", 1.0),
    Unit("W", "power", 1.0),
    Unit("V", "voltage", 1.0),
    Unit("Ohm", "resistance", 1.0),
    Unit("m2", "area", 1.0),
    Unit("m3", "volume", 1.0),
    Unit("l", "volume", 1e-3),
    Unit("m/s", "speed", 1.0),
    Unit("m/s2", "acceleration", 1.0),
    Unit("W/m2", "irradiance", 1.0),
    Unit("lat", "latitude", 1.0),
    Unit("lon", "longitude", 1.0),
    Unit("/", "ratio", 1.0),
    # The registry's "%" is a ratio too: 0.5 % in a pack means one half (RFC 8428, table 1, note).
    Unit("%", "ratio", 1.0),
    Unit("%RH", "relative humidity", 1.0),
    Unit("count", "count", 1.0),
    Unit("1/s", "frequency", 1.0),
    Unit("1/min", "frequency", 1.0 / 60.0),
    Unit("beat/min", "frequency", 1.0 / 60.0),
    # RFC 8798, section 2.
    Unit("B", "information", 1.0),
    Unit("VA", "apparent power", 1.0),
    Unit("deg", "angle", np.pi / 180.0),
    Unit("J/m", "energy per length", 1.0),
    Unit("kg/m3", "density", 1.0),
    # RFC 8798, section 3.
    Unit("ms", "time", 1e-3, registry="secondary"),
    Unit("min", "time", 60.0, registry="secondary"),
    Unit("h", "time", 3600.0, registry="secondary"),
    Unit("MHz", "frequency", 1e6, registry="secondary"),
    Unit("kW", "power", 1e3, registry="secondary"),
    Unit("kVA", "apparent power", 1e3, registry="secondary"),
    Unit("Ah", "electric charge", 3600.0, registry="secondary"),
    Unit("Wh", "energy", 3600.0, registry="secondary"),
    Unit("kWh", "energy", 3.6e6, registry="secondary"),
    Unit("mV", "voltage", 1e-3, registry="secondary"),
    Unit("mA", "electric current", 1e-3, registry="secondary"),
    Unit("hPa", "pressure", 100.0, registry="secondary"),
    Unit("mm", "length", 1e-3, registry="secondary"),
    Unit("cm", "length", 1e-2, registry="secondary"),
    Unit("km", "length", 1e3, registry="secondary"),
    Unit("km/h", "speed", 1.0 / 3.6, registry="secondary"),
    Unit("mm/h", "speed", 1e-3 / 3600.0, registry="secondary"),
    Unit("/100", "ratio", 1e-2, registry="secondary"),
    Unit("/1000", "ratio", 1e-3, registry="secondary"),
    Unit("ppm", "ratio", 1e-6, registry="secondary"),
    # Borders only.
    Unit("kPa", "pressure", 1e3, registry="border"),
    Unit("bar", "pressure", 1e5, registry="border"),
    Unit("psi", "pressure", 6894.757293168361, registry="border"),
    Unit("N.m", "torque", 1.0, registry="border"),
    Unit("degF", "temperature", 5.0 / 9.0, 273.15 - 32.0 * 5.0 / 9.0, registry="border"),
    Unit("in", "length", _INCH, registry="border"),
    Unit("mi", "length", _MILE, registry="border"),
    Unit("mi/h", "speed", _MILE / 3600.0, registry="border"),
    Unit("mm/s", "speed", 1e-3, registry="border"),
    Unit("word", "word", 1.0, registry="border"),
    Unit("flag", "flag", 1.0, registry="border"),
    Unit("bits", "bits", 1.0, registry="border"),
    Unit("K/min", "temperature rate", 1.0 / 60.0, registry="border"),
)

UNITS: dict[str, Unit] = {unit.name: unit for unit in _UNITS}


def unit(name: str) -> Unit:
    """Return the unit of this name.

    Raises
    ------
    UnitError
        The name is in no table.
    """
    try:
        return UNITS[name]
    except KeyError:
        raise UnitError(f"unknown unit {name!r}; use one of {', '.join(UNITS)}") from None


def conversion(source: str, target: str) -> tuple[float, float]:
    """Return ``(scale, offset)`` so that ``value * scale + offset`` turns `source` into `target`.

    Raises
    ------
    UnitError
        One is unknown, or they measure different things.

    Examples
    --------
    >>> conversion("m/s", "km/h")
    (3.6, 0.0)
    """
    old, new = unit(source), unit(target)
    if old.dimension != new.dimension:
        raise UnitError(f"{source!r} measures {old.dimension}, but {target!r} measures {new.dimension}")
    if old.name == new.name:
        return 1.0, 0.0
    scale = old.scale / new.scale
    nearest = round(scale, 9)
    # Keep exact factors such as 3.6 and 1000 free of the last bit's rounding.
    if abs(scale - nearest) < 1e-14 * abs(scale):
        scale = nearest
    return scale, (old.offset - new.offset) / new.scale


@overload
def convert(value: float, source: str, target: str) -> float: ...
@overload
def convert(value: NDArray[np.float64], source: str, target: str) -> NDArray[np.float64]: ...
def convert(value: ArrayLike, source: str, target: str) -> float | NDArray[np.float64]:
    """Return `value` (scalar or array, any shape), given in `source`, in `target`.

    Raises
    ------
    UnitError
        One unit is unknown, or they measure different things.

    Examples
    --------
    >>> convert(250.0, "degF", "Cel").__round__(1)
    121.1
    >>> convert(1.0, "in", "mm")
    25.4
    """
    scale, offset = conversion(source, target)
    if isinstance(value, (int, float)):
        return float(value) * scale + offset
    return np.asarray(value, dtype=np.float64) * scale + offset
