"""The report's plots of figures: curves against the baselines, reliability, lead times."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from axlewright_server.evaluation.summary import Curve, Reliability
from axlewright_server.evaluation.svg import (
    ALARM,
    DASHES,
    GREY,
    INK,
    PALE,
    Frame,
    axes,
    course,
    drawing,
    line,
    text,
)

_LEAST_RATE = 0.01
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
        parts.append(course(frame, xs, ys, GREY, 1.6, DASHES[place % len(DASHES)]))
        parts += [
            f"<circle cx='{frame.at_x(x):.1f}' cy='{frame.at_y(y):.1f}' r='2' fill='{GREY}'/>"
            for x, y in zip(xs, ys, strict=True)
        ]
        y = 60.0 + 18.0 * place
        parts.append(line(600, y, 630, y, GREY, 1.6, DASHES[place % len(DASHES)]))
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
    parts = [axes(frame, "days before functional failure", "", y_scale=False)]
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
