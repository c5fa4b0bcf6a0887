"""A straight line learnt one pair at a time, and how far it is to be believed beyond the pairs that it was learnt from.

With noise of variance s^2 and a slope believed beforehand to be 0 give or take t, the slope's mean is
xy / (xx + s^2/t^2) and its variance s^2 / (xx + s^2/t^2); xx and xy are sums of centred squares and products. Where
all pairs lay close together the belief beforehand stays, and with it all the doubt about other places.

References
----------
.. [1] Gelman, A. et al. (2013), Bayesian Data Analysis, 3rd ed., CRC Press, chapter 14 (regression; a prior belief
   counts as one more observation).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

PARTS = 6
"""A line's state: number of pairs, mean of x and of y, centred sums xx, xy, yy."""


def line_step(line: NDArray[np.float64], x: ArrayLike, y: ArrayLike) -> NDArray[np.float64]:
    """Return lines after one more pair each.

    Parameters
    ----------
    line : ndarray, shape (n, 6)
        State so far; all 0 at the start.
    x, y : array_like, shape (n,)
        NaN in either leaves a line as it was.

    Examples
    --------
    >>> line = np.zeros((1, PARTS))
    >>> for x, y in [(1.0, 10.0), (2.0, 12.0), (3.0, np.nan), (3.0, 14.0)]:
    ...     line = line_step(line, [x], [y])
    >>> line[0].tolist()
    [3.0, 2.0, 12.0, 2.0, 4.0, 8.0]
    """
    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    count, mean_x, mean_y, xx, xy, yy = line.T
    dx, dy = x - mean_x, y - mean_y
    new_x, new_y = mean_x + dx / (count + 1.0), mean_y + dy / (count + 1.0)
    more = [count + 1.0, new_x, new_y, xx + dx * (x - new_x), xy + dx * (y - new_y), yy + dy * (y - new_y)]
    known = ~np.isnan(dx) & ~np.isnan(dy)
    return np.where(known[:, None], np.stack(more, axis=1), line)


def line_at(
    line: NDArray[np.float64], x: ArrayLike, slope_sd: float, least_sd: float, alike: float = 1.0
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return where the lines stand at x, the scatter about them, and the doubt about where they stand.

    Parameters
    ----------
    line : ndarray, shape (n, 6)
    x : array_like, shape (n,)
    slope_sd : float
        Standard deviation of the slope as believed before any pair. [y per x]
    least_sd : float
        Least scatter believed. [y]
    alike : float
        So many successive pairs tell as much as one, being correlated.

    Returns
    -------
    (y, scatter, doubt) : tuple of ndarray, shape (n,)
        Both are standard deviations; a new value lies within their hypotenuse.

    Examples
    --------
    >>> line = np.array([[10.0, 50.0, 0.1, 800.0, 2.4, 0.0081]])
    >>> [float(part[0].round(4)) for part in line_at(line, [50.0], 0.003, 0.01)]
    [0.1, 0.0106, 0.0034]
    >>> float(line_at(line, [0.0], 0.003, 0.01)[2][0].round(4))  # further than it has ever been
    0.0189
    """
    count, mean_x, mean_y, xx, xy, yy = line.T
    left = yy - np.where(xx > 0.0, xy * xy / np.where(xx > 0.0, xx, 1.0), 0.0)
    variance = np.maximum(left / np.maximum(count - 2.0, 1.0), least_sd**2)
    # What the belief beforehand is worth, as a sum of squares of pairs.
    weight = xx / alike + variance / slope_sd**2
    away = np.asarray(x, dtype=np.float64) - mean_x
    doubt = np.sqrt(variance * (alike / np.maximum(count, 1.0) + away * away / weight))
    return mean_y + xy / alike / weight * away, np.sqrt(variance), doubt
