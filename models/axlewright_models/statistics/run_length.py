r"""How long a chart runs before it calls: average run lengths of CUSUM and EWMA, computed, not simulated.

Both charts are Markov processes; the average run length from a starting value solves an integral equation of the second
kind [1]_ [2]_, here by Nystrom's method on Gauss-Legendre nodes. Values are independent, normal, of standard deviation
1, and their mean is `shift` away from the target.

References
----------
.. [1] Brook, D. and Evans, D. A. (1972), "An approach to the probability distribution of CUSUM run length",
   Biometrika 59, 539-549.
.. [2] Lucas, J. M. and Saccucci, M. S. (1990), "Exponentially weighted moving average control schemes", Technometrics
   32, 1-12.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_models.errors import ModelError
from axlewright_models.statistics.normal import normal_cdf, normal_pdf

Floats = NDArray[np.float64]
Sides = Literal["one", "two"]

LEAST_NODES = 60
LONGEST = 1e11
"""Beyond this the equations are too ill-conditioned for double precision: the answer is given as infinity."""


def _node_count(span_sd: float) -> int:
    """Return enough nodes for an interval of that many standard deviations of one step (checked by doubling them).

    In a few sizes only: the nodes of each are dear to find and are kept.
    """
    count = LEAST_NODES
    while count < 2.0 * span_sd:
        count *= 2
    return count


@lru_cache(maxsize=16)
def _nodes(count: int) -> tuple[Floats, Floats]:
    """Return nodes and weights on -1 to 1."""
    nodes, weights = np.polynomial.legendre.leggauss(count)
    return nodes, weights


def cusum_run_length(
    slack: float,
    limit: float,
    shift: float = 0.0,
    *,
    head_start: float = 0.0,
    sides: Sides = "two",
    nodes: int | None = None,
) -> float:
    r"""Return the average run length of a CUSUM.

    Parameters
    ----------
    slack, limit : float
        k (0 or more, or below 0 for an upper sum with a negative allowance) and h (above 0), in standard deviations.
    shift : float
        True mean less target, in standard deviations.
    head_start : float
        Where each sum begins, in standard deviations, 0 to below `limit`.
    sides : {"one", "two"}
        The upper sum alone, or both.
    nodes : int, optional
        Quadrature nodes; enough if not given.

    Returns
    -------
    float
        Average number of values until the call; infinity above 1e11.

    Raises
    ------
    ModelError
        `limit` not above 0, or `head_start` outside.

    Notes
    -----
    One side: :math:`L(z) = 1 + L(0)\,\Phi(k - z - \delta) + \int_0^h L(x)\,\varphi(x + k - z - \delta)\,dx`. Both sides
    combine by :math:`[L^+(s)L^-(0) + L^-(s)L^+(0) - L^+(0)L^-(0)] / [L^+(0) + L^-(0)]`, which for no head start is
    the sum of reciprocals (Lucas and Crosier 1982).

    Examples
    --------
    >>> round(cusum_run_length(0.5, 5.0)), round(cusum_run_length(0.5, 5.0, 1.0), 1)
    (465, 10.4)
    """
    if not limit > 0.0 or not 0.0 <= head_start < limit:
        raise ModelError(f"cusum_run_length needs limit > 0 and 0 <= head_start < limit; got {limit=}, {head_start=}")
    count = _node_count(limit) if nodes is None else nodes
    start = np.array([0.0, head_start])
    up_zero, up = _one_sided(slack, limit, shift, count, start)
    if sides == "one":
        return float(up)
    down_zero, down = _one_sided(slack, limit, -shift, count, start)
    if math.isinf(up_zero) or math.isinf(down_zero):
        return float(min(up, down))  # a side that never calls leaves the other alone
    return float((up * down_zero + down * up_zero - up_zero * down_zero) / (up_zero + down_zero))


def _one_sided(slack: float, limit: float, shift: float, nodes: int, start: Floats) -> Floats:
    """Solve for the upper sum and return the run lengths from the starting values."""
    unit_nodes, unit_weights = _nodes(nodes)
    x, weight = 0.5 * limit * (unit_nodes + 1.0), 0.5 * limit * unit_weights
    # Unknowns: the run length from 0 (an atom: the sum rests there) and from each node.
    z = np.concatenate([[0.0], x])
    step = _transition(z, x, weight, slack, shift)
    solution = np.linalg.solve(np.eye(nodes + 1) - step, np.ones(nodes + 1))
    return _bounded(1.0 + _transition(start, x, weight, slack, shift) @ solution)


def _bounded(run_length: Floats) -> Floats:
    """Return infinity for what rounding has made meaningless: longer than can be computed, or below one value."""
    return np.where((run_length >= 1.0) & (run_length <= LONGEST), run_length, np.inf)


def _transition(z: Floats, x: Floats, weight: Floats, slack: float, shift: float) -> Floats:
    """Return the chances of going from each z to 0 (first column) and to each node (the rest)."""
    to_zero = normal_cdf(slack - z - shift)
    to_node = normal_pdf(x[None, :] + slack - z[:, None] - shift) * weight[None, :]
    return np.column_stack([to_zero, to_node])


def ewma_run_length(weight: float, width: float, shift: float = 0.0, *, nodes: int | None = None) -> float:
    r"""Return the average run length of a two-sided EWMA with asymptotic limits, begun at the target.

    Parameters
    ----------
    weight : float
        :math:`\lambda`, above 0, at most 1 (1 is the chart of single values).
    width : float
        L, half the width of the limits in standard deviations of the average, above 0.
    shift : float
        True mean less target, in standard deviations of one value.
    nodes : int, optional
        Quadrature nodes; enough if not given.

    Returns
    -------
    float
        Average number of values until the call; infinity above 1e11.

    Notes
    -----
    :math:`L(z) = 1 + \frac{1}{\lambda}\int_{-c}^{c} L(x)\,\varphi\!\left(\frac{x-(1-\lambda)z}{\lambda} -
    \delta\right) dx` with :math:`c = L\sqrt{\lambda/(2-\lambda)}`.

    Examples
    --------
    >>> round(ewma_run_length(0.1, 2.814)), round(ewma_run_length(0.1, 2.814, 1.0), 1)
    (500, 10.3)
    """
    if not (0.0 < weight <= 1.0 and width > 0.0):
        raise ModelError(f"ewma_run_length needs 0 < weight <= 1 and width > 0; got {weight=}, {width=}")
    limit = width * math.sqrt(weight / (2.0 - weight))
    count = _node_count(2.0 * limit / weight) if nodes is None else nodes
    unit_nodes, unit_weights = _nodes(count)
    x, quadrature = limit * unit_nodes, limit * unit_weights / weight

    def row(z: Floats) -> Floats:
        return normal_pdf((x[None, :] - (1.0 - weight) * z[:, None]) / weight - shift) * quadrature[None, :]

    solution = np.linalg.solve(np.eye(count) - row(x), np.ones(count))
    return float(_bounded(1.0 + row(np.zeros(1)) @ solution)[0])


def shewhart_run_length(width: float, shift: float = 0.0) -> float:
    """Return the average run length of limits on single values, `width` standard deviations either side.

    Examples
    --------
    >>> round(shewhart_run_length(3.0), 1), round(shewhart_run_length(3.0, 1.0), 1)
    (370.4, 43.9)
    """
    inside = normal_cdf(width - shift) - normal_cdf(-width - shift)
    return float(1.0 / (1.0 - inside))


def siegmund_run_length(slack: float, limit: float, shift: ArrayLike = 0.0, *, sides: Sides = "two") -> Floats:
    r"""Return Siegmund's approximation for a CUSUM: quick, and within one or two per cent.

    Notes
    -----
    :math:`(e^{-2\Delta b} + 2\Delta b - 1) / 2\Delta^2` with :math:`b = h + 1.166`, :math:`\Delta = \delta - k`; both
    sides by the sum of reciprocals.

    Examples
    --------
    >>> siegmund_run_length(0.5, 5.0, [0.0, 1.0]).round(1)
    array([469.1,  10.3])
    """
    shift = np.asarray(shift, dtype=np.float64)
    up = _siegmund(shift - slack, limit + 1.166)
    if sides == "one":
        return up
    return np.asarray(1.0 / (1.0 / up + 1.0 / _siegmund(-shift - slack, limit + 1.166)))


def _siegmund(drift: Floats, reach: float) -> Floats:
    # Without drift the expression's limit is the square of the reach.
    small = np.abs(drift) < 1e-6
    safe = np.where(small, 1.0, drift)
    return np.where(small, reach**2, (np.exp(-2.0 * safe * reach) + 2.0 * safe * reach - 1.0) / (2.0 * safe**2))
