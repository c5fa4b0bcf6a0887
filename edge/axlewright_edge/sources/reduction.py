"""How the values that came within a window become one value of it.

Which rule a channel follows is own choice, by what the value is for: a height swings with the road and is read at its
middle, a temperature is averaged, a flag is the share of the window in which it was set, a word is the last one heard.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from axlewright_models.signals import CHANNELS, HIGH, INDEX, LOW
from axlewright_models.vibration.middle import median

Array = NDArray[np.float64]
# How long a value is taken as the present one after it was heard: several times the slowest usual repetition rate.
# Own choice; temperatures and the odometer change slowly and may be sent every few seconds.
STALE_AFTER_S = 5.0
SLOW_STALE_AFTER_S = 30.0
SLOW = frozenset({"lube", "ambient", "odometer", "lube-level"})
# Control units sleep with the ignition off, but a parking brake that was set stays set. Own choice: a long weekend.
PARKED_HOLDS_S = 4 * 24 * 3600.0
# A slope over a mere window would be made of the sensor's own steps (1 K or less in 10 s); a minute is not.
SLOPE_OVER_S = 60.0
# Fewer readings, or a shorter stretch of the minute, and no slope is claimed. Own choice.
FEWEST_FOR_SLOPE = 5
SHORTEST_FOR_SLOPE_S = 30.0
# Makes the median distance from the median the standard deviation of a normal spread: 1 / 0.6745.
NORMAL_SPREAD = 1.4826


@dataclass(frozen=True)
class Stretch:
    """What was heard of one channel: times rising [s] and values, from before the window's begin to its end."""

    times: Array
    values: Array

    def between(self, begin_s: float, end_s: float) -> Stretch:
        """Return the part with ``begin_s < time <= end_s``."""
        first, last = np.searchsorted(self.times, (begin_s, end_s), side="right")
        return Stretch(self.times[first:last], self.values[first:last])


def stale_after_s(channel: str, own: Mapping[str, float], value: float = 0.0) -> float:
    """Return how old a channel's value may be. [s]

    Examples
    --------
    >>> stale_after_s("lube", {}), stale_after_s("speed", {}), stale_after_s("speed", {"speed": 2.0})
    (30.0, 5.0, 2.0)
    >>> stale_after_s("parked", {}, 0.0), stale_after_s("parked", {}, 1.0) / 3600.0
    (5.0, 96.0)
    """
    if channel in own:
        return own[channel]
    if channel == "parked" and value > 0.5:
        return PARKED_HOLDS_S
    return SLOW_STALE_AFTER_S if channel in SLOW else STALE_AFTER_S


def plausible(channel: str, values: Array) -> NDArray[np.bool_]:
    """Return which values lie within the channel's limits; all, for a name in no channel table."""
    number = INDEX.get(channel)
    if number is None:
        return np.ones(values.shape, dtype=np.bool_)
    return np.asarray((values >= LOW[number]) & (values <= HIGH[number]))


def reduce(channel: str, stretch: Stretch, begin_s: float, end_s: float, stale_s: float) -> dict[str, float]:
    """Return what a window says of one channel: nothing, its value, or its value and what goes with it.

    Parameters
    ----------
    channel : str
        Name of ``models.signals``, or one of no table.
    stretch : Stretch
        What was heard, older values than the window's included.
    begin_s, end_s : float
        Of the window. [s]
    stale_s : float
        A value older than this at the window's end says nothing any more. [s]

    Returns
    -------
    dict of str to float
        Empty when the channel was silent for too long: silence is never nought.

    Examples
    --------
    >>> heard = Stretch(np.array([1.0, 2.0, 3.0]), np.array([240.0, 246.0, 243.0]))
    >>> reduce("height/left", heard, 0.0, 10.0, 30.0)
    {'height/left': 243.0, 'height/left-spread': 4.4478}
    >>> reduce("speed", heard, 0.0, 10.0, 5.0)
    {}
    """
    known = stretch.between(-np.inf, end_s)
    if known.times.size == 0 or end_s - known.times[-1] > stale_s:
        return {}
    # A single wild value must not pull a whole window: it counts only where there is nothing better, and is then
    # sent as it is, for the office to flag.
    good = plausible(channel, known.values)
    inside = known.between(begin_s, end_s)
    if good.any() and end_s - known.times[good][-1] <= stale_s:
        known = Stretch(known.times[good], known.values[good])
        inside = known.between(begin_s, end_s)
    if inside.times.size == 0:
        inside = Stretch(known.times[-1:], known.values[-1:])
    return _RULES.get(channel, _mean)(channel, inside, known, begin_s, end_s)


_Rule = Callable[[str, Stretch, Stretch, float, float], dict[str, float]]


def _mean(channel: str, inside: Stretch, known: Stretch, begin_s: float, end_s: float) -> dict[str, float]:
    return {channel: float(inside.values.mean())}


def _last(channel: str, inside: Stretch, known: Stretch, begin_s: float, end_s: float) -> dict[str, float]:
    return {channel: float(inside.values[-1])}


def _height(channel: str, inside: Stretch, known: Stretch, begin_s: float, end_s: float) -> dict[str, float]:
    middle = float(median(inside.values))
    found = {channel: middle}
    if inside.values.size >= 3:
        found[f"{channel}-spread"] = NORMAL_SPREAD * float(median(np.abs(inside.values - middle)))
    return found


def _share(channel: str, inside: Stretch, known: Stretch, begin_s: float, end_s: float) -> dict[str, float]:
    """Weigh each state by how long it held: a flag may be sent only when it changes."""
    before = known.between(-np.inf, begin_s)
    times, states = inside.times, inside.values
    if inside.times[0] <= begin_s:
        times = np.array([begin_s])
    elif before.times.size:
        times, states = np.concatenate([[begin_s], times]), np.concatenate([before.values[-1:], states])
    lengths = np.diff(np.concatenate([times, [end_s]]))
    total = float(lengths.sum())
    return {channel: float((lengths * states).sum() / total) if total > 0.0 else float(states[-1])}


def _lube(channel: str, inside: Stretch, known: Stretch, begin_s: float, end_s: float) -> dict[str, float]:
    found = _mean(channel, inside, known, begin_s, end_s)
    lately = known.between(end_s - SLOPE_OVER_S, end_s)
    if lately.times.size >= FEWEST_FOR_SLOPE and lately.times[-1] - lately.times[0] >= SHORTEST_FOR_SLOPE_S:
        times = lately.times - lately.times.mean()
        found["lube/slope"] = 60.0 * float((times * lately.values).sum() / (times**2).sum())
    return found


_RULES: dict[str, _Rule] = {
    **{channel.name: _share for channel in CHANNELS if channel.unit == "flag"},
    **{channel.name: _last for channel in CHANNELS if channel.unit in {"word", "bits"}},
    "gear": _last,
    "odometer": _last,
    "height/left": _height,
    "height/right": _height,
    "lube": _lube,
}
