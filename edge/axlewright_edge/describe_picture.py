"""A picture of one stretch of vibration: what turns, and what strikes. Plain SVG, made here."""

from __future__ import annotations

from collections.abc import Mapping
from xml.sax.saxutils import escape

import numpy as np
from numpy.typing import NDArray

from axlewright_edge.describing import Subject
from axlewright_edge.features import Waveform
from axlewright_models.bearings import defect_orders
from axlewright_models.orders import Train, source_orders
from axlewright_models.vibration.angle import order_spectrum
from axlewright_models.vibration.features import FEWEST_TURNS, envelope_views
from axlewright_models.vibration.quality import fill_gaps
from axlewright_models.vibration.spectra import hann_spectrum

Array = NDArray[np.float64]
WIDTH, PANEL, LEFT, TOP, GAP = 960, 230, 70, 34, 66
MOST_POINTS = 900
DECADES = 4


def picture(waveform: Waveform, subject: Subject, title: str) -> str:
    """Return an SVG with the spectrum of the first sensor and, where the bearing is known, of its envelope."""
    samples = fill_gaps(np.atleast_2d(waveform.samples))[0][0].astype(np.float64)
    turns = waveform.turns
    panels = []
    if turns[-1] - turns[0] < FEWEST_TURNS or not np.all(np.diff(turns) > 0.0):
        spectrum = hann_spectrum(samples, waveform.rate_hz)
        panels.append(_panel(0, spectrum.positions, spectrum.amplitude, "Hz", "Acceleration, m/s2 (shaft at rest)", {}))
    else:
        marks = _marks(subject)
        fastest = float(np.diff(turns).max())
        highest = min(1.3 * max(marks.values(), default=8.0), 0.4 / fastest)
        orders = order_spectrum(samples, waveform.rate_hz, turns, highest)
        text = "Acceleration, m/s2, over orders of the driveshaft"
        panels.append(_panel(0, orders.positions, orders.amplitude, "order", text, marks))
        if subject.bearing is not None:
            view = envelope_views(samples, waveform.rate_hz, turns, subject.bearing)[0]
            text = f"Squared envelope, {view.band.low_hz:.0f} to {view.band.high_hz:.0f} Hz, m2/s4"
            defects = dict(defect_orders(subject.bearing))
            panels.append(_panel(1, view.spectrum.positions, view.spectrum.amplitude, "order", text, defects))
    height = TOP + len(panels) * (PANEL + GAP)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" height="{height}" '
        'font-family="sans-serif" font-size="12" fill="#222">'
        f'<rect width="{WIDTH}" height="{height}" fill="white"/>'
        f'<text x="{LEFT}" y="20" font-size="14" font-weight="bold">{escape(title)}</text>{"".join(panels)}</svg>\n'
    )


def _marks(subject: Subject) -> dict[str, float]:
    train = subject.train or Train(313.0, 41, 12)
    orders = source_orders(train, subject.gear_ratio)
    return {name: order / train.ratio for name, order in orders.items() if subject.tells(f"vib/order/{name}")}


def _panel(number: int, positions: Array, heights: Array, unit: str, text: str, marks: Mapping[str, float]) -> str:
    top = TOP + number * (PANEL + GAP) + 20
    last = float(positions[-1])
    high = 10.0 ** np.ceil(np.log10(max(float(heights[1:].max()), 1e-12)))
    low = high / 10.0**DECADES

    def across(position: float) -> float:
        return LEFT + (WIDTH - LEFT - 20) * position / last

    def down(height: float) -> float:
        share = np.log10(min(max(height, low), high) / low) / DECADES
        return float(top + PANEL * (1.0 - share))

    parts = [f'<text x="{LEFT}" y="{top - 6}">{escape(text)}</text>']
    for decade in range(DECADES + 1):
        value = low * 10.0**decade
        parts.append(
            f'<path d="M{LEFT} {down(value):.1f}H{WIDTH - 20}" stroke="#ddd"/>'
            f'<text x="{LEFT - 6}" y="{down(value) + 4:.1f}" text-anchor="end">{value:g}</text>'
        )
    step = _step(last)
    parts += [
        f'<text x="{across(tick):.1f}" y="{top + PANEL + 16}" text-anchor="middle">{tick:g}</text>'
        for tick in np.arange(0.0, last, step)
    ]
    parts.append(f'<text x="{WIDTH - 20}" y="{top + PANEL + 32}" text-anchor="end">{escape(unit)}</text>')
    for place, (name, position) in enumerate(sorted(marks.items(), key=lambda mark: mark[1])):
        if position < last:
            x, y = across(position), top + 12 + 13 * (place % 10)
            parts.append(
                f'<path d="M{x:.1f} {top}V{top + PANEL}" stroke="#b04a2f" stroke-dasharray="2 3"/>'
                f'<text x="{x + 3:.1f}" y="{y}" font-size="10" fill="#8a3a22">{escape(name)}</text>'
            )
    points = " ".join(f"{across(x):.1f},{down(y):.1f}" for x, y in _thinned(positions, heights))
    parts.append(f'<polyline points="{points}" fill="none" stroke="#1f5c99" stroke-width="1"/>')
    return "".join(parts)


def _thinned(positions: Array, heights: Array) -> list[tuple[float, float]]:
    """Return at most so many points; of every group the highest, so that no line is lost."""
    width = max(-(-positions.size // MOST_POINTS), 1)
    groups = range(1, positions.size, width)
    tops = [first + int(np.argmax(heights[first : first + width])) for first in groups]
    return [(float(positions[top]), float(heights[top])) for top in tops]


def _step(last: float) -> float:
    rough = 10.0 ** np.floor(np.log10(last / 4.0))
    return float(next((factor * rough for factor in (1.0, 2.0, 5.0) if last / (factor * rough) <= 12.0), 10.0 * rough))
