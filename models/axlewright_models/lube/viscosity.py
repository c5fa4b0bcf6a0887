r"""Viscosity against temperature (ASTM D341) and the viscosity index (ASTM D2270).

References
----------
.. [1] ASTM D341, "Standard Practice for Viscosity-Temperature Equations and Charts for Liquid Petroleum or Hydrocarbon
   Products": :math:`\log_{10}\log_{10} Z = A - B \log_{10} T`, here with the short form of Z and its inverse.
.. [2] ASTM D2270, "Standard Practice for Calculating Viscosity Index from Kinematic Viscosity at 40 Cel and 100 Cel".
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_models.errors import ModelError
from axlewright_models.lube.d2270_table import H_MM2_S, KV100_MM2_S, L_MM2_S

Floats = NDArray[np.float64]

ZERO_CEL_K = 273.15


def _log_log_z(viscosity_mm2_s: Floats, offset: float) -> Floats:
    """Return log10 log10 Z; with the usual 0.7 the exponential term of the short form counts below 2 mm2/s."""
    z = viscosity_mm2_s + offset
    if offset == 0.7:
        z = z + np.exp(-1.47 - 1.84 * viscosity_mm2_s - 0.51 * viscosity_mm2_s**2)
    return np.asarray(np.log10(np.log10(z)))


@dataclass(frozen=True)
class ViscosityLaw:
    """Walther's line of one oil: A and B of ASTM D341, in kelvin, and the number added to the viscosity.

    ``offset`` is 0.7 in ASTM D341 and 0.8 in DIN 51563; data sheets use either. ``zero_cel_k`` is 273 in old
    worksheets.
    """

    a: float
    b: float
    offset: float = 0.7
    zero_cel_k: float = ZERO_CEL_K

    @classmethod
    def through(
        cls,
        first: tuple[float, float],
        second: tuple[float, float],
        *,
        offset: float = 0.7,
        zero_cel_k: float = ZERO_CEL_K,
    ) -> ViscosityLaw:
        """Return the law through two points, each (temperature [Cel], viscosity [mm2/s]).

        Raises
        ------
        ModelError
            A viscosity of 0.3 mm2/s or less, equal temperatures, or a viscosity that does not fall with temperature.

        Examples
        --------
        >>> oil = ViscosityLaw.through((40.0, 100.0), (100.0, 14.5))
        >>> oil.viscosity([0.0, 82.0, 121.0]).round(2)
        array([1051.58,   22.82,    9.35])
        """
        (cool, thick), (warm, thin) = sorted([first, second])
        if not (cool < warm and thick > thin > 0.3):
            raise ModelError(
                f"two points of a viscosity law must differ in temperature and fall in viscosity, above 0.3 mm2/s; "
                f"got {first} and {second} as (Cel, mm2/s)"
            )
        y = _log_log_z(np.array([thick, thin]), offset)
        x = np.log10(np.array([cool, warm]) + zero_cel_k)
        b = float((y[0] - y[1]) / (x[1] - x[0]))
        return cls(float(y[0] + b * x[0]), b, offset, zero_cel_k)

    def viscosity(self, temperature_cel: ArrayLike) -> Floats:
        """Return the kinematic viscosity [mm2/s] at a temperature [Cel], any shape; NaN stays NaN."""
        kelvin = np.asarray(temperature_cel, dtype=np.float64) + self.zero_cel_k
        z = 10.0 ** (10.0 ** (self.a - self.b * np.log10(kelvin)))
        v = z - self.offset
        if self.offset != 0.7:
            return np.asarray(v)
        # The inverse of the short form is a fit that holds for thin oils only; its correction is nothing above 5 mm2/s.
        thin = np.minimum(v, 5.0)
        return np.asarray(v - np.exp(-0.7487 - 3.295 * thin + 0.6119 * thin**2 - 0.3193 * thin**3))

    def temperature(self, viscosity_mm2_s: ArrayLike) -> Floats:
        """Return the temperature [Cel] at which the oil has a viscosity [mm2/s], any shape.

        Examples
        --------
        >>> oil = ViscosityLaw.through((40.0, 100.0), (100.0, 14.5))
        >>> float(oil.temperature(14.5).round(6))
        100.0
        """
        y = _log_log_z(np.asarray(viscosity_mm2_s, dtype=np.float64), self.offset)
        return np.asarray(10.0 ** ((self.a - y) / self.b) - self.zero_cel_k)


def viscosity_index(kv40_mm2_s: ArrayLike, kv100_mm2_s: ArrayLike) -> Floats:
    """Return the viscosity index, not rounded (the standard rounds to a whole number, halves to even).

    Parameters
    ----------
    kv40_mm2_s, kv100_mm2_s : array_like, any shape, broadcastable
        Kinematic viscosity at 40 and 100 Cel. [mm2/s]

    Returns
    -------
    ndarray
        NaN where `kv100_mm2_s` is below 2, for which the index is not defined.

    Examples
    --------
    >>> viscosity_index([73.30, 22.83], [8.86, 5.05]).round()
    array([ 92., 156.])
    """
    u, y = np.asarray(kv40_mm2_s, dtype=np.float64), np.asarray(kv100_mm2_s, dtype=np.float64)
    low, high = reference_viscosities(y)
    ordinary = 100.0 * (low - u) / (low - high)
    with np.errstate(divide="ignore", invalid="ignore"):
        power = np.log(high / u) / np.log(y)
    extended = 100.0 + (10.0 ** np.clip(power, -10.0, 10.0) - 1.0) / 0.00715
    return np.where(y < 2.0, np.nan, np.where(u >= high, ordinary, extended))


def reference_viscosities(kv100_mm2_s: ArrayLike) -> tuple[Floats, Floats]:
    """Return L and H: the viscosity at 40 Cel of oils of index 0 and 100 with this viscosity at 100 Cel. [mm2/s]

    Examples
    --------
    >>> low, high = reference_viscosities(8.86)
    >>> round(float(low), 2), round(float(high), 2)
    (119.94, 69.48)
    """
    y = np.asarray(kv100_mm2_s, dtype=np.float64)
    beyond = y > KV100_MM2_S[-1]
    low = np.where(beyond, 0.8353 * y**2 + 14.67 * y - 216.0, np.interp(y, KV100_MM2_S, L_MM2_S))
    high = np.where(beyond, 0.1684 * y**2 + 11.85 * y - 97.0, np.interp(y, KV100_MM2_S, H_MM2_S))
    return low, high
