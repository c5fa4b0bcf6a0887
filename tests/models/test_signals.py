"""The channel table: complete, consistent, and its order pinned, since stored rows depend on it."""

import re

import numpy as np
import pytest

from axlewright_models.limits import LIMITS
from axlewright_models.signals import (
    CHANNELS,
    ENVELOPE_CHANNELS,
    HEIGHT_MODES,
    HIGH,
    INDEX,
    IS_AXLE,
    LOW,
    NAMES,
    ORDER_CHANNELS,
    Scope,
)
from axlewright_models.units import UNITS, conversion, convert

# The storage format: rows on disk are read by position. Append here when a channel is appended; never change a line.
STORED_ORDER = re.findall(
    r"\S+",
    """
speed engine-speed shaft-speed torque gear ambient brake parked ignition odometer height-mode
lube height/left height/right bellows/left bellows/right sump-pressure lube-level vib/rms vib/kurtosis
vib/order/wheel-1 vib/order/wheel-2 vib/order/wheel-3
vib/order/driveshaft-1 vib/order/driveshaft-2 vib/order/driveshaft-4
vib/order/engine-0.5 vib/order/engine-1 vib/order/engine-3 vib/order/mesh-1 vib/order/mesh-2
vib/envelope/outer-race vib/envelope/inner-race vib/envelope/rolling-element vib/envelope/cage
lube/expected height/static
height/left-spread height/right-spread lube/slope vib/crest vib/velocity vib/quality guard clock-corrected axle-load
""",
)


def test_the_stored_order_of_channels_has_not_changed():
    assert list(NAMES[: len(STORED_ORDER)]) == STORED_ORDER


def test_every_channel_is_in_the_stored_order():
    assert len(NAMES) == len(STORED_ORDER)


def test_names_are_unique_and_the_columns_agree():
    assert len(INDEX) == len(CHANNELS) == len(LOW) == len(HIGH) == len(IS_AXLE)
    for number, channel in enumerate(CHANNELS):
        assert INDEX[channel.name] == number
        assert (LOW[number], HIGH[number]) == (channel.low, channel.high)
        assert IS_AXLE[number] == (channel.scope is Scope.AXLE)


@pytest.mark.parametrize("channel", CHANNELS, ids=lambda channel: channel.name)
def test_every_channel_has_a_unit_a_range_and_a_lawful_way_onto_the_wire(channel):
    assert channel.unit in UNITS
    assert np.isfinite([channel.low, channel.high]).all()
    assert channel.low < channel.high
    if channel.wire_unit is not None:
        # Version 10 of SenML allows primary units only (RFC 9100 section 4).
        assert UNITS[channel.wire_unit].registry == "primary"
        conversion(channel.unit, channel.wire_unit)


def test_a_channel_goes_out_bare_only_where_the_registry_has_no_unit_for_it():
    bare = {channel.unit for channel in CHANNELS if channel.wire_unit is None and not channel.derived}
    assert bare == {"N.m", "/", "flag", "word", "bits", "K/min"}


def test_words_have_a_code_each_within_the_plausible_range():
    for channel in CHANNELS:
        if channel.words:
            assert (channel.low, channel.high) == (0.0, len(channel.words) - 1.0)
    assert CHANNELS[INDEX["height-mode"]].words == HEIGHT_MODES


def test_groups_of_vibration_channels_are_parts_of_the_table():
    assert len(ORDER_CHANNELS) == 11
    assert len(ENVELOPE_CHANNELS) == 4
    assert all(CHANNELS[INDEX[name]].unit == "m/s2" for name in (*ORDER_CHANNELS, *ENVELOPE_CHANNELS))


def test_a_road_truck_is_plausible():
    # 65 mi/h, 250 degF and 9 in are everyday values of trade manuals; a table that refused them would be wrong.
    for name, value in (
        ("speed", convert(65.0, "mi/h", "km/h")),
        ("lube", convert(250.0, "degF", "Cel")),
        ("height/left", convert(9.0, "in", "mm")),
    ):
        assert LOW[INDEX[name]] < value < HIGH[INDEX[name]]


def test_every_default_limit_says_its_source_and_has_a_known_unit():
    for limit in LIMITS.values():
        assert limit.source
        assert limit.unit in {*UNITS, "1/s2"}
