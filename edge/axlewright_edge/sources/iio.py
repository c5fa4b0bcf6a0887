"""Sensors behind Linux Industrial I/O: polled values and buffered waveforms of one device."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from pathlib import Path

from axlewright_edge.clock import Clock
from axlewright_edge.errors import SourceError
from axlewright_edge.sources.blocks import Block, Sample
from axlewright_edge.sources.iio_settings import IioChannelSettings, IioSettings, sensor_name
from axlewright_edge.sources.iio_stream import IioStream
from axlewright_edge.sources.iio_sysfs import Conversion, conversion_of, find_device, read_number
from axlewright_models.wire.messages import SourceHealth

# A channel that failed so often in a row is said to be silent; one failure is a thermocouple's hiccup. Own choice.
SILENT_AFTER = 3


class IioSource:
    """One Industrial I/O device.

    Parameters
    ----------
    settings : IioSettings
        A table ``[[source.iio]]`` of the agent file.
    clock : Clock
        Stamps what is read.
    sleep : callable
        Waits for some seconds.
    """

    finished = False

    def __init__(self, settings: IioSettings, clock: Clock, sleep: Callable[[float], object] = time.sleep) -> None:
        self._settings = settings
        self._clock = clock
        self._sleep = sleep
        self._polled: dict[Path, Conversion] = {}
        self._stream: IioStream | None = None
        self._due_s = 0.0
        self._failures: dict[Path, int] = {}
        self._note = ""

    @property
    def name(self) -> str:
        """What it is called in status and errors."""
        return f"iio {self._settings.device}"

    def open(self) -> None:
        """Find the device, read its scales and, if it is buffered, set up its buffer."""
        settings = self._settings
        self.close()
        self._note = ""
        folder = find_device(Path(settings.root), settings.device)
        if settings.mode == "buffered":
            sensors = {channel: sensor_name(settings, channel) for channel in settings.channels}
            self._stream = IioStream(settings, folder, sensors, self._clock)
            self._stream.open()
            return
        self._polled = dict(_polled(folder, channel) for channel in settings.channels)
        self._failures = dict.fromkeys(self._polled, 0)
        self._folder = folder
        self._due_s = self._clock.elapsed()

    def read(self, timeout_s: float) -> Block:
        """Return the scans that have come, or the polled values when they are due."""
        if self._stream is not None:
            return self._stream.read(timeout_s)
        if not self._polled:
            raise SourceError(f"{self.name}: is not open")
        ahead_s = self._due_s - self._clock.elapsed()
        if ahead_s > 0.0:
            self._sleep(min(ahead_s, timeout_s))
            if self._due_s > self._clock.elapsed():
                return Block()
        # After a pause there is nothing to catch up with.
        self._due_s = max(self._due_s + self._settings.every_s, self._clock.elapsed())
        return Block(values=self._poll())

    def health(self) -> SourceHealth:
        """Return which channels are silent, or what the stream says of itself."""
        stream = self._stream
        note = stream.note if stream is not None else self._note
        return SourceHealth(name=self.name, state="stale" if note else "ok", note=note)

    def close(self) -> None:
        """Let go of the device."""
        self._polled = {}
        if self._stream is not None:
            self._stream.close()
            self._stream = None

    def _poll(self) -> list[Sample]:
        samples, silent = [], []
        for path, conversion in self._polled.items():
            channel = conversion.channel
            try:
                value = conversion.calibrated(conversion.in_device_unit(read_number(path)))
                # Taken while the driver answered: the end of it is nearer to the truth than the begin of the round.
                time_s = self._clock.elapsed()
                problem = f"{path}: reads far outside its table; look for a broken wire" if math.isnan(value) else ""
            except SourceError as error:
                # A torn-off thermocouple fails alone (an input/output error); a device that is gone fails whole.
                if not self._folder.exists():
                    raise
                problem = str(error)
            self._failures[path] = self._failures[path] + 1 if problem else 0
            if not problem:
                samples.append(Sample(channel.axle, channel.channel, value, time_s))
            elif self._failures[path] >= SILENT_AFTER:
                silent.append(problem)
        self._note = "; ".join(silent)
        return samples


def _polled(folder: Path, channel: IioChannelSettings) -> tuple[Path, Conversion]:
    """Return the attribute to read, and what its numbers mean; a driver has `_input`, `_raw`, or both."""
    scaled, raw = folder / f"{channel.attribute}_input", folder / f"{channel.attribute}_raw"
    if raw.exists() and (not scaled.exists() or channel.scale is not None):
        return raw, conversion_of(folder, channel, scaled=False)
    if scaled.exists():
        return scaled, conversion_of(folder, channel, scaled=True)
    there = sorted(
        path.name.rsplit("_", 1)[0] for path in folder.glob("in_*") if path.name.endswith(("_raw", "_input"))
    )
    raise SourceError(
        f"{raw}: the device has no such attribute, nor {scaled.name}; it has {', '.join(there) or 'none to poll'}"
    )
