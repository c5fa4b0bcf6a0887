"""A recorded waveform told window by window, by the functions of the live path."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from axlewright_edge.errors import SourceError
from axlewright_edge.features import Waveform, machine_features
from axlewright_edge.sources.waveform_form import Recorded
from axlewright_models.bearing_decision import Decision, Search
from axlewright_models.bearings import Geometry
from axlewright_models.orders import Train
from axlewright_models.vibration.features import FEWEST_TURNS, Machine, bearing_decisions
from axlewright_models.vibration.quality import MOST_MISSING, fill_gaps
from axlewright_models.wire.frames import Window

# A rest shorter than this part of a window is not told.
LEAST_WINDOW = 0.5


@dataclass(frozen=True)
class Subject:
    """What was recorded.

    Parameters
    ----------
    train : Train or None
        What turns; None: only the driveshaft's own lines and the bearing are known.
    gear_ratio : float or None
        Driven during the recording.
    bearing : Geometry or None
        To look for defects of.
    axle : int
        For the table.
    """

    train: Train | None = None
    gear_ratio: float | None = None
    bearing: Geometry | None = None
    axle: int = 1

    @property
    def turns_per_km(self) -> float | None:
        """Return the driveshaft's turns per kilometre."""
        return None if self.train is None else self.train.revolutions_per_km * self.train.ratio

    def machine(self, tolerance: float) -> Machine:
        """Return the machine for the features."""
        # Any teeth will do where none are known: lines that depend on them are not told.
        return Machine(self.train or Train(313.0, 41, 12), self.gear_ratio, self.bearing, tolerance)

    def tells(self, channel: str) -> bool:
        """Return whether a channel means something without more being known of the truck."""
        return self.train is not None or not channel.startswith(("vib/order/wheel", "vib/order/mesh"))

    @property
    def search(self) -> Search:
        """Return how to look for defects: multiples of shaft and wheel are not counted."""
        return Search() if self.train is None else Search(own_orders=(1.0, 1.0 / self.train.ratio))


@dataclass(frozen=True)
class Told:
    """One window.

    Parameters
    ----------
    begin_s, end_s : float
        Within the recording. [s]
    channels : dict of str to float
        As the live path sends them.
    shaft_hz : float
        Mean speed of the driveshaft. [Hz]
    bearing : Decision or None
        The clearest of all sensors; None without a bearing, when the shaft made too few turns, or when nobody asked.
    """

    begin_s: float
    end_s: float
    channels: dict[str, float]
    shaft_hz: float
    bearing: Decision | None


def describe(recorded: Recorded, subject: Subject, window_s: float = 10.0) -> list[Told]:
    """Return what every window of a recording tells; the first begins with it.

    Raises
    ------
    SourceError
        Road speed is all that is known, and not the truck.
    """
    return list(tell(recorded, subject, window_s))


def tell(recorded: Recorded, subject: Subject, window_s: float = 10.0, *, decide: bool = True) -> Iterator[Told]:
    """Yield the same window by window; `decide`: whether to look for a defect of the bearing by name.

    Raises
    ------
    SourceError
        Road speed is all that is known, and not the truck.
    """
    turns, tolerance = recorded.shaft_turns(subject.turns_per_km)
    for first, last in _stretches(recorded, window_s):
        yield _told(recorded, subject, turns, tolerance, first, last, decide)


def last_end_s(recorded: Recorded, window_s: float) -> float:
    """Return where within a recording its last window ends. [s]"""
    return _stretches(recorded, window_s)[-1][1] / recorded.rate_hz


def _stretches(recorded: Recorded, window_s: float) -> list[tuple[int, int]]:
    size = recorded.samples.shape[1]
    width = max(round(window_s * recorded.rate_hz), 2)
    starts = [first for first in range(0, size, width) if size - first >= LEAST_WINDOW * width] or [0]
    return [(first, min(first + width, size)) for first in starts]


def window_of(told: Told, axle: int, begin: datetime) -> Window:
    """Return a window as a truck sends it, dated by its end (to the microsecond, as a table can hold it)."""
    vehicle = {"shaft-speed": float(60.0 * told.shaft_hz)} if told.shaft_hz > 0.0 else {}
    channels = {name: float(value) for name, value in told.channels.items() if math.isfinite(value)}
    return Window((begin + timedelta(seconds=told.end_s)).timestamp(), vehicle, {axle: channels})


def waveform_of(
    recorded: Recorded, subject: Subject, turns: NDArray[np.float64], tolerance: float, first: int, last: int
) -> Waveform:
    """Return a stretch of a recording as the live path would have cut it."""
    samples = recorded.samples[:, first:last]
    clipped = 0
    if recorded.full_scale is not None:
        clipped = int((np.abs(samples) >= 0.999 * recorded.full_scale).sum())
    return Waveform(
        axle=subject.axle,
        rate_hz=recorded.rate_hz,
        samples=samples,
        begin_elapsed_s=first / recorded.rate_hz,
        turns=turns[first:last],
        turns_tolerance=tolerance,
        gear_ratio=subject.gear_ratio,
        clipped=clipped,
    )


def _told(
    recorded: Recorded,
    subject: Subject,
    turns: NDArray[np.float64],
    tolerance: float,
    first: int,
    last: int,
    decide: bool,
) -> Told:
    waveform = waveform_of(recorded, subject, turns, tolerance, first, last)
    channels = machine_features(waveform, subject.machine(tolerance))
    made = float(waveform.turns[-1] - waveform.turns[0])
    return Told(
        begin_s=first / recorded.rate_hz,
        end_s=last / recorded.rate_hz,
        channels={name: value for name, value in channels.items() if subject.tells(name)},
        shaft_hz=made * recorded.rate_hz / (last - first),
        bearing=_decision(waveform, subject) if decide else None,
    )


def _decision(waveform: Waveform, subject: Subject) -> Decision | None:
    turns = waveform.turns
    if subject.bearing is None or turns[-1] - turns[0] < FEWEST_TURNS or not np.all(np.diff(turns) > 0.0):
        return None
    samples, missing = fill_gaps(waveform.samples)
    usable = samples[missing <= MOST_MISSING]
    if usable.shape[0] == 0:
        return None
    decisions = bearing_decisions(usable, waveform.rate_hz, turns, subject.bearing, subject.search)
    # A named fault before none; then the one that noise explains least.
    return min(decisions, key=lambda one: (one.fault is None, one.suspicions[0].chance if one.suspicions else 1.0))


def verdict(windows: list[Told]) -> str:
    """Return in one sentence what the windows say of the bearing."""
    looked = [window.bearing for window in windows if window.bearing is not None]
    if not looked:
        return "no window could be judged: the shaft made too few turns, or too many samples are missing"
    named = [decision for decision in looked if decision.fault is not None]
    if not named:
        return f"no defect stands out of the noise in {_windows(len(looked))}: {looked[0].reason}"
    faults = sorted({str(decision.fault) for decision in named})
    parts = []
    for fault in faults:
        sure = [decision.sureness for decision in named if decision.fault == fault]
        parts.append(f"{fault} in {len(sure)} of {_windows(len(looked))} (sureness {float(np.median(sure)):.2f})")
    return "; ".join(parts)


def _windows(count: int) -> str:
    return f"{count} window" if count == 1 else f"{count} windows"


def check_window(recorded: Recorded, window_s: float) -> None:
    """Raise when a window makes no sense.

    Raises
    ------
    SourceError
        It is shorter than a second, or than two samples.
    """
    if not 1.0 <= window_s <= 600.0:
        raise SourceError(f"a window of {window_s:g} s; use 1 to 600")
    if recorded.samples.shape[1] < 64:
        raise SourceError(f"{recorded.samples.shape[1]} samples are too few to describe; 64 are the least")
