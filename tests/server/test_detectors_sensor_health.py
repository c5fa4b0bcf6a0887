"""Sensor health against sensors whose fault is known."""

from __future__ import annotations

import numpy as np
import pytest
from known_truth import HOUR, Faults, Journey, after, fleet, hours, raised, rows, signals, watch

from axlewright_models.signals import INDEX
from axlewright_server.detectors.lube_limit import LubeLimit
from axlewright_server.detectors.ride_height import RideHeight
from axlewright_server.kernel import Kernel

DAY = Journey((("drive", 3.0), ("park", 1.0), ("drive", 2.0)))


def only_health(made, window_s=60.0):
    """Return what sensor health finds; the ride height detector is there because a kernel needs one."""
    return [
        symptom
        for symptom in watch([made], RideHeight(), window_s=window_s).symptoms
        if symptom.code.startswith("sensor-")
    ]


def found(faults, window_s=60.0):
    return [(symptom.code, symptom.channel, symptom.axle) for symptom in only_health(signals(DAY, 1, faults), window_s)]


def test_healthy_sensors_are_believed():
    assert not found(Faults())


@pytest.mark.parametrize("reading", [-40.0, 210.0, 250.0, -80.0])
@pytest.mark.parametrize("window_s", [10.0, 60.0])
def test_a_broken_wire_reads_out_of_range(reading, window_s):
    faults = Faults(axle=1, read_lube=lambda t, x: np.where(t > HOUR, reading, x))
    assert found(faults, window_s) == [("sensor-range", "lube", 1)]


def test_a_reading_far_below_the_air_is_out_of_range():
    faults = Faults(read_lube=lambda t, x: np.where(t > HOUR, -20.0, x))
    assert found(faults)[0] == ("sensor-range", "lube", 0)


def test_a_lube_sensor_that_stands_still_is_stuck():
    faults = Faults(read_lube=lambda t, x: np.where(t > HOUR, x[359], x))
    symptoms = [symptom for symptom in only_health(signals(DAY, 1, faults)) if symptom.code == "sensor-stuck"]
    assert (symptoms[0].channel, symptoms[0].axle) == ("lube", 0)
    assert hours(symptoms[0]) < 5.0


def test_a_coarse_lube_sensor_in_steady_driving_is_not_stuck():
    steady = signals(Journey((("drive", 6.0),)), 2)
    t = np.arange(len(steady))
    steady[:, 0, INDEX["speed"]] = 80.0
    for axle in (1, 2):
        # Warm and steady within half a kelvin for hours: one step of a sensor that resolves 1 K.
        steady[:, axle, INDEX["lube"]] = np.rint(75.0 + 0.3 * np.sin(t / 500.0))
    assert not only_health(steady)


def test_a_height_sensor_that_stands_still_on_the_road_is_stuck():
    faults = Faults(read_left=lambda t, x: np.where(t > HOUR, 240.0, x))
    assert ("sensor-stuck", "height/left", 0) in found(faults)


def test_a_lube_reading_that_jumps_about_is_erratic():
    jumping = np.random.default_rng(5)
    faults = Faults(read_lube=lambda t, x: np.where(t > HOUR, x + jumping.choice([-30.0, 0.0, 30.0], len(t)), x))
    assert ("sensor-erratic", "lube", 0) in found(faults, 10.0)


def test_one_wild_reading_is_passed_over_in_silence():
    faults = Faults(read_lube=lambda t, x: np.where(np.abs(t - HOUR) < 5.0, 140.0, x))
    result = watch([signals(DAY, 1, faults)], LubeLimit(), window_s=10.0)
    assert not result.symptoms


def test_an_axle_that_warms_up_from_cold_is_not_erratic():
    assert not [code for code, _, _ in found(Faults(heat_kw=after(0.0, 2.0))) if code == "sensor-erratic"]


def test_heights_further_apart_than_a_frame_can_lean_disagree():
    faults = Faults(read_left=lambda t, x: np.where(t > HOUR, x - 120.0, x))
    assert found(faults)[0] == ("sensor-disagreement", "height/left", 0)


def test_a_channel_that_falls_silent_is_told_and_one_that_never_spoke_is_not():
    assert found(Faults(lost={"lube": after(1.0, 1.0)})) == [("sensor-silent", "lube", 0)]
    never = signals(DAY, 1)
    never[:, :, INDEX["lube"]] = np.nan
    assert not only_health(never)


def test_silence_while_parked_with_the_ignition_off_is_no_fault():
    made = signals(Journey((("drive", 1.0), ("park", 5.0), ("drive", 1.0))), 1)
    parked = made[:, 0, INDEX["parked"]] > 0.5
    made[parked, 1:] = np.nan
    assert not only_health(made)


def test_vibration_is_missed_only_on_the_road():
    assert found(Faults(lost={"vib/rms": after(1.0, 1.0)})) == [("sensor-silent", "vib/rms", 0)]


def test_a_sensor_that_comes_back_is_believed_again():
    faults = Faults(read_lube=lambda t, x: np.where((t > HOUR) & (t < 1.5 * HOUR), -40.0, x))
    symptoms = only_health(signals(DAY, 1, faults))
    assert [symptom.level for symptom in symptoms] == [1, 0]
    assert hours(symptoms[1]) < 1.75


def test_the_veto_hides_the_channel_from_other_detectors():
    faults = Faults(read_lube=lambda t, x: np.where(t > HOUR, 207.0, x))
    assert not raised(watch([signals(DAY, 1, faults)], LubeLimit()), "lube-hot")


def test_the_veto_of_one_height_leaves_the_other_side_to_judge_by():
    faults = Faults(read_left=lambda t, x: np.where(t > HOUR, np.nan, x), height_mm=after(2.0, -20.0))
    assert raised(watch([signals(DAY, 1, faults)], RideHeight()), "height-low")


def test_a_dead_vibration_sensor_mutes_every_line():
    made = signals(DAY, 1)
    made[720:, 1, INDEX["vib/rms"]] = 0.0
    kernel = Kernel(fleet(1), [RideHeight()])
    kernel.run(rows([made]))
    state = kernel._states[0]
    masked = kernel._health.masked(state, np.ones((2, len(INDEX))))
    lines = [number for name, number in INDEX.items() if name.startswith("vib/")]
    assert np.isnan(masked[0, lines]).all()
    assert not np.isnan(masked[1, lines]).any()
