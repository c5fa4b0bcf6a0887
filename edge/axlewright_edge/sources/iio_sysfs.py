"""Attributes of Linux Industrial I/O devices: found, read, written, and turned into channel units.

What the numbers mean is fixed by the kernel's ABI document, Documentation/ABI/testing/sysfs-bus-iio: after
``(raw + offset) * scale`` a voltage is in millivolts, a temperature in milli degrees Celsius, an acceleration in m/s2,
a pressure in kilopascal, a current in milliamperes, a distance in metres; ``_input`` is scaled already.
"""

from __future__ import annotations

import errno
import math
import os
import re
from dataclasses import dataclass
from pathlib import Path

from axlewright_edge.errors import SourceError
from axlewright_edge.sources.iio_settings import IioChannelSettings

# What the ABI's unit is called here, and what turns it into it.
UNITS: dict[str, tuple[str, float]] = {
    "temp": ("Cel", 1e-3),
    "accel": ("m/s2", 1.0),
    "voltage": ("mV", 1.0),
    "pressure": ("kPa", 1.0),
    "current": ("mA", 1.0),
    "distance": ("mm", 1e3),
}
# A calibrated sensor that reads so far outside its table, as a share of the table's width, has a broken wire.
BEYOND_TABLE = 0.1
_REMEDIES = {
    errno.EACCES: "let the agent's user read it (a udev rule that gives the group iio access)",
    errno.EPERM: "let the agent's user write it (a udev rule that gives the group iio access)",
    errno.ENOENT: "look into the folder for the attributes that this driver has",
    errno.EBUSY: "another program reads the device; stop it, or switch its buffer off",
    errno.EINVAL: "the driver does not take this value",
    errno.EROFS: "the service unit keeps it read-only; uncomment ReadWritePaths=/sys/devices in the unit",
    errno.ENODEV: "the device is gone; look at its plug and supply",
}


def complaint(path: Path, what: str, error: OSError) -> SourceError:
    """Return an error that names the attribute and how to mend it."""
    remedy = _REMEDIES.get(error.errno or 0, "look at the kernel's log (dmesg)")
    return SourceError(f"{path}: {what}: {error.strerror or error}; {remedy}")


def read_text(path: Path) -> str:
    """Return an attribute's text.

    Raises
    ------
    SourceError
        It cannot be read; the text names it.
    """
    try:
        return path.read_text(encoding="utf-8", errors="replace").strip()
    except OSError as error:
        raise complaint(path, "cannot be read", error) from error


def read_number(path: Path) -> float:
    """Return an attribute's number.

    Raises
    ------
    SourceError
        It cannot be read or holds no finite number; the text names it.
    """
    text = read_text(path)
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise SourceError(f"{path}: holds {text!r:.40}, no number; look at what the driver writes there")
    return value


def write_text(path: Path, text: str) -> None:
    """Write an attribute.

    Raises
    ------
    SourceError
        It cannot be written; the text names it and what was to be written.
    """
    try:
        # As a shell's ">" does, but an attribute that is not there is never made.
        file = os.open(path, os.O_WRONLY | os.O_TRUNC)
        try:
            os.write(file, text.encode())
        finally:
            os.close(file)
    except OSError as error:
        raise complaint(path, f"{text} cannot be written", error) from error


def find_device(root: Path, device: str) -> Path:
    """Return the folder of the device whose label, name or folder is `device`.

    Labels and names are better than folders: the kernel numbers devices in the order in which it finds them.

    Raises
    ------
    SourceError
        There is none, or more than one; the text lists those that there are.
    """
    try:
        folders = sorted(path for path in root.iterdir() if path.name.startswith("iio:device"))
    except OSError as error:
        raise complaint(root, "cannot be listed", error) from error
    found, known = [], []
    for folder in folders:
        names = [folder.name, *(_first_line(folder / key) for key in ("label", "name"))]
        known.append(" ".join(name for name in names if name))
        if device in names:
            found.append(folder)
    if not found:
        there = "; ".join(known) or "none"
        raise SourceError(
            f"{root}: no device is called {device!r} (there are: {there}); mend source.iio.device, or plug"
        )
    if len(found) > 1:
        folders_found = ", ".join(folder.name for folder in found)
        raise SourceError(f"{root}: {folders_found} are all called {device!r}; tell them apart by label or folder")
    return found[0]


def _first_line(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return ""


def kind_of(attribute: str) -> str:
    """Return what an attribute measures.

    Examples
    --------
    >>> kind_of("in_accel_x"), kind_of("in_voltage3-voltage4"), kind_of("in_temp")
    ('accel', 'voltage', 'temp')

    Raises
    ------
    SourceError
        It is nothing that is understood here.
    """
    match = re.match(r"in_([a-z]+)", attribute)
    if match is None or match[1] not in UNITS:
        raise SourceError(f"{attribute}: is not understood; use in_ and one of {', '.join(UNITS)}")
    return match[1]


@dataclass(frozen=True)
class Conversion:
    """Raw numbers into the channel's unit: first the device's own (mV, Cel, m/s2 ...), then the calibration."""

    offset: float
    scale: float
    channel: IioChannelSettings

    def in_device_unit(self, raw: float) -> float:
        """Return ``(raw + offset) * scale``."""
        return (raw + self.offset) * self.scale

    def calibrated(self, value: float) -> float:
        """Return a value of the device in the channel's unit; NaN far outside the table.

        Examples
        --------
        >>> height = IioChannelSettings(
        ...     attribute="in_voltage0", channel="height/left", axle=2, table=((500.0, 140.0), (4500.0, 340.0))
        ... )
        >>> conversion = Conversion(0.0, 1.0, height)
        >>> conversion.calibrated(2500.0), conversion.calibrated(0.0)
        (240.0, nan)
        """
        table = self.channel.table
        if not table:
            return value * self.channel.factor + self.channel.shift
        margin = BEYOND_TABLE * (table[-1][0] - table[0][0])
        if not table[0][0] - margin <= value <= table[-1][0] + margin:
            return math.nan
        # Within the margin the outer stretches go on straight.
        above = next((number for number in range(1, len(table) - 1) if value < table[number][0]), len(table) - 1)
        (left, low), (right, high) = table[above - 1], table[above]
        return low + (high - low) * (value - left) / (right - left)


def conversion_of(folder: Path, channel: IioChannelSettings, scaled: bool) -> Conversion:
    """Return how a channel's numbers are turned into its unit.

    Parameters
    ----------
    folder : Path
        Of the device.
    channel : IioChannelSettings
        Its own `scale` and `offset` stand before those of the device.
    scaled : bool
        Whether the numbers are those of ``_input``, scaled by the driver.

    Raises
    ------
    SourceError
        The device tells no scale and the file neither.
    """
    _, unit = UNITS[kind_of(channel.attribute)]
    if scaled:
        return Conversion(0.0, unit, channel)
    offset = channel.offset if channel.offset is not None else _shared(folder, channel.attribute, "offset")
    scale = channel.scale if channel.scale is not None else _shared(folder, channel.attribute, "scale")
    if scale is None:
        raise SourceError(
            f"{folder / channel.attribute}_scale: the device tells no scale; give it as `scale` of the channel"
        )
    return Conversion(offset or 0.0, scale * unit, channel)


def _shared(folder: Path, attribute: str, what: str) -> float | None:
    """Return a channel's own attribute, or the one that all channels of its kind share; None when there is neither."""
    for name in (attribute, f"in_{kind_of(attribute)}"):
        path = folder / f"{name}_{what}"
        if path.exists():
            return read_number(path)
    return None
