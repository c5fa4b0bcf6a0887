"""The buffered side of an Industrial I/O device: its buffer set up, its scans read from the character device."""

from __future__ import annotations

import errno
import os
import select
from collections.abc import Mapping
from itertools import pairwise
from pathlib import Path
from typing import cast

import numpy as np
from numpy.typing import NDArray

from axlewright_edge.clock import Clock
from axlewright_edge.errors import SourceError
from axlewright_edge.sources.blocks import Block, Piece, Sample
from axlewright_edge.sources.iio_buffer import Element, Layout, parse_type
from axlewright_edge.sources.iio_settings import IioChannelSettings, IioSettings
from axlewright_edge.sources.iio_sysfs import Conversion, complaint, conversion_of, read_number, read_text, write_text
from axlewright_edge.sources.iio_tacho import PulseCounter
from axlewright_edge.sources.iio_times import GAP_SCANS, Placed, ScanTimes

# The kernel holds so much while the agent is busy elsewhere, and wakes it so often. Own choice.
BUFFER_S = 2.0
WAKE_EVERY_S = 0.1
MOST_BYTES = 1 << 18
# A slow value taken from a fast buffer is averaged to so many a second. Own choice.
VALUES_HZ = 20.0
# Without a scan for so long the stream is said to be silent. Own choice.
SILENT_S = 3.0
# So long a silence is not waited out: somebody may have switched the buffer off, and only opening it anew helps.
REOPEN_AFTER_S = 60.0
# A loss is told for so long.
TOLD_S = 60.0
# Within what is read at once a stamp may be late by an interrupt that had to wait; a longer gap is a loss. Own choice.
LEAST_LOSS_S = 0.005
TIMESTAMP = "in_timestamp"


class IioStream:
    """The scans of one device.

    Parameters
    ----------
    settings : IioSettings
        Of the agent file.
    folder : Path
        Of the device, under sysfs.
    sensors : mapping
        What each channel's waveform is called.
    clock : Clock
        Tells when scans arrive.
    """

    def __init__(
        self, settings: IioSettings, folder: Path, sensors: Mapping[IioChannelSettings, str], clock: Clock
    ) -> None:
        self._settings = settings
        self._folder = folder
        self._sensors = sensors
        self._clock = clock
        self._file = -1
        self._rest = bytearray()
        self._heard_s = clock.elapsed()
        self._lost = 0
        self._lost_s = 0.0

    @property
    def note(self) -> str:
        """What is doubtful about it; empty when all is well."""
        silent_s = self._clock.elapsed() - self._heard_s
        if silent_s > SILENT_S:
            return f"no scan for {silent_s:.0f} s; look at the trigger and at sampling_frequency in {self._folder}"
        lately = self._lost and self._clock.elapsed() - self._lost_s < TOLD_S
        return f"{self._lost} scans lost since it was opened, the last ones within a minute" if lately else ""

    def open(self) -> None:
        """Open the device, set up its buffer and switch it on.

        Raises
        ------
        SourceError
            An attribute cannot be read or written; the text names it.
        """
        # First of all: the kernel lets only one program open it, and the buffer of another's is not to be touched.
        self._open_file()
        self._heard_s = self._clock.elapsed()
        self._rest.clear()
        try:
            self._set_up()
        except BaseException:
            self.close()
            raise

    def _set_up(self) -> None:
        write_text(self._folder / "buffer" / "enable", "0")
        rate_hz = self._set_rate()
        self._layout = Layout(self._enable_elements())
        self._conversions = {
            channel: conversion_of(self._folder, channel, scaled=False) for channel in self._settings.channels
        }
        if self._settings.trigger:
            write_text(self._folder / "trigger" / "current_trigger", self._settings.trigger)
        self._try("current_timestamp_clock", "boottime")
        write_text(self._folder / "buffer" / "length", str(max(2, round(BUFFER_S * rate_hz))))
        self._try("buffer/watermark", str(max(1, round(WAKE_EVERY_S * rate_hz))))
        self._times = ScanTimes(rate_hz)
        self._counters = {
            channel: PulseCounter(channel.threshold, channel.pulses_per_turn)
            for channel in self._settings.channels
            if channel.threshold is not None
        }
        write_text(self._folder / "buffer" / "enable", "1")

    def read(self, timeout_s: float) -> Block:
        """Return what has come.

        Raises
        ------
        SourceError
            The device is gone, or has given nothing for a minute.
        """
        if self._file < 0:
            raise SourceError(f"{self._node}: is not open")
        data = self._receive(timeout_s)
        arrived_s = self._clock.elapsed()
        self._rest += data
        whole = len(self._rest) - len(self._rest) % self._layout.size
        if whole == 0:
            if arrived_s - self._heard_s > REOPEN_AFTER_S:
                raise SourceError(f"{self._node}: {self.note}; the device is opened anew")
            return Block()
        scans = self._layout.decode(bytes(self._rest[:whole]))
        del self._rest[:whole]
        self._heard_s = arrived_s
        return self._block(scans, whole // self._layout.size, arrived_s)

    def close(self) -> None:
        """Close the device and switch its buffer off; a device that is gone needs neither."""
        if self._file < 0:
            return
        os.close(self._file)
        self._file = -1
        self._try("buffer/enable", "0")

    @property
    def _node(self) -> Path:
        return Path(self._settings.device_folder) / self._folder.name

    def _set_rate(self) -> float:
        places = [self._folder / "sampling_frequency", self._folder / "buffer" / "sampling_frequency"]
        places += sorted(self._folder.glob("in_*_sampling_frequency"))
        # A timer that triggers the device has the rate where the device has none.
        places += [path.parent / "sampling_frequency" for path in self._triggers()]
        place = next((path for path in places if path.exists()), None)
        wanted_hz = self._settings.rate_hz
        if place is None:
            if wanted_hz is None:
                raise SourceError(f"{places[0]}: the device tells no rate; give it as rate_hz in source.iio")
            return wanted_hz
        if wanted_hz is not None:
            write_text(place, f"{wanted_hz:g}")
        rate_hz = read_number(place)
        if not rate_hz > 0.0:
            raise SourceError(f"{place}: is {rate_hz:g}; give a rate as rate_hz in source.iio")
        # A device takes the nearest rate that it has; what it says counts, unless it is another one altogether.
        if wanted_hz is not None and abs(rate_hz / wanted_hz - 1.0) > 0.1:
            raise SourceError(f"{place}: the device took {rate_hz:g} and not {wanted_hz:g} Hz; give a rate that it has")
        return rate_hz

    def _triggers(self) -> list[Path]:
        """Return the name attributes of the trigger that the file names; none where it names none."""
        if not self._settings.trigger:
            return []
        names = sorted(self._folder.parent.glob("trigger*/name"))
        return [path for path in names if read_text(path) == self._settings.trigger]

    def _enable_elements(self) -> dict[str, Element]:
        """Switch on what is wanted and off what is not; return the elements in the order of a scan."""
        folder = self._folder / "scan_elements"
        wanted = {channel.attribute for channel in self._settings.channels}
        there = {path.name.removesuffix("_en") for path in folder.glob("in_*_en")}
        missing = sorted(wanted - there)
        if missing:
            names = ", ".join(sorted(there - {TIMESTAMP})) or "none"
            raise SourceError(f"{folder / missing[0]}_en: the device has no such element; it has {names}")
        if TIMESTAMP in there:
            wanted.add(TIMESTAMP)
        for name in sorted(there):
            write_text(folder / f"{name}_en", "1" if name in wanted else "0")
        # A driver may refuse to leave some out: what it says is on is in the scan.
        on = [name for name in sorted(there) if read_number(folder / f"{name}_en") != 0.0]
        on.sort(key=lambda name: read_number(folder / f"{name}_index"))
        return {name: parse_type(read_text(folder / f"{name}_type"), f"{folder / name}_type") for name in on}

    def _open_file(self) -> None:
        self.close()
        try:
            self._file = os.open(self._node, os.O_RDONLY | os.O_NONBLOCK)
        except OSError as error:
            raise complaint(self._node, "cannot be opened", error) from error
        self._rest.clear()
        self._heard_s = self._clock.elapsed()

    def _receive(self, timeout_s: float) -> bytes:
        try:
            if not select.select([self._file], [], [], timeout_s)[0]:
                return b""
            data = os.read(self._file, MOST_BYTES)
        except OSError as error:
            if error.errno in (errno.EAGAIN, errno.EINTR):
                return b""
            raise complaint(self._node, "cannot be read", error) from error
        if not data:
            raise SourceError(f"{self._node}: has ended; look at the device's plug and supply")
        return data

    def _block(self, scans: Mapping[str, NDArray[np.int64]], size: int, arrived_s: float) -> Block:
        values: list[Sample] = []
        pieces: list[Piece] = []
        for run in _runs(scans, size, self._times.rate_hz):
            self._add_run({name: numbers[run] for name, numbers in scans.items()}, arrived_s, values, pieces)
        return Block(sorted(values, key=lambda sample: sample.elapsed_s), pieces)

    def _add_run(
        self, scans: Mapping[str, NDArray[np.int64]], arrived_s: float, values: list[Sample], pieces: list[Piece]
    ) -> None:
        """Add scans that follow each other without a gap."""
        size, stamps = next(iter(scans.values())).size, scans.get(TIMESTAMP)
        ends = None if stamps is None else (1e-9 * int(stamps[0]), 1e-9 * int(stamps[-1]))
        placed = self._times.place(size, arrived_s, ends)
        if placed.missing:
            self._lost += placed.missing
            self._lost_s = arrived_s
        for channel, conversion in self._conversions.items():
            raw = scans[channel.attribute]
            if channel in self._counters:
                pieces += self._turns(channel, conversion, raw, placed)
            elif channel.channel == "acceleration":
                pieces.append(self._piece(channel, conversion, raw, placed))
            else:
                values += _averages(channel, conversion, raw, placed)

    def _piece(
        self, channel: IioChannelSettings, conversion: Conversion, raw: NDArray[np.int64], placed: Placed
    ) -> Piece:
        element = self._layout.elements[channel.attribute]
        # The outermost number of a converter means "this or more".
        clipped = int(np.count_nonzero((raw <= element.lowest) | (raw >= element.highest)))
        samples = (raw + conversion.offset) * conversion.scale
        if channel.table:
            samples = np.array([conversion.calibrated(value) for value in samples])
        else:
            samples = samples * channel.factor + channel.shift
        return Piece(
            sensor=self._sensors[channel],
            axle=channel.axle,
            quantity="acceleration",
            elapsed_s=placed.elapsed_s,
            rate_hz=placed.rate_hz,
            samples=samples.astype(np.float32),
            missing=placed.missing,
            clipped=clipped,
        )

    def _turns(
        self, channel: IioChannelSettings, conversion: Conversion, raw: NDArray[np.int64], placed: Placed
    ) -> list[Piece]:
        counter = self._counters[channel]
        if placed.missing:
            counter.lost(placed.missing)
        begin = counter.place
        signal = np.asarray((raw + conversion.offset) * conversion.scale, dtype=np.float64)
        turns, first = counter.take(signal, placed.rate_hz)
        if turns.size == 0:
            return []
        begin_s = placed.elapsed_s + (first - begin) / placed.rate_hz
        # Turns keep their double precision: after an hour a float32 would be off by a hundredth of a turn.
        samples = cast(NDArray[np.float32], turns)
        return [Piece(self._sensors[channel], channel.axle, "tacho", begin_s, placed.rate_hz, samples)]

    def _try(self, attribute: str, text: str) -> None:
        """Write what not every driver has."""
        path = self._folder / attribute
        if path.exists():
            try:
                write_text(path, text)
            except SourceError:
                return


def _runs(scans: Mapping[str, NDArray[np.int64]], size: int, rate_hz: float) -> list[slice]:
    """Return the stretches between which scans were lost: a buffer that overflowed is read on both sides of its gap."""
    stamps = scans.get(TIMESTAMP)
    if stamps is None:
        return [slice(0, size)]
    begins = np.flatnonzero(np.abs(np.diff(stamps)) > 1e9 * max(GAP_SCANS / rate_hz, LEAST_LOSS_S)) + 1
    return [slice(int(first), int(last)) for first, last in pairwise([0, *begins, size])]


def _averages(
    channel: IioChannelSettings, conversion: Conversion, raw: NDArray[np.int64], placed: Placed
) -> list[Sample]:
    """Return a run of scans as a few values, each with the time of its middle."""
    group = max(1, round(placed.rate_hz / VALUES_HZ))
    samples = []
    for first in range(0, raw.size, group):
        part = raw[first : first + group]
        value = conversion.calibrated(conversion.in_device_unit(float(part.mean())))
        time_s = placed.elapsed_s + (first + 0.5 * (part.size - 1)) / placed.rate_hz
        if np.isfinite(value):
            samples.append(Sample(channel.axle, channel.channel, value, time_s))
    return samples
