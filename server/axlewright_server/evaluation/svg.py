"""Small plots as SVG, by hand: grey for what is normal, colour only for the abnormal, shape and words beside colour."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape

import numpy as np
from numpy.typing import ArrayLike, NDArray

INK, GREY, PALE, GRID = "#333333", "#777777", "#b0b0b0", "#e4e4e4"
ALARM, CAUTION = "#c62828", "#b26a00"
DASHES = ("", "6 3", "2 3", "8 3 2 3", "1 4")
FONT = "font-family='system-ui, sans-serif' font-size='11'"


@dataclass(frozen=True)
class Frame:
    """A panel: where it lies in pixels, and what its axes span."""

    left: float
    top: float
    width: float
    height: float
    x: tuple[float, float]
    y: tuple[float, float]

    def at_x(self, value: float) -> float:
        """Return the pixel of a value across."""
        return self.left + self.width * (value - self.x[0]) / (self.x[1] - self.x[0])

    def at_y(self, value: float) -> float:
        """Return the pixel of a value upward."""
        return self.top + self.height * (1.0 - (value - self.y[0]) / (self.y[1] - self.y[0]))


def ticks(low: float, high: float, most: int = 5) -> list[float]:
    """Return round numbers within a span.

    Examples
    --------
    >>> ticks(0.0, 10.0)
    [0.0, 2.0, 4.0, 6.0, 8.0, 10.0]
    """
    if not high > low:
        return [low]
    raw = (high - low) / most
    size = 10.0 ** math.floor(math.log10(raw))
    step = next(size * factor for factor in (1, 2, 5, 10) if size * factor >= raw * 0.999)
    first = math.ceil(low / step - 1e-9)
    return [round(step * number, 12) for number in range(first, math.floor(high / step + 1e-9) + 1)]


def number(value: float) -> str:
    """Return a number as short as it can be read."""
    return f"{value:g}"


def span(values: ArrayLike, least: float = 1e-6) -> tuple[float, float]:
    """Return the span of values with a margin; (0, 1) where there are none."""
    known = np.asarray(values, dtype=np.float64)
    known = known[np.isfinite(known)]
    if not known.size:
        return 0.0, 1.0
    low, high = float(known.min()), float(known.max())
    margin = max(0.06 * (high - low), least, 1e-3 * abs(high))
    return low - margin, high + margin


def text(x: float, y: float, words: str, anchor: str = "start", colour: str = INK, more: str = "") -> str:
    """Return words at a place."""
    return f"<text x='{x:.1f}' y='{y:.1f}' text-anchor='{anchor}' fill='{colour}' {FONT} {more}>{escape(words)}</text>"


def line(x1: float, y1: float, x2: float, y2: float, colour: str = GRID, width: float = 1.0, dash: str = "") -> str:
    """Return a straight line."""
    dashed = f" stroke-dasharray='{dash}'" if dash else ""
    ends = f"x1='{x1:.1f}' y1='{y1:.1f}' x2='{x2:.1f}' y2='{y2:.1f}'"
    return f"<line {ends} stroke='{colour}' stroke-width='{width}'{dashed}/>"


def course(frame: Frame, x: ArrayLike, y: ArrayLike, colour: str = INK, width: float = 1.2, dash: str = "") -> str:
    """Return a line through points; it breaks where a value is missing, and leaves the panel nowhere."""
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    parts = [_path(frame, xs[piece], ys[piece]) for piece in _unbroken(xs, ys)]
    dashed = f" stroke-dasharray='{dash}'" if dash else ""
    return f"<path d='{''.join(parts)}' fill='none' stroke='{colour}' stroke-width='{width}'{dashed}/>" if parts else ""


def _unbroken(x: NDArray[np.float64], y: NDArray[np.float64]) -> Iterable[slice]:
    fine = np.isfinite(x) & np.isfinite(y)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], fine, [False]]).astype(int)))
    return [slice(begin, end) for begin, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)]


def _path(frame: Frame, x: NDArray[np.float64], y: NDArray[np.float64]) -> str:
    low, high = frame.y
    pairs = [f"{frame.at_x(a):.1f},{frame.at_y(min(max(b, low), high)):.1f}" for a, b in zip(x, y, strict=True)]
    # A lone point would vanish: give it a pixel.
    return f"M{pairs[0]}h1" if len(pairs) == 1 else "M" + "L".join(pairs)


def axes(
    frame: Frame,
    x_title: str,
    y_title: str,
    x_words: Sequence[tuple[float, str]] | None = None,
    y_scale: bool = True,
) -> str:
    """Return grid, scale and titles of a panel."""
    parts = []
    for value in ticks(*frame.y, most=4) if y_scale else ():
        parts.append(line(frame.left, frame.at_y(value), frame.left + frame.width, frame.at_y(value)))
        parts.append(text(frame.left - 5, frame.at_y(value) + 4, number(value), "end", GREY))
    marks = x_words if x_words is not None else [(value, number(value)) for value in ticks(*frame.x)]
    bottom = frame.top + frame.height
    for value, words in marks:
        parts.append(line(frame.at_x(value), bottom, frame.at_x(value), bottom + 4, GREY))
        parts.append(text(frame.at_x(value), bottom + 16, words, "middle", GREY))
    parts.append(line(frame.left, bottom, frame.left + frame.width, bottom, GREY))
    if x_title:
        parts.append(text(frame.left + frame.width / 2, bottom + 31, x_title, "middle"))
    if y_title:
        parts.append(text(frame.left, frame.top - 6, y_title))
    return "".join(parts)


def triangle(x: float, y: float, colour: str) -> str:
    """Return a mark that points down at a place."""
    return f"<path d='M{x - 5:.1f},{y - 9:.1f}h10l-5,9z' fill='{colour}' stroke='{INK}' stroke-width='0.6'/>"


def drawing(width: float, height: float, parts: Iterable[str], title: str) -> str:
    """Return a whole SVG element with its title for those who do not see it."""
    return (
        f"<svg viewBox='0 0 {width:.0f} {height:.0f}' width='{width:.0f}' height='{height:.0f}' role='img' "
        f"aria-label='{escape(title, quote=True)}' xmlns='http://www.w3.org/2000/svg'><title>{escape(title)}</title>"
        f"{''.join(parts)}</svg>"
    )
