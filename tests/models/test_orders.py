"""Frequencies of rotating sources against worked examples."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from axlewright_models import orders, signals
from axlewright_models.errors import ModelError

MILE_KM = 1.609344
# 500 revolutions per mile; 41 to 12 is an axle ratio of 3.4167, printed as 3.42.
TRAIN = orders.Train(500 / MILE_KM, 41, 12)


def test_regulation_example_of_508_turns_per_mile():
    # 40 CFR 1037.528(h)(5): 508 rev/mile = 0.315657 rev/m; 28.86 m/s -> 9.1098 rev/s.
    turns_per_km = 508 / MILE_KM
    assert_allclose(turns_per_km / 1000, 0.315657, atol=5e-7)
    assert_allclose(orders.wheel_frequency(28.86 * 3.6, turns_per_km), 9.1098, atol=5e-5)


def test_regulation_example_of_shaft_speed():
    # 40 CFR 1036.545, equation 1: ka 4.0, r 0.399 m, 20.0019 m/s -> 31.914 rev/s = 1914.8 rev/min.
    frequency = orders.shaft_frequency(20.0019 * 3.6, 1000 / (2 * np.pi * 0.399), 4.0)
    assert_allclose(frequency, 31.914, atol=5e-4)
    assert_allclose(60 * frequency, 1914.8, atol=0.05)


def test_sixty_five_miles_an_hour_of_the_reference():
    # Worked example: 65 mi/h, 500 rev/mi, i = 3.42.
    speed = 65 * MILE_KM
    assert_allclose(orders.wheel_frequency(speed, 500 / MILE_KM), 9.028, atol=5e-4)
    assert_allclose(orders.shaft_frequency(speed, 500 / MILE_KM, 3.42), 30.875, atol=5e-4)
    frequencies = orders.order_frequencies(speed, TRAIN, gear_ratio=1.0)
    # 41/12 instead of the rounded 3.42 moves these by 0.1 %.
    assert_allclose(frequencies["driveshaft-2"], 61.75, rtol=1.1e-3)
    assert_allclose(frequencies["engine-3"], 92.6, rtol=1.5e-3)
    assert_allclose(frequencies["mesh-1"], 370.14, atol=0.005)


def test_workshop_figure_of_one_turn_a_second_per_five_miles_an_hour():
    # A light-vehicle maker's workshop information: 1.07 rev/s per 5 mi/h -> 12.84 Hz at 60 mi/h.
    turns_per_km = 1.07 * 3600 / (5 * MILE_KM)
    assert_allclose(orders.wheel_frequency(60 * MILE_KM, turns_per_km), 12.84, rtol=1e-12)


@pytest.mark.parametrize(("circumference_in", "per_mile"), [(136, 465.9), (132, 480.0)])  # trade article
def test_circumference_gives_the_printed_turns_per_mile(circumference_in, per_mile):
    turns_per_km = 1e6 / (circumference_in * 25.4)
    assert_allclose(turns_per_km * MILE_KM, per_mile, atol=0.05)
    assert_allclose(orders.wheel_frequency(MILE_KM * 3600, turns_per_km), per_mile, atol=0.05)


def test_every_order_channel_has_a_frequency_under_its_name():
    names = {name.removeprefix("vib/order/") for name in signals.ORDER_CHANNELS}
    assert names == set(orders.source_orders(TRAIN, gear_ratio=0.73))


def test_without_a_gear_the_engine_is_left_out():
    assert not [name for name in orders.source_orders(TRAIN) if name.startswith("engine")]


def test_reverse_gear_turns_the_engine_forward():
    assert orders.source_orders(TRAIN, -4.0)["engine-1"] == orders.source_orders(TRAIN, 4.0)["engine-1"]


def test_firing_of_five_cylinders_is_order_two_and_a_half():
    assert "engine-2.5" in orders.source_orders(orders.Train(310.0, 41, 12, cylinders=5), 1.0)


def test_direct_gear_hides_the_crankshaft_behind_the_driveshaft():
    at = orders.source_orders(TRAIN, gear_ratio=1.0)
    assert orders.ambiguous_with("engine-1", at, 0.05) == ("driveshaft-1",)
    assert orders.separating_gears("engine-1", "driveshaft-1", TRAIN, [1.0, 0.73], 0.05) == (0.73,)


def test_an_overdrive_of_three_quarters_keeps_firing_clear_of_the_driveshaft():
    # Firing at 3 x 0.75 = 2.25 shaft orders, between 2 and 4.
    at = orders.source_orders(TRAIN, gear_ratio=0.75)
    assert orders.ambiguous_with("engine-3", at, 0.2) == ()


def test_a_chain_of_neighbours_is_one_group():
    assert orders.coincidences({"a": 10.0, "b": 10.4, "c": 10.8, "d": 12.0}, 0.5) == (("a", "b", "c"),)


def test_frequencies_keep_the_shape_of_the_speeds():
    speeds = np.array([[30.0, 60.0], [90.0, 0.0]])
    frequencies = orders.order_frequencies(speeds, TRAIN)
    assert frequencies["wheel-1"].shape == (2, 2)
    assert frequencies["mesh-2"][1, 1] == 0.0


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: orders.Train(0.0, 41, 12), "revolutions_per_km is 0.0; a tyre has about 200 to 400 per km"),
        (lambda: orders.Train(310.0, 0, 12), "ring_teeth 0 and pinion_teeth 12 must both be above 0"),
        (lambda: orders.Train(310.0, 41, 12, 0), "cylinders is 0"),
        (lambda: orders.harmonics(1.0, 0), "ask for 1 or more"),
        (lambda: orders.coincidences({}, 0.0), "resolution is 0.0"),
        (
            lambda: orders.separating_gears("fan-1", "wheel-1", TRAIN, [1.0], 0.1),
            "no source 'fan-1'; use one of wheel-1",
        ),
    ],
)
def test_mistakes_are_named(call, text):
    with pytest.raises(ModelError, match=text):
        call()
