"""A caution whose cause is not clear waits for a shift; what is at its limit, may stop a truck or is clear does not."""

from __future__ import annotations

import dataclasses

import pytest
from known_truth import BEGIN_S as FIRST_S
from known_truth import Faults, Journey, after, chunk, fleet, rows, signals
from test_diagnosis import KNOWLEDGE, LOW, TABLE, symptom, view

from axlewright_server.detectors.ride_height import RideHeight
from axlewright_server.diagnosis.decide import decide
from axlewright_server.diagnosis.patience import CLEAR, POSSIBLE, WAIT_S, may_be_told
from axlewright_server.diagnosis.posterior import Finding
from axlewright_server.kernel import Kernel

HOUR = 3600.0
RAISED_S = LOW.time_s


def told(hours, *symptoms):
    own = dataclasses.replace(view(*symptoms), time_s=RAISED_S + hours * HOUR)
    return [advisory for advisory, _ in decide(KNOWLEDGE, TABLE, 0, own.time_s, own, view(), []).changes]


def finding(**probabilities):
    listed = {name.replace("_", "-"): share for name, share in probabilities.items()}
    return Finding(max(listed, key=listed.__getitem__), listed, (), ())


def test_an_unclear_caution_waits_for_a_shift_and_is_told_then():
    assert told(0.0, LOW) == []
    assert told(WAIT_S / HOUR - 0.01, LOW) == []
    (advisory,) = told(WAIT_S / HOUR, LOW)
    assert advisory.message.confidence < CLEAR


def test_the_wait_is_that_of_the_symptom_that_came_first():
    later = symptom("height-drift", "height/left,height/right", time_s=RAISED_S + 7 * HOUR)
    entries, unclear = [*view(LOW, later).standing.values()], finding(height_drift=0.5, height_valve_out_of_set=0.5)
    for hours, now in ((7.5, False), (8.0, True)):
        assert may_be_told(KNOWLEDGE, unclear, "next-service", entries, RAISED_S + hours * HOUR) is now


def test_what_is_at_its_limit_is_told_at_once():
    assert len(told(0.0, symptom("height-low", "height/left,height/right", -40.0, level=2))) == 1


def test_a_clear_cause_is_told_at_once():
    (advisory,) = told(0.0, symptom("sensor-range", "lube"))
    assert advisory.message.confidence >= CLEAR


@pytest.mark.parametrize(
    ("probabilities", "urgency", "now"),
    [
        ({"dragging_brake": 0.6, "tandem_mismatch": 0.4}, "within-a-day", False),
        ({"dragging_brake": CLEAR, "tandem_mismatch": 0.1}, "within-a-day", True),
        ({"dragging_brake": 0.6, "tandem_mismatch": 0.4}, "stop-safely-now", True),
        # Common practice, no published source: lube that may be running out is a stop-and-check, never a wait.
        ({"dragging_brake": 0.6, "sudden_lube_loss": POSSIBLE}, "within-a-day", True),
        ({"dragging_brake": 0.6, "sudden_lube_loss": 0.9 * POSSIBLE}, "within-a-day", False),
    ],
)
def test_what_may_stop_a_truck_is_not_waited_for(probabilities, urgency, now):
    entries = [*view(LOW).standing.values()]
    assert may_be_told(KNOWLEDGE, finding(**probabilities), urgency, entries, RAISED_S) is now
    assert may_be_told(KNOWLEDGE, finding(**probabilities), urgency, entries, RAISED_S + WAIT_S)


def test_an_advisory_that_is_told_goes_on_without_waiting():
    (advisory,) = told(WAIT_S / HOUR, LOW)
    other = symptom("height-low", "height/left,height/right", -14.0)
    own = dataclasses.replace(view(other), time_s=RAISED_S + 1.0)
    changes = decide(KNOWLEDGE, TABLE, 0, own.time_s, own, view(), [advisory]).changes
    assert [record.action for _, record in changes] == ["updated"]


def test_time_alone_ends_the_wait_however_the_readings_come():
    readings = rows([signals(Journey((("drive", 16.0),)), 3, Faults(axle=0, height_mm=after(1.0, -16.0)))], 600.0)
    at_once, hourly = Kernel(fleet(1), [RideHeight()]), Kernel(fleet(1), [RideHeight()])
    result = at_once.run(readings)
    (begun_s,) = {each.time_s for each in result.symptoms if each.key == "height-low" and each.level == 1}
    first = next(record for _, record in result.changes if record.action == "raised")
    assert 0.0 <= first.time_s - (begun_s + WAIT_S) <= 600.0
    again = []
    for hour in range(17):
        again += hourly.run(chunk(readings, FIRST_S + hour * HOUR, FIRST_S + (hour + 1) * HOUR)).changes
    assert again == result.changes


def test_what_is_gone_before_the_shift_ends_is_never_told():
    def a_while(t):
        return -16.0 * ((t > 1.0 * HOUR) & (t < 4.0 * HOUR))

    readings = rows([signals(Journey((("drive", 16.0),)), 3, Faults(axle=0, height_mm=a_while))], 600.0)
    result = Kernel(fleet(1), [RideHeight()]).run(readings)
    assert {each.level for each in result.symptoms if each.key == "height-low"} == {0, 1}
    assert result.changes == []
