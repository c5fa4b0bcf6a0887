"""The report's plots: curves against the baselines, reliability, lead times, one truck's readings around its fault."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from axlewright_server.evaluation.counting import DAY_S
from axlewright_server.evaluation.hourly import AXLE_CHANNELS
from axlewright_server.evaluation.record import Alert, Unit
from axlewright_server.evaluation.series import Series
from axlewright_server.evaluation.summary import Curve, Reliability
from axlewright_server.evaluation.svg import (
    ALARM,
    GREY,
    INK,
    PALE,
    Frame,
    axes,
    course,
    drawing,
    line,
    span,
    text,
    triangle,
)

_DASHES = ("", "6 3", "2 3", "8 3 2 3", "1 4")
_LEAST_RATE = 0.01
_AROUND_DAYS = 25.0
LABELS = {
    "fixed": "fixed thresholds",
    "ewma": "EWMA",
    "adwin": "ADWIN",
    "page-hinkley": "Page-Hinkley",
    "ruptures": "ruptures",
}


def curve_picture(curves: Sequence[Curve], own: tuple[float, float]) -> str:
    """Return share found against false calls a vehicle-year (logarithmic), each baseline a line, this design a mark."""
    frame = Frame(60, 30, 520, 260, (np.log10(_LEAST_RATE), 2.0), (0.0, 1.0))
    marks = [(np.log10(value), f"{value:g}") for value in (0.01, 0.1, 1.0, 10.0, 100.0)]
    parts = [
        axes(
            frame, "false calls per healthy vehicle-year (0 is drawn at the left edge)", "share of faults found", marks
        )
    ]
    for place, curve in enumerate(curves):
        points = sorted((max(rate, _LEAST_RATE), share) for _, rate, share in curve.points)
        if not points:
            continue
        xs, ys = [np.log10(rate) for rate, _ in points], [share for _, share in points]
        parts.append(course(frame, xs, ys, GREY, 1.6, _DASHES[place % len(_DASHES)]))
        parts += [
            f"<circle cx='{frame.at_x(x):.1f}' cy='{frame.at_y(y):.1f}' r='2' fill='{GREY}'/>"
            for x, y in zip(xs, ys, strict=True)
        ]
        y = 60.0 + 18.0 * place
        parts.append(line(600, y, 630, y, GREY, 1.6, _DASHES[place % len(_DASHES)]))
        parts.append(text(636, y + 4, LABELS.get(curve.name, curve.name)))
    x, y = frame.at_x(np.log10(max(own[0], _LEAST_RATE))), frame.at_y(own[1])
    parts.append(f"<rect x='{x - 5:.1f}' y='{y - 5:.1f}' width='10' height='10' fill='{INK}'/>")
    parts.append(f"<rect x='610' y='33' width='10' height='10' fill='{INK}'/>")
    parts.append(text(636, 42, "Axlewright, as delivered"))
    return drawing(800, 340, parts, "Faults found against false calls")


def reliability_picture(bins: Sequence[Reliability]) -> str:
    """Return how often a stated probability came true, with intervals; the dashed line is perfect."""
    frame = Frame(60, 30, 300, 300, (0.0, 1.0), (0.0, 1.0))
    parts = [axes(frame, "probability that the advisory stated", "share that was true")]
    parts.append(course(frame, [0, 1], [0, 1], PALE, 1.0, "4 4"))
    for one in bins:
        x = frame.at_x(one.stated)
        parts.append(line(x, frame.at_y(one.true.low), x, frame.at_y(one.true.high), GREY, 1.5))
        parts.append(f"<circle cx='{x:.1f}' cy='{frame.at_y(one.true.value):.1f}' r='4' fill='{INK}'/>")
        parts.append(text(x + 6, frame.at_y(one.true.value) - 5, f"{one.count}", colour=GREY))
    return drawing(400, 380, parts, "Reliability of the stated probabilities")


def lead_picture(rows: Sequence[tuple[str, Sequence[float], int]]) -> str:
    """Return lead times by scenario, one mark each; a cross at 0 stands for faults that were missed."""
    height = 22 * len(rows)
    longest = max((value for _, values, _ in rows for value in values), default=1.0)
    frame = Frame(230, 30, 480, max(height, 20), (0.0, max(longest * 1.05, 1.0)), (0.0, float(max(len(rows), 1))))
    parts = [
        axes(
            Frame(frame.left, frame.top, frame.width, frame.height, frame.x, (0.0, 1e-9)),
            "days before functional failure",
            "",
        )
    ]
    for place, (name, values, missed) in enumerate(rows):
        y = frame.top + 22 * place + 11
        parts.append(line(frame.left, y, frame.left + frame.width, y))
        parts.append(text(frame.left - 8, y + 4, name, "end"))
        parts += [
            f"<circle cx='{frame.at_x(value):.1f}' cy='{y:.1f}' r='3.5' fill='none' stroke='{INK}'/>"
            for value in values
        ]
        if missed:
            parts.append(text(frame.left + 2, y + 4, f"× {missed} missed", colour=ALARM))
    return drawing(760, height + 80, parts, "Lead time by scenario")


def truck_picture(series: Series, unit: Unit, alerts: Sequence[Alert], title: str) -> str:
    """Return a truck's readings around its fault or first false advisory, with onset, failure and advisories marked."""
    begin_s, end_s = _window(unit, alerts)
    chosen = (series.times_s >= begin_s) & (series.times_s <= end_s)
    zero_s = unit.event.onset_s if unit.event is not None else (alerts[0].time_s if alerts else begin_s)
    days = (series.times_s[chosen] - zero_s) / DAY_S
    across = ((begin_s - zero_s) / DAY_S, (end_s - zero_s) / DAY_S)
    panels = _panels(series, chosen, series.times_s[chosen] < zero_s)
    parts: list[str] = []
    height = 92
    for place, (name, columns) in enumerate(panels):
        frame = Frame(
            60, 40 + place * (height + 30), 680, height, across, span(np.concatenate([c for _, c in columns]))
        )
        last = place == len(panels) - 1
        parts.append(
            axes(
                frame,
                "days since onset" if unit.event is not None else "days since the first false advisory" if last else "",
                name,
            )
        )
        for dash, (label, values) in zip(_DASHES, columns, strict=False):
            parts.append(course(frame, days, values, INK if not dash else GREY, 1.1, dash))
            known = np.flatnonzero(np.isfinite(values))
            if len(known) and label:
                parts.append(text(745, frame.at_y(float(values[known[-1]])) + 4, label, colour=GREY))
        parts += _moments(frame, unit, zero_s)
    top = 40.0
    bottom = 40 + len(panels) * (height + 30) - 30
    parts += _alert_marks(alerts, across, zero_s, top, bottom)
    return drawing(840, bottom + 45, parts, title)


def _window(unit: Unit, alerts: Sequence[Alert]) -> tuple[float, float]:
    if unit.event is not None:
        begin_s = max(unit.begin_s, unit.event.onset_s - _AROUND_DAYS * DAY_S)
        return begin_s, max(begin_s + DAY_S, min(unit.end_s, unit.horizon_s + 2.0 * DAY_S))
    middle_s = alerts[0].time_s if alerts else unit.begin_s
    return max(unit.begin_s, middle_s - _AROUND_DAYS * DAY_S), min(unit.end_s, middle_s + 10.0 * DAY_S)


def _panels(series: Series, chosen: np.ndarray, before: np.ndarray) -> list[tuple[str, list[tuple[str, np.ndarray]]]]:
    """Return lube, heights, and the two vibration channels that changed most."""
    of = [f"axle {position}" for position in series.positions]
    lube = [(label, series.channel("lube")[chosen, place]) for place, label in enumerate(of)]
    lube.append(("air", series.ambient[chosen]))
    sides = [
        (f"{side}", np.nanmean(_nan_safe(series.channel(f"height/{side}")[chosen]), axis=1))
        for side in ("left", "right")
    ]
    panels = [("lube and air, Cel", lube), ("ride height, mean of the drive axles, mm", sides)]
    for name in _changed(series, chosen, before)[:2]:
        columns = [(label, series.channel(name)[chosen, place]) for place, label in enumerate(of)]
        panels += [(f"{name}, {'/' if name == 'vib/kurtosis' else 'm/s2'}", columns)]
    return panels


def _nan_safe(values: np.ndarray) -> np.ndarray:
    """Return values with rows of nothing but NaN kept quiet: nanmean would warn."""
    filled = values.copy()
    filled[np.isnan(values).all(axis=1)] = 0.0
    filled[np.isnan(values).all(axis=1), 0] = 0.0
    result = np.where(np.isnan(values).all(axis=1)[:, None], np.inf, values)
    return np.asarray(result)


def _changed(series: Series, chosen: np.ndarray, before: np.ndarray) -> list[str]:
    scores = []
    for name in (name for name in AXLE_CHANNELS if name.startswith("vib/")):
        values = series.channel(name)[chosen]
        early, late = values[before], values[~before]
        best = 0.0
        for axle in range(values.shape[1]):
            one, two = early[:, axle], late[:, axle]
            one, two = one[np.isfinite(one)], two[np.isfinite(two)]
            if len(one) > 8 and len(two) > 8:
                best = max(best, abs(float(np.mean(two[-40:]) - np.mean(one))) / (float(np.std(one)) + 1e-9))
        scores.append((best, name))
    return [name for score, name in sorted(scores, reverse=True) if score > 0.0]


def _moments(frame: Frame, unit: Unit, zero_s: float) -> list[str]:
    parts: list[str] = []
    event = unit.event
    if event is None:
        return parts
    for words, time_s in (("onset", event.onset_s), ("failure", event.failure_s), ("end", event.end_s)):
        if time_s is None:
            continue
        day = (time_s - zero_s) / DAY_S
        if frame.x[0] <= day <= frame.x[1]:
            x = frame.at_x(day)
            parts.append(
                line(x, frame.top, x, frame.top + frame.height, ALARM if words == "failure" else INK, 1.2, "3 2")
            )
            parts.append(text(x + 3, frame.top + frame.height - 4, words, colour=ALARM if words == "failure" else INK))
    return parts


def _alert_marks(
    alerts: Sequence[Alert], across: tuple[float, float], zero_s: float, top: float, bottom: float
) -> list[str]:
    parts = []
    frame = Frame(60, top, 680, bottom - top, across, (0.0, 1.0))
    shown = [alert for alert in alerts if across[0] <= (alert.time_s - zero_s) / DAY_S <= across[1]]
    for number, alert in enumerate(shown[:8]):
        x = frame.at_x((alert.time_s - zero_s) / DAY_S)
        y = top - 22 + 11 * (number % 2)
        parts.append(line(x, y, x, bottom, ALARM, 0.6, "1 2"))
        parts.append(triangle(x, y, ALARM))
        parts.append(text(x + 7, y - 1, f"{alert.first.cause}, axle {alert.axle}", colour=ALARM))
    return parts
