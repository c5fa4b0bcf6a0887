"""What a fault sets shaking besides itself: lube lost through a loose bearing starves the gears, a low frame wears the
joints, a dry bearing flakes. The truth that evaluation holds later names of a source against.

A source shakes in truth when a line of its own is louder than that of a sound axle at the same speed, torque and
temperature by :data:`LOUD`. That is asked of the physics alone, whatever the monitor says.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from axlewright_simulators.thermal import starvation
from axlewright_simulators.troubles import Troubles, joint_growth, mesh_growth, spall_growth
from axlewright_simulators.vibration import dry_bearing_growth, dry_mesh_growth

Array = NDArray[np.float64]
LOUD = 2.0**0.5  # 3 dB; own choice
SHAKING = ("gear-mesh", "worn-yoke", "bearing")
"""The sources that wear brings about by itself, words as in a truth file."""


def growth(fill: Array, damage: Array, troubles: Troubles) -> dict[str, Array]:
    """Return the factor by which the loudest line of each source of :data:`SHAKING` has grown since it was sound.

    Parameters
    ----------
    fill, damage : ndarray, shape (t, r)
        Share of a full sump; used life of gears that ran dry.
    troubles : Troubles
        With what wear has made of joints and pinion bearing.

    Examples
    --------
    >>> sound, starved = growth(np.array([[1.0, 0.4]]), np.zeros((1, 2)), Troubles())["gear-mesh"][0]
    >>> float(sound), bool(starved > LOUD)
    (1.0, True)
    """
    dry = starvation(fill)
    first, second = mesh_growth(troubles)
    worse = dry_mesh_growth(dry, damage)
    joint = joint_growth(troubles)
    grown = {
        "gear-mesh": np.maximum(worse * first, worse**2 * second),
        "worn-yoke": np.maximum(*joint),
        "bearing": dry_bearing_growth(dry, damage) + spall_growth(troubles),
    }
    return {source: np.asarray(np.broadcast_to(factor, fill.shape)) for source, factor in grown.items()}
