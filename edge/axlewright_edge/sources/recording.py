"""A recorded waveform handed out as if it were measured now."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import cast

import numpy as np
from numpy.typing import NDArray

from axlewright_edge.clock import Clock
from axlewright_edge.errors import SourceError
from axlewright_edge.sources.blocks import Block, Piece, Sample
from axlewright_edge.sources.recording_settings import RecordingSettings, problems
from axlewright_edge.sources.waveform_form import Recorded, read_recording
from axlewright_models.wire.messages import SourceHealth

# Of the record, at a time.
PIECE_S = 0.25
# A vehicle bus tells speeds about so often.
VALUE_EVERY_S = 0.1


class RecordingSource:
    """Pieces of a recorded waveform, and the speeds recorded beside it.

    Parameters
    ----------
    settings : RecordingSettings
        Which file, and how to understand it. `speed` 0 reads as fast as it is asked to; times of pieces are those of
        the recording, counted from the opening, so that a fast one runs ahead of the clock.
    clock : Clock
        Sets the pace.
    wait : callable
        Waits for some seconds.

    Raises
    ------
    SourceError
        The settings contradict each other.
    """

    def __init__(self, settings: RecordingSettings, clock: Clock, wait: Callable[[float], object] = time.sleep) -> None:
        for problem in problems(settings, "recording"):
            raise SourceError(problem)
        self._settings = settings
        self._clock = clock
        self._wait = wait
        self._recorded: Recorded | None = None
        self._begin_s = 0.0
        self._place = 0
        self.finished = False

    @property
    def name(self) -> str:
        """What it is called in status and errors."""
        return f"recording {self._settings.name or Path(self._settings.file).name}"

    def open(self) -> None:
        """Read the file; the recording begins now.

        Raises
        ------
        SourceError
            The file cannot be read, or does not hold what the settings say.
        """
        self._recorded = read_recording(Path(self._settings.file), self._settings)
        self._begin()
        self.finished = False

    def read(self, timeout_s: float) -> Block:
        """Return the next piece of every sensor once it is due."""
        recorded = self._recorded
        if recorded is None or self.finished:
            return Block()
        size = recorded.samples.shape[1]
        last = min(self._place + max(round(PIECE_S * recorded.rate_hz), 1), size)
        ahead_s = self._ahead_s(last / recorded.rate_hz)
        if ahead_s > 0.0:
            self._wait(min(ahead_s, timeout_s))
            if self._ahead_s(last / recorded.rate_hz) > 0.0:
                return Block()
        block = self._block(recorded, self._place, last)
        self._place = last
        if last == size:
            self._end(recorded)
        return block

    def health(self) -> SourceHealth:
        """Return how far it is."""
        if self._recorded is None:
            return SourceHealth(name=self.name, state="stale", note="not open")
        at_s = self._place / self._recorded.rate_hz
        return SourceHealth(name=self.name, state="ok", note=f"{at_s:.0f} of {self._recorded.seconds:.0f} s")

    def close(self) -> None:
        """Let go of the recording."""
        self._recorded = None

    def sensor_names(self, recorded: Recorded) -> list[str]:
        """Return the names of its sensors within the truck."""
        stem = self._settings.name or Path(self._settings.file).stem
        return [f"{stem}/{sensor}" for sensor in recorded.sensors]

    def _begin(self) -> None:
        self._begin_s = self._clock.elapsed()
        self._place = 0

    def _end(self, recorded: Recorded) -> None:
        if not self._settings.repeat:
            self.finished = True
            return
        # The next round follows on without a gap.
        self._begin_s += recorded.seconds
        self._place = 0

    def _ahead_s(self, record_s: float) -> float:
        """Return how long the clock must still run before that much of the record is due."""
        if self._settings.speed == 0.0:
            return 0.0
        return record_s / self._settings.speed - (self._clock.elapsed() - self._begin_s)

    def _block(self, recorded: Recorded, first: int, last: int) -> Block:
        begin_s = self._begin_s + first / recorded.rate_hz
        part = recorded.samples[:, first:last]
        pieces = [
            Piece(name, self._settings.axle, "acceleration", begin_s, recorded.rate_hz, row, 0, _clipped(row, recorded))
            for name, row in zip(self.sensor_names(recorded), part, strict=True)
        ]
        if recorded.turns is not None:
            # Turns keep their double precision: after an hour a float32 would be off by a hundredth of a turn.
            turns = cast(NDArray[np.float32], recorded.turns[first:last])
            name = f"{self._settings.name or Path(self._settings.file).stem}/turns"
            pieces.append(Piece(name, 0, "tacho", begin_s, recorded.rate_hz, turns))
        return Block(self._values(recorded, first, last), pieces)

    def _values(self, recorded: Recorded, first: int, last: int) -> list[Sample]:
        step = max(round(VALUE_EVERY_S * recorded.rate_hz), 1)
        # The last sample too: without it nobody knows how the shaft turned to the very end.
        at = sorted(
            {*range(first + -first % step, last, step), *({last - 1} if last == recorded.samples.shape[1] else ())}
        )
        told = (("shaft-speed", recorded.shaft_speed), ("speed", recorded.road_speed))
        return [
            Sample(0, channel, float(values[place]), self._begin_s + place / recorded.rate_hz)
            for channel, values in told
            if values is not None
            for place in at
        ]


def _clipped(samples: NDArray[np.float32], recorded: Recorded) -> int:
    if recorded.full_scale is None:
        return 0
    return int((np.abs(samples) >= 0.999 * recorded.full_scale).sum())
