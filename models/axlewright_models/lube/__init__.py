"""What is true of axle lube: viscosity, grade, density and ageing."""

from __future__ import annotations

from axlewright_models.lube.ageing import (
    arrhenius_rate,
    doubling_activation_energy,
    doubling_rate,
    life_used,
    rate_disagreement,
)
from axlewright_models.lube.density import density_kg_m3
from axlewright_models.lube.grades import SUMMER_GRADES, WINTER_GRADES, check_grade, summer_grade
from axlewright_models.lube.viscosity import ViscosityLaw, reference_viscosities, viscosity_index

__all__ = [
    "SUMMER_GRADES",
    "WINTER_GRADES",
    "ViscosityLaw",
    "arrhenius_rate",
    "check_grade",
    "density_kg_m3",
    "doubling_activation_energy",
    "doubling_rate",
    "life_used",
    "rate_disagreement",
    "reference_viscosities",
    "summer_grade",
    "viscosity_index",
]
