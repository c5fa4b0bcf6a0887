"""Which source makes the raised lines: wheel, driveshaft, joint, yoke, centre bearing, mesh, bearing, engine.

A line tells its own source only where no other source's line lies within ``RESOLUTION_ORDERS`` in the gear driven
(:func:`axlewright_models.orders.source_orders`). So every order line keeps a second average, of the minutes in which it
stood alone. A raised line that is quiet when alone belongs to its neighbour. One that has not been alone since it rose
leaves the question open, and says so (`lines-coincide`): another gear or a coast-down will tell.

Which lines speak for which source is common practice, no published source:

* wheel and tyre: wheel orders; engine: engine orders; gear mesh: mesh orders; bearing: envelope lines;
* driveshaft: once per turn alone is unbalance, twice (and four times) alone is the joints' angle or phasing;
* once and twice together is play: a worn yoke or spline scatters from minute to minute, as the play settles each time
  in another place; a centre bearing shakes most at low speed. If neither is clear, both are named, and `ambiguous`
  as well.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from axlewright_models.signals import ENVELOPE_CHANNELS, ORDER_CHANNELS
from axlewright_server.detectors.table import AxleTable

SOURCES = (
    "source-wheel",
    "source-driveshaft-unbalance",
    "source-joint-angle",
    "source-worn-yoke",
    "source-centre-bearing",
    "source-gear-mesh",
    "source-bearing",
    "source-engine",
    "ambiguous",
    "lines-coincide",
)
RESOLUTION_ORDERS = 0.05
"""Own choice: two lines nearer than this, in turns of the wheel, are not told apart in windows of ten seconds."""
SCATTER = 0.3
LOW_SPEED_RISE = 0.3
ALONE = 10
"""Minutes in which a line must have stood alone before it is believed either way."""

_NAMES = tuple(name.rsplit("/", 1)[-1] for name in ORDER_CHANNELS)
_ORDERS = len(ORDER_CHANNELS)
_LINES = _ORDERS + len(ENVELOPE_CHANNELS)
_OF_WHEEL, _OF_SHAFT, _OF_ENGINE, _OF_MESH = (
    np.array([name.startswith(kind) for name in _NAMES]) for kind in ("wheel", "driveshaft", "engine", "mesh")
)
_MULTIPLE = np.array([float(name.rsplit("-", 1)[-1]) for name in _NAMES])
FIRST, SECOND = _NAMES.index("driveshaft-1"), _NAMES.index("driveshaft-2")
_FOURTH = _NAMES.index("driveshaft-4")


def alone(table: AxleTable, axles: NDArray[np.int64], gear: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return which order lines stand apart from all others in the gear driven, (n, order lines).

    An unknown gear leaves the engine's orders unknown: then no line is sure to be alone.
    """
    ratio, ring = table.ratio[axles][:, None], table.ring_teeth[axles][:, None]
    turns = np.abs(gear)[:, None] * ratio
    scale = np.where(_OF_SHAFT, ratio, np.where(_OF_ENGINE, turns, np.where(_OF_MESH, ring, 1.0)))
    orders = _MULTIPLE * scale
    apart = np.abs(orders[:, :, None] - orders[:, None, :]) > RESOLUTION_ORDERS
    # With NaN the comparison is False: not known to be apart.
    apart |= np.eye(_ORDERS, dtype=bool)
    return np.asarray(apart.all(axis=2))


def attribute(
    raised: NDArray[np.bool_],
    lone_average: NDArray[Any],
    lone_count: NDArray[Any],
    least: NDArray[Any],
    scatter: NDArray[Any],
    low_speed_rise: NDArray[Any],
) -> NDArray[np.bool_]:
    """Return which of :data:`SOURCES` stand, (n, 10).

    Parameters
    ----------
    raised : ndarray of bool, shape (n, lines)
        Order lines, then envelope lines, that are raised.
    lone_average, lone_count : ndarray, shape (n, order lines)
        Averaged log-ratio in minutes in which the line stood alone, and how many of these there were since it rose.
    least : ndarray, shape (n,)
        Log-ratio from which on a lone line counts as raised.
    scatter, low_speed_rise : ndarray, shape (n,)
        Standard deviation of the shaft's first order from minute to minute, and how much more it has risen at low speed
        than at high (both of the log-ratio).
    """
    orders = raised[:, :_ORDERS]
    judged = lone_count >= ALONE
    open_question = orders & ~judged
    own = orders & (~judged | (lone_average > least[:, None]))
    wheel, mesh, engine = (np.asarray((own & kind).any(axis=1)) for kind in (_OF_WHEEL, _OF_MESH, _OF_ENGINE))
    first, second = own[:, FIRST], own[:, SECOND] | own[:, _FOURTH]
    play = first & second
    loose_yoke, loose_centre = play & (scatter > SCATTER), play & (low_speed_rise > LOW_SPEED_RISE)
    unclear = play & (loose_yoke == loose_centre)
    bearing = raised[:, _ORDERS:_LINES].any(axis=1)
    found = np.stack(
        [
            wheel,
            first & ~second,
            second & ~first,
            (play & loose_yoke) | unclear,
            (play & loose_centre) | unclear,
            mesh,
            bearing,
            engine,
            unclear,
            open_question.any(axis=1),
        ],
        axis=1,
    )
    # What lies upon the raised line may be the one that shakes.
    found[:, 8] |= open_question.any(axis=1)
    return np.asarray(found)
