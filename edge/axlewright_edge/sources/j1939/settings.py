"""The table ``[source.j1939]`` of the agent file."""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import Meta, Struct

Address = Annotated[int, Meta(ge=0, le=253)]
Byte = Annotated[int, Meta(ge=0, le=254)]
AxleNumber = Annotated[int, Meta(ge=1, le=12)]
LevelCode = Annotated[int, Meta(ge=0, le=13)]


class _Table(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A table of the file: unknown keys are errors, nothing can change afterwards."""


class AxleAddress(_Table, frozen=True, kw_only=True):
    """Which axle a drive-axle temperature or an axle weight belongs to, where the standard's own rule does not say.

    A message matches when its ``source`` address and its ``location`` byte are those given; what is left out matches
    any.
    """

    axle: AxleNumber
    source: Address | None = None
    location: Byte | None = None


class Dm1Settings(_Table, frozen=True, kw_only=True):
    """Whether faults are told on the vehicle bus (DM1); off unless the vehicle maker allows this sender.

    ``source_address`` must be free on the truck; ``name`` is the 64-bit NAME that it is claimed with.
    """

    enabled: bool = False
    source_address: Annotated[int, Meta(ge=128, le=247)] | None = None
    name: Annotated[int, Meta(ge=1, le=2**63 - 1)] | None = None


class J1939Settings(_Table, frozen=True, kw_only=True):
    """A vehicle bus, or a recording of one.

    ``interface`` and ``channel`` are python-can's; ``file`` is a recorded log, played at ``speed`` times the pace at
    which it was recorded (0: as fast as it can be read). Above 1 its times are pressed together: windows say steeper
    slopes. ``prefer`` lists source addresses: of two that send the same signal the earlier one is used.
    ``location_counts_from`` is the number that the axle-location byte gives to the foremost axle. ``level_axles`` are
    the axles that the rear ride-height sensors and bellows stand for (none: all drive axles). The ``..._level_codes``
    say which nominal levels of the rear mean that the driver chose them.
    """

    interface: Literal["socketcan", "slcan", "udp_multicast", "virtual"] = "socketcan"
    channel: str = "can0"
    bitrate: Annotated[int, Meta(ge=10_000, le=1_000_000)] = 250_000
    listen_only: bool = True
    file: str = ""
    speed: Annotated[float, Meta(ge=0, le=1_000_000)] = 1.0
    prefer: tuple[Address, ...] = ()
    axles: tuple[AxleAddress, ...] = ()
    location_counts_from: Literal[0, 1] = 0
    level_axles: tuple[AxleNumber, ...] = ()
    normal_level_codes: tuple[LevelCode, ...] = (1,)
    lowered_level_codes: tuple[LevelCode, ...] = (7,)
    raised_level_codes: tuple[LevelCode, ...] = (6,)
    reference_torque_nm: Annotated[float, Meta(gt=0, le=10_000)] | None = None
    dm1: Dm1Settings = Dm1Settings()
