"""The page's words: numbers, ages, units and conditions as a person reads them."""

from __future__ import annotations

import math
from datetime import UTC, datetime

CONDITION_TEXTS = {
    "stop-safely-now": "Stop safely now",
    "within-a-day": "See within a day",
    "next-service": "See at next service",
    "being-watched": "Being watched",
    "no-recent-data": "No recent data",
    "nothing-found": "No advisory",
}
URGENCY_TEXTS = {
    "stop-safely-now": "Stop safely now",
    "within-a-day": "Within a day",
    "next-service": "At next service",
}
STATE_TEXTS = {
    "unacknowledged": "not acknowledged",
    "acknowledged": "acknowledged",
    "returned-to-normal": "back to normal",
    "returned-unacknowledged": "back to normal, not acknowledged",
    "shelved": "shelved",
    "suppressed": "suppressed by design",
    "closed": "closed",
}
ACTION_TEXTS = {
    "raised": "Raised",
    "updated": "Updated with newer readings",
    "returned": "Back to normal",
    "recurred": "Came back",
    "acknowledged": "Acknowledged",
    "shelved": "Shelved",
    "unshelved": "Taken off the shelf",
    "suppressed": "Suppressed by design",
    "unsuppressed": "Suppression lifted",
    "closed": "Closed",
    "found": "Finding recorded",
}
GUARD_TEXTS = {
    "quiet": "quiet",
    "lube-limit": "lube beyond its limit",
    "lube-rise": "lube warms suddenly",
    "height-loss": "a side falls while driving",
}
ROLE_TEXTS = {
    "steer": "Steer axle",
    "forward-drive": "Forward drive axle",
    "rear-drive": "Rear drive axle",
    "single-drive": "Drive axle",
    "trailing": "Trailing axle",
}
UNIT_TEXTS = {
    "Cel": "°C",
    "m/s2": "m/s²",
    "/": "",
    "flag": "",
    "word": "",
    "bits": "",
    "N.m": "N·m",
    "1/s2": "1/s²",
    "deg": "°",
    "Cel/min": "°C/min",
}


def unit_text(unit: str) -> str:
    """Return a unit as people write it.

    Examples
    --------
    >>> unit_text("m/s2"), unit_text("mm")
    ('m/s²', 'mm')
    """
    return UNIT_TEXTS.get(unit, unit)


def figure(value: float | None, decimals: int | None = None) -> str:
    """Return a number with three significant figures (or so many decimals), a dash for none.

    Examples
    --------
    >>> [figure(x) for x in (0.01234, 3.14159, 42.04, 238.6, None)]
    ['0.0123', '3.14', '42.0', '239', '–']
    >>> figure(-0.2, 0)
    '0'
    """
    if value is None or not math.isfinite(value):
        return "–"
    if decimals is None:
        size = abs(value)
        decimals = 0 if size >= 100.0 else 1 if size >= 10.0 else 2 if size >= 1.0 else 4 if 0.0 < size < 0.1 else 3
    text = f"{value:.{decimals}f}"
    if float(text) == 0.0:
        text = text.lstrip("-")
    return text.replace("-", "−")


def percent(share: float) -> str:
    """Return a share in whole percent; a small one is not called nothing, a great one not certain.

    Examples
    --------
    >>> [percent(x) for x in (0.714, 0.004, 0.0, 0.998)]
    ['71 %', 'below 1 %', '0 %', 'over 99 %']
    """
    if 0.99 < share < 1.0:
        return "over 99 %"
    return "below 1 %" if 0.0 < share < 0.01 else f"{round(100.0 * share)} %"


def sureness(confidence: float) -> str:
    """Return a confidence in words; nothing inferred from readings is called certain.

    Examples
    --------
    >>> sureness(0.82), sureness(0.999)
    ('82 % sure', 'over 99 % sure')
    """
    return "over 99 % sure" if confidence > 0.99 else f"{round(100.0 * confidence)} % sure"


def age(seconds: float) -> str:
    """Return how long ago, in the largest unit that still tells something.

    Examples
    --------
    >>> [age(x) for x in (-3, 42, 600, 7200, 400000)]
    ['0 s ago', '42 s ago', '10 min ago', '2 h ago', '5 days ago']
    """
    whole = max(0, round(seconds))
    if whole < 90:
        return f"{whole} s ago"
    if whole < 90 * 60:
        return f"{round(whole / 60)} min ago"
    if whole < 36 * 3600:
        return f"{round(whole / 3600)} h ago"
    return f"{round(whole / 86400)} days ago"


def iso(time_s: float) -> str:
    """Return a Unix time as ISO 8601 in UTC.

    Examples
    --------
    >>> iso(0.0)
    '1970-01-01T00:00:00Z'
    """
    return datetime.fromtimestamp(time_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def clock(time_s: float) -> str:
    """Return a Unix time as text in UTC, for a page whose script has not (yet) run.

    Examples
    --------
    >>> clock(0.0)
    '1 Jan 1970, 00:00 UTC'
    """
    moment = datetime.fromtimestamp(time_s, UTC)
    return f"{moment.day} {moment:%b %Y, %H:%M} UTC"


def share(value: float, top: float) -> float:
    """Return where a value lies between 0 and `top`, in percent, at most 100.

    Examples
    --------
    >>> share(1.0, 4.0), share(9.0, 4.0)
    (25.0, 100.0)
    """
    return round(min(100.0, 100.0 * value / top), 2)
