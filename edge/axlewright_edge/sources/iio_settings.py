"""What an agent file says of the sensors behind Linux Industrial I/O, one table ``[[source.iio]]`` a device."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Annotated, Literal

from msgspec import Meta, Struct

from axlewright_models.signals import CHANNELS, INDEX, Scope

IIO_ROOT = "/sys/bus/iio/devices"
DEVICE_FOLDER = "/dev"
# What is no value but a run of evenly spaced samples.
WAVEFORMS = ("acceleration", "tacho")
# A buffered device that is slower gives no order spectrum worth its name; poll it instead. Own choice.
SLOWEST_BUFFER_HZ = 1.0


class IioChannelSettings(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One channel of a device: which attribute, what it measures, and where.

    ``attribute`` is the name without ``_raw`` or ``_input``, such as ``in_accel_z``. ``channel`` is a name of
    ``models.signals`` (a slow value), ``acceleration`` (a waveform, in m/s2) or ``tacho`` (pulses of the driveshaft,
    one whenever the signal rises through ``threshold``).
    """

    attribute: Annotated[str, Meta(pattern=r"^in_[a-z0-9_-]+$")]
    channel: str
    axle: Annotated[int, Meta(ge=0, le=12)] = 0
    sensor: Annotated[str, Meta(pattern=r"^[a-z0-9-]{0,40}$")] = ""
    scale: Annotated[float, Meta(gt=0)] | None = None
    offset: float | None = None
    factor: float = 1.0
    shift: float = 0.0
    table: tuple[tuple[float, float], ...] = ()
    full_scale: Annotated[float, Meta(gt=0)] | None = None
    pulses_per_turn: Annotated[int, Meta(ge=1, le=1000)] = 1
    threshold: Annotated[float, Meta(gt=0)] | None = None


class IioSettings(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One device: its name, label or folder, and how it is read."""

    device: Annotated[str, Meta(min_length=1)]
    channels: Annotated[tuple[IioChannelSettings, ...], Meta(min_length=1)]
    mode: Literal["polled", "buffered"] = "polled"
    every_s: Annotated[float, Meta(ge=0.01, le=60)] = 0.5
    rate_hz: Annotated[float, Meta(ge=SLOWEST_BUFFER_HZ, le=200_000)] | None = None
    trigger: str = ""
    root: str = IIO_ROOT
    device_folder: str = DEVICE_FOLDER


def sensor_name(settings: IioSettings, channel: IioChannelSettings) -> str:
    """Return what an accelerometer is called within the truck.

    Examples
    --------
    >>> channel = IioChannelSettings(attribute="in_accel_z", channel="acceleration", axle=2)
    >>> sensor_name(IioSettings(device="iio:device0", channels=(channel,)), channel)
    'iio:device0 in_accel_z'
    """
    return channel.sensor or f"{settings.device} {channel.attribute}"


def problems(settings: IioSettings, where: str) -> Iterator[str]:
    """Yield what is wrong with a table beyond what its types say, each text with the key's path.

    Examples
    --------
    >>> channel = IioChannelSettings(attribute="in_temp0", channel="oil", axle=2)
    >>> next(problems(IioSettings(device="rtd", channels=(channel,)), "source.iio[0]"))[:60]
    "source.iio[0].channels[0].channel: 'oil' is no channel; use "
    """
    seen: set[str] = set()
    for number, channel in enumerate(settings.channels):
        at = f"{where}.channels[{number}]"
        yield from _channel_problems(channel, settings.mode, at)
        if channel.attribute in seen:
            yield f"{at}.attribute: {channel.attribute} is named twice; each attribute measures one thing"
        seen.add(channel.attribute)


def _channel_problems(channel: IioChannelSettings, mode: str, at: str) -> Iterator[str]:
    if channel.channel in WAVEFORMS:
        if mode != "buffered":
            yield f'{at}.channel: {channel.channel} needs mode = "buffered"; a polled value has no even spacing'
        if channel.channel == "acceleration" and channel.axle == 0:
            yield f"{at}.axle: is missing; name the axle that the accelerometer sits on, counted from the front"
    else:
        yield from _value_problems(channel, at)
    if (channel.threshold is None) == (channel.channel == "tacho"):
        yield f"{at}.threshold: goes with a tacho, and a tacho needs it: the level through which each pulse rises"
    if channel.table and (channel.factor != 1.0 or channel.shift != 0.0):
        yield f"{at}.table: factor and shift are given as well; keep one of the two"
    if len(channel.table) == 1:
        yield f"{at}.table: one point; a calibration needs two or more, [device value, channel value] each"
    if any(right[0] <= left[0] for left, right in pairwise(channel.table)):
        yield f"{at}.table: device values must rise from point to point"


def _value_problems(channel: IioChannelSettings, at: str) -> Iterator[str]:
    known = [entry for entry in CHANNELS if not entry.derived and not entry.name.startswith(("vib/", "guard"))]
    if channel.channel not in {entry.name for entry in known}:
        names = ", ".join([*WAVEFORMS, *(entry.name for entry in known)])
        yield f"{at}.channel: {channel.channel!r} is no channel; use one of {names}"
        return
    of_axle = CHANNELS[INDEX[channel.channel]].scope is Scope.AXLE
    if of_axle and channel.axle == 0:
        yield f"{at}.axle: is missing; {channel.channel} belongs to an axle, counted from the front"
    if not of_axle and channel.axle != 0:
        yield f"{at}.axle: is {channel.axle}; {channel.channel} belongs to the whole vehicle, leave axle out"
