"""Windows out of what several sources have sent, without threads and without a clock: times go in, windows come out.

The shaft's angle, which the orders need, comes from the best witness at hand: a tacho on the shaft; else the
transmission's output speed from the vehicle bus; else road speed, tyre and axle ratio, which is off by tyre wear.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from axlewright_edge.features import Waveform
from axlewright_edge.sources.blocks import Block, Piece
from axlewright_edge.sources.heard import Heard, Latest
from axlewright_edge.sources.pieces import Cut, Pieces
from axlewright_models.spec import VehicleSpec
from axlewright_models.vibration.angle import turns_from_speed
from axlewright_models.vibration.from_spec import ROAD_SPEED_TOLERANCE

# Speeds further apart than this leave the angle between them to guesswork. Own choice.
WIDEST_SPEED_GAP_S = 1.0
# A window of which less was recorded gives no waveform. Own choice.
LEAST_RECORDED = 0.5
# Sensors on converters of their own never run quite alike; further apart, the shaft's angle of one is not the other's.
SAME_RATE = 0.01
SAME_BEGIN_S = 0.05
LEAST_OF_LONGEST = 0.8
# Of a sample: what lies closer was taken at the same instant, apart from rounding.
SAME_SAMPLE = 1e-3


@dataclass(frozen=True)
class Made:
    """A window's values by axle (0 is the vehicle), and the waveforms from which more can be told."""

    end_s: float
    values: dict[int, dict[str, float]]
    waveforms: tuple[Waveform, ...]


class WindowMaker:
    """Gathers blocks and cuts windows out of them.

    Parameters
    ----------
    vehicle : VehicleSpec
        For the ratio between wheels and driveshaft.
    stale_s : mapping of str to float
        Own staleness limits of channels. [s]
    full_scale : mapping of str to float
        End of the range of sensors, where it is known. [m/s2]

    Examples
    --------
    >>> from axlewright_edge.sources.blocks import Sample
    >>> maker = WindowMaker(VehicleSpec(id="t-1", type="tractor"), {}, {})
    >>> maker.add(0, Block(values=[Sample(0, "speed", 80.0, 3.0)]))
    >>> maker.make(0.0, 10.0).values
    {}
    >>> maker.make(-5.0, 5.0).values
    {0: {'speed': 80.0}}
    """

    def __init__(self, vehicle: VehicleSpec, stale_s: Mapping[str, float], full_scale: Mapping[str, float]) -> None:
        self._vehicle = vehicle
        self._full_scale = full_scale
        self._heard = Heard(stale_s)
        self._pieces = Pieces()

    def add(self, source: int, block: Block) -> None:
        """Take what a source, counted from 0, has read."""
        self._heard.add(source, block.values)
        self._pieces.add(block.pieces)

    def make(self, begin_s: float, end_s: float) -> Made:
        """Return the window between two times; what was not heard is left out."""
        values = self._heard.window(begin_s, end_s)
        gear = values.get(0, {}).get("gear", 0.0)
        waveforms = [
            waveform
            for axle in self._pieces.axles()
            if (waveform := self._waveform(axle, begin_s, end_s, gear if gear > 0.0 else None)) is not None
        ]
        return Made(end_s, values, tuple(waveforms))

    def waveform_axles(self) -> list[int]:
        """Return the axles with an accelerometer."""
        return self._pieces.axles()

    def waveform(self, axle: int, begin_s: float, end_s: float) -> Waveform | None:
        """Return the raw waveform of an axle over a stretch of time; None when less than half of it was recorded."""
        return self._waveform(axle, begin_s, end_s, None)

    def latest(self, now_s: float) -> list[Latest]:
        """Return the newest value of every channel."""
        return list(self._heard.latest(now_s))

    def newest_pieces(self) -> dict[str, Piece]:
        """Return each sensor's newest piece of waveform."""
        return self._pieces.newest()

    def recent(self, axle: int, begin_s: float, end_s: float) -> list[Piece]:
        """Return an axle's raw pieces, and the tacho's, of a stretch of time."""
        return self._pieces.between(axle, begin_s, end_s)

    def forget(self, values_before_s: float, pieces_before_s: float) -> None:
        """Drop what no window and no burst can need any more."""
        self._heard.forget(values_before_s)
        self._pieces.forget(pieces_before_s)

    def _waveform(self, axle: int, begin_s: float, end_s: float, gear_ratio: float | None) -> Waveform | None:
        cuts = [self._pieces.cut(sensor, begin_s, end_s) for sensor in self._pieces.sensors("acceleration", axle)]
        found = _alike([cut for cut in cuts if cut is not None])
        size = min((cut.samples.size for cut in found), default=0)
        if not found or size < max(2.0, LEAST_RECORDED * (end_s - begin_s) * found[0].rate_hz):
            return None
        times = found[0].times[:size]
        turns, tolerance = self._turns(axle, times)
        scales = [self._full_scale[cut.sensor] for cut in found if cut.sensor in self._full_scale]
        return Waveform(
            axle=axle,
            rate_hz=found[0].rate_hz,
            samples=np.stack([cut.samples[:size] for cut in found]),
            begin_elapsed_s=found[0].begin_s,
            turns=turns,
            turns_tolerance=tolerance,
            gear_ratio=gear_ratio,
            missing=sum(cut.missing for cut in found),
            clipped=sum(cut.clipped for cut in found),
            # One number stands for all sensors: only where they agree is it known.
            sensors=tuple(cut.sensor for cut in found),
            full_scale=scales[0] if len(scales) == len(found) and len(set(scales)) == 1 else None,
        )

    def _turns(self, axle: int, times: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
        """Return the driveshaft's turns at each time and their relative error; all alike when nobody knows."""
        begin_s, end_s = float(times[0]), float(times[-1])
        for sensor in self._pieces.sensors("tacho"):
            cut = self._pieces.cut(sensor, begin_s - 1.0, end_s + 1.0)
            if cut is not None and _covers(cut.times, begin_s, end_s) and np.isfinite(cut.samples).all():
                return _at(times, cut), 0.0
        per_km = self._vehicle.tyre.revolutions_per_km * self._vehicle.axle(axle).ratio
        for channel, to_hz, tolerance in (
            ("shaft-speed", 1.0 / 60.0, 0.0),
            ("speed", per_km / 3600.0, ROAD_SPEED_TOLERANCE),
        ):
            speed = self._heard.stretch(0, channel, begin_s - WIDEST_SPEED_GAP_S, end_s + WIDEST_SPEED_GAP_S)
            if _covers(speed.times, begin_s, end_s):
                kept = np.concatenate([np.diff(speed.times) > 0.0, [True]])
                return turns_from_speed(to_hz * speed.values[kept], speed.times[kept], times), tolerance
        return np.zeros(times.size), 0.0


def _at(times: NDArray[np.float64], cut: Cut) -> NDArray[np.float64]:
    """Return a cut at these times: its very samples where it was taken at them, else straight lines between."""
    first = (times[0] - cut.begin_s) * cut.rate_hz
    place = round(float(first))
    apart = abs(first - place) + abs((times[-1] - times[0]) * cut.rate_hz - (times.size - 1))
    if apart < SAME_SAMPLE and 0 <= place <= cut.samples.size - times.size:
        return cut.samples[place : place + times.size].astype(np.float64)
    return np.interp(times, cut.times, cut.samples.astype(np.float64))


def _covers(known: NDArray[np.float64], begin_s: float, end_s: float) -> bool:
    """Return whether readings at these times leave no gap that is too wide between two times."""
    if known.size < 2:
        return False
    inside = np.concatenate([[begin_s], known[(known > begin_s) & (known < end_s)], [end_s]])
    ends_near = known[0] <= begin_s + WIDEST_SPEED_GAP_S and known[-1] >= end_s - WIDEST_SPEED_GAP_S
    return bool(ends_near and np.diff(inside).max() <= WIDEST_SPEED_GAP_S)


def _alike(cuts: list[Cut]) -> list[Cut]:
    """Return the longest cut and those of its rate that begin with it; one waveform has one rate and one begin.

    A sensor that fell silent early is left out: the others are not cut down to it.
    """
    if not cuts:
        return []
    longest = max(cuts, key=lambda cut: cut.samples.size / cut.rate_hz)
    return [
        cut
        for cut in cuts
        if abs(cut.rate_hz / longest.rate_hz - 1.0) < SAME_RATE
        and abs(cut.begin_s - longest.begin_s) < SAME_BEGIN_S
        and cut.samples.size >= LEAST_OF_LONGEST * longest.samples.size
    ]
