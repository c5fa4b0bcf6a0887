"""How long things last when the readings end before some of them do: the curve of Kaplan and Meier, by scipy."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import CensoredData, ecdf


def later_than(ends: ArrayLike, happened: ArrayLike, at: ArrayLike) -> NDArray[np.float64]:
    """Return the share that ends later than each of `at`.

    Parameters
    ----------
    ends : array_like, shape (n,)
        When it ended, or when it was last seen.
    happened : array_like of bool, shape (n,)
        Whether it ended; else it was only last seen then. At equal values what ended counts first.
    at : array_like, shape (m,)

    Examples
    --------
    At risk are 3, then 1:

    >>> later_than([500.0, 900.0, 3000.0], [True, False, True], [400.0, 1000.0, 5000.0]).round(3).tolist()
    [1.0, 0.667, 0.0]
    """
    known, ended = np.asarray(ends, dtype=np.float64), np.asarray(happened, dtype=bool)
    curve = ecdf(CensoredData(uncensored=known[ended], right=known[~ended])).sf
    return np.asarray(curve.evaluate(np.asarray(at, dtype=np.float64)), dtype=np.float64)
