"""Sensors that speak plausibly and not the truth, on trucks whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest
from known_truth import BEGIN_S, HOUR, Faults, Journey, chunk, fleet, hours, raised, rows, signals, watch

from axlewright_models.shop.service import ServiceEvent
from axlewright_models.signals import INDEX
from axlewright_server.detectors import sensor_truth
from axlewright_server.detectors.lube_limit import LubeLimit
from axlewright_server.detectors.lube_model import LubeModel
from axlewright_server.detectors.sensor_health import SensorHealth
from axlewright_server.kernel import Kernel

# Nights long enough to cool down, seven working days before the fault and five after.
DAY = (("drive", 3.0), ("park", 9.0))
WEEK = Journey(DAY * 13)
FAULT_H = 12.0 * 8


def sensors_of(result):
    """Return what was said of sensors: (key, axle)."""
    return {(symptom.key, symptom.axle) for symptom in raised(result) if symptom.code.startswith("sensor-")}


def uneven(seed, faults=None):
    """Return a truck whose load shifts between left and right: the heavier side stands lower under more pressure."""
    made = signals(Journey((("drive", 40.0),)), seed, faults)
    rng = np.random.default_rng(seed)
    shift = np.repeat(rng.normal(0.0, 1.0, len(made) // 30 + 1), 30)[: len(made)]
    for axle in (1, 2):
        made[:, axle, INDEX["bellows/left"]] += 12.0 * shift
        made[:, axle, INDEX["bellows/right"]] -= 12.0 * shift
        made[:, axle, INDEX["height/left"]] -= 1.5 * shift
        made[:, axle, INDEX["height/right"]] += 1.5 * shift
    return made


@pytest.fixture(scope="module")
def sound():
    return watch(
        [signals(WEEK, 1), signals(WEEK, 2, Faults(heat_kw=lambda t: 2.0 * (t > FAULT_H * HOUR)))], LubeModel()
    )


def test_sound_sensors_are_believed_also_those_of_an_axle_that_really_runs_hot(sound):
    assert not sensors_of(sound)


@pytest.mark.parametrize("bias", [6.0, -6.0])
def test_a_bias_is_told_after_some_parks_on_the_axle_that_has_it(bias):
    faults = Faults(axle=1, read_lube=lambda t, lube: lube + bias * (t > FAULT_H * HOUR))
    found = sensors_of(watch([signals(WEEK, 1, faults)], LubeModel()))
    assert found == {("sensor-bias:lube", 1)}


def test_a_slow_drift_is_told_as_one():
    long = Journey(DAY * 30)
    faults = Faults(read_lube=lambda t, lube: lube + 10.0 * np.clip((t / HOUR - FAULT_H) / 240.0, 0.0, 1.0))
    found = {key for key, axle in sensors_of(watch([signals(long, 1, faults)], LubeModel())) if axle == 0}
    assert found & {"sensor-drift:lube", "sensor-bias:lube"}


@pytest.mark.parametrize(("channel", "spread"), [("lube", 4.0), ("height/left", 25.0)])
def test_a_noisy_sensor_is_told(channel, spread):
    made = signals(Journey((("drive", 12.0),)), 1)
    rng = np.random.default_rng(5)
    noise = np.repeat(rng.normal(0.0, spread, len(made) // 6 + 1), 6)[: len(made)]
    made[8 * 360 :, 1, INDEX[channel]] += noise[8 * 360 :]
    found = raised(watch([made], LubeModel()), "sensor-noisy")
    assert [(symptom.channel, symptom.axle) for symptom in found][:1] == [(channel, 0)]
    assert 8.0 < hours(found[0]) < 10.0


def test_swapped_height_plugs_are_told_by_the_load_that_leans_the_wrong_way():
    sound, wrong = uneven(1), uneven(1)
    left, right = INDEX["height/left"], INDEX["height/right"]
    later = slice(20 * 360, None)
    wrong[later, 1, left], wrong[later, 1, right] = sound[later, 1, right], sound[later, 1, left]
    assert not sensors_of(watch([sound], LubeModel()))
    # Under a load that shifts so much the frame seems to twist as well, until the swap is known.
    found = sensors_of(watch([wrong], LubeModel()))
    assert found >= {("sensor-swapped:height/left", 0), ("sensor-swapped:height/right", 0)}
    assert all("height" in key for key, _ in found)


def test_inches_and_fahrenheit_are_told_and_hidden_from_the_other_detectors():
    made = signals(Journey((("drive", 6.0), ("park", 2.0), ("drive", 3.0))), 1)
    inches, fahrenheit = made.copy(), made.copy()
    inches[3 * 360 :, 1, INDEX["height/right"]] /= 25.4
    later = fahrenheit[8 * 360 :, 1]
    later[:, INDEX["lube"]] = 1.8 * later[:, INDEX["lube"]] + 32.0
    assert ("sensor-wrong-unit:height/right", 0) in sensors_of(watch([inches], LubeModel()))
    assert ("sensor-wrong-unit:lube", 0) in sensors_of(watch([fahrenheit], LubeModel()))


def replaced_warm(read, heat_kw=0.0, window_s=60.0):
    """Return what is raised of a truck whose forward lube sensor is replaced after three hours on the road."""
    heat = Faults(heat_kw=lambda t: np.where(t > 3.0 * HOUR, heat_kw, 0.0))
    made = signals(Journey((("drive", 5.0),)), 1, heat)
    lube = made[3 * 360 + 6 :, 1, INDEX["lube"]]
    lube[:] = read(lube)
    # A minute in the workshop without a reading.
    made[3 * 360 : 3 * 360 + 6, 1, INDEX["lube"]] = np.nan
    every = rows([made], window_s)
    kernel = Kernel(fleet(1), (LubeLimit(),))
    before = kernel.run(chunk(every, BEGIN_S, BEGIN_S + 3.0 * HOUR))
    assert not raised(before)
    kernel.service(ServiceEvent("t-0", 2, BEGIN_S + 3.0 * HOUR, frozenset({"lube-sensor"})))
    return raised(kernel.run(chunk(every, BEGIN_S + 3.0 * HOUR, BEGIN_S + 5.0 * HOUR)))


@pytest.mark.parametrize("window_s", [10.0, 60.0])
def test_a_new_sensor_in_fahrenheit_on_a_warm_axle_is_told_before_anybody_calls_the_axle_hot(window_s):
    found = replaced_warm(lambda lube: 1.8 * lube + 32.0, window_s=window_s)
    assert {(symptom.key, symptom.axle) for symptom in found} == {("sensor-wrong-unit:lube", 0)}
    assert hours(found[0]) < 3.25


def test_an_axle_that_grows_hot_after_its_sensor_was_replaced_is_still_called_hot():
    assert not replaced_warm(lambda lube: lube)
    keys = {symptom.key for symptom in replaced_warm(lambda lube: lube, heat_kw=12.0)}
    assert "lube-hot" in keys
    assert "sensor-wrong-unit:lube" not in keys


def test_a_loose_vibration_sensor_is_told_by_the_trucks_own_doubt():
    made = signals(Journey((("drive", 2.0),)), 1)
    made[:, 1, INDEX["vib/quality"]] = 0.0
    made[360:, 1, INDEX["vib/quality"]] = sensor_truth.LOOSE_BIT
    found = raised(watch([made], LubeModel()), "sensor-loose")
    assert [(symptom.key, symptom.axle) for symptom in found] == [("sensor-loose:vib/rms", 0)]
    assert 1.0 < hours(found[0]) < 1.3


def test_a_replaced_sensor_is_forgiven_and_others_are_not():
    detector = SensorHealth()
    record = detector.fresh(1)
    record["noise_count"], record["ever"], record["on"] = 500.0, True, True
    renewed = detector.serviced(record.copy(), frozenset({"lube-sensor"}))
    assert renewed["noise_count"].tolist() == [[0.0, 500.0, 500.0]]
    assert renewed["ever"].tolist() == [[False] + [True] * 7]
    assert detector.forgets("sensor-bias:lube", frozenset({"lube-sensor"}))
    assert not detector.forgets("sensor-stuck:height/left", frozenset({"lube-sensor"}))
    assert detector.serviced(record.copy(), frozenset({"driveshaft"})).tobytes() == record.tobytes()


def parked_ends(parks_h, offset_k=lambda number: 0.0):
    """Return after which parks (numbers from 0) something is said of two axles, of which one cools a third more slowly.

    Both stop 50 K above the air; time constants of six and eight hours.
    """
    state = np.zeros(2, dtype=sensor_truth.FIELDS)
    sensor_truth.clear(state)
    told = []
    for number, stood_h in enumerate(parks_h):
        quick_k, slow_k = 50.0 * np.exp(-stood_h / 6.0), 50.0 * np.exp(-stood_h / 8.0) + offset_k(number)
        apart = quick_k - slow_k
        state["stop"], state["stood_s"] = 0.0, stood_h * 3600.0
        state["park_end"] = [[apart, quick_k], [-apart, slow_k]]
        sensor_truth._judge_park(state, np.full(2, 86400.0 * number))
        if state["park_level"].any():
            told.append(number)
    return told


NIGHTS_H = [13.0, 14.5, 13.5, 15.0, 14.0]


def test_weekends_and_axles_that_cool_unequally_are_no_bias_of_a_sensor():
    assert parked_ends([*NIGHTS_H, 38.0, 39.0, *NIGHTS_H, 38.0, *NIGHTS_H, 62.0, 38.0]) == []


def test_a_sensor_that_is_off_is_told_within_a_week_of_nights_and_of_weekends_alike():
    nights = parked_ends(NIGHTS_H * 4, lambda number: 5.0 if number >= 8 else 0.0)
    assert nights and 8 <= nights[0] <= 11
    mixed = parked_ends([*NIGHTS_H, 38.0] * 4, lambda number: 5.0 if number >= 8 else 0.0)
    assert mixed and 8 <= mixed[0] <= 13
