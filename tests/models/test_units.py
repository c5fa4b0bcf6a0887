"""Units, held against the tables of RFC 8428 and RFC 8798 and against exact definitions."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from axlewright_models.errors import UnitError
from axlewright_models.units import UNITS, conversion, convert, unit

# RFC 8428, section 12.1: the rows that a vehicle can need.
RFC_8428 = "m kg g s A K Hz rad N Pa J W V Ohm Cel m2 m3 l m/s m/s2 W/m2 lat lon count / % %RH 1/s 1/min beat/min"
# RFC 8798, section 2.
RFC_8798_PRIMARY = "B VA J/m kg/m3 deg"
# RFC 8798, section 3: name, primary unit, scale; every offset in our part of the table is 0.
RFC_8798_SECONDARY = [
    ("ms", "s", Fraction(1, 1000)),
    ("min", "s", Fraction(60)),
    ("h", "s", Fraction(3600)),
    ("kW", "W", Fraction(1000)),
    ("kVA", "VA", Fraction(1000)),
    ("Wh", "J", Fraction(3600)),
    ("kWh", "J", Fraction(3600000)),
    ("mV", "V", Fraction(1, 1000)),
    ("mA", "A", Fraction(1, 1000)),
    ("mm/h", "m/s", Fraction(1, 3600000)),
    ("ppm", "/", Fraction(1, 1000000)),
    ("/100", "/", Fraction(1, 100)),
    ("hPa", "Pa", Fraction(100)),
    ("mm", "m", Fraction(1, 1000)),
    ("cm", "m", Fraction(1, 100)),
    ("km", "m", Fraction(1000)),
    ("km/h", "m/s", Fraction(10, 36)),
]


def test_primary_units_are_those_of_the_registry():
    ours = {name for name, known in UNITS.items() if known.registry == "primary"}
    assert ours == set(f"{RFC_8428} {RFC_8798_PRIMARY}".split())


@pytest.mark.parametrize(("name", "primary", "scale"), RFC_8798_SECONDARY)
def test_secondary_units_scale_as_the_rfc_says(name, primary, scale):
    assert UNITS[name].registry == "secondary"
    assert UNITS[primary].registry == "primary"
    assert conversion(name, primary) == (pytest.approx(float(scale), rel=1e-15), 0.0)


# International yard and pound agreement of 1959: one inch is 25.4 mm, one mile 1609.344 m, both exact.
EXACT = [
    (1.0, "in", "mm", 25.4),
    (10.0, "in", "mm", 254.0),
    (1.0, "mi", "m", 1609.344),
    (1.0, "mi", "km", 1.609344),
    (1.0, "km", "m", 1000.0),
    (1.0, "m/s", "km/h", 3.6),
    (1.0, "kPa", "Pa", 1000.0),
    (1.0, "Hz", "1/min", 60.0),
    (0.5, "%", "/", 0.5),  # the registry's "%" is a ratio, RFC 8428 section 12.1 note 1
    (50.0, "/100", "/", 0.5),
]


@pytest.mark.parametrize(("value", "source", "target", "expected"), EXACT)
def test_exact_definitions_stay_exact(value, source, target, expected):
    assert convert(value, source, target) == expected


# Fixed points that define the scales: ice 0 Cel = 32 degF = 273.15 K, and -40 degF = -40 Cel.
TEMPERATURES = [
    (0.0, "Cel", "K", 273.15),
    (32.0, "degF", "Cel", 0.0),
    (212.0, "degF", "Cel", 100.0),
    (-40.0, "degF", "Cel", -40.0),
    (0.0, "K", "Cel", -273.15),
    (250.0, "degF", "Cel", 121.1111111111111),
]


@pytest.mark.parametrize(("value", "source", "target", "expected"), TEMPERATURES)
def test_temperatures_meet_at_their_fixed_points(value, source, target, expected):
    # The offset 273.15 leaves a rounding of a few times 1e-14.
    assert convert(value, source, target) == pytest.approx(expected, abs=2e-13)


def test_one_psi_is_a_pound_force_on_a_square_inch():
    # 0.45359237 kg (exact) times standard gravity 9.80665 m/s2 (exact) over (0.0254 m) squared.
    assert UNITS["psi"].scale == pytest.approx(0.45359237 * 9.80665 / 0.0254**2, rel=1e-15)


pairs = st.tuples(st.sampled_from(list(UNITS)), st.sampled_from(list(UNITS))).filter(
    lambda pair: UNITS[pair[0]].dimension == UNITS[pair[1]].dimension
)


@given(st.floats(-1e6, 1e6), pairs)
def test_there_and_back_again_changes_nothing(value, pair):
    source, target = pair
    back = convert(convert(value, source, target), target, source)
    # A temperature passes an offset of up to 460 degrees, which costs its last bits.
    offset_error = 1e-15 * 600 * 10 if UNITS[source].dimension == "temperature" else 0.0
    assert back == pytest.approx(value, rel=1e-14, abs=offset_error + 1e-300)


def test_arrays_are_converted_element_by_element():
    speeds = np.array([[0.0, 10.0], [20.0, np.nan]])
    np.testing.assert_array_equal(convert(speeds, "m/s", "km/h"), speeds * 3.6)


@pytest.mark.parametrize(
    ("source", "target", "message"),
    [
        ("m", "Cel", "'m' measures length, but 'Cel' measures temperature"),
        ("N.m", "J", "'N.m' measures torque, but 'J' measures energy"),
        ("furlong", "m", "unknown unit 'furlong'; use one of m, kg"),
        ("m", "Mm", "unknown unit 'Mm'"),
    ],
)
def test_a_wrong_conversion_is_refused_by_name(source, target, message):
    with pytest.raises(UnitError) as caught:
        conversion(source, target)
    assert message in str(caught.value)


def test_a_unit_is_found_by_its_name():
    assert unit("km/h").dimension == "speed"
