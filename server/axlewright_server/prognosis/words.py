"""A forecast in words: what, when, how sure, or why it can't be told yet."""

from __future__ import annotations

import math
from collections.abc import Sequence

from axlewright_server.prognosis.forecast import RULES, Forecast

TITLES = {
    "height": "Ride height, departure from specification",
    "excess": "Lube temperature, excess over the model",
    "driveshaft-1": "Vibration once per turn of the driveshaft",
    "driveshaft-2": "Vibration twice per turn of the driveshaft",
    "wheel-1": "Vibration once per turn of the wheel",
    "mesh-1": "Gear mesh vibration",
    "envelope": "Envelope at the bearing's defect frequencies",
    "oil": "Lube life",
    "seal": "Pinion seal life",
}
_UNITS = {"/": "times its own baseline"}


def title_of(quantity: str) -> str:
    """Return a quantity in words."""
    return TITLES[quantity]


def told(
    quantity: str,
    unit: str,
    note: str,
    ahead: Forecast,
    level: float | None,
    limit: float | None,
    days: Sequence[float],
    ways_km: Sequence[float | None],
) -> str:
    """Return a forecast for a person.

    Examples
    --------
    >>> told("height", "mm", "tolerance", Forecast("too-short", days_used=3), None, -6.0, (1e9,) * 3, (None,) * 3)
    "Can't tell yet: 3 days with enough driving, at least 8 are needed."
    """
    if ahead.status == "too-short" and ahead.days_used < RULES.least_days:
        return f"Can't tell yet: {ahead.days_used} days with enough driving, at least {RULES.least_days} are needed."
    if ahead.status == "too-old":
        return f"Can't tell: hardly any driving that tells of it in the last {RULES.recent_days} days."
    if limit is None or level is None:
        return "Can't tell yet: the axle's own model or baseline is still being learnt."
    now = f"{amount(level, unit)} now, limit {amount(limit, unit)} ({note})"
    if ahead.status == "passed":
        return f"At or beyond its limit: {now}."
    if ahead.status == "no-trend":
        return f"Can't tell: no clear trend in {ahead.days_used} days; {now}."
    if ahead.status == "levelled-off":
        return f"Nothing ahead for now: it has moved towards the limit and probably stands since, short of it; {now}."
    if ahead.status == "moving-away":
        return f"Nothing ahead: it moves away from the limit; {now}."
    if ahead.status == "too-far":
        return f"Probably nothing within {RULES.horizon_days:.0f} days at this pace; {now}."
    early, middle, late = days
    way = distance(ways_km[0], ways_km[2])
    if ahead.status == "unsure":
        hardly = f"; with four chances in five not before {count(early)}" if early >= 1.0 else ""
        return (
            f"Can't tell: it moves towards the limit, but is likelier to stop short of it than to reach it within "
            f"{RULES.horizon_days:.0f} days{hardly} ({ahead.days_used} days seen). {_first_up(now)}."
        )
    stops = f"; {100.0 * (1.0 - ahead.reaches):.0f} % that it stops short of it" if ahead.reaches < 0.9 else ""
    half = f"before as after {count(middle)}" if middle >= 1.0 else "today as later"
    return (
        f"Reaches its limit {when(early, late)}{way} (80 % interval, {ahead.days_used} days seen{stops}), "
        f"as likely {half}; {now}."
    )


def _first_up(text: str) -> str:
    return text[:1].upper() + text[1:]


def amount(value: float, unit: str) -> str:
    """Return a value with its unit.

    Examples
    --------
    >>> amount(-4.26, "mm"), amount(1.5, "/")
    ('-4.3 mm', '1.5 times its own baseline')
    """
    return f"{value:.1f} {_UNITS.get(unit, unit)}"


def count(days: float) -> str:
    """Return a number of days, no finer than it can be known.

    Examples
    --------
    >>> count(0.4), count(12.3), count(97.0), count(1580.0)
    ('less than a day', '12 days', '14 weeks', '4.3 years')
    """
    if days < 1.0:
        return "less than a day"
    if days < 60.0:
        return "1 day" if round(days) == 1 else f"{days:.0f} days"
    return f"{days / 7.0:.0f} weeks" if days < 730.0 else f"{days / 365.25:.1f} years"


def span(early: float, late: float) -> str:
    """Return an interval of days.

    Examples
    --------
    >>> span(12.0, 31.0), span(12.0, float("inf")), span(0.2, 0.9)
    ('12 days to 31 days', '12 days or later (the late end is not in sight)', 'less than a day')
    """
    if math.isinf(late):
        return f"{count(early)} or later (the late end is not in sight)"
    return count(late) if count(early) == count(late) else f"{count(early)} to {count(late)}"


def when(early: float, late: float) -> str:
    """Return when something comes that may come today already.

    Examples
    --------
    >>> when(12.0, 31.0), when(0.2, 3.4), when(0.2, 0.9), when(0.2, float("inf"))
    ('in 12 days to 31 days', 'within 3 days', 'within 1 day', 'today or later (the late end is not in sight)')
    """
    if early >= 1.0:
        return f"in {span(early, late)}"
    return "today or later (the late end is not in sight)" if math.isinf(late) else f"within {count(max(late, 1.0))}"


def distance(early_km: float | None, late_km: float | None) -> str:
    """Return an interval of distance, "" where the pace is not known.

    Examples
    --------
    >>> distance(3210.0, 8740.0)
    ', 3,200 to 8,700 km'
    """
    if early_km is None:
        return ""
    if late_km is None:
        return f", {round(early_km, -2):,.0f} km or more"
    return f", {round(early_km, -2):,.0f} to {round(late_km, -2):,.0f} km"
