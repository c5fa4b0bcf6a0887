"""The values that a truck's sources have sent lately, and what a window says of them."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from axlewright_edge.sources.blocks import Sample
from axlewright_edge.sources.reduction import SLOPE_OVER_S, Stretch, plausible, reduce, stale_after_s
from axlewright_models.signals import CHANNELS

# 1000 values a second for two minutes: a source gone wild fills no memory.
MOST_VALUES = 120_000
_DERIVED = frozenset(channel.name for channel in CHANNELS if channel.derived)


@dataclass(frozen=True)
class Latest:
    """The newest value of a channel, for people who look at it; ``source`` counts the sources from 0."""

    source: int
    axle: int
    channel: str
    value: float
    age_s: float
    plausible: bool
    stale: bool


class Heard:
    """Keeps values until no window to come can need them.

    Where two sources send the same channel of the same axle, the first one in order of the sources has the word, and
    the next one steps in when it has gone stale.

    Parameters
    ----------
    stale_s : mapping of str to float
        Own staleness limits of channels. [s]

    Examples
    --------
    >>> heard = Heard({})
    >>> heard.add(0, [Sample(2, "lube", 91.0, 4.0), Sample(2, "lube", 92.0, 8.0), Sample(0, "speed", 80.0, 8.0)])
    >>> heard.window(0.0, 10.0)
    {2: {'lube': 91.5}, 0: {'speed': 80.0}}
    >>> heard.window(10.0, 20.0)
    {2: {'lube': 92.0}}
    """

    def __init__(self, stale_s: Mapping[str, float]) -> None:
        self._stale_s = stale_s
        self._values: dict[tuple[int, str], dict[int, deque[tuple[float, float]]]] = {}

    def add(self, source: int, samples: Iterable[Sample]) -> None:
        """Take what a source has sent; a value that is no number is left out."""
        for sample in samples:
            if not np.isfinite(sample.value) or sample.channel in _DERIVED:
                continue
            by_source = self._values.setdefault((sample.axle, sample.channel), {})
            by_source.setdefault(source, deque(maxlen=MOST_VALUES)).append((sample.elapsed_s, sample.value))

    def window(self, begin_s: float, end_s: float) -> dict[int, dict[str, float]]:
        """Return the channels of a window, by axle (0 is the vehicle); silent ones are left out."""
        found: dict[int, dict[str, float]] = {}
        for (axle, channel), by_source in self._values.items():
            for source in sorted(by_source):
                limit_s = stale_after_s(channel, self._stale_s, by_source[source][-1][1])
                told = reduce(channel, _stretch(by_source[source]), begin_s, end_s, limit_s)
                if told:
                    found.setdefault(axle, {}).update(told)
                    break
        return found

    def stretch(self, axle: int, channel: str, begin_s: float, end_s: float) -> Stretch:
        """Return the plausible values of a channel within a stretch of time, from the first source that has any."""
        for _, values in sorted(self._values.get((axle, channel), {}).items()):
            inside = _stretch(values).between(begin_s, end_s)
            good = plausible(channel, inside.values)
            if good.any():
                return Stretch(inside.times[good], inside.values[good])
        return Stretch(np.empty(0), np.empty(0))

    def latest(self, now_s: float) -> Iterator[Latest]:
        """Yield the newest value of every channel of every source."""
        for (axle, channel), by_source in sorted(self._values.items()):
            for source, values in sorted(by_source.items()):
                time_s, value = values[-1]
                limit_s = stale_after_s(channel, self._stale_s, value)
                good = bool(plausible(channel, np.array([value]))[0])
                yield Latest(source, axle, channel, value, now_s - time_s, good, now_s - time_s > limit_s)

    def forget(self, before_s: float) -> None:
        """Drop values from before a time; a channel's newest one stays, and a minute of lube temperature does."""
        for (_, channel), by_source in self._values.items():
            limit_s = before_s - max(stale_after_s(channel, self._stale_s), SLOPE_OVER_S if channel == "lube" else 0.0)
            for values in by_source.values():
                while len(values) > 1 and values[0][0] < limit_s:
                    values.popleft()


def _stretch(values: deque[tuple[float, float]]) -> Stretch:
    pairs = np.array(values, dtype=np.float64)
    if np.any(np.diff(pairs[:, 0]) < 0.0):
        pairs = pairs[np.argsort(pairs[:, 0], kind="stable")]
    return Stretch(pairs[:, 0], pairs[:, 1])
