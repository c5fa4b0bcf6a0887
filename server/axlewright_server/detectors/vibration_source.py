"""Which source makes the raised lines: wheel, driveshaft, joint, yoke, centre bearing, mesh, bearing, engine.

A line tells its own source only where no other source's line lies within ``RESOLUTION_ORDERS`` in the gear driven
(:func:`axlewright_models.orders.source_orders`). So every order line keeps a second average, of the minutes in which it
stood alone. A raised line that is quiet when alone belongs to its neighbour. One that has not been alone since it rose
leaves the question open, and says so (`lines-coincide`): another gear or a coast-down will tell.

Which lines speak for which source is common practice, no published source:

* wheel and tyre: wheel orders; engine: engine orders; gear mesh: mesh orders; bearing: envelope lines;
* driveshaft: once per turn alone and smoothly (no more kurtosis) is unbalance; twice (and four times) alone and
  smoothly is the joints' angle or phasing. Overtones of an unbalance do not make it anything else;
* a weight is lost, and a shaft dented, at once. What has crept for days is unbalance by its line and wear by its
  course: a shaft that wanders in a bearing with play is as smooth while the play is small. It is named unbalance, and
  `ambiguous` as well;
* looseness knocks, and blows raise kurtosis: twice per turn with knocks is play in a yoke or spline, which is thrown
  over twice a turn; once per turn with knocks is a shaft that whirls in a worn centre bearing. Gears that are loud
  give blows of their own, so while a mesh line has risen kurtosis says nothing new of the shaft;
* angles wear the joints: what has been the joints' angle for hours stays so though it knocks, unless four times per
  turn rises more than twice;
* once and twice together is looseness: blows of play are rich in overtones, so four times per turn rises at least as
  much as twice; a shaft on a soft centre bearing describes a smooth orbit, whose overtones rise less, but for those of
  a circle so large that twice has not risen half as much. Between the two, or where four times is not measured: play
  throws the shaft over twice a turn and scatters from minute to minute; whirling goes round once, and a softer support
  moves the shaft's resonance, so that the rise depends on speed. If neither is clear, both are named, and `ambiguous`
  as well;
* one looseness brings the other: in worn splines the shaft whirls as well, and a shaft that whirls wears its splines.
  How once and twice share the rise tells less the further it has gone, so what was told of it for hours while it was
  young stays, unless four times per turn speaks against it;
* once per turn together with a bearing's envelope is a shaft that wanders in its bearing.
"""

from __future__ import annotations

from dataclasses import dataclass
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
_JOINT, _YOKE, _CENTRE = (SOURCES.index(f"source-{name}") for name in ("joint-angle", "worn-yoke", "centre-bearing"))
RESOLUTION_ORDERS = 0.05
"""Own choice: two lines nearer than this, in turns of the wheel, are not told apart in windows of ten seconds."""
SCATTER = 0.3
BY_SPEED = 0.3
OVERTONES = 0.1
"""Own choices, in log-ratios: scatter of play; difference of rises over speed; of four times over twice per turn."""
MOSTLY_ONCE = 0.6
"""Own choice: a whirling shaft goes round once, so twice per turn rises by less than this share of once."""
BARELY_TWICE = 0.5
"""Own choice: where twice per turn rises by less than this share of once, four times is an overtone of once."""
SMALL = 0.3
"""Own choice: a companion that rises by less than this share of the shaft's strongest line is an overtone of it."""
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


@dataclass(frozen=True)
class Signature:
    """How the lines of n axles have risen.

    ``rise``: averaged log-ratio of each line over hours of driving, (n, lines and sums). ``beside``: whether that is
    more than its own scatter makes, a smaller thing than to be raised. NaN and False for lines not measured.
    ``knocks``: the same of kurtosis, (n,). ``scatter``: standard deviation of the shaft's first order from minute to
    minute; ``by_speed``: how much more it has risen at high speed than at low (both of the log-ratio), (n,).
    ``firm``: which of :data:`SOURCES` have been told for hours, (n, 10). ``crept``: the shaft's first order had risen
    for more than a day when it was told first, or has risen on since, (n,).
    """

    rise: NDArray[Any]
    beside: NDArray[np.bool_]
    knocks: NDArray[np.bool_]
    scatter: NDArray[Any]
    by_speed: NDArray[Any]
    firm: NDArray[np.bool_]
    crept: NDArray[np.bool_]


def attribute(
    raised: NDArray[np.bool_],
    lone_average: NDArray[Any],
    lone_count: NDArray[Any],
    least: NDArray[Any],
    signature: Signature,
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
    signature : Signature
    """
    orders = raised[:, :_ORDERS]
    judged = lone_count >= ALONE
    open_question = orders & ~judged
    own = orders & (~judged | (lone_average > least[:, None]))
    wheel, mesh, engine = (np.asarray((own & kind).any(axis=1)) for kind in (_OF_WHEEL, _OF_MESH, _OF_ENGINE))
    envelope = np.asarray(raised[:, _ORDERS:_LINES].any(axis=1))
    shaft = _shaft(own, envelope, signature)
    found = np.stack(
        [
            wheel,
            shaft["unbalance"],
            shaft["joint"],
            shaft["yoke"],
            shaft["centre"],
            mesh,
            envelope | shaft["bearing"],
            engine,
            (shaft["yoke"] & shaft["centre"]) | (shaft["unbalance"] & signature.crept),
            open_question.any(axis=1),
        ],
        axis=1,
    )
    # What lies upon the raised line may be the one that shakes.
    found[:, 8] |= open_question.any(axis=1)
    return np.asarray(found)


def _shaft(own: NDArray[np.bool_], envelope: NDArray[np.bool_], signature: Signature) -> dict[str, NDArray[np.bool_]]:
    """Tell what shakes at the shaft's orders, from the raised ones and from what has risen beside them."""
    rise, beside = signature.rise, signature.beside
    first, second, fourth = own[:, FIRST], own[:, SECOND], own[:, _FOURTH]
    shakes = first | second | fourth
    strongest = np.fmax(np.fmax(rise[:, FIRST], rise[:, SECOND]), rise[:, _FOURTH])
    clearly = beside & (rise > SMALL * strongest[:, None])
    once = shakes & (first | clearly[:, FIRST])
    twice = shakes & (second | clearly[:, SECOND])
    # Four times per turn with once and without twice is an overtone of once.
    twice |= fourth & ~once
    was_joint, was_play, was_whirl = (signature.firm[:, which] for which in (_JOINT, _YOKE, _CENTRE))
    loud_gears = (own[:, _OF_MESH] | clearly[:, :_ORDERS][:, _OF_MESH]).any(axis=1)
    knocks = np.where(loud_gears, was_play | was_whirl, signature.knocks)
    both, only_once, only_twice = once & twice, once & ~twice, twice & ~once
    in_bearing = envelope | beside[:, _ORDERS:_LINES].any(axis=1)
    overtones = rise[:, _FOURTH] - rise[:, SECOND]
    # A circle that has grown large is no pure one: its overtones rise as it does, and play would have lifted twice.
    circles = rise[:, SECOND] < BARELY_TWICE * rise[:, FIRST]
    knocked, smooth = (overtones > OVERTONES) & ~circles, overtones < -OVERTONES
    # NaN where four times per turn is not measured compares as unsure.
    unsure = ~(knocked | smooth)
    rather_play = rise[:, SECOND] > rise[:, FIRST]
    rather_whirl = rise[:, SECOND] < MOSTLY_ONCE * rise[:, FIRST]
    scatters, by_speed = signature.scatter > SCATTER, np.abs(signature.by_speed) > BY_SPEED
    settled = was_play ^ was_whirl
    seems_play = np.where(settled, was_play, rather_play | (scatters & ~rather_whirl))
    seems_whirl = np.where(settled, was_whirl, rather_whirl | (by_speed & ~rather_play))
    play = both & (knocked | (unsure & seems_play))
    whirl = both & (smooth | (unsure & seems_whirl))
    unclear = both & (play == whirl)
    joint = only_twice & (~knocks | (was_joint & ~(overtones > OVERTONES)))
    return {
        "unbalance": only_once & ~knocks & ~in_bearing,
        "joint": joint,
        "yoke": play | unclear | (only_twice & ~joint),
        "centre": whirl | unclear | (only_once & knocks & ~in_bearing),
        "bearing": only_once & in_bearing,
    }
