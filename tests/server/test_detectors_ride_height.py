"""Ride height and leak-down against trucks whose height is known."""

from __future__ import annotations

import numpy as np
import pytest
from known_truth import BEGIN_S, HOUR, Faults, Journey, after, fleet, hours, raised, rows, signals, watch

from axlewright_models.signals import INDEX
from axlewright_models.statistics import siegmund_run_length
from axlewright_server.detectors.leak_down import LeakDown
from axlewright_server.detectors.ride_height import RideHeight
from axlewright_server.kernel import Batch, Kernel

DRIVE = Journey((("drive", 4.0),))


@pytest.mark.parametrize("window_s", [10.0, 60.0])
@pytest.mark.parametrize(("deviation_mm", "code"), [(-14.0, "height-low"), (14.0, "height-high")])
def test_a_wrong_height_is_found_within_ten_minutes_at_any_cadence(deviation_mm, code, window_s):
    faults = Faults(axle=1, height_mm=after(2.0, deviation_mm))
    result = watch([signals(DRIVE, 3, faults)], RideHeight(), window_s=window_s)
    found = raised(result)
    # At two hours the first mean of hours is known, and so that it has moved at once.
    assert [(symptom.code, symptom.axle) for symptom in found] == [(code, 1), ("height-step", 1)]
    assert 2.0 < hours(found[0]) <= 2.0 + 10.0 / 60.0
    assert found[0].limit == 6.0
    assert abs(found[0].since_s - (BEGIN_S + 2.0 * HOUR)) <= 180.0


def test_the_estimate_converges_to_the_true_deviation():
    kernel = Kernel(fleet(1), [RideHeight()])
    result = kernel.run(rows([signals(DRIVE, 3, Faults(height_mm=after(0.0, -14.0)))]))
    static = np.array([part.values[0, 1] for part in result.derived])
    # One-minute means scatter by some 2 mm; the average of many must sit on the truth.
    assert np.mean(static[60:]) == pytest.approx(240.0 - 14.0, abs=0.5)
    assert np.std(static[60:]) < 2.0


def test_a_deviation_inside_the_tolerance_is_no_symptom():
    result = watch([signals(DRIVE, 4, Faults(height_mm=after(0.0, -3.5)))], RideHeight())
    assert not result.symptoms


def test_a_height_that_comes_back_ends_the_symptom():
    faults = Faults(height_mm=lambda t: np.where((t > HOUR) & (t < 2 * HOUR), -20.0, 0.0))
    result = watch([signals(DRIVE, 5, faults)], RideHeight())
    assert [(symptom.code, symptom.level) for symptom in result.symptoms] == [("height-low", 1), ("height-low", 0)]
    assert hours(result.symptoms[1]) < 2.5


def test_a_valve_that_slips_is_told_from_a_height_that_creeps_as_far():
    long = Journey((("drive", 60.0),))
    slipped = watch([signals(long, 2, Faults(height_mm=after(25.3, -15.0)))], RideHeight())
    creeps = Faults(height_mm=lambda t: -15.0 * np.clip((t / HOUR - 10.0) / 50.0, 0.0, 1.0))
    crept = watch([signals(long, 2, creeps)], RideHeight())
    step = raised(slipped, "height-step")
    assert len(step) == 1
    # Known as soon as the height is: whoever reads of a wrong height reads that it came at once.
    assert 25.3 < hours(step[0]) < 25.3 + 0.3
    assert step[0].value == pytest.approx(-9.0, abs=3.0)
    assert {symptom.code for symptom in raised(crept)} == {"height-low", "height-drift"}


def test_more_than_the_inspection_limit_is_level_two():
    result = watch([signals(DRIVE, 5, Faults(height_mm=after(1.0, -65.0)))], RideHeight())
    low = [symptom for symptom in result.symptoms if symptom.code == "height-low"]
    assert [symptom.level for symptom in low] == [1, 2]
    assert low[-1].limit == 50.0


@pytest.mark.parametrize(("lean_mm", "code"), [(-22.0, "lean-left"), (22.0, "lean-right")])
def test_a_lean_is_told_from_a_wrong_height(lean_mm, code):
    result = watch([signals(DRIVE, 6, Faults(lean_mm=after(1.0, lean_mm)))], RideHeight())
    assert [symptom.code for symptom in raised(result)] == [code]


def test_a_truck_lowered_by_its_driver_has_no_symptom():
    journey = Journey((("drive", 1.0), ("lowered", 1.5), ("drive", 1.0)))
    assert not watch([signals(journey, 7)], RideHeight(), LeakDown()).symptoms


def test_the_same_lowering_without_the_drivers_mode_is_a_symptom():
    made = signals(Journey((("drive", 1.0), ("lowered", 1.5), ("drive", 1.0))), 7)
    made[:, 0, INDEX["height-mode"]] = 0.0
    assert raised(watch([made], RideHeight()), "height-low")


def test_designed_run_lengths_are_those_that_the_docstring_claims():
    detector = RideHeight()
    slack, inside = 6.0 / detector.noise_mm, 5.0 / detector.noise_mm
    assert siegmund_run_length(slack, detector.decision, inside, sides="one") == pytest.approx(19_000, rel=0.02)
    outside = siegmund_run_length(slack, detector.decision, 9.0 / detector.noise_mm, sides="one")
    assert outside == pytest.approx(6.0, abs=0.5)


def test_four_hundred_axles_inside_the_tolerance_raise_nothing_in_five_hours():
    # Independent noise as the design assumes, 2 mm inside the tolerance: about 1e-3 false alarms expected in all.
    random = np.random.default_rng(11)
    kernel = Kernel(fleet(200), [RideHeight()])
    n = len(kernel.table)
    for minute in range(300):
        raw = np.full((n, len(INDEX)), np.nan)
        raw[:, INDEX["speed"]] = 80.0
        wander = random.normal(0.0, 2.0, n)
        raw[:, INDEX["height/left"]] = raw[:, INDEX["height/right"]] = 240.0 - 4.0 + wander
        times = np.full(n, BEGIN_S + 60.0 * minute)
        batch = Batch(np.arange(n), times, raw, raw, np.zeros(n), np.zeros(n, dtype=bool))
        assert not kernel.step(batch).symptoms


NIGHT = Journey((("drive", 1.0), ("park", 8.0), ("drive", 1.0)))


@pytest.mark.parametrize("window_s", [10.0, 60.0, 600.0])
def test_a_leak_is_found_on_the_first_night_at_any_cadence(window_s):
    result = watch([signals(NIGHT, 8, Faults(axle=1, sink_mm_per_h=12.0))], LeakDown(), window_s=window_s)
    found = raised(result)
    assert (found[0].code, found[0].axle, found[0].channel) == ("leak-down", 1, "height/left")
    # Ten minutes to settle, an hour of samples, one sample more for certainty.
    assert hours(found[0]) <= 1.0 + 1.5
    assert found[0].value == pytest.approx(12.0, abs=2.0)


def test_a_truck_that_sinks_slower_than_the_limit_has_no_symptom():
    assert not watch([signals(NIGHT, 9, Faults(sink_mm_per_h=3.0))], LeakDown()).symptoms


def test_a_leak_that_the_reservoir_feeds_for_hours_is_told_once_that_is_empty():
    night = Journey((("drive", 1.0), ("park", 12.0)))
    faults = Faults(height_mm=lambda t: -15.0 * np.clip(t / HOUR - 8.0, 0.0, None))
    found = raised(watch([signals(night, 8, faults)], LeakDown(), window_s=600.0))
    assert {symptom.code for symptom in found} == {"leak-down"}
    assert 8.0 < hours(found[0]) < 8.0 + 3.5


def test_a_driver_who_dumps_the_air_makes_no_leak():
    faults = Faults(height_mm=lambda t: np.where((t > 3 * HOUR) & (t < 9 * HOUR), -90.0, 0.0))
    assert not watch([signals(NIGHT, 9, faults)], LeakDown(), window_s=600.0).symptoms


def test_a_leak_that_is_repaired_ends_its_symptom_on_a_quiet_night():
    nights = Journey((("drive", 1.0), ("park", 6.0), ("drive", 1.0), ("park", 6.0)))
    faults = Faults(sink_mm_per_h=12.0)
    made = signals(nights, 8, faults)
    healthy = signals(nights, 8)
    made[7 * 360 :] = healthy[7 * 360 :]
    levels = [symptom.level for symptom in watch([made], LeakDown()).symptoms]
    assert levels[0] > 0
    assert levels[-1] == 0
