"""Axle lube grades of SAE J306 (chart dated February 2019)."""

from __future__ import annotations

import math
from dataclasses import dataclass

from axlewright_models.errors import ModelError


@dataclass(frozen=True)
class SummerGrade:
    """A grade without W: kinematic viscosity at 100 Cel from ``low`` to below ``high``. [mm2/s]"""

    name: str
    low_mm2_s: float
    high_mm2_s: float


@dataclass(frozen=True)
class WinterGrade:
    """A W grade: warmest temperature at which it may reach 150 000 mPa s, and least viscosity at 100 Cel."""

    name: str
    cold_limit_cel: float
    kv100_low_mm2_s: float


SUMMER_GRADES: tuple[SummerGrade, ...] = (
    SummerGrade("65", 3.8, 5.0),
    SummerGrade("70", 5.0, 6.5),
    SummerGrade("75", 6.5, 8.5),
    SummerGrade("80", 8.5, 11.0),
    SummerGrade("85", 11.0, 13.5),
    SummerGrade("90", 13.5, 18.5),
    SummerGrade("110", 18.5, 24.0),
    SummerGrade("140", 24.0, 32.5),
    SummerGrade("190", 32.5, 41.0),
    SummerGrade("250", 41.0, math.inf),
)

WINTER_GRADES: dict[str, WinterGrade] = {
    grade.name: grade
    for grade in (
        WinterGrade("70W", -55.0, 3.8),
        WinterGrade("75W", -40.0, 3.8),
        WinterGrade("80W", -26.0, 8.5),
        WinterGrade("85W", -12.0, 11.0),
    )
}


def summer_grade(kv100_mm2_s: float) -> str | None:
    """Return the grade without W that an oil of this viscosity at 100 Cel has; None if it is thinner than all.

    Examples
    --------
    >>> summer_grade(14.5), summer_grade(18.5), summer_grade(3.0)
    ('90', '110', None)
    """
    for grade in SUMMER_GRADES:
        if grade.low_mm2_s <= kv100_mm2_s < grade.high_mm2_s:
            return grade.name
    return None


def check_grade(name: str, kv100_mm2_s: float) -> str | None:
    """Return why an oil of this viscosity at 100 Cel cannot bear the grade's name; None if it can.

    Parameters
    ----------
    name : str
        "75W-90", "80W-140", "90" or "75W".
    kv100_mm2_s : float
        Kinematic viscosity at 100 Cel of fresh oil. [mm2/s]

    Raises
    ------
    ModelError
        The name has no grade of SAE J306 in it.

    Examples
    --------
    >>> check_grade("75W-90", 14.5)
    >>> check_grade("75W-90", 20.1)
    '75W-90 needs 13.5 to below 18.5 mm2/s at 100 Cel, got 20.1, which is grade 110'
    """
    winter, summer = _split(name)
    if summer is not None and not summer.low_mm2_s <= kv100_mm2_s < summer.high_mm2_s:
        return (
            f"{name} needs {summer.low_mm2_s:g} to below {summer.high_mm2_s:g} mm2/s at 100 Cel, got {kv100_mm2_s:g}, "
            f"which is grade {summer_grade(kv100_mm2_s)}"
        )
    if winter is not None and kv100_mm2_s < winter.kv100_low_mm2_s:
        return f"{name} needs at least {winter.kv100_low_mm2_s:g} mm2/s at 100 Cel, got {kv100_mm2_s:g}"
    return None


def _split(name: str) -> tuple[WinterGrade | None, SummerGrade | None]:
    first, _, second = name.upper().removeprefix("SAE").strip().partition("-")
    winter = WINTER_GRADES.get(first)
    wanted = second if winter is not None else first
    summer = next((grade for grade in SUMMER_GRADES if grade.name == wanted), None)
    if (winter is None and summer is None) or (bool(second) and (winter is None or summer is None)):
        known = ", ".join([*WINTER_GRADES, *(grade.name for grade in SUMMER_GRADES)])
        raise ModelError(
            f"{name!r} is no grade of SAE J306; combine one W grade and one without, as 75W-90, from: {known}"
        )
    return winter, summer
