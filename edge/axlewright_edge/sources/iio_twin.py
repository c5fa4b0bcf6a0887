"""Industrial I/O devices that do not exist: a folder like sysfs and a FIFO like the kernel's character device.

For trying an agent file without a sensor, and for tests::

    python -m axlewright_edge.sources.iio_twin yard --seconds 600

makes the folder `yard` with an accelerometer on axle 2 (6.4 kHz, buffered), four height sensors on a converter and two
lube temperature amplifiers (polled), and drives them as a truck at 80 km/h would; ``root = "yard/devices"`` and
``device_folder = "yard/dev"`` in the agent file lead there. The signals are a few sines and noise, not a truck.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import shutil
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from axlewright_edge.sources.iio_buffer import Layout, parse_type

# A FIFO of Linux holds 64 KiB; what does not fit is lost, as in the kernel's own buffer.
TICK_S = 0.02
# Longer writes to a FIFO may be torn apart (pipe(7): PIPE_BUF).
WHOLE_WRITE = 4096
Signal = Callable[[NDArray[np.float64]], NDArray[np.float64]]


@dataclass(frozen=True)
class TwinChannel:
    """One channel: its attribute, what it shows at each time, and how its numbers are scaled.

    ``signal`` maps times since the twin was made [s] to values in the ABI's unit (mV, milli degrees, m/s2). ``form`` is
    a ``scan_elements`` type; a channel without one can only be polled.
    """

    attribute: str
    signal: Signal
    scale: float = 1.0
    offset: float = 0.0
    form: str = ""
    scaled: bool = False

    def raw(self, times: NDArray[np.float64]) -> NDArray[np.int64]:
        """Return the numbers that the converter gives, cut off at the ends of its range."""
        numbers = np.rint(self.signal(times) / self.scale - self.offset)
        if self.form:
            element = parse_type(self.form, self.attribute)
            numbers = np.clip(numbers, element.lowest, element.highest)
        return numbers.astype(np.int64)


@dataclass(frozen=True)
class TwinDevice:
    """One device. With `rate_hz` above 0 it has a buffer.

    ``stamped``: whether scans carry the driver's time. ``rate_error``: by how much its oscillator is off, as a share.
    ``extra``: more attributes and their text.
    """

    number: int
    name: str
    channels: Sequence[TwinChannel]
    label: str = ""
    rate_hz: float = 0.0
    stamped: bool = True
    rate_error: float = 0.0
    extra: Mapping[str, str] = field(default_factory=dict)

    @property
    def folder(self) -> str:
        """Return the name that the kernel would give its folder."""
        return f"iio:device{self.number}"


class IioTwin:
    """Builds devices under a folder and drives them in a thread.

    Parameters
    ----------
    folder : Path
        Gets ``devices`` and ``dev``.
    devices : sequence of TwinDevice
        What is plugged in.
    """

    def __init__(self, folder: Path, devices: Sequence[TwinDevice]) -> None:
        self.root = folder / "devices"
        self.device_folder = folder / "dev"
        self._devices = {device.folder: device for device in devices}
        self._runs: dict[str, _Run] = {}
        self._stop = threading.Event()
        self._lock = threading.Lock()
        self._thread = threading.Thread(target=self._drive, name="iio twin", daemon=True)

    def start(self) -> None:
        """Plug all devices in and begin to drive them."""
        for name in self._devices:
            self.plug(name)
        self._thread.start()

    def stop(self) -> None:
        """Stop driving and take everything away."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join()
        for name in list(self._runs):
            self.unplug(name)

    def plug(self, folder: str) -> None:
        """Plug a device in, as after a reset: its buffer is off."""
        with self._lock:
            self._runs[folder] = _Run(self._devices[folder], self.root / folder, self.device_folder / folder)

    def unplug(self, folder: str) -> None:
        """Take a device away in the middle of whatever it does."""
        with self._lock:
            self._runs.pop(folder).remove()

    def silence(self, folder: str, silent: bool = True) -> None:
        """Let a device stay where it is and give nothing new."""
        with self._lock:
            self._runs[folder].silent = silent

    def _drive(self) -> None:
        while not self._stop.wait(TICK_S):
            with self._lock:
                for run in self._runs.values():
                    run.turn()


class _Run:
    """One device that is plugged in."""

    def __init__(self, device: TwinDevice, folder: Path, node: Path) -> None:
        self._device, self._folder, self._node = device, folder, node
        self.silent = False
        self._begun_s = time.clock_gettime(_CLOCK)
        self._sent = 0
        self._on = False
        self._pipe = -1
        self._broken: set[str] = set()
        folder.mkdir(parents=True)
        node.parent.mkdir(parents=True, exist_ok=True)
        self._write("name", device.name)
        if device.label:
            self._write("label", device.label)
        for name, text in device.extra.items():
            self._write(name, text)
        for channel in device.channels:
            self._describe(channel)
        if device.rate_hz:
            self._make_buffer()
        self._poll(0.0)

    def turn(self) -> None:
        """Do what the hardware would have done since the last turn."""
        elapsed_s = time.clock_gettime(_CLOCK) - self._begun_s
        if self.silent:
            return
        self._poll(elapsed_s)
        if self._device.rate_hz:
            self._scan(elapsed_s)

    def remove(self) -> None:
        """Take the folder and the node away."""
        shutil.rmtree(self._folder, ignore_errors=True)
        if self._pipe >= 0:
            self._node.unlink(missing_ok=True)
            os.close(self._pipe)

    def _write(self, name: str, text: str) -> None:
        path = self._folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        # Renamed into place: a reader sees the old or the new number, as in sysfs.
        draft = path.with_name(f".{path.name}")
        draft.write_text(f"{text}\n", encoding="utf-8")
        draft.replace(path)

    def _describe(self, channel: TwinChannel) -> None:
        if not channel.scaled:
            self._write(f"{channel.attribute}_scale", f"{channel.scale:.9g}")
            if channel.offset:
                self._write(f"{channel.attribute}_offset", f"{channel.offset:.9g}")

    def _make_buffer(self) -> None:
        device = self._device
        forms = {channel.attribute: channel.form for channel in device.channels if channel.form}
        for number, (name, form) in enumerate(forms.items()):
            self._element(name, number, form)
        if device.stamped:
            self._element("in_timestamp", len(forms), "le:s64/64>>0")
        self._write("sampling_frequency", f"{device.rate_hz:g}")
        self._write("current_timestamp_clock", "realtime")
        for name in ("enable", "length", "watermark"):
            self._write(f"buffer/{name}", "0")
        os.mkfifo(self._node)
        # Open at both ends: the FIFO lives on while no agent reads it.
        self._pipe = os.open(self._node, os.O_RDWR | os.O_NONBLOCK)

    def _element(self, name: str, number: int, form: str) -> None:
        for key, text in (("en", "0"), ("index", str(number)), ("type", form)):
            self._write(f"scan_elements/{name}_{key}", text)

    def _poll(self, elapsed_s: float) -> None:
        times = np.array([elapsed_s])
        for channel in self._device.channels:
            if channel.scaled:
                self._write(f"{channel.attribute}_input", f"{channel.signal(times)[0]:.0f}")
            else:
                self._write(f"{channel.attribute}_raw", str(int(channel.raw(times)[0])))

    def _scan(self, elapsed_s: float) -> None:
        rate_hz = self._device.rate_hz * (1.0 + self._device.rate_error)
        on = self._read("buffer/enable") == "1"
        if on and not self._on:
            self._switch_on(elapsed_s, rate_hz)
        self._on = on
        due = int(elapsed_s * rate_hz)
        if not on or due <= self._sent:
            return
        times = np.arange(self._sent, due) / rate_hz
        self._sent = due
        columns = {name: self._column(name, times) for name in self._layout.elements}
        data = memoryview(self._layout.encode(columns))
        room = WHOLE_WRITE - WHOLE_WRITE % self._layout.size
        with contextlib.suppress(BlockingIOError):
            for first in range(0, len(data), room):
                os.write(self._pipe, data[first : first + room])

    def _switch_on(self, elapsed_s: float, rate_hz: float) -> None:
        names = [path.name.removesuffix("_index") for path in (self._folder / "scan_elements").glob("in_*_index")]
        names = [name for name in names if self._read(f"scan_elements/{name}_en") == "1"]
        names.sort(key=lambda name: int(self._read(f"scan_elements/{name}_index")))
        elements = {name: parse_type(self._read(f"scan_elements/{name}_type"), name) for name in names}
        self._layout = Layout(elements)
        self._sent = int(elapsed_s * rate_hz)
        with contextlib.suppress(BlockingIOError):
            while os.read(self._pipe, 1 << 16):
                pass

    def _column(self, name: str, times: NDArray[np.float64]) -> NDArray[np.int64]:
        if name == "in_timestamp":
            return np.rint((self._begun_s + times) * 1e9).astype(np.int64)
        return next(channel for channel in self._device.channels if channel.attribute == name).raw(times)

    def _read(self, name: str) -> str:
        try:
            return (self._folder / name).read_text(encoding="utf-8").strip()
        except OSError:
            return ""


_CLOCK: int = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)


def sines(mean: float, *parts: tuple[float, float], noise: float = 0.0, seed: int = 1) -> Signal:
    """Return a signal of a mean, of sines (amplitude, frequency in Hz) and of normal noise.

    Examples
    --------
    >>> sines(1.0, (2.0, 0.25))(np.array([0.0, 1.0]))
    array([1., 3.])
    """
    chance = np.random.default_rng(seed)

    def signal(times: NDArray[np.float64]) -> NDArray[np.float64]:
        values = np.full(times.shape, mean)
        for amplitude, frequency_hz in parts:
            values += amplitude * np.sin(2.0 * np.pi * frequency_hz * times)
        return values + noise * chance.standard_normal(times.shape) if noise else values

    return signal


def yard() -> list[TwinDevice]:
    """Return the devices of a truck with sensors on its drive axles 2 and 3."""
    # 80 km/h, 313 turns of the wheel a kilometre, ratio 3.42: the driveshaft turns 23.8 times a second.
    shaft_hz = 80.0 / 3600.0 * 313.0 * 41.0 / 12.0
    shake = sines(9.81, (0.4, shaft_hz), (0.25, 2.0 * shaft_hz), (1.0, 12.0 * shaft_hz), noise=0.5)
    heights = [
        TwinChannel(f"in_voltage{number}", sines(2500.0 + 20.0 * number, (60.0, 1.4), noise=5.0, seed=number), 0.125)
        for number in range(4)
    ]
    lube = [
        TwinChannel("in_temp0", lambda times: 90_000.0 + 200.0 * times / 60.0, scaled=True),
        TwinChannel("in_temp1", lambda times: 86_000.0 + 200.0 * times / 60.0, scaled=True),
    ]
    return [
        TwinDevice(
            0,
            "accelerometer",
            [TwinChannel("in_accel_z", shake, 0.005, form="le:s16/16>>0")],
            "axle-2-vibration",
            6400.0,
        ),
        TwinDevice(1, "converter", heights, "heights"),
        TwinDevice(2, "rtd-amplifier", lube, "lube"),
    ]


def main() -> None:
    """Build the yard in a folder and drive it."""
    parser = argparse.ArgumentParser(prog="python -m axlewright_edge.sources.iio_twin", description=__doc__)
    parser.add_argument("folder", type=Path, help="is made, and taken away at the end")
    parser.add_argument("--seconds", type=float, default=3600.0)
    options = parser.parse_args()
    twin = IioTwin(options.folder, yard())
    twin.start()
    with contextlib.suppress(KeyboardInterrupt):
        time.sleep(options.seconds)
    twin.stop()


if __name__ == "__main__":
    main()
