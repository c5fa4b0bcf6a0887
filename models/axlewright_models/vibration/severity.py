"""A ladder of vibration velocity, for display.

The ladder was written for fixed machines. On an axle over a rough road it orders readings; it passes
or fails nothing.
"""

from __future__ import annotations

from bisect import bisect_right

from axlewright_models.errors import ModelError

ZONES = ("A", "B", "C", "D")
# Upper ends of zones A, B, C. [mm/s rms] As one public calculator page gives the annex of ISO 10816-1 (superseded by
# ISO 20816-1); web charts disagree and the standard itself was not read.
BOUNDARIES_MM_S = {
    "I": (0.71, 1.8, 4.5),
    "II": (1.12, 2.8, 7.1),
    "III": (1.8, 4.5, 11.2),
    "IV": (2.8, 7.1, 18.0),
}


def zone(velocity_mm_s: float, machine_class: str = "IV") -> str:
    """Return the rung of the ladder, "A" (least) to "D", on which an rms velocity of 10 to 1000 Hz stands.

    Examples
    --------
    >>> zone(5.0)
    'B'
    """
    if machine_class not in BOUNDARIES_MM_S:
        raise ModelError(f"machine_class is {machine_class!r}; use one of {', '.join(BOUNDARIES_MM_S)}")
    if not velocity_mm_s >= 0.0:
        raise ModelError(f"velocity_mm_s is {velocity_mm_s}; an rms is a number not below 0")
    return ZONES[bisect_right(BOUNDARIES_MM_S[machine_class], velocity_mm_s)]
