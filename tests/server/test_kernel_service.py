"""Recorded repairs through the kernel: just what was touched begins afresh, at the axle's own time."""

from __future__ import annotations

import numpy as np
import pytest
from known_truth import BEGIN_S, HOUR, Faults, Journey, after, chunk, fleet, rows, signals

from axlewright_models.errors import ModelError
from axlewright_models.shop.service import ServiceEvent
from axlewright_models.signals import INDEX
from axlewright_server.detectors.guard import Guard
from axlewright_server.detectors.housing import Housing
from axlewright_server.detectors.hunting import Hunting
from axlewright_server.detectors.ride_height import RideHeight
from axlewright_server.kernel import Kernel
from axlewright_server.memory import FORMAT, MemoryBlobError

pytestmark = pytest.mark.usefixtures("told_at_once")

DRIVE = Journey((("drive", 6.0),))
LOW = Faults(axle=0, height_mm=after(1.0, -16.0))


def event(hours, *touched, axle=2):
    return ServiceEvent("t-0", axle, BEGIN_S + hours * HOUR, frozenset(touched))


def keys(kernel, row=0):
    """Return what stands, but for how the height came about: it is known only once there is a mean of hours."""
    return {symptom.key for symptom in kernel.standing(row)} - {"height-step"}


def run(kernel, readings, begin_h, end_h):
    return kernel.run(chunk(readings, BEGIN_S + begin_h * HOUR, BEGIN_S + end_h * HOUR))


def test_a_repair_ends_what_it_touched_and_its_advisory_returns_to_normal():
    kernel, readings = Kernel(fleet(1), [RideHeight()]), rows([signals(DRIVE, 3, LOW)])
    run(kernel, readings, 0.0, 3.0)
    assert keys(kernel) == {"height-low"}
    assert any(advisory.active for advisory in kernel.advisories.values())
    kernel.service(event(2.9, "driveshaft"))
    assert keys(kernel) == {"height-low"}
    assert any(advisory.active for advisory in kernel.advisories.values())
    changes = kernel.service(event(2.95, "height-valve"))
    assert keys(kernel) == set()
    assert changes and not any(advisory.active for advisory in kernel.advisories.values())
    # It still stands low: what was said of a repair is no proof of one.
    run(kernel, readings, 3.0, 4.0)
    assert keys(kernel) == {"height-low"}


def test_a_repair_of_another_axle_or_truck_changes_nothing():
    kernel, readings = Kernel(fleet(2), [RideHeight()]), rows([signals(DRIVE, 3, LOW), signals(DRIVE, 4)])
    run(kernel, readings, 0.0, 3.0)
    before = kernel.state_blobs(np.arange(len(kernel.table)))
    assert kernel.service(event(2.0, "height-valve", axle=3)) == []
    assert kernel.service(ServiceEvent("nobody", 0, BEGIN_S, frozenset({"lube"}))) == []
    after_all = kernel.state_blobs(np.arange(len(kernel.table)))
    assert before[0] == after_all[0] and before[2:] == after_all[2:]
    assert keys(kernel) == {"height-low"}


def test_a_repair_is_done_when_the_readings_get_there_however_late_they_come():
    readings = rows([signals(DRIVE, 3, LOW)])
    early, late = Kernel(fleet(1), [RideHeight()]), Kernel(fleet(1), [RideHeight()])
    # Told beforehand, kept over a restart, and carried out between the same two windows.
    early.service(event(3.0, "height-valve", axle=0))
    run(early, readings, 0.0, 2.0)
    assert keys(early) == {"height-low"}
    again = Kernel(fleet(1), [RideHeight()])
    for row in range(2):
        again.load_state(row, early.state_blob(row))
    run(again, readings, 2.0, 6.0)
    run(late, readings, 0.0, 3.0 - 1.0 / 60.0)
    late.service(event(3.0, "height-valve", axle=0))
    run(late, readings, 3.0 - 1.0 / 60.0, 6.0)
    assert [again.state_blob(row) for row in range(2)] == [late.state_blob(row) for row in range(2)]


def test_every_symptom_that_a_repair_ends_is_one_that_its_record_no_longer_holds():
    kernel = Kernel(fleet(1))
    for detector, state in zip(kernel._detectors, kernel._states, strict=True):
        renewed = detector.serviced(state.copy(), frozenset({"carrier-assembly", "height-valve", "height-sensor"}))
        assert renewed.dtype == state.dtype and len(renewed) == len(state)


@pytest.mark.parametrize("words", [frozenset(), frozenset({"engine"})])
def test_words_outside_the_set_are_refused(words):
    with pytest.raises(ModelError, match="use one or more of"):
        ServiceEvent("t-0", 2, BEGIN_S, words)


def test_memory_begins_with_its_format_and_another_format_is_refused():
    kernel = Kernel(fleet(1))
    blob = kernel.state_blob(0)
    assert blob[0] == FORMAT
    with pytest.raises(MemoryBlobError, match="knows format"):
        kernel.load_state(0, bytes([FORMAT + 1]) + blob[1:])
    with pytest.raises(MemoryBlobError):
        kernel.load_state(0, b"")


def test_the_guards_word_is_passed_on_at_once_and_ends_when_it_has_long_been_quiet():
    made = signals(DRIVE, 1)
    made[:, 1, INDEX["guard"]] = 0.0
    made[360:400, 1, INDEX["guard"]] = 2.0
    result = Kernel(fleet(1), [Guard()]).run(rows([made], 10.0))
    assert [(symptom.key, symptom.level, symptom.value) for symptom in result.symptoms] == [
        ("guard-spoke", 2, 2.0),
        ("guard-spoke", 0, 0.0),
    ]
    assert result.symptoms[1].time_s - result.symptoms[0].time_s >= 3600.0


def test_an_overfilled_sump_is_told_when_it_has_come_to_rest():
    made = signals(Journey((("drive", 1.0), ("park", 1.0))), 1)
    made[:, 1:, INDEX["lube-level"]] = 12.0
    found = Kernel(fleet(1), [Housing()]).run(rows([made])).symptoms
    assert {(symptom.key, symptom.axle) for symptom in found} == {("lube-level-high", 0), ("lube-level-high", 1)}


def swinging(from_h, times):
    """Return a truck whose height spreads as its road and, from some hour on, a hunting valve have it."""
    made = signals(Journey((("drive", 16.0),)), 2)
    rng = np.random.default_rng(4)
    road = np.exp(np.repeat(rng.normal(0.0, 0.3, len(made) // 60 + 1), 60)[: len(made)])
    spread = 4.0 * road * rng.lognormal(0.0, 0.1, len(made))
    spread[int(from_h * 360) :] *= times
    made[:, 1:, INDEX["height/left-spread"]] = spread[:, None]
    made[:, 1:, INDEX["height/right-spread"]] = spread[:, None]
    return made


def test_hunting_is_told_from_rough_roads():
    calm = Kernel(fleet(1), [Hunting()]).run(rows([swinging(20.0, 1.0)]))
    found = Kernel(fleet(1), [Hunting()]).run(rows([swinging(13.0, 3.5)]))
    assert not calm.symptoms
    assert {symptom.key for symptom in found.symptoms if symptom.active} == {"hunting"}
    assert min(symptom.time_s for symptom in found.symptoms) > BEGIN_S + 13.0 * HOUR


def test_a_slow_height_drift_is_told_inside_the_tolerance():
    long = Journey((("drive", 70.0),))
    drift = Faults(height_mm=lambda t: -4.6 * np.clip((t / HOUR - 30.0) / 15.0, 0.0, 1.0))
    found = Kernel(fleet(1), [RideHeight()]).run(rows([signals(long, 2, drift)])).symptoms
    assert [(symptom.key, symptom.axle) for symptom in found if symptom.active] == [("height-drift", 0)]
    assert found[0].value < -3.0
