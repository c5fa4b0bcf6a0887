"""What an axle's driveshaft read before a repair: held against the repair until the new normal is learnt.

A repair of the shaft, its joints or its centre bearing leaves the axle's sensor, housing and gears in place. So the
lines of the shaft are learnt anew, but what they read before tells how high a shaft in order may stand on this very
axle: the old baseline is kept as what is expected, a sister of one, and a line is judged by how far it stands beyond
its ``ROOM``. A shaft put back out of balance or out of phase is told then, and not learnt as normal; so is a repair
that didn't mend what it was for. Tyres are not held so: a new set is another make as a rule, changed often, and has
three lines that may each stand high.

The room. Residual unbalance is the sum of many vectors (tube, yokes, clearances), each of any direction, so that
its two components are about normal and its amount is about Rayleigh-distributed. The ratio of two independent ones
exceeds r with probability 1 / (1 + r^2): a ratio of two exponential variables beyond r^2. That is the worst case of a
repair: everything new, and no noise nor flange nor gearbox in the line, which stay and hold the ratio nearer to one. Of
``BEYOND`` = one in ten healthy shafts (own choice) the line stands beyond its room, three times the old; the limit
comes on top, so that one in nineteen at most is told, and shakes four times as hard as the one before. What shakes
twice and four times per turn are the joints' angles, which frame and axle hold: these vary less, and get the same room.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from axlewright_models.signals import ORDER_CHANNELS
from axlewright_server.detectors.base import State

HOLDS = frozenset({"driveshaft", "joint", "centre-bearing"})
"""Repairs after which the shaft's old baseline still tells what to expect."""
RENEWS = frozenset({"vibration-sensor", "carrier-assembly", "gear-set", "bearing"})
"""Work beside them after which it doesn't: what carries the shaking to the sensor is another one."""
BEYOND = 0.1
ROOM = 0.5 * float(np.log(1.0 / BEYOND - 1.0))
"""Log-ratio beyond which a healthy new shaft stands above the old one with probability ``BEYOND`` at most."""
LINES = np.array(
    [place for place, name in enumerate(ORDER_CHANNELS) if name.startswith("vib/order/driveshaft-")], dtype=np.int64
)
"""Columns of the vibration detector's lines that are held."""


def fields(cells: int) -> list[tuple[str, str, tuple[int, int]]]:
    """Return the structured fields that this needs in the vibration detector's records."""
    return [("before_mean", "f4", (cells, len(LINES))), ("before_spread", "f4", (cells, len(LINES)))]


def clear(records: State) -> None:
    """Set records to "nothing known from before a repair"."""
    records["before_mean"] = np.nan
    records["before_spread"] = np.nan


def keep(records: State, touched: frozenset[str], learning: int) -> None:
    """Keep the shaft's baselines in the cells that are learnt, before they are forgotten.

    What is still held from an earlier repair stays where the new normal is not learnt yet: that repair isn't proved.

    Parameters
    ----------
    records : structured array
        Changed in place; the first half of its cells are those of lines that stand apart.
    touched : frozenset of str
        What the repair touched.
    learning : int
        Observations that make a baseline.
    """
    if touched & RENEWS:
        clear(records)
        return
    if not touched & HOLDS:
        return
    count, mean, m2 = (records[field][:, :, LINES] for field in ("count", "mean", "m2"))
    learnt = count >= learning
    spread = np.sqrt(m2 / np.maximum(count - np.float32(1.0), np.float32(1.0)))
    half = count.shape[1] // 2
    for field, values in (("before_mean", mean), ("before_spread", spread)):
        kept = np.where(learnt, values, records[field])
        # Alone a line is not higher than with another upon it, so that baseline will do where there is no other.
        kept[:, :half] = np.where(np.isnan(kept[:, :half]), kept[:, half:], kept[:, :half])
        records[field] = kept


def expected(records: State, cell: NDArray[np.int64]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return mean and spread of the held lines before the repair, (n, held lines); NaN where nothing is held.

    Parameters
    ----------
    records : structured array, shape (n,)
    cell : ndarray of int, shape (n, held lines)
    """
    place = (np.arange(len(records))[:, None], cell, np.arange(len(LINES))[None, :])
    return records["before_mean"][place], records["before_spread"][place]
