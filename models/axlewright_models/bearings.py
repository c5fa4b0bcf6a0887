"""Rolling bearings: the rhythms of their defects. The decision which of them a signal shows is in bearing_decision."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from axlewright_models.errors import ModelError
from axlewright_models.vibration.spectra import Spectrum

Array = NDArray[np.float64]

FAULTS = ("outer-race", "inner-race", "rolling-element", "cage")


@dataclass(frozen=True)
class Geometry:
    """The geometry of a rolling bearing.

    Parameters
    ----------
    rolling_elements : int
        In one row.
    element_diameter_mm, pitch_diameter_mm : float
        Of a tapered roller, its mean diameter. [mm]
    contact_angle_deg : float
        [deg]
    outer_ring_turns : bool
        Wheel hubs turn their outer rings; pinion bearings their inner ones.
    """

    rolling_elements: int
    element_diameter_mm: float
    pitch_diameter_mm: float
    contact_angle_deg: float = 0.0
    outer_ring_turns: bool = False

    def __post_init__(self) -> None:
        if self.rolling_elements < 3:
            raise ModelError(f"rolling_elements is {self.rolling_elements}; a bearing has 3 or more")
        if not 0.0 < self.element_diameter_mm < self.pitch_diameter_mm:
            raise ModelError(
                f"element_diameter_mm {self.element_diameter_mm} must lie above 0 and below "
                f"pitch_diameter_mm {self.pitch_diameter_mm}"
            )


def defect_orders(geometry: Geometry) -> dict[str, float]:
    r"""Return the order of every defect, in turns of the shaft that carries the turning ring.

    Returns
    -------
    dict of str to float
        Keys are :data:`FAULTS`. A flaw on a rolling element strikes both races: its order is *twice* the element's
        spin, as in the published tables.

    Notes
    -----
    With :math:`q = (d / D) \cos\phi`: outer race :math:`(n/2)(1 - q)`, inner race :math:`(n/2)(1 + q)`, rolling element
    :math:`(D/d)(1 - q^2)`, cage :math:`(1/2)(1 - q)`, or :math:`(1/2)(1 + q)` if the outer ring turns. No slip.

    Examples
    --------
    >>> orders = defect_orders(Geometry(9, 0.3126, 1.537))
    >>> {name: round(order, 4) for name, order in orders.items()}
    {'outer-race': 3.5848, 'inner-race': 5.4152, 'rolling-element': 4.7134, 'cage': 0.3983}
    """
    ratio = geometry.element_diameter_mm / geometry.pitch_diameter_mm
    q = ratio * math.cos(math.radians(geometry.contact_angle_deg))
    half = 0.5 * geometry.rolling_elements
    return {
        "outer-race": half * (1.0 - q),
        "inner-race": half * (1.0 + q),
        "rolling-element": (1.0 - q * q) / ratio,
        "cage": 0.5 * (1.0 + q if geometry.outer_ring_turns else 1.0 - q),
    }


def side_band_order(fault: str, geometry: Geometry) -> float | None:
    """Return by what order a defect's lines are flanked: what carries it in and out of the load zone turns at this.

    A race that stands still keeps its place in the load zone, so it has none; nor has the cage.
    """
    cage = defect_orders(geometry)["cage"]
    turning_race = "outer-race" if geometry.outer_ring_turns else "inner-race"
    return {turning_race: 1.0, "rolling-element": cage}.get(fault)


def amplitudes_at_defects(spectrum: Spectrum, geometry: Geometry, slip: float = 0.02) -> Mapping[str, Array]:
    """Return the strongest line near every defect's order, shape of the records. [unit of the spectrum]

    NaN where the spectrum ends below the order.
    """
    found: dict[str, Array] = {}
    amplitude = spectrum.amplitude
    for fault, order in defect_orders(geometry).items():
        first = max(math.floor(order * (1.0 - slip) / spectrum.spacing), 1)
        last = math.ceil(order * (1.0 + slip) / spectrum.spacing)
        if last >= amplitude.shape[-1]:
            found[fault] = np.full(amplitude.shape[:-1], np.nan)
        else:
            found[fault] = np.asarray(amplitude[..., first : last + 1].max(axis=-1))
    return found
