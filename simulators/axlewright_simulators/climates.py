"""Climates that a fleet may live in, and which one a truck's id names.

The figures are of the size that such regions have; they are our own choice and no climate record.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Climate:
    """Air and road of a region.

    Parameters
    ----------
    title : str
        In words.
    mean_cel, season_k, day_k, fronts_k : float
        Yearly mean, and how far season, time of day and passing fronts move the air from it. [Cel, K]
    dryness : float
        0.9 is temperate; above about 2 it never rains.
    wind : float
        Factor of the wind's strength.
    hills : float
        Factor of the roads' grades.
    roughness : float
        Factor of the roads' unevenness (amplitude; ISO 8608 classes lie a factor of 2 apart).
    """

    title: str
    mean_cel: float = 17.0
    season_k: float = 7.0
    day_k: float = 4.5
    fronts_k: float = 3.0
    dryness: float = 0.9
    wind: float = 1.0
    hills: float = 1.0
    roughness: float = 1.0


VALE = Climate("warm-temperate and hilly: the invented haulier's own region")

CLIMATES: dict[str, Climate] = {
    "desert": Climate("hot desert", 27.0, 9.0, 8.5, 2.0, dryness=2.2, wind=1.3, hills=0.7, roughness=1.15),
    "arctic": Climate("arctic winter", -6.0, 16.0, 3.0, 5.5, dryness=1.0, wind=1.2, hills=0.9, roughness=1.3),
    "temperate": Climate("temperate", 11.0, 8.5, 4.5, 3.5, dryness=0.7),
    "mountain": Climate("mountain", 6.0, 9.0, 6.0, 4.0, dryness=0.8, wind=1.2, hills=1.6, roughness=1.1),
}


def climate_of(vehicle: str) -> Climate:
    """Return the climate that a truck's id names before its first dash, as :func:`large_fleet` gives them out.

    Every other truck lives in the invented haulier's region.

    Examples
    --------
    >>> climate_of("desert-0007").mean_cel, climate_of("hv-101") is VALE
    (27.0, True)
    """
    return CLIMATES.get(vehicle.partition("-")[0], VALE)
