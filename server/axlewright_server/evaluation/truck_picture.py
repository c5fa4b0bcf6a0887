"""One truck's readings around its fault or false advisory, with onset, failure and what was told."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from axlewright_server.evaluation.counting import DAY_S
from axlewright_server.evaluation.hourly import AXLE_CHANNELS
from axlewright_server.evaluation.record import Alert, Unit
from axlewright_server.evaluation.series import Series
from axlewright_server.evaluation.svg import (
    ALARM,
    DASHES,
    GREY,
    INK,
    Frame,
    axes,
    course,
    drawing,
    line,
    span,
    text,
    triangle,
)

_AROUND_DAYS = 25.0
_LEFT, _TOP, _WIDTH, _HEIGHT, _GAP = 60.0, 68.0, 680.0, 92.0, 30.0
_ROWS_OF_WORDS = 4
_VIBRATION_PANELS = 2
Flags = NDArray[np.bool_]
# Title of a panel, and its lines: label, values.
Panel = tuple[str, list[tuple[str, NDArray[np.float32]]]]


def truck_picture(series: Series, unit: Unit, alerts: Sequence[Alert], title: str) -> str:
    """Return a truck's readings as stacked panels over days, advisories as triangles with their causes above them."""
    begin_s, end_s = _window(unit, alerts)
    chosen = (series.times_s >= begin_s) & (series.times_s <= end_s)
    zero_s = unit.event.onset_s if unit.event is not None else (alerts[0].time_s if alerts else begin_s)
    days = (series.times_s[chosen] - zero_s) / DAY_S
    across = ((begin_s - zero_s) / DAY_S, (end_s - zero_s) / DAY_S)
    panels = _panels(series, chosen, series.times_s[chosen] < zero_s, alerts)
    since = "days since onset" if unit.event is not None else "days since the first false advisory"
    parts: list[str] = []
    for place, (name, columns) in enumerate(panels):
        spread = span(np.concatenate([values for _, values in columns]))
        frame = Frame(_LEFT, _TOP + place * (_HEIGHT + _GAP), _WIDTH, _HEIGHT, across, spread)
        parts.append(axes(frame, since if place == len(panels) - 1 else "", name))
        parts += _lines(frame, days, columns)
        parts += _moments(frame, unit, zero_s)
    bottom = _TOP + len(panels) * (_HEIGHT + _GAP) - _GAP
    parts += _alert_marks(alerts, across, zero_s, bottom)
    return drawing(880, bottom + 45, parts, title)


def _lines(frame: Frame, days: NDArray[np.float64], columns: Sequence[tuple[str, NDArray[np.float32]]]) -> list[str]:
    parts: list[str] = []
    taken: list[float] = []
    for dash, (label, values) in zip(DASHES, columns, strict=False):
        parts.append(course(frame, days, values, GREY if dash else INK, 1.1, dash))
        known = values[np.isfinite(values)]
        if len(known):
            y = frame.at_y(float(np.median(known[-8:]))) + 4.0
            while any(abs(y - other) < 12.0 for other in taken):
                y += 12.0
            taken.append(y)
            parts.append(text(frame.left + frame.width + 5, y, label, colour=GREY))
    return parts


def _window(unit: Unit, alerts: Sequence[Alert]) -> tuple[float, float]:
    if unit.event is not None:
        begin_s = max(unit.begin_s, unit.event.onset_s - _AROUND_DAYS * DAY_S)
        return begin_s, max(begin_s + DAY_S, min(unit.end_s, unit.horizon_s + 2.0 * DAY_S))
    middle_s = alerts[0].time_s if alerts else unit.begin_s
    return max(unit.begin_s, middle_s - _AROUND_DAYS * DAY_S), min(unit.end_s, middle_s + 10.0 * DAY_S)


def _panels(series: Series, chosen: Flags, before: Flags, alerts: Sequence[Alert]) -> list[Panel]:
    """Return lube, heights, and two vibration channels: those that advisories rest on, then those that changed most."""
    of = [f"axle {position}" for position in series.positions]
    lube = [(label, series.channel("lube")[chosen, place]) for place, label in enumerate(of)]
    panels: list[Panel] = [("lube and air, Cel", [*lube, ("air", series.ambient[chosen])])]
    sides = [(side, _over_axles(series.channel(f"height/{side}")[chosen])) for side in ("left", "right")]
    panels.append(("ride height, mean of the drive axles, mm", sides))
    told = [name for name in AXLE_CHANNELS if name.startswith("vib/") and _rests_on(name, alerts)]
    for name in list(dict.fromkeys([*told, *_changed(series, chosen, before)]))[:_VIBRATION_PANELS]:
        columns = [(label, series.channel(name)[chosen, place]) for place, label in enumerate(of)]
        panels.append((f"{name}, {'/' if name == 'vib/kurtosis' else 'm/s2'}", columns))
    return panels


def _rests_on(channel: str, alerts: Sequence[Alert]) -> bool:
    return any(key.endswith(f"/{channel.rsplit('/', 1)[-1]}") for alert in alerts for key in alert.symptoms)


def _over_axles(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the mean over axles of what is known."""
    count = np.sum(~np.isnan(values), axis=1)
    return np.where(count > 0, np.nansum(values, axis=1) / np.maximum(count, 1), np.nan).astype(np.float32)


def _changed(series: Series, chosen: Flags, before: Flags) -> list[str]:
    """Return the vibration channels that moved at all, most first, in their own standard deviations."""
    scores = []
    for name in (name for name in AXLE_CHANNELS if name.startswith("vib/")):
        values = series.channel(name)[chosen]
        best = 0.0
        for one, two in zip(values[before].T, values[~before].T, strict=True):
            early, late = one[np.isfinite(one)], two[np.isfinite(two)]
            if len(early) > 8 and len(late) > 8:
                best = max(best, abs(float(np.mean(late[-40:]) - np.mean(early))) / (float(np.std(early)) + 1e-9))
        scores.append((best, name))
    return [name for score, name in sorted(scores, reverse=True) if score > 0.0]


def _moments(frame: Frame, unit: Unit, zero_s: float) -> list[str]:
    parts: list[str] = []
    event = unit.event
    if event is None:
        return parts
    for words, time_s in (("onset", event.onset_s), ("failure", event.failure_s), ("end", event.end_s)):
        day = None if time_s is None else (time_s - zero_s) / DAY_S
        if day is None or not frame.x[0] <= day <= frame.x[1]:
            continue
        x, colour = frame.at_x(day), ALARM if words == "failure" else INK
        parts.append(line(x, frame.top, x, frame.top + frame.height, colour, 1.2, "3 2"))
        # Onset low and left of its line, failure high and right of it: they may fall together.
        low = words == "onset"
        y = frame.top + (frame.height - 4.0 if low else 11.0)
        parts.append(text(x - 3 if low else x + 3, y, words, "end" if low else "start", colour))
    return parts


def _alert_marks(alerts: Sequence[Alert], across: tuple[float, float], zero_s: float, bottom: float) -> list[str]:
    parts = []
    frame = Frame(_LEFT, _TOP, _WIDTH, bottom - _TOP, across, (0.0, 1.0))
    shown = [alert for alert in alerts if across[0] <= (alert.time_s - zero_s) / DAY_S <= across[1]]
    for number, alert in enumerate(shown[: 2 * _ROWS_OF_WORDS]):
        x = frame.at_x((alert.time_s - zero_s) / DAY_S)
        y = _TOP - 17 - 11 * (_ROWS_OF_WORDS - 1 - number % _ROWS_OF_WORDS)
        parts.append(line(x, y, x, bottom, ALARM, 0.6, "1 2"))
        parts.append(triangle(x, y, ALARM))
        right = x > _LEFT + 0.75 * _WIDTH
        words = f"{alert.first.cause}, axle {alert.axle}"
        parts.append(text(x - 8 if right else x + 8, y - 1, words, "end" if right else "start", ALARM))
    if len(shown) > 2 * _ROWS_OF_WORDS:
        parts.append(text(_LEFT + _WIDTH, 12, f"and {len(shown) - 2 * _ROWS_OF_WORDS} more", "end", ALARM))
    return parts
