"""Sensors whose errors only the rest of the tandem shows: gain, scatter, place, a twisted frame, a step of the lube."""

from __future__ import annotations

import numpy as np
import pytest
from known_truth import BEGIN_S, HOUR, Journey, fleet, hours, raised, rows, signals

from axlewright_models.shop.service import ServiceEvent
from axlewright_models.signals import INDEX, NAMES
from axlewright_server.detectors.sensor_frame import culprit
from axlewright_server.detectors.sensor_health import SensorHealth
from axlewright_server.kernel import Kernel

# A baseline wants several days; then one of faults.
JOURNEY = Journey((("drive", 3.0), ("park", 9.0), ("drive", 4.0), ("park", 8.0)) * 6 + (("drive", 8.0),))
FAULT_H = 24.0 * 6 + 0.5
SHAKING = [number for number, name in enumerate(NAMES) if name.startswith("vib/") and name != "vib/kurtosis"]
FAULTY = slice(round(FAULT_H * 360), None)


def truck(seed, faults=None):
    """Return a sound truck whose rear axle differs from its forward one: in some lines, and by 5 % of the heat."""
    made = signals(JOURNEY, seed, faults)
    made[:, 2, SHAKING] *= np.exp(np.random.default_rng(7).choice([-0.35, 0.0, 0.35], len(SHAKING)))
    return made


def scaled(made, axle, columns, factor):
    """Return the truck with some channels of an axle multiplied from the fault on."""
    part = made[FAULTY, axle, :]
    part[:, columns] *= factor
    made[FAULTY, axle, :] = part
    return made


def scattering():
    made = truck(1)
    shape = (made[FAULTY].shape[0] // 6 + 1, len(SHAKING))
    noise = np.repeat(np.random.default_rng(3).lognormal(0.0, 1.0, shape), 6, axis=0)[: made[FAULTY].shape[0]]
    part = made[FAULTY, 1, :]
    part[:, SHAKING] *= noise
    made[FAULTY, 1, :] = part
    return made


def exchanged(columns):
    made = truck(1)
    forward, rear = made[FAULTY, 1, :].copy(), made[FAULTY, 2, :].copy()
    made[FAULTY, 1, :] = np.where(np.isin(np.arange(made.shape[2]), columns), rear, forward)
    made[FAULTY, 2, :] = np.where(np.isin(np.arange(made.shape[2]), columns), forward, rear)
    return made


def moved(left=0.0, right=0.0, axles=(1,)):
    made = truck(1)
    for axle in axles:
        made[FAULTY, axle, INDEX["height/left"]] += left
        made[FAULTY, axle, INDEX["height/right"]] += right
    return made


def lube(change, axle=1):
    made = truck(1)
    made[FAULTY, axle, INDEX["lube"]] = change(made[FAULTY, axle, INDEX["lube"]])
    return made


def uneven_heat():
    """Return a truck whose forward axle always runs warmer by a tenth of its rise, and whose plugs change places."""
    made = truck(1)
    place = INDEX["lube"]
    rise = made[:, 1, place] - 15.0
    made[:, 1, place] += 0.1 * rise
    made[FAULTY, 1, place], made[FAULTY, 2, place] = made[FAULTY, 2, place].copy(), made[FAULTY, 1, place].copy()
    return made


MESH = [INDEX[name] for name in NAMES if name.startswith(("vib/order/mesh", "vib/envelope")) or name == "vib/rms"]
CASES = {
    "sound": (truck(2), set()),
    "half the gain": (scaled(truck(1), 1, SHAKING, 0.5), {("sensor-bias:vib/rms", 0)}),
    "a third more than twice the gain": (scaled(truck(1), 2, SHAKING, 2.3), {("sensor-bias:vib/rms", 1)}),
    "multiples of gravity": (scaled(truck(1), 1, SHAKING, 1.0 / 9.80665), {("sensor-wrong-unit:vib/rms", 0)}),
    "gears and bearings that shout": (scaled(truck(1), 1, MESH, 4.0), set()),
    "scatter": (scattering(), {("sensor-noisy:vib/rms", 0)}),
    "vibration plugs swapped": (exchanged(SHAKING), {("sensor-swapped:vib/rms", 0), ("sensor-swapped:vib/rms", 1)}),
    "one height reads high": (moved(left=20.0), {("sensor-bias:height/left", 0)}),
    "one height reads low": (moved(right=-15.0, axles=(2,)), {("sensor-bias:height/right", 1)}),
    "the valve let the truck down": (moved(-25.0, -25.0, (1, 2)), set()),
    "the truck leans": (moved(12.0, -12.0, (1, 2)), set()),
    "the lube steps up": (lube(lambda value: value + 9.0), {("sensor-bias:lube", 0)}),
    "the lube steps down": (lube(lambda value: value - 9.0, 2), {("sensor-bias:lube", 1)}),
    "lube plugs swapped": (uneven_heat(), {("sensor-swapped:lube", 0), ("sensor-swapped:lube", 1)}),
}


@pytest.fixture(scope="module")
def told():
    """Return what was said of the sensors of each case, all trucks in one run."""
    trucks = [made for made, _ in CASES.values()]
    kernel = Kernel(fleet(len(trucks)), [])
    swapped = kernel.table.vehicles[list(CASES).index("lube plugs swapped")]
    kernel.service(ServiceEvent(swapped, 2, BEGIN_S + FAULT_H * HOUR, frozenset({"lube-sensor"})))
    result = kernel.run(rows(trucks))
    found = {name: [] for name in CASES}
    names = list(CASES)
    for symptom in raised(result):
        found[names[int(kernel.table.vehicle[symptom.axle])]].append(symptom)
    return found


@pytest.mark.parametrize("name", CASES)
def test_what_errs_is_named_on_its_axle_and_nothing_else(told, name):
    numbers = {symptom.axle for symptom in told[name]}
    first = min(numbers, default=0) // 2 * 2
    assert {(symptom.key, symptom.axle - first) for symptom in told[name]} == CASES[name][1]
    assert all(hours(symptom) > FAULT_H for symptom in told[name])


@pytest.mark.parametrize("name", ["one height reads high", "the lube steps up", "half the gain"])
def test_a_step_is_told_within_two_hours_of_driving(told, name):
    assert all(hours(symptom) < FAULT_H + 2.0 for symptom in told[name])


def test_the_culprit_is_the_sensor_without_which_least_has_moved():
    # Closed form: any bounce, and one sensor's error on top.
    for which in range(4):
        for error in (-20.0, 12.0):
            away = np.full((1, 4), 7.0)
            away[0, which] += error
            assert culprit(away).tolist() == [which]


def test_a_frame_that_bounces_rolls_and_pitches_has_no_twist():
    bounce, roll, pitch = 5.0, 8.0, -3.0
    away = np.array([[bounce + roll + pitch, bounce - roll + pitch, bounce + roll - pitch, bounce - roll - pitch]])
    assert culprit(away).tolist() == [-1]


def test_the_gains_baseline_outlives_a_new_sensor_but_not_a_new_assembly():
    detector = SensorHealth()
    record = detector.fresh(1)
    record["gain_count"], record["gain_mean"], record["gain_kind"] = 40.0, -2.0, 1
    renewed = detector.serviced(record.copy(), frozenset({"vibration-sensor"}))
    assert (renewed["gain_mean"] == -2.0).all() and renewed["gain_kind"].tolist() == [0]
    assert (detector.serviced(record.copy(), frozenset({"carrier-assembly"}))["gain_count"] == 0.0).all()
